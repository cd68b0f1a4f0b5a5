"""The committed board file, read without KiCad: where its parts are, and which net each pad is on."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import sexpr
from circuit import Part

Place = tuple[float, float]


@dataclass(frozen=True)
class Pad:
    """A pad on the board, mm from its upper left corner. net: "" where it has none."""

    number: str
    net: str
    at: Place
    size: tuple[float, float]


@dataclass(frozen=True)
class Shape:
    """A line of points, closed or not, on one of KiCad's layers; a circle has a radius and one point."""

    layer: str
    points: tuple[Place, ...]
    radius: float = 0.0


@dataclass(frozen=True)
class Words:
    """Words on one of KiCad's layers: the middle of them, the height of a capital, degrees."""

    words: str
    layer: str
    at: Place
    size: float
    turn: float


@dataclass(frozen=True)
class Placed:
    """A part on the board. reference_at: where its reference stands."""

    ref: str
    value: str
    footprint: str
    at: Place
    turn: float
    pads: tuple[Pad, ...]
    shapes: tuple[Shape, ...]
    reference_at: Place


def read_board(file: Path) -> sexpr.Tree:
    return sexpr.read(file.read_text("utf-8"))


def placed(board: sexpr.Tree) -> list[Placed]:
    """The parts on a board, in the order of their references."""
    return sorted((_placed(one) for one in sexpr.all_of(board, "footprint")), key=lambda part: part.ref)


def outline(board: sexpr.Tree) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of the lines of its edge."""
    ends = [
        _place(sexpr.one_of(line, end))
        for line in sexpr.all_of(board, "gr_line")
        if sexpr.value(line, "layer") == "Edge.Cuts"
        for end in ("start", "end")
    ]
    xs, ys = zip(*ends, strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def silk(board: sexpr.Tree) -> list[Words]:
    """The words on the silk of both sides, references included."""
    found = [
        _words(text, text[1], *_place(sexpr.one_of(text, "at"))) for text in sexpr.all_of(board, "gr_text")
    ]
    for part in sexpr.all_of(board, "footprint"):
        on_board = _mover(part)
        for text in sexpr.all_of(part, "fp_text"):
            if text[1] == "reference":
                found.append(_words(text, text[2], *on_board(*_place(sexpr.one_of(text, "at")))))
    return [words for words in found if words.layer in ("F.SilkS", "B.SilkS")]


def vias(board: sexpr.Tree) -> list[Place]:
    return [_place(sexpr.one_of(via, "at")) for via in sexpr.all_of(board, "via")]


def copper(board: sexpr.Tree) -> dict[str, int]:
    """How many tracks, vias, zones it has."""
    heads = {"tracks": "segment", "vias": "via", "zones": "zone"}
    return {name: len(list(sexpr.all_of(board, head))) for name, head in heads.items()}


def pieces(board: sexpr.Tree, net: str, without: str = "") -> list[set[str]]:
    """The pads ("R8.1") of a net, sorted into the pieces that its tracks and vias make of them.

    without: a pad that is taken away, with the tracks inside its outline. Raises ValueError for a net that is
    poured, or has tracks that go neither across nor down.
    """
    if any(sexpr.value(zone, "net_name") == net for zone in sexpr.all_of(board, "zone")):
        raise ValueError(f"{net} is poured")
    number = next(one[1] for one in sexpr.all_of(board, "net") if one[2] == net)
    pads = {f"{part.ref}.{pad.number}": pad for part in placed(board) for pad in part.pads if pad.net == net}
    cut = pads.pop(without, None)
    there = [_Copper(name, "", pad.at, pad.at, min(pad.size) / 2) for name, pad in pads.items()]
    for via in sexpr.all_of(board, "via"):
        if sexpr.value(via, "net") == number:
            at = _place(sexpr.one_of(via, "at"))
            there.append(_Copper("", "", at, at, float(sexpr.value(via, "size")) / 2))
    for track in sexpr.all_of(board, "segment"):
        if sexpr.value(track, "net") == number:
            start, end = sorted(_place(sexpr.one_of(track, name)) for name in ("start", "end"))
            if start[0] != end[0] and start[1] != end[1]:
                raise ValueError(f"{net} has a track from {start} to {end}")
            radius = float(sexpr.value(track, "width")) / 2
            for a, b in _outside(start, end, cut):
                there.append(_Copper("", sexpr.value(track, "layer"), a, b, radius))
    groups: list[list[_Copper]] = []
    for one in there:
        near = [group for group in groups if any(one.touches(other) for other in group)]
        groups = [group for group in groups if group not in near] + [sum(near, [one])]
    named = [{one.name for one in group if one.name} for group in groups]
    return sorted(filter(None, named), key=sorted)


@dataclass(frozen=True)
class _Copper:
    """A line with round ends, or a disc, on one layer or ("") on all; a pad has a name."""

    name: str
    layer: str
    start: Place
    end: Place
    radius: float

    def touches(self, other: _Copper) -> bool:
        gaps = [
            max(low - top, bottom - high, 0.0)
            for low, high, bottom, top in zip(self.start, self.end, other.start, other.end, strict=True)
        ]
        one_layer = "" in (self.layer, other.layer) or self.layer == other.layer
        return one_layer and math.hypot(*gaps) < self.radius + other.radius


def _outside(start: Place, end: Place, pad: Pad | None) -> list[tuple[Place, Place]]:
    """What of a track across or down, from its lesser end, is not inside a pad."""
    if pad is None:
        return [(start, end)]
    (left, right), (top, bottom) = (
        (at - size / 2, at + size / 2) for at, size in zip(pad.at, pad.size, strict=True)
    )
    if start[0] > right or end[0] < left or start[1] > bottom or end[1] < top:
        return [(start, end)]
    if start[1] == end[1]:
        rest = [(start, (left, end[1])), ((right, start[1]), end)]
    else:
        rest = [(start, (end[0], top)), ((start[0], bottom), end)]
    return [(a, b) for a, b in rest if a < b]


def disagreements(board: sexpr.Tree, parts: Iterable[Part]) -> list[str]:
    """Where the board has other parts, pads or nets than the circuit, a sentence each; [] if nowhere."""
    said = []
    there = {part.ref: part for part in placed(board)}
    wanted = {part.ref: part for part in parts}
    said += [f"{ref}: on the board only" for ref in sorted(there.keys() - wanted.keys())]
    said += [f"{ref}: in the circuit only" for ref in sorted(wanted.keys() - there.keys())]
    for ref in sorted(there.keys() & wanted.keys()):
        part, on_board = wanted[ref], there[ref]
        if (part.value, part.footprint) != (on_board.value, on_board.footprint):
            said.append(
                f"{ref}: {part.value}, {part.footprint}; on the board {on_board.value}, {on_board.footprint}"
            )
        nets = {pin.number: pin.net for pin in part.pins}
        seen = {pad.number for pad in on_board.pads if pad.number}
        said += [f"{ref} pin {pin}: there is no pad for it" for pin in sorted(nets.keys() - seen)]
        for pad in on_board.pads:
            if pad.net != nets.get(pad.number, ""):
                said.append(
                    f"{ref} pad {pad.number}: {pad.net or 'no net'}, not {nets.get(pad.number) or 'no net'}"
                )
    return said


def _place(tree: sexpr.Tree) -> Place:
    return float(tree[1]), float(tree[2])


def _turn(tree: sexpr.Tree) -> float:
    """Degrees of what stands somewhere: the number after the two of its place, if there is one."""
    more = [word for word in sexpr.one_of(tree, "at")[3:] if word != "unlocked"]
    return float(more[0]) if more else 0.0


def _mover(footprint: sexpr.Tree) -> Callable[[float, float], Place]:
    """From places in a footprint to places on the board."""
    x0, y0 = _place(sexpr.one_of(footprint, "at"))
    turn = math.radians(_turn(footprint))
    sine, cosine = math.sin(turn), math.cos(turn)

    def on_board(x: float, y: float) -> Place:
        return round(x0 + x * cosine + y * sine, 4), round(y0 - x * sine + y * cosine, 4)

    return on_board


def _words(text: sexpr.Tree, words: str, x: float, y: float) -> Words:
    font = sexpr.one_of(sexpr.one_of(text, "effects"), "font")
    size = float(sexpr.one_of(font, "size")[1])
    return Words(words, sexpr.value(text, "layer"), (x, y), size, _turn(text))


def _placed(tree: sexpr.Tree) -> Placed:
    on_board = _mover(tree)
    pads = []
    for pad in sexpr.all_of(tree, "pad"):
        nets = list(sexpr.all_of(pad, "net"))
        at, size = sexpr.one_of(pad, "at"), sexpr.one_of(pad, "size")
        width, height = _place(size)
        if len(at) > 3 and round(float(at[3])) % 180 == 90:
            width, height = height, width
        pads.append(Pad(pad[1], nets[0][2] if nets else "", on_board(*_place(at)), (width, height)))
    texts = {text[1]: text for text in sexpr.all_of(tree, "fp_text")}
    return Placed(
        texts["reference"][2],
        texts["value"][2],
        tree[1],
        _place(sexpr.one_of(tree, "at")),
        _turn(tree),
        tuple(pads),
        tuple(_shapes(tree, on_board)),
        on_board(*_place(sexpr.one_of(texts["reference"], "at"))),
    )


def _shapes(tree: sexpr.Tree, on_board) -> Iterator[Shape]:
    for line in sexpr.all_of(tree, "fp_line"):
        ends = tuple(on_board(*_place(sexpr.one_of(line, end))) for end in ("start", "end"))
        yield Shape(sexpr.value(line, "layer"), ends)
    for poly in sexpr.all_of(tree, "fp_poly"):
        points = tuple(on_board(*_place(xy)) for xy in sexpr.all_of(sexpr.one_of(poly, "pts"), "xy"))
        yield Shape(sexpr.value(poly, "layer"), (*points, points[0]))
    for circle in sexpr.all_of(tree, "fp_circle"):
        centre, rim = (_place(sexpr.one_of(circle, end)) for end in ("center", "end"))
        yield Shape(sexpr.value(circle, "layer"), (on_board(*centre),), round(math.dist(centre, rim), 4))
    for arc in sexpr.all_of(tree, "fp_arc"):
        start, middle, end = (_place(sexpr.one_of(arc, name)) for name in ("start", "mid", "end"))
        yield Shape(sexpr.value(arc, "layer"), tuple(on_board(*at) for at in _along(start, middle, end)))


def _along(start: Place, middle: Place, end: Place) -> list[Place]:
    """Points on the arc through three."""
    (ax, ay), (bx, by), (cx, cy) = start, middle, end
    d = 2 * (ax * (by - cy) + bx * (cy - ay) + cx * (ay - by))
    if abs(d) < 1e-9:
        return [start, end]
    a2, b2, c2 = ax * ax + ay * ay, bx * bx + by * by, cx * cx + cy * cy
    x = (a2 * (by - cy) + b2 * (cy - ay) + c2 * (ay - by)) / d
    y = (a2 * (cx - bx) + b2 * (ax - cx) + c2 * (bx - ax)) / d
    radius = math.dist((x, y), start)
    first, half, last = (math.atan2(py - y, px - x) for px, py in (start, middle, end))
    turn = (last - first) % math.tau
    if (half - first) % math.tau > turn:
        turn -= math.tau
    return [
        (x + radius * math.cos(first + turn * k / 12), y + radius * math.sin(first + turn * k / 12))
        for k in range(13)
    ]
