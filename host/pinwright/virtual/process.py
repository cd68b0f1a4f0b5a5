"""The board as a process: firmware in MicroPython, the model beneath it, and a link to talk to it."""

from __future__ import annotations

import contextlib
import hmac
import json
import os
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType

from pinwright.cable.pins import Pin
from pinwright.errors import LinkLost

from .bench import Bench
from .board import VirtualBoard

_SHIM = Path(__file__).resolve().parent / "shim"
_HOST = Path(__file__).resolve().parents[2]
_CTRL_C = b"\x03"
_GREETING_S = 5.0  # for a connection to show its token

# What travels between shim/machine.py and here; the table stands there.
_LOW, _HIGH, _LET_GO, _LEVEL, _SPI_WRITE, _SPI_EXCHANGE, _RESYNC = 0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0, 0xE0
_MARK = b"\xa5\x5aPINWRIGHT\x5a\xa5"


def find_micropython() -> str | None:
    """The `micropython` command: beside this Python, else on the PATH."""
    beside = Path(sys.executable).parent
    return shutil.which("micropython", path=str(beside)) or shutil.which("micropython")


class BoardServer:
    """Answers the shim of one process over a local socket, in a thread of its own."""

    def __init__(self, board: VirtualBoard) -> None:
        self.board = board
        self.token = secrets.token_hex(16)
        self.engine = ""
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._plug: socket.socket | None = None
        self._closing = False
        self._thread = threading.Thread(target=self._serve, name="virtual board", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._closing = True
        with contextlib.suppress(OSError):  # wakes `accept`; refused once the process has connected
            socket.create_connection(("127.0.0.1", self.port), 1).close()
        if self._plug is not None:
            with contextlib.suppress(OSError):
                self._plug.shutdown(socket.SHUT_RDWR)
        self._thread.join(5)

    def _serve(self) -> None:
        with contextlib.suppress(OSError):  # closed from either side: nobody is left to answer
            while not self._closing:
                self._plug, _ = self._listener.accept()
                with self._plug:
                    rest = self._greet(self._plug)
                    if rest is not None:
                        self._listener.close()  # one board, one process
                        self._answer(self._plug, rest)
        self._listener.close()

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
        board = self.board
        while True:
            at, end = 0, len(data)
            while at < end:
                operation, gpio = data[at] & 0xE0, data[at] & 0x1F
                if operation in (_SPI_WRITE, _SPI_EXCHANGE):
                    if at + 2 > end or at + 2 + data[at + 1] > end:
                        break
                    stop = at + 2 + data[at + 1]
                    seen = board.exchange(data[at + 2 : stop])
                    if operation == _SPI_EXCHANGE:
                        plug.sendall(seen)
                    at = stop
                    continue
                if operation == _LEVEL:
                    plug.sendall(bytes([board.pin(gpio)]))
                elif operation == _RESYNC:
                    plug.sendall(_MARK)
                else:
                    board.set_pin(gpio, {_LOW: 0, _HIGH: 1}.get(operation))
                at += 1
            more = plug.recv(4096)
            if not more:
                return
            data = data[at:] + more


class VirtualTester:
    """A running virtual board, and the link to it (`name`, `write`, `read`, `close`).

    firmware: the folder with main.py. heap_kib: the memory MicroPython gets. Starts in the constructor;
    `close` (or leaving the `with` block) ends the process and removes its folder, always.
    """

    name = "sim"

    def __init__(
        self, bench: Bench, point_of: Mapping[Pin, int], firmware: Path, heap_kib: int = 192
    ) -> None:
        self.board = VirtualBoard(bench, point_of)
        firmware = firmware.resolve()
        micropython = find_micropython()
        self._native = micropython is not None
        self._replies_left = bench.tester.drop_reply
        self._line = b""  # the beginning of a line of which it is not known whether it is to be cut
        self._arrived = bytearray()
        self._ended = False
        self._news = threading.Condition()
        self._folder = tempfile.TemporaryDirectory(prefix="pinwright-sim-", ignore_cleanup_errors=True)
        self._server = BoardServer(self.board)
        try:
            config = {"fitted": bench.tester.fitted, "name": "virtual"}
            Path(self._folder.name, "board.json").write_text(json.dumps(config), encoding="utf-8")
            command = (
                [micropython, "-X", f"heapsize={heap_kib}K", str(firmware / "main.py")]
                if micropython
                else [sys.executable, "-m", f"{__package__}.engine", str(firmware)]
            )
            self._process = subprocess.Popen(
                command,
                cwd=self._folder.name,
                env=self._environment(firmware),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                bufsize=0,
                start_new_session=True,  # Ctrl-C at the keyboard is for the host, which then passes it on
            )
        except BaseException:
            self._server.close()
            self._folder.cleanup()
            raise
        self._reader = threading.Thread(target=self._pump, name="virtual board's output", daemon=True)
        self._reader.start()

    def _environment(self, firmware: Path) -> dict[str, str]:
        server = self._server
        added = {
            "MICROPYPATH": f"{_SHIM}:{firmware}:.frozen",
            "PINWRIGHT_PORT": str(server.port),
            "PINWRIGHT_TOKEN": server.token,
            "PINWRIGHT_BOARD_ID": self.board.unique_id.hex(),
        }
        if not self._native:
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
        return self._server.engine or ("MicroPython" if self._native else "CPython")

    def write(self, data: bytes) -> None:
        """Send bytes to the board. 0x03 interrupts it, as on a real one. Raises LinkLost."""
        assert self._process.stdin is not None
        for index, part in enumerate(data.split(_CTRL_C)):
            if index:
                self.interrupt()
            view = memoryview(part)
            try:
                while view:
                    view = view[self._process.stdin.write(view) or 0 :]
            except (OSError, ValueError):  # ValueError: closed on our side
                raise self._lost() from None

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
            raise self._lost()
        return b""

    def interrupt(self) -> None:
        """Ctrl-C on the board."""
        assert self._process.stdin is not None
        if self._native:
            self._process.send_signal(signal.SIGINT)  # does nothing once the process has ended
        else:
            with contextlib.suppress(OSError, ValueError):
                self._process.stdin.write(_CTRL_C)

    def close(self) -> None:
        """End the process, wait for it, and remove its folder. Closing twice does nothing more."""
        process = self._process
        assert process.stdin is not None
        assert process.stdout is not None
        with contextlib.suppress(OSError):
            process.stdin.close()
        process.kill()
        process.wait()
        self._server.close()
        self._reader.join(5)
        process.stdout.close()
        self._folder.cleanup()

    def _lost(self) -> LinkLost:
        try:
            status: object = self._process.wait(1)
        except subprocess.TimeoutExpired:
            return LinkLost("the virtual tester has closed its output but is still running")
        return LinkLost(f"the virtual tester has ended (exit status {status})")

    def _pump(self) -> None:
        assert self._process.stdout is not None
        while data := os.read(self._process.stdout.fileno(), 65536):
            with self._news:
                self._arrived += self._with_a_reply_cut(data)
                self._news.notify_all()
        with self._news:
            self._arrived += self._line
            self._ended = True
            self._news.notify_all()

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
            if line.startswith(b"<") and self._replies_left:
                self._replies_left -= 1
                if not self._replies_left:
                    line = line[: len(line) // 2]
            passed += line
        if not self._replies_left:
            passed, self._line = passed + self._line, b""
        return passed
