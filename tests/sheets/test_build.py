"""The build sheet: which conductor goes where, what is linked, where pins are, and nothing is left out."""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.connectors import FAMILIES, SHELL, connector
from pinwright.cable.laying import laying_of
from pinwright.cable.places import corner_of, ordinal, place_of
from pinwright.cable.profile import Profile
from pinwright.errors import UsageError
from pinwright.library import find_profile, library_folders, library_profiles
from pinwright.sheets.build import SIDES, BuildSheet, build_sheet

from ..random_cables import cable

Tables = Mapping[str, Any]
HASH = "0" * 64


def profile(ends: Mapping[str, str], wiring: Tables, **more: Any) -> Profile:
    """more: `signals`, end → pin → name; `common`, signal → word; `termination`, end → word; keys of
    [cable]."""
    signals, common, how = (more.pop(key, {}) for key in ("signals", "common", "termination"))
    tables = {end: {"connector": plug, "signals": signals.get(end, {})} for end, plug in ends.items()}
    for end, word in how.items():
        tables[end] |= {"termination": word}
    joined = {name: {"joined": word} for name, word in common.items()}
    return Profile.from_dict(
        {"cable": {"id": "x", "title": "x", **more}, "ends": tables, "wiring": wiring, "common": joined}
    )


def sheet(made: Profile | str, **views: Any) -> BuildSheet:
    made = find_profile(made, library_folders()).profile if isinstance(made, str) else made
    return build_sheet(made, HASH, views)


def leads(made: BuildSheet, end: str) -> dict[str, str]:
    """Row → the pins that it goes to at an end."""
    number = [one.name for one in made.ends].index(end)
    return {row.key: " ".join(spot.name for spot in row.spots[number]) for row in made.rows}


def joined(groups: Iterable[Sequence[str]]) -> set[frozenset[str]]:
    """What hangs together if each of these groups does; what is alone is left out."""
    parts: dict[str, set[str]] = {}
    for group in groups:
        whole = set(group).union(*(parts.get(pin, ()) for pin in group))
        parts |= dict.fromkeys(whole, whole)
    return {frozenset(part) for part in parts.values() if len(part) > 1}


def built(made: BuildSheet) -> set[frozenset[str]]:
    """The nets of a cable that somebody has made as the sheet says."""
    return joined([*(row.pins for row in made.rows), *(link.pins for link in made.links)])


def nets(made: Profile) -> set[frozenset[str]]:
    return {frozenset(map(str, net.pins)) for net in made.nets}


# Which conductor goes where


def dip_order(count: int, first: str) -> list[int]:
    """N, 1, N-1, 2 … or 1, N, 2, N-1 …: the contract's table of rules."""
    low, high = list(range(1, count // 2 + 1)), list(range(count, count // 2, -1))
    pairs = zip(high, low, strict=True) if first == "high" else zip(low, high, strict=True)
    return [pin for pair in pairs for pin in pair]


@pytest.mark.parametrize("first", ["high", "low"])
@pytest.mark.parametrize("count", [14, 40])
def test_conductors_alternate_between_the_rows_of_a_dip_plug(count: int, first: str) -> None:
    ends = {"A": f"idc-2x{count // 2}", "B": f"dip-{count}"}
    made = sheet(profile(ends, {"rule": "alternate", "first": first}))
    assert [f"A-{n}" for n in range(1, count + 1)] == [row.key for row in made.rows]
    assert [str(pin) for pin in dip_order(count, first)] == list(leads(made, "B").values())
    assert [str(n) for n in range(1, count + 1)] == list(leads(made, "A").values())


@pytest.mark.parametrize("numbering", ["own", "shared"])
def test_two_woven_ribbons_have_a_list_each(numbering: str) -> None:
    ends, order = {"A": "idc-2x7", "B": "dip-14", "C": "idc-2x7"}, dip_order(14, "high")
    wiring = {"rule": "interleave", "numbering": numbering, "lay": "alternate", "first": "high"}
    made = sheet(profile(ends, wiring))
    keys = [f"{'AC'[k % 2]}-{k // 2 + 1 if numbering == 'own' else k + 1}" for k in range(14)]
    found = {key: pin for key, pin in leads(made, "B").items() if pin}
    assert {key: str(pin) for key, pin in zip(keys, order, strict=True)} == found
    assert ["Ribbon A", "Ribbon C"] == [name for name, _ in made.parts if name.startswith("Ribbon")]
    spare = {row.key for row in made.rows if row.spare}
    assert {row.key for row in made.rows} - set(keys) == spare
    assert all("cut back, insulate" in row.remark for row in made.rows if row.spare)


def test_ends_that_a_rule_names_are_taken_for_its_ribbons() -> None:
    ends = {"X": "idc-2x4", "Y": "row-8", "Z": "idc-2x8"}
    wiring = {"rule": "interleave", "numbering": "own", "lay": "straight", "from": ["Y", "X"], "to": "Z"}
    made = sheet(profile(ends, wiring))
    assert ["Y", "X"] == list(dict.fromkeys(row.key[0] for row in made.rows))
    assert {f"Y-{n}": str(2 * n - 1) for n in range(1, 9)} | {f"X-{n}": str(2 * n) for n in range(1, 9)} == (
        leads(made, "Z")
    )


@given(seed=st.integers(0, 2**32), first=st.sampled_from(["high", "low"]), half=st.integers(4, 20))
def test_a_net_of_many_conductors_keeps_each_where_the_rule_lays_it(seed: int, first: str, half: int) -> None:
    """`required` makes one net of them, and that net no longer says which conductor goes to which pin."""
    chance, order = random.Random(seed), dip_order(2 * half, first)
    grounds = chance.sample(range(1, 2 * half + 1), chance.randint(2, half))
    signals = {
        "A": {str(n): "GND" for n in grounds},
        "B": {str(order[n - 1]): "GND" for n in grounds},
    }
    ends = {"A": f"idc-2x{half}", "B": f"dip-{2 * half}"}
    made = profile(ends, {"rule": "alternate", "first": first}, signals=signals, common={"GND": "required"})
    assert [str(pin) for pin in order] == list(leads(sheet(made), "B").values())
    assert nets(made) == built(sheet(made))


def test_a_ribbon_with_a_ground_beside_each_conductor_has_twice_as_many() -> None:
    wiring = {"rule": "paired-ground", "ground_pins": {"A": [2, 4], "B": [2, 4]}, "then": "straight"}
    made = sheet(profile({"A": "idc-2x5", "B": "idc-2x5"}, wiring))
    assert dict(made.parts)["Ribbon"].startswith("20-way (10 and a ground conductor beside each)")
    assert any("a ground conductor runs beside each of the 10 conductors" in text for text in made.spare)
    assert "Ribbon from A, 10 conductors, counted without the grounds between them" == made.strands[0].heading
    plain = profile({"A": "idc-2x5", "B": "idc-2x5"}, {"rule": "straight"}, wire="ribbon, 20 conductors")
    assert dict(sheet(plain).parts)["Ribbon"].startswith("20-way")


def test_a_twist_is_told_before_the_end_that_it_is_made_for() -> None:
    made = sheet("floppy34-ibm-twist")
    assert [f"{26 - n if 10 <= n <= 16 else n}" for n in range(1, 35)] == list(leads(made, "B").values())
    assert any(step.startswith("Before end B: split conductors 10 to 16 off") for step in made.steps)
    assert not any("split conductors" in step for step in sheet("floppy34-straight").steps)


@pytest.mark.parametrize(
    ("id", "crimped"),
    [
        ("idc10-to-de9-row-matched", True),
        ("idc10-to-de9-number-matched", False),
        ("idc26-to-db25-row-matched", True),
        ("idc36-ribbon-to-micro-ribbon36", True),
        ("lamp-changer-40", False),
    ],
)
def test_a_plug_whose_conductors_lie_as_its_teeth_do_is_crimped_and_all_others_are_soldered(
    id: str, crimped: bool
) -> None:
    one, other = sheet(id).ends
    assert ("crimped", "crimped" if crimped else "soldered") == (one.how, other.how)


ROWS = {n: n // 2 + 1 if n % 2 else 13 + n // 2 for n in range(1, 26)}  # conductor → pin of a crimped DB-25
BY_ROWS = [[f"A.{n}", f"B.{pin}"] for n, pin in ROWS.items()]
BY_NUMBER = [[f"A.{n}", f"B.{n}"] for n in range(1, 26)]


@pytest.mark.parametrize(
    ("wires", "said", "how", "told"),
    [
        (BY_ROWS, "", "crimped", "because the conductors lie in its order"),
        (BY_NUMBER, "", "soldered", "because the conductors do not lie in its order"),
        (BY_ROWS, "soldered", "soldered", ""),
        (BY_NUMBER, "crimped", "crimped", ""),
    ],
)
def test_what_may_be_crimped_or_soldered_is_what_its_profile_says_or_is_told_to_be_a_guess(
    wires: list[list[str]], said: str, how: str, told: str
) -> None:
    termination = {"B": said} if said else {}
    made = sheet(profile({"A": "idc-2x13", "B": "dsub-25-plug"}, {"wires": wires}, termination=termination))
    end, part = made.ends[1], dict(made.parts)["Connector B"]
    assert (how, how == "crimped", how == "soldered") == (end.how, end.pressed, end.behind)
    other = {"crimped": "soldered", "soldered": "crimped"}[how]
    guess = f'aken as {how}, {told}; `termination = "{other}"` in [ends.B] of the profile says otherwise'
    assert (guess in part, f"T{guess}." in end.start) == ((True, True) if told else (False, False))
    assert ("taken as" in part, f", {how}" in part) == (bool(told), not told)
    assert "taken" not in made.ends[0].start + dict(made.parts)["Connector A"]


def test_plugs_without_a_ribbon_are_taken_as_soldered_and_told_so() -> None:
    assert (
        "taken as soldered, because there is no ribbon" in dict(sheet("service-lead-9").parts)["Connector A"]
    )
    wires = {"wires": [["A.1", "B.1"]]}
    ends = {"A": "dsub-9-plug", "B": "dsub-9-socket"}
    made = sheet(profile(ends, wires, termination={"A": "crimped", "B": "soldered"}))
    assert [("crimped", False, True), ("soldered", False, True)] == [
        (end.how, end.pressed, end.behind) for end in made.ends
    ]
    assert "For A: strip, crimp a contact on each wire, and push it home where the list says." in made.steps
    assert not any("Press" in step for step in made.steps)


def test_what_has_no_contact_on_a_plug_is_cut_back_before_that_is_pressed_on() -> None:
    made = sheet("idc26-to-db25-row-matched")
    place = made.steps.index(
        "Before you press B on: split conductor 26 off the ribbon, cut it back 20 mm and insulate it: "
        "nothing of it may reach B."
    )
    assert made.steps[place - 1].startswith("Press A on")
    assert made.steps[place + 1].startswith("Press B on")
    assert "cut it back before B" == made.rows[25].remark
    assert (
        "Conductor 26 has no contact at B: cut it back before you press B on, and insulate it.",
    ) == made.spare
    assert "Cut back and insulate what is spare." not in made.steps

    soldered = sheet(
        profile({"A": "idc-2x13", "B": "dsub-25-plug"}, {"wires": BY_ROWS}, termination={"B": "soldered"})
    )
    assert "cut back, insulate" == soldered.rows[25].remark
    assert not any("Before you press" in step for step in soldered.steps)
    done = [step.split()[0] for step in soldered.steps]
    assert done.index("Solder") < done.index("Cut", done.index("Press"))


def test_what_goes_on_to_another_plug_is_led_past_the_one_before_it() -> None:
    wires = [["A.1", "B.1", "C.1"], *([f"A.{n}", f"B.{n}", f"C.{n}"] for n in range(3, 9)), ["A.2", "C.2"]]
    made = sheet(profile({"A": "idc-2x4", "B": "idc-2x4", "C": "idc-2x4"}, {"wires": wires}))
    assert "Before you press B on: split conductor 2 off the ribbon and lead it past B." in made.steps
    assert "must not reach B.2: lead it past B" == made.rows[1].remark
    assert ("Conductor 2 would join A.2 to B.2, which stay apart: lead it past B.",) == made.spare

    wires = [["A.2", "A.4", "C.2"], *([f"A.{n}", f"B.{n}"] for n in (1, 3, 5, 6, 7, 8)), ["A.9", "C.9"]]
    made = sheet(profile({"A": "idc-2x5", "B": "idc-2x5", "C": "header-2x5"}, {"wires": wires}))
    assert "must not reach B.4: lead it past B" == made.rows[3].remark
    assert ("", "", "join to C.2") == made.rows[3].asides
    assert (
        "Before you press B on: split conductors 2, 4 and 9 off the ribbon and lead them past B."
        in made.steps
    )


def test_a_plug_that_is_crimped_though_its_order_is_another_has_conductors_that_cross() -> None:
    made = sheet(
        profile({"A": "idc-2x5", "B": "dsub-9-plug"}, {"rule": "straight"}, termination={"B": "crimped"})
    )
    place = next(n for n, step in enumerate(made.steps) if step.startswith("Before end B: split conductors"))
    assert "split conductors 2 to 9 off" in made.steps[place]
    assert "split conductor 10 off" in made.steps[place + 1]
    assert made.steps[place + 2].startswith("Press B on")
    assert [str(n) for n in range(1, 10)] == [pin for pin in leads(made, "B").values() if pin]


@pytest.mark.parametrize(
    ("order", "runs"),
    [((1, 2, 3, 5, 4), ["4 to 5"]), ((4, 7, 1, 10, 2, 9, 3, 5, 6, 8), ["1 to 10"])],
    ids=["a pair", "all of them"],
)
def test_a_plug_that_most_conductors_do_not_meet_in_order_is_pressed_on_in_order(
    order: Sequence[int], runs: list[str]
) -> None:
    """Otherwise a ribbon that is pressed on as it lies would join what the profile does not."""
    wires = [[f"A.{n}", f"B.{pin}"] for n, pin in enumerate(order, 1)]
    made = sheet(profile({"A": "idc-2x5", "B": "idc-2x5"}, {"wires": wires}))
    told = [step for step in made.steps if step.startswith("Before end B: split conductors")]
    assert [f"Before end B: split conductors {run} off" for run in runs] == [
        step.partition(" the ribbon")[0] for step in told
    ]
    assert [str(pin) for pin in order] == [pin for pin in leads(made, "B").values() if pin]
    left = [row.remark for row in made.rows if row.spare]
    assert [f"must not reach B.{n}: cut it back before B" for n in range(len(order) + 1, 11)] == left
    first = f"goes to pin {order[0]}:" if order[0] != 1 else "lies on pin 1:"
    assert first in made.ends[1].start


def test_alternate_is_laid_on_any_plug_with_two_equal_rows() -> None:
    """A net of several conductors on a two-row socket: the rule says which goes where, not their numbers."""
    order = dip_order(10, "high")
    signals = {
        "A": dict.fromkeys("137", "GND"),
        "B": {str(order[n - 1]): "GND" for n in (1, 3, 7)},
    }
    wiring = {"rule": "alternate", "first": "high"}
    ends = {"A": "row-10", "B": "header-2x5"}
    made = sheet(profile(ends, wiring, signals=signals, common={"GND": "required"}))
    assert [str(pin) for pin in order] == list(leads(made, "B").values())


def test_ribbons_are_woven_before_a_plug_is_pressed_on_both() -> None:
    wiring = {"rule": "interleave", "numbering": "own", "lay": "straight"}
    ends = {"A": "idc-2x4", "B": "idc-2x8", "C": "idc-2x4"}
    steps = sheet(profile(ends, wiring, termination={"B": "crimped"})).steps
    first = [step.split(",")[0] for step in steps]
    assert ["Press A on", "Press C on"] == first[3:5]
    assert first[5].startswith("Lay the ribbons over each other")
    assert "Press B on" == first[6]


def test_a_conductor_that_would_join_pins_that_stay_apart_is_cut() -> None:
    wires = [[f"A.{n}", f"B.{n}"] for n in range(1, 11) if n not in (3, 7)]
    made = sheet(profile({"A": "idc-2x5", "B": "idc-2x5"}, {"wires": wires}))
    for n in (3, 7):
        assert f"must not reach B.{n}: cut it back before B" in made.rows[n - 1].remark
    assert (
        "Conductors 3 and 7 would join pins that stay apart: cut them back before you press B on, and "
        "insulate them.",
    ) == made.spare
    one = sheet("ata80c-host-to-master-black")
    assert {20: True, 34: False} == {row.number: row.spare for row in one.rows if row.remark}
    assert (("A", "3, 7"), ("B", "3, 7")) == made.unused


def test_a_lead_without_a_ribbon_goes_net_by_net() -> None:
    made = sheet("service-lead-9")
    assert ["Wires, net by net"] == [strand.heading for strand in made.strands]
    assert {"w-1": "2", "w-2": "3", "w-3": "4"}.items() <= leads(made, "A").items()
    assert {"w-1": "3", "w-2": "2", "w-3": "6"}.items() <= leads(made, "B").items()
    assert dict(made.parts)["Wire"].startswith("7 wires, 2000 mm from plug to plug; cut 2060 mm")


def test_a_wire_besides_the_ribbon_is_told_apart() -> None:
    wires = [*([f"A.{n}", f"B.{n}"] for n in range(1, 10)), ["C.1", "B.SHELL"]]
    made = sheet(profile({"A": "idc-2x5", "B": "dsub-9-plug-shell", "C": "row-1"}, {"wires": wires}))
    assert [10, 1] == [len(strand.rows) for strand in made.strands]
    assert "w-1" == made.rows[-1].key
    assert ("B.SHELL", "C.1") == made.rows[-1].pins


def test_what_the_ribbon_is_and_how_long_to_cut_it_is_told() -> None:
    told = dict(sheet("lamp-changer-40").parts)
    assert told["Ribbon"] == (
        "40-way, 28 AWG ribbon, 600 mm from plug to plug; cut 650 mm, to spare 20 mm at A, 30 mm at B"
    )
    assert told["Connector A"] == "a crimped two-row socket, 2×20, 40 ways (`idc-2x20`), for J3, rack side"
    assert "the profile gives no length" in dict(sheet("midi-din5").parts)["Wire"]


# Links


def test_each_answer_to_whether_conductors_may_be_linked_is_told() -> None:
    signals = {end: {"1": "GND", "2": "GND", "3": "D0"} for end in "AB"}
    ends = {"A": "idc-2x5", "B": "dip-10"}

    def told(word: str) -> str:
        made = profile(ends, {"rule": "straight"}, signals=signals, common={"GND": word})
        (link,) = sheet(made).links
        assert link.signal == "GND"
        return f"{link.kind}. {link.text}"

    assert told("required") == ("to be made. Link conductors 1 and 2 with each other at B (1 and 2).")
    assert told("optional") == (
        "optional. Conductors 1 and 2 carry it, each for itself. They may be linked with each other at B, "
        "and need not be: a free choice."
    )
    assert told("never") == (
        "never. Conductors 1 and 2 carry it, and each stays for itself: no link between them."
    )


GROUNDS = ["A.2", "A.4", "A.6", "A.8", "B.1", "B.4"]


def test_conductors_without_a_pin_of_their_own_are_joined_where_somebody_solders() -> None:
    made = sheet(profile({"A": "idc-2x5", "B": "header-2x5"}, {"wires": [GROUNDS, ["A.1", "B.2"]]}))
    (link,) = made.links
    assert "At B join conductors 2, 4, 6 and 8 and take them to B.1 and B.4." == link.text
    own = {row.number: row.asides for row in made.rows if any(row.asides)}
    hang = [row for row in made.rows if row.number in (2, 4, 6, 8) and not row.spots[1]]
    assert dict.fromkeys((row.number for row in hang), ("", "join to B.1")) == own
    assert 2 == len(hang)
    assert all(row.told.endswith("; join to B.1") for row in hang)
    assert any(step.endswith("what is joined goes on its pin together.") for step in made.steps)

    made = sheet(profile({"A": "idc-2x5", "B": "header-2x5"}, {"wires": [["A.2", "A.3"], ["A.1", "B.2"]]}))
    assert ["At B join conductors 2 and 3; they have no pin there: insulate the joint."] == [
        link.text for link in made.links
    ]
    assert ["", "join to conductor 2"] == [row.asides[1] for row in made.rows[1:3]]


def test_a_crimped_plug_has_no_room_for_a_link() -> None:
    signals = {end: {"1": "GND", "2": "GND"} for end in "AB"}
    ends = {"A": "idc-2x5", "B": "idc-2x5"}

    def told(word: str) -> str:
        made = profile(ends, {"rule": "straight"}, signals=signals, common={"GND": word})
        return " ".join(link.text for link in sheet(made).links)

    assert (
        "Join conductors 1 and 2 with each other along the ribbon: a crimped plug has no room for a link."
        == told("required")
    )
    assert told("optional").endswith(
        "along the ribbon, and need not be: a free choice. A crimped plug has no room for a link."
    )
    (link,) = sheet("ata80c-host-to-master-black").links
    assert "along the ribbon, unless the plugs join them already: a crimped plug has no room" in link.text
    wires = [[f"A.{n}", f"B.{n // 2 + 1 if n % 2 else 5 + n // 2}"] for n in range(2, 9)]
    ends = {"A": "idc-2x4", "B": "dsub-9-plug-shell"}
    (link,) = sheet(profile(ends, {"wires": [["A.1", "B.1", "B.5"], *wires]})).links
    assert link.text == (
        "At B link pin 5 to pin 1: no conductor leads there, and a crimped plug has no room for a link; take "
        "one that is soldered."
    )
    (link,) = sheet(profile(ends, {"wires": [["A.1", "B.1", "B.SHELL"], *wires]})).links
    assert "At B link the shell to conductor 1, along the ribbon: a crimped plug has no room for a link." == (
        link.text
    )


def test_where_both_ends_are_soldered_it_is_a_free_choice() -> None:
    wires = [["A.1", "A.2", "B.1", "B.2"], ["A.3", "B.3"]]
    ends, how = {"A": "dsub-9-plug", "B": "dsub-9-socket"}, {"A": "soldered", "B": "soldered"}
    made = sheet(profile(ends, {"wires": wires}, wire="ribbon", termination=how))
    assert [
        "Link conductors 1 and 3 with each other: at which end is a free choice, at A (1 and 2) or at B "
        "(1 and 2)."
    ] == [link.text for link in made.links]


def test_a_link_of_many_pins_names_all_of_them() -> None:
    (link,) = sheet("printer-db25-to-mr36-18wire").links
    for pin in (*range(19, 26), *range(20, 31), 33):
        assert str(pin) in link.text


def test_pins_that_no_conductor_leads_to_are_linked_at_their_end() -> None:
    made = sheet("rs232-de9-null-modem-full-handshake")
    assert [
        ("to be made", ("A.1", "A.6", "B.4"), "At A link pin 6 to pin 1."),
        ("to be made", ("A.4", "B.1", "B.6"), "At B link pin 6 to pin 1."),
    ] == [(link.kind, link.pins, link.text) for link in made.links]
    assert "link" in made.labels(0)["6"]


# Every profile


@cache
def library() -> dict[str, Profile]:
    return {one.id: one for one in library_profiles(library_folders())}


def whole(made: Profile) -> None:
    """Nothing is left out, nothing told twice, and a cable made so has the nets of its profile."""
    told = sheet(made)
    assert nets(made) == built(told)
    on = [pin for row in told.rows for pin in row.pins]
    hubs = {pin for pin in on if on.count(pin) > 1}
    # a contact that is pressed on a ribbon has one conductor, and a wire beside it at most
    pressed = laying_of(made).pressed
    last = {pin for row in told.strands[-1].rows for pin in row.pins}
    assert all(pin in last for pin in hubs if pin.partition(".")[0] in pressed)
    linked = {f"{end.name}.{pin}" for end in told.ends for pin, _ in end.linked}
    unused = {f"{end.name}.{pin}" for end in told.ends for pin in end.unused}
    spare = {pin for row in told.rows if row.spare for pin in row.pins}
    assert {str(pin) for pin in made.pins()} == {*on} | linked | unused
    assert spare <= unused
    assert not linked & ({*on} | unused)
    assert len({row.key for row in told.rows}) == len(told.rows)


@pytest.mark.parametrize("id", sorted(library()))
def test_a_cable_of_the_library_made_as_its_sheet_says_has_its_nets(id: str) -> None:
    whole(library()[id])


@given(seed=st.integers(0, 2**32))
def test_any_cable_made_as_its_sheet_says_has_its_nets(seed: int) -> None:
    chance = random.Random(seed)
    ends = {"A": chance.choice(["idc-2x5", "dsub-9-plug-shell"]), "B": "dip-10", "C": "idc-2x4"}
    pins = [f"{end}.{pin}" for end, name in ends.items() for pin in connector(name).pins]
    wires, _ = cable(chance, pins, (lambda _: 2, lambda chance: chance.randint(1, 6), lambda _: 12))
    how = {end: word for end in "AB" if (word := chance.choice(["", "crimped", "soldered"]))}
    whole(profile(ends, {"wires": wires}, wire=chance.choice(["ribbon", "wire"]), termination=how))


def test_the_same_profile_gives_the_same_sheet() -> None:
    assert sheet("woven-40") == sheet("woven-40")


# Places


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.pattern)
def test_every_pin_has_a_place_of_its_own_counted_as_it_is_seen(family: Any) -> None:
    for name in family.names():
        for plug in (connector(name), connector(name).from_behind()):
            told = {pin: place_of(plug, pin) for pin in plug.pins}
            assert len(told) == len(set(told.values())), name
            for row in plug.rows:
                for pin in row:
                    for axis, end in ((0, "left"), (1, "top")):
                        if not told[pin].endswith(f"from the {end}"):
                            continue
                        at = plug.positions[pin][axis]
                        before = sum(plug.positions[other][axis] < at for other in row)
                        assert f"{ordinal(before + 1)} from the {end}" == told[pin].split(", ")[-1], (
                            name,
                            pin,
                        )
            for pin in plug.pins:
                xs = [x for other, (x, _) in plug.positions.items() if other != SHELL]
                where = corner_of(plug, pin) if plug.outline not in ("round", "pill") else ""
                assert "left" not in where or plug.positions[pin][0] <= sum((min(xs), max(xs))) / 2
                assert "right" not in where or plug.positions[pin][0] >= sum((min(xs), max(xs))) / 2


def test_left_and_right_are_as_they_are_seen() -> None:
    made = connector("dip-40")
    assert "right row, fifth from the top" == place_of(made, "36")
    assert "left row, fifth from the top" == place_of(made.from_behind(), "36")
    assert "upper right corner" == corner_of(made, "40")
    assert "upper left corner" == corner_of(made.from_behind(), "40")


def test_places_of_round_connectors_and_shells_are_directions() -> None:
    din = connector("din-5-180-plug-shell").from_behind()
    told = {pin: place_of(din, pin) for pin in din.pins}
    assert {"2": "top", SHELL: "shell"}.items() <= told.items()
    assert "tip" == place_of(connector("trs"), "T")
    six = connector("din-6-plug")
    assert ["lower right", "top", "middle"] == [
        place_of(six, pin) for pin in "136"
    ]  # 1 to 5 round 240 degrees


def test_ordinals_are_english() -> None:
    told = {1: "first", 12: "twelfth", 20: "twentieth", 21: "twenty-first", 40: "fortieth", 53: "fifty-third"}
    assert told == {number: ordinal(number) for number in told}


# Views


def test_soldered_plugs_are_held_from_behind_and_crimped_ones_from_their_face() -> None:
    assert [("mating face", False), ("top", False)] == [  # the forks of a DIP plug are on its top
        (end.view.split(", ")[0], end.behind) for end in sheet("lamp-changer-40").ends
    ]
    assert ["solder side"] * 2 == [end.view.split(", ")[0] for end in sheet("service-lead-9").ends]
    assert ["contacts towards you"] * 2 == [
        end.view.split(", ")[0] for end in sheet("8p8c-t568a-straight").ends
    ]


def test_another_side_changes_places_and_nothing_else() -> None:
    usual, behind = sheet("lamp-changer-40"), sheet("lamp-changer-40", B="behind")
    assert "top, the end of pin 1 up" == usual.ends[1].view
    assert "pin 40: right row, first from the top, at the upper right corner" in usual.ends[1].start
    assert "pin 40: left row, first from the top, at the upper left corner" in behind.ends[1].start
    assert behind.ends[1].start.endswith("as seen there; from the top they change places.")
    assert "change places" not in usual.ends[1].start
    assert [row.pins for row in usual.rows] == [row.pins for row in behind.rows]
    assert {"front", "behind"} == set(SIDES.values())


def test_a_view_of_an_end_that_is_not_there_is_refused() -> None:
    with pytest.raises(UsageError, match="there is no such end; the ends are A, B"):
        sheet("lamp-changer-40", C="front")


# What a sheet says


def test_where_conductor_1_starts_is_told_of_each_end() -> None:
    one, other = sheet("lamp-changer-40").ends
    assert one.start == (
        "Conductor 1, the marked edge, lies on pin 1: odd row, first from the top, at the upper right "
        "corner. Seen: mating face, pins 1 and 2 up."
    )
    assert other.start.startswith(
        "Conductor 1, the marked edge, goes to pin 40: right row, first from the top"
    )
    assert "conductor 2 to pin 1 (left row, first from the top)" in other.start


def test_what_is_not_confirmed_is_on_the_sheet() -> None:
    made = profile({"A": "row-2", "B": "row-2"}, {"rule": "straight"}, to_confirm=["is it row 1?"])
    assert ("is it row 1?",) == sheet(made).to_confirm
    assert ("<U+202E>?",) == sheet(replace(made, to_confirm=("\u202e?",))).to_confirm
    assert () == sheet("lamp-changer-40").to_confirm


@pytest.mark.parametrize(
    ("wiring", "told"),
    [
        ({"rule": "straight"}, "rule straight"),
        ({"rule": "alternate", "first": "high"}, "rule alternate, first high"),
        ({"rule": "alternate", "first": "high", "by_signal": True}, "rule alternate, first high"),
        ({"wires": [["A.1", "B.1"]]}, ""),
        (
            {"rule": "paired-ground", "ground_pins": {"A": [2], "B": [2]}, "then": "straight"},
            "rule paired-ground, ground pins A.2 B.2, then straight",
        ),
    ],
)
def test_a_rule_that_is_named_is_told_and_nothing_else(wiring: Tables, told: str) -> None:
    assert told == sheet(profile({"A": "idc-2x5", "B": "dip-10"}, wiring)).wiring


def test_soldering_is_warned_of_where_something_is_soldered_and_each_plug_has_its_own_check() -> None:
    def words(id: str) -> tuple[bool, bool, bool, bool]:
        made = sheet(id)
        cautions, steps = " ".join(made.cautions), " ".join(made.steps)
        return (
            "Soldering:" in cautions,
            "Heat melts" in cautions,
            "Look at every joint" in steps,
            "contacts flush" in steps,
        )

    assert (True, True, True, True) == words("lamp-changer-40")
    assert (True, True, True, False) == words("service-lead-9")
    assert (False, False, False, True) == words("floppy34-straight")
    assert (False, False, False, True) == words("8p8c-t568a-straight")
    assert (True, True, True, True) == words("ata80c-host-to-master-black")  # a link along the ribbon


def test_a_legend_says_what_stands_beside_a_pin_and_where_nothing_does() -> None:
    assert sheet("lamp-changer-40").legend == (
        "Inside a pin stands its number, outside the conductor and the signal; the square pin is pin 1, a "
        "grey one stays free."
    )
    assert "outside the wire and the signal" in sheet("service-lead-9").legend
    assert "the conductor, its ribbon before it, and the signal" in sheet("woven-40").legend
    assert sheet("midi-din5").legend.endswith(" Of round plugs the list has them.")


def test_cautions_name_what_can_hurt_and_what_proves_the_cable() -> None:
    told = " ".join(sheet("lamp-changer-40").cautions).lower()
    for word in (
        "unpowered",
        "fumes",
        "lead",
        "eye protection",
        "heat melts",
        "`pinwright scan lamp-changer-40`",
    ):
        assert word in told
    assert sheet("lamp-changer-40").steps[-1].startswith("Prove it with `pinwright scan lamp-changer-40`")


def test_every_text_that_a_file_chose_is_harmless() -> None:
    nasty = "\x1b[31m\u202e<b>"
    made = find_profile("lamp-changer-40", library_folders()).profile
    ends = tuple(
        replace(end, label=nasty, signals=dict.fromkeys(end.connector.pins, nasty)) for end in made.ends
    )
    named = tuple(replace(net, signal=nasty, common="") for net in made.nets)
    made = replace(
        made, title=nasty, revision=nasty, wire=nasty, ends=ends, nets=named, common={}, notes=(nasty,)
    )
    told = build_sheet(made, HASH, {}, nasty)
    texts: list[str] = []

    def gather(value: Any) -> None:
        if isinstance(value, str):
            texts.append(value)
        elif isinstance(value, Sequence):
            for inner in value:
                gather(inner)
        elif hasattr(value, "__dataclass_fields__"):
            for name in value.__dataclass_fields__:
                gather(getattr(value, name))

    gather(told)
    assert len(texts) > 200
    assert not [text for text in texts if "\x1b" in text or "\u202e" in text]
    assert "<U+001B>[31m<U+202E><b>" in told.title
