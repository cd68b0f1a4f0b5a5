"""Pictures of the board as its maker sees it: both sides, drawn from the Gerber and drill files by gerbonara.

    python3 pictures.py ARCHIVE TOP.svg BOTTOM.svg

Needs gerbonara.
"""

from __future__ import annotations

import sys
import tempfile
import warnings
import zipfile
from pathlib import Path

_BOARD, _COPPER, _TIN, _SILK, _HOLE = "#14552a", "#1f7a3d", "#d9b45a", "#ffffff", "#202020"


def pictures(archive: Path) -> dict[str, str]:
    """`top` and `bottom` of the board in an archive of Gerber files, as SVG; the bottom from below."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with zipfile.ZipFile(archive) as files:
            files.extractall(folder)
        return drawings(folder)


def drawings(folder: Path) -> dict[str, str]:
    """The same from a folder of Gerber files."""
    stack = read_stack(folder)
    (left, low), (right, high) = bounds(folder)
    width, height = right - left, high - low
    drawn = {}
    for side, mirror in (("top", 1), ("bottom", -1)):
        layers = [
            _objects(stack[side, use], colour)
            for use, colour in (("copper", _COPPER), ("mask", _TIN), ("silk", _SILK))
        ]
        holes = "".join(_objects(layer, _HOLE) for layer in stack.drill_layers)
        across = left if mirror == 1 else -right
        drawn[side] = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{across:g} {-high:g} {width:g} {height:g}" '
            f'width="{width:g}mm" height="{height:g}mm"><g transform="scale({mirror} -1)">'
            f'<rect x="{left:g}" y="{low:g}" width="{width:g}" height="{height:g}" fill="{_BOARD}"/>'
            f"{''.join(layers)}{holes}</g></svg>\n"
        )
    return drawn


def read_stack(folder: Path):
    """gerbonara's view of a folder of Gerber files. It misses layers of paste, which this board has not."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from gerbonara import LayerStack

        return LayerStack.open(folder)


def bounds(folder: Path) -> tuple[tuple[float, float], tuple[float, float]]:
    """Lower left and upper right of the board's edge in mm, y upwards: the middle of its line."""
    from gerbonara.utils import MM

    (left, low), (right, high) = read_stack(folder).outline.bounding_box(unit=MM)
    line = max(thing.aperture.equivalent_width(MM) for thing in read_stack(folder).outline.objects) / 2
    return (round(left + line, 3), round(low + line, 3)), (round(right - line, 3), round(high - line, 3))


def _objects(layer, colour: str) -> str:
    from gerbonara.utils import MM

    return "".join(map(str, layer.svg_objects(svg_unit=MM, fg=colour, bg=_BOARD)))


if __name__ == "__main__":
    archive, *targets = map(Path, sys.argv[1:])
    for target, text in zip(targets, pictures(archive).values(), strict=True):
        target.write_text(text, "utf-8")
