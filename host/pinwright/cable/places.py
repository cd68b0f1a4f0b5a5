"""Where a pin is, in words, as whoever builds the cable sees the connector that is in his hand."""

from __future__ import annotations

from math import dist

from pinwright.cable.connectors import FAMILIES, SHELL, Connector, Family
from pinwright.cable.geometry import row_name

_TIP_TO_SLEEVE = {"T": "tip", "R": "ring", "S": "sleeve"}
_ONES = (
    *("", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth"),
    *("eleventh", "twelfth", "thirteenth", "fourteenth", "fifteenth", "sixteenth", "seventeenth"),
    *("eighteenth", "nineteenth"),
)
_TENS = {2: "twent", 3: "thirt", 4: "fort", 5: "fift", 6: "sixt", 7: "sevent", 8: "eight", 9: "ninet"}
_SOLDERED_FROM = "solder side"  # what the far side of a connector is called that is soldered there
_NEAR_ENOUGH = 0.1  # of a circle's radius
_NEAR = 0.01  # mm; what is nearer is level


def held_from_behind(plug: Connector, *, pressed: bool) -> bool:
    """Whether whoever builds a cable holds this plug with its far side up: one that is soldered there, not
    pressed on a ribbon. A DIP plug is not: its forks for the conductors are on its top. The one place that
    decides it. plug: as its connector is drawn."""
    return plug.behind.partition(", ")[0] == _SOLDERED_FROM and not pressed


def family_of(plug: Connector) -> Family:
    """The entry of the table that a connector comes from."""
    return next(family for family in FAMILIES if plug.name in family.names())


def place_of(plug: Connector, pin: str) -> str:
    """`left row, fifth from the top`, `long row, third from the left`, `upper left`, `tip`, `shell`.

    plug: as it is seen (`from_behind` where it is). Rows keep the names that findings give them, but for left
    and right, which are told as they are seen.
    """
    if pin == SHELL:
        return "shell"
    if plug.outline == "pill":
        return _TIP_TO_SLEEVE[pin]
    if plug.outline == "round" and _as_far_from_all(plug, pin):
        return "middle"
    if plug.outline == "round":
        return direction_of(plug, pin, thirds=True) or "middle"
    number = next(number for number, row in enumerate(plug.rows) if pin in row)
    row = plug.rows[number]
    name = _row_as_seen(plug, number)
    if len(row) == 1:
        return name or "the only one"
    (x, y), (x1, y1) = plug.positions[row[0]], plug.positions[row[-1]]
    across = abs(x1 - x) > abs(y1 - y)
    starts = x1 > x if across else y1 > y
    place = row.index(pin) if starts else len(row) - 1 - row.index(pin)
    count = f"{ordinal(place + 1)} from the {'left' if across else 'top'}"
    return f"{name}, {count}" if name else count


def _as_far_from_all(plug: Connector, pin: str) -> bool:
    """Whether the others lie on a circle around it, which need not be a whole one."""
    far = [
        dist(plug.positions[pin], place) for name, place in plug.positions.items() if name not in (pin, SHELL)
    ]
    return len(far) > 2 and max(far) - min(far) < _NEAR_ENOUGH * max(far)


def direction_of(plug: Connector, pin: str, *, thirds: bool = False) -> str:
    """`upper left`, `bottom`, as seen; empty in the middle. thirds: in the middle is the middle third."""
    xs, ys = zip(*(place for name, place in plug.positions.items() if name != SHELL), strict=True)
    (x, y), part = plug.positions[pin], 1 / 3 if thirds else 0.05
    across = _side(x, min(xs), max(xs), part, "left", "right")
    along = _side(y, min(ys), max(ys), part, *(("upper", "lower") if across else ("top", "bottom")))
    return " ".join(filter(None, (along, across)))


def corner_of(plug: Connector, pin: str) -> str:
    """`upper right corner`, or `upper right` where it is not quite in it; empty where neither helps."""
    where = direction_of(plug, pin) if pin != SHELL and plug.outline not in ("round", "pill") else ""
    if " " not in where:
        return where
    xs, ys = zip(*(place for name, place in plug.positions.items() if name != SHELL), strict=True)
    x, y = plug.positions[pin]
    outermost = min(x - min(xs), max(xs) - x) < _NEAR and min(y - min(ys), max(ys) - y) < _NEAR
    return f"{where} corner" if outermost else where


def ordinal(number: int) -> str:
    """`fifth`, `twenty-first`; from 1 to 99."""
    tens, ones = divmod(number, 10)
    if tens < 2:
        return _ONES[number]
    if not ones:
        return f"{_TENS[tens]}ieth"
    return f"{_TENS[tens]}y-{_ONES[ones]}"


def _row_as_seen(plug: Connector, number: int) -> str:
    """The name of a row; empty where there is one only."""
    name = row_name(plug, number)
    if len(plug.rows) == 1:
        return ""
    if name in ("left row", "right row"):
        x, others = (plug.positions[plug.rows[place][0]][0] for place in (number, 1 - number))
        return "left row" if x < others else "right row"
    return name


def _side(at: float, low: float, high: float, part: float, lower: str, upper: str) -> str:
    """Which end of a span something is at; nothing in its middle, or where there is no span. part: of the
    span that counts as its end, on each side; below a tenth: half of it, but for the very middle."""
    span = high - low
    if span < _NEAR:
        return ""
    share = (at - low) / span
    if part < 0.1:
        return "" if abs(share - 0.5) < part else lower if share < 0.5 else upper
    return lower if share < part + _NEAR else upper if share > 1 - part - _NEAR else ""
