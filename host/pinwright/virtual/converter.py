"""The ADS1115 converter at register level, and the I²C bus that it is on.

Source: data sheet SBAS444, from memory: the address pointer and the four registers with their reset values;
the fields OS, MUX, PGA and MODE of the configuration; results of 16 bits in two's complement, high byte
first, that stay at their limits beyond the range.

Not modelled: continuous conversion and the comparator (their bits and thresholds hold what is written and
do nothing else), and the general call.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import Protocol

ADDRESS = 0x48  # its ADDR pin at 0 V
CONVERSION, CONFIG, LO_THRESH, HI_THRESH = range(4)
RESET_VALUES = (0x0000, 0x8583, 0x8000, 0x7FFF)

START = 0x8000  # OS: written, begins a conversion; read, 0 while one is at work
_MUX_SHIFT, _PGA_SHIFT = 12, 9
SINGLE_SHOT = 0x0100  # MODE
# MUX: the inputs that are compared; None is the 0 V pin.
INPUTS: tuple[tuple[int, int | None], ...] = (
    (0, 1), (0, 3), (1, 3), (2, 3), (0, None), (1, None), (2, None), (3, None),
)  # fmt: skip
FULL_SCALE_V = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256)  # PGA
LEAST, MOST = -0x8000, 0x7FFF
CONVERSION_US = 1163  # at 860 a second, the rate that the firmware asks for
LOOKS = 2  # the look at OS that finds a conversion done


class Converter:
    """One converter. sample: gives the volts at AIN0..3, settled.

    offset_steps: added to each result. gains: of each range, by PGA. rng: of the noise. fault: `missing`
    answers nothing, `stuck` keeps its first result, a number is a gain that all ranges have besides.
    noise_steps: rms; may be changed. converted: called when a conversion that was waited for is done, and
    told whether there was other traffic meanwhile.

    A conversion sees the volts of the moment it is begun and is done at the second look at OS. One that
    nobody waited for is over when another is begun, provided that there was other traffic meanwhile, that is
    that time has passed; without, beginning another has no effect.
    """

    def __init__(
        self,
        sample: Callable[[], Sequence[float]],
        offset_steps: float = 0.0,
        gains: Sequence[float] = (1.0,) * 8,
        rng: random.Random | None = None,
        fault: str | float | None = None,
        converted: Callable[[bool], None] = lambda disturbed: None,
    ) -> None:
        self.address = None if fault == "missing" else ADDRESS
        self.noise_steps = 1.0
        self._sample = sample
        self._offset_steps = offset_steps
        self._gains = tuple(gain * (fault if isinstance(fault, float) else 1.0) for gain in gains)
        rng = rng or random.Random(0)
        # Of each pair of inputs: how often one is read does not change what another shows.
        self._noise = [random.Random(rng.getrandbits(64)) for _ in INPUTS]
        self._stuck = fault == "stuck"
        self._converted = converted
        self._registers = list(RESET_VALUES)
        self._pointer = CONVERSION
        self._next = 0  # the result of the conversion at work
        self._looks_left = 0  # at OS until it is done; 0: none is at work
        self._first: int | None = None
        self._disturbed = False

    @property
    def busy(self) -> bool:
        """Whether a conversion is at work."""
        return self._looks_left > 0

    def disturb(self) -> None:
        """There is other traffic now."""
        self._disturbed = True

    def abandon(self) -> None:
        """Nobody waits any more; time passes, and the conversion ends by itself."""
        if self.busy:
            self._finish()

    def write(self, data: bytes) -> None:
        """A message: the pointer, then perhaps a register."""
        if data:
            self._pointer = data[0] & 3
        if len(data) < 3:
            return  # half a register is not taken
        value = data[1] << 8 | data[2]
        if self._pointer == CONFIG:
            self._registers[CONFIG] = value & ~START
            if value & START and value & SINGLE_SHOT:
                self._begin(value)
        elif self._pointer != CONVERSION:
            self._registers[self._pointer] = value

    def read(self, count: int) -> bytes:
        """As many bytes of the register pointed to, and over again."""
        if self._pointer == CONFIG and self.busy:
            self._looks_left -= 1
            if not self._looks_left:
                self._finish()
                self._converted(self._disturbed)
        value = self._registers[self._pointer]
        if self._pointer == CONFIG and not self.busy:
            value |= START
        return bytes([value >> 8, value & 0xFF][at & 1] for at in range(count))

    def _begin(self, config: int) -> None:
        if self.busy and not self._disturbed:
            return  # OS has no effect while a conversion is at work
        self.abandon()
        mux = config >> _MUX_SHIFT & 7
        plus, minus = INPUTS[mux]
        volts = self._sample()
        difference = volts[plus] - (0.0 if minus is None else volts[minus])
        pga = config >> _PGA_SHIFT & 7
        steps = difference * self._gains[pga] / (FULL_SCALE_V[pga] / -LEAST)
        noise = self._noise[mux].gauss(0.0, 1.0) * self.noise_steps
        self._next = min(MOST, max(LEAST, round(steps + self._offset_steps + noise)))
        self._looks_left = LOOKS
        self._disturbed = False

    def _finish(self) -> None:
        self._looks_left = 0
        if self._first is None:
            self._first = self._next
        self._registers[CONVERSION] = (self._first if self._stuck else self._next) & 0xFFFF


class Device(Protocol):
    """Something on the bus. address: None where it answers nothing."""

    @property
    def address(self) -> int | None: ...

    def write(self, data: bytes) -> None: ...

    def read(self, count: int) -> bytes: ...


class I2cBus:
    """Devices on one I²C bus. `bytes` counts what was clocked, addresses among it."""

    def __init__(self, devices: Sequence[Device]) -> None:
        self._devices = tuple(devices)
        self.bytes = 0

    def _find(self, address: int) -> Device | None:
        self.bytes += 1
        return next((device for device in self._devices if device.address == address), None)

    def write(self, address: int, data: bytes) -> bool:
        """A message to a device; whether there is one."""
        device = self._find(address)
        if device is None:
            return False
        self.bytes += len(data)
        device.write(data)
        return True

    def read(self, address: int, count: int) -> bytes | None:
        """A message from a device; None where there is none."""
        device = self._find(address)
        if device is None:
            return None
        self.bytes += count
        return device.read(count)
