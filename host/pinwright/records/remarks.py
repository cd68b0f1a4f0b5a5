"""A remark about a test that has a record: a note, or the withdrawal of it. What its document says.

Nothing that was recorded is changed: a remark is a document of its own, which names the record by its number
and its seal.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pinwright.cable.wiring import code_point
from pinwright.errors import UsageError
from pinwright.records.entries import RemarkKind, check_serial
from pinwright.records.forms import (
    TEXT,
    TEXT_OR_NULL,
    WHOLE,
    check_moment,
    check_said,
    check_sha256,
    read_sealed,
)
from pinwright.records.rows import LARGEST_COUNT

REMARK_SCHEMA = "pinwright/remark-1"
KINDS = ("note", "withdrawal")
MOST_TEXT = 2000
MOST_BY = 80
_FORM: Mapping[str, Any] = {
    "schema": TEXT,
    "kind": TEXT,
    "number": TEXT,
    "serial": TEXT,
    "test": WHOLE,
    "about": {"number": TEXT, "sha256": TEXT},
    "text": TEXT,
    "by": TEXT_OR_NULL,
    "made": TEXT,
    "host": TEXT,
}


def check_words(text: str, what: str, most: int) -> str:
    """What a person wrote, fit to be kept: 1 to `most` characters, all of which print. Raises UsageError."""
    strange = next((char for char in text if not char.isprintable()), None)
    if strange is not None:
        raise UsageError(f"{what} contains {code_point(strange)}, which does not print")
    if not text.strip() or len(text) > most:
        raise UsageError(f"{what} has {len(text)} characters; 1 to {most} are possible, not all blanks")
    return text


def remark_document(
    kind: RemarkKind,
    serial: str,
    test: int,
    number: int,
    *,
    about_sha256: str,
    text: str,
    by: str | None,
    made: str,
    host: str,
) -> dict[str, Any]:
    """A remark about a test. Not yet sealed.

    number: the how-manieth of its kind about this test. about_sha256: the seal of that test's record. by: who
    says so. made: RFC 3339. host: this version. Raises UsageError for text that cannot be kept.
    """
    check_words(text, "the text", MOST_TEXT)
    if by is not None:
        check_words(by, "the name", MOST_BY)
    about = f"{serial}.test-{test}"
    return {
        "schema": REMARK_SCHEMA,
        "kind": kind,
        "number": f"{about}.{kind}-{number}",
        "serial": serial,
        "test": test,
        "about": {"number": about, "sha256": about_sha256},
        "text": text,
        "by": by,
        "made": made,
        "host": host,
    }


def read_remark(data: bytes) -> dict[str, Any]:
    """The remark in these bytes. Raises NotGenuine where it is none, or was changed."""
    return read_sealed(data, REMARK_SCHEMA, "remark", _FORM, _check_values)


def _check_values(doc: Mapping[str, Any]) -> None:
    """Raises ValueError or SerialError where a value is none that a remark has."""
    check_serial(doc["serial"])
    check_moment(doc["made"])
    check_sha256(doc["about"]["sha256"])
    check_said(doc["text"], MOST_TEXT)
    if doc["by"] is not None:
        check_said(doc["by"], MOST_BY)
    start, _, count = doc["number"].rpartition("-")
    about = f"{doc['serial']}.test-{doc['test']}"
    if (
        doc["kind"] not in KINDS
        or not 1 <= doc["test"] <= LARGEST_COUNT
        or (about, f"{about}.{doc['kind']}") != (doc["about"]["number"], start)
        or not (count.isascii() and count.isdecimal() and len(count) <= len(str(LARGEST_COUNT)))
        or not (count == str(int(count)) and int(count) >= 1)
    ):
        raise ValueError
