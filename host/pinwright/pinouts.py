"""Reads pinouts: a table (CSV, TSV) or TOML file for each end. What stands in them, `cable.pinout` knows."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from pathlib import Path

from pinwright.cable.pinout import Pinout, Row, from_dict, from_rows
from pinwright.cable.wiring import printable
from pinwright.errors import PinoutError
from pinwright.library import content_of, tables_of

_SPREADSHEETS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1")  # a ZIP archive; a file of before 2007
_SAID = re.compile(r"#\s*(connector|label)\s*:\s*(.*)", re.IGNORECASE)
_REMARK = re.compile(r"#(?:[\s#]|$)")
_SEPARATORS = "\t;,"  # in this order: a semicolon is chosen where the comma is needed for something else


def read_pinout(path: Path | str, family: str = "") -> Pinout:
    """The pinout in a file; one whose name ends in `.toml` is TOML, every other one a table.

    family: the connector, where the person names it. Raises PinoutError that names the file.
    """
    path = Path(path)
    try:
        text = _decoded(content_of(path, PinoutError))
        if path.suffix.lower() == ".toml":
            return from_dict(tables_of(text, PinoutError), family)
        return _from_table(text, family)
    except PinoutError as error:
        raise error.in_file(printable(str(path), most=4096)) from error.__cause__


def _from_table(text: str, family: str) -> Pinout:
    lines = re.split(r"\r\n|\r|\n", text)
    said: dict[str, str] = {}
    for number, line in enumerate(lines):
        remark = _remark(line)
        if found := _SAID.match(remark):
            word, value = found[1].lower(), found[2].strip()
            if said.setdefault(word, value) != value:
                raise PinoutError(
                    "", f"a second {word}; `{printable(said[word])}` came before", line=number + 1
                )
        if remark:
            lines[number] = ""
    separator = ""
    if lines and (found := re.fullmatch(r"sep=(.)", lines[0].strip())):
        separator, lines[0] = found[1], ""
    return from_rows(list(_rows(lines, separator or _separator(lines))), said, family)


def _remark(line: str) -> str:
    """A line that is a remark, else nothing; `#RD,7` is a signal. Spreadsheets put quotes and empty cells
    around one."""
    text = line.strip().rstrip(_SEPARATORS).rstrip()
    if text.startswith('"#') and text.endswith('"'):
        text = text[1:-1].replace('""', '"')
    return text if _REMARK.match(text) or _SAID.match(text) else ""


def _separator(lines: list[str]) -> str:
    """What parts the cells: of tab, semicolon and comma the first that is in most of the lines."""
    full = [line for line in lines if line.strip()]
    for sign in _SEPARATORS:
        if 2 * sum(sign in line for line in full) > len(full):
            return sign
    return ","


def _rows(lines: list[str], separator: str) -> Iterator[Row]:
    """The rows that are not empty. Every line is a row of its own: no signal has a line break in it."""
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            (cells,) = csv.reader(io.StringIO(line), delimiter=separator, strict=True, skipinitialspace=True)
        except (csv.Error, ValueError):
            raise PinoutError(
                "", "is no row of a table: a quotation mark that does not belong there?", line=number
            ) from None
        if any(cell.strip() for cell in cells):
            yield Row(number, tuple(cells))


def _decoded(content: bytes) -> str:
    """UTF-8, or the UTF-16 that a spreadsheet calls Unicode text, which begins with its mark."""
    if content.startswith(_SPREADSHEETS):
        raise PinoutError("", "is a spreadsheet file; export it as CSV")
    encoding = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        return content.decode(encoding)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise PinoutError(
            "",
            f"is not {'UTF-16' if encoding == 'utf-16' else 'UTF-8'} text",
            hint="save it as UTF-8: spreadsheets ask for the encoding when they write CSV",
            line=line,
        ) from None
