"""The line to a board: deadlines, retries, chatter, ports. Time is played; pseudo-terminals are real."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Generator, Iterator
from contextlib import suppress
from types import SimpleNamespace
from typing import Any

import pytest
import serial
from serial.tools import list_ports

from pinwright import link
from pinwright.errors import LinkCorrupt, LinkLost, NoTester, OwnBug, PinwrightError, UsageError
from pinwright.link import TRIES, Line, SerialLink, drive, find_board
from pinwright.tester.frames import crc16
from pinwright.tester.session import Reply, Request

HELLO = "ok protocol=1 firmware=0.1.0 id=E6614 points=128 fitted=8 lane=none name=-"


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


class Played:
    """A link that answers one request after the other with the parts of a script.

    A part is bytes, or is called with the sequence number of the request.
    """

    name = "port"

    def __init__(self, clock: Clock, *script: bytes | Callable[[int], bytes], lost_after: int = 0) -> None:
        self.clock, self.script, self.lost_after = clock, list(script), lost_after
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
        self.waiting += part if isinstance(part, bytes) else part(int(data[1:3], 16))

    def read(self, timeout_s: float) -> bytes:
        data, self.waiting = self.waiting[:7], self.waiting[7:]
        if not data:
            if self.lost_after and len(self.sent) >= self.lost_after:
                raise LinkLost("`port` is gone: it was pulled")
            self.clock.now += timeout_s
        return data

    def interrupt(self) -> None:
        self.interrupted += 1

    def close(self) -> None:
        self.closed += 1


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
    assert LinkLost is type(error)
    assert "`port` does not answer `check` within 2 s" == error.message
    assert (TRIES, 6.0) == (len(played.sent), clock.now)
    assert 1 == len(set(played.sent))


def test_what_must_not_be_repeated_is_asked_once(clock: Clock) -> None:
    played = Played(clock)
    assert LinkLost is type(trouble(played, repeatable=False))
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


def test_a_reply_to_another_request_is_not_taken_for_the_answer(clock: Clock) -> None:
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


def test_a_second_reply_to_a_repeated_request_is_passed_over(clock: Clock) -> None:
    played = Played(clock, b"", lambda seq: framed(seq, "ok a=1") * 2, lambda seq: framed(seq, "ok a=2"))
    line = Line(played, lambda text: None)
    assert ("ok", "a=1") == line.ask(Request("first", 1.0))
    assert ("ok", "a=2") == line.ask(Request("second", 1.0))


def test_a_late_reply_to_the_previous_request_is_passed_over(clock: Clock) -> None:
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


def test_a_traceback_is_shown_and_its_last_line_is_quoted(clock: Clock) -> None:
    traceback = b'Traceback (most recent call last):\r\n  File "main.py", line 3\r\nOSError: 5\r\n'
    heard: list[str] = []
    with pytest.raises(LinkLost) as error:
        ask(Played(clock, traceback), heard=heard)
    assert ["Traceback (most recent call last):", '  File "main.py", line 3', "OSError: 5"] == heard
    assert error.value.message.endswith("; it said: OSError: 5")


def test_chatter_without_end_is_shown_in_part(clock: Clock) -> None:
    heard: list[str] = []
    assert ("ok",) == ask(Played(clock, b"again\n" * 1000 + ok(1)), heard=heard)
    assert 200 == len(heard)


def test_the_last_words_of_a_board_that_is_pulled_are_quoted(clock: Clock) -> None:
    error = trouble(Played(clock, b"MemoryError\n", lost_after=1))
    assert LinkLost is type(error)
    assert "`port` is gone: it was pulled; it said: MemoryError" == error.message


def test_a_deadline_holds_however_much_the_board_chatters(
    clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    played = Played(clock)

    def chatter(timeout_s: float) -> bytes:
        clock.now += 0.3
        return b"still here\n"

    monkeypatch.setattr(played, "read", chatter)
    assert LinkLost is type(trouble(played, repeatable=False))
    assert 2.0 <= clock.now <= 2.3


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
    with pytest.raises(NoTester) as error:
        SerialLink(name)
    assert error.value.message.startswith(f"`{name}` does not open: ")
    assert "another program has it open: close it" == error.value.hint
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
    assert b"\x03\x04" == heard_by(board, 2)
    port.close()


@pytest.mark.parametrize("name", ["/dev/there-is-no-such-port", "nowhere://x", "", "socket://", "\0"])
def test_a_port_that_does_not_exist_is_named(name: str) -> None:
    with pytest.raises(NoTester) as error:
        SerialLink(name)
    assert error.value.message.startswith(f"`{name}` does not open: ")
    assert "\n" not in error.value.message
    assert error.value.hint


def test_a_folder_is_no_port(tmp_path: Any) -> None:
    with pytest.raises(NoTester, match="does not open"):
        SerialLink(str(tmp_path))


@pytest.mark.parametrize(
    ("error", "hint"),
    [
        (serial.SerialException(13, "could not open port: [Errno 13] Permission denied"), "group `dialout`"),
        (
            serial.SerialException("could not open port 'COM5': PermissionError(13, 'Access is denied.')"),
            "user",
        ),
        (
            serial.SerialException("Could not exclusively lock port: [Errno 11]"),
            "another program has it open",
        ),
        (OSError(16, "Device or resource busy"), "another program has it open"),
        (serial.SerialException(2, "could not open port: No such file"), "is the board plugged in?"),
    ],
)
def test_why_a_port_does_not_open_decides_the_hint(
    monkeypatch: pytest.MonkeyPatch, error: Exception, hint: str
) -> None:
    def refuse(*args: object, **more: object) -> None:
        raise error

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with pytest.raises(NoTester) as raised:
        SerialLink("COM5")
    assert hint in raised.value.hint


# Which of the ports is a board


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch, clock: Clock) -> dict[str, Played | Exception]:
    """The USB ports of a bench: name → what is there, or why it does not open."""
    ports: dict[str, Played | Exception] = {}

    def opened(name: str) -> Played:
        there = ports[name]
        if isinstance(there, Exception):
            raise there
        there.name = name
        return there

    def listed() -> list[SimpleNamespace]:
        return [SimpleNamespace(device=name, vid=0x2E8A) for name in ports] + [
            SimpleNamespace(device="/dev/ttyS0", vid=None)
        ]

    monkeypatch.setattr(link, "SerialLink", opened)
    monkeypatch.setattr(list_ports, "comports", listed)
    return ports


def a_tester(clock: Clock) -> Played:
    return Played(clock, lambda seq: framed(seq, HELLO))


def found() -> Any:
    return find_board(lambda text: None)


def refused() -> NoTester:
    with pytest.raises(NoTester) as error:
        found()
    return error.value


def test_without_any_usb_port_there_is_no_tester(bench: dict[str, Played | Exception]) -> None:
    error = refused()
    assert "no tester found: there is no USB serial port" == error.message
    assert "--port sim" in error.hint


def test_the_one_board_that_answers_is_taken(bench: dict[str, Played | Exception], clock: Clock) -> None:
    tester, other = a_tester(clock), Played(clock)
    bench |= {"/dev/ttyACM1": tester, "/dev/ttyACM0": other}
    assert tester is found()
    assert (1, 1) == (tester.closed, other.closed)
    assert (1, TRIES) == (len(tester.sent), len(other.sent))


def test_a_port_of_another_maker_is_not_opened_but_listed(
    monkeypatch: pytest.MonkeyPatch, bench: dict[str, Played | Exception]
) -> None:
    monkeypatch.setattr(list_ports, "comports", lambda: [SimpleNamespace(device="/dev/ttyUSB7", vid=0x0403)])
    error = refused()  # `bench` has no such port to open
    assert "`/dev/ttyUSB7` was not asked: it is not a Raspberry Pi board" in error.message


def test_several_boards_are_listed_in_order(bench: dict[str, Played | Exception], clock: Clock) -> None:
    bench |= {"/dev/ttyACM1": a_tester(clock), "/dev/ttyACM0": a_tester(clock)}
    error = refused()
    expected = (
        "2 testers answer:"
        "\n  `/dev/ttyACM0` is a tester (firmware 0.1.0, 128 points)"
        "\n  `/dev/ttyACM1` is a tester (firmware 0.1.0, 128 points)"
    )
    assert (expected, "choose one with `--port`") == (error.message, error.hint)


def test_what_is_no_tester_is_listed_with_what_it_does(
    bench: dict[str, Played | Exception], clock: Clock
) -> None:
    bench |= {
        "COM1": Played(clock),
        "COM2": Played(clock, *[b"<what?\n"] * 3),
        "COM3": NoTester("`COM3` does not open: Permission denied"),
        "COM4": Played(clock, lambda seq: framed(seq, "error verb")),
    }
    error = refused()
    assert [
        "no tester found:",
        "  `COM1` does not answer `hello` within 1 s",
        "  what `COM2` answers to `hello` cannot be read: shape of `<what?`",
        "  `COM3` does not open: Permission denied",
        "  `COM4`: the board answers `error verb` to `hello`",
    ] == error.message.splitlines()
    assert all(port.closed == 1 for port in bench.values() if isinstance(port, Played))


def test_a_port_without_permission_does_not_hide_the_board(
    bench: dict[str, Played | Exception], clock: Clock
) -> None:
    tester = a_tester(clock)
    bench |= {"a": NoTester("`a` does not open: Permission denied"), "b": tester}
    assert tester is found()
