"""What a finding is, and the words that findings share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from pinwright.cable.pins import Pin, in_order
from pinwright.verdict.facts import Extra, Facts, Missing
from pinwright.verdict.resistances import Leak

MANY = 10  # pins that a sentence can still carry
MANY_NETS = 4
A_BRIDGE_OHMS, A_LEAK_OHMS = 10.0, 500.0  # solder or wire below the one, dirt or moisture above the other
CLEAN = "Clean off flux and moisture between these pins and their neighbours, let it dry, and scan again."
WHICH_END = "Continuity cannot tell which end is wrong."


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong. pins: those it speaks of.

    kind: a key of `KINDS`.
    """

    kind: str
    text: str
    pins: tuple[Pin, ...]
    remedy: str


# What a finding can be, the leading one first.
KINDS: Mapping[str, str] = {
    "socket": "plugged into a wrong place of the tester",
    "absent": "not plugged in, it seems",
    "wrong-cable": "wired as another cable of the library",
    "exchanged": "two plugs of a cable exchanged",
    "reversed": "a whole plug turned, mirrored, or with its rows exchanged",
    "shifted": "a plug, or a run of its conductors, one place further",
    "swap": "two conductors exchanged",
    "misrouted": "conductors on other contacts",
    "open": "a connection is missing",
    "short": "joined and should not be",
    "leakage": "conducts a little, to where it should not",
    "resistive": "a bad joint",
    "intermittent": "conducts in some looks and not in others",
}


def both(things: Sequence[object]) -> str:
    """`A.1`, `A.1 and A.2`, `A.1, A.2 and A.3`."""
    names = [str(thing) for thing in things]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def either(things: Sequence[object]) -> str:
    """`A.1`, `A.1 or A.2`, `A.1, A.2 or A.3`."""
    names = [str(thing) for thing in things]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def ordered(pins: Iterable[Pin]) -> tuple[Pin, ...]:
    """Each once, in their order."""
    return tuple(sorted(set(pins), key=in_order))


def span(pins: Sequence[Pin]) -> str:
    """All of a run of pins, or where it begins and ends."""
    return both(pins) if len(pins) <= MANY else f"{pins[0]} to {pins[-1]}"


def net_name(fact: Missing) -> str:
    """What to call a net: its signal, else its pins."""
    return fact.net.signal or "–".join(map(str, fact.net.pins[:3])) + ("…" if len(fact.net.pins) > 3 else "")


def in_pieces(pieces: tuple[tuple[Pin, ...], ...]) -> str:
    """`A.1 and A.2 / B.1`; where one piece is large it is what the others came off from."""
    largest = max(pieces, key=len)
    if len(largest) <= MANY:
        return " / ".join(map(both, pieces))
    apart = " / ".join(both(piece) for piece in pieces if piece is not largest)
    return f"{apart} / the other {len(largest)} pins"


def joined_nets(fact: Extra) -> str:
    """`D7 and SEL0 are joined`; where a name would not tell which, or there are many, a count."""
    names = list(dict.fromkeys(net.signal or "–".join(map(str, net.pins[:2])) for net in fact.nets))
    if len(fact.nets) > MANY_NETS:
        return f"{len(fact.nets)} nets are joined"
    telling = len(names) > 1 and any(net.signal for net in fact.nets)
    return f"{' and '.join(names)} are joined" if telling else "wrongly joined"


def across(pins: Sequence[Pin], facts: Facts) -> list[Leak]:
    """The leaks of its pieces, where two at least leak: to each other then, for they belong together."""
    leaks = [leak for leak in facts.leaks if not leak.ok and set(leak.pins) <= set(pins)]
    return leaks if len(leaks) > 1 else []


def are_about(findings: Sequence[Finding], facts: Facts) -> bool:
    """Whether every fact has a finding that speaks of it, and what passed has none."""
    spoken = {pin for finding in findings for pin in finding.pins}
    at_fault = [fact.net.pins for fact in facts.missing] + [fact.pins for fact in facts.extra]
    at_fault += [(link.start, *link.to) for link in facts.links if not link.ok]
    at_fault += [leak.pins for leak in facts.leaks if not leak.ok]
    return not (facts.passed and findings) and not any(spoken.isdisjoint(pins) for pins in at_fault)
