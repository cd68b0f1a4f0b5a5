"""The rules by their first nets, and what `join` makes of several sources.

First nets: common practice, no source, except the orders of `alternate`, which
tests/published/test_wirings.py compares with published tables.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.wiring import RULES, Laid, Pins, join, listed, path, printable
from pinwright.errors import ProfileError


def end(name: str, count: int) -> Pins:
    return tuple(Pin(name, str(number)) for number in range(1, count + 1))


def pins(text: str) -> Pins:
    return tuple(parse_pin(word) for word in text.split())


def said(laid: Laid) -> list[str]:
    return ["–".join(map(str, net)) for net in laid.nets]


@pytest.mark.parametrize(
    ("rule", "parameters", "first_nets"),
    [
        ("straight", {}, ["A.1–B.1", "A.2–B.2", "A.3–B.3"]),
        (
            "alternate",
            {"first": "high"},
            ["A.1–B.40", "A.2–B.1", "A.3–B.39", "A.4–B.2", "A.5–B.38", "A.6–B.3"],
        ),
        ("alternate", {"first": "low"}, ["A.1–B.1", "A.2–B.40", "A.3–B.2", "A.4–B.39"]),
        (
            "interleave",
            {"numbering": "own", "lay": "straight"},
            ["A.1–B.1", "C.1–B.2", "A.2–B.3", "C.2–B.4"],
        ),
        (
            "interleave",
            {"numbering": "own", "lay": "alternate", "first": "high"},
            ["A.1–B.40", "C.1–B.1", "A.2–B.39", "C.2–B.2"],
        ),
        (
            "interleave",
            {"numbering": "shared", "lay": "straight"},
            ["A.1–B.1", "C.2–B.2", "A.3–B.3", "C.4–B.4"],
        ),
        (
            "interleave",
            {"numbering": "shared", "lay": "alternate", "first": "low"},
            ["A.1–B.1", "C.2–B.40", "A.3–B.2", "C.4–B.39"],
        ),
        (
            "paired-ground",
            {"ground_pins": pins("A.2 A.4 B.20"), "then": "straight"},
            ["A.2–A.4–B.20", "A.1–B.1", "A.3–B.3", "A.5–B.5"],
        ),
        (
            "paired-ground",
            {"ground_pins": pins("A.1 B.40"), "then": "alternate", "first": "high"},
            ["A.1–B.40", "A.2–B.1", "A.3–B.39", "A.4–B.2"],
        ),
    ],
)
def test_the_first_nets_of_a_rule_are_those_of_the_contract(
    rule: str, parameters: dict[str, object], first_nets: list[str]
) -> None:
    ribbons = [end("A", 40), end("C", 40)][: RULES[rule].ribbons]
    laid = RULES[rule].lay(ribbons, end("B", 40), **parameters)
    assert first_nets == said(laid)[: len(first_nets)]


@pytest.mark.parametrize(
    ("ribbon", "plug", "nets", "beyond"),
    [(40, 40, 40, []), (40, 14, 14, [str(n) for n in range(15, 41)]), (10, 40, 10, [])],
)
@pytest.mark.parametrize(("rule", "parameters"), [("straight", {}), ("alternate", {"first": "low"})])
def test_the_narrower_end_decides_how_many_nets_there_are(
    rule: str, parameters: dict[str, str], ribbon: int, plug: int, nets: int, beyond: list[str]
) -> None:
    laid = RULES[rule].lay([end("A", ribbon)], end("B", plug), **parameters)
    assert (nets, beyond) == (len(laid.nets), [pin.name for pin in laid.beyond])


def test_a_place_that_a_narrow_ribbon_cannot_fill_stays_empty() -> None:
    laid = RULES["interleave"].lay([end("A", 3), end("C", 1)], end("B", 8), numbering="own", lay="straight")
    assert ["A.1–B.1", "C.1–B.2", "A.2–B.3", "A.3–B.5"] == said(laid)


def test_conductors_of_woven_ribbons_beyond_the_plug_are_told() -> None:
    laid = RULES["interleave"].lay([end("A", 5), end("C", 5)], end("B", 8), numbering="own", lay="straight")
    assert pins("A.5 C.5") == laid.beyond


def test_a_pin_that_meets_a_ground_pin_and_is_none_itself_makes_no_net() -> None:
    laid = RULES["paired-ground"].lay(
        [end("A", 4)], end("B", 4), ground_pins=pins("A.2 A.4 B.3"), then="straight"
    )
    assert ["A.2–A.4–B.3", "A.1–B.1"] == said(laid)
    assert (pins("B.2 A.2"), pins("A.3 B.3"), pins("B.4 A.4")) == laid.facing


def test_the_ground_conductors_of_a_paired_ribbon_stand_on_the_build_sheet() -> None:
    laid = RULES["paired-ground"].lay(
        [end("A", 40)], end("B", 40), ground_pins=pins("A.2 B.20"), then="straight"
    )
    expected = (
        "a ground conductor runs beside each of the 40 conductors of `A`;"
        " none has a pin of its own, all belong to the net of `A.2`, `B.20`"
    )
    assert (expected,) == laid.spare


def test_alternate_refuses_a_plug_without_two_equal_rows() -> None:
    with pytest.raises(ProfileError, match="two equal rows at `B`, which has 9 pins"):
        RULES["alternate"].lay([end("A", 10)], end("B", 9), first="high")


@st.composite
def laid(draw: st.DrawFn) -> tuple[list[Pins], Pins, Laid]:
    """Any rule over ends of any size, with parameters it allows."""
    rule = RULES[draw(st.sampled_from(sorted(RULES)))]
    ribbons = [end(name, draw(st.integers(1, 64))) for name in "AC"[: rule.ribbons]]
    plug = end("B", 2 * draw(st.integers(1, 32)))
    values: dict[str, object] = {}
    for name, parameter in rule.parameters.items():
        if parameter.only_with is None or values[parameter.only_with[0]] == parameter.only_with[1]:
            grounds = st.lists(st.sampled_from(ribbons[0] + plug), min_size=2, unique=True).map(tuple)
            values[name] = draw(st.sampled_from(parameter.choices) if parameter.choices else grounds)
    return ribbons, plug, rule.lay(ribbons, plug, **values)


@given(laid())
def test_a_rule_uses_each_pin_at_most_once_and_only_pins_that_exist(
    case: tuple[list[Pins], Pins, Laid],
) -> None:
    ribbons, plug, laid = case
    used = [pin for net in laid.nets for pin in net]
    assert len(used) == len(set(used))
    assert set(used) <= {*plug, *(pin for ribbon in ribbons for pin in ribbon)}
    assert set(used).isdisjoint(laid.beyond)
    assert all(len(net) >= 2 for net in laid.nets)


@given(st.integers(1, 40), st.integers(1, 20), st.sampled_from(["high", "low"]))
def test_alternate_with_as_many_conductors_as_pins_uses_every_pin(
    ribbon: int, pairs: int, first: str
) -> None:
    laid = RULES["alternate"].lay([end("A", ribbon)], end("B", 2 * pairs), first=first)
    assert min(ribbon, 2 * pairs) == len(laid.nets)
    if ribbon >= 2 * pairs:
        assert set(end("B", 2 * pairs)) == {net[1] for net in laid.nets}


def joined(
    rule: Laid = Laid(),  # noqa: B008 - frozen
    wires: tuple[str, ...] = (),
    signals: str = "",
    *,
    by_signal: bool = False,
    required: str = "",
    apart: str = "",
) -> list[str]:
    """`join` in short: signals as "A.1=GND B.1=GND"; nets as text."""
    carried = dict(word.split("=") for word in signals.split())
    nets = join(
        "straight",
        rule,
        [pins(wire) for wire in wires],
        {parse_pin(pin): name for pin, name in carried.items()},
        by_signal=by_signal,
        required=required.split(),
        apart=apart.split(),
    )
    return ["–".join(map(str, net)) for net in nets]


STRAIGHT = Laid(nets=(pins("A.1 B.1"), pins("A.2 B.2"), pins("A.10 B.10")))


def test_nets_and_their_pins_are_sorted_by_number_not_by_spelling() -> None:
    assert ["A.1–B.1", "A.2–B.2", "A.5–B.5", "A.10–B.10"] == joined(STRAIGHT, ("B.5 A.5",))


def test_equal_names_join_across_three_ends() -> None:
    signals = "A.1=TXD B.2=TXD C.3=TXD A.2=RXD B.1=RXD C.1=DTR"
    assert ["A.1–B.2–C.3", "A.2–B.1"] == joined(signals=signals, by_signal=True)


def test_names_add_what_the_rule_does_not_reach() -> None:
    assert ["A.1–B.1", "A.2–B.2", "A.9–B.7", "A.10–B.10"] == joined(
        STRAIGHT, signals="A.1=D0 B.1=D0 A.9=D8 B.7=D8", by_signal=True
    )


def test_a_name_at_one_end_only_neither_joins_nor_contradicts() -> None:
    assert ["A.1–B.1", "A.2–B.2", "A.10–B.10"] == joined(
        STRAIGHT, signals="A.1=TXD B.1=RXD A.9=D8", by_signal=True
    )


def test_a_required_signal_is_one_net_that_takes_the_nets_of_its_pins_along() -> None:
    assert ["A.1–A.2–A.9–B.1–B.2", "A.10–B.10"] == joined(
        STRAIGHT, signals="A.1=GND A.2=GND A.9=GND", required="GND"
    )


def test_a_required_signal_joined_by_name_may_not_be_touched_by_wires() -> None:
    signals = "A.1=GND A.2=GND B.1=GND"
    with pytest.raises(ProfileError, match=r"`A.1` is already in the net .* of signal `GND`"):
        joined(wires=("A.1 B.9",), signals=signals, by_signal=True, required="GND")
    assert ["A.1–A.2–B.1–B.9"] == joined(wires=("A.1 B.9",), signals=signals, required="GND")


@pytest.mark.parametrize("by_signal", [False, True])
def test_a_required_signal_on_one_pin_only_claims_nothing(by_signal: bool) -> None:
    assert ["A.1–B.9"] == joined(wires=("A.1 B.9",), signals="A.1=GND", by_signal=by_signal, required="GND")


@pytest.mark.parametrize("by_signal", [False, True])
def test_each_conductor_of_an_optional_signal_stays_a_net_of_its_own(by_signal: bool) -> None:
    signals = "A.1=GND A.2=GND B.1=GND B.2=GND"
    assert ["A.1–B.1", "A.2–B.2", "A.10–B.10"] == joined(
        STRAIGHT, signals=signals, by_signal=by_signal, apart="GND"
    )


@pytest.mark.parametrize(
    ("case", "key", "problem"),
    [
        (
            {"rule": STRAIGHT, "signals": "A.1=TXD B.2=TXD", "by_signal": True},
            "wiring.by_signal",
            "rule `straight` joins `A.1`, `B.1`, but signal `TXD` joins `A.1`, `B.2`",
        ),
        (
            {"rule": STRAIGHT, "signals": "A.1=TXD B.1=TXD C.1=TXD", "by_signal": True},
            "wiring.by_signal",
            "rule `straight` joins `A.1`, `B.1`, but signal `TXD` joins `A.1`, `B.1`, `C.1`",
        ),
        (
            {"wires": ("A.1 B.1", "A.2 B.1")},
            "wiring.wires[2]",
            "`B.1` is already in the net `A.1`, `B.1` of `wiring.wires[1]`",
        ),
        (
            {"rule": STRAIGHT, "wires": ("A.1 B.9",)},
            "wiring.wires[1]",
            "`A.1` is already in the net `A.1`, `B.1` of rule `straight`",
        ),
        (
            {"rule": STRAIGHT, "signals": "A.1=GND B.1=VLAMP", "required": "GND"},
            "common.GND.joined",
            "`GND` is to be one net, but rule `straight` joins its `A.1` to `B.1`, which carries `VLAMP`",
        ),
        (
            {"rule": STRAIGHT, "signals": "A.1=GND B.1=VLAMP", "apart": "GND"},
            "common.GND",
            "rule `straight` joins `A.1`, a conductor of `GND`, to `B.1`, which carries `VLAMP`",
        ),
        (
            {"signals": "A.1=GND B.1=GND", "by_signal": True, "apart": "GND"},
            "common.GND.joined",
            "the name `GND` alone cannot say which conductor `A.1` belongs to; it needs a rule or wires",
        ),
        (
            {"wires": ("A.1 A.2",), "signals": "A.1=GND A.2=GND B.1=GND", "by_signal": True},
            "ends.A.signals",
            "signal `GND` is on `A.1`, `A.2`, `B.1` and the wiring does not join them all; add wires that do,"
            ' or the table `[common.GND]` with `joined = "required"` (the cable joins them),'
            ' `"optional"` (it may) or `"never"` (it must not)',
        ),
        (
            {"rule": STRAIGHT, "signals": "B.1=0V B.2=0V"},
            "ends.B.signals",
            "signal `0V` is on `B.1`, `B.2` and the wiring does not join them all; add wires that do,"
            ' or the table `[common.0V]` with `joined = "required"` (the cable joins them),'
            ' `"optional"` (it may) or `"never"` (it must not)',
        ),
    ],
)
def test_sources_that_disagree_are_named_both(case: dict[str, object], key: str, problem: str) -> None:
    with pytest.raises(ProfileError) as caught:
        joined(**case)  # type: ignore[arg-type]
    assert (key, problem) == (caught.value.key, caught.value.problem)


def test_a_signal_on_several_pins_of_an_end_is_fine_where_the_wiring_joins_them() -> None:
    signals = "A.1=GND A.2=GND B.1=GND"
    assert ["A.1–A.2–B.1"] == joined(wires=("A.1 A.2 B.1",), signals=signals, by_signal=True)


def test_a_key_that_needs_quotes_in_toml_has_them_in_a_message() -> None:
    assert 'common."LAMP 1".joined' == path("common", "LAMP 1", "joined")


def test_what_does_not_print_is_named_and_never_echoed() -> None:
    assert "a<U+202E>b<U+001B>" == printable("a\u202eb\x1b")
    assert "x" * 60 + "…" == printable("x" * 61)


def test_a_long_list_of_pins_is_cut() -> None:
    assert "`A.1`, `A.2` and 38 more" == listed(end("A", 40), most=2)
