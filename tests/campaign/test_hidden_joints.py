"""Bad joints that something else hides: a permitted leak, the rest of a large net, what all links share.

Each of these leads was once passed by a reading that was right by itself. On desks, other boards every run.
"""

from __future__ import annotations

import os
import random
from collections.abc import Iterable, Mapping

import pytest

from pinwright.cable.pins import parse_pin
from pinwright.cable.profile import Profile
from pinwright.verdict.findings import explain
from pinwright.verdict.sockets import misplugged
from pinwright.virtual.bench import Link, TesterSpec

from .bench_of_desks import CONNECTORS, Outcome, calibrated, running

SEED = int(os.environ.get("PINWRIGHT_SEED") or random.randrange(1 << 32))
BOARDS = 20 if os.environ.get("PINWRIGHT_CAMPAIGN") == "full" else 1
PAIRS = [[f"A.{n}", f"B.{n}"] for n in range(1, 41)]


def lead(nets: Iterable[Iterable[str]], **more: object) -> Profile:
    ends = {end: {"connector": name} for end, name in CONNECTORS.items()}
    return Profile.from_dict(
        {"cable": {"id": "x", **more}, "ends": ends, "wiring": {"wires": [list(net) for net in nets]}}
    )


def wired(*links: tuple[str, float]) -> list[Link]:
    """`A.1 B.1` and the ohms between neighbours."""
    return [Link(tuple(map(parse_pin, pins.split())), ohms) for pins, ohms in links]


def pairs(joints: Mapping[int, float] = {}, ohms: float = 0.1, first: int = 1) -> list[Link]:
    return wired(*((f"A.{n} B.{n}", joints.get(n, ohms)) for n in range(first, 41)))


def halves(count: int, joint: float) -> list[Link]:
    """So many pins at each end, joined there, and one conductor between the ends."""
    sides = [(" ".join(f"{end}.{n}" for n in range(1, count + 1)), 0.1) for end in "AB"]
    return wired(*sides, ("A.1 B.1", joint))


def bus(count: int) -> list[list[str]]:
    net = [f"{end}.{n}" for n in range(1, count + 1) for end in "AB"]
    return [net, *PAIRS[count:]]


def arms(one: int, other: int, joint: float) -> tuple[Profile, list[Link]]:
    """The net's first pin alone in the middle, a bad joint from it to each of two groups of good pins."""
    first, *rest = (f"{end}.{n}" for n in range(1, 41) for end in "AB")
    groups = rest[:one], rest[one : one + other]
    links = [(f"{first} {group[0]}", joint) for group in groups]
    links += [(f"{group[0]} {pin}", 0.1) for group in groups for pin in group[1:]]
    return lead([[first, *rest[: one + other]]]), wired(*links)


CASES = {
    "two bad joints of the first pin, to three pins and three": (*arms(3, 3, 12.0), {}),
    "two bad joints of the first pin, to fifteen and ten": (*arms(15, 10, 12.0), {}),
    "two bad joints of the first pin, to twenty and twelve": (*arms(20, 12, 14.0), {}),
    "two bad joints of the first pin, to twenty and twenty": (*arms(20, 20, 16.0), {}),
    "a leak that may be, 60 kΩ": (
        lead(PAIRS, min_leak_ohms=10_000),
        [*pairs({7: 10.0}), *wired(("A.7 A.20", 60e3))],
        {},
    ),
    "a leak that may be, in a cable of two links": (
        lead(PAIRS[:2]),
        wired(("A.1 B.1", 13.0), ("A.2 B.2", 0.1), ("A.1 A.2", 110e3)),
        {},
    ),
    "one conductor between two pins and two": (lead(bus(2)), [*halves(2, 20.0), *pairs(first=3)], {}),
    "one conductor between ten pins and ten": (lead(bus(10)), [*halves(10, 15.0), *pairs(first=11)], {}),
    "one conductor between twenty and twenty": (lead(bus(20)), [*halves(20, 20.0), *pairs(first=21)], {}),
    "a small board, far colder than its calibration": (
        lead(PAIRS),
        pairs({7: 10.0}),
        {"fitted": 5, "kelvin": -15.0},
    ),
    "most joints of a cable, ten kelvins off": (
        lead(PAIRS),
        pairs(dict.fromkeys(range(1, 22), 13.0)),  # the median is one of them: only the limit is left
        {"kelvin": 10.0},
    ),
    "all joints of a cable": (lead(PAIRS), pairs(ohms=13.0), {"kelvin": 5.0}),
}


@pytest.mark.one_in(4)
@pytest.mark.parametrize("ohms", [0.1, 0.2, 1.0])
@pytest.mark.parametrize("count", [10, 20, 25, 30])
def test_a_net_of_good_contacts_in_a_long_chain_passes(count, ohms):
    """From its first pin to its last there are many ohms, and no joint among them is bad."""
    net = [f"{end}.{n}" for n in range(1, count + 1) for end in "AB"]
    profile = lead([net, *PAIRS[count:]])
    for outcome in scans(profile, [*wired((" ".join(net), ohms)), *pairs(first=count + 1)], {}):
        assert outcome.passed, (SEED, outcome)


def test_a_bad_joint_in_the_middle_of_a_chain_fails():
    net = [f"{end}.{n}" for n in range(1, 26) for end in "AB"]
    chain = wired((" ".join(net[:20]), 0.5), (" ".join(net[19:21]), 12.0), (" ".join(net[20:]), 0.5))
    for outcome in scans(lead([net, *PAIRS[25:]]), [*chain, *pairs(first=26)], {}):
        assert outcome.failed, (SEED, outcome)


NETS = [f"{end}.{n}" for n in range(1, 31) for end in "AB"]


@pytest.mark.parametrize("count", [40, 60])
def test_a_chain_passes_whichever_of_its_pins_is_the_first_in_it(count):
    """So the board's first point is somewhere in the middle, and there are two ways from it."""
    chance = random.Random(SEED)
    net = chance.sample(NETS[:count], count)
    profile = lead([net, *PAIRS[count // 2 :]])
    for outcome in scans(profile, [*wired((" ".join(net), 1.0)), *pairs(first=count // 2 + 1)], {}):
        assert outcome.passed, (SEED, outcome)


def test_a_chain_of_forty_passes_on_an_uncalibrated_tester():
    net = NETS[:40]
    with running(TesterSpec(seed=SEED, lane="uncalibrated")) as tester:
        outcome = tester.scan(lead([net, *PAIRS[20:]]), [*wired((" ".join(net), 1.0)), *pairs(first=21)])
    assert outcome.passed, (SEED, outcome)
    assert outcome.scan is not None
    assert outcome.scan.readings is not None
    assert () == outcome.scan.readings.near


def test_a_star_of_good_contacts_takes_no_more_time_than_before():
    star = wired(*((f"A.1 {pin}", 0.1) for pin in NETS[1:40]))
    with calibrated(TesterSpec(seed=SEED)) as tester:
        outcome = tester.scan(lead(bus(20)), [*star, *pairs(first=21)])
    assert outcome.scan is not None
    assert outcome.scan.readings is not None
    assert () == outcome.scan.readings.near


def one_board(cases: Iterable[tuple[Profile, list[Link]]]) -> Iterable[Outcome]:
    with calibrated(TesterSpec(seed=SEED, kelvin=SEED % 11 - 5)) as tester:
        for profile, links in cases:
            yield tester.scan(profile, links)


def test_a_joint_of_twelve_ohms_fails_at_every_position_of_a_chain():
    """Of forty pins, joined as they are numbered and in any order."""
    orders = [NETS[:40], random.Random(SEED).sample(NETS[:40], 40)]
    cases = [
        (
            lead([net, *PAIRS[20:]]),
            [
                *(wired((" ".join(net[:at]), 1.0)) if at > 1 else ()),
                *wired((" ".join(net[at - 1 : at + 1]), 12.0)),
                *(wired((" ".join(net[at:]), 1.0)) if at < 39 else ()),
                *pairs(first=21),
            ],
        )
        for net in orders
        for at in (range(1, 40) if BOARDS > 2 else [*random.Random(SEED).sample(range(1, 40), 8), 1, 39])
    ]
    for nth, outcome in enumerate(one_board(cases)):
        assert outcome.failed, (SEED, nth, outcome)


@pytest.mark.one_in(3)
@pytest.mark.parametrize("count", [3, 4, 5, 8, 20, 40])
@pytest.mark.parametrize("bad", [1, 2, 3])
def test_a_star_with_one_to_three_bad_joints_fails(count, bad):
    """All alike, or each another; the board's first point among them or not."""
    chance = random.Random(f"{SEED} {count} {bad}")
    net = chance.sample(NETS[:count], count)
    rest = [pair for pair in PAIRS if not {*pair} & {*net}]
    cases = []
    for alike in (True, False):
        ohms = chance.uniform(10.0, 40.0)
        joints = [ohms if alike else chance.uniform(10.0, 40.0) for _ in range(min(bad, count - 1))]
        joints += [0.1] * (count - 1 - len(joints))
        links = [(f"{net[0]} {pin}", ohms) for pin, ohms in zip(net[1:], joints, strict=True)]
        cases.append((lead([net, *rest]), wired(*links, *((" ".join(pair), 0.1) for pair in rest))))
    for outcome in one_board(cases):
        assert outcome.failed, (SEED, outcome)


def test_a_net_joined_in_any_way_fails_with_a_bad_joint():
    """Trees of good contacts of up to 1 Ω and one of 12 Ω, wherever it is."""
    chance = random.Random(SEED)
    cases = []
    for _ in range(100 if BOARDS > 2 else 12):
        count = chance.choice((6, 20, 40, 60))
        net, reach = chance.sample(NETS[:count], count), chance.choice((1, 3, 60))
        on = [net[chance.randrange(max(0, nth - reach), nth)] for nth in range(1, count)]
        ohms = [chance.uniform(0.02, 1.0) for _ in on]
        ohms[chance.randrange(len(on))] = 12.0
        links = [(f"{one} {pin}", joint) for one, pin, joint in zip(on, net[1:], ohms, strict=True)]
        cases.append((lead([net, *PAIRS[count // 2 :]]), [*wired(*links), *pairs(first=count // 2 + 1)]))
    for nth, outcome in enumerate(one_board(cases)):
        assert outcome.failed, (SEED, nth, outcome)


def test_two_pins_beyond_a_bad_joint_do_not_hide_beside_a_chain():
    """From the first pin they are as far as pins of the chain, and of one against all it shows little."""
    net, two = NETS[:40], NETS[40:42]
    links = wired((" ".join(net), 0.6), (f"{net[0]} {two[0]}", 12.0), (" ".join(two), 0.1))
    for outcome in scans(lead([[*net, *two], *PAIRS[21:]]), [*links, *pairs(first=22)], {}):
        assert outcome.failed, (SEED, outcome)
        assert outcome.facts is not None
        assert {*two} & {str(link.start) for link in outcome.facts.links if not link.ok}


def grounded(count: int) -> Profile:
    """Forty pairs, the first of them grounds that the cable may join."""
    grounds = {str(n): "GND" for n in range(1, count + 1)}
    ends = {end: {"connector": name, "signals": grounds} for end, name in CONNECTORS.items()}
    return Profile.from_dict(
        {
            "cable": {"id": "x"},
            "ends": ends,
            "wiring": {"wires": PAIRS},
            "common": {"GND": {"joined": "optional"}},
        }
    )


def scans(profile: Profile, links: list[Link], board: Mapping[str, object]) -> Iterable[Outcome]:
    for n in range(BOARDS):
        with calibrated(TesterSpec(seed=SEED + n, **board)) as tester:  # type: ignore[arg-type]
            yield tester.scan(profile, links)


@pytest.mark.one_in(2)
@pytest.mark.parametrize(("profile", "links", "board"), CASES.values(), ids=CASES)
def test_a_bad_joint_never_passes(profile, links, board):
    for outcome in scans(profile, links, board):
        assert not outcome.passed, (SEED, outcome)


@pytest.mark.one_in(2)
@pytest.mark.parametrize(
    ("profile", "links"),
    [
        (lead(bus(10)), [*halves(10, 0.1), *pairs(first=11)]),
        (lead(bus(20)), [*halves(20, 0.1), *pairs(first=21)]),
        (lead(PAIRS), [*pairs(), *wired(("A.7 A.20", 130e3))]),
    ],
)
def test_the_same_with_a_good_joint_passes(profile, links):
    for outcome in scans(profile, links, {}):
        assert outcome.passed, (SEED, outcome)


def test_grounds_that_may_be_joined_do_not_hide_the_only_one_that_is_left():
    """Eight grounds joined at both ends; seven of them broken in the middle, one with a joint of 15 Ω."""
    profile = grounded(8)
    for outcome in scans(profile, [*halves(8, 15.0), *pairs(first=9)], {}):
        assert outcome.failed, (SEED, outcome)
    for outcome in scans(profile, [*halves(8, 0.1), *pairs(first=9)], {}):
        assert outcome.passed, (SEED, outcome)


def test_grounds_that_are_chained_at_one_end_pass():
    """Twenty of them, one plug's contacts bridged from each to the next by 1 Ω."""
    chained = wired((" ".join(f"B.{n}" for n in range(1, 21)), 1.0))
    for outcome in scans(grounded(20), [*chained, *pairs()], {}):
        assert outcome.passed, (SEED, outcome)
    for outcome in scans(grounded(20), [*chained, *pairs({13: 15.0})], {}):
        assert outcome.failed, (SEED, outcome)


def test_one_bad_leg_of_a_net_is_not_laid_to_the_others():
    """A net of three pins, one of which has 60 Ω."""
    net = ["A.1", "A.2", "B.1"]
    profile = lead([net, *PAIRS[2:]])
    links = [*wired(("A.1 A.2", 0.1), ("A.1 B.1", 60.0)), *pairs(first=3)]
    for outcome in scans(profile, links, {}):
        assert outcome.facts is not None
        assert ["B.1"] == [str(link.start) for link in outcome.facts.links if not link.ok], SEED


def test_an_uncalibrated_tester_finds_300_ohms_between_two_halves_of_a_net():
    for n in range(BOARDS):
        with running(TesterSpec(seed=SEED + n, lane="uncalibrated")) as tester:
            assert not tester.scan(lead(bus(8)), [*halves(8, 300.0), *pairs(first=9)]).passed, SEED


@pytest.mark.parametrize("ohms", [10.0, 5000.0])
def test_a_bad_joint_is_not_told_as_plugs_in_wrong_sockets(ohms):
    """In a cable that looks the same both ways round, to exchange the plugs mends nothing."""
    profile = Profile.from_dict(
        {
            "cable": {"id": "x"},
            "ends": {end: {"connector": "idc-2x20"} for end in "AB"},
            "wiring": {"rule": "straight"},
        }
    )
    with running(TesterSpec(seed=SEED)) as tester:
        outcome = tester.scan(profile, pairs({20: ohms}))
    assert outcome.facts is not None
    assert outcome.scan is not None
    assert misplugged(profile, outcome.scan, outcome.facts) is None
    assert ["resistive"] == [finding.kind for finding in explain(profile, outcome.facts)]


def test_an_open_conductor_among_grounds_that_are_joined_at_one_end_fails():
    """Its pin is of a part, though of its own net it reaches nothing."""
    profile = grounded(4)
    links = [*wired(("A.1 A.2 A.3 A.4", 0.1)), *pairs(first=2)]
    for outcome in scans(profile, links, {}):
        assert outcome.failed, (SEED, outcome)
        assert outcome.facts is not None
        assert [["A.1"], ["B.1"]] == [list(map(str, piece)) for piece in outcome.facts.missing[0].pieces]
