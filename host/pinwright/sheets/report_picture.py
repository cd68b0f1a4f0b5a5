"""Where cables of one kind fail, as SVG: a connector as it is held, with a circle at each pin with faults.

The area of a circle goes with the number of cables, which stands in it; a dot is a pin without a fault.
"""

from __future__ import annotations

from math import sqrt
from xml.etree import ElementTree

from pinwright.cable.connectors import SHELL
from pinwright.sheets.drawing import GREY, INK
from pinwright.sheets.outline import MONO, Outline
from pinwright.sheets.report import ReportEnd
from pinwright.sheets.svg import element

FAULT = "#e69f00"  # can be told from the rest by the colour-blind, and is grey enough in print
_PITCH, _ROUND_PITCH = 7.0, 9.0  # mm between the nearest pins, at most
_TALLEST, _WIDEST = 150.0, 150.0  # mm for the pins themselves
# Radius of the largest circle, in pitches; and where names stand between pins.
_LARGEST, _LARGEST_BETWEEN = 0.47, 0.36
_DOT = 0.09  # radius of a dot, in pitches
_NUMBER, _NAME, _NAME_BETWEEN = 0.42, 0.34, 0.26  # height of letters, in pitches
_BESIDE = 0.62  # from the middle of a pin to that of its name, in pitches
_MARGIN = 0.85  # from the outermost pins to the outline, in pitches
_LETTER = 0.62  # how wide a letter is, in its height


def fault_picture(end: ReportEnd, most: int) -> str:
    """An SVG document. most: cables at the worst pin of all ends, which has the largest circle."""
    return _Picture(end, max(1, most)).svg()


class _Picture(Outline):
    def __init__(self, end: ReportEnd, most: int) -> None:
        super().__init__(
            end.plug,
            pitch=_ROUND_PITCH if end.plug.outline == "round" else _PITCH,
            tallest=_TALLEST,
            widest=_WIDEST,
            margin=_MARGIN,
            round_margin=1.3 * _MARGIN,
        )
        self.end, self.most = end, most
        self.between = any(not self._outside(pin) for pin in self.places if pin != SHELL)

    def svg(self) -> str:
        # Names of the outer rows are outside.
        beside = _LETTER * _NAME * self.pitch * max(map(len, self.places)) + 2.0
        across, along = (beside, 1.0) if self.upright else (1.0, 0.7 * self.pitch)
        self.root = self.begun(across, along, role="img")
        element(self.root, "title").text = f"{self.end.caption}: {self.told()}"
        self.draw(self.root)
        for pin, place in self.places.items():
            self._pin(pin, *place)
        for pin, place in self.places.items():
            self._name(pin, *place)
        return ElementTree.tostring(self.root, encoding="unicode")

    def told(self) -> str:
        """The same in words, for who cannot see it."""
        found = [f"pin {pin} {self.end.counts[pin]}" for pin in self.plug.pins if self.end.counts.get(pin)]
        return f"cables with a fault at {', '.join(found)}" if found else "no fault at any pin"

    def _pin(self, pin: str, x: float, y: float) -> None:
        count = self.end.counts.get(pin, 0)
        if count:
            radius = (_LARGEST_BETWEEN if self.between else _LARGEST) * self.pitch * sqrt(count / self.most)
            element(self.root, "circle", cx=x, cy=y, r=radius, fill=FAULT, stroke=INK, stroke_width=0.3)
            size = min(_NUMBER, 0.85 / (_LETTER * len(str(count)))) * self.pitch
            self._write(x, y, str(count), size, "middle", INK, bold=True)
        else:
            element(self.root, "circle", cx=x, cy=y, r=_DOT * self.pitch, fill=GREY)

    def _name(self, pin: str, x: float, y: float) -> None:
        """Outside the outline of what has two rows at most; in a circle outwards from the middle; else above
        the pin. That of pin 1 is bold."""
        left, top, right, bottom = self.box
        size = (_NAME_BETWEEN if self.between else _NAME) * self.pitch
        first = pin == self.plug.pins[0]
        side = self._outside(pin)
        if not side:
            middle = [sum(values) / len(values) for values in zip(*self.places.values(), strict=True)]
            dx, dy = x - middle[0], y - middle[1]
            away = sqrt(dx * dx + dy * dy)
            outwards = self.plug.outline == "round" and pin != SHELL and away > 0.3 * self.pitch
            to_x, to_y = (dx / away, dy / away) if outwards else (0.0, -1.0)
            far = _BESIDE * self.pitch
            self._write(x + far * to_x, y + far * to_y, pin, size, "middle", INK, bold=first)
        elif self.upright:
            edge, anchor = (right + 1.0, "start") if side > 0 else (left - 1.0, "end")
            self._write(edge, y, pin, size, anchor, INK, bold=first)
        else:
            edge = bottom + 0.35 * self.pitch if side > 0 else top - 0.35 * self.pitch
            self._write(x, edge, pin, size, "middle", INK, bold=first)

    def _outside(self, pin: str) -> int:
        """On which side of the outline its name stands; 0 where it stands within."""
        return 0 if len(self.rows()) > 2 else self.side(pin)

    def _write(
        self, x: float, y: float, text: str, size: float, anchor: str, ink: str, *, bold: bool
    ) -> None:
        """With its middle at that height."""
        look = {"font_size": size, "font_family": MONO, "text_anchor": anchor, "fill": ink}
        weight = "bold" if bold else "normal"
        element(self.root, "text", x=x, y=y + 0.36 * size, font_weight=weight, **look).text = text
