"""Whether a key was pressed, and which, while other work goes on."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import time
from types import TracebackType
from typing import Any

ENTER = "\n"


class Keys:
    """Some keys on standard input. On a terminal one key is enough; elsewhere it is a line with it; where
    nothing can be read, or nothing comes any more, nobody presses one.

    known: those that count, small letters and ENTER; a capital is the same key.
    """

    def __init__(self, known: str) -> None:
        self._known = known
        self._stdin: int | None = None
        self._before: Any = None  # how the terminal was
        self._by_lines = True
        self._in_line = False  # a key has come in the line that has not ended yet
        self._waiting: list[str] = []  # keys that nobody has asked for

    def __enter__(self) -> Keys:
        with contextlib.suppress(AttributeError, OSError, ValueError):  # there is none, or it is closed
            self._stdin = sys.stdin.fileno()
        if os.name == "posix" and self._stdin is not None and os.isatty(self._stdin):
            import termios
            import tty

            self._by_lines = False
            self._before = termios.tcgetattr(self._stdin)
            tty.setcbreak(self._stdin)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._before is not None and self._stdin is not None:
            import termios

            termios.tcsetattr(self._stdin, termios.TCSADRAIN, self._before)

    def pressed(self, wait_s: float = 0.0) -> str:
        """The next one that was pressed, or nothing; waits so long for it."""
        if not self._waiting:
            self._waiting += self._keys_in(self._came(wait_s) if os.name == "posix" else _came_there(wait_s))
        return self._waiting.pop(0) if self._waiting else ""

    def forget(self, but: str) -> None:
        """What was pressed till now was not meant for what comes, but for these."""
        self._waiting += self._keys_in(self._came(0.0) if os.name == "posix" else _came_there(0.0))
        self._waiting = [key for key in self._waiting if key in but]

    def _keys_in(self, text: str) -> list[str]:
        keys = []
        for char in text.lower().replace("\r\n", ENTER).replace("\r", ENTER):
            if char in self._known and not (char == ENTER and self._in_line):
                keys.append(char)
            self._in_line = self._by_lines and char != ENTER and (self._in_line or char in self._known)
        return keys

    def _came(self, wait_s: float) -> str:
        if self._stdin is None:
            time.sleep(wait_s)
            return ""
        if not select.select([self._stdin], [], [], wait_s)[0]:
            return ""
        try:
            came = os.read(self._stdin, 1024)
        except OSError:  # a terminal that has gone
            came = b""
        if not came:
            self._stdin = None
        return came.decode("latin-1")


def _came_there(wait_s: float) -> str:
    """The same on Windows, whose consoles cannot be selected; only keys of a console are seen."""
    import importlib

    console = importlib.import_module("msvcrt")
    time.sleep(wait_s)
    came = ""
    while sys.stdin is not None and sys.stdin.isatty() and console.kbhit():
        came += console.getwch()
    return came
