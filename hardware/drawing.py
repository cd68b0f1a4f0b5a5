"""SVG drawings for whoever solders: lines, holes, boards and words, the same bytes every time.

Whatever is wired carries `data-` attributes, by which a test holds the drawing against the tables.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from xml.etree import ElementTree

_HOST = Path(__file__).resolve().parents[1] / "host"
if _HOST.is_dir():  # a checkout that is not installed
    sys.path.insert(0, str(_HOST))

from pinwright.sheets.svg import element, path, picture  # noqa: E402

INK, GREY, PAPER, BODY = "#222222", "#8f8f8f", "#ffffff", "#f4f4f1"
BOARD, COPPER, CUT = "#fbf6e9", "#eccfa6", "#c0392b"
HOLE = 0.9  # radius of a hole, in the drawing's millimetres
_FONT = "'DejaVu Sans', 'Liberation Sans', sans-serif"
_LETTER = 0.62  # of the size: how wide a letter is, rather too wide

# The colour of the last digit of a number, as on resistors and rainbow ribbon; white is drawn light grey.
COLOURS = (
    *("#111111", "#8b4a1d", "#d62728", "#f07f13", "#c9a800"),
    *("#2a9134", "#1f66c1", "#8a3fa0", "#777777", "#b9b9b9"),
)

Point = tuple[float, float]


class Picture:
    """A drawing while it is made; what is drawn later lies on top."""

    def __init__(self, width: float, height: float, title: str) -> None:
        self.root = picture(0.0, 0.0, width, height, fill="none")
        element(self.root, "title").text = title
        self.rect(0.0, 0.0, width, height, PAPER)

    def rect(self, x: float, y: float, width: float, height: float, fill: str, **more: object) -> None:
        element(self.root, "rect", x=x, y=y, width=width, height=height, fill=fill, **more)

    def line(self, points: Sequence[Point], colour: str = INK, width: float = 0.3, **more: object) -> None:
        """Through these points; `M x y L x y …`."""
        d = path(*(part for k, place in enumerate(points) for part in ("L" if k else "M", *place)))
        look = {"stroke": colour, "stroke_width": width, "stroke_linejoin": "round"}
        element(self.root, "path", d=d, **{**look, **more})

    def wire(self, points: Sequence[Point], colour: str, width: float = 0.9, **data: object) -> None:
        """A line with a pale edge, so that where two cross one is seen to pass over the other."""
        self.line(points, PAPER, width + 0.7)
        self.line(points, colour, width, **data)

    def circle(self, x: float, y: float, radius: float, **more: object) -> None:
        element(self.root, "circle", cx=x, cy=y, r=radius, **more)

    def hole(self, x: float, y: float) -> None:
        self.circle(x, y, HOLE, fill=PAPER, stroke=GREY, stroke_width=0.2)

    def joint(self, x: float, y: float, colour: str = INK) -> None:
        """A soldered end in a hole."""
        self.circle(x, y, HOLE + 0.2, fill=colour)

    def pin(self, x: float, y: float, name: str, first: bool, **data: object) -> None:
        """A contact with its name in it; the first one square."""
        look = {"fill": PAPER, "stroke": INK, "stroke_width": 0.35, **data}
        if first:
            self.rect(x - PIN, y - PIN, 2 * PIN, 2 * PIN, str(look.pop("fill")), **look)
        else:
            self.circle(x, y, PIN, **look)
        size = min(2.4, 1.8 * PIN / (_LETTER * max(1, len(name))))
        self.text(x, y + 0.36 * size, name, size, anchor="middle", bold=first)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float = 3.0,
        *,
        anchor: str = "start",
        bold: bool = False,
        fill: str = INK,
        turned: bool = False,
        **more: object,
    ) -> None:
        """turned: read from below upwards."""
        look = {"font_size": size, "font_family": _FONT, "text_anchor": anchor, "fill": fill}
        if bold:
            look["font_weight"] = "bold"
        if turned:
            look["transform"] = f"rotate({path(-90.0, x, y)})"
        element(self.root, "text", x=x, y=y, **look, **more).text = text

    def svg(self) -> str:
        ElementTree.indent(self.root)
        return ElementTree.tostring(self.root, encoding="unicode") + "\n"


PIN = 2.1  # radius of a contact


def wide(text: str, size: float = 3.0) -> float:
    """How wide a text is, rather too wide."""
    return _LETTER * size * len(text)


def wrapped(text: str, width: float, size: float = 3.0) -> list[str]:
    """The text in lines that are no wider."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and wide(longer, size) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
