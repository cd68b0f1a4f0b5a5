"""Where cables of one kind fail, in characters: a connector as it is held, with a number at each pin.

Two upright rows have their numbers outside, with a bar; what lies across has them below the names of its
pins, as `×3`, and is turned upright where it is too wide. A dot stands for a pin without a fault.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pinwright.cable.connectors import SHELL, Connector
from pinwright.sheets.cells import Cell, joined, level, levels
from pinwright.sheets.plan import GOOD, OPEN
from pinwright.sheets.report import ReportEnd
from pinwright.sheets.sketch import FRAME, LABEL, WORDS, Sketch

BAR = 12  # characters of the longest
_PLAIN = str.maketrans("┌┐└┘─│◡▸·█×", "++++-|u>.#x")  # in ASCII
_Place = tuple[float, float]


def fault_sketch(end: ReportEnd, most: int, width: int, ascii: bool = False) -> Sketch:
    """Lines of texts with a style each, no wider than `width`; none where there is no room. most: cables at
    the worst pin of all ends, which has the longest bar."""
    places = {pin: place for pin, place in end.plug.positions.items() if pin != SHELL}
    lines = _lines(end, places, max(1, most), width)
    if not lines and len(levels(y for _, y in places.values())) <= 2:
        at_right = max(x for x, _ in places.values()) > 0  # the others are right of pin 1, which shall be up
        turned = {pin: (-y, x) if at_right else (y, -x) for pin, (x, y) in places.items()}
        lines = _lines(end, turned, max(1, most), width)
        side = "right" if at_right else "left"
        lines += [[(f"turned a quarter: what is up is drawn at the {side}", FRAME)]] if lines else []
    if not ascii:
        return tuple(map(tuple, lines))
    return tuple(tuple((text.translate(_PLAIN), style) for text, style in line) for line in lines)


def _lines(end: ReportEnd, places: Mapping[str, _Place], most: int, width: int) -> list[list[Cell]]:
    plug = end.plug
    columns, rows = (levels(place[axis] for place in places.values()) for axis in (0, 1))
    grid: dict[int, dict[int, str]] = {}
    for pin, (x, y) in places.items():
        grid.setdefault(level(y, rows), {})[level(x, columns)] = pin
    upright = len(columns) <= 2
    inner, body = _upright(grid, len(columns), end, most) if upright else _across(grid, len(columns), end)
    left = BAR + 5 if upright and len(columns) == 2 else 0
    beside = BAR + 5 if upright else 0
    if left + inner + 2 + beside > width:
        return []
    notch = "◡" if plug.outline == "notched" else "─"
    before = (inner - 1) // 2
    indent = " " * left
    made: list[list[Cell]] = [[(f"{indent}┌{'─' * before}{notch}{'─' * (inner - 1 - before)}┐", FRAME)]]
    for at_left, cells, at_right in body:
        line = [*_right_aligned(at_left, left), ("│", FRAME), *cells, ("│", FRAME), *at_right]
        made.append([cell for cell in line if cell[0]])
    made.append([(f"{indent}└{'─' * inner}┘", FRAME)])
    if SHELL in plug.pins:
        count = end.counts.get(SHELL, 0)
        made.append([(f"{indent}{SHELL} ", WORDS), _times(count)])
    return made


_Body = list[tuple[list[Cell], list[Cell], list[Cell]]]  # left of the frame, in it, right of it


def _upright(grid: dict[int, dict[int, str]], columns: int, end: ReportEnd, most: int) -> tuple[int, _Body]:
    """One or two rows of pins that stand upright: their numbers are outside."""
    wide = max(len(pin) for row in grid.values() for pin in row.values())
    inner = columns * (wide + 2) + 1
    body: _Body = []
    for row in sorted(grid):
        cells: list[Cell] = [(" ", WORDS)]
        sides: list[list[Cell]] = [[], []]
        for column in range(columns):
            pin = grid[row].get(column)
            if pin is None:
                cells.append((" " * (wide + 2), WORDS))
                continue
            cells += _named(end.plug, pin, wide)
            count = end.counts.get(pin, 0)
            bar = "█" * round(BAR * count / most) if count else ""
            outside = [_number(count), (f" {bar}" if bar else "", OPEN)]
            if column == 0 and columns == 2:
                sides[0] = [(f"{bar} " if bar else "", OPEN), (f"{outside[0][0]} ", outside[0][1])]
            else:
                sides[1] = [(" ", WORDS), *outside]
        body.append((sides[0], cells, sides[1]))
    return inner, body


def _across(grid: dict[int, dict[int, str]], columns: int, end: ReportEnd) -> tuple[int, _Body]:
    """Rows that lie across, or a circle: numbers below the names of the pins."""
    counts = {pin: _times(end.counts.get(pin, 0)) for row in grid.values() for pin in row.values()}
    texts = [text for pin, (count, _) in counts.items() for text in (pin, count)]
    wide = max(map(len, texts))
    staggered = not any(column + 1 in row for row in grid.values() for column in row)
    step = max(2, (wide + 2) // 2) if staggered else wide + 1
    inner = step * (columns - 1) + wide + 3
    body: _Body = []
    for row in sorted(grid):
        names: list[Cell] = [(" ", WORDS)] * inner
        numbers = list(names)
        for column, pin in grid[row].items():
            start = 1 + step * column
            named = [(char, style) for text, style in _named(end.plug, pin, wide)[:-1] for char in text]
            names[start : start + len(named)] = named
            text, style = counts[pin]
            numbers[start + 1 : start + 1 + wide] = [(char, style) for char in text.rjust(wide)]
        body += [([], joined(names), []), ([], joined(numbers), [])]
    return inner, body


def _named(plug: Connector, pin: str, wide: int) -> list[Cell]:
    """The name, right-aligned, with the triangle of pin 1 before it and a blank after it."""
    first = pin == plug.pins[0]
    text = pin.rjust(wide)
    return [("▸" if first else " ", LABEL), (text, LABEL if first else WORDS), (" ", WORDS)]


def _number(count: int) -> Cell:
    return (str(count), OPEN) if count else ("·", GOOD)


def _times(count: int) -> Cell:
    text, style = _number(count)
    return (f"×{text}" if count else text, style)


def _right_aligned(cells: Sequence[Cell], width: int) -> list[Cell]:
    used = sum(len(text) for text, _ in cells)
    return [(" " * (width - used), WORDS), *cells]
