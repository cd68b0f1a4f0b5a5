"""The verbs of the ohms lane. What they do and when they may be asked stands in `commands`."""

from micropython import const

from tester.frames import from_hex, to_hex
from tester.scanner import components
from tester.words import Refused, byte, expect

_PAGE = const(32)  # points
_LEAST_BAR = const(2)
_MOST_BAR = const(40)  # points of a socket


class Measuring:
    """lane: a Lane. commands: has `checked`, `scanned` and the scanner."""

    def __init__(self, commands, lane):
        self.commands = commands
        self.lane = lane
        self.verbs = {
            "lane": self._look,
            "parts": self._parts,
            "measure": self._measure,
            "readings": self._readings,
        }

    def _look(self, words):
        expect(words, 0)
        commands = self.commands
        lane = self.lane
        if not (commands.checked or commands.scanned):
            raise Refused("state")
        checked = commands.checked
        commands.checked = False  # after a fault there must be another check
        lane.look()
        commands.checked = checked
        return "ok zero=%04X vio=%04X sensor=%04X refs=%s us=%d" % (
            lane.zero,
            lane.supply,
            lane.warmth,
            to_hex(lane.references) or "-",
            lane.us,
        )

    def _parts(self, words):
        parts = self.lane.parts
        if words == ["clear"]:
            for point in range(len(parts)):
                parts[point] = 0
            return "ok"
        expect(words, 2)
        start = byte(words[0])
        values = from_hex(words[1])
        if start + len(values) > len(parts):
            raise Refused("argument")
        parts[start : start + len(values)] = values
        return "ok"

    def _measure(self, words):
        lane = self.lane
        what = words[0] if words else ""
        if what == "leaks":
            expect(words, 1)
        elif what in ("links", "bar"):
            expect(words, 2)
            mask = from_hex(words[1])
            if len(mask) != lane.bank.ports:
                raise Refused("argument")
        else:
            raise Refused("argument")
        self._need_scan()
        if what == "bar" and not self._is_piece(mask):
            raise Refused("state")
        done = False
        try:
            if what == "leaks":
                lane.measure_leaks()
            elif what == "links":
                lane.measure_links(mask)
            else:
                lane.measure_bar(mask)
            done = True
        finally:
            if not done:
                lane.forget()
        return "ok us=%d" % lane.us

    def _is_piece(self, mask):
        """Whether a row is one piece of the last scan, whole, and of a size that a shorting bar makes."""
        scanner = self.commands.scanner
        labels = scanner.labels
        components(scanner.joined, scanner.width, len(labels), labels)
        label = -1
        members = 0
        for point in range(len(labels)):
            if mask[point >> 3] >> (point & 7) & 1:
                if label < 0:
                    label = labels[point]
                members += 1
        if not _LEAST_BAR <= members <= _MOST_BAR:
            return False
        for point in range(len(labels)):
            if (labels[point] == label) != bool(mask[point >> 3] >> (point & 7) & 1):
                return False
        return True

    def _readings(self, words):
        lane = self.lane
        expect(words, 2)
        self._need_scan()
        if words[0] not in ("high", "low", "leak"):
            raise Refused("argument")
        page = byte(words[1])
        if page * _PAGE >= lane.bank.points:
            raise Refused("argument")
        return "ok " + to_hex(getattr(lane, words[0])[2 * _PAGE * page : 2 * _PAGE * (page + 1)])

    def _need_scan(self):
        if not self.commands.scanned:
            raise Refused("state")
