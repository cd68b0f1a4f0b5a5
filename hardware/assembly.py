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

from pinwright.sheets.svg import element  # noqa: E402

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
    root = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": " ".join(f"{v:g}" for v in view),
            "width": f"{view[2]:g}mm",
            "height": f"{view[3]:g}mm",
            "font-family": _FONT,
        },
    )
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
    """The reference where the silk has it; the value in the body if that has room, else below it."""
    if not part.pins:
        _words(group, part.ref, on_board.at[0], on_board.at[1] - 2.2, 1.6)
        return
    x, y = on_board.reference_at
    left, top, right, bottom = box
    across, down = round((left + right) / 2, 4), round((top + bottom) / 2, 4)
    upright = bottom - top > right - left
    kind = part.ref.rstrip("0123456789")
    if kind == "C" and upright:
        _words(group, part.ref, left - 0.5, down, 1.5, font_weight="bold", text_anchor="end")
        _words(group, part.value, left - 0.5, down + 1.6, 1.2, text_anchor="end")
        return
    _words(group, part.ref, x, y + 0.5, 1.4, font_weight="bold")
    room = {"R": 6.0, "D": 3.6}.get(kind, max(bottom - top, right - left))
    if kind in ("R", "RN", "U", "A", "S", "SW") or part.ref in ("J1", "J2", "D1", "D2", "D5"):
        most = min(2.2, (right - left) * 0.55, (bottom - top) * 0.55)
        words = part.number if kind == "D" else part.value
        size = round(min(1.3 if kind == "SW" else most, room / (0.68 * len(words))), 3)
        turned = {"transform": f"rotate(-90 {across:g} {down:g})"} if upright and kind != "SW" else {}
        shift = 0.5 if kind == "D" else 0.0  # clear of the band
        _words(group, words, across + shift, down, size, dominant_baseline="central", **turned)
    elif part.ref in ("J3", "J4"):
        _words(group, part.value, across, bottom + 1.5, 1.2)
    else:
        _words(group, part.value, x, y + 2.1, 1.2)


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
    points = [at for shape in shapes for at in shape.points] or [pad.at for pad in on_board.pads]
    reach = max((shape.radius for shape in shapes), default=0.0)
    xs, ys = zip(*points, strict=True)
    return (
        round(min(xs) - reach, 4),
        round(min(ys) - reach, 4),
        round(max(xs) + reach, 4),
        round(max(ys) + reach, 4),
    )
