"""From the report to the sheets: what each step and each answer says of itself."""

import unicodedata
from typing import Any

import pytest

from app.paper.sheets import BREAK, LONGEST_RUN, sheets_of, without_photo
from tests.paper.samples import Sample


def _answer(**more: Any) -> dict[str, Any]:
    return {
        "label": "Torque", "value": "9.6 N·m", "photo": "", "limit": "", "basis": "", "verdict": "", "was": [], **more
    }  # fmt: skip


def _step(**more: Any) -> dict[str, Any]:
    return {
        "number": 1, "id": "s", "text": "Turn.", "kind": "action", "marks": [], "answers": [], "attempts": [],
        "earlier": [], "result": [], "note": "", "flags": [], **more,
    }  # fmt: skip


def _shown(sample: Sample, step: dict[str, Any], photos: dict[str, bytes] | None = None) -> dict[str, Any]:
    report = sample.report()
    report["sections"] = [{"id": "x", "title": "X", "use": "step in hand", "steps": [step]}]
    sheets, _ = sheets_of(report, photos or {})
    shown: dict[str, Any] = sheets["sections"][0]["steps"][0]
    return shown


@pytest.mark.parametrize(
    ("more", "state"),
    [
        ({}, "not done"),
        ({"marks": ["begun A 10:00"]}, "begun only"),
        ({"marks": ["begun A 10:00", "done A 10:05"]}, "done"),
        ({"marks": ["set aside L 10:05: not applicable: done by others"]}, "set aside"),
        ({"marks": ["set aside L 10:05: not applicable: x"], "flags": ["due again: withdrawn: x"]}, "due again"),
        ({"marks": ["released B 10:05"], "kind": "hold"}, "released"),
        ({"marks": ["done A 10:05"], "flags": ["due again: withdrawn: x"]}, "due again"),
        ({"marks": ["done A 10:05"], "flags": ["answer corrected at s"]}, "done"),
    ],
)
def test_a_step_says_how_it_stands(sample: Sample, more: dict[str, Any], state: str) -> None:
    """The state is a word taken from the marks and flags, and a mark taken back is not done."""
    shown = _shown(sample, _step(**more))

    assert shown["state"] == state


def test_each_correction_names_what_took_its_place(sample: Sample) -> None:
    """Of two corrections the first leads to the second's old value, the second to the present one."""
    was = [
        {"value": "9.1 N·m", "by": "A", "at": "t1", "reason": "r1"},
        {"value": "9.4 N·m", "by": "A", "at": "t2", "reason": "r2"},
    ]

    shown = _shown(sample, _step(answers=[_answer(was=was)]))

    assert [item["now"] for item in shown["answers"][0]["was"]] == ["9.4 N·m", "9.6 N·m"]


def test_a_correction_that_tells_its_new_value_is_believed(sample: Sample) -> None:
    """When the report says what a value became, that is printed, whatever stands there after a later redoing."""
    was = [{"value": "9.1 N·m", "now": "12.0 N·m", "by": "A", "at": "t1", "reason": "r1"}]

    shown = _shown(sample, _step(answers=[_answer(was=was)]))

    assert shown["answers"][0]["was"][0]["now"] == "12.0 N·m"


@pytest.mark.parametrize(
    ("verdict", "limit", "words"),
    [
        ("within", "8 to 10 N·m", "✓ within"),
        ("outside", "8 to 10 N·m", "✗ OUTSIDE"),
        ("within", "", "✓ as wanted"),
        ("outside", "", "✗ NOT AS WANTED"),
        ("no limit", "", "no limit"),
        ("", "", ""),
    ],
)
def test_a_verdict_is_words_and_a_sign(sample: Sample, verdict: str, limit: str, words: str) -> None:
    """Within and outside differ in words, not in colour."""
    shown = _shown(sample, _step(answers=[_answer(verdict=verdict, limit=limit)]))

    assert shown["answers"][0]["verdict"] == words


def test_long_words_may_break_and_keep_every_letter(sample: Sample) -> None:
    """A run without spaces gets places to break; taking them out gives the run again."""
    run = "x" * (3 * LONGEST_RUN + 7)

    note = _shown(sample, _step(note=run))["note"]

    assert note.replace(BREAK, "") == run
    assert max(len(piece) for piece in note.split(BREAK)) == LONGEST_RUN // 2


@pytest.mark.parametrize("run", ["q\u0323\u0307" * 60, "क्षत्रिय" * 30, "العربية" * 30, "長" * 300])
def test_no_break_parts_a_mark_from_its_letter(sample: Sample, run: str) -> None:
    """Joined scripts get a break late, and a mark never stands at the beginning of a piece."""
    note = _shown(sample, _step(note=run))["note"]

    pieces = note.split(BREAK)
    assert "".join(pieces) == unicodedata.normalize("NFC", run)
    assert not any(unicodedata.category(piece[0]).startswith("M") for piece in pieces)


def test_text_is_printed_composed_with_plain_newlines(sample: Sample) -> None:
    """What is printed is the form that was judged at entry."""
    shown = _shown(sample, _step(note="e\u0301\r\nf"))

    assert shown["note"] == "é\nf"


def test_only_a_step_that_may_outgrow_a_sheet_is_parted(sample: Sample) -> None:
    """Short steps stay whole; many lines or many letters may break."""
    parted = [_shown(sample, _step(note=note))["long"] for note in ("short", "a\n" * 200, "word " * 1000)]

    assert parted == [False, True, True]


def test_photos_are_numbered_in_order_of_the_steps(sample: Sample) -> None:
    """A photo named twice has one number; answers, attempts and earlier marks all count."""
    attempt = {"who": "A", "answers": [_answer(photo="bb")]}
    step = _step(answers=[_answer(photo="aa"), _answer(photo="aa")], attempts=[attempt])
    report = sample.report()
    report["sections"] = [{"id": "x", "title": "X", "use": "u", "steps": [step]}]

    sheets, files = sheets_of(report, {"bb": b"\xff\xd8\xff", "aa": b"no picture"})

    assert [(item["number"], item["sha256"], item["file"]) for item in sheets["photos"]] == [
        (1, "aa", ""),
        (2, "bb", "photo-2.jpg"),
    ]
    assert files["photo-2.jpg"] == b"\xff\xd8\xff"
    assert "photo-1" not in "".join(files)


def test_leaving_a_photo_out_names_it_and_no_other(sample: Sample) -> None:
    """The photo that cannot be drawn loses its file and gains a sentence."""
    sheets = {"photos": [{"file": "a.jpg", "missing": ""}, {"file": "b.jpg", "missing": ""}]}

    shown = without_photo(sheets, "a.jpg")["photos"]

    assert shown[0]["file"] == ""
    assert "cannot be drawn" in shown[0]["missing"]
    assert shown[1] == {"file": "b.jpg", "missing": ""}
