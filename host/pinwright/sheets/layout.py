"""Where everything of a wiring picture lies, in millimetres of the picture.

The end that most others lead to lies at the bottom, the others side by side at the top, each drawn to
scale from its own geometry with its long side across. From every pin a lead goes to the connector's edge
that faces the other ends, past the pins in between; from edge to edge run the conductors.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from math import dist, hypot

from pinwright.cable.connectors import SHELL, Connector
from pinwright.cable.pins import Pin
from pinwright.cable.profile import End, Profile

Place = tuple[float, float]

MOST_PITCH = 6.5  # mm between the nearest pins of a connector with few of them
TALLEST = 24.0  # mm that the pins of one connector may take up and down
MARGIN = 0.85  # from the outermost pins to the outline, in pitches
CAPTION = 56.0  # what the words about an end need
BESIDE = 7.0  # between two connectors side by side
_ASIDE = (0.0, 0.5, -0.5, 0.25, -0.25, 0.75, -0.75)  # where a lead may run beside its pin, in pitches


@dataclass(frozen=True, slots=True)
class Seat:
    """One end in its place.

    plug: the connector as it is seen here. places: pin → its middle. exits: pin → where its lead leaves the
    outline. box: left, top, right, bottom of the outline. ring: centre and radius of a round one. room:
    how wide it and the words about it may be.
    """

    end: End
    plug: Connector
    top: bool
    pitch: float
    places: Mapping[Pin, Place]
    exits: Mapping[Pin, Place]
    box: tuple[float, float, float, float]
    ring: tuple[float, float, float] | None
    room: float

    @property
    def middle(self) -> float:
        return (self.box[0] + self.box[2]) / 2

    @property
    def first(self) -> Pin:
        """Pin 1, or what comes first."""
        return Pin(self.end.name, self.plug.pins[0])

    def long_row_up(self) -> bool:
        """Whether the first row lies above the others."""
        rows = [self.places[Pin(self.end.name, row[0])][1] for row in self.plug.rows]
        return len(rows) == 1 or rows[0] < rows[-1]

    def pin_1(self) -> str:
        """Where the first pin lies as drawn: "pin 1 at the upper left"."""
        first = self.places[self.first]
        xs, ys = zip(*self.places.values(), strict=True)
        across = _half(first[0], min(xs), max(xs), "left", "right")
        along = _half(first[1], min(ys), max(ys), *(("upper", "lower") if across else ("top", "bottom")))
        where = " ".join(filter(None, (along, across)))
        return f"pin {self.first.name} at the {where or 'middle'}"


@dataclass(frozen=True, slots=True)
class Layout:
    """Seats by end. above, below: the edges of the free strip between the upper and the lower connectors."""

    seats: Mapping[str, Seat]
    width: float
    above: float
    below: float

    @property
    def used(self) -> float:
        """How much of the width the ends and their words take up."""
        sides = [seat.middle + half * seat.room for seat in self.seats.values() for half in (-0.5, 0.5)]
        return max(sides) - min(sides)

    def is_top(self, pin: Pin) -> bool | None:
        """Whether its connector is at the top; None for a position of the tester that no end occupies."""
        seat = self.seats.get(pin.end)
        return seat.top if seat else None

    def exit(self, pin: Pin) -> Place:
        """Where the pin's lead leaves its connector."""
        return self.seats[pin.end].exits[pin]


def upright(plug: Connector) -> Mapping[str, Place]:
    """The places of the pins, mm, turned a quarter anticlockwise where the contacts are taller than wide."""
    xs, ys = zip(*(place for pin, place in plug.positions.items() if pin != SHELL), strict=True)
    if max(ys) - min(ys) <= max(xs) - min(xs):
        return plug.positions
    return {pin: (y, 0.0 - x) for pin, (x, y) in plug.positions.items()}


def lay_out(profile: Profile, behind: Collection[str], width: float, strip: float, top: float) -> Layout:
    """Place the ends. behind: ends to show from their other side. strip: between the rows of connectors.
    top: what the words above the upper connectors need."""
    plugs = {
        end.name: end.connector.from_behind() if end.name in behind else end.connector for end in profile.ends
    }
    upper, lower = _rows(profile)
    pitch = min(_fitting(plugs, upper, width), _fitting(plugs, lower, width))
    above = top + max(_height(plugs[end.name], pitch) for end in upper)
    seats = _seated(upper, plugs, pitch, width, above, top=True, partners={})
    exits = {pin: x for seat in seats.values() for pin, (x, _) in seat.exits.items()}
    facing = {
        pin: sum(xs) / len(xs)
        for net in profile.nets
        if (xs := [exits[pin] for pin in net.pins if pin in exits])
        for pin in net.pins
    }
    below = above + strip
    seats |= _seated(lower, plugs, pitch, width, below, top=False, partners=facing)
    return Layout({end.name: seats[end.name] for end in profile.ends}, width, above, below)


def _rows(profile: Profile) -> tuple[Sequence[End], Sequence[End]]:
    """The ends at the top and the one at the bottom: the one that most nets lead to from others."""
    if len(profile.ends) == 1:
        return profile.ends, ()
    ends = [{pin.end for pin in net.pins} for net in profile.nets]
    leading = Counter(end for several in ends if len(several) > 1 for end in several)
    *_, last = sorted(profile.ends, key=lambda end: leading[end.name])
    return [end for end in profile.ends if end is not last], [last]


@cache
def _nearest(plug: Connector) -> float:
    """The distance of the two pins that lie nearest to each other, mm."""
    places = list(plug.positions.values())
    return min((dist(one, other) for one, other in combinations(places, 2)), default=2.54)


def _gap(ends: Sequence[End], width: float) -> float:
    """Between two ends side by side: less where there are so many that nothing would be left for them."""
    return min(BESIDE, 0.4 * width / max(1, len(ends)))


def _fitting(plugs: Mapping[str, Connector], ends: Sequence[End], width: float) -> float:
    """The largest pitch at which these ends stand side by side in the width and are not too tall."""
    pitch = MOST_PITCH
    for end in ends:
        _, ys = zip(*upright(plugs[end.name]).values(), strict=True)
        if tall := (max(ys) - min(ys)) / _nearest(plugs[end.name]):
            pitch = min(pitch, TALLEST / tall)
    rooms = _rooms(plugs, ends, pitch, width)
    while sum(rooms) > width - _gap(ends, width) * len(ends):
        pitch *= 0.99
        rooms = _rooms(plugs, ends, pitch, width)
    return pitch


def _rooms(plugs: Mapping[str, Connector], ends: Sequence[End], pitch: float, width: float) -> list[float]:
    """How wide each end is, its words included; those are given no more than an equal share of the width."""
    words = min(CAPTION, width / max(1, len(ends)) - _gap(ends, width) - 1)
    rooms = []
    for end in ends:
        plug = plugs[end.name]
        xs, _ = zip(*upright(plug).values(), strict=True)
        rooms.append(max(((max(xs) - min(xs)) / _nearest(plug) + 2 * MARGIN) * pitch, words))
    return rooms


def _height(plug: Connector, pitch: float) -> float:
    _, top, _, bottom, _ = _outline(plug, _scaled(plug, pitch), pitch)
    return bottom - top


def _scaled(plug: Connector, pitch: float) -> dict[str, Place]:
    """The places of the pins, the two that are nearest to each other a pitch apart."""
    scale = pitch / _nearest(plug)
    return {pin: (x * scale, y * scale) for pin, (x, y) in upright(plug).items()}


def _outline(
    plug: Connector, places: Mapping[str, Place], pitch: float
) -> tuple[float, float, float, float, float]:
    """Left, top, right, bottom, and the radius of a ring or nothing."""
    xs, ys = zip(*places.values(), strict=True)
    margin = MARGIN * pitch
    if plug.outline != "round":
        return min(xs) - margin, min(ys) - margin, max(xs) + margin, max(ys) + margin, 0.0
    x, y, radius = _around(list(places.values()))
    radius += margin
    return x - radius, y - radius, x + radius, y + radius, radius


def _around(places: Sequence[Place]) -> tuple[float, float, float]:
    """The smallest circle round these points, to a hundredth or so: its middle steps towards the farthest
    point by less and less. Source: Badoiu and Clarkson, Smaller core-sets for balls, SODA 2003 (from memory).
    """
    x, y = places[0]
    for step in range(2, 400):
        far = max(places, key=lambda place: hypot(place[0] - x, place[1] - y))
        x, y = x + (far[0] - x) / step, y + (far[1] - y) / step
    return x, y, max(hypot(place[0] - x, place[1] - y) for place in places)


def _seated(
    ends: Sequence[End],
    plugs: Mapping[str, Connector],
    pitch: float,
    width: float,
    edge: float,
    *,
    top: bool,
    partners: Mapping[Pin, float],
) -> dict[str, Seat]:
    """Ends side by side, centred, their edge that faces the conductors at the height `edge`."""
    rooms = _rooms(plugs, ends, pitch, width)
    gap = _gap(ends, width)
    left = (width - sum(rooms) - gap * (len(ends) - 1)) / 2
    seats = {}
    for end, room in zip(ends, rooms, strict=True):
        plug = plugs[end.name]
        drawn = _scaled(plug, pitch)
        x0, y0, x1, y1, radius = _outline(plug, drawn, pitch)
        dx = left + room / 2 - (x0 + x1) / 2
        dy = edge - (y1 if top else y0)
        places = {Pin(end.name, pin): (x + dx, y + dy) for pin, (x, y) in drawn.items()}
        box = (x0 + dx, y0 + dy, x1 + dx, y1 + dy)
        ring = ((x0 + x1) / 2 + dx, (y0 + y1) / 2 + dy, radius) if radius else None
        exits = _exits(end, places, pitch, edge, top=top, partners=partners)
        seats[end.name] = Seat(end, plug, top, pitch, places, exits, box, ring, room)
        left += room + gap
    return seats


def _exits(
    end: End,
    places: Mapping[Pin, Place],
    pitch: float,
    edge: float,
    *,
    top: bool,
    partners: Mapping[Pin, float],
) -> dict[Pin, Place]:
    """Where each lead leaves: straight out where no pin is in its way, else beside those that are.

    How far beside: half a pitch to that side on which fewer conductors cross, as a rule; where a pin or
    another lead is there too, whatever of `_ASIDE` meets the fewest, and those at their rim.
    """
    rank = {pin: number for number, pin in enumerate(end.pins())}
    nearest_first = sorted(places, key=lambda pin: (abs(places[pin][1] - edge), places[pin][0]))
    columns: dict[float, list[Pin]] = {}
    for pin in nearest_first:
        columns.setdefault(round(places[pin][0], 3), []).append(pin)
    pairs = [[partners.get(pin, rank[pin]) for pin in column[:2]] for column in columns.values()]
    wishes = Counter(far < near for near, *others in pairs for far in others)
    side = -1.0 if wishes[True] >= wishes[False] else 1.0
    exits: dict[Pin, Place] = {}
    for number, pin in enumerate(nearest_first):
        met = [places[other][0] for other in nearest_first[:number]]
        taken = [out for out, _ in exits.values()]

        def cost(x: float, met: Sequence[float] = met, taken: Sequence[float] = taken) -> tuple[int, float]:
            leads = sum(abs(x - other) < 0.2 * pitch for other in taken)
            return leads, round(sum(max(0.0, 0.37 * pitch - abs(x - other)) for other in met), 3)

        ways = [places[pin][0] + aside * side * pitch for aside in _ASIDE]
        exits[pin] = (min(ways, key=cost), edge)
    return exits


def _half(at: float, low: float, high: float, lower: str, upper: str) -> str:
    """Which half of a span something is in; nothing where the span is small or it is in the middle."""
    if high - low < 0.5 or abs(at - (low + high) / 2) < (high - low) / 10:
        return ""
    return lower if at < (low + high) / 2 else upper
