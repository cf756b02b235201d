"""The shipped procedures: whole, lint-free, without a breach over the matrix; every named mutation is caught."""

import re
from pathlib import Path

import pytest

from app.calc.errors import Invalid
from app.domain.containment.effects import Act
from app.domain.examine import examine, laid_findings, matrix, sample_housing
from app.domain.housing import Seal, Service
from app.domain.job import Stage
from app.domain.procedure import Procedure, read_procedure
from app.domain.reopening import PRESSURE_LIMIT
from app.domain.steps import expand, ways_out
from app.domain.writing_rules import findings
from app.services.issuing import Trial, rehearsed
from app.storage.library import FileLibrary
from tests.builders import housing, opened, procedure, procedure_text

STEP = "[[stages.sections.steps]]\n"


def parts(text: str) -> list[str]:
    """Cut a procedure's text before every step, so that steps can be moved and dropped."""
    return re.split(r"(?=^\[\[(?:stages|blocks)[^\n]*\]\]\n)", text, flags=re.MULTILINE)


def find(pieces: list[str], ident: str, *, section: str = "") -> int:
    """Return the place of a step by its id, in the section or block named, else in the block of every cut."""
    here = ""
    for place, piece in enumerate(pieces):
        name = re.search(r'^id = "([^"]+)"', piece, re.MULTILINE)
        if piece.startswith("[[stages.sections]]") and name:
            here = name.group(1)
        if block := re.match(r"\[\[blocks\.([^]]+)\]\]", piece):
            here = block.group(1)
        if name and name.group(1) == ident and here == (section or "close-and-cut"):
            return place
    raise AssertionError(f"no step {ident}")


def moved(ident: str, before: str, *, section: str = "") -> str:
    """Return the change-out with one step moved before another."""
    pieces = parts(procedure_text())
    piece = pieces.pop(find(pieces, ident, section=section))
    pieces.insert(find(pieces, before, section=section), piece)
    return "".join(pieces)


def dropped(ident: str, *, section: str = "") -> str:
    """Return the change-out without one step."""
    pieces = parts(procedure_text())
    pieces.pop(find(pieces, ident, section=section))
    return "".join(pieces)


def two_filters_in_one_bag() -> str:
    """Draw the next filter into the bag that holds the first: the cut and the next bag are left out."""
    text = procedure_text()
    for ident in ("next-bag", "next-strap", "next-stub"):
        pieces = parts(text)
        pieces.pop(find(pieces, ident, section="out"))
        text = "".join(pieces)
    return text.replace(f'{STEP}block = "close-and-cut"\n\n{STEP}id = "next-bag"', f'{STEP}id = "next-bag"').replace(
        f'{STEP}block = "close-and-cut"\n\n', f'{STEP}block = "close-and-cut"\nwhen = ["last_out"]\n\n', 1
    )


def without_way_out_block(name: str) -> str:
    """Take a block out of the re-seating alone; its section keeps a step that does nothing to the model."""
    text = procedure_text()
    at = text.index("[ways_out.reseat]")
    nothing = 'id = "wait"\ntext = "Wait for the lead."'
    return text[:at] + text[at:].replace(f'block = "{name}"', nothing)


MUTATIONS = {
    "cut before the second band": (moved("cut", "band-ring"), "R2"),
    "stub drawn off before the new bag is strapped": (moved("stub", "strap", section="in"), "R5"),
    "door off before isolation is verified": (dropped("isolation", section="prove"), "R6"),
    "two filters in one bag": (two_filters_in_one_bag(), "R4"),
    "filter moved with the clamp set": (dropped("bolts", section="open-port"), "R3"),
    "clamp set with a position empty": (dropped("slide", section="in"), "R8"),
    "dampers opened with a door off": (dropped("door", section="close-port"), "R9"),
    "last bag left off": (
        procedure_text("first-fit-out").replace('effects = ["fit_bag"]\n', "").replace('effects = ["strap_bag"]\n', ""),
        "R9",
    ),
    "a filter slid in at the wrong depth": (
        procedure_text().replace('each = "filter_in"', 'each = "filter_out"'),
        "R7",
    ),
    "re-seating with the air on": (without_way_out_block("prove"), "R6"),
    "re-seated and not clamped again": (without_way_out_block("clamp"), "R9"),
    "re-seated and left open": (without_way_out_block("close-port"), "R9"),
    "a package unaccounted for": (procedure_text().replace('effects = ["account_package"]\n', ""), "R10"),
}


@pytest.mark.parametrize("name", MUTATIONS)
def test_every_named_mutation_is_caught(name: str) -> None:
    """A shipped procedure with this edit breaks the rule that forbids it, and the breach names step and sentence."""
    text, rule = MUTATIONS[name]
    mutated = read_procedure(text, name="mutated")

    found = [
        item
        for filters in ((1,), (2,), (3, 1))
        for item in examine(mutated, sample_housing(Seal.GASKET, Service.RADIOACTIVE, filters))
    ]

    assert rule in {item.rule for item in found}
    assert all(item.step and item.sentence for item in found)


@pytest.mark.parametrize("name", ["change-out", "first-fit-out"])
def test_a_shipped_procedure_keeps_the_writing_rules(name: str) -> None:
    """The lint finds nothing in a shipped procedure."""
    assert findings(procedure(name)) == ()


@pytest.mark.parametrize("name", ["change-out", "first-fit-out"])
def test_no_breach_over_the_whole_matrix(name: str) -> None:
    """Every seal, service, 1 to 6 filters behind a port and 1 to 8 ports run through the model without a breach."""
    breaches = {(h.seal, h.service, len(h.ports), h.ports[0].filters): examine(procedure(name), h) for h in matrix()}

    assert len(breaches) == 2 * 5 * 6 * 8
    assert {key: found for key, found in breaches.items() if found} == {}


def ids(proc: Procedure, seal: Seal, service: Service, filters: tuple[int, ...]) -> list[str]:
    """Return the step ids of a procedure over a sample housing."""
    return [step.id for step in expand(proc, sample_housing(seal, service, filters))]


def test_the_trade_order_of_a_two_filter_change_out() -> None:
    """Parts, PPE, isolate, pause, open, out nearest first, in deepest first, clamp, close, test, waste, return."""
    found = ids(procedure(), Seal.GASKET, Service.RADIOACTIVE, (2,))

    order = [
        "ready/parts/bags", "ready/agree/agreed", "isolate/shut/fan", "isolate/shut/locks",
        "isolate/verify/isolation", "isolate/verify/pause", "isolate/verify/release", "port/P1/open/door",
        "port/P1/open/bolts", "port/P1/out-1/draw", "port/P1/out-1/band-ring", "port/P1/out-1/pause",
        "port/P1/out-1/cut", "port/P1/out-1/tape-stub",
        "port/P1/out-1/next-stub", "port/P1/out-2/draw", "port/P1/out-2/cut", "port/P1/in-2/load",
        "port/P1/in-2/stub", "port/P1/in-2/slide", "port/P1/in-2/cut", "port/P1/in-1/slide",
        "port/P1/clamp/upper-resistance", "port/P1/clamp/lower-stop", "port/P1/clamp/upper-stop",
        "port/P1/clamp/torque", "port/P1/close/roll", "port/P1/close/door", "flow/unlock/fan",
        "test/hepa/leak/aerosol", "end/waste/hand-over", "end/service/pause",
        "end/service/release", "end/service/return",
    ]  # fmt: skip
    places = [found.index(step) for step in order]
    assert places == sorted(places)
    assert "port/P1/in-1/cut" not in found, "the last bag stays on the ring"
    assert sum(step.endswith("/pause") for step in found) == 3, "one pause before each of opening, first cut, return"


def test_ports_never_interleave_and_filters_go_in_in_the_reverse_order() -> None:
    """One port is finished before the next is opened; the order in is the reverse of the order out."""
    steps = expand(procedure(), sample_housing(Seal.GEL, Service.BIOLOGICAL, (3, 2)))

    ports = [step.port for step in steps if step.port]
    assert ports == sorted(ports)
    for port in ("P1", "P2"):
        out = [e.position for s in steps for e in s.effects if e.port == port and e.act is Act.DRAW_OUT]
        back = [e.position for s in steps for e in s.effects if e.port == port and e.act is Act.SLIDE_IN]
        assert out == sorted(o for o in out if o)
        assert back == out[::-1]


def test_gel_and_gasket_differ_in_steps_and_not_in_words_alone() -> None:
    """A gasket housing has drive bolts and a torque reading; a gel housing a locking handle and a latch."""
    gasket = ids(procedure(), Seal.GASKET, Service.GENERAL, (1,))
    gel = ids(procedure(), Seal.GEL, Service.GENERAL, (1,))

    assert "port/P1/clamp/torque" in gasket
    assert "port/P1/clamp/latch" not in gasket
    assert "port/P1/clamp/latch" in gel
    assert "port/P1/clamp/torque" not in gel


def test_common_practice_figures_say_so_and_a_site_value_replaces_them() -> None:
    """The figures without a source are marked as common practice; the housing's own value takes their place."""
    house = sample_housing(Seal.GASKET, Service.GENERAL, (1,))
    own = house.model_copy(update={"practice": {"bands_per_cut": "4", "gathered_length": "250 mm"}})

    shipped = {name: figure.basis for name, figure in procedure().figures.items()}
    texts = [step.text for step in expand(procedure(), own)]

    assert set(shipped.values()) == {"common practice, no source"}
    assert "Crimp 2 metal bands between the ties, next to the package side." in texts
    assert any("250 mm" in text for text in texts)
    assert examine(procedure(), own) == ()


SEEDED = {
    "W1": ('text = "Stop {fan}."', 'text = "The fan {fan} comes to rest."'),
    "W2": ('text = "Stop {fan}."', 'text = "Stop {fan} and shut the upstream damper {upstream_damper}."'),
    "W3": ('text = "Stop {fan}."', 'text = "Stop {fan} if it runs."'),
    "W4": ("A slipping ratchet can strike", "Hold the ratchet firmly. A slipping ratchet can strike"),
    "W5": (
        'note = "The length of neck is common practice',
        'note = "Wait until the neck is at least 150 mm. It is common practice',
    ),
    "W6": ('id = "tell"\nkind = "notify"', 'id = "tell"\nkind = "decide"'),
    "W7": ('text = "Stop {fan}."', 'text = "Stop one of the two fans {fan}."'),
    "W8": ('id = "extend"\n', 'id = "extend"\nkind = "check"\n'),
    "W9": ("whole, strap tight in its groove", "OK"),
}


@pytest.mark.parametrize("rule", SEEDED)
def test_the_lint_names_the_step_that_breaks_a_writing_rule(rule: str) -> None:
    """Each seeded fault is found under its rule, with the place where it stands."""
    old, new = SEEDED[rule]
    text = procedure_text()
    assert old in text

    found = findings(read_procedure(text.replace(old, new), name="seeded"))

    assert rule in {item.rule for item in found}
    assert all(item.step for item in found)


ALONE = {
    "a cut by one": ('effects = ["cut"]', 'second = "concurrent"', "W10", "the step cuts and takes one person"),
    "a door by one": ('effects = ["take_door_off"]', 'second = "concurrent"', "W10", "the step takes a door off and"),
    "verified by its maker": ('effects = ["verify_isolation"]', 'kind = "verify"', "W11", "whoever isolates could"),
    "no further point": ('id = "more"', "further = true", "W12", "without naming a further point"),
    "isolated without locks": ('effects = ["isolate"]', 'table = "locks_on"', "W12", "without its table of locks"),
    "shown before it is verified": (
        'kind = "verify"',
        'veils = ["torque", "latch"]',
        "W13",
        "which would be seen before",
    ),
    "too many steps in a row": (
        'id = "pause"',
        'part = "Cut and tape"',
        "W14",
        "the part 'Close the neck' has 1[0-2] steps in a row; 9 is the most",
    ),
}


@pytest.mark.parametrize("name", ["change-out", "first-fit-out"])
@pytest.mark.parametrize("fault", ALONE)
def test_a_text_that_one_person_could_carry_out_alone_is_not_issued(tmp_path: Path, name: str, fault: str) -> None:
    """Without the second person, verifier, locks, veil or parts nobody issues it; one issued before is read."""
    at, gone, rule, told = ALONE[fault]
    steps = procedure_text(name).split("\n\n")
    place = next(number for number, step in enumerate(steps) if at in step and gone in step)
    left = [row for row in steps[place].split("\n") if row != gone and not (rule == "W11" and row.startswith("veils"))]
    text = "\n\n".join([*steps[:place], "\n".join(left), *steps[place + 1 :]])

    made, over = read_procedure(text, name="alone"), housing("EF-07")
    (tmp_path / "procedures").mkdir()
    (tmp_path / "procedures" / "alone.toml").write_text(text, "utf-8")

    lacking = (*findings(made), *laid_findings(made, over))
    assert [(item.rule, bool(re.search(told, item.sentence))) for item in lacking][:1] == [(rule, True)]
    assert FileLibrary(tmp_path).faults() == ()
    what = "has too many steps in a row" if rule == "W14" else "lacks a second pair of eyes"
    with pytest.raises(Invalid, match=rf"{what} at .* \({rule}\): .*{told}.* Correct it"):
        rehearsed(Trial(fault, name, made, over))


BAD_FILES = {
    "misspelt key": ('kind = "change_out"', 'kin = "change_out"', "kin"),
    "unknown act": ('effects = ["extend_bag"]', 'effects = ["extent_bag"]', "extent_bag"),
    "section without a use level": ('title = "Open"\nuse = "step_in_hand"', 'title = "Open"', "use"),
    "unknown name in a text": ("Stop {fan}.", "Stop {fan.__class__}.", "plain name"),
    "unknown hazard": ('hazards = ["ratchet"]', 'hazards = ["rachet"]', "rachet"),
    "not TOML": ('id = "change-out"', "id = change-out", "TOML"),
}


@pytest.mark.parametrize("name", BAD_FILES)
def test_a_procedure_that_cannot_be_read_is_refused_with_one_sentence(name: str) -> None:
    """The sentence names what is wrong, and nothing but a ChangeoutError comes out."""
    from app.calc.errors import Invalid

    old, new, told = BAD_FILES[name]
    text = procedure_text()
    assert old in text

    with pytest.raises(Invalid, match=re.escape(told)):
        read_procedure(text.replace(old, new), name="bad.toml")


@pytest.mark.parametrize("name", ["change-out", "first-fit-out"])
@pytest.mark.parametrize("tag", ["EF-03", "EF-11"])
def test_what_the_actuators_of_the_dampers_hold_is_answered_before_each_opening(name: str, tag: str) -> None:
    """Wherever the housing's pressure is read: let off or not fitted lets the work go on, anything left stops it."""
    made, at_housing = procedure(name), housing(tag)
    line = expand(made, at_housing)
    laid = [*line, *(step for way in ways_out(made, at_housing, line) for step in way.steps)]
    reads = [step for step in laid if any(item.ask.limit == PRESSURE_LIMIT for item in step.asks)]

    assert len(reads) >= 2
    for step in reads:
        asked = next(item.ask for item in step.asks if item.ask.id == "actuators")
        assert (asked.required, len(asked.good), len(asked.options)) == (True, 2, 3)
        assert asked.label == f"Actuators of {at_housing.upstream_damper} and {at_housing.downstream_damper}"
    for answer, stage in zip(asked.options, (Stage.OPEN, Stage.OPEN, Stage.STOPPED), strict=True):
        bench = opened(tag, name)
        bench.run_to("verify/pressure")
        bench.answer({"actuators": answer})
        assert bench.state.stage is stage, answer
        assert bench.state.mark(reads[0].id).stands == (stage is Stage.OPEN)
