"""The chip at register level.

Source of the expected values: Microchip DS20001952C, by table and section where known; the erratum is
80311a. The sheet was not at hand when these were written: from memory, except where another of the
project's documents quotes it.
"""

import random

import pytest

from pinwright.virtual.expander import (
    GPINTEN,
    GPIO,
    GPPU,
    INTCAP,
    INTF,
    IOCON,
    IODIR,
    IPOL,
    OLAT,
    Expander,
    SpiBus,
)

HAEN, SEQOP, BANK = 0x08, 0x20, 0x80


class Bench:
    """A bus of chips whose pins show `levels`, with hardware addressing on unless told otherwise."""

    def __init__(self, *addresses, haen=True, dead=(), flip_bits=0.0, seed=0):
        self.levels = dict.fromkeys(range(len(addresses)), 0)
        self.changes = []
        self.chips = [
            Expander(
                address,
                lambda number=number: self.levels[number],
                lambda number=number: self.changes.append(number),
                dead=number in dead,
            )
            for number, address in enumerate(addresses)
        ]
        self.bus = SpiBus(self.chips, flip_bits, random.Random(seed))
        if haen:
            for address in (0, 4):
                self.write(address, IOCON, HAEN)
        self.changes.clear()

    def transfer(self, *sent):
        self.bus.select(low=True)
        seen = self.bus.exchange(bytes(sent))
        self.bus.select(low=False)
        return seen

    def write(self, address, register, *values):
        self.transfer(0x40 | address << 1, register, *values)

    def read(self, address, register, count=1):
        return list(self.transfer(0x41 | address << 1, register, *[0] * count)[2:])


def test_after_power_on_all_pins_are_inputs_and_all_other_registers_are_zero():  # table 3-3
    bench = Bench(0, haen=False)
    assert [0xFF, 0xFF] + [0] * 20 == bench.read(0, 0x00, 22)


def test_addresses_run_on_and_roll_over_from_the_last_register_to_the_first():  # section 3.3.1
    bench = Bench(0)
    bench.write(0, OLAT, 0x11, 0x22, 0xF0, 0x0F)
    assert [0x11, 0x22, 0xF0, 0x0F] == bench.read(0, OLAT, 4)
    assert [0xF0, 0x0F] == bench.read(0, IODIR, 2)


def test_in_byte_mode_the_address_toggles_within_its_pair():  # section 3.3.1, SEQOP = 1
    bench = Bench(0)
    bench.write(0, IOCON, HAEN | SEQOP)
    bench.write(0, GPPU, 0x01, 0x02, 0x03)
    assert [0x03, 0x02, 0x03] == bench.read(0, GPPU, 3)
    assert [0x02, 0x03] == bench.read(0, GPPU + 1, 2)


def test_the_configuration_is_one_register_at_two_addresses_and_its_lowest_bit_reads_0():
    bench = Bench(0)
    bench.write(0, IOCON + 1, HAEN | 0x01)
    assert [HAEN, HAEN] == bench.read(0, IOCON, 2)


def test_writing_a_port_writes_its_latch_and_reading_it_shows_the_pins():  # section 3.5.10
    bench = Bench(0)
    bench.levels[0] = 0x3C5A
    bench.write(0, GPIO, 0x81, 0x42)
    assert [0x5A, 0x3C, 0x81, 0x42] == bench.read(0, GPIO, 4)


def test_polarity_inverts_what_a_port_shows_and_leaves_the_latch_alone():  # section 3.5.2
    bench = Bench(0)
    bench.levels[0] = 0x00F0
    bench.write(0, IPOL, 0xFF, 0x0F)
    bench.write(0, OLAT, 0xAA)
    assert [0x0F, 0x0F, 0xAA] == bench.read(0, GPIO, 3)


@pytest.mark.parametrize("register", [INTF, INTF + 1, INTCAP, INTCAP + 1])
def test_interrupt_flags_and_captures_cannot_be_written(register):
    bench = Bench(0)
    bench.write(0, register, 0xFF)
    assert [0] == bench.read(0, register)


@pytest.mark.parametrize("register", [*range(IODIR, IOCON), GPPU, GPPU + 1, OLAT, OLAT + 1])
def test_a_register_keeps_what_is_written(register):
    bench = Bench(0)
    bench.write(0, register, 0xA5)
    assert [0xA5] == bench.read(0, register)


def test_an_address_beyond_the_map_reads_0_and_keeps_nothing():
    # The sheet is silent; common practice, no source.
    bench = Bench(0)
    bench.write(0, 0x30, 0xFF)
    assert [0] == bench.read(0, 0x30)


def test_pull_ups_count_only_on_inputs_and_outputs_show_the_latch():  # section 3.5.7
    bench = Bench(0)
    bench.write(0, GPPU, 0xFF, 0xFF)
    bench.write(0, OLAT, 0x05)
    bench.write(0, IODIR, 0xF0)
    chip = bench.chips[0]
    assert (0x000F, 0xFFF0, 0x0005) == (chip.outputs, chip.pullups, chip.latch)


def test_each_byte_counts_at_once_even_if_the_transfer_is_cut_off():
    bench = Bench(0)
    bench.bus.select(low=True)
    bench.bus.exchange(bytes([0x40, IODIR, 0xFE]))
    assert 0x0001 == bench.chips[0].outputs
    assert [0] == bench.changes


def test_a_transfer_may_arrive_in_pieces():
    bench = Bench(0)
    bench.bus.select(low=True)
    seen = b"".join(bench.bus.exchange(bytes([byte])) for byte in (0x41, IODIR, 0, 0))
    assert b"\xff\xff\xff\xff" == seen
    bench.bus.select(low=True)  # still low: the transfer goes on
    assert b"\x00\x00" == bench.bus.exchange(bytes([0x41, IODIR]))


def test_without_chip_select_nothing_is_heard():
    bench = Bench(0)
    assert b"\xff" * 3 == bench.bus.exchange(bytes([0x41, GPPU, 0]))


def test_the_reset_line_restores_power_on_values_and_hardware_addressing_is_off_again():
    bench = Bench(0, 3)
    bench.write(3, IODIR, 0x00)
    bench.bus.reset(low=True)
    assert [0xFF] == bench.read(0, GPINTEN)  # held in reset: nobody answers
    bench.bus.reset(low=False)
    assert [0xFF, 0xFF] == bench.read(0, IODIR, 2)
    assert 0 == bench.chips[1].outputs
    assert [0xFF] == bench.read(3, GPINTEN)


def test_before_hardware_addressing_chips_with_a2_low_answer_address_0_all_at_once():
    bench = Bench(0, 1, 2, 3, haen=False)
    bench.write(0, GPPU, 0x5A)
    assert [0x5A] * 4 == [chip.pullups for chip in bench.chips]
    assert [0xFF] == bench.read(1, GPINTEN)


def test_before_hardware_addressing_chips_with_a2_high_answer_only_address_4():  # erratum 80311a
    bench = Bench(5, 7, haen=False)
    assert [0xFF] == bench.read(0, GPINTEN)
    assert [0x00] == bench.read(4, GPINTEN)
    assert [0xFF] == bench.read(5, GPINTEN)


def test_hardware_addressing_needs_writing_to_both_0_and_4():  # erratum 80311a
    bench = Bench(*range(8), haen=False)
    bench.write(0, IOCON, HAEN)
    assert [[0]] * 4 + [[0]] + [[0xFF]] * 3 == [bench.read(address, GPINTEN) for address in range(8)]
    bench.write(4, IOCON, HAEN)
    assert [[HAEN]] * 8 == [bench.read(address, IOCON) for address in range(8)]


def test_chips_keep_to_their_own_addresses_once_addressing_is_on():
    bench = Bench(*range(8))
    for address in range(8):
        bench.write(address, OLAT, 0x10 + address)
    assert [[0x10 + address] for address in range(8)] == [bench.read(address, OLAT) for address in range(8)]


def test_where_two_chips_answer_a_low_wins():  # assumption stated in SpiBus
    bench = Bench(2, 2)
    bench.levels = {0: 0x00F3, 1: 0x003F}
    assert [0x33] == bench.read(2, GPIO)


def test_a_dead_chip_answers_nothing_and_takes_nothing():
    bench = Bench(0, 1, dead=(1,))
    bench.write(1, IODIR, 0)
    assert [0xFF] == bench.read(1, GPINTEN)
    assert 0 == bench.chips[1].outputs


def test_a_chip_with_the_other_register_map_answers_nothing_until_reset():
    bench = Bench(0)
    bench.write(0, IOCON, HAEN | BANK)
    assert [0xFF] == bench.read(0, GPINTEN)
    bench.bus.reset(low=True)
    bench.bus.reset(low=False)
    assert [0x00] == bench.read(0, GPINTEN)


@pytest.mark.parametrize("opcode", [0x00, 0x50, 0xC1, 0xFF])
def test_an_opcode_that_does_not_begin_with_0100_is_for_nobody(opcode):
    bench = Bench(0)
    bench.transfer(opcode, IODIR, 0x00)
    assert 0 == bench.chips[0].outputs


def test_bits_flip_as_often_as_asked_and_the_same_way_for_one_seed():
    def seen(seed):
        bench = Bench(0, haen=False, flip_bits=0.01, seed=seed)
        return [bench.bus.exchange(b"") or bench.bus._disturbed(bytes(1000)) for _ in range(20)]

    flipped = sum(byte.bit_count() for data in seen(1) for byte in data)
    assert 1600 == pytest.approx(flipped, rel=0.1)
    assert seen(1) == seen(1)
    assert seen(1) != seen(2)


def test_certain_flips_turn_every_bit():
    assert b"\xff\x00" == SpiBus([], 1.0)._disturbed(b"\x00\xff")
