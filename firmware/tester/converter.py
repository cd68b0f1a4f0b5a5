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
_DEADLINE_US = const(5000)  # a conversion takes 1163 us, 10 % more at worst


class ConverterFault(Exception):
    """The converter does not do its work. args[0]: `missing` (no answer) or `late` (not ready in time)."""


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
        two[0] = config >> 8
        two[1] = config & 0xFF
        try:
            self.i2c.writeto_mem(_ADDRESS, _CONFIG, two)
            start = ticks_us()
            late = False
            while True:
                self.i2c.readfrom_mem_into(_ADDRESS, _CONFIG, two)
                # Ready, and its settings as written: one that has lost its supply meanwhile is ready too.
                if two[0] << 8 | two[1] == config:
                    break
                if late:  # by a look that began after the deadline: whoever was away from here in between
                    raise ConverterFault("late")
                late = ticks_diff(ticks_us(), start) > _DEADLINE_US
            self.i2c.readfrom_mem_into(_ADDRESS, _CONVERSION, two)
        except OSError:
            raise ConverterFault("missing") from None
        value = two[0] << 8 | two[1]
        return value - 0x10000 if value & 0x8000 else value
