"""The converter and its bus against what the data sheet (SBAS444, from memory) says of them."""

import random
import statistics

import pytest

from pinwright.virtual.converter import (
    ADDRESS,
    CONFIG,
    CONVERSION,
    HI_THRESH,
    LO_THRESH,
    Converter,
    I2cBus,
)

SHUNT, SUPPLY = 0x8BE3, 0xE3E3  # AIN0 - AIN1 at 0.256 V; AIN2 at 4.096 V; single-shot, 860 a second


class Bench:
    """A converter on a bus, with volts at its inputs."""

    def __init__(self, *volts, noise_steps=0.0, **named):
        self.volts = list(volts) or [0.0] * 4
        self.told = []
        self.chip = Converter(lambda: self.volts, converted=self.told.append, **named)
        self.chip.noise_steps = noise_steps
        self.bus = I2cBus([self.chip])

    def write(self, register, value):
        return self.bus.write(ADDRESS, bytes([register]) + value.to_bytes(2, "big"))

    def read(self, register):
        self.bus.write(ADDRESS, bytes([register]))
        return int.from_bytes(self.bus.read(ADDRESS, 2), "big")

    def convert(self, config=SHUNT):
        self.write(CONFIG, config)
        while not self.read(CONFIG) & 0x8000:
            pass
        return int.from_bytes(self.read(CONVERSION).to_bytes(2, "big"), "big", signed=True)


def test_the_registers_have_their_reset_values():
    bench = Bench()
    assert [0x0000, 0x8583, 0x8000, 0x7FFF] == [bench.read(register) for register in range(4)]


def test_thresholds_and_settings_are_kept_and_a_result_cannot_be_written():
    bench = Bench()
    for register, value in ((LO_THRESH, 0x1234), (HI_THRESH, 0x4321), (CONVERSION, 0x5555)):
        bench.write(register, value)
    bench.write(CONFIG, SHUNT & 0x7FFF)
    assert [0, SHUNT, 0x1234, 0x4321] == [bench.read(register) for register in range(4)]


def test_half_a_register_is_not_taken():
    bench = Bench()
    bench.bus.write(ADDRESS, bytes([LO_THRESH, 0x12]))
    assert 0x8000 == bench.read(LO_THRESH)


def test_a_register_is_read_over_and_over():
    bench = Bench()
    bench.bus.write(ADDRESS, bytes([CONFIG]))
    assert b"\x85\x83\x85\x83\x85" == bench.bus.read(ADDRESS, 5)


def test_a_conversion_is_done_at_the_second_look_and_its_settings_stay():
    bench = Bench(0.001, 0.0, 0.0, 0.0)
    bench.write(CONFIG, SHUNT)
    assert [SHUNT & 0x7FFF, SHUNT, SHUNT] == [bench.read(CONFIG) for _ in range(3)]
    assert [False] == bench.told
    assert 128 == bench.read(CONVERSION)


def test_the_old_result_stands_until_a_conversion_is_done():
    bench = Bench(0.001, 0.0, 0.0, 0.0)
    bench.convert()
    bench.volts[0] = 0.002
    bench.write(CONFIG, SHUNT)
    seen = [bench.read(CONVERSION)]
    bench.read(CONFIG)
    seen.append(bench.read(CONVERSION))
    bench.read(CONFIG)
    assert [128, 128, 256] == [*seen, bench.read(CONVERSION)]


def test_a_conversion_sees_the_volts_of_the_moment_it_began():
    bench = Bench(0.001, 0.0, 0.0, 0.0)
    bench.write(CONFIG, SHUNT)
    bench.volts[0] = 0.2
    bench.read(CONFIG)
    bench.read(CONFIG)
    assert 128 == bench.read(CONVERSION)


def test_another_conversion_cannot_be_begun_while_one_is_at_work():
    bench = Bench(0.001, 0.0, 0.0, 0.0)
    bench.write(CONFIG, SHUNT)
    bench.volts[0] = 0.002
    assert 128 == bench.convert()
    assert 256 == bench.convert()


def test_a_conversion_that_nobody_waited_for_does_not_stand_in_for_the_next():
    bench = Bench(0.001, 0.0, 0.0, 0.0)
    bench.write(CONFIG, SHUNT)
    bench.chip.disturb()  # the firmware was interrupted, and let go of all points
    bench.volts[0] = 0.002
    assert 256 == bench.convert()
    assert [False] == bench.told


def test_traffic_during_a_conversion_that_is_waited_for_is_told():
    bench = Bench()
    bench.write(CONFIG, SHUNT)
    bench.chip.disturb()
    bench.read(CONFIG)
    bench.read(CONFIG)
    bench.convert()
    assert [True, False] == bench.told


@pytest.mark.parametrize(
    ("mux", "expected"), [*enumerate([0.5 - 0.2, 0.5 - 0.1, 0.2 - 0.1, 0.9 - 0.1, 0.5, 0.2, 0.9, 0.1])]
)
def test_the_inputs_are_compared_as_they_are_chosen(mux, expected):
    bench = Bench(0.5, 0.2, 0.9, 0.1)
    assert round(expected * 0x8000 / 4.096) == bench.convert(0x83E3 | mux << 12)


@pytest.mark.parametrize(
    ("pga", "full_scale"), [*enumerate([6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256])]
)
def test_a_range_has_its_step_and_results_stay_at_its_limits(pga, full_scale):
    bench, config = Bench(), 0xC1E3 | pga << 9
    seen = []
    for part in (0.5, -0.25, 0.9999, 1.0, 3.0, -1.0, -3.0):
        bench.volts[0] = part * full_scale
        seen.append(bench.convert(config))
    assert [16384, -8192, 32765, 32767, 32767, -32768, -32768] == seen


def test_a_negative_result_is_in_twos_complement():
    bench = Bench(3.2999, 3.3, 3.3, 0.0)
    bench.convert()
    assert 0x10000 - 13 == bench.read(CONVERSION)


def test_offset_and_the_gain_of_its_range_are_added_to_what_is_there():
    gains = [1.0] * 8
    gains[5] = 1.01
    bench = Bench(0.1, 0.0, 3.3, 0.0, offset_steps=3.0, gains=gains)
    assert round(0.1 / 7.8125e-6 * 1.01 + 3) == bench.convert()
    assert round(3.3 / 125e-6 + 3) == bench.convert(SUPPLY)


def test_noise_is_one_step_and_a_seed_repeats_it():
    first, second = (Bench(0.1, 0.0, 0.0, 0.0, noise_steps=1.0, rng=random.Random(5)) for _ in range(2))
    seen = [first.convert() for _ in range(400)]
    assert seen == [second.convert() for _ in range(400)]
    assert 0.1 / 7.8125e-6 == pytest.approx(statistics.fmean(seen), abs=0.25)
    assert statistics.pstdev(seen) == pytest.approx(1.0, abs=0.2)


def test_a_converter_that_is_missing_answers_nothing():
    bench = Bench(fault="missing")
    assert not bench.write(CONFIG, SHUNT)
    assert bench.bus.read(ADDRESS, 2) is None


def test_a_stuck_converter_keeps_its_first_result():
    bench = Bench(0.001, 0.0, 3.3, 0.0, fault="stuck")
    first = bench.convert()
    bench.volts[0] = 0.2
    assert [128, 128, 128] == [first, bench.convert(), bench.convert(SUPPLY)]


def test_a_gain_is_a_fault_of_every_range():
    bench = Bench(0.1, 0.0, 3.0, 0.0, fault=0.9)
    assert round(0.09 / 7.8125e-6) == bench.convert()
    assert round(2.7 / 125e-6) == bench.convert(SUPPLY)


def test_the_bus_counts_addresses_and_bytes():
    bench = Bench()
    bench.write(CONFIG, SHUNT)  # address, pointer, two bytes
    bench.read(CONFIG)  # address, pointer; address, two bytes
    bench.bus.write(0x3C, b"\0\0")  # an address that nobody answers
    assert 4 + 5 + 1 == bench.bus.bytes
