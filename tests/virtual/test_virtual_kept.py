"""What a calibrated board keeps of itself, and whether a calibration of that very board would find it."""

import re
from datetime import UTC, datetime, timedelta

import pytest

from pinwright.cable.pins import Pin
from pinwright.tester.calibration import Calibration, LongCheck
from pinwright.tester.frames import encode
from pinwright.tester.ohmmeter import CONVERSIONS, OFFSET, Lane
from pinwright.virtual.bench import Bench
from pinwright.virtual.bench import TesterSpec as Spec
from pinwright.virtual.kept import calibration_of, keep

from ..desk import Desk

POINT_OF = {Pin("P", str(point)): point for point in range(128)}
MADE = datetime(2026, 1, 31, 9, tzinfo=UTC)


def test_a_calibrated_board_has_a_calibration_and_a_long_check_of_that_day(tmp_path):
    written = keep(tmp_path, Spec(calibrated=MADE))
    assert written == {file.name: file.read_bytes() for file in tmp_path.iterdir()}
    calibration = Calibration.from_bytes(written["calibration.bin"])
    assert (MADE, 27.0) == (calibration.made, calibration.celsius)
    assert LongCheck(MADE, True, True, ("J1", "S1", "J2"), "") == LongCheck.from_bytes(written["check.bin"])


def test_without_a_day_it_is_now(tmp_path):
    keep(tmp_path, Spec())
    made = Calibration.from_bytes((tmp_path / "calibration.bin").read_bytes()).made
    assert timedelta(0) <= datetime.now(UTC) - made < timedelta(minutes=5)


@pytest.mark.parametrize("spec", [Spec(lane="none"), Spec(lane="uncalibrated"), Spec(kind="pocket")], ids=str)
def test_other_boards_keep_nothing(spec, tmp_path):
    assert {} == keep(tmp_path, spec)
    assert [] == list(tmp_path.iterdir())


def test_files_that_are_there_already_stay_as_they_are(tmp_path):
    (tmp_path / "check.bin").write_bytes(b"own")
    assert ["calibration.bin"] == list(keep(tmp_path, Spec()))
    assert b"own" == (tmp_path / "check.bin").read_bytes()


@pytest.mark.parametrize(
    ("fitted", "sockets", "references"), [(8, ("J1", "S1", "J2"), 4), (5, ("J1", "S1"), 0), (1, (), 0)]
)
def test_a_population_is_calibrated_as_far_as_it_goes(fitted, sockets, references, tmp_path):
    written = keep(tmp_path, Spec(fitted=fitted))
    calibration = Calibration.from_bytes(written["calibration.bin"])
    assert 16 * fitted == len(calibration.high_ohms) == len(calibration.low_ohms) == len(calibration.empty)
    known = [min(16 * fitted, 120)] * 2
    assert known == [
        sum(x is not None for x in table) for table in (calibration.high_ohms, calibration.low_ohms)
    ]
    assert references == len(calibration.references)
    assert sockets == LongCheck.from_bytes(written["check.bin"]).sockets


class Talk:
    """A desk, request by request."""

    def __init__(self, desk):
        self.desk, self.seq = desk, 0

    def say(self, words):
        self.seq = self.seq % 255 + 1
        self.desk.write(encode(self.seq, words))
        return re.fullmatch(r"(?:<.. busy ....\n)*<.. (ok ?.*) ....\n", self.desk.read(0).decode()).group(1)

    def scan(self):
        points = self.desk.board.circuit.points
        for words in ("map clear", f"map nets 00 {'00' * len(points)}", "map groups 00 00", "map done"):
            self.say(words)
        self.say("check")
        self.say("scan settle=300")

    def lane(self):
        told = dict(re.findall(r"(\w+)=(\w+)", self.say("lane")))
        refs = bytes.fromhex(told["refs"])
        return Lane(
            int(told["zero"], 16), int(told["vio"], 16), int(told["sensor"], 16),
            tuple(int.from_bytes(refs[at : at + 2], "big") for at in range(0, len(refs), 2)),
        )  # fmt: skip

    def readings(self, kind, page):
        data = bytes.fromhex(self.say(f"readings {kind} {page:02X}").split()[1])
        return [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_is_kept_is_what_a_calibration_of_that_board_finds(seed):
    """A shorting bar over J1: each point high against 39 lows, and low against 39 highs."""
    kept = calibration_of(Spec(seed=seed), MADE)
    bar = {"link": [{"pins": [f"P.{n}" for n in range(40)], "ohms": 0.001}], "tester": {"seed": seed}}
    with Desk(Bench.from_dict(bar), POINT_OF) as desk:
        desk.board.converter.noise_steps = 0.0
        talk = Talk(desk)
        talk.scan()
        talk.say("measure bar FFFFFFFFFF" + "00" * 11)
        high, low = ([*talk.readings(kind, 0), *talk.readings(kind, 1)] for kind in ("high", "low"))
        lane = talk.lane()
    lows, highs = (sum(1 / ohms for ohms in table[:40]) for table in (kept.low_ohms, kept.high_ohms))
    for point in range(40):
        others = 1 / (lows - 1 / kept.low_ohms[point])
        assert kept.high_ohms[point] + others == pytest.approx(lane.path_ohms(high[point]), abs=0.6)
        others = 1 / (highs - 1 / kept.high_ohms[point])
        assert kept.low_ohms[point] + others == pytest.approx(lane.path_ohms(low[point]), abs=0.6)
    paths = [lane.path_ohms(reading) for reading in lane.references]
    assert kept.references == pytest.approx(paths, abs=0.6)
    assert kept.celsius == pytest.approx(lane.celsius, abs=0.3)


def test_an_empty_fixture_reads_what_is_kept_but_for_noise():
    with Desk(Bench(), POINT_OF) as desk:
        talk = Talk(desk)
        talk.scan()
        zero = (talk.lane().zero - OFFSET) / CONVERSIONS
        talk.say("parts clear")
        talk.say("parts 00 " + bytes(range(1, 41)).hex().upper())
        talk.say("measure leaks")
        leaks = talk.readings("leak", 0)
    kept = calibration_of(Spec(), MADE).empty
    for reading, empty in zip(leaks, kept, strict=False):
        assert abs(reading - OFFSET - CONVERSIONS * zero - empty) < 16
