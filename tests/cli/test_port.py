"""A real serial port: pyserial on a pseudo-terminal or a socket, the board's firmware at its far side.

And what is there instead of a tester: each kind has its sentence, status 3, and no traceback.
"""

from __future__ import annotations

import socket
from types import SimpleNamespace
from typing import Any

import pytest

from pinwright import link
from pinwright.tester.frames import crc16

UNRECORDED = ("--no-certificate",)


@pytest.fixture
def once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ask each thing once, so that silence takes a second only."""
    monkeypatch.setattr(link, "TRIES", 1)


def framed(request: bytes, words: str) -> bytes:
    """A reply to a request line, with a right number and checksum."""
    body = b"<%s %s" % (request[1:3], words.encode())
    return b"%s %04X\n" % (body, crc16(body))


def test_a_cable_passes_over_a_serial_port(pinwright: Any, board_on_a_port: Any) -> None:
    port = board_on_a_port("lamp-changer-40")
    ran = pinwright("scan", "lamp-changer-40", "--port", port, "--json", *UNRECORDED)
    assert (0, "", "pass") == (ran.status, ran.err, ran.document["verdict"])
    assert "board" == ran.document["tester"]["kind"]


def test_a_board_can_scan_one_cable_after_another(pinwright: Any, board_on_a_port: Any) -> None:
    port = board_on_a_port("service-lead-9")
    for _ in range(2):
        assert 0 == pinwright("scan", "service-lead-9", "--port", port, *UNRECORDED).status
    # The same cable, but another was asked for: lines that should be there are not.
    assert 1 == pinwright("scan", "straight-34", "--port", port, *UNRECORDED).status


def test_a_cable_passes_over_a_socket(pinwright: Any, board_on_a_socket: Any) -> None:
    url = board_on_a_socket("straight-34")
    ran = pinwright("scan", "straight-34", "--port", url, *UNRECORDED)
    assert (0, "") == (ran.status, ran.err)
    assert "\nPASS " in ran.out


@pytest.mark.parametrize("replies", [0, 1, 4, 9, 40])
def test_a_board_that_is_unplugged_in_mid_scan_leaves_no_verdict(
    replies: int, pinwright: Any, board_on_a_port: Any
) -> None:
    port = board_on_a_port("straight-34", replies=replies)
    message = pinwright("scan", "straight-34", "--port", port, *UNRECORDED).error(3)
    assert f"`{port}` is gone" in message or f"`{port}` stopped taking data" in message


def test_a_socket_that_closes_in_mid_scan_leaves_no_verdict(pinwright: Any, board_on_a_socket: Any) -> None:
    url = board_on_a_socket("straight-34", replies=5)
    message = pinwright("scan", "straight-34", "--port", url, *UNRECORDED).error(3)
    assert f"`{url}` is gone" in message or f"`{url}` stopped taking data" in message


def test_a_port_that_is_not_there_is_named(pinwright: Any) -> None:
    ran = pinwright("scan", "straight-34", "--port", "/dev/nonexistent", *UNRECORDED)
    assert ran.error(3).startswith("`/dev/nonexistent` does not open: ")


@pytest.mark.parametrize("port", ["", "sim-", "nonsense://x", "socket://", "socket://127.0.0.1:notaport"])
def test_a_port_that_no_port_can_be_is_named(port: str, pinwright: Any) -> None:
    message = pinwright("scan", "straight-34", "--port", port, *UNRECORDED).error(3)
    assert message.startswith(f"`{port}` does not open: ")


def test_a_socket_where_nobody_listens_is_no_tester(pinwright: Any) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        url = f"socket://127.0.0.1:{listener.getsockname()[1]}"
    assert f"`{url}` does not open: " in pinwright("scan", "straight-34", "--port", url, *UNRECORDED).error(3)


def test_silence_is_said_to_be_silence(pinwright: Any, answering_port: Any) -> None:
    port = answering_port(lambda line: b"")
    message = pinwright("scan", "straight-34", "--port", port, *UNRECORDED).error(3)
    assert f"`{port}` does not answer `hello` within 1 s" == message


def test_garbage_is_shown(pinwright: Any, answering_port: Any) -> None:
    port = answering_port(lambda line: b"<\xff\x00\x1b[31m garbage\n")
    message = pinwright("scan", "straight-34", "--port", port, *UNRECORDED).error(3)
    assert message.startswith(f"what `{port}` answers to `hello` cannot be read: shape of `<")
    assert message.isprintable()


@pytest.mark.usefixtures("once")
def test_a_flood_without_an_end_of_line_ends_too(pinwright: Any, answering_port: Any) -> None:
    port = answering_port(lambda line: b"\x00" * 4000)
    message = pinwright("scan", "straight-34", "--port", port, *UNRECORDED).error(3)
    assert f"`{port}` does not answer `hello`" in message


def test_a_reply_with_a_wrong_checksum_is_not_believed(pinwright: Any, answering_port: Any) -> None:
    port = answering_port(lambda line: b"<01 ok protocol=1 0000\n" if line else b"")
    message = pinwright("scan", "straight-34", "--port", port, *UNRECORDED).error(3)
    assert "checksum of `<01 ok protocol=1 0000`" in message


def test_another_protocol_is_named_with_both_versions(pinwright: Any, answering_port: Any) -> None:
    hello = "ok protocol=2 firmware=0.9.0 id=E66 points=128 fitted=8 lane=none name=-"
    port = answering_port(lambda line: framed(line, hello) if line else b"")
    ran = pinwright("scan", "straight-34", "--port", port, *UNRECORDED)
    message = ran.error(3)
    assert message.startswith("the tester speaks protocol 2, this program speaks 1 (firmware 0.9.0, host ")
    assert "hint: put the firmware that came with this program on the board" in ran.err


def test_a_reply_to_another_request_is_not_taken(pinwright: Any, answering_port: Any) -> None:
    port = answering_port(lambda line: framed(b">63", "ok") if line else b"")
    message = pinwright("scan", "straight-34", "--port", port, *UNRECORDED).error(3)
    assert "cannot be read: it answers request 99, but 1 was asked" in message


@pytest.mark.usefixtures("once")
def test_what_an_interactive_prompt_says_is_shown(pinwright: Any, answering_port: Any) -> None:
    """A board without our firmware echoes each line and complains of its syntax."""

    def prompt(line: bytes) -> bytes:
        complaint = (
            b'Traceback (most recent call last):\r\n  File "<stdin>", line 1\r\nSyntaxError: invalid syntax'
        )
        return line + b"\r\n" + (complaint + b"\r\n" if line.strip() else b"") + b">>> "

    port = answering_port(prompt)
    ran = pinwright("scan", "straight-34", "--port", port, *UNRECORDED)
    assert (3, "") == (ran.status, ran.out)
    assert "the board says: SyntaxError: invalid syntax\n" in ran.err
    sentence = f"error: `{port}` does not answer `hello` within 1 s; it said: SyntaxError: invalid syntax\n"
    assert sentence in ran.err
    assert __file__ not in ran.err  # no traceback of ours


@pytest.mark.usefixtures("once")
def test_control_characters_of_a_board_do_not_reach_the_terminal(pinwright: Any, answering_port: Any) -> None:
    port = answering_port(lambda line: b"\x1b]0;owned\x07\x1b[2J\n")
    ran = pinwright("scan", "straight-34", "--port", port, *UNRECORDED)
    assert 3 == ran.status
    assert "\x1b" not in ran.err
    assert "\x07" not in ran.err


def test_a_tester_that_finds_itself_at_fault_is_believed(pinwright: Any, answering_port: Any) -> None:
    def answer(line: bytes) -> bytes:
        if b" hello " in line:
            return framed(line, "ok protocol=1 firmware=0.1.0 id=E66 points=128 fitted=8 lane=none name=-")
        return framed(line, "error strange") if line else b""

    message = pinwright("scan", "straight-34", "--port", answering_port(answer), *UNRECORDED).error(3)
    assert "the board reports an error that this program does not know: strange" == message


@pytest.fixture
def ports(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Say which USB serial ports this machine has."""

    def ports(*devices: str) -> None:
        found = [SimpleNamespace(device=device, vid=0x2E8A) for device in devices]
        built_in = SimpleNamespace(device="/dev/ttyS0", vid=None)
        monkeypatch.setattr(link.list_ports, "comports", lambda: [*found, built_in])

    return ports


def test_without_a_port_and_without_boards_it_says_so(pinwright: Any, ports: Any) -> None:
    ports()
    ran = pinwright("scan", "straight-34", *UNRECORDED)
    assert "no tester found: there is no USB serial port" == ran.error(3)
    assert "`--port sim` is a tester without a board" in ran.err


@pytest.mark.usefixtures("once")
def test_without_a_port_the_one_board_that_answers_is_taken(
    pinwright: Any, ports: Any, board_on_a_port: Any, answering_port: Any
) -> None:
    ports(board_on_a_port("straight-34"), answering_port(lambda line: b""), "/dev/nonexistent")
    ran = pinwright("scan", "straight-34", "--json", *UNRECORDED)
    assert (0, "board") == (ran.status, ran.document["tester"]["kind"])


def test_without_a_port_two_boards_are_listed(pinwright: Any, ports: Any, board_on_a_port: Any) -> None:
    both = [board_on_a_port("service-lead-9") for _ in range(2)]
    ports(*both, "/dev/nonexistent")
    message = pinwright("scan", "service-lead-9", *UNRECORDED).error(3)
    assert message.startswith("2 testers answer:\n")
    assert all(f"`{port}` is a tester (firmware " in message for port in both)
    assert "`/dev/nonexistent` does not open" in message


@pytest.mark.usefixtures("once")
def test_without_a_port_what_was_seen_instead_is_listed(
    pinwright: Any, ports: Any, answering_port: Any
) -> None:
    silent = answering_port(lambda line: b"")
    ports(silent, "/dev/nonexistent")
    message = pinwright("scan", "straight-34", *UNRECORDED).error(3)
    assert message.startswith("no tester found:\n")
    assert f"`{silent}` does not answer `hello` within 1 s" in message
    assert "`/dev/nonexistent` does not open" in message


@pytest.mark.parametrize(
    ("tester", "sentence"),
    [
        ("dead_chips = [3]", "expander 3 does not hold what is written to it"),
        ("stuck_low = [5]", "reads low though nothing pulls it low: A.6 (J1.6)"),
        ("stuck_high = [6]", "does not read low while driven low: A.7 (J1.7)"),
        ("outside = {'B.7' = 5.0}", "reads high though nothing drives it high: A.7 (J1.7), B.7 (J2.7)"),
        ("outside = {'B.7' = 0.0}", "reads low though nothing pulls it low: A.7 (J1.7), B.7 (J2.7)"),
        ("drop_reply = 9", ""),
    ],
)
def test_a_virtual_board_with_a_fault_leaves_no_verdict(
    tester: str, sentence: str, pinwright: Any, bench: Any, profile_of: Any
) -> None:
    links = [[*net.pins] for net in profile_of("straight-34").nets]
    ran = pinwright("scan", "straight-34", "--port", bench(links, tester), *UNRECORDED)
    if sentence:
        assert sentence in ran.error(3)
    else:  # a reply that is cut short is asked for again
        assert (0, "") == (ran.status, ran.err)


def test_a_board_too_small_for_the_cable_is_an_error_of_input(
    pinwright: Any, bench: Any, profile_of: Any
) -> None:
    ran = pinwright("scan", "woven-40", "--port", bench([], "fitted = 5"), *UNRECORDED)
    assert "J2" in ran.error(2)
