"""What a person reads of a plug in the wrong socket."""

from __future__ import annotations

import pytest

from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.profile import Profile
from pinwright.terminal import show_scan
from pinwright.tester.measurement import Measurement
from pinwright.verdict.facts import compare
from pinwright.verdict.findings import explain
from pinwright.verdict.sockets import Misplugged, Moved

PROFILE = Profile.from_dict(
    {
        "cable": {"id": "x", "title": "A lead"},
        "ends": {"A": {"connector": "row-3"}, "B": {"connector": "row-3"}},
        "wiring": {"wires": [["A.1", "B.2"], ["A.2", "B.3"], ["A.3", "B.1"]]},
    }
)
TESTED = frozenset(Pin(end, str(k)) for end in ("A", "B", "@J2") for k in (1, 2, 3))


def measured(*groups: str) -> Measurement:
    return Measurement(TESTED, tuple(tuple(map(parse_pin, group.split())) for group in groups))


def shown(capsys: pytest.CaptureFixture[str], *left: str) -> list[str]:
    """The lines of an exchange of plugs, with these groups found where every plug is where it belongs."""
    facts = compare(PROFILE, measured("A.2 B.1", "A.3 B.2"))
    moved = (Moved("A", "J1", "J2"), Moved("B", "J2", "J1"))
    plugged = Misplugged(moved, compare(PROFILE, measured(*left)))
    show_scan(
        PROFILE,
        facts,
        explain(PROFILE, facts, plugged),
        serial=None,
        tester="t",
        sockets="s",
        caveats=[],
        saved=None,
        verbose=False,
        as_plugged=plugged.facts,
    )
    return capsys.readouterr().out.splitlines()


def test_plugs_in_wrong_sockets_are_one_fault_and_say_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    assert [
        "1. end A is in J2 and end B in J1: exchange them",
        "   Plug end A into J1 and end B into J2 and scan again: the cable itself may be",
        "   good.",
        "",
        "all 3 nets are as the profile says by continuity, once the plugs are where they",
        "belong (-v lists them)",
        "",
        "FAIL  1 fault; plug it in as said and scan again",
    ] == shown(capsys, "A.1 B.2", "A.2 B.3", "A.3 B.1")[5:]


def test_what_is_left_of_the_cable_s_own_faults_is_shown_as_it_is_plugged(
    capsys: pytest.CaptureFixture[str],
) -> None:
    lines = shown(capsys, "A.1 B.2", "A.2 B.3")
    assert "2. open between A.3 and B.1" in lines
    assert "        A.3   B.1  nothing  open" in lines
    assert "2 nets are as the profile says by continuity, once the plugs are where they" in lines
    assert "FAIL  2 faults; plug it in as said and scan again" == lines[-1]
