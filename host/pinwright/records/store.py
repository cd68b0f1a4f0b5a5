"""The folder of records: each test's sealed record and the documents drawn from it, whole or not there.

The files of a test are first written to unfinished files, which are hidden, and flushed to the disk.
Then they get their names by hard links, which fail where a name exists, so nothing is ever replaced.
The record comes first: once it has its name the test is saved, and its documents are sure to follow.

Saves take turns by a lock on the folder, so an unfinished file found under the lock was left by a
program that died. A document is then complete if its record has its name, and gets its own; the rest is
removed. The record of that name may be another one, copied here from elsewhere: so the name of an
unfinished file also says, by a hash, of which record it is.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import filelock
import platformdirs

from pinwright.errors import RecordsError, SerialError
from pinwright.records.document import canonical, seal

Kind = Literal["certificate", "report"]

LARGEST_NUMBER = 1_000_000
LARGEST_SERIAL = 64
LOCK_WAIT_S = 30.0

_LOCK = ".lock"
_PROBE = ".unfinished"  # up to 0.2.0 the name of every unfinished file
_RECORD = "json"
_ELSEWHERE = "`--records PLACE` keeps records in another folder"
_NAME = (
    r"(?P<stem>(?P<serial>[a-z0-9][a-z0-9._-]*)\.test-(?P<test>[1-9][0-9]{0,8})"
    r"\.(?P<kind>certificate|report))\.(?P<extension>[a-z]+)"
)
_FINISHED = re.compile(_NAME, re.IGNORECASE | re.ASCII)
_UNFINISHED = re.compile(
    rf"\.(?P<name>{_NAME})\.(?P<tag>[0-9a-f]{{16}})\.unfinished", re.IGNORECASE | re.ASCII
)
# Names that Windows keeps for devices, whatever follows the first dot.
# Source: Microsoft, "Naming Files, Paths, and Namespaces" (from memory).
_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}
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
# What a disk without hard links, such as FAT, answers to one.
_NO_HARD_LINKS = (errno.EPERM, errno.EINVAL, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP)


@dataclass(frozen=True, slots=True)
class Saved:
    """A record that is on the disk. test: 1 for the first test of this serial, then counted up.

    documents: what was drawn from it, as extension → path.
    """

    path: Path
    serial: str
    test: int
    documents: Mapping[str, Path] = field(default_factory=dict)


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


def default_place(simulated: bool = False) -> Path:
    """The records folder inside the user's data folder. Simulations have one of their own: they use up no
    cable's serial number, and are never found among certificates of cables."""
    folder = "simulated" if simulated else "records"
    return Path(platformdirs.user_data_dir("pinwright", appauthor=False)) / folder


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


class Store:
    """The records in one folder. Serials that differ only in upper and lower case are one serial."""

    def __init__(self, place: Path) -> None:
        self.place = place

    def check_writable(self) -> None:
        """Make the folder if need be and prove that a file can be written there. Raises RecordsError."""
        with self._locked(), self._told("write to"):
            _write(self.place / _PROBE, b"probe")

    def is_used(self, serial: str) -> bool:
        """Is there a record of this serial? Raises RecordsError if the folder cannot be read."""
        return bool(self.tests_of(serial))

    def tests_of(self, serial: str) -> tuple[Entry, ...]:
        """The records of one cable, the latest last. Raises RecordsError if the folder cannot be read."""
        return tuple(self._cables().get(serial.casefold(), ()))

    def entries(self) -> tuple[Entry, ...]:
        """Every record, by serial (numbers in it by their value) and test. A missing folder has none.

        Changes nothing and waits for nobody: a record that is just being saved may lack documents yet.
        Raises RecordsError if the folder cannot be read.
        """
        entries = [
            Entry(*test, path=files.pop(_RECORD), documents=files)
            for test, files in self._tests().items()
            if _RECORD in files
        ]
        return tuple(sorted(entries, key=_in_order))

    def _tests(self) -> dict[tuple[str, int, Kind], dict[str, Path]]:
        """Serial, number and kind of every test that a file is named after → extension → path."""
        with self._told("read"):
            try:
                names = os.listdir(self.place)
            except FileNotFoundError:
                return {}
        tests: dict[tuple[str, int, Kind], dict[str, Path]] = defaultdict(dict)
        for found in filter(None, map(_FINISHED.fullmatch, sorted(names))):
            kind: Kind = "certificate" if found["kind"].casefold() == "certificate" else "report"
            files = tests[found["serial"], int(found["test"]), kind]
            files[found["extension"].casefold()] = self.place / found[0]
        return tests

    def save(
        self,
        make: Callable[[str, int], Mapping[str, Any]],
        *,
        kind: Kind,
        serial: str | None,
        pattern: Callable[[int], str],
        again: bool,
        draw: Callable[[bytes], Mapping[str, bytes]] | None = None,
    ) -> Saved:
        """Choose serial and test number, make the document for them, seal it and put it on the disk,
        together with what is drawn from it.

        make(serial, test): called under the folder's lock, as draw is, so neither should wait for anything.
        serial: None takes the number after the highest that `pattern` was used with; gaps stay.
        pattern(n): the serial with the number n written in decimal.
        again: let a used serial through, as its next test and in the spelling it has in the folder.
        draw(record): the documents of the sealed record with these bytes, as extension → contents.
        Raises SerialError (used, or no file name), RecordsError, and ValueError for an extension that is
        not lower-case letters. Whatever is raised, nothing is saved.
        """
        if serial is None and again:
            raise SerialError("a re-test needs the serial of the cable that is tested again")
        if serial is not None:
            check_serial(serial)
        with self._locked():
            cables = self._cables()
            test = 1
            if serial is None:
                # A document whose record somebody removed still has its serial on it.
                used = {serial.casefold() for serial, *_ in self._tests()}
                serial = check_serial(_next_serial(used, pattern))
            elif tests := cables.get(serial.casefold()):
                if not again:
                    raise SerialError(
                        f"serial `{serial}` is already used: `{tests[-1].path}`",
                        hint="`--again` records another test of the same cable",
                    )
                serial, test = tests[0].serial, tests[-1].test + 1
            record = canonical(seal(make(serial, test)))
            drawn = draw(record) if draw else {}
            for extension in drawn:
                if extension == _RECORD or not re.fullmatch(r"[a-z]+", extension):
                    raise ValueError(f"a document of a record cannot have the extension {extension!a}")
            stem = f"{serial}.test-{test}.{kind}"
            path = self.place / f"{stem}.{_RECORD}"
            documents = {extension: self.place / f"{stem}.{extension}" for extension in drawn}
            self._keep({path: record} | {documents[extension]: drawn[extension] for extension in drawn})
        return Saved(path, serial, test, documents)

    def _cables(self) -> Mapping[str, Sequence[Entry]]:
        """The tests of every serial that has a record, by the casefolded serial, the latest last."""
        cables: dict[str, list[Entry]] = defaultdict(list)
        for entry in self.entries():
            cables[entry.serial.casefold()].append(entry)
        return cables

    @contextlib.contextmanager
    def _locked(self) -> Iterator[None]:
        """Hold the folder's lock, with nothing unfinished in it: neither what was found nor what is left."""
        lock = filelock.FileLock(
            self.place / _LOCK, timeout=LOCK_WAIT_S, fallback_to_soft=False, preserve_lock_file=True
        )
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
            try:
                yield
            finally:
                with contextlib.suppress(OSError):  # the next save tries again
                    self._finish()
        finally:
            lock.release()

    def _finish(self) -> None:
        """Name every unfinished document whose record has its name; remove what else is unfinished."""
        (self.place / _PROBE).unlink(missing_ok=True)
        unfinished = list(filter(None, map(_UNFINISHED.fullmatch, os.listdir(self.place))))
        for found in unfinished:
            record = self.place / f"{found['stem']}.{_RECORD}"
            if record.is_file() and _tag(record.read_bytes()) == found["tag"]:
                with contextlib.suppress(SerialError):  # it has its name already
                    _link(self.place / found[0], self.place / found["name"])
                    _flush_names(self.place)
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
                _flush_names(self.place)
                for path in contents:
                    _link(unfinished[path], path)
                    named.append(path)
                    _flush_names(self.place)
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
            seen = _SEEN.get(error.errno or 0) or error.strerror or type(error).__name__
            raise RecordsError(
                f"records folder `{self.place}`: cannot {doing} it: {seen}", hint=_ELSEWHERE
            ) from error


def _next_serial(used: Collection[str], pattern: Callable[[int], str]) -> str:
    """The serial after the highest number that the pattern was used with.

    The numbers to try are the digits in the used serials, so one pass does however large they are.
    """
    largest = 0
    for serial in used:
        for run in re.finditer(r"[0-9]+", serial):
            for start in range(run.start(), run.end()):
                for end in range(start + 1, run.end() + 1):
                    n = int(serial[start:end])
                    if n > LARGEST_NUMBER:
                        break
                    if n > largest and pattern(n).casefold() == serial:
                        largest = n
    for n in range(largest + 1, LARGEST_NUMBER + 1):
        if pattern(n).casefold() not in used:
            return pattern(n)
    raise SerialError(
        f"the serials after `{pattern(LARGEST_NUMBER)}` are used up", hint="`--serial TEXT` gives one by hand"
    )


def _in_order(entry: Entry) -> tuple[list[str | int], str, int, str]:
    """What entries are sorted by: `A-9` before `a-10`."""
    serial = entry.serial.casefold()
    parts: list[str | int] = list(re.split(r"([0-9]+)", serial))
    parts[1::2] = map(int, parts[1::2])
    return parts, serial, entry.test, entry.path.name


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
        os.link(unfinished, path)
    except FileExistsError:
        raise _taken(path) from None
    except OSError as error:
        if error.errno not in _NO_HARD_LINKS:
            raise
        # Other saves wait for the lock, so nothing comes between looking and renaming.
        if os.path.lexists(path):
            raise _taken(path) from None
        os.rename(unfinished, path)


def _flush_names(folder: Path) -> None:
    """Flush the folder itself, so that a new name outlives a power cut. Windows has no such call."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno != errno.EINVAL:  # some network disks do not know it
            raise
    finally:
        os.close(handle)
