"""Records made without a tester: what scans of a small cable on a small tester would leave."""

from __future__ import annotations

import copy
import hashlib
from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
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
from pinwright.tester.calibration import Calibration, LongCheck
from pinwright.tester.chain import questions
from pinwright.tester.fixture import Fixture, Placement, Socket, place
from pinwright.tester.measurement import Evidence
from pinwright.tester.ohmmeter import Lane, Readings
from pinwright.tester.parts import contacts, labels_of, parts_of, to_be_high
from pinwright.tester.session import BoardVerdict, Hello, Scan
from pinwright.verdict.facts import Facts, compare
from pinwright.verdict.findings import explain
from pinwright.verdict.resistances import resistances

POINTS = 24
FIXTURE = Fixture(
    "small",
    "",
    "",
    POINTS,
    (Socket("J1", "box", tuple(range(12))), Socket("J2", "box", tuple(range(12, 24)))),
    (),
)
HELLO = Hello(3, "0.3.0", "E6614", "small", POINTS, 0, "none", "rp2", "bench-1", "fast")
CALIBRATED = datetime(2026, 1, 31, 9, tzinfo=UTC)
LANES = ("none", "uncalibrated", "calibrated")
LONG_CHECK = LongCheck(CALIBRATED, passed=True, measured=True, sockets=("J1", "J2"), text="")
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


# What the parts of a tester have, in ohms: ELECTRICAL's typical values, a little apart from point to point.
SUPPLY_V, SHUNT, SHUNT_STEP_V, SUPPLY_STEP_V = 3.3, 22.0, 7.8125e-6, 125e-6
ZERO, AT_27_CELSIUS = 4098, 14020  # readings with no current, and of the processor's sensor


def _high(point: int) -> float:
    return 780.0 + point % 7


def _low(point: int) -> float:
    return 720.0 + point % 5


def _through(ohms: float) -> int:
    """What the converter reads of a current through so many ohms: the sum of four conversions."""
    return ZERO + round(4 * SUPPLY_V * SHUNT / (ohms + SHUNT) / SHUNT_STEP_V)


def _together(ohms: Iterable[float]) -> float:
    return 1 / sum(1 / one for one in ohms)


def read_by_lane(
    profile: Profile,
    evidence: Evidence,
    placement: Placement,
    *,
    calibrated: bool = True,
    joints: Mapping[str, float] | None = None,
    leaks: Mapping[str, float] | None = None,
    pairs: int = 2,
    asked: bool = True,
) -> Readings:
    """What a lane would read of a cable that conducts as the evidence says, by the laws of Ohm and Kirchhoff.

    joints: pin → ohms between it and the rest of its net; 0.2 where nothing else is said. leaks: pin → ohms
    between its part and everything else; where that was found joined to more, 0.1; else no current. pairs:
    of references, the second half of them 10 ohms. asked: without, nobody asked what larger parts hang on.
    """
    ohms_at = {parse_pin(pin): ohms for pin, ohms in (joints or {}).items()}
    leak_at = {parse_pin(pin): ohms for pin, ohms in (leaks or {}).items()}
    parts, labels = parts_of(profile, evidence, placement), labels_of(evidence)
    members: dict[int, list[int]] = {}
    for point, part in enumerate(parts):
        members.setdefault(part, []).append(point)
    members.pop(0, None)
    beyond = {
        part: [p for p, label in labels.items() if label == labels[points[0]] and p not in points]
        for part, points in members.items()
    }

    def leak_ohms(part: int) -> float | None:
        told = [leak_at[pin] for point in members[part] if (pin := placement.pin_of[point]) in leak_at]
        return told[0] if told else 0.1 if beyond[part] else None

    high, leak = [0] * evidence.points, [0] * evidence.points
    wanted = to_be_high(parts)
    joint_of = {
        point: next((ohms_at[end] for end in (pin, *others) if end in ohms_at), 0.2)
        if len(net.pins) == 2
        else ohms_at.get(pin, 0.2)
        for net, pin, point, others in contacts(profile, evidence, placement)
    }
    across = [0] * evidence.points
    both: dict[tuple[int, int], int] = {}
    pairs_of = {point: len(net.pins) == 2 for net, _, point, _ in contacts(profile, evidence, placement)}
    for part, points in members.items():
        ohms, onward = leak_ohms(part), [_low(point) for point in beyond[part]]
        way = 1e12 if ohms is None else ohms + (_together(onward) if onward else 720.0)
        # Of a pair all ohms are between its two points; of a larger part each point has its own leg.
        shared = len(points) > 2
        leg = {p: joint_of.get(p, 0.2) / (2 if pairs_of.get(p) else 1) if shared else 0.0 for p in points}
        for point in points:
            ways = [_low(other) + leg[other] for other in points if other != point]
            if wanted >> point & 1:
                link = leg[point] if shared else joint_of[point]
                high[point] = _through(_high(point) + _together([way, link + _together(ways)]))
        first = points[0]
        for point in points[1:] if shared else ():
            link = leg[first] + leg[point] + _low(point)
            across[point] = _through(_high(first) + _together([way, link]))
        for pair in combinations(points[1:], 2):
            link = leg[first] + _together(leg[point] + _low(point) for point in pair)
            both[pair] = _through(_high(first) + _together([way, link]))
        leak[first] = _through(_high(first) + way)
    own = [ohms for pair in range(pairs) for ohms in [1500.0 + (10.0 if pair >= pairs / 2 else 0.0)] * 2]
    lane = Lane(ZERO, round(SUPPLY_V / SUPPLY_STEP_V), AT_27_CELSIUS, tuple(map(_through, own)))
    known = Calibration(
        CALIBRATED,
        tuple(map(_high, range(evidence.points))),
        tuple(map(_low, range(evidence.points))),
        (0,) * evidence.points,
        tuple(own),
        27.0,
    )
    told = Readings(lane, lane, parts, tuple(high), tuple(leak), tuple(across), known if calibrated else None)
    return replace(told, near=_answers(questions(evidence, told), both)) if asked else told


def _answers(
    asking: Generator[tuple[int, int], int, object], both: Mapping[tuple[int, int], int]
) -> tuple[tuple[int, int, int], ...]:
    near = []
    try:
        pair = next(asking)
        while True:
            near.append((*pair, both[pair]))
            pair = asking.send(both[pair])
    except StopIteration:
        return tuple(near)


def scanned(
    profile: Profile,
    groups: Sequence[str],
    doubtful: Sequence[str] = (),
    hello: Hello = HELLO,
    joints: Mapping[str, float] | None = None,
    leaks: Mapping[str, float] | None = None,
) -> Scan:
    """A scan that found these groups of pins and doubtful pairs; only what the documents look at.

    joints, leaks: of read_by_lane, where the hello says that there is a lane.
    """
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
    calibrated = hello.lane == "calibrated"
    readings = (
        read_by_lane(profile, evidence, placement, calibrated=calibrated, joints=joints, leaks=leaks)
        if hello.lane != "none"
        else None
    )
    return Scan(
        hello,
        FIXTURE,
        placement,
        evidence,
        BoardVerdict(True, frozenset(), frozenset()),
        counts,
        readings,
        LONG_CHECK if readings else None,
    )


def facts_of(profile: Profile, scan: Scan) -> Facts:
    """The host's facts, whatever the board would have said."""
    facts = compare(profile, scan.evidence.measurement(scan.placement))
    if scan.readings is None:
        return facts
    measured = resistances(profile, scan.evidence, scan.placement, scan.readings)
    return replace(facts, resistances=measured)


def a_record(
    groups: Sequence[str] = GOOD,
    doubtful: Sequence[str] = (),
    *,
    text: str = TEXT,
    serial: str = "F-1",
    test: int = 1,
    operator: str | None = None,
    max_ohms: float | None = None,
    joints: Mapping[str, float] | None = None,
    leaks: Mapping[str, float] | None = None,
    batch: Mapping[str, object] | None = None,
    **hello: object,
) -> dict[str, Any]:
    """A record, not sealed. max_ohms: a limit given by hand. joints, leaks: of read_by_lane. batch: its
    member of that name. hello: what else than HELLO says."""
    profile = profile_of(text)
    said = replace(HELLO, **hello)  # type: ignore[arg-type]
    subject = Subject(
        profile=profile,
        profile_text=text,
        profile_sha256=hashlib.sha256(text.encode()).hexdigest(),
        operator=operator,
        started=datetime(2026, 3, 1, 9, 30, tzinfo=UTC),
        elapsed_ms=840,
        virtual=said.simulated,
        max_ohms=profile.max_ohms if max_ohms is None else max_ohms,
        by_hand=max_ohms is not None,
    )
    scan = scanned(subject.judged, groups, doubtful, said, joints=joints, leaks=leaks)
    facts = facts_of(subject.judged, scan)
    document = scan_document(subject, scan, facts, explain(subject.judged, facts), serial)
    return record_document(subject, scan, facts, document, serial, test, __version__, batch)


def after(doc: Mapping[str, Any], earlier: Mapping[str, Any]) -> dict[str, Any]:
    """The same record, which names the test before it."""
    return {**doc, "previous": {"number": earlier["number"], "sha256": seal(earlier)["sha256"]}}


def of_an_earlier_version(doc: Mapping[str, Any]) -> dict[str, Any]:
    """The same record as versions before 0.4.0 wrote it, which knew of no ohms lane."""
    made = copy.deepcopy(dict(doc))
    for key in ("calibrated", "celsius", "references_ohms", "long_check"):
        del made["scan"]["tester"][key]
    made["limits"] = {key: made["limits"][key] for key in ("max_ohms", "checked")}
    return made


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
