"""misplugged(): whether the faults of a scan are those of plugs in wrong sockets.

Every other way to plug the ends in is tried on the same evidence: its points get the names they have
there, and `compare` judges them again. One explains a scan if

- no fault is left, or
- few are left: with the wrong plugs counted as one fault there are fewer faults than as it stands, and
  what is left is a quarter of them at most.

The best one has the fewest faults left, then the fewest ends in wrong sockets; then the order of the ends
and of the sockets decides. It is told as an explanation only: the verdict stays as the facts decide.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

from pinwright.cable.profile import End, Profile
from pinwright.errors import PlacementError
from pinwright.tester.adapter import GENERIC, Adapter
from pinwright.tester.fixture import Placement, Socket, place, plugs_straight_in
from pinwright.tester.session import Scan
from pinwright.verdict.facts import Facts, compare


@dataclass(frozen=True, slots=True)
class Moved:
    """An end that should be in one socket and is in another."""

    end: str
    should: str
    seems: str


@dataclass(frozen=True, slots=True)
class Misplugged:
    """Plugs in wrong sockets. facts: what is left to find fault with, the pins named as they are plugged."""

    moved: tuple[Moved, ...]
    facts: Facts


def misplugged(
    profile: Profile, scan: Scan, facts: Facts, adapters: Sequence[Adapter] = ()
) -> Misplugged | None:
    """The wrong sockets that explain these facts best, if any do. facts: those of the stated placement."""
    if facts.continuous:
        return None  # no other socket mends a bad joint
    best: tuple[int, Misplugged] | None = None
    stated = scan.placement
    for other in _placements(profile, scan, adapters):
        measured = compare(profile, scan.evidence.measurement(other))
        if _in_points(measured, other) != _in_points(facts, stated):
            continue  # not the same evidence after all: nothing may be told from it
        left = _faults(measured)
        explains = left == 0 or (1 + left < _faults(facts) and 4 * left <= _faults(facts))
        if explains and (best is None or left < best[0]):
            moved = tuple(
                Moved(end, stated.sockets[end], socket)
                for end, socket in other.sockets.items()
                if socket != stated.sockets[end]
            )
            best = left, Misplugged(moved, measured)
    return best[1] if best else None


def _faults(facts: Facts) -> int:
    return len(facts.missing) + len(facts.extra) + len(facts.unsure)


def _in_points(facts: Facts, placement: Placement) -> set[frozenset[int]]:
    return {frozenset(placement.point_of[pin] for pin in piece) for piece in facts.nets}


def _placements(profile: Profile, scan: Scan, adapters: Sequence[Adapter]) -> Iterator[Placement]:
    """Every other way to plug the ends in, those with fewest ends elsewhere first.

    The marks that were seen have to be the marks that this way brings.
    """
    stated = scan.placement
    choices = [_sockets_for(end, scan, adapters) for end in profile.ends]
    names = [end.name for end in profile.ends]
    ways = (dict(zip(names, way, strict=True)) for way in product(*choices) if len(set(way)) == len(way))
    for way in sorted(ways, key=lambda way: sum(way[end] != stated.sockets[end] for end in way)):
        if way == stated.sockets:
            continue
        try:
            other = place(profile.ends, scan.fixture, scan.hello.points, way, adapters)
        except PlacementError:  # too small, or not fitted
            continue
        if other.marks == stated.marks:
            yield other


def _sockets_for(end: End, scan: Scan, adapters: Sequence[Adapter]) -> list[str]:
    """Where this end could be: straight in by its connector, or where there is an adapter for it."""
    through = scan.placement.adapters[end.name]
    kinds = {adapter.fits for adapter in adapters if through and end.connector.name in adapter.takes}

    def could_be_in(socket: Socket) -> bool:
        return through == GENERIC or socket.kind in kinds or plugs_straight_in(end.connector, socket.kind)

    return [socket.name for socket in scan.fixture.sockets if socket.takes_cables and could_be_in(socket)]
