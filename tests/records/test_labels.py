"""Labels: what they read, and that a whole sheet of them lies on its paper without touching."""

import pytest

from app.calc.errors import Invalid
from app.domain.labels import label_text, reads_as, told_apart
from app.records.labels import (
    MOST_LABELS,
    PAPERS,
    Label,
    LabelPaper,
    blank_label,
    head_size,
    housing_labels,
    label_sheet,
    site_address,
)
from tests.builders import housing

SITE = "https://10.0.0.5:8443"


def test_a_housing_and_each_of_its_points_have_one_label() -> None:
    """In words: where, what, for whom; the code ends with what the label reads."""
    labels = housing_labels(housing(), points=True)

    assert [(label.kind, label.head) for label in labels] == [
        ("housing", "EF-03"), ("point", "D-301"), ("point", "D-302"), ("point", "F-31")
    ]  # fmt: skip
    assert labels[0].address(SITE) == f"{SITE}/at/housing/EF-03"
    assert labels[1].lines == ("damper of EF-03", "isolated when shut")
    assert housing_labels(housing(), points=False) == labels[:1]
    assert blank_label("2026-0001", "EF-03", "2026-0001/B1", 1).address(SITE) == f"{SITE}/at/blank/job-2026-0001/1"


@pytest.mark.parametrize("paper", PAPERS, ids=lambda paper: paper.id)
def test_labels_lie_on_their_paper_and_do_not_touch(paper: LabelPaper) -> None:
    """On every paper each label lies within the page, the next one begins where it has ended, codes fit their label."""
    labels = [Label("housing", f"EF-{n}", f"EF-{n}", ()) for n in range(paper.count + 1)]
    sheet = label_sheet(labels, paper, site=SITE, first=1)
    shown, side = sheet["labels"], sheet["side"]
    assert isinstance(shown, list)
    assert isinstance(side, float)

    wide, high = paper.label
    boxes = [(item["x"], item["y"]) for item in shown if item["sheet"] == 0]
    assert len(boxes) == paper.count == len(set(boxes))
    assert shown[-1]["sheet"] == sheet["sheets"] == 1
    assert all(x >= 0 and y >= 0 and x + wide <= paper.page[0] + 0.01 and y + high <= paper.page[1] for x, y in boxes)
    for x, y in boxes:
        apart = [abs(x - u) >= wide - 0.01 or abs(y - v) >= high - 0.01 for u, v in boxes if (u, v) != (x, y)]
        assert all(apart)
    assert side <= high
    assert side <= wide / 2


def test_a_sheet_begun_before_goes_on_at_its_first_free_label() -> None:
    """The first label stands at the place named; what does not fit goes to the next sheet."""
    paper = PAPERS[0]
    labels = [Label("housing", name, name, ()) for name in "ABCD"]
    shown = label_sheet(labels, paper, site=SITE, first=13)["labels"]
    assert isinstance(shown, list)

    assert [item["sheet"] for item in shown] == [0, 0, 1, 1]
    assert shown[0]["y"] == pytest.approx(paper.first[1] + 6 * paper.pitch[1], abs=0.01)
    assert (shown[2]["x"], shown[2]["y"]) == paper.first


@pytest.mark.parametrize(
    ("count", "first", "told"),
    [(0, 1, "nothing to print"), (MOST_LABELS + 1, 1, "at once"), (1, 0, "from 1 to 14"), (1, 15, "from 1 to 14")],
)
def test_what_cannot_be_printed_is_told_in_a_sentence(count: int, first: int, told: str) -> None:
    """No label, too many, or a place that the paper has not."""
    with pytest.raises(Invalid, match=told):
        label_sheet([Label("housing", "A", "A", ())] * count, PAPERS[0], site=SITE, first=first)


@pytest.mark.parametrize(
    "address",
    [
        "",
        "10.0.0.5",
        "ftp://10.0.0.5",
        "https://",
        "https://10.0.0.5/at",
        "https://me@here",
        "http://[abc",
        "https://h#x",
        f"https://{'a' * 99}.b",
    ],
)
def test_only_the_address_of_a_server_goes_into_a_code(address: str) -> None:
    """A path, a name to sign in with, another scheme or none is refused."""
    with pytest.raises(Invalid, match="address"):
        site_address(address)
    assert site_address(" https://10.0.0.5:8443/ ") == SITE


def test_a_long_head_is_set_smaller_and_never_too_small_to_read() -> None:
    """Sizes fall with the length and stop at the smallest."""
    sizes = [head_size("M" * length, 45.0) for length in (1, 10, 20, 40, 200)]

    assert sizes == sorted(sizes, reverse=True)
    assert (sizes[0], sizes[-1]) == (20.0, 7.0)


@pytest.mark.parametrize(
    ("typed", "reads"),
    [
        ("EF-03", "EF-03"),
        ("https://10.0.0.5:8443/at/housing/EF-03", "EF-03"),
        (" HTTP://changeout/at/point/F-31 ".replace("HTTP", "http"), "F-31"),
        ("https://10.0.0.5/at/point/exhaust%20fan", "exhaust fan"),
        ("https://10.0.0.5/at/filter/EF-03", "https://10.0.0.5/at/filter/EF-03"),
        ("https://10.0.0.5/at/housing/EF-03/x", "https://10.0.0.5/at/housing/EF-03/x"),
        ("https://10.0.0.5/at/housing/", "https://10.0.0.5/at/housing/"),
    ],
)
def test_a_scanned_code_reads_as_its_label(typed: str, reads: str) -> None:
    """The end of an address of this kind is what the label reads; anything else is taken as it was typed."""
    assert label_text(typed) == reads
    assert reads_as(typed, "EF-03") == (reads == "EF-03")


def test_the_code_of_a_look_alike_is_not_taken() -> None:
    """A scan of the neighbour is the neighbour, and the end of its address does not count as the end of a label."""
    assert told_apart(f"{SITE}/at/housing/EF-03", "EF-03", ["EF-02", "EF-04"])
    assert not told_apart(f"{SITE}/at/housing/EF-02", "EF-03", ["EF-02", "EF-04"])
    assert not told_apart(f"{SITE}/at/filter/EF-03", "EF-04", ["EF-03"])
