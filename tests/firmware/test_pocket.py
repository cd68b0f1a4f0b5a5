"""The pocket tester end to end: random cables on random boards, and what it must never do to its pins.

The truth comes from networkx, from the links that are plugged in.
"""

from __future__ import annotations

import random
import threading
import tomllib
from concurrent.futures import ThreadPoolExecutor

import networkx as nx
import pytest

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.errors import OutsideVoltage, SelfCheckFailed
from pinwright.link import Line, drive
from pinwright.tester.fixture import Fixture, place
from pinwright.tester.frames import encode
from pinwright.tester.session import Session
from pinwright.verdict.agreement import decide
from pinwright.virtual import process
from pinwright.virtual.bench import Bench, Link, TesterSpec
from pinwright.virtual.circuit import INPUT, PULLUP
from pinwright.virtual.process import VirtualTester

from ..random_cables import cable, faulty
from .conftest import FIRMWARE, Watched

FIXTURE = Fixture.from_dict(
    tomllib.loads((FIRMWARE.parent / "hardware/fixtures/pocket-24.toml").read_text(encoding="utf-8"))
)
PINS = [f"{end}.{n}" for end in "AB" for n in range(1, 13)]
POINTS = 24
ROUNDS, SCANS_A_ROUND = 3, 8
SIZES = (
    lambda chance: 2,
    lambda chance: chance.choice([1, 2, 2, 2, 3, 5, 9, 14]),
    lambda chance: chance.randint(2, 24),
    lambda chance: chance.choice([1, 1, 1, 1, 2]),
)


def _profile(nets):
    """Ends A and B of twelve pins in a row, and these nets."""
    return Profile.from_dict(
        {
            "cable": {"id": "x", "title": "a cable", "revision": "A"},
            "ends": {end: {"connector": "row-12", "signals": {}} for end in "AB"},
            "wiring": {"wires": nets},
        }
    )


def _scans(profile, cables, **faults):
    """Cable after cable in one board: what was measured and decided, and the board it was measured with."""
    point_of = place(profile.ends, FIXTURE, POINTS).point_of
    benches = [
        Bench(
            tuple(Link(tuple(Pin(*pin.split(".")) for pin in pins), ohms) for pins, ohms in links),
            TesterSpec(kind="pocket", **faults),
        )
        for links in cables
    ]
    with VirtualTester(benches[0], point_of, FIRMWARE) as tester:
        for bench in benches:
            tester.board.plug(bench, point_of)
            session = Session(profile, {FIXTURE.id: FIXTURE}, "0")
            scan = drive(session.run(), Line(tester, lambda line: None))
            yield decide(profile, scan), scan, tester.board


def _scan(profile, links, **faults):
    """One cable, from power-on on."""
    (scanned,) = _scans(profile, [links], **faults)
    return scanned


def _one(seed):
    chance = random.Random(seed)
    nets, links = cable(chance, PINS, SIZES)
    links = faulty(chance, PINS, links, most=4)
    graph = nx.Graph()
    graph.add_edges_from(links)
    truth = {frozenset(piece) for piece in nx.connected_components(graph)}
    ohms = [(link, chance.uniform(0.01, 0.99)) for link in links]
    facts, scan, board = _scan(_profile(nets), ohms, seed=chance.randrange(10**6))
    told = f"seed {seed}: {facts}"
    assert truth == {frozenset(map(str, net)) for net in facts.nets}, told
    assert () == facts.doubtful, told
    assert (truth == set(map(frozenset, nets))) == facts.passed, told
    assert (24, 0, "pocket-24") == (scan.hello.points, scan.hello.fitted, scan.hello.fixture), told
    assert [] == board.broken, told
    assert [] == board.unsafe(), told


@pytest.mark.parametrize("nth", range(ROUNDS))
def test_the_nets_are_the_truth_and_pass_means_that_they_are_what_was_asked_for(
    nth, micropython, monkeypatch
):
    monkeypatch.setattr(process, "VirtualBoard", Watched)
    first = random.randrange(1 << 40)
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(_one, range(first, first + SCANS_A_ROUND)))


@pytest.mark.parametrize("size", [2, 8, 9, 14, 22])
def test_a_bridge_to_a_net_of_any_size_is_found_and_so_is_a_pin_that_left_it(size, engine):
    net, free = PINS[:size], PINS[size:]
    profile = _profile([net])
    whole = (net, 0.1)
    cables = [
        [whole],
        [whole, ([net[-1], free[-1]], 0.1)],
        [whole, (free[:2], 0.1)],
        [(net[1:], 0.1)] if size > 2 else [],
    ]
    for seed in range(3):
        passed = [facts.passed for facts, _, _ in _scans(profile, cables, seed=seed)]
        assert [True, False, False, False] == passed, seed


def test_every_pin_of_a_full_net_belongs_to_it(micropython):
    rests = [PINS[:left_out] + PINS[left_out + 1 :] for left_out in (0, 11, 12, 23)]
    cables = [[(pins, 0.1)] for pins in (PINS, *rests)]
    assert [True, *[False] * 4] == [facts.passed for facts, _, _ in _scans(_profile([PINS]), cables)]


@pytest.mark.parametrize(
    ("fault", "error"),
    [
        ({"stuck_high": (12,)}, SelfCheckFailed),
        ({"stuck_low": (3,)}, OutsideVoltage),  # which of the two, cannot be told
        ({"no_pullup": (23,)}, OutsideVoltage),
        ({"outside": {Pin("A", "3"): 5.0}}, OutsideVoltage),
        ({"outside": {Pin("B", "12"): -5.0}}, OutsideVoltage),
    ],
    ids=str,
)
def test_a_tester_that_does_not_obey_or_is_fed_from_outside_says_so(fault, error, micropython):
    with pytest.raises(error):
        _scan(_profile([["A.1", "B.1"]]), [(["A.1", "B.1"], 0.1)], **fault)


WHOLE = {"link": [{"pins": [f"P.{p}" for p in range(0, 24, 2)]}], "tester": {"kind": "pocket"}}


def _ready(start):
    board = start(WHOLE)
    assert "ok" == board.say("check")
    board.load(bytes([1, 0] * 12))
    return board


def test_all_points_are_inputs_with_pull_ups_between_requests(engine, start):
    board = _ready(start)
    assert board.say("scan settle=20").startswith("ok ")
    assert "ok" == board.say("release")
    assert [] == board.unsafe()
    assert {PULLUP} == set(board.board._drives)
    assert [] == board.board.broken


def test_ctrl_c_at_any_moment_of_a_scan_lets_go(engine, start):
    seed = random.randrange(1 << 30)
    chance = random.Random(seed)
    for nth in range(6):
        board = _ready(start)
        moment = chance.randrange(1, 600)  # of some 620 readings
        board.board.at[board.board.transfers + moment] = board.tester.strike
        board.send(encode(9, "scan settle=20"))
        board.wait_for_the_prompt()
        told = f"seed {seed}, {nth}: reading {moment}"
        assert [] == board.unsafe(), told
        assert [] == board.board.broken, told
        assert b"Traceback" not in board._seen, told


def test_a_hard_reset_in_the_middle_of_a_scan_lets_go(engine, start):
    board = _ready(start)
    drives = []

    def reset():
        board.tester.reset()
        drives.extend(board.board._drives)
        done.set()

    done = threading.Event()
    board.board.at[board.board.transfers + 77] = reset
    board.send(encode(9, "scan settle=20"))
    assert done.wait(5)
    assert board.say("hello").startswith("ok ")
    assert {INPUT} == set(drives)
    assert [] == board.unsafe()
