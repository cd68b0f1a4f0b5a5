"""What the board can be asked. One request line, one reply line; every verb ends with all points let go.

    hello                          who and what; always answered
    echo WORD                      the same word back, to try the line
    check                          self-check and outside voltage; must come before each scan
    map clear                      forget the map
    map nets FROM HEX              net number of each point from FROM on, one byte each
    map groups FROM HEX            common group of each net from FROM on, one byte each
    map done                       replies with the checksum of what is stored
    scan settle=US                 the four passes; replies with times and counts
    touch POINT                    one look from a probe lead's point (two digits): `low`, the row of what
                                   reads low with it, `held`, of what does before; after a check or a look
    rows seen|joined|doubtful N    the rows of port N (eight points, two hexadecimal digits) of a matrix
    marks                          apart, group and unexplained of the last scan
    judge                          the board's own verdict on it; red, where it is a fail
    pieces joined|loose            the pieces it rests on
    show pass|fail                 the host's verdict on the lamps; pass only where the board's own is one
    release                        all points inputs

Where there is an ohms lane (see `ohms`):

    lane                           zero, supply, sensor and references; after a check or a scan
    parts clear                    forget which points are one part
    parts FROM HEX                 number of the part of each point from FROM on, one byte each; 0: none
    measure links MASK             reading `high` of every point of MASK
    measure leaks                  reading `leak` of the lowest point of every part
    measure bar MASK               readings `high` and `low` of every point of MASK, one piece of the scan
    readings high|low|leak PAGE    the readings of the 32 points of a page, 00 to 03

What the board keeps for the host, NAME being calibration or check (see `keep`):

    keep read NAME OFFSET          size, and some bytes from OFFSET on
    keep write NAME OFFSET HEX     bytes of what is to be kept
    keep done NAME SIZE CRC        keep it
    keep forget NAME               remove it

A reply is `ok …` or `error CODE …`; the codes' sentences are the host's business. Before the reply to
`scan`, `lane` and `measure` come any number of `busy`, so that a board at work can be told from one that
hangs. MASK is a row: one bit a point. OFFSET, SIZE and CRC have four digits.
"""

import sys
from time import ticks_diff, ticks_ms

from micropython import const

from tester.converter import ConverterFault
from tester.expander import ChipFault
from tester.frames import BadFrame, build, crc16, from_hex, parse, to_hex
from tester.judge import Judge, Map
from tester.keep import NAMES, BadContent, Keep, KeepFault
from tester.measuring import Measuring
from tester.ohms import Lane, SupplyFault
from tester.scanner import PointFault, Scanner
from tester.selfcheck import short_check
from tester.touching import Touching
from tester.version import FIRMWARE, PROTOCOL
from tester.words import Refused, byte, expect, word

_MOST_SETTLE_US = const(5000)
_BUSY_MS = const(200)  # at most so long a board at work says nothing
_DRIVING = ("check", "scan", "lane", "measure", "release")  # `touch` does it by itself


class Commands:
    """The verbs, for one board. tell: sends a line besides the reply."""

    def __init__(self, board, tell):
        self.board = board
        self._tell = tell
        self._busy_line = ""
        self._told_ms = 0
        self.bank = board.bank
        self.scanner = Scanner(self.bank, self._busy)
        self.wanted = Map(self.bank.points)
        self.judgement = Judge(self.bank.points)
        self.own = [point for pair in board.references for point in pair]
        self.lane = None
        self.keep = Keep()
        self.checked = False
        self.scanned = False
        self.judged = False
        self.passed = False
        self._row = bytearray(self.bank.ports)
        self.touching = Touching(self)
        self._verbs = {
            "hello": self._hello,
            "echo": self._echo,
            "check": self._check,
            "map": self._map,
            "scan": self._scan,
            "rows": self._rows,
            "marks": self._marks,
            "judge": self._judge,
            "pieces": self._pieces,
            "show": self._show,
            "lane": _no_lane,
            "parts": _no_lane,
            "measure": _no_lane,
            "readings": _no_lane,
            "keep": self._keep,
            "release": self._release,
        }
        self._verbs.update(self.touching.verbs)
        if board.converter:
            self.lane = Lane(self.bank, board.converter, board.sensor, self.own, self._busy)
            self._verbs.update(Measuring(self, self.lane).verbs)

    def reply(self, request):
        """The reply line to a request line."""
        try:
            seq, words = parse(request)
        except BadFrame as bad:
            return build(0, "error frame why=%s" % bad.args[0])
        self._busy_line = build(seq, "busy")
        self._told_ms = ticks_ms()
        return build(seq, self.answer(words))

    def _busy(self):
        """Now and then a line that says: still at work. Allocates nothing."""
        now = ticks_ms()
        if ticks_diff(now, self._told_ms) >= _BUSY_MS:
            self._told_ms = now
            self._tell(self._busy_line)

    def answer(self, words):
        """The words of the reply to a request. Lets go of every point on the way out."""
        verb = self._verbs.get(words[0])
        try:
            if verb is None:
                raise Refused("verb")
            return verb(words[1:])
        except Refused as refused:
            return "error " + refused.args[0]
        except (BadFrame, BadContent):
            return "error argument"
        except ConverterFault as fault:
            return "error converter why=" + fault.args[0]
        except SupplyFault as fault:
            return "error supply millivolts=%d" % fault.args[0]
        except KeepFault as fault:
            return "error keep why=" + fault.args[0]
        except ChipFault as fault:
            return "error chip chip=%d register=%02X written=%04X read=%04X" % fault.args
        except PointFault as fault:
            code, where = fault.args
            if isinstance(where, int):
                row = bytearray(self.bank.ports)
                row[where >> 3] = 1 << (where & 7)
                where = row
            return "error %s points=%s" % (code, to_hex(where))
        except MemoryError:
            return "error memory"
        except Exception as bug:  # goes to the host as chatter, so that it can be shown
            sys.print_exception(bug)
            return "error bug"
        finally:
            if words[0] in _DRIVING:
                self.bank.let_go()

    def _hello(self, words):
        expect(words, 0)
        if self.board.fault:
            raise Refused(self.board.fault)
        lane = "none"
        if self.lane:
            lane = "calibrated" if self.keep.has("calibration") else "uncalibrated"
        return (
            "ok protocol=%d firmware=%s id=%s fixture=%s points=%d fitted=%d lane=%s platform=%s bus=%s "
            "name=%s"
            % (
                PROTOCOL,
                FIRMWARE,
                self.board.id,
                self.board.fixture,
                self.bank.points,
                self.bank.fitted,
                lane,
                sys.platform,
                self.bank.bus,
                self.board.name or "-",
            )
        )

    def _echo(self, words):
        expect(words, 1)
        return "ok " + words[0]

    def _check(self, words):
        expect(words, 0)
        if self.board.fault:
            raise Refused(self.board.fault)
        self.forget()
        self.board.panel.dark()
        short_check(self.bank, self.board.references, self._row, self.board.converter)
        self.checked = True
        return "ok"

    def forget(self):
        """What was found out before, whatever comes of what is begun now."""
        self.checked = self.scanned = self.judged = self.passed = self.touching.allowed = False
        if self.lane:
            self.lane.forget()

    def _map(self, words):
        self.passed = False  # by another map
        if words == ["clear"]:
            self.wanted.clear()
            return "ok"
        if words == ["done"]:
            self.wanted.finish()
            return "ok points=%d crc=%04X" % (
                self.bank.points,
                crc16(bytes(self.wanted.nets) + bytes(self.wanted.groups)),
            )
        expect(words, 3)
        if words[0] not in ("nets", "groups"):
            raise Refused("argument")
        into = self.wanted.nets if words[0] == "nets" else self.wanted.groups
        start = byte(words[1])
        values = from_hex(words[2])
        if start + len(values) > len(into):
            raise Refused("argument")
        if words[0] == "nets" and any(value >= self.bank.points for value in values):
            raise Refused("argument")
        self.wanted.complete = False
        into[start : start + len(values)] = values
        return "ok"

    def _scan(self, words):
        expect(words, 1)
        name, _, value = words[0].partition("=")
        if name != "settle" or not value.isdigit() or len(value) > 4 or int(value) > _MOST_SETTLE_US:
            raise Refused("argument")
        if not (self.checked and self.wanted.complete):
            raise Refused("state")
        self.forget()
        scanner = self.scanner
        transfers = self.bank.transfers()
        slips = self.bank.slips()
        try:
            scanner.scan(self.wanted.in_large, int(value))
        except PointFault:
            self.bank.rest()  # a chip that has gone deaf is a better reason than its points
            self.bank.verify()
            raise
        self.bank.verify()
        self.scanned = True
        return (
            "ok walk_us=%d rest_us=%d wide_us=%d confirm_us=%d "
            "walk_transfers=%d transfers=%d slips=%d doubts=%d"
            % (
                scanner.walk_us,
                scanner.rest_us,
                scanner.wide_us,
                scanner.confirm_us,
                scanner.walk_transfers,
                self.bank.transfers() - transfers,
                self.bank.slips() - slips + scanner.slips,
                scanner.doubts,
            )
        )

    def _rows(self, words):
        expect(words, 2)
        self._need_scan()
        if words[0] not in ("seen", "joined", "doubtful"):
            raise Refused("argument")
        rows = getattr(self.scanner, words[0])
        port = byte(words[1])
        if port >= self.bank.ports:
            raise Refused("argument")
        size = 8 * self.bank.ports
        return "ok " + to_hex(rows[port * size : (port + 1) * size])

    def _marks(self, words):
        expect(words, 0)
        self._need_scan()
        scanner = self.scanner
        return "ok apart=%s unexplained=%s group=%s" % (
            to_hex(scanner.apart),
            to_hex(scanner.unexplained),
            to_hex(scanner.group),
        )

    def _judge(self, words):
        expect(words, 0)
        self._need_scan()
        if not self.wanted.complete:
            raise Refused("state")
        verdict = self.judgement
        passed = verdict.judge(self.scanner, self.wanted, self.own) and not any(self.scanner.unexplained)
        self.judged = True
        self.passed = passed
        self.board.panel.dark()
        if not passed:
            self.board.panel.show(False)
        return "ok verdict=%s missing=%s extra=%s swaps=%s" % (
            "pass" if passed else "fail",
            to_hex(verdict.missing),
            to_hex(verdict.extra),
            to_hex(verdict.swaps[: 2 * verdict.swap_count]),
        )

    def _pieces(self, words):
        expect(words, 1)
        if not self.judged:
            raise Refused("state")
        if words[0] not in ("joined", "loose"):
            raise Refused("argument")
        return "ok " + to_hex(self.judgement.pieces if words[0] == "joined" else self.judgement.loose)

    def _show(self, words):
        expect(words, 1)
        if words[0] not in ("pass", "fail"):
            raise Refused("argument")
        if words[0] == "pass" and not (self.scanned and self.judged and self.passed):
            raise Refused("state")
        self.board.panel.show(words[0] == "pass")
        return "ok"

    def _keep(self, words):
        if len(words) < 2 or words[1] not in NAMES:
            raise Refused("argument")
        what, name = words[:2]
        if what == "read":
            expect(words, 3)
            size, data = self.keep.read(name, word(words[2]))
            return "ok size=%d data=%s" % (size, to_hex(data) or "-")
        if what == "write":
            expect(words, 4)
            self.keep.write(name, word(words[2]), from_hex(words[3]))
        elif what == "done":
            expect(words, 4)
            self.keep.done(name, word(words[2]), word(words[3]))
        elif what == "forget":
            expect(words, 2)
            self.keep.forget(name)
        else:
            raise Refused("argument")
        return "ok"

    def _release(self, words):
        expect(words, 0)
        self.checked = self.touching.allowed = False
        return "ok"

    def _need_scan(self):
        if not self.scanned:
            raise Refused("state")


def _no_lane(words):
    raise Refused("lane")
