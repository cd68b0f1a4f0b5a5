"""The table for spreadsheets: read back by a reader of its own, and without a formula in it."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright import __version__
from pinwright.records.spreadsheet import COLUMNS, cell, table
from pinwright.records.store import Query, Store

from .making import SWAPPED, a_record, changed
from .test_lines import BATCH, MADE, keep, of_batch

FORMULAS = ("=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def rows(store: Store) -> list[dict[str, str]]:
    data = b"".join(table(store.found(Query())))
    assert data.startswith(b"\xef\xbb\xbf")
    assert data.endswith(b"\r\n")
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline="")))


def test_a_row_for_every_test(tmp_path: Path) -> None:
    store = Store(tmp_path)
    bad = a_record(SWAPPED, operator="O. Perator", lane="calibrated", joints={"A.4": 12.0})
    keep(tmp_path, of_batch(bad, 1))
    keep(tmp_path, of_batch(a_record(serial="F-1", test=2, lane="calibrated"), 1))
    keep(tmp_path, a_record(serial="F-10", platform="linux"))
    (tmp_path / "G-1.test-1.report.json").write_bytes(b"{}")
    store.new_batch("five", lambda id: BATCH)
    store.remark("withdrawal", "F-1", 1, "mended", by=None, made=MADE, host=__version__)
    told = rows(store)
    assert list(COLUMNS) == list(told[0])
    assert ["F-1", "F-1", "F-10", "G-1"] == [row["serial"] for row in told]
    seals = [row.pop("sha256") for row in told]
    assert [64, 64, 64, 0] == list(map(len, seals))
    first = {
        "serial": "F-1",
        "test": "1",
        "result": "fail",
        "simulated": "no",
        "withdrawn": "mended",
        "tested": "2026-03-01T09:30:00Z",
        "profile": "five",
        "revision": "B",
        "title": "Five conductors",
        "operator": "O. Perator",
        "faults": "swap resistive",
        "worst link ohms": told[0]["worst link ohms"],
        "batch": "five-1",
        "file": "F-1.test-1.report.json",
    }
    assert first == told[0]
    assert float(told[0]["worst link ohms"]) == pytest.approx(12.0, abs=0.1)
    assert ("pass", "", "", "five-1") == tuple(
        told[1][key] for key in ("result", "withdrawn", "faults", "batch")
    )
    assert ("yes", "", "") == tuple(told[2][key] for key in ("simulated", "worst link ohms", "batch"))
    assert ("unreadable", "") == (told[3]["result"], told[3]["profile"])


BITING = [
    "=1+1",
    "+1",
    "-1",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    " =1",
    "\u00a0=1",
    "\u3000=1",
    "\u200b=1",
    "\ufeff=1",
    "\uff1d1",
    "\uff0b1",
    "\uff0d1",
    "\uff201",
    " \uff1d1",
    "a;=1",
    "a; =1",
    "a\n=1",
    '"=1',
    "';=1",
    "=cmd|' /C calc'!A0",
    '=HYPERLINK("http://example.org","x")',
    "a,b",
    'a"b',
    "a\x00b",
    "\x1b[31m",
    "a\u202eb",
    "名\U0001f600",
]


def takes_for_a_formula(text: str, also_parted_by: str = "") -> bool:
    """What a spreadsheet might: by what a cell begins with, blanks and marks aside."""
    parts = text.split(also_parted_by) if also_parted_by else [text]
    return any(part.strip().strip("\ufeff\u200b").startswith(FORMULAS) for part in parts)


@pytest.mark.parametrize("text", BITING)
def test_what_a_person_wrote_is_no_formula_and_one_row(text: str, tmp_path: Path) -> None:
    doc = changed(a_record(), "scan.operator", text.replace("\x00", ""))
    keep(tmp_path, doc)
    (row,) = rows(Store(tmp_path))
    assert "F-1" == row["serial"]
    for told in row.values():
        assert told.isprintable()
        assert not takes_for_a_formula(told)
        assert not takes_for_a_formula(told, also_parted_by=";")
    plain = row["operator"].replace("'", "")
    assert text.strip().strip("\ufeff\u200b\x00\t\r\x1b")[-1:] in plain


def test_what_is_harmless_stays_as_it_is() -> None:
    for text in ("O. Perator", "a-b", "1+1", "x=1", "a@b", "it's", "名", "", "3.5 Ω", 'a "b", c'):
        assert text == cell(text)
    assert ["yes", "no", "7", "6.10", ""] == [cell(one) for one in (True, False, 7, 6.1, None)]


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"])))
def test_whatever_is_written_is_no_formula_and_is_read_back(text: str) -> None:
    told = cell(text)
    assert told.isprintable()
    assert not takes_for_a_formula(told)
    assert not takes_for_a_formula(told, also_parted_by=";")
    out = io.StringIO()
    csv.writer(out).writerow(["x", told])
    assert [["x", told]] == list(csv.reader(io.StringIO(out.getvalue(), newline="")))


def test_ohms_that_are_no_number_leave_their_cell_empty(tmp_path: Path) -> None:
    doc: dict[str, Any] = changed(a_record(lane="calibrated"), ("scan", "links", 0, "ohms"), "=1")
    keep(tmp_path, doc)
    (row,) = rows(Store(tmp_path))
    assert ("", "") == (row["faults"], row["worst link ohms"])
