"""The connectors of a build sheet as SVG, each upright as it is held, its conductors beside its pins.

The wiring picture shows the whole cable with its plugs laid on their sides; here "fifth from the top" is the
fifth from the top. Every pin carries its name as `data-pin`, so that a page can light it up.
"""

from __future__ import annotations

from collections.abc import Mapping
from xml.etree import ElementTree

from pinwright.cable.connectors import Connector
from pinwright.cable.pins import Pin
from pinwright.cable.profile import End
from pinwright.sheets.build import BuildSheet, seen_from
from pinwright.sheets.drawing import GREY, INK, PAPER
from pinwright.sheets.outline import MONO, Outline
from pinwright.sheets.svg import element, path

_PITCH = 4.2  # mm between the nearest pins, at most
_TALLEST, _WIDEST = 92.0, 80.0  # mm for the pins themselves
_LABEL, _LETTER = 2.5, 1.45  # mm: how large, and how wide a letter is, rather too wide
_MOST = 16  # letters of a label
_MARGIN = 0.9  # from the outermost pins to the outline, in pitches


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


class _Picture(Outline):
    """labels: pin → what stands beside it. unused: pins of no net."""

    def __init__(self, end: str, plug: Connector, labels: Mapping[str, str], unused: set[str]) -> None:
        super().__init__(
            plug, pitch=_PITCH, tallest=_TALLEST, widest=_WIDEST, margin=_MARGIN, round_margin=_MARGIN
        )
        self.end, self.unused = end, unused
        # Two rows have their labels outside; of more only the outer ones have any.
        self.labels = {pin: _short(text) for pin, text in labels.items() if self.side(pin)}
        self.room = _LETTER * max(map(len, self.labels.values()), default=0) + 2.0 if self.labels else 1.0

    def svg(self) -> str:
        across, along = (self.room, 1.0) if self.upright else (1.0, self.room)
        self.root = self.begun(across, along)
        self.draw(self.root)
        for pin, place in self.places.items():
            self._pin(pin, *place)
        return ElementTree.tostring(self.root, encoding="unicode")

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
        side, gap = self.side(pin), 1.0
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
        element(self.root, "text", x=x, y=y, font_size=size, font_family=MONO, **more).text = text


def _short(text: str) -> str:
    return text if len(text) <= _MOST else text[: _MOST - 1] + "…"
