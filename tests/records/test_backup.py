"""A backup holds the folder as it was when it began, and a ZIP from anybody is taken apart without harm."""

from __future__ import annotations

import hashlib
import io
import json
import os
import random
import re
import signal
import subprocess
import sys
import zipfile
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from pinwright import __version__
from pinwright.records import backup
from pinwright.records.backup import MANIFEST, Backup, Spoiled, is_zip, write_backup
from pinwright.records.document import NotGenuine, canonical, open_sealed, seal
from pinwright.records.store import Store
from pinwright.records.whole import whole_file

from .making import a_record, sealed
from .test_lines import BATCH, MADE, keep

HOST = str(Path(backup.__file__).parents[2])


def nobody(done: int, of: int) -> None:
    """Nobody looks on."""


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """Two records, one with documents, a batch and a note; and what is none of them."""
    store = Store(tmp_path / "records")
    record = keep(store.place, a_record(serial="A-1"))
    for kind in ("pdf", "html"):
        record.with_suffix(f".{kind}").write_bytes(kind.encode() * 1000)
    keep(store.place, a_record(serial="A-2"))
    store.new_batch("five", lambda id: BATCH)
    store.remark("note", "A-1", None, "x", by=None, made=MADE, host=__version__)
    (store.place / "notes.txt").write_text("mine")
    return store


MEMBERS = [
    "A-1.test-1.certificate.html",
    "A-1.test-1.certificate.json",
    "A-1.test-1.certificate.pdf",
    "A-1.test-1.note-1.json",
    "A-2.test-1.certificate.json",
    "five-1.batch.json",
]


def backed_up(store: Store) -> bytes:
    out = io.BytesIO()
    write_backup(out, store.names_for_backup(), MADE, __version__, nobody)
    return out.getvalue()


def test_it_holds_every_file_of_the_folder_in_order_and_says_what_they_are(store: Store) -> None:
    data = backed_up(store)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert [*MEMBERS, MANIFEST] == archive.namelist()
        assert archive.testzip() is None
        assert {0o644} == {info.external_attr >> 16 for info in archive.infolist()}
        for name in MEMBERS:
            assert (store.place / name).read_bytes() == archive.read(name)
        manifest = open_sealed(archive.read(MANIFEST))
    assert ("pinwright/manifest-1", MADE, __version__) == tuple(
        manifest[key] for key in ("schema", "made", "host")
    )
    assert {"records": 2, "remarks": 1, "batches": 1, "documents": 2} == manifest["counts"]
    for one, name in zip(manifest["members"], MEMBERS, strict=True):
        contents = (store.place / name).read_bytes()
        assert {"name": name, "size": len(contents), "sha256": hashlib.sha256(contents).hexdigest()} == one


def test_the_same_folder_gives_the_same_backup(store: Store) -> None:
    assert backed_up(store) == backed_up(store)


def test_it_is_told_how_far_it_is(store: Store) -> None:
    told: list[tuple[int, int]] = []
    write_backup(io.BytesIO(), store.names_for_backup(), MADE, __version__, lambda *two: told.append(two))
    assert [(done, 12) for done in range(13)] == told


def test_what_can_be_taken_in_comes_in_an_order_in_which_it_can(store: Store) -> None:
    taken = Backup(io.BytesIO(backed_up(store)))
    assert 4 == taken.count()
    members = list(taken.members())
    assert [
        "five-1.batch.json",
        "A-1.test-1.certificate.json",
        "A-2.test-1.certificate.json",
        "A-1.test-1.note-1.json",
    ] == [member.name for member in members]
    assert [(store.place / member.name).read_bytes() for member in members] == [one.data for one in members]


def test_a_file_that_is_gone_meanwhile_is_an_error(store: Store) -> None:
    paths = store.names_for_backup()
    paths[2].unlink()
    with pytest.raises(FileNotFoundError):
        write_backup(io.BytesIO(), paths, MADE, __version__, nobody)


@pytest.mark.parametrize("spoil", [b"x", b""])
def test_what_is_read_back_otherwise_is_an_error(spoil: bytes, store: Store) -> None:
    """A disk that keeps something else than it was given, or less."""

    class Disk(io.BytesIO):
        def flush(self) -> None:
            data = self.getvalue()
            if b"PK\x05\x06" in data:  # all is written
                self.seek(100)
                self.truncate() if not spoil else self.write(spoil * 40)
                self.seek(0, os.SEEK_END)

    with pytest.raises(Spoiled):
        write_backup(Disk(), store.names_for_backup(), MADE, __version__, nobody)


# From anybody


def zipped(members: Sequence[tuple[str, bytes]], manifest: Any = None, **more: Any) -> io.BytesIO:
    """A ZIP of these members. manifest: what it says, or None for what is true."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", **{"compression": zipfile.ZIP_DEFLATED, **more}) as archive:
        for name, data in members:
            archive.writestr(
                zipfile.ZipInfo(name), data, compress_type=more.get("compression", zipfile.ZIP_DEFLATED)
            )
        true = [
            {"name": name, "size": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            for name, data in members
        ]
        doc = seal({"schema": "pinwright/manifest-1", "members": true} | (manifest or {}))
        if manifest != {"none": True}:
            archive.writestr(zipfile.ZipInfo(MANIFEST), canonical(doc))
    return out


RECORD = sealed(a_record())
NAME = "F-1.test-1.certificate.json"


def told(file: io.BytesIO) -> list[tuple[str, bool, str]]:
    """Name, whether it can be taken in, and what is wrong."""
    return [(member.name, member.data is not None, member.why) for member in Backup(file).members()]


def test_a_zip_of_a_record_is_told() -> None:
    assert [(NAME, True, "")] == told(zipped([(NAME, RECORD)]))


@pytest.mark.parametrize(
    "name",
    [
        "../F-1.test-1.certificate.json",
        "/F-1.test-1.certificate.json",
        "C:\\F-1.test-1.certificate.json",
        "x/F-1.test-1.certificate.json",
        "..",
        "F-1.test-1.certificate.json/",
        "F-1.test-01.certificate.json",
        "notes.txt",
        ".lock",
        "F-1.test-1.certificate.json\n",
        "\x1b[31m",
        "\u017f-1.test-1.certificate.json",
        ".index/records.sqlite",
    ],
)
def test_a_name_that_no_file_of_a_folder_has_is_not_unpacked(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert [
        (name, False, "nothing in a folder of records is named so; it was not unpacked"),
        (NAME, True, ""),
    ] == told(zipped([(name, RECORD), (NAME, RECORD)]))
    assert [] == list(tmp_path.iterdir())


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_name_that_is_there_twice_is_refused() -> None:
    assert [(NAME, False, "several members of it have this name")] == told(
        zipped([(NAME, RECORD), (NAME, RECORD)])
    )


def test_a_bomb_is_not_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(backup, "MOST_BYTES", 100_000)
    bomb = zipped([(NAME, b"0" * 5_000_000)])
    assert len(bomb.getvalue()) < 10_000
    assert [(NAME, False, "it is larger than 100000 bytes, which no document is")] == told(bomb)


def test_a_member_that_is_larger_than_it_says_is_not_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its size stands in two places, both of which may be wrong; how much is unpacked is counted."""
    data = zipped([(NAME, b"0" * 5_000_000)]).getvalue()
    size = (5_000_000).to_bytes(4, "little")
    assert 2 == data.count(size)
    small = io.BytesIO(data.replace(size, (50).to_bytes(4, "little")))
    unpacked = 0
    decompressobj = zlib.decompressobj

    class Counting:
        def __init__(self, *words: Any) -> None:
            self._inner = decompressobj(*words)

        def decompress(self, *words: Any) -> bytes:
            nonlocal unpacked
            out = self._inner.decompress(*words)
            unpacked += len(out)
            return out

        def __getattr__(self, name: str) -> Any:
            return getattr(self._inner, name)

    monkeypatch.setattr(backup, "MOST_BYTES", 100_000)
    monkeypatch.setattr(zipfile.zlib, "decompressobj", Counting)
    ((name, taken, why),) = told(small)
    assert (NAME, False) == (name, taken)
    assert "damaged" in why
    assert unpacked < 200_000


def test_a_manifest_that_is_a_bomb_is_not_unpacked() -> None:
    file = zipped([(NAME, RECORD), (MANIFEST, b"0" * 50_000_000)], {"none": True})
    assert [
        (MANIFEST, False, "it is larger than 67584 bytes, which no document is"),
        (NAME, True, ""),
    ] == told(file)


@pytest.mark.parametrize(
    ("manifest", "why"),
    [
        ({"none": True}, "it is not there, so nobody knows whether the backup is whole"),
        ({"schema": "x"}, "it is no manifest of a backup, by its schema"),
        ({"members": 7}, "it lacks what a manifest holds, or holds it in another form"),
        ({"members": [7]}, "it lacks what a manifest holds, or holds it in another form"),
        ({"members": [{"name": NAME}]}, "it lacks what a manifest holds, or holds it in another form"),
    ],
)
def test_a_manifest_that_is_none_is_told_and_the_rest_is_taken_in(manifest: Any, why: str) -> None:
    assert [(MANIFEST, False, why), (NAME, True, "")] == told(zipped([(NAME, RECORD)], manifest))


def test_what_the_manifest_has_and_the_zip_has_not_is_told() -> None:
    gone = {"name": "F-2.test-1.report.json", "size": 1, "sha256": "0" * 64}
    there = {"name": NAME, "size": 1, "sha256": hashlib.sha256(RECORD).hexdigest()}
    assert [
        ("F-2.test-1.report.json", False, "the manifest has it, and it is gone"),
        (NAME, True, ""),
    ] == told(zipped([(NAME, RECORD)], {"members": [gone, there]}))


def test_what_the_manifest_does_not_have_so_is_told() -> None:
    for members in ([], [{"name": NAME, "size": 1, "sha256": "0" * 64}]):
        assert [(NAME, False, "it is not what the manifest says that was copied")] == told(
            zipped([(NAME, RECORD)], {"members": members})
        )


def test_other_ways_to_pack_are_refused() -> None:
    for way in (zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA):
        file = zipped([(NAME, RECORD)], compression=way)
        assert (NAME, False, "it is packed as no backup is") in told(file)
    data = bytearray(zipped([(NAME, RECORD)]).getvalue())
    data[data.index(b"PK\x01\x02") + 8] |= 1  # as if a password were needed
    assert [(NAME, False, "it is packed as no backup is")] == told(io.BytesIO(bytes(data)))


def test_stored_members_are_taken_too() -> None:
    assert [(NAME, True, "")] == told(zipped([(NAME, RECORD)], compression=zipfile.ZIP_STORED))


def test_whatever_is_done_to_a_backup_nothing_else_than_its_documents_comes_out(store: Store) -> None:
    """Bytes of it changed, cut and added at random."""
    data, chance = backed_up(store), random.Random(7)
    known = {path.name: path.read_bytes() for path in store.names_for_backup()}
    for _ in range(300):
        spoiled = bytearray(data)
        for _ in range(chance.randint(1, 4)):
            place = chance.randrange(len(spoiled))
            how = chance.random()
            if how < 0.6:
                spoiled[place] = chance.randrange(256)
            elif how < 0.8:
                del spoiled[place : place + chance.randint(1, 400)]
            else:
                spoiled[place:place] = chance.randbytes(chance.randint(1, 60))
        try:
            members = list(Backup(io.BytesIO(bytes(spoiled))).members())
        except NotGenuine:
            continue
        for member in members:
            assert member.data in (None, known.get(member.name))


@pytest.mark.parametrize("data", [b"", b"PK", b"PK\x03\x04", b"PK\x05\x06" + b"\0" * 17, b"PK\x03\x04" * 100])
def test_what_is_no_zip_is_told(data: bytes) -> None:
    with pytest.raises(NotGenuine, match="no ZIP that can be read"):
        Backup(io.BytesIO(data))


def test_a_zip_is_known_by_how_it_begins(store: Store) -> None:
    for data, zip in ((backed_up(store), True), (zipped([]).getvalue(), True), (RECORD, False), (b"", False)):
        file = io.BytesIO(data)
        assert zip == is_zip(file)
        assert 0 == file.tell()


# While others save, and where it is ended


SAVING = f"""
import sys
sys.path[:0] = [{HOST!r}]
from pathlib import Path
from pinwright.records.store import Store
store = Store(Path(sys.argv[1]))
draw = lambda record: {{"pdf": b"%PDF" + record, "html": b"<p>" + record}}
make = lambda serial, test: {{"schema": "example-1", "serial": serial, "test": test}}
while True:
    saved = store.save(make, kind="report", serial=None, pattern="S-{{}}".format, again=False, draw=draw)
    print(saved.path.name, flush=True)
"""


def test_every_backup_made_while_another_program_saves_is_whole(tmp_path: Path) -> None:
    """Each holds all that was reported saved before it began, with its documents."""
    place = tmp_path / "records"
    with subprocess.Popen(
        [sys.executable, "-c", SAVING, str(place)], stdout=subprocess.PIPE, text=True
    ) as saving:
        assert saving.stdout is not None
        try:
            reported: list[str] = []
            for turn in range(6):
                reported += [saving.stdout.readline().strip() for _ in range(4)]
                path = tmp_path / f"{turn}.zip"
                with whole_file(path) as file:
                    write_backup(file, Store(place).names_for_backup(), MADE, __version__, nobody)
                assert_whole(path, reported)
        finally:
            saving.kill()
    assert 24 == len(set(reported))


def assert_whole(path: Path, reported: Sequence[str]) -> None:
    with zipfile.ZipFile(path) as archive:
        names = set(archive.namelist())
        assert set(reported) <= names
        manifest = json.loads(archive.read(MANIFEST))
        assert names - {MANIFEST} == {one["name"] for one in manifest["members"]}
        for name in names - {MANIFEST}:
            record = archive.read(re.sub(r"\.(pdf|html)$", ".json", name))
            open_sealed(record)
            begins = {"json": b"", "pdf": b"%PDF", "html": b"<p>"}[name.rpartition(".")[2]]
            assert begins + record == archive.read(name)
        for name in reported:
            assert {name.replace(".json", f".{kind}") for kind in ("pdf", "html")} <= names


@pytest.mark.skipif(os.name != "posix", reason="other systems have no such signal")
@pytest.mark.parametrize("step", [0, 1, 5, 6, 9, 11, 12])
def test_a_backup_that_is_killed_leaves_no_file(step: int, store: Store, tmp_path: Path) -> None:
    """At its first and last copy, and while it is read back."""
    code = f"""
import os, signal, sys
sys.path[:0] = [{HOST!r}]
from pathlib import Path
from pinwright.records.backup import write_backup
from pinwright.records.whole import whole_file
def told(done, of):
    if done == {step}:
        os.kill(os.getpid(), signal.SIGKILL)
paths = sorted(path for path in Path(sys.argv[1]).iterdir() if ".test-" in path.name or ".batch" in path.name)
with whole_file(Path("x.zip")) as file:
    write_backup(file, paths, {MADE!r}, "0", told)
"""
    there = tmp_path / "there"
    there.mkdir()
    done = subprocess.run([sys.executable, "-c", code, str(store.place)], cwd=there, check=False)
    assert -signal.SIGKILL == done.returncode
    assert not (there / "x.zip").exists()
    with whole_file(there / "x.zip") as file:
        write_backup(file, store.names_for_backup(), MADE, __version__, nobody)
    assert ["x.zip"] == os.listdir(there)


def test_a_disk_that_is_full_leaves_no_file(disk_of: Callable[[str], Path], store: Store) -> None:
    (store.place / "A-1.test-1.certificate.svg").write_bytes(random.Random(1).randbytes(400_000))
    disk = disk_of("256k")

    def write() -> None:
        with whole_file(disk / "x.zip") as file:
            write_backup(file, store.names_for_backup(), MADE, __version__, nobody)

    with pytest.raises(OSError, match="No space"):
        write()
    assert [] == os.listdir(disk)
