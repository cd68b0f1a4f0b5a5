"""`pinwright records verify`: prove that files are as they were made."""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Iterable, Iterator
from itertools import chain
from pathlib import Path

from pinwright.cable.wiring import printable
from pinwright.cli.kept import a_path, store_of
from pinwright.errors import RecordsError
from pinwright.library import profile_of
from pinwright.records.document import NotGenuine
from pinwright.sheets.genuine import DOCUMENT, genuine
from pinwright.terminal import say, show_error, show_text

EXAMPLE = "verify --simulated"
Verified = tuple[Path, int, str]  # a file, its status, what is to be said of it

NOT_GENUINE = 1
_FILES = (".json", ".pdf", ".html")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "files",
        metavar="FILE",
        nargs="*",
        type=a_path,
        help="records, PDFs, pages, or folders of them (default: the folder of records)",
    )


def run(arguments: argparse.Namespace) -> int:
    if arguments.files:
        return show_verified(_each(arguments.files), arguments.json)
    place = store_of(arguments).place
    return show_verified(chain(_each([place]), _lost(place)), arguments.json)


def _each(paths: Iterable[Path]) -> Iterator[Verified]:
    """Every file, and those of every folder, one by one: what is known of the first is shown at once."""
    for path in paths:
        files = _in_folder(path) if os.path.isdir(path) else [path]
        if not files:
            say(f"nothing to verify in `{path}`")
        for file in files:
            yield file, *_verified(file)


def _lost(place: Path) -> Iterator[Verified]:
    """Documents in the folder of records whose record is gone: the list does not have them any more."""
    for file in _in_folder(place) if os.path.isdir(place) else ():
        if DOCUMENT.fullmatch(file.name) and not os.path.exists(file.with_suffix(".json")):
            yield file, NOT_GENUINE, "NOT AS MADE: the record that should be beside it is gone"


def _verified(file: Path) -> tuple[int, str]:
    """The status of one file, and what is to be said of it."""
    try:
        record, remark = genuine(file, profile_of)
    except NotGenuine as error:
        return NOT_GENUINE, not_genuine(error)
    except OSError as error:
        return RecordsError.status, f"cannot be read: {error.strerror or error}"
    kind = "simulated " if record.simulated else ""
    verdict = "PASS" if record.passed else "FAIL"
    note = f" ({remark})" if remark else ""
    return 0, f"as made: {record.number}, {kind}{verdict}, {record.scan['started']}{note}"


def not_genuine(error: NotGenuine) -> str:
    return f"NOT AS MADE: {printable(error.reason, most=400)}"


def show_verified(told: Iterable[Verified], as_json: bool) -> int:
    """Say it of every file, in a line or as a member of the one document. Returns the gravest status."""
    statuses, files = {0}, []
    for file, status, seen in told:
        name = printable(str(file), most=4096)
        statuses.add(status)
        files.append({"file": str(file), "as_made": status == 0, "status": status, "seen": seen})
        if not as_json and status == RecordsError.status:
            show_error(f"`{name}` {seen}", "")
        elif not as_json:
            show_text(f"{name}: {seen}")
    if as_json:
        show_text(json.dumps({"schema": "pinwright/verify-1", "files": files}, indent=2))
    return max(statuses)


def _in_folder(folder: Path) -> list[Path]:
    """The files of a folder that could be records or pages, in order of name."""
    try:
        files = [path for path in folder.iterdir() if path.suffix.lower() in _FILES]
        return sorted(path for path in files if not path.name.startswith("."))
    except OSError as error:
        raise RecordsError(f"folder `{folder}` cannot be read: {error.strerror or error}") from error
