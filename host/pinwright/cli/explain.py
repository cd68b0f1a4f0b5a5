"""`pinwright explain`: what is wrong with a cable, from a saved scan."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from pinwright.cable.profile import Profile
from pinwright.cable.wiring import printable
from pinwright.cli.ports import Workshop
from pinwright.errors import UsageError
from pinwright.library import LoadedProfile, find_profile, library_folders, library_profiles, profile_of
from pinwright.records.document import NotGenuine
from pinwright.records.record import MOST_BYTES, bytes_of
from pinwright.records.saved_scan import (
    MOST_TEXT,
    SavedScan,
    as_told,
    document_in,
    from_print,
    from_record,
    is_record,
    named_profile,
    placed,
)
from pinwright.records.scan_document import above_their_limits, names, ribbon_members
from pinwright.sheets.sketch import sketch
from pinwright.terminal import show_scan, show_text
from pinwright.tester.adapter import GENERIC
from pinwright.tester.fixture import places_beside
from pinwright.verdict.conductors import shared_conductors
from pinwright.verdict.findings import explain
from pinwright.verdict.fitness import fitness, is_raw
from pinwright.verdict.sockets import Misplugged, misplugged
from pinwright.verdict.words import Finding

EPILOG = """\
FILE is what `pinwright scan PROFILE --json > scan.json` wrote, or a record: the .json, .pdf or .html that a
scan keeps. `-` reads standard input. Facts and verdict are worked out anew from what was found joined and
from the ohms; a file that contradicts itself is refused.

A record has its profile in it. For a scan, the profile of the library with the same id is taken, or the one
that --profile names; it has to be the very one of the scan.

Exit status: 0 the cable passed, 1 it failed, 2 the file or the profile is wrong.

example: pinwright explain scan.json
"""
_STANDARD_INPUT = "-"
_WHAT_GOES = (
    "`pinwright scan PROFILE --json > scan.json` saves a scan; a record from the records folder goes as well"
)
_WHICH_PROFILE = (
    "`--profile FILE` names the profile as it was at the scan; a kept record of the scan has it in it"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "Say what is wrong with a cable, and what to do, from a saved scan."
    parser.epilog = EPILOG
    parser.add_argument("file", metavar="FILE", help="a saved scan, or a record; `-` for standard input")
    parser.add_argument(
        "--profile",
        metavar="PROFILE",
        help="the profile of the scan: a `.toml` file, or an id of the library",
    )
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    parser.add_argument("-v", "--verbose", action="store_true", help="list good conductors too")


def run(arguments: argparse.Namespace) -> int:
    """0 where the cable passed, 1 where it failed; everything else is raised."""
    saved = _saved(arguments.file, arguments.profile)
    findings, plugged = _explained(saved)
    library = library_profiles(library_folders()) if is_raw(saved.profile) else ()
    ribbon = fitness(saved.profile, saved.facts, findings, library)
    if arguments.json:
        document = _document(saved, findings) | ribbon_members(ribbon)
        show_text(json.dumps(document, indent=2, allow_nan=False))
        return 0 if saved.facts.passed else 1
    show_scan(
        saved.profile,
        saved.facts,
        [replace(one, text=_line(one.text), remedy=_line(one.remedy)) for one in findings],
        serial=saved.serial,
        tester=_tester(saved),
        sockets=_sockets(saved),
        caveats=_caveats(saved),
        saved=None,
        verbose=arguments.verbose,
        as_plugged=plugged.facts if plugged else None,
        draw=partial(sketch, saved.profile, saved.facts, [finding.pins for finding in findings]),
        ribbon=ribbon,
    )
    return 0 if saved.facts.passed else 1


def _explained(saved: SavedScan) -> tuple[tuple[Finding, ...], Misplugged | None]:
    """The findings, and what they rest on where plugs were in wrong sockets."""
    if saved.facts.passed:
        return (), None
    if saved.facts.continuous:
        return as_told(explain(saved.profile, saved.facts), saved), None
    workshop = Workshop.read()
    scan = placed(saved, workshop.fixtures, workshop.adapters)
    if scan is None and saved.findings[0].kind == "socket":
        return saved.findings, None  # other sockets cannot be tried here: what was found then stands
    plugged = misplugged(saved.profile, scan, saved.facts, workshop.adapters) if scan else None
    beyond = places_beside(saved.profile.ends, scan.fixture, scan.placement) if scan else None
    library = library_profiles(library_folders())
    findings = explain(saved.profile, saved.facts, plugged, library=library, beyond=beyond)
    return as_told(findings, saved), plugged


def _document(saved: SavedScan, findings: tuple[Finding, ...]) -> dict[str, object]:
    profile = saved.profile
    return {
        "schema": "pinwright/explain-1",
        "verdict": "pass" if saved.facts.passed else "fail",
        "profile": {
            "id": profile.id,
            "title": profile.title,
            "revision": profile.revision,
            "sha256": saved.scan["profile"]["sha256"],
        },
        "serial": saved.serial,
        "findings": [
            {"kind": one.kind, "text": one.text, "pins": names(one.pins), "remedy": one.remedy}
            for one in findings
        ],
    }


# What is shown


def _line(text: str) -> str:
    """A sentence that may be as it stood in a file: no line of it begins by itself."""
    return printable(text, most=MOST_TEXT)


def _tester(saved: SavedScan) -> str:
    tester = saved.scan["tester"]
    id, name = printable(tester["id"]), printable(tester.get("name") or "")
    what = "virtual tester" if saved.simulated else f"tester {name} ({id})" if name else f"tester {id}"
    firmware, points = printable(tester["firmware"]), tester["points"]
    lane = {"none": "no ohms lane", "uncalibrated": "not calibrated", "calibrated": "calibrated"}
    source = f"record {saved.record}" if saved.record else "a saved scan"
    return (
        f"{what}, firmware {firmware}, {points} points, {lane[tester['lane']]}\n"
        f"{source}, of {saved.scan['started']}"
    )


def _sockets(saved: SavedScan) -> str:
    """`end A in J1, end B in J2 by an adapter`."""
    through = saved.scan.get("adapters", {})
    by = {None: "", "": "", GENERIC: " by an adapter"}
    return ", ".join(
        f"end {printable(end)} in {printable(socket)}"
        + by.get(through.get(end), f" by adapter {printable(through.get(end) or '')}")
        for end, socket in saved.scan["sockets"].items()
    )


def _caveats(saved: SavedScan) -> list[str]:
    """What a person should know before believing a pass."""
    told = ["there is nothing to explain"]
    if saved.simulated:
        told.append("the tester was a simulation: no cable was tested")
    if saved.scan["tester"]["lane"] == "none":
        told.append("continuity only: bad joints and leaks may have gone unnoticed")
    told += [text for text in [above_their_limits(saved.facts)] if text]
    if unproven := shared_conductors(saved.facts.nets):
        told.append(f"{unproven} conductors are joined at both ends and not proven one by one")
    if not saved.record:
        told.append("only a record is sealed: whoever had this file may have changed it")
    return told


# What is read


def _saved(file: str, profile: str | None) -> SavedScan:
    """The scan in a file. Raises UsageError, or ProfileError where the profile that was named is at fault."""
    name = "standard input" if file == _STANDARD_INPUT else f"`{printable(file, most=4096)}`"
    data = _standard_input() if file == _STANDARD_INPUT else _content(file, name)
    try:
        doc = document_in(data)
        if not is_record(doc):
            return from_print(doc, _profile(doc, profile))
        if profile is not None:
            raise UsageError(f"{name} is a record, which has its profile in it: it goes without `--profile`")
        return from_record(doc, profile_of)
    except NotGenuine as error:
        reason = printable(error.reason, most=400)
        raise UsageError(f"{name} cannot be explained: {reason}", hint=_WHAT_GOES) from None


def _content(file: str, name: str) -> bytes:
    try:
        return bytes_of(Path(file))
    except FileNotFoundError:
        raise UsageError(f"{name}: no such file", hint=_WHAT_GOES) from None
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        reason = getattr(error, "strerror", None) or error
        raise UsageError(
            f"{name} cannot be read: {reason}", hint=f"{_WHAT_GOES}; `-` reads standard input"
        ) from error


def _standard_input() -> bytes:
    if sys.stdin is None:
        raise UsageError("standard input is closed", hint=_WHAT_GOES)
    try:
        data = sys.stdin.buffer.read(MOST_BYTES + 1)
    except OSError as error:
        raise UsageError(f"standard input cannot be read: {error.strerror or error}") from error
    if len(data) > MOST_BYTES:
        raise UsageError(
            f"standard input is larger than {MOST_BYTES} bytes, which no saved scan is", hint=_WHAT_GOES
        )
    return data


def _profile(doc: Mapping[str, Any], name: str | None) -> Profile:
    """The profile that a printed scan was judged against. Raises NotGenuine, UsageError or ProfileError."""
    id, sha256 = named_profile(doc)
    try:
        loaded: LoadedProfile = find_profile(id if name is None else name, library_folders())
    except UsageError as error:
        if name is not None:
            raise
        raise UsageError(error.message, hint=_WHICH_PROFILE) from None
    if loaded.sha256 != sha256:
        raise UsageError(
            f"the profile in `{printable(str(loaded.path), most=4096)}` is another than the one that the "
            f"cable was scanned against: its SHA-256 is {loaded.sha256}, that of the scan's is {sha256}",
            hint=_WHICH_PROFILE,
        )
    return loaded.profile
