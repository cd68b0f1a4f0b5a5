"""Plugs in wrong sockets and wrong adapters, from the firmware's scan to what a person is told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pytest

from pinwright import resources
from pinwright.cable.profile import Profile
from pinwright.errors import PlacementError
from pinwright.library import read_adapters
from pinwright.link import Line, drive
from pinwright.tester.session import Session
from pinwright.verdict.agreement import decide
from pinwright.verdict.findings import explain
from pinwright.verdict.sockets import misplugged
from pinwright.verdict.words import Finding
from pinwright.virtual.bench import Bench, plugged
from pinwright.virtual.process import VirtualTester

ADAPTERS = read_adapters()
FIRMWARE = resources.folder("firmware")
Findings = Sequence[Finding]


def cable(wires: Sequence[Sequence[str]], **ends: str) -> Profile:
    return Profile.from_dict(
        {
            "cable": {"id": "x"},
            "ends": {end: {"connector": kind} for end, kind in ends.items()},
            "wiring": {"wires": [list(wire) for wire in wires]},
        }
    )


WOVEN = cable(
    [[f"{'AC'[n % 2]}.{n}", f"B.{n}"] for n in range(1, 41)], A="idc-2x20", B="dip-40", C="idc-2x20"
)
# One net of more pins than a driver pulls low at once, and a wire beside it.
SHIELDED = cable(
    [[f"A.{n}" for n in range(1, 21)] + [f"B.{n}" for n in range(1, 4)], ["A.25", "B.9"]],
    A="dsub-25-socket",
    B="dsub-9-plug",
)
CROSSED = cable([["A.2", "B.3"], ["A.3", "B.2"], ["A.5", "B.4"]], A="dsub-9-socket", B="dsub-9-socket")
STRAIGHT = cable([["A.2", "B.2"], ["A.3", "B.3"]], A="dsub-9-plug", B="dsub-9-socket")
LOOSE = cable([["A.1", "B.1"], ["A.2", "B.2"]], A="row-5", B="row-3")


@pytest.fixture
def scanned(workplace: Any) -> Any:
    """A scan of a cable as its profile has it, but for some open nets, plugged in as the bench says."""

    def scan(profile: Profile, bench: Mapping[str, Any], opens: int = 0) -> tuple[bool, Findings]:
        links = [{"pins": list(map(str, net.pins))} for net in profile.nets[opens:]]
        real = Bench.from_dict({**bench, "link": [*links, *bench.get("link", [])]})
        point_of, more = plugged(real, profile.ends, workplace.fixture, real.tester.points, {}, ADAPTERS)
        fixtures = {workplace.fixture.id: workplace.fixture}
        session = Session(profile, fixtures, "0", adapters=ADAPTERS)
        real = Bench(real.links + more, real.tester)
        with VirtualTester(real, point_of, FIRMWARE) as tester:
            found = drive(session.run(), Line(tester, lambda line: None))
        facts = decide(profile, found)
        return facts.passed, explain(profile, facts, misplugged(profile, found, facts, ADAPTERS))

    return scan


@pytest.mark.parametrize("profile", [WOVEN, SHIELDED, CROSSED, STRAIGHT, LOOSE])
def test_a_good_cable_in_its_sockets_passes(profile: Profile, scanned: Any) -> None:
    assert (True, ()) == scanned(profile, {})


@pytest.mark.parametrize(
    ("profile", "sockets", "text"),
    [
        (WOVEN, {"A": "J2", "C": "J1"}, "end A is in J2 and end C in J1: exchange them"),
        (CROSSED, {"A": "J2", "B": "J1"}, "end A is in J2 and end B in J1: exchange them"),
        (LOOSE, {"B": "S1"}, "end B is in S1, not in J2"),
    ],
)
def test_plugs_in_wrong_sockets_are_one_fault(
    profile: Profile, sockets: dict[str, str], text: str, scanned: Any
) -> None:
    passed, findings = scanned(profile, {"sockets": sockets})
    assert not passed
    assert [("socket", text)] == [(finding.kind, finding.text) for finding in findings]


def test_an_open_conductor_of_exchanged_plugs_is_told_too(scanned: Any) -> None:
    passed, findings = scanned(WOVEN, {"sockets": {"A": "J2", "C": "J1"}}, opens=1)
    assert not passed
    assert ["socket", "open"] == [finding.kind for finding in findings]
    assert "open between A.2 and B.2" == findings[1].text


@pytest.mark.parametrize(
    ("profile", "bench", "seen"),
    [
        (STRAIGHT, {"adapters": {"J1": "none"}}, "the scan found nothing"),
        (STRAIGHT, {"adapters": {"J1": "dsub-9-socket"}}, "the mark of adapter `dsub-9-socket`"),
        (STRAIGHT, {"sockets": {"A": "J2", "B": "J1"}}, "`dsub-9-plug` is in J2"),
        (STRAIGHT, {"link": [{"pins": ["@J1.39", "A.2"]}]}, "the scan found J1.2–J1.39–J2.2 and J1.10–J1.11"),
        (STRAIGHT, {"link": [{"pins": ["@J1.10", "@J1.11", "@J1.12"]}]}, "the scan found J1.10–J1.11–J1.12"),
        (CROSSED, {"adapters": {"J1": "dsub-9-plug", "J2": "dsub-9-plug"}}, "adapter `dsub-9-plug`"),
        (SHIELDED, {"adapters": {"J1": "dsub-25-plug"}}, "the mark of adapter `dsub-25-plug`"),
        (LOOSE, {"adapters": {"J2": "dsub-25-plug"}}, "J2 takes end `B` through the generic adapter"),
    ],
)
def test_a_wrong_adapter_gets_no_verdict(
    profile: Profile, bench: dict[str, Any], seen: str, scanned: Any
) -> None:
    with pytest.raises(PlacementError) as error:
        scanned(profile, bench)
    assert seen in error.value.message


def test_an_adapter_left_in_an_unused_socket_is_said(scanned: Any) -> None:
    profile = cable([["A.1", "A.2"]], A="dsub-9-plug")
    with pytest.raises(PlacementError, match="J2 takes no end of this cable, but positions 26–27"):
        scanned(profile, {"adapters": {"J2": "dsub-25-plug"}})
