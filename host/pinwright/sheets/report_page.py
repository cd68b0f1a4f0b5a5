"""A report on cables of one kind as one self-contained HTML page.

Nothing in it asks the network for anything, and it runs no script: its Content-Security-Policy forbids both.
"""

from __future__ import annotations

from xml.etree import ElementTree

from pinwright.records.statistics import Period, Spread
from pinwright.sheets.drawing import BODY, GREY, INK
from pinwright.sheets.report import LEGEND, ReportSheet
from pinwright.sheets.report_picture import fault_picture
from pinwright.sheets.svg import element, path, picture
from pinwright.sheets.templates import TEMPLATES

MENDED = "#b5c7d1"  # paler than what was good at once, and darker than what failed
GOOD = "#1f3d4d"
UNKNOWN = "#e69f00"  # that of a fault in the pictures: somebody has to look
_BAR, _STRIP = 60.0, 70.0  # mm
_HIGH = 4.0


def report_page(sheet: ReportSheet) -> bytes:
    """The same sheet gives the same bytes, as long as this program and jinja2 are the same."""
    most_ohms = max((row.spread.highest for row in sheet.spreads), default=0.0)
    page = TEMPLATES.get_template("report.html").render(
        sheet=sheet,
        legend=LEGEND,
        pictures=[(end, fault_picture(end, sheet.most)) for end in sheet.ends],
        months=[(month, _bar(month)) for month in (*sheet.months, sheet.total) if month.made],
        spreads=[(row, _strip(row.spread, most_ohms)) for row in sheet.spreads],
        most_ohms=most_ohms,
        good=GOOD,
        mended=MENDED,
        unknown=UNKNOWN,
    )
    return page.encode("utf-8")


def _picture(width: float, words: str) -> ElementTree.Element:
    root = picture(0.0, 0.0, width, _HIGH, role="img")
    element(root, "title").text = words
    return root


def _bar(month: Period) -> str:
    """How many cables passed at once, after mending, not, and what nobody knows; side by side, as shares of
    all."""
    good = month.passed - month.mended
    words = f"of {month.made} cables {good} at once and still, {month.mended} after mending"
    root = _picture(_BAR, words + (f", {month.unknown} unknown" if month.unknown else ""))
    at_once, in_the_end, known = (
        _BAR * count / month.made for count in (good, month.passed, month.passed + month.failed)
    )
    element(root, "rect", x=0.0, y=0.3, width=at_once, height=_HIGH - 0.6, fill=GOOD)
    element(root, "rect", x=at_once, y=0.3, width=in_the_end - at_once, height=_HIGH - 0.6, fill=MENDED)
    if month.unknown:
        element(root, "rect", x=known, y=0.3, width=_BAR - known, height=_HIGH - 0.6, fill=UNKNOWN)
        d = path("M", known, 0.3, "L", known, _HIGH - 0.3)
        element(root, "path", d=d, stroke=INK, stroke_width=0.3)
    element(
        root, "rect", x=0.15, y=0.3, width=_BAR - 0.3, height=_HIGH - 0.6, fill="none", stroke=INK,
        stroke_width=0.3,
    )  # fmt: skip
    return ElementTree.tostring(root, encoding="unicode")


def _strip(spread: Spread, most: float) -> str:
    """From the lowest to the highest a line, between the quartiles a box, and the median across it."""
    inside = _STRIP - 2.0

    def at(ohms: float) -> float:
        return 1.0 + inside * (ohms / most if most else 0.0)

    root = _picture(_STRIP, f"median {spread.median:.2f} Ω")
    element(root, "rect", x=0.0, y=0.0, width=_STRIP, height=_HIGH, fill=BODY)
    middle = _HIGH / 2
    d = path("M", at(spread.lowest), middle, "L", at(spread.highest), middle)
    element(root, "path", d=d, stroke=INK, stroke_width=0.3)
    for ohms in (spread.lowest, spread.highest):
        element(
            root, "path", d=path("M", at(ohms), 1.2, "L", at(ohms), _HIGH - 1.2), stroke=INK, stroke_width=0.3
        )
    element(
        root, "rect", x=at(spread.lower), y=0.9, width=max(0.2, at(spread.upper) - at(spread.lower)),
        height=_HIGH - 1.8, fill=GREY, stroke=INK, stroke_width=0.25,
    )  # fmt: skip
    d = path("M", at(spread.median), 0.4, "L", at(spread.median), _HIGH - 0.4)
    element(root, "path", d=d, stroke=INK, stroke_width=0.7)
    return ElementTree.tostring(root, encoding="unicode")
