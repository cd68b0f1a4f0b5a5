"""The ohms lane: points driven high against points that are low, and the current through the shunt.

A reading is the sum of four conversions of the shunt and 4096, at least 1 and at most 65535, high byte
first; 0: not measured. Three of them for every point, by what was driven:

high   the point high, every other one low
leak   the same, but the other points of its part inputs: what leaves the part. One point of each part.
low    the point low, the other points of a shorting bar high, all others inputs

Points are driven for some milliseconds at a time and all let go in between; `busy` is called only then,
for it may have to wait for the line to the host. What was read while the chips did not hold what they
should is read once more, and so is what differs from one conversion to the next.
"""

from time import ticks_diff, ticks_us

from micropython import const

from tester.converter import ConverterFault
from tester.expander import ChipFault
from tester.scanner import PointFault

_SETTLE_US = const(800)  # to 0.1 % 0.7 ms: 2 kohm and 47 nF between the converter's inputs
_CONVERSIONS = const(4)
_MOST_SPREAD = const(16)  # steps between the largest and the smallest of them; their noise is 1 rms
_ZERO = const(4096)
_MOST = const(0xFFFF)
_OVERLOAD_STEPS = const(32000)  # VIO 0.25 V below 3V3
_BACKWARDS_STEPS = const(-16)
_LEAST_SUPPLY_MV = const(3000)
# A point is driven for 60 ms at most: after these 40 no reading is begun, and one takes 7 ms, 21 at worst;
# zero and VIO, together, 43 at worst.
# The number bounds it too, where time is not what the converter takes it for.
_MOST_HELD_US = const(40_000)
_MOST_HELD_READINGS = const(6)
_SENSOR_LOOKS = const(8)
NOBODY = const(-1)


class SupplyFault(Exception):
    """VIO is too low. args[0]: millivolts."""


class Lane:
    """The readings of one board. Buffers are made once; a measurement allocates nothing.

    converter: has shunt() and supply(). sensor: has read_u16(). own: the points joined on the board itself.
    busy: called all the time while a measurement is at work.

    Every measurement raises ChipFault, ConverterFault, SupplyFault, or PointFault with `overload`,
    `backwards` or `unsteady`; it ends with all points let go, or raises, and then the caller lets go.

    Conversions that differ too much are done once more, with the points driven anew. Where they differ again,
    the one that is worse for the cable counts: of a link the smallest, of a leak the largest. Zero, the
    references and a shorting bar have no worse: they are `unsteady`.
    """

    def __init__(self, bank, converter, sensor, own, busy):
        self.bank = bank
        self.converter = converter
        self.sensor = sensor
        self._busy = busy
        self.own = own
        n = bank.points
        self.high = bytearray(2 * n)
        self.low = bytearray(2 * n)
        self.leak = bytearray(2 * n)
        self.parts = bytearray(n)  # per point, the number of its part; 0: none
        self.references = bytearray(2 * len(own))  # readings of these points, each high
        self.zero = 0  # a reading with every point low
        self.supply = 0  # VIO with every point low, steps of 125 uV, mean of four
        self.warmth = 0  # the processor's own sensor, mean of eight
        self.us = 0  # how long the last measurement took
        self._wanted = bytearray(bank.ports)
        self._inputs = bytearray(bank.ports)
        self._of_own = bytearray(2 * n)
        self._four = [0] * _CONVERSIONS  # the last ones

    def forget(self):
        """No point has been measured."""
        for i in range(len(self.high)):
            self.high[i] = self.low[i] = self.leak[i] = 0

    def look(self):
        """Zero, VIO, the sensor and the references."""
        start = ticks_us()
        self._busy()
        total = 0
        for _ in range(_SENSOR_LOOKS):
            total += self.sensor.read_u16()
        self.warmth = total // _SENSOR_LOOKS
        if not (self._look() or self._look()):
            if not self.zero:
                raise PointFault("unsteady", self._row_of(NOBODY))
            raise ConverterFault("unsteady")
        self._want_own()
        self._sweep(False, self._of_own, None)
        for i in range(len(self.own)):
            at = 2 * self.own[i]
            self.references[2 * i] = self._of_own[at]
            self.references[2 * i + 1] = self._of_own[at + 1]
        self.us = ticks_diff(ticks_us(), start)

    def measure_links(self, mask):
        """`high` of every point whose bit is set in mask, a row."""
        start = ticks_us()
        self._want(mask)
        self._sweep(False, self.high, min)
        self.us = ticks_diff(ticks_us(), start)

    def measure_leaks(self):
        """`leak` of the lowest point of every part."""
        start = ticks_us()
        self._want_lowest()
        self._sweep(True, self.leak, max)
        self.us = ticks_diff(ticks_us(), start)

    def measure_bar(self, mask):
        """`high` and `low` of every point in mask, a row whose points are all joined, and to nothing else."""
        start = ticks_us()
        self._want(mask)
        self._sweep(False, self.high, None)
        for point in range(self.bank.points):
            if self._is_wanted(point) and not (self._low_of(point) or self._low_of(point)):
                raise PointFault("unsteady", self._row_of(point))
        self.us = ticks_diff(ticks_us(), start)

    def _want(self, mask):
        for port in range(self.bank.ports):
            self._wanted[port] = mask[port]

    def _want_own(self):
        for port in range(self.bank.ports):
            self._wanted[port] = 0
        for i in range(len(self.own)):
            point = self.own[i]
            self._wanted[point >> 3] |= 1 << (point & 7)

    def _want_lowest(self):
        for port in range(self.bank.ports):
            self._wanted[port] = 0
        parts = self.parts
        for point in range(self.bank.points):
            part = parts[point]
            if part:
                lowest = 0
                while parts[lowest] != part:
                    lowest += 1
                if lowest == point:
                    self._wanted[point >> 3] |= 1 << (point & 7)

    def _is_wanted(self, point):
        return self._wanted[point >> 3] >> (point & 7) & 1

    def _sweep(self, apart, into, worse):
        """Each wanted point high, some at a time. apart: the other points of its part are inputs. worse: min
        or max, which of the conversions counts where they differ twice; None: none does."""
        first = 0
        again = False  # those of `first` have differed
        while first < self.bank.points:
            if not self._is_wanted(first):
                first += 1
                continue
            self._busy()
            try:
                point = self._some(first, again, apart, into, worse)
            except ChipFault:
                self.bank.free()
                point = self._some(first, again, apart, into, worse)
            again = point < 0
            first = ~point if again else point

    def _some(self, first, again, apart, into, worse):
        """Wanted points from a wanted one on, as long as points may be driven. Returns the next one not done;
        its complement, where its conversions differ for the first time."""
        bank = self.bank
        since = ticks_us()
        bank.hold_low()
        left = _MOST_HELD_READINGS
        point = first
        while point < bank.points:
            if self._is_wanted(point):
                if point != first and (not left or ticks_diff(ticks_us(), since) > _MOST_HELD_US):
                    break
                self._choose_inputs(point, apart)
                value = self._high(point)
                if point == first:
                    self._check_supply(self.converter.supply())
                bank.low(point, self._inputs)
                if not value and again and point == first:
                    value = self._of_unsteady(point, worse)
                if not value:
                    point = ~point
                    break
                _store(into, point, value)
                left -= 1
            point += 1
        bank.is_low()
        bank.free()
        return point

    def _choose_inputs(self, point, apart):
        """Into _inputs, a row: the other points of the same part, or none."""
        inputs = self._inputs
        for port in range(self.bank.ports):
            inputs[port] = 0
        if apart:
            parts = self.parts
            part = parts[point]
            for other in range(point + 1, self.bank.points):
                if parts[other] == part:
                    inputs[other >> 3] |= 1 << (other & 7)

    def _high(self, point):
        """The reading with one point high, and it stays so."""
        self.bank.high(point, self._inputs)
        self.bank.settle(_SETTLE_US)
        return self._reading(point)

    def _look(self):
        """Zero and VIO; whether conversions agree."""
        try:
            self._all_low()
        except ChipFault:
            self.bank.free()
            self._all_low()
        return self.zero and self.supply

    def _all_low(self):
        bank = self.bank
        bank.hold_low()
        bank.settle(_SETTLE_US)
        self.zero = self._reading(NOBODY)
        self.supply = self._mean_supply()
        bank.is_low()
        bank.free()

    def _low_of(self, point):
        """`low` of a point of the bar; whether conversions agree."""
        self._busy()
        try:
            value = self._against_highs(point)
        except ChipFault:
            self.bank.free()
            value = self._against_highs(point)
        _store(self.low, point, value)
        return value

    def _against_highs(self, point):
        bank = self.bank
        bank.one_low(point, self._wanted)
        bank.settle(_SETTLE_US)
        value = self._reading(point)
        bank.is_one_low(point, self._wanted)
        bank.free()
        return value

    def _reading(self, point):
        """Four conversions; 0: they differ. point: whose fault it is, should the current be none that a cable
        draws."""
        four = self._four
        for i in range(_CONVERSIONS):
            four[i] = self.converter.shunt()
            if four[i] >= _OVERLOAD_STEPS:
                raise PointFault("overload", self._row_of(point))
        return 0 if self._differ() else self._as_reading(sum(four), point)

    def _of_unsteady(self, point, worse):
        """The reading where the last four differ, and those before did."""
        if not worse:
            raise PointFault("unsteady", self._row_of(point))
        return self._as_reading(_CONVERSIONS * worse(self._four), point)

    def _as_reading(self, total, point):
        if total < _CONVERSIONS * _BACKWARDS_STEPS:
            raise PointFault("backwards", self._row_of(point))
        return min(max(total + _ZERO, 1), _MOST)

    def _mean_supply(self):
        """VIO, steps; 0: four conversions differ."""
        four = self._four
        for i in range(_CONVERSIONS):
            four[i] = self.converter.supply()
        if self._differ():
            return 0
        supply = sum(four) // _CONVERSIONS
        self._check_supply(supply)
        return supply

    def _differ(self):
        return max(self._four) - min(self._four) > _MOST_SPREAD

    def _row_of(self, point):
        row = bytearray(self.bank.ports)
        if point != NOBODY:
            row[point >> 3] = 1 << (point & 7)
        return row

    def _check_supply(self, steps):
        millivolts = steps // 8  # 125 uV each
        if millivolts < _LEAST_SUPPLY_MV:
            raise SupplyFault(millivolts)


def _store(readings, point, value):
    readings[2 * point] = value >> 8
    readings[2 * point + 1] = value & 0xFF
