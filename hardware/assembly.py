"""The drawing by which the board is put together: outlines, references, values, drawn from the board file."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from xml.etree import ElementTree

_HOST = Path(__file__).resolve().parents[1] / "host"
if _HOST.is_dir():  # a checkout that is not installed
    sys.path.insert(0, str(_HOST))

import boardfile  # noqa: E402
import sexpr  # noqa: E402
from boardfile import Placed  # noqa: E402
from circuit import Part  # noqa: E402

from pinwright.sheets.svg import element, picture  # noqa: E402

_INK, _GREY, _FULL, _OPTIONAL = "#1c1c1c", "#9a9a9a", "#dfe7f2", "#fbf0d3"
_FONT = "'DejaVu Sans', 'Liberation Sans', sans-serif"
_MARGIN = 6.0  # mm
_FOOT = 12.0  # mm, for what the colours mean


def drawing(board: sexpr.Tree, parts: Iterable[Part], title: str) -> str:
    """The drawing as SVG, one unit a millimetre, seen from above.

    Parts of the full population only are blue, optional ones yellow; pin 1 is a square.
    """
    left, top, right, bottom = boardfile.outline(board)
    width, height = right - left, bottom - top
    view = (left - _MARGIN, top - _MARGIN, width + 2 * _MARGIN, height + 2 * _MARGIN + _FOOT)
    root = picture(*view, font_family=_FONT)
    element(root, "title").text = title
    _box(root, view[0], view[1], view[2], view[3], "#ffffff")
    _box(root, left, top, width, height, "none", 0.4)
    there = {part.ref: part for part in boardfile.placed(board)}
    for part in parts:
        _part(root, part, there[part.ref])
    foot = bottom + _MARGIN + 1.0
    meanings = (("#ffffff", "every population"), (_FULL, "full population only"), (_OPTIONAL, "optional"))
    for k, (fill, words) in enumerate(meanings):
        x = left + 62.0 * k
        _box(root, x, foot, 5.0, 3.4, fill, 0.2)
        _words(root, words, x + 7, foot + 2.7, 2.6, text_anchor="start")
    words = f"{title}: seen from above, {width:g} × {height:g} mm; black squares are pins 1"
    _words(root, words, left, foot + 8.5, 2.6, text_anchor="start")
    return ElementTree.tostring(root, encoding="unicode") + "\n"


def _part(root: ElementTree.Element, part: Part, on_board: Placed) -> None:
    group = element(root, "g", data_ref=part.ref, data_value=part.value, data_population=part.population)
    fab = [shape for shape in on_board.shapes if shape.layer == "F.Fab"]
    left, top, right, bottom = _extent(on_board, fab)
    fill = {"full": _FULL, "optional": _OPTIONAL}.get(part.population)
    if fill:
        _box(group, left, top, right - left, bottom - top, fill)
    for shape in fab:
        if shape.radius:
            ((x, y),) = shape.points
            element(group, "circle", cx=x, cy=y, r=shape.radius, **_LINE)
        else:
            element(group, "polyline", points=" ".join(f"{x:g},{y:g}" for x, y in shape.points), **_LINE)
    first = True
    for pad in on_board.pads:
        x, y = pad.at
        if not pad.number:
            element(group, "circle", cx=x, cy=y, r=1.6, **_LINE)
        elif pad.number == "1" and first and _has_a_way_round(part):
            _box(group, x - 0.6, y - 0.6, 1.2, 1.2, _INK)
            first = False
        else:
            element(group, "circle", cx=x, cy=y, r=0.5, fill=_GREY)
    _label(group, part, on_board, (left, top, right, bottom))


def _has_a_way_round(part: Part) -> bool:
    """Whether it matters which way round it is put in: not for resistors and ceramic capacitors."""
    return part.ref.rstrip("0123456789") not in ("R", "C") or part.pins[0].name == "+"


def _label(
    group: ElementTree.Element, part: Part, on_board: Placed, box: tuple[float, float, float, float]
) -> None:
    """The reference where the silk has it; the value in the body if it can be read there, else beside it."""
    x, y = on_board.reference_at
    left, top, right, bottom = box
    xs, ys = zip(*(pad.at for pad in on_board.pads), strict=True)
    across, down = round((min(xs) + max(xs)) / 2, 4), round((min(ys) + max(ys)) / 2, 4)
    upright = bottom - top > right - left
    kind = part.ref.rstrip("0123456789")
    if kind == "C" and upright:
        _words(group, part.ref, left - 0.5, down, _REFERENCE, font_weight="bold", text_anchor="end")
        _words(group, part.value, right, bottom + 1.6, _VALUE, text_anchor="end")
        return
    size = _VALUE if kind == "R" else _REFERENCE  # resistors stand close together
    _words(group, part.ref, x, round(y + 0.5, 4), size, font_weight="bold")
    if not part.pins:
        return
    value = part.number if part.ref in ("D1", "D2", "D5") else part.value
    turned = {"transform": f"rotate(-90 {across:g} {down:g})"} if upright else {}
    if part.ref in _BESIDE:
        dx, dy, anchor = _BESIDE[part.ref]
        at = {"start": right + dx, "middle": across + dx, "end": left + dx}[anchor]
        _words(group, value, round(at, 4), round(down + dy, 4), _VALUE, text_anchor=anchor)
    elif kind == "R" and _WIDE * _VALUE * len(value) > _BODY:
        _words(group, value, across, round(down + (right - left) / 2 + 1.3, 4), _VALUE, **turned)
    elif kind in ("R", "RN", "U", "A", "S"):
        room = _BODY if kind == "R" else max(bottom - top, right - left)
        size = min(2.2, (right - left) * 0.55, (bottom - top) * 0.55, room / (_WIDE * len(value)))
        _words(group, value, across, down, round(max(size, _VALUE), 3), dominant_baseline="central", **turned)
    else:
        _words(group, value, x, round(y + 2.0, 4), _VALUE)


_REFERENCE, _VALUE = 1.4, 1.2  # mm, the heights of the type
_WIDE = 0.62  # of that height, an ordinary letter
_BODY = 6.3  # mm, the length of a resistor's body
# Values that have no room under their reference: mm from the middle or the end that the anchor names.
_BESIDE = {
    "D1": (0.0, -1.75, "middle"),
    "D2": (0.0, 2.75, "middle"),
    "D4": (0.3, 2.9, "start"),
    "D5": (0.6, 2.8, "middle"),
    "J3": (0.0, 2.8, "middle"),
    "J4": (0.0, -1.9, "middle"),
    "J5": (0.7, 0.4, "start"),
    "J6": (0.7, 0.4, "start"),
    "J7": (0.7, 1.2, "start"),
}
_LINE = {"fill": "none", "stroke": _INK, "stroke_width": 0.15}


def _box(
    parent: ElementTree.Element, x: float, y: float, width: float, height: float, fill: str, line: float = 0.0
) -> None:
    more = {"stroke": _INK, "stroke_width": line} if line else {}
    element(parent, "rect", x=x, y=y, width=width, height=height, fill=fill, **more)


def _words(parent: ElementTree.Element, words: str, x: float, y: float, size: float, **more: str) -> None:
    more = {"text_anchor": "middle"} | more
    element(parent, "text", x=x, y=y, font_size=size, fill=_INK, **more).text = words


def _extent(on_board: Placed, shapes: list) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of shapes, or of the pads where there are none."""
    round_points = [(at, shape.radius) for shape in shapes for at in shape.points]
    round_points = round_points or [(pad.at, 0.0) for pad in on_board.pads]
    return (
        round(min(x - radius for (x, _), radius in round_points), 4),
        round(min(y - radius for (_, y), radius in round_points), 4),
        round(max(x + radius for (x, _), radius in round_points), 4),
        round(max(y + radius for (_, y), radius in round_points), 4),
    )
