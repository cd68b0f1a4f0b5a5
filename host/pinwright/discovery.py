"""Which ports this machine has, and what is at each: a tester, another board, a port that does not open."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from pinwright.errors import LinkLost, NoTester, PortClosed, SelfCheckFailed, TesterError
from pinwright.link import Line, Link, SerialLink, drive, usb_ports
from pinwright.tester.session import PROTOCOL, Hello, greet

RASPBERRY_PI = 0x2E8A  # USB vendor id of the Pico with MicroPython: Raspberry Pi's usb-pid list (from memory)
_NAME = re.compile(r"[A-Za-z0-9-]{1,32}")
_PLUG_IN = "plug the board in, or name its port with `--port`"
_LETTING_GO_S = 0.3
_AT_ONCE = 8  # ports asked at the same time

# What can be at a port, in the order in which it is listed.
KINDS = (
    "tester",
    "other protocol",
    "faulty tester",
    "unfinished",
    "at a prompt",
    "silent",
    "not a tester",
    "busy",
    "no permission",
    "does not open",
    "not asked",
)
TESTER, OTHER_PROTOCOL, FAULTY, UNFINISHED, AT_PROMPT, SILENT, STRANGER, *_CLOSED, NOT_ASKED = KINDS
BUSY, DENIED, MISSING = _CLOSED


@dataclass(frozen=True, slots=True)
class Seen:
    """What is at a port. kind: one of KINDS. hello: of a tester. said: in a sentence."""

    port: str
    kind: str
    hello: Hello | None = None
    said: str = ""
    remedy: str = ""

    def __str__(self) -> str:
        hello = self.hello
        if self.kind == TESTER and hello is not None:
            name = f" named `{hello.name}`" if hello.name else ""
            return f"`{self.port}` is a tester{name} (firmware {hello.firmware}, {hello.points} points)"
        return self.said


def look(port: str) -> Seen:
    """Open a port and ask who is there. Takes some seconds where nobody answers."""
    try:
        link = _opened(port)
    except PortClosed as error:
        kind = {"busy": BUSY, "denied": DENIED}.get(error.why, MISSING)
        return Seen(port, kind, said=error.message, remedy=error.hint)
    try:
        return _ask(port, link)
    finally:
        link.close()


def _opened(port: str) -> SerialLink:
    """The port, asked for once more where it is busy: another program may be just letting go of it."""
    try:
        return SerialLink(port)
    except PortClosed as error:
        if error.why != "busy":
            raise
    time.sleep(_LETTING_GO_S)
    return SerialLink(port)


def _ask(port: str, link: Link) -> Seen:
    line = Line(link, lambda text: None)
    try:
        hello = drive(greet(), line)
    except LinkLost as error:
        return _without_answer(port, line, error)
    except TesterError as error:
        said = error.message if port in error.message else f"`{port}`: {error.message}"
        kind = FAULTY if isinstance(error, SelfCheckFailed) else STRANGER
        return Seen(port, kind, said=said, remedy=error.hint)
    if hello.protocol == PROTOCOL:
        return Seen(port, TESTER, hello)
    said = f"`{port}` is a tester of protocol {hello.protocol}, not {PROTOCOL} (firmware {hello.firmware})"
    older = hello.protocol < PROTOCOL
    remedy = f"`pinwright install --port {port}`" if older else "its firmware is newer: update this program"
    return Seen(port, OTHER_PROTOCOL, hello, said, remedy)


def _without_answer(port: str, line: Line, error: LinkLost) -> Seen:
    install = f"`pinwright install --port {port}` puts the firmware on"
    if line.refuses:
        return Seen(port, UNFINISHED, said=error.message, remedy=install)
    if line.at_prompt or line.banner:
        return Seen(port, AT_PROMPT, said=error.message, remedy=error.hint)
    if line.echoed:
        return Seen(port, STRANGER, said=error.message, remedy=error.hint)
    return Seen(port, SILENT, said=error.message, remedy=error.hint)


def survey(more: Iterable[str] = ()) -> list[Seen]:
    """What is at every USB serial port, and at these others, in order of kind and port.

    Only Raspberry Pi boards, by their USB id, and ports that are named are opened: what else is plugged in
    may be disturbed by that.
    """
    named = list(dict.fromkeys(more))
    seen = []
    for port, vendor in usb_ports():
        if port in named:
            continue
        if vendor == RASPBERRY_PI:
            named.append(port)
        else:
            said = f"`{port}` was not asked: it is not a Raspberry Pi board by its USB id"
            seen.append(Seen(port, NOT_ASKED, said=said))
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        return sorted([*pool.map(look, named), *seen], key=lambda seen: (KINDS.index(seen.kind), seen.port))


def find_tester(name: str = "") -> str:
    """The port of the one tester there is, or of the one named so. Raises NoTester with what was seen."""

    def fits(seen: Seen) -> bool:
        return seen.kind == TESTER and seen.hello is not None and name in ("", seen.hello.name)

    called = f" named `{name}`" if name else ""
    hint = f"{_PLUG_IN}; `--port sim` is a tester without a board"
    return _only(survey(), fits, f"testers answer{called}", f"no tester{called} found", hint)


def find_board() -> str:
    """The port of the one board that firmware can be put on. Raises NoTester with what was seen."""
    fit = (TESTER, OTHER_PROTOCOL, FAULTY, UNFINISHED, AT_PROMPT, SILENT)
    return _only(survey(), lambda seen: seen.kind in fit, "boards are there", "no board found", _PLUG_IN)


def could_be_a_name(port: str) -> bool:
    """Whether a person may mean a tester's name by this, and not a port."""
    return _NAME.fullmatch(port) is not None and not re.fullmatch(r"(?i)COM\d+", port)


def _only(all_seen: Sequence[Seen], fits: Callable[[Seen], bool], several: str, none: str, hint: str) -> str:
    found = [seen for seen in all_seen if fits(seen)]
    if len(found) == 1:
        return found[0].port
    listing = "".join(f"\n  {seen}" for seen in all_seen)
    if found:
        raise NoTester(f"{len(found)} {several}:{listing}", hint="choose one with `--port`")
    raise NoTester(f"{none}:{listing or ' there is no USB serial port'}", hint=hint)
