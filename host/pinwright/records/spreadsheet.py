"""Tests as a table for spreadsheets: RFC 4180, in UTF-8 with a byte order mark, which they know it by.

A spreadsheet takes a cell for a formula by what it begins with, and a formula can do harm. Anybody may have
written what a record holds, so such a cell gets an apostrophe before it, which is shown and means text
(common practice: OWASP's page on CSV injection, from memory).
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Iterator
from typing import Any

from pinwright.cable.wiring import code_point
from pinwright.records.entries import Listed
from pinwright.records.record import bytes_of

COLUMNS = (
    "serial",
    "test",
    "result",
    "simulated",
    "withdrawn",
    "tested",
    "profile",
    "revision",
    "title",
    "operator",
    "faults",
    "worst link ohms",
    "batch",
    "sha256",
    "file",
)
_MARK = "\ufeff"
# What may begin a formula, also after blanks and quotation marks, in full-width forms, and after a `;`: where
# that parts cells it would begin one, and marks round it would not be of it.
_FORMULA = re.compile(r"(^|;)(?=[\s\"'\u200b\ufeff\xad]*[=+\-@\t\r\uff1d\uff0b\uff0d\uff20])")


def cell(value: object) -> str:
    """A value as a cell: what would be a formula is none, and what does not print is named."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:.2f}" if isinstance(value, float) else str(value)
    text = _FORMULA.sub(r"\1'", "" if value is None else str(value))
    return "".join(char if char.isprintable() else f"<{code_point(char)}>" for char in text)


def table(listed: Iterable[Listed]) -> Iterator[bytes]:
    """The table of these tests, a row at a time, the first with the mark and the headings."""
    yield (_MARK + _row(COLUMNS)).encode("utf-8")
    for one in listed:
        yield _row(map(cell, _cells(one))).encode("utf-8", "backslashreplace")


def _row(cells: Iterable[str]) -> str:
    out = io.StringIO()
    csv.writer(out).writerow(cells)
    return out.getvalue()


def _cells(one: Listed) -> tuple[object, ...]:
    faults, worst = _measured(one) if one.result != "unreadable" else ("", None)
    return (
        one.entry.serial,
        one.entry.test,
        one.result,
        one.simulated,
        one.withdrawn,
        one.started,
        one.profile,
        one.revision,
        one.title,
        one.operator,
        faults,
        worst,
        one.batch,
        one.sha256,
        one.entry.path.name,
    )


def _measured(one: Listed) -> tuple[str, float | None]:
    """Kinds of the faults, and ohms of the worst link, as the file says: the table proves nothing."""
    try:
        scan: Any = json.loads(bytes_of(one.entry.path))["scan"]
        kinds = [str(finding["kind"]) for finding in scan["findings"]]
        ohms = [float(link["ohms"]) for link in scan["links"]]
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return "", None
    return " ".join(dict.fromkeys(kinds)), max(ohms, default=None)
