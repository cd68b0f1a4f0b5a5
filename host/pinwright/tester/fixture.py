"""Sockets ⇄ points: where the ends of a cable are plugged in, and which point serves which pin."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from pinwright.cable.connectors import Connector
from pinwright.cable.pins import Pin
from pinwright.cable.profile import End
from pinwright.errors import OwnBug, PlacementError
from pinwright.tester.adapter import GENERIC, Adapter, adapter_for


@dataclass(frozen=True, slots=True)
class Socket:
    """points[i] serves the socket's pin i + 1. kind: `box-2x20`, `zif-40`, or `own` (the tester's)."""

    name: str
    kind: str
    points: tuple[int, ...]

    @property
    def takes_cables(self) -> bool:
        """Whether an end of a cable can be plugged in here."""
        return self.kind != "own"

    def at(self, positions: Iterable[int]) -> tuple[int, ...]:
        """The points of these positions, which count from 1."""
        return tuple(self.points[position - 1] for position in positions)


@dataclass(frozen=True, slots=True)
class Fixture:
    """A tester's sockets. references: pairs of points that are joined on the tester itself."""

    id: str
    title: str
    revision: str
    points: int
    sockets: tuple[Socket, ...]
    references: tuple[tuple[int, int], ...]

    @staticmethod
    def from_dict(data: Mapping[str, object]) -> Fixture:
        """From a fixture file's tables. Raises OwnBug: fixtures travel with the program."""
        try:
            head: Mapping[str, object] = data["fixture"]  # type: ignore[assignment]
            sockets: Mapping[str, Mapping[str, object]] = data["sockets"]  # type: ignore[assignment]
            return Fixture(
                str(head["id"]),
                str(head["title"]),
                str(head["revision"]),
                int(head["points"]),  # type: ignore[call-overload]
                tuple(
                    Socket(name, str(socket["kind"]), tuple(socket["points"]))  # type: ignore[arg-type]
                    for name, socket in sockets.items()
                ),
                tuple((one, other) for one, other in head["references"]),  # type: ignore[attr-defined]
            )
        except (KeyError, TypeError, ValueError) as error:
            raise OwnBug(f"a fixture file is damaged: {error!r}") from error

    def socket(self, name: str) -> Socket:
        """The socket of that name, which there must be."""
        return next(socket for socket in self.sockets if socket.name == name)

    def name_of(self, point: int) -> str:
        """`J1.6`: the socket pin that a point serves."""
        for socket in self.sockets:
            if point in socket.points:
                return f"{socket.name}.{socket.points.index(point) + 1}"
        raise OwnBug(f"point {point} serves no socket of {self.id}")


@dataclass(frozen=True, slots=True)
class Placement:
    """Which socket each end is in. pin_of covers every fitted point but the references and the marks.

    adapters: of each end the id of its adapter, `generic`, or nothing where it plugs straight in.
    marks: groups of points that those adapters join, in order.
    """

    sockets: Mapping[str, str]
    adapters: Mapping[str, str]
    pin_of: Mapping[int, Pin]
    point_of: Mapping[Pin, int]
    marks: tuple[tuple[int, ...], ...] = ()


def _in_order(connector: Connector, socket: Socket) -> tuple[int, ...]:
    """Pin k at position k: plugs that fit as they are, and the generic adapter."""
    return socket.points[: len(connector.pins)]


def _in_zif(connector: Connector, socket: Socket) -> tuple[int, ...]:
    """A DIP plug with its pin 1 at the socket's pin 1: the second half counts back from the last pin."""
    half = len(connector.pins) // 2
    return socket.points[:half] + socket.points[len(socket.points) - half :]


Seat = Callable[[Connector, Socket], tuple[int, ...]]

# What plugs straight in: connector names, kind of socket, how its pins meet the socket's.
_STRAIGHT_IN: tuple[tuple[re.Pattern[str], str, Seat], ...] = (
    (re.compile(r"(idc|header)-2x20"), "box-2x20", _in_order),
    (re.compile(r"dip-\d+"), "zif-40", _in_zif),
)


def _kind_for(connector: Connector) -> str | None:
    return next((kind for name, kind, _ in _STRAIGHT_IN if name.fullmatch(connector.name)), None)


def plugs_straight_in(connector: Connector, kind: str) -> bool:
    """Whether it needs no adapter in this kind of socket."""
    return _kind_for(connector) == kind


def seat(connector: Connector, socket: Socket, adapter: Adapter | None) -> tuple[int, ...]:
    """The points of the connector's pins, in its order, in that socket, straight in or by that adapter."""
    if adapter:
        return socket.at(adapter.position_of[pin] for pin in connector.pins)
    for name, kind, seated in _STRAIGHT_IN:
        if kind == socket.kind and name.fullmatch(connector.name):
            return seated(connector, socket)
    return _in_order(connector, socket)


def places_beside(
    ends: Iterable[End], fixture: Fixture, placement: Placement
) -> Mapping[str, Mapping[tuple[int, int], Pin]]:
    """For each end the positions of its socket next to its plug, by row and place of the plug's own counting:
    where its pins are if it is plugged in one place off. Only a DIP plug shorter than its socket has any."""
    beside: dict[str, dict[tuple[int, int], Pin]] = {}
    for end in ends:
        socket = fixture.socket(placement.sockets[end.name])
        if placement.adapters[end.name] or socket.kind != "zif-40":
            continue
        last, half = len(socket.points) - 1, len(socket.points) // 2
        points = {
            (row, place): socket.points[last - place if row else place]
            for row in (0, 1)
            for place in range(len(end.connector.pins) // 2, half)
        }
        beside[end.name] = {
            where: placement.pin_of[point] for where, point in points.items() if point in placement.pin_of
        }
    return beside


def _adapter(connector: Connector, socket: Socket, adapters: Iterable[Adapter]) -> Adapter | None:
    """The adapter with a file that is needed to plug this connector in there, if there is one."""
    straight = plugs_straight_in(connector, socket.kind)
    return None if straight else adapter_for(connector, socket.kind, adapters)


def place(
    ends: Sequence[End],
    fixture: Fixture,
    fitted_points: int,
    by_hand: Mapping[str, str] | None = None,
    adapters: Sequence[Adapter] = (),
) -> Placement:
    """Put every end of a cable into a socket.

    `idc-2x20` and `header-2x20` go into J1, then J2; a DIP plug into S1; everything else into the first
    free of J1, J2, S1, one that an adapter with a file is for before the others: through that adapter, else
    through the generic one, which brings pin k to position k. by_hand (end → socket) decides for the ends
    it names. Where the given order of the ends leaves one without a socket,
    those that plug straight in are placed first. Raises PlacementError.
    """
    by_hand = by_hand or {}
    # The DIP socket is kept for DIP plugs as long as another one will do.
    order_of_choice = sorted(fixture.sockets, key=lambda socket: socket.kind == "zif-40")
    usable = {
        socket.name: socket
        for socket in order_of_choice
        if socket.takes_cables and max(socket.points) < fitted_points
    }
    _check_by_hand(ends, fixture, usable, by_hand)
    straight_first = sorted(ends, key=lambda end: _kind_for(end.connector) is None)
    for order in (ends, straight_first):
        seated, left_over = _try(order, usable, by_hand, adapters)
        if left_over is None:
            return _placement(ends, fixture, fitted_points, seated, adapters)
    assert left_over is not None
    room = any(
        socket.name not in seated.values() and len(left_over.connector.pins) <= len(socket.points)
        for socket in usable.values()
    )
    by_hand_hint = (
        f"`--at {left_over.name}=SOCKET` decides by hand; an adapter then brings pin k to position k"
    )
    raise PlacementError(
        _no_room(left_over, fixture, usable, seated), hint=by_hand_hint if room or by_hand else ""
    )


def _check_by_hand(
    ends: Sequence[End], fixture: Fixture, usable: Mapping[str, Socket], by_hand: Mapping[str, str]
) -> None:
    known = {end.name: end for end in ends}
    cable_sockets = [socket.name for socket in fixture.sockets if socket.takes_cables]
    for name, socket in by_hand.items():
        if name not in known:
            raise PlacementError(
                f"`--at {name}={socket}`: the cable has no end `{name}`; its ends are {', '.join(known)}"
            )
        if socket not in cable_sockets:
            raise PlacementError(
                f"`--at {name}={socket}`: no socket `{socket}`; there are {', '.join(cable_sockets)}"
            )
        if socket not in usable:
            raise PlacementError(f"`--at {name}={socket}`: socket `{socket}` is not fitted on this tester")
        connector = known[name].connector
        if len(connector.pins) > len(usable[socket].points):
            raise PlacementError(
                f"`--at {name}={socket}`: `{connector.name}` has {len(connector.pins)} pins, "
                f"socket `{socket}` has {len(usable[socket].points)}"
            )
    twice = [socket for socket in by_hand.values() if list(by_hand.values()).count(socket) > 1]
    if twice:
        raise PlacementError(f"`--at` puts two ends into socket `{twice[0]}`")


def _try(
    order: Sequence[End],
    usable: Mapping[str, Socket],
    by_hand: Mapping[str, str],
    adapters: Sequence[Adapter],
) -> tuple[dict[str, str], End | None]:
    """Ends → sockets in this order, and the first end that finds none."""
    seated = dict(by_hand)
    for end in order:
        if end.name in seated:
            continue
        kind = _kind_for(end.connector)
        generic_last = sorted(
            usable.values(), key=lambda socket: _adapter(end.connector, socket, adapters) is None
        )
        for socket in generic_last:
            if (
                socket.name not in seated.values()
                and kind in (None, socket.kind)
                and len(end.connector.pins) <= len(socket.points)
            ):
                seated[end.name] = socket.name
                break
        else:
            return seated, end
    return seated, None


def _no_room(end: End, fixture: Fixture, usable: Mapping[str, Socket], seated: Mapping[str, str]) -> str:
    taken_by = {socket: name for name, socket in seated.items()}
    told = []
    for socket in fixture.sockets:
        if not socket.takes_cables:
            continue
        if socket.name not in usable:
            told.append(f"{socket.name} is not fitted")
        elif socket.name in taken_by:
            told.append(f"{socket.name} takes end {taken_by[socket.name]}")
        elif len(end.connector.pins) > len(socket.points):
            told.append(f"{socket.name} has {len(socket.points)} pins")
        else:
            told.append(f"{socket.name} does not take it straight in")
    pins = len(end.connector.pins)
    return f"no socket for end `{end.name}` (`{end.connector.name}`, {pins} pins): {', '.join(told)}"


def _placement(
    ends: Sequence[End],
    fixture: Fixture,
    fitted_points: int,
    seated: Mapping[str, str],
    adapters: Sequence[Adapter],
) -> Placement:
    through: dict[str, str] = {}
    marks: list[tuple[int, ...]] = []
    points_of: dict[str, tuple[int, ...]] = {}
    for end in ends:
        socket = fixture.socket(seated[end.name])
        adapter = _adapter(end.connector, socket, adapters)
        straight = plugs_straight_in(end.connector, socket.kind)
        through[end.name] = adapter.id if adapter else "" if straight else GENERIC
        points_of[end.name] = seat(end.connector, socket, adapter)
        marks += [socket.at(group) for group in adapter.joined] if adapter else []
    not_the_cable_s = {point for pair in (*fixture.references, *marks) for point in pair}
    pin_of: dict[int, Pin] = {}
    for socket in fixture.sockets:
        for position, point in enumerate(socket.points, start=1):
            if point < fitted_points and point not in not_the_cable_s:
                pin_of[point] = Pin(f"@{socket.name}", str(position))
    for end in ends:
        for point, pin in zip(points_of[end.name], end.pins(), strict=True):
            pin_of[point] = pin
    return Placement(
        {end.name: seated[end.name] for end in ends},
        through,
        pin_of,
        {pin: point for point, pin in pin_of.items()},
        tuple(sorted(marks)),
    )
