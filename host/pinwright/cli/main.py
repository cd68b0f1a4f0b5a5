"""`pinwright COMMAND …`: finds the command, and turns whatever comes out of it into an exit status.

0 done · 1 the cable failed · 2 the input is wrong · 3 the tester cannot be trusted · 70 our own bug ·
130 interrupted. Python would exit with 1 on a crash, which would read as "cable failed"; `main`
therefore catches everything.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import traceback
from collections.abc import Sequence
from importlib import import_module
from typing import Any, NoReturn

from pinwright import __version__
from pinwright.errors import OwnBug, PinwrightError, UsageError

# Command → its module and a line for the list. A module is imported only when it is needed.
COMMANDS = {
    "scan": "prove one cable against its profile",
    "batch": "prove several cables of one kind, one after another, hands free",
    "touch": "touch a conductor with the probe lead and see which it is, and where it goes",
    "explain": "say once more what is wrong with a cable, from a saved scan",
    "capture": "make a profile from a known-good lead on the tester",
    "derive": "work out a cable from the pinouts of its ends",
    "sheet": "how to build a cable: which conductor goes on which pin",
    "profiles": "list, show, check and compare profiles",
    "records": "what was tested: list, show, verify, compare, keep",
    "label": "labels for cables that have a record",
    "testers": "list what is plugged in: testers, and what else is at the ports",
    "tester": "calibrate a tester, or make its long check",
    "install": "put the firmware on a board, give the board a name",
    "virtual": "keep a virtual tester on a port, for any program",
    "completion": "have the shell complete commands, profiles, serials and ports",
    "demo": "see the main job happen without a board",
}
_DRIVING = {"scan", "batch", "touch", "capture", "demo", "tester"}  # commands that have a board drive points
_INTERRUPTED = 130


class Parser(argparse.ArgumentParser):
    """An argument parser that raises instead of exiting."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(message, hint=f"`{self.prog} --help` shows what goes")


def parser(command: str | None = None, action: str | None = None) -> Parser:
    """The whole command line; only the named command's own arguments are built, to start fast.

    action: of a command that has some, the one whose own arguments are built (None: those of all).
    """
    top = Parser(
        prog="pinwright",
        description="Work out, build and prove replacement cables.",
        epilog="example: pinwright demo",
        allow_abbrev=False,
    )
    top.add_argument("--version", action="version", version=f"pinwright {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=Parser)
    for name, about in COMMANDS.items():
        sub = commands.add_parser(
            name,
            help=about,
            allow_abbrev=False,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        if name == command:
            module = import_module(f"pinwright.cli.{name}")
            if action in getattr(module, "ACTIONS", ()):
                module.add_arguments(sub, action)
            else:
                module.add_arguments(sub)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Returns its exit status; never raises."""
    words = list(sys.argv[1:] if argv is None else argv)
    # Python has none where the shell closed them (`>&-`).
    sys.stdout = sys.stdout or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    sys.stderr = sys.stderr or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    as_json = "--json" in words
    if "_ARGCOMPLETE" in os.environ and not words:  # with words it is a command, whatever a shell has set
        from pinwright.cli.completion import answer

        answer(parser, COMMANDS)
    try:
        status = _run(words)
        sys.stdout.flush()
        return status
    except KeyboardInterrupt:
        points = "; every point was let go" if _DRIVING & set(words) else ""
        return _tell(as_json, _INTERRUPTED, f"interrupted{points}", "")
    except OwnBug as error:
        return _tell(as_json, error.status, *_bug(f"{error.message}; "))
    except PinwrightError as error:
        return _tell(as_json, error.status, error.message, error.hint)
    except BrokenPipeError:
        return UsageError.status  # nobody reads any more
    except OSError as error:
        if error.filename is None and not _can_write():
            return _tell(False, UsageError.status, f"standard output cannot be written: {error.strerror}", "")
        return _tell(as_json, 70, *_bug())
    except (Exception, SystemExit):  # nothing below may choose the status by itself
        return _tell(as_json, 70, *_bug())


def _run(words: list[str]) -> int:
    command, action, *_ = [*(word for word in words if not word.startswith("-")), None, None]
    try:
        arguments = parser(command if command in COMMANDS else None, action).parse_args(words)
    except SystemExit as done:  # --help and --version
        return 0 if done.code is None else int(done.code)
    module: Any = import_module(f"pinwright.cli.{arguments.command}")
    status: int = module.run(arguments)
    return status


def _can_write() -> bool:
    try:
        sys.stdout.flush()
    except OSError:
        return False
    return True


def _bug(seen: str = "") -> tuple[str, str]:
    """Write the details where they can be found; the sentence that says so, after what was seen."""
    details = f"pinwright {__version__}\n{sys.argv}\n{traceback.format_exc()}"
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="pinwright-bug-", suffix=".txt", delete=False, encoding="utf-8"
        ) as file:
            file.write(details)
        where = f"the details are in `{file.name}`"
    except OSError:
        last = details.strip().splitlines()[-1]
        where = f"the details could not be written anywhere; it was: {last}"
    return f"{seen}this is a bug in pinwright, not in your cable; {where}", "please report it with that file"


def _tell(as_json: bool, status: int, message: str, hint: str) -> int:
    """An error in the form that was asked for; on standard error where that cannot be. Returns the status."""
    if as_json:
        document = {"schema": "pinwright/error-1", "status": status, "message": message, "hint": hint}
        try:
            print(json.dumps(document, indent=2), flush=True)
            return status
        except BrokenPipeError:
            return status  # nobody reads any more
        except OSError as error:
            message = f"{message}; and standard output cannot be written: {error.strerror}"
    try:
        from pinwright.terminal import show_error

        show_error(message, hint)
    except OSError:
        pass  # nobody to tell; the status still says it
    return status
