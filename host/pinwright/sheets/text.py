"""Text that anybody may have chosen, made fit for a page."""

from __future__ import annotations

import unicodedata

from pinwright.cable.wiring import code_point

_MOST = 400  # characters; more are cut and counted
_BREAK = "\u200b"  # zero width space: a line may end here

# What the fonts of our pages surely have, so that a page looks the same everywhere: first and last
# characters. `tests/sheets/test_pdf.py` draws every one of them.
IN_FONTS = (
    (0x20, 0x7E), (0xA1, 0xAC), (0xAE, 0x2FF), (0x370, 0x377), (0x37A, 0x37F), (0x384, 0x38A),
    (0x38E, 0x3A1), (0x3A3, 0x482), (0x48A, 0x4FF), (0x5D0, 0x5EA), (0x621, 0x63A), (0x641, 0x64A),
    (0x660, 0x669), (0x1E00, 0x1EFF), (0x2010, 0x2022), (0x2026, 0x2026), (0x2030, 0x203A), (0x20A0, 0x20BF),
    (0x2100, 0x2117), (0x2190, 0x21FF), (0x2200, 0x22FF), (0x2300, 0x23CF), (0x2460, 0x24FF),
    (0x2500, 0x25FF),
)  # fmt: skip


def harmless(text: str) -> str:
    """The text composed (NFC), with the code point of every character that commands something, does not
    print, or is not in the fonts: `<U+202E>`."""
    return "".join(
        char if _in_fonts(char) else f"<{code_point(char)}>" for char in unicodedata.normalize("NFC", text)
    )


def shown(text: object, most: int = _MOST) -> str:
    """The same, cut where it is endless."""
    whole = str(text)
    return harmless(whole if len(whole) <= most else f"{whole[:most]}… ({len(whole)} characters)")


def breakable(text: str, room: float) -> str:
    """The text with places to break a line in words that are wider than the room for them, in ems.

    Other words stay as they are, for whoever searches a page or copies from it gets those places too.
    """
    pieces, width = [""], 0.0
    for char in text:
        width = 0.0 if char in " -" else width + _width(char)
        if width > room:
            pieces.append("")
            width = _width(char)
        pieces[-1] += char
    return _BREAK.join(pieces)


def _width(char: str) -> float:
    """About how wide a character is in the fonts of our pages, in ems; rather too wide."""
    if char in "MWmw@%" or ord(char) > 0xFF:
        return 1.0
    return 0.7 if char.isupper() else 0.55


def _in_fonts(char: str) -> bool:
    return char.isprintable() and any(first <= ord(char) <= last for first, last in IN_FONTS)
