"""The MCP23S17 port expander at register level, and the SPI bus that carries up to eight of them.

Source: Microchip data sheet DS20001952C: table 3-1 (registers with BANK = 0), table 3-3 (power-on values),
section 3.3 (byte and sequential mode, SPI opcode) and section 3.5 (each register); erratum 80311a.

Not modelled: the interrupt pins (their registers hold what is written; INTF and INTCAP read 0) and the
second register map: a chip whose IOCON.BANK is set answers nothing until it is reset.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence

# Registers with BANK = 0. Each is a pair: port A, then port B at the next address.
IODIR, IPOL, GPINTEN, DEFVAL, INTCON, IOCON, GPPU, INTF, INTCAP, GPIO, OLAT = range(0x00, 0x16, 2)
REGISTERS = 0x16

# Bits of IOCON. Bit 0 is unimplemented and reads 0.
BANK, SEQOP, HAEN = 0x80, 0x20, 0x08
IOCON_IMPLEMENTED = 0xFE

_OPCODE = 0x40  # 0100 A2 A1 A0 R/W
_READ = 0x01


def _nothing() -> None:
    """What hears of a change when nobody listens."""


class Expander:
    """One chip. address: how A2, A1, A0 are strapped, 0..7. dead: it answers nothing and drives nothing.

    sample: gives the logic levels at the 16 pins, port A in bits 0..7. changed: called after a write
    that may alter what the chip does to its pins; `outputs`, `latch` and `pullups` then tell, masks of 16
    bits: the pins that are driven, the levels for them, and the pins that are pulled up (section 3.5.7:
    inputs only). opcode: the one that is for this chip, its read bit clear; None where there is none.
    """

    def __init__(
        self,
        address: int,
        sample: Callable[[], int],
        changed: Callable[[], None] = _nothing,
        *,
        dead: bool = False,
    ) -> None:
        self.address = address
        self._sample = sample
        self._changed = changed
        self._dead = dead
        self._registers = bytearray(REGISTERS)
        self._pointer = 0
        self._power_on()

    def _power_on(self) -> None:
        self._registers[:] = bytes(REGISTERS)
        self._registers[IODIR] = self._registers[IODIR + 1] = 0xFF
        self._listen()
        self._act()

    def _pair(self, register: int) -> int:
        return self._registers[register] | self._registers[register + 1] << 8

    def _act(self) -> None:
        """What the registers now have the pins do."""
        inputs = self._pair(IODIR)
        self.outputs = inputs ^ 0xFFFF
        self.latch = self._pair(OLAT)
        self.pullups = self._pair(GPPU) & inputs

    def _listen(self) -> None:
        """What the registers now have the chip answer to.

        Without HAEN the address pins should not count. Erratum 80311a: with A2 high they do, and the
        chip answers only opcodes that carry A2 high.
        """
        strapped = self.address if self._registers[IOCON] & HAEN else self.address & 4
        deaf = self._dead or self._registers[IOCON] & BANK
        self.opcode = None if deaf else _OPCODE | strapped << 1

    def reset(self) -> None:
        """The RESET pin: every register as after power-on."""
        self._power_on()
        self._changed()

    def point_at(self, register: int) -> None:
        """The second byte of a transfer. An address beyond the map reads 0 and keeps nothing."""
        self._pointer = register

    def read(self) -> int:
        """One byte clocked out; moves the address on."""
        register = self._pointer
        self._advance()
        if register >= REGISTERS:
            return 0
        if register & ~1 != GPIO:
            return self._registers[register]
        port = register & 1
        return self._sample() >> 8 * port & 0xFF ^ self._registers[IPOL + port]

    def write(self, value: int) -> None:
        """One byte clocked in: it counts at once, whether or not more follow; moves the address on."""
        register, port = self._pointer & ~1, self._pointer & 1
        self._advance()
        if register >= REGISTERS or register in (INTF, INTCAP):
            return
        if register == IOCON:  # one register at two addresses
            self._registers[IOCON] = self._registers[IOCON + 1] = value & IOCON_IMPLEMENTED
            self._listen()
            return
        if register == GPIO:  # section 3.5.10: writing the port writes the latch
            register = OLAT
        if self._registers[register + port] != value:
            self._registers[register + port] = value
            if register in (IODIR, GPPU, OLAT):
                self._act()
                self._changed()

    def _advance(self) -> None:
        """Section 3.3.1: sequential mode rolls over after the last register, byte mode stays in the pair."""
        if self._registers[IOCON] & SEQOP:
            self._pointer ^= 1
        else:
            self._pointer = self._pointer + 1 if self._pointer < REGISTERS - 1 else 0


class SpiBus:
    """Chips on one SPI bus and one chip select.

    flip_bits: probability that a bit arrives wrong, on either data line; rng decides which.
    Where several chips answer a read, a low wins (outputs fight; the lower driver is the stronger one).
    Where none does, MISO is high.
    """

    def __init__(
        self, chips: Sequence[Expander], flip_bits: float = 0.0, rng: random.Random | None = None
    ) -> None:
        self._chips = tuple(chips)
        self._flip_bits = flip_bits
        self._rng = rng or random.Random(0)
        self._good_bits = self._bits_until_flip()
        self._selected = False
        self._in_reset = False
        self._count = 0  # bytes since chip select
        self._listening: list[Expander] = []
        self._reading = False

    def select(self, low: bool) -> None:
        """Chip select, active low. Going low begins a transfer, going high ends it."""
        if low != self._selected:
            self._selected = low
            self._count = 0

    def reset(self, low: bool) -> None:
        """The RESET line, active low: the chips hold their power-on values and answer nothing."""
        if low and not self._in_reset:
            for chip in self._chips:
                chip.reset()
        self._in_reset = low
        self._listening = []

    def exchange(self, sent: bytes) -> bytes:
        """Clock bytes out on MOSI; returns what MISO showed meanwhile."""
        if not self._flip_bits:
            return self._exchange(sent)
        return self._disturbed(self._exchange(self._disturbed(sent)))

    def _exchange(self, sent: bytes) -> bytes:
        seen = bytearray(b"\xff" * len(sent))
        if not self._selected or self._in_reset:
            return bytes(seen)
        for index, byte in enumerate(sent):
            self._count += 1
            if self._count == 1:
                self._listening = [chip for chip in self._chips if chip.opcode == byte & ~_READ]
                self._reading = bool(byte & _READ)
            elif self._count == 2:
                for chip in self._listening:
                    chip.point_at(byte)
            elif self._reading:
                for chip in self._listening:
                    seen[index] &= chip.read()
            else:
                for chip in self._listening:
                    chip.write(byte)
        return bytes(seen)

    def _bits_until_flip(self) -> int:
        """How many bits pass before the next wrong one (geometric distribution, by inversion)."""
        if not 0 < self._flip_bits < 1:
            return 0
        return int(math.log(1 - self._rng.random()) / math.log1p(-self._flip_bits))

    def _disturbed(self, data: bytes) -> bytes:
        damaged = bytearray(data)
        bits = 8 * len(data)
        position = self._good_bits
        while position < bits:
            damaged[position >> 3] ^= 0x80 >> (position & 7)
            position += 1 + self._bits_until_flip()
        self._good_bits = position - bits
        return bytes(damaged)
