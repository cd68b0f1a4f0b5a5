"""The index is in step with the files, whatever happens to them or to it, and says what they say."""

from __future__ import annotations

import json
import os
import re
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

import filelock
import pytest
import sqlalchemy
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pinwright.errors import RecordsError, SerialError
from pinwright.records import index, queries, tables
from pinwright.records.batches import batch_document, batch_member
from pinwright.records.document import seal
from pinwright.records.entries import Entry, Listed, Query, moments
from pinwright.records.remarks import remark_document
from pinwright.records.rows import in_order, named
from pinwright.records.store import Store
from pinwright.sheets.documents import documents_of

from .making import OPEN_AND_JOINED, a_record, after, changed, of_an_earlier_version, read, sealed

MADE = "2026-03-02T10:00:00Z"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "records")


def kept(store: Store, doc: Mapping[str, Any], **changes: Any) -> Path:
    """A record in the folder, copied there by somebody."""
    doc = {**doc, **changes}
    store.place.mkdir(parents=True, exist_ok=True)
    path = store.place / f"{doc['number']}.{doc['kind']}.json"
    path.write_bytes(sealed(doc))
    return path


def save(store: Store, serial: str | None = None, again: bool = False, **about: Any) -> Path:
    """A record that is saved as a scan saves one."""
    made = a_record(**about)
    return store.save(
        lambda serial, test: (
            made
            | {"serial": serial, "test": test, "number": f"{serial}.test-{test}"}
            | {"scan": made["scan"] | {"serial": serial}}
        ),
        kind=made["kind"],
        serial=serial,
        pattern="F-{}".format,
        again=again,
    ).path


def remark(store: Store, serial: str, kind: Any = "note", text: str = "x", test: int | None = None) -> Path:
    return store.remark(kind, serial, test, text, by=None, made=MADE, host="0.5.0")


def serials(store: Store, **query: Any) -> list[tuple[str, int]]:
    return [(one.entry.serial, one.entry.test) for one in store.found(Query(**query))]


def database(store: Store) -> Path:
    return store.place / ".index" / "records.sqlite"


def rows(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    """All that the database has, without its own numbers and the folder's time."""
    told = {}
    own = [column.name for column in tables.tests.c if column.name not in ("id", "cable_id")]
    with closing(sqlite3.connect(database(store))) as connection:
        cable = "(SELECT folded FROM cables WHERE cables.id = cable_id)"
        for name, columns in {
            "cables": "folded, serial, ordered",
            "tests": f"{cable}, {', '.join(own)}",
            "strays": f"{cable}, name",
            "remarks": f"{cable}, {', '.join(f'`{c.name}`' for c in tables.remarks.c if 'id' not in c.name)}",
            "batches": "*",
        }.items():
            told[name] = sorted(connection.execute(f"SELECT {columns} FROM {name}"))
    return told


# The database


def test_the_database_is_flushed_and_its_keys_are_checked_as_they_should(store: Store) -> None:
    save(store)
    engine = index._engine(sqlalchemy.URL.create("sqlite", database=str(database(store))))
    with engine.connect() as connection:
        told = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }
    full = 2
    assert {"journal_mode": "wal", "synchronous": full, "foreign_keys": 1, "busy_timeout": 30_000} == told


def test_a_row_without_its_cable_is_refused(store: Store) -> None:
    save(store)
    engine = index._engine(sqlalchemy.URL.create("sqlite", database=str(database(store))))
    with engine.connect() as connection, pytest.raises(sqlalchemy.exc.IntegrityError, match="FOREIGN KEY"):
        connection.execute(sqlalchemy.insert(tables.strays).values(name="x", cable_id=77))


def test_nothing_of_the_database_is_left_open(store: Store) -> None:
    save(store)
    store.found()
    assert ["records.sqlite"] == os.listdir(database(store).parent)


@contextmanager
def migrated(path: Path, revision: str) -> Iterator[sqlalchemy.Connection]:
    """A database of that revision, made by the steps alone."""
    path.parent.mkdir(parents=True, exist_ok=True)
    config = Config()
    config.set_main_option("script_location", str(index._MIGRATIONS))
    engine = index._engine(sqlalchemy.URL.create("sqlite", database=str(path)))
    with engine.connect() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
        connection.commit()
        yield connection


def test_the_steps_from_nothing_come_to_the_tables(tmp_path: Path) -> None:
    options = {"compare_type": True, "compare_server_default": True}
    with migrated(tmp_path / "records.sqlite", "head") as connection:
        assert [] == compare_metadata(MigrationContext.configure(connection, opts=options), tables.metadata)
        assert tables.HEAD == index._revision(connection)


def test_a_new_database_is_as_the_steps_make_one(store: Store, tmp_path: Path) -> None:
    def schema(path: Path) -> dict[str, Any]:
        engine = index._engine(sqlalchemy.URL.create("sqlite", database=str(path)))
        seen = sqlalchemy.inspect(engine)
        return {
            table: [
                [{**column, "type": str(column["type"])} for column in seen.get_columns(table)],
                seen.get_pk_constraint(table)["constrained_columns"],
                seen.get_foreign_keys(table),
                sorted(seen.get_indexes(table), key=lambda one: str(one["name"])),
                seen.get_unique_constraints(table),
            ]
            for table in seen.get_table_names()
        }

    save(store)
    with migrated(tmp_path / "other.sqlite", "head"):
        pass
    assert schema(tmp_path / "other.sqlite") == schema(database(store))


def test_the_last_step_is_the_one_that_the_program_looks_for() -> None:
    config = Config()
    config.set_main_option("script_location", str(index._MIGRATIONS))
    assert [tables.HEAD] == ScriptDirectory.from_config(config).get_heads()


def test_an_earlier_database_is_brought_to_this_version_with_what_is_in_it(store: Store) -> None:
    batch = batch_member("five-1", "5" * 64, 2, 5, 41)
    path = kept(store, a_record(), batch=batch)
    status = path.stat()
    with migrated(database(store), "0001") as connection:
        connection.exec_driver_sql("INSERT INTO cables VALUES (7, 'f-1', 'F-1', 'f- 0011 ')")
        row = {
            column.name: "" for column in tables.tests.c if column.name not in ("batch", "item", "seconds")
        }
        row |= {"id": 5, "cable_id": 7, "name": path.name, "size": status.st_size, "serial": "F-1", "test": 1}
        row |= {"mtime": status.st_mtime_ns, "sealed": 1, "simulated": 0, "kind": "certificate"}
        row |= {"result": "pass", "title": "as it was", "findings": "[]", "links": "[]"}
        words = ", ".join(f"`{name}`" for name in row), ", ".join(f":{name}" for name in row)
        connection.execute(sqlalchemy.text(f"INSERT INTO tests ({words[0]}) VALUES ({words[1]})"), row)
        connection.execute(sqlalchemy.text("UPDATE folder SET stamp = 4"))
        connection.commit()
        config = Config()
        config.set_main_option("script_location", str(index._MIGRATIONS))
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        connection.commit()
        seen = connection.execute(sqlalchemy.select(tables.tests.c.id, tables.tests.c.title)).all()
        assert [(5, "as it was")] == [tuple(one) for one in seen]
    (listed,) = store.found()
    assert ("F-1", "five-1", 2, "Five conductors") == (
        listed.entry.serial,
        listed.batch,
        listed.item,
        listed.title,
    )


def newer(store: Store) -> None:
    with closing(sqlite3.connect(database(store))) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '0099'")
        connection.commit()


def test_a_database_of_a_newer_version_is_refused_with_a_way_out(store: Store) -> None:
    save(store)
    newer(store)
    asked: list[Callable[[], object]] = [store.found, store.check_writable, lambda: save(store)]
    for one in asked:
        with pytest.raises(RecordsError, match="was made by a newer version of pinwright") as refused:
            one()
        assert "pinwright records reindex" in refused.value.hint
    assert 1 == store.reindex()
    assert [("F-1", 1)] == serials(store)


@pytest.mark.parametrize("module", ["sqlalchemy", "alembic"])
def test_libraries_that_take_a_while_are_imported_only_where_they_are_needed(
    module: str, store: Store
) -> None:
    kept(store, a_record())
    store.found()
    script = f"""
import sys
from pathlib import Path
from pinwright.records.store import Store
store = Store(Path(sys.argv[1]))
assert {module!r} not in sys.modules, "imported before it is needed"
assert store.found()
print({module!r} in sys.modules)
"""
    done = subprocess.run(
        [sys.executable, "-c", script, str(store.place)],
        env={**os.environ, "PYTHONPATH": str(Path(index.__file__).parents[2])},
        capture_output=True,
        text=True,
        check=True,
    )
    assert f"{module == 'sqlalchemy'}\n" == done.stdout


# In step with the files


def reads(store: Store, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the files that are read from now on."""
    from pinwright.records import sync

    names: list[str] = []
    real = sync.bytes_of

    def bytes_of(path: Path) -> bytes:
        names.append(path.name)
        return real(path)

    monkeypatch.setattr(sync, "bytes_of", bytes_of)
    return names


def aged(place: Path) -> None:
    """The folder was last changed an hour ago."""
    now = place.stat().st_mtime_ns
    os.utime(place, ns=(now, now - 3600 * 10**9))


def test_what_is_known_is_neither_listed_nor_read_again(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = kept(store, a_record())
    names = reads(store, monkeypatch)
    assert [("F-1", 1)] == serials(store)
    aged(store.place)
    assert [("F-1", 1)] == serials(store)  # notes the time of the folder

    def listdir(_: object) -> list[str]:
        raise AssertionError("listed")

    with monkeypatch.context() as patch:
        patch.setattr(os, "listdir", listdir)
        assert [("F-1", 1)] == serials(store)
    assert [path.name] == names


def test_after_a_save_everything_is_known_at_once(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    save(store)
    save(store)

    def listdir(_: object) -> list[str]:
        raise AssertionError("listed")

    monkeypatch.setattr(os, "listdir", listdir)
    assert [("F-1", 1), ("F-2", 1)] == serials(store)


def test_what_comes_in_while_a_record_is_saved_is_noticed(store: Store) -> None:
    made = a_record()

    def make(serial: str, test: int) -> Mapping[str, Any]:
        kept(store, a_record(serial="F-9"))
        return made

    store.save(make, kind="certificate", serial="F-1", pattern=str, again=False)
    assert [("F-1", 1), ("F-9", 1)] == serials(store)


def test_a_folder_whose_time_nobody_may_set_is_listed_again(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def utime(*_: object, **__: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "utime", utime)
    save(store)
    kept(store, a_record(serial="F-9"))
    assert [("F-1", 1), ("F-9", 1)] == serials(store)
    assert "F-10" == save(store).name.split(".")[0]


def test_files_that_come_change_and_go_are_noticed(store: Store) -> None:
    first = kept(store, a_record(operator="One"))
    assert ["One"] == [one.operator for one in store.found()]
    second = kept(store, a_record(serial="F-2"))
    assert [("F-1", 1), ("F-2", 1)] == serials(store)
    first.write_bytes(first.read_bytes().replace(b"One", b"Two"))
    assert [("Two", False), ("", True)] == [(one.operator, one.sealed) for one in store.found()]
    second.unlink()
    assert [("F-1", 1)] == serials(store)
    first.rename(store.place / "elsewhere.json")
    assert [] == serials(store)
    assert not any(map(len, rows(store).values()))


@pytest.mark.parametrize("query", [Query(), Query(serial="f-1"), Query(serial="F*"), Query(profile="five")])
def test_a_file_that_is_changed_in_its_place_is_noticed_though_the_folder_has_its_time(
    query: Query, store: Store
) -> None:
    path = kept(store, a_record(operator="One"))
    store.found()
    aged(store.place)
    before = store.place.stat().st_mtime_ns
    assert ["One"] == [one.operator for one in store.found(query)]
    path.write_bytes(path.read_bytes().replace(b"One", b"More"))
    assert before == store.place.stat().st_mtime_ns
    assert [("More", False)] == [(one.operator, one.sealed) for one in store.found(query)]


def test_a_remark_and_a_batch_that_are_changed_in_their_place_are_noticed(store: Store) -> None:
    save(store)
    note = remark(store, "F-1", text="before")
    batch = a_batch(store)
    store.found()
    note.write_bytes(note.read_bytes().replace(b"before", b"later on"))
    assert [("later on", False)] == [(one.text, one.sealed) for one in store.remarks_of("F-1")]
    batch.write_bytes(batch.read_bytes().replace(b'"count":5', b'"count":55'))
    assert [(55, False)] == [(one.count, one.sealed) for one in store.batches()]


def test_the_documents_beside_a_record_are_known_by_their_names_alone(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = kept(store, a_record())
    names = reads(store, monkeypatch)
    store.entries()
    pdf = path.with_suffix(".pdf")
    pdf.touch()
    assert [{"pdf": pdf}] == [entry.documents for entry in store.entries()]
    page = path.with_suffix(".HTML")
    pdf.rename(page)
    assert [{"html": page}] == [entry.documents for entry in store.entries()]
    assert [path.name] == names


def test_of_two_spellings_of_one_name_one_counts(store: Store) -> None:
    kept(store, a_record(operator="One"))
    other = store.place / "F-1.TEST-1.certificate.JSON"
    other.write_bytes(sealed(a_record(operator="Two")))
    for name in ("F-1.test-1.certificate.pdf", "F-1.test-1.certificate.PDF"):
        (store.place / name).touch()
    if len(os.listdir(store.place)) < 4:
        pytest.skip("this disk does not tell upper from lower case")
    (listed,) = store.found()
    pdf = store.place / "F-1.test-1.certificate.pdf"
    assert ("One", {"pdf": pdf}) == (listed.operator, listed.entry.documents)
    listed.entry.path.unlink()
    pdf.unlink()
    (listed,) = store.found()
    pdf = store.place / "F-1.test-1.certificate.PDF"
    assert ("Two", other, {"pdf": pdf}) == (listed.operator, listed.entry.path, listed.entry.documents)


def test_records_of_earlier_versions_are_taken_in(store: Store) -> None:
    old = of_an_earlier_version(a_record(OPEN_AND_JOINED, serial="OLD-2")) | {"host": "0.2.0"}
    kept(store, old)
    (listed,) = store.found()
    assert (True, "fail", "2026-03-01T09:30:00Z") == (listed.sealed, listed.result, listed.started)
    assert [("", ())] == [(one.batch, one.links) for one in store.measured("five")]
    assert 2 == store.save(lambda *_: old, kind="report", serial="OLD-2", pattern=str, again=True).test


def test_a_folder_in_which_nothing_is_ours_stays_as_it_is(store: Store) -> None:
    store.place.mkdir()
    for name in ("notes.txt", "x.json", ".F-9.test-1.report.json"):
        (store.place / name).touch()
    before = sorted(os.listdir(store.place))
    assert ([], [], []) == (store.found(), store.batches(), store.cables())
    assert before == sorted(os.listdir(store.place))


def test_reading_waits_for_no_lock_and_sees_what_is_there(store: Store) -> None:
    save(store)
    with filelock.FileLock(store.place / ".lock", preserve_lock_file=True):
        kept(store, a_record(serial="F-2"))
        assert [("F-1", 1), ("F-2", 1)] == serials(store)
        kept(store, a_record(serial="F-3"))
        assert [("F-1", 1), ("F-2", 1), ("F-3", 1)] == serials(store)
    with closing(sqlite3.connect(database(store))) as connection:
        assert [("F-1",)] == connection.execute("SELECT serial FROM tests").fetchall()
    assert [("F-1", 1), ("F-2", 1), ("F-3", 1)] == serials(store)


def test_it_is_told_how_far_a_long_reading_has_come(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    from pinwright.records import sync

    monkeypatch.setattr(sync, "_AT_ONCE", 2)
    for n in range(1, 6):
        kept(store, a_record(serial=f"F-{n}"))
    told: list[Any] = []

    @contextmanager
    def watched(what: str) -> Iterator[Callable[[int, int], None]]:
        told.append(what)
        yield lambda done, of: told.append((done, of))

    Store(store.place, watched=watched).found()
    assert ["reading records", (0, 5), (2, 5), (4, 5), (5, 5)] == told


# A database that is damaged, or cannot be had


def garbage(path: Path) -> None:
    path.write_bytes(b"no database " * 1000)


def truncated(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def emptied(path: Path) -> None:
    os.truncate(path, 0)


def without(statement: str) -> Callable[[Path], None]:
    def change(path: Path) -> None:
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA foreign_keys = OFF")
            connection.execute(statement)
            connection.commit()

    return change


def overwritten(path: Path) -> None:
    """All pages but the first, which says that it is a database."""
    data = path.read_bytes()
    path.write_bytes(data[:4096] + b"\xa5" * (len(data) - 4096))


def gone(path: Path) -> None:
    path.unlink()


DAMAGES = {
    "garbage": garbage,
    "truncated": truncated,
    "overwritten": overwritten,
    "without tests": without("DROP TABLE tests"),
    "without cables": without("DROP TABLE cables"),
    "without a version": without("DROP TABLE alembic_version"),
    "without its one row": without("DELETE FROM folder"),
    "of somebody else": without("ALTER TABLE remarks RENAME TO pictures"),
}
QUIET = {"gone": gone, "emptied": emptied}


@pytest.mark.parametrize("damage", [*DAMAGES, *QUIET])
@pytest.mark.parametrize("use", ["list", "save", "check", "note", "batch", "reindex"])
@pytest.mark.one_in(2)
def test_a_damaged_database_is_made_anew_from_the_files(store: Store, damage: str, use: str) -> None:
    save(store)
    save(store)
    remark(store, "F-1", text="kept")
    before = rows(store)
    (DAMAGES | QUIET)[damage](database(store))
    said: list[str] = []
    store = Store(store.place, say=said.append)
    {
        "list": store.found,
        "save": lambda: save(store),
        "check": store.check_writable,
        "note": lambda: remark(store, "F-2"),
        "batch": lambda: a_batch(store),
        "reindex": store.reindex,
    }[use]()
    words = [f"the index of `{store.place}` is damaged; it is made anew from the records"]
    assert (words if damage in DAMAGES and use != "reindex" else []) == said
    after = rows(store)
    assert before["remarks"] == after["remarks"][: len(before["remarks"])]
    assert before["tests"] == after["tests"][: len(before["tests"])]
    assert ["kept"] == [one.text for one in store.remarks_of("F-1")]


def test_a_folder_where_the_index_should_be_is_no_index(store: Store) -> None:
    save(store)
    database(store).unlink()
    database(store).mkdir()
    assert [("F-1", 1)] == serials(store)
    with pytest.raises(RecordsError, match="cannot write to its index"):
        save(store)
    assert [("F-1", 1)] == serials(store)


def test_a_file_where_the_folder_of_the_index_should_be_costs_only_saving(store: Store) -> None:
    kept(store, a_record())
    (store.place / ".index").write_bytes(b"mine")
    assert [("F-1", 1)] == serials(store)
    attempts: list[Callable[[], object]] = [store.check_writable, lambda: save(store), store.reindex]
    for attempt in attempts:
        with pytest.raises(RecordsError, match="cannot write to its index"):
            attempt()
    assert {".lock", ".index", "F-1.test-1.certificate.json"} == set(os.listdir(store.place))


def test_the_rest_of_a_killed_program_is_no_damage(store: Store) -> None:
    """What a program leaves that dies with the database open: the log of what it had not kept yet."""
    save(store)
    script = """
import os, sqlite3, sys
connection = sqlite3.connect(sys.argv[1])
connection.execute("INSERT INTO cables (folded, serial, ordered) VALUES ('x', 'X', 'x ')")
connection.commit()
connection.execute("DELETE FROM cables")
os._exit(9)
"""
    subprocess.run([sys.executable, "-c", script, str(database(store))], check=False)
    assert database(store).with_name("records.sqlite-wal").exists()
    said: list[str] = []
    assert [("F-1", 1)] == serials(Store(store.place, say=said.append))
    assert [] == said


@pytest.fixture
def small_disk(disk_of: Callable[[str], Path]) -> Path:
    return disk_of("1m")


def remounted(disk: Path, options: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{options}", str(disk)], check=True)


@pytest.mark.parametrize("has_index", [True, False])
def test_a_folder_on_a_read_only_disk_is_read_all_the_same(has_index: bool, small_disk: Path) -> None:
    store = Store(small_disk / "records")
    kept(store, a_record())
    if has_index:
        remark(store, "F-1", text="kept")
    kept(store, a_record(serial="F-2"))
    remounted(small_disk, "ro")
    before = sorted(os.walk(small_disk))
    for one in (store, Store(store.place)):
        assert [("F-1", 1), ("F-2", 1)] == serials(one)
        assert has_index == bool(one.remarks_of("F-1"))
        assert 2 == len(one.entries()) == len(one.measured("five"))
    attempts: list[Callable[[], object]] = [
        lambda: save(store),
        lambda: remark(store, "F-1"),
        lambda: a_batch(store),
        store.reindex,
        store.check_writable,
    ]
    for attempt in attempts:
        with pytest.raises(RecordsError, match="it is on a read-only disk"):
            attempt()
    assert has_index + 2 == len(store.names_for_backup())
    assert before == sorted(os.walk(small_disk))


def test_a_database_that_a_killed_program_left_on_a_read_only_disk_is_done_without(small_disk: Path) -> None:
    store = Store(small_disk)
    kept(store, a_record())
    store.found()
    database(store).with_name("records.sqlite-wal").write_bytes(b"x" * 100)
    remounted(small_disk, "ro")
    assert [("F-1", 1)] == serials(store)


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_database_on_a_read_only_disk_is_done_without(damage: str, small_disk: Path) -> None:
    store = Store(small_disk)
    save(store)
    save(store)
    DAMAGES[damage](database(store))
    remounted(small_disk, "ro")
    assert [("F-1", 1), ("F-2", 1)] == serials(store) == serials(Store(small_disk))


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_database_is_done_without_while_somebody_saves(damage: str, store: Store) -> None:
    save(store)
    DAMAGES[damage](database(store))
    with filelock.FileLock(store.place / ".lock", preserve_lock_file=True):
        assert [("F-1", 1)] == serials(store)


def test_a_full_disk_costs_no_record_and_reading_goes_on(small_disk: Path) -> None:
    store = Store(small_disk / "records")
    save(store)
    remark(store, "F-1", text="kept")
    kept(store, a_record(serial="F-7"))
    with open(small_disk / "ballast", "wb", buffering=0) as file:
        file.write(bytes(os.statvfs(small_disk).f_bfree * 4096))
    before = sorted(os.listdir(store.place))
    attempts: list[Callable[[], object]] = [
        lambda: save(store),
        lambda: remark(store, "F-1"),
        lambda: a_batch(store),
        store.check_writable,
        store.reindex,
    ]
    for attempt in attempts:
        with pytest.raises(RecordsError, match="the disk is full"):
            attempt()
        assert before == sorted(os.listdir(store.place))
        assert [("F-1", 1), ("F-7", 1)] == serials(store)
        assert ["kept"] == [one.text for one in store.remarks_of("F-1")]
    (small_disk / "ballast").unlink()
    assert "F-8" == save(store).name.split(".")[0]


def test_where_the_log_cannot_be_had_the_database_goes_on_in_its_own_way(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on some network disks: SQLite answers with the way that it keeps."""
    real = sqlite3.dbapi2.connect

    class Connection(sqlite3.Connection):
        def execute(self, words: str, *more: Any) -> sqlite3.Cursor:
            return super().execute(words.replace("journal_mode = WAL", "journal_mode = DELETE"), *more)

    monkeypatch.setattr(
        sqlite3.dbapi2, "connect", lambda *args, **more: real(*args, **more, factory=Connection)
    )
    save(store)
    save(store)
    with closing(real(database(store))) as connection:
        assert ("delete",) == connection.execute("PRAGMA journal_mode").fetchone()
    assert [("F-1", 1), ("F-2", 1)] == serials(store)


# What it is asked


def test_what_is_listed_is_what_the_record_says(store: Store) -> None:
    batch = batch_member("five-3", "5" * 64, 2, 5, 40.6)
    doc = a_record(OPEN_AND_JOINED, operator="O. Perator", platform="linux", serial="F-2")
    path = kept(store, doc, batch=batch)
    page = path.with_suffix(".html")
    page.touch()
    assert [
        Listed(
            entry=Entry("F-2", 1, "report", path, {"html": page}),
            sha256=json.loads(path.read_bytes())["sha256"],
            sealed=True,
            result="fail",
            simulated=True,
            started="2026-03-01T09:30:00Z",
            profile="five",
            title="Five conductors",
            revision="B",
            operator="O. Perator",
            batch="five-3",
            item=2,
            withdrawn="",
            notes=0,
            latest=True,
        )
    ] == store.found()


@pytest.fixture
def many(store: Store) -> Store:
    """Four cables: one tested twice, one withdrawn and noted, one whose seal is broken, one unreadable."""
    kept(store, at("2026-01-31T23:59:59Z", a_record(OPEN_AND_JOINED, serial="F-9", operator="Größer")))
    kept(store, at("2026-02-01T00:00:00Z", a_record(serial="F-9", test=2, lane="calibrated")))
    batch = batch_member("five-1", "5" * 64, 1, 2, 9)
    kept(store, at("2026-03-05T12:00:00Z", a_record(serial="F-10")), batch=batch)
    broken = kept(store, at("2026-03-06T12:00:00Z", a_record(serial="G-1")))
    broken.write_bytes(broken.read_bytes().replace(b"rack", b"rock"))
    (store.place / "G-2.test-1.report.json").write_bytes(b"{}")
    remark(store, "F-10", "withdrawal", "wrong label")
    remark(store, "F-10", text="The STRAßE of cables")
    return store


def at(started: str, doc: Mapping[str, Any]) -> dict[str, Any]:
    return changed(doc, "scan.started", started)


ALL = [("F-9", 1), ("F-9", 2), ("F-10", 1), ("G-1", 1), ("G-2", 1)]


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ({}, ALL),
        ({"serial": "f-9"}, ALL[:2]),
        ({"serial": "F-"}, []),
        ({"serial": "F-*"}, ALL[:3]),
        ({"serial": "g*"}, ALL[3:]),
        ({"serial": "*"}, ALL),
        ({"serial": "F_9*"}, []),
        ({"profile": "five"}, ALL[:4]),
        ({"profile": "six"}, []),
        ({"result": "pass"}, [("F-9", 2)]),
        ({"result": "fail"}, [("F-9", 1)]),
        ({"result": "withdrawn"}, [("F-10", 1)]),
        ({"result": "unreadable"}, ALL[3:]),
        ({"latest": True}, ALL[1:]),
        ({"latest": True, "result": "fail"}, []),
        ({"batch": "five-1"}, [("F-10", 1)]),
        ({"since": "2026-02"}, ALL[1:4]),
        ({"until": "2026-01"}, ALL[:1]),
        ({"until": "2026"}, ALL[:4]),
        ({"since": "2026-02-01", "until": "2026-02-01"}, [("F-9", 2)]),
        ({"since": "2026-03-05T13:00:00+01:00", "until": "2026-03-05T12:00:00Z"}, [("F-10", 1)]),
        ({"words": ("größer",)}, [("F-9", 1)]),
        ({"words": ("FIVE conductors", "g-1")}, [("G-1", 1)]),
        ({"words": ("strasse",)}, [("F-10", 1)]),
        ({"words": ("wrong label", "f-10")}, [("F-10", 1)]),
        ({"words": ("A.1 and B.1",)}, [("F-9", 1)]),
        ({"words": ("%",)}, []),
        ({"words": ("_",)}, []),
        ({"words": ("",)}, ALL),
        ({"words": ("'; DROP TABLE tests; --",)}, []),
        ({"profile": "' OR ''='"}, []),
    ],
)
def test_what_fits_is_found(query: dict[str, Any], expected: list[Any], many: Store) -> None:
    assert expected == serials(many, **query)


def test_a_date_that_is_none_is_refused_and_no_damage(many: Store) -> None:
    said: list[str] = []
    store = Store(many.place, say=said.append)
    asked: list[Callable[[], object]] = [
        lambda: store.found(Query(since="yesterday")),
        lambda: store.found(Query(until="2026-02-30")),
        lambda: store.measured("five", "2026-13"),
    ]
    for one in asked:
        with pytest.raises(ValueError):  # noqa: PT011 -- some are Python's
            one()
    assert [] == said


def test_no_test_is_of_two_results(many: Store) -> None:
    told = [
        one for result in ("pass", "fail", "withdrawn", "unreadable") for one in serials(many, result=result)
    ]
    assert sorted(ALL) == sorted(told)


def test_a_withdrawal_counts_even_where_it_cannot_be_read(many: Store) -> None:
    path = next(many.place.glob("*.withdrawal-1.json"))
    for data in (b"", b"{}", b"[" * 100_000, path.read_bytes().replace(b"wrong", b"right")):
        path.write_bytes(data)
        (listed,) = many.found(Query(serial="F-10"))
        assert listed.withdrawn in ("its withdrawal cannot be read", "right label")
        assert [("F-10", 1)] == serials(many, result="withdrawn")


def test_serials_to_be_completed_come_in_order_and_are_counted(many: Store) -> None:
    (many.place / "F-1.test-1.report.pdf").touch()  # of no record
    assert ["F-9", "F-10"] == many.cables("f-")
    assert ["F-9", "F-10", "G-1", "G-2"] == many.cables()
    assert ["F-9"] == many.cables("F", 1)
    assert [] == many.cables("x")


def test_what_statistics_need_is_what_the_record_says(store: Store) -> None:
    bad = {"joints": {"A.4": 12.0}, "leaks": {"A.5": 41_000.0}}
    doc = a_record(lane="calibrated", operator="x", **bad)
    kept(store, doc, batch=batch_member("five-3", "5" * 64, 2, 5, 41))
    (told,) = store.measured("five", since="2026-03-01", until="2026-03-01")
    scan = doc["scan"]
    assert [(one["kind"], tuple(one["pins"])) for one in scan["findings"]] == list(told.findings)
    assert told.findings
    assert [(one["from"], one["ohms"], one["uncertainty"], one["ok"]) for one in scan["links"]] == list(
        told.links
    )
    assert ("fail", "B", scan["profile"]["sha256"], "calibrated") == (
        told.result,
        told.revision,
        told.sha256,
        told.lane,
    )
    assert ("five-3", 2, 41, True, "") == (told.batch, told.item, told.seconds, told.sealed, told.withdrawn)
    assert [] == store.measured("five", until="2026-02")
    assert [] == store.measured("other")
    remark(store, "F-1", "withdrawal", "wrong label")
    assert ["wrong label"] == [one.withdrawn for one in store.measured("five")]


SCAN = a_record(OPEN_AND_JOINED)["scan"]
HOSTILE = "\ud800", "a\0b", "\x1b[31m", "\u202e", "x" * 100_000, "'\"%_\\/"


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("member", ["scan.operator", "scan.profile.id", "scan.profile.title", "scan.started"])
def test_whatever_a_record_says_it_is_listed(text: str, member: str, store: Store) -> None:
    doc = changed(a_record(), member, text)
    store.place.mkdir()
    (store.place / "F-1.test-1.certificate.json").write_text(json.dumps(doc))
    assert [("F-1", 1)] == serials(store)
    assert [("F-1", 1)] == serials(store, words=("f-1",))


@pytest.mark.parametrize(
    ("member", "value"),
    [
        ("scan.findings", 7),
        ("scan.findings", [7, {}, {"kind": 7, "pins": [[]], "text": None}, {"kind": "open"}]),
        ("scan.links", {"ohms": 1}),
        ("scan.links", [{}, {"from": "A.1", "ohms": 1e999, "uncertainty": 1, "ok": True}, 3]),
        ("scan.links", [{"from": "A.1", "ohms": 10**400, "uncertainty": 1, "ok": True}]),
        ("scan.links", [{"from": "A.1", "ohms": True, "uncertainty": 1, "ok": True}]),
        ("batch", []),
        ("batch", {"id": 7, "item": 10**30, "seconds": -1}),
        ("batch", {"id": "x", "item": True, "seconds": 1.5}),
        ("sha256", ["x"]),
    ],
)
def test_what_has_another_form_is_left_out_and_the_rest_is_told(
    member: str, value: Any, store: Store
) -> None:
    doc = changed(a_record(), member, value)
    store.place.mkdir()
    (store.place / "F-1.test-1.certificate.json").write_text(json.dumps(doc))
    (listed,) = store.found()
    (told,) = store.measured("five")
    assert ("pass", False, 0) == (listed.result, listed.sealed, listed.item)
    assert (0, ()) == (told.seconds, told.links)
    assert all(isinstance(kind, str) and isinstance(pins, tuple) for kind, pins in told.findings)


def test_a_file_that_cannot_be_read_is_listed_and_read_once_it_can_be(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pinwright.records import sync

    def bytes_of(_: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    kept(store, a_record())
    with monkeypatch.context() as patch:
        patch.setattr(sync, "bytes_of", bytes_of)
        assert ["unreadable"] == [one.result for one in store.found()]
        aged(store.place)
        assert ["unreadable"] == [one.result for one in store.found()]
    assert ["pass"] == [one.result for one in store.found()]


# Order, and serials to come

NAMES = st.from_regex(r"\A[a-cA-C0-9][a-c0-9._-]{0,8}\Z")


def by_value(serial: str) -> tuple[list[Any], str]:
    """The order that serials are to have: runs of digits by their value, the rest by characters."""
    parts: list[Any] = re.split(r"([0-9]+)", serial.casefold())
    parts[1::2] = map(int, parts[1::2])
    return parts, serial.casefold()


@given(st.lists(NAMES, max_size=12))
@example(["a-9", "A-10", "a-010", "a", "ab", "a1", "a-", "0", "00", "9" * 40, "1" + "0" * 40])
def test_the_order_of_the_texts_is_that_of_the_serials(names: list[str]) -> None:
    told = sorted(names, key=lambda serial: (in_order(serial), serial.casefold()))
    assert sorted(names, key=by_value) == told
    assert all(in_order(name).isascii() for name in names)


PATTERNS = [
    "{0}",
    "40{0}",
    "A{0}.1",
    "A{0:04}",
    "{0}1",
    "{0}0",
    "1{0}",
    "a{0}-{0}",
    "HL{0:09}",
    "b{0}b",
    "same",
]


@settings(max_examples=60)
@given(
    st.sampled_from(PATTERNS),
    st.lists(st.one_of(NAMES, st.integers(0, 1_000_001), st.integers(0, 30)), max_size=12),
)
def test_the_next_serial_is_the_one_that_trying_every_number_gives(pattern: str, used: list[Any]) -> None:
    folded = {one.casefold() if isinstance(one, str) else pattern.format(one).casefold() for one in used}
    with closing_engine() as connection:
        for one in folded:
            row = {"folded": one, "serial": one, "ordered": in_order(one)}
            connection.execute(sqlalchemy.insert(tables.cables).values(row))
        expected = queries._next_of(folded, pattern.format, 1_000_000)
        assert expected == queries.next_serial(connection, pattern.format, 1_000_000)


@contextmanager
def closing_engine() -> Iterator[sqlalchemy.Connection]:
    engine = index._engine(sqlalchemy.URL.create("sqlite"))
    try:
        with engine.connect() as connection:
            tables.metadata.create_all(connection)
            yield connection
    finally:
        engine.dispose()


# The index in step is the one that would be made anew


class Folder:
    """A folder in which things happen."""

    def __init__(self, place: Path) -> None:
        self.store = Store(place)
        self.place = place

    def path(self, n: int) -> Path | None:
        """One of the files of ours that are there."""
        there = sorted(path for path in self.place.glob("[!.]*") if named(path.name))
        return there[n % len(there)] if there else None

    def save(self, n: int) -> None:
        serial = [None, "a-1", "A-1", "b.2", "F-3"][n % 5]
        again = serial is not None and self.store.is_used(serial)
        save(self.store, serial, again=again)

    def copy(self, n: int) -> None:
        kept(self.store, a_record(serial=["a-1", "A-1", "F-7", "F-10"][n % 4], test=1 + n % 3))

    def document(self, n: int) -> None:
        name = ["F-1.test-1.certificate.pdf", "A-1.TEST-1.certificate.PDF", "b.2.test-1.certificate.html"]
        if self.place.is_dir():
            (self.place / name[n % 3]).touch()

    def strange(self, n: int) -> None:
        if self.place.is_dir():
            name = ["x.test-1.report.json", "F-1.test-1.note-9.json", "five-7.batch.json", "x.txt"][n % 4]
            (self.place / name).write_bytes([b"", b"{}", b"[1]"][n % 3])

    def remove(self, n: int) -> None:
        if path := self.path(n):
            path.unlink()

    def change(self, n: int) -> None:
        if path := self.path(n):
            path.write_bytes(path.read_bytes() + b" ")

    def rename(self, n: int) -> None:
        if path := self.path(n):
            name = path.name.swapcase() if n % 2 else path.name.replace("test-1", "test-5")
            path.rename(path.with_name(name))

    def remark(self, n: int) -> None:
        entries = self.store.entries()
        if entries:
            entry = entries[n % len(entries)]
            kind = "withdrawal" if n % 3 == 0 else "note"
            with suppress(RecordsError):  # withdrawn already, or not as it was sealed
                remark(self.store, entry.serial, kind, "x", entry.test)

    def batch(self, n: int) -> None:
        a_batch(self.store)

    def read(self, n: int) -> None:
        self.store.found()

    def again(self, n: int) -> None:
        self.store = Store(self.place)


STEPS = [name for name in vars(Folder) if not name.startswith("_") and name != "path"]


@settings(max_examples=25)
@given(steps=st.lists(st.tuples(st.sampled_from(STEPS), st.integers(0, 59)), min_size=1, max_size=14))
def test_after_whatever_happened_the_index_is_the_one_that_would_be_made_anew(
    steps: Sequence[tuple[str, int]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = Folder(tmp_path_factory.mktemp("steps") / "records")
    for name, n in steps:
        with suppress(SerialError):  # a name that is taken, or a serial in use
            getattr(folder, name)(n)
    told = folder.store.found(), folder.store.entries(), folder.store.batches()
    if not database(folder.store).exists():
        assert ([], (), []) == told
        return
    folder.store.found()
    before = rows(folder.store)
    assert len(told[0]) == folder.store.reindex()
    assert before == rows(folder.store)
    assert told == (folder.store.found(), folder.store.entries(), folder.store.batches())


def a_batch(store: Store) -> Path:
    profile = {"id": "five", "title": "Five conductors", "revision": "B", "sha256": "0" * 64}
    return store.new_batch(
        "five",
        lambda id: batch_document(
            id, profile=profile, count=5, operator=None, started=MADE, simulated=False, host="0.5.0"
        ),
    ).path


# Documents that are put


def test_documents_are_put_under_their_own_names_once(store: Store) -> None:
    record = sealed(a_record(serial="F-5"))
    drawn = {"pdf": b"%PDF"}
    first = store.put([record], lambda _: drawn)
    assert [("F-5.test-1.certificate.json", "new", "")] == [(one.name, one.state, one.why) for one in first]
    assert b"%PDF" == (store.place / "F-5.test-1.certificate.pdf").read_bytes()
    note = remark(store, "F-5").read_bytes()
    batch = a_batch(store).read_bytes()
    other = Store(store.place.parent / "other")
    many = [note, record, batch, record]
    assert ["new", "new", "new", "same"] == [one.state for one in other.put(many)]
    assert [("F-5", 1)] == serials(other)
    assert ["x"] == [one.text for one in other.remarks_of("f-5")]
    assert ["five-1"] == [one.id for one in other.batches("five")]
    assert ["same"] * 4 == [one.state for one in other.put(many)]


@pytest.mark.parametrize(
    "changes",
    [{"serial": "../x", "number": "../x.test-1"}, {"number": "F-1"}, {"kind": "x"}, {"kind": "../x"}],
)
def test_a_document_that_names_no_file_of_ours_is_a_fault_of_the_program(
    changes: Mapping[str, str], store: Store
) -> None:
    with pytest.raises(ValueError, match="is no name of a document of ours"):
        store.put([sealed(a_record() | changes)])
    assert [] == list(store.place.parent.glob("x*"))


def test_a_document_for_which_there_is_another_is_not_put(store: Store) -> None:
    save(store, "F-5")
    before = {path.name: path.read_bytes() for path in store.place.glob("[!.]*")}
    others = [
        a_record(serial="F-5", operator="Another"),
        a_record(serial="f-5"),
        a_record(OPEN_AND_JOINED, serial="F-5"),
    ]
    told = store.put([*map(sealed, others), sealed(a_record(serial="F-6"))])
    assert ["other", "other", "other", "new"] == [one.state for one in told]
    assert "another document of that name is there" == told[0].why
    assert "`F-5.test-1.certificate.json` is there, which has the same number" == told[1].why == told[2].why
    after = {path.name: path.read_bytes() for path in store.place.glob("[!.]*")}
    assert before == {name: data for name, data in after.items() if "F-6" not in name}
    assert [("F-5", 1), ("F-6", 1)] == serials(store)


ONE = a_record(operator="one")  # two cables of one serial
TWO, THREE = after(a_record(test=2), ONE), a_record(test=3)
OTHER = a_record(operator="other")
OTHER_TWO = after(a_record(test=2, operator="other"), OTHER)


@pytest.mark.parametrize(
    ("many", "states", "why"),
    [
        ([ONE, OTHER_TWO], "new other", "and the test before this one has the SHA-256 "),
        ([OTHER_TWO, ONE], "new other", "and the test before that one has the SHA-256 "),
        ([ONE, OTHER, THREE], "new other other", "was not taken in, which comes before it"),
        ([ONE, OTHER_TWO, THREE], "new other other", "was not taken in, which comes before it"),
        ([ONE, TWO, THREE], "new new new", ""),
        ([TWO, ONE, ONE, THREE], "new new same new", ""),
        ([OTHER_TWO, THREE], "new new", ""),  # the test before is not here
        ([ONE, OTHER, TWO | {"serial": "f-1", "number": "f-1.test-2"}], "new other other", "not taken in"),
        ([ONE, OTHER, ONE, a_record(serial="F-2")], "new other same new", ""),
    ],
)
@pytest.mark.parametrize("together", [True, False])
def test_tests_of_two_cables_of_one_serial_are_not_mixed(
    store: Store, many: list[dict[str, Any]], states: str, why: str, together: bool
) -> None:
    documents, refused = list(map(sealed, many)), dict[str, tuple[int, str]]()
    parts = [documents] if together else [[one] for one in documents]
    told = [one for part in parts for one in store.put(part, None, refused)]
    assert states.split() == [one.state for one in told]
    assert why in told[-1].why


def test_after_a_test_that_was_not_put_no_remark_about_it_or_a_later_one_is(store: Store) -> None:
    def note(test: int) -> bytes:
        about = seal(ONE)["sha256"]
        doc = remark_document(
            "note", "F-1", test, 1, about_sha256=about, text="x", by=None, made=MADE, host="0.5.0"
        )
        return sealed(doc)

    told = store.put([*map(sealed, (ONE, OTHER_TWO)), note(3), note(2), note(1)])
    assert ["new", "other", "other", "other", "new"] == [one.state for one in told]


def test_a_record_is_put_back_to_its_own_documents_and_to_no_others(store: Store) -> None:
    documents = documents_of(read(ONE))
    store.check_writable()
    files = {store.place / f"F-1.test-1.certificate.{kind}": data for kind, data in documents.items()}
    for path, data in files.items():
        path.write_bytes(data)
    (refused,) = store.put([sealed(OTHER)])
    assert ("other", "`F-1.test-1.certificate.html` is there, and is of another record, which is lost") == (
        refused.state,
        refused.why,
    )
    (put,) = store.put([sealed(ONE)], lambda record: {"pdf": b"anew", "html": b"anew"})
    assert "new" == put.state
    assert files == {path: path.read_bytes() for path in files}
    (entry,) = store.entries()
    assert set(files) == set(entry.documents.values())
    assert [] == store.lost()


def test_a_document_that_loses_its_name_at_the_last_moment_costs_the_others_nothing(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.link

    def link(unfinished: Path, path: Path) -> None:
        if path.name == "F-5.test-1.certificate.json":
            path.write_bytes(b"foreign")
        real(unfinished, path)

    monkeypatch.setattr(os, "link", link)
    told = store.put([sealed(a_record(serial=f"F-{n}")) for n in (4, 5, 6)])
    assert ["new", "other", "new"] == [one.state for one in told]
    assert ["pass", "unreadable", "pass"] == [one.result for one in store.found()]


def test_what_is_backed_up_is_all_that_is_ours_and_finished(store: Store) -> None:
    save(store)
    remark(store, "F-1")
    a_batch(store)
    (store.place / "F-1.test-1.certificate.pdf").touch()
    for name in ("notes.txt", ".F-9.test-1.report.json", f".F-2.test-1.report.pdf.{'0' * 16}.unfinished"):
        (store.place / name).touch()
    expected = ["F-1.test-1.certificate.json", "F-1.test-1.certificate.pdf", "F-1.test-1.note-1.json"]
    assert [*expected, "five-1.batch.json"] == [path.name for path in store.names_for_backup()]
    assert [] == Store(store.place / "nowhere").names_for_backup()


# Dates


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2026", "2026-01-01T00:00:00Z", "2026-12-31T23:59:59Z"),
        ("2026-11", "2026-11-01T00:00:00Z", "2026-11-30T23:59:59Z"),
        ("2026-11-26", "2026-11-26T00:00:00Z", "2026-11-26T23:59:59Z"),
        ("2026-11-26T01:02:03Z", "2026-11-26T01:02:03Z", "2026-11-26T01:02:03Z"),
        ("2026-11-26t01:02:03.9z", "2026-11-26T01:02:03Z", "2026-11-26T01:02:03Z"),
        ("2026-11-26T00:30:00+02:00", "2026-11-25T22:30:00Z", "2026-11-25T22:30:00Z"),
    ],
)
def test_a_date_has_a_first_and_a_last_second(text: str, first: str, last: str) -> None:
    assert (first, last) == moments(text)


@pytest.mark.parametrize(
    "text",
    [
        *("", "26", "2026-13", "2026-02-30", "2026-1-1", "0000", "yesterday", "\u0662\u0660\u0662\u0666"),
        *("2026-11-26T", "2026-11-26T25:00:00Z", "2026-11-26 01:02:03", "2026-11-26T01:02:03"),
        *("2026-11-26T01:02:03Z\n", "0001-01-01T00:00:00+23:00"),
    ],
)
def test_what_is_no_date_is_refused(text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 -- some are Python's
        moments(text)
