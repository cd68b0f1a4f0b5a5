"""A tester that is at fault never lets a bad cable pass, and says so of itself where it can know.

Cables of forty straight pairs, A in J1 (points 0 to 39) and B in S1 (40 to 79); J2 (80 to 119) is empty.
"""

from __future__ import annotations

import random
from concurrent.futures import ThreadPoolExecutor

import pytest

from pinwright.cable.pins import Pin
from pinwright.virtual.bench import Link, TesterSpec

SPREAD = (0, 17, 45, 79, 80, 127)  # points of both ends, of the empty socket, and a spare one


def _volts(*pairs):
    return {Pin(*name.split(".")): volts for name, volts in pairs}


# What the tester has, and what a good cable then gets.
WITH_A_GOOD_CABLE: list[tuple[dict[str, object], str]] = [
    *(({"stuck_low": (p,)}, "OutsideVoltage") for p in SPREAD),
    *(({"stuck_high": (p,)}, "SelfCheckFailed") for p in SPREAD),
    *(({"dead_chips": (n,)}, "SelfCheckFailed") for n in range(8)),
    *(({"moved_chips": {n: (n + 3) % 8}}, "SelfCheckFailed") for n in range(8)),
    # two chips exchanged: all points answer, elsewhere
    *(({"moved_chips": {n: n ^ 1, n ^ 1: n}}, "fail") for n in (0, 2)),
    *(({"outside": _volts(("B.7", volts))}, "OutsideVoltage") for volts in (5.0, 12.0, 3.3, 0.0, -12.0)),
    *(({"outside": _volts(("@J2.9", volts))}, "OutsideVoltage") for volts in (5.0, -12.0, 0.0)),
    ({"cut": (9,)}, "fail"),
    ({"cut": (79,)}, "fail"),
    ({"cut": (121,)}, "SelfCheckFailed"),  # a reference
    ({"bridged": ((7, 8),)}, "fail"),
    ({"bridged": ((3, 78),)}, "fail"),
    ({"bridged": ((39, 80),)}, "fail"),  # to a point of the empty socket
    ({"bridged": ((90, 91),)}, "fail"),  # within the empty socket
    ({"bridged": ((7, 121),)}, "SelfCheckFailed"),
    ({"no_pullup": (100,)}, "OutsideVoltage"),  # nothing else pulls it up: it rests low
    ({"no_pullup": (10, 50)}, "OutsideVoltage"),
    ({"flip_bits": 1e-2}, "an error"),
    # What only the long check, with the shorting bar, can find:
    ({"cut": (100,)}, "pass"),  # a point without a pin of the cable is only missed when something leads to it
    ({"cut": (120,)}, "pass"),
    ({"bridged": ((5, 45),)}, "pass"),  # joined inside as the cable joins them outside
    ({"no_pullup": (10,)}, "pass"),  # its partner's pull-up does for both
]


@pytest.mark.parametrize(("fault", "expected"), WITH_A_GOOD_CABLE, ids=str)
def test_what_a_good_cable_gets_from_a_faulty_tester(fault, expected, workplace, good):
    profile = workplace.straight()
    outcome = workplace.scan(profile, good(profile), TesterSpec(seed=5, **fault))
    if expected == "an error":
        assert outcome.error is not None, outcome
        assert 3 == outcome.error.status, outcome
    else:
        assert expected == outcome.verdict, outcome
        assert outcome.error is None or outcome.error.status == 3


def _link(one, other):
    return Link((Pin(*one.split(".")), Pin(*other.split("."))))


def _bad_cables(profile, good):
    """The same three defects for every test: around A.10, A.20 and A.30."""
    links = {link.pins[0].name: link for link in good(profile)}
    rest = [link for name, link in links.items() if name not in ("10", "11", "20")]
    return {
        "open": [*rest, links["10"], links["11"]],
        "swap": [*rest, links["20"], _link("A.10", "B.11"), _link("A.11", "B.10")],
        "bridge": [*links.values(), _link("A.30", "A.31")],
    }


AT = {"open": (19, 59), "swap": (9, 50), "bridge": (29, 30)}  # points at the defect


def _faults_at(points):
    one, other = points
    for point in (one, other, 3, 90):
        yield from ({kind: (point,)} for kind in ("stuck_low", "stuck_high", "cut", "no_pullup"))
    for volts in (5.0, 12.0, 0.0, -12.0):
        yield {"outside": _volts((f"A.{one + 1}", volts))}
    yield from ({"bridged": ((one, 3),)}, {"bridged": ((other, 90),)}, {"cut": points}, {"no_pullup": points})
    yield from ({"dead_chips": (one // 16,)}, {"moved_chips": {one // 16: 5}})
    yield from ({"flip_bits": rate} for rate in (1e-5, 1e-4, 1e-3, 1e-2))


@pytest.mark.parametrize("defect", AT)
def test_no_fault_of_the_tester_lets_a_bad_cable_pass(defect, workplace, good):
    profile = workplace.straight()
    links = _bad_cables(profile, good)[defect]

    def scan(fault):
        outcome = workplace.scan(profile, links, TesterSpec(seed=8, fitted=6, **fault))
        assert "pass" != outcome.verdict, (fault, outcome)
        assert outcome.error is None or outcome.error.status == 3, (fault, outcome)

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(scan, _faults_at(AT[defect])))


# Bad cable, tester's fault, why no scan can tell: these are for a check with a shorting bar.
UNDETECTABLE = [
    pytest.param(
        "bridge to an unused pin",
        {"cut": (99,)},
        id="a bridge leads to a pin whose point is cut off, and a point that is cut off sees nothing",
    ),
    pytest.param(
        "open",
        {"bridged": ((19, 59),)},
        id="the two points of an open link are joined inside the tester, and look like the link",
    ),
]


@pytest.mark.parametrize(("defect", "fault"), UNDETECTABLE)
def test_these_cases_and_no_others_are_known_to_need_the_long_check(defect, fault, workplace, good):
    """Listed so that they are known; should one begin to be found, the list gets shorter."""
    profile = workplace.straight()
    links = {**_bad_cables(profile, good)}
    links["bridge to an unused pin"] = [*good(profile), _link("A.30", "@J2.20")]
    assert "fail" == workplace.scan(profile, links[defect]).verdict
    assert "pass" == workplace.scan(profile, links[defect], TesterSpec(**fault)).verdict


@pytest.mark.parametrize("rate", [1e-5, 1e-4, 1e-3])
def test_a_good_cable_over_a_noisy_bus_gets_a_verdict_or_an_error_of_the_tester(rate, workplace, good):
    profile = workplace.straight()
    for seed in range(4):
        outcome = workplace.scan(profile, good(profile), TesterSpec(seed=seed, fitted=5, flip_bits=rate))
        assert outcome.error is None or outcome.error.status == 3, outcome


def test_a_cable_with_one_open_never_passes_over_a_noisy_bus(workplace, good):
    """On a few boards, other ones every run."""
    profile = workplace.straight()
    links = _bad_cables(profile, good)["open"]

    def scan(seed):
        outcome = workplace.scan(profile, links, TesterSpec(seed=seed, fitted=5, flip_bits=3e-4))
        assert "pass" != outcome.verdict, (seed, outcome)
        assert outcome.error is None or outcome.error.status == 3, (seed, outcome)

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(scan, random.sample(range(10**6), 12)))
