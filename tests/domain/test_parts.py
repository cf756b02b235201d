"""Long sections stand in parts: how they are laid, what keeps its name, and what records say of them."""

import re
from dataclasses import dataclass
from itertools import product, starmap
from typing import Any

import pytest

from app.calc.errors import Invalid
from app.domain.contingency import lay_contingencies
from app.domain.examine import laid_findings, sample_housing
from app.domain.housing import Housing, Seal, Service
from app.domain.job import fold
from app.domain.paper import BlankPrinted, PrintBlank
from app.domain.procedure import Procedure, read_procedure
from app.domain.steps import Step, expand, put_in, ways_out
from app.records.blank import blank_of
from app.records.handover_sheet import sheet_of
from app.records.report import report_of
from tests.builders import HANDS, Bench, housing, opened, procedure, procedure_text

MADE_AT = "2026-03-02T09:00:00.000Z"
TWO = sample_housing(Seal.GASKET, Service.RADIOACTIVE, (2,))
REF = '[[stages.sections.steps]]\nblock = "clamp"\n'


def written(*changes: tuple[str, str]) -> Procedure:
    """Return the shipped change-out with other words."""
    text = procedure_text()
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    return read_procedure(text, name="parted")


def without_parts(name: str) -> Procedure:
    """Return a shipped text as it was before its sections had parts."""
    return read_procedure(re.sub(r"^part = .*\n", "", procedure_text(name), flags=re.MULTILINE), name=name)


def laid(made: Procedure, over: Housing) -> list[Step]:
    """Return every step laid over a housing: main line, ways out, contingencies."""
    line = expand(made, over)
    ways = [step for way in ways_out(made, over, line) for step in way.steps]
    return [*line, *ways, *(step for kept in lay_contingencies(made, over) for step in kept.steps)]


def parts_of(steps: tuple[Step, ...], section: str) -> list[tuple[str, str | None]]:
    """Return the steps of a section, each with its part."""
    return [(step.id.rsplit("/", 1)[-1], step.part) for step in steps if step.section == section]


# --- laying --------------------------------------------------------------------------------------------------


def test_each_step_stands_in_the_part_that_began_last() -> None:
    """From the step that says it, in a block too, to the next that does; before the first there is none."""
    found = dict(parts_of(expand(procedure(), TWO), "port/P1/out-1"))

    assert found == {
        "draw": None,
        **dict.fromkeys(("gather", "tie-package", "tie-ring", "band-package", "band-ring", "closures"),
                        "Close the neck"),
        **dict.fromkeys(("pause", "cut", "tape-stub", "tape-package", "smear", "package"), "Cut and tape"),
        **dict.fromkeys(("next-bag", "next-strap", "next-stub"), "Next bag"),
    }  # fmt: skip


def test_a_part_begins_where_its_first_step_does_not_apply() -> None:
    """The pause is made before the first cut only; at the next position the cut itself opens the part."""
    first, second = (parts_of(expand(procedure(), TWO), f"port/P1/out-{number}") for number in (1, 2))

    assert ("pause", "Cut and tape") in first
    assert "pause" not in dict(second)
    assert second[6:8] == [("closures", "Close the neck"), ("cut", "Cut and tape")]
    assert [part for _, part in second].count("Cut and tape") == 5


def test_a_part_goes_on_behind_the_block_that_began_it_and_ends_with_the_section() -> None:
    """What the last step of a block began, laid or not, holds behind the block, and in no other section."""
    made = written(
        ('id = "package"\ntext', 'id = "package"\npart = "Onward"\nwhen = ["gel"]\ntext'), ('\npart = "Next bag"', "")
    )
    line = expand(made, TWO)

    assert parts_of(line, "port/P1/out-1")[-4:] == [
        ("smear", "Cut and tape"), ("next-bag", "Onward"), ("next-strap", "Onward"), ("next-stub", "Onward")
    ]  # fmt: skip
    assert parts_of(line, "port/P1/in-2")[0] == ("serial", None)


def test_a_part_may_begin_with_a_whole_block() -> None:
    """Said where the block is named, it holds for its steps, here and not where the block is named elsewhere."""
    made = written((REF, f'{REF}part = "To the stop"\n'))

    assert {part for _, part in parts_of(expand(made, TWO), "port/P1/clamp")} == {"To the stop"}
    assert {step.part for way in ways_out(made, TWO, expand(made, TWO)) for step in way.steps} == {None}


def test_a_block_that_does_not_apply_begins_no_part() -> None:
    """Nothing is cut at the last filter in, so what follows there stands under no cut."""
    more = '[[stages.sections.steps]]\nid = "look"\ntext = "Inspect the slide of {port}."\n\n'
    after = 'block = "close-and-cut"\nwhen = ["more_to_go_in"]\n\n'
    line = expand(written((after, after + more)), TWO)

    assert parts_of(line, "port/P1/in-2")[-1] == ("look", "Cut and tape")
    assert parts_of(line, "port/P1/in-1")[-1] == ("look", None)


def test_steps_that_are_put_in_stand_in_their_parts() -> None:
    """A way out and a contingency are laid like the main line, and keep their parts under the ids of a turn."""
    made = written(('id = "straight"\ntext', 'id = "straight"\npart = "Set them"\ntext'))
    line = expand(made, TWO)
    (way,) = ways_out(made, TWO, line)
    (kept,) = (item for item in lay_contingencies(made, TWO) if item.id == "seal-damaged")

    assert parts_of(put_in(line, way, 1), "reseat-hepa-1/seat/P1/seat") == [("seal", None), ("straight", "Set them")]
    assert [part for _, part in parts_of(kept.steps, "mend/out")] == [
        None, *["Close the neck"] * 6, *["Cut and tape"] * 5
    ]  # fmt: skip


@pytest.mark.parametrize("title", ["", "x", "Close the neck of the bag behind its contents"])
def test_the_title_of_a_part_is_short_and_says_something(title: str) -> None:
    """Else the text is not read, and the sentence names the key."""
    with pytest.raises(Invalid, match=r"part: String should have at (least 2|most 40) characters"):
        written(('part = "Next bag"', f'part = "{title}"'))


@pytest.mark.parametrize("name", ["change-out", "first-fit-out"])
def test_no_part_of_a_shipped_text_is_long_and_nothing_is_named_anew(name: str) -> None:
    """Over every seal, service and number of filters: at most nine in a row; all but the parts as without them.

    What stands in a part depends on the first, the last and any other position and port, not on how many there are.
    """
    made, bare = procedure(name), without_parts(name)
    shapes = product(Seal, Service, ((1,), (3, 2)))
    over = [*starmap(sample_housing, shapes), *(housing(tag) for tag in ("EF-03", "EF-07", "EF-11"))]

    for at in over:
        parted, plain = laid(made, at), laid(bare, at)
        assert laid_findings(made, at) == ()
        assert [step.model_copy(update={"part": None}) for step in parted] == plain
        assert any(step.part for step in parted)
    told = laid_findings(bare, TWO)
    assert {item.rule for item in told} == {"W14"}
    assert all("what stands under the section's title alone has 1" in item.sentence for item in told)
    assert "part" not in plain[0].model_dump(exclude_none=True)


def test_a_long_part_is_told_with_its_section_and_how_many() -> None:
    """Nine in a row are let pass, ten are not, and put-in steps are counted too."""
    made = written(('part = "Cut and tape"\n', ""))

    told = {item.step: item.sentence for item in laid_findings(made, TWO)}

    more = "9 is the most, so begin another part in it"
    assert told == {
        "port/P1/out-1": f"the part 'Close the neck' has 12 steps in a row; {more}",
        "port/P1/out-2": f"the part 'Close the neck' has 11 steps in a row; {more}",
        "port/P1/in-2": f"the part 'Close the neck' has 11 steps in a row; {more}",
        "mend/out": f"the part 'Close the neck' has 11 steps in a row; {more}",
    }
    nine = written(('id = "smear"\n', 'id = "smear"\npart = "Count"\n'), ('part = "Cut and tape"\n', ""))
    assert [item.step for item in laid_findings(nine, TWO)] == ["port/P1/out-1"], "ten with the pause, nine without"


# --- records -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Told:
    """Where a record says that parts begin, and everything that it calls a section."""

    begun: list[tuple[str, str]]
    titles: list[str]


def told_by(sections: list[dict[str, Any]]) -> Told:
    """Return what the sections of a record say."""
    begun = [(item["title"], step["part"]) for item in sections for step in item["steps"] if "part" in step]
    return Told(begun, [item["title"] for item in sections])


def test_a_record_names_each_part_where_it_begins() -> None:
    """Sections are told once and complete as a whole; each part stands before its first step, in the sheets too."""
    bench = opened()
    bench.run_to("out-1/next-bag")
    report = report_of(bench.state, bench.events, root=bench.root, made_at=MADE_AT)
    told = told_by(report["sections"])

    out = "At the port — P1: Filter out, position 1"
    assert [part for title, part in told.begun if title == out] == ["Close the neck", "Cut and tape", "Next bag"]
    assert len(told.titles) == len(set(told.titles))
    place = sheet_of(bench.state, root=bench.root, made_at=MADE_AT)["facts"]
    assert next(said for name, said in place if name == "Place in the job").endswith(
        "At the port: Filter out — Next bag; open"
    )


def test_a_blank_names_the_part_that_it_begins_in() -> None:
    """Printed in the midst of a part, it says so before its first step."""
    bench = opened()
    bench.run_to("out-1/tie-ring")
    (event,) = bench.do(PrintBlank(), HANDS)
    assert isinstance(event, BlankPrinted)

    told = told_by(blank_of(bench.state, bench.events[:-1], event, root="ab" * 32)["sections"])

    assert [part for _, part in told.begun][:3] == ["Close the neck", "Cut and tape", "Next bag"]
    assert told.titles[0] == "At the port P1: Filter out, position 1"


def test_the_record_of_a_text_without_parts_says_nothing_of_them() -> None:
    """Jobs of earlier texts go on and are told as ever: the kept steps hold no such key."""
    bench = Bench()
    for event in opened().events:
        given = event.model_dump(exclude_none=True)
        bare = [{key: value for key, value in step.items() if key != "part"} for step in given.get("steps", ())]
        bench.events.append(type(event).model_validate(given | ({"steps": bare} if bare else {})))
    bench.state = fold(bench.events)
    report = report_of(bench.state, bench.events, root=bench.root, made_at=MADE_AT)

    assert told_by(report["sections"]).begun == []
    assert all("part" not in step.model_dump(exclude_none=True) for step in bench.state.steps)
