"""Which socket serves which end, and which point serves which pin: the contract's rules to the letter."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.connectors import connector
from pinwright.cable.pins import Pin
from pinwright.cable.profile import End
from pinwright.errors import OwnBug, PlacementError
from pinwright.tester.adapter import Adapter
from pinwright.tester.fixture import Fixture, Placement, place

FILE = Path(__file__).parents[2] / "hardware" / "fixtures" / "tester-128.toml"
FULL, SMALL = 128, 80
FIRST_POINT = {"J1": 0, "S1": 40, "J2": 80}  # of three sockets of 40 pins each; hardware/README.md


def the_fixture() -> Fixture:
    return Fixture.from_dict(tomllib.loads(FILE.read_text("utf-8")))


@pytest.fixture
def fixture() -> Fixture:
    return the_fixture()


def cable(**ends: str) -> list[End]:
    return [End(name, connector(kind), "", {}) for name, kind in ends.items()]


def placed(ends: Mapping[str, str], points: int = FULL, **by_hand: str) -> Placement:
    return place(cable(**ends), the_fixture(), points, by_hand)


@pytest.mark.parametrize(
    ("ends", "points", "sockets"),
    [
        ({"A": "idc-2x20"}, FULL, {"A": "J1"}),
        ({"A": "header-2x20"}, FULL, {"A": "J1"}),
        ({"A": "idc-2x20", "B": "idc-2x20"}, FULL, {"A": "J1", "B": "J2"}),
        ({"A": "idc-2x20", "B": "header-2x20"}, FULL, {"A": "J1", "B": "J2"}),
        ({"A": "idc-2x20", "B": "dip-40"}, FULL, {"A": "J1", "B": "S1"}),
        ({"A": "dip-40", "B": "idc-2x20"}, FULL, {"A": "S1", "B": "J1"}),
        ({"A": "idc-2x20", "B": "dip-40", "C": "idc-2x20"}, FULL, {"A": "J1", "B": "S1", "C": "J2"}),
        ({"A": "idc-2x20", "B": "dip-40"}, SMALL, {"A": "J1", "B": "S1"}),
        # through the generic adapter: J1, J2, S1
        ({"A": "dsub-9-plug"}, FULL, {"A": "J1"}),
        ({"A": "dsub-9-socket", "B": "dsub-9-socket"}, FULL, {"A": "J1", "B": "J2"}),
        ({"A": "row-3", "B": "row-3", "C": "row-3"}, FULL, {"A": "J1", "B": "J2", "C": "S1"}),
        ({"A": "dsub-9-socket", "B": "dsub-9-socket"}, SMALL, {"A": "J1", "B": "S1"}),
        ({"A": "dip-8", "B": "trs"}, FULL, {"A": "S1", "B": "J1"}),
        ({"A": "trs", "B": "dip-8"}, FULL, {"A": "J1", "B": "S1"}),
        ({"A": "trs", "B": "idc-2x20"}, FULL, {"A": "J1", "B": "J2"}),
        ({"A": "idc-2x10", "B": "idc-2x10"}, FULL, {"A": "J1", "B": "J2"}),
        # the given order leaves one over, so what plugs straight in goes first
        ({"A": "trs", "B": "idc-2x20", "C": "idc-2x20"}, FULL, {"A": "S1", "B": "J1", "C": "J2"}),
        ({"A": "trs", "B": "idc-2x20"}, SMALL, {"A": "S1", "B": "J1"}),
        ({"A": "trs", "B": "trs", "C": "dip-40"}, FULL, {"A": "J1", "B": "J2", "C": "S1"}),
    ],
)
def test_each_end_goes_into_the_socket_that_the_contract_says(
    ends: dict[str, str], points: int, sockets: dict[str, str]
) -> None:
    assert sockets == placed(ends, points).sockets


@pytest.mark.parametrize("pins", range(8, 41, 2))
def test_a_dip_plug_sits_with_its_pin_1_at_the_socket_s_pin_1(pins: int) -> None:
    point_of = placed({"A": f"dip-{pins}"}).point_of
    for k in range(1, pins + 1):
        socket_pin = k if k <= pins // 2 else 40 - pins + k
        assert FIRST_POINT["S1"] + socket_pin - 1 == point_of[Pin("A", str(k))]


@pytest.mark.parametrize("kind", ["idc-2x20", "header-2x20", "dsub-25-socket", "row-7", "idc-2x13"])
@pytest.mark.parametrize("socket", ["J1", "J2", "S1"])
def test_everything_else_has_pin_k_at_position_k(kind: str, socket: str) -> None:
    placement = placed({"A": kind}, A=socket)
    assert {"A": socket} == placement.sockets
    for k, name in enumerate(connector(kind).pins):
        assert FIRST_POINT[socket] + k == placement.point_of[Pin("A", name)]


def test_pins_without_numbers_keep_the_order_of_their_family() -> None:
    point_of = placed({"A": "trs"}).point_of
    assert [0, 1, 2] == [point_of[Pin("A", name)] for name in "TRS"]


@pytest.mark.parametrize("socket", ["J1", "J2"])
def test_a_dip_plug_by_hand_in_a_box_socket_goes_through_an_adapter(socket: str) -> None:
    point_of = placed({"A": "dip-8"}, A=socket).point_of
    assert [FIRST_POINT[socket] + k for k in range(8)] == [point_of[Pin("A", str(k))] for k in range(1, 9)]


def test_by_hand_comes_first_and_the_rest_takes_what_is_left() -> None:
    ends = {"A": "idc-2x20", "B": "idc-2x20"}
    assert {"A": "J2", "B": "J1"} == placed(ends, A="J2").sockets
    assert {"A": "J2", "B": "J1"} == placed(ends, B="J1").sockets
    assert {"A": "J2", "B": "J1"} == placed(ends, A="J2", B="J1").sockets


@pytest.mark.parametrize(
    ("ends", "points", "seen"),
    [
        (
            {"A": "idc-2x20", "B": "idc-2x20", "C": "idc-2x20"},
            FULL,
            "no socket for end `C` (`idc-2x20`, 40 pins): J1 takes end A, S1 does not take it straight in, "
            "J2 takes end B",
        ),
        (
            {"A": "dip-40", "B": "dip-40"},
            FULL,
            "no socket for end `B` (`dip-40`, 40 pins): J1 does not take it straight in, S1 takes end A, "
            "J2 does not take it straight in",
        ),
        (
            {"A": "idc-2x20", "B": "idc-2x20"},
            SMALL,
            "no socket for end `B` (`idc-2x20`, 40 pins): J1 takes end A, S1 does not take it straight in, "
            "J2 is not fitted",
        ),
        (
            {"A": "idc-2x25"},
            FULL,
            "no socket for end `A` (`idc-2x25`, 50 pins): J1 has 40 pins, S1 has 40 pins, J2 has 40 pins",
        ),
        (
            {"A": "dip-64"},
            FULL,
            "no socket for end `A` (`dip-64`, 64 pins): J1 has 40 pins, S1 has 40 pins, J2 has 40 pins",
        ),
        (
            {"A": "trs", "B": "trs", "C": "trs", "D": "trs"},
            FULL,
            "no socket for end `D` (`trs`, 3 pins): J1 takes end A, S1 takes end C, J2 takes end B",
        ),
        ({"A": "trs"}, 32, "J1 is not fitted, S1 is not fitted, J2 is not fitted"),
    ],
)
def test_an_end_that_finds_no_socket_is_told_what_each_socket_takes(
    ends: dict[str, str], points: int, seen: str
) -> None:
    with pytest.raises(PlacementError) as error:
        placed(ends, points)
    assert seen in error.value.message
    free = seen.count(" straight in")  # sockets that `--at` could still give it, with an adapter
    assert ("--at" in error.value.hint) == (free > 0 and "64 pins" not in seen)


@pytest.mark.parametrize(
    ("by_hand", "points", "seen"),
    [
        ({"X": "J1"}, FULL, "`--at X=J1`: the cable has no end `X`; its ends are A, B"),
        ({"A": "J9"}, FULL, "`--at A=J9`: no socket `J9`; there are J1, S1, J2"),
        ({"A": "REF"}, FULL, "`--at A=REF`: no socket `REF`; there are J1, S1, J2"),
        ({"A": "j1"}, FULL, "`--at A=j1`: no socket `j1`"),
        ({"A": ""}, FULL, "`--at A=`: no socket ``"),
        ({"A": "J2"}, SMALL, "`--at A=J2`: socket `J2` is not fitted on this tester"),
        ({"B": "J1"}, FULL, "`--at B=J1`: `idc-2x25` has 50 pins, socket `J1` has 40"),
        ({"A": "J1", "B": "J1"}, FULL, "`idc-2x25` has 50 pins"),
    ],
)
def test_a_wrong_choice_by_hand_is_refused_with_what_there_is(
    by_hand: dict[str, str], points: int, seen: str
) -> None:
    with pytest.raises(PlacementError) as error:
        placed({"A": "idc-2x20", "B": "idc-2x25"}, points, **by_hand)
    assert seen in error.value.message


def test_two_ends_do_not_go_into_one_socket_by_hand() -> None:
    with pytest.raises(PlacementError, match="puts two ends into socket `J2`"):
        placed({"A": "trs", "B": "trs"}, A="J2", B="J2")


def test_what_no_end_occupies_is_named_after_its_socket(fixture: Fixture) -> None:
    placement = placed({"A": "dsub-9-plug"})
    assert Pin("A", "9") == placement.pin_of[8]
    assert Pin("@J1", "10") == placement.pin_of[9]
    assert Pin("@S1", "1") == placement.pin_of[40]
    assert Pin("@J2", "40") == placement.pin_of[119]
    assert Pin("@PROBE", "1") == placement.pin_of[120]
    assert {"J1.10", "REF.1"} == {fixture.name_of(9), fixture.name_of(121)}


ENDS = st.dictionaries(
    st.sampled_from("ABC"),
    st.sampled_from(["idc-2x20", "header-2x20", "dip-8", "dip-28", "dip-40", "trs", "dsub-25-plug"]),
    min_size=1,
)


@given(ENDS, st.sampled_from([16 * chips for chips in range(1, 9)]))
def test_every_fitted_point_but_the_references_has_exactly_one_pin(ends: dict[str, str], points: int) -> None:
    try:
        placement = placed(ends, points)
    except PlacementError:
        return
    assert set(range(points)) - {121, 122, 123, 124} == set(placement.pin_of)
    assert {pin: point for point, pin in placement.pin_of.items()} == placement.point_of
    of_the_cable = {pin for pin in placement.point_of if not pin.end.startswith("@")}
    assert {pin for end in cable(**ends) for pin in end.pins()} == of_the_cable
    assert len(ends) == len(set(placement.sockets.values()))


@given(ENDS)
def test_a_cable_is_refused_only_where_no_choice_of_sockets_would_do(ends: dict[str, str]) -> None:
    """By brute force: what plugs straight in has its kind of socket, everything else has any."""
    kinds = [
        {"J1", "J2"}
        if name in ("idc-2x20", "header-2x20")
        else {"S1"}
        if name.startswith("dip")
        else {"J1", "J2", "S1"}
        for name in ends.values()
    ]

    def fits(left: list[set[str]], free: set[str]) -> bool:
        return not left or any(fits(left[1:], free - {socket}) for socket in left[0] & free)

    try:
        placed(ends)
        found = True
    except PlacementError:
        found = False
    assert fits(kinds, {"J1", "J2", "S1"}) == found


def adapter(id: str, takes: str, fits: str, *joined: list[int], first: int = 1) -> Adapter:
    """The connector's pins in order at positions from `first` on."""
    pins = {name: k for k, name in enumerate(connector(takes).pins, start=first)}
    head = {"id": id, "takes": [takes], "fits": fits, "joined": [*joined]}
    return Adapter.from_dict({"adapter": head, "pins": pins})


DE9 = adapter("de9", "dsub-9-plug", "box-2x20", [39, 40], [21, 23], first=11)
TRS = adapter("trs-zif", "trs", "zif-40", [4, 6])
DIP = adapter("dip-box", "dip-8", "box-2x20", [10, 11])
ALL = (DE9, TRS, DIP)


@pytest.mark.parametrize(
    ("ends", "points", "by_hand", "expected"),
    [
        ({"A": "dsub-9-plug"}, FULL, {}, {"A": ("J1", "de9")}),
        ({"A": "dsub-9-plug"}, FULL, {"A": "J2"}, {"A": ("J2", "de9")}),
        ({"A": "dsub-9-plug"}, FULL, {"A": "S1"}, {"A": ("S1", "generic")}),
        ({"A": "dsub-9-socket"}, FULL, {}, {"A": ("J1", "generic")}),
        ({"A": "dsub-9-plug", "B": "dsub-9-plug"}, FULL, {}, {"A": ("J1", "de9"), "B": ("J2", "de9")}),
        ({"A": "dsub-9-plug", "B": "dsub-9-plug"}, SMALL, {}, {"A": ("J1", "de9"), "B": ("S1", "generic")}),
        # a socket that an adapter is for comes before the others
        ({"A": "trs", "B": "dsub-9-plug"}, FULL, {}, {"A": ("S1", "trs-zif"), "B": ("J1", "de9")}),
        ({"A": "trs", "B": "dip-8"}, FULL, {}, {"A": ("J1", "generic"), "B": ("S1", "")}),
        # what plugs straight in needs no adapter there, but elsewhere
        ({"A": "dip-8"}, FULL, {}, {"A": ("S1", "")}),
        ({"A": "dip-8"}, FULL, {"A": "J1"}, {"A": ("J1", "dip-box")}),
        ({"A": "idc-2x20", "B": "trs"}, FULL, {}, {"A": ("J1", ""), "B": ("S1", "trs-zif")}),
    ],
)
def test_each_end_goes_through_the_adapter_that_takes_it_and_fits(
    ends: dict[str, str], points: int, by_hand: dict[str, str], expected: dict[str, tuple[str, str]]
) -> None:
    placement = place(cable(**ends), the_fixture(), points, by_hand, ALL)
    assert expected == {end: (placement.sockets[end], placement.adapters[end]) for end in ends}


def test_pins_are_where_the_adapter_brings_them_and_its_mark_is_no_pin_s() -> None:
    placement = place(cable(A="dsub-9-plug"), the_fixture(), FULL, {"A": "J2"}, ALL)
    assert [80 + 10 + k for k in range(9)] == [placement.point_of[Pin("A", str(k))] for k in range(1, 10)]
    assert ((100, 102), (118, 119)) == placement.marks
    assert not {100, 102, 118, 119} & set(placement.pin_of)
    assert Pin("@J2", "22") == placement.pin_of[101]
    assert Pin("@J2", "1") == placement.pin_of[80]
    assert len(placement.pin_of) == len(placement.point_of) == FULL - 4 - 4


def test_without_adapters_there_are_no_marks() -> None:
    assert () == placed({"A": "dsub-9-plug", "B": "trs"}).marks


HEAD = {"id": "x", "title": "", "revision": "", "points": 1, "references": []}


@pytest.mark.parametrize(
    "damaged",
    [
        {},
        {"fixture": []},
        {"fixture": {"id": "x"}, "sockets": {}},
        {"fixture": HEAD | {"points": "many"}, "sockets": {}},
        {"fixture": HEAD | {"references": [1]}, "sockets": {}},
        {"fixture": HEAD, "sockets": {"J1": {"kind": "box"}}},
        {"fixture": HEAD, "sockets": {"J1": {"kind": "box", "points": 5}}},
    ],
)
def test_a_damaged_fixture_file_is_our_own_bug(damaged: Mapping[str, object]) -> None:
    with pytest.raises(OwnBug, match="a fixture file is damaged"):
        Fixture.from_dict(damaged)


def test_a_point_that_serves_no_socket_is_our_own_bug(fixture: Fixture) -> None:
    with pytest.raises(OwnBug, match="point 128 serves no socket of tester-128"):
        fixture.name_of(128)
