"""`pinwright scan`: prove one cable against its profile."""

from __future__ import annotations

import argparse
import json

from pinwright.cable.profile import Profile
from pinwright.cable.tables import seen
from pinwright.cli.kept import store_at
from pinwright.cli.ports import Workshop, is_virtual, opened
from pinwright.cli.proving import Test, add_conditions, hear, job_of, name_of_profile
from pinwright.errors import RecordsError, SerialError, UsageError
from pinwright.library import find_profile, library_folders
from pinwright.link import Line
from pinwright.records.record import bytes_of
from pinwright.records.store import Store, check_serial, default_place
from pinwright.terminal import say, show_text

EPILOG = """\
PROFILE is a `.toml` file or the id of a profile in the library.
PORT is a serial port (`/dev/ttyACM0`, `COM5`, a pyserial URL), `sim` for the virtual tester with a good
cable, `sim:ID` with a good cable of another profile, or `sim:FILE` with what FILE says is plugged in.
Without it: the one board that answers.

Only unpowered cables, unplugged from everything but the tester.

example: pinwright scan lamp-changer-40 --port sim
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "Scan one cable, judge it against its profile, show it and record it."
    parser.epilog = EPILOG
    parser.add_argument("profile", metavar="PROFILE", nargs="?", help="what the cable should be")
    parser.add_argument("--port", metavar="PORT", help="where the tester is")
    parser.add_argument(
        "--serial", metavar="TEXT", help="the cable's serial number (default: the next of the profile)"
    )
    add_conditions(parser)
    parser.add_argument("--again", action="store_true", help="test a cable that has a record once more")
    parser.add_argument("--no-certificate", action="store_true", help="keep no record")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    parser.add_argument("-v", "--verbose", action="store_true", help="list good conductors too")


def run(arguments: argparse.Namespace) -> int:
    """0 for a pass that is saved if it was to be, 1 for a fail; everything else is raised."""
    name = name_of_profile(arguments)
    if name is None:
        raise UsageError(
            "PROFILE is missing: what the cable should be", hint="`pinwright scan --help` shows what goes"
        )
    job = job_of(arguments, find_profile(name, library_folders()))
    store = _store(arguments, job.profile)
    workshop = Workshop.read()

    test = Test(job, workshop)
    with opened(arguments.port, job.profile, workshop, job.by_hand) as link:
        scan, facts = test.measured(Line(link, hear))
    proof = test.proof(scan, facts, arguments.serial)
    for note in job.notes(scan.hello.lane):
        say(note)
    saved = None
    if store is not None:
        try:
            if proof.subject.virtual and arguments.records is None:  # it may be one on a port: that shows now
                store = store_at(default_place(simulated=True))
                store.check_writable()
            saved = proof.save(store, arguments.serial, again=arguments.again)
        except (RecordsError, SerialError) as error:
            if not arguments.json:
                proof.show(None, arguments.serial, verbose=arguments.verbose)
            message = f"the cable {proof.verdict}, but nothing was recorded: {error.message}"
            raise type(error)(message, hint=error.hint) from error
    try:
        if not arguments.json:
            proof.show(saved, arguments.serial, verbose=arguments.verbose)
        elif not proof.bugs:  # one document: else it is that of the error
            show_text(json.dumps(proof.document, indent=2, allow_nan=False))
    except BrokenPipeError:
        pass  # nobody reads any more; the status and the record say it
    except UsageError as error:
        where = f", its record is `{saved.path}`" if saved else ""
        raise UsageError(f"{error.message}; the cable {proof.verdict}{where}") from error
    return proof.status(saved)


def _store(arguments: argparse.Namespace, profile: Profile) -> Store | None:
    """The place for the record, found writable before anything is scanned; None where none is wanted."""
    if arguments.serial is not None:
        check_serial(arguments.serial)
    if arguments.no_certificate:
        return None
    store = store_at(arguments.records or default_place(is_virtual(arguments.port)))
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
    if arguments.serial is not None:
        store.check_not_lost(arguments.serial)
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
