"""Board and host judge the same evidence with different code, and must agree."""

from __future__ import annotations

import tomllib
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.profile import Profile
from pinwright.errors import Disagreement
from pinwright.tester.fixture import Fixture, place
from pinwright.tester.measurement import Evidence
from pinwright.tester.session import STEPS, Hello, Scan, Session, board_map
from pinwright.verdict.agreement import decide

FIXTURE = Fixture.from_dict(
    tomllib.loads(
        (Path(__file__).parents[2] / "hardware/fixtures/tester-128.toml").read_text(encoding="utf-8")
    )
)
POINTS, WIDTH = 128, 16
OWN = [point for pair in FIXTURE.references for point in pair]


@st.composite
def profiles(draw):
    """Nets of any sizes over two ends, some pairs of them conductors of common signals."""
    chance = draw(st.randoms(use_true_random=False))
    pins = [f"{end}.{n}" for end in "AB" for n in range(1, 41)]
    ends: dict[str, dict[str, object]] = {
        "A": {"connector": "idc-2x20", "signals": {}},
        "B": {"connector": "dip-40", "signals": {}},
    }
    common = {}
    wires = []
    free_a, free_b = pins[:40], pins[40:]
    chance.shuffle(free_a)
    chance.shuffle(free_b)
    kinds = draw(st.lists(st.sampled_from(["optional", "never", "required"]), max_size=3))
    for number, kind in enumerate(kinds):
        common[f"C{number}"] = {"joined": kind}
        for _ in range(chance.randint(2, 4)):
            pair = [free_a.pop(), free_b.pop()]
            wires.append(pair)
            for pin in pair:
                end, _, name = pin.partition(".")
                ends[end]["signals"][name] = f"C{number}"  # type: ignore[index]
    free = free_a + free_b
    chance.shuffle(free)
    for size in draw(st.lists(st.sampled_from([2, 2, 2, 3, 5, 12]), min_size=1, max_size=16)):
        if len(free) >= size:
            wires.append([free.pop() for _ in range(size)])
    return Profile.from_dict(
        {
            "cable": {"id": "x", "title": "a cable", "revision": "A"},
            "ends": ends,
            "wiring": {"wires": wires},
            **({"common": common} if common else {}),
        }
    )


def _matrix(pairs):
    matrix = bytearray(POINTS * WIDTH)
    for p, q in pairs:
        matrix[p * WIDTH + q // 8] |= 1 << q % 8
        matrix[q * WIDTH + p // 8] |= 1 << p % 8
    return matrix


def _verdict(firmware, profile, joined, doubtful, spoil=lambda reply: reply):
    """The host's facts, after both have judged. Raises Disagreement."""
    session = Session(profile, {}, "0")
    session.fixture = FIXTURE
    session.hello = hello = Hello(2, "0", "id", "tester-128", POINTS, 8)
    session.placement = place(profile.ends, FIXTURE, POINTS)
    wanted = firmware.judge.Map(POINTS)
    wanted.nets[:], wanted.groups[:] = board_map(session)
    wanted.finish()
    judge = firmware.judge.Judge(POINTS)
    evidence = SimpleNamespace(width=WIDTH, joined=_matrix(joined), doubtful=_matrix(doubtful))
    passed = judge.judge(evidence, wanted, OWN)
    asked = dict(STEPS)["judge"](session)
    replies = {
        "judge": f"ok verdict={'pass' if passed else 'fail'} "
        f"missing={judge.missing.hex()} extra={judge.extra.hex()}",
        "pieces joined": f"ok {judge.pieces.hex()}",
        "pieces loose": f"ok {judge.loose.hex()}",
    }
    next(asked)
    for words in list(replies)[:-1]:
        asked.send(tuple(spoil(replies[words]).split(" ")))
    with pytest.raises(StopIteration):
        asked.send(tuple(replies["pieces loose"].split(" ")))
    told = Evidence(
        POINTS, bytes(POINTS * WIDTH), bytes(evidence.joined), bytes(evidence.doubtful),
        bytes(WIDTH), bytes(WIDTH), bytes(POINTS),
    )  # fmt: skip
    scan = Scan(hello, FIXTURE, session.placement, told, session.board_verdict, {})
    return decide(profile, scan), judge


def _good(profile):
    point_of = place(profile.ends, FIXTURE, POINTS).point_of
    return [
        (point_of[one], point_of[other])
        for net in profile.nets
        for one, other in zip(net.pins, net.pins[1:], strict=False)
    ] + list(FIXTURE.references)


@given(profiles(), st.data())
def test_board_and_host_judge_every_scan_alike(firmware, profile, data):
    good = _good(profile)
    cable = st.sampled_from([p for p in range(POINTS) if p not in OWN])
    lost = data.draw(st.sets(st.integers(0, len(good) - 3), max_size=4), label="lost")
    added = data.draw(st.lists(st.tuples(cable, cable), max_size=4), label="added")
    unsure = data.draw(st.lists(st.tuples(cable, cable), max_size=3), label="unsure")
    joined = [pair for nth, pair in enumerate(good) if nth not in lost]
    _verdict(
        firmware, profile, joined + [p for p in added if p[0] != p[1]], [p for p in unsure if p[0] != p[1]]
    )


@given(profiles())
def test_both_pass_the_cable_that_the_profile_describes(firmware, profile):
    facts, judge = _verdict(firmware, profile, _good(profile), [])
    assert facts.passed
    assert 0 == judge.swap_count


@given(profiles(), st.data())
def test_two_pairs_with_one_end_exchanged_are_a_swap_to_the_board(firmware, profile, data):
    point_of = place(profile.ends, FIXTURE, POINTS).point_of
    pairs = [n for n, net in enumerate(profile.nets, start=1) if len(net.pins) == 2 and not net.common]
    if len(pairs) < 2:
        return
    one, other = sorted(data.draw(st.permutations(pairs))[:2])
    (a, b), (c, d) = ([point_of[pin] for pin in profile.nets[n - 1].pins] for n in (one, other))
    joined = [pair for pair in _good(profile) if pair not in ((a, b), (c, d))] + [(a, d), (c, b)]
    facts, judge = _verdict(firmware, profile, joined, [])
    assert not facts.passed
    assert [one, other] == list(judge.swaps[: 2 * judge.swap_count])


PAIR = Profile.from_dict(
    {
        "cable": {"id": "x", "title": "a cable", "revision": "A"},
        "ends": {"A": {"connector": "idc-2x20"}, "B": {"connector": "dip-40"}},
        "wiring": {"wires": [["A.1", "B.1"]]},
    }
)


def test_a_board_that_judges_otherwise_is_not_believed(firmware):
    with pytest.raises(Disagreement, match="judge this scan differently"):
        _verdict(firmware, PAIR, [], [], spoil=lambda reply: reply.replace("verdict=fail", "verdict=pass"))


def test_a_map_that_was_cleared_is_not_complete(firmware):
    wanted = firmware.judge.Map(POINTS)
    wanted.nets[0] = wanted.nets[40] = 1
    wanted.finish()
    assert wanted.complete
    wanted.clear()
    assert not wanted.complete
    assert not any(wanted.nets)


TRIPLE = Profile.from_dict(
    {
        "cable": {"id": "x", "title": "a cable", "revision": "A"},
        "ends": {"A": {"connector": "idc-2x20"}, "B": {"connector": "dip-40"}},
        "wiring": {"wires": [["A.1", "B.1", "A.2"]]},
    }
)


def test_a_contact_in_doubt_within_an_expected_net_does_not_pass(firmware):
    joined = _good(TRIPLE)
    (one, _), (_, other) = joined[:2]
    with pytest.raises(Disagreement, match="in some looks and not in others"):
        _verdict(firmware, TRIPLE, joined, [(one, other)])
