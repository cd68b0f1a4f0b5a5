"""compared(): how a cable has changed between two tests, and whether by more than readings can be wrong.

Both tests count alike: what is said of the one against the other, turned round, is said of the other.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from math import hypot, inf
from typing import Generic, Literal, TypeVar

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import Net, Profile
from pinwright.tester.ohmmeter import MOST_DRIFT_OHMS
from pinwright.verdict.conductors import Conductor, conductors
from pinwright.verdict.facts import Facts, Piece
from pinwright.verdict.resistances import TOLD_BELOW_OHMS, Leak, Link
from pinwright.verdict.words import Finding

# Of a leak's reading, as README has it: a part of it, and what is never less. Nobody takes the drift of the
# tester's own paths off a leak, as it is off a link.
OF_A_LEAK, LEAK_OHMS = 0.15, MOST_DRIFT_OHMS

FREE = "free"  # of an unused pin with which nothing is wrong
Reading = TypeVar("Reading", Link, Leak)
Lane = Literal["calibrated", "uncalibrated", "none"]
Change = Literal["risen", "fallen", "same", "other pins", "only one", "only other"]


@dataclass(frozen=True, slots=True)
class Tested:
    """One test. profile: with the limits that counted. facts, findings: of this profile. lane: whether the
    tester measured ohms."""

    profile: Profile
    facts: Facts
    findings: tuple[Finding, ...]
    lane: Lane


@dataclass(frozen=True, slots=True)
class Both(Generic[Reading]):
    """A link or a leak in the two tests; None: this test has none such.

    rise: ohms that the other has more than the one; None where they are no two readings of the same thing.
    uncertainty: of the rise. beyond: how far the rise is beyond that; below zero where it is not; infinite
    where there is no rise to speak of, and yet they differ.
    """

    one: Reading | None
    other: Reading | None
    rise: float | None
    uncertainty: float | None
    change: Change

    @property
    def differs(self) -> bool:
        return self.change != "same"

    @property
    def beyond(self) -> float:
        if self.rise is None or self.uncertainty is None:
            return inf
        return abs(self.rise) - self.uncertainty

    @property
    def either(self) -> Reading:
        """The one there is, where there is only one."""
        found = self.other or self.one
        if found is None:
            raise ValueError("a change of nothing")
        return found


@dataclass(frozen=True, slots=True)
class NetChange:
    """A net, or an unused pin, that was found otherwise joined, or is judged otherwise. signal, pins: of it.

    one, other: what the tests say of it, in the words of `conductors`, or FREE.
    found: what its first pin was found joined to, in both.
    """

    signal: str
    pins: tuple[Pin, ...]
    one: str
    other: str
    found: tuple[str, str]


@dataclass(frozen=True, slots=True)
class Comparison:
    """What two tests say of one cable.

    why_not: why ohms are not compared, in a sentence; empty where they are. links, leaks: all of them, those
    that differ most first. nets: only those that changed. only_one, only_other: nets that just one of the
    profiles has; nothing is said of them. verdicts: whether the cable passed.
    """

    why_not: str
    links: tuple[Both[Link], ...]
    leaks: tuple[Both[Leak], ...]
    nets: tuple[NetChange, ...]
    only_one: tuple[Net, ...]
    only_other: tuple[Net, ...]
    verdicts: tuple[bool, bool]

    @property
    def differs(self) -> bool:
        """Whether anything does, by more than readings can be wrong. A verdict that differs always counts."""
        some = any(link.differs for link in self.links) or any(leak.differs for leak in self.leaks)
        nets = self.nets or self.only_one or self.only_other
        return bool(some or nets or self.verdicts[0] != self.verdicts[1])


def compared(one: Tested, other: Tested) -> Comparison:
    """How the other test differs from the one. Pure; equal inputs give equal facts."""
    why_not = _why_not(one.lane, other.lane)
    here, there = {net.pins: net for net in one.profile.nets}, {net.pins: net for net in other.profile.nets}
    return Comparison(
        why_not,
        () if why_not else _in_order(_links(one.facts.links, other.facts.links)),
        () if why_not else _in_order(_leaks(one, other)),
        tuple(_nets(one, other)),
        tuple(net for pins, net in here.items() if pins not in there),
        tuple(net for pins, net in there.items() if pins not in here),
        (one.facts.passed, other.facts.passed),
    )


def of_a_difference(one: float, other: float) -> float:
    """The uncertainty of the difference of two readings with these: the root of the sum of their squares.

    Source: Guide to the expression of uncertainty in measurement, JCGM 100:2008, 5.1.2, for readings whose
    errors are independent; where both are of 99.9 % of readings, so is that of the difference.
    They are independent on two testers, or after another calibration. On one tester with one calibration most
    of what the readings are wrong by is the same in both and falls out of the difference (there, 5.2.2: the
    term of the covariance, which is above zero and taken off). The root of the sum is then more than the
    difference can be wrong: what is said to have risen has, but a small rise may be called the same.
    """
    return hypot(one, other)


def leak_uncertainty(ohms: float) -> float:
    """Of the reading of a leak."""
    return LEAK_OHMS + OF_A_LEAK * ohms


def _why_not(one: Lane, other: Lane) -> str:
    lanes = one, other
    if lanes == ("calibrated", "calibrated"):
        return ""
    lacking = "none" if "none" in lanes else "uncalibrated"
    both = lanes == (lacking, lacking)
    whose = "both testers" if both else "one of the two testers"
    if lacking == "none":
        return f"ohms cannot be compared: {whose} {'measure' if both else 'measures'} none"
    return f"ohms cannot be compared: {whose} {'were' if both else 'was'} not calibrated"


def _change(rise: float, uncertainty: float) -> Change:
    if abs(rise) <= uncertainty:
        return "same"
    return "risen" if rise > 0 else "fallen"


def _links(ones: Sequence[Link], others: Sequence[Link]) -> Iterator[Both[Link]]:
    there = {link.start: link for link in others}
    for link in ones:
        other = there.pop(link.start, None)
        if other is None:
            yield Both(link, None, None, None, "only one")
        elif other.to != link.to:
            yield Both(link, other, None, None, "other pins")
        else:
            rise = other.ohms - link.ohms
            uncertainty = of_a_difference(link.uncertainty, other.uncertainty)
            yield Both(link, other, rise, uncertainty, _change(rise, uncertainty))
    yield from (Both(None, link, None, None, "only other") for link in there.values())


def _leaks(one: Tested, other: Tested) -> Iterator[Both[Leak]]:
    here, there = ({leak.pins: leak for leak in test.facts.leaks} for test in (one, other))
    for pins in sorted({*here, *there}, key=lambda part: tuple(map(in_order, part))):
        leak, now = here.get(pins), there.get(pins)
        # What is joined to more than its net conducts there: that is no leak, and is told of the nets.
        if not (leak and now) and _is_joined((one if leak else other).facts, pins):
            continue
        told = [each.ohms if each else _not_told(leak or now) for each in (leak, now)]
        rise, uncertainty = told[1] - told[0], of_a_difference(*map(leak_uncertainty, told))
        change = _change(rise, uncertainty)
        if change != "same" and not (leak and now):
            change = "only one" if leak else "only other"
        yield Both(leak, now, rise, uncertainty, change)


def _is_joined(facts: Facts, pins: Sequence[Pin]) -> bool:
    """Whether some of these pins were found joined to what they should not be."""
    return any(set(fact.pins).intersection(pins) for fact in facts.extra)


def _not_told(leak: Leak | None) -> float:
    """What a leak has at least that no test lists."""
    return max(TOLD_BELOW_OHMS, leak.limit if leak else 0.0)


def _in_order(changes: Iterator[Both[Reading]]) -> tuple[Both[Reading], ...]:
    def first(both: Both[Reading]) -> tuple[object, ...]:
        return (-both.beyond, *map(in_order, _pins(both.either)))

    return tuple(sorted(changes, key=first))


def _pins(reading: Link | Leak) -> tuple[Pin, ...]:
    return reading.pins if isinstance(reading, Leak) else (reading.start,)


# Nets


def _nets(one: Tested, other: Tested) -> Iterator[NetChange]:
    profiles = one.profile, other.profile
    common = {*one.profile.pins()} & {*other.profile.pins()}
    used = {pin for profile in profiles for net in profile.nets for pin in net.pins}
    ohms = "none" not in (one.lane, other.lane)
    rows, now = _rows(one), _rows(other)
    for pins in sorted({*rows, *now}, key=lambda net: (in_order(net[0]), len(net))):
        both = rows.get(pins), now.get(pins)
        known = pins[0] in common or _is_of_the_tester(pins[0])
        if None in both and (used.intersection(pins) or not known):
            continue  # of one profile only
        seen = [_seen(test.facts, pins, common, ohms) for test in (one, other)]
        if seen[0] != seen[1]:
            signal = next(row.signal for row in both if row)
            states = [row.state if row else FREE for row in both]
            found = [row.found if row else "nothing" for row in both]
            yield NetChange(signal, pins, states[0], states[1], (found[0], found[1]))


def _rows(test: Tested) -> dict[tuple[Pin, ...], Conductor]:
    return {(row.first, *row.to): row for row in conductors(test.profile, test.facts, test.findings)}


def _seen(facts: Facts, pins: Sequence[Pin], common: Collection[Pin], ohms: bool) -> tuple[object, ...]:
    """What was found of a net, and whether it is at fault: by continuity, and by ohms if both have some.

    common: pins that both cables have; of others, but for positions of the tester, only one test can speak.
    """
    own = set(pins)

    def of_the_net(groups: Sequence[Piece]) -> list[Piece]:
        cut = (tuple(pin for pin in group if pin in common or _is_of_the_tester(pin)) for group in groups)
        return [group for group in cut if len(group) > 1 and own.intersection(group)]

    wrong = any(fact.net.pins == pins for fact in facts.missing)
    wrong = wrong or any(own.intersection(fact.pins) for fact in facts.extra)
    bad = {link.start for link in facts.links if not link.ok}
    bad.update(pin for leak in facts.leaks if not leak.ok for pin in leak.pins)
    return of_the_net(facts.nets), of_the_net(facts.doubtful), wrong, ohms and bool(own & bad)


def _is_of_the_tester(pin: Pin) -> bool:
    """Whether it is a position that no end of the cable occupies."""
    return pin.end.startswith("@")
