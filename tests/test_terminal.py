"""What a person reads of a plug in the wrong socket, how a sketch comes out, and how far a thing has come."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from io import BytesIO, TextIOWrapper
from pathlib import Path
from types import SimpleNamespace

import pytest

from pinwright import terminal
from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.profile import Profile
from pinwright.terminal import PIPED_HEIGHT, PIPED_WIDTH, show_scan, show_sketch
from pinwright.tester.measurement import Measurement
from pinwright.verdict.facts import compare
from pinwright.verdict.findings import explain
from pinwright.verdict.sockets import Misplugged, Moved

PROFILE = Profile.from_dict(
    {
        "cable": {"id": "x", "title": "A lead"},
        "ends": {"A": {"connector": "row-3"}, "B": {"connector": "row-3"}},
        "wiring": {"wires": [["A.1", "B.2"], ["A.2", "B.3"], ["A.3", "B.1"]]},
    }
)
TESTED = frozenset(Pin(end, str(k)) for end in ("A", "B", "@J2") for k in (1, 2, 3))


def measured(*groups: str) -> Measurement:
    return Measurement(TESTED, tuple(tuple(map(parse_pin, group.split())) for group in groups))


def shown(capsys: pytest.CaptureFixture[str], *left: str) -> list[str]:
    """The lines of an exchange of plugs, with these groups found where every plug is where it belongs."""
    facts = compare(PROFILE, measured("A.2 B.1", "A.3 B.2"))
    moved = (Moved("A", "J1", "J2"), Moved("B", "J2", "J1"))
    plugged = Misplugged(moved, compare(PROFILE, measured(*left)))
    show_scan(
        PROFILE,
        facts,
        explain(PROFILE, facts, plugged),
        serial=None,
        tester="t",
        sockets="s",
        caveats=[],
        saved=None,
        verbose=False,
        as_plugged=plugged.facts,
    )
    return capsys.readouterr().out.splitlines()


def test_plugs_in_wrong_sockets_are_one_fault_and_say_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    assert [
        "1. end A is in J2 and end B in J1: exchange them",
        "   Plug end A into J1 and end B into J2 and scan again: the cable itself may be",
        "   good.",
        "",
        "all 3 nets are as the profile says by continuity, once the plugs are where they",
        "belong (-v lists them)",
        "",
        "FAIL  1 fault; plug it in as said and scan again",
    ] == shown(capsys, "A.1 B.2", "A.2 B.3", "A.3 B.1")[5:]


def test_what_is_left_of_the_cable_s_own_faults_is_shown_as_it_is_plugged(
    capsys: pytest.CaptureFixture[str],
) -> None:
    lines = shown(capsys, "A.1 B.2", "A.2 B.3")
    assert "2. open between A.3 and B.1" in lines
    assert "        A.3   B.1  nothing  open" in lines
    assert "2 nets are as the profile says by continuity, once the plugs are where they" in lines
    assert "FAIL  2 faults; plug it in as said and scan again" == lines[-1]


class Stream(TextIOWrapper):
    """A standard output that remembers what it was given. terminal: whether it says that it is one."""

    def __init__(self, encoding: str, terminal: bool) -> None:
        super().__init__(BytesIO(), encoding=encoding, newline="")
        self.terminal = terminal

    def isatty(self) -> bool:
        return self.terminal

    def text(self) -> str:
        self.seek(0)
        return self.read()


def sketched(monkeypatch: pytest.MonkeyPatch, stream: Stream) -> list[tuple[int, int, bool]]:
    """Show a sketch on this stream: how it was asked for."""
    asked = []

    def draw(width: int, height: int, ascii: bool) -> list[list[tuple[str, str]]]:
        asked.append((width, height, ascii))
        return [[("o-x" if ascii else "●⠒✗", "open"), ("  ", "words")], [("\x1bA", "label")]]

    monkeypatch.setattr(sys, "stdout", stream)
    show_sketch(draw)
    return asked


def test_a_sketch_in_a_pipe_has_the_size_of_the_smallest_terminal_and_no_colour(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    stream = Stream("utf-8", terminal=False)
    assert [(PIPED_WIDTH, PIPED_HEIGHT, False)] == sketched(monkeypatch, stream)
    assert "●⠒✗\n<U+001B>A\n" == stream.text()


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp437"])
def test_where_dots_cannot_be_said_a_sketch_is_asked_for_in_ascii(
    monkeypatch: pytest.MonkeyPatch, encoding: str
) -> None:
    stream = Stream(encoding, terminal=False)
    assert [False, True] == [ascii for _, _, ascii in sketched(monkeypatch, stream)]
    assert "o-x\n<U+001B>A\n" == stream.text()


def test_a_sketch_on_a_terminal_has_its_size_and_colours(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in {"COLUMNS": "97", "LINES": "31", "TERM": "xterm"}.items():
        monkeypatch.setenv(name, value)
    monkeypatch.delenv("NO_COLOR", raising=False)
    stream = Stream("utf-8", terminal=True)
    assert [(97, 31, False)] == sketched(monkeypatch, stream)
    assert "\x1b[1;31m●⠒✗\x1b[0m\n\x1b[1m<U+001B>A\x1b[0m\n" == stream.text()


@pytest.mark.parametrize(
    "word", ["good", "unused", "frame", "linked", "conductor", "words", "label", "number"]
)
def test_what_is_right_in_a_sketch_is_quiet(monkeypatch: pytest.MonkeyPatch, word: str) -> None:
    monkeypatch.setenv("TERM", "xterm")
    stream = Stream("utf-8", terminal=True)
    monkeypatch.setattr(sys, "stdout", stream)
    show_sketch(lambda width, height, ascii: [[("text", word)]])
    assert not re.search(r"\x1b\[(\d;)*3\d", stream.text())


def test_the_console_of_linux_has_no_dots(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "linux")
    assert [True] == [ascii for _, _, ascii in sketched(monkeypatch, Stream("utf-8", terminal=True))]
    assert [False] == [ascii for _, _, ascii in sketched(monkeypatch, Stream("utf-8", terminal=False))]


def test_a_sketch_without_room_prints_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = Stream("utf-8", terminal=False)
    monkeypatch.setattr(sys, "stdout", stream)
    show_sketch(lambda width, height, ascii: ())
    assert "" == stream.text()


# Tables

ROWS = [
    ("HL40-0001", "1", "pass (simulated)", "2026-11-27 00:02", "lamp-changer-40", "Maria of the early shift"),
    ("HL40-0002", "12", "WITHDRAWN, was pass", "2026-11-27 10:02", "lamp-changer-40", ""),
]
HEADINGS = ("serial", "test", "result", "tested (UTC)", "profile", "operator")


def listed(monkeypatch: pytest.MonkeyPatch, columns: int, *rows: Sequence[str]) -> list[str]:
    """The lines of a list on a terminal so wide."""
    stream = Stream("utf-8", terminal=True)
    monkeypatch.setattr(sys, "stdout", stream)
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("TERM", "xterm")
    terminal.show_rows(HEADINGS, rows or ROWS)
    lines = re.sub(r"\x1b\[[0-9;]*m", "", stream.text()).splitlines()
    assert all(len(line) <= columns for line in lines)
    return lines


def test_a_list_in_a_pipe_has_one_line_a_row_as_wide_as_it_needs(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = Stream("utf-8", terminal=False)
    monkeypatch.setattr(sys, "stdout", stream)
    terminal.show_rows(("serial", "operator", "x"), [("S-1", "名" * 60, "1"), ("S-2", "a b\x1b", "2")])
    assert [
        "serial  operator" + " " * 112 + "  x",
        "S-1     " + "名" * 60 + "  1",
        "S-2     a b<U+001B>" + " " * 109 + "  2",
    ] == stream.text().splitlines()


def test_in_a_list_on_a_terminal_free_text_is_folded_first(monkeypatch: pytest.MonkeyPatch) -> None:
    assert [
        "serial     test  result        tested (UTC)      profile          operator",
        "HL40-0001  1     pass          2026-11-27 00:02  lamp-changer-40  Maria of the",
        "                 (simulated)                                      early shift",
        "HL40-0002  12    WITHDRAWN,    2026-11-27 10:02  lamp-changer-40",
        "                 was pass",
    ] == [line.rstrip() for line in listed(monkeypatch, 80)]


def test_in_a_long_list_a_long_serial_is_folded_before_a_date(monkeypatch: pytest.MonkeyPatch) -> None:
    row = ("idc26-to-db25-row-matched-0001", *ROWS[0][1:])
    lines = listed(monkeypatch, 80, row, ROWS[1])
    assert "2026-11-27 00:02" in lines[1]
    assert lines[1].startswith("idc26-to-db25-")


@pytest.mark.parametrize("columns", range(58, 90))
def test_no_column_vanishes_and_no_word_or_date_is_broken(
    columns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = " ".join(listed(monkeypatch, columns))
    for word in (
        "2026-11-27",
        "(simulated)",
        "WITHDRAWN,",
        "operator",
        "Maria",
        "shift",
        "00:02",
        "changer-",
    ):
        assert word in told


@pytest.mark.parametrize("columns", [1, 7, 20, 40])
def test_a_list_may_be_of_any_width(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    assert 3 <= len(listed(monkeypatch, columns))


# How far something has come

WIPED = "\r\x1b[K"


class Clock:
    """A clock that only the test moves on, what a timer would do when it is due, and two terminals. stdout,
    stderr: instead of these."""

    def __init__(
        self, monkeypatch: pytest.MonkeyPatch, stdout: Stream | None = None, stderr: Stream | None = None
    ) -> None:
        self.now = 0.0
        self.due: list[Callable[[], None]] = []
        self.stdout = stdout or Stream("utf-8", terminal=True)
        self.stderr = stderr or Stream("utf-8", terminal=True)
        timer = SimpleNamespace(start=lambda: None, cancel=lambda: None, daemon=True)

        def wait(after_s: float, what: Callable[[], None]) -> SimpleNamespace:
            assert terminal.PROGRESS_AFTER_S == after_s
            self.due.append(what)
            return timer

        monkeypatch.setattr(sys, "stdout", self.stdout)
        monkeypatch.setattr(sys, "stderr", self.stderr)
        monkeypatch.setattr(terminal.time, "monotonic", lambda: self.now)
        monkeypatch.setattr(terminal.threading, "Timer", wait)
        monkeypatch.setenv("TERM", "xterm")
        monkeypatch.setenv("COLUMNS", "80")


def drawn(shown: str) -> list[str]:
    """The bars in what a terminal got, the wiped ones as nothing."""
    return [part.split("\x1b[K")[0] for part in shown.split("\r")[1:]]


def test_a_bar_appears_after_a_second_only_and_is_gone_at_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock(monkeypatch)
    with terminal.progress("reading") as told:
        for done in range(100):
            clock.now = done / 100
            told(done, 400)
        assert "" == clock.stderr.text()
        clock.now = 1.0
        told(100, 400)
        bar = "━" * 10 + "╌" * 30
        assert [f"reading {bar} 100/400  0:03 left"] == drawn(clock.stderr.text())
        clock.now = 1.05
        told(105, 400)
        assert 1 == len(drawn(clock.stderr.text()))  # no more than ten times a second
        clock.now = 1.5
        told(150, 400)
        assert "reading " + "━" * 15 in drawn(clock.stderr.text())[-1]
    assert clock.stderr.text().endswith(WIPED)
    assert "" == clock.stdout.text()


def test_where_one_step_takes_longer_a_bar_appears_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock(monkeypatch)
    with terminal.progress("asking 2 ports"):
        clock.now = 1.0
        clock.due[0]()
        assert ["asking 2 ports …"] == drawn(clock.stderr.text())
    clock.due[0]()  # too late
    assert clock.stderr.text().endswith(WIPED)


def test_a_bar_without_a_total_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock(monkeypatch)
    clock.now = 5.0
    with terminal.progress("taking in") as told:
        clock.now = 6.5
        told(1200, 0)
    assert ["taking in 1200", ""] == drawn(clock.stderr.text())


@pytest.mark.parametrize("columns", [5, 20, 40, 79, 200])
def test_a_bar_never_takes_a_second_line(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock(monkeypatch)
    monkeypatch.setenv("COLUMNS", str(columns))
    with terminal.progress("名名名 reading a thing with a long name\nand a second line \x1b[31m") as told:
        clock.now = 2.0
        told(99_999, 100_000)
    shown = drawn(clock.stderr.text())[0]
    assert terminal.cell_len(shown) < columns
    assert not re.search(r"[\x00-\x1f]", shown)


def test_a_result_stands_whole_above_a_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock(monkeypatch)
    line = "x" * 300
    with terminal.progress("reading") as told:
        clock.now = 2.0
        told(1, 2)
        before = clock.stderr.text()
        terminal.show_text(line)
        assert before + WIPED == clock.stderr.text()  # nothing of the bar is left in its way
        clock.now = 2.01
        told(1, 2)
        assert 3 == len(drawn(clock.stderr.text()))  # at once again
    assert f"{line}\n" == clock.stdout.text()


def test_talk_stands_whole_above_a_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock(monkeypatch)
    with terminal.progress("reading") as told:
        clock.now = 2.0
        told(1, 2)
        terminal.say("the board says: x")
    assert f"{WIPED}the board says: x\n" in clock.stderr.text()


def test_one_inside_another_is_shown_in_its_place(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock(monkeypatch)
    with terminal.progress("outer") as outer:
        clock.now = 2.0
        outer(1, 2)
        with terminal.progress("inner") as inner:
            outer(1, 2)
            clock.now = 3.5
            inner(0, 9)
            assert ["outer", "", "inner"] == [one.split(" ")[0] for one in drawn(clock.stderr.text())]
        clock.now = 5.0
        outer(2, 2)
        assert "outer" == drawn(clock.stderr.text())[-1].split(" ")[0]
    assert clock.stderr.text().endswith(WIPED)


def test_a_bar_is_gone_when_something_is_raised(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock(monkeypatch)

    def interrupted() -> None:
        with terminal.progress("reading") as told:
            clock.now = 2.0
            told(1, 2)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert clock.stderr.text().endswith(WIPED)
    assert terminal._Bar.shown is None


@pytest.mark.parametrize("why", ["piped", "dumb"])
def test_where_nothing_can_be_wiped_there_is_no_bar(why: str, monkeypatch: pytest.MonkeyPatch) -> None:
    stderr = Stream("utf-8", terminal=why == "dumb")
    clock = Clock(monkeypatch, Stream("utf-8", terminal=False), stderr)
    monkeypatch.setenv("TERM", "dumb" if why == "dumb" else "xterm")
    with terminal.progress("reading") as told:
        clock.now = 9.0
        told(1, 2)
        terminal.show_text("result")
    assert ("", "result\n") == (stderr.text(), clock.stdout.text())
    assert [] == clock.due


def test_a_bar_on_a_terminal_in_ascii(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock(monkeypatch, Stream("ascii", terminal=True), Stream("ascii", terminal=True))
    with terminal.progress("reading") as told:
        clock.now = 2.0
        told(1, 2)
    assert f"reading {'#' * 20}{'-' * 20} 1/2  0:02 left" == drawn(clock.stderr.text())[0]


def test_the_line_may_be_told_of_from_several_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is torn: each bar is written as one piece."""
    clock = Clock(monkeypatch)
    with terminal.progress("reading") as told:
        clock.now = 2.0

        def tell() -> None:
            for done in range(200):
                clock.now += 0.2
                told(done, 200)

        threads = [threading.Thread(target=tell) for _ in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert all(re.fullmatch(r"reading( [━╌]{40})? (…|\d+/200.*)|", one) for one in drawn(clock.stderr.text()))


LINES = [f"{n}:" + "x" * (n * 7 % 200) for n in range(40)]
TELLING = """
import sys
from pinwright import terminal
terminal.PROGRESS_AFTER_S = terminal._DRAWN_EVERY_S = 0.0
with terminal.progress("reading") as told:
    for n in range(40):
        told(n, 40)
        terminal.show_text(f"{n}:" + "x" * (n * 7 % 200))
        told(n, 40)
"""


def on_screen(shown: str) -> list[str]:
    """The lines that stay on a terminal that is wide enough, of what it got."""
    lines, column = [""], 0
    for part in re.findall(r"\r|\n|\x1b\[K|[^\r\n\x1b]+", shown):
        if part == "\n":
            lines.append("")
        column = 0 if part in ("\r", "\n") else column
        if part == "\x1b[K":
            lines[-1] = lines[-1][:column]
        elif part not in ("\r", "\n"):
            lines[-1] = lines[-1][:column] + part + lines[-1][column + len(part) :]
            column += len(part)
    return lines


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are of POSIX")
@pytest.mark.parametrize("piped", [False, True])
def test_on_a_real_terminal_results_are_what_stays(piped: bool) -> None:
    """piped: standard output goes elsewhere, and standard error is the terminal."""
    ours, theirs = os.openpty()
    environment = {**os.environ, "PYTHONPATH": str(Path(terminal.__file__).parents[1]), "TERM": "xterm"}
    with subprocess.Popen(
        [sys.executable, "-c", TELLING],
        stdout=subprocess.PIPE if piped else theirs,
        stderr=theirs,
        env=environment | {"PYTHONUTF8": "1"},
    ) as running:
        os.close(theirs)
        shown = b""
        try:
            while part := os.read(ours, 4096):
                shown += part
        except OSError:
            pass  # EIO: the program has ended and closed its side
        finally:
            os.close(ours)
        out = running.stdout.read().decode() if running.stdout else ""
    told = shown.decode().replace("\r\n", "\n")
    assert "reading ━" in told
    assert ([""] if piped else [*LINES, ""]) == on_screen(told)
    assert ("\n".join([*LINES, ""]) if piped else "") == out
