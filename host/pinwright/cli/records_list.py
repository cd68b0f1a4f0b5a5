"""`pinwright records list`: every record of the folder, as it says of itself."""

from __future__ import annotations

import argparse
import json
import re
from typing import Any

from pinwright.cable.wiring import printable
from pinwright.cli.kept import store_of
from pinwright.records.record import bytes_of
from pinwright.records.store import Entry
from pinwright.terminal import say, show_table, show_text

EXAMPLE = "list --simulated"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """None besides those of every action."""


def run(arguments: argparse.Namespace) -> int:
    store = store_of(arguments)
    entries = store.entries()
    told = [told_of(entry) for entry in entries]
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


def told_of(entry: Entry) -> dict[str, Any]:
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
