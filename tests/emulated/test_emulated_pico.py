"""The whole firmware on real MicroPython on an emulated RP2040, with the virtual board at its pins.

PINWRIGHT_PICO_IMAGE names the image: a .uf2 or .bin for the plain Pico. Takes a few minutes.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from pinwright import link
from pinwright.cable.profile import Profile
from pinwright.link import Line, drive
from pinwright.tester.asking import Request
from pinwright.tester.fixture import Fixture, place
from pinwright.tester.session import Session
from pinwright.verdict.agreement import decide
from pinwright.virtual.bench import Bench
from pinwright.virtual.board import VirtualBoard
from pinwright.virtual.process import VirtualTester

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "firmware"
IMAGE = os.environ.get("PINWRIGHT_PICO_IMAGE", "")

if not IMAGE:
    pytest.skip(
        "PINWRIGHT_PICO_IMAGE names no image of MicroPython for the Pico; none comes with the packages that "
        "tests are installed from, so this is not run everywhere",
        allow_module_level=True,
    )

from .pico import Pico, Wiring, image_of  # noqa: E402

FIXTURE = Fixture.from_dict(tomllib.loads((ROOT / "hardware/fixtures/tester-128.toml").read_text("utf-8")))
PROFILE = Profile.from_dict(
    {
        "cable": {"id": "emulated-40", "title": "a cable", "revision": "A"},
        "ends": {"A": {"connector": "idc-2x20"}, "B": {"connector": "dip-40"}},
        "wiring": {
            "wires": [
                *([f"A.{n}", f"B.{n}"] for n in range(1, 21)),
                [f"{end}.{n}" for end in "AB" for n in range(21, 31)],  # a large net
                *([f"A.{n}", f"B.{n}"] for n in range(31, 41)),
            ]
        },
    }
)
FAULTS = [["A.1", "A.2"], ["A.35", "B.36"]]  # joined besides
OPEN = "A.7"


def _bench(faulty: bool) -> Bench:
    links = []
    for net in PROFILE.nets:
        pins = [str(pin) for pin in net.pins]
        links += [{"pins": pins}] if not (faulty and OPEN in pins) else []
    links += [{"pins": pins} for pins in FAULTS if faulty]
    return Bench.from_dict({"tester": {"seed": 5, "lane": "uncalibrated"}, "link": links})


@dataclass
class Running:
    pico: Pico
    board: VirtualBoard
    wiring: Wiring

    def line(self) -> Line:
        return Line(self.pico, lambda text: None)

    def ask(self, words: str) -> dict[str, str]:
        reply = self.line().ask(Request(words, 20, repeatable=False, most_s=60))
        assert "ok" == reply[0], reply
        return dict(word.split("=") for word in reply[1:] if "=" in word)


def _power_on(image: bytes, bench: Bench) -> Running:
    board = VirtualBoard(bench, place(PROFILE.ends, FIXTURE, 128).point_of)
    wiring = Wiring(board)
    return Running(Pico(image, wiring), board, wiring)


@pytest.fixture(scope="module")
def installed() -> bytes:
    """The flash of a Pico with this firmware on it."""
    running = _power_on(image_of(Path(IMAGE)), _bench(False))
    running.pico.wait_for(b">>> ")
    files = sorted(FIRMWARE.rglob("*.py"))
    running.pico.install((file.relative_to(FIRMWARE).as_posix(), file.read_bytes()) for file in files)
    return bytes(running.pico.flash)


@pytest.fixture
def emulated_time(monkeypatch: pytest.MonkeyPatch) -> Iterator[SimpleNamespace]:
    """The link's deadlines are the emulated Pico's."""
    clock: Any = SimpleNamespace(pico=None, sleep=lambda seconds: None)
    clock.monotonic = lambda: clock.pico.seconds
    monkeypatch.setattr(link, "time", clock)
    return clock


def _start(installed: bytes, bench: Bench, clock: SimpleNamespace) -> Running:
    running = _power_on(installed, bench)
    clock.pico = running.pico
    running.pico.read(1.5)  # main.py compiles
    return running


@pytest.mark.parametrize("faulty", [False, True], ids=["good", "faulty"])
def test_a_scan_is_the_same_as_the_virtual_testers_and_takes_the_fast_path(faulty, installed, emulated_time):
    bench = _bench(faulty)
    running = _start(installed, bench, emulated_time)
    hello = running.ask("hello")
    assert ("rp2", "fast") == (hello["platform"], hello["bus"])
    scan = drive(Session(PROFILE, {FIXTURE.id: FIXTURE}, "0").run(), running.line())
    with VirtualTester(bench, place(PROFILE.ends, FIXTURE, 128).point_of, FIRMWARE) as tester:
        expected = drive(Session(PROFILE, {FIXTURE.id: FIXTURE}, "0").run(), Line(tester, lambda text: None))
    assert expected.evidence == scan.evidence
    assert expected.board_verdict == scan.board_verdict
    assert (not faulty) == decide(PROFILE, scan).passed
    assert expected.counts["walk_transfers"] == scan.counts["walk_transfers"]
    assert 0 == running.wiring.lost
    assert [] == running.board.broken
    print({name: value for name, value in scan.counts.items() if name.endswith("_us")})


def _walk_us(running: Running) -> int:
    running.ask("check")
    running.ask("map clear")
    running.ask("map done")
    return int(running.ask("scan settle=20")["walk_us"])


def test_the_walk_is_several_times_faster_than_by_the_portable_path(installed, emulated_time):
    fast = _start(installed, _bench(False), emulated_time)
    took = _walk_us(fast)
    portable = _start(installed, _bench(False), emulated_time)
    portable.pico.write(b"\x03")
    portable.pico.wait_for(b">>> ")
    portable.pico.install(
        iter([("boot.py", b"import tester.board\ntester.board.on_rp2040 = lambda: False\n")])
    )
    portable.pico.start_program()
    portable.pico.read(1.5)
    assert "portable" == portable.ask("hello")["bus"]
    slow = _walk_us(portable)
    print(f"walk of 128 points, settle 20 us: {took} us fast, {slow} us portable")
    assert 4 * took < slow


def test_a_board_whose_chip_is_dead_says_so(installed, emulated_time):
    bench = Bench.from_dict({"tester": {"dead_chips": [3], "lane": "uncalibrated"}})
    running = _start(installed, bench, emulated_time)
    assert "fallback" == running.ask("hello")["bus"]
    told = running.line().ask(Request("check", 20, repeatable=False))
    assert ("error", "chip", "chip=3") == told[:3]
    assert not any(chip.outputs for chip in running.board.chips)


def test_the_walk_takes_no_memory(installed, emulated_time):
    running = _start(installed, _bench(False), emulated_time)
    running.pico.write(b"\x03")
    running.pico.wait_for(b">>> ")
    told = running.pico.run("""
import micropython
from tester.board import Board
bank = Board().bank
rows = bytearray(128 * 16)
missed = chip = 0  # names that are new would take memory
bank.begin()
micropython.heap_lock()
for chip in range(8):
    missed |= bank.walk(16 * chip, rows, 256 * chip, 20)
bank.look(5, rows, 80, 20, False)
bank.read(rows, 0)
micropython.heap_unlock()
bank.let_go()
print(bank.bus, missed, any(rows), bytes(rows[:16]) == bytes(16))
""")
    assert "fast 0 True True" == told
