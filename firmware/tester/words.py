"""The words of a request: how many there must be, and what they stand for."""

from tester.frames import from_hex


class Refused(Exception):
    """A request that cannot be done. args[0]: the words after `error`."""


def expect(words, count):
    """Raises Refused unless there are so many."""
    if len(words) != count:
        raise Refused("argument")


def byte(text):
    """A number of two digits. Raises Refused or BadFrame."""
    return _number(text, 1)


def word(text):
    """A number of four digits. Raises Refused or BadFrame."""
    return _number(text, 2)


def _number(text, size):
    values = from_hex(text)
    if len(values) != size:
        raise Refused("argument")
    return int.from_bytes(values, "big")
