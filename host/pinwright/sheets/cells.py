"""A connector in characters: cells of text with a style, and rows and columns of pins."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby

_NEAR = 0.01  # mm; what is nearer lies in one column or row
Cell = tuple[str, str]  # text and style


def joined(cells: Sequence[Cell]) -> list[Cell]:
    """Neighbours of one style as one."""
    return [
        ("".join(char for char, _ in run), style) for style, run in groupby(cells, key=lambda cell: cell[1])
    ]


def levels(values: Iterable[float]) -> list[float]:
    """Where columns or rows are, in order."""
    found: list[float] = []
    for value in sorted(values):
        if not found or value - found[-1] > _NEAR:
            found.append(value)
    return found


def level(value: float, found: Sequence[float]) -> int:
    """Which of them a pin lies in."""
    return min(range(len(found)), key=lambda place: abs(found[place] - value))
