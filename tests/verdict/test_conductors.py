"""A row for each net: never "ok" for one that is not."""

from __future__ import annotations

import pytest

from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.profile import Profile
from pinwright.tester.measurement import Measurement
from pinwright.verdict.conductors import conductors, shared_conductors
from pinwright.verdict.facts import Facts, compare
from pinwright.verdict.findings import explain

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
    findings = explain(found) if explained else ()
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
