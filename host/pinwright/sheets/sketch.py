"""The wiring picture in characters, for a terminal: what `drawing` draws, of the same plan.

The connectors stand upright beside each other, as seen in their `view` or turned a quarter: the end that most
others lead to at the right, or in the middle where there are three and more. Conductors are drawn in
dots, two by four to a character (Unicode's braille patterns, whose bits name the dots: The Unicode
Standard, chapter 21, from memory), or in plain ASCII. Every state has a mark of its own, which the legend
names where it occurs; a style only helps. Where something is wrong, what is right is not drawn.
"""

from __future__ import annotations

import unicodedata
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, reduce
from itertools import combinations, groupby, pairwise, product
from operator import or_

from pinwright.cable.connectors import SHELL, Connector
from pinwright.cable.pins import Pin
from pinwright.cable.profile import End, Profile
from pinwright.cable.wiring import code_point
from pinwright.sheets.layout import Layout, lay_out
from pinwright.sheets.plan import (
    GOOD,
    JOINED,
    LEAKING,
    LINKED,
    OPEN,
    PALE,
    RESISTIVE,
    UNSTEADY,
    WRONG,
    Bridge,
    Leak,
    Line,
    Plan,
    plan,
)
from pinwright.sheets.text import harmless
from pinwright.verdict.facts import Facts

Sketch = tuple[tuple[tuple[str, str], ...], ...]  # lines of texts, each with the word for its style

MOST_NUMBERED = 10  # findings; where there are more, none has its number in the picture
MOST_ENDS = 8
EXCHANGED, UNUSED = "exchanged", "unused"
FRAME, LABEL, WORDS, NUMBER = "frame", "label", "words", "number"
PLAIN = "conductor"  # as it should be, beside what is not

_PLAN_WIDTH = 180.0  # mm; only what lies near what is asked of this layout
_LEAST_GAP, _MOST_GAP = 10, 60  # characters between two connectors
_STUB = 3  # dots that a line runs straight on before it bends
_FLAT = 6  # dots up or down at most, of a line that is slanted in the middle only: it would seem level
_MANY = 10  # faulty lines; of more, what is missing between exchanged pins is left out
_GRID = 0.01  # mm; what is nearer lies in one row or column

# State → its mark, the same in ASCII, and what the legend calls it.
_MARKS: Mapping[str, tuple[str, str, str]] = {
    GOOD: ("·", ".", ""),
    UNUSED: ("○", "-", "unused"),
    LINKED: ("≡", "=", "joined, as they may be"),
    OPEN: ("✗", "x", "open"),
    LEAKING: ("▽", "!", "leaks"),
    RESISTIVE: ("▲", "%", "resistive"),
    UNSTEADY: ("≈", "~", "unsteady"),
    EXCHANGED: ("◆", "*", "wrong place"),
    JOINED: ("■", "#", "joined"),
}
# What is drawn later lies on top.
_RANK = {state: rank for rank, state in enumerate((GOOD, PLAIN, *list(_MARKS)[1:]))}
# How many dots of a line are drawn, and how many are left out.
_DASHES = {LINKED: (1, 1), OPEN: (2, 4), LEAKING: (5, 2), UNSTEADY: (1, 2)}
_BITS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))  # of the dots of a braille pattern
_LEVELS = {1: (1,), 2: (0, 2), 3: (0, 1, 3)}  # leads in one line of characters → their heights, in dots
_CROSSED = "\N{BOX DRAWINGS LIGHT DIAGONAL CROSS}"
_ROUND_IT = 3  # lines of characters for the caption and the frame
_ASCII = {**dict.fromkeys("┌┐└┘├┤", "+"), **dict.fromkeys("╭╮", "."), **dict.fromkeys("╰╯", "'")}
_ASCII |= {"─": "-", "│": "|", "▸": ">", "◂": "<", "◡": "u", "…": "~", _CROSSED: "X"}
_TURNED = {
    ("up", "right"): "right",
    ("down", "right"): "left",
    ("up", "left"): "left",
    ("down", "left"): "right",
}
_Cell = tuple[int, int]  # a line of characters and a column, from the top and the left
_Dot = tuple[int, int]  # x and y


def sketch(
    profile: Profile,
    facts: Facts | None = None,
    findings: Sequence[Collection[Pin]] = (),
    width: int = 80,
    height: int = 24,
    ascii: bool = False,
) -> Sketch:
    """The cable as it was measured, or as it should be where there are no facts.

    Pure. Empty where there is no room for it, or where it has more than MOST_ENDS. findings: the pins that
    each finding speaks of; if they are few, what the n-th is about is marked n. width: characters, at most.
    height: lines that it should have at most; a large connector takes more. ascii: all of it in ASCII.
    """
    if len(profile.ends) > MOST_ENDS:
        return ()
    layout = lay_out(profile, (), _PLAN_WIDTH, 30.0, 10.0)  # the one of the report: it shows the same lines
    columns = _columns(layout, width, height)
    if not columns:
        return ()
    return _Drawing(
        profile, facts, plan(profile, layout, facts, findings), columns, len(findings), ascii
    ).lines()


@dataclass(frozen=True, slots=True)
class _Face:
    """A connector on a grid of characters.

    cells: pin → its line and column within the frame. names: how wide the names in each column of pins are;
    left of their mark, or right of it. view: the side, and what is where: "mating face, long row right".
    """

    cells: Mapping[str, _Cell]
    names: Mapping[str, tuple[int, bool]]
    rows: int
    width: int
    view: str


@dataclass(frozen=True, slots=True)
class _Seat:
    """One end in its place. gap: number of the gap that it faces, None for the end that all others face.
    x, y: of the frame's upper left corner."""

    end: End
    face: _Face
    gap: int | None
    x: int
    y: int

    @property
    def edges(self) -> tuple[int, int]:
        """The columns of its frame."""
        return self.x, self.x + self.face.width + 1

    @property
    def bottom(self) -> int:
        return self.y + self.face.rows + 1

    @property
    def first(self) -> Pin:
        return Pin(self.end.name, self.end.connector.pins[0])

    def cell(self, pin: Pin) -> _Cell:
        row, column = self.face.cells[pin.name]
        return self.y + 1 + row, self.x + 1 + column


@dataclass(frozen=True, slots=True)
class _Columns:
    """Where everything stands. gaps: the columns between connectors, the one after the last not included."""

    seats: Mapping[str, _Seat]
    gaps: tuple[tuple[int, int], ...]
    width: int
    height: int


# Connectors


def _upright(plug: Connector) -> tuple[dict[str, tuple[float, float]], str]:
    """The places of the contacts, turned a quarter where they are wider than tall, so that pin 1 is up; and
    where up went: "right", "left", or "" where nothing was turned. A round one stays as it is."""
    places = {pin: place for pin, place in plug.positions.items() if pin != SHELL}
    xs, ys = zip(*places.values(), strict=True)
    if plug.outline == "round" or max(xs) - min(xs) <= max(ys) - min(ys):
        return places, ""
    if -min(xs) <= max(xs):
        return {pin: (0.0 - y, x) for pin, (x, y) in places.items()}, "right"
    return {pin: (y, 0.0 - x) for pin, (x, y) in places.items()}, "left"


def _grid(values: Iterable[float]) -> dict[float, int]:
    """Each value's place among those that differ."""
    found: dict[float, int] = {}
    last, place = float("-inf"), -1
    for value in sorted(set(values)):
        place += value - last > _GRID
        found[value], last = place, value
    return found


@cache
def _face(plug: Connector, compact: bool, at_right: bool) -> _Face:
    """compact: rows that are offset by half a pitch level with each other. at_right: a single row has its
    marks to the left of its names."""
    places, up = _upright(plug)
    columns, rows = _grid(x for x, _ in places.values()), _grid(y for _, y in places.values())
    grid = {pin: (rows[y], columns[x]) for pin, (x, y) in places.items()}
    halved = {pin: (row // 2, column) for pin, (row, column) in grid.items()}
    if compact and len(set(halved.values())) == len(halved):
        grid = halved
    count, height = 1 + max(columns.values()), 1 + max(row for row, _ in grid.values())
    wide = [max(len(pin) for pin, (_, at) in grid.items() if at == column) for column in range(count)]
    apart = 3 if count == 2 else 2  # the mark, and what is blank
    lefts = [1 + sum(wide[:column]) + column * apart for column in range(count)]
    before = {1: int(not at_right), 2: 1}.get(
        count, count
    )  # columns that have their names before their marks
    cells = {pin: (row, lefts[column]) for pin, (row, column) in grid.items()}
    names = {pin: (wide[column], column < before) for pin, (_, column) in grid.items()}
    width = lefts[-1] + wide[-1] + 2
    if SHELL in plug.pins:
        width = max(width, len(SHELL) + 3)
        cells[SHELL], names[SHELL] = (height, (width - len(SHELL)) // 2), (len(SHELL), True)
        height += 1
    side, _, what = plug.view.partition(", ")
    *most, where = what.split()
    seen = " ".join([*most, _TURNED.get((where, up), where)])
    return _Face(cells, names, height, width, f"{side}, {seen}")


# Where they stand


def _columns(layout: Layout, width: int, height: int) -> _Columns | None:
    """The end that the others lead to in their middle; they are all at its left where that is too wide."""
    hub = [seat.end for seat in layout.seats.values() if not seat.top]
    others = [seat.end for seat in layout.seats.values() if seat.top]
    half = (len(others) + 1) // 2
    ways = ((others[:half], hub, others[half:]), (others, hub))
    return next((made for way in ways if (made := _stood(list(filter(None, way)), width, height))), None)


def _stood(stacks: Sequence[Sequence[End]], width: int, height: int) -> _Columns | None:
    """Stacks of ends from left to right, each in the middle of the height; None where there is no room."""
    last = len(stacks) - 1
    faces = [_faces(stack, height, 0 < place == last) for place, stack in enumerate(stacks)]
    wides = [max(face.width for face in made) + 2 for made in faces]
    talls = [sum(face.rows + _ROUND_IT for face in made) for made in faces]
    gap = min(_MOST_GAP, (width - sum(wides)) // max(1, last))
    if gap < _LEAST_GAP:
        return None
    lefts = [sum(wides[:place]) + gap * place for place in range(max(2, last + 1))]
    gaps = tuple((left - gap, left) for left in lefts[1:])
    seats = {}
    for place, (stack, made) in enumerate(zip(stacks, faces, strict=True)):
        y = (max(talls) - talls[place]) // 2 + 1
        for end, face in zip(stack, made, strict=True):
            spare = wides[place] - face.width - 2
            x = lefts[place] + (0, spare // 2 if last == 2 else spare, spare)[place]
            seats[end.name] = _Seat(end, face, (0, None, 1)[place], x, y)
            y += face.rows + _ROUND_IT
    return _Columns(seats, gaps, lefts[-1] + wides[-1] * (last > 0), max(talls))


def _faces(stack: Sequence[End], height: int, at_right: bool) -> list[_Face]:
    """Those of a stack, compact where it would be too tall."""
    faces = [_face(end.connector, False, at_right) for end in stack]
    if sum(face.rows + _ROUND_IT for face in faces) < height:
        return faces
    return [_face(end.connector, True, at_right) for end in stack]


# The drawing


class _Drawing:
    """One sketch while it is drawn.

    exits: pin → the height of its lead, in dots. mixed: the pins of each piece that is wrongly joined.
    states: of pins that are not good. flat: pins of lines that are (see `_is_flat`). text: what is
    written where; it covers dots. dots: character → which of its dots are set, by state and line. leads:
    pins, each with a gap that a line of it is drawn in. marked: states whose mark was drawn. wishes:
    finding → characters where its number may be, best first, each with the line it is about.
    """

    def __init__(
        self,
        profile: Profile,
        facts: Facts | None,
        plan: Plan,
        columns: _Columns,
        findings: int,
        ascii: bool,
    ) -> None:
        self.plan, self.columns, self.seats, self.ascii = plan, columns, columns.seats, ascii
        self.exits = self._exits(profile)
        self.open = {pin for line in plan.lines if line.state == OPEN for pin in line.pins}
        passed = facts is None or facts.passed
        self.bridges = [bridge for bridge in plan.bridges if passed or bridge.state != LINKED]
        self.mixed = [set(extra.pins) for extra in facts.extra] if facts else []
        self.many, self.numbered = len(plan.faults) > _MANY, findings <= MOST_NUMBERED
        self.states = self._states(profile)
        self.flat = {pin for line in plan.through if self._is_flat(line) for pin in line.pins}
        self.text: dict[_Cell, tuple[str, str]] = {}
        self.dots: dict[_Cell, dict[tuple[str, object], int]] = {}
        self.leads: set[tuple[Pin, int]] = set()
        self.marked: set[str] = set()
        self.wishes: dict[int, list[tuple[_Cell, object]]] = defaultdict(list)

    def lines(self) -> Sketch:
        for seat in self.seats.values():
            self._frame(seat)
            self._pins(seat)
            self._caption(seat)
        levels = self._levels()
        for line in sorted(self.plan.lines, key=lambda line: _RANK[self._state(line)]):
            if not self._is_drawn(line):
                continue
            if line in levels:
                self._across(line, levels[line])
            elif line in self.plan.through:
                self._through(line)
            else:
                self._stray(line)
        for line in self.plan.through:
            if any(pins.issuperset(line.pins) for pins in self.mixed):
                self._conductor(line)
        for place, bridge in enumerate(self.bridges):
            self._bridge(bridge, place)
        for place, leak in enumerate(self.plan.leaks):
            self._leak(leak, place, levels)
        for line in self.plan.through:
            self._mark_on(line)
        for one, other in combinations(filter(self._is_flat, self.plan.through), 2):
            self._crossing(one, other)
        for pin, gap in sorted(self.leads):
            self._lead(pin, gap)
        for seat in self.seats.values():
            self._view(seat)
        for number, wishes in sorted(self.wishes.items()) if self.numbered else ():
            self._number(f"({number})", wishes)
        return (*self._rows(), *self._legend())

    # What is where

    def _exits(self, profile: Profile) -> dict[Pin, int]:
        """Leads in one line of characters lie in the order of the conductors they meet, most of them: at the
        end that the others lead to as what faces them, at the others by conductor or number."""
        exits: dict[Pin, int] = {}
        for seat in sorted(self.seats.values(), key=lambda seat: seat.gap is None):
            plug, name = seat.end.connector, seat.end.name
            want = {Pin(name, pin): float(rank) for rank, pin in enumerate(plug.conductors or plug.pins)}
            for net in profile.nets if seat.gap is None else ():
                if ys := [exits[pin] for pin in net.pins if pin in exits and pin.end != name]:
                    want |= {pin: sum(ys) / len(ys) for pin in net.pins if pin.end == name}
            rows: dict[int, list[Pin]] = defaultdict(list)
            for pin in sorted(seat.end.pins(), key=seat.cell):
                rows[seat.cell(pin)[0]].append(pin)
            pairs = [pair for row in rows.values() for pair in pairwise(row)]
            wishes = Counter(want.get(left, 0.0) <= want.get(right, 0.0) for left, right in pairs)
            for at, row in rows.items():
                heights = _LEVELS.get(len(row), (0, 1, 2, 3))
                for place, pin in enumerate(row if wishes[True] >= wishes[False] else reversed(row)):
                    exits[pin] = 4 * at + heights[min(place, 3)]
        return exits

    def _state(self, line: Line) -> str:
        """What is wrong with a line. What is wrongly connected are pins joined at one end, or of
        conductors that are whole; where one is not, it is in a wrong place."""
        if line.state == WRONG:
            at_one_end = len({pin.end for pin in line.pins}) == 1
            return JOINED if at_one_end or self.open.isdisjoint(line.pins) else EXCHANGED
        return GOOD if line.state == PALE else line.state

    def _states(self, profile: Profile) -> dict[Pin, str]:
        """The worst of each pin that is not good."""
        found = [(pin, UNUSED) for pin in profile.unused()]
        found += [(pin, self._state(line)) for line in self.plan.faults for pin in line.pins]
        for bridge in self.bridges:
            if bridge.state != LINKED:
                found += [(pin, bridge.state) for line in (bridge.one, bridge.other) for pin in line.pins]
        for leak in self.plan.leaks:
            found += [(pin, LEAKING) for pin in ((leak.at,) if isinstance(leak.at, Pin) else leak.at.pins)]
        states: dict[Pin, str] = {}
        for pin, state in found:
            states[pin] = _worse(state, states.get(pin, GOOD))
        for pins in self.mixed:  # lines lead to the nearest of them only
            worst = reduce(_worse, (states.get(pin, GOOD) for pin in pins))
            states |= {pin: worst for pin in pins if states.get(pin, GOOD) == GOOD}
        return states

    def _is_drawn(self, line: Line) -> bool:
        """Not where others are at fault and it is not; nor what is missing between pins in wrong places where
        there are many of them, or where it would lie under the lines that lead from both."""
        hidden = self.many or self.flat.issuperset(line.pins)
        moved = all(self.states.get(pin) == EXCHANGED for pin in line.pins)
        return line.state != PALE and not (hidden and line.state == OPEN and moved)

    def _is_flat(self, line: Line) -> bool:
        """Whether it leads to a wrong place that is so near in height that it would not be seen to."""
        one, other = (self.exits[pin] for pin in line.pins)
        return self._state(line) == EXCHANGED and abs(one - other) <= _FLAT

    def _gap(self, pins: Iterable[Pin]) -> int:
        """The gap that these pins face together."""
        faced = (self.seats[pin.end].gap for pin in pins if pin.end in self.seats)
        return next((gap for gap in faced if gap is not None), 0)

    def _edge(self, pin: Pin, gap: int) -> tuple[int, int]:
        """Where a pin's lead enters a gap, in dots from the left; and which way it goes on, 1 or -1."""
        left, right = self.columns.gaps[gap]
        return (2 * left, 1) if self.seats[pin.end].x < left else (2 * right - 1, -1)

    def _path(self, line: Line) -> list[_Dot]:
        """A line from connector to connector: from the left, straight out, slanted, straight in; a flat one
        is straight but for the middle, which it crosses at half a right angle."""
        gap = self._gap(line.pins)
        ends = []
        for pin in line.pins:
            (x, way), y = self._edge(pin, gap), self.exits[pin]
            ends.append([(x, y), (x + _STUB * way, y)])
        (start, (left, high)), (end, (right, low)) = sorted(ends)
        if self._is_flat(line):
            steps = abs(high - low)
            left = (left + right - steps) // 2
            right = left + steps
        return [start, (left, high), (right, low), end]

    def _at(self, line: Line, share: float) -> _Dot:
        """A point of its path between the straight ends, that share of the way from left to right."""
        (start, _), (x0, y0), (x1, y1), (end, _) = self._path(line)
        start, end = start + _STUB, end - _STUB
        x = start + (end - start) * share
        slanted = min(1.0, max(0.0, (x - x0) / (x1 - x0))) if x1 > x0 else 0.0
        return round(x), round(y0 + (y1 - y0) * slanted)

    def _levels(self) -> dict[Line, int]:
        """A level for each link on one side that is drawn, so that none lies over another; short ones nearest
        to the connector."""
        spans = []
        for line in self.plan.across:
            edges = {self._edge(pin, self._gap([pin])) for pin in line.pins}
            if self._is_drawn(line) and len(edges) == 1:
                ys = [self.exits[pin] for pin in line.pins]
                spans.append((max(ys) - min(ys), min(ys), max(ys), edges.pop(), line))
        levels: dict[Line, int] = {}
        taken: dict[tuple[_Dot, int], list[_Dot]] = defaultdict(list)
        for _, low, high, edge, line in sorted(spans, key=lambda span: span[:4]):
            level = 0
            while any(low < last + 4 and first < high + 4 for first, last in taken[edge, level]):
                level += 1
            taken[edge, level].append((low, high))
            levels[line] = level
        return levels

    # Dots and words

    def _stroke(self, path: Sequence[_Dot], state: str, owner: object) -> None:
        on, off = _DASHES.get(state, (1, 0))
        done = 0
        for (x0, y0), (x1, y1) in pairwise(path):
            steps = max(abs(x1 - x0), abs(y1 - y0), 1)
            for step in range(steps + 1):
                if (done + step) % (on + off) < on:
                    self._dot(
                        x0 + round((x1 - x0) * step / steps),
                        y0 + round((y1 - y0) * step / steps),
                        state,
                        owner,
                    )
            done += steps

    def _dot(self, x: int, y: int, state: str, owner: object) -> None:
        bits = self.dots.setdefault((y // 4, x // 2), {})
        bits[state, owner] = bits.get((state, owner), 0) | _BITS[y % 4][x % 2]

    def _write(self, row: int, column: int, text: str, state: str) -> None:
        for place, char in enumerate(text):
            self.text[row, column + place] = char, state

    def _is_free(self, row: int, columns: Iterable[int]) -> bool:
        """Whether nothing is written there, and it is between connectors."""
        return all(
            (row, at) not in self.text and any(left <= at < right for left, right in self.columns.gaps)
            for at in columns
        )

    def _mark(self, state: str) -> str:
        self.marked.add(state)
        return _MARKS[state][self.ascii]

    def _mark_at(self, dot: _Dot, state: str) -> None:
        self._write(dot[1] // 4, dot[0] // 2, self._mark(state), state)

    def _sign(self, sign: str) -> str:
        return _ASCII[sign] if self.ascii else sign

    def _short(self, text: str, room: int) -> str:
        """Text that anybody may have chosen, each character one wide, cut to the room."""
        plain = "".join(
            char if char.isascii() or (_is_narrow(char) and not self.ascii) else f"<{code_point(char)}>"
            for char in harmless(text)
        )
        return plain if len(plain) <= room else plain[: max(0, room - 1)].rstrip() + self._sign("…")

    # Lines

    def _through(self, line: Line) -> None:
        gap, state = self._gap(line.pins), self._state(line)
        self.leads |= {(pin, gap) for pin in line.pins}
        self._stroke(self._path(line), state, line)
        shares = (0.3, 0.35, 0.65, 0.7, 0.25, 0.75, 0.4, 0.6, 0.2, 0.8)
        on_it = [self._at(line, share) for share in shares]
        self._wish(line.number, line, [(x, y + step) for step in (0, -4, 4) for x, y in on_it])

    def _mark_on(self, line: Line) -> None:
        """Its mark in its middle, or where no other whole line covers it; none on what is open and covered
        all along, for it would seem to be that of the other."""
        state = self._state(line)
        if state not in (OPEN, UNSTEADY, RESISTIVE) or self.many or not self._is_drawn(line):
            return
        for x, y in (self._at(line, share) for share in (0.5, 0.4, 0.6, 0.25, 0.75, 0.15, 0.85)):
            lines = self.dots.get((y // 4, x // 2), {})
            if all(other == line or of in _DASHES for of, other in lines) and self._is_free(y // 4, [x // 2]):
                self._mark_at((x, y), state)
                return
        if state != OPEN:
            self._mark_at(self._at(line, 0.5), state)

    def _crossing(self, one: Line, other: Line) -> None:
        """A sign where two lines cross within so few dots that these do not show it."""
        (_, (left, a), (right, b), _), (_, (at, c), (_, d), _) = self._path(one), self._path(other)
        near = max(abs(a - b), abs(c - d)) < _FLAT // 2 and abs(left - at) < _FLAT
        if near and (a - c) * (b - d) < 0:
            self._write((a + b + c + d) // 16, (left + right) // 4, self._sign(_CROSSED), EXCHANGED)

    def _across(self, line: Line, level: int) -> None:
        state = self._state(line)
        x, ys = self._bracket(line, level)
        for pin in line.pins:
            self.leads.add((pin, self._gap([pin])))
            self._stroke(
                [(self._edge(pin, self._gap([pin]))[0], self.exits[pin]), (x, self.exits[pin])], state, line
            )
        self._stroke([(x, ys[0]), (x, ys[-1])], state, line)
        if state not in (GOOD, LINKED):
            self._mark_at((x, (ys[0] + ys[-1]) // 2), state)
        middle, (_, way) = (ys[0] + ys[-1]) // 2, self._edge(line.pins[0], self._gap(line.pins[:1]))
        self._wish(line.number, line, [(x + 6 * way, middle + step) for step in (0, 4, -4)])

    def _bracket(self, line: Line, level: int) -> tuple[int, list[int]]:
        """Where a link on one side runs upright, and at which heights its pins are."""
        x, way = self._edge(line.pins[0], self._gap(line.pins[:1]))
        left, right = self.columns.gaps[self._gap(line.pins[:1])]
        return x + way * min(4 + 4 * level, 2 * (right - left) - 4), sorted(
            self.exits[pin] for pin in line.pins
        )

    def _stray(self, line: Line) -> None:
        """A stub with the name of what it leads to: a position of the tester, or a pin beyond another end."""
        state = self._state(line)
        for pin, other in zip(line.pins, reversed(line.pins), strict=True) if len(line.pins) == 2 else ():
            if pin.end in self.seats:
                self._named(pin, str(other), state, line)

    def _named(self, pin: Pin, name: str, state: str, line: Line) -> None:
        gap = self._gap([pin])
        (x, way), y = self._edge(pin, gap), self.exits[pin]
        self.leads.add((pin, gap))
        starts = [x // 2 + 3 if way > 0 else x // 2 - 2 - len(name)]
        starts += [starts[0] + way * step for step in range(1, 40)]
        free = (at for at in starts if self._is_free(y // 4, range(at - 1, at + len(name) + 1)))
        start = next(free, None)
        if start is None:
            return
        end = 2 * start - 3 if way > 0 else 2 * (start + len(name)) + 2
        self._stroke([(x, y), (end, y)], state, line)
        self._write(y // 4, start - 1, f" {name} ", state)
        beyond = start + len(name) + 2 if way > 0 else start - 3
        self._wish(line.number, line, [(2 * beyond, y), (2 * beyond, y - 4), (2 * beyond, y + 4)])
        for through in self.plan.through:  # it may lie on the conductor
            if pin in through.pins:
                self._wish(line.number, through, [(2 * beyond, y)])

    def _bridge(self, bridge: Bridge, place: int) -> None:
        """Two lines, and a link between them; a mark upon each of them where they are not in one gap."""
        share = 0.36 + 0.07 * (place % 5)  # neighbours do not lie over each other
        lines = (bridge.one, bridge.other)
        if bridge.state != LINKED:
            for line in lines:
                self._conductor(line)
        ends = [self._at(line, share) for line in lines]
        for (x, y), line in zip(ends, lines, strict=True):
            self._mark_at((x, y), bridge.state)
            self._wish(bridge.number, bridge, _beside(x, y, (-4, 4)))
            self._wish(bridge.number, line, _beside(x, y, (0,)))
        if self._gap(bridge.one.pins) == self._gap(bridge.other.pins):
            self._stroke(ends, bridge.state, bridge)
            self._wish(bridge.number, bridge, _beside(ends[0][0], (ends[0][1] + ends[1][1]) // 2, (0,)))

    def _conductor(self, line: Line) -> None:
        """One that is as it should be, to be seen among those that are not."""
        self.leads |= {(pin, self._gap(line.pins)) for pin in line.pins}
        if line.state in (PALE, GOOD):
            self._stroke(self._path(line), PLAIN, line)

    def _leak(self, leak: Leak, place: int, levels: Mapping[Line, int]) -> None:
        if isinstance(leak.at, Pin) or (leak.at not in levels and leak.at not in self.plan.through):
            pin = leak.at if isinstance(leak.at, Pin) else leak.at.pins[0]
            if pin.end not in self.seats:
                return
            gap = self._gap([pin])
            (x, way), y = self._edge(pin, gap), self.exits[pin]
            self.leads.add((pin, gap))
            self._stroke([(x, y), (x + 8 * way, y)], LEAKING, leak)
            at = x + 8 * way, y
        elif leak.at in levels:
            x, ys = self._bracket(leak.at, levels[leak.at])
            at = x, (3 * ys[0] + ys[-1]) // 4
        else:
            self._conductor(leak.at)
            at = self._at(leak.at, 0.6 + 0.12 * (place % 3))
        self._mark_at(at, LEAKING)
        self._wish(leak.number, leak, _beside(*at, (-4, 4)))
        self._wish(leak.number, leak.at, _beside(*at, (0,)))

    def _wish(self, number: int, owner: object, dots: Iterable[_Dot]) -> None:
        """Where the number of a finding may be; what is worse is drawn later and goes before."""
        if number:
            self.wishes[number][:0] = [((y // 4, x // 2), owner) for x, y in dots]

    def _number(self, text: str, wishes: Iterable[tuple[_Cell, object]]) -> None:
        """Where it covers no other line, or else none that is whole."""
        places = list(wishes)
        for covers, ((row, middle), owner) in product((False, True), places):
            columns = range(middle - len(text) // 2, middle - len(text) // 2 + len(text))
            lines = {line for at in columns for line in self.dots.get((row, at), ())}
            others = {state for state, line in lines if line != owner}
            if self._is_free(row, columns) and (not others or (covers and others <= set(_DASHES))):
                self._write(row, columns[0], text, NUMBER)
                return

    # Connectors

    def _frame(self, seat: _Seat) -> None:
        (left, right), (top, bottom) = seat.edges, (seat.y, seat.bottom)
        outline = seat.end.connector.outline
        corners = "╭╮╰╯" if outline in ("round", "pill") else "┌┐└┘"
        for row, ends in ((top, corners[:2]), (bottom, corners[2:])):
            edge = ends[0] + "─" * seat.face.width + ends[1]
            self._write(row, left, "".join(map(self._sign, edge)), FRAME)
        for row in range(top + 1, bottom):
            for column in (left, right):
                self._write(row, column, self._sign("│"), FRAME)
        row, column = seat.cell(seat.first)
        if outline == "notched":
            self._write(
                top if row < (top + bottom) / 2 else bottom, (left + right) // 2, self._sign("◡"), FRAME
            )
        columns = {column for _, column in seat.face.cells.values()}
        at_left = column - left < right - column if len(columns) > 1 else seat.gap == 0
        wide, _ = seat.face.names[seat.first.name]
        at = column - 1 if at_left else column + wide + 1
        self._write(row, at, self._sign("▸" if at_left else "◂"), LABEL)

    def _pins(self, seat: _Seat) -> None:
        for pin in seat.end.pins():
            (wide, before), state = seat.face.names[pin.name], self.states.get(pin, GOOD)
            (row, column), mark = seat.cell(pin), self._mark(state)
            style = LABEL if pin == seat.first and state == GOOD else state
            text = pin.name + mark if before else mark + pin.name
            self._write(row, column + (wide - len(pin.name)) * before, text, style)

    def _lead(self, pin: Pin, gap: int) -> None:
        """From a pin to the frame, behind the pins in its way."""
        seat, state = self.seats[pin.end], self.states.get(pin, GOOD)
        (left, right), (row, column) = seat.edges, seat.cell(pin)
        _, way = self._edge(pin, gap)
        if state in (GOOD, UNUSED):
            return
        wide, before = seat.face.names[pin.name]
        start = column + (wide - len(pin.name)) * before
        for at in range(start, right) if way > 0 else range(left + 1, start):
            if (row, at) not in self.text:
                self._write(row, at, self._sign("─"), state)
        self._write(row, right if way > 0 else left, self._sign("├" if way > 0 else "┤"), FRAME)

    def _caption(self, seat: _Seat) -> None:
        """Above it, and at each side as far as half the gap."""
        left, right = seat.edges
        low, high = left, right + 1
        for start, end in self.columns.gaps:
            low = (start + end) // 2 + 1 if end <= left else low
            high = (start + end) // 2 if start > right and high == right + 1 else high
        if len(self.seats) == 1:
            high = self.columns.gaps[0][1]
        name = self._short(f"{seat.end.name}: {seat.end.connector.name}", high - low)
        label = self._short(f", {seat.end.label}", high - low - len(name)) if seat.end.label else ""
        label = label if len(label) > 4 else ""
        length = len(name) + len(label)
        at = {0: left, 1: right + 1 - length}.get(
            seat.gap if seat.gap is not None else 1 + len(self.columns.gaps) // 2
        )
        at = (left + right + 1 - length) // 2 if at is None else at
        at = max(low, min(at, high - length))
        self._write(seat.y - 1, at, name, LABEL)
        self._write(seat.y - 1, at + len(name), label, WORDS)

    def _view(self, seat: _Seat) -> None:
        """What is seen of it, beside its lower edge: as much as has room, rather where no line is."""
        left, right = seat.edges
        texts = (seat.face.view, seat.end.connector.side)
        for covers, text in product((False, True), texts):
            for at in (right + 2, left - 1 - len(text)):
                columns = range(at - 1, at + len(text) + 1)
                crossed = any((seat.bottom, column) in self.dots for column in columns)
                if self._is_free(seat.bottom, columns) and (covers or not crossed):
                    self._write(seat.bottom, at, text, WORDS)
                    return

    # The lines of text

    def _rows(self) -> Iterator[tuple[tuple[str, str], ...]]:
        cells = {cell: self._dotted(dots) for cell, dots in self.dots.items()} | self.text
        for row in range(self.columns.height):
            line = [cells.get((row, column), (" ", WORDS)) for column in range(self.columns.width)]
            while line and line[-1][0] == " ":
                line.pop()
            yield tuple(
                ("".join(char for char, _ in run), state)
                for state, run in groupby(line, key=lambda cell: cell[1])
            )

    def _dotted(self, dots: Mapping[tuple[str, object], int]) -> tuple[str, str]:
        """A character and its state. A broken line gives way to a whole one: their dots would be a blur."""
        whole = any(state not in _DASHES for state, _ in dots)
        shown = {line: bits for line, bits in dots.items() if not (whole and line[0] in _DASHES)}
        bits = reduce(or_, shown.values())
        top = max((state for state, _ in shown), key=_RANK.__getitem__)
        return _ASCII_DOTS[bits] if self.ascii else chr(0x2800 + bits), top

    def _legend(self) -> Iterator[tuple[tuple[str, str], ...]]:
        """The marks in the picture, worst first, in lines that are no wider than it."""
        line: list[tuple[str, str]] = []
        used = 0
        for state in reversed(list(_MARKS)):
            mark, words = _MARKS[state][self.ascii], _MARKS[state][2]
            if state not in self.marked or not words:
                continue
            if line and used + 2 + len(f"{mark} {words}") > self.columns.width:
                yield tuple(line)
                line, used = [], 0
            line += [("  ", WORDS)] if line else []
            line += [(mark, state), (f" {words}", WORDS)]
            used = sum(len(text) for text, _ in line)
        if line:
            yield tuple(line)


def _beside(x: int, y: int, steps: Iterable[int]) -> list[_Dot]:
    """Right and left of a mark, and so far below it."""
    return [(x + side, y + step) for step in steps for side in (6, -6)]


def _worse(one: str, other: str) -> str:
    return max(one, other, key=_RANK.__getitem__)


def _is_narrow(char: str) -> bool:
    """Whether a terminal surely draws it one wide and where it stands in the text."""
    return (
        unicodedata.east_asian_width(char) not in ("W", "F")
        and unicodedata.bidirectional(char) not in ("R", "AL")
        and not unicodedata.combining(char)
    )


def _in_ascii(bits: int) -> str:
    """What a braille pattern looks like from afar."""
    heights = [[y for y in range(4) if bits & _BITS[y][x]] for x in (0, 1)]
    rows = sorted({y for column in heights for y in column})
    if not rows:
        return " "
    left, right = (sum(ys) / len(ys) if ys else None for ys in heights)
    if len(rows) > 2 and (left is None or right is None or set(heights[0]) == set(heights[1]) == set(rows)):
        return "|"
    if left is not None and right is not None and abs(left - right) >= 1:
        return "\\" if left < right else "/"
    if len(rows) > 1 and rows[-1] - rows[0] > 1:
        return "="
    return "'--_"[round(sum(rows) / len(rows))]


_ASCII_DOTS = tuple(map(_in_ascii, range(256)))
