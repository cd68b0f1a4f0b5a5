"""From pinouts to nets: by name, and by the rule that most names obey. Expected wirings are counted out."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.connectors import connector
from pinwright.cable.deriving import Derived, derive
from pinwright.cable.drafting import profile_text
from pinwright.cable.pinout import Pinout
from pinwright.cable.pins import Pin
from pinwright.cable.profile import Joined, Profile
from pinwright.cable.reporting import draft_of, sentences
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


def test_what_has_no_partner_is_told_with_what_comes_close() -> None:
    found = leads(numbered("X", "RESET-", "Y"), numbered("X", "/RESET", "Z"))
    assert ["A.2", "A.3", "B.2", "B.3"] == [str(pin) for pin in found.alone]
    told = sentences(found)
    assert "end A: no partner at end B for A.2 `RESET-` and A.3 `Y`" in told
    assert "end B: no partner at end A for B.2 `/RESET` and B.3 `Z`" in told
    assert "close to each other: A.2 `RESET-` and B.2 `/RESET`" in told


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
    assert ["A.1 A.3 B.1", "A.2 B.2"] == nets(one)
    assert {"GND": Joined.REQUIRED} == one.common
    assert "GND" == profile(one).nets[0].signal


def test_a_repeated_name_without_a_rule_is_one_net_to_be_confirmed() -> None:
    found = leads(numbered("GND", "X", "GND", "Y"), numbered("Y", "GND", "X"))
    assert (None, ["A.1 A.3 B.2", "A.2 B.3", "A.4 B.1"]) == (found.obeyed, nets(found))
    assert {"GND": Joined.REQUIRED} == profile(found).common
    assert any(sentence.endswith("confirm that the cable joins them") for sentence in sentences(found))
    assert "# to be confirmed: nothing says which pins belong together" in text(found)


def test_a_repeated_name_is_laid_by_the_rule_of_the_others() -> None:
    names = ["GND", "D0", "GND", "D1", "GND", "D2", "GND", "D3"]
    found = leads(numbered(*names), numbered(*names))
    assert [f"A.{k} B.{k}" for k in range(1, 9)] == nets(found)
    assert {"GND": Joined.OPTIONAL} == profile(found).common
    assert not found.by_rule  # the rows have 40 pins, and 32 of them are not in the files
    tied = leads(numbered(*names), numbered(*names), tied="GND")
    assert "A.1 A.3 A.5 A.7 B.1 B.3 B.5 B.7" == nets(tied)[0]
    assert {"GND": Joined.REQUIRED} == profile(tied).common
    assert not any("confirm" in sentence for sentence in sentences(tied))


def test_paired_grounds_are_found() -> None:
    a = {**{str(k): f"D{k}" for k in range(1, 41)}, **dict.fromkeys(("2", "4", "6"), "GND")}
    b = {**{str(k): f"D{k}" for k in range(1, 41)}, **dict.fromkeys(("20", "30"), "GND")}
    found = ribbon(a, b)
    assert found.obeyed is not None
    assert ("paired-ground", True) == (found.obeyed.rule, found.by_rule)
    assert {"GND": Joined.REQUIRED} == found.common
    assert "paired-ground, ground_pins = A.2 A.4 A.6 B.20 B.30, then = straight" in profile(found).wiring_text


def test_a_name_on_several_pins_of_one_end_alone_joins_nothing() -> None:
    found = leads(numbered("SPARE", "X", "SPARE"), numbered("X"))
    assert ["A.2 B.1"] == nets(found)
    assert ("A.1", "A.3") == tuple(map(str, found.nameless))
    assert "# A.1: no partner at another end (`SPARE`)" in text(found)
    assert "`SPARE` is on several pins, 2 of A: no partner, not joined" in sentences(found)


@pytest.mark.parametrize(("option", "value"), [("ground", "EARTH"), ("tied", "EARTH"), ("tied", "X1")])
def test_a_name_that_no_pin_carries_is_refused(option: str, value: str) -> None:
    with pytest.raises(UsageError, match=f"`--{option}`: no .* carr(y|ies) `{value}`"):
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


def test_a_pin_that_is_in_no_file_stays_free() -> None:
    a = {pin: name for pin, name in NAMED.items() if pin != "20"}
    found = ribbon(a, a)
    assert (["A.20", "B.20"], False) == (list(map(str, profile(found).unused())), found.by_rule)
    (told,) = [sentence for sentence in sentences(found) if sentence.startswith("end A: the file leaves out")]
    assert "A.20, which stay" in told


def test_two_names_on_one_conductor_of_a_ribbon_are_told() -> None:
    found = ribbon(NAMED, {**NAMED, "5": "LAMP FIVE"})
    assert ("A.5 B.5", True) == (" ".join(map(str, found.renamed[0])), found.by_rule)
    assert any("A.5 `LAMP 5` to B.5 `LAMP FIVE`: one signal under two names?" in s for s in sentences(found))
    assert "# to be confirmed: by the rule it meets B.5 `LAMP FIVE`" in text(found)


def test_two_names_on_one_wire_of_a_soldered_lead_are_not_joined() -> None:
    assert "A.5 B.5" not in nets(leads(NAMED, {**NAMED, "5": "LAMP FIVE"}))


def test_a_name_exchanged_with_a_ground_names_both() -> None:
    names = {str(k): "GND" if k % 3 == 0 else f"D{k}" for k in range(1, 41)}
    found = ribbon(names, {**names, "6": "D7", "7": "GND"})
    assert ("D7", "GND") == found.breaking()
    assert {"D7", "GND"} == {*found.exchanged[0].names}
    assert ["A.6", "B.7"] == list(map(str, profile(found).unused()))


def test_a_name_one_pin_too_far_is_named_alone() -> None:
    names = {**NAMED, "40": "NC"}
    found = ribbon(names, {**names, "39": "NC", "40": "LAMP 39"})
    assert (("LAMP 39",), ()) == (found.breaking(), found.exchanged)
    (told,) = [sentence for sentence in sentences(found) if "misread" in sentence]
    assert "but for 1 signal: `LAMP 39`" in told


def test_a_rule_with_an_offset_becomes_wires() -> None:
    found = leads(numbered("", "", *"PQRSTUVW"), numbered(*"PQRSTUVW"))
    assert (False, [f"A.{k + 2} B.{k}" for k in range(1, 9)]) == (found.by_rule, nets(found))
    assert "the names obey the rule `straight, 2 places further back`" in sentences(found)
    assert "a profile has no such rule, so every net is a wire" in sentences(found)
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
    if not found.nets:
        return
    read = profile(found)
    assert found.nets == tuple(net.pins for net in read.nets)
    assert found.common == read.common
    written = found.written
    for net in found.nets:  # nothing but a rule joins pins whose names are not one signal
        names = {written[pin] for pin in net if found.name(pin)}
        assert len({found.name(pin) for pin in net if found.name(pin)}) < 2 or net in found.renamed, names


@given(st.permutations(range(1, 41)), st.integers(0, 40))
def test_names_that_are_unique_join_whatever_pins_they_are_on(order: list[int], count: int) -> None:
    a = {str(k): f"D{k}" for k in range(1, count + 1)}
    b = {str(order[k - 1]): f"D{k}" for k in range(1, count + 1)}
    expected = {frozenset({Pin("A", str(k)), Pin("B", str(order[k - 1]))}) for k in range(1, count + 1)}
    assert expected == {frozenset(net) for net in leads(a, b).nets}
