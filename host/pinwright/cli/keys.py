"""Whether a key was pressed, and which, while other work goes on."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
import threading
import time
from types import TracebackType
from typing import Any

ENTER = "\n"
_TOLD_TO_END = ("SIGTERM", "SIGHUP")


class Keys:
    """Some keys on standard input. On a terminal one key is enough; elsewhere it is a line with it; where
    nothing can be read, or nothing comes any more, nobody presses one.

    known: those that count, small letters and ENTER; a capital is the same key. While they are listened for,
    to be told to end, or that the terminal has gone, is the same as Ctrl-C: nothing stays as it was changed.
    """

    def __init__(self, known: str) -> None:
        self._known = known
        self._stdin: int | None = None
        self._stdin_was: int | None = None  # also where nothing comes any more
        self._before: Any = None  # how the terminal was
        self._by_lines = True
        self._in_line = False  # a key has come in the line that has not ended yet
        self._waiting: list[str] = []  # keys that nobody has asked for
        self._handlers: dict[int, Any] = {}  # as they were, by signal

    def __enter__(self) -> Keys:
        with contextlib.suppress(AttributeError, OSError, ValueError):  # there is none, or it is closed
            self._stdin = self._stdin_was = sys.stdin.fileno()
        try:
            self._interrupt_by(*_TOLD_TO_END)
            if os.name == "posix" and self._stdin is not None and os.isatty(self._stdin):
                import termios
                import tty

                self._by_lines = False
                self._before = termios.tcgetattr(self._stdin)
                tty.setcbreak(self._stdin)
        except BaseException:
            self._restore()
            raise
        return self

    def _interrupt_by(self, *names: str) -> None:
        """Of the first of these signals. One that is ignored stays so, as `nohup` has it."""
        if threading.current_thread() is not threading.main_thread():
            return  # signals are handled there only
        for number in (getattr(signal, name, None) for name in names):
            if number is not None and signal.getsignal(number) not in (signal.SIG_IGN, None):
                self._handlers[number] = signal.getsignal(number)
                signal.signal(number, self._interrupt)

    def _interrupt(self, *_: object) -> None:
        for number in self._handlers:
            signal.signal(number, signal.SIG_IGN)  # a second one must not break into what the first leads to
        raise KeyboardInterrupt

    def _restore(self) -> None:
        if self._before is not None and self._stdin_was is not None:
            import termios

            with contextlib.suppress(termios.error):  # the terminal has gone
                termios.tcsetattr(self._stdin_was, termios.TCSADRAIN, self._before)
        for number, handler in self._handlers.items():
            signal.signal(number, handler)
        self._handlers.clear()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._restore()

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
