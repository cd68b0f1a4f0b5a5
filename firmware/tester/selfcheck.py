"""The short check before every scan: does each chip and each point obey, and is nothing outside.

Registers: `begin` writes and reads back all that count, IOCON, OLAT, IODIR, IPOL, GPINTEN, GPPU and DEFVAL;
latches and directions are proven with both values of every bit, pull-ups too (`low_then_floating`). Points:
each is seen high at rest and low when all are. The converter, where there is one, must do a conversion.

It cannot find a point that is cut off from its socket, nor two points of one net joined inside the
tester: those look like a cable. Only a shorting bar on each socket would show them.
"""

from micropython import const

from tester.bank import RECOVER_US
from tester.scanner import PointFault

_TIMES = const(3)  # a floating input may drift; three times in a row is no drift


def short_check(bank, references, row, converter):
    """Raises ChipFault, ConverterFault, or PointFault with `held-low`, `not-low`, `fed` or `reference`.

    references: pairs of points joined on the board itself. row: scratch, one byte a port. converter: the
    ohms lane's, or None.
    """
    bank.begin()
    _refuse(bank, row, "held-low", _idle_low)
    bank.prove_directions()  # not before: what something outside holds low is never driven
    _refuse(bank, row, "not-low", _not_low_when_low)
    _refuse(bank, row, "fed", _high_when_floating)
    for one, other in references:
        _check_reference(bank, row, one, other)
    if converter:
        converter.supply()


def _refuse(bank, row, code, read):
    """Raise PointFault for the first point that `read` marks three times in a row."""
    suspect = bytearray(b"\xff" * bank.ports)
    for _ in range(_TIMES):
        read(bank, row)
        any_left = 0
        for port in range(bank.ports):
            suspect[port] &= row[port]
            any_left |= suspect[port]
        if not any_left:
            return
    raise PointFault(code, suspect)


def _idle_low(bank, row):
    bank.rest()
    bank.settle(RECOVER_US)
    bank.read(row, 0)


def _not_low_when_low(bank, row):
    bank.all_low(row, 20)
    for port in range(bank.ports):
        row[port] ^= 0xFF


def _high_when_floating(bank, row):
    bank.low_then_floating(row)
    for port in range(bank.ports):
        row[port] ^= 0xFF


def _check_reference(bank, row, one, other):
    """A joined pair on the board must be seen from both its ends, and nothing else with it. Either pull-up by
    itself must hold both up: the other hides that one is missing."""
    for point in (one, other):
        for _ in range(_TIMES):
            bank.pulled_alone(point, row, RECOVER_US)
            if not row[point >> 3] >> (point & 7) & 1:
                break
        else:
            raise PointFault("held-low", point)
    for low, high in ((one, other), (other, one)):
        for _ in range(_TIMES):
            bank.look(low, row, 0, 20, False)
            if _points(row) == sorted((low, high)):
                break
        else:
            suspect = bytearray(bank.ports)
            for point in (one, other):
                suspect[point >> 3] |= 1 << (point & 7)
            raise PointFault("reference", suspect)


def _points(row):
    return [8 * i + bit for i, byte in enumerate(row) for bit in range(8) if byte >> bit & 1]
