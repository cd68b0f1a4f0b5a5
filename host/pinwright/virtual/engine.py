"""Run firmware under CPython, where no MicroPython is to be had: `python -m pinwright.virtual.engine`.

Adds what MicroPython has and CPython lacks, then runs shim/console.py as a board would. A thread reads
standard input: 0x03 becomes KeyboardInterrupt as on a board, and `select.poll` works without POSIX.
At the end of input the process ends a second later, whatever the firmware does: its host is gone.
"""

from __future__ import annotations

import _thread
import builtins
import errno
import gc
import io
import os
import runpy
import select
import signal
import sys
import threading
import time
import traceback
from pathlib import Path
from typing import Any

_SHIMS = Path(__file__).resolve().parent
_TICKS = 1 << 30
_CTRL_C = 0x03
_GRACE_S = 1.0


class _Input:
    """Standard input, readable byte by byte, with a way to wait for it."""

    def __init__(self) -> None:
        self._bytes = bytearray()
        self._ended = False
        self._news = threading.Condition()
        self.buffer = self
        threading.Thread(target=self._pump, daemon=True).start()

    def _pump(self) -> None:
        while data := os.read(0, 4096):
            for _ in range(data.count(_CTRL_C)):
                _thread.interrupt_main()
            with self._news:
                self._bytes += data.replace(bytes([_CTRL_C]), b"")
                self._news.notify_all()
        with self._news:
            self._ended = True
            self._news.notify_all()
        time.sleep(_GRACE_S)
        os._exit(1)

    def wait(self, timeout_s: float | None) -> bool:
        """Whether a read would return at once."""
        with self._news:
            # Short waits, because on Windows a longer one cannot be interrupted.
            until = None if timeout_s is None else time.monotonic() + timeout_s
            while not (self._bytes or self._ended):
                left = 0.05 if until is None else min(0.05, until - time.monotonic())
                if left <= 0:
                    return False
                self._news.wait(left)
            return True

    def read(self, size: int = -1) -> bytes:
        wanted = bytearray()
        while size < 0 or len(wanted) < size:
            self.wait(None)
            with self._news:
                part = self._bytes[: size - len(wanted)] if size >= 0 else self._bytes[:]
                if not part:
                    break
                wanted += part
                del self._bytes[: len(part)]
        return bytes(wanted)

    def readline(self, size: int = -1) -> bytes:
        line = b""
        while len(line) != size and not line.endswith(b"\n") and (byte := self.read(1)):
            line += byte
        return line


class _TextInput:
    def __init__(self, buffer: _Input) -> None:
        self.buffer = buffer

    def read(self, size: int = -1) -> str:
        return self.buffer.read(size).decode()

    def readline(self, size: int = -1) -> str:
        return self.buffer.readline(size).decode()


class _Poll:
    """select.poll for standard input alone; anything else registered is always ready to be written."""

    def __init__(self) -> None:
        self._registered: list[tuple[Any, int]] = []

    def register(self, thing: Any, mask: int = 1 | 4) -> None:
        self._registered.append((thing, mask))

    def unregister(self, thing: Any) -> None:
        self._registered = [entry for entry in self._registered if entry[0] is not thing]

    def poll(self, timeout_ms: int = -1) -> list[tuple[Any, int]]:
        ready = []
        for thing, mask in self._registered:
            source = getattr(thing, "buffer", thing)
            if not isinstance(source, _Input):
                ready.append((thing, mask & 4))
            elif source.wait(None if timeout_ms < 0 else timeout_ms / 1000):
                ready.append((thing, mask & 1))
        return ready

    ipoll = poll


def _print_exception(error: BaseException, file: Any = None) -> None:
    lines = traceback.format_exception(error)
    number = (error.errno or 0) if isinstance(error, OSError) else 0
    if number in errno.errorcode:  # as MicroPython says it
        lines[-1] = f"OSError: [Errno {number}] {errno.errorcode[number]}\n"
    (file or sys.stdout).write("".join(lines))


def _ilistdir(path: str = ".") -> list[tuple[str, int, int, int]]:
    """Name, kind (as in st_mode), inode, size. Source: MicroPython documentation, `os.ilistdir`."""
    with os.scandir(path) as entries:
        return [
            (entry.name, 0x4000 if entry.is_dir() else 0x8000, 0, entry.stat().st_size) for entry in entries
        ]


def prepare() -> None:
    """Give this interpreter MicroPython's additions."""
    source = _Input()
    additions: dict[Any, dict[str, Any]] = {
        sys: {"stdin": _TextInput(source), "print_exception": _print_exception},
        select: {"poll": _Poll, "POLLIN": 1, "POLLOUT": 4, "POLLERR": 8, "POLLHUP": 16},
        os: {"ilistdir": _ilistdir},
        gc: {"mem_free": lambda: 1 << 20, "mem_alloc": lambda: 0},
        time: {
            "sleep_us": lambda us: time.sleep(max(0, us) / 1e6),
            "sleep_ms": lambda ms: time.sleep(max(0, ms) / 1e3),
            "ticks_us": lambda: time.monotonic_ns() // 1000 % _TICKS,
            "ticks_ms": lambda: time.monotonic_ns() // 1_000_000 % _TICKS,
            "ticks_add": lambda ticks, delta: (ticks + delta) % _TICKS,
            "ticks_diff": lambda end, start: (end - start + _TICKS // 2) % _TICKS - _TICKS // 2,
        },
        builtins: {"ptr8": lambda buffer: buffer, "uint": int},
    }
    for module, names in additions.items():
        for name, value in names.items():
            setattr(module, name, value)
    assert isinstance(sys.stdout, io.TextIOWrapper)
    sys.stdout.reconfigure(newline="\n", write_through=True, encoding="utf-8")


def main() -> None:
    """Run the console; the shims come first on the path, as on a board."""
    prepare()
    signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored, it could not interrupt the firmware
    sys.dont_write_bytecode = True  # the board's files are its own
    sys.path[:0] = [str(_SHIMS / "shim"), str(_SHIMS / "shim_cpython")]
    sys.argv = ["console.py"]
    runpy.run_path(str(_SHIMS / "shim" / "console.py"), run_name="__main__")


if __name__ == "__main__":
    main()
