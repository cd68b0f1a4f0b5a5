"""fitness(): what a salvaged ribbon is good for, before it is cut. It explains; it never decides.

Raw material is a ribbon with one kind of crimped connector at both ends, every conductor on the same pin of
each. A lead is made of one half of it: one of its plugs, and the conductors that the lead's nets use there.
Of a fault that may be at either plug continuity cannot tell at which; so a conductor counts as fit only where
both halves are sure to have it, and a lead as served only where any half will do. One thing no tester sees: a
conductor that is cut among others that are tied inside both plugs.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from pinwright.cable.connectors import Connector
from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import End, Joined, Net, Profile
from pinwright.verdict.facts import Facts
from pinwright.verdict.resistances import ohms_text
from pinwright.verdict.words import Finding, both

# Positions at which plugs of so many ways have their key: the hole is closed, or the contact left out. 40:
# pin 20 (ATA-3, annex A). 10: pin 7 (Arm Cortex debug), 10 (serial ports on boards); 9 and all others
# from memory.
KEYS: Mapping[int, tuple[int, ...]] = {10: (7, 9, 10), 16: (16,), 26: (26,), 34: (3, 5), 40: (20,)}

# What a conductor can be, in words; the gravest first.
STATES: Mapping[str, str] = {
    "open": "open",
    "key": "open, perhaps by a key",
    "misplaced": "on another pin",
    "tied": "tied",
    "bridged": "bridged",
    "leaking": "leaking",
    "resistive": "with a bad joint",
    "unsteady": "unsteady",
}
_TWO_A_PIN = re.compile(r"\b(\d+) conductors\b")  # in what a profile says of its wire
_TIED = 3  # joined conductors from which on they were tied on purpose, it seems


@dataclass(frozen=True, slots=True)
class Flaw:
    """What is wrong with some conductors. state: a key of `STATES`. conductors: their numbers, from 1.
    pins: theirs, at both ends."""

    state: str
    conductors: tuple[int, ...]
    pins: tuple[Pin, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Lead:
    """A cable of the library with this connector on it. ends: those that any half of the ribbon will do for.
    why_not: of the others, what stands against them: `end C: conductor 20 open`."""

    id: str
    title: str
    ends: tuple[str, ...]
    why_not: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Fitness:
    """conductors: how many the ribbon has. fit: the numbers of those without a flaw. leads: by id."""

    connector: str
    conductors: int
    fit: tuple[int, ...]
    flaws: tuple[Flaw, ...]
    leads: tuple[Lead, ...]

    @property
    def serves(self) -> tuple[Lead, ...]:
        return tuple(lead for lead in self.leads if lead.ends)

    @property
    def text(self) -> str:
        """How many conductors are fit, in a sentence without a full stop."""
        good, count = len(self.fit), self.conductors
        if good == count:
            return f"as raw material: all {count} conductors are fit"
        return f"as raw material: {good or 'none'} of {count} conductors {'is' if good == 1 else 'are'} fit"


# Said wherever a flaw may be in one half only.
WHICH_HALF = (
    "Once the ribbon is cut, a flaw may be in one half only: continuity cannot tell in which. So only what "
    "is sure of both halves is counted; scan each finished lead."
)


def is_raw(profile: Profile) -> bool:
    """Whether it is raw material by what it is: the same crimped connector at two ends, every conductor on
    the same pin of both, and no signal named."""
    if len(profile.ends) != 2 or any(end.signals for end in profile.ends):
        return False
    one, other = profile.ends
    straight = {frozenset((Pin(one.name, pin), Pin(other.name, pin))) for pin in one.connector.conductors}
    return bool(
        one.connector == other.connector
        and len(straight) == len(one.connector.pins)
        and straight == {frozenset(net.pins) for net in profile.nets}
    )


def fitness(
    profile: Profile, facts: Facts, findings: Sequence[Finding], library: Iterable[Profile]
) -> Fitness | None:
    """What is wrong with the conductors of a raw ribbon, and which leads of the library it still serves for.

    findings: those of the facts. None where the profile is no raw material, or where its plugs are in wrong
    sockets or not in: then nothing is known of it.
    """
    if not is_raw(profile) or any(finding.kind in ("socket", "absent") for finding in findings):
        return None
    ribbon = _Ribbon(profile, facts)
    plug = profile.ends[0].connector
    flaws = tuple(ribbon.flaws())
    bad = {number for flaw in flaws for number in flaw.conductors}
    leads = [_lead(one, plug, ribbon, flaws) for one in library if one.id != profile.id]
    count = len(plug.conductors)
    return Fitness(
        plug.name,
        count,
        tuple(number for number in range(1, count + 1) if number not in bad),
        flaws,
        tuple(sorted((lead for lead in leads if lead), key=lambda lead: lead.id)),
    )


class _Ribbon:
    """The facts of a raw ribbon by conductor. groups: conductors that are joined, and may be at one end only;
    beyond: those that are joined to a position of the tester that is no pin of the ribbon."""

    def __init__(self, profile: Profile, facts: Facts) -> None:
        self.facts = facts
        self.max_ohms = profile.max_ohms
        self.ends = profile.ends
        self.names = profile.ends[0].connector.conductors
        self.number_of = {
            Pin(end.name, pin): number
            for end in profile.ends
            for number, pin in enumerate(self.names, start=1)
        }
        self.unsteady = self.numbers(pin for pair in facts.doubtful for pin in pair)
        self.apart = self.numbers(pin for missing in facts.missing for pin in missing.net.pins)
        self.groups: list[tuple[int, ...]] = []
        self.moved: list[tuple[Pin, Pin]] = []
        self.beyond: list[tuple[int, ...]] = []
        for extra in facts.extra:
            own = [pin for pin in extra.pins if pin in self.number_of]
            numbers = tuple(sorted(self.numbers(own)))
            if numbers and len(own) < len(extra.pins):
                self.beyond.append(numbers)
            if len(own) == len(numbers) == len({pin.end for pin in own}) == 2:
                self.moved.append((own[0], own[1]))  # from end to end, but to another pin
            elif len(numbers) > 1:
                self.groups.append(numbers)

    def numbers(self, pins: Iterable[Pin]) -> frozenset[int]:
        return frozenset(self.number_of[pin] for pin in pins if pin in self.number_of)

    def pins(self, numbers: Iterable[int]) -> tuple[Pin, ...]:
        wanted = sorted(numbers)
        return tuple(Pin(end.name, self.names[number - 1]) for end in self.ends for number in wanted)

    def flaws(self) -> Iterator[Flaw]:
        """The gravest first. A conductor may have several."""
        moved = self.numbers(pin for pair in self.moved for pin in pair)
        apart = self.apart - moved - self.unsteady
        keys = apart.intersection(KEYS.get(len(self.names), ()))
        if cut := apart - keys:
            where = "cut, or without contact at one of its ends"
            yield self._flaw("open", cut, f"{_are(cut)} open: {where}")
        for number in sorted(keys):
            yield self._flaw("key", {number}, self._key(number))
        if moved:
            yield self._flaw("misplaced", moved, self._misplaced(moved))
        for group in self.groups:
            yield self._flaw("tied" if len(group) >= _TIED else "bridged", group, _joined(group))
        for numbers in self.beyond:
            text = f"{_are(numbers)} joined to positions of the tester where the ribbon has no pin"
            yield self._flaw("bridged", numbers, text)
        told = self.apart.union(moved, *self.groups, *self.beyond)  # what joins these wrongly reads as a leak
        for leak in self.facts.leaks:
            numbers = tuple(sorted(self.numbers(leak.pins) - told))
            if numbers and not leak.ok:
                text = f"{_names(numbers)} {_s('leak', numbers)}: {ohms_text(leak.ohms)} to the others"
                yield self._flaw("leaking", numbers, text)
        bad = [link for link in self.facts.links if not link.ok]
        for number in sorted(self.numbers(link.start for link in bad)):
            ohms = max(link.ohms for link in bad if self.number_of[link.start] == number)
            text = f"conductor {number} has a bad joint: {ohms_text(ohms)}"
            yield self._flaw("resistive", {number}, text)
        if self.unsteady:
            yield self._flaw("unsteady", self.unsteady, f"{_names(self.unsteady)} came and went")

    def _flaw(self, state: str, numbers: Iterable[int], text: str) -> Flaw:
        return Flaw(state, tuple(sorted(numbers)), self.pins(numbers), text)

    def _key(self, number: int) -> str:
        return (
            f"conductor {number} is open where many plugs of {len(self.names)} ways are blind, for a key: "
            "closed in one of the plugs or in both, or cut"
        )

    def _misplaced(self, moved: frozenset[int]) -> str:
        pairs = sorted(self.moved, key=lambda pair: in_order(pair[0]))
        shown = [f"{one} to {other}" for one, other in pairs[:3]]
        more = f", and {len(self.moved) - 3} more" if len(self.moved) > 3 else ""
        return f"{_are(moved)} on another pin at one end: {', '.join(shown)}{more}"


def _joined(group: Sequence[int]) -> str:
    if len(group) < _TIED:
        return f"{_are(group)} bridged, at one end or between"
    return (
        f"{_are(group)} tied, it seems inside one of the plugs, as grounds are; if inside both, one that is "
        "cut does not show"
    )


def _lead(lead: Profile, plug: Connector, ribbon: _Ribbon, flaws: Sequence[Flaw]) -> Lead | None:
    """Whether the ribbon serves for a lead; None where the lead has no such connector."""
    ends: dict[str, list[str]] = {}  # why not → the ends it holds for
    for end in lead.ends:
        if end.connector == plug:
            ends.setdefault("; ".join(_why_not(lead, end, ribbon, flaws)), []).append(end.name)
    good = tuple(ends.pop("", ()))
    why_not = tuple(f"{ends_text(names)}: {why}" for why, names in ends.items())
    return Lead(lead.id, lead.title, good, why_not) if good or why_not else None


def _why_not(lead: Profile, end: End, ribbon: _Ribbon, flaws: Sequence[Flaw]) -> Iterator[str]:
    """What stands against one half of the ribbon as this end of the lead; nothing where any half will do."""
    more = _TWO_A_PIN.search(lead.wire or "")
    if lead.wiring_text.startswith("paired-ground") or (more and int(more[1]) != len(ribbon.names)):
        yield "has another ribbon, with more conductors than pins"
        return
    net_of = {pin.name: net for net in lead.nets for pin in net.pins if pin.end == end.name}
    used = {number for number, pin in enumerate(ribbon.names, start=1) if pin in net_of}
    for state, of_it in groupby(flaws, key=lambda flaw: flaw.state):
        numbers = used.intersection(number for flaw in of_it for number in flaw.conductors)
        if numbers and state not in ("tied", "bridged"):
            yield f"{_names(numbers)} {STATES[state]}"
    for group in ribbon.groups:
        needed = sorted(used.intersection(group))
        free = [number for number in group if number not in used]
        nets = {net_of[ribbon.names[number - 1]] for number in needed}
        commons = {net.common for net in nets}
        common = commons.pop() if len(commons) == 1 else ""
        how = "tied" if len(group) >= _TIED else "bridged"
        if not needed:  # a scan of the lead wants unused pins apart, too
            yield f"{_names(free)} {how}, which must be free"
        elif free:
            yield f"{_names(needed)} {how} to {_names(free)}, which must be free"
        elif len(nets) > 1 and not (common and lead.common[common] is Joined.OPTIONAL):
            yield f"{_names(needed)} {how}"
    yield from _beyond_limits(lead, net_of, ribbon)
    for stray in ribbon.beyond:
        if needed := sorted(used.intersection(stray)):
            yield f"{_names(needed)} joined to something else"


def _beyond_limits(lead: Profile, net_of: Mapping[str, Net], ribbon: _Ribbon) -> Iterator[str]:
    """What is good enough for the ribbon's own profile, and not for the lead. A link's limit is the profile's
    and what the tester adds to it; half of the ribbon is held to have as much as all of it."""
    limit_of = {
        number: lead.limit(net_of[pin]) for number, pin in enumerate(ribbon.names, start=1) if pin in net_of
    }
    high = set()
    for link in ribbon.facts.links:
        number = ribbon.number_of.get(link.start)
        if link.ok and number in limit_of:
            most = link.limit - ribbon.max_ohms + limit_of[number].max_ohms
            high |= {number} if link.ohms > most else set()
    if high:
        yield f"{_names(high)} with more resistance than its links may have"
    leaking = {
        number
        for leak in ribbon.facts.leaks
        for number in ribbon.numbers(leak.pins) & limit_of.keys()
        if leak.ok and leak.ohms < limit_of[number].min_leak_ohms
    }
    if leaking:
        yield f"{_names(leaking)} leaking more than the lead may"


def ends_text(names: Sequence[str]) -> str:
    """`end A`, `ends A and B`."""
    return f"end {names[0]}" if len(names) == 1 else f"ends {both(names)}"


def _names(numbers: Iterable[int]) -> str:
    """`conductor 3`, `conductors 3, 4 and 7 to 12`."""
    ordered = sorted(numbers)
    runs: list[str] = []
    for _, run in groupby(enumerate(ordered), key=lambda placed: placed[1] - placed[0]):
        one = [number for _, number in run]
        runs += [f"{one[0]} to {one[-1]}"] if len(one) > 2 else map(str, one)
    return f"{_s_of('conductor', ordered)} {both(runs)}"


def _are(numbers: Iterable[int]) -> str:
    told = list(numbers)
    return f"{_names(told)} {'is' if len(told) == 1 else 'are'}"


def _s_of(noun: str, numbers: Sequence[int]) -> str:
    return noun if len(numbers) == 1 else f"{noun}s"


def _s(verb: str, numbers: Sequence[int]) -> str:
    return f"{verb}s" if len(numbers) == 1 else verb
