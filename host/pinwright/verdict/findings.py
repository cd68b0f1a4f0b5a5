"""explain(): the story of the facts in words, with what to do. Explanations never decide."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from pinwright.cable.connectors import Connector
from pinwright.cable.geometry import columns, orders
from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.verdict.facts import Facts
from pinwright.verdict.resistances import OVER_MEDIAN_OHMS, Leak, Link, ohms_text
from pinwright.verdict.sockets import Misplugged, Moved
from pinwright.verdict.stories import Beyond, stories
from pinwright.verdict.telling import tell
from pinwright.verdict.words import CLEAN, KINDS, MANY_NETS, Finding, across, both, ordered

_RANK = {kind: number for number, kind in enumerate(KINDS)}
_ALIKE = 0.15  # how far two readings of one leak may be apart
_NOTHING_OHMS = 100_000.0  # no joint that the scan found to conduct has so much
_A_RUN = 3  # bad joints side by side from which on they are one thing


def explain(
    profile: Profile,
    facts: Facts,
    plugged: Misplugged | None = None,
    library: Iterable[Profile] = (),
    beyond: Beyond | None = None,
) -> tuple[Finding, ...]:
    """Findings that cover every fact: the cheapest story of what happened, then leaks and bad joints.

    library: other cables it may be. beyond: as `stories` takes it. Where plugs are in wrong sockets, that
    leads and covers every fact; what is left of the cable's own faults follows, its pins named as they are
    plugged.
    """
    if plugged:
        left = explain(profile, plugged.facts, None, library)
        return (_socket(plugged, facts, len(left)), *left)
    wrong = facts.missing or facts.extra
    told = stories(profile, facts.nets, library, beyond, facts.doubtful) if wrong else ()
    findings = [*tell(profile, facts, told), *_leaks(facts), *_resistive(profile, facts)]
    return _in_order(findings) if _covers(findings, facts) else explain_plainly(facts)


def _covers(findings: Iterable[Finding], facts: Facts) -> bool:
    """Whether every fact is among what one of the findings speaks of."""
    spoken = [set(finding.pins) for finding in findings]
    at_fault = [fact.net.pins for fact in facts.missing] + [fact.pins for fact in facts.extra]
    return all(any(pins.issuperset(fact) for pins in spoken) for fact in at_fault)


def explain_plainly(facts: Facts) -> tuple[Finding, ...]:
    """Findings that cover every fact and name its pins, no more: where an explanation cannot be had."""
    look = "Look at these contacts and the conductors between them."
    findings = [
        *(
            Finding("open", f"not in one piece: {both(fact.net.pins)}", fact.net.pins, look)
            for fact in facts.missing
        ),
        *(Finding("short", f"wrongly joined: {both(fact.pins)}", fact.pins, look) for fact in facts.extra),
        *(
            Finding("resistive", f"too much resistance at {link.start}", (link.start, *link.to), look)
            for link in facts.links
            if not link.ok
        ),
        *(
            Finding("leakage", f"leaking: {both(leak.pins)}", leak.pins, look)
            for leak in facts.leaks
            if not leak.ok
        ),
    ]
    return _in_order(findings)


def _in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(findings, key=lambda finding: _RANK[finding.kind]))


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
    plug = both([f"end {one.end} into {one.should}" for one in moved])
    hope = "the cable itself may be good" if not left else "the other faults listed here will still be there"
    return Finding("socket", text, ordered(pins), f"Plug {plug} and scan again: {hope}.")


def _seem(moved: tuple[Moved, ...]) -> str:
    """`end A is in J2 and end C in J1`."""
    return both([f"end {one.end} {'is ' if one is moved[0] else ''}in {one.seems}" for one in moved])


def _leaks(facts: Facts) -> Iterator[Finding]:
    """Leaks below their limit, but for those of wrong contacts and across an open; two that are alike are
    told as one."""
    told = {pin for extra in facts.extra for pin in extra.pins}
    told |= {
        pin for missing in facts.missing for leak in across(missing.net.pins, facts) for pin in leak.pins
    }
    bad = [leak for leak in facts.leaks if not leak.ok and told.isdisjoint(leak.pins)]
    if len(bad) == 2 and abs(bad[0].ohms - bad[1].ohms) <= _ALIKE * max(bad[0].ohms, bad[1].ohms):
        one, other = bad
        yield Finding(
            "leakage",
            f"{_who(one)} and {_who(other)} leak, to each other it seems: "
            f"{ohms_text((one.ohms + other.ohms) / 2)}; the limit is "
            f"{ohms_text(max(one.limit, other.limit))}",
            (*one.pins, *other.pins),
            CLEAN,
        )
        return
    for leak in bad:
        yield Finding(
            "leakage",
            f"{_who(leak)} leaks: {ohms_text(leak.ohms)} to everything else; the limit is "
            f"{ohms_text(leak.limit)}",
            leak.pins,
            CLEAN,
        )


def _who(leak: Leak) -> str:
    """`D7 (A.15–B.33)`, or the pins alone; of many the first."""
    pins = "–".join(map(str, leak.pins[:MANY_NETS])) + ("…" if len(leak.pins) > MANY_NETS else "")
    return f"{both(leak.signals)} ({pins})" if leak.signals else pins


def _resistive(profile: Profile, facts: Facts) -> Iterator[Finding]:
    """Bad joints; those side by side in one row as one."""
    bad = [link for link in facts.links if not link.ok]
    left = [link for link in bad if link.ohms < _NOTHING_OHMS]
    yield from (_bad_joint(link) for link in bad if link not in left)
    while True:
        runs = [
            run for end in profile.ends for run in _runs_of_joints(profile, end.name, end.connector, left)
        ]
        if not runs:
            break
        end, text, links = max(runs, key=lambda run: len(run[2]))
        yield _cold(end, text, links)
        left = [link for link in left if link not in links]
    yield from (_bad_joint(link) for link in left)


def _runs_of_joints(
    profile: Profile, end: str, plug: Connector, links: Sequence[Link]
) -> Iterator[tuple[str, str, list[Link]]]:
    """Runs of bad joints along one end: the end, where, and the links; unused pins between do not count."""
    bad = {pin.name: link for link in links for pin in (link.start, *link.to[:1]) if pin.end == end}
    used = {pin.name for net in profile.nets for pin in net.pins if pin.end == end}
    for order in (*orders(plug), columns(plug)):
        run: list[str] = []
        for pin in (*(pin for pin in order.pins if pin in used), ""):
            if pin in bad:
                run.append(pin)
                continue
            told = list(dict.fromkeys(bad[one] for one in run))
            if len(told) >= _A_RUN:
                span = f"{Pin(end, run[0])} to {Pin(end, run[-1])}"
                yield end, f"at end {end}, {order.text}, {span}", told
            run = []


def _cold(end: str, where: str, links: Sequence[Link]) -> Finding:
    least, most = (pick(link.ohms for link in links) for pick in (min, max))
    limits = both(list(dict.fromkeys(ohms_text(link.limit) for link in links)))
    return Finding(
        "resistive",
        f"{len(links)} bad joints side by side {where}: {ohms_text(least)} to {ohms_text(most)}; the limit "
        f"is {limits}, and {OVER_MEDIAN_OHMS:g} Ω above the median of the cable's links",
        ordered(pin for link in links for pin in (link.start, *link.to)),
        "So many in a row are most likely dry joints of a cold iron, or a crimp that is not pressed home: "
        f"solder or press them again at {end}, then scan again. If that does not help, do so at their other "
        "end.",
    )


def _bad_joint(link: Link) -> Finding:
    to = both(link.to) if len(link.to) <= MANY_NETS else f"the other {len(link.to)} pins of its net"
    over, why = link.over_median, ""
    if over is not None and over > OVER_MEDIAN_OHMS:
        why = f", {ohms_text(over)} above the median of the cable's links ({OVER_MEDIAN_OHMS:g} Ω may be)"
    if link.ohms - link.uncertainty > link.limit or not why:
        why += f"; the limit is {ohms_text(link.limit)}"
    who = f"{link.signal}, " if link.signal else ""
    if link.ohms >= _NOTHING_OHMS:
        return Finding(
            "intermittent",
            f"{who}{link.start} to {to} comes and goes: it conducted in the scan, and not when it was "
            "measured",
            (link.start, *link.to),
            "Look for a loose crimp or a cracked joint on this conductor: wiggle each end, and scan again.",
        )
    return Finding(
        "resistive",
        f"{who}{link.start} to {to} measures {ohms_text(link.ohms)} ± {ohms_text(link.uncertainty)}{why}",
        (link.start, *link.to),
        "Resolder or crimp this conductor again at both ends, then look for a nick or broken strands "
        "between.",
    )
