"""What the folder of records is asked for, and what it answers: names of files, and values of one row each.

A name says what a file is about: `SERIAL.test-N.certificate|report.json` is a record, and what was drawn from
it has its name but for the extension; `SERIAL.test-N.note-K.json` and `….withdrawal-K.json` are remarks;
`ID.batch.json` is a batch. Serials that differ only in upper and lower case are one serial.
"""

from __future__ import annotations

import re
from calendar import monthrange
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Literal

from pinwright.cable.wiring import printable
from pinwright.errors import SerialError, UsageError

Kind = Literal["certificate", "report"]
RemarkKind = Literal["note", "withdrawal"]
Result = Literal["pass", "fail", "unreadable"]
Told = Callable[[int, int], None]  # how many of how many are done
Watched = Callable[[str], AbstractContextManager[Told]]  # shows how far something has come; what: its name

LARGEST_SERIAL = 64
MOST_WORDS = 50  # that are looked for together: a database takes no question of any length
RESULTS = ("pass", "fail", "withdrawn", "unreadable")  # what a query can ask for
_DATE = re.compile(
    r"(?P<year>[0-9]{4})(-(?P<month>[0-9]{2})(-(?P<day>[0-9]{2})(?P<time>[Tt][0-9:.]+([Zz]|[+-][0-9:]+))?)?)?"
)

# Names that Windows keeps for devices, whatever follows the first dot.
# Source: Microsoft, "Naming Files, Paths, and Namespaces" (from memory).
_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}


class Damaged(Exception):
    """The index is not what was written; it has to be made anew."""


class Unusable(Exception):
    """The index cannot be opened or written. reason: what was observed."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


@dataclass(frozen=True, slots=True)
class Entry:
    """A record in the folder, as its name tells; it was not opened.

    documents: extension → path of the files beside it that have its name but for the extension.
    """

    serial: str
    test: int
    kind: Kind
    path: Path
    documents: Mapping[str, Path]


@dataclass(frozen=True, slots=True)
class Listed:
    """A record as its file says of itself: that proves nothing. `sealed` alone was checked.

    sha256: its seal, or nothing. started: RFC 3339. batch, item: the batch it was made in and which cable of
    it, or nothing and 0. withdrawn: the reason, or nothing. notes: how many. latest: of this cable.
    Of an unreadable one all texts are empty.
    """

    entry: Entry
    sha256: str
    sealed: bool
    result: Result
    simulated: bool
    started: str
    profile: str
    title: str
    revision: str
    operator: str
    batch: str
    item: int
    withdrawn: str
    notes: int
    latest: bool


@dataclass(frozen=True, slots=True)
class Query:
    """What to look for; everything given has to fit.

    serial: in either case, or with `*` at its end the beginning of one. profile, batch: an id. since, until:
    as `moments` reads them, both included. result: one of RESULTS; a withdrawn test neither passed nor
    failed, and one whose seal is broken is unreadable. words: all of them, in either case, anywhere in
    serial, profile, title, operator, findings and notes. latest: only the last test of each cable. Raises
    UsageError for more words than MOST_WORDS, and for what is no text.
    """

    serial: str = ""
    profile: str = ""
    since: str = ""
    until: str = ""
    result: str = ""
    words: tuple[str, ...] = ()
    latest: bool = False
    batch: str = ""

    def __post_init__(self) -> None:
        if len(self.words) > MOST_WORDS:
            raise UsageError(
                f"{len(self.words)} words are too many to look for; at most {MOST_WORDS} are possible"
            )
        for text in (self.serial, self.profile, self.batch, *self.words):
            try:
                text.encode()
            except UnicodeEncodeError:  # what the shell gave was no UTF-8
                raise UsageError(f"`{printable(text)}` is not UTF-8, so no record has it") from None


EVERYTHING = Query()


@dataclass(frozen=True, slots=True)
class Remark:
    """A note or a withdrawal, as its file says. number: `S.test-1.note-2`. about_sha256: the seal of the test
    it is about. by: who says so, or nothing. made: RFC 3339. An unreadable one has empty texts."""

    path: Path
    number: str
    kind: RemarkKind
    serial: str
    test: int
    about_sha256: str
    text: str
    by: str
    made: str
    sealed: bool


@dataclass(frozen=True, slots=True)
class Batch:
    """A batch, as its file says. profile: the id. operator: or nothing. started: RFC 3339."""

    path: Path
    id: str
    profile: str
    sha256_of_profile: str
    count: int
    operator: str
    started: str
    simulated: bool
    sealed: bool = True


@dataclass(frozen=True, slots=True)
class Measured:
    """What statistics need of a test. result: as of Listed. lane: none, uncalibrated or calibrated.

    sha256: of the profile that it was tested against. findings: kind and pins of each. links: first pin, ohms
    of the worst contact, uncertainty, and whether it is good; none where the tester does not measure. batch,
    item, seconds: or nothing, 0 and 0. Unreadable tests are not among them.
    """

    serial: str
    test: int
    result: Result
    started: str
    sealed: bool
    simulated: bool
    withdrawn: str
    revision: str
    sha256: str
    lane: str
    findings: tuple[tuple[str, tuple[str, ...]], ...]
    links: tuple[tuple[str, float, float, bool], ...]
    batch: str
    item: int
    seconds: int


@dataclass(frozen=True, slots=True)
class Put:
    """What became of a document that was to be put into the folder. name: of its file.

    state: `new`, now it is there; `same`, it was there; `other`, another one is there: nothing was changed,
    and why says what is in its way.
    """

    name: str
    state: Literal["new", "same", "other"]
    why: str = ""


def moments(text: str) -> tuple[str, str]:
    """The first and the last second of a year `2026`, a month `2026-11`, a day `2026-11-26` or a moment of
    RFC 3339, as RFC 3339 in UTC. Days are those of UTC, as they stand in records. Raises ValueError."""
    found = _DATE.fullmatch(text)
    if not found:
        raise ValueError("it is no date")
    if found["time"]:
        try:
            moment = datetime.fromisoformat(text.upper()).astimezone(UTC)
        except OverflowError:
            raise ValueError("it is no date") from None
        told = moment.strftime("%Y-%m-%dT%H:%M:%SZ")
        return told, told
    year, month, day = (int(found[name] or 0) for name in ("year", "month", "day"))
    first = date(year, month or 1, day or 1)
    last = date(year, month or 12, day or monthrange(year, month or 12)[1])
    return f"{first}T00:00:00Z", f"{last}T23:59:59Z"


def check_serial(text: str) -> str:
    """The serial, if it can be part of a file name on every system. Raises SerialError."""
    if not text:
        raise SerialError("the serial is empty")
    for position, character in enumerate(text, 1):
        if not re.fullmatch(r"[A-Za-z0-9._-]", character):
            raise SerialError(
                f"serial {text[:LARGEST_SERIAL]!a}: character {position} is U+{ord(character):04X}; "
                "a serial has only the letters A to Z and a to z, digits, `.`, `_` and `-`"
            )
    if len(text) > LARGEST_SERIAL:
        raise SerialError(f"serial `{text[:16]}…` has {len(text)} characters, of at most {LARGEST_SERIAL}")
    if not text[0].isalnum():
        raise SerialError(f"serial `{text}` begins with U+{ord(text[0]):04X}, not with a letter or digit")
    if text.endswith("."):
        raise SerialError(f"serial `{text}` ends with U+002E `.`, which Windows drops from file names")
    if text.split(".")[0].casefold() in _DEVICES:
        raise SerialError(f"serial `{text}` is a device on Windows and cannot name a file there")
    return text
