"""The story that is told of each thing that can have happened, to the letter; and what holds for any wiring.

Measured nets are written down by hand. Most leads here join A.1, A.2, … to B.1, B.2, …: `crossed` then says
on which pins of B these are found instead.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinwright.cable.pins import Pin, in_order, parse_pin
from pinwright.cable.profile import Profile
from pinwright.tester.fixture import Fixture, place, places_beside
from pinwright.verdict.causes import Cause, Story, gives
from pinwright.verdict.stories import MOST_STORIES, plain, stories

from ..random_cables import cable as random_cable
from ..random_cables import faulty

Nets = tuple[tuple[Pin, ...], ...]
ROOT = Path(__file__).parents[2]


def pins(text: str) -> tuple[Pin, ...]:
    return tuple(map(parse_pin, text.split()))


def nets(*texts: str) -> Nets:
    return tuple(map(pins, texts))


def crossed(plug: str) -> list[str]:
    """`2 1 -`: A.1 with B.2, A.2 with B.1, A.3 with nothing."""
    return [f"A.{n} B.{pin}" for n, pin in enumerate(plug.split(), 1) if pin != "-"]


def lead(
    connectors: Mapping[str, str],
    wiring: Mapping[str, object] | None = None,
    signals: Mapping[str, str] | None = None,
    id: str = "lead",
    **common: str,
) -> Profile:
    """Straight unless it says otherwise. signals: of every end."""
    ends = {name: {"connector": kind, "signals": signals or {}} for name, kind in connectors.items()}
    return Profile.from_dict(
        {
            "cable": {"id": id},
            "ends": ends,
            "wiring": wiring or {"rule": "straight"},
            "common": {name: {"joined": joined} for name, joined in common.items()},
        }
    )


def grounds(joined: str) -> Profile:
    """Six conductors, of which the first three carry GND."""
    return lead({"A": "row-6", "B": "row-6"}, None, dict.fromkeys("123", "GND"), GND=joined)


RIBBON = lead({"A": "idc-2x4", "B": "idc-2x4"})
ROW = lead({"A": "row-8", "B": "row-8"})
SPARE = lead({"A": "row-8", "B": "row-8"}, {"wires": [[f"A.{n}", f"B.{n}"] for n in range(1, 7)]})  # 7, 8 not
Y = lead(
    {"A": "row-3", "B": "row-6", "C": "row-3"},
    {
        "wires": [
            ["A.1", "B.1"],
            ["A.2", "B.2"],
            ["A.3", "B.3"],
            ["C.1", "B.4"],
            ["C.2", "B.5"],
            ["C.3", "B.6"],
        ]
    },
)
# A.1 meets B.16, C.1 B.1, A.2 B.15, C.2 B.2, … A.8 B.9, C.8 B.8
WOVEN = lead(
    {"A": "idc-2x4", "B": "dip-16", "C": "idc-2x4"},
    {
        "rule": "interleave",
        "numbering": "own",
        "lay": "alternate",
        "first": "high",
        "from": ["A", "C"],
        "to": "B",
    },
)
PAIRS = lead(
    {"A": "idc-2x5", "B": "idc-2x5"},
    {
        "rule": "paired-ground",
        "ground_pins": {"A": [2, 4, 6, 8, 10], "B": [2, 4, 6, 8, 10]},
        "then": "straight",
    },
)
TWO_OF_A = lead(  # a net with two contacts at either end
    {"A": "row-8", "B": "row-8"},
    {"wires": [["A.1", "A.2", "B.1", "B.2"], *([f"A.{n}", f"B.{n}"] for n in range(3, 9))]},
)
WOVEN_GOOD = [f"A.{n} B.{17 - n}" for n in range(1, 9)] + [f"B.{n} C.{n}" for n in range(1, 9)]
BOTH_GOOD = crossed("1 2 3 4 5 6 7 8")


def in_text(profile: Profile, cause: Cause) -> str:
    """`swap A: A.1 A.2; neighbours in the row`, each of those that look the same after ` = `."""
    texts = []
    for one in (cause, *cause.also):
        ends = "+".join(one.ends) or "-"
        whole = [pin for end in profile.ends if end.name in one.ends for pin in end.pins()]
        names = "all" if whole and set(whole) == set(one.pins) else " ".join(map(str, one.pins))
        if one.kind == "slipped":
            names += f" > {one.moves[-1][1] or '-'}"
        if one.pieces:
            names = " / ".join(" ".join(map(str, piece)) for piece in one.pieces)
        texts.append(f"{one.kind} {ends}: {names}" + (f"; {one.detail}" if one.detail else ""))
    return " = ".join(texts)


def told(profile: Profile, measured: Sequence[str], **more: Iterable[Any]) -> list[list[str]]:
    found = stories(profile, nets(*measured), **more)
    return [[in_text(profile, cause) for cause in story.causes] for story in found]


ONE_CAUSE = {
    "a conductor open": (RIBBON, crossed("- 2 3 4 5 6 7 8"), "open -: A.1 / B.1"),
    "a piece of a net off": (
        lead(
            {"A": "row-2", "B": "row-2", "C": "row-2"},
            {"wires": [["A.1", "B.1", "C.1"], ["A.2", "B.2", "C.2"]]},
        ),
        ["A.1 C.1", "A.2 B.2 C.2"],
        "open -: A.1 C.1 / B.1",
    ),
    "a run open in one row": (
        RIBBON,
        crossed("- 2 - 4 - 6 7 8"),
        "open-run A: A.1 A.3 A.5; in the odd row = open-run B: B.1 B.3 B.5; in the odd row",
    ),
    "a run open at one side": (
        RIBBON,
        crossed("1 2 3 4 5 - - -"),
        "open-run A: A.6 A.7 A.8; across its rows = open-run B: B.6 B.7 B.8; across its rows",
    ),
    "neighbours of a row joined": (
        RIBBON,
        ["A.1 A.3 B.1 B.3", *crossed("- 2 - 4 5 6 7 8")],
        "bridge A: A.1 A.3; neighbours in the odd row",
    ),
    "opposite pins joined": (
        RIBBON,
        ["A.1 A.2 B.1 B.2", *crossed("- - 3 4 5 6 7 8")],
        "bridge A: A.1 A.2; opposite each other",
    ),
    "neighbours on the ribbon joined": (
        RIBBON,
        ["A.2 A.3 B.2 B.3", *crossed("1 - - 4 5 6 7 8")],
        "bridge A: A.2 A.3; neighbours on the ribbon",
    ),
    "pins that lie far apart joined": (
        RIBBON,
        ["A.1 A.8 B.1 B.8", *crossed("- 2 3 4 5 6 7 -")],
        "bridge A: A.1 A.8",
    ),
    "to an unused pin": (
        SPARE,
        [*crossed("1 2 3 4 5"), "A.6 B.6 B.7"],
        "bridge B: B.6 B.7; neighbours in the row",
    ),
    "many joined at one end": (
        RIBBON,
        ["A.1 A.3 A.5 A.7 B.1 B.3 B.5 B.7", *crossed("- 2 - 4 - 6 - 8")],
        "tied A: A.1 A.3 A.5 A.7 = tied B: B.1 B.3 B.5 B.7",
    ),
    "neighbours exchanged": (
        RIBBON,
        crossed("1 2 5 4 3 6 7 8"),
        "swap A: A.3 A.5; neighbours in the odd row = swap B: B.3 B.5; neighbours in the odd row",
    ),
    "two far apart exchanged": (RIBBON, crossed("8 2 3 4 5 6 7 1"), "swap A: A.1 A.8 = swap B: B.1 B.8"),
    "a circle of three": (  # the conductor of B.1 is on B.4, that of B.4 on B.8, that of B.8 on B.1
        RIBBON,
        crossed("4 2 3 8 5 6 7 1"),
        "cycle A: A.1 A.8 A.4 = cycle B: B.1 B.4 B.8",
    ),
    "a conductor on an unused pin": (SPARE, crossed("8 2 3 4 5 6"), "moved B: B.1 B.8"),
    "a circle through both contacts of a net": (  # two exchanges do the same and cost more
        TWO_OF_A,
        ["A.5 A.8 B.1 B.2", "A.2 B.5", "A.1 B.8", *crossed("- - 3 4 - 6 7 -")],
        "cycle A: A.1 A.5 A.2 A.8",
    ),
    "one slipped beside another": (
        ROW,
        ["A.1 A.2 B.2", *crossed("- - 3 4 5 6 7 8")],
        "slipped B: B.1 > B.2; in the row, towards B.8",
    ),
    "both of a net slipped, the last beside another": (
        TWO_OF_A,
        ["A.1 A.2 A.3 B.2 B.3", *crossed("- - - 4 5 6 7 8")],
        "slipped B: B.1 B.2 > B.3; in the row, towards B.8",
    ),
    "a run slipped, the last beside another": (
        ROW,
        ["A.2 B.3", "A.3 B.4", "A.4 A.5 B.5", *crossed("1 - - - - 6 7 8")],
        "slipped B: B.2 B.3 B.4 > B.5; in the row, towards B.8",
    ),
    "a run slipped, the last on an unused one": (
        SPARE,
        crossed("1 2 4 5 6 7"),
        "slipped B: B.3 B.4 B.5 B.6 > B.7; in the row, towards B.8",
    ),
    "a run slipped, the last hanging free": (
        ROW,
        crossed("1 2 3 - 4 5 6 7"),
        "slipped A: A.4 A.5 A.6 A.7 A.8 > -; in the row, towards A.8"
        " = slipped B: B.8 B.7 B.6 B.5 B.4 > -; in the row, towards B.1",
    ),
    "a run slipped, the last where the first belongs": (
        ROW,
        crossed("1 3 4 5 2 6 7 8"),
        "slipped A: A.5 A.4 A.3 A.2 > A.5; in the row, towards A.1"
        " = slipped B: B.2 B.3 B.4 B.5 > B.2; in the row, towards B.8"
        " = cycle A: A.5 A.4 A.3 A.2 = cycle B: B.2 B.3 B.4 B.5",
    ),
    "a run slipped along the ribbon": (
        RIBBON,
        ["A.2 B.3", "A.3 B.4", "A.4 B.5", "A.5 A.6 B.6", *crossed("1 - - - - - 7 8")],
        "slipped B: B.2 B.3 B.4 B.5 > B.6; along the ribbon, towards B.8",
    ),
    "a plug turned": (RIBBON, crossed("8 7 6 5 4 3 2 1"), "turned A: all = turned B: all"),
    "rows exchanged": (RIBBON, crossed("2 1 4 3 6 5 8 7"), "rows A: all = rows B: all"),
    "a plug mirrored": (RIBBON, crossed("7 8 5 6 3 4 1 2"), "mirrored A: all = mirrored B: all"),
    "a column off": (
        RIBBON,
        crossed("3 4 5 6 7 8 - -"),
        "off A: all; one column off, towards pin 1 = off B: all; one column off, towards pin 7",
    ),
    "a row off": (
        RIBBON,
        crossed("2 - 4 - 6 - 8 -"),
        "off A: all; one row off, towards the odd row = off B: all; one row off, towards the even row",
    ),
    "two plugs exchanged": (
        Y,
        ["A.1 B.4", "A.2 B.5", "A.3 B.6", "C.1 B.1", "C.2 B.2", "C.3 B.3"],
        "exchanged A+C: all",
    ),
    "nothing plugged in": (RIBBON, [], "absent A: all = absent B: all = absent A+B: all"),
    "one of three not plugged in": (Y, ["A.1 B.1", "A.2 B.2", "A.3 B.3"], "absent C: all"),
    # woven
    "a woven plug turned": (  # B.16 is where B.8 is, B.1 where B.9 is
        WOVEN,
        [f"A.{n} B.{9 - n}" for n in range(1, 9)] + [f"B.{n + 8} C.{n}" for n in range(1, 9)],
        "turned B: all",
    ),
    "a woven plug begun in the other row, or its ribbons exchanged": (
        WOVEN,
        [f"A.{n} B.{n}" for n in range(1, 9)] + [f"B.{17 - n} C.{n}" for n in range(1, 9)],
        "rows B: all = exchanged A+C: all",
    ),
    "one of the woven ribbons turned": (
        WOVEN,
        [*WOVEN_GOOD[:8], *(f"B.{n} C.{9 - n}" for n in range(1, 9))],
        "turned C: all",
    ),
    "a run slipped along both ribbons": (  # … 14, 3, 13, 4, then 12 with its own
        WOVEN,
        [
            *("A.1 B.16", "B.1 C.1", "A.2 B.15", "B.2 C.2"),
            *("A.3 B.3", "B.13 C.3", "A.4 B.4", "A.5 B.12 C.4"),
            *("B.5 C.5", "A.6 B.11", "B.6 C.6", "A.7 B.10", "B.7 C.7", "A.8 B.9", "B.8 C.8"),
        ],
        "slipped B: B.14 B.3 B.13 B.4 > B.12; along the woven ribbons, towards B.8",
    ),
    # commons
    "a link that is missing": (
        grounds("required"),
        ["A.1 B.1", "A.2 A.3 B.2 B.3", *crossed("- - - 4 5 6")],
        "link-missing -: A.1 B.1 / A.2 A.3 B.2 B.3",
    ),
    "all links missing": (
        grounds("required"),
        crossed("1 2 3 4 5 6"),
        "link-missing -: A.1 B.1 / A.2 B.2 / A.3 B.3",
    ),
    "one conductor of a linked signal off": (
        grounds("required"),
        ["A.1 A.2 A.3 B.1 B.3", *crossed("- - - 4 5 6")],
        "open -: A.1 A.2 A.3 B.1 B.3 / B.2",
    ),
    "a link that must not be": (
        grounds("never"),
        ["A.1 A.2 A.3 B.1 B.2 B.3", *crossed("- - - 4 5 6")],
        "link-extra -: A.1 A.2 A.3 B.1 B.2 B.3",
    ),
    "one of them to another signal": (
        grounds("never"),
        ["A.3 A.4 B.3 B.4", *crossed("1 2 - - 5 6")],
        "bridge A: A.3 A.4; neighbours in the row",
    ),
    "two of them exchanged": (
        grounds("optional"),
        crossed("2 1 3 4 5 6"),
        "swap A: A.1 A.2; neighbours in the row = swap B: B.1 B.2; neighbours in the row",
    ),
    "two that are linked, and another exchanged": (
        grounds("optional"),
        ["A.1 A.2 B.1 B.2", *crossed("- - 4 3 5 6")],
        "swap A: A.3 A.4; neighbours in the row = swap B: B.3 B.4; neighbours in the row",
    ),
    # a pair's ground and signal: A.3 is where A.4, a ground, should be
    "a pair exchanged": (
        PAIRS,
        ["A.1 B.1", "A.4 B.3", "A.5 B.5", "A.7 B.7", "A.9 B.9", "A.2 A.3 A.6 A.8 A.10 B.2 B.4 B.6 B.8 B.10"],
        "swap A: A.3 A.4; opposite each other",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("profile", "measured", "expected"), ONE_CAUSE.values(), ids=ONE_CAUSE)
def test_what_is_told_of_one_thing_that_happened(
    profile: Profile, measured: list[str], expected: str
) -> None:
    assert [[expected]] == told(profile, measured)


def test_a_conductor_that_conducts_at_times_is_where_it_belongs() -> None:
    """What else would be told: "one slipped beside another"."""
    measured = ["A.1 A.2 B.2", *crossed("- - 3 4 5 6 7 8")]
    expected = ["open -: A.1 / B.1", "bridge A: A.1 A.2; neighbours in the row"]
    assert [expected] == told(ROW, measured, doubtful=[pins("A.1 B.1")])


@pytest.mark.parametrize(
    ("profile", "measured"),
    [
        (RIBBON, BOTH_GOOD),
        (WOVEN, WOVEN_GOOD),
        (grounds("required"), ["A.1 A.2 A.3 B.1 B.2 B.3", "A.4 B.4", "A.5 B.5", "A.6 B.6"]),
        (grounds("never"), crossed("1 2 3 4 5 6")),
        (grounds("optional"), crossed("1 2 3 4 5 6")),
        (grounds("optional"), ["A.1 A.3 B.1 B.3", "A.2 B.2", "A.4 B.4", "A.5 B.5", "A.6 B.6"]),
        # two swapped grounds of a pair's net hang together all the same
        (PAIRS, [f"A.{n} B.{n}" for n in (9, 7, 5, 3, 1)] + ["B.4 B.2 A.4 A.2 A.8 A.6 A.10 B.10 B.6 B.8"]),
    ],
)
def test_nothing_is_told_of_a_good_cable(profile: Profile, measured: list[str]) -> None:
    assert [] == told(profile, measured)
    assert Story(()) == plain(profile, nets(*measured))


def test_two_small_faults_are_told_as_two() -> None:
    both = ["open -: A.4 / B.4", "bridge A: A.1 A.2; opposite each other"]
    assert [both] == told(RIBBON, ["A.1 A.2 B.1 B.2", *crossed("- - 3 - 5 6 7 8")])


def test_a_turned_plug_with_faults_on_top_is_told_with_them() -> None:
    measured = ["A.1 A.2 B.7 B.8", *crossed("- - 6 5 4 - 2 1")]
    (story,) = told(RIBBON, measured)
    assert [
        "turned A: all = turned B: all",
        "open -: A.6 / B.3",
        "bridge A: A.1 A.2; opposite each other",
    ] == [*story]


def test_two_stories_of_the_same_cost_are_both_told() -> None:
    """The conductor of A.3 is on A.4, A.2 and B.4 conduct to nothing: a run of three, the second of them
    open, or a run of two and another that is open."""
    assert [
        [
            "slipped A: A.2 A.3 A.4 > -; in the row, towards A.8 = slipped B: B.4 B.3 B.2 > -; in the row, "
            "towards B.1",
            "open -: A.3 / B.2",
        ],
        [
            "slipped A: A.3 A.4 > -; in the row, towards A.8 = slipped B: B.4 B.3 > -; in the row, "
            "towards B.1",
            "open -: A.2 / B.2",
        ],
    ] == told(SPARE, crossed("1 - - 3 5 6"))


# Another cable of the library.

STRAIGHT = lead({"A": "row-6", "B": "row-6"}, id="straight")
ODD = lead(
    {"A": "row-6", "B": "row-6"},
    {
        "wires": [
            ["A.1", "B.1"],
            ["A.2", "B.4"],
            ["A.3", "B.6"],
            ["A.4", "B.5"],
            ["A.5", "B.2"],
            ["A.6", "B.3"],
        ]
    },
    id="odd",
)
ODD_TOO = lead(
    {"P": "row-6", "Q": "row-6"},
    {
        "wires": [
            ["Q.1", "P.1"],
            ["Q.2", "P.4"],
            ["Q.3", "P.6"],
            ["Q.4", "P.5"],
            ["Q.5", "P.2"],
            ["Q.6", "P.3"],
        ]
    },
    id="odd-too",
)
SHORTER = lead({"A": "row-5", "B": "row-6"}, id="shorter")
FROM_A, FROM_B = crossed("1 4 6 5 2 3"), crossed("1 5 6 2 4 3")


@pytest.mark.parametrize(
    ("measured", "ends"),
    [(FROM_A, {"odd": (), "odd-too": ("Q", "P")}), (FROM_B, {"odd": ("B", "A"), "odd-too": ("P", "Q")})],
    ids=["as it is", "the other way round"],
)
@pytest.mark.parametrize(
    ("library", "names"),
    [((ODD,), ["odd"]), ((ODD_TOO,), ["odd-too"]), ((SHORTER, STRAIGHT, ODD, ODD_TOO), ["odd", "odd-too"])],
)
def test_a_cable_that_is_another_one_is_named(
    measured: list[str], ends: dict[str, tuple[str, ...]], library: tuple[Profile, ...], names: list[str]
) -> None:
    """With the order of its ends, where that is another."""
    ((cause,),) = [story.causes for story in stories(STRAIGHT, nets(*measured), library)]
    others = [cause, *cause.also]
    assert {"wrong-cable"} == {one.kind for one in others}
    assert [(name, ends[name]) for name in names] == [(one.detail, one.ends) for one in others]


def test_another_cable_with_a_fault_of_its_own_is_named_with_it() -> None:
    (story,) = stories(STRAIGHT, nets(*FROM_A[1:]), (ODD,))
    assert [("wrong-cable", "odd"), ("open", "")] == [(cause.kind, cause.detail) for cause in story.causes]


def test_a_library_that_has_no_such_cable_is_not_named() -> None:
    assert [["swap A: A.1 A.2; neighbours in the row = swap B: B.1 B.2; neighbours in the row"]] == told(
        STRAIGHT, crossed("2 1 3 4 5 6"), library=(ODD, SHORTER)
    )


THREE = lead(
    {"A": "idc-2x3", "B": "dip-6", "C": "idc-2x3"},
    {"wires": [[f"A.{n}", f"B.{n}", f"C.{n}"] for n in range(1, 7)]},
)
OTHER_THREE = lead(
    {"X": "dip-6", "Y": "idc-2x3", "Z": "idc-2x3"},
    {
        "wires": [
            ["X.1", "Y.3", "Z.1"],
            ["X.2", "Y.1", "Z.2"],
            ["X.4", "Z.5"],
            ["X.5", "Y.2"],
            ["X.6", "Y.6", "Z.3"],
        ]
    },
    id="other-three",
)


@pytest.mark.parametrize(
    "measured",
    [
        ["A.3 B.1 C.1", "A.1 B.2 C.2", "B.4 C.5", "A.2 B.5", "A.6 B.6 C.3"],
        ["A.1 B.1 C.3", "A.2 B.2 C.1", "A.5 B.4", "B.5 C.2", "A.3 B.6 C.6"],
    ],
    ids=["A is Y", "A is Z"],
)
def test_the_ends_of_another_cable_may_be_in_any_order_in_which_their_plugs_fit(measured: list[str]) -> None:
    (story,) = stories(THREE, nets(*measured), (OTHER_THREE,))
    assert [("wrong-cable", "other-three")] == [(cause.kind, cause.detail) for cause in story.causes]


# A plug one place off in a socket that is longer than the plug.

FIXTURE = Fixture.from_dict(
    tomllib.loads((ROOT / "hardware" / "fixtures" / "tester-128.toml").read_text("utf-8"))
)
DIP = lead(
    {"A": "idc-2x12", "B": "dip-24"}, {"rule": "alternate", "first": "low"}
)  # A.23 on B.12, A.24 on B.13
DIP_GOOD = [f"A.{2 * n - 1} B.{n}" for n in range(1, 13)] + [f"A.{2 * n} B.{25 - n}" for n in range(1, 13)]
# S1 counts as a DIP does: after the plug's 12 places at its left come 13 to 20, then 21 to 28 back up.
BESIDE = {
    "B": {(0, n): Pin("@S1", str(n + 1)) for n in range(12, 20)}
    | {(1, n): Pin("@S1", str(40 - n)) for n in range(12, 20)}
}


def test_beside_a_short_dip_plug_is_the_rest_of_its_socket() -> None:
    assert BESIDE == places_beside(DIP.ends, FIXTURE, place(DIP.ends, FIXTURE, 128))


@pytest.mark.parametrize(
    "connectors",
    [{"A": "idc-2x20", "B": "row-4"}, {"A": "idc-2x20", "B": "header-2x20", "C": "row-4"}],
    ids=["in J1 and J2", "by an adapter in S1"],
)
def test_beside_other_plugs_is_nothing(connectors: dict[str, str]) -> None:
    ends = lead(connectors, {"wires": [["A.1", "B.1"]]}).ends
    placement = place(ends, FIXTURE, 128)
    assert ("S1" in placement.sockets.values()) == (len(ends) == 3)
    assert {} == places_beside(ends, FIXTURE, placement)


def test_beside_a_dip_plug_that_fills_its_socket_is_nothing() -> None:
    full = lead({"A": "idc-2x20", "B": "dip-40"}, {"rule": "alternate", "first": "low"})
    assert {"B": {}} == places_beside(full.ends, FIXTURE, place(full.ends, FIXTURE, 128))


ONE_ON = [f"A.{2 * n - 1} B.{n + 1}" for n in range(1, 12)] + [f"A.{2 * n} B.{24 - n}" for n in range(1, 12)]


def test_a_dip_plug_one_place_off_is_seen_by_what_lies_beside_it() -> None:
    measured = nets(*ONE_ON, "A.23 @S1.13", "A.24 @S1.28")
    (story,) = stories(DIP, measured, (), BESIDE)
    assert ["off B: all; one column off, towards pin 12"] == [in_text(DIP, cause) for cause in story.causes]
    (blind,) = stories(DIP, measured)
    assert blind.cost > story.cost
    assert "bridge" in {cause.kind for cause in blind.causes}


def test_one_whose_last_contacts_meet_nothing_there_is_not_the_dip_plug() -> None:
    """Beside B are positions, which would have shown it; beside A is nothing."""
    (story,) = stories(DIP, nets(*ONE_ON), (), BESIDE)
    assert ["off A: all; one column off, towards pin 1"] == [in_text(DIP, cause) for cause in story.causes]
    (either,) = told(DIP, ONE_ON)
    assert [
        "off A: all; one column off, towards pin 1 = off B: all; one column off, towards pin 12"
    ] == either


# What holds whatever is measured.


def check(profile: Profile, measured: Nets, library: tuple[Profile, ...] = ()) -> None:
    """Proven, of one cost that opens and joins alone do not beat, different, and a few."""
    found = stories(profile, measured, library)
    right = gives(Story(()), profile, measured)
    opens_and_joins = plain(profile, measured)
    assert gives(opens_and_joins, profile, measured)
    assert right == (found == ()) == (opens_and_joins.causes == ())
    assert len(found) <= MOST_STORIES
    assert len({story.cost for story in found}) < 2
    for story in found:
        assert gives(story, profile, measured)
        assert story.cost <= opens_and_joins.cost
        for number, cause in enumerate(story.causes):
            for other in cause.also:
                same = Story((*story.causes[:number], other, *story.causes[number + 1 :]))
                assert gives(same, profile, measured), other
    assert len(found) == len({repr(story) for story in found})


def partition(blocks: Sequence[int], over: Sequence[Pin]) -> Nets:
    made: dict[int, list[Pin]] = {}
    for block, pin in zip(blocks, over, strict=True):
        made.setdefault(block, []).append(pin)
    return tuple(tuple(sorted(piece, key=in_order)) for piece in made.values() if len(piece) > 1)


PROFILES = [RIBBON, SPARE, Y, WOVEN, PAIRS, *map(grounds, ("never", "optional", "required")), STRAIGHT, THREE]


@given(st.data())
def test_a_story_of_any_wiring_is_proven_and_costs_no_more_than_opens_and_joins(data: st.DataObject) -> None:
    profile = data.draw(st.sampled_from(PROFILES))
    every = profile.pins()
    block = st.integers(0, data.draw(st.sampled_from([2, len(every) // 2, 2 * len(every)])))
    blocks = data.draw(st.lists(block, min_size=len(every), max_size=len(every)))
    check(profile, partition(blocks, every), (ODD, OTHER_THREE))


@given(
    st.sampled_from(PROFILES),
    st.randoms(use_true_random=False),
)
@settings(max_examples=60)
def test_so_is_one_of_a_cable_with_a_few_faults(profile: Profile, chance: random.Random) -> None:
    measured = few_faults(profile, chance)
    check(profile, measured, (ODD, OTHER_THREE))


def few_faults(profile: Profile, chance: random.Random) -> Nets:
    """Conductors exchanged at one end, some contacts open, some joined."""
    end = chance.choice(profile.ends)
    goes = {pin: pin for pin in profile.pins()}
    for _ in range(chance.randrange(4)):
        one, other = chance.sample(end.pins(), 2)
        goes[one], goes[other] = goes[other], goes[one]
    number = {pin: n for n, net in enumerate(profile.nets) for pin in net.pins}
    blocks = {goes[pin]: number.get(pin, 1000 + n) for n, pin in enumerate(profile.pins())}
    for n in range(chance.randrange(3)):
        blocks[chance.choice(profile.pins())] = 2000 + n
    for _ in range(chance.randrange(2)):
        blocks[chance.choice(profile.pins())] = blocks[chance.choice(profile.pins())]
    return partition([blocks[pin] for pin in profile.pins()], profile.pins())


LONG = lead({"A": "idc-2x20", "B": "dip-40"}, {"rule": "alternate", "first": "high"})


def test_what_looks_the_same_only_while_grounds_are_not_linked_is_not_told_where_they_are() -> None:
    """Exchanged at A, A.1 carries no ground any more; exchanged at B it does, and is linked to A.2."""
    ground = grounds("optional")
    assert [["swap A: A.1 A.4 = swap B: B.1 B.4"]] == told(ground, crossed("4 2 3 1 5 6"))
    linked = told(ground, ["A.1 A.2 B.2 B.4", "A.4 B.1", *crossed("- - 3 - 5 6")])
    assert [["swap B: B.1 B.4"]] == linked
    turned = ["A.1 A.2 B.5 B.6", "A.3 B.4", "A.4 B.3", "A.5 B.2", "A.6 B.1"]
    assert [["turned B: all"]] == told(ground, turned)


def test_contacts_of_an_open_run_are_not_linked_by_conductors_they_have_no_more() -> None:
    check(grounds("optional"), nets("A.1 A.2 A.3 A.4 A.5 A.6 B.1 B.2 B.6", "B.3 B.4 B.5"))


def test_where_a_run_of_opens_costs_less_than_exchanges_the_opens_are_told() -> None:
    check(STRAIGHT, nets("A.1 A.2 A.4 A.5 B.1 B.2", "A.3 A.6 B.5 B.6", "B.3 B.4"))


@pytest.mark.parametrize("pieces", [2, 20, 40, 60])
def test_random_wiring_of_eighty_pins_comes_to_an_end_and_is_proven(pieces: int) -> None:
    chance = random.Random(pieces)
    every = LONG.pins()
    for _ in range(2):
        check(LONG, partition([chance.randrange(pieces) for _ in every], every))


def test_random_trees_and_what_went_wrong_with_them_are_proven() -> None:
    chance = random.Random(6)
    names = [str(pin) for pin in STRAIGHT.pins()]
    for _ in range(20):
        wires, links = random_cable(chance, names, [lambda chance: chance.choice((2, 2, 3, 4))])
        profile = lead({"A": "row-6", "B": "row-6"}, {"wires": wires})
        number = {pin: n for n, pin in enumerate(profile.pins())}
        for link in faulty(chance, names, links, 4):
            one, other = (number[parse_pin(pin)] for pin in link)
            number = {pin: one if at == other else at for pin, at in number.items()}
        check(profile, partition([number[pin] for pin in profile.pins()], profile.pins()))


def some_stories() -> list[str]:
    """What is told of a few dozen cables by chance, the same ones each time."""
    chance = random.Random(128)
    measured = [(profile, few_faults(profile, chance)) for profile in (*PROFILES, LONG) for _ in range(4)]
    return [repr(stories(profile, pieces, (ODD, OTHER_THREE))) for profile, pieces in measured]


def test_the_same_is_told_whatever_order_sets_are_in() -> None:
    """In another process strings have other hashes, so sets another order."""
    script = f"from {__name__} import some_stories\nprint(*some_stories(), sep='\\n')"
    told = [
        subprocess.run(
            [sys.executable, "-c", script],
            check=True,
            capture_output=True,
            text=True,
            cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        ).stdout
        for seed in ("1", "2")
    ]
    assert len(told[0].splitlines()) == 4 * (len(PROFILES) + 1)
    assert told[0] == told[1]


def test_a_cable_that_was_laid_by_another_rule_is_told_so() -> None:
    """Where the library has none like it."""
    (story,) = stories(DIP, nets(*crossed(" ".join(map(str, range(1, 25))))))
    assert [("wrong-cable", "rule: pin to pin")] == [(one.kind, one.detail) for one in story.causes]
