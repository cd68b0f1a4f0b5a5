"""A port: pyserial on a pseudo-terminal or a socket, the board's firmware at its far side.

And what is there instead of a tester: each kind has its sentence, status 3, and no traceback.
"""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Any

import pytest

from pinwright.tester.frames import crc16

UNRECORDED = ("--no-certificate",)
HELLO = "firmware=0.1.0 id=E66 fixture=tester-128 points=128 fitted=8 lane=none platform=rp2 bus=fast name=-"


def framed(request: bytes, words: str) -> bytes:
    """A reply to a request line, with a right number and checksum."""
    body = b"<%s %s" % (request[1:3], words.encode())
    return b"%s %04X\n" % (body, crc16(body))


@pytest.mark.parametrize("tcp", [False, True])
def test_a_cable_passes_over_a_port(tcp: bool, pinwright: Any, board: Any) -> None:
    port = board("lamp-changer-40", tcp=tcp).name
    ran = pinwright("scan", "lamp-changer-40", "--port", port, "--json", *UNRECORDED)
    assert (0, "", "pass") == (ran.status, ran.err, ran.document["verdict"])


def test_a_virtual_board_is_virtual_on_any_port_and_a_real_one_is_not(
    pinwright: Any, board: Any, real_board: Any
) -> None:
    ran = pinwright("scan", "straight-34", "--port", board("straight-34").name, *UNRECORDED)
    assert 0 == ran.status
    assert "the tester was a simulation: no cable was tested" in ran.out
    port = real_board("straight-34").name
    ran = pinwright("scan", "straight-34", "--port", port, *UNRECORDED)
    assert 0 == ran.status
    assert "simulation" not in ran.out
    ran = pinwright("scan", "straight-34", "--port", port, "--json", *UNRECORDED)
    assert "board" == ran.document["tester"]["kind"]


def test_a_board_can_scan_one_cable_after_another(pinwright: Any, board: Any) -> None:
    port = board("service-lead-9").name
    for _ in range(2):
        assert 0 == pinwright("scan", "service-lead-9", "--port", port, *UNRECORDED).status
    # The same cable through its adapters, but another was asked for, which goes without.
    assert 0 != pinwright("scan", "straight-34", "--port", port, *UNRECORDED).status


@pytest.mark.usefixtures("once")
@pytest.mark.parametrize("lines", [0, 1, 4, 9, 40, 67, 76])
def test_a_board_that_is_unplugged_in_mid_scan_leaves_no_verdict(
    lines: int, pinwright: Any, board: Any
) -> None:
    port = board("straight-34", lines=lines).name
    message = pinwright("scan", "straight-34", "--port", port, *UNRECORDED).error(3)
    assert message.startswith(f"`{port}` vanished during `")
    assert "did not come back within 0.2 s: the board was unplugged, or lost its power" in message


@pytest.mark.usefixtures("once")
@pytest.mark.filterwarnings("ignore::ResourceWarning")  # pyserial 3.5 forgets a socket that cannot be shut
def test_a_socket_that_closes_in_mid_scan_leaves_no_verdict(pinwright: Any, board: Any) -> None:
    url = board("straight-34", lines=11, tcp=True).name
    message = pinwright("scan", "straight-34", "--port", url, *UNRECORDED).error(3)
    assert message.startswith(f"`{url}` vanished during `map`")


def test_a_port_that_is_not_there_is_named(pinwright: Any) -> None:
    ran = pinwright("scan", "straight-34", "--port", "/dev/nonexistent", *UNRECORDED)
    assert ran.error(3).startswith("`/dev/nonexistent` does not open: ")


@pytest.mark.parametrize("port", ["", "./sim", "nonsense://x", "socket://", "socket://127.0.0.1:notaport"])
def test_a_port_that_no_port_can_be_is_named(port: str, pinwright: Any) -> None:
    message = pinwright("scan", "straight-34", "--port", port, *UNRECORDED).error(3)
    assert message.startswith(f"`{port}` does not open: ")


def test_a_socket_where_nobody_listens_is_no_tester(pinwright: Any) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        url = f"socket://127.0.0.1:{listener.getsockname()[1]}"
    assert f"`{url}` does not open: " in pinwright("scan", "straight-34", "--port", url, *UNRECORDED).error(3)


@pytest.mark.usefixtures("once")
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
    port = answering_port(lambda line: b"<01 ok protocol=3 0000\n" if line else b"")
    message = pinwright("scan", "straight-34", "--port", port, *UNRECORDED).error(3)
    assert "checksum of `<01 ok protocol=3 0000`" in message


@pytest.mark.parametrize(
    ("protocol", "hint"),
    [
        (1, "`pinwright install` puts the firmware of this program on it"),
        (2, "`pinwright install` puts the firmware of this program on it"),
        (4, "its firmware is newer than this program: update the program"),
    ],
)
def test_another_protocol_is_named_with_both_versions(
    protocol: int, hint: str, pinwright: Any, answering_port: Any
) -> None:
    """Of another protocol nothing is relied on but its number, the firmware's and the board's."""
    hello = f"ok protocol={protocol} firmware=0.9.0 id=E66 and=more"
    port = answering_port(lambda line: framed(line, hello) if line else b"")
    ran = pinwright("scan", "straight-34", "--port", port, *UNRECORDED)
    message = ran.error(3)
    sentence = f"the tester speaks protocol {protocol}, this program speaks 3 (firmware 0.9.0, host "
    assert message.startswith(sentence)
    assert f"hint: {hint}" in ran.err


@pytest.mark.usefixtures("once")
def test_a_reply_to_another_request_is_not_taken(pinwright: Any, answering_port: Any) -> None:
    port = answering_port(lambda line: framed(b">63", "ok") if line else b"")
    message = pinwright("scan", "straight-34", "--port", port, *UNRECORDED).error(3)
    assert "cannot be read: it answers request 99, but 1 was asked" in message


NO_FIRMWARE = "stands at a Python prompt: the firmware does not run there"


def test_a_board_without_our_firmware_is_told_to_be_one(pinwright: Any, board: Any) -> None:
    """A real prompt does not know the newline: it says back what it gets, and executes nothing."""
    port = board(bare=True).name
    ran = pinwright("scan", "straight-34", "--port", port, *UNRECORDED)
    assert ran.error(3).startswith(f"`{port}` {NO_FIRMWARE}")
    assert f"`pinwright install --port {port}`\n" in ran.err


def test_what_a_prompt_complains_of_is_shown(pinwright: Any, answering_port: Any) -> None:
    """One that does take a newline for the end of a line complains of our syntax."""

    def prompt(line: bytes) -> bytes:
        complaint = (
            b'Traceback (most recent call last):\r\n  File "<stdin>", line 1\r\nSyntaxError: invalid syntax'
        )
        return line + b"\r\n" + (complaint + b"\r\n" if line.strip() else b"") + b">>> "

    port = answering_port(prompt)
    ran = pinwright("scan", "straight-34", "--port", port, *UNRECORDED)
    assert (3, "") == (ran.status, ran.out)
    assert "the board says: SyntaxError: invalid syntax\n" in ran.err
    assert f"error: `{port}` {NO_FIRMWARE}" in ran.err
    assert __file__ not in ran.err  # no traceback of ours


def test_a_board_whose_installation_was_interrupted_says_so(
    pinwright: Any, board: Any, flash: Any, once: None
) -> None:
    port = board(flash=flash({"installing": ""})).name
    message = pinwright("scan", "straight-34", "--port", port, *UNRECORDED).error(3)
    assert message == (
        f"`{port}` holds a tester whose firmware does not serve; it said: pinwright: the installation of the "
        "firmware is not finished; `pinwright install` mends it"
    )


def test_the_traceback_of_a_firmware_that_ends_is_told_as_the_reason(
    pinwright: Any, board: Any, flash: Any
) -> None:
    change = ("bank.transfers()\n        slips", "bank.transferz()\n        slips")
    port = board("straight-34", flash=flash({"tester/commands.py": change})).name
    ran = pinwright("scan", "straight-34", "--port", port, *UNRECORDED)
    assert (3, "") == (ran.status, ran.out)
    (message,) = (line for line in ran.err.splitlines() if line.startswith("error: "))
    assert "its firmware ended with `AttributeError: " in message
    assert 'commands.py", line ' in message
    assert "the board says: Traceback (most recent call last):" in ran.err
    assert __file__ not in ran.err


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
            return framed(line, f"ok protocol=3 {HELLO}")
        return framed(line, "error strange") if line else b""

    message = pinwright("scan", "straight-34", "--port", answering_port(answer), *UNRECORDED).error(3)
    assert "the board reports an error that this program does not know: strange" == message


def test_without_a_port_and_without_boards_it_says_so(pinwright: Any, usb_ports: Any) -> None:
    usb_ports()
    ran = pinwright("scan", "straight-34", *UNRECORDED)
    assert "no tester found: there is no USB serial port" == ran.error(3)
    assert "`--port sim` is a tester without a board" in ran.err


@pytest.mark.usefixtures("once")
def test_without_a_port_the_one_tester_that_answers_is_taken(
    pinwright: Any, usb_ports: Any, real_board: Any, answering_port: Any
) -> None:
    usb_ports(real_board("straight-34").name, answering_port(lambda line: b""), "/dev/nonexistent")
    ran = pinwright("scan", "straight-34", "--json", *UNRECORDED)
    assert (0, "board") == (ran.status, ran.document["tester"]["kind"])


def test_without_a_port_two_testers_are_listed(pinwright: Any, usb_ports: Any, board: Any) -> None:
    both = [board("service-lead-9").name for _ in range(2)]
    usb_ports(*both, "/dev/nonexistent")
    message = pinwright("scan", "service-lead-9", *UNRECORDED).error(3)
    assert message.startswith("2 testers answer:\n")
    assert all(f"`{port}` is a tester named `virtual` (firmware " in message for port in both)
    assert "`/dev/nonexistent` does not open" in message


def test_a_tester_is_found_by_its_name(
    pinwright: Any,
    usb_ports: Any,
    real_board: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    usb_ports(real_board("straight-34", name="bench-1").name, real_board("straight-34", name="bench-2").name)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench-2").mkdir()  # a folder is no port
    ids = set()
    for name in ("bench-1", "bench-2"):
        ran = pinwright("scan", "straight-34", "--port", name, "--json", *UNRECORDED)
        assert 0 == ran.status, ran
        ids.add(ran.document["tester"]["id"])
    message = pinwright("scan", "straight-34", "--port", "bench-3", *UNRECORDED).error(3)
    assert message.startswith("no tester named `bench-3` found:\n")
    assert "is a tester named `bench-2` (firmware " in message


@pytest.mark.usefixtures("once")
def test_without_a_port_what_was_seen_instead_is_listed(
    pinwright: Any, usb_ports: Any, answering_port: Any
) -> None:
    silent = answering_port(lambda line: b"")
    usb_ports(silent, "/dev/nonexistent")
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
