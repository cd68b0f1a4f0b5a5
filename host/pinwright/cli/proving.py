"""Proving a cable and keeping what was found: what `scan` does once, and `batch` again and again.

The one way to exit status 0 of either is `Proof.status`.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from pinwright import __version__
from pinwright.cable.profile import Profile
from pinwright.cli.ports import Workshop, sockets_by_hand
from pinwright.errors import OwnBug, UsageError
from pinwright.library import LoadedProfile, library_folders, library_profiles, profile_of
from pinwright.link import Line, drive
from pinwright.records.batches import MOST_OPERATOR
from pinwright.records.record import read_record
from pinwright.records.remarks import check_words
from pinwright.records.scan_document import (
    Subject,
    record_document,
    remarks,
    scan_document,
)
from pinwright.records.store import Expect, Saved, Store
from pinwright.sheets.sketch import Sketch, sketch
from pinwright.terminal import say, show_scan
from pinwright.tester.adapter import GENERIC
from pinwright.tester.calibration import rfc3339
from pinwright.tester.fixture import places_beside
from pinwright.tester.session import Scan, Session
from pinwright.tester.session import show as show_verdict
from pinwright.verdict.agreement import decide
from pinwright.verdict.conductors import shared_conductors
from pinwright.verdict.facts import Facts
from pinwright.verdict.findings import explain, explain_plainly
from pinwright.verdict.fitness import Fitness, fitness, is_raw
from pinwright.verdict.sockets import Misplugged, misplugged
from pinwright.verdict.words import Finding

# What the options mean


def add_conditions(parser: argparse.ArgumentParser) -> None:
    """The options that say how a cable is proven, and where that is kept."""
    parser.add_argument("--operator", metavar="TEXT", help="who tests, for the record")
    parser.add_argument(
        "--records", metavar="PLACE", type=_folder, help="folder of the records (default: your data folder)"
    )
    parser.add_argument(
        "--at",
        metavar="A=J1",
        nargs="+",
        action="extend",
        default=[],
        help="put an end into a socket by hand",
    )
    parser.add_argument(
        "--max-ohms", metavar="X", help="limit for every link, where the tester measures ohms"
    )
    parser.add_argument(
        "--max-check-age",
        metavar="DAYS",
        help="refuse where the tester's last long check is older, or where it has had none",
    )


def name_of_profile(arguments: argparse.Namespace) -> str | None:
    """PROFILE, wherever it was written."""
    name: str | None = arguments.profile
    if name is None and arguments.at and "=" not in arguments.at[-1]:
        name = arguments.at.pop()  # `--at A=J1 PROFILE`: it took all the words
    return name


def job_of(arguments: argparse.Namespace, loaded: LoadedProfile) -> Job:
    """What the options ask for. Raises UsageError."""
    by_hand = sockets_by_hand(arguments.at)
    max_ohms = _max_ohms(arguments.max_ohms)
    checked_between = _checked_between(arguments.max_check_age)
    return Job(loaded, by_hand, max_ohms, checked_between, _operator(arguments.operator))


def _folder(text: str) -> Path:
    if not text:
        raise argparse.ArgumentTypeError("needs the name of a folder, not an empty word")
    return Path(text)


def _max_ohms(text: str | None) -> float | None:
    if text is None:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 < value <= 10_000:
        raise UsageError(f"`--max-ohms {text}` should be a number of ohms above 0, at most 10000")
    return value


def _checked_between(text: str | None) -> tuple[datetime, datetime] | None:
    """The moments between which the last long check has to be. A day more: two clocks are never the same."""
    if text is None:
        return None
    try:
        days = float(text)
    except ValueError:
        days = math.nan
    if not 0 <= days <= 36_500:
        raise UsageError(f"`--max-check-age {text}` should be a number of days, from 0 to 36500")
    now = datetime.now(UTC)
    return now - timedelta(days=days), now + timedelta(days=1)


def _operator(text: str | None) -> str | None:
    return None if text is None else check_words(text, "`--operator`", MOST_OPERATOR)


# Proving


@dataclass(frozen=True, slots=True)
class Job:
    """What a cable is to be proven against, and how.

    ohms_by_hand: the limit that was given at the command line, which counts for every link; None: none was.
    checked_between: as of Session.
    """

    loaded: LoadedProfile
    by_hand: Mapping[str, str]
    ohms_by_hand: float | None = None
    checked_between: tuple[datetime, datetime] | None = None
    operator: str | None = None

    @property
    def profile(self) -> Profile:
        """With the limits that count."""
        profile = self.loaded.profile
        return profile if self.ohms_by_hand is None else profile.with_max_ohms(self.ohms_by_hand)

    def session(self, workshop: Workshop) -> Session:
        """A scan that has not begun."""
        return Session(
            self.profile,
            workshop.fixtures,
            __version__,
            self.by_hand,
            workshop.adapters,
            self.checked_between,
        )

    def notes(self, lane: str) -> Iterator[str]:
        """What a person should know who reads no record, a line each. lane: of the tester, as of Hello."""
        if self.loaded.profile.to_confirm:
            count = len(self.loaded.profile.to_confirm)
            points = f"{count} point{'s' if count > 1 else ''} of this profile still to be confirmed"
            yield f"note: {points}; `pinwright profiles show` lists {'them' if count > 1 else 'it'}"
        if self.ohms_by_hand is not None and lane == "none":
            yield "note: this tester does not measure ohms; `--max-ohms` is written down but not checked"


@dataclass(slots=True)
class Test:
    """One test of one cable; it begins when this is made."""

    job: Job
    workshop: Workshop
    started: datetime = field(default_factory=lambda: datetime.now(UTC))
    _clock: float = field(default_factory=time.monotonic)

    def measured(self, line: Line) -> tuple[Scan, Facts]:
        """Scan what is plugged in, judge it, and light the lamp. Raises TesterError, PlacementError."""
        scan = drive(self.job.session(self.workshop).run(), line)
        facts = decide(self.job.profile, scan)
        drive(show_verdict(facts.passed), line)
        return scan, facts

    def proof(self, scan: Scan, facts: Facts, serial: str | None) -> Proof:
        """What is to be told and kept of it. serial: the cable's, where it is known already."""
        elapsed_ms = round((time.monotonic() - self._clock) * 1000)
        job, profile, adapters = self.job, self.job.profile, self.workshop.adapters
        bugs: list[tuple[str, Exception]] = []
        wrong_sockets = ribbon = None
        try:
            wrong_sockets = misplugged(profile, scan, facts, adapters)
            library = library_profiles(library_folders()) if is_raw(profile) or not facts.continuous else ()
            findings = explain(
                profile,
                facts,
                wrong_sockets,
                library=() if facts.continuous else library,
                beyond=places_beside(profile.ends, scan.fixture, scan.placement),
            )
            ribbon = fitness(profile, facts, findings, library)
        except Exception as error:
            bugs.append(("what happened to it cannot be told", error))
            wrong_sockets, findings = None, explain_plainly(facts)
        subject = Subject(
            job.loaded.profile,
            job.loaded.text,
            job.loaded.sha256,
            job.operator,
            self.started,
            elapsed_ms,
            scan.hello.simulated,
            profile.max_ohms,
            by_hand=job.ohms_by_hand is not None,
        )
        document = scan_document(subject, scan, facts, findings, serial, ribbon)
        return Proof(profile, subject, scan, facts, findings, document, wrong_sockets, ribbon, bugs)


@dataclass(slots=True)
class Proof:
    """A verdict, and all that goes with it. Only a scan that ran to its end has one.

    document: `pinwright/scan-1`. bugs: what cannot be done, and for which reason; the test is kept all the
    same.
    """

    profile: Profile
    subject: Subject
    scan: Scan
    facts: Facts
    findings: tuple[Finding, ...]
    document: dict[str, Any]
    wrong_sockets: Misplugged | None
    ribbon: Fitness | None
    bugs: list[tuple[str, Exception]]

    @property
    def verdict(self) -> str:
        """In words."""
        return "passed" if self.facts.passed else "FAILED"

    def save(
        self,
        store: Store,
        serial: str | None,
        *,
        again: bool,
        batch: Mapping[str, object] | None = None,
        expect: Expect | None = None,
    ) -> Saved:
        """Keep it. serial, again, expect: as of Store.save. batch: as of record_document. Raises
        RecordsError, SerialError."""
        saved = store.save(
            lambda serial, test: record_document(
                self.subject, self.scan, self.facts, self.document, serial, test, __version__, batch
            ),
            kind="certificate" if self.facts.passed else "report",
            serial=serial,
            pattern=self.profile.serial_for,
            again=again,
            draw=self._draw,
            expect=expect,
        )
        self.document["serial"] = saved.serial
        self.document["certificate" if self.facts.passed else "report"] = str(saved.path)
        self.document["documents"] = {kind: str(path) for kind, path in saved.documents.items()}
        return saved

    def _draw(self, record: bytes) -> Mapping[str, bytes]:
        """The documents of the record. A bug in the drawing must not cost the test its record."""
        try:
            from pinwright.sheets.documents import documents_of  # takes a moment: only who keeps one waits

            return documents_of(read_record(record, profile_of))
        except Exception as error:
            self.bugs.append(("its PDF and page cannot be drawn", error))
            return {}

    def show(self, saved: Saved | None, serial: str | None, *, verbose: bool) -> None:
        """For a person, on standard output. serial: where nothing was saved."""
        show_scan(
            self.profile,
            self.facts,
            self.findings,
            serial=saved.serial if saved else serial,
            tester=_tester(self.scan, self.subject),
            sockets=_sockets(self.profile, self.scan),
            caveats=self.caveats(),
            saved=self.kept(saved) if saved else None,
            verbose=verbose,
            as_plugged=self.wrong_sockets.facts if self.wrong_sockets else None,
            draw=self._picture,
            ribbon=self.ribbon,
        )

    def _picture(self, width: int, height: int, ascii: bool) -> Sketch:
        pins = [finding.pins for finding in self.findings]
        try:
            return sketch(self.profile, self.facts, pins, width, height, ascii)
        except Exception as error:
            self.bugs.append(("its picture cannot be drawn", error))
            return ()

    def status(self, saved: Saved | None) -> int:
        """The exit status: 0 where the cable passed, 1 where it failed.

        saved: its record; None where none was wanted.
        Raises OwnBug where there is a verdict, but not all that goes with it.
        """
        if self.bugs:
            what, why = self.bugs[0]
            where = f", its record is `{saved.path}`" if saved else ""
            raise OwnBug(f"the cable {self.verdict}{where}, but {what}") from why
        return 0 if self.facts.passed else 1

    def kept(self, saved: Saved) -> str:
        """What was kept, and where: the document for people, and what lies beside it."""
        simulated = self.subject.virtual
        what = "fault report" if not self.facts.passed else "specimen" if simulated else "certificate"
        if "pdf" not in saved.documents:
            return f"record: {saved.path}"
        return f"{what}: {saved.documents['pdf']} (.json and .html beside it)"

    def caveats(self) -> list[str]:
        """What a person should know before believing a pass."""
        subject, scan, facts = self.subject, self.scan, self.facts
        told = []
        if subject.virtual:
            told.append("the tester was a simulation: no cable was tested")
        if scan.readings is None:
            told.append(
                "continuity only: a joint of up to some tens of kilohms counts as good, and a leak may go "
                "unnoticed"
            )
        elif scan.readings.calibration is None:
            told.append("the tester is not calibrated: a joint of up to some 150 Ω may count as good")
        told += remarks(subject, scan, facts)
        unproven = shared_conductors(facts.nets)
        if unproven:
            told.append(f"{unproven} conductors are joined at both ends and not proven one by one")
        return told


def _sockets(profile: Profile, scan: Scan) -> str:
    return ", ".join(
        f"end {end} in {socket}{_by_adapter(scan.placement.adapters[end])}"
        for end, socket in scan.placement.sockets.items()
    )


def _by_adapter(adapter: str) -> str:
    """Nothing for what plugs straight in."""
    return {"": "", GENERIC: " by an adapter"}.get(adapter, f" by adapter {adapter}")


def _tester(scan: Scan, subject: Subject) -> str:
    hello = scan.hello
    named = f"{hello.name} ({hello.id})" if hello.name else hello.id
    what = "virtual tester" if subject.virtual else f"tester {named}"
    bus = "; its fast bus failed its test, the slow one is used" if hello.bus == "fallback" else ""
    return (
        f"{what}, firmware {hello.firmware}, {hello.points} points, self-check passed{bus}\n"
        f"{_conscience(scan)}"
    )


def _conscience(scan: Scan) -> str:
    """When it was calibrated, and when it had its last long check."""
    readings, check = scan.readings, scan.long_check
    if readings is None:
        lane = "no ohms lane"
    elif readings.calibration is None:
        lane = "not calibrated"
    else:
        lane = f"calibrated {rfc3339(readings.calibration.made)[:10]}"
    return f"{lane}, last long check {rfc3339(check.made)[:10] if check else 'never'}"


def hear(line: str) -> None:
    """What the board says besides its replies."""
    say(f"the board says: {line}")
