"""The board as a process: firmware in MicroPython, the model beneath it, and its end of the cable to us."""

from __future__ import annotations

import contextlib
import hmac
import json
import os
import random
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import TracebackType

from pinwright.cable.pins import Pin
from pinwright.errors import LinkLost, OwnBug

from .bench import Bench
from .board import VirtualBoard
from .kept import keep

_SHIM = Path(__file__).resolve().parent / "shim"
_HOST = Path(__file__).resolve().parents[2]
_CTRL_C = b"\x03"
_CANCEL = b"\x18"  # what Ctrl-C is at a prompt
_GREETING_S = 5.0  # for a connection to show its token
_AGAIN_S = 0.05  # MicroPython ends at a second SIGINT before it has seen the first
_ASLEEP_S, _LOOK_S = 0.5, 0.0005  # for how long to wait until it waits itself, and how often to look

# What travels between shim/machine.py and here; the table stands there.
_PULL_UP, _LOW, _HIGH, _LET_GO, _LEVEL, _SPI_WRITE, _SPI_EXCHANGE = 0x00, 0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0
_RESYNC, _BEGINS, _ENDED, _HARD, _SOFT, _SOFT_RAW, _OFF = 0xE0, 0xE1, 0xE2, 0xE4, 0xE5, 0xE6, 0xE7
_I2C_WRITE, _I2C_READ, _I2C_REGISTER, _SENSOR, _WATCH, _FED, _WATCHES, _WATCH_ENABLE = range(0xE8, 0xF0)
# Bytes that such an operation begins with, where it is more than one.
_HEADS = {_I2C_WRITE: 3, _I2C_READ: 3, _I2C_REGISTER: 4, _WATCH: 3, _WATCH_ENABLE: 2}
_CONCERN_IT = (_BEGINS, _ENDED, _HARD, _SOFT, _SOFT_RAW, _OFF)
_LEVELS = {_PULL_UP: None, _LET_GO: None, _LOW: 0, _HIGH: 1}
_CAN_BE_PUT = hasattr(os, "sched_setaffinity")  # a process on a processor
_MARK = b"\xa5\x5aPINWRIGHT\x5a\xa5"


def find_micropython() -> str | None:
    """The `micropython` command: beside this Python, else on the PATH."""
    beside = Path(sys.executable).parent
    return shutil.which("micropython", path=str(beside)) or shutil.which("micropython")


class Watchdog:
    """The processor's: off at first, and after it has bitten. bite: called in a thread of its own."""

    def __init__(self, bite: Callable[[], None]) -> None:
        self._bite = bite
        self._timeout_s = 0.0
        self._deadline = 0.0
        self._on = False
        self._closed = False
        self._news = threading.Condition()
        self._thread: threading.Thread | None = None

    def start(self, timeout_ms: int) -> None:
        """On, to be fed as often as that."""
        self._timeout_s = timeout_ms / 1000
        self.enable(True)

    def feed(self) -> None:
        """Not now: count from the beginning."""
        self._deadline = time.monotonic() + self._timeout_s  # the thread looks when the old one has passed

    @property
    def on(self) -> bool:
        return self._on

    def enable(self, on: bool) -> None:
        """On with the time that it was given last, or off."""
        with self._news:
            self.feed()
            self._on = on
            if on and self._thread is None:
                self._thread = threading.Thread(target=self._wait, name="watchdog", daemon=True)
                self._thread.start()
            self._news.notify()

    def close(self) -> None:
        """Off for good. Must not be called while `bite` waits for the caller."""
        with self._news:
            self._closed, self._on = True, False
            self._news.notify()
        if self._thread is not None:
            self._thread.join(5)

    def _wait(self) -> None:
        while True:
            with self._news:
                if self._closed:
                    return
                left = self._deadline - time.monotonic()
                if not self._on or left > 0:
                    self._news.wait(left if self._on else None)
                    continue
                self._on = False
            self._bite()


class BoardServer:
    """Answers the shims of one board's interpreters, one after another, over a local socket in a thread.

    told: is given the operations that concern the interpreter itself, and returns when they are done; a hard
    reset too when the watchdog bites, from another thread.
    """

    def __init__(self, board: VirtualBoard, told: Callable[[int], None]) -> None:
        self.board = board
        self.token = secrets.token_hex(16)
        self.engine = ""
        self._told = told
        self.watchdog = Watchdog(lambda: told(_HARD))
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._plug: socket.socket | None = None
        self._closing = False
        self._cut = False
        self._at_work = threading.RLock()  # whoever holds it keeps the interpreter's wires still
        self._processor = random.choice(sorted(os.sched_getaffinity(0))) if _CAN_BE_PUT else None
        self._thread = threading.Thread(target=self._serve, name="virtual board", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._closing = True
        self.watchdog.close()
        with contextlib.suppress(OSError):  # wakes `accept`
            socket.create_connection(("127.0.0.1", self.port), 1).close()
        if self._plug is not None:
            with contextlib.suppress(OSError):
                self._plug.shutdown(socket.SHUT_RDWR)
        self._thread.join(5)

    def still(self) -> contextlib.AbstractContextManager[object]:
        """A block in which nothing happens at the wires, and whoever waits for an answer keeps waiting."""
        return self._at_work

    @contextlib.contextmanager
    def cut(self) -> Iterator[None]:
        """What this interpreter has sent and still sends does nothing any more; in the block its wires are
        still already."""
        with self._at_work:
            self._cut = True
            yield

    def put_beside(self, pid: int) -> None:
        """Put a process on the processor that answers it, where that can be done: the two always wait for
        each other, and waking another processor takes ten times as long as the answer does."""
        if self._processor is not None:
            with contextlib.suppress(OSError):  # it has ended
                os.sched_setaffinity(pid, {self._processor})

    def _serve(self) -> None:
        self.put_beside(0)  # this thread
        with self._listener:
            while not self._closing:
                with contextlib.suppress(OSError):  # closed from either side: nobody is left to answer
                    self._plug, _ = self._listener.accept()
                    self._cut = False
                    with self._plug:
                        rest = self._greet(self._plug)
                        if rest is not None:
                            self._answer(self._plug, rest)

    def _greet(self, plug: socket.socket) -> bytes | None:
        """Read `TOKEN ENGINE VERSION`; returns what came after that line, or None for a stranger."""
        plug.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        plug.settimeout(_GREETING_S)
        head = b""
        with contextlib.suppress(OSError):
            while b"\n" not in head and len(head) < 256 and (part := plug.recv(4096)):
                head += part
        plug.settimeout(None)
        line, _, rest = head.partition(b"\n")
        token, _, engine = line.partition(b" ")
        if not hmac.compare_digest(token, self.token.encode()):
            return None
        self.engine = engine.decode(errors="replace")
        return rest

    def _answer(self, plug: socket.socket, data: bytes) -> None:
        while True:
            with self._at_work:
                if self._cut:
                    return
                at, answers = self._do(data)
            if answers:
                plug.sendall(answers)
            data = data[at:]
            if data and data[0] in _CONCERN_IT and not self._cut:
                self._told(data[0])
                if data[0] in (_BEGINS, _ENDED):
                    plug.sendall(b"\0")
                data = data[1:]
                continue
            more = plug.recv(4096)
            if not more:
                return
            data += more

    def _do(self, data: bytes) -> tuple[int, bytes]:
        """Do what is there, up to an operation that concerns the interpreter. Returns where that ends, and
        the answers."""
        board, at, end, answers = self.board, 0, len(data), b""
        while at < end and not self._cut:
            operation = data[at]
            kind = operation & 0xE0
            if kind in (_SPI_WRITE, _SPI_EXCHANGE):  # most of all there is
                stop = at + 2 + data[at + 1] if at + 1 < end else end + 1
                if stop > end:
                    break
                seen = board.exchange(data[at + 2 : stop])
                if kind == _SPI_EXCHANGE:
                    answers += seen
            elif kind == _LEVEL:
                stop = at + 1
                answers += bytes([board.pin(operation & 0x1F)])
            elif kind != _RESYNC:
                stop = at + 1
                board.set_pin(operation & 0x1F, _LEVELS[kind], kind == _PULL_UP)
            else:
                stop = at + _HEADS.get(operation, 1)
                if stop <= end and operation == _I2C_WRITE:
                    stop += data[at + 2]
                if stop > end or operation in _CONCERN_IT:
                    break
                answers += self._answer_to(operation, data[at + 1 : stop])
            at = stop
        return at, answers

    def _answer_to(self, operation: int, told: bytes) -> bytes:
        """Do one of the rarer operations, with what came after it. Returns its answer; none: b""."""
        board, watchdog = self.board, self.watchdog
        if operation == _RESYNC:
            return _MARK
        if operation == _I2C_WRITE:
            return bytes([board.i2c_write(told[0], told[2:])])
        if operation in (_I2C_READ, _I2C_REGISTER):
            there = operation == _I2C_READ or board.i2c_write(told[0], told[1:2])
            read = board.i2c_read(told[0], told[-1]) if there else None
            return bytes(1 + told[-1]) if read is None else b"\1" + read
        if operation == _SENSOR:
            return board.sensor().to_bytes(2, "big")
        if operation == _WATCHES:
            return bytes([watchdog.on])
        if operation == _WATCH:
            watchdog.start(int.from_bytes(told, "big"))
        elif operation == _WATCH_ENABLE:
            watchdog.enable(bool(told[0]))
        elif operation == _FED:
            watchdog.feed()
        return b""


class VirtualTester:
    """A running virtual board, and its end of the line to us (`name`, `write`, `read`, `close`).

    firmware: the folder whose .py files are on the board at first; None for a board with MicroPython alone.
    flash: where the board keeps its files; without it, in a folder that is removed at the end. heap_kib: the
    memory MicroPython gets. heard: called when there is something to read. hard_reset: called when the board
    vanishes for a moment, as by its reset button. kept: the files that it was given as those of a calibrated
    board.

    Starts in the constructor; `close` (or leaving the `with` block) ends the process, always.
    """

    name = "sim"

    def __init__(
        self,
        bench: Bench,
        point_of: Mapping[Pin, int],
        firmware: Path | None,
        heap_kib: int = 192,
        *,
        flash: Path | None = None,
        heard: Callable[[], None] = lambda: None,
        hard_reset: Callable[[], None] = lambda: None,
    ) -> None:
        self.board = VirtualBoard(bench, point_of)
        self.kept: dict[str, bytes] = {}
        self._heap_kib = heap_kib
        self._heard = heard
        self._hard_reset = hard_reset
        self._micropython = find_micropython()
        self._replies_left = bench.tester.drop_reply
        self._line = b""  # the beginning of a line of which it is not known whether it is to be cut
        self._arrived = bytearray()
        self._ended = ""  # how, once it has
        self._reported = False  # what the firmware has broken
        self._news = threading.Condition()
        self._again: str | None = None  # how the next interpreter starts; None: not at all
        self._mode: int | None = None  # _BEGINS: a program runs; _ENDED: a prompt; None: not yet known
        self._held = b""  # what came before that was known
        self._interrupted = 0.0
        self._typing = threading.RLock()
        self._folder = tempfile.TemporaryDirectory(prefix="pinwright-sim-", ignore_cleanup_errors=True)
        self.flash = flash or Path(self._folder.name)
        self._server = BoardServer(self.board, self._told)
        try:
            self._fill(firmware, bench)
            with self._typing:  # it may speak before this is done
                self._process = self._start("power")
        except BaseException:
            self._server.close()
            self._folder.cleanup()
            raise
        self._reader = threading.Thread(target=self._run, name="virtual board's output", daemon=True)
        self._reader.start()

    def _fill(self, firmware: Path | None, bench: Bench) -> None:
        if firmware is None:
            return
        for file in sorted(firmware.rglob("*.py")):
            copy = self.flash / file.relative_to(firmware)
            copy.parent.mkdir(exist_ok=True)
            shutil.copyfile(file, copy)
        about = self.flash / "board.json"
        if not about.exists():
            about.write_text(json.dumps(bench.tester.board_file()), encoding="utf-8")
        self.kept = keep(self.flash, bench.tester)

    def _start(self, how: str) -> subprocess.Popen[bytes]:
        command = (
            [self._micropython, "-X", f"heapsize={self._heap_kib}K", str(_SHIM / "console.py")]
            if self._micropython
            else [sys.executable, "-u", "-m", f"{__package__}.engine"]  # -u: what it says is said at once
        )
        started = subprocess.Popen(
            command,
            env=self._environment(how),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            bufsize=0,
            # Ctrl-C at the keyboard is for the host, which then passes it on.
            start_new_session=True,
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        )
        self._server.put_beside(started.pid)
        return started

    def _environment(self, how: str) -> dict[str, str]:
        added = {
            "MICROPYPATH": f"{_SHIM}:.frozen",
            "PINWRIGHT_PORT": str(self._server.port),
            "PINWRIGHT_TOKEN": self._server.token,
            "PINWRIGHT_BOARD_ID": self.board.unique_id.hex(),
            "PINWRIGHT_FLASH": str(self.flash.resolve()),
            "PINWRIGHT_START": how,
        }
        if not self._micropython:
            inherited = os.environ.get("PYTHONPATH")
            added["PYTHONPATH"] = os.pathsep.join([str(_HOST), *([inherited] if inherited else [])])
        return {**os.environ, **added}

    def __enter__(self) -> VirtualTester:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def engine(self) -> str:
        """What runs the firmware: `MicroPython 1.29.0`, `CPython 3.12.4`; no version until it has spoken."""
        return self._server.engine or ("MicroPython" if self._micropython else "CPython")

    def write(self, data: bytes) -> None:
        """Send bytes to the board. 0x03 interrupts a running program, as on a real one. Raises LinkLost."""
        first, *others = data.split(_CTRL_C)
        self._write(first)
        for part in others:
            with self._server.still():
                self._write(_CTRL_C)
            self._write(part)

    def _write(self, data: bytes, at_once: bool = False) -> None:
        """Bytes without Ctrl-C; or Ctrl-C alone, at once or while whoever calls keeps the wires still."""
        with self._typing:
            if self._mode is None and not self._ended:
                self._held += data
            elif data == _CTRL_C:
                self._press_ctrl_c(at_once)
            else:
                self._type(data)

    def read(self, timeout_s: float) -> bytes:
        """What has arrived, waiting for the first byte; b"" = nothing came in time. Raises LinkLost."""
        with self._news:
            self._news.wait_for(lambda: self._arrived or self._ended, timeout_s)
            if self._arrived:
                data = bytes(self._arrived)
                self._arrived.clear()
                return data
            ended = self._ended
        if ended:
            raise LinkLost(ended)
        return b""

    def interrupt(self) -> None:
        """Ctrl-C on the board."""
        with contextlib.suppress(LinkLost):
            self.write(_CTRL_C)

    def strike(self) -> None:
        """Ctrl-C at this very moment of a program, wherever it is; it must not be getting memory just now."""
        with contextlib.suppress(LinkLost):
            self._write(_CTRL_C, at_once=True)

    def again(self, timeout_s: float) -> bool:
        """A process that has ended does not come back."""
        return False

    def reset(self) -> None:
        """The reset button."""
        self._told(_HARD)

    def close(self) -> None:
        """End the process, wait for it, and remove its folder. Closing twice does nothing more.

        Raises OwnBug if the firmware has broken a rule that protects parts; not where another error is on its
        way out, which it would hide.
        """
        with self._typing:
            self._ended = self._ended or "the virtual tester was closed"
            self._again = None
            self._process.kill()
        self._reader.join(10)
        self._server.close()
        self._folder.cleanup()
        breaches = self.board.breaches()
        if breaches and not self._reported and sys.exc_info()[1] is None:
            self._reported = True
            raise OwnBug(f"the firmware would have hurt a real board: {'; '.join(breaches)}")

    def _type(self, data: bytes) -> None:
        assert self._process.stdin is not None
        view = memoryview(data)
        try:
            while view:
                view = view[self._process.stdin.write(view) or 0 :]
        except (OSError, ValueError):  # ValueError: closed on our side
            if not self._again:
                raise LinkLost(self._how_it_ended()) from None

    def _press_ctrl_c(self, at_once: bool) -> None:
        if self._mode == _ENDED:
            self._type(_CANCEL)
        elif self._micropython is None:
            self._type(_CTRL_C)
        elif (now := time.monotonic()) - self._interrupted > _AGAIN_S:
            self._interrupted = now
            if not at_once:
                self._wait_until_asleep()
            self._process.send_signal(signal.SIGINT)  # does nothing once the process has ended

    def _wait_until_asleep(self) -> None:
        """A board's MicroPython heeds Ctrl-C between two steps of a program. On a computer it jumps away at
        once, also out of the middle of getting memory, and may find its heap locked for ever. So it is struck
        while it waits: for an answer, which it does not get meanwhile, for a line, or for a time to pass. A
        program that only computes is struck in the end. Source: the unix port of MicroPython 1.29, by trial.
        """
        state = Path(f"/proc/{self._process.pid}/stat")
        end = time.monotonic() + _ASLEEP_S
        with contextlib.suppress(OSError, IndexError):  # it has ended, or this system has no such file
            while state.read_text().rpartition(")")[2].split()[0] == "R" and time.monotonic() < end:
                time.sleep(_LOOK_S)

    def _told(self, operation: int) -> None:
        """What the interpreter says of itself, before it is answered."""
        still = self._server.cut() if operation == _HARD else self._server.still()
        with still, self._typing:  # in this order: whoever is at the wires may type, as tests do
            if operation in (_BEGINS, _ENDED):
                held, self._held, self._mode = self._held, b"", operation
                self._interrupted = 0.0  # it has been seen
                with contextlib.suppress(LinkLost):
                    self.write(held)
                return
            starts = {_HARD: "power", _SOFT: "soft", _SOFT_RAW: "raw", _OFF: None}
            self._again = starts[operation] if not self._ended else None
            self._mode = None
            if operation in (_HARD, _OFF):
                self._server.watchdog.enable(False)
            if operation == _HARD:
                self.board.let_go_pins()
                self._held = b""
                self._hard_reset()
            self._process.kill()

    def _run(self) -> None:
        """Pass on what one interpreter after another says."""
        while True:
            stdout, stdin = self._process.stdout, self._process.stdin
            assert stdout is not None
            assert stdin is not None
            while data := os.read(stdout.fileno(), 65536):
                with self._news:
                    self._arrived += self._with_a_reply_cut(data)
                    self._news.notify_all()
                self._heard()
            with self._typing:
                ended = self._how_it_ended()
                with contextlib.suppress(OSError):
                    stdin.close()
                stdout.close()
                again, self._again = self._again, None
                if again:
                    self._mode = None
                    self._process = self._start(again)
                else:
                    break
        with self._news:
            self._arrived += self._line
            self._ended = self._ended or ended
            self._news.notify_all()
        self._heard()

    def _how_it_ended(self) -> str:
        try:
            return f"the virtual tester has ended (exit status {self._process.wait(2)})"
        except subprocess.TimeoutExpired:
            self._process.kill()
            return "the virtual tester has closed its output"

    def _with_a_reply_cut(self, data: bytes) -> bytes:
        """Pass bytes on; of the reply whose turn it is only the first half, without its newline."""
        if not self._replies_left:
            return data
        *lines, self._line = (self._line + data).splitlines(keepends=True) or [b""]
        if self._line.endswith(b"\n"):
            lines.append(self._line)
            self._line = b""
        passed = b""
        for line in lines:
            if line.startswith(b"<") and b" busy " not in line and self._replies_left:
                self._replies_left -= 1
                if not self._replies_left:
                    line = line[: len(line) // 2]
            passed += line
        if not self._replies_left:
            passed, self._line = passed + self._line, b""
        return passed
