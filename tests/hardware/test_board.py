"""The committed board: it is the circuit, keeps the rules, and what goes to a maker is what was laid out."""

from __future__ import annotations

import itertools
import math
import os
import re
import shutil
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest

from .board_modules import HARDWARE, boardfile, build, circuit

FOLDER = HARDWARE / "board"
FILE = FOLDER / "tester-128.kicad_pcb"
TEXT = FILE.read_text("utf-8")
BOARD = boardfile.read_board(FILE)
PARTS = circuit.circuit()
SIZE = (177.8, 142.24)  # mm, as hardware/README.md has it
DISPLAY, CONVERTER = 27.8, 28.0  # mm, the widest of their modules: assumed


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


KCT_LOOKED = {
    what: {"state": "checked"}
    for what in ("clearance", "connectivity", "edge", "dimensions", "netlist", "isolated_copper")
}


@pytest.mark.parametrize(
    ("rule", "severity", "items", "counts"),
    [
        ("silk_over_copper", "warning", ["8 × 680", "RN13 pad 11"], False),
        ("silk_overlap", "warning", ["ADDR", "SDA"], False),
        ("pin1_marker_missing", "warning", ["J1"], False),
        ("pin1_marker_missing", "warning", ["J3"], True),
        ("pin1_marker_missing", "warning", ["J1", "U1"], True),
        ("pin1_marker_missing", "warning", [], True),
        ("pin1_marker_obscured", "warning", ["S1"], False),
        ("pin1_marker_obscured", "warning", ["J1"], True),
        ("silk_over_copper", "error", ["RN13 pad 11"], True),
        ("not_known", "warning", ["J1"], True),
        ("not_known", "grave", ["J1"], True),
        ("connector_edge_distance", "info", ["J7"], False),
    ],
)
def test_only_those_warnings_of_kct_are_waived_that_have_a_reason(
    rule: str, severity: str, items: list[str], counts: bool
) -> None:
    one = {"rule_id": rule, "severity": severity, "items": items, "message": "so it is"}
    found = build.told_by_kct({"violations": [one], "coverage": KCT_LOOKED})
    assert ([f"{rule}: so it is"] if counts else []) == found


def test_what_kct_did_not_look_at_is_a_finding() -> None:
    looked = KCT_LOOKED | {"edge": {"state": "skipped"}}
    assert ["kct did not check edge"] == build.told_by_kct({"violations": [], "coverage": looked})


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


@pytest.mark.parametrize(
    ("tap", "pad", "net"), [("R9.1", "R8.1", "3V3"), ("R10.1", "R8.2", "VIO")], ids=lambda name: name
)
def test_what_measures_the_lane_meets_nothing_else_but_at_its_resistor(tap: str, pad: str, net: str) -> None:
    """No other part's current flows in a track that hangs on the rest of the net by that pad alone."""
    whole = {f"{part.ref}.{pin.number}" for part in PARTS for pin in part.pins if pin.net == net}
    assert [whole] == boardfile.pieces(BOARD, net)
    cut = boardfile.pieces(BOARD, net, pad)
    assert {tap} in cut
    assert whole - {pad} == set().union(*cut)


def test_a_track_that_joins_what_measures_is_noticed() -> None:
    """From R9 to the display's supply, straight down and across."""
    pads = {f"{part.ref}.{pad.number}": pad.at for part in boardfile.placed(BOARD) for pad in part.pads}
    (x1, y1), (x2, y2) = pads["R9.1"], pads["J4.2"]
    net = re.search(r'\(net (\d+) "3V3"\)', TEXT)[1]
    more = "".join(
        f'(segment (start {a[0]} {a[1]}) (end {b[0]} {b[1]}) (width 0.3) (layer "F.Cu") (net {net}))'
        for a, b in itertools.pairwise([(x1, y1), (x1, y2), (x2, y2)])
    )
    cut = boardfile.pieces(boardfile.sexpr.read(re.sub(r"\)\s*\Z", f"{more})", TEXT)), "3V3", "R8.1")
    assert any({"R9.1", "J4.2"} <= piece for piece in cut)


def test_pieces_are_not_told_of_a_net_that_is_poured() -> None:
    with pytest.raises(ValueError, match="GND is poured"):
        boardfile.pieces(BOARD, "GND")


def sides(ref: str) -> tuple[float, float]:
    """Left and right of a part's lines, in mm."""
    part = next(part for part in boardfile.placed(BOARD) if part.ref == ref)
    xs = [x for shape in part.shapes if shape.layer in ("F.Fab", "F.SilkS") for x, _ in shape.points]
    return min(xs), max(xs)


def test_the_display_has_room_between_the_converter_and_the_box_of_j2() -> None:
    """Both modules stick out evenly at the sides of their pins."""
    (left, right), (a, b) = sides("J4"), sides("J3")
    display = ((left + right - DISPLAY) / 2, (left + right + DISPLAY) / 2)
    converter = (a + b + CONVERTER) / 2
    assert display[0] - converter >= 1.5
    assert sides("J2")[0] - display[1] >= 1.5
    assert sides("A1")[1] + 1.5 <= (a + b - CONVERTER) / 2


def test_no_ribbon_from_j2_hides_a_lamp() -> None:
    """Whichever way it leaves; nor does the converter's module, which may hang to either side."""
    for lamp in ("D3", "D4"):
        assert sides(lamp)[1] < min(sides("J2")[0], sum(sides("J3")) / 2 - CONVERTER / 2)


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


def test_nothing_is_flashed_where_a_hole_is_that_has_no_copper(gerbers: dict[str, str]) -> None:
    """A mark of the hole in the copper is copper, one on the silk is ink; a pad or via is flashed once."""
    placed = boardfile.placed(BOARD)
    plated = [pad.at for part in placed for pad in part.pads if pad.number] + boardfile.vias(BOARD)
    plated = [(round(x, 3), round(y, 3)) for x, y in plated]
    assert 4 == sum(not pad.number for part in placed for pad in part.pads)
    for name, expected in (
        ("F_Cu.gtl", Counter(plated)),
        ("B_Cu.gbl", Counter(plated)),
        ("F_Silkscreen.gto", Counter()),
        ("B_Silkscreen.gbo", Counter()),
    ):
        flashed = re.findall(r"^X(-?\d+)Y(-?\d+)D03\*$", gerbers[f"tester-128-{name}"], re.M)
        assert expected == Counter((round(int(x) / 1e6, 3), round(int(y) / -1e6, 3)) for x, y in flashed), (
            name
        )


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
        ("board/top.svg", "", "board/top.svg: missing, or not what was made"),
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


Box = tuple[float, float, float, float]  # left, top, right, bottom in mm


def wide(words: str, letter: float) -> float:
    """About how wide words are whose ordinary letters are as wide as that."""
    return letter * sum(0.5 if one in " .,-()ijlrtI" else 1.4 if one in "mMWΩ%" else 1.0 for one in words)


def overlap(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def overlaps(words: list[tuple[str, Box]], spots: list[tuple[str, Box]]) -> list[str]:
    """Which words lie on which, and on which other things, or outside the board."""
    found = [
        f"{one} on {other}"
        for (one, box), (other, there) in itertools.combinations(words, 2)
        if overlap(box, there)
    ]
    for one, box in words:
        found += sorted({f"{one} on {other}" for other, there in spots if overlap(box, there)})
    board = (0.3, 0.3, SIZE[0] - 0.3, SIZE[1] - 0.3)
    found += [
        f"{one} outside"
        for one, (left, top, right, bottom) in words
        if left < board[0] or top < board[1] or right > board[2] or bottom > board[3]
    ]
    return found


def along(points: list[tuple[float, float]]) -> Iterator[tuple[float, float]]:
    """Places on a line of points, 0.3 mm apart at most."""
    for (x1, y1), (x2, y2) in itertools.pairwise(points):
        steps = math.ceil(math.dist((x1, y1), (x2, y2)) / 0.3) or 1
        yield from ((x1 + (x2 - x1) * k / steps, y1 + (y2 - y1) * k / steps) for k in range(steps + 1))


def boxes_of_the_drawing(text: str) -> tuple[list[tuple[str, Box]], list[tuple[str, Box]]]:
    """The words of the assembly drawing; its pads, holes and lines; each with its name. Not its foot."""
    words, spots = [], []
    space = "{http://www.w3.org/2000/svg}"
    for group in ElementTree.fromstring(text).iter(f"{space}g"):
        ref = group.get("data-ref")
        for one in group.iter(f"{space}text"):
            x, y, size = (float(one.get(name)) for name in ("x", "y", "font-size"))
            across = wide(one.text, size * (0.76 if one.get("font-weight") == "bold" else 0.63))
            left = x - across * {"start": 0.0, "middle": 0.5, "end": 1.0}[one.get("text-anchor")]
            low = y + (0.36 if one.get("dominant-baseline") else 0.0) * size
            deep = 0.22 if set("gjpqyµ,") & set(one.text) else 0.0
            box = (left, low - 0.73 * size, left + across, low + deep * size)
            if one.get("transform"):
                cx, cy = map(float, re.fullmatch(r"rotate\(-90 (\S+) (\S+)\)", one.get("transform")).groups())
                box = (cx + box[1] - cy, cy - box[2] + cx, cx + box[3] - cy, cy - box[0] + cx)
            words.append((f"{ref} {one.text}", box))
        for one in group.iter(f"{space}circle"):
            x, y, radius = (float(one.get(name)) for name in ("cx", "cy", "r"))
            if one.get("fill") != "none" or ref[0] == "H":
                spots.append((f"a pad of {ref}", (x - radius, y - radius, x + radius, y + radius)))
            else:
                rim = [(x + radius * math.cos(k / 8), y + radius * math.sin(k / 8)) for k in range(52)]
                spots += [(f"a line of {ref}", (*at, *at)) for at in along(rim)]
        for one in group.iter(f"{space}rect"):
            x, y, width, height = (float(one.get(name)) for name in ("x", "y", "width", "height"))
            if width == height == 1.2:
                spots.append((f"a pad of {ref}", (x, y, x + width, y + height)))
        for one in group.iter(f"{space}polyline"):
            points = [tuple(map(float, at.split(","))) for at in one.get("points").split()]
            spots += [(f"a line of {ref}", (*at, *at)) for at in along(points)]
    return words, spots


def test_all_words_of_the_assembly_drawing_can_be_read() -> None:
    text = (FOLDER / "assembly.svg").read_text("utf-8")
    assert min(map(float, re.findall(r'font-size="([^"]*)"', text))) >= 1.2  # mm
    words, spots = boxes_of_the_drawing(text)
    pins = sum(len(part.pads) for part in boardfile.placed(BOARD))
    assert pins == sum(name.startswith("a pad") for name, _ in spots)
    holes = sum(not part.pins for part in PARTS)
    assert 2 * len(PARTS) - holes == len(words)  # a hole has no value
    assert [] == overlaps(words, spots)


def test_words_in_each_other_s_way_are_noticed() -> None:
    """R13's name moved onto R12's, J6's value onto its pin, a lamp's onto the edge."""
    text = (FOLDER / "assembly.svg").read_text("utf-8")

    def moved(words: str, x: str, y: str) -> list[str]:
        to = rf'<text x="{x}" y="{y}" \1>{words}</text>'
        bad, count = re.subn(rf'<text x="[^"]*" y="[^"]*" ([^>]*)>{words}</text>', to, text)
        assert 1 == count
        return overlaps(*boxes_of_the_drawing(bad))

    x, y = re.search(r'<text x="([^"]*)" y="([^"]*)" [^>]*>R12</text>', text).groups()
    assert ["R12 R12 on R13 R13"] == moved("R13", x, y)
    assert "J6 spare on a pad of J6" in moved("spare", "166.0", "103.3")
    assert {"J6 spare on a line of J6"} == set(moved("spare", "167.5", "104.2"))
    assert ["D4 green lamp outside"] == moved("green lamp", "134.0", "142.0")


def test_all_words_of_the_silk_can_be_read() -> None:
    """None on a pad, on a via, on other words of its side or over the edge."""
    spots = []
    for part in boardfile.placed(BOARD):
        for pad in part.pads:
            (x, y), (across, down) = pad.at, pad.size
            spots.append(
                (f"a pad of {part.ref}", (x - across / 2, y - down / 2, x + across / 2, y + down / 2))
            )
    spots += [
        (f"a via at {x:g} {y:g}", (x - 0.25, y - 0.25, x + 0.25, y + 0.25)) for x, y in boardfile.vias(BOARD)
    ]
    for layer in ("F.SilkS", "B.SilkS"):
        words = []
        for one in boardfile.silk(BOARD):
            across, down, (x, y) = wide(one.words, 0.95 * one.size) / 2, 0.5 * one.size, one.at
            if one.turn:
                across, down = down, across
            if one.layer == layer:
                words.append((one.words, (x - across, y - down, x + across, y + down)))
        assert len(words) > 100
        assert [] == overlaps(words, spots), layer


def test_the_silk_says_what_goes_where() -> None:
    said = boardfile.silk(BOARD)
    above = Counter(one.words for one in said if one.layer == "F.SilkS")
    below = Counter(one.words for one in said if one.layer == "B.SilkS")
    for part in PARTS:
        assert 1 == above[part.ref] - (part.ref == "A1"), part.ref  # a pin of J3 has that name, too
        assert (1 if part.pins else 0) == below[part.ref] - (part.ref == "A1"), part.ref
    assert 9 == above["100n"]
    assert (1, 1) == (above["47n"], above["100 µF"])
    of_meter = {
        pad.number: pad.at for part in boardfile.placed(BOARD) if part.ref == "J7" for pad in part.pads
    }
    for pin, name in (("1", "GND"), ("2", "3V3"), ("3", "VIO")):
        for layer in ("F.SilkS", "B.SilkS"):
            assert any(
                one.words == name and one.layer == layer and math.dist(one.at, of_meter[pin]) < 3.6
                for one in said
            ), (name, layer)


@pytest.mark.parametrize("ref", ["C10", "C11", "C9", "C1", "C8"])
def test_a_capacitor_s_value_stands_beside_that_capacitor(ref: str) -> None:
    value = next(part.value for part in PARTS if part.ref == ref).replace(" nF", "n")
    there = {part.ref: part for part in boardfile.placed(BOARD) if part.ref[0] == "C"}
    capacitors = {name: part.pads[0].at for name, part in there.items()}
    near = min(
        (one for one in boardfile.silk(BOARD) if one.words == value and one.layer == "F.SilkS"),
        key=lambda one: math.dist(one.at, capacitors[ref]),
    )
    assert math.dist(near.at, capacitors[ref]) < 7
    assert ref == min(capacitors, key=lambda name: math.dist(near.at, capacitors[name]))


@pytest.mark.parametrize("side", ["top", "bottom"])
def test_there_is_a_picture_of_either_side(side: str) -> None:
    root = ElementTree.parse(FOLDER / f"{side}.svg").getroot()
    assert [f"{length:g}mm" for length in SIZE] == [root.get("width"), root.get("height")]
    colours = Counter(thing.get(what) for thing in root.iter() for what in ("fill", "stroke"))
    for colour, least in (("#1f7a3d", 1500), ("#d9b45a", 700), ("#202020", 1000)):  # copper, pads, holes
        assert colours[colour] > least


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
