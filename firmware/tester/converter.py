"""The ADS1115 converter of the ohms lane, one conversion at a time.

Registers and fields: Texas Instruments SBAS444, sections on the register map and on single-shot mode,
from memory. AIN0 is 3V3, AIN1 and AIN2 are VIO.

The driver is handed its bus. It allocates nothing after construction, and no wait is unbounded.
"""

from time import ticks_diff, ticks_us

from micropython import const

_ADDRESS = const(0x48)  # its ADDR pin at 0 V
_CONVERSION = const(0x00)
_CONFIG = const(0x01)

# Config: bit 15 OS (written 1: start; read 1: ready), 14-12 inputs, 11-9 range, 8 single-shot, 7-5 rate
# (111: 860 a second), 4-2 comparator, 1-0 comparator off (11).
_SHUNT = const(0x8BE3)  # AIN0 - AIN1 (000), 0.256 V (101): 7.8125 uV a step
_SUPPLY = const(0xE3E3)  # AIN2 (110), 4.096 V (001): 125 uV a step
_READY = const(0x8000)
_DEADLINE_US = const(5000)  # a conversion takes 1163 us, 10 % more at worst
_TRIES = const(3)


class ConverterFault(Exception):
    """The converter does not do its work. args[0]: `missing` (no answer), `late` (not ready in time), `idle`
    (does not begin), or `unsteady` (what it says of VIO differs from one conversion to the next)."""


class Converter:
    """i2c: has writeto_mem and readfrom_mem_into, and raises OSError where nothing answers."""

    def __init__(self, i2c):
        self.i2c = i2c
        self._two = bytearray(2)

    def shunt(self):
        """One conversion of what the shunt drops, in steps of 7.8125 uV. Raises ConverterFault."""
        return self._convert(_SHUNT)

    def supply(self):
        """One conversion of VIO, in steps of 125 uV. Raises ConverterFault."""
        return self._convert(_SUPPLY)

    def _convert(self, config):
        two = self._two
        try:
            for _ in range(_TRIES):
                two[0] = config >> 8
                two[1] = config & 0xFF
                self.i2c.writeto_mem(_ADDRESS, _CONFIG, two)
                if self._has_done(config):
                    self.i2c.readfrom_mem_into(_ADDRESS, _CONVERSION, two)
                    value = two[0] << 8 | two[1]
                    return value - 0x10000 if value & 0x8000 else value
        except OSError:
            raise ConverterFault("missing") from None
        raise ConverterFault("idle")

    def _has_done(self, config):
        """Wait until it is ready; whether it has been seen at work. One that has not may not have begun: what
        it has is then the result of an older conversion. The first look comes some 0.1 ms after the start."""
        two = self._two
        start = ticks_us()
        worked = late = False
        while True:
            self.i2c.readfrom_mem_into(_ADDRESS, _CONFIG, two)
            seen = two[0] << 8 | two[1]
            # Ready, and its settings as written: one that has lost its supply meanwhile is ready too.
            if seen == config:
                return worked
            worked = worked or seen == config ^ _READY
            if late:  # by a look that began after the deadline: whoever was away from here in between
                raise ConverterFault("late")
            late = ticks_diff(ticks_us(), start) > _DEADLINE_US
