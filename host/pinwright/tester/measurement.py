"""What was measured, and whether the evidence holds together.

A matrix has one row a point and one bit a pair: byte p // 8, bit p % 8 of a row is point p.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from pinwright.cable.pins import Pin, in_order
from pinwright.errors import Disagreement, OwnBug
from pinwright.tester.fixture import Fixture, Placement


@dataclass(frozen=True, slots=True)
class Measurement:
    """A measured cable, in pins.

    tested: pins that were driven and read; a pin that is not among them was not tested, which never
    means that it is not connected. joined: groups of pins found conducting together; groups may
    share pins. doubtful: pairs that conducted in some looks only, or from one side only.
    """

    tested: frozenset[Pin]
    joined: tuple[tuple[Pin, ...], ...]
    doubtful: tuple[tuple[Pin, Pin], ...] = ()


@dataclass(frozen=True, slots=True)
class Evidence:
    """One scan as the board holds it; see the firmware's scanner for how it comes about.

    seen: row p is what read low while p was pulled low. apart: points that conduct to something
    outside their port. group: per point, 1 + the point whose walk by ports reached it, or 0.
    unexplained: points of which the board itself cannot say what they conduct to.
    """

    points: int
    seen: bytes
    joined: bytes
    doubtful: bytes
    apart: bytes
    unexplained: bytes
    group: bytes

    def __post_init__(self) -> None:
        width = self.points // 8
        sizes = [len(self.seen), len(self.joined), len(self.doubtful)]
        if sizes != [self.points * width] * 3 or [len(self.apart), len(self.unexplained)] != [width] * 2:
            raise OwnBug(f"evidence of {self.points} points has the wrong size")
        if len(self.group) != self.points:
            raise OwnBug(f"evidence of {self.points} points has the wrong size")

    def row(self, matrix: bytes, point: int) -> int:
        """A row as a number: bit p is point p."""
        width = self.points // 8
        return int.from_bytes(matrix[point * width : (point + 1) * width], "little")

    def check(self, fixture: Fixture, placement: Placement) -> None:
        """Prove from the raw looks what the board concluded from them. Raises Disagreement.

        A pair is joined or doubtful from both its sides. Of every pair that no walk by ports decided:
        seen from both sides is joined, seen from neither is not. Every point saw itself. The tester's
        own references are joined in pairs. What `apart` says of each point agrees with its links.
        """
        seen = [self.row(self.seen, point) for point in range(self.points)]
        joined = [self.row(self.joined, point) for point in range(self.points)]
        doubtful = [self.row(self.doubtful, point) for point in range(self.points)]

        def name(point: int) -> str:
            pin = placement.pin_of.get(point)
            return str(pin) if pin else fixture.name_of(point)

        strange = list(bits(int.from_bytes(self.unexplained, "little")))
        if strange:
            names = ", ".join(name(point) for point in strange[:8])
            raise Disagreement(
                f"{names} conducted in one pass of the scan and not in another, or to many pins a little",
                hint="clean the cable and the sockets, press the plugs home, and scan again",
            )
        for point in range(self.points):
            if not seen[point] >> point & 1:
                raise Disagreement(f"{name(point)} did not read low while it was pulled low")
            for other in range(point):
                together = self.group[point] != 0 and self.group[point] == self.group[other]
                mutual = (seen[point] >> other & 1) + (seen[other] >> point & 1)
                said = (joined[point] >> other & 1) + 2 * (doubtful[point] >> other & 1)
                answer = (joined[other] >> point & 1) + 2 * (doubtful[other] >> point & 1)
                if self.group[point] or self.group[other]:
                    fits = together or said != 1 or mutual > 0
                else:
                    fits = said in {0: (0,), 1: (0, 1, 2), 2: (1, 2)}[mutual]
                if not fits or said != answer:
                    raise Disagreement(
                        f"the board's evidence contradicts itself between {name(point)} and {name(other)}"
                    )
        for pair in fixture.references:
            if max(pair) < self.points and any(
                set(bits(joined[point])) != set(pair) - {point} for point in pair
            ):
                raise Disagreement(
                    f"the tester's own {name(pair[0])}–{name(pair[1])} does not read as joined, and alone"
                )
        self._check_apart(joined, [j | d for j, d in zip(joined, doubtful, strict=True)], name)

    def _check_apart(self, joined: Sequence[int], linked: Sequence[int], name: Callable[[int], str]) -> None:
        """A point conducts to something outside its port if, and only if, a link leads there.

        A doubtful link is enough for the first, none for the second.
        """
        apart = int.from_bytes(self.apart, "little")
        for point in (point for piece in components(linked) if not _several_ports(piece) for point in piece):
            if apart >> point & 1:
                raise Disagreement(
                    f"{name(point)} conducts to something while all else is low, but to nothing by itself"
                )
        for point in (point for piece in components(joined) if _several_ports(piece) for point in piece):
            if not apart >> point & 1:
                raise Disagreement(
                    f"{name(point)} conducts to something by itself, but to nothing while all else is low"
                )

    def measurement(self, placement: Placement) -> Measurement:
        """The same in pins. The tester's own references are left out."""
        pin_of = placement.pin_of
        groups = []
        pairs = []
        for point, pin in pin_of.items():
            members = [pin_of[p] for p in bits(self.row(self.joined, point) | 1 << point) if p in pin_of]
            if len(members) > 1:
                groups.append(tuple(members))
            for other in bits(self.row(self.doubtful, point)):
                if other < point and other in pin_of:
                    one, two = sorted((pin, pin_of[other]), key=in_order)
                    pairs.append((one, two))
        return Measurement(frozenset(placement.point_of), tuple(groups), tuple(pairs))


def bits(number: int) -> Iterator[int]:
    """The positions of the set bits, lowest first."""
    while number:
        low = number & -number
        yield low.bit_length() - 1
        number ^= low


def _several_ports(piece: Sequence[int]) -> bool:
    return len({point // 8 for point in piece}) > 1


def components(rows: Sequence[int]) -> Iterator[list[int]]:
    """Connected pieces of a symmetric matrix of bit rows, singletons included."""
    left = (1 << len(rows)) - 1
    while left:
        piece = new = left & -left
        while new:
            reached = 0
            for point in bits(new):
                reached |= rows[point]
            new = reached & ~piece
            piece |= new
        left &= ~piece
        yield list(bits(piece))
