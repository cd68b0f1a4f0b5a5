"""Which folder of records a command means, and words that its options share."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

from pinwright.cable.wiring import printable
from pinwright.errors import UsageError
from pinwright.records.entries import moments
from pinwright.records.store import Store, default_place
from pinwright.terminal import progress, say

_WITHOUT_ZONE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9:.]+")


def add_place(parser: argparse.ArgumentParser) -> None:
    """The options that name the folder."""
    parser.add_argument("--records", metavar="PLACE", type=a_path, help="the folder (default: your own)")
    parser.add_argument("--simulated", action="store_true", help="the folder of scans on a virtual tester")


def store_of(arguments: argparse.Namespace) -> Store:
    """The folder that the options name. Raises UsageError where they name two."""
    if arguments.simulated and arguments.records:
        raise UsageError("`--simulated` and `--records` name two folders; give one of them")
    return store_at(arguments.records or default_place(simulated=arguments.simulated))


def store_at(place: Path) -> Store:
    """The folder there; what takes long is shown, and what it has to say is said."""
    return Store(place, watched=progress, say=say)


def say_lost(store: Store, serial: str = "") -> None:
    """Say where a record is lost whose documents are there; serial: as of Query."""
    lost = store.lost(serial)
    if lost:
        say(
            f"documents of a lost record are in `{store.place}`, such as `{lost[0].name}`; "
            "`pinwright records verify` names them all"
        )


def a_moment(option: str, text: str, which: int) -> str:
    """The first (0) or the last (1) second of what an option names, as RFC 3339. Raises UsageError."""
    try:
        return moments(text)[which]
    except ValueError:
        if _WITHOUT_ZONE.fullmatch(text):
            raise UsageError(
                f"`{option} {printable(text)}` names a time of day without its zone: a moment is such as "
                "2026-03-01T09:30Z (UTC) or 2026-03-01T09:30+01:00"
            ) from None
        raise UsageError(
            f"`{option} {printable(text)}` should be a date, such as 2026, 2026-03, 2026-03-01 or "
            "2026-03-01T09:30:00Z"
        ) from None


def a_number(text: str) -> int:
    """A whole number from 1 on."""
    if not (text.isascii() and text.isdecimal() and len(text) <= 9 and int(text)):
        raise argparse.ArgumentTypeError("should be a whole number, 1 or more")
    return int(text)


def a_path(text: str) -> Path:
    """A file or folder."""
    if not text:
        raise argparse.ArgumentTypeError("needs a name, not an empty word")
    return Path(text)
