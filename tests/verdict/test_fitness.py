"""What a salvaged ribbon serves for: never more than any half of it will do.

The other opinion: a ribbon is cut, a lead is made of the half that has all the flaws, and `compare` judges
the lead as if it had been scanned.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.library import find_profile, library_folders, library_profiles
from pinwright.tester.measurement import Measurement
from pinwright.verdict.facts import Facts, compare
from pinwright.verdict.findings import explain
from pinwright.verdict.fitness import KEYS, STATES, Fitness, Lead, fitness, is_raw
from pinwright.verdict.resistances import Leak, Link, Resistances

LIBRARY = library_profiles(library_folders())
RAW = find_profile("raw-ribbon-40", library_folders()).profile
LAMP = next(one for one in LIBRARY if one.id == "lamp-changer-40")
GROUNDS = (1, 3, 9, 14, 19, 24, 28, 33, 40)  # of the lamp changer's lead
ANOTHER_RIBBON = "ata80c-host-to-master-black"  # it has 80 conductors

Joins = Sequence[Sequence[int]]


def a(number: int) -> Pin:
    return Pin("A", str(number))


def b(number: int) -> Pin:
    return Pin("B", str(number))


def measured(cut: Iterable[int] = (), tied: Joins = (), groups: Iterable[Sequence[Pin]] = ()) -> Facts:
    """A ribbon with these conductors open and those joined at end A; groups: what else is joined."""
    pairs = [(a(n), b(n)) for n in range(1, 41) if n not in {*cut}]
    joined = (*pairs, *(tuple(map(a, group)) for group in tied), *map(tuple, groups))
    pins = frozenset((*RAW.pins(), *(pin for group in groups for pin in group)))
    return compare(RAW, Measurement(pins, joined))


def told(facts: Facts) -> Fitness:
    found = fitness(RAW, facts, (), LIBRARY)
    assert found
    return found


def lead(found: Fitness, id: str) -> Lead:
    return next(one for one in found.leads if one.id == id)


def serves(found: Fitness) -> dict[str, tuple[str, ...]]:
    return {one.id: one.ends for one in found.serves}


def test_raw_material_is_known_by_what_it_is() -> None:
    assert {"raw-ribbon-40", "straight-34"} == {one.id for one in LIBRARY if is_raw(one)}


def test_of_a_cable_that_is_no_raw_material_nothing_is_said() -> None:
    profile = find_profile("lamp-changer-40", library_folders()).profile
    facts = compare(profile, Measurement(frozenset(profile.pins()), ()))
    assert fitness(profile, facts, (), LIBRARY) is None


def test_a_ribbon_that_is_not_plugged_in_serves_for_nobody_knows_what() -> None:
    facts = measured(cut=range(1, 41))
    findings = explain(RAW, facts)
    assert "absent" == findings[0].kind
    assert fitness(RAW, facts, findings, LIBRARY) is None


def test_a_good_ribbon_serves_for_every_lead_that_has_its_plug() -> None:
    found = told(measured())
    assert ("as raw material: all 40 conductors are fit", ()) == (found.text, found.flaws)
    assert {
        "ata40-straight": ("A", "B"),
        "idc-dip40-plug-pin1-on-wire1": ("A",),
        "idc-dip40-plug-pin1-on-wire2": ("A",),
        "lamp-changer-40": ("A",),
        "woven-40": ("A", "C"),
    } == serves(found)
    assert ("ends A and B: has another ribbon, with more conductors than pins",) == lead(
        found, ANOTHER_RIBBON
    ).why_not


def test_a_blind_key_position_is_told_from_a_cut_conductor() -> None:
    found = told(measured(cut=[7, 20]))
    assert [("open", (7,)), ("key", (20,))] == [(flaw.state, flaw.conductors) for flaw in found.flaws]
    assert "conductor 7 is open: cut, or without contact at one of its ends" == found.flaws[0].text
    assert "where many plugs of 40 ways are blind, for a key" in found.flaws[1].text
    assert (a(20), b(20)) == found.flaws[1].pins
    assert 38 == len(found.fit)


def test_a_key_is_in_nobody_s_way_who_does_not_use_it() -> None:
    found = told(measured(cut=[20]))
    assert {"ata40-straight": ("A", "B"), "woven-40": ("A",)} == serves(found)
    assert ("end C: conductor 20 open, perhaps by a key",) == lead(found, "woven-40").why_not
    assert ("end A: conductor 20 open, perhaps by a key",) == lead(found, "lamp-changer-40").why_not


def test_grounds_tied_in_a_plug_serve_where_the_lead_may_have_them_tied() -> None:
    found = told(measured(tied=[GROUNDS]))
    assert [("tied", GROUNDS)] == [(flaw.state, flaw.conductors) for flaw in found.flaws]
    assert {"lamp-changer-40": ("A",)} == serves(found)
    (why_not,) = lead(found, "ata40-straight").why_not
    assert why_not.startswith("ends A and B: conductors 1, 3, 9, 14, 19, 24, 28, 33 and 40 tied")


def test_a_signal_among_tied_grounds_serves_no_lead() -> None:
    assert {} == serves(told(measured(tied=[(*GROUNDS, 2)])))


def test_a_tied_conductor_that_the_lead_leaves_free_is_in_its_way() -> None:
    found = told(measured(tied=[(19, 20)]))
    assert ("ends A and B: conductor 19 bridged to conductor 20, which must be free",) == lead(
        found, "ata40-straight"
    ).why_not


def test_two_that_the_lead_leaves_free_must_be_apart_too() -> None:
    (why_not,) = lead(told(measured(tied=[(1, 3)])), "woven-40").why_not[1:]
    assert "end C: conductors 1 and 3 bridged, which must be free" == why_not


def test_a_bridge_reads_as_a_leak_too_and_is_told_once() -> None:
    facts = measured(tied=[GROUNDS])
    leaks = tuple(Leak((), (a(n), b(n)), 0.3, 1e5, False) for n in GROUNDS)
    found = told(replace(facts, resistances=Resistances((), leaks)))
    assert ["tied"] == [flaw.state for flaw in found.flaws]
    assert {"lamp-changer-40": ("A",)} == serves(found)


def test_bad_joints_and_leaks_are_flaws() -> None:
    links = (
        Link("", a(5), (b(5),), 14.0, 3.9, 5.0, 13.9, False),
        Link("", a(6), (b(6),), 0.1, 3.9, 5.0, 0.0, True),
    )
    leaks = (
        Leak((), (a(8), b(8)), 41_000.0, 1e5, False),
        Leak((), (a(9), b(9)), 200_000.0, 1e5, True),
    )
    found = told(replace(measured(), resistances=Resistances(links, leaks)))
    assert [
        ("leaking", (8,), "conductor 8 leaks: 41 kΩ to the others"),
        ("resistive", (5,), "conductor 5 has a bad joint: 14.0 Ω"),
    ] == [(flaw.state, flaw.conductors, flaw.text) for flaw in found.flaws]
    assert ("end A: conductor 8 leaking; conductor 5 with a bad joint",) == lead(
        found, "lamp-changer-40"
    ).why_not
    assert ("end A: conductor 5 with a bad joint", "end C: conductor 8 leaking") == lead(
        found, "woven-40"
    ).why_not


def test_a_contact_in_doubt_is_no_fit_conductor() -> None:
    pairs = tuple((a(n), b(n)) for n in range(1, 41) if n != 4)
    facts = compare(RAW, Measurement(frozenset(RAW.pins()), pairs, ((a(4), b(4)),)))
    found = told(facts)
    assert [("unsteady", (4,))] == [(flaw.state, flaw.conductors) for flaw in found.flaws]
    assert 4 not in found.fit


def test_a_plug_on_backwards_leaves_no_conductor_to_count_on() -> None:
    facts = measured(cut=range(1, 41), groups=[(a(n), b(41 - n)) for n in range(1, 41)])
    found = told(facts)
    assert [("misplaced", 40)] == [(flaw.state, len(flaw.conductors)) for flaw in found.flaws]
    assert found.flaws[0].text.endswith("A.1 to B.40, A.2 to B.39, A.3 to B.38, and 37 more")
    assert {} == serves(found)
    assert "as raw material: none of 40 conductors are fit" == found.text


def test_what_is_joined_to_the_tester_s_own_positions_is_not_fit() -> None:
    found = told(measured(groups=[(a(4), Pin("@S1", "7"))]))
    assert [("bridged", (4,))] == [(flaw.state, flaw.conductors) for flaw in found.flaws]
    assert ("end A: conductor 4 joined to something else",) == lead(found, "lamp-changer-40").why_not


def test_what_is_joined_elsewhere_on_the_tester_is_none_of_its_flaws() -> None:
    """It fails the scan; the ribbon is as good as it was."""
    found = told(measured(groups=[(Pin("@S1", "3"), Pin("@S1", "4"))]))
    assert ((), 40) == (found.flaws, len(found.fit))


def test_what_is_good_enough_for_the_ribbon_may_not_be_for_a_lead() -> None:
    """VLAMP, conductor 38, may have 1 Ω; what the tester adds to a limit counts there too."""
    (strict,) = [net for net in LAMP.nets if a(38) in net.pins]
    assert (5.0, 1.0) == (RAW.max_ohms, LAMP.limit(strict).max_ohms)
    links = (Link("", a(38), (b(38),), 5.5, 3.9, 8.9, 0.0, True),)
    leaks = (Leak((), (a(4), b(4)), 200_000.0, 1e5, True),)
    found = told(replace(measured(), resistances=Resistances(links, leaks)))
    assert () == found.flaws
    assert ("end A: conductor 38 with more resistance than its links may have",) == lead(
        found, LAMP.id
    ).why_not
    assert "ata40-straight" in serves(found)
    careful = replace(LAMP, min_leak_ohms=1e6, limits={})
    known = fitness(RAW, replace(measured(), resistances=Resistances((), leaks)), (), [careful])
    assert ("end A: conductor 4 leaking more than the lead may",) == lead(known, LAMP.id).why_not


@pytest.mark.parametrize("ways", sorted(KEYS))
def test_keys_are_positions_of_plugs_that_there_are(ways: int) -> None:
    assert all(1 <= position <= ways for position in KEYS[ways])


def of_the_half(lead: Profile, end: str, cut: Iterable[int], tied: Joins) -> Facts:
    """The lead, good but for this end, which is a plug with these flaws."""
    bad = {Pin(end, str(n)) for n in cut}
    joined = [tuple(pin for pin in net.pins if pin not in bad) for net in lead.nets]
    joined += [tuple(Pin(end, str(n)) for n in group) for group in tied]
    groups = tuple(group for group in joined if len(group) > 1)
    return compare(lead, Measurement(frozenset(lead.pins()), groups))


@given(st.randoms(use_true_random=False))
def test_a_lead_is_served_if_and_only_if_it_would_pass_with_the_worse_half(chance: random.Random) -> None:
    """All flaws are in one half here, so what that half fails, the ribbon does not serve for."""
    cut = chance.sample(range(1, 41), chance.choice([0, 0, 1, 2]))
    left = [n for n in range(1, 41) if n not in cut]
    tied: list[list[int]] = []
    for _ in range(chance.choice([0, 1, 1, 2])):
        pool = chance.choice([left, [n for n in GROUNDS if n in left], [n for n in left if n > 35]])
        group = chance.sample(pool, min(len(pool), chance.choice([2, 2, 3, 8])))
        tied.append(group)
        left = [n for n in left if n not in group]
    tied = [group for group in tied if len(group) > 1]
    found = told(measured(cut, tied))
    for one in LIBRARY:
        for end in one.ends:
            if end.connector == RAW.ends[0].connector and one.id not in (RAW.id, ANOTHER_RIBBON):
                good = of_the_half(one, end.name, cut, tied).continuous
                assert good == (end.name in lead(found, one.id).ends), (one.id, end.name, cut, tied)


def test_every_state_has_words() -> None:
    facts = measured(cut=[7, 20], tied=[(1, 2, 3), (10, 11)])
    assert {flaw.state for flaw in told(facts).flaws} <= STATES.keys()
