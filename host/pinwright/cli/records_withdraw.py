"""`pinwright records withdraw`: say that a test does not count any more, and why."""

from __future__ import annotations

import argparse

from pinwright.cli.kept import a_number
from pinwright.cli.remarking import keep

EXAMPLE = 'withdraw HL40-0001 "the label was put on another cable" --simulated'
NOTES = """\
The record stays as it is, and so do its PDF and page: take back what you gave away of them. There is no way
back: a cable that is good after all is tested again.

"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = f"{NOTES}{parser.epilog}"
    parser.add_argument("serial", metavar="SERIAL", help="the cable's serial number")
    parser.add_argument("reason", metavar="REASON", help="why: one line, at most 2000 characters")
    parser.add_argument("--test", metavar="N", type=a_number, help="its N-th test (default: the latest)")
    parser.add_argument("--by", metavar="TEXT", help="who says so")


def run(arguments: argparse.Namespace) -> int:
    return keep("withdrawal", arguments, arguments.reason)
