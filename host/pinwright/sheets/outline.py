"""A connector upright as it is held, as SVG: where its pins lie, its outline, and on which side a pin is."""

from __future__ import annotations

from math import dist
from xml.etree import ElementTree

from pinwright.cable.connectors import SHELL, Connector
from pinwright.sheets.drawing import BODY, INK, PAPER
from pinwright.sheets.svg import element, path, picture

MONO = "'DejaVu Sans Mono', monospace"


class Outline:
    """pitch: mm between the nearest pins, at most. tallest, widest: mm for the pins themselves, at most.
    margin: from the outermost pins to the outline, in pitches; round_margin: to that of a round plug.

    Afterwards pitch is as it came out, places has each pin in mm, and box the outline's edges.
    """

    def __init__(
        self,
        plug: Connector,
        *,
        pitch: float,
        tallest: float,
        widest: float,
        margin: float,
        round_margin: float,
    ) -> None:
        self.plug = plug
        places = plug.positions
        nearest = min((dist(a, b) for a in places.values() for b in places.values() if a != b), default=2.54)
        xs, ys = zip(*places.values(), strict=True)
        wide, tall = (max(xs) - min(xs)) / nearest, (max(ys) - min(ys)) / nearest
        self.pitch = min(pitch, tallest / max(tall, 1), widest / max(wide, 1))
        scale = self.pitch / nearest
        self.places = {pin: (x * scale, y * scale) for pin, (x, y) in places.items()}
        self.upright = tall >= wide
        xs, ys = zip(*self.places.values(), strict=True)
        room = margin * self.pitch
        self.box = (min(xs) - room, min(ys) - room, max(xs) + room, max(ys) + room)
        if plug.outline == "round":
            x, y = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2
            farthest = max(dist((x, y), place) for place in self.places.values())
            self.radius = farthest + round_margin * self.pitch
            self.box = (x - self.radius, y - self.radius, x + self.radius, y + self.radius)

    def side(self, pin: str) -> int:
        """-1 for a pin of the outer row at the left, or above, 1 at the right or below, 0 for all others."""
        if pin == SHELL or self.plug.outline == "round":
            return 0
        rows = self.rows()
        at = round(self.places[pin][0 if self.upright else 1], 2)
        return 1 if at == rows[-1] else -1 if at == rows[0] else 0

    def rows(self) -> list[float]:
        """Where the rows lie across the longer way, in mm."""
        axis = 0 if self.upright else 1
        return sorted({round(place[axis], 2) for name, place in self.places.items() if name != SHELL})

    def begun(self, across: float, along: float, **more: str) -> ElementTree.Element:
        """The root of a document with so much room beside the outline and above it, in mm."""
        left, top, right, bottom = self.box
        x, y = left - across, top - along
        width, height = right - left + 2 * across, bottom - top + 2 * along
        return picture(x, y, width, height, fill="none", **more)

    def draw(self, root: ElementTree.Element) -> None:
        left, top, right, bottom = self.box
        look = {"stroke": INK, "stroke_width": 0.35, "fill": BODY}
        outline = self.plug.outline
        if outline == "round":
            element(root, "circle", cx=(left + right) / 2, cy=(top + bottom) / 2, r=self.radius, **look)
            return
        if outline == "dee":
            slant = 0.5 * self.pitch
            low, high = self.plug.rows[-1][0], self.plug.rows[0][0]
            wide, narrow = (top, bottom) if self.places[high][1] < self.places[low][1] else (bottom, top)
            d = path("M", left, wide, "L", right, wide, right - slant, narrow, left + slant, narrow, "Z")
            element(root, "path", d=d, **look)
        else:
            rounded = (right - left) / 2 if outline == "pill" else 0.8
            element(root, "rect", x=left, y=top, width=right - left, height=bottom - top, rx=rounded, **look)
        if outline == "notched":
            x, size = (left + right) / 2, 0.6 * self.pitch
            d = f"{path('M', x - size, top, 'A', size, size)} 0 0 0 {path(x + size, top)}"
            element(root, "path", **{**look, "d": d, "fill": PAPER})
