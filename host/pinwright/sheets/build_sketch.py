"""One connector of a build sheet in characters, upright as it is held, for a terminal.

Two upright rows have their conductors and signals beside them; what lies across has its pins only, in their
places. Pin 1 has a triangle beside it, and a `○` stands for a pin that stays free.
"""

from __future__ import annotations

from collections.abc import Mapping
from textwrap import wrap

from pinwright.cable.connectors import SHELL, Connector
from pinwright.cable.profile import End
from pinwright.sheets.build import BuildSheet, seen_from
from pinwright.sheets.cells import Cell, joined, level, levels
from pinwright.sheets.plan import GOOD
from pinwright.sheets.sketch import FRAME, LABEL, UNUSED, WORDS, Sketch

_READABLE = 80  # characters of a line of words
_PLAIN = str.maketrans("┌┐└┘─│◡▸◂○", "++++-|u><o")  # in ASCII


def end_sketch(end: End, sheet: BuildSheet, width: int, ascii: bool = False) -> Sketch:
    """Lines of texts with a style each, no wider than `width`, the last ones saying how to read it; none
    where there is no room for the pins."""
    number = [one.name for one in sheet.ends].index(end.name)
    plug = seen_from(end.connector, "behind" if sheet.ends[number].behind else "front")
    lines = _lines(plug, sheet.labels(number), set(sheet.ends[number].unused), width)
    if lines:
        legend = _legend(plug, sheet, bool(sheet.ends[number].unused))
        lines += [[(line, FRAME)] for line in wrap(legend, min(width, _READABLE))]
    if not ascii:
        return tuple(map(tuple, lines))
    return tuple(
        tuple((text.translate(_PLAIN).encode("ascii", "replace").decode(), style) for text, style in line)
        for line in lines
    )


def _legend(plug: Connector, sheet: BuildSheet, free: bool) -> str:
    what = "conductor" if any(strand.what == "conductor" for strand in sheet.strands) else "wire"
    marks = "▸ pin 1" + (", ○ stays free" if free else "")
    if _is_upright(plug):
        return f"inside: the pin; outside: its {what} and signal; {marks}"
    return f"the pins alone: {what}s and signals are in the list; {marks}"


def _is_upright(plug: Connector) -> bool:
    """Whether its pins lie in one or two columns, and their labels have room beside them."""
    return len(levels(x for pin, (x, _) in plug.positions.items() if pin != SHELL)) <= 2


def _lines(plug: Connector, labels: Mapping[str, str], unused: set[str], width: int) -> list[list[Cell]]:
    places = {pin: place for pin, place in plug.positions.items() if pin != SHELL}
    xs, ys = (levels(place[axis] for place in places.values()) for axis in (0, 1))
    at = {(level(y, ys), level(x, xs)): pin for pin, (x, y) in places.items()}
    upright = _is_upright(plug)
    wide = max(map(len, places)) + (1 if upright else 0)
    step = wide + 1 if upright or not _staggered(at) else max(2, (wide + 2) // 2)
    inner = step * (len(xs) - 1) + wide + 3
    beside = (width - inner - 4) // 2 if upright else 0
    if beside < 0 or inner + 2 > width:
        return []
    left = min(beside, max(map(len, labels.values()), default=0) + 1) if upright else 0
    notch = "◡" if plug.outline == "notched" else "─"
    top = "┌" + "─" * ((inner - 1) // 2) + notch + "─" * (inner - 1 - (inner - 1) // 2) + "┐"
    made: list[list[Cell]] = [[(" " * left + top, FRAME)]]
    for row in range(len(ys)):
        cells: list[Cell] = [(" ", WORDS)] * inner
        for column in range(len(xs)):
            pin = at.get((row, column))
            if pin is None:
                continue
            first, free = pin == plug.pins[0], pin in unused
            style = UNUSED if free else LABEL if first else GOOD
            mark = "▸" if first else "○" if free else " "
            start = column * step + wide - len(pin)
            cells[start : start + 1 + len(pin)] = [(char, style) for char in mark + pin]
        sides = ["", ""]
        for column, side in ((0, 0), (len(xs) - 1, 1)) if upright else ():
            if (pin := at.get((row, column))) and (len(xs) > 1 or side):
                sides[side] = labels.get(pin, "")
        made.append(
            [
                (_cut(sides[0], left - 1).rjust(left - 1) + " " if left else "", WORDS),
                ("│", FRAME),
                *joined(cells),
                ("│", FRAME),
                (f" {_cut(sides[1], beside)}".rstrip(), WORDS),
            ]
        )
    made.append([(" " * left + "└" + "─" * inner + "┘", FRAME)])
    if SHELL in plug.pins:
        mark = "○" if SHELL in unused else ""
        made.append([(" " * left + f"{mark}{SHELL} {labels.get(SHELL, '')}".rstrip(), WORDS)])
    return made


def _staggered(at: Mapping[tuple[int, int], str]) -> bool:
    """Whether no two pins of a row lie in neighbouring columns, as in rows that are half a pitch apart."""
    return not any((row, column + 1) in at for row, column in at)


def _cut(text: str, room: int) -> str:
    return text if len(text) <= room else text[: max(0, room - 1)] + "…"
