"""`pinwright records …`: the folder of records. What an action does is in a module of its own."""

from __future__ import annotations

import argparse
from importlib import import_module
from typing import Any

from pinwright.cli.kept import add_place

EPILOG = """\
example: pinwright records verify --simulated
"""
# Action → a line for the list. Its module, `records_` and its name, is imported only when it is needed.
ACTIONS = {
    "list": "every record of the folder, as it says of itself",
    "show": "one cable, as its latest test found it",
    "compare": "two tests of one cable side by side",
    "note": "say something about a test, beside what was recorded",
    "withdraw": "say that a test does not count any more, and why",
    "verify": "prove that files are as they were made",
    "report": "yield, where cables of one kind fail, and how their joints spread",
    "export": "records as JSON Lines, or a table for a spreadsheet",
    "import": "take in what was exported or backed up",
    "backup": "the whole folder as one file",
    "reindex": "make the index of the folder anew",
}


def add_arguments(parser: argparse.ArgumentParser, action: str | None = None) -> None:
    """action: the one whose own arguments are needed; None: those of all."""
    parser.description = "The folder of records: what was tested, and whether it is as it was written."
    parser.epilog = EPILOG
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    for name, about in ACTIONS.items():
        made = actions.add_parser(name, help=about, formatter_class=argparse.RawDescriptionHelpFormatter)
        if action not in (None, name):
            continue
        module = _module(name)
        made.description = f"{about[0].upper()}{about[1:]}."
        made.epilog = f"example: pinwright records {module.EXAMPLE}"
        add_place(made)
        made.add_argument("--json", action="store_true", help="one JSON document on standard output")
        module.add_arguments(made)


def run(arguments: argparse.Namespace) -> int:
    """0, or 1 where a record does not verify or two differ, or 2 where something is not there."""
    status: int = _module(arguments.action).run(arguments)
    return status


def _module(action: str) -> Any:
    return import_module(f"pinwright.cli.records_{action}")
