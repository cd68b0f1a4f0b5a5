"""`--port`: a serial port, a tester's name, the virtual tester, or the one board that answers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pinwright import resources
from pinwright.cable.pins import Pin
from pinwright.cable.profile import End, Profile
from pinwright.discovery import could_be_a_name, find_tester
from pinwright.errors import BenchError, UsageError
from pinwright.library import read_adapters, read_fixtures
from pinwright.link import Link, SerialLink
from pinwright.terminal import say
from pinwright.tester.adapter import Adapter
from pinwright.tester.fixture import Fixture

if TYPE_CHECKING:
    from pinwright.virtual.bench import Bench


@dataclass(frozen=True, slots=True)
class Workshop:
    """The testers that are known, by id, and the adapters."""

    fixtures: Mapping[str, Fixture]
    adapters: Sequence[Adapter]

    @staticmethod
    def read() -> Workshop:
        """What comes with the program, and the person's own adapters. Raises AdapterError."""
        return Workshop(read_fixtures(), read_adapters())


def plug_in(
    bench: Bench, ends: Sequence[End], workshop: Workshop, by_hand: Mapping[str, str]
) -> tuple[Bench, Mapping[Pin, int]]:
    """The bench with what its adapters join, and every pin's point. Raises BenchError, PlacementError."""
    from pinwright.virtual.bench import plugged

    tester = bench.tester
    fixture = workshop.fixtures[tester.fixture]
    point_of, links = plugged(bench, ends, fixture, tester.points, by_hand, workshop.adapters)
    return replace(bench, links=(*bench.links, *links)), point_of


@contextmanager
def opened(
    port: str | None, profile: Profile, workshop: Workshop, by_hand: Mapping[str, str]
) -> Iterator[Link]:
    """The link that `--port` names, closed on the way out. Raises NoTester, BenchError, PlacementError."""
    if port is not None and is_virtual(port):
        with _virtual(port, profile, workshop, by_hand) as link:
            yield link
        return
    link = SerialLink(find_port(port))
    try:
        yield link
    finally:
        link.close()


def find_port(port: str | None) -> str:
    """The port itself, where a tester's name is given or nothing. Raises NoTester."""
    if port is None:
        return find_tester()
    if could_be_a_name(port) and not Path(port).is_char_device():
        return find_tester(port)
    return port


@contextmanager
def _virtual(port: str, profile: Profile, workshop: Workshop, by_hand: Mapping[str, str]) -> Iterator[Link]:
    """A virtual board on a port of its own, for as long as it is needed."""
    from pinwright.virtual.bench import good_bench, read_bench
    from pinwright.virtual.port import Port

    file = port[4:]
    if port == "sim:":
        raise UsageError("`--port sim:` lacks the bench file: `sim:FILE`, or `sim` for a good cable")
    bench = read_bench(Path(file)) if file else good_bench(profile)
    try:
        started = Port(*plug_in(bench, profile.ends, workshop, by_hand), resources.folder("firmware"))
    except BenchError as error:
        raise error.in_file(file) from error
    with started as virtual:
        link = SerialLink(virtual.name, "sim")
        try:
            yield link
        finally:
            link.close()
            if not virtual.board.engine.startswith("MicroPython"):
                say(f"no MicroPython for this machine: the firmware ran under {virtual.board.engine}")


def is_virtual(port: str | None) -> bool:
    """Whether `--port` asks for the virtual tester."""
    return port is not None and (port == "sim" or port.startswith("sim:"))
