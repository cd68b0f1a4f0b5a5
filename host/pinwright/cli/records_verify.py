"""`pinwright records verify`: prove that files are as they were made."""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from functools import lru_cache, partial
from itertools import chain
from pathlib import Path

from pinwright.cable.wiring import printable
from pinwright.cli.kept import a_path, store_of
from pinwright.cli.workers import processors, workers
from pinwright.errors import RecordsError
from pinwright.library import profile_of
from pinwright.records.batches import BATCH_SCHEMA, read_batch
from pinwright.records.chain import check_beside, check_earlier, is_withdrawn
from pinwright.records.document import NotGenuine
from pinwright.records.record import Record, bytes_of
from pinwright.records.remarks import REMARK_SCHEMA, read_remark
from pinwright.records.rows import SAID_TO_BE, NamedBatch, NamedRemark, named
from pinwright.sheets.genuine import genuine
from pinwright.terminal import progress, say, show_error, show_text

EXAMPLE = "verify --simulated"
Verified = tuple[Path, int, str]  # a file, its status, what is to be said of it

NOT_GENUINE = 1
LOST = "NOT AS MADE: the record that should be beside it is gone"
MANY = 50  # files: with more of them it pays to start other programs
_AT_ONCE = 8  # files that one of them is given at a time
_profile_of = lru_cache(maxsize=100)(profile_of)  # a folder has many records of few profiles
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
        folder = os.path.isdir(path)
        files = _in_folder(path) if folder else [path]
        if not files:
            say(f"nothing to verify in `{path}`")
        with progress("verifying") as told:
            for done, (file, seen) in enumerate(zip(files, _all(files, folder), strict=True)):
                told(done, len(files))
                yield file, *seen


def _all(files: Sequence[Path], folder: bool) -> Iterator[tuple[int, str]]:
    """Each one verified, in their order; many of them by every processor. folder: all are in one, where what
    they name has to be too."""
    verify = partial(_verified, beside=folder)
    if len(files) < MANY or processors() < 2:
        yield from map(verify, files)
        return
    done = 0
    try:
        with workers() as pool:
            for seen in pool.map(verify, files, chunksize=_AT_ONCE):
                done += 1
                yield seen
    except (BrokenProcessPool, OSError):  # one was killed, or the system has none to give
        yield from map(verify, files[done:])


def _lost(place: Path) -> Iterator[Verified]:
    """Documents in the folder of records whose record is gone: the list does not have them any more."""
    for file in _in_folder(place) if os.path.isdir(place) else ():
        if SAID_TO_BE.fullmatch(file.name) and not os.path.exists(file.with_suffix(".json")):
            yield file, NOT_GENUINE, LOST


def _verified(file: Path, beside: bool) -> tuple[int, str]:
    """The status of one file, and what is to be said of it. beside: what it names has to be in its folder."""
    try:
        return 0, f"as made: {_what(file, beside)}"
    except NotGenuine as error:
        return NOT_GENUINE, not_genuine(error)
    except OSError as error:
        return RecordsError.status, f"cannot be read: {error.strerror or error}"


def _what(file: Path, beside: bool) -> str:
    """What a file is. Raises NotGenuine where it is not as it was made, OSError where it cannot be read."""
    about = named(file.name)
    if isinstance(about, NamedRemark) or (about is None and _begins(file, REMARK_SCHEMA)):
        return _remark(file, beside)
    if isinstance(about, NamedBatch) or (about is None and _begins(file, BATCH_SCHEMA)):
        return _batch(file)
    record, remark = genuine(file, _profile_of)
    if beside:
        check_earlier(file.parent, record.doc)
    kind = "simulated " if record.simulated else ""
    verdict = "PASS" if record.passed else "FAIL"
    withdrawn = ", WITHDRAWN since" if is_withdrawn(file.parent, record.number) else ""
    note = f" ({remark})" if remark else ""
    return f"{record.number}, {kind}{verdict}, {record.scan['started']}{withdrawn}{note}"


def kept_record(path: Path) -> Record:
    """A record of the folder of records, proven as `records verify` proves it there: by itself, and by the
    earlier test that it names. Raises NotGenuine, and RecordsError where a file cannot be read."""
    try:
        record, _ = genuine(path, _profile_of)
        check_earlier(path.parent, record.doc)
    except OSError as error:
        raise RecordsError(f"record `{path}` cannot be read: {error.strerror or error}") from error
    return record


def _begins(file: Path, schema: str) -> bool:
    """Whether a file under any name says that it is a document of this schema."""
    return file.suffix.lower() == ".json" and f'"schema":"{schema}"'.encode() in bytes_of(file)


def _remark(file: Path, beside: bool) -> str:
    doc = read_remark(bytes_of(file))
    _check_name(file, doc["number"])
    if beside:
        check_beside(file.parent, doc["about"], "the test that it is about")
    return f"{doc['number']}, {doc['kind']}, {doc['made']}"


def _batch(file: Path) -> str:
    doc = read_batch(bytes_of(file))
    _check_name(file, f"{doc['id']}.batch")
    kind = "simulated " if doc["simulated"] else ""
    return f"{doc['id']}, {kind}batch of {doc['count']}, {doc['started']}"


def _check_name(file: Path, own: str) -> None:
    """Raises NotGenuine where a file has the name of another document of ours."""
    if named(file.name) and file.stem.casefold() != own.casefold():
        raise NotGenuine(f"it is `{own}`, under another name")


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
