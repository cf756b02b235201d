"""Housings and registers made up at random, as wild as the model lets them be."""

from hypothesis import strategies as st

from app.domain.housing import (
    AccessPort,
    Bank,
    BankDesign,
    Gauge,
    Housing,
    IsolationPoint,
    PointKind,
    ProbePort,
    Seal,
    Service,
    SiteLimit,
)

PRINTED = st.characters(min_codepoint=0x21, max_codepoint=0x17F, categories=("L", "N", "P", "S", "Zs"))
SIGNS = st.sampled_from("=+-@;,\"'\\#|\n\t é漢")


def words(most: int, least: int = 1) -> st.SearchStrategy[str]:
    """Text of one or more lines that begins and ends with something that shows."""
    text = st.text(st.one_of(PRINTED, SIGNS), min_size=least, max_size=min(most, 14)).map(str.strip)
    return text.filter(lambda item: least <= len(item) <= most)


def tags() -> st.SearchStrategy[str]:
    """Labels as the model takes them, among them such as begin a formula or hold a separator."""
    return st.text(st.sampled_from("ABFé-_.=+@;,|:#'0 1"), min_size=1, max_size=8).map(str.strip).filter(
        lambda item: bool(item) and "'" not in item
    )  # fmt: skip


def distinct(count: int) -> st.SearchStrategy[list[str]]:
    """So many labels, no two alike."""
    return st.lists(tags(), min_size=count, max_size=count, unique=True)


@st.composite
def housings(draw: st.DrawFn, tag: str | None = None) -> Housing:
    """A housing with any of the optional fields."""
    own, up, down, fan, look_alike, *gauges = draw(distinct(8))
    ids = draw(distinct(draw(st.integers(1, 3))))
    name = draw(st.none() | words(60))
    points = (
        IsolationPoint(id="1", tag=up, kind=PointKind.DAMPER, safe=draw(words(60, 2))),
        IsolationPoint(id="2", tag=down, kind=PointKind.DAMPER, safe="shut"),
        IsolationPoint(id="3", tag=fan, kind=PointKind.FAN, safe="off; locked"),
    )
    return Housing(
        tag=tag or own, location=draw(words(200)), service=draw(st.sampled_from(Service)),
        seal=draw(st.sampled_from(Seal)), upstream_damper=up, downstream_damper=down, fan=fan,
        ports=tuple(
            AccessPort(
                id=item, bank=draw(st.sampled_from(Bank)), filters=(most := draw(st.integers(1, 3))),
                filter=draw(words(80)), deepest=draw(st.none() | st.integers(1, most)), clamp=draw(words(20)),
                ring=name, bag=draw(st.none() | words(60)), clamp_type=name,
            )
            for item in ids
        ),
        limits=draw(st.dictionaries(words(10), st.just(SiteLimit(high="1", unit="Pa")), max_size=2)),
        practice=draw(st.dictionaries(words(10), words(10), max_size=2)),
        design=draw(st.dictionaries(st.sampled_from(Bank), st.just(BankDesign(life_years=9)), max_size=1)),
        notes=draw(st.just("") | words(80)),
        isolation_points=draw(st.sampled_from((None, points))),
        neighbours=draw(st.sampled_from((None, (look_alike,)))) if look_alike != tag else None,
        access=draw(st.none() | words(500)),
        hazards=draw(st.none() | st.lists(words(200, 2), min_size=1, max_size=3).map(tuple)),
        gauges=draw(st.sampled_from((None, (Gauge(tag=gauges[0], reads=draw(words(80)), scale=draw(words(40))),)))),
        test_ports=draw(st.sampled_from((None, (ProbePort(tag=gauges[1], at=draw(words(80))),)))),
    )  # fmt: skip
