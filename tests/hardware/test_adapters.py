"""The adapters that come with the program: their files, sheets and drawings agree, no scan can take one for
another, and the library's cables find sockets through them.

The sheets and drawings are read as a person reads them, not made again: `hardware/generate.py --check` holds
them against their source.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from itertools import combinations, pairwise, permutations
from pathlib import Path
from xml.etree import ElementTree

import pytest

from pinwright.cable.connectors import connector
from pinwright.cable.profile import End, Profile
from pinwright.cli.ports import Workshop, plug_in
from pinwright.errors import PlacementError
from pinwright.library import LoadedProfile, all_profiles, find_profile, library_folders
from pinwright.link import Line, drive
from pinwright.tester.adapter import GENERIC, Adapter
from pinwright.tester.fixture import Placement, place
from pinwright.tester.marks import check_marks
from pinwright.tester.measurement import Evidence
from pinwright.tester.session import Session
from pinwright.verdict.agreement import decide
from pinwright.virtual.bench import Bench, good_bench

from ..desk import Desk

ROOT = Path(__file__).parents[2]
HARDWARE = ROOT / "hardware"
SHEETS = HARDWARE / "adapters" / "sheets"
FILES = {path.stem: path for path in sorted((HARDWARE / "adapters").glob("*.toml"))}
ADAPTERS = {
    name: Adapter.from_dict(tomllib.loads(path.read_text(encoding="utf-8"))) for name, path in FILES.items()
}
BOX = {name: one for name, one in ADAPTERS.items() if one.fits == "box-2x20"}
BRIDGED = {name: one for name, one in ADAPTERS.items() if one.fits == "zif-40"}
WORKSHOP = Workshop.read()
FIXTURE = WORKSHOP.fixtures["tester-128"]
POINTS = FIXTURE.points
BRIDGE_ALONE = "idc-2x20-zif"  # uses every position, so that nothing is left to know it by
FULL, SMALL = 128, 80


def test_the_usual_connectors_all_have_one() -> None:
    both = [f"dsub-{size}" for size in ("9", "15", "25", "37", "15hd")]
    both += ["micro-ribbon-36", "xlr-3", "din-5-180", "din-6", "mini-din-4", "mini-din-6", "mini-din-8"]
    wanted = [f"{kind}-{gender}" for kind in both for gender in ("plug", "socket")]
    wanted += ["8p8c", "6p6c", "trs", "ts"]
    wanted += [f"idc-2x{columns}" for columns in (5, 7, 8, 10, 12, 13, 14, 17, 18)]
    assert set(wanted) <= BOX.keys()
    assert {f"{name}-zif" for name in wanted} <= BRIDGED.keys()


@pytest.mark.parametrize("name", FILES)
def test_a_file_is_named_after_its_adapter_and_that_after_its_connector(name: str) -> None:
    one = ADAPTERS[name]
    assert name == one.id
    assert one.takes == (name.removesuffix("-zif"),)
    assert one.title
    assert one.revision
    assert ("zif-40" if name.endswith("-zif") else "box-2x20") == one.fits


# ---- marks


@pytest.mark.parametrize("name", BOX)
def test_one_for_a_box_header_uses_the_first_positions_in_order(name: str) -> None:
    """On this rests that different marks suffice: hardware/adapters.toml."""
    one = BOX[name]
    pins = connector(one.takes[0]).pins
    assert list(range(1, len(pins) + 1)) == [one.position_of[pin] for pin in pins]
    (mark,) = one.joined
    assert len(pins) < min(mark)


def test_no_two_have_the_same_mark() -> None:
    marks = [one.joined for one in BOX.values()]
    assert len(marks) == len(set(marks))


def test_neighbours_and_threes_are_left_to_a_person_s_own() -> None:
    kept = {(10, 11), (11, 12), (26, 27), (27, 28), (37, 38), (38, 39), (38, 39, 40)}
    for one in BOX.values():
        (mark,) = one.joined
        assert mark in kept or (len(mark) == 2 and mark[1] - mark[0] > 1)


def test_the_marks_of_boards_that_may_have_been_built_are_as_they_were() -> None:
    older = {"dsub-9-plug": (10, 11), "dsub-9-socket": (11, 12), "dsub-25-plug": (26, 27)}
    older |= {"dsub-25-socket": (27, 28)}
    assert older == {name: BOX[name].joined[0] for name in older}
    assert {"A"} == {BOX[name].revision for name in older}


def test_none_can_be_mistaken_for_any_other() -> None:
    """`library.read_adapters` relies on it, and compares only a person's own with all."""
    wrong = [(one, other) for one, other in permutations(ADAPTERS, 2) if mistaken(one, other)]
    assert [] == wrong


def mistaken(one: str, other: str) -> bool:
    return ADAPTERS[one].mistaken_for(ADAPTERS[other])


def test_only_the_bridge_alone_has_no_mark() -> None:
    assert [BRIDGE_ALONE] == [name for name, one in ADAPTERS.items() if not one.joined]
    assert () == ADAPTERS[BRIDGE_ALONE].spare


def evidence(joined: Sequence[Sequence[int]]) -> Evidence:
    rows = [0] * POINTS
    for group in joined:
        for one, other in combinations(group, 2):
            rows[one] |= 1 << other
            rows[other] |= 1 << one
    matrix = b"".join(row.to_bytes(POINTS // 8, "little") for row in rows)
    few, each = bytes(POINTS // 8), bytes(POINTS)
    return Evidence(POINTS, matrix, matrix, bytes(len(matrix)), few, few, each)


def in_socket(kind: str, through: str = "") -> Placement:
    """One end in the first socket of that kind, through that adapter where one is named."""
    one = ADAPTERS[through] if through else None
    plug = connector(one.takes[0] if one else "row-2")
    by_hand = {"A": "S1" if kind == "zif-40" else "J1"}
    return place([End("A", plug, "", {})], FIXTURE, FULL, by_hand, tuple(ADAPTERS.values()))


def looked_at(seen: Evidence, placement: Placement) -> None:
    check_marks(seen, FIXTURE, placement, tuple(ADAPTERS.values()), bytes(POINTS))


MARKED = [name for name in ADAPTERS if name != BRIDGE_ALONE]


@pytest.mark.parametrize("name", MARKED)
def test_the_right_one_is_known_and_none_or_the_generic_one_is_refused_in_its_place(name: str) -> None:
    """A generic adapter brings the pins of this very connector to its first positions, whatever the cable
    joins there; in the DIP socket those are partly positions of the mark."""
    one = ADAPTERS[name]
    placement = in_socket(one.fits, name)
    socket = FIXTURE.socket(placement.sockets["A"])
    mark = socket.at(one.joined[0])
    pins = socket.at(one.position_of.values())
    assert {"A": name} == placement.adapters
    looked_at(evidence([mark, pins]), placement)
    for cable in ([], [pins], [socket.points[: len(pins)]]):
        with pytest.raises(PlacementError, match=f"goes through adapter `{name}`") as error:
            looked_at(evidence(cable), placement)
        assert 2 == error.value.status


@pytest.mark.parametrize("name", MARKED)
def test_one_where_the_generic_one_or_none_is_due_is_named(name: str) -> None:
    one = ADAPTERS[name]
    placement = in_socket(one.fits)
    socket = FIXTURE.socket(placement.sockets["A"])
    with pytest.raises(PlacementError, match=f"the mark of adapter `{name}`"):
        looked_at(evidence([socket.at(one.joined[0])]), placement)
    other = in_socket("zif-40" if one.fits == "box-2x20" else "box-2x20")
    with pytest.raises(PlacementError, match=f"the mark of adapter `{name}`"):
        looked_at(evidence([socket.at(one.joined[0])]), other)


# ---- sheets


def tables(path: Path) -> list[list[list[str]]]:
    """The tables of a Markdown text, each by its rows, without the head."""
    found: list[list[list[str]]] = [[]]
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("|"):
            found[-1].append([cell.strip() for cell in line.strip("|").split("|")])
        elif found[-1]:
            found.append([])
    return [rows[2:] for rows in found if rows]


@cache
def the_bridge() -> Mapping[int, int]:
    """Position of the 2×20 header → pin of the DIP socket, from the bridge's own table."""
    way = {}
    for _, left, odd, even, right in tables(SHEETS / "bridge.md")[1]:
        way[int(odd)], way[int(even)] = (int(pin.removeprefix("S1.")) for pin in (left, right))
    return way


def test_the_bridge_brings_each_position_to_a_pin_of_its_own() -> None:
    assert list(range(1, 41)) == sorted(the_bridge()) == sorted(the_bridge().values())
    assert {1: 1, 2: 40, 39: 20, 40: 21}.items() <= the_bridge().items()


def test_the_bridge_is_drawn_as_its_table_says() -> None:
    root = drawing("bridge")
    pins = {mark.get("data-row"): [] for mark in root.iter() if mark.get("data-position")}
    for mark in root.iter():
        place = (mark.get("data-position") or "", mark.get("data-s1") or "")
        if any(place):
            x = float(mark.get("cx") or float(mark.get("x", "")) + float(mark.get("width", "")) / 2)
            pins[mark.get("data-row")].append((x, *place))
    (cut,) = [x for mark in root.iter() if mark.get("data-cut") for x, _ in points_of(mark)][:1]
    drawn = {}
    for row in pins.values():
        for side in (True, False):
            _, positions, names = zip(*(one for one in row if (one[0] < cut) is side), strict=True)
            drawn[int("".join(positions))] = int("".join(names))
    assert the_bridge() == drawn
    (notch,) = (mark for mark in root.iter() if mark.get("data-notch"))
    assert "its notch towards S1.1 to S1.20" in (HARDWARE / "ADAPTERS.md").read_text("utf-8")
    assert {1, 20} <= {drawn[k] for k in range(1, 41, 2)}  # a box header has its notch where its odd pins are
    assert centre(notch)[0] < cut


@pytest.mark.parametrize("name", [name for name in BOX if not name.startswith(("dip-", "idc-"))])
def test_the_ribbon_s_used_part_fits_under_the_tie(name: str) -> None:
    one = BOX[name]
    (strips_there,) = re.findall(r"stripboard, (\d+) strips", (SHEETS / f"{name}.md").read_text("utf-8"))
    assert len(one.position_of) + 1 == int(strips_there)
    assert 1.27 * max(*one.position_of.values(), *one.joined[0]) < 2.54 * int(strips_there)


@pytest.mark.parametrize("name", BOX)
def test_no_free_conductor_is_drawn_as_long_as_the_one_beside_it(name: str) -> None:
    found = {mark.get("data-free"): points_of(mark) for mark in drawing(name).iter() if mark.get("data-free")}
    free = {int(k or 0): sum(abs(b - a) for a, b in zip(*ends, strict=True)) for k, ends in found.items()}
    used = {*BOX[name].position_of.values(), *BOX[name].joined[0]}
    assert {*range(1, 41)} - used == free.keys()
    assert all(abs(free[k] - free[k + 1]) > 1 for k in free.keys() & {k - 1 for k in free})


@pytest.mark.parametrize("name", BRIDGED)
def test_one_through_the_bridge_is_the_same_one_in_the_dip_socket(name: str) -> None:
    if name == BRIDGE_ALONE:
        straight = {str(k): k for k in range(1, 41)}
        assert {pin: the_bridge()[k] for pin, k in straight.items()} == BRIDGED[name].position_of
        return
    box, bridged = BOX[name.removesuffix("-zif")], BRIDGED[name]
    assert {pin: the_bridge()[k] for pin, k in box.position_of.items()} == bridged.position_of
    assert {tuple(sorted(the_bridge()[k] for k in group)) for group in box.joined} == {*bridged.joined}


@pytest.mark.parametrize("name", BOX)
def test_a_sheet_s_table_says_what_the_file_says(name: str) -> None:
    one = BOX[name]
    rows = tables(SHEETS / f"{name}.md")[1]
    assert one.position_of == {pin: int(position) for pin, position, *_ in rows if pin != "mark"}
    assert [one.joined[0]] == [tuple(int(position) for pin, position, *_ in rows if pin == "mark")]
    if f"{name}-zif" in BRIDGED:
        assert all(f"S1.{the_bridge()[int(row[1])]}" == row[3] for row in rows)
    else:
        assert {3} == {len(row) for row in rows}


# ---- what the steps need is on the sheet

WIRED = [name for name in BOX if not name.startswith(("dip-", "idc-"))]
DIP = [name for name in BOX if name.startswith("dip-")]
BOARD_THICK, RIBBON_THICK = 1.6, 1.0  # mm; the ribbon's rather too much
GRIP = 15.0  # mm of a tie for its head and to pull at, at the least


def parts_of(name: str) -> dict[str, str]:
    """Part → quantity, as the sheet lists them."""
    return {part: quantity for quantity, part in tables(SHEETS / f"{name}.md")[0]}


def numbers_of(name: str, pattern: str) -> tuple[float, ...]:
    """The numbers of the one part of the sheet that is written so, its quantity first."""
    ((quantity, found),) = [
        (quantity, found)
        for part, quantity in parts_of(name).items()
        if (found := re.fullmatch(pattern, part))
    ]
    return float(quantity), *map(float, found.groups())


def steps(kind: str) -> list[str]:
    """The steps of that order of work in ADAPTERS.md, each in one line."""
    text = (HARDWARE / "ADAPTERS.md").read_text(encoding="utf-8")
    (section,) = re.findall(rf"^## Order of work: {kind}\n(.*?)^## ", text, re.MULTILINE | re.DOTALL)
    return [" ".join(step.split()) for step in re.split(r"^\d+\. ", section, flags=re.MULTILINE)[1:]]


def step_with(kind: str, words: str) -> int:
    """Which step says so first."""
    return next(number for number, step in enumerate(steps(kind), start=1) if words in step)


@pytest.mark.parametrize("name", WIRED + DIP)
def test_the_tie_of_a_sheet_goes_round_its_board_and_into_the_nicks(name: str) -> None:
    dip = name in DIP
    _, strips_there, holes = numbers_of(name, r"stripboard, (\d+) strips × (\d+) holes, 2\.54 mm")
    across, layers = (holes, 2) if dip else (strips_there, 1)  # a DIP socket's ribbon comes along the strips
    one, length, narrow, broad = numbers_of(
        name, r"cable tie, (\d+) mm or longer, ([\d.]+) to ([\d.]+) mm wide"
    )
    assert one == 1
    assert 2 * (across * 2.54 + BOARD_THICK + layers * RIBBON_THICK) + GRIP <= length
    file_nicks = steps("`dip`" if dip else "`wired`")[0 if dip else 1]
    (nick,) = re.findall(r"nicks .*?(\d+) mm wide and", file_nicks)
    assert narrow < broad < float(nick)


@pytest.mark.parametrize("name", WIRED)
def test_a_sheet_lists_a_wire_and_a_sleeve_for_each_contact_that_is_drawn(name: str) -> None:
    contacts = len(drawing(name).findall(".//*[@data-contact]"))
    wires, _, _, thick = numbers_of(name, r"wires, (\d+) cm, ([\d.]+) to ([\d.]+) mm²")
    sleeves, long, bore = numbers_of(
        name, r"heat-shrink sleeves, (\d+) mm long, bore ([\d.]+) mm before it shrinks"
    )
    assert contacts == wires == sleeves
    assert long >= 8
    assert 1.3 <= bore  # mm, over insulated wire of so much: assumed
    assert thick <= 0.25


@pytest.mark.parametrize("name", [name for name in BOX if name.startswith("idc-")])
def test_a_crimped_one_has_a_sleeve_longer_than_what_is_bared_and_no_tie(name: str) -> None:
    one, long, bore = numbers_of(
        name,
        r"heat-shrink sleeve, (\d+) mm long, bore ([\d.]+) mm before it shrinks, for the joint of the mark",
    )
    (bared,) = re.findall(r"Bare (\d+) mm", " ".join(steps("`crimped`")))
    assert one == 1
    assert 2 * float(bared) <= long
    assert len(BOX[name].joined[0]) * 0.95 <= bore  # mm, a conductor of a ribbon with 28 AWG: assumed
    assert not [part for part in parts_of(name) if "tie" in part or "stripboard" in part]


def test_nicks_come_before_anything_is_soldered_and_a_sleeve_before_its_joint() -> None:
    for kind in ("`wired`", "`dip`"):
        assert step_with(kind, "file the nicks") < step_with(kind, "Solder")
        assert step_with(kind, "file the nicks") < step_with(kind, "in the nicks")
    wires = steps("`wired`")[step_with("`wired`", "sleeve") - 1]
    assert (
        wires.index("slide a sleeve")
        < wires.index("then solder it to the contact")
        < wires.index("shrink it")
    )


def test_the_jacks_that_are_not_drawn_from_their_solder_side_are_those_of_the_text() -> None:
    captions = {name: " ".join(mark.text or "" for mark in drawing(name).iter()) for name in WIRED}
    otherwise = {name for name, caption in captions.items() if "solder side" not in " ".join(caption.split())}
    (named,) = re.findall(r"of ([^;]*) jacks it shows what its caption says", " ".join(steps("`wired`")))
    assert otherwise == {word.lower() for word in re.findall(r"\w*[A-Z]\w*", named)}


# ---- drawings


@cache
def drawing(name: str) -> ElementTree.Element:
    return ElementTree.fromstring((SHEETS / f"{name}.svg").read_text(encoding="utf-8"))


def points_of(wire: ElementTree.Element) -> list[tuple[float, float]]:
    numbers = [float(word) for word in re.findall(r"-?[\d.]+", wire.get("d", ""))]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


def centre(mark: ElementTree.Element) -> tuple[float, float]:
    if mark.tag.endswith("circle"):
        return float(mark.get("cx", "")), float(mark.get("cy", ""))
    x, y, width, height = (float(mark.get(key, "")) for key in ("x", "y", "width", "height"))
    return x + width / 2, y + height / 2


def near(one: float, other: float) -> bool:
    return abs(one - other) < 0.05


def strips(root: ElementTree.Element) -> dict[str, float]:
    """Name of each strip → its height."""
    named = [(mark.get("data-strip-named"), mark) for mark in root.iter()]
    return {name: centre(mark)[1] for name, mark in named if name}


@pytest.mark.parametrize("name", BOX)
def test_a_drawing_joins_what_the_file_says_and_nothing_else(name: str) -> None:
    root, one = drawing(name), BOX[name]
    wires = [mark for mark in root.iter() if mark.get("data-conductor")]
    ends = {int(wire.get("data-conductor", "")): wire.get("data-strip", "") for wire in wires}
    assert len(wires) == len(ends)
    marked = tuple(sorted(k for k, strip in ends.items() if strip == "M"))
    assert one.joined == (marked,)
    if root.find(".//*[@data-strip-named]") is None:  # crimped: the conductors themselves end at the pins
        pins = [(wire.get("data-pin"), int(wire.get("data-conductor", ""))) for wire in wires]
        meets = {pin: k for pin, k in pins if pin}
    elif root.find(".//*[@data-cut]") is None:
        pin_on = {mark.get("data-strip"): mark.get("data-pin") for mark in root.findall(".//*[@data-pin]")}
        assert len(pin_on) == len(one.position_of)
        meets = {pin_on[strip]: k for k, strip in ends.items() if strip != "M"}
    else:  # the contacts of a DIP socket stand in the strips
        pin_on = {mark.get("data-strip"): mark.get("data-contact", "") for mark in root.iter()}
        meets = {pin_on[strip]: k for k, strip in ends.items() if strip != "M"}
    assert one.position_of == meets


@pytest.mark.parametrize("name", BOX)
def test_the_marked_edge_is_drawn_on_conductor_1_and_called_so(name: str) -> None:
    """It touches that line over its whole length, is none of the conductors, and lies outwards of all."""
    root = drawing(name)
    (edge,) = root.findall(".//*[@data-edge]")
    upright = name in DIP
    stretch = [place[::-1] if upright else place for place in points_of(edge)]
    ways = {
        int(mark.get("data-conductor", "")): [
            place[::-1] if upright else place for place in points_of(mark)[:2]
        ]
        for mark in root.findall(".//*[@data-conductor]")
    }
    (start, at), (end, also) = stretch
    thick = float(edge.get("stroke-width", "")) / 2
    first = root.find(".//*[@data-conductor='1']")
    assert first is not None
    assert at == also
    assert min(x for x, _ in ways[1]) <= min(start, end)
    assert max(start, end) <= max(x for x, _ in ways[1])
    assert 0 < ways[1][0][1] - at < thick + float(first.get("stroke-width", "")) / 2
    assert all(at < y for way in ways.values() for _, y in way)
    words = [mark.text for mark in root.iter() if mark.tag.endswith("text")]
    assert "marked edge:" in words
    assert "conductor 1" == words[words.index("marked edge:") + 1]


@pytest.mark.parametrize("name", WIRED)
def test_a_fan_that_is_not_so_in_earnest_is_owned_up_to(name: str) -> None:
    text = " ".join(mark.text or "" for mark in drawing(name).iter() if mark.tag.endswith("text"))
    assert "drawn fanned out; really it stays whole, under the tie, up to the third hole." in text
    assert "over the first three holes" in " ".join(steps("`wired`"))


@pytest.mark.parametrize("name", BOX)
def test_a_drawing_s_lines_end_where_their_labels_say(name: str) -> None:
    root = drawing(name)
    heights = strips(root)
    contacts = {mark.get("data-contact"): centre(mark) for mark in root.iter() if mark.get("data-contact")}
    for wire in root.iter():
        end = points_of(wire)[-1] if wire.get("d") else None
        strip = wire.get("data-strip", "")
        if wire.get("data-conductor") and heights:
            assert near(heights[strip.partition(" ")[0]], end[1])
        elif wire.get("data-pin") and heights:
            x, y = contacts[wire.get("data-pin")]
            assert near(heights[strip], points_of(wire)[0][1])
            assert near(x, end[0])
            assert near(y, end[1])
    for mark in root.iter():
        if mark.get("data-contact") and mark.get("data-strip"):
            assert near(heights[mark.get("data-strip", "").partition(" ")[0]], centre(mark)[1])


@pytest.mark.parametrize("name", DIP)
def test_each_strip_of_a_dip_socket_is_cut_between_its_rows(name: str) -> None:
    root, heights = drawing(name), strips(drawing(name))
    cuts = {mark.get("data-cut"): centre(mark) for mark in root.iter() if mark.get("data-cut")}
    assert cuts.keys() == heights.keys() - {"M"}
    for mark in root.iter():
        strip, _, side = (mark.get("data-strip") or "").partition(" ")
        if side:
            x, y = centre(mark) if mark.get("data-contact") else points_of(mark)[-1]
            assert near(y, cuts[strip][1])
            assert (x < cuts[strip][0]) is (side == "left")


@pytest.mark.parametrize("name", WIRED)
def test_no_two_wires_of_a_drawing_lie_on_each_other(name: str) -> None:
    """They may cross at right angles; from the strips to the contacts all go across or up and down."""
    wires = [points_of(mark) for mark in drawing(name).iter() if mark.get("data-pin")]
    pieces = [(number, *sorted(pair)) for number, points in enumerate(wires) for pair in pairwise(points)]
    for (one, (x0, y0), (x1, y1)), (other, (x2, y2), (x3, y3)) in combinations(pieces, 2):
        if one != other and near(x0, x1) and near(x2, x3) and abs(x0 - x2) < 0.7:
            assert min(y1, y3) <= max(y0, y2)
        if one != other and near(y0, y1) and near(y2, y3) and abs(y0 - y2) < 0.7:
            assert min(x1, x3) <= max(x0, x2)


@pytest.mark.parametrize("name", [name for name in BOX if re.search("-(plug|socket)(-shell)?$", name)])
def test_the_connector_of_an_adapter_is_drawn_from_where_it_is_soldered(name: str) -> None:
    """The mate of what is on the cable, from behind: turned at most, never mirrored. Three contacts tell."""
    other = {"plug": "socket", "socket": "plug"}
    mate = connector(re.sub("plug|socket", lambda found: other[found[0]], name)).from_behind()
    drawn = {
        mark.get("data-contact", ""): centre(mark) for mark in drawing(name).findall(".//*[@data-contact]")
    }
    for one, two, three in combinations([pin for pin in mate.pins if pin != "SHELL"], 3):
        real, seen = (turn(places[one], places[two], places[three]) for places in (mate.positions, drawn))
        if abs(real) > 0.5:  # mm²; the middle row of three is all but in line with the others
            assert (real > 0) is (seen > 0)


def turn(one: Sequence[float], two: Sequence[float], three: Sequence[float]) -> float:
    """Positive where the three turn to the right, y being down; 0 in a line."""
    return (two[0] - one[0]) * (three[1] - one[1]) - (two[1] - one[1]) * (three[0] - one[0])


def test_the_list_has_every_adapter_with_its_mark() -> None:
    (rows,) = [rows for rows in tables(HARDWARE / "ADAPTERS.md") if rows[0][1].startswith("[`")]
    listed = {row[1].partition("`")[2].partition("`")[0]: row[2] for row in rows}
    assert {name: "–".join(map(str, one.joined[0])) for name, one in BOX.items()} == listed


def test_a_sheet_that_nothing_is_made_of_is_noticed(tmp_path: Path) -> None:
    without = shutil.ignore_patterns("__pycache__")
    copy = Path(shutil.copytree(HARDWARE, tmp_path / "hardware", ignore=without))
    text = (copy / "adapters.toml").read_text(encoding="utf-8")
    (row,) = re.findall(r"^idc-2x7 = .*\n", text, re.MULTILINE)
    (copy / "adapters.toml").write_text(text.replace(row, "").replace("[4, 6]", "[4, 9]"), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(copy / "generate.py"), "--check"],
        env={**os.environ, "PYTHONPATH": str(ROOT / "host")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert 1 == done.returncode, done.stderr
    for gone in ("idc-2x7.toml", "idc-2x7-zif.toml", "idc-2x7.md", "idc-2x7.svg"):
        assert f"{gone} is nothing that hardware/generate.py makes" in done.stdout
    changed = [name for name, one in BOX.items() if one.joined == ((4, 6),)]
    assert 1 == len(changed)
    assert f"{changed[0]}.toml is not what hardware/generate.py makes" in done.stdout


# ---- the library's cables

LIBRARY = {
    found.profile.id: found.profile
    for found in all_profiles(library_folders())
    if isinstance(found, LoadedProfile)
}
ONE_SOCKET_FOR_DIP = {"dip16-to-dip16-same-plugs": "S1 takes end A"}
TOO_MANY_PINS = {"scsi50-ribbon-straight": "J1 has 40 pins, S1 has 40 pins"}
# The small board has J1 and S1, and what has an adapter through the bridge finds S1; not a 2×20 socket, which
# the program puts there by hand only, and no third end.
TWO_OF_2X20 = ("ata40-straight", "ata80c-host-to-master-black", "raw-ribbon-40")
NOT_ON_THE_SMALL = {
    **dict.fromkeys(TWO_OF_2X20, "S1 does not take it straight in, J2 is not fitted"),
    **dict.fromkeys(("trs-insert-y", "woven-40"), "J2 is not fitted"),
}
NOWHERE = ONE_SOCKET_FOR_DIP | TOO_MANY_PINS


@pytest.mark.parametrize("points", [FULL, SMALL])
@pytest.mark.parametrize("name", LIBRARY)
def test_a_cable_of_the_library_finds_sockets_and_needs_no_generic_adapter(name: str, points: int) -> None:
    why = NOWHERE.get(name) or (NOT_ON_THE_SMALL.get(name) if points == SMALL else None)
    if why:
        with pytest.raises(PlacementError, match=re.escape(why)):
            place(LIBRARY[name].ends, FIXTURE, points, {}, WORKSHOP.adapters)
        return
    placement = place(LIBRARY[name].ends, FIXTURE, points, {}, WORKSHOP.adapters)
    assert GENERIC not in placement.adapters.values()


@pytest.mark.parametrize(
    ("name", "points", "by_hand", "through"),
    [
        ("dip16-to-dip16-same-plugs", FULL, {"B": "J1"}, {"A": "", "B": "dip-16"}),
        *((name, SMALL, {"B": "S1"}, {"A": "", "B": "idc-2x20-zif"}) for name in TWO_OF_2X20),
    ],
)
def test_what_the_program_does_not_choose_by_itself_has_an_adapter_by_hand(
    name: str, points: int, by_hand: dict[str, str], through: dict[str, str]
) -> None:
    assert through == place(LIBRARY[name].ends, FIXTURE, points, by_hand, WORKSHOP.adapters).adapters


# ---- from the firmware's scan to the verdict


def scanned(profile: Profile, bench: Mapping[str, object], by_hand: Mapping[str, str]) -> bool:
    """Whether a good cable, plugged in as the bench says, passes. Raises PlacementError."""
    real = Bench.from_dict(bench)
    real = Bench(good_bench(profile).links, real.tester, real.sockets, real.adapters)
    with Desk(*plug_in(real, profile.ends, WORKSHOP, by_hand)) as desk:
        session = Session(profile, WORKSHOP.fixtures, "0", by_hand, WORKSHOP.adapters)
        return decide(profile, drive(session.run(), Line(desk, lambda text: None))).passed


SMALL_BOARD = {"fitted": 5, "lane": "none"}
FULL_BOARD = {"lane": "none"}
KINDS = [
    pytest.param("printer-db25-to-mr36-18wire", FULL_BOARD, {}, "J2", "dsub-37-plug", id="wired"),
    pytest.param("xlr3-straight", FULL_BOARD, {}, "J1", "xlr-3-plug", id="wired, few pins"),
    pytest.param("floppy34-ibm-twist", FULL_BOARD, {}, "J2", "dsub-37-socket", id="crimped"),
    pytest.param("dip16-to-dip16-same-plugs", FULL_BOARD, {"B": "J1"}, "J1", "idc-2x8", id="dip"),
    pytest.param("trs-insert-y", FULL_BOARD, {}, "S1", "trs-zif", id="a third end, through the bridge"),
    pytest.param("midi-din5", SMALL_BOARD, {}, "S1", "dsub-37-plug-zif", id="the small board"),
]


@pytest.mark.parametrize(("name", "board", "by_hand", "socket", "wrong"), KINDS)
def test_a_good_cable_passes_through_the_right_adapter_and_gets_no_verdict_through_a_wrong_one(
    name: str, board: Mapping[str, object], by_hand: Mapping[str, str], socket: str, wrong: str
) -> None:
    profile = find_profile(name, library_folders()).profile
    assert scanned(profile, {"tester": board}, by_hand)
    for other in (wrong, "none"):
        with pytest.raises(PlacementError) as error:
            scanned(profile, {"tester": board, "adapters": {socket: other}}, by_hand)
        assert 2 == error.value.status
        assert (f"the mark of adapter `{wrong}`" in error.value.message) is (other == wrong)
