"""The line to a board: pyserial, deadlines, and retries where repeating is safe.

A link is anything with `name`, `write`, `read`, `interrupt` and `close`; a port is one, the virtual
tester another.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Generator
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol, TypeVar

import serial
from serial.tools import list_ports

from pinwright.errors import LinkCorrupt, LinkLost, NoTester, TesterError
from pinwright.tester.frames import Chatter, Decoder, Frame, Garbage, encode
from pinwright.tester.session import Reply, Request, greet

T = TypeVar("T")
TRIES = 3
RASPBERRY_PI = 0x2E8A  # USB vendor id of the Pico with MicroPython: Raspberry Pi's usb-pid list (from memory)
_MOST_CHATTER = 200  # lines kept and shown


class Link(Protocol):
    """Bytes to and from a board."""

    @property
    def name(self) -> str:
        """What a person calls it: the port."""

    def write(self, data: bytes) -> None:
        """Send all of it. Raises LinkLost."""

    def read(self, timeout_s: float) -> bytes:
        """What has come, waiting at most so long for the first byte; b"" if none came. Raises LinkLost."""

    def interrupt(self) -> None:
        """Ctrl-C: whatever the board does, it lets go of every point. Never raises."""

    def close(self) -> None:
        """Let go of the port. Never raises."""


class SerialLink:
    """A port by its name or any pyserial URL, opened for us alone. Raises NoTester if it does not open."""

    def __init__(self, port: str) -> None:
        self.name = port
        try:
            self._port = serial.serial_for_url(
                port, baudrate=115200, timeout=0, write_timeout=2, do_not_open=True
            )
            if hasattr(self._port, "exclusive"):
                self._port.exclusive = True
            self._port.open()
        except (OSError, ValueError, serial.SerialException) as error:
            raise NoTester(f"`{port}` does not open: {_plain(error)}", hint=_opening_hint(error)) from None

    def write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except (OSError, serial.SerialException) as error:
            raise LinkLost(f"`{self.name}` stopped taking data: {_plain(error)}") from None

    def read(self, timeout_s: float) -> bytes:
        try:
            self._port.timeout = max(timeout_s, 0)
            first: bytes = self._port.read(1)
            if not first:
                return b""
            self._port.timeout = 0
            rest: bytes = self._port.read(4096)
            return first + rest
        except (OSError, TypeError, serial.SerialException) as error:
            raise LinkLost(f"`{self.name}` is gone: {_plain(error)}") from None

    def interrupt(self) -> None:
        with suppress(OSError, serial.SerialException):
            try:
                self._port.write(b"\x03")  # ends main.py: every point is let go
                time.sleep(0.2)
            finally:  # at the prompt that is left: start again, even if interrupted once more
                self._port.write(b"\x04")

    def close(self) -> None:
        with suppress(OSError, serial.SerialException):
            self._port.close()


def _plain(error: Exception) -> str:
    text = str(error) or type(error).__name__
    return text.splitlines()[0]


def _opening_hint(error: Exception) -> str:
    text = str(error).lower()
    if "permission" in text or "access is denied" in text:
        return (
            "another program may have it open, or your user may not use serial ports (Linux: group `dialout`)"
        )
    if "could not exclusively lock" in text or "busy" in text:
        return "another program has it open: close it"
    return "is the board plugged in? `pinwright scan` without `--port` lists the ports it sees"


@dataclass(slots=True)
class Line:
    """Requests over a link, one at a time. hear: is given every line of chatter as it comes."""

    link: Link
    hear: Callable[[str], None]
    seq: int = 0
    heard: int = 0
    last_words: str = ""
    decoder: Decoder | None = None

    def ask(self, request: Request) -> Reply:
        """The words of the reply. Repeatable requests are sent up to TRIES times.

        Raises LinkLost after silence, LinkCorrupt after garbage or a reply to something else.
        """
        if self.decoder is None:
            self.decoder = Decoder()
            self.link.write(b"\n")  # ends whatever stands half-typed on the board
        previous, self.seq = self.seq, self.seq % 255 + 1
        line = encode(self.seq, request.words)
        trouble = ""
        for _ in range(TRIES if request.repeatable else 1):
            self.link.write(line)
            reply, trouble = self._listen(self.decoder, previous, request)
            if reply is not None:
                return reply
        verb = request.words.split(" ")[0]
        if trouble:
            raise LinkCorrupt(
                f"what `{self.link.name}` answers to `{verb}` cannot be read: {trouble}",
                hint="check the cable to the board; if it is not a tester, choose another `--port`",
            )
        said = f"; it said: {self.last_words}" if self.last_words else ""
        raise LinkLost(
            f"`{self.link.name}` does not answer `{verb}` within {request.deadline_s:g} s{said}",
            hint="is it a tester, and does its firmware run? Unplug it, plug it in, and try again",
        )

    def _listen(self, decoder: Decoder, previous: int, request: Request) -> tuple[Reply | None, str]:
        """Until the deadline: the reply to the present request, or what came instead."""
        deadline = time.monotonic() + request.deadline_s
        trouble = stray = ""
        while (left := deadline - time.monotonic()) > 0 and not trouble:
            try:
                data = self.link.read(left)
            except LinkLost as lost:
                said = f"; it said: {self.last_words}" if self.last_words else ""
                raise LinkLost(lost.message + said, hint=lost.hint) from None
            reply: Reply | None = None
            for event in decoder.feed(data):
                match event:
                    case Frame(seq, words) if seq == self.seq:
                        reply = words
                    case Frame(0, words):
                        trouble = f"the board could not read the request ({' '.join(words)})"
                    case Frame(seq, _) if seq == previous:
                        pass  # to an earlier try of the previous request
                    case Frame(seq, _):
                        stray = f"it answers request {seq}, but {self.seq} was asked"
                    case Garbage(text, why):
                        trouble = f"{why} of `{text[:60]}`"
                    case Chatter(text):
                        self._hear(text)
            if reply is not None:
                return reply, ""
            if stray and previous:  # before the first reply it may be meant for a program before this one
                break
        trouble = trouble or stray
        if not trouble and decoder.unfinished.startswith("<"):
            trouble = f"a line without an end, `{decoder.unfinished[:60]}`"
        return None, trouble

    def _hear(self, text: str) -> None:
        self.heard += 1
        if text.strip():
            self.last_words = text.strip()[:200]
        if self.heard <= _MOST_CHATTER:
            self.hear(text)


def drive(run: Generator[Request, Reply, T], line: Line) -> T:
    """Run a session over a line to its result.

    Interrupted, or failing for a reason of our own, it stops the board before it lets go.
    """
    try:
        request = next(run)
        while True:
            try:
                request = run.send(line.ask(request))
            except StopIteration as done:
                result: T = done.value
                return result
    except BaseException as error:
        if not isinstance(error, TesterError):
            line.link.interrupt()
        raise


def find_board(hear: Callable[[str], None]) -> SerialLink:
    """The one port of a Raspberry Pi board that answers as a tester. Raises NoTester with what was seen."""
    seen: list[str] = []
    found: list[str] = []
    for port in sorted(list_ports.comports(), key=lambda port: port.device):
        if port.vid is None:
            continue  # a built-in port: no board
        if port.vid != RASPBERRY_PI:  # opening it may disturb what is on it
            seen.append(f"`{port.device}` was not asked: it is not a Raspberry Pi board by its USB id")
            continue
        try:
            link = SerialLink(port.device)
        except NoTester as error:
            seen.append(error.message)
            continue
        try:
            hello = drive(greet(), Line(link, hear))
            found.append(port.device)
            seen.append(f"`{port.device}` is a tester (firmware {hello.firmware}, {hello.points} points)")
        except TesterError as error:
            named = port.device in error.message
            seen.append(error.message if named else f"`{port.device}`: {error.message}")
        finally:
            link.close()
    if len(found) == 1:
        return SerialLink(found[0])
    listing = "".join(f"\n  {line}" for line in seen)
    if found:
        raise NoTester(f"{len(found)} testers answer:{listing}", hint="choose one with `--port`")
    raise NoTester(
        f"no tester found{':' + listing if seen else ': there is no USB serial port'}",
        hint="plug the board in, or name its port with `--port`; `--port sim` is a tester without a board",
    )
