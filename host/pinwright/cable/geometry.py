"""How a connector gets turned, mirrored and shifted, and which of its pins are neighbours.

Everything follows from the rows and places of `connectors`; no family is named here. Which mistakes people
make with which kind of plug is common practice of the trade, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import chain, pairwise, zip_longest
from math import dist
from typing import Literal

from pinwright.cable.connectors import SHELL, Connector

GRID_MM = 2.54  # plugs of this pitch can be pushed on a header one place off
_NEAR = 1.5  # pins of two rows that lie closer than so many pitches can be bridged

WayKind = Literal["turned", "rows", "mirrored"]


@dataclass(frozen=True, slots=True)
class Way:
    """A way to get a whole plug wrong. goes: where a conductor belongs → the pin it is on instead.

    kind: `turned` by half a turn, its `rows` exchanged, or `mirrored`, each row counted from its other end.
    """

    kind: WayKind
    goes: Mapping[str, str] = field(hash=False)


@dataclass(frozen=True, slots=True)
class Shift:
    """A plug one place off on what it is plugged into. goes: pin → the position that it meets, by row and
    place; a position that the connector itself has not, too. text: which way, as "one column off, towards
    pin 1"."""

    text: str
    goes: Mapping[str, tuple[int, int]] = field(hash=False)


@dataclass(frozen=True, slots=True)
class Order:
    """Pins in the order in which conductors follow each other: along the `ribbon`, along one of the rows, or
    by their numbers. text: "along the ribbon", "in the odd row", "by number"."""

    text: str
    pins: tuple[str, ...]


@cache
def ways(plug: Connector) -> tuple[Way, ...]:
    """The ways this plug can be wrong as a whole, each once; those that change nothing are none."""
    rows = plug.rows
    even = all(len(one) == len(other) for one, other in zip(rows, reversed(rows), strict=True))
    made: dict[tuple[tuple[str, str], ...], Way] = {}
    kinds: list[tuple[WayKind, bool, bool]] = [
        ("turned", True, True),
        ("rows", True, False),
        ("mirrored", False, True),
    ]
    if len(rows) == 1:
        kinds = [("mirrored" if plug.outline == "round" else "turned", False, True)]
    for kind, exchange, reverse in kinds:
        if exchange and not even:
            continue
        met = [row[::-1] if reverse else row for row in (rows[::-1] if exchange else rows)]
        pairs = zip(chain.from_iterable(rows), chain.from_iterable(met), strict=True)
        goes = {pin: other for pin, other in pairs if pin != other}
        if goes:
            made.setdefault(tuple(sorted(goes.items())), Way(kind, goes))
    return tuple(made.values())


@cache
def shifts(plug: Connector) -> tuple[Shift, ...]:
    """The ways to push this plug on one column or one row off: only those on a 2.54 mm grid without a shell.

    A row further only where the rows are as near to each other as the pins in them.
    """
    if plug.outline not in ("box", "notched") or abs(_pitch(plug) - GRID_MM) > 0.01:
        return ()
    at = {pin: (row, place) for row, pins in enumerate(plug.rows) for place, pin in enumerate(pins)}
    first, last = plug.rows[0][0], plug.rows[0][-1]
    made = []
    if len(plug.rows[0]) > 1:
        for step, end in ((1, last), (-1, first)):
            goes = {pin: (row, place + step) for pin, (row, place) in at.items()}
            made.append(Shift(f"one column off, towards pin {end}", goes))
    if len(plug.rows) == 2 and abs(_row_step(plug) - GRID_MM) < 0.01:
        for step in (1, -1):
            goes = {pin: (row + step, place) for pin, (row, place) in at.items()}
            made.append(Shift(f"one row off, towards the {row_name(plug, 1 if step > 0 else 0)}", goes))
    return tuple(made)


@cache
def orders(plug: Connector) -> tuple[Order, ...]:
    """Every order in which conductors may be laid on this plug."""
    numbered = tuple(pin for pin in plug.pins if pin != SHELL)
    made = [Order("along the ribbon", plug.conductors)] if plug.conductors else []
    if plug.outline == "notched":  # conductors alternate between the rows, begun in either
        for rows in (plug.rows, plug.rows[::-1]):
            made.append(Order("along the ribbon", tuple(chain.from_iterable(zip(*rows, strict=True)))))
    made += [Order(f"in the {row_name(plug, number)}", row) for number, row in enumerate(plug.rows)]
    made.append(Order("by number", numbered))
    return tuple({order.pins: order for order in reversed(made) if len(order.pins) > 1}.values())[::-1]


@cache
def columns(plug: Connector) -> Order:
    """All pins from one end of the plug to the other, its rows together."""
    along = tuple(pin for place in zip_longest(*plug.rows) for pin in place if pin is not None)
    return Order("across its rows", along)


@cache
def neighbours(plug: Connector) -> Mapping[frozenset[str], str]:
    """Pairs of pins that a whisker or a drop of solder can join → how they lie: "neighbours in the odd row",
    "opposite each other", "neighbours on the ribbon", "diagonally opposite each other".

    Of staggered rows both pins that are nearest to one are opposite it.
    """
    made: dict[frozenset[str], str] = {}
    for one, other in pairwise(plug.conductors):
        made[frozenset((one, other))] = "neighbours on the ribbon"
    at, near = plug.positions, _NEAR * _pitch(plug)
    for upper, lower in pairwise(plug.rows):
        apart = {(one, other): dist(at[one], at[other]) for one in upper for other in lower}
        nearest = {pin: min(far for pair, far in apart.items() if pin in pair) for pin in (*upper, *lower)}
        for pair, far in apart.items():
            if far < near and far < min(nearest[pin] for pin in pair) + 0.01:
                made[frozenset(pair)] = "opposite each other"
            elif far < near:
                made.setdefault(frozenset(pair), "diagonally opposite each other")
    for number, row in enumerate(plug.rows):
        for one, other in pairwise(row):
            made[frozenset((one, other))] = f"neighbours in the {row_name(plug, number)}"
    return made


def row_name(plug: Connector, number: int) -> str:
    """What the trade calls a row: "odd row", "left row", "long row", "row of pins 1 to 5"."""
    rows = plug.rows
    if len(rows) == 1:
        return "row"
    if len(rows) == 2 and all(pin.isdecimal() for row in rows for pin in row):
        parity = [{int(pin) % 2 for pin in row} for row in rows]
        if all(len(one) == 1 for one in parity) and len(rows[0]) > 1:
            return "odd row" if parity[number] == {1} else "even row"
        if plug.outline == "notched":
            return f"{'left' if number == 0 else 'right'} row"
        if len(rows[0]) != len(rows[1]):
            return "long row" if len(rows[number]) == max(map(len, rows)) else "short row"
    row = rows[number]
    lowest, highest = sorted((row[0], row[-1]), key=lambda pin: int(pin) if pin.isdecimal() else 0)
    return f"row of pins {lowest} to {highest}" if len(row) > 1 else f"row of pin {lowest}"


def row_of(plug: Connector, pin: str) -> str:
    """The name of the row that a pin is in; empty for a shell."""
    return next((row_name(plug, number) for number, row in enumerate(plug.rows) if pin in row), "")


def _pitch(plug: Connector) -> float:
    """The distance of the two nearest pins of one row, mm; of a plug with one pin the grid's."""
    steps = [
        dist(plug.positions[one], plug.positions[other]) for row in plug.rows for one, other in pairwise(row)
    ]
    return min(steps, default=GRID_MM)


def _row_step(plug: Connector) -> float:
    one, other = (row[0] for row in plug.rows)
    return dist(plug.positions[one], plug.positions[other])


def follow(pins: Sequence[str], order: Order) -> bool:
    """Whether these pins stand side by side in that order."""
    at = sorted(order.pins.index(pin) for pin in pins if pin in order.pins)
    return len(at) == len(pins) and at == list(range(at[0], at[0] + len(at)))
