"""MCP23S17 port expanders on one SPI bus and one chip select, told apart by hardware address.

Registers and behaviour: Microchip DS20001952C, sections 3.2 (addressing, sequential operation) and
3.5 (registers); erratum 80311a for chips whose address pin A2 is high.

The driver is handed its bus and pins. It allocates nothing after construction.
"""

from micropython import const

# Register addresses with IOCON.BANK = 0: port A here, port B at the next address (table 3-1).
IODIR = const(0x00)
IPOL = const(0x02)
GPINTEN = const(0x04)
DEFVAL = const(0x06)
IOCON = const(0x0A)
GPPU = const(0x0C)
GPIO = const(0x12)
OLAT = const(0x14)

_HAEN = const(0x08)  # IOCON bit 3: the address pins count
_OPCODE = const(0x40)  # 0100 A2 A1 A0 R/W
_TRIES = const(4)


class ChipFault(Exception):
    """An expander does not hold what was written. args: chip, register, written, read."""


def mark(chip):
    """The word that a chip keeps in its unused DEFVAL register: no two chips have the same."""
    return 0x1100 + 0x0101 * chip


class Expanders:
    """The fitted chips. A value of 16 bits is port B in the high byte and port A in the low one.

    spi: has write_readinto; cs: chip select, active low; reset: active low. transfers counts chip
    selects, slips counts values that had to be written or read once more.
    """

    def __init__(self, spi, cs, reset, fitted):
        self.spi = spi
        self.cs = cs
        self.reset = reset
        self.fitted = fitted
        self.transfers = 0
        self.slips = 0
        self._four = bytearray(4)
        self._six = bytearray(6)
        cs.value(1)
        reset.value(0)  # from here on every point is an input, whatever was before
        reset.value(1)

    def _exchange(self, buffer):
        self.transfers += 1
        self.cs.value(0)
        try:
            self.spi.write_readinto(buffer, buffer)
        finally:
            self.cs.value(1)

    def write(self, chip, register, value):
        """One register pair."""
        four = self._four
        four[0] = _OPCODE | chip << 1
        four[1] = register
        four[2] = value & 0xFF
        four[3] = value >> 8
        self._exchange(four)

    def read(self, chip, register):
        """One register pair."""
        four = self._four
        four[0] = _OPCODE | chip << 1 | 1
        four[1] = register
        four[2] = 0
        four[3] = 0
        self._exchange(four)
        return four[2] | four[3] << 8

    def write_checked(self, chip, register, value):
        """Write a register pair and read it back, a few times if need be. Raises ChipFault."""
        for _ in range(_TRIES):
            self.write(chip, register, value)
            seen = self.read(chip, register)
            if seen == value:
                return
            self.slips += 1
        raise ChipFault(chip, register, value, seen)

    def ensure(self, chip, register, value):
        """Have a register pair hold what it should hold already: read it, and write it where it does not.
        Raises ChipFault."""
        if self.read(chip, register) != value:
            self.slips += 1
            self.write_checked(chip, register, value)

    def latch_then_direction(self, chip, latch, direction):
        """OLAT, then IODIR, in one transfer: no pin ever drives an old latch."""
        six = self._six
        six[0] = _OPCODE | chip << 1
        six[1] = OLAT
        six[2] = latch & 0xFF
        six[3] = latch >> 8
        six[4] = direction & 0xFF
        six[5] = direction >> 8
        self._exchange(six)

    def begin(self):
        """From any state to: addresses on, all points inputs, latches clear. Raises ChipFault.

        Before HAEN is set every chip answers address 0, so nothing may be read until then; and by
        erratum 80311a a chip with A2 high then answers address 4 only.
        """
        self.reset.value(0)
        self.reset.value(1)
        for _ in range(2):  # once more, lest a slip on the bus leave one chip deaf
            for first in (0, 4):
                self.write(first, IOCON, _HAEN | _HAEN << 8)
        for chip in range(self.fitted):
            self.write_checked(chip, IOCON, _HAEN | _HAEN << 8)
            self.write_checked(chip, OLAT, 0)
            self.write_checked(chip, IODIR, 0xFFFF)
            self.write_checked(chip, IPOL, 0)
            self.write_checked(chip, GPINTEN, 0)
            self.write_checked(chip, GPPU, 0xFFFF)

    def tell_apart(self):
        """Prove that every address is one chip: each holds its own word in an unused register.

        DEFVAL has no effect while GPINTEN is 0. Raises ChipFault.
        """
        for chip in range(self.fitted):
            self.write_checked(chip, DEFVAL, 0x5AA5)
            self.write_checked(chip, DEFVAL, 0xA55A)
        for chip in range(self.fitted):
            self.write_checked(chip, DEFVAL, mark(chip))
        for chip in range(self.fitted):
            self.expect(chip, DEFVAL, mark(chip))

    def expect(self, chip, register, value):
        """Raises ChipFault unless a register pair reads as it should, in one of a few tries."""
        for _ in range(_TRIES):
            seen = self.read(chip, register)
            if seen == value:
                return
            self.slips += 1
        raise ChipFault(chip, register, value, seen)

    def hold(self):
        """All points inputs by the reset line, whatever the bus does; until `begin`."""
        self.cs.value(1)
        self.reset.value(0)

    def let_go(self):
        """All points inputs, latches clear; not read back, so that it can be done on any way out.

        Inputs first: a latch that is cleared before would pull its point low against those that are high.
        """
        self.cs.value(1)  # an interrupt may have struck between a transfer and its end
        for chip in range(self.fitted):
            self.write(chip, IODIR, 0xFFFF)
        for chip in range(self.fitted):
            self.write(chip, OLAT, 0)
            self.write(chip, GPPU, 0xFFFF)
