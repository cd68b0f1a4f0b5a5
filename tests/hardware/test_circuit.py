"""The board's circuit: electrical rules, the parts list, the netlist's own form."""

from __future__ import annotations

import csv
import dataclasses
import io
import math
import re
from collections import Counter
from pathlib import Path

import pytest

from .board_modules import HARDWARE, boardfile, build, circuit, electrical, netlist, sexpr

PARTS = circuit.circuit()
BOARD = HARDWARE / "board" / "tester-128.kicad_pcb"
BOM = list(csv.DictReader(io.StringIO((HARDWARE / "bom.csv").read_text("utf-8"))))


def changed(ref: str, pin: str, **facts: str) -> list[circuit.Part]:
    """The circuit with one pin otherwise."""
    parts = {part.ref: part for part in PARTS}
    pins = [dataclasses.replace(p, **facts) if p.number == pin else p for p in parts[ref].pins]
    assert tuple(pins) != parts[ref].pins
    return list((parts | {ref: dataclasses.replace(parts[ref], pins=tuple(pins))}).values())


def test_the_electrical_rules_find_nothing() -> None:
    assert [] == electrical.faults(PARTS)


def test_skidl_finds_nothing_either() -> None:
    try:
        found = build.electrical_findings()
    except build.Missing as missing:
        pytest.skip(str(missing))
    assert [] == found


@pytest.mark.parametrize(
    ("ref", "pin", "facts", "seen"),
    [
        ("R1", "2", {"net": "ELSEWHERE"}, "net ELSEWHERE: only R1 pin 2"),
        ("R1", "2", {"net": ""}, "R1 pin 2 (2): neither in a net nor marked"),
        ("U1", "19", {"net": "GND"}, "U1 pin 19 (INTB): neither in a net nor marked as unconnected, or both"),
        ("U1", "20", {"net": "RESET", "kind": "output"}, ""),
        ("A1", "26", {"net": "SCK_A1"}, "net SCK_A1: driven by A1 pin 24 (GP18) and A1 pin 26 (GP20)"),
        (
            "A1",
            "21",
            {"net": "MISO_A1", "kind": "sideways"},
            "A1 pin 21 (GP16): no kind of pin is `sideways`",
        ),
        ("A1", "36", {"net": "", "kind": "no connect"}, "net 3V3: nothing feeds J3 pin 1 (VDD)"),
        ("A1", "21", {"net": "MISO", "kind": "output"}, "net MISO: driven by A1 pin 21 (GP16) and U1 pin 14"),
        ("R2", "1", {"number": "2"}, "R2: 2 pins are number 2"),
    ],
)
def test_the_electrical_rules_name_what_is_wrong(
    ref: str, pin: str, facts: dict[str, str], seen: str
) -> None:
    found = electrical.faults(changed(ref, pin, **facts))
    assert any(line.startswith(seen) for line in found) if seen else [] == found


def test_a_part_that_is_there_twice_is_named() -> None:
    assert "R1: there are 2 of it" in electrical.faults([*PARTS, *(p for p in PARTS if p.ref == "R1")])


def test_no_pin_can_be_forgotten() -> None:
    connected = [(part.ref, pin.number) for part in PARTS for pin in part.pins if pin.net]
    assert len(connected) > 600
    for ref, pin in connected:
        found = electrical.faults(changed(ref, pin, net=""))
        assert any(line.startswith(f"{ref} pin {pin} (") for line in found)


# DS20001952C, table 1-1 (DIP); data sheets of transistor and diodes (K has the band), and what is printed on
# modules, all from memory.
MCP23S17 = [
    *(f"GPB{k}" for k in range(8)),
    *("VDD", "VSS", "CS", "SCK", "SI", "SO", "A0", "A1", "A2", "RESET", "INTB", "INTA"),
    *(f"GPA{k}" for k in range(8)),
]


@pytest.mark.parametrize(
    ("refs", "names"),
    [
        ("U1–U8", MCP23S17),
        ("J3", ["VDD", "GND", "SCL", "SDA", "ADDR", "ALRT", "A0", "A1", "A2", "A3"]),
        ("J4", ["GND", "VCC", "SCL", "SDA"]),
        ("J7", ["GND", "3V3", "VIO"]),
        ("D1–D5", ["K", "A"]),
        ("Q1", ["E", "B", "C"]),
        ("C9", ["+", "−"]),
    ],
)
def test_pins_are_numbered_as_they_are_on_the_part(refs: str, names: list[str]) -> None:
    parts = {part.ref: part for part in PARTS}
    numbered = [(str(k), name) for k, name in enumerate(names, start=1)]
    for ref in expanded(refs):
        assert numbered == [(pin.number, pin.name) for pin in sorted(parts[ref].pins, key=_number)]


def _number(pin: circuit.Pin) -> int:
    return int(pin.number)


@pytest.mark.parametrize(
    ("refs", "value", "number", "footprint"),
    [
        # The SPI one, in a DIP; not ...23017, and 7.62 mm between its rows.
        ("U1–U8", "MCP23S17", "MCP23S17-E/SP", "DIP-28_W7.62mm_Socket"),
        # -1- is eight isolated resistors, -2- fifteen with a common pin; 681 is 680 ohms.
        ("RN1–RN16", "8 × 680 Ω", "4116R-1-681", "DIP-16_W7.62mm"),
        ("D1", "3.6 V zener", "1N4729A", "D_DO-41_SOD81_P10.16mm_Horizontal"),
        ("D2", "1N4001", "1N4001", "D_DO-41_SOD81_P10.16mm_Horizontal"),
        # With walls and a notch: a plug goes in one way round only.
        ("J1 J2", "2×20", "", "IDC-Header_2x20_P2.54mm_Vertical"),
        ("R8", "22 Ω 1 %", "", "R_Axial_DIN0207_L6.3mm_D2.5mm_P10.16mm_Horizontal"),
        ("R14", "0 Ω", "", "R_Axial_DIN0207_L6.3mm_D2.5mm_P10.16mm_Horizontal"),
        ("R15", "10.0 Ω 0.1 %", "", "R_Axial_DIN0207_L6.3mm_D2.5mm_P10.16mm_Horizontal"),
        ("R9–R11", "1 kΩ", "", "R_Axial_DIN0207_L6.3mm_D2.5mm_P10.16mm_Horizontal"),
        ("C11", "47 nF", "", "C_Disc_D5.0mm_W2.5mm_P2.50mm"),
        ("C1–C8 C10", "100 nF", "", "C_Disc_D5.0mm_W2.5mm_P2.50mm"),
        ("J3", "ADS1115 module", "ADS1115 module", "Converter_module"),
    ],
)
def test_what_is_bought_is_what_the_design_asks_for(
    refs: str, value: str, number: str, footprint: str
) -> None:
    """Told a second time, from the design and the makers' ways of numbering (from memory)."""
    parts = {part.ref: part for part in PARTS}
    for ref in expanded(refs):
        one = parts[ref]
        assert (value, number, footprint) == (one.value, one.number, one.footprint.partition(":")[2])


def test_every_part_says_what_it_is() -> None:
    for part in PARTS:
        assert part.population in {"both", "full", "optional"}
        assert part.block in circuit.BLOCKS
        assert all((part.value, part.package, part.note, ":" in part.footprint))


def test_the_small_population_is_five_expanders_and_what_they_need() -> None:
    small = {part.ref for part in circuit.fitted(PARTS, "small")}
    full = {part.ref for part in circuit.fitted(PARTS, "full")}
    assert {part.ref for part in PARTS} == full
    assert {f"U{k}" for k in range(1, 6)} == {ref for ref in small if ref[0] == "U"}
    assert {f"RN{k}" for k in range(1, 11)} == {ref for ref in small if ref.startswith("RN")}
    assert {"J1", "S1"} == small & {"J1", "S1", "J2"}
    served = {
        p for p, places in circuit.nets(PARTS).items() if p[0] == "P" and {r for r, _ in places} <= small
    }
    assert {f"P{point}" for point in range(80)} == served


def expanded(refs: str) -> list[str]:
    """`C1–C3 C9` as a list."""
    found = []
    for word in refs.split():
        first, _, last = word.partition("–")
        kind, low = re.fullmatch(r"(\D+)(\d+)", first).groups()
        high = re.fullmatch(rf"{kind}(\d+)", last)[1] if last else low
        found += [f"{kind}{k}" for k in range(int(low), int(high) + 1)]
    return found


def test_the_parts_list_has_every_part_once_and_counts_them() -> None:
    placed = [row for row in BOM if row["reference"]]
    bought = [part for part in PARTS if part.block != "board"]
    refs = Counter(ref for row in placed for ref in expanded(row["reference"]))
    assert Counter(part.ref for part in bought) == refs
    for population, column in (("full", "quantity"), ("small", "small")):
        fitted = {part.ref for part in circuit.fitted(bought, population)}
        assert len(fitted) == sum(int(row[column]) for row in placed)
        for row in placed:
            assert len(fitted & set(expanded(row["reference"]))) == int(row[column])


def test_the_parts_list_says_of_each_part_what_the_circuit_says() -> None:
    rows = {ref: row for row in BOM for ref in expanded(row["reference"])}
    for part in PARTS:
        if part.block != "board":
            row = rows[part.ref]
            expected = (part.value, part.package, part.number, part.note)
            assert expected == (row["value"], row["package"], row["part number"], row["note"])


def test_the_parts_list_has_what_stands_under_and_beside_the_parts() -> None:
    others = {row["value"]: (int(row["quantity"]), int(row["small"])) for row in BOM if not row["reference"]}
    chips = sum(part.ref[0] == "U" for part in PARTS)
    assert (chips, circuit.SMALL_CHIPS) == others["socket, 28-pin"]
    holes = sum(part.block == "board" for part in PARTS)
    assert (holes, holes) == others["standoff and screw, M3"]
    assert (1, 1) == others["printed circuit board"]


def test_the_parts_list_has_wires_enough_for_the_first_lead_and_long_enough() -> None:
    """On a full board two of the four may be a resistor each, between two wires. Lengths are the board's."""
    others = {row["value"]: (int(row["quantity"]), int(row["small"])) for row in BOM if not row["reference"]}
    ((wire, counts),) = [one for one in others.items() if one[0].startswith("wire, a socket at both ends")]
    assert (2 + 2 * 2, 4) == counts
    placed = {part.ref: part for part in boardfile.placed(boardfile.read_board(BOARD))}
    at = {ref: next(pad.at for pad in placed[ref].pads if pad.number == "1") for ref in ("J1", "S1", "J2")}
    longest = max(math.dist(at["J1"], at[ref]) for ref in ("S1", "J2"))
    assert 100 < longest < 10 * int(re.search(r"(\d+) cm", wire)[1]) - 30


def test_the_parts_list_has_pins_for_every_module_and_its_small_count_says_why_there_is_none() -> None:
    others = {row["value"]: row for row in BOM if not row["reference"]}
    for ref, strips in (("A1", 2), ("J3", 1), ("J4", 1)):
        pins = sum(part.ref == ref for part in PARTS for _ in part.pins) // strips
        small = sum(part.ref == ref for part in circuit.fitted(PARTS, "small")) * strips
        for kind in ("socket strip", "pin strip"):
            row = others[f"{kind}, 1×{pins}"]
            assert (strips, small) == (int(row["quantity"]), int(row["small"]))
            assert small or "only if the ohms lane is wanted" in row["note"]


def test_references_are_written_in_runs() -> None:
    assert "R1–R3 R7 R8 R10" == netlist.ranges(["R10", "R8", "R2", "R1", "R3", "R7"])


def test_the_netlist_is_the_circuit() -> None:
    text = (HARDWARE / "tester-128.net").read_text("utf-8")
    read = netlist.read_nets(text)
    joined = {net: places for net, places in read.items() if not net.startswith("unconnected-")}
    assert {net: frozenset(places) for net, places in circuit.nets(PARTS).items()} == joined
    alone = {(part.ref, pin.number) for part in PARTS for pin in part.pins if not pin.net}
    assert [{place} for place in sorted(alone)] == sorted(
        set(places) for net, places in read.items() if net not in joined
    )
    components = sexpr.all_of(sexpr.one_of(sexpr.read(text), "components"), "comp")
    assert [(part.ref, part.value, part.footprint) for part in PARTS] == [
        tuple(sexpr.value(one, head) for head in ("ref", "value", "footprint")) for one in components
    ]


@pytest.mark.parametrize(
    ("text", "tree"),
    [
        ("(a)", ["a"]),
        ('(a "b c" (d 1.5 "") e)', ["a", "b c", ["d", "1.5", ""], "e"]),
        (r'(a "say \"Ω\" \\")', ["a", 'say "Ω" \\']),
    ],
)
def test_lists_in_brackets_are_read(text: str, tree: list) -> None:
    assert tree == sexpr.read(text)


@pytest.mark.parametrize("text", ["", "a", "(a", "(a))", "(a) (b)", '"a"'])
def test_what_is_not_one_list_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        sexpr.read(text)


@pytest.mark.parametrize("words", ["", "plain", 'say "Ω"', "back\\slash"])
def test_words_in_quotation_marks_come_back(words: str) -> None:
    assert ["a", words] == sexpr.read(f"(a {sexpr.quoted(words)})")


@pytest.mark.parametrize("head", ["net", "absent"])
def test_a_list_that_is_not_the_only_one_is_refused(head: str) -> None:
    with pytest.raises(ValueError, match=f"of `{head}`"):
        sexpr.one_of(["nets", ["net", "1"], ["net", "2"]], head)


@pytest.mark.parametrize(
    ("row", "becomes", "said"),
    [
        ("0,0,0,GPA0,680,J1,1", "0,0,0,GPA1,680,J1,1", "chip 0, GPA: not eight pins from 0 to 7"),
        ("0,0,0,GPA0,680,J1,1", "0,0,0,GPA0,680,J1,2", "J1: its pins are not 1 to 40"),
        ("0,0,0,GPA0,680,J1,1", "0,0,0,GPA0,470,J1,1", "chip 0: a network has one value"),
        ("GPB7,680,SPARE,3", "GPB7,680,OTHER,1", "the board has"),
    ],
)
def test_channels_that_make_no_board_are_refused(row: str, becomes: str, said: str, tmp_path: Path) -> None:
    (tmp_path / "board.toml").write_bytes((HARDWARE / "board.toml").read_bytes())
    text = (HARDWARE / "channels.csv").read_text("utf-8")
    assert row in text
    (tmp_path / "channels.csv").write_text(text.replace(row, becomes), "utf-8")
    with pytest.raises(SystemExit, match=re.escape(said)):
        circuit.circuit(tmp_path)
