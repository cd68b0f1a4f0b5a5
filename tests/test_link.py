"""The line to a board: deadlines, retries, chatter, ports. Time is played; pseudo-terminals are real."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Generator, Iterator
from contextlib import suppress
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import serial
from serial.tools import list_ports

from pinwright import link
from pinwright.errors import (
    LinkCorrupt,
    LinkLost,
    OwnBug,
    PinwrightError,
    PortClosed,
    ProtocolMismatch,
    UsageError,
)
from pinwright.link import TRIES, Line, SerialLink, Silence, drive, usb_ports
from pinwright.tester.asking import Reply, Request
from pinwright.tester.frames import crc16

HELLO = "ok protocol=3 firmware=0.3.0 id=E6614 name=-"


def framed(seq: int, words: str) -> bytes:
    body = f"<{seq:02X} {words}".encode()
    return body + b" %04X\r\n" % crc16(body)


class Clock:
    """Stands in for `time`: it passes only while somebody waits."""

    def __init__(self) -> None:
        self.now = 0.0

    def monotonic(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds


@pytest.fixture(autouse=True)
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr(link, "time", clock)
    return clock


GONE = "gone"
Part = bytes | Callable[[int], bytes] | str


class Played:
    """A link that answers one request after the other with the parts of a script.

    A part is bytes, or is called with the sequence number of the request, or says that the port vanishes;
    back: whether it comes back after that.
    """

    name = "port"

    def __init__(self, clock: Clock, *script: Part, back: bool = False) -> None:
        self.clock, self.script, self.back = clock, list(script), back
        self.gone = False
        self.raw: list[bytes] = []
        self.sent: list[bytes] = []
        self.waiting = b""
        self.interrupted = self.closed = 0

    def write(self, data: bytes) -> None:
        self.raw.append(data)
        if data == b"\n":
            return
        self.sent.append(data)
        part = self.script.pop(0) if self.script else b""
        if isinstance(part, str):
            self.gone = True
        else:
            self.waiting += part if isinstance(part, bytes) else part(int(data[1:3], 16))

    def read(self, timeout_s: float) -> bytes:
        data, self.waiting = self.waiting[:7], self.waiting[7:]
        if not data:
            if self.gone:
                raise LinkLost("`port` is gone: it was pulled")
            self.clock.now += timeout_s
        return data

    def interrupt(self) -> None:
        self.interrupted += 1

    def again(self, timeout_s: float) -> bool:
        self.gone = not self.back
        self.clock.now += 1.0 if self.back else timeout_s
        return self.back

    def close(self) -> None:
        self.closed += 1


TRACEBACK = (
    b'Traceback (most recent call last):\r\n  File "main.py", line 99, in <module>\r\n'
    b'  File "tester/commands.py", line 7, in _scan\r\nZeroDivisionError: divide by zero\r\n'
)


def ok(seq: int) -> bytes:
    return framed(seq, "ok")


def ask(played: Played, *, repeatable: bool = True, heard: list[str] | None = None) -> Reply:
    hear = heard.append if heard is not None else (lambda text: None)
    return Line(played, hear).ask(Request("check", 2.0, repeatable))


def trouble(played: Played, *, repeatable: bool = True) -> PinwrightError:
    with pytest.raises(PinwrightError) as error:
        ask(played, repeatable=repeatable)
    return error.value


def test_a_reply_comes_back_in_words(clock: Clock) -> None:
    played = Played(clock, framed(1, "ok a=1 b=2"))
    assert ("ok", "a=1", "b=2") == ask(played)
    assert 1 == len(played.sent)


def test_a_half_typed_line_on_the_board_is_ended_first(clock: Clock) -> None:
    played = Played(clock, ok)
    ask(played)
    assert b"\n" == played.raw[0]
    assert 2 == len(played.raw)


def test_a_complaint_about_that_half_typed_line_costs_one_more_try(clock: Clock) -> None:
    played = Played(clock, framed(0, "error frame why=shape"), ok)
    assert ("ok",) == ask(played)
    assert 2 == len(played.sent)


def test_silence_is_a_lost_link_after_three_tries_of_one_deadline_each(clock: Clock) -> None:
    played = Played(clock)
    error = trouble(played)
    assert Silence is type(error)
    assert "`port` does not answer `check` within 2 s" == error.message
    assert (TRIES, 6.0) == (len(played.sent), clock.now)
    assert 1 == len(set(played.sent))


def test_what_must_not_be_repeated_is_asked_once(clock: Clock) -> None:
    played = Played(clock)
    assert Silence is type(trouble(played, repeatable=False))
    assert (1, 2.0) == (len(played.sent), clock.now)


@pytest.mark.parametrize(
    ("said", "seen"),
    [
        (b"<01 ok 0000\n", "checksum of `<01 ok 0000`"),
        (b"<garbage\n", "shape of `<garbage`"),
        (b"<" + b"A" * 600 + b"\n", "length of `<" + "A" * 59 + "`"),
        (
            framed(0, "error frame why=checksum"),
            "the board could not read the request (error frame why=check",
        ),
        (b"<01 ok", "a line without an end, `<01 ok"),
    ],
)
@pytest.mark.parametrize("repeatable", [True, False])
def test_what_cannot_be_read_beyond_retry_is_shown(
    clock: Clock, said: bytes, seen: str, repeatable: bool
) -> None:
    played = Played(clock, said, said, said, said)
    error = trouble(played, repeatable=repeatable)
    assert LinkCorrupt is type(error)
    assert "what `port` answers to `check` cannot be read" in error.message
    assert seen in error.message
    assert (TRIES if repeatable else 1) == len(played.sent)


def test_bytes_that_are_no_text_do_not_upset_anything(clock: Clock) -> None:
    heard: list[str] = []
    assert ("ok",) == ask(Played(clock, b"\xff\x00\xfe\n\x00\n" + ok(1)), heard=heard)
    assert ["\\xff\x00\\xfe", "\x00"] == heard


def test_a_reply_to_another_askedis_not_taken_for_the_answer(clock: Clock) -> None:
    line = Line(Played(clock, ok, *[ok(9)] * TRIES), lambda text: None)
    line.ask(Request("hello", 2.0))
    with pytest.raises(LinkCorrupt) as error:
        line.ask(Request("check", 2.0))
    assert "it answers request 9, but 2 was asked" in error.value.message


def test_a_late_reply_to_a_program_before_this_one_is_passed_over(clock: Clock) -> None:
    assert ("ok", "a=1") == ask(Played(clock, ok(9) + framed(1, "ok a=1")))


def test_what_the_board_prints_right_after_a_reply_is_heard(clock: Clock) -> None:
    heard: list[str] = []
    assert ("ok",) == ask(Played(clock, ok(1)[:-2] + b"\n!\n"), heard=heard)  # one read brings both
    assert ["!"] == heard


def test_a_second_reply_to_a_repeated_askedis_passed_over(clock: Clock) -> None:
    played = Played(clock, b"", lambda seq: framed(seq, "ok a=1") * 2, lambda seq: framed(seq, "ok a=2"))
    line = Line(played, lambda text: None)
    assert ("ok", "a=1") == line.ask(Request("first", 1.0))
    assert ("ok", "a=2") == line.ask(Request("second", 1.0))


def test_a_late_reply_to_the_previous_askedis_passed_over(clock: Clock) -> None:
    played = Played(clock, framed(1, "ok a=1"), framed(1, "ok a=1") + framed(2, "ok a=2"))
    line = Line(played, lambda text: None)
    line.ask(Request("first", 1.0))
    assert ("ok", "a=2") == line.ask(Request("second", 1.0))


def test_numbers_run_from_1_to_255_and_round_again(clock: Clock) -> None:
    played = Played(clock, *[ok] * 600)
    line = Line(played, lambda text: None)
    for _ in range(600):
        line.ask(Request("check", 1.0))
    numbers = [int(sent[1:3], 16) for sent in played.sent]
    assert [n % 255 + 1 for n in range(600)] == numbers


def test_a_traceback_is_heard_line_by_line(clock: Clock) -> None:
    heard: list[str] = []
    assert ("ok",) == ask(Played(clock, TRACEBACK + ok(1)), heard=heard)
    assert TRACEBACK.decode().split("\r\n")[:-1] == heard


def test_chatter_without_end_is_shown_in_part(clock: Clock) -> None:
    heard: list[str] = []
    assert ("ok",) == ask(Played(clock, b"again\n" * 1000 + ok(1)), heard=heard)
    assert 200 == len(heard)


def test_a_deadline_holds_however_much_the_board_chatters(
    clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    played = Played(clock)

    def chatter(timeout_s: float) -> bytes:
        clock.now += 0.3
        return b"still here\n"

    monkeypatch.setattr(played, "read", chatter)
    assert Silence is type(trouble(played, repeatable=False))
    assert 2.0 <= clock.now <= 2.3


class Busy(Played):
    """A board that says `busy` every 2.5 s, so many times, and then nothing."""

    def __init__(self, clock: Clock, times: int, seq: int = 1) -> None:
        super().__init__(clock)
        self.times, self.seq = times, seq

    def read(self, timeout_s: float) -> bytes:
        self.clock.now += min(timeout_s, 2.5)
        self.times -= 1
        return framed(self.seq, "busy") if self.times >= 0 and timeout_s >= 2.5 else b""


@pytest.mark.parametrize(
    ("times", "seq", "asked", "silent_at", "message"),
    [
        (4, 1, Request("scan", 3.0, False, 30.0), 13.0, "`port` does not answer `scan` within 3 s"),
        (99, 1, Request("scan", 3.0, False, 30.0), 30.0, "`port` does not answer `scan` within 30 s"),
        (99, 9, Request("scan", 3.0, False, 30.0), 3.0, "cannot be read: it answers request 9, but 1 was"),
    ],
)
def test_a_board_at_work_gets_more_time_but_not_without_end(
    times: int, seq: int, asked: Request, silent_at: float, message: str, clock: Clock
) -> None:
    with pytest.raises((Silence, LinkCorrupt)) as error:
        Line(Busy(clock, times, seq), lambda text: None).ask(asked)
    assert message in error.value.message
    assert silent_at == clock.now


def test_only_a_board_that_may_be_at_work_says_busy(clock: Clock) -> None:
    assert ("busy",) == ask(
        Played(clock, framed(1, "busy"))
    )  # no reply that means anything: the session refuses it


def test_the_reply_of_a_board_that_was_busy_is_taken(clock: Clock) -> None:
    heard: list[str] = []
    played = Played(clock, framed(1, "busy") * 3 + framed(1, "ok a=1"))
    assert ("ok", "a=1") == Line(played, heard.append).ask(Request("scan", 3.0, False, 30.0))
    assert [] == heard


def steps(error: BaseException | None = None) -> Generator[Request, Reply, str]:
    yield Request("hello", 1.0)
    if error:
        raise error
    yield Request("release", 1.0)
    return "done"


def test_a_session_is_driven_to_its_result(clock: Clock) -> None:
    played = Played(clock, ok, ok)
    assert "done" == drive(steps(), Line(played, lambda text: None))
    assert 0 == played.interrupted


@pytest.mark.parametrize("error", [KeyboardInterrupt(), UsageError("x"), OwnBug("x"), ZeroDivisionError()])
def test_a_session_that_ends_for_a_reason_of_our_own_stops_the_board(
    clock: Clock, error: BaseException
) -> None:
    played = Played(clock, ok)
    with pytest.raises(type(error)):
        drive(steps(error), Line(played, lambda text: None))
    assert 1 == played.interrupted


def test_ctrl_c_while_waiting_stops_the_board(clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    played = Played(clock)

    def interrupted(timeout_s: float) -> bytes:
        raise KeyboardInterrupt

    monkeypatch.setattr(played, "read", interrupted)
    with pytest.raises(KeyboardInterrupt):
        drive(steps(), Line(played, lambda text: None))
    assert 1 == played.interrupted


def test_a_board_that_does_not_answer_is_not_interrupted(clock: Clock) -> None:
    played = Played(clock)
    with pytest.raises(LinkLost):
        drive(steps(), Line(played, lambda text: None))
    assert 0 == played.interrupted


# Losses, told by what is seen


def hello(seq: int) -> bytes:
    return framed(seq, HELLO)


def another_hello(seq: int) -> bytes:
    return framed(seq, HELLO.replace("E6614", "E6625"))


def request(seq: int, words: str = "hello") -> bytes:
    """A request, as a prompt says it back."""
    body = f">{seq:02X} {words}".encode()
    return body + b" %04X" % crc16(body)


def session() -> Generator[Request, Reply, None]:
    yield Request("hello", 1.0)
    yield Request("scan settle=20", 3.0, repeatable=False, most_s=30.0)


PROMPT = b"MicroPython v1.28.0 on 2026-01-01; Raspberry Pi Pico with RP2040\r\n>>> "
EXECUTED = (  # by a prompt that takes a newline for the end of a line
    b'\r\nTraceback (most recent call last):\r\n  File "<stdin>", line 1\r\nSyntaxError: invalid syntax\r\n'
    b">>> "
)
SAFE = b"pinwright: the installation of the firmware is not finished; `pinwright install` mends it\r\n"
VANISHED = "`port` vanished during `scan` and came back, "
FROM_A_PROMPT = (
    "if another program, such as mpremote, left it there, unplug it and plug it in; if it has no firmware "
    "yet, `pinwright install --port port`"
)
ENDED = (
    "; its firmware ended with `ZeroDivisionError: divide by zero` "
    '(File "tester/commands.py", line 7, in _scan)'
)


@pytest.mark.parametrize(
    ("script", "back", "message", "hint"),
    [
        pytest.param(
            (hello, GONE),
            False,
            "`port` vanished during `scan` and did not come back within 3 s: the board was unplugged, or "
            "lost its power",
            "plug it in and scan again",
            id="unplugged",
        ),
        pytest.param(
            (GONE,),
            False,
            "`port` vanished during `hello` and did not come back within 3 s: the board was unplugged, or "
            "lost its power",
            "plug it in and scan again",
            id="unplugged at once",
        ),
        pytest.param(
            (hello, GONE, hello),
            True,
            VANISHED + "so the board was reset, or plugged in again",
            "scan again",
            id="reset",
        ),
        pytest.param(
            (hello, GONE, another_hello),
            True,
            VANISHED + "but another board is there now (id=E6625)",
            "scan again",
            id="exchanged",
        ),
        pytest.param(
            (hello, GONE), True, VANISHED + "but nothing answers there", "scan again", id="back, but silent"
        ),
        pytest.param(
            (hello, GONE, lambda seq: PROMPT + request(seq)),
            True,
            VANISHED + "but stands at a Python prompt now",
            "scan again",
            id="back, but at a prompt",
        ),
        pytest.param(
            (hello, b"MemoryError\r\n", GONE, hello),
            True,
            VANISHED + "so the board was reset, or plugged in again; it said: MemoryError",
            "scan again",
            id="silent, then reset",
        ),
        pytest.param(
            (hello, GONE, GONE), True, VANISHED + "and vanished again", "scan again", id="keeps vanishing"
        ),
        pytest.param(
            (hello,),
            False,
            "`port` does not answer `scan` within 3 s, nor `hello` after that, though the port is there: it "
            "hangs",
            "unplug it, plug it in, and scan again",
            id="hangs",
        ),
        pytest.param(
            (hello, b"", hello),
            False,
            "`port` does not answer `scan` within 3 s, but then answers `hello`: it was reset, or held up",
            "scan again",
            id="answers again",
        ),
        pytest.param(
            (hello, b"MPY: soft reboot\r\n"),
            False,
            "`port` does not answer `scan` within 3 s (it was restarted meanwhile); it said: MPY: soft "
            "reboot",
            "is it a tester, and does its firmware run? Unplug it, plug it in, and try again",
            id="restarted",
        ),
        pytest.param(
            (hello, TRACEBACK + PROMPT, request),
            False,
            "`port` does not answer `scan` within 3 s, and stands at a Python prompt now" + ENDED,
            "unplug it, plug it in, and scan again",
            id="ended with a traceback",
        ),
        pytest.param(
            (hello, TRACEBACK),
            False,
            "`port` does not answer `scan` within 3 s, nor `hello` after that, though the port is there: it "
            "hangs" + ENDED,
            "unplug it, plug it in, and scan again",
            id="hangs after a traceback",
        ),
        pytest.param(
            (),
            False,
            "`port` does not answer `hello` within 1 s",
            "is it a tester, and does its firmware run? Unplug it, plug it in, and try again",
            id="silent",
        ),
        pytest.param(
            (request,),
            False,
            "`port` stands at a Python prompt: the firmware does not run there",
            FROM_A_PROMPT,
            id="at a prompt",
        ),
        pytest.param(
            (lambda seq: PROMPT + request(seq) + EXECUTED,),
            False,
            "`port` stands at a Python prompt: the firmware does not run there",
            FROM_A_PROMPT,
            id="at a prompt that executes",
        ),
        pytest.param(
            (lambda seq: TRACEBACK + PROMPT + request(seq),),
            False,
            "`port` stands at a Python prompt: the firmware does not run there" + ENDED,
            FROM_A_PROMPT,
            id="at a prompt after a traceback",
        ),
        pytest.param(
            (lambda seq: request(seq) + b"\n",),
            False,
            "`port` says back what it is told, and nothing else: no tester is there",
            "choose another `--port`",
            id="an echo",
        ),
        pytest.param(
            (SAFE,),
            False,
            f"`port` holds a tester whose firmware does not serve; it said: {SAFE.decode().strip()}",
            "",
            id="an unfinished installation",
        ),
    ],
)
def test_a_loss_is_told_as_it_is_seen(
    script: tuple[Part, ...], back: bool, message: str, hint: str, clock: Clock
) -> None:
    played = Played(clock, *script, back=back)
    with pytest.raises(LinkLost) as error:
        drive(session(), Line(played, lambda text: None))
    assert (message, hint) == (error.value.message, error.value.hint)
    assert 0 == played.interrupted
    assert clock.now <= 10


@pytest.mark.parametrize(("said", "seconds"), [(request, 1.0), (SAFE, 0.0)])
def test_who_cannot_answer_is_asked_once(said: Part, seconds: float, clock: Clock) -> None:
    played = Played(clock, said)
    with pytest.raises(LinkLost):
        drive(session(), Line(played, lambda text: None))
    assert (1, seconds) == (len(played.sent), clock.now)


def test_the_traceback_of_a_bug_of_the_board_is_told_as_its_reason(clock: Clock) -> None:
    def bug() -> Generator[Request, Reply, None]:
        yield Request("check", 2.0)
        raise ProtocolMismatch("the board failed at `check`", hint="please report it")

    with pytest.raises(ProtocolMismatch) as error:
        drive(bug(), Line(Played(clock, TRACEBACK + framed(1, "error bug")), lambda text: None))
    assert ("the board failed at `check`" + ENDED, "please report it") == (
        error.value.message,
        error.value.hint,
    )


# Ports


posix = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals of POSIX")


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """The board's end of a pseudo-terminal, and the name of the host's end."""
    import tty

    board, host = os.openpty()
    tty.setraw(host)
    name = os.ttyname(host)
    try:
        yield board, name
    finally:
        os.close(host)
        with suppress(OSError):  # a test has closed it
            os.close(board)


def heard_by(board: int, count: int) -> bytes:
    data = b""
    while len(data) < count:
        data += os.read(board, count - len(data))
    return data


@posix
def test_bytes_go_both_ways_through_a_real_port(terminal: tuple[int, str]) -> None:
    board, name = terminal
    port = SerialLink(name)
    port.write(b">01 hello 1234\n")
    assert b">01 hello 1234\n" == heard_by(board, 15)
    assert b"" == port.read(0)
    os.write(board, bytes(range(256)))
    seen = b""
    while len(seen) < 256:
        seen += port.read(1)
    assert bytes(range(256)) == seen
    assert name == port.name
    port.close()
    port.close()


@posix
def test_a_dialogue_goes_through_a_real_port(terminal: tuple[int, str]) -> None:
    board, name = terminal

    def answer() -> None:
        heard = b""
        while heard.count(b"\n") < 2:  # the empty line and the request
            heard += os.read(board, 100)
        os.write(board, b"boot\r\n" + framed(1, HELLO))

    thread = threading.Thread(target=answer)
    thread.start()
    port = SerialLink(name)
    heard: list[str] = []
    assert tuple(HELLO.split(" ")) == Line(port, heard.append).ask(Request("hello", 5.0))
    assert ["boot"] == heard
    thread.join(5)
    port.close()


@posix
def test_a_port_is_opened_for_us_alone(terminal: tuple[int, str]) -> None:
    _, name = terminal
    first = SerialLink(name)
    with pytest.raises(PortClosed) as error:
        SerialLink(name)
    assert error.value.message.startswith(f"`{name}` does not open: ")
    assert "busy" == error.value.why
    assert "close the other program" == error.value.hint
    first.close()
    SerialLink(name).close()


@posix
def test_a_board_that_is_pulled_out_is_a_lost_link(terminal: tuple[int, str]) -> None:
    board, name = terminal
    port = SerialLink(name)
    os.close(board)
    with pytest.raises(LinkLost, match=f"`{name}` is gone"):
        port.read(1)
    with pytest.raises(LinkLost, match=f"`{name}` stopped taking data"):
        port.write(b"hello\n")
    port.interrupt()
    port.close()


@posix
def test_a_link_that_we_have_closed_is_a_lost_link(terminal: tuple[int, str]) -> None:
    port = SerialLink(terminal[1])
    port.close()
    with pytest.raises(LinkLost):
        port.read(0)
    with pytest.raises(LinkLost):
        port.write(b"x")
    port.interrupt()


@posix
def test_interrupting_a_board_sends_ctrl_c_then_starts_it_again(terminal: tuple[int, str]) -> None:
    board, name = terminal
    port = SerialLink(name)
    port.interrupt()
    assert b"\x03\x03\x04" == heard_by(board, 3)
    port.close()


@posix
def test_a_port_that_comes_back_is_opened_again(terminal: tuple[int, str], tmp_path: Path) -> None:
    """As udev has it: the same name, another device."""
    name = tmp_path / "board"
    name.symlink_to(terminal[1])
    port = SerialLink(str(name), "the board")
    name.unlink()
    assert not port.again(1.0)
    name.symlink_to(terminal[1])
    assert port.again(1.0)
    port.write(b"hello")
    assert b"hello" == heard_by(terminal[0], 5)
    assert "the board" == port.name
    port.close()


@posix
def test_a_board_that_takes_nothing_does_not_hold_us_up(terminal: tuple[int, str]) -> None:
    port = SerialLink(terminal[1])
    port.write(b"x" * 100_000)  # more than the system keeps
    port.close()


class Failing:
    """A port that fails whatever is done with it."""

    def __init__(self, error: Exception) -> None:
        self.__dict__["error"] = error

    def __getattr__(self, name: str) -> Any:
        raise self.error

    def __setattr__(self, name: str, value: object) -> None:
        raise self.error


def foreign() -> list[Exception]:
    """What pyserial and the system raise: pyserial 3.5's source, its `serialposix` and `serialwin32`."""
    errors = [
        serial.SerialException("device reports readiness to read but returned no data"),
        serial.SerialException("ClearCommError failed (OSError(22, 'The device is gone.', None, 22))"),
        serial.PortNotOpenError(),
        OSError(5, "Input/output error"),
        BrokenPipeError(32, "Broken pipe"),
        ValueError("file descriptor cannot be a negative integer (-1)"),
    ]
    with suppress(ImportError):
        import termios

        errors.append(termios.error(5, "Input/output error"))
    return errors


@pytest.mark.parametrize("error", foreign(), ids=lambda error: f"{type(error).__name__} {error}")
def test_every_failure_of_an_open_port_is_a_lost_link(
    error: Exception, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serial, "serial_for_url", lambda *_, **__: SimpleNamespace(open=lambda: None))
    port = SerialLink("COM5")
    port._port = Failing(error)
    seen = str(error).splitlines()[0]
    with pytest.raises(LinkLost) as lost:
        port.read(0.1)
    assert f"`COM5` is gone: {seen}" == lost.value.message
    with pytest.raises(LinkLost) as lost:
        port.write(b"x")
    assert f"`COM5` stopped taking data: {seen}" == lost.value.message
    port.interrupt()
    port.close()
    monkeypatch.setattr(serial, "serial_for_url", lambda *_, **__: Failing(error))
    assert not port.again(0.2)


def test_a_write_that_takes_too_long_is_left_to_the_silence_that_follows(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    full = SimpleNamespace(open=lambda: None)
    full.write = Failing(serial.SerialTimeoutException("Write timeout")).__getattr__
    monkeypatch.setattr(serial, "serial_for_url", lambda *_, **__: full)
    SerialLink("COM5").write(b"x")


@pytest.mark.parametrize("name", ["/dev/there-is-no-such-port", "nowhere://x", "", "socket://", "\0"])
def test_a_port_that_does_not_exist_is_named(name: str) -> None:
    with pytest.raises(PortClosed) as error:
        SerialLink(name)
    assert error.value.message.startswith(f"`{name}` does not open: ")
    assert "\n" not in error.value.message
    assert error.value.hint


def test_a_folder_is_no_port(tmp_path: Path) -> None:
    with pytest.raises(PortClosed, match="does not open"):
        SerialLink(str(tmp_path))


PLUGGED_IN = "is the board plugged in? `pinwright testers` lists the ports there are"
IS_IT_A_PORT = "is it a serial port? " + PLUGGED_IN
IN_USE = "close the other program"


@pytest.mark.parametrize(
    ("error", "why", "hint"),
    [
        (FileNotFoundError(2, "No such file or directory"), "missing", PLUGGED_IN),
        (
            serial.SerialException(2, "could not open port /dev/busy: [Errno 2] No such"),
            "missing",
            PLUGGED_IN,
        ),
        (
            serial.SerialException(
                "could not open port 'COM5': FileNotFoundError(2, 'The system cannot find the file "
                "specified.', None, 2)"
            ),
            "missing",
            PLUGGED_IN,
        ),
        (serial.SerialException(6, "could not open port: [Errno 6] No such device"), "missing", PLUGGED_IN),
        (PermissionError(13, "Permission denied"), "denied", None),
        (
            serial.SerialException(13, "could not open port /dev/x: [Errno 13] Permission denied: '/dev/x'"),
            "denied",
            None,
        ),
        (OSError(1, "Operation not permitted"), "denied", None),
        (OSError(16, "Device or resource busy"), "busy", IN_USE),
        (serial.SerialException(16, "could not open port: [Errno 16] Device or resource"), "busy", IN_USE),
        (
            serial.SerialException(
                11, "Could not exclusively lock port x: [Errno 11] Resource temporarily unavailable"
            ),
            "busy",
            IN_USE,
        ),
        (
            serial.SerialException(
                "could not open port 'COM5': PermissionError(13, 'Access is denied.', None, 5)"
            ),
            "busy",
            IN_USE,
        ),
        (ValueError("invalid URL, protocol 'nowhere' not known"), "other", IS_IT_A_PORT),
        (OSError(5, "Input/output error"), "other", IS_IT_A_PORT),
        (serial.SerialException("Could not configure port: (5, 'I/O error')"), "other", IS_IT_A_PORT),
        *((error, "other", IS_IT_A_PORT) for error in foreign()),
    ],
)
def test_why_a_port_does_not_open_decides_the_hint(
    monkeypatch: pytest.MonkeyPatch, error: Exception, why: str, hint: str | None
) -> None:
    def refuse(*args: object, **more: object) -> None:
        raise error

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with pytest.raises(PortClosed) as raised:
        SerialLink("COM5")
    told = link._CLOSED.get(why, str(error))
    assert f"`COM5` does not open: {told}" == raised.value.message
    assert why == raised.value.why
    assert hint in (None, raised.value.hint)


@pytest.mark.parametrize(
    ("platform", "group", "hint"),
    [
        (
            "linux",
            "uucp",
            "`sudo usermod -aG uucp $USER`, then log out and in again",
        ),
        (
            "linux",
            None,
            "`sudo usermod -aG dialout $USER`, then log out and in again",
        ),
        ("darwin", None, "ask whoever looks after this machine for the right to use serial ports"),
    ],
)
@posix
def test_who_may_not_use_a_port_is_told_the_remedy_of_the_platform(
    platform: str, group: str | None, hint: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The group is the one that the device belongs to; where that has no name, Debian's."""
    import grp

    def named(number: int) -> SimpleNamespace:
        assert tmp_path.stat().st_gid == number
        if group is None:
            raise KeyError(number)
        return SimpleNamespace(gr_name=group)

    def refuse(*args: object, **more: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(link.sys, "platform", platform)
    monkeypatch.setattr(grp, "getgrgid", named)
    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with pytest.raises(PortClosed) as raised:
        SerialLink(str(tmp_path))
    assert hint == raised.value.hint


def test_ports_that_no_usb_device_has_are_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    found = [("/dev/ttyACM1", 0x2E8A), ("/dev/ttyS0", None), ("/dev/ttyACM0", 0x0403)]
    listed = [SimpleNamespace(device=device, vid=vid) for device, vid in found]
    monkeypatch.setattr(list_ports, "comports", lambda: listed)
    assert [("/dev/ttyACM0", 0x0403), ("/dev/ttyACM1", 0x2E8A)] == usb_ports()
