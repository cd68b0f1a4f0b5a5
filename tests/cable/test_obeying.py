"""Which rule a wiring obeys. The wirings are counted out here from what the rules are said to be."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.connectors import connector
from pinwright.cable.obeying import Obeyed, obeyed
from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.profile import End
from pinwright.cable.wiring import RULES, Pins


def ends(*connectors: str) -> list[End]:
    """A, B, C … with these connectors."""
    return [End("ABCDEF"[place], connector(name), "", {}) for place, name in enumerate(connectors)]


def net(text: str) -> Pins:
    return tuple(parse_pin(word) for word in text.split())


def alternate_high(ways: int) -> list[Pins]:
    """Conductors 1, 3, 5 … go down from N, 2, 4, 6 … up from 1."""
    return [(Pin("A", str(k)), Pin("B", str(ways - k // 2 if k % 2 else k // 2))) for k in range(1, ways + 1)]


def found(of: list[End], joins: list[Pins]) -> Obeyed:
    rule = obeyed(of, joins)
    assert rule is not None
    return rule


def test_a_crimped_plug_and_a_dip_plug_in_alternate_order() -> None:
    rule = found(ends("idc-2x20", "dip-40"), alternate_high(40))
    assert ("alternate", {"first": "high"}, ("A", "B")) == (rule.rule, rule.parameters, rule.order)
    assert (0, False, (), True) == (rule.offset, rule.backwards, rule.broken, rule.plain)
    assert "alternate, first = high" == rule.text
    assert {frozenset(join) for join in alternate_high(40)} == {frozenset(net) for net in rule.laid}


def test_of_two_exchanged_names_both_are_broken_and_no_other() -> None:
    joins = alternate_high(40)
    joins[6], joins[20] = (joins[6][0], joins[20][1]), (joins[20][0], joins[6][1])
    rule = found(ends("idc-2x20", "dip-40"), joins)
    assert ("alternate, first = high", (joins[6], joins[20])) == (rule.text, rule.broken)


@pytest.mark.parametrize(
    ("numbering", "places"),
    [
        ("own", [Pin("AC"[place % 2], str(place // 2 + 1)) for place in range(40)]),
        ("shared", [Pin("AC"[place % 2], str(place + 1)) for place in range(40)]),
    ],
)
def test_two_plugs_woven_into_one(numbering: str, places: list[Pin]) -> None:
    contacts = [pin for _, pin in alternate_high(40)]
    a, b, c = ends("idc-2x20", "dip-40", "idc-2x20")
    rule = found([a, b, c], list(zip(places, contacts, strict=True)))
    assert ("interleave", ("A", "C", "B"), ()) == (rule.rule, rule.order, rule.broken)
    assert {"numbering": numbering, "lay": "alternate", "first": "high"} == rule.parameters


@pytest.mark.parametrize(
    ("connectors", "joins", "text", "offset", "backwards"),
    [
        (("idc-2x5", "idc-2x5"), [(k, k) for k in range(1, 11)], "straight", 0, False),
        (
            ("idc-2x10", "row-8"),
            [(k + 2, k) for k in range(1, 9)],
            "straight, 2 places further back",
            -2,
            False,
        ),
        (("row-8", "idc-2x10"), [(k, k + 1) for k in range(1, 9)], "straight, 1 place further on", 1, False),
        (
            ("6p6c", "6p6c"),
            [(k, 7 - k) for k in range(1, 7)],
            "straight, the contacts of B counted from the last",
            0,
            True,
        ),
        (("idc-2x7", "dip-14"), [(1, 1), (2, 14), (3, 2), (4, 13)], "alternate, first = low", 0, False),
        (
            ("dip-14", "idc-2x7"),
            [(14, 1), (1, 2), (13, 3), (2, 4)],
            "alternate, first = high, from B to A",
            0,
            False,
        ),
        (
            ("idc-2x10", "dip-16"),
            [(3, 16), (4, 1), (5, 15), (6, 2), (7, 14)],
            "alternate, first = high, 2 places further back",
            -2,
            False,
        ),
        (
            ("idc-2x5", "dsub-9-plug"),
            [(1, 1), (2, 6), (3, 2), (4, 7), (5, 3), (6, 8), (7, 4), (8, 9), (9, 5)],
            "straight, contact by contact along the ribbon",
            0,
            False,
        ),
    ],
)
def test_rules_with_their_start_and_direction(
    connectors: tuple[str, str], joins: list[tuple[int, int]], text: str, offset: int, backwards: bool
) -> None:
    rule = found(ends(*connectors), [(Pin("A", str(a)), Pin("B", str(b))) for a, b in joins])
    assert (text, offset, backwards, ()) == (rule.text, rule.offset, rule.backwards, rule.broken)


def test_paired_grounds_are_one_net_beside_straight_signals() -> None:
    ground = net("A.2 A.4 A.6 A.8 B.10 B.20")
    joins = [(Pin("A", str(k)), Pin("B", str(k))) for k in (1, 3, 5, 7, 9, 11, 12)]
    rule = found(ends("idc-2x10", "idc-2x10"), [*joins, ground])
    assert ("paired-ground", ()) == (rule.rule, rule.broken)
    assert {"ground_pins": ground, "then": "straight"} == rule.parameters
    assert ground in rule.laid


def test_grounds_that_the_simpler_rule_lays_need_no_other_rule() -> None:
    joins = [(Pin("A", str(k)), Pin("B", str(k))) for k in range(1, 9)]
    rule = found(ends("idc-2x5", "idc-2x5"), [*joins, net("A.9 A.10 B.9 B.10")])
    assert ("straight", ()) == (rule.text, rule.broken)


@pytest.mark.parametrize(
    "joins",
    [
        [],
        [(1, 1), (2, 2)],
        [(2, 3), (3, 2), (5, 5)],
        [(2, 3), (3, 2), (4, 6), (5, 5), (6, 4), (7, 8), (8, 7)],
    ],
)
def test_too_few_joins_or_too_many_broken_are_no_rule(joins: list[tuple[int, int]]) -> None:
    two = ends("dsub-9-socket", "dsub-9-socket")
    assert obeyed(two, [(Pin("A", str(a)), Pin("B", str(b))) for a, b in joins]) is None


def test_a_net_of_three_ends_is_no_join_of_a_rule_between_two() -> None:
    three = ends("row-8", "row-8", "row-8")
    assert obeyed(three, [net(f"A.{k} B.{k} C.{k}") for k in range(1, 9)]) is None


@st.composite
def wirings(draw: st.DrawFn) -> tuple[list[End], str, dict[str, str], list[Pins]]:
    """Ends, a rule with its parameters, and what it lays over them."""
    name = draw(st.sampled_from(["straight", "alternate", "interleave"]))
    rule = RULES[name]
    plug = draw(st.sampled_from(["dip-14", "dip-40", "idc-2x10", "header-2x8"]))
    ribbon = st.sampled_from(["idc-2x7", "idc-2x20", "row-12"])
    ordered = ends(draw(ribbon), plug, *([draw(ribbon)] if rule.ribbons == 2 else []))
    values: dict[str, str] = {}
    for key, parameter in rule.parameters.items():
        if parameter.only_with is None or values[parameter.only_with[0]] == parameter.only_with[1]:
            values[key] = draw(st.sampled_from(parameter.choices))
    ribbons = [end.pins() for end in (ordered[0], *ordered[2:])]
    return ordered, name, values, list(rule.lay(ribbons, ordered[1].pins(), **values).nets)


@given(wirings(), st.randoms())
def test_what_a_rule_lays_obeys_it(
    case: tuple[list[End], str, dict[str, str], list[Pins]], chance: object
) -> None:
    """Any order of joins; the rule that is found lays the same nets and is as simple."""
    of, name, values, nets = case
    chance.shuffle(nets)  # type: ignore[attr-defined]
    rule = found(of, nets)
    assert ((), True) == (rule.broken, rule.plain)
    assert {frozenset(net) for net in nets} <= {frozenset(net) for net in rule.laid}
    if rule.rule == name:
        assert values == rule.parameters
    order = {end.name: end.pins() for end in of}
    *ribbons, plug = rule.order
    again = RULES[rule.rule].lay([order[end] for end in ribbons], order[plug], **rule.parameters)
    assert {frozenset(net) for net in again.nets} == {frozenset(net) for net in rule.laid}


@given(wirings(), st.data())
def test_joins_that_break_a_rule_are_named_and_only_they(
    case: tuple[list[End], str, dict[str, str], list[Pins]], data: st.DataObject
) -> None:
    of, name, _, nets = case
    straight = [net for net in nets if {pin.end for pin in net} == {"A", "B"}]
    if name == "interleave" or len(straight) < 10:
        return
    one, other = data.draw(
        st.lists(st.sampled_from(range(len(straight))), min_size=2, max_size=2, unique=True)
    )
    joins = list(straight)
    joins[one] = (straight[one][0], straight[other][1])
    joins[other] = (straight[other][0], straight[one][1])
    rule = found(of, joins)
    assert {frozenset(joins[one]), frozenset(joins[other])} == {frozenset(net) for net in rule.broken}
