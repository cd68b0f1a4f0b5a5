"""The walking scan: which points conduct to which.

Four passes, each into a matrix of one bit per pair of points (see `bank` for the layout of a row):

walk      every point pulled low once, all read: `seen`.
rest      every port read while all other points are low: `apart`. The pull-ups of a large net can
          lift its driver's reading above the threshold, so that it looks open to the walk; this
          pass finds every point that conducts to anything outside its port, whatever the net's size.
wide      nets of more than eight pins, expected or measured or hinted at by `rest`, are walked from
          one pin by ports, which loads the driver with eight pull-ups at most.
confirm   a good path is seen from both its ends. A pair seen from one end only is looked at again
          four times from each: always seen, it is joined; never again, it was a slip of the bus;
          anything else is `doubtful`, which is too little for a link and too much for isolation.

A link needs `joined`; isolation needs neither `joined` nor `doubtful`. So no doubt can help a cable
to pass.
"""

from time import ticks_diff, ticks_us

from micropython import const

from tester.bank import RECOVER_US

WIDE = const(8)  # pins; from 14 pins on the walk is not sure to see a net (worst pull-ups and driver)
_LOOKS = const(4)
_MOST_DOUBTS = const(200)
_MOST_US = const(5_000_000)  # a scan takes tenths of a second; the watchdog waits for eight seconds
_NONE = const(0xFE)
_SEVERAL = const(0xFF)


class PointFault(Exception):
    """A point does not do as it is told. args: code, point."""


def components(rows, width, points, labels):
    """Give every point the number of the lowest point it conducts to, directly or not."""
    for point in range(points):
        labels[point] = point
    for point in range(points):
        base = point * width
        for i in range(width):
            byte = rows[base + i]
            other = i << 3
            while byte:
                if byte & 1 and labels[other] != labels[point]:
                    low = labels[other]
                    high = labels[point]
                    if low > high:
                        low, high = high, low
                    for p in range(points):
                        if labels[p] == high:
                            labels[p] = low
                byte >>= 1
                other += 1


class Scanner:
    """One scan's evidence and how it came about. Buffers are made once; a scan allocates nothing.

    busy: called all the time while a scan is at work.
    """

    def __init__(self, bank, busy):
        self.bank = bank
        self._busy = busy
        n = bank.points
        w = bank.ports
        self.width = w
        self.seen = bytearray(n * w)
        self.joined = bytearray(n * w)
        self.doubtful = bytearray(n * w)
        self.apart = bytearray(w)
        self.group = bytearray(n)  # 1 + the point a wide walk reached it from; 0: none did
        self.unexplained = bytearray(w)
        self.labels = bytearray(n)
        self._sizes = bytearray(n)
        self._span = bytearray(n)
        self._one = bytearray(w)
        self._two = bytearray(w)
        self.walk_us = self.rest_us = self.wide_us = self.confirm_us = 0
        self.doubts = 0
        self.slips = 0
        self.walk_transfers = 0
        self._start = 0

    def scan(self, in_large, settle_us):
        """All passes. in_large: per point, not 0 where its expected net has more than WIDE pins.

        Raises PointFault. The caller lets go of the points on every way out.
        """
        self.slips = 0
        self.bank.rest()
        self._start = start = ticks_us()
        self._walk(settle_us)
        walked = ticks_us()
        self.bank.ports_against_rest(self.apart, RECOVER_US)
        rested = ticks_us()
        self._wide(in_large)
        widened = ticks_us()
        self._confirm(settle_us)
        self._cross_check()
        self.walk_us = ticks_diff(walked, start)
        self.rest_us = ticks_diff(rested, walked)
        self.wide_us = ticks_diff(widened, rested)
        self.confirm_us = ticks_diff(ticks_us(), widened)

    def _walk(self, settle_us):
        bank = self.bank
        seen = self.seen
        width = self.width
        before = bank.transfers()
        first = 0
        while first < bank.points:  # a range whose step is no constant would take memory
            self._busy()
            missed = bank.walk(first, seen, first * width, settle_us)
            point = first
            while missed:
                if missed & 1:
                    self._look(point, seen, point * width, settle_us)
                missed >>= 1
                point += 1
            first += bank.stride
        self.walk_transfers = bank.transfers() - before
        bank.rest()

    def _look(self, point, row, base, settle_us):
        """One look by itself, repeated until the point reads low itself. Raises PointFault."""
        for _ in range(_LOOKS):
            self.bank.look(point, row, base, settle_us, False)
            if row[base + (point >> 3)] >> (point & 7) & 1:
                return
            self.slips += 1
            self.bank.rest()
        raise PointFault("not-low", point)

    def _wide(self, in_large):
        """Walk large nets by ports, from the first pin that no such walk has reached."""
        bank = self.bank
        labels = self.labels
        sizes = self._sizes
        group = self.group
        one = self._one
        for i in range(len(self.joined)):
            self.joined[i] = self.doubtful[i] = 0
        components(self.seen, self.width, bank.points, labels)
        self._measure_spans()
        for point in range(bank.points):
            group[point] = sizes[point] = 0
        for point in range(bank.points):
            sizes[labels[point]] += 1
        for point in range(bank.points):
            if group[point] or not self._conducts(point):
                continue
            if not (in_large[point] or sizes[labels[point]] > WIDE or self._alone(point)):
                continue
            self._hurry(point)
            self._agreed_wide_row(point)
            for other in range(bank.points):
                if not one[other >> 3] >> (other & 7) & 1:
                    continue
                if group[other]:  # the walk that reached it did not reach this point
                    self._set(self.doubtful, point, other)
                else:
                    group[other] = point + 1
                    self._set(self.joined, point, other)

    def _agreed_wide_row(self, point):
        """A wide row twice the same into _one; pairs on which the rows never agree are doubtful."""
        one = self._one
        two = self._two
        self.bank.look_by_ports(point, one, RECOVER_US)
        for _ in range(_LOOKS):
            self.bank.look_by_ports(point, two, RECOVER_US)
            same = True
            for i in range(self.width):
                if one[i] != two[i]:
                    same = False
            if same:
                break
            self.slips += 1
            for i in range(self.width):
                one[i], two[i] = two[i], one[i]
        else:
            for i in range(self.width):
                differ = one[i] ^ two[i]
                one[i] &= two[i]
                for bit in range(8):
                    if differ >> bit & 1:
                        self._set(self.doubtful, point, 8 * i + bit)
        if not one[point >> 3] >> (point & 7) & 1:
            raise PointFault("not-low", point)

    def _confirm(self, settle_us):
        """Decide every pair that no wide walk decided."""
        self.doubts = 0
        for point in range(self.bank.points):
            self._busy()
            base = point * self.width
            for i in range(self.width):
                byte = self.seen[base + i]
                other = i << 3
                while byte:
                    if byte & 1 and other != point:
                        self._confirm_pair(point, other, settle_us)
                    byte >>= 1
                    other += 1

    def _confirm_pair(self, point, other, settle_us):
        """Decide one pair that `point` saw; of two that saw each other the higher one decides."""
        mutual = self._get(self.seen, other, point)
        if mutual and other > point:
            return
        here = self.group[point]
        there = self.group[other]
        if here and here == there:
            return
        if mutual and not here and not there:
            self._set(self.joined, point, other)
            return
        self.doubts += 1
        self._hurry(point)
        if self.doubts > _MOST_DOUBTS:
            raise PointFault("unsteady", point)
        times = self._again(point, other, settle_us) + self._again(other, point, settle_us)
        if times == 2 * _LOOKS:
            self._set(self.joined, point, other)
            self.slips += 1
        elif times:
            self._set(self.doubtful, point, other)
        else:
            self.slips += 1

    def _hurry(self, point):
        """Still at work, but not for ever. Raises PointFault."""
        self._busy()
        if ticks_diff(ticks_us(), self._start) > _MOST_US:
            raise PointFault("unsteady", point)

    def _again(self, point, other, settle_us):
        """How many of a few more looks from `point` see `other`."""
        times = 0
        for _ in range(_LOOKS):
            self._look(point, self._two, 0, settle_us)
            times += self._two[other >> 3] >> (other & 7) & 1
        return times

    def _cross_check(self):
        """`rest` and the pairs must tell the same story of every point; where they do not:

        joined to something outside its port, yet alone against the rest: its links are doubtful;
        otherwise it conducts to many things a little, or now and then: unexplained.
        """
        labels = self.labels
        for i in range(self.width):
            self.unexplained[i] = 0
        components(self.joined, self.width, self.bank.points, labels)
        self._measure_spans()
        for point in range(self.bank.points):
            if self._conducts(point) != self._alone(point):
                continue
            if self._conducts(point):
                if not self._any(self.doubtful, point):
                    self.unexplained[point >> 3] |= 1 << (point & 7)
            elif self.group[point] == point + 1:
                self.unexplained[point >> 3] |= 1 << (point & 7)
            else:
                for other in range(self.bank.points):
                    if self._get(self.joined, point, other):
                        self._clear(self.joined, point, other)
                        self._set(self.doubtful, point, other)

    def _conducts(self, point):
        """Whether `rest` saw the point conduct to something outside its port."""
        return self.apart[point >> 3] >> (point & 7) & 1

    def _measure_spans(self):
        """Per label, the one port that all its points are in, or _SEVERAL."""
        span = self._span
        for point in range(self.bank.points):
            span[point] = _NONE
        for point in range(self.bank.points):
            label = self.labels[point]
            port = point >> 3
            if span[label] == _NONE:
                span[label] = port
            elif span[label] != port:
                span[label] = _SEVERAL

    def _alone(self, point):
        """1 where no other point of the same label is outside the point's port, else 0."""
        return 0 if self._span[self.labels[point]] == _SEVERAL else 1

    def _any(self, rows, point):
        base = point * self.width
        for i in range(self.width):
            if rows[base + i]:
                return True
        return False

    def _get(self, rows, point, other):
        return rows[point * self.width + (other >> 3)] >> (other & 7) & 1

    def _set(self, rows, point, other):
        rows[point * self.width + (other >> 3)] |= 1 << (other & 7)
        rows[other * self.width + (point >> 3)] |= 1 << (point & 7)

    def _clear(self, rows, point, other):
        rows[point * self.width + (other >> 3)] &= 0xFF ^ 1 << (other & 7)
        rows[other * self.width + (point >> 3)] &= 0xFF ^ 1 << (point & 7)
