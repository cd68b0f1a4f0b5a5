"""What each point of a large part hangs on, where it is far from the rest: in a chain of good contacts.

Against all others together a point at the end of a chain has many ohms, though each contact of it is good. So
where a point seems far from the rest, points nearer to the first are asked whether it hangs on one of them.
Who is asked follows from the readings alone: a scan asks (`questions`), and whoever judges it asks again of
what was answered (`hangs`).

How far two points are apart is not measured directly: the board can drive the first point of a part high, and
no other while that one is an input. With the first high and both low, the current says how much of their ways
is shared; what is not shared lies between them.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from statistics import median

from pinwright.errors import Disagreement
from pinwright.tester.measurement import Evidence
from pinwright.tester.ohmmeter import MOST_OHMS, Ohmmeter, Readings
from pinwright.tester.parts import labels_of, points_of

SUSPICIOUS_OHMS = 2.0  # of a point against the rest, or from the first
WELL_OHMS = 4.5  # by which a point may hang on another to be of a chain: more, and it counts as alone
_ENOUGH_OHMS = 3.0  # so little, and it is asked no more
_NEAR_OHMS = 1.0  # so near to the first point, it hangs on that
_MOST_ASKED = 10  # of the points that one may hang on
_MOST_COMPARED = 8  # points that tell how wrong all such figures of a part are
_MOST_WRONG_OHMS = 8.0  # that they may be so too large; more, and nothing is believed
_NOISE_OHMS = 2.0  # of what is between two points: four times its spread on simulated boards
_MAY_BE_LESS_OHMS = 1.5  # likewise, three times


@dataclass(frozen=True, slots=True)
class Part:
    """points: its own. beyond: what they were found joined to, and should not be. ohms: to all else. ways: of
    a current that goes there, as `Ohmmeter.link` takes them: a leak counts against the link; a wrong contact
    fails the cable by itself."""

    points: tuple[int, ...]
    beyond: tuple[int, ...]
    ohms: float
    ways: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Hang:
    """What a point hangs on, and the ohms between the two. least: what these are at least."""

    on: int
    ohms: float
    least: float


Hangs = Mapping[int, Hang]  # of every point of a part but its first
Asking = Generator[tuple[int, int], int, Hangs]


def measured_parts(evidence: Evidence, readings: Readings, meter: Ohmmeter) -> Mapping[int, Part]:
    """Every part by its number, its leak measured. Raises Disagreement where it was not."""
    labels = labels_of(evidence)
    parts = {}
    for number, points in points_of(readings.parts).items():
        first = points[0]
        if not readings.leak[first]:
            raise Disagreement(f"the leak of part {number} was to be measured and was not")
        beyond = tuple(p for p, label in labels.items() if label == labels[first] and p not in points)
        ohms = meter.leak(readings.leak[first], first, beyond)
        way = ohms + meter.onward(beyond) if ohms < MOST_OHMS else MOST_OHMS
        parts[number] = Part(points, beyond, ohms, (MOST_OHMS, way) if beyond else (way, MOST_OHMS))
    return parts


def check_measured(part: Part, readings: Readings) -> None:
    """Raises Disagreement where a reading within a part is missing."""
    others = part.points[1:]
    if not all(readings.high[point] for point in part.points) or (
        len(others) > 1 and not all(readings.across[point] for point in others)
    ):
        raise Disagreement("a resistance within a net was to be measured and was not")


def questions(
    evidence: Evidence, readings: Readings
) -> Generator[tuple[int, int], int, Mapping[int, Hang] | None]:
    """Yields two points of a part; is sent the reading with the first of the part high, these two low, the
    others of it inputs. Returns what every point of a larger part hangs on, but for their first; None of a
    tester without a calibration, whose rule is too coarse for such questions.

    Judged by the tester's own readings before the others, so that the answer is the same at any time.
    """
    if readings.calibration is None:
        return None
    meter = Ohmmeter(readings.before, readings.before, readings.calibration)
    hangs: dict[int, Hang] = {}
    for part in measured_parts(evidence, readings, meter).values():
        if len(part.points) > 2:
            check_measured(part, readings)
            hangs |= yield from _of_part(part, readings, meter)
    return hangs


def hangs(evidence: Evidence, readings: Readings) -> Hangs | None:
    """What `questions` returns, of the answers among the readings; None also where nobody asked yet.

    Raises Disagreement where they are answers to other questions.
    """
    if readings.near is None:
        return None
    asking, answers = questions(evidence, readings), iter(readings.near)
    try:
        asked = next(asking)
        while True:
            *pair, reading = next(answers, (0, 0, 0))
            if tuple(pair) != asked or not reading:
                break
            asked = asking.send(reading)
    except StopIteration as stop:
        if next(answers, None) is None:
            found: Hangs | None = stop.value
            return found
    raise Disagreement("within a net other resistances were measured than its readings ask for")


@dataclass(frozen=True, slots=True)
class Figures:
    """Of a part's points. alone: against all others. legs: as `Ohmmeter.legs`. away: from the first point, of
    the others. beyond_first: likewise, less what the first has itself."""

    alone: Mapping[int, float]
    legs: Mapping[int, float]
    away: Mapping[int, float]
    beyond_first: Mapping[int, float]

    def suspicious(self, point: int) -> bool:
        """Whether it has so much that it must be known what it hangs on."""
        return max(self.alone[point], self.beyond_first[point]) > SUSPICIOUS_OHMS + min(0.0, self.least)

    @property
    def least(self) -> float:
        return min(self.alone.values())


def figures(part: Part, readings: Readings, meter: Ohmmeter) -> Figures:
    """Of a part of more than two points."""
    first, *others = part.points
    legs = meter.legs(readings.high[first], first, {q: readings.across[q] for q in others}, *part.ways)
    alone = {}
    for point in part.points:
        rest = {other: ohms for other, ohms in legs.items() if other != point}
        alone[point] = meter.link(readings.high[point], point, rest, *part.ways)
    away = {q: meter.link(readings.across[q], first, {q: 0.0}, *part.ways) for q in others}
    # However the points are joined, the first has itself no more than it is from the nearest.
    own = min(legs[first], *away.values())
    return Figures(alone, legs, away, {first: 0.0, **{q: ohms - own for q, ohms in away.items()}})


def _of_part(part: Part, readings: Readings, meter: Ohmmeter) -> Asking:
    """The points in the order of their ways from the first, each asked of those before it.

    Beyond a bad joint one point is the first in that order: whatever it is asked of, the joint lies between.
    So no part with a bad joint hangs together by less, however many points are on either side.
    """
    first = part.points[0]
    told = figures(part, readings, meter)
    order = sorted(told.away, key=lambda point: told.away[point])
    found = {point: Hang(first, told.away[point], told.away[point]) for point in order}
    nearest = order[0]
    asks = [
        point
        for nth, point in enumerate(order)
        if told.suspicious(point)
        and told.away[point] > _NEAR_OHMS
        and any(_may_bear(told.away, point, other) for other in order[:nth])
    ]
    if not asks:
        return found
    answered: dict[tuple[int, int], float] = {}

    def apart(one: int, other: int) -> Generator[tuple[int, int], int, float]:
        pair = min(one, other), max(one, other)
        if pair not in answered:
            both = yield pair
            ways = readings.across[pair[0]], readings.across[pair[1]]
            answered[pair] = meter.apart(first, pair, ways, both, part.ways[0])
        return answered[pair]

    # All such figures of a part are wrong by about as much. Of any point and the nearest it is known what
    # they should be: as far as to the first point, give or take the little between that and the nearest.
    wrong = []
    for point in asks[:: -(-len(asks) // _MOST_COMPARED)]:
        wrong.append((yield from apart(nearest, point)) - told.away[point])
    too_large = median(wrong)
    below_zero = min(0.0, told.away[nearest])  # every way is at least so much too small
    if too_large > _MOST_WRONG_OHMS:
        return found
    for point in asks:
        refused: dict[int, float] = {}
        before = [other for other in order[: order.index(point)] if _may_bear(told.away, point, other)]

        def least(other: int, point: int = point, refused: Mapping[int, float] = refused) -> float:
            """What is between the two at least, by what else is known: no way is shorter than around."""
            far = told.away[other]
            around = (
                ohms - (told.away[near] + far - 2 * _shared(found, told.away, other, near)) + below_zero
                for near, ohms in refused.items()
            )
            return max(told.away[point] - far, *around, 0.0)

        for _ in range(_MOST_ASKED):
            left = [other for other in before if other not in refused]
            if not left:
                break
            other = min(reversed(left), key=least)
            if refused and least(other) > SUSPICIOUS_OHMS + _NOISE_OHMS:
                break
            ohms = (yield from apart(point, other)) - too_large
            if ohms < meter.least_ohms:
                ohms = MOST_OHMS  # no reading at all
            refused[other] = ohms = max(ohms, told.away[point] - told.away[other])
            if ohms < found[point].ohms:
                step = told.away[point] - told.away[other]
                found[point] = Hang(other, ohms, max(step, ohms - _MAY_BE_LESS_OHMS))
            if ohms <= _ENOUGH_OHMS:
                break
    return found


def _may_bear(away: Mapping[int, float], point: int, other: int) -> bool:
    """Whether a point may hang on another that is nearer to the first, by what they are from that."""
    return away[point] - away[other] <= WELL_OHMS


def _shared(found: Hangs, away: Mapping[int, float], one: int, other: int) -> float:
    """The ohms that the ways from the first point to two others share, at least, by what they hang on."""
    least = MOST_OHMS
    while one != other:
        if away.get(one, -inf) < away.get(other, -inf):
            one, other = other, one
        hang = found[one]
        least = min(least, (away[one] + away.get(hang.on, 0.0) - hang.ohms) / 2)
        one = hang.on
    return max(0.0, min(least, away.get(one, 0.0)))


def onward_along(found: Hangs, told: Figures, points: Sequence[int], meter: Ohmmeter) -> Mapping[int, float]:
    """From each point of a part to 0 V, all the others low, if they are joined as they hang and by no more.

    What a point reads beyond it is a joint that was bad then, whatever it was when others were asked.
    """
    ways: dict[int, dict[int, float]] = {point: {} for point in points}
    for point in points[1:]:
        on = found[point].on
        ways[point][on] = ways[on][point] = max(0.0, told.away[point] - told.away.get(on, 0.0))

    def conductance(point: int, come_from: int | None) -> float:
        own = 0.0 if come_from is None else 1 / meter.low_ohms(point)
        return own + sum(
            1 / (ohms + 1 / conductance(other, point))
            for other, ohms in ways[point].items()
            if other != come_from
        )

    return {point: 1 / conductance(point, None) for point in points}
