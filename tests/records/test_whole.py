"""A file that is there as a whole or not at all."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pinwright.records import whole
from pinwright.records.whole import whole_file

HOST = str(Path(whole.__file__).parents[2])


def written(path: Path, data: bytes) -> None:
    with whole_file(path) as file:
        file.write(data)


def test_it_has_its_name_only_when_all_is_written(tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    with whole_file(path) as file:
        file.write(b"one")
        file.seek(0)
        assert b"one" == file.read()  # what was written can be read back
        assert not path.exists()
        assert [".x.zip."] == [name[:7] for name in os.listdir(tmp_path)]
    assert {"x.zip": b"one"} == {entry.name: entry.read_bytes() for entry in tmp_path.iterdir()}


@pytest.mark.parametrize("when", ["before", "meanwhile"])
def test_a_file_that_exists_is_not_replaced(when: str, tmp_path: Path) -> None:
    path = tmp_path / "x.zip"

    def write() -> None:
        with whole_file(path) as file:
            file.write(b"two")
            path.write_bytes(b"one")

    if when == "before":
        path.write_bytes(b"one")
    with pytest.raises(FileExistsError):
        write()
    assert {"x.zip": b"one"} == {entry.name: entry.read_bytes() for entry in tmp_path.iterdir()}


@pytest.mark.skipif(os.name != "posix", reason="links without a file need a right on other systems")
def test_a_link_to_nothing_is_not_replaced(tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    path.symlink_to(tmp_path / "nowhere")
    with pytest.raises(FileExistsError):
        written(path, b"two")
    assert ["x.zip"] == os.listdir(tmp_path)


@pytest.mark.parametrize("raised", [OSError(errno.ENOSPC, "full"), KeyboardInterrupt()])
def test_where_something_is_raised_nothing_is_left(raised: BaseException, tmp_path: Path) -> None:
    def write() -> None:
        with whole_file(tmp_path / "x.zip") as file:
            file.write(b"half")
            raise raised

    with pytest.raises(type(raised)):
        write()
    assert [] == os.listdir(tmp_path)


@pytest.mark.parametrize("number", [errno.EPERM, errno.ENOTSUP])
def test_on_a_disk_without_hard_links_it_is_renamed(
    number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def link(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(whole.os, "link", link)
    written(tmp_path / "x.zip", b"one")
    assert {"x.zip": b"one"} == {entry.name: entry.read_bytes() for entry in tmp_path.iterdir()}
    with pytest.raises(FileExistsError):
        written(tmp_path / "x.zip", b"two")


def test_what_another_writes_beside_it_is_left_alone(tmp_path: Path) -> None:
    with whole_file(tmp_path / "x.zip.old") as file:
        file.write(b"one")
        written(tmp_path / "x.zip", b"two")
    assert {"x.zip": b"two", "x.zip.old": b"one"} == {
        entry.name: entry.read_bytes() for entry in tmp_path.iterdir()
    }


@pytest.mark.skipif(os.name != "posix", reason="other systems have no such signal")
def test_a_program_that_is_killed_leaves_no_file_and_the_next_takes_away_what_it_left(tmp_path: Path) -> None:
    told = f"""
import os, signal, sys
sys.path.insert(0, {HOST!r})
from pathlib import Path
from pinwright.records.whole import whole_file
with whole_file(Path("x.zip")) as file:
    file.write(b"half")
    file.flush()
    os.kill(os.getpid(), signal.SIGKILL)
"""
    done = subprocess.run([sys.executable, "-c", told], cwd=tmp_path, check=False)
    assert -signal.SIGKILL == done.returncode
    (left,) = os.listdir(tmp_path)
    assert left.startswith(".x.zip.")
    written(tmp_path / "y.zip", b"other")  # not its own to take away
    assert {left, "y.zip"} == set(os.listdir(tmp_path))
    written(tmp_path / "x.zip", b"whole")
    assert {"x.zip", "y.zip"} == set(os.listdir(tmp_path))
