"""The verb for a probe lead in somebody's hand. When it may be asked stands in `commands`."""

from micropython import const

from tester.bank import RECOVER_US
from tester.frames import to_hex
from tester.scanner import PointFault
from tester.words import Refused, byte, expect

_LOOKS = const(4)


class Touching:
    """commands: has the bank, `own`, `checked`, and forgets what it found out.

    held, low: of the last look, what read low while nothing was driven, and while the probe's point was low.
    """

    def __init__(self, commands):
        self.commands = commands
        self.bank = commands.bank
        self.held = bytearray(commands.bank.ports)
        self.low = bytearray(commands.bank.ports)
        self.allowed = False
        self.verbs = {"touch": self._touch}

    def look(self, point):
        """One look, repeated until the point reads low itself. Raises PointFault. Allocates nothing."""
        for _ in range(_LOOKS):
            self.bank.touch(point, self.held, self.low, RECOVER_US)
            if self.low[point >> 3] >> (point & 7) & 1:
                return
        raise PointFault("not-low", point)

    def _touch(self, words):
        expect(words, 1)
        point = byte(words[0])
        commands = self.commands
        bank = self.bank
        if point >= bank.points or point in commands.own:
            raise Refused("argument")
        if not (commands.checked or self.allowed):
            raise Refused("state")
        commands.forget()  # before a scan there must be another check, and no pass is shown any more
        transfers = bank.transfers()
        slips = bank.slips()
        try:
            self.look(point)
        finally:
            bank.let_go()  # here, so that it counts
        self.allowed = True  # until a look goes wrong, or anything else is begun
        return "ok low=%s held=%s transfers=%d slips=%d" % (
            to_hex(self.low),
            to_hex(self.held),
            bank.transfers() - transfers,
            bank.slips() - slips,
        )
