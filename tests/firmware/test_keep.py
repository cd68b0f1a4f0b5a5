"""What the board keeps: whenever the supply fails, the old file or the new one is there, whole."""

from __future__ import annotations

import builtins
import os
import random
import threading
from contextlib import suppress
from pathlib import Path

import pytest

from pinwright.errors import LinkLost
from pinwright.tester.frames import crc16, encode
from pinwright.virtual.bench import Bench
from pinwright.virtual.process import VirtualTester

from .conftest import FIRMWARE, POINT_OF, Talk

OLD, NEW = b"old " * 300, bytes(range(256)) * 8
BENCH = {"tester": {"lane": "uncalibrated"}}
PART = 200


def _send(board, name, content):
    for at in range(0, len(content), PART):
        words = f"keep write {name} {at:04X} {content[at : at + PART].hex().upper()}"
        assert "ok" == board.say(words)


def _done(name, content):
    return f"keep done {name} {len(content):04X} {crc16(content):04X}"


def _store(board, name, content):
    _send(board, name, content)
    assert "ok" == board.say(_done(name, content))


def _read(board, name):
    content, size = b"", 1
    while len(content) < size:
        reply = board.say(f"keep read {name} {len(content):04X}").split()
        assert "ok" == reply[0]
        size = int(reply[1].removeprefix("size="))
        data = reply[2].removeprefix("data=")
        content += b"" if data == "-" else bytes.fromhex(data)
    return content


@pytest.mark.parametrize("kind", ["tester", "pocket"])
def test_a_file_comes_back_as_it_went_and_outlives_a_reset(kind, engine, start):
    board = start(BENCH if kind == "tester" else {"tester": {"kind": "pocket"}})
    for name, content in (("check", OLD), ("calibration", NEW), ("check", NEW[:7])):
        _store(board, name, content)
        assert content == _read(board, name)
    board.tester.reset()
    assert NEW == _read(board, "calibration")
    assert NEW[:7] == _read(board, "check")
    assert ["calibration.bin", "check.bin"] == sorted(
        path.name for path in board.tester.flash.iterdir() if ".bin" in path.name
    )


@pytest.mark.parametrize("name", ["calibration", "check"])
def test_a_file_that_is_empty_is_not_taken_for_none(name, engine, start):
    board = start(BENCH)
    assert "ok size=0 data=-" == board.say(f"keep read {name} 0000")
    (board.tester.flash / f"{name}.bin").write_bytes(b"")
    assert "error keep why=empty" == board.say(f"keep read {name} 0000")
    _store(board, name, OLD)
    assert OLD == _read(board, name)


def test_a_board_is_calibrated_once_it_keeps_a_calibration(engine, start):
    board = start(BENCH)
    assert " lane=uncalibrated " in board.say("hello")
    _store(board, "check", OLD)
    assert " lane=uncalibrated " in board.say("hello")
    _store(board, "calibration", OLD)
    assert " lane=calibrated " in board.say("hello")
    assert "ok" == board.say("keep forget calibration")
    assert " lane=uncalibrated " in board.say("hello")


def test_a_board_that_is_killed_while_it_stores_keeps_the_old_or_the_new(engine, tmp_path):
    """As by kill -9, at random moments; other ones every run."""
    seed = random.randrange(1 << 30)
    chance = random.Random(seed)
    for nth in range(12):
        flash = tmp_path / str(nth)
        flash.mkdir()
        (flash / "check.bin").write_bytes(OLD)
        with VirtualTester(Bench.from_dict(BENCH), POINT_OF, FIRMWARE, flash=flash) as tester:
            board = Talk(tester)
            _send(board, "check", NEW)
            strike = threading.Timer(chance.uniform(0, 0.012), tester._process.kill)
            strike.start()
            with suppress(LinkLost):  # killed before it could hear
                board.send(encode(9, _done("check", NEW)))
            tester._process.wait(10)
        content = (flash / "check.bin").read_bytes()
        assert content in (OLD, NEW), f"seed {seed}, {nth}: {len(content)} bytes"
        with VirtualTester(Bench.from_dict(BENCH), POINT_OF, FIRMWARE, flash=flash) as tester:
            board = Talk(tester)
            assert content == _read(board, "check")
            _store(board, "check", NEW)  # whatever was left lying about
            assert NEW == _read(board, "check")
            assert [] == list(flash.glob("*.new"))


class _SupplyFails(BaseException):
    """From here on nothing is done any more."""


class _Flash:
    """Files that stop working after so many operations; `kind` of failure: an OSError or the supply's."""

    def __init__(self, left: int, failure: BaseException, for_good: bool) -> None:
        self._left, self._failure, self._for_good = left, failure, for_good

    def _count(self) -> None:
        self._left -= 1
        if self._left == 0 or (self._left < 0 and self._for_good):
            raise self._failure

    def open(self, path, mode="r"):
        self._count()
        return _File(builtins.open(path, mode), self._count)

    def rename(self, old, new):
        self._count()
        os.replace(old, new)


class _File:
    def __init__(self, file, count):
        self._file, self._count = file, count

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._file.close()

    def read(self, *size):
        return self._file.read(*size)

    def write(self, data):
        half = len(data) // 2
        self._count()
        self._file.write(data[:half])
        self._file.flush()
        self._count()
        self._file.write(data[half:])

    def flush(self):
        self._count()
        self._file.flush()


def _keep(firmware, monkeypatch, folder: Path, flash: _Flash):
    """A Keep over that flash, NEW in its buffer."""
    monkeypatch.chdir(folder)
    keep = firmware.keep.Keep()
    for at in range(0, len(NEW), PART):
        keep.write("check", at, NEW[at : at + PART])
    monkeypatch.setattr(firmware.keep, "open", flash.open, raising=False)
    monkeypatch.setattr(firmware.keep, "_put_in_place", flash.rename)
    return keep


STEPS = 6  # open, two halves, flush, open again, rename


@pytest.mark.parametrize("step", range(1, STEPS + 2))
def test_whatever_step_is_the_last_the_old_or_the_new_is_there(step, firmware, tmp_path, monkeypatch):
    (tmp_path / "check.bin").write_bytes(OLD)
    keep = _keep(firmware, monkeypatch, tmp_path, _Flash(step, _SupplyFails(), for_good=True))
    monkeypatch.setattr(firmware.keep, "_remove", lambda path: None)  # nobody tidies up either
    if step <= STEPS:
        with pytest.raises(_SupplyFails):
            keep.done("check", len(NEW), crc16(NEW))
    else:
        keep.done("check", len(NEW), crc16(NEW))
    assert (OLD if step <= STEPS else NEW) == (tmp_path / "check.bin").read_bytes()


@pytest.mark.parametrize("step", range(1, STEPS + 1))
@pytest.mark.parametrize(("number", "why"), [(28, "full"), (5, "flash")])
def test_a_flash_that_fails_is_said_and_leaves_the_old_and_no_litter(
    step, number, why, firmware, tmp_path, monkeypatch
):
    (tmp_path / "check.bin").write_bytes(OLD)
    keep = _keep(firmware, monkeypatch, tmp_path, _Flash(step, OSError(number, "x"), for_good=False))
    with pytest.raises(firmware.keep.KeepFault, match=why):
        keep.done("check", len(NEW), crc16(NEW))
    assert [tmp_path / "check.bin"] == list(tmp_path.iterdir())
    assert OLD == (tmp_path / "check.bin").read_bytes()


def test_what_reads_back_otherwise_is_not_put_in_place(firmware, tmp_path, monkeypatch):
    (tmp_path / "check.bin").write_bytes(OLD)
    keep = _keep(firmware, monkeypatch, tmp_path, _Flash(99, OSError(5), for_good=False))
    monkeypatch.setattr(_File, "read", lambda self, *size: NEW[:-1] + b"?")
    with pytest.raises(firmware.keep.KeepFault, match="different"):
        keep.done("check", len(NEW), crc16(NEW))
    assert OLD == (tmp_path / "check.bin").read_bytes()


def test_a_full_flash_is_said(engine, disk_of):
    flash = disk_of("512k")
    with VirtualTester(Bench.from_dict(BENCH), POINT_OF, FIRMWARE, flash=flash) as tester:
        board = Talk(tester)
        _store(board, "check", OLD)
        with (flash / "filler").open("wb", buffering=0) as filler:
            filler.write(bytes(512 * 1024))  # as much as there is room for
        _send(board, "check", NEW)
        assert "error keep why=full" == board.say(_done("check", NEW))
        assert OLD == _read(board, "check")
        (flash / "filler").unlink()
        assert "ok" == board.say(_done("check", NEW))
        assert NEW == _read(board, "check")
