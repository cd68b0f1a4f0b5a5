"""`pinwright records list | show | verify`."""

from __future__ import annotations

import argparse
import json
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from difflib import get_close_matches
from itertools import chain
from pathlib import Path
from typing import Any

from pinwright.cable.wiring import printable
from pinwright.errors import RecordsError, SerialError, UsageError
from pinwright.library import library_folders, library_profiles, profile_of
from pinwright.records.document import NotGenuine
from pinwright.records.record import Record, bytes_of
from pinwright.records.store import Entry, Store, check_serial, default_place
from pinwright.sheets.documents import documents_of
from pinwright.sheets.genuine import DOCUMENT, genuine
from pinwright.sheets.sheet import sheet_of
from pinwright.terminal import say, show_error, show_record, show_table, show_text
from pinwright.verdict.conductors import conductors
from pinwright.verdict.fitness import fitness, is_raw

EPILOG = """\
example: pinwright records verify --simulated
"""
Verified = tuple[Path, int, str]  # a file, its status, what is to be said of it

_NOT_GENUINE = 1
_FILES = (".json", ".pdf", ".html")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "The folder of records: what was tested, and whether it is as it was written."
    parser.epilog = EPILOG
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)

    def action(name: str, about: str, example: str) -> argparse.ArgumentParser:
        made = actions.add_parser(
            name,
            help=about,
            epilog=f"example: pinwright records {example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        made.add_argument("--records", metavar="PLACE", type=_path, help="the folder (default: your own)")
        made.add_argument("--simulated", action="store_true", help="the folder of scans on a virtual tester")
        made.add_argument("--json", action="store_true", help="one JSON document on standard output")
        return made

    action("list", "every record of the folder, as it says of itself", "list --simulated")
    show = action("show", "one cable, as its latest test found it", "show HL40-0001 --simulated")
    show.add_argument("serial", metavar="SERIAL", help="the cable's serial number")
    show.add_argument("--test", metavar="N", type=_number, help="its N-th test (default: the latest)")
    show.add_argument("--pdf", metavar="FILE", type=_path, help="write the PDF to a FILE that does not exist")
    show.add_argument("--html", metavar="FILE", type=_path, help="write the page to a FILE, likewise")
    show.add_argument("-v", "--verbose", action="store_true", help="list good conductors too")
    verify = action("verify", "prove that files are as they were made", "verify --simulated")
    verify.add_argument(
        "files",
        metavar="FILE",
        nargs="*",
        type=_path,
        help="records, PDFs, pages, or folders of them (default: the folder of records)",
    )


def run(arguments: argparse.Namespace) -> int:
    """0, or 1 where a record does not verify, or 2 where something is not there."""
    return {"list": _list, "show": _show, "verify": _verify}[arguments.action](arguments)


# list


def _list(arguments: argparse.Namespace) -> int:
    store = _store(arguments)
    entries = store.entries()
    told = [_told(entry) for entry in entries]
    if arguments.json:
        document = {"schema": "pinwright/records-1", "place": str(store.place), "records": told}
        show_text(json.dumps(document, indent=2))
    elif told:
        show_table(
            ("serial", "test", "result", "tested (UTC)", "profile", "operator"),
            [tuple(_cell(one[key]) for key in _COLUMNS) for one in told],
        )
    else:
        say(f"no records in `{store.place}`")
    return 0


def _cell(value: object) -> str:
    """A value as a file has it, in short; a moment to the minute."""
    text = "" if value is None else printable(str(value))
    return f"{text[:10]} {text[11:16]}" if re.fullmatch(r"[0-9-]{10}T[0-9:]{8}Z", text) else text


_COLUMNS = ("serial", "test", "result", "started", "profile", "operator")


def _told(entry: Entry) -> dict[str, Any]:
    """What a record's file says, taken as it stands: the list proves nothing."""
    told: dict[str, Any] = {
        "serial": entry.serial,
        "test": entry.test,
        "result": "unreadable",
        "started": None,
        "profile": None,
        "operator": None,
        "record": str(entry.path),
        "documents": {kind: str(path) for kind, path in entry.documents.items()},
    }
    try:
        scan = json.loads(bytes_of(entry.path))["scan"]
        simulated = {"virtual": " (simulated)", "board": ""}[scan["tester"]["kind"]]
        result = {"pass": "pass", "fail": "fail"}[scan["verdict"]]
        said = {"started": scan["started"], "profile": scan["profile"]["id"], "operator": scan["operator"]}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return told
    if all(isinstance(text, str) or text is None for text in said.values()):
        told |= {"result": f"{result}{simulated}", **said}
    return told


# show


def _show(arguments: argparse.Namespace) -> int:
    store = _store(arguments)
    tests = store.tests_of(check_serial(arguments.serial))
    if not tests:
        raise SerialError(
            f"serial `{arguments.serial}` has no record in `{store.place}`{_close(store, arguments.serial)}",
            hint="`pinwright records list` lists them; scans on a virtual tester are in another folder: "
            "`--simulated`",
        )
    entry = _chosen(tests, arguments.test)
    try:
        record, _ = genuine(entry.path, profile_of)
    except NotGenuine as error:
        return _show_verified([(entry.path, _NOT_GENUINE, _not_genuine(error))], arguments.json)
    except OSError as error:
        raise RecordsError(f"record `{entry.path}` cannot be read: {error.strerror or error}") from error
    written = _written(record, {"pdf": arguments.pdf, "html": arguments.html})
    if arguments.json:
        show_text(json.dumps(record.doc, indent=2))
        return 0
    sheet = sheet_of(record)
    rows = conductors(record.profile, record.facts, record.findings)
    told = zip(record.findings, sheet.findings, strict=True)
    library = library_profiles(library_folders()) if is_raw(record.profile) else ()
    show_record(
        sheet.about,
        [replace(finding, text=text, remedy=remedy) for finding, (text, remedy) in told],
        rows,
        title=f"{sheet.title} {record.number}",
        verdict=sheet.verdict,
        summary=sheet.summary,
        verbose=arguments.verbose,
        ribbon=fitness(record.profile, record.facts, record.findings, library),
    )
    show_text("")
    for text in filter(None, (sheet.warning, _others(tests, entry))):
        show_text(text)
    for path in (entry.path, *entry.documents.values(), *written):
        show_text(str(path))
    return 0


def _chosen(tests: tuple[Entry, ...], number: int | None) -> Entry:
    if number is None:
        return tests[-1]
    for entry in tests:
        if entry.test == number:
            return entry
    there = ", ".join(str(entry.test) for entry in tests)
    raise SerialError(f"serial `{tests[0].serial}` has no test {number}; there are {there}")


def _others(tests: tuple[Entry, ...], shown: Entry) -> str:
    """The other tests of the same cable, in a line."""
    others = [f"{entry.test} ({_told(entry)['result']})" for entry in tests if entry is not shown]
    return f"other tests of this cable: {', '.join(others)}; `--test N` shows one" if others else ""


def _written(record: Record, wanted: Mapping[str, Path | None]) -> list[Path]:
    files = {kind: path for kind, path in wanted.items() if path is not None}
    drawn = documents_of(record, files) if files else {}
    for kind, path in files.items():
        try:
            _new_file(path, drawn[kind])
        except FileExistsError:
            raise UsageError(f"`{path}` exists already; it was not touched") from None
        except OSError as error:
            raise UsageError(f"`{path}` cannot be written: {error.strerror or error}") from error
    return list(files.values())


def _new_file(path: Path, data: bytes) -> None:
    """A file that was not there before, with all of the data, or none. Raises OSError."""
    path.touch(exist_ok=False)
    try:
        path.write_bytes(data)
    except OSError:
        path.unlink()
        raise


def _close(store: Store, serial: str) -> str:
    known = {entry.serial for entry in store.entries()}
    close = ", ".join(f"`{one}`" for one in get_close_matches(serial, sorted(known)))
    return f"; close to it: {close}" if close else ""


# verify


def _verify(arguments: argparse.Namespace) -> int:
    if arguments.files:
        return _show_verified(_each(arguments.files), arguments.json)
    place = _store(arguments).place
    return _show_verified(chain(_each([place]), _lost(place)), arguments.json)


def _each(paths: Iterable[Path]) -> Iterator[Verified]:
    """Every file, and those of every folder, one by one: what is known of the first is shown at once."""
    for path in paths:
        files = _in_folder(path) if os.path.isdir(path) else [path]
        if not files:
            say(f"nothing to verify in `{path}`")
        for file in files:
            yield file, *_verified(file)


def _lost(place: Path) -> Iterator[Verified]:
    """Documents in the folder of records whose record is gone: the list does not have them any more."""
    for file in _in_folder(place) if os.path.isdir(place) else ():
        if DOCUMENT.fullmatch(file.name) and not os.path.exists(file.with_suffix(".json")):
            yield file, _NOT_GENUINE, "NOT AS MADE: the record that should be beside it is gone"


def _verified(file: Path) -> tuple[int, str]:
    """The status of one file, and what is to be said of it."""
    try:
        record, remark = genuine(file, profile_of)
    except NotGenuine as error:
        return _NOT_GENUINE, _not_genuine(error)
    except OSError as error:
        return RecordsError.status, f"cannot be read: {error.strerror or error}"
    kind = "simulated " if record.simulated else ""
    verdict = "PASS" if record.passed else "FAIL"
    note = f" ({remark})" if remark else ""
    return 0, f"as made: {record.number}, {kind}{verdict}, {record.scan['started']}{note}"


def _not_genuine(error: NotGenuine) -> str:
    return f"NOT AS MADE: {printable(error.reason, most=400)}"


def _show_verified(told: Iterable[Verified], as_json: bool) -> int:
    """Say it of every file, in a line or as a member of the one document. Returns the gravest status."""
    statuses, files = {0}, []
    for file, status, seen in told:
        name = printable(str(file), most=4096)
        statuses.add(status)
        files.append({"file": str(file), "as_made": status == 0, "status": status, "seen": seen})
        if not as_json and status == RecordsError.status:
            show_error(f"`{name}` {seen}", "")
        elif not as_json:
            show_text(f"{name}: {seen}")
    if as_json:
        show_text(json.dumps({"schema": "pinwright/verify-1", "files": files}, indent=2))
    return max(statuses)


def _in_folder(folder: Path) -> list[Path]:
    """The files of a folder that could be records or pages, in order of name."""
    try:
        files = [path for path in folder.iterdir() if path.suffix.lower() in _FILES]
        return sorted(path for path in files if not path.name.startswith("."))
    except OSError as error:
        raise RecordsError(f"folder `{folder}` cannot be read: {error.strerror or error}") from error


def _store(arguments: argparse.Namespace) -> Store:
    if arguments.simulated and arguments.records:
        raise UsageError("`--simulated` and `--records` name two folders; give one of them")
    return Store(arguments.records or default_place(simulated=arguments.simulated))


def _number(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) <= 9 and int(text)):
        raise argparse.ArgumentTypeError("should be a whole number, 1 or more")
    return int(text)


def _path(text: str) -> Path:
    if not text:
        raise argparse.ArgumentTypeError("needs a name, not an empty word")
    return Path(text)
