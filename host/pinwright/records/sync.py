"""Brings the tables of the index in step with the folder: sees which files are new, changed or gone, and
reads no others.

The files of one test belong together, whatever case their names are in: where one of them comes or goes, the
rows of that test are worked out anew from the names.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import NamedTuple, TypeVar

from sqlalchemy import Connection, Table, bindparam, delete, exists, insert, not_, or_, select, update

from pinwright.records import tables
from pinwright.records.entries import Damaged, Watched
from pinwright.records.record import bytes_of
from pinwright.records.rows import (
    Named,
    NamedBatch,
    NamedRemark,
    Row,
    batch_row,
    in_order,
    named,
    record_row,
    remark_row,
)

T = TypeVar("T")

_AT_ONCE = (
    500  # rows in one statement, and files between two commits; SQLite takes 32766 values (3.32 and later)
)
_RECORD = "json"
_OPENED = (tables.tests, tables.remarks, tables.batches)  # one row for each file that was read


def listed(place: Path) -> list[str]:
    """The names in the folder; none where it is not there. Raises OSError."""
    try:
        return os.listdir(place)
    except FileNotFoundError:
        return []


def visible(names: Iterable[str]) -> set[str]:
    return {name for name in names if not name.startswith(".")}


def seen(place: Path, name: str) -> tuple[int, int] | None:
    """Size and time of change of a file, in ns; None where there is none."""
    try:
        status = os.stat(f"{place}{os.sep}{name}")  # there may be very many: a Path each would take long
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns


def noted(connection: Connection) -> tuple[str | None, int | None]:
    """The folder's stamp when the tables were in step with it, if it was one to go by; and how many names a
    person saw in it then."""
    rows = connection.execute(select(tables.folder.c.stamp, tables.folder.c.files)).all()
    if len(rows) != 1:
        raise Damaged
    stamp, files = rows[0]
    return stamp, files


def note(connection: Connection, stamp: str | None, files: int | None) -> None:
    connection.execute(update(tables.folder).values(stamp=stamp, files=files))


def sync(connection: Connection, place: Path, watched: Watched, stamp: Callable[[], str | None]) -> set[str]:
    """Bring the tables in step, and keep that. Returns the names that a person would see in the folder.

    stamp: the folder's, to be noted if every later change is sure to give it another; else None.
    """
    now = stamp()  # before the names are listed
    names = visible(listed(place))
    old = _Known.of(connection)
    changed = {name for name, told in old.read.items() if name in names and seen(place, name) != told}
    coming = {name for name in names - old.names if named(name)}
    gone = old.names - names
    if changed or coming or gone:
        note(connection, None, None)  # what is kept meanwhile is not in step
        _take_in(connection, place, watched, old, changed | coming, gone)
    if noted(connection) != (now, len(names)):
        note(connection, now, len(names))
    connection.commit()
    return names


def add(connection: Connection, contents: Mapping[str, bytes]) -> None:
    """Rows for files that are to have these names, and of which there are none yet."""

    def read(name: str) -> _File:
        return _File(len(contents[name]), -1, contents[name])

    stems = {_stem(name) for name in contents}
    beside = {name for name in connection.scalars(select(tables.strays.c.name)) if _stem(name) in stems}
    _delete(connection, tables.strays, beside)
    groups = _groups(beside.union(contents))
    _add_strays(connection, groups)
    _add_tests(connection, groups, read)
    _add_remarks(connection, contents, read)
    _add_batches(connection, contents, read)


def timed(connection: Connection, place: Path, names: Iterable[str]) -> None:
    """Files that were added have come: note size and time of change."""
    for name in names:
        size, mtime = seen(place, name) or (0, -1)
        for table in _OPENED:
            connection.execute(update(table).where(table.c.name == name).values(size=size, mtime=mtime))


@dataclass(frozen=True, slots=True)
class _Known:
    """What the tables have. tests: name of a record → names of the documents beside it. read: name → size and
    time of change of each file that was read. names: all of them."""

    tests: Mapping[str, tuple[str, ...]]
    strays: set[str]
    read: Mapping[str, tuple[int, int]]
    names: set[str]

    @classmethod
    def of(cls, connection: Connection) -> _Known:
        read, tests = {}, {}
        columns = tables.tests.c
        for name, size, mtime, documents in connection.execute(
            select(columns.name, columns.size, columns.mtime, columns.documents)
        ):
            read[name] = (size, mtime)
            tests[name] = tuple(documents.split("\n")) if documents else ()
        for table in _OPENED[1:]:
            others = connection.execute(select(table.c.name, table.c.size, table.c.mtime))
            read |= {name: (size, mtime) for name, size, mtime in others}
        strays = set(connection.scalars(select(tables.strays.c.name)))
        return cls(tests, strays, read, strays.union(read, *tests.values()))

    def beside(self, names: Collection[str]) -> set[str]:
        """Of records, documents and strays those that are named after the same tests as these."""
        stems = {_stem(name) for name in names}
        found = {name for name in self.strays if _stem(name) in stems}
        for name, documents in self.tests.items():
            if _stem(name) in stems:
                found.update((name, *documents))
        return found


class _File(NamedTuple):
    """A file as it was read. size, mtime: from before, so that a later change shows. data: None where it
    could not be read; then mtime is none that a file has, unless it is what will never be a record."""

    size: int
    mtime: int
    data: bytes | None


def _read(place: Path, name: str) -> _File:
    path = place / name
    size, mtime = seen(place, name) or (0, -1)
    try:
        return _File(size, mtime, bytes_of(path))
    except OSError:
        never = path.exists() and not path.is_file()
        return _File(size, mtime if never else -1, None)


@dataclass(frozen=True, slots=True)
class _Group:
    """The files that are named after one test. record: the name of its record, or nothing. documents: of what
    lies beside it. strays: of what belongs to no record, and second spellings of a name."""

    about: Named
    record: str
    documents: tuple[str, ...]
    strays: tuple[str, ...]


def _groups(names: Iterable[str]) -> list[_Group]:
    """Of several spellings of one name the last counts, in the order of their characters."""
    tests: dict[tuple[str, int, str], dict[str, str]] = {}
    seconds: dict[tuple[str, int, str], list[str]] = {}
    for name in sorted(names):
        about = named(name)
        if not isinstance(about, Named):
            continue
        test = (about.serial, about.test, about.kind)
        files = tests.setdefault(test, {})
        if about.extension in files:
            seconds.setdefault(test, []).append(files[about.extension])
        files[about.extension] = name
    groups = []
    for test, files in tests.items():
        record, second = files.pop(_RECORD, ""), seconds.get(test, [])
        beside = tuple(files.values())
        about = Named(*test, extension=_RECORD)
        strays = (*second, *([] if record else beside))
        groups.append(_Group(about, record, beside if record else (), strays))
    return groups


def _stem(name: str) -> str:
    """What the names of one test's files have in common, whatever case they are in."""
    return name.rpartition(".")[0].casefold()


def _take_in(
    connection: Connection,
    place: Path,
    watched: Watched,
    old: _Known,
    new: Collection[str],
    gone: Collection[str],
) -> None:
    """Rows for files that are new or changed, none for those that are gone. What was read is kept now and
    then, so that an interruption does not cost all of it."""

    def read(name: str) -> _File:
        return _read(place, name)

    beside = old.beside([*new, *gone])
    groups = _groups(beside.union(new) - set(gone))
    kept = {group.record for group in groups} & old.tests.keys() - set(new)
    strays = [name for group in groups for name in group.strays]
    for table in _OPENED:
        _delete(connection, table, old.read.keys() & (beside.union(new, gone) - kept))
    _delete(connection, tables.strays, beside & old.strays)
    _add_strays(connection, groups)
    for group in groups:
        if group.record in kept and group.documents != old.tests[group.record]:
            row = update(tables.tests).where(tables.tests.c.name == group.record)
            connection.execute(row.values(documents="\n".join(group.documents)))
    _tidy(connection, [*strays, *gone, *beside])
    records = [group for group in groups if group.record and group.record not in kept]
    others = [name for name in new if not isinstance(named(name), Named)]
    done, of = 0, len(records) + len(others)
    if not of:
        return
    with watched("reading records") as told:
        told(done, of)
        for some in _some(records):
            _add_tests(connection, some, read)
            connection.commit()
            told(done := done + len(some), of)
        for names in _some(others):
            _add_remarks(connection, names, read)
            _add_batches(connection, names, read)
            connection.commit()
            told(done := done + len(names), of)


def _some(many: Iterable[T]) -> Iterator[list[T]]:
    """As many at a time as go into one statement."""
    rest = iter(many)
    while some := list(islice(rest, _AT_ONCE)):
        yield some


def _delete(connection: Connection, table: Table, names: Iterable[str]) -> None:
    for some in _some(names):
        connection.execute(delete(table).where(table.c.name.in_(some)))


def _add_tests(connection: Connection, groups: Sequence[_Group], read: Callable[[str], _File]) -> None:
    groups = [group for group in groups if group.record]
    cable_of = _cables(connection, [group.about.serial for group in groups])
    rows = []
    for group in groups:
        about, file = group.about, read(group.record)
        folded = about.serial.casefold()
        row = record_row(file.data, about)
        rows.append(
            {
                "cable_id": cable_of[folded],
                "name": group.record,
                "size": file.size,
                "mtime": file.mtime,
                "serial": about.serial,
                "test": about.test,
                "kind": about.kind,
                "documents": "\n".join(group.documents),
                **row,
                "said": f"{folded}\n{row['said']}",
            }
        )
    _insert(connection, tables.tests, rows)
    _tidy(connection, [group.record for group in groups])


def _add_strays(connection: Connection, groups: Sequence[_Group]) -> None:
    for some in _some(group for group in groups if group.strays):
        cable_of = _cables(connection, [group.about.serial for group in some])
        rows = [
            {"name": name, "cable_id": cable_of[group.about.serial.casefold()]}
            for group in some
            for name in group.strays
        ]
        _insert(connection, tables.strays, rows)


def _add_remarks(connection: Connection, names: Iterable[str], read: Callable[[str], _File]) -> None:
    remarks = {name: about for name in names if isinstance(about := named(name), NamedRemark)}
    cable_of = _cables(connection, [about.serial for about in remarks.values()])
    rows = []
    for name, about in remarks.items():
        file = read(name)
        row = {
            "cable_id": cable_of[about.serial.casefold()],
            "name": name,
            "size": file.size,
            "mtime": file.mtime,
            "serial": about.serial,
            "test": about.test,
            "kind": about.kind,
            "nth": about.count,
        }
        rows.append(row | remark_row(file.data, about))
    _insert(connection, tables.remarks, rows)


def _add_batches(connection: Connection, names: Iterable[str], read: Callable[[str], _File]) -> None:
    rows = []
    for name in names:
        about = named(name)
        if isinstance(about, NamedBatch):
            file = read(name)
            row = {"name": name, "size": file.size, "mtime": file.mtime, "id": about.id}
            row |= {"series": about.series, "number": about.number}
            rows.append(row | batch_row(file.data, about))
    _insert(connection, tables.batches, rows)


def _insert(connection: Connection, table: Table, rows: Sequence[Row]) -> None:
    if rows:
        connection.execute(insert(table), rows)


def _cables(connection: Connection, serials: Iterable[str]) -> Mapping[str, int]:
    """Serial in lower case → its row; there will be one."""
    folded = {serial.casefold() for serial in serials}
    c = tables.cables.c
    there = {
        row.folded: row.id
        for some in _some(folded)
        for row in connection.execute(select(c.folded, c.id).where(c.folded.in_(some)))
    }
    missing = sorted(folded - there.keys())
    if not missing:
        return there
    rows = [{"folded": one, "serial": "", "ordered": in_order(one)} for one in missing]
    _insert(connection, tables.cables, rows)
    return {**there, **_cables(connection, missing)}


def _tidy(connection: Connection, names: Iterable[str]) -> None:
    """After tests of the serials in these names came or went: how the serials are spelt, and whether there is
    a row for them at all."""
    about = (named(name) for name in names)
    folded = {one.serial.casefold() for one in about if isinstance(one, Named | NamedRemark)}
    for some in _some(sorted(folded)):
        cables, tests = tables.cables, tables.tests
        these = cables.c.folded.in_(some)
        spelt: dict[int, str] = dict.fromkeys(connection.scalars(select(cables.c.id).where(these)), "")
        rows = connection.execute(
            select(tests.c.cable_id, tests.c.serial)
            .where(tests.c.cable_id.in_(select(cables.c.id).where(these)))
            .order_by(tests.c.test.desc(), tests.c.name.desc())
        )
        for row in rows:  # the first test comes last
            spelt[row.cable_id] = row.serial
        there = [{"row": id, "spelt": serial} for id, serial in spelt.items()]
        if there:
            one = update(cables).where(cables.c.id == bindparam("row"))
            connection.execute(one.values(serial=bindparam("spelt")), there)
        used = [exists().where(t.c.cable_id == cables.c.id) for t in (tests, tables.strays, tables.remarks)]
        connection.execute(delete(cables).where(these, not_(or_(*used))))
