"""Two tests of one cable: what has changed, by more than readings can be wrong."""

from __future__ import annotations

from dataclasses import replace
from math import inf, sqrt
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.profile import Profile
from pinwright.library import profile_of
from pinwright.tester.measurement import Measurement
from pinwright.verdict.comparison import (
    Both,
    Comparison,
    Tested,
    compared,
    leak_uncertainty,
    of_a_difference,
)
from pinwright.verdict.facts import compare
from pinwright.verdict.findings import explain_plainly
from pinwright.verdict.resistances import Leak, Link, Resistances

from ..records.making import GOOD, SWAPPED, TEXT, a_record, read

FIVE = profile_of(TEXT)
PINS = tuple(FIVE.pins())
SPARE = Pin("@J2", "9")  # a position of the tester that no end occupies


def a_test(*groups: str, doubtful: tuple[str, ...] = (), text: str = TEXT, **more: Any) -> Tested:
    """A test of the small cable as it is recorded. more: as of `a_record`."""
    record = read(a_record(groups or GOOD, doubtful, text=text, **{"lane": "calibrated", **more}))
    return Tested(record.profile, record.facts, record.findings, record.scan["tester"]["lane"])


def changes(found: Comparison) -> dict[str, str]:
    """First pin → what became of its link, of those that differ."""
    return {str(link.either.start): link.change for link in found.links if link.differs}


def nets(found: Comparison) -> list[tuple[str, str, str]]:
    return [(" ".join(map(str, net.pins)), net.one, net.other) for net in found.nets]


# The uncertainty of a difference


def test_the_uncertainty_of_a_difference_is_the_root_of_the_sum_of_the_squares() -> None:
    """By hand: 3² + 4² = 5²; 3.9 · √2 = 5.515; 3.902² + 4.02² = 31.386 = 5.602²."""
    assert 5.0 == of_a_difference(3.0, 4.0)
    assert 5.515 == pytest.approx(of_a_difference(3.9, 3.9), abs=5e-4)
    assert 5.602 == pytest.approx(of_a_difference(3.9 + 0.02 * 0.1, 3.9 + 0.02 * 6.0), abs=5e-4)


def link(ohms: float, uncertainty: float, start: str = "A.1", to: str = "B.1", ok: bool = True) -> Link:
    return Link("", parse_pin(start), (parse_pin(to),), ohms, uncertainty, 5.0, None, ok)


def with_readings(*readings: Link | Leak, lane: Any = "calibrated") -> Tested:
    facts = compare(FIVE, Measurement(frozenset((*PINS, SPARE)), tuple(_pair(k) for k in range(1, 6))))
    links = tuple(one for one in readings if isinstance(one, Link))
    leaks = tuple(one for one in readings if isinstance(one, Leak))
    return Tested(FIVE, replace(facts, resistances=Resistances(links, leaks)), (), lane)


def _pair(number: int) -> tuple[Pin, ...]:
    return Pin("A", str(number)), Pin("B", str(number))


@pytest.mark.parametrize(
    ("one", "other", "change"),
    [
        (0.1, 5.0, "same"),  # 4.9, of ±5
        (0.1, 5.1, "same"),  # 5.0: no more than the uncertainty
        (0.1, 5.2, "risen"),
        (5.2, 0.1, "fallen"),
        (5.1, 0.1, "same"),
        (0.0, 0.0, "same"),
    ],
)
def test_a_rise_counts_where_it_is_more_than_its_uncertainty(one: float, other: float, change: str) -> None:
    """Uncertainties of 3 and 4 ohms, so ±5 of the difference."""
    found = compared(with_readings(link(one, 3.0)), with_readings(link(other, 4.0)))
    (both,) = found.links
    assert (change, other - one, 5.0) == (both.change, both.rise, both.uncertainty)
    assert (change != "same") == both.differs == found.differs
    assert abs(other - one) - 5.0 == both.beyond


def test_links_are_sorted_by_how_far_they_are_beyond_the_uncertainty() -> None:
    one = with_readings(*(link(1.0, 3.0, f"A.{k}", f"B.{k}") for k in range(1, 5)))
    risen = {1: 2.0, 2: 30.0, 3: 1.0, 4: 0.5}
    other = with_readings(
        *(link(ohms, 4.0, f"A.{k}", f"B.{k}") for k, ohms in risen.items()), link(0.1, 3.0, "A.5", "B.5")
    )
    found = compared(one, other)
    assert ["A.5", "A.2", "A.1", "A.4", "A.3"] == [str(both.either.start) for both in found.links]
    assert [inf, 24.0, -4.0, -4.5, -5.0] == [both.beyond for both in found.links]
    assert {"A.5": "only other", "A.2": "risen"} == changes(found)


# As they are recorded


def test_a_joint_that_rose_is_found_and_judged_otherwise() -> None:
    found = compared(a_test(), a_test(joints={"A.4": 6.0}))
    assert {"A.4": "risen"} == changes(found)
    assert "A.4" == str(found.links[0].either.start)
    assert found.links[0].rise == pytest.approx(5.8, abs=0.1)
    assert found.links[0].uncertainty == pytest.approx(sqrt(3.904**2 + 4.02**2), abs=0.01)
    assert [("A.4 B.4", "ok", "resistive")] == nets(found)
    assert (True, False) == found.verdicts


def test_a_joint_that_was_mended_is_good_again() -> None:
    found = compared(a_test(joints={"A.4": 12.0}), a_test())
    assert {"A.4": "fallen"} == changes(found)
    assert [("A.4 B.4", "resistive", "ok")] == nets(found)


def test_a_link_that_opened_is_told_as_a_net_and_as_a_link_of_one_test_only() -> None:
    found = compared(a_test(), a_test(*GOOD[:-1]))
    assert {"A.5": "only one"} == changes(found)
    assert [("A.5 B.5", "ok", "open")] == nets(found)
    assert ("B.5", "nothing") == found.nets[0].found


def test_nets_that_became_joined_are_told() -> None:
    found = compared(a_test(), a_test(*GOOD, "A.4 A.5"))
    assert [("A.4 B.4", "ok", "joined"), ("A.5 B.5", "ok", "joined")] == nets(found)
    # The links of a bridged net still lead to their own pins.
    assert {} == changes(found)


def test_conductors_that_changed_places_are_told_pin_by_pin() -> None:
    found = compared(a_test(), a_test(*SWAPPED))
    assert ["A.1 B.1", "A.2 B.2"] == [pins for pins, *_ in nets(found)]
    assert {"exchanged"} == {state for *_, state in nets(found)}
    assert ("B.1", "B.2") == found.nets[0].found


def test_a_free_pin_that_something_is_joined_to_is_free_in_the_other_test() -> None:
    found = compared(a_test(), a_test(*GOOD, "A.1 @J2.9"))
    assert ("@J2.9", "free", "joined") in nets(found)
    assert nets(compared(a_test(*GOOD, "A.1 @J2.9"), a_test(*GOOD, "A.1 @J2.9"))) == []


def test_a_contact_in_doubt_is_a_change() -> None:
    found = compared(a_test(), a_test(*GOOD, doubtful=("A.1 A.2",)))
    assert ["A.1 B.1", "A.2 B.2"] == [pins for pins, *_ in nets(found)]
    assert found.nets[0].found == ("B.1", "B.1, A.2 at times")


THREE = TEXT.replace('rule = "straight"', 'wires = [["A.1", "B.1", "B.2"], ["A.3", "B.3"], ["A.4", "B.4"]]')


def test_links_that_lead_to_other_pins_are_told_so_and_not_compared() -> None:
    whole, part = ("A.1 B.1 B.2", "A.3 B.3", "A.4 B.4"), ("A.1 B.1", "A.3 B.3", "A.4 B.4")
    found = compared(a_test(*whole, text=THREE), a_test(*part, text=THREE))
    assert {"A.1": "other pins", "B.1": "other pins", "B.2": "only one"} == changes(found)
    assert {None} == {both.rise for both in found.links if both.differs}
    assert ["A.1 B.1 B.2"] == [pins for pins, *_ in nets(found)]


# Leaks


def leak(ohms: float, pins: str = "A.5 B.5", limit: float = 100_000.0) -> Leak:
    return Leak((), tuple(map(parse_pin, pins.split())), ohms, limit, ohms >= limit)


@pytest.mark.parametrize(
    ("one", "other", "change"),
    [
        (None, 41_000.0, "only other"),
        (41_000.0, None, "only one"),
        (None, 900_000.0, "same"),  # of a megohm that is not listed: ±15 % of both
        (400_000.0, 420_000.0, "same"),
        (400_000.0, 60_000.0, "fallen"),
        (60_000.0, 400_000.0, "risen"),
        (2.0, 12.0, "same"),  # of a bridge of some ohms: ±20 ohms at least
    ],
)
def test_a_leak_came_or_went_where_that_is_more_than_its_uncertainty(
    one: float | None, other: float | None, change: str
) -> None:
    tests = [with_readings(*([] if ohms is None else [leak(ohms)])) for ohms in (one, other)]
    (both,) = compared(*tests).leaks
    assert change == both.change


def test_pins_that_were_joined_are_told_as_a_net_and_not_as_a_leak_of_that_test() -> None:
    """A short of 0.1 Ω between A.1 and A.2 is the net's matter; the leak beside it stays one."""
    joined = a_test(*GOOD[:-1], "A.1 A.2", leaks={"A.4": 41_000.0})
    found = compared(a_test(), joined)
    assert [("A.4 B.4", "only other")] == [
        (" ".join(map(str, both.either.pins)), both.change) for both in found.leaks if both.differs
    ]
    assert {"A.1 B.1", "A.2 B.2"} < {pins for pins, *_ in nets(found)}
    assert {"only one"} == {both.change for both in compared(joined, a_test()).leaks if both.differs}


def test_the_uncertainty_of_a_leak_is_what_the_readme_says() -> None:
    assert 20.0 == leak_uncertainty(0.0)
    assert 15_020.0 == leak_uncertainty(100_000.0)


# Where there is nothing to compare


@pytest.mark.parametrize(
    ("lanes", "why_not"),
    [
        (("calibrated", "none"), "one of the two testers measures none"),
        (("uncalibrated", "none"), "one of the two testers measures none"),
        (("none", "none"), "both testers measure none"),
        (("uncalibrated", "calibrated"), "one of the two testers was not calibrated"),
        (("uncalibrated", "uncalibrated"), "both testers were not calibrated"),
    ],
)
def test_without_calibrated_ohms_only_what_is_joined_is_compared(
    lanes: tuple[str, str], why_not: str
) -> None:
    for turn in (lanes, lanes[::-1]):
        one, other = (a_test(lane=lane) for lane in turn)
        found = compared(one, other)
        assert f"ohms cannot be compared: {why_not}" == found.why_not
        assert ((), (), (), False) == (found.links, found.leaks, found.nets, found.differs)
        opened = compared(one, a_test(*GOOD[1:], lane=turn[1]))
        assert [("A.1 B.1", "ok", "open")] == nets(opened)


def test_what_a_tester_without_ohms_cannot_see_is_no_change_of_the_net_but_of_the_verdict() -> None:
    found = compared(a_test(joints={"A.4": 90.0}), a_test(lane="none"))
    assert [] == nets(found)
    assert (False, True) == found.verdicts
    assert found.differs


def test_a_net_that_a_coarse_tester_judges_otherwise_is_told() -> None:
    found = compared(a_test(lane="uncalibrated"), a_test(lane="uncalibrated", joints={"A.4": 190.0}))
    assert [("A.4 B.4", "ok", "resistive")] == nets(found)


def test_of_two_profiles_what_both_have_is_compared() -> None:
    other = TEXT.replace('rule = "straight"', 'wires = [["A.1", "B.1"], ["A.2", "B.2"], ["A.4", "B.5"]]')
    found = compared(a_test(), a_test("A.1 B.1", "A.4 B.5", text=other))
    assert [("A.2 B.2", "ok", "open")] == nets(found)
    assert ["A.3 B.3", "A.4 B.4", "A.5 B.5"] == [" ".join(map(str, net.pins)) for net in found.only_one]
    assert ["A.4 B.5"] == [" ".join(map(str, net.pins)) for net in found.only_other]


def test_a_pin_that_one_profile_only_has_is_no_change_of_its_own() -> None:
    longer = TEXT.replace('"row-5"', '"row-6"').replace(
        'rule = "straight"', f"wires = {[[f'A.{k}', f'B.{k}'] for k in range(1, 6)]}"
    )
    found = compared(a_test(), a_test(*GOOD, "A.1 A.6", text=longer))
    assert ("A.6", "free", "joined") not in nets(found)
    assert [("A.1 B.1", "ok", "joined")] == nets(found)


# Whatever the tests found


def _links() -> st.SearchStrategy[tuple[Link, ...]]:
    ohms = st.floats(0, 200, allow_nan=False)

    def made(drawn: dict[int, tuple[float, float, int]]) -> tuple[Link, ...]:
        return tuple(
            link(read, 0.1 + wrong, f"A.{k}", f"B.{1 + (k + shift) % 5}", ok=read < 9)
            for k, (read, wrong, shift) in sorted(drawn.items())
        )

    some = st.dictionaries(st.integers(1, 5), st.tuples(ohms, st.floats(0, 9), st.sampled_from([4, 4, 0])))
    return some.map(made)


@st.composite
def some_test(draw: st.DrawFn) -> Tested:
    """Any groups of the cable's pins, any links and leaks, any lane."""
    pins = draw(st.permutations([*PINS, SPARE]))
    cuts = sorted(draw(st.sets(st.integers(1, len(pins) - 1), min_size=4)))
    groups = [pins[start:end] for start, end in zip([0, *cuts], [*cuts, len(pins)], strict=True)]
    joined = tuple(tuple(group) for group in groups if len(group) > 1)
    doubtful = ((pins[0], pins[-1]),) if draw(st.booleans()) else ()
    facts = compare(FIVE, Measurement(frozenset(pins), joined, doubtful))
    lane = draw(st.sampled_from(["calibrated", "calibrated", "uncalibrated", "none"]))
    if lane != "none":
        wrong = draw(st.dictionaries(st.integers(1, 5), st.floats(0, 1e6)))
        leaks = tuple(leak(ohms, f"A.{k} B.{k}") for k, ohms in sorted(wrong.items()))
        facts = replace(facts, resistances=Resistances(draw(_links()), leaks))
    return Tested(FIVE, facts, explain_plainly(facts), lane)


TURNED = {"risen": "fallen", "fallen": "risen", "only one": "only other", "only other": "only one"}


def turned(both: Both[Any]) -> Both[Any]:
    rise = None if both.rise is None else -both.rise
    return Both(both.other, both.one, rise, both.uncertainty, TURNED.get(both.change, both.change))  # type: ignore[arg-type]


@given(some_test(), some_test())
def test_turned_round_every_rise_is_a_fall_of_as_much(one: Tested, other: Tested) -> None:
    here, there = compared(one, other), compared(other, one)
    assert tuple(map(turned, here.links)) == there.links
    assert tuple(map(turned, here.leaks)) == there.leaks
    assert [(net.pins, net.other, net.one) for net in here.nets] == [
        (net.pins, net.one, net.other) for net in there.nets
    ]
    assert (here.why_not, here.differs, here.verdicts[::-1]) == (there.why_not, there.differs, there.verdicts)


@given(some_test())
def test_a_test_is_the_same_as_itself(test: Tested) -> None:
    found = compared(test, test)
    assert not found.differs
    assert {0.0} >= {both.rise for both in (*found.links, *found.leaks)}


@given(some_test(), some_test())
def test_what_passed_in_one_test_only_differs(one: Tested, other: Tested) -> None:
    found = compared(one, other)
    if one.facts.passed != other.facts.passed:
        assert found.differs
    if one.facts.nets != other.facts.nets:
        assert found.nets


def test_the_profile_of_these_tests_has_room_for_a_change() -> None:
    assert isinstance(FIVE, Profile)
    assert 5 == len(FIVE.nets)
