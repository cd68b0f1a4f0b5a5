"""Is a record, or a page drawn from one, as it was made?"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from pinwright.cable.profile import Profile
from pinwright.records.carrier import open_carrier
from pinwright.records.document import NotGenuine, open_sealed
from pinwright.records.record import Record, bytes_of, read_record
from pinwright.records.rows import SAID_TO_BE
from pinwright.sheets.documents import DRAWN_BY, documents_of


def _is_record(data: bytes) -> bool:
    try:
        open_sealed(data)
    except NotGenuine:
        return False
    return True


def genuine(path: Path, profile_of: Callable[[str], Profile]) -> tuple[Record, str]:
    """The record in a file, and a remark on how far it was proven, or nothing.

    A page is proven by its seal, by the record in it, by the record beside it, if one is there, and by being
    drawn again, if this program draws as the one that drew it. The file's name has to be the record's, if it
    is a record's name at all. Raises NotGenuine, and OSError where a file cannot be read.
    """
    data, remark = bytes_of(path), ""
    if data.startswith(b"{") or path.suffix.lower() == ".json":
        record = read_record(data, profile_of)
    else:
        inner, drawn_by = open_carrier(data)
        record = read_record(inner, profile_of)
        kind = "pdf" if data.startswith(b"%PDF-") else "html"
        if drawn_by != DRAWN_BY[kind]:
            remark = f"not drawn again: {drawn_by} drew it, this is {DRAWN_BY[kind]}"
        elif documents_of(record, [kind])[kind] != data:
            raise NotGenuine("it is not what its record gives when it is drawn again")
        beside = path.with_suffix(".json")
        if os.path.isfile(beside) and bytes_of(beside) != inner:
            if _is_record(bytes_of(beside)):
                raise NotGenuine(f"the record in it is another than `{beside.name}` beside it")
            remark = f"the record in it is whole, `{beside.name}` beside it is not"
    named = SAID_TO_BE.fullmatch(path.name)
    whose = f"{record.number}.{record.doc['kind']}"
    if named and named["whose"].casefold() != whose.casefold():
        raise NotGenuine(f"it is the record of `{whose}`, under another name")
    return record, remark
