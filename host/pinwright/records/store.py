"""The folder of records: each test's sealed record and the documents drawn from it, whole or not there.

The files of a test are first written to unfinished files, which are hidden, and flushed to the disk.
Then they get their names by hard links, which fail where a name exists, so nothing is ever replaced.
The record comes first: once it has its name the test is saved, and its documents are sure to follow.

Saves take turns by a lock on the folder, so an unfinished file found under the lock was left by a
program that died. A document is then complete if its record has its name, and gets its own; the rest is
removed. The record of that name may be another one, copied here from elsewhere: so the name of an
unfinished file also says, by a hash, of which record it is.

What is asked of the folder is answered from an index beside the files, which is made of them (`index`).
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import filelock
import platformdirs

from pinwright.cable.wiring import printable
from pinwright.errors import RecordsError, SerialError
from pinwright.records.batches import BATCH_SCHEMA
from pinwright.records.carrier import open_carrier
from pinwright.records.document import SEAL, NotGenuine, canonical, open_sealed, seal
from pinwright.records.entries import (
    EVERYTHING,
    Batch,
    Damaged,
    Entry,
    Kind,
    Listed,
    Measured,
    Put,
    Query,
    Remark,
    RemarkKind,
    Told,
    Unusable,
    Watched,
    check_serial,
)
from pinwright.records.record import bytes_of
from pinwright.records.remarks import REMARK_SCHEMA, remark_document
from pinwright.records.rows import ANY_NAME, LARGEST_COUNT, named, test_of
from pinwright.records.whole import flush_names, link

if TYPE_CHECKING:
    from pinwright.records.index import Change, Index

__all__ = [
    "Batch",
    "Entry",
    "Kind",
    "Listed",
    "Measured",
    "Put",
    "Query",
    "Remark",
    "Saved",
    "Store",
    "check_serial",
    "default_place",
]

T = TypeVar("T")
Draw = Callable[[bytes], Mapping[str, bytes]]  # a sealed record → extension → contents of its documents
Expect = tuple[str, Callable[[Sequence[Listed]], None]]  # id of a batch, and who checks its tests

LARGEST_NUMBER = 1_000_000
LOCK_WAIT_S = 30.0
_LOCK_POLL_S = 0.005  # a save takes about as long

LOCK = ".lock"
_PROBE = ".unfinished"  # up to 0.2.0 the name of every unfinished file
_RECORD = "json"
PREVIOUS = "previous"  # member of a record: number and seal of the test before it
_ELSEWHERE = "`--records PLACE` keeps records in another folder"
_UNFINISHED = re.compile(
    rf"\.(?P<name>{ANY_NAME})\.(?P<tag>[0-9a-f]{{16}})\.unfinished", re.IGNORECASE | re.ASCII
)
_SEEN = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EROFS: "it is on a read-only disk",
    errno.EACCES: "access is denied",
    errno.EPERM: "access is denied",
    errno.EEXIST: "it is not a folder",
    errno.ENOTDIR: "it is not a folder, or lies below something that is not",
    errno.ENOENT: "it is not there",
    errno.EIO: "the disk reports an input/output error",
}


@dataclass(frozen=True, slots=True)
class Saved:
    """A record that is on the disk. test: 1 for the first test of this serial, then counted up.

    documents: what was drawn from it, as extension → path.
    """

    path: Path
    serial: str
    test: int
    documents: Mapping[str, Path] = field(default_factory=dict)


@contextlib.contextmanager
def _unwatched(what: str) -> Iterator[Told]:
    yield lambda done, of: None


def _unheard(text: str) -> None:
    pass


def default_place(simulated: bool = False) -> Path:
    """The records folder inside the user's data folder. Simulations have one of their own: they use up no
    cable's serial number, and are never found among certificates of cables."""
    folder = "simulated" if simulated else "records"
    return Path(platformdirs.user_data_dir("pinwright", appauthor=False)) / folder


class Store:
    """The records in one folder. Serials that differ only in upper and lower case are one serial."""

    def __init__(
        self, place: Path, *, watched: Watched = _unwatched, say: Callable[[str], None] = _unheard
    ) -> None:
        """watched: shows how far long work has come, as terminal.progress does. say: hears a line of talk."""
        self.place = place
        self._watched = watched
        self._say = say
        self._made: Index | None = None

    @property
    def _index(self) -> Index:
        if self._made is None:
            from pinwright.records.index import Index  # takes a while: only who asks or saves waits for it

            self._made = Index(self.place, self._locked_at_once, self._watched, self._say)
        return self._made

    # Reading. It changes no record and waits for nobody: one that is just being saved may lack documents yet.

    def is_used(self, serial: str) -> bool:
        """Is there a record of this serial? Raises RecordsError if the folder cannot be read."""
        return bool(self.tests_of(serial))

    def tests_of(self, serial: str) -> tuple[Entry, ...]:
        """The records of one cable, the latest last. Raises RecordsError if the folder cannot be read."""
        from pinwright.records import queries

        return self._ask(lambda rows: queries.entries(rows, self.place, serial))

    def entries(self) -> tuple[Entry, ...]:
        """Every record, by serial (numbers in it by their value) and test. A missing folder has none.

        Raises RecordsError if the folder cannot be read.
        """
        from pinwright.records import queries

        return self._ask(lambda rows: queries.entries(rows, self.place))

    def found(self, query: Query = EVERYTHING) -> list[Listed]:
        """What fits, by serial and test. Raises RecordsError if the folder cannot be read, and ValueError
        where `since` or `until` is no date."""
        from pinwright.records import queries

        return self._ask(queries.found(self.place, query), queries.files_of(query.serial))

    def lost(self, serial: str = "") -> list[Path]:
        """Files of tests whose record is not there, by serial and test: documents that were drawn from it,
        and remarks about it. serial: as of Query."""
        from pinwright.records import queries

        return [self.place / name for name in self._ask(lambda rows: queries.lost(rows, serial))]

    def check_not_lost(self, serial: str) -> None:
        """Raises SerialError where all records of this serial are lost, and something of them is there."""
        if not self.is_used(serial) and (lost := self.lost(serial)):
            raise _only_lost(serial, lost[0])

    def cables(self, prefix: str = "", most: int = 100) -> list[str]:
        """Serials with a record that begin so, in either case, in order; at most so many."""
        from pinwright.records import queries

        return self._ask(lambda rows: queries.serials(rows, prefix, most))

    def remarks_of(self, serial: str) -> list[Remark]:
        """Notes and withdrawals of one cable, by test, and in the order they were made."""
        from pinwright.records import queries

        return self._ask(lambda rows: queries.remarks_of(rows, self.place, serial), queries.files_of(serial))

    def batches(self, profile: str | None = None) -> list[Batch]:
        """The batches of one profile or of all, by profile and number; those that can be read."""
        from pinwright.records import queries

        return self._ask(
            lambda rows: queries.batches_of(rows, self.place, profile), queries.files_of_batches()
        )

    def measured(self, profile: str, since: str = "", until: str = "") -> list[Measured]:
        """What statistics need of every readable test of a profile, by the time it started. since, until: as
        of Query."""
        from pinwright.records import queries

        return self._ask(queries.measured(profile, since, until), queries.files_of())

    def _ask(self, question: Callable[[Any], T], files: Any = None) -> T:
        with self._told("read"):
            return self._index.ask(question, files)

    # Saving

    def check_writable(self) -> None:
        """Make the folder if need be and prove that a file can be written there, and the index. Raises
        RecordsError."""
        with self._locked():
            try:
                with self._told("write to"):
                    _write(self.place / _PROBE, b"probe")
            finally:
                self._finish_quietly()
        self._changed(lambda change: None)

    def save(
        self,
        make: Callable[[str, int], Mapping[str, Any]],
        *,
        kind: Kind,
        serial: str | None,
        pattern: Callable[[int], str],
        again: bool,
        draw: Draw | None = None,
        expect: Expect | None = None,
    ) -> Saved:
        """Choose serial and test number, make the document for them, seal it and put it on the disk,
        together with what is drawn from it. The number is after that of every file of this serial, also of
        one whose record is lost.

        make(serial, test): called under the folder's lock, as draw is, so neither should wait for anything.
        From the second test on the store adds the member `previous`, if the record of the test before is as
        it was sealed.
        serial: None takes the number after the highest that `pattern` was used with; gaps stay.
        pattern(n): the serial with the number n written in decimal.
        again: let a used serial through, as its next test and in the spelling it has in the folder.
        draw(record): the documents of the sealed record with these bytes, as extension → contents.
        expect: id of a batch, and who looks at its tests as they are under the lock, before anything else; he
        raises RecordsError where they are not what he knows.
        Raises SerialError (used, lost, or no file name), RecordsError, and ValueError for an extension that
        is not lower-case letters. Whatever is raised, nothing is saved.
        """
        if serial is None and again:
            raise SerialError("a re-test needs the serial of the cable that is tested again")
        if serial is not None:
            check_serial(serial)

        def save(change: Change) -> Saved:
            if expect:
                self._check_expected(change, expect)
            own, test, last = self._chosen(change, serial, pattern, again)
            doc = {key: value for key, value in make(own, test).items() if key != PREVIOUS}
            if last and (earlier := _seal_of(last)):
                doc[PREVIOUS] = {"number": f"{last.serial}.test-{last.test}", SEAL: earlier}
            path, *documents = self._put(change, f"{own}.test-{test}.{kind}", canonical(seal(doc)), draw)
            return Saved(path, own, test, {path.suffix[1:]: path for path in documents})

        return self._changed(save)

    def _check_expected(self, change: Change, expect: Expect) -> None:
        from pinwright.records import queries

        batch, check = expect
        check(change.ask(queries.found(self.place, Query(batch=batch))))

    def _chosen(
        self, change: Change, serial: str | None, pattern: Callable[[int], str], again: bool
    ) -> tuple[str, int, Entry | None]:
        """Serial and number of a test to be saved, and the test before it."""
        from pinwright.records import queries

        if serial is None:
            free = change.ask(lambda rows: queries.next_serial(rows, pattern, LARGEST_NUMBER))
            if free is None:
                raise SerialError(
                    f"the serials after `{pattern(LARGEST_NUMBER)}` are used up",
                    hint="`--serial TEXT` gives one by hand",
                )
            return check_serial(free), 1, None
        tests, lost = self._tests(change, serial), self._lost(change, serial)
        if not tests:
            if lost:
                raise _only_lost(serial, self.place / lost[0])
            return serial, 1, None
        if not again:
            raise SerialError(
                f"serial `{serial}` is already used: `{tests[-1].path}`",
                hint="`--again` records another test of the same cable",
            )
        last = max([tests[-1].test, *(test_of(name)[1] for name in lost)])
        if last >= LARGEST_COUNT:
            raise SerialError(
                f"serial `{serial}` has a test {last}, after which no other can be numbered",
                hint="`pinwright records verify` says whether that file is as it was made",
            )
        return tests[0].serial, last + 1, tests[-1]

    def _tests(self, change: Change, serial: str) -> tuple[Entry, ...]:
        from pinwright.records import queries

        return change.ask(lambda rows: queries.entries(rows, self.place, serial))

    def _lost(self, change: Change, serial: str) -> list[str]:
        from pinwright.records import queries

        return change.ask(lambda rows: queries.lost(rows, serial))

    def _put(self, change: Change, stem: str, record: bytes, draw: Draw | None) -> list[Path]:
        """Draw what is to be drawn, and put it all on the disk. Returns the paths, the record's first."""
        drawn = draw(record) if draw else {}
        for extension in drawn:
            if extension == _RECORD or not re.fullmatch(r"[a-z]+", extension):
                raise ValueError(f"a document of a record cannot have the extension {extension!a}")
        if not named(f"{stem}.{_RECORD}"):
            raise ValueError(f"`{stem}.{_RECORD}` is no name of a document of ours")
        contents = {f"{stem}.{_RECORD}": record}
        contents |= {f"{stem}.{extension}": data for extension, data in drawn.items()}
        change.add(contents)
        self._keep({self.place / name: data for name, data in contents.items()})
        return [self.place / name for name in contents]

    def remark(
        self,
        kind: RemarkKind,
        serial: str,
        test: int | None,
        text: str,
        *,
        by: str | None,
        made: str,
        host: str,
    ) -> Path:
        """Keep a remark about a test of a cable (None: the latest). made: RFC 3339. host: this version.

        Raises SerialError where there is no such test, RecordsError where its record is not as it was sealed
        or it is withdrawn already, UsageError where the text is none.
        """
        from pinwright.records import queries

        check_serial(serial)
        which = "record" if test is None else f"test {test}"
        no_such = SerialError(f"serial `{serial}` has no {which} in `{self.place}`")
        if not os.path.isdir(self.place):
            raise no_such

        def keep(change: Change) -> Path:
            tests = self._tests(change, serial)
            entry = next((one for one in reversed(tests) if test in (None, one.test)), None)
            if entry is None:
                raise no_such
            last = change.ask(lambda rows: queries.last_remark(rows, serial, entry.test, kind))
            if last >= LARGEST_COUNT:
                raise RecordsError(
                    f"test {entry.test} of `{entry.serial}` has a {kind} {last}, after which no other can be "
                    "numbered",
                    hint="`pinwright records verify` says whether that file is as it was made",
                )
            if last and kind == "withdrawal":
                there = change.ask(lambda rows: queries.remarks_of(rows, self.place, serial))
                raise _withdrawn_already(
                    entry, [one for one in there if (one.kind, one.test) == (kind, entry.test)]
                )
            sealed = _seal_of(entry)
            if sealed is None:
                raise RecordsError(
                    f"record `{entry.path}` is not as it was sealed; what is said of it would not last",
                    hint="`pinwright records verify` says what is wrong with it",
                )
            doc = remark_document(
                kind,
                entry.serial,
                entry.test,
                last + 1,
                about_sha256=sealed,
                text=text,
                by=by,
                made=made,
                host=host,
            )
            (path,) = self._put(change, doc["number"], canonical(seal(doc)), None)
            return path

        return self._changed(keep)

    def new_batch(self, profile: str, make: Callable[[str], Mapping[str, Any]]) -> Batch:
        """Number a batch of this profile's, `PROFILE-K`, make its document (batches.batch_document) for that
        id under the folder's lock, seal it and put it on the disk. Raises RecordsError."""
        from pinwright.records import queries

        def keep(change: Change) -> Batch:
            last = change.ask(lambda rows: queries.last_batch(rows, profile))
            if last >= LARGEST_COUNT:
                raise RecordsError(
                    f"`{profile}` has a batch {last} in `{self.place}`, after which no other can be numbered",
                    hint=f"`{profile}-{last}.batch.json` may be no batch: move it elsewhere",
                )
            id = f"{profile}-{last + 1}"
            doc = make(id)
            (path,) = self._put(change, f"{id}.batch", canonical(seal(doc)), None)
            return Batch(
                path,
                id,
                profile,
                doc["profile"][SEAL],
                doc["count"],
                doc["operator"] or "",
                doc["started"],
                doc["simulated"],
            )

        return self._changed(keep)

    def put(
        self,
        many: Sequence[bytes],
        draw: Draw | None = None,
        refused: dict[str, tuple[int, str]] | None = None,
    ) -> list[Put]:
        """Put documents of any of the three schemas into the folder, which the caller has proven, under one
        lock. draw: the documents of a sealed record, as of `save`. One answer each, in their order.

        Where a test cannot be put there, what is there may be of another cable of the same serial: so no test
        of that serial that comes after it is, and no remark about that test or a later one. refused: these
        serials, in lower case, each with number and name of the test; the same for all parts of one import.
        Raises RecordsError; what came before that document is there.
        """
        told: list[Put] = []
        mixed = {} if refused is None else refused
        self._changed(lambda change: told.extend(self._each_put(change, many[len(told) :], draw, mixed)))
        return told

    def _each_put(
        self, change: Change, many: Sequence[bytes], draw: Draw | None, mixed: dict[str, tuple[int, str]]
    ) -> Iterator[Put]:
        for data in many:
            doc = json.loads(data)
            record = doc["schema"] not in (REMARK_SCHEMA, BATCH_SCHEMA)
            stem = f"{doc['number']}.{doc['kind']}" if record else doc.get("number", f"{doc.get('id')}.batch")
            name = f"{stem}.{_RECORD}"
            if not named(name):
                raise ValueError(f"`{name}` is no name of a document of ours")
            serial = str(doc.get("serial", "")).casefold()  # a batch has none
            try:
                if (self.place / name).exists():
                    same = bytes_of(self.place / name) == data
                    why = "" if same else "another document of that name is there"
                else:
                    same, why = False, self._in_the_way(change, doc, data) if record else ""
                    if not why and serial in mixed and (record or doc["test"] >= mixed[serial][0]):
                        why = f"`{mixed[serial][1]}` was not taken in, which comes before it"
                    if not why:
                        self._put(change, stem, data, self._not_there(draw, stem) if record else None)
                        yield Put(name, "new")
                        continue
            except (SerialError, OSError) as error:
                change.missed(stem)
                same, why = False, error.message if isinstance(error, SerialError) else str(error)
            if record and not same:
                mixed[serial] = min((doc["test"], name), mixed.get(serial, (doc["test"], name)))
            yield Put(name, "same" if same else "other", why)

    def _in_the_way(self, change: Change, doc: Mapping[str, Any], data: bytes) -> str:
        """What speaks against putting a record here, or nothing: one that has its number in another spelling,
        or is of the other kind; a test before or after it that is of another cable; files of a lost record
        that is another one."""
        number, test = str(doc["number"]).casefold(), doc["test"]
        earlier = doc.get(PREVIOUS)
        for one in self._tests(change, doc["serial"]):
            name = one.path.name
            if one.test == test:
                return f"`{name}` is there, which has the same number"
            if earlier and f"{one.serial}.test-{one.test}".casefold() == earlier["number"].casefold():
                if _seal_of(one) != earlier[SEAL]:
                    return f"`{name}` is there, and the test before this one has the SHA-256 {earlier[SEAL]}"
            elif one.test > test:
                told = _previous_of(one)
                if told and told["number"].casefold() == number and told[SEAL] != doc[SEAL]:
                    return f"`{name}` is there, and the test before that one has the SHA-256 {told[SEAL]}"
        for name in self._lost(change, doc["serial"]):
            if test_of(name)[1] == test and not _is_of(self.place / name, doc[SEAL], data):
                return f"`{name}` is there, and is of another record, which is lost"
        return ""

    def _not_there(self, draw: Draw | None, stem: str) -> Draw | None:
        """What is drawn, but for what is there already."""
        if draw is None:
            return None
        return lambda record: {
            extension: data
            for extension, data in draw(record).items()
            if not os.path.lexists(self.place / f"{stem}.{extension}")
        }

    # Keeping house

    def reindex(self) -> int:
        """Throw the index away and make it anew. Returns how many records there are."""
        from pinwright.records import queries

        if not os.path.isdir(self.place):
            return 0
        with self._locked(), self._told("write to"):
            try:
                self._index.remake()
            except (Damaged, Unusable) as error:
                raise self._index.refused(error) from error
        return self._ask(queries.count)

    def names_for_backup(self) -> list[Path]:
        """Every finished file of records, remarks, batches and documents, listed under the lock: what has a
        name is whole and is never changed, so they can be copied afterwards. Sorted by name.

        Where the folder is not to be written, nobody saves there, and it is listed as it is.
        """
        if not os.path.isdir(self.place):
            return []
        with contextlib.ExitStack() as stack:
            try:
                stack.enter_context(self._locked())
            except RecordsError as error:
                if getattr(error.__cause__, "errno", None) not in (errno.EROFS, errno.EACCES, errno.EPERM):
                    raise
            with self._told("read"):
                return [self.place / name for name in sorted(os.listdir(self.place)) if named(name)]

    def _changed(self, work: Callable[[Change], T]) -> T:
        """Do something under the lock, with rows in the index beside it; they are kept when all is done, and
        nothing unfinished is left. An index that proves damaged is made anew, and one that somebody removed
        meanwhile comes again: it is done once more, and where that can show, no file has its name yet."""
        try:
            return self._once(work)
        except (Damaged, Unusable) as error:
            damaged = isinstance(error, Damaged)
        try:
            if damaged:
                with self._locked():
                    self._index.mend()
            return self._once(work)
        except (Damaged, Unusable) as error:
            raise self._index.refused(error) from error

    def _once(self, work: Callable[[Change], T]) -> T:
        with self._locked():
            with self._told("read"):
                change = self._index.change()
            with contextlib.closing(change):
                try:
                    done = work(change)
                finally:
                    self._finish_quietly()
                change.commit()
                return done

    @contextlib.contextmanager
    def _locked(self) -> Iterator[None]:
        """Hold the folder's lock, with nothing unfinished in it: neither what was found nor what is left."""
        lock = self._lock(LOCK_WAIT_S)
        try:
            with self._told("write to"):
                self.place.mkdir(parents=True, exist_ok=True)
                lock.acquire()
        except filelock.Timeout:
            raise RecordsError(
                f"records folder `{self.place}`: another program has kept it locked for {LOCK_WAIT_S:.0f} s"
            ) from None
        except NotImplementedError:
            raise RecordsError(
                f"records folder `{self.place}`: its disk cannot lock files", hint=_ELSEWHERE
            ) from None
        try:
            with self._told("write to"):
                self._finish()
            yield
        finally:
            lock.release()

    @contextlib.contextmanager
    def _locked_at_once(self) -> Iterator[bool]:
        """Hold the lock of a folder that is there, if nobody else does and it can be had."""
        lock = self._lock(0)
        try:
            lock.acquire()
        except (OSError, NotImplementedError):  # filelock.Timeout among them
            yield False
            return
        try:
            yield True
        finally:
            lock.release()

    def _lock(self, wait_s: float) -> filelock.BaseFileLock:
        return filelock.FileLock(
            self.place / LOCK,
            timeout=wait_s,
            poll_interval=_LOCK_POLL_S,
            fallback_to_soft=False,
            preserve_lock_file=True,
        )

    def _finish_quietly(self) -> None:
        with contextlib.suppress(OSError):  # the next save tries again
            self._finish()

    def _finish(self) -> None:
        """Name every unfinished document whose record has its name; remove what else is unfinished."""
        (self.place / _PROBE).unlink(missing_ok=True)
        hidden = (name for name in os.listdir(self.place) if name.startswith("."))
        unfinished = list(filter(None, map(_UNFINISHED.fullmatch, hidden)))
        for found in unfinished:
            record = self.place / f"{found['stem']}.{_RECORD}"
            if record.is_file() and _tag(record.read_bytes()) == found["tag"]:
                with contextlib.suppress(SerialError):  # it has its name already
                    _link(self.place / found[0], self.place / found["name"])
                    flush_names(self.place)
        for found in unfinished:
            (self.place / found[0]).unlink(missing_ok=True)

    def _keep(self, contents: Mapping[Path, bytes]) -> None:
        """Put a record, which comes first, and its documents on the disk; all of them or none."""
        tag = _tag(next(iter(contents.values())))
        unfinished = {path: self.place / f".{path.name}.{tag}.unfinished" for path in contents}
        named: list[Path] = []
        with self._told("write to"):
            try:
                for path in contents:
                    if os.path.lexists(path):
                        raise _taken(path)
                for path, data in contents.items():
                    _write(unfinished[path], data)
                flush_names(self.place)
                for path in contents:
                    _link(unfinished[path], path)
                    named.append(path)
                    flush_names(self.place)
            except BaseException:
                # The record last: whatever goes wrong here, while it has its name the documents are kept too.
                with contextlib.suppress(OSError):
                    for path in reversed(named):
                        unfinished[path].unlink(missing_ok=True)
                        path.rename(unfinished[path])
                raise

    @contextlib.contextmanager
    def _told(self, doing: str) -> Iterator[None]:
        """Say what the system refuses as a RecordsError that names the folder."""
        try:
            yield
        except filelock.Timeout:  # also an OSError
            raise
        except OSError as error:
            raise RecordsError(
                f"records folder `{self.place}`: cannot {doing} it: {self._reason(error)}", hint=_ELSEWHERE
            ) from error

    def _reason(self, error: OSError) -> str:
        """What the system refuses; of something that is not there, what that is."""
        if error.errno != errno.ENOENT:
            return reason(error)
        place = self.place.absolute()
        missing = [one for one in (place, *place.parents) if not one.exists()]
        if not missing:
            return f"`{error.filename}` is not there" if error.filename else reason(error)
        return "the folder is not there" if missing == [place] else f"`{missing[-1]}` is not there"


def reason(error: OSError) -> str:
    """What the system refuses, in a few words."""
    return _SEEN.get(error.errno or 0) or error.strerror or type(error).__name__


def _only_lost(serial: str, file: Path) -> SerialError:
    return SerialError(
        f"serial `{serial}` is used: `{file}` is there, and its record is lost",
        hint="put the record back beside it, or take another serial",
    )


def _previous_of(entry: Entry) -> Mapping[str, str] | None:
    """Number and seal of the test before, as a record that is as it was sealed names it."""
    try:
        told: Any = open_sealed(bytes_of(entry.path)).get(PREVIOUS)
        return {key: str(told[key]) for key in ("number", SEAL)} if told else None
    except (NotGenuine, OSError, KeyError, TypeError):
        return None


def _is_of(path: Path, sha256: str, record: bytes) -> bool:
    """Whether a file was drawn from the record with these bytes, or is a remark about it, by its seal."""
    try:
        data = bytes_of(path)
        if path.suffix.lower() != f".{_RECORD}":
            return open_carrier(data)[0] == record
        return bool(open_sealed(data)["about"][SEAL] == sha256)
    except (NotGenuine, OSError, KeyError, TypeError):
        return False


def _seal_of(entry: Entry) -> str | None:
    """The seal of a record that is as it was sealed, and of the test that its name says; else None."""
    try:
        doc = open_sealed(bytes_of(entry.path))
    except (NotGenuine, OSError):
        return None
    number = f"{entry.serial}.test-{entry.test}"
    own = str(doc.get("number", number)).casefold() == number.casefold()
    return str(doc[SEAL]) if own else None


def _withdrawn_already(entry: Entry, there: Sequence[Remark]) -> RecordsError:
    why = "; ".join(f"{one.made[:10]}, {printable(one.text, most=200)} (`{one.path.name}`)" for one in there)
    return RecordsError(
        f"test {entry.test} of `{entry.serial}` is withdrawn already: {why}",
        hint="`pinwright records note` says more about it",
    )


def _tag(record: bytes) -> str:
    """What tells one record from another in a file name."""
    return hashlib.sha256(record).hexdigest()[:16]


def _write(path: Path, data: bytes) -> None:
    """A new file with these bytes, flushed to the disk."""
    with open(path, "xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _taken(path: Path) -> SerialError:
    return SerialError(f"`{path}` exists already; it was not touched")


def _link(unfinished: Path, path: Path) -> None:
    """Put the file under its name too. Raises SerialError rather than replace one."""
    try:
        link(unfinished, path)
    except FileExistsError:
        raise _taken(path) from None
