"""Elements and paths of an SVG picture, shortly written."""

from __future__ import annotations

from collections.abc import Mapping
from xml.etree import ElementTree


def path(*parts: str | float) -> str:
    """Commands and numbers of a path; numbers as short as hundredths of a millimetre allow."""
    return " ".join(part if isinstance(part, str) else f"{round(part, 2) + 0.0:g}" for part in parts)


def picture(
    left: float, top: float, width: float, height: float, **attributes: object
) -> ElementTree.Element:
    """The root of a picture that shows so much, one unit a millimetre. attributes: as for `element`."""
    root = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": path(left, top, width, height),
            "width": f"{path(width)}mm",
            "height": f"{path(height)}mm",
        },
    )
    root.attrib.update(_written(attributes))
    return root


def element(parent: ElementTree.Element, tag: str, **attributes: object) -> ElementTree.Element:
    """A new last element. attributes: by name, with `_` for `-`; numbers with a point as in a path."""
    return ElementTree.SubElement(parent, tag, _written(attributes))


def _written(attributes: Mapping[str, object]) -> dict[str, str]:
    return {
        name.replace("_", "-"): path(value) if isinstance(value, float) else str(value)
        for name, value in attributes.items()
    }
