"""A record as it is read back: sealed, complete, and not at odds with itself."""

from __future__ import annotations

import errno
import hashlib
import re
import stat
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Any

from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.profile import Profile
from pinwright.errors import Disagreement, OwnBug, ProfileError, SelfCheckFailed, SerialError
from pinwright.records.batches import MEMBER_FORM, check_member
from pinwright.records.document import SEAL, NotGenuine, open_sealed
from pinwright.records.entries import check_serial
from pinwright.records.forms import (
    NUMBER,
    NUMBER_OR_NULL,
    TEXT,
    TEXT_OR_NULL,
    WHOLE,
    check_form,
    check_moment,
    check_sha256,
)
from pinwright.records.rows import LARGEST_COUNT
from pinwright.records.scan_document import (
    RECORD_SCHEMA,
    SCAN_SCHEMA,
    facts_members,
    lane_members,
    limits_members,
    own_members,
    readings_in,
)
from pinwright.tester.fixture import Placement
from pinwright.tester.measurement import Evidence, Measurement
from pinwright.tester.ohmmeter import Ohmmeter, Readings
from pinwright.tester.parts import rounds, to_be_high
from pinwright.verdict.conductors import shared_conductors
from pinwright.verdict.facts import Facts, compare
from pinwright.verdict.resistances import Resistances, resistances
from pinwright.verdict.words import Finding, are_about

FACTS = ("nets", "missing", "extra", "doubtful", "links", "leaks")
MOST_BYTES = 16_000_000  # of a record or a page: a profile's file of the largest size, several times over
_OWN_READINGS = {"zero": WHOLE, "supply": WHOLE, "sensor": WHOLE, "references": [WHOLE]}
_LONG_CHECK_OR_NULL = (
    type(None),
    {"made": TEXT, "passed": (bool,), "measured": (bool,), "sockets": [TEXT]},
)
# The members that lists and pages show, and what they may be.
_FORM: Mapping[str, Any] = {
    "schema": TEXT,
    "serial": TEXT,
    "test": WHOLE,
    "profile_text": TEXT,
    "decision": TEXT,
    "method": TEXT,
    "not_measured": [TEXT],
    "conductors_not_proven_singly": WHOLE,
    "limits": {
        "max_ohms": NUMBER,
        "checked": (bool,),
        "by_hand?": (bool,),
        "expected_ohms?": NUMBER_OR_NULL,
    },
    "host": TEXT,
    "previous?": {"number": TEXT, "sha256": TEXT},
    "batch?": MEMBER_FORM,
    "evidence": {
        "points": {"*": TEXT},
        "seen": TEXT,
        "joined": TEXT,
        "doubtful": TEXT,
        "apart": TEXT,
        "unexplained": TEXT,
        "group": TEXT,
        "lane?": {
            "before": _OWN_READINGS,
            "after": _OWN_READINGS,
            "parts": TEXT,
            "high": TEXT,
            "leak": TEXT,
            "across": TEXT,
            "near?": TEXT,
            "calibration": TEXT_OR_NULL,
        },
    },
    "scan": {
        "schema": TEXT,
        "profile": {"id": TEXT, "title": TEXT, "revision": TEXT, "sha256": TEXT},
        "operator": TEXT_OR_NULL,
        "started": TEXT,
        "elapsed_ms": WHOLE,
        "nets": [[TEXT]],
        "doubtful": [[TEXT]],
        "findings": [{"kind": TEXT, "text": TEXT, "pins": [TEXT], "remedy": TEXT}],
        "tester": {
            "kind": TEXT,
            "firmware": TEXT,
            "id": TEXT,
            "name?": TEXT_OR_NULL,
            "fixture?": TEXT_OR_NULL,
            "points": WHOLE,
            "lane": TEXT,
            "self_check": TEXT,
            "calibrated?": TEXT_OR_NULL,
            "celsius?": NUMBER_OR_NULL,
            "references_ohms?": NUMBER_OR_NULL,
            "long_check?": _LONG_CHECK_OR_NULL,
        },
        "sockets": {"*": TEXT},
        "adapters?": {"*": TEXT_OR_NULL},
    },
}
_KIND_OF_FINDING = re.compile(r"[a-z][a-z_-]{0,31}")  # later versions may know more of them
_POSITION = re.compile(r"@[A-Za-z0-9_-]{1,16}\.[0-9]{1,4}")  # a position of the tester that no end occupies
_BYTE_ORDER_MARK = "\ufeff"  # what a profile's file may begin with; its text is kept without


@dataclass(frozen=True, slots=True)
class Record:
    """One test of one cable.

    data: the record's bytes. doc: what they say. profile: with the limits that count. facts: as its nets and
    readings show them. meter: what made ohms of its readings; None where it has none.
    """

    data: bytes
    doc: Mapping[str, Any]
    profile: Profile
    facts: Facts
    findings: tuple[Finding, ...]
    meter: Ohmmeter | None

    @property
    def scan(self) -> Mapping[str, Any]:
        scan: Mapping[str, Any] = self.doc["scan"]
        return scan

    @property
    def number(self) -> str:
        """`HL40-0001.test-2`: the serial and the how-manieth test of it."""
        return str(self.doc["number"])

    @property
    def sha256(self) -> str:
        return str(self.doc[SEAL])

    @property
    def passed(self) -> bool:
        return self.facts.passed

    @property
    def simulated(self) -> bool:
        """No cable was tested."""
        return bool(self.scan["tester"]["kind"] == "virtual")


def read_record(data: bytes, profile_of: Callable[[str], Profile]) -> Record:
    """The record in these bytes. profile_of: makes a profile of its text, or raises ProfileError.

    Raises NotGenuine where the seal is broken, something is missing, or one part of it contradicts another:
    a verdict that does not follow from the nets, nets that do not follow from what the board saw.
    """
    doc = open_sealed(data)
    try:
        return _read(data, doc, profile_of)
    except NotGenuine:
        raise
    except ProfileError as error:
        raise NotGenuine(f"the profile in it is refused: {error.problem}") from None
    except (SelfCheckFailed, Disagreement) as error:
        raise NotGenuine(f"its readings of resistance cannot be trusted: {error.message}") from None
    except (KeyError, TypeError, ValueError, OverflowError, IndexError, SerialError, OwnBug):
        raise NotGenuine("it lacks what a record of a test holds, or holds it in another form") from None


def bytes_of(path: Path) -> bytes:
    """What is in a file that may be a record or a page. Raises OSError, also for what can be neither: a pipe
    or a device, which may never end, and what is too large."""
    with open_regular(path) as file:
        data = file.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise OSError(errno.EFBIG, f"it is larger than {MOST_BYTES} bytes, which no record or page is")
    return data


def open_regular(path: Path) -> IO[bytes]:
    """A file to read. Raises OSError, also for a pipe or a device, which may never answer."""
    if not is_regular(path):
        raise OSError(errno.EINVAL, "it is no regular file")
    return path.open("rb")


def is_regular(path: Path) -> bool:
    """Whether it is a file that lies on a disk. Raises OSError where nothing is there."""
    return stat.S_ISREG(path.stat().st_mode)


def _read(data: bytes, doc: Mapping[str, Any], profile_of: Callable[[str], Profile]) -> Record:
    if doc["schema"] != RECORD_SCHEMA or doc["scan"]["schema"] != SCAN_SCHEMA:
        raise NotGenuine(f"it is no record that this version reads: its schema is not `{RECORD_SCHEMA}`")
    check_form(doc, _FORM)
    scan, text = doc["scan"], doc["profile_text"]
    _check_values(doc, scan)
    hashes = {hashlib.sha256(start + text.encode()).hexdigest() for start in (b"", _BYTE_ORDER_MARK.encode())}
    profile = profile_of(text)
    own = frozenset(profile.pins())
    nets = tuple(tuple(_pin(name, own) for name in piece) for piece in scan["nets"])
    doubtful = tuple((_pin(one, own), _pin(other, own)) for one, other in scan["doubtful"])
    limits = doc["limits"]
    if limits.get("by_hand"):
        profile = profile.with_max_ohms(limits["max_ohms"])
    evidence, placement = _evidence(doc)
    readings = _readings(doc, evidence)
    facts = compare(profile, Measurement(own.union(*nets, *doubtful), nets, doubtful))
    if readings:
        facts = replace(facts, resistances=_resistances(profile, evidence, placement, readings))
    if facts.unsure and not (facts.missing or facts.extra):
        raise NotGenuine("it rests on contacts in doubt, with which no scan comes to a verdict")
    kind, verdict = ("certificate", "pass") if facts.passed else ("report", "fail")
    number = f"{doc['serial']}.test-{doc['test']}"
    named = {"id": profile.id, "title": profile.title, "revision": profile.revision}
    for member, expected, seen in (
        ("its verdict does not follow from its nets", verdict, scan["verdict"]),
        ("its kind does not follow from its nets", kind, doc["kind"]),
        ("its facts do not follow from its nets", facts_members(facts), {key: scan[key] for key in FACTS}),
        *_of_readings(doc, profile, readings),
        ("its number is not that of its serial and test", number, doc["number"]),
        ("the serial of its scan is another", doc["serial"], scan["serial"]),
        (
            "its number of conductors that are not proven singly does not follow from its nets",
            shared_conductors(facts.nets),
            doc["conductors_not_proven_singly"],
        ),
        (
            "its profile is another than the one tested against",
            named,
            {key: scan["profile"][key] for key in named},
        ),
    ):
        if expected != seen:
            raise NotGenuine(member)
    seen = compare(profile, evidence.measurement(placement))
    if facts_members(replace(seen, resistances=facts.resistances)) != facts_members(facts):
        raise NotGenuine("its nets do not follow from its evidence")
    if scan["profile"]["sha256"] not in hashes:
        raise NotGenuine("its profile has not the SHA-256 that it gives")
    findings = tuple(
        Finding(told["kind"], told["text"], tuple(_pin(name, own) for name in told["pins"]), told["remedy"])
        for told in scan["findings"]
    )
    if not are_about(findings, facts):
        raise NotGenuine("its findings are not about its facts")
    meter = Ohmmeter(readings.before, readings.after, readings.calibration) if readings else None
    return Record(data, doc, profile, facts, findings, meter)


def _evidence(doc: Mapping[str, Any]) -> tuple[Evidence, Placement]:
    """What the board saw, point by point, and which pin was where. Raises ValueError or OwnBug where it is no
    evidence."""
    kept, points = doc["evidence"], doc["scan"]["tester"]["points"]
    pin_of = {int(point): parse_pin(pin) for point, pin in kept["points"].items()}
    if not all(0 <= point < points for point in pin_of):
        raise ValueError
    matrices = ("seen", "joined", "doubtful", "apart", "unexplained", "group")
    evidence = Evidence(points, *(bytes.fromhex(kept[name]) for name in matrices))
    return evidence, Placement({}, {}, pin_of, {pin: point for point, pin in pin_of.items()})


def _readings(doc: Mapping[str, Any], evidence: Evidence) -> Readings | None:
    """What the lane read, if the tester has one. Raises ValueError where it is none of as many points, or is
    written otherwise than it would be."""
    kept = doc["evidence"].get("lane")
    if kept is None:
        return None
    readings = readings_in(kept)
    tables: list[Collection[object]] = [readings.parts, readings.high, readings.leak, readings.across]
    if readings.calibration:
        tables.append(readings.calibration.high_ohms)
    if any(len(table) != evidence.points for table in tables) or lane_members(readings) != kept:
        raise ValueError
    return readings


def _resistances(
    profile: Profile, evidence: Evidence, placement: Placement, readings: Readings
) -> Resistances:
    """Links and leaks anew, from what the lane read. Raises NotGenuine where it read what nobody asks for."""
    high = to_be_high(readings.parts)
    lowest = {readings.parts.index(part) for part in set(readings.parts) - {0}}
    far = {end for one in rounds(readings.parts) for _, end in one.pairs}
    for point in range(evidence.points):
        asked = bool(high >> point & 1), point in lowest, point in far
        if asked != tuple(told[point] != 0 for told in (readings.high, readings.leak, readings.across)):
            raise NotGenuine("its readings of resistance are not those that its nets ask for")
    return resistances(profile, evidence, placement, readings)


def _of_readings(
    doc: Mapping[str, Any], profile: Profile, readings: Readings | None
) -> list[tuple[str, object, object]]:
    """What is wrong unless two things are equal, of all that follows from readings or from having none."""
    tester, limits = doc["scan"]["tester"], doc["limits"]
    lane = "none" if readings is None else "calibrated" if readings.calibration else "uncalibrated"
    follows: list[tuple[str, object, object]] = [
        (
            "whether its limits were checked does not fit its readings",
            readings is not None,
            limits["checked"],
        ),
        ("whether its tester measures ohms does not fit its readings", lane, tester["lane"]),
    ]
    if readings or "by_hand" in limits:
        told = limits_members(profile, by_hand=limits["by_hand"], checked=readings is not None)
        follows.append(("its limits are not those that count", told, limits))
    if readings or "calibrated" in tester:
        own = own_members(readings)
        seen = {key: tester[key] for key in own}
        follows.append(("what its tester says of itself does not follow from its readings", own, seen))
    return follows


def _check_values(doc: Mapping[str, Any], scan: Mapping[str, Any]) -> None:
    """Raises ValueError or SerialError where a value is none that a scan gives."""
    check_serial(doc["serial"])
    check = scan["tester"].get("long_check")
    for moment in (scan["started"], *([check["made"]] if check else [])):
        check_moment(moment)
    if (
        not 1 <= doc["test"] <= LARGEST_COUNT
        or (check and not check["passed"])  # a tester that failed its own makes no scan
        or scan["elapsed_ms"] < 0
        or scan["tester"]["kind"] not in ("board", "virtual")
        or scan["tester"]["self_check"] != "pass"
        or not all(_KIND_OF_FINDING.fullmatch(finding["kind"]) for finding in scan["findings"])
    ):
        raise ValueError
    if "batch" in doc:
        check_member(doc["batch"])
    if "previous" in doc:
        _check_previous(doc)


def _check_previous(doc: Mapping[str, Any]) -> None:
    """Raises ValueError where what it names is no earlier test of the same cable."""
    serial, _, test = doc["previous"]["number"].rpartition(".test-")
    check_sha256(doc["previous"][SEAL])
    earlier = re.fullmatch("[1-9][0-9]{0,8}", test) and int(test) < doc["test"]
    if serial.casefold() != doc["serial"].casefold() or not earlier:
        raise ValueError


def _pin(name: str, own: Collection[Pin]) -> Pin:
    """A pin of the cable, or a position of the tester that no end occupies. Raises ValueError."""
    pin = parse_pin(name)
    if pin not in own and not _POSITION.fullmatch(name):
        raise ValueError
    return pin
