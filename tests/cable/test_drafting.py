"""A profile written down: whatever was drafted, `Profile.from_dict` reads its very nets again."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.connectors import connector
from pinwright.cable.drafting import Draft, profile_text
from pinwright.cable.obeying import obeyed
from pinwright.cable.pins import Pin, in_order, parse_pin
from pinwright.cable.profile import End, Joined, Profile
from pinwright.cable.wiring import Pins
from pinwright.errors import ProfileError


def net(text: str) -> Pins:
    return tuple(parse_pin(word) for word in text.split())


def end(name: str, family: str, **signals: str) -> End:
    return End(
        name, connector(family), "", {pin.removeprefix("p"): signal for pin, signal in signals.items()}
    )


STRAIGHT = tuple(net(f"A.{k} B.{k}") for k in range(1, 7))
ENDS = (
    end("A", "idc-2x3", p1="GND", p2="D0", p3="GND", p4="D1"),
    end("B", "idc-2x3", p1="GND", p2="D0", p3="GND"),
)
DRAFT = Draft(
    id="lead",
    title="Lead",
    revision="draft",
    ends=ENDS,
    nets=STRAIGHT,
    obeyed=obeyed(ENDS, STRAIGHT),
    common={"GND": Joined.OPTIONAL},
    remarks=("Captured from a sample.",),
    notes={"A.2": "blue", "A.5": "bare", "wiring": "As it was found.", "common.GND": "To be confirmed."},
)


def read(text: str) -> Profile:
    return Profile.from_dict(tomllib.loads(text))


def test_a_draft_is_written_with_its_rule_and_comments() -> None:
    expected = """\
# Captured from a sample.

[cable]
id = "lead"
title = "Lead"
revision = "draft"

[wiring]
# As it was found.
rule = "straight"
by_signal = true                 # rule and names check each other

[common.GND]
joined = "optional"              # To be confirmed.

[ends.A]
connector = "idc-2x3"

[ends.A.signals]
1 = "GND"
2 = "D0"                         # blue
3 = "GND"
4 = "D1"
# A.5: bare

[ends.B]
connector = "idc-2x3"

[ends.B.signals]
1 = "GND"
2 = "D0"
3 = "GND"
"""
    assert expected == profile_text(DRAFT)


def test_what_is_to_be_confirmed_is_written_a_line_each_and_read_again() -> None:
    points = ("A.5: misread?", 'is "B.6" \\ or B.5 GND?')
    text = profile_text(replace(DRAFT, to_confirm=points))
    assert 'to_confirm = [\n    "A.5: misread?",\n    "is \\"B.6\\" \\\\ or B.5 GND?",\n]\n\n[wiring]' in text
    assert points == read(text).to_confirm


def test_how_an_end_is_terminated_is_written() -> None:
    text = profile_text(replace(DRAFT, ends=(ENDS[0], replace(ENDS[1], termination="soldered"))))
    assert ["", "soldered"] == [end.termination for end in read(text).ends]


def test_what_a_rule_does_not_say_is_written_as_wires_with_the_notes_of_their_pins() -> None:
    text = profile_text(replace(DRAFT, nets=STRAIGHT[:5]))
    assert '    ["A.5", "B.5"],              # A.5: bare\n' in text
    assert "rule =" not in text
    assert STRAIGHT[:5] == tuple(net.pins for net in read(text).nets)


def test_wires_stand_beside_a_rule_for_pins_that_it_leaves_free() -> None:
    ends = (end("A", "idc-2x3"), end("B", "idc-2x3"), end("C", "row-2"))
    nets = (*STRAIGHT, net("C.1 C.2"))
    text = profile_text(replace(DRAFT, ends=ends, nets=nets, obeyed=obeyed(ends, STRAIGHT), common={}))
    wiring = tomllib.loads(text)["wiring"]
    assert {"rule": "straight", "from": "A", "to": "B", "wires": [["C.1", "C.2"]]} == wiring
    assert nets == tuple(net.pins for net in read(text).nets)


@pytest.mark.parametrize("names", [("A", "C"), ("B", "A"), ("IN", "OUT")])
def test_ends_of_other_names_are_said_beside_the_rule(names: tuple[str, str]) -> None:
    ends = tuple(end(name, "idc-2x3") for name in names)
    nets = tuple((Pin(names[0], str(k)), Pin(names[1], str(k))) for k in range(1, 7))
    text = profile_text(replace(DRAFT, ends=ends, nets=nets, obeyed=obeyed(ends, nets), common={}))
    assert {"rule": "straight", "from": names[0], "to": names[1]} == tomllib.loads(text)["wiring"]
    assert 6 == len(read(text).nets)


def test_a_required_signal_ties_what_the_rule_lays() -> None:
    nets = (net("A.1 A.3 B.1 B.3"), *(STRAIGHT[k] for k in (1, 3, 4, 5)))
    rule = obeyed(ENDS, nets)
    text = profile_text(replace(DRAFT, nets=nets, obeyed=rule, common={"GND": Joined.REQUIRED}))
    assert "straight + equal signal names" == read(text).wiring_text
    assert nets == tuple(net.pins for net in read(text).nets)


def test_paired_grounds_are_written_by_end() -> None:
    ends = (end("A", "idc-2x5"), end("B", "idc-2x5"))
    nets = (net("A.1 B.1"), net("A.2 A.4 B.10"), *(net(f"A.{k} B.{k}") for k in (3, 5, 6, 7, 8, 9)))
    text = profile_text(replace(DRAFT, ends=ends, nets=nets, obeyed=obeyed(ends, nets), common={}))
    assert 'ground_pins = {A = ["2", "4"], B = ["10"]}\n' in text
    assert nets == tuple(net.pins for net in read(text).nets)


@pytest.mark.parametrize(
    ("changed", "key"),
    [
        ({"id": "my lead"}, "cable.id"),
        ({"title": "x" * 201}, "cable.title"),
        ({"title": "a\u202eb"}, "cable.title"),
        ({"serial": "HL"}, "cable.serial"),
        ({"length_mm": -1.0}, "cable.length_mm"),
        ({"nets": ()}, "wiring"),
        ({"common": {}}, "ends.A.signals"),
        ({"common": {"GND": Joined.REQUIRED}}, "wiring"),
    ],
)
def test_what_no_profile_can_say_is_refused_with_its_key(changed: dict[str, object], key: str) -> None:
    with pytest.raises(ProfileError) as caught:
        profile_text(replace(DRAFT, **changed))  # type: ignore[arg-type]
    assert key == caught.value.key


TEXT = st.text(st.characters(codec="utf-8"), max_size=20)
WORDS = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=20)


@given(title=WORDS, signal=WORDS, remark=TEXT, note=TEXT, wire=WORDS)
def test_whatever_a_person_types_comes_back_as_it_was_typed(
    title: str, signal: str, remark: str, note: str, wire: str
) -> None:
    ends = (End("A", ENDS[0].connector, title, {"1": signal, "2": "NC"}), end("B", "idc-2x3"))
    draft = replace(DRAFT, ends=ends, title=title, wire=wire, length_mm=12.5, common={})
    text = profile_text(replace(draft, remarks=(remark,), notes={"A.1": note, "wiring": note, "A.5": note}))
    data, profile = tomllib.loads(text), read(text)
    assert (title, wire, 12.5, title) == (
        profile.title,
        profile.wire,
        profile.length_mm,
        profile.ends[0].label,
    )
    assert signal == data["ends"]["A"]["signals"]["1"]
    assert STRAIGHT == tuple(net.pins for net in profile.nets)


@st.composite
def drafts(draw: st.DrawFn) -> Draft:
    """Any nets over two or three ends, some straight; signals that a good profile may have or none."""
    ends = tuple(
        end(name, draw(st.sampled_from(["idc-2x3", "dip-6", "row-5", "trs"])))
        for name in draw(st.sampled_from([("A", "B"), ("A", "B", "C"), ("IN", "OUT")]))
    )
    pins = [pin for end in ends for pin in end.pins()]
    net_of = {pin: number for number, pin in enumerate(pins)}
    for one, other in zip(ends[0].pins(), ends[1].pins(), strict=False):
        if draw(st.integers(0, 9)):
            net_of[other] = net_of[one]
    for pin in draw(st.lists(st.sampled_from(pins), max_size=4)):
        net_of[pin] = net_of[draw(st.sampled_from(pins))]
    nets = [tuple(pin for pin in pins if net_of[pin] == number) for number in {*net_of.values()}]
    joined = tuple(sorted((net for net in nets if len(net) > 1), key=lambda net: in_order(net[0])))
    if not joined:
        joined = ((pins[0], pins[-1]),)
    common = {}
    if draw(st.booleans()):
        names = {pin: f"S{number}" for number, net in enumerate(joined) for pin in net}
        ends = tuple(
            replace(end, signals={pin.name: names[pin] for pin in end.pins() if pin in names}) for end in ends
        )
        common = {names[net[0]]: Joined.REQUIRED for net in joined if draw(st.booleans())}
    return replace(
        DRAFT, ends=ends, nets=joined, obeyed=obeyed(ends, joined), common=common, remarks=(), notes={}
    )


@given(drafts())
def test_the_profile_has_exactly_the_nets_of_the_draft(draft: Draft) -> None:
    profile = read(profile_text(draft))
    assert {frozenset(net) for net in draft.nets} == {frozenset(net.pins) for net in profile.nets}
    assert draft.common == profile.common
