"""What a batch has come to."""

from __future__ import annotations

import pytest

from pinwright.cli.tally import Tally, Tested, summary, summary_members, time_text

OPEN, SHORT = ("open", ("A.1", "B.1")), ("short", ("A.2", "A.3"))


def one(item: int, test: int, *findings: tuple[str, tuple[str, ...]], seconds: int = 10) -> Tested:
    return Tested(item, f"X-{item}", test, not findings, findings, seconds)


def test_the_next_cable_is_the_one_to_be_mended_or_another() -> None:
    tally = Tally(2)
    assert (1, None, False) == (tally.item, tally.to_mend, tally.complete)
    tally.tests.append(one(1, 1, OPEN))
    assert (1, tally.tests[0], False) == (tally.item, tally.to_mend, tally.complete)
    tally.tests.append(one(1, 2))
    assert (2, None, False) == (tally.item, tally.to_mend, tally.complete)
    tally.tests.append(one(2, 1, SHORT))
    assert (2, False) == (tally.item, tally.complete)
    tally.set_aside()
    assert (3, None, True) == (tally.item, tally.to_mend, tally.complete)
    assert (1, 0, ["X-2"]) == (tally.passed, tally.passed_first, tally.failed)


def test_the_order_of_its_records_does_not_matter() -> None:
    tests = [one(1, 1, OPEN), one(1, 2), one(2, 1), one(3, 1, SHORT)]
    forth, back = Tally(4, tests), Tally(4, tests[::-1])
    assert summary(forth) == summary(back)
    assert forth.to_mend == back.to_mend == tests[3]


def test_one_that_failed_and_was_followed_by_another_is_not_waited_for() -> None:
    tally = Tally(3, [one(1, 1, OPEN), one(2, 1)])
    assert (3, None) == (tally.item, tally.to_mend)
    assert ["X-1"] == tally.failed


def test_one_set_aside_is_waited_for_again_where_it_fails_once_more() -> None:
    tally = Tally(1, [one(1, 1, OPEN)])
    tally.set_aside()
    assert tally.complete
    tally.tests.append(one(1, 2, OPEN))
    assert not tally.complete


def test_two_serials_under_one_item_are_two_cables_and_both_have_to_pass() -> None:
    failed, passed = Tested(1, "X-1", 1, False, (OPEN,), 10), Tested(1, "X-9", 1, True, (), 10)
    for tests in ([failed, passed], [passed, failed]):
        tally = Tally(1, tests)
        assert (0, 0, ["X-1"], failed) == (tally.passed, tally.passed_first, tally.failed, tally.to_mend)
        assert "1 tested: 0 (0 %) passed, 0 (0 %) at the first test" == summary(tally)[0]
        assert ["X-1", "X-9"] == sorted(str(one["serial"]) for one in summary_members(tally)["cables"])
        tally.tests.append(Tested(1, "X-1", 2, True, (), 10))
        assert (1, 0, True) == (tally.passed, tally.passed_first, tally.complete)


def test_several_under_one_item_are_set_aside_one_after_another() -> None:
    tally = Tally(1, [Tested(1, f"X-{n}", 1, False, (OPEN,), 10) for n in (1, 2)])
    waited = []
    while tally.to_mend:
        waited.append(tally.to_mend.serial)
        tally.set_aside()
    assert ["X-1", "X-2"] == sorted(waited)
    assert tally.complete


def test_of_two_records_of_one_test_the_one_that_failed_counts() -> None:
    good, bad = Tested(1, "X-1", 1, True, (), 10), Tested(1, "X-1", 1, False, (OPEN,), 10)
    assert [0, 0] == [Tally(1, tests).passed for tests in ([good, bad], [bad, good])]


def test_a_fault_that_a_later_test_still_finds_is_one_fault() -> None:
    tests = [one(1, 1, OPEN, SHORT), one(1, 2, OPEN), one(1, 3), one(2, 1, OPEN)]
    tally = Tally(2, tests)
    assert {"open": 2, "short": 1} == tally.faults


@pytest.mark.parametrize(("seconds", "median"), [([5], 5), ([5, 100], 52), ([5, 100, 7], 7), ([0, 0], 0)])
def test_the_time_of_a_cable_is_the_median(seconds: list[int], median: int) -> None:
    tally = Tally(9, [one(item, 1, seconds=taken) for item, taken in enumerate(seconds, start=1)])
    assert median == tally.seconds


def test_mending_is_part_of_the_time() -> None:
    assert 50 == Tally(1, [one(1, 1, OPEN, seconds=10), one(1, 2, seconds=40)]).seconds


def test_it_is_told_in_words_and_to_programs() -> None:
    tests = [one(1, 1), one(2, 1, OPEN, SHORT), one(2, 2, OPEN), one(3, 1, OPEN), one(3, 2)]
    tally = Tally(5, tests)
    assert [
        "3 tested of 5: 2 (67 %) passed, 1 (33 %) at the first test",
        "faults found: 2 open, 1 short",
        "a cable took 20 s, mending included (median)",
        "not passed: X-2",
    ] == summary(tally)
    told = summary_members(tally)
    assert (3, 2, 1, 0.6667, 20, ["X-2"], False) == tuple(
        told[key] for key in ("tested", "passed", "passed_first", "yield", "seconds", "failed", "complete")
    )
    assert {"item": 3, "serial": "X-3", "tests": 2, "passed": True} == told["cables"][2]


def test_of_no_cable_there_is_nothing_to_say() -> None:
    assert ["none of 5 was tested"] == summary(Tally(5))
    assert (None, None) == (summary_members(Tally(5))["yield"], summary_members(Tally(5))["seconds"])


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0 s"), (99, "99 s"), (100, "1 min 40 s"), (605, "10 min 05 s")]
)
def test_a_time_is_told_so_that_it_can_be_read(seconds: int, text: str) -> None:
    assert text == time_text(seconds)
