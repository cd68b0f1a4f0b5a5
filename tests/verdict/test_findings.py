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
        (PLAIN, ["A.1 A.2", "B.1 B.2", *GOOD[2:]], (), [("swap", SWAP_TEXT)]),
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


@pytest.mark.parametrize(
    ("crossed", "remedy"),
    [
        (["A.1 B.2", "A.2 B.1"], "at A.1 and A.2, or at B.1 and B.2"),
        (["A.1 A.2", "B.1 B.2"], "at A.1 and B.2, or at B.1 and A.2"),
    ],
)
def test_following_the_remedy_of_a_swap_heals_the_cable(crossed: list[str], remedy: str) -> None:
    (found,) = explain(PLAIN, facts(PLAIN, [*crossed, *GOOD[2:]]))
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


# One of each kind, to the letter.


def lead(
    connectors: dict[str, str],
    wiring: dict[str, object] | None = None,
    signals: dict[str, str] | None = None,
    id: str = "lead",
    **common: str,
) -> Profile:
    return Profile.from_dict(
        {
            "cable": {"id": id},
            "ends": {end: {"connector": kind, "signals": signals or {}} for end, kind in connectors.items()},
            "wiring": wiring or {"rule": "straight"},
            "common": {name: {"joined": joined} for name, joined in common.items()},
        }
    )


def crossed(plug: str) -> list[str]:
    """`2 1 -`: A.1 with B.2, A.2 with B.1, A.3 with nothing."""
    return [f"A.{n} B.{pin}" for n, pin in enumerate(plug.split(), 1) if pin != "-"]


RIBBON = lead({"A": "idc-2x4", "B": "idc-2x4"})
DIP = lead({"A": "idc-2x4", "B": "dip-8"}, {"rule": "alternate", "first": "high"})  # A.1 on B.8, A.2 on B.1 …
SIX = lead({"A": "row-8", "B": "row-8"}, {"wires": [[f"A.{n}", f"B.{n}"] for n in range(1, 7)]})
ALPHA, BETA, GAMMA = (
    lead({"A": "row-6", "B": "row-6"}, {"wires": [wire.split() for wire in crossed(plug)]}, id=id)
    for id, plug in (("alpha", "1 2 3 4 5 6"), ("beta", "1 4 6 5 2 3"), ("gamma", "1 4 6 5 2 3"))
)
TWO_TO_ONE = lead(
    {"A": "row-3", "B": "row-6", "C": "row-3"},
    {"wires": [[f"{e}.{n}", f"B.{n + 3 * (e == 'C')}"] for e in "AC" for n in (1, 2, 3)]},
)
LINKED, APART = (
    lead({"A": "row-6", "B": "row-6"}, None, dict.fromkeys("123", "GND"), GND=joined)
    for joined in ("required", "never")
)
EVEN = [2, 4, 6, 8]
PAIR = lead(
    {"A": "idc-2x4", "B": "idc-2x4"},
    {"rule": "paired-ground", "ground_pins": {"A": EVEN, "B": EVEN}, "then": "straight"},
)

WHICH = "Continuity cannot tell which end is wrong."
TURNED = (
    "Hold the cable with the ribbon's marked edge at pin 1 of every plug: the one where it comes to the "
    "other end is the wrong one, make that anew. If all are right, one is turned round in the tester."
)
OPEN = (
    "Check the joint or the crimp at each end. Continuity cannot tell which is broken: pierce the insulation "
    "near one plug with a needle and measure from there to its pin."
)
CLOSED = " A blocked key hole in a salvaged plug A or B looks the same."

BACK = (
    "move each conductor of this run back by one, one conductor to a contact; a crimped plug has to be "
    "crimped anew."
)

LEADING = {
    "turned": (
        RIBBON,
        crossed("8 7 6 5 4 3 2 1"),
        "reversed",
        "end A is turned round: conductor 1 was started at A.8, the profile starts it at A.1; or end B is "
        "turned round: the two look the same",
        TURNED,
    ),
    "rows of a DIP plug": (
        DIP,
        crossed("1 8 2 7 3 6 4 5"),
        "reversed",
        "every conductor sits on the opposite row of B: conductor 1 was started at B.1, the profile starts "
        "it at B.8; or every conductor sits on the opposite row of A: the two look the same",
        "Conductors were started from the other row of A or B. Soldered: exchange each with the one "
        "opposite. Crimped: it is the other kind of plug, take one that suits.",
    ),
    "mirrored": (
        RIBBON,
        crossed("7 8 5 6 3 4 1 2"),
        "reversed",
        "end A is wired as a mirror image: conductor 1 was started at A.7, the profile starts it at A.1; or "
        "end B is wired as a mirror image: the two look the same",
        "Pins of A or B were counted on the wrong side: hold it as the drawing shows it, find pin 1, and "
        "make that end anew.",
    ),
    "off": (
        RIBBON,
        crossed("3 4 5 6 7 8 - -"),
        "shifted",
        "end A is plugged in one column off, towards pin 1; or end B is plugged in one column off, towards "
        "pin 7: the two look the same",
        "Unplug A or B, plug it in pin 1 to pin 1, and scan again. If it was in right, its conductors are "
        "that much further on: make that plug anew.",
    ),
    "slipped, the last beside another": (
        RIBBON,
        ["A.1 B.3", "A.3 A.5 B.5", *crossed("- 2 - 4 - 6 7 8")],
        "shifted",
        "the conductors of B.1 to B.3 are each one contact too far in the odd row, towards B.7; B.5 holds "
        "two",
        f"Start at B.1: {BACK}",
    ),
    "slipped, the last where nothing should be": (
        SIX,
        crossed("1 2 4 5 6 7"),
        "shifted",
        "the conductors of B.3 to B.6 are each one contact too far in the row, towards B.8; that of B.6 is "
        "on B.7",
        f"Start at B.3: {BACK}",
    ),
    "exchanged": (
        TWO_TO_ONE,
        ["A.1 B.4", "A.2 B.5", "A.3 B.6", "C.1 B.1", "C.2 B.2", "C.3 B.3"],
        "exchanged",
        "ends A and C are exchanged",
        "Are plugs A and C in each other's sockets of the tester, or their labels exchanged? If not, their "
        "ribbons were laid in the wrong order: the cable has to be made anew at one end.",
    ),
    "not plugged in": (
        TWO_TO_ONE,
        ["A.1 B.1", "A.2 B.2", "A.3 B.3"],
        "absent",
        "nothing conducts at end C: is it plugged in?",
        "Plug it in, press it home, and scan again. If it is in, look whether it is the right cable, and "
        "whether crimp or solder has reached any conductor.",
    ),
    "wrong cable": (
        ALPHA,
        crossed("1 4 6 5 2 3"),
        "wrong-cable",
        "it is wired as `beta` or as `gamma`, not as `alpha`",
        "Is this the right cable, and the right profile? `pinwright scan beta` tests it as that one.",
    ),
    "tied": (
        RIBBON,
        ["A.1 A.3 A.5 A.7 B.1 B.3 B.5 B.7", *crossed("- 2 - 4 - 6 - 8")],
        "short",
        "wrongly joined: A.1, A.3, A.5, A.7, B.1, B.3, B.5 and B.7",
        "So many at once are most likely tied at one end: look along A or B for a strand or solder across "
        "its contacts. A salvaged plug may have them tied inside: take another.",
    ),
    "bridge of neighbours": (
        RIBBON,
        ["A.2 A.3 B.2 B.3", *crossed("1 - - 4 5 6 7 8")],
        "short",
        "wrongly joined: A.2, A.3, B.2 and B.3",
        "Look for a solder bridge, a whisker or a strand on the ribbon side of A between A.2 and A.3, "
        "neighbours on the ribbon; or on the ribbon side of B between B.2 and B.3, neighbours on the ribbon.",
    ),
    "bridge of no neighbours": (
        RIBBON,
        ["A.1 A.8 B.1 B.8", *crossed("- 2 3 4 5 6 7 -")],
        "short",
        "wrongly joined: A.1, A.8, B.1 and B.8",
        "None of these are neighbours: look for a wire in the wrong place, or for two bridges one after the "
        "other.",
    ),
    "open": (RIBBON, crossed("- 2 3 4 5 6 7 8"), "open", "open between A.1 and B.1", OPEN + CLOSED),
    "open run": (
        RIBBON,
        crossed("- 2 - 4 - 6 7 8"),
        "open",
        "3 neighbours of end A, in the odd row, are open: A.1, A.3 and A.5; or 3 neighbours of end B, in the "
        "odd row, are open: B.1, B.3 and B.5: the two look the same",
        "Look whether that side of A or B is pressed home on its conductors: press it again, or solder these "
        "joints again, and scan again.",
    ),
    "link missing": (
        LINKED,
        ["A.1 B.1", "A.2 A.3 B.2 B.3", *crossed("- - - 4 5 6")],
        "open",
        "GND is not linked: its conductors are whole, but apart: A.1 and B.1 / A.2, A.3, B.2 and B.3",
        "Look for the link between these conductors that the profile asks for, at whichever end it belongs: "
        "it is broken or was forgotten.",
    ),
    "link extra": (
        APART,
        ["A.1 A.2 B.1 B.2", *crossed("- - 3 4 5 6")],
        "short",
        "wrongly joined: A.1, A.2, B.1 and B.2",
        "These carry the same signal, but this cable must keep its conductors apart: cut the link, or take a "
        "plug whose contacts are not tied inside.",
    ),
    "moved": (
        SIX,
        crossed("1 2 3 4 5 7"),
        "misrouted",
        "the conductor of B.6 is on B.7 (neighbours in the row), where nothing should be",
        "Move the conductor from B.7 to B.6.",
    ),
    "swap": (
        RIBBON,
        crossed("1 2 5 4 3 6 7 8"),
        "swap",
        "A.3–B.3 and A.5–B.5 are exchanged: A.3 belongs with B.3 and A.5 with B.5, but they are crossed",
        f"Exchange the two conductors at one end: at A.3 and A.5, or at B.3 and B.5. {WHICH}",
    ),
    "swap of a pair": (
        PAIR,
        ["A.1 B.1", "A.4 B.3", "A.5 B.5", "A.7 B.7", "A.2 A.3 A.6 A.8 B.2 B.4 B.6 B.8"],
        "swap",
        "A.3 and A.4 are exchanged, ground and signal of a pair",
        "Exchange the two conductors at A.3 and A.4.",
    ),
    "cycle": (
        RIBBON,
        crossed("4 2 3 8 5 6 7 1"),
        "misrouted",
        "3 conductors at end A are exchanged in a circle: what belongs on A.1 is on A.8, what belongs on A.8 "
        "is on A.4, what belongs on A.4 is on A.1; or B.1, B.4 and B.8 are exchanged in a circle: the two "
        "look the same",
        f"Lay them anew at one end. {WHICH}",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("profile", "groups", "kind", "text", "remedy"), LEADING.values(), ids=LEADING)
def test_each_thing_that_can_have_happened_is_told_in_one_sentence_with_what_to_do(
    profile: Profile, groups: list[str], kind: str, text: str, remedy: str
) -> None:
    seen = compare(profile, Measurement(frozenset(profile.pins()), tuple(map(pins, groups))))
    (found,) = explain(profile, seen, library=(GAMMA, BETA) if kind != "wrong-cable" else (BETA, GAMMA))
    assert (kind, text, remedy) == (found.kind, found.text, found.remedy)
    at_fault = {pin for missing in seen.missing for pin in missing.net.pins}
    at_fault |= {pin for extra in seen.extra for pin in extra.pins}
    assert at_fault <= set(found.pins)


def test_a_story_that_is_as_likely_is_told_with_what_it_replaces() -> None:
    seen = compare(SIX, Measurement(frozenset(SIX.pins()), tuple(map(pins, crossed("1 - - 3 5 6")))))
    first, second = explain(SIX, seen)
    run = "the conductors of {} to {} are each one contact too far in the row, towards {}"
    assert first.text == (
        f"{run.format('A.2', 'A.4', 'A.8')}; that of A.4 hangs free; or {run.format('B.4', 'B.2', 'B.1')}: "
        "the two look the same"
    )
    assert first.remedy.endswith(
        f"Just as likely: not that {run.format('A.2', 'A.4', 'A.8')}, and A.3 / B.2 are apart, but that "
        f"{run.format('A.3', 'A.4', 'A.8')}, and A.2 / B.2 are apart."
    )
    assert ("open", "open between A.3 and B.2") == (second.kind, second.text)


# On top of a plug that is wrong as a whole, faults are told at the pins that they are at.


def of_ribbon(groups: Sequence[str], doubtful: Sequence[str] = ()) -> Facts:
    pairs = tuple((one, other) for one, other in map(pins, doubtful))
    return compare(RIBBON, Measurement(frozenset(RIBBON.pins()), tuple(map(pins, groups)), pairs))


def test_what_comes_and_goes_is_told_on_top_of_a_turned_plug() -> None:
    """The conductor that should be A.1–B.1 is on B.8, and loose; A.2 touches its neighbour."""
    first, *others = explain(RIBBON, of_ribbon(crossed("- 7 6 5 4 3 2 1"), ["A.1 B.8", "A.2 A.4"]))
    assert first.text.startswith("end A is turned round: ")
    assert [
        ("intermittent", "A.1–B.8 conducts in some looks and not in others: A.1 / B.8"),
        ("intermittent", "wrongly joined in some looks and not in others: A.2, A.4, B.5 and B.7"),
    ] == [(finding.kind, finding.text) for finding in others]


def test_an_open_and_a_short_are_told_on_top_of_a_turned_plug() -> None:
    """What to do about them is to be told once contacts have their own conductors again."""
    first, *others = explain(RIBBON, of_ribbon(["A.1 A.2 B.7 B.8", *crossed("- - 6 5 4 - 2 1")]))
    assert (first.kind, first.remedy) == ("reversed", TURNED)
    later = (
        "First put right what stands above, and scan again: contacts are named here as they are plugged now."
    )
    assert [
        ("open", "open between A.6 and B.3", later),
        ("short", "wrongly joined: A.1, A.2, B.7 and B.8", later),
    ] == [(finding.kind, finding.text, finding.remedy) for finding in others]


def test_a_leak_is_told_after_a_swap() -> None:
    found = measured(of_ribbon(crossed("1 2 5 4 3 6 7 8")), leaks=[leak("A.1 B.1", 41e3)])
    assert [
        "A.3–B.3 and A.5–B.5 are exchanged: A.3 belongs with B.3 and A.5 with B.5, but they are crossed",
        "A.1–B.1 leaks: 41 kΩ to everything else; the limit is 100 kΩ",
    ] == [finding.text for finding in explain(RIBBON, found)]


def test_bad_joints_side_by_side_are_told_as_one_and_one_apart_from_them_by_itself() -> None:
    joints = [link(f"A.{n}", f"B.{n}", ohms) for n, ohms in ((1, 12.0), (3, 15.0), (5, 9.0), (8, 20.0))]
    run, single = explain(RIBBON, measured(of_ribbon(crossed("1 2 3 4 5 6 7 8")), joints))
    assert run.text == (
        "3 bad joints side by side at end A, in the odd row, A.1 to A.5: 9.0 Ω to 15.0 Ω; the limit is 5.0 "
        "Ω, and 3 Ω above the median of the cable's links"
    )
    assert run.remedy == (
        "So many in a row are most likely dry joints of a cold iron, or a crimp that is not pressed home: "
        "solder or press them again at A, then scan again. If that does not help, do so at their other end."
    )
    assert pins("A.1 A.3 A.5 B.1 B.3 B.5") == run.pins
    assert pins("A.8 B.8") == single.pins


def test_two_bad_joints_side_by_side_are_two() -> None:
    joints = [link(f"A.{n}", f"B.{n}", 12.0) for n in (1, 3)]
    assert 2 == len(explain(RIBBON, measured(of_ribbon(crossed("1 2 3 4 5 6 7 8")), joints)))


def test_where_no_story_can_be_proven_every_fact_is_told_by_its_pins(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pinwright.verdict.stories.gives", lambda *_: False)
    assert [
        ("open", "not in one piece: A.1 and B.1"),
        ("open", "not in one piece: A.2 and B.2"),
        ("short", "wrongly joined: A.1 and B.2"),
        ("short", "wrongly joined: A.2 and B.1"),
    ] == told(PLAIN, SWAP)
