"""The board's layout: places the parts, routes the nets, pours ground, checks the rules, draws Gerbers.

Run by a Python that has KiCad's `pcbnew` (build.py finds one); written for KiCad 6 and tried with 6.0.11.

    python3 layout.py build FOLDER     tester-128.kicad_pcb, gerbers/ and rules.txt into FOLDER
    python3 layout.py rules BOARD OUT  KiCad's rule check of a board file, its report into OUT

All places are in mm from the board's upper left corner and lie on the router's grid (0.635 mm). The same
circuit gives the same file: KiCad's random identifiers are seeded.
"""

from __future__ import annotations

import os
import re
import sys
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pcbnew

sys.path.insert(0, str(Path(__file__).resolve().parent))

from circuit import CONVERTER_PINS, DISPLAY_PINS, Part, circuit, nets, read_source
from router import FRONT, PITCH, VIA, VIA_HOLE, Obstacle, Router, Track, Via

WIDTH, HEIGHT = 177.8, 142.24  # mm; 7.0 × 5.6 inch
HOLE = 4.445  # mm from two edges to the centre of a hole for a standoff
FAT_NETS = ("3V3", "VIO", "VSYS")
# A pin that measures → the pad where it does. Its track goes there and meets nothing else of its net before:
# what another part draws through 10 mm of a fat track, 20 mA say, is 0.12 mV along it (0.5 mΩ a square).
TAPS = {("R9", "1"): ("R8", "1"), ("R10", "1"): ("R8", "2")}

# The rules that the board keeps, in mm.
LEAST_CLEARANCE, LEAST_TRACK, LEAST_VIA, LEAST_HOLE, LEAST_RING, LEAST_TO_EDGE = 0.2, 0.25, 0.8, 0.4, 0.2, 0.5
POUR_CLEARANCE, POUR_NECK, SPOKE = 0.3, 0.3, 0.5

STEP = 2.54
CELL_X, CELL_PITCH_X = 11.43, 40.64  # the first pins of the leftmost networks, and from cell to cell
ROWS_Y = (33.02, 74.93)
CELLS = (("U2", "U3", "U4", "U5"), ("U1", "U6", "U7", "U8"))  # as seen from above

_LIBRARIES = ("/usr/share/kicad/footprints", "/usr/share/kicad/modules")
_SEED = 128


def placement(parts: Iterable[Part]) -> dict[str, tuple[float, float, int]]:
    """Reference → place of its first pin and degrees, counted against the clock.

    A cell is an expander between the networks of its ports, B at the left: their pins and its lie in lines.
    The right network is turned round, so that its element 8 is beside GPA7.
    """
    places: dict[str, tuple[float, float, int]] = {}
    for row, chips in enumerate(CELLS):
        for column, chip in enumerate(chips):
            x, y = CELL_X + CELL_PITCH_X * column, ROWS_Y[row]
            number = int(chip[1:])
            places[f"RN{2 * number}"] = (x, y, 0)
            places[chip] = (x + 5 * STEP, y, 0)
            places[f"RN{2 * number - 1}"] = (x + 13 * STEP, y + 7 * STEP, 180)
            places[f"C{number}"] = (x + 3.5 * STEP, y + 8.25 * STEP, 270)
    places |= {
        "J1": (16.51, 20.32, 90),
        "S1": (95.885, 22.86, 90),
        "J2": (121.92, 119.38, 90),
        "J5": (163.83, 7.62, 180),
        "A1": (5.08, 132.08, 90),
        "J3": (59.69, 128.27, 90),
        "J4": (97.155, 114.3, 90),
        "J7": (50.165, 138.43, 90),
    }
    last_x, last_y = CELL_X + 3 * CELL_PITCH_X, ROWS_Y[1]
    places |= {  # the references, below the network that they belong to
        "R14": (last_x - 0.75 * STEP, last_y + 22.225, 270),
        "R15": (last_x + 0.75 * STEP, last_y + 22.225, 270),
        "J6": (last_x + 13 * STEP, last_y + 10 * STEP, 0),
    }
    for k, ref in enumerate(("R1", "R2", "R3", "R4", "R5", "R6", "R7")):
        places[ref] = (59.69 + 5 * PITCH * k, 113.03, 270)
    for k, ref in enumerate(("R12", "R13")):
        places[ref] = (83.185 + 5 * PITCH * k, 113.03, 270)
    for k, ref in enumerate(("R9", "R10", "R11")):
        places[ref] = (105.41 + 5 * PITCH * k, 120.65, 270)
    places["C11"] = (78.74, 135.255, 0)
    for k, ref in enumerate(("D1", "R8", "D2")):
        places[ref] = (90.17, 118.745 + 7 * PITCH * k, 0)
    places["C10"] = (90.17, 134.62, 0)
    places |= {  # the lamps, where no ribbon hides them
        "R16": (11.43, 136.525, 0),
        "R17": (11.43, 139.7, 0),
        "D3": (27.305, 137.795, 0),
        "D4": (38.735, 137.795, 0),
    }
    places |= {  # the rest of the panel, along the lower edge
        "R18": (144.78, 125.73, 0),
        "D5": (157.48, 125.73, 0),
        "C9": (118.11, 135.255, 0),
        "SW1": (139.7, 133.35, 0),
        "Q1": (149.86, 131.445, 270),
        "BZ1": (155.575, 135.255, 0),
    }
    for k, (x, y) in enumerate(
        ((HOLE, HOLE), (WIDTH - HOLE, HOLE), (HOLE, HEIGHT - HOLE), (WIDTH - HOLE, HEIGHT - HOLE)), start=1
    ):
        places[f"H{k}"] = (x, y, 0)
    wanted = {part.ref for part in parts}
    if wanted != set(places):
        raise SystemExit(f"no place, or no part: {sorted(wanted ^ set(places))}")
    return places


# what KiCad wants


def point(x: float, y: float) -> pcbnew.wxPoint:
    """A place on KiCad's sheet."""
    return pcbnew.wxPoint(pcbnew.FromMM(round(x, 4)), pcbnew.FromMM(round(y, 4)))


def local(x: float, y: float) -> pcbnew.wxPoint:
    return pcbnew.wxPoint(pcbnew.FromMM(x), pcbnew.FromMM(y))


def library_folder() -> Path:
    for name in (os.environ.get("KICAD6_FOOTPRINT_DIR", ""), *_LIBRARIES):
        if name and Path(name, "Package_DIP.pretty").is_dir():
            return Path(name)
    raise SystemExit("KiCad's footprints are not there: `apt-get install kicad-footprints`")


def footprint(part: Part, folder: Path) -> pcbnew.FOOTPRINT:
    """A fresh footprint for a part, from KiCad's library or one of ours."""
    library, name = part.footprint.split(":")
    if library == "pinwright":
        made = {"Pico_sockets": pico_sockets, "Converter_module": converter_module}[name](folder)
    else:
        made = pcbnew.FootprintLoad(str(folder / f"{library}.pretty"), name)
        if made is None:
            raise SystemExit(f"KiCad's library has no {part.footprint}")
    made.SetFPID(pcbnew.LIB_ID(library, name))
    made.SetReference(part.ref)
    made.SetValue(part.value)
    return made


def pico_sockets(folder: Path) -> pcbnew.FOOTPRINT:
    """Two 1×20 sockets 17.78 mm apart, numbered round as a Pico is; its outline and its USB socket.

    51 × 21 mm, the first pins 1.37 mm from the end with the USB socket: the Pico's data sheet, mechanical
    drawing.
    """
    made = pcbnew.FootprintLoad(
        str(folder / "Connector_PinSocket_2.54mm.pretty"), "PinSocket_1x20_P2.54mm_Vertical"
    )
    made.SetDescription("Raspberry Pi Pico in two 1x20 sockets")
    for item in list(made.GraphicalItems()):
        made.Remove(item)
    for pad in sorted(made.Pads(), key=lambda pad: int(pad.GetNumber())):
        twin = pcbnew.PAD(pad)
        number = int(pad.GetNumber())
        twin.SetNumber(str(41 - number))
        twin.SetPos0(local(17.78, (number - 1) * STEP))
        twin.SetPosition(twin.GetPos0())
        if number == 1:
            twin.SetShape(pcbnew.PAD_SHAPE_CIRCLE)
        made.Add(twin)
    left, right, top, bottom = 8.89 - 10.5, 8.89 + 10.5, -1.37, -1.37 + 51.0
    box(made, pcbnew.F_SilkS, left, top, right, bottom, 0.15)
    box(made, pcbnew.F_Fab, left, top, right, bottom, 0.1)
    box(made, pcbnew.F_Fab, 8.89 - 4, top - 1.3, 8.89 + 4, top + 4.3, 0.1)
    box(made, pcbnew.F_SilkS, 8.89 - 4, top, 8.89 + 4, top + 4.3, 0.15)
    box(made, pcbnew.F_CrtYd, left - 0.25, top - 1.55, right + 0.25, bottom + 0.25, 0.05)
    return made


def converter_module(folder: Path) -> pcbnew.FOOTPRINT:
    """A 1×10 socket. The module, some 28 × 18 mm (assumed), may hang to either side: only low parts there.

    The display's, up to 27.8 mm wide with J4 in the middle of one edge (assumed), stands as high, between
    this one and the box of J2: 1.5 mm are left on either side.
    """
    made = pcbnew.FootprintLoad(
        str(folder / "Connector_PinSocket_2.54mm.pretty"), "PinSocket_1x10_P2.54mm_Vertical"
    )
    made.SetDescription("ADS1115 module in a 1x10 socket")
    return made


def box(
    made: pcbnew.FOOTPRINT, layer: int, left: float, top: float, right: float, bottom: float, width: float
):
    corners = ((left, top), (right, top), (right, bottom), (left, bottom), (left, top))
    for start, end in pairwise(corners):
        line = pcbnew.FP_SHAPE(made, pcbnew.SHAPE_T_SEGMENT)
        line.SetStart0(local(*start))
        line.SetEnd0(local(*end))
        line.SetLayer(layer)
        line.SetWidth(pcbnew.FromMM(width))
        line.SetDrawCoord()
        made.Add(line)


# silk

_NEAR = 0.2  # mm, from one place that is tried to the next
_DESCENDING = set("gjpqyµ,")


class Silk:
    """Words on the silk: each where it was asked for, or as near to that as it can be read.

    What it must not touch are pads, lines and other words of its side, and the edge; a via, whose hole makes
    a gap in a letter, is the lesser evil.
    """

    def __init__(self, board: pcbnew.BOARD, vias: Iterable[Via]) -> None:
        self.board = board
        self.vias = [((*via.at, *via.at), VIA / 2 + 0.05) for via in vias]
        pads = [
            (
                grown((pad.x, pad.y) * 2, pad.width / 2 - pad.radius, pad.height / 2 - pad.radius),
                pad.radius + 0.2,
            )
            for pad, _ in pads_of(board)
        ]
        self.taken = {pcbnew.F_SilkS: list(pads), pcbnew.B_SilkS: list(pads)}
        for made in board.GetFootprints():
            for item in made.GraphicalItems():
                if isinstance(item, pcbnew.FP_SHAPE) and item.GetLayer() == pcbnew.F_SilkS:
                    self.taken[pcbnew.F_SilkS].append((box_of(item), 0.1))

    def words(
        self,
        words: str,
        x: float,
        y: float,
        size: float = 1.0,
        turn: int = 0,
        back: bool = False,
        room: tuple[float, float] = (0.6, 0.8),
    ) -> None:
        """Words centred there, or up to room from there."""
        text = pcbnew.PCB_TEXT(self.board)
        text.SetText(words)
        text.SetTextSize(pcbnew.wxSize(pcbnew.FromMM(size), pcbnew.FromMM(size)))
        text.SetTextThickness(pcbnew.FromMM(max(0.15, round(size * 0.15, 3))))
        text.SetTextAngle(turn * 10)
        text.SetLayer(pcbnew.B_SilkS if back else pcbnew.F_SilkS)
        text.SetMirrored(back)
        text.SetPosition(point(*self._place(text, x, y, room)))
        self.board.Add(text)

    def reference(self, made: pcbnew.FOOTPRINT, x: float, y: float, room: tuple[float, float]) -> None:
        """A part's reference there, or up to room from there."""
        twin = pcbnew.PCB_TEXT(self.board)
        twin.SetText(made.GetReference())
        twin.SetTextSize(pcbnew.wxSize(pcbnew.FromMM(1.0), pcbnew.FromMM(1.0)))
        twin.SetLayer(pcbnew.F_SilkS)
        reference = made.Reference()
        reference.SetLayer(pcbnew.F_SilkS)
        reference.SetVisible(True)
        write_at(reference, self._place(twin, x, y, room), 0, made)

    def dot(self, x: float, y: float) -> None:
        """The mark of a pin 1."""
        shape = pcbnew.PCB_SHAPE(self.board, pcbnew.SHAPE_T_CIRCLE)
        shape.SetCenter(point(x, y))
        shape.SetEnd(point(x + 0.35, y))
        shape.SetFilled(True)
        shape.SetWidth(0)
        shape.SetLayer(pcbnew.F_SilkS)
        self.board.Add(shape)
        self.taken[pcbnew.F_SilkS].append(((x, y, x, y), 0.5))

    def _place(
        self, text: pcbnew.PCB_TEXT, x: float, y: float, room: tuple[float, float]
    ) -> tuple[float, float]:
        """The best place for a text, which is taken from now on."""
        size = pcbnew.ToMM(text.GetTextHeight())
        there = text.GetBoundingBox()
        long = pcbnew.ToMM(there.GetHeight() if text.GetTextAngle() else there.GetWidth())
        ink = (-long / 2, -0.58 * size, long / 2, (0.9 if _DESCENDING & set(text.GetText()) else 0.58) * size)
        if text.GetTextAngle():  # read from below
            ink = (ink[1], ink[0], ink[3], ink[2])

        def at(place: tuple[float, float]) -> Box:
            (x, y), (left, top, right, bottom) = place, ink
            return x + left, y + top, x + right, y + bottom

        def evil(place: tuple[float, float]) -> tuple[int, float]:
            here = left, top, right, bottom = at(place)
            outside = min(left, top, WIDTH - right, HEIGHT - bottom) < 0.4
            worse = outside + sum(near(here, *other) for other in taken)
            holes = sum(near(here, *via) for via in vias)
            return 10 * worse + holes, round((place[0] - x) ** 2 + (place[1] - y) ** 2, 4)

        reached = grown(at((x, y)), *room)
        taken = [other for other in self.taken[text.GetLayer()] if near(reached, *other)]
        vias = [via for via in self.vias if near(reached, *via)]
        steps = [range(-int(far / _NEAR + 1e-9), int(far / _NEAR + 1e-9) + 1) for far in room]
        tried = ((round(x + i * _NEAR, 4), round(y + j * _NEAR, 4)) for j in steps[1] for i in steps[0])
        best = min(tried, key=lambda place: (evil(place), place))
        if evil(best)[0]:
            print(f"silk: no good place for {text.GetText()!r} at {x:g} {y:g}: {evil(best)[0]}")
        self.taken[text.GetLayer()].append((at(best), 0.25))
        return best


Box = tuple[float, float, float, float]  # left, top, right, bottom in mm


def grown(box: Box, across: float, down: float) -> Box:
    """A box with more to its sides."""
    left, top, right, bottom = box
    return left - across, top - down, right + across, bottom + down


def near(one: Box, other: Box, least: float) -> bool:
    """Whether two boxes are nearer than that to each other."""
    across = max(other[0] - one[2], one[0] - other[2], 0.0)
    down = max(other[1] - one[3], one[1] - other[3], 0.0)
    return across**2 + down**2 < least**2 or across == down == 0.0


def box_of(item) -> Box:
    """The box round a thing of KiCad's."""
    there = item.GetBoundingBox()
    sides = (there.GetLeft(), there.GetTop(), there.GetRight(), there.GetBottom())
    left, top, right, bottom = (round(pcbnew.ToMM(side), 4) for side in sides)
    return left, top, right, bottom


def texts_of_parts(board: pcbnew.BOARD, silk: Silk, parts: Iterable[Part]) -> None:
    """References beside the parts, to be read when those are in; values on them or beside capacitors.

    On the solder side the references are between the pins. The drawing's layer has the values.
    """
    for part in parts:
        made = board.FindFootprintByReference(part.ref)
        for item in list(made.GraphicalItems()):
            if isinstance(item, pcbnew.FP_TEXT):  # `${REFERENCE}` on the drawing's layer
                made.Remove(item)
        left, top, right, bottom = extent(made)
        across, down = (left + right) / 2, (top + bottom) / 2
        upright = bottom - top > right - left
        kind = part.ref.rstrip("0123456789")
        room = (0.6, 0.8)
        if part.ref in _REFERENCE_AT:
            place = _REFERENCE_AT[part.ref]
        elif kind in ("RN", "U"):
            place, room = (across, top - 2.4), (1.6, 0.4)
        elif kind == "C" and upright:
            place = (left - 3.6, down - 0.9)
        elif upright:
            place = (across, bottom + 1.9)
        else:
            place = (right + (2.6 if kind == "D" else 2.2), down)
        silk.reference(made, *place, room)
        value = made.Value()
        value.SetLayer(pcbnew.F_Fab)
        write_at(value, (across, down), 90 if upright else 0, made)
        turn = 90 if upright else 0
        if kind == "U":
            silk.words(f"address {int(part.ref[1:]) - 1}", across, down - 8.0, 1.4, turn, room=(1.4, 6.0))
            silk.words(part.value, across, down + 6.0, 1.4, turn, room=(1.4, 6.0))
        elif kind == "RN":
            silk.words(_on_body(part), across, down, 1.2, turn, room=(1.0, 6.0))
        elif kind == "R":
            silk.words(_on_body(part), across, down, 1.0, turn, room=(0.2, 1.8) if upright else (1.8, 0.2))
        elif kind == "C":
            x, y = _VALUE_AT.get(part.ref, (left - 3.6, down + 0.9))
            silk.words(part.value.replace(" nF", "n"), x, y)
        elif kind == "D" and part.number:
            silk.words(part.number, *_VALUE_AT[part.ref])
    for part in parts:
        if part.pins and part.ref not in _CORNERS:
            left, top, right, bottom = extent(board.FindFootprintByReference(part.ref))
            place = ((left + right) / 2, (top + bottom) / 2)
            place = _REFERENCE_BELOW_AT.get(part.ref, place)
            kind = part.ref.rstrip("0123456789")
            if kind in ("RN", "U"):
                silk.words(part.ref, *place, 1.4, back=True, room=(1.0, (bottom - top) / 2 - 1.0))
            else:
                silk.words(part.ref, *place, back=True, room=(2.4, 2.4))


def write_at(text, place: tuple[float, float], turn: int, made: pcbnew.FOOTPRINT) -> None:
    text.SetPosition(point(*place))
    text.SetKeepUpright(False)
    text.SetTextAngle(turn * 10 - made.GetOrientation())
    text.SetTextSize(pcbnew.wxSize(pcbnew.FromMM(1.0), pcbnew.FromMM(1.0)))
    text.SetTextThickness(pcbnew.FromMM(0.15))


def _on_body(part: Part) -> str:
    """What the silk says under a resistor: enough to put the right one there."""
    return part.value.split(" Ω")[0].replace(" kΩ", "k")


# Where a reference does not follow the rule.
_REFERENCE_AT = {
    "J1": (5.5, 20.5),
    "S1": (154.0, 20.32),
    "J2": (113.6, 117.0),
    "J3": (56.4, 128.27),
    "J4": (93.9, 114.3),
    "J5": (169.2, 6.0),
    "J6": (169.2, 97.6),
    "J7": (58.4, 137.6),
    "A1": (56.6, 123.19),
    "R14": (131.445, 95.25),
    "R15": (135.255, 95.25),
    "R18": (149.86, 128.0),
    "D5": (158.0, 128.03),
    "C9": (119.38, 139.4),
    "C10": (91.42, 137.2),
    "C11": (79.99, 138.0),
    "D3": (34.3, 136.7),
    "D4": (45.9, 136.7),
    "SW1": (143.0, 139.5),
    "Q1": (149.86, 139.2),
    "BZ1": (168.0, 131.5),
    "H1": (4.445, 9.0),
    "H2": (173.355, 9.0),
    "H3": (8.9, 138.1),
    "H4": (173.355, 133.2),
}
_VALUE_AT = {
    "C9": (119.38, 140.9),
    "C10": (91.42, 138.8),
    "C11": (79.99, 139.6),
    "D1": (99.2, 116.5),
    "D2": (95.25, 130.0),
    "D3": (34.3, 138.6),
    "D4": (45.9, 138.6),
    "D5": (163.3, 128.03),
}
_REFERENCE_BELOW_AT = {"J3": (57.0, 128.27), "J4": (94.6, 114.3), "J7": (43.7, 138.43)}
# Sockets whose corners have their pins' numbers: pin → mm from pin 1, on the parts' and on the solder side.
_LAST = 19 * STEP
_HEADER = {
    "1": ((-1.5, 4.7), (-2.2, 0)),
    "39": ((_LAST, 4.7), (_LAST + 2.6, 0)),
    "2": ((0, -7.2), (-2.2, -2.54)),
    "40": ((_LAST, -7.2), (_LAST + 2.6, -2.54)),
}
_CORNERS = {
    "J1": _HEADER,
    "J2": _HEADER,
    "S1": {
        "1": ((0, 6.0), (0, 2.2)),
        "20": ((_LAST, 6.0), (_LAST, 2.2)),
        "40": ((0, -20.6), (0, -17.4)),
        "21": ((_LAST, -20.6), (_LAST, -17.4)),
    },
    "A1": {
        "1": ((-2.3, 0), (0, -2.2)),
        "20": ((_LAST + 2.9, 0), (_LAST, -2.2)),
        "40": ((0, -20.6), (0, -15.6)),
        "21": ((_LAST, -20.6), (_LAST, -15.6)),
    },
}


# Names of pins, each beside its own: how far from that, down.
PIN_NAMES = (
    (CONVERTER_PINS, "J3", 3.6),
    (DISPLAY_PINS, "J4", -3.15),
    (("GND", "3V3", "VIO"), "J7", -3.1),
)


def tight_words(board: pcbnew.BOARD) -> Iterator[Box]:
    """Where words have to stand that have no room to give way to a via."""
    for _, ref, dy in PIN_NAMES:
        left, y, right, _ = extent(board.FindFootprintByReference(ref))
        yield grown((left, y + dy, right, y + dy), 0.7, 2.0)
    for made in board.GetFootprints():
        left, top, right, bottom = extent(made)
        kind, upright = made.GetReference().rstrip("0123456789"), bottom - top > right - left
        if kind == "C" and upright:
            yield grown((left - 3.6, (top + bottom) / 2) * 2, 2.4, 1.7)
        elif kind == "R":
            middle = ((left + right) / 2, (top + bottom) / 2)
            yield grown(middle * 2, *((0.8, 1.6) if upright else (1.6, 0.8)))
            yield grown((left, bottom + 1.9) * 2 if upright else (right + 2.2, bottom) * 2, 1.5, 0.8)
    for x, y in (*_REFERENCE_AT.values(), *_VALUE_AT.values()):
        yield grown((x, y) * 2, 2.4, 0.7)


def extent(made: pcbnew.FOOTPRINT) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of the middles of a part's pads, on the board."""
    xs = [pcbnew.ToMM(pad.GetPosition().x) for pad in made.Pads()]
    ys = [pcbnew.ToMM(pad.GetPosition().y) for pad in made.Pads()]
    return round(min(xs), 4), round(min(ys), 4), round(max(xs), 4), round(max(ys), 4)


# routing


def pads_of(board: pcbnew.BOARD) -> Iterator[tuple[Obstacle, bool]]:
    """Every pad as the router sees it, and whether it has copper. A tap's track is a net of its own."""
    taps = {}
    for tap, pad in TAPS.items():
        taps.setdefault(pad, []).append(tap)
    for made in board.GetFootprints():
        for pad in made.Pads():
            x, y = pcbnew.ToMM(pad.GetPosition().x), pcbnew.ToMM(pad.GetPosition().y)
            width, height = pcbnew.ToMM(pad.GetSize().x), pcbnew.ToMM(pad.GetSize().y)
            if round(pad.GetOrientationDegrees()) % 180:
                width, height = height, width
            shape = pad.GetShape()
            square = shape in (pcbnew.PAD_SHAPE_RECT, pcbnew.PAD_SHAPE_ROUNDRECT)
            radius = 0.0 if square else min(width, height) / 2
            copper = pad.GetAttribute() != pcbnew.PAD_ATTRIB_NPTH
            if not copper:  # the head of a screw, too
                width = height = 6.5
                radius = 3.25
            net, here = pad.GetNetname(), (made.GetReference(), pad.GetNumber())
            also = tuple(tap_net(net, tap) for tap in taps.get(here, ()))
            net = tap_net(net, here) if here in TAPS else net
            yield Obstacle(round(x, 4), round(y, 4), width, height, radius, net, also), copper


def tap_net(net: str, tap: tuple[str, str]) -> str:
    """What the router calls the track from a tap to the pad where it measures."""
    return f"{net} of {tap[0]}.{tap[1]}"


def route(board: pcbnew.BOARD) -> tuple[list[Track], list[Via], str]:
    """Tracks and vias of the whole board, and a line about them."""
    found = list(pads_of(board))
    router = Router(WIDTH, HEIGHT, (obstacle for obstacle, _ in found))
    for box in tight_words(board):
        router.shut_for_vias(*box)
    centres = defaultdict(list)
    for pad, copper in found:
        if copper and pad.net:
            for net in (pad.net, *pad.also):
                centres[net].append((pad.x, pad.y))
    todo = [
        (net, net in FAT_NETS, sorted(places)) for net, places in sorted(centres.items()) if len(places) > 1
    ]
    rounds = router.route(todo)
    stitches = list(stitching(router))
    # Copper of a tap is its net's to everyone else.
    tracks = sorted(map(of_real_net, router.tracks()), key=lambda t: (t.net, t.layer, t.start, t.end))
    vias = sorted(map(of_real_net, [*router.vias(), *stitches]), key=lambda v: (v.net, v.at))
    about = f"{len(tracks)} tracks, {len(vias)} vias, {len(stitches)} of them stitching, {rounds} rounds"
    return tracks, vias, about


def of_real_net(made: Track | Via) -> Track | Via:
    return replace(made, net=made.net.split(" of ")[0])


def stitching(router: Router) -> Iterator[Via]:
    """Vias between the two pours, in every square of 12.7 mm that has room for one."""
    reached = router.flood("GND")
    step = 5 * STEP
    for row in range(int(HEIGHT // step) + 1):
        for column in range(int(WIDTH // step) + 1):
            x, y = (column + 0.5) * step, (row + 0.5) * step
            near = [(x + dx * PITCH, y + dy * PITCH) for dy in range(-6, 7, 2) for dx in range(-6, 7, 2)]
            near.sort(key=lambda at: (round((at[0] - x) ** 2 + (at[1] - y) ** 2, 3), at))
            for at in near:
                inside = 0 < at[0] < WIDTH and 0 < at[1] < HEIGHT
                if inside and router.pours_at(*at, reached) and router.free_for_via(*at, "GND"):
                    yield router.stitch(*at, "GND")
                    break


# the whole board


def build(folder: Path) -> pcbnew.BOARD:
    """Make the board file in a folder, with everything on it and the ground poured."""
    pcbnew.KIID.SeedGenerator(_SEED)
    source, _ = read_source()
    parts = circuit()
    board = pcbnew.NewBoard(str(folder / "tester-128.kicad_pcb"))
    keep_rules(board)
    board.GetDesignSettings().m_MaxError = pcbnew.FromMM(0.02)  # of round shapes in the pour: a smaller file
    about = board.GetTitleBlock()
    about.SetTitle(f"Pinwright {source['board']['title']}")
    about.SetRevision(source["board"]["revision"])

    places = placement(parts)
    known = {}
    for name in sorted(nets(parts)):
        known[name] = pcbnew.NETINFO_ITEM(board, name)
        board.Add(known[name])
    library = library_folder()
    for part in parts:
        made = footprint(part, library)
        board.Add(made)
        x, y, turn = places[part.ref]
        made.SetPosition(point(x, y))
        made.SetOrientationDegrees(turn)
        of_pin = {pin.number: pin.net for pin in part.pins}
        for pad in made.Pads():
            if of_pin.get(pad.GetNumber()):
                pad.SetNet(known[of_pin[pad.GetNumber()]])
    tracks, vias, about = route(board)
    print(about)
    for track in tracks:
        made = pcbnew.PCB_TRACK(board)
        made.SetStart(point(*track.start))
        made.SetEnd(point(*track.end))
        made.SetWidth(pcbnew.FromMM(track.width))
        made.SetLayer(pcbnew.F_Cu if track.layer == FRONT else pcbnew.B_Cu)
        made.SetNet(known[track.net])
        board.Add(made)
    for via in vias:
        made = pcbnew.PCB_VIA(board)
        made.SetPosition(point(*via.at))
        made.SetWidth(pcbnew.FromMM(VIA))
        made.SetDrill(pcbnew.FromMM(VIA_HOLE))
        made.SetNet(known[via.net])
        board.Add(made)
    outline(board)
    on_silk(board, source, places, vias)
    pour(board, known["GND"])
    board.Save(str(folder / "tester-128.kicad_pcb"))
    return board


def outline(board: pcbnew.BOARD) -> None:
    corners = ((0, 0), (WIDTH, 0), (WIDTH, HEIGHT), (0, HEIGHT), (0, 0))
    for start, end in pairwise(corners):
        line = pcbnew.PCB_SHAPE(board, pcbnew.SHAPE_T_SEGMENT)
        line.SetStart(point(*start))
        line.SetEnd(point(*end))
        line.SetLayer(pcbnew.Edge_Cuts)
        line.SetWidth(pcbnew.FromMM(0.1))
        board.Add(line)


def pour(board: pcbnew.BOARD, ground: pcbnew.NETINFO_ITEM) -> None:
    """Ground on both sides, spokes to its pins; pieces that touch nothing of it are left out."""
    for layer in (pcbnew.F_Cu, pcbnew.B_Cu):
        zone = pcbnew.ZONE(board)
        zone.SetLayer(layer)
        zone.SetNet(ground)
        zone.SetLocalClearance(pcbnew.FromMM(POUR_CLEARANCE))
        zone.SetMinThickness(pcbnew.FromMM(POUR_NECK))
        zone.SetThermalReliefGap(pcbnew.FromMM(POUR_CLEARANCE))
        zone.SetThermalReliefSpokeWidth(pcbnew.FromMM(SPOKE))
        zone.SetPadConnection(pcbnew.ZONE_CONNECTION_THERMAL)
        zone.SetIslandRemovalMode(pcbnew.ISLAND_REMOVAL_MODE_ALWAYS)
        shape = zone.Outline()
        shape.NewOutline()
        inset = LEAST_TO_EDGE
        for x, y in (
            (inset, inset),
            (WIDTH - inset, inset),
            (WIDTH - inset, HEIGHT - inset),
            (inset, HEIGHT - inset),
        ):
            at = point(x, y)
            shape.Append(at.x, at.y)
        board.Add(zone)
    pcbnew.ZONE_FILLER(board).Fill(board.Zones())


def on_silk(
    board: pcbnew.BOARD, source: dict, places: dict[str, tuple[float, float, int]], vias: Iterable[Via]
) -> None:
    """What the board is, what not to do with it, which part is which and which pin."""
    silk = Silk(board, vias)
    about = source["board"]
    silk.words(f"Pinwright {about['title']}, revision {about['revision']}", 40.0, 4.2, 1.8)
    silk.words("UNPOWERED CABLES ONLY", 40.0, 9.2, 2.4)
    for name, x, y in (("S1", 0, 2.0), ("A1", 0, 2.3), ("Q1", -1.2, -1.7)):
        silk.dot(places[name][0] + x, places[name][1] + y)
    for ref, pins in _CORNERS.items():
        x, y, _ = places[ref]
        for pin, (above, below) in pins.items():
            silk.words(pin, x + above[0], y + above[1], room=(0.6, 0.6))
            silk.words(pin, x + below[0], y + below[1], back=True)
    for names, ref, dy in PIN_NAMES:
        x, y, _ = places[ref]
        for k, name in enumerate(names):
            for back in (False, True):
                silk.words(name, x + k * STEP, y + dy, 1.0, 90, back, room=(0.4, 0.6))
    x, y, _ = places["J6"]
    for k in range(3):
        silk.words(str(125 + k), x + 3.3, y + k * STEP, room=(0.4, 0.2))
        silk.words(str(125 + k), x - 3.0, y + k * STEP, back=True, room=(0.4, 0.2))
    texts_of_parts(board, silk, circuit())
    silk.words("points 0-39", 40.64, 25.2, room=(6.0, 0.6))
    silk.words("points 40-79", 120.0, 28.3, room=(6.0, 0.6))
    silk.words("points 80-119", 143.5, 112.2, room=(6.0, 0.6))
    silk.words("probe, point 120", 169.8, 13.9)
    silk.words("USB", 6.1, 123.19, 1.2, 90)
    silk.words("lever", 78.0, 18.0, 1.0, 90)
    for ref, words in (("D3", "red"), ("D4", "green")):
        silk.words(words, *_VALUE_AT[ref], room=(0.6, 0.4))
    for ref in _CORNERS:
        left, top, right, bottom = extent(board.FindFootprintByReference(ref))
        x, y = (left + right) / 2, (top + bottom) / 2
        header = bottom - top < 5.0
        silk.words(ref, x, bottom + 2.4 if header else y, 1.4, back=True, room=(20.0, 1.0))
    words = f"Pinwright {about['title']}, revision {about['revision']}, solder side"
    silk.words(words, WIDTH / 2, 70.3, 1.5, back=True, room=(50.0, 5.0))


GERBERS = (  # layer → the ending that board makers know it by
    (pcbnew.F_Cu, "F_Cu", "gtl"),
    (pcbnew.B_Cu, "B_Cu", "gbl"),
    (pcbnew.F_Mask, "F_Mask", "gts"),
    (pcbnew.B_Mask, "B_Mask", "gbs"),
    (pcbnew.F_SilkS, "F_Silkscreen", "gto"),
    (pcbnew.B_SilkS, "B_Silkscreen", "gbo"),
    (pcbnew.Edge_Cuts, "Edge_Cuts", "gm1"),
)
# What of a Gerber or drill file changes from day to day.
_DATED = re.compile(
    r"^(%TF\.CreationDate,|G04 Created by KiCad|; DRILL file |; #@! TF\.CreationDate,).*\n", re.M
)


def gerbers(board: pcbnew.BOARD, folder: Path) -> None:
    """One Gerber file a layer and one drill file, without dates."""
    folder.mkdir(exist_ok=True)
    plotter = pcbnew.PLOT_CONTROLLER(board)
    options = plotter.GetPlotOptions()
    options.SetOutputDirectory(str(folder))
    options.SetPlotFrameRef(False)
    options.SetPlotReference(True)
    options.SetPlotValue(True)
    options.SetUseGerberAttributes(True)
    options.SetUseGerberX2format(True)
    options.SetIncludeGerberNetlistInfo(True)
    options.SetUseGerberProtelExtensions(True)
    options.SetCreateGerberJobFile(False)
    options.SetSubtractMaskFromSilk(False)
    options.SetDrillMarksType(pcbnew.PCB_PLOT_PARAMS.NO_DRILL_SHAPE)  # marks are copper or ink, too
    for layer, name, _ in GERBERS:
        plotter.SetLayer(layer)
        plotter.OpenPlotfile(name, pcbnew.PLOT_FORMAT_GERBER, name)
        plotter.PlotLayer()
    plotter.ClosePlot()
    drill = pcbnew.EXCELLON_WRITER(board)
    drill.SetOptions(False, False, board.GetDesignSettings().GetAuxOrigin(), True)
    drill.SetFormat(True)
    drill.CreateDrillandMapFilesSet(str(folder), True, False)
    for file in folder.iterdir():
        file.write_text(_DATED.sub("", file.read_text("utf-8")), "utf-8", newline="\n")


def keep_rules(board: pcbnew.BOARD) -> None:
    """Have KiCad check what this board promises, whatever its project file says."""
    settings = board.GetDesignSettings()
    settings.m_MinClearance = pcbnew.FromMM(LEAST_CLEARANCE)
    settings.m_TrackMinWidth = pcbnew.FromMM(LEAST_TRACK)
    settings.m_ViasMinSize = pcbnew.FromMM(LEAST_VIA)
    settings.m_MinThroughDrill = pcbnew.FromMM(LEAST_HOLE)
    settings.m_ViasMinAnnularWidth = pcbnew.FromMM(LEAST_RING)
    settings.m_CopperEdgeClearance = pcbnew.FromMM(LEAST_TO_EDGE)


def rules(board: pcbnew.BOARD, report: Path) -> None:
    """KiCad's rule check into a file, every finding on its own."""
    keep_rules(board)
    pcbnew.WriteDRCReport(board, str(report), pcbnew.EDA_UNITS_MILLIMETRES, True)


def main(arguments: list[str]) -> None:
    verb, place, *more = arguments
    if verb == "build":
        folder = Path(place)
        build(folder)
        # What is checked and drawn is the file, not what is in mind.
        board = pcbnew.LoadBoard(str(folder / "tester-128.kicad_pcb"))
        rules(board, folder / "rules.txt")
        gerbers(board, folder / "gerbers")
    elif verb == "rules":
        rules(pcbnew.LoadBoard(place), Path(more[0]))
    else:
        raise SystemExit(__doc__)


if __name__ == "__main__":
    main(sys.argv[1:])
