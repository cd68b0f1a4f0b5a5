"""The decision rule for resistances: what every link and every leak may have, and how it is judged.

The one place of it. README, certificates and records say it in the words of `rule`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from statistics import median

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import DEFAULT_MAX_OHMS, Net, Profile
from pinwright.errors import Disagreement, SelfCheckFailed
from pinwright.tester.fixture import Placement
from pinwright.tester.measurement import Evidence
from pinwright.tester.ohmmeter import MOST_OHMS, Ohmmeter, Readings
from pinwright.tester.parts import contacts, labels_of, parts_of, points_of

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
    parts = _parts(evidence, readings, meter)
    return Resistances(
        tuple(_links(profile, evidence, placement, readings, meter, parts)),
        tuple(_leaks(profile, placement, parts.values())),
    )


@dataclass(frozen=True, slots=True)
class _Part:
    """points: its own. beyond: what they were found joined to, and should not be. ohms: to all else. ways: of
    a current that goes there, as `Ohmmeter.link` takes them: a leak counts against the link; a wrong contact
    fails the cable by itself."""

    points: tuple[int, ...]
    beyond: tuple[int, ...]
    ohms: float
    ways: tuple[float, float]


def _parts(evidence: Evidence, readings: Readings, meter: Ohmmeter) -> Mapping[int, _Part]:
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
        parts[number] = _Part(points, beyond, ohms, (MOST_OHMS, way) if beyond else (way, MOST_OHMS))
    return parts


def _legs(part: _Part, readings: Readings, meter: Ohmmeter) -> Mapping[int, float]:
    """The ohms of every point of a part; of a pair, of both its directions; less than zero if they are wrong.

    Of a larger part from two readings: of its own leg, and against all others; where these do not agree, the
    larger counts.
    """
    first, *others = part.points
    if not all(readings.high[point] for point in part.points) or (
        len(others) > 1 and not all(readings.across[point] for point in others)
    ):
        raise Disagreement("a resistance within a net was to be measured and was not")
    if len(others) == 1:
        return {
            point: meter.link(readings.high[point], point, {other: 0.0}, *part.ways)
            for point, other in (part.points, part.points[::-1])
        }
    across = {other: readings.across[other] for other in others}
    legs = meter.legs(readings.high[first], first, across, *part.ways)
    told = {}
    for point in part.points:
        rest = {other: ohms for other, ohms in legs.items() if other != point}
        alone = meter.link(readings.high[point], point, rest, *part.ways)
        agree = abs(alone - legs[point]) <= meter.uncertainty(max(0.0, alone))
        told[point] = (alone + legs[point]) / 2 if agree else max(alone, legs[point])
    return told


def _links(
    profile: Profile,
    evidence: Evidence,
    placement: Placement,
    readings: Readings,
    meter: Ohmmeter,
    parts: Mapping[int, _Part],
) -> Iterator[Link]:
    calibrated = meter.calibration is not None
    legs: dict[int, Mapping[int, float]] = {}
    measured: list[tuple[Net, Pin, tuple[Pin, ...], float]] = []
    for net, pin, point, others in contacts(profile, evidence, placement):
        part = parts[readings.parts[point]]
        own = legs.setdefault(part.points[0], {}) or _legs(part, readings, meter)
        legs[part.points[0]] = own
        if len(net.pins) > 2:
            measured.append((net, pin, others, own[point]))
        elif (
            pin == net.pins[0]
        ):  # the two directions of a pair are one link; so are two legs of a larger part
            both = own[point] + own[placement.point_of[others[0]]]
            measured.append((net, pin, others, both / 2 if len(part.points) == 2 else both))
    for net, pin, _, ohms in measured:
        # Beside a wrong contact, which fails the cable anyway, small errors of its own may be as much.
        if ohms < meter.least_ohms and not parts[readings.parts[placement.point_of[pin]]].beyond:
            raise SelfCheckFailed(
                f"the tester reads {-ohms:.0f} Ω less than nothing at {pin}"
                + (f" ({net.signal})" if net.signal else ""),
                hint="`pinwright tester calibrate --replace` measures it anew; if it stays so, repair it",
            )
    common = [ohms for net, _, _, ohms in measured if profile.limit(net).max_ohms <= profile.max_ohms]
    middle = median(common) if calibrated and len(common) >= LEAST_LINKS_FOR_MEDIAN else None
    for net, pin, others, told in measured:
        ohms = max(0.0, told)
        most, uncertainty = profile.limit(net).max_ohms, meter.uncertainty(ohms)
        over = told - middle if middle is not None and most <= profile.max_ohms else None
        limit = link_limit(most, calibrated, uncertainty)
        ok = ohms - uncertainty <= limit if calibrated else ohms <= limit
        ok = ok and (over is None or over <= OVER_MEDIAN_OHMS)
        yield Link(net.signal, pin, others, ohms, uncertainty, limit, over, ok)


def _leaks(profile: Profile, placement: Placement, parts: Iterable[_Part]) -> Iterator[Leak]:
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
