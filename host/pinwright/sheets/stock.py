"""What labels are printed on: sheets of a paper, or a roll. Pure; everything is in millimetres."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from pinwright.errors import UsageError

Size = tuple[float, float]  # across and down

SIZE: Size = (50.0, 25.0)
# ISO 216, and what is common where that is not: 8.5 by 11 inches.
PAPERS: dict[str, Size] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MOST_MM = 2000.0  # of a label or a paper: a sheet of the largest printers, and more than any label
MOST_LABELS = 10_000  # in one file
EDGE_MM = 5.0  # what most printers leave white at the edges of a paper, from memory
_NEAR = 0.01  # what is less is none
_PAIR = re.compile(r"([0-9]{1,4}(?:\.[0-9]{1,3})?)[x×]([0-9]{1,4}(?:\.[0-9]{1,3})?)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Stock:
    """size: of what is printed once; a flag has it twice, and `flag` between them, which goes round the cable
    and stays blank. paper: None for a roll, where a page is a label. columns, rows: of labels on a paper;
    left, top: where the first one is; gap: between them. skip: labels already taken off the first sheet.
    copies: of each label. outline: draw the edges of the labels.

    `fitting_stock` makes one that fits.
    """

    size: Size = SIZE
    paper: Size | None = PAPERS["a4"]
    columns: int = 1
    rows: int = 1
    left: float = 0.0
    top: float = 0.0
    gap: Size = (0.0, 0.0)
    flag: float = 0.0
    skip: int = 0
    copies: int = 1
    outline: bool = False

    @property
    def label(self) -> Size:
        """Width and height of a whole label."""
        return whole(self.size, self.flag)

    @property
    def page(self) -> Size:
        return self.paper or self.label

    @property
    def on_a_page(self) -> int:
        return self.columns * self.rows

    def places(self) -> Iterator[Size]:
        """The upper left corners of a page's labels, line by line."""
        width, height = self.label
        for row in range(self.rows):
            for column in range(self.columns):
                yield self.left + column * (width + self.gap[0]), self.top + row * (height + self.gap[1])


def whole(size: Size, flag: float) -> Size:
    width, height = size
    return (2 * width + flag, height) if flag else size


def fitting_stock(
    *,
    size: Size = SIZE,
    paper: Size | None = None,
    grid: tuple[int, int] | None = None,
    margin: Size | None = None,
    gap: Size | None = None,
    skip: int = 0,
    roll: bool = False,
    flag: float = 0.0,
    copies: int = 1,
    outline: bool = False,
) -> Stock:
    """What was asked for, if it fits. Raises UsageError, which says what would.

    paper: A4 where it is None. grid: columns and rows; as many as fit where it is None. margin: of the first
    label; without it the labels are in the middle of the paper, EDGE_MM from its edges where nobody says how
    many there are.
    """
    if roll:
        given = {"--paper": paper, "--grid": grid, "--margin": margin, "--gap": gap, "--skip": skip or None}
        for option, value in given.items():
            if value is not None:
                raise UsageError(f"`{option}` is about sheets, and `--roll` asks for none")
        return Stock(size, None, flag=flag, copies=copies, outline=outline)
    paper, gap = paper or PAPERS["a4"], gap or (0.0, 0.0)
    label = whole(size, flag)
    fit = [_most(label[axis], paper[axis] - (margin or (0.0, 0.0))[axis], gap[axis]) for axis in (0, 1)]
    inside = [_most(label[axis], paper[axis] - 2 * EDGE_MM, gap[axis]) for axis in (0, 1)]
    usual = fit if margin else [within or min(most, 1) for within, most in zip(inside, fit, strict=True)]
    columns, rows = grid or (usual[0], usual[1])
    for axis, count, what, along in ((0, columns, "column", "wide"), (1, rows, "row", "high")):
        if not 1 <= count <= fit[axis]:
            count = max(1, count)
            needed = _length(label[axis], count, gap[axis]) + (margin or (0.0, 0.0))[axis]
            many = f"{count} {what} of labels" if count == 1 else f"{count} {what}s of labels"
            raise UsageError(
                f"{many} {label[axis]:g} mm {along} take {needed:g} mm, margin and gaps with them, and the "
                f"paper is {paper[axis]:g} mm {along}; {fit[axis] or 'none'} would fit"
            )
    if skip >= columns * rows:
        raise UsageError(
            f"`--skip {skip}` leaves nothing of a sheet of {columns} x {rows} labels; "
            f"it can be {columns * rows - 1} at most"
        )
    left, top = margin or (
        (paper[0] - _length(label[0], columns, gap[0])) / 2,
        (paper[1] - _length(label[1], rows, gap[1])) / 2,
    )
    return Stock(size, paper, columns, rows, left, top, gap, flag, skip, copies, outline)


def _most(label: float, room: float, gap: float) -> int:
    """How many labels have room in a line."""
    return max(0, int((room + gap + _NEAR) // (label + gap)))


def _length(label: float, count: int, gap: float) -> float:
    return count * (label + gap) - gap


def a_pair(text: str) -> Size | None:
    """`50x25` → (50.0, 25.0), each at most MOST_MM; None for what is written otherwise."""
    found = _PAIR.fullmatch(text)
    pair = (float(found[1]), float(found[2])) if found else None
    return pair if pair and max(pair) <= MOST_MM else None
