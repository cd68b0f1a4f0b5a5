"""A record is on the disk whole or not at all, under a serial that no other record has."""

from __future__ import annotations

import errno
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from pinwright.errors import RecordsError, SerialError
from pinwright.records.document import open_sealed, seal
from pinwright.records.store import Saved, Store, check_serial

HOST = str(Path(__file__).parents[2] / "host")


def a_record(serial: str, test: int) -> Mapping[str, Any]:
    return {"schema": "example-1", "serial": serial, "test": test}


def numbered(n: int) -> str:
    return f"HL40-{n:04}"


def save(store: Store, serial: str | None = None, *, again: bool = False, **changes: Any) -> Saved:
    wanted = {"kind": "certificate", "serial": serial, "pattern": numbered, "again": again, **changes}
    return store.save(wanted.pop("make", a_record), **wanted)


def records_in(place: Path) -> list[dict[str, Any]]:
    """Every record in the folder, opened. Anything else that a person would see there is a failure."""
    names = sorted(name for name in os.listdir(place) if not name.startswith("."))
    return [open_sealed((place / name).read_bytes()) for name in names]


def unfinished_in(place: Path) -> list[str]:
    return [name for name in os.listdir(place) if name.startswith(".") and name != ".lock"]


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
    assert time.perf_counter() - begun < 2


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


def test_a_file_that_is_already_there_is_never_replaced(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = save(store, "x").path
    before = path.read_bytes()
    monkeypatch.setattr(Store, "_cables", lambda self: {})  # as if it had come after the look
    with pytest.raises(SerialError, match="exists already; it was not touched"):
        save(store, "x", make=lambda serial, test: {"other": 1})
    assert before == path.read_bytes()


def test_a_disk_without_hard_links_is_served_as_well(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    save(store, "x")
    monkeypatch.setattr(Store, "_cables", lambda self: {})
    with pytest.raises(SerialError, match="exists already"):
        save(store, "x")
    assert ([seal(a_record("x", 1))], []) == (records_in(store.place), unfinished_in(store.place))


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


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize(("call", "nth"), [("fsync", 1), ("link", 1), ("fsync", 2)])
def test_whatever_step_the_disk_refuses_nothing_is_left(
    store: Store, monkeypatch: pytest.MonkeyPatch, call: str, nth: int, fault: int
) -> None:
    save(store, "before")
    with monkeypatch.context() as faulty:
        faulty.setattr(os, call, refusing_call(getattr(os, call), nth, fault))
        with pytest.raises(RecordsError) as refused:
            save(store, "x")
    assert FAULTS[fault] in refused.value.message
    assert str(store.place) in refused.value.message
    assert ["before"] == [doc["serial"] for doc in records_in(store.place)]
    assert [] == unfinished_in(store.place)
    assert "x" == save(store, "x").serial


def refusing_call(real: Callable[..., Any], nth: int, fault: int) -> Callable[..., Any]:
    """A system call that fails at its n-th use."""
    uses = iter(range(1, 1000))

    def call(*args: Any, **options: Any) -> Any:
        if next(uses) == nth:
            raise OSError(fault, os.strerror(fault))
        return real(*args, **options)

    return call


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 64 KiB of its own. Only an administrator of a Linux machine can have one."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = shutil.which("mount")
    command = [str(mount), "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)]
    if mount is None or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("this person may not mount a disk")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk_keeps_every_saved_record_and_no_part_of_another(small_disk: Path) -> None:
    store = Store(small_disk / "records")
    saved: list[str] = []

    def fill() -> None:
        for _ in range(1000):
            saved.append(save(store, make=lambda serial, test: {"serial": serial, "x": "x" * 3000}).serial)

    with pytest.raises(RecordsError, match="the disk is full"):
        fill()
    assert saved
    assert saved == [doc["serial"] for doc in records_in(store.place)]
    assert [] == unfinished_in(store.place)
    (store.place / f"{saved[0]}.test-1.certificate.json").unlink()
    assert numbered(len(saved) + 1) == save(store).serial


def test_a_full_disk_is_noticed_before_a_scan(small_disk: Path) -> None:
    store = Store(small_disk)
    store.check_writable()
    with open(small_disk / "ballast", "wb", buffering=0) as file:
        while file.write(b"x" * 4096) == 4096 and (os.statvfs(small_disk).f_bfree):
            pass
    with pytest.raises(RecordsError, match="the disk is full"):
        store.check_writable()
    assert [] == unfinished_in(small_disk)


def test_a_read_only_disk_is_named(small_disk: Path) -> None:
    store = Store(small_disk)
    saved = save(store)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(RecordsError, match="it is on a read-only disk"):
        store.check_writable()
    with pytest.raises(RecordsError, match="it is on a read-only disk"):
        save(store)
    assert store.is_used(saved.serial)


# Other programs, and programs that die

SAVING = """
    import os, sys
    from pathlib import Path
    from pinwright.records.store import Store

    def save_one(store):
        make = lambda serial, test: {"serial": serial, "filler": "x" * 5000}
        return store.save(make, kind="report", serial=None, pattern="S{}".format, again=False).serial
"""


def python(script: str, *args: object) -> subprocess.Popen[str]:
    source = textwrap.dedent(SAVING) + textwrap.dedent(script)
    return subprocess.Popen(
        [sys.executable, "-c", source, *map(str, args)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": HOST},
    )


def test_two_programs_saving_at_once_never_share_a_serial(store: Store) -> None:
    script = """
        store = Store(Path(sys.argv[1]))
        for _ in range(100):
            print(save_one(store))
    """
    programs = [python(script, store.place) for _ in range(2)]
    told = [serial for program in programs for serial in program.communicate(timeout=60)[0].split()]
    assert [0, 0] == [program.returncode for program in programs]
    expected = sorted(f"S{n}" for n in range(1, 201))
    assert (expected, expected) == (sorted(told), sorted(doc["serial"] for doc in records_in(store.place)))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="programs are killed this way only where there is fork")
def test_a_program_killed_at_any_moment_loses_no_record_that_it_reported(store: Store) -> None:
    script = """
        import json, random, signal, time

        store, chance = Store(Path(sys.argv[1])), random.Random(int(sys.argv[2]))
        told = []
        for _ in range(60):
            reading, writing = os.pipe()
            child = os.fork()
            if not child:
                while True:
                    os.write(writing, save_one(store).encode() + b" ")
            os.close(writing)
            first = os.read(reading, 1000) if chance.random() < 0.8 else b""
            time.sleep(chance.uniform(0, 0.004))
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            with open(reading, "rb") as rest:
                told += (first + rest.read()).decode().split()
        print(json.dumps(told))
    """
    seed = random.randrange(10**6)
    program = python(script, store.place, seed)
    told = json.loads(program.communicate(timeout=120)[0])
    assert len(told) >= 40, seed
    kept = {doc["serial"] for doc in records_in(store.place)}
    assert set() == set(told) - kept, seed
    assert len(kept) <= len(told) + 60, seed
    save(store)
    assert [] == unfinished_in(store.place)


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="there is no such signal here")
@pytest.mark.parametrize("call", ["fsync", "link"])
@pytest.mark.parametrize("moment", ["before", "after"])
def test_a_program_killed_right_at_a_step_leaves_a_whole_record_or_none(
    store: Store, call: str, moment: str
) -> None:
    script = """
        import signal
        call, moment = sys.argv[2:]
        real = getattr(os, call)
        def last(*args):
            if moment == "after":
                real(*args)
            os.kill(os.getpid(), signal.SIGKILL)
        setattr(os, call, last)
        save_one(Store(Path(sys.argv[1])))
    """
    program = python(script, store.place, call, moment)
    program.communicate(timeout=60)
    assert -signal.SIGKILL == program.returncode
    assert (["S1"] if (call, moment) == ("link", "after") else []) == [
        doc["serial"] for doc in records_in(store.place)
    ]
    assert [".unfinished"] == unfinished_in(store.place)
    save(store)
    assert [] == unfinished_in(store.place)
