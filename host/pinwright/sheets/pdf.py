"""A record on paper: PDF/A-3 with the record attached. The only importer of typst.

The fonts are typst's own, so a page is the same bytes on every machine that has the same release of it.
Source: ISO 19005-3 (PDF/A-3): fonts embedded, text that can be extracted, files of any kind attached.
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

import typst

from pinwright.records.carrier import ATTACHED
from pinwright.sheets.sheet import Sheet
from pinwright.sheets.text import breakable

_DRAWN = ("picture", "qr", "sha256")
_ROOM, _ROOM_IN_LIST = 50.0, 6.5  # for a word, in ems: on a line, and in a column of the list of nets
_TEMPLATE = Path(__file__).with_name("sheet.typ")


def pdf_of(sheet: Sheet, record: bytes) -> bytes:
    """The sheet as PDF, the record's bytes attached to it. Not yet sealed."""
    data = {
        **{
            key: value if key in _DRAWN else _breakable(value, _ROOM_IN_LIST if key == "links" else _ROOM)
            for key, value in asdict(sheet).items()
        },
        "long": sheet.is_long,
        "measured": sheet.has_ohms,
        "caption": sheet.caption,
        "boxed": sheet.boxed,
        "date": list(map(int, re.findall(r"[0-9]+", sheet.started)[:6])),
        "alt": "Wiring picture: " + "; ".join(text for label, text in sheet.about if label == "Ends"),
    }
    source = _TEMPLATE.read_text(encoding="utf-8") + _ATTACHMENT
    inputs = {"sheet": json.dumps(data), "record": record.decode("utf-8"), "attached": ATTACHED}
    return typst.compile(
        source.encode("utf-8"), sys_inputs=inputs, pdf_standards="a-3b", ignore_system_fonts=True
    )


def _breakable(value: Any, room: float) -> Any:
    """The same, every text in it with places to break a line."""
    match value:
        case bool():
            return value
        case str():
            return breakable(value, room)
        case dict():
            return {key: _breakable(inner, room) for key, inner in value.items()}
        case list() | tuple():
            return [_breakable(inner, room) for inner in value]
    raise TypeError


_ATTACHMENT = """
#pdf.attach(
  sys.inputs.attached, bytes(sys.inputs.record), relationship: "source",
  mime-type: "application/json", description: "The record that this page was drawn from",
)
"""
