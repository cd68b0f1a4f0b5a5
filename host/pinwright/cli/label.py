"""`pinwright label`: labels for cables that have a record, as PDF."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pinwright.cable.wiring import printable
from pinwright.cli.kept import a_number, a_path, add_place, store_of
from pinwright.cli.records_verify import (
    LOST,
    NOT_GENUINE,
    Verified,
    kept_record,
    not_genuine,
    show_verified,
)
from pinwright.cli.writing import check_new, write_new
from pinwright.errors import SerialError, UsageError
from pinwright.records.document import NotGenuine
from pinwright.records.rows import test_of
from pinwright.records.store import LARGEST_NUMBER, Store, check_serial
from pinwright.sheets.stock import MOST_MM, PAPERS, SIZE, Size, Stock, a_pair, fitting_stock
from pinwright.terminal import progress, show_text

if TYPE_CHECKING:
    from pinwright.cable.profile import Profile
    from pinwright.sheets.label import Labelled

_SCHEMA = "pinwright/label-1"
_STOCK = ("size", "paper", "grid", "margin", "gap", "roll", "flag", "outline")
_COUNTS = {"skip": 0, "copies": 1}  # and what they are where nobody says so
_MOST_TESTS = 9  # of one cable in a batch; who mends it more often sees whether its label has room
EPILOG = """\
Sheets are A4 unless `--paper` says otherwise, with as many labels as fit; all sizes are in millimetres,
across first. `--roll` makes each label a page of its own. Print the file at its actual size, not fitted to
the page; try it on plain paper first, with `--outline`, and hold that against the sheet of labels.

A flag goes round the cable and sticks to itself: `--size` is one half of it, `--flag 20` what goes round.

example: pinwright label HL40-0001 --simulated --out labels.pdf
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Labels for cables that have a record: serial, profile, date, and a code to check it by."
    )
    parser.epilog = EPILOG
    parser.add_argument(
        "serials", metavar="SERIAL", nargs="+", help="serial numbers, in the order of the labels"
    )
    parser.add_argument(
        "--test", metavar="N", type=a_number, help="the N-th test of one cable, not its latest"
    )
    parser.add_argument(
        "--out", metavar="FILE", type=a_path, required=True, help="the PDF, a FILE that does not exist"
    )
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    add_stock(parser)
    add_place(parser)


def add_stock(parser: argparse.ArgumentParser) -> None:
    """The options that say what labels are printed on."""
    group = parser.add_argument_group("labels, in mm")
    group.add_argument(
        "--size", metavar="WxH", help=f"of a label, or of half a flag (default: {SIZE[0]:g}x{SIZE[1]:g})"
    )
    group.add_argument("--paper", metavar="WxH", help=f"of a sheet, or {' or '.join(PAPERS)} (default: a4)")
    group.add_argument("--grid", metavar="CxR", help="columns and rows of labels (default: as many as fit)")
    group.add_argument(
        "--margin", metavar="LxT", help="left of and above the first label (default: in the middle)"
    )
    group.add_argument("--gap", metavar="WxH", help="between two labels (default: 0x0)")
    group.add_argument(
        "--skip", metavar="N", type=_a_count, default=0, help="labels already taken off the sheet"
    )
    group.add_argument("--roll", action="store_true", help="a roll: each label is a page of its own")
    group.add_argument(
        "--flag", metavar="D", help="flags: D goes round the cable, between two halves of that size"
    )
    group.add_argument("--copies", metavar="N", type=a_number, default=1, help="of each label")
    group.add_argument(
        "--outline", action="store_true", help="draw the edges of the labels, to try it on paper"
    )


def _a_count(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) <= 9):
        raise argparse.ArgumentTypeError("should be a whole number, 0 or more")
    return int(text)


def stock_of(arguments: argparse.Namespace) -> Stock:
    """What those options say. Raises UsageError where it does not fit."""
    paper = PAPERS.get((arguments.paper or "").casefold()) or _pair(arguments, "paper", "210x297", 1)
    grid = _pair(arguments, "grid", "3x8", 1)
    if grid and any(count % 1 for count in grid):
        raise UsageError(f"`--grid {printable(arguments.grid)}` counts columns and rows, in whole numbers")
    flag = 0.0
    if arguments.flag is not None:
        flag = (a_pair(f"{arguments.flag}x1") or (0.0, 0.0))[0]
        if not flag:
            raise UsageError(
                f"`--flag {printable(arguments.flag)}` should be what goes round the cable, in mm, such as 20"
            )
    return fitting_stock(
        size=_pair(arguments, "size", "50x25", 1) or SIZE,
        paper=paper,
        grid=grid and (int(grid[0]), int(grid[1])),
        margin=_pair(arguments, "margin", "8x13.5", 0),
        gap=_pair(arguments, "gap", "2x0", 0),
        skip=arguments.skip,
        roll=arguments.roll,
        flag=flag,
        copies=arguments.copies,
        outline=arguments.outline,
    )


def _pair(arguments: argparse.Namespace, name: str, example: str, least: float) -> Size | None:
    text = getattr(arguments, name)
    pair = None if text is None else a_pair(text)
    if text is not None and (pair is None or min(pair) < least):
        raise UsageError(
            f"`--{name} {printable(text)}` should be two numbers, such as `{example}`, each from {least:g} "
            f"to {MOST_MM:g}"
        )
    return pair


def run(arguments: argparse.Namespace) -> int:
    """0, or 1 where a record is not as it was made: then nothing is written."""
    if arguments.test and len(arguments.serials) > 1:
        raise UsageError("`--test` is about one cable; name one serial with it")
    stock = stock_of(arguments)
    check_new(arguments.out)
    labels, wrong = labelled(store_of(arguments), arguments.serials, arguments.test)
    if wrong:
        return show_verified(wrong, arguments.json)
    from pinwright.sheets.label import labels_pdf  # typst takes its time to load

    with progress("drawing labels") as told:
        drawn = labels_pdf(labels, stock, told)
    write_new(arguments.out, drawn)
    if arguments.json:
        show_text(json.dumps(_document(arguments.out, labels, stock), indent=2))
    else:
        show_text(f"{printable(str(arguments.out), most=4096)}: {told_of_sheets(len(labels), stock)}")
    return 0


def _document(file: Path, labels: Sequence[Labelled], stock: Stock) -> dict[str, object]:
    """sheets, next_skip: none of a roll."""
    sheets, used = _sheets(len(labels), stock) if stock.paper else (None, None)
    return {
        "schema": _SCHEMA,
        "file": str(file),
        "labels": [
            {"serial": one.serial, "test": one.test, "number": one.number, "state": one.state}
            for one in labels
        ],
        "copies": stock.copies,
        "sheets": sheets,
        "next_skip": used,
    }


def told_of_sheets(count: int, stock: Stock) -> str:
    """`3 labels on 1 sheet, with room for 41 more: --skip 3`. count: without copies."""
    sheets, used = _sheets(count, stock)
    count *= stock.copies
    labels = f"{count} label{'' if count == 1 else 's'}"
    if stock.paper is None:
        return f"{labels} for a roll"
    then = f", with room for {stock.on_a_page - used} more: `--skip {used}`" if used else ""
    return f"{labels} on {sheets} sheet{'' if sheets == 1 else 's'}{then}"


def _sheets(count: int, stock: Stock) -> tuple[int, int]:
    """How many sheets these labels take, without copies, and how many places of the last one are then used: 0
    where it is full."""
    sheets, used = divmod(stock.skip + count * stock.copies, stock.on_a_page)
    return sheets + (used > 0), used


def labelled(
    store: Store, serials: Sequence[str], test: int | None = None
) -> tuple[list[Labelled], list[Verified]]:
    """What the labels of these cables say, in this order; and which records are not as they were made: they
    have none.

    test: of each, instead of its latest. Raises SerialError where there is none, or a later one failed or is
    withdrawn, and RecordsError where one cannot be read.
    """
    labels, wrong = [], []
    with progress("reading records") as told:
        for done, serial in enumerate(serials):
            told(done, len(serials))
            label, seen = _labelled(store, serial, test)
            labels += [label] if label else []
            wrong += seen
    return labels, wrong


def _labelled(store: Store, serial: str, test: int | None) -> tuple[Labelled | None, list[Verified]]:
    from pinwright.sheets.label import labelled_of

    tests = store.tests_of(check_serial(serial))
    lost = store.lost(serial)
    if not tests and lost:
        return None, [(path, NOT_GENUINE, LOST) for path in lost]
    if not tests:
        raise SerialError(
            f"serial `{serial}` has no record in `{store.place}`",
            hint="`pinwright records list` lists them; scans on a virtual tester are in another folder: "
            "`--simulated`",
        )
    if test is not None and test not in {entry.test for entry in tests}:
        there = ", ".join(str(entry.test) for entry in tests)
        raise SerialError(f"serial `{tests[0].serial}` has no test {test}; there are {there}")
    withdrawn = {remark.test for remark in store.remarks_of(serial) if remark.kind == "withdrawal"}
    *_, chosen = (entry for entry in tests if test in (None, entry.test))
    later = [entry for entry in tests if entry.test >= chosen.test and entry is not chosen]
    wrong: list[Verified] = [
        (path, NOT_GENUINE, LOST) for path in lost if test_of(path.name)[1] >= chosen.test
    ]
    twice = [entry.path for entry in tests if entry.test == chosen.test]
    if len(twice) > 1:
        told = (
            f"NOT AS MADE: {len(twice)} records are of test {chosen.test} of this serial; one of them can be"
        )
        return None, [(path, NOT_GENUINE, told) for path in twice]
    records = []
    for entry in (chosen, *later):
        try:
            records.append(kept_record(entry.path))
        except NotGenuine as error:
            wrong.append((entry.path, NOT_GENUINE, not_genuine(error)))
    if wrong:
        return None, wrong
    for record in reversed(records[1:]):
        number = record.doc["test"]
        if number in withdrawn or not record.passed:
            became = "is withdrawn" if number in withdrawn else "failed"
            raise SerialError(
                f"test {number} of `{chosen.serial}` {became}: a label of the earlier test {chosen.test} "
                "would say nothing of that",
                hint="without `--test` the label is of the latest test",
            )
    return labelled_of(records[0], withdrawn=chosen.test in withdrawn), []


# Before there are any


def check_stock_alone(arguments: argparse.Namespace) -> None:
    """Raises UsageError where options say what labels are printed on, and none are."""
    given = [name for name in _STOCK if getattr(arguments, name) not in (None, False)]
    given += [name for name, usual in _COUNTS.items() if getattr(arguments, name) != usual]
    if given:
        raise UsageError(f"`--{given[0]}` is about labels, and `--labels FILE` asks for them")


def check_stock(profile: Profile, stock: Stock, count: int, *, simulated: bool) -> None:
    """Raises UsageError where labels of so many cables of a profile, whatever serials they get, cannot be
    printed on the stock: what no cable can be given afterwards is asked for in vain."""
    from pinwright.sheets.label import Labelled, check, check_count

    check_count(count, stock)
    serial = max((profile.serial_for(n) for n in (1, LARGEST_NUMBER)), key=len)
    longest = Labelled(
        number=f"{serial}.test-{_MOST_TESTS}",
        sha256="0" * 64,
        serial=serial,
        test=_MOST_TESTS,
        profile=profile.id,
        revision=profile.revision,
        date="2000-01-01",
        state="specimen" if simulated else "tested",
        simulated=simulated,
    )
    check([longest], stock)
