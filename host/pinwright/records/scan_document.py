"""One scan as a JSON document, `pinwright/scan-1`, and the record that keeps it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import Profile
from pinwright.tester.session import Scan
from pinwright.verdict.conductors import shared_conductors
from pinwright.verdict.facts import Facts, compare
from pinwright.verdict.findings import Finding

SCAN_SCHEMA = "pinwright/scan-1"
RECORD_SCHEMA = "pinwright/record-1"

DECISION = (
    "PASS means that every net of the profile was found in one piece with nothing else joined to it, that "
    "the tester passed its self-check and no wrong adapter was noticed, and that board and program, each "
    "judging by itself, agree; a contact that conducts in some looks only counts against the cable."
)
METHOD = (
    "Continuity at no more than 3.3 V DC: every pin was pulled low in turn while all others were watched, "
    "then each group of eight against all the rest, and large nets once more in parts; every contact was "
    "looked at from both ends."
)
SIMULATED = "No cable was tested: the tester and the cable were simulated."
NOT_MEASURED = (
    "The resistance of joints was not measured: a joint of some tens of kilohms may count as connected.",
    "A few volts show continuity and low-voltage shorts only; nothing is said of insulation or high voltage.",
    "Conductors joined at both ends are not proven one by one.",
    "A contact that comes and goes is found only if it is open in one of the few brief looks at it.",
    "A point of the tester that is cut off from its socket, and two points of one net that are joined inside "
    "the tester, look like a good or a bad cable: the self-check cannot find them.",
    "No accreditation, and no conformity to any standard, is claimed.",
)


@dataclass(frozen=True, slots=True)
class Subject:
    """What a scan is a scan of. profile_text, profile_sha256: the profile's file as it was read."""

    profile: Profile
    profile_text: str
    profile_sha256: str
    operator: str | None
    started: datetime
    elapsed_ms: int
    virtual: bool
    max_ohms: float


_PLACES = ("certificate", "report", "documents")  # members of a scan's document that a record has not


def rfc3339(moment: datetime) -> str:
    """`2026-03-01T09:30:00Z`. Source: RFC 3339, section 5.6."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def names(pins: Iterable[Pin]) -> list[str]:
    """Pins as text, in the order given."""
    return [str(pin) for pin in pins]


def facts_members(facts: Facts) -> dict[str, object]:
    """The members `nets`, `missing`, `extra` and `doubtful` of a scan's document."""
    return {
        "nets": [names(piece) for piece in facts.nets],
        "missing": [
            {"signal": fact.net.signal, "pieces": [names(piece) for piece in fact.pieces]}
            for fact in facts.missing
        ],
        "extra": [
            {"pins": names(fact.pins), "signals": [net.signal for net in fact.nets if net.signal]}
            for fact in facts.extra
        ],
        "doubtful": [names(pair) for pair in facts.doubtful],
    }


def scan_document(
    subject: Subject, scan: Scan, facts: Facts, findings: Sequence[Finding], serial: str | None
) -> dict[str, object]:
    """The document `pinwright/scan-1`; where it is saved, and what is drawn from it, adds who saves it."""
    profile = subject.profile
    return {
        "schema": SCAN_SCHEMA,
        "verdict": "pass" if facts.passed else "fail",
        "profile": {
            "id": profile.id,
            "title": profile.title,
            "revision": profile.revision,
            "sha256": subject.profile_sha256,
        },
        "serial": serial,
        "operator": subject.operator,
        "started": rfc3339(subject.started),
        "elapsed_ms": subject.elapsed_ms,
        **facts_members(facts),
        "links": [],
        "leaks": [],
        "findings": [
            {
                "kind": finding.kind,
                "text": finding.text,
                "pins": names(finding.pins),
                "remedy": finding.remedy,
            }
            for finding in findings
        ],
        "tester": {
            "kind": "virtual" if subject.virtual else "board",
            "firmware": scan.hello.firmware,
            "id": scan.hello.id,
            "name": scan.hello.name or None,
            "fixture": scan.hello.fixture,
            "points": scan.hello.points,
            "lane": scan.hello.lane,
            "self_check": "pass",
        },
        "sockets": dict(scan.placement.sockets),
        "adapters": {end: adapter or None for end, adapter in scan.placement.adapters.items()},
        "timings_us": {key[:-3]: value for key, value in scan.counts.items() if key.endswith("_us")},
        "counts": {key: value for key, value in scan.counts.items() if not key.endswith("_us")},
        "certificate": None,
        "report": None,
        "documents": {},
    }


def record_document(
    subject: Subject, scan: Scan, document: Mapping[str, object], serial: str, test: int, host: str
) -> dict[str, object]:
    """What is kept of a scan: the scan, what it rests on, and what it does not say. Not yet sealed.

    evidence.marks: what the adapters join themselves, as positions of sockets; found to be so.
    """
    evidence = scan.evidence
    facts = compare(subject.profile, evidence.measurement(scan.placement))
    passed = document["verdict"] == "pass"
    return {
        "schema": RECORD_SCHEMA,
        "kind": "certificate" if passed else "report",
        "number": f"{serial}.test-{test}",
        "serial": serial,
        "test": test,
        "scan": {key: value for key, value in document.items() if key not in _PLACES} | {"serial": serial},
        "decision": DECISION,
        "method": METHOD,
        "not_measured": [*([SIMULATED] if subject.virtual else []), *NOT_MEASURED],
        "conductors_not_proven_singly": shared_conductors(facts.nets),
        "limits": {"max_ohms": subject.max_ohms, "checked": False},
        "profile_text": subject.profile_text,
        "evidence": {
            "points": {
                str(point): str(pin)
                for point, pin in sorted(scan.placement.pin_of.items(), key=lambda item: in_order(item[1]))
            },
            "marks": [[scan.fixture.name_of(point) for point in group] for group in scan.placement.marks],
            "seen": evidence.seen.hex(),
            "joined": evidence.joined.hex(),
            "doubtful": evidence.doubtful.hex(),
            "apart": evidence.apart.hex(),
            "unexplained": evidence.unexplained.hex(),
            "group": evidence.group.hex(),
        },
        "host": host,
    }
