"""`--port`: a serial port, a tester's name, the virtual tester, or the one board that answers."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from pinwright import resources
from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.profile import End, Profile
from pinwright.cable.wiring import printable
from pinwright.discovery import could_be_a_name, find_tester
from pinwright.errors import BenchError, PlacementError, ProfileError, UsageError
from pinwright.library import find_profile, library_folders, read_adapters, read_fixtures, read_profile
from pinwright.link import Link, SerialLink
from pinwright.terminal import say
from pinwright.tester.adapter import Adapter
from pinwright.tester.fixture import Fixture, Socket, place
from pinwright.tester.touching import PROBE, Touching

if TYPE_CHECKING:
    from pinwright.virtual.bench import Bench
    from pinwright.virtual.port import Port

Plugged = tuple["Bench", Mapping[Pin, int]]  # and the point of every pin
_PROBE = f"{PROBE}.1"  # where a tester has a probe lead of its own


@dataclass(frozen=True, slots=True)
class Workshop:
    """The testers that are known, by id, and the adapters."""

    fixtures: Mapping[str, Fixture]
    adapters: Sequence[Adapter]

    @staticmethod
    def read() -> Workshop:
        """What comes with the program, and the person's own adapters. Raises AdapterError."""
        return Workshop(read_fixtures(), read_adapters())


def plug_in(bench: Bench, ends: Sequence[End], workshop: Workshop, by_hand: Mapping[str, str]) -> Plugged:
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
    with closing(SerialLink(find_port(port))) as real:
        yield real


@contextmanager
def opened_empty(
    port: str | None, workshop: Workshop
) -> Iterator[tuple[Link, Callable[[Socket | None], None] | None]]:
    """The link that `--port` names, and what plugs a shorting bar into a socket (or into none) of a virtual
    tester, which starts empty, whatever cable its bench file has; None: a person does. Raises NoTester,
    BenchError."""
    if port is None or not is_virtual(port):
        with closing(SerialLink(find_port(port))) as real:
            yield real, None
        return
    from pinwright.virtual.bench import Bench, bar_bench

    tester = _bench(port).tester
    outside = {pin: volts for pin, volts in tester.outside.items() if pin.end.startswith("@")}
    bench = Bench(tester=replace(tester, outside=outside))  # what came in by the cable is gone with it
    with _served(port, bench, workshop) as (link, virtual):

        def plug(socket: Socket | None) -> None:
            virtual.plug(*plug_in(bar_bench(bench, socket), (), workshop, {}))

        yield link, plug


@contextmanager
def opened_to_touch(
    port: str | None, profile: Profile, touching: Touching, workshop: Workshop
) -> Iterator[tuple[Link, Callable[[Pin | None], None] | None]]:
    """The link that `--port` names, and with `sim` what moves the virtual tester's probe lead to a pin, or
    away; None: a person does, or it stays where the bench file has it. In the tester are the ends that
    `touching` says. Raises NoTester, BenchError, PlacementError."""
    if port is None or not is_virtual(port):
        with closing(SerialLink(find_port(port))) as real:
            yield real, None
        return
    from pinwright.virtual.bench import Bench
    from pinwright.virtual.bench import Link as Wire

    plugged, by_hand = touching.plugged, touching.by_hand
    ends = {end.name for end in plugged}
    nets = [tuple(pin for pin in net.pins if pin.end in ends) for net in profile.nets]
    lead = tuple(Wire(pins) for pins in nets if len(pins) > 1)
    bench = Bench(lead) if port == "sim" else _bench(port)
    tester = bench.tester
    fixture = workshop.fixtures[tester.fixture]
    sockets = place(plugged, fixture, tester.points, by_hand, workshop.adapters).sockets
    named = plugged
    if port != "sim":  # a bench file may name pins of every end, if there is room for them
        with suppress(PlacementError):
            place(profile.ends, fixture, tester.points, sockets, workshop.adapters)
            named = profile.ends
    with _served(port, bench, workshop, named, sockets) as (link, virtual):

        def touch(pin: Pin | None) -> None:
            probe = parse_pin(f"@{touching.probe_at or _PROBE}")
            touched = (Wire((probe, pin)),) if pin else ()
            virtual.plug(*plug_in(replace(bench, links=(*lead, *touched)), plugged, workshop, sockets))

        yield link, touch if port == "sim" else None


@dataclass(frozen=True, slots=True)
class Hand:
    """Plugs cables into a virtual tester and takes them out.

    first: the cable that `--port` names; good: one as it should be; empty: none.
    """

    virtual: Port
    first: Plugged
    good: Plugged
    empty: Plugged

    def plug_in(self, *, good: bool) -> None:
        self.virtual.board.board.plug(*(self.good if good else self.first))

    def take_out(self) -> None:
        self.virtual.board.board.plug(*self.empty)


@contextmanager
def opened_for_batch(
    port: str | None, profile: Profile, workshop: Workshop, by_hand: Mapping[str, str]
) -> Iterator[tuple[Link, Hand | None]]:
    """The link that `--port` names, and what plugs cables into a virtual tester, which starts empty; None: a
    person does. Raises NoTester, BenchError, PlacementError."""
    if port is None or not is_virtual(port):
        with closing(SerialLink(find_port(port))) as real:
            yield real, None
        return
    from pinwright.virtual.bench import good_bench

    first = _bench_with_a_cable(port, profile)
    tester = first.tester
    outside = {pin: volts for pin, volts in tester.outside.items() if pin.end.startswith("@")}
    tester = replace(tester, outside=outside)  # what came in by the cable is gone with it
    good = replace(good_bench(profile), tester=tester, adapters=first.adapters)

    def plugged(bench: Bench) -> Plugged:
        return plug_in(bench, profile.ends, workshop, by_hand)

    with _served(port, first, workshop, profile.ends, by_hand) as (link, virtual):
        hand = Hand(virtual, plugged(first), plugged(good), plugged(replace(good, links=())))
        hand.take_out()
        yield link, hand


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
    bench = _bench_with_a_cable(port, profile)
    with _served(port, bench, workshop, profile.ends, by_hand) as (link, _):
        yield link


def _bench_with_a_cable(port: str, profile: Profile) -> Bench:
    """What `--port sim…` says is plugged in."""
    from pinwright.virtual.bench import good_bench

    other = _id_of(port)
    if other:
        cable = find_profile(other, library_folders()).profile
        plugs = {end.name: end.connector.name for end in cable.ends}
        for end in profile.ends:
            if plugs.get(end.name, end.connector.name) != end.connector.name:
                raise UsageError(
                    f"`--port {port}`: that cable has `{plugs[end.name]}` at end {end.name}, where "
                    f"`{end.connector.name}` is to be"
                )
        return good_bench(cable)
    return _bench(port) if port != "sim" else good_bench(profile)


def _id_of(port: str) -> str:
    """The profile in `sim:PROFILE`, the virtual tester with a good cable of it: an id, or a file that is no
    bench file; nothing for all else."""
    name = port[4:]
    if name.endswith(".toml"):
        try:
            read_profile(name)
        except ProfileError:
            return ""
        return name
    return name if name and not os.path.exists(name) else ""


def _bench(port: str) -> Bench:
    """The bench that `sim:FILE` names; with `sim` nothing is plugged in."""
    from pinwright.virtual.bench import Bench, read_bench

    if port == "sim:":
        raise UsageError("`--port sim:` lacks the bench file: `sim:FILE`, or `sim` for a good cable")
    return read_bench(Path(port[4:])) if port != "sim" else Bench()


@contextmanager
def _served(
    port: str,
    bench: Bench,
    workshop: Workshop,
    ends: Sequence[End] = (),
    by_hand: Mapping[str, str] = MappingProxyType({}),
) -> Iterator[tuple[Link, Port]]:
    """A virtual board on a port of its own, and the link to it."""
    from pinwright.virtual.port import Port

    try:
        started = Port(*plug_in(bench, ends, workshop, by_hand), resources.folder("firmware"))
    except BenchError as error:
        raise error.in_file(port[4:]) from error
    with started as virtual:
        link = SerialLink(virtual.name, "sim")
        try:
            yield link, virtual
        finally:
            link.close()
            if not virtual.board.engine.startswith("MicroPython"):
                say(f"no MicroPython for this machine: the firmware ran under {virtual.board.engine}")


def is_virtual(port: str | None) -> bool:
    """Whether `--port` asks for the virtual tester."""
    return port is not None and (port == "sim" or port.startswith("sim:"))


def sockets_by_hand(words: Sequence[str]) -> dict[str, str]:
    """What `--at` says: end → socket. Raises UsageError."""
    return dict(pairs(words, "--at", "END=SOCKET, such as `--at A=J1`", "end "))


def pairs(words: Sequence[str], option: str, form: str, what: str = "") -> Iterator[tuple[str, str]]:
    """KEY=VALUE words. what: a key is. Raises UsageError for others, and for a key that comes twice."""
    seen = set()
    for word in words:
        key, equals, value = word.partition("=")
        if not (key and equals and value):
            raise UsageError(f"`{option} {printable(word)}` should be written {form}")
        if key in seen:
            raise UsageError(f"`{option}` names {what}`{printable(key)}` twice")
        seen.add(key)
        yield key, value
