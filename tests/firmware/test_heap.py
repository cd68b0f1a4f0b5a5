"""The firmware fits its memory, and a scan takes none of it. On real MicroPython."""

from __future__ import annotations

import pytest

# The scanner as main.py builds it, its scan with the heap locked: any allocation is a MemoryError.
LOCKED = """
import gc, micropython
from tester.board import Board
from tester.scanner import Scanner
from tester.selfcheck import short_check
board = Board()
bank = board.bank
scanner = Scanner(bank)
in_large = bytearray(bank.points)
for point in LARGE:
    in_large[point] = 1
short_check(bank, board.references, bytearray(bank.ports))
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

LARGE = [1, 9, 17, 25, 33, 41, 49, 57, 65, 73, 81]
PAIRS = [{"pins": [f"P.{p}", f"P.{p + 2}"]} for p in (2, 10, 18, 42)]


def _locked(large=(), spoil="pass"):
    return LOCKED.replace("LARGE", repr(list(large))).replace("SPOIL", spoil)


def test_a_scan_of_a_good_cable_allocates_nothing(start, micropython):
    assert "ok 0 False" == start({"link": PAIRS}, script=_locked()).line()


def test_a_scan_with_a_large_net_allocates_nothing(start, micropython):
    board = start({"link": [{"pins": [f"P.{p}" for p in LARGE]}, *PAIRS]}, script=_locked(LARGE))
    assert "ok 0 True" == board.line()


def test_a_scan_with_doubts_allocates_nothing(start, micropython):
    """Of leaks around the threshold some are seen from one side only: no two chips have the same inputs."""
    leaks = [{"pins": [f"P.{p}", f"P.{p + 100}"], "ohms": 24_000 + 4000 * p} for p in range(12)]
    state, doubts, _ = start({"link": leaks}, script=_locked()).line().split()
    assert "ok" == state
    assert int(doubts) > 0


def test_an_allocation_would_be_noticed(start, micropython):
    assert "allocated 0 False" == start({"link": PAIRS}, script=_locked(spoil="[0] * 99")).line()


SMALL_KIB = 96


@pytest.mark.parametrize("heap_kib", [192, SMALL_KIB])
def test_everything_works_in_a_small_heap(heap_kib, start, micropython):
    """A Pico has 192 KiB for us, and objects half the size of those on a 64-bit machine.

    The smallest heap that works here is 90 KiB, and 88 KiB is too little (MicroPython 1.29 preview, x86-64).
    """
    board = start({"link": [{"pins": [f"P.{p}" for p in LARGE]}, *PAIRS]}, heap_kib=heap_kib)
    nets = bytes(1 if p in LARGE else 0 for p in range(128))
    for _ in range(2):
        assert "ok" == board.say("check")
        board.load(nets)
        assert board.say("scan settle=20").startswith("ok ")
        for matrix in ("seen", "joined", "doubtful"):
            for page in range(16):
                assert board.say(f"rows {matrix} {page:02X}").startswith("ok ")
        assert board.say("judge").startswith("ok verdict=fail ")
        assert board.say("pieces loose").startswith("ok ")
    assert [] == board.unsafe()


def test_what_is_left_of_192_kib_after_a_scan_is_more_than_half(start, micropython):
    script = _locked() + "gc.collect()\nprint(gc.mem_free(), gc.mem_alloc())"
    board = start({"link": PAIRS}, script=script)
    assert "ok 0 False" == board.line()
    free, used = map(int, board.line().split())
    assert used < 96 * 1024 < free
