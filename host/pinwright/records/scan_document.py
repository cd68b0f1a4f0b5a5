"""One scan as a JSON document, `pinwright/scan-1`, and the record that keeps it."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import Profile
from pinwright.cable.wire import expected_ohms
from pinwright.tester.calibration import Calibration, rfc3339
from pinwright.tester.ohmmeter import Lane, Ohmmeter, Readings
from pinwright.tester.session import Scan
from pinwright.verdict.conductors import shared_conductors
from pinwright.verdict.facts import Facts
from pinwright.verdict.fitness import Fitness
from pinwright.verdict.resistances import TOLD_BELOW_OHMS, link_limit, ohms_text, rule
from pinwright.verdict.words import Finding

OLD_CALIBRATION = timedelta(days=365)  # common practice, no source
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
METHOD_OHMS = (
    " Resistance at no more than 5 mA: every connected pin was driven high in turn, all others low, and the "
    "current read; in larger nets also from one pin to each other by itself; then each net against "
    "everything else, for leaks."
)
SIMULATED = "No cable was tested: the tester and the cable were simulated."
_JOINTS = {
    "none": "The resistance of joints was not measured: a joint of some tens of kilohms may count as "
    "connected.",
    "uncalibrated": "Joints were checked coarsely, by a tester without a calibration: a bad one of up to "
    "some 150 Ω may count as good.",
    "calibrated": "A joint was measured as it was for a moment, at a small current: what it does when it is "
    "bent, or warm, or carries more, is not known.",
}
_TELLS_NOTHING = (
    "A few volts show continuity and low-voltage shorts only; nothing is said of insulation or high voltage.",
    "Conductors joined at both ends are not proven one by one.",
    "A contact that comes and goes is found only if it is open in one of the few brief looks at it.",
)
_ONLY_A_LONG_CHECK = (
    "A point of the tester that is cut off from its socket, and two points of one net that are joined inside "
    "the tester, look like a good or a bad cable: only a long check of the tester finds them"
)
_NO_ACCREDITATION = "No accreditation, and no conformity to any standard, is claimed."


@dataclass(frozen=True, slots=True)
class Subject:
    """What a scan is a scan of. profile_text, profile_sha256: the profile's file as it was read.

    max_ohms: the limit of links; by_hand: it was given at the command line, and counts for every link.
    """

    profile: Profile
    profile_text: str
    profile_sha256: str
    operator: str | None
    started: datetime
    elapsed_ms: int
    virtual: bool
    max_ohms: float
    by_hand: bool = False

    @property
    def judged(self) -> Profile:
        """The profile with the limits that count."""
        return self.profile.with_max_ohms(self.max_ohms) if self.by_hand else self.profile


# Members of a scan's document that a record has not: where it is kept, and what follows from the facts.
_NOT_KEPT = ("certificate", "report", "documents", "ribbon", "serves")


def names(pins: Iterable[Pin]) -> list[str]:
    """Pins as text, in the order given."""
    return [str(pin) for pin in pins]


def facts_members(facts: Facts) -> dict[str, object]:
    """The members `nets`, `missing`, `extra`, `doubtful`, `links` and `leaks` of a scan's document."""
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
        "links": [
            {
                "from": str(link.start),
                "to": names(link.to),
                "ohms": round(link.ohms, 2),
                "uncertainty": round(link.uncertainty, 1),
                "limit": round(link.limit, 1),
                "over_median": None if link.over_median is None else round(link.over_median, 2),
                "ok": link.ok,
            }
            for link in facts.links
        ],
        "leaks": [
            {"pins": names(leak.pins), "ohms": round(leak.ohms), "limit": leak.limit, "ok": leak.ok}
            for leak in facts.leaks
        ],
    }


def ribbon_members(ribbon: Fitness | None) -> dict[str, object]:
    """The members `ribbon` and `serves` of what is said of raw material; none for everything else."""
    if ribbon is None:
        return {}
    return {
        "ribbon": {
            "conductors": ribbon.conductors,
            "fit": len(ribbon.fit),
            "flaws": [
                {
                    "state": flaw.state,
                    "conductors": list(flaw.conductors),
                    "pins": names(flaw.pins),
                    "text": flaw.text,
                }
                for flaw in ribbon.flaws
            ],
        },
        "serves": [
            {
                "id": lead.id,
                "title": lead.title,
                "serves": bool(lead.ends),
                "ends": list(lead.ends),
                "why_not": list(lead.why_not),
            }
            for lead in ribbon.leads
        ],
    }


def scan_document(
    subject: Subject,
    scan: Scan,
    facts: Facts,
    findings: Sequence[Finding],
    serial: str | None,
    ribbon: Fitness | None = None,
) -> dict[str, object]:
    """The document `pinwright/scan-1`; where it is saved, and what is drawn from it, adds who saves it.
    ribbon: what raw material is good for."""
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
        "findings": [
            {
                "kind": finding.kind,
                "text": finding.text,
                "pins": names(finding.pins),
                "remedy": finding.remedy,
            }
            for finding in findings
        ],
        **ribbon_members(ribbon),
        "tester": {
            "kind": "virtual" if subject.virtual else "board",
            "firmware": scan.hello.firmware,
            "id": scan.hello.id,
            "name": scan.hello.name or None,
            "fixture": scan.hello.fixture,
            "points": scan.hello.points,
            "lane": scan.hello.lane,
            "self_check": "pass",
            **_conscience(scan),
        },
        "sockets": dict(scan.placement.sockets),
        "adapters": {end: adapter or None for end, adapter in scan.placement.adapters.items()},
        "timings_us": {key[:-3]: value for key, value in scan.counts.items() if key.endswith("_us")},
        "counts": {key: value for key, value in scan.counts.items() if not key.endswith("_us")},
        "certificate": None,
        "report": None,
        "documents": {},
    }


def _conscience(scan: Scan) -> dict[str, object]:
    """What the tester knew of itself: calibration, long check, and what its references read."""
    check = scan.long_check
    return {
        **own_members(scan.readings),
        "long_check": check
        and {
            "made": rfc3339(check.made),
            "passed": check.passed,
            "measured": check.measured,
            "sockets": list(check.sockets),
        },
    }


def own_members(readings: Readings | None) -> dict[str, object]:
    """The members `calibrated`, `celsius` and `references_ohms` of a scan's tester."""
    if readings is None:
        return {"calibrated": None, "celsius": None, "references_ohms": None}
    calibration = readings.calibration
    meter = Ohmmeter(readings.before, readings.after, calibration)
    references = meter.references_ohms
    return {
        "calibrated": rfc3339(calibration.made) if calibration else None,
        "celsius": round(meter.celsius, 1),
        "references_ohms": None if references is None else round(references, 2),
    }


def limits_members(profile: Profile, *, by_hand: bool, checked: bool) -> dict[str, object]:
    """The member `limits` of a record. profile: with the limits that count."""
    return {
        "max_ohms": profile.max_ohms,
        "by_hand": by_hand,
        "checked": checked,
        "expected_ohms": _rounded(expected_ohms(profile.length_mm, profile.wire)),
    }


def not_measured(subject: Subject, scan: Scan, facts: Facts) -> list[str]:
    """What the test does not say."""
    check, told = scan.long_check, [SIMULATED] if subject.virtual else []
    told.append(_JOINTS[scan.hello.lane])
    told += [f"{text[0].upper()}{text[1:]}." for text in remarks(subject, scan, facts)]
    told += _TELLS_NOTHING
    last = f"; this one passed its last on {rfc3339(check.made)}." if check else "; this one has had none."
    return [*told, _ONLY_A_LONG_CHECK + last, _NO_ACCREDITATION]


def old_calibration(subject: Subject, scan: Scan) -> str:
    """A sentence where the tester was calibrated, and its empty sockets measured, long ago; else nothing."""
    calibration = scan.readings.calibration if scan.readings else None
    if calibration is None or subject.started - calibration.made <= OLD_CALIBRATION:
        return ""
    return (
        f"the tester was calibrated more than {OLD_CALIBRATION.days} days before, on "
        f"{rfc3339(calibration.made)}: what its sockets leak by themselves may have changed since"
    )


def limits_below_uncertainty(subject: Subject, scan: Scan) -> str:
    """A sentence where limits are so low that readings a little above them count as good; else nothing."""
    if scan.readings is None:
        return ""
    profile = subject.judged
    limits = {"every link": profile.max_ohms}
    limits |= {name: limit.max_ohms for name, limit in profile.limits.items()}
    if scan.readings.calibration is None:
        coarse = link_limit(profile.max_ohms, False, 0.0)
        return f"links were held against {coarse:g} Ω, not against the profile's limits"
    meter = Ohmmeter(scan.readings.before, scan.readings.after, scan.readings.calibration)
    uncertainty = meter.uncertainty(0)
    low = ", ".join(f"{name} {ohms:g} Ω" for name, ohms in limits.items() if ohms < uncertainty)
    return low and (
        f"a limit below the uncertainty of {uncertainty:.1f} Ω is checked by itself only as far as limit and "
        f"uncertainty together: {low}"
    )


def above_their_limits(facts: Facts) -> str:
    """A sentence where links read more than their limit, by less than their uncertainty; else nothing."""
    above = [link for link in facts.links if link.ok and link.ohms > link.limit]
    if not above:
        return ""
    worst = max(above, key=lambda link: link.ohms - link.limit)
    some = "one link reads" if len(above) == 1 else f"{len(above)} links read"
    return (
        f"{some} more than the limit, by less than the uncertainty: {worst.start} {ohms_text(worst.ohms)}, "
        f"where {ohms_text(worst.limit)} may be"
    )


def leak_limits_too_high(subject: Subject, scan: Scan) -> str:
    """A sentence where a limit of leaks is more than the tester can tell from nothing; else nothing."""
    profile = subject.judged
    limits = [profile.min_leak_ohms, *(limit.min_leak_ohms for limit in profile.limits.values())]
    if scan.readings is None or max(limits) <= TOLD_BELOW_OHMS:
        return ""
    return f"a leak limit of {ohms_text(max(limits))} is more than the tester can tell for sure: 1 MΩ is"


def remarks(subject: Subject, scan: Scan, facts: Facts) -> list[str]:
    """What a person should know of the ohms before believing a pass, in sentences without a full stop."""
    told = (
        old_calibration(subject, scan),
        limits_below_uncertainty(subject, scan),
        above_their_limits(facts),
        leak_limits_too_high(subject, scan),
    )
    return [text for text in told if text]


def record_document(
    subject: Subject,
    scan: Scan,
    facts: Facts,
    document: Mapping[str, object],
    serial: str,
    test: int,
    host: str,
    batch: Mapping[str, object] | None = None,
) -> dict[str, object]:
    """What is kept of a scan: the scan, what it rests on, and what it does not say. Not yet sealed.

    facts, document: of this scan. batch: what batches.batch_member makes, of a cable tested in one.
    evidence.marks: what the adapters join themselves, as positions of sockets; found to be so.
    """
    evidence, readings = scan.evidence, scan.readings
    passed = document["verdict"] == "pass"
    calibrated = readings is not None and readings.calibration is not None
    return {
        "schema": RECORD_SCHEMA,
        "kind": "certificate" if passed else "report",
        "number": f"{serial}.test-{test}",
        "serial": serial,
        "test": test,
        **({} if batch is None else {"batch": dict(batch)}),
        "scan": {key: value for key, value in document.items() if key not in _NOT_KEPT} | {"serial": serial},
        "decision": DECISION if readings is None else f"{DECISION} {rule(calibrated, len(facts.links))}",
        "method": METHOD if readings is None else METHOD + METHOD_OHMS,
        "not_measured": not_measured(subject, scan, facts),
        "conductors_not_proven_singly": shared_conductors(facts.nets),
        "limits": limits_members(subject.judged, by_hand=subject.by_hand, checked=readings is not None),
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
            **({"lane": lane_members(readings)} if readings else {}),
        },
        "host": host,
    }


def _rounded(ohms: float | None) -> float | None:
    return None if ohms is None else round(ohms, 3)


def lane_members(readings: Readings) -> dict[str, object]:
    """What the lane read, as the board gave it: two bytes a reading, high byte first."""
    return {
        "before": _own(readings.before),
        "after": _own(readings.after),
        "parts": readings.parts.hex(),
        "high": _packed(readings.high),
        "leak": _packed(readings.leak),
        "across": _packed(readings.across),
        **({} if readings.near is None else {"near": _packed([n for told in readings.near for n in told])}),
        "calibration": readings.calibration.to_bytes().decode() if readings.calibration else None,
    }


def _own(lane: Lane) -> dict[str, object]:
    return {
        "zero": lane.zero,
        "supply": lane.supply,
        "sensor": lane.sensor,
        "references": list(lane.references),
    }


def _packed(numbers: Sequence[int]) -> str:
    return struct.pack(f">{len(numbers)}H", *numbers).hex()


def readings_in(kept: Mapping[str, Any]) -> Readings:
    """What `lane_members` made. Raises TypeError, KeyError or ValueError where it is something else."""

    def own(name: str) -> Lane:
        told = kept[name]
        return Lane(told["zero"], told["supply"], told["sensor"], tuple(told["references"]))

    def unpacked(text: str) -> tuple[int, ...]:
        data = bytes.fromhex(text)
        if len(data) % 2:
            raise ValueError("half a reading")
        return struct.unpack(f">{len(data) // 2}H", data)

    near = unpacked(kept["near"]) if "near" in kept else None
    if near and len(near) % 3:
        raise ValueError("half a question")
    return Readings(
        own("before"),
        own("after"),
        bytes.fromhex(kept["parts"]),
        unpacked(kept["high"]),
        unpacked(kept["leak"]),
        unpacked(kept["across"]),
        Calibration.from_bytes(kept["calibration"].encode()) if kept["calibration"] is not None else None,
        None if near is None else tuple(zip(near[::3], near[1::3], near[2::3], strict=True)),
    )
