"""Whether a key was pressed that ends something, while other work goes on."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import time
from types import TracebackType
from typing import Any

_END = b"qQ\r\n"


class EndKey:
    """`q` or Enter on standard input. On a terminal one key is enough; elsewhere a line of either; where
    nothing can be read, or nothing comes any more, nobody ends it so."""

    def __init__(self) -> None:
        self._stdin: int | None = None
        self._before: Any = None  # how the terminal was

    def __enter__(self) -> EndKey:
        with contextlib.suppress(AttributeError, OSError, ValueError):  # there is none, or it is closed
            self._stdin = sys.stdin.fileno()
        if os.name == "posix" and self._stdin is not None and os.isatty(self._stdin):
            import termios
            import tty

            self._before = termios.tcgetattr(self._stdin)
            tty.setcbreak(self._stdin)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._before is not None and self._stdin is not None:
            import termios

            termios.tcsetattr(self._stdin, termios.TCSADRAIN, self._before)

    def pressed(self, wait_s: float = 0.0) -> bool:
        """Whether it has been; waits so long for it."""
        if os.name != "posix":
            return self._pressed_there(wait_s)
        if self._stdin is None:
            time.sleep(wait_s)
            return False
        if not select.select([self._stdin], [], [], wait_s)[0]:
            return False
        try:
            came = os.read(self._stdin, 1024)
        except OSError:  # a terminal that has gone
            came = b""
        if not came:
            self._stdin = None
        return any(key in _END for key in came)

    def _pressed_there(self, wait_s: float) -> bool:
        """The same on Windows, whose consoles cannot be selected; only keys of a console are seen."""
        import importlib

        console = importlib.import_module("msvcrt")
        time.sleep(wait_s)
        pressed = False
        while sys.stdin is not None and sys.stdin.isatty() and console.kbhit():
            pressed = console.getwch() in _END.decode() or pressed
        return pressed
