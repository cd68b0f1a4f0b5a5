"""`pinwright install`: put the firmware on a board."""

from __future__ import annotations

import argparse

from pinwright import resources
from pinwright.cli.ports import find_port, is_virtual
from pinwright.discovery import find_board
from pinwright.errors import UsageError
from pinwright.terminal import progress, say, show_text

EPILOG = """\
The board needs MicroPython first: hold its BOOTSEL button while plugging it in, and copy MicroPython for the
board to the drive that appears. What `board.json` on the board says stays, but for what is given here; so
do its calibration and its last long check.
Interrupted, the board does not serve until the command has been run again.

example: pinwright install --port /dev/ttyACM0 --name bench-1
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "Put the firmware on a board, prove every file, and start it."
    parser.epilog = EPILOG
    parser.add_argument(
        "--port",
        metavar="PORT",
        help="where the board is, or the name of a tester (default: the one board there is)",
    )
    parser.add_argument("--name", metavar="NAME", help="the board's name: letters, digits and hyphens")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--fitted", metavar="N", type=int, help="how many expanders are fitted, 1 to 8")
    what.add_argument("--pocket", action="store_true", help="a pocket tester: a bare Pico, 24 points")
    lane = parser.add_mutually_exclusive_group()
    lane.add_argument(
        "--lane",
        action="store_const",
        const=True,
        help="it measures ohms: the converter is fitted (default: as board.json says; else with 8 expanders)",
    )
    lane.add_argument(
        "--no-lane", action="store_const", const=False, dest="lane", help="it does not measure ohms"
    )
    parser.add_argument(
        "--replace", action="store_true", help="put it on even over another program, or newer firmware"
    )


def run(arguments: argparse.Namespace) -> int:
    """0 once the new firmware answers."""
    about = _about(arguments)
    if is_virtual(arguments.port):
        raise UsageError(
            "the virtual tester keeps no files; `pinwright virtual` serves a board that does, on a port"
        )
    with progress("looking for the board"):
        port = find_board() if arguments.port is None else find_port(arguments.port)

    from pinwright.install import install

    done = install(port, resources.folder("firmware"), about=about, replace=arguments.replace, tell=say)
    after = done.after
    name = f" `{after.name}`" if after.name else ""
    show_text(f"before: {done.before}\nafter:  firmware {after.firmware} (protocol {after.protocol})")
    count = len(done.written)
    files = f"{count} file{'' if count == 1 else 's'}"
    changed = f"{files} written, {len(done.removed)} removed; " if count or done.removed else ""
    show_text(f"{changed}every file proven by its hash")
    lane = {"none": "no ohms lane", "uncalibrated": "an ohms lane, not calibrated"}.get(
        after.lane, "a calibrated ohms lane"
    )
    show_text(f"tester{name} at {done.port}: id {after.id}, {after.points} points, {lane}")
    if after.lane == "uncalibrated":
        say("note: `pinwright tester calibrate` calibrates it; until then joints are measured coarsely")
    return 0


def _about(arguments: argparse.Namespace) -> dict[str, object]:
    from pinwright.discovery import could_be_a_name

    about: dict[str, object] = {}
    if arguments.name is not None:
        if not could_be_a_name(arguments.name) or arguments.name == "sim":
            raise UsageError(
                f"`--name {arguments.name}`: a name is 1 to 32 letters, digits and hyphens, and not one "
                "that means a port, such as COM5 or sim"
            )
        about["name"] = arguments.name
    if arguments.fitted is not None:
        if not 1 <= arguments.fitted <= 8:
            raise UsageError(f"`--fitted {arguments.fitted}`: a tester has 1 to 8 expanders")
        about |= {"fixture": "tester-128", "fitted": arguments.fitted}
    if arguments.pocket:
        if arguments.lane is not None:
            raise UsageError(
                "a pocket tester measures no ohms: `--pocket` goes without `--lane` and `--no-lane`"
            )
        about["fixture"] = "pocket-24"
    if arguments.lane is not None:
        about["lane"] = arguments.lane
    return about
