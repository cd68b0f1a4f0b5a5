"""`--port`: a serial port, the virtual tester, or the one board that answers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from pinwright import resources
from pinwright.cable.profile import Profile
from pinwright.errors import BenchError, UsageError
from pinwright.link import Link, SerialLink, find_board
from pinwright.terminal import say
from pinwright.tester.fixture import Fixture, place


@contextmanager
def opened(
    port: str | None, profile: Profile, fixture: Fixture, by_hand: Mapping[str, str]
) -> Iterator[Link]:
    """The link that `--port` names, closed on the way out. Raises NoTester, BenchError, PlacementError."""
    link: Link
    if port is not None and is_virtual(port):
        from pinwright.virtual.bench import Bench, good_bench, read_bench
        from pinwright.virtual.process import VirtualTester

        file = port[4:]
        if port == "sim:":
            raise UsageError("`--port sim:` lacks the bench file: `sim:FILE`, or `sim` for a good cable")
        bench: Bench = read_bench(Path(file)) if file else good_bench(profile)
        placement = place(profile.ends, fixture, 16 * bench.tester.fitted, by_hand)
        try:
            tester = VirtualTester(bench, placement.point_of, resources.folder("firmware"))
        except BenchError as error:
            raise error.in_file(file) from error
        if not tester.engine.startswith("MicroPython"):
            say(f"no MicroPython for this machine: the firmware runs under {tester.engine}")
        link = tester
    else:
        link = find_board(say) if port is None else SerialLink(port)
    try:
        yield link
    finally:
        link.close()


def is_virtual(port: str | None) -> bool:
    """Whether `--port` asks for the virtual tester."""
    return port is not None and (port == "sim" or port.startswith("sim:"))
