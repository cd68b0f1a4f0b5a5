"""Puts the firmware on a board. The only importer of mpremote.

In this order, so that the board starts safely wherever it is interrupted: board.json where it is to change, a
mark that says that an installation is under way (`installing`), main.py, which does not serve while the mark
is there, what is stale taken away, every other file, all of it
read back and compared, the mark taken away, a restart. Each file is written beside its place and renamed.
"""

from __future__ import annotations

import ast
import contextlib
import hashlib
import io
import json
import re
import struct
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from mpremote.transport import TransportError, TransportExecError
from mpremote.transport_serial import SerialTransport

from pinwright.errors import LinkLost, NoTester, PinwrightError, PortClosed, TesterError, UsageError
from pinwright.link import FOREIGN, Line, SerialLink, drive
from pinwright.tester.session import PROTOCOL, Hello, greet

MARK = "installing"
ABOUT = "board.json"
_SILENCE_S = 5.0  # a board that says nothing for so long has stopped answering
_PROMPT_S, _TRIES = 2.0, 3  # to come to the prompt, and how often that is tried
_SETTLE_S = 0.2  # in which a board has said all that it was asked for
_RESTART_S = 15.0  # from the restart to the first answer; a Pico compiles its files in a second or two
_CHUNK = 1024  # bytes of a file in one piece; twice to four times as much in the board's memory
_SIMULATED = ("linux", "darwin", "win32")  # `sys.platform` of MicroPython without a board
_VERSION = re.compile(r'^FIRMWARE = "(\d+\.\d+\.\d+)"\nPROTOCOL = (\d+)$', re.MULTILINE)
# What mpremote raises when the board does not do as it should.
_BROKEN = (TransportError, *FOREIGN, struct.error, SyntaxError)

_INVENTORY = """\
import os, sys, hashlib
def _sum(path):
    sha, piece = hashlib.sha256(), bytearray(512)
    with open(path, "rb") as file:
        while True:
            size = file.readinto(piece)
            if not size:
                return "".join(["%02x" % byte for byte in sha.digest()])
            sha.update(memoryview(piece)[:size])
print(repr((sys.implementation.name, sys.platform)))
for entry in os.ilistdir():
    if entry[1] & 0x8000:
        print(repr((entry[0], _sum(entry[0]) if entry[0] == "main.py" else "")))
    elif entry[0] == "tester":
        for inner in os.ilistdir("tester"):
            print(repr(("tester/" + inner[0], _sum("tester/" + inner[0]) if inner[1] & 0x8000 else None)))
"""
_RESTART = "import time, machine\ntime.sleep_ms(100)\nmachine.reset()"


@dataclass(frozen=True, slots=True)
class Board:
    """What was found on a board. files: path → SHA-256 in hex, None for a folder, "" where it was not read.

    firmware: its version as (text, protocol), or None without any of ours.
    """

    implementation: str
    platform: str
    files: Mapping[str, str | None]
    firmware: tuple[str, int] | None


@dataclass(frozen=True, slots=True)
class Installed:
    """What an installation did. before: what was there, as a person says it. after: who answers now."""

    port: str
    before: str
    after: Hello
    written: tuple[str, ...]
    removed: tuple[str, ...]


def install(
    port: str,
    firmware: Path,
    *,
    about: Mapping[str, object],
    replace: bool,
    tell: Callable[[str], None],
) -> Installed:
    """Put the firmware in that folder on the board at the port.

    about: what to change in its board.json, such as its name. replace: also over something that is not ours,
    or newer. tell: is given a line for each thing done. Raises NoTester where the board is not to be touched,
    PortClosed, LinkLost, and TesterError where the new firmware does not answer.
    """
    ours = {
        file.relative_to(firmware).as_posix(): file.read_bytes() for file in sorted(firmware.rglob("*.py"))
    }
    with _at_raw_prompt(port) as board:
        found = _inventory(board)
        _must_be_fit(port, found, ours, replace)
        if about:  # first: no firmware may start that takes a pocket tester's points for pins of its own
            _write_about(board, about, found, tell)
            found = _inventory(board)
        written, removed = _bring_up_to_date(board, port, found, ours, tell)
        tell("restarting the board")
        with contextlib.suppress(*_BROKEN):
            board.exec_raw_no_follow(_RESTART)
            board.in_raw_repl = False
    after = _greeted(port)
    version = _version(ours["tester/version.py"].decode("utf-8"))
    if version != (after.firmware, after.protocol):
        raise TesterError(f"`{port}` answers as firmware {after.firmware} after {_named(version)} was put on")
    return Installed(port, _before(found), after, written, removed)


def _version(text: str) -> tuple[str, int] | None:
    match = _VERSION.search(text)
    return (match[1], int(match[2])) if match else None


def _named(version: tuple[str, int] | None) -> str:
    return f"firmware {version[0]} (protocol {version[1]})" if version else "no firmware"


def _before(found: Board) -> str:
    if MARK in found.files:
        return "an unfinished installation"
    if found.firmware is None and "main.py" in found.files:
        return "another program"
    return _named(found.firmware)


@contextlib.contextmanager
def _at_raw_prompt(port: str) -> Iterator[SerialTransport]:
    """The board at its raw prompt, its program ended; at the end it is left, or starts again."""
    SerialLink(port).close()  # says why where it does not open
    board: SerialTransport | None = None
    try:
        with contextlib.redirect_stdout(io.StringIO()):  # it prints what it does not understand
            board = SerialTransport(port)
            board.serial.timeout = _SILENCE_S
            board.serial.write_timeout = _SILENCE_S
            _come_to_prompt(board)
            yield board
    except PinwrightError:
        raise
    except _BROKEN as error:
        raise _stopped(port, error) from None
    finally:
        if board is not None:
            _leave(board)


def _come_to_prompt(board: SerialTransport) -> None:
    """End the program and take the raw prompt. A board that is just starting may miss the first Ctrl-C."""
    for left in reversed(range(_TRIES)):
        try:
            board.enter_raw_repl(soft_reset=False, timeout_overall=_PROMPT_S)
            break
        except TransportError:
            if not left:
                raise
    if left < _TRIES - 1:  # the tries before may be answered too by now: once more, without their answers
        time.sleep(_SETTLE_S)
        board.enter_raw_repl(soft_reset=False, timeout_overall=_PROMPT_S)


def _leave(board: SerialTransport) -> None:
    """Start what is on the board, if it is there and still at its prompt, and let go of the port."""
    if board.in_raw_repl:
        with contextlib.suppress(*_BROKEN):
            board.serial.write(b"\r\x03\x02")
            board.serial.write(b"\x04")
    with contextlib.suppress(*_BROKEN):
        board.close()


def _stopped(port: str, error: Exception) -> PinwrightError:
    text = (str(error) or type(error).__name__).strip().splitlines()[-1]
    if "ENOSPC" in str(error) or getattr(error, "errno", None) == 28:
        return TesterError(f"the flash of the board at `{port}` is full", hint="remove files of your own")
    if "could not enter raw repl" in text:
        return NoTester(
            f"`{port}` does not come to a MicroPython prompt: no MicroPython there, or it hangs",
            hint="unplug it and plug it in; a board without MicroPython needs that first: "
            "hold BOOTSEL while plugging it in, and copy MicroPython for the board to the drive that appears",
        )
    if isinstance(error, TransportExecError):
        return TesterError(f"the board at `{port}` cannot do what the installation asks of it: {text}")
    gone = isinstance(error, OSError) and not isinstance(error, TransportError)
    told = "vanished" if gone else "stopped answering"
    why = ": it was unplugged, or lost its power" if gone else ""
    return LinkLost(
        f"the board at `{port}` {told} during the installation{why} ({text})",
        hint="it will not serve until an installation is finished: plug it in and run the command again",
    )


def _inventory(board: SerialTransport) -> Board:
    lines = board.exec(_INVENTORY).decode("utf-8", "replace").split("\n")
    implementation, platform = ast.literal_eval(lines[0])
    files = dict(ast.literal_eval(line) for line in lines[1:] if line.strip())
    firmware = None
    if files.get("tester/version.py"):
        text = bytes(board.fs_readfile("tester/version.py")).decode("utf-8", "replace")
        firmware = _version(text.replace("\r", ""))
    return Board(implementation, platform, files, firmware)


def _must_be_fit(port: str, found: Board, ours: Mapping[str, bytes], replace: bool) -> None:
    """Raises NoTester for a board that our firmware does not belong on."""
    simulated = found.platform in _SIMULATED
    if found.implementation != "micropython" and not simulated:
        raise NoTester(
            f"the board at `{port}` runs {found.implementation}, not MicroPython; nothing was changed",
            hint="put MicroPython on it first",
        )
    if found.platform != "rp2" and not simulated:
        raise NoTester(
            f"the board at `{port}` is of another kind (`{found.platform}`): the firmware is for an RP2040; "
            "nothing was changed"
        )
    if replace or MARK in found.files:
        return
    if found.firmware is None and found.files.get("main.py", "") not in ("", _sha256(ours["main.py"])):
        raise NoTester(
            f"the board at `{port}` runs another program (its main.py is not ours); nothing was changed",
            hint="is it the right board? `--replace` puts the firmware on it, and keeps the other main.py as "
            "main.before",
        )
    version = _version(ours["tester/version.py"].decode("utf-8"))
    if found.firmware and version and _numbers(found.firmware[0]) > _numbers(version[0]):
        raise NoTester(
            f"the board at `{port}` has {_named(found.firmware)}, which is newer than ours, {version[0]}; "
            "nothing was changed",
            hint="update this program, or put the older firmware on with `--replace`",
        )


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(map(int, version.split(".")))


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _bring_up_to_date(
    board: SerialTransport, port: str, found: Board, ours: Mapping[str, bytes], tell: Callable[[str], None]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Write what differs, remove what is stale, read all back. Returns the names of both."""
    wanted = {path: _sha256(data) for path, data in ours.items()}
    differing = [path for path in wanted if found.files.get(path) != wanted[path]]
    half = [f"{path}.tmp" for path in differing]  # of an interrupted one; written over
    stale = [path for path in found.files if _is_stale(path) and path not in (*wanted, *half)]
    if not (differing or stale or MARK in found.files):
        tell("every file is as it should be")
        return (), ()
    board.fs_writefile(MARK, b"An installation of the firmware began and has not ended.\n")
    if found.firmware is None and "main.py" in found.files and "main.py" in differing:
        board.exec("import os\nos.rename('main.py', 'main.before')")
    if "tester" not in {path.split("/")[0] for path in found.files if "/" in path}:
        with contextlib.suppress(OSError):  # it is there, and empty
            board.fs_mkdir("tester")
    if "main.py" in differing:
        _write(board, "main.py", ours["main.py"], tell)
    for path in stale:
        tell(f"removing {path}")
        board.exec(_REMOVE.format(path=path))
    for path in differing:
        if path != "main.py":
            _write(board, path, ours[path], tell)
    now = _inventory(board).files
    wrong = [path for path in wanted if now.get(path) != wanted[path]]
    left = [path for path in now if _is_stale(path) and path not in wanted]
    if wrong or left:
        raise TesterError(
            f"the board at `{port}` does not keep what is written to it: {', '.join([*wrong, *left])}",
            hint="run the command again; if it stays so, its flash is worn out",
        )
    board.fs_rmfile(MARK)
    return tuple(differing), tuple(stale)


def _write(board: SerialTransport, path: str, data: bytes, tell: Callable[[str], None]) -> None:
    """A file, whole or not at all."""
    tell(f"writing {path}")
    board.fs_writefile(f"{path}.tmp", data, chunk_size=_CHUNK)
    board.exec(f"import os\nos.rename({path + '.tmp'!r}, {path!r})")


_REMOVE = """\
import os
def _remove(path):
    if os.stat(path)[0] & 0x4000:
        for entry in list(os.ilistdir(path)):
            _remove(path + "/" + entry[0])
        os.rmdir(path)
    else:
        os.remove(path)
_remove({path!r})
"""


def _is_stale(path: str) -> bool:
    """Whether a path is in our part of the board's files: `tester/`, and what we leave when interrupted."""
    return path.startswith("tester/") or path in ("main.py.tmp", f"{ABOUT}.tmp")


def _write_about(
    board: SerialTransport, about: Mapping[str, object], found: Board, tell: Callable[[str], None]
) -> None:
    """Change what the board's own file says, and leave the rest of it."""
    told: dict[str, object] = {}
    if ABOUT in found.files:
        with contextlib.suppress(ValueError):  # damaged: made anew
            before = json.loads(board.fs_readfile(ABOUT).decode("utf-8"))
            told = before if isinstance(before, dict) else {}
    told |= about
    if told.get("fixture") == "pocket-24":
        if "lane" in about:
            raise UsageError(
                "the board is a pocket tester, which measures no ohms; nothing was changed",
                hint="if it has expanders, `--fitted N` writes how many",
            )
        told.pop("fitted", None)
        told.pop("lane", None)
    _write(board, ABOUT, json.dumps(told).encode("ascii"), tell)


def _greeted(port: str) -> Hello:
    """Who answers once the board has started again. Raises the last error when nobody has in time."""
    end = time.monotonic() + _RESTART_S
    time.sleep(0.2)  # the port of a board that restarts vanishes only after a moment
    while True:
        try:
            link = SerialLink(port)
            try:
                hello = drive(greet(), Line(link, lambda text: None))
            finally:
                link.close()
        except (PortClosed, LinkLost):
            if time.monotonic() > end:
                raise
            time.sleep(0.1)
            continue
        if hello.protocol != PROTOCOL:
            raise TesterError(f"`{port}` answers in protocol {hello.protocol} after the installation")
        return hello
