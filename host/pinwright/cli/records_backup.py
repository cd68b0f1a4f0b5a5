"""`pinwright records backup`: the whole folder of records as one file, while others go on saving."""

from __future__ import annotations

import argparse
import json
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pinwright import __version__
from pinwright.cable.wiring import printable
from pinwright.cli.kept import a_path, store_of
from pinwright.cli.writing import check_new
from pinwright.errors import RecordsError, UsageError
from pinwright.records.backup import Spoiled, write_backup
from pinwright.records.record import is_regular
from pinwright.records.whole import whole_file
from pinwright.terminal import progress, show_error, show_text
from pinwright.tester.calibration import rfc3339

EXAMPLE = "backup records.zip --simulated"
NOTES = """\
Every record that was saved before it began is in it, with its documents, notes, withdrawals and batches;
scans may go on meanwhile. It is read back before it gets its name. `pinwright records import FILE` takes it
in again, and whoever unpacks it has the folder. What is named like one of them and is no file, such as a
pipe, is named and left out.

Exit status: 0 all is in it, 1 something was left out, 2 it cannot be written.

"""
_SCHEMA = "pinwright/backup-1"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = f"{NOTES}{parser.epilog}"
    parser.add_argument("file", metavar="FILE", type=a_path, help="a ZIP that does not exist yet")


def run(arguments: argparse.Namespace) -> int:
    """0 once the backup is there and was read back, or 1 where something was left out."""
    store, path = store_of(arguments), arguments.file
    shown = printable(str(path), most=4096)
    if Path(os.path.realpath(store.place)) in Path(os.path.realpath(path)).parents:
        raise UsageError(
            f"`{shown}` is inside the folder of records; a backup belongs elsewhere, on another disk at best"
        )
    check_new(path)
    found = store.names_for_backup() if store.place.is_dir() else []
    files = [one for one in found if _may_be_copied(one)]
    left_out = sorted(set(found).difference(files))
    for one in left_out:
        show_error(f"`{printable(str(one), most=4096)}` is no regular file; it was left out", "")
    if not files:
        raise RecordsError(f"records folder `{store.place}` holds nothing to be backed up")
    made = rfc3339(datetime.now(UTC))
    try:
        with whole_file(path) as file, progress("backing up") as told:
            manifest = write_backup(file, files, made, __version__, told)
    except FileExistsError:
        check_new(path)
        raise
    except Spoiled as error:
        raise RecordsError(f"`{shown}` cannot be written: what is read back differs: {error}") from error
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        raise UsageError(f"`{shown}` cannot be written: {_why(error, path)}") from error
    size = path.stat().st_size
    if arguments.json:
        told_of = {key: manifest[key] for key in ("made", "counts", "sha256")}
        document = {
            "schema": _SCHEMA,
            "file": str(path),
            "bytes": size,
            **told_of,
            "left_out": [str(one) for one in left_out],
        }
        show_text(json.dumps(document, indent=2))
    else:
        show_text(f"{shown}: {_counted(manifest['counts'])}; {size / 1e6:.1f} MB, read back and as written")
    return 1 if left_out else 0


def _may_be_copied(file: Path) -> bool:
    """Whether it is a file that has an end; one that is gone is missed when it is copied."""
    try:
        return is_regular(file)
    except OSError:  # a link to nothing is no file
        return not os.path.lexists(file)


def _why(error: OSError | ValueError, path: Path) -> str:
    """What was refused, and for which file, if it is one that was to be copied."""
    if not isinstance(error, OSError) or not error.strerror:
        return str(error)
    copied = error.filename is not None and Path(error.filename).parent != path.parent
    return f"{error.strerror}: `{error.filename}`" if copied else error.strerror


def _counted(counts: dict[str, Any]) -> str:
    one = {"records": "record", "remarks": "remark", "batches": "batch", "documents": "document"}
    return ", ".join(f"{count} {one[kind] if count == 1 else kind}" for kind, count in counts.items())
