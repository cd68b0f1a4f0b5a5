"""The wiring picture: connectors from their geometry, conductors between them, as SVG.

The one drawing for certificate, fault report, build sheet and page. Every kind of fault has a mark of its
own besides its colour and carries the number of its finding, so the picture reads in grey too.

Colours: Okabe and Ito, "Color Universal Design" (2008; values from memory), a set chosen to be told apart
by the colour-blind.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from math import dist
from operator import mul
from xml.etree import ElementTree

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.sheets.layout import Place, Seat, lay_out
from pinwright.sheets.plan import (
    GOOD,
    JOINED,
    LEAKING,
    LINKED,
    OPEN,
    PALE,
    RESISTIVE,
    UNSTEADY,
    WHOLE,
    WRONG,
    Bridge,
    Leak,
    Line,
    plan,
)
from pinwright.sheets.svg import element, path, picture
from pinwright.sheets.text import harmless
from pinwright.verdict.facts import Facts

PORTRAIT = 180.0  # mm between the margins of an upright A4 page
LANDSCAPE = 267.0
MOST_NUMBERED = 10  # findings; where there are more, none has its number in the picture

INK, GREY, PAPER, BODY = "#222222", "#8f8f8f", "#ffffff", "#f6f6f4"
_MONO = "'DejaVu Sans Mono', monospace"
_WORDS = "'Libertinus Serif', 'DejaVu Serif', Georgia, serif"
_STRIP = 30.0  # mm for the conductors themselves
_LEVEL, _LEVELS = (1.6, 3.6), 40.0  # mm from one cross-link to the next, and for all of them if it can be
_WORD_LINE = 3.6
_CAPTION = 3 * _WORD_LINE + 2.0
_LEGEND = 5.5
_BESIDE = 14.0  # for the mark of the ribbon's edge, and for numbers
_MANY = 10  # faulty lines; more are drawn thinner
_WIDE = 12.0  # mm; a longer cross-link carries its number, a shorter one has it beside
_SPREAD = 0.36  # how much earlier or later than half-way conductors may bend, of the strip
_EDGE = "edge"

# Stroke, width in mm, dashes.
_LOOK: Mapping[str, tuple[str, float, str]] = {
    _EDGE: ("#d9d9d9", 1.6, ""),
    PALE: ("#9a9a9a", 0.25, ""),
    GOOD: ("#333333", 0.3, ""),
    LINKED: ("#333333", 0.3, ""),
    OPEN: ("#D55E00", 0.6, "1.6 1.2"),
    RESISTIVE: ("#9A6700", 0.6, ""),
    LEAKING: ("#007A5A", 0.5, "1.4 0.8 0.2 0.8"),
    UNSTEADY: ("#D55E00", 0.8, "0.2 1.3"),
    WRONG: ("#0072B2", 0.9, ""),
    JOINED: ("#8A3A6B", 0.9, ""),
}
_LEGENDS = {
    OPEN: "open",
    RESISTIVE: "too much resistance",
    LEAKING: "leaks",
    UNSTEADY: "conducts at times",
    WRONG: "wrongly connected",
    JOINED: "joined somewhere along their length",
    LINKED: "joined, as they may be",
}


def wiring_picture(
    profile: Profile,
    facts: Facts | None = None,
    findings: Sequence[Collection[Pin]] = (),
    *,
    behind: Collection[str] = (),
    width_mm: float = PORTRAIT,
) -> str:
    """An SVG document of the cable as it was measured, or as it should be where there are no facts.

    findings: the pins that each finding speaks of; if they are few, what the n-th is about is marked n.
    behind: ends to show from the side opposite to their connector's `view`. width_mm: what it must fit into.
    """
    return _Picture(profile, facts, findings, behind, width_mm).svg()


class _Picture:
    """One picture while it is drawn. `first` and `last`: the heights between which conductors may bend."""

    def __init__(
        self,
        profile: Profile,
        facts: Facts | None,
        findings: Sequence[Collection[Pin]],
        behind: Collection[str],
        width: float,
    ) -> None:
        self.unused = frozenset(profile.unused())
        # Cross-links need room of their own; how much is known once the ends stand side by side.
        self.layout = lay_out(profile, behind, width, _STRIP, _CAPTION)
        self.plan = plan(profile, self.layout, facts, findings)
        upper, lower = self._levels(True), self._levels(False)
        self.levels = upper | lower
        most = 1 + max(self.levels.values(), default=0)
        self.step = max(_LEVEL[0], min(_LEVEL[1], _LEVELS / most))
        above, below = (2.4 + self.step * (1 + max(levels.values(), default=-1)) for levels in (upper, lower))
        self.two_rows = any(not seat.top for seat in self.layout.seats.values())
        strip = (_STRIP if self.two_rows else 0.0) + above + below
        faults = self.plan.faults
        self.states = {line.state for line in faults} | {bridge.state for bridge in self.plan.bridges}
        self.states |= {LEAKING} if self.plan.leaks else set()
        self.legend = _in_rows([state for state in _LEGENDS if state in self.states], width)
        used = max(
            self.layout.used + 2 * _BESIDE, *(sum(map(_legend_width, row)) for row in self.legend), 0.0
        )
        self.layout = lay_out(profile, behind, min(width, used), strip, _CAPTION)
        self.first, self.last = self.layout.above + above, self.layout.below - below
        bad = [bridge for bridge in self.plan.bridges if bridge.state != LINKED]
        joined = [line for bridge in bad for line in (bridge.one, bridge.other)]
        joined += [leak.at for leak in self.plan.leaks if isinstance(leak.at, Line)]
        self.at_fault = {pin for line in (*faults, *joined) for pin in line.pins}
        self.at_fault |= {leak.at for leak in self.plan.leaks if isinstance(leak.at, Pin)}
        self.many, self.numbered = len(faults) > _MANY, len(findings) <= MOST_NUMBERED
        self.numbers: dict[int, Place] = {}

    def _levels(self, top: bool) -> dict[Line, int]:
        """A level for each cross-link of one side, so that none lies over another; short ones outermost."""
        spans = []
        for line in self.plan.across:
            if self.layout.is_top(line.pins[0]) is top:
                xs = [self.layout.exit(pin)[0] for pin in line.pins]
                right = max(xs) + (4.0 if line.number else 0.0)  # its number may stand there
                spans.append((max(xs) - min(xs), min(xs), right, line))
        levels: dict[Line, int] = {}
        rows: list[list[tuple[float, float]]] = []
        for _, left, right, line in sorted(spans, key=lambda span: span[:2]):
            free = (n for n, row in enumerate(rows) if all(right + 1 < a or b + 1 < left for a, b in row))
            levels[line] = level = next(free, len(rows))
            rows += [[]] if level == len(rows) else []
            rows[level].append((left, right))
        return levels

    def svg(self) -> str:
        seats = self.layout.seats.values()
        lowest = max(seat.box[3] for seat in seats) + _CAPTION if self.two_rows else self.layout.below
        height = lowest + _LEGEND * len(self.legend)
        width = self.layout.width
        round_ends = {"stroke_linecap": "round", "stroke_linejoin": "round"}
        self.root = picture(0.0, 0.0, width, height, fill="none", **round_ends)
        for seat in seats:
            self._outline(seat)
        for seat in seats:
            self._marked_edge(seat)
        for state in _LOOK:  # faults lie on top
            for lines, draw in (
                (self.plan.across, self._across),
                (self.plan.through, self._through),
                (self.plan.strays, self._stray),
            ):
                for line in lines:
                    if line.state == state:
                        draw(line)
        for place, bridge in enumerate(self.plan.bridges):
            self._bridge(bridge, place)
        for place, leak in enumerate(self.plan.leaks):
            self._leak(leak, place)
        for seat in seats:
            self._pins(seat)
            self._edge_words(seat)
            self._caption(seat)
        self._numbers()
        for place, row in enumerate(reversed(self.legend)):
            self._legend(row, height - 1.5 - _LEGEND * place)
        return ElementTree.tostring(self.root, encoding="unicode")

    # Elements

    def _stroke(self, d: str, state: str, pins: Iterable[Pin] = ()) -> None:
        colour, width, dashes = _LOOK[state]
        more = {"stroke_dasharray": dashes} if dashes else {}
        if named := " ".join(map(str, pins)):
            more["data_pins"] = named
        thinner = 0.5 if self.many and state in _LEGENDS else 1.0
        element(self.root, "path", d=d, stroke=colour, stroke_width=width * thinner, **more)

    def _write(self, x: float, y: float, text: str, size: float, **more: object) -> None:
        given = {"fill": INK, "text_anchor": "middle", "font_family": _WORDS, **more}
        element(self.root, "text", x=x, y=y, font_size=size, **given).text = text

    # Lines

    def _lead(self, pin: Pin, end: float) -> str:
        """Path commands from a pin out of its connector, straight on to the height `end`."""
        seat = self.layout.seats[pin.end]
        (x, y), (out, _) = seat.places[pin], seat.exits[pin]
        bend = ("L", out, y + (0.55 if seat.top else -0.55) * seat.pitch) if out != x else ()
        return path("M", x, y, *bend, "L", out, end)

    def _curve(self, line: Line) -> tuple[Place, Place, Place, Place]:
        """The bent part of a line from top to bottom, as a Bézier curve.

        Of conductors that go the same way the foremost bends first, so that neighbours keep their distance
        and those of two mirrored connectors do not all cross in one point.
        """
        (x0, _), (x1, _) = (self.layout.exit(pin) for pin in line.pins)
        ahead = (2 * x0 / self.layout.width - 1) * (1 if x1 > x0 else -1)
        bend = self.first + (self.last - self.first) * (0.5 - _SPREAD * ahead)
        return (x0, self.first), (x0, bend), (x1, bend), (x1, self.last)

    def _through(self, line: Line) -> None:
        top, bottom = line.pins
        curve = self._curve(line)
        bent = path("C", *(number for place in curve[1:] for number in place))
        leads = self._lead(top, self.first), self._lead(bottom, self.last)
        self._stroke(f"{leads[0]} {bent} {leads[1]}", line.state, line.pins)
        if line.state in (OPEN, UNSTEADY):
            self._gap(_on_curve(curve, 0.5), line.state)
        if line.state == RESISTIVE:
            self._resistor(_on_curve(curve, 0.5), 0.5 if self.many else 0.8, 1.9)
        if line.number:
            self.numbers.setdefault(line.number, _on_curve(curve, 0.7 if line.state == OPEN else 0.3))

    def _across(self, line: Line) -> None:
        y = self._height(line)
        xs = sorted(self.layout.exit(pin)[0] for pin in line.pins)
        leads = " ".join(self._lead(pin, y) for pin in line.pins)
        self._stroke(f"{leads} {path('M', xs[0], y, 'L', xs[-1], y)}", line.state, line.pins)
        if line.state in (OPEN, UNSTEADY):
            self._gap(((xs[0] + xs[1]) / 2, y), line.state)
        else:
            for x in xs:
                element(self.root, "circle", cx=x, cy=y, r=0.55, fill=_LOOK[line.state][0])
        if line.state == RESISTIVE:
            self._resistor(((xs[0] + xs[1]) / 2, y), min(1.9, (xs[1] - xs[0]) / 4), 0.6)
        if line.number:
            beside = xs[-1] - xs[0] < _WIDE
            self.numbers.setdefault(line.number, (xs[-1] + 2.4 if beside else xs[0] + _WIDE / 4, y))

    def _height(self, line: Line) -> float:
        """Where a cross-link runs."""
        level = (self.levels[line] + 1) * self.step
        return self.layout.above + level if self.layout.is_top(line.pins[0]) else self.layout.below - level

    def _stray(self, line: Line) -> None:
        """From a pin to a position of the tester that no end occupies: a stub with that position's name."""
        pin, position = line.pins
        if self.layout.is_top(pin) is None:
            return  # both are positions of the tester: nothing of it is in the picture
        x, down = self.layout.exit(pin)[0], self._down(pin)
        y = self.first + 7.0 if down > 0 else self.last - 7.0
        self._stroke(self._lead(pin, y), line.state, line.pins)
        element(self.root, "circle", cx=x, cy=y, r=0.8, fill=_LOOK[line.state][0])
        self._write(x + 1.4, y + 0.8, str(position), 2.4, font_family=_MONO, text_anchor="start")
        if line.number:
            self.numbers.setdefault(line.number, (x, y - 3.0 * down))

    def _bridge(self, bridge: Bridge, place: int) -> None:
        for line in (bridge.one, bridge.other) if bridge.state != LINKED else ():
            self._through(_darker(line))
        at = 0.36 + 0.07 * (place % 5)  # neighbours do not lie over each other
        a, b = (_on_curve(self._curve(line), at) for line in (bridge.one, bridge.other))
        self._link(a, b, bridge.state, (*bridge.one.pins, *bridge.other.pins))
        if bridge.number:
            self.numbers.setdefault(bridge.number, (max(a[0], b[0]) + 3.2, (a[1] + b[1]) / 2))

    def _leak(self, leak: Leak, place: int) -> None:
        """A stub that ends in the sign of 0 V, which stands for everything else."""
        if isinstance(leak.at, Pin):
            x, down = self.layout.exit(leak.at)[0], self._down(leak.at)
            y = (self.first if down > 0 else self.last) + (4.0 if self.two_rows else -1.4) * down
            self._stroke(self._lead(leak.at, y), LEAKING)
        elif leak.at in self.levels:
            xs = [self.layout.exit(pin)[0] for pin in leak.at.pins]
            x, start = 0.75 * min(xs) + 0.25 * max(xs), self._height(leak.at)
            down = self._down(leak.at.pins[0])
            y = start + 2.4 * down
            self._stroke(path("M", x, start, "L", x, y), LEAKING)
            self._diamond((x, start), LEAKING)
        else:
            self._through(_darker(leak.at))
            x, y = _on_curve(self._curve(leak.at), 0.6 + 0.12 * (place % 3))
            self._stroke(path("M", x, y, "l", 3.8, 0.0), LEAKING)
            self._diamond((x, y), LEAKING)
            x, down = x + 3.8, 0
        self._zero_volts((x, y), down)
        if leak.number:
            self.numbers.setdefault(leak.number, (x + 3.6, y + 0.7 * down))

    def _zero_volts(self, at: Place, down: int) -> None:
        """Its sign, three bars. down: 1 or -1 where it hangs or stands, 0 where it lies to the right."""
        (x, y), (colour, width, _) = at, _LOOK[LEAKING]
        for number, half in enumerate((1.3, 0.8, 0.3)):
            step = 0.7 * number
            d = path("M", x - half, y + step * down, "l", 2 * half, 0.0) if down else ""
            d = d or path("M", x + step, y - half, "l", 0.0, 2 * half)
            element(self.root, "path", d=d, stroke=colour, stroke_width=width)

    def _down(self, pin: Pin) -> int:
        """Which way the strip between the connectors is from a pin: 1 or -1."""
        return 1 if self.layout.is_top(pin) else -1

    def _link(self, a: Place, b: Place, state: str, pins: Iterable[Pin] = ()) -> None:
        """A line with a diamond at each end: joined here. A small one where they may be, a hollow one where
        something leaks."""
        self._stroke(path("M", *a, "L", *b), state, pins)
        for place in (a, b):
            self._diamond(place, state)

    def _diamond(self, at: Place, state: str) -> None:
        (x, y), r, (colour, width, _) = at, 0.6 if state == LINKED else 1.0, _LOOK[state]
        look = (
            {"fill": PAPER, "stroke": colour, "stroke_width": width} if state == LEAKING else {"fill": colour}
        )
        element(self.root, "path", d=path("M", x - r, y, "l", r, -r, r, r, -r, r, "z"), **look)

    def _resistor(self, at: Place, half: float, tall: float) -> None:
        """The sign of a resistor upon a line. half, tall: of its width and height."""
        (x, y), (colour, width, _) = at, _LOOK[RESISTIVE]
        box = {"x": x - half, "y": y - tall, "width": 2 * half, "height": 2 * tall}
        element(self.root, "rect", **box, fill=PAPER, stroke=colour, stroke_width=width)

    def _gap(self, at: Place, state: str) -> None:
        """Two bars: nothing gets through here. At times it does: one bar."""
        (x, y), half = at, 0.4 if self.many else 1.2
        element(self.root, "rect", x=x - half, y=y - 0.9, width=2 * half, height=1.8, fill=PAPER)
        for step in (-0.9, 0.9) if state == OPEN else (0.0,):
            d = path("M", x - half, y + step, "l", 2 * half, 0.0)
            element(self.root, "path", d=d, stroke=_LOOK[state][0], stroke_width=0.6)

    def _numbers(self) -> None:
        """The numbers of the findings, each beside what it is about and clear of the others."""
        placed: list[Place] = []
        for number, (x, y) in self.numbers.items() if self.numbered else ():
            while any(dist((x, y), other) < 3.7 for other in placed):
                y += 0.4
            placed.append((x, y))
            element(self.root, "circle", cx=x, cy=y, r=1.8, fill=PAPER, stroke=INK, stroke_width=0.25)
            self._write(x, y + 0.8, str(number), 2.4 if number < 100 else 1.7, font_weight="bold")

    # Connectors

    def _outline(self, seat: Seat) -> None:
        left, top, right, bottom = seat.box
        look = {"stroke": INK, "stroke_width": 0.35, "fill": BODY}
        if seat.ring:
            x, y, radius = seat.ring
            element(self.root, "circle", cx=x, cy=y, r=radius, **look)
        elif seat.plug.outline == "dee":
            slant = 0.5 * seat.pitch  # the corners of the side of the shorter row are cut
            wide, narrow = (top, bottom) if seat.long_row_up() else (bottom, top)
            d = path("M", left, wide, "L", right, wide, right - slant, narrow, left + slant, narrow, "Z")
            element(self.root, "path", d=d, **look)
        else:
            rounded = (bottom - top) / 2 if seat.plug.outline == "pill" else 0.8
            box = {"x": left, "y": top, "width": right - left, "height": bottom - top}
            element(self.root, "rect", rx=rounded, **box, **look)
        if seat.plug.outline == "notched":
            middle, size = (top + bottom) / 2, 0.6 * seat.pitch
            x, sweep = (left, 1) if seat.places[seat.first][0] < seat.middle else (right, 0)
            d = f"{path('M', x, middle - size, 'A', size, size)} 0 0 {sweep} {path(x, middle + size)}"
            element(self.root, "path", **{**look, "d": d, "fill": PAPER})

    def _marked_edge(self, seat: Seat) -> None:
        """Where the marked edge of a ribbon runs: along conductor 1 of a crimped two-row socket."""
        if not seat.plug.name.startswith("idc-"):
            return
        first = Pin(seat.end.name, seat.plug.conductors[0])
        whole = (line for line in self.plan.through if first in line.pins and line.state in WHOLE)
        if line := next(whole, None):
            self._through(Line(line.pins, _EDGE))
        else:
            across = (line for line in self.plan.across if first in line.pins and line.state in WHOLE)
            bend = self.first if seat.top else self.last
            self._stroke(self._lead(first, next(map(self._height, across), bend)), _EDGE)

    def _edge_words(self, seat: Seat) -> None:
        if seat.plug.name.startswith("idc-"):
            x, y = self.layout.exit(Pin(seat.end.name, seat.plug.conductors[0]))
            x, y = x - 1.4, y + (1.2 if seat.top else -1.2)
            look = {"font_style": "italic", "text_anchor": "end" if seat.top else "start"}
            halo = {"stroke": PAPER, "stroke_width": 0.8, "paint_order": "stroke"}
            turned = f"rotate({path(-90.0, x, y)})"
            self._write(x, y, "marked edge", 2.4, transform=turned, **look, **halo)

    def _pins(self, seat: Seat) -> None:
        """Each with its name; the first one square, as on a board, with a triangle beside it."""
        radius = 0.34 * seat.pitch
        for pin, (x, y) in seat.places.items():
            bad, unused = pin in self.at_fault, pin in self.unused
            ink = GREY if unused and not bad else INK
            look = {"fill": INK if bad else PAPER, "stroke": ink, "stroke_width": 0.3, "data_pin": pin}
            if pin == seat.first:
                side = 2 * radius
                element(self.root, "rect", x=x - radius, y=y - radius, width=side, height=side, **look)
            else:
                element(self.root, "circle", cx=x, cy=y, r=radius, **look)
            size = min(0.42 * seat.pitch, 1.75 * radius / (0.62 * len(pin.name)))
            weight = "bold" if pin == seat.first else "normal"
            ink = PAPER if bad else ink
            self._write(x, y + 0.36 * size, pin.name, size, font_family=_MONO, fill=ink, font_weight=weight)
        if not seat.ring:
            x, y = seat.places[seat.first]
            size, towards = 0.28 * seat.pitch, 1 if x < seat.middle else -1
            at = seat.box[0] if towards > 0 else seat.box[2]
            d = path("M", at, y, "l", -1.4 * size * towards, -size, 0.0, 2 * size, "z")
            element(self.root, "path", d=d, fill=INK)

    def _caption(self, seat: Seat) -> None:
        view = f"seen: {seat.plug.side}, {seat.pin_1()}"
        lines: list[tuple[str, float, dict[str, object]]] = [
            (f"End {seat.end.name}: {seat.plug.name}", 3.0, {"font_weight": "bold"}),
            (_cut(harmless(seat.end.label), seat.room), 3.0, {}),
            (view, min(3.0, 1.8 * seat.room / len(view)), {"font_style": "italic"}),
        ]
        lines = [line for line in lines if line[0]]
        _, top, _, bottom = seat.box
        y = top - 1.6 - _WORD_LINE * (len(lines) - 1) if seat.top else bottom + _WORD_LINE
        for number, (text, size, look) in enumerate(lines):
            self._write(seat.middle, y + number * _WORD_LINE, text, size, **look)

    def _legend(self, states: Iterable[str], y: float) -> None:
        x = 2.0
        for state in states:
            a, b = (x, y - 0.9), (x + 9.0, y - 0.9)
            if state in (JOINED, LINKED, LEAKING):
                self._link(a, b, state)
            else:
                self._stroke(path("M", *a, "L", *b), state)
            if state in (OPEN, UNSTEADY):
                self._gap((x + 4.5, y - 0.9), state)
            if state == RESISTIVE:
                self._resistor((x + 4.5, y - 0.9), 1.9, 0.8)
            self._write(x + 11.0, y, _LEGENDS[state], 2.8, text_anchor="start")
            x += _legend_width(state)


def _darker(line: Line) -> Line:
    """The same, to be seen among others that are as they should be."""
    return replace(line, state=GOOD) if line.state == PALE else line


def _in_rows(states: Iterable[str], width: float) -> list[list[str]]:
    """What the legend explains, in rows that are no wider."""
    rows: list[list[str]] = []
    for state in states:
        if rows and sum(map(_legend_width, [*rows[-1], state])) <= width:
            rows[-1].append(state)
        else:
            rows.append([state])
    return rows


def _legend_width(state: str) -> float:
    return 14.0 + 1.6 * len(_LEGENDS[state])


def _on_curve(curve: tuple[Place, Place, Place, Place], t: float) -> Place:
    """A point of a cubic Bézier curve: 0 at its start, 1 at its end."""
    u = 1 - t
    weights = (u**3, 3 * u * u * t, 3 * u * t * t, t**3)
    xs, ys = zip(*curve, strict=True)
    return sum(map(mul, weights, xs)), sum(map(mul, weights, ys))


def _cut(text: str, room: float) -> str:
    """As much of the text as finds room, in mm."""
    most = int(room / 1.65)
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"
