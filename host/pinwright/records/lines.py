"""Records, remarks and batches as lines of a file: each is the exact bytes of one sealed document.

A document's canonical form has no end of a line in it, so JSON Lines carry it unchanged. They come in an
order in which they can be taken in again from the first on: a batch before the tests made in it, a remark
after the test that it is about.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from pinwright.cable.profile import Profile
from pinwright.records.batches import BATCH_SCHEMA, read_batch
from pinwright.records.document import SEAL, NotGenuine, is_sealed, open_sealed
from pinwright.records.entries import Batch, Listed, Remark
from pinwright.records.record import MOST_BYTES, Record, bytes_of, read_record
from pinwright.records.remarks import REMARK_SCHEMA, read_remark
from pinwright.records.scan_document import RECORD_SCHEMA

_PART = 1 << 16


@dataclass(frozen=True, slots=True)
class Proven:
    """A document that is as it was made. name: of its file in a folder of records. simulated: no cable was
    tested; None of a remark, which does not say. record: if it is one. about: number and seal of the record
    that a remark is about; else None."""

    name: str
    simulated: bool | None
    record: Record | None = None
    about: tuple[str, str] | None = None


def proven(data: bytes, profile_of: Callable[[str], Profile]) -> Proven:
    """What these bytes are, read in full. Raises NotGenuine where they are no such document, or changed."""
    doc: Mapping[str, Any] = open_sealed(data)
    schema = doc.get("schema")
    if schema == RECORD_SCHEMA:
        record = read_record(data, profile_of)
        return Proven(f"{record.number}.{record.doc['kind']}.json", record.simulated, record)
    if schema == REMARK_SCHEMA:
        doc = read_remark(data)
        about = doc["about"]
        return Proven(f"{doc['number']}.json", None, about=(about["number"], about["sha256"]))
    if schema == BATCH_SCHEMA:
        doc = read_batch(data)
        return Proven(f"{doc['id']}.batch.json", doc["simulated"])
    raise NotGenuine("it is no record, remark or batch that this version reads, by its schema")


def in_order(
    listed: Iterable[Listed],
    remarks_of: Callable[[str], Sequence[Remark]],
    batches: Iterable[Batch],
) -> Iterator[Path]:
    """The files of these tests, of the batches they were made in, and of what was remarked on them."""
    by_id = {batch.id.casefold(): batch for batch in batches}
    for one in listed:
        batch = by_id.pop(one.batch.casefold(), None) if one.batch else None
        if batch:
            yield batch.path
        yield one.entry.path
        if one.notes or one.withdrawn:
            yield from (
                remark.path for remark in remarks_of(one.entry.serial) if remark.test == one.entry.test
            )


def line_of(path: Path) -> bytes:
    """A document's file as a line, without its end. Raises NotGenuine where it cannot be one, and OSError."""
    data = bytes_of(path)
    if not is_sealed(data):
        raise NotGenuine("it is not as it was sealed")
    if b"\n" in data or b"\r" in data:
        raise NotGenuine("it is not in canonical form (RFC 8785)")
    return data


def lines_in(file: IO[bytes]) -> Iterator[tuple[int, bytes | None]]:
    """Number and bytes of every line that is not empty, without its end, one at a time; None where one is
    longer than any document is."""
    number = 0
    while line := file.readline(MOST_BYTES + 2):
        number += 1
        data = line.rstrip(b"\r\n")
        if len(data) > MOST_BYTES:
            while line and not line.endswith(b"\n"):
                line = file.readline(_PART)
            yield number, None
        elif data:
            yield number, data


def is_there(place: Path, about: tuple[str, str]) -> bool:
    """Whether the record with this number and seal is in a folder."""
    number, sha256 = about
    for kind in ("certificate", "report"):
        try:
            if open_sealed(bytes_of(place / f"{number}.{kind}.json"))[SEAL] == sha256:
                return True
        except (OSError, NotGenuine):
            continue
    return False
