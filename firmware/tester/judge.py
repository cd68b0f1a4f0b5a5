"""The board's own verdict: the loaded map against the scan, without the host.

A map gives every point the number of its net (0: no net, the point must be alone) and every net the
number of its common group: 0 for none; 1 to 127 where the conductors of the group may be joined by
the cable itself (optional); 128 and more where they may not (never), which judges like 0 but is
kept apart so that a board with a display can say it.
"""

from micropython import const

from tester.scanner import WIDE, components

_NEVER = const(0x80)


class Map:
    """What the cable should be, in points."""

    def __init__(self, points):
        self.nets = bytearray(points)
        self.groups = bytearray(points)
        self.in_large = bytearray(points)
        self.complete = False

    def clear(self):
        """Forget the map; an incomplete one is never judged against."""
        self.complete = False
        for buffer in (self.nets, self.groups, self.in_large):
            for i in range(len(buffer)):
                buffer[i] = 0

    def finish(self):
        """Mark the points of large nets."""
        for point, net in enumerate(self.nets):
            members = 0
            for other in self.nets:
                members += other == net
            self.in_large[point] = 1 if net and members > WIDE else 0
        self.complete = True


class Judge:
    """Opens, shorts and swaps, as numbers of nets and points. Buffers are made once."""

    def __init__(self, points):
        self.points = points
        self.pieces = bytearray(points)  # per point, the lowest point it is joined to
        self.loose = bytearray(points)  # the same, doubtful links counted in
        self.missing = bytearray((points + 7) // 8)  # bit: net number
        self.extra = bytearray((points + 7) // 8)  # bit: label in `loose`
        self.swaps = bytearray(points)  # pairs of net numbers
        self.swap_count = 0
        self._first = bytearray(points)  # per net of two pins, its pins
        self._last = bytearray(points)
        self._members = bytearray(points)
        self._either = bytearray(points * ((points + 7) // 8))

    def judge(self, scanner, wanted, skip):
        """True for a pass. skip: points of the tester's own, which belong to no cable."""
        width = scanner.width
        components(scanner.joined, width, self.points, self.pieces)
        for i in range(len(self._either)):
            self._either[i] = scanner.joined[i] | scanner.doubtful[i]
        components(self._either, width, self.points, self.loose)
        for i in range(len(self.missing)):
            self.missing[i] = self.extra[i] = 0
        self._find_missing(wanted)
        self._find_extra(wanted, skip)
        self._find_swaps(wanted)
        return not (any(self.missing) or any(self.extra) or self._unsure(scanner, wanted))

    def _find_missing(self, wanted):
        for point in range(self.points):
            net = wanted.nets[point]
            if not net:
                continue
            for other in range(point):
                if wanted.nets[other] == net and self.pieces[other] != self.pieces[point]:
                    self.missing[net >> 3] |= 1 << (net & 7)

    def _find_extra(self, wanted, skip):
        for point in range(self.points):
            label = self.loose[point]
            if label == point:
                continue
            for other in range(point):
                if self.loose[other] != label or (point in skip and other in skip):
                    continue
                if not self._may_meet(wanted, point, other):
                    self.extra[label >> 3] |= 1 << (label & 7)

    def _unsure(self, scanner, wanted):
        """Whether a contact within an expected net is in doubt, even if the net hangs together otherwise."""
        for point in range(self.points):
            for other in range(point):
                doubt = scanner.doubtful[point * scanner.width + (other >> 3)] >> (other & 7) & 1
                if doubt and wanted.nets[point] and wanted.nets[point] == wanted.nets[other]:
                    return True
        return False

    def _may_meet(self, wanted, point, other):
        here = wanted.nets[point]
        there = wanted.nets[other]
        if not (here and there):
            return False
        if here == there:
            return True
        group = wanted.groups[here]
        return 0 < group < _NEVER and group == wanted.groups[there]

    def _find_swaps(self, wanted):
        """Pairs of two-pin nets that have exchanged one pin each."""
        first = self._first
        last = self._last
        members = self._members
        for net in range(self.points):
            members[net] = 0
        for point in range(self.points):
            net = wanted.nets[point]
            if not members[net]:
                first[net] = point
            last[net] = point
            members[net] += 1
        self.swap_count = 0
        for net in range(1, self.points):
            if members[net] != 2 or not self._misses(net):
                continue
            for other in range(1, net):
                if 2 * self.swap_count + 1 >= self.points:
                    return  # as many as can be told
                if members[other] == 2 and self._misses(other) and self._exchanged(net, other):
                    self.swaps[2 * self.swap_count] = other
                    self.swaps[2 * self.swap_count + 1] = net
                    self.swap_count += 1

    def _misses(self, net):
        return self.missing[net >> 3] >> (net & 7) & 1

    def _exchanged(self, net, other):
        a = self.pieces[self._first[net]]
        b = self.pieces[self._last[net]]
        c = self.pieces[self._first[other]]
        d = self.pieces[self._last[other]]
        return (a == d and c == b) or (a == c and b == d)
