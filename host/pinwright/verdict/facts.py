"""compare(): what is missing and what is too much. These facts alone decide."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import Joined, Net, Profile
from pinwright.errors import OwnBug
from pinwright.tester.measurement import Measurement
from pinwright.verdict.resistances import Leak, Link, Resistances


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
    of them that are within one expected net, which may hang together otherwise. resistances: of links and
    leaks; None where they were not measured.
    """

    nets: tuple[Piece, ...]
    missing: tuple[Missing, ...]
    extra: tuple[Extra, ...]
    doubtful: tuple[tuple[Pin, Pin], ...]
    unsure: tuple[tuple[Pin, Pin], ...]
    resistances: Resistances | None = None

    @property
    def continuous(self) -> bool:
        """Every expected net is one piece, nothing else is joined to it, and no contact in it is in doubt."""
        return not (self.missing or self.extra or self.unsure)

    @property
    def passed(self) -> bool:
        """Continuous, and every measured resistance within its limit."""
        return self.continuous and (self.resistances is None or self.resistances.passed)

    @property
    def links(self) -> tuple[Link, ...]:
        return self.resistances.links if self.resistances else ()

    @property
    def leaks(self) -> tuple[Leak, ...]:
        return self.resistances.leaks if self.resistances else ()


class _Pieces:
    """Disjoint sets of pins (union by size, path halving). pins: in order, and so are the pieces."""

    def __init__(self, pins: Sequence[Pin]) -> None:
        self._pins = pins
        self._number = {pin: number for number, pin in enumerate(pins)}
        self._parent = list(range(len(pins)))
        self._size = [1] * len(pins)

    def _root(self, number: int) -> int:
        parent = self._parent
        while (above := parent[number]) != number:
            parent[number] = number = parent[above]
        return number

    def join(self, pins: Sequence[Pin]) -> None:
        """All of them become one piece."""
        first, *others = [self._root(self._number[pin]) for pin in pins]
        for other in others:
            one, other = self._root(first), self._root(other)
            if one == other:
                continue
            if self._size[one] < self._size[other]:
                one, other = other, one
            self._parent[other] = one
            self._size[one] += self._size[other]

    def all(self) -> tuple[Piece, ...]:
        """The pieces of two or more pins."""
        roots = [self._root(number) for number in range(len(self._pins))]
        pieces: dict[int, list[Pin]] = {root: [] for root in roots if self._size[root] > 1}
        for root, pin in zip(roots, self._pins, strict=True):
            if root in pieces:
                pieces[root].append(pin)
        return tuple(map(tuple, pieces.values()))

    def split(self, pins: Sequence[Pin]) -> tuple[Piece, ...]:
        """These pins, together as they are joined. pins: in order."""
        pieces: dict[int, list[Pin]] = {}
        for pin in pins:
            pieces.setdefault(self._root(self._number[pin]), []).append(pin)
        return tuple(map(tuple, pieces.values()))


def compare(profile: Profile, measured: Measurement) -> Facts:
    """Say how a measured cable differs from its profile.

    Pure. Facts are ordered by end and pin, so equal inputs print equally.
    measured.joined: groups of pins found conducting; measured.tested: pins that were driven and read.
    Raises PinMismatch if either names pins that were not tested (wrong fixture).
    """
    known = (profile.pins(), *measured.joined, *measured.doubtful)
    strangers = [pin for pins in known for pin in pins if pin not in measured.tested]
    if strangers:
        raise PinMismatch(
            f"`{profile.id}` has pins that were not tested: {', '.join(map(str, strangers[:6]))}"
        )
    joined = _Pieces(sorted(measured.tested, key=in_order))
    for group in measured.joined:
        joined.join(group)
    nets = joined.all()
    missing = tuple(Missing(net, split) for net in profile.nets if len(split := joined.split(net.pins)) > 1)
    for pair in measured.doubtful:
        joined.join(pair)
    pieces = joined.all() if measured.doubtful else nets
    pairs = {(min(pair, key=in_order), max(pair, key=in_order)) for pair in measured.doubtful}
    doubtful = tuple(sorted(pairs, key=lambda pair: tuple(map(in_order, pair))))
    net_of = {pin: net for net in profile.nets for pin in net.pins}
    extra = tuple(found for piece in pieces if (found := _extra(piece, net_of, profile)))
    unsure = tuple(pair for pair in doubtful if net_of.get(pair[0], pair[0]) is net_of.get(pair[1]))
    return Facts(nets, missing, extra, doubtful, unsure)


def _extra(piece: Piece, net_of: dict[Pin, Net], profile: Profile) -> Extra | None:
    unused = tuple(pin for pin in piece if pin not in net_of)
    nets = list({id(net): net for pin in piece if (net := net_of.get(pin))}.values())
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
