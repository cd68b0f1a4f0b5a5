"""A look for a probe lead: what it sees, what it costs, and what it must never do. On both engines.

The model watches every transfer: only the probe's point is ever driven, and only low.
"""

from __future__ import annotations

import random

import pytest

from pinwright.tester.frames import encode
from pinwright.virtual.bench import Bench

from .conftest import POINT_OF
from .test_heap import LOCKED

PROBE = 120
MOST_TRANSFERS = 130
CLOSED = {"pins": ["P.120", "P.8"]}


def _row(*points, ports=16):
    return sum(1 << point for point in points).to_bytes(ports, "little").hex().upper()


def _told(reply):
    """What a good look says: the points that read low with the probe, those without, and the transfers."""
    verb, *words = reply.split()
    assert "ok" == verb, reply
    values = dict(word.split("=") for word in words)
    low, held = (
        {p for p in range(4 * len(values[key])) if bytes.fromhex(values[key])[p >> 3] >> (p & 7) & 1}
        for key in ("low", "held")
    )
    return low, held, int(values["transfers"])


def _ready(start, bench=None, **more):
    board = start(bench or {"link": [CLOSED]}, **more)
    assert "ok" == board.say("check")
    return board


def _watched(board):
    """Every point that is driven from now on, and whether any was high."""
    driven, exchange = set(), board.board.exchange

    def watch(sent):
        answer = exchange(sent)
        for number, chip in enumerate(board.board.chips):
            driven.update(16 * number + bit for bit in range(16) if chip.outputs >> bit & 1)
            assert not chip.outputs & chip.latch
        return answer

    board.board.exchange = watch
    return driven


def _plug(board, link=(), tester=None):
    """Another cable, or something from outside."""
    tables = {"link": [{"pins": link}] if link else [], "tester": tester or {}}
    board.board.plug(Bench.from_dict(tables), POINT_OF)


def test_a_look_sees_what_the_probe_touches_and_drives_nothing_else(engine, start):
    board = _ready(start)
    driven = _watched(board)
    assert ({PROBE, 8}, set()) == _told(board.say("touch 78"))[:2]
    assert {PROBE} == driven
    assert [] == board.unsafe()
    assert [] == board.board.broken


def test_a_look_takes_130_transfers_at_most_those_that_let_go_among_them(engine, start):
    board = _ready(start)
    before = board.board.transfers
    _, _, transfers = _told(board.say("touch 78"))
    assert transfers == board.board.transfers - before
    assert 8 * 10 < transfers <= MOST_TRANSFERS
    assert board.board.longest <= 60


@pytest.mark.parametrize("size", [0, 1, 14, 40, 119])
def test_a_net_of_any_size_is_seen_whole(size, start, micropython):
    """Of more than thirteen pull-ups together the probe's point would not look low."""
    net = [f"P.{p}" for p in range(size)]
    for seed in range(2):
        bench = {"link": [{"pins": ["P.120", *net]}] if size else [], "tester": {"seed": seed}}
        board = _ready(start, bench)
        assert ({PROBE, *range(size)}, set()) == _told(board.say("touch 78"))[:2]


def test_looks_follow_a_hand_that_moves(engine, start):
    board = _ready(start, {"link": [{"pins": ["P.120", "P.8"]}, {"pins": ["P.9", "P.10"]}]})
    for touched, seen in ((["P.120", "P.9"], {9}), ([], set()), (["P.120", "P.11", "P.10"], {11, 10})):
        _plug(board, touched)
        assert (seen | {PROBE}, set()) == _told(board.say("touch 78"))[:2]


def test_what_something_else_holds_low_is_told_apart(engine, start):
    board = _ready(start)
    _plug(board, tester={"outside": {"P.30": 0.0}})
    assert ({PROBE, 30}, {30}) == _told(board.say("touch 78"))[:2]
    assert [] == board.unsafe()


def test_a_probe_that_cannot_be_pulled_low_is_an_error_and_no_touch(engine, start):
    board = _ready(start)
    _plug(board, tester={"outside": {"P.120": 30.0}})
    assert f"error not-low points={_row(PROBE)}" == board.say("touch 78")
    assert [] == board.unsafe()
    assert "error state" == board.say("touch 78")  # not before another check


@pytest.mark.parametrize("kind", ["tester", "pocket"])
def test_it_needs_a_check_and_nothing_else_is_allowed_by_it(kind, engine, start):
    last = {"tester": 127, "pocket": 23}[kind]
    board = start({"tester": {"kind": kind}})
    point = f"touch {last:02X}"
    assert "error state" == board.say(point)
    assert "ok" == board.say("check")
    board.load(bytes(last + 1))
    for _ in range(2):
        assert ({last}, set()) == _told(board.say(point))[:2]
    assert "error state" == board.say("scan settle=20")
    assert "error state" == board.say("show pass")
    assert "error state" == board.say("rows seen 00")
    assert "ok" == board.say("release")
    assert "error state" == board.say(point)


def test_after_it_no_earlier_verdict_is_shown(engine, start):
    board = _ready(start, {"link": [{"pins": ["P.0", "P.20"]}]})
    board.load(bytes(1 if p in (0, 20) else 0 for p in range(128)))
    assert board.say("scan settle=20").startswith("ok ")
    assert board.say("judge").startswith("ok verdict=pass")
    assert "error state" == board.say("touch 78")  # a scan has used the check up
    assert "ok" == board.say("show pass")
    assert "ok" == board.say("check")
    assert board.say("touch 78").startswith("ok ")
    assert "error state" == board.say("show pass")
    assert 0 == board.board.pin(13)  # the green lamp


def test_only_a_point_that_is_there_and_free_can_be_a_probe(engine, start):
    board = _ready(start)
    driven = _watched(board)
    for point in ("", " 80", " FF", " 7", " 0078", " 78 78", " 79", " 7A", " 7C", " xx"):
        assert "error argument" == board.say(f"touch{point}"), point
    assert set() == driven


def test_a_small_board_and_a_pocket_tester_look_as_well(engine, start):
    small = _ready(start, {"link": [{"pins": ["P.40", "P.3"]}], "tester": {"fitted": 5}})
    low, held, transfers = _told(small.say("touch 28"))
    assert ({40, 3}, set()) == (low, held)
    assert 0 < transfers <= 130 * 5 / 8
    pocket = _ready(start, {"link": [{"pins": ["P.23", "P.3"]}], "tester": {"kind": "pocket"}})
    assert ({23, 3}, set(), 0) == _told(pocket.say("touch 17"))
    assert [] == pocket.unsafe() == small.unsafe()


def test_ctrl_c_at_any_moment_of_a_look_lets_go(engine, start):
    seed = random.randrange(1 << 30)
    chance = random.Random(seed)
    for nth in range(4):
        board = _ready(start)
        moment = chance.randrange(1, 121)
        board.board.at[board.board.transfers + moment] = board.tester.strike
        board.send(encode(9, "touch 78"))
        board.wait_for_the_prompt()
        told = f"seed {seed}, {nth}: transfer {moment}"
        assert [] == board.unsafe(), told
        board.board.broken.clear()  # where a transfer was cut
        assert b"Traceback" not in board._seen, told


def test_a_chip_that_loses_its_state_between_or_in_looks_is_found_out(start, micropython):
    chance = random.Random(4)
    for chip in (1, 4, 7):
        board = _ready(start)
        board.board.at[board.board.transfers + chance.randrange(1, 99)] = board.board.chips[chip].reset
        replies = [board.say("touch 78"), board.say("touch 78")]
        assert any(reply.startswith(("error chip", "error state")) for reply in replies), (chip, replies)
        assert [] == board.unsafe()
        board.board.broken.clear()  # a chip that has forgotten its address drives what another should


def test_a_bit_that_turned_over_is_set_right_before_the_look(start, micropython):
    board = _ready(start)
    for register in (0x0C, 0x14):  # pull-ups, latches
        board.board.chips[3]._registers[register] ^= 0x10
    reply = board.say("touch 78")
    assert ({PROBE, 8}, set()) == _told(reply)[:2]
    assert reply.endswith("slips=2")
    assert [] == board.unsafe()


@pytest.mark.parametrize("kind", ["tester", "pocket"])
def test_a_look_allocates_nothing(kind, start, micropython):
    point = {"tester": 120, "pocket": 23}[kind]
    script = LOCKED.replace("LARGE", "[]").replace("SPOIL", "pass")
    script = script.replace(
        "scanner.scan(in_large, 20)", f"for _ in range(5): commands.touching.look({point})"
    )
    script = script.replace("bank.verify()", "bank.let_go()")
    script = script.replace("scanner.doubts, any(scanner.group)", "list(commands.touching.low)[1]")
    bench = {"link": [{"pins": [f"P.{point}", "P.8"]}], "tester": {"kind": kind}}
    assert "ok 1" == start(bench, script=script).line()
