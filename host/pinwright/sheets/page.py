"""A record as one self-contained HTML page.

Nothing in it asks the network for anything, and it runs no script: its Content-Security-Policy forbids both.
"""

from __future__ import annotations

from pinwright.records.carrier import record_in_html
from pinwright.sheets.sheet import Sheet
from pinwright.sheets.templates import TEMPLATES


def page_of(sheet: Sheet, record: bytes) -> bytes:
    """The sheet as a page that carries the record's bytes. Not yet sealed."""
    page = TEMPLATES.get_template("sheet.html").render(sheet=sheet, record=record_in_html(record))
    return page.encode("utf-8")
