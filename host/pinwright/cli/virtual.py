"""`pinwright virtual`: a virtual tester on a port, for any program."""

from __future__ import annotations

import argparse
import signal
import threading
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from pinwright import resources
from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.cli.ports import Workshop, plug_in
from pinwright.errors import BenchError, LinkLost, PinwrightError, UsageError
from pinwright.library import LoadedProfile, all_profiles, find_profile, library_folders
from pinwright.terminal import say, show_text
from pinwright.virtual.bench import Bench, good_bench, read_bench
from pinwright.virtual.port import Port, Tcp

EPILOG = """\
The first line of standard output is the port; Ctrl-C ends it. The board behaves as one on USB does: any
serial program, mpremote among them, can open it, reset it and change its files. The bench file is read again
whenever it changes, as if another cable were plugged in.

example: pinwright virtual lamp-changer-40
"""
_LOOK_S = 0.2


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Keep a virtual tester on a port: a pseudo-terminal, or TCP where the machine has none. With PROFILE "
        "alone a good cable is plugged in, with neither PROFILE nor a bench file nothing."
    )
    parser.epilog = EPILOG
    parser.add_argument(
        "profile",
        metavar="PROFILE",
        nargs="?",
        help="the cable whose ends the bench file names (default: the one of the library that fits it best)",
    )
    parser.add_argument(
        "--bench", metavar="FILE", type=Path, help="what is plugged in (default: a good cable)"
    )
    parser.add_argument(
        "--files", metavar="FOLDER", type=Path, help="keep the board's files there (default: for now only)"
    )
    parser.add_argument(
        "--bare", action="store_true", help="a board with MicroPython, but without our firmware"
    )
    parser.add_argument("--tcp", action="store_true", help="serve TCP even where there are pseudo-terminals")


def run(arguments: argparse.Namespace) -> int:
    """Until it is interrupted; 0 when told to end."""
    content = _content(arguments.bench)  # before it is read: what changes meanwhile is another cable
    plugged = _plugged(arguments)
    if arguments.files is not None and not arguments.files.is_dir():
        raise UsageError(f"`--files {arguments.files}`: no such folder")
    stop = threading.Event()
    for name in ("SIGTERM", "SIGHUP"):  # the second is the closing of a terminal; Windows has none
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), lambda *_: stop.set())
    firmware = None if arguments.bare or _has_files(arguments.files) else resources.folder("firmware")
    try:
        port = Port(*plugged, firmware, flash=arguments.files, at=Tcp() if arguments.tcp else None)
    except BenchError as error:
        raise error.in_file(str(arguments.bench)) from error
    with port:
        show_text(port.name)
        say("a virtual tester is there until Ctrl-C")
        _serve(port, arguments, content, stop)
    return 0


def _has_files(folder: Path | None) -> bool:
    return folder is not None and any(folder.iterdir())


def _serve(port: Port, arguments: argparse.Namespace, last: bytes | None, stop: threading.Event) -> None:
    while not stop.wait(_LOOK_S):
        if not port.alive:
            raise LinkLost("the virtual tester has ended")
        now = _content(arguments.bench)
        if now == last:
            continue
        last = now
        try:
            port.plug(*_plugged(arguments))
            say(f"`{arguments.bench}` has changed: what it says is plugged in now")
        except BenchError as error:
            message = (error if error.file else error.in_file(str(arguments.bench))).message
            say(f"what is plugged in stays as it was: {message}")
        except PinwrightError as error:
            say(f"what is plugged in stays as it was: {error.message}")


def _content(file: Path | None) -> bytes | None:
    try:
        return file.read_bytes() if file else None
    except OSError:
        return None


def _plugged(arguments: argparse.Namespace) -> tuple[Bench, Mapping[Pin, int]]:
    """The bench, and the point of every pin that it may name."""
    loaded = find_profile(arguments.profile, library_folders()) if arguments.profile else None
    if arguments.bench is None:
        bench = good_bench(loaded.profile) if loaded else Bench()
    else:
        bench = read_bench(arguments.bench)
        if loaded is None:
            loaded = _best_fit(bench, all_profiles(library_folders()))
            if loaded is not None:
                say(f"the bench file fits the cable `{loaded.profile.id}` best; PROFILE says it for sure")
    try:
        return plug_in(bench, loaded.profile.ends if loaded else (), Workshop.read(), {})
    except BenchError as error:
        raise error.in_file(str(arguments.bench)) from error


def _best_fit(bench: Bench, profiles: Iterable[Any]) -> LoadedProfile | None:
    """The profile that has every cable pin of the bench, most of its links, and the fewest of its own; among
    equals a workshop's own before a published one. None where no pin of a cable is named."""
    named = {pin for link in bench.links for pin in link.pins} | set(bench.tester.outside)
    named = {pin for pin in named if not pin.end.startswith("@")}
    if not named:
        return None
    links = {frozenset(link.pins) for link in bench.links}

    def fit(profile: Profile) -> tuple[int, int, bool]:
        shared = len(links & {frozenset(net.pins) for net in profile.nets})
        return shared, -len(profile.nets), profile.origin is None

    fitting = [
        found
        for found in profiles
        if isinstance(found, LoadedProfile)
        and named <= {Pin(end.name, pin) for end in found.profile.ends for pin in end.connector.pins}
    ]
    if not fitting:
        raise UsageError("the bench file names pins of a cable: which cable is it?", hint="give its PROFILE")
    return max(fitting, key=lambda found: fit(found.profile))
