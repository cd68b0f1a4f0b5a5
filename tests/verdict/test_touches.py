"""What a touch means: one conductor, two at once, a short, what is unused or elsewhere, and what is left."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.profile import Profile
from pinwright.tester.fixture import Fixture, place
from pinwright.tester.touching import Held, Released, Touched
from pinwright.verdict.touches import Guide, Way

HARDWARE = Path(__file__).parents[2] / "hardware"
FIXTURE = Fixture.from_dict(tomllib.loads((HARDWARE / "fixtures/tester-128.toml").read_text("utf-8")))


def lead(joined: str = "optional") -> Profile:
    """Eight of ten conductors to a DIP plug, in its order; GND on 1 and 3."""
    return Profile.from_dict(
        {
            "cable": {"id": "x"},
            "ends": {
                "A": {"connector": "idc-2x5", "signals": {"1": "GND", "2": "CLK", "3": "GND", "4": "D0"}},
                "B": {"connector": "dip-8"},
            },
            "wiring": {"rule": "straight"},
            "common": {"GND": {"joined": joined}},
        }
    )


def guide(profile: Profile | None = None, plugged: str = "A") -> Guide:
    profile = profile or lead()
    ends = [end for end in profile.ends if end.name in plugged]
    ways = {
        pin: Way(int(pin.name) if pin.end == "A" else 0, ())
        for end in ends
        for pin in end.pins()
        if pin.name.isdecimal()
    }
    return Guide(profile, ends, ways, lambda pin: f"place {pin.name}", FIXTURE, place(ends, FIXTURE, 128))


def hear(one: Guide, *steps: str):
    """What is said of each: names of pins that come together, or nothing for a probe that is lifted."""
    said = []
    for step in steps:
        points = frozenset(one.placement.point_of[parse_pin(name)] for name in step.split())
        said.append(one.hear(Touched(points) if points else Released()))
    return said


def kinds(one: Guide, *steps: str) -> list[str]:
    return [said.kind for said in hear(one, *steps) if said.kind != "released"]


def pins(*names: str) -> tuple[Pin, ...]:
    return tuple(map(parse_pin, names))


def test_a_conductor_is_told_with_where_it_goes_and_counts_once():
    one = guide()
    first, _, again = hear(one, "A.2", "", "A.2")
    assert "conductor 2 → pin 2, place 2" == first.text == again.text
    assert ("conductor", pins("A.2"), "CLK", pins("B.2"), "2 → 2") == (
        first.kind,
        first.pins,
        first.signal,
        first.to,
        first.large,
    )
    assert (True, False) == (first.new, again.new)
    assert pins("A.2") == tuple(one.done)
    assert "conductors 1 and 3 to 8" == one.names(one.left)


def test_what_is_to_be_touched_is_every_pin_at_a_plug_that_a_net_has():
    assert pins(*(f"A.{n}" for n in range(1, 9))) == guide().wanted
    both = guide(plugged="AB")
    assert pins(*(f"{end}.{n}" for end in "AB" for n in range(1, 9))) == both.wanted


def test_a_way_says_where_its_own_conductor_goes_of_several_that_are_one_net():
    one = guide(lead("required"))
    one.ways = {**one.ways, parse_pin("A.1"): Way(1, pins("B.1"))}
    assert "conductor 1 → pin 1, place 1" == hear(one, "A.1")[0].text
    assert pins("A.1", "B.1", "B.3") == hear(one, "A.3")[0].to


def test_an_unused_pin_goes_nowhere_and_counts_for_nothing():
    one = guide()
    (said,) = hear(one, "A.9")
    assert ("unused", "conductor 9 is not in use: it goes nowhere", "9 → –") == (
        said.kind,
        said.text,
        said.large,
    )
    assert (8, False, set()) == (len(one.left), said.new, one.done)


def test_two_nets_at_once_are_told_and_count_for_nothing():
    one = guide()
    hear(one, "A.2", "")
    (said,) = hear(one, "A.2 A.4")
    assert ("two", "2+4", "CLK + D0") == (said.kind, said.large, said.signal)
    assert "two or more at once: conductor 2 and conductor 4; touch one by itself" == said.text
    assert set(pins("A.2")) == one.done


def test_two_that_were_never_apart_may_be_joined_and_seem_so_from_the_second_contact_on():
    one = guide()
    first, *_ = hear(one, "A.2 A.4")
    assert "two" == first.kind
    assert first.text.startswith("conductors 2 and 4 at once: touched together, or joined; lift")
    assert () == one.seem_joined
    _, second = hear(one, "", "A.2 A.4")
    assert ("joined", pins("A.2", "A.4")) == (second.kind, second.pins)
    assert "joined, as it seems; look for a bridge" in second.text
    assert (pins("A.2", "A.4"),) == one.seem_joined
    assert set() == one.done


@pytest.mark.parametrize("apart", ["A.2", "A.4", "A.2 A.6"])
def test_what_once_came_apart_is_not_joined(apart):
    one = guide()
    steps = ("A.2 A.4", "", "A.2 A.4", "", apart, "", "A.2 A.4")
    assert ["two", "joined", "two" if " " in apart else "conductor", "two"] == kinds(one, *steps)
    assert () == one.seem_joined


def test_a_hand_that_trembles_makes_no_second_contact():
    assert ["two", "two", "two"] == kinds(guide(), "A.2 A.4", "A.2 A.4 A.6", "A.2 A.4")


def test_a_short_to_an_unused_pin_is_one_too():
    one = guide()
    assert ["two", "joined"] == kinds(one, "A.8 A.9", "", "A.8 A.9")
    assert (pins("A.8", "A.9"),) == one.seem_joined


@pytest.mark.parametrize(
    ("joined", "expected"), [("optional", ["two", "linked"]), ("never", ["two", "joined"])]
)
def test_conductors_of_one_signal_may_be_linked_where_the_profile_says_so(joined, expected):
    one = guide(lead(joined))
    assert expected == kinds(one, "A.1 A.3", "", "A.1 A.3")
    assert (set(pins("A.1", "A.3")) if joined == "optional" else set()) == one.done
    assert (() if joined == "optional" else (pins("A.1", "A.3"),)) == one.seem_joined


def test_pins_of_one_net_come_together_as_they_should():
    one = guide(lead("required"))
    (said,) = hear(one, "A.1 A.3")
    assert ("conductor", pins("B.1", "B.3"), "1+3 → 1+3") == (said.kind, said.to, said.large)
    assert set(pins("A.1", "A.3")) == one.done


def test_with_both_ends_in_what_does_not_come_along_is_told():
    one = guide(plugged="AB")
    whole, part = hear(one, "A.2 B.2", "A.4")
    assert "conductor 2 of A and pin 2 of B: all that belongs to it is plugged in, and joined" == whole.text
    assert part.text.endswith("pin 4 of B, place 4; plugged in too, it did not come along: B.4")
    assert "A.4 → B.4" == part.large


def test_a_link_within_the_plug_does_not_look_like_a_way_out_of_it():
    loop = Profile.from_dict(
        {
            "cable": {"id": "x"},
            "ends": {"A": {"connector": "row-4"}, "B": {"connector": "row-4"}},
            "wiring": {"wires": [["A.1", "A.2"], ["A.3", "B.3"]]},
        }
    )
    one = guide(loop)
    apart, whole, out = hear(one, "A.1", "A.1 A.2", "A.3")
    assert ("conductor 1 → pin 2 of A, place 2; plugged in too, it did not come along: A.2", "1 → A.2") == (
        apart.text,
        apart.large,
    )
    assert "conductors 1 and 2: all that belongs to it is plugged in, and joined" == whole.text
    assert ("conductor 3 → pin 3, place 3", "3 → 3") == (out.text, out.large)


def test_a_point_where_no_end_should_be_is_named_as_the_tester_calls_it():
    one = guide()
    (said,) = hear(one, "A.2 @J2.7")
    assert ("elsewhere", "J2.7", pins("A.2"), set()) == (said.kind, said.large, said.pins, one.done)
    assert said.text.startswith("the probe touches J2.7 of the tester (and conductor 2), where no end")
    reference = one.hear(Touched(frozenset({121, 122})))
    assert ("elsewhere", "REF.1") == (reference.kind, reference.large)


def test_what_reads_low_by_itself_is_told_as_that():
    one = guide()
    said = one.hear(Held(frozenset({one.placement.point_of[parse_pin("A.2")], 120})))
    assert ("held", "A.2 reads low though the probe") == (said.kind, said.text[:30])
    assert "PROBE.1 reads low" in one.hear(Held(frozenset({120}))).text
    assert set() == one.done


def test_names_are_runs_and_the_rest_is_counted():
    one = guide()
    assert "conductors 1 to 3, 5, 6 and 8" == one.names(pins("A.1", "A.2", "A.3", "A.5", "A.6", "A.8"))
    assert "conductors 1, 3 and 2 more" == one.names(pins("A.1", "A.3", "A.5", "A.7"), most=2)
    assert "pins 1 and 2" == one.names(pins("B.1", "B.2"))
    assert "conductor 1 and pins 4 to 6" == one.names(pins("A.1", "B.4", "B.5", "B.6"))


@given(st.lists(st.sets(st.integers(0, 9), max_size=4), max_size=12))
def test_whatever_is_touched_only_what_came_alone_or_may_come_together_counts(touches):
    one = guide(lead("never"))
    for touch in touches:
        said = hear(one, " ".join(f"A.{n + 1}" for n in sorted(touch)))[0]
        assert not said.new or (said.kind == "conductor" and len(touch) == 1)
    alone = {next(iter(touch)) for touch in touches if len(touch) == 1}
    assert {Pin("A", str(n + 1)) for n in alone if n < 8} == one.done
    seem = {int(pin.name) - 1 for group in one.seem_joined for pin in group}
    assert not seem & alone
