"""Findings cover every fact, say swaps first, and name the pins they are about."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.profile import Profile
from pinwright.tester.measurement import Measurement
from pinwright.verdict.facts import Facts, compare
from pinwright.verdict.findings import explain
from pinwright.verdict.resistances import Leak, Link, Resistances
from pinwright.verdict.words import KINDS, Finding

PINS = tuple(Pin(end, str(number)) for end in "AB" for number in range(1, 15))
SPARE = (Pin("@J2", "1"), Pin("@J2", "2"))
TESTED = frozenset((*PINS, *SPARE))


def cable(wires: Sequence[Sequence[str]], signals: dict[str, str] | None = None, **common: str) -> Profile:
    ends = {end: {"connector": "row-14", "signals": signals or {}} for end in "AB"}
    return Profile.from_dict(
        {
            "cable": {"id": "x"},
            "ends": ends,
            "wiring": {"wires": [list(wire) for wire in wires]},
            "common": {name: {"joined": joined} for name, joined in common.items()},
        }
    )


PAIRS = [[f"A.{n}", f"B.{n}"] for n in range(1, 7)]
STAR = ["A.8", "A.9", "B.8"]
PLAIN = cable([*PAIRS, STAR])
NAMED = cable([*PAIRS, STAR], {"1": "CLOCK", "2": "DATA", "3": "READY", "8": "GND"})
GROUNDS = cable(PAIRS, {"1": "GND", "2": "GND", "3": "CLOCK"}, GND="optional")
GOOD = [" ".join(wire) for wire in [*PAIRS, STAR]]


def pins(text: str) -> tuple[Pin, ...]:
    return tuple(parse_pin(word) for word in text.split())


def facts(profile: Profile, groups: Sequence[str], doubtful: Sequence[str] = ()) -> Facts:
    pairs = tuple((one, other) for one, other in map(pins, doubtful))
    return compare(profile, Measurement(TESTED, tuple(map(pins, groups)), pairs))


def told(profile: Profile, groups: Sequence[str], doubtful: Sequence[str] = ()) -> list[tuple[str, str]]:
    return [(found.kind, found.text) for found in explain(profile, facts(profile, groups, doubtful))]


def test_a_good_cable_has_no_findings() -> None:
    assert () == explain(PLAIN, facts(PLAIN, GOOD))


SWAP = ["A.1 B.2", "A.2 B.1", *GOOD[2:]]
SWAP_TEXT = "A.1–B.1 and A.2–B.2 are exchanged: A.1 belongs with B.1 and A.2 with B.2, but they are crossed"


@pytest.mark.parametrize(
    ("profile", "groups", "doubtful", "expected"),
    [
        (PLAIN, SWAP, (), [("swap", SWAP_TEXT)]),
        (
            PLAIN,
            ["A.1 A.2", "B.1 B.2", *GOOD[2:]],
            (),
            [
                ("open", "open between A.1 and B.1"),
                ("open", "open between A.2 and B.2"),
                ("short", "wrongly joined: A.1 and A.2"),
                ("short", "wrongly joined: B.1 and B.2"),
            ],
        ),
        (NAMED, SWAP, (), [("swap", SWAP_TEXT.replace("A.1–B.1 and A.2–B.2", "CLOCK and DATA"))]),
        (GROUNDS, SWAP[:-1], (), [("swap", SWAP_TEXT)]),
        (PLAIN, GOOD[1:], (), [("open", "open between A.1 and B.1")]),
        (NAMED, GOOD[1:], (), [("open", "CLOCK is open between A.1 and B.1")]),
        (
            PLAIN,
            [*GOOD[:-1], "A.8 A.9"],
            (),
            [("open", "A.8–A.9–B.8 is open: it is in 2 pieces, A.8 and A.9 / B.8")],
        ),
        (PLAIN, [*GOOD, "A.1 A.2"], (), [("short", "wrongly joined: A.1, A.2, B.1 and B.2")]),
        (NAMED, [*GOOD, "A.1 A.2"], (), [("short", "CLOCK and DATA are joined: A.1, A.2, B.1 and B.2")]),
        (
            PLAIN,
            [*GOOD, "A.1 A.12 @J2.1"],
            (),
            [("short", "wrongly joined: A.1, A.12, B.1 and @J2.1; nothing should be on A.12 and @J2.1")],
        ),
        (
            PLAIN,
            GOOD[1:],
            ["A.1 B.1"],
            [("intermittent", "A.1–B.1 conducts in some looks and not in others: A.1 / B.1")],
        ),
        (
            PLAIN,
            GOOD,
            ["A.1 A.2"],
            [("intermittent", "wrongly joined in some looks and not in others: A.1, A.2, B.1 and B.2")],
        ),
        # a firm short stays one, though a contact of a net in it is unsteady
        (
            PLAIN,
            [*GOOD[1:], "A.1 A.2"],
            ["A.1 B.1"],
            [
                ("short", "wrongly joined: A.1, A.2, B.1 and B.2"),
                ("intermittent", "A.1–B.1 conducts in some looks and not in others: A.1 / B.1"),
            ],
        ),
        # an open stays one, though both its pins touch other things now and then
        (
            PLAIN,
            GOOD[1:],
            ["A.1 A.2", "B.1 B.3"],
            [
                ("open", "open between A.1 and B.1"),
                ("intermittent", "wrongly joined in some looks and not in others: A.1, A.2 and B.2"),
                ("intermittent", "wrongly joined in some looks and not in others: A.3, B.1 and B.3"),
            ],
        ),
        (
            PLAIN,
            GOOD[1:],
            ["A.1 A.2", "B.2 B.1"],
            [
                ("intermittent", "A.1–B.1 conducts in some looks and not in others: A.1 / B.1"),
                ("intermittent", "wrongly joined in some looks and not in others: A.1, A.2, B.1 and B.2"),
            ],
        ),
    ],
)
def test_what_is_said_of_small_faults(
    profile: Profile, groups: list[str], doubtful: list[str], expected: list[tuple[str, str]]
) -> None:
    assert expected == told(profile, groups, doubtful)


@pytest.mark.parametrize(
    "others",
    [
        GOOD[3:],
        [*GOOD[3:], "A.3 B.3 A.12"],
        [*GOOD[3:], "A.3 B.3", "A.4 A.5"],
        ["A.3 B.4", "A.4 B.3", *GOOD[4:]],
        GOOD[4:-1],
    ],
)
def test_a_swap_is_recognised_and_comes_first_whatever_else_is_wrong(others: list[str]) -> None:
    found = explain(PLAIN, facts(PLAIN, [*SWAP[:2], *others]))
    assert ("swap", SWAP_TEXT) == (found[0].kind, found[0].text)
    assert pins("A.1 A.2 B.1 B.2") == found[0].pins
    assert len(found) > 1


def test_following_the_remedy_of_a_swap_heals_the_cable() -> None:
    crossed = ["A.1 B.2", "A.2 B.1"]
    (found,) = explain(PLAIN, facts(PLAIN, [*crossed, *GOOD[2:]]))
    remedy = "at A.1 and A.2, or at B.1 and B.2"
    assert remedy in found.remedy
    for pair in remedy.removeprefix("at ").split(", or at "):
        one, other = pair.split(" and ")
        turned = {one: other, other: one}
        healed = [" ".join(turned.get(pin, pin) for pin in group.split(" ")) for group in crossed]
        assert facts(PLAIN, [*healed, *GOOD[2:]]).passed


def test_every_swap_of_several_is_told_once() -> None:
    crossed = ["A.1 B.2", "A.2 B.1", "A.3 B.4", "A.4 B.3", "A.5 B.6", "A.6 B.5", GOOD[-1]]
    found = explain(PLAIN, facts(PLAIN, crossed))
    assert ["swap"] * 3 == [finding.kind for finding in found]
    assert [pins("A.1 A.2 B.1 B.2"), pins("A.3 A.4 B.3 B.4"), pins("A.5 A.6 B.5 B.6")] == [
        f.pins for f in found
    ]


@pytest.mark.parametrize(
    "groups",
    [
        ["A.1 B.2", "A.2 B.3", "A.3 B.1", *GOOD[3:]],  # a ring of three
        ["A.1 B.2", *GOOD[2:]],  # half a swap
    ],
)
def test_what_only_looks_like_a_swap_is_not_called_one(groups: list[str]) -> None:
    assert "swap" not in {kind for kind, _ in told(PLAIN, groups)}


def test_the_pins_of_a_large_short_are_all_named() -> None:
    (found,) = explain(PLAIN, facts(PLAIN, [*GOOD, " ".join(f"A.{n}" for n in range(1, 7))]))
    assert "6 nets are joined: A.1, A.2, A.3, A.4, A.5, A.6, B.1, B.2, B.3, B.4, B.5 and B.6" == found.text
    assert 12 == len(found.pins)


def test_what_came_off_a_large_net_is_named_and_the_rest_is_counted() -> None:
    net = [f"{end}.{n}" for end in "AB" for n in range(1, 8)]
    bus = cable([net], dict.fromkeys("1234567", "GND"))
    (found,) = explain(bus, facts(bus, [" ".join(net[:12])]))
    assert "GND is open: it is in 3 pieces, B.6 / B.7 / the other 12 pins" == found.text
    assert 14 == len(found.pins)


GROUPS = st.lists(
    st.lists(st.sampled_from(PINS[:10] + PINS[14:24] + SPARE), min_size=2, max_size=3), max_size=9
)
DOUBTS = st.lists(st.tuples(*[st.sampled_from(PINS)] * 2).filter(lambda pair: pair[0] != pair[1]), max_size=4)


@given(
    st.sampled_from([PLAIN, NAMED, GROUNDS]),
    st.permutations([f"B.{n}" for n in range(1, 7)]),
    st.integers(0, 6),
    GROUPS,
    DOUBTS,
)
def test_every_pin_of_every_fact_appears_in_a_finding(
    profile: Profile, plug: list[str], crossed: int, groups: list[list[Pin]], doubtful: list[tuple[Pin, Pin]]
) -> None:
    """Whatever a cable is like: mostly crossed conductors, with shorts, opens and doubts."""
    conductors = [(Pin("A", str(n)), parse_pin(pin)) for n, pin in enumerate(plug[:crossed], 1)]
    seen = compare(profile, Measurement(TESTED, (*conductors, *map(tuple, groups)), tuple(doubtful)))
    found = explain(profile, seen)
    assert bool(found) == bool(seen.missing or seen.extra)
    covered = {pin for finding in found for pin in finding.pins}
    wrong = [*(fact.net.pins for fact in seen.missing), *(fact.pins for fact in seen.extra)]
    assert covered >= {pin for piece in wrong for pin in piece}
    for finding in found:
        check_form(finding)
    kinds = [finding.kind for finding in found]
    assert kinds == sorted(kinds, key=list(KINDS).index)


def check_form(finding: Finding) -> None:
    assert finding.remedy.endswith(".")
    assert len(finding.pins) == len(set(finding.pins)) >= 2
    in_short = "neighbours of end" in finding.text or (
        finding.kind == "swap" and ("are crossed" not in finding.text or len(finding.pins) > 4)
    )
    if len(finding.pins) <= 10 and finding.kind in ("swap", "open", "short", "intermittent") and not in_short:
        words = re.split(r"[ ,;:–]+", finding.text)
        assert {str(pin) for pin in finding.pins} <= set(words), finding.text


def test_an_end_at_which_nothing_conducts_is_said_to_be_absent_and_its_conductors_are_not_told() -> None:
    (found,) = explain(PLAIN, facts(PLAIN, []))
    assert ("absent", "nothing conducts at any end: is it plugged in?") == (found.kind, found.text)
    assert len(found.pins) == sum(len(net.pins) for net in PLAIN.nets)


def test_a_fault_between_other_ends_is_told_beside_an_absent_end() -> None:
    three = Profile.from_dict(
        {
            "cable": {"id": "x", "title": "x"},
            "ends": {end: {"connector": "row-4"} for end in "ABC"},
            "wiring": {"wires": [[f"{end}.{n}" for end in "ABC"] for n in range(1, 5)]},
        }
    )
    seen = compare(
        three,
        Measurement(
            frozenset(Pin(end, str(n)) for end in "ABC" for n in range(1, 5)),
            tuple((Pin("A", str(n)), Pin("B", str(n))) for n in range(2, 5)),
        ),
    )
    first, second = explain(three, seen)
    assert ("absent", "nothing conducts at end C: is it plugged in?") == (first.kind, first.text)
    assert "open" == second.kind
    assert {Pin("A", "1"), Pin("B", "1")} == set(second.pins)


def test_two_open_conductors_are_no_absent_plug() -> None:
    assert "absent" not in {found.kind for found in explain(PLAIN, facts(PLAIN, GOOD[2:]))}


def measured(found: Facts, links: Sequence[Link] = (), leaks: Sequence[Leak] = ()) -> Facts:
    return replace(found, resistances=Resistances(tuple(links), tuple(leaks)))


def link(start: str, to: str, ohms: float, *, over: float | None = None, signal: str = "") -> Link:
    return Link(signal, parse_pin(start), pins(to), ohms, 4.0, 5.0, over, ok=False)


def leak(names: str, ohms: float, *signals: str, ok: bool = False) -> Leak:
    return Leak(signals, pins(names), ohms, 1e5, ok)


RESISTANCES = {
    "a joint far above the others": (
        [link("A.1", "B.1", 12.0, over=11.8, signal="CLOCK")],
        [],
        [
            "CLOCK, A.1 to B.1 measures 12.0 Ω ± 4.0 Ω, 11.8 Ω above the median of the cable's links (3 Ω "
            "may be); the limit is 5.0 Ω"
        ],
    ),
    "a joint above its limit only": (
        [link("A.1", "B.1", 12.0, over=2.0)],
        [],
        ["A.1 to B.1 measures 12.0 Ω ± 4.0 Ω; the limit is 5.0 Ω"],
    ),
    "a leak": (
        [],
        [leak("A.1 B.1", 41e3)],
        ["A.1–B.1 leaks: 41 kΩ to everything else; the limit is 100 kΩ"],
    ),
    "a leak of a named net": (
        [],
        [leak("A.1 B.1", 41e3, "CLOCK")],
        ["CLOCK (A.1–B.1) leaks: 41 kΩ to everything else; the limit is 100 kΩ"],
    ),
    "two that are alike": (
        [],
        [leak("A.1 B.1", 41e3), leak("A.2 B.2", 43e3)],
        ["A.1–B.1 and A.2–B.2 leak, to each other it seems: 42 kΩ; the limit is 100 kΩ"],
    ),
    "two that are not": (
        [],
        [leak("A.1 B.1", 41e3), leak("A.2 B.2", 82e3)],
        [
            "A.1–B.1 leaks: 41 kΩ to everything else; the limit is 100 kΩ",
            "A.2–B.2 leaks: 82 kΩ to everything else; the limit is 100 kΩ",
        ],
    ),
    "a leak that may be": ([], [leak("A.1 B.1", 410e3, ok=True)], []),
}  # fmt: skip


@pytest.mark.parametrize(("links", "leaks", "texts"), RESISTANCES.values(), ids=RESISTANCES)
def test_what_was_measured_is_told_in_figures(links: list[Link], leaks: list[Leak], texts: list[str]) -> None:
    found = explain(PLAIN, measured(facts(PLAIN, GOOD), links, leaks))
    assert texts == [finding.text for finding in found]
    kinds = ["leakage" for one in leaks if not one.ok] + ["resistive" for _ in links]
    assert set(kinds) == {finding.kind for finding in found}


@pytest.mark.parametrize(
    ("ohms", "kind", "text"),
    [
        (0.3, "short", "wrongly joined by a bridge of 0.3 Ω: A.1, A.2, B.1 and B.2"),
        (120.0, "short", "wrongly joined by 120 Ω: A.1, A.2, B.1 and B.2"),
        (4100.0, "leakage", "wrongly joined by a leak of 4.1 kΩ: A.1, A.2, B.1 and B.2"),
    ],
)
@pytest.mark.parametrize("doubtful", [False, True], ids=["steady", "seen at times"])
def test_a_wrong_contact_is_told_by_what_it_measures(
    ohms: float, kind: str, text: str, doubtful: bool
) -> None:
    """One that is seen in some looks only, and measures little, comes and goes."""
    found = facts(PLAIN, GOOD, ["A.1 A.2"]) if doubtful else facts(PLAIN, [*GOOD, "A.1 A.2"])
    both = [leak("A.1 B.1", ohms), leak("A.2 B.2", ohms)]
    (only,) = explain(PLAIN, measured(found, leaks=both))
    if doubtful and kind == "short":
        assert "intermittent" == only.kind
    else:
        assert (kind, text) == (only.kind, only.text)


def test_what_leaks_across_an_open_is_told_with_the_open() -> None:
    found = facts(NAMED, GOOD[1:])
    both = [leak("A.1", 4.6e3, "CLOCK"), leak("B.1", 4.7e3, "CLOCK")]
    texts = [finding.text for finding in explain(NAMED, measured(found, leaks=both))]
    assert ["CLOCK is open between A.1 and B.1; 4.6 kΩ was measured across it"] == texts
    texts = [
        finding.text
        for finding in explain(NAMED, measured(found, leaks=[both[0], leak("A.2 B.2", 4.6e3, "DATA")]))
    ]
    assert "CLOCK is open between A.1 and B.1" == texts[0]
    assert texts[1].startswith("CLOCK (A.1) and DATA (A.2–B.2) leak, to each other it seems: 4.6 kΩ")


def test_every_bad_resistance_is_covered_by_a_finding() -> None:
    found = measured(
        facts(PLAIN, GOOD[1:]),
        [link("A.2", "B.2", 20.0), link("A.8", "A.9 B.8", 30.0)],
        [leak("A.3 B.3", 5e3), leak("A.4 B.4", 7e3), leak("A.12", 9e3)],
    )
    told_of = {pin for finding in explain(PLAIN, found) for pin in finding.pins}
    assert told_of >= set(pins("A.2 B.2 A.8 A.9 B.8 A.3 B.3 A.4 B.4 A.12 A.1 B.1"))
