"""`pinwright demo`: a good lead, then the same lead with three faults, on the virtual tester."""

from __future__ import annotations

import argparse
import shlex
import tempfile
from pathlib import Path

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.cli import main as program
from pinwright.errors import OwnBug
from pinwright.library import find_profile, library_folders
from pinwright.terminal import show_text

EPILOG = """\
example: pinwright demo
"""
_PROFILE = "lamp-changer-40"
_CROSSED = (Pin("A", "6"), Pin("A", "8"))  # conductors that land on neighbouring pins of the DIP plug
_BRIDGED = (Pin("B", "33"), Pin("B", "34"))
_GOOD_OHMS = 0.1
_DRY, _DRY_OHMS, _BRIDGE_OHMS = Pin("A", "20"), 14.0, 0.3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Scan a good 40-way lead, then the same lead with a crossed pair, a solder bridge and a dry joint. "
        "The firmware is the board's own; the board beneath it is simulated."
    )
    parser.epilog = EPILOG


def run(_: argparse.Namespace) -> int:
    """0 where the good lead passes and the bad one fails, as they must; else what stopped it."""
    folder = Path(tempfile.mkdtemp(prefix="pinwright-demo-"))
    bench = folder / "bad-lead.toml"
    bench.write_text(_bad_lead(find_profile(_PROFILE, library_folders()).profile), encoding="utf-8")
    records = str(folder / "records")
    for about, port, expected in (
        ("A good lead:", "sim", 0),
        ("The same lead with a crossed pair, a solder bridge and a dry joint:", f"sim:{bench}", 1),
    ):
        words = ["scan", _PROFILE, "--port", port, "--records", records]
        show_text(f"{about}\n$ pinwright {shlex.join(words)}\n")
        status = program.main(words)
        show_text("")
        if status not in (0, 1):
            return status
        if status != expected:
            raise OwnBug(f"the demo's scan ended with {status}, not {expected}")
    show_text(f"Both records are in {records}")
    return 0


def _bad_lead(profile: Profile) -> str:
    """A bench file: the profile's nets, but two exchanged, two joined, and one joint that is bad."""
    one, other = _CROSSED
    other_end = {one: other, other: one}
    links = [
        ([other_end.get(pin, pin) for pin in net.pins], _DRY_OHMS if _DRY in net.pins else _GOOD_OHMS)
        for net in profile.nets
    ]
    return "\n".join(
        "[[link]]\npins = [" + ", ".join(f'"{pin}"' for pin in pins) + f"]\nohms = {ohms}"
        for pins, ohms in [*links, (list(_BRIDGED), _BRIDGE_OHMS)]
    )
