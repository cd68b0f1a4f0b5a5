"""Labels for cables that were tested: what stands on one, how large, and where, as PDF.

What goes where is worked out here, to the hundredth of a millimetre; `label.typ` only draws it. The letters
are those of a typewriter, all equally wide, so that it is known what fits before anything is drawn.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import cache, lru_cache
from io import BytesIO
from itertools import accumulate, chain
from pathlib import Path
from typing import Literal

import segno
import typst

from pinwright.errors import UsageError
from pinwright.records.entries import Told
from pinwright.records.record import Record
from pinwright.sheets.stock import MOST_LABELS, Size, Stock
from pinwright.sheets.text import shown

State = Literal["tested", "failed", "specimen", "withdrawn"]

# What is no good says so in white on black, and does not say that it was tested.
MARKS: dict[State, str] = {
    "tested": "",
    "failed": "FAILED – DO NOT USE",
    "specimen": "SPECIMEN",
    "withdrawn": "WITHDRAWN",
}
LEAST_MODULE_MM = 0.3  # of a code: two and a half dots of a printer with 203 of them to the inch
LEAST_POINTS = 4.0  # of letters that can still be read
QUIET = 4  # modules that stay white round a code. Source: ISO/IEC 18004, 5.3.8 (from memory)

POINT_MM = 25.4 / 72
ADVANCE = 0.6025  # em: DejaVu Sans Mono, 1233 units of 2048 (its table hmtx), rounded up
_WIDEST = 1.9  # em: of what comes from another font; tests measure every character that is let through
_LEADING = 1.15  # em from one line to the next
_EDGE_MM = 1.0  # white round the letters
_LARGEST_MODULE_MM = 0.6
_STEP_MM = 0.02
_SMALL = tuple(points / 4 for points in range(40, 15, -1))  # 10 pt to LEAST_POINTS
_LARGE = tuple(points / 2 for points in range(56, 7, -1))  # of the serial: 28 pt to LEAST_POINTS
# Points. A serial is set so small rather than broken; where even that is too large, pieces of it are at most
# of the other size. The profile's id is rather as small as can be read than broken; other words that are
# long, such as a revision, are broken once they are as small as the third.
_WHOLE_FROM, _PIECES_TO, _SMALL_PIECES_TO = 5.0, 8.0, 5.0
_WORTH_BROKEN = 0.75  # of whole words in letters of the same size
_LARGEST_MARK = 16.0  # points
_MARK_WIDE, _MARK_HIGH = 0.96, 0.4  # the most of the room for letters that it takes
_MARK_PAD = 0.2  # em above and below it
_MARK_GAP_MM = 0.4  # to what stands below it
_TWICE = 2.0  # how much larger a serial should be than what stands below it
_COMFORTABLE, _NEARLY = 6.0, 0.9  # points; and how much of the best is nearly as good
_FEWEST = 10  # letters of a line: a date
_MOST_REVISION = 40  # characters
_ENOUGH_MM = 300  # how far to look for a size that would do
_NONE = 1e-9  # what is smaller is none
_TEMPLATE = Path(__file__).with_name("label.typ")


@dataclass(frozen=True, slots=True)
class Labelled:
    """What a label says of one test. number: `HL40-0001.test-2`; sha256: of its record; date: of the test
    (UTC), `2026-03-01`. simulated: no cable was tested, whatever the state is."""

    number: str
    sha256: str
    serial: str
    test: int
    profile: str
    revision: str
    date: str
    state: State
    simulated: bool

    @property
    def code(self) -> str:
        """What the code holds, the same as a certificate's."""
        return f"{self.number} sha256:{self.sha256}"

    @property
    def lines(self) -> tuple[tuple[str, ...], ...]:
        """What stands below the serial: lines, each of words that may have lines of their own."""
        revision = (f"rev. {shown(self.revision, _MOST_REVISION)}",) if self.revision else ()
        how = ("tested",) if self.state == "tested" else ("simulated",) if self.simulated else ()
        number = (f"(test {self.test})",) if self.test > 1 else ()
        return (shown(self.profile), *revision), (*how, self.date, *number)


def labelled_of(record: Record, withdrawn: bool) -> Labelled:
    """withdrawn: somebody took this test back. A failed one stays one that failed."""
    state: State = "specimen" if record.simulated else "tested"
    state = "failed" if not record.passed else "withdrawn" if withdrawn else state
    named = record.scan["profile"]
    return Labelled(
        number=record.number,
        sha256=record.sha256,
        serial=record.doc["serial"],
        test=record.doc["test"],
        profile=named["id"],
        revision=named["revision"],
        date=record.scan["started"][:10],
        state=state,
        simulated=record.simulated,
    )


def _unheard(done: int, of: int) -> None:
    pass


def labels_pdf(tests: Sequence[Labelled], stock: Stock, told: Told = _unheard) -> bytes:
    """A label for each, in this order. The same input gives the same bytes, as long as this program, segno
    and typst are the same. told: hears how many of how many are laid out, which takes longest.

    Raises UsageError where a label has no room for what has to be on it.
    """
    count = check_count(len(tests), stock)
    check(tests, stock, told)
    prints = [_print_of(one, stock.size) for one in tests]
    order = chain.from_iterable([number] * stock.copies for number in range(len(tests)))
    pages = list(_on_pages(list(order), stock))
    names = list(dict.fromkeys(one.serial for one in tests))
    data = {
        "title": f"{'Label' if count == 1 else 'Labels'} {names[0]}"
        + (f" to {names[-1]}" if len(names) > 1 else ""),
        "date": list(map(int, max(one.date for one in tests).split("-"))),
        "page": stock.page,
        "label": stock.label,
        "size": stock.size,
        "flag": stock.flag,
        "outline": list(stock.places()) if stock.outline else [],
        "prints": [asdict(one) for one in prints],
        "pages": pages,
    }
    return typst.compile(
        _TEMPLATE.read_bytes(),
        sys_inputs={"labels": json.dumps(data)},
        pdf_standards="a-3b",
        ignore_system_fonts=True,
    )


def check_count(tests: int, stock: Stock) -> int:
    """How many labels these are, with copies. Raises UsageError where one file cannot have them."""
    count = tests * stock.copies
    if not 1 <= count <= MOST_LABELS:
        raise UsageError(f"{count} labels are not between 1 and {MOST_LABELS}, what one file can have")
    return count


def check(tests: Sequence[Labelled], stock: Stock, told: Told = _unheard) -> None:
    """Raises UsageError where one of these labels has no room on the stock; it says what would do for all."""
    for done, one in enumerate(tests):
        told(done, len(tests))
        if _plan_of(one, stock.size) is None:
            raise UsageError(_no_room(one, tests, stock.size))


def _on_pages(order: Sequence[int], stock: Stock) -> Iterator[list[tuple[int, float, float]]]:
    """For each page: which label, and where its upper left corner is."""
    places = list(stock.places())
    slots: list[int | None] = [*[None] * stock.skip, *order]
    for start in range(0, len(slots), len(places)):
        here = zip(slots[start : start + len(places)], places, strict=False)
        yield [(number, x, y) for number, (x, y) in here if number is not None]


# One label


@dataclass(frozen=True, slots=True)
class Line:
    """A line of letters. x, y: the upper left corner of its box, which is as high as its size; width: of what
    may be seen of it. Millimetres, and points for its size."""

    x: float
    y: float
    width: float
    size: float
    text: str
    bold: bool
    inverse: bool


@dataclass(frozen=True, slots=True)
class Print:
    """What is printed once on a label. code: SVG; code_at: x, y and side, the quiet zone with it. bar: x, y,
    width and height of what is black behind the mark. Millimetres from the upper left corner."""

    code: str
    code_at: tuple[float, ...]
    bar: tuple[float, ...] | None
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class _Letters:
    """Sizes in points. mark: 0 where there is none. whole: the serial is in one line that is large enough;
    id_whole: the profile's id is in one line. broken: another word is in pieces."""

    serial: float
    small: float
    mark: float
    whole: bool
    id_whole: bool
    broken: bool

    @property
    def score(self) -> tuple[bool, bool, float]:
        """What counts first, and then how large it is, as if all were small letters."""
        large = min(self.serial / _TWICE, self.small)
        return self.whole, self.id_whole, large * (_WORTH_BROKEN if self.broken else 1.0)


@dataclass(frozen=True, slots=True)
class _Plan:
    """beside: the letters are right of the code, else below it. module: mm."""

    beside: bool
    module: float
    letters: _Letters


def _print_of(one: Labelled, size: Size) -> Print:
    """Raises UsageError where it does not fit."""
    plan, modules = _plan_of(one, size), _modules(one.code)
    if plan is None:
        raise UsageError(_no_room(one, [one], size))
    letters = plan.letters
    code_at, (x, y, width, height) = _areas(plan.beside, plan.module * modules, size)
    mark = _mark_lines(MARKS[one.state], letters.mark, width)
    rows = [(text, letters.mark, True) for text in mark]
    rows += [(text, letters.serial, True) for text in _wrapped((one.serial,), letters.serial, width)]
    rows += [
        (text, letters.small, False) for line in one.lines for text in _wrapped(line, letters.small, width)
    ]
    bar, marked = (of(len(mark), letters.mark) for of in (_bar_mm, _marked_mm))
    at = y + (height - marked - sum(_LEADING * POINT_MM * points for _, points, _ in rows[len(mark) :])) / 2
    lines = []
    bar_at = (x, at, width, bar) if mark else None
    at += (bar - len(mark) * _LEADING * POINT_MM * letters.mark) / 2
    for number, (text, points, bold) in enumerate(rows):
        inverse = number < len(mark)
        if number == len(mark) and bar_at:
            at = bar_at[1] + marked
        spare = width - _ems(text) * points * POINT_MM
        indent = max(0.0, spare / 2) if inverse or not plan.beside else 0.0
        lines.append(_line(x + indent, at, width - indent, points, text, bold, inverse))
        at += _LEADING * POINT_MM * points
    return Print(_svg(one.code), _hundredths(code_at), bar_at and _hundredths(bar_at), tuple(lines))


def _line(x: float, y: float, width: float, points: float, text: str, bold: bool, inverse: bool) -> Line:
    """y: of the line with its leading, of which half is above the letters."""
    x, y, width = _hundredths((x, y + (_LEADING - 1) / 2 * points * POINT_MM, width))
    return Line(x, y, width, points, text, bold, inverse)


def _hundredths(values: Sequence[float]) -> tuple[float, ...]:
    return tuple(round(value, 2) for value in values)


Area = tuple[float, float, float, float]  # x, y, width, height


def _areas(beside: bool, side: float, size: Size) -> tuple[tuple[float, ...], Area]:
    """Where the code is, and where the letters are; the quiet zone is white enough between them."""
    width, height = size
    if beside:
        letters = (side, _EDGE_MM, width - side - _EDGE_MM, height - 2 * _EDGE_MM)
        return (0.0, (height - side) / 2, side), letters
    return ((width - side) / 2, 0.0, side), (_EDGE_MM, side, width - 2 * _EDGE_MM, height - side - _EDGE_MM)


@lru_cache(maxsize=4096)
def _plan(
    mark: str, serial: str, lines: tuple[tuple[str, ...], ...], modules: int, size: Size
) -> _Plan | None:
    """The largest code whose letters are comfortable, or nearly as large as they can be; None where something
    would be too small."""
    most = min(_LARGEST_MODULE_MM, min(size) / modules)
    steps = int((most - LEAST_MODULE_MM + _NONE) / _STEP_MM) if most + _NONE >= LEAST_MODULE_MM else -1
    plans = []
    for module in (most - step * _STEP_MM for step in range(steps + 1)):
        for beside in (True, False):
            _, (_, _, width, height) = _areas(beside, module * modules, size)
            letters = _letters(mark, serial, lines, width, height)
            if letters:
                plans.append(_Plan(beside, module, letters))
    if not plans:
        return None
    whole, id_whole, best = max(plan.letters.score for plan in plans)
    enough = whole, id_whole, min(_COMFORTABLE, _NEARLY * best)
    return next(plan for plan in plans if plan.letters.score >= enough)


def _letters(
    mark: str, serial: str, lines: Sequence[Sequence[str]], width: float, height: float
) -> _Letters | None:
    """The largest that have room in an area."""
    smalls = [points for points in _SMALL if width >= _FEWEST * ADVANCE * points * POINT_MM]
    if not smalls or height < 2 * _LEADING * LEAST_POINTS * POINT_MM:
        return None
    best, marked = None, _mark_points(mark, width, height)
    if mark and marked < LEAST_POINTS:
        return None
    height -= _marked_mm(len(_mark_lines(mark, marked, width)), marked)
    larges = list(_serial_heights(serial, width))
    (id, *others), *rest = [list(map(_ems, line)) for line in lines]
    longest = max(chain(others, *rest))
    for small in smalls:
        broken = longest * small * POINT_MM > width
        if broken and small > _SMALL_PIECES_TO:
            continue
        below = sum(len(_wrapped(line, small, width)) for line in lines) * _LEADING * small * POINT_MM
        fits = ((points, whole) for points, tall, whole in larges if tall <= height - below)
        large, whole = max(fits, key=lambda one: (one[1], one[0]), default=(0.0, False))
        made = _Letters(large, small, marked, whole, id * small * POINT_MM <= width, broken)
        if large >= small and (best is None or made.score > best.score):
            best = made
    return best


def _serial_heights(serial: str, width: float) -> Iterator[tuple[float, float, bool]]:
    """Its sizes, how high it is then, and whether it is in one line that is large enough."""
    for points in _LARGE:
        pieces = len(_wrapped((serial,), points, width))
        if pieces == 1 or points <= _PIECES_TO:
            whole = pieces == 1 and points >= _WHOLE_FROM
            yield points, pieces * _LEADING * points * POINT_MM, whole


def _mark_points(mark: str, width: float, height: float) -> float:
    """How large a mark can be: in one line, or in two where that is larger."""
    if not mark:
        return 0.0
    fits = []
    for pieces in (_pieces(mark, 1), _pieces(mark, 2)):
        across = width * _MARK_WIDE / max(map(_ems, pieces)) / POINT_MM
        down = height * _MARK_HIGH / (len(pieces) * _LEADING + 2 * _MARK_PAD) / POINT_MM
        fits.append(min(_LARGEST_MARK, across, down))
    return int(4 * max(fits)) / 4


def _mark_lines(mark: str, points: float, width: float) -> list[str]:
    if not mark:
        return []
    one = _pieces(mark, 1)
    return one if _ems(mark) * points * POINT_MM <= width * _MARK_WIDE else _pieces(mark, 2)


def _pieces(mark: str, most: int) -> list[str]:
    first, dash, second = mark.partition("– ")
    return [mark] if most == 1 or not dash else [f"{first}–", second]


def _bar_mm(lines: int, points: float) -> float:
    return (lines * _LEADING + 2 * _MARK_PAD) * points * POINT_MM if lines else 0.0


def _marked_mm(lines: int, points: float) -> float:
    """With what is white below it."""
    return _bar_mm(lines, points) + _MARK_GAP_MM if lines else 0.0


def _wrapped(words: Sequence[str], points: float, width: float) -> list[str]:
    """Words in lines, as many in a line as have room; what has none even alone is broken."""
    room, lines = width / (points * POINT_MM), list[str]()
    for word in words:
        if lines and _ems(f"{lines[-1]} {word}") <= room:
            lines[-1] += f" {word}"
        else:
            lines += _broken(word, room)
    return lines


def _broken(word: str, room: float) -> Iterator[str]:
    """Pieces that have room, in ems; where it can be after a blank, a hyphen or a point."""
    while (most := _fitting(word, room)) < len(word):
        after = 1 + max(word.rfind(mark, 0, most) for mark in " -._")
        cut = after if 2 * after > most else most
        yield word[:cut].rstrip(" ")
        word = word[cut:]
    yield word


def _fitting(word: str, room: float) -> int:
    """How many of its first letters have room; one at least."""
    for count, ems in enumerate(accumulate(map(_em, word))):
        if ems > room:
            return max(1, count)
    return len(word)


def _ems(text: str) -> float:
    return sum(map(_em, text))


@cache
def _em(char: str) -> float:
    even = " " <= char <= "~" or "\u00a1" <= char <= "\u017f" or char in "–…"
    return ADVANCE if even else _WIDEST


def _like(text: str) -> str:
    """What takes as much room and breaks at the same places, so that most labels share one plan."""
    return re.sub("[A-Za-z0-9]", "0", text)


def _no_room(one: Labelled, tests: Sequence[Labelled], size: Size) -> str:
    modules = _modules(one.code)
    code = LEAST_MODULE_MM * modules
    why = (
        f"its code needs {code:.1f} mm each way, {modules} modules of {LEAST_MODULE_MM:g} mm"
        if min(size) + _NONE < code
        else f"its words would be smaller than {LEAST_POINTS:g} pt"
    )
    shapes = {_shape(other) for other in tests}
    width, height = size
    tried = (
        ((wider, height) for wider in range(int(width) + 1, _ENOUGH_MM)),
        ((width, higher) for higher in range(int(height) + 1, _ENOUGH_MM)),
        ((side, side) for side in range(int(max(size)) + 1, _ENOUGH_MM)),
    )
    found = [
        next((other for other in others if all(_plan(*shape, other) for shape in shapes)), None)
        for others in tried
    ]
    would = [f"{wide:g}x{high:g}" for wide, high in filter(None, found)][:2]
    do = f"; {' or '.join(would)} would do" if would else ""
    return f"a label of {width:g} x {height:g} mm has no room for `{one.serial}`: {why}{do}"


def _plan_of(one: Labelled, size: Size) -> _Plan | None:
    return _plan(*_shape(one), size)


def _shape(one: Labelled) -> tuple[str, str, tuple[tuple[str, ...], ...], int]:
    """What decides how a label is laid out; most labels of a batch have the same."""
    lines = tuple(tuple(map(_like, line)) for line in one.lines)
    return MARKS[one.state], _like(one.serial), lines, _modules(one.code)


def _modules(text: str) -> int:
    """Of its code, across, the quiet zone with it."""
    return int(_code(text).symbol_size(border=QUIET)[0])


def _svg(text: str) -> str:
    file = BytesIO()
    _code(text).save(file, kind="svg", xmldecl=False, border=QUIET, omitsize=True)
    return file.getvalue().decode("utf-8").strip()


@lru_cache(maxsize=MOST_LABELS)  # to make one takes longer than all else
def _code(text: str) -> segno.QRCode:
    return segno.make_qr(text, error="m")
