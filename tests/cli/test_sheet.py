"""`pinwright sheet`: what it prints, what it writes, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pinwright.library import find_profile, library_folders
from pinwright.sheets.build import build_sheet
from pinwright.sheets.build_page import build_page
from pinwright.sheets.build_pdf import build_pdf

LEAD = "lamp-changer-40"
OWN = """\
[cable]
id = "my-lead"
title = "%s"
[ends.A]
connector = "idc-2x5"
label = "%s"
[ends.B]
connector = "dsub-9-socket"
[wiring]
wires = [["A.1", "B.1"], ["A.2", "B.2"]]
[ends.A.signals]
1 = "%s"
"""


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (LEAD, ()),
        ("service-lead-9", ("--view", "A=face")),
        ("woven-40", ("--view", "B=top")),
        ("ata80c-host-to-master-black", ()),
        ("rs232-de9-null-modem-full-handshake", ()),
        ("xlr3-straight", ()),
        ("idc26-to-db25-row-matched", ()),
    ],
)
def test_a_sheet_on_a_terminal(name: str, words: tuple[str, ...], pinwright: Any, golden: Any) -> None:
    ran = pinwright("sheet", name, *words)
    assert (0, "") == (ran.status, ran.err)
    golden(f"sheet-{name}", ran)


def test_pdf_and_page_are_written_and_named(pinwright: Any, tmp_path: Path) -> None:
    pdf, html = tmp_path / "lead.pdf", tmp_path / "lead.html"
    ran = pinwright("sheet", LEAD, "--pdf", pdf, "--html", html, "--view", "B=front")
    assert (0, f"{pdf}\n{html}\n", "") == (ran.status, ran.out, ran.err)
    loaded = find_profile(LEAD, library_folders())
    sheet = build_sheet(loaded.profile, loaded.sha256, {"B": "front"})
    assert build_pdf(loaded.profile, sheet) == pdf.read_bytes()
    assert build_page(loaded.profile, sheet) == html.read_bytes()


def test_what_is_not_confirmed_is_told_first(pinwright: Any, tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    told = 'to_confirm = ["is `A.1` the marked edge", "who has the other end"]'
    file.write_text((OWN % ("My lead", "here", "X")).replace("[ends.A]", f"{told}\n[ends.A]", 1))
    lines = pinwright("sheet", file).out.splitlines()
    assert [
        "",
        "Not yet confirmed:",
        "- is `A.1` the marked edge",
        "- who has the other end",
        "",
        "Parts",
    ] == [line.rstrip() for line in lines[2:8]]


@pytest.mark.parametrize("option", ["--pdf", "--html"])
def test_a_file_that_is_there_is_not_touched(option: str, pinwright: Any, tmp_path: Path) -> None:
    file = tmp_path / "x"
    file.write_text("mine")
    assert "exists already; it was not touched" in pinwright("sheet", LEAD, option, file).error(2)
    assert "mine" == file.read_text()
    assert "cannot be written" in pinwright("sheet", LEAD, option, tmp_path / "none" / "x").error(2)
    assert "needs a name" in pinwright("sheet", LEAD, option, "").error(2)


def test_the_document_has_all_of_the_sheet(pinwright: Any, tmp_path: Path) -> None:
    ran = pinwright("sheet", LEAD, "--json")
    assert 0 == ran.status
    told = ran.document
    assert ("pinwright/sheet-1", LEAD, "B") == (told["schema"], told["id"], told["revision"])
    (strand,) = told["strands"]
    assert 40 == len(strand["rows"])
    nine = strand["rows"][8]
    assert (9, "GND", ["A.9", "B.36"]) == (
        nine["number"],
        nine["signal"],
        [spot["pin"] for spots in nine["spots"] for spot in spots],
    )
    file = tmp_path / "lead.html"
    assert [str(file)] == pinwright("sheet", LEAD, "--json", "--html", file).document["files"]


@pytest.mark.parametrize(
    ("view", "part"),
    [
        ("B", "`--view B` should be written END=SIDE, such as `--view B=front`; the sides are front, face"),
        ("B=sideways", "should be written END=SIDE"),
        ("=front", "should be written END=SIDE"),
        ("Z=front", "`--view Z=…`: there is no such end; the ends are A, B"),
        ("\x1b[31m=front", "there is no such end"),
    ],
)
def test_a_view_that_makes_no_sense_is_refused(view: str, part: str, pinwright: Any) -> None:
    told = pinwright("sheet", LEAD, "--view", view).error(2)
    assert part in told
    assert "\x1b" not in told


def test_an_end_named_twice_is_refused(pinwright: Any) -> None:
    ran = pinwright("sheet", LEAD, "--view", "B=front", "--view", "B=behind")
    assert "`--view` names end `B` twice" in ran.error(2)


def test_a_profile_that_is_not_there_is_refused(pinwright: Any) -> None:
    assert "no-such-lead" in pinwright("sheet", "no-such-lead").error(2)


def test_a_file_of_ones_own_is_scanned_by_its_name(pinwright: Any, tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(OWN % ("My lead", "here", "X"))
    ran = pinwright("sheet", file)
    assert 0 == ran.status
    assert "Prove it with `pinwright scan mine.toml`" in " ".join(ran.out.split())


def test_words_of_a_file_command_no_terminal(pinwright: Any, tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(OWN % ("[bold]x[/]", "`$(reboot)`", "[link=http://x]y"))
    ran = pinwright("sheet", file)
    assert (0, "") == (ran.status, ran.err)
    for text in ("[bold]x[/]", "`$(reboot)`", "[link=http://x]y"):
        assert text in ran.out
    assert "\x1b" not in ran.out


def test_a_terminal_that_knows_ascii_only_gets_a_sheet_too(process: Any) -> None:
    ran = process("sheet", LEAD, PYTHONIOENCODING="ascii")
    assert 0 == ran.status
    assert "2 CLOCK |  >1  40  | 1 GND" in ran.out
    assert ran.out.isascii()


def test_a_sheet_on_a_terminal_with_colours(on_a_terminal: Any) -> None:
    status, told = on_a_terminal("sheet", LEAD)
    assert 0 == status
    assert "40  right row, first from the top" in told
    assert json.dumps("\x1b[")[1:-1] in json.dumps(told)
