"""Both engines give the same answers and the same bytes, over random histories; a difference would be found."""

from pathlib import Path

from tests.engines.histories import GROUP, both_sides, compare, same_signer
from tests.engines.server import PostgresServer

HISTORIES = 200


def test_random_histories_come_out_the_same(postgres: PostgresServer, tmp_path: Path) -> None:
    """Payloads, leaves, heads, requests, refusals and signed records are equal, and the histories reach far."""
    with both_sides(tmp_path, postgres.fresh()) as sides:
        told = compare(sides, HISTORIES, "engines", record_every=4, say=lambda _: None)

    assert told.unequal == []
    assert told.histories == HISTORIES < GROUP
    assert told.records == HISTORIES // 4
    assert min(told.accepted, told.refused, told.repeated) > HISTORIES // 10
    assert told.entries > told.commands // 2 > 1_000


def test_a_difference_would_be_found(postgres: PostgresServer, tmp_path: Path) -> None:
    """With another key on one side, every ledger is told as unequal."""
    with both_sides(tmp_path, postgres.fresh()) as sides:
        sides[1].close()
        sides[1].signer = same_signer(7)
        sides[1].open()
        told = compare(sides, 4, "engines", say=lambda _: None)

    assert len(told.unequal) == 4 + 1
