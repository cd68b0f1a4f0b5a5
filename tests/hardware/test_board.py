"""The committed board: it is the circuit, keeps the rules, and what goes to a maker is what was laid out."""

from __future__ import annotations

import os
import re
import shutil
import zipfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from .board_modules import HARDWARE, boardfile, build, circuit

FOLDER = HARDWARE / "board"
FILE = FOLDER / "tester-128.kicad_pcb"
TEXT = FILE.read_text("utf-8")
BOARD = boardfile.read_board(FILE)
PARTS = circuit.circuit()
SIZE = (177.8, 142.24)  # mm, as hardware/README.md has it


@pytest.fixture(scope="module")
def report_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], list[str]]:
    """KiCad's complaints about the text of a board. Without it a person's run skips and a run of CI fails."""
    try:
        build.kicad_python()
    except build.Missing as missing:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(str(missing))

    def report_of(text: str) -> list[str]:
        folder = tmp_path_factory.mktemp("board")
        shutil.copy(FOLDER / "tester-128.kicad_pro", folder)
        (folder / FILE.name).write_text(text, "utf-8")
        return build.rule_findings(build.rule_report(folder / FILE.name))

    return report_of


def test_the_design_rules_find_nothing(report_of: Callable[[str], list[str]]) -> None:
    assert [] == report_of(TEXT)
    kept = (FOLDER / "rules.txt").read_text("utf-8")
    assert [] == build.rule_findings(kept)


def test_a_bad_track_is_found(report_of: Callable[[str], list[str]]) -> None:
    """From pin 1 of J1 straight to its pin 3."""
    pads = {pad.number: pad for part in boardfile.placed(BOARD) if part.ref == "J1" for pad in part.pads}
    (x1, y1), (x2, y2) = pads["1"].at, pads["3"].at
    net = re.search(r'\(net (\d+) "P0"\)', TEXT)[1]
    bad = f'  (segment (start {x1} {y1}) (end {x2} {y2}) (width 0.3) (layer "F.Cu") (net {net})'
    bad += " (tstamp 00000000-0000-4000-8000-000000000001))\n)\n"
    found = report_of(re.sub(r"\)\s*\Z", bad, TEXT))
    assert any("P0" in line and "J1" in line and "P2" in line for line in found), found


def test_a_missing_track_is_found(report_of: Callable[[str], list[str]]) -> None:
    net = re.search(r'\(net (\d+) "X77"\)', TEXT)[1]
    text, count = re.subn(rf"  \(segment [^\n]*\(net {net}\) [^\n]*\n", "", TEXT)
    assert count
    found = report_of(text)
    assert any("unconnected" in line and "X77" in line for line in found), found


def test_a_thin_track_is_found(report_of: Callable[[str], list[str]]) -> None:
    found = report_of(TEXT.replace("(width 0.3)", "(width 0.2)", 1))
    assert any(line.startswith("[track_width]") for line in found), found


@pytest.mark.parametrize(
    "report", ["", "** Found 0 DRC violations **\n", "** Found 0 a **\n** Found 1 b **\n** Found 0 c **\n"]
)
def test_a_report_without_three_counts_of_zero_is_no_clean_one(report: str) -> None:
    assert [] != build.rule_findings(report)


def test_the_board_is_the_circuit() -> None:
    assert [] == boardfile.disagreements(BOARD, PARTS)


@pytest.mark.parametrize(
    ("seen", "becomes", "named"),
    [
        (r'(\(net \d+) "X0"\)', r'\1 "X1")', "U1 pad 21: X1, not X0"),
        (r'(\(pad "19"[^\n]*\(layers[^)]*\))', r'\1 (net 9 "GND")', "U1 pad 19: GND, not no net"),
        ('"MCP23S17"', '"MCP23017"', "U1: MCP23S17"),
        ('"R8"', '"R80"', "R80: on the board only"),
        ("pinwright:Pico_sockets", "pinwright:Other", "A1: Pico, pinwright:Pico_sockets; on the board"),
    ],
)
def test_a_board_that_is_not_the_circuit_is_noticed(
    seen: str, becomes: str, named: str, tmp_path: Path
) -> None:
    text, count = re.subn(seen, becomes, TEXT)
    assert count
    (tmp_path / "board.kicad_pcb").write_text(text, "utf-8")
    said = boardfile.disagreements(boardfile.read_board(tmp_path / "board.kicad_pcb"), PARTS)
    assert any(named in line for line in said), said


def test_the_board_is_as_large_as_it_says_and_has_holes_in_its_corners() -> None:
    assert (0.0, 0.0, *SIZE) == boardfile.outline(BOARD)
    holes = sorted(part.at for part in boardfile.placed(BOARD) if part.ref[0] == "H")
    corner = 4.445
    expected = [(x, y) for x in (corner, SIZE[0] - corner) for y in (corner, SIZE[1] - corner)]
    assert expected == [pytest.approx(hole) for hole in holes]


def test_parts_and_tracks_are_for_a_soldering_iron() -> None:
    pads = [pad for part in boardfile.placed(BOARD) for pad in part.pads if pad.number]
    assert min(min(pad.size) for pad in pads) >= 1.4
    assert " smd " not in TEXT
    widths = {float(width) for width in re.findall(r"\(segment [^\n]*\(width ([\d.]+)\)", TEXT)}
    assert min(widths) >= 0.25


@pytest.fixture(scope="module")
def gerbers() -> dict[str, str]:
    with zipfile.ZipFile(FOLDER / "tester-128-gerbers.zip") as files:
        assert {(1980, 1, 1, 0, 0, 0)} == {entry.date_time for entry in files.infolist()}
        return {name: files.read(name).decode() for name in files.namelist()}


def test_the_archive_for_the_maker_has_every_layer(gerbers: dict[str, str]) -> None:
    assert {
        "tester-128-B_Cu.gbl": "Copper,L2,Bot",
        "tester-128-B_Mask.gbs": "Soldermask,Bot",
        "tester-128-B_Silkscreen.gbo": "Legend,Bot",
        "tester-128-Edge_Cuts.gm1": "Profile,NP",
        "tester-128-F_Cu.gtl": "Copper,L1,Top",
        "tester-128-F_Mask.gts": "Soldermask,Top",
        "tester-128-F_Silkscreen.gto": "Legend,Top",
        "tester-128.drl": "MixedPlating,1,2",
    } == {name: re.search(r"TF\.FileFunction,([^*\n]+)", text)[1] for name, text in gerbers.items()}


def test_the_outline_that_the_maker_gets_is_the_board_s(gerbers: dict[str, str]) -> None:
    text = gerbers["tester-128-Edge_Cuts.gm1"]
    assert "%FSLAX46Y46*%" in text
    assert "%MOMM*%" in text
    ends = [(int(x) / 1e6, int(y) / 1e6) for x, y in re.findall(r"^X(-?\d+)Y(-?\d+)D0[12]\*$", text, re.M)]
    xs, ys = zip(*ends, strict=True)
    assert SIZE == (max(xs) - min(xs), max(ys) - min(ys))


def test_the_maker_drills_every_pad_and_via(gerbers: dict[str, str]) -> None:
    drilled, tool, sizes = Counter(), "", {}
    for line in gerbers["tester-128.drl"].splitlines():
        if found := re.fullmatch(r"(T\d+)C([\d.]+)", line):
            sizes[found[1]] = float(found[2])
        elif re.fullmatch(r"T\d+", line):
            tool = line
        elif re.match(r"X-?[\d.]+Y", line):
            drilled[sizes[tool]] += 1
    pads = sum(len(part.pads) for part in boardfile.placed(BOARD))
    vias = boardfile.copper(BOARD)["vias"]
    assert vias == drilled[0.5]
    assert pads + vias == drilled.total()
    assert 4 == drilled[3.2]
    assert 0.8 <= min(size for size in drilled if size != 0.5)


def test_nothing_of_a_day_or_a_machine_is_in_what_is_kept(gerbers: dict[str, str]) -> None:
    for name, text in {"the board": TEXT, **gerbers}.items():
        assert not re.search(r"20\d\d-\d\d-\d\d|/home|/tmp|/usr", text), name


def test_what_is_kept_is_what_was_made_from_these_sources() -> None:
    assert [] == build.stale()


@pytest.mark.parametrize(
    ("name", "becomes", "said"),
    [
        ("board.toml", "other", "board/: board.toml has changed since it was made"),
        ("tester-128.net", "other", "board/: tester-128.net has changed since it was made"),
        ("board/rules.txt", "other", "board/rules.txt: missing, or not what was made"),
        ("board/top.png", "", "board/top.png: missing, or not what was made"),
        ("board/more.txt", "other", "board/more.txt: not in sources.json"),
    ],
)
def test_what_no_longer_fits_is_named(
    name: str, becomes: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for one in build.SOURCES:
        shutil.copy(HARDWARE / one, tmp_path)
    shutil.copytree(FOLDER, tmp_path / "board")
    monkeypatch.setattr(build, "HERE", tmp_path)
    monkeypatch.setattr(build, "BOARD", tmp_path / "board")
    assert [] == build.stale()
    if becomes:
        (tmp_path / name).write_text(becomes, "utf-8")
    else:
        (tmp_path / name).unlink()
    assert [said] == build.stale()


def test_the_assembly_drawing_is_drawn_from_the_board() -> None:
    made = build.made_from_board(FILE)
    assert {"assembly.svg"} == set(made)
    text = (FOLDER / "assembly.svg").read_text("utf-8")
    assert made["assembly.svg"] == text
    for part in PARTS:
        assert f'data-ref="{part.ref}"' in text
        assert f">{part.ref}</text>" in text


@pytest.mark.parametrize("side", ["top", "bottom"])
def test_there_is_a_picture_of_either_side(side: str) -> None:
    data = (FOLDER / f"{side}.png").read_bytes()
    assert b"\x89PNG\r\n\x1a\n" == data[:8]
    width, height = (int.from_bytes(data[at : at + 4]) for at in (16, 20))
    assert SIZE[0] / SIZE[1] == pytest.approx(width / height, rel=0.01)


@pytest.mark.skipif(os.environ.get("PINWRIGHT_CAMPAIGN") != "full", reason="`build.py --check` by the way")
def test_everything_is_built_again_the_same(tmp_path: Path) -> None:
    try:
        wrong = [f"{what}: {line}" for what, lines in build.check(tmp_path) for line in lines]
    except build.Missing as missing:
        pytest.skip(str(missing))
    assert [] == wrong


def test_without_kicad_it_says_how_to_get_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("PINWRIGHT_KICAD_PYTHON", raising=False)
    monkeypatch.setattr(build, "_PYTHONS", ("no-such-python",))
    with pytest.raises(build.Missing, match="apt-get install --no-install-recommends kicad"):
        build.kicad_python()
    assert 2 == build.main(["--chek"])
    assert "hardware/build.py --check" in capsys.readouterr().err
