"""The port section: our own drawing of a duct wall, its ring with ribs, bags, filters, clamp and door.

One pure function from the containment model to SVG text, used beside the step, at re-opening and in the
record.  Ink on paper; hatching, line style and words carry the meaning, colour never alone.  Its lettering is
TEXT units high on a sheet WIDTH units wide, so that it is 5 mm on a tablet; what that leaves no room for is
said in the words beside it (`picture_words`) and in its description.
"""

from functools import lru_cache
from xml.sax.saxutils import escape

from app.domain.containment.state import Door, Filling, HousingState, Kind, PortState, Sleeve, barriers
from app.domain.words import barrier_parts, barrier_words, filling_words, isolation_words

WIDTH, HEIGHT, SKY = 620, 318, 16
WALL, TOP, BOTTOM = 316, 84, 246
MID = (TOP + BOTTOM) // 2
LEFT, STACK = 20, 66
CARRIED = 64
TEXT = 27
LETTERED = 100


@lru_cache(maxsize=256)
def draw_port(state: HousingState, port: PortState, *, upstream: str, downstream: str, doubtful: bool = False) -> str:
    """Return the section of one port as SVG with a title and a description in words."""
    parts = [
        *_housing(state, upstream, downstream),
        *_filters(port),
        *_clamp(port),
        *_ring(),
        *_sleeves(port),
        *_door(port),
        *_legend(state, port, doubtful),
    ]
    title = f"Port {port.id}: {barrier_words(state, port)}"
    described = f"{title}. {picture_words(state, port)} Door {port.door}. {_inside_words(port)}."
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 {SKY} {WIDTH} {HEIGHT}" class="port-section" role="img" '
        f'aria-label="{_safe(described)}" font-family="DejaVu Sans, Verdana, sans-serif" font-size="{TEXT}" fill="none" '
        f'stroke="#1b1f24" stroke-width="2" stroke-linejoin="round" stroke-linecap="round">'
        f"<title>{_safe(title)}</title>"
        f'<defs><pattern id="{_dust(port)}" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<path d="M0 0V7" stroke="#1b1f24" stroke-width="2.2"/></pattern></defs>' + "".join(parts) + "</svg>"
    )


def _safe(text: str) -> str:
    return escape(text, {'"': "&quot;"})


def _dust(port: PortState) -> str:
    """The id of the hatching, one of its own for each port, since a page may show several."""
    return "dust-" + "".join(char if char.isalnum() else "-" for char in port.id)


def picture_words(state: HousingState, port: PortState) -> str:
    """Say what the drawing has no room to letter: what the barriers are, the clamp, the isolation, the inside."""
    held = barrier_parts(state, port)
    parts = [f"held by {held}"] if held and state.needs_barrier else []
    parts += [] if port.gasket else ["door gasket DAMAGED"]
    parts += [_clamp_words(port), isolation_words(state), f"{state.inside} inside"]
    told = "; ".join(parts)
    return f"{told[:1].upper()}{told[1:]}."


def _text(x: int, y: int, words: str, *, anchor: str = "start", bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return f'<text x="{x}" y="{y}" text-anchor="{anchor}"{weight} fill="#1b1f24" stroke="none">{_safe(words)}</text>'


def _line(path: str, *, width: float = 2, dash: str = "", fill: str = "none", stroke: str = "#1b1f24") -> str:
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="{path}" fill="{fill}" stroke="{stroke}" stroke-width="{width}"{dashes}/>'


def _housing(state: HousingState, upstream: str, downstream: str) -> list[str]:
    """Duct walls, with the dampers above (upstream) and below (downstream) of the filters."""
    shell = f"M{WALL} {TOP} H{LEFT} V{BOTTOM} H{WALL}"
    stacks = f"M{LEFT + 20} {TOP} V38 M{STACK + 54} {TOP} V38 M{LEFT + 20} {BOTTOM} v42 M{STACK + 54} {BOTTOM} v42"
    return [
        _line(shell, width=4),
        _line(stacks, width=4),
        *_damper(STACK + 14, 58, state.upstream == "open", f"{upstream} {state.upstream}"),
        *_damper(STACK + 14, BOTTOM + 24, state.downstream == "open", f"{downstream} {state.downstream}"),
    ]


def _damper(x: int, y: int, is_open: bool, words: str) -> list[str]:
    blade = f"M{x} {y - 16} V{y + 16}" if is_open else f"M{x - 38} {y} H{x + 38}"
    return [_line(blade, width=5), _text(x + 54, y + 9, words)]


def _filters(port: PortState) -> list[str]:
    """Filter positions along the slide, position 1 nearest the door."""
    count = len(port.positions)
    pitch = min(126, (WALL - LEFT - 24) // count)
    width = pitch - 10
    parts: list[str] = []
    for number, filling in enumerate(port.positions, start=1):
        x = WALL - 8 - number * pitch
        frame = f"M{x} {TOP + 38} h{width} v{BOTTOM - TOP - 52} h-{width} z"
        match filling:
            case Filling.EMPTY:
                parts.append(_line(frame, width=1.5, dash="4 6"))
            case Filling.SPENT:
                parts.append(_line(frame, width=2.5, fill=f"url(#{_dust(port)})"))
            case Filling.NEW:
                parts.append(_line(frame, width=2.5, fill="#ffffff"))
                parts.append(_line(_pleats(x, width, TOP + 38, BOTTOM - 14), width=1.2))
        parts.append(_text(x + width // 2, TOP + 31, str(number), anchor="middle", bold=True))
        if width >= LETTERED:
            parts += _lettered(x + width // 2, BOTTOM - 62, filling.value)
    return parts


def _lettered(x: int, y: int, words: str) -> list[str]:
    """Words on a filter, on a patch of paper so that hatching does not run through them."""
    half = 9 * len(words) + 4
    patch = f"M{x - half} {y - 26} h{2 * half} v36 h-{2 * half} z"
    return [_line(patch, width=1, fill="#fbfaf5", stroke="none"), _text(x, y, words, anchor="middle")]


def _pleats(x: int, width: int, top: int, bottom: int) -> str:
    steps = max(width // 14, 2)
    wide = width / steps
    points = [f"{x + n * wide:.1f} {top + 6 if n % 2 else bottom - 6}" for n in range(steps + 1)]
    return "M" + " L".join(points)


def _clamp(port: PortState) -> list[str]:
    """The clamp's bar along the slide: on the filters when set, lifted and broken when released."""
    y = TOP + 38 if port.clamp_set else TOP + 6
    return [_line(f"M{LEFT + 20} {y - 2} H{WALL - 8}", width=5, dash="" if port.clamp_set else "10 8")]


def _clamp_words(port: PortState) -> str:
    return "clamp set" if port.clamp_set else "clamp released"


def _ring() -> list[str]:
    """The bagging ring: a collar with two ribs above and below the opening."""
    ribs = "".join(f"M{WALL + dx} {TOP - 8} v-10 M{WALL + dx} {BOTTOM + 8} v10 " for dx in (14, 34))
    collar = f"M{WALL} {TOP} v-8 h46 v8 M{WALL} {BOTTOM} v8 h46 v-8"
    return [_line(collar, width=3), _line(ribs.strip(), width=5)]


def _sleeves(port: PortState) -> list[str]:
    parts: list[str] = []
    for number, sleeve in enumerate(port.ring):
        parts += _stub() if sleeve.kind is Kind.STUB else []
        parts += _bag(port, sleeve, over=number > 0) if sleeve.kind is Kind.BAG else []
        parts += _stub_words(sleeve, covered=len(port.ring) > 1) if sleeve.kind is Kind.STUB else []
        if sleeve.strapped:
            x = WALL + 24 + 14 * min(number, 1)
            parts.append(_line(f"M{x} {TOP - 22} v14 M{x} {BOTTOM + 8} v14", width=6, stroke="#0b5a8a"))
    return parts


def _stub() -> list[str]:
    x = WALL + 24
    cone = f"M{x} {TOP - 12} C{x + 50} {TOP + 40} {x + 40} {MID - 8} {x + 66} {MID - 4} v8 C{x + 40} {MID + 8} {x + 50} {BOTTOM - 40} {x} {BOTTOM + 12}"
    bands = f"M{x + 50} {MID - 12} v24"
    return [_line(cone, width=2.5, stroke="#0b5a8a"), _line(bands, width=5)]


def _stub_words(sleeve: Sleeve, *, covered: bool) -> list[str]:
    x = WALL + 90
    cap = [_line(f"M{x} {MID - 10} h12 v20 h-12 z", width=2, fill="#1b1f24")] if sleeve.taped else []
    if covered:
        return cap
    return [*cap, _text(WALL + 70, BOTTOM - 8, "stub, taped" if sleeve.taped else "stub, raw edge")]


def _bag(port: PortState, sleeve: Sleeve, *, over: bool) -> list[str]:
    x, dash = WALL + (38 if over else 24), "" if sleeve.intact else "3 7"
    if not sleeve.extended:
        folds = " ".join(f"M{x + 8 + n * 7} {TOP + 6} V{BOTTOM - 6}" for n in range(3))
        path = f"M{x} {TOP - 12} h14 V{BOTTOM + 12} h-14"
        return [
            _line(path, width=2.5, stroke="#0b5a8a", dash=dash),
            _line(folds, width=1.5, stroke="#0b5a8a"),
            *([] if sleeve.intact else _tear(x + 12)),
            *_bag_label(port, sleeve),
        ]
    end = WIDTH - 20
    if sleeve.closure is None:
        path = f"M{x} {TOP - 12} C{x + 40} {TOP - 20} {x + 60} {TOP - 10} {end - 20} {TOP} Q{end} {MID} {end - 20} {BOTTOM} C{x + 60} {BOTTOM + 10} {x + 40} {BOTTOM + 20} {x} {BOTTOM + 12}"
        necks: list[str] = []
    else:
        neck = x + 84
        path = (
            f"M{x} {TOP - 12} C{x + 50} {TOP + 40} {neck - 40} {MID - 8} {neck} {MID - 5} h34 C{neck + 56} {MID - 10} {neck + 44} {TOP} {neck + 86} {TOP} H{end - 20} "
            f"Q{end} {MID} {end - 20} {BOTTOM} H{neck + 86} C{neck + 44} {BOTTOM} {neck + 56} {MID + 10} {neck + 34} {MID + 5} h-34 C{neck - 40} {MID + 8} {x + 50} {BOTTOM - 40} {x} {BOTTOM + 12}"
        )
        necks = _neck(sleeve, neck)
    return [
        _line(path, width=2.5, stroke="#0b5a8a", dash=dash),
        *necks,
        *([] if sleeve.intact else _tear(x + 96)),
        *_in_bag(port, sleeve, x),
        *_bag_label(port, sleeve),
    ]


def _neck(sleeve: Sleeve, neck: int) -> list[str]:
    """Ties (single strokes) outside, bands (double strokes) inside, the ring side on the left."""
    closed = sleeve.closure
    if closed is None:
        return []
    marks = [
        (closed.ring_ties, f"M{neck - 6} {MID - 14} v28", 3.0),
        (closed.ring_bands, f"M{neck + 9} {MID - 12} v24", 6.0),
        (closed.package_bands, f"M{neck + 24} {MID - 12} v24", 6.0),
        (closed.package_ties, f"M{neck + 40} {MID - 14} v28", 3.0),
    ]
    return [_line(path, width=width) for count, path, width in marks if count]


def _in_bag(port: PortState, sleeve: Sleeve, x: int) -> list[str]:
    left = x + (174 if sleeve.closure is not None else 150)
    parts: list[str] = []
    if sleeve.filter is not Filling.EMPTY:
        frame = f"M{left} {TOP + 30} h{CARRIED} v{BOTTOM - TOP - 60} h-{CARRIED} z"
        spent = sleeve.filter is Filling.SPENT
        parts.append(_line(frame, width=2.5, fill=f"url(#{_dust(port)})" if spent else "#ffffff"))
        if not spent:
            parts.append(_line(_pleats(left, CARRIED, TOP + 30, BOTTOM - 30), width=1.2))
    if sleeve.stubs:
        parts.append(_line(f"M{left + 8} {BOTTOM - 14} q9 -16 18 0 t18 0", width=5, stroke="#0b5a8a"))
    return parts


def _tear(x: int) -> list[str]:
    """A jagged slit across the upper side of the bag, open to the room."""
    slit = f"M{x} {TOP - 22} l10 14 l-12 6 l14 12 l-10 8"
    return [_line(slit, width=5), _line(f"M{x + 18} {TOP - 20} l8 14 M{x + 30} {TOP - 20} l4 10", width=2)]


def _bag_label(port: PortState, sleeve: Sleeve) -> list[str]:
    """Letter beside the bag only what is wrong with it, that it covers a torn one, or that it is a bag."""
    if sleeve in port.torn:
        return []
    wrong = [*([] if sleeve.strapped else ["NOT STRAPPED"]), *([] if sleeve.intact else ["TORN"])]
    if port.torn:
        wrong.append("over TORN bag")
    words = ", ".join(wrong) or ("bag" if sleeve.extended else "bag, rolled")
    if not sleeve.extended and not wrong:
        return [_text(WALL + 80, BOTTOM + 27, words)]
    return [_text(WIDTH - 8, BOTTOM + 40, words, anchor="end", bold=bool(wrong))]


def _bag_words(sleeve: Sleeve) -> str:
    words = ["bag"]
    if not sleeve.extended:
        words.append("rolled")
    if sleeve.filter is not Filling.EMPTY:
        words.append(f"with {filling_words(sleeve.filter)}")
    if not sleeve.extended and sleeve.stubs:
        words.append("with stub")
    words.append("strapped" if sleeve.strapped else "NOT STRAPPED")
    if not sleeve.intact:
        words.append("TORN")
    if sleeve.torn_inside:
        words.append("with a torn bag inside")
    return ", ".join(words)


def _door(port: PortState) -> list[str]:
    if port.door is Door.SHUT:
        x = WALL + 66
        return [
            _line(f"M{x} {TOP - 30} V{BOTTOM + 30}", width=9),
            _line(f"M{x - 22} {TOP - 30} H{x} M{x - 22} {BOTTOM + 30} H{x}", width=4),
            _text(x + 14, 58, "door shut"),
        ]
    return [_text(WIDTH - 8, 44, "door off", anchor="end")]


def _legend(state: HousingState, port: PortState, doubtful: bool) -> list[str]:
    """The barriers as upright bars along the foot, counted in words beside them."""
    held = barriers(port, state.closure_rule) if state.needs_barrier else 0
    bar = [_line(f"M{LEFT + 8 + n * 24} 306 v20", width=10) for n in range(held)]
    told = "LOOK FIRST: a mark was taken back" if doubtful else f"{port.id} now: {_barriers_short(state, port)}"
    return [*bar, _text(LEFT + 4 + 24 * held, 326, told, bold=True)]


def _barriers_short(state: HousingState, port: PortState) -> str:
    return barrier_words(state, port) if state.needs_barrier else "clean inside"


def _inside_words(port: PortState) -> str:
    filters = ", ".join(f"position {n} {filling_words(fill)}" for n, fill in enumerate(port.positions, start=1))
    clamp = "filter clamp set" if port.clamp_set else "filter clamp released"
    bags = "; ".join(_bag_words(item) if item.kind is Kind.BAG else "stub" for item in port.ring) or "no bag"
    return f"{filters}, {clamp}; on the ring: {bags}"
