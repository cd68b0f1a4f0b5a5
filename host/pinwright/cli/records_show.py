"""`pinwright records show`: one cable, as a test found it."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from textwrap import fill

from pinwright.cable.wiring import printable
from pinwright.cli.kept import a_number, a_path, say_lost, store_of
from pinwright.cli.lettering import large
from pinwright.cli.records_list import result_of
from pinwright.cli.records_verify import NOT_GENUINE, kept_record, not_genuine, show_verified
from pinwright.cli.writing import write_new
from pinwright.errors import SerialError
from pinwright.library import library_folders, library_profiles
from pinwright.records.document import NotGenuine
from pinwright.records.entries import Entry, Listed, Query, Remark, check_serial
from pinwright.records.record import Record
from pinwright.records.remarks import MOST_BY, MOST_TEXT
from pinwright.records.rows import in_order
from pinwright.records.store import Store
from pinwright.sheets.documents import documents_of
from pinwright.sheets.sheet import sheet_of
from pinwright.terminal import PIPED_WIDTH, ascii_only, say, show_record, show_text
from pinwright.verdict.conductors import conductors
from pinwright.verdict.fitness import fitness, is_raw

EXAMPLE = "show HL40-0001 --simulated"
_MOST_COMPARED = 2000


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("serial", metavar="SERIAL", help="the cable's serial number")
    parser.add_argument("--test", metavar="N", type=a_number, help="its N-th test (default: the latest)")
    parser.add_argument(
        "--pdf", metavar="FILE", type=a_path, help="write the PDF to a FILE that does not exist"
    )
    parser.add_argument("--html", metavar="FILE", type=a_path, help="write the page to a FILE, likewise")
    parser.add_argument("-v", "--verbose", action="store_true", help="list good conductors too")


def run(arguments: argparse.Namespace) -> int:
    store = store_of(arguments)
    say_lost(store, check_serial(arguments.serial))
    tests = tests_of(store, arguments.serial)
    entry = chosen(tests, arguments.test)
    remarks = [one for one in store.remarks_of(entry.serial) if one.test == entry.test]
    withdrawals = [one for one in remarks if one.kind == "withdrawal"]
    try:
        record = kept_record(entry.path)
    except NotGenuine as error:
        return show_verified([(entry.path, NOT_GENUINE, not_genuine(error))], arguments.json)
    files = written(record, {"pdf": arguments.pdf, "html": arguments.html})
    if arguments.json:
        for one in withdrawals:
            say(f"note: this test is withdrawn: {_words(one)}")
        show_text(json.dumps(record.doc, indent=2))
        return 0
    sheet = sheet_of(record)
    rows = conductors(record.profile, record.facts, record.findings)
    told = zip(record.findings, sheet.findings, strict=True)
    library = library_profiles(library_folders()) if is_raw(record.profile) else ()
    for line in _withdrawn(withdrawals):
        show_text(line)
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
    others = _others(store.found(Query(serial=entry.serial)), entry)
    for text in filter(None, (sheet.warning, *_notes(remarks), others)):
        show_text(text)
    for path in (entry.path, *entry.documents.values(), *files):
        show_text(str(path))
    return 0


def tests_of(store: Store, serial: str) -> tuple[Entry, ...]:
    """The records of one cable. Raises SerialError where there are none."""
    tests = store.tests_of(check_serial(serial))
    if not tests:
        raise SerialError(
            f"serial `{serial}` has no record in `{store.place}`{_close(store, serial)}",
            hint="`pinwright records list` lists them; scans on a virtual tester are in another folder: "
            "`--simulated`",
        )
    return tests


def chosen(tests: tuple[Entry, ...], number: int | None) -> Entry:
    if number is None:
        return tests[-1]
    for entry in tests:
        if entry.test == number:
            return entry
    there = ", ".join(str(entry.test) for entry in tests)
    raise SerialError(f"serial `{tests[0].serial}` has no test {number}; there are {there}")


def _others(listed: Sequence[Listed], shown: Entry) -> str:
    """The other tests of the same cable, in a line."""
    others = [f"{one.entry.test} ({result_of(one)})" for one in listed if one.entry != shown]
    return f"other tests of this cable: {', '.join(others)}; `--test N` shows one" if others else ""


def _withdrawn(withdrawals: Sequence[Remark]) -> Iterator[str]:
    """That the test does not count any more, so that nobody misses it."""
    if withdrawals:
        yield from large("WITHDRAWN", PIPED_WIDTH, ascii_only()) or ["WITHDRAWN"]
        yield ""
    for one in withdrawals:
        yield fill(f"This test is withdrawn, whatever it says below: {_words(one)}", PIPED_WIDTH)
        yield ""


def _notes(remarks: Sequence[Remark]) -> Iterator[str]:
    for one in remarks:
        if one.kind == "note":
            yield fill(f"note: {_words(one)}", PIPED_WIDTH)


def _words(remark: Remark) -> str:
    """What somebody said of a test, when and who; and whether it is as it was sealed."""
    text = printable(remark.text, most=MOST_TEXT) or "it cannot be read"
    who = f", {printable(remark.by, most=MOST_BY)}" if remark.by else ""
    broken = "" if remark.sealed else f" (`{remark.path.name}` IS NOT AS SEALED)"
    return f"{text} ({printable(remark.made[:10]) or 'no date'}{who}){broken}"


def written(record: Record, wanted: Mapping[str, Path | None]) -> list[Path]:
    files = {kind: path for kind, path in wanted.items() if path is not None}
    drawn = documents_of(record, files) if files else {}
    for kind, path in files.items():
        write_new(path, drawn[kind])
    return list(files.values())


def _close(store: Store, serial: str) -> str:
    """Serials that look like it; of very many only those that begin like it."""
    known = store.cables("", _MOST_COMPARED)
    if len(known) == _MOST_COMPARED:
        known = store.cables(serial[:2], _MOST_COMPARED)
    close = ", ".join(f"`{one}`" for one in sorted(get_close_matches(serial, set(known)), key=in_order))
    return f"; close to it: {close}" if close else ""
