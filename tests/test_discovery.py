"""What is at a port: virtual boards on real ports, each with something else on its flash."""

from __future__ import annotations

import json
import shutil
import sys
import time
from collections.abc import Callable, Iterator, Mapping

import pytest
import serial

from pinwright import discovery, link, resources
from pinwright.discovery import Seen, could_be_a_name, find_board, find_tester, look, survey
from pinwright.errors import NoTester
from pinwright.link import SerialLink
from pinwright.tester.session import PROTOCOL
from pinwright.virtual.bench import Bench
from pinwright.virtual.port import Port

VERSION = "tester/version.py"
SILENT = "import time\nwhile True:\n    time.sleep(1)\n"
STRANGER = "import sys\nwhile sys.stdin.readline():\n    print('<what?')\n"
ECHO = "import sys\nwhile True:\n    print(sys.stdin.readline(), end='')\n"
NOT_HELLO = STRANGER.replace("print('<what?')", "print('temperature 21.5 C')")
SAFE = "holds a tester whose firmware does not serve"

Board = Callable[..., Port]


@pytest.fixture
def board(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    """Plug in a board with the firmware on it, or nothing.

    about: its board.json, as a table or as it stands there. files: what else is there, or instead; a None
    takes a file away. protocol: the one its firmware says it speaks.
    """
    running: list[Port] = []

    def board(
        about: Mapping[str, object] | str = "{}",
        files: Mapping[str, str | None] | None = None,
        *,
        protocol: int = PROTOCOL,
        bare: bool = False,
    ) -> Port:
        flash = tmp_path_factory.mktemp("flash")
        if not bare:
            shutil.copytree(resources.folder("firmware"), flash, dirs_exist_ok=True)
            (flash / "board.json").write_text(about if isinstance(about, str) else json.dumps(about))
            version = flash / VERSION
            version.write_text(
                version.read_text().replace(f"PROTOCOL = {PROTOCOL}", f"PROTOCOL = {protocol}")
            )
        for name, content in (files or {}).items():
            if content is None:
                (flash / name).unlink()
            else:
                (flash / name).write_text(content)
        running.append(Port(Bench(), {}, None, flash=flash))
        return running[-1]

    yield board
    for port in running:
        port.close()


@pytest.fixture(autouse=True)
def once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each thing is asked once, so that silence takes a second only."""
    monkeypatch.setattr(link, "TRIES", 1)
    monkeypatch.setattr(link, "AGAIN_S", 0.2)


@pytest.fixture
def plugged_in(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Say which USB serial ports there are: ours, and those of another maker."""

    def plugged_in(*ours: str, others: tuple[str, ...] = ()) -> None:
        ports = [(port, discovery.RASPBERRY_PI) for port in ours] + [(port, 0x0403) for port in others]
        monkeypatch.setattr(discovery, "usb_ports", lambda: sorted(ports))

    return plugged_in


# One port


def test_a_tester_is_seen_with_all_that_is_known_of_it(board: Board) -> None:
    there = board({"fitted": 5, "name": "bench-2"})
    seen = look(there.name)
    assert seen.hello is not None
    assert ("tester", "bench-2", 80, 5, "tester-128") == (
        seen.kind,
        seen.hello.name,
        seen.hello.points,
        seen.hello.fitted,
        seen.hello.fixture,
    )
    assert there.board.board.unique_id.hex().upper() == seen.hello.id
    assert seen.hello.simulated
    assert f"`{there.name}` is a tester named `bench-2` (firmware {seen.hello.firmware}, 80 points)" == str(
        seen
    )
    assert ("", "") == (seen.said, seen.remedy)


def test_a_pocket_tester_is_seen_to_be_one(board: Board) -> None:
    seen = look(board({"fixture": "pocket-24"}).name)
    assert seen.hello is not None
    assert ("tester", "pocket-24", 24, 0, "") == (
        seen.kind,
        seen.hello.fixture,
        seen.hello.points,
        seen.hello.fitted,
        seen.hello.name,
    )


@pytest.mark.parametrize(
    ("protocol", "remedy"),
    [
        (PROTOCOL - 1, "`pinwright install --port {port}`"),
        (PROTOCOL + 1, "its firmware is newer: update this program"),
    ],
)
def test_a_tester_of_another_protocol_is_one_and_its_remedy_depends_on_which(
    protocol: int, remedy: str, board: Board
) -> None:
    port = board({"name": "bench-2"}, protocol=protocol).name
    seen = look(port)
    assert ("other protocol", remedy.format(port=port)) == (seen.kind, seen.remedy)
    assert f"`{port}` is a tester of protocol {protocol}, not {PROTOCOL} (firmware " in seen.said


@pytest.mark.parametrize(
    ("about", "files", "kind", "said", "remedy"),
    [
        (
            "{",
            {},
            "faulty tester",
            "the file board.json on the tester is damaged",
            "`pinwright install --fitted 8",
        ),
        (
            '{"fitted": 99}',
            {},
            "faulty tester",
            "the file board.json on the tester is damaged",
            "`pinwright install --fitted 8",
        ),
        (
            "{}",
            {"installing": ""},
            "unfinished",
            SAFE + "; it said: pinwright: the installation of",
            "`pinwright install --port ",
        ),
        (
            "{}",
            {VERSION: None},
            "unfinished",
            SAFE,
            "`pinwright install --port ",
        ),
        (
            "{}",
            {"tester/scanner.py": "x ="},
            "unfinished",
            SAFE,
            "`pinwright install ",
        ),
        ("{}", {"main.py": "import nothing"}, "at a prompt", "stands at a Python pro", "`pinwright install "),
        ("{}", {"main.py": SILENT}, "silent", "does not answer `hello` within 1 s", "Unplug it"),
        ("{}", {"main.py": STRANGER}, "not a tester", "cannot be read: shape of `<what?`", "if it is not a"),
        ("{}", {"main.py": NOT_HELLO}, "silent", "it said: temperature 21.5 C", "is it a tester"),
        ("{}", {"main.py": ECHO}, "not a tester", "says back what it is told", "choose another `--port`"),
    ],
)
def test_what_is_no_tester_that_serves_is_told_by_what_it_does(
    about: str, files: dict[str, str | None], kind: str, said: str, remedy: str, board: Board
) -> None:
    port = board(about, files).name
    seen = look(port)
    assert kind == seen.kind, seen
    assert f"`{port}`" in seen.said
    assert said in seen.said
    assert remedy in seen.remedy
    assert seen.said == str(seen)


def test_a_board_with_micropython_alone_is_seen_to_have_no_firmware(board: Board) -> None:
    port = board(bare=True).name
    seen = look(port)
    assert "at a prompt" == seen.kind
    assert f"`pinwright install --port {port}`" in seen.remedy
    assert f"`{port}` stands at a Python prompt: the firmware does not run there" in seen.said
    assert "at a prompt" == look(port).kind


def test_a_board_that_was_left_at_its_raw_prompt_is_brought_back_to_the_friendly_one(board: Board) -> None:
    """A raw prompt says nothing of what it is told: without that it would look silent."""
    port = board(bare=True).name
    with serial.serial_for_url(port, timeout=5) as other:
        other.write(b"\x01")
        assert other.read_until(b"exit\r\n>").endswith(b"exit\r\n>")
    seen = look(port)
    assert "at a prompt" == seen.kind
    assert f"`{port}` was left at a raw Python prompt (" in seen.said
    with serial.serial_for_url(port, timeout=5) as other:
        other.write(b"1+1\r")
        assert b"1+1\r\n2\r\n>>> " == other.read_until(b"2\r\n>>> ")


def test_a_port_that_another_has_open_is_busy(board: Board) -> None:
    port = board().name
    other = SerialLink(port)
    seen = look(port)
    assert ("busy", "close the other program") == (seen.kind, seen.remedy)
    assert seen.said.startswith(f"`{port}` does not open: ")
    other.close()
    assert "tester" == look(port).kind


def test_a_port_that_the_user_may_not_open_is_listed_with_the_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    seen = look("/dev/ttyACM0")
    assert ("no permission", "`/dev/ttyACM0` does not open: your user may not use it") == (
        seen.kind,
        seen.said,
    )
    assert "`sudo usermod -aG " in seen.remedy or sys.platform != "linux"


def test_a_port_that_is_not_there_does_not_open() -> None:
    seen = look("/dev/there-is-no-such-port")
    assert "does not open" == seen.kind
    assert seen.said.startswith("`/dev/there-is-no-such-port` does not open: ")


def test_a_board_that_is_unplugged_while_it_is_asked_is_silent(board: Board) -> None:
    there = board(files={"main.py": "import machine, sys\nsys.stdin.readline()\nmachine.reset()"})
    seen = look(there.name)
    assert "silent" == seen.kind
    assert seen.said.startswith(f"`{there.name}` vanished during `hello`")


def test_a_board_is_as_it_was_after_it_was_looked_at(board: Board) -> None:
    there = board({"name": "bench-1"})
    first = look(there.name)
    assert all(first == look(there.name) for _ in range(5))


# All ports


def test_all_ports_are_listed_by_what_is_there(board: Board, plugged_in: Callable[..., None]) -> None:
    tester, bare, silent = board().name, board(bare=True).name, board(files={"main.py": SILENT}).name
    plugged_in(silent, bare, "/dev/there-is-none", tester, others=("/dev/ttyUSB7",))
    assert [
        (tester, "tester"),
        (bare, "at a prompt"),
        (silent, "silent"),
        ("/dev/there-is-none", "does not open"),
        ("/dev/ttyUSB7", "not asked"),
    ] == [(seen.port, seen.kind) for seen in survey()]


def test_a_port_of_another_maker_is_not_opened_unless_it_is_named(
    board: Board, plugged_in: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    other = board({"name": "behind-an-adapter"}).name
    plugged_in(others=(other,))
    assert ["tester"] == [seen.kind for seen in survey([other, other])]
    monkeypatch.setattr(discovery, "SerialLink", None)
    (seen,) = survey()
    assert f"`{other}` was not asked: it is not a Raspberry Pi board by its USB id" == seen.said


def test_ports_are_asked_at_the_same_time(board: Board, plugged_in: Callable[..., None]) -> None:
    plugged_in(*(board(files={"main.py": SILENT}).name for _ in range(4)))
    began = time.monotonic()
    assert ["silent"] * 4 == [seen.kind for seen in survey()]
    assert time.monotonic() - began < 4


# The one that is meant


def refused(find: Callable[..., str], *words: str) -> NoTester:
    with pytest.raises(NoTester) as error:
        find(*words)
    return error.value


def test_the_one_tester_there_is_is_found(board: Board, plugged_in: Callable[..., None]) -> None:
    port = board().name
    plugged_in("/dev/there-is-none", port, board(bare=True).name)
    assert port == find_tester()


def test_of_two_testers_none_is_picked(board: Board, plugged_in: Callable[..., None]) -> None:
    ports = sorted([board({"name": "left"}).name, board({"name": "left"}).name])
    plugged_in(*ports, "/dev/there-is-none")
    error = refused(find_tester)
    assert error.message.startswith("2 testers answer:\n")
    assert [f"  `{port}` is a tester named `left` (firmware " for port in ports] == [
        line.partition("(firmware ")[0] + "(firmware " for line in error.message.splitlines()[1:3]
    ]
    assert "`/dev/there-is-none` does not open" in error.message
    assert "choose one with `--port`" == error.hint
    assert refused(find_tester, "left").message.startswith("2 testers answer named `left`:\n")


def test_a_tester_is_found_by_its_name(board: Board, plugged_in: Callable[..., None]) -> None:
    left, right = board({"name": "left"}).name, board({"name": "right"}).name
    plugged_in(left, right, board().name)
    assert (left, right) == (find_tester("left"), find_tester("right"))
    error = refused(find_tester, "middle")
    assert error.message.startswith("no tester named `middle` found:\n")
    assert 3 == error.message.count(" is a tester")


def test_a_board_that_does_not_serve_is_no_tester_but_one_to_install_on(
    board: Board, plugged_in: Callable[..., None]
) -> None:
    plugged_in(port := board(files={"installing": ""}).name, "/dev/there-is-none")
    assert port == find_board()
    assert SAFE in refused(find_tester).message


@pytest.mark.parametrize("count", [0, 2])
def test_of_no_or_several_boards_none_is_installed_on(
    count: int, board: Board, plugged_in: Callable[..., None]
) -> None:
    plugged_in(*(board(bare=bool(number)).name for number in range(count)), others=("/dev/ttyUSB7",))
    error = refused(find_board)
    expected = "2 boards are there:\n" if count else "no board found:\n"
    assert error.message.startswith(expected)
    assert "`/dev/ttyUSB7` was not asked" in error.message


def test_without_any_port_there_is_nothing(plugged_in: Callable[..., None]) -> None:
    plugged_in()
    assert [] == survey()
    assert "no tester found: there is no USB serial port" == refused(find_tester).message
    assert "no board found: there is no USB serial port" == refused(find_board).message


@pytest.mark.parametrize(
    ("word", "could_be"),
    [
        ("bench-1", True),
        ("7", True),
        ("x" * 32, True),
        ("COMPANY", True),
        ("COM", True),
        ("x" * 33, False),
        ("", False),
        ("COM5", False),
        ("com12", False),
        ("/dev/ttyACM0", False),
        ("./bench-1", False),
        ("socket://127.0.0.1:5000", False),
        ("bench 1", False),
        ("bench_1", False),
        ("bänk", False),
        ("bench-1\n", False),
        ("\\\\.\\COM12", False),
    ],
)
def test_a_name_is_told_from_a_port(word: str, could_be: bool) -> None:
    assert could_be == could_be_a_name(word)


def test_what_is_seen_says_so_in_a_sentence() -> None:
    assert "`x` is strange" == str(Seen("x", "not a tester", said="`x` is strange"))
