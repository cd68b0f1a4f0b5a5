"""Whether a scan's evidence holds together, and what no flipped bit of it may do.

The evidence is built here after the description in firmware/tester/scanner.py, for a small tester of 16
points: two ports, the last two points joined on the tester itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import Profile
from pinwright.errors import Disagreement, OwnBug
from pinwright.tester.fixture import Fixture, Socket, place
from pinwright.tester.measurement import Evidence, Measurement, bits
from pinwright.verdict.facts import Facts, compare

POINTS = 16
REFERENCES = (14, 15)
FIXTURE = Fixture(
    "small",
    "",
    "",
    POINTS,
    (
        Socket("J1", "box-2x20", tuple(range(7))),
        Socket("J2", "box-2x20", tuple(range(7, 14))),
        Socket("REF", "own", REFERENCES),
    ),
    (REFERENCES,),
)
Pair = tuple[int, int]


def cable(*wires: Sequence[str]) -> Profile:
    return Profile.from_dict(
        {
            "cable": {"id": "x"},
            "ends": {"A": {"connector": "row-6"}, "B": {"connector": "row-6"}},
            "wiring": {"wires": [list(wire) for wire in wires]},
        }
    )


PLACEMENT = place(cable(["A.1", "B.1"]).ends, FIXTURE, POINTS)  # A at points 0 to 5, B at 7 to 12


def matrix(pairs: Iterable[Pair], *, diagonal: bool = False) -> bytes:
    rows = [1 << p if diagonal else 0 for p in range(POINTS)]
    for one, other in pairs:
        rows[one] |= 1 << other
        rows[other] |= 1 << one
    return b"".join(row.to_bytes(POINTS // 8, "little") for row in rows)


def marks(points: Iterable[int]) -> bytes:
    return sum(1 << point for point in points).to_bytes(POINTS // 8, "little")


def crosses_ports(piece: Iterable[int]) -> bool:
    return len({point // 8 for point in piece}) > 1


def scanned(pieces: Iterable[Iterable[int]], doubtful: Iterable[Pair] = (), wide: bool = False) -> Evidence:
    """What a sound board finds of these pieces. wide: those that cross ports are walked by ports.

    Such a walk joins the lowest point with all others, and itself; the first walk need not see any of it.
    """
    every = [sorted(piece) for piece in (*pieces, REFERENCES)]
    walked = [piece for piece in every if wide and len(piece) > 2 and crosses_ports(piece)]
    plain = [pair for piece in every if piece not in walked for pair in combinations(piece, 2)]
    group = bytearray(POINTS)
    star = []
    for piece in walked:
        for point in piece:
            group[point] = piece[0] + 1
            star.append((piece[0], point))
    unsure = list(doubtful)
    one_sided = bytearray(matrix(plain, diagonal=True))
    for one, other in unsure:
        one_sided[one * (POINTS // 8) + other // 8] |= 1 << other % 8
    return Evidence(
        POINTS,
        seen=bytes(one_sided),
        joined=matrix([*plain, *star]),
        doubtful=matrix(unsure),
        apart=marks(point for piece in every if crosses_ports(piece) for point in piece),
        unexplained=marks([]),
        group=bytes(group),
    )


def check(evidence: Evidence) -> None:
    evidence.check(FIXTURE, PLACEMENT)


def judged(profile: Profile, evidence: Evidence) -> Facts:
    return compare(profile, evidence.measurement(PLACEMENT))


def flipped(evidence: Evidence, field: str, *where: int) -> Evidence:
    """With these bits of a field turned round."""
    data = bytearray(getattr(evidence, field))
    for bit in where:
        data[bit // 8] ^= 1 << bit % 8
    changed: Evidence = replace(evidence, **{field: bytes(data)})  # type: ignore[arg-type]
    return changed


def at(row: int, column: int) -> int:
    return row * POINTS + column


def both(one: int, other: int) -> tuple[int, int]:
    return at(one, other), at(other, one)


FIELDS = ("seen", "joined", "doubtful", "apart", "unexplained", "group")


def every_flip(evidence: Evidence) -> Iterator[tuple[str, int, Evidence]]:
    for field in FIELDS:
        for bit in range(8 * len(getattr(evidence, field))):
            yield field, bit, flipped(evidence, field, bit)


def sound(evidence: Evidence) -> bool:
    try:
        check(evidence)
    except Disagreement:
        return False
    return True


@st.composite
def random_pieces(draw: st.DrawFn) -> list[set[int]]:
    """Disjoint pieces of the points that serve a cable."""
    labels = draw(st.lists(st.integers(0, 8), min_size=14, max_size=14))
    return [
        {point for point, label in enumerate(labels) if label == wanted}
        for wanted in range(1, 9)
        if labels.count(wanted) > 1
    ]


@given(random_pieces(), st.booleans())
def test_the_evidence_of_a_sound_board_holds_together_and_says_what_is_joined(
    pieces: list[set[int]], wide: bool
) -> None:
    evidence = scanned(pieces, wide=wide)
    check(evidence)
    measured = evidence.measurement(PLACEMENT)
    assert frozenset(PLACEMENT.point_of) == measured.tested
    assert POINTS - 2 == len(measured.tested)
    expected = {frozenset(PLACEMENT.pin_of[point] for point in piece) for piece in pieces}
    assert expected == {frozenset(piece) for piece in compare(cable(["A.1", "B.1"]), measured).nets}


def test_a_pair_seen_in_some_looks_only_is_doubtful_and_nothing_is_said_twice() -> None:
    measured = scanned([{0, 1}], doubtful=[(7, 2)]).measurement(PLACEMENT)
    assert ((Pin("A", "3"), Pin("B", "1")),) == measured.doubtful
    assert all(sorted(group, key=in_order) == list(group) for group in measured.joined)


STRAIGHT = cable(["A.1", "B.1"], ["A.2", "B.2"], ["A.3", "B.3"], ["A.5", "A.6", "B.5", "B.6"])
GOOD = [{0, 7}, {1, 8}, {2, 9}, {4, 5, 11, 12}]
BAD = {
    "an open": [{0, 7}, {1, 8}, {4, 5, 11, 12}],
    "a short": [{0, 1, 7, 8}, {2, 9}, {4, 5, 11, 12}],
    "a swap": [{0, 8}, {1, 7}, {2, 9}, {4, 5, 11, 12}],
    "a short to an unused pin of the same port": [*GOOD[:2], {2, 3, 9}, GOOD[3]],
    "a short to an unused pin of another port": [*GOOD[:2], {2, 9, 10}, GOOD[3]],
    "an open in a large net": [*GOOD[:3], {4, 5, 11}],
    "a large net in two halves": [*GOOD[:3], {4, 5}, {11, 12}],
    "a short between large nets": [*GOOD[:2], {2, 9, 4, 5, 11, 12}],
    "an unused pin on a large net": [*GOOD[:3], {3, 4, 5, 11, 12}],
    "a place of the tester on a large net": [*GOOD[:3], {4, 5, 6, 11, 12}],
    "nothing at all": [],
}


@pytest.mark.parametrize("wide", [False, True])
@pytest.mark.parametrize(
    "case", ["good", "an open", "a short", "an open in a large net", "an unused pin on a large net"]
)
def test_no_flipped_bit_that_goes_unnoticed_changes_what_is_found(case: str, wide: bool) -> None:
    """Stronger than that none makes a bad cable pass, and without help from the board's own verdict."""
    evidence = scanned(BAD.get(case, GOOD), wide=wide)
    facts = judged(STRAIGHT, evidence)
    assert (case == "good") == facts.passed
    for field, bit, changed in every_flip(evidence):
        if sound(changed):
            assert facts == judged(STRAIGHT, changed), f"{field}, bit {bit}"


NOTICED: dict[str, Callable[[int, int], bool]] = {
    # field: which of its flips in a good cable without large nets are noticed
    "seen": lambda row, column: row == column,  # a look that misses a pair is what `confirm` is for
    "joined": lambda row, column: (
        row != column or row in REFERENCES
    ),  # that it is joined to itself says nothing
    "doubtful": lambda row, column: row != column,
}


@pytest.mark.parametrize("field", NOTICED)
def test_a_flipped_bit_of_a_matrix_is_noticed_where_it_matters(field: str) -> None:
    evidence = scanned(GOOD)
    for row in range(POINTS):
        for column in range(POINTS):
            noticed = not sound(flipped(evidence, field, at(row, column)))
            assert NOTICED[field](row, column) == noticed, (row, column)


@pytest.mark.parametrize("field", ["apart", "unexplained"])
@pytest.mark.parametrize("wide", [False, True])
def test_every_flipped_bit_of_the_marks_is_noticed(field: str, wide: bool) -> None:
    evidence = scanned(GOOD, wide=wide)
    for point in range(POINTS):
        assert not sound(flipped(evidence, field, point)), point


@pytest.mark.parametrize("field", ["joined", "doubtful"])
@pytest.mark.parametrize("case", BAD)
@pytest.mark.parametrize("wide", [False, True])
def test_no_pair_turned_round_from_both_its_sides_lets_a_bad_cable_pass(
    case: str, field: str, wide: bool
) -> None:
    evidence = scanned(BAD[case], wide=wide)
    for pair in combinations(range(POINTS), 2):
        changed = flipped(evidence, field, *both(*pair))
        assert not (sound(changed) and judged(STRAIGHT, changed).passed), pair


def test_an_open_that_the_first_walk_is_made_to_see_is_still_noticed_by_the_rest() -> None:
    """Both looks and both links invented: only the pass with everything else low contradicts."""
    evidence = scanned(BAD["an open"])
    for field in ("seen", "joined"):
        evidence = flipped(evidence, field, *both(2, 9))
    assert judged(STRAIGHT, evidence).passed
    with pytest.raises(Disagreement, match=r"A\.3 conducts to something by itself, but to nothing while all"):
        check(evidence)


@pytest.mark.parametrize(
    ("change", "seen"),
    [
        (("unexplained", 2), r"A\.3 conducted in one pass of the scan and not in another"),
        (("seen", at(2, 2)), r"A\.3 did not read low while it was pulled low"),
        (("joined", *both(3, 6)), r"contradicts itself between @J1\.7 and A\.4"),
        (("joined", at(3, 6)), r"contradicts itself between @J1\.7 and A\.4"),
        (("joined", at(6, 3)), r"contradicts itself between @J1\.7 and A\.4"),
        (("doubtful", at(3, 6)), r"contradicts itself between @J1\.7 and A\.4"),
        (("doubtful", *both(3, 6)), r"contradicts itself between @J1\.7 and A\.4"),
        (("joined", *both(2, 9)), r"contradicts itself between B\.3 and A\.3"),
        (("joined", *both(14, 15)), r"contradicts itself between REF\.2 and REF\.1"),
        (("apart", 3), r"A\.4 conducts to something while all else is low, but to nothing by itself"),
        (("apart", 2), r"A\.3 conducts to something by itself, but to nothing while all else is low"),
    ],
)
def test_a_contradiction_is_named_with_the_pins_that_it_is_about(change: tuple[str, int], seen: str) -> None:
    field, *where = change
    with pytest.raises(Disagreement, match=seen):
        check(flipped(scanned(GOOD), field, *where))


def test_a_link_between_a_net_walked_by_ports_and_another_has_to_be_seen() -> None:
    evidence = scanned(GOOD, wide=True)
    with pytest.raises(Disagreement, match=r"contradicts itself between B\.3 and A\.6"):
        check(flipped(evidence, "joined", *both(5, 9)))
    for seen in (at(5, 9), at(9, 5)):
        check(flipped(flipped(evidence, "joined", *both(5, 9)), "seen", seen))
    check(flipped(evidence, "doubtful", *both(5, 9)))


@pytest.mark.parametrize("pieces", [[{14, 0}], [{6, 15}]])
def test_a_reference_that_is_joined_to_something_else_is_noticed(pieces: list[set[int]]) -> None:
    with pytest.raises(
        Disagreement, match=r"the tester's own REF\.1–REF\.2 does not read as joined, and alone"
    ):
        check(scanned(pieces))


def test_references_that_are_not_fitted_are_not_asked_for() -> None:
    alone = bytes([1, 2, 4, 8, 16, 32, 64, 128])
    Evidence(8, alone, bytes(8), bytes(8), bytes(1), bytes(1), bytes(8)).check(FIXTURE, PLACEMENT)


@pytest.mark.parametrize("field", FIELDS)
def test_evidence_of_the_wrong_size_is_our_own_bug(field: str) -> None:
    evidence = scanned(GOOD)
    for wrong in (getattr(evidence, field) + b"\0", getattr(evidence, field)[:-1], b""):
        with pytest.raises(OwnBug, match="evidence of 16 points has the wrong size"):
            replace(evidence, **{field: wrong})  # type: ignore[arg-type]


@given(st.sets(st.integers(0, 200)))
def test_bits_are_the_positions_lowest_first(positions: set[int]) -> None:
    assert sorted(positions) == list(bits(sum(1 << position for position in positions)))


def test_a_measurement_is_about_what_was_tested_only() -> None:
    assert () == Measurement(frozenset(), ()).doubtful
