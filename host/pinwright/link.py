"""The line to a board: pyserial, deadlines, retries where repeating is safe, and what was seen when it fails.

From a board's last sign of life to the error it takes ten seconds at most: three tries of `check` at two
seconds each, or AGAIN_S for a port that vanished, then BOOT_S to see who answers.

A link is anything with `name`, `write`, `read`, `interrupt`, `again` and `close`; a port is one, the virtual
tester another.
"""

from __future__ import annotations

import errno
import os
import re
import sys
import time
from collections.abc import Callable, Generator
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

import serial
from serial.tools import list_ports

from pinwright.errors import LinkCorrupt, LinkLost, PortClosed, TesterError
from pinwright.tester.asking import Reply, Request
from pinwright.tester.frames import Chatter, Decoder, Frame, Garbage, encode

T = TypeVar("T")
TRIES = 3
WRITE_S = 0.3  # the longest line takes 50 ms at 115200 baud
BOOT_S = 2.5  # a Pico compiles the firmware's files before it answers
AGAIN_S = 3.0  # how long a port that vanished is waited for; a Pico that was reset takes about one second
_BANNER = re.compile(r"(?:Micro|Circuit|C)Python v?\S+.*")
_MOST_GREETING = 4096  # bytes
_MOST_CHATTER = 200  # lines kept and shown
# What pyserial raises where a port fails; its own errors are OSErrors.
FOREIGN: tuple[type[Exception], ...] = (OSError, ValueError)
with suppress(ImportError):  # termios is of POSIX
    import termios

    FOREIGN = (*FOREIGN, termios.error)  # a port that vanishes while it is being set up
_FOREIGN_AT_READ: tuple[type[Exception], ...] = (TypeError, *FOREIGN)  # TypeError: it is closed


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

    def again(self, timeout_s: float) -> bool:
        """After the link was lost: wait for it to come back, and open it again."""

    def close(self) -> None:
        """Let go of the port. Never raises."""


class SerialLink:
    """A port by its name or any pyserial URL, opened for us alone. Raises PortClosed if it does not open.

    called: what to call it in messages, if not by its name.
    """

    def __init__(self, port: str, called: str = "") -> None:
        self.name = called or port
        self._at = port
        self._port = self._opened()

    def _opened(self) -> serial.SerialBase:
        try:
            port = serial.serial_for_url(
                self._at, baudrate=115200, timeout=0, write_timeout=WRITE_S, do_not_open=True
            )
            if hasattr(port, "exclusive"):
                port.exclusive = True
            port.open()
        except FOREIGN as error:
            why = _why_closed(error)
            told = _CLOSED.get(why) or _plain(error)
            raise PortClosed(
                f"`{self.name}` does not open: {told}", why=why, hint=_remedy(self._at, why)
            ) from None
        return port

    def write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except serial.SerialTimeoutException:
            pass  # it takes no more: the silence that follows says so
        except FOREIGN as error:
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
        except _FOREIGN_AT_READ as error:
            raise LinkLost(f"`{self.name}` is gone: {_plain(error)}") from None

    def interrupt(self) -> None:
        with suppress(*FOREIGN):
            try:
                self._port.write(b"\x03")  # ends main.py: every point is let go
                time.sleep(0.2)
            finally:  # at the prompt that is left, its line empty: start again, even if interrupted once more
                self._port.write(b"\x03\x04")

    def again(self, timeout_s: float) -> bool:
        self.close()
        end = time.monotonic() + timeout_s
        while time.monotonic() < end:
            with suppress(PortClosed):
                self._port = self._opened()
                return True
            time.sleep(0.05)
        return False

    def close(self) -> None:
        with suppress(*FOREIGN):
            self._port.close()


def usb_ports() -> list[tuple[str, int]]:
    """Every USB serial port with its vendor id, in order. Built-in ports have no board and are left out."""
    return sorted((port.device, port.vid) for port in list_ports.comports() if port.vid is not None)


def _plain(error: Exception) -> str:
    text = str(error) or type(error).__name__
    return text.splitlines()[0]


_WHY = {
    errno.EBUSY: "busy",
    errno.EAGAIN: "busy",  # locked
    errno.EACCES: "denied",
    errno.EPERM: "denied",
    errno.ENOENT: "missing",
    errno.ENODEV: "missing",
    errno.ENXIO: "missing",
}


_CLOSED = {
    "busy": "another program has it open",
    "denied": "your user may not use it",
    "missing": "there is no such port",
}


def _why_closed(error: Exception) -> str:
    code = getattr(error, "errno", None)
    if code is None:  # on Windows pyserial tells the error in words alone
        text = str(error)
        if "PermissionError(" in text:  # Windows says it of both; a port that others use is the likely one
            return "busy"
        return "missing" if "FileNotFoundError(" in text else "other"
    return _WHY.get(code, "other")


def _remedy(port: str, why: str) -> str:
    if why == "busy":
        return "close the other program"
    if why == "denied":
        if sys.platform != "linux":
            return "ask whoever looks after this machine for the right to use serial ports"
        return f"`sudo usermod -aG {_group_of(port)} $USER`, then log out and in again"
    what = "" if why == "missing" else "is it a serial port? "
    return f"{what}is the board plugged in? `pinwright testers` lists the ports there are"


def _group_of(port: str) -> str:
    """The group that may use a port; `dialout` on Debian, `uucp` on others."""
    try:
        import grp

        return grp.getgrgid(os.stat(port).st_gid).gr_name
    except (ImportError, KeyError, OSError):
        return "dialout"


@dataclass(slots=True)
class Line:
    """Requests over a link, one at a time. hear: is given every line of chatter as it comes.

    chatter: the last lines that were no frames. echoed: whether the far side says our own requests back to
    us. banner: of a Python that was found at its raw prompt. board: the id that `hello` told.
    """

    link: Link
    hear: Callable[[str], None]
    seq: int = 0
    heard: int = 0
    chatter: list[str] = field(default_factory=list)
    echoed: bool = False
    banner: str = ""
    board: str = ""
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
        trouble, began = "", time.monotonic()
        for _ in range(TRIES if request.repeatable else 1):
            self.link.write(line)
            reply, trouble = self._listen(self.decoder, previous, request)
            if reply is not None:
                if request.words == "hello":
                    self.board = next((word for word in reply if word.startswith("id=")), "")
                return reply
            if self._is_echo(line) or self.refuses:
                break
        verb = request.words.split(" ")[0]
        if trouble and not self.echoed:
            raise LinkCorrupt(
                f"what `{self.link.name}` answers to `{verb}` cannot be read: {trouble}",
                hint="check the cable to the board; if it is not a tester, choose another `--port`",
            )
        busy = 0 < request.most_s <= time.monotonic() - began
        within = request.most_s if busy else request.deadline_s
        raise Silence(f"`{self.link.name}` does not answer `{verb}` within {within:g} s")

    def _is_echo(self, line: bytes) -> bool:
        ours = line.strip().decode("ascii")
        unfinished = self.decoder.unfinished if self.decoder else ""
        self.echoed = self.echoed or any(ours in text for text in (unfinished, *self.chatter))
        return self.echoed

    @property
    def refuses(self) -> bool:
        """Whether our firmware is there and says that it does not serve."""
        return any(text.startswith("pinwright: ") for text in self.chatter)

    @property
    def at_prompt(self) -> bool:
        """Whether a Python prompt says our requests back: it knows no newline, or shows itself."""
        unfinished = self.decoder is not None and bool(self.decoder.unfinished)
        return self.echoed and (unfinished or any(text.startswith(">>> ") for text in self.chatter))

    def _listen(self, decoder: Decoder, previous: int, request: Request) -> tuple[Reply | None, str]:
        """Until the deadline: the reply to the present request, or what came instead."""
        began = time.monotonic()
        deadline = began + request.deadline_s
        trouble = stray = ""
        while (left := deadline - time.monotonic()) > 0 and not (trouble or self.refuses):
            data = self.link.read(left)
            reply: Reply | None = None
            for event in decoder.feed(data):
                match event:
                    case Frame(seq, ("busy",)) if seq == self.seq and request.most_s:
                        deadline = min(time.monotonic() + request.deadline_s, began + request.most_s)
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
            self.chatter = [*self.chatter[-_MOST_CHATTER:], text.rstrip()[:200]]
        if self.heard <= _MOST_CHATTER:
            self.hear(text)

    def reason(self) -> str:
        """For the end of a sentence: the error that the board's firmware ended with, where it was seen."""
        starts = [number for number, text in enumerate(self.chatter) if text.startswith("Traceback ")]
        if starts:
            block = self.chatter[starts[-1] + 1 :]
            reason = next((text for text in block if not text.startswith(" ")), "")
            places = [text.strip() for text in block if text.startswith('  File "')]
            if reason and not any('"<stdin>"' in place for place in places):  # that is a prompt, of our lines
                return f"; its firmware ended with `{reason}`" + (f" ({places[-1]})" if places else "")
        return ""

    def observed(self) -> str:
        """The same, else the board's last words besides frames."""
        return self.reason() or (f"; it said: {self.chatter[-1].strip()}" if self.chatter else "")


class Silence(LinkLost):
    """Nothing came in time, though the port is still there."""


def drive(run: Generator[Request, Reply, T], line: Line) -> T:
    """Run a session over a line to its result.

    Interrupted, or failing for a reason of our own, it stops the board before it lets go. Where the board is
    lost, it finds out what there is to be seen, and says that.
    """
    request = Request("hello", 0)
    try:
        request = next(run)
        while True:
            try:
                request = run.send(line.ask(request))
            except StopIteration as done:
                result: T = done.value
                return result
    except LinkLost as lost:
        raise _as_seen(lost, line, request) from None
    except TesterError as error:
        if not line.reason():
            raise
        raise type(error)(error.message + line.reason(), hint=error.hint) from None
    except BaseException:
        line.link.interrupt()
        raise


def _as_seen(lost: LinkLost, line: Line, request: Request) -> LinkLost:
    """The same loss, told by what can be seen afterwards."""
    verb = request.words.split(" ")[0]
    said = line.observed()
    if isinstance(lost, Silence):
        return _as_heard(lost, line, verb, said)
    return _as_vanished(line, verb, said)


def _as_vanished(line: Line, verb: str, said: str) -> LinkLost:
    """A board whose port was gone: is it back, and who answers there?"""
    port = line.link.name
    if not line.link.again(AGAIN_S):
        return LinkLost(
            f"`{port}` vanished during `{verb}` and did not come back within {AGAIN_S:g} s: the board was "
            f"unplugged, or lost its power{said}",
            hint="plug it in and scan again",
        )
    now = _asked_again(line.link)
    if now is None:
        told = "and vanished again"
    elif now.at_prompt:
        told = "but stands at a Python prompt now"
    elif not now.board:
        told = "but nothing answers there"
    elif line.board and now.board != line.board:
        told = f"but another board is there now ({now.board})"
    else:
        told = "so the board was reset, or plugged in again"
    return LinkLost(f"`{port}` vanished during `{verb}` and came back, {told}{said}", hint="scan again")


def _as_heard(lost: LinkLost, line: Line, verb: str, said: str) -> LinkLost:
    """A board that is silent though its port is there."""
    port = line.link.name
    if line.refuses:
        return LinkLost(f"`{port}` holds a tester whose firmware does not serve{said}")
    if line.at_prompt:
        return LinkLost(
            f"`{port}` stands at a Python prompt: the firmware does not run there{line.reason()}",
            hint=_from_a_prompt(port),
        )
    if line.echoed:
        return LinkLost(
            f"`{port}` says back what it is told, and nothing else: no tester is there",
            hint="choose another `--port`",
        )
    restarted = any("soft reboot" in text for text in line.chatter)
    if not (line.board or line.chatter):
        line.banner = _leave_raw_prompt(line.link)
        if line.banner:
            return LinkLost(
                f"`{port}` was left at a raw Python prompt ({line.banner})", hint=_from_a_prompt(port)
            )
    if not line.board or restarted:
        told = " (it was restarted meanwhile)" if restarted else ""
        return LinkLost(
            lost.message + told + said,
            hint="is it a tester, and does its firmware run? Unplug it, plug it in, and try again",
        )
    now = _asked_again(line.link)
    if now is None:
        return _as_vanished(line, verb, said)
    if now.at_prompt:
        return LinkLost(
            f"{lost.message}, and stands at a Python prompt now{said}",
            hint="unplug it, plug it in, and scan again",
        )
    if not now.board:
        return LinkLost(
            f"{lost.message}, nor `hello` after that, though the port is there: it hangs{said}",
            hint="unplug it, plug it in, and scan again",
        )
    return LinkLost(
        f"{lost.message}, but then answers `hello`: it was reset, or held up{said}", hint="scan again"
    )


def _from_a_prompt(port: str) -> str:
    return (
        "if another program, such as mpremote, left it there, unplug it and plug it in; if it has no "
        f"firmware yet, `pinwright install --port {port}`"
    )


def _leave_raw_prompt(link: Link) -> str:
    """The greeting of a Python that was left at its raw prompt, which shows nothing of what it is told."""
    said = b""
    with suppress(LinkLost):
        link.write(b"\r\x02")
        while more := link.read(0.3):
            said += more
            if len(said) > _MOST_GREETING:
                break
    banner = _BANNER.search(said.decode("utf-8", "replace"))
    return banner[0].strip() if banner else ""


def _asked_again(link: Link) -> Line | None:
    """A new line over which `hello` was asked: its `board` is the one that answers now, if any does. None
    where the port vanished."""
    line = Line(link, lambda text: None)
    try:
        line.ask(Request("hello", BOOT_S, repeatable=False))
    except (Silence, LinkCorrupt):
        pass
    except LinkLost:
        return None
    return line
