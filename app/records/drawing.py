"""The port section: our own drawing of a duct wall, its ring with ribs, bags, filters, clamp and door.

One pure function from the containment model to SVG text, used beside the step, at re-opening and in the
record.  Ink on paper; hatching, line style and words carry the meaning, colour never alone.
"""

from xml.sax.saxutils import escape

from app.domain.containment.state import Door, Filling, HousingState, Kind, PortState, Sleeve, barriers
from app.domain.words import barrier_parts, barrier_words, filling_words, isolation_words

WIDTH, HEIGHT = 760, 400
WALL, TOP, BOTTOM = 400, 90, 290
MID = (TOP + BOTTOM) // 2
CARRIED = 82


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
    described = f"{title}. Door {port.door}. {_inside_words(port)}."
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" class="port-section" role="img" '
        f'aria-label="{_safe(described)}" font-family="DejaVu Sans, Verdana, sans-serif" font-size="17" fill="none" '
        f'stroke="#1b1f24" stroke-width="2" stroke-linejoin="round" stroke-linecap="round">'
        f"<title>{_safe(title)}</title>"
        '<defs><pattern id="dust" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<path d="M0 0V7" stroke="#1b1f24" stroke-width="2.2"/></pattern></defs>' + "".join(parts) + "</svg>"
    )


def _safe(text: str) -> str:
    return escape(text, {'"': "&quot;"})


def _text(x: int, y: int, words: str, *, size: int = 17, anchor: str = "start", bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x}" y="{y}" font-size="{size}" text-anchor="{anchor}"{weight} fill="#1b1f24" stroke="none">'
        f"{_safe(words)}</text>"
    )


def _line(path: str, *, width: float = 2, dash: str = "", fill: str = "none", stroke: str = "#1b1f24") -> str:
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="{path}" fill="{fill}" stroke="{stroke}" stroke-width="{width}"{dashes}/>'


def _housing(state: HousingState, upstream: str, downstream: str) -> list[str]:
    """Duct walls, with the dampers above (upstream) and below (downstream) of the filters."""
    shell = f"M{WALL} {TOP} H40 V{BOTTOM} H{WALL}"
    return [
        _line(shell, width=4),
        _line("M70 90 V44 M170 90 V44 M70 290 V336 M170 290 V336", width=4),
        *_damper(120, 62, state.upstream == "open", f"{upstream} {state.upstream}"),
        *_damper(120, 318, state.downstream == "open", f"{downstream} {state.downstream}"),
        _text(188, 82, f"inside {state.inside}", size=15),
        _text(188, 344, isolation_words(state), size=15),
    ]


def _damper(x: int, y: int, is_open: bool, words: str) -> list[str]:
    blade = f"M{x} {y - 16} V{y + 16}" if is_open else f"M{x - 48} {y} H{x + 48}"
    return [_line(blade, width=5), _text(x + 68, y - 4 if y < MID else y + 4, words, size=15)]


def _filters(port: PortState) -> list[str]:
    """Filter positions along the slide, position 1 nearest the door."""
    count = len(port.positions)
    width = min(110, 310 // count - 10)
    parts: list[str] = []
    for number, filling in enumerate(port.positions, start=1):
        x = WALL - 30 - number * (width + 10)
        frame = f"M{x} {TOP + 30} h{width} v{BOTTOM - TOP - 60} h-{width} z"
        match filling:
            case Filling.EMPTY:
                parts.append(_line(frame, width=1.5, dash="4 6"))
            case Filling.SPENT:
                parts.append(_line(frame, width=2.5, fill="url(#dust)"))
            case Filling.NEW:
                parts.append(_line(frame, width=2.5, fill="#ffffff"))
                parts.append(_line(_pleats(x, width), width=1.2))
        parts.append(_line(f"M{x + width // 2 - 12} {TOP + 4} h24 v22 h-24 z", width=1, fill="#fbfaf5", stroke="none"))
        parts.append(_text(x + width // 2, TOP + 22, str(number), size=16, anchor="middle", bold=True))
        if width >= 60:
            parts.append(_text(x + width // 2, BOTTOM - 10, filling.value, size=15, anchor="middle"))
    return parts


def _pleats(x: int, width: int) -> str:
    steps = max(width // 14, 2)
    wide = width / steps
    points = [f"{x + n * wide:.1f} {(TOP + 36) if n % 2 else (BOTTOM - 36)}" for n in range(steps + 1)]
    return "M" + " L".join(points)


def _clamp(port: PortState) -> list[str]:
    words = "clamp set" if port.clamp_set else "clamp released"
    y = TOP + 30 if port.clamp_set else TOP + 12
    bar = f"M70 {y - 6} H{WALL - 40}"
    return [
        _line(bar, width=4, dash="" if port.clamp_set else "10 8"),
        _text(WALL - 6, BOTTOM + 22, words, size=15, anchor="end"),
    ]


def _ring() -> list[str]:
    """The bagging ring: a collar with two ribs above and below the opening."""
    ribs = "".join(f"M{WALL + dx} {TOP - 8} v-10 M{WALL + dx} {BOTTOM + 8} v10 " for dx in (14, 34))
    collar = f"M{WALL} {TOP} v-8 h46 v8 M{WALL} {BOTTOM} v8 h46 v-8"
    return [_line(collar, width=3), _line(ribs.strip(), width=5)]


def _sleeves(port: PortState) -> list[str]:
    parts: list[str] = []
    for number, sleeve in enumerate(port.ring):
        parts += _stub() if sleeve.kind is Kind.STUB else []
        parts += _bag(sleeve, over=number > 0) if sleeve.kind is Kind.BAG else []
        parts += _stub_words(sleeve) if sleeve.kind is Kind.STUB else []
        if sleeve.strapped:
            x = WALL + 24 + 14 * min(number, 1)
            parts.append(_line(f"M{x} {TOP - 22} v14 M{x} {BOTTOM + 8} v14", width=6, stroke="#0b5a8a"))
    return parts


def _stub() -> list[str]:
    x = WALL + 24
    cone = f"M{x} {TOP - 12} C{x + 50} {TOP + 40} {x + 40} {MID - 8} {x + 66} {MID - 4} v8 C{x + 40} {MID + 8} {x + 50} {BOTTOM - 40} {x} {BOTTOM + 12}"
    bands = f"M{x + 50} {MID - 12} v24"
    return [_line(cone, width=2.5, stroke="#0b5a8a"), _line(bands, width=5)]


def _stub_words(sleeve: Sleeve) -> list[str]:
    x = WALL + 90
    cap = [_line(f"M{x} {MID - 10} h12 v20 h-12 z", width=2, fill="#1b1f24")] if sleeve.taped else []
    return [*cap, _text(x - 16, MID + 36, "stub, taped" if sleeve.taped else "stub, raw edge", size=15)]


def _bag(sleeve: Sleeve, *, over: bool) -> list[str]:
    x, dash = WALL + (38 if over else 24), "" if sleeve.intact else "3 7"
    if not sleeve.extended:
        folds = " ".join(f"M{x + 8 + n * 7} {TOP + 6} V{BOTTOM - 6}" for n in range(3))
        path = f"M{x} {TOP - 12} h14 V{BOTTOM + 12} h-14"
        return [
            _line(path, width=2.5, stroke="#0b5a8a", dash=dash),
            _line(folds, width=1.5, stroke="#0b5a8a"),
            _text(x + 44, BOTTOM + 40, _bag_words(sleeve), size=15),
        ]
    end = WIDTH - 20
    if sleeve.closure is None:
        path = f"M{x} {TOP - 12} C{x + 40} {TOP - 20} {x + 60} {TOP - 10} {end - 20} {TOP} Q{end} {MID} {end - 20} {BOTTOM} C{x + 60} {BOTTOM + 10} {x + 40} {BOTTOM + 20} {x} {BOTTOM + 12}"
        necks: list[str] = []
    else:
        neck = x + 100
        path = (
            f"M{x} {TOP - 12} C{x + 50} {TOP + 40} {neck - 40} {MID - 8} {neck} {MID - 5} h34 C{neck + 70} {MID - 12} {neck + 60} {TOP - 6} {end - 20} {TOP} "
            f"Q{end} {MID} {end - 20} {BOTTOM} C{neck + 60} {BOTTOM + 6} {neck + 70} {MID + 12} {neck + 34} {MID + 5} h-34 C{neck - 40} {MID + 8} {x + 50} {BOTTOM - 40} {x} {BOTTOM + 12}"
        )
        necks = _neck(sleeve, neck)
    return [
        _line(path, width=2.5, stroke="#0b5a8a", dash=dash),
        *necks,
        *_in_bag(sleeve, x),
        _text(x + 44, BOTTOM + 40, _bag_words(sleeve), size=15),
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


def _in_bag(sleeve: Sleeve, x: int) -> list[str]:
    left = x + (176 if sleeve.closure is not None else 168)
    parts: list[str] = []
    if sleeve.filter is not Filling.EMPTY:
        frame = f"M{left} {TOP + 30} h{CARRIED} v{BOTTOM - TOP - 60} h-{CARRIED} z"
        spent = sleeve.filter is Filling.SPENT
        parts.append(_line(frame, width=2.5, fill="url(#dust)" if spent else "#ffffff"))
        if not spent:
            parts.append(_line(_pleats(left, CARRIED), width=1.2))
    if sleeve.stubs:
        parts.append(_line(f"M{left + CARRIED + 6} {BOTTOM - 54} q9 -16 18 0 t18 0", width=3))
        parts.append(_text(left + CARRIED + 24, BOTTOM - 30, "stub", size=15, anchor="middle"))
    return parts


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
    return ", ".join(words)


def _door(port: PortState) -> list[str]:
    if port.door is Door.SHUT:
        x = WALL + 70
        return [
            _line(f"M{x} {TOP - 30} V{BOTTOM + 30}", width=9),
            _line(f"M{x - 22} {TOP - 30} H{x} M{x - 22} {BOTTOM + 30} H{x}", width=4),
            _text(x + 14, TOP + 6, "door shut", size=15),
        ]
    return [_text(WALL + 60, 40, "door off", size=15)]


def _legend(state: HousingState, port: PortState, doubtful: bool) -> list[str]:
    held = barriers(port, state.closure_rule)
    names = barrier_parts(state, port)
    told = barrier_words(state, port) + (f": {names}" if names and state.needs_barrier else "")
    bar = [_line(f"M{44 + n * 26} 366 v20", width=10) for n in range(held if state.needs_barrier else 0)]
    start = 44 + 26 * len(bar)
    words = [_text(start, 383, f"Port {port.id} now: {told}", size=19, bold=True)]
    if doubtful:
        words.append(_text(WIDTH - 16, 383, "LOOK FIRST: a mark was taken back", size=15, anchor="end", bold=True))
    return [*bar, *words]


def _inside_words(port: PortState) -> str:
    filters = ", ".join(f"position {n} {filling_words(fill)}" for n, fill in enumerate(port.positions, start=1))
    clamp = "filter clamp set" if port.clamp_set else "filter clamp released"
    bags = "; ".join(_bag_words(item) if item.kind is Kind.BAG else "stub" for item in port.ring) or "no bag"
    return f"{filters}, {clamp}; on the ring: {bags}"
