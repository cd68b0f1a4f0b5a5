"""The schematic: sheets drawn from circuit.py, one for each block, as SVG.

A sheet says where a part stands and where wires run; what is written beside them is the circuit's, and
`Sheet.finished` proves that what the wires join is what the circuit joins. Needs schemdraw.

    python3 schematic.py FOLDER    draws them into a folder
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import schemdraw
import schemdraw.elements as elm
from circuit import CONVERTER_PINS, DISPLAY_PINS, Part, circuit, nets, read_source

Place = tuple[float, float]
_SIZE = 11
_GREY = "#777777"
_MARGIN = 14.0  # points; five at the right, where the last words are not counted


class Disagreement(Exception):
    """A sheet joins what the circuit does not, or leaves a part or a pin out."""


class Sheet:
    """One drawing. Every pin that is drawn has a place; wires, and labels of the same name, join places."""

    def __init__(self, parts: Iterable[Part], title: str) -> None:
        self.parts = {part.ref: part for part in parts}
        self.nets = nets(self.parts.values())
        schemdraw.svgconfig.text = "text"
        schemdraw.use("svg")
        self.drawing = schemdraw.Drawing(show=False, fontsize=_SIZE, font="sans-serif", lw=1.4)
        self._places: dict[tuple[str, str], Place] = {}
        self._joined: dict[Place, Place] = {}
        self._labels: list[tuple[str, Place]] = []
        self._middles: dict[str, float] = {}
        self.words(title, (0, 0), size=17)

    # what is drawn

    def words(
        self, words: str, at: Place, size: float = _SIZE, halign: str = "left", colour: str = "black"
    ) -> None:
        mark = (
            elm.Label()
            .at(at)
            .theta(0)
            .label(words, ofst=0, fontsize=size, halign=halign, valign="center", color=colour)
        )
        self.drawing.add(mark)

    def two(
        self,
        ref: str,
        start: Place,
        end: Place,
        shape: Callable[..., elm.Element] = elm.Resistor,
        pins: str = "12",
        loc: str = "top",
    ) -> None:
        """A part between two places. pins: which is at the start, then the other; a diode starts at A."""
        part = self.parts[ref]
        drawn = shape().at(start).to(end).label(f"{ref}  {part.value}", loc=loc, fontsize=_SIZE, ofst=0.12)
        self.drawing.add(drawn)
        for pin, place in zip(pins, (start, end), strict=True):
            self.put(ref, pin, place)

    def box(
        self,
        ref: str,
        at: Place,
        left: Sequence[str],
        right: Sequence[str] = (),
        width: float = 3.0,
        pitch: float = 0.6,
    ) -> dict[str, Place]:
        """A part as a box, pin numbers from top to bottom on either side; "" leaves a gap. Number → place."""
        part = self.parts[ref]
        names = {pin.number: pin.name for pin in part.pins}
        rows = max(len(left), len(right))
        height = pitch * (rows + 1)
        x, y = at
        self.drawing.add(elm.Rect(corner1=(0, 0), corner2=(width, -height)).at(at).theta(0))
        self.words(f"{ref}  {part.value}", (x, y + 0.3))
        self._middles[ref] = x + width / 2
        places = {}
        for side, numbers in ((-1, left), (1, right)):
            edge = x if side < 0 else x + width
            for row, number in enumerate(numbers):
                if not number:
                    continue
                level = round(y - pitch * (row + 1), 3)
                end = (round(edge + side * 0.6, 3), level)
                self.drawing.add(elm.Line().at((edge, level)).to(end))
                inner = "left" if side < 0 else "right"
                if names[number] != number:
                    self.words(
                        names[number],
                        (edge - side * (0.12 if side < 0 else 0.24), level - 0.08),
                        _SIZE - 2,
                        inner,
                    )
                outer = "right" if side < 0 else "left"
                self.words(
                    number, (edge + (0.08 if side > 0 else -0.2), level + 0.12), _SIZE - 4, outer, _GREY
                )
                places[number] = end
                self.put(ref, number, end)
        return places

    def put(self, ref: str, pin: str, at: Place) -> None:
        """Where a pin is. A cross if it is unconnected on purpose."""
        (one,) = (one for one in self.parts[ref].pins if one.number == pin)
        self._places[ref, pin] = _rounded(at)
        if one.kind == "no connect":
            for dx, dy in ((0.1, 0.1), (0.1, -0.1)):
                self.drawing.add(elm.Line().at((at[0] - dx, at[1] - dy)).to((at[0] + dx, at[1] + dy)))

    def wire(self, *places: Place) -> None:
        for a, b in pairwise(places):
            self.drawing.add(elm.Line().at(a).to(b))
            self._join(a, b)

    def dot(self, at: Place) -> None:
        """Where wires that cross are joined."""
        self.drawing.add(elm.Dot().at(at))

    def label(self, net: str, at: Place, side: str = "right") -> None:
        """A net's name at the end of a wire, or the sign for ground or a supply. side: where it stands."""
        if net == "GND" and side == "down":
            self.drawing.add(elm.Ground().at(at).theta(0))
        elif side in ("up", "down"):
            self.drawing.add(elm.Vdd().at(at).theta(0).label(net, fontsize=_SIZE))
        else:
            shift = 0.1 if side == "right" else -0.22
            self.words(
                net,
                (at[0] + shift, at[1] - 0.1),
                halign={"right": "left", "left": "right"}[side],
                colour="#0a4d8c",
            )
        self._labels.append((net, _rounded(at)))

    def label_all(self, ref: str, places: dict[str, Place]) -> None:
        """The nets of a box's pins that go nowhere else on this sheet."""
        for pin in self.parts[ref].pins:
            if pin.net and pin.number in places:
                at = places[pin.number]
                self.label(pin.net, at, "left" if at[0] < self._middles[ref] else "right")

    # what it proves

    def _root(self, place: Place) -> Place:
        while place in self._joined:
            place = self._joined[place]
        return place

    def _join(self, a: Place, b: Place) -> None:
        a, b = self._root(_rounded(a)), self._root(_rounded(b))
        if a != b:
            self._joined[a] = b

    def finished(self, block: str, elsewhere: Iterable[str] = ()) -> str:
        """The sheet as SVG. Raises Disagreement.

        Every part of the block has all its pins here (or is said in `elsewhere` to be drawn otherwise), every
        group of joined places is one net, and every net with pins in several groups is labelled in each.
        """
        others = set(elsewhere)
        for ref, part in self.parts.items():
            if part.block == block and ref not in others:
                for pin in part.pins:
                    if (ref, pin.number) not in self._places:
                        raise Disagreement(f"sheet {block}: {ref} pin {pin.number} is not drawn")
        net_of = {place: net for net, places in self.nets.items() for place in places}
        groups: dict[Place, set[str]] = {}
        labelled: dict[Place, set[str]] = {}
        for pin, place in self._places.items():
            groups.setdefault(self._root(place), set()).add(
                net_of.get(pin, f"no connect at {pin[0]}.{pin[1]}")
            )
        for net, place in self._labels:
            labelled.setdefault(self._root(place), set()).add(net)
        for place, names in labelled.items():
            if place not in groups:
                raise Disagreement(f"sheet {block}: label {sorted(names)} at {place} touches no pin")
            groups[place] |= names
        for place, names in groups.items():
            if len(names) > 1:
                raise Disagreement(f"sheet {block}: {sorted(names)} are joined at {place}")
        for place, names in groups.items():
            (net,) = names
            pins = [pin for pin, at in self._places.items() if self._root(at) == place]
            if place not in labelled and net in self.nets and len(pins) != len(self.nets[net]):
                raise Disagreement(f"sheet {block}: {net} at {place} goes on elsewhere, and is not labelled")
        return tidy(self.drawing.get_imagedata("svg").decode())


def _rounded(place: Place) -> Place:
    return round(place[0], 2) + 0.0, round(place[1], 2) + 0.0


_NUMBER = re.compile(r"\d+\.\d+")


def _shorter(number: re.Match[str]) -> str:
    return f"{float(number[0]):.2f}".rstrip("0").rstrip(".")


def tidy(svg: str) -> str:
    """One element a line, numbers to hundredths, a white sheet with a margin."""
    svg = re.sub(r"<[^>]*>", lambda tag: _NUMBER.sub(_shorter, tag[0]), svg)  # never in words: J1.10 is a pin
    head = re.compile(r'height="[^"]*" width="[^"]*" viewBox="(\S+) (\S+) (\S+) (\S+)">')
    left, top, width, height = map(float, head.search(svg).groups())
    left, top, width, height = left - _MARGIN, top - _MARGIN, width + 5 * _MARGIN, height + 2 * _MARGIN
    sheet = f'height="{height:g}pt" width="{width:g}pt" viewBox="{left:g} {top:g} {width:g} {height:g}">'
    sheet += f'<rect x="{left:g}" y="{top:g}" width="{width:g}" height="{height:g}" fill="#ffffff"/>'
    return head.sub(sheet, svg, count=1).replace("><", ">\n<").strip() + "\n"


def sheets(parts: Iterable[Part]) -> dict[str, str]:
    """File name → SVG, in the order in which they are read."""
    parts = tuple(parts)
    return {
        "1-controller.svg": controller(parts),
        "2-expanders.svg": expanders(parts),
        "3-networks.svg": networks(parts),
        "4-lane.svg": lane(parts),
        "5-references.svg": references(parts),
        "6-sockets.svg": sockets(parts),
        "7-panel.svg": panel(parts),
    }


def controller(parts: tuple[Part, ...]) -> str:
    sheet = Sheet(parts, "Controller: the Pico, its bus, the supply")
    left = [str(k) for k in range(1, 21)]
    right = [str(k) for k in range(40, 20, -1)]
    places = sheet.box("A1", (3, -1.5), left, right, 5, 1.0)
    series = {
        "26": ("R5", "RESET"),
        "25": ("R2", "MOSI"),
        "24": ("R1", "SCK"),
        "22": ("R4", "CS"),
        "21": ("R3", "MISO"),
    }
    for number, (ref, net) in series.items():
        x, y = places.pop(number)
        sheet.two(ref, (x + 0.4, y), (x + 3.4, y))
        sheet.wire((x, y), (x + 0.4, y))
        sheet.label(net, (x + 3.4, y))
    sheet.label_all("A1", places)
    x = 17.0
    for ref, net in (("R6", "RESET"), ("R7", "CS")):
        sheet.two(ref, (x, -3), (x, -6), loc="bottom")
        sheet.label("3V3", (x, -3), "up")
        sheet.label(net, (x, -6), "right")
        x += 3.6
    x = 16.2
    sheet.wire((x, -9), (x + 3.2, -9), (x + 6.4, -9))
    sheet.label("3V3", (x, -9), "up")
    for dot in ((x, -9), (x + 3.2, -9)):
        sheet.dot(dot)
    for ref, shape, pins in (
        ("C9", elm.Capacitor2, "12"),
        ("C10", elm.Capacitor, "12"),
        ("D1", elm.Zener, "21"),
    ):
        if pins == "12":
            sheet.two(ref, (x, -9), (x, -12), shape, pins, "bottom")
        else:  # a diode starts at its anode
            sheet.two(ref, (x, -12), (x, -9), shape, pins, "bottom")
        sheet.label("GND", (x, -12), "down")
        x += 3.2
    sheet.words("C9: + at the top", (16.2, -13.4), _SIZE - 1)
    return sheet.finished("controller")


def expanders(parts: tuple[Part, ...]) -> str:
    sheet = Sheet(parts, "Expanders: address = number − 1; INTA and INTB are unconnected on purpose")
    left = ["9", "10", "", "11", "12", "13", "14", "18", "", "15", "16", "17", "", "19", "20"]
    right = [*(str(21 + bit) for bit in range(8)), "", *(str(1 + bit) for bit in range(8))]
    for chip in range(8):
        x, y = 2.4 + 9.4 * (chip % 4), -1.8 - 14.6 * (chip // 4)
        places = sheet.box(f"U{chip + 1}", (x, y), left, right, 3.0, 0.58)
        sheet.label_all(f"U{chip + 1}", places)
        sheet.two(f"C{chip + 1}", (x + 0.2, y - 11.6), (x + 2.8, y - 11.6), elm.Capacitor)
        sheet.label("VIO", (x + 0.2, y - 11.6), "left")
        sheet.label("GND", (x + 2.8, y - 11.6), "right")
    return sheet.finished("expanders")


def networks(parts: tuple[Part, ...]) -> str:
    sheet = Sheet(parts, "Networks: eight resistors each, between an expander’s port and the sockets")
    first = next(part for part in parts if part.block == "networks")
    sheet.words(f"{first.ref}, as an example; pin k and pin 17 − k are the two ends of element k", (0, -1))
    nets_of = {pin.number: pin.net for pin in first.pins}
    for k in range(1, 9):
        y = -1.2 - 0.95 * k
        start, end = (2.5, y), (6.5, y)
        drawn = elm.Resistor().at(start).to(end)
        sheet.drawing.add(drawn)
        for pin, at, side, shift in ((str(k), start, "left", 0.35), (str(17 - k), end, "right", -0.35)):
            sheet.put(first.ref, pin, at)
            sheet.label(nets_of[pin], at, side)
            sheet.words(pin, (at[0] + shift, y + 0.22), _SIZE - 4, "center", _GREY)
    sheet.words(f"{first.ref}  {first.value}", (4.5, -1.5), halign="center")
    sheet.words("sockets", (1.6, -1.6), halign="right")
    sheet.words("expander", (7.4, -1.6))
    _table(sheet, parts, (14, -1))
    others = {part.ref for part in parts if part.block == "networks"} - {first.ref}
    return sheet.finished("networks", others)


def _table(sheet: Sheet, parts: tuple[Part, ...], at: Place) -> None:
    """All points: expander and pin, network and its two pins, socket and pin, followed through the nets."""
    wires = nets(parts)
    names = {(part.ref, pin.number): pin.name for part in parts for pin in part.pins}
    block = {part.ref: part.block for part in parts}
    _, rows = read_source()
    heads = ("point", "expander", "network", "socket")
    stops = (0.0, 1.0, 3.4, 6.2)
    per_column, line = 43, 0.46
    for row in rows:
        point = int(row["point"])
        column, down = divmod(point, per_column)
        x, y = at[0] + 9.4 * column, at[1] - line * (down + 1)
        if down == 0:
            for head, stop in zip(heads, stops, strict=True):
                sheet.words(head, (x + stop, y + line), _SIZE - 1)
        inner, outer = wires[f"X{point}"], wires[f"P{point}"]
        (chip,) = (place for place in inner if block[place[0]] == "expanders")
        (one,) = (place for place in inner if block[place[0]] == "networks")
        (other,) = (place for place in outer if block[place[0]] == "networks")
        ends = [place for place in outer if block[place[0]] != "networks"]
        said = (
            str(point),
            f"{chip[0]} {names[chip]} ({chip[1]})",
            f"{one[0]}  {one[1]} – {other[1]}",
            " ".join(f"{ref}.{pin}" for ref, pin in ends),
        )
        for words, stop in zip(said, stops, strict=True):
            sheet.words(words, (x + stop, y), _SIZE - 2)


def lane(parts: tuple[Part, ...]) -> str:
    sheet = Sheet(parts, "Ohms lane: the shunt in the expanders’ supply, and the converter that reads it")
    sheet.two("R8", (3, -3), (8, -3))
    sheet.wire((3, -3), (1.4, -3))
    sheet.label("3V3", (1.4, -3), "left")
    sheet.wire((3, -3), (3, -1.4), (4, -1.4))
    sheet.two("D2", (7, -1.4), (4, -1.4), elm.Diode, "21", "bottom")
    sheet.wire((7, -1.4), (8, -1.4), (8, -3))
    sheet.two("R9", (3, -4), (3, -7), loc="bottom")
    sheet.wire((3, -3), (3, -4))
    sheet.two("R10", (8, -4), (8, -7), loc="bottom")
    sheet.wire((8, -3), (8, -4))
    sheet.two("C11", (4, -7), (7, -7), elm.Capacitor)
    sheet.wire((3, -7), (4, -7))
    sheet.wire((7, -7), (8, -7))
    sheet.two("R11", (11, -4), (11, -7), loc="bottom")
    sheet.wire((8, -3), (11, -3), (11, -4))
    sheet.wire((11, -3), (12.4, -3))
    sheet.label("VIO", (12.4, -3))
    for at in ((3, -3), (8, -3), (11, -3), (3, -7), (8, -7)):
        sheet.dot(at)
    numbers = [str(k) for k in range(1, 11)]
    places = sheet.box("J3", (16, -1.5), numbers, (), 3.6, 0.8)
    at = dict(zip(CONVERTER_PINS, (places[number] for number in numbers), strict=True))
    for name, net, below in (("A0", "AIN0", (3, -7)), ("A1", "AIN1", (8, -7)), ("A2", "AIN2", (11, -7))):
        level = at[name][1]
        low = {"A0": -9.2, "A1": -9.8, "A2": -10.4}[name]
        right = {"A0": 13.6, "A1": 14.2, "A2": 14.8}[name]
        sheet.wire(below, (below[0], low), (right, low), (right, level), at[name])
        sheet.words(net, (below[0] + 0.15, low + 0.25), colour="#0a4d8c")
    for name in ("VDD", "GND", "SCL", "SDA", "ADDR"):
        net = next(pin.net for pin in sheet.parts["J3"].pins if pin.name == name)
        sheet.label(net, at[name], "left")
    x = 22.5
    for ref, net in (("R12", "SDA"), ("R13", "SCL")):
        sheet.two(ref, (x, -3), (x, -6), loc="bottom")
        sheet.label("3V3", (x, -3), "up")
        sheet.label(net, (x, -6))
        x += 3.4
    sheet.words(
        "VIO has no large capacitor: it would slow each reading, and its leak would pass the shunt", (0, -12)
    )
    return sheet.finished("lane")


def references(parts: tuple[Part, ...]) -> str:
    sheet = Sheet(parts, "References, joined on the board; spare points")
    for k, ref in enumerate(("R14", "R15")):
        y = -2.0 - 1.6 * k
        sheet.two(ref, (3, y), (7, y))
        one, other = (pin.net for pin in sheet.parts[ref].pins)
        sheet.label(one, (3, y), "left")
        sheet.label(other, (7, y), "right")
    places = sheet.box("J6", (12, -1.4), ("1", "2", "3"), (), 2.4, 0.7)
    sheet.label_all("J6", places)
    return sheet.finished("references")


def sockets(parts: tuple[Part, ...]) -> str:
    sheet = Sheet(parts, "Sockets: J1 and J2 as box headers are numbered, S1 as a DIP is")
    odd, even = [str(k) for k in range(1, 41, 2)], [str(k) for k in range(2, 41, 2)]
    down, up = [str(k) for k in range(1, 21)], [str(k) for k in range(40, 20, -1)]
    for k, (ref, left, right) in enumerate((("J1", odd, even), ("S1", down, up), ("J2", odd, even))):
        sheet.label_all(ref, sheet.box(ref, (2.5 + 8.5 * k, -1.8), left, right, 2.6))
    places = sheet.box("J5", (28, -1.8), ("1", "2"), (), 2.6)
    sheet.label_all("J5", places)
    sheet.words("either pole takes the probe’s lead", (26, -4.6), _SIZE - 1)
    return sheet.finished("sockets")


def panel(parts: tuple[Part, ...]) -> str:
    sheet = Sheet(parts, "Panel: lamps; button, buzzer and display, which are optional; pads; holes")
    for k, (resistor, lamp, net) in enumerate((("R16", "D3", "LAMP_RED"), ("R17", "D4", "LAMP_GREEN"))):
        y = -2.4 - 2.4 * k
        sheet.two(resistor, (3, y), (6, y))
        sheet.label(net, (3, y), "left")
        sheet.two(lamp, (6, y), (9, y), elm.LED, "21")
        sheet.label("GND", (9, y), "down")
    sheet.two("SW1", (3, -7.4), (6, -7.4), elm.Button)
    sheet.label("BUTTON", (3, -7.4), "left")
    sheet.label("GND", (6, -7.4), "down")
    sheet.two("R18", (13, -6), (16, -6))
    sheet.label("BUZZER", (13, -6), "left")
    transistor = elm.BjtNpn(circle=True).at((16, -6)).anchor("base").label("Q1  2N3904", loc="right")
    sheet.drawing.add(transistor)
    for name, number in (("emitter", "1"), ("base", "2"), ("collector", "3")):
        x, y = transistor.absanchors[name]
        sheet.put("Q1", number, (round(x, 3), round(y, 3)))
    x, y = (round(v, 3) for v in transistor.absanchors["emitter"])
    sheet.label("GND", (x, y), "down")
    x, y = (round(v, 3) for v in transistor.absanchors["collector"])
    sheet.wire((x, y), (x, -4.6), (x + 3.2, -4.6))
    sheet.two("BZ1", (x, -1.6), (x, -4.6), elm.ResistorIEC, "12", "top")
    sheet.two("D5", (x + 3.2, -4.6), (x + 3.2, -1.6), elm.Diode, "21", "bottom")
    sheet.wire((x, -1.6), (x + 3.2, -1.6))
    sheet.label("VSYS", (x, -1.6), "up")
    sheet.dot((x, -4.6))
    sheet.label_all(
        "J4", sheet.box("J4", (26, -1.4), [str(k + 1) for k in range(len(DISPLAY_PINS))], (), 2.6)
    )
    sheet.label_all("J7", sheet.box("J7", (26, -6.2), ("1", "2", "3"), (), 2.6))
    holes = [part.ref for part in parts if part.block == "board"]
    sheet.words(f"{', '.join(holes)}: holes for M3 standoffs", (0, -9.6))
    return sheet.finished("panel")


def main(folder: Path) -> None:
    folder.mkdir(exist_ok=True)
    for name, text in sheets(circuit()).items():
        (folder / name).write_text(text, "utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
