"""Adapters from adapters.toml: the program's files, and a wiring table and a drawing of each.

An adapter hangs on a short ribbon with a crimped 2×20 socket, whose conductor n meets position n. Drawings
have twice the size where there is stripboard: 5.08 mm a hole.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise, product
from math import dist
from pathlib import Path
from textwrap import wrap

from drawing import (
    BOARD,
    BODY,
    COLOURS,
    COPPER,
    CUT,
    GREY,
    INK,
    PAPER,
    PIN,
    Picture,
    Point,
    wide,
    wrapped,
)

from pinwright.cable.connectors import SHELL, Connector, connector

PITCH = 5.08  # from hole to hole
RIBBON = 1.4  # from conductor to conductor
POSITIONS = 40
BRIDGE = "bridge"
_EDGE = "#d62728"  # the marked edge of a ribbon, drawn along conductor 1, on its outer half:
_EDGE_AT, _EDGE_WIDE = 0.45, 0.5
_EDGE_LABEL = ("marked edge:", "conductor 1")
_LABEL = 4.0  # room for that above a ribbon
_COLOUR_WORDS = (
    "Colours repeat every ten; the red edge is the mark of the ribbon, which is on conductor 1 itself."
)
_MARGIN = 6.0
_TIED = 3  # holes at the ribbon's end of a `wired` adapter's strips, over which the cable tie holds it
_HOLES = _TIED + 8  # of a strip of such a one
_SPARE = 2  # strips below a DIP socket's, for the same
_TIE = "#c9c9c4"
_HOLE = 2.54  # mm, from hole to hole of the board itself
_BOARD_THICK, _RIBBON_THICK = 1.6, 0.9  # mm, assumed
_TAIL = 20  # mm of a cable tie: its head, and what one pulls at
_TIES = (100, 150, 200, 250, 300)  # mm, lengths that are sold, from memory
_SLEEVE = 10  # mm of heat-shrink over a cup or tag and its wire
_MARK_SLEEVE = 2.4  # mm, bore: two conductors of a ribbon side by side are 1.9 mm, assumed
_LANE = 1.7  # from wire to wire between the strips and a connector
_NEAREST = (7.5, 11.0)  # of two contacts in a drawing; so that wires get past the others,
_LOOSE = (13.0, 13.0)  # where they stand in three rows or in a ring
_CLEAR = PIN + 0.5  # how far a wire keeps from a contact that is not its own
_BOARD_EDGE = {"stroke": GREY, "stroke_width": 0.35}
_HOW = "[ADAPTERS.md](../../ADAPTERS.md) says how to build one and what to be careful with."
_MATE = {"plug": "socket", "socket": "plug"}


@dataclass(frozen=True, slots=True)
class Plan:
    """One adapter. takes: what is on the cable; pin k of it goes to position k. mark: positions it joins.

    called: as people call the connector. part: what it is plugged into. sides: of what the drawing shows the
    connector, where that is not the solder side of its mate. sleeve: mm, the bore of the heat-shrink over a
    contact; 0 where none is soldered to.
    """

    takes: Connector
    revision: str
    called: str
    part: str
    build: str
    note: str
    sides: str
    sleeve: float
    mark: tuple[int, ...]

    @property
    def id(self) -> str:
        return self.takes.name

    @property
    def pins(self) -> tuple[str, ...]:
        """In the order of positions and conductors."""
        return self.takes.pins


def read_plans(folder: Path) -> tuple[Plan, ...]:
    with (folder / "adapters.toml").open("rb") as file:
        families = tomllib.load(file)
    revision = families.pop("revision")
    return tuple(
        Plan(
            connector(name),
            revision,
            row["called"],
            row["part"],
            family["build"],
            family["note"],
            family.get("sides", ""),
            family["sleeve"] if family["build"] == "wired" else 0.0,
            tuple(row["mark"]),
        )
        for family in families.values()
        for name, row in family["adapters"].items()
    )


def made(folder: Path) -> dict[Path, str]:
    """Every file that follows from adapters.toml → its text."""
    files = {}
    sheets = folder / "adapters" / "sheets"
    plans = read_plans(folder)
    revision = plans[0].revision
    straight_in = Plan(connector("idc-2x20"), revision, "2×20 crimped socket", "", "", "", "", 0.0, ())
    for plan in plans:
        files[folder / "adapters" / f"{plan.id}.toml"] = adapter_file(plan, bridged=False)
        if needs_bridge(plan):
            files[folder / "adapters" / f"{plan.id}-zif.toml"] = adapter_file(plan, bridged=True)
        files[sheets / f"{plan.id}.md"] = sheet(plan)
        files[sheets / f"{plan.id}.svg"] = DRAW[plan.build](plan)
    files[folder / "adapters" / "idc-2x20-zif.toml"] = adapter_file(straight_in, bridged=True)
    files[sheets / f"{BRIDGE}.md"] = bridge_sheet()
    files[sheets / f"{BRIDGE}.svg"] = bridge_drawing()
    text = (folder / "ADAPTERS.md").read_text(encoding="utf-8")
    files[folder / "ADAPTERS.md"] = filled(text, "adapters", overview(plans))
    return files


def filled(text: str, name: str, table: Sequence[str]) -> str:
    """The text with what stands between its two comments of that name replaced."""
    begin, end = f"<!-- made: {name} -->\n", f"<!-- end: {name} -->\n"
    before, opened, rest = text.partition(begin)
    _, closed, after = rest.partition(end)
    if not (opened and closed):
        raise SystemExit(f"a text lacks its `{begin.strip()}` and `{end.strip()}`")
    return before + begin + "\n".join(table) + "\n" + end + after


def in_zif(position: int) -> int:
    """The pin of the DIP socket that the bridge brings a position of its 2×20 header to.

    Column r of the header lies on strip r, between pin r of the DIP socket and the one across from it.
    """
    column = (position + 1) // 2
    return column if position % 2 else POSITIONS + 1 - column


def needs_bridge(plan: Plan) -> bool:
    """Whether there is one for the DIP socket too: a DIP plug goes straight in there."""
    return plan.build != "dip"


def strip_of(plan: Plan, k: int) -> str:
    """Where the k-th pin meets its conductor."""
    if plan.build == "dip":
        half = len(plan.pins) // 2
        return f"{k} left" if k <= half else f"{2 * half + 1 - k} right"
    return str(k)


def one(called: str) -> str:
    """With its article: "an 8-pin DIP plug"."""
    return f"{'an' if called.startswith(('8', '18', 'eight')) else 'a'} {called}"


def prose(text: str) -> list[str]:
    """A paragraph of Markdown, in lines."""
    return wrap(text, 110, break_long_words=False, break_on_hyphens=False)


def joined(numbers: Sequence[int]) -> str:
    return "–".join(map(str, numbers))


# ---- texts


def adapter_file(plan: Plan, bridged: bool) -> str:
    """adapters/*.toml, as the program reads it. bridged: for the DIP socket, through the bridge."""
    where = [in_zif(k) if bridged else k for k in range(1, POSITIONS + 1)]
    kind = (
        "40-pin DIP socket on the tester, through the bridge" if bridged else "2×20 box header on the tester"
    )
    joins = sorted(where[position - 1] for position in plan.mark)
    sheets = [f"sheets/{plan.id}.md"] * bool(plan.build) + [f"sheets/{BRIDGE}.md"] * bridged
    lines = [
        "# Made by hardware/generate.py from adapters.toml; do not edit.",
        f"# How to build it: {' and '.join(sheets)}.",
        "",
        "[adapter]",
        f'id = "{plan.id}{"-zif" * bridged}"',
        f'title = "{plan.called} on the cable, {kind}"',
        f'revision = "{plan.revision}"',
        f'takes = ["{plan.id}"]',
        f'fits = "{"zif-40" if bridged else "box-2x20"}"',
        f"joined = [{joins if joins else ''}]",
        "",
        "[pins]",
        *(f"{pin} = {position}" for pin, position in zip(plan.pins, where, strict=False)),
    ]
    return "\n".join(lines) + "\n"


def sheet(plan: Plan) -> str:
    """What to buy, what to join, what to measure: sheets/*.md."""
    crimped, bridge = plan.build == "crimped", needs_bridge(plan)
    place = {"wired": "strip", "crimped": "pin of the header", "dip": "strip"}[plan.build]
    mark = joined(plan.mark)
    head = ["pin", "position, conductor", place] + ["through the bridge"] * bridge
    rows = [
        [pin, str(k), pin if crimped else strip_of(plan, k), *[f"S1.{in_zif(k)}"] * bridge]
        for k, pin in enumerate(plan.pins, start=1)
    ]
    rows += [
        ["mark", str(k), f"joined to {joined([j for j in plan.mark if j != k])}" if crimped else "M"]
        + [f"S1.{in_zif(k)}"] * bridge
        for k in plan.mark
    ]
    known = f"`{plan.id}`, revision {plan.revision}"
    known += (
        f"; in S1, through the [bridge]({BRIDGE}.md), as `{plan.id}-zif`." if bridge else " (J1 and J2 only)."
    )
    lines = [
        f"# Adapter for {one(plan.called)}",
        "",
        *prose(f"Made by `hardware/generate.py` from `adapters.toml`; do not edit. {_HOW}"),
        "",
        f"Known to the program as {known}",
        "",
        f"![The wiring of this adapter]({plan.id}.svg)",
        "",
        "| quantity | part |",
        "| --- | --- |",
        *(f"| {quantity} | {part} |" for quantity, part in parts(plan)),
        "",
        *prose(plan.note),
        "",
        f"| {' | '.join(head)} |",
        f"|{' --- |' * len(head)}",
        *(f"| {' | '.join(row)} |" for row in rows),
        "",
        *prose(
            f"**Before use**: each pin to its position less than 1 Ω; {mark} less than 1 Ω; from every "
            "position to every other one nothing, the mark apart. Conductors that are in no row end free "
            "near the 2×20 socket, neighbours never at the same length."
        ),
    ]
    return "\n".join(lines) + "\n"


def parts(plan: Plan) -> list[tuple[str, str]]:
    """Quantity and part, of one adapter."""
    pins = len(plan.pins)
    listed = [("1", "2×20 socket for crimping on a ribbon"), ("15 cm", "ribbon, 40 conductors, 1.27 mm")]
    listed += [("1", plan.part)]
    if plan.build == "wired":
        listed += [
            ("1", f"stripboard, {pins + 1} strips × {_HOLES} holes, 2.54 mm"),
            (f"{pins}", "wires, 6 cm, 0.14 to 0.25 mm²"),
            (f"{pins}", f"heat-shrink sleeves, {_SLEEVE} mm long, {_bore(plan.sleeve)}"),
            ("1", _tie(pins + 1, 1)),
        ]
    elif plan.build == "dip":
        strips, holes = pins // 2 + 1 + _SPARE, _dip_holes(pins)
        listed += [("1", f"stripboard, {strips} strips × {holes} holes, 2.54 mm"), ("1", _tie(holes, 2))]
    else:
        listed += [("1", f"heat-shrink sleeve, 20 mm long, {_bore(_MARK_SLEEVE)}, for the joint of the mark")]
    return listed


def _bore(sleeve: float) -> str:
    return f"bore {sleeve} mm before it shrinks"


def _tie(pitches: int, ribbons: int) -> str:
    """The cable tie round a board so many holes wide and so many layers of ribbon."""
    return f"cable tie, {tie_length(pitches, ribbons)} mm or longer, 2.5 to 3.6 mm wide"


def tie_length(pitches: int, ribbons: int) -> int:
    """mm; the shortest of those sold that goes round, the nicks left out of account, with some to pull at."""
    needed = 2 * (pitches * _HOLE + _BOARD_THICK + ribbons * _RIBBON_THICK) + _TAIL
    return next(length for length in _TIES if length >= needed)


def overview(plans: Sequence[Plan]) -> list[str]:
    lines = ["| on the cable | adapter | joins | build | on the adapter |", "| --- | --- | --- | --- | --- |"]
    return lines + [
        f"| {plan.called} | [`{plan.id}`](adapters/sheets/{plan.id}.md) | {joined(plan.mark)} | {plan.build} "
        f"| {plan.part} |"
        for plan in plans
    ]


def bridge_sheet() -> str:
    lines = [
        "# The bridge: adapters in the DIP socket",
        "",
        *prose(f"Made by `hardware/generate.py`; do not edit. {_HOW}"),
        "",
        *prose(
            "It stands in S1 and carries a 2×20 box header, into which any adapter is plugged. The program "
            "knows that adapter by the name with `-zif` after it; the bridge itself joins nothing."
        ),
        "",
        f"![The wiring of the bridge]({BRIDGE}.svg)",
        "",
        "| quantity | part |",
        "| --- | --- |",
        "| 1 | stripboard, 20 strips × 9 holes, 2.54 mm |",
        "| 1 | 2×20 box header, straight |",
        "| 2 | pin strip 1×20, round or thin pins of 0.5 mm, 7 mm or more below the board; no square ones |",
        "",
        *prose(
            "The rows of the header are in neighbouring holes: one straight cut with a knife along a steel "
            "rule, between them, across all strips; twice, and the sliver of copper lifted out. The pin "
            "strips point down, through the board, in the holes 15.24 mm apart. The header's notch is on the "
            "side of S1.1 to S1.20, its pin 1 beside S1.1."
        ),
        "",
        "| strip | left end | header | header | right end |",
        "| --- | --- | --- | --- | --- |",
        *(
            f"| {r} | S1.{in_zif(2 * r - 1)} | {2 * r - 1} | {2 * r} | S1.{in_zif(2 * r)} |"
            for r in range(1, POSITIONS // 2 + 1)
        ),
        "",
        *prose(
            "**Before use**: every pin of the header to its pin below less than 1 Ω; the two of a strip, and "
            "each strip to the next, nothing."
        ),
    ]
    return "\n".join(lines) + "\n"


# ---- drawings


def _titled(width: float, height: float, plan: Plan, about: str) -> tuple[Picture, float]:
    """A picture with its heading, and where there is room below that."""
    title = f"Adapter {plan.id}"
    lines = wrapped(f"For {one(plan.called)} on the cable. {about}", width - 2 * _MARGIN, 2.8)
    top = _MARGIN + 5.0 + 4.0 * len(lines) + 4.0
    picture = Picture(width, top + height, title)
    picture.text(_MARGIN, _MARGIN + 2.5, title, 4.0, bold=True)
    for number, line in enumerate(lines):
        picture.text(_MARGIN, _MARGIN + 8.0 + 4.0 * number, line, 2.8)
    return picture, top


def colour(position: int) -> str:
    return COLOURS[position % 10]


def _mark_words(plan: Plan) -> str:
    return f"M, the mark: {joined(plan.mark)} joined"


def wired_drawing(plan: Plan) -> str:
    """Ribbon, one strip a pin, and the connector, a wire to each contact."""
    pins, n = plan.pins, len(plan.pins)
    board_tall, board_left = (n + 1) * PITCH, 52.0
    board_right = board_left + _HOLES * PITCH
    face = _Face(plan, board_tall)
    shown = plan.sides or f"{plan.part.partition(' with ')[0]}, {face.view}"
    if plan.sides and face.lying:
        shown += ", turned a quarter, pin 1 above"
    body = max(POSITIONS * RIBBON + 2 * _LABEL, board_tall, face.tall) + 8.0
    lanes = board_right + 4.0 + _LANE * n
    width = lanes + 8.0 + face.wide + _MARGIN
    captions = [
        "Board from the component side, strips underneath; none is cut.",
        f"On the right: {shown}.",
        "Grey: the cable tie, round the ribbon and the board. The ribbon is drawn fanned out; really it "
        "stays whole, under the tie, up to the third hole.",
        f"{_mark_words(plan)}. {_COLOUR_WORDS}",
    ]
    picture, top = _titled(max(width, 150.0), body + _MARGIN, plan, " ".join(captions))
    middle = top + body / 2
    board_top = middle - board_tall / 2
    strips = {k: board_top + (k - 0.5) * PITCH for k in range(1, n + 2)}
    used = [*range(1, n + 1), *plan.mark]
    target = {k: min(k, n + 1) for k in used}

    picture.rect(
        board_left - 2, board_top - 1, board_right - board_left + 4, board_tall + 2, BOARD, **_BOARD_EDGE
    )
    for k, y in strips.items():
        name = "M" if k > n else str(k)
        _strip(picture, board_left, y, _HOLES, name, at=_TIED + 4)
    tie = board_left + 1.5 * PITCH
    picture.rect(tie - 2.2, board_top - 2.0, 4.4, board_tall + 4.0, _TIE, data_part="tie")
    first, last = board_left + (_TIED + 0.5) * PITCH, board_right - PITCH / 2
    for k, points in _ribbon(picture, middle, used):
        data = {"data_conductor": k, "data_strip": "M" if target[k] > n else k}
        row = strips[target[k]]
        _soldered(picture, [*points, (board_left - 4, row)], first, row, plan, k, 1, **data)
    face.draw(picture, lanes + 8.0, middle)
    rows = [strips[k] for k in range(1, n + 1)]
    for k, points in _routed(last, board_right + 4.0, rows, [face.at[pin] for pin in pins]):
        picture.wire(points, colour(k), data_pin=pins[k - 1], data_strip=k)
        picture.joint(last, strips[k])
    for pin in pins:
        x, y = face.at[pin]
        picture.pin(x, y, "" if pin == SHELL else pin, pin == pins[0], data_contact=pin)
        if pin == SHELL:
            picture.text(x + PIN + 1.0, y + 1.0, "shell", 2.8)
    return picture.svg()


def _strip(picture: Picture, left: float, y: float, holes: int, name: str, at: int, **data: object) -> None:
    """A strip, its name in the place of a hole."""
    picture.rect(left, y - 1.7, holes * PITCH, 3.4, COPPER, data_strip_named=name, **data)
    for hole in range(holes):
        x = left + (hole + 0.5) * PITCH
        if hole == at:
            picture.text(x, y + 1.0, name, 2.8, anchor="middle", bold=True)
        else:
            picture.hole(x, y)


def _soldered(
    picture: Picture,
    points: list[Point],
    end: float,
    row: float,
    plan: Plan,
    k: int,
    way: int,
    **data: object,
) -> None:
    """A conductor's last piece, into the outermost hole of its strip; of the mark, those after the first go
    into the next holes, along the strip's edge. way: 1 rightwards and along the lower edge, -1 leftwards and
    along the upper."""
    number = plan.mark.index(k) if k in plan.mark else 0
    beside, place = row + way * 1.25 * number, end + way * PITCH * number
    *before, (x, _) = points
    picture.line(
        [*before, (x, beside), (place, beside), (place, row)][: None if number else -1],
        colour(k),
        0.8,
        **data,
    )
    picture.joint(place, row)


def _ribbon(
    picture: Picture, middle: float, used: Sequence[int], whole: float = 34.0
) -> Iterator[tuple[int, list[Point]]]:
    """The crimped socket at the left with its ribbon; yields each used conductor and its way so far.
    whole: how far conductor 1 runs straight on, and its marked edge with it."""
    top, left, right = middle - POSITIONS * RIBBON / 2, _MARGIN + 3.0, 34.0
    heights = {k: top + (k - 0.5) * RIBBON for k in range(1, POSITIONS + 1)}
    for k, y in heights.items():
        if k not in used:
            picture.line([(left, y), (right - 8.0 - 3.0 * (k % 4), y)], GREY, 0.5, data_free=k)
    yield from ((k, [(left, heights[k]), (right, heights[k])]) for k in used)
    picture.rect(_MARGIN - 2.0, top - 2.0, 8.0, POSITIONS * RIBBON + 4.0, BODY, stroke=INK, stroke_width=0.35)
    edge = heights[1] - _EDGE_AT
    picture.line([(_MARGIN + 6.2, edge), (whole, edge)], _EDGE, _EDGE_WIDE, data_edge=1)
    words = "2×20 crimped socket"
    picture.text(_MARGIN + 3.4, middle + wide(words) / 2 - 2.0, words, turned=True)
    for up, label in zip((5.2, 2.0), _EDGE_LABEL, strict=True):
        picture.text(_MARGIN + 7.0, heights[1] - up, label, 2.6)
    picture.text(_MARGIN + 6.6, heights[POSITIONS] + 5.0, str(POSITIONS), 2.6)


class _Face:
    """A connector as it is drawn: upright, its contacts far enough apart. tall, wide: with its outline."""

    def __init__(self, plan: Plan, tall: float) -> None:
        seen = plan.takes
        if not plan.sides:
            mate = plan.id
            for one, other in _MATE.items():
                if f"-{one}" in mate:
                    mate = mate.replace(f"-{one}", f"-{other}")
                    break
            seen = connector(mate).from_behind()
        self.view = seen.view
        places = {pin: place for pin, place in seen.positions.items() if pin != SHELL}
        lying = seen.outline == "dee" or (len(seen.rows) == 1 and seen.outline == "box")
        if lying:  # the row of pins stands upright in the drawing, pin 1 above
            first, last = places[seen.rows[0][0]], places[seen.rows[0][-1]]
            clockwise = first[0] < last[0]
            places = {pin: (-y, x) if clockwise else (y, -x) for pin, (x, y) in places.items()}
            side = "right" if clockwise else "left"
            self.view = re.sub(" up$", f" to the {side}", seen.view)
        nearest = min(dist(a, b) for a in places.values() for b in places.values() if a != b)
        extent = max(y for _, y in places.values()) - min(y for _, y in places.values())
        least, most = _LOOSE if len(seen.rows) > 2 or seen.outline == "round" else _NEAREST
        scale = min(most, max(least, nearest * tall / max(extent, nearest))) / nearest
        places = {pin: (x * scale, y * scale) for pin, (x, y) in places.items()}
        xs, ys = zip(*places.values(), strict=True)
        if SHELL in seen.positions:
            places[SHELL] = ((min(xs) + max(xs)) / 2, max(ys) + 13.0)
        self.places, self.outline, self.lying = places, seen.outline, lying
        self.box = (min(xs) - 6.0, min(ys) - 6.0, max(xs) + 6.0, max(ys) + 6.0)
        if seen.outline == "round":
            x, y = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2
            radius = max(dist((x, y), (px, py)) for px, py in zip(xs, ys, strict=True)) + 5.0
            self.box = (x - radius, y - radius, x + radius, y + radius)
            if SHELL in places:
                places[SHELL] = (x, y + radius + 5.0)
        self.wide = self.box[2] - self.box[0]
        self.low = max(y for _, y in places.values()) + 4.0
        self.tall = max(self.low, self.box[3]) - self.box[1]

    def draw(self, picture: Picture, left: float, middle: float) -> None:
        """The outline; `at` is then where each contact is."""
        x, y = left - self.box[0], middle - self.tall / 2 - self.box[1]
        self.at = {pin: (px + x, py + y) for pin, (px, py) in self.places.items()}
        x0, y0, x1, y1 = (edge + shift for edge, shift in zip(self.box, (x, y, x, y), strict=True))
        look = {"fill": BODY, "stroke": INK, "stroke_width": 0.4}
        if self.outline == "round":
            picture.circle((x0 + x1) / 2, (y0 + y1) / 2, (x1 - x0) / 2, **look)
        elif self.outline == "dee":
            slant = 2.5
            long_right = sum(px for px, _ in self.places.values()) / len(self.places) < 0
            near, far = (slant, 0.0) if long_right else (0.0, slant)
            corners = [(x0, y0 + near), (x1, y0 + far), (x1, y1 - far), (x0, y1 - near), (x0, y0 + near)]
            picture.line(corners, INK, 0.4, fill=BODY)
        else:
            picture.rect(x0, y0, x1 - x0, y1 - y0, BODY, stroke=INK, stroke_width=0.4, rx=1.0)


def _routed(
    start: float, lanes: float, rows: Sequence[float], ends: Sequence[Point]
) -> Iterator[tuple[int, list[Point]]]:
    """A way from each strip to its contact: along the strip, in a lane of its own up or down, across to the
    contact, past those before it. No two lie on each other; they cross at right angles only."""
    across = _heights(rows, ends)
    down = [k for k in range(len(rows)) if across[k] > rows[k]]
    up = [k for k in range(len(rows)) if across[k] <= rows[k]]
    lane = {k: lanes + _LANE * at for at, k in enumerate([*down[::-1], *up])}
    for k, (row, height, end) in enumerate(zip(rows, across, ends, strict=True)):
        points = [(start, row), (lane[k], row), (lane[k], height), (end[0], height), end]
        yield k + 1, [point for point, after in pairwise(points) if point != after] + [end]


def _heights(rows: Sequence[float], ends: Sequence[Point]) -> list[float]:
    """At which height each wire goes across to its contact: as near to it as the other contacts allow."""
    found: dict[int, float] = {}
    for k in sorted(range(len(ends)), key=lambda k: ends[k][0]):
        x, y = ends[k]
        before = [other for other in ends if other[0] < x - 0.1]
        others = [row for at, row in enumerate(rows) if at != k]
        for apart, step in product((1.6, 1.2, 0.8), range(80)):
            height = y + (-1) ** step * 0.15 * ((step + 1) // 2)
            if all(abs(other - height) >= _CLEAR for _, other in before) and all(
                abs(other - height) >= apart for other in (*found.values(), *others)
            ):
                found[k] = height
                break
        else:
            raise SystemExit(f"no way across to contact {k + 1}: the drawing is too tight")
    return [found[k] for k in range(len(ends))]


def crimped_drawing(plan: Plan) -> str:
    """One ribbon, a connector at each end, and two of the conductors left over joined."""
    pins, n = plan.pins, len(plan.pins)
    about = (
        f"No board: the 2×20 socket on all conductors, the {plan.part.partition(' for ')[0]} on 1 to {n}, "
        f"both with their pin 1 at the marked edge. {_mark_words(plan)}, soldered, sleeved. The rest cut off "
        f"apart. {_COLOUR_WORDS}"
    )
    body = POSITIONS * RIBBON + _LABEL + 14.0
    picture, top = _titled(150.0, body, plan, about)
    middle = top + (body + _LABEL) / 2 - 3.0
    end, splice = 112.0, 88.0
    for k, points in _ribbon(picture, middle, [*range(1, n + 1), *plan.mark], end):
        y = points[0][1]
        if k > n:
            data = {"data_conductor": k, "data_strip": "M"}
            knot = middle - POSITIONS * RIBBON / 2 + (sum(plan.mark) / len(plan.mark) - 0.5) * RIBBON
            picture.line([points[0], (splice - 8.0, y), (splice, knot)], colour(k), 0.8, **data)
        else:
            picture.line([points[0], (end, y)], colour(k), 0.8, data_conductor=k, data_pin=pins[k - 1])
    picture.rect(splice - 1.0, knot - 1.3, 12.0, 2.6, INK, rx=1.2)
    picture.text(splice + 5.0, knot + 0.9, "M", 2.4, anchor="middle", bold=True, fill=PAPER)
    head = middle - POSITIONS * RIBBON / 2
    picture.rect(end, head - 2.0, 14.0, n * RIBBON + 4.0, BODY, stroke=INK, stroke_width=0.35)
    for k in (1, n):
        y = head + (k - 0.5) * RIBBON
        picture.text(end + 2.0, y + 0.9, str(k), 2.6, bold=k == 1)
    picture.text(end + 16.0, head + 2.0, "← cable", 2.8)
    return picture.svg()


def _dip_gap(pins: int) -> int:
    """From row to row of a DIP socket, in holes: 7.62 mm, from 24 pins on 15.24 mm."""
    return 3 if pins < 24 else 6


def _dip_holes(pins: int) -> int:
    """Of a strip under a DIP socket: three on each side beyond its pins."""
    return 3 + _dip_gap(pins) + 1 + 3


def dip_drawing(plan: Plan) -> str:
    """A DIP socket across a cut; the ribbon comes from below, a half of it on either side."""
    pins, n = plan.pins, len(plan.pins)
    half, holes, gap = n // 2, _dip_holes(n), _dip_gap(n)
    fan = (half + len(plan.mark)) * RIBBON + 6.0
    left = _MARGIN + fan
    right = left + holes * PITCH
    tall, foot = (half + 1 + _SPARE) * PITCH, 30.0
    about = (
        "From the component side, strips underneath. Red dots: the strips are cut there; strip M stays "
        f"whole. Conductors 1 to {half} come from the left, {half + 1} to {n} from the right, counted from "
        f"below upwards. {_mark_words(plan)}. Grey: the cable tie; the halves of the ribbon really pass "
        f"under it. {_COLOUR_WORDS}"
    )
    width = right + fan + _MARGIN
    shift = max(0.0, (150.0 - width) / 2)
    left, right = left + shift, right + shift
    picture, top = _titled(max(width, 150.0), tall + foot + 8.0, plan, about)
    rows = {k: top + (k + 0.5) * PITCH for k in range(half + 1)}  # 0 is M
    x = [left + (hole + 0.5) * PITCH for hole in range(holes)]
    picture.rect(left - 2, top - 1, right - left + 4, tall + 2, BOARD, **_BOARD_EDGE)
    _strip(picture, left, rows[0], holes, "M", at=holes // 2)
    for k in range(1, half + 1):
        _strip(picture, left, rows[k], holes, str(k), at=1)
        picture.circle(x[3 + (gap + 1) // 2], rows[k], 1.7, fill=CUT, data_cut=k)
    for k in range(half + 1, half + 1 + _SPARE):
        _strip(picture, left, top + (k + 0.5) * PITCH, holes, "", at=holes)
    tie = top + (half + 1 + _SPARE / 2) * PITCH
    picture.rect(left - 3.0, tie - 2.2, right - left + 6.0, 4.4, _TIE, data_part="tie")
    near, far = x[3], x[3 + gap]
    body_top, body_tall = rows[1] - PITCH / 2 + 0.2, half * PITCH - 0.4
    picture.rect(near - 2.8, body_top, far - near + 5.6, body_tall, "none", stroke=INK, stroke_width=0.5)
    notch = (near + far) / 2
    picture.line([(notch - 1.6, body_top), (notch, body_top + 1.6), (notch + 1.6, body_top)], INK, 0.5)

    socket, first = top + tall + foot, notch - half * RIBBON  # the ribbon's used half parts below the board
    for k in range(1, POSITIONS + 1):
        at = first + (k - 0.5) * RIBBON
        if k <= half:
            row, name, out, end = rows[k], f"{k} left", left - 4.0 - (half - k) * RIBBON, x[0]
        elif k <= n:
            out, end = right + 4.0 + (k - half - 1) * RIBBON, x[-1]
            row, name = rows[n + 1 - k], f"{n + 1 - k} right"
        elif k in plan.mark:
            out, end = right + 4.0 + (half + plan.mark.index(k)) * RIBBON, x[-1]
            row, name = rows[0], "M"
        else:
            picture.line([(at, socket), (at, socket - 2.5 - 1.5 * (k % 4))], GREY, 0.5, data_free=k)
            continue
        points = [(at, socket), (at, socket - 9.0), (out, socket - foot + 6.0), (out, row)]
        _soldered(picture, points, end, row, plan, k, -1, data_conductor=k, data_strip=name)
    edge = first + RIBBON / 2 - _EDGE_AT
    picture.line([(edge, socket), (edge, socket - 9.0)], _EDGE, _EDGE_WIDE, data_edge=1)
    for up, label in zip((5.0, 1.8), _EDGE_LABEL, strict=True):
        picture.text(first - 1.5, socket - up, label, 2.6, anchor="end")
    picture.rect(first - 2, socket, POSITIONS * RIBBON + 4, 7.0, BODY, stroke=INK, stroke_width=0.35)
    picture.text(first + POSITIONS * RIBBON / 2, socket + 4.8, "2×20 crimped socket", anchor="middle")
    picture.text(first - 0.3, socket + 3.0, "1", 2.6, bold=True)
    for k, pin in enumerate(pins, start=1):
        place = (near, rows[k]) if k <= half else (far, rows[n + 1 - k])
        picture.pin(*place, pin, k == 1, data_contact=pin, data_strip=strip_of(plan, k))
    return picture.svg()


def bridge_drawing() -> str:
    """Twenty strips, the header between the two rows of the DIP socket's pins."""
    columns, rows = 9, POSITIONS // 2
    left, width = 42.0, 150.0
    about = (
        "From the component side, strips underneath. Red: one straight cut across all strips, between the "
        "two rows of the header. Black: pins that go down into S1, their numbers beside them. White at the "
        "left of the header: its notch, towards S1.1 to S1.20."
    )
    title = "Bridge from the DIP socket S1 to a 2×20 box header"
    lines = wrapped(about, width - 2 * _MARGIN, 2.8)
    top = _MARGIN + 5.0 + 4.0 * len(lines) + 8.0
    picture = Picture(width, top + rows * PITCH + 10.0, title)
    picture.text(_MARGIN, _MARGIN + 2.5, title, 4.0, bold=True)
    for number, line in enumerate(lines):
        picture.text(_MARGIN, _MARGIN + 8.0 + 4.0 * number, line, 2.8)
    picture.rect(left - 2, top - 1, columns * PITCH + 4, rows * PITCH + 2, BOARD, **_BOARD_EDGE)
    x = [left + (hole + 0.5) * PITCH for hole in range(columns)]
    for r in range(1, rows + 1):
        y = top + (r - 0.5) * PITCH
        _strip(picture, left, y, columns, str(r), at=0)
    picture.rect(x[3] - 4.4, top - 2.6, PITCH + 8.8, rows * PITCH + 5.2, "none", stroke=INK, stroke_width=0.5)
    middle = top + rows * PITCH / 2
    notch = {"stroke": INK, "stroke_width": 0.4, "data_notch": "header"}
    picture.rect(x[3] - 5.2, middle - 2.4, 1.6, 4.8, PAPER, **notch)
    cut = (x[3] + x[4]) / 2
    picture.line([(cut, top - 4.0), (cut, top + rows * PITCH + 4.0)], CUT, 0.7, data_cut="1–20")
    for r in range(1, rows + 1):
        y = top + (r - 0.5) * PITCH
        for hole, position in ((3, 2 * r - 1), (4, 2 * r)):
            picture.pin(x[hole], y, str(position), r == 1 and hole == 3, data_position=position, data_row=r)
        for hole, pin in ((1, r), (7, POSITIONS + 1 - r)):
            picture.circle(x[hole], y, 1.6, fill=INK, data_s1=pin, data_row=r)
            edge = left - 4.0 if hole == 1 else left + columns * PITCH + 4.0
            picture.text(
                edge, y + 1.0, f"S1.{pin}", 2.8, anchor="end" if hole == 1 else "start", bold=pin == 1
            )
    return picture.svg()


DRAW: Mapping[str, Callable[[Plan], str]] = {
    "wired": wired_drawing,
    "crimped": crimped_drawing,
    "dip": dip_drawing,
}
