"""The pocket tester out of pocket.toml and pico.csv: its wiring table, its parts, a drawing of it.

A breadboard has rows 1, 2, … of five joined holes a to e on the left and five more, f to j, on the right. The
Pico's pins are 17.78 mm apart across, seven holes: they stand in c and h.

pico.csv: the pins of a Raspberry Pi Pico by their place on the board, and the number of the GPIO behind them;
Raspberry Pi Pico data sheet, pinout figure, from memory. The same for a Pico H and a Pico W.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from math import ceil, hypot
from pathlib import Path
from typing import Any

from circuit import read_pico
from drawing import BOARD, BODY, COLOURS, GREY, INK, PAPER, Picture, Point, wrapped
from stripboard import filled, prose

COLUMNS = "abcdefghij"
_HOLE_CM = 0.254  # from hole to hole
_PITCH = 4.2  # the same in the drawing
_GAP = 3  # from e to f, in holes: 7.62 mm
_BENDS_CM = 3.0  # of a wire, for its two pins and the bow between them
_MARGIN = 6.0
_LANE = 1.6
_FIRST_ROWS = {"J1": 25, "J2": 39}  # of the two rows of pins
_LAST_ROW = 52  # that is drawn
At = Callable[[str], Point]  # a hole → its place


@dataclass(frozen=True, slots=True)
class Way:
    """From a pin of the Pico to a pin of a socket. Holes are written like `a12`.

    wire: from the Pico's row to the resistor's. resistor: across the middle. hole: the socket pin's.
    """

    point: int
    gpio: int
    pico: int
    socket: str
    pin: int
    wire: tuple[str, str]
    resistor: tuple[str, str]
    hole: str


def read_pocket(folder: Path) -> dict[str, Any]:
    """What the pocket tester is; its points are the pins of its sockets in order."""
    with (folder / "pocket.toml").open("rb") as file:
        return tomllib.load(file)


def ways(pocket: Mapping[str, Any], pico: Mapping[int, str]) -> list[Way]:
    """J1's wires land on the left, and its pins stand on the right; J2 the other way round, as most of its
    wires come from the Pico's right side."""
    pin_of = {name: pin for pin, name in pico.items()}
    found: list[Way] = []
    for socket, told in pocket["sockets"].items():
        lands, stands = ("a", "j") if socket == "J1" else ("j", "a")
        near, far = ("d", "g") if socket == "J1" else ("g", "d")
        for k, gpio in enumerate(told["gpio"]):
            pin, row = pin_of[f"GP{gpio}"], _FIRST_ROWS[socket] + k
            found.append(
                Way(
                    len(found),
                    gpio,
                    pin,
                    socket,
                    k + 1,
                    (beside(pin), f"{lands}{row}"),
                    (f"{near}{row}", f"{far}{row}"),
                    f"{stands}{row}",
                )
            )
    return found


def beside(pin: int) -> str:
    """The outermost hole of a Pico pin's row: pins 1 to 20 down the left side, 21 to 40 up the right."""
    return f"a{pin}" if pin <= 20 else f"j{41 - pin}"


def wires_cm(found: Iterable[Way]) -> int:
    """What the wires from the Pico to the resistors are sold as that all reach: 5, 10, 15, … cm."""
    across = {name: k + (_GAP - 1) * (k > 4) for k, name in enumerate(COLUMNS)}

    def way_cm(one: str, other: str) -> float:
        return _HOLE_CM * hypot(across[one[0]] - across[other[0]], int(one[1:]) - int(other[1:]))

    return 5 * ceil((max(way_cm(*way.wire) for way in found) + _BENDS_CM) / 5)


def made(folder: Path) -> dict[Path, str]:
    """Every file that follows from pocket.toml and pico.csv, but for the fixture → its text."""
    pocket, pico = read_pocket(folder), read_pico(folder)
    found = ways(pocket, pico)
    text = (folder / "POCKET.md").read_text(encoding="utf-8")
    return {
        folder / "WIRING-POCKET.md": wiring(pocket, found),
        folder / "POCKET.md": filled(text, "parts", parts(pocket, found)),
        folder / "pocket.svg": drawing(pocket, pico, found),
    }


def wiring(pocket: Mapping[str, Any], found: list[Way]) -> str:
    """WIRING-POCKET.md: for a person with a breadboard."""
    board = pocket["board"]
    lines = [
        f"# Wiring of the {board['title']}, revision {board['revision']}",
        "",
        *prose(
            "Made by `hardware/generate.py` from `pocket.toml` and `pico.csv`; do not edit. "
            "[POCKET.md](POCKET.md) says how to build it. Every point goes from its pin of the Pico through "
            f"{board['series_ohms']} Ω to its socket pin; `a12` is the hole in column a of row 12."
        ),
        "",
        "| point | Pico | its pin | wire from | to | series | from | to | socket | pin | in |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
        *(
            f"| {way.point} | GP{way.gpio} | {way.pico} | {way.wire[0]} | {way.wire[1]} "
            f"| {board['series_ohms']} Ω | {way.resistor[0]} | {way.resistor[1]} "
            f"| {way.socket} | {way.pin} | {way.hole} |"
            for way in found
        ),
    ]
    return "\n".join(lines) + "\n"


def parts(pocket: Mapping[str, Any], found: list[Way]) -> list[str]:
    """The table of what to buy."""
    ohms, rows, points = pocket["board"]["series_ohms"], len(pocket["sockets"]), len(found)
    long = f"{wires_cm(found)} to {wires_cm(found) + 5} cm"
    return [
        "| quantity | part | note |",
        "| --- | --- | --- |",
        "| 1 | Raspberry Pi Pico (RP2040), or Pico H | not the Pico 2, nor a W |",
        "| 2 | pin strip 1×20, 2.54 mm | under the Pico, if it comes without pins |",
        "| 1 | breadboard, 63 rows, 830 contacts | one of 30 rows is too short |",
        f"| {points} | resistor {ohms} Ω, 1/4 W, 2 % or better | not less: it protects the Pico |",
        f"| {points} | wires for breadboards, {long}, a pin at both ends | or solid wire of 0.6 mm |",
        "| 1 | more of these | joins two rows on purpose, at the first scan |",
        f"| {rows} | pin strip 1×12, 2.54 mm | broken off one with long pins on both sides, 18 mm in all |",
        "| 1 | USB lead that carries data | many that came with lamps and chargers do not |",
        "| 4 | wires with a socket at both ends | the first test lead |",
        "| 1 | socket strip 1×12, for square pins | the shorting bar; of a longer one cut the 13th contact |",
        "| 4 cm | bare wire, 0.5 to 0.6 mm, soldered to all pins of that strip | likewise |",
    ]


def drawing(pocket: Mapping[str, Any], pico: Mapping[int, str], found: list[Way]) -> str:
    """The breadboard from above, the Pico's USB socket at its upper end."""
    left, width = 44.0, 150.0
    x_of = {name: left + _PITCH * (k + 0.5 + (_GAP - 1) * (k > 4)) for k, name in enumerate(COLUMNS)}
    right = x_of["j"] + _PITCH / 2
    about = (
        "From above; holes a to e of a row are joined, and f to j. "
        f"Resistors: {pocket['board']['series_ohms']} Ω. "
        "Numbers in the Pico: its pins, counted round. Squares at the edges: the two rows of twelve pins."
    )
    lines = wrapped(about, width - 2 * _MARGIN, 2.8)
    top = _MARGIN + 5.0 + 4.0 * len(lines) + 12.0
    picture = Picture(width, top + _LAST_ROW * _PITCH + 10.0, pocket["board"]["title"])
    picture.text(_MARGIN, _MARGIN + 2.5, f"The {pocket['board']['title']} on its breadboard", 4.0, bold=True)
    for number, line in enumerate(lines):
        picture.text(_MARGIN, _MARGIN + 8.0 + 4.0 * number, line, 2.8)

    def at(hole: str) -> Point:
        return x_of[hole[0]], top + (int(hole[1:]) - 0.5) * _PITCH

    edge = {"stroke": GREY, "stroke_width": 0.35, "rx": 1.0}
    picture.rect(left - 4, top - 6, right - left + 8, _LAST_ROW * _PITCH + 9, BOARD, **edge)
    for name, x in x_of.items():
        picture.text(x, top - 1.6, name, 2.6, anchor="middle", fill=GREY)
        for row in range(1, _LAST_ROW + 1):
            picture.circle(x, at(f"a{row}")[1], 0.6, fill="#d9d2bd")
    middle = (x_of["e"] + x_of["f"]) / 2
    for beside_column in (x_of["a"] + 2.45, x_of["j"] - 2.45):
        for row in range(1, _LAST_ROW + 1):
            y = at(f"a{row}")[1]
            picture.text(beside_column, y + 0.7, str(row), 1.8, anchor="middle", fill=GREY)

    for way, points in _run(found, at, left, right):
        data = {"data_point": way.point, "data_from": way.wire[0], "data_to": way.wire[1]}
        picture.wire(points, COLOURS[way.pin % 10], 0.8, **data)
        for hole in way.wire:
            picture.circle(*at(hole), 0.9, fill=INK)
    for way in found:
        (x0, y), (x1, _) = sorted(at(hole) for hole in way.resistor)
        data = {"data_point": way.point, "data_from": way.resistor[0], "data_to": way.resistor[1]}
        picture.line([(x0, y), (x1, y)], INK, 0.5, **data)
        picture.rect(x0 + 4.0, y - 1.3, x1 - x0 - 8.0, 2.6, "#d9b98c", stroke=INK, stroke_width=0.25, rx=1.2)
        x, y = at(way.hole)
        name = f"{way.socket}.{way.pin}"
        picture.rect(x - 1.3, y - 1.3, 2.6, 2.6, INK, data_socket_pin=name, data_hole=way.hole)
        outside = (x - 7.0, "end") if x < middle else (x + 7.0, "start")
        picture.text(outside[0], y + 1.0, name, 2.8, anchor=outside[1], bold=way.pin == 1)
    _pico(picture, pico, {way.pico for way in found}, at)
    return picture.svg()


def _run(found: list[Way], at: At, left: float, right: float) -> list[tuple[Way, list[Point]]]:
    """The wires' ways: beside the board, each in a lane of its own; to the other side below the Pico."""
    inner, outer = 7.0, 19.0  # the pins of J1 have their names at the right edge
    lanes = {"a": left - inner, "j": right + outer}
    used = {"a": 0, "j": 0}
    crossing = 0
    drawn = []
    for way in found:
        start, end = (at(hole) for hole in way.wire)
        sides = [hole[0] for hole in way.wire]
        xs = []
        for side in dict.fromkeys(sides):
            xs.append(lanes[side] + (-_LANE if side == "a" else _LANE) * used[side])
            used[side] += 1
        if len(xs) == 1:
            points = [start, (xs[0], start[1]), (xs[0], end[1]), end]
        else:
            height = at("a21")[1] + _PITCH * (crossing - 0.2)
            crossing += 1
            points = [start, (xs[0], start[1]), (xs[0], height), (xs[1], height), (xs[1], end[1]), end]
        drawn.append((way, points))
    return drawn


def _pico(picture: Picture, pico: Mapping[int, str], used: set[int], at: At) -> None:
    (x0, y0), (x1, y1) = at("c1"), at("h20")
    middle = (x0 + x1) / 2
    edge = {"stroke": INK, "stroke_width": 0.4}
    picture.rect(x0 - 2.2, y0 - 3.4, x1 - x0 + 4.4, y1 - y0 + 6.8, "#dfeee2", rx=1.0, **edge)
    picture.rect(middle - 6.0, y0 - 8.0, 12.0, 8.0, BODY, data_part="usb", **edge)
    picture.text(middle, y0 - 3.4, "USB", 2.6, anchor="middle")
    picture.text(middle + 1.2, (y0 + y1) / 2 + 8.0, "Pico", 4.0, bold=True, turned=True)
    for pin, name in pico.items():
        on_left = pin <= 20
        x, y = at(f"c{pin}" if on_left else f"h{41 - pin}")
        ink = INK if pin in used else GREY
        picture.circle(x, y, 1.8, fill=PAPER, stroke=ink, stroke_width=0.3, data_pin=pin, data_name=name)
        picture.text(x, y + 0.75, str(pin), 2.1, anchor="middle", fill=ink)
        picture.text(
            x + (2.6 if on_left else -2.6), y + 0.8, name, 2.2, anchor="start" if on_left else "end", fill=ink
        )
