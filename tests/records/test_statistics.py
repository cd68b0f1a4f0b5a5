"""What many tests say together, against sets counted by hand and figures that others published."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, replace
from math import isclose
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinwright.records.entries import Measured
from pinwright.records.statistics import (
    Z_95,
    KindCount,
    LeftOut,
    Period,
    PinCount,
    PlugCount,
    Report,
    Share,
    Spread,
    statistics,
)

ENDS = {"A": tuple("12345678"), "B": tuple("12345678"), "C": ("1", "2", "3")}


def a_test(
    cable: str, test: int = 1, result: Any = "pass", day: str = "2026-03-01", **other: Any
) -> Measured:
    """A test that did not happen, of a cable by its serial."""
    one = Measured(
        cable, test, result, f"{day}T10:00:0{test}Z", True, False, "", "B", "f" * 64, "none", (), (), "", 0, 0
    )
    return replace(one, **other)


OPEN_3 = (("open", ("A.3", "B.3")),)
SHORT = (("short", ("A.3", "A.4")),)
TURNED = (("reversed", tuple(f"B.{pin}" for pin in "12345678")),)

# Five cables in two months. F-1 passes at once; F-2 is mended; F-3 is mended twice, and its third test is
# withdrawn; F-4 stays bad; F-5 passes, and fails a month later.
COUNTED = (
    a_test("F-1", day="2026-02-27"),
    a_test("F-2", result="fail", day="2026-02-28", findings=OPEN_3),
    a_test("f-2", 2, day="2026-03-02"),
    a_test("F-3", result="fail", day="2026-03-03", findings=(*OPEN_3, *SHORT)),
    a_test("F-3", 2, "fail", day="2026-03-03", findings=SHORT),
    a_test("F-3", 3, day="2026-03-04", withdrawn="the wrong cable"),
    a_test("F-4", result="fail", day="2026-03-05", findings=TURNED),
    a_test("F-5", day="2026-03-06"),
    a_test("F-5", 2, "fail", day="2026-04-06", findings=(("short", ("A.3", "@J2.9")),)),
    a_test("S-1", result="fail", simulated=True, findings=OPEN_3),
    a_test("F-6", result="fail", sealed=False, findings=OPEN_3),
)


def report(tests: Sequence[Measured] = COUNTED, **asked: Any) -> Report:
    return statistics(tests, ENDS, **asked)


# Yield


def test_cables_are_counted_in_the_month_of_their_first_test() -> None:
    made = report()
    assert (5, 8, "2026-02-27T10:00:01Z", "2026-04-06T10:00:02Z") == (
        made.cables,
        made.tests,
        made.begun,
        made.ended,
    )
    assert (
        Period("2026-02", made=2, first=1, mended=1, passed=2, failed=0, unknown=0),
        Period("2026-03", made=3, first=1, mended=0, passed=0, failed=2, unknown=1),
    ) == made.months
    assert Period("", made=5, first=2, mended=1, passed=2, failed=2, unknown=1) == made.total


def test_what_does_not_count_is_counted() -> None:
    assert (
        LeftOut(simulated=1, not_as_made=1, other_revision=0, withdrawn=1, earlier_or_later=0)
        == report().left_out
    )


@pytest.mark.parametrize(
    ("latest", "unknown"),
    [
        ({"withdrawn": "x"}, 1),
        ({"sealed": False}, 1),
        ({"started": "yesterday"}, 1),
        ({"simulated": True}, 0),  # no cable was tested
        ({"revision": "A"}, 0),
        ({}, 0),
    ],
)
def test_a_cable_whose_latest_test_does_not_count_has_not_passed(
    latest: dict[str, Any], unknown: int
) -> None:
    made = report([a_test("F-1"), replace(a_test("F-1", 2), **latest)], revision="B")
    assert (unknown, 1 - unknown) == (made.total.unknown, made.total.passed)


def test_a_cable_whose_latest_test_cannot_be_read_has_not_passed() -> None:
    tests = [a_test("F-1", 2), a_test("F-2", 2)]
    made = report(tests, lost=[("f-1", 3), ("F-2", 1), ("F-9", 1)])
    assert (1, 1) == (made.total.unknown, made.total.passed)


def test_a_cable_all_of_whose_tests_were_withdrawn_was_not_made() -> None:
    made = report([a_test("F-1", result="fail", withdrawn="mis-plugged")])
    assert (0, 0, 1) == (made.cables, made.total.unknown, made.left_out.withdrawn)


def test_a_first_test_that_was_withdrawn_is_none() -> None:
    made = report([a_test("F-1", result="fail", withdrawn="mis-plugged"), a_test("F-1", 2)])
    assert (1, 1, 0) == (made.total.made, made.total.first, made.total.mended)


def test_a_time_that_is_asked_for_takes_cables_by_their_first_test_and_all_of_their_tests() -> None:
    made = report(since="2026-03-01T00:00:00Z", until="2026-03-05T23:59:59Z")
    assert (2, 3) == (made.cables, made.tests)  # F-3 and F-4
    assert {"2026-03"} == {month.month for month in made.months}
    # F-1, F-2 twice, F-5 twice; F-3's last and the two that never count were within.
    assert LeftOut(1, 1, 0, 1, 5) == made.left_out
    assert 2 == report(until="2026-02-28T23:59:59Z").cables


def test_a_revision_that_is_asked_for_leaves_the_others_out() -> None:
    tests = [*COUNTED, a_test("G-1", revision="A"), a_test("F-4", 2, revision="A")]
    assert (("A", 2), ("B", 8)) == report(tests).revisions
    made = report(tests, revision="B")
    assert ((("B", 8),), 2, 5) == (made.revisions, made.left_out.other_revision, made.cables)
    assert 2 == made.total.failed  # F-4 passed as another revision


def test_simulations_count_where_they_are_asked_for() -> None:
    made = report(simulations=True)
    assert (6, 0) == (made.cables, made.left_out.simulated)


def test_nothing_gives_a_report_of_nothing() -> None:
    made = report([])
    assert (0, 0, "", "") == (made.cables, made.tests, made.begun, made.ended)
    assert ((), (), (), ()) == (made.months, made.kinds, made.pins, made.spreads)
    assert (0.0, 1.0) == Share(made.total.first, made.total.made).interval


# Wilson's interval


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [
        # R. G. Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3 (score without continuity
        # correction); from memory.
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_the_interval_is_the_published_one(count: int, of: int, low: float, high: float) -> None:
    assert pytest.approx((low, high), abs=5e-5) == Share(count, of).interval


@given(st.integers(1, 5000).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
def test_the_ends_of_the_interval_are_the_shares_that_are_just_not_refuted(pair: tuple[int, int]) -> None:
    """What the interval is by its definition: |count - n·p| = z·√(n·p·(1-p)) at its ends."""
    count, of = pair
    low, high = Share(count, of).interval
    assert 0 <= low <= count / of <= high <= 1
    for end, outermost in ((low, 0), (high, of)):
        if count != outermost:
            assert isclose(abs(count - of * end), Z_95 * (of * end * (1 - end)) ** 0.5, rel_tol=1e-6)
    mirrored = Share(of - count, of).interval
    assert pytest.approx((1 - high, 1 - low)) == mirrored


def test_three_of_four_say_little() -> None:
    low, high = Share(3, 4).interval
    assert (30, 95) == (round(100 * low), round(100 * high))


# Faults


def test_kinds_are_counted_by_cable_and_by_test() -> None:
    assert (
        KindCount("open", cables=2, tests=2),
        KindCount("short", cables=2, tests=3),
        KindCount("reversed", cables=1, tests=1),
    ) == report().kinds


def test_a_cable_counts_once_at_a_pin_and_a_position_of_the_tester_is_none() -> None:
    assert (
        PinCount("A.3", 3, (("open", 2), ("short", 2))),
        PinCount("A.4", 1, (("short", 1),)),
        PinCount("B.3", 2, (("open", 2),)),
    ) == report().pins


def test_a_whole_plug_is_counted_apart() -> None:
    made = report()
    assert (PlugCount("B", "reversed", 1),) == made.plugs
    assert not [one for one in made.pins if one.pin == "B.1"]


@pytest.mark.parametrize(
    ("kind", "pins", "whole"),
    [
        ("open", ("A.1", "A.2", "A.3", "A.4"), False),  # half of them
        ("open", ("A.1", "A.2", "A.3", "A.4", "A.5"), True),
        ("open", ("A.1", "A.2", "A.3", "A.4", "A.4"), False),
        ("swap", ("C.1", "C.2"), False),  # of three, but one slip
        ("reversed", ("C.1", "C.3"), True),
        ("absent", ("C.1",), False),
        ("swap", ("C.1", "C.2", "C.3"), False),
    ],
)
def test_more_than_half_of_a_plug_is_a_whole_one(kind: str, pins: tuple[str, ...], whole: bool) -> None:
    made = report([a_test("F-1", result="fail", findings=((kind, pins),))])
    assert whole is bool(made.plugs)
    assert whole is not bool(made.pins)


def test_a_finding_about_a_whole_plug_does_not_count_at_the_pins_of_the_other() -> None:
    pins = ("B.1", *(f"A.{pin}" for pin in "123456"))
    made = report([a_test("F-1", result="fail", findings=(("wrong-cable", pins),))])
    assert ((), (PlugCount("A", "wrong-cable", 1),)) == (made.pins, made.plugs)


def test_pins_that_the_connectors_have_not_are_told_apart() -> None:
    made = report([a_test("F-1", result="fail", findings=(("open", ("A.3", "A.40", "D.1", "\x1b[31m")),))])
    assert ["A.3"] == [one.pin for one in made.pins]
    assert ["A.40", "D.1", "\x1b[31m"] == [one.pin for one in made.elsewhere]


# Resistances


def links(*ohms: float, uncertainty: float = 0.4) -> tuple[tuple[str, float, float, bool], ...]:
    return tuple((f"A.{place}", value, uncertainty, True) for place, value in enumerate(ohms, 1))


def test_a_conductor_has_the_spread_that_a_hand_finds() -> None:
    """1, 2, 3, 4 and 10: the quartiles of five values, by the inclusive method, are the second and fourth."""
    values = (3.0, 1.0, 10.0, 2.0, 4.0)
    tests = [
        a_test(f"F-{number}", lane="calibrated", links=links(value, uncertainty=0.1 * number))
        for number, value in enumerate(values, 1)
    ]
    made = report(tests)
    assert (Spread("A.1", 5, 1.0, 2.0, 3.0, 4.0, 10.0, pytest.approx(0.3)),) == made.spreads
    assert 5 == made.measured


def test_quartiles_between_values_are_interpolated() -> None:
    """Of 1, 2, 3, 4: at three quarters of the way from 1 to 2, and at a quarter of that from 3 to 4."""
    tests = [a_test(f"F-{ohms}", lane="calibrated", links=links(float(ohms))) for ohms in (1, 2, 3, 4)]
    (spread,) = report(tests).spreads
    assert (1.75, 2.5, 3.25) == (spread.lower, spread.median, spread.upper)


def test_one_cable_has_one_value_everywhere() -> None:
    (spread,) = report([a_test("F-1", lane="calibrated", links=links(0.7))]).spreads
    assert {0.7} == {spread.lowest, spread.lower, spread.median, spread.upper, spread.highest}


def test_only_the_latest_test_that_passed_on_a_calibrated_tester_counts() -> None:
    tests = [
        a_test("F-1", lane="calibrated", links=links(1.0)),
        a_test("F-1", 2, lane="calibrated", links=links(2.0)),
        a_test("F-1", 3, lane="uncalibrated", links=links(3.0)),
        a_test("F-1", 4, "fail", lane="calibrated", links=links(4.0)),
        a_test("F-1", 5, lane="none"),
        a_test("F-1", 6, lane="calibrated", links=links(6.0), withdrawn="x"),
        a_test("F-2", result="fail", lane="calibrated", links=links(9.0)),
    ]
    made = report(tests)
    assert [("A.1", 1, 2.0)] == [(one.pin, one.cables, one.median) for one in made.spreads]
    assert 1 == made.measured


def test_conductors_are_in_the_order_of_their_pins() -> None:
    odd = (("A.10", 1.0, 0.1, True), ("nonsense", 1.0, 0.1, True), ("A.9", 1.0, 0.1, True))
    made = report([a_test("F-1", lane="calibrated", links=odd)])
    assert ["A.9", "A.10", "nonsense"] == [one.pin for one in made.spreads]


# Whatever the tests

PINS = [f"{end}.{pin}" for end, pins in ENDS.items() for pin in pins] + ["A.99", "@J1.1"]
FINDINGS = st.lists(
    st.tuples(
        st.sampled_from(["open", "short", "reversed", "absent"]),
        st.lists(st.sampled_from(PINS), min_size=1, max_size=9).map(tuple),
    ),
    min_size=1,
    max_size=3,
).map(tuple)


@st.composite
def sets_of_tests(draw: st.DrawFn) -> list[Measured]:
    made = []
    for cable in range(draw(st.integers(0, 6))):
        for test in range(1, draw(st.integers(1, 4)) + 1):
            passed = draw(st.booleans())
            made.append(
                a_test(
                    f"F-{cable}",
                    test,
                    "pass" if passed else "fail",
                    draw(st.sampled_from(["2026-01-31", "2026-02-01", "2026-02-28", "2026-12-31"])),
                    findings=() if passed else draw(FINDINGS),
                    simulated=draw(st.integers(0, 9)) == 0,
                    sealed=draw(st.integers(0, 9)) > 0,
                    withdrawn="x" if draw(st.integers(0, 9)) == 0 else "",
                    revision=draw(st.sampled_from("AB")),
                    lane=draw(st.sampled_from(["none", "calibrated"])),
                    links=links(draw(st.floats(0, 5)), draw(st.floats(0, 5))) if passed else (),
                )
            )
    return draw(st.permutations(made))


ASKED = st.fixed_dictionaries(
    {},
    optional={
        "revision": st.sampled_from("AB"),
        "since": st.sampled_from(["2026-02-01T00:00:00Z", "2027-01-01T00:00:00Z"]),
        "until": st.sampled_from(["2026-02-28T23:59:59Z", "2025-01-01T00:00:00Z"]),
    },
)


@settings(max_examples=40)
@given(sets_of_tests(), ASKED)
def test_counts_add_up(tests: list[Measured], asked: dict[str, str]) -> None:
    made = report(tests, **asked)
    assert len(tests) == made.tests + sum(asdict(made.left_out).values())
    assert made.cables <= made.tests
    assert made.tests == sum(count for _, count in made.revisions)
    for name in ("made", "first", "mended", "passed", "failed", "unknown"):
        assert getattr(made.total, name) == sum(getattr(month, name) for month in made.months)
    for period in (made.total, *made.months):
        assert period.made == period.passed + period.failed + period.unknown
        assert period.mended <= period.passed
        assert period.passed - period.mended <= period.first <= period.made
    assert made.cables == made.total.made
    for kind in made.kinds:
        assert kind.cables <= kind.tests <= made.tests
        assert kind.cables <= made.cables
    by_kind = {kind.kind: kind.cables for kind in made.kinds}
    for pin in (*made.pins, *made.elsewhere):
        assert 1 <= max(count for _, count in pin.kinds) <= pin.cables <= sum(count for _, count in pin.kinds)
        assert all(count <= by_kind[kind] for kind, count in pin.kinds)
    for spread in made.spreads:
        assert 1 <= spread.cables <= made.measured <= made.cables
        five = [spread.lowest, spread.lower, spread.median, spread.upper, spread.highest]
        assert sorted(five) == pytest.approx(five)


@settings(max_examples=40)
@given(sets_of_tests(), st.randoms(use_true_random=False))
def test_the_order_of_the_tests_does_not_matter(tests: list[Measured], order: Any) -> None:
    shuffled = list(tests)
    order.shuffle(shuffled)
    assert report(tests) == report(shuffled)


@settings(max_examples=40)
@given(sets_of_tests())
def test_every_pin_is_counted_as_somebody_with_a_tally_would(tests: list[Measured]) -> None:
    """The other way round: for each pin, which cables have a finding that names it and is no whole plug."""
    made = report(tests)
    counted = [one for one in tests if one.sealed and not one.simulated and not one.withdrawn]
    tally: Counter[str] = Counter()
    for pin in PINS[:-1]:
        for cable in {one.serial for one in counted}:
            findings = [found for one in counted if one.serial == cable for found in one.findings]
            tally[pin] += any(pin in pins and not is_whole(kind, set(pins)) for kind, pins in findings)
    assert {pin: count for pin, count in tally.items() if count} == {
        one.pin: one.cables for one in (*made.pins, *made.elsewhere)
    }


def is_whole(kind: str, pins: set[str]) -> bool:
    for end, names in ENDS.items():
        count = len(pins & {f"{end}.{name}" for name in names})
        if count > len(names) / 2 and (count >= 4 or kind in ("reversed", "absent")):
            return True
    return False
