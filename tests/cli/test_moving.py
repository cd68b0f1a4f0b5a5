"""`pinwright records export | import | backup`: records that are moved, and arrive as they were."""

from __future__ import annotations

import csv
import errno
import io
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pinwright import __version__
from pinwright.cli import main as program
from pinwright.cli import records_import, workers
from pinwright.records.document import canonical, open_sealed
from pinwright.records.remarks import remark_document
from pinwright.records.store import Store

from ..records.making import SWAPPED, a_record, after, changed, sealed
from ..records.test_backup import zipped
from ..records.test_lines import BATCH, MADE, keep, of_batch

posix = pytest.mark.skipif(os.name != "posix", reason="pipes and limits of POSIX")


def filled(place: Path) -> Path:
    """A folder with two cables of a batch, one of them tested twice, its first test withdrawn and noted on,
    and one of no batch."""
    store = Store(place)
    store.check_writable()
    store.new_batch("five", lambda id: BATCH)
    keep(place, of_batch(a_record(serial="B-1"), 1))
    keep(place, of_batch(a_record(SWAPPED, serial="B-2", operator="O. Perator"), 2))
    keep(place, of_batch(a_record(serial="B-2", test=2), 2))
    keep(place, a_record(serial="b-10"))
    for kind, text in ("note", "exchanged"), ("withdrawal", "mended"):
        store.remark(kind, "B-2", 1, text, by="M. Ender", made=MADE, host=__version__)  # type: ignore[arg-type]
    return place


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return filled(tmp_path_factory.mktemp("moving") / "made")


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    """The same, for this test alone."""
    return Path(shutil.copytree(made, tmp_path / "records"))


@pytest.fixture
def run(pinwright: Any, folder: Path) -> Callable[..., Any]:
    return lambda action, *words: pinwright("records", action, *words, "--records", folder)


@pytest.fixture
def take_in(pinwright: Any, tmp_path: Path) -> Callable[..., Any]:
    """Import into another folder, `there`, without documents. data: lines, or a ZIP."""

    def take_in(data: bytes | io.BytesIO, *words: object, folder: str = "there") -> Any:
        file = tmp_path / "file"
        file.write_bytes(data if isinstance(data, bytes) else data.getvalue())
        place = ("--records", tmp_path / folder)
        return pinwright("records", "import", file, "--no-documents", *place, *words)

    return take_in


def contents(folder: Path) -> dict[str, bytes]:
    names = sorted(path for path in folder.iterdir() if path.is_file()) if folder.exists() else []
    return {path.name: path.read_bytes() for path in names if not path.name.startswith(".")}


def exported(run: Callable[..., Any], *words: object) -> bytes:
    ran = run("export", *words)
    assert (0, "") == (ran.status, ran.err)
    return bytes(ran.out.encode())


# Export


def test_every_line_is_a_document_byte_for_byte(run: Any, folder: Path) -> None:
    lines = exported(run).split(b"\n")
    assert b"" == lines.pop()
    known = contents(folder)
    assert sorted(known.values()) == sorted(lines)
    for line in lines:
        open_sealed(line)


def test_the_same_folder_gives_the_same_bytes(run: Any, folder: Path) -> None:
    first = exported(run)
    shutil.rmtree(folder / ".index")
    os.utime(folder / "B-1.test-1.certificate.json", (1, 1))
    assert first == exported(run)


@pytest.mark.parametrize(
    ("words", "numbers"),
    [
        (("B-2",), ["five-1", "B-2.test-1", "B-2.test-1.note-1", "B-2.test-1.withdrawal-1", "B-2.test-2"]),
        (("--serial", "b-10"), ["b-10.test-1"]),
        (("--result", "pass", "--latest", "--batch", "five-1"), ["five-1", "B-1.test-1", "B-2.test-2"]),
        (("perator",), ["five-1", "B-2.test-1", "B-2.test-1.note-1", "B-2.test-1.withdrawal-1"]),
        (("--since", "2027"), []),
    ],
)
def test_only_what_fits_is_written(words: tuple[str, ...], numbers: list[str], run: Any) -> None:
    ran = run("export", *words)
    told = [json.loads(line) for line in ran.out.splitlines()]
    assert numbers == [one.get("number", one.get("id")) for one in told]
    assert (0, bool(numbers)) == (ran.status, ran.err == "")


def test_a_file_of_it_is_new_and_whole(run: Any, folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "out.jsonl"
    ran = run("export", "--out", file)
    assert (0, f"{file}: 1 batch, 4 records, 2 remarks\n", "") == (ran.status, ran.out, ran.err)
    assert exported(run) == file.read_bytes()
    document = run("export", "--out", tmp_path / "2", "--json").document
    assert {
        "schema": "pinwright/export-1",
        "file": str(tmp_path / "2"),
        "batches": 1,
        "records": 4,
        "remarks": 2,
        "left_out": [],
    } == document
    before = file.read_bytes()
    assert f"`{file}` exists already; it was not touched" == run("export", "b-10", "--out", file).error(2)
    assert before == file.read_bytes()
    nowhere = tmp_path / "nowhere" / "x"
    assert f"`{nowhere}` cannot be written: No such file or directory" == run(
        "export", "--out", nowhere
    ).error(2)
    assert "`--json` tells of a file that was written" in run("export", "--json").document["message"]


def test_what_is_not_as_it_was_sealed_is_left_out_and_named(run: Any, folder: Path, tmp_path: Path) -> None:
    bad = folder / "B-1.test-1.certificate.json"
    bad.write_bytes(bad.read_bytes().replace(b"rack", b"rock"))
    (folder / "C-1.test-1.report.json").mkdir()
    ran = run("export")
    assert 1 == ran.status
    assert 6 == len(ran.out.splitlines())
    assert f"error: `{bad}` NOT AS MADE: it is not as it was sealed; it was left out\n" in ran.err
    assert "C-1.test-1.report.json` cannot be read: it is no regular file; it was left out\n" in ran.err
    document = json.loads(run("export", "--out", tmp_path / "x", "--json").out)
    assert [str(bad), str(folder / "C-1.test-1.report.json")] == [one["file"] for one in document["left_out"]]


@posix
def test_a_disk_that_is_full_leaves_no_file(
    run: Any, tmp_path: Path, disk_of: Callable[[str], Path], folder: Path
) -> None:
    for test in range(3, 20):
        keep(folder, a_record(serial="B-2", test=test))
    disk = disk_of("64k")
    message = run("export", "--out", disk / "x").error(2)
    assert f"`{disk / 'x'}` cannot be written: No space left on device" == message
    assert [] == os.listdir(disk)


def test_the_lines_are_bytes_even_where_a_pipe_s_encoding_says_otherwise(
    process: Any, folder: Path, command: Any, surroundings: Any
) -> None:
    keep(folder, a_record(serial="Z-1", operator="名 Ω"))
    words = command("records", "export", "z-1", "--records", folder)
    done = subprocess.run(words, env=surroundings(PYTHONIOENCODING="ascii"), capture_output=True, check=True)
    assert (folder / "Z-1.test-1.certificate.json").read_bytes() + b"\n" == done.stdout


def test_on_a_terminal_what_is_exported_commands_nothing(on_a_terminal: Any, folder: Path) -> None:
    keep(folder, changed(a_record(serial="Z-1"), "scan.operator", "\u009b31m\u202e"))
    for words in (("export", "z-1"), ("export", "z-1", "--csv")):
        status, told = on_a_terminal("records", *words, "--records", folder)
        assert 0 == status
        assert "<U+009B>31m<U+202E>" in told
        assert not {char for char in told if not char.isprintable()} - {"\n"}


def test_a_table_for_a_spreadsheet(run: Any, folder: Path, tmp_path: Path) -> None:
    keep(folder, changed(a_record(serial="Z-1"), "scan.operator", "=1+1\n\x07"))
    ran = run("export", "--csv")
    assert (0, "") == (ran.status, ran.err)
    rows = list(csv.DictReader(io.StringIO(ran.out.removeprefix("\ufeff"), newline="")))
    assert ["B-1", "B-2", "B-2", "b-10", "Z-1"] == [row["serial"] for row in rows]
    assert "'=1+1<U+000A><U+0007>" == rows[-1]["operator"]
    assert ("mended", "swap") == (rows[1]["withdrawn"], rows[1]["faults"])
    file = tmp_path / "x.csv"
    assert f"{file}: 5 rows\n" == run("export", "--csv", "--out", file).out
    assert ran.out.encode() == file.read_bytes()
    assert 6 == file.read_bytes().count(b"\r\n") == file.read_bytes().count(b"\n")


# Import


def test_what_is_taken_in_comes_out_again_and_once_more_changes_nothing(
    run: Any, take_in: Any, pinwright: Any, folder: Path, tmp_path: Path
) -> None:
    lines, there = exported(run), tmp_path / "there"
    ran = take_in(lines)
    assert (0, "", "taken in: 7; here already: 0; not taken in: 0\n") == (ran.status, ran.out, ran.err)
    assert contents(folder) == contents(there)
    assert lines == pinwright("records", "export", "--records", there).out.encode()
    before = contents(there)
    document = take_in(lines, "--json").document
    assert {
        "schema": "pinwright/import-1",
        "place": str(there),
        "new": 0,
        "same": 7,
        "refused": [],
    } == document
    assert before == contents(there)


@pytest.fixture(scope="module")
def documents(made: Path) -> list[bytes]:
    return sorted(contents(made).values())


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=10)
@given(data=st.data())
def test_however_often_and_in_which_order_lines_are_taken_in_they_are_there_once(
    data: st.DataObject, documents: list[bytes], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """In any order, some of them twice, some changed: what is there in the end verifies, what was good is
    there, but for remarks that came before their record; another time changes nothing but for these."""
    home = tmp_path_factory.mktemp("taken")
    some = data.draw(st.lists(st.sampled_from(documents), max_size=12))
    spoiled = data.draw(st.sets(st.integers(0, 11)))
    lines = [line.replace(b"five", b"four") if n in spoiled else line for n, line in enumerate(some)]
    (home / "file").write_bytes(b"\n".join(lines))
    words = ["records", "import", str(home / "file"), "--no-documents", "--records", str(home / "there")]
    statuses, seen = [], []
    for _ in range(3):
        statuses.append(program.main(words))
        seen.append(sorted(contents(home / "there").values()))
    good = {line for line in lines if line in documents}
    about = {json.loads(line)["number"] for line in good if b'"record-1"' in line}
    whole = {line for line in good if b"remark-1" not in line or json.loads(line)["about"]["number"] in about}
    assert seen[0] <= seen[1] == seen[2]
    assert set(seen[2]) <= good
    assert {line for line in whole if b"remark-1" not in line} <= set(seen[0])
    assert (1 if len(good) < len(set(lines)) or len(seen[2]) < len(good) else 0) == statuses[2]


def refused(ran: Any) -> list[tuple[int, str]]:
    """Line and reason of what was not taken in."""
    return [(one["line"], one["seen"]) for one in ran.document["refused"]]


def test_what_is_not_as_made_is_named_with_its_line_and_the_rest_is_taken_in(
    run: Any, take_in: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = exported(run).splitlines()
    record = sealed(a_record(serial="X-1"))
    lines = [
        b"",
        record.replace(b"rack", b"rock"),
        good[0] + b"\r",
        b"\x1b[31mnothing",
        sealed(changed(a_record(serial="X-2"), "scan.verdict", "fail")),
        b"\xff",
        sealed({"schema": "pinwright/record-9"}),
        b"1" * 200_000,
        *good[1:],
    ]
    monkeypatch.setattr("pinwright.records.lines.MOST_BYTES", 150_000)
    ran = take_in(b"\n".join(lines))
    assert (1, "taken in: 7; here already: 0; not taken in: 6\n") == (ran.status, ran.err)
    told = [line.partition(", line ")[2] for line in ran.out.splitlines()]
    for number, line, reason in zip(
        (2, 4, 5, 6, 7, 8),
        told,
        (
            "its contents have the SHA-256",
            "it is not JSON",
            "its verdict does not follow",
            "byte 0 is not UTF-8",
            "by its schema",
            "it is longer than",
        ),
        strict=True,
    ):
        assert line.startswith(f"{number}: {'' if number == 8 else 'NOT AS MADE: '}")
        assert reason in line
    assert [2, 4, 5, 6, 7, 8] == [number for number, _ in refused(take_in(b"\n".join(lines), "--json"))]


def test_another_record_of_that_name_is_a_conflict(run: Any, take_in: Any, tmp_path: Path) -> None:
    take_in(exported(run))
    before = contents(tmp_path / "there")
    others = [
        a_record(serial="B-1", operator="another"),  # the same name
        a_record(SWAPPED, serial="B-1"),  # of the other kind
        a_record(serial="b-1", operator="x"),  # in another spelling
        a_record(serial="B-1", test=2),
    ]
    ran = take_in(b"\n".join(map(sealed, others)), "--json")
    assert [
        (1, "another document of that name is there"),
        (2, "`B-1.test-1.certificate.json` is there, which has the same number"),
        (3, "`B-1.test-1.certificate.json` is there, which has the same number"),
        (4, "`B-1.test-1.certificate.json` was not taken in, which comes before it"),
    ] == refused(ran)
    assert (1, 0) == (ran.status, ran.document["new"])
    after = contents(tmp_path / "there")
    assert before == {name: after[name] for name in before}


def test_two_cables_of_one_serial_are_not_mixed_however_many_are_taken_in_at_once(
    take_in: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(records_import, "_AT_ONCE", 1)
    mine, theirs = a_record(operator="mine"), a_record(operator="theirs")
    take_in(sealed(mine))
    second = after(a_record(test=2), theirs)
    ran = take_in(
        b"\n".join(map(sealed, (theirs, a_record(serial="F-2"), second, a_record(test=3)))), "--json"
    )
    assert [1, 3, 4] == [line for line, _ in refused(ran)]
    assert {"F-1.test-1.certificate.json", "F-2.test-1.certificate.json"} == set(contents(tmp_path / "there"))


@pytest.mark.parametrize("first", [b"# Pinwright", b"\xff", b"1" * 200_000 + b"x", b"{"])
def test_a_file_that_is_no_export_is_refused_before_anything_is_taken_in(
    first: bytes, pinwright: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pinwright.records.lines.MOST_BYTES", 150_000)
    good, file = tmp_path / "good", tmp_path / "README.md"
    good.write_bytes(sealed(a_record()))
    file.write_bytes(b"\n\r\n" + first + b"\n" + sealed(a_record(serial="F-2")))
    told = pinwright("records", "import", good, file, "--records", tmp_path / "there").error(2)
    assert f"`{file}` is neither an export nor a backup: line 3 is not JSON" == told
    assert not (tmp_path / "there").exists()


def remark(about: bytes, **changes: Any) -> bytes:
    """A note on the record in these bytes."""
    doc = open_sealed(about)
    told = {
        "about_sha256": doc["sha256"],
        "text": "x",
        "by": None,
        "made": MADE,
        "host": __version__,
    } | changes
    return sealed(remark_document("note", doc["serial"], doc["test"], 1, **told))


def test_a_remark_is_taken_in_where_its_very_record_is(take_in: Any, tmp_path: Path) -> None:
    mine, theirs = (sealed(a_record(operator=name)) for name in ("mine", "theirs"))
    seal = open_sealed(theirs)["sha256"]
    gone = f"the record that it is about is not here: `F-1.test-1`, SHA-256 {seal}"
    assert [(1, gone)] == refused(take_in(remark(theirs), "--json"))
    take_in(mine)
    ran = take_in(b"\n".join([theirs, remark(theirs)]), "--json")
    assert [(1, "another document of that name is there"), (2, gone)] == refused(ran)
    assert [] == refused(take_in(remark(mine), "--json"))
    assert {"F-1.test-1.certificate.json", "F-1.test-1.note-1.json"} == set(contents(tmp_path / "there"))


def test_simulations_and_cables_have_a_folder_each_unless_one_is_named(
    pinwright: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("HOME", "XDG_DATA_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    real, simulated = sealed(a_record()), sealed(a_record(serial="F-2", platform="linux"))
    batches = [sealed(BATCH), sealed(BATCH | {"id": "five-2", "simulated": True})]
    file = tmp_path / "file"
    file.write_bytes(b"\n".join([real, simulated, *batches]))
    words = ("records", "import", file, "--no-documents")
    ran = pinwright(*words, "--json")
    why = "no cable was tested, this is a simulation: `--simulated` takes it into the folder of those"
    assert [(2, why), (4, why)] == refused(ran)
    ran = pinwright(*words, "--simulated", "--json")
    why = "it is of a cable: without `--simulated` it is taken into the folder of those"
    assert [(1, why), (3, why)] == refused(ran)
    assert (1, 2) == (ran.status, ran.document["new"])
    assert 4 == pinwright(*words, "--records", tmp_path / "both", "--json").document["new"]


def test_documents_are_drawn_anew_unless_they_are_not_wanted(pinwright: Any, tmp_path: Path) -> None:
    file, place = tmp_path / "file", tmp_path / "there"
    file.write_bytes(sealed(a_record()) + b"\n" + sealed(a_record(SWAPPED, serial="F-2")))
    assert 0 == pinwright("records", "import", file, "--records", place).status
    kinds = sorted(name.rpartition(".")[2] for name in contents(place))
    assert ["html"] * 2 + ["json"] * 2 + ["pdf"] * 2 == kinds
    assert 0 == pinwright("records", "verify", "--records", place).status
    before = contents(place)
    assert 0 == pinwright("records", "import", file, "--records", place).status
    assert before == contents(place)
    assert 0 == pinwright("records", "import", file, "--no-documents", "--records", tmp_path / "bare").status
    assert 2 == len(contents(tmp_path / "bare"))


def test_what_cannot_be_drawn_is_taken_in_all_the_same(
    pinwright: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def drawn(_: object) -> Mapping[str, bytes]:
        raise RuntimeError("no ink")

    monkeypatch.setattr(records_import, "_drawn", drawn)
    (tmp_path / "file").write_bytes(sealed(a_record()))
    ran = pinwright("records", "import", tmp_path / "file", "--records", tmp_path / "there")
    assert 70 == ran.status
    assert "taken in: 1; here already: 0; not taken in: 0\n" in ran.err
    assert "the records were taken in, but documents of 1 cannot be drawn; this is a bug" in ran.err
    assert ["F-1.test-1.certificate.json"] == list(contents(tmp_path / "there"))


@pytest.mark.parametrize("broken", [False, True])
def test_many_are_proven_by_all_processors_with_the_same_result(
    broken: bool, take_in: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """broken: the other processes cannot start, so that this one does all."""
    lines = [sealed(a_record(serial=f"F-{n}")) for n in range(30)]
    lines[7] = lines[7].replace(b"rack", b"rock")
    started = []

    class Pool(workers.ProcessPoolExecutor):
        def __init__(self, *words: Any) -> None:
            started.append(words)
            super().__init__(*words)

        def map(self, *words: Any, **more: Any) -> Any:
            if broken:
                raise records_import.BrokenProcessPool
            return super().map(*words, **more)

    monkeypatch.setattr(workers, "ProcessPoolExecutor", Pool)
    monkeypatch.setattr(workers.os, "cpu_count", lambda: 2)
    ran = take_in(b"\n".join(lines), "--json")
    assert 1 == len(started)
    assert (29, 0, [8]) == (ran.document["new"], ran.document["same"], [line for line, _ in refused(ran)])
    assert 29 == len(contents(tmp_path / "there"))


def test_few_are_proven_by_this_process(take_in: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "ProcessPoolExecutor", None)
    assert (
        3
        == take_in(b"\n".join(sealed(a_record(serial=f"F-{n}")) for n in range(3)), "--json").document["new"]
    )


def test_standard_input_and_several_files(
    process: Any, command: Any, surroundings: Any, tmp_path: Path
) -> None:
    one, two, three = (sealed(a_record(serial=f"F-{n}")) for n in (1, 2, 3))
    (tmp_path / "one").write_bytes(one)
    (tmp_path / "two").write_bytes(two + b"\nx\n")
    there = tmp_path / "there"
    words = command("records", "import", tmp_path / "one", "-", tmp_path / "two", "--no-documents")
    done = subprocess.run(
        [*words, "--records", str(there)], env=surroundings(), input=three + b"\n{}", capture_output=True
    )
    assert 1 == done.returncode
    assert [
        "standard input, line 2: NOT AS MADE: it has no seal (no text member `sha256`)",
        f"{tmp_path / 'two'}, line 2: NOT AS MADE: it is not JSON: Expecting value at character 0",
    ] == done.stdout.decode().splitlines()
    assert 3 == len(contents(there))


@pytest.mark.parametrize("name", ["nowhere", "a-folder"])
def test_a_file_that_cannot_be_read_is_named_before_anything_is_taken_in(
    name: str, pinwright: Any, tmp_path: Path
) -> None:
    (tmp_path / "a-folder").mkdir()
    (tmp_path / "one").write_bytes(sealed(a_record()))
    words = ("records", "import", tmp_path / "one", tmp_path / name, "--records", tmp_path / "there")
    assert f"`{tmp_path / name}` cannot be read: " in pinwright(*words).error(2)
    assert not (tmp_path / "there").exists()


@posix
def test_a_disk_that_is_full_keeps_what_was_taken_in(
    pinwright: Any, tmp_path: Path, disk_of: Callable[[str], Path]
) -> None:
    (tmp_path / "file").write_bytes(b"\n".join(sealed(a_record(serial=f"F-{n}")) for n in range(70)))
    disk = disk_of("2m")
    Store(disk).check_writable()  # the index is there
    there = os.statvfs(disk)
    (disk / "mine").write_bytes(bytes(there.f_bavail * there.f_bsize - 200_000))
    words = ("records", "import", tmp_path / "file", "--no-documents", "--records", disk)
    ran = pinwright(*words)
    assert re.fullmatch(rf"records folder `{disk}`: cannot write to .+: the disk is full", ran.error(2))
    assert "hint: what was taken in stays; once that is put right, the same import brings the rest" in ran.err
    records = {name: data for name, data in contents(disk).items() if name != "mine"}
    assert 0 < len(records) < 70
    for data in records.values():
        open_sealed(data)


def test_a_file_in_texts_that_bite_is_told_harmlessly(take_in: Any) -> None:
    assert "line 1 is not JSON" in take_in(b"\x1b]0;x\x07").error(2)
    lines = [b"{}", b"\x1b]0;x\x07", '{"a":"\u202e"}'.encode(), canonical({"sha256": "\x1b[31m"})]
    ran = take_in(b"\n".join(lines))
    assert 4 == len(ran.out.splitlines())
    assert all(char.isprintable() or char == "\n" for char in ran.out)


# Backup


def test_a_backup_is_taken_in_again(run: Any, take_in: Any, folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "x.zip"
    ran = run("backup", file)
    assert (0, "") == (ran.status, ran.err)
    size = f"{file.stat().st_size / 1e6:.1f} MB"
    assert f"{file}: 4 records, 2 remarks, 1 batch; {size}, read back and as written\n" == ran.out
    ran = take_in(file.read_bytes())
    assert (0, "taken in: 7; here already: 0; not taken in: 0\n") == (ran.status, ran.err)
    assert contents(folder) == contents(tmp_path / "there")
    assert (0, "taken in: 0; here already: 7; not taken in: 0\n") == (
        (again := take_in(file.read_bytes())).status,
        again.err,
    )


def test_a_backup_as_a_document(run: Any, tmp_path: Path) -> None:
    file = tmp_path / "x.zip"
    document = run("backup", file, "--json").document
    with zipfile.ZipFile(file) as archive:
        manifest = open_sealed(archive.read("manifest.json"))
    assert {
        "schema": "pinwright/backup-1",
        "file": str(file),
        "bytes": file.stat().st_size,
        "made": manifest["made"],
        "counts": {"records": 4, "remarks": 2, "batches": 1},
        "sha256": manifest["sha256"],
        "left_out": [],
    } == document


def test_a_backup_is_not_put_where_it_should_not_be(run: Any, folder: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.zip"
    there.write_bytes(b"mine")
    inner = folder / "below" / "x.zip"
    inner.parent.mkdir()
    (tmp_path / "link").symlink_to(folder)
    for file, sentence in (
        (there, f"`{there}` exists already; it was not touched"),
        (
            inner,
            f"`{inner}` is inside the folder of records; a backup belongs elsewhere, on another disk at best",
        ),
        (tmp_path / "link" / "x.zip", "is inside the folder of records"),
        (tmp_path / "nowhere" / "x.zip", "cannot be written: No such file or directory"),
        (tmp_path, "exists already; it was not touched"),
    ):
        assert sentence in run("backup", file).error(2)
    assert b"mine" == there.read_bytes()
    assert [] == os.listdir(inner.parent)


@pytest.mark.parametrize("there", [True, False])
def test_a_folder_with_nothing_in_it_is_not_backed_up(there: bool, pinwright: Any, tmp_path: Path) -> None:
    place = tmp_path / "records"
    if there:
        place.mkdir()
    message = pinwright("records", "backup", tmp_path / "x.zip", "--records", place).error(2)
    assert f"records folder `{place}` holds nothing to be backed up" == message
    assert not (tmp_path / "x.zip").exists()
    assert there == place.exists()


def test_a_disk_that_is_full_leaves_no_backup(
    run: Any, folder: Path, tmp_path: Path, disk_of: Callable[[str], Path]
) -> None:
    (folder / "B-1.test-1.certificate.pdf").write_bytes(random.Random(1).randbytes(400_000))
    disk = disk_of("256k")
    message = run("backup", disk / "x.zip").error(2)
    assert f"`{disk / 'x.zip'}` cannot be written: No space left on device" == message
    assert [] == os.listdir(disk)


def test_a_file_that_cannot_be_copied_is_named(
    run: Any, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = folder / "B-1.test-1.certificate.json"
    usual = Path.open

    def refuse(self: Path, *words: Any, **more: Any) -> Any:
        if self == path:
            raise PermissionError(errno.EACCES, "Permission denied", str(self))
        return usual(self, *words, **more)

    monkeypatch.setattr(Path, "open", refuse)
    file = tmp_path / "x.zip"
    assert f"`{file}` cannot be written: Permission denied: `{path}`" == run("backup", file).error(2)
    assert not file.exists()


def test_what_cannot_be_a_member_is_named_and_the_rest_is_taken_in(take_in: Any, tmp_path: Path) -> None:
    record = sealed(a_record())
    names = ["../F-1.test-1.certificate.json", "notes.txt", "F-2.test-1.certificate.json"]
    good = ("F-1.test-1.certificate.json", record)
    ran = take_in(zipped([*((name, record) for name in names), good]))
    assert (1, "taken in: 1; here already: 0; not taken in: 3\n") == (ran.status, ran.err)
    unknown = "nothing in a folder of records is named so; it was not unpacked"
    file = tmp_path / "file"
    assert [
        f"{file}, `../F-1.test-1.certificate.json`: {unknown}",
        f"{file}, `notes.txt`: {unknown}",
        f"{file}, `F-2.test-1.certificate.json`: `F-1.test-1.certificate.json`: NOT AS MADE: "
        "it is `F-1.test-1.certificate.json`, under another name",
    ] == ran.out.splitlines()
    assert ["F-1.test-1.certificate.json"] == list(contents(tmp_path / "there"))
    assert {"file", "there"} == {path.name for path in tmp_path.iterdir()}


def test_a_zip_that_cannot_be_read_is_an_error(take_in: Any, run: Any, tmp_path: Path) -> None:
    run("backup", tmp_path / "x.zip")
    for data in ((tmp_path / "x.zip").read_bytes()[:-30], b"PK\x03\x04 and nothing"):
        assert f"`{tmp_path / 'file'}`: it is no ZIP that can be read" in take_in(data).error(2)
    assert not (tmp_path / "there").exists()


@posix
def test_an_import_that_is_killed_can_be_made_once_more(folder: Path, run: Any, tmp_path: Path) -> None:
    """Whatever is there when it is killed verifies, and the next import brings the rest."""
    lines = [sealed(a_record(serial=f"F-{n}")) for n in range(24)]
    (tmp_path / "file").write_bytes(b"\n".join(lines))
    there = tmp_path / "there"
    code = (
        "import os, signal, sys\nfrom pinwright.records import store\nfrom pinwright.cli import main\n"
        "usual, left = store._link, [int(sys.argv[1])]\n"
        "def link(*words):\n"
        "    left[0] -= 1\n"
        "    usual(*words) if left[0] else os.kill(os.getpid(), signal.SIGKILL)\n"
        "store._link = link\n"
        "if __name__ == '__main__': main.main(sys.argv[2:])\n"
    )
    words = ["records", "import", str(tmp_path / "file"), "--no-documents", "--records", str(there)]
    environment = {**os.environ, "PYTHONPATH": str(Path(program.__file__).parents[2])}
    # It ends only when the processes that it started have let go of its output too.
    done = subprocess.run(
        [sys.executable, "-c", code, "9", *words], env=environment, capture_output=True, timeout=60
    )
    assert -9 == done.returncode, done.stderr
    assert 8 == len(contents(there))
    assert set(contents(there).values()) < set(lines)
    assert 0 == program.main(words)
    assert sorted(lines) == sorted(contents(there).values())


@posix
def test_ctrl_c_ends_an_import_and_all_that_it_started(
    command: Any, surroundings: Any, tmp_path: Path
) -> None:
    (tmp_path / "file").write_bytes(b"\n".join(sealed(a_record(serial=f"F-{n}")) for n in range(130)))
    there = tmp_path / "there"
    words = command("records", "import", tmp_path / "file", "--no-documents", "--records", there)
    # In a group of its own, all of which a terminal's Ctrl-C reaches.
    running = subprocess.Popen(
        words, env=surroundings(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True
    )
    end = time.monotonic() + 60
    while not contents(there) and running.poll() is None:
        assert time.monotonic() < end
    os.killpg(running.pid, signal.SIGINT)
    out, err = running.communicate(timeout=60)  # until all of them have let go of it
    assert (130, b"", b"error: interrupted\n") == (running.returncode, out, err)
    for data in contents(there).values():
        open_sealed(data)
