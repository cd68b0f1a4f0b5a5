"""Connectors: what every family promises, what the numbering of some is, what a wrong name is answered."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.connectors import FAMILIES, SHELL, Connector, Family, UnknownConnector, connector

NAMES = [name for family in FAMILIES for name in family.names()]
SHELLED = [name for name in NAMES if name.endswith("-shell")]
PLUGS = [name for name in NAMES if "-plug" in name]


def complaint(name: str) -> str:
    with pytest.raises(UnknownConnector) as caught:
        connector(name)
    return str(caught.value)


def turned(plug: Connector) -> dict[str, str]:
    """Pin → the pin whose place it takes when the plug is turned round by half a turn."""
    return {
        pin: other
        for row, opposite in zip(plug.rows, reversed(plug.rows), strict=True)
        for pin, other in zip(row, reversed(opposite), strict=True)
    }


# What every connector promises.


def test_no_name_belongs_to_two_families() -> None:
    assert len(set(NAMES)) == len(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_a_connector_is_called_what_it_was_asked_for_by(name: str) -> None:
    assert name == connector(name).name


@pytest.mark.parametrize("name", NAMES)
def test_every_pin_is_named_once_and_has_a_place_of_its_own(name: str) -> None:
    this = connector(name)
    assert len(this.pins) == len(set(this.pins)) == len(set(this.positions.values()))
    assert set(this.pins) == set(this.positions)


@pytest.mark.parametrize("name", NAMES)
def test_the_first_pin_is_the_origin(name: str) -> None:
    this, origin = connector(name), (0.0, 0.0)
    assert origin == this.positions[this.pins[0]]


@pytest.mark.parametrize("name", NAMES)
def test_no_place_is_minus_zero(name: str) -> None:
    either_side = [connector(name).positions, connector(name).from_behind().positions]
    assert "-0.0" not in {str(number) for side in either_side for place in side.values() for number in place}


@pytest.mark.parametrize("name", NAMES)
def test_every_pin_but_the_shell_stands_in_one_row(name: str) -> None:
    this = connector(name)
    assert sorted({*this.pins} - {SHELL}) == sorted(pin for row in this.rows for pin in row)


@pytest.mark.parametrize("name", NAMES)
def test_neighbours_in_a_row_are_nearer_than_pins_further_along(name: str) -> None:
    this = connector(name)
    for row in this.rows:
        places = [complex(*this.positions[pin]) for pin in row]
        for first, second, third in zip(places, places[1:], places[2:], strict=False):
            assert abs(second - first) < abs(third - first)


@pytest.mark.parametrize("name", NAMES)
def test_pins_are_in_order_of_their_numbers(name: str) -> None:
    numbers = [int(pin) for pin in connector(name).pins if pin.isdecimal()]
    assert list(range(1, len(numbers) + 1)) == numbers


@pytest.mark.parametrize("name", NAMES)
def test_every_pin_of_a_crimped_connector_has_one_conductor(name: str) -> None:
    this = connector(name)
    assert sorted(this.conductors) in ([], sorted({*this.pins} - {SHELL}))


@pytest.mark.parametrize("name", NAMES)
def test_from_behind_left_and_right_change_places_and_the_view_says_so(name: str) -> None:
    front, back = connector(name), connector(name).from_behind()
    assert {pin: (-x, y) for pin, (x, y) in front.positions.items()} == back.positions
    assert front.view != back.view
    assert front.view.partition(", ")[2] == back.view.partition(", ")[2] != ""
    assert (front.name, front.pins, front.rows) == (back.name, back.pins, back.rows)
    assert front.conductors == back.conductors


@pytest.mark.parametrize("name", NAMES)
def test_from_behind_twice_is_the_same_connector(name: str) -> None:
    assert connector(name) == connector(name).from_behind().from_behind()


@pytest.mark.parametrize("name", PLUGS)
def test_a_plug_and_its_socket_are_mirror_images_with_the_same_conductors(name: str) -> None:
    plug, socket = connector(name), connector(name.replace("-plug", "-socket"))
    assert {pin: (-x, y) for pin, (x, y) in plug.positions.items()} == socket.positions
    assert (plug.view, plug.pins, plug.rows, plug.conductors) == (
        socket.view,
        socket.pins,
        socket.rows,
        socket.conductors,
    )


@pytest.mark.parametrize("name", SHELLED)
def test_a_shell_is_the_last_pin_and_lies_outside_the_others(name: str) -> None:
    this, plain = connector(name), connector(name.removesuffix("-shell"))
    assert (*plain.pins, SHELL) == this.pins
    assert {**plain.positions, SHELL: this.positions[SHELL]} == this.positions
    assert (plain.rows, plain.conductors, plain.view) == (this.rows, this.conductors, this.view)
    x, y = this.positions[SHELL]
    xs, ys = zip(*plain.positions.values(), strict=True)
    assert y > max(ys) + 2
    assert min(xs) < x < max(xs)


def test_shells_are_known_of_the_families_that_people_wire_them_in() -> None:
    families = [family.stem for family in FAMILIES if family.shell]
    assert ["dsub-", "dsub-15hd", "micro-ribbon-", "din-5-180", "din-6", "mini-din-", "xlr-3"] == families


def test_a_crimped_socket_is_the_mirror_image_of_the_header_it_goes_on() -> None:
    assert connector("header-2x20").positions == connector("idc-2x20").from_behind().positions


def test_a_connector_is_made_once_and_cannot_be_changed() -> None:
    this = connector("dip-40")
    assert this is connector("dip-40")
    assert len({this, connector("dip-40"), connector("dip-16")}) == 2
    with pytest.raises(dataclasses.FrozenInstanceError):
        this.name = "other"  # type: ignore[misc]
    with pytest.raises(TypeError):
        this.positions["1"] = (1.0, 1.0)  # type: ignore[index]


# The table.


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.pattern)
def test_a_family_says_what_it_is_and_its_example_is_one_of_it(family: Family) -> None:
    assert family.example in family.names()
    assert family.description
    assert "\n" not in family.description


SIZES = [  # pattern, in words, smallest and largest number of pins
    ("idc-2xN", "3 to 32 columns", 6, 64),
    ("header-2xN", "1 to 40 columns", 2, 80),
    ("dip-N", "an even number of pins, 4 to 64", 4, 64),
    ("dsub-N-plug|socket", "9, 15, 25 or 37 pins", 9, 37),
    ("dsub-15hd-plug|socket", "15 pins", 15, 15),
    ("micro-ribbon-N-plug|socket", "24, 36 or 50 pins", 24, 50),
    ("din-5-180-plug|socket", "5 pins", 5, 5),
    ("din-6-plug|socket", "6 pins", 6, 6),
    ("mini-din-N-plug|socket", "4, 6 or 8 pins", 4, 8),
    ("8p8c", "8 pins", 8, 8),
    ("6p6c", "6 pins", 6, 6),
    ("row-N", "1 to 40 pins", 1, 40),
    ("xlr-3-plug|socket", "3 pins", 3, 3),
    ("scart-plug|socket", "21 pins", 21, 21),
    ("trs", "3 pins", 3, 3),
    ("ts", "2 pins", 2, 2),
]


def test_the_table_of_sizes_below_names_every_family() -> None:
    assert [pattern for pattern, *_ in SIZES] == [family.pattern for family in FAMILIES]


@pytest.mark.parametrize(("pattern", "sizes", "fewest", "most"), SIZES)
def test_the_sizes_a_family_speaks_of_are_the_sizes_it_has(
    pattern: str, sizes: str, fewest: int, most: int
) -> None:
    family = next(family for family in FAMILIES if pattern == family.pattern)
    counts = [len(connector(name).pins) for name in family.names() if name not in SHELLED]
    assert (sizes, fewest, most) == (family.sizes, min(counts), max(counts))


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("dip-40", "`dip-40` has pins 1 to 40"),
        ("dsub-9-socket", "`dsub-9-socket` has pins 1 to 9"),
        ("trs", "`trs` has pins T, R, S"),
        ("ts", "`ts` has pins T, S"),
        ("row-1", "`row-1` has pin 1 only"),
        ("dsub-25-plug-shell", "`dsub-25-plug-shell` has pins 1 to 25 and SHELL"),
    ],
)
def test_the_range_of_pins_reads_as_the_tail_of_a_sentence(name: str, text: str) -> None:
    assert text == connector(name).range_text()


# Numbering.

# Each row as it is read from left to right, top to bottom, in the connector's own view. Sources:
# D-sub, 1 at the left of the plug's face: techhelpmanual, and the footprints in tests/published, which
# also hold for idc, header, dip, row and xlr. DIN-5, socket's face with 2 up, 1 left and 3 right: sput.nl,
# 0cjs/sedoc din.md. Mini-DIN-4 and -6, socket's face: 0cjs/sedoc, kicad-symbols. 8P8C, contacts towards
# you, cable down: comp.dcom.cabling FAQ section 10. SCART, plug's face: tesla.rcub scart, ldapwiki.
# From memory: micro-ribbon (socket's face, 1 at the upper right), mini-DIN-8, DIN-6. TRS: common practice.
READ = [
    ("idc-2x3", "2 1 / 4 3 / 6 5"),
    ("header-2x3", "1 2 / 3 4 / 5 6"),
    ("dip-8", "1 8 / 2 7 / 3 6 / 4 5"),
    ("dsub-9-plug", "1 2 3 4 5 / 6 7 8 9"),
    ("dsub-9-socket", "5 4 3 2 1 / 9 8 7 6"),
    ("dsub-15hd-socket", "5 4 3 2 1 / 10 9 8 7 6 / 15 14 13 12 11"),
    ("micro-ribbon-24-socket", "12 11 10 9 8 7 6 5 4 3 2 1 / 24 23 22 21 20 19 18 17 16 15 14 13"),
    ("din-5-180-socket", "2 / 4 5 / 1 3"),
    ("din-5-180-plug", "2 / 5 4 / 3 1"),
    ("din-6-socket", "3 / 2 4 / 6 / 1 5"),
    ("mini-din-4-socket", "4 3 / 2 1"),
    ("mini-din-6-socket", "6 5 / 4 3 / 2 1"),
    ("mini-din-8-socket", "8 7 6 / 5 4 3 / 2 1"),
    ("8p8c", "1 2 3 4 5 6 7 8"),
    ("6p6c", "1 2 3 4 5 6"),
    ("row-3", "1 / 2 / 3"),
    ("xlr-3-plug", "1 2 / 3"),
    ("scart-plug", "21 19 17 15 13 11 9 7 5 3 1 / 20 18 16 14 12 10 8 6 4 2"),
    ("trs", "T / R / S"),
]


@pytest.mark.parametrize(("name", "read"), READ)
def test_pins_are_read_in_the_published_order(name: str, read: str) -> None:
    lines: dict[float, list[tuple[float, str]]] = {}
    for pin, (x, y) in connector(name).positions.items():
        lines.setdefault(y, []).append((x, pin))
    assert read == " / ".join(" ".join(pin for _, pin in sorted(lines[y])) for y in sorted(lines))


# Sources: idc, ATA-3 draft Table A.1; micro-ribbon, X3.131 Table 4 contact sets 1 and 2, the rule taken
# over to 24 ways; D-sub, sput.nl data-cables.html ("match the rows").
@pytest.mark.parametrize(
    ("name", "conductors"),
    [
        ("idc-2x3", "1 2 3 4 5 6"),
        ("dsub-9-plug", "1 6 2 7 3 8 4 9 5"),
        ("dsub-15-socket", "1 9 2 10 3 11 4 12 5 13 6 14 7 15 8"),
        ("micro-ribbon-24-plug", "1 13 2 14 3 15 4 16 5 17 6 18 7 19 8 20 9 21 10 22 11 23 12 24"),
        ("dip-16", ""),
        ("dsub-15hd-plug", ""),
        ("8p8c", ""),
    ],
)
def test_ribbon_conductors_meet_the_rows_in_turn(name: str, conductors: str) -> None:
    assert conductors.split() == list(connector(name).conductors)


# Derived from the numbering: half a turn leads k to n+1-k where rows run the same way, and to k+n/2 in a DIP.
@pytest.mark.parametrize(
    ("name", "rule"),
    [
        ("idc-2x20", lambda pin: 41 - pin),
        ("dip-40", lambda pin: (pin + 20 - 1) % 40 + 1),
        ("micro-ribbon-36-plug", lambda pin: 37 - pin),
    ],
)
def test_rows_tell_where_the_pins_of_a_turned_plug_go(name: str, rule: Callable[[int], int]) -> None:
    this = connector(name)
    assert {pin: str(rule(int(pin))) for pin in this.pins} == turned(this)


def test_columns_tell_where_the_pins_go_when_rows_change_places() -> None:
    odd, even = connector("idc-2x20").rows
    assert [(str(pin), str(pin + 1)) for pin in range(1, 40, 2)] == list(zip(odd, even, strict=True))
    left, right = connector("dip-40").rows
    assert [(str(pin), str(41 - pin)) for pin in range(1, 21)] == list(zip(left, right, strict=True))


# Wrong names.


@pytest.mark.parametrize("name", ["dip-41", "dip-2", "dip-66", "dip-99999999999", "dip-", "dip-x", "dip--40"])
def test_a_size_that_a_family_does_not_have_is_answered_with_the_sizes_it_has(name: str) -> None:
    assert (
        f"`{name}`: a DIP plug is written `dip-N` and has an even number of pins, 4 to 64; e.g. `dip-40`"
    ) == complaint(name)


@pytest.mark.parametrize(
    ("name", "part"),
    [
        ("dsub-9", "written `dsub-N-plug` or `dsub-N-socket` and has 9, 15, 25 or 37 pins"),
        ("dsub-25-shell", "e.g. `dsub-9-plug`, or `dsub-9-plug-shell` where the shell is wired too"),
        ("dip-40-shell", "4 to 64; e.g. `dip-40`"),
        ("dsub-15hd", "written `dsub-15hd-plug` or `dsub-15hd-socket`"),
        ("idc-2x33", "has 3 to 32 columns"),
        ("idc-20", "`idc-2x20`"),
        ("DIP-40", "close to it: `dip-40`"),
        ("xlr-4-plug", "close to it: `xlr-3-plug`"),
        ("8p8c-plug", "`8p8c`"),
        ("db25", "there are `idc-2xN`, `header-2xN`, `dip-N`, "),
        ("", "there is no connector ``; there are "),
    ],
)
def test_an_unknown_name_is_answered_with_names_that_exist(name: str, part: str) -> None:
    assert part in complaint(name)


@pytest.mark.parametrize(
    "name",
    [
        "dip-040",
        "dip-\u0664\u0660",
        "dip-\uff14\uff10",
        "dip-4\u2070",
        "dip-+40",
        "dip-4_0",
        " dip-40",
        "dip-40\n",
    ],
    ids=ascii,
)
def test_one_connector_has_one_name(name: str) -> None:
    assert "dip-40" in complaint(name)


@pytest.mark.parametrize("name", ["x" * 10_000, "dip-" + "9" * 10_000, "dip-40" * 2_000], ids=len)
def test_a_very_long_name_is_answered_shortly(name: str) -> None:
    text = complaint(name)
    assert len(text) < 400
    assert f"`{name[:40]}…`" in text


@given(st.text() | st.from_regex(r"(dip|idc-2x|dsub|row|xlr|din|ts|trs)-?[0-9]*.*"))
def test_any_text_is_a_connector_or_gets_one_printable_line(name: str) -> None:
    if name in NAMES:
        assert name == connector(name).name
    else:
        text = complaint(name)
        assert text.isprintable()
        assert re.fullmatch(r"`.*`: an? .+|there is no connector `.*`; .+", text)
