"""The picture in the terminal: pins where they are, marks that need no colour, lines as measured, room."""

from __future__ import annotations

import os
import random
import re
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinwright.cable.connectors import FAMILIES, SHELL, connector
from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.library import find_profile, library_folders, library_profiles
from pinwright.sheets.sketch import MOST_ENDS, Sketch, _upright, sketch
from pinwright.tester.measurement import Measurement
from pinwright.verdict.facts import Facts, compare

from ..campaign import faulty_cables as made
from .test_drawing import FIVE, KINDS, LEAD, OHMS, TEN, WOVEN, measured_cables

GOLDEN = Path(__file__).parent / "golden"
STATES = {
    *("good", "unused", "open", "joined", "exchanged", "resistive", "leaking", "unsteady", "linked"),
    *("conductor", "frame", "label", "words", "number"),
}
MARKS = {"open": "✗", "joined": "■", "wrong place": "◆", "resistive": "▲", "leaks": "▽", "unsteady": "≈"}
IN_ASCII = {"open": "x", "joined": "#", "wrong place": "*", "resistive": "%", "leaks": "!", "unsteady": "~"}
DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))  # of a braille pattern, by line and column


# Reading a sketch


def sketched(record: Any, **options: Any) -> Sketch:
    return sketch(record.profile, record.facts, [one.pins for one in record.findings], **options)


def told(text: str, record: Any, **options: Any) -> Sketch:
    """With findings about these pins: `A.6 B.3, A.16 B.8`."""
    findings = [[Pin(*pin.split(".")) for pin in one.split()] for one in text.split(", ")]
    return sketch(record.profile, record.facts, findings, **options)


def texts(made: Sketch) -> list[str]:
    return ["".join(text for text, _ in line) for line in made]


def profile(ends: Mapping[str, str], wires: Iterable[str], **labels: str) -> Profile:
    tables = {end: {"connector": plug, "label": labels.get(end, "")} for end, plug in ends.items()}
    wiring = {"wires": [wire.split() for wire in wires]}
    return Profile.from_dict({"cable": {"id": "x", "title": "x"}, "ends": tables, "wiring": wiring})


def alone(name: str, **options: Any) -> Sketch:
    """A connector by itself, its first and last pin linked."""
    first, last = connector(name).pins[0], connector(name).pins[-1]
    if first == last:
        return sketch(profile({"A": name, "B": name}, [f"A.{first} B.{first}"]), **options)
    return sketch(profile({"A": name}, [f"A.{first} A.{last}"]), **options)


def dots(made: Sketch, *without: str, marks: bool = False) -> set[tuple[int, int]]:
    """All dots, x and y, but those of texts in these styles. marks: those that a mark may cover too."""
    found = set()
    for row, line in enumerate(made):
        cells = [(char, state) for text, state in line for char in text]
        for column, (char, state) in enumerate(cells):
            bits = ord(char) - 0x2800 if 0x2800 <= ord(char) < 0x2900 and state not in without else 0
            bits = 0xFF if marks and char in MARKS.values() else bits
            for y, of_line in enumerate(DOTS):
                found |= {(2 * column + x, 4 * row + y) for x, bit in enumerate(of_line) if bits & bit}
    return found


def reached(start: tuple[int, int], among: set[tuple[int, int]]) -> set[tuple[int, int]]:
    """The dots that hang together with one, side by side or corner to corner."""
    found, left = {start}, [start]
    while left:
        x, y = left.pop()
        near = {(x + dx, y + dy) for dx in (-1, 0, 1) for dy in (-1, 0, 1)} & among - found
        found |= near
        left += near
    return found


# Pins


def grid(made: Sketch) -> dict[str, tuple[int, int]]:
    """Pin → column and line of its mark, of the connector at the left."""
    lines = texts(made)
    right = max(lines[1].find(corner) for corner in "┐╮")
    bottom = next(row for row, line in enumerate(lines) if row > 1 and line[0] in "└╰")
    found = {}
    for row, line in enumerate(lines[2:bottom]):
        for token in re.finditer(r"[^\s▸◂]+", line[1:right]):
            name = token[0].strip("·○")
            assert len(token[0]) == len(name) + 1
            found[name] = (token.end() if token[0][-1] in "·○" else token.start() + 1, row)
    return found


TURNS: tuple[Callable[[float, float], tuple[float, float]], ...] = (
    lambda x, y: (x, y),
    lambda x, y: (-y, x),
    lambda x, y: (y, -x),
)


def fits(plug: Any, seen: Mapping[str, tuple[int, int]], turn: Any, level: bool) -> bool:
    """Whether pins lie left of, above and level with each other as on the connector turned so. level: rows
    that are offset may be level."""
    places = {pin: turn(*place) for pin, place in plug.positions.items() if pin != SHELL}
    for one, other in combinations(places, 2):
        for axis in (0, 1):
            real = round(places[one][axis] - places[other][axis], 2)
            drawn = seen[one][axis] - seen[other][axis]
            same = drawn == 0 and level and axis == 1
            if not same and (real > 0, real < 0) != (drawn > 0, drawn < 0):
                return False
    return True


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.pattern)
@pytest.mark.parametrize("height", [24, 99])
def test_pins_lie_as_on_the_connector_turned_at_most_and_never_mirrored(family: Any, height: int) -> None:
    for name in family.names():
        plug = connector(name)
        seen = grid(alone(name, height=height))
        assert set(plug.pins) == set(seen), name
        level = height < 99 and len(plug.pins) > height / 2
        turned = [turn for turn in TURNS if fits(plug, seen, turn, level)]
        assert turned, name
        first, last = seen[plug.pins[0]][1], max(row for _, row in seen.values())
        if turned[0] is not TURNS[0]:
            assert first <= last / 2, name


def test_the_side_that_is_seen_and_where_up_went_are_told() -> None:
    for name, words in {
        "idc-2x20": "mating face, pins 1 and 2 up",
        "dip-40": "top, the end of pin 1 up",
        "dsub-25-plug": "mating face, long row right",
        "dsub-25-socket": "mating face, long row left",
        "din-5-180-plug": "mating face, pin 2 up",
        "8p8c": "contacts towards you, cable left",
        "trs": "side of the plug, tip up",
    }.items():
        assert words in "\n".join(texts(alone(name))), name


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.pattern)
def test_a_triangle_points_at_pin_1_alone(family: Any) -> None:
    for name in family.names():
        first = connector(name).pins[0]
        text = "\n".join(texts(alone(name)))
        ends = 1 if len(connector(name).pins) > 1 else 2
        assert ends == len(re.findall("[▸◂]", text)), name
        assert ends == len(re.findall(rf"▸ *[·○]?{first}\b|\b{first}[·○]? *◂", text)), name


def test_a_dip_plug_has_its_notch_at_pin_1() -> None:
    assert "◡" in texts(alone("dip-14"))[1]


# Marks and words


@pytest.mark.parametrize("ascii", [False, True])
def test_every_kind_of_fault_has_a_mark_of_its_own_which_the_legend_names(
    record_of: Callable[..., Any], library: Callable[[str], str], ascii: bool
) -> None:
    marks = IN_ASCII if ascii else MARKS
    assert len(marks) == len(set(marks.values()))
    kinds = {
        "good": {},
        "swap": {"wrong place": ("6 9", "B.3 B.36")},
        "open": {"open": ("6", "B.3")},
        "bridge": {"joined": ("6 12", "B.3 B.6")},
        "unsteady": {"unsteady": ("6", "B.3")},
        "stray": {"joined": ("8", "B.4")},
        "resistive": {"resistive": ("6", "B.3")},
        "leak": {"leaks": ("6 12", "B.3 B.6")},
        "leak-to-nowhere": {"leaks": ("6", "B.3")},
    }
    assert set(kinds) == set(KINDS)
    for kind, expected in kinds.items():
        lines = texts(sketched(record_of(library(LEAD), **KINDS[kind]), ascii=ascii))
        legend = lines[23] if len(lines) > 23 else ""
        assert set(expected) == {words for words in marks if f"{marks[words]} {words}" in legend}, kind
        for state, ends in expected.items():
            pins = {pin.removeprefix("B.") for text in ends for pin in text.split()}
            drawn = "\n".join(lines[2:22])
            left = set(re.findall(rf"(\d+){re.escape(marks[state])}(?!\()", drawn))
            right = set(re.findall(rf"{re.escape(marks[state])}(\d+)", drawn))
            assert pins == left | right, (kind, state)


def test_what_the_legend_names_is_in_the_picture_and_nothing_else(
    record_of: Callable[..., Any], library: Callable[[str], str]
) -> None:
    for faults in (*KINDS.values(), TEN, OHMS):
        lines = texts(sketched(record_of(library(LEAD), **faults)))
        drawn, legend = "".join(lines[:23]), "".join(lines[23:])
        assert {mark for mark in "✗■◆▲▽≈○≡" if mark in drawn} == {
            mark for mark in "✗■◆▲▽≈○≡" if mark in legend
        }


def test_unused_pins_and_a_shell_have_their_marks_and_names() -> None:
    made = sketch(profile({"A": "dsub-9-plug-shell", "B": "row-10"}, ["A.SHELL B.10", "A.1 B.1"]))
    text = "\n".join(texts(made))
    assert "SHELL·" in text
    assert 8 + 8 == len(re.findall(r"\d○|○\d", text))
    assert "○ unused" == texts(made)[-1]


def test_positions_of_the_tester_are_named_beside_the_pin(
    record_of: Callable[..., Any], library: Callable[[str], str]
) -> None:
    lines = texts(sketched(record_of(library(LEAD), join=["A.8 @J2.7", "A.21 @J2.8"])))
    assert "8■──·7──├⠤⠤ @J2.7 (1)" in lines[5]
    assert "22·  ■21─├⠉⠉ @J2.8 (2)" in lines[12]
    cable = profile({"A": "row-2", "B": "row-2"}, ["A.1 B.1"])
    away, known = Pin("@J2", "7"), frozenset([*cable.pins(), Pin("@J2", "7")])
    nets = ((Pin("A", "1"), Pin("B", "1")), (Pin("B", "2"), away))
    (line,) = (line for line in texts(sketch(cable, compare(cable, Measurement(known, nets)))) if "@" in line)
    assert line.endswith(" @J2.7 ⠒⠒┤─■2 │")


def test_grounds_that_were_found_joined_and_may_be_are_marked_and_no_fault(
    record_of: Callable[..., Any], library: Callable[[str], str]
) -> None:
    record = record_of(library(LEAD), join=["A.1 A.3", "B.7 B.12"])
    assert record.passed
    lines = texts(sketched(record))
    assert "≡ joined, as they may be" == lines[-1]
    assert not re.search("[✗■◆▲▽≈]", "".join(lines))
    both = record_of(library(LEAD), join=["A.1 A.3"], cut=["A.6"])
    assert "≡" not in "".join(texts(sketched(both)))


@pytest.mark.parametrize(
    "faults", [*list(KINDS.values())[1:], TEN, OHMS, {"cut": ["A.4", "A.5", "A.6", "A.7", "A.8", "A.9"]}]
)
def test_the_numbers_of_up_to_ten_findings_are_in_the_picture(
    record_of: Callable[..., Any], library: Callable[[str], str], faults: Mapping[str, Sequence[str]]
) -> None:
    record = record_of(library(LEAD), **faults)
    assert 0 < len(record.findings) <= 10
    numbers = re.findall(r"\((\d+)\)", "\n".join(texts(sketched(record))))
    assert [str(n) for n in range(1, len(record.findings) + 1)] == sorted(numbers, key=int)


def test_of_more_findings_none_has_its_number_there(
    record_of: Callable[..., Any], library: Callable[[str], str]
) -> None:
    record = record_of(library(LEAD), cut=["A.6"])
    many = sketch(record.profile, record.facts, [record.findings[0].pins] * 11)
    assert not re.search(r"\(\d+\)", "".join(texts(many)))


def test_labels_that_anybody_may_have_chosen_keep_their_place() -> None:
    ends = {"A": "row-2", "B": "row-2"}
    (caption, *_) = texts(sketch(profile({"A": "row-2"}, ["A.1 A.2"], A="日本 ש é")))
    assert "A: row-2, <U+65E5><U+672C> <U+05E9> é" == caption
    (caption, *_) = texts(sketch(profile(ends, ["A.1 B.1"], A="é"), ascii=True))
    assert caption.startswith("A: row-2, <U+00E9>")
    (caption, *_) = texts(sketch(profile(ends, ["A.1 B.1"], A="long " * 9 + "y", B="long " * 9 + "er")))
    assert caption.count("…") == 2
    assert len(caption) <= 80


# Lines


@given(st.integers(1, 7), st.integers(1, 7))
def test_a_conductor_in_a_wrong_place_is_drawn_from_where_it_is_to_where_it_was_found(
    one: int, other: int
) -> None:
    ends = {"A": "row-8", "B": "row-9"}
    cable = profile(ends, [f"A.{n} B.{n}" for n in range(1, 9) if n != other])
    moved = one if one != other else one % 7 + 1
    nets = [tuple(Pin(end, str(n)) for end in "AB") for n in range(1, 9) if n not in (moved, other)]
    nets.append((Pin("A", str(moved)), Pin("B", str(other))))
    facts = compare(cable, Measurement(frozenset(cable.pins()), tuple(nets)))
    made = sketch(cable, facts)
    whole = dots(made, "open")
    rows = {n: row for row, line in enumerate(texts(made)) for n in re.findall(r"^│[ ▸]?(\d)", line)}
    right = {n: row for row, line in enumerate(texts(made)) for n in re.findall(r"(\d)[ ◂]?│$", line)}
    left_end, right_end = min(whole), max(whole)
    assert rows[str(moved)] == left_end[1] // 4
    assert right[str(other)] == right_end[1] // 4
    assert whole <= reached(left_end, dots(made, "open", marks=True))
    assert right_end in whole


def test_what_is_open_is_a_broken_line_and_what_is_right_is_not_drawn_among_faults(
    record_of: Callable[..., Any], library: Callable[[str], str]
) -> None:
    made = sketched(record_of(library(LEAD), cut=["A.6"]))
    drawn = dots(made)
    assert {4} == {y // 4 for _, y in drawn}  # A.6 is in the third line of pins
    xs = sorted({x for x, _ in drawn})
    assert {"open"} == {state for line in made for text, state in line if re.search("[⠀-⣿]", text)}
    assert sum(after - x > 1 for x, after in pairwise(xs)) > 10
    good = dots(sketched(record_of(library(LEAD))))
    assert {y // 4 for _, y in good} == set(range(2, 22))
    assert all(good >= {(x, y)} for x in range(24, 136) for y in {y for _, y in good})


def test_two_conductors_joined_are_drawn_whole_with_a_link_between_their_marks(
    record_of: Callable[..., Any], library: Callable[[str], str]
) -> None:
    lines = texts(sketched(record_of(library(LEAD), join=["A.6 A.12"])))
    marks = [
        (row, column) for row in range(2, 22) for column in range(13, 67) if lines[row][column:][:1] == "■"
    ]
    (top, column), (bottom, same) = marks
    assert (4, 7) == (top, bottom)
    assert column == same
    assert all(lines[row][column] not in " " for row in range(top, bottom))


def faulty(name: str, *faults: made.Fault) -> tuple[Profile, Facts]:
    """A cable of the library to which these things were done."""
    cable = find_profile(name, library_folders()).profile
    nets = made.nets_of(cable, faults)
    return cable, compare(cable, Measurement(frozenset(cable.pins()), nets))


def pins_of(end: str, first: int, last: int) -> list[Pin]:
    return [Pin(end, str(n)) for n in range(first, last + 1)]


def marks_in(made: Sketch) -> dict[str, str]:
    """Mark of each pin of a 2x20 header at the left and a dip-40 at the right: `A.3` → `·`."""
    found = {}
    for line in texts(made)[2:22]:
        (left, right) = line[:12], line[68:]
        for end, text in (("A", left), ("B", right)):
            one, other = re.findall(r"\d+", text)
            found[f"{end}.{one}"] = text[text.index(one) + len(one)]
            found[f"{end}.{other}"] = text[text.rindex(other) - 1]
    return found


def test_every_pin_of_what_is_wrongly_joined_has_a_mark_and_its_conductor_is_drawn() -> None:
    """The last of a run that slipped shares its contact with the conductor that belongs there."""
    cable, facts = faulty(LEAD, made.slipped(pins_of("A", 5, 30), Pin("A", "31")))
    mixed = next(extra.pins for extra in facts.extra if Pin("A", "31") in extra.pins)
    assert 3 == len(mixed)
    drawing = sketch(cable, facts)
    assert {"■"} == {marks_in(drawing)[str(pin)] for pin in mixed}
    row = next(line for line in texts(drawing) if "■31" in line)
    assert not re.search("[ ·]", row[12:68])


@given(st.integers(0, 2**32))
@settings(max_examples=60)
def test_no_pin_of_what_is_wrongly_joined_or_open_alone_is_drawn_good(seed: int) -> None:
    chance = random.Random(seed)
    cable = find_profile(LEAD, library_folders()).profile
    cable, facts = faulty(LEAD, *made.Mishaps(cable, chance).some(chance.randint(1, 4)))
    marks = marks_in(sketch(cable, facts))
    for extra in facts.extra:
        assert not {"·", "○"} & {marks[str(pin)] for pin in extra.pins}
    for fact in facts.missing:
        for piece in fact.pieces:
            assert len(piece) > 1 or marks[str(piece[0])] not in "·○"


@pytest.mark.parametrize(("one", "other"), [(6, 5), (6, 7), (6, 8), (5, 8)])
@pytest.mark.parametrize("ascii", [False, True])
def test_conductors_exchanged_with_their_neighbours_cross_in_the_middle(
    one: int, other: int, ascii: bool
) -> None:
    drawing = sketch(*faulty(LEAD, made.swap(Pin("A", str(one)), Pin("A", str(other)))), ascii=ascii)
    lines = texts(drawing)
    crossed = {line[12:68].strip() for line in lines[2:22]} - {""}
    assert crossed
    for line in crossed:  # level but for a few columns in the middle
        middle = len(line) // 2
        assert 1 == len(set(line[: middle - 3]))
        assert 1 == len(set(line[middle + 3 :]))
    if abs(one - other) == 1:
        assert ("X" if ascii else "\N{BOX DRAWINGS LIGHT DIAGONAL CROSS}") in "".join(crossed)
    elif not ascii:
        inside = {(x, y) for x, y in dots(drawing) if 24 < x < 136}
        at = {x: {y for of, y in inside if of == x} for x in range(25, 136)}
        low, high = min(at[30]), max(at[30])
        (middle,) = (x for x in at if at[x] == {(low + high) // 2})
        assert {low, high} == at[middle - 3] | at[middle + 3]
        assert 79 <= middle <= 81
    assert "◆ wrong place" == lines[-1] or "* wrong place" == lines[-1]


def test_the_mark_of_what_is_open_is_on_no_other_line() -> None:
    """Conductors that slipped lie over what is missing there."""
    cable, facts = faulty(LEAD, made.slipped(pins_of("A", 5, 7), Pin("A", "8")))
    assert "✗" not in "".join(line[12:68] for line in texts(sketch(cable, facts))[2:22])
    cable, facts = faulty(LEAD, made.moved(Pin("A", "6"), Pin("A", "8")))
    assert ["✗"] == re.findall("✗", "".join(line[12:68] for line in texts(sketch(cable, facts))[2:22]))


def test_a_picture_is_taller_than_24_lines_only_where_a_connector_has_more_than_20_rows() -> None:
    for cable in library_profiles(library_folders()):
        rows = max(len({y for _, y in _upright(end.connector)[0].values()}) for end in cable.ends)
        pins = [net.pins for net in cable.nets]
        one, other = pins[0][0], pins[-1][-1]
        cut = compare(cable, Measurement(frozenset(cable.pins()), tuple(pins[1:-1])))
        joined = compare(cable, Measurement(frozenset(cable.pins()), (*pins[1:-1], (one, other))))
        for facts in (None, cut, joined):
            lines = sketch(cable, facts)
            assert rows > 20 or len(lines) <= 24, cable.id


def test_pins_joined_at_one_end_are_a_bracket_beside_them() -> None:
    cable = profile({"A": "row-4", "B": "row-4"}, ["A.1 B.1"])
    nets = ((Pin("A", "1"), Pin("B", "1")), (Pin("A", "2"), Pin("A", "4")))
    facts = compare(cable, Measurement(frozenset(cable.pins()), nets))
    lines = texts(sketch(cable, facts))
    assert ["├⠒⠒⡆", "│  ■", "├⠒⠒⠃"] == [line[5:9] for line in lines[3:6]]
    # Joined, and not in wrong places, though the conductors of both are open besides.
    cable = profile({"A": "row-4", "B": "row-4"}, ["A.2 B.2", "A.4 B.4"])
    both = texts(sketch(cable, compare(cable, Measurement(frozenset(cable.pins()), nets[1:]))))
    assert ["│ 2■─├⠒⠒⡆", "│ 3○ │  ■", "│ 4■─├⠒⠒⠃"] == [line[:9] for line in both[3:6]]
    assert "■ joined  ✗ open  ○ unused" == both[-1]


# Room


def test_a_40_way_lead_and_three_woven_ends_fit_the_smallest_terminal(
    record_of: Callable[..., Any], library: Callable[[str], str]
) -> None:
    turned = {"swap": [f"A.{n} A.{41 - n}" for n in range(1, 21)]}
    for name in (LEAD, WOVEN):
        kinds = [faults for faults in (*KINDS.values(), TEN) if name == LEAD or "@" not in str(faults)]
        for faults in (*kinds, turned):
            for ascii in (False, True):
                lines = texts(sketched(record_of(library(name), **faults), ascii=ascii))
                assert 22 < len(lines) <= 24
                assert max(map(len, lines)) <= 80
                assert "B: dip-40" in lines[0]


def test_the_end_that_most_lead_to_is_in_the_middle_of_three(library: Callable[[str], str]) -> None:
    made = texts(sketch(profile({"A": "row-2", "B": "row-2", "C": "row-2"}, ["A.1 C.1", "B.1 C.2"])))
    assert re.fullmatch(r"A: row-2 +C: row-2 +B: row-2", made[0])
    narrow = texts(
        sketch(profile({"A": "row-2", "B": "row-2", "C": "row-2"}, ["A.1 C.1", "B.1 C.2"]), width=34)
    )
    assert "A: row-2" == narrow[0]
    assert any(line.startswith("B: row-2") for line in narrow[1:])


def test_a_narrow_terminal_shrinks_the_gap_and_one_that_is_too_narrow_has_no_picture(
    record_of: Callable[..., Any], library: Callable[[str], str]
) -> None:
    record = record_of(library(LEAD), **TEN)
    for width in range(40, 80):
        lines = texts(sketched(record, width=width))
        assert width == max(map(len, lines))
        assert {"├", "│"} >= {line[11] for line in lines[2:22]}
    assert () == sketched(record, width=33)
    assert () == sketched(record, width=0)


def test_of_offset_rows_a_short_terminal_has_half_the_lines() -> None:
    assert 37 + 4 == len(alone("dsub-37-plug", height=99))
    assert 19 + 4 == len(alone("dsub-37-plug", height=24))


def test_a_cable_of_many_ends_has_no_picture() -> None:
    ends = {f"E{n:02}": "row-2" for n in range(MOST_ENDS)}
    assert sketch(profile(ends, ["E00.1 E01.1"]))
    assert () == sketch(profile({**ends, "F": "row-2"}, ["E00.1 E01.1"]))
    assert () == sketch(profile({f"E{n:02}": "row-2" for n in range(40)}, ["E00.1 E01.1"]))


@given(measured_cables(), st.integers(0, 120), st.integers(0, 50), st.booleans())
@settings(max_examples=200)
def test_any_cable_has_a_picture_within_its_width_or_none(
    cable: tuple[Profile, Facts], width: int, height: int, ascii: bool
) -> None:
    profile, facts = cable
    bad = [leak.pins for leak in facts.leaks if not leak.ok]
    findings = [*(fact.net.pins for fact in facts.missing), *(fact.pins for fact in facts.extra)]
    findings += [(*one, *other) for one, other in pairwise(bad)]
    made = sketch(profile, facts, findings, width, height, ascii)
    assert made or width < 70
    lines = texts(made)
    assert max(map(len, lines), default=0) <= width
    assert {state for line in made for _, state in line} <= STATES
    assert all(line.isprintable() and (line.isascii() or not ascii) for line in lines)
    text = "\n".join(lines)
    assert not made or all(f"{end.name}: " in text for end in profile.ends)
    assert len(made) == len(sketch(profile, facts, findings, width, height, not ascii))
    if made and not ascii and not facts.passed:
        assert re.search("[✗■◆▲▽≈]", text)


def test_a_40_way_lead_is_drawn_in_less_than_30_ms(
    record_of: Callable[..., Any], library: Callable[[str], str]
) -> None:
    record = record_of(library(LEAD), swap=[f"A.{n} A.{41 - n}" for n in range(1, 21)])

    def seconds() -> float:
        start = time.process_time()
        sketched(record)
        return time.process_time() - start

    assert min(seconds() for _ in range(5)) < 0.030


# Looking


@pytest.fixture(scope="session")
def sketches(
    record_of: Callable[..., Any], library: Callable[[str], str], profile_text: Callable[..., str]
) -> Mapping[str, Sketch]:
    """The sketches that are kept as files, by name."""
    faults: Mapping[str, Sequence[str]] = {"cut": ["A.16"], "swap": ["A.6 A.11"], "join": ["A.20 A.22"]}
    about = "A.6 A.11 B.3 B.35, A.16 B.8, A.20 A.22 B.10 B.11"
    turned = [f"A.{n} A.{41 - n}" for n in range(1, 21)]
    everything = " ".join(f"A.{n}" for n in range(1, 41))
    of_dsub: Mapping[str, Sequence[str]] = {"cut": ["A.3"], "join": ["A.5 A.9"], "swap": ["B.6 B.8"]}
    of_three: Mapping[str, Sequence[str]] = {
        "cut": ["A.5"],
        "join": ["A.7 A.9", "A.2 A.4"],
        "swap": ["C.20 C.24", "A.33 C.38"],
    }
    about_three = "C.20 C.24 B.10 B.12, A.33 C.38 B.24 B.19, A.5 B.38, A.7 A.9 B.37 B.36, A.2 A.4"
    loop = profile_text({"A": "dsub-9-socket"}, ["A.2 A.3", "A.7 A.8", "A.4 A.6", "A.1 A.9"])
    looped = record_of(loop, cut=["A.2"], join=["A.7 A.5", "A.1 A.4"])
    lead = record_of(library(LEAD), **faults)
    ohms = record_of(library(LEAD), **OHMS)
    dsub = record_of(library("rs232-de9-to-db25-modem-tia574"), **of_dsub)
    din = record_of(library(FIVE), cut=["A.3"], swap=["A.1 A.2"])
    return {
        "lead-good": sketched(record_of(library(LEAD))),
        "lead-faults": told(about, lead),
        "lead-faults-ascii": told(about, lead, ascii=True),
        "lead-faults-narrow": told(about, lead, width=40),
        "lead-reversed": told(everything, record_of(library(LEAD), swap=turned)),
        "lead-absent": told(everything, record_of(library(LEAD), cut=[everything])),
        "lead-ohms": told("A.34, A.11 A.13, A.15, A.18, A.22, A.4, A.6, A.39", ohms),
        "three-ends": told(about_three, record_of(library(WOVEN), **of_three)),
        "dsub": told("A.6 A.8 B.6 B.8, A.3 B.2, A.5 A.9", dsub),
        "din": told("A.1 A.2 B.1 B.2, A.3 B.3", din),
        "loop-back": told("A.2 A.3, A.7 A.5, A.1 A.4", looped),
    }


NAMES = (
    *("lead-good", "lead-faults", "lead-faults-ascii", "lead-faults-narrow", "lead-reversed", "lead-absent"),
    *("lead-ohms", "three-ends", "dsub", "din", "loop-back"),
)


@pytest.mark.parametrize("name", NAMES)
def test_a_sketch_is_as_it_was_looked_at(sketches: Mapping[str, Sketch], name: str) -> None:
    """PINWRIGHT_REGENERATE=1 writes the files anew: look at the sketches then."""
    text = "\n".join(texts(sketches[name])) + "\n"
    file = GOLDEN / f"sketch-{name}.txt"
    if os.environ.get("PINWRIGHT_REGENERATE"):
        file.write_text(text, encoding="utf-8")
    assert file.read_text(encoding="utf-8") == text


def test_all_sketches_are_kept(sketches: Mapping[str, Sketch]) -> None:
    kept = {file.stem.removeprefix("sketch-") for file in GOLDEN.glob("sketch-*.txt")}
    assert set(NAMES) == set(sketches) == kept
