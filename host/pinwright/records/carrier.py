"""A record inside the page drawn from it, and a seal over all of that page's bytes.

A PDF carries its record as an attached file, an HTML page as a block of data. The seal is a comment of the
format: in a PDF the line before `startxref`, in a page its last line. It names what drew the page and gives
the SHA-256 of the whole file, taken with zeros in its own place. It shows damage and careless editing;
whoever edits on purpose can seal again.
"""

from __future__ import annotations

import hashlib
import io
import json
import logging
import re
import warnings
from collections.abc import Callable

from pinwright.records.document import NotGenuine, canonical

ATTACHED = "record.json"
logging.getLogger("pypdf").addHandler(logging.NullHandler())  # what it warns of may quote the file
_ZEROS = b"0" * 64
_SEAL = rb"pinwright-seal-1 drawn-by ([!-~]{1,80}) sha256 ([0-9a-f]{64})"
_ANY_SEAL = re.compile(rb"(?:%|<!-- )" + _SEAL)
_PDF_SEAL = re.compile(rb"%" + _SEAL + rb"\n(?=startxref\n[0-9]+\n%%EOF\n?\Z)")
_HTML_SEAL = re.compile(rb"<!-- " + _SEAL + rb" -->\n\Z")
_HTML_RECORD = re.compile(rb'<script type="application/json" id="record">(.*?)</script>', re.DOTALL)


def seal_pdf(pdf: bytes, drawn_by: str) -> bytes:
    """A PDF with its seal. drawn_by: the programs and releases that drew it, without blanks."""
    start = pdf.rindex(b"startxref\n")
    return _sealed(pdf[:start] + b"%", b"\n" + pdf[start:], drawn_by)


def seal_html(page: bytes, drawn_by: str) -> bytes:
    """A page with its seal."""
    return _sealed(page + b"<!-- ", b" -->\n", drawn_by)


def record_in_html(record: bytes) -> str:
    """A record as the block of data that a page carries: no `<` in it, so nothing ends the block early."""
    inner = record.decode("utf-8").replace("<", "\\u003c")
    return f'<script type="application/json" id="record">{inner}</script>'


def open_carrier(data: bytes) -> tuple[bytes, str]:
    """The record's bytes in a PDF or an HTML page, and what drew it. Raises NotGenuine where the seal is
    broken or there is no record."""
    if data.startswith(b"%PDF-"):
        return _unsealed(data, _PDF_SEAL, _attached)
    return _unsealed(data, _HTML_SEAL, _in_page)


def _sealed(before: bytes, after: bytes, drawn_by: str) -> bytes:
    name = f"pinwright-seal-1 drawn-by {drawn_by} sha256 ".encode("ascii")
    seal = hashlib.sha256(before + name + _ZEROS + after).hexdigest().encode("ascii")
    return before + name + seal + after


def _unsealed(data: bytes, pattern: re.Pattern[bytes], inside: Callable[[bytes], bytes]) -> tuple[bytes, str]:
    found = pattern.search(data)
    if not found:
        raise NotGenuine("it has no seal of ours where one should be")
    zeroed = data[: found.start(2)] + _ZEROS + data[found.end(2) :]
    expected = hashlib.sha256(zeroed).hexdigest()
    if found[2] != expected.encode("ascii"):
        raise NotGenuine(f"its bytes have the SHA-256 {expected}, its seal says `{found[2].decode('ascii')}`")
    if len(_ANY_SEAL.findall(data)) > 1:
        raise NotGenuine("it has several seals")
    return inside(data), found[1].decode("ascii")


def _attached(pdf: bytes) -> bytes:
    """The record attached to a PDF. What pypdf finds wrong is told in its own classes and Python's."""
    import pypdf  # takes a while: only who opens a PDF waits for it

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            files = dict(pypdf.PdfReader(io.BytesIO(pdf)).attachments)
    except Exception as error:
        raise NotGenuine(f"its attachments cannot be read: {type(error).__name__}") from error
    count = sum(map(len, files.values()))
    if count != 1 or ATTACHED not in files:
        raise NotGenuine(f"it has {count} attached files, where `{ATTACHED}` alone should be")
    return bytes(files[ATTACHED][0])


def _in_page(page: bytes) -> bytes:
    found = _HTML_RECORD.findall(page)
    if len(found) != 1:
        raise NotGenuine(f"it carries {len(found)} records, not one")
    try:
        return canonical(json.loads(found[0]))
    except (ValueError, RecursionError, TypeError):
        raise NotGenuine("the record that it carries is not JSON") from None
