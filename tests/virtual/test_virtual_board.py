"""A board with something plugged in, spoken to over its SPI pins as firmware would."""

import tomllib
from pathlib import Path

import pytest

from pinwright.cable.pins import Pin
from pinwright.errors import BenchError
from pinwright.virtual.bench import Bench
from pinwright.virtual.board import POCKET_PINS, VirtualBoard
from pinwright.virtual.spread import parts_of

# Sockets as in hardware/README.md: J1 points 0 to 39, S1 40 to 79, J2 80 to 119.
POINT_OF = {
    Pin(end, str(n)): first + n - 1
    for end, first in (("A", 0), ("B", 40), ("@J2", 80))
    for n in range(1, 41)
}  # fmt: skip
IODIR, IOCON, GPPU, GPIO, OLAT = 0x00, 0x0A, 0x0C, 0x12, 0x14
ALL = (1 << 128) - 1
SHUNT, SUPPLY = 0x8BE3, 0xE3E3  # the converter's settings: AIN0 - AIN1 at 0.256 V, AIN2 at 4.096 V
STEP_V, SUPPLY_STEP_V = 0.256 / 32768, 4.096 / 32768


class Bank:
    """The portable way to use the board: a chip select, an exchange."""

    def __init__(self, bench=None, clock=lambda: 0.0):
        self.board = VirtualBoard(Bench.from_dict(bench or {}), POINT_OF, clock)
        self.chips = range(len(self.board.chips))
        for address in (0, 4):
            self.transfer(0x40 | address << 1, IOCON, 0x08)
        for chip in self.chips:
            self.transfer(0x40 | chip << 1, GPPU, 0xFF, 0xFF)

    def transfer(self, *sent):
        self.board.set_pin(17, 0)
        seen = self.board.exchange(bytes(sent))
        self.board.set_pin(17, 1)
        return seen

    def drive(self, point, level):
        chip, bit = divmod(point, 16)
        self.transfer(0x40 | chip << 1, OLAT, *(level << bit).to_bytes(2, "little"))
        self.transfer(0x40 | chip << 1, IODIR, *(0xFFFF & ~(1 << bit)).to_bytes(2, "little"))

    def release(self, point):
        self.transfer(0x40 | point // 16 << 1, IODIR, 0xFF, 0xFF)

    def outputs(self, lows=0, highs=0):
        """These points, bits, driven as said, all others inputs; latches before directions."""
        for chip in self.chips:
            self.transfer(0x40 | chip << 1, OLAT, *(highs >> 16 * chip & 0xFFFF).to_bytes(2, "little"))
        for chip in self.chips:
            inputs = ~(lows | highs) >> 16 * chip & 0xFFFF
            self.transfer(0x40 | chip << 1, IODIR, *inputs.to_bytes(2, "little"))

    def free(self):
        for chip in self.chips:
            self.transfer(0x40 | chip << 1, IODIR, 0xFF, 0xFF)

    def convert(self, config=SHUNT):
        """One conversion, as firmware waits for it."""
        self.board.i2c_write(0x48, b"\1" + config.to_bytes(2, "big"))
        self.board.i2c_write(0x48, b"\1")
        while not self.board.i2c_read(0x48, 2)[0] & 0x80:
            pass
        self.board.i2c_write(0x48, b"\0")
        return int.from_bytes(self.board.i2c_read(0x48, 2), "big", signed=True)

    def low(self):
        """The points that read low."""
        seen = b"".join(self.transfer(0x41 | chip << 1, GPIO, 0, 0)[2:] for chip in self.chips)
        levels = int.from_bytes(seen, "little")
        return {point for point in range(16 * len(self.chips)) if not levels >> point & 1}

    def joined(self, point):
        """The points that follow when this one is driven low."""
        self.drive(point, 0)
        try:
            return self.low() - {point}
        finally:
            self.release(point)


def test_an_empty_tester_joins_only_its_references():
    bank = Bank()
    expected = {121: {122}, 122: {121}, 123: {124}, 124: {123}}
    assert {p: expected.get(p, set()) for p in range(128)} == {p: bank.joined(p) for p in range(128)}


def test_a_small_population_has_no_references():
    bank = Bank({"tester": {"fitted": 5}})
    assert [set()] * 80 == [bank.joined(p) for p in range(80)]


def test_only_what_is_listed_conducts():
    bank = Bank({"link": [{"pins": ["A.1", "B.40", "@J2.7"]}, {"pins": ["A.2", "A.3"], "ohms": 1000}]})
    found = {p: bank.joined(p) for p in range(120) if bank.joined(p)}
    assert {0: {79, 86}, 79: {0, 86}, 86: {0, 79}, 1: {2}, 2: {1}} == found


@pytest.mark.parametrize(("ohms", "seen"), [(3_000, True), (2_000_000, False)])
def test_a_path_is_seen_below_the_sure_limit_and_not_above_the_other(ohms, seen):
    # hardware/README.md, two two-pin nets or one free point: sure below 3.7 k, never above 1.47 M.
    for seed in range(20):
        bank = Bank({"link": [{"pins": ["A.1", "B.1"], "ohms": ohms}], "tester": {"seed": seed}})
        assert seen == (40 in bank.joined(0))


@pytest.mark.parametrize(("key", "level"), [("stuck_low", 0), ("stuck_high", 1)])
def test_a_stuck_point_stays_there_whatever_the_firmware_does(key, level):
    bank = Bank({"tester": {key: [20]}})
    seen = []
    for driven in (0, 1):
        bank.drive(20, driven)
        seen.append(20 in bank.low())
    assert [not level] * 2 == seen


def test_a_cut_point_no_longer_reaches_the_cable():
    bank = Bank({"link": [{"pins": ["A.1", "B.1"]}], "tester": {"cut": [0]}})
    assert set() == bank.joined(0)
    assert set() == bank.joined(40)


def test_bridged_points_are_one():
    bank = Bank({"tester": {"bridged": [[7, 8, 90]]}})
    assert {8, 90} == bank.joined(7)


def test_a_point_without_pull_up_reads_low_when_nothing_holds_it():
    assert {10} == Bank({"tester": {"no_pullup": [10]}}).low()


def test_a_dead_chip_reads_as_an_idle_bus_and_drives_nothing():
    bank = Bank({"link": [{"pins": ["A.1", "B.40"]}], "tester": {"dead_chips": [0]}})
    assert b"\xff\xff" == bank.transfer(0x41, IODIR, 0, 0)[2:]
    assert set() == bank.joined(0)


def test_a_moved_chip_answers_at_the_other_address_over_the_one_that_is_there():
    bank = Bank({"tester": {"moved_chips": {"2": 6}}})
    assert 0xFF == bank.transfer(0x45, IOCON, 0)[2]
    bank.drive(96, 0)  # both chips at address 6 obey
    assert {96, 32} == bank.low() | {32}
    assert 0x0101 == bank.board.chips[6].outputs | bank.board.chips[2].outputs << 8


@pytest.mark.parametrize(("volts", "high"), [(5.0, True), (0.0, False)])
def test_a_voltage_from_outside_holds_its_point(volts, high):
    bank = Bank({"tester": {"outside": {"B.7": volts}}})
    assert high == (46 not in bank.low())
    assert (set() if high else {46}) == bank.low()
    bank.transfer(0x44, GPPU, 0, 0)  # chip 2 without pull-ups: a free input falls, a held one does not
    assert high == (46 not in bank.low())


def test_an_outside_voltage_reaches_whatever_the_cable_joins_to_it():
    bank = Bank({"link": [{"pins": ["A.7", "B.7"]}], "tester": {"outside": {"B.7": -12.0}}})
    assert {6, 46} == bank.low()


def test_an_intermittent_conducts_for_its_share_of_each_period():
    now = [100.0]
    link = {"pins": ["A.9", "B.36"], "closed": 0.8, "period_ms": 10}
    bank = Bank({"link": [link]}, clock=lambda: now[0])
    seen = []
    for step in range(20):
        now[0] = 100.0 + step * 1e-3 + 0.5e-3
        seen.append(75 in bank.joined(8))
    assert ([True] * 8 + [False] * 2) * 2 == seen


def test_a_link_that_is_never_closed_never_conducts():
    bank = Bank({"link": [{"pins": ["A.9", "B.36"], "closed": 0}]})
    assert set() == bank.joined(8)


def test_the_reset_line_lets_go_of_every_point():
    bank = Bank()
    bank.drive(5, 0)
    bank.board.set_pin(20, 0)
    assert [0] * 8 == [chip.outputs for chip in bank.board.chips]


def test_lamps_keep_their_level_and_the_button_is_not_pressed():
    board = Bank().board
    board.set_pin(12, 1)
    assert (1, 0, 1) == (board.pin(12), board.pin(13), board.pin(14))
    board.set_pin(12, None)
    assert 0 == board.pin(12)


def test_a_seed_gives_one_board_and_its_identity():
    one, same, other = (Bank({"tester": {"seed": seed}}).board for seed in (3, 3, 4))
    assert one.unique_id == same.unique_id != other.unique_id
    assert one.circuit.points == same.circuit.points != other.circuit.points


def test_flipped_bits_reach_what_is_read():
    bank = Bank({"tester": {"flip_bits": 0.01}})
    assert len({bank.transfer(0x41, IODIR, *[0] * 22) for _ in range(20)}) > 1


def test_the_converter_reads_what_the_circuit_draws_through_the_shunt():
    bank = Bank({"link": [{"pins": ["A.1", "B.40"], "ohms": 47}]})
    parts, seen = parts_of(1, 8), []
    for highs in (0, 1):
        seen.append(0.0)
        for _ in range(64):
            bank.outputs(ALL & ~highs, highs)
            seen[-1] += bank.convert() / 64
            bank.outputs()
    path = (
        parts.points[0].out_high_ohms + parts.points[0].series_ohms + 47
        + parts.points[79].series_ohms + parts.points[79].out_low_ohms
    )  # fmt: skip
    volts = 3.3 * parts.shunt_ohms / (parts.shunt_ohms + path)
    assert volts / STEP_V * parts.converter_gains[5] == pytest.approx(seen[1] - seen[0], abs=0.6)
    assert parts.converter_offset_steps == pytest.approx(seen[0], abs=0.6)
    bank.outputs(ALL & ~1, 1)
    vio = sum(bank.convert(SUPPLY) for _ in range(16)) / 16
    assert (3.3 - volts) / SUPPLY_STEP_V == pytest.approx(vio, abs=3.3 / SUPPLY_STEP_V * 7e-4 + 4)
    assert [] == bank.board.breaches()


def test_current_from_outside_reads_backwards():
    bank = Bank({"tester": {"outside": {"A.1": 5.0}}})
    bank.outputs(ALL & ~1, 1)
    assert -1000 > bank.convert()


@pytest.mark.parametrize("tester", [{"lane": "none"}, {"converter": "missing"}, {"kind": "pocket"}], ids=str)
def test_nothing_answers_on_the_second_bus_where_there_is_no_converter(tester):
    board = VirtualBoard(Bench.from_dict({"tester": tester}), POINT_OF)
    assert [] == [address for address in range(128) if board.i2c_write(address, b"")]
    assert board.i2c_read(0x48, 2) is None


def test_the_converter_is_the_only_device_on_its_bus():
    board = Bank({"tester": {"lane": "uncalibrated"}}).board
    assert [0x48] == [address for address in range(128) if board.i2c_write(address, b"")]


@pytest.mark.parametrize("kelvin", [-60.0, 0.0, 4.0, 60.0])
def test_the_sensor_shows_27_degrees_and_how_much_warmer_it_is(kelvin):
    volts = Bank({"tester": {"kelvin": kelvin}}).board.sensor() / 65535 * 3.3
    assert 27 + kelvin == pytest.approx(27 - (volts - 0.706) / 0.001721, abs=0.3)  # half of one of 12 bits


def test_a_warmer_board_has_other_resistances_and_the_same_chips_otherwise():
    cold, warm = (Bank({"tester": {"kelvin": kelvin}}).board.circuit.points for kelvin in (0, 10))
    grown = [b.out_high_ohms / a.out_high_ohms for a, b in zip(cold, warm, strict=True)]
    assert all(1.01 < growth < 1.06 for growth in grown)
    assert [p.pullup_amps for p in cold] == [p.pullup_amps for p in warm]


def test_the_buses_are_counted_in_bytes_and_in_time():
    bank = Bank()
    board = bank.board
    before = board.bus_us, board.spi_bytes, board.spi_transfers
    bank.transfer(0x41, GPIO, 0, 0)
    assert (before[0] + 4, before[1] + 4, before[2] + 1) == (
        board.bus_us,
        board.spi_bytes,
        board.spi_transfers,
    )
    bank.convert()
    # Address, pointer and two bytes; the pointer; two looks of address and two bytes; pointer, result.
    assert (4 + 2 + 2 * 3 + 2 + 3, 1) == (board.i2c_bytes, board.conversions)
    assert before[0] + 4 + 17 * 22.5 + 1163 == board.bus_us


def breaches(bank):
    return [breach.split(" is down")[0] for breach in bank.board.breaches()]


def test_up_to_four_points_may_be_high_wherever_they_lead():
    bank = Bank()
    bank.outputs(highs=0b1111)
    assert [] == breaches(bank)
    bank.outputs(highs=0b11111)
    assert "5 points high across copper that has not been walked" in breaches(bank)


def test_points_that_have_each_been_the_only_low_one_may_be_high_together_until_the_next_cable():
    bank = Bank()
    for point in range(12):
        bank.joined(point)
    bank.outputs(highs=0xFFF)
    assert [] == breaches(bank)
    bank.outputs()
    bank.board.plug(Bench(), POINT_OF)
    bank.outputs(highs=0xFFF)
    assert "12 points high across copper that has not been walked" in breaches(bank)


SHORTED = {"link": [{"pins": [f"A.{n}", f"B.{n}"]} for n in range(1, 41)]}
LOWS, HIGHS = 0xFFFFFFFFFF << 40, 0xFFFFFFFFFF


def test_highs_against_lows_that_pull_vio_down_are_noticed_though_nobody_reads():
    bank = Bank(SHORTED)
    for point in range(40):
        bank.joined(point)
    bank.outputs(LOWS)
    bank.outputs(LOWS, HIGHS)
    assert "VIO" in breaches(bank)


def test_one_low_against_many_highs_of_one_net_is_no_harm():
    bank = Bank({"link": [{"pins": [f"A.{n}" for n in range(1, 41)]}]})
    for point in range(40):
        bank.joined(point)
    for point in range(40):
        bank.outputs(1 << point, HIGHS & ~(1 << point))
        bank.free()
    assert [] == breaches(bank)


def test_latches_that_are_cleared_before_the_points_are_let_go_are_noticed():
    bank = Bank({"link": [{"pins": [f"A.{n}" for n in range(1, 41)]}]})
    for point in range(40):
        bank.joined(point)
    bank.outputs(1, HIGHS & ~1)
    bank.transfer(0x40, OLAT, 0, 0)  # sixteen lows against twenty-four highs
    assert {"VIO"} == set(breaches(bank))


def test_a_point_that_is_driven_for_too_long_is_noticed_once_it_is_let_go_or_at_the_end():
    bank = Bank()
    bank.outputs(lows=0b11)
    for _ in range(60):
        bank.convert()
    assert [] == breaches(bank)
    bank.outputs(lows=0b01)  # a break for one of them
    for _ in range(10):
        bank.convert()
    assert ["point 0 driven for 108 ms"] == breaches(bank)
    bank.outputs(lows=0b10)
    assert ["point 0 driven for 108 ms"] == breaches(bank)


def test_traffic_while_the_converter_works_is_noticed():
    bank = Bank()
    bank.board.i2c_write(0x48, b"\1" + SHUNT.to_bytes(2, "big"))
    bank.low()
    assert [] == breaches(bank)  # nobody has waited for it yet
    bank.board.i2c_read(0x48, 2)
    bank.board.i2c_read(0x48, 2)
    assert ["SPI traffic while the converter was at work"] == breaches(bank)


@pytest.mark.parametrize(
    "faults", [{"stuck_low": [0]}, {"outside": {"A.1": -12.0}}, {"flip_bits": 1e-9}], ids=str
)
def test_what_a_fault_of_the_bench_does_is_not_counted(faults):
    bank = Bank({"link": [{"pins": ["A.1", "A.2"]}], "tester": faults})
    bank.outputs(highs=0b1)
    bank.low()
    assert bank.board.circuit.vio_v < 3.3
    assert [] == breaches(bank)


def test_with_bits_that_flip_nothing_is_counted():
    bank = Bank({**SHORTED, "tester": {"flip_bits": 1e-9}})
    bank.outputs(LOWS, HIGHS)
    assert [] == breaches(bank)


def test_a_long_list_of_breaches_is_cut():
    bank = Bank()
    for count in range(5, 50):
        bank.outputs(highs=(1 << count) - 1)
        bank.outputs()
    assert 20 == len(breaches(bank))


POCKET = Path(__file__).parents[2] / "hardware" / "pocket.toml"


def test_the_points_of_a_pocket_tester_are_the_pins_of_its_sockets():
    sockets = tomllib.loads(POCKET.read_text("utf-8"))["sockets"]
    assert list(POCKET_PINS) == [gpio for socket in sockets.values() for gpio in socket["gpio"]]


class Pocket:
    """A pocket tester as its firmware uses it: pins that are let go, with or without pull-up, or low."""

    def __init__(self, bench=None, **faults):
        tester = {"tester": {"kind": "pocket", **faults}}
        self.board = VirtualBoard(Bench.from_dict((bench or {}) | tester), POINT_OF)
        self.rest()

    def rest(self):
        for gpio in POCKET_PINS:
            self.board.set_pin(gpio, None, pull_up=True)

    def low(self):
        return {point for point, gpio in enumerate(POCKET_PINS) if not self.board.pin(gpio)}

    def joined(self, point):
        """The points that follow when this one is driven low."""
        self.board.set_pin(POCKET_PINS[point], 0)
        try:
            return self.low() - {point}
        finally:
            self.rest()


def test_a_pocket_tester_joins_only_what_is_listed_and_has_no_references():
    pocket = Pocket({"link": [{"pins": ["A.1", "A.24", "A.13"]}, {"pins": ["A.2", "A.3"], "ohms": 1000}]})
    expected = {0: {23, 12}, 12: {0, 23}, 23: {0, 12}, 1: {2}, 2: {1}}
    assert {p: expected.get(p, set()) for p in range(24)} == {p: pocket.joined(p) for p in range(24)}
    assert [] == pocket.board.chips


@pytest.mark.parametrize(("ohms", "seen"), [(3_000, True), (2_000_000, False)])
def test_a_pocket_tester_sees_a_good_path_and_no_bad_one(ohms, seen):
    for seed in range(20):
        pocket = Pocket({"link": [{"pins": ["A.1", "A.13"], "ohms": ohms}]}, seed=seed)
        assert seen == (12 in pocket.joined(0))


@pytest.mark.parametrize(
    ("faults", "low"),
    [
        ({"stuck_low": [20]}, {20}),
        ({"stuck_high": [20]}, set()),
        ({"no_pullup": [20]}, {20}),
        ({"outside": {"A.21": 0.0}}, {20}),
        ({"outside": {"A.21": 5.0}}, set()),
    ],
    ids=str,
)
def test_the_faults_of_a_pocket_tester_are_those_of_its_points(faults, low):
    assert low == Pocket(**faults).low()


def test_what_a_driven_pin_reads_is_what_is_there():
    for faults, low in (({}, {20}), ({"stuck_high": [20]}, set())):
        pocket = Pocket(**faults)
        pocket.board.set_pin(POCKET_PINS[20], 0)
        assert low == pocket.low()


def test_bridged_and_cut_points_of_a_pocket_tester():
    pocket = Pocket({"link": [{"pins": ["A.1", "A.2"]}]}, bridged=[[7, 8]], cut=[0])
    assert ({8}, set(), set()) == (pocket.joined(7), pocket.joined(0), pocket.joined(1))


def test_a_pocket_tester_floats_low_without_pull_ups_and_a_hard_reset_lets_go():
    pocket = Pocket({"link": [{"pins": ["A.1", "A.24"]}]})
    pocket.board.set_pin(0, 0)
    assert {0, 23} == pocket.low()
    pocket.board.let_go_pins()
    assert set(range(24)) == pocket.low()  # no pull-ups: the leaks win
    pocket.rest()
    assert set() == pocket.low()


@pytest.mark.parametrize("tester", [{}, {"kind": "pocket"}], ids=["tester", "pocket"])
def test_another_cable_takes_the_place_of_the_first_and_a_wrong_one_changes_nothing(tester):
    def to(*pins):
        return {"link": [{"pins": ["A.1", *pins]}] if pins else [], "tester": tester}

    bank = (Pocket if tester else Bank)(to("A.2"))
    assert {1} == bank.joined(0)
    bank.board.plug(Bench.from_dict(to("A.9")), POINT_OF)
    assert {8} == bank.joined(0)
    with pytest.raises(BenchError):
        bank.board.plug(Bench.from_dict(to("Z.1")), POINT_OF)
    assert {8} == bank.joined(0)
    bank.board.plug(Bench.from_dict(to()), POINT_OF)
    assert set() == bank.joined(0)


def test_points_that_are_driven_stay_driven_while_the_cable_is_changed():
    pocket = Pocket()
    pocket.board.set_pin(POCKET_PINS[3], 0)
    pocket.board.plug(
        Bench.from_dict({"link": [{"pins": ["A.4", "A.5"]}], "tester": {"kind": "pocket"}}), POINT_OF
    )
    assert {3, 4} == pocket.low()


@pytest.mark.parametrize(
    ("bench", "message"),
    [
        (
            {"link": [{"pins": ["A.1", "A.25"]}], "tester": {"kind": "pocket"}},
            "bench file, key `link[1].pins`: `A.25` is point 24, which is not fitted: "
            "a pocket tester has points 0 to 23",
        ),
        (
            {"link": [{"pins": ["A.1", "A.41"]}]},
            "bench file, key `link[1].pins`: no pin `A.41`; `A` has 40 pins, `A.1` to `A.40`",
        ),
        (
            {"link": [{"pins": ["A.1", "C.1"]}]},
            "bench file, key `link[1].pins`: no pin `C.1`; plugged in are `@J2`, `A`, `B`",
        ),
        (
            {"tester": {"outside": {"A.0": 5}}},
            "bench file, key `tester.outside.A.0`: no pin `A.0`; `A` has 40 pins, `A.1` to `A.40`",
        ),
        (
            {"link": [{"pins": ["A.1", "@J2.1"]}], "tester": {"fitted": 5}},
            "bench file, key `link[1].pins`: `@J2.1` is point 80, which is not fitted: "
            "5 expanders make points 0 to 79",
        ),
    ],
)
def test_a_pin_that_the_tester_does_not_have_is_named(bench, message):
    with pytest.raises(BenchError) as caught:
        Bank(bench)
    assert message == caught.value.message
