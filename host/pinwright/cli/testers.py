"""`pinwright testers`: what is plugged in."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence

from pinwright.discovery import Seen, survey
from pinwright.terminal import progress, say, show_text

EPILOG = """\
Every USB serial port is listed; only Raspberry Pi boards, by their USB id, and the ports that `--port` names
are opened, since opening a port may disturb what is on it.

example: pinwright testers
"""
SCHEMA = "pinwright/testers-1"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "List the ports of this machine, and what is known of each."
    parser.epilog = EPILOG
    parser.add_argument(
        "--port", metavar="PORT", action="append", default=[], help="ask there too; may be given again"
    )
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(arguments: argparse.Namespace) -> int:
    """0, whatever is there."""
    with progress("asking who is at the ports"):
        all_seen = survey(arguments.port)
    if arguments.json:
        document = {"schema": SCHEMA, "ports": [_document(seen) for seen in all_seen]}
        show_text(json.dumps(document, indent=2))
        return 0
    if not all_seen:
        say("there is no USB serial port: plug a board in, or name a port with `--port`")
        return 0
    for line in _aligned([("port", "what", "name", "firmware", "points"), *map(_row, all_seen)]):
        show_text(line)  # a port is never broken over two lines: it has to be copied
    for seen in all_seen:
        if seen.said:
            show_text(f"\n{seen.said}" + (f"\n  {seen.remedy}" if seen.remedy else ""))
    return 0


def _aligned(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _row(seen: Seen) -> tuple[str, ...]:
    hello = seen.hello
    if hello is None:
        return seen.port, seen.kind, "", "", ""
    kind = f"virtual {seen.kind}" if hello.platform and hello.simulated else seen.kind
    return seen.port, kind, hello.name, hello.firmware, _points(seen)


def _points(seen: Seen) -> str:
    hello = seen.hello
    if hello is None or not hello.points:
        return ""
    if not hello.fitted:
        return f"{hello.points}, pocket"
    lane = {"none": "no ohms lane", "uncalibrated": "not calibrated"}.get(hello.lane, hello.lane)
    bus = ", slow bus: its fast one failed" if hello.bus == "fallback" else ""
    return f"{hello.points}, {hello.fitted} expanders, {lane}{bus}"


def _document(seen: Seen) -> dict[str, object]:
    hello = seen.hello
    tester = hello and {
        "id": hello.id,
        "name": hello.name or None,
        "firmware": hello.firmware,
        "protocol": hello.protocol,
        "fixture": hello.fixture or None,
        "points": hello.points or None,
        "expanders": hello.fitted if hello.points else None,
        "lane": hello.lane if hello.points else None,
        "bus": hello.bus or None,
        "kind": ("virtual" if hello.simulated else "board") if hello.platform else None,
    }
    return {
        "port": seen.port,
        "state": seen.kind,
        "tester": tester,
        "message": seen.said or None,
        "hint": seen.remedy or None,
    }
