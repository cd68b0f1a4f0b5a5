"""A record is on the disk with its documents, whole or not at all, under a serial that no other has."""

from __future__ import annotations

import errno
import hashlib
import inspect
import json
import os
import shutil
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable, Collection, Iterator, Mapping
from pathlib import Path
from typing import Any

import filelock
import pytest

from pinwright.errors import RecordsError, SerialError
from pinwright.records.document import canonical, open_sealed, seal
from pinwright.records.store import Entry, Saved, Store, check_serial

HOST = str(Path(__file__).parents[2] / "host")

Draw = Callable[[bytes], Mapping[str, bytes]] | None


def a_record(serial: str, test: int) -> Mapping[str, Any]:
    return {"schema": "example-1", "serial": serial, "test": test}


def numbered(n: int) -> str:
    return f"HL40-{n:04}"


def save(store: Store, serial: str | None = None, *, again: bool = False, **changes: Any) -> Saved:
    wanted = {"kind": "certificate", "serial": serial, "pattern": numbered, "again": again, **changes}
    return store.save(wanted.pop("make", a_record), **wanted)


def drawn(record: bytes) -> Mapping[str, bytes]:
    """Documents of the size of real ones, every byte of which depends on the record."""
    return {
        "pdf": hashlib.shake_256(b"pdf" + record).digest(60_000),
        "html": hashlib.shake_256(b"html" + record).digest(40_000),
    }


def names_in(place: Path) -> set[str]:
    """What a person would see there."""
    return {name for name in os.listdir(place) if not name.startswith(".")}


def records_in(place: Path, but: Collection[str] = ()) -> list[dict[str, Any]]:
    """Every record in the folder, opened, and every document compared with its record.

    Anything else that a person would see there is a failure. but: files that are not looked at.
    """
    records = []
    for name in sorted(names_in(place).difference(but)):
        stem, _, extension = name.rpartition(".")
        record = (place / f"{stem}.json").read_bytes()
        if extension == "json":
            records.append(open_sealed(record))
        elif drawn(record)[extension] != (place / name).read_bytes():
            raise AssertionError(f"{name} is not what was drawn")
    return records


def incomplete_in(place: Path) -> set[str]:
    """The files that are missing for every record to have its documents."""
    names = names_in(place)
    stems = {name.rpartition(".")[0] for name in names}
    return {f"{stem}.{extension}" for stem in stems for extension in ("json", "pdf", "html")} - names


def unfinished_in(place: Path) -> list[str]:
    return [name for name in os.listdir(place) if name.startswith(".") and name not in (".lock", ".index")]


def contents_of(place: Path) -> dict[str, bytes]:
    return {name: (place / name).read_bytes() for name in names_in(place)}


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "deep" / "records")


def test_a_saved_record_is_a_sealed_file_named_by_serial_test_and_kind(store: Store) -> None:
    saved = save(store)
    assert Saved(store.place / "HL40-0001.test-1.certificate.json", "HL40-0001", 1) == saved
    assert a_record("HL40-0001", 1).items() <= open_sealed(saved.path.read_bytes()).items()
    assert [] == unfinished_in(store.place)


def test_without_a_serial_the_numbers_go_up_and_a_gap_is_not_filled(store: Store) -> None:
    assert ["HL40-0001", "HL40-0002"] == [save(store).serial, save(store, kind="report").serial]
    save(store, "hl40-0041")
    assert "HL40-0042" == save(store).serial
    assert "OTHER-1" == save(store, pattern="OTHER-{}".format).serial


@pytest.mark.parametrize(
    ("pattern", "used", "expected"),
    [
        ("{}", ["7", "12"], "13"),
        ("40{}", ["407", "4", "9"], "408"),
        ("A{}.1", ["A99.1", "a100.1", "A100.2"], "A101.1"),
        ("A{:04}", ["A9999"], "A10000"),
        ("A{:04}", ["A10"], "A0001"),
    ],
)
def test_the_number_is_found_wherever_the_pattern_puts_it(
    store: Store, pattern: str, used: list[str], expected: str
) -> None:
    for serial in used:
        save(store, serial)
    assert expected == save(store, pattern=pattern.format).serial


@pytest.mark.parametrize("pattern", ["same", "A{}"])
def test_a_pattern_without_a_free_number_is_an_error(store: Store, pattern: str) -> None:
    save(store, pattern.format(1_000_000))
    with pytest.raises(SerialError, match="are used up"):
        save(store, pattern=pattern.format)


def test_the_next_of_many_serials_is_found_quickly(store: Store) -> None:
    store.place.mkdir(parents=True)
    for n in range(1, 5001):
        (store.place / f"{numbered(n)}.test-1.certificate.json").touch()
    begun = time.perf_counter()
    assert "HL40-5001" == save(store).serial
    assert time.perf_counter() - begun < 20  # one look at the folder, not one for each number


def test_the_serial_of_a_document_whose_record_was_removed_is_not_given_again(store: Store) -> None:
    saved = save(store)
    (store.place / "HL40-0002.test-1.report.pdf").touch()
    saved.path.rename(store.place / "elsewhere.json")
    assert "HL40-0003" == save(store).serial


def test_a_used_serial_is_refused_with_the_file_that_has_it(store: Store) -> None:
    first = save(store, "Lead-7", kind="report")
    with pytest.raises(SerialError) as refused:
        save(store, "LEAD-7")
    assert f"serial `LEAD-7` is already used: `{first.path}`" == refused.value.message
    assert "--again" in refused.value.hint
    assert 1 == len(records_in(store.place))


def test_again_records_the_next_test_in_the_first_spelling(store: Store) -> None:
    save(store, "Lead-7", kind="report")
    retest = save(store, "LEAD-7", again=True)
    assert ("Lead-7", 2) == (retest.serial, retest.test)
    assert 3 == save(store, "Lead-7", kind="report", again=True).test
    assert 1 == save(store, "new", again=True).test


def earlier(saved: Saved) -> Any:
    return open_sealed(saved.path.read_bytes()).get("previous")


def test_a_record_names_the_test_before_it_and_its_seal(store: Store) -> None:
    first = save(store, "Lead-7", kind="report")
    second = save(store, "lead-7", again=True)
    third = save(store, "lead-7", again=True)
    seals = [open_sealed(saved.path.read_bytes())["sha256"] for saved in (first, second)]
    assert [None, ("Lead-7.test-1", seals[0]), ("Lead-7.test-2", seals[1])] == [
        told and (told["number"], told["sha256"]) for told in map(earlier, (first, second, third))
    ]


def test_a_test_before_it_that_is_not_as_it_was_sealed_is_not_named(store: Store) -> None:
    saved = save(store, "x")
    saved.path.write_bytes(saved.path.read_bytes().replace(b'"serial":"x"', b'"serial":"y"'))
    assert None is earlier(save(store, "x", again=True))
    forged = save(store, "y", make=lambda *_: {"previous": {"number": "y.test-0", "sha256": ""}})
    assert None is earlier(forged)


def test_a_number_that_a_lost_record_had_is_not_given_again(store: Store) -> None:
    """Never two results under one number: a document or a remark says that there was a test."""
    first = save(store, "x")
    for lost in ("X.test-3.report.pdf", "x.test-2.withdrawal-1.json"):
        (store.place / lost).write_bytes(b"")
    again = save(store, "x", again=True)
    assert (4, "x.test-1") == (again.test, earlier(again)["number"])
    assert ["x.test-2.withdrawal-1.json", "X.test-3.report.pdf"] == [path.name for path in store.lost("X")]
    first.path.unlink()
    assert 5 == save(store, "x", again=True).test


@pytest.mark.parametrize("name", ["x.test-1.report.pdf", "X.test-2.certificate.html", "x.test-1.note-1.json"])
@pytest.mark.parametrize("again", [True, False])
def test_a_serial_of_which_all_records_are_lost_is_refused(store: Store, name: str, again: bool) -> None:
    store.check_writable()
    (store.place / name).write_bytes(b"")
    for refuse in (lambda: save(store, "x", again=again), lambda: store.check_not_lost("x")):
        with pytest.raises(SerialError) as refused:
            refuse()
        assert f"serial `x` is used: `{store.place / name}` is there, and its record is lost" == (
            refused.value.message
        )
        assert "put the record back beside it, or take another serial" == refused.value.hint
    assert {name} == names_in(store.place)


def test_nothing_is_lost_where_a_name_is_spelt_twice_or_a_record_has_all_its_documents(store: Store) -> None:
    saved = save(store, "x", draw=drawn)
    shutil.copy(saved.path, store.place / "X.test-1.certificate.json")
    (store.place / "X.test-1.certificate.pdf").write_bytes(b"")
    assert [] == store.lost()
    saved.path.unlink()
    (store.place / "X.test-1.certificate.json").unlink()
    assert ["X.test-1.certificate.pdf", "x.test-1.certificate.html", "x.test-1.certificate.pdf"] == [
        path.name for path in store.lost()
    ]


def test_what_is_not_there_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for place, told in (
        (tmp_path / "gone" / "deep" / "records", f"`{tmp_path / 'gone'}` is not there"),
        (tmp_path / "records", "the folder is not there"),
    ):
        with monkeypatch.context() as vanishing:
            vanishing.setattr(Path, "mkdir", lambda *_, **__: None)
            with pytest.raises(RecordsError) as refused:
                Store(place).check_writable()
        assert f"records folder `{place}`: cannot write to it: {told}" == refused.value.message


def test_again_without_a_serial_is_refused(store: Store) -> None:
    with pytest.raises(SerialError, match="a re-test needs the serial"):
        save(store, again=True)


def test_a_serial_is_used_once_it_has_a_record(store: Store) -> None:
    assert not store.is_used("lead-7")
    save(store, "Lead-7")
    assert store.is_used("lead-7")
    assert not store.is_used("Lead-7.test-1")


def test_an_error_while_the_document_is_made_leaves_nothing(store: Store) -> None:
    def broken(serial: str, test: int) -> Mapping[str, Any]:
        raise KeyError(serial)

    with pytest.raises(KeyError):
        save(store, make=broken)
    with pytest.raises(ValueError, match="nan"):
        save(store, make=lambda serial, test: {"ohms": float("nan")})
    assert ([], []) == (records_in(store.place), unfinished_in(store.place))
    assert "HL40-0001" == save(store).serial


def coming(store: Store) -> Callable[[str, int], Mapping[str, Any]]:
    """Makes a document while somebody else puts a record of that name into the folder."""

    def make(serial: str, test: int) -> Mapping[str, Any]:
        (store.place / f"{serial}.test-{test}.certificate.json").write_bytes(b"foreign")
        return a_record(serial, test)

    return make


def test_a_file_that_is_already_there_is_never_replaced(store: Store) -> None:
    with pytest.raises(SerialError, match="exists already; it was not touched"):
        save(store, "x", make=coming(store))
    assert {"x.test-1.certificate.json": b"foreign"} == contents_of(store.place)
    with pytest.raises(SerialError, match="is already used"):
        save(store, "x")


def test_a_disk_without_hard_links_is_served_as_well(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    with pytest.raises(SerialError, match="exists already"):
        save(store, "x", make=coming(store))
    assert ({"x.test-1.certificate.json": b"foreign"}, []) == (
        contents_of(store.place),
        unfinished_in(store.place),
    )
    saved = save(store, "y", draw=drawn)
    assert drawn(saved.path.read_bytes()) == {
        extension: path.read_bytes() for extension, path in saved.documents.items()
    }
    assert [] == unfinished_in(store.place)


# Documents


def test_documents_are_drawn_from_the_sealed_record_and_saved_beside_it(store: Store) -> None:
    seen: list[bytes] = []

    def draw(record: bytes) -> Mapping[str, bytes]:
        seen.append(record)
        return drawn(record)

    saved = save(store, "x", draw=draw)
    stem = str(store.place / "x.test-1.certificate")
    assert {"pdf": Path(stem + ".pdf"), "html": Path(stem + ".html")} == saved.documents
    assert [saved.path.read_bytes()] == seen
    assert [seal(a_record("x", 1))] == records_in(store.place)
    assert (set(), []) == (incomplete_in(store.place), unfinished_in(store.place))


def test_an_error_while_documents_are_drawn_leaves_nothing(store: Store) -> None:
    def broken(record: bytes) -> Mapping[str, bytes]:
        raise FileNotFoundError("a font")

    with pytest.raises(FileNotFoundError, match="a font"):
        save(store, draw=broken)
    assert (set(), []) == (names_in(store.place), unfinished_in(store.place))
    assert "HL40-0001" == save(store, draw=drawn).serial


@pytest.mark.parametrize("extension", ["json", "", "PDF", "mp3", "tar.gz", "a/b", "pdf\n", "\u017f"])
def test_an_extension_that_is_not_lower_case_letters_is_a_fault_of_the_program(
    store: Store, extension: str
) -> None:
    with pytest.raises(ValueError, match="cannot have the extension"):
        save(store, draw=lambda record: {"pdf": b"", extension: b""})
    assert (set(), []) == (names_in(store.place), unfinished_in(store.place))


@pytest.mark.parametrize("extension", ["pdf", "html"])
def test_where_a_document_s_name_is_taken_no_name_is_given_at_all(
    store: Store, monkeypatch: pytest.MonkeyPatch, extension: str
) -> None:
    foreign = store.place / f"x.test-1.certificate.{extension}"

    def make(serial: str, test: int) -> Mapping[str, Any]:
        foreign.write_bytes(b"foreign")
        return a_record(serial, test)

    with monkeypatch.context() as unused:
        unused.delattr(os, "link")
        with pytest.raises(SerialError) as refused:
            save(store, "x", draw=drawn, make=make)
    assert f"`{foreign}` exists already; it was not touched" == refused.value.message
    assert ({foreign.name: b"foreign"}, []) == (contents_of(store.place), unfinished_in(store.place))


@pytest.mark.parametrize("links", [True, False])
@pytest.mark.parametrize("extension", ["json", "pdf", "html"])
def test_a_foreign_file_that_comes_at_the_last_moment_is_kept_and_nothing_is_saved(
    store: Store, monkeypatch: pytest.MonkeyPatch, extension: str, links: bool
) -> None:
    foreign = store.place / f"x.test-1.certificate.{extension}"
    real = os.link

    def link(unfinished: Path, path: Path) -> None:
        if path == foreign:
            foreign.write_bytes(b"foreign")
        if not links:
            raise OSError(errno.EPERM, "Operation not permitted")
        real(unfinished, path)

    monkeypatch.setattr(os, "link", link)
    with pytest.raises(SerialError, match="exists already"):
        save(store, "x", draw=drawn)
    assert ({foreign.name: b"foreign"}, []) == (contents_of(store.place), unfinished_in(store.place))


RECORD, ANOTHER = (canonical(seal({"serial": "x", "test": test})) for test in (1, 2))
DOCUMENT = drawn(RECORD)["pdf"]
STEM = "x.test-1.report"
TAG = hashlib.sha256(RECORD).hexdigest()[:16]


@pytest.mark.parametrize(
    ("found", "left"),
    [
        pytest.param(
            {f"{STEM}.json": RECORD, f".{STEM}.pdf.{TAG}.unfinished": DOCUMENT},
            {f"{STEM}.json": RECORD, f"{STEM}.pdf": DOCUMENT},
            id="a document of a record that has its name is finished",
        ),
        pytest.param(
            {f".{STEM}.json.{TAG}.unfinished": RECORD, f".{STEM}.pdf.{TAG}.unfinished": DOCUMENT[:100]},
            {},
            id="without the record all is removed",
        ),
        pytest.param(
            {f"{STEM}.json": ANOTHER, f".{STEM}.pdf.{TAG}.unfinished": DOCUMENT[:100]},
            {f"{STEM}.json": ANOTHER},
            id="half a document is not given to another record that was copied here",
        ),
        pytest.param(
            {f"{STEM}.json": RECORD, f"{STEM}.pdf": b"foreign", f".{STEM}.pdf.{TAG}.unfinished": DOCUMENT},
            {f"{STEM}.json": RECORD, f"{STEM}.pdf": b"foreign"},
            id="a name that is taken stays with who has it",
        ),
        pytest.param({".unfinished": b"probe"}, {}, id="what an older version left is removed"),
        pytest.param(
            {"note.txt": b"", ".note.unfinished": b"", f".{STEM}.json.swp": b""},
            {"note.txt": b"", ".note.unfinished": b"", f".{STEM}.json.swp": b""},
            id="foreign files are left alone",
        ),
    ],
)
def test_what_an_earlier_save_left_is_finished_or_removed(
    store: Store, found: dict[str, bytes], left: dict[str, bytes]
) -> None:
    store.place.mkdir(parents=True)
    for name, data in found.items():
        (store.place / name).write_bytes(data)
    store.check_writable()
    shutil.rmtree(store.place / ".index")
    everything = {name: (store.place / name).read_bytes() for name in os.listdir(store.place)}
    assert {".lock": b"", **left} == everything


# Reading the folder


def test_entries_are_in_the_order_of_their_numbers_and_tests(store: Store) -> None:
    for serial in ("b-1", "A-10", "a-9", "A-010", "7"):
        save(store, serial)
    for _ in range(10):
        save(store, "A-9", kind="report", again=True)
    expected = [("7", 1), *(("a-9", n) for n in range(1, 12)), ("A-010", 1), ("A-10", 1), ("b-1", 1)]
    assert expected == [(entry.serial, entry.test) for entry in store.entries()]


def test_an_entry_has_the_record_and_the_documents_that_are_there(store: Store) -> None:
    first = save(store, "Lead-7", draw=drawn)
    second = save(store, "lead-7", kind="report", again=True, draw=drawn)
    second.documents["html"].unlink()
    other = save(store, "Lead-70")
    expected = (
        Entry("Lead-7", 1, "certificate", first.path, first.documents),
        Entry("Lead-7", 2, "report", second.path, {"pdf": second.documents["pdf"]}),
    )
    assert expected == store.tests_of("LEAD-7")
    assert (*expected, Entry("Lead-70", 1, "certificate", other.path, {})) == store.entries()
    assert () == store.tests_of("Lead")


@pytest.mark.parametrize(
    "name",
    [
        ".x.test-1.report.json",
        "._x.test-1.report.json",  # what macOS puts beside a file on a foreign disk (from memory)
        "x.test-1.report.pdf",
        "x.test-0.report.json",
        "x.test-1.json",
        "x.test-1.report.json.bak",
        "x y.test-1.report.json",
        "x.te\u017ft-1.report.json",
        f".{STEM}.json.{TAG}.unfinished",
    ],
)
def test_what_has_no_name_of_a_record_is_no_entry(store: Store, name: str) -> None:
    store.place.mkdir(parents=True)
    (store.place / name).touch()
    assert () == store.entries()


def test_names_in_capitals_as_some_disks_keep_them_are_read_too(store: Store) -> None:
    store.place.mkdir(parents=True)
    for extension in ("JSON", "PDF"):
        (store.place / f"X.TEST-1.REPORT.{extension}").touch()
    path = store.place / "X.TEST-1.REPORT.JSON"
    assert (Entry("X", 1, "report", path, {"pdf": path.with_suffix(".PDF")}),) == store.tests_of("x")


def test_reading_waits_for_nobody_and_changes_nothing(store: Store) -> None:
    assert ((), ()) == (store.entries(), store.tests_of("x"))
    assert not store.place.exists()
    saved = save(store, "x")
    left = store.place / f".{STEM}.pdf.{TAG}.unfinished"
    left.touch()
    with filelock.FileLock(store.place / ".lock", preserve_lock_file=True):
        assert [saved.path] == [entry.path for entry in store.entries()]
    assert left.exists()


def test_a_folder_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    store = Store(tmp_path / "file")
    attempts: list[Callable[[], object]] = [store.entries, lambda: store.tests_of("x")]
    for attempt in attempts:
        with pytest.raises(RecordsError, match="cannot read it: it is not a folder"):
            attempt()


# What a serial may be


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("", "the serial is empty"),
        ("a/b", "character 2 is U+002F"),
        ("..\\x", "character 3 is U+005C"),
        ("naïve", "character 3 is U+00EF"),
        ("a b", "character 2 is U+0020"),
        ("a\n", "character 2 is U+000A"),
        ("a\0", "character 2 is U+0000"),
        ("\u202eabc", "character 1 is U+202E"),
        ("7\u0661", "character 2 is U+0661"),
        ("\U0001f50c", "character 1 is U+1F50C"),
        ("\ud800", "character 1 is U+D800"),
        (".hidden", "begins with U+002E"),
        ("-x", "begins with U+002D"),
        ("x.", "ends with U+002E"),
        ("CON", "is a device on Windows"),
        ("nul.5", "is a device on Windows"),
        ("Lpt1", "is a device on Windows"),
        ("x" * 65, "has 65 characters, of at most 64"),
    ],
)
def test_a_serial_that_cannot_name_a_file_is_refused(store: Store, text: str, seen: str) -> None:
    with pytest.raises(SerialError) as refused:
        save(store, text)
    assert seen in refused.value.message
    assert refused.value.message.isprintable()
    assert not store.place.exists()


@pytest.mark.parametrize("text", ["a", "HL40-0007", "con5", "COM10", "a..b", "7_x-", "x" * 64, "x.test-1"])
def test_a_serial_that_can_name_a_file_is_taken(store: Store, text: str) -> None:
    assert text == check_serial(text)
    assert text == save(store, text).serial
    assert store.is_used(text)


def test_a_serial_of_the_pattern_is_checked_too(store: Store) -> None:
    with pytest.raises(SerialError, match=r"U\+002F"):
        save(store, pattern="a/{}".format)


# What the system refuses


def test_a_writable_place_is_made_and_left_empty(store: Store) -> None:
    store.check_writable()
    store.check_writable()
    assert ([], []) == (records_in(store.place), unfinished_in(store.place))


@pytest.mark.parametrize("below", ["file", "file/records"])
def test_a_file_where_the_folder_should_be_is_named(tmp_path: Path, below: str) -> None:
    (tmp_path / "file").touch()
    store = Store(tmp_path / below)
    attempts: list[Callable[[], object]] = [store.check_writable, lambda: save(store)]
    for attempt in attempts:
        with pytest.raises(RecordsError) as refused:
            attempt()
        assert f"records folder `{store.place}`" in refused.value.message
        assert "it is not a folder" in refused.value.message
        assert "--records" in refused.value.hint


FAULTS = {
    errno.ENOSPC: "the disk is full",
    errno.EROFS: "it is on a read-only disk",
    errno.EACCES: "access is denied",
    errno.EIO: "input/output error",
    errno.EMFILE: os.strerror(errno.EMFILE),
}


# A save flushes each file, the folder, and the folder again after each name that it gives.
STEPS: dict[Draw, dict[str, int]] = {None: {"fsync": 3, "link": 1}, drawn: {"fsync": 7, "link": 3}}


@pytest.mark.parametrize("draw", STEPS)
def test_the_steps_of_a_save_are_these(store: Store, monkeypatch: pytest.MonkeyPatch, draw: Draw) -> None:
    steps: list[str] = []

    def counted(name: str, real: Callable[..., Any]) -> Callable[..., None]:
        def call(*args: Any) -> None:
            real(*args)
            steps.append(name)

        return call

    for name in ("fsync", "link", "rename"):
        monkeypatch.setattr(os, name, counted(name, getattr(os, name)))
    save(store, draw=draw)
    assert STEPS[draw] == {name: steps.count(name) for name in steps}


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("lasting", [False, True])
@pytest.mark.parametrize(
    ("draw", "call", "nth"),
    [
        (draw, call, nth)
        for draw, calls in STEPS.items()
        for call, times in calls.items()
        for nth in range(1, times + 1)
    ],
)
@pytest.mark.one_in(2)
def test_whatever_step_the_disk_refuses_nothing_is_left(
    store: Store,
    monkeypatch: pytest.MonkeyPatch,
    draw: Draw,
    call: str,
    nth: int,
    lasting: bool,
    fault: int,
) -> None:
    save(store, "before", draw=draw)
    before = contents_of(store.place)
    with monkeypatch.context() as faulty:
        faulty.setattr(os, call, refusing_call(getattr(os, call), nth, fault, lasting))
        with pytest.raises(RecordsError) as refused:
            save(store, "x", draw=draw)
    assert FAULTS[fault] in refused.value.message
    assert str(store.place) in refused.value.message
    assert ["before"] == [doc["serial"] for doc in records_in(store.place)]
    assert (before, []) == (contents_of(store.place), unfinished_in(store.place))
    assert "x" == save(store, "x", draw=draw).serial


@pytest.mark.parametrize("nth", [1, 2, 3])
def test_a_disk_without_hard_links_that_refuses_a_name_is_left_with_nothing(
    store: Store, monkeypatch: pytest.MonkeyPatch, nth: int
) -> None:
    monkeypatch.setattr(os, "link", refusing_call(os.link, 1, errno.EPERM, lasting=True))
    save(store, "before", draw=drawn)
    before = contents_of(store.place)
    with monkeypatch.context() as faulty:
        faulty.setattr(os, "rename", refusing_call(os.rename, nth, errno.EIO))
        with pytest.raises(RecordsError, match="input/output error"):
            save(store, "x", draw=drawn)
    assert (before, []) == (contents_of(store.place), unfinished_in(store.place))
    assert "x" == save(store, "x", draw=drawn).serial


@pytest.mark.parametrize("call", ["fsync", "link"])
@pytest.mark.parametrize("nth", [1, 2, 3])
def test_a_save_that_a_person_interrupts_leaves_nothing(
    store: Store, monkeypatch: pytest.MonkeyPatch, call: str, nth: int
) -> None:
    monkeypatch.setattr(os, call, refusing_call(getattr(os, call), nth, KeyboardInterrupt()))
    with pytest.raises(KeyboardInterrupt):
        save(store, "x", draw=drawn)
    assert (set(), []) == (names_in(store.place), unfinished_in(store.place))


def test_a_disk_that_will_not_take_back_a_record_keeps_it_whole(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two refusals in a row: the error is told, but what is there is at least no part of a record."""
    with monkeypatch.context() as faulty:
        faulty.setattr(os, "link", refusing_call(os.link, 3, errno.EIO))
        faulty.setattr(os, "rename", refusing_call(os.rename, 2, errno.EIO))
        with pytest.raises(RecordsError, match="input/output error"):
            save(store, "x", draw=drawn)
    assert [seal(a_record("x", 1))] == records_in(store.place)
    assert (set(), []) == (incomplete_in(store.place), unfinished_in(store.place))


def test_a_disk_that_will_not_remove_unfinished_files_has_them_removed_later(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as faulty:  # the first use, for a probe, comes before the save
        faulty.setattr(os, "unlink", refusing_call(os.unlink, 2, errno.EIO, lasting=True))
        save(store, "x", draw=drawn)
    assert 3 == len(unfinished_in(store.place))
    save(store, "y", draw=drawn)
    assert ["x", "y"] == [doc["serial"] for doc in records_in(store.place)]
    assert (set(), []) == (incomplete_in(store.place), unfinished_in(store.place))


def refusing_call(
    real: Callable[..., Any], nth: int, fault: int | BaseException, lasting: bool = False
) -> Callable[..., Any]:
    """A system call that fails at its n-th use, and if the fault is lasting at every later one."""
    uses = iter(range(1, 1000))

    def call(*args: Any, **options: Any) -> Any:
        use = next(uses)
        if use == nth or (lasting and use > nth):
            raise OSError(fault, os.strerror(fault)) if isinstance(fault, int) else fault
        return real(*args, **options)

    return call


@pytest.fixture
def small_disk(disk_of: Callable[[str], Path]) -> Path:
    return disk_of("512k")


@pytest.mark.parametrize("draw", [None, drawn])
def test_a_full_disk_keeps_every_saved_record_and_no_part_of_another(small_disk: Path, draw: Draw) -> None:
    store = Store(small_disk / "records")
    saved: list[str] = []

    def fill() -> None:
        for _ in range(1000):
            make = lambda serial, test: {"serial": serial, "x": "x" * 3000}  # noqa: E731
            saved.append(save(store, make=make, draw=draw).serial)

    with pytest.raises(RecordsError, match="the disk is full"):
        fill()
    assert saved
    assert saved == [doc["serial"] for doc in records_in(store.place)]
    assert [] == unfinished_in(store.place)
    assert draw is None or set() == incomplete_in(store.place)
    for name in names_in(store.place) if draw is None else [f"{saved[0]}.test-1.certificate.pdf"]:
        if saved[-1] not in name:
            (store.place / name).unlink()
    assert numbered(len(saved) + 1) == save(store).serial


def fill(disk: Path) -> Path:
    """A file that takes all the room."""
    ballast = disk / "ballast"
    with open(ballast, "wb", buffering=0) as file:
        while file.write(b"x" * 4096) == 4096 and (os.statvfs(disk).f_bfree):
            pass
    return ballast


def test_a_full_disk_is_noticed_before_a_scan(small_disk: Path) -> None:
    store = Store(small_disk)
    store.check_writable()
    fill(small_disk)
    with pytest.raises(RecordsError, match="the disk is full"):
        store.check_writable()
    assert [] == unfinished_in(small_disk)


def saved_when_there_is_room(store: Store, rooms: int, make_room: Callable[[int], None]) -> int:
    """Save with more and more room until it works; until then nothing must change. The room it took."""
    save(store, "before", draw=drawn)
    before = contents_of(store.place)
    for room in range(rooms):
        make_room(room)
        told = ""
        try:
            save(store, "x", draw=drawn)
        except RecordsError as error:
            told = error.message
        if not told:
            assert before.items() <= contents_of(store.place).items()
            assert ["before", "x"] == [doc["serial"] for doc in records_in(store.place)]
            assert set() == incomplete_in(store.place)
            return room
        assert "the disk is full" in told
        assert (before, []) == (contents_of(store.place), unfinished_in(store.place))
    return rooms


def test_a_disk_that_gets_full_anywhere_in_a_save_keeps_what_was_there(small_disk: Path) -> None:
    store = Store(small_disk / "records")
    page = 4096

    def make_room(pages: int) -> None:
        os.truncate(ballast, 0)
        with open(ballast, "wb", buffering=0) as file:
            file.write(bytes(page * (os.statvfs(small_disk).f_bfree - pages)))

    ballast = fill(small_disk)
    os.truncate(ballast, 0)
    files = 1 + 15 + 10
    assert files < saved_when_there_is_room(store, 60, make_room) < 60  # the index needs some besides


def test_a_disk_that_has_no_more_names_to_give_keeps_what_was_there(small_disk: Path) -> None:
    """Three unfinished files and three names are six: this disk counts names like files. Two are of files
    that the index has while it is written."""
    store = Store(small_disk / "records")

    def make_room(names: int) -> None:
        disk = os.statvfs(small_disk)
        options = f"remount,nr_inodes={disk.f_files - disk.f_ffree + names}"
        subprocess.run(["mount", "-o", options, str(small_disk)], check=True)

    assert 6 + 2 == saved_when_there_is_room(store, 12, make_room)


def test_a_read_only_disk_is_named(small_disk: Path) -> None:
    store = Store(small_disk)
    saved = save(store, draw=drawn)
    before = contents_of(small_disk)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(RecordsError, match="it is on a read-only disk"):
        store.check_writable()
    with pytest.raises(RecordsError, match="it is on a read-only disk"):
        save(store)
    with pytest.raises(RecordsError, match="it is on a read-only disk"):
        save(store, draw=drawn)
    assert store.is_used(saved.serial)
    assert (before, []) == (contents_of(small_disk), unfinished_in(small_disk))


# Other programs, and programs that die

SAVING = """
    from __future__ import annotations

    import hashlib, os, sys
    from pathlib import Path
    from pinwright.records.document import open_sealed
    from pinwright.records.store import Store

    def save_one(store):
        make = lambda serial, test: {"serial": serial, "filler": "x" * 5000}
        return store.save(
            make, kind="report", serial=None, pattern="S{}".format, again=False, draw=drawn
        ).serial
"""
SHARED: tuple[Callable[..., Any], ...] = (
    drawn,
    names_in,
    records_in,
    incomplete_in,
    unfinished_in,
    refusing_call,
)


def python(script: str, *args: object, stdin: int | None = None) -> subprocess.Popen[str]:
    source = [textwrap.dedent(SAVING), *(inspect.getsource(one) for one in SHARED), textwrap.dedent(script)]
    return subprocess.Popen(
        [sys.executable, "-c", "\n".join(source), *map(str, args)],
        stdin=stdin,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": HOST},
    )


def test_two_programs_saving_at_once_never_share_a_serial(store: Store) -> None:
    script = """
        store = Store(Path(sys.argv[1]))
        for _ in range(50):
            print(save_one(store))
    """
    programs = [python(script, store.place) for _ in range(2)]
    told = [serial for program in programs for serial in program.communicate(timeout=60)[0].split()]
    assert [0, 0] == [program.returncode for program in programs]
    expected = sorted(f"S{n}" for n in range(1, 101))
    assert (expected, expected) == (sorted(told), sorted(doc["serial"] for doc in records_in(store.place)))
    assert (set(), []) == (incomplete_in(store.place), unfinished_in(store.place))


KILLED = """
    import json, signal
    from pinwright.records import index, queries  # once for all that are to die

    def die(place, refused, call, nth, moment, doing):
        for name, (first, fault, lasting) in refused.items():
            setattr(os, name, refusing_call(getattr(os, name), first, fault, lasting))
        real, uses = getattr(os, call), iter(range(1, 1000))

        def last(*args):
            if next(uses) != nth:
                return real(*args)
            try:
                if moment == "after":
                    real(*args)
            finally:
                os.kill(os.getpid(), signal.SIGKILL)

        setattr(os, call, last)
        store = Store(Path(place))
        {"save": lambda: save_one(store), "finish": store.check_writable}[doing]()

    for line in sys.stdin:
        child = os.fork()
        if not child:
            die(*json.loads(line))
            os._exit(0)
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""
REFUSED_LINKS = {"link": (1, errno.EPERM, True)}
can_kill = pytest.mark.skipif(not hasattr(os, "fork"), reason="programs are killed where there is fork")
Killed = Callable[..., set[str]]


@pytest.fixture(scope="module")
def killed() -> Iterator[Killed]:
    """Let a program be killed before or after its n-th use of a call. The files that then have names."""
    program = python(KILLED, stdin=subprocess.PIPE)
    assert program.stdin is not None
    assert program.stdout is not None

    def killed(
        store: Store,
        call: str,
        nth: int,
        moment: str,
        *,
        doing: str = "save",
        refused: Mapping[str, Any] | None = None,
    ) -> set[str]:
        words = [str(store.place), refused or {}, call, nth, moment, doing]
        print(json.dumps(words), file=program.stdin, flush=True)
        assert -signal.SIGKILL == int(program.stdout.readline())
        records_in(store.place)
        return names_in(store.place)

    with program:
        yield killed
        program.stdin.close()


def assert_finished(store: Store, saved: bool) -> None:
    """After the next save there is all of the record that was being saved, or nothing of it."""
    save(store, draw=drawn)
    expected = [*(["S1"] if saved else []), "HL40-0001"]
    assert sorted(expected) == sorted(doc["serial"] for doc in records_in(store.place))
    assert sorted(expected) == sorted(entry.serial for entry in store.entries())
    assert (set(), []) == (incomplete_in(store.place), unfinished_in(store.place))


@can_kill
@pytest.mark.parametrize("moment", ["before", "after"])
@pytest.mark.parametrize(
    ("call", "nth", "links", "named_before"),
    [
        ("fsync", 1, True, 0),
        ("fsync", 2, True, 0),
        ("fsync", 3, True, 0),
        ("fsync", 4, True, 0),
        ("link", 1, True, 0),
        ("fsync", 5, True, 1),
        ("link", 2, True, 1),
        ("fsync", 6, True, 2),
        ("link", 3, True, 2),
        ("fsync", 7, True, 3),
        ("unlink", 3, True, 3),  # the first two look for a probe, before the save and after
        ("unlink", 4, True, 3),
        ("unlink", 5, True, 3),
        ("rename", 1, False, 0),
        ("rename", 2, False, 1),
        ("rename", 3, False, 2),
    ],
)
def test_a_program_killed_right_at_a_step_leaves_a_whole_record_or_none(
    killed: Killed, store: Store, call: str, nth: int, links: bool, named_before: int, moment: str
) -> None:
    names = killed(store, call, nth, moment, refused={} if links else REFUSED_LINKS)
    named = named_before + (moment == "after" and call in ("link", "rename"))
    order = ["S1.test-1.report.json", "S1.test-1.report.pdf", "S1.test-1.report.html"]
    assert set(order[:named]) == names
    if call in ("fsync", "link"):
        assert unfinished_in(store.place)
    assert_finished(store, saved=named > 0)


@can_kill
@pytest.mark.parametrize("moment", ["before", "after"])
@pytest.mark.parametrize(
    ("call", "nth", "links"),
    [
        ("link", 1, True),
        ("link", 2, True),
        ("link", 3, True),
        ("unlink", 2, True),
        ("unlink", 3, True),
        ("rename", 1, False),
        ("rename", 2, False),
    ],
)
def test_a_program_killed_while_it_finishes_what_another_left_leaves_it_to_the_next(
    killed: Killed, store: Store, call: str, nth: int, links: bool, moment: str
) -> None:
    refused = {} if links else REFUSED_LINKS
    killed(store, "rename" if not links else "link", 1, "after", refused=refused)
    assert "S1.test-1.report.json" in killed(store, call, nth, moment, doing="finish", refused=refused)
    assert_finished(store, saved=True)


@can_kill
@pytest.mark.parametrize("moment", ["before", "after"])
@pytest.mark.parametrize(("call", "nth"), [("unlink", 2), ("rename", 1), ("unlink", 3), ("rename", 2)])
def test_a_program_killed_while_it_takes_a_record_back_leaves_all_of_it_or_nothing(
    killed: Killed, store: Store, call: str, nth: int, moment: str
) -> None:
    names = killed(store, call, nth, moment, refused={"link": (3, errno.EIO, False)})
    assert (call, nth, moment) != ("rename", 2, "after") or not names
    assert_finished(store, saved="S1.test-1.report.json" in names)
