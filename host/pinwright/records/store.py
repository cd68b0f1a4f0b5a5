"""The folder of records: one file for each test of each cable, whole or not there, never replaced.

A record is written to a file without a name to go by, flushed to the disk, and only then given its
name by a hard link, which fails where the name exists. Saves take turns by a lock on the folder, so
an unfinished file found under the lock was left by a program that died, and is removed.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
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
_UNFINISHED = ".unfinished"
_ELSEWHERE = "`--records PLACE` keeps records in another folder"
_RECORD = re.compile(
    r"(?P<serial>.+)\.test-(?P<test>[1-9][0-9]{0,8})\.(certificate|report)\.json", re.IGNORECASE
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
    """A record that is on the disk. test: 1 for the first test of this serial, then counted up."""

    path: Path
    serial: str
    test: int


@dataclass(frozen=True, slots=True)
class _Cable:
    """What the folder holds of one serial: its spelling there, its latest test and that test's file."""

    spelling: str
    latest: int
    path: Path


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
        with self._locked(), self._written(b"probe"):
            pass

    def is_used(self, serial: str) -> bool:
        """Is there a record of this serial? Raises RecordsError if the folder cannot be read."""
        return serial.casefold() in self._cables()

    def save(
        self,
        make: Callable[[str, int], Mapping[str, Any]],
        *,
        kind: Kind,
        serial: str | None,
        pattern: Callable[[int], str],
        again: bool,
    ) -> Saved:
        """Choose serial and test number, make the document for them, seal it and put it on the disk.

        make(serial, test): called under the folder's lock, so it should not wait for anything.
        serial: None takes the number after the highest that `pattern` was used with; gaps stay.
        pattern(n): the serial with the number n written in decimal.
        again: let a used serial through, as its next test and in the spelling it has in the folder.
        Raises SerialError (used, or no file name) and RecordsError. Whatever is raised, nothing is saved.
        """
        if serial is None and again:
            raise SerialError("a re-test needs the serial of the cable that is tested again")
        if serial is not None:
            check_serial(serial)
        with self._locked():
            cables = self._cables()
            test = 1
            if serial is None:
                serial = check_serial(_next_serial(cables, pattern))
            elif known := cables.get(serial.casefold()):
                if not again:
                    raise SerialError(
                        f"serial `{serial}` is already used: `{known.path}`",
                        hint="`--again` records another test of the same cable",
                    )
                serial, test = known.spelling, known.latest + 1
            path = self.place / f"{serial}.test-{test}.{kind}.json"
            with self._written(canonical(seal(make(serial, test)))) as unfinished:
                self._name(unfinished, path)
        return Saved(path, serial, test)

    def _cables(self) -> dict[str, _Cable]:
        """Every serial that has a record, casefolded. A folder that is not there has none."""
        cables: dict[str, _Cable] = {}
        with self._told("read"):
            try:
                names = sorted(os.listdir(self.place))
            except FileNotFoundError:
                return {}
        for name in names:
            if found := _RECORD.fullmatch(name):
                spelling, test = found["serial"], int(found["test"])
                known = cables.get(spelling.casefold())
                if known is None or test > known.latest:
                    cables[spelling.casefold()] = _Cable(
                        known.spelling if known else spelling, test, self.place / name
                    )
        return cables

    @contextlib.contextmanager
    def _locked(self) -> Iterator[None]:
        """Hold the folder's lock, with nothing in it that an earlier save left unfinished."""
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
                (self.place / _UNFINISHED).unlink(missing_ok=True)
            yield
        finally:
            lock.release()

    @contextlib.contextmanager
    def _written(self, data: bytes) -> Iterator[Path]:
        """An unfinished file with these bytes, flushed to the disk; removed afterwards."""
        path = self.place / _UNFINISHED
        try:
            with self._told("write to"), open(path, "xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            yield path
        finally:
            with contextlib.suppress(OSError):  # the next save tries again
                path.unlink(missing_ok=True)

    def _name(self, unfinished: Path, path: Path) -> None:
        """Give a finished file its name, for good, or leave no trace of it."""
        with self._told("write to"):
            try:
                _link(unfinished, path)
            except FileExistsError:
                raise SerialError(f"`{path}` exists already; it was not touched") from None
            try:
                _flush_names(self.place)
            except OSError:
                path.unlink()
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


def _next_serial(cables: Mapping[str, object], pattern: Callable[[int], str]) -> str:
    """The serial after the highest number that the pattern was used with.

    The numbers to try are the digits in the used serials, so one pass does however large they are.
    """
    largest = 0
    for serial in cables:
        for run in re.finditer(r"[0-9]+", serial):
            for start in range(run.start(), run.end()):
                for end in range(start + 1, run.end() + 1):
                    n = int(serial[start:end])
                    if n > LARGEST_NUMBER:
                        break
                    if n > largest and pattern(n).casefold() == serial:
                        largest = n
    for n in range(largest + 1, LARGEST_NUMBER + 1):
        if pattern(n).casefold() not in cables:
            return pattern(n)
    raise SerialError(
        f"the serials after `{pattern(LARGEST_NUMBER)}` are used up", hint="`--serial TEXT` gives one by hand"
    )


def _link(unfinished: Path, path: Path) -> None:
    """Put the file under its name too. Raises FileExistsError rather than replace one."""
    try:
        os.link(unfinished, path)
    except OSError as error:
        if error.errno not in _NO_HARD_LINKS:
            raise
        # Other saves wait for the lock, so nothing comes between looking and renaming.
        if path.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path)) from None
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
