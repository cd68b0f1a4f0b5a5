"""The connectors of a build sheet as SVG, each upright as it is held, its conductors beside its pins.

The wiring picture shows the whole cable with its plugs laid on their sides; here "fifth from the top" is the
fifth from the top. Every pin carries its name as `data-pin`, so that a page can light it up.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import dist
from xml.etree import ElementTree

from pinwright.cable.connectors import SHELL, Connector
from pinwright.cable.pins import Pin
from pinwright.cable.profile import End
from pinwright.sheets.build import BuildSheet, seen_from
from pinwright.sheets.drawing import BODY, GREY, INK, PAPER
from pinwright.sheets.svg import element, path

_PITCH = 4.2  # mm between the nearest pins, at most
_TALLEST, _WIDEST = 92.0, 80.0  # mm for the pins themselves
_LABEL, _LETTER = 2.5, 1.45  # mm: how large, and how wide a letter is, rather too wide
_MOST = 16  # letters of a label
_MARGIN = 0.9  # from the outermost pins to the outline, in pitches
_MONO = "'DejaVu Sans Mono', monospace"


def end_picture(end: End, sheet: BuildSheet) -> str:
    """An SVG document of one end."""
    number = [one.name for one in sheet.ends].index(end.name)
    own = sheet.ends[number]
    plug = seen_from(end.connector, "behind" if own.behind else "front")
    return _Picture(end.name, plug, sheet.labels(number), set(own.unused)).svg()


def picture_size(picture: str) -> tuple[float, float]:
    """Width and height of such a document, in millimetres."""
    root = ElementTree.fromstring(picture)
    width, height = (float(root.get(key, "").removesuffix("mm")) for key in ("width", "height"))
    return width, height


class _Picture:
    """labels: pin → what stands beside it. unused: pins of no net."""

    def __init__(self, end: str, plug: Connector, labels: Mapping[str, str], unused: set[str]) -> None:
        self.end, self.plug, self.unused = end, plug, unused
        places = plug.positions
        nearest = min((dist(a, b) for a in places.values() for b in places.values() if a != b), default=2.54)
        xs, ys = zip(*places.values(), strict=True)
        wide, tall = (max(xs) - min(xs)) / nearest, (max(ys) - min(ys)) / nearest
        self.pitch = min(_PITCH, _TALLEST / max(tall, 1), _WIDEST / max(wide, 1))
        scale = self.pitch / nearest
        self.places = {pin: (x * scale, y * scale) for pin, (x, y) in places.items()}
        self.upright = tall >= wide
        margin = _MARGIN * self.pitch
        xs, ys = zip(*self.places.values(), strict=True)
        self.box = (min(xs) - margin, min(ys) - margin, max(xs) + margin, max(ys) + margin)
        if plug.outline == "round":
            x, y = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2
            self.radius = max(dist((x, y), place) for place in self.places.values()) + margin
            self.box = (x - self.radius, y - self.radius, x + self.radius, y + self.radius)
        # Two rows have their labels outside; of more only the outer ones have any.
        self.labels = {pin: _short(text) for pin, text in labels.items() if self._side(pin)}
        self.room = _LETTER * max(map(len, self.labels.values()), default=0) + 2.0 if self.labels else 1.0

    def _side(self, pin: str) -> int:
        """-1 where its label stands to the left or above, 1 to the right or below, 0 where it has none."""
        if pin == SHELL or self.plug.outline == "round":
            return 0
        axis = 0 if self.upright else 1
        values = sorted({round(place[axis], 2) for name, place in self.places.items() if name != SHELL})
        at = round(self.places[pin][axis], 2)
        return 1 if at == values[-1] else -1 if at == values[0] else 0

    def svg(self) -> str:
        left, top, right, bottom = self.box
        across, along = (self.room, 1.0) if self.upright else (1.0, self.room)
        x, y = left - across, top - along
        width, height = right - left + 2 * across, bottom - top + 2 * along
        self.root = ElementTree.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "viewBox": path(x, y, width, height),
                "width": f"{path(width)}mm",
                "height": f"{path(height)}mm",
                "fill": "none",
            },
        )
        self._outline()
        for pin, place in self.places.items():
            self._pin(pin, *place)
        return ElementTree.tostring(self.root, encoding="unicode")

    def _outline(self) -> None:
        left, top, right, bottom = self.box
        look = {"stroke": INK, "stroke_width": 0.35, "fill": BODY}
        outline = self.plug.outline
        if outline == "round":
            element(self.root, "circle", cx=(left + right) / 2, cy=(top + bottom) / 2, r=self.radius, **look)
            return
        if outline == "dee":
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
        """Its name in it; the first one square, as on a board."""
        first, radius = pin == self.plug.pins[0], 0.4 * self.pitch
        ink = GREY if pin in self.unused else INK
        look = {"fill": PAPER, "stroke": ink, "stroke_width": 0.3, "data_pin": Pin(self.end, pin)}
        if first:
            element(
                self.root, "rect", x=x - radius, y=y - radius, width=2 * radius, height=2 * radius, **look
            )
        else:
            element(self.root, "circle", cx=x, cy=y, r=radius, **look)
        size = min(0.5 * self.pitch, 1.75 * radius / (0.62 * len(pin)))
        weight = "bold" if first else "normal"
        self._write(x, y + 0.36 * size, pin, size, fill=ink, font_weight=weight, text_anchor="middle")
        if pin in self.labels:
            self._labelled(pin, x, y)

    def _labelled(self, pin: str, x: float, y: float) -> None:
        side, gap = self._side(pin), 1.0
        left, top, right, bottom = self.box
        size = min(_LABEL, 0.72 * self.pitch)
        look = {"text_anchor": "start" if side > 0 else "end", "data_of": Pin(self.end, pin), "fill": INK}
        if self.upright:
            edge = right + gap if side > 0 else left - gap
            self._write(edge, y + 0.36 * size, self.labels[pin], size, **look)
        else:
            edge = bottom + gap if side > 0 else top - gap
            at = x - 0.36 * size  # read from below upwards, or downwards from the lower edge
            turned = f"rotate({path(90.0, at, edge)})"
            self._write(at, edge, self.labels[pin], size, transform=turned, **look)

    def _write(self, x: float, y: float, text: str, size: float, **more: object) -> None:
        element(self.root, "text", x=x, y=y, font_size=size, font_family=_MONO, **more).text = text


def _short(text: str) -> str:
    return text if len(text) <= _MOST else text[: _MOST - 1] + "…"
