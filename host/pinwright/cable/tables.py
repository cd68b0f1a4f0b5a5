"""Tables as TOML gives them, checked key by key. Every complaint names the key at fault.

What reads a kind of file says which error is its own (`wrong`); a missing key is one unless there is a
default, and a default has to pass the same check as what a file says.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches

from pinwright.cable.wiring import code_point, path, printable
from pinwright.errors import AdapterError, PinoutError, ProfileError

HUGE = 10**15  # numbers from here on are not written out in messages

Wrong = type[ProfileError] | type[AdapterError] | type[PinoutError]


@dataclass(frozen=True, slots=True)
class Table:
    """A table of a document. at: the keys that lead to it. wrong: the error that it raises."""

    data: Mapping[str, object]
    wrong: Wrong
    at: tuple[str, ...]

    @staticmethod
    def of(value: object, wrong: Wrong, *at: str) -> Table:
        if not isinstance(value, Mapping):
            raise wrong(path(*at), f"must be a table, not {seen(value)}")
        for key in value:
            if not isinstance(key, str):
                raise wrong(path(*at), f"the keys of a table are strings, not {seen(key)}")
        return Table(value, wrong, at)

    def key(self, *inner: str) -> str:
        """The dotted path of the table, or of what is in it."""
        return path(*self.at, *inner)

    def only(self, *known: str) -> None:
        """Refuse keys that nobody would read: they are most likely typing errors."""
        for name in self.data:
            if name not in known:
                close = get_close_matches(printable(name), known, n=1)
                raise self.wrong(
                    self.key(name),
                    f"unknown key; known here: {ticked(known)}",
                    hint=f"did you mean `{close[0]}`?" if close else "",
                )

    def get(self, name: str, default: object = None) -> object:
        if default is None and name not in self.data:
            raise self.wrong(self.key(name), "is missing")
        return self.data.get(name, default)

    def table(self, name: str, default: Mapping[str, object] | None = None) -> Table:
        return Table.of(self.get(name, default), self.wrong, *self.at, name)

    def tables(self, name: str) -> Iterable[tuple[str, Table]]:
        """The tables inside an optional table: [common.X], [limits.X], by name in order."""
        outer = self.table(name, {})
        return [(inner, outer.table(inner)) for inner in sorted(outer.data)]

    def entries(self, name: str, of: str, default: list[object] | None = None) -> list[tuple[str, object]]:
        return entries(self.get(name, default), of, self.key(name), self.wrong)

    def text(self, name: str, most: int, default: str | None = None) -> str:
        return text(self.get(name, default), most, self.key(name), self.wrong)

    def word(self, name: str, choices: Iterable[str]) -> str:
        allowed = tuple(choices)
        if name not in self.data:
            raise self.wrong(self.key(name), f"is missing; give one of {ticked(allowed)}")
        value = self.data[name]
        if value not in allowed:
            raise self.wrong(self.key(name), f"must be one of {ticked(allowed)}, not {seen(value)}")
        return str(value)

    def number(self, name: str, most: float, default: float | None = None) -> float:
        value = self.get(name, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= most:
            raise self.wrong(self.key(name), f"must be a number above 0, at most {most}, not {seen(value)}")
        return float(value)


def entries(value: object, of: str, key: str, wrong: Wrong) -> list[tuple[str, object]]:
    """The entries of a list, each with its key: `wiring.wires[1]`. of: what should be in it."""
    if not isinstance(value, list):
        raise wrong(key, f"must be a list of {of}, not {seen(value)}")
    return [(f"{key}[{number}]", entry) for number, entry in enumerate(value, 1)]


def text(value: object, most: int, key: str, wrong: Wrong) -> str:
    """A printable string of at most `most` characters, without blanks around it."""
    if not isinstance(value, str):
        raise wrong(key, f"must be a string, not {seen(value)}")
    for place, char in enumerate(value, 1):
        if not char.isprintable():
            raise wrong(key, f"character {place} is {code_point(char)}, which does not print")
    if len(value) > most:
        raise wrong(key, f"has {len(value)} characters, at most {most} are possible")
    if value != value.strip():
        raise wrong(key, "begins or ends with a blank")
    return value


def ticked(names: Iterable[str]) -> str:
    """`A`, `B`, `C`"""
    return ", ".join(f"`{name}`" for name in names)


def seen(value: object) -> str:
    """What stands where something else should: in short, and safe to print."""
    match value:
        case bool():
            return f"`{str(value).lower()}`"
        case str():
            return f"`{printable(value)}`"
        case int() if abs(value) >= HUGE:
            return "a huge number"
        case int() | float():
            return f"`{value}`"
        case Mapping():
            return "a table"
        case list():
            return "a list"
        case _:
            return f"a {type(value).__name__}"
