"""A probe lead in somebody's hand, look by look, against a board that is played here."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from pinwright.cable.profile import Profile
from pinwright.errors import LinkCorrupt, OwnBug, PinwrightError, PlacementError, ProtocolMismatch
from pinwright.link import Line, drive
from pinwright.tester.fixture import Fixture, Socket
from pinwright.tester.touching import Held, Look, Released, Touched, Touching

POINTS = 24
SOCKETS = (Socket("J1", "box-2x20", tuple(range(8))), Socket("J2", "box-2x20", tuple(range(8, 16))))
OWN = (Socket("PROBE", "own", (16,)), Socket("REF", "own", (17, 18)), Socket("SPARE", "own", (19, 20)))
FIXTURE = Fixture("small", "small tester", "", POINTS, (*SOCKETS, *OWN), ((17, 18),))
WITHOUT_PROBE = Fixture("small", "small tester", "", POINTS, SOCKETS, ())
PROFILE = Profile.from_dict(
    {
        "cable": {"id": "x"},
        "ends": {"A": {"connector": "row-6"}, "B": {"connector": "row-6"}},
        "wiring": {"wires": [["A.1", "B.1"]]},
    }
)
HELLO = (
    f"ok protocol=3 firmware=0.4.0 id=E6 fixture=small points={POINTS} fitted=0 lane=none platform=rp2 name=-"
)


def row(*points: int) -> str:
    return sum(1 << point for point in points).to_bytes(POINTS // 8, "little").hex().upper()


class Board:
    """Answers every request with what is said here, and keeps them."""

    def __init__(self, **says: str) -> None:
        self.says: Mapping[str, str] = {"hello": HELLO, "check": "ok", "release": "ok", **says}
        self.asked: list[str] = []

    def run(self, steps):
        """Drive a generator of requests to its result."""
        try:
            request = next(steps)
            while True:
                self.asked.append(request.words)
                request = steps.send(tuple(self.says[request.words.split()[0]].split(" ")))
        except StopIteration as done:
            return done.value


def touching(fixture: Fixture = FIXTURE, **named) -> Touching:
    return Touching(PROFILE.ends[:1], {"small": fixture}, "0.6.0", **named)


def begun(fixture: Fixture = FIXTURE, **named) -> tuple[Touching, Board]:
    session, board = touching(fixture, **named), Board()
    board.run(session.begin())
    return session, board


def test_it_asks_hello_and_check_then_looks_and_lets_go():
    session, board = begun()
    board.says |= {"touch": f"ok low={row(16, 3)} held={row()} transfers=122 slips=0"}
    assert Look(frozenset({3}), frozenset()) == board.run(session.look())
    assert Look(frozenset({3}), frozenset()) == board.run(session.look())
    board.run(session.end())
    assert ["hello", "check", "touch 10", "touch 10", "release"] == board.asked


def test_only_the_ends_that_are_plugged_in_are_placed():
    session, _ = begun(by_hand={"A": "J2"})
    assert {"A": "J2"} == session.placement.sockets
    assert "J1.1, A.1 (J2.1)" == session.where(1 << 8 | 1)


def test_a_look_before_the_board_is_known_is_our_own_bug():
    with pytest.raises(OwnBug):
        Board().run(touching().look())


@pytest.mark.parametrize(
    ("reply", "error", "message"),
    [
        ("error verb", ProtocolMismatch, "firmware 0.4.0 knows no probe lead; 0.4.0 is the first that does"),
        ("error argument", ProtocolMismatch, "the board refuses the request `touch 10`"),
        (f"error not-low points={row(16)}", PinwrightError, "does not read low while driven low: PROBE.1"),
        ("ok", LinkCorrupt, "where a number should be"),
        (f"ok low={row(16)} held={row()}", LinkCorrupt, "where a number should be"),
        (f"ok low={row(16)} held=00 transfers=1 slips=0", LinkCorrupt, "1 bytes of `held`, not 3"),
        (f"ok low={row(3)} held={row()} transfers=1 slips=0", LinkCorrupt, "its probe does not read low"),
        (f"ok low={row(16)} held=xx transfers=1 slips=0", LinkCorrupt, "hexadecimal"),
    ],
)
def test_what_a_board_may_say_wrong(reply, error, message):
    session, board = begun()
    board.says |= {"touch": reply}
    with pytest.raises(error) as raised:
        board.run(session.look())
    assert message in raised.value.message


def test_older_firmware_is_told_with_what_to_do():
    session, board = begun()
    board.says |= {"touch": "error verb"}
    with pytest.raises(ProtocolMismatch) as raised:
        board.run(session.look())
    assert "`pinwright install` puts the firmware of this program on it" == raised.value.hint


def test_another_protocol_is_refused_before_anything_is_driven():
    board = Board(hello="ok protocol=2 firmware=0.2.0 id=E6")
    with pytest.raises(ProtocolMismatch):
        board.run(touching().begin())
    assert ["hello"] == board.asked


def look(*low: int, held: tuple[int, ...] = ()) -> Look:
    return Look(frozenset(low), frozenset(held))


@pytest.mark.parametrize(
    ("looks", "events"),
    [
        ([look(), look(), look()], []),
        ([look(3), look(3), look(3)], [Touched(frozenset({3}))]),
        ([look(3), look(), look(3), look()], []),  # a glitch, or two
        (
            [look(3), look(3), look(), look(3), look(3)],
            [Touched(frozenset({3}))],
        ),  # a bounce is no second touch
        ([look(3), look(3), look(), look()], [Touched(frozenset({3})), Released()]),
        (
            [look(3), look(3), look(3, 4), look(4), look(4)],
            [Touched(frozenset({3})), Touched(frozenset({4}))],
        ),
        ([look(3, 4), look(3, 4)], [Touched(frozenset({3, 4}))]),
        ([look(held=(5,)), look(held=(5,)), look(), look()], [Held(frozenset({5})), Released()]),
        ([look(3, 5, held=(5,)), look(3, 5, held=(5,))], [Held(frozenset({5}))]),
    ],
)
def test_a_touch_counts_when_two_looks_running_agree(looks, events):
    session = touching()
    assert events == [event for one in looks if (event := session.event(one))]


@pytest.mark.parametrize(
    ("at", "point"), [("", 16), ("PROBE.1", 16), ("J2.3", 10), ("J1.7", 6), ("SPARE.2", 20)]
)
def test_the_probe_is_the_tester_s_own_or_in_any_free_position(at, point):
    session, _ = begun(probe_at=at)
    assert point == session.probe


@pytest.mark.parametrize(
    ("at", "message"),
    [
        ("J2", "`--probe J2` should be written SOCKET.PIN, such as `--probe J2.12`"),
        ("J2.9", "`--probe J2.9`: no such position; the tester has the sockets J1, J2, PROBE, REF, SPARE"),
        ("J2.0", "no such position"),
        ("J2.01", "no such position"),
        ("X.1", "no such position"),
        ("J1.2", "`--probe J1.2`: pin `A.2` of the cable is there"),
        ("REF.1", "`--probe REF.1`: that position is joined to another on the tester itself"),
    ],
)
def test_a_position_that_is_taken_or_none_is_refused(at, message):
    with pytest.raises(PlacementError) as raised:
        begun(probe_at=at)
    assert message in raised.value.message


def test_a_position_that_is_not_fitted_is_refused():
    session = touching(probe_at="PROBE.1")
    with pytest.raises(PlacementError) as raised:
        Board(hello=HELLO.replace(f"points={POINTS}", "points=16")).run(session.begin())
    assert "`--probe PROBE.1`: that position is not fitted on this tester" == raised.value.message


@pytest.mark.parametrize(("fixture", "points"), [(WITHOUT_PROBE, POINTS), (FIXTURE, 16)])
def test_a_tester_without_a_probe_lead_says_how_to_have_one(fixture, points):
    board = Board(hello=HELLO.replace(f"points={POINTS}", f"points={points}"))
    with pytest.raises(PlacementError) as raised:
        board.run(touching(fixture).begin())
    assert f"a small tester with {points} points, has no probe lead of its own" in raised.value.message
    assert raised.value.hint.endswith("`--probe J2.8`")
    assert "check" not in board.asked


def test_it_can_be_driven_over_a_line():
    """The requests are such as `link.drive` takes."""

    class Played:
        name, answers = "played", Board()

        def write(self, data: bytes) -> None:
            self.data = data

        def read(self, timeout_s: float) -> bytes:
            from pinwright.tester.frames import crc16

            seq, words = self.data[1:3].decode(), self.data[4:].rpartition(b" ")[0].decode()
            body = f"<{seq} {self.answers.says[words.split()[0]]}".encode()
            return body + b" %04X\n" % crc16(body)

    session = touching()
    drive(session.begin(), Line(Played(), lambda line: None))  # type: ignore[arg-type]
    assert 16 == session.probe
