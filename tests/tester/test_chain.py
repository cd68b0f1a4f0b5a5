"""What the points of a net hang on, of readings worked out from known joints."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from pinwright.errors import Disagreement
from pinwright.tester.chain import hangs
from pinwright.tester.ohmmeter import MOST_OHMS, Ohmmeter, Readings
from pinwright.tester.parts import round_of

from ..chains import HIGH, LOW, OWN, Joint, Joints, calibration, chain, reading

POINTS = 64


def found(joints, **more):
    net = Joints(joints, **more)
    told = hangs(net.evidence(POINTS), net.asked(POINTS))
    assert told is not None
    assert set(net.points[1:]) == set(told)
    return told


@pytest.mark.parametrize("start", [0, 7, 20, 39])
def test_of_a_chain_every_point_hangs_on_its_neighbour_wherever_the_first_is(start):
    """The first point is the lowest: at an end of the chain, or somewhere in it."""
    order = [*range(start, 0, -1), 0, *range(start + 1, 40)]
    told = found(chain(order))
    place = {point: nth for nth, point in enumerate(order)}
    for point, hang in told.items():
        assert abs(place[point] - place[hang.on]) <= 3, point
        assert 0 < hang.ohms < 2.6, point


def test_of_a_star_of_good_contacts_nothing_is_asked():
    assert () == Joints((0, point, 0.3) for point in range(1, 40)).asked(POINTS).near


def test_of_a_star_with_one_bad_joint_nothing_is_asked_for_nothing_is_as_far():
    net = Joints([*((0, point, 0.3) for point in range(1, 40)), (0, 40, 12.0)])
    assert () == net.asked(POINTS).near


def test_two_equally_bad_joints_do_not_vouch_for_each_other():
    joints = [*((0, point, 0.3) for point in range(1, 20)), (0, 20, 12.0), (0, 21, 12.0)]
    assert (20, 21) in {(one, other) for one, other, _ in Joints(joints).asked(POINTS).near}
    told = found(joints)
    assert min(told[20].ohms, told[21].ohms) > 11


@pytest.mark.parametrize("bad", range(1, 40))
def test_a_bad_joint_at_any_place_of_a_chain_is_what_one_point_hangs_by(bad):
    order = random.Random(bad).sample(range(40), 40)
    joints = chain(order)
    joints[bad - 1] = (*joints[bad - 1][:2], 12.0)
    assert max(hang.ohms for hang in found(joints).values()) > 10


def tree(chance: random.Random, points: int) -> list[Joint]:
    order = chance.sample(range(points), points)
    reach = chance.choice((1, 3, 100))
    return [
        (order[chance.randrange(max(0, nth - reach), nth)], order[nth], chance.uniform(0.02, 1.0))
        for nth in range(1, points)
    ]


@pytest.mark.parametrize("seed", range(60))
def test_no_net_with_a_bad_joint_hangs_together_by_less(seed):
    """Trees of every shape, bad joints of 10 to 40 ohms where they may, one to three of them."""
    chance = random.Random(seed)
    joints = tree(chance, chance.choice((4, 8, 20, 60)))
    for bad in chance.sample(range(len(joints)), chance.randint(1, 3)):
        joints[bad] = (*joints[bad][:2], chance.uniform(10.0, 40.0))
    net = Joints(joints)
    told = found(joints)
    first = min(told[point].ohms for point in net.points[1:])  # where the first has the bad joint itself
    assert max(first, *(hang.ohms for hang in told.values())) > 8


@pytest.mark.parametrize("more", [-1.5, 1.5])
def test_a_driver_that_has_more_at_another_current_changes_nothing(more):
    """Each such reading is wrong by as much, and what it says by four times that."""
    told = found(chain(range(40)), more_ohms=more)
    assert max(hang.ohms for hang in told.values()) < 2.6
    joints = [*chain(range(20)), *chain([3, *range(20, 30)])]
    joints[19] = (3, 20, 10.0)
    assert max(hang.ohms for hang in found(joints, more_ohms=more).values()) > 8


def test_a_pair_of_points_beyond_a_bad_joint_does_not_hide_beside_a_long_chain():
    """By their distances alone the two could be of the chain."""
    told = found([*chain(range(30)), (0, 30, 9.5), (30, 31, 0.1)])
    assert told[30].ohms > 7
    assert told[31].on == 30


def test_readings_that_are_all_too_small_change_nothing():
    """By 3 Ω, as of a tester far from its calibration: the nearest points are less than nothing away."""
    net = Joints(chain([*range(12, 0, -1), 0, *range(13, 40)]))
    net.less_ohms = 3.0
    told = hangs(net.evidence(POINTS), net.asked(POINTS))
    assert min(hang.ohms for hang in told.values()) < -1
    assert max(hang.ohms for hang in told.values()) < 2.6


def test_without_a_calibration_nothing_is_asked():
    net = Joints(chain(range(40)))
    assert () == net.asked(POINTS, calibrated=False).near
    assert hangs(net.evidence(POINTS), net.asked(POINTS, calibrated=False)) is None


def test_of_readings_that_nobody_asked_more_of_nothing_is_known():
    net = Joints(chain(range(40)))
    assert hangs(net.evidence(POINTS), net.readings(POINTS)) is None


def test_where_the_current_to_two_points_is_that_to_one_nothing_is_vouched_for():
    """A contact that comes and goes, perhaps: what was read cannot be of one net."""
    net = Joints(chain(range(40)))
    readings = net.readings(POINTS)
    net.both = lambda pair: min(readings.across[point] for point in pair)
    told = hangs(net.evidence(POINTS), net.asked(POINTS))
    assert {0} == {hang.on for hang in told.values()}


@pytest.mark.parametrize(
    "change",
    [
        lambda near: near[:-1],
        lambda near: near[1:],
        lambda near: (*near, near[-1]),
        lambda near: (near[1], near[0], *near[2:]),
        lambda near: ((*near[0][:2], 0), *near[1:]),
        lambda near: ((near[0][1], near[0][0], near[0][2]), *near[1:]),
        lambda near: (),
    ],
    ids=["one less", "the first gone", "one more", "another order", "not read", "turned", "none"],
)
def test_answers_to_other_questions_are_refused(change):
    net = Joints(chain(range(40)))
    readings = net.asked(POINTS)
    with pytest.raises(Disagreement, match="other resistances were measured than its readings ask for"):
        hangs(net.evidence(POINTS), replace(readings, near=change(readings.near)))


def test_a_round_for_two_points_leaves_every_other_part_out():
    parts = bytes([0, 1, 2, 1, 1, 2, 1, 2])
    one = round_of(parts, (3, 6))
    assert bytes([0, 1, 0, 0, 1, 0, 0, 0]) == one.parts
    assert ((1, 3), (1, 6)) == one.pairs


def meter() -> Ohmmeter:
    readings: Readings = Joints(chain(range(3))).readings(8)
    assert calibration(8) == readings.calibration
    return Ohmmeter(OWN, OWN, readings.calibration)


@pytest.mark.parametrize(("shared", "one", "other"), [(0.0, 3.0, 8.0), (20.0, 0.0, 1.0), (5.0, 0.0, 300.0)])
def test_two_points_are_as_far_apart_as_what_their_ways_do_not_share(shared, one, other):
    """From the first both go the same way for so many ohms, then each its own."""
    across = reading(HIGH + shared + one + LOW), reading(HIGH + shared + other + LOW)
    both = reading(HIGH + shared + 1 / (1 / (one + LOW) + 1 / (other + LOW)))
    assert meter().apart(0, (1, 2), across, both) == pytest.approx(one + other, abs=0.6)


def test_ways_that_share_all_of_the_points_own_too_are_none():
    same = reading(HIGH + LOW)
    assert MOST_OHMS == meter().apart(0, (1, 2), (same, same), same)
