# ruff: noqa: F821 - ptr8 and ptr32 are the compiler's own words
"""A look, and a chip's sixteen looks, in one call of machine code, for the RP2040: its SPI block, chip select
and timer by register.

The same bytes on the same wires as `bank` sends through `machine.SPI`, without an interpreter between
them: at 8 MHz a look at 128 points is 44 us of wire, and an interpreter takes ten times as long.

Registers: RP2040 datasheet, sections 4.4 (SPI, an ARM PL022), 2.3.1 (SIO) and 4.6 (timer); section
numbers and addresses from memory, so `agrees` compares this path with the portable one before it counts.

The code keeps to what is the same in machine code and in plain Python with `ptr32` and `ptr8` as objects:
the tests run it over a model of these registers.
"""

from time import ticks_diff, ticks_us

import micropython
from micropython import const

from tester.bank import RECOVER_US
from tester.expander import IODIR, IPOL, OLAT

_SPI0 = const(0x4003C000)
_SIO = const(0xD0000000)
_TIMER = const(0x40054000)
# Words from there on.
_CONTROL0 = const(0)  # SSPCR0: bits 0-3 size - 1, 4-5 frame format, 6 polarity, 7 phase
_CONTROL1 = const(1)  # SSPCR1: bit 0 loop back, 1 enabled, 2 slave
_DATA = const(2)  # SSPDR: eight deep each way
_STATUS = const(3)  # SSPSR: bit 0 nothing to send, 1 room to send, 2 something received, 4 busy
_OUT_SET = const(5)  # GPIO_OUT_SET
_OUT_CLEAR = const(6)  # GPIO_OUT_CLR
_MICROSECONDS = const(10)  # TIMERAWL

_CHIP_SELECT = const(1 << 17)
_IDLE = const(0x03)
_RECEIVED = const(0x04)
_BUSY = const(0x10)
_STATES = const(0x17)  # all of these but `receiver full`
_EIGHT_BITS_MODE_0 = const(0x07)
_ENABLED_MASTER = const(0x02)
# Rounds of waiting for one byte: that takes 1 us, and a round some ten cycles of 8 ns, so this is 0.1 ms
# or more.
_PATIENCE = const(2000)
_ROUNDS_A_US = const(64)  # more than any clock the chip bears can do
_LOW_BITS = const(0x3FFFFFFF)  # of the timer: what an int holds on every machine

# MCP23S17, as in `expander`; there by name, here as constants of the compiler.
_OPCODE = const(0x40)
_GPIO = const(0x12)
_OLAT = const(0x14)

_TRIES = const(3)
_SETTLE_US = const(300)


@micropython.viper
def look(row: ptr8, base: int, fitted: int, chip: int, direction: int, latch: int, settle_us: int) -> int:
    """One point driven, all read, let go: latch 0 and a direction to `chip`; after settle_us all points of
    all fitted chips into row[base:], a bit set where it is LOW; then a latch and all inputs to `chip`.

    chip below 0: nothing is driven, only read. Returns 0, or which transfer got stuck, counted from 1; chip
    select is high whichever it is. Allocates nothing; every wait is counted.
    """
    spi = ptr32(_SPI0)
    sio = ptr32(_SIO)
    timer = ptr32(_TIMER)
    step = 0
    last = fitted + 1
    if chip < 0:
        step = 1
        last = fitted
    # Nothing left over from another transfer, so that at most six bytes are under way and none is lost.
    left = 16
    while spi[_STATUS] & _STATES != _IDLE:
        if left == 0:
            return step + 1
        left -= 1
        this = spi[_DATA]
    while step <= last:
        # Chip select has been high for longer than the 100 ns it needs (DS20001952C, table 1-4, from
        # memory): there are more than 13 cycles of 8 ns from its end to here.
        sio[_OUT_CLEAR] = _CHIP_SELECT
        count = 4
        if step == 0:
            spi[_DATA] = _OPCODE | chip << 1
            spi[_DATA] = _OLAT
            spi[_DATA] = 0
            spi[_DATA] = 0
            spi[_DATA] = direction & 0xFF
            spi[_DATA] = direction >> 8
            count = 6
        elif step <= fitted:
            spi[_DATA] = _OPCODE | 1 | (step - 1) << 1
            spi[_DATA] = _GPIO
            spi[_DATA] = 0
            spi[_DATA] = 0
        else:
            spi[_DATA] = _OPCODE | chip << 1
            spi[_DATA] = _OLAT
            spi[_DATA] = latch & 0xFF
            spi[_DATA] = latch >> 8
            spi[_DATA] = 0xFF
            spi[_DATA] = 0xFF
            count = 6
        before = 0
        this = 0
        while count > 0:
            left = _PATIENCE
            while spi[_STATUS] & _RECEIVED == 0:
                if left == 0:
                    sio[_OUT_SET] = _CHIP_SELECT
                    return step + 1
                left -= 1
            before = this
            this = spi[_DATA]
            count -= 1
        left = _PATIENCE
        while spi[_STATUS] & _BUSY != 0:
            if left == 0:
                sio[_OUT_SET] = _CHIP_SELECT
                return step + 1
            left -= 1
        sio[_OUT_SET] = _CHIP_SELECT
        if step == 0:
            if settle_us > 0:
                began = timer[_MICROSECONDS]
                left = settle_us * _ROUNDS_A_US + _PATIENCE
                while (timer[_MICROSECONDS] - began) & _LOW_BITS <= settle_us:
                    if left == 0:
                        return step + 1
                    left -= 1
        elif step <= fitted:
            row[base] = before & 0xFF ^ 0xFF
            row[base + 1] = this & 0xFF ^ 0xFF
            base += 2
        step += 1
    return 0


@micropython.viper
def walk(rows, base: int, fitted: int, chip: int, settle_us: int) -> int:
    """A look from each point of a chip, each into its own row from rows[base:] on.

    A line is flashed high for a moment when its look is over, so that it recovers at once; the next look
    clears that latch before it changes a direction. Returns the points that did not read low themselves, a
    bit each; or which transfer of a look got stuck, negative. Allocates nothing.
    """
    bytes_of = ptr8(rows)
    own = 2 * chip
    missed = 0
    bit = 1
    while bit < 0x10000:
        latch = bit
        if bit == 0x8000:
            latch = 0
        stuck = int(look(rows, base, fitted, chip, 0xFFFF ^ bit, latch, settle_us))
        if stuck != 0:
            return 0 - stuck
        levels = bytes_of[base + own] | bytes_of[base + own + 1] << 8
        if levels & bit == 0:
            missed |= bit
        base += 2 * fitted
        bit <<= 1
    return missed


@micropython.viper
def ready() -> int:
    """Whether the block is as `machine.SPI` leaves it: master, enabled, eight bits, mode 0, at rest."""
    spi = ptr32(_SPI0)
    if spi[_CONTROL0] & 0xFF != _EIGHT_BITS_MODE_0 or spi[_CONTROL1] & 0x0F != _ENABLED_MASTER:
        return 0
    if spi[_STATUS] & _STATES != _IDLE:
        return 0
    return 1


def agrees(bank):
    """Whether looks through this path and through the portable one are the same, on this very board.

    Drives one point low at a time, as a scan does. Ends with all points inputs, latches clear. Raises
    ChipFault where the chips do not answer the portable path.
    """
    if not ready():
        return False
    try:
        bank.begin()
        for _ in range(_TRIES):  # a cable may be in, and one of its contacts may be loose
            if _reads_the_same(bank) and _looks_the_same(bank) and _latches(bank):
                return True
        return False
    finally:
        bank.let_go()


def _reads_the_same(bank):
    """Every chip inverts other bits of its inputs, so that each must answer with its own word."""
    chips = bank.chips
    one = bytearray(bank.ports)
    two = bytearray(b"\x55" * bank.ports)
    for chip in range(bank.fitted):
        chips.write_checked(chip, IPOL, 0x0F35 ^ 0x1111 * chip)
    bank.read(one, 0)
    stuck = look(two, 0, bank.fitted, -1, 0, 0, 0)
    for chip in range(bank.fitted):
        chips.write_checked(chip, IPOL, 0)
    return not stuck and one == two


def _looks_the_same(bank):
    """A point of each chip: the row, the time the line was given, and everything let go after it."""
    one = bytearray(bank.ports)
    two = bytearray(b"\x55" * bank.ports)
    for chip in range(bank.fitted):
        bit = 5 * chip + 3 & 15
        bank.look(16 * chip + bit, one, 0, _SETTLE_US, False)
        began = ticks_us()
        stuck = look(two, 0, bank.fitted, chip, 0xFFFF ^ 1 << bit, 0, _SETTLE_US)
        if stuck or ticks_diff(ticks_us(), began) < _SETTLE_US:
            return False
        if one != two or not two[2 * chip + (bit >> 3)] >> (bit & 7) & 1:
            return False
        if bank.chips.read(chip, OLAT) != 0 or bank.chips.read(chip, IODIR) != 0xFFFF:
            return False
        bank.settle(RECOVER_US)
    return True


def _latches(bank):
    """The latch that a look ends with, no point being driven: it must arrive whole, and at its chip only."""
    row = bytearray(bank.ports)
    arrived = True
    for chip in range(bank.fitted):
        if look(row, 0, bank.fitted, chip, 0xFFFF, 0xA53C ^ 0x1111 * chip, 0):
            return False
    for chip in range(bank.fitted):
        if bank.chips.read(chip, OLAT) != 0xA53C ^ 0x1111 * chip:
            arrived = False
    bank.rest()
    return arrived
