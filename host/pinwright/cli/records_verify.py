"""`pinwright records verify`: prove that files are as they were made."""

from __future__ import annotations

import argparse
import json
import os
import signal
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import lru_cache, partial
from itertools import chain
from multiprocessing import get_context
from pathlib import Path

from pinwright.cable.wiring import printable
from pinwright.cli.kept import a_path, store_of
from pinwright.errors import RecordsError
from pinwright.library import profile_of
from pinwright.records.batches import BATCH_SCHEMA, read_batch
from pinwright.records.document import SEAL, NotGenuine, is_sealed
from pinwright.records.record import bytes_of
from pinwright.records.remarks import REMARK_SCHEMA, read_remark
from pinwright.records.rows import NamedBatch, NamedRemark, named
from pinwright.records.store import PREVIOUS
from pinwright.sheets.genuine import DOCUMENT, genuine
from pinwright.terminal import progress, say, show_error, show_text

EXAMPLE = "verify --simulated"
Verified = tuple[Path, int, str]  # a file, its status, what is to be said of it

NOT_GENUINE = 1
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
    if len(files) < MANY or (os.cpu_count() or 1) < 2:
        yield from map(verify, files)
        return
    done = 0
    try:
        with _workers() as workers:
            try:
                for seen in workers.map(verify, files, chunksize=_AT_ONCE):
                    done += 1
                    yield seen
            except BaseException:  # nobody waits for the rest
                workers.shutdown(wait=False, cancel_futures=True)
                raise
    except (BrokenProcessPool, OSError):  # one was killed, or the system has none to give
        yield from map(verify, files[done:])


@contextmanager
def _workers() -> Iterator[ProcessPoolExecutor]:
    """Programs of our own that verify. Ctrl-C is for the one that started them, which ends them."""
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as workers:
        ours = threading.current_thread() is threading.main_thread()
        before = signal.signal(signal.SIGINT, signal.SIG_IGN) if ours else None  # the others inherit that
        try:
            for _ in range(os.cpu_count() or 1):
                workers.submit(_ignore_interrupts)
        finally:
            if before is not None:
                signal.signal(signal.SIGINT, before)
        yield workers


def _ignore_interrupts() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _lost(place: Path) -> Iterator[Verified]:
    """Documents in the folder of records whose record is gone: the list does not have them any more."""
    for file in _in_folder(place) if os.path.isdir(place) else ():
        if DOCUMENT.fullmatch(file.name) and not os.path.exists(file.with_suffix(".json")):
            yield file, NOT_GENUINE, "NOT AS MADE: the record that should be beside it is gone"


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
    earlier = record.doc.get(PREVIOUS)
    if beside and earlier:
        _check_beside(file, earlier, "the earlier test that it names")
    kind = "simulated " if record.simulated else ""
    verdict = "PASS" if record.passed else "FAIL"
    withdrawn = (
        ", WITHDRAWN since" if os.path.exists(file.parent / f"{record.number}.withdrawal-1.json") else ""
    )
    note = f" ({remark})" if remark else ""
    return f"{record.number}, {kind}{verdict}, {record.scan['started']}{withdrawn}{note}"


def _begins(file: Path, schema: str) -> bool:
    """Whether a file under any name says that it is a document of this schema."""
    return file.suffix.lower() == ".json" and f'"schema":"{schema}"'.encode() in bytes_of(file)


def _remark(file: Path, beside: bool) -> str:
    doc = read_remark(bytes_of(file))
    _check_name(file, doc["number"])
    if beside:
        _check_beside(file, doc["about"], "the test that it is about")
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


def _check_beside(file: Path, told: Mapping[str, str], what: str) -> None:
    """Raises NotGenuine unless the record with this number and seal is in the same folder."""
    there = [
        file.parent / name
        for kind in ("certificate", "report")
        for name in _spelt(file.parent, f"{told['number']}.{kind}.json")
    ]
    if not there:
        raise NotGenuine(f"{what}, `{told['number']}`, is gone")
    if not any(_has_seal(bytes_of(path), told[SEAL]) for path in there):
        raise NotGenuine(f"{what}, `{told['number']}`, has not the SHA-256 {told[SEAL]}")


def _has_seal(data: bytes, sha256: str) -> bool:
    return f'"{SEAL}":"{sha256}"'.encode() in data and is_sealed(data)


def _spelt(folder: Path, name: str) -> list[str]:
    """The names in the folder that are this one, in whatever case."""
    if os.path.exists(folder / name):
        return [name]
    return _names_in(folder, os.stat(folder).st_mtime_ns).get(name.casefold(), [])


@lru_cache(maxsize=1)
def _names_in(folder: Path, stamp: int) -> Mapping[str, list[str]]:
    """Name in lower case → as it is spelt. stamp: the folder's time of change, while it stays the same."""
    names: dict[str, list[str]] = {}
    for name in os.listdir(folder):
        names.setdefault(name.casefold(), []).append(name)
    return names


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
