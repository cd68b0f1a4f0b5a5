"""Whatever happens, every point ends as an input with a clear latch, and nothing forbidden comes before.

Watched in the model of the chips. No point becomes an output under a latch that is high; one point high
at most, for a moment, and never against a low; no read before the chips' addresses count (erratum 80311a).
What is forbidden fails a test when its board is closed; so where it is to be expected, it is struck off.
"""

from __future__ import annotations

import random
import threading

import pytest

from pinwright.tester.frames import encode
from pinwright.virtual import process

BIG = {"pins": [f"P.{p}" for p in (3, *range(20, 36), 70, 90)]}
PAIRS = [{"pins": [f"P.{p}", f"P.{p + 40}"]} for p in range(40, 60)]
CABLE = {"link": [BIG, *PAIRS]}
IN_A_BIG_NET = bytes(1 if f"P.{p}" in BIG["pins"] else 0 for p in range(128))
WALK_TRANSFERS_A_POINT = 10
# Transfers for which a point stays driven: in `ports_against_rest`, all low while sixteen ports are read.
LONGEST_DRIVE = 200


def _scan(board):
    assert "ok" == board.say("check")
    board.load(IN_A_BIG_NET)
    return board.say("scan settle=20")


def test_all_points_are_inputs_once_the_board_has_started(engine, start):
    board = start(CABLE)
    board.say("hello")
    assert [] == board.unsafe()
    assert [] == board.board.broken


def test_a_whole_scan_keeps_the_rules_that_protect_parts(engine, start):
    board = start(CABLE)
    reply = _scan(board)
    assert reply.startswith("ok ")
    assert [] == board.unsafe()
    assert [] == board.board.broken
    assert 1 == board.board.most_high  # the flash; the rule allows 4
    assert board.board.longest <= LONGEST_DRIVE
    values = dict(word.split("=") for word in reply.split()[1:])
    assert int(values["walk_transfers"]) <= WALK_TRANSFERS_A_POINT * 128
    assert int(values["transfers"]) < board.board.transfers


@pytest.mark.parametrize(("rate", "seed"), [(1e-4, 1), (3e-4, 2), (1e-3, 3)])
def test_no_wrong_bit_on_the_bus_leaves_many_points_high(rate, seed, start, micropython):
    """A wrong bit may drive the wrong point: no order of writes prevents that, so only the number counts."""
    board = start({**CABLE, "tester": {"flip_bits": rate, "seed": seed}})
    for _ in range(2):
        board.say("check")
        board.load(IN_A_BIG_NET)
        board.say("scan settle=20")
    assert board.board.most_high <= 4


FAULTS = [
    {"stuck_low": [5]},
    {"stuck_high": [6]},
    {"outside": {"P.7": 5.0}},
    {"outside": {"P.7": -12.0}},
    {"dead_chips": [3]},
    {"moved_chips": {"2": 6}},
    {"cut": [123]},
    {"bridged": [[121, 50]]},
]


@pytest.mark.parametrize("fault", FAULTS, ids=str)
def test_every_refusal_lets_go(fault, engine, start):
    board = start({**CABLE, "tester": fault})
    assert board.say("check").startswith("error ")
    assert [] == board.unsafe()
    assert [] == board.board.broken


def test_a_fault_in_the_middle_of_a_scan_lets_go(engine, start):
    board = start(CABLE)
    assert "ok" == board.say("check")
    board.load(IN_A_BIG_NET)
    chip = board.board.chips[2]
    opcode = chip.opcode
    board.board.at[board.board.transfers + 700] = lambda: setattr(chip, "opcode", None)
    assert board.say("scan settle=20").startswith("error ")
    chip.opcode = opcode
    assert "ok" == board.say("release")
    assert [] == board.unsafe()


def test_ctrl_c_between_requests_ends_it_with_everything_let_go(engine, start):
    board = start(CABLE)
    assert _scan(board).startswith("ok ")
    board.tester.strike()
    board.wait_for_the_prompt()
    assert [] == board.unsafe()
    assert [] == board.board.broken


def test_ctrl_c_in_the_middle_of_a_line_ends_it_with_everything_let_go(engine, start):
    board = start(CABLE)
    board.say("hello")
    board.send(b">01 sca")
    board.tester.strike()
    board.wait_for_the_prompt()
    assert [] == board.unsafe()


def _interrupted(start, transfer, delay_s):
    """The board at its prompt, Ctrl-C having come at a transfer of the scan or a moment after it."""
    board = start(CABLE)
    assert "ok" == board.say("check")
    board.load(IN_A_BIG_NET)
    strike = threading.Timer(delay_s, board.tester.strike)
    board.board.at[board.board.transfers + transfer] = strike.start if delay_s else board.tester.strike
    board.send(encode(9, "scan settle=20"))
    board.wait_for_the_prompt()
    torn = [line for line in board.board.broken if "read before" not in line]
    board.board.broken[:] = [line for line in board.board.broken if line not in torn]
    return board


def test_ctrl_c_in_the_middle_of_a_scan_lets_go(engine, start):
    """Half of the moments are inside a transfer, half at a random time after one; other ones every run."""
    seed = random.randrange(1 << 30)
    chance = random.Random(seed)
    for nth in range(10):
        transfer = chance.randrange(1, 1800)  # of some 1818
        board = _interrupted(start, transfer, chance.uniform(1e-5, 1e-3) if nth % 2 else 0.0)
        told = f"seed {seed}, moment {nth}: transfer {transfer}"
        assert [] == board.unsafe(), told
        assert [] == board.board.broken, told
        assert b"Traceback" not in board._seen, told


def test_three_ctrl_c_in_a_row_leave_nothing_driven_or_the_watchdog_on(engine, start, monkeypatch):
    """The second while points are let go, the third too or while they are held; other moments every run."""
    monkeypatch.setattr(process, "_AGAIN_S", 0.0)  # each is seen before the next transfer
    seed = random.randrange(1 << 30)
    chance = random.Random(seed)
    stopped = 0
    for nth in range(8):
        board = start(CABLE)
        assert "ok" == board.say("check")
        board.load(IN_A_BIG_NET)
        moment = board.board.transfers + chance.randrange(1, 1700)
        second = moment + chance.randrange(1, 8)
        for press in (moment, second, second + chance.randrange(1, 40)):
            board.board.at[press] = board.tester.strike
        board.send(encode(9, "scan settle=20"))
        board.wait_for_the_prompt()
        board.board.at.clear()
        watched = board.tester._server.watchdog.on
        assert watched or [] == board.unsafe(), f"seed {seed}, {nth}: transfers from {moment} on"
        assert b"Traceback" not in board._seen, f"seed {seed}, {nth}"
        board.board.broken.clear()  # where a transfer was cut
        stopped += not watched
    assert stopped > 0, f"seed {seed}"


def test_ctrl_c_in_the_middle_of_a_check_lets_go(engine, start):
    chance = random.Random(3)
    for _ in range(4):
        board = start(CABLE)
        board.say("hello")
        board.board.at[board.board.transfers + chance.randrange(1, 400)] = board.tester.strike
        board.send(encode(9, "check"))
        board.wait_for_the_prompt()
        assert [] == board.unsafe()


def test_the_end_of_input_ends_it_with_everything_let_go(engine, start):
    board = start(CABLE)
    assert _scan(board).startswith("ok ")
    board.tester._process.stdin.close()
    board.wait_for_the_end()
    assert 0 == board.tester._process.wait(5)
    assert [] == board.unsafe()


def test_nothing_is_read_before_addresses_count_even_when_the_chips_were_in_use(engine, start):
    """Erratum 80311a, on a second check too: the chips come to it with HAEN set, and lose it by the reset."""
    board = start(CABLE)
    for _ in range(2):
        assert "ok" == board.say("check")
    assert [] == board.board.broken


def test_a_read_before_addresses_count_would_be_noticed(start, micropython):
    """The watch can fail: firmware that reads at once."""
    board = start(
        script="from tester.board import Board\nb = Board()\nb.bank.chips.read(1, 0)\n"
        "b.bank.chips.begin()\nb.bank.chips.latch_then_direction(2, 0xFFFF, 0)\nprint('done')"
    )
    assert "done" == board.line()
    assert any("erratum" in line for line in board.board.broken)
    assert any("points high at once" in line for line in board.board.broken)
    assert any("high between transfers" in line for line in board.board.broken)
    assert any("chip 2: outputs FFFF" in line for line in board.unsafe())
    board.board.broken.clear()


@pytest.mark.parametrize("chip", range(8))
def test_a_chip_that_loses_its_state_in_the_middle_of_a_scan_is_found_out(chip, start, micropython):
    chance = random.Random(f"reset {chip}")
    board = start(CABLE)
    for _ in range(2):  # the second time, what the first left behind is no excuse
        assert "ok" == board.say("check")
        board.load(IN_A_BIG_NET)
        transfer = chance.randrange(1, 1700)
        board.board.at[board.board.transfers + transfer] = board.board.chips[chip].reset
        reply = board.say("scan settle=20")
        assert reply.split()[:2] in (["error", "chip"], ["error", "not-low"], ["error", "unsteady"]), (
            f"{reply} after a reset at transfer {transfer}"
        )
        assert [] == board.unsafe()
    board.board.broken.clear()  # a chip that has forgotten its address drives what another should


@pytest.mark.parametrize(
    ("about", "level"), [("", 0), ('{"fitted": 5}', 0), ('{"fixture": "pocket-24"}', None), ("{", None)]
)
def test_the_expanders_are_held_before_anything_else_is_loaded(about, level, engine, start):
    """A reset by the watchdog leaves them driving. On a pocket tester, or nobody knows what, the pin is a
    point."""
    told = 'import machine\nprint("reset", machine.Pin(20).value())\nwhile True:\n    pass\n'  # no further

    def change(folder):
        board = folder / "tester" / "board.py"
        board.write_text(board.read_text().replace("import sys\n", told + "import sys\n", 1))

    kind = {"kind": "pocket"} if "pocket" in about else {}
    board = start({"tester": kind}, board_json=about or "", change=change)
    assert "reset" == board.line().split()[0]
    assert (20 in board.board.touched) is (level == 0)
