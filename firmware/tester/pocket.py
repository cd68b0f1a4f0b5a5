"""Points on the RP2040's own pins, for a first tester on a breadboard: the same bank without expanders.

Figures from the RP2040 datasheet, pin specifications (from memory): pull-ups of 50 to 80 kΩ, an input is
low below 0.8 V and high above 2.0 V at 3.3 V. No point is ever driven high, and nothing here allocates
after construction.
"""

from tester.bank import RECOVER_US  # 80 kΩ and 1 nF need 75 us to 2.0 V

_LOW = 0


class PocketBank:
    """24 points or fewer: point p is pins[p]. See `bank` for what a row is.

    There are no transfers to count and no registers to prove: the pins are the processor's own.
    """

    fitted = 0  # expanders
    stride = 8  # points that one call of `walk` looks from
    bus = "portable"

    def __init__(self, pins, settle):
        """pins: machine.Pin objects, a multiple of eight. settle: waits so many microseconds."""
        self.pins = pins
        self.settle = settle
        self.points = len(pins)
        self.ports = len(pins) // 8
        self.let_go()

    def transfers(self):
        """None: nothing travels."""
        return 0

    def slips(self):
        """None: nothing travels."""
        return 0

    def begin(self):
        """All points inputs with pull-ups."""
        self.rest()

    def prove_directions(self):
        """There are no registers to prove."""

    def verify(self):
        """Nothing between the processor and its pins can be lost."""

    def rest(self):
        """All points inputs with pull-ups, latches clear."""
        for pin in self.pins:
            pin.init(pin.IN, pin.PULL_UP)
            pin.value(0)

    def let_go(self):
        """All points inputs, on any way out."""
        self.rest()

    def hold(self):
        """The same: nothing else holds these points."""
        self.rest()

    def read(self, row, base):
        """All points into row[base:base + ports]."""
        for port in range(self.ports):
            row[base + port] = self._port(port)

    def walk(self, first, rows, base, settle_us):
        """Look from each of `stride` points, from `first` on, into a row of its own from rows[base] on.

        Returns the points that did not read low themselves, a bit each from `first` on.
        """
        missed = 0
        for bit in range(8):
            self.look(first + bit, rows, base, settle_us, False)
            if not rows[base + (first >> 3)] >> bit & 1:
                missed |= 1 << bit
            base += self.ports
        return missed

    def look(self, point, row, base, settle_us, stay):
        """Pull one point low, all others inputs with pull-ups, and read all. The line is waited for."""
        self._pull_low(point)
        if settle_us:
            self.settle(settle_us)
        self.read(row, base)
        self._release(point, True)
        self.settle(RECOVER_US)

    def look_by_ports(self, point, row, settle_us):
        """Pull one point low and read all, the pull-ups on for one port at a time."""
        for other in range(self.points):
            self._release(other, False)
        self._pull_low(point)
        for port in range(self.ports):
            for other in range(8 * port, 8 * port + 8):
                if other != point:
                    self._release(other, True)
            self.settle(settle_us)
            row[port] = self._port(port)
            for other in range(8 * port, 8 * port + 8):
                if other != point:
                    self._release(other, False)
        self.rest()
        self.settle(RECOVER_US)

    def touch(self, point, held, low, settle_us):
        """A look for a probe: what reads low by itself into `held`, and what does while one point is pulled
        low into `low`."""
        self.rest()
        self.settle(settle_us)
        self.read(held, 0)
        self.look_by_ports(point, low, settle_us)

    def ports_against_rest(self, row, settle_us):
        """For each port: its eight points inputs with pull-ups, every other point low; read it."""
        for port in range(self.ports):
            for point in range(self.points):
                if point >> 3 == port:
                    self._release(point, True)
                else:
                    self._pull_low(point)
            self.settle(settle_us)
            row[port] = self._port(port)
        self.rest()
        self.settle(RECOVER_US)

    def all_low(self, row, settle_us):
        """Every point low for a moment, and what they read then."""
        for point in range(self.points):
            self._pull_low(point)
        self.settle(settle_us)
        self.read(row, 0)
        self.rest()

    def low_then_floating(self, row):
        """Every point low, then released without pull-ups and read at once: point by point, the one to be
        read released last."""
        for asked in range(self.points):
            for point in range(self.points):
                self._pull_low(point)
            for point in range(self.points):
                if point != asked:
                    self._release(point, False)
            self._release(asked, False)
            low = 0 if self.pins[asked].value() else 1
            bit = 1 << (asked & 7)
            row[asked >> 3] = row[asked >> 3] | bit if low else row[asked >> 3] & (0xFF ^ bit)
        self.rest()

    def _pull_low(self, point):
        pin = self.pins[point]
        pin.value(_LOW)  # the latch first: no pin ever drives an old one
        pin.init(pin.OUT)

    def _release(self, point, pull_up):
        pin = self.pins[point]
        if pull_up:
            pin.init(pin.IN, pin.PULL_UP)
        else:
            pin.init(pin.IN, None)

    def _port(self, port):
        """The low points of one port."""
        low = 0
        for bit in range(8):
            if not self.pins[8 * port + bit].value():
                low |= 1 << bit
        return low
