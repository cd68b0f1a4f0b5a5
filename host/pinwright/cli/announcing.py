"""What happens in a batch, as it is told: one panel on a terminal, lines elsewhere, or lines of JSON."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from typing import Protocol

from pinwright.cli.lettering import ROWS, large
from pinwright.cli.tally import Tally
from pinwright.errors import UsageError
from pinwright.terminal import PIPED_WIDTH, Screen, ascii_only, can_redraw, say, show_text

SCHEMA = "pinwright/batch-event-1"
ASCII = str.maketrans({"→": "->", "–": "-", "…": "...", "Ω": " ohms", "±": "+-"})

Remedied = tuple[str, str]  # what is wrong, and what to do about it


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens, told to a person or a program. text: what to know or to do now.

    kind: `waiting`, `take-out`, `seen`, `trouble`, `no-verdict`, `verdict`, `saved`, `removed`, `set-aside`
    or `end`. item: which cable of the batch. serial: where it has one. log: what stands in a log in place of
    the text; it may be empty. headline: what is shown large, if that changes, in `style`, a word of
    `terminal`; and what stands below until it changes again: lead, in the same style, which nobody must
    miss; body; findings, each with its remedy, and all of them in where, a file. In a log body and findings
    are told with the verdict. passed: a verdict that no record has yet. more: what else is in its JSON.
    """

    kind: str
    text: str
    item: int
    serial: str | None = None
    log: str | None = None
    headline: str = ""
    style: str = "label"
    lead: str = ""
    body: tuple[str, ...] = ()
    findings: tuple[Remedied, ...] = ()
    where: str = ""
    passed: bool | None = None
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
        with Screen(tall=True) as screen:
            teller = _Panel(screen, title, tally)
            try:
                yield teller
            finally:
                teller.end()
    else:
        yield _Lines()


class _Lines:
    def tell(self, event: Event) -> None:
        ascii, text = ascii_only(), event.text if event.log is None else event.log
        if text:
            show_text(text.translate(ASCII) if ascii else text)
        below = (*event.body, *findings_lines(event.findings)) if event.kind == "verdict" else ()
        for line in wrapped(below, PIPED_WIDTH - 4, ascii):
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
        self._ended = False

    def tell(self, event: Event) -> None:
        self._headline = large_one = event if event.headline else self._headline
        about = standing(self._tally, None if event.passed is None else (event.item, event.passed))

        def lines(width: int, height: int, ascii: bool) -> list[tuple[str, str]]:
            return panel_lines(large_one, event.text, about, width, height, ascii)

        asks = not self._ended and event.passed is None  # none counts until its record is there
        self._screen.show(self._title, keys_text(self._tally) if asks else "", lines)

    def end(self) -> None:
        """No key does anything any more, and no cable is waited for."""
        self._ended = True
        with suppress(OSError, UsageError):  # the terminal has gone
            if not self._tally.complete:
                self._headline = replace(self._headline, lead="")
                self.tell(Event("end", "stopped", 0))

    def hear(self, line: str) -> None:
        self.tell(Event("seen", f"the board says: {line}", 0))


def standing(tally: Tally, judged: tuple[int, bool] | None = None) -> str:
    """`2 of 5 passed, 1 failed`: the latest test of each cable. judged: a cable of which there is no record
    yet, and whether it passed."""
    results = {**tally.items(), **(dict([judged]) if judged else {})}
    failed = len(results) - sum(results.values())
    return f"{sum(results.values())} of {tally.count} passed" + (f", {failed} failed" if failed else "")


def keys_text(tally: Tally) -> str:
    """What keys do now; nothing where no cable is waited for."""
    if tally.complete:
        return ""
    return ("n another cable, " if tally.to_mend else "") + "Enter tests it now, q stops"


def panel_lines(
    headline: Event, text: str, about: str, width: int, height: int, ascii: bool
) -> list[tuple[str, str]]:
    """Lines of a panel that is so large at most, each with the word for its style; none is wider. What there
    is no room for is left out from the middle."""
    said = headline.headline.translate(ASCII) if ascii else headline.headline
    letters = large(said, width, ascii) if height >= ROWS + 6 else []
    short = said.rpartition(" ")[2]  # the verdict alone, where the serial is too long
    if not letters and height >= ROWS + 7:
        letters = [*large(short, width, ascii), said] if large(short, width, ascii) else []
    letters = letters or textwrap.wrap(said, width)
    top = [("", "words"), *((line, headline.style) for line in letters), ("", "words")]
    if headline.lead:
        top += [*((line, headline.style) for line in wrapped([headline.lead], width, ascii)), ("", "words")]
    now = [] if text == headline.lead else wrapped([text], width, ascii)
    bottom = [*((line, "label") for line in now), *([("", "words")] if now else []), (about, "words")]
    body = _fitting(headline, height - len(top) - len(bottom) - 1, width, ascii)
    middle = [(line, "words") for line in body] + ([("", "words")] if body else [])
    return [*top, *middle, *bottom][: max(height, 0)]


def _fitting(headline: Event, room: int, width: int, ascii: bool) -> list[str]:
    """Body and findings in so many lines: as many findings as there is room for, each with its remedy, and
    where the others are."""
    body, findings = wrapped(headline.body, width, ascii), headline.findings
    for shown in range(len(findings), -1, -1):
        lines = [*body, *wrapped(findings_lines(findings[:shown]), width, ascii)]
        left = len(findings) - shown
        if left and not shown:
            break  # part of the first says more than none
        if left:
            what = f"… and {left} more finding{'' if left == 1 else 's'}"
            told = f"{what}, all in {headline.where}" if headline.where else what
            lines += wrapped([told], width, ascii)
        if len(lines) <= room:
            return lines
    lines = [*body, *wrapped(findings_lines(findings[:1]), width, ascii)]
    more = f"… and more{f' in {headline.where}' if headline.where else ''}"
    last = wrapped([more], width, ascii)
    last = last if len(last) <= room // 2 else wrapped(["… and more"], width, ascii)
    return [*lines[: max(0, room - len(last))], *last][: max(0, room)]


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


def findings_lines(findings: Sequence[Remedied]) -> tuple[str, ...]:
    """What is wrong, numbered, and what to do about it; a remedy that several in a row share stands once,
    below them."""
    lines = []
    for number, (text, remedy) in enumerate(findings, start=1):
        lines.append(f"{number}. {text}")
        if remedy and (number == len(findings) or findings[number][1] != remedy):
            lines.append(f"   {remedy}")
    return tuple(lines)
