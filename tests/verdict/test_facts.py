"""What is missing and what is too much, against definitions written out here once more, by brute force."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.pins import Pin, in_order, parse_pin
from pinwright.cable.profile import Joined, Net, Profile
from pinwright.tester.measurement import Measurement
from pinwright.verdict.facts import Facts, PinMismatch, compare

PINS = tuple(Pin(end, str(number)) for end in "AB" for number in range(1, 9))
SPARE = (Pin("@J2", "1"), Pin("@J2", "2"))
TESTED = frozenset((*PINS, *SPARE))


def profile(wires: Sequence[Sequence[str]], **tables: object) -> Profile:
    ends: dict[str, object] = {"A": {"connector": "row-8"}, "B": {"connector": "row-8"}}
    return Profile.from_dict(
        {"cable": {"id": "x"}, "ends": ends, "wiring": {"wires": [list(wire) for wire in wires]}, **tables}
    )


def grounded(joined: str) -> Profile:
    """Three ground conductors and a signal; pins 5 to 8 are unused."""
    signals = {"signals": {"1": "GND", "2": "GND", "3": "GND", "4": "D0"}}
    wires = [[f"A.{n}", f"B.{n}"] for n in range(1, 5)]
    if joined == "required":
        wires = [[f"{end}.{n}" for end in "AB" for n in (1, 2, 3)], wires[3]]
    ends = {end: {"connector": "row-8"} | signals for end in "AB"}
    return profile(wires, ends=ends, common={"GND": {"joined": joined}})


def pins(text: str) -> tuple[Pin, ...]:
    return tuple(parse_pin(word) for word in text.split())


def measured(*groups: str, doubtful: Sequence[str] = ()) -> Measurement:
    pairs = tuple((one, other) for one, other in map(pins, doubtful))
    return Measurement(TESTED, tuple(map(pins, groups)), pairs)


STRAIGHT = profile([[f"A.{n}", f"B.{n}"] for n in range(1, 5)])
GOOD = ("A.1 B.1", "A.2 B.2", "A.3 B.3", "A.4 B.4")


def missing(facts: Facts) -> list[str]:
    return [" / ".join(" ".join(map(str, piece)) for piece in fact.pieces) for fact in facts.missing]


def extra(facts: Facts) -> list[str]:
    return [" ".join(map(str, fact.pins)) for fact in facts.extra]


@pytest.mark.parametrize(
    ("wanted", "groups", "doubtful", "lacks", "too_much"),
    [
        (STRAIGHT, GOOD, (), [], []),
        (STRAIGHT, GOOD[1:], (), ["A.1 / B.1"], []),
        (STRAIGHT, (), (), ["A.1 / B.1", "A.2 / B.2", "A.3 / B.3", "A.4 / B.4"], []),
        (STRAIGHT, (*GOOD, "A.1 A.2"), (), [], ["A.1 A.2 B.1 B.2"]),
        (STRAIGHT, ("A.1 B.2", "A.2 B.1", *GOOD[2:]), (), ["A.1 / B.1", "A.2 / B.2"], ["A.1 B.2", "A.2 B.1"]),
        (STRAIGHT, (*GOOD, "A.5 B.5"), (), [], ["A.5 B.5"]),
        (STRAIGHT, (*GOOD, "A.1 A.5"), (), [], ["A.1 A.5 B.1"]),
        (STRAIGHT, (*GOOD, "A.1 @J2.1"), (), [], ["A.1 B.1 @J2.1"]),
        (STRAIGHT, (*GOOD, "@J2.1 @J2.2"), (), [], ["@J2.1 @J2.2"]),
        (STRAIGHT, ("A.1 A.2", *GOOD[2:]), (), ["A.1 / B.1", "A.2 / B.2"], ["A.1 A.2"]),
        # a doubtful link joins nothing that should be joined, and everything that should not
        (STRAIGHT, GOOD[1:], ("A.1 B.1",), ["A.1 / B.1"], []),
        (STRAIGHT, GOOD, ("A.1 A.2",), [], ["A.1 A.2 B.1 B.2"]),
        (STRAIGHT, GOOD, ("A.5 B.5",), [], ["A.5 B.5"]),
        (STRAIGHT, GOOD[1:], ("A.1 B.1", "B.1 A.5"), ["A.1 / B.1"], ["A.1 A.5 B.1"]),
        (STRAIGHT, GOOD, ("A.1 B.1",), [], []),
        # several conductors of one signal
        (grounded("optional"), GOOD, (), [], []),
        (grounded("optional"), (*GOOD, "A.1 A.2 A.3"), (), [], []),
        (grounded("optional"), (*GOOD, "A.1 A.3"), (), [], []),
        (grounded("optional"), GOOD, ("A.1 A.3",), [], []),
        (grounded("optional"), GOOD[1:], (), ["A.1 / B.1"], []),
        (grounded("optional"), (*GOOD, "A.1 A.4"), (), [], ["A.1 A.4 B.1 B.4"]),
        (grounded("optional"), (*GOOD, "A.1 A.2 A.4"), (), [], ["A.1 A.2 A.4 B.1 B.2 B.4"]),
        (grounded("optional"), (*GOOD, "A.1 A.2 A.5"), (), [], ["A.1 A.2 A.5 B.1 B.2"]),
        (grounded("optional"), ("A.1 B.2", "A.2 B.1", *GOOD[2:]), (), ["A.1 / B.1", "A.2 / B.2"], []),
        (grounded("never"), GOOD, (), [], []),
        (grounded("never"), (*GOOD, "A.1 A.2"), (), [], ["A.1 A.2 B.1 B.2"]),
        (grounded("never"), GOOD, ("A.1 A.2",), [], ["A.1 A.2 B.1 B.2"]),
        (grounded("required"), ("A.1 A.2 A.3 B.1 B.2 B.3", GOOD[3]), (), [], []),
        (grounded("required"), GOOD, (), ["A.1 B.1 / A.2 B.2 / A.3 B.3"], []),
        (grounded("required"), (*GOOD, "A.1 A.2"), (), ["A.1 A.2 B.1 B.2 / A.3 B.3"], []),
        (grounded("required"), (*GOOD, "A.1 A.2"), ("A.2 A.3",), ["A.1 A.2 B.1 B.2 / A.3 B.3"], []),
    ],
)
def test_facts_of_small_cables(
    wanted: Profile, groups: tuple[str, ...], doubtful: tuple[str, ...], lacks: list[str], too_much: list[str]
) -> None:
    facts = compare(wanted, measured(*groups, doubtful=doubtful))
    assert (lacks, too_much) == (missing(facts), extra(facts))
    assert (not lacks and not too_much and not facts.unsure) == facts.passed


def test_a_doubt_within_a_net_that_hangs_together_otherwise_is_no_pass() -> None:
    facts = compare(STRAIGHT, measured(*GOOD, doubtful=["A.1 B.1"]))
    assert ((), (), (pins("A.1 B.1"),), False) == (facts.missing, facts.extra, facts.unsure, facts.passed)


def test_a_doubt_between_conductors_that_may_meet_decides_nothing() -> None:
    facts = compare(grounded("optional"), measured(*GOOD, doubtful=["A.1 A.3"]))
    assert ((), True) == (facts.unsure, facts.passed)


def test_a_swapped_pair_of_pins_of_one_net_is_no_difference() -> None:
    assert compare(grounded("required"), measured("A.1 A.2 A.3 B.2 B.1 B.3", "A.4 B.4")).passed
    crossed = measured("A.1 B.2", "A.2 B.1", "A.3 B.3", "A.1 A.2 A.3", "A.4 B.4")
    assert compare(grounded("required"), crossed).passed
    assert compare(grounded("optional"), crossed).passed


def test_an_extra_says_which_nets_and_which_unused_pins_it_touches() -> None:
    (fact,) = compare(STRAIGHT, measured(*GOOD, "A.2 A.1 A.7 @J2.1")).extra
    assert pins("A.1 A.2 A.7 B.1 B.2 @J2.1") == fact.pins
    assert STRAIGHT.nets[:2] == fact.nets
    assert pins("A.7 @J2.1") == fact.unused


def test_a_pin_that_was_not_tested_is_never_taken_for_unconnected() -> None:
    part = Measurement(frozenset(PINS[:-1]), tuple(map(pins, GOOD)))
    with pytest.raises(PinMismatch, match=r"`x` has pins that were not tested: B\.8$"):
        compare(STRAIGHT, part)
    with pytest.raises(PinMismatch, match=r"A\.1, A\.2, A\.3, A\.4, A\.5, A\.6$"):
        compare(STRAIGHT, Measurement(frozenset(), ()))


KINDS = ("", *Joined)
GROUPS = st.lists(st.lists(st.sampled_from(PINS + SPARE), min_size=2, max_size=4), max_size=12)
PAIRS = st.lists(
    st.tuples(*[st.sampled_from(PINS + SPARE)] * 2).filter(lambda pair: pair[0] != pair[1]), max_size=5
)


@st.composite
def profiles(draw: st.DrawFn) -> Profile:
    joined = draw(st.sampled_from(KINDS))
    if joined and joined != "required":
        return grounded(joined)
    left = list(draw(st.permutations(PINS)))
    wires = []
    for size in draw(st.lists(st.integers(2, 5), min_size=1, max_size=5)):
        if len(left) >= size:
            wires.append([str(left.pop()) for _ in range(size)])
    return profile(wires)


def together(one: Pin, other: Pin, groups: Sequence[Sequence[Pin]]) -> bool:
    """Whether a path leads from one pin to the other: by definition, no cleverness."""
    reached = {one}
    while any(reached & set(group) and not reached >= set(group) for group in groups):
        for group in groups:
            if reached & set(group):
                reached |= set(group)
    return other in reached


def may_be_together(one: Pin, other: Pin, wanted: Profile) -> bool:
    nets: Mapping[Pin, Net] = {pin: net for net in wanted.nets for pin in net.pins}
    here, there = nets.get(one), nets.get(other)
    if here is None or there is None:
        return False
    return here == there or (
        here.common == there.common != "" and wanted.common[here.common] is Joined.OPTIONAL
    )


@given(profiles(), GROUPS, PAIRS)
def test_facts_are_what_their_definition_says(
    wanted: Profile, groups: list[list[Pin]], doubtful: list[tuple[Pin, Pin]]
) -> None:
    facts = compare(wanted, Measurement(TESTED, tuple(map(tuple, groups)), tuple(doubtful)))
    every = [*groups, *map(list, doubtful)]
    in_pieces = [
        net
        for net in wanted.nets
        if not all(together(one, other, groups) for one in net.pins for other in net.pins)
    ]
    assert in_pieces == [fact.net for fact in facts.missing]
    for fact in facts.missing:
        assert sorted(fact.net.pins) == sorted(pin for piece in fact.pieces for pin in piece)
        label = {pin: piece for piece in fact.pieces for pin in piece}
        for one in fact.net.pins:
            for other in fact.net.pins:
                assert (label[one] == label[other]) == together(one, other, groups)
    pieces = {frozenset(pin for pin in TESTED if together(one, pin, every)) for one in TESTED}
    wrong = {
        piece
        for piece in pieces
        if any(not may_be_together(one, other, wanted) for one in piece for other in piece if one != other)
    }
    assert wrong == {frozenset(fact.pins) for fact in facts.extra}
    for extra_fact in facts.extra:
        nets = {net.pins for net in wanted.nets if set(net.pins) & set(extra_fact.pins)}
        assert nets == {net.pins for net in extra_fact.nets}
        used = {pin for net in wanted.nets for pin in net.pins}
        assert set(extra_fact.pins) - used == set(extra_fact.unused)


@given(profiles(), GROUPS, PAIRS, st.randoms(use_true_random=False))
def test_equal_measurements_give_equal_facts_in_whatever_order_they_are_told(
    wanted: Profile, groups: list[list[Pin]], doubtful: list[tuple[Pin, Pin]], chance: random.Random
) -> None:
    told = compare(wanted, Measurement(TESTED, tuple(map(tuple, groups)), tuple(doubtful)))
    shuffled = [tuple(chance.sample(group, len(group))) for group in chance.sample(groups, len(groups))]
    turned = [(other, one) for one, other in chance.sample(doubtful, len(doubtful))]
    again = compare(wanted, Measurement(TESTED, tuple(shuffled), tuple(turned)))
    assert repr(told) == repr(again)


@given(profiles(), GROUPS, PAIRS)
def test_facts_are_in_order_of_end_and_pin(
    wanted: Profile, groups: list[list[Pin]], doubtful: list[tuple[Pin, Pin]]
) -> None:
    facts = compare(wanted, Measurement(TESTED, tuple(map(tuple, groups)), tuple(doubtful)))
    pieces = [
        facts.nets,
        facts.doubtful,
        tuple(fact.pins for fact in facts.extra),
        tuple(fact.net.pins for fact in facts.missing),
        *(fact.pieces for fact in facts.missing),
    ]
    for row in pieces:
        assert sorted(row, key=lambda piece: list(map(in_order, piece))) == list(row)
        for piece in row:
            assert sorted(piece, key=in_order) == list(piece)
