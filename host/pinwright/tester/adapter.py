"""Adapters: boards that bring the pins of a connector to the positions of a tester's socket.

An adapter joins some of the positions it leaves free: its mark, by which a scan knows that the right one
is in.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

from pinwright.cable.connectors import Connector, UnknownConnector, connector
from pinwright.cable.tables import Table, entries, seen, text
from pinwright.errors import AdapterError

# Kind of socket → how many positions it has; a test holds it against the fixtures.
POSITIONS = {"box-2x20": 40, "zif-40": 40, "pins-12": 12}
GENERIC = "generic"  # loose leads or a board without a file: pin k at position k
RESERVED = (GENERIC, "none")  # words that stand where an adapter's id could

MOST_ID = 64
MOST_TEXT = 200
MOST_FAMILIES = 50
_LONG = 6  # groups, and positions of a group, that a sentence can carry
_ID = re.compile(r"[A-Za-z0-9]+(-[A-Za-z0-9]+)*")

Groups = tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True)
class Adapter:
    """One kind of adapter.

    takes: the connectors that may be on the cable. fits: the kind of socket it plugs into. joined: its
    mark, groups of positions that the adapter itself joins. position_of: pin of the connector → position
    of the socket, counted from 1.
    """

    id: str
    title: str
    revision: str
    takes: tuple[str, ...]
    fits: str
    joined: Groups
    position_of: Mapping[str, int] = field(hash=False)

    @property
    def spare(self) -> tuple[int, ...]:
        """The positions of the socket that no pin of the connector is brought to."""
        used = set(self.position_of.values())
        return tuple(position for position in range(1, POSITIONS[self.fits] + 1) if position not in used)

    def mistaken_for(self, other: Adapter) -> bool:
        """Whether a scan that expects `other` could take this one for it, whatever cable is in it.

        At the positions that `other` leaves free it shows of its own mark nothing but what is in the other's,
        and a cable could join the rest. Where either has no mark, there is nothing to tell them by.
        """
        if self.fits != other.fits or not (self.joined and other.joined):
            return False
        spare, pins = set(other.spare), set(self.position_of.values())
        shown = {group for group in self.joined if spare.intersection(group)}
        return shown <= {*other.joined} and all(pins.issuperset(group) for group in {*other.joined} - shown)

    @staticmethod
    def from_dict(data: Mapping[str, object]) -> Adapter:
        """An adapter from the document of an adapter file. Raises AdapterError at the first wrong key."""
        top = Table.of(data, AdapterError)
        top.only("adapter", "pins")
        head = top.table("adapter")
        head.only("id", "title", "revision", "takes", "fits", "joined")
        id = head.text("id", MOST_ID)
        if not _ID.fullmatch(id):
            raise AdapterError("adapter.id", f"must be letters, digits and single hyphens, not {seen(id)}")
        if id in RESERVED:
            raise AdapterError("adapter.id", f"`{id}` has a meaning of its own; take another")
        fits = head.word("fits", POSITIONS)
        takes = _takes(head)
        position_of = _pins(top.table("pins"), takes, fits)
        joined = _joined(head, fits, set(position_of.values()))
        spare = POSITIONS[fits] - len(position_of)
        if spare > 1 and not joined:
            raise AdapterError(
                "adapter.joined",
                f"must name positions that the adapter joins, such as [[{POSITIONS[fits] - 1}, "
                f"{POSITIONS[fits]}]]: it leaves {spare} of `{fits}` free",
                hint="a scan knows the adapter by them",
            )
        return Adapter(
            id,
            head.text("title", MOST_TEXT, ""),
            head.text("revision", MOST_TEXT, ""),
            tuple(one.name for one in takes),
            fits,
            joined,
            MappingProxyType(position_of),
        )


def adapter_for(connector: Connector, kind: str, adapters: Iterable[Adapter]) -> Adapter | None:
    """The adapter that takes this connector and fits this kind of socket, if there is one."""
    return next((one for one in adapters if one.fits == kind and connector.name in one.takes), None)


def groups_text(groups: Sequence[Sequence[object]]) -> str:
    """`38–39`, `38–39 and 12–13–14`; `nothing` where nothing is joined; cut short where it would be long."""
    told = ["–".join(map(str, group[:_LONG])) + "…" * (len(group) > _LONG) for group in groups[:_LONG]]
    return " and ".join([*told, *["more"] * (len(groups) > _LONG)]) or "nothing"


def _takes(head: Table) -> tuple[Connector, ...]:
    takes: list[Connector] = []
    names = head.entries("takes", "connectors")
    if not 1 <= len(names) <= MOST_FAMILIES:
        raise AdapterError("adapter.takes", f"must name 1 to {MOST_FAMILIES} connectors, not {len(names)}")
    for key, name in names:
        try:
            one = connector(text(name, MOST_TEXT, key, AdapterError))
        except UnknownConnector as error:
            raise AdapterError(key, str(error)) from None
        if one in takes:
            raise AdapterError(key, f"`{one.name}` is named twice")
        if takes and one.pins != takes[0].pins:
            raise AdapterError(key, f"{one.range_text()}, but {takes[0].range_text()}")
        takes.append(one)
    return tuple(takes)


def _pins(table: Table, takes: Sequence[Connector], fits: str) -> dict[str, int]:
    """Pin → position, in the order of the connector."""
    plug = takes[0]
    for pin in table.data:
        if pin not in plug.pins:
            raise AdapterError(table.key(pin), f"no such pin; {plug.range_text()}")
    position_of: dict[str, int] = {}
    for pin in plug.pins:
        if pin not in table.data:
            raise AdapterError("pins", f"pin `{pin}` is missing; {plug.range_text()}")
        position = _position(table.data[pin], table.key(pin), fits)
        taken = next((other for other, at in position_of.items() if at == position), None)
        if taken is not None:
            raise AdapterError(table.key(pin), f"pin `{taken}` is at position {position} already")
        position_of[pin] = position
    return position_of


def _joined(head: Table, fits: str, used: set[int]) -> Groups:
    groups = []
    taken = set(used)
    for key, entry in head.entries("joined", "groups of positions", []):
        group = []
        for place, position in entries(entry, "positions", key, AdapterError):
            at = _position(position, place, fits)
            if at in taken:
                why = "serves a pin of the connector" if at in used else "is named twice"
                raise AdapterError(place, f"position {at} {why}")
            taken.add(at)
            group.append(at)
        if len(group) < 2:
            raise AdapterError(key, f"must be two or more positions, not {len(group)}")
        groups.append(tuple(sorted(group)))
    return tuple(sorted(groups))


def _position(value: object, key: str, fits: str) -> int:
    last = POSITIONS[fits]
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= last:
        raise AdapterError(key, f"must be a position of `{fits}`, 1 to {last}, not {seen(value)}")
    return value
