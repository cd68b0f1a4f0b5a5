"""The one way from a scan to a verdict: host and board judge it, and must agree."""

from __future__ import annotations

from dataclasses import replace

from pinwright.cable.profile import Profile
from pinwright.errors import Disagreement
from pinwright.tester.session import BoardVerdict, Scan
from pinwright.verdict.facts import Facts, compare
from pinwright.verdict.resistances import resistances


def decide(profile: Profile, scan: Scan, *, ohms: bool = True) -> Facts:
    """The host's facts, once the board is found to have the same. Raises Disagreement.

    Also where a contact is in doubt that makes nothing missing and nothing extra: two pins of a net
    that hangs together otherwise. There is no fault to name then, and no ground for a pass. What was measured
    in ohms the host judges alone; SelfCheckFailed where that cannot be trusted. ohms: whether that was to be.
    """
    facts = compare(profile, scan.evidence.measurement(scan.placement))
    ours = BoardVerdict(
        facts.continuous,
        frozenset(frozenset(map(frozenset, fact.pieces)) for fact in facts.missing),
        frozenset(frozenset(fact.pins) for fact in facts.extra),
    )
    if ours != scan.board_verdict:
        raise Disagreement(
            f"board and host judge this scan differently: {_in_words(scan.board_verdict)} says the board, "
            f"{_in_words(ours)} says the host",
            hint="scan again; if it happens again, one of the two has a fault: please report it",
        )
    if facts.unsure and not (facts.missing or facts.extra):
        pairs = ", ".join(f"{one}–{other}" for one, other in facts.unsure[:6])
        raise Disagreement(
            f"contacts conducted in some looks and not in others: {pairs}",
            hint="press the plugs home, keep the cable still, and scan again; if it stays so, resolder these",
        )
    if scan.readings is None:
        if ohms and scan.hello.lane != "none":
            raise Disagreement("the tester has an ohms lane, and nothing was measured with it")
        return facts
    return replace(facts, resistances=resistances(profile, scan.evidence, scan.placement, scan.readings))


def _in_words(verdict: BoardVerdict) -> str:
    outcome = "pass" if verdict.passed else "fail"
    return f"{outcome} with {len(verdict.missing)} nets in pieces and {len(verdict.extra)} wrongly joined"
