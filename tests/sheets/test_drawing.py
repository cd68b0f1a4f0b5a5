"""The wiring picture: pins where they are on the connector, lines as measured, and all of it to be read."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.connectors import FAMILIES, connector
from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.sheets.drawing import LANDSCAPE, PORTRAIT, wiring_picture
from pinwright.sheets.layout import lay_out
from pinwright.sheets.plan import GOOD, JOINED, LEAKING, OPEN, PALE, RESISTIVE, UNSTEADY, WRONG, Plan, plan
from pinwright.tester.measurement import Measurement
from pinwright.verdict.facts import Facts, compare
from pinwright.verdict.findings import explain
from pinwright.verdict.resistances import Leak, Link, Resistances

from ..published.footprints import (
    BOX_HEADER,
    DSUB,
    DSUB_HD,
    GENDERS,
    HEADER,
    SOCKET,
    folder,
    from_pin_1,
    pads_of,
)

GOLDEN = Path(__file__).parent / "golden"
POINT = 25.4 / 72  # mm
Box = tuple[float, float, float, float]


# Reading a picture


def drawn(record: Any, **options: Any) -> ElementTree.Element:
    """The picture of a record, as whoever reads XML sees it."""
    svg = wiring_picture(record.profile, record.facts, [one.pins for one in record.findings], **options)
    return ElementTree.fromstring(svg)


def elements(picture: ElementTree.Element, tag: str) -> list[ElementTree.Element]:
    return picture.findall(f"{{http://www.w3.org/2000/svg}}{tag}")


def number(element: ElementTree.Element, name: str) -> float:
    return float(element.get(name, "0"))


def pads(picture: ElementTree.Element) -> dict[str, tuple[float, float, float]]:
    """Pin → the middle of its pad, and half its size."""
    found = {}
    for circle in elements(picture, "circle"):
        found[circle.get("data-pin")] = (number(circle, "cx"), number(circle, "cy"), number(circle, "r"))
    for rect in elements(picture, "rect"):
        half = number(rect, "width") / 2
        found[rect.get("data-pin")] = (number(rect, "x") + half, number(rect, "y") + half, half)
    return {pin: place for pin, place in found.items() if pin}


def words(picture: ElementTree.Element) -> list[str]:
    return [text.text or "" for text in elements(picture, "text")]


def serif(picture: ElementTree.Element) -> list[ElementTree.Element]:
    """The words, and the numbers of findings; those of pins stand in letters of one width."""
    return [text for text in elements(picture, "text") if "Mono" not in text.get("font-family", "")]


def places(path: str) -> list[tuple[float, float]]:
    """All points that a path names, those that pull a curve included."""
    found: list[tuple[float, float]] = []
    for command, rest in re.findall(r"([A-Za-z])([^A-Za-z]*)", path):
        numbers = list(map(float, rest.split()))
        if command == "A":
            found.append((numbers[-2], numbers[-1]))
            continue
        x, y = found[-1] if command == "l" else (0.0, 0.0)
        for dx, dy in zip(numbers[::2], numbers[1::2], strict=True):
            found.append((x + dx, y + dy))
            x, y = found[-1] if command == "l" else (0.0, 0.0)
    return found


def text_box(text: ElementTree.Element) -> Box:
    """About what room a text takes: 0.55 em a character."""
    x, y, size = number(text, "x"), number(text, "y"), number(text, "font-size")
    length = 0.55 * size * len(text.text or "")
    start = {"start": 0.0, "middle": -length / 2, "end": -length}[text.get("text-anchor", "start")]
    if "rotate(-90" in text.get("transform", ""):
        return x - 0.8 * size, y - start - length, x + 0.2 * size, y - start
    return x + start, y - 0.8 * size, x + start + length, y + 0.2 * size


def boxes(picture: ElementTree.Element) -> list[Box]:
    """The room that each element takes."""
    found: list[Box] = [text_box(text) for text in elements(picture, "text")]
    for path in elements(picture, "path"):
        xs, ys = zip(*places(path.get("d", "")), strict=True)
        found.append((min(xs), min(ys), max(xs), max(ys)))
    for circle in elements(picture, "circle"):
        x, y, r = (number(circle, name) for name in ("cx", "cy", "r"))
        found.append((x - r, y - r, x + r, y + r))
    for rect in elements(picture, "rect"):
        x, y = number(rect, "x"), number(rect, "y")
        found.append((x, y, x + number(rect, "width"), y + number(rect, "height")))
    return found


def together(groups: Iterable[Iterable[Any]]) -> set[frozenset[Any]]:
    """What hangs together: groups that share a member made one, as sets of two or more."""
    found: list[set[Any]] = []
    for group in map(set, groups):
        apart = [one for one in found if not one & group]
        found = [*apart, group.union(*(one for one in found if one & group))]
    return {frozenset(one) for one in found if len(one) > 1}


# Pins

# Which footprint shows a connector from which side: see tests/published/test_connector_geometry.py.
FROM_THE_FRONT = {
    **{f"idc-2x{n}": SOCKET.format(f"2x{n:02}") for n in (5, 17, 20)},
    "header-2x20": HEADER.format("2x20"),
    "row-8": HEADER.format("1x08"),
    "dip-14": "Package_DIP.pretty/DIP-14_W7.62mm",
    "dip-40": "Package_DIP.pretty/DIP-40_W15.24mm",
    **{f"dsub-{n}-{gender}": DSUB.format(n, same) for n in (9, 25) for gender, same, _ in GENDERS},
    **{f"dsub-15hd-{gender}": DSUB_HD.format(same) for gender, same, _ in GENDERS},
}
FROM_BEHIND = {
    **{f"idc-2x{n}": BOX_HEADER.format(f"2x{n:02}") for n in (5, 17, 20)},
    "header-2x20": SOCKET.format("2x20"),
    **{f"dsub-{n}-{gender}": DSUB.format(n, other) for n in (9, 25) for gender, _, other in GENDERS},
    **{f"dsub-15hd-{gender}": DSUB_HD.format(other) for gender, _, other in GENDERS},
}
SIDES = [
    *((name, False, footprint) for name, footprint in FROM_THE_FRONT.items()),
    *((name, True, footprint) for name, footprint in FROM_BEHIND.items()),
]


@pytest.fixture(scope="session")
def footprint_pads() -> Callable[[str], dict[str, complex]]:
    """Pad → its place in a footprint of Debian's kicad-footprints (CC-BY-SA-4.0), read and not copied."""
    place = folder()

    def footprint_pads(name: str) -> dict[str, complex]:
        return {pad: complex(*seen) for pad, seen in from_pin_1(pads_of(place / f"{name}.kicad_mod")).items()}

    return footprint_pads


def alone(name: str, **options: Any) -> ElementTree.Element:
    """The picture of a plug by itself."""
    first, second, *_ = connector(name).pins
    wires = [[f"A.{first}", f"A.{second}"]]
    ends = {"A": {"connector": name, "label": "here"}}
    data = {"cable": {"id": "x", "title": "x"}, "ends": ends, "wiring": {"wires": wires}}
    return ElementTree.fromstring(wiring_picture(Profile.from_dict(data), **options))


@pytest.mark.parametrize(("name", "behind", "footprint"), SIDES)
def test_pins_lie_as_the_pads_of_the_footprint_turned_at_most_and_never_mirrored(
    footprint_pads: Callable[[str], dict[str, complex]], name: str, behind: bool, footprint: str
) -> None:
    given = footprint_pads(footprint)
    picture = alone(name, behind={"A"} if behind else ())
    seen = {pin: complex(x, y) for pin, (x, y, _) in pads(picture).items()}
    assert {f"A.{pad}" for pad in given} == set(seen)
    far = max(given, key=lambda pad: abs(given[pad] - given["1"]))
    # To multiply by a complex number is to scale and to turn; no such number mirrors.
    turn = (seen[f"A.{far}"] - seen["A.1"]) / (given[far] - given["1"])
    for pad, place in given.items():
        assert seen[f"A.{pad}"] == pytest.approx(seen["A.1"] + turn * (place - given["1"]), abs=0.1), pad
    assert min(abs(turn.real), abs(turn.imag)) == pytest.approx(0.0, abs=0.02)


# The side by its name, and for pin 1 what is seen: common words for the families, from their descriptions.
VIEWS = {
    "idc-2x20": ("mating face", "ribbon side"),
    "header-2x20": ("mating face", "solder side"),
    "dip-40": ("top", "pin side"),
    "dsub-25-plug": ("mating face", "solder side"),
    "dsub-9-socket": ("mating face", "solder side"),
    "din-5-180-plug": ("mating face", "solder side"),
    "mini-din-6-socket": ("mating face", "solder side"),
    "8p8c": ("contacts towards you", "latch towards you"),
    "row-8": ("mating face", "solder side"),
    "trs": ("side of the plug", "opposite side of the plug"),
    "din-5-180-plug-shell": ("mating face", "solder side"),
}


@pytest.mark.parametrize("behind", [False, True])
@pytest.mark.parametrize("name", VIEWS)
def test_the_caption_says_what_is_seen_and_truly_where_pin_1_is(name: str, behind: bool) -> None:
    picture = alone(name, behind={"A"} if behind else ())
    (caption,) = (text for text in words(picture) if text.startswith("seen: "))
    first = connector(name).pins[0]
    told = re.fullmatch(rf"seen: (.+), pin {first} at the ([a-z ]+)", caption)
    assert told, caption
    assert VIEWS[name][behind] == told[1]
    middles = pads(picture)
    x, y, _ = middles[f"A.{first}"]
    xs, ys = [place[0] for place in middles.values()], [place[1] for place in middles.values()]
    middle = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2
    for word in told[2].split():
        assert {
            "left": x < middle[0],
            "right": x > middle[0],
            "upper": y < middle[1],
            "top": y < middle[1],
            "lower": y > middle[1],
            "bottom": y > middle[1],
            "middle": True,
        }[word], caption


def test_a_plug_from_behind_is_its_mirror_image() -> None:
    front, back = pads(alone("dsub-25-plug")), pads(alone("dsub-25-plug", behind={"A"}))
    twice_the_middle = front["A.1"][0] + back["A.1"][0]
    for pin, (x, y, _) in front.items():
        assert (twice_the_middle - x, y) == pytest.approx(back[pin][:2], abs=0.03), pin
    assert front["A.1"][0] < front["A.13"][0]


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.pattern)
def test_no_two_pins_of_a_connector_leave_it_at_one_place(family: Any) -> None:
    for name in family.names():
        first, second = connector(name).pins[0], connector(name).pins[-1]
        ends = {end: {"connector": name} for end in "AB"}
        wires = [[f"A.{first}", f"B.{first}"]] + ([[f"A.{second}", f"B.{second}"]] if first != second else [])
        data = {"cable": {"id": "x", "title": "x"}, "ends": ends, "wiring": {"wires": wires}}
        for seat in lay_out(Profile.from_dict(data), (), PORTRAIT, 30, 10).seats.values():
            exits = sorted(x for x, _ in seat.exits.values())
            assert set(seat.places) == set(seat.exits)
            near = [right - left for left, right in pairwise(exits)]
            assert min(near, default=seat.pitch) >= 0.19 * seat.pitch, name


def test_pin_1_alone_is_square() -> None:
    for name in VIEWS:
        squares = [rect.get("data-pin") for rect in elements(alone(name), "rect") if rect.get("data-pin")]
        assert [f"A.{connector(name).pins[0]}"] == squares


@pytest.mark.parametrize(
    "ends", [("idc-2x5", "header-2x5"), ("idc-2x5", "idc-2x5"), ("header-2x5", "idc-2x5")]
)
def test_the_marked_edge_of_every_crimped_socket_runs_along_conductor_1(
    record_of: Callable[..., Any], profile_text: Callable[..., str], ends: tuple[str, str]
) -> None:
    wires = [f"A.{n} B.{n}" for n in range(1, 11)]
    picture = drawn(record_of(profile_text(dict(zip("AB", ends, strict=True)), wires)))
    crimped = sum(name.startswith("idc-") for name in ends)
    assert crimped == words(picture).count("marked edge")
    of_1 = [path.get("d") for path in elements(picture, "path") if path.get("data-pins") == "A.1 B.1"]
    assert [of_1[0]] * (crimped + 1) == of_1


# Lines


ENDS = ("row-4", "idc-2x3", "dsub-9-plug", "din-5-180-socket", "dip-8")
STRAY = Pin("@J2", "7")


@st.composite
def measured_cables(draw: st.DrawFn) -> tuple[Profile, Facts]:
    """Any small cable, and anything that may be measured of it."""
    ends = {end: draw(st.sampled_from(ENDS)) for end in "ABC"[: draw(st.integers(2, 3))]}
    pins = [Pin(end, name) for end, plug in ends.items() for name in connector(plug).pins]
    net_of = {pin: draw(st.integers(0, 7)) for pin in pins}
    nets = [[pin for pin in pins if net_of[pin] == net] for net in range(1, 8)]
    wires = [list(map(str, net)) for net in nets if len(net) > 1]
    if not wires:
        wires = [[str(pins[0]), str(pins[-1])]]
    data = {
        "cable": {"id": "x", "title": "x"},
        "ends": {end: {"connector": plug} for end, plug in ends.items()},
        "wiring": {"wires": wires},
    }
    profile = Profile.from_dict(data)
    known = [*pins, STRAY]
    off = draw(st.sets(st.sampled_from(pins), max_size=3))
    found = [[pin for pin in net.pins if pin not in off] for net in profile.nets]
    pairs = st.lists(st.sampled_from(known), min_size=2, max_size=2, unique=True)
    joined = [*(group for group in found if group), *draw(st.lists(pairs, max_size=3))]
    doubtful = [(one, other) for one, other in draw(st.lists(pairs, max_size=3))]
    measurement = Measurement(frozenset(known), tuple(map(tuple, joined)), tuple(doubtful))
    facts = compare(profile, measurement)
    return profile, replace(facts, resistances=draw(measured_ohms(profile, facts)))


@st.composite
def measured_ohms(draw: st.DrawFn, profile: Profile, facts: Facts) -> Resistances | None:
    """Resistances of a cable: any link may have too much, any piece of a net and any unused pin may leak."""
    if draw(st.booleans()):
        return None
    broken = {fact.net.pins: fact.pieces for fact in facts.missing}
    links, leaks = [], []
    for net in profile.nets:
        for piece in broken.get(net.pins, (net.pins,)):
            for pin in piece if len(net.pins) > 2 else piece[:1]:
                if len(piece) > 1 and draw(st.integers(0, 3)) == 0:
                    to = tuple(other for other in piece if other != pin)
                    links.append(Link("", pin, to, 12.0, 3.9, 5.0, None, False))
    pieces = [piece for net in profile.nets for piece in broken.get(net.pins, (net.pins,))]
    for piece in (*pieces, *zip(profile.unused())):
        if draw(st.integers(0, 5)) == 0:
            leaks.append(Leak((), piece, draw(st.sampled_from([4e3, 8e4])), 1e5, False))
    return Resistances(tuple(links), tuple(leaks))


def pins_joined(plan: Plan, *states: str) -> list[tuple[Pin, ...]]:
    """The pins of each line and bridge in one of these states."""
    bridges = [((*bridge.one.pins, *bridge.other.pins), bridge.state) for bridge in plan.bridges]
    lines = [(line.pins, line.state) for line in plan.lines]
    return [pins for pins, state in (*lines, *bridges) if state in states]


@given(measured_cables())
def test_whole_lines_join_what_was_found_joined_and_broken_ones_what_should_be(
    cable: tuple[Profile, Facts],
) -> None:
    profile, facts = cable
    findings = [finding.pins for finding in explain(profile, facts)]
    made = plan(profile, lay_out(profile, (), PORTRAIT, 30, 10), facts, findings)
    whole = pins_joined(made, GOOD, PALE, RESISTIVE, WRONG, JOINED)
    at_times, broken = pins_joined(made, UNSTEADY), pins_joined(made, OPEN)
    assert together(facts.nets) == together(whole)
    assert together([*facts.nets, *facts.doubtful]) == together([*whole, *at_times])
    nets = {pin: net.pins for net in profile.nets for pin in net.pins}
    for one, other in broken:
        assert nets[one] == nets[other]
    for fact in facts.missing:
        between = [pins for pins in (*at_times, *broken) if set(pins) <= set(fact.net.pins)]
        assert {frozenset(fact.net.pins)} == together([*fact.pieces, *between])

    bad_joints = {link.start for link in facts.links if not link.ok}
    resistive = [line.pins for line in made.lines if line.state == RESISTIVE]
    assert bad_joints <= {pin for pins in resistive for pin in pins}
    assert all(bad_joints & set(pins) for pins in resistive)
    leaking = pins_joined(made, LEAKING)
    at = [pin for pins in leaking for pin in pins]
    at += [pin for leak in made.leaks for pin in ([leak.at] if isinstance(leak.at, Pin) else leak.at.pins)]
    joined = {pin for fact in facts.extra for pin in fact.pins}
    leaks = [set(leak.pins) for leak in facts.leaks if joined.isdisjoint(leak.pins)]
    assert len(leaks) == 2 * len(leaking) + len(made.leaks)
    assert all(leak & set(at) for leak in leaks)
    assert set(at) <= set().union(*leaks)

    picture = ElementTree.fromstring(wiring_picture(profile, facts, findings))
    paths = [path for path in elements(picture, "path") if path.get("data-pins")]
    drawn_whole = [path.get("data-pins", "").split() for path in paths if not path.get("stroke-dasharray")]
    assert {frozenset(map(str, piece)) for piece in facts.nets} == together(drawn_whole)
    dashed = {path.get("data-pins") for path in paths if path.get("stroke-dasharray")}
    assert {" ".join(map(str, pins)) for pins in (*at_times, *broken, *leaking)} == dashed
    low, high = (float(text) for text in picture.get("viewBox", "").split()[2:])
    for left, top, right, bottom in boxes(picture):
        assert left >= -0.01
        assert top >= -0.01
        assert right <= low + 0.01
        assert bottom <= high + 0.01


LEAD, FIVE, WOVEN = "lamp-changer-40", "din5-generic-five-core", "woven-40"
KINDS: Mapping[str, Mapping[str, Any]] = {
    "good": {},
    "swap": {"swap": ["A.6 A.9"]},
    "open": {"cut": ["A.6"]},
    "bridge": {"join": ["A.6 A.12"]},
    "unsteady": {"cut": ["A.6"], "doubtful": ["A.6 B.3"]},
    "stray": {"join": ["A.8 @J2.7"]},
    "resistive": {"lane": "calibrated", "joints": {"A.6": 12.0}},
    "leak": {"lane": "calibrated", "leaks": {"A.6": 41_000.0, "A.12": 41_000.0}},
    "leak-to-nowhere": {"lane": "calibrated", "leaks": {"A.6": 41_000.0}},
}


def without_colour(picture: ElementTree.Element) -> set[str]:
    """The kinds of marks in it: commands, widths and dashes, but no colour and no place."""
    return {
        " ".join(
            [element.tag, re.sub(r"[^A-Za-z]", "", element.get("d", "")), *map(str, sorted(look.items()))]
        )
        for element in picture.iter()
        for look in [{name: element.get(name) for name in ("stroke-width", "stroke-dasharray", "r")}]
        if not element.get("data-pin") and element.tag.endswith(("path", "circle"))
    }


def test_every_kind_of_fault_is_told_apart_without_colour(
    record_of: Callable[..., Any], library: Callable[[str], str]
) -> None:
    pictures = {kind: drawn(record_of(library(LEAD), **faults)) for kind, faults in KINDS.items()}
    looks = {kind: without_colour(picture) for kind, picture in pictures.items()}
    for one, other in combinations(looks.values(), 2):
        assert one - other or other - one
    assert len(KINDS) == len(set(map(frozenset, looks.values())))
    for kind, picture in pictures.items():
        legend = {"open", "conducts at times", "wrongly connected", "joined somewhere along their length"}
        legend |= {"too much resistance", "leaks"}
        expected = {
            "good": set(),
            "swap": {"open", "wrongly connected"},
            "open": {"open"},
            "bridge": {"joined somewhere along their length"},
            "unsteady": {"conducts at times"},
            "stray": {"wrongly connected"},
            "resistive": {"too much resistance"},
            "leak": {"leaks"},
            "leak-to-nowhere": {"leaks"},
        }[kind]
        assert expected == legend & set(words(picture)), kind


OHMS: Mapping[str, Any] = {
    "lane": "calibrated",
    "joints": {"A.4": 12.0, "A.6": 5000.0, "A.39": 30.0},
    "leaks": {"A.15": 20_000.0, "A.18": 50_000.0, "A.22": 4_000.0, "A.34": 80_000.0},
    "join": ["A.11 A.13"],
    "cut": ["A.34"],
}
TEN: Mapping[str, Sequence[str]] = {
    "cut": [f"A.{n}" for n in (4, 5, 6, 7)],
    "swap": ["A.15 A.17", "A.20 A.23"],
    "join": ["A.10 A.11", "A.30 A.31", "A.35 @J2.7", "B.2 B.3 "],
}


@pytest.mark.parametrize(
    "faults", [*list(KINDS.values())[1:], TEN, OHMS, {"cut": ["A.4", "A.5", "A.6", "A.7", "A.8", "A.9"]}]
)
def test_the_numbers_of_up_to_ten_findings_are_in_the_picture_and_apart(
    record_of: Callable[..., Any], library: Callable[[str], str], faults: Mapping[str, Sequence[str]]
) -> None:
    record = record_of(library(LEAD), **faults)
    assert 0 < len(record.findings) <= 10
    picture = drawn(record)
    # A finding's number stands in serif letters, a pin's in others.
    numbers = [text for text in serif(picture) if (text.text or "").isdecimal()]
    assert {str(n) for n in range(1, len(record.findings) + 1)} == {text.text for text in numbers}
    for one, other in combinations(numbers, 2):
        gap = abs(complex(number(one, "x") - number(other, "x"), number(one, "y") - number(other, "y")))
        assert gap > 3.6


def test_grounds_that_were_found_joined_and_may_be_are_drawn_so_and_no_fault(
    record_of: Callable[..., Any], library: Callable[[str], str]
) -> None:
    record = record_of(library(LEAD), join=["A.1 A.3", "B.7 B.12"])
    assert record.passed
    picture = drawn(record)
    lines = [path.get("data-pins", "").split() for path in elements(picture, "path")]
    assert {frozenset(map(str, piece)) for piece in record.facts.nets} == together(lines)
    assert "joined, as they may be" in words(picture)
    assert {"#ffffff"} == {pad.get("fill") for pad in elements(picture, "circle") if pad.get("data-pin")}


# Legibility


@pytest.fixture(scope="session")
def pictures(
    record_of: Callable[..., Any], library: Callable[[str], str], profile_text: Callable[..., str]
) -> Mapping[str, ElementTree.Element]:
    """The pictures that are kept as files, by name."""
    side_by_side = {"A": "idc-2x25", "B": "idc-2x25", "C": "header-2x40", "D": "row-20"}
    hundred = [
        *(f"A.{n} C.{n}" for n in range(1, 51)),
        *(f"B.{n} C.{n + 50}" for n in range(1, 31)),
        *(f"B.{n + 30} D.{n}" for n in range(1, 21)),
    ]
    labels = {"A": "left rack", "B": "right rack, " + "a label that is long " * 4 + "indeed"}
    loop = ["A.2 A.3", "A.7 A.8", "A.4 A.6", "A.1 A.9"]
    looped = {"lane": "calibrated", "joints": {"A.2": 12.0, "A.1": 12.0}, "leaks": {"A.5": 4e3, "A.7": 3e4}}
    grounds = {"A": "row-5", "B": "row-5"}
    net = {"lane": "calibrated", "joints": {"A.2": 12.0, "B.3": 30.0}, "leaks": {"A.5": 4e3, "B.5": 9e4}}
    made = {
        **{f"lead-{kind}": drawn(record_of(library(LEAD), **faults)) for kind, faults in KINDS.items()},
        "lead-ten": drawn(record_of(library(LEAD), **TEN)),
        "lead-ohms": drawn(record_of(library(LEAD), **OHMS)),
        "large-net-ohms": drawn(
            record_of(profile_text(grounds, ["A.1 A.2 A.3 B.1 B.2 B.3", "A.4 B.4"]), **net)
        ),
        "loop-back-ohms": drawn(record_of(profile_text({"A": "dsub-9-socket"}, loop), **looped)),
        "lead-grounds-linked": drawn(record_of(library(LEAD), join=["A.1 A.3", "B.7 B.12"])),
        "lead-turned-round": drawn(record_of(library(LEAD)), behind={"A"}),
        "five": drawn(record_of(library(FIVE))),
        "hundred": drawn(record_of(profile_text(side_by_side, hundred, labels=labels)), width_mm=LANDSCAPE),
        "three-ends": drawn(record_of(library(WOVEN))),
        "loop-back": drawn(record_of(profile_text({"A": "dsub-9-socket"}, loop))),
        "loop-back-faults": drawn(
            record_of(profile_text({"A": "dsub-9-socket"}, loop), cut=["A.2"], join=["A.7 A.5", "A.1 A.4"])
        ),
    }
    return made


def test_everything_lies_within_the_picture(pictures: Mapping[str, ElementTree.Element]) -> None:
    for name, picture in pictures.items():
        width, height = (float(text) for text in picture.get("viewBox", "").split()[2:])
        assert width <= (LANDSCAPE if name == "hundred" else PORTRAIT)
        for left, top, right, bottom in boxes(picture):
            assert (left, top) >= (-0.01, -0.01), name
            assert right <= width + 0.01, name
            assert bottom <= height + 0.01, name


def test_words_lie_beside_each_other_never_over_each_other(
    pictures: Mapping[str, ElementTree.Element],
) -> None:
    for name, picture in pictures.items():
        for one, other in combinations(serif(picture), 2):
            a, b = text_box(one), text_box(other)
            apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
            assert apart, (name, one.text, other.text)


@pytest.mark.parametrize(("name", "width", "height"), [("five", PORTRAIT, 90), ("hundred", LANDSCAPE, 155)])
def test_the_smallest_pin_number_is_legible_on_its_page(
    pictures: Mapping[str, ElementTree.Element], name: str, width: float, height: float
) -> None:
    """3.5 pt at least, what the smallest print on paper has: common practice, no source. height: mm that the
    page leaves for the picture."""
    picture = pictures[name]
    own = [float(text) for text in picture.get("viewBox", "").split()[2:]]
    scale = min(width / own[0], height / own[1])
    of_pins = set(elements(picture, "text")) - set(serif(picture))
    numbers = [text for text in of_pins if (text.text or "").isdecimal()]
    assert min(number(text, "font-size") for text in numbers) * scale >= 3.5 * POINT
    for (pin, (x, y, r)), (other, (a, b, s)) in combinations(pads(picture).items(), 2):
        assert abs(complex(x - a, y - b)) > r + s, (pin, other)


def test_words_that_look_like_markup_come_out_as_words(
    record_of: Callable[..., Any], profile_text: Callable[..., str]
) -> None:
    label = "<script>&\"' ]]> <!--"
    text = profile_text({"A": "row-4", "B": "row-4"}, ["A.1 B.1"], labels={"A": label})
    assert label in words(drawn(record_of(text)))


NAMES = (
    *(f"lead-{kind}" for kind in KINDS),
    *(
        "lead-ten",
        "lead-ohms",
        "large-net-ohms",
        "loop-back-ohms",
        "lead-grounds-linked",
        "lead-turned-round",
        "five",
        "hundred",
        "three-ends",
        "loop-back",
        "loop-back-faults",
    ),
)


@pytest.mark.parametrize("name", NAMES)
def test_a_picture_is_as_it_was_looked_at(pictures: Mapping[str, ElementTree.Element], name: str) -> None:
    """PINWRIGHT_REGENERATE=1 writes the files anew: look at the pictures then."""
    ElementTree.register_namespace("", "http://www.w3.org/2000/svg")
    svg = ElementTree.tostring(pictures[name], encoding="unicode").replace("><", ">\n<") + "\n"
    file = GOLDEN / f"{name}.svg"
    if os.environ.get("PINWRIGHT_REGENERATE"):
        file.write_text(svg, encoding="utf-8")
    assert file.read_text(encoding="utf-8") == svg


def test_all_pictures_are_kept(pictures: Mapping[str, ElementTree.Element]) -> None:
    assert set(NAMES) == set(pictures) == {file.stem for file in GOLDEN.glob("*.svg")}


def test_a_cable_of_forty_ends_is_drawn() -> None:
    ends = {f"E{n}": {"connector": "row-2"} for n in range(1, 41)}
    wires = [[f"E{n}.{pin}" for n in range(1, 41)] for pin in (1, 2)]
    many = Profile.from_dict({"cable": {"id": "x"}, "ends": ends, "wiring": {"wires": wires}})
    boxes = sorted(seat.box for seat in lay_out(many, (), PORTRAIT, 30, 10).seats.values() if seat.top)
    assert 39 == len(boxes)
    assert all(one[2] < other[0] for one, other in pairwise(boxes))
    assert wiring_picture(many, None, []).startswith("<svg")
