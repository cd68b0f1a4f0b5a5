"""A record as one self-contained HTML page. The only importer of jinja2.

Nothing in it asks the network for anything, and it runs no script: its Content-Security-Policy forbids both.
"""

from __future__ import annotations

from pathlib import Path

import jinja2

from pinwright.records.carrier import record_in_html
from pinwright.sheets.sheet import Sheet

_TEMPLATES = jinja2.Environment(
    loader=jinja2.FileSystemLoader(Path(__file__).parent),
    autoescape=True,
    undefined=jinja2.StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    keep_trailing_newline=True,
)


def page_of(sheet: Sheet, record: bytes) -> bytes:
    """The sheet as a page that carries the record's bytes. Not yet sealed."""
    page = _TEMPLATES.get_template("sheet.html").render(sheet=sheet, record=record_in_html(record))
    return page.encode("utf-8")
