"""No verdict without agreement: board and host must have the same facts, to the last pin."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.errors import Disagreement
from pinwright.tester.fixture import Fixture, Socket, place
from pinwright.tester.measurement import Evidence
from pinwright.tester.session import BoardVerdict, Hello, Scan
from pinwright.verdict.agreement import decide

PROFILE = Profile.from_dict(
    {
        "cable": {"id": "x"},
        "ends": {"A": {"connector": "row-4"}, "B": {"connector": "row-4"}},
        "wiring": {"rule": "straight"},
    }
)
FIXTURE = Fixture(
    "small", "", "", 8, (Socket("J1", "box", (0, 1, 2, 3)), Socket("J2", "box", (4, 5, 6, 7))), ()
)
PLACEMENT = place(PROFILE.ends, FIXTURE, 8)
A = [Pin("A", str(n)) for n in range(5)]
B = [Pin("B", str(n)) for n in range(5)]


def scan(rows: list[int], verdict: BoardVerdict) -> Scan:
    """rows: of eight points; A.k is point k - 1, B.k is point k + 3."""
    nothing = bytes(1)
    evidence = Evidence(8, bytes(rows), bytes(rows), bytes(8), nothing, nothing, bytes(8))
    hello = Hello(2, "0.2.0", "E6614", "tester-128", 8, 0)
    return Scan(hello, FIXTURE, PLACEMENT, evidence, verdict, {})


GOOD = [0x11, 0x22, 0x44, 0x88] * 2
CROSSED = [0x21, 0x12, 0x44, 0x88, 0x12, 0x21, 0x44, 0x88]
OF_GOOD = BoardVerdict(True, frozenset(), frozenset())
OPEN_1, OPEN_2 = (frozenset({frozenset({A[n]}), frozenset({B[n]})}) for n in (1, 2))
OF_CROSSED = BoardVerdict(
    False, frozenset({OPEN_1, OPEN_2}), frozenset({frozenset({A[1], B[2]}), frozenset({A[2], B[1]})})
)


def test_agreement_makes_the_host_s_facts_the_verdict() -> None:
    assert decide(PROFILE, scan(GOOD, OF_GOOD)).passed
    facts = decide(PROFILE, scan(CROSSED, OF_CROSSED))
    assert not facts.passed
    assert (2, 2) == (len(facts.missing), len(facts.extra))


OPEN_3 = frozenset({frozenset({A[3]}), frozenset({B[3]})})
SHORT = frozenset({A[3], A[4]})


@pytest.mark.parametrize("rows", [GOOD, CROSSED], ids=["good", "crossed"])
@pytest.mark.parametrize(
    "change",
    [
        lambda said: replace(said, passed=not said.passed),
        lambda said: replace(said, missing=said.missing | {OPEN_3}),
        lambda said: replace(said, extra=said.extra | {SHORT}),
        lambda said: replace(said, missing=said.missing ^ {OPEN_1}),
        lambda said: replace(said, missing=said.missing ^ {OPEN_1, OPEN_3}),
        lambda said: replace(
            said, missing=(said.missing - {OPEN_1}) | {frozenset({frozenset({A[1], B[1]})})}
        ),
        lambda said: replace(said, extra=said.extra ^ {frozenset({A[1], B[2]})}),
        lambda said: replace(
            said, extra=(said.extra - {frozenset({A[1], B[2]})}) | {frozenset({A[1], B[3]})}
        ),
        lambda said: replace(said, extra=said.extra | {frozenset()}),
        lambda said: OF_GOOD if said is OF_CROSSED else OF_CROSSED,
    ],
)
def test_a_board_s_verdict_that_differs_in_anything_is_a_disagreement(
    rows: list[int], change: object
) -> None:
    said = OF_GOOD if rows is GOOD else OF_CROSSED
    altered = change(said)  # type: ignore[operator]
    assert said != altered
    with pytest.raises(Disagreement):
        decide(PROFILE, scan(rows, altered))


@pytest.mark.parametrize("point", range(8))
@pytest.mark.parametrize("other", range(8))
def test_evidence_that_changed_on_its_way_disagrees_with_the_board_or_changes_nothing(
    point: int, other: int
) -> None:
    """Without any check of the evidence by itself: a link more or less is a fact more or less."""
    rows = GOOD.copy()
    rows[point] ^= 1 << other
    rows[other] ^= 1 << point if other != point else 0
    if point == other:
        assert decide(PROFILE, scan(rows, OF_GOOD)).passed
    else:
        with pytest.raises(Disagreement):
            decide(PROFILE, scan(rows, OF_GOOD))


@pytest.mark.parametrize("board_passes", [True, False])
def test_a_doubt_within_a_sound_net_lets_nobody_conclude_anything(board_passes: bool) -> None:
    """A.1 and B.1 are joined, and are said to be in doubt as well."""
    sound = scan(GOOD, replace(OF_GOOD, passed=board_passes))
    unsure = replace(sound, evidence=replace(sound.evidence, doubtful=bytes([0x10, 0, 0, 0, 0x01, 0, 0, 0])))
    with pytest.raises(Disagreement):
        decide(PROFILE, unsure)


def test_a_disagreement_says_what_each_of_the_two_concluded() -> None:
    with pytest.raises(Disagreement) as error:
        decide(PROFILE, scan(CROSSED, OF_GOOD))
    expected = (
        "board and host judge this scan differently: pass with 0 nets in pieces and 0 wrongly joined says "
        "the board, fail with 2 nets in pieces and 2 wrongly joined says the host"
    )
    assert expected == error.value.message
    assert "please report it" in error.value.hint


def test_no_verdict_on_a_tester_with_a_lane_that_measured_nothing() -> None:
    measuring = scan(GOOD, OF_GOOD)
    measuring = replace(measuring, hello=replace(measuring.hello, lane="uncalibrated"))
    with pytest.raises(Disagreement, match="nothing was measured"):
        decide(PROFILE, measuring)
    assert decide(PROFILE, measuring, ohms=False).passed
