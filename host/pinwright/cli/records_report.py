"""`pinwright records report`: yield, where cables fail, and how joints spread, of one kind of cable."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from functools import partial
from textwrap import fill
from threading import Event, Thread
from typing import TYPE_CHECKING, Any

from pinwright.cable.profile import Profile
from pinwright.cable.wiring import printable
from pinwright.cli.kept import a_moment, a_path, store_of
from pinwright.cli.writing import check_new, write_new
from pinwright.errors import UsageError
from pinwright.library import find_profile, library_folders, profile_of
from pinwright.records.entries import Measured, Query
from pinwright.records.store import Store
from pinwright.terminal import (
    PIPED_WIDTH,
    ascii_only,
    progress,
    show_sketch,
    show_table,
    show_text,
    terminal_width,
)

if TYPE_CHECKING:
    from pinwright.records.statistics import Period, Report, Spread
    from pinwright.sheets.report import ReportEnd, ReportSheet
    from pinwright.sheets.sketch import Sketch

EXAMPLE = "report lamp-changer-40 --simulated"
_BAR, _STRIP = 20, 18  # characters, where there is room
_SHORTEST = 8
_MOST_SIGNAL = 10
_TICK_S = 0.5


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "profile", metavar="PROFILE", help="id of a profile that was tested against, or a `.toml` file"
    )
    parser.add_argument(
        "--since", metavar="D", help="cables first tested on D or later: 2026, 2026-03, 2026-03-01"
    )
    parser.add_argument("--until", metavar="D", help="cables first tested on D or earlier, likewise")
    parser.add_argument("--revision", metavar="R", help="only tests against this revision of the profile")
    parser.add_argument(
        "--html", metavar="FILE", type=a_path, help="write it as a page, to a FILE that does not exist"
    )


def run(arguments: argparse.Namespace) -> int:
    """0; everything else is raised."""
    since = a_moment("--since", arguments.since, 0) if arguments.since is not None else ""
    until = a_moment("--until", arguments.until, 1) if arguments.until is not None else ""
    if since and until and since > until:
        raise UsageError(f"`--since {arguments.since}` is after `--until {arguments.until}`")
    if arguments.html:
        check_new(arguments.html)
    store = store_of(arguments)
    profile, of_record = _profile(store, arguments.profile)
    # Drawing takes its time to load.
    from pinwright.records.statistics import statistics
    from pinwright.sheets.report import report_sheet

    store.cables(most=1)  # the index is in step afterwards; that has a bar of its own
    with _with_a_bar("reading records"):
        tests = store.measured(profile.id)
        simulations = arguments.simulated or _are_simulations(store, tests)
        unreadable = store.found(Query(result="unreadable")) if tests else []
        report = statistics(
            tests,
            {end.name: end.connector.pins for end in profile.ends},
            revision=arguments.revision,
            since=since,
            until=until,
            simulations=simulations,
            lost=[(one.entry.serial, one.entry.test) for one in unreadable],
        )
    sheet = report_sheet(
        profile, report, of_record=of_record, asked=_asked(arguments), simulations=simulations
    )
    files = []
    if arguments.html:
        from pinwright.sheets.report_page import report_page

        write_new(arguments.html, report_page(sheet))
        files.append(str(arguments.html))
    if arguments.json:
        show_text(
            json.dumps(
                _document(arguments, store, profile, report, sheet, of_record, simulations, files), indent=2
            )
        )
    elif files:
        show_text(printable(files[0], most=4096))
    elif not report.cables:
        show_text(_nothing(store, sheet))
    else:
        _show(sheet)
    return 0


def _are_simulations(store: Store, tests: Sequence[Measured]) -> bool:
    """Whether the folder has nothing else, as a copy of the one for simulations: there is no cable to report
    instead."""
    if not tests or not all(one.simulated for one in tests):
        return False
    return all(one.simulated for one in store.found(Query()) if one.result != "unreadable")


@contextmanager
def _with_a_bar(what: str) -> Iterator[None]:
    """A bar, once that has lasted a second, for what cannot say how far it has come."""
    over = Event()
    with progress(what) as told:

        def ticks() -> None:
            while not over.wait(_TICK_S):
                told(0, 0)

        thread = Thread(target=ticks, daemon=True)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()


def _profile(store: Store, name: str) -> tuple[Profile, bool]:
    """The profile of the library or of a file; else the newest record's own, and True. Raises what
    `find_profile` does where no record has one either."""
    try:
        return find_profile(name, library_folders()).profile, False
    except UsageError:
        from pinwright.records.document import NotGenuine
        from pinwright.records.record import bytes_of, read_record

        found = store.found(Query(profile=name)) if not name.endswith(".toml") else []
        for one in sorted(found, key=lambda one: one.started, reverse=True):
            try:
                return read_record(bytes_of(one.entry.path), profile_of).profile, True
            except (NotGenuine, OSError):
                continue
        raise


def _asked(arguments: argparse.Namespace) -> str:
    told = [
        f"first tested {word} {printable(text)}"
        for word, text in (("since", arguments.since), ("until", arguments.until))
        if text
    ]
    told += [f"revision {printable(arguments.revision)} only"] if arguments.revision is not None else []
    return ", ".join(told)


def _nothing(store: Store, sheet: ReportSheet) -> str:
    left = dict(sheet.about).get("Left out", "")
    return f"no tests of `{sheet.name}` to report in `{store.place}`{f' (left out: {left})' if left else ''}"


def _document(
    arguments: argparse.Namespace,
    store: Store,
    profile: Profile,
    report: Report,
    sheet: ReportSheet,
    of_record: bool,
    simulations: bool,
    files: Sequence[str],
) -> dict[str, Any]:
    from pinwright.records.statistics import Share

    def share(count: int) -> dict[str, object]:
        low, high = Share(count, report.total.made).interval
        return {"count": count, "of": report.total.made, "low": round(low, 4), "high": round(high, 4)}

    facts = asdict(report)
    return {
        "schema": "pinwright/report-1",
        "place": str(store.place),
        "profile": {
            "id": profile.id,
            "title": profile.title,
            "revision": profile.revision,
            "from": "record" if of_record else "library",
        },
        "simulations": simulations,
        "since": arguments.since,
        "until": arguments.until,
        "revision": arguments.revision,
        "cables": report.cables,
        "tests": report.tests,
        "begun": report.begun or None,
        "ended": report.ended or None,
        "first": share(report.total.first),
        "in_the_end": share(report.total.passed),
        "failed": report.total.failed,
        "unknown": report.total.unknown,
        **{key: facts[key] for key in ("months", "kinds")},
        "plugs": facts["plugs"],
        "pins": [_with_kinds(one) for one in facts["pins"]],
        "elsewhere": [_with_kinds(one) for one in facts["elsewhere"]],
        "worst": [asdict(one) for one in sheet.worst],
        "measured": report.measured,
        "spreads": [
            {key: round(value, 3) if isinstance(value, float) else value for key, value in one.items()}
            for one in facts["spreads"]
        ],
        "revisions": [{"revision": revision, "tests": tests} for revision, tests in report.revisions],
        "left_out": facts["left_out"],
        "files": list(files),
    }


def _with_kinds(one: dict[str, Any]) -> dict[str, Any]:
    return {**one, "kinds": dict(one["kinds"])}


# In the terminal


def _show(sheet: ReportSheet) -> None:
    from pinwright.sheets.report import LEGEND

    ascii = ascii_only()
    for text in (*([sheet.warning, ""] if sheet.warning else []), f"Report: {sheet.title}", sheet.name):
        _paragraph(text)
    show_table(("", ""), sheet.about)
    _show_yield(sheet, ascii)
    if sheet.kinds:
        show_text("\nWhat was wrong")
        show_table(
            ("fault", "", "cables", "tests"),
            [(kind, what, f"{cables:>6}", f"{tests:>5}") for kind, what, cables, tests in sheet.kinds],
        )
    if sheet.plugs:
        told = ", ".join(f"end {end} {kind} {cables}" for end, kind, cables in sheet.plugs)
        _paragraph(f"About a whole plug, and not in the drawings: {told}.")
    show_text("\nWhere, as the connectors are held")
    _paragraph(f"{LEGEND} {'>' if ascii else '▸'} pin 1, {'.' if ascii else '·'} no fault.")
    for end in sheet.ends:
        show_text("")
        _paragraph(f"{end.caption}; {end.view}")
        if _drawn(end, sheet.most, terminal_width(), 0, ascii):
            show_sketch(partial(_drawn, end, sheet.most))
        else:
            _paragraph("(too wide to be drawn here; `--html FILE` has it)")
    if sheet.worst:
        show_text("\nThe worst pins")
        show_table(
            ("pin", "cables", "where", "signal", "faults"),
            [(one.pin, f"{one.cables:>6}", one.place, one.signal, one.kinds) for one in sheet.worst],
        )
    if sheet.more:
        _paragraph(f"{sheet.more} more pin{'' if sheet.more == 1 else 's'} had a fault")
    if sheet.elsewhere:
        _paragraph(f"Pins that these connectors have not: {sheet.elsewhere}.")
    _show_spreads(sheet, ascii)


def _show_yield(sheet: ReportSheet, ascii: bool) -> None:
    unknown = bool(sheet.total.unknown)
    show_text("\nYield, by the month of the first test (UTC)")
    headings = [*_MONTHS, *(["unknown"] if unknown else [])]
    wide = 7 + sum(map(len, headings[1:])) - len("passed") + 2 * (len(headings) - 1)
    if terminal_width() - wide < _BAR:  # long headings in two lines
        headings = [_IN_TWO_LINES.get(heading, heading) for heading in headings]
        wide = 7 + sum(len(_line_of(heading)) for heading in headings[1:]) - 6 + 2 * (len(headings) - 1)
    bar = max(_SHORTEST, min(_BAR, terminal_width() - wide))
    show_table(
        [_right(heading) if heading in _IN_TWO_LINES.values() else heading for heading in headings],
        [_month_row(month, headings, bar, ascii) for month in (*sheet.months, sheet.total)],
    )
    at_once, mended, other, nobody_knows = _BLOCKS[ascii]
    what = f", {nobody_knows} unknown: the latest test was withdrawn, or is not as it was made"
    _paragraph(f"{at_once} at the first test, {mended} after mending, {other} not{what if unknown else ''}")
    for text in sheet.yields:
        _paragraph(text)


# At the first test, after mending, not, and what nobody knows; then in ASCII.
_BLOCKS = (("█", "▒", "░", "?"), ("#", "+", ".", "?"))
_MONTHS = ("month", "cables", "passed", "at once", "in the end", "failed")
_IN_TWO_LINES = {"at once": "at\nonce", "in the end": "in the\nend", "unknown": "un-\nknown"}


def _line_of(heading: str) -> str:
    """The longest."""
    return max(heading.splitlines(), key=len)


def _right(heading: str) -> str:
    """Its lines aligned at the right, as numbers are."""
    width = len(_line_of(heading))
    return "\n".join(line.rjust(width) for line in heading.splitlines())


def _month_row(month: Period, headings: Sequence[str], bar: int, ascii: bool) -> tuple[str, ...]:
    numbers = (month.made, month.first, month.passed, month.failed, month.unknown)
    above = (headings[1], *headings[3:])  # all but that of the bar; unknown has one only where there are any
    told = [f"{number:>{len(_line_of(one))}}" for number, one in zip(numbers, above, strict=False)]
    return (month.month or "all", told[0], _bar(month, bar, ascii), *told[1:])


def _bar(month: Period, width: int, ascii: bool) -> str:
    """Shares of its cables: passed at the first test and in the end, after mending, not, and unknown."""
    counts = (month.passed - month.mended, month.passed, month.passed + month.failed, month.made)
    edges = [round(width * count / month.made) for count in counts]
    return "".join(
        char * (end - start) for char, start, end in zip(_BLOCKS[ascii], [0, *edges], edges, strict=False)
    )


def _drawn(end: ReportEnd, most: int, width: int, height: int, ascii: bool) -> Sketch:
    from pinwright.sheets.report_sketch import fault_sketch

    return fault_sketch(end, most, width, ascii)


def _show_spreads(sheet: ReportSheet, ascii: bool) -> None:
    show_text("\nResistance of each conductor")
    _paragraph(sheet.spread_text)
    if not sheet.spreads:
        return
    most = max(row.spread.highest for row in sheet.spreads)
    cut = "..." if ascii else "…"
    columns = {
        "from": [row.pin for row in sheet.spreads],
        "signal": [
            row.signal if len(row.signal) <= _MOST_SIGNAL else row.signal[: _MOST_SIGNAL - len(cut)] + cut
            for row in sheet.spreads
        ],
        "n": [str(row.spread.cables) for row in sheet.spreads],
        f"0 to {most:.2f}": [" " * _STRIP for _ in sheet.spreads],
        "median": [f"{row.spread.median:>6.2f}" for row in sheet.spreads],
        "quartiles": [f"{row.spread.lower:.2f} {row.spread.upper:.2f}" for row in sheet.spreads],
        "from, to": [f"{row.spread.lowest:.2f} {row.spread.highest:.2f}" for row in sheet.spreads],
        "+-" if ascii else "±": [f"{row.spread.uncertainty:.1f}" for row in sheet.spreads],
    }
    over = _too_wide(columns)
    for of_the_strip in ("quartiles", "from, to"):  # it shows them as well
        if over > _STRIP - max(_SHORTEST, len(f"0 to {most:.2f}")):
            del columns[of_the_strip]
            over = _too_wide(columns)
    width = max(_SHORTEST, _STRIP - max(0, over))
    columns[f"0 to {most:.2f}"] = [_strip(row.spread, most, width, ascii) for row in sheet.spreads]
    show_table(tuple(columns), list(zip(*columns.values(), strict=True)))
    line, box, bar = _STRIPS[ascii]
    _paragraph(
        f"{line} from the lowest to the highest, {box} between the quartiles, {bar} the median; n: cables; "
        f"{'+-' if ascii else '±'}: the uncertainty of a reading, the median of all"
    )


_STRIPS = (("─", "▒", "┃"), ("-", "=", "|"))


def _too_wide(columns: Mapping[str, Sequence[str]]) -> int:
    """How many characters wider than the terminal."""
    widths = [max(map(len, (heading, *cells))) for heading, cells in columns.items()]
    return sum(widths) + 2 * (len(widths) - 1) - terminal_width()


def _strip(spread: Spread, most: float, width: int, ascii: bool) -> str:
    """Where its cables lie between nothing and the highest of all."""
    line, box, bar = _STRIPS[ascii]
    lowest, lower, middle, upper, highest = (
        round((width - 1) * min(1.0, max(0.0, ohms / most if most > 0 else 0.0)))
        for ohms in (spread.lowest, spread.lower, spread.median, spread.upper, spread.highest)
    )
    cells = [" "] * width
    cells[lowest : highest + 1] = line * (highest + 1 - lowest)
    cells[lower : upper + 1] = box * (upper + 1 - lower)
    cells[middle] = bar
    return "".join(cells)


def _paragraph(text: str) -> None:
    """Folded, on a wide terminal as where the output is piped, so that it reads well."""
    show_text(fill(text, min(PIPED_WIDTH, terminal_width()), break_on_hyphens=False))
