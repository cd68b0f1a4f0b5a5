"""The points of the tester as the scanner sees them, whatever chips they are made of.

A point is pulled low, or an input with or without its weak pull-up; for the ohms lane it may be high too.
Points are numbered from 0; eight make a port. A row is one bit a point, set where the point reads LOW:
byte p // 8, bit p % 8. Nothing here allocates after construction.
"""

from micropython import const

from tester.expander import DEFVAL, GPINTEN, GPIO, GPPU, IOCON, IODIR, IPOL, OLAT, ChipFault, mark

RECOVER_US = const(500)  # a line left low rises in 467 us at worst: 1 nF, weakest pull-up, most leakage


class ExpanderBank:
    """128 points or fewer on MCP23S17 expanders: point p is chip p // 16, bit p % 16."""

    stride = 16  # points that one call of `walk` looks from

    def __init__(self, chips, settle):
        """chips: Expanders. settle: waits so many microseconds."""
        self.chips = chips
        self.settle = settle
        self.fitted = chips.fitted
        self.points = 16 * chips.fitted
        self.ports = 2 * chips.fitted
        self.bus = "portable"  # or "fast", or "fallback" where that should be and is not to be trusted
        self._fast = None

    def take(self, fast):
        """From now on walk, look and read through the module `fast`, proven to do the same."""
        self._fast = fast
        self.bus = "fast"

    def transfers(self):
        """Chip selects since the start."""
        return self.chips.transfers

    def slips(self):
        """Values that had to be written or read once more, since the start."""
        return self.chips.slips

    def begin(self):
        """From any state to all points inputs with pull-ups, and prove that every chip obeys."""
        self.chips.begin()
        self._prove_latches()
        self.chips.tell_apart()

    def _prove_latches(self):
        """Every latch takes a 1 and a 0, four of one chip at a time; all points are inputs meanwhile."""
        for chip in range(self.fitted):
            for place in range(4):
                self.chips.write_checked(chip, OLAT, 0x1111 << place)
            self.chips.write_checked(chip, OLAT, 0)

    def prove_directions(self):
        """Every point becomes an output and an input again, one chip after another. Raises ChipFault."""
        for chip in range(self.fitted):
            self.chips.write_checked(chip, IODIR, 0)
            self.chips.write_checked(chip, IODIR, 0xFFFF)

    def rest(self):
        """All points inputs with pull-ups, latches clear, read back."""
        for chip in range(self.fitted):
            self.chips.write_checked(chip, OLAT, 0)
            self.chips.write_checked(chip, IODIR, 0xFFFF)
            self.chips.write_checked(chip, GPPU, 0xFFFF)

    def let_go(self):
        """All points inputs, on any way out."""
        self.chips.let_go()

    def hold(self):
        """All points inputs by one pin, whatever the bus does; until `begin`."""
        self.chips.hold()

    def verify(self):
        """Prove after a scan that no chip was reset or lost meanwhile: all is as `rest` leaves it."""
        for chip in range(self.fitted):
            self.chips.expect(chip, IOCON, 0x0808)
            self.chips.expect(chip, DEFVAL, mark(chip))
            self.chips.expect(chip, OLAT, 0)
            self.chips.expect(chip, IODIR, 0xFFFF)
            self.chips.expect(chip, IPOL, 0)
            self.chips.expect(chip, GPINTEN, 0)
            self.chips.expect(chip, GPPU, 0xFFFF)

    def read(self, row, base):
        """All points into row[base:base + ports]."""
        chips = self.chips
        if self._fast:
            stuck = self._fast.look(row, base, self.fitted, -1, 0, 0, 0)
            if stuck:
                self._give_up(-1, stuck)
            chips.transfers += self.fitted
            return
        for chip in range(self.fitted):
            levels = chips.read(chip, GPIO) ^ 0xFFFF
            row[base] = levels & 0xFF
            row[base + 1] = levels >> 8
            base += 2

    def walk(self, first, rows, base, settle_us):
        """Look from each of `stride` points, from `first` on, into a row of its own from rows[base] on.

        Returns the points that did not read low themselves, a bit each from `first` on.
        """
        chip = first >> 4
        if self._fast:
            missed = self._fast.walk(rows, base, self.fitted, chip, settle_us)
            if missed < 0:
                self._give_up(chip, -missed)
            self.chips.transfers += 16 * (self.fitted + 2)
            self.settle(RECOVER_US)
            return missed
        missed = 0
        for bit in range(16):
            self.look(first + bit, rows, base, settle_us, bit != 15)
            if not rows[base + 2 * chip + (bit >> 3)] >> (bit & 7) & 1:
                missed |= 1 << bit
            base += self.ports
        return missed

    def look(self, point, row, base, settle_us, stay):
        """Pull one point low, all others inputs with pull-ups, and read all: at most 10 transfers.

        Ends with all points inputs. stay: the next look is on the same chip; the line is then flashed
        high for a moment, so that it recovers at once, and the next look clears that latch before it
        changes a direction. Otherwise the line is waited for, and no latch is left high.
        """
        chips = self.chips
        chip = point >> 4
        bit = 1 << (point & 15)
        if self._fast:
            latch = bit if stay else 0
            stuck = self._fast.look(row, base, self.fitted, chip, 0xFFFF ^ bit, latch, settle_us)
            if stuck:
                self._give_up(chip, stuck)
            chips.transfers += self.fitted + 2
            if not stay:
                self.settle(RECOVER_US)
            return
        chips.latch_then_direction(chip, 0, 0xFFFF ^ bit)
        if settle_us:
            self.settle(settle_us)
        self.read(row, base)
        if stay:
            chips.latch_then_direction(chip, bit, 0xFFFF)
        else:
            chips.latch_then_direction(chip, 0, 0xFFFF)
            self.settle(RECOVER_US)

    def _give_up(self, chip, stuck):
        """A fast look got stuck at that transfer: no more of them, all points inputs. Raises ChipFault."""
        self._fast = None
        self.bus = "fallback"
        self.chips.hold()
        raise ChipFault(stuck - 2 if 2 <= stuck <= self.fitted + 1 else chip, GPIO, 0, 0)

    def look_by_ports(self, point, row, settle_us):
        """Pull one point low and read all, the pull-ups on for one port at a time.

        Eight pull-ups at most load the driver, so a net of any size reads as it is.
        """
        chips = self.chips
        chips.latch_then_direction(point >> 4, 0, 0xFFFF ^ 1 << (point & 15))
        for chip in range(self.fitted):
            chips.write_checked(chip, GPPU, 0)
        for port in range(self.ports):
            chip = port >> 1
            chips.write(chip, GPPU, 0xFF00 if port & 1 else 0x00FF)
            self.settle(settle_us)
            row[port] = self._port(port)
            chips.write(chip, GPPU, 0)
        self.rest()

    def touch(self, point, held, low, settle_us):
        """A look for a probe: what reads low by itself into `held`, and what does while one point is pulled
        low into `low`, the pull-ups on for one port at a time. At most 98 transfers, 122 with the `let_go`
        after it, if nothing slips.

        Begins with a proven rest, ends with the point an input; pull-ups stay off until `let_go`. Every port
        is read once: whoever asks looks twice. Raises ChipFault.
        """
        chips = self.chips
        for chip in range(self.fitted):
            chips.ensure(chip, OLAT, 0)
            chips.ensure(chip, IODIR, 0xFFFF)
            chips.ensure(chip, GPPU, 0xFFFF)
        self.settle(settle_us)
        self.read(held, 0)
        chips.latch_then_direction(point >> 4, 0, 0xFFFF ^ 1 << (point & 15))
        for chip in range(self.fitted):
            chips.write(chip, GPPU, 0)
        for chip in range(self.fitted):
            chips.write(chip, GPPU, 0x00FF)
            self.settle(settle_us)
            low[2 * chip] = chips.read(chip, GPIO) & 0xFF ^ 0xFF
            chips.write(chip, GPPU, 0xFF00)
            self.settle(settle_us)
            low[2 * chip + 1] = chips.read(chip, GPIO) >> 8 ^ 0xFF
            chips.write(chip, GPPU, 0)
        chips.latch_then_direction(point >> 4, 0, 0xFFFF)
        for chip in range(self.fitted):  # it was the same chip all the time, and told levels as they are
            chips.expect(chip, DEFVAL, mark(chip))
            chips.expect(chip, IPOL, 0)

    def ports_against_rest(self, row, settle_us):
        """For each port: its eight points inputs with pull-ups, every other point low; read it.

        Only lows and weak pull-ups meet, and eight pull-ups at most load any path. A point that
        reads low conducts to something outside its port, however large its net is.
        """
        chips = self.chips
        for chip in range(self.fitted):
            chips.write_checked(chip, OLAT, 0)
        for chip in range(self.fitted):
            chips.write_checked(chip, IODIR, 0)
        for port in range(self.ports):
            chip = port >> 1
            chips.write(chip, IODIR, 0xFF00 if port & 1 else 0x00FF)
            self.settle(settle_us)
            row[port] = self._port(port)
            chips.write(chip, IODIR, 0)
        self.rest()

    def all_low(self, row, settle_us):
        """Every point low for a moment, and what they read then."""
        chips = self.chips
        for chip in range(self.fitted):
            chips.write_checked(chip, OLAT, 0)
        for chip in range(self.fitted):
            chips.write(chip, IODIR, 0)
        self.settle(settle_us)
        self.read(row, 0)
        self.rest()

    def pulled_alone(self, point, row, settle_us):
        """All points inputs, and of the point's chip only its own pull-up on; what they read then."""
        self.chips.write_checked(point >> 4, GPPU, 1 << (point & 15))
        self.settle(settle_us)
        self.read(row, 0)
        self.rest()

    def low_then_floating(self, row):
        """Every point low, then released without pull-ups and read at once.

        A point that reads high again is fed from outside. Chip by chip: the chip to be read is
        released last, so that its points have floated for two transfers only.
        """
        chips = self.chips
        for chip in range(self.fitted):
            chips.write_checked(chip, OLAT, 0)
            chips.write_checked(chip, GPPU, 0)
        for asked in range(self.fitted):
            for chip in range(self.fitted):
                chips.write(chip, IODIR, 0)
            for chip in range(self.fitted):
                if chip != asked:
                    chips.write(chip, IODIR, 0xFFFF)
            chips.write(asked, IODIR, 0xFFFF)
            levels = chips.read(asked, GPIO) ^ 0xFFFF
            row[2 * asked] = levels & 0xFF
            row[2 * asked + 1] = levels >> 8
        self.rest()

    # For the ohms lane: points are driven until `free`, without pull-ups, and whoever calls bounds how long.
    # What is written is read back, so that no wrong state hurts or lies for longer than one reading.

    def hold_low(self):
        """Every point low. Latches are clear before any direction is changed."""
        chips = self.chips
        for chip in range(self.fitted):
            chips.write_checked(chip, OLAT, 0)
            chips.write_checked(chip, GPPU, 0)
        for chip in range(self.fitted):
            chips.write_checked(chip, IODIR, 0)
        self.is_low()

    def is_low(self):
        """Prove that every point is as `hold_low` and `low` leave it. Raises ChipFault."""
        for chip in range(self.fitted):
            self.chips.expect(chip, IODIR, 0)
            self.chips.expect(chip, OLAT, 0)
            self.chips.expect(chip, GPPU, 0)

    def high(self, point, inputs):
        """In `hold_low`: the points of the row `inputs` become inputs, and then `point` high.

        What is to be written over is proven first: a wrong bit there has spoilt readings before this one.
        """
        chips = self.chips
        for chip in range(self.fitted):
            directions = self._members(chip, inputs)
            if directions:
                chips.expect(chip, IODIR, 0)
                chips.write_checked(chip, IODIR, directions)
        chips.expect(point >> 4, OLAT, 0)
        chips.write_checked(point >> 4, OLAT, 1 << (point & 15))

    def low(self, point, inputs):
        """Prove that all was as `high` left it, and undo it."""
        chips = self.chips
        chips.expect(point >> 4, OLAT, 1 << (point & 15))
        for chip in range(self.fitted):
            directions = self._members(chip, inputs)
            if directions:
                chips.expect(chip, IODIR, directions)
        chips.write_checked(point >> 4, OLAT, 0)
        for chip in range(self.fitted):
            if self._members(chip, inputs):
                chips.write_checked(chip, IODIR, 0)

    def one_low(self, point, row):
        """The points of a row high but for `point`, which is low; all others inputs.

        All are inputs until every latch is proven: at no moment does a high meet more than this one low.
        """
        chips = self.chips
        self.free()
        for chip in range(self.fitted):
            chips.write_checked(chip, GPPU, 0)
            chips.write_checked(chip, OLAT, self._highs(chip, point, row))
        for chip in range(self.fitted):
            chips.write_checked(chip, IODIR, self._members(chip, row) ^ 0xFFFF)
        self.is_one_low(point, row)

    def is_one_low(self, point, row):
        """Prove that every point is as `one_low` leaves it. Raises ChipFault."""
        for chip in range(self.fitted):
            self.chips.expect(chip, IODIR, self._members(chip, row) ^ 0xFFFF)
            self.chips.expect(chip, OLAT, self._highs(chip, point, row))

    def free(self):
        """All points inputs, and only then the latches clear."""
        for chip in range(self.fitted):
            self.chips.write_checked(chip, IODIR, 0xFFFF)
        for chip in range(self.fitted):
            self.chips.write_checked(chip, OLAT, 0)

    def _members(self, chip, row):
        return row[2 * chip] | row[2 * chip + 1] << 8

    def _highs(self, chip, point, row):
        highs = self._members(chip, row)
        return highs & (0xFFFF ^ 1 << (point & 15)) if chip == point >> 4 else highs

    def _port(self, port):
        """The low points of one port, read until two readings agree."""
        shift = 8 * (port & 1)
        last = -1
        for _ in range(6):
            levels = (self.chips.read(port >> 1, GPIO) >> shift & 0xFF) ^ 0xFF
            if levels == last:
                break
            last = levels
        return last
