"""`pinwright records note`: say something about a test, beside what was recorded."""

from __future__ import annotations

import argparse

from pinwright.cli.kept import a_number
from pinwright.cli.remarking import keep

EXAMPLE = 'note HL40-0001 "sleeve of plug B replaced" --by "O. Perator" --simulated'


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("serial", metavar="SERIAL", help="the cable's serial number")
    parser.add_argument("text", metavar="TEXT", help="what to note: one line of 1 to 2000 characters")
    parser.add_argument("--test", metavar="N", type=a_number, help="about its N-th test (default: the last)")
    parser.add_argument("--by", metavar="TEXT", help="who says so")


def run(arguments: argparse.Namespace) -> int:
    return keep("note", arguments, arguments.text)
