"""`pinwright records export`: records as JSON Lines, to be kept elsewhere; or a table for a spreadsheet."""

from __future__ import annotations

import argparse
import contextlib
import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from pinwright.cable.wiring import printable
from pinwright.cli.kept import a_path, store_of
from pinwright.cli.records_list import add_filters, query_of
from pinwright.cli.writing import check_new
from pinwright.errors import UsageError
from pinwright.records.document import NotGenuine
from pinwright.records.entries import EVERYTHING
from pinwright.records.lines import in_order, line_of
from pinwright.records.remarks import read_remark
from pinwright.records.rows import kind_of
from pinwright.records.spreadsheet import table
from pinwright.records.store import Listed, Store
from pinwright.records.whole import whole_file
from pinwright.terminal import Told, progress, say, show_bytes, show_error, show_text

EXAMPLE = "export --simulated"
NOTES = """\
Every line is one sealed document, byte for byte: a record, a remark, a batch; `pinwright records import`
takes them in again. What is not as it was sealed is named and left out; so is a test whose withdrawal is not,
which would count again elsewhere.

Exit status: 0 all is written, 1 something was left out, 2 it cannot be written.

"""
_SCHEMA = "pinwright/export-1"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = f"{NOTES}{parser.epilog}"
    add_filters(parser)
    parser.add_argument(
        "--csv", action="store_true", help="a table for a spreadsheet, one row a test, instead of the records"
    )
    parser.add_argument(
        "--out",
        metavar="FILE",
        type=a_path,
        help="into a FILE that does not exist (default: standard output)",
    )


def run(arguments: argparse.Namespace) -> int:
    """0, or 1 where something is not as it was made and was left out."""
    if arguments.json and not arguments.out:
        raise UsageError("`--json` tells of a file that was written: it goes with `--out FILE`")
    if arguments.out:
        check_new(arguments.out)
    store = store_of(arguments)
    query = query_of(arguments)
    listed = store.found(query)
    if not listed:
        say(f"no records in `{store.place}`" if query == EVERYTHING else f"nothing fits in `{store.place}`")
    export = _Export(store, listed)
    with progress("writing") as told:
        pieces = export.table(told) if arguments.csv else export.lines(told)
        if arguments.out:
            write_whole(arguments.out, pieces)
        else:
            for piece in pieces:
                show_bytes(piece)
    if arguments.json:
        document = {"schema": _SCHEMA, "file": str(arguments.out), **export.members()}
        show_text(json.dumps(document, indent=2))
    elif arguments.out:
        show_text(f"{_shown(arguments.out)}: {export.text()}")
    return 1 if export.left_out else 0


def write_whole(path: Path, pieces: Iterator[bytes]) -> None:
    """A file of these pieces, or none. Raises UsageError where it exists or cannot be written."""
    try:
        with whole_file(path) as file:
            for piece in pieces:
                file.write(piece)
    except FileExistsError:
        check_new(path)
        raise
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        raise UsageError(
            f"`{path}` cannot be written: {getattr(error, 'strerror', None) or error}"
        ) from error


def _shown(path: Path) -> str:
    return printable(str(path), most=4096)


class _Export:
    """What is written of a folder, piece by piece, and what was left out."""

    def __init__(self, store: Store, listed: list[Listed]) -> None:
        self._store = store
        self._listed = listed
        self.written: Counter[str] = Counter()
        self.left_out: list[tuple[Path, str]] = []

    def table(self, told: Told) -> Iterator[bytes]:
        for count, row in enumerate(table(self._listed)):
            told(count, len(self._listed))
            yield row
        self.written["rows"] = len(self._listed)

    def lines(self, told: Told) -> Iterator[bytes]:
        done = 0
        withdrawn = {one.entry.path: one for one in self._listed if one.withdrawn}
        paths = in_order(self._listed, self._store.remarks_of, self._store.batches())
        for path in paths:
            try:
                line = line_of(path)
                if path in withdrawn and not self._stays_withdrawn(withdrawn[path]):
                    raise NotGenuine("its withdrawal is not as it was made, and it would count without")
            except NotGenuine as error:
                self._leave_out(path, f"NOT AS MADE: {error.reason}")
                continue
            except OSError as error:
                self._leave_out(path, f"cannot be read: {error.strerror or error}")
                continue
            kind = kind_of(path.name)
            self.written[_KINDS[kind]] += 1
            done += kind == "record"
            told(done, len(self._listed))
            yield line + b"\n"

    def _stays_withdrawn(self, one: Listed) -> bool:
        """Whether a withdrawal of this test is one that can be taken in with it."""
        entry = one.entry
        about = {"number": f"{entry.serial}.test-{entry.test}", "sha256": one.sha256}
        for remark in self._store.remarks_of(entry.serial):
            if (remark.kind, remark.test) != ("withdrawal", entry.test):
                continue
            with contextlib.suppress(NotGenuine, OSError):
                told = read_remark(line_of(remark.path))
                if (told["kind"], told["about"]) == ("withdrawal", about):
                    return True
        return False

    def _leave_out(self, path: Path, why: str) -> None:
        self.left_out.append((path, why))
        show_error(f"`{_shown(path)}` {why}; it was left out", "")

    def members(self) -> dict[str, object]:
        left_out = [{"file": str(path), "seen": why} for path, why in self.left_out]
        return {**self.written, "left_out": left_out}

    def text(self) -> str:
        counts = [
            f"{count} {_ONE.get(kind, kind) if count == 1 else kind}" for kind, count in self.written.items()
        ]
        return ", ".join(counts) or "nothing"


_KINDS = {"record": "records", "remark": "remarks", "batch": "batches"}
_ONE = {"records": "record", "remarks": "remark", "batches": "batch", "rows": "row"}
