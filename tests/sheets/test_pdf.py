"""The PDF, as other people's programs read it: qpdf, poppler and ZXing."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from pinwright.records.record import Record
from pinwright.sheets.documents import documents_of
from pinwright.sheets.pdf import pdf_of
from pinwright.sheets.sheet import CAUTIONS, sheet_of
from pinwright.sheets.text import IN_FONTS, harmless

LEAD, FIVE = "lamp-changer-40", "din5-generic-five-core"
THIRTY = {
    "cut": [f"A.{n}" for n in range(2, 24)],
    "join": [f"A.{n} A.{n + 1}" for n in range(24, 36, 2)],
    "swap": ["A.36 A.37", "A.38 A.39"],
}
POINT = 25.4 / 72  # mm


@pytest.fixture(scope="session")
def records(
    record_of: Callable[..., Record], library: Callable[[str], str], profile_text: Callable[..., str]
) -> Mapping[str, Record]:
    """The records whose pages are looked at."""
    straight = [f"A.{n} B.{n}" for n in range(1, 65)]
    ends = {"A": "idc-2x32", "B": "idc-2x32"}
    ground = " ".join(f"{end}.{n}" for end in "AB" for n in range(1, 21))
    signals = {f"A.{n}": f"SIGNAL-WITH-A-NAME-THAT-IS-FORTY-LONG-{n:02}" for n in range(21, 41)}
    long = profile_text(
        {"A": "idc-2x20", "B": "idc-2x20"},
        [ground, *straight[20:40]],
        title="A title of two hundred characters, " * 5 + "and not one more than it",
        labels=dict.fromkeys("AB", "a label as long as may be, " * 7 + "no longer"),
        signals={**signals, **{f"A.{n}": "GND" for n in range(1, 21)}},
    )
    measured = {"lane": "calibrated"}
    return {
        "certificate": record_of(library(LEAD)),
        "certificate-ohms": record_of(library(LEAD), **measured, max_ohms=4.0),
        "coarse": record_of(library(LEAD), lane="uncalibrated"),
        "specimen": record_of(library(LEAD), simulated=True),
        "report": record_of(library(LEAD), cut=["A.6"]),
        "report-ohms": record_of(library(LEAD), **measured, joints={"A.6": 12.0}, leaks={"A.9": 4e4}),
        "thirty": record_of(library(LEAD), **THIRTY),
        "five": record_of(library(FIVE)),
        "sixty": record_of(profile_text(ends, straight[:60]), **measured),
        "sixty-one": record_of(profile_text(ends, straight[:61])),
        "sixty-four": record_of(profile_text(ends, straight)),
        "long": record_of(long),
    }


@pytest.fixture(scope="session")
def files(records: Mapping[str, Record], tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Path]:
    """Their PDFs."""
    folder = tmp_path_factory.mktemp("pdf")
    for name, record in records.items():
        (folder / f"{name}.pdf").write_bytes(documents_of(record)["pdf"])
    return {name: folder / f"{name}.pdf" for name in records}


@pytest.fixture(scope="session")
def pages(files: Mapping[str, Path], tool: Callable[..., bytes]) -> Callable[[str], list[str]]:
    """The words of each page, one blank between two."""

    def pages(name: str) -> list[str]:
        text = tool("pdftotext", "-layout", files[name], "-", package="poppler-utils").decode("utf-8")
        return [" ".join(page.split()) for page in text.split("\f")[:-1]]

    return pages


NAMES = (
    *("certificate", "certificate-ohms", "coarse", "specimen", "report", "report-ohms", "thirty", "five"),
    *("sixty", "sixty-one", "sixty-four", "long"),
)


@pytest.mark.parametrize("name", NAMES)
def test_a_reader_of_pdf_finds_nothing_wrong(
    files: Mapping[str, Path], tool: Callable[..., bytes], name: str
) -> None:
    told = tool("qpdf", "--check", files[name], package="qpdf").decode("utf-8")
    assert "No syntax or stream encoding errors found" in told
    assert "WARNING" not in told


@pytest.mark.parametrize("name", ["certificate", "thirty", "long"])
def test_every_font_is_embedded_and_none_is_drawn_by_a_program(
    files: Mapping[str, Path], tool: Callable[..., bytes], name: str
) -> None:
    """PDF/A (ISO 19005-3, 6.2.11.4) wants fonts embedded; Type 3 fonts look rough on a screen."""
    _, _, *rows = tool("pdffonts", files[name], package="poppler-utils").decode("utf-8").splitlines()
    assert rows
    for row in rows:
        assert re.search(r" yes +yes +yes +\d+ +\d+$", row), row  # embedded, subset, to Unicode
        assert "Type 3" not in row


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("certificate", 1),
        ("certificate-ohms", 1),
        ("coarse", 1),
        ("specimen", 1),
        ("report", 1),
        ("report-ohms", 2),
        ("five", 1),
        ("sixty", 1),
        ("long", 1),
        ("sixty-one", 2),
        ("sixty-four", 2),
    ],
)
def test_up_to_sixty_links_find_room_on_a_page_and_more_or_many_words_on_two(
    files: Mapping[str, Path], tool: Callable[..., bytes], name: str, expected: int
) -> None:
    told = tool("pdfinfo", files[name], package="poppler-utils").decode("utf-8")
    assert f"Pages:           {expected}\n" in told
    assert re.search(r"Page size: +595\.\d+ x 841\.\d+ pts \(A4\)", told)


def test_names_that_leave_no_room_for_the_picture_send_it_to_a_page_of_its_own(
    record_of: Callable[..., Record],
    profile_text: Callable[..., str],
    tool: Callable[..., bytes],
    tmp_path: Path,
) -> None:
    signals = {f"A.{n}": f"SIGNAL-WITH-A-NAME-THAT-IS-FORTY-LONG-{n:02}" for n in range(1, 61)}
    wires = [f"A.{n} B.{n}" for n in range(1, 61)]
    wide = "W" * 200
    ends = {"A": "idc-2x30", "B": "idc-2x30"}
    text = profile_text(ends, wires, title=wide, labels={"A": wide, "B": wide}, signals=signals)
    file = tmp_path / "x.pdf"
    file.write_bytes(documents_of(record_of(text))["pdf"])
    assert b"Pages:           2\n" in tool("pdfinfo", file, package="poppler-utils")
    assert smallest_number(file, tool) >= 3.5


def smallest_number(file: Path, tool: Callable[..., bytes]) -> float:
    """The size of the smallest number that stands alone, in points: those of pins.

    The box that poppler gives a word of these fonts is one em high: seen with words of known size.
    """
    told = tool("pdftotext", "-bbox", file, "-", package="poppler-utils").decode("utf-8")
    boxes = re.findall(r'yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)">\d+</word>', told)
    return min(float(bottom) - float(top) for top, bottom in boxes)


@pytest.mark.parametrize("name", NAMES)
def test_the_smallest_pin_number_on_paper_is_legible(
    files: Mapping[str, Path], tool: Callable[..., bytes], name: str
) -> None:
    """3.5 pt: common practice for the smallest print, no source."""
    assert smallest_number(files[name], tool) >= 3.5


@pytest.mark.parametrize("name", NAMES)
def test_the_words_can_be_extracted(
    records: Mapping[str, Record], pages: Callable[[str], list[str]], name: str
) -> None:
    # A line may end after a hyphen.
    record, made, text = records[name], sheet_of(records[name]), " ".join(pages(name)).replace("- ", "-")
    for word in (made.title, made.number, made.verdict, made.summary, made.sha256, made.warning):
        assert word in text
    said = [text for _, texts in made.sections for text in texts]
    assert {record.doc["decision"], record.doc["method"], *CAUTIONS} <= set(said)
    for word in (*(said if name != "long" else CAUTIONS), record.profile.id, "Not measured, not claimed."):
        assert word in text
    about = dict(made.about)
    assert {"Serial", "Profile", "Operator", "Tester", "Self-check", "Calibration", "Tested"} <= set(about)
    for label in set(about) - {"Cable", "Ends"} if name != "specimen" else ():
        assert f"{label} {about[label]}" in text
    for link in made.links:
        if name not in ("specimen", "long"):  # letters of the mark across the page, and lines that are broken
            assert f"{link.start} {link.to}" in text, link
            if link.ohms:
                found = "" if link.good else f"{link.found} "
                assert f"{link.start} {link.to} {found}{link.ohms} {link.state}" in text
            assert link.signal in text
        assert set(link.to.split()) <= set(text.split())
    for what, remedy in made.findings:
        assert what in text
        assert remedy in text


@pytest.mark.parametrize("name", NAMES)
def test_number_hash_and_what_it_is_stand_on_every_page(
    records: Mapping[str, Record], pages: Callable[[str], list[str]], name: str
) -> None:
    made, every = sheet_of(records[name]), pages(name)
    for place, page in enumerate(every, 1):
        assert f"{made.title} {made.number}" in page
        assert f"record SHA-256 {made.sha256}" in page
        assert f"page {place} of {len(every)}" in page
        assert page.count(made.warning) >= (2 if made.warning else 0)
        assert ("Certificate of test" in page) is (made.kind == "certificate")
        assert ("no certificate" in page) is (made.kind == "report")
        assert ("Specimen of a certificate" in page) is (made.kind == "specimen")


@pytest.mark.parametrize("name", ["certificate", "thirty", "sixty-four"])
def test_the_record_is_attached_byte_for_byte(
    records: Mapping[str, Record],
    files: Mapping[str, Path],
    tool: Callable[..., bytes],
    tmp_path: Path,
    name: str,
) -> None:
    assert b"record.json" in tool("pdfdetach", "-list", files[name], package="poppler-utils")
    tool("pdfdetach", "-save", "1", "-o", tmp_path / "record.json", files[name], package="poppler-utils")
    assert records[name].data == (tmp_path / "record.json").read_bytes()


def test_it_says_that_it_is_pdf_a_3b_and_when_it_was_made(
    records: Mapping[str, Record], files: Mapping[str, Path], tool: Callable[..., bytes]
) -> None:
    """ISO 19005-3, 6.6.4: part and conformance level in the XMP metadata."""
    xmp = tool("pdfinfo", "-meta", files["certificate"], package="poppler-utils").decode("utf-8")
    assert "<pdfaid:part>3</pdfaid:part>" in xmp
    assert "<pdfaid:conformance>B</pdfaid:conformance>" in xmp
    assert "2026-03-01T09:30:00" in xmp
    assert f"Certificate of test {records['certificate'].number}" in xmp


@pytest.mark.parametrize("name", ["certificate", "thirty"])
def test_the_same_record_gives_the_same_bytes(
    records: Mapping[str, Record], files: Mapping[str, Path], name: str
) -> None:
    again = documents_of(records[name])
    assert again["pdf"] == files[name].read_bytes()
    assert again == documents_of(records[name])


def test_every_character_that_is_let_through_is_in_the_fonts(records: Mapping[str, Record]) -> None:
    """typst refuses to write PDF/A with a glyph missing. Two thousand characters in three places."""
    whole = "".join(chr(code) for first, last in IN_FONTS for code in range(first, last + 1))
    text = " ".join(harmless(whole[at : at + 20]) for at in range(0, len(whole), 20))
    made = sheet_of(records["certificate"])
    link = replace(made.links[0], signal=text)
    about = (*made.about, ("All", text))
    assert pdf_of(replace(made, links=(link,), about=about), records["certificate"].data).startswith(b"%PDF-")


# Pictures of pages


class Grey:
    """A page as grey values: 0 is black. Source of the format: netpbm's pgm(5), raw, one byte a pixel."""

    def __init__(self, pgm: bytes) -> None:
        head = re.match(rb"P5\s+(\d+)\s+(\d+)\s+255\s", pgm)
        assert head
        self.width, self.height = int(head[1]), int(head[2])
        self.pixels = memoryview(pgm)[head.end() :].cast("B", (self.height, self.width))

    def row(self, part: float) -> list[int]:
        """Grey values between the margins, this part of the way down."""
        y = int(part * self.height)
        return [self.pixels[y, x] for x in range(self.width * 10 // 100, self.width * 90 // 100)]


@pytest.fixture(scope="session")
def rendered(
    files: Mapping[str, Path], tool: Callable[..., bytes], tmp_path_factory: pytest.TempPathFactory
) -> Callable[..., Grey]:
    """The first page of a PDF."""

    def rendered(name: str, dpi: int) -> Grey:
        start = tmp_path_factory.mktemp("page") / "page"
        options = ("-gray", "-r", dpi, "-f", 1, "-l", 1, "-singlefile")
        tool("pdftoppm", *options, files[name], start, package="poppler-utils")
        return Grey(start.with_suffix(".pgm").read_bytes())

    return rendered


@pytest.mark.parametrize("name", ["certificate", "thirty", "sixty-four"])
def test_the_code_on_the_page_holds_number_and_hash(
    records: Mapping[str, Record], rendered: Callable[..., Grey], name: str
) -> None:
    zxingcpp = pytest.importorskip("zxingcpp")
    record = records[name]
    (code,) = zxingcpp.read_barcodes(rendered(name, 150).pixels)
    assert f"{record.number} sha256:{record.sha256}" == code.text
    assert "QR" in str(code.format)


# A band of warning across the page, 15 mm from the top of 297: dark but for the words.
@pytest.mark.parametrize(
    ("name", "banded"), [("report", True), ("thirty", True), ("specimen", True), ("certificate", False)]
)
def test_only_a_certificate_has_no_dark_band_across_its_head(
    rendered: Callable[..., Grey], name: str, banded: bool
) -> None:
    page = rendered(name, 50)
    rows = [page.row(part / 200) for part in range(4, 14)]
    assert any(sum(grey < 140 for grey in row) > 0.7 * len(row) for row in rows) is banded


def test_a_specimen_is_marked_across_the_page_and_a_certificate_is_white_there(
    rendered: Callable[..., Grey],
) -> None:
    def pale(name: str) -> int:
        page = rendered(name, 50)
        return sum(230 < grey < 234 for part in range(25, 100) for grey in page.row(part / 100))

    assert pale("specimen") > 3 * pale("certificate")


def test_words_and_picture_fill_a_certificate_and_leave_its_margins_white(
    rendered: Callable[..., Grey],
) -> None:
    page = rendered("certificate", 50)
    margin = page.width * 12 // 210
    left, right = range(margin), range(page.width - margin, page.width)
    assert min(page.pixels[y, x] for y in range(page.height) for x in (*left, *right)) == 255
    inked = [min(page.row(part / 100)) < 200 for part in range(6, 93)]
    assert sum(inked) > 0.8 * len(inked)
