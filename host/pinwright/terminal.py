"""What a person sees. The only importer of rich.

Results go to standard output, talk to standard error. Colour only where a terminal is, and never the
only carrier of meaning: every state has a word.
"""

from __future__ import annotations

import os
import re
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from io import StringIO
from types import TracebackType
from typing import TextIO

from rich import box
from rich.cells import cell_len, set_cell_size
from rich.console import Console, Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from pinwright.cable.profile import Profile
from pinwright.cable.wiring import code_point
from pinwright.errors import UsageError
from pinwright.verdict.conductors import STATE, Conductor, conductors
from pinwright.verdict.facts import Facts
from pinwright.verdict.fitness import WHICH_HALF, Fitness, ends_text
from pinwright.verdict.resistances import ohms_text, summary
from pinwright.verdict.words import Finding

_TRAILING = re.compile(r" +((?:\x1b\[[0-9;]*m)*)$", re.MULTILINE)  # blanks, and what ends their style
_LONGEST_NAME = 40  # of what stays in one piece at the left of a table
_MOST_FOLDED = 1000  # rows
_A_FEW = 10  # rows that are wrong for one and the same reason, and can still be read
PIPED_WIDTH = 80  # a pipe has no width of its own: the same text everywhere
PIPED_HEIGHT = 24
_PLAIN_TERMINAL = "linux"  # the console of Linux: its fonts have little besides ASCII
_SCREEN_WIDTH, _SCREEN_HEIGHT = 90, 17  # of a panel that is drawn over itself
_STYLE = {
    "ok": "bold green",
    "open": "bold red",
    "joined": "bold magenta",
    "exchanged": "bold yellow",
    "unsteady": "bold red",
    "misplugged": "bold yellow",
    "leaking": "bold magenta",
    "resistive": "bold red",
    "absent": "bold red",
    "reversed": "bold yellow",
    "shifted": "bold yellow",
    "misplaced": "bold yellow",
    "ends exchanged": "bold yellow",
    "other cable": "bold yellow",
    # Besides states, the parts of a sketch. What is right is quiet.
    "good": "dim",
    "unused": "dim",
    "frame": "dim",
    "linked": "",
    "conductor": "",
    "words": "",
    "label": "bold",
    "number": "bold",
}


def _console(stream: TextIO) -> Console:
    """A console as wide as the terminal, or PIPED_WIDTH; honours NO_COLOR.

    It writes to memory: where it finds a broken pipe, rich ends the program with status 1.
    """
    terminal = stream.isatty()
    return Console(
        file=StringIO(),
        force_terminal=terminal,
        width=None if terminal else PIPED_WIDTH,
        no_color=None if terminal else True,
        highlight=False,
        markup=False,
        emoji=False,
    )


def _print(stream: TextIO, *parts: RenderableType, wrap: bool = True) -> None:
    """Print, folded to the width unless told otherwise, without blanks at the ends of lines.

    What the stream's encoding cannot say, such as Ω on some pipes, is escaped. Raises UsageError where
    standard output takes nothing more, such as on a full disk, and BrokenPipeError where nobody reads it.
    """
    _write(stream, _rendered(stream, *parts, wrap=wrap))


def _rendered(stream: TextIO, *parts: RenderableType, wrap: bool = True) -> str:
    out = _console(stream)
    with out.capture() as captured:
        for part in parts:
            out.print(part, soft_wrap=not wrap)
    return _TRAILING.sub(r"\1", captured.get())


def _write(stream: TextIO, text: str) -> None:
    encoding = stream.encoding or "utf-8"
    text = text.encode(encoding, "backslashreplace").decode(encoding)
    _send(stream, lambda: stream.write(text))


def _send(stream: TextIO, write: Callable[[], object]) -> None:
    """Write to the stream and have it out, with the errors of `_print`."""
    try:
        with _Bar.lock:
            if _Bar.shown and stream.isatty():
                _Bar.shown.wipe()
            write()
            stream.flush()  # what is wrong with the stream shows here, where it can be said
    except OSError as error:
        if stream is not sys.stdout:
            return  # talk that nobody can hear
        if isinstance(error, BrokenPipeError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())  # what is buffered still wants out
            raise
        raise UsageError(f"standard output cannot be written: {error.strerror}") from error


def _harmless(text: str) -> str:
    """The text with its control characters named: what a board or a file says commands no terminal."""
    return "".join(char if char.isprintable() or char == "\n" else f"<{code_point(char)}>" for char in text)


def say(text: str) -> None:
    """A line of talk on standard error."""
    _print(sys.stderr, Text(_harmless(text)), wrap=False)


def ask(question: str) -> str:
    """What a person answers on standard input to a question on standard error, without the end of its line.

    Raises UsageError where nobody can answer any more.
    """
    try:
        sys.stderr.write(_harmless(question))
        sys.stderr.flush()
    except OSError:
        pass  # a question that nobody can see
    try:
        answer = sys.stdin.readline() if sys.stdin is not None else ""
    except UnicodeDecodeError:
        raise UsageError("what was typed is no text in the encoding of this terminal") from None
    except (OSError, ValueError):  # closed
        answer = ""
    if not answer:
        raise UsageError("standard input has ended before all was answered")
    return answer.rstrip("\n")


def show_error(message: str, hint: str) -> None:
    """What went wrong, and apart from it what to do next."""
    _print(sys.stderr, Text.assemble(("error: ", "bold red"), _harmless(message)), wrap=False)
    if hint:
        _print(sys.stderr, Text.assemble("\n", ("hint: ", "bold"), _harmless(hint)), wrap=False)


def show_table(headings: Sequence[str], rows: Iterable[Sequence[str | Text]]) -> None:
    """A plain table on standard output; long cells are folded, never cut, and words broken only where columns
    would have no room else."""
    _print(sys.stdout, _table(headings, rows))


def show_rows(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """The same for cells of one line, of which there may be very many: on a terminal a table, elsewhere, and
    where to fold them would take minutes, one line a row, as wide as it needs."""
    if sys.stdout.isatty() and len(rows) <= _MOST_FOLDED:
        _print(sys.stdout, _table(headings, rows, whole_names=False))
        return
    lines = [[_harmless(cell).replace("\n", " ") for cell in row] for row in (headings, *rows)]
    widths = [max(map(cell_len, column)) for column in zip(*lines, strict=True)]
    told = (
        "  ".join(cell + " " * (width - cell_len(cell)) for cell, width in zip(line, widths, strict=True))
        for line in lines
    )
    _write(sys.stdout, "".join(f"{line.rstrip()}\n" for line in told))


def terminal_width() -> int:
    """Columns of standard output, PIPED_WIDTH where it is no terminal."""
    return _console(sys.stdout).width


def show_text(text: str) -> None:
    """Text on standard output, its lines unbroken."""
    _print(sys.stdout, Text(_harmless(text)), wrap=False)


def show_file(text: str) -> None:
    """A file on standard output, to be kept: in UTF-8 whatever a pipe's encoding, its lines as they are."""
    if sys.stdout.isatty() or not hasattr(sys.stdout, "buffer"):
        show_text(text.removesuffix("\n"))
        return
    out, data = sys.stdout, text.encode()
    out.flush()
    _send(out, lambda: out.buffer.write(data))


def show_bytes(data: bytes) -> None:
    """A piece of a file on standard output, byte for byte; on a terminal as text that commands none.

    Raises as `_print` does.
    """
    out = sys.stdout
    if out.isatty() or not hasattr(out, "buffer"):
        text = data.decode("utf-8", "backslashreplace").replace("\r\n", "\n").removeprefix("\ufeff")
        show_text(text.removesuffix("\n"))
        return
    out.flush()
    _send(out, lambda: out.buffer.write(data))


PROGRESS_AFTER_S = 1.0
_DRAWN_EVERY_S = 0.1
_LONGEST_BAR = 40
Told = Callable[[int, int], None]  # how many of how many are done


class _Bar:
    """A line at the end of the terminal, wiped before anything else is written there, and drawn again."""

    lock = threading.RLock()
    shown: _Bar | None = None  # the innermost

    def __init__(self, what: str) -> None:
        self._what = _harmless(what).replace("\n", " ")
        self._done = self._of = 0
        self._begun = time.monotonic()
        self._due = self._begun + PROGRESS_AFTER_S
        self._is_drawn = False

    def told(self, done: int, of: int) -> None:
        self._done, self._of = done, of
        if time.monotonic() >= self._due:
            self.draw()

    def draw(self) -> None:
        with _Bar.lock:
            if _Bar.shown is not self:
                return  # another has begun since, or this one has ended
            self._due = time.monotonic() + _DRAWN_EVERY_S
            console = _console(sys.stderr)
            text = self._text(console.width - 1, time.monotonic() - self._begun)
            _write_quietly(f"\r{text}\x1b[K")
            self._is_drawn = True

    def wipe(self) -> None:
        with _Bar.lock:
            if self._is_drawn:
                _write_quietly("\r\x1b[K")
                self._is_drawn = False
                self._due = time.monotonic()

    def _text(self, width: int, elapsed_s: float) -> str:
        """`reading ━━━━━━━━━╌╌╌╌╌╌╌ 120/200  0:08 left`, as much of it as there is room for."""
        count = f" {self._done}/{self._of}" if self._of else f" {self._done}" if self._done else " …"
        bar = ""
        if self._of and self._done:
            left_s = round(elapsed_s * max(0, self._of - self._done) / self._done)
            count += f"  {left_s // 60}:{left_s % 60:02} left"
        room = min(_LONGEST_BAR, width - cell_len(self._what) - cell_len(count) - 1)
        if self._of and room >= 8:
            full, empty = ("#", "-") if _ascii_only(sys.stderr, "━╌…") else ("━", "╌")
            part = min(room, room * self._done // self._of)
            bar = " " + full * part + empty * (room - part)
        return set_cell_size(f"{self._what}{bar}{count}", width).rstrip()


def _write_quietly(text: str) -> None:
    """To standard error, past any bar: talk that may get lost."""
    try:
        encoding = sys.stderr.encoding or "utf-8"
        sys.stderr.write(text.encode(encoding, "replace").decode(encoding))
        sys.stderr.flush()
    except OSError:
        pass


@contextmanager
def progress(what: str) -> Iterator[Told]:
    """How far something has come: a bar on standard error, if that is a terminal, once it has lasted a
    second. Call what it gives as often as you like; while the total is not known, with 0 of it. Results and
    talk that are written meanwhile stand above it. One inside another is shown in its place."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield lambda done, of: None
        return
    bar, outer = _Bar(what), _Bar.shown
    timer = threading.Timer(PROGRESS_AFTER_S, bar.draw)  # where one step takes longer than that
    timer.daemon = True
    with _Bar.lock:
        if outer:
            outer.wipe()
        _Bar.shown = bar
    timer.start()
    try:
        yield bar.told
    finally:
        timer.cancel()
        with _Bar.lock:
            bar.wipe()
            _Bar.shown = outer


Drawing = Callable[[int, int, bool], Sequence[Sequence[tuple[str, str]]]]


def show_sketch(draw: Drawing) -> None:
    """A picture in characters on standard output, nothing where it is empty.

    draw: width and height in characters, and whether ASCII is all there is → lines of texts, each with the
    word for its style. In ASCII where the stream cannot say it otherwise, and on the console of Linux, whose
    fonts have no dots.
    """
    console, terminal = _console(sys.stdout), sys.stdout.isatty()
    height = console.height if terminal else PIPED_HEIGHT
    lines = draw(console.width, height, terminal and os.environ.get("TERM") == _PLAIN_TERMINAL)
    try:
        "".join(text for line in lines for text, _ in line).encode(sys.stdout.encoding or "utf-8")
    except UnicodeEncodeError:
        lines = draw(console.width, height, True)
    pieces = [[(_harmless(text), _style(word)) for text, word in line] for line in lines]
    _print(sys.stdout, *(Text.assemble(*line) for line in pieces), wrap=False)


def _table(
    headings: Sequence[str], rows: Iterable[Sequence[str | Text]], *, whole_names: bool = True
) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    texts = [
        [cell if isinstance(cell, Text) else Text(_harmless(cell)) for cell in row]
        for row in (headings, *rows)
    ]
    columns = [[cell.plain for cell in column] for column in zip(*texts, strict=True)]
    widths = _widths(columns, terminal_width(), whole_names)
    for heading, width in zip(texts[0], widths, strict=True):
        table.add_column(_folded(heading, width), overflow="fold", width=width)
    for row in texts[1:]:
        table.add_row(*map(_folded, row, widths))
    return table


# Pieces of a line that are not broken while another column can be folded instead: words and moments, then
# parts of words at hyphens, then those of moments, though never a date.
_DAY = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
_MOMENT = rf"{_DAY} [0-9]{{2}}:[0-9]{{2}}"
_WORDS = re.compile(rf"{_MOMENT}|\S+")
_PARTS = re.compile(rf"{_DAY}|[^\s-]+-+(?=[^\s-])|\S+")
_PARTS_OF_WORDS = re.compile(rf"{_MOMENT}|{_PARTS.pattern}")


def _widths(columns: Sequence[Sequence[str]], room: int, whole_names: bool) -> list[int]:
    """How wide each column is, in so much room: the widest are folded first. whole_names: what a row is
    called, at the left, stays in one piece as long as anything else can be folded."""

    def longest(cells: Iterable[str], pieces: re.Pattern[str] | None) -> int:
        lines = [line for cell in cells for line in cell.splitlines()]
        parts = [part for line in lines for part in pieces.findall(line)] if pieces else lines
        return max(map(cell_len, parts), default=0)

    gaps = [2] * (len(columns) - 1) + [0]
    widths = [max(1, longest(column, None)) + gap for column, gap in zip(columns, gaps, strict=True)]
    names = min(longest(columns[0][1:], None), _LONGEST_NAME) if whole_names else 1
    for pieces, whole in ((_WORDS, names), (_PARTS_OF_WORDS, names), (_PARTS, names), (_PARTS, 1), (None, 1)):
        least = [longest(column, pieces) if pieces else 1 for column in columns]
        least[0] = max(least[0], whole)
        widths = _narrowed(widths, [low + gap for low, gap in zip(least, gaps, strict=True)], room)
    return [width - gap for width, gap in zip(widths, gaps, strict=True)]


def _narrowed(widths: Sequence[int], least: Sequence[int], room: int) -> list[int]:
    """None below the least: the widest are narrowed till they are as wide as the next, and so on, till there
    is room."""
    widths = list(widths)
    while (over := sum(widths) - room) > 0:
        free = [n for n, low in enumerate(least) if widths[n] > low]
        if not free:
            break
        widest = max(widths[n] for n in free)
        step = widest - max((widths[n] for n in free if widths[n] < widest), default=0)
        these = [n for n in free if widths[n] == widest]
        for left, n in zip(range(len(these), 0, -1), these, strict=True):
            less = min(round(over / left), step, widths[n] - least[n])
            widths[n], over = widths[n] - less, over - less
    return widths


def _folded(text: Text, width: int) -> Text:
    """With its lines ended where they have to be so that no word is broken that need not be: also after
    hyphens."""
    if all(cell_len(word) <= width for word in text.plain.split()):
        return text
    ends: list[int] = []
    start = last = 0
    for piece in re.finditer(r"\n|[^\S\n]+|" + _PARTS.pattern, text.plain):
        if piece.group() == "\n":
            start = piece.end()
        elif not piece.group().isspace() and cell_len(text.plain[start : piece.end()]) > width:
            if last > start and not text.plain[last - 1].isspace():
                ends.append(last)
            start = piece.start()
        last = piece.end()
    return Text("\n").join(text.divide(ends)) if ends else text


def name_of(profile: Profile) -> str:
    """`lamp-changer-40 revision B`, or the id alone."""
    return f"{profile.id} revision {profile.revision}" if profile.revision else profile.id


def show_scan(
    profile: Profile,
    facts: Facts,
    findings: Sequence[Finding],
    *,
    serial: str | None,
    tester: str,
    sockets: str,
    caveats: Sequence[str],
    saved: str | None,
    verbose: bool,
    as_plugged: Facts | None = None,
    draw: Drawing | None = None,
    ribbon: Fitness | None = None,
) -> None:
    """A picture of what is wrong, what it is, and the conductors: faulty ones first, good ones folded unless
    verbose. The verdict comes last.

    as_plugged: where plugs are in wrong sockets, the facts as they would be with every plug where it belongs.
    draw: the picture, as `show_sketch` takes it. ribbon: what raw material is good for.
    """
    of_the_cable = [finding for finding in findings if finding.kind != "socket"]
    rows = conductors(profile, as_plugged or facts, of_the_cable)
    serial_text = f", serial {serial}" if serial else ""
    head = Text.assemble(
        (profile.title, "bold"),
        f"\n{name_of(profile)}{serial_text}\n{tester}\n{sockets}\n",
    )
    _print(sys.stdout, head)
    plugs = bool(findings) and findings[0].kind in ("socket", "absent")
    if draw and findings and not plugs:
        show_sketch(draw)
        _print(sys.stdout, Text())
    parts: list[RenderableType] = [*_measured(findings, rows, verbose, bool(as_plugged)), Text()]
    parts += [*_raw_material(ribbon), Text()] if ribbon else []
    if facts.passed:
        parts.append(
            Text.assemble(("PASS", _STYLE["ok"]), "  every net as it should be, nothing else joined")
        )
        parts += [_hanging(text) for text in ([summary(facts.resistances)] if facts.resistances else [])]
        parts += [_hanging(caveat) for caveat in caveats]
    else:
        faults = "1 fault" if len(findings) == 1 else f"{len(findings)} faults"
        then = "plug it in as said and scan again" if plugs else "do not use this cable"
        if ribbon and ribbon.serves and not plugs:
            then = "use this ribbon only for what it is said to serve for"
        parts.append(Text.assemble(("FAIL", _STYLE["open"]), f"  {faults}; {then}"))
    _print(sys.stdout, *parts)
    if saved:
        _print(sys.stdout, Text(f"      {_harmless(saved)}"), wrap=False)


def _hanging(text: str) -> Table:
    """Below the verdict, its further lines as far in as its first."""
    grid = Table.grid()
    grid.add_column(width=6)
    grid.add_column(overflow="fold")
    grid.add_row(Text(), Text(text))
    return grid


def show_record(
    about: Iterable[tuple[str, str]],
    findings: Sequence[Finding],
    rows: Sequence[Conductor],
    *,
    title: str,
    verdict: str,
    summary: str,
    verbose: bool,
    ribbon: Fitness | None = None,
) -> None:
    """A record as it was kept: what it is about, what is wrong, the conductors as `show_scan` lists them.
    ribbon: what raw material is good for."""
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for label, text in about:
        table.add_row(Text(label), Text(_harmless(text)))
    style = _STYLE["ok" if verdict == "PASS" else "open"]
    head = Text.assemble((title, "bold"), "\n", (verdict, style), f"  {summary}\n")
    _print(sys.stdout, head, table, Text(), *_measured(findings, rows, verbose, False))
    if ribbon:
        _print(sys.stdout, Text(), *_raw_material(ribbon))


def _measured(
    findings: Sequence[Finding], rows: Sequence[Conductor], verbose: bool, as_plugged: bool
) -> list[RenderableType]:
    """Findings, then conductors: faulty ones, and good ones if verbose. as_plugged: rows are as they would be
    with every plug where it belongs."""
    headings = _HEADINGS if any(row.ohms is not None for row in rows) else _WITHOUT_OHMS
    bad = [_row(row, headings) for row in rows if row.states]
    good = [_row(row, headings) for row in rows if not row.states]
    parts: list[RenderableType] = [*_numbered(findings)]
    if findings:
        parts.append(Text())
    folded = [] if verbose else [row for row in bad if str(row[-1]) in _OF_A_WHOLE_PLUG]
    folded += [row for row in bad if str(row[-1]) == STATE["misrouted"]] if not verbose else []
    open_only = all(str(row[-1]) == STATE["absent"] for row in folded)
    folded = folded if open_only or len(folded) > _A_FEW else []
    bad = [row for row in bad if row not in folded]
    if bad:
        parts.append(_table(headings, bad))
    if folded:
        count = f"{len(folded)} {'net is' if len(folded) == 1 else 'nets are'}"
        how = "open" if open_only else "wrong"
        parts.append(Text(f"{count} {how} for that reason (-v lists them)"))
    if good and verbose:
        parts.append(_table(headings, good))
    elif good:
        count = f"{len(good)} {'net is' if len(good) == 1 else 'nets are'}"
        then = " by continuity, once the plugs are where they belong" if as_plugged else ""
        every = "" if bad or folded else "all "
        parts.append(Text(f"{every}{count} as the profile says{then} (-v lists them)"))
    return parts


def _raw_material(ribbon: Fitness) -> Iterator[RenderableType]:
    """Which conductors of a raw ribbon are fit, and which leads of the library it still serves for."""
    yield Text(ribbon.text)
    for flaw in ribbon.flaws:
        yield _bullet(flaw.text)
    if ribbon.serves:
        yield Text()
        yield _table(("serves for", "as"), [(one.id, ends_text(one.ends)) for one in ribbon.serves])
    elif not ribbon.leads:
        yield Text(f"no lead of the library has a connector {ribbon.connector}")
    not_for = [lead for lead in ribbon.leads if lead.why_not]
    if not_for:
        yield Text()
        yield _table(("not for", "because"), [(one.id, "\n".join(one.why_not)) for one in not_for])
    if ribbon.flaws:
        yield Text(f"\n{WHICH_HALF}")


def _bullet(text: str) -> Table:
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    grid.add_row(Text("-"), Text(_harmless(text)))
    return grid


def _numbered(findings: Sequence[Finding]) -> Iterator[Table]:
    """Findings with hanging numbers; a remedy that several in a row share stands once, below them."""
    for number, finding in enumerate(findings, start=1):
        grid = Table.grid(padding=(0, 1, 0, 0))
        grid.add_column(justify="right", no_wrap=True, min_width=len(f"{len(findings)}."))
        grid.add_column(overflow="fold")
        grid.add_row(Text(f"{number}."), Text(_harmless(finding.text), style=_style(STATE.get(finding.kind))))
        if number == len(findings) or findings[number].remedy != finding.remedy:
            grid.add_row(Text(), Text(_harmless(finding.remedy)))
        yield grid


_OF_A_WHOLE_PLUG = {STATE[kind] for kind in ("absent", "reversed", "shifted", "exchanged", "wrong-cable")}
_HEADINGS = ("signal", "from", "to", "found", "ohms", "state")
_WITHOUT_OHMS = tuple(heading for heading in _HEADINGS if heading != "ohms")


def _style(state: str | None) -> str:
    """How a state is coloured; one that this version does not know looks as bad as an open."""
    return _STYLE.get(state or "", _STYLE["open"])


def _row(conductor: Conductor, headings: Sequence[str]) -> tuple[str | Text, ...]:
    states = conductor.states
    state = Text(conductor.state, style=_style(states[0] if states else "ok"))
    signal = conductor.signal if conductor.to else "(free)"
    to = " ".join(map(str, conductor.to)) or "nothing"
    ohms = "" if conductor.ohms is None else ohms_text(conductor.ohms)
    cells: dict[str, str | Text] = dict(
        zip(_HEADINGS, (signal, str(conductor.first), to, conductor.found, ohms, state), strict=True)
    )
    return tuple(cells[heading] for heading in headings)


def can_redraw() -> bool:
    """Whether standard output is a terminal on which `Screen` can draw over what it drew."""
    return sys.stdout.isatty() and os.environ.get("TERM") != "dumb"


class Screen:
    """One panel on the terminal, drawn over itself as long as the `with` block lasts; the last one stays.

    Each is written in one piece, line over line, so that nothing flickers. tall: where it needs more lines
    than usual, it takes them, if the terminal has them.
    """

    def __init__(self, *, tall: bool = False) -> None:
        self._tall = tall
        self._height = 0

    def __enter__(self) -> Screen:
        _write(sys.stdout, "\x1b[?25l")  # no cursor
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        _write(sys.stdout, "\x1b[?25h")

    def show(
        self, title: str, foot: str, draw: Callable[[int, int, bool], Sequence[tuple[str, str]]]
    ) -> None:
        """draw: width and height inside, and whether ASCII is all there is → lines, each with the word for
        its style; long ones are folded."""
        console = _console(sys.stdout)
        width, height = min(console.width, _SCREEN_WIDTH) - 1, min(console.height - 1, _SCREEN_HEIGHT)
        ascii = ascii_only()
        lines = draw(width - 6, (console.height - 1 if self._tall else height) - 2, ascii)
        height = max(height, len(lines) + 2) if self._tall else height
        panel = Panel(
            Group(*(Text(_harmless(text), style=_style(word)) for text, word in lines)),
            title=Text(_harmless(title), style="bold"),
            subtitle=Text(_harmless(foot)),
            width=width,
            height=height,
            padding=(0, 2),
            box=box.ASCII if ascii else box.ROUNDED,
        )
        drawn = _rendered(sys.stdout, panel).rstrip("\n").split("\n")
        up = f"\x1b[{self._height}F" if self._height else ""
        _write(sys.stdout, up + "".join(f"{line}\x1b[K\n" for line in drawn) + "\x1b[J")
        self._height = len(drawn)


def ascii_only() -> bool:
    """Whether standard output has neither blocks nor arrows: by its encoding, or on the console of Linux."""
    return _ascii_only(sys.stdout, "█→╭")


def _ascii_only(stream: TextIO, needed: str) -> bool:
    if stream.isatty() and os.environ.get("TERM") == _PLAIN_TERMINAL:
        return True
    try:
        needed.encode(stream.encoding or "utf-8")
    except UnicodeEncodeError:
        return True
    return False
