"""A build sheet on paper: one or two pages A4, as PDF.

The fonts are typst's own, so a sheet is the same bytes on every machine that has the same release of it.
There is no date on it: a sheet printed last year is as good as its profile's hash.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import typst

from pinwright.cable.laying import as_laid
from pinwright.cable.profile import Profile
from pinwright.sheets.build import BuildSheet
from pinwright.sheets.build_picture import end_picture
from pinwright.sheets.drawing import wiring_picture
from pinwright.sheets.text import breakable

_TEMPLATE = Path(__file__).with_name("build.typ")
_ROOM, _ROOM_IN_LIST = 40.0, 9.0  # for a word, in ems: on a line, and in a column of the list
_AS_IT_IS = ("sha256", "key", "group")


def build_pdf(profile: Profile, sheet: BuildSheet) -> bytes:
    """The same sheet gives the same bytes, as long as this program and typst are the same."""
    data = _breakable(asdict(sheet), _ROOM) | {
        "name": sheet.name,
        "unused": [list(pair) for pair in sheet.unused],
        "captions": [end.caption for end in sheet.ends],
        "pictures": [end_picture(own, sheet) for own in profile.ends],
        "picture": wiring_picture(as_laid(profile), behind=sheet.behind),
    }
    for strand, made in zip(sheet.strands, data["strands"], strict=True):
        made["ends"] = list(strand.ends)
    source = _TEMPLATE.read_text(encoding="utf-8")
    return typst.compile(
        source.encode("utf-8"),
        sys_inputs={"sheet": json.dumps(data)},
        ignore_system_fonts=True,
    )


def _breakable(value: Any, room: float) -> Any:
    """The same, every text in it with places to break a line."""
    match value:
        case str():
            return breakable(value, room)
        case dict():
            return {
                key: inner
                if key in _AS_IT_IS
                else _breakable(inner, _ROOM_IN_LIST if key == "signal" else room)
                for key, inner in value.items()
            }
        case list() | tuple():
            return [_breakable(inner, room) for inner in value]
    return value
