"""The decision rule for resistances: what every link and every leak may have, and how it is judged.

The one place of it. README, certificates and records say it in the words of `rule`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import DEFAULT_MAX_OHMS, Net, Profile
from pinwright.errors import Disagreement, SelfCheckFailed
from pinwright.tester.chain import (
    SUSPICIOUS_OHMS,
    WELL_OHMS,
    Hangs,
    Part,
    check_measured,
    figures,
    hangs,
    measured_parts,
    onward_along,
)
from pinwright.tester.fixture import Placement
from pinwright.tester.measurement import Evidence
from pinwright.tester.ohmmeter import MOST_OHMS, Ohmmeter, Readings
from pinwright.tester.parts import contacts, parts_of

COARSE_LIMIT_OHMS = 80.0  # for a link, on a tester without a calibration
OVER_MEDIAN_OHMS = 3.0
LEAST_LINKS_FOR_MEDIAN = 5
TOLD_BELOW_OHMS = 1e6  # leaks above are not listed


@dataclass(frozen=True, slots=True)
class Link:
    """One measured contact. start: the pin that was high; to: what it should lead to, as far as it does.
    signal: what it carries, or empty.

    over_median: ohms above the median of the cable's links; None where the median does not judge it.
    """

    signal: str
    start: Pin
    to: tuple[Pin, ...]
    ohms: float
    uncertainty: float
    limit: float
    over_median: float | None
    ok: bool


@dataclass(frozen=True, slots=True)
class Leak:
    """What was measured between these pins and everything else. signals: what they carry, if anything."""

    signals: tuple[str, ...]
    pins: tuple[Pin, ...]
    ohms: float
    limit: float
    ok: bool


@dataclass(frozen=True, slots=True)
class Resistances:
    """All links, and the leaks below 1 MΩ or their limit, in order of their pins."""

    links: tuple[Link, ...]
    leaks: tuple[Leak, ...]

    @property
    def passed(self) -> bool:
        return all(link.ok for link in self.links) and all(leak.ok for leak in self.leaks)


def ohms_text(ohms: float) -> str:
    """`0.3 Ω`, `12 Ω`, `4.1 kΩ`, `82 kΩ`, `1.2 MΩ`; `over 10 MΩ` where nothing was found to conduct."""
    if ohms >= MOST_OHMS:
        return f"over {MOST_OHMS / 1e6:g} MΩ"
    for unit, scale in (("MΩ", 1e6), ("kΩ", 1e3)):
        if ohms >= 0.9995 * scale:
            return f"{ohms / scale:.0f} {unit}" if ohms >= 9.95 * scale else f"{ohms / scale:.1f} {unit}"
    return f"{ohms:.0f} Ω" if ohms >= 99.95 else f"{ohms:.1f} Ω"


def summary(measured: Resistances) -> str:
    """What was measured, in a sentence: `links 0.0 Ω to 0.5 Ω, ± 3.9 Ω; no leak below 1.0 MΩ`."""
    told = "no links"
    if measured.links:
        least, most = (pick(link.ohms for link in measured.links) for pick in (min, max))
        uncertainty = max(link.uncertainty for link in measured.links)
        told = f"links {ohms_text(least)} to {ohms_text(most)}, ± {ohms_text(uncertainty)}"
    leak = min((leak.ohms for leak in measured.leaks), default=TOLD_BELOW_OHMS)
    return f"{told}; no leak below {ohms_text(leak)}"


def rule(calibrated: bool, links: int) -> str:
    """The rule in a sentence, for a tester that measures ohms. links: how many the cable has."""
    if not calibrated:
        return (
            f"A link fails above {COARSE_LIMIT_OHMS:g} Ω (or above its limit and its uncertainty, if that is "
            "more): joints were checked coarsely. A net fails whose leak to everything else is below its "
            "limit."
        )
    of_the_median = (
        f" or if it is more than {OVER_MEDIAN_OHMS:g} Ω above the median of the cable's links"
        if links >= LEAST_LINKS_FOR_MEDIAN
        else ""
    )
    return (
        "A link fails if its ohms less the uncertainty are above its limit"
        f"{of_the_median}. A net fails whose leak to everything else is below its limit."
    )


def link_limit(limit: float, calibrated: bool, uncertainty: float) -> float:
    """The ohms that the reading of a link is held against, its uncertainty taken off if calibrated."""
    return (
        limit
        if calibrated
        else max(COARSE_LIMIT_OHMS, limit + uncertainty if limit > DEFAULT_MAX_OHMS else 0)
    )


def resistances(
    profile: Profile, evidence: Evidence, placement: Placement, readings: Readings
) -> Resistances:
    """Every link and leak of a scan, judged. Raises SelfCheckFailed, or Disagreement where something that
    was to be measured was not."""
    meter = Ohmmeter(readings.before, readings.after, readings.calibration)
    if readings.parts != parts_of(profile, evidence, placement):
        raise Disagreement("leaks were measured of other parts than the scan found")
    parts = measured_parts(evidence, readings, meter)
    return Resistances(
        tuple(_links(profile, evidence, placement, readings, meter, parts)),
        tuple(_leaks(profile, placement, parts.values())),
    )


@dataclass(frozen=True, slots=True)
class _Leg:
    """What a point has to the rest of its part. alone: against all others, or to what it hangs on; below zero
    by what that is wrong. step: how much farther it is from the others than the next nearer one; 0 where
    nothing tells."""

    alone: float
    step: float = 0.0

    def __add__(self, other: _Leg) -> _Leg:
        return _Leg(self.alone + other.alone, self.step + other.step)


def _legs(part: Part, readings: Readings, meter: Ohmmeter, hanging: Hangs | None) -> Mapping[int, _Leg]:
    """The leg of every point of a part; of a pair, in both its directions.

    In a larger part every point has two figures, and the larger counts. Alone, against all others, it shows
    its own joint (and, at the end of a long chain, some of the chain). Sorted by distance from the first
    point, no point can be farther than the one before by more than the joint on its way, however the others
    are joined: so a step shows a joint between two halves of the part, and a chain of good contacts none.

    Where a point has much alone, or is far from the first, and hangs well on another, that counts instead,
    for no joint on its way to the rest can have more; and what it reads alone beyond all that the others,
    hanging so, explain. Where it does not hang well, it is no better than alone. hanging: as `chain.hangs`
    finds it; None: only the two figures count.
    """
    check_measured(part, readings)
    if len(part.points) == 2:
        return {
            point: _Leg(meter.link(readings.high[point], point, {other: 0.0}, *part.ways))
            for point, other in (part.points, part.points[::-1])
        }
    told = figures(part, readings, meter)
    order = sorted(part.points, key=lambda point: told.legs[point])
    steps = {order[0]: 0.0, **{far: told.legs[far] - told.legs[near] for near, far in pairwise(order)}}
    alone = dict(told.alone)
    first, nearest_ohms = part.points[0], min(told.away.values())
    if hanging is not None and nearest_ohms > WELL_OHMS:
        # None of its joints has less, even if two of them together seem to have half.
        alone[first] = max(alone[first], nearest_ohms)
    if hanging is not None and any(told.suspicious(point) for point in part.points):
        explained = onward_along(hanging, told, part.points, meter)
        nearest = min(told.away, key=lambda point: told.away[point])
        on = {part.points[0]: hanging[nearest], **{point: hanging[point] for point in part.points[1:]}}
        for point in filter(told.suspicious, part.points):
            read = meter.onward_from(readings.high[point], point, len(part.points) - 1, part.ways[0])
            if on[point].ohms > WELL_OHMS:
                alone[point] = max(alone[point], min(told.beyond_first[point], on[point].ohms))
            else:
                most = max(told.alone[point], told.beyond_first[point])
                alone[point] = min(most, max(on[point].least, read - explained[point]))
    return {point: _Leg(alone[point], steps[point]) for point in part.points}


def _of_pair(both: _Leg, point: int, other: int, hanging: Hangs) -> _Leg:
    """Of a pair in a larger part both legs; or, where one hangs well on the other, what is between them."""
    for one, on in ((point, other), (other, point)):
        hang = hanging.get(one)
        if hang and hang.on == on and hang.ohms <= WELL_OHMS and both.alone > SUSPICIOUS_OHMS:
            return _Leg(min(both.alone, hang.least), both.step)
    return both


def _check_possible(part: Part, readings: Readings, meter: Ohmmeter, placement: Placement) -> None:
    """Raises SelfCheckFailed where a point reads so much less than the tester itself that nothing holds.

    Not beside a wrong contact, which fails the cable anyway: small errors of its own may be as much.
    """
    for point in part.points if len(part.points) > 1 and not part.beyond else ():
        others = {other: 0.0 for other in part.points if other != point}
        ohms = meter.link(readings.high[point], point, others, *part.ways)
        if ohms < meter.least_ohms:
            raise SelfCheckFailed(
                f"the tester reads {-ohms:.0f} Ω less than nothing at {placement.pin_of[point]}",
                hint="`pinwright tester calibrate --replace` measures it anew; if it stays so, repair it",
            )


def _links(
    profile: Profile,
    evidence: Evidence,
    placement: Placement,
    readings: Readings,
    meter: Ohmmeter,
    parts: Mapping[int, Part],
) -> Iterator[Link]:
    calibrated = meter.calibration is not None
    hanging = hangs(evidence, readings)
    legs: dict[int, _Leg] = {}
    for part in parts.values():
        if len(part.points) > 1:
            legs |= _legs(part, readings, meter, hanging)
            _check_possible(part, readings, meter, placement)
    measured: list[tuple[Net, Pin, tuple[Pin, ...], _Leg]] = []
    for net, pin, point, others in contacts(profile, evidence, placement):
        if len(net.pins) > 2:
            measured.append((net, pin, others, legs[point]))
        elif (
            pin == net.pins[0]
        ):  # the two directions of a pair are one link; so are two legs of a larger part
            other = placement.point_of[others[0]]
            both = legs[point] + legs[other]
            alone = len(parts[readings.parts[point]].points) == 2
            leg = _Leg(both.alone / 2) if alone else _of_pair(both, point, other, hanging or {})
            measured.append((net, pin, others, leg))
    common = [leg.alone for net, _, _, leg in measured if profile.limit(net).max_ohms <= profile.max_ohms]
    middle = median(common) if calibrated and len(common) >= LEAST_LINKS_FOR_MEDIAN else None
    for net, pin, others, leg in measured:
        ohms = max(0.0, leg.alone, leg.step)
        most, uncertainty = profile.limit(net).max_ohms, meter.uncertainty(ohms)
        judged = middle is not None and most <= profile.max_ohms
        over = max(leg.alone - middle, leg.step) if judged and middle is not None else None
        limit = link_limit(most, calibrated, uncertainty)
        ok = ohms - uncertainty <= limit if calibrated else ohms <= limit
        ok = ok and (over is None or over <= OVER_MEDIAN_OHMS)
        yield Link(net.signal, pin, others, ohms, uncertainty, limit, over, ok)


def _leaks(profile: Profile, placement: Placement, parts: Iterable[Part]) -> Iterator[Leak]:
    net_of = {pin: net for net in profile.nets for pin in net.pins}
    leaks = []
    for part in parts:
        pins = tuple(sorted((placement.pin_of[point] for point in part.points), key=in_order))
        nets = [net_of[pin] for pin in pins if pin in net_of]
        signals = tuple(dict.fromkeys(net.signal for net in nets if net.signal))
        limit = max((profile.limit(net).min_leak_ohms for net in nets), default=profile.min_leak_ohms)
        if part.ohms < max(TOLD_BELOW_OHMS, limit):
            leaks.append(Leak(signals, pins, part.ohms, limit, part.ohms >= limit))
    yield from sorted(leaks, key=lambda leak: in_order(leak.pins[0]))
