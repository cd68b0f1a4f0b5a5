"""Asking a board: requests and the words of its replies, of whatever they are about.

Sans I/O: generators yield Requests and are sent the words of the replies (`link.drive` drives them).
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass
from typing import Protocol

from pinwright.errors import LinkCorrupt
from pinwright.tester.complaints import complaint
from pinwright.tester.fixture import Fixture


@dataclass(frozen=True, slots=True)
class Request:
    """words: without marker, number and checksum. deadline_s: the longest silence before the reply.

    repeatable: asking twice does no more than asking once. most_s: the longest time in all, for a request
    during which the board says `busy`; those words renew the deadline.
    """

    words: str
    deadline_s: float
    repeatable: bool = True
    most_s: float = 0.0


Reply = tuple[str, ...]
Steps = Generator[Request, Reply, None]


class Asker(Protocol):
    """Who asks, as far as the board's complaints are about points: which tester it is, and their names."""

    @property
    def fixture(self) -> Fixture | None: ...

    def where(self, points: int) -> str: ...


def ask(asker: Asker, request: Request) -> Generator[Request, Reply, Reply]:
    """One request; the reply's words after `ok`. Raises what an `error` reply means."""
    return answered(asker, request, (yield request))


def answered(asker: Asker, request: Request, reply: Reply) -> Reply:
    """The words of a reply after `ok`. Raises what an `error` reply means."""
    if reply[0] == "ok":
        return reply[1:]
    if reply[0] == "error" and len(reply) > 1:
        values = dict(value_of(word) for word in reply[2:])
        points = int.from_bytes(hex_of(values.get("points", "")), "little")
        if asker.fixture is None or points >> asker.fixture.points:
            raise LinkCorrupt(f"the board complains of a point that no tester has: {' '.join(reply)}")
        raise complaint(reply[1], values, asker.where(points), request.words)
    raise LinkCorrupt(f"the board answers `{' '.join(reply)}` to `{request.words}`")


def value_of(word: str) -> tuple[str, str]:
    key, equals, value = word.partition("=")
    if not (key and equals):
        raise LinkCorrupt(f"the board says `{word}` where `name=value` should be")
    return key, value


def hex_of(text: str) -> bytes:
    try:
        return bytes.fromhex(text)
    except ValueError:
        raise LinkCorrupt(f"the board says `{text}` where hexadecimal digits should be") from None


def reading_of(values: Mapping[str, str], key: str) -> int:
    """One reading, four hexadecimal digits."""
    data = hex_of(values.get(key, ""))
    if len(data) != 2:
        raise LinkCorrupt(f"the board says `{key}={values.get(key, '')}` where a reading should be")
    return int.from_bytes(data, "big")


def readings_of(text: str) -> tuple[int, ...]:
    data = hex_of(text)
    if len(data) % 2:
        raise LinkCorrupt(f"the board says `{text}` where readings should be")
    return tuple(int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2))


def number_of(values: Mapping[str, str], key: str) -> int:
    text = values.get(key, "")
    if not (text.isascii() and text.isdigit() and len(text) < 12):
        raise LinkCorrupt(f"the board says `{key}={text}` where a number should be")
    return int(text)
