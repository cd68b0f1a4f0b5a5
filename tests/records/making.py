"""Records made without a tester: what scans of a small cable on a small tester would leave."""

from __future__ import annotations

import copy
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import combinations
from pathlib import Path
from typing import Any

from pinwright import __version__
from pinwright.cable.pins import parse_pin
from pinwright.cable.profile import Profile
from pinwright.library import profile_of
from pinwright.records.document import canonical, seal
from pinwright.records.record import Record, read_record
from pinwright.records.scan_document import Subject, record_document, scan_document
from pinwright.sheets.documents import documents_of
from pinwright.tester.fixture import Fixture, Socket, place
from pinwright.tester.measurement import Evidence
from pinwright.tester.session import BoardVerdict, Hello, Scan
from pinwright.verdict.facts import compare
from pinwright.verdict.findings import explain

POINTS = 24
FIXTURE = Fixture(
    "small",
    "",
    "",
    POINTS,
    (Socket("J1", "box", tuple(range(12))), Socket("J2", "box", tuple(range(12, 24)))),
    (),
)
HELLO = Hello(2, "0.2.0", "E6614", "small", POINTS, 0, "none", "rp2", "bench-1")
TEXT = """\
[cable]
id = "five"
title = "Five conductors"
revision = "B"
[ends.A]
connector = "row-5"
label = "rack"
[ends.B]
connector = "row-5"
[wiring]
rule = "straight"
"""
GOOD = tuple(f"A.{k} B.{k}" for k in range(1, 6))
SWAPPED = ("A.1 B.2", "A.2 B.1", *GOOD[2:])
# Members of a record that may hold any text.
FREE: tuple[Any, ...] = (
    "scan.operator",
    "scan.tester.id",
    "scan.tester.name",
    "scan.tester.fixture",
    "scan.tester.firmware",
    "scan.tester.lane",
    "scan.sockets.A",
    "scan.adapters.B",
    ("scan", "findings", 0, "text"),
    ("scan", "findings", 0, "remedy"),
    "decision",
    "method",
    ("not_measured", 0),
    "host",
)
OPEN_AND_JOINED = (*GOOD[1:], "A.4 A.5", "A.1 @J2.9")


def scanned(
    profile: Profile, groups: Sequence[str], doubtful: Sequence[str] = (), hello: Hello = HELLO
) -> Scan:
    """A scan that found these groups of pins and doubtful pairs; only what the documents look at."""
    placement = place(profile.ends, FIXTURE, POINTS)

    def matrix(of: Sequence[str]) -> bytes:
        rows = [0] * POINTS
        for names in of:
            points = [placement.point_of[parse_pin(name)] for name in names.split()]
            for one, other in combinations(points, 2):
                rows[one] |= 1 << other
                rows[other] |= 1 << one
        return b"".join(row.to_bytes(POINTS // 8, "little") for row in rows)

    evidence = Evidence(
        POINTS, matrix(groups), matrix(groups), matrix(doubtful), bytes(3), bytes(3), bytes(POINTS)
    )
    counts = {"walk_us": 6700, "confirm_us": 12, "transfers": 1200, "slips": 0}
    return Scan(hello, FIXTURE, placement, evidence, BoardVerdict(True, frozenset(), frozenset()), counts)


def a_record(
    groups: Sequence[str] = GOOD,
    doubtful: Sequence[str] = (),
    *,
    text: str = TEXT,
    serial: str = "F-1",
    test: int = 1,
    operator: str | None = None,
    **hello: object,
) -> dict[str, Any]:
    """A record, not sealed. hello: what else than HELLO says."""
    profile = profile_of(text)
    scan = scanned(profile, groups, doubtful, replace(HELLO, **hello))  # type: ignore[arg-type]
    facts = compare(profile, scan.evidence.measurement(scan.placement))
    subject = Subject(
        profile=profile,
        profile_text=text,
        profile_sha256=hashlib.sha256(text.encode()).hexdigest(),
        operator=operator,
        started=datetime(2026, 3, 1, 9, 30, tzinfo=UTC),
        elapsed_ms=840,
        virtual=scan.hello.simulated,
        max_ohms=5.0,
    )
    document = scan_document(subject, scan, facts, explain(facts), serial)
    return record_document(subject, scan, document, serial, test, __version__)


def sealed(doc: Mapping[str, Any]) -> bytes:
    """The bytes of a record, whatever it says: whoever changes one on purpose can seal it again."""
    return canonical(seal(doc))


def read(doc: Mapping[str, Any]) -> Record:
    return read_record(sealed(doc), profile_of)


def kept(folder: Path, doc: Mapping[str, Any], **changed: bytes) -> Path:
    """The record in a folder, with its documents, as a scan leaves them. changed: what one holds instead."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{doc['number']}.{doc['kind']}.json"
    path.write_bytes(sealed(doc))
    for extension, data in {**documents_of(read(doc)), **changed}.items():
        path.with_suffix(f".{extension}").write_bytes(data)
    return path


def members(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where every member of a document is, at any depth: ("scan", "nets", 0, 1)."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, one in inner:
        yield (*path, key)
        yield from members(one, (*path, key))


DELETED = object()


def changed(doc: Mapping[str, Any], path: str | Sequence[Any], value: Any) -> dict[str, Any]:
    """A copy with another value at a path, `scan.tester.kind`, or with nothing there: DELETED."""
    made = copy.deepcopy(dict(doc))
    keys: Sequence[Any] = path.split(".") if isinstance(path, str) else path
    *outer, last = keys
    inner: Any = made
    for key in outer:
        inner = inner[key]
    if value is DELETED:
        del inner[last]
    else:
        inner[last] = value
    return made
