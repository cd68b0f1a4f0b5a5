"""Seeing that a cable was plugged in: with made-up looks, and with the firmware on a desk."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence

import pytest

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.errors import (
    LinkCorrupt,
    LinkLost,
    OutsideVoltage,
    OwnBug,
    ProtocolMismatch,
    SelfCheckFailed,
)
from pinwright.library import read_adapters, read_fixtures
from pinwright.link import Line, drive
from pinwright.tester.fixture import place
from pinwright.tester.session import Hello, Session
from pinwright.tester.watching import (
    BEAR_S,
    LOOKS_OUT,
    ONE_END_S,
    OUT_S,
    STEADY_S,
    Cable,
    Look,
    Nothing,
    OneEnd,
    State,
    Unsteady,
    Watching,
)
from pinwright.virtual.bench import Bench, plugged

from ..desk import Desk

FIXTURES, ADAPTERS = read_fixtures(), read_adapters()
EVERY_S = 0.15
PROFILE = Profile.from_dict(
    {
        "cable": {"id": "x"},
        "ends": {"A": {"connector": "idc-2x20"}, "B": {"connector": "dip-40"}},
        "wiring": {"wires": [["A.1", "B.1"], ["A.2", "A.3", "B.2"]]},
    }
)
SERIAL_LEAD = Profile.from_dict(
    {
        "cable": {"id": "y"},
        "ends": {"A": {"connector": "dsub-9-plug"}, "B": {"connector": "dsub-9-socket"}},
        "wiring": {"wires": [["A.2", "B.2"], ["A.3", "B.3"]]},
    }
)
CABLE, TWO = Look(frozenset({frozenset({0, 40})})), Look(frozenset({frozenset({0, 40}), frozenset({1, 41})}))
ONE_END = Look(frozenset({frozenset({1, 2})}))
NOTHING = Look()


def watching(profile: Profile = PROFILE) -> Watching:
    """One that has begun with a tester that has no ohms lane."""
    session = Session(profile, FIXTURES, "0", {}, ADAPTERS)
    session.hello = Hello(3, "0.4.0", "E6", "tester-128", 128, 8)
    session.fixture = FIXTURES["tester-128"]
    session.placement = place(profile.ends, session.fixture, 128, {}, ADAPTERS)
    return Watching(session)


def heard(one: Watching, looks: Sequence[Look], begin_s: float = 100.0) -> list[State]:
    return [one.hear(look, begin_s + n * EVERY_S) for n, look in enumerate(looks)]


def test_a_cable_is_there_when_looks_running_have_given_the_same_for_long_enough() -> None:
    states = heard(watching(), [NOTHING, *[CABLE] * 8])
    since = next(n for n, state in enumerate(states) if isinstance(state, Cable))
    assert [Nothing(), Unsteady()] == states[:2]
    assert since * EVERY_S >= STEADY_S > (since - 2) * EVERY_S
    assert {Cable()} == set(states[since:])


def test_few_looks_do_not_make_it_steady_however_long_they_take() -> None:
    one = watching()
    assert [Unsteady(), Unsteady(), Cable()] == [one.hear(CABLE, at_s) for at_s in (0.0, 5.0, 10.0)]


def test_a_plug_that_is_still_moved_is_not_steady() -> None:
    states = heard(watching(), [CABLE, CABLE, TWO, CABLE, CABLE, TWO, TWO, CABLE] * 5)
    assert {Unsteady()} == set(states)


def test_an_end_that_comes_later_is_waited_for_and_counts_from_when_it_is_in() -> None:
    both = Look(ONE_END.pieces | CABLE.pieces)
    states = heard(watching(), [*[ONE_END] * 10, *[both] * 8])
    assert [OneEnd("end A")] * 10 == states[:10]
    assert [Unsteady()] * 5 == states[10:15]
    assert Cable() == states[-1]


def test_what_conducts_within_one_end_alone_counts_after_a_while() -> None:
    states = heard(watching(), [ONE_END] * 30)
    since = states.index(Cable())
    assert since * EVERY_S >= ONE_END_S > (since - 1) * EVERY_S
    assert {OneEnd("end A")} == set(states[:since])


@pytest.mark.parametrize(
    ("points", "where"),
    [({1, 2}, "end A"), ({50, 51}, "end B"), ({80, 81}, "J2"), ({0, 120}, "end A")],
)
def test_an_end_that_is_in_alone_is_named(points: set[int], where: str) -> None:
    assert OneEnd(where) == watching().hear(Look(frozenset({frozenset(points)})), 0.0)


def test_a_plug_in_a_wrong_socket_is_a_cable_too() -> None:
    elsewhere = Look(frozenset({frozenset({0, 80})}))  # A to J2, where no end belongs
    assert Cable() == heard(watching(), [elsewhere] * 8)[-1]


def test_a_cable_is_out_when_looks_running_have_seen_nothing_for_long_enough() -> None:
    one = watching()
    one.must_come_out()
    states = heard(one, [CABLE, CABLE, NOTHING, CABLE, NOTHING])
    assert [Unsteady(), Unsteady(), Nothing(), Unsteady(), Nothing()] == states
    since_s = 100.0 + 4 * EVERY_S
    assert Nothing() == one.hear(NOTHING, since_s + OUT_S - 0.2)
    assert Nothing() == one.hear(NOTHING, since_s + OUT_S - 0.1)
    assert not one.out
    assert Nothing() == one.hear(NOTHING, since_s + OUT_S)
    assert one.out
    heard(one, [CABLE] * 3, 102.0)
    assert one.out, "whoever tests a cable says when it has to come out again"


@pytest.mark.parametrize("gone_s", [0.15, 0.3, 0.45, 0.6, 0.75, 0.9])
def test_a_plug_that_loses_contact_for_less_than_a_second_is_not_out(gone_s: float) -> None:
    one = watching()
    one.must_come_out()
    heard(one, ([CABLE] * 4 + [NOTHING] * round(gone_s / EVERY_S)) * 5)
    assert not one.out


def test_few_looks_do_not_say_that_it_is_out_however_long_they_take() -> None:
    one = watching()
    one.must_come_out()
    outs = []
    for n in range(LOOKS_OUT):
        one.hear(NOTHING, 5.0 * n)
        outs.append(one.out)
    assert [False, False, True] == outs


@pytest.mark.parametrize("error", [OutsideVoltage("x"), SelfCheckFailed("y")])
def test_a_hand_on_the_pins_is_borne_for_a_while(error: Exception) -> None:
    one = watching()
    for n in range(9):
        one.bear(error, 50.0 + n)
    one.hear(NOTHING, 59.0)
    one.bear(error, 59.5)  # counts anew
    one.bear(error, 59.5 + BEAR_S - 0.1)
    with pytest.raises(type(error)):
        one.bear(error, 59.5 + BEAR_S)


@pytest.mark.parametrize("error", [LinkLost("x"), LinkCorrupt("y"), ProtocolMismatch("z")])
def test_what_no_hand_does_is_raised_at_once(error: Exception) -> None:
    with pytest.raises(type(error)):
        watching().bear(error, 0.0)


def test_looks_before_a_cable_was_tested_do_not_say_that_it_is_out() -> None:
    one = watching()
    heard(one, [NOTHING] * 5)
    one.must_come_out()
    heard(one, [NOTHING] * 3, 101.0)
    assert not one.out
    one.hear(NOTHING, 101.0 + OUT_S)
    assert one.out


def test_a_look_that_failed_was_no_look_and_what_was_steady_is_not() -> None:
    one = watching()
    one.must_come_out()
    heard(one, [CABLE, NOTHING, NOTHING, NOTHING], 0.0)
    one.bear(OutsideVoltage("x"), 0.5)
    assert Nothing() == one.hear(NOTHING, 2.0)
    assert not one.out
    heard(one, [CABLE] * 5, 3.0)
    one.bear(OutsideVoltage("x"), 3.7)
    assert Unsteady() == one.hear(CABLE, 3.8)


def test_a_look_before_the_board_is_known_is_our_own_bug() -> None:
    with pytest.raises(OwnBug):
        next(Watching(Session(PROFILE, FIXTURES, "0")).look())


# With the firmware


class Workbench:
    """A tester on a desk, and cables that are plugged into it."""

    def __init__(self, profile: Profile, **tester: object) -> None:
        self.profile = profile
        self.tester = tester
        self.desk = Desk(*self._plugged([]))
        self.line = Line(self.desk, lambda line: None)
        self.watching = Watching(Session(profile, FIXTURES, "0", {}, ADAPTERS))
        drive(self.watching.begin(), self.line)

    def _plugged(self, links: Sequence[Sequence[str]]) -> tuple[Bench, dict[Pin, int]]:
        bench = Bench.from_dict({"link": [{"pins": list(pins)} for pins in links], "tester": self.tester})
        points, marks = plugged(
            bench, self.profile.ends, FIXTURES["tester-128"], bench.tester.points, {}, ADAPTERS
        )
        return dataclasses.replace(bench, links=(*bench.links, *marks)), dict(points)

    def plug(self, *links: Sequence[str]) -> None:
        self.desk.plug(*self._plugged(links))

    def flicker(self, *pins: str) -> None:
        """A contact that is closed for most of every few milliseconds."""
        table = {"pins": list(pins), "closed": 0.7, "period_ms": 7.0}
        bench = Bench.from_dict({"link": [table]})
        self.desk.plug(bench, self._plugged([])[1])

    def look(self) -> set[frozenset[str]]:
        """The pieces that conduct, as names of pins."""
        pin_of = self.watching.session.placement.pin_of
        pieces = drive(self.watching.look(), self.line).pieces
        return {frozenset(str(pin_of.get(point, point)) for point in piece) for piece in pieces}


@pytest.fixture
def on_a_desk() -> Iterator[object]:
    made: list[Workbench] = []

    def on_a_desk(profile: Profile, **tester: object) -> Workbench:
        made.append(Workbench(profile, **tester))
        return made[-1]

    yield on_a_desk
    for one in made:
        one.desk.close()


def test_a_look_is_what_conducts_and_nothing_of_the_tester_s_own(on_a_desk) -> None:
    bench = on_a_desk(PROFILE)
    assert set() == bench.look()
    bench.plug(["A.1", "B.1"], ["A.2", "A.3", "B.2"], ["@PROBE.1", "@SPARE.1"])
    assert {frozenset({"A.1", "B.1"}), frozenset({"A.2", "A.3", "B.2"})} == bench.look()
    bench.plug()
    assert set() == bench.look()


def test_a_contact_that_comes_and_goes_is_there(on_a_desk) -> None:
    bench = on_a_desk(PROFILE)
    bench.flicker("A.1", "B.1")
    looks = [bench.look() for _ in range(8)]
    assert looks.count({frozenset({"A.1", "B.1"})}) >= 5, looks


def test_the_marks_of_adapters_are_no_cable_whether_one_is_due_or_not(on_a_desk) -> None:
    bench = on_a_desk(SERIAL_LEAD)
    marks = bench.watching.session.placement.marks
    assert marks
    assert set() == bench.look()
    bench.plug(["A.2", "B.2"])
    assert {frozenset({"A.2", "B.2"})} == bench.look()
    other = on_a_desk(PROFILE)
    group = [f"@J2.{position}" for position in next(a for a in ADAPTERS if a.fits == "box-2x20").joined[0]]
    other.plug(group)
    assert set() == other.look()


def test_the_lamp_of_a_verdict_is_lit_again_only_where_the_board_agrees(on_a_desk) -> None:
    bench = on_a_desk(PROFILE)
    red, green = 12, 13  # hardware/board.toml

    def lamps() -> tuple[int, int]:
        return bench.desk.board.pin(red), bench.desk.board.pin(green)

    bench.plug(["A.1", "B.1"], ["A.2", "A.3", "B.2"])
    bench.look()
    assert (0, 0) == lamps()
    drive(bench.watching.show(True), bench.line)
    assert (0, 1) == lamps()
    bench.plug(["A.1", "B.1"])
    bench.look()
    drive(bench.watching.show(True), bench.line)
    assert 0 == lamps()[1]
    bench.look()
    drive(bench.watching.show(False), bench.line)
    assert (1, 0) == lamps()


def test_what_holds_a_pin_from_outside_is_an_error_of_the_look(on_a_desk) -> None:
    bench = on_a_desk(PROFILE)
    bench.tester["outside"] = {"A.4": 0.0}
    bench.plug()
    with pytest.raises(OutsideVoltage):
        bench.look()
    assert [] == [chip for chip in bench.desk.board.chips if chip.outputs or chip.latch]
