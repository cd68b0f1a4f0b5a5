"""Whether the right adapters are in, by the marks that a scan saw."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pinwright.errors import PlacementError
from pinwright.tester.adapter import GENERIC, Adapter, groups_text
from pinwright.tester.fixture import Fixture, Placement, Socket
from pinwright.tester.measurement import Evidence, components


def check_marks(
    evidence: Evidence, fixture: Fixture, placement: Placement, adapters: Sequence[Adapter], nets: bytes
) -> None:
    """Prove that each end's adapter is in its socket, and that no other one is where none is due.

    The positions that an adapter leaves free must show its mark and nothing else: each group one piece,
    nothing joined to any of them besides, no contact there in doubt. A socket that no end uses, or an end
    uses through the generic adapter, must not show the mark of any adapter, unless the cable itself should
    join the same. nets: of each point the number of the net it belongs to, 0 for none, as the board has it.
    Raises PlacementError.
    """
    sight = _Sight(evidence, fixture, adapters)
    by_id = {adapter.id: adapter for adapter in adapters}
    end_in = {socket: end for end, socket in placement.sockets.items()}
    for end, name in placement.sockets.items():
        due, socket = by_id.get(placement.adapters[end]), fixture.socket(name)
        if due and not sight.shows(due, socket):
            raise _missing(sight, due, end, socket, placement)
    for socket in sight.sockets:
        user = end_in.get(socket.name)
        if user is None or placement.adapters[user] == GENERIC:
            for wrong in sight.adapters_in(socket):
                of_the_cable = [{nets[point] for point in socket.at(group)} for group in wrong.joined]
                if any(len(numbers) > 1 or 0 in numbers for numbers in of_the_cable):
                    raise _unwanted(wrong, user, socket)


class _Sight:
    """What a scan saw at the sockets. Contacts in doubt count as joined, and speak against every mark."""

    def __init__(self, evidence: Evidence, fixture: Fixture, adapters: Sequence[Adapter]) -> None:
        joined, self._doubtful = (
            [evidence.row(matrix, point) for point in range(evidence.points)]
            for matrix in (evidence.joined, evidence.doubtful)
        )
        linked = [steady | at_times for steady, at_times in zip(joined, self._doubtful, strict=True)]
        self._pieces = list(map(tuple, components(linked)))
        self._fixture = fixture
        self._adapters = adapters
        self.sockets = [
            socket
            for socket in fixture.sockets
            if socket.takes_cables and max(socket.points) < evidence.points
        ]

    def shows(self, adapter: Adapter, socket: Socket) -> bool:
        """Whether the positions that this adapter leaves free show exactly its mark."""
        if adapter.fits != socket.kind:
            return False
        due = sorted(tuple(sorted(socket.at(group))) for group in adapter.joined)
        steady = not any(self._doubtful[point] for point in socket.at(adapter.spare))
        return steady and due == sorted(self._pieces_at(adapter, socket))

    def adapters_in(self, socket: Socket) -> Iterator[Adapter]:
        """The known adapters whose mark this socket shows."""
        return (one for one in self._adapters if one.joined and self.shows(one, socket))

    def told(self, adapter: Adapter, socket: Socket) -> str:
        """What is joined to the positions that this adapter leaves free."""
        pieces = self._pieces_at(adapter, socket)
        return groups_text([[self._fixture.name_of(point) for point in piece] for piece in pieces])

    def _pieces_at(self, adapter: Adapter, socket: Socket) -> list[tuple[int, ...]]:
        spare = set(socket.at(adapter.spare))
        return [piece for piece in self._pieces if len(piece) > 1 and spare.intersection(piece)]


def _missing(sight: _Sight, due: Adapter, end: str, socket: Socket, placement: Placement) -> PlacementError:
    wrong = next(sight.adapters_in(socket), None)
    rightly = {name: placement.adapters[user] for user, name in placement.sockets.items()}
    elsewhere = [
        other.name
        for other in sight.sockets
        if other is not socket and sight.shows(due, other) and rightly.get(other.name) != due.id
    ]
    message = (
        f"end `{end}` goes through adapter `{due.id}` in {socket.name}, which joins "
        f"{groups_text(due.joined)} there; at the positions that it leaves free the scan found "
        f"{sight.told(due, socket)} joined"
    )
    if wrong:
        message += f", the mark of adapter `{wrong.id}`"
    if elsewhere and due.joined:
        message += f"; `{due.id}` is in {elsewhere[0]}"
    return PlacementError(
        message,
        hint=f"plug adapter `{due.id}` into {socket.name} and scan again"
        + ("" if wrong or elsewhere else "; if it is in, its joined positions or the tester have a fault"),
    )


def _unwanted(wrong: Adapter, user: str | None, socket: Socket) -> PlacementError:
    should = f"takes end `{user}` through the generic adapter" if user else "takes no end of this cable"
    return PlacementError(
        f"{socket.name} {should}, but positions {groups_text(wrong.joined)} are joined there, the mark of "
        f"adapter `{wrong.id}`",
        hint=f"take adapter `{wrong.id}` out of {socket.name} and scan again",
    )
