"""Contacts that come and go: never a wrong kind of error, and what was seen to be in doubt never passes."""

from __future__ import annotations

import dataclasses

import pytest

from pinwright.cable.pins import Pin
from pinwright.virtual.bench import Link, TesterSpec

RUNS = 4
SMALL = TesterSpec(fitted=5)
ALLOWED = {"pass", "fail", "Disagreement", "SelfCheckFailed"}
WHEN = [(0.5, 1.0), (0.5, 7.0), (0.8, 50.0)]  # share of the period it conducts, period in ms
A_1, A_2, B_1 = Pin("A", "1"), Pin("A", "2"), Pin("B", "1")


def _check(outcome):
    assert outcome.verdict in ALLOWED, outcome
    if outcome.facts and outcome.facts.doubtful:
        assert "fail" == outcome.verdict, outcome


@pytest.mark.parametrize("where", ["link", "bridge"])
def test_an_intermittent_contact_gets_a_verdict_or_is_said_to_be_unsteady(where, workplace, good):
    profile = workplace.straight()
    links = good(profile)
    verdicts = []
    for closed, period_ms in WHEN:
        if where == "link":
            shaky = [dataclasses.replace(links[0], closed=closed, period_ms=period_ms), *links[1:]]
        else:
            shaky = [*links, Link((A_1, A_2), closed=closed, period_ms=period_ms)]
        verdicts += workplace.scans(profile, [shaky] * RUNS, SMALL)
    for outcome in verdicts:
        _check(outcome)
    assert "fail" in {outcome.verdict for outcome in verdicts}


def test_a_link_that_never_conducts_is_open_and_a_bridge_that_never_does_is_none(workplace, good):
    profile = workplace.straight()
    links = good(profile)
    never_a_link = [dataclasses.replace(links[0], closed=0.0), *links[1:]]
    never_a_bridge = [*links, Link((A_1, A_2), closed=0.0)]
    opened, good_one = workplace.scans(profile, [never_a_link, never_a_bridge], SMALL)
    assert ("fail", "pass") == (opened.verdict, good_one.verdict)
    assert [((A_1,), (B_1,))] == [fact.pieces for fact in opened.facts.missing]


def test_a_large_net_that_comes_and_goes_gets_no_wrong_kind_of_error(workplace):
    net = tuple(Pin("A", str(n)) for n in range(1, 21))
    profile = workplace.profile([net])
    cables = [
        (Link(net[:10]), Link(net[10:]), Link((net[3], net[13]), closed=closed, period_ms=period_ms))
        for closed, period_ms in WHEN
    ]
    for outcome in workplace.scans(profile, cables, SMALL):
        assert outcome.verdict in ALLOWED, outcome
