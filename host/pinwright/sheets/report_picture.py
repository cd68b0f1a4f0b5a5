"""Where cables of one kind fail, as SVG: a connector as it is held, with a circle at each pin with faults.

The area of a circle goes with the number of cables, which stands in it; a dot is a pin without a fault.
"""

from __future__ import annotations

from math import dist, sqrt
from xml.etree import ElementTree

from pinwright.cable.connectors import SHELL
from pinwright.sheets.drawing import BODY, GREY, INK, PAPER
from pinwright.sheets.report import ReportEnd
from pinwright.sheets.svg import element, path

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
_MONO = "'DejaVu Sans Mono', monospace"


def fault_picture(end: ReportEnd, most: int) -> str:
    """An SVG document. most: cables at the worst pin of all ends, which has the largest circle."""
    return _Picture(end, max(1, most)).svg()


class _Picture:
    def __init__(self, end: ReportEnd, most: int) -> None:
        self.end, self.plug, self.most = end, end.plug, most
        places = self.plug.positions
        nearest = min((dist(a, b) for a in places.values() for b in places.values() if a != b), default=2.54)
        xs, ys = zip(*places.values(), strict=True)
        wide, tall = (max(xs) - min(xs)) / nearest, (max(ys) - min(ys)) / nearest
        self.pitch = min(
            _ROUND_PITCH if self.plug.outline == "round" else _PITCH,
            _TALLEST / max(tall, 1),
            _WIDEST / max(wide, 1),
        )
        scale = self.pitch / nearest
        self.places = {pin: (x * scale, y * scale) for pin, (x, y) in places.items()}
        self.upright = tall >= wide
        self.between = any(not self._side(pin) for pin in self.places if pin != SHELL)
        xs, ys = zip(*self.places.values(), strict=True)
        margin = _MARGIN * self.pitch
        self.box = (min(xs) - margin, min(ys) - margin, max(xs) + margin, max(ys) + margin)
        if self.plug.outline == "round":
            x, y = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2
            self.radius = max(dist((x, y), place) for place in self.places.values()) + 1.3 * margin
            self.box = (x - self.radius, y - self.radius, x + self.radius, y + self.radius)

    def svg(self) -> str:
        left, top, right, bottom = self.box
        # Names of the outer rows are outside.
        beside = _LETTER * _NAME * self.pitch * max(map(len, self.places)) + 2.0
        across, along = (beside, 1.0) if self.upright else (1.0, 0.7 * self.pitch)
        x, y, width, height = left - across, top - along, right - left + 2 * across, bottom - top + 2 * along
        self.root = ElementTree.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "viewBox": path(x, y, width, height),
                "width": f"{path(width)}mm",
                "height": f"{path(height)}mm",
                "fill": "none",
                "role": "img",
            },
        )
        element(self.root, "title").text = f"{self.end.caption}: {self.told()}"
        self._outline()
        for pin, place in self.places.items():
            self._pin(pin, *place)
        for pin, place in self.places.items():
            self._name(pin, *place)
        return ElementTree.tostring(self.root, encoding="unicode")

    def told(self) -> str:
        """The same in words, for who cannot see it."""
        found = [f"pin {pin} {self.end.counts[pin]}" for pin in self.plug.pins if self.end.counts.get(pin)]
        return f"cables with a fault at {', '.join(found)}" if found else "no fault at any pin"

    def _outline(self) -> None:
        left, top, right, bottom = self.box
        look = {"stroke": INK, "stroke_width": 0.35, "fill": BODY}
        outline = self.plug.outline
        if outline == "round":
            element(self.root, "circle", cx=(left + right) / 2, cy=(top + bottom) / 2, r=self.radius, **look)
        elif outline == "dee":
            slant = 0.5 * self.pitch
            low, high = self.plug.rows[-1][0], self.plug.rows[0][0]
            wide, narrow = (top, bottom) if self.places[high][1] < self.places[low][1] else (bottom, top)
            d = path("M", left, wide, "L", right, wide, right - slant, narrow, left + slant, narrow, "Z")
            element(self.root, "path", d=d, **look)
        else:
            rounded = (right - left) / 2 if outline == "pill" else 0.8
            element(
                self.root, "rect", x=left, y=top, width=right - left, height=bottom - top, rx=rounded, **look
            )
        if outline == "notched":
            x, size = (left + right) / 2, 0.6 * self.pitch
            d = f"{path('M', x - size, top, 'A', size, size)} 0 0 0 {path(x + size, top)}"
            element(self.root, "path", **{**look, "d": d, "fill": PAPER})

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
        side = self._side(pin)
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

    def _side(self, pin: str) -> int:
        """-1 where its name stands left of the outline or above it, 1 right of it or below; else 0."""
        if pin == SHELL or self.plug.outline == "round":
            return 0
        axis = 0 if self.upright else 1
        values = sorted({round(place[axis], 2) for name, place in self.places.items() if name != SHELL})
        at = round(self.places[pin][axis], 2)
        return 0 if len(values) > 2 else 1 if at == values[-1] else -1

    def _write(
        self, x: float, y: float, text: str, size: float, anchor: str, ink: str, *, bold: bool
    ) -> None:
        """With its middle at that height."""
        look = {"font_size": size, "font_family": _MONO, "text_anchor": anchor, "fill": ink}
        weight = "bold" if bold else "normal"
        element(self.root, "text", x=x, y=y + 0.36 * size, font_weight=weight, **look).text = text
