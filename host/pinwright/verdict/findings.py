"""explain(): the facts in words, with what to do. Explanations never decide."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

from pinwright.cable.pins import Pin, in_order
from pinwright.verdict.facts import Extra, Facts, Missing


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong. kind: `swap`, `open`, `short` or `intermittent`. pins: those it speaks of."""

    kind: str
    text: str
    pins: tuple[Pin, ...]
    remedy: str


def explain(facts: Facts) -> tuple[Finding, ...]:
    """Findings that cover every fact, exchanged pairs first, then opens, shorts and unsteady contacts."""
    swaps = tuple(_swaps(facts))
    told = {id(fact) for pair in swaps for fact in pair}
    opens = [fact for fact in facts.missing if id(fact) not in told]
    settled = {net.pins for pair in swaps for fact in pair for net in [fact.net]}
    shorts = [fact for fact in facts.extra if not _is_of_swaps(fact, settled)]
    findings = [_swap(one, other, facts) for one, other in swaps]
    findings += [_open(fact, facts) for fact in opens]
    findings += [_short(fact, facts) for fact in shorts]
    return tuple(sorted(findings, key=lambda finding: _RANK[finding.kind]))


_MANY_NETS = 4
_MANY = 10  # pins that a sentence can still carry
_RANK = {"swap": 0, "open": 1, "short": 2, "intermittent": 3}


def _swaps(facts: Facts) -> Iterator[tuple[Missing, Missing]]:
    """Pairs of two-pin nets that are whole again when one pin of each is exchanged."""
    measured = {frozenset(piece) for piece in facts.nets}
    pairs = [fact for fact in facts.missing if len(fact.net.pins) == 2]
    piece_of = {pin: piece for piece in measured if len(piece) == 2 for pin in piece}
    done: set[Pin] = set()
    for one, other in combinations(pairs, 2):
        first = one.net.pins[0]
        pins = {*one.net.pins, *other.net.pins}
        crossed = {piece_of[pin] for pin in pins if pin in piece_of}
        if first not in done and len(crossed) == 2 and set().union(*crossed) == pins:
            done |= pins
            yield one, other


def _is_of_swaps(fact: Extra, settled: set[tuple[Pin, ...]]) -> bool:
    return len(fact.pins) == 2 and not fact.unused and all(net.pins in settled for net in fact.nets)


def _name(fact: Missing) -> str:
    """What to call a net: its signal, else its pins."""
    return fact.net.signal or "–".join(map(str, fact.net.pins[:3])) + ("…" if len(fact.net.pins) > 3 else "")


def _in_pieces(pieces: tuple[tuple[Pin, ...], ...]) -> str:
    """`A.1 and A.2 / B.1`; where one piece is large it is what the others came off from."""
    largest = max(pieces, key=len)
    if len(largest) <= _MANY:
        return " / ".join(map(_list, pieces))
    apart = " / ".join(_list(piece) for piece in pieces if piece is not largest)
    return f"{apart} / the other {len(largest)} pins"


def _list(pins: tuple[Pin, ...]) -> str:
    """`A.1`, `A.1 and A.2`, `A.1, A.2 and A.3`."""
    names = [str(pin) for pin in pins]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _swap(one: Missing, other: Missing, facts: Facts) -> Finding:
    (a, b), (c, d) = one.net.pins, other.net.pins
    e, f = (d, c) if {a, c} in map(set, facts.nets) else (c, d)  # a hangs on f, b on e
    signals = {fact.net.signal: None for fact in (one, other) if fact.net.signal}  # ordered
    who = " and ".join(signals) if len(signals) == 2 else f"{a}–{b} and {c}–{d}"
    return Finding(
        "swap",
        f"{who} are exchanged: {a} belongs with {b} and {c} with {d}, but they are crossed",
        tuple(sorted((a, b, c, d), key=in_order)),
        f"Exchange the two conductors at one end: at {a} and {e}, or at {b} and {f}. Continuity cannot tell "
        "which end is wrong.",
    )


def _open(fact: Missing, facts: Facts) -> Finding:
    pieces = _in_pieces(fact.pieces)
    if _whole_at_times(fact, facts):
        return Finding(
            "intermittent",
            f"{_name(fact)} conducts in some looks and not in others: {pieces}",
            fact.net.pins,
            "Look for a cracked joint or a loose contact on this conductor: resolder it or press the plug "
            "home, then scan again.",
        )
    if len(fact.net.pins) == 2:
        who = f"{fact.net.signal} is " if fact.net.signal else ""
        text = f"{who}open between {fact.net.pins[0]} and {fact.net.pins[1]}"
    else:
        text = f"{_name(fact)} is open: it is in {len(fact.pieces)} pieces, {pieces}"
    return Finding(
        "open",
        text,
        fact.net.pins,
        "Check the joint or the crimp at each end, then the conductor between. Continuity cannot tell which "
        "is broken.",
    )


def _short(fact: Extra, facts: Facts) -> Finding:
    who = _joined_nets(fact)
    spare = f"; nothing should be on {_list(fact.unused)}" if fact.unused else ""
    if _joined_at_times(fact, facts):
        return Finding(
            "intermittent",
            f"{who} in some looks and not in others: {_list(fact.pins)}{spare}",
            fact.pins,
            "Look for a whisker or a strand that moves between these pins, and for a wet or dirty spot, then "
            "scan again.",
        )
    return Finding(
        "short",
        f"{who}: {_list(fact.pins)}{spare}",
        fact.pins,
        "Look for a solder bridge, a whisker or a strand between neighbours among these pins, and for a wire "
        "in the wrong place.",
    )


def _joined_nets(fact: Extra) -> str:
    """`D7 and SEL0 are joined`; where a name would not tell which, or there are many, a count."""
    names = list(dict.fromkeys(net.signal or "–".join(map(str, net.pins[:2])) for net in fact.nets))
    if len(fact.nets) > _MANY_NETS:
        return f"{len(fact.nets)} nets are joined"
    telling = len(names) > 1 and any(net.signal for net in fact.nets)
    return f"{' and '.join(names)} are joined" if telling else "wrongly joined"


def _whole_at_times(fact: Missing, facts: Facts) -> bool:
    """Whether doubtful pairs join all pieces of the net."""
    links = [set(pins) for pins in (*facts.nets, *facts.doubtful)] if facts.doubtful else []
    reached = {fact.net.pins[0]}
    while more := [link for link in links if link & reached and not link <= reached]:
        reached.update(*more)
    return reached.issuperset(fact.net.pins)


def _joined_at_times(fact: Extra, facts: Facts) -> bool:
    """Whether a doubtful pair is among what joins these pins. One within a net joins nothing wrongly."""
    return any(
        set(fact.pins).issuperset(pair) and not any(set(net.pins).issuperset(pair) for net in fact.nets)
        for pair in facts.doubtful
    )
