"""The 128-point tester's circuit as data: every part, every pin, every net.

Built from board.toml and channels.csv, and from pico.csv, which says what a Pico's pins are. Netlist, parts
list, rule checks, layout, drawings and the tables of the build guide are all made from `circuit()`. Standard
library only.

    parts = circuit()
    nets(parts)["P17"]                  [("J1", "18"), ("RN3", "2")]
    fitted(parts, "small")              what the small population has

Nets: `P0` to `P127` are the socket side of a point's series resistor, `X0` to `X127` its chip side. `3V3` is
the Pico's own supply, `VIO` what the expanders get of it through the shunt. `SCK`, `MOSI`, `MISO`, `CS` and
`RESET` are the expanders' side of the damping resistors, `SCK_A1` and so on the Pico's side.

Pinouts: MCP23S17 from its data sheet (Microchip DS20001952C, table 1-1); isolated DIP-16 networks, 2N3904,
and the order of the two modules' pins from memory: the modules' order is printed on the board, so that a
module that differs is noticed before it is plugged in.
"""

from __future__ import annotations

import csv
import tomllib
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent

KINDS = (
    "input",
    "output",
    "three-state",  # an output that lets go: several may share a net
    "bidirectional",
    "passive",
    "power in",
    "power out",
    "no connect",  # unconnected on purpose; its net is ""
)
# What each population fits: the values of `Part.population` that it has.
POPULATIONS = {"full": ("both", "full", "optional"), "small": ("both", "optional")}
SMALL_CHIPS = 5
SOCKETS = {"J1": 40, "S1": 40, "J2": 40, "PROBE": 1, "REF": 4, "SPARE": 3}  # and how many positions they have
_LANE = "; small population: only if the ohms lane is wanted"  # in notes
BLOCKS = ("controller", "expanders", "networks", "lane", "references", "sockets", "panel", "board")

EXPANDER_PINS = {  # number → name and kind; DS20001952C, table 1-1, 28-pin packages
    **{str(1 + bit): (f"GPB{bit}", "bidirectional") for bit in range(8)},
    "9": ("VDD", "power in"),
    "10": ("VSS", "power in"),
    "11": ("CS", "input"),
    "12": ("SCK", "input"),
    "13": ("SI", "input"),
    "14": ("SO", "three-state"),
    "15": ("A0", "input"),
    "16": ("A1", "input"),
    "17": ("A2", "input"),
    "18": ("RESET", "input"),
    "19": ("INTB", "output"),
    "20": ("INTA", "output"),
    **{str(21 + bit): (f"GPA{bit}", "bidirectional") for bit in range(8)},
}
CONVERTER_PINS = ("VDD", "GND", "SCL", "SDA", "ADDR", "ALRT", "A0", "A1", "A2", "A3")
DISPLAY_PINS = ("GND", "VCC", "SCL", "SDA")

DIP28 = "Package_DIP:DIP-28_W7.62mm_Socket"
DIP16 = "Package_DIP:DIP-16_W7.62mm"
RESISTOR = "Resistor_THT:R_Axial_DIN0207_L6.3mm_D2.5mm_P10.16mm_Horizontal"
DISC = "Capacitor_THT:C_Disc_D5.0mm_W2.5mm_P2.50mm"
ELECTROLYTIC = "Capacitor_THT:CP_Radial_D6.3mm_P2.50mm"
POWER_DIODE = "Diode_THT:D_DO-41_SOD81_P10.16mm_Horizontal"
SMALL_DIODE = "Diode_THT:D_DO-35_SOD27_P7.62mm_Horizontal"
LAMP = "LED_THT:LED_D5.0mm"
BOX = "Connector_IDC:IDC-Header_2x20_P2.54mm_Vertical"
ZIF = "Socket:DIP_Socket-40_W11.9_W12.7_W15.24_W17.78_W18.5_3M_240-1280-00-0602J"
TERMINAL = "TerminalBlock_Phoenix:TerminalBlock_Phoenix_MKDS-1,5-2-5.08_1x02_P5.08mm_Horizontal"


@dataclass(frozen=True)
class Pin:
    """One pin of a part. kind: one of `KINDS`; net: "" only where the kind is "no connect"."""

    number: str
    name: str
    kind: str
    net: str


@dataclass(frozen=True)
class Part:
    """One part on the board.

    package: what it is called in shops; footprint: its place in KiCad's library, `library:name`, or
    `pinwright:name` for those that layout.py makes. number: the generic part number, "" if there is none.
    population: "both", "full" (the small population leaves it out) or "optional" (either, where wanted).
    pins: () for what is only mechanical. block: one of `BLOCKS`, the sheet of the schematic.
    """

    ref: str
    value: str
    package: str
    footprint: str
    number: str
    note: str
    population: str
    pins: tuple[Pin, ...]
    block: str


@dataclass(frozen=True)
class Extra:
    """Something to buy that has no place of its own on the board. full, small: how many."""

    value: str
    package: str
    number: str
    note: str
    full: int
    small: int


def read_source(folder: Path = HERE) -> tuple[dict, list[dict[str, str]]]:
    """board.toml, and channels.csv as one row a point."""
    with (folder / "board.toml").open("rb") as file:
        board = tomllib.load(file)
    with (folder / "channels.csv").open(newline="", encoding="utf-8") as file:
        return board, list(csv.DictReader(file))


def read_pico(folder: Path = HERE) -> dict[int, str]:
    """A Pico's pins: number → name, such as `GP0` or `GND`."""
    with (folder / "pico.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    if [int(row["pin"]) for row in rows] != list(range(1, 41)):
        raise SystemExit("pico.csv: pins must be 1, 2, … 40 in order")
    for row in rows:
        if row["gpio"] and row["name"] != f"GP{row['gpio']}":
            raise SystemExit(f"pico.csv: pin {row['pin']} is called {row['name']}, but is GPIO {row['gpio']}")
    return {int(row["pin"]): row["name"] for row in rows}


def circuit(folder: Path = HERE) -> tuple[Part, ...]:
    """Every part of the board, in the order of the blocks. folder: where board.toml and channels.csv are.

    Exits with a sentence if those do not make a board.
    """
    board, rows = read_source(folder)
    _insist_on_sound(rows)
    return (
        *_controller(board["pico"] | board["optional"]),
        *_expanders(rows),
        *_networks(rows),
        *_lane(),
        *_references(board["references"], rows),
        *_sockets(rows),
        *_panel(),
        *(
            Part(
                f"H{k}",
                "M3",
                "3.2 mm hole",
                "MountingHole:MountingHole_3.2mm_M3",
                "",
                "a hole for a standoff",
                "both",
                (),
                "board",
            )
            for k in range(1, 5)
        ),
    )


def nets(parts: Iterable[Part]) -> dict[str, list[tuple[str, str]]]:
    """Net → its (reference, pin number), in the order of the parts; unconnected pins are in none."""
    found: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for part in parts:
        for pin in part.pins:
            if pin.net:
                found[pin.net].append((part.ref, pin.number))
    return dict(found)


def fitted(parts: Iterable[Part], population: str) -> tuple[Part, ...]:
    """The parts that a population has, optional ones among them."""
    return tuple(part for part in parts if part.population in POPULATIONS[population])


def extras() -> tuple[Extra, ...]:
    """What to buy besides the parts that stand on the board."""
    square = "2.54 mm, for square pins of 0.64 mm, 8.5 mm high"
    first, form, bar = "the first power-up", "the form, FIRST-BOARD.md", "the shorting bar for J1 and J2"
    bare = "if it comes without pins"
    bridge = "the bridge, adapters/sheets/bridge.md"
    wanted = "where S1 is to take a 2×20 socket, or the bar for J1 and J2; a full board likewise: " + bridge
    return (
        Extra("printed circuit board", "", "", "from the archive of Gerber files, 1.6 mm, two layers", 1, 1),
        Extra("socket, 28-pin", "DIP, 7.62 mm", "", "for U1 to U8; turned-pin ones hold better", 8, 5),
        Extra("socket strip, 1×20", square, "", "for A1; no turned-pin ones", 2, 2),
        Extra("socket strip, 1×10", square, "", "for J3, the converter's module" + _LANE, 1, 0),
        Extra("socket strip, 1×4", square, "", "for J4, the display; where wanted", 1, 1),
        Extra("pin strip, 1×20", "2.54 mm", "", "under the Pico, " + bare, 2, 2),
        Extra("pin strip, 1×10", "2.54 mm", "", "under J3's module, " + bare + _LANE, 1, 0),
        Extra("pin strip, 1×4", "2.54 mm", "", "under J4's module, " + bare, 1, 1),
        Extra("standoff and screw, M3", "10 mm or more", "", "one in each corner", 4, 4),
        Extra("test lead with a clip or tip", "", "", "the probe, at J5", 1, 0),
        Extra("USB cable", "micro-B", "", "with data wires", 1, 1),
        Extra("wire, socket and pin, 10 cm or more", "2.54 mm", "", first + ": from J7 to the clips", 3, 3),
        Extra(
            "clip lead, clips with sleeves", "", "", first + ": two for the supply, one for the meter", 3, 3
        ),
        Extra("resistor, 39 Ω", "1 W or more", "", first + ", where no supply has a current limit", 1, 1),
        Extra("USB cable to cut", "type A", "", "likewise: the 5 V", 1, 1),
        Extra("crimped socket, 2×20", "2.54 mm, for ribbon, with a key", "", bar, 1, 1),
        Extra("ribbon, 40 conductors, 10 cm", "1.27 mm", "", bar, 1, 1),
        Extra("socket, 40-pin, turned pins", "DIP, 15.24 mm", "", "the shorting bar for S1", 1, 1),
        Extra("bare wire, 20 cm", "0.5 to 0.6 mm, tinned", "", "the shorting bar for S1", 1, 1),
        Extra(
            "wire, a socket at both ends, 20 cm", "2.54 mm", "", "the first cable, and resistors in it", 6, 4
        ),
        Extra("resistor, 100 Ω 1 %", "axial", "", "to spoil the first cable; " + form + _LANE, 1, 0),
        Extra("resistor, 10.0 Ω 1 %", "axial", "", form + _LANE, 1, 0),
        Extra("resistor, 100 kΩ 1 %", "axial", "", form + _LANE, 1, 0),
        Extra("resistor, 4.7 10 22 47 68 100 220 kΩ", "axial", "", form + "; one of each", 7, 7),
        Extra("stripboard, 20 strips × 9 holes", "2.54 mm", "", wanted, 0, 1),
        Extra("box header, 2×20", "2.54 mm, straight", "", bridge, 0, 1),
        Extra("pin strip, 1×20, pins of 0.5 mm", "2.54 mm", "", bridge + "; no square ones of 0.64 mm", 0, 2),
    )


def _insist_on_sound(rows: list[dict[str, str]]) -> None:
    """Every port has its eight pins, every socket its positions from 1 on, each once."""
    ports: dict[tuple[str, str], list[str]] = defaultdict(list)
    pins: dict[str, list[str]] = defaultdict(list)
    for row in rows:
        ports[row["chip"], row["chip_pin"][:-1]].append(row["chip_pin"])
        pins[row["socket"]].append(row["pin"])
    for (chip, port), names in ports.items():
        if port not in ("GPA", "GPB") or sorted(names) != [f"{port}{bit}" for bit in range(8)]:
            raise SystemExit(f"channels.csv: chip {chip}, {port}: not eight pins from 0 to 7")
    for socket, numbers in pins.items():
        if sorted(numbers) != sorted(str(k + 1) for k in range(len(numbers))):
            raise SystemExit(f"channels.csv: {socket}: its pins are not 1 to {len(numbers)}")
    found = {socket: len(numbers) for socket, numbers in pins.items()}
    if found != SOCKETS:
        raise SystemExit(f"channels.csv: sockets {found}; the board has {SOCKETS}")


def _is_small(chip: int) -> str:
    return "both" if chip < SMALL_CHIPS else "full"


def _resistor(ref: str, ohms: str, ends: tuple[str, str], block: str, note: str, **more: str) -> Part:
    pins = tuple(Pin(str(k), str(k), "passive", net) for k, net in enumerate(ends, start=1))
    return Part(
        ref,
        ohms,
        more.get("package", "axial, 0.25 W, 10.16 mm"),
        RESISTOR,
        more.get("number", ""),
        note,
        more.get("population", "both"),
        pins,
        block,
    )


def _ceramic(ref: str, value: str, ends: tuple[str, str], block: str, note: str, **more: str) -> Part:
    pins = tuple(Pin(str(k), str(k), "passive", net) for k, net in enumerate(ends, start=1))
    package = "disc or block, 2.5 mm, 16 V or more"
    return Part(ref, value, package, DISC, "", note, more.get("population", "both"), pins, block)


def _controller(pico: Mapping[str, int]) -> list[Part]:
    """The Pico, its bus with the damping resistors, the supply.

    Damping: 47 Ω at the Pico's end of the lines that it drives takes the ringing off a clock of some 0.35 m
    with edges of a nanosecond or two (a second edge would be a second bit), and costs 7 ns at most (47 Ω ·
    150 pF). When points are overloaded VIO may fall far below 3V3; the same resistors, and 470 Ω in RESET,
    then limit what flows from the Pico into the chips. A VIO that is pushed above 3V3 comes to the Pico over
    MISO: the 220 Ω there, where nothing is left to damp, limit that, and cost 2 ns (10 pF of a pin, assumed).
    Pull-ups go to 3V3, not VIO: what they carry must not pass the shunt.
    """
    at = {
        f"GP{pico['SPI_SCK']}": ("SCK_A1", "output"),
        f"GP{pico['SPI_MOSI']}": ("MOSI_A1", "output"),
        f"GP{pico['SPI_MISO']}": ("MISO_A1", "input"),
        f"GP{pico['SPI_CS']}": ("CS_A1", "output"),
        f"GP{pico['EXPANDER_RESET']}": ("RESET_A1", "output"),
        f"GP{pico['I2C_SDA']}": ("SDA", "bidirectional"),
        f"GP{pico['I2C_SCL']}": ("SCL", "bidirectional"),
        f"GP{pico['LAMP_RED']}": ("LAMP_RED", "output"),
        f"GP{pico['LAMP_GREEN']}": ("LAMP_GREEN", "output"),
        f"GP{pico['BUTTON']}": ("BUTTON", "input"),
        f"GP{pico['BUZZER']}": ("BUZZER", "output"),
        "GND": ("GND", "passive"),
        "AGND": ("GND", "passive"),
        "3V3": ("3V3", "power out"),
        "VSYS": ("VSYS", "power out"),
    }
    pins = []
    for k, name in read_pico().items():
        net, kind = at.get(name, ("", "no connect"))
        if k == 38:  # one of its grounds is what feeds the net, for the rule check
            kind = "power out"
        pins.append(Pin(str(k), name, kind, net))
    damping = "any carbon or metal film; 33 to 68 Ω does"
    pull_up = "any; 4.7 to 22 kΩ does"
    return [
        Part(
            "A1",
            "Pico",
            "module, 2 × 20 pins, 17.78 mm apart",
            "pinwright:Pico_sockets",
            "Raspberry Pi Pico",
            "the plain one with an RP2040; not the Pico 2, nor a W, whose GP23 is something else",
            "both",
            tuple(pins),
            "controller",
        ),
        _resistor("R1", "47 Ω", ("SCK_A1", "SCK"), "controller", damping),
        _resistor("R2", "47 Ω", ("MOSI_A1", "MOSI"), "controller", damping),
        _resistor("R3", "220 Ω", ("MISO_A1", "MISO"), "controller", "any; 150 to 330 Ω does"),
        _resistor("R4", "47 Ω", ("CS_A1", "CS"), "controller", damping),
        _resistor("R5", "470 Ω", ("RESET_A1", "RESET"), "controller", "any; 330 Ω to 1 kΩ does"),
        _resistor("R6", "10 kΩ", ("3V3", "RESET"), "controller", pull_up),
        _resistor("R7", "10 kΩ", ("3V3", "CS"), "controller", pull_up),
        Part(
            "C9",
            "100 µF",
            "radial, 6.3 mm, 2.5 mm, 6.3 V or more",
            ELECTROLYTIC,
            "",
            "47 to 220 µF does; mind the polarity",
            "both",
            (Pin("1", "+", "passive", "3V3"), Pin("2", "−", "passive", "GND")),
            "controller",
        ),
        _ceramic("C10", "100 nF", ("3V3", "GND"), "controller", "X7R"),
        Part(
            "D1",
            "3.6 V zener",
            "DO-41",
            POWER_DIODE,
            "1N4729A",
            "1 W, 5 %, of 3.6 V and no other; it draws some tens of mA all the time, the price of what it "
            "protects",
            "both",
            (Pin("1", "K", "passive", "3V3"), Pin("2", "A", "passive", "GND")),
            "controller",
        ),
    ]


def _expanders(rows: list[dict[str, str]]) -> list[Part]:
    """U1 to U8, address = number − 1, and a capacitor for each. INTA and INTB stay unconnected."""
    parts: list[Part] = []
    wired = {(int(row["chip"]), row["chip_pin"]): f"X{row['point']}" for row in rows}
    chips = sorted({chip for chip, _ in wired})
    for chip in chips:
        bus = {"VDD": "VIO", "VSS": "GND", "CS": "CS", "SCK": "SCK", "SI": "MOSI", "SO": "MISO"}
        bus |= {"RESET": "RESET"}
        bus |= {f"A{k}": "VIO" if chip >> k & 1 else "GND" for k in range(3)}
        pins = []
        for number, (name, kind) in EXPANDER_PINS.items():
            net = bus.get(name) or wired.get((chip, name), "")
            pins.append(Pin(number, name, kind if net else "no connect", net))
        parts.append(
            Part(
                f"U{chip + 1}",
                "MCP23S17",
                "DIP-28, 7.62 mm",
                DIP28,
                "MCP23S17-E/SP",
                "SPI; not the I²C sibling MCP23017, whose newer sheets make two pins output-only",
                _is_small(chip),
                tuple(pins),
                "expanders",
            )
        )
    for chip in chips:
        population = _is_small(chip)
        parts.append(
            _ceramic(f"C{chip + 1}", "100 nF", ("VIO", "GND"), "expanders", "X7R", population=population)
        )
    return parts


def _networks(rows: list[dict[str, str]]) -> list[Part]:
    """RN1 to RN16, one for each port: element k, between pins k and 17 − k, is bit k − 1 of its port.

    Pin k is the socket's side, pin 17 − k the chip's.
    """
    parts = []
    ports: dict[int, dict[int, dict[str, str]]] = defaultdict(dict)
    for row in rows:
        port = 2 * int(row["chip"]) + (row["chip_pin"][2] == "B")
        ports[port][int(row["chip_pin"][3])] = row
    for port in sorted(ports):
        ends = {}
        for bit, row in ports[port].items():
            ends[bit + 1] = f"P{row['point']}"
            ends[16 - bit] = f"X{row['point']}"
        ohms = {row["series_ohms"] for row in ports[port].values()}
        if len(ohms) != 1:
            raise SystemExit(f"channels.csv: chip {port // 2}: a network has one value, not {sorted(ohms)}")
        parts.append(
            Part(
                f"RN{port + 1}",
                f"8 × {ohms.pop()} Ω",
                "DIP-16, 7.62 mm, isolated",
                DIP16,
                "4116R-1-681",
                "eight separate resistors, 2 %, never the bussed kind; better 0.25 W than 0.125 W each, as "
                "−12 V by mistake puts 0.19 W into each; or eight 0.25 W 1 % ones stood on end",
                _is_small(port // 2),
                tuple(Pin(str(k), str(k), "passive", ends[k]) for k in range(1, 17)),
                "networks",
            )
        )
    return parts


def _lane() -> list[Part]:
    """The shunt between 3V3 and VIO, what protects it, and the converter that reads it.

    VIO has no bulk capacitor: one would make each reading wait, and its leak would pass the shunt. AIN2 has
    1 kΩ too: when VIO is forced above 3V3 the converter's input is protected by it.
    """
    converter = {
        "VDD": ("3V3", "power in"),
        "GND": ("GND", "power in"),
        "SCL": ("SCL", "input"),
        "SDA": ("SDA", "bidirectional"),
        "ADDR": ("GND", "input"),
        "ALRT": ("", "no connect"),
        "A0": ("AIN0", "input"),
        "A1": ("AIN1", "input"),
        "A2": ("AIN2", "input"),
        "A3": ("", "no connect"),
    }
    pins = (
        Pin(str(k), name, converter[name][1], converter[name][0])
        for k, name in enumerate(CONVERTER_PINS, start=1)
    )
    film = "metal film, 1 %"
    smooths = "X7R or film; not more: the firmware waits 0.8 ms for it"
    full = {"population": "full"}
    return [
        _resistor(
            "R8",
            "22 Ω 1 %",
            ("3V3", "VIO"),
            "lane",
            "metal film; the shunt, needed without the lane too: it carries the expanders' supply",
            package="axial, 0.6 W, 10.16 mm",
        ),
        Part(
            "D2",
            "1N4001",
            "DO-41",
            POWER_DIODE,
            "1N4001",
            "any of 1N4001 to 1N4007",
            "both",
            (Pin("1", "K", "passive", "3V3"), Pin("2", "A", "passive", "VIO")),
            "lane",
        ),
        Part(
            "J3",
            "ADS1115 module",
            "module, 1×10, 2.54 mm",
            "pinwright:Converter_module",
            "ADS1115 module",
            "pins in this order: " + " ".join(CONVERTER_PINS) + _LANE,
            "full",
            tuple(pins),
            "lane",
        ),
        _resistor("R9", "1 kΩ", ("3V3", "AIN0"), "lane", film + _LANE, **full),
        _resistor("R10", "1 kΩ", ("VIO", "AIN1"), "lane", film + _LANE, **full),
        _resistor("R11", "1 kΩ", ("VIO", "AIN2"), "lane", film + _LANE, **full),
        _ceramic("C11", "47 nF", ("AIN0", "AIN1"), "lane", smooths + _LANE, **full),
        _resistor("R12", "4.7 kΩ", ("3V3", "SDA"), "lane", "any; 2.2 to 10 kΩ does" + _LANE, **full),
        _resistor("R13", "4.7 kΩ", ("3V3", "SCL"), "lane", "any; 2.2 to 10 kΩ does" + _LANE, **full),
    ]


def _references(pairs: list[dict], rows: list[dict[str, str]]) -> list[Part]:
    """What the board joins for the lane's own sake, and pads for the points that serve nothing."""
    judged = "metal film; 1 % does as well: only what changes after the calibration counts"
    known = {0.0: ("0 Ω", "a wire link"), 10.0: ("10.0 Ω 0.1 %", judged)}
    parts = []
    for k, pair in enumerate(pairs, start=14):
        value, note = known[pair["ohms"]]
        one, other = pair["points"]
        parts.append(
            _resistor(f"R{k}", value, (f"P{one}", f"P{other}"), "references", note, population="full")
        )
    spare = [row for row in rows if row["socket"] == "SPARE"]
    pins = tuple(Pin(row["pin"], f"P{row['point']}", "passive", f"P{row['point']}") for row in spare)
    parts.append(
        Part(
            "J6",
            "spare",
            "pads, 1×3, 2.54 mm",
            "Connector_PinHeader_2.54mm:PinHeader_1x03_P2.54mm_Vertical",
            "",
            "points of U8; nothing has to be here, a pin strip where wanted",
            "full",
            pins,
            "references",
        )
    )
    return parts


def _sockets(rows: list[dict[str, str]]) -> list[Part]:
    """J1, S1, J2, and J5 for the probe, both of whose poles are its point."""
    kinds = {
        "J1": ("2×20", "box header, 2×20, 2.54 mm, straight", BOX, "with walls and a notch; no latches"),
        "S1": ("40-pin ZIF", "DIP, 40-pin, 15.24 mm", ZIF, "or a turned-pin DIP-40 socket"),
        "J2": ("2×20", "box header, 2×20, 2.54 mm, straight", BOX, "with walls and a notch; no latches"),
    }
    parts = []
    for name, (value, package, footprint, note) in kinds.items():
        points = {row["pin"]: row["point"] for row in rows if row["socket"] == name}
        pins = tuple(Pin(str(k), str(k), "passive", f"P{points[str(k)]}") for k in range(1, len(points) + 1))
        population = "full" if name == "J2" else "both"
        parts.append(Part(name, value, package, footprint, "", note, population, pins, "sockets"))
    (probe,) = (f"P{row['point']}" for row in rows if row["socket"] == "PROBE")
    parts.append(
        Part(
            "J5",
            "probe",
            "screw terminal, 2-pole, 5.08 mm",
            TERMINAL,
            "",
            "both poles are the same point",
            "full",
            (Pin("1", "PROBE", "passive", probe), Pin("2", "PROBE", "passive", probe)),
            "sockets",
        )
    )
    return parts


def _panel() -> list[Part]:
    """Lamps, and what the firmware has no use for yet: button, buzzer, display. And pins for a meter.

    The buzzer takes some 30 mA, more than a GPIO gives: a transistor drives it, from VSYS, so that the
    expanders' supply does not hear it.
    """
    lamp = "470 Ω: 3 mA"
    yet = "; optional: the firmware does not use it yet"
    optional = {"population": "optional"}
    display = {"GND": ("GND", "power in"), "VCC": ("3V3", "power in"), "SCL": ("SCL", "input")}
    display |= {"SDA": ("SDA", "bidirectional")}
    return [
        _resistor("R16", "470 Ω", ("LAMP_RED", "RED_A"), "panel", lamp),
        _resistor("R17", "470 Ω", ("LAMP_GREEN", "GREEN_A"), "panel", lamp),
        Part(
            "D3",
            "red lamp",
            "LED, 5 mm",
            LAMP,
            "",
            "any red of about 1.9 V; flat side and short lead are K",
            "both",
            (Pin("1", "K", "passive", "GND"), Pin("2", "A", "passive", "RED_A")),
            "panel",
        ),
        Part(
            "D4",
            "green lamp",
            "LED, 5 mm",
            LAMP,
            "",
            "yellow-green, of about 2.1 V; a pure green one of 3.2 V stays dark",
            "both",
            (Pin("1", "K", "passive", "GND"), Pin("2", "A", "passive", "GREEN_A")),
            "panel",
        ),
        Part(
            "SW1",
            "button",
            "6 mm, 4 legs",
            "Button_Switch_THT:SW_PUSH_6mm",
            "",
            "any height" + yet,
            "optional",
            (Pin("1", "1", "passive", "BUTTON"), Pin("2", "2", "passive", "GND")),
            "panel",
        ),
        Part(
            "BZ1",
            "buzzer",
            "12 mm, 7.6 mm",
            "Buzzer_Beeper:Buzzer_12x9.5RM7.6",
            "",
            "with its own oscillator, 3 to 5 V, 40 mA at most" + yet,
            "optional",
            (Pin("1", "+", "passive", "VSYS"), Pin("2", "−", "passive", "BUZZER_C")),
            "panel",
        ),
        Part(
            "Q1",
            "2N3904",
            "TO-92",
            "Package_TO_SOT_THT:TO-92_Inline_Wide",
            "2N3904",
            "legs E B C; a BC547 has them the other way round: turn it" + yet,
            "optional",
            (
                Pin("1", "E", "passive", "GND"),
                Pin("2", "B", "passive", "BUZZER_B"),
                Pin("3", "C", "passive", "BUZZER_C"),
            ),
            "panel",
        ),
        _resistor("R18", "1 kΩ", ("BUZZER", "BUZZER_B"), "panel", "for the buzzer" + yet, **optional),
        Part(
            "D5",
            "1N4148",
            "DO-35",
            SMALL_DIODE,
            "1N4148",
            "for the buzzer" + yet,
            "optional",
            (Pin("1", "K", "passive", "VSYS"), Pin("2", "A", "passive", "BUZZER_C")),
            "panel",
        ),
        Part(
            "J4",
            "SSD1306 module",
            "module, 1×4, 2.54 mm",
            "Connector_PinSocket_2.54mm:PinSocket_1x04_P2.54mm_Vertical",
            "SSD1306 module",
            "128 × 64, I²C, pins in this order: " + " ".join(DISPLAY_PINS) + yet,
            "optional",
            tuple(
                Pin(str(k), name, display[name][1], display[name][0])
                for k, name in enumerate(DISPLAY_PINS, start=1)
            ),
            "panel",
        ),
        Part(
            "J7",
            "meter",
            "pin strip, 1×3, 2.54 mm",
            "Connector_PinHeader_2.54mm:PinHeader_1x03_P2.54mm_Vertical",
            "",
            "GND 3V3 VIO, for the meter and the first power-up; long ends up",
            "both",
            tuple(Pin(str(k), net, "passive", net) for k, net in enumerate(("GND", "3V3", "VIO"), start=1)),
            "panel",
        ),
    ]
