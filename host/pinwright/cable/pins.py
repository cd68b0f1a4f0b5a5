"""The name of a pin, written `END.PIN`, and the order in which pins are listed."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

_DIGITS = re.compile(r"(\d+)")


class Pin(NamedTuple):
    """One pin. end: `A`, or `@J2` for a tester position that no end occupies. name: `15`, `a7`, `T`."""

    end: str
    name: str

    def __str__(self) -> str:
        return f"{self.end}.{self.name}"


@lru_cache(maxsize=16384)
def in_order(pin: Pin) -> tuple[bool, str, tuple[tuple[bool, int, str], ...]]:
    """Sort key: ends by letter, pins by number (`A.2` before `A.10`), then by name (`A.SHELL`); tester
    positions last."""
    parts = tuple(
        (False, int(part), "") if part.isdigit() else (True, 0, part)
        for part in _DIGITS.split(pin.name)
        if part
    )
    return pin.end.startswith("@"), pin.end, parts


def parse_pin(text: str) -> Pin:
    """`"A.15"` → Pin("A", "15"), split at the last dot. Raises ValueError where there is no such split."""
    end, dot, name = text.rpartition(".")
    if not (end and dot and name):
        raise ValueError(f"a pin is written END.PIN, such as `A.15`, not `{text}`")
    return Pin(end, name)
