"""A virtual board on a port that any program can open: a pseudo-terminal, or TCP where there is none."""

from __future__ import annotations

import contextlib
import json
import os
import re
import select
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Protocol

from pinwright.cable.pins import Pin
from pinwright.errors import LinkLost, OwnBug

from .bench import Bench
from .board import VirtualBoard
from .kept import keep
from .process import VirtualTester

_AWAY_S = 0.3  # how long a board that was reset is away; a Pico on USB takes about a second
_FULL_S = 0.2  # what nobody takes for so long is dropped, as a board on USB does

Source = socket.socket | int


class Jack(Protocol):
    """The board's side of a port."""

    @property
    def name(self) -> str:
        """What other programs open."""

    def sources(self) -> list[Source]:
        """What `select` has to watch."""

    def read(self, ready: list[Source]) -> bytes:
        """What has come from the program at the other side. Does not wait."""

    def write(self, data: bytes) -> None:
        """Send; what nobody takes is dropped."""

    def unplug(self) -> None:
        """Vanish: whoever has the port open finds it gone. Doing it twice does nothing more."""

    def plug_in(self) -> None:
        """Be there again under the same name."""

    def close(self) -> None:
        """Vanish for good."""


class Pty:
    """A pseudo-terminal, under a name that stays the same when the board is plugged in again."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="pinwright-port-", ignore_cleanup_errors=True)
        self.name = str(Path(self._folder.name, "board"))
        self._ours = self._theirs = -1

    def plug_in(self) -> None:
        import tty

        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        os.symlink(os.ttyname(self._theirs), self.name)

    def unplug(self) -> None:
        if self._ours >= 0:
            os.unlink(self.name)
            os.close(self._ours)
            os.close(self._theirs)  # held open till now: what is sent while no program is there is not lost
        self._ours = self._theirs = -1

    def close(self) -> None:
        self.unplug()
        self._folder.cleanup()

    def sources(self) -> list[Source]:
        return [self._ours] if self._ours >= 0 else []

    def read(self, ready: list[Source]) -> bytes:
        return os.read(self._ours, 4096) if self._ours in ready else b""

    def write(self, data: bytes) -> None:
        while data and self._ours >= 0 and select.select([], [self._ours], [], _FULL_S)[1]:
            with contextlib.suppress(BlockingIOError):
                data = data[os.write(self._ours, data) :]


class Tcp:
    """A listener on 127.0.0.1 for one program at a time; a second one is turned away."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._program: socket.socket | None = None
        self._away = True
        self.name = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"

    def plug_in(self) -> None:
        self._away = False

    def unplug(self) -> None:
        self._away = True
        self._hang_up()

    def close(self) -> None:
        self.unplug()
        self._listener.close()

    def _hang_up(self) -> None:
        if self._program is not None:
            self._program.close()
        self._program = None

    def sources(self) -> list[Source]:
        return [self._listener] if self._program is None else [self._listener, self._program]

    def read(self, ready: list[Source]) -> bytes:
        data = b""
        if self._program in ready and self._program is not None:
            with contextlib.suppress(OSError):
                data = self._program.recv(4096)
            if not data:
                self._hang_up()
        if self._listener in ready:
            with contextlib.suppress(OSError):  # gone again already
                self._welcome(self._listener.accept()[0])
        return data

    def _welcome(self, program: socket.socket) -> None:
        if self._program is not None or self._away:
            program.close()
            return
        self._program = program
        program.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def write(self, data: bytes) -> None:
        if self._program is not None:
            with contextlib.suppress(OSError):
                self._program.settimeout(_FULL_S)
                self._program.sendall(data)


def jack() -> Jack:
    """A pseudo-terminal, or TCP where the machine has none."""
    try:
        import tty  # noqa: F401

        os.close(os.openpty()[0])
        return Pty()
    except (ImportError, AttributeError, OSError):
        return Tcp()


class Port:
    """Keeps a virtual board on a port until it is closed. `board` is the tester, `name` the port.

    bench, point_of, firmware, flash: as for VirtualTester. at: the jack, if not the machine's own kind.
    """

    def __init__(
        self,
        bench: Bench,
        point_of: Mapping[Pin, int],
        firmware: Path | None,
        *,
        flash: Path | None = None,
        at: Jack | None = None,
    ) -> None:
        self._plugged = bench, point_of
        self._folder = tempfile.TemporaryDirectory(prefix="pinwright-flash-", ignore_cleanup_errors=True)
        self._flash = flash or Path(self._folder.name)
        self._jack = at or jack()
        self._ears, self._bell = socket.socketpair()
        self._bell.setblocking(False)
        self._reset = self._closing = False
        self._last = b""  # byte that was passed on
        self._asked: tuple[Callable[[], None], threading.Event] | None = None  # to do; done
        self._broken: OwnBug | None = None  # what a board before this one has done
        try:
            self.board = self._start(firmware)
            self._kept = self.board.kept
        except BaseException:
            self._jack.close()
            self._ears.close()
            self._bell.close()
            self._folder.cleanup()
            raise
        self._jack.plug_in()
        self._thread = threading.Thread(target=self._serve, name="virtual port", daemon=True)
        self._thread.start()

    def _start(self, firmware: Path | None = None) -> VirtualTester:
        return VirtualTester(
            *self._plugged, firmware, flash=self._flash, heard=self._ring, hard_reset=self._ring_for_reset
        )

    @property
    def name(self) -> str:
        """What to open: a path, or `socket://…`."""
        return self._jack.name

    @property
    def alive(self) -> bool:
        """False once the board has ended for good."""
        return self._thread.is_alive()

    def __enter__(self) -> Port:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def plug(self, bench: Bench, point_of: Mapping[Pin, int]) -> None:
        """Put another cable into the tester; into another tester, if that changes too. Raises BenchError."""
        VirtualBoard(bench, point_of)  # is it sound?
        before = self._plugged[0].tester
        self._plugged = bench, point_of
        if bench.tester == before:
            self.board.board.plug(bench, point_of)
            return
        about = self._flash / "board.json"
        if about.exists() and json.loads(about.read_text(encoding="utf-8")) == before.board_file():
            about.write_text(json.dumps(bench.tester.board_file()), encoding="utf-8")
            for name, content in self._kept.items():
                file = self._flash / name
                if file.exists() and file.read_bytes() == content:
                    file.unlink()
            self._kept = keep(self._flash, bench.tester)
        self.replug()

    def replug(self) -> None:
        """Pull the board off its cable and plug it in again: it starts from nothing, its files kept."""
        self._ask(self._replug)

    def unplug(self) -> None:
        """Pull the board off its cable and leave it off."""
        self._ask(self._jack.unplug)

    def _ask(self, what: Callable[[], None]) -> None:
        """Have the thread that serves the jack do it, since it alone may touch it; return when it is done."""
        done = threading.Event()
        self._asked = what, done
        self._ring()
        while self.alive and not done.wait(_AWAY_S):
            pass

    def close(self) -> None:
        """End the board and the port. Closing twice does nothing more. Raises OwnBug as a VirtualTester."""
        self._closing = True
        self._ring()
        self._thread.join(10)
        try:
            self.board.close()
        finally:
            self._jack.close()
            self._ears.close()
            self._bell.close()
            self._folder.cleanup()
        broken, self._broken = self._broken, None
        if broken and sys.exc_info()[1] is None:
            raise broken

    def _ring(self) -> None:
        with contextlib.suppress(OSError):  # full: it will be heard; closed: nobody is to hear it
            self._bell.send(b"!")

    def _ring_for_reset(self) -> None:
        self._reset = True
        self._ring()

    def _serve(self) -> None:
        try:
            while not self._closing:
                ready: list[Source] = select.select([self._ears, *self._jack.sources()], [], [])[0]
                if self._ears in ready:
                    self._ears.recv(4096)
                if self._asked is not None:
                    (what, done), self._asked = self._asked, None
                    what()
                    done.set()
                elif self._reset:
                    self._be_away()
                else:
                    self._pass_on(ready)
        except LinkLost:  # the board has ended
            self._jack.unplug()

    def _pass_on(self, ready: list[Source]) -> None:
        data = self._jack.read(ready)
        if data:
            self.board.write(data)
        if said := self.board.read(0):
            self._jack.write(self._cooked(said))
            self._ring()  # there may be more, or an end; but a board that talks on must not be all we hear

    def _cooked(self, said: bytes) -> bytes:
        """As MicroPython says it on a board: lines end with CR LF."""
        before, self._last = self._last, said[-1:]
        cooked = re.sub(rb"(?<!\r)\n", b"\r\n", said)
        return cooked[1:] if before == b"\r" and said.startswith(b"\n") else cooked

    def _be_away(self) -> None:
        self._jack.unplug()
        time.sleep(_AWAY_S)
        self._reset = False
        self.board.read(0)  # what a board says before its host listens is lost
        self._jack.plug_in()
        self._ring()

    def _replug(self) -> None:
        self._jack.unplug()
        try:
            self.board.close()
        except OwnBug as error:  # for whoever closes the port
            self._broken = error
        time.sleep(_AWAY_S)
        self.board = self._start()
        self._reset = False
        self._jack.plug_in()
