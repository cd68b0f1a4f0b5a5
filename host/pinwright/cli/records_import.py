"""`pinwright records import`: take in what `records export` or `records backup` wrote."""

from __future__ import annotations

import argparse
import functools
import json
import os
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from itertools import chain, islice
from pathlib import Path
from typing import IO

from pinwright.cable.wiring import printable
from pinwright.cli.kept import a_path, store_of
from pinwright.cli.workers import processors, workers
from pinwright.errors import OwnBug, RecordsError, UsageError
from pinwright.library import profile_of
from pinwright.records.backup import Backup, is_zip
from pinwright.records.document import NotGenuine
from pinwright.records.lines import is_there, lines_in, proven
from pinwright.records.record import MOST_BYTES, Record, read_record
from pinwright.records.store import Put, Store
from pinwright.terminal import progress, say, show_text

EXAMPLE = "import records.jsonl --simulated"
NOTES = """\
A FILE holds a sealed document in every line, or is a backup; `-` is standard input. Each document is proven
as `records verify` does it before it is taken in, and its PDF and page are drawn anew. What is here already
is left as it is. What is not as it was made, or has another content than what is here under its name, is
named and not taken in; nor are tests of its serial that come after it, which may be of another cable.

Exit status: 0 all is here now, 1 something was not taken in, 2 the folder or a file cannot be used.

"""
_SCHEMA = "pinwright/import-1"
_AT_ONCE = 100  # documents that are proven and put into the folder together
_A_FEW = 20  # documents for which another process takes longer to start than it helps
_A_PIECE = 4  # documents that one of them is given at a time
_PART = 1 << 20
_ONCE_MORE = "what was taken in stays; once that is put right, the same import brings the rest"
_TOO_LONG = f"it is longer than {MOST_BYTES} bytes, which no document is"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = f"{NOTES}{parser.epilog}"
    parser.add_argument(
        "files", metavar="FILE", nargs="+", type=a_path, help="JSON Lines, or a backup; `-` is standard input"
    )
    parser.add_argument("--no-documents", action="store_true", help="do not draw PDFs and pages")


@dataclass(frozen=True, slots=True)
class _Found:
    """One document of a file: its line, or its member where the file is a backup. data: None where why says
    what is wrong."""

    file: str
    line: int | None
    member: str
    data: bytes | None
    why: str = ""

    @property
    def where(self) -> str:
        file = "standard input" if self.file == "-" else _shown(self.file)
        return f"{file}, `{printable(self.member)}`" if self.line is None else f"{file}, line {self.line}"


@dataclass(frozen=True, slots=True)
class _Proof:
    """What is known of the bytes of a document. why: what is wrong with them; name, simulated, about: as of
    Proven. drawn: from it, as extension → contents; None where nothing was. bug: why nothing could be."""

    why: str = ""
    name: str = ""
    simulated: bool | None = None
    about: tuple[str, str] | None = None
    drawn: Mapping[str, bytes] | None = None
    bug: str = ""


@dataclass(slots=True)
class _Tally:
    """new, same: how many documents were taken in, and were here. refused: what was not taken in, its name as
    far as it has one, and why. bugs: why documents could not be drawn."""

    new: int = 0
    same: int = 0
    refused: list[tuple[_Found, str, str]] = field(default_factory=list)
    bugs: list[str] = field(default_factory=list)

    @property
    def text(self) -> str:
        return f"taken in: {self.new}; here already: {self.same}; not taken in: {len(self.refused)}"


_Task = tuple[bytes, Path | None]
_ProveAll = Callable[[Sequence[_Task]], Iterable[_Proof]]


def run(arguments: argparse.Namespace) -> int:
    """0, or 1 where something was not taken in."""
    store = store_of(arguments)
    # A folder that is named may hold both: scans of both may be told to use it.
    only = None if arguments.records else bool(arguments.simulated)
    tally = _Tally()
    with ExitStack() as files, progress("taking in") as told:
        sources = [_Source(path, files) for path in arguments.files]
        of = sum(source.count() for source in sources)
        store.check_writable()
        documents = chain.from_iterable(source.documents() for source in sources)
        first = list(islice(documents, _A_FEW))
        documents, done = chain(first, documents), 0
        refused: dict[str, tuple[int, str]] = {}
        with _provers(len(first) == _A_FEW) as prove_all:
            while some := list(islice(documents, _AT_ONCE)):
                told(done, of)
                before = len(tally.refused)
                try:
                    _take_in(store, some, prove_all, only, not arguments.no_documents, tally, refused)
                except RecordsError as error:
                    raise RecordsError(error.message, hint=_ONCE_MORE) from error
                finally:
                    if not arguments.json:
                        _show_refused(tally.refused[before:])
                done += len(some)
    if arguments.json:
        show_text(json.dumps(_document(store, tally), indent=2))
    else:
        say(tally.text)
    if tally.bugs:
        raise OwnBug(f"the records were taken in, but documents of {len(tally.bugs)} cannot be drawn") from (
            RuntimeError(tally.bugs[0])
        )
    return 1 if tally.refused else 0


def _shown(path: Path | str) -> str:
    return printable(str(path), most=4096)


class _Source:
    """A file that is taken in. Raises UsageError where it cannot be read, or its first line is no JSON: that
    shows before anything is taken in, where it can be read twice."""

    def __init__(self, path: Path, opened: ExitStack) -> None:
        self._name = str(path)
        self._backup: Backup | None = None
        if self._name == "-":
            self._file: IO[bytes] = sys.stdin.buffer
            return
        try:
            self._file = opened.enter_context(path.open("rb"))
            if self._file.seekable() and is_zip(self._file):
                self._backup = Backup(self._file)
            elif self._file.seekable():
                self._check(next(lines_in(self._file), None))
                self._file.seek(0)
        except NotGenuine as error:
            raise UsageError(f"`{_shown(path)}`: {error.reason}") from None
        except (OSError, ValueError) as error:  # ValueError: a name that no file can have
            raise UsageError(
                f"`{_shown(path)}` cannot be read: {getattr(error, 'strerror', None) or error}"
            ) from error

    def count(self) -> int:
        """How many documents, or lines; 0 where that shows only at the end."""
        if self._backup:
            return self._backup.count()
        if self._name == "-" or not self._file.seekable():
            return 0
        lines = sum(part.count(b"\n") for part in iter(lambda: self._file.read(_PART), b""))
        self._file.seek(0)
        return lines

    def _check(self, first: tuple[int, bytes | None] | None) -> None:
        """Raises UsageError where the first line that is not empty is not JSON."""
        if first is None:
            return
        number, data = first
        try:
            json.loads(data or b"")
        except RecursionError:  # it is, but no document of ours
            return
        except ValueError:
            name = "standard input" if self._name == "-" else f"`{_shown(self._name)}`"
            raise UsageError(
                f"{name} is neither an export nor a backup: line {number} is not JSON",
                hint="`pinwright records export` and `records backup` write what can be taken in",
            ) from None

    def documents(self) -> Iterator[_Found]:
        try:
            if self._backup:
                for member in self._backup.members():
                    yield _Found(self._name, None, member.name, member.data, member.why)
                return
            lines = lines_in(self._file)
            first = next(lines, None)
            self._check(first)
            for line, data in chain([first] if first else [], lines):
                yield _Found(self._name, line, "", data, "" if data else _TOO_LONG)
        except OSError as error:
            raise UsageError(f"`{_shown(self._name)}` cannot be read: {error.strerror or error}") from error


def _take_in(
    store: Store,
    some: Sequence[_Found],
    prove_all: _ProveAll,
    only: bool | None,
    draws: bool,
    tally: _Tally,
    refused: dict[str, tuple[int, str]],
) -> None:
    """Prove these documents and put them into the folder. only: of simulations, or of none; None: of both.
    refused: as of Store.put."""
    tasks = [(found.data, store.place if draws else None) for found in some if found.data is not None]
    proofs = iter(list(prove_all(tasks)))
    told = [(found, next(proofs) if found.data is not None else _Proof()) for found in some]
    drawn = {found.data: proof.drawn for found, proof in told if proof.drawn is not None}

    def draw(record: bytes) -> Mapping[str, bytes]:
        """What was drawn already; where the record was here until just now, it is drawn only now."""
        ready = drawn.get(record)
        return _drawn(read_record(record, _profile_of)) if ready is None else ready

    became: dict[int, Put] = {}
    # A remark is taken in where the very record that it is about is here: that shows after the records.
    for remarks in (False, True):
        wanted: list[tuple[int, bytes]] = []
        for index, (found, proof) in enumerate(told):
            if (proof.about is not None) != remarks:
                continue
            if why := _wrong(found, proof, only, store):
                became[index] = Put(proof.name, "other", why)
            elif found.data is not None:
                wanted.append((index, found.data))
        puts = store.put([data for _, data in wanted], draw if draws else None, refused)
        became.update(zip((index for index, _ in wanted), puts, strict=True))
    for index, (found, proof) in enumerate(told):
        put = became[index]
        if put.state == "other":
            tally.refused.append((found, proof.name, put.why))
        else:
            tally.new += put.state == "new"
            tally.same += put.state == "same"
            tally.bugs += [proof.bug] if proof.bug and put.state == "new" else []


def _wrong(found: _Found, proof: _Proof, only: bool | None, store: Store) -> str:
    """Why a document is not put into the folder, or nothing."""
    if found.data is None:
        return found.why
    if proof.why:
        return f"NOT AS MADE: {proof.why}"
    if found.member and found.member.casefold() != proof.name.casefold():
        return f"NOT AS MADE: it is `{proof.name}`, under another name"
    if only is not None and proof.simulated == (not only):
        if proof.simulated:
            return (
                "no cable was tested, this is a simulation: `--simulated` takes it into the folder of those"
            )
        return "it is of a cable: without `--simulated` it is taken into the folder of those"
    if proof.about and not is_there(store.place, proof.about):
        return f"the record that it is about is not here: `{proof.about[0]}`, SHA-256 {proof.about[1]}"
    return ""


def _show_refused(refused: Iterable[tuple[_Found, str, str]]) -> None:
    for found, name, why in refused:
        what = f" `{printable(name)}`:" if name else ""
        show_text(f"{found.where}:{what} {printable(why, most=400)}")


def _document(store: Store, tally: _Tally) -> dict[str, object]:
    return {
        "schema": _SCHEMA,
        "place": str(store.place),
        "new": tally.new,
        "same": tally.same,
        "refused": [
            {
                "file": found.file,
                "line": found.line,
                "member": found.member or None,
                "name": name or None,
                "seen": why,
            }
            for found, name, why in tally.refused
        ],
    }


# Proving: most of the time goes into it, and into drawing


_profile_of = functools.lru_cache(maxsize=64)(profile_of)


def _drawn(record: Record) -> Mapping[str, bytes]:
    from pinwright.sheets.documents import documents_of  # takes a moment: only who draws waits

    return documents_of(record)


def _prove(task: _Task) -> _Proof:
    """Read a document in full, and draw what it lacks in a folder. In whichever process."""
    data, place = task
    try:
        told = proven(data, _profile_of)
    except NotGenuine as error:
        return _Proof(error.reason)
    proof = _Proof("", told.name, told.simulated, told.about)
    if place is None or told.record is None or os.path.lexists(place / told.name):
        return proof
    try:
        return replace(proof, drawn=_drawn(told.record))
    except Exception:  # it must not cost the test its record
        return replace(proof, drawn={}, bug=traceback.format_exc())


@contextmanager
def _provers(many: bool) -> Iterator[_ProveAll]:
    """What proves documents: this process, or all processors where there are many and it pays."""
    if not many or processors() == 1:
        yield lambda tasks: map(_prove, tasks)
        return
    with workers() as pool:

        def prove_all(tasks: Sequence[_Task]) -> Iterable[_Proof]:
            try:
                return list(pool.map(_prove, tasks, chunksize=_A_PIECE))
            except BrokenProcessPool:  # they could not start, or somebody ended one
                return map(_prove, tasks)

        yield prove_all
