"""Labels as other people's programs read them: poppler, qpdf and ZXing."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
import typst

from pinwright.errors import UsageError
from pinwright.records.record import Record
from pinwright.sheets import label as module
from pinwright.sheets.label import (
    ADVANCE,
    LEAST_MODULE_MM,
    LEAST_POINTS,
    MARKS,
    POINT_MM,
    QUIET,
    Labelled,
    Print,
    check,
    labelled_of,
    labels_pdf,
)
from pinwright.sheets.stock import MOST_LABELS, Stock, fitting_stock
from pinwright.sheets.text import IN_FONTS

from .test_pdf import Grey

GOLDEN = Path(__file__).parent / "golden"
LEAD = "lamp-changer-40"
SHA256 = "0f1e2d3c4b5a69788796a5b4c3d2e1f0" * 2


def labelled(serial: str = "HL40-0001", test: int = 1, **other: Any) -> Labelled:
    one = Labelled(
        f"{serial}.test-{test}", SHA256, serial, test, LEAD, "B", "2026-03-01", "tested", simulated=False
    )
    return replace(one, **other)


ALL = (
    labelled(),
    labelled("HL40-0002", test=2),
    labelled("HL40-0003", state="failed"),
    labelled("HL40-0004", state="specimen", simulated=True),
    labelled("HL40-0005", state="withdrawn"),
    labelled("HL40-0006", test=12, state="failed", simulated=True),
    labelled("A"),
)
SHEET = fitting_stock(paper=(160, 60), skip=1, outline=True)
FLAG = fitting_stock(size=(35, 20), flag=18, paper=(105, 100), margin=(4, 6), gap=(0, 2))
ROLL = fitting_stock(roll=True, size=(40, 20))
TALL = fitting_stock(size=(25, 45), paper=(180, 50))
STOCKS = {"sheet": SHEET, "flag": FLAG, "roll": ROLL, "tall": TALL}


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Path]:
    folder = tmp_path_factory.mktemp("labels")
    for name, stock in STOCKS.items():
        (folder / f"{name}.pdf").write_bytes(labels_pdf(ALL, stock))
    return {name: folder / f"{name}.pdf" for name in STOCKS}


@dataclass(frozen=True)
class Word:
    """In millimetres from the upper left corner of its page; size: how high its box is, in points."""

    text: str
    x: float
    y: float
    size: float


@pytest.fixture(scope="module")
def words(tool: Callable[..., bytes]) -> Callable[[Path], list[list[Word]]]:
    """The words of each page."""

    def words(file: Path) -> list[list[Word]]:
        told = tool("pdftotext", "-bbox", file, "-", package="poppler-utils").decode("utf-8")
        box = r'<word xMin="([\d.]+)" yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)">([^<]*)</word>'
        return [
            [
                Word(text, float(x) * POINT_MM, float(y) * POINT_MM, float(bottom) - float(y))
                for x, y, bottom, text in re.findall(box, page)
            ]
            for page in told.split("<page ")[1:]
        ]

    return words


@dataclass(frozen=True)
class Code:
    """x, y: where its first module begins, in millimetres."""

    text: str
    x: float
    y: float


@pytest.fixture(scope="module")
def codes(tool: Callable[..., bytes], tmp_path_factory: pytest.TempPathFactory) -> Callable[..., list[Code]]:
    """The codes of a page, line by line. thermal: as a printer that knows no grey draws it. line:
    how far it is from one line of labels to the next, in mm."""
    zxingcpp = pytest.importorskip("zxingcpp")

    def codes(file: Path, dpi: int, page: int, line: float, *, thermal: bool = False) -> list[Code]:
        start = tmp_path_factory.mktemp("page") / "page"
        options = ("-gray", "-r", dpi, "-f", page, "-l", page, "-singlefile")
        hard = ("-aa", "no", "-aaVector", "no") if thermal else ()
        tool("pdftoppm", *options, *hard, file, start, package="poppler-utils")
        found = zxingcpp.read_barcodes(Grey(start.with_suffix(".pgm").read_bytes()).pixels)
        corners = [(code, code.position.top_left) for code in found]
        read = [Code(code.text, at.x * 25.4 / dpi, at.y * 25.4 / dpi) for code, at in corners]
        return sorted(read, key=lambda code: (int(code.y / line), code.x))

    return codes


def print_of(one: Labelled, stock: Stock) -> Print:
    return module._print_of(one, stock.size)


def code_begins(one: Labelled, stock: Stock, place: tuple[float, float]) -> tuple[float, float]:
    x, y, side = print_of(one, stock).code_at
    quiet = QUIET * side / module._modules(one.code)
    return place[0] + x + quiet, place[1] + y + quiet


# The codes


def test_every_code_of_a_sheet_is_read_back_where_it_belongs(
    files: Mapping[str, Path], codes: Callable[..., list[Code]]
) -> None:
    """At 300 dpi; the second page begins at its first place, the first one after what is taken."""
    places = list(SHEET.places())
    assert 6 == len(places)
    where = [*((0, place) for place in places[1:]), *((1, place) for place in places[:2])]
    read = [codes(files["sheet"], 300, page, 30.0) for page in (1, 2)]
    assert [one.code for one in ALL] == [code.text for page in read for code in page]
    for code, one, (_, place) in zip([*read[0], *read[1]], ALL, where, strict=True):
        assert pytest.approx(code_begins(one, SHEET, place), abs=0.4) == (code.x, code.y)


def test_both_halves_of_a_flag_are_read_back_and_what_is_between_is_blank(
    files: Mapping[str, Path], codes: Callable[..., list[Code]], words: Callable[[Path], list[list[Word]]]
) -> None:
    read = codes(files["flag"], 300, 1, 25.0)
    assert 2 * 4 == len(read)
    assert [one.code for one in ALL[:4] for _ in range(2)] == [code.text for code in read]
    for (left, right), place, one in zip(
        zip(read[::2], read[1::2], strict=True), FLAG.places(), ALL, strict=False
    ):
        assert pytest.approx(code_begins(one, FLAG, place), abs=0.4) == (left.x, left.y)
        assert pytest.approx((left.x + 35 + 18, left.y), abs=0.15) == (right.x, right.y)
    for page in words(files["flag"]):
        for word in page:
            assert not 4 + 35 - 1 < word.x < 4 + 35 + 18, word
        halves = [[word.text for word in page if (word.x < 4 + 35) is half] for half in (True, False)]
        assert halves[0] == halves[1]


@pytest.mark.parametrize("page", [1, 3])
def test_the_codes_of_a_roll_are_read_back_as_a_label_printer_prints_them(
    files: Mapping[str, Path], codes: Callable[..., list[Code]], page: int
) -> None:
    (code,) = codes(files["roll"], 203, page, 20.0, thermal=True)
    assert ALL[page - 1].code == code.text


def test_the_smallest_code_that_is_let_through_is_read_back(
    codes: Callable[..., list[Code]], tmp_path: Path
) -> None:
    one, stock = labelled("HL40-0001"), fitting_stock(size=(45, 14.7), roll=True)
    assert pytest.approx(LEAST_MODULE_MM, abs=1e-3) == print_of(one, stock).code_at[2] / 49
    (tmp_path / "x.pdf").write_bytes(labels_pdf([one], stock))
    (code,) = codes(tmp_path / "x.pdf", 300, 1, 20.0, thermal=True)
    assert one.code == code.text


# What stands beside them, and where


@pytest.mark.parametrize("name", STOCKS)
def test_every_line_stands_where_it_was_put(
    files: Mapping[str, Path], words: Callable[[Path], list[list[Word]]], name: str
) -> None:
    """poppler's boxes of this font begin 0.04 em below ours: seen with letters of a known size."""
    stock = STOCKS[name]
    places, found = list(stock.places()), words(files[name])
    for number, one in enumerate(ALL):
        page, place = divmod(stock.skip + number, stock.on_a_page)
        x, y = places[place]
        for line in print_of(one, stock).lines:
            first, *_ = line.text.split()
            assert [
                word
                for word in found[page]
                if word.text == first
                and abs(word.x - x - line.x) < 0.02
                and abs(word.y - y - line.y - 0.04 * line.size * POINT_MM) < 0.05
                and abs(word.size - line.size) < 0.02
            ], (one, line)


@pytest.mark.parametrize("name", STOCKS)
def test_nothing_leaves_its_label_or_lies_on_anything_else(name: str) -> None:
    stock = STOCKS[name]
    width, height = stock.size
    for one in ALL:
        made = print_of(one, stock)
        x, y, side = made.code_at
        quiet = QUIET * side / module._modules(one.code)
        boxes = [(x + quiet / 2, y + quiet / 2, side - quiet, side - quiet)]
        boxes += [made.bar] if made.bar else []
        plain = [line for line in made.lines if not line.inverse]
        boxes += [
            (line.x, line.y, len(line.text) * ADVANCE * line.size * POINT_MM, line.size * POINT_MM)
            for line in plain
        ]
        for left, top, across, down in boxes:
            assert -0.01 <= left, (one, made)
            assert -0.01 <= top
            assert left + across <= width + 0.01
            assert top + down <= height + 0.01
        for number, box in enumerate(boxes):
            for other in boxes[number + 1 :]:
                apart = box[0] + box[2] <= other[0] + 0.02 or other[0] + other[2] <= box[0] + 0.02
                apart |= box[1] + box[3] <= other[1] + 0.02 or other[1] + other[3] <= box[1] + 0.02
                assert apart, (box, other)


def test_the_serial_is_the_largest_of_what_is_no_mark() -> None:
    for stock in STOCKS.values():
        for one in ALL:
            serial, *small = [line for line in print_of(one, stock).lines if not line.inverse]
            assert one.serial.startswith(serial.text)
            assert serial.size > max(line.size for line in small if not line.bold)


@pytest.mark.parametrize("name", STOCKS)
def test_the_words_of_labels(files: Mapping[str, Path], tool: Callable[..., bytes], name: str) -> None:
    """As pdftotext finds them. `PINWRIGHT_REGENERATE=1` writes the files anew: read the difference then."""
    told = tool("pdftotext", "-raw", files[name], "-", package="poppler-utils").decode("utf-8")
    file = GOLDEN / f"labels-{name}.txt"
    if os.environ.get("PINWRIGHT_REGENERATE"):
        file.write_text(told, encoding="utf-8")
    assert file.read_text(encoding="utf-8") == told


def test_a_label_says_all_that_it_should() -> None:
    said = [" ".join(line.text for line in print_of(one, SHEET).lines) for one in ALL]
    assert [
        "HL40-0001 lamp-changer-40 rev. B tested 2026-03-01",
        "HL40-0002 lamp-changer-40 rev. B tested 2026-03-01 (test 2)",
        "FAILED – DO NOT USE HL40-0003 lamp-changer-40 rev. B 2026-03-01",
        "SPECIMEN HL40-0004 lamp-changer-40 rev. B simulated 2026-03-01",
        "WITHDRAWN HL40-0005 lamp-changer-40 rev. B 2026-03-01",
        "FAILED – DO NOT USE HL40-0006 lamp-changer-40 rev. B simulated 2026-03-01 (test 12)",
        "A lamp-changer-40 rev. B tested 2026-03-01",
    ] == said


# What is no good


@pytest.mark.parametrize("state", [state for state in MARKS if state != "tested"])
@pytest.mark.parametrize("stock", STOCKS.values(), ids=STOCKS)
def test_what_is_no_good_has_a_bar_with_white_words_in_it_and_is_not_called_tested(
    state: Any, stock: Stock
) -> None:
    made, good = print_of(labelled(state=state), stock), print_of(labelled(), stock)
    assert good.bar is None
    assert not any(line.inverse for line in good.lines)
    inverse = [line for line in made.lines if line.inverse]
    assert MARKS[state] == " ".join(line.text for line in inverse)
    assert made.bar is not None
    x, y, width, height = made.bar
    assert width * height > 0.05 * stock.size[0] * stock.size[1]
    for line in inverse:
        assert line.size >= LEAST_POINTS
        assert x <= line.x
        assert line.x + len(line.text) * ADVANCE * line.size * POINT_MM <= x + width + 0.02
        assert y <= line.y
        assert line.y + line.size * POINT_MM <= y + height
    assert not any("tested" in line.text for line in made.lines)


def test_only_what_is_good_is_without_black_beside_its_code(
    files: Mapping[str, Path], tool: Callable[..., bytes], tmp_path: Path
) -> None:
    """On the page, not in the plan: how much of the area for letters is black."""
    black = []
    for number in range(len(ALL)):
        page = number + 1
        options = ("-gray", "-r", 100, "-f", page, "-l", page, "-singlefile")
        tool("pdftoppm", *options, files["roll"], tmp_path / "x", package="poppler-utils")
        grey = Grey((tmp_path / "x.pgm").read_bytes())
        left = int(print_of(ALL[number], ROLL).code_at[2] / 40 * grey.width)
        area = [grey.pixels[y, x] < 100 for y in range(grey.height) for x in range(left, grey.width)]
        rows = [area[start : start + grey.width - left] for start in range(0, len(area), grey.width - left)]
        black.append(max(sum(row) / len(row) for row in rows))  # of the row of pixels that has most
    bars = [share > 0.9 for share in black]
    assert [bool(MARKS[one.state]) for one in ALL] == bars, black


def test_the_state_of_a_record(record_of: Callable[..., Record], library: Callable[[str], str]) -> None:
    text = library(LEAD)
    good, bad = record_of(text), record_of(text, cut=["A.6"])
    made = labelled_of(good, withdrawn=False)
    assert labelled("HL40-0001", test=2, sha256=good.sha256) == made
    assert f"{good.number} sha256:{good.sha256}" == made.code
    states = [
        labelled_of(record, withdrawn=withdrawn)
        for record in (
            good,
            record_of(text, simulated=True),
            bad,
            record_of(text, simulated=True, cut=["A.6"]),
        )
        for withdrawn in (False, True)
    ]
    assert ["tested", "withdrawn", "specimen", "withdrawn", *["failed"] * 4] == [one.state for one in states]
    assert [False, False, True, True, False, False, True, True] == [one.simulated for one in states]


# What somebody else wrote


HOSTILE = {
    "markup": "#panic() $x$ *b* @ref",
    "lines": "a\nPASS\r\n",
    "turned round": "a\u202eb",
    "colour": "\x1b[31m",
    "wide": "Ǆ" * 40,
    "long": "x" * 200,
    "other letters": "שלום",
    "tested": "tested",
}


@pytest.mark.parametrize("revision", HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_revision_stays_a_word_that_covers_nothing(
    revision: str, words: Callable[[Path], list[list[Word]]], tmp_path: Path
) -> None:
    one = labelled(state="failed", revision=revision)
    (tmp_path / "x.pdf").write_bytes(labels_pdf([one], fitting_stock(roll=True)))
    (page,) = words(tmp_path / "x.pdf")
    told = " ".join(word.text for word in page)
    assert told.startswith("FAILED – DO NOT USE HL40-0001 lamp-changer-40 rev. ")
    assert told.endswith("2026-03-01")
    assert told.isprintable()
    assert max(word.x for word in page) < 50


def test_no_letter_is_wider_than_it_is_taken_for() -> None:
    """typst measures every character that is let through."""
    letters = [chr(code) for first, last in IN_FONTS for code in range(first, last + 1)]
    source = """
    #set text(font: ("DejaVu Sans Mono", "Libertinus Serif"), size: 100pt)
    #context for weight in ("regular", "bold") [
      #let wide(one) = measure(text(weight: weight, one)).width.pt()
      #metadata(json(bytes(sys.inputs.letters)).map(wide)) <wide>
    ]
    """
    inputs = {"letters": json.dumps(letters)}
    found = json.loads(
        typst.query(source.encode(), "<wide>", field="value", sys_inputs=inputs, ignore_system_fonts=True)
    )
    assert 2 == len(found)
    for widths in found:
        for letter, width in zip(letters, widths, strict=True):
            assert width / 100 <= module._ems(letter) + 1e-3, (letter, width)


# The file


@pytest.mark.parametrize("name", STOCKS)
def test_a_reader_of_pdf_finds_nothing_wrong_and_pages_of_the_right_size(
    files: Mapping[str, Path], tool: Callable[..., bytes], name: str
) -> None:
    assert b"No syntax or stream encoding errors found" in tool(
        "qpdf", "--check", files[name], package="qpdf"
    )
    told = tool("pdfinfo", files[name], package="poppler-utils").decode("utf-8")
    stock = STOCKS[name]
    pages = -(-(stock.skip + len(ALL)) // stock.on_a_page)
    assert re.search(rf"^Pages: +{pages}$", told, re.M)
    size = re.search(r"^Page size: +([\d.]+) x ([\d.]+) pts", told, re.M)
    assert size
    assert pytest.approx(stock.page, abs=0.01) == (float(size[1]) * POINT_MM, float(size[2]) * POINT_MM)
    assert re.search(r"^Title: +Labels HL40-0001 to A$", told, re.M)


def test_it_is_pdf_a_with_its_fonts_in_it(files: Mapping[str, Path], tool: Callable[..., bytes]) -> None:
    xmp = tool("pdfinfo", "-meta", files["roll"], package="poppler-utils").decode("utf-8")
    assert "<pdfaid:part>3</pdfaid:part>" in xmp
    _, _, *rows = tool("pdffonts", files["roll"], package="poppler-utils").decode("utf-8").splitlines()
    for row in rows:
        assert re.search(r" yes +yes +yes +\d+ +\d+$", row), row  # embedded, subset, to Unicode


def test_the_same_labels_give_the_same_bytes(files: Mapping[str, Path]) -> None:
    for name, stock in STOCKS.items():
        assert files[name].read_bytes() == labels_pdf(ALL, stock)


def test_copies_follow_each_other_and_a_serial_that_is_named_twice_has_two_labels(
    words: Callable[[Path], list[list[Word]]], tmp_path: Path
) -> None:
    stock = fitting_stock(roll=True, copies=2)
    (tmp_path / "x.pdf").write_bytes(labels_pdf([labelled("A-1"), labelled("B-2"), labelled("A-1")], stock))
    serials = [page[0].text for page in words(tmp_path / "x.pdf")]
    assert ["A-1", "A-1", "B-2", "B-2", "A-1", "A-1"] == serials


def outlines(file: Path, tool: Callable[..., bytes], tmp_path: Path) -> int:
    """How many dark pixels there are on the second page at 100 dpi, but for labels."""
    options = ("-gray", "-r", 100, "-f", 2, "-l", 2, "-singlefile")
    tool("pdftoppm", *options, file, tmp_path / "x", package="poppler-utils")
    grey = Grey((tmp_path / "x.pgm").read_bytes())
    below = range(int(37 / 60 * grey.height), grey.height)  # the second line of labels, none of them used
    return sum(grey.pixels[y, x] < 200 for y in below for x in range(grey.width))


def test_the_edges_of_labels_are_drawn_where_that_is_asked_for_and_also_of_those_that_stay_empty(
    files: Mapping[str, Path], tool: Callable[..., bytes], tmp_path: Path
) -> None:
    (tmp_path / "plain.pdf").write_bytes(labels_pdf(ALL, replace(SHEET, outline=False)))
    assert 0 == outlines(tmp_path / "plain.pdf", tool, tmp_path)
    assert outlines(files["sheet"], tool, tmp_path) > 100


def test_a_flag_has_fine_marks_where_it_is_folded(
    files: Mapping[str, Path], tool: Callable[..., bytes], tmp_path: Path
) -> None:
    options = ("-gray", "-r", 300, "-f", 1, "-l", 1, "-singlefile")
    tool("pdftoppm", *options, files["flag"], tmp_path / "x", package="poppler-utils")
    grey = Grey((tmp_path / "x.pgm").read_bytes())
    px = 300 / 25.4
    row = round((6 + 0.7) * px)  # across the marks at the upper edge of the first flag
    dark = [x / px for x in range(grey.width) if grey.pixels[row, x] < 200]
    between = [x for x in dark if 4 + 34 < x < 4 + 35 + 18 + 1]
    assert pytest.approx([39, 57], abs=0.2) == sorted({round(x) for x in between})
    middle = round((6 + 10) * px)
    assert not [x for x in range(round(38.5 * px), round(57.5 * px)) if grey.pixels[middle, x] < 200]


# What does not fit


@pytest.mark.parametrize(
    ("size", "one", "told"),
    [
        ((20, 10), labelled("B"), "its code needs 13.5 mm each way, 45 modules of 0.3 mm"),
        ((20, 15), labelled(), "its words would be smaller than 4 pt"),
        ((50, 15), labelled("X" * 64), "its code needs 17.1 mm each way, 57 modules of 0.3 mm"),
        ((25, 20), labelled("X" * 64), "its words would be smaller than 4 pt"),
    ],
)
def test_a_label_without_room_is_refused_with_sizes_that_would_do(
    size: tuple[float, float], one: Labelled, told: str
) -> None:
    with pytest.raises(UsageError) as refused:
        labels_pdf([labelled("A"), one], fitting_stock(size=size))
    message = refused.value.message
    assert told in message
    would = re.findall(r"(\d+)x(\d+)", message.rpartition(";")[2])
    assert would
    for wide, high in would:
        check([labelled("A"), one], fitting_stock(size=(int(wide), int(high)), paper=(900, 900)))


@pytest.mark.parametrize("height", [15, 20, 40])
@pytest.mark.parametrize("serial", ["A-1", "A.long-serial_number-0001", "W" * 64])
def test_no_letter_and_no_module_is_ever_smaller_than_can_be_read(serial: str, height: int) -> None:
    for width in range(16, 80, 9):
        for one in (labelled(serial), labelled(serial, test=3, state="failed")):
            if module._plan_of(one, (width, height)) is None:
                continue
            made = print_of(one, fitting_stock(size=(width, height), paper=(900, 900)))
            assert made.code_at[2] / module._modules(one.code) >= LEAST_MODULE_MM - 1e-3
            assert min(line.size for line in made.lines) >= LEAST_POINTS


@pytest.mark.parametrize(
    ("size", "one", "serial", "id"),
    [
        ((40, 20), labelled("LAMP-LEAD-2026-0001"), 1, 1),
        ((50, 25), labelled("LAMP-LEAD-ANNEX-2026-0001"), 1, 1),
        ((40, 20), labelled("HL40-0001", profile="service-lead-nine-poles-new"), 1, 1),
        ((40, 20), labelled("W" * 64), 5, 1),  # no way to have it in one line of 5 pt
        ((50, 25), labelled("HL40-0001", profile="service-lead-" * 5), 1, 2),
    ],
)
def test_serial_and_profile_are_set_smaller_before_they_are_broken(
    size: tuple[int, int], one: Labelled, serial: int, id: int
) -> None:
    lines = print_of(one, fitting_stock(size=size, paper=(900, 900))).lines
    bold = [line for line in lines if line.bold and not line.inverse]
    assert serial == len(bold)
    assert serial > 1 or bold[0].size >= 5.0
    assert (id == 1) == any(line.text.startswith(one.profile) for line in lines)


def test_as_many_labels_as_no_file_should_have_are_refused(tool: Sequence[object]) -> None:
    with pytest.raises(UsageError, match=f"10001 labels are not between 1 and {MOST_LABELS}"):
        labels_pdf([labelled()], fitting_stock(copies=10_001))
    with pytest.raises(UsageError, match="0 labels"):
        labels_pdf([], fitting_stock())
