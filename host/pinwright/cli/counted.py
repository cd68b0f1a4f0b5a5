"""What the files of a batch say of it: its document, and the records of its cables.

The index only tells where to look: whether a cable passed, and of which batch it is, is read from its record,
as it was made. Batches of two workshops may have one id, and an import puts the records of one beside the
other; so a record counts only where it has the seal of the batch's document.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from pinwright.cli.records_verify import kept_record
from pinwright.cli.tally import Tally, Tested
from pinwright.errors import RecordsError
from pinwright.records.batches import read_batch
from pinwright.records.document import SEAL, NotGenuine
from pinwright.records.record import Record, bytes_of
from pinwright.records.store import Batch, Listed, Query, Store
from pinwright.terminal import progress


@dataclass(frozen=True, slots=True)
class Document:
    """A batch, as its document says. sha256: the seal of that."""

    batch: Batch
    sha256: str


def document_of(batch: Batch) -> Document:
    """What the document of a batch says, whatever the index says of it. Raises NotGenuine where it is not as
    it was made, or is another one's under that name."""
    try:
        doc = read_batch(bytes_of(batch.path))
    except OSError as error:
        raise NotGenuine(f"it cannot be read: {error.strerror or error}") from None
    if batch.path.name.casefold() != f"{doc['id']}.batch.json".casefold():
        raise NotGenuine(f"it is batch `{doc['id']}`, under another name")
    said = replace(
        batch,
        id=doc["id"],
        profile=doc["profile"]["id"],
        sha256_of_profile=doc["profile"][SEAL],
        count=doc["count"],
        operator=doc["operator"] or "",
        started=doc["started"],
        simulated=doc["simulated"],
        sealed=True,
    )
    return Document(said, doc[SEAL])


def tally_of(store: Store, document: Document) -> Tally:
    """What the records say of a batch. Raises RecordsError if the folder cannot be read."""
    listed = store.found(Query(batch=document.batch.id))
    tally = Tally(document.batch.count)
    with progress("reading records") as told:
        for done, one in enumerate(listed):
            told(done, len(listed))
            tally.tests += [test for test, _ in _counted(one, document)]
    return tally


def records_of(store: Store, document: Document) -> list[Record]:
    """The records of a batch that are as they were made, by item and test."""
    listed = store.found(Query(batch=document.batch.id))
    records = [record for one in listed for _, record in _counted(one, document) if record]
    return sorted(records, key=lambda one: (one.doc["batch"]["item"], one.doc["test"]))


def other_tests(
    there: Sequence[Listed], document: Document, known: Sequence[Tested], foreign: set[str]
) -> list[str]:
    """Numbers of tests of a batch that are in one of two lists alone: those that are there, and those that
    are known. foreign: names of files that are known to be another batch's; more are added."""
    mine, numbers = {one.number.casefold(): one.number for one in known}, set()
    others = []
    for one in there:
        number = f"{one.entry.serial}.test-{one.entry.test}"
        numbers.add(number.casefold())
        if number.casefold() in mine or one.entry.path.name in foreign:
            continue
        if any(_counted(one, document)):
            others.append(number)
        else:
            foreign.add(one.entry.path.name)
    return others + [number for folded, number in mine.items() if folded not in numbers]


def _counted(listed: Listed, document: Document) -> Iterator[tuple[Tested, Record | None]]:
    """A test of the batch, and its record, if that is as it was made: else the cable did not pass. Nothing
    where it is of another batch of that id."""
    entry, batch = listed.entry, document.batch
    try:
        record = kept_record(entry.path)
    except (NotGenuine, RecordsError):
        if _said_batch(listed) in (None, document.sha256) and 1 <= listed.item <= batch.count:
            yield Tested(listed.item, entry.serial, entry.test, False, (), 0), None
        return
    doc = record.doc
    member = doc.get("batch", {})
    if (member.get("id"), member.get(SEAL)) != (batch.id, document.sha256):
        return
    found = tuple((one.kind, tuple(map(str, one.pins))) for one in record.findings)
    passed = record.passed and not listed.withdrawn
    yield Tested(member["item"], doc["serial"], doc["test"], passed, found, member["seconds"]), record


def _said_batch(listed: Listed) -> str | None:
    """The seal of the batch that a damaged record names; None where that cannot be read."""
    try:
        said: Any = json.loads(bytes_of(listed.entry.path))["batch"][SEAL]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    return said if isinstance(said, str) else None
