"""A lead's nets become a profile with exactly these nets; what conduction does not tell is said."""

from __future__ import annotations

import random
import tomllib
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.capturing import (
    Answers,
    Common,
    Sample,
    as_measured,
    draft,
    expecting_nothing,
    rule_text,
    sample,
    unknown,
)
from pinwright.cable.connectors import connector
from pinwright.cable.drafting import profile_text
from pinwright.cable.pins import Pin, in_order, parse_pin
from pinwright.cable.profile import End, Joined, Profile
from pinwright.library import library_folders, library_profiles
from pinwright.tester.measurement import Measurement
from pinwright.verdict.facts import compare

LIBRARY = library_profiles(library_folders())
PLUGS = ("idc-2x20", "dip-40", "dsub-9-plug", "dsub-25-socket-shell", "header-2x5", "row-8", "trs")
Nets = Sequence[Sequence[str]]


def ends_of(*plugs: str) -> list[End]:
    return [End(name, connector(plug), "", {}) for name, plug in zip("ABC", plugs, strict=False)]


def of(plugs: Sequence[str], nets: Nets) -> Sample:
    return sample(ends_of(*plugs), measured(nets))


def measured(nets: Nets) -> list[tuple[Pin, ...]]:
    """As a scan has them: in order."""
    pins = [tuple(sorted(map(parse_pin, net), key=in_order)) for net in nets]
    return sorted(pins, key=lambda net: in_order(net[0]))


def captured(seen: Sample, answers: Answers | None = None) -> Profile:
    text = profile_text(draft(seen, as_measured(seen, answers or Answers())))
    return Profile.from_dict(tomllib.loads(text))


def linked(profile: Profile) -> list[tuple[Pin, ...]]:
    """Its nets, with the conductors of every signal that it may link linked."""
    nets: dict[str, tuple[Pin, ...]] = {}
    for number, net in enumerate(profile.nets):
        may = net.common and profile.common[net.common] is Joined.OPTIONAL
        name = f"common {net.common}" if may else f"net {number}"
        nets[name] = (*nets.get(name, ()), *net.pins)
    return measured([list(map(str, net)) for net in nets.values()])


@pytest.mark.parametrize("profile", LIBRARY, ids=lambda profile: profile.id)
@pytest.mark.parametrize("joins", [lambda profile: [net.pins for net in profile.nets], linked])
def test_every_cable_of_the_library_comes_back_with_the_same_nets(profile: Profile, joins: object) -> None:
    """As it has to be, and with all linked that may be; without the names, which no tester sees."""
    nets = joins(profile)  # type: ignore[operator]
    bare = [End(end.name, end.connector, "", {}) for end in profile.ends]
    assert list(nets) == [net.pins for net in captured(sample(bare, nets)).nets]


@given(st.randoms(use_true_random=False))
def test_whatever_is_joined_comes_back_as_it_was(chance: random.Random) -> None:
    ends = ends_of(*chance.choices(PLUGS, k=chance.choice([1, 2, 2, 3])))
    left = [pin for end in ends for pin in end.pins()]
    if chance.random() < 0.3:  # by a rule, and slips
        left = [pin for pair in zip(*(end.pins() for end in ends), strict=False) for pin in pair]
    else:
        chance.shuffle(left)
    nets = []
    for _ in range(chance.randint(1, 60)):
        size = chance.choice([2, 2, 2, 2, 3, 12])
        net, left = left[:size], left[size:]
        if len(net) > 1:
            nets.append([str(pin) for pin in net])
    wanted = measured(nets)
    if chance.random() < 0.3 and len(wanted) > 1:
        one, other = chance.sample(wanted, 2)
        rest = [net for net in wanted if net not in (one, other)]
        wanted = measured([[*map(str, one), *map(str, other)], *(list(map(str, net)) for net in rest)])
    assert wanted == [net.pins for net in captured(sample(ends, wanted)).nets]


def test_nothing_is_expected_of_a_lead_that_is_looked_at_first() -> None:
    ends = ends_of("row-8", "row-8")
    pins = frozenset(pin for end in ends for pin in end.pins())
    nets = tuple(measured([["A.1", "B.1"], ["A.2", "A.3"]]))
    facts = compare(expecting_nothing(ends), Measurement(pins, nets))
    assert (nets, nets) == (facts.nets, tuple(extra.pins for extra in facts.extra))


ALTERNATE = [
    [f"A.{n}", f"B.{17 - (n + 1) // 2 if n % 2 else n // 2}"] for n in range(1, 17)
]  # a DIP plug of 16, high first


def test_nets_that_obey_a_rule_are_written_as_the_rule() -> None:
    profile = captured(of(["idc-2x8", "dip-16"], ALTERNATE))
    assert "alternate, first = high" == profile.wiring_text


def test_two_conductors_exchanged_are_named_and_wires_are_written() -> None:
    nets = [list(net) for net in ALTERNATE]
    nets[4][1], nets[6][1] = nets[6][1], nets[4][1]
    seen = of(["idc-2x8", "dip-16"], nets)
    assert (
        "nearly `alternate, first = high`, but for A.5–B.13, A.7–B.14: is the sample right there?"
        == rule_text(seen)
    )
    assert "16 explicit nets" == captured(seen).wiring_text
    assert rule_text(seen) in profile_text(draft(seen, as_measured(seen, Answers()))).replace("\n# ", " ")


def test_a_conductor_that_the_rule_has_and_the_sample_has_not_is_named() -> None:
    seen = of(["idc-2x8", "dip-16"], ALTERNATE[:-1])
    assert "`alternate, first = high`, but that it has no A.16–B.8" == rule_text(seen)


def test_a_wiring_without_a_rule_says_nothing_of_one() -> None:
    assert "" == rule_text(of(["row-8", "row-8"], [["A.1", "B.5"], ["A.2", "B.8"], ["A.3", "B.1"]]))


TIED = [*(net for net in ALTERNATE if net[0] not in ("A.1", "A.3")), ["A.1", "A.3", "B.15", "B.16"]]


def test_pins_that_are_linked_within_an_end_are_a_common_signal_by_a_guessed_name() -> None:
    seen = of(["idc-2x8", "dip-16"], TIED)
    pairs = (tuple(map(parse_pin, ("A.1", "B.16"))), tuple(map(parse_pin, ("A.3", "B.15"))))
    net = tuple(map(parse_pin, ("A.1", "A.3", "B.15", "B.16")))
    assert (Common(net, "GND1", pairs),) == seen.commons
    profile = captured(seen)
    assert {"GND1": Joined.REQUIRED} == profile.common
    assert "alternate, first = high" in profile.wiring_text
    assert net in [one.pins for one in profile.nets]


def test_a_guess_is_no_name_that_somebody_gave_to_another_net() -> None:
    seen = of(["row-8", "row-8"], [["A.1", "A.2", "B.1"], ["A.3", "A.4", "B.2"], ["A.5", "B.5"]])
    answers = as_measured(seen, Answers(signals={seen.nets[2]: "GND2"}))
    assert ["GND1", "GND3", "GND2"] == [answers.signals[net] for net in seen.nets]


def test_a_link_that_need_not_be_is_written_conductor_by_conductor() -> None:
    seen = of(["idc-2x8", "dip-16"], TIED)
    net = seen.commons[0].net
    answers = as_measured(seen, Answers(signals={net: "0V"}, joined={net: Joined.OPTIONAL}))
    profile = captured(seen, answers)
    assert {"0V": Joined.OPTIONAL} == profile.common
    assert measured(ALTERNATE) == [one.pins for one in profile.nets]
    assert compare(profile, Measurement(frozenset(profile.pins()), seen.nets)).continuous


def test_where_no_rule_says_what_leads_where_nobody_is_asked_for_conductors() -> None:
    seen = of(["row-8", "row-8"], [["A.1", "A.2", "B.7", "B.8"], ["A.3", "B.1"]])
    assert [()] == [common.conductors for common in seen.commons]


def test_names_stand_on_all_pins_of_their_net() -> None:
    seen = of(["row-8", "row-8"], [["A.1", "B.5"], ["A.2", "B.8"]])
    answers = Answers(id="x", title="X", revision="C", labels={"A": "rack"}, signals={seen.nets[0]: "TXD"})
    profile = captured(seen, answers)
    assert ("x", "X", "C", "rack") == (profile.id, profile.title, profile.revision, profile.ends[0].label)
    assert ["TXD", ""] == [net.signal for net in profile.nets]


@pytest.mark.parametrize(
    ("nets", "said", "unsaid"),
    [
        ([["A.1", "B.1"]], ["which signals", "how long", "turned round"], ["link"]),
        (
            [["A.1", "A.2", "B.1", "B.2"]],
            [
                "of GND1 (A.1, A.2 with B.1, B.2): whether a lead must link them, may, or must not; at which "
                "end this one does; which of its conductors leads where; whether each of its conductors is "
                "whole"
            ],
            [],
        ),
        ([["A.1", "A.2", "B.1"]], ["(A.1, A.2 with B.1): whether a lead must link them"], ["at which end"]),
    ],
)
def test_what_conduction_does_not_tell_is_said(nets: Nets, said: list[str], unsaid: list[str]) -> None:
    seen = of(["row-8", "row-8"], nets)
    guessed = as_measured(seen, Answers())
    told = "\n".join(unknown(seen, guessed))
    assert [] == [text for text in said if text not in told]
    assert [] == [text for text in unsaid if text in told]
    text = profile_text(draft(seen, guessed)).replace("\n# ", " ")
    assert all(line in text for line in told.splitlines())
