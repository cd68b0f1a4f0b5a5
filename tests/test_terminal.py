"""What a person reads of a plug in the wrong socket, and how a sketch of a cable comes out."""

from __future__ import annotations

import re
import sys
from io import BytesIO, TextIOWrapper

import pytest

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
        super().__init__(BytesIO(), encoding=encoding)
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
