"""The firmware fits its memory, and a scan takes none of it. On real MicroPython."""

from __future__ import annotations

import pytest

from pinwright.tester.frames import crc16

# The scanner as main.py builds it, its scan with the heap locked: any allocation is a MemoryError. That the
# board is still at work is said once at least.
LOCKED = """
import gc, micropython, sys, time
from tester.board import Board
from tester.commands import Commands
from tester.selfcheck import short_check
board = Board()
bank = board.bank
commands = Commands(board, sys.stdout.write)
commands._busy_line = "busy\\n"
commands._told_ms = time.ticks_add(time.ticks_ms(), -1000)
scanner = commands.scanner
in_large = bytearray(bank.points)
for point in LARGE:
    in_large[point] = 1
short_check(bank, board.references, bytearray(bank.ports), board.converter)
gc.collect()
micropython.heap_lock()
try:
    SPOIL
    scanner.scan(in_large, 20)
    bank.verify()
    told = "ok"
except MemoryError:
    told = "allocated"
micropython.heap_unlock()
print(told, scanner.doubts, any(scanner.group))
"""

LARGE = {
    "tester": [1, 9, 17, 25, 33, 41, 49, 57, 65, 73, 81],
    "pocket": [0, 1, 5, 6, 7, 8, 9, 13, 14, 15, 16, 17, 21, 22, 23],
}
PAIRS = {
    "tester": [{"pins": [f"P.{p}", f"P.{p + 2}"]} for p in (2, 10, 18, 42)],
    "pocket": [{"pins": [f"P.{p}", f"P.{p + 8}"]} for p in (2, 3, 12)],
}


PAIR_MASK = (1 << 2 | 1 << 4).to_bytes(16, "little").hex().upper()  # the first of PAIRS

# The lane as main.py builds it, after a scan, each of its measurements with the heap locked.
MEASURED = """
scanner.scan(in_large, 20)
lane = commands.lane
for point in range(bank.points):
    lane.parts[point] = point // 3 + 1
every, bar = bytes([255] * 16), BAR
works = [
    lane.look, lambda: lane.measure_links(every), lane.measure_leaks, lambda: lane.measure_bar(bar)
]
gc.collect()
for work in works:
    commands._told_ms = time.ticks_add(time.ticks_ms(), -1000)
    print("next")
    micropython.heap_lock()
    try:
        SPOIL
        work()
        told = "ok"
    except Exception as error:
        told = "allocated" if isinstance(error, MemoryError) else "failed"
    micropython.heap_unlock()
    print(told)
print(any(lane.high), any(lane.low), any(lane.leak), lane.zero > 0)
"""


def _locked(large=(), spoil="pass"):
    return LOCKED.replace("LARGE", repr(list(large))).replace("SPOIL", spoil)


def _told(board):
    """What stands after one `busy` at least."""
    assert "busy" == board.line()
    while (line := board.line()) == "busy":
        pass
    return line


def _measured(spoil="pass"):
    script = LOCKED[: LOCKED.index("gc.collect()")] + MEASURED.replace("BAR", repr(bytes.fromhex(PAIR_MASK)))
    return script.replace("LARGE", "[]").replace("SPOIL", spoil)


KINDS = pytest.mark.parametrize("kind", ["tester", "pocket"])


@KINDS
def test_a_scan_of_a_good_cable_allocates_nothing(kind, start, micropython):
    assert "ok 0 False" == _told(start({"link": PAIRS[kind], "tester": {"kind": kind}}, script=_locked()))


@KINDS
def test_a_scan_with_a_large_net_allocates_nothing(kind, start, micropython):
    large = {"pins": [f"P.{p}" for p in LARGE[kind]]}
    bench = {"link": [large, *PAIRS[kind]], "tester": {"kind": kind}}
    assert "ok 0 True" == _told(start(bench, script=_locked(LARGE[kind])))


def test_a_scan_with_doubts_allocates_nothing(start, micropython):
    """Of leaks around the threshold some are seen from one side only: no two chips have the same inputs."""
    leaks = [{"pins": [f"P.{p}", f"P.{p + 100}"], "ohms": 24_000 + 4000 * p} for p in range(12)]
    state, doubts, _ = _told(start({"link": leaks}, script=_locked())).split()
    assert "ok" == state
    assert int(doubts) > 0


def test_a_pocket_scan_with_doubts_allocates_nothing(start, micropython):
    """Contacts that come and go; leaks are seen from both sides by one chip."""
    links = [{"pins": [f"P.{p}", f"P.{p + 12}"], "closed": 0.5, "period_ms": 7 + p} for p in range(12)]
    bench = {"link": links, "tester": {"kind": "pocket"}}
    state, doubts, _ = _told(start(bench, script=_locked())).split()
    assert "ok" == state
    assert int(doubts) > 0


def _wait_for(board, wanted):
    while (line := board.line()) != wanted:
        assert "busy" == line


def test_no_measurement_of_the_lane_allocates_and_each_says_that_it_is_at_work(start, micropython):
    board = start({"link": PAIRS["tester"]}, script=_measured())
    board.board.measures = True
    for _ in range(4):
        _wait_for(board, "next")
        assert "ok" == _told(board)
    assert "True True True True" == board.line()
    assert [] == board.unsafe()


def test_an_allocation_in_a_measurement_would_be_noticed(start, micropython):
    board = start({"link": PAIRS["tester"]}, script=_measured("[0] * 99"))
    board.board.measures = True
    _wait_for(board, "next")
    assert "allocated" == board.line()


def test_an_allocation_would_be_noticed(start, micropython):
    spoilt = start({"link": PAIRS["tester"]}, script=_locked(spoil="[0] * 99"))
    assert "allocated 0 False" == spoilt.line()


SMALL_KIB = 172


@pytest.mark.parametrize("heap_kib", [192, SMALL_KIB])
def test_everything_works_in_a_small_heap(heap_kib, start, micropython):
    """A Pico has 192 KiB for us, and objects half the size of those on a 64-bit machine.

    From 168 KiB on it works here, and 160 KiB is too little to compile the largest module (MicroPython 1.29
    preview, x86-64); 28 KiB of it are the virtual board's console and its `machine`, which a board has
    outside.
    """
    large = LARGE["tester"]
    board = start({"link": [{"pins": [f"P.{p}" for p in large]}, *PAIRS["tester"]]}, heap_kib=heap_kib)
    nets = bytes(1 if p in large else 0 for p in range(128))
    for _ in range(2):
        assert "ok" == board.say("check")
        board.load(nets)
        assert board.say("scan settle=20").startswith("ok ")
        for matrix in ("seen", "joined", "doubtful"):
            for page in range(16):
                assert board.say(f"rows {matrix} {page:02X}").startswith("ok ")
        assert board.say("judge").startswith("ok verdict=fail ")
        assert board.say("pieces loose").startswith("ok ")
        assert board.say("lane").startswith("ok ")
        assert "ok" == board.say(f"parts 00 {nets.hex().upper()}")
        for what in (f"links {'FF' * 16}", "leaks", f"bar {PAIR_MASK}"):
            assert board.say(f"measure {what}").startswith("ok "), what
        for which in ("high", "low", "leak"):
            for page in range(4):
                assert board.say(f"readings {which} {page:02X}").startswith("ok ")
        assert board.say("keep read calibration 0000").startswith("ok size=")
        content = bytes(range(200)) * 5
        for at in range(0, 1000, 200):
            part = content[at : at + 200].hex().upper()
            assert "ok" == board.say(f"keep write check {at:04X} {part}")
        assert "ok" == board.say(f"keep done check {1000:04X} {crc16(content):04X}")
        assert "ok" == board.say("check")
        assert board.say("touch 78").startswith("ok low=")
    assert [] == board.unsafe()


def test_the_firmware_takes_less_than_half_of_192_kib(start, micropython):
    """What the console and its `machine` take is there before it."""
    script = "import gc\ngc.collect()\nprint(gc.mem_alloc())\n" + _locked()
    board = start({"link": PAIRS["tester"]}, script=script + "gc.collect()\nprint(gc.mem_alloc())")
    before = int(board.line())
    assert "ok 0 False" == _told(board)
    assert 0 < int(board.line()) - before < 96 * 1024
