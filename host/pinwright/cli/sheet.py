"""`pinwright sheet`: how to build a cable, in the terminal, as PDF, or as a page."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import asdict
from functools import partial
from textwrap import fill

from pinwright.cable.profile import Profile
from pinwright.cable.wiring import printable
from pinwright.cli.kept import a_path
from pinwright.cli.writing import write_new
from pinwright.errors import UsageError
from pinwright.library import find_profile, library_folders
from pinwright.sheets.build import SIDES, BuildEnd, BuildSheet, Row, Side, Strand, build_sheet
from pinwright.sheets.build_sketch import end_sketch
from pinwright.sheets.sketch import Sketch
from pinwright.terminal import PIPED_WIDTH, show_sketch, show_table, show_text

EPILOG = """\
Connectors are drawn from the side that you hold: what is soldered from its solder side (of a DIP plug that
is its top, where the forks are), what is crimped from its face. `--view B=front` shows end B from its face,
`--view B=behind` from behind; back and ribbon mean behind, mating, face and top mean front.

The page is one file for a tablet at the bench: point at a conductor, a pin or a signal, tap it, or go there
with Tab and the arrow keys, and it lights up everywhere. It keeps its ticks, needs no network, and prints.

example: pinwright sheet lamp-changer-40 --view A=behind
"""
_TICK = "[ ]"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "How to build a cable: parts, where conductor 1 starts, which conductor on which pin."
    )
    parser.epilog = EPILOG
    parser.add_argument(
        "profile", metavar="PROFILE", help="id of a profile in the library, or a `.toml` file"
    )
    parser.add_argument(
        "--view",
        metavar="END=SIDE",
        action="append",
        default=[],
        help="draw an end from another side than usual: front or behind; once for each end",
    )
    parser.add_argument(
        "--pdf", metavar="FILE", type=a_path, help="write it as PDF, to a FILE that does not exist"
    )
    parser.add_argument("--html", metavar="FILE", type=a_path, help="write it as a page, likewise")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(arguments: argparse.Namespace) -> int:
    """0; everything else is raised."""
    loaded = find_profile(arguments.profile, library_folders())
    own = arguments.profile != loaded.profile.id
    sheet = build_sheet(
        loaded.profile, loaded.sha256, _views(arguments.view), loaded.path.name if own else ""
    )
    written = []
    for path, draw in ((arguments.pdf, _pdf), (arguments.html, _html)):
        if path is not None:
            write_new(path, draw(loaded.profile, sheet))
            written.append(str(path))
    if arguments.json:
        document = {"schema": "pinwright/sheet-1", **asdict(sheet), "files": written}
        show_text(json.dumps(document, indent=2))
    elif written:
        for name in written:
            show_text(name)
    else:
        _show(loaded.profile, sheet)
    return 0


def _pdf(profile: Profile, sheet: BuildSheet) -> bytes:
    from pinwright.sheets.build_pdf import build_pdf  # typst takes its time to load

    return build_pdf(profile, sheet)


def _html(profile: Profile, sheet: BuildSheet) -> bytes:
    from pinwright.sheets.build_page import build_page

    return build_page(profile, sheet)


def _views(words: Sequence[str]) -> dict[str, Side]:
    """What `--view` says: end → side. Raises UsageError."""
    chosen: dict[str, Side] = {}
    for word in words:
        end, equals, side = word.partition("=")
        if not (end and equals and side in SIDES):
            raise UsageError(
                f"`--view {printable(word)}` should be written END=SIDE, such as `--view B=front`; the sides "
                f"are {', '.join(SIDES)}"
            )
        if end in chosen:
            raise UsageError(f"`--view` names end `{printable(end)}` twice")
        chosen[end] = SIDES[side]
    return chosen


# In the terminal


def _show(profile: Profile, sheet: BuildSheet) -> None:
    wiring = f"\nwiring: {sheet.wiring}" if sheet.wiring else ""
    show_text(f"Build sheet: {sheet.title}\n{sheet.name}, SHA-256 {sheet.sha256}{wiring}")
    _section("Not yet confirmed:", sheet.to_confirm)
    show_text("")
    show_table(("Parts", ""), sheet.parts)
    _section("", sheet.cautions)
    for number, end in enumerate(sheet.ends):
        show_text("")
        _paragraph(end.caption)
        _paragraph(end.start)
        show_sketch(partial(_drawn, profile, sheet, number))
    _section("In this order", sheet.steps, _TICK)
    for strand in sheet.strands:
        show_text(f"\n{strand.heading}")
        ends = [sheet.ends[place] for place in strand.ends]
        show_table(
            ("", "no.", "signal", *(end.name for end in ends)),
            map(partial(_cells, sheet, strand), strand.rows),
        )
    _section("Common signals", [f"{link.kind}: {link.signal}. {link.text}" for link in sheet.links])
    _section("Spare conductors", sheet.spare)
    _section("Pins that stay free", [f"end {name}: {text}" for name, text in sheet.unused])
    _section("Notes", sheet.notes)


def _drawn(profile: Profile, sheet: BuildSheet, number: int, width: int, height: int, ascii: bool) -> Sketch:
    return end_sketch(profile.ends[number], sheet, width, ascii)


def _cells(sheet: BuildSheet, strand: Strand, row: Row) -> tuple[str, ...]:
    """A pressed end has its pin alone: the plug says where that is. All else has its place too."""
    what = "; ".join(filter(None, (row.signal or ("spare" if row.spare else "–"), row.remark)))
    ends = (_spots(sheet.ends[place], row, place) for place in strand.ends)
    return (_TICK, f"{row.number:>3}", what, *ends)


def _spots(end: BuildEnd, row: Row, place: int) -> str:
    spots = [(f"{spot.name:>2}", spot.place) for spot in row.spots[place]]
    told = [name if end.pressed else f"{name}  {where}" for name, where in spots]
    return "\n".join(filter(None, (*told, row.asides[place])))


def _section(heading: str, texts: Sequence[str], mark: str = "-") -> None:
    if not texts:
        return
    show_text(f"\n{heading}" if heading else "")
    for text in texts:
        _paragraph(text, f"{mark} ", " " * (len(mark) + 1))


def _paragraph(text: str, first: str = "", others: str = "") -> None:
    """Folded as where the output is piped, so that it reads well on a wide terminal too."""
    show_text(fill(text, PIPED_WIDTH, initial_indent=first, subsequent_indent=others, break_on_hyphens=False))
