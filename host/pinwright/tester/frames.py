"""Bytes ⇄ frames. One printable line is one frame: marker, sequence number, words, checksum.

    >07 scan settle=20 A1B2      from the host
    <07 ok walk_us=6700 C3D4     from the board

`Decoder.feed` takes what has come, in any pieces, and gives events: a Frame, Chatter (a line that
does not try to be a frame: a boot message, a traceback), or Garbage (a line that tries and fails).
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from dataclasses import dataclass

MAX_LINE = 512  # characters without the newline; the board refuses longer ones too
_FRAME = re.compile(rb"<([0-9A-F]{2}) ([\x20-\x7e]*) ([0-9A-F]{4})")


@dataclass(frozen=True, slots=True)
class Frame:
    """A reply that checked out. seq: 0 where the board could not read the request's number."""

    seq: int
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Chatter:
    """A line that is no frame, without its newline; undecodable bytes are shown as `\\x..`."""

    text: str


@dataclass(frozen=True, slots=True)
class Garbage:
    """A line that begins like a frame and is none. why: `length`, `shape` or `checksum`."""

    text: str
    why: str


Event = Frame | Chatter | Garbage


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740: polynomial 0x1021, start 0xFFFF; check value 0x29B1 (RevEng catalogue)."""
    return crc_hqx(data, 0xFFFF)


def encode(seq: int, words: str) -> bytes:
    """A request line, newline included. seq: 1 to 255. Raises ValueError if it would not frame."""
    body = f">{seq:02X} {words}".encode("ascii")
    line = body + b" %04X" % crc16(body)
    sound = words.isprintable() and words == words.strip() != ""
    if not 1 <= seq <= 255 or len(line) > MAX_LINE or not sound:
        raise ValueError(f"not a request: {seq} {words!r}")
    return line + b"\n"


def _show(line: bytes) -> str:
    return line.decode("utf-8", "backslashreplace")


def decode(line: bytes) -> Event:
    """One line without its newline. Strict: anything odd about a frame makes it Garbage."""
    if not line.startswith(b"<"):
        return Chatter(_show(line))
    if len(line) > MAX_LINE:
        return Garbage(_show(line[:80]), "length")
    match = _FRAME.fullmatch(line)
    if match is None:
        return Garbage(_show(line), "shape")
    if int(match[3], 16) != crc16(line[:-5]):
        return Garbage(_show(line), "checksum")
    return Frame(int(match[1], 16), tuple(match[2].decode("ascii").split(" ")))


class Decoder:
    """Collects bytes into lines. Holds one unfinished line, cut off if it grows without end."""

    def __init__(self) -> None:
        self._rest = b""

    @property
    def unfinished(self) -> str:
        """What has come of a line whose end has not."""
        return _show(self._rest)

    def feed(self, data: bytes) -> list[Event]:
        """What `data` completes, in order.

        `<` occurs in no frame but as its first character. So where one stands within a line, the line
        before it lost its end, and the rest is tried for itself.
        """
        *lines, self._rest = (self._rest + data).split(b"\n")
        if len(self._rest) > 8 * MAX_LINE:
            lines.append(self._rest)
            self._rest = b""
        return [decode(part) for line in lines for part in _parts(line.removesuffix(b"\r")) if part]


def _parts(line: bytes) -> list[bytes]:
    if not line.startswith(b"<"):
        return [line]
    return [b"<" + part for part in line[1:].split(b"<")]
