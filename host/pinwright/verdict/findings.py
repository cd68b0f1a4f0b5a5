"""explain(): the facts in words, with what to do. Explanations never decide."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import Profile
from pinwright.verdict.facts import Extra, Facts, Missing
from pinwright.verdict.resistances import OVER_MEDIAN_OHMS, Leak, Link, ohms_text
from pinwright.verdict.sockets import Misplugged, Moved


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong. pins: those it speaks of.

    kind: `socket` (plugged into a wrong place), `absent` (not plugged in, it seems), `swap`, `open`, `short`,
    `leakage`, `resistive` or `intermittent`.
    """

    kind: str
    text: str
    pins: tuple[Pin, ...]
    remedy: str


def explain(profile: Profile, facts: Facts, plugged: Misplugged | None = None) -> tuple[Finding, ...]:
    """Findings that cover every fact: ends at which nothing conducts, then exchanged pairs, opens, shorts,
    leaks, bad joints and unsteady contacts.

    Where plugs are in wrong sockets, that leads and covers every fact; what is left of the cable's own
    faults follows, its pins named as they are plugged.
    """
    if plugged:
        left = explain(profile, plugged.facts)
        return (_socket(plugged, facts, len(left)), *left)
    swaps = tuple(_swaps(facts))
    told = {id(fact) for pair in swaps for fact in pair}
    silent = _silent_ends(facts)
    absent = [fact for fact in facts.missing if any(pin.end in silent for pin in fact.net.pins)]
    told |= {id(fact) for fact in absent if _whole_but_for(silent, fact)}
    opens = [fact for fact in facts.missing if id(fact) not in told]
    settled = {net.pins for pair in swaps for fact in pair for net in [fact.net]}
    shorts = [fact for fact in facts.extra if not _is_of_swaps(fact, settled)]
    findings = [_absent(silent, absent, facts)] if absent else []
    findings += [_swap(one, other, facts) for one, other in swaps]
    findings += [_open(fact, facts) for fact in opens]
    findings += [_short(fact, facts) for fact in shorts]
    findings += _leaks(facts)
    findings += [_resistive(link) for link in facts.links if not link.ok]
    return tuple(sorted(findings, key=lambda finding: _RANK[finding.kind]))


_MANY_NETS = 4
_MANY = 10  # pins that a sentence can still carry
_RANK = {"absent": 0, "swap": 1, "open": 2, "short": 3, "leakage": 4, "resistive": 5, "intermittent": 6}
_A_BRIDGE_OHMS, _A_LEAK_OHMS = 10.0, 500.0  # solder or wire below the one, dirt or moisture above the other
_ALIKE = 0.15  # how far two readings of one leak may be apart
_A_PLUG = 3  # conductors that are all open at one end are more likely a plug that is not in


def _socket(plugged: Misplugged, facts: Facts, left: int) -> Finding:
    moved = plugged.moved
    pins = {pin for missing in facts.missing for pin in missing.net.pins}
    pins |= {pin for extra in facts.extra for pin in extra.pins}
    pins |= {pin for leak in facts.leaks if not leak.ok for pin in leak.pins}
    pins |= {pin for link in facts.links if not link.ok for pin in (link.start, *link.to)}
    if len(moved) == 1:
        text = f"end {moved[0].end} is in {moved[0].seems}, not in {moved[0].should}"
    elif len(moved) == 2 and moved[0].should == moved[1].seems and moved[0].seems == moved[1].should:
        text = f"{_seem(moved)}: exchange them"
    else:
        text = f"{_seem(moved)}, each in a wrong place"
    plug = _list([f"end {one.end} into {one.should}" for one in moved])
    hope = "the cable itself may be good" if not left else "the other faults listed here will still be there"
    return Finding("socket", text, tuple(sorted(pins, key=in_order)), f"Plug {plug} and scan again: {hope}.")


def _silent_ends(facts: Facts) -> frozenset[str]:
    """Ends with a few conductors at least, none of which conducts to anything."""
    conducts = {pin.end for piece in (*facts.nets, *facts.doubtful) for pin in piece}
    ends = [end for fact in facts.missing for end in {pin.end for pin in fact.net.pins}]
    return frozenset(end for end in ends if end not in conducts and ends.count(end) >= _A_PLUG)


def _whole_but_for(silent: frozenset[str], fact: Missing) -> bool:
    """Whether the net hangs together at the other ends."""
    return sum(any(pin.end not in silent for pin in piece) for piece in fact.pieces) < 2


def _absent(silent: frozenset[str], absent: Sequence[Missing], facts: Facts) -> Finding:
    conducts = {pin.end for piece in facts.nets for pin in piece}
    ends = sorted(silent)
    named = f"end{'s' if len(ends) > 1 else ''} {_list(ends)}"
    where = named if conducts or facts.doubtful else "any end"
    return Finding(
        "absent",
        f"nothing conducts at {where}: is it plugged in?",
        tuple(sorted((pin for fact in absent for pin in fact.net.pins), key=in_order)),
        "Plug it in, press it home, and scan again. If it is in, look whether it is the right cable, and "
        "whether crimp or solder has reached any conductor.",
    )


def _seem(moved: tuple[Moved, ...]) -> str:
    """`end A is in J2 and end C in J1`."""
    return _list([f"end {one.end} {'is ' if one is moved[0] else ''}in {one.seems}" for one in moved])


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


def _list(things: Sequence[object]) -> str:
    """`A.1`, `A.1 and A.2`, `A.1, A.2 and A.3`."""
    names = [str(thing) for thing in things]
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
    across = _across(fact, facts)
    least = min((leak.ohms for leak in across), default=0.0)
    left = f"; {ohms_text(least)} was measured across it" if least >= _A_LEAK_OHMS else ""
    if _whole_at_times(fact, facts):
        return Finding(
            "intermittent",
            f"{_name(fact)} conducts in some looks and not in others: {pieces}{left}",
            fact.net.pins,
            "Look for a cracked joint or a loose contact on this conductor: resolder it or press the plug "
            "home, then scan again.",
        )
    if len(fact.net.pins) == 2:
        who = f"{fact.net.signal} is " if fact.net.signal else ""
        text = f"{who}open between {fact.net.pins[0]} and {fact.net.pins[1]}{left}"
    else:
        text = f"{_name(fact)} is open: it is in {len(fact.pieces)} pieces, {pieces}{left}"
    return Finding(
        "open",
        text,
        fact.net.pins,
        "Check the joint or the crimp at each end, then the conductor between. Continuity cannot tell which "
        "is broken.",
    )


def _across(fact: Missing, facts: Facts) -> list[Leak]:
    """The leaks of its pieces, where two at least leak: to each other then, for they belong together."""
    leaks = [leak for leak in facts.leaks if not leak.ok and set(leak.pins) <= set(fact.net.pins)]
    return leaks if len(leaks) > 1 else []


def _short(fact: Extra, facts: Facts) -> Finding:
    who = _joined_nets(fact)
    spare = f"; nothing should be on {_list(fact.unused)}" if fact.unused else ""
    ohms = min((leak.ohms for leak in facts.leaks if set(leak.pins) & set(fact.pins)), default=None)
    if ohms is not None and ohms >= _A_LEAK_OHMS:  # steady, even if some looks are too short-sighted for it
        text = f"{who} by a leak of {ohms_text(ohms)}: {_list(fact.pins)}{spare}"
        return Finding("leakage", text, fact.pins, _CLEAN)
    if _joined_at_times(fact, facts):
        return Finding(
            "intermittent",
            f"{who} in some looks and not in others: {_list(fact.pins)}{spare}",
            fact.pins,
            "Look for a whisker or a strand that moves between these pins, and for a wet or dirty spot, then "
            "scan again.",
        )
    by = "" if ohms is None else f" by a bridge of {ohms_text(ohms)}"
    if ohms is not None and ohms >= _A_BRIDGE_OHMS:
        by = f" by {ohms_text(ohms)}"
    return Finding(
        "short",
        f"{who}{by}: {_list(fact.pins)}{spare}",
        fact.pins,
        "Look for a solder bridge, a whisker or a strand between neighbours among these pins, and for a wire "
        "in the wrong place.",
    )


_CLEAN = "Clean off flux and moisture between these pins and their neighbours, let it dry, and scan again."


def _leaks(facts: Facts) -> Iterator[Finding]:
    """Leaks below their limit, but for those of wrong contacts and across an open; two that are alike are
    told as one."""
    told = {pin for extra in facts.extra for pin in extra.pins}
    told |= {pin for missing in facts.missing for leak in _across(missing, facts) for pin in leak.pins}
    bad = [leak for leak in facts.leaks if not leak.ok and told.isdisjoint(leak.pins)]
    if len(bad) == 2 and abs(bad[0].ohms - bad[1].ohms) <= _ALIKE * max(bad[0].ohms, bad[1].ohms):
        one, other = bad
        yield Finding(
            "leakage",
            f"{_who(one)} and {_who(other)} leak, to each other it seems: "
            f"{ohms_text((one.ohms + other.ohms) / 2)}; the limit is "
            f"{ohms_text(max(one.limit, other.limit))}",
            (*one.pins, *other.pins),
            _CLEAN,
        )
        return
    for leak in bad:
        yield Finding(
            "leakage",
            f"{_who(leak)} leaks: {ohms_text(leak.ohms)} to everything else; the limit is "
            f"{ohms_text(leak.limit)}",
            leak.pins,
            _CLEAN,
        )


def _who(leak: Leak) -> str:
    """`D7 (A.15–B.33)`, or the pins alone; of many the first."""
    pins = "–".join(map(str, leak.pins[:_MANY_NETS])) + ("…" if len(leak.pins) > _MANY_NETS else "")
    return f"{_list(leak.signals)} ({pins})" if leak.signals else pins


def _resistive(link: Link) -> Finding:
    to = _list(link.to) if len(link.to) <= _MANY_NETS else f"the other {len(link.to)} pins of its net"
    over, why = link.over_median, ""
    if over is not None and over > OVER_MEDIAN_OHMS:
        why = f", {ohms_text(over)} above the median of the cable's links ({OVER_MEDIAN_OHMS:g} Ω may be)"
    if link.ohms - link.uncertainty > link.limit or not why:
        why += f"; the limit is {ohms_text(link.limit)}"
    who = f"{link.signal}, " if link.signal else ""
    return Finding(
        "resistive",
        f"{who}{link.start} to {to} measures {ohms_text(link.ohms)} ± {ohms_text(link.uncertainty)}{why}",
        (link.start, *link.to),
        "Resolder or crimp this conductor again at both ends, then look for a nick or broken strands "
        "between.",
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
