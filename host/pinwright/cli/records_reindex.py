"""`pinwright records reindex`: make the index of the folder anew."""

from __future__ import annotations

import argparse
import json

from pinwright.cli.kept import store_of
from pinwright.terminal import show_text

EXAMPLE = "reindex --simulated"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """None besides those of every action."""


def run(arguments: argparse.Namespace) -> int:
    store = store_of(arguments)
    count = store.reindex()
    if arguments.json:
        document = {"schema": "pinwright/reindex-1", "place": str(store.place), "records": count}
        show_text(json.dumps(document, indent=2))
    else:
        show_text(f"{count} record{'' if count == 1 else 's'} in the index of `{store.place}`")
    return 0
