"""Questions to the index, and what its rows are told as."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Collection, Iterable
from itertools import takewhile
from pathlib import Path
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    FromClause,
    Select,
    and_,
    case,
    exists,
    func,
    not_,
    or_,
    select,
    true,
    tuple_,
    union_all,
)

from pinwright.records.entries import Batch, Entry, Listed, Measured, Query, Remark, moments
from pinwright.records.rows import Named, in_order, named, test_of
from pinwright.records.tables import batches, cables, remarks, strays, tests

UNREADABLE = "its withdrawal cannot be read"

_ENTRY = (tests.c.serial, tests.c.test, tests.c.kind, tests.c.name, tests.c.documents)

_of_this_test = and_(remarks.c.cable_id == tests.c.cable_id, remarks.c.test == tests.c.test)
_withdrawals = and_(_of_this_test, remarks.c.kind == "withdrawal")
_withdrawn = exists().where(_withdrawals)
_reason = (
    select(remarks.c.text)
    .where(_withdrawals)
    .order_by(remarks.c.nth)
    .limit(1)
    .correlate(tests)
    .scalar_subquery()
)
_notes = (
    select(func.count())
    .select_from(remarks)
    .where(_of_this_test, remarks.c.kind == "note")
    .correlate(tests)
    .scalar_subquery()
)


def _rank(table: FromClause) -> ColumnElement[int]:
    """Which of several records of one test counts as the later one, as of folders that were merged: one that
    failed, before one that cannot be read, before one that passed. So none of them hides a failed one."""
    c = table.c
    return case((and_(c.sealed, c.result == "pass"), 0), (and_(c.sealed, c.result == "fail"), 2), else_=1)


_later = tests.alias()
_latest = not_(
    exists().where(
        _later.c.cable_id == tests.c.cable_id,
        or_(
            _later.c.test > tests.c.test,
            and_(
                _later.c.test == tests.c.test,
                tuple_(_rank(_later), _later.c.name) > tuple_(_rank(tests), tests.c.name),
            ),
        ),
    )
)
_ORDER = (cables.c.ordered, cables.c.folded, tests.c.test, _rank(tests), tests.c.name)
_readable = and_(tests.c.sealed, tests.c.result != "unreadable")
_RESULT: dict[str, ColumnElement[bool]] = {
    "withdrawn": _withdrawn,
    "unreadable": and_(not_(_withdrawn), not_(_readable)),
    "pass": and_(not_(_withdrawn), _readable, tests.c.result == "pass"),
    "fail": and_(not_(_withdrawn), _readable, tests.c.result == "fail"),
}


def files_of(serial: str = "") -> Select[Any]:
    """Name, size and mtime of every file that was read to answer, of one serial (with `*`: of those that
    begin so) or of all. Batches are among all of them."""
    chosen = [
        select(table.c.name, table.c.size, table.c.mtime).join(cables).where(_of_serial(serial))
        for table in (tests, remarks)
    ]
    if not serial:
        chosen.append(select(batches.c.name, batches.c.size, batches.c.mtime))
    told = union_all(*chosen).subquery()
    return select(told)


def files_of_batches() -> Select[Any]:
    return select(batches.c.name, batches.c.size, batches.c.mtime)


def found(place: Path, query: Query) -> Callable[[Connection], list[Listed]]:
    """What fits, by serial and test. Raises ValueError where `since` or `until` is no date."""
    c = tests.c
    asked = (
        select(
            *_ENTRY,
            *(c.sha256, c.sealed, c.result, c.simulated, c.started, c.profile, c.title, c.revision),
            *(c.operator, c.batch, c.item),
            _reason.label("withdrawn"),
            _notes.label("notes"),
            _latest.label("latest"),
        )
        .join(cables)
        .where(*_conditions(query))
        .order_by(*_ORDER)
    )
    return lambda connection: [_listed(place, row) for row in connection.execute(asked)]


def _listed(place: Path, row: Any) -> Listed:
    return Listed(
        entry=_entry(place, row),
        sha256=row.sha256,
        sealed=row.sealed,
        result=row.result,
        simulated=row.simulated,
        started=row.started,
        profile=row.profile,
        title=row.title,
        revision=row.revision,
        operator=row.operator,
        batch=row.batch,
        item=row.item,
        withdrawn=_because(row.withdrawn),
        notes=row.notes,
        latest=bool(row.latest),
    )


def _conditions(query: Query) -> list[ColumnElement[bool]]:
    c = tests.c
    chosen = [_of_serial(query.serial)] if query.serial else []
    chosen += [c.profile == query.profile] if query.profile else []
    chosen += [c.batch == query.batch] if query.batch else []
    chosen += _between(query.since, query.until)
    chosen += [_RESULT[query.result]] if query.result else []
    for word in query.words:
        folded = word.casefold()
        noted = exists().where(_of_this_test, remarks.c.said.contains(folded, autoescape=True))
        chosen.append(or_(c.said.contains(folded, autoescape=True), noted))
    return [*chosen, *([_latest] if query.latest else [])]


def _of_serial(serial: str) -> ColumnElement[bool]:
    """In either case, or with `*` at the end the beginning of one; every serial where there is none."""
    folded = serial.casefold()
    if not folded.endswith("*"):
        return cables.c.folded == folded if folded else true()
    return _begins(folded[:-1])


def _begins(folded: str) -> ColumnElement[bool]:
    """As a range, which the database finds by its sorted list: no serial has a character beyond `~`."""
    return and_(cables.c.folded >= folded, cables.c.folded < f"{folded}~")


def _between(since: str, until: str) -> list[ColumnElement[bool]]:
    chosen = [tests.c.started >= moments(since)[0]] if since else []
    if until:  # an unreadable record has no time
        chosen += [tests.c.started > "", tests.c.started <= moments(until)[1]]
    return chosen


def _entry(place: Path, row: Any) -> Entry:
    documents = {}
    for name in filter(None, row.documents.split("\n")):
        documents[name.rpartition(".")[2].casefold()] = place / name
    return Entry(row.serial, row.test, row.kind, place / row.name, documents)


def _because(reason: str | None) -> str:
    """Why a test is withdrawn, or nothing. A withdrawal that somebody damaged is one all the same."""
    return "" if reason is None else reason or UNREADABLE


def entries(connection: Connection, place: Path, serial: str = "") -> tuple[Entry, ...]:
    """Every record, or those of one serial, by serial and test."""
    asked = select(*_ENTRY).join(cables).where(_of_serial(serial)).order_by(*_ORDER)
    return tuple(_entry(place, row) for row in connection.execute(asked))


def serials(connection: Connection, prefix: str, most: int) -> list[str]:
    """Serials with a record that begin so, in order."""
    asked = select(cables.c.serial).where(cables.c.serial > "", _begins(prefix.casefold()))
    return list(connection.scalars(asked.order_by(cables.c.ordered, cables.c.folded).limit(most)))


def remarks_of(connection: Connection, place: Path, serial: str) -> list[Remark]:
    """By test, and in the order they were made."""
    c = remarks.c
    asked = select(remarks).join(cables).where(_of_serial(serial))
    return [
        Remark(
            path=place / row.name,
            number=f"{row.serial}.test-{row.test}.{row.kind}-{row.nth}",
            kind=row.kind,
            serial=row.serial,
            test=row.test,
            about_sha256=row.about_sha256,
            text=row.text,
            by=row.by,
            made=row.made,
            sealed=row.sealed,
        )
        for row in connection.execute(asked.order_by(c.test, c.made, c.kind, c.nth, c.name))
    ]


def batches_of(connection: Connection, place: Path, profile: str | None) -> list[Batch]:
    """The readable ones, by profile and number."""
    c = batches.c
    asked = select(batches).where(c.readable, *([] if profile is None else [c.profile == profile]))
    return [
        Batch(
            path=place / row.name,
            id=row.id,
            profile=row.profile,
            sha256_of_profile=row.profile_sha256,
            count=row.cables,
            operator=row.operator,
            started=row.started,
            simulated=row.simulated,
            sealed=row.sealed,
        )
        for row in connection.execute(asked.order_by(c.series, c.number, c.name))
    ]


def lost(connection: Connection, serial: str = "") -> list[str]:
    """The names of files of tests whose record is not there: of documents drawn from it, and of remarks about
    it; by serial and test."""
    c = strays.c
    alone = [
        (row.name, row.cable_id)
        for row in connection.execute(select(c.name, c.cable_id).join(cables).where(_of_serial(serial)))
    ]
    kept = {
        (row.cable_id, row.test, row.kind)
        for row in connection.execute(
            select(tests.c.cable_id, tests.c.test, tests.c.kind).where(
                tests.c.cable_id.in_(select(c.cable_id))
            )
        )
    }
    names = []
    for name, cable in alone:
        about = named(name)
        if isinstance(about, Named) and (cable, about.test, about.kind) not in kept:
            names.append(name)
    there = exists().where(tests.c.cable_id == remarks.c.cable_id, tests.c.test == remarks.c.test)
    names += connection.scalars(select(remarks.c.name).join(cables).where(_of_serial(serial), not_(there)))
    return sorted(names, key=_of_which_test)


def _of_which_test(name: str) -> tuple[str, int, str]:
    test = test_of(name)
    return in_order(test[0]), test[1], name


def last_batch(connection: Connection, profile: str) -> int:
    """The highest number that a batch of this profile has; 0 where there is none."""
    asked = select(func.max(batches.c.number)).where(batches.c.series == profile.casefold())
    return connection.execute(asked).scalar() or 0


def last_remark(connection: Connection, serial: str, test: int, kind: str) -> int:
    """The highest number that a remark of this kind about this test has; 0 where there is none."""
    c = remarks.c
    asked = select(func.max(c.nth)).join(cables)
    return connection.execute(asked.where(_of_serial(serial), c.test == test, c.kind == kind)).scalar() or 0


def measured(profile: str, since: str, until: str) -> Callable[[Connection], list[Measured]]:
    """What statistics need of every readable test of a profile, by the time it started. Raises ValueError
    where `since` or `until` is no date."""
    c = tests.c
    asked = (
        select(tests, _reason.label("withdrawn"))
        .where(c.profile == profile, c.result != "unreadable", *_between(since, until))
        .order_by(c.started, c.name)
    )
    return lambda connection: [_measured(row) for row in connection.execute(asked)]


def _measured(row: Any) -> Measured:
    return Measured(
        serial=row.serial,
        test=row.test,
        result=row.result,
        started=row.started,
        sealed=row.sealed,
        simulated=row.simulated,
        withdrawn=_because(row.withdrawn),
        revision=row.revision,
        sha256=row.profile_sha256,
        lane=row.lane,
        findings=tuple((kind, tuple(pins)) for kind, pins in json.loads(row.findings)),
        links=tuple((start, *numbers, ok) for start, *numbers, ok in json.loads(row.links)),
        batch=row.batch,
        item=row.item,
        seconds=row.seconds,
    )


def count(connection: Connection) -> int:
    """How many records there are."""
    return connection.execute(select(func.count()).select_from(tests)).scalar_one()


# Serials to come


def next_serial(connection: Connection, pattern: Callable[[int], str], largest: int) -> str | None:
    """The serial after the highest number that the pattern was used with; None where they are used up.

    pattern(n): the serial with n written in decimal. Numbers are 1 to `largest`. Serials of documents whose
    record somebody removed are used too.
    """
    last = _last_of_one_number(connection, pattern, largest)
    if last is None:
        return _next_of(set(connection.scalars(select(cables.c.folded))), pattern, largest)
    return pattern(last + 1) if last < largest else None


def _last_of_one_number(connection: Connection, pattern: Callable[[int], str], largest: int) -> int | None:
    """The highest number used, where the pattern is a text, one number and a text; else None.

    Serials of such a pattern are sorted as their numbers are, so the last that fits is the one.
    """
    samples = {n: pattern(n).casefold() for n in (1, 2, largest)}
    start = _common(samples.values())
    end = _common(text[len(start) :][::-1] for text in samples.values())[::-1]
    if any(_number(text, start, end) != n for n, text in samples.items()):
        return None
    asked = select(cables.c.folded).where(_begins(start))
    backwards = asked.order_by(cables.c.ordered.desc(), cables.c.folded.desc())
    with connection.execute(backwards, execution_options={"yield_per": 1000}) as rows:
        for folded in rows.scalars():
            n = _number(folded, start, end)
            if n is not None and 1 <= n <= largest and pattern(n).casefold() == folded:
                return n
    return 0


def _common(texts: Iterable[str]) -> str:
    """What all of them begin with."""
    columns = takewhile(lambda column: len(set(column)) == 1, zip(*texts, strict=False))
    return "".join(column[0] for column in columns)


def _number(text: str, start: str, end: str) -> int | None:
    """The number between two texts, if there is one and nothing else."""
    between = text[len(start) : len(text) - len(end)]
    fits = text.startswith(start) and text.endswith(end) and len(text) > len(start) + len(end)
    return int(between) if fits and between.isascii() and between.isdecimal() else None


def _next_of(used: Collection[str], pattern: Callable[[int], str], largest: int) -> str | None:
    """The serial after the highest number that any pattern was used with.

    The numbers to try are the digits in the used serials, so one pass does however large they are.
    """
    last = 0
    for serial in used:
        for run in re.finditer(r"[0-9]+", serial):
            for start in range(run.start(), run.end()):
                for end in range(start + 1, run.end() + 1):
                    n = int(serial[start:end])
                    if n > largest:
                        break
                    if n > last and pattern(n).casefold() == serial:
                        last = n
    for n in range(last + 1, largest + 1):
        if pattern(n).casefold() not in used:
            return pattern(n)
    return None
