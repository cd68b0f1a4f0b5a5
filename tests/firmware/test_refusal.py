"""Firmware that is not whole does not serve: it holds every point safe and says what to do."""

from __future__ import annotations

import pytest

CHIP_SELECT, EXPANDER_RESET = 17, 20
IODIR, IOCON, HAEN = 0x00, 0x0A, 0x08
MENDS = "; `pinwright install` mends it"
UNFINISHED = "pinwright: the installation of the firmware is not finished"
INCOMPLETE = "pinwright: the firmware is not complete"


def _installing(folder):
    (folder / "boot.py").write_text("open('installing', 'w').close()\n")


def _without(name):
    return lambda folder: (folder / "tester" / name).unlink()


def _spoilt(name, text):
    return lambda folder: (folder / "tester" / name).write_text(text)


WAYS = {
    "an installation that was interrupted": (_installing, UNFINISHED, ""),
    "a module that is missing": (_without("judge.py"), INCOMPLETE, "ImportError: "),
    "the board's own module missing": (_without("board.py"), INCOMPLETE, "ImportError: "),
    "a module that was cut off": (_spoilt("frames.py", "def crc16(data:\n"), INCOMPLETE, "SyntaxError: "),
    "a module of another version": (_spoilt("bank.py", "RECOVER_US = 4\n"), INCOMPLETE, "ImportError: "),
    "a module that fails": (_spoilt("panel.py", "Panel = undefined\n"), INCOMPLETE, "NameError: "),
}  # fmt: skip
# CPython calls one of them by the name of its kind.
CPYTHON = {"ImportError: ": ("ImportError: ", "ModuleNotFoundError: ")}


def _refused(board):
    """What the board says until it refuses."""
    lines = [board.line()]
    while not lines[-1].startswith("pinwright: "):
        lines.append(board.line())
    return lines


@pytest.mark.parametrize("name", WAYS)
@pytest.mark.parametrize("kind", ["tester", "pocket"])
def test_it_says_why_to_every_line_and_ctrl_c_ends_it(name, kind, engine, start):
    change, begins, error = WAYS[name]
    board = start({"tester": {"kind": kind, "stuck_low": [3]}}, change=change)
    (told,) = _refused(board)
    wanted = [f"{begins} ({one}" for one in CPYTHON.get(error, (error,))] if error else [begins + MENDS]
    assert told.startswith(tuple(wanted))
    assert told.endswith(MENDS)
    for request in (b">01 hello 6E6C\n", b"\n", b"\xff\xfe\n", b"anything\r\n", b"x" * 150 + b"\n"):
        board.send(request)
        assert told == board.line()
    board.tester.interrupt()
    board.wait_for_the_prompt()
    assert b"Traceback" not in board._seen
    held = {EXPANDER_RESET} if kind == "tester" else set()
    assert held == board.board.touched
    assert kind == "pocket" or 0 == board.board.pin(EXPANDER_RESET)
    assert [] == board.unsafe()


def test_points_that_an_interrupted_scan_left_driven_are_let_go(engine, start):
    """The reset line of the expanders does what the firmware that is not there cannot."""
    board = start({}, change=_without("expander.py"))
    _refused(board)
    model, chip = board.board, board.board.chips[5]
    model.set_pin(EXPANDER_RESET, 1)
    for sent in ((0x40, IOCON, HAEN), (0x48, IOCON, HAEN), (0x4A, IODIR, 0, 0)):
        model.set_pin(CHIP_SELECT, 0)
        model.exchange(bytes(sent))
        model.set_pin(CHIP_SELECT, 1)
    assert 0xFFFF == chip.outputs
    board.tester.reset()
    assert _refused(board)[-1].startswith(INCOMPLETE)
    assert [] == board.unsafe()
