"""Records from whole runs: honest ones verify, every kind of tampering is found and named."""

import json
import random
from collections.abc import Callable
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest

from app.domain.computing import compute
from app.domain.examine import sample_housing
from app.domain.housing import Seal, Service, SiteLimit
from app.ledger.canonical import canonical
from app.records.verify import Verdict, verify_record
from app.services.export import Material, record_json
from app.services.planning import plan
from app.services.rehearsal import Run, rehearse
from tests.builders import housing, procedure
from tests.ledger.signing import TestSigner, new_signer
from tests.needed import missing

AT = "2026-03-02T12:00:00.000Z"
FLIPS, FLIP_PARTS = 400, 2


@lru_cache
def signer() -> TestSigner:
    """One key for all of these."""
    return new_signer()


def run_of(tag: str = "EF-03", begin: int = 1) -> Run:
    """Rehearse a job on a sample housing."""
    made = plan(housing(tag), procedure(), "0" * 64)
    return rehearse(made, signer(), begin=datetime(2026, 3, begin, tzinfo=UTC))


def bytes_of(run: Run) -> bytes:
    """Return the record of a run."""
    pem = signer().certificate_pem
    return record_json(Material(tuple(run.events), tuple(run.heads), {}, pem, pem, AT, "test"))


@lru_cache
def honest() -> bytes:
    """Return the record of an honest run."""
    return bytes_of(run_of())


@lru_cache
def gel_record() -> bytes:
    """Return the record of an honest run of the one-filter gel housing."""
    return bytes_of(run_of("EF-07"))


def judged(data: bytes, known: tuple[str, ...] = ()) -> Verdict:
    """Verify a record whose file signature is made anew, so that only what is inside can give it away."""
    return verify_record(data, signature=signer().sign(data), photo=None, known_heads=known)


def faulty(verdict: Verdict) -> set[int]:
    """Return the numbers of the checks that found something."""
    return {check.number for check in verdict.checks if check.faults}


@pytest.mark.parametrize("name", ["change-out", "first-fit-out"])
@pytest.mark.parametrize("seal", list(Seal))
@pytest.mark.parametrize("filters", range(1, 7))
def test_rehearsals_over_the_matrix_verify(name: str, seal: Seal, filters: int) -> None:
    """Every seal and service with 1 to 6 filters gives a record that verifies and is marked as a rehearsal."""
    for service in Service:
        made = plan(sample_housing(seal, service, (filters,)), procedure(name), "0" * 64)
        verdict = judged(bytes_of(rehearse(made, signer(), begin=datetime(2026, 3, 2, tzinfo=UTC))))

        assert faulty(verdict) == set(), (service, [check for check in verdict.checks if check.faults])
        assert verdict.rehearsal
        assert verdict.signed


def edited(change: Callable[[dict[str, Any]], None]) -> bytes:
    """Return the honest record after an edit, in canonical form again."""
    value = json.loads(honest())
    change(value)
    return canonical(value)


def _swap(value: dict[str, Any]) -> None:
    value["entries"][10], value["entries"][11] = value["entries"][11], value["entries"][10]


def _other_name(value: dict[str, Any]) -> None:
    value["entries"][20]["by"]["name"] = "Somebody else"


def _back_date(value: dict[str, Any]) -> None:
    value["entries"][30]["at"] = "2026-01-01T00:00:00.000Z"


TAMPERING: dict[str, tuple[Callable[[dict[str, Any]], None], int]] = {
    "an entry changed": (_other_name, 4),
    "an entry back-dated": (_back_date, 4),
    "an entry dropped": (lambda value: value["entries"].pop(15), 4),
    "an entry added": (lambda value: value["entries"].insert(15, value["entries"][14]), 4),
    "two entries reordered": (_swap, 4),
    "a head changed": (lambda value: value["heads"][5].update(root="00" * 32), 4),
    "the rehearsal mark taken off": (lambda value: value.update(rehearsal=""), 12),
    "the summary embellished": (lambda value: value["summary"].update(exceptions=7), 12),
    "a photo added to the list": (lambda value: value["photos"].append({"sha256": "0" * 64, "bytes": 1}), 7),
    "another format": (lambda value: value.update(format="changeout-record/2"), 1),
}


@pytest.mark.parametrize("name", TAMPERING)
def test_tampering_is_found_by_the_check_that_is_there_for_it(name: str) -> None:
    """Even with the file signed anew, the edit is found under its number."""
    change, number = TAMPERING[name]

    assert number in faulty(judged(edited(change)))


def test_the_first_bad_entry_is_named() -> None:
    """Changing entry 20 is told as a doubt from entry 20 on, or earlier only as far as the last good head."""
    told = " ".join(fault for check in judged(edited(_other_name)).checks for fault in check.faults)

    assert "from entry 20 on" in told


def test_a_cut_tail_is_found_by_an_older_head_that_left_the_building() -> None:
    """Without the tail the record looks whole; with a noted head it does not."""
    run = run_of()
    head = run.heads[-1]
    short = Run(run.ledger, run.signer, run.now, events=run.events[:-2], heads=run.heads[:-2])
    data = bytes_of(short)

    assert 4 not in faulty(judged(data))
    assert 5 in faulty(judged(data, known=(f"{head.size}:{head.root.hex()}",)))
    known = tuple(f"{noted.size}:{noted.root.hex()}" for noted in (head, run.heads[39]))
    assert faulty(judged(honest(), known=known)) == set()


def test_a_signature_moved_from_another_job_is_found() -> None:
    """The acceptance of one job, pasted into another and sealed with the site's own key, covers nothing there."""
    run, other = run_of(), run_of(begin=9)
    assert run.events[-1].type == "record_accepted"
    stolen = other.events[-1].model_copy(update={"seq": run.events[-1].seq})
    run.events[-1] = stolen
    rebuilt = Run(run.ledger, run.signer, run.now)
    from app.domain.events import payload_of
    from app.ledger.tree import leaf_hash

    for event in run.events:
        rebuilt.events.append(event)
        rebuilt.frontier = rebuilt.frontier.append(leaf_hash(canonical(payload_of(event))))
        rebuilt.heads.append(rebuilt._head(event.at))

    assert 8 in faulty(judged(bytes_of(rebuilt)))


def test_a_result_that_does_not_follow_from_its_inputs_is_found() -> None:
    """A leak test's stored result is computed again from its inputs."""

    def better(value: dict[str, Any]) -> None:
        entry = next(item for item in value["entries"] if "result" in item.get("evidence", {}))
        entry["evidence"]["result"]["value"] = "0.001"

    assert 11 in faulty(judged(edited(better)))


def leak_entry(value: dict[str, Any]) -> dict[str, Any]:
    """Return the evidence of the leak test."""
    held = (item.get("evidence", {}) for item in value["entries"])
    return next(found for found in held if found.get("result", {}).get("method") == "leak_test/1")


def test_a_result_from_other_readings_than_the_answers_is_found() -> None:
    """Inputs and result that agree with each other, and not with what was typed, are no result of this test."""

    def flattering(value: dict[str, Any]) -> None:
        evidence = leak_entry(value)
        inputs = evidence["result"]["inputs"] | {"downstream": "0.0011"}
        limit = SiteLimit(high=evidence["result"]["limit"], op=evidence["result"]["op"], unit="pct",
                          basis=evidence["result"]["basis"])  # fmt: skip
        evidence["result"] = compute("leak_test/1", inputs, limit).model_dump(mode="json", exclude_none=True)

    assert 11 in faulty(judged(edited(flattering)))


def test_a_result_that_is_missing_is_found() -> None:
    """A test step without its result is not a test that nobody had to compute."""
    assert 11 in faulty(judged(edited(lambda value: leak_entry(value).pop("result"))))


@pytest.mark.parametrize("part", range(FLIP_PARTS))
def test_any_flipped_bit_of_the_file_is_found(part: int) -> None:
    """400 bits flipped at random places, one at a time, in two parts: none is accepted (`tests.faults`: 20,000)."""
    data = gel_record()
    signature = signer().sign(data)
    chosen = random.Random(20260302 + part)

    for _ in range(FLIPS // FLIP_PARTS):
        place = chosen.randrange(len(data) * 8)
        bad = bytearray(data)
        bad[place // 8] ^= 1 << place % 8
        verdict = verify_record(bytes(bad), signature=signature, photo=None)
        assert not verdict.good, place


def test_a_time_zone_that_there_is_not_is_told_and_not_raised() -> None:
    """One bit of the zone in the opening entry keeps its days from being computed; verification says so and goes on."""
    verdict = judged(edited(lambda value: value["entries"][0].update(zone="uTC")))

    assert faulty(verdict) == {4, 6}
    assert "There is no time zone 'uTC'" in " ".join(fault for check in verdict.checks for fault in check.faults)


@pytest.mark.parametrize("part", ["root", "signature"])
def test_a_head_in_other_digits_is_found(part: str) -> None:
    """One bit makes a small letter a capital: the same number, and not the bytes that were exported."""

    def capital(value: dict[str, Any]) -> None:
        digits = value["heads"][5][part]
        place = next(place for place, digit in enumerate(digits) if digit.isalpha())
        value["heads"][5][part] = digits[:place] + digits[place].upper() + digits[place + 1 :]

    assert 4 in faulty(judged(edited(capital)))


@pytest.mark.parametrize("data", [b"", b"{}", b"[]", b"\xff\xfe", b'{"format":"changeout-record/1"}', b"%PDF-1.7"])
def test_what_is_no_record_is_told_in_a_sentence(data: bytes) -> None:
    """Anything else than a record fails check 1 with a sentence, and nothing is raised."""
    verdict = verify_record(data, signature=None, photo=None)

    assert faulty(verdict) == {1}
    assert len(verdict.checks[0].faults[0].split()) > 4


def test_the_auditors_way_with_openssl_and_a_shell_is_the_one_in_the_readme(tmp_path: Path) -> None:
    """The README's shell lines run as they stand over a rehearsal's folder and end with the right root."""
    import shutil
    import subprocess

    from app.cli import main

    if shutil.which("openssl") is None:
        missing("openssl is not on this machine")
    folder = tmp_path / "record"
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    script = readme.split("```sh auditor\n", 1)[1].split("```", 1)[0]
    seed = Path(__file__).parents[2] / "seed_data" / "housings" / "EF-07.toml"
    assert main(["rehearse", str(seed), "--out", str(folder)]) == 0

    done = subprocess.run(["sh", "-eu", "-c", script], cwd=folder, capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stderr
    assert json.loads((folder / "head.json").read_text())["root"] in done.stdout
    assert done.stdout.count("Verified OK") == 2
    (folder / "entries.jsonl").write_bytes(
        (folder / "entries.jsonl").read_bytes().replace(b"rehearsal", b"Rehearsal", 1)
    )
    bad = subprocess.run(["sh", "-eu", "-c", script], cwd=folder, capture_output=True, text=True, check=False)
    assert json.loads((folder / "head.json").read_text())["root"] not in bad.stdout.splitlines()[-1]
