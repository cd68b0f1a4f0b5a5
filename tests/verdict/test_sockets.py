"""Plugs in wrong sockets are found, told first, and never invented."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.profile import Profile
from pinwright.tester.adapter import Adapter
from pinwright.tester.fixture import Fixture, place
from pinwright.tester.measurement import Evidence
from pinwright.tester.session import BoardVerdict, Hello, Scan
from pinwright.verdict.facts import Facts, compare
from pinwright.verdict.findings import explain
from pinwright.verdict.sockets import Misplugged, Moved, misplugged
from pinwright.verdict.words import Finding

HARDWARE = Path(__file__).parents[2] / "hardware"
FIXTURE = Fixture.from_dict(tomllib.loads((HARDWARE / "fixtures/tester-128.toml").read_text("utf-8")))
ADAPTERS = tuple(
    Adapter.from_dict(tomllib.loads(path.read_text("utf-8")))
    for path in sorted((HARDWARE / "adapters").glob("*.toml"))
)
FULL = 128


def cable(ends: Mapping[str, str], wires: Iterable[Sequence[str]]) -> Profile:
    return Profile.from_dict(
        {
            "cable": {"id": "x"},
            "ends": {end: {"connector": kind} for end, kind in ends.items()},
            "wiring": {"wires": [list(wire) for wire in wires]},
        }
    )


def scanned(
    profile: Profile,
    joined: Iterable[Iterable[Pin]],
    really: Mapping[str, str],
    doubtful: Iterable[Sequence[Pin]] = (),
    points: int = FULL,
) -> Scan:
    """The scan of what is joined, with ends really in other sockets than the scan is told."""
    stated = place(profile.ends, FIXTURE, points, None, ADAPTERS)
    real = place(profile.ends, FIXTURE, points, {**stated.sockets, **really}, ADAPTERS)

    def matrix(groups: Iterable[Iterable[int]]) -> bytes:
        rows = [0] * points
        for group in groups:
            for one, other in combinations(group, 2):
                rows[one] |= 1 << other
                rows[other] |= 1 << one
        return b"".join(row.to_bytes(points // 8, "little") for row in rows)

    links = matrix([*((real.point_of[pin] for pin in net) for net in joined), *real.marks])
    doubts = matrix((real.point_of[pin] for pin in pair) for pair in doubtful)
    few, each = bytes(points // 8), bytes(points)
    evidence = Evidence(points, links, links, doubts, few, few, each)
    hello = Hello(2, "0.2.0", "E6614", FIXTURE.id, points, points // 16, "none", "rp2")
    return Scan(hello, FIXTURE, stated, evidence, BoardVerdict(True, frozenset(), frozenset()), {})


def judged(profile: Profile, scan: Scan) -> tuple[Facts, Misplugged | None]:
    facts = compare(profile, scan.evidence.measurement(scan.placement))
    return facts, misplugged(profile, scan, facts, ADAPTERS)


def told(profile: Profile, scan: Scan) -> tuple[Finding, ...]:
    facts, found = judged(profile, scan)
    return explain(profile, facts, found)


def nets(profile: Profile) -> list[tuple[Pin, ...]]:
    return [net.pins for net in profile.nets]


def pins(text: str) -> tuple[Pin, ...]:
    return tuple(map(parse_pin, text.split()))


# Ends A and C are alike and not wired alike, as in a woven lead.
WOVEN = cable(
    {"A": "idc-2x20", "B": "dip-40", "C": "idc-2x20"},
    [[f"{'AC'[n % 2]}.{n}", f"B.{n}"] for n in range(1, 41)],
)
# From one end only: where it is, a plug of the same kind could be.
LEAD = cable({"A": "idc-2x20", "B": "dip-40"}, [[f"A.{n}", f"B.{41 - n}"] for n in range(1, 41)])
SERVICE = cable(
    {"A": "dsub-9-socket", "B": "dsub-9-socket"}, [["A.2", "B.3"], ["A.3", "B.2"], ["A.4", "B.1"]]
)
TURNED = cable(
    {"A": "row-3", "B": "row-3", "C": "row-3"}, [["A.1", "B.2", "C.1"], ["A.2", "C.2"], ["B.3", "C.3"]]
)


@pytest.mark.parametrize(
    ("profile", "really", "text", "remedy"),
    [
        (
            WOVEN,
            {"A": "J2", "C": "J1"},
            "end A is in J2 and end C in J1: exchange them",
            "Plug end A into J1 and end C into J2 and scan again: the cable itself may be good.",
        ),
        (
            LEAD,
            {"A": "J2"},
            "end A is in J2, not in J1",
            "Plug end A into J1 and scan again: the cable itself may be good.",
        ),
        (
            SERVICE,
            {"A": "J2", "B": "J1"},
            "end A is in J2 and end B in J1: exchange them",
            "Plug end A into J1 and end B into J2 and scan again: the cable itself may be good.",
        ),
        (
            TURNED,
            {"A": "J2", "B": "S1", "C": "J1"},
            "end A is in J2, end B in S1 and end C in J1, each in a wrong place",
            "Plug end A into J1, end B into J2 and end C into S1 and scan again: the cable itself may be "
            "good.",
        ),
    ],
)
def test_a_good_cable_in_wrong_sockets_is_one_finding_that_covers_every_fact(
    profile: Profile, really: dict[str, str], text: str, remedy: str
) -> None:
    scan = scanned(profile, nets(profile), really)
    facts, _ = judged(profile, scan)
    (finding,) = told(profile, scan)
    assert ("socket", text, remedy) == (finding.kind, finding.text, finding.remedy)
    covered = {pin for missing in facts.missing for pin in missing.net.pins}
    covered |= {pin for extra in facts.extra for pin in extra.pins}
    assert covered == set(finding.pins)
    assert not facts.passed  # the verdict stays


def test_what_is_left_is_told_after_it_in_the_cable_s_own_pins() -> None:
    joined = [net for net in nets(WOVEN) if net != pins("C.7 B.7") and net != pins("B.7 C.7")]
    scan = scanned(WOVEN, [*joined, pins("A.2 A.4")], {"A": "J2", "C": "J1"})
    first, *others = told(WOVEN, scan)
    assert "end A is in J2 and end C in J1: exchange them" == first.text
    assert first.remedy.endswith("the other faults listed here will still be there.")
    assert [("open", "open between B.7 and C.7"), ("short", "wrongly joined: A.2, A.4, B.2 and B.4")] == [
        (finding.kind, finding.text) for finding in others
    ]


def test_a_contact_in_doubt_is_a_fault_that_is_left() -> None:
    scan = scanned(WOVEN, nets(WOVEN), {"A": "J2", "C": "J1"}, [pins("A.1 A.3")])
    assert ["socket", "intermittent"] == [finding.kind for finding in told(WOVEN, scan)]


@pytest.mark.parametrize(
    ("opens", "explains"), [(0, True), (1, True), (16, True), (17, False), (39, False), (40, False)]
)
def test_at_most_a_quarter_of_the_faults_may_be_left(opens: int, explains: bool) -> None:
    """A lead in the wrong socket: 40 nets in pieces, and a piece at unused pins for each that conducts."""
    facts, found = judged(LEAD, scanned(LEAD, nets(LEAD)[opens:], {"A": "J2"}))
    assert 80 - opens == len(facts.missing) + len(facts.extra)
    assert explains is (found is not None)
    if found:
        assert opens == len(found.facts.missing)


@pytest.mark.parametrize(
    "joined",
    [
        [],
        nets(LEAD)[1:],
        [*nets(LEAD)[2:], pins("A.1 B.39"), pins("A.2 B.40")],
        [*nets(LEAD), pins("A.1 A.2")],
        nets(LEAD)[:3],
        [(Pin("A", str(n)), Pin("B", str(n))) for n in range(1, 41)],
    ],
)
def test_faults_of_the_cable_are_not_blamed_on_the_sockets(joined: list[tuple[Pin, ...]]) -> None:
    scan = scanned(LEAD, joined, {})
    facts, found = judged(LEAD, scan)
    assert not facts.passed
    assert found is None
    assert "socket" not in {finding.kind for finding in explain(LEAD, facts, found)}


def test_nothing_is_tried_where_the_stated_sockets_pass() -> None:
    """Both ways of plugging this one in are right."""
    alike = cable({"A": "idc-2x20", "B": "idc-2x20"}, [["A.1", "B.1"]])
    for really in ({}, {"A": "J2", "B": "J1"}):
        facts, found = judged(alike, scanned(alike, nets(alike), really))
        assert facts.passed
        assert found is None


def test_a_socket_that_is_not_fitted_is_not_thought_of() -> None:
    facts, found = judged(LEAD, scanned(LEAD, [], {}, points=80))
    assert len(LEAD.nets) == len(facts.missing)
    assert found is None


def test_the_fewest_wrong_sockets_explain_it() -> None:
    """Where two stories leave nothing over, the shorter one is told."""
    profile = cable({"A": "row-3", "B": "row-3"}, [["A.1", "B.1"], ["A.2", "A.3"]])
    _, found = judged(profile, scanned(profile, nets(profile), {"B": "S1"}))
    assert found is not None
    assert (Moved("B", "J2", "S1"),) == found.moved


ENDS = {"A": "idc-2x20", "B": "dip-40", "C": "idc-2x20"}
PINS = [Pin(end, str(number)) for end in "ABC" for number in range(1, 13)]


@st.composite
def cables(draw: st.DrawFn) -> Profile:
    order = draw(st.permutations(PINS))
    sizes = draw(st.lists(st.integers(2, 4), min_size=1, max_size=8))
    wires, at = [], 0
    for size in sizes:
        wires.append([str(pin) for pin in order[at : at + size]])
        at += size
    return cable(ENDS, wires)


@given(cables())
def test_exchanged_plugs_of_any_cable_are_named(profile: Profile) -> None:
    scan = scanned(profile, nets(profile), {"A": "J2", "C": "J1"})
    facts, found = judged(profile, scan)
    assume(not facts.passed)
    first, *others = explain(profile, facts, found)
    assert ("socket", "end A is in J2 and end C in J1: exchange them") == (first.kind, first.text)
    assert [] == others
    for missing in facts.missing:
        assert {*missing.net.pins} <= {*first.pins}
    for extra in facts.extra:
        assert {*extra.pins} <= {*first.pins}


@given(cables(), st.data())
def test_whatever_is_told_leaves_no_fact_uncovered_and_is_the_same_twice(
    profile: Profile, data: st.DataObject
) -> None:
    groups = st.lists(st.lists(st.sampled_from(PINS), min_size=2, max_size=4, unique=True), max_size=6)
    kept = data.draw(st.sets(st.sampled_from(nets(profile))))
    really = data.draw(st.sampled_from([{}, {"A": "J2", "C": "J1"}]))
    scan = scanned(profile, [*sorted(kept), *data.draw(groups)], really)
    facts, found = judged(profile, scan)
    findings = explain(profile, facts, found)
    assert findings == told(profile, scan)
    spoken = [{*finding.pins} for finding in findings]
    for missing in facts.missing:
        assert any({*missing.net.pins} <= pins for pins in spoken)
    for extra in facts.extra:
        assert any({*extra.pins} <= pins for pins in spoken)
    if found:
        left = len(found.facts.missing) + len(found.facts.extra)
        stands = len(facts.missing) + len(facts.extra)
        assert left == 0 or (1 + left < stands and 4 * left <= stands)
        assert "socket" == findings[0].kind


@given(cables())
def test_a_good_cable_is_never_said_to_be_in_wrong_sockets(profile: Profile) -> None:
    facts, found = judged(profile, scanned(profile, nets(profile), {}))
    assert facts.passed
    assert found is None
    assert () == explain(profile, facts, found)
