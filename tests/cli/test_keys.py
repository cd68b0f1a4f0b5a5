"""Single keys on a terminal, and lines elsewhere."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from io import StringIO
from typing import Any

import pytest

from pinwright.cli.keys import ENTER, Keys

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pipes and pseudo-terminals of POSIX")


def all_pressed(keys: Keys) -> list[str]:
    return list(iter(keys.pressed, ""))


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """Standard input as a pipe; what writes to it."""
    ours, theirs = os.pipe()
    with os.fdopen(ours) as stdin, os.fdopen(theirs, "w", buffering=1) as out:
        monkeypatch.setattr("sys.stdin", stdin)
        yield out


def test_a_line_is_one_key(typed: Any) -> None:
    with Keys("qn" + ENTER) as keys:
        assert "" == keys.pressed()
        typed.write("n\n\nN\r\nq\n")
        typed.flush()
        assert ["n", ENTER, "n", "q"] == all_pressed(keys)
        typed.write("x\nxn\n")
        typed.flush()
        assert [ENTER, "n"] == all_pressed(keys)


def test_a_key_counts_before_its_line_has_ended_and_its_end_is_no_other(typed: Any) -> None:
    with Keys("q" + ENTER) as keys:
        typed.write("q")
        typed.flush()
        assert "q" == keys.pressed()
        typed.write("\n\n")
        typed.flush()
        assert [ENTER] == all_pressed(keys)


def test_keys_that_do_not_count_are_none(typed: Any) -> None:
    with Keys("q") as keys:
        typed.write("n\n\nx\n")
        typed.flush()
        assert [] == all_pressed(keys)


def test_what_was_pressed_too_early_can_be_forgotten(typed: Any) -> None:
    with Keys("qn" + ENTER) as keys:
        typed.write("n\n\nq\n\n")
        typed.flush()
        assert "n" == keys.pressed()
        keys.forget(but="q")
        assert ["q"] == all_pressed(keys)


def test_the_end_of_input_is_no_key_and_is_waited_at(typed: Any) -> None:
    import time

    with Keys("q" + ENTER) as keys:
        typed.close()
        assert "" == keys.pressed()
        began = time.monotonic()
        assert "" == keys.pressed(0.05)
        assert time.monotonic() - began >= 0.05


@pytest.mark.parametrize("stdin", [None, StringIO("q\n")])
def test_where_nothing_can_be_read_nobody_presses_a_key(stdin: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", stdin)
    with Keys("q" + ENTER) as keys:
        assert "" == keys.pressed()


def test_on_a_terminal_every_key_counts_and_it_is_left_as_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    import termios

    ours, theirs = os.openpty()
    before = termios.tcgetattr(theirs)
    with os.fdopen(theirs) as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        with Keys("qn" + ENTER) as keys:
            os.write(ours, b"nxQ\r")
            assert ["n", "q", ENTER] == all_pressed(keys)
        assert before == termios.tcgetattr(theirs)
    os.close(ours)


def test_to_be_told_to_end_is_as_ctrl_c_once_and_handlers_are_put_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import termios

    told: list[int] = []
    ours, theirs = os.openpty()
    before = termios.tcgetattr(theirs)
    former = {one: signal.getsignal(one) for one in (signal.SIGTERM, signal.SIGHUP)}
    signal.signal(signal.SIGTERM, lambda number, _: told.append(number))
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with os.fdopen(theirs) as stdin:
            monkeypatch.setattr("sys.stdin", stdin)
            with Keys("q"):
                signal.raise_signal(signal.SIGHUP)  # ignored, as `nohup` has it
                with pytest.raises(KeyboardInterrupt):
                    signal.raise_signal(signal.SIGTERM)
                signal.raise_signal(signal.SIGTERM)  # while the first is being followed
            assert before == termios.tcgetattr(theirs)
            assert [] == told
            signal.raise_signal(signal.SIGTERM)
            assert [signal.SIGTERM] == told
            assert signal.SIG_IGN == signal.getsignal(signal.SIGHUP)
    finally:
        for one, handler in former.items():
            signal.signal(one, handler)
        os.close(ours)


def test_a_terminal_is_left_as_it_was_also_where_it_was_just_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Interrupted just when its mode has changed."""
    import termios
    import tty

    ours, theirs = os.openpty()
    before, handler = termios.tcgetattr(theirs), signal.getsignal(signal.SIGTERM)
    really = tty.setcbreak

    def interrupted(stdin: int) -> None:
        really(stdin)
        signal.raise_signal(signal.SIGTERM)

    monkeypatch.setattr(tty, "setcbreak", interrupted)
    with os.fdopen(theirs) as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        with pytest.raises(KeyboardInterrupt):
            Keys("q").__enter__()
        assert before == termios.tcgetattr(theirs)
        assert handler == signal.getsignal(signal.SIGTERM)
    os.close(ours)
