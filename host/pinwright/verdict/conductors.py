"""conductors(): a row for each net, as terminal and pages list them: where it leads, what was found."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import Profile
from pinwright.verdict.facts import Facts
from pinwright.verdict.words import Finding

# What a finding makes of a conductor, in a word.
STATE = {
    "open": "open",
    "short": "joined",
    "leakage": "leaking",
    "resistive": "resistive",
    "swap": "exchanged",
    "intermittent": "unsteady",
    "socket": "misplugged",
    "absent": "absent",
    "reversed": "reversed",
    "shifted": "shifted",
    "misrouted": "misplaced",
    "exchanged": "ends exchanged",
    "wrong-cable": "other cable",
}


@dataclass(frozen=True, slots=True)
class Conductor:
    """One net of the profile, or an unused pin that something is joined to.

    to: where the first pin should lead; none for an unused pin. found: what was found joined to the first
    pin, in words. states: words for what is wrong, the gravest first; none where it is as it should be.
    singly: no other conductor runs beside it from end to end, so that it is proven by itself. ohms: what was
    measured along it, the worst where it has several contacts; None where nothing was.
    """

    signal: str
    first: Pin
    to: tuple[Pin, ...]
    found: str
    states: tuple[str, ...]
    singly: bool = True
    ohms: float | None = None

    @property
    def state(self) -> str:
        """`ok`, `ok, not singly`, or what is wrong."""
        return ", ".join(self.states) or ("ok" if self.singly else "ok, not singly")


def shared_conductors(pieces: Iterable[Sequence[Pin]]) -> int:
    """How many conductors may run beside others of the same measured piece, so that one could be broken.

    A piece with one pin at an end has no such conductors there: each of its pins is proven by itself.
    With two or more at both ends, the end with fewer pins says how many conductors there are.
    """
    counts = [sorted(Counter(pin.end for pin in piece).values()) for piece in pieces]
    return sum(pins for ends in counts for pins in ends[:-1] if pins > 1)


def conductors(profile: Profile, facts: Facts, findings: Sequence[Finding]) -> tuple[Conductor, ...]:
    """Every net in the profile's order, then the unused pins at fault. findings: those of these facts."""
    return tuple(_rows(profile, facts, findings))


def _rows(profile: Profile, facts: Facts, findings: Sequence[Finding]) -> Iterator[Conductor]:
    wrong = {fact.net.pins for fact in facts.missing}
    wrong |= {net.pins for fact in facts.extra for net in fact.nets}
    bad = {pin for link in facts.links if not link.ok for pin in (link.start, *link.to)}
    bad |= {pin for leak in facts.leaks if not leak.ok for pin in leak.pins}
    beside = {pin for piece in facts.nets if shared_conductors([piece]) for pin in piece}
    for net in profile.nets:
        first, *rest = net.pins
        states = _states(net.pins, findings) if net.pins in wrong or bad.intersection(net.pins) else ()
        yield Conductor(
            net.signal,
            first,
            tuple(rest),
            _found(first, facts),
            states,
            first not in beside,
            max((link.ohms for link in facts.links if link.start in net.pins), default=None),
        )
    used = {pin for net in profile.nets for pin in net.pins}
    joined = [pin for fact in facts.extra for pin in fact.unused]
    for pin in dict.fromkeys([*joined, *sorted(bad - used, key=in_order)]):
        yield Conductor("", pin, (), _found(pin, facts), _states((pin,), findings))


def _states(pins: Sequence[Pin], findings: Sequence[Finding]) -> tuple[str, ...]:
    """The words of all findings that speak of these pins, which are at fault even if none does."""
    told = (STATE.get(finding.kind, finding.kind) for finding in findings if set(finding.pins) & set(pins))
    return tuple(dict.fromkeys(told)) or ("at fault",)


def _found(pin: Pin, facts: Facts) -> str:
    """What a pin was found joined to, steadily or at times."""
    steady = [other for piece in facts.nets if pin in piece for other in piece if other != pin]
    at_times = [other for pair in facts.doubtful if pin in pair for other in pair if other != pin]
    told = [" ".join(map(str, steady))] if steady else []
    told += [f"{other} at times" for other in at_times if other not in steady]
    return ", ".join(told) or "nothing"
