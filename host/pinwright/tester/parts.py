"""What is worth measuring in ohms, once a scan has shown what conducts: contacts, and parts that may leak."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Joined, Net, Profile
from pinwright.tester.fixture import Placement
from pinwright.tester.measurement import Evidence, components

_UNUSED = ""  # the kind of pins that no net uses


def parts_of(profile: Profile, evidence: Evidence, placement: Placement) -> bytes:
    """For each point the number of its part, from 1; 0 for points of no cable pin.

    A part is what was found joined and may be: the pins of one net, or of several of a signal that may be
    linked. A wrong contact joins two parts, and shows as a leak of both.
    """
    kind_of = _kinds(profile)
    numbers: dict[tuple[int, str], int] = {}
    parts = bytearray(evidence.points)
    labels = labels_of(evidence)
    for point, pin in sorted(placement.pin_of.items()):
        if pin not in kind_of:
            continue
        kind = kind_of[pin] or f"{pin}"
        parts[point] = numbers.setdefault((labels[point], kind), len(numbers) + 1)
    return bytes(parts)


@dataclass(frozen=True, slots=True)
class Round:
    """One go at pins of larger parts: in each part its lowest point is high, one other low, the rest inputs.

    parts: as the board wants it: that low point is of no part. pairs: high and low point of each part.
    """

    parts: bytes
    pairs: tuple[tuple[int, int], ...]


def rounds(parts: bytes) -> Iterator[Round]:
    """From the lowest point of every part of more than two to each of its others, one after another.

    Of a point against all the rest of its part only its own joint is seen well: not the one joint between two
    halves of a net. From one point to every other all of them are.
    """
    larger = [points for points in points_of(parts).values() if len(points) > 2]
    for nth in range(1, max(map(len, larger), default=0)):
        now = bytearray(len(parts))
        pairs = []
        for points in larger:
            if nth < len(points):
                pairs.append((points[0], points[nth]))
                for point in points:
                    now[point] = parts[point] if point != points[nth] else 0
        yield Round(bytes(now), tuple(pairs))


def round_of(parts: bytes, pair: tuple[int, int]) -> Round:
    """From the lowest point of a part to two of its others, these both low. Other parts are left out."""
    points = next(points for points in points_of(parts).values() if pair[0] in points)
    now = bytearray(len(parts))
    for point in points:
        now[point] = parts[point] if point not in pair else 0
    return Round(bytes(now), tuple((points[0], point) for point in pair))


def points_of(parts: bytes) -> Mapping[int, tuple[int, ...]]:
    """Every part's number → its points, the lowest first."""
    points: dict[int, list[int]] = {}
    for point, number in enumerate(parts):
        if number:
            points.setdefault(number, []).append(point)
    return {number: tuple(members) for number, members in points.items()}


def _kinds(profile: Profile) -> Mapping[Pin, str]:
    """Every pin of the cable → what it may be joined to: pins of the same kind. Unused pins have none."""
    kinds = dict.fromkeys(profile.pins(), _UNUSED)
    for number, net in enumerate(profile.nets):
        optional = net.common and profile.common[net.common] is Joined.OPTIONAL
        for pin in net.pins:
            kinds[pin] = f"common {net.common}" if optional else f"net {number}"
    return kinds


def labels_of(evidence: Evidence) -> Mapping[int, int]:
    """Every point → the lowest point of the piece it was found in."""
    rows = [evidence.row(evidence.joined, point) for point in range(evidence.points)]
    return {point: piece[0] for piece in components(rows) for point in piece}


def to_be_high(parts: bytes) -> int:
    """The points that are to be measured against all others, a bit each: those of parts of two or more."""
    return sum(1 << point for points in points_of(parts).values() if len(points) > 1 for point in points)


def contacts(
    profile: Profile, evidence: Evidence, placement: Placement
) -> Iterator[tuple[Net, Pin, int, tuple[Pin, ...]]]:
    """Net, pin, point, and the pins of its net that it was found joined to, for every pin that has some."""
    labels = labels_of(evidence)
    point_of = placement.point_of
    for net in profile.nets:
        for pin in net.pins:
            label = labels[point_of[pin]]
            others = tuple(other for other in net.pins if other != pin and labels[point_of[other]] == label)
            if others:
                yield net, pin, point_of[pin], others
