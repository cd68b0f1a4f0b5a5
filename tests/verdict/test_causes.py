"""What each kind of cause does to nets, worked out by hand, and what proves a story."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pytest

from pinwright.cable.pins import Pin, in_order, parse_pin
from pinwright.cable.profile import Profile
from pinwright.verdict.causes import COSTS, Cause, Group, Story, applied, gives, groups_of, linked


def pins(text: str) -> tuple[Pin, ...]:
    return tuple(map(parse_pin, text.split()))


def moves(text: str) -> tuple[tuple[Pin, Pin | None], ...]:
    """`A.1>A.2 A.3>-`: a conductor on another contact, and one that hangs free."""
    pairs = [step.split(">") for step in text.split()]
    return tuple((parse_pin(one), None if other == "-" else parse_pin(other)) for one, other in pairs)


def cause(
    kind: str,
    *,
    nets: Sequence[str] = (),
    to: str = "",
    pieces: Sequence[str] = (),
    joins: Sequence[str] = (),
) -> Cause:
    pairs = tuple((one, other) for one, other in map(pins, joins))
    return Cause(
        kind,
        (),
        (),
        COSTS[kind],
        nets=tuple(map(pins, nets)),
        moves=moves(to),
        pieces=tuple(map(pins, pieces)),
        joins=pairs,
    )


def lead(joined: str = "optional", **wiring: object) -> Profile:
    """A.1–B.1 and A.2–B.2 carry GND, A.3–B.3 and A.4–B.4 nothing that has a name; 5 and 6 are unused."""
    return Profile.from_dict(
        {
            "cable": {"id": "lead"},
            "ends": {end: {"connector": "row-6", "signals": {"1": "GND", "2": "GND"}} for end in "AB"},
            "wiring": wiring or {"wires": [[f"A.{n}", f"B.{n}"] for n in range(1, 5)]},
            "common": {"GND": {"joined": joined}},
        }
    )


def told(groups: Iterable[Group]) -> list[str]:
    texts = [" ".join(map(str, sorted(group.pins, key=in_order))) or "nothing" for group in groups]
    return sorted(texts)


# What a good cable is.


def test_the_groups_of_a_good_cable_are_its_nets_and_know_what_may_be_linked() -> None:
    ground = frozenset({"GND"})
    assert [
        Group(frozenset(pins("A.1 B.1")), ground),
        Group(frozenset(pins("A.2 B.2")), ground),
        Group(frozenset(pins("A.3 B.3"))),
        Group(frozenset(pins("A.4 B.4"))),
    ] == groups_of(lead())


@pytest.mark.parametrize(
    ("joined", "nets"),
    [
        ("never", ["A.1 B.1", "A.2 B.2", "A.3 B.3", "A.4 B.4"]),
        ("required", ["A.1 A.2 B.1 B.2", "A.3 B.3", "A.4 B.4"]),
    ],
)
def test_nothing_may_be_linked_that_must_not_or_must_be(joined: str, nets: list[str]) -> None:
    groups = groups_of(lead(joined))
    assert nets == told(groups)
    assert not any(group.optional for group in groups)


# What happens to it.


@pytest.mark.parametrize(
    ("happened", "expected"),
    [
        # pieces
        (cause("open", pieces=["A.3", "B.3"]), "A.1 B.1 / A.2 B.2 / A.3 / A.4 B.4 / B.3"),
        # a conductor that hangs free is a pin alone
        (cause("open-run", to="A.1>- A.2>- A.3>-"), "A.4 B.4 / B.1 / B.2 / B.3"),
        (cause("absent", to="B.1>- B.2>- B.3>- B.4>- B.5>- B.6>-"), "A.1 / A.2 / A.3 / A.4"),
        # joins, of groups and of a pin in none
        (cause("bridge", joins=["A.3 A.4"]), "A.1 B.1 / A.2 B.2 / A.3 A.4 B.3 B.4"),
        (cause("bridge", joins=["A.4 A.5"]), "A.1 B.1 / A.2 B.2 / A.3 B.3 / A.4 A.5 B.4"),
        (cause("tied", joins=["A.1 A.2", "A.1 A.3"]), "A.1 A.2 A.3 B.1 B.2 B.3 / A.4 B.4"),
        (cause("link-extra", joins=["A.1 A.2"]), "A.1 A.2 B.1 B.2 / A.3 B.3 / A.4 B.4"),
        # moves
        (cause("swap", to="A.3>A.4 A.4>A.3"), "A.1 B.1 / A.2 B.2 / A.3 B.4 / A.4 B.3"),
        (cause("cycle", to="A.2>A.3 A.3>A.4 A.4>A.2"), "A.1 B.1 / A.2 B.4 / A.3 B.2 / A.4 B.3"),
        (cause("moved", to="B.4>B.6"), "A.1 B.1 / A.2 B.2 / A.3 B.3 / A.4 B.6"),
        # a run whose last conductor shares a contact, is on an unused one, or hangs free
        (cause("slipped", to="A.2>A.3 A.3>A.4"), "A.1 B.1 / A.3 B.2 / A.4 B.3 B.4"),
        (cause("slipped", to="A.3>A.4 A.4>A.5"), "A.1 B.1 / A.2 B.2 / A.4 B.3 / A.5 B.4"),
        (cause("slipped", to="A.2>A.1 A.1>-"), "A.1 B.2 / A.3 B.3 / A.4 B.4 / B.1"),
        # two conductors on the contact of a third
        (cause("slipped", to="A.2>A.1 A.3>A.1"), "A.1 B.1 B.2 B.3 / A.4 B.4"),
        # whole plugs
        (
            cause("turned", to="A.1>A.6 A.2>A.5 A.3>A.4 A.4>A.3 A.5>A.2 A.6>A.1"),
            "A.3 B.4 / A.4 B.3 / A.5 B.2 / A.6 B.1",
        ),
        (
            cause("off", to="A.1>A.2 A.2>A.3 A.3>A.4 A.4>A.5 A.5>A.6 A.6>-"),
            "A.2 B.1 / A.3 B.2 / A.4 B.3 / A.5 B.4",
        ),
        (
            cause("off", to="A.1>@S1.9 A.2>A.1 A.3>A.2 A.4>A.3 A.5>A.4 A.6>A.5"),
            "A.1 B.2 / A.2 B.3 / A.3 B.4 / B.1 @S1.9",
        ),
        (cause("exchanged", to="A.3>B.3 B.3>A.3 A.4>B.4 B.4>A.4"), "A.1 B.1 / A.2 B.2 / A.3 B.3 / A.4 B.4"),
        (cause("wrong-cable", nets=["A.1 B.2", "A.2 B.1 B.5"]), "A.1 B.2 / A.2 B.1 B.5"),
    ],
    ids=lambda value: value.kind if isinstance(value, Cause) else "",
)
def test_what_a_cause_makes_of_the_nets(happened: Cause, expected: str) -> None:
    assert sorted(expected.split(" / ")) == told(applied(happened, groups_of(lead())))


def test_a_link_that_is_missing_leaves_whole_conductors() -> None:
    groups = applied(cause("link-missing", pieces=["A.1 B.1", "A.2 B.2"]), groups_of(lead("required")))
    assert ["A.1 B.1", "A.2 B.2", "A.3 B.3", "A.4 B.4"] == told(groups)


def test_causes_are_applied_one_after_the_other() -> None:
    groups = applied(cause("slipped", to="A.3>A.4 A.4>A.5"), groups_of(lead()))
    groups = applied(cause("open", pieces=["A.4", "B.3"]), groups)
    groups = applied(cause("bridge", joins=["A.4 A.5"]), groups)
    assert ["A.1 B.1", "A.2 B.2", "A.4 A.5 B.4", "B.3"] == told(groups)


def test_what_may_be_linked_stays_so_wherever_its_conductor_is_and_whatever_joins_it() -> None:
    groups = groups_of(lead())
    for happened in (
        cause("swap", to="A.1>A.3 A.3>A.1"),
        cause("bridge", joins=["B.2 B.4"]),
        cause("open", pieces=["A.3", "B.1"]),
    ):
        groups = applied(happened, groups)
    ground = {" ".join(sorted(map(str, group.pins))) for group in groups if "GND" in group.optional}
    assert {"A.3", "B.1", "A.2 A.4 B.2 B.4"} == ground


@pytest.mark.parametrize("pieces", [["A.3", "B.4"], ["A.3", "B.3", "A.5"], ["A.1 B.1", "A.2 B.2"]])
def test_nothing_falls_into_pieces_that_it_has_not(pieces: list[str]) -> None:
    with pytest.raises(ValueError, match="no such group"):
        applied(cause("open", pieces=pieces), groups_of(lead()))


def test_a_cause_does_nothing_to_the_groups_it_was_given() -> None:
    groups = groups_of(lead())
    before = list(groups)
    applied(cause("swap", to="A.3>A.4 A.4>A.3"), groups)
    applied(cause("bridge", joins=["A.3 A.4"]), groups)
    assert before == groups


def test_groups_that_share_a_signal_are_linked_as_one() -> None:
    x, y = frozenset("x"), frozenset("y")
    groups = [
        Group(frozenset(pins("A.1 B.1")), x),
        Group(frozenset(pins("A.2 B.2"))),
        Group(frozenset(pins("A.3 B.3")), y),
        Group(frozenset(pins("A.4 B.4")), x | y),
    ]
    assert ["A.1 A.3 A.4 B.1 B.3 B.4", "A.2 B.2"] == told(linked(groups))


# The proof of a story.

GOOD = ["A.1 B.1", "A.2 B.2", "A.3 B.3", "A.4 B.4"]


def proven(joined: str, causes: Sequence[Cause], nets: Sequence[str]) -> bool:
    return gives(Story(tuple(causes)), lead(joined), map(pins, nets))


@pytest.mark.parametrize(
    ("joined", "causes", "nets", "expected"),
    [
        ("never", [], GOOD, True),
        ("never", [], GOOD[::-1], True),
        ("never", [], ["B.1 A.1", *GOOD[1:]], True),
        ("never", [], GOOD[1:], False),  # more is measured, or less, than the story says
        ("never", [], [*GOOD, "A.5 A.6"], False),
        ("never", [], ["A.1 B.1 A.5", *GOOD[1:]], False),
        ("never", [], ["A.1 A.2 B.1 B.2", *GOOD[2:]], False),
        ("optional", [], GOOD, True),
        ("optional", [], ["A.1 A.2 B.1 B.2", *GOOD[2:]], True),
        ("optional", [], ["A.1 A.3 B.1 B.3", "A.2 B.2", "A.4 B.4"], False),  # GND may be linked to GND only
        ("optional", [], ["A.1 A.2 A.3 B.1 B.2 B.3", "A.4 B.4"], False),
        ("optional", [], ["A.1 A.2", "B.1 B.2", *GOOD[2:]], False),  # linked, but no longer whole
        ("required", [], ["A.1 A.2 B.1 B.2", *GOOD[2:]], True),
        ("required", [], GOOD, False),
        ("required", [cause("link-missing", pieces=["A.1 B.1", "A.2 B.2"])], GOOD, True),
        # a bridge to one ground, and the other may hang on it or not
        ("optional", [cause("bridge", joins=["A.2 A.3"])], ["A.1 B.1", "A.2 A.3 B.2 B.3", GOOD[3]], True),
        ("optional", [cause("bridge", joins=["A.2 A.3"])], ["A.1 A.2 A.3 B.1 B.2 B.3", GOOD[3]], True),
        ("never", [cause("bridge", joins=["A.2 A.3"])], ["A.1 A.2 A.3 B.1 B.2 B.3", GOOD[3]], False),
        # where the conductor of a ground has gone, it may still be linked
        (
            "optional",
            [cause("swap", to="A.2>A.3 A.3>A.2")],
            ["A.1 A.3 B.1 B.2", "A.2 B.3", "A.4 B.4"],
            True,
        ),
        ("never", [cause("swap", to="A.3>A.4 A.4>A.3")], [*GOOD[:2], "A.3 B.4", "A.4 B.3"], True),
        ("never", [cause("swap", to="A.3>A.4 A.4>A.3")], GOOD, False),
        # a cause that cannot happen proves nothing, not even what would be right without it
        ("never", [cause("open", pieces=["A.3", "B.4"])], GOOD, False),
        # what is told of two pins of one net changes nothing
        (
            "required",
            [cause("swap", to="A.1>A.2 A.2>A.1")],
            ["A.1 A.2 B.1 B.2", *GOOD[2:]],
            True,
        ),
    ],
)
def test_a_story_is_proven_by_exactly_the_nets_it_gives(
    joined: str, causes: list[Cause], nets: list[str], expected: bool
) -> None:
    assert expected == proven(joined, causes, nets)


def test_the_cost_of_a_story_is_what_its_causes_cost() -> None:
    told_twice = cause("swap", to="A.3>A.4 A.4>A.3")
    assert 0 == Story(()).cost
    assert COSTS["swap"] + COSTS["open"] == Story((told_twice, cause("open", pieces=["A.1", "B.1"]))).cost


def test_what_looks_the_same_is_left_out_of_a_cause_alone() -> None:
    one, other = cause("swap", to="A.3>A.4 A.4>A.3"), cause("swap", to="B.3>B.4 B.4>B.3")
    both = Cause(one.kind, one.ends, one.pins, one.cost, moves=one.moves, also=(other,))
    assert one == both.alone() != both
