"""A board that hangs is reset by its watchdog and starts safe; a board at its prompt is left alone."""

from __future__ import annotations

import ast
import time

import pytest

from pinwright.tester.frames import encode

from .conftest import FIRMWARE

MOST_MS = 8388  # what the RP2040's counter holds: datasheet, section 4.7, from memory
HANGS = """
    def scan(self, in_large, settle_us):
        for chip in range(self.bank.fitted):
            self.bank.chips.write(chip, 0x00, 0)  # IODIR: every point low
        while True:
            self._busy()

    def not_scan(self, in_large, settle_us):"""


def _timeout(folder, milliseconds):
    main = folder / "main.py"
    text = main.read_text()
    assert "const(8000)" in text
    main.write_text(text.replace("const(8000)", f"const({milliseconds})"))


def _hang(folder):
    _timeout(folder, 2500)  # it is fed once a second when nothing is asked
    scanner = folder / "tester" / "scanner.py"
    text, line = scanner.read_text(), "\n    def scan(self, in_large, settle_us):"
    assert line in text
    scanner.write_text(text.replace(line, HANGS))


def _watchdog(board):
    return board.tester._server.watchdog


def test_a_scan_that_hangs_is_ended_and_every_point_let_go(engine, start):
    board = start({}, change=_hang)
    assert "ok" == board.say("check")
    board.load(bytes(128))
    board.send(encode(9, "scan settle=20"))
    end = time.monotonic() + 20
    while not board.board.unsafe_now():
        assert time.monotonic() < end, "it did not begin to hang"
    while board.board.unsafe_now():
        assert time.monotonic() < end, "nobody ended it"
    board._seen = b""
    while b"\n" in board.tester.read(0.2):  # `busy`, as often as it said so
        pass
    assert board.say("hello").startswith("ok ")
    assert "error state" == board.say("scan settle=20")
    assert [] == board.unsafe()
    board.board.broken.clear()  # a point was driven for so long that it had to be noted


def test_requests_one_after_another_feed_it(engine, start):
    """For longer than it waits, in which time it is fed often, and asked nothing for a moment."""
    board = start({}, change=lambda folder: _timeout(folder, 2500))
    end = time.monotonic() + 3.5
    while time.monotonic() < end:
        assert board.say("echo x") == "ok x"
        assert b"" == board.tester.read(0.4)
    assert "ok" == board.say("check")
    assert _watchdog(board).on


def test_no_request_takes_as_long_as_it_waits_and_it_waits_as_long_as_it_can(firmware):
    values = {
        node.targets[0].id: node.value
        for node in ast.parse((FIRMWARE / "main.py").read_text()).body
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)
    }
    milliseconds = ast.literal_eval(values["_WATCHDOG_MS"].args[0])
    assert firmware.scanner._MOST_US // 1000 + 2000 < milliseconds <= MOST_MS


@pytest.mark.parametrize("kind", ["tester", "pocket"])
def test_it_is_stopped_before_the_prompt_is_there(kind, engine, start):
    board = start({"tester": {"kind": kind}})
    assert "ok" == board.say("check")  # what was sent before its answers has arrived
    assert _watchdog(board).on
    board.tester.strike()
    board.wait_for_the_prompt()
    assert not _watchdog(board).on


# Ctrl-C strikes so many times, each time before the points are known to be held.
PRESSED = """
from tester.bank import ExpanderBank
from tester.pocket import PocketBank
left = [TIMES]
def struck(hold):
    def strike(self):
        hold(self)
        left[0] -= 1
        if left[0] >= 0:
            raise KeyboardInterrupt
    return strike
for bank in (ExpanderBank, PocketBank):
    bank.hold = struck(bank.hold)
"""


@pytest.mark.parametrize("kind", ["tester", "pocket"])
@pytest.mark.parametrize(("times", "still_on"), [(3, False), (99, True)])
def test_it_is_stopped_only_once_every_point_is_held(times, still_on, kind, engine, start):
    pressed = PRESSED.replace("TIMES", str(times))
    board = start({"tester": {"kind": kind}}, change=lambda folder: (folder / "boot.py").write_text(pressed))
    assert "ok" == board.say("check")
    board.tester.strike()
    board.wait_for_the_prompt()
    assert still_on == _watchdog(board).on
    assert [] == board.unsafe()
    assert b"Traceback" not in board._seen


def test_a_board_that_refuses_to_serve_has_none(engine, start):
    board = start({}, change=lambda folder: (folder / "tester" / "judge.py").unlink())
    while not board.line().startswith("pinwright: "):
        pass
    assert not _watchdog(board).on


def test_a_processor_without_one_does_without(engine, start):
    lost = "import machine\ndel machine.WDT\ndel machine.mem32\n"
    board = start({}, change=lambda folder: (folder / "boot.py").write_text(lost))
    assert "ok" == board.say("check")
    assert not _watchdog(board).on
    board.tester.strike()
    board.wait_for_the_prompt()
    assert b"Traceback" not in board._seen


def test_a_scan_that_finds_no_end_of_doubts_gives_up_in_time(firmware, monkeypatch):
    """By its own clock, not by the number of doubts alone."""
    now = [0]

    class Bank:
        points, ports, stride = 16, 2, 16

        def transfers(self):
            return 0

        def rest(self):
            pass

        def walk(self, first, rows, base, settle_us):
            for point in range(16):
                self.look(point, rows, base + 2 * point, settle_us, False)
            return 0

        def look(self, point, row, base, settle_us, stay):
            now[0] += 300_000
            row[base] = row[base + 1] = 0
            for seen in (point, point + 1) if point < 15 else (point,):  # each pair from one side only
                row[base + (seen >> 3)] |= 1 << (seen & 7)

        def ports_against_rest(self, row, settle_us):
            row[0] = row[1] = 0

    monkeypatch.setattr(firmware.scanner, "ticks_us", lambda: now[0])
    scanner = firmware.scanner.Scanner(Bank(), lambda: None)
    with pytest.raises(firmware.scanner.PointFault) as raised:
        scanner.scan(bytes(16), 0)
    assert "unsteady" == raised.value.args[0]
    assert now[0] < 5_000_000 + 8 * 2 * 300_000
