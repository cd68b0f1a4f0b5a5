"""A tester without a process, for campaigns: the firmware's files under this very Python over the model.

What is real: every file of the firmware, main.py among them. What stands in: `machine` (straight to the
model), `time` (a clock that only the buses and sleeping move on), `os` and `open` (the board's own folder),
`select` and `sys` (its line). Nothing waits, and each desk has modules of its own, so many may live at once.
Not here: the watchdog never bites, `drop_reply` cuts nothing, and nobody can reset the board.

    with Desk(bench, point_of) as desk:
        scan = drive(Session(…).run(), Line(desk, …))
"""

from __future__ import annotations

import builtins
import io
import json
import os
import select
import sys
import tempfile
import threading
import traceback
from collections import deque
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from types import CodeType, ModuleType, SimpleNamespace, TracebackType
from typing import Any

from pinwright.cable.pins import Pin
from pinwright.errors import LinkLost, OwnBug
from pinwright.virtual.bench import Bench
from pinwright.virtual.board import VirtualBoard
from pinwright.virtual.kept import keep

FIRMWARE = Path(__file__).parents[1] / "firmware"
_TICKS = 1 << 30
_HANGS_S = 120.0  # a firmware that has not come back to its line by then never will
_CTRL_C = 0x03


@cache
def _code(path: Path, changed_ns: int) -> CodeType:
    return compile(path.read_text(encoding="utf-8"), str(path), "exec")


class Desk:
    """A board that runs, and our end of its line as VirtualTester has it. `board` is the model.

    flash: where the board keeps its files; without it, in a folder that is removed at the end. kept: as of
    VirtualTester. firmware: the folder of its files.

    `write` returns when the firmware waits for more, so that all it said is there to be read. Closing raises
    OwnBug as VirtualTester does.
    """

    name = "sim"

    def __init__(
        self,
        bench: Bench,
        point_of: Mapping[Pin, int],
        firmware: Path = FIRMWARE,
        *,
        flash: Path | None = None,
    ) -> None:
        self._slept_us = 0.0
        # It asks for the time once while it is made, at the beginning of all time.
        self.board = VirtualBoard(
            bench, point_of, lambda: self.now_us / 1e6 if hasattr(self, "board") else 0.0
        )
        self._firmware = firmware
        self._folder = None if flash else tempfile.TemporaryDirectory(prefix="pinwright-desk-")
        self.flash = flash or Path(self._folder.name if self._folder else "")
        about = self.flash / "board.json"
        if not about.exists():
            about.write_text(json.dumps(bench.tester.board_file()), encoding="utf-8")
        self.kept = keep(self.flash, bench.tester)
        self._typed: deque[int] = deque()
        self._said = bytearray()
        self._ended = ""  # how, once it has
        self._closing = self._interrupted = self._reported = False
        self._go, self._waits = threading.Semaphore(0), threading.Semaphore(0)
        self._modules = self._stand_ins()
        self._builtins = {
            **vars(builtins),
            "__import__": self._import,
            "open": self._open,
            "print": lambda *words, **named: print(*words, **{"file": self._modules["sys"].stdout, **named}),
            "ptr8": lambda buffer: buffer,
            "uint": int,
        }
        self._thread = threading.Thread(target=self._run, name="a desk's firmware", daemon=True)
        self._thread.start()
        self._until_it_waits()

    def __enter__(self) -> Desk:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def now_us(self) -> float:
        """The board's time: what its buses took, and how long its firmware slept."""
        return self.board.bus_us + self._slept_us

    @property
    def engine(self) -> str:
        return f"CPython {sys.version.split()[0]}"

    def plug(self, bench: Bench, point_of: Mapping[Pin, int]) -> None:
        """Put another cable in."""
        self.board.plug(bench, point_of)

    def write(self, data: bytes) -> None:
        """Send bytes to the board; at 0x03 the firmware is interrupted, as it waits. Raises LinkLost."""
        if self._ended:
            raise LinkLost(self._ended)
        for part in data.split(bytes([_CTRL_C]))[:-1]:
            self._typed.extend(part)
            self._interrupted = True
        self._typed.extend(data.rpartition(bytes([_CTRL_C]))[2])
        self._go.release()
        self._until_it_waits()

    def read(self, timeout_s: float) -> bytes:
        """What has been said. Nothing more comes by waiting, so it never waits. Raises LinkLost."""
        data = bytes(self._said)
        self._said.clear()
        if not data and self._ended:
            raise LinkLost(self._ended)
        return data

    def interrupt(self) -> None:
        """Ctrl-C on the board."""
        if not self._ended:
            self.write(bytes([_CTRL_C]))

    def again(self, timeout_s: float) -> bool:
        """A firmware that has ended does not come back."""
        return False

    def close(self) -> None:
        """End the firmware and remove its folder. Closing twice does nothing more. Raises OwnBug."""
        self._closing = True
        self._go.release()
        self._thread.join(_HANGS_S)
        self._ended = self._ended or "the desk was closed"
        if self._folder:
            self._folder.cleanup()
        breaches = self.board.breaches()
        if breaches and not self._reported and sys.exc_info()[1] is None:
            self._reported = True
            raise OwnBug(f"the firmware would have hurt a real board: {'; '.join(breaches)}")

    def _run(self) -> None:
        try:
            self._load("main")
            self._ended = "the firmware has ended"
        except BaseException as error:
            traceback.print_exception(error, file=self._modules["sys"].stdout)
            self._ended = f"the firmware has ended: {error!r}"
        finally:
            self._waits.release()

    def _until_it_waits(self) -> None:
        if not self._waits.acquire(timeout=_HANGS_S):
            self._ended = "the firmware hangs"

    def _has_input(self) -> bool:
        """Wait for something to be typed. False: nothing comes any more."""
        while not self._typed:
            if self._interrupted:
                self._interrupted = False
                raise KeyboardInterrupt
            if self._closing:
                return False
            self._waits.release()
            self._go.acquire()
        return True

    def _take(self, size: int) -> bytes:
        """Bytes that were typed; at least one, but at the end."""
        taken = bytearray()
        while len(taken) < size and self._has_input():
            taken.append(self._typed.popleft())
        return bytes(taken)

    def _take_line(self, size: int = -1) -> bytes:
        line = b""
        while len(line) != size and not line.endswith(b"\n") and (byte := self._take(1)):
            line += byte
        return line

    def _import(
        self,
        name: str,
        globals: object = None,
        locals: object = None,
        fromlist: tuple[str, ...] | None = (),
        level: int = 0,
    ) -> Any:
        module = self._load(name)
        for part in fromlist or ():
            if not hasattr(module, part):
                setattr(module, part, self._load(f"{name}.{part}"))
        return module if fromlist else self._modules[name.partition(".")[0]]

    def _load(self, name: str) -> Any:
        if name in self._modules:
            return self._modules[name]
        path = self._firmware.joinpath(*name.split("."))
        path = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
        if not path.exists():
            raise ImportError(f"no module named '{name}'")
        if "." in name:
            self._load(name.rpartition(".")[0])
        module = ModuleType(name)
        vars(module)["__builtins__"] = self._builtins
        self._modules[name] = module
        try:
            exec(_code(path, path.stat().st_mtime_ns), vars(module))
        except BaseException:
            del self._modules[name]
            raise
        return module

    def _open(self, path: str, mode: str = "r") -> Any:
        return open(self.flash / path, mode, encoding=None if "b" in mode else "utf-8")

    def _sleep_us(self, us: float) -> None:
        self._slept_us += max(0, us)

    def _stand_ins(self) -> dict[str, Any]:
        flash, now = self.flash, self._ticks

        class Poll:
            """select.poll for the line alone, which is the only thing to wait for."""

            def register(self, thing: Any, mask: int = 1) -> None:
                self._things = [(thing, mask)]

            def poll(poll, timeout_ms: int = -1) -> list[tuple[Any, int]]:
                self._has_input()  # at the end of input too there is something to be read: the end
                return poll._things

        class Output(io.TextIOBase):
            def write(output, text: str) -> int:
                self._said.extend(text.encode())
                return len(text)

        source = SimpleNamespace(read=self._take, readline=self._take_line)
        output = Output()
        return {
            "machine": _machine(self.board),
            "micropython": SimpleNamespace(
                const=_same, native=_same, viper=_same, heap_lock=lambda: None, heap_unlock=lambda: 0
            ),
            "time": SimpleNamespace(
                sleep_us=self._sleep_us,
                sleep_ms=lambda ms: self._sleep_us(1e3 * ms),
                sleep=lambda seconds: self._sleep_us(1e6 * seconds),
                ticks_us=lambda: now(1),
                ticks_ms=lambda: now(1000),
                ticks_add=lambda ticks, delta: (ticks + delta) % _TICKS,
                ticks_diff=lambda end, start: (end - start + _TICKS // 2) % _TICKS - _TICKS // 2,
            ),
            "select": SimpleNamespace(poll=Poll, POLLIN=getattr(select, "POLLIN", 1)),
            "sys": SimpleNamespace(
                stdin=SimpleNamespace(buffer=source),
                stdout=output,
                platform=sys.platform,
                implementation=SimpleNamespace(name="cpython"),
                print_exception=lambda error, file=output: traceback.print_exception(error, file=file),
            ),
            "os": SimpleNamespace(
                listdir=lambda path=".": os.listdir(flash / path),
                rename=lambda old, new: os.replace(flash / old, flash / new),
                remove=lambda path: os.remove(flash / path),
                stat=lambda path: os.stat(flash / path),
            ),
            "json": json,
        }

    def _ticks(self, us: int) -> int:
        return int(self.now_us // us) % _TICKS


def _same(thing: Any) -> Any:
    return thing


def _machine(board: VirtualBoard) -> SimpleNamespace:
    """`machine` as shim/machine.py has it, without a socket between it and the model."""

    class _Pin:
        IN, OUT, OPEN_DRAIN = 0, 1, 2
        PULL_UP = 1

        def __init__(self, id: int, mode: int = -1, pull: int = -1, *, value: int | None = None) -> None:
            self._gpio, self._level, self._drives = id, 0, False
            self.init(mode, pull, value=value)

        def init(self, mode: int = -1, pull: int = -1, *, value: int | None = None) -> None:
            if mode in (self.OUT, self.OPEN_DRAIN):
                self._drives = True
                self.value(self._level if value is None else value)
            elif mode == self.IN:
                self._drives = False
                board.set_pin(self._gpio, None, pull_up=pull == self.PULL_UP)

        def value(self, level: int | None = None) -> int | None:
            if level is None:
                return board.pin(self._gpio)
            self._level = 1 if level else 0
            if self._drives:
                board.set_pin(self._gpio, self._level)
            return None

        __call__ = value

        def on(self) -> None:
            self.value(1)

        def off(self) -> None:
            self.value(0)

        high, low = on, off

    class _Spi:
        def __init__(self, id: int, baudrate: int = 1_000_000, **_: object) -> None:
            self.init()

        def init(self, **_: object) -> None: ...

        def write(self, buffer: bytes) -> None:
            board.exchange(bytes(buffer))

        def write_readinto(self, sent: bytes, received: bytearray) -> None:
            received[:] = board.exchange(bytes(sent))

        def readinto(self, received: bytearray, write: int = 0) -> None:
            received[:] = board.exchange(bytes([write]) * len(received))

    class _I2c:
        def __init__(self, id: int, **_: object) -> None:
            if id != 0:
                raise ValueError("only I2C0 has something on it")

        def scan(self) -> list[int]:
            return [address for address in range(0x08, 0x78) if board.i2c_write(address, b"")]

        def writeto_mem(self, addr: int, memaddr: int, buf: bytes, *, addrsize: int = 8) -> None:
            if not board.i2c_write(addr, bytes([memaddr]) + bytes(buf)):
                raise OSError(19)

        def readfrom_mem_into(self, addr: int, memaddr: int, buf: bytearray, *, addrsize: int = 8) -> None:
            seen = board.i2c_read(addr, len(buf)) if board.i2c_write(addr, bytes([memaddr])) else None
            if seen is None:
                raise OSError(19)
            buf[:] = seen

    def channel(number: int) -> SimpleNamespace:
        return SimpleNamespace(read_u16=board.sensor if number == 4 else lambda: 0)

    def watchdog(id: int = 0, timeout: int = 5000) -> SimpleNamespace:
        return SimpleNamespace(feed=lambda: None)

    services: dict[str, Callable[..., Any]] = {
        "Pin": _Pin, "SPI": _Spi, "I2C": _I2c, "ADC": channel, "WDT": watchdog,
        "unique_id": lambda: board.unique_id,
    }  # fmt: skip
    return SimpleNamespace(**services, mem32={0x40058000: 0})
