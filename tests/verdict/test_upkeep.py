"""Calibration and long check: what is worked out of readings of the shorting bar, and what is found wrong."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from pinwright.errors import OwnBug, SelfCheckFailed
from pinwright.tester.fixture import Fixture, Socket
from pinwright.tester.ohmmeter import Lane
from pinwright.verdict.upkeep import (
    Look,
    bar_in,
    calibration_from,
    changed_points,
    long_check,
    points_ohms,
    sockets_of,
    strange_points,
)

POINTS = 56
J1, J2, REF = (
    Socket("J1", "box-2x20", tuple(range(40))),
    Socket("J2", "pins", tuple(range(40, 52))),
    Socket("REF", "own", tuple(range(52, 56))),
)
FIXTURE = Fixture("small", "", "", POINTS, (J1, J2, REF), ())
MADE = datetime(2026, 3, 1, tzinfo=UTC)
OWN = Lane(4096, round(3.3 / 125e-6), round(0.706 / 3.3 * 65536), ())


def reading(path_ohms):
    return round(4096 + 4 * 22 * 3.3 / (path_ohms + 22) / 7.8125e-6)


def parallel(ohms):
    return 1 / sum(1 / one for one in ohms)


def ohms_of(seed=1, points=POINTS):
    chance = random.Random(seed)
    resistors = [chance.uniform(666.4, 693.6) for _ in range(points)]
    return [(own + chance.gauss(100, 3), own + chance.gauss(40, 1)) for own in resistors]


def bar(ohms, socket=J1, lane=OWN):
    """What a board reads whose points have these ohms, driven high and driven low."""
    high, low = [0] * POINTS, [0] * POINTS
    for point in socket.points:
        others = [ohms[other] for other in socket.points if other != point]
        high[point] = reading(ohms[point][0] + parallel([low for _, low in others]))
        low[point] = reading(ohms[point][1] + parallel([high for high, _ in others]))
    return Look(socket, (), lane, tuple(high), tuple(low))


def empty(leak=4096):
    return Look(None, (), OWN, leak=(leak,) * POINTS)


def looks(ohms):
    return [empty(), bar(ohms), bar(ohms, J2)]


@pytest.mark.parametrize("seed", range(5))
def test_every_point_s_two_resistances_follow_from_all_readings(seed):
    """Within what a step of the converter is worth: 14 a quarter ohm with forty points."""
    ohms = ohms_of(seed)
    told = points_ohms(bar(ohms))
    assert list(J1.points) == list(told)
    for point, (high, low) in told.items():
        assert (high, low) == pytest.approx(ohms[point], abs=0.05)


def test_two_points_alone_cannot_be_told_apart():
    """Both polarities then read the same two paths."""
    with pytest.raises(SelfCheckFailed, match="J3"):
        points_ohms(bar(ohms_of(2), Socket("J3", "pins", (0, 1))))


def test_a_calibration_has_every_point_of_every_socket_and_no_other():
    ohms = ohms_of()
    calibration = calibration_from(looks(ohms), MADE, POINTS)
    assert calibration.high_ohms[7] == pytest.approx(ohms[7][0], abs=0.05)
    assert calibration.low_ohms[7] == pytest.approx(ohms[7][1], abs=0.05)
    assert [n for n, known in enumerate(calibration.high_ohms) if known is None] == list(REF.points)
    assert (MADE, pytest.approx(27.0, abs=0.1)) == (calibration.made, calibration.celsius)


def test_the_empty_tester_s_leaks_stand_in_it():
    calibration = calibration_from([empty(4101), bar(ohms_of()), bar(ohms_of(), J2)], MADE, POINTS)
    assert (5,) * POINTS == calibration.empty


def test_no_calibration_is_made_of_a_look_that_found_a_fault():
    with pytest.raises(OwnBug):
        calibration_from([replace(empty(), faults=("J1.1 is cut",))], MADE, POINTS)


@pytest.mark.parametrize(("high", "low"), [(1200, 720), (600, 720), (780, 900), (780, 600)])
def test_a_point_that_no_sound_tester_can_have_is_named(high, low):
    ohms = ohms_of()
    ohms[6] = (high, low)
    (told,) = strange_points(bar(ohms), FIXTURE)
    assert told.startswith("J1.7 has ")


def test_no_point_of_a_sound_tester_is_strange():
    assert () == strange_points(bar(ohms_of(3)), FIXTURE)


@pytest.mark.parametrize(("change", "named"), [(8.0, False), (9.0, True), (-9.0, True)])
def test_a_point_that_is_not_as_it_was_calibrated_is_named(change, named):
    """By more than the tester's measurements may be wrong: 8.5 Ω without references."""
    ohms = ohms_of()
    calibration = calibration_from(looks(ohms), MADE, POINTS)
    ohms[6] = (ohms[6][0] + change, ohms[6][1] + change)
    told = changed_points(bar(ohms), calibration, FIXTURE)
    assert named is bool(told)
    assert all("J1.7 has " in sentence for sentence in told)
    check = long_check([empty(), bar(ohms), bar(ohms, J2)], calibration, MADE, FIXTURE)
    assert named is not check.passed
    assert named is ("J1.7" in check.text)
    assert ("J1.7" in changed_points(bar(ohms), calibration, FIXTURE, limit=2.0)[0]) is True
    assert () == changed_points(bar(ohms_of()), calibration, FIXTURE, limit=2.0)


def test_a_long_check_says_what_it_looked_at():
    check = long_check(looks(ohms_of()), None, MADE, FIXTURE)
    assert (True, True, ("J1", "J2"), "") == (check.passed, check.measured, check.sockets, check.text)
    by_continuity = [Look(None, ()), Look(J1, ()), Look(J2, ())]
    check = long_check(by_continuity, None, MADE, FIXTURE)
    assert (True, False) == (check.passed, check.measured)


def test_a_fault_that_shows_in_every_look_is_told_once_and_many_are_counted():
    faults = tuple(f"J1.{n} is cut" for n in range(1, 9))
    check = long_check([Look(None, faults), Look(J1, faults)], None, MADE, FIXTURE)
    assert not check.passed
    assert "J1.1 is cut; J1.2 is cut; J1.3 is cut; J1.4 is cut; J1.5 is cut; and 3 more" == check.text


def test_the_bar_visits_every_socket_that_takes_cables_and_is_fitted():
    assert (J1, J2) == sockets_of(FIXTURE, 56)
    assert (J1,) == sockets_of(FIXTURE, 40)


def test_the_bar_is_one_net_of_a_socket_or_none_at_all():
    (net,) = bar_in(J2).nets
    assert [f"@J2.{n}" for n in range(1, 13)] == [str(pin) for pin in net.pins]
    assert () == bar_in(None).nets


@pytest.mark.parametrize(("ohms", "named"), [(25.0, False), (60.0, True)])
def test_a_bad_contact_of_the_bar_is_not_like_its_chip(ohms, named):
    """Points of one chip differ by 2 % of 680 Ω and some ohms of drivers at most."""
    points = [(780.0, 720.0)] * POINTS
    points[6] = (780.0 + ohms, 720.0 + ohms)
    told = strange_points(bar(points), FIXTURE)
    assert named is bool(told)
    assert all(text.startswith("J1.7 has ") for text in told)
