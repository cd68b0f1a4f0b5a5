"""From pinouts to nets: by name, and by the rule that most names obey. Expected wirings are counted out."""

from __future__ import annotations

import random
import re
import tomllib
from collections.abc import Mapping
from itertools import chain

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.connectors import connector
from pinwright.cable.deriving import Derived, derive
from pinwright.cable.drafting import profile_text
from pinwright.cable.pinout import Pinout
from pinwright.cable.pins import Pin
from pinwright.cable.profile import Joined, Profile
from pinwright.cable.reporting import draft_of, sentences, to_confirm
from pinwright.cable.spelling import is_nothing
from pinwright.errors import UsageError

Names = Mapping[str, str]


def pinout(family: str, names: Names) -> Pinout:
    return Pinout(connector(family), "", names)


def numbered(*names: str) -> Names:
    """Pins 1, 2, 3 … with these names; those with an empty one are not in the file."""
    return {str(pin): name for pin, name in enumerate(names, 1) if name}


def derived(
    connectors: Mapping[str, str], names: Mapping[str, Names], ground: str = "", tied: str = ""
) -> Derived:
    ends = {end: pinout(connectors[end], names[end]) for end in names}
    return derive(ends, tuple(filter(None, ground.split(","))), tuple(filter(None, tied.split(","))))


def leads(a: Names, b: Names, **options: str) -> Derived:
    """Two single rows: soldered, no ribbon."""
    return derived({"A": "row-40", "B": "row-40"}, {"A": a, "B": b}, **options)


def ribbon(a: Names, b: Names, **options: str) -> Derived:
    return derived({"A": "idc-2x20", "B": "idc-2x20"}, {"A": a, "B": b}, **options)


def nets(of: Derived) -> list[str]:
    return [" ".join(map(str, net)) for net in of.nets]


def text(of: Derived) -> str:
    files = {end.name: f"{end.name}.csv" for end in of.ends}
    return profile_text(draft_of(of, files, id="lead", title="Lead", revision="1"))


def profile(of: Derived) -> Profile:
    return Profile.from_dict(tomllib.loads(text(of)))


def asked(of: Derived, word: str) -> tuple[str, ...]:
    """What is to be confirmed with this word in it."""
    return tuple(point for point in to_confirm(of) if word in point)


def contact(k: int, ways: int = 40) -> str:
    """The pin of a DIP plug that conductor k meets in `alternate`, first = high."""
    return str(ways - k // 2 if k % 2 else k // 2)


NAMED = {str(k): f"LAMP {k}" for k in range(1, 41)}
DIP = {contact(k): f"LAMP {k}" for k in range(1, 41)}


def to_a_dip_plug(a: Names, b: Names) -> Derived:
    return derived({"A": "idc-2x20", "B": "dip-40"}, {"A": a, "B": b})


# How it will be known.


def test_names_in_alternate_order_give_that_rule_and_no_exceptions() -> None:
    found = to_a_dip_plug(NAMED, DIP)
    assert found.obeyed is not None
    assert ("alternate, first = high", True, ()) == (found.obeyed.text, found.by_rule, found.breaks)
    assert "alternate, first = high + equal signal names" == profile(found).wiring_text
    expected = {frozenset({f"A.{k}", f"B.{contact(k)}"}) for k in range(1, 41)}
    assert expected == {frozenset(map(str, net.pins)) for net in profile(found).nets}
    assert not any("misread" in sentence for sentence in sentences(found))


def test_with_two_names_exchanged_exactly_those_two_are_named() -> None:
    found = to_a_dip_plug(NAMED, {**DIP, contact(7): "LAMP 12", contact(12): "LAMP 7"})
    assert ("LAMP 12", "LAMP 7") == found.breaking()
    (exchange,) = found.exchanged
    assert {"LAMP 7", "LAMP 12"} == {*exchange.names}
    assert {"A.7", "A.12"} | {f"B.{contact(7)}", f"B.{contact(12)}"} == {
        str(pin) for pins in exchange.at for pin in pins
    }
    assert found.exchanged[0].names == ("LAMP 7", "LAMP 12")
    assert ("LAMP 7 and LAMP 12 look exchanged: A.7/A.12 or B.6/B.37",) == to_confirm(found)
    assert to_confirm(found) == profile(found).to_confirm
    assert 2 == text(found).count('LAMP 12"') == text(found).count('LAMP 7"')
    (told,) = [sentence for sentence in sentences(found) if "misread" in sentence]
    assert [] == [name for name in NAMED.values() if (f"`{name}`" in told) != (name in ("LAMP 7", "LAMP 12"))]


def test_two_plugs_woven_into_one_are_interleaved() -> None:
    a = {str(k): f"RACK1 {k}" for k in range(1, 21)}
    c = {str(k): f"RACK2 {k}" for k in range(1, 21)}
    b = {contact(2 * k - 1): f"RACK1 {k}" for k in range(1, 21)}
    b |= {contact(2 * k): f"RACK2 {k}" for k in range(1, 21)}
    found = derived({"A": "idc-2x20", "B": "dip-40", "C": "idc-2x20"}, {"A": a, "B": b, "C": c})
    said = "interleave, numbering = own, lay = alternate, first = high"
    assert found.obeyed is not None
    assert (said, ()) == (found.obeyed.text, found.breaks)
    assert f"{said} + equal signal names" == profile(found).wiring_text


# Names.


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("/RD", "RD*"),
        ("~RD", "R\u0305D\u0305"),
        ("nRD", "/RD"),
        ("RD_N", "RD#"),
        ("nRD", "RD_N"),
        ("nRD", "NRD"),
        ("Motor-Fwd", "MOTOR FWD"),
    ],
)
def test_two_spellings_are_one_signal_spelt_as_at_the_first_end(one: str, other: str) -> None:
    found = leads(numbered(one, "X"), numbered("X", other))
    assert ["A.1 B.2", "A.2 B.1"] == nets(found)
    assert [one, "X"] == [net.signal for net in profile(found).nets]
    assert f"# written `{other}` there" in text(found) or one.upper() == other


@pytest.mark.parametrize(
    ("a", "b", "joined"),
    [
        (["nRD", "/RD"], ["/RD", "nRD"], ["A.1 B.2", "A.2 B.1"]),
        (["nRD", "/RD"], ["/RD"], ["A.2 B.1"]),
        (["nRD"], ["NRD", "/RD"], ["A.1 B.1"]),
        (["nRD", "RD"], ["/RD", "RD"], ["A.1 B.1", "A.2 B.2"]),
        (["RXD_N", "RXD_P"], ["RXD_P", "/RXD"], ["A.2 B.1"]),
        (["RD", "X"], ["/RD", "X"], ["A.2 B.2"]),
        (["D+", "D-"], ["D-", "D+"], ["A.1 B.2", "A.2 B.1"]),
        (["R/W", "X"], ["/R/W", "X"], ["A.2 B.2"]),
    ],
)
def test_different_signals_are_not_merged(a: list[str], b: list[str], joined: list[str]) -> None:
    assert joined == nets(leads(numbered(*a), numbered(*b)))


def test_names_for_no_connection_never_join() -> None:
    found = leads(numbered("NC", "-", "N/C", "X", "unused"), numbered("nc", "X", "-", "reserved", "Unused"))
    assert ["A.4 B.2"] == nets(found)
    assert () == found.alone


def test_no_connection_with_a_prefix_never_joins() -> None:
    names = ("CPU_A", "CPU_B", "CPU_C", "CPU_D")
    of = leads(numbered(*names, "CPU_E", "CPU_NC"), numbered(*names, "CPU_NC", "CPU_E"))
    assert ["A.1 B.1", "A.2 B.2", "A.3 B.3", "A.4 B.4", "A.5 B.6"] == nets(of)


def test_a_guess_joins_what_is_marked_for_sure_at_a_third_end() -> None:
    three = {"A": numbered("nRD", "D0"), "B": numbered("/RD", "D0"), "C": numbered("nRD", "D0")}
    of = derived(dict.fromkeys("ABC", "row-2"), three)
    assert ["A.1 B.1 C.1", "A.2 B.2 C.2"] == nets(of)
    both = {**three, "B": numbered("/RD", "nRD")}  # they are two signals, then
    assert "A.1 B.2 C.1" in nets(derived(dict.fromkeys("ABC", "row-2"), both))


def test_what_has_no_partner_is_told_with_what_comes_close() -> None:
    found = leads(numbered("X", "RESET-", "Y"), numbered("X", "/RESET", "Z"))
    assert ["A.2", "A.3", "B.2", "B.3"] == [str(pin) for pin in found.alone]
    told = sentences(found)
    assert "end A: no partner at end B for A.2 `RESET-` and A.3 `Y`" in told
    assert "end B: no partner at end A for B.2 `/RESET` and B.3 `Z`" in told
    assert "close to each other: A.2 `RESET-` and B.2 `/RESET`" in told
    assert (
        "A.3 Y has no partner",
        "B.3 Z has no partner",
        "A.2 RESET- and B.2 /RESET have no partner, but are close: one signal?",
    ) == asked(found, "no partner")


def test_spellings_merged_at_one_end_are_told() -> None:
    told = sentences(leads(numbered("Gnd", "GND", "X"), numbered("GND", "X")))
    assert "end A: `Gnd` and `GND` were taken for one signal" in told


@pytest.mark.parametrize(
    ("a", "b", "taken_off"),
    [
        (["D0", "D1"], ["J3_D0", "J3_D1", "J3_NC"], {"B": "J3_"}),
        (["CPU-D0", "CPU-/RD"], ["P4.D0", "P4.RD*"], {"A": "CPU-", "B": "P4."}),
        (["LAMP-1", "LAMP-2", "GND"], ["LAMP-1", "LAMP-2"], {}),
        (["LAMP-1", "LAMP-2"], ["LAMP-1", "LAMP-2"], {}),
        (["RACK_D0", "RACK_D1"], ["RACK_J3_D0", "RACK_J3_D1"], {"A": "RACK_", "B": "RACK_J3_"}),
        (["X", "Y"], ["J3_D0", "J3_D1"], {}),
    ],
)
def test_a_prefix_of_a_whole_end_is_taken_off_where_that_finds_partners(
    a: list[str], b: list[str], taken_off: dict[str, str]
) -> None:
    found = leads(numbered(*a), numbered(*b))
    assert taken_off == found.prefixes
    for end, prefix in taken_off.items():
        assert f"every name of end {end} begins with `{prefix}`: that was taken off" in sentences(found)
    assert (["A.1 B.1", "A.2 B.2"] if taken_off or a[0] == b[0] else []) == nets(found)


# Grounds and other signals on several pins.


def test_grounds_are_one_signal_only_if_the_person_says_so() -> None:
    a, b = numbered("GND", "X", "0V"), numbered("VSS", "X")
    apart, one = leads(a, b), leads(a, b, ground="GND,0V,VSS")
    assert ["A.2 B.2"] == nets(apart)
    (told,) = [sentence for sentence in sentences(apart) if "--ground" in sentence]
    assert "`GND`, `0V` and `VSS` were taken for different signals" in told
    (point,) = asked(apart, "one ground")
    assert "GND, 0V and VSS: one ground? `--ground GND,0V,VSS` derives them as one" == point
    assert ["A.1 A.3 B.1", "A.2 B.2"] == nets(one)
    assert {"GND": Joined.REQUIRED} == one.common
    assert "GND" == profile(one).nets[0].signal


def test_a_repeated_name_without_a_rule_is_one_net_to_be_confirmed() -> None:
    found = leads(numbered("GND", "X", "GND", "Y"), numbered("Y", "GND", "X"))
    assert (None, ["A.1 A.3 B.2", "A.2 B.3", "A.4 B.1"]) == (found.obeyed, nets(found))
    assert {"GND": Joined.REQUIRED} == profile(found).common
    assert any(sentence.endswith("confirm that the cable joins them") for sentence in sentences(found))
    assert ("GND (2 of A, 1 of B): does the cable join all these pins?",) == asked(found, "GND")


def test_a_repeated_name_is_laid_by_the_rule_of_the_others() -> None:
    names = ["GND", "D0", "GND", "D1", "GND", "D2", "GND", "D3"]
    found = leads(numbered(*names), numbered(*names))
    assert [f"A.{k} B.{k}" for k in range(1, 9)] == nets(found)
    assert {"GND": Joined.OPTIONAL} == profile(found).common
    assert not found.by_rule  # the rows have 40 pins, and 32 of them are not in the files
    tied = leads(numbered(*names), numbered(*names), tied="GND")
    assert "A.1 A.3 A.5 A.7 B.1 B.3 B.5 B.7" == nets(tied)[0]
    assert {"GND": Joined.REQUIRED} == profile(tied).common
    assert () == asked(tied, "GND")
    assert not any("confirm that" in sentence for sentence in sentences(tied))


def test_paired_grounds_are_found() -> None:
    a = {**{str(k): f"D{k}" for k in range(1, 41)}, **dict.fromkeys(("2", "4", "6"), "GND")}
    b = {**{str(k): f"D{k}" for k in range(1, 41)}, **dict.fromkeys(("20", "30"), "GND")}
    found = ribbon(a, b)
    assert found.obeyed is not None
    assert ("paired-ground", True) == (found.obeyed.rule, found.by_rule)
    assert {"GND": Joined.REQUIRED} == found.common
    assert "paired-ground, ground_pins = A.2 A.4 A.6 B.20 B.30, then = straight" in profile(found).wiring_text


# GND on nine pins of one end, 0V on the nine of the other that the rule lays them on.
NINE = range(3, 28, 3)
GROUND = {**{str(k): f"D{k}" for k in range(1, 41)}, **{str(k): "GND" for k in NINE}}
ZERO = {**GROUND, **{str(k): "0V" for k in NINE}}


def test_grounds_that_are_at_one_end_only_are_no_reason_for_a_rule() -> None:
    found = ribbon(GROUND, ZERO)
    assert found.obeyed is not None
    assert ("straight", True, ()) == (found.obeyed.rule, found.by_rule, found.breaks)
    assert [f"A.{k} B.{k}" for k in range(1, 41)] == nets(found)
    assert nets(found) == [" ".join(map(str, net.pins)) for net in profile(found).nets]
    assert {"GND": Joined.OPTIONAL} == profile(found).common
    assert "# B.3: `0V` there; by the rule it meets A.3 `GND`" in text(found)
    assert "GND and 0V: one ground? `--ground GND,0V` derives them as one" in to_confirm(found)
    assert not any("no partner" in sentence for sentence in sentences(found))
    one = ribbon(GROUND, ZERO, ground="GND,0V")
    assert (nets(found), {"GND": Joined.OPTIONAL}) == (nets(one), one.common)


def test_grounds_that_are_at_one_end_only_are_joined_by_no_soldered_lead() -> None:
    found = leads(GROUND, ZERO)
    assert [f"A.{k} B.{k}" for k in range(1, 41) if k not in NINE] == nets(found)
    assert ({}, 18) == (found.common, len(found.nameless))
    assert "`GND` is on several pins, 9 of A: each meets another name by the rule" in sentences(found)


def test_of_a_ground_with_another_ground_and_a_name_by_chance_only_the_grounds_are_paired() -> None:
    found = ribbon({**GROUND, "30": "LAMP"}, {**ZERO, "30": "0V"})
    assert ["A.30"] == [str(pin) for one in found.breaks for pin in one.by_name if pin.end == "A"]
    assert len(NINE) == len(found.renamed)
    assert asked(found, "A.30") == (
        "by the rule A.30 LAMP meets B.30 0V: is one of them misread?",
        "A.30 LAMP has no partner",
    )


def test_a_tied_signal_of_one_end_is_a_net_of_its_own() -> None:
    found = leads(numbered("X", "LOOP", "LOOP", "LOOP"), numbered("X"), tied="LOOP")
    assert ["A.1 B.1", "A.2 A.3 A.4"] == nets(found)


def test_a_name_on_several_pins_of_one_end_alone_joins_nothing() -> None:
    found = leads(numbered("SPARE", "X", "SPARE"), numbered("X"))
    assert ["A.2 B.1"] == nets(found)
    assert ("A.1", "A.3") == tuple(map(str, found.nameless))
    assert "# A.1: no partner at another end (`SPARE`)" in text(found)
    assert "`SPARE` is on several pins, 2 of A: no partner, not joined" in sentences(found)


@pytest.mark.parametrize(
    ("option", "value", "wrong"),
    [
        ("ground", "EARTH", "EARTH"),
        ("ground", "X,EARTH", "EARTH"),
        ("ground", "EARTH,X", "EARTH"),
        ("tied", "EARTH", "EARTH"),
        ("tied", "X1", "X1"),
    ],
)
def test_a_name_that_no_pin_carries_is_refused(option: str, value: str, wrong: str) -> None:
    with pytest.raises(UsageError, match=f"`--{option}`: no .* carr(y|ies) `{wrong}`"):
        leads(numbered("X", "X1"), numbered("X"), **{option: value})


# The rule and what the files leave open.


def test_a_ribbon_has_conductors_between_pins_that_nobody_uses() -> None:
    a, b = {**NAMED, "9": "NC"}, {**NAMED, "9": "-"}
    found = ribbon(a, b)
    assert ["A.9 B.9"] == [" ".join(map(str, net)) for net in found.idle]
    assert (True, 40) == (found.by_rule, len(profile(found).nets))
    assert "the ribbon has conductors that lead to no signal as well: A.9–B.9" in sentences(found)


def test_a_soldered_lead_has_no_conductor_that_nobody_uses() -> None:
    found = leads({**NAMED, "9": "NC"}, {**NAMED, "9": "-"})
    assert (False, 39) == (found.by_rule, len(profile(found).nets))


def test_of_a_soldered_lead_that_obeys_a_rule_nearly_the_grounds_are_not_laid_by_it() -> None:
    names = {str(k): "GND" if k % 3 == 0 else f"D{k}" for k in range(1, 41)}
    nearly = {**names, "1": "D2", "2": "D1"}
    assert {"GND": Joined.REQUIRED} == leads(names, nearly).common
    assert {"GND": Joined.OPTIONAL} == ribbon(names, nearly).common


def test_of_a_soldered_lead_every_ground_is_joined_though_the_rule_reaches_some_only() -> None:
    """As wires: A.7 and B.8 belong to the ground, and a lead without them must not pass."""
    of = leads(
        numbered("GND", "TX", "RX", "X", "Y", "Z", "GND", "NC", "NC"),
        numbered("GND", "TX", "RX", "X", "Y", "Z", "NC", "GND", "NC"),
    )
    assert "A.1 A.7 B.1 B.8" in nets(of)
    assert Joined.REQUIRED is of.common["GND"]
    assert asked(of, "GND")
    of = leads(numbered("5V", "5V", "A", "B", "C", "D"), numbered("5V", "NC", "A", "B", "C", "D"))
    assert "A.1 A.2 B.1" in nets(of)


def test_a_ribbon_with_three_plugs_is_laid_pin_by_pin() -> None:
    names = numbered("GND", "S1", "GND", "S2", "NC", "S4", "GND", "S5", "S6", "S7")
    of = derived(dict.fromkeys("ABC", "idc-2x5"), dict.fromkeys("ABC", names))
    assert [f"A.{n} B.{n} C.{n}" for n in range(1, 11)] == nets(of)
    assert {"GND": Joined.OPTIONAL} == of.common
    assert "one ribbon, pin by pin" in " ".join(sentences(of))
    crossed = {**names, "2": "S2", "4": "S1"}  # then nothing is known of the order
    of = derived(dict.fromkeys("ABC", "idc-2x5"), {"A": names, "B": names, "C": crossed})
    assert Joined.REQUIRED is of.common["GND"]


def test_a_pin_that_is_in_no_file_stays_free() -> None:
    a = {pin: name for pin, name in NAMED.items() if pin != "20"}
    found = ribbon(a, a)
    assert (["A.20", "B.20"], False) == (list(map(str, profile(found).unused())), found.by_rule)
    (told,) = [sentence for sentence in sentences(found) if sentence.startswith("end A: the file leaves out")]
    assert "A.20, which stays free;" in told
    less = ribbon(*({pin: name for pin, name in a.items() if pin != "21"} for _ in "AB"))
    assert any("A.20 and A.21, which stay free;" in sentence for sentence in sentences(less))
    assert "the file of A leaves out A.20: is it free?" in to_confirm(found)
    assert "the file of B leaves out B.20 and B.21: are they free?" in to_confirm(less)


def test_a_name_without_partner_and_the_pin_that_a_file_leaves_out_are_put_together() -> None:
    found = ribbon(NAMED, {pin: name for pin, name in NAMED.items() if pin not in "89"})
    assert {"A.8": "B.8", "A.9": "B.9"} == {str(pin): str(other) for pin, other in found.missing.items()}
    told = [sentence for sentence in sentences(found) if "leaves out" in sentence or "no partner" in sentence]
    expected = "by the rule {} (A.8) belongs on B.8 and {} (A.9) on B.9, which the file of B leaves out"
    assert [expected.format("`LAMP 8`", "`LAMP 9`") + ", so that is not joined"] == told
    assert (expected.format("LAMP 8", "LAMP 9"),) == to_confirm(found)
    assert ["A.8", "A.9", "B.8", "B.9"] == list(map(str, profile(found).unused()))


def test_a_ground_whose_other_pin_is_left_out_is_named_and_the_others_are_laid() -> None:
    there = {pin: name for pin, name in GROUND.items() if pin != "9"}
    found = ribbon(GROUND, there)
    assert (["A.9"], {"A.9": "B.9"}) == (
        list(map(str, found.unjoined)),
        {str(pin): str(other) for pin, other in found.missing.items()},
    )
    (told,) = [sentence for sentence in sentences(found) if sentence.startswith("`GND`")]
    assert "9 of A and 8 of B: the rule lays A.3–B.3, A.6–B.6, A.12–B.12, " in told
    assert told.endswith("; A.9 `GND` has no partner; confirm that the cable may link its conductors")
    assert "by the rule GND (A.9) belongs on B.9, which the file of B leaves out" in to_confirm(found)


def test_a_ground_where_the_other_end_has_nothing_is_named() -> None:
    found = ribbon(GROUND, {**GROUND, "9": "NC", "12": "NC"})
    assert ["A.9", "A.12"] == list(map(str, found.unjoined))
    assert "A.9 GND and A.12 GND have no partner" in to_confirm(found)
    (told,) = [sentence for sentence in sentences(found) if sentence.startswith("`GND`")]
    assert "; A.9 `GND` and A.12 `GND` have no partner; " in told
    assert "A.9–B.9" not in told


def test_ends_that_share_few_names_are_asked_about_before_all() -> None:
    a = numbered("X", "Y", *(f"P{k}" for k in range(3)))
    found = leads(a, numbered("X", "Y", "Q"))
    expected = "few names have a partner (2 of 5 at A): are these the two ends of one cable?"
    assert (expected, expected) == (sentences(found)[0], to_confirm(found)[0])
    half = leads(numbered("X", "Y", "P", "Q"), numbered("X", "Y"))
    assert () == asked(half, "few names")


def test_two_names_on_one_conductor_of_a_ribbon_are_told() -> None:
    found = ribbon(NAMED, {**NAMED, "5": "LAMP FIVE"})
    assert ("A.5 B.5", True) == (" ".join(map(str, found.renamed[0])), found.by_rule)
    assert any("A.5 `LAMP 5` to B.5 `LAMP FIVE`: one signal under two names?" in s for s in sentences(found))
    assert "# by the rule it meets B.5 `LAMP FIVE`" in text(found)
    assert ("by the rule LAMP 5 (A.5) meets LAMP FIVE (B.5): one signal?",) == to_confirm(found)


def test_two_names_on_one_wire_of_a_soldered_lead_are_not_joined() -> None:
    assert "A.5 B.5" not in nets(leads(NAMED, {**NAMED, "5": "LAMP FIVE"}))


def test_a_name_exchanged_with_a_ground_names_both() -> None:
    names = {str(k): "GND" if k % 3 == 0 else f"D{k}" for k in range(1, 41)}
    found = ribbon(names, {**names, "6": "D7", "7": "GND"})
    assert ("D7", "GND") == found.breaking()
    assert {"D7", "GND"} == {*found.exchanged[0].names}
    assert ["A.6 B.7", "A.7 B.6"] == [net for net in nets(found) if net[:4] in ("A.6 ", "A.7 ")]
    assert "D7 and GND look exchanged: A.6/A.7 or B.6/B.7" in to_confirm(found)
    (told,) = [sentence for sentence in sentences(found) if sentence.startswith("`GND`")]
    assert "names alone join A.6–B.7" in told
    assert "has no partner" not in told


def test_grounds_that_are_all_exchanged_are_joined_by_name_alone() -> None:
    a = {**NAMED, "6": "GND", "7": "GND"}
    found = ribbon(a, {**a, "6": "LAMP 10", "10": "GND", "7": "LAMP 12", "12": "GND"})
    assert {"A.6 B.10", "A.7 B.12", "A.10 B.6", "A.12 B.7"} <= {*nets(found)}
    (told,) = [sentence for sentence in sentences(found) if sentence.startswith("`GND` is on several")]
    assert "2 of A and 2 of B: names alone join A.6–B.10 and A.7–B.12; confirm" in told


def test_of_one_misread_pair_of_grounds_no_net_of_all_grounds_is_made() -> None:
    a = {**GROUND, "39": "+5V", "40": "+5V"}
    found = ribbon(a, {**a, "9": "+5V", "40": "GND"})
    assert found.obeyed is not None
    assert ("straight", {"+5V": Joined.OPTIONAL, "GND": Joined.OPTIONAL}) == (found.obeyed.rule, found.common)
    assert "GND and +5V look exchanged: A.9/A.40 or B.9/B.40" in to_confirm(found)
    assert {"A.9 B.40", "A.40 B.9"} <= {*nets(found)}


def test_a_name_that_the_profile_leaves_out_is_named_where_it_breaks_the_rule() -> None:
    found = ribbon({**NAMED, "5": "SPARE", "6": "SPARE"}, {**NAMED, "5": "LAMP X", "6": "LAMP Y"})
    assert ["A.5", "A.6"] == list(map(str, found.nameless))
    assert ("LAMP X", "LAMP Y", "SPARE") == found.breaking()
    assert "by the rule A.5 SPARE meets B.5 LAMP X: is one of them misread?" in to_confirm(found)
    assert "by the rule A.5 `SPARE` meets B.5 `LAMP X`" in sentences(found)


def test_two_grounds_exchanged_with_each_other_are_named() -> None:
    names = {str(k): ("GND", "D", "0V")[k % 3] + (str(k) if k % 3 == 1 else "") for k in range(1, 41)}
    found = ribbon(names, {**names, "6": "0V", "5": "GND"})
    assert "0V and GND look exchanged: A.5/A.6 or B.5/B.6" in to_confirm(found)
    assert {"A.5 B.6", "A.6 B.5"} <= {*nets(found)}
    assert () == found.unjoined


def test_a_name_one_pin_too_far_is_named_alone() -> None:
    names = {**NAMED, "40": "NC"}
    found = ribbon(names, {**names, "39": "NC", "40": "LAMP 39"})
    assert (("LAMP 39",), ()) == (found.breaking(), found.exchanged)
    (told,) = [sentence for sentence in sentences(found) if "misread" in sentence]
    assert "but for 1 signal: `LAMP 39`" in told
    expected = "LAMP 39, misread? By name A.39–B.40, by the rule A.39–B.39 and A.40–B.40"
    assert (expected,) == to_confirm(found)


def test_however_long_the_names_are_what_is_to_be_confirmed_fits_a_profile() -> None:
    a = {str(k): f"{k} {'X' * 36}" for k in range(1, 41)}
    found = ribbon({**a, "40": "LAMP"}, {"40": "LAMP", **{str(k): f"{'Y' * 36}{k}" for k in range(1, 40)}})
    lost = asked(found, "have no partner")
    assert [True, True] == [200 < len(point) <= 300 and " more " in point for point in lost]
    assert to_confirm(found) == profile(found).to_confirm


def test_a_rule_with_an_offset_becomes_wires() -> None:
    found = leads(numbered("", "", *"PQRSTUVW"), numbered(*"PQRSTUVW"))
    assert (False, [f"A.{k + 2} B.{k}" for k in range(1, 9)]) == (found.by_rule, nets(found))
    told = (
        "the names obey the rule `straight, 2 places further back`; a profile has no such rule, so every net"
    )
    assert f"{told} is a wire" in sentences(found)
    assert "wires" in tomllib.loads(text(found))["wiring"]


# All of it.

FAMILIES = ["idc-2x5", "dip-8", "dsub-9-plug", "row-5", "trs", "header-2x3"]
NAMES = [
    "GND",
    "0V",
    "NC",
    "",
    "/RD",
    "nRD",
    "RD*",
    "RD",
    "D0",
    "d 0",
    "D1",
    "J3_D0",
    "J3_D1",
    "D+",
    "D-",
    "X",
]


@given(st.data())
def test_whatever_the_pinouts_say_becomes_a_profile_with_the_nets_that_are_told(data: st.DataObject) -> None:
    connectors = data.draw(st.lists(st.sampled_from(FAMILIES), min_size=1, max_size=4))
    ends = {
        "ABCD"[place]: pinout(
            family,
            data.draw(st.dictionaries(st.sampled_from(connector(family).pins), st.sampled_from(NAMES))),
        )
        for place, family in enumerate(connectors)
    }
    found = derive(ends)
    assert all(sentences(found))
    named = {pin for pin, name in found.written.items() if not is_nothing(name)}
    assert named <= {*chain.from_iterable(found.nets), *found.alone, *found.unjoined}
    assert all(len({pin.end for pin in net}) > 1 for net in found.nets)
    if not found.nets:
        return
    read = profile(found)
    assert found.nets == tuple(net.pins for net in read.nets)
    assert (found.common, to_confirm(found)) == (read.common, read.to_confirm)
    written = found.written
    for net in found.nets:  # nothing but a rule joins pins whose names are not one signal
        names = {written[pin] for pin in net if found.name(pin)}
        assert len({found.name(pin) for pin in net if found.name(pin)}) < 2 or net in found.renamed, names


@pytest.mark.parametrize("seed", range(60))
def test_whatever_slips_into_a_regular_lead_no_name_is_dropped_silently(seed: int) -> None:
    chance = random.Random(seed)
    signals = [chance.choice(("GND", "+5V")) if chance.random() < 0.4 else f"D{k}" for k in range(1, 41)]
    a, b = numbered(*signals), {contact(k): name for k, name in enumerate(signals, 1)}
    files = {"A": {**a}, "B": {pin: ("VSS" if seed % 2 and b[pin] == "GND" else b[pin]) for pin in b}}
    for _ in range(chance.randrange(4)):
        names = files[chance.choice("AB")]
        one, other = chance.sample(sorted(names), 2)
        match chance.randrange(4):
            case 0:
                del names[one]
            case 1:
                names[one] = chance.choice(("NC", "GND", "SPARE"))
            case _:
                names[one], names[other] = names[other], names[one]
    found = to_a_dip_plug(files["A"], files["B"])
    told = [*to_confirm(found), *sentences(found)]
    joined = {pin for net in found.nets for pin in net}
    for pin, name in found.written.items():
        if pin not in joined and not is_nothing(name):
            assert any(re.search(rf"\b{re.escape(str(pin))}\b", line) for line in told)
    assert found.nets == tuple(net.pins for net in profile(found).nets)
    assert all(len({pin.end for pin in net}) > 1 for net in found.nets)


@given(st.permutations(range(1, 41)), st.integers(0, 40))
def test_names_that_are_unique_join_whatever_pins_they_are_on(order: list[int], count: int) -> None:
    a = {str(k): f"D{k}" for k in range(1, count + 1)}
    b = {str(order[k - 1]): f"D{k}" for k in range(1, count + 1)}
    expected = {frozenset({Pin("A", str(k)), Pin("B", str(order[k - 1]))}) for k in range(1, count + 1)}
    assert expected == {frozenset(net) for net in leads(a, b).nets}
