"""One scan, step by step, against a board that is played here: a sound one, and what it may say wrong.

The replies follow the table at the head of firmware/tester/commands.py.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from itertools import combinations

import pytest

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.errors import (
    Disagreement,
    LinkCorrupt,
    LinkLost,
    OutsideVoltage,
    OwnBug,
    PinwrightError,
    PlacementError,
    ProtocolMismatch,
    SelfCheckFailed,
)
from pinwright.link import Line, drive
from pinwright.tester.adapter import POSITIONS, Adapter
from pinwright.tester.asking import Request
from pinwright.tester.calibration import Calibration, LongCheck
from pinwright.tester.fixture import Fixture, Socket
from pinwright.tester.frames import crc16
from pinwright.tester.session import PROTOCOL, STEPS, BoardVerdict, Scan, Session, board_map, greet

POINTS = 16
FIXTURE = Fixture(
    "small",
    "",
    "",
    POINTS,
    (
        Socket("J1", "box-2x20", tuple(range(7))),
        Socket("J2", "box-2x20", tuple(range(7, 14))),
        Socket("REF", "own", (14, 15)),
    ),
    ((14, 15),),
)
FIXTURES = {FIXTURE.id: FIXTURE}
GOOD = [{0, 7}, {1, 8}, {2, 9}]  # A.k is point k - 1, B.k is point k + 6


def cable(**tables: Mapping[str, object]) -> Profile:
    wires = [["A.1", "B.1"], ["A.2", "B.2"], ["A.3", "B.3"]]
    return Profile.from_dict(
        {
            "cable": {"id": "x"},
            "ends": {"A": {"connector": "row-6"}, "B": {"connector": "row-6"}},
            "wiring": {"wires": wires},
            **tables,
        }
    )


class Board:
    """A board with these pieces plugged in. says: words of requests → words of a reply of another kind.

    lane: as it says hello. kept: what it keeps for us.
    """

    def __init__(
        self,
        pieces: list[set[int]],
        says: Mapping[str, str | list[str]] | None = None,
        lane: str = "none",
        kept: Mapping[str, bytes] | None = None,
    ) -> None:
        self.lane, self.kept = lane, kept or {}
        self.label = list(range(POINTS))
        for piece in [*pieces, {14, 15}]:
            for point in piece:
                self.label[point] = min(piece)
        self.says = {
            request: [said] if isinstance(said, str) else said for request, said in (says or {}).items()
        }
        self.asked: list[str] = []
        self.nets = self.groups = bytes(POINTS)
        self.high = 0  # points whose links were measured

    def answer(self, words: str) -> str:
        self.asked.append(words)
        for request, said in self.says.items():
            if words.startswith(request) and said:
                return said.pop(0)
        verb, *more = words.split(" ")
        does: Callable[..., str] = getattr(self, f"_{verb}")
        return does(*more)

    def rows(self, *, diagonal: bool) -> bytes:
        rows = [1 << p if diagonal else 0 for p in range(POINTS)]
        for one, other in combinations(range(POINTS), 2):
            if self.label[one] == self.label[other]:
                rows[one] |= 1 << other
                rows[other] |= 1 << one
        return b"".join(row.to_bytes(2, "little") for row in rows)

    def _hello(self) -> str:
        return HELLO.replace("name=-", "name=bench-1").replace("lane=none", f"lane={self.lane}")

    def _check(self) -> str:
        return "ok"

    _release = _check

    def _map(self, what: str, start: str = "", values: str = "") -> str:
        if what in ("nets", "groups"):
            assert "00" == start
            setattr(self, what, bytes.fromhex(values))
        return f"ok points=16 crc={crc16(self.nets + self.groups):04X}" if what == "done" else "ok"

    def _scan(self, settle: str) -> str:
        assert "settle=20" == settle
        return "ok walk_us=6700 rest_us=12 wide_us=0 confirm_us=1 walk_transfers=64 transfers=99 slips=0"

    def _rows(self, name: str, page: str) -> str:
        matrix = bytes(2 * POINTS) if name == "doubtful" else self.rows(diagonal=name == "seen")
        size = 8 * POINTS // 8
        return f"ok {matrix[int(page, 16) * size :][:size].hex().upper()}"

    def _marks(self) -> str:
        ports = {label: {p // 8 for p in range(POINTS) if self.label[p] == label} for label in self.label}
        apart = sum(1 << p for p in range(POINTS) if len(ports[self.label[p]]) > 1)
        return f"ok apart={apart.to_bytes(2, 'little').hex().upper()} unexplained=0000 group={'00' * POINTS}"

    def _judge(self) -> str:
        nets, label = self.nets, self.label
        missing = {
            nets[p] for p in range(POINTS) for q in range(p) if nets[p] == nets[q] and label[p] != label[q]
        }
        extra = {
            label[p]
            for p in range(14)
            for q in range(p)
            if label[p] == label[q] and not nets[p] == nets[q] != 0
        }
        bad = missing - {0} or extra
        return f"ok verdict={'fail' if bad else 'pass'} missing={mark(missing - {0})} extra={mark(extra)}"

    def _keep(self, what: str, name: str, offset: str) -> str:
        assert "read" == what
        content = self.kept.get(name, b"")
        part = content[int(offset, 16) :][:200]
        return f"ok size={len(content)} data={part.hex().upper() or '-'}"

    def _lane(self) -> str:
        return LANE

    def _parts(self, what: str, values: str = "") -> str:
        assert what == ("00" if values else "clear")
        return "ok"

    def _measure(self, what: str, mask: str = "") -> str:
        self.high = int.from_bytes(bytes.fromhex(mask), "little") if what == "links" else self.high
        return "ok us=12000"

    def _readings(self, kind: str, page: str) -> str:
        assert "00" == page
        return "ok " + "".join(
            NO_CURRENT if kind == "leak" else LINK if self.high >> point & 1 else "0000"
            for point in range(POINTS)
        )

    def _pieces(self, what: str) -> str:
        assert what in ("joined", "loose")
        return f"ok {bytes(self.label).hex().upper()}"


# What the converter reads at 3.3 V and 22 ohms: no current, a path of 1500 ohms (both resistors and drivers).
NO_CURRENT, LINK = "1000", f"{4096 + round(4 * 3.3 * 22 / 1522 / 7.8125e-6):04X}"
LANE = f"ok zero={NO_CURRENT} vio=6720 sensor=36C4 refs={LINK}{LINK} us=9000"
MARCH = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)


SECOND, LATER = timedelta(seconds=1), datetime(2026, 5, 1, tzinfo=UTC)


def check(*, passed: bool, sockets: tuple[str, ...] = ("J1", "J2")) -> bytes:
    return LongCheck(MARCH, passed, True, sockets, "" if passed else "J1.7 is open").to_bytes()


def calibration(points: int = POINTS) -> bytes:
    made = Calibration(MARCH, (780.0,) * points, (720.0,) * points, (0,) * points, (1500.0, 1500.0), 27.0)
    return made.to_bytes()


def mark(numbers: set[int]) -> str:
    return sum(1 << number for number in numbers).to_bytes(2, "little").hex().upper()


def scan(
    board: Board,
    profile: Profile | None = None,
    by_hand: Mapping[str, str] | None = None,
    adapters: Sequence[Adapter] = (),
    between: tuple[datetime, datetime] | None = None,
) -> Scan:
    """Run a session against a board, without a line between them."""
    run = Session(profile or cable(), FIXTURES, "0.6.0", by_hand or {}, adapters, between).run()
    request = next(run)
    while True:
        try:
            request = run.send(tuple(board.answer(request.words).split(" ")))
        except StopIteration as done:
            result: Scan = done.value
            return result


def failing(
    says: Mapping[str, str | list[str]], lane: str = "none", kept: Mapping[str, bytes] | None = None
) -> PinwrightError:
    with pytest.raises(PinwrightError) as error:
        scan(Board(GOOD, says, lane, kept))
    return error.value


def test_a_scan_goes_through_all_its_steps_in_order() -> None:
    board = Board(GOOD)
    scan(board)
    verbs = list(dict.fromkeys(" ".join(words.split(" ")[:2]) for words in board.asked))
    assert [
        "hello",
        "check",
        "keep read",
        "map clear",
        "map nets",
        "map groups",
        "map done",
        "scan settle=20",
        "rows seen",
        "rows joined",
        "rows doubtful",
        "marks",
        "judge",
        "pieces joined",
        "pieces loose",
        "release",
    ] == verbs
    assert [
        "hello",
        "self-check",
        "conscience",
        "map",
        "scan",
        "evidence",
        "judge",
        "ohms",
        "release",
    ] == [name for name, _ in STEPS]


def test_a_board_that_measures_is_asked_for_its_own_readings_before_and_after() -> None:
    board = Board(GOOD, lane="uncalibrated")
    found = scan(board)
    asked = [words for words in board.asked if words.split(" ")[0] not in ("rows", "map", "pieces")]
    assert [
        "hello",
        "check",
        "keep read check 0000",
        "lane",
        "scan settle=20",
        "marks",
        "judge",
        "measure links 8703",
        "readings high 00",
        "parts clear",
        f"parts 00 {bytes([1, 2, 3, 4, 5, 6, 0, 1, 2, 3, 7, 8, 9, 0, 0, 0]).hex().upper()}",
        "measure leaks",
        "readings leak 00",
        "lane",
        "release",
    ] == asked
    assert found.readings is not None
    assert found.readings.before == found.readings.after
    assert {0, 1, 2, 7, 8, 9} == {point for point, reading in enumerate(found.readings.high) if reading}
    assert (18_000, 12_000) == (found.counts["lane_us"], found.counts["links_us"])


def test_what_the_tester_knows_of_itself_comes_with_its_scan() -> None:
    kept = {"check": check(passed=True), "calibration": calibration()}
    found = scan(Board(GOOD, lane="calibrated", kept=kept))
    assert found.long_check is not None
    assert (MARCH, True) == (found.long_check.made, found.long_check.passed)
    assert found.readings is not None
    assert found.readings.calibration is not None
    assert (780.0,) * POINTS == found.readings.calibration.high_ohms


@pytest.mark.parametrize(
    ("lane", "kept", "seen"),
    [
        ("none", {"check": check(passed=False)}, "failed its last long check, on 2026-03-01T09:30:00Z"),
        ("none", {"check": check(passed=True)[:-1]}, "long check on the tester is damaged"),
        ("none", {"check": calibration()}, "long check on the tester is damaged"),
        ("calibrated", {}, "the calibration on the tester is damaged"),
        ("calibrated", {"calibration": calibration()[1:]}, "the calibration on the tester is damaged"),
        ("calibrated", {"calibration": check(passed=True)}, "the calibration on the tester is damaged"),
        ("calibrated", {"calibration": calibration(128)}, "it has 128 points, the tester 16"),
    ],
)
def test_a_tester_that_has_a_bad_conscience_does_not_scan(
    lane: str, kept: Mapping[str, bytes], seen: str
) -> None:
    board = Board(GOOD, lane=lane, kept=kept)
    with pytest.raises(SelfCheckFailed) as error:
        scan(board)
    assert seen in error.value.message
    assert "pinwright tester c" in error.value.hint
    assert {"hello", "check", "keep"} == {words.split(" ")[0] for words in board.asked}


@pytest.mark.parametrize(
    ("kept", "between", "seen"),
    [
        ({}, (MARCH, LATER), "has had no long check"),
        ({"check": check(passed=True)}, (MARCH + SECOND, LATER), "is older than `--max-check-age`"),
        ({"check": check(passed=True)}, (MARCH - SECOND, MARCH - SECOND), "which is yet to come"),
        ({"check": check(passed=True, sockets=("J1",))}, (MARCH, LATER), "was not of socket J2"),
        ({"check": check(passed=True)}, (MARCH, MARCH), ""),
    ],
)
def test_a_long_check_may_be_too_old_or_of_something_else(
    kept: Mapping[str, bytes], between: tuple[datetime, datetime], seen: str
) -> None:
    board = Board(GOOD, kept=kept)
    if not seen:
        assert scan(board, between=between).board_verdict.passed
        return
    with pytest.raises(SelfCheckFailed) as error:
        scan(board, between=between)
    assert seen in error.value.message
    assert "scan settle=20" not in board.asked


def test_a_good_scan_holds_what_the_board_said() -> None:
    found = scan(Board(GOOD))
    assert ("E6614", "0.1.0", 16, "none") == (
        found.hello.id,
        found.hello.firmware,
        found.hello.points,
        found.hello.lane,
    )
    assert {"A": "J1", "B": "J2"} == found.placement.sockets
    assert BoardVerdict(True, frozenset(), frozenset()) == found.board_verdict
    assert 6700 == found.counts["walk_us"]
    assert 64 == found.counts["walk_transfers"]


def test_the_board_s_verdict_arrives_in_pins() -> None:
    verdict = scan(Board([{0, 7, 1}, {2, 9}])).board_verdict
    a1, a2, b1, b2 = Pin("A", "1"), Pin("A", "2"), Pin("B", "1"), Pin("B", "2")
    assert not verdict.passed
    assert frozenset({frozenset({frozenset({a2}), frozenset({b2})})}) == verdict.missing
    assert frozenset({frozenset({a1, a2, b1})}) == verdict.extra


def test_the_map_numbers_nets_from_1_and_marks_groups() -> None:
    signals = {"signals": {"1": "GND", "2": "GND", "3": "SHIELD"}}
    profile = cable(
        ends={"A": {"connector": "row-6"} | signals, "B": {"connector": "row-6"}},
        common={"GND": {"joined": "optional"}, "SHIELD": {"joined": "never"}},
    )
    board = Board(GOOD)
    scan(board, profile)
    assert [1, 2, 3, 0, 0, 0, 0, 1, 2, 3, 0, 0, 0, 0, 0, 0] == list(board.nets)
    assert [0, 1, 1, 0x82] + [0] * 12 == list(board.groups)


# A small adapter for a small socket; its kind has more positions than these, which nobody asks for.
SMALL = Adapter("small", "", "A", ("row-3",), "box-2x20", ((5, 6),), {"1": 1, "2": 2, "3": 3})
SHORT_CABLE = {"A": {"connector": "row-3"}, "B": {"connector": "row-6"}}


@pytest.fixture
def _sockets_of_seven(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(POSITIONS, "box-2x20", 7)


@pytest.mark.usefixtures("_sockets_of_seven")
def test_what_an_adapter_joins_itself_is_a_net_of_the_map_after_the_cable_s() -> None:
    board = Board([*GOOD, {4, 5}])
    found = scan(board, cable(ends=SHORT_CABLE), adapters=[SMALL])
    assert [1, 2, 3, 0, 4, 4, 0, 1, 2, 3, 0, 0, 0, 0, 0, 0] == list(board.nets)
    assert {"A": "small", "B": "generic"} == found.placement.adapters
    assert ((4, 5),) == found.placement.marks
    assert found.board_verdict.passed


@pytest.mark.usefixtures("_sockets_of_seven")
@pytest.mark.parametrize("mark", [[], [{4, 6}], [{4, 5, 6}], [{4, 5}, {6, 13}]])
def test_a_wrong_adapter_is_refused_before_the_board_is_asked_for_a_verdict(mark: list[set[int]]) -> None:
    board = Board([*GOOD, *mark])
    with pytest.raises(PlacementError, match="end `A` goes through adapter `small` in J1"):
        scan(board, cable(ends=SHORT_CABLE), adapters=[SMALL])
    assert "judge" not in board.asked


def test_by_hand_reaches_the_map() -> None:
    board = Board(GOOD)
    assert {"A": "J2", "B": "J1"} == scan(board, by_hand={"A": "J2"}).placement.sockets


def test_only_the_scan_itself_is_never_repeated() -> None:
    run = Session(cable(), FIXTURES, "0.6.0").run()
    board = Board(GOOD, lane="uncalibrated")
    request: Request | None = next(run)
    once = []
    while request:
        assert 0 < request.deadline_s <= 20
        once += [] if request.repeatable else [request.words]
        try:
            request = run.send(tuple(board.answer(request.words).split(" ")))
        except StopIteration:
            request = None
    assert ["scan settle=20", "measure links 8703", "measure leaks"] == once


HELLO = (
    "ok protocol=3 firmware=0.1.0 id=E6614 fixture=small points=16 fitted=1 lane=none platform=rp2 bus=fast "
    "name=-"
)


@pytest.mark.parametrize(
    "said",
    [
        HELLO.replace("points=16", "points=32"),
        HELLO.replace("points=16", "points=0").replace("fitted=1", "fitted=0"),
        HELLO.replace("points=16", "points=144").replace("fitted=1", "fitted=9"),
        HELLO.replace("points=16", "points=15"),
        HELLO.replace("points=16", "points=-16"),
        HELLO.replace("points=16", "points=1e1"),
        HELLO.replace("points=16", "points=16" + "0" * 5000),
        HELLO.replace("points=16", ""),
        HELLO.replace("points=16 ", ""),
        HELLO.replace("fitted=1 ", ""),
        HELLO.replace("protocol=3 ", ""),
        HELLO.replace("fixture=small ", ""),
        HELLO.replace("lane=none ", ""),
        HELLO.replace("lane=none", "lane=yes"),
        HELLO.replace("platform=rp2 ", ""),
        HELLO.replace("id=E6614 ", ""),
        HELLO.replace("id=E6614", "id="),
        HELLO.replace("id=E6614", "E6614"),
        HELLO.replace("id=E6614", "=E6614"),
        HELLO.replace("ok ", "okay "),
        "ok",
        "error",
        "hello",
        "",
    ],
)
def test_a_hello_that_is_no_tester_s_is_corrupt(said: str) -> None:
    assert LinkCorrupt is type(failing({"hello": said}))


@pytest.mark.parametrize(
    ("said", "seen"),
    [
        ("error bug", "the firmware failed"),
        ("error board-file", "the file board.json on the tester is damaged"),
    ],
)
def test_a_board_that_complains_when_it_is_greeted_is_believed(said: str, seen: str) -> None:
    error = failing({"hello": said})
    assert SelfCheckFailed is type(error)
    assert seen in error.message


@pytest.mark.parametrize(
    ("protocol", "hint"),
    [
        (1, "`pinwright install` puts the firmware of this program on it"),
        (2, "`pinwright install` puts the firmware of this program on it"),
        (4, "its firmware is newer than this program: update the program"),
    ],
)
def test_another_protocol_is_refused_with_both_versions(protocol: int, hint: str) -> None:
    said = HELLO.replace("protocol=3", f"protocol={protocol}").replace("0.1.0", "0.4.1")
    error = failing({"hello": said})
    assert ProtocolMismatch is type(error)
    expected = f"the tester speaks protocol {protocol}, this program speaks 3 (firmware 0.4.1, host 0.6.0)"
    assert (expected, hint) == (error.message, error.hint)
    assert 3 == PROTOCOL


@pytest.mark.parametrize(
    ("told", "becomes"), [("fixture=small", "fixture=large"), ("points=16 fitted=1", "points=32 fitted=2")]
)
def test_sockets_that_this_program_does_not_know_are_refused(told: str, becomes: str) -> None:
    error = failing({"hello": HELLO.replace(told, becomes)})
    assert ProtocolMismatch is type(error)
    assert "which this program does not know (firmware 0.1.0, host 0.6.0)" in error.message


@pytest.mark.parametrize(
    ("platform", "simulated"), [("rp2", False), ("linux", True), ("", True), ("esp32", True)]
)
def test_what_does_not_say_that_it_is_a_board_is_none(platform: str, simulated: bool) -> None:
    board = Board(GOOD, {"hello": HELLO.replace("platform=rp2", f"platform={platform}")})
    assert simulated is scan(board).hello.simulated


def test_a_cable_that_does_not_fit_the_board_is_found_before_anything_is_driven() -> None:
    wide = cable(ends={"A": {"connector": "row-6"}, "B": {"connector": "row-8"}})
    board = Board(GOOD)
    with pytest.raises(PlacementError, match="no socket for end `B`"):
        scan(board, wide)
    assert ["hello"] == board.asked


@pytest.mark.parametrize(
    ("says", "kind", "seen"),
    [
        ({"check": "error held-low points=0400"}, OutsideVoltage, "A.3 (J1.3)"),
        ({"check": "error fed points=0020"}, OutsideVoltage, ": J2.7;"),
        ({"check": "error reference points=00C0"}, SelfCheckFailed, "REF.1, REF.2"),
        ({"check": "error not-low points=FF00"}, SelfCheckFailed, "A.6 (J1.6) and 2 more"),
        ({"check": "error held-low points=000001"}, LinkCorrupt, "a point that no tester has"),
        ({"check": "error held-low points=XY"}, LinkCorrupt, "`XY` where hexadecimal digits should be"),
        ({"check": "error held-low points"}, LinkCorrupt, "`points` where `name=value` should be"),
        ({"check": "error novel"}, SelfCheckFailed, "novel"),
        ({"check": "error"}, LinkCorrupt, "answers `error` to `check`"),
        ({"check": "yes"}, LinkCorrupt, "answers `yes` to `check`"),
        ({"check": ""}, LinkCorrupt, "answers `` to `check`"),
        ({"scan": "error unsteady points=0100"}, SelfCheckFailed, "A.1 (J1.1) among them"),
        ({"scan": "error state"}, LinkLost, "was reset or plugged in again meanwhile"),
        ({"scan": "ok walk_us=fast"}, LinkCorrupt, "`walk_us=fast` where a number should be"),
        ({"scan": "ok walk_us=-1"}, LinkCorrupt, "`walk_us=-1` where a number should be"),
        ({"map nets": "error argument"}, ProtocolMismatch, "refuses the request `map nets"),
        ({"map done": "ok points=16 crc=0000"}, LinkCorrupt, "another map than was sent"),
        ({"map done": "ok"}, LinkCorrupt, "another map than was sent"),
        ({"rows seen 01": f"ok {'00' * 15}"}, LinkCorrupt, "gives 31 bytes of `seen`, not 32"),
        ({"rows joined 01": "ok"}, LinkCorrupt, "gives 16 bytes of `joined`, not 32"),
        ({"rows doubtful 00": f"ok {'00' * 17}"}, LinkCorrupt, "gives 33 bytes of `doubtful`, not 32"),
        ({"rows seen 00": "ok 0"}, LinkCorrupt, "hexadecimal"),
        ({"rows seen 00": "ok zz"}, LinkCorrupt, "hexadecimal"),
        ({"marks": "ok apart=0000 unexplained=0000"}, LinkCorrupt, "gives 0 bytes of `group`, not 16"),
        ({"marks": f"ok apart=00 unexplained=0000 group={'00' * 16}"}, LinkCorrupt, "1 bytes of `apart`"),
        (
            {"marks": f"ok apart=8783 unexplained=0400 group={'00' * 16}"},
            Disagreement,
            "A.3 conducted in one",
        ),
        ({"rows seen 00": f"ok {'00' * 16}"}, Disagreement, "A.1 did not read low"),
        ({"judge": "ok verdict=pass"}, None, ""),
        ({"judge": "ok missing=0000 extra=0000"}, LinkCorrupt, "the board's verdict is not complete"),
        ({"judge": "ok verdict=maybe missing=0000 extra=0000"}, LinkCorrupt, "verdict is not complete"),
        (
            {"judge": "ok verdict=fail missing=1000 extra=0000"},
            LinkCorrupt,
            "misses net 4; the profile has 3",
        ),
        (
            {"judge": "ok verdict=fail missing=0100 extra=0000"},
            LinkCorrupt,
            "misses net 0; the profile has 3",
        ),
        ({"pieces joined": "ok 00"}, LinkCorrupt, "the board's verdict is not complete"),
        ({"pieces loose": f"ok {'00' * 17}"}, LinkCorrupt, "the board's verdict is not complete"),
        ({"release": "error bug"}, SelfCheckFailed, "the firmware failed"),
    ],
)
def test_what_a_board_may_say_wrong(
    says: dict[str, str], kind: type[PinwrightError] | None, seen: str
) -> None:
    if kind is None:  # no marks at all are no missing and no extra nets
        assert scan(Board(GOOD, says)).board_verdict.passed
        return
    error = failing(says)
    assert kind is type(error)
    assert seen in error.message


@pytest.mark.parametrize(
    ("says", "kind", "seen"),
    [
        ({"lane": "error converter why=missing"}, SelfCheckFailed, "converter, which measures ohms"),
        ({"lane": "error supply millivolts=2000"}, SelfCheckFailed, "at 2000 mV, below 3000 mV"),
        ({"lane": "error supply"}, LinkCorrupt, "lacks what it should say"),
        ({"lane": LANE.replace(LINK * 2, "-")}, LinkCorrupt, "reads 0 references, not 2"),
        ({"lane": LANE.replace(LINK * 2, LINK)}, LinkCorrupt, "reads 1 references, not 2"),
        ({"lane": LANE.replace(LINK * 2, LINK + "0000")}, LinkCorrupt, "reads 2 references, not 2"),
        ({"lane": LANE.replace(LINK * 2, NO_CURRENT * 2)}, SelfCheckFailed, "the tester's references reads"),
        ({"lane": LANE.replace("zero=1000", "zero=10")}, LinkCorrupt, "`zero=10` where a reading should be"),
        ({"lane": LANE.replace("zero=1000 ", "")}, LinkCorrupt, "`zero=` where a reading should be"),
        ({"lane": LANE.replace("zero=1000", "zero=1100")}, SelfCheckFailed, "where no current flows"),
        ({"lane": LANE.replace("vio=6720", "vio=5000")}, SelfCheckFailed, "reads its supply as 2.56 V"),
        ({"keep read": "ok size=5 data=-"}, LinkCorrupt, "gives 0 bytes of its check, and says 5"),
        ({"keep read": "ok size=1 data=AABB"}, LinkCorrupt, "gives 2 bytes of its check, and says 1"),
        ({"keep read": "ok size=9999 data=AABB"}, LinkCorrupt, "gives 2 bytes of its check, and says 9999"),
        ({"keep read": "ok size=3 data=616263"}, SelfCheckFailed, "is damaged"),
        ({"measure links": "error overload points=0100"}, SelfCheckFailed, "A.1 (J1.1)"),
        ({"measure links": "error backwards points=0100"}, OutsideVoltage, "A.1 (J1.1)"),
        ({"measure links": "error lane"}, ProtocolMismatch, "says it has no ohms lane"),
        ({"measure links": "error state"}, LinkLost, "has forgotten what came before `measure links"),
        ({"measure leaks": "ok"}, LinkCorrupt, "`us=` where a number should be"),
        ({"readings high": f"ok {LINK}"}, LinkCorrupt, "gives 1 readings of 16 points"),
        ({"readings leak": "ok 100"}, LinkCorrupt, "hexadecimal"),
        ({"readings leak": f"ok {'00' * 33}"}, LinkCorrupt, "where readings should be"),
    ],
)
def test_what_a_board_that_measures_may_say_wrong(
    says: dict[str, str], kind: type[PinwrightError], seen: str
) -> None:
    error = failing(says, "uncalibrated")
    assert kind is type(error), error
    assert seen in error.message


def test_what_the_board_concludes_is_checked_before_it_is_asked_for_a_verdict() -> None:
    board = Board(GOOD, {"rows joined": f"ok {'00' * 16}"})
    with pytest.raises(Disagreement):
        scan(board)
    assert "judge" not in board.asked


def test_a_request_out_of_turn_is_our_own_bug() -> None:
    session = Session(cable(), FIXTURES, "0.6.0")
    with pytest.raises(OwnBug, match="a map was asked for before the board was known"):
        board_map(session)
    for name, step in STEPS:
        if name in ("evidence", "judge"):
            with pytest.raises(OwnBug, match="before the board was known"):
                next(step(session))


def test_a_board_can_be_greeted_without_a_scan() -> None:
    run = greet()
    assert "hello" == next(run).words
    with pytest.raises(StopIteration) as done:
        run.send(tuple(HELLO.split(" ")))
    assert ("E6614", 1, "") == (done.value.value.id, done.value.value.fitted, done.value.value.name)


class Wire:
    """A link to such a board, byte for byte. mangle: may change the n-th reply line, from 1 on."""

    name = "played"

    def __init__(self, board: Board, mangle: Callable[[int, bytes], bytes]) -> None:
        self.board, self.mangle = board, mangle
        self.replies = 0
        self.waiting = b""
        self.interrupted = 0

    def write(self, data: bytes) -> None:
        for line in data.decode("ascii").splitlines():
            if not line:
                continue
            assert f"{crc16(line[:-5].encode()):04X}" == line[-4:]
            body = f"<{line[1:3]} {self.board.answer(line[4:-5])}".encode()
            self.replies += 1
            self.waiting += self.mangle(self.replies, body + b" %04X\r\n" % crc16(body))

    def read(self, timeout_s: float) -> bytes:
        data, self.waiting = self.waiting[:50], self.waiting[50:]
        if not data:
            CLOCK[0] += timeout_s
        return data

    def interrupt(self) -> None:
        self.interrupted += 1

    def again(self, timeout_s: float) -> bool:
        return False

    def close(self) -> None:
        pass


CLOCK = [0.0]


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Time passes only while somebody waits in vain."""
    monkeypatch.setattr("pinwright.link.time.monotonic", lambda: CLOCK[0])
    CLOCK[0] = 0.0
    return CLOCK


def over_the_wire(mangle: Callable[[int, bytes], bytes], heard: list[str] | None = None) -> Wire:
    wire = Wire(Board(GOOD, lane="uncalibrated"), mangle)
    found = drive(
        Session(cable(), FIXTURES, "0.6.0").run(), Line(wire, (heard if heard is not None else []).append)
    )
    assert found.board_verdict.passed
    return wire


def test_a_whole_scan_goes_over_the_wire(clock: list[float]) -> None:
    wire = over_the_wire(lambda n, line: line)
    assert (8 + 1 + 3 * 2 + 1 + 3 + 7 + 1, 0) == (wire.replies, wire.interrupted)
    assert 0.0 == clock[0]


# One reply of every kind: those of the scan, the links and the leaks, and all others; from the tenth on come
# the pages of three matrices.
ONCE = {9: "scan settle=20", 20: "measure links 8703", 24: "measure leaks"}
REPEATABLE = (1, 2, 3, 4, 5, 6, 7, 8, 10, 11, 12, 15, 16, 17, 18, 19, 21, 22, 23, 25, 26, 27)


@pytest.mark.parametrize("which", REPEATABLE)
@pytest.mark.parametrize(
    "loss",
    [
        pytest.param(lambda line: b"", id="lost"),
        pytest.param(lambda line: line[: len(line) // 2], id="half"),
        pytest.param(lambda line: line[:-2], id="without its newline"),
        pytest.param(lambda line: line[:5] + b"?" + line[6:], id="garbled"),
        pytest.param(lambda line: line + line, id="twice"),
        pytest.param(lambda line: b"a word of chatter\n" + line, id="after chatter"),
    ],
)
def test_any_one_reply_but_the_scan_s_may_be_lost(
    clock: list[float], which: int, loss: Callable[[bytes], bytes]
) -> None:
    over_the_wire(lambda n, line: loss(line) if n == which else line)


@pytest.mark.parametrize("loss", [lambda line: b"", lambda line: line[:9], lambda line: line[:-4] + b"0\r\n"])
@pytest.mark.parametrize("which", ONCE)
def test_a_scan_or_measurement_whose_reply_is_lost_is_not_done_twice(
    clock: list[float], which: int, loss: Callable[[bytes], bytes]
) -> None:
    board = Board(GOOD, lane="uncalibrated")
    wire = Wire(board, lambda n, line: loss(line) if n == which else line)
    with pytest.raises(PinwrightError) as error:
        drive(Session(cable(), FIXTURES, "0.6.0").run(), Line(wire, lambda text: None))
    assert 3 == error.value.status
    assert 1 == board.asked.count(ONCE[which])
    assert {"hello"} >= set(board.asked[board.asked.index(ONCE[which]) + 1 :])


def test_whatever_a_board_may_be_busy_with_is_given_time() -> None:
    """A word of `busy` in reply to a request that has none would be taken for the reply itself."""
    board = Board(GOOD, lane="uncalibrated")
    run = Session(cable(), FIXTURES, "0.6.0").run()
    request = next(run)
    most = {}
    while True:
        most[request.words.split(" ")[0]] = request.most_s
        try:
            request = run.send(tuple(board.answer(request.words).split(" ")))
        except StopIteration:
            break
    assert {verb for verb, most_s in most.items() if most_s} == {"scan", "lane", "measure"}
