"""What the host has the board keep for it: two files of bytes that mean nothing to the board.

A file comes in parts into a buffer, and is stored once it is whole: beside the old one, read back, and
put in its place by one renaming. So whenever the supply fails, the old file or the new one is there, whole.
"""

import os

from micropython import const

from tester.frames import crc16

NAMES = {"calibration": "calibration.bin", "check": "check.bin"}
MOST = const(2048)  # bytes in a file
MOST_READ = const(200)  # bytes in one reply
_NO_SPACE = const(28)  # ENOSPC
# MicroPython's rename replaces what is there. CPython's does so everywhere under another name only.
_put_in_place = getattr(os, "replace", os.rename)


class KeepFault(Exception):
    """A file could not be stored: args[0] is `full`, `different` (read back otherwise) or `flash`. Or not
    read: `empty` (there, but nothing in it) or `flash`."""


class BadContent(Exception):
    """What has come is not what the host has sent."""


class Keep:
    """The files of this board, and a buffer for the one that is coming. The buffer is made once."""

    def __init__(self):
        self._buffer = bytearray(MOST)
        self._coming = ""  # the name of what is in the buffer

    def has(self, name):
        """Whether there is such a file."""
        return NAMES[name] in os.listdir()

    def read(self, name, offset):
        """Size of the file (0: there is none) and some bytes from `offset` on. Raises KeepFault."""
        if not self.has(name):
            return 0, b""
        try:
            with open(NAMES[name], "rb") as file:
                size = file.seek(0, 2)
                if not size:  # none that was stored: it must not look like none
                    raise KeepFault("empty")
                file.seek(min(offset, size))
                return size, file.read(MOST_READ)
        except OSError:
            raise KeepFault("flash") from None

    def write(self, name, offset, data):
        """Bytes for the buffer. Raises BadContent where they do not fit."""
        if offset + len(data) > MOST:
            raise BadContent
        if name != self._coming:
            self._coming = name
            for i in range(MOST):
                self._buffer[i] = 0
        self._buffer[offset : offset + len(data)] = data

    def done(self, name, size, crc):
        """Store the buffer's first `size` bytes; once more does no harm. Raises BadContent if they are not
        those that were sent, KeepFault."""
        if name != self._coming or not 0 < size <= MOST:
            raise BadContent
        content = memoryview(self._buffer)[:size]
        if crc16(content) != crc:
            raise BadContent
        fresh = NAMES[name] + ".new"
        try:
            _write(fresh, content)
            if not _holds(fresh, content):
                raise KeepFault("different")
            _put_in_place(fresh, NAMES[name])
        except OSError as error:
            raise KeepFault("full" if error.args and error.args[0] == _NO_SPACE else "flash") from None
        finally:
            _remove(fresh)  # where it is still there

    def forget(self, name):
        """Remove the file, if there is one. Raises KeepFault."""
        _remove(NAMES[name] + ".new")
        _remove(NAMES[name])
        if self.has(name):
            raise KeepFault("flash")


def _write(path, content):
    with open(path, "wb") as file:
        file.write(content)
        file.flush()


def _holds(path, content):
    with open(path, "rb") as file:
        return file.read(MOST + 1) == bytes(content)


def _remove(path):
    try:
        os.remove(path)
    except OSError:
        pass
