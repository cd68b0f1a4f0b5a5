"""The documents that are kept beside a record: its PDF and its HTML page, sealed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from importlib.metadata import version
from pathlib import Path

from pinwright import __version__
from pinwright.records.carrier import seal_html, seal_pdf
from pinwright.records.record import Record
from pinwright.sheets.page import page_of
from pinwright.sheets.pdf import pdf_of
from pinwright.sheets.sheet import sheet_of

_DRAWN = {"pdf": (pdf_of, seal_pdf, "typst"), "html": (page_of, seal_html, "jinja2")}
_SOURCES = (".py", ".typ", ".html")


def _form() -> str:
    """A short name for how this checkout draws, between releases: part of a hash of this room's files."""
    files = sorted(file for file in Path(__file__).parent.glob("*.*") if file.suffix in _SOURCES)
    return hashlib.sha256(b"\0".join(file.read_bytes() for file in files)).hexdigest()[:8]


# Extension → what decides the bytes of a document: others may draw the same record otherwise.
DRAWN_BY = {
    extension: f"pinwright-{__version__}+{_form()}+{library}-{version(library)}+segno-{version('segno')}"
    for extension, (_, _, library) in _DRAWN.items()
}


def documents_of(record: Record, extensions: Iterable[str] = tuple(_DRAWN)) -> Mapping[str, bytes]:
    """Extension → bytes. The same record gives the same bytes, as long as DRAWN_BY stays the same."""
    sheet = sheet_of(record)
    return {
        extension: seal(draw(sheet, record.data), DRAWN_BY[extension])
        for extension in extensions
        for draw, seal, _ in [_DRAWN[extension]]
    }
