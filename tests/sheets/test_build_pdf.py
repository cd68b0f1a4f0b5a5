"""The build sheet on paper, as poppler and qpdf read it."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from pinwright.cable.profile import Profile
from pinwright.library import find_profile, library_folders, profile_of
from pinwright.sheets.build import BuildSheet, build_sheet
from pinwright.sheets.build_pdf import build_pdf
from pinwright.sheets.text import IN_FONTS, harmless

from .test_pdf import smallest_number

HASH = "7" * 64
NAMES = (
    *("lamp-changer-40", "woven-40", "service-lead-9", "scsi50-ribbon-straight", "din5-generic-five-core"),
    *("ata80c-host-to-master-black", "printer-db25-to-mr36-18wire", "trs-insert-y"),
    *("printer-db25-to-mr36-25wire-a", "idc26-to-db25-row-matched"),
)


def profile(id: str) -> Profile:
    return find_profile(id, library_folders()).profile


def sheet(id: str) -> BuildSheet:
    return build_sheet(profile(id), HASH)


@pytest.fixture(scope="session")
def files(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Path]:
    folder = tmp_path_factory.mktemp("sheets")
    for id in NAMES:
        (folder / f"{id}.pdf").write_bytes(build_pdf(profile(id), sheet(id)))
    return {id: folder / f"{id}.pdf" for id in NAMES}


@pytest.mark.parametrize("id", NAMES)
def test_a_sheet_is_a_sound_pdf_of_one_or_two_pages(
    files: Mapping[str, Path], tool: Callable[..., bytes], id: str
) -> None:
    assert b"No syntax or stream encoding errors found" in tool("qpdf", "--check", files[id], package="qpdf")
    told = tool("pdfinfo", files[id], package="poppler-utils").decode("utf-8")
    assert re.search(r"Pages: +[12]\n", told)
    assert re.search(r"Page size: +595\.\d+ x 841\.\d+ pts \(A4\)", told)
    assert "Date" not in told  # there is no clock in it


@pytest.mark.parametrize("id", NAMES)
def test_all_that_the_sheet_says_can_be_read_off_it(
    files: Mapping[str, Path], tool: Callable[..., bytes], id: str
) -> None:
    raw = tool("pdftotext", "-layout", files[id], "-", package="poppler-utils").decode("utf-8")
    told = set(raw.split())
    made = sheet(id)
    texts = [made.title, made.name, made.sha256, *made.cautions, *made.steps, *made.spare, *made.notes]
    texts += [made.legend, *(aside for row in made.rows for aside in row.asides)]
    texts += [text for link in made.links for text in (link.kind, link.signal, link.text)]
    texts += [text for end in made.ends for text in (end.caption, end.start)]
    flat = "".join(raw.split())
    for word in {word for text in texts for word in text.replace("`", "").split()}:
        assert word in flat, word
    for row in made.rows:
        assert {str(row.number), *(spot.name for spots in row.spots for spot in spots)} <= told
    for page in raw.split("\f")[:-1]:
        assert f"profile SHA-256 {HASH}" in page


def test_a_line_of_the_list_has_conductor_signal_pins_and_places(
    files: Mapping[str, Path], tool: Callable[..., bytes]
) -> None:
    raw = tool("pdftotext", "-layout", files["lamp-changer-40"], "-", package="poppler-utils").decode("utf-8")
    lines = [" ".join(line.split()) for line in raw.splitlines()]
    for row in sheet("lamp-changer-40").rows:
        (one,), (other,) = row.spots
        said = f"{row.number} {row.signal or '–'} {one.name} {other.name} {other.place}"
        assert said in lines


def test_no_column_of_the_list_is_left_without_room(
    files: Mapping[str, Path], tool: Callable[..., bytes]
) -> None:
    raw = tool(
        "pdftotext", "-layout", files["printer-db25-to-mr36-25wire-a"], "-", package="poppler-utils"
    ).decode("utf-8")
    assert re.search(
        r"^ *1 +nStrobe +1 +long row, .* 1 +row of pins 1 to 18, .* 14 +nAutoFd +14 +short", raw, re.M
    )


@pytest.mark.parametrize("id", NAMES)
def test_the_smallest_pin_number_on_the_sheet_is_legible(
    files: Mapping[str, Path], tool: Callable[..., bytes], id: str
) -> None:
    """3.5 pt: common practice for the smallest print, no source."""
    assert smallest_number(files[id], tool) >= 3.5


def test_what_is_not_confirmed_and_what_is_joined_is_on_paper_too(
    tool: Callable[..., bytes], tmp_path: Path
) -> None:
    made = sheet("lamp-changer-40")
    (strand,) = made.strands
    one, *others = strand.rows
    one = replace(one, spots=(one.spots[0], ()), asides=("", "join to B.9"))
    made = replace(made, to_confirm=("which row is `odd`",), strands=(replace(strand, rows=(one, *others)),))
    (tmp_path / "x.pdf").write_bytes(build_pdf(profile("lamp-changer-40"), made))
    told = tool("pdftotext", "-layout", tmp_path / "x.pdf", "-", package="poppler-utils").decode("utf-8")
    lines = [" ".join(line.split()) for line in told.splitlines()]
    assert lines.index("Not yet confirmed:") < lines.index("• which row is odd")
    assert "1 GND 1 join to B.9" in lines


def test_the_same_profile_gives_the_same_bytes(files: Mapping[str, Path]) -> None:
    assert files["woven-40"].read_bytes() == build_pdf(profile("woven-40"), sheet("woven-40"))


def test_hostile_and_endless_words_stay_words(
    profile_text: Callable[..., str], tool: Callable[..., bytes], tmp_path: Path
) -> None:
    made = profile_of(
        profile_text(
            {"A": "idc-2x5", "B": "dsub-9-socket"},
            [f"A.{n} B.{n}" for n in range(1, 10)],
            title="#panic() $x$ *b* <a> `raw` // \\ #",
            labels={"A": "W" * 200, "B": '#import "x"'},
            signals={"A.1": "#pagebreak()", "A.2": "W" * 40, "A.3": "@ref"},
        )
    )
    (tmp_path / "x.pdf").write_bytes(build_pdf(made, build_sheet(made, HASH)))
    told = tool("pdftotext", "-layout", tmp_path / "x.pdf", "-", package="poppler-utils").decode("utf-8")
    assert "#panic() $x$ *b* <a> `raw` // \\ #" in " ".join(told.split())
    assert "#pagebreak()" in told
    assert "@ref" in told
    assert told.count("W") >= 240  # the whole label, and the whole signal in the list


def test_every_character_that_is_let_through_is_in_the_fonts() -> None:
    whole = "".join(chr(code) for first, last in IN_FONTS for code in range(first, last + 1))
    text = " ".join(harmless(whole[at : at + 20]) for at in range(0, len(whole), 20))
    made = sheet("trs-insert-y")
    assert build_pdf(profile("trs-insert-y"), replace(made, notes=(text,))).startswith(b"%PDF-")
