"""How two profiles differ."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any

import pytest

from pinwright.cable.difference import Difference, difference
from pinwright.cable.profile import Profile

LEAD: dict[str, Any] = {
    "cable": {"id": "lead", "length_mm": 600},
    "ends": {
        "A": {"connector": "row-4", "label": "rack", "signals": {"1": "GND", "2": "D0", "3": "GND"}},
        "B": {"connector": "row-4", "signals": {"1": "GND", "2": "D0", "3": "GND"}},
    },
    "wiring": {"wires": [["A.1", "B.1"], ["A.2", "B.2"], ["A.3", "B.3"]]},
    "common": {"GND": {"joined": "optional"}},
    "limits": {"D0": {"max_ohms": 1}},
}


def lead(*path: str, to: object = None) -> Profile:
    """The lead with one key set to another value, or taken out."""
    data = copy.deepcopy(LEAD)
    table = data
    for name in path[:-1]:
        table = table.setdefault(name, {})
    if path and to is None:
        del table[path[-1]]
    elif path:
        table[path[-1]] = to
    return Profile.from_dict(data)


def facts(of: Difference) -> dict[str, object]:
    """What is not empty, pins and nets as text."""
    return {
        name: {str(key): value for key, value in found.items()} if isinstance(found, dict) else found
        for name in ("ends", "common", "limits", "cable", "labels", "signals")
        if (found := getattr(of, name))
    }


def test_a_profile_is_the_same_as_itself() -> None:
    apart = difference(lead(), lead())
    assert apart.same
    assert apart.same_wiring
    assert ({}, (), (), ()) == (facts(apart), apart.only_one, apart.only_other, apart.moved)


@pytest.mark.parametrize(
    ("path", "to", "expected"),
    [
        (("cable", "length_mm"), 700, {"cable": {"length_mm": ("600", "700")}}),
        (("cable", "length_mm"), None, {"cable": {"length_mm": ("600", "")}}),
        (("cable", "wire"), "28 AWG", {"cable": {"wire": ("", "28 AWG")}}),
        (("cable", "title"), "Lead", {"cable": {"title": ("lead", "Lead")}}),
        (("ends", "A", "label"), "changer", {"labels": {"A": ("rack", "changer")}}),
        (("ends", "A", "signals", "4"), "X", {"signals": {"A.4": ("", "X")}}),
        (
            ("limits", "D0", "max_ohms"),
            2,
            {
                "limits": {
                    "D0": (
                        "links at most 1 Ω, leaks at least 100000 Ω",
                        "links at most 2 Ω, leaks at least 100000 Ω",
                    )
                }
            },
        ),
        (("limits",), None, {"limits": {"D0": ("links at most 1 Ω, leaks at least 100000 Ω", "")}}),
    ],
)
def test_words_and_limits_leave_the_wiring_as_it_is(
    path: tuple[str, ...], to: object, expected: object
) -> None:
    apart = difference(lead(), lead(*path, to=to))
    assert (True, False, expected) == (apart.same_wiring, apart.same, facts(apart))


@pytest.mark.parametrize(
    ("path", "to", "expected"),
    [
        (("common", "GND", "joined"), "never", {"common": {"GND": ("optional", "never")}}),
        (("ends", "B", "connector"), "header-2x2", {"ends": {"B": ("row-4", "header-2x2")}}),
        (("ends", "C"), {"connector": "trs"}, {"ends": {"C": ("", "trs")}, "labels": {}}),
    ],
)
def test_ends_and_common_signals_are_wiring(
    path: tuple[str, ...], to: object, expected: dict[str, object]
) -> None:
    apart = difference(lead(), lead(*path, to=to))
    assert (False, False) == (apart.same_wiring, apart.same)
    assert {name: both for name, both in expected.items() if both} == facts(apart)


def test_the_conductors_of_a_common_signal_are_wiring() -> None:
    """A lead that links A.1 and A.3 is good by the one, and by the other it is not."""
    data = copy.deepcopy(LEAD)
    for end in data["ends"].values():
        end["signals"] = {"1": "GND", "2": "GND", "3": "D0"}
    data["limits"] = {"D0": {"max_ohms": 1}}
    found = difference(lead(), Profile.from_dict(data))
    assert not found.same_wiring
    assert {"GND": ("optional, at A.1 A.3 B.1 B.3", "optional, at A.1 A.2 B.1 B.2")} == found.common
    assert () == found.only_one


def test_a_pin_that_moved_is_told_with_both_its_nets() -> None:
    moved = lead("wiring", "wires", to=[["A.1", "B.1"], ["A.2", "B.4"], ["A.3", "B.3"]])
    apart = difference(lead(), moved)
    assert (["A.2 B.2"], ["A.2 B.4"]) == (
        [" ".join(map(str, net.pins)) for net in apart.only_one],
        [" ".join(map(str, net.pins)) for net in apart.only_other],
    )
    told = [
        (str(one.pin), one.one and one.one.signal, one.other and one.other.signal, one.there)
        for one in apart.moved
    ]
    assert [
        ("A.2", "D0", "D0", (True, True)),
        ("B.2", "D0", None, (True, True)),
        ("B.4", None, "D0", (True, True)),
    ] == told
    assert not apart.same_wiring


def test_the_difference_the_other_way_round_is_its_mirror() -> None:
    one, other = lead(), lead("wiring", "wires", to=[["A.1", "B.1"], ["A.2", "B.4"]])
    there, back = difference(one, other), difference(other, one)
    assert (there.only_one, there.only_other) == (back.only_other, back.only_one)
    mirrored = tuple(
        replace(moved, one=moved.other, other=moved.one, there=moved.there[::-1]) for moved in back.moved
    )
    assert mirrored == there.moved
