"""Profiles from tables: what is understood, what is refused, and that nothing else ever happens."""

from __future__ import annotations

import copy
import datetime
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinwright.cable.pins import Pin
from pinwright.cable.profile import CONFIDENCE_TEXT, Confidence, Joined, Limit, Net, Origin, Profile
from pinwright.errors import ProfileError

Tables = dict[str, Any]


def lead(**tables: object) -> Tables:
    """A good profile, 40-way socket to DIP plug; tables replace or add to its own."""
    good: Tables = {
        "cable": {"id": "lead"},
        "ends": {"A": {"connector": "idc-2x20"}, "B": {"connector": "dip-40"}},
        "wiring": {"rule": "alternate", "first": "high"},
    }
    return copy.deepcopy(good | tables)


def named(a: Mapping[str, str], b: Mapping[str, str]) -> Tables:
    """The ends of `service`, with signal names."""
    return {
        "A": {"connector": "dsub-9-socket", "signals": a},
        "B": {"connector": "dsub-9-socket", "signals": b},
    }


def profile(**tables: Mapping[str, object]) -> Profile:
    return Profile.from_dict(lead(**tables))


def fault(tables: object) -> tuple[str, str]:
    with pytest.raises(ProfileError) as caught:
        Profile.from_dict(tables)  # type: ignore[arg-type]
    return caught.value.key, caught.value.problem


def words(net: Net) -> str:
    return " ".join(map(str, net.pins))


def test_what_a_short_profile_leaves_out_has_its_default() -> None:
    short = profile()
    assert ("lead", "", None, None) == (short.title, short.revision, short.length_mm, short.wire)
    assert (5.0, 100_000.0) == (short.max_ohms, short.min_leak_ohms)
    assert ("{id}-{n:04}", "lead-0007") == (short.serial, short.serial_for(7))
    assert ({}, {}, (), ()) == (short.common, short.limits, short.spare, short.notes)
    assert short.origin is None


def test_what_a_full_profile_says_is_kept() -> None:
    cable = {
        "id": "lamp-changer-40",
        "title": "Sequencer rack to lamp changer, 40-way",
        "revision": "B",
        "length_mm": 600,
        "wire": "28 AWG ribbon",
        "max_ohms": 4,
        "min_leak_ohms": 200_000,
        "serial": "HL40-{n:04}",
    }
    full = profile(cable=cable)
    assert cable == {key: getattr(full, key) for key in cable}
    assert "HL40-0123" == full.serial_for(123)


def test_pins_come_in_order_of_end_and_number_and_those_of_no_net_are_known() -> None:
    ends = {"B": {"connector": "dip-16"}, "A": {"connector": "idc-2x10"}}
    narrow = profile(ends=ends)
    assert [Pin("A", str(n)) for n in range(1, 21)] == list(narrow.pins()[:20])
    assert [Pin("B", str(n)) for n in range(1, 17)] == list(narrow.pins()[20:])
    assert [Pin("A", str(n)) for n in range(17, 21)] == list(narrow.unused())
    assert (
        "the plug has no contact for `A.17`, `A.18`, `A.19`, `A.20`: cut these conductors back",
    ) == narrow.spare


def test_wires_may_use_what_the_rule_leaves_and_then_it_is_not_spare() -> None:
    ends = {"B": {"connector": "dip-16"}, "A": {"connector": "idc-2x10"}, "C": {"connector": "row-4"}}
    wiring = {
        "rule": "straight",
        "from": "A",
        "to": "B",
        "wires": [["A.17", "C.1"], ["A.18", "A.19", "A.20", "C.2"]],
    }
    added = profile(ends=ends, wiring=wiring)
    assert (18, ()) == (len(added.nets), added.spare)
    assert "straight, from A to B + 2 explicit nets" == added.wiring_text


@pytest.mark.parametrize(
    ("wiring", "text"),
    [
        ({"rule": "straight"}, "straight"),
        ({"rule": "alternate", "first": "low"}, "alternate, first = low"),
        (
            {"rule": "alternate", "first": "low", "from": ["B"], "to": "A"},
            "alternate, first = low, from B to A",
        ),
        (
            {"rule": "paired-ground", "ground_pins": {"A": [2, "4"], "B": [20]}, "then": "straight"},
            "paired-ground, ground_pins = A.2 A.4 B.20, then = straight",
        ),
        ({"wires": [["A.1", "B.1"]]}, "1 explicit net"),
    ],
)
def test_the_wiring_is_told_in_one_line(wiring: Tables, text: str) -> None:
    assert text == profile(wiring=wiring).wiring_text


def test_a_net_takes_the_names_of_its_pins_in_order_of_the_ends() -> None:
    crossed = profile(
        ends=named({"2": "RXD", "3": "TXD", "5": "GND"}, {"3": "TXD", "2": "RXD", "5": "GND"}),
        wiring={"wires": [["B.3", "A.2"], ["A.3", "B.2"], ["B.5", "A.5"], ["A.9", "B.9"]]},
    )
    assert ["RXD/TXD", "TXD/RXD", "GND", ""] == [net.signal for net in crossed.nets]
    assert ["A.2 B.3", "A.3 B.2", "A.5 B.5", "A.9 B.9"] == [words(net) for net in crossed.nets]


@pytest.mark.parametrize("name", ["NC", "nc", "N/C", "n/c", "n.c.", "N.C.", "reserved", "Reserved", "", "-"])
def test_a_name_for_no_connection_never_joins_and_never_counts(name: str) -> None:
    signals = {"1": name, "2": name, "5": "GND"}
    ends = named(signals, signals)
    assert ["A.5 B.5"] == [words(net) for net in profile(ends=ends, wiring={"by_signal": True}).nets]


def test_a_rule_joins_pins_that_are_named_no_connection() -> None:
    signals = {"1": "NC", "2": "NC"}
    assert 9 == len(profile(ends=named(signals, signals), wiring={"rule": "straight"}).nets)


def test_a_name_without_a_partner_is_noted() -> None:
    lonely = profile(ends=named({"1": "DCD", "5": "GND"}, {"5": "GND"}), wiring={"by_signal": True})
    assert ("`A.1` carries `DCD`, but nothing joins it to another pin: it stays unused",) == lonely.notes


def test_a_pin_opposite_a_ground_pin_is_noted_unless_a_wire_takes_it() -> None:
    wiring: Tables = {"rule": "paired-ground", "ground_pins": {"A": [2], "B": [20]}, "then": "straight"}
    left = profile(wiring=wiring)
    assert (
        "`B.2` meets the ground pin `A.2` and is none itself: it stays unused",
        "`A.20` meets the ground pin `B.20` and is none itself: it stays unused",
    ) == left.notes
    assert () == profile(wiring=wiring | {"wires": [["A.20", "B.2"]]}).notes


GROUNDED = {
    "A": {"connector": "idc-2x20", "signals": {"1": "GND", "3": "GND", "5": "VLAMP"}},
    "B": {"connector": "dip-40"},
}


@pytest.mark.parametrize("joined", ["optional", "never"])
def test_conductors_of_a_common_signal_are_marked_with_its_name(joined: str) -> None:
    grounded = profile(ends=GROUNDED, common={"GND": {"joined": joined}})
    assert {"GND": Joined(joined)} == grounded.common
    assert ["A.1 B.40", "A.3 B.39"] == [words(net) for net in grounded.nets if net.common == "GND"]
    assert ["GND", "GND", "VLAMP"] == [net.signal for net in grounded.nets if net.signal]


def test_a_required_common_signal_is_one_net() -> None:
    grounded = profile(ends=GROUNDED, common={"GND": {"joined": "required"}})
    assert Net("GND", grounded.nets[0].pins, "") == grounded.nets[0]
    assert "A.1 A.3 B.39 B.40" == words(grounded.nets[0])
    assert 39 == len(grounded.nets)


def test_every_net_has_its_own_limits_the_strictest_of_its_signals() -> None:
    limits = {"TXD": {"max_ohms": 1.0}, "RXD": {"max_ohms": 2, "min_leak_ohms": 1_000_000}}
    crossed = profile(
        ends=named({"2": "RXD", "5": "GND"}, {"3": "TXD", "5": "GND"}),
        wiring={"wires": [["A.2", "B.3"], ["A.5", "B.5"]]},
        limits=limits,
    )
    assert {"TXD": Limit(1.0, 100_000.0), "RXD": Limit(2.0, 1_000_000.0)} == crossed.limits
    assert [Limit(1.0, 1_000_000.0), Limit(5.0, 100_000.0)] == [crossed.limit(net) for net in crossed.nets]


def test_equal_profiles_are_equal_whatever_the_order_of_their_tables() -> None:
    tables = lead(ends=GROUNDED, common={"GND": {"joined": "never"}})
    turned = {key: dict(reversed(table.items())) for key, table in reversed(tables.items())}
    assert Profile.from_dict(tables) == Profile.from_dict(turned)


@pytest.mark.parametrize(
    ("serial", "third"), [("{n}", "3"), ("{id}.{n:06}", "lead.000003"), ("X_{n:02}-{id}", "X_03-lead")]
)
def test_a_serial_follows_its_pattern(serial: str, third: str) -> None:
    assert third == profile(cable={"id": "lead", "serial": serial}).serial_for(3)


@pytest.mark.parametrize(
    "serial",
    [
        "",
        "{id}",
        "HL",
        "{n:>99999}",
        "{n:4}",
        "{n:099}",
        "{0}",
        "{}",
        "{n!r}",
        "{id.__class__}{n}",
        "{n}}",
        "{{n}}",
        "{id[0]}{n}",
        "{n:{id}}",
        "-{n}",
        ".{n}",
        "a b{n}",
        "a/{n}",
        "Ä{n}",
        "{n}\n",
        "x" * 60 + "{n}",
    ],
)
def test_a_serial_pattern_that_could_misbehave_is_refused(serial: str) -> None:
    assert "cable.serial" == fault(lead(cable={"id": "lead", "serial": serial}))[0]


@pytest.mark.parametrize("id", ["", "-a", "a_b", "a b", "ä", "a.b", "../a", "x" * 65, "a\n", 7, None, ["a"]])
def test_an_id_that_is_no_id_is_refused(id: object) -> None:
    assert "cable.id" == fault(lead(cable={"id": id}))[0]


@pytest.mark.parametrize("value", [True, 0, -1, float("nan"), float("inf"), 10**400, "5", None, [5], {}])
@pytest.mark.parametrize("key", ["length_mm", "max_ohms", "min_leak_ohms"])
def test_a_number_that_is_none_is_refused(key: str, value: object) -> None:
    where, problem = fault(lead(cable={"id": "lead", key: value}))
    assert (f"cable.{key}", "must be a number above 0") == (where, problem.partition(",")[0])


@pytest.mark.parametrize(
    ("char", "name"),
    [("\u202e", "U+202E"), ("\x1b", "U+001B"), ("\x00", "U+0000"), ("\n", "U+000A"), ("\u2066", "U+2066")],
)
@pytest.mark.parametrize("key", ["title", "revision", "wire", "id", "serial"])
def test_a_character_that_does_not_print_is_named(key: str, char: str, name: str) -> None:
    where, problem = fault(lead(cable={"id": "lead"} | {key: f"ab{char}c"}))
    assert (f"cable.{key}", f"character 3 is {name}, which does not print") == (where, problem)


def test_where_a_wiring_comes_from_is_kept() -> None:
    told = {"sources": ["a handbook", "a list"], "confidence": "agreed", "notes": ["pin 7 is the key"]}
    expected = Origin(("a handbook", "a list"), Confidence.AGREED, ("pin 7 is the key",))
    assert expected == profile(origin=told).origin


def test_what_is_from_memory_needs_no_source() -> None:
    assert Origin((), Confidence.MEMORY, ()) == profile(origin={"confidence": "memory"}).origin


def test_every_confidence_is_told_in_words() -> None:
    assert set(Confidence) == CONFIDENCE_TEXT.keys()
    assert len(Confidence) == len(set(CONFIDENCE_TEXT.values()))


@pytest.mark.parametrize("confidence", ["agreed", "single", "derived"])
@pytest.mark.parametrize("sources", [{}, {"sources": []}])
def test_what_is_not_from_memory_needs_a_source(confidence: str, sources: Tables) -> None:
    where, problem = fault(lead(origin={"confidence": confidence, **sources}))
    assert "origin.sources" == where
    assert problem.endswith(f"where `confidence` is `{confidence}`")


@pytest.mark.parametrize("value", [None, True, 5, float("nan"), 10**400, [], {}, "", "\n", " x", "x" * 301])
@pytest.mark.parametrize("key", ["sources", "notes"])
def test_a_source_or_note_that_is_no_text_is_refused_with_its_number(key: str, value: object) -> None:
    origin = {"sources": ["a handbook"], "confidence": "single"} | {key: ["good", value]}
    assert f"origin.{key}[2]" == fault(lead(origin=origin))[0]


@pytest.mark.parametrize(
    ("origin", "key", "problem"),
    [
        ([], "origin", "must be a table, not a list"),
        ({}, "origin.confidence", "is missing; give one of `agreed`, `single`, `derived`, `memory`"),
        (
            {"confidence": ["memory"]},
            "origin.confidence",
            "must be one of `agreed`, `single`, `derived`, `memory`, not a list",
        ),
        ({"confidence": "memory", "notes": {}}, "origin.notes", "must be a list of strings, not a table"),
    ],
)
def test_an_origin_that_is_none_is_refused(origin: object, key: str, problem: str) -> None:
    assert (key, problem) == fault(lead(origin=origin))


@pytest.mark.parametrize(
    ("tables", "key", "problem"),
    [
        ([], "", "must be a table, not a list"),
        ({5: {}}, "", "the keys of a table are strings, not `5`"),
        (lead(cable=[]), "cable", "must be a table, not a list"),
        (lead(cable={"id": datetime.date(2024, 1, 1)}), "cable.id", "must be a string, not a date"),
        (
            lead(**{"a\u202eb": {}}),
            '"a<U+202E>b"',
            "unknown key; known here: `cable`, `origin`, `ends`, `wiring`, `common`, `limits`",
        ),
        (
            lead(**{"": {}}),
            '""',
            "unknown key; known here: `cable`, `origin`, `ends`, `wiring`, `common`, `limits`",
        ),
        (
            lead(ends={"A-1": {}}),
            "ends.A-1",
            "an end is named by up to 16 capital letters and digits, a letter first",
        ),
        (
            lead(ends={"A": {"connector": "dip-\x1b40"}}),
            "ends.A.connector",
            "character 5 is U+001B, which does not print",
        ),
        (
            lead(ends={"A": {"connector": "dip-40", "signals": {"1": "x" * 41}}}),
            "ends.A.signals.1",
            "has 41 characters, at most 40 are possible",
        ),
        (
            lead(ends={f"E{n}": {"connector": "dip-64"} for n in range(65)}),
            "ends",
            "the ends have 4160 pins together, at most 4096 are possible",
        ),
        (
            lead(wiring={"rule": "alternate", "first": ["high"]}),
            "wiring.first",
            "must be one of `high`, `low`, not a list",
        ),
        (lead(wiring={"rule": "alternate", "first": "high", "from": "A"}), "wiring.to", "is missing"),
        (
            lead(wiring={"rule": "alternate", "first": "high", "from": "A", "to": "A"}),
            "wiring.from",
            "`alternate` runs from one end to another, not from `A` to `A`",
        ),
        (
            lead(wiring={"rule": "alternate", "first": "high", "from": [["A"]], "to": "B"}),
            "wiring.from",
            "must name an end (`A`, `B`), not a list",
        ),
        (
            lead(wiring={"rule": "paired-ground", "then": "straight", "ground_pins": {"A": [2]}}),
            "wiring.ground_pins",
            "must name two or more pins in all, not 1",
        ),
        (
            lead(wiring={"rule": "paired-ground", "then": "straight", "ground_pins": {"A": [2, "2"]}}),
            "wiring.ground_pins.A",
            "`A.2` is named twice",
        ),
        (
            lead(wiring={"rule": "paired-ground", "then": "straight", "ground_pins": {"A": [True]}}),
            "wiring.ground_pins.A",
            "must be a list of pins, not of `true`",
        ),
        (
            lead(wiring={"rule": "paired-ground", "then": "straight", "ground_pins": {"A": [-(10**5000)]}}),
            "wiring.ground_pins.A",
            "must be a list of pins, not of a huge number",
        ),
        (lead(wiring={"wires": [[1, 2]]}), "wiring.wires[1]", "must be a string, not `1`"),
    ],
)
def test_what_is_wrong_is_said_with_its_key(tables: object, key: str, problem: str) -> None:
    assert (key, problem) == fault(tables)


def test_a_likely_typing_error_gets_a_hint() -> None:
    with pytest.raises(ProfileError) as caught:
        profile(wiring={"rule": "alternate", "frist": "high"})
    assert "did you mean `first`?" == caught.value.hint


GOOD: tuple[Tables, ...] = (
    lead(ends=GROUNDED, common={"GND": {"joined": "optional"}}, limits={"VLAMP": {"max_ohms": 1.0}}),
    lead(
        cable={"id": "x", "serial": "{n}", "length_mm": 9, "wire": "w", "revision": "A"},
        ends=named({"2": "TXD", "3": "RXD", "9": "NC"}, {"3": "TXD", "2": "RXD"}),
        wiring={"by_signal": True, "wires": [["A.1", "B.1", "B.6"]]},
    ),
    lead(
        ends={"A": {"connector": "idc-2x5"}, "B": {"connector": "dip-20"}, "C": {"connector": "idc-2x5"}},
        wiring={
            "rule": "interleave",
            "numbering": "own",
            "lay": "alternate",
            "first": "low",
            "from": ["C", "A"],
            "to": "B",
        },
    ),
    lead(wiring={"rule": "paired-ground", "ground_pins": {"A": [2, 4], "B": [20]}, "then": "straight"}),
    lead(origin={"sources": ["a handbook"], "confidence": "single", "notes": ["the key is pin 7"]}),
)

KEYS = (
    "cable",
    "origin",
    "sources",
    "confidence",
    "notes",
    "ends",
    "wiring",
    "common",
    "limits",
    "id",
    "serial",
    "A",
    "B",
    "connector",
    "signals",
    "1",
    "GND",
    "rule",
    "first",
    "from",
    "to",
    "wires",
    "by_signal",
    "joined",
    "max_ohms",
    "ground_pins",
    "then",
    "",
)
WORDS = (
    "dip-4",
    "row-3",
    "A",
    "B",
    "A.1",
    "B.1",
    "GND",
    "NC",
    "straight",
    "alternate",
    "interleave",
    "paired-ground",
    "high",
    "low",
    "own",
    "shared",
    "optional",
    "required",
    "never",
    "agreed",
    "memory",
    "{n}",
    "{id}-{n:04}",
    "\u202e",
)

scalars = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(WORDS)
    | st.just(10**400)
    | st.dates()
    | st.binary(max_size=2)
)
keys = st.sampled_from(KEYS) | st.text(max_size=4)
anything = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys | scalars, inner, max_size=4),
    max_leaves=20,
)


def outcome(tables: object) -> Profile | ProfileError:
    try:
        return Profile.from_dict(tables)  # type: ignore[arg-type]
    except ProfileError as error:
        return error


def survives(tables: object) -> None:
    """Either a profile that keeps its promises, or a ProfileError that says something printable."""
    made = outcome(tables)
    if isinstance(made, ProfileError):
        assert made.message.isprintable()
        return
    used = [pin for net in made.nets for pin in net.pins]
    assert used
    assert len(used) == len(set(used))
    assert set(made.pins()) == {*used, *made.unused()}
    assert all(len(net.pins) >= 2 for net in made.nets)
    assert all(made.limit(net).max_ohms > 0 for net in made.nets)
    assert made.serial_for(1) != made.serial_for(2)


@given(anything)
def test_arbitrary_tables_give_a_profile_or_a_profile_error(tables: object) -> None:
    survives(tables)


@given(st.fixed_dictionaries({"cable": anything, "ends": anything, "wiring": anything}))
def test_arbitrary_tables_in_the_right_places_give_a_profile_or_a_profile_error(tables: object) -> None:
    survives(tables)


def places(tables: object, at: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    """The path of every value in nested tables and lists."""
    items = (
        tables.items() if isinstance(tables, dict) else enumerate(tables) if isinstance(tables, list) else ()
    )
    return [path for key, value in items for path in ((*at, key), *places(value, (*at, key)))]


@settings(max_examples=400)
@given(st.data())
def test_a_good_profile_changed_anywhere_gives_a_profile_or_a_profile_error(data: st.DataObject) -> None:
    tables = copy.deepcopy(data.draw(st.sampled_from(GOOD)))
    for _ in range(data.draw(st.integers(1, 3))):
        *way, last = data.draw(st.sampled_from(places(tables)))
        spot: Any = tables
        for key in way:
            spot = spot[key]
        match data.draw(st.sampled_from(["replace", "remove", "rename"])):
            case "remove":
                del spot[last]
            case "rename" if isinstance(spot, dict):
                spot[data.draw(keys)] = spot.pop(last)
            case _:
                spot[last] = data.draw(scalars | anything)
        if not tables:
            break
    survives(tables)


@given(
    st.dictionaries(
        st.sampled_from([str(n) for n in range(1, 10)]), st.sampled_from(["D0", "D1", "GND", "NC"])
    ),
    st.dictionaries(
        st.sampled_from([str(n) for n in range(1, 10)]), st.sampled_from(["D0", "D1", "GND", "NC"])
    ),
    st.sampled_from(["required", "optional", "never", ""]),
    st.booleans(),
    st.booleans(),
)
def test_whatever_names_and_rules_give_the_promises_of_common_hold(
    a: dict[str, str], b: dict[str, str], joined: str, ruled: bool, by_signal: bool
) -> None:
    tables = lead(ends=named(a, b), wiring={"by_signal": by_signal} | ({"rule": "straight"} if ruled else {}))
    if joined:
        tables["common"] = {"GND": {"joined": joined}}
    made = outcome(tables)
    if isinstance(made, ProfileError):
        return
    grounds = [pin for end in made.ends for pin in end.pins() if end.signals.get(pin.name) == "GND"]
    nets = [net for net in made.nets if not set(grounds).isdisjoint(net.pins)]
    if joined == "required" and len(grounds) > 1:
        assert 1 == len(nets)
        assert set(grounds) <= set(nets[0].pins)
    if joined in ("optional", "never"):
        assert all("GND" == net.common == net.signal for net in nets)
