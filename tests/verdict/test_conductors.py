"""A row for each net: never "ok" for one that is not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.profile import Profile
from pinwright.tester.measurement import Measurement
from pinwright.verdict.conductors import conductors, shared_conductors
from pinwright.verdict.facts import Facts, compare
from pinwright.verdict.findings import explain
from pinwright.verdict.resistances import Leak, Link, Resistances

PROFILE = Profile.from_dict(
    {
        "cable": {"id": "x"},
        "ends": {
            end: {"connector": "row-5", "signals": {"1": "GND", "2": "GND", "3": "CLOCK"}} for end in "AB"
        },
        "wiring": {"wires": [[f"A.{n}", f"B.{n}"] for n in range(1, 5)]},
        "common": {"GND": {"joined": "optional"}},
    }
)


def facts(*groups: str) -> Facts:
    joined = tuple(tuple(map(parse_pin, group.split())) for group in groups)
    return compare(PROFILE, Measurement(frozenset(PROFILE.pins()), joined))


def states(found: Facts, *, explained: bool = True) -> list[tuple[Pin, str]]:
    findings = explain(PROFILE, found) if explained else ()
    return [(row.first, row.state) for row in conductors(PROFILE, found, findings)]


OPEN_AND_JOINED = ("A.2 B.2", "A.3 B.3 A.5", "A.4 B.4")


@pytest.mark.parametrize(
    ("explained", "expected"),
    [
        (True, ["open", "ok", "joined", "ok", "joined"]),
        (False, ["at fault", "ok", "at fault", "ok", "at fault"]),
    ],
)
def test_a_fault_shows_whether_or_not_a_finding_speaks_of_it(explained: bool, expected: list[str]) -> None:
    told = states(facts(*OPEN_AND_JOINED), explained=explained)
    assert [(Pin("A", str(n)), state) for n, state in enumerate(expected, 1)] == told


def test_conductors_that_are_joined_at_both_ends_are_ok_but_not_singly() -> None:
    whole = [f"A.{n} B.{n}" for n in range(1, 5)]
    assert {"ok"} == {state for _, state in states(facts(*whole))}
    for linked in ([*whole, "A.1 A.2"], ["A.1 A.2 B.1 B.2", *whole[2:]]):
        assert ["ok, not singly"] * 2 + ["ok"] * 2 == [state for _, state in states(facts(*linked))]
        assert 2 == shared_conductors(facts(*linked).nets)


def test_a_row_has_the_worst_ohms_of_its_net_and_says_what_is_wrong_with_them() -> None:
    good = facts("A.1 B.1", "A.2 B.2", "A.3 B.3", "A.4 B.4")
    links = [
        Link("", parse_pin(f"A.{n}"), (parse_pin(f"B.{n}"),), ohms, 3.9, 5.0, None, ok)
        for n, ohms, ok in ((1, 0.2, True), (2, 0.3, True), (3, 12.0, False), (4, 0.4, True))
    ]
    leaks = [
        Leak((), (parse_pin("A.4"), parse_pin("B.4")), 5e3, 1e5, ok=False),
        Leak((), (parse_pin("B.5"),), 6e3, 1e5, ok=False),
    ]
    found = replace(good, resistances=Resistances(tuple(links), tuple(leaks)))
    rows = conductors(PROFILE, found, explain(PROFILE, found))
    assert [0.2, 0.3, 12.0, 0.4, None] == [row.ohms for row in rows]
    assert ["ok", "ok", "resistive", "leaking", "leaking"] == [row.state for row in rows]
    assert "B.5" == str(rows[-1].first)
    assert ["ok", "ok", "at fault", "at fault", "at fault"] == [
        row.state for row in conductors(PROFILE, found, ())
    ]


def test_without_a_lane_no_row_has_ohms() -> None:
    assert {None} == {row.ohms for row in conductors(PROFILE, facts("A.1 B.1"), ())}
