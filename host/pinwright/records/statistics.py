"""What the tests of one kind of cable say together: yield, where faults are, how resistances spread.

Pure. A cable counts in the month of its first test. Left out are tests of simulations, tests that somebody
took back, and what is not as it was sealed; where one of the last two is the latest test of a cable, nobody
knows how the cable is in the end.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import median, quantiles

from pinwright.cable.pins import in_order, parse_pin
from pinwright.records.entries import Measured

# Two-sided 95 % of the standard normal distribution.
Z_95 = 1.959964
_A_WHOLE_PLUG = frozenset({"absent", "exchanged", "reversed", "wrong-cable"})
_A_FEW_PINS = 3  # what one slip of the hand can be about, however small the plug
_CALIBRATED = "calibrated"
_MOMENT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z")


@dataclass(frozen=True, slots=True)
class Share:
    """So many of so many."""

    count: int
    of: int

    @property
    def interval(self) -> tuple[float, float]:
        """What the true share may be, 95 % sure; all of it where there is nothing to go by.

        Wilson's score interval: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209; NIST/SEMATECH e-Handbook of
        Statistical Methods, 7.2.4.1 (from memory).
        """
        if not self.of:
            return 0.0, 1.0
        share, z2 = self.count / self.of, Z_95**2
        middle = share + z2 / (2 * self.of)
        half = Z_95 * sqrt(share * (1 - share) / self.of + z2 / (4 * self.of**2))
        whole = 1 + z2 / self.of
        low = 0.0 if self.count == 0 else (middle - half) / whole
        high = 1.0 if self.count == self.of else (middle + half) / whole
        return low, high


@dataclass(frozen=True, slots=True)
class Period:
    """Cables that were first tested in a month (`2026-03`, UTC), or all of them (empty).

    first: passed their first test. passed, failed: by their latest test; unknown: that one was taken back, or
    is not as it was sealed. passed + failed + unknown = made. mended: of those that passed, not at first.
    """

    month: str
    made: int
    first: int
    mended: int
    passed: int
    failed: int
    unknown: int


@dataclass(frozen=True, slots=True)
class KindCount:
    """How many cables and tests had a finding of this kind."""

    kind: str
    cables: int
    tests: int


@dataclass(frozen=True, slots=True)
class PinCount:
    """How many cables ever had a finding that names this pin. kinds: of those findings, most cables first."""

    pin: str
    cables: int
    kinds: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class PlugCount:
    """How many cables had a finding of this kind that is about a whole plug."""

    end: str
    kind: str
    cables: int


@dataclass(frozen=True, slots=True)
class Spread:
    """Ohms of one conductor's link, in as many cables. pin: where the link starts. lower, upper: quartiles,
    interpolated between values of which the lowest and the highest are the ends ("inclusive" of Python's
    statistics.quantiles). uncertainty: the median of the readings' own."""

    pin: str
    cables: int
    lowest: float
    lower: float
    median: float
    upper: float
    highest: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Tests that do not count, each for the first of these reasons. earlier_or_later: cables that were first
    tested at another time than was asked for."""

    simulated: int
    not_as_made: int
    other_revision: int
    withdrawn: int
    earlier_or_later: int


@dataclass(frozen=True, slots=True)
class Report:
    """begun, ended: when the first and the last of these tests started, RFC 3339, or nothing.

    months: in order, those with cables only. kinds, plugs: most cables first. pins: of the ends that were
    asked about, in order; elsewhere: pins that are not there, such as those of another revision. spreads: in
    order of pins. measured: how many cables those are of. revisions: each with its tests.
    """

    cables: int
    tests: int
    begun: str
    ended: str
    total: Period
    months: tuple[Period, ...]
    kinds: tuple[KindCount, ...]
    pins: tuple[PinCount, ...]
    elsewhere: tuple[PinCount, ...]
    plugs: tuple[PlugCount, ...]
    spreads: tuple[Spread, ...]
    measured: int
    revisions: tuple[tuple[str, int], ...]
    left_out: LeftOut


def statistics(
    tests: Iterable[Measured],
    ends: Mapping[str, Collection[str]],
    *,
    revision: str | None = None,
    since: str = "",
    until: str = "",
    simulations: bool = False,
    lost: Iterable[tuple[str, int]] = (),
) -> Report:
    """ends: their pins' names. revision: only tests of that one. since, until: RFC 3339, both included; those
    cables count that were first tested then, with all of their tests. simulations: they count too. lost:
    serial and test of what cannot be read."""
    left: Counter[str] = Counter()
    counted: dict[str, list[Measured]] = defaultdict(list)
    latest: dict[str, Measured] = {}  # of each cable, also of those that do not count

    def is_within(one: Measured) -> bool:
        return since <= one.started and (not until or one.started <= until)

    # Of two that have one number the failed one counts as the later.
    for one in sorted(
        tests, key=lambda one: (one.serial.casefold(), one.test, one.result == "fail", one.started)
    ):
        cable, why = one.serial.casefold(), _why_not(one, revision, simulations)
        if why not in ("simulated", "other_revision"):
            latest[cable] = one
        if why:
            left[why if is_within(one) else "earlier_or_later"] += 1
        else:
            counted[cable].append(one)
    for cable in [cable for cable, own in counted.items() if not is_within(own[0])]:
        left["earlier_or_later"] += len(counted.pop(cable))
    cables = list(counted.values())
    every = [one for own in cables for one in own]
    unknown = {cable for cable, own in counted.items() if latest[cable] is not own[-1]}
    for serial, test in lost:
        cable = serial.casefold()
        last = counted[cable][-1] if cable in counted else None
        if last and (test > last.test or (test == last.test and last.result == "pass")):
            unknown.add(cable)
    spreads, measured = _spreads(cables)
    pins, plugs = _by_pin(cables, ends)
    months: dict[str, list[Sequence[Measured]]] = defaultdict(list)
    for own in cables:
        months[own[0].started[:7]].append(own)
    moments = [one.started for one in every]
    return Report(
        cables=len(cables),
        tests=len(every),
        begun=min(moments, default=""),
        ended=max(moments, default=""),
        total=_period("", cables, unknown),
        months=tuple(_period(month, months[month], unknown) for month in sorted(months)),
        kinds=_by_kind(cables),
        pins=tuple(one for one in pins if _is_of(one.pin, ends)),
        elsewhere=tuple(one for one in pins if not _is_of(one.pin, ends)),
        plugs=plugs,
        spreads=spreads,
        measured=measured,
        revisions=tuple(sorted(Counter(one.revision for one in every).items())),
        left_out=LeftOut(**{name: left[name] for name in LeftOut.__slots__}),
    )


def _why_not(one: Measured, revision: str | None, simulations: bool) -> str:
    """Why a test does not count; empty where it does."""
    if one.simulated and not simulations:
        return "simulated"
    if not one.sealed or one.result == "unreadable" or not _MOMENT.fullmatch(one.started):
        return "not_as_made"
    if revision is not None and one.revision != revision:
        return "other_revision"
    return "withdrawn" if one.withdrawn else ""


def _period(month: str, cables: Collection[Sequence[Measured]], unknown: Collection[str]) -> Period:
    known = [own for own in cables if own[0].serial.casefold() not in unknown]
    passed = [own for own in known if own[-1].result == "pass"]
    return Period(
        month,
        made=len(cables),
        first=sum(own[0].result == "pass" for own in cables),
        mended=sum(own[0].result != "pass" for own in passed),
        passed=len(passed),
        failed=len(known) - len(passed),
        unknown=len(cables) - len(known),
    )


def _by_kind(cables: Iterable[Sequence[Measured]]) -> tuple[KindCount, ...]:
    of_cables, of_tests = Counter[str](), Counter[str]()
    for own in cables:
        found = [{kind for kind, _ in one.findings} for one in own]
        of_cables.update(set().union(*found))
        for kinds in found:
            of_tests.update(kinds)
    return tuple(
        KindCount(kind, count, of_tests[kind])
        for kind, count in sorted(of_cables.items(), key=lambda item: (-item[1], item[0]))
    )


def _by_pin(
    cables: Iterable[Sequence[Measured]], ends: Mapping[str, Collection[str]]
) -> tuple[list[PinCount], tuple[PlugCount, ...]]:
    """Each cable once a pin, and once an end and kind. Positions of the tester are no pins of the cable."""
    at: Counter[str] = Counter()
    kinds_at: dict[str, Counter[str]] = defaultdict(Counter)
    plugs: Counter[tuple[str, str]] = Counter()
    for own in cables:
        named, whole = set[tuple[str, str]](), set[tuple[str, str]]()
        for kind, pins in (finding for one in own for finding in one.findings):
            if about := _whole_ends(kind, pins, ends):
                whole |= {(end, kind) for end in about}
            else:
                named |= {(pin, kind) for pin in pins if not pin.startswith("@")}
        plugs.update(whole)
        at.update({pin for pin, _ in named})
        for pin, kind in named:
            kinds_at[pin][kind] += 1
    counts = [
        PinCount(pin, at[pin], tuple(sorted(kinds_at[pin].items(), key=lambda item: (-item[1], item[0]))))
        for pin in sorted(at, key=_order)
    ]
    wholes = sorted(plugs.items(), key=lambda item: (-item[1], item[0]))
    return counts, tuple(PlugCount(end, kind, count) for (end, kind), count in wholes)


def _whole_ends(kind: str, pins: Iterable[str], ends: Mapping[str, Collection[str]]) -> list[str]:
    """The ends more than half of whose pins a finding names. An exchange of two pins is none of a plug with
    three."""
    named: dict[str, set[str]] = defaultdict(set)
    for pin in pins:
        end, _, name = pin.rpartition(".")
        if name in ends.get(end, ()):
            named[end].add(name)
    return [
        end
        for end, names in sorted(named.items())
        if 2 * len(names) > len(ends[end]) and (len(names) > _A_FEW_PINS or kind in _A_WHOLE_PLUG)
    ]


def _spreads(cables: Iterable[Sequence[Measured]]) -> tuple[tuple[Spread, ...], int]:
    """By the latest test of each cable that passed on a calibrated tester; and how many cables have one."""
    ohms: dict[str, list[float]] = defaultdict(list)
    uncertainties: dict[str, list[float]] = defaultdict(list)
    measured = 0
    for own in cables:
        good = [one for one in own if one.result == "pass" and one.lane == _CALIBRATED and one.links]
        measured += bool(good)
        for pin, value, uncertainty, _ in good[-1].links if good else ():
            ohms[pin].append(value)
            uncertainties[pin].append(uncertainty)
    return tuple(_spread(pin, ohms[pin], uncertainties[pin]) for pin in sorted(ohms, key=_order)), measured


def _spread(pin: str, ohms: Sequence[float], uncertainties: Sequence[float]) -> Spread:
    # One value is its own quartiles.
    lower, middle, upper = quantiles(ohms, n=4, method="inclusive") if len(ohms) > 1 else [ohms[0]] * 3
    return Spread(pin, len(ohms), min(ohms), lower, middle, upper, max(ohms), median(uncertainties))


def _is_of(pin: str, ends: Mapping[str, Collection[str]]) -> bool:
    end, _, name = pin.rpartition(".")
    return name in ends.get(end, ())


def _order(pin: str) -> tuple[object, ...]:
    try:
        return in_order(parse_pin(pin))
    except ValueError:  # what a record calls a pin may be anything, also a number of any length
        return True, "@", ((True, 0, pin),)  # among the positions, as in_order would have it
