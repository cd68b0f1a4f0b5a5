"""Elements and paths of an SVG picture, shortly written."""

from __future__ import annotations

from xml.etree import ElementTree


def path(*parts: str | float) -> str:
    """Commands and numbers of a path; numbers as short as hundredths of a millimetre allow."""
    return " ".join(part if isinstance(part, str) else f"{round(part, 2) + 0.0:g}" for part in parts)


def element(parent: ElementTree.Element, tag: str, **attributes: object) -> ElementTree.Element:
    """A new last element. attributes: by name, with `_` for `-`; numbers with a point as in a path."""
    return ElementTree.SubElement(
        parent,
        tag,
        {
            name.replace("_", "-"): path(value) if isinstance(value, float) else str(value)
            for name, value in attributes.items()
        },
    )
