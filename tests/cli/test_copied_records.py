"""Folders of records that somebody merged, renamed in or spoiled, as the commands tell of them."""

from __future__ import annotations

import csv
import io
import json
import os
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pinwright import __version__
from pinwright.records.store import Store

from ..records.making import SWAPPED, a_record, sealed
from ..records.test_lines import MADE, keep


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "records"


@pytest.fixture
def run(pinwright: Any, place: Path) -> Callable[..., Any]:
    return lambda action, *words: pinwright("records", action, *words, "--records", place)


@pytest.fixture
def withdrawal(place: Path) -> Path:
    """Two cables, the first of which is withdrawn: its withdrawal."""
    place.mkdir()
    for serial in ("F-1", "F-2"):
        keep(place, a_record(serial=serial))
    return Store(place).remark("withdrawal", "F-1", 1, "mixed up", by=None, made=MADE, host=__version__)


# Withdrawals


@pytest.mark.parametrize("spoiled", ["damaged", "of another record"])
def test_a_test_whose_withdrawal_cannot_go_with_it_is_not_exported(
    spoiled: str, withdrawal: Path, run: Any
) -> None:
    if spoiled == "damaged":
        withdrawal.write_bytes(withdrawal.read_bytes().replace(b"mixed up", b"mixed in"))
    else:
        keep(withdrawal.parent, a_record(serial="F-1", operator="somebody"))
    ran = run("export")
    assert 1 == ran.status
    assert "F-1.test-1.certificate.json" in ran.err
    assert "its withdrawal is not as it was made" in " ".join(ran.err.split())
    numbers = [json.loads(line)["number"] for line in ran.out.splitlines()]
    assert "F-1.test-1" not in numbers
    assert "F-2.test-1" in numbers


def test_a_test_goes_with_the_one_withdrawal_that_is_whole(withdrawal: Path, run: Any) -> None:
    withdrawal.with_name("F-1.test-1.withdrawal-2.json").write_bytes(b"{}")
    ran = run("export")
    numbers = [json.loads(line)["number"] for line in ran.out.splitlines()]
    assert (1, ["F-1.test-1", "F-1.test-1.withdrawal-1", "F-2.test-1"]) == (ran.status, numbers)


@pytest.mark.parametrize(
    "name", ["F-1.test-1.withdrawal-1.json", "F-1.test-1.withdrawal-7.json", "f-1.TEST-1.Withdrawal-1.json"]
)
def test_a_withdrawal_is_told_whatever_its_number_and_case(name: str, withdrawal: Path, run: Any) -> None:
    withdrawal.rename(withdrawal.with_name(name))
    lines = run("verify").out.splitlines()
    record = str(withdrawal.with_name("F-1.test-1.certificate.json"))
    assert [True] == [", WITHDRAWN since" in line for line in lines if line.startswith(f"{record}:")]
    assert 1 == sum("WITHDRAWN" in line for line in lines)


# Two of one number


def test_no_label_where_two_records_have_its_number(place: Path, pinwright: Any, tmp_path: Path) -> None:
    place.mkdir()
    for serial, groups in ("F-1", SWAPPED), ("f-1", None):
        keep(place, a_record(groups, serial=serial) if groups else a_record(serial=serial))
    ran = pinwright("label", "F-1", "--out", tmp_path / "x.pdf", "--records", place)
    assert 1 == ran.status
    assert 2 == ran.out.count("2 records are of test 1 of this serial; one of them can be")
    assert not (tmp_path / "x.pdf").exists()


# Words


@pytest.mark.parametrize(
    "words",
    [
        ("list", "a\udcff"),
        ("list", "--serial", "a\udcff"),
        ("list", "--profile", "a\udcff"),
        ("list", "--batch", "a\udcff"),
        ("export", "--batch", "a\udcff"),
        ("list", *map(str, range(1200))),
        ("export", *map(str, range(1200))),
        ("report", "a\udcff"),
    ],
)
def test_what_cannot_be_looked_for_is_refused(words: tuple[str, ...], withdrawal: Path, run: Any) -> None:
    ran = run(*words)
    assert (2, "") == (ran.status, ran.out)
    assert "damaged" not in ran.err


# What is in no shape


def test_ohms_of_any_size_are_left_out_of_a_table(place: Path, run: Any) -> None:
    place.mkdir()
    doc = a_record(lane="calibrated", joints={"A.1": 0.2})
    doc["scan"]["links"][0]["ohms"] = "huge"
    text = json.dumps(doc).replace('"huge"', "1" + "0" * 400)
    (place / "F-1.test-1.certificate.json").write_text(text)
    ran = run("export", "--csv")
    (row,) = csv.DictReader(io.StringIO(ran.out.lstrip("\ufeff"), newline=""))
    assert (0, "F-1", "") == (ran.status, row["serial"], row["worst link ohms"])


@pytest.mark.skipif(os.name != "posix", reason="pipes and limits of POSIX")
def test_what_is_no_file_is_left_out_of_a_backup_and_named(
    withdrawal: Path, run: Any, tmp_path: Path
) -> None:
    os.mkfifo(withdrawal.with_name("F-9.test-1.certificate.pdf"))
    withdrawal.with_name("F-9.test-2.report.html").mkdir()
    withdrawal.with_name("F-9.test-3.report.json").symlink_to("F-9.test-3.report.json")
    ran = run("backup", tmp_path / "x.zip", "--json")
    assert 1 == ran.status
    assert "F-9.test-1.certificate.pdf" in ran.err
    left = [Path(name).name for name in ran.document["left_out"]]
    assert ["F-9.test-1.certificate.pdf", "F-9.test-2.report.html", "F-9.test-3.report.json"] == left
    names = zipfile.ZipFile(tmp_path / "x.zip").namelist()
    assert "F-1.test-1.withdrawal-1.json" in names
    assert not [name for name in names if name.startswith("F-9")]


@pytest.mark.parametrize("text", ['x;"=1', 'x; "=1', '"=1', "x;'=1", 'x;""@A1', '"";-1', "x;\t=1"])
@pytest.mark.parametrize("delimiter", [",", ";"])
def test_no_cell_is_a_formula_however_the_table_is_parted(
    text: str, delimiter: str, place: Path, run: Any
) -> None:
    place.mkdir()
    (place / "F-1.test-1.certificate.json").write_bytes(sealed(a_record(operator=text)))
    lines = io.StringIO(run("export", "--csv").out.lstrip("\ufeff"), newline="")
    cells = [cell for row in csv.reader(lines, delimiter=delimiter) for cell in row]
    assert [] == [
        cell
        for cell in cells
        if cell.strip(" \t\"'")[:1] in tuple("=+-@") and cell[:1] != "'" and cell.strip()
    ]


def test_a_batch_after_the_last_number_is_refused(place: Path, pinwright: Any) -> None:
    place.mkdir()
    (place / "lamp-changer-40-999999999.batch.json").write_text("{}")
    ran = pinwright("batch", "lamp-changer-40", "--count", 1, "--port", "sim", "--records", place)
    assert 2 == ran.status
    assert "after which no other can be numbered" in " ".join(ran.err.split())
