"""The pinout of one end: which signal is at which pin, as somebody wrote it down.

Comes as rows of a table (CSV, TSV) or as the tables of a TOML document. Everything that may be a slip of the
pen is refused with its line or key: a pinout that is read wrongly becomes a cable that is wrong.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pinwright.cable.connectors import Connector, UnknownConnector, connector
from pinwright.cable.profile import MOST_NAME, MOST_TEXT
from pinwright.cable.tables import Table, seen
from pinwright.cable.tables import text as checked
from pinwright.cable.wiring import printable
from pinwright.errors import PinoutError

PIN_WORDS = ("pin", "pins", "pin no", "pin no.", "pin number", "contact", "no", "no.", "number", "position")
SIGNAL_WORDS = ("signal", "signal name", "name", "net", "function")
CONNECTOR_WORDS = ("connector", "connector family")

_WHAT_GOES = "a row is a pin and its signal, such as `1,GND`; a first row may name the columns: `pin,signal`"


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table. line: where it begins in the file, from 1."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Pinout:
    """What a file says of an end. names: pin → what is written there, "no connection" included; in order."""

    connector: Connector
    label: str
    names: Mapping[str, str]


def from_rows(rows: Sequence[Row], said: Mapping[str, str], family: str = "") -> Pinout:
    """The pinout in the rows of a table, empty ones left out.

    said: `connector` and `label` of comment lines. family: the connector that the person names. Raises
    PinoutError.
    """
    if not rows:
        raise PinoutError("", "names no pin", hint=_WHAT_GOES)
    pin_at, signal_at, family_at = 0, 1, None
    header = [cell.strip().casefold() for cell in rows[0].cells]
    named = any(cell in PIN_WORDS for cell in header) and any(cell in SIGNAL_WORDS for cell in header)
    if named:
        pin_at = _column(rows[0], header, PIN_WORDS)
        signal_at = _column(rows[0], header, SIGNAL_WORDS)
        family_at = _column(rows[0], header, CONNECTOR_WORDS) if {*header} & {*CONNECTOR_WORDS} else None
        rows = rows[1:]
    if not rows:
        raise PinoutError("", "names no pin", hint=_WHAT_GOES)
    families = [("", said["connector"], 0)] if "connector" in said else []
    if family_at is not None:
        families += [("", _cell(row, family_at), row.line) for row in rows if _cell(row, family_at)]
    plug = _connector(families, family)
    names: dict[str, str] = {}
    lines: dict[str, int] = {}
    for row in rows:
        if not named and any(cell.strip() for cell in row.cells[2:]):
            raise PinoutError(
                "",
                f"has {len(row.cells)} cells, and nothing says which is the signal",
                hint=f"{_WHAT_GOES}; other columns are then left out",
                line=row.line,
            )
        pin = _pin(_cell(row, pin_at), plug, row.line)
        if pin in names:
            raise PinoutError(
                "", f"pin `{pin}` is here again; it is in line {lines[pin]} already", line=row.line
            )
        names[pin] = _name(_cell(row, signal_at), f"pin `{pin}`: the signal", row.line)
        lines[pin] = row.line
    return _made(plug, checked(said.get("label", ""), MOST_TEXT, "label", PinoutError), names)


def from_dict(data: Mapping[str, object], family: str = "") -> Pinout:
    """The pinout in the tables of a TOML document: `connector`, `label`, `[signals]`. Raises PinoutError."""
    top = Table.of(data, PinoutError)
    top.only("connector", "label", "signals")
    plug = _connector(
        [("connector", top.text("connector", MOST_NAME), 0)] if "connector" in top.data else [], family
    )
    table = top.table("signals")
    names: dict[str, str] = {}
    for written in table.data:
        pin = _pin(written, plug, 0, table.key(written))
        if pin in names:
            raise PinoutError(table.key(written), f"pin `{pin}` is named twice")
        value = table.data[written]
        if not isinstance(value, str):
            raise PinoutError(table.key(written), f"must be a string, not {seen(value)}")
        names[pin] = _name(value, "the signal", 0, table.key(written))
    if not names:
        raise PinoutError("signals", "names no pin")
    return _made(plug, top.text("label", MOST_TEXT, default=""), names)


def _made(plug: Connector, label: str, names: Mapping[str, str]) -> Pinout:
    return Pinout(plug, label, {pin: names[pin] for pin in plug.pins if pin in names})


def _column(row: Row, header: Sequence[str], words: Sequence[str]) -> int:
    found = [place for place, cell in enumerate(header) if cell in words]
    if len(found) > 1:
        titles = " and ".join(f"`{printable(row.cells[place].strip())}`" for place in found)
        raise PinoutError(
            "", f"the columns {titles} could both be meant", hint="leave one out", line=row.line
        )
    return found[0]


def _cell(row: Row, place: int) -> str:
    """A cell without blanks around it; of a short row an empty one."""
    cell = row.cells[place] if place < len(row.cells) else ""
    return _plain(cell)


def _plain(text: str) -> str:
    """Blanks of all kinds as plain ones, none around: text copied from a page is full of others."""
    return "".join(" " if unicodedata.category(char) == "Zs" else char for char in text).strip()


def _connector(said: Sequence[tuple[str, str, int]], family: str) -> Connector:
    """The one family that is named. said: (key, name, line) of each place of the file that names one."""
    places = [*said, ("", family, 0)] if family else list(said)
    if not places:
        raise PinoutError(
            "",
            "does not say which connector this is",
            hint="`--connector A=idc-2x20` says it for end A, or a first line `# connector: idc-2x20`;"
            " profiles/README.md lists the names",
        )
    first = places[0][1]
    for key, name, line in places:
        if name != first:
            by = "`--connector` says" if (key, line, name) == ("", 0, family) else "this is"
            raise PinoutError(
                key, f"{by} `{printable(name)}`, but the file says `{printable(first)}` before", line=line
            )
        try:
            plug = connector(name)
        except UnknownConnector as error:
            raise PinoutError(key, str(error), line=line) from None
    return plug


def _pin(written: str, plug: Connector, line: int, key: str = "") -> str:
    """The pin as the connector calls it: `07` is `7`, `shell` is `SHELL`."""
    text = _plain(written)
    if not text:
        raise PinoutError(key, "names no pin", hint=_WHAT_GOES, line=line)
    plain = text.lstrip("0") if text.isascii() and text.isdecimal() else text
    for pin in plug.pins:
        if pin.casefold() == plain.casefold():
            return pin
    raise PinoutError(key, f"no pin `{printable(text, most=20)}`; {plug.range_text()}", line=line)


def _name(written: str, what: str, line: int, key: str = "") -> str:
    """What is written at a pin, fit for a profile."""
    name = _plain(written)
    try:
        return checked(name, MOST_NAME, key, PinoutError)
    except PinoutError as error:
        raise PinoutError(key, f"{what}: {error.problem}", line=line) from None
