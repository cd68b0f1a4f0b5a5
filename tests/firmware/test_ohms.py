"""The ohms lane against the model of the circuit, and what it must never do to the parts.

What a reading should be is worked out here, from a second board of the same parts and the same cable.
"""

from __future__ import annotations

import itertools
import random
import threading

import pytest

from pinwright.tester.frames import encode
from pinwright.virtual import board as board_model
from pinwright.virtual import converter as converter_model
from pinwright.virtual.bench import Bench
from pinwright.virtual.board import VirtualBoard
from pinwright.virtual.circuit import HIGH, INPUT, LOW

from .conftest import POINT_OF

POINTS = 128
SHUNT_STEP_V, SUPPLY_STEP_V = 0.256 / 32768, 4.096 / 32768
SHUNT_RANGE, SUPPLY_RANGE = 5, 1  # the field PGA
# Noise of one step rms in each of four conversions of the reading and four of the zero: 5 sigma are 14. One
# more for what VIO, of which inputs leak a little, is rounded to.
WITHIN = 15

SEVEN = (3, *range(20, 25), 90)
CABLE = {
    "link": [
        {"pins": ["P.0", "P.40"], "ohms": 0.1},
        {"pins": ["P.1", "P.41"], "ohms": 10.0},
        {"pins": ["P.2", "P.42"], "ohms": 300.0},
        {"pins": [f"P.{p}" for p in SEVEN], "ohms": 0.2},
        {"pins": ["P.0", "P.1"], "ohms": 10_000.0},
        {"pins": ["P.41", "P.60"], "ohms": 100_000.0},
        {"pins": ["P.2", "P.62"], "ohms": 1e6},
    ]
}
OF_PART = {1: (0, 40), 2: (1, 41), 3: (2, 42), 4: SEVEN, 5: (60,)}
PARTS = bytes(next((part for part, points in OF_PART.items() if p in points), 0) for p in range(POINTS))
ALL = "FF" * 16


def _mask(points):
    return sum(1 << p for p in points).to_bytes(16, "little").hex().upper()


class Expected:
    """What the converter should read, on a board of its own."""

    def __init__(self, bench):
        self._board = VirtualBoard(Bench.from_dict(bench), POINT_OF)
        self._parts = self._board._parts

    def _drive(self, high, low):
        circuit = self._board.circuit
        for point in range(POINTS):
            circuit.set_drive(point, HIGH if point in high else LOW if point in low else INPUT)
        circuit.settle()
        return circuit

    def steps(self, high, low):
        """Four conversions of the shunt, without the converter's offset."""
        amps = self._drive(high, low).supply_ma / 1e3
        gain = self._parts.converter_gains[SHUNT_RANGE]
        return 4 * gain * amps * self._parts.shunt_ohms / SHUNT_STEP_V

    def supply(self):
        """One conversion of VIO, all points low."""
        volts = self._drive((), range(POINTS)).vio_v
        return volts * self._parts.converter_gains[SUPPLY_RANGE] / SUPPLY_STEP_V

    def offset(self):
        return self._parts.converter_offset_steps


def _others(*points):
    return [p for p in range(POINTS) if p not in points]


def _scanned(start, bench=CABLE, **named):
    board = start(bench, **named)
    assert "ok" == board.say("check")
    board.load(bytes(POINTS))
    assert board.say("scan settle=20").startswith("ok ")
    return board


def _own(board):
    """What `lane` says: numbers by name, the references a list."""
    reply = board.say("lane")
    assert reply.startswith("ok "), reply
    told = dict(word.split("=") for word in reply.split()[1:])
    refs = [int(told["refs"][at : at + 4], 16) for at in range(0, 16, 4)]
    return {name: int(told[name], 16) for name in ("zero", "vio", "sensor")} | {"refs": refs}


def _readings(board, which):
    words = "".join(board.say(f"readings {which} {page:02X}").removeprefix("ok ") for page in range(4))
    return [int(words[at : at + 4], 16) for at in range(0, 4 * POINTS, 4)]


def _measure(board, what):
    reply = board.say(f"measure {what}")
    assert reply.startswith("ok us="), reply
    return int(reply.removeprefix("ok us="))


def test_what_the_lane_says_of_itself_is_what_the_model_has(engine, start):
    board = start(CABLE)
    assert "ok" == board.say("check")
    own, expected = _own(board), Expected(CABLE)
    zero = 4096 + expected.steps((), range(POINTS)) + 4 * expected.offset()
    assert zero == pytest.approx(own["zero"], abs=WITHIN)
    assert expected.supply() + expected.offset() == pytest.approx(own["vio"], abs=5)
    assert board.board.sensor() == own["sensor"]
    for point, reading in zip((121, 122, 123, 124), own["refs"], strict=True):
        assert expected.steps([point], _others(point)) == pytest.approx(reading - own["zero"], abs=WITHIN)
    assert [] == board.unsafe()


def test_links_leaks_and_lows_are_read_as_the_circuit_has_them(engine, start):
    board, expected = _scanned(start), Expected(CABLE)
    zero = _own(board)["zero"]
    _measure(board, f"links {ALL}")
    for point, reading in enumerate(_readings(board, "high")):
        wanted = expected.steps([point], _others(point))
        assert wanted == pytest.approx(reading - zero, abs=WITHIN), point

    assert "ok" == board.say(f"parts 00 {PARTS.hex().upper()}")
    _measure(board, "leaks")
    leaks = _readings(board, "leak")
    lowest = {part: min(points) for part, points in OF_PART.items()}
    assert sorted(lowest.values()) == [point for point, reading in enumerate(leaks) if reading]
    for part, point in lowest.items():
        low = [p for p in range(POINTS) if PARTS[p] != part]
        assert expected.steps([point], low) == pytest.approx(leaks[point] - zero, abs=WITHIN), point
    assert 300 < leaks[0] - zero  # 10 kilohms
    assert abs(leaks[3] - zero) < WITHIN  # none

    bar = _mask(SEVEN)
    _measure(board, f"bar {bar}")
    high, low = _readings(board, "high"), _readings(board, "low")
    assert list(SEVEN) == [point for point, reading in enumerate(low) if reading]
    for point in SEVEN:
        others = [p for p in SEVEN if p != point]
        assert expected.steps([point], _others(point)) == pytest.approx(high[point] - zero, abs=WITHIN)
        assert expected.steps(others, [point]) == pytest.approx(low[point] - zero, abs=WITHIN)
    assert [] == board.unsafe()
    assert [] == board.board.broken


BARS = [{"pins": [f"P.{p}" for p in range(first, first + 40)], "ohms": 0.01} for first in (0, 40, 80)]


def test_no_point_is_driven_for_60_ms_and_never_do_two_highs_meet_two_lows(engine, start, monkeypatch):
    """By the buses' clock, which does not know of 0.8 ms before each of 6 readings."""
    monkeypatch.setattr(board_model, "MOST_DRIVEN_US", 55_000)
    board = _scanned(start, {"link": BARS})
    board.say("lane")
    for words in (f"links {ALL}", "leaks", *(f"bar {_mask(range(at, at + 40))}" for at in (0, 40, 80))):
        assert "ok" == board.say("parts 00 " + bytes(range(1, POINTS + 1)).hex().upper())
        assert _measure(board, words) < 3_000_000
        assert [] == board.unsafe()
        assert [] == board.board.breaches()
    assert all(_readings(board, "low")[:120])
    assert 39 == board.board.most_high


# Each measurement with a converter that takes so long for a conversion, by a clock of its own: that of the
# portable bus on a board, about. Prints the longest time for which a point was driven without a break.
SLOW = """
from tester import ohms
from tester.board import Board
now, since, longest, outputs = [0], [0], [0], [0] * 8
ohms.ticks_us = lambda: now[0]
ohms.ticks_diff = lambda end, start: end - start
class Slow:
    def shunt(self):
        now[0] += TAKES
        return 100
    def supply(self):
        now[0] += TAKES
        return 26000
def settle(us):
    now[0] += us
def write(chip, register, value):
    now[0] += 60
    drove = any(outputs)
    if register == 0:
        outputs[chip] = value ^ 0xFFFF
    if any(outputs) and not drove:
        since[0] = now[0]
    elif drove and not any(outputs):
        longest[0] = max(longest[0], now[0] - since[0])
    at_once(chip, register, value)
def read(chip, register):
    now[0] += 60
    return read_at_once(chip, register)
board = Board()
bank, chips = board.bank, board.bank.chips
bank.begin()
at_once, read_at_once = chips.write, chips.read
chips.write, chips.read, bank.settle = write, read, settle
lane = ohms.Lane(bank, Slow(), board.sensor, (121, 122, 123, 124), lambda: None)
for point in range(128):
    lane.parts[point] = point // 3 + 1
lane.look()
print(longest[0])
lane.measure_links(bytes([255] * 16))
print(longest[0])
lane.measure_leaks()
print(longest[0])
lane.measure_bar(bytes([31] + [0] * 15))
print(longest[0])
"""


@pytest.mark.parametrize("takes_us", [1163, 2400, 3650, 5200])
def test_no_point_is_driven_for_60_ms_however_slow_the_converter_is(takes_us, engine, start):
    board = start({"link": BARS}, script=SLOW.replace("TAKES", str(takes_us)))
    board.board.measures = True
    longest = [int(board.line()) for _ in range(4)]
    assert longest == sorted(longest)
    assert 10_000 < longest[0]
    assert 40_000 < longest[1]
    assert longest[3] <= 60_000
    assert [] == board.unsafe()


def test_drives_that_are_too_long_or_too_many_would_be_noticed(start, micropython, monkeypatch):
    monkeypatch.setattr(board_model, "MOST_DRIVEN_US", 20_000)
    board = _scanned(start, {"link": BARS})
    board.say(f"measure links {ALL}")
    assert any("driven for" in line for line in board.board.breaches())
    board.board.broken.clear()
    board.board._lows = board.board._highs = 0


def _short(board):
    return f"error overload points={_mask([7])}", (3.3, 3.04, 3.04, 0.0)


def _fed(board):
    return f"error backwards points={_mask([7])}", (3.3, 3.3003, 3.3003, 0.0)


def _weak(board):
    return "error supply millivolts=29", (3.2, 2.99, 2.99, 0.0)


WORK = {
    "links": f"measure links {_mask(range(7, 20))}",
    "leaks": "measure leaks",
    "bar": f"measure bar {_mask([7, 8, 30])}",
}
PIECE = {"link": [{"pins": ["P.7", "P.8", "P.30"]}]}


def _unhurried(folder):
    """Firmware that counts readings but does not look at its clock: its transfers are the same every time."""
    ohms = folder / "tester" / "ohms.py"
    text = ohms.read_text()
    assert "const(40_000)" in text
    ohms.write_text(text.replace("const(40_000)", "const(1 << 29)"))


def _ready(start, bench=PIECE, **named):
    board = _scanned(start, bench, **named)
    assert "ok" == board.say("parts 07 0102030405")
    assert "ok" == board.say("parts 1E 01")
    return board


def _nothing_is_left(board):
    """All let go, and no reading that might be believed."""
    assert [] == board.unsafe()
    assert [] == board.board.broken
    for which in ("high", "low", "leak"):
        assert {0} == set(_readings(board, which))


@pytest.mark.parametrize("work", WORK)
@pytest.mark.parametrize("fault", [_short, _fed, _weak], ids=["overload", "backwards", "supply"])
def test_a_current_that_no_cable_draws_ends_it_with_everything_let_go(fault, work, engine, start):
    board = _ready(start)
    error, volts = fault(board)
    for name in ("links", "leaks", "bar"):  # readings of before, which must not survive
        _measure(board, WORK[name].removeprefix("measure "))
    board.board.converter._sample = lambda: volts
    assert board.say(WORK[work]).startswith(error)
    _nothing_is_left(board)


@pytest.mark.parametrize("fault", [_short, _fed, _weak], ids=["overload", "backwards", "supply"])
def test_with_every_point_low_it_has_no_point_to_name_and_a_new_check_is_due(fault, engine, start):
    board = start(PIECE)
    assert "ok" == board.say("check")
    board.load(bytes(POINTS))
    error, volts = fault(board)
    board.board.converter._sample = lambda: volts
    assert board.say("lane").startswith(error.replace(_mask([7]), _mask([])))
    assert [] == board.unsafe()
    assert "error state" == board.say("scan settle=20")


def test_letting_go_in_the_middle_of_a_shorting_bar_pulls_no_high_low(engine, start):
    """Many highs against one low, on several chips: none of them may become a second low on the way out."""
    work = f"measure bar {_mask(range(40))}"
    board = _scanned(start, {"link": BARS}, change=_unhurried)
    before = board.board.transfers
    assert board.say(work).startswith("ok ")
    count = board.board.transfers - before
    seed = random.randrange(1 << 30)
    chance = random.Random(seed)
    for nth in range(5):
        moment = chance.randrange(count // 2, count - 100)

        def short(board=board):
            board.board.converter._sample = lambda: (3.3, 3.04, 3.04, 0.0)

        sample = board.board.converter._sample
        board.board.at[board.board.transfers + moment] = short
        told = f"seed {seed}, {nth}: transfer {moment}"
        assert board.say(work).startswith("error overload points="), told
        assert [] == board.unsafe(), told
        assert [] == board.board.broken, told
        board.board.converter._sample = sample


ANY_WORK = pytest.mark.parametrize("work", [*WORK.values(), "lane", "check"])


@ANY_WORK
def test_a_converter_that_is_never_done_ends_it_with_everything_let_go(work, engine, start, monkeypatch):
    board = _ready(start)
    monkeypatch.setattr(converter_model, "LOOKS", 1 << 30)
    assert "error converter why=late" == board.say(work)
    assert [] == board.unsafe()
    assert [] == board.board.broken


@ANY_WORK
def test_a_converter_that_vanishes_ends_it_with_everything_let_go(work, engine, start):
    board = _ready(start)
    board.board.converter.address = None
    assert "error converter why=missing" == board.say(work)
    assert [] == board.unsafe()
    assert [] == board.board.broken


def test_a_converter_that_lost_its_supply_for_a_moment_is_not_believed(start, micropython, monkeypatch):
    """It comes back with its settings lost, and ready: its result is not the one that was asked for."""
    board = _ready(start)
    converter = board.board.converter
    begin = converter._begin

    def lose(config):
        begin(config)
        converter._registers = list(converter_model.RESET_VALUES)
        converter._looks_left = 0

    monkeypatch.setattr(converter, "_begin", lose)
    assert "error converter why=late" == board.say(WORK["links"])
    _nothing_is_left(board)


def _ignore(board, is_deaf):
    """Starts get lost, if is_deaf says so of the nth: the bit alone, the settings arrive."""
    converter = board.board.converter
    write, starts = converter.write, itertools.count(1)

    def lossy(data):
        if len(data) == 3 and data[0] == converter_model.CONFIG and is_deaf(next(starts)):
            data = bytes([data[0], data[1] & 0x7F, data[2]])
        write(data)

    converter.write = lossy


@pytest.mark.parametrize("lost", [(2,), (6,), (7, 8), (1, 4, 5, 10)], ids=str)
def test_a_conversion_whose_start_got_lost_is_started_again_and_no_old_result_is_taken(lost, engine, start):
    expected = Expected(PIECE)
    board = _ready(start, change=_unhurried)
    zero = _own(board)["zero"]
    before = board.board.conversions
    _ignore(board, lambda nth: nth in lost)
    _measure(board, f"links {_mask([8, 13])}")
    assert 9 == board.board.conversions - before
    readings = _readings(board, "high")
    for point in (8, 13):
        assert _wanted(expected, "high", point) == pytest.approx(readings[point] - zero, abs=WITHIN)
    assert [] == board.unsafe()


@ANY_WORK
def test_a_converter_that_ignores_its_starts_ends_it_with_everything_let_go(work, engine, start):
    board = _ready(start)
    _ignore(board, lambda nth: True)
    assert "error converter why=idle" == board.say(work)
    assert [] == board.unsafe()
    assert [] == board.board.broken


@pytest.mark.one_in(3)
@pytest.mark.parametrize("work", WORK)
def test_a_converter_that_ignores_starts_from_some_point_on_is_idle(work, engine, start):
    """While other points are measured: the result that is there was another point's."""
    seed = random.randrange(1 << 30)
    chance = random.Random(seed)
    for _ in range(3):
        board = _ready(start)
        first = chance.randrange(1, 30 if work == "links" else 9)
        _ignore(board, lambda nth, first=first: nth >= first)
        assert "error converter why=idle" == board.say(WORK[work]), f"seed {seed}: from start {first} on"
        _nothing_is_left(board)


def _shift(board, steps_of):
    """The shunt's drop, shifted by so many steps in the nth conversion from now on."""
    converter = board.board.converter
    sample, conversions = converter._sample, itertools.count(1)

    def shifted():
        volts, steps = sample(), steps_of(next(conversions))
        return volts[0], volts[1] - steps * SHUNT_STEP_V, *volts[2:]

    converter._sample = shifted


def test_conversions_that_differ_are_done_once_more(engine, start):
    """One bit of a result that arrived wrong, or a contact that moved."""
    expected = Expected(PIECE)
    board = _ready(start, change=_unhurried)
    zero = _own(board)["zero"]
    for work, which, wrong, conversions in (  # VIO too is read whenever the points are driven anew
        (f"links {_mask([8, 13])}", "high", 7, 9 + 5),
        ("leaks", "leak", 7, 21 + 5),
        (f"bar {_mask([7, 8, 30])}", "low", 16, 13 + 12 + 4),
    ):
        before = board.board.conversions
        _shift(board, lambda nth, wrong=wrong: 40 * (nth == wrong))
        _measure(board, work)
        assert conversions == board.board.conversions - before
        for point, reading in enumerate(_readings(board, which)):
            if reading:
                wanted = _wanted(expected, which, point)
                assert wanted == pytest.approx(reading - zero, abs=WITHIN), (work, point)
    assert [] == board.unsafe()


def test_of_conversions_that_go_on_differing_the_worse_counts_for_a_link_and_for_a_leak(engine, start):
    expected = Expected(PIECE)
    board = _ready(start)
    zero = _own(board)["zero"]
    _shift(board, lambda nth: 40 * (nth % 2))
    _measure(board, f"links {_mask([8, 13, 30])}")
    _measure(board, "leaks")
    for which, more in (("high", 0), ("leak", 4 * 40)):
        readings = _readings(board, which)
        assert 3 <= sum(map(bool, readings))
        for point, reading in enumerate(readings):
            if reading:  # the noise of one conversion, four times
                wanted = _wanted(expected, which, point) + more
                assert wanted == pytest.approx(reading - zero, abs=WITHIN + 4 * 3), (which, point)
    assert [] == board.unsafe()


@pytest.mark.parametrize(("first", "point"), [(1, 7), (6, 8), (14, 7), (18, 8), (22, 30)])
def test_of_a_shorting_bar_none_counts(first, point, engine, start):
    """Its three highs take 13 conversions, the fifth of them VIO's; its lows four each."""
    board = _ready(start, change=_unhurried)
    _shift(board, lambda nth: 40 * (nth >= first and nth % 2))
    assert f"error unsteady points={_mask([point])}" == board.say(WORK["bar"])
    _nothing_is_left(board)


@pytest.mark.parametrize(("first", "points"), [(1, []), (9, [121])])
def test_nor_of_zero_and_the_references(first, points, engine, start):
    board = start(PIECE)
    assert "ok" == board.say("check")
    _shift(board, lambda nth: 40 * (nth >= first and nth % 2))
    assert f"error unsteady points={_mask(points)}" == board.say("lane")
    assert [] == board.unsafe()


def test_a_supply_that_reads_differently_every_time_is_the_converter_s_fault(engine, start):
    board = start(PIECE)
    assert "ok" == board.say("check")
    _own(board)
    converter, conversions = board.board.converter, itertools.count(1)
    sample = converter._sample

    def unsteady():
        volts = sample()
        return *volts[:2], volts[2] - 40 * SUPPLY_STEP_V * (next(conversions) % 2), volts[3]

    converter._sample = unsteady
    assert "error converter why=unsteady" == board.say("lane")
    assert [] == board.unsafe()


LET_GO_TRANSFERS = 24  # the last ones, not read back


def _count(start, work):
    """SPI transfers and conversions that it takes."""
    board = _ready(start, change=_unhurried)
    transfers, conversions = board.board.transfers, board.board.conversions
    assert board.say(work).startswith("ok ")
    return board.board.transfers - transfers, board.board.conversions - conversions


def _at_conversion(board, moment, do):
    """Do something as the next conversion but so many begins; it has been done when the chips are sampled."""
    converter, sample = board.board.converter, board.board.converter._sample
    left = [moment]

    def sampled():
        left[0] -= 1
        if not left[0]:
            do()
        return sample()

    converter._sample = sampled


@pytest.mark.one_in(3)
@pytest.mark.parametrize("work", WORK)
def test_one_wrong_bit_in_a_chip_is_put_right_and_never_read_as_ohms(work, engine, start):
    """A latch, a direction: whichever changes at whatever moment, the readings are those of the circuit."""
    transfers, conversions = _count(start, WORK[work])
    seed = random.randrange(1 << 30)
    chance = random.Random(seed)
    expected = Expected(PIECE)
    for nth in range(10):
        board = _ready(start, change=_unhurried)
        zero = _own(board)["zero"]
        point = chance.choice([7, 8, 30, 30, 9])  # of the cable, but for one: elsewhere nobody would notice
        chip, bit = board.board.chips[point // 16], point % 16
        register = chance.choice(["latch", "direction"])
        at = {"latch": 0x14, "direction": 0x00}[register] + bit // 8

        def upset(chip=chip, at=at, bit=bit):
            chip._registers[at] ^= 1 << bit % 8
            chip._act()
            chip._changed()

        if nth % 2:
            moment = chance.randrange(1, conversions + 1)
            _at_conversion(board, moment, upset)
        else:
            moment = chance.randrange(1, transfers - LET_GO_TRANSFERS)
            board.board.at[board.board.transfers + moment] = upset
        told = f"seed {seed}, {nth}: {register} of point {point} at {moment}"
        assert board.say(WORK[work]).startswith("ok "), told
        board.board.broken.clear()  # a wrong bit may do what is forbidden
        for which in ("high", "leak", "low"):
            for point, reading in enumerate(_readings(board, which)):
                if reading:
                    wanted = _wanted(expected, which, point)
                    assert wanted == pytest.approx(reading - zero, abs=WITHIN), f"{told}: {which} {point}"
        assert [] == board.unsafe(), told


def test_a_wrong_latch_that_is_soon_written_over_has_still_spoilt_what_came_before(engine, start):
    """In one hold: it is of the chip whose turn is next, and is put right by that turn."""
    expected = Expected(PIECE)
    board = _ready(start, change=_unhurried)
    zero = _own(board)["zero"]
    chip = board.board.chips[1]

    def upset():
        chip._registers[0x15] ^= 0x40  # OLAT, port B: point 30, joined to 7 and 8 which are low
        chip._act()
        chip._changed()

    _at_conversion(board, 2, upset)
    assert board.say(f"measure links {_mask([13, 14, 16])}").startswith("ok ")
    readings = _readings(board, "high")
    for point in (13, 14, 16):
        assert _wanted(expected, "high", point) == pytest.approx(readings[point] - zero, abs=WITHIN), point
    board.board.broken.clear()


def _wanted(expected, which, point):
    piece = [7, 8, 30]
    if which == "high":
        return expected.steps([point], _others(point))
    if which == "low":
        return expected.steps([p for p in piece if p != point], [point])
    parts = {7: [7, 30], 8: [8]}
    return expected.steps([point], _others(*parts.get(point, [point])))


@pytest.mark.parametrize("work", WORK)
def test_a_chip_that_goes_on_being_wrong_is_an_error(work, engine, start):
    board = _ready(start)
    chip = board.board.chips[1]
    board.board.at[board.board.transfers + 30] = lambda: setattr(chip, "opcode", None)
    opcode = chip.opcode
    assert board.say(WORK[work]).startswith("error chip chip=1 ")
    chip.opcode = opcode
    assert "ok" == board.say("release")
    board.board.broken.clear()
    _nothing_is_left(board)


@pytest.mark.parametrize(("rate", "seed"), [(1e-5, 1), (1e-4, 2), (3e-4, 3), (1e-3, 4)])
def test_wrong_bits_on_the_bus_never_make_a_wrong_reading(rate, seed, start, micropython):
    bench = {**PIECE, "tester": {"flip_bits": rate, "seed": seed}}
    expected = Expected(bench)
    board = start(bench)
    done = 0
    for _ in range(4):
        if board.say("check") != "ok":
            continue
        board.load(bytes(POINTS))
        if not board.say("scan settle=20").startswith("ok "):
            continue
        if not (own := board.say("lane")).startswith("ok "):
            continue
        zero = int(own.split()[1].removeprefix("zero="), 16)
        for work in WORK.values():
            done += board.say(work).startswith("ok ")
        for which in ("high", "low"):
            for point, reading in enumerate(_readings(board, which)):
                if reading:
                    assert _wanted(expected, which, point) == pytest.approx(reading - zero, abs=WITHIN), point
        flips, board.board._bus._flip_bits = board.board._bus._flip_bits, 0.0
        assert "ok" == board.say("release")  # the last writes are not read back: they may have arrived wrong
        assert [] == board.unsafe()
        board.board._bus._flip_bits = flips
    assert done > 0 or rate > 1e-4


@pytest.mark.parametrize("work", WORK)
def test_ctrl_c_in_the_middle_of_a_measurement_lets_go(work, engine, start):
    """Half of the moments are inside a transfer, half at a random time after one; other ones every run."""
    count, _ = _count(start, WORK[work])
    seed = random.randrange(1 << 30)
    chance = random.Random(seed)
    for nth in range(6):
        board = _ready(start, change=_unhurried)
        strike = board.tester.strike
        if nth % 2:
            strike = threading.Timer(chance.uniform(1e-5, 5e-3), strike).start
        moment = chance.randrange(1, count)
        board.board.at[board.board.transfers + moment] = strike
        board.send(encode(9, WORK[work]))
        board.wait_for_the_prompt()
        told = f"seed {seed}, {nth}: transfer {moment}"
        assert [] == board.unsafe(), told
        assert b"Traceback" not in board._seen, told
        board.board.broken.clear()  # where a transfer was cut


def test_a_reset_in_the_middle_of_a_shorting_bar_lets_go(engine, start):
    board = _ready(start)
    done = threading.Event()

    def reset():
        board.tester.reset()
        done.set()

    board.board.at[board.board.transfers + 150] = reset
    board.send(encode(9, WORK["bar"]))
    assert done.wait(5)
    assert board.say("hello").startswith("ok ")
    assert [] == board.unsafe()


def test_a_long_measurement_says_that_it_is_at_work_and_holds_no_point_meanwhile(engine, start):
    board = _scanned(start, {"link": BARS})
    board.send(encode(9, f"measure bar {_mask(range(40))}"))
    seen = []
    while not seen or " busy " in seen[-1]:
        seen.append(board.line())
    assert seen[-1].startswith("<09 ok us=")
    assert [] == board.unsafe()
