"""Photos of a housing on the register: each once, with its words, taken down with a reason, kept all the same."""

import pytest

from app.calc.errors import Invalid
from app.domain.picturing import MOST_PICTURES, photographed, taken_down
from app.domain.site import SiteState, evolve_site, site_event_from_bytes
from app.ledger.canonical import canonical
from app.records.site_trail import site_trail
from tests.builders import housing
from tests.domain.test_planned import SITE, moment


def on(
    state: SiteState, photo: str = "ab" * 32, shows: str = "access from the gallery", tag: str = "EF-03"
) -> SiteState:
    """Return the site after a photo was put on the register."""
    return evolve_site(state, photographed(state, moment(state), housing(tag), photo=photo, shows=shows))


def down(state: SiteState, entry: object, reason: str = "the gallery was rebuilt") -> SiteState:
    """Return the site after a photo was taken down."""
    return evolve_site(state, taken_down(state, moment(state), "EF-03", entry=str(entry), reason=reason))


def test_a_photo_is_put_on_once_with_words_and_taken_down_with_a_reason() -> None:
    """Another one of the same housing, and the same one at another housing, may be put on."""
    state = on(on(on(SITE), "cd" * 32, "port P1 from the front"), tag="EF-07")
    first, second = state.housed.pictures["EF-03"]

    assert [item.shows for item in (first, second)] == ["access from the gallery", "port P1 from the front"]
    with pytest.raises(Invalid, match="on the register already: access from the gallery"):
        on(state)
    state = down(state, first.seq)
    assert state.housed.pictures["EF-03"] == (second,)
    assert len(state.housed.pictures["EF-07"]) == 1
    assert len(on(state).housed.pictures["EF-03"]) == 2, "it may be put on again"


@pytest.mark.parametrize(("photo", "shows", "told"), [
    ("", "the ring", "There is no photo"), ("ab" * 32, " ", "0 characters were given"),
    ("ab" * 32, "x" * 201, "201 characters were given"),
])  # fmt: skip
def test_without_a_photo_or_words_nothing_is_put_on(photo: str, shows: str, told: str) -> None:
    """Each is told."""
    with pytest.raises(Invalid, match=told):
        on(SITE, photo, shows)


def test_only_a_photo_that_stands_there_is_taken_down() -> None:
    """Not one of another housing, not twice, not without a reason, nor what is no number."""
    state = on(on(SITE), tag="EF-07")
    (mine,), (other,) = state.housed.pictures["EF-03"], state.housed.pictures["EF-07"]

    for entry in (other.seq, "", "x", 999, mine.seq + 0.5):
        with pytest.raises(Invalid, match="EF-03 has no such photo"):
            down(state, entry)
    with pytest.raises(Invalid, match="2 characters were given"):
        down(state, mine.seq, "no")
    with pytest.raises(Invalid, match="EF-03 has no such photo"):
        down(down(state, mine.seq), mine.seq)


def test_so_many_photos_and_no_more() -> None:
    """One is taken down for another."""
    state = SITE
    for number in range(MOST_PICTURES):
        state = on(state, f"{number:064x}")
    with pytest.raises(Invalid, match="the most this program takes"):
        on(state)
    assert on(down(state, state.housed.pictures["EF-03"][0].seq)).housed.pictures["EF-03"][-1].photo == "ab" * 32


def test_the_entries_read_back_from_bytes_and_have_their_sentences() -> None:
    """What the ledger keeps is what was decided."""
    put = photographed(SITE, moment(SITE), housing("EF-03"), photo="ab" * 32, shows="the ring of P1")
    state = evolve_site(SITE, put)
    gone = taken_down(state, moment(state), "EF-03", entry=str(put.seq), reason="unsharp")

    for event in (put, gone):
        assert site_event_from_bytes(canonical(event.model_dump(mode="json", exclude_none=True))) == event
    told = [line.sentence for line in site_trail((put, gone), "UTC", SITE.watch)]
    assert told[0] == "A photo of EF-03 was put on the register (abababababab): the ring of P1."
    assert told[1] == f"The photo of EF-03 of entry {put.seq} was taken down: unsharp."
