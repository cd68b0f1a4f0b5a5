"""The decision rule at its edges: on readings made of known ohms, in a calibrated tester and in another."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from pinwright.cable.pins import parse_pin
from pinwright.cable.profile import Profile
from pinwright.errors import Disagreement
from pinwright.tester.calibration import Calibration
from pinwright.tester.fixture import Fixture, Socket, place
from pinwright.tester.measurement import Evidence
from pinwright.tester.ohmmeter import Lane, Readings
from pinwright.tester.parts import parts_of, points_of
from pinwright.verdict.resistances import ohms_text, resistances, rule, summary

from ..chains import Joints, chain

POINTS = 32
FIXTURE = Fixture(
    "small",
    "",
    "",
    POINTS,
    (Socket("J1", "box", tuple(range(16))), Socket("J2", "box", tuple(range(16, 32)))),
    (),
)
HIGH, LOW = 785.0, 722.0
CALIBRATION = Calibration(
    datetime(2026, 3, 1, tzinfo=UTC), (HIGH,) * POINTS, (LOW,) * POINTS, (0,) * POINTS, (), 27.0
)
OWN = Lane(4096, round(3.3 / 125e-6), round(0.706 / 3.3 * 65536), ())
# Without references the uncertainty is 8.5 Ω and 2 % of the reading.
BASE = 8.5


def profile(wires=None, **more):
    wires = wires or [[f"A.{n}", f"B.{n}"] for n in range(1, 9)]
    ends = {end: {"connector": "row-16", **more.pop(end, {})} for end in "AB"}
    return Profile.from_dict(
        {"cable": {"id": "x", **more.pop("cable", {})}, "ends": ends, "wiring": {"wires": wires}, **more}
    )


def reading(path_ohms):
    return round(4096 + 4 * 22 * 3.3 / (path_ohms + 22) / 7.8125e-6)


def measured(cable, ohms=None, leaks=None, joined=None, calibration=CALIBRATION):
    """ohms: of links by pin, else 0.2. leaks: of parts by pin, else none. joined: groups of pins, else as the
    profile has them."""
    placement = place(cable.ends, FIXTURE, POINTS)
    rows = [1 << point for point in range(POINTS)]
    for group in joined or [list(map(str, net.pins)) for net in cable.nets]:
        points = [placement.point_of[parse_pin(name)] for name in group]
        for point in points:
            rows[point] |= sum(1 << other for other in points)
    matrix = b"".join(row.to_bytes(POINTS // 8, "little") for row in rows)
    nothing = bytes(POINTS // 8)
    evidence = Evidence(POINTS, matrix, matrix, bytes(len(matrix)), nothing, nothing, bytes(POINTS))
    high, leak, across = [0] * POINTS, [0] * POINTS, [0] * POINTS
    parts = parts_of(cable, evidence, placement)
    own = {point: (ohms or {}).get(str(pin), 0.2) for point, pin in placement.pin_of.items()}
    for points in points_of(parts).values():
        for point in points if len(points) > 1 else ():
            leg = (
                own if len(points) > 2 else dict.fromkeys(points, 0.0)
            )  # of a pair the first point has it all
            rest = 1 / sum(1 / (leg[other] + LOW) for other in points if other != point)
            told = (leaks or {}).get(str(placement.pin_of[points[0]]))
            aside = 0.0 if told is None else 1 / (told + LOW)  # takes its share of every current
            high[point] = reading(HIGH + 1 / (1 / (own[point] + rest) + aside))
            if point != points[0] and len(points) > 2:
                way = leg[points[0]] + leg[point] + LOW
                across[point] = reading(HIGH + 1 / (1 / way + aside))
    for point, number in enumerate(parts):
        if number and point == parts.index(number):
            told = (leaks or {}).get(str(placement.pin_of[point]))
            leak[point] = reading(HIGH + told + LOW) if told is not None else 4096
    readings = Readings(OWN, OWN, parts, tuple(high), tuple(leak), tuple(across), calibration)
    return evidence, placement, readings


def judged(cable, *words, **named):
    return resistances(cable, *measured(cable, *words, **named))


def both_ways(number, ohms):
    return {f"A.{number}": ohms, f"B.{number}": ohms}


def test_a_good_cable_passes_with_one_link_a_pair_and_no_leak():
    told = judged(profile())
    assert told.passed
    assert [str(link.start) for link in told.links] == [f"A.{n}" for n in range(1, 9)]
    assert [str(pin) for link in told.links for pin in link.to] == [f"B.{n}" for n in range(1, 9)]
    assert () == told.leaks
    assert all(link.ohms == pytest.approx(0.2, abs=0.2) for link in told.links)
    assert re.fullmatch(r"links 0\.[12] Ω to 0\.[23] Ω, ± 8\.5 Ω; no leak below 1\.0 MΩ", summary(told))


def test_the_two_directions_of_a_pair_are_one_link():
    told = judged(profile(), {"A.3": 0.0, "B.3": 2.0})
    assert told.links[2].ohms == pytest.approx(1.0, abs=0.2)


@pytest.mark.parametrize(("ohms", "passes"), [(2.9, True), (3.6, False)])
def test_more_than_3_ohms_above_the_median_fails(ohms, passes):
    told = judged(profile(), both_ways(3, ohms))
    assert passes is told.links[2].ok is told.passed
    assert told.links[2].over_median == pytest.approx(ohms - 0.2, abs=0.3)


@pytest.mark.parametrize(("count", "judges"), [(4, False), (5, True)])
def test_fewer_than_five_links_have_no_median(count, judges):
    wires = [[f"A.{n}", f"B.{n}"] for n in range(1, count + 1)]
    told = judged(profile(wires), both_ways(1, 9.0))
    assert judges is not told.passed
    assert (told.links[0].over_median is not None) is judges


@pytest.mark.parametrize(("ohms", "passes"), [(13.5, True), (14.3, False)])
def test_a_link_fails_whose_ohms_less_the_uncertainty_are_above_its_limit(ohms, passes):
    """5 Ω and 8.5 Ω and 2 % of the reading; few links, so that the median does not judge."""
    told = judged(profile([["A.1", "B.1"]]), both_ways(1, ohms))
    assert passes is told.passed
    assert told.links[0].uncertainty == pytest.approx(BASE + 0.02 * ohms, abs=0.01)


def test_all_joints_equally_bad_fail_by_the_limit():
    told = judged(profile(), {f"{end}.{n}": 20.0 for end in "AB" for n in range(1, 9)})
    assert not any(link.ok for link in told.links)


SIGNAL = {"A": {"signals": {"1": "LAMP"}}}


def test_a_signal_s_own_lower_limit_counts():
    cable = profile(**SIGNAL, limits={"LAMP": {"max_ohms": 1.0}})
    told = judged(cable, {f"{end}.{n}": 9.9 for end in "AB" for n in range(1, 9)})
    assert [False] + [True] * 7 == [link.ok for link in told.links]
    assert ("LAMP", 1.0) == (told.links[0].signal, told.links[0].limit)


def test_a_signal_s_own_higher_limit_counts_and_keeps_it_from_the_median():
    cable = profile(**SIGNAL, limits={"LAMP": {"max_ohms": 100.0}})
    told = judged(cable, both_ways(1, 90.0))
    assert told.passed
    assert told.links[0].over_median is None
    assert not judged(cable, both_ways(1, 115.0)).passed


def test_a_limit_for_every_link_takes_the_place_of_the_others():
    cable = profile(**SIGNAL, limits={"LAMP": {"max_ohms": 1.0}}).with_max_ohms(30.0)
    told = judged(cable, {f"{end}.{n}": 20.0 for end in "AB" for n in range(1, 9)})
    assert told.passed
    assert {30.0} == {link.limit for link in told.links}


@pytest.mark.parametrize(("ohms", "passes"), [(79, True), (81, False)])
def test_an_uncalibrated_tester_fails_a_link_above_80_ohms(ohms, passes):
    told = judged(profile(), both_ways(3, ohms - 7), calibration=None)  # 7: 785 + 722 less 780 + 720
    assert passes is told.passed
    assert (80.0, None) == (told.links[2].limit, told.links[2].over_median)


def test_on_an_uncalibrated_tester_a_higher_limit_is_held_with_the_uncertainty():
    cable = profile([["A.1", "B.1"]], cable={"max_ohms": 100.0})
    assert judged(cable, both_ways(1, 150.0), calibration=None).passed
    assert not judged(cable, both_ways(1, 180.0), calibration=None).passed


@pytest.mark.parametrize("calibration", [CALIBRATION, None], ids=["calibrated", "not"])
@pytest.mark.parametrize(("ohms", "passes"), [(1e3, False), (97e3, False), (104e3, True)])
def test_a_leak_below_its_limit_fails(ohms, passes, calibration):
    told = judged(profile(), leaks={"A.3": ohms}, calibration=calibration)
    assert passes is told.passed
    assert [["A.3", "B.3"]] == [list(map(str, leak.pins)) for leak in told.leaks]
    assert told.leaks[0].ohms == pytest.approx(ohms, rel=0.03)


def test_a_leak_above_a_megohm_is_not_listed():
    assert () == judged(profile(), leaks={"A.3": 1.2e6}).leaks


def test_a_leak_above_a_megohm_is_listed_where_the_limit_is_higher():
    told = judged(profile(cable={"min_leak_ohms": 2e6}), leaks={"A.3": 1.5e6})
    assert not told.passed
    assert 2e6 == told.leaks[0].limit


def test_the_strictest_signal_s_leak_limit_counts():
    cable = profile(**SIGNAL, limits={"LAMP": {"min_leak_ohms": 500_000.0}})
    assert not judged(cable, leaks={"A.1": 300e3}).passed
    assert judged(cable, leaks={"A.2": 300e3}).passed


def test_an_unused_pin_that_leaks_fails():
    told = judged(profile(), leaks={"A.12": 50e3})
    assert not told.passed
    assert ["A.12"] == [str(pin) for pin in told.leaks[0].pins]


def test_each_pin_of_a_larger_net_is_a_link_of_its_own():
    cable = profile([["A.1", "A.2", "B.1", "B.2"]])
    told = judged(cable, {"A.2": 30.0})
    assert ["A.1", "A.2", "B.1", "B.2"] == [str(link.start) for link in told.links]
    assert [True, False, True, True] == [link.ok for link in told.links]
    assert 3 == len(told.links[0].to)


def test_what_is_open_has_no_link_and_its_pieces_leak_apart():
    cable = profile([["A.1", "B.1"], ["A.2", "B.2"]])
    evidence, placement, readings = measured(cable, joined=[["A.1", "B.1"]], leaks={"A.2": 5e3, "B.2": 7e3})
    told = resistances(cable, evidence, placement, readings)
    assert ["A.1"] == [str(link.start) for link in told.links]
    assert [["A.2"], ["B.2"]] == [list(map(str, leak.pins)) for leak in told.leaks]


def test_what_a_wrong_contact_joins_leaks_from_one_net_to_the_other():
    cable = profile()
    bridged = [["A.1", "B.1", "A.2", "B.2"], *([f"A.{n}", f"B.{n}"] for n in range(3, 9))]
    told = judged(cable, joined=bridged, leaks={"A.1": 0.3, "A.2": 0.3})
    assert [["A.1", "B.1"], ["A.2", "B.2"]] == [list(map(str, leak.pins)) for leak in told.leaks]
    assert not told.passed


def test_conductors_that_may_be_joined_are_one_part():
    cable = profile(
        [["A.1", "B.1"], ["A.2", "B.2"]],
        **{end: {"signals": {"1": "GND", "2": "GND"}} for end in "AB"},
        common={"GND": {"joined": "optional"}},
    )
    evidence, placement, readings = measured(cable, joined=[["A.1", "B.1", "A.2", "B.2"]])
    assert 1 == len(
        {number for point, number in enumerate(readings.parts) if placement.pin_of[point].name in ("1", "2")}
    )
    assert resistances(cable, evidence, placement, readings).passed


def test_conductors_that_may_be_joined_and_are_not_are_parts_of_their_own():
    cable = profile(
        [["A.1", "B.1"], ["A.2", "B.2"]],
        **{end: {"signals": {"1": "GND", "2": "GND"}} for end in "AB"},
        common={"GND": {"joined": "optional"}},
    )
    assert not judged(cable, leaks={"A.1": 5e3, "A.2": 5e3}).passed


@pytest.mark.parametrize("kind", ["high", "leak"])
def test_no_verdict_without_every_reading(kind):
    cable = profile()
    evidence, placement, readings = measured(cable)
    numbers = list(getattr(readings, kind))
    numbers[next(n for n, value in enumerate(numbers) if value)] = 0
    with pytest.raises(Disagreement, match="was to be measured and was not"):
        resistances(cable, evidence, placement, replace(readings, **{kind: tuple(numbers)}))


def test_no_verdict_on_leaks_of_other_parts():
    cable = profile()
    evidence, placement, readings = measured(cable)
    parts = bytearray(readings.parts)
    parts[0], parts[1] = parts[1], parts[0]
    with pytest.raises(Disagreement, match="other parts"):
        resistances(cable, evidence, placement, replace(readings, parts=bytes(parts)))


def in_one_net(joints, **more):
    """A net of 16 pins at each end, joined so; 0 to 15 are A's points, 16 to 31 B's."""
    cable = profile([[f"{end}.{n}" for end in "AB" for n in range(1, 17)]], **more)
    net = Joints(joints)
    evidence = net.evidence(POINTS)
    placement = place(cable.ends, FIXTURE, POINTS)
    return cable, evidence, placement, net


def test_a_chain_of_good_contacts_passes_where_its_ends_have_been_asked():
    cable, evidence, placement, net = in_one_net(chain(range(32)))
    told = resistances(cable, evidence, placement, net.asked(POINTS))
    assert told.passed
    assert max(link.ohms for link in told.links) < 3
    before = resistances(cable, evidence, placement, net.readings(POINTS))  # as older versions read
    assert not before.passed
    assert max(link.ohms for link in before.links) > 9


@pytest.mark.parametrize("at", [0, 1, 9, 15, 16, 30])
def test_a_bad_joint_in_a_chain_fails(at):
    joints = chain(range(32))
    joints[at] = (at, at + 1, 10.0)
    cable, evidence, placement, net = in_one_net(joints)
    assert not resistances(cable, evidence, placement, net.asked(POINTS)).passed


def test_what_was_bad_when_a_point_was_read_alone_counts_though_it_was_good_when_others_were_asked():
    """A contact that comes and goes: the last of a chain, 20 Ω at one time."""
    cable, evidence, placement, net = in_one_net(chain(range(32)))
    then = Joints([*chain(range(31)), (30, 31, 21.0)]).readings(POINTS)
    readings = net.asked(POINTS)
    readings = replace(readings, high=(*readings.high[:31], then.high[31]))
    told = resistances(cable, evidence, placement, readings)
    assert ["B.16"] == [str(link.start) for link in told.links if not link.ok]


def test_no_verdict_on_a_chain_whose_answers_are_of_other_questions():
    cable, evidence, placement, net = in_one_net(chain(range(32)))
    readings = net.asked(POINTS)
    with pytest.raises(Disagreement, match="other resistances were measured than its readings ask for"):
        resistances(cable, evidence, placement, replace(readings, near=readings.near[1:]))


@pytest.mark.parametrize(
    ("ohms", "text"),
    [
        (0.04, "0.0 Ω"), (0.3, "0.3 Ω"), (99.94, "99.9 Ω"), (99.96, "100 Ω"), (999, "999 Ω"),
        (999.6, "1.0 kΩ"), (4100, "4.1 kΩ"), (9949, "9.9 kΩ"), (9951, "10 kΩ"), (41e3, "41 kΩ"),
        (999e3, "999 kΩ"),
        (999.6e3, "1.0 MΩ"), (1e6, "1.0 MΩ"), (1e7, "over 10 MΩ"), (2e7, "over 10 MΩ"),
    ],
)  # fmt: skip
def test_ohms_as_people_write_them(ohms, text):
    assert text == ohms_text(ohms)


def test_the_rule_says_what_was_done():
    assert "median" in rule(True, 5)
    assert "median" not in rule(True, 4)
    assert "coarsely" in rule(False, 40)
    assert "median" not in rule(False, 40)
