"""`pinwright records list`: the records of the folder, as they say of themselves."""

from __future__ import annotations

import argparse
import json
import re
from typing import Any

from pinwright.cable.wiring import printable
from pinwright.cli.kept import a_moment, say_lost, store_of
from pinwright.errors import UsageError
from pinwright.records.entries import EVERYTHING, RESULTS, Listed, Query
from pinwright.terminal import say, show_rows, show_text

EXAMPLE = "list --simulated --latest"
_MOST_WORD = 200
_COLUMNS = ("serial", "test", "result", "started", "profile", "operator")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_filters(parser)


def add_filters(parser: argparse.ArgumentParser) -> None:
    """The options that say which records are meant."""
    parser.add_argument(
        "words",
        metavar="WORD",
        nargs="*",
        help="only those with every WORD in serial, profile, title, operator, faults or notes",
    )
    parser.add_argument("--serial", metavar="S", help="this serial, or with `*` at its end all that begin so")
    parser.add_argument("--profile", metavar="ID", help="cables tested against this profile")
    parser.add_argument("--result", choices=RESULTS, help="a withdrawn test neither passed nor failed")
    parser.add_argument("--since", metavar="D", help="tested on D or later: 2026, 2026-03, 2026-03-01 (UTC)")
    parser.add_argument("--until", metavar="D", help="tested on D or earlier, likewise")
    parser.add_argument("--latest", action="store_true", help="only the latest test of each cable")
    parser.add_argument("--batch", metavar="ID", help="cables tested in this batch")


def query_of(arguments: argparse.Namespace) -> Query:
    """What these options ask for. Raises UsageError."""
    long = next((word for word in arguments.words if len(word) > _MOST_WORD), None)
    if long is not None:
        raise UsageError(f"the word `{printable(long, 20)}` has more than {_MOST_WORD} characters")
    return Query(
        serial=arguments.serial or "",
        profile=arguments.profile or "",
        since=a_moment("--since", arguments.since, 0) if arguments.since is not None else "",
        until=a_moment("--until", arguments.until, 1) if arguments.until is not None else "",
        result=arguments.result or "",
        words=tuple(arguments.words),
        latest=arguments.latest,
        batch=arguments.batch or "",
    )


def run(arguments: argparse.Namespace) -> int:
    query, store = query_of(arguments), store_of(arguments)
    listed = store.found(query)
    say_lost(store, query.serial)
    if arguments.json:
        told = [told_of(one) for one in listed]
        document = {"schema": "pinwright/records-1", "place": str(store.place), "records": told}
        show_text(json.dumps(document, indent=2))
    elif listed:
        _show(listed)
    else:
        say(f"no records in `{store.place}`" if query == EVERYTHING else f"nothing fits in `{store.place}`")
    return 0


def _show(listed: list[Listed]) -> None:
    notes = any(one.notes for one in listed)
    headings = (
        *("serial", "test", "result", "tested (UTC)", "profile", "operator"),
        *(["notes"] if notes else []),
    )
    rows = [
        (
            *(_cell(one.entry.serial), _cell(one.entry.test), result_of(one)),
            *(_cell(one.started), _cell(one.profile), _cell(one.operator)),
            *([_cell(one.notes or "")] if notes else []),
        )
        for one in listed
    ]
    show_rows(headings, rows)


def _cell(value: object) -> str:
    """A value as a file has it, in short; a moment to the minute."""
    text = printable(str(value))
    return f"{text[:10]} {text[11:16]}" if re.fullmatch(r"[0-9-]{10}T[0-9:]{8}Z", text) else text


def result_of(listed: Listed) -> str:
    """What a record says of its test, and what is said against it."""
    told = _said(listed)
    if listed.result != "unreadable" and not listed.sealed:
        told += ", NOT AS SEALED"
    return f"WITHDRAWN, was {told}" if listed.withdrawn else told


def _said(listed: Listed) -> str:
    return f"{listed.result}{' (simulated)' if listed.simulated else ''}"


def told_of(listed: Listed) -> dict[str, Any]:
    """What a record's file says, taken as it stands: the list proves nothing but whether the seal fits."""
    entry = listed.entry
    return {
        "serial": entry.serial,
        "test": entry.test,
        "result": _said(listed),
        "started": listed.started or None,
        "profile": listed.profile or None,
        "operator": listed.operator or None,
        "record": str(entry.path),
        "documents": {kind: str(path) for kind, path in entry.documents.items()},
        "withdrawn": listed.withdrawn or None,
        "notes": listed.notes,
        "batch": {"id": listed.batch, "item": listed.item} if listed.batch else None,
        "sha256": listed.sha256 or None,
        "sealed": listed.sealed,
    }
