"""Families of connectors that may be on a cable: their pins, and where each pin sits.

A new family is one entry in `FAMILIES`. An entry draws its connector once, as rows of pins seen from
one side; the mirror image for the other gender and the view from behind follow from that drawing.

Positions are millimetres from the first pin, x to the right and y down, as seen in the connector's
`view`. A plug and a socket that mate are mirror images, each looked at into its mating face, because
they face each other to mate. So are the two sides of one connector.

Sources stand beside the entries. "KiCad" means that `tests/published/test_connector_geometry.py`
compares the entry with pads in Debian's `kicad-footprints`; "from memory" that nothing proves it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from functools import cache
from itertools import zip_longest
from types import MappingProxyType
from typing import Literal

Point = tuple[float, float]
Row = dict[str, Point]  # the pins of one physical row in place order, each with its place in mm
# A box, a box with the notch of an IC at pin 1, a D with its long side at the first row, a ring, a pill.
Outline = Literal["box", "notched", "dee", "round", "pill"]
SHELL = "SHELL"  # the pin that a metal shell is, in connectors whose name ends in `-shell`


class UnknownConnector(ValueError):
    """A name that no family has. The text says so and how it could be spelt. name: as it was given."""

    def __init__(self, name: str) -> None:
        super().__init__(_what_is_wrong_with(name))
        self.name = name


@dataclass(frozen=True, slots=True)
class Connector:
    """One connector as seen from one side.

    pins: in the family's order: by number, or tip, ring, sleeve; a shell last.
    positions: pin → (x, y) in mm from the first pin, x right, y down, as seen in `view`.
    view: the side looked at and what is up, such as "mating face, long row up".
    behind: the same for the opposite side.
    rows: the physical rows, each in place order, the shell in none; the same from either side.
    conductors: the pins that ribbon conductors 1, 2, … meet when the connector is crimped on a flat
        ribbon; empty where it never is, or where the name does not settle it.
    outline: what is drawn round the pins.
    """

    name: str
    pins: tuple[str, ...]
    positions: Mapping[str, Point] = field(hash=False)
    view: str
    behind: str
    rows: tuple[tuple[str, ...], ...]
    conductors: tuple[str, ...]
    outline: Outline = "box"

    @property
    def side(self) -> str:
        """The side that `view` looks at: "mating face"."""
        return self.view.partition(", ")[0]

    def from_behind(self) -> Connector:
        """The same connector turned about its upright axis, as whoever solders it sees it."""
        return replace(self, positions=_mirrored(self.positions), view=self.behind, behind=self.view)

    def range_text(self) -> str:
        """ "`dip-40` has pins 1 to 40" or "`trs` has pins T, R, S": the tail of an error message."""
        if len(self.pins) == 1:
            return f"`{self.name}` has pin {self.pins[0]} only"
        *contacts, last = self.pins
        if last == SHELL and self.pins[:-1] == _numbers(1, len(contacts)):
            return f"`{self.name}` has pins 1 to {contacts[-1]} and {SHELL}"
        numbered = self.pins == _numbers(1, len(self.pins))
        return f"`{self.name}` has pins " + (f"1 to {last}" if numbered else ", ".join(self.pins))


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One entry of the table.

    pattern: how its names are written, for people: "idc-2xN", "dsub-N-plug|socket".
    noun: "a DIP plug", to begin a sentence with.
    example: a name of the family.
    allowed: what N may be, or the one size there is. counts: what N counts.
    draw: size → rows of pins, as seen in `view` with `up` up.
    view, behind: the side that is drawn, and the opposite one.
    drawn: where names end in plug or socket, which of them is drawn; the other is its mirror image.
    crimped: goes on a flat ribbon, whose conductors meet the rows in turn.
    outline: what is drawn round the pins.
    shell: has a metal shell that may be wired: with `-shell` after its name, that is its last pin.
    """

    pattern: str
    noun: str
    description: str
    example: str
    allowed: range | tuple[int, ...]
    counts: str = "pins"
    draw: Callable[[int], tuple[Row, ...]]
    up: str
    view: str = "mating face"
    behind: str = "solder side"
    drawn: str = ""
    crimped: bool = False
    outline: Outline = "box"
    shell: bool = False

    @property
    def sizes(self) -> str:
        """ "3 to 32 columns", "an even number of pins, 4 to 64", "9, 15, 25 or 37 pins"."""
        if isinstance(self.allowed, range):
            span = f"{self.allowed[0]} to {self.allowed[-1]}"
            even = self.allowed.step == 2
            return f"an even number of {self.counts}, {span}" if even else f"{span} {self.counts}"
        *most, last = map(str, self.allowed)
        return f"{', '.join(most)} or {last} {self.counts}" if most else f"{last} {self.counts}"

    @property
    def spellings(self) -> dict[str, str]:
        """Gender → pattern: {"plug": "dsub-N-plug", "socket": "dsub-N-socket"}, or {"": "dip-N"}."""
        genders = ("plug", "socket") if self.drawn else ("",)
        return {gender: self.pattern.replace("plug|socket", gender) for gender in genders}

    @property
    def stem(self) -> str:
        """What comes before the part that varies: "dip-", "idc-2x", "xlr-3"; empty where nothing varies."""
        stem, *varies = re.split(r"N|-plug\|socket", self.pattern)
        return stem if varies else ""

    def names(self) -> dict[str, tuple[int, str, bool]]:
        """Every name of the family → its size and gender, and whether its shell is a pin."""
        return {
            spelling.replace("N", str(size)) + "-shell" * shelled: (size, gender, shelled)
            for gender, spelling in self.spellings.items()
            for size in self.allowed
            for shelled in ((False, True) if self.shell else (False,))
        }

    def make(self, name: str) -> Connector:
        """The connector of that name, which must be one of `names`."""
        size, gender, shelled = self.names()[name]
        drawing = self.draw(size)
        rows = tuple(tuple(row) for row in drawing)
        places = {pin: place for row in drawing for pin, place in row.items()}
        # A stable sort: pins without a number stay as they are drawn.
        pins = tuple(sorted(places, key=lambda pin: int(pin) if pin.isdecimal() else 0))
        left, top = places[pins[0]]
        if shelled:
            pins = (*pins, SHELL)
            places[SHELL] = _below(places.values())
        # Micrometres are enough; adding 0.0 turns a rounded -0.0 into 0.0.
        positions = {
            pin: (round(x - left, 3) + 0.0, round(y - top, 3) + 0.0) for pin, (x, y) in places.items()
        }
        # The teeth of the two rows reach the conductors alternately: conductor 2k-1 meets place k of the
        # first row and conductor 2k place k of the second (X3.131 Table 4 for both kinds of SCSI
        # connector, sput.nl data-cables.html for D-subs).
        across = (pin for places in zip_longest(*rows) for pin in places if pin is not None)
        return Connector(
            name=name,
            pins=pins,
            positions=MappingProxyType(positions) if gender == self.drawn else _mirrored(positions),
            view=f"{self.view}, {self.up}",
            behind=f"{self.behind}, {self.up}",
            rows=rows,
            conductors=tuple(across) if self.crimped else (),
            outline=self.outline,
        )


def _below(places: Iterable[Point]) -> Point:
    """A place for the shell, to be drawn at: below the middle of the pins, 5 mm further down."""
    xs, ys = zip(*places, strict=True)
    return (min(xs) + max(xs)) / 2, max(ys) + 5.0


def _mirrored(positions: Mapping[str, Point]) -> Mapping[str, Point]:
    """Left and right exchanged about pin 1. Subtracting from 0.0 keeps -0.0 out."""
    return MappingProxyType({pin: (0.0 - x, y) for pin, (x, y) in positions.items()})


def _numbers(first: int, last: int, step: int = 1) -> tuple[str, ...]:
    """The names of numbered pins, both ends included; step may be negative."""
    return tuple(str(number) for number in range(first, last + (1 if step > 0 else -1), step))


def _line(pins: Iterable[str], step: Point, start: Point = (0.0, 0.0)) -> Row:
    """A straight row: the first pin at `start`, each next one a `step` further (mm)."""
    (x, y), (dx, dy) = start, step
    return {pin: (x + place * dx, y + place * dy) for place, pin in enumerate(pins)}


def _arc(pins: str, half_angle: float) -> Row:
    """Pins evenly on the 7 mm circle of a DIN connector, clockwise from `half_angle` degrees left of up."""
    radius, step = 3.5, 2 * half_angle / (len(pins) - 1)
    angles = {pin: math.radians(place * step - half_angle) for place, pin in enumerate(pins)}
    return {pin: (radius * math.sin(angle), -radius * math.cos(angle)) for pin, angle in angles.items()}


def _two_rows(columns: int, row_step: float) -> tuple[Row, ...]:
    """Odd pins in one row, even pins in the other, running down a 2.54 mm grid."""
    down, count = (0.0, 2.54), 2 * columns
    return _line(_numbers(1, count, 2), down), _line(_numbers(2, count, 2), down, (row_step, 0.0))


def _dip(count: int) -> tuple[Row, ...]:
    """Down one side and up the other. 15.24 mm between the rows from 24 pins on is the usual width.

    Narrower and wider packages exist; only the drawing knows the difference.
    """
    down, gap = (0.0, 2.54), 7.62 if count < 24 else 15.24
    return _line(_numbers(1, count // 2), down), _line(_numbers(count, count // 2 + 1, -1), down, (gap, 0.0))


def _dsub(count: int) -> tuple[Row, ...]:
    """A long row and one pin fewer below it, half a pitch further in."""
    right, long = (2.77, 0.0), (count + 1) // 2
    return _line(_numbers(1, long), right), _line(_numbers(long + 1, count), right, (2.77 / 2, 2.84))


def _dsub_15hd(_: int) -> tuple[Row, ...]:
    """Three rows of five; the middle one begins half a pitch further out, outside pin 1."""
    right = (2.29, 0.0)
    return (
        _line(_numbers(1, 5), right),
        _line(_numbers(6, 10), right, (-2.29 / 2, 1.98)),
        _line(_numbers(11, 15), right, (0.0, 3.96)),
    )


def _scart(_: int) -> tuple[Row, ...]:
    """Odd contacts over even ones, numbered from the right; 21 is the shell, at the far left."""
    left = (-3.81, 0.0)
    return _line(_numbers(1, 21, 2), left), _line(_numbers(2, 20, 2), left, (-3.81 / 2, 5.0))


def _micro_ribbon(count: int) -> tuple[Row, ...]:
    """Two rows opposite each other, both numbered from the right."""
    left = (-2.159, 0.0)
    return _line(_numbers(1, count // 2), left), _line(_numbers(count // 2 + 1, count), left, (0.0, 4.2))


_MINI_DIN: dict[int, tuple[Row, ...]] = {
    4: ({"4": (-2.1, 0.0), "3": (2.1, 0.0)}, {"2": (-3.3, 2.5), "1": (3.3, 2.5)}),
    6: (
        {"6": (-2.1, 0.0), "5": (2.1, 0.0)},
        {"4": (-3.4, 2.4), "3": (3.4, 2.4)},
        {"2": (-1.3, 4.8), "1": (1.3, 4.8)},
    ),
    8: (
        {"8": (-2.1, 0.0), "7": (0.0, 0.0), "6": (2.1, 0.0)},
        {"5": (-3.4, 2.4), "4": (0.0, 2.4), "3": (3.4, 2.4)},
        {"2": (-1.3, 4.8), "1": (1.3, 4.8)},
    ),
}

FAMILIES: tuple[Family, ...] = (
    # KiCad pin sockets: pin 2 to the left of pin 1, the mirror image of the header it is pushed on.
    # Conductor n meets pin n: ATA-3 draft Table A.1, X3.131 Table 4.
    Family(
        pattern="idc-2xN",
        noun="a crimped two-row socket",
        description="two-row socket crimped on a flat ribbon, 2.54 mm grid, odd pins in one row",
        example="idc-2x20",
        allowed=range(3, 33),
        counts="columns",
        draw=lambda columns: _two_rows(columns, -2.54),
        up="pins 1 and 2 up",
        behind="ribbon side",
        crimped=True,
    ),
    # KiCad pin headers and IDC box headers.
    Family(
        pattern="header-2xN",
        noun="a two-row header",
        description="two-row pin header, 2.54 mm grid, odd pins in one row",
        example="header-2x20",
        allowed=range(1, 41),
        counts="columns",
        draw=lambda columns: _two_rows(columns, 2.54),
        up="pins 1 and 2 up",
    ),
    # KiCad DIP packages. Not `crimped`: DIP plugs for ribbon come in two kinds, conductors meeting
    # N, 1, N-1, 2, … or 1, N, 2, N-1, … (L. Langens, diy_efi 1998-02-26; A. Duell, classiccmp), so the
    # name alone cannot say; the rule `alternate` of a profile does, with its key `first`.
    Family(
        pattern="dip-N",
        noun="a DIP plug",
        description="plug for a dual in-line socket, numbered down one side and up the other",
        example="dip-40",
        allowed=range(4, 65, 2),
        draw=_dip,
        up="the end of pin 1 up",
        view="top",
        behind="pin side",
        outline="notched",
    ),
    # KiCad D-sub connectors; pin 1 at the left of the plug also in techhelpmanual's tables.
    Family(
        pattern="dsub-N-plug|socket",
        noun="a D-sub connector",
        description="D-sub with two rows: DE-9, DA-15, DB-25, DC-37",
        example="dsub-9-plug",
        allowed=(9, 15, 25, 37),
        draw=_dsub,
        up="long row up",
        drawn="plug",
        crimped=True,
        outline="dee",
        shell=True,
    ),
    # KiCad D-sub connectors, high density. Three rows are not crimped on a ribbon.
    Family(
        pattern="dsub-15hd-plug|socket",
        noun="a high-density D-sub connector",
        description="D-sub with three rows of five: DE-15HD",
        example="dsub-15hd-plug",
        allowed=(15,),
        draw=_dsub_15hd,
        up="pins 1 to 5 up",
        drawn="plug",
        outline="dee",
        shell=True,
    ),
    # Rows and conductors: X3.131, contact set 2. Pin 1 at the upper right of the socket, the pitch of
    # 0.085 inch and the distance of the rows are from memory.
    Family(
        pattern="micro-ribbon-N-plug|socket",
        noun="a micro-ribbon connector",
        description="two opposite rows of leaf contacts in a D-shaped shell",
        example="micro-ribbon-36-plug",
        allowed=(24, 36, 50),
        draw=_micro_ribbon,
        up="the row of pin 1 up",
        drawn="socket",
        crimped=True,
        outline="dee",
        shell=True,
    ),
    # Order round the arc: sput.nl; 0cjs/sedoc din.md. The 7 mm circle is from memory.
    Family(
        pattern="din-5-180-plug|socket",
        noun="a five-pin 180° DIN connector",
        description="round DIN connector, five pins on half a circle in the order 1, 4, 2, 5, 3",
        example="din-5-180-plug",
        allowed=(5,),
        draw=lambda _: (_arc("14253", 90),),
        up="pin 2 up",
        drawn="socket",
        outline="round",
        shell=True,
    ),
    # Numbered round the ring: 0cjs/sedoc din.md and the symbol DIN-6 of kicad-symbols 6.0.10, which shows
    # pin 6 in the middle. That the symbol shows the socket is from memory, and so are 240 degrees.
    Family(
        pattern="din-6-plug|socket",
        noun="a six-pin DIN connector",
        description="round DIN connector, pins 1 to 5 in order round 240 degrees, pin 6 in the middle",
        example="din-6-plug",
        allowed=(6,),
        draw=lambda _: (_arc("12345", 120), {"6": (0.0, 0.0)}),
        up="pin 3 up",
        drawn="socket",
        outline="round",
        shell=True,
    ),
    # Who is whose neighbour: 0cjs/sedoc (4 pins), symbols Mini-DIN-4 and -6 of kicad-symbols 6.0.10; 8 pins
    # from memory, the symbol Mini-DIN-8 agrees. The millimetres are from memory, for drawings.
    Family(
        pattern="mini-din-N-plug|socket",
        noun="a mini-DIN connector",
        description="small round connector, rows numbered upwards from the lowest",
        example="mini-din-6-plug",
        allowed=(4, 6, 8),
        draw=lambda count: _MINI_DIN[count],
        up="pins 1 and 2 down",
        drawn="socket",
        outline="round",
        shell=True,
    ),
    # Direction: comp.dcom.cabling FAQ, section 10, and sedoc. Order in a line: KiCad. Pitch from memory.
    Family(
        pattern="8p8c",
        noun="an 8P8C plug",
        description="modular plug with eight contacts, as on network leads",
        example="8p8c",
        allowed=(8,),
        draw=lambda count: (_line(_numbers(1, count), (1.02, 0.0)),),
        up="cable down",
        view="contacts towards you",
        behind="latch towards you",
    ),
    # Numbered as 8P8C: symbols 6P6C and 8P8C of kicad-symbols 6.0.10. Order in a line: KiCad.
    # Pitch from memory.
    Family(
        pattern="6p6c",
        noun="a 6P6C plug",
        description="modular plug with six contacts, as on telephone leads",
        example="6p6c",
        allowed=(6,),
        draw=lambda count: (_line(_numbers(1, count), (1.02, 0.0)),),
        up="cable down",
        view="contacts towards you",
        behind="latch towards you",
    ),
    # KiCad single-row pin headers. Drawn downwards, a single row looks the same from either side.
    Family(
        pattern="row-N",
        noun="a single row",
        description="one row of contacts, 2.54 mm pitch: strips, loose ends, anything numbered in a line",
        example="row-8",
        allowed=range(1, 41),
        draw=lambda count: (_line(_numbers(1, count), (0.0, 2.54)),),
        up="pin 1 up",
    ),
    # KiCad XLR receptacles, except for how far pin 3 lies below: male and female pads differ there,
    # 3.81 mm (used here) and 4.45 mm.
    Family(
        pattern="xlr-3-plug|socket",
        noun="an XLR connector",
        description="round latching audio connector with three pins",
        example="xlr-3-plug",
        allowed=(3,),
        draw=lambda _: ({"1": (0.0, 0.0), "2": (7.62, 0.0)}, {"3": (3.81, 3.81)}),
        up="pin 3 down",
        drawn="plug",
        outline="round",
        shell=True,
    ),
    # Who is where on the plug: tesla.rcub scart page; ldapwiki. The millimetres are from memory.
    Family(
        pattern="scart-plug|socket",
        noun="a SCART connector",
        description="audio and video connector with twenty blade contacts, the shell as pin 21",
        example="scart-plug",
        allowed=(21,),
        draw=_scart,
        up="odd pins up",
        drawn="plug",
    ),
    # Common practice, no source: tip at the end, then ring, then sleeve. Distances from memory, for drawings.
    Family(
        pattern="trs",
        noun="a TRS plug",
        description="phone plug with tip, ring and sleeve",
        example="trs",
        allowed=(3,),
        draw=lambda _: (_line("TRS", (0.0, 6.0)),),
        up="tip up",
        view="side of the plug",
        behind="opposite side of the plug",
        outline="pill",
    ),
    Family(
        pattern="ts",
        noun="a TS plug",
        description="phone plug with tip and sleeve",
        example="ts",
        allowed=(2,),
        draw=lambda _: (_line("TS", (0.0, 12.0)),),
        up="tip up",
        view="side of the plug",
        behind="opposite side of the plug",
        outline="pill",
    ),
)

# A name is looked up, never taken apart, so that one connector has one name: `dip-040` is not in here.
_FAMILY_OF = {name: family for family in FAMILIES for name in family.names()}


@cache
def connector(name: str) -> Connector:
    """The connector a profile calls by that name. Raises UnknownConnector."""
    if name not in _FAMILY_OF:
        raise UnknownConnector(name)
    return _FAMILY_OF[name].make(name)


def _what_is_wrong_with(name: str) -> str:
    """How the name should have been spelt, as far as it lets itself be guessed."""
    # The name comes from a file that anybody may have written: it is shown short and harmless.
    shown = "".join(sign if sign.isprintable() else "?" for sign in name[:40]) + "…" * (len(name) > 40)
    begun = [family for family in FAMILIES if family.stem and shown.startswith(family.stem)]
    if begun:
        family = max(begun, key=lambda family: len(family.stem))
        spelt = " or ".join(f"`{spelling}`" for spelling in family.spellings.values())
        wired = f", or `{family.example}-shell` where the shell is wired too" if family.shell else ""
        return (
            f"`{shown}`: {family.noun} is written {spelt} and has {family.sizes};"
            f" e.g. `{family.example}`{wired}"
        )
    close = get_close_matches(shown.lower(), _FAMILY_OF)
    if close:
        return f"there is no connector `{shown}`; close to it: " + ", ".join(f"`{near}`" for near in close)
    return f"there is no connector `{shown}`; there are " + ", ".join(f"`{one.pattern}`" for one in FAMILIES)
