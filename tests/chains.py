"""Readings of a net whose pins are joined in any way, by the laws of Ohm and Kirchhoff, without a tester."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise

from pinwright.tester.calibration import Calibration
from pinwright.tester.chain import questions
from pinwright.tester.measurement import Evidence
from pinwright.tester.ohmmeter import Lane, Readings

HIGH, LOW = 785.0, 722.0  # of every point, with its resistor
OWN = Lane(4096, round(3.3 / 125e-6), round(0.706 / 3.3 * 65536), ())
Joint = tuple[int, int, float]  # two points, and the ohms between them


def reading(path_ohms: float) -> int:
    """What the converter makes of the current through so many ohms."""
    return round(4096 + 4 * 22 * 3.3 / (path_ohms + 22) / 7.8125e-6)


def calibration(points: int) -> Calibration:
    made = datetime(2026, 3, 1, tzinfo=UTC)
    return Calibration(made, (HIGH,) * points, (LOW,) * points, (0,) * points, (), 27.0)


class Joints:
    """A net, its points joined by these. more_ohms: what the first point's driver has more with two others
    low than with one: the current is larger then."""

    def __init__(self, joints: Iterable[Joint], more_ohms: float = 0.0) -> None:
        self.joints = tuple(joints)
        self.points = sorted({point for *pair, _ in self.joints for point in pair})
        self.more_ohms = more_ohms
        self.less_ohms = 0.0  # of every path, than there should be

    def onward(self, high: int, low: Collection[int]) -> float:
        """From one point to 0 V, these low, the others inputs. By Gauss's elimination of all but `high`."""
        matrix = {point: dict.fromkeys(self.points, 0.0) for point in self.points}
        for point in low:
            matrix[point][point] = 1 / LOW
        for one, other, ohms in self.joints:
            for point, far in ((one, other), (other, one)):
                matrix[point][point] += 1 / ohms
                matrix[point][far] -= 1 / ohms
        left = set(self.points)
        for gone in self.points:
            if gone == high:
                continue
            left.remove(gone)
            row = matrix[gone]
            for point in left:
                if matrix[point][gone]:
                    share = matrix[point][gone] / row[gone]
                    for other in left:
                        matrix[point][other] -= share * row[other]
        return 1 / matrix[high][high] - self.less_ohms

    def both(self, pair: tuple[int, int]) -> int:
        return reading(HIGH + self.more_ohms + self.onward(self.points[0], pair))

    def readings(self, points: int, *, calibrated: bool = True) -> Readings:
        """All that is read before anything is asked."""
        first, *others = self.points
        high, across, leak = [0] * points, [0] * points, [0] * points
        for point in self.points:
            high[point] = reading(HIGH + self.onward(point, [p for p in self.points if p != point]))
        for point in others if len(others) > 1 else ():
            across[point] = reading(HIGH + self.onward(first, [point]))
        leak[first] = OWN.zero
        parts = bytes(point in self.points for point in range(points))
        known = calibration(points) if calibrated else None
        return Readings(OWN, OWN, parts, tuple(high), tuple(leak), tuple(across), known)

    def evidence(self, points: int) -> Evidence:
        net = sum(1 << point for point in self.points)
        rows = [net if point in self.points else 1 << point for point in range(points)]
        matrix = b"".join(row.to_bytes(points // 8, "little") for row in rows)
        nothing = bytes(points // 8)
        return Evidence(points, matrix, matrix, bytes(len(matrix)), nothing, nothing, bytes(points))

    def asked(self, points: int, *, calibrated: bool = True) -> Readings:
        """The same with the answers to all that is asked."""
        readings = self.readings(points, calibrated=calibrated)
        near = []
        asking = questions(self.evidence(points), readings)
        try:
            pair = next(asking)
            while True:
                near.append((*pair, self.both(pair)))
                pair = asking.send(near[-1][-1])
        except StopIteration:
            return replace(readings, near=tuple(near))


def chain(points: Iterable[int], ohms: float = 1.0) -> list[Joint]:
    """Each joined to the next."""
    return [(one, other, ohms) for one, other in pairwise(points)]
