"""`pinwright scan`: prove one cable against its profile."""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pinwright import __version__
from pinwright.cable.profile import Profile
from pinwright.cable.tables import seen
from pinwright.cable.wiring import code_point
from pinwright.cli.ports import Workshop, is_virtual, opened, sockets_by_hand
from pinwright.errors import OwnBug, RecordsError, SerialError, UsageError
from pinwright.library import find_profile, library_folders, library_profiles, profile_of
from pinwright.link import Line, drive
from pinwright.records.record import bytes_of, read_record
from pinwright.records.scan_document import (
    Subject,
    record_document,
    remarks,
    scan_document,
)
from pinwright.records.store import Saved, Store, check_serial, default_place
from pinwright.sheets.sketch import Sketch, sketch
from pinwright.terminal import say, show_scan, show_text
from pinwright.tester.adapter import GENERIC
from pinwright.tester.calibration import rfc3339
from pinwright.tester.fixture import places_beside
from pinwright.tester.session import Scan, Session
from pinwright.tester.session import show as show_verdict
from pinwright.verdict.agreement import decide
from pinwright.verdict.conductors import shared_conductors
from pinwright.verdict.facts import Facts
from pinwright.verdict.findings import explain, explain_plainly
from pinwright.verdict.fitness import fitness, is_raw
from pinwright.verdict.sockets import misplugged

EPILOG = """\
PROFILE is a `.toml` file or the id of a profile in the library.
PORT is a serial port (`/dev/ttyACM0`, `COM5`, a pyserial URL), `sim` for the virtual tester with a good
cable, `sim:ID` with a good cable of another profile, or `sim:FILE` with what FILE says is plugged in.
Without it: the one board that answers.

Only unpowered cables, unplugged from everything but the tester.

example: pinwright scan lamp-changer-40 --port sim
"""
_MOST_OPERATOR = 80


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "Scan one cable, judge it against its profile, show it and record it."
    parser.epilog = EPILOG
    parser.add_argument("profile", metavar="PROFILE", nargs="?", help="what the cable should be")
    parser.add_argument("--port", metavar="PORT", help="where the tester is")
    parser.add_argument(
        "--serial", metavar="TEXT", help="the cable's serial number (default: the next of the profile)"
    )
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
    parser.add_argument("--again", action="store_true", help="test a cable that has a record once more")
    parser.add_argument("--no-certificate", action="store_true", help="keep no record")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    parser.add_argument("-v", "--verbose", action="store_true", help="list good conductors too")


def run(arguments: argparse.Namespace) -> int:
    """0 for a pass that is saved if it was to be, 1 for a fail; everything else is raised."""
    name = arguments.profile
    if name is None and arguments.at and "=" not in arguments.at[-1]:
        name = arguments.at.pop()  # `--at A=J1 PROFILE`: it took all the words
    if name is None:
        raise UsageError(
            "PROFILE is missing: what the cable should be", hint="`pinwright scan --help` shows what goes"
        )
    loaded = find_profile(name, library_folders())
    profile = loaded.profile
    by_hand = sockets_by_hand(arguments.at)
    max_ohms = _max_ohms(arguments.max_ohms, profile.max_ohms)
    checked_between = _checked_between(arguments.max_check_age)
    operator = _operator(arguments.operator)
    store = _store(arguments, profile)
    workshop = Workshop.read()

    started = datetime.now(UTC)
    clock = time.monotonic()
    if arguments.max_ohms is not None:
        profile = profile.with_max_ohms(max_ohms)
    session = Session(profile, workshop.fixtures, __version__, by_hand, workshop.adapters, checked_between)
    with opened(arguments.port, profile, workshop, by_hand) as link:
        line = Line(link, _hear)
        scan = drive(session.run(), line)
        facts = decide(profile, scan)
        drive(show_verdict(facts.passed), line)
    elapsed_ms = round((time.monotonic() - clock) * 1000)
    bugs: list[tuple[str, Exception]] = []  # what cannot be done, for which reason; the test is kept
    wrong_sockets = ribbon = None
    try:
        wrong_sockets = misplugged(profile, scan, facts, workshop.adapters)
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
    if profile.to_confirm:
        count = len(profile.to_confirm)
        points = f"{count} point{'s' if count > 1 else ''} of this profile still to be confirmed"
        say(f"note: {points}; `pinwright profiles show` lists {'them' if count > 1 else 'it'}")
    if arguments.max_ohms is not None and scan.hello.lane == "none":
        say("note: this tester does not measure ohms; `--max-ohms` is written down but not checked")

    subject = Subject(
        loaded.profile,
        loaded.text,
        loaded.sha256,
        operator,
        started,
        elapsed_ms,
        scan.hello.simulated,
        max_ohms,
        by_hand=arguments.max_ohms is not None,
    )
    document = scan_document(subject, scan, facts, findings, arguments.serial, ribbon)

    def draw(record: bytes) -> Mapping[str, bytes]:
        """The documents of the record. A bug in the drawing must not cost the test its record."""
        try:
            from pinwright.sheets.documents import documents_of  # takes a moment: only who keeps one waits

            return documents_of(read_record(record, profile_of))
        except Exception as error:
            bugs.append(("its PDF and page cannot be drawn", error))
            return {}

    def picture(width: int, height: int, ascii: bool) -> Sketch:
        try:
            return sketch(profile, facts, [finding.pins for finding in findings], width, height, ascii)
        except Exception as error:
            bugs.append(("its picture cannot be drawn", error))
            return ()

    def show(saved: Saved | None) -> None:
        if arguments.json:
            show_text(json.dumps(document, indent=2, allow_nan=False))
            return
        show_scan(
            profile,
            facts,
            findings,
            serial=saved.serial if saved else arguments.serial,
            tester=_tester(scan, subject),
            sockets=_sockets(profile, scan),
            caveats=_caveats(subject, scan, facts),
            saved=_kept(saved, facts, subject) if saved else None,
            verbose=arguments.verbose,
            as_plugged=wrong_sockets.facts if wrong_sockets else None,
            draw=picture,
            ribbon=ribbon,
        )

    verdict = "passed" if facts.passed else "FAILED"
    saved = None
    if store is not None:
        try:
            if subject.virtual and arguments.records is None:  # a virtual board on a port shows only now
                store = Store(default_place(simulated=True))
                store.check_writable()
            saved = store.save(
                lambda serial, test: record_document(
                    subject, scan, facts, document, serial, test, __version__
                ),
                kind="certificate" if facts.passed else "report",
                serial=arguments.serial,
                pattern=profile.serial_for,
                again=arguments.again,
                draw=draw,
            )
        except (RecordsError, SerialError) as error:
            if not arguments.json:
                show(None)
            message = f"the cable {verdict}, but nothing was recorded: {error.message}"
            raise type(error)(message, hint=error.hint) from error
        document["serial"] = saved.serial
        document["certificate" if facts.passed else "report"] = str(saved.path)
        document["documents"] = {kind: str(path) for kind, path in saved.documents.items()}
    try:
        if not (bugs and arguments.json):  # one document: then it is that of the error
            show(saved)
    except BrokenPipeError:
        pass  # nobody reads any more; the status and the record say it
    except UsageError as error:
        where = f", its record is `{saved.path}`" if saved else ""
        raise UsageError(f"{error.message}; the cable {verdict}{where}") from error
    if bugs:
        what, why = bugs[0]
        where = f", its record is `{saved.path}`" if saved else ""
        raise OwnBug(f"the cable {verdict}{where}, but {what}") from why
    return 0 if facts.passed else 1


def _kept(saved: Saved, facts: Facts, subject: Subject) -> str:
    """What was kept, and where: the document for people, and what lies beside it."""
    what = "fault report" if not facts.passed else "specimen" if subject.virtual else "certificate"
    if "pdf" not in saved.documents:
        return f"record: {saved.path}"
    return f"{what}: {saved.documents['pdf']} (.json and .html beside it)"


def _caveats(subject: Subject, scan: Scan, facts: Facts) -> list[str]:
    """What a person should know before believing a pass."""
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


def _hear(line: str) -> None:
    say(f"the board says: {line}")


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


def _store(arguments: argparse.Namespace, profile: Profile) -> Store | None:
    """The place for the record, found writable before anything is scanned; None where none is wanted."""
    if arguments.serial is not None:
        check_serial(arguments.serial)
    if arguments.no_certificate:
        return None
    store = Store(arguments.records or default_place(is_virtual(arguments.port)))
    store.check_writable()
    if arguments.again and arguments.serial is None:
        raise SerialError(
            "`--again` needs the serial of the cable that is tested again", hint="`--serial TEXT` gives it"
        )
    if arguments.serial is not None and arguments.again != store.is_used(arguments.serial):
        if arguments.again:
            raise SerialError(
                f"serial `{arguments.serial}` has no record in `{store.place}` to be tested again",
                hint="is it spelt as on the cable? A first test goes without `--again`",
            )
        raise SerialError(
            f"serial `{arguments.serial}` has a record already in `{store.place}`",
            hint="`--again` records another test of the same cable",
        )
    if arguments.again:
        _check_same_cable(store, arguments.serial, profile)
    return store


def _check_same_cable(store: Store, serial: str, profile: Profile) -> None:
    """Raises SerialError where the latest record of that serial is one of another cable."""
    latest = store.tests_of(serial)[-1].path
    try:
        id = json.loads(bytes_of(latest))["scan"]["profile"]["id"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return  # `records verify` has more to say of it
    if id != profile.id:
        raise SerialError(
            f"serial `{serial}` is a cable of the profile {seen(id)}, not of `{profile.id}`: `{latest}`",
            hint="is the serial the one on the cable, and the profile the right one?",
        )


def _folder(text: str) -> Path:
    if not text:
        raise argparse.ArgumentTypeError("needs the name of a folder, not an empty word")
    return Path(text)


def _max_ohms(text: str | None, default: float) -> float:
    if text is None:
        return default
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
    if text is None:
        return None
    strange = next((char for char in text if not char.isprintable()), None)
    if strange is not None:
        raise UsageError(f"`--operator` contains {code_point(strange)}, which does not print")
    if not text.strip() or len(text) > _MOST_OPERATOR:
        raise UsageError(f"`--operator` should be 1 to {_MOST_OPERATOR} characters")
    return text
