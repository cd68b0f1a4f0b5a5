"""What happens in a batch, as it is told: one panel on a terminal, lines elsewhere, or lines of JSON."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Protocol

from pinwright.cli.lettering import ROWS, large
from pinwright.cli.tally import Tally
from pinwright.terminal import PIPED_WIDTH, Screen, ascii_only, can_redraw, say, show_text
from pinwright.verdict.words import Finding

SCHEMA = "pinwright/batch-event-1"
ASCII = str.maketrans({"→": "->", "–": "-", "…": "...", "Ω": " ohms", "±": "+-"})


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens, told to a person or a program. text: what to know or to do now.

    kind: `waiting`, `take-out`, `seen`, `trouble`, `no-verdict`, `verdict`, `saved`, `removed`, `set-aside`
    or `end`. item: which cable of the batch. serial: where it has one. log: what stands in a log in place of
    the text; it may be empty. headline: what is shown large, if that changes, in `style`, a word of
    `terminal`; and body, what stands below until it changes again: in a log it is told with the verdict.
    brief: the same where there is little room. more: what else is in its JSON.
    """

    kind: str
    text: str
    item: int
    serial: str | None = None
    log: str | None = None
    headline: str = ""
    style: str = "label"
    body: tuple[str, ...] = ()
    brief: tuple[str, ...] = ()
    more: Mapping[str, object] = field(default_factory=dict)


class Teller(Protocol):
    """Whoever tells it."""

    def tell(self, event: Event) -> None: ...

    def hear(self, line: str) -> None:
        """A line of the board's besides its replies."""


@contextmanager
def telling(batch: str, title: str, tally: Tally, *, as_json: bool, panel: bool) -> Iterator[Teller]:
    """batch: its id. title: of the panel. panel: where there can be one."""
    if as_json:
        yield _Json(batch, tally.count)
    elif panel and can_redraw():
        with Screen() as screen:
            yield _Panel(screen, title, tally)
    else:
        yield _Lines()


class _Lines:
    def tell(self, event: Event) -> None:
        ascii, text = ascii_only(), event.text if event.log is None else event.log
        if text:
            show_text(text.translate(ASCII) if ascii else text)
        for line in wrapped(event.body, PIPED_WIDTH - 4, ascii) if event.kind == "verdict" else []:
            show_text(f"    {line}")

    def hear(self, line: str) -> None:
        say(f"the board says: {line}")


class _Json(_Lines):
    def __init__(self, batch: str, count: int) -> None:
        self._batch, self._count = batch, count

    def tell(self, event: Event) -> None:
        document = {
            "schema": SCHEMA,
            "kind": event.kind,
            "batch": self._batch,
            "item": event.item,
            "count": self._count,
            "serial": event.serial,
            "text": event.text,
            **event.more,
        }
        show_text(json.dumps(document, allow_nan=False))


class _Panel:
    """The last verdict, or the cable that is waited for, large."""

    def __init__(self, screen: Screen, title: str, tally: Tally) -> None:
        self._screen, self._title, self._tally = screen, title, tally
        self._headline = Event("waiting", "", 0)

    def tell(self, event: Event) -> None:
        self._headline = large_one = event if event.headline else self._headline
        about = standing(self._tally)

        def lines(width: int, height: int, ascii: bool) -> list[tuple[str, str]]:
            return panel_lines(large_one, event.text, about, width, height, ascii)

        self._screen.show(self._title, keys_text(self._tally), lines)

    def hear(self, line: str) -> None:
        self.tell(Event("seen", f"the board says: {line}", 0))


def standing(tally: Tally) -> str:
    """`3 of 5 tested, 2 passed`."""
    return f"{len(tally.cables())} of {tally.count} tested, {tally.passed} passed"


def keys_text(tally: Tally) -> str:
    """What keys do now."""
    return ("n another cable, " if tally.to_mend else "") + "Enter tests it now, q stops"


def panel_lines(
    headline: Event, text: str, about: str, width: int, height: int, ascii: bool
) -> list[tuple[str, str]]:
    """Lines of a panel that is so large, each with the word for its style; none is wider. What there is no
    room for is left out from the middle."""
    said = headline.headline.translate(ASCII) if ascii else headline.headline
    letters = large(said, width, ascii) if height >= ROWS + 6 else []
    short = said.rpartition(" ")[2]  # the verdict alone, where the serial is too long
    if not letters and height >= ROWS + 7:
        letters = [*large(short, width, ascii), said] if large(short, width, ascii) else []
    letters = letters or textwrap.wrap(said, width)
    top = [("", "words"), *((line, headline.style) for line in letters), ("", "words")]
    bottom = [*((line, "label") for line in wrapped([text], width, ascii)), ("", "words"), (about, "words")]
    room = height - len(top) - len(bottom) - 1
    body = wrapped(headline.body, width, ascii)
    if len(body) > room and headline.brief:
        body = wrapped(headline.brief, width, ascii)
    if len(body) > max(0, room):
        body = [*body[: max(0, room - 1)], f"{'...' if ascii else '…'} and more"][: max(0, room)]
    middle = [(line, "words") for line in body] + ([("", "words")] if body else [])
    return [*top, *middle, *bottom][: max(height, 0)]


def wrapped(texts: Sequence[str], width: int, ascii: bool) -> list[str]:
    """Lines no wider than that; those after the first of a numbered one begin where its words do."""
    lines: list[str] = []
    for text in texts:
        for line in (text.translate(ASCII) if ascii else text).splitlines():
            body = line.lstrip()
            number = body.partition(". ")[0]
            indent = len(line) - len(body) + (len(number) + 2 if number.isdecimal() else 0)
            lines += textwrap.wrap(line, max(width, indent + 8), subsequent_indent=" " * indent) or [""]
    return lines


def findings_lines(findings: Sequence[Finding], *, remedies: bool = True) -> tuple[str, ...]:
    """What is wrong, and what to do about it."""
    lines = []
    for number, finding in enumerate(findings, start=1):
        lines.append(f"{number}. {finding.text}")
        lines += [f"   {finding.remedy}"] if remedies else []
    return tuple(lines)
