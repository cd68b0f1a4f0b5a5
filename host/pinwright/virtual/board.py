"""A whole virtual board: RP2040 pins, expanders, parts, and what the bench says is plugged in."""

from __future__ import annotations

import hashlib
import random
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from itertools import pairwise

from pinwright.cable.pins import Pin, in_order
from pinwright.errors import BenchError

from .bench import Bench, Link, TesterSpec
from .circuit import HARD_OHMS, HIGH, INPUT, LOW, PULLUP, Circuit, Point, Wire
from .converter import CONVERSION_US, Converter, I2cBus
from .expander import Expander, SpiBus
from .spread import CALIBRATED_CELSIUS, POINTS_PER_CHIP, SUPPLY_V, parts_of, pocket_parts

# RP2040 pins, as in hardware/board.toml.
CHIP_SELECT, RESET = 17, 20
BUTTON, RED_LAMP, GREEN_LAMP, BUZZER = 14, 12, 13, 15
_LET_GO_LEVELS = {CHIP_SELECT: 1, RESET: 1, BUTTON: 1}  # pulled up on the board; every other pin rests low

# The pocket tester's points in order, as in hardware/pocket.toml.
POCKET_PINS = (*range(23), 26)
ZERO_REFERENCE, TEN_OHM_REFERENCE = (121, 122), (123, 124)  # pairs of points

# Time on the buses in microseconds: SPI at 8 MHz, I²C with 9 bits a byte at 400 kHz.
SPI_BYTE_US, I2C_BYTE_US = 1.0, 22.5
# What protects parts: hardware/README.md.
LEAST_VIO_V = 3.0
MOST_HIGH = 4  # across copper that has not been walked
MOST_DRIVEN_US = 100_000  # on the buses; the firmware's own limit is 60 ms by its clock
_MOST_NOTED = 20


class VirtualBoard:
    """The hardware beneath the firmware, for one bench.

    point_of: the point of every cable pin that is placed (`A.1`) and every tester position (`@J2.7`).
    clock: seconds; the periods of intermittent links all begin when the board is made.
    Raises BenchError where the bench names a pin that is not in point_of or whose point is not fitted.

    Voltages are worked out when a port is read, so an input whose voltage is between its two thresholds
    remembers what it last showed to a reader.

    broken: every breach of the rules that protect parts, or of the converter's, in words; not where a fault
    of the bench does it, nor on a pocket tester. bus_us, spi_transfers, spi_bytes, i2c_bytes, conversions:
    what the buses have done since the start. converter: None where there is none.
    """

    def __init__(
        self, bench: Bench, point_of: Mapping[Pin, int], clock: Callable[[], float] = time.monotonic
    ) -> None:
        spec = bench.tester
        self._clock = clock
        self._began = clock()
        self._levels_out = dict(_LET_GO_LEVELS)
        self._lock = threading.RLock()  # the cable is changed by another thread than the firmware's
        self._parts = parts = (
            pocket_parts(spec.seed)
            if spec.kind == "pocket"
            else parts_of(spec.seed, spec.fitted, kelvin=spec.kelvin, spread=spec.spread, drift=spec.drift)
        )
        self._celsius = CALIBRATED_CELSIUS + spec.kelvin
        self._notes = spec.kind == "tester" and not spec.flip_bits
        self._held = bool(spec.stuck_low or spec.stuck_high)
        self._points = [
            Point(
                point.out_low_ohms,
                point.out_high_ohms,
                0.0 if p in spec.no_pullup else point.pullup_amps,
                float("inf") if p in spec.cut else point.series_ohms,
                LOW if p in spec.stuck_low else HIGH if p in spec.stuck_high else None,
            )
            for p, point in enumerate(parts.points)
        ]
        self._point_at = {gpio: p for p, gpio in enumerate(POCKET_PINS)} if spec.kind == "pocket" else {}
        self._drives = [INPUT] * len(self._points)
        self._ports = [(0, 0, 0)] * spec.fitted  # what each chip drives, its latches and its pull-ups
        self._seen = [0] * len(parts.schmitt)  # logic levels of the points that share thresholds, a bit each
        self.chips: list[Expander] = []
        self.broken: list[str] = []
        self._lows = self._highs = 0  # points that are driven, a bit each
        self._driven_since = [0.0] * len(self._points)
        self.spi_transfers = self.spi_bytes = self.conversions = 0
        self.plug(bench, point_of)
        self.converter = None
        if spec.kind == "tester" and spec.lane != "none":
            self.converter = Converter(
                self._sample_volts,
                parts.converter_offset_steps,
                parts.converter_gains,
                random.Random(f"converter {spec.seed}"),
                spec.converter,
                self._converted,
            )
        self._i2c = I2cBus([self.converter] if self.converter else [])
        if spec.kind == "tester":
            self.chips += [
                Expander(
                    spec.moved_chips.get(number, number),
                    partial(self._sample, number),
                    partial(self._drive, number),
                    dead=number in spec.dead_chips,
                )
                for number in range(spec.fitted)
            ]
        self._bus = SpiBus(self.chips, spec.flip_bits, random.Random(f"spi {spec.seed}"))
        self.unique_id = hashlib.sha256(f"board {spec.seed}".encode()).digest()[:8]

    def plug(self, bench: Bench, point_of: Mapping[Pin, int]) -> None:
        """Put another cable in. The board itself stays what it is; bench.tester's faults of the board do not
        count. Raises BenchError as the constructor does, and then nothing has changed."""
        spec, points = bench.tester, self._points
        find = _Finder(point_of, spec)
        wires: list[Wire] = []
        intermittent: list[tuple[int, Link]] = []
        for index, link in enumerate(bench.links, 1):
            at = [find(pin, f"link[{index}].pins") for pin in link.pins]
            if link.closed < 1:
                intermittent += [(len(wires) + nth, link) for nth in range(len(at) - 1)]
            wires += [Wire(a, b, link.ohms) for a, b in pairwise(at)]
        for group in spec.bridged:
            wires += [Wire(a, b, HARD_OHMS) for a, b in pairwise(group)]
        if TEN_OHM_REFERENCE[1] < len(points):
            wires += [Wire(*ZERO_REFERENCE, HARD_OHMS), Wire(*TEN_OHM_REFERENCE, self._parts.reference_ohms)]
        outside = {find(pin, f"tester.outside.{pin}"): volts for pin, volts in spec.outside.items()}
        circuit = Circuit(points, wires, outside, shunt_ohms=self._parts.shunt_ohms)
        for point, drive in enumerate(self._drives):
            circuit.set_drive(point, drive)
        with self._lock:
            self.circuit, self._intermittent = circuit, intermittent
            self._walked = 0  # points that have been the only one low, a bit each
            self._checks_vio = not (self._held or outside)
            self._look(range(len(points)))
            self._stale = True

    def set_pin(self, gpio: int, level: int | None, pull_up: bool = False) -> None:
        """The RP2040 drives a pin to 0 or 1, or (None) lets go of it."""
        if gpio in self._point_at:
            let_go = PULLUP if pull_up else INPUT
            with self._lock:
                self._set(self._point_at[gpio], let_go if level is None else (LOW, HIGH)[level])
            return
        if level is None:
            level = _LET_GO_LEVELS.get(gpio, int(pull_up))
        self._levels_out[gpio] = level
        if gpio == CHIP_SELECT:
            self.spi_transfers += not level
            self._bus.select(low=not level)
        elif gpio == RESET:
            self._bus.reset(low=not level)

    def let_go_pins(self) -> None:
        """What a hard reset does: the RP2040 lets go of every pin. The expanders keep their state."""
        for gpio in (*self._levels_out, *self._point_at):
            self.set_pin(gpio, None)
        if self.converter:
            self.converter.abandon()  # long over when the firmware has started anew

    def pin(self, gpio: int) -> int:
        """The level at an RP2040 pin. The button reads 1: nobody presses it."""
        if gpio in self._point_at:
            number, bit = divmod(self._point_at[gpio], POINTS_PER_CHIP)
            return self._sample(number) >> bit & 1
        return self._levels_out.get(gpio, 0)

    def exchange(self, sent: bytes) -> bytes:
        """Clock bytes through SPI0."""
        with self._lock:
            self.spi_bytes += len(sent)
            if self.converter and self.converter.busy:
                self.converter.disturb()
            return self._bus.exchange(sent)

    def i2c_write(self, address: int, data: bytes) -> bool:
        """Send bytes to a device on I2C0; whether there is one."""
        with self._lock:
            return self._i2c.write(address, data)

    def i2c_read(self, address: int, count: int) -> bytes | None:
        """Bytes from a device on I2C0; None where there is none."""
        with self._lock:
            return self._i2c.read(address, count)

    def sensor(self) -> int:
        """What `machine.ADC(4)` reads, 16 bits: the processor's temperature.

        Source: RP2040 datasheet, section 4.9.5, from memory: 0.706 V at 27 degC, 1.721 mV less a kelvin;
        12 bits, of which MicroPython repeats the upper ones below (`ports/rp2/machine_adc.c`, from memory).
        """
        steps = round((0.706 - (self._celsius - 27) * 0.001721) / SUPPLY_V * 4095)
        return steps << 4 | steps >> 8

    @property
    def i2c_bytes(self) -> int:
        return self._i2c.bytes

    @property
    def bus_us(self) -> float:
        """Microseconds that the buses and the converter have taken since the start."""
        return self.spi_bytes * SPI_BYTE_US + self._i2c.bytes * I2C_BYTE_US + self.conversions * CONVERSION_US

    def breaches(self) -> list[str]:
        """`broken`, and the points that have been driven for too long and still are."""
        now = self.bus_us
        with self._lock:
            for point in range(len(self._points)):
                if (self._lows | self._highs) >> point & 1:
                    self._check_time(point, now)
            return list(self.broken)

    def _drive(self, number: int) -> None:
        chip, before = self.chips[number], self._ports[number]
        self._ports[number] = outputs, latch, pullups = chip.outputs, chip.latch, chip.pullups
        changed = outputs ^ before[0] | latch ^ before[1] | pullups ^ before[2]
        begun, now, first = outputs & ~before[0], self.bus_us, number * POINTS_PER_CHIP
        while changed:
            bit = changed.bit_length() - 1
            changed ^= 1 << bit
            if outputs >> bit & 1:
                drive = HIGH if latch >> bit & 1 else LOW
                if begun >> bit & 1:
                    self._driven_since[first + bit] = now
            else:
                drive = PULLUP if pullups >> bit & 1 else INPUT
                if before[0] >> bit & 1:
                    self._check_time(first + bit, now)
            self._set(first + bit, drive)
        others = ~(0xFFFF << first)
        self._lows = self._lows & others | (outputs & ~latch) << first
        self._highs = self._highs & others | (outputs & latch) << first
        if self._notes:
            self._watch()

    def _watch(self) -> None:
        """Note what the points now do against the rules that protect parts."""
        if not self._lows & self._lows - 1:
            self._walked |= self._lows
        if self._highs & ~self._walked and self._highs.bit_count() > MOST_HIGH:
            self._note(f"{self._highs.bit_count()} points high across copper that has not been walked")
        if self._checks_vio and SUPPLY_V - self.circuit.most_amps * self._parts.shunt_ohms < LEAST_VIO_V:
            self.settle()

    def _check_time(self, point: int, now: float) -> None:
        if now - self._driven_since[point] > MOST_DRIVEN_US:
            self._note(f"point {point} driven for {(now - self._driven_since[point]) / 1000:.0f} ms")

    def _note(self, breach: str) -> None:
        if self._notes and breach not in self.broken and len(self.broken) < _MOST_NOTED:
            self.broken.append(breach)

    def _set(self, point: int, drive: int) -> None:
        self._drives[point] = drive
        self.circuit.set_drive(point, drive)
        self._stale = True

    def _sample_volts(self) -> tuple[float, ...]:
        """At the converter's four inputs: 3V3, VIO, VIO and nothing."""
        if self._stale or self._intermittent:
            self.settle()
        vio = self.circuit.vio_v
        return SUPPLY_V, vio, vio, 0.0

    def _converted(self, disturbed: bool) -> None:
        self.conversions += 1
        if disturbed:
            self._note("SPI traffic while the converter was at work")

    def settle(self) -> None:
        """Bring voltages and logic levels up to now. Reading a port does it by itself."""
        if self._intermittent:
            elapsed_ms = (self._clock() - self._began) * 1e3
            for wire, link in self._intermittent:
                self.circuit.set_closed(wire, elapsed_ms % link.period_ms < link.closed * link.period_ms)
        self._look(self.circuit.settle())
        self._stale = False
        if self._checks_vio and self.circuit.vio_v < LEAST_VIO_V:
            self._note(f"VIO is down to {self.circuit.vio_v:.2f} V")

    def _sample(self, number: int) -> int:
        with self._lock:
            if self._stale or self._intermittent:
                self.settle()
            return self._seen[number]

    def _look(self, points: Iterable[int]) -> None:
        """Pass voltages through the Schmitt inputs. Between the thresholds, parts of VIO, nothing changes."""
        vio, pin_v = self.circuit.vio_v, self.circuit.pin_v
        for point in points:
            number, bit = divmod(point, POINTS_PER_CHIP)
            falling, rising = self._parts.schmitt[number]
            volts = pin_v(point)
            if volts > rising * vio:
                self._seen[number] |= 1 << bit
            elif volts < falling * vio:
                self._seen[number] &= ~(1 << bit)


class _Finder:
    """From the pins of a bench to points that are fitted."""

    def __init__(self, point_of: Mapping[Pin, int], spec: TesterSpec) -> None:
        self._point_of = point_of
        self._spec = spec

    def __call__(self, pin: Pin, key: str) -> int:
        point = self._point_of.get(pin)
        if point is None:
            raise BenchError(key, f"no pin `{pin}`; {self._choice(pin)}")
        spec = self._spec
        if point >= spec.points:
            what = "a pocket tester has" if spec.kind == "pocket" else f"{spec.fitted} expanders make"
            fitted = f"{what} points 0 to {spec.points - 1}"
            raise BenchError(key, f"`{pin}` is point {point}, which is not fitted: {fitted}")
        return point

    def _choice(self, pin: Pin) -> str:
        of_end = sorted((known for known in self._point_of if known.end == pin.end), key=in_order)
        if of_end:
            return f"`{pin.end}` has {len(of_end)} pins, `{of_end[0]}` to `{of_end[-1]}`"
        ends = sorted({known.end for known in self._point_of})
        return "plugged in are " + (", ".join(f"`{end}`" for end in ends) or "no ends at all")
