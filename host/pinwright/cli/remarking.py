"""What `records note` and `records withdraw` share."""

from __future__ import annotations

import argparse
import json
from datetime import UTC, datetime

from pinwright import __version__
from pinwright.cli.kept import store_of
from pinwright.cli.records_show import chosen, tests_of
from pinwright.records.document import open_sealed
from pinwright.records.entries import RemarkKind
from pinwright.records.remarks import MOST_BY, MOST_TEXT, check_words
from pinwright.terminal import show_text
from pinwright.tester.calibration import rfc3339


def keep(kind: RemarkKind, arguments: argparse.Namespace, text: str) -> int:
    """Keep a remark about a test that is there, and tell where. Returns 0."""
    check_words(text, "the text" if kind == "note" else "the reason", MOST_TEXT)
    if arguments.by is not None:
        check_words(arguments.by, "`--by`", MOST_BY)
    store = store_of(arguments)
    entry = chosen(tests_of(store, arguments.serial), arguments.test)
    path = store.remark(
        kind,
        entry.serial,
        entry.test,
        text,
        by=arguments.by,
        made=rfc3339(datetime.now(UTC)),
        host=__version__,
    )
    if arguments.json:
        show_text(json.dumps(open_sealed(path.read_bytes()), indent=2))
    else:
        done = "noted about" if kind == "note" else "withdrawn:"
        show_text(f"{done} {entry.serial}.test-{entry.test}: {path}")
    return 0
