"""`pinwright scan`: prove one cable against its profile."""

from __future__ import annotations

import argparse
import json
import math
import time
from datetime import UTC, datetime
from pathlib import Path

from pinwright import __version__
from pinwright.cable.wiring import code_point
from pinwright.cli.ports import is_virtual, opened
from pinwright.errors import RecordsError, SerialError, UsageError
from pinwright.library import LoadedProfile, find_profile, library_folders, read_fixture
from pinwright.link import Line, drive
from pinwright.records.scan_document import Subject, record_document, scan_document
from pinwright.records.store import Saved, Store, check_serial, default_place
from pinwright.terminal import say, show_scan, show_text
from pinwright.tester.session import Scan, Session
from pinwright.verdict.agreement import decide
from pinwright.verdict.facts import Facts
from pinwright.verdict.findings import explain

EPILOG = """\
PROFILE is a `.toml` file or the id of a profile in the library.
PORT is a serial port (`/dev/ttyACM0`, `COM5`, a pyserial URL), `sim` for the virtual tester with a good
cable, or `sim:FILE` for the virtual tester with what FILE says is plugged in. Without it: the one board
that answers.

Only unpowered cables, unplugged from everything but the tester.

example: pinwright scan lamp-changer-40 --port sim
"""
_MOST_OPERATOR = 80


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "Scan one cable, judge it against its profile, show it and record it."
    parser.epilog = EPILOG
    parser.add_argument("profile", metavar="PROFILE", help="what the cable should be")
    parser.add_argument("--port", metavar="PORT", help="where the tester is")
    parser.add_argument(
        "--serial", metavar="TEXT", help="the cable's serial number (default: the next of the profile)"
    )
    parser.add_argument("--operator", metavar="TEXT", help="who tests, for the record")
    parser.add_argument(
        "--records", metavar="PLACE", type=Path, help="folder of the records (default: your data folder)"
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
    parser.add_argument("--again", action="store_true", help="test a cable that has a record once more")
    parser.add_argument("--no-certificate", action="store_true", help="keep no record")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    parser.add_argument("-v", "--verbose", action="store_true", help="list good conductors too")


def run(arguments: argparse.Namespace) -> int:
    """0 for a pass that is saved if it was to be, 1 for a fail; everything else is raised."""
    loaded = find_profile(arguments.profile, library_folders())
    profile = loaded.profile
    by_hand = _by_hand(arguments.at)
    max_ohms = _max_ohms(arguments.max_ohms, profile.max_ohms)
    operator = _operator(arguments.operator)
    store = _store(arguments)
    fixture = read_fixture()

    started = datetime.now(UTC)
    clock = time.monotonic()
    session = Session(profile, fixture, __version__, by_hand)
    with opened(arguments.port, profile, fixture, by_hand) as link:
        scan = drive(session.run(), Line(link, _hear))
    facts = decide(profile, scan)
    findings = explain(facts)
    if arguments.max_ohms is not None and scan.hello.lane == "none":
        say("note: this tester does not measure ohms; `--max-ohms` is written down but not checked")

    subject = Subject(
        profile,
        loaded.text,
        loaded.sha256,
        operator,
        started,
        round((time.monotonic() - clock) * 1000),
        is_virtual(arguments.port),
        max_ohms,
    )
    document = scan_document(subject, scan, facts, findings, arguments.serial)
    saved = None
    if store is not None:
        saved = _save(store, arguments, loaded, subject, scan, facts, document)
        document["serial"] = saved.serial
        document["certificate" if facts.passed else "report"] = str(saved.path)
    if arguments.json:
        show_text(json.dumps(document, indent=2, allow_nan=False))
    else:
        show_scan(
            profile,
            facts,
            findings,
            serial=str(document["serial"]) if document["serial"] else None,
            tester=_tester(scan, subject),
            sockets=", ".join(f"end {end} in {socket}" for end, socket in scan.placement.sockets.items()),
            saved=f"{'certificate' if facts.passed else 'report'}: {saved.path}" if saved else None,
            verbose=arguments.verbose,
        )
    return 0 if facts.passed else 1


def _hear(line: str) -> None:
    say(f"the board says: {line}")


def _tester(scan: Scan, subject: Subject) -> str:
    what = "virtual tester" if subject.virtual else f"tester {scan.hello.id}"
    return f"{what}, firmware {scan.hello.firmware}, {scan.hello.points} points, self-check passed"


def _save(
    store: Store,
    arguments: argparse.Namespace,
    loaded: LoadedProfile,
    subject: Subject,
    scan: Scan,
    facts: Facts,
    document: dict[str, object],
) -> Saved:
    try:
        return store.save(
            lambda serial, test: record_document(subject, scan, document, serial, test, __version__),
            kind="certificate" if facts.passed else "report",
            serial=arguments.serial,
            pattern=loaded.profile.serial_for,
            again=arguments.again,
        )
    except (RecordsError, SerialError) as error:
        verdict = "passed" if facts.passed else "FAILED"
        raise type(error)(
            f"the cable {verdict}, but nothing was recorded: {error.message}", hint=error.hint
        ) from error


def _store(arguments: argparse.Namespace) -> Store | None:
    """The place for the record, found writable before anything is scanned; None where none is wanted."""
    if arguments.serial is not None:
        check_serial(arguments.serial)
    if arguments.no_certificate:
        return None
    store = Store(arguments.records or default_place())
    store.check_writable()
    if arguments.again and arguments.serial is None:
        raise SerialError(
            "`--again` needs the serial of the cable that is tested again", hint="`--serial TEXT` gives it"
        )
    if arguments.serial is not None and not arguments.again and store.is_used(arguments.serial):
        raise SerialError(
            f"serial `{arguments.serial}` has a record already in `{store.place}`",
            hint="`--again` records another test of the same cable",
        )
    return store


def _by_hand(words: list[str]) -> dict[str, str]:
    chosen: dict[str, str] = {}
    for word in words:
        end, equals, socket = word.partition("=")
        if not (end and equals and socket):
            raise UsageError(f"`--at {word}` should be written END=SOCKET, such as `--at A=J1`")
        if end in chosen:
            raise UsageError(f"`--at` names end `{end}` twice")
        chosen[end] = socket
    return chosen


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


def _operator(text: str | None) -> str | None:
    if text is None:
        return None
    strange = next((char for char in text if not char.isprintable()), None)
    if strange is not None:
        raise UsageError(f"`--operator` contains {code_point(strange)}, which does not print")
    if not text.strip() or len(text) > _MOST_OPERATOR:
        raise UsageError(f"`--operator` should be 1 to {_MOST_OPERATOR} characters")
    return text
