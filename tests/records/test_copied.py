"""Folders and files that somebody copied: with their index, over each other, and under other names."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.exc import DBAPIError

from pinwright.errors import RecordsError, SerialError, UsageError
from pinwright.records import index
from pinwright.records.document import NotGenuine
from pinwright.records.entries import MOST_WORDS, Damaged, Query
from pinwright.records.rows import kind_of
from pinwright.records.statistics import statistics
from pinwright.records.store import Store

from .making import GOOD, SWAPPED, a_record, changed, read, sealed
from .test_index import database, kept, newer, remark, save, serials
from .test_lines import BATCH


def copied_over(source: Path, target: Path) -> None:
    """As `cp -a source/. target/` does it: files and folders with their times."""
    shutil.copytree(source, target, dirs_exist_ok=True, copy_function=shutil.copy2)


@pytest.fixture
def merged(tmp_path: Path) -> Store:
    """Two folders with a past in common, the one copied over the other with its index. In the first F-2
    failed its second test, in the second F-1 did; each has as many files as the other had."""
    one, other = Store(tmp_path / "one"), Store(tmp_path / "other")
    for _ in range(2):
        save(one)
    copied_over(one.place, other.place)
    save(one, "F-2", again=True, groups=SWAPPED)
    save(other, "F-1", again=True, groups=SWAPPED)
    assert 3 == len(one.found()) == len(other.found())
    copied_over(other.place, one.place)
    assert os.stat(other.place).st_mtime_ns == os.stat(one.place).st_mtime_ns  # the test is about that
    return Store(one.place)


WHOLE = [("F-1", 1), ("F-1", 2), ("F-2", 1), ("F-2", 2)]


def test_an_index_that_came_with_another_folder_s_files_hides_none(merged: Store) -> None:
    assert WHOLE == serials(merged)
    assert [("F-1", 2), ("F-2", 2)] == serials(merged, result="fail")
    assert [] == serials(merged, latest=True, result="pass")


def test_who_saves_into_such_a_folder_sees_all_its_files(merged: Store) -> None:
    assert "F-2.test-3.certificate.json" == save(merged, "F-2", again=True).name
    assert [*WHOLE, ("F-2", 3)] == serials(merged)


def test_who_saves_counts_the_files_even_where_no_time_has_changed(store: Store) -> None:
    save(store)
    kept(store, a_record(serial="F-2"))
    with closing(sqlite3.connect(database(store))) as connection:
        connection.execute("UPDATE folder SET stamp = ?", (index._stamp(store.place),))
        connection.commit()
    assert "F-3.test-1.certificate.json" == save(store).name
    assert [("F-1", 1), ("F-2", 1), ("F-3", 1)] == serials(store)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "records")


def test_the_folder_s_time_set_back_hides_nothing(store: Store) -> None:
    save(store)
    assert [("F-1", 1)] == serials(store)
    before = os.stat(store.place)
    kept(store, a_record(serial="F-2"))
    os.utime(store.place, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert [("F-1", 1), ("F-2", 1)] == serials(store)


# What cannot be asked


def test_more_words_than_a_database_takes_are_refused() -> None:
    assert MOST_WORDS == len(Query(words=("x",) * MOST_WORDS).words)
    with pytest.raises(UsageError, match="51 words are too many to look for; at most 50"):
        Query(words=("x",) * (MOST_WORDS + 1))


@pytest.mark.parametrize("member", ["serial", "profile", "batch", "words"])
def test_what_is_no_text_is_refused(member: str) -> None:
    text = "a\udcff"
    with pytest.raises(UsageError, match="is not UTF-8"):
        Query(**{member: (text,) if member == "words" else text})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("statement", "values"),
    [("SELECT ?", ("\udcff",)), ("SELECT 1" + " + 1" * 2000, ()), ("SELECT !", ())],
)
def test_a_question_that_no_database_takes_is_no_damage(
    statement: str, values: tuple[str, ...], store: Store
) -> None:
    save(store)
    before = database(store).stat().st_ino
    with pytest.raises((UnicodeEncodeError, DBAPIError)):
        store._ask(lambda rows: rows.exec_driver_sql(statement, values).all())
    assert before == database(store).stat().st_ino


def test_a_database_that_stays_damaged_is_said_to_be(store: Store) -> None:
    save(store)

    def spoiled(rows: object) -> None:
        raise Damaged

    with pytest.raises(RecordsError, match=r"its index .* it is damaged again") as refused:
        store._ask(spoiled)
    assert "deleted at any time" in refused.value.hint
    with pytest.raises(RecordsError, match="it is damaged again"):
        store._changed(lambda change: spoiled(change))
    assert [("F-1", 1)] == serials(store)


@pytest.mark.skipif(os.name != "posix", reason="an open database cannot be removed on other systems")
def test_an_index_that_is_removed_while_somebody_saves_costs_nothing(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    save(store)
    real, attempts = index.Index._make_room, []

    def made(self: index.Index) -> None:
        real(self)
        attempts.append(1)
        if len(attempts) == 1:
            shutil.rmtree(store.place / ".index")

    monkeypatch.setattr(index.Index, "_make_room", made)
    save(store)
    assert 2 == len(attempts)
    assert [("F-1", 1), ("F-2", 1)] == serials(store)


def test_a_newer_database_is_still_refused(store: Store) -> None:
    save(store)
    newer(store)
    with pytest.raises(RecordsError, match="newer version"):
        save(store)


# Under other names


@pytest.mark.parametrize(
    "name", ["F-2.test-2.certificate", "F-1.test-2.certificate", "F-1.test-1.report", "G.test-1.certificate"]
)
def test_a_record_under_another_name_is_unreadable(name: str, store: Store) -> None:
    store.place.mkdir()
    (store.place / f"{name}.json").write_bytes(sealed(a_record(serial="F-1")))
    (one,) = store.found()
    assert ("unreadable", False, "") == (one.result, one.sealed, one.sha256)
    assert [] == store.measured("five")


def test_a_record_in_another_spelling_of_its_name_is_itself(store: Store) -> None:
    store.place.mkdir()
    (store.place / "f-1.TEST-1.Certificate.json").write_bytes(sealed(a_record(serial="F-1")))
    (one,) = store.found()
    assert ("pass", True) == (one.result, one.sealed)


def test_a_remark_under_another_name_says_nothing_but_that_it_is_there(store: Store) -> None:
    save(store)
    save(store)
    path = remark(store, "F-1", "withdrawal", "mended")
    path.rename(path.with_name("F-2.test-1.withdrawal-1.json"))
    note = remark(store, "F-1", "note", "hello")
    note.rename(note.with_name("F-1.test-1.note-3.json"))
    told = {
        one.path.name: (one.text, one.sealed) for one in (*store.remarks_of("F-1"), *store.remarks_of("F-2"))
    }
    assert {"F-2.test-1.withdrawal-1.json": ("", False), "F-1.test-1.note-3.json": ("", False)} == told
    assert [("F-2", 1)] == serials(store, result="withdrawn")


# Two of one number


@pytest.mark.parametrize("failed", ["F-1", "f-1"])
def test_of_two_records_of_one_number_the_failed_one_is_the_latest(failed: str, store: Store) -> None:
    for serial in ("F-1", "f-1"):
        kept(store, a_record(SWAPPED if serial == failed else GOOD, serial=serial, test=2))
    assert [(failed, 2)] == serials(store, latest=True)
    assert ["certificate", "report"] == [one.kind for one in store.tests_of("F-1")]
    assert [] == serials(store, latest=True, result="pass")


def test_of_two_of_one_number_one_that_cannot_be_read_counts_before_one_that_passed(store: Store) -> None:
    kept(store, a_record(serial="f-1"))
    (store.place / "F-1.test-1.report.json").write_bytes(b"{}")
    (one,) = store.found(Query(latest=True))
    assert "unreadable" == one.result


# Numbers that no file can have


LAST = 10**9 - 1


def test_after_the_last_test_that_can_be_numbered_there_is_none(store: Store) -> None:
    kept(store, a_record(serial="F-1", test=LAST))
    with pytest.raises(SerialError, match="has a test 999999999, after which no other can be numbered"):
        save(store, "F-1", again=True)
    assert [("F-1", LAST)] == serials(store)
    read(a_record(test=LAST))
    with pytest.raises(NotGenuine, match="in another form"):
        read(a_record(test=LAST + 1))


@pytest.mark.parametrize("kind", ["note", "withdrawal"])
def test_after_the_last_remark_that_can_be_numbered_there_is_none(kind: Any, store: Store) -> None:
    save(store)
    (store.place / f"F-1.test-1.{kind}-{LAST}.json").write_bytes(b"{}")
    with pytest.raises(RecordsError, match=f"has a {kind} {LAST}, after which no other can be numbered"):
        remark(store, "F-1", kind)
    assert 1 == len(store.remarks_of("F-1"))


def test_after_the_last_batch_that_can_be_numbered_there_is_none(store: Store) -> None:
    store.check_writable()
    (store.place / f"five-{LAST}.batch.json").write_bytes(b"{}")
    with pytest.raises(RecordsError, match=f"`five` has a batch {LAST} in") as refused:
        store.new_batch("five", lambda id: {"id": id})
    assert f"`five-{LAST}.batch.json` may be no batch" in refused.value.hint


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("F-1.test-1.report.json", "record"),
        ("f-1.TEST-1.Certificate.PDF", "drawn"),
        ("F-1.test-999999999.note-999999999.json", "remark"),
        ("five-1.batch.json", "batch"),
        ("F-1.test-1000000000.report.json", ""),
        ("F-1.test-1.note-1000000000.json", ""),
        ("five-1000000000.batch.json", ""),
        ("five.batch.json", ""),
        ("manifest.json", ""),
    ],
)
def test_a_name_tells_what_a_file_is(name: str, kind: str) -> None:
    assert kind == kind_of(name)


def test_a_batch_under_another_name_is_none(store: Store) -> None:
    store.check_writable()
    path = store.new_batch("five", lambda id: BATCH).path
    assert ["five-1"] == [one.id for one in store.batches()]
    path.rename(path.with_name("five-2.batch.json"))
    assert [] == store.batches()


def test_a_report_takes_pins_of_any_name(store: Store) -> None:
    pins = ["A." + "9" * 5000, "@.x", "@J1.3", "", "A.1"]
    finding = {"kind": "open", "text": "", "pins": pins, "remedy": ""}
    kept(store, changed(a_record(SWAPPED, platform="linux"), "scan.findings", [finding]))
    told = statistics(store.measured("five"), {"A": ["1"]}, simulations=True)
    assert {"A.1"} == {one.pin for one in told.pins}
    assert {"A." + "9" * 5000, ""} <= {one.pin for one in told.elsewhere}


def test_a_report_goes_by_the_failed_one_of_two_records_of_one_number(store: Store) -> None:
    for serial, groups in ("F-1", SWAPPED), ("f-1", GOOD):
        kept(store, a_record(groups, serial=serial))
    told = statistics(store.measured("five"), {"A": ["1"]}, simulations=True)
    assert (1, 0) == (told.total.failed, told.total.passed)
