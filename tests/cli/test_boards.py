"""`pinwright testers` and `pinwright install`: which boards there are, and the firmware on them."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import serial

from pinwright import discovery, resources
from pinwright import install as installing
from pinwright.discovery import KINDS, Seen
from pinwright.link import SerialLink
from pinwright.tester.session import PROTOCOL

posix = pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
(FIRMWARE,) = re.findall(
    r'^FIRMWARE = "(.+)"$', (resources.folder("firmware") / "tester/version.py").read_text(), re.MULTILINE
)


class Named:
    """A board under the name that a real one has; the port itself is somewhere else."""

    def __init__(self, ports: dict[str, str]) -> None:
        self.ports = ports

    def __call__(self, port: str, called: str = "") -> SerialLink:
        return SerialLink(self.ports.get(port, port), called or port)


@pytest.fixture
def workbench(
    usb_ports: Any,
    board: Any,
    real_board: Any,
    flash: Any,
    answering_port: Any,
    closing: Any,
    monkeypatch: pytest.MonkeyPatch,
    once: None,
) -> Callable[[], None]:
    """One port of every kind, `/dev/ttyACM0` and so on."""

    def workbench() -> None:
        there = [
            real_board(name="bench-1", fitted=8),
            real_board(name="small", fitted=5),
            real_board(fixture="pocket-24"),
            board(),
            board(
                flash=flash({"tester/version.py": (f"PROTOCOL = {PROTOCOL}", f"PROTOCOL = {PROTOCOL + 1}")})
            ),
            board(flash=flash({"board.json": "{"})),
            board(flash=flash({"installing": ""})),
            board(bare=True),
            SimpleNamespace(name=answering_port(lambda line: b"")),
            SimpleNamespace(name=answering_port(lambda line: b"<what?\n")),
            board(),
        ]
        names = {f"/dev/ttyACM{number:X}": port.name for number, port in enumerate(there)}
        closing(SerialLink(there[-1].name))
        monkeypatch.setattr(discovery, "SerialLink", Named(names))
        usb_ports(*names, "/dev/ttyACMX", others=("/dev/ttyUSB7",))

    return workbench


@pytest.mark.skipif(sys.platform != "linux", reason="what the system says of a port differs")
def test_every_kind_of_port_in_the_list(pinwright: Any, golden: Any, workbench: Any) -> None:
    workbench()
    ran = pinwright("testers")
    golden("testers", ran, folded=False, version=FIRMWARE)
    seen = {seen.kind for seen in discovery.survey()}
    assert set(KINDS) - seen == {"no permission"}  # root may open anything
    assert all(kind in ran.out for kind in seen)


@pytest.mark.skipif(sys.platform != "linux", reason="what the system says of a port differs")
def test_the_list_as_a_document(pinwright: Any, golden: Any, workbench: Any) -> None:
    workbench()
    ran = pinwright("testers", "--json")
    assert ("pinwright/testers-1", "") == (ran.document["schema"], ran.err)
    ids = {one["tester"]["id"] for one in ran.document["ports"] if one["tester"]}
    (one_id,) = ids  # all of them are the same virtual board
    golden("testers-json", ran, folded=False, id=one_id, version=FIRMWARE)


def test_what_may_not_be_opened_is_listed_with_the_remedy(
    pinwright: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = Seen("/dev/ttyACM0", "no permission", said="`/dev/ttyACM0` does not open", remedy="the remedy")
    monkeypatch.setattr("pinwright.cli.testers.survey", lambda more: [seen])
    ran = pinwright("testers")
    assert (0, "") == (ran.status, ran.err)
    assert ran.out.endswith("\n`/dev/ttyACM0` does not open\n  the remedy\n")


def test_without_ports_the_list_says_so(pinwright: Any, usb_ports: Any) -> None:
    usb_ports()
    ran = pinwright("testers")
    sentence = "there is no USB serial port: plug a board in, or name a port with `--port`\n"
    assert (0, "", sentence) == (ran.status, ran.out, ran.err)
    assert [] == pinwright("testers", "--json").document["ports"]


def test_ports_may_be_named(pinwright: Any, usb_ports: Any, board: Any) -> None:
    usb_ports()
    first, second = sorted([board().name, board(tcp=True).name])
    document = pinwright("testers", "--port", second, "--port", first, "--port", first, "--json").document
    assert [(first, "tester"), (second, "tester")] == [
        (one["port"], one["state"]) for one in document["ports"]
    ]


# Installation


def test_an_installation_on_a_bare_board(pinwright: Any, golden: Any, board: Any) -> None:
    there = board(bare=True)
    ran = pinwright("install", "--port", there.name, "--name", "bench-7", "--fitted", "5")
    golden("install", ran, id=there.board.board.unique_id.hex().upper())


def test_an_installation_where_all_is_there(pinwright: Any, golden: Any, board: Any) -> None:
    there = board()
    ran = pinwright("install", "--port", there.name)
    golden("install-again", ran, id=there.board.board.unique_id.hex().upper())


def test_another_program_is_left_alone(pinwright: Any, golden: Any, board: Any, tmp_path: Path) -> None:
    (tmp_path / "main.py").write_text("print('blink')\n")
    there = board(flash=tmp_path)
    golden("install-another-program", pinwright("install", "--port", there.name))


def test_a_pocket_tester_is_made_by_a_word(pinwright: Any, board: Any) -> None:
    there = board(bare=True)
    assert 0 == pinwright("install", "--port", there.name, "--pocket").status
    document = pinwright("testers", "--port", there.name, "--json").document["ports"][-1]
    assert ("pocket-24", 24, 0) == (
        document["tester"]["fixture"],
        document["tester"]["points"],
        document["tester"]["expanders"],
    )


@pytest.mark.parametrize(
    ("words", "kept", "lane", "told"),
    [
        (("--no-lane",), {"fitted": 8, "name": "a"}, False, ", no ohms lane\n"),
        (("--lane",), {"fitted": 5, "name": "a"}, True, ", an ohms lane, not calibrated\n"),
        (
            ("--fitted", "5"),
            {"fitted": 8, "name": "a", "lane": True},
            True,
            ", an ohms lane, not calibrated\n",
        ),
        (("--name", "a"), {"fitted": 8, "name": "b"}, None, ", an ohms lane, not calibrated\n"),
    ],
)
def test_whether_a_board_measures_is_written_down_where_it_is_told(
    words: tuple[str, ...],
    kept: dict[str, object],
    lane: bool | None,
    told: str,
    pinwright: Any,
    board: Any,
    flash: Any,
) -> None:
    folder = flash({}, kept)
    there = board(flash=folder)
    ran = pinwright("install", "--port", there.name, *words)
    assert (0, True) == (ran.status, told in ran.out)
    assert lane is json.loads((folder / "board.json").read_text()).get("lane")
    assert ("`pinwright tester calibrate` calibrates it" in ran.err) == ("not calibrated" in told)


def test_a_pocket_tester_is_not_given_a_lane(pinwright: Any, board: Any, flash: Any) -> None:
    there = board(flash=flash({}, {"fixture": "pocket-24"}))
    message = pinwright("install", "--port", there.name, "--lane").error(2)
    assert "the board is a pocket tester, which measures no ohms; nothing was changed" == message


def test_a_board_whose_fast_bus_failed_is_marked_in_the_list(pinwright: Any, board: Any, flash: Any) -> None:
    disagrees = "def agrees(bank):\n    return False\n"
    changed = {"tester/board.py": ("if on_rp2040():", "if True:"), "tester/fast.py": disagrees}
    there = board("straight-34", flash=flash(changed))
    ran = pinwright("testers", "--port", there.name)
    assert "128, 8 expanders, not calibrated, slow bus: its fast one failed\n" in ran.out
    document = pinwright("testers", "--port", there.name, "--json").document["ports"][-1]
    assert ("fallback", "uncalibrated") == (document["tester"]["bus"], document["tester"]["lane"])
    ran = pinwright("scan", "straight-34", "--port", there.name, "--no-certificate")
    assert (0, True) == (ran.status, "its fast bus failed its test" in " ".join(ran.out.split()))


def test_the_one_board_there_is_needs_no_port(pinwright: Any, usb_ports: Any, board: Any) -> None:
    there = board(bare=True)
    usb_ports(there.name, "/dev/there-is-none")
    assert f"at {there.name}: id " in pinwright("install").out


def test_a_tester_is_renamed_by_its_name(pinwright: Any, usb_ports: Any, real_board: Any) -> None:
    there = real_board(name="left")
    usb_ports(there.name, real_board(name="right").name)
    ran = pinwright("install", "--port", "left", "--name", "middle")
    assert f"tester `middle` at {there.name}: id " in ran.out
    assert pinwright("install", "--port", "left").error(3).startswith("no tester named `left` found:\n")


@pytest.mark.parametrize(
    ("ports", "message"), [(0, "no board found: there is no USB serial port"), (2, "2 boards are there:\n")]
)
def test_without_a_port_it_picks_none_of_several(
    ports: int, message: str, pinwright: Any, usb_ports: Any, board: Any
) -> None:
    usb_ports(*(board(bare=True).name for _ in range(ports)))
    assert pinwright("install").error(3).startswith(message)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (
            ("--port", "sim"),
            "the virtual tester keeps no files; `pinwright virtual` serves a board that does",
        ),
        (("--port", "sim:x.toml"), "the virtual tester keeps no files"),
        (("--name", ""), "`--name `: a name is 1 to 32 letters, digits and hyphens"),
        (("--name", "my bench"), "`--name my bench`: a name is"),
        (("--name", "x" * 33), "a name is 1 to 32"),
        (("--name", "COM7"), "not one that means a port"),
        (("--name", "sim"), "not one that means a port"),
        (("--fitted", "0"), "`--fitted 0`: a tester has 1 to 8 expanders"),
        (("--fitted", "9"), "`--fitted 9`: a tester has 1 to 8 expanders"),
        (("--fitted", "few"), "argument --fitted: invalid int value: 'few'"),
        (("--fitted", "5", "--pocket"), "argument --pocket: not allowed with argument --fitted"),
        (("--lane", "--no-lane"), "argument --no-lane: not allowed with argument --lane"),
        (("--pocket", "--lane"), "a pocket tester measures no ohms: `--pocket` goes without `--lane`"),
        (("--pocket", "--no-lane"), "a pocket tester measures no ohms"),
    ],
)
def test_what_no_board_can_be_is_refused_before_any_is_touched(
    words: tuple[str, ...], message: str, pinwright: Any, usb_ports: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(installing, "install", None)
    monkeypatch.setattr(discovery, "look", None)
    usb_ports("/dev/ttyACM0")
    assert message in pinwright("install", *words).error(2)


def test_a_port_that_does_not_open_is_named(pinwright: Any) -> None:
    message = pinwright("install", "--port", "/dev/there-is-no-such-port").error(3)
    assert message.startswith("`/dev/there-is-no-such-port` does not open: ")


@posix
@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGKILL, -signal.SIGKILL)])
def test_an_installation_that_is_ended_from_outside_is_mended_by_the_next(
    number: int,
    status: int,
    command: Any,
    surroundings: Any,
    pinwright: Any,
    board: Any,
) -> None:
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell may have it ignored
    there = board(bare=True)
    try:
        running = subprocess.Popen(
            command("install", "--port", there.name), env=surroundings(), stderr=subprocess.PIPE, text=True
        )
        assert running.stderr is not None
        said = ""
        while "writing tester/frames.py" not in said:
            said += running.stderr.readline()
        running.send_signal(number)
        said += running.stderr.read()
        running.stderr.close()
        assert status == running.wait(20)
    finally:
        signal.signal(signal.SIGINT, before)
    assert "Traceback" not in said
    assert said.endswith("error: interrupted\n") == (status == 130)
    if status != 130:  # nobody has started it again
        there.replug()
    seen = pinwright("testers", "--port", there.name, "--json").document["ports"][-1]
    assert "unfinished" == seen["state"]
    assert f"`pinwright install --port {there.name}` puts the firmware on" == seen["hint"]
    refused = pinwright("scan", "straight-34", "--port", there.name, "--no-certificate").error(3)
    assert "the installation of the firmware is not finished; `pinwright install` mends it" in refused
    ran = pinwright("install", "--port", there.name)
    assert (0, "before: an unfinished installation") == (ran.status, ran.out.splitlines()[0])


def test_the_next_installation_need_not_wait_for_a_board_to_be_plugged_in_again(
    pinwright: Any, board: Any
) -> None:
    """The program before was ended in the middle of a file; the board still waits for the rest of it."""
    there = board(bare=True)
    port = serial.serial_for_url(there.name, timeout=5)
    port.write(b"\r\x03\r\x01")
    assert port.read_until(b"exit\r\n>").endswith(b"exit\r\n>")
    port.write(b"\x05A\x01")
    assert b"R\x01" == port.read(2)
    port.write(b"open('main.py.tmp', 'wb').write(b'")
    port.close()
    assert 0 == pinwright("install", "--port", there.name).status
