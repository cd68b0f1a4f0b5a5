"""`pinwright completion`: what a shell needs to complete the words of a command line, and what answers it.

The shell runs the program without any words, and with the line so far in its environment. What it is offered
comes from the parser itself; arguments are known by their names in the help (PROFILE, SERIAL, PORT, FILE), so
that no command has to say how its own are completed.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import re
import threading
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, NoReturn, TextIO

from argcomplete.completers import BaseCompleter
from argcomplete.finders import CompletionFinder
from argcomplete.lexers import split_line
from argcomplete.shell_integration import shellcode

from pinwright.cable.wiring import printable
from pinwright.errors import UsageError
from pinwright.terminal import say, show_text

EPILOG = """\
It prints the script for a shell, and says how to have it loaded by every new one.

example: pinwright completion bash
"""
# Shell → what has its script loaded from now on.
SHELLS = {
    "bash": "pinwright completion bash >> ~/.bashrc",
    "zsh": "pinwright completion zsh >> ~/.zshrc  (after compinit)",
    "fish": "pinwright completion fish > ~/.config/fish/completions/pinwright.fish",
    "powershell": "pinwright completion powershell >> $PROFILE",
}
PATIENCE_S = 0.7  # for one argument: who waits at a prompt would rather have nothing
_MOST = 200  # of serials
_ID = re.compile(r'^\s*id\s*=\s*"([^"\n]+)"', re.MULTILINE)
_TITLE = re.compile(r'^\s*title\s*=\s*"([^"\n]+)"', re.MULTILINE)
_SOCKET = re.compile(r"[A-Z][0-9]")

Offered = Iterable[str] | Mapping[str, str]  # words, or words with what they mean
Completer = Callable[[str, argparse.Namespace], Offered]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "Have the shell complete commands, profiles, serials and ports."
    parser.epilog = EPILOG
    parser.add_argument("shell", choices=SHELLS, help="which shell")


def run(arguments: argparse.Namespace) -> int:
    shell: str = arguments.shell
    show_text(shellcode(["pinwright"], shell=shell).strip())
    say(f"to have it in every new {shell}: {SHELLS[shell]}")
    return 0


# What the shell asks


def answer(
    parser_of: Callable[[str | None, str | None], argparse.ArgumentParser],
    commands: Collection[str],
    *,
    leave: Callable[[int], NoReturn] = os._exit,
    stream: TextIO | None = None,
) -> NoReturn:
    """Tell the shell the words that its line, as the environment has it, can go on with, and leave: with 0,
    or with 2 where that cannot be told.

    parser_of: the command line, of a command and an action. stream: where to; None: where the shell reads.
    """
    status = UsageError.status
    try:
        line, point = os.environ["COMP_LINE"], int(os.environ["COMP_POINT"])
        words = [word for word in split_line(line, point)[3][1:] if not word.startswith("-")]
        command, action, *_ = [*words, None, None]
        top = parser_of(command if command in commands else None, action)
        _prepare(top)
        nothing = io.StringIO()
        with contextlib.redirect_stdout(nothing), contextlib.redirect_stderr(nothing):
            _Finder()(
                top,
                always_complete_options=False,
                exit_method=_done,
                output_stream=stream,
                default_completer=_Fitting(_no_words),
            )
    except _Done as done:
        status = 0 if done.status == 0 else status
    except Exception:  # whatever it is: a person is typing
        pass
    leave(status)


class _Finder(CompletionFinder):
    def _init_debug_stream(self) -> None:
        """None: descriptor 9 is not its own."""


class _Done(Exception):
    def __init__(self, status: int) -> None:
        self.status = status


def _done(status: int) -> NoReturn:
    raise _Done(status)


def _prepare(parser: argparse.ArgumentParser) -> None:
    """Say of every argument below a parser what it is completed with."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for inner in action.choices.values():
                _prepare(inner)
        elif action.choices is None and action.nargs != 0:
            action.completer = _Fitting(_completer(action))  # type: ignore[attr-defined]


def _completer(action: argparse.Action) -> Completer:
    names = {str(action.metavar), action.dest}
    for completer, wanted in _COMPLETERS.items():
        if names & set(wanted.split()):
            return completer
    return _no_words


class _Fitting(BaseCompleter):
    """What a completer offers, as far as it fits; nothing where it fails or takes long."""

    def __init__(self, completer: Completer) -> None:
        self._completer = completer

    def __call__(self, *, prefix: str, parsed_args: argparse.Namespace, **_: Any) -> dict[str, str]:
        found: list[dict[str, str]] = []

        def find() -> None:
            with suppress(Exception):
                offered = self._completer(prefix, parsed_args)
                told = offered if isinstance(offered, Mapping) else dict.fromkeys(offered, "")
                found.append(
                    {
                        word: printable(about)
                        for word, about in told.items()
                        if word.startswith(prefix) and word.isprintable()
                    }
                )

        finding = threading.Thread(target=find, daemon=True)
        finding.start()
        finding.join(PATIENCE_S)
        return found[0] if found else {}


def _no_words(prefix: str, words: argparse.Namespace) -> Offered:
    return ()


def _files(prefix: str, words: argparse.Namespace) -> Offered:
    return _paths(prefix, lambda path: True)


def _folders(prefix: str, words: argparse.Namespace) -> Offered:
    return _paths(prefix, lambda path: False)


def _paths(prefix: str, fits: Callable[[os.DirEntry[str]], bool]) -> Iterator[str]:
    """Files that fit, and every folder with a `/` at its end; hidden ones where the dot was typed."""
    *_, begun = prefix.rpartition("/")
    start = prefix[: len(prefix) - len(begun)]
    where = Path(start).expanduser() if start else Path()
    with os.scandir(where) as entries:
        for entry in sorted(entries, key=lambda entry: entry.name):
            if not entry.name.startswith(begun) or (entry.name.startswith(".") and not begun):
                continue
            if entry.is_dir():
                yield f"{start}{entry.name}/"
            elif fits(entry):
                yield f"{start}{entry.name}"


def _profiles(prefix: str, words: argparse.Namespace) -> Mapping[str, str]:
    """Ids of the library with their titles, and files."""
    offered = dict(_ids(prefix))
    files = _paths(prefix, lambda entry: entry.name.endswith(".toml"))
    # All folders are too many to be offered beside ids.
    offered |= {path: "" for path in files if prefix or path.endswith(".toml")}
    return offered


def _ids(prefix: str) -> Iterator[tuple[str, str]]:
    """Ids and titles by a look at the files' text: to read each as a profile takes too long at a prompt."""
    from pinwright.library import library_folders

    for folder in library_folders():
        for path in sorted(folder.rglob("*.toml")):
            if "broken" in path.relative_to(folder).parts:
                continue
            text = path.read_text(encoding="utf-8", errors="replace")
            id, title = _ID.search(text), _TITLE.search(text)
            if id and id[1].startswith(prefix):
                yield id[1], title[1] if title else ""


def _serials(prefix: str, words: argparse.Namespace) -> Offered:
    """Of the folder of records that the words so far name."""
    from pinwright.records.store import Store

    return Store(_place(words)).cables(prefix, _MOST)


def _batches(prefix: str, words: argparse.Namespace) -> Offered:
    from pinwright.records.store import Store

    return {
        batch.id: f"{batch.count} cables, {batch.started[:10]}" for batch in Store(_place(words)).batches()
    }


def _place(words: argparse.Namespace) -> Path:
    from pinwright.records.store import default_place

    port = getattr(words, "port", None) or ""
    simulated = getattr(words, "simulated", False) or port == "sim" or port.startswith("sim:")
    named: Path | None = getattr(words, "records", None)
    return named or default_place(simulated)


def _ports(prefix: str, words: argparse.Namespace) -> Offered:
    """Serial ports, none of which is opened, and the virtual tester."""
    if prefix.startswith("sim:"):
        found = _profiles(prefix.removeprefix("sim:"), words)
        return {f"sim:{word}": about for word, about in found.items()}
    offered = {
        "sim": "the virtual tester with a good cable",
        "sim:": "and with what a file says, or a profile",
    }
    with suppress(Exception):
        from pinwright.link import usb_ports

        offered |= {port: "" for port, _ in usb_ports()}
    return offered


def _sockets(prefix: str, words: argparse.Namespace) -> Offered:
    """An end of the profile that the words name, if they do, in every socket there is."""
    from pinwright.library import find_profile, library_folders, read_fixtures

    sockets = {
        socket.name
        for fixture in read_fixtures().values()
        for socket in fixture.sockets
        if _SOCKET.fullmatch(socket.name)
    }
    name = getattr(words, "profile", None)
    ends = [end.name for end in find_profile(name, library_folders()).profile.ends] if name else ["A", "B"]
    return [f"{end}={socket}" for end in ends for socket in sorted(sockets)]


def _papers(prefix: str, words: argparse.Namespace) -> Offered:
    from pinwright.sheets.stock import PAPERS

    return {name: f"{width:g} x {height:g} mm" for name, (width, height) in PAPERS.items()}


# What completes an argument, by its name in the help or in the program.
_COMPLETERS: Mapping[Completer, str] = {
    _profiles: "PROFILE profile ONE OTHER",
    _serials: "SERIAL serial serials",
    _ports: "PORT port",
    _batches: "BATCH batch",
    _sockets: "A=J1",
    _papers: "paper",
    _folders: "PLACE FOLDER",
    _files: "FILE PATH",
}
