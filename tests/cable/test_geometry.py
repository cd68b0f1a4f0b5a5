"""How plugs get turned, mirrored and shifted: by hand, for each connector, and by pads.

Footprints are Debian's `kicad-footprints`, read as tests/published/footprints.py says.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from math import dist

import pytest

from pinwright.cable.connectors import FAMILIES, SHELL, connector
from pinwright.cable.geometry import (
    Order,
    columns,
    follow,
    neighbours,
    orders,
    row_name,
    row_of,
    shifts,
    ways,
)

from ..published.footprints import BOX_HEADER, DSUB, HEADER, Place, folder, from_pin_1, pads_of

NAMES = [name for family in FAMILIES for name in family.names()]


def way(name: str, kind: str) -> dict[str, str]:
    """Where each conductor is, the ones that stay included."""
    plug = connector(name)
    (goes,) = [one.goes for one in ways(plug) if one.kind == kind]
    return {pin: goes.get(pin, pin) for row in plug.rows for pin in row}


def numbered(changed: dict[str, str]) -> list[int]:
    """Where conductors 1, 2, 3 … are."""
    return [int(changed[str(number)]) for number in range(1, len(changed) + 1)]


# Worked out by hand, from a drawing of each.


@pytest.mark.parametrize(
    ("name", "kind", "expected"),
    [
        # 1 8      5 4
        # 2 7  →   6 3
        # 3 6      7 2
        # 4 5      8 1
        ("dip-8", "turned", [5, 6, 7, 8, 1, 2, 3, 4]),
        ("dip-8", "rows", [8, 7, 6, 5, 4, 3, 2, 1]),
        ("dip-8", "mirrored", [4, 3, 2, 1, 8, 7, 6, 5]),
        ("dip-40", "turned", [*range(21, 41), *range(1, 21)]),
        ("dip-40", "rows", list(range(40, 0, -1))),
        ("dip-40", "mirrored", [*range(20, 0, -1), *range(40, 20, -1)]),
        # 1 2      10 9
        # 3 4       8 7
        # 5 6  →    6 5
        # 7 8       4 3
        # 9 10      2 1
        ("idc-2x5", "turned", [10, 9, 8, 7, 6, 5, 4, 3, 2, 1]),
        ("idc-2x5", "rows", [2, 1, 4, 3, 6, 5, 8, 7, 10, 9]),
        ("idc-2x5", "mirrored", [9, 10, 7, 8, 5, 6, 3, 4, 1, 2]),
        ("idc-2x20", "turned", list(range(40, 0, -1))),
        ("idc-2x20", "rows", [pin + (1 if pin % 2 else -1) for pin in range(1, 41)]),
        ("idc-2x20", "mirrored", [40 - pin if pin % 2 else 42 - pin for pin in range(1, 41)]),
        ("header-2x1", "turned", [2, 1]),
        ("dsub-9-plug", "mirrored", [5, 4, 3, 2, 1, 9, 8, 7, 6]),
        ("dsub-9-socket-shell", "mirrored", [5, 4, 3, 2, 1, 9, 8, 7, 6]),
        ("dsub-15hd-plug", "mirrored", [5, 4, 3, 2, 1, 10, 9, 8, 7, 6, 15, 14, 13, 12, 11]),
        ("micro-ribbon-24-plug", "turned", list(range(24, 0, -1))),
        ("micro-ribbon-24-plug", "rows", [*range(13, 25), *range(1, 13)]),
        ("micro-ribbon-24-socket", "mirrored", [*range(12, 0, -1), *range(24, 12, -1)]),
        # round the arc: 1 4 2 5 3, from its other end 3 5 2 4 1
        ("din-5-180-plug", "mirrored", [3, 2, 1, 5, 4]),
        ("din-6-socket", "mirrored", [5, 4, 3, 2, 1, 6]),
        ("mini-din-8-plug", "mirrored", [2, 1, 5, 4, 3, 8, 7, 6]),
        ("xlr-3-plug", "mirrored", [2, 1, 3]),
        ("row-5", "turned", [5, 4, 3, 2, 1]),
        ("8p8c", "turned", [8, 7, 6, 5, 4, 3, 2, 1]),
    ],
)
def test_where_conductors_are_on_a_plug_that_is_wrong_as_a_whole(
    name: str, kind: str, expected: list[int]
) -> None:
    assert expected == numbered(way(name, kind))


@pytest.mark.parametrize(
    ("name", "kinds"),
    [
        ("dip-16", ["turned", "rows", "mirrored"]),
        ("idc-2x20", ["turned", "rows", "mirrored"]),
        ("micro-ribbon-36-plug", ["turned", "rows", "mirrored"]),
        ("dsub-25-plug", ["mirrored"]),  # rows of 13 and 12 cannot be exchanged
        ("scart-plug", ["mirrored"]),
        ("xlr-3-socket", ["mirrored"]),
        ("din-5-180-socket", ["mirrored"]),  # a key, and one row
        ("mini-din-4-plug", ["turned", "rows", "mirrored"]),
        ("mini-din-8-plug", ["mirrored"]),
        ("row-8", ["turned"]),  # which its mirror image is too
        ("header-2x1", ["turned"]),  # which exchanged rows are too
        ("row-1", []),
    ],
)
def test_each_kind_of_plug_can_be_wrong_in_its_own_ways_each_told_once(name: str, kinds: list[str]) -> None:
    assert kinds == [one.kind for one in ways(connector(name))]


# 1 3 5 in row 0, 2 4 6 in row 1.
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("one column off, towards pin 5", "1:0,1 2:1,1 3:0,2 4:1,2 5:0,3 6:1,3"),
        ("one column off, towards pin 1", "1:0,-1 2:1,-1 3:0,0 4:1,0 5:0,1 6:1,1"),
        ("one row off, towards the even row", "1:1,0 2:2,0 3:1,1 4:2,1 5:1,2 6:2,2"),
        ("one row off, towards the odd row", "1:-1,0 2:0,0 3:-1,1 4:0,1 5:-1,2 6:0,2"),
    ],
)
def test_what_the_contacts_of_a_small_plug_meet_one_place_off(text: str, expected: str) -> None:
    (found,) = [one.goes for one in shifts(connector("idc-2x3")) if one.text == text]
    assert expected == " ".join(f"{pin}:{row},{place}" for pin, (row, place) in sorted(found.items()))


@pytest.mark.parametrize(
    ("name", "texts"),
    [
        (
            "dip-40",
            ["one column off, towards pin 20", "one column off, towards pin 1"],
        ),  # the rows are far apart
        ("row-4", ["one column off, towards pin 4", "one column off, towards pin 1"]),
        (
            "header-2x1",
            ["one row off, towards the row of pin 2", "one row off, towards the row of pin 1"],
        ),
        ("row-1", []),
        ("dsub-9-plug", []),
        ("micro-ribbon-36-socket", []),
        ("din-5-180-plug", []),
        ("8p8c", []),  # no 2.54 mm grid
        ("scart-plug", []),
    ],
)
def test_only_plugs_without_a_shell_on_the_grid_of_headers_can_be_one_place_off(
    name: str, texts: list[str]
) -> None:
    assert texts == [one.text for one in shifts(connector(name))]


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        (
            "idc-2x3",
            ["in the odd row: 1 3 5", "in the even row: 2 4 6", "along the ribbon: 1 2 3 4 5 6"],
        ),
        (
            "dip-6",
            [
                "along the ribbon: 1 6 2 5 3 4",
                "along the ribbon: 6 1 5 2 4 3",
                "in the left row: 1 2 3",
                "in the right row: 6 5 4",
                "by number: 1 2 3 4 5 6",
            ],
        ),
        (
            "dsub-9-plug-shell",
            [
                "along the ribbon: 1 6 2 7 3 8 4 9 5",
                "in the long row: 1 2 3 4 5",
                "in the short row: 6 7 8 9",
                "by number: 1 2 3 4 5 6 7 8 9",
            ],
        ),
        ("din-5-180-plug", ["in the row: 1 4 2 5 3", "by number: 1 2 3 4 5"]),
        ("trs", ["in the row: T R S"]),
        ("row-1", []),
    ],
)
def test_the_orders_in_which_conductors_may_be_laid(name: str, expected: list[str]) -> None:
    told = [f"{order.text}: {' '.join(order.pins)}" for order in orders(connector(name))]
    assert sorted(expected) == sorted(told)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("dip-6", "1 6 2 5 3 4"),
        ("idc-2x3", "1 2 3 4 5 6"),
        ("dsub-9-plug", "1 6 2 7 3 8 4 9 5"),
        ("row-3", "1 2 3"),
    ],
)
def test_columns_go_from_one_end_of_the_plug_to_the_other(name: str, expected: str) -> None:
    assert Order("across its rows", tuple(expected.split())) == columns(connector(name))


@pytest.mark.parametrize(
    ("name", "one", "other", "how"),
    [
        ("dip-40", "7", "8", "neighbours in the left row"),
        ("dip-40", "40", "39", "neighbours in the right row"),
        ("dip-40", "1", "40", None),  # 15 mm
        ("dip-40", "20", "21", None),
        ("idc-2x20", "1", "3", "neighbours in the odd row"),
        ("idc-2x20", "2", "4", "neighbours in the even row"),
        ("idc-2x20", "1", "2", "opposite each other"),
        ("idc-2x20", "2", "3", "neighbours on the ribbon"),
        ("idc-2x20", "1", "4", "diagonally opposite each other"),
        ("idc-2x20", "1", "5", None),
        ("header-2x20", "2", "3", "diagonally opposite each other"),  # no ribbon
        ("dsub-9-plug", "1", "6", "opposite each other"),  # 6 lies between 1 and 2
        ("dsub-9-plug", "2", "6", "opposite each other"),
        ("dsub-9-plug", "5", "9", "opposite each other"),
        ("dsub-9-plug", "5", "6", None),
        ("micro-ribbon-36-plug", "1", "19", "neighbours on the ribbon"),
        ("micro-ribbon-36-plug", "19", "2", "neighbours on the ribbon"),
        ("micro-ribbon-36-plug", "18", "19", None),
        ("din-5-180-plug", "1", "4", "neighbours in the row"),
        ("din-5-180-plug", "1", "2", None),
        ("8p8c", "1", "2", "neighbours in the row"),
        ("trs", "T", "R", "neighbours in the row"),
        ("trs", "T", "S", None),
        ("dsub-9-plug-shell", "5", "SHELL", None),
    ],
)
def test_how_two_pins_lie_to_each_other(name: str, one: str, other: str, how: str | None) -> None:
    assert how == neighbours(connector(name)).get(frozenset((one, other)))


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("idc-2x20", ["odd row", "even row"]),
        ("header-2x2", ["odd row", "even row"]),
        ("header-2x1", ["row of pin 1", "row of pin 2"]),
        ("scart-plug", ["odd row", "even row"]),
        ("dip-40", ["left row", "right row"]),
        ("dip-4", ["left row", "right row"]),
        ("dsub-25-socket", ["long row", "short row"]),
        ("dsub-15hd-plug", ["row of pins 1 to 5", "row of pins 6 to 10", "row of pins 11 to 15"]),
        ("micro-ribbon-36-plug", ["row of pins 1 to 18", "row of pins 19 to 36"]),
        ("mini-din-8-plug", ["row of pins 6 to 8", "row of pins 3 to 5", "row of pins 1 to 2"]),
        ("din-5-180-plug", ["row"]),
        ("row-8", ["row"]),
        ("trs", ["row"]),
    ],
)
def test_rows_are_called_what_the_trade_calls_them(name: str, expected: list[str]) -> None:
    plug = connector(name)
    assert expected == [row_name(plug, number) for number in range(len(plug.rows))]


def test_a_pin_is_in_a_row_and_a_shell_in_none() -> None:
    shelled = connector("dsub-9-plug-shell")
    assert ["long row", "short row", ""] == [row_of(shelled, pin) for pin in ("5", "6", SHELL)]


def test_pins_follow_each_other_whatever_order_they_are_named_in() -> None:
    ribbon = Order("along the ribbon", tuple("162738495"))
    assert follow(("2", "6", "7"), ribbon)
    assert not follow(("2", "3"), ribbon)
    assert not follow(("2", "SHELL"), ribbon)


# What holds for every connector.


@pytest.mark.parametrize("name", NAMES)
def test_a_way_exchanges_contacts_and_twice_the_same_puts_all_back(name: str) -> None:
    plug = connector(name)
    contacts = {*plug.pins} - {SHELL}
    for one in ways(plug):
        assert one.goes
        assert set(one.goes) == set(one.goes.values()) <= contacts
        assert all(pin != other and one.goes[other] == pin for pin, other in one.goes.items())


@pytest.mark.parametrize("name", NAMES)
def test_a_plug_one_place_off_meets_different_positions_with_different_contacts(name: str) -> None:
    plug = connector(name)
    for one in shifts(plug):
        assert {*plug.pins} - {SHELL} == set(one.goes)
        assert len(one.goes) == len(set(one.goes.values()))


@pytest.mark.parametrize("name", NAMES)
def test_an_order_names_contacts_once_and_only_a_row_may_leave_some_out(name: str) -> None:
    plug = connector(name)
    contacts = {*plug.pins} - {SHELL}
    made = orders(plug)
    assert len(made) == len({order.pins for order in made})
    for order in (*made, columns(plug)):
        assert len(order.pins) == len(set(order.pins))
        if order.text.startswith("in the "):
            assert order.pins in plug.rows
        else:
            assert contacts == set(order.pins)


@pytest.mark.parametrize("name", NAMES)
def test_neighbours_are_two_contacts_side_by_side_in_a_row_or_on_the_ribbon_or_near(name: str) -> None:
    plug = connector(name)
    lines = {"ribbon": {frozenset(pair) for pair in pairwise(plug.conductors)}}
    for number, row in enumerate(plug.rows):
        lines[row_name(plug, number)] = {frozenset(pair) for pair in pairwise(row)}
    made = neighbours(plug)
    assert set(made) >= set().union(*lines.values())
    pitch = min((dist(*map(plug.positions.get, pair)) for pair in made if " in " in made[pair]), default=2.54)
    for pair, how in made.items():
        assert 2 == len(pair - {SHELL})
        if how.startswith("neighbours"):
            assert pair in lines[how.split(" the ")[1]]
        else:
            assert dist(*map(plug.positions.get, pair)) < 1.5 * pitch


# Pads on a board. Turning, mirroring and pushing them is done to their places, which know no rows.


def turned(x: float, y: float) -> Place:
    return -x, -y


def left_for_right(x: float, y: float) -> Place:
    return -x, y


def upside_down(x: float, y: float) -> Place:
    return x, -y


def moved_on(pads: dict[str, Place], by: Callable[[float, float], Place]) -> dict[str, str]:
    """Pad → the pad in whose place it comes, the whole drawing moved about its middle."""
    middle = [(min(axis) + max(axis)) / 2 for axis in zip(*pads.values(), strict=True)]
    made = {}
    for pad, (x, y) in pads.items():
        a, b = by(x - middle[0], y - middle[1])
        (made[pad],) = [
            other for other, at in pads.items() if dist(at, (a + middle[0], b + middle[1])) < 0.05
        ]
    return made


NARROW_DIP, WIDE_DIP = "Package_DIP.pretty/DIP-{}_W7.62mm", "Package_DIP.pretty/DIP-{}_W15.24mm"
DRAWN_DOWN = [
    ("dip-8", NARROW_DIP.format(8)),
    ("dip-16", NARROW_DIP.format(16)),
    ("dip-40", WIDE_DIP.format(40)),
    ("idc-2x5", BOX_HEADER.format("2x05")),
    ("idc-2x20", BOX_HEADER.format("2x20")),
    ("header-2x1", HEADER.format("2x01")),
    ("header-2x17", HEADER.format("2x17")),
]


def pads(footprint: str) -> dict[str, Place]:
    return from_pin_1(pads_of(folder() / f"{footprint}.kicad_mod"))


@pytest.mark.parametrize(("name", "footprint"), DRAWN_DOWN)
def test_a_turned_plug_has_its_contacts_where_turned_pads_lie(name: str, footprint: str) -> None:
    assert moved_on(pads(footprint), turned) == way(name, "turned")


@pytest.mark.parametrize(("name", "footprint"), [case for case in DRAWN_DOWN if case[0] != "header-2x1"])
def test_exchanged_rows_and_mirrored_ones_lie_where_mirrored_pads_do(name: str, footprint: str) -> None:
    assert moved_on(pads(footprint), left_for_right) == way(name, "rows")
    assert moved_on(pads(footprint), upside_down) == way(name, "mirrored")


@pytest.mark.parametrize("count", [9, 15, 25, 37])
def test_a_mirrored_dsub_has_its_contacts_where_mirrored_pads_lie(count: int) -> None:
    assert moved_on(pads(DSUB.format(count, "Male")), left_for_right) == way(f"dsub-{count}-plug", "mirrored")


@pytest.mark.parametrize("count", [2, 5, 40])
def test_a_turned_row_has_its_contacts_where_turned_pads_lie(count: int) -> None:
    assert moved_on(pads(HEADER.format(f"1x{count:02}")), turned) == way(f"row-{count}", "turned")


# Headers and DIPs are drawn with pin 1 at the top and, of two rows, its row at the left.
@pytest.mark.parametrize(("name", "footprint"), [*DRAWN_DOWN, ("row-8", HEADER.format("1x08"))])
def test_a_plug_one_place_off_meets_the_pads_that_lie_there(name: str, footprint: str) -> None:
    plug, places = connector(name), pads(footprint)
    pushed = [(0.0, 2.54), (0.0, -2.54)] * (len(plug.rows[0]) > 1)
    pushed += [(2.54, 0.0), (-2.54, 0.0)] * (len(plug.rows) == 2 and "dip" not in name)
    assert len(pushed) == len(shifts(plug))
    for (dx, dy), shift in zip(pushed, shifts(plug), strict=True):
        for pin, (x, y) in places.items():
            met = [other for other, at in places.items() if dist(at, (x + dx, y + dy)) < 0.05]
            row, place = shift.goes[pin]
            inside = 0 <= row < len(plug.rows) and 0 <= place < len(plug.rows[row])
            assert met == ([plug.rows[row][place]] if inside else [])


@pytest.mark.parametrize(
    ("name", "footprint"),
    [*DRAWN_DOWN, ("dsub-9-plug", DSUB.format(9, "Male")), ("dsub-25-socket", DSUB.format(25, "Female"))],
)
def test_neighbours_are_the_pads_that_a_drop_of_solder_can_join(name: str, footprint: str) -> None:
    """Up to 1.5 pitches of 2.54 or 2.77 mm apart, whatever rows they are in."""
    places = pads(footprint)
    near = {frozenset((a, b)) for a in places for b in places if 0 < dist(places[a], places[b]) < 3.82}
    assert near == set(neighbours(connector(name)))
