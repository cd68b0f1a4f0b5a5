"""The model of faulty cables, held against cases that were worked out by hand on paper."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import islice

import pytest

from pinwright import resources
from pinwright.cable.connectors import connector
from pinwright.cable.pins import parse_pin
from pinwright.cable.profile import Joined, Profile
from pinwright.library import read_profile

from . import faulty_cables as made
from .faulty_cables import Cable, Fault

LAMP, RAW, WOVEN, SERVICE = (
    f"workshop/{name}" for name in ("lamp-changer-40", "raw-ribbon-40", "woven-40", "service-lead-9")
)
PRINTER = "standard/printer-db25-to-mr36-18wire"


def the(name: str) -> Profile:
    return read_profile(resources.folder("profiles") / f"{name}.toml").profile


def pins(text: str):
    return tuple(map(parse_pin, text.split()))


def pin(text: str):
    return parse_pin(text)


def nets(name: str, *faults: Fault) -> set[str]:
    """What is measured: {"A.1 B.40", …}."""
    return {" ".join(map(str, net)) for net in made.nets_of(the(name), faults)}


def plug_fault(name: str, end: str, kind: str, how: str = "") -> Fault:
    (found,) = [
        fault
        for one in the(name).ends
        for fault in made.plug_faults(one)
        if fault.ends == (end,) and kind in fault.names and how in fault.how
    ]
    return found


def changes(name: str, *faults: Fault) -> tuple[set[str], set[str]]:
    """Nets that are gone, and nets that are new."""
    before, after = nets(name), nets(name, *faults)
    return before - after, after - before


def test_a_cable_to_which_nothing_was_done_has_the_nets_of_its_profile():
    profile = the(LAMP)
    assert 40 == len(profile.nets)
    assert tuple(net.pins for net in profile.nets) == made.nets_of(profile, [])
    assert Cable.of(profile, []).good


# Whole plugs. The lamp lead: conductors 1, 2, 3, … 40 of the socket meet pins 40, 1, 39, … 20 of the plug.


def test_a_dip_plug_turned_round_has_pin_1_where_pin_21_belongs():
    turned = nets(LAMP, plug_fault(LAMP, "B", "turned"))
    assert {"A.1 B.20", "A.2 B.21", "A.3 B.19", "A.39 B.1", "A.40 B.40"} <= turned
    assert 40 == len(turned)


def test_a_dip_plug_with_its_rows_exchanged_has_opposite_pins_exchanged():
    assert {"A.1 B.1", "A.2 B.40", "A.3 B.2", "A.39 B.20", "A.40 B.21"} <= nets(
        LAMP, plug_fault(LAMP, "B", "rows")
    )


def test_a_dip_plug_wired_from_the_wrong_side_runs_up_where_it_should_run_down():
    assert {"A.1 B.21", "A.2 B.20", "A.3 B.22", "A.39 B.40", "A.40 B.1"} <= nets(
        LAMP, plug_fault(LAMP, "B", "mirrored")
    )


@pytest.mark.parametrize(
    ("kind", "some"),
    [
        ("turned", {"A.1 B.40", "A.2 B.39", "A.20 B.21"}),
        ("rows", {"A.1 B.2", "A.2 B.1", "A.19 B.20", "A.40 B.39"}),
        ("mirrored", {"A.1 B.39", "A.2 B.40", "A.3 B.37", "A.20 B.22"}),
    ],
)
def test_a_crimped_socket_can_be_turned_and_mirrored_both_ways(kind, some):
    found = nets(RAW, plug_fault(RAW, "B", kind))
    assert some <= found
    assert 40 == len(found)


def test_a_socket_one_column_off_leaves_the_last_column_free():
    gone, new = changes(RAW, plug_fault(RAW, "B", "off", "column down"))
    assert 40 == len(gone)
    assert {f"A.{n} B.{n + 2}" for n in range(1, 39)} == new
    assert {f"A.{n} B.{n - 2}" for n in range(3, 41)} == changes(
        RAW, plug_fault(RAW, "B", "off", "column up")
    )[1]


def test_a_socket_one_row_off_has_one_row_on_the_other_and_one_free():
    """Seen into the socket, the even pins are at the left."""
    assert {f"A.{n} B.{n + 1}" for n in range(1, 40, 2)} == nets(RAW, plug_fault(RAW, "B", "off", "row left"))
    assert {f"A.{n} B.{n - 1}" for n in range(2, 41, 2)} == nets(
        RAW, plug_fault(RAW, "B", "off", "row right")
    )


def test_a_dip_plug_one_column_off_has_its_last_pins_beyond_the_socket():
    """Down: pin 1 in contact 2, pin 40 in contact 39; 20 and 21 in none. Off by a row it cannot be."""
    found = nets(LAMP, plug_fault(LAMP, "B", "off", "column down"))
    assert {"A.1 B.39", "A.2 B.2", "A.3 B.38", "A.38 B.20", "A.37 B.21"} <= found
    assert 38 == len(found)
    assert not any("A.39 " in net or "A.40 " in net for net in found)
    assert {"one column down", "one column up"} == set(made.shifts(connector("dip-40")))


@pytest.mark.parametrize("name", ["dsub-9-plug", "8p8c", "row-6", "din-5-180-plug", "micro-ribbon-36-plug"])
def test_what_has_a_shell_or_a_latch_cannot_be_beside_its_place(name):
    assert {} == made.shifts(connector(name))


@pytest.mark.parametrize(
    ("name", "kinds", "some"),
    [
        ("dsub-9-plug", {"mirrored"}, {"1": "5", "2": "4", "3": "3", "6": "9", "7": "8"}),
        ("din-5-180-plug", {"mirrored"}, {"1": "3", "4": "5", "2": "2"}),
        ("din-6-plug", {"mirrored"}, {"1": "5", "2": "4", "3": "3", "6": "6"}),
        ("xlr-3-socket", {"mirrored"}, {"1": "2", "2": "1", "3": "3"}),
        ("8p8c", {"turned", "mirrored"}, {"1": "8", "4": "5"}),
        ("trs", {"turned", "mirrored"}, {"T": "S", "R": "R", "S": "T"}),
        ("scart-plug", {"mirrored"}, {"1": "21", "2": "20", "11": "11"}),
    ],
)
def test_some_patterns_of_pins_have_one_symmetry_only(name, kinds, some):
    ((names, moves),) = made.symmetries(connector(name)).items()
    assert kinds == names
    assert some.items() <= moves.items()


def test_of_three_staggered_rows_the_outer_two_can_be_exchanged():
    """The middle one is half a pitch further out, so there is no other way."""
    ((names, moves),) = made.symmetries(connector("dsub-15hd-plug")).items()
    assert {"rows"} == names
    assert {"1": "11", "11": "1", "5": "15", "6": "6", "10": "10"}.items() <= moves.items()


def test_a_shell_stays_where_it_is():
    shelled = made.symmetries(connector("dsub-25-plug-shell"))
    assert {frozenset({"mirrored"})} == set(shelled)
    assert all("SHELL" not in moves for moves in shelled.values())


@pytest.mark.parametrize("name", ["idc-2x3", "header-2x8", "dip-16", "micro-ribbon-36-socket", "header-2x2"])
def test_two_equal_rows_have_three_symmetries(name):
    moves = made.symmetries(connector(name))
    assert {frozenset({kind}) for kind in ("turned", "rows", "mirrored")} == set(moves)
    assert all(set(to) == set(to.values()) == set(connector(name).pins) for to in moves.values())


def test_exchanged_ribbons_of_the_woven_lead_leave_their_own_pins_empty():
    """A has the odd pins and C the even ones; exchanged, A.1 is empty and C.1 leads to 40."""
    (fault,) = made.exchanges(the(WOVEN))
    assert ("A", "C") == fault.ends
    found = nets(WOVEN, fault)
    assert {"B.40 C.1", "A.2 B.1", "B.39 C.3", "A.40 B.20"} <= found
    assert 40 == len(found)


def test_exchanged_ends_of_a_straight_ribbon_change_nothing():
    profile = the(RAW)
    (fault,) = made.exchanges(profile)
    assert Cable.of(profile, [fault]).good


def test_another_cable_is_wired_as_its_own_profile():
    other = the("standard/ata40-straight")
    (fault,) = made.wrong_cables(the(RAW), [other, the(SERVICE), the(RAW)])
    assert ("wrong-cable", other.id) == (fault.kind, fault.how)
    assert ({"A.20 B.20"}, set()) == changes(RAW, fault)


# Runs and single contacts.


def test_a_slipped_run_leaves_its_first_contact_and_crowds_the_next():
    """Conductors 5 to 8 of the ribbon sit in contacts 6 to 9 of A."""
    beside = made.slipped(pins("A.5 A.6 A.7 A.8"), pin("A.9"))
    gone = {f"A.{n} B.{n}" for n in range(5, 10)}
    assert (gone, {"A.6 B.5", "A.7 B.6", "A.8 B.7", "A.9 B.8 B.9"}) == changes(RAW, beside)
    free = made.slipped(pins("A.5 A.6 A.7 A.8"), None)
    assert (gone - {"A.9 B.9"}, {"A.6 B.5", "A.7 B.6", "A.8 B.7"}) == changes(RAW, free)


def test_a_run_may_slip_onto_an_unused_contact_and_along_a_row():
    """The service lead: 2 3 4 of A, to 3 2 6 of B, go back, to the unused 1 and to 2 3; or on, to 3 4 5."""
    back = made.slipped(pins("A.4 A.3 A.2"), pin("A.1"))
    assert ({"A.2 B.3", "A.3 B.2", "A.4 B.6"}, {"A.1 B.3", "A.2 B.2", "A.3 B.6"}) == changes(SERVICE, back)
    assert back in {replace(fault, how=back.how) for fault in made.slips(the(SERVICE))}
    on = made.slipped(pins("A.2 A.3 A.4"), pin("A.5"))
    assert {"A.3 B.3", "A.4 B.2", "A.5 B.5 B.6"} == changes(SERVICE, on)[1]


def test_slips_follow_the_ribbon_and_the_rows_and_end_at_the_last_contact():
    found = list(made.slips(the(RAW)))
    runs = {tuple(map(str, fault.pins)) for fault in found}
    assert all(fault.moves[-1][1] is None for fault in found if fault.pins == pins("A.39 A.40"))
    assert {("A.1", "A.3"), ("A.1", "A.2"), ("B.40", "B.38"), ("A.39", "A.40")} <= runs
    assert ("A.1", "A.4") not in runs


def test_single_faults_do_to_the_nets_what_their_names_say():
    two = {"A.1 B.1", "A.2 B.2"}
    assert ({"A.1 B.1"}, set()) == changes(RAW, made.open_at(pin("A.1")))
    assert (two, {"A.1 A.2 B.1 B.2"}) == changes(RAW, made.bridge(*pins("A.1 A.2")))
    assert (two, {"A.1 B.2", "A.2 B.1"}) == changes(RAW, made.swap(*pins("B.1 B.2")))
    assert ({*two, "A.3 B.3"}, {"A.2 B.1", "A.3 B.2", "A.1 B.3"}) == changes(
        RAW, made.cycle(*pins("A.1 A.2 A.3"))
    )
    assert ({*two, "A.3 B.3"}, set()) == changes(RAW, made.open_run(*pins("B.1 B.2 B.3")))
    assert ({*two, "A.3 B.3"}, {"A.1 A.2 A.3 B.1 B.2 B.3"}) == changes(RAW, made.tied(*pins("B.1 B.2 B.3")))
    assert ({"A.2 B.3"}, {"A.9 B.3"}) == changes(SERVICE, made.moved(*pins("A.2 A.9")))
    assert ({"A.2 B.3"}, {"A.1 A.2 B.3"}) == changes(SERVICE, made.bridge(*pins("A.1 A.2")))


def test_faults_come_on_top_of_each_other_at_the_contacts_that_are_met():
    """The plug is turned, and then its contact 20 opened: that is where conductor 1 has come to."""
    turned = plug_fault(LAMP, "B", "turned")
    assert nets(LAMP, turned) - {"A.1 B.20"} == nets(LAMP, turned, made.open_at(pin("B.20")))
    twice = made.swap(*pins("B.1 B.2"))
    assert nets(LAMP) == nets(LAMP, twice, twice)


def test_one_conductor_may_feed_many_contacts():
    """The old printer lead: all grounds of an end hang on one conductor, and stay together without it."""
    ground = next(net.pins for net in the(PRINTER).nets if len(net.pins) > 2)
    at_a, at_b = (tuple(one for one in ground if one.end == end) for end in "AB")
    gone, new = changes(PRINTER, made.open_at(*at_a))
    assert {" ".join(map(str, ground))} == gone
    assert {" ".join(map(str, at_a)), " ".join(map(str, at_b))} == new
    assert made.open_at(*at_a) in list(made.opens(the(PRINTER)))


def test_two_pins_of_one_net_exchanged_are_no_fault_to_anybody():
    profile = the(PRINTER)
    assert Cable.of(profile, [made.swap(*pins("A.18 A.25"))]).good
    assert not Cable.of(profile, [made.swap(*pins("A.17 A.18"))]).good


def test_a_link_of_a_common_signal_is_good_where_it_may_be_and_bad_where_not():
    lamp = the(LAMP)
    link = made.bridge(*pins("A.1 A.3"))
    never, required = made.linked(lamp, Joined.NEVER), made.linked(lamp, Joined.REQUIRED)
    assert Cable.of(lamp, [link]).good
    assert never is not None
    assert not Cable.of(never, [link]).good
    assert not Cable.of(lamp, [made.bridge(*pins("A.1 A.2"))]).good
    assert not Cable.of(lamp, [made.bridge(*pins("A.1 A.37"))]).good
    assert required is not None
    assert Cable.of(required, []).good
    assert 40 - 9 + 1 == len(required.nets)
    assert None is made.linked(the(RAW), Joined.NEVER)


def test_links_that_are_missing_leave_every_conductor_whole():
    lamp = the(LAMP)
    whole = made.linked(lamp, Joined.REQUIRED)
    assert whole is not None
    apart, *some = made.conductors_apart(lamp, random.Random(1), 20)
    assert made.nets_of(lamp, []) == made.nets_of(whole, [apart])
    grounds = {net.pins for net in lamp.nets if net.common}
    for fault in some:
        for piece in made.nets_of(whole, [fault]):
            inside = [net for net in grounds if set(net) <= set(piece)]
            assert not inside or sum(map(len, inside)) == len(piece)


def test_a_story_may_count_on_links_that_are_optional_but_on_no_others():
    lamp = the(LAMP)
    linked = Cable.of(lamp, [made.bridge(*pins("A.1 A.3")), made.open_at(pin("A.5"))])
    assert made.gives(lamp, [made.open_at(pin("A.5"))], linked.nets)
    assert not made.gives(lamp, [], linked.nets)
    joined = Cable.of(lamp, [made.bridge(*pins("A.2 A.4"))])
    assert not made.gives(lamp, [], joined.nets)
    assert made.gives(lamp, joined.faults, joined.nets)


# Who is next to whom.


def test_neighbours_are_next_in_a_row_opposite_or_side_by_side_on_the_ribbon():
    assert {"3", "4", "6", "7"} == _next_to(RAW, "A", "5")
    assert {"2", "39", "40"} == _next_to(LAMP, "B", "1")  # conductors 40, 1, 39, 2 …
    assert {"1", "3", "38", "39"} == _next_to(LAMP, "B", "2")
    assert {"1", "3", "6", "7"} == _next_to(SERVICE, "A", "2")
    assert {"4", "5", "8"} == _next_to(SERVICE, "A", "9")


def _next_to(name: str, end: str, pin: str) -> set[str]:
    profile = the(name)
    (at,) = [one for one in profile.ends if one.name == end]
    pairs = [{one.name, other.name} for one, other in made.neighbours(profile, at)]
    return {other for pair in pairs if pin in pair for other in pair - {pin}}


def test_the_ribbon_of_a_dip_plug_is_that_of_the_other_end():
    lamp, woven = the(LAMP), the(WOVEN)
    assert ("40", "1", "39", "2") == made.ribbon(lamp, lamp.ends[1])[:4]
    assert ("40", "1", "39", "2") == made.ribbon(woven, woven.ends[1])[:4]
    assert tuple(map(str, range(1, 41))) == made.ribbon(lamp, lamp.ends[0])


# The generators.


def test_every_kind_of_fault_is_made_for_some_profile():
    names = (LAMP, RAW, WOVEN, SERVICE, PRINTER)
    library = [the(name) for name in (*names, "standard/ata40-straight")]
    chance = random.Random(1)
    found = {fault.kind for one in library for fault in made.single_faults(one, chance, library)}
    never = made.linked(library[0], Joined.NEVER)
    assert never is not None
    found |= {fault.kind for fault in made.links_extra(never, chance, 3)}
    assert set(made.KINDS) == found


def test_all_pairs_of_faults_are_there_and_none_twice():
    """Seven nets open; and whatever neighbours of nine at either end can be joined or exchanged."""
    service = the(SERVICE)
    kinds = made.of_pairs(service)
    assert 7 == sum(fault.kind == "open" for fault in kinds)
    assert len(kinds) == len({made.nets_of(service, [fault]) for fault in kinds})
    pairs = list(made.pairs(service))
    assert len(kinds) * (len(kinds) - 1) // 2 == len(pairs) == len(set(pairs))


def test_a_seed_makes_the_same_cables_again():
    def some(seed: int) -> list[tuple[Fault, ...]]:
        chance = random.Random(seed)
        found = made.geometric_and_more(the(LAMP), chance, [the(RAW)], slips=5, rounds=2)
        return [*found, *made.several(the(LAMP), chance, 20)]

    assert some(1) == some(1) != some(2)
    assert {1, 2, 3, 4} == {len(faults) for faults in some(1)[:-20]}
    assert {3, 4, 5, 6, 7, 8} >= {len(faults) for faults in some(1)[-20:]} > {3}


def test_small_faults_of_one_cable_do_not_touch_each_other():
    for faults in islice(made.several(the(RAW), random.Random(1), 50), 50):
        touched = [pin for fault in faults for pin in fault.pins]
        assert len(touched) == len(set(touched))


def test_small_faults_on_top_happen_to_what_is_there():
    """Pushed on one row to the left, every contact with an even number holds a conductor and no other one."""
    profile = the(RAW)
    off = plug_fault(RAW, "B", "off", "row left")
    mishaps = made.Mishaps(profile, random.Random(1))
    found = [fault for _ in range(60) for fault in mishaps.some(3, (off,))]
    assert {"open", "bridge", "swap", "moved"} <= {fault.kind for fault in found}
    for fault in found:
        full = [int(pin.name) % 2 == 0 for pin in fault.pins if pin.end == "B"]
        if fault.kind in ("open", "swap", "cycle"):
            assert all(full)
        elif fault.kind == "moved" and full:
            assert [True, False] == full
