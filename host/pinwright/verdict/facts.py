"""compare(): what is missing and what is too much. These facts alone decide."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import Joined, Net, Profile
from pinwright.errors import OwnBug
from pinwright.tester.measurement import Measurement


class PinMismatch(OwnBug):
    """A profile names pins that were not tested: the wrong fixture."""


Piece = tuple[Pin, ...]


@dataclass(frozen=True, slots=True)
class Missing:
    """An expected net that is in pieces. pieces: its pins, together as they were found together."""

    net: Net
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, slots=True)
class Extra:
    """One measured piece that spans several expected nets or an unused pin.

    pins: the whole piece. nets: the expected nets it touches. unused: its pins that no net uses.
    """

    pins: Piece
    nets: tuple[Net, ...]
    unused: Piece


@dataclass(frozen=True, slots=True)
class Facts:
    """How a measured cable differs from its profile.

    nets: measured pieces of two or more pins. doubtful: pairs that conducted now and then; they count
    as open in `missing` and as joined in `extra`, so that no doubt helps a cable to pass. unsure: those
    of them that are within one expected net, which may hang together otherwise.
    """

    nets: tuple[Piece, ...]
    missing: tuple[Missing, ...]
    extra: tuple[Extra, ...]
    doubtful: tuple[tuple[Pin, Pin], ...]
    unsure: tuple[tuple[Pin, Pin], ...]

    @property
    def passed(self) -> bool:
        """Every expected net is one piece, nothing else is joined to it, and no contact in it is in doubt."""
        return not (self.missing or self.extra or self.unsure)


class _Pieces:
    """Disjoint sets of pins (union by size, path halving)."""

    def __init__(self, pins: Iterable[Pin]) -> None:
        self._parent = {pin: pin for pin in pins}
        self._size = dict.fromkeys(self._parent, 1)

    def find(self, pin: Pin) -> Pin:
        parent = self._parent
        while parent[pin] != pin:
            parent[pin] = pin = parent[parent[pin]]
        return pin

    def join(self, one: Pin, other: Pin) -> None:
        one, other = self.find(one), self.find(other)
        if one != other:
            if self._size[one] < self._size[other]:
                one, other = other, one
            self._parent[other] = one
            self._size[one] += self._size[other]

    def all(self) -> dict[Pin, list[Pin]]:
        """Representative → members, pieces of one pin left out."""
        pieces: dict[Pin, list[Pin]] = {}
        for pin in self._parent:
            root = self.find(pin)
            if self._size[root] > 1:
                pieces.setdefault(root, []).append(pin)
        return pieces


def _sorted(pins: Iterable[Pin]) -> Piece:
    return tuple(sorted(pins, key=in_order))


def compare(profile: Profile, measured: Measurement) -> Facts:
    """Say how a measured cable differs from its profile.

    Pure. Facts are ordered by end and pin, so equal inputs print equally.
    measured.joined: groups of pins found conducting; measured.tested: pins that were driven and read.
    Raises PinMismatch if the profile names pins that were not tested (wrong fixture).
    """
    strangers = [pin for pin in profile.pins() if pin not in measured.tested]
    if strangers:
        raise PinMismatch(
            f"`{profile.id}` has pins that were not tested: {', '.join(map(str, strangers[:6]))}"
        )
    joined = _Pieces(measured.tested)
    for group in measured.joined:
        for pin in group[1:]:
            joined.join(group[0], pin)
    nets = sorted((_sorted(piece) for piece in joined.all().values()), key=lambda piece: in_order(piece[0]))
    missing = tuple(fact for net in profile.nets if (fact := _missing(net, joined)))
    if measured.doubtful:
        for one, other in measured.doubtful:
            joined.join(one, other)
        pieces = sorted(
            (_sorted(piece) for piece in joined.all().values()), key=lambda piece: in_order(piece[0])
        )
    else:
        pieces = nets
    pairs = {(min(pair, key=in_order), max(pair, key=in_order)) for pair in measured.doubtful}
    doubtful = tuple(sorted(pairs, key=lambda pair: tuple(map(in_order, pair))))
    net_of = {pin: net for net in profile.nets for pin in net.pins}
    extra = tuple(found for piece in pieces if (found := _extra(piece, net_of, profile)))
    unsure = tuple(pair for pair in doubtful if net_of.get(pair[0], pair[0]) is net_of.get(pair[1]))
    return Facts(tuple(nets), missing, extra, doubtful, unsure)


def _missing(net: Net, joined: _Pieces) -> Missing | None:
    root = joined.find(net.pins[0])
    if all(joined.find(pin) == root for pin in net.pins):
        return None
    split: dict[Pin, list[Pin]] = {}
    for pin in net.pins:
        split.setdefault(joined.find(pin), []).append(pin)
    return Missing(
        net, tuple(sorted((_sorted(piece) for piece in split.values()), key=lambda piece: in_order(piece[0])))
    )


def _extra(piece: Piece, net_of: dict[Pin, Net], profile: Profile) -> Extra | None:
    unused = tuple(pin for pin in piece if pin not in net_of)
    nets = list({net.pins: net for pin in piece if (net := net_of.get(pin))}.values())
    if not unused and (len(nets) == 1 or _may_meet(nets, profile)):
        return None
    return Extra(piece, tuple(nets), unused)


def _may_meet(nets: list[Net], profile: Profile) -> bool:
    """Conductors of one signal whose linking is optional."""
    common = nets[0].common
    return (
        common != ""
        and profile.common[common] is Joined.OPTIONAL
        and all(net.common == common for net in nets)
    )
