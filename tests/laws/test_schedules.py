"""Random schedules of tablets and a server: what `python -m tests.schedules` plays by the ten thousand, in small."""

import pytest

from tests import schedules
from tests.builders import Bench
from tests.schedules import PLAIN, SERVICE, World, noticed_in
from tests.scheduling.laws import broken_laws
from tests.scheduling.play import play
from tests.scheduling.seeded import SEEDED, Fault
from tests.scheduling.server import fresh_server

SCHEDULES = 60
"""Tier A of `tests.faults` plays hundreds."""
MODELLED = 1_000
WORLDS = pytest.mark.parametrize("world", [SERVICE, PLAIN], ids=lambda world: world.part)


def test_every_queue_drains_and_no_law_is_broken() -> None:
    """Each valid mark stands once and in order, recovered ones say so, poison is set aside, nothing is invented."""
    wrong = {number: told for number in range(SCHEDULES) if (told := broken_laws(play(1, number)))}

    assert wrong == {}


def test_the_plain_model_breaks_no_law_either() -> None:
    """The same tablets and laws over the plain server, and they come to all that the service's schedules come to."""
    seen = schedules.play_all(1, (0, MODELLED), PLAIN)

    assert seen.wrong == []
    assert all(seen.totals[what] > MODELLED / 10 for what in ("marks", "restores", "recovered", "contested"))


def test_a_schedule_is_the_same_at_each_run() -> None:
    """A seed and a number name one schedule, so that what went wrong can be looked at again."""
    first, again = play(1, 3), play(1, 3)

    assert first.log == again.log
    assert first.server.payloads == again.server.payloads


def test_what_the_desk_does_is_done() -> None:
    """A fresh server takes the first work of its desk: its token is none of those that led there."""
    server = fresh_server()
    before = server.state.done_count

    for command, by in Bench(server.state).due_commands():
        server.do(command, by)

    assert server.state.done_count == before + 1


def test_schedules_hold_restores_and_what_comes_back_after_them() -> None:
    """The schedules are no idle ones: marks are lost in restores and come back, and poison is among them."""
    played = [play(1, number) for number in range(60)]

    assert sum(one.server.restores for one in played) > 10
    assert sum(len(one.confirmed_and_lost) for one in played) > 10
    assert any(mark.state == "aside" for one in played for tablet in one.tablets for mark in tablet.marks)


@WORLDS
@pytest.mark.parametrize("fault", SEEDED, ids=lambda fault: fault.name)
def test_a_seeded_fault_is_noticed(fault: Fault, world: World) -> None:
    """A tablet or server with the fault breaks a law within the schedules that a run has."""
    assert noticed_in(fault, seed=1, world=world) is not None


@WORLDS
def test_what_a_law_says_of_a_sound_schedule_as_well_is_no_notice(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A law that always complains would seem to notice every fault; the control, the same schedule sound, tells."""
    monkeypatch.setattr(schedules, "broken_laws", lambda _: ["the law complains of everything"])

    assert [noticed_in(fault, seed=1, world=world) for fault in SEEDED] == [None] * len(SEEDED)


@WORLDS
def test_tablets_and_server_without_a_fault_are_not_noticed(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    """What seeds the faults, with none in it, breaks no law."""
    monkeypatch.setattr(schedules, "MOST_TRIES", 60)

    assert noticed_in(Fault("none"), seed=1, world=world) is None
