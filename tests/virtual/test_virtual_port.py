"""A virtual board on a port: for mpremote, for a person who types, and for whoever opens it.

What the prompts do is what MicroPython's documentation says of its own ("The MicroPython Interactive
Interpreter Mode": control keys, paste mode, raw mode, raw-paste mode); what mpremote does is mpremote itself.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import serial

from pinwright.cable.pins import Pin
from pinwright.errors import BenchError, OwnBug
from pinwright.tester.frames import encode
from pinwright.virtual import process
from pinwright.virtual.bench import Bench
from pinwright.virtual.port import Port, Pty, Tcp
from pinwright.virtual.process import find_micropython

FIRMWARE = Path(__file__).parents[2] / "firmware"
POINT_OF = {Pin("P", str(point)): point for point in range(128)}
LONGEST_S = 30.0
PROMPT = b"\r\n>>> "

needs_micropython = pytest.mark.skipif(
    find_micropython() is None and not os.environ.get("CI"), reason="no `micropython` command here"
)
needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")


@pytest.fixture(params=[pytest.param("MicroPython", marks=needs_micropython), "CPython"])
def engine(request, monkeypatch):
    if request.param == "CPython":
        monkeypatch.setattr(process, "find_micropython", lambda: None)
    return request.param


@pytest.fixture(params=[pytest.param(Pty, marks=needs_pty), Tcp])
def at(request):
    return request.param()


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[..., Port]]:
    """A board on a port. firmware: a folder, or the text of a main.py, or None for none at all."""
    ports: list[Port] = []

    def serve(firmware=None, bench=None, **more):
        if isinstance(firmware, str):
            folder = tmp_path / f"firmware{len(ports)}"
            folder.mkdir()
            (folder / "main.py").write_text(firmware)
            firmware = folder
        ports.append(Port(Bench.from_dict(bench or {}), POINT_OF, firmware, **more))
        return ports[-1]

    yield serve
    for port in ports:
        port.close()


class Program:
    """A program that has the port open."""

    def __init__(self, port: Port) -> None:
        self.serial = serial.serial_for_url(port.name)
        self.seen = b""

    def __enter__(self) -> Program:
        return self

    def __exit__(self, *_: object) -> None:
        plug = getattr(self.serial, "_socket", None)  # pyserial leaves it open if the other side has hung up
        self.serial.close()
        if plug is not None:
            plug.close()

    def type(self, keys: bytes | str) -> None:
        self.serial.write(keys if isinstance(keys, bytes) else keys.encode())

    def until(self, end: bytes) -> bytes:
        """What comes up to and with `end`."""
        last = time.monotonic() + LONGEST_S
        while end not in self.seen:
            assert time.monotonic() < last, self.seen
            self.serial.timeout = 0.5
            self.seen += self.serial.read(1)
            self.serial.timeout = 0
            self.seen += self.serial.read(1 << 16)
        found, end, self.seen = self.seen.partition(end)
        return found + end

    def says(self, keys: bytes | str, end: bytes = PROMPT) -> str:
        """What comes after these keys, up to `end`, without it."""
        self.type(keys)
        return self.until(end)[: -len(end)].decode(errors="replace")

    def hello(self) -> str:
        self.type(b"\n" + encode(1, "hello"))
        self.until(b"<01 ")
        return self.until(b"\r\n").decode()


def mpremote(port: Port, *arguments: str, cwd: Path | None = None) -> tuple[int, str]:
    """Its exit status and what it prints."""
    done = subprocess.run(
        [sys.executable, "-m", "mpremote", "connect", port.name, *arguments],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL,
        timeout=30, cwd=cwd, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout.decode().replace("\r\n", "\n")


# mpremote


def test_mpremote_runs_code_and_says_what_it_says(engine, serve):
    port = serve(FIRMWARE)
    assert (0, "5\n") == mpremote(port, "eval", "2+3")
    assert (0, "a\nb\n") == mpremote(port, "exec", "word = 'a'; print(word)", "resume", "exec", "print('b')")
    assert (0, "a\n") == mpremote(port, "resume", "exec", "print(word)")  # the interpreter is the same
    status, said = mpremote(port, "exec", "print(word)")  # without `resume` a new one
    assert 1 == status
    assert "NameError: name 'word' " in said


def test_mpremote_works_over_tcp_as_well(serve):
    port = serve(FIRMWARE, at=Tcp())
    assert (0, "board.json\n") == mpremote(port, "exec", "import os; print(sorted(os.listdir())[0])")


def test_mpremote_runs_a_file_and_an_error_in_it_is_a_traceback_and_status_1(engine, serve, tmp_path):
    port = serve(FIRMWARE)
    long = tmp_path / "long.py"
    long.write_text("total = 0\n" + "".join(f"total += {n}\n" for n in range(300)) + "print(total)\n1 / 0\n")
    assert len(long.read_bytes()) > 1024
    status, said = mpremote(port, "run", str(long))
    assert 1 == status
    assert said.startswith('44850\nTraceback (most recent call last):\n  File "<stdin>", line 303')
    assert "\nZeroDivisionError: " in said
    assert "console.py" not in said


def test_mpremote_copies_lists_hashes_and_removes_files(engine, serve, tmp_path):
    port = serve(None)
    big = bytes(range(256)) * 13
    (tmp_path / "here" / "deep").mkdir(parents=True)
    (tmp_path / "here" / "main.py").write_text("print('main')\n")
    (tmp_path / "here" / "deep" / "big.bin").write_bytes(big)
    copy = ("fs", "cp", "-r", "here/.", ":", "+", "cp", ":deep/big.bin", "back.bin")
    look = ("+", "ls", "+", "cat", "main.py", "+", "sha256sum", "deep/big.bin")
    status, said = mpremote(port, *copy, *look, cwd=tmp_path)
    assert 0 == status
    files = [path for path in port.board.flash.rglob("*") if path.is_file()]
    copied = {path.relative_to(port.board.flash).as_posix(): path.read_bytes() for path in files}
    assert {"main.py": b"print('main')\n", "deep/big.bin": big} == copied
    assert "deep/\n" in said
    assert "print('main')\n" in said
    assert hashlib.sha256(big).hexdigest() in said
    assert big == (tmp_path / "back.bin").read_bytes()
    assert 0 == mpremote(port, "rm", "main.py", "+", "rm", "-r", ":deep")[0]
    assert [] == list(port.board.flash.iterdir())
    assert 1 == mpremote(port, "cat", "main.py")[0]


def test_mpremote_interrupts_the_firmware_and_a_soft_reset_starts_it_again(engine, serve):
    port = serve(FIRMWARE)
    with Program(port) as program:
        assert " firmware=" in program.hello()
    assert (0, "1\n") == mpremote(port, "resume", "exec", "print(1)")
    with Program(port) as program:  # it was interrupted, so now there is the prompt
        program.says("\r")
        assert "3+4\r\n7" == program.says("3+4\r")
    assert (0, "") == mpremote(port, "exec", "import machine; machine.soft_reset()")
    assert 0 == mpremote(port, "soft-reset")[0]
    with Program(port) as program:
        program.type(b"\x02\x04")  # out of the raw prompt, and start main.py
        program.until(b"MPY: soft reboot\r\n")
        assert " firmware=" in program.hello()


def test_after_mpremote_reset_the_port_comes_back_under_its_name_and_the_firmware_serves(engine, serve):
    port = serve(FIRMWARE)
    with Program(port) as program:
        program.hello()
        program.serial.close()
    assert 0 == mpremote(port, "reset")[0]
    _wait(lambda: not os.path.lexists(port.name))
    _wait(lambda: os.path.lexists(port.name))
    with Program(port) as program:
        assert " firmware=" in program.hello()


def _wait(until: Callable[[], bool]) -> None:
    last = time.monotonic() + LONGEST_S
    while not until():
        assert time.monotonic() < last
        time.sleep(0.005)


# The prompts


def test_the_friendly_prompt_echoes_evaluates_and_goes_on_over_lines(engine, serve):
    with Program(serve(None)) as program:
        assert f"{engine} v" in program.says(b"", PROMPT)
        assert "1+2\r\n3" == program.says("1+2\r")
        assert "x = 5" == program.says("x = 5\r")
        assert "x\r\n5" == program.says("x\r")
        assert "(1,\r\n... 2)\r\n(1, 2)" == program.says("(1,\r2)\r")
        looped = "for n in (1, 2):\r\n...     print(n)\r\n... \r\n1\r\n2"
        assert looped == program.says("for n in (1, 2):\r    print(n)\r\r")
        assert "None" == program.says("None\r")
        assert "'a'\r\n'a'" == program.says("'a'\r")
        assert "'''\r\n... ''' + '\\\\'\r\n'\\n\\\\'" == program.says("'''\r''' + '\\\\'\r")
        said = program.says("1/0\r")
        assert said.startswith("1/0\r\nTraceback (most recent call last):\r\n")
        assert "\r\nZeroDivisionError: " in said
        assert "SyntaxError" in program.says("1 +\r")
        assert "" == program.says("\r", b"\r\n>>> ")


def test_keys_that_are_not_text_do_what_they_do_on_a_board(engine, serve):
    with Program(serve(None)) as program:
        program.until(PROMPT)
        assert "12\b \b\b \b3\r\n3" == program.says("12\b\x7f3\r")
        assert "for" == program.says("for\x03")  # Ctrl-C: the line is forgotten
        assert "x = 1" == program.says("x = 1\r")
        assert "if x:\r\n... " == program.says("if x:\r\x03")
        assert "x\r\n1" == program.says("x\r")
        banner = program.says(b"\x02")  # Ctrl-B: out of the raw prompt, or a fresh banner
        assert f"\r\n{engine} v{banner.split(' v')[1].split(' ')[0]} on " in banner
        assert banner.endswith('Pinwright virtual board\r\nType "help()" for more information.')
        assert "x\r\n1" == program.says("x\r")
        assert "MPY: soft reboot" in program.says(b"\x04")  # Ctrl-D: a new interpreter
        assert "NameError" in program.says("x\r")


def test_paste_mode_takes_lines_until_ctrl_d_and_nothing_after_ctrl_c(engine, serve):
    with Program(serve(None)) as program:
        program.until(PROMPT)
        pasted = program.says("\x05if True:\r    print('pasted')\r\rprint(2)\x04")
        start = "\r\npaste mode; Ctrl-C to cancel, Ctrl-D to finish\r\n=== "
        assert pasted.startswith(start)
        assert pasted.endswith("\r\npasted\r\n2")
        cancelled = program.says("\x05print('not')\x03")
        assert start + "print('not')" == cancelled


def test_ctrl_c_interrupts_what_runs_and_leaves_the_prompt(engine, serve):
    with Program(serve("print('busy')\nwhile True:\n    pass\n")) as program:
        program.until(b"busy\r\n")
        assert "\r\nKeyboardInterrupt" in program.says(b"\x03")
        program.type("for n in range(10**9):\r    n or print('on')\r\r")
        program.until(b"\r\non\r\n")
        assert "\r\nKeyboardInterrupt" in program.says(b"\x03")
        assert "1\r\n1" == program.says("1\r")


def test_the_raw_prompt_runs_a_program_and_answers_in_three_parts(engine, serve):
    with Program(serve(None)) as program:
        program.until(PROMPT)
        assert "\r\nraw REPL; CTRL-B to exit\r\n" == program.says(b"\x01", b">")
        assert "OK1\r\n\x04\x04" == program.says("print(1)\x04", b">")
        said = program.says("print(2)\n1/0\x04", b"\x04>")
        assert said.startswith('OK2\r\n\x04Traceback (most recent call last):\r\n  File "<stdin>", line 2')
        assert "\r\nZeroDivisionError: " in said
        program.type("forgotten\x03")
        assert "OK3\r\n\x04\x04" == program.says("print(3)\x04", b">")
        assert "OK\r\nMPY: soft reboot\r\nraw REPL; CTRL-B to exit\r\n" == program.says(b"\x04", b">")
        said = program.says("raise SystemExit\x04", b"exit\r\n>")
        assert "OK\x04\x04MPY: soft reboot\r\nraw REPL; CTRL-B to " == said
        assert " virtual board" in program.says(b"\x02")


def test_raw_paste_asks_for_more_as_it_takes_what_came(engine, serve):
    """By the rules: no more than the window ahead; every 0x01 is leave for one more window."""
    text = ("total = 0\n" + "".join(f"total += {n}\n" for n in range(100)) + "print(total)\n").encode()
    assert len(text) > 1024
    with Program(serve(None)) as program:
        program.until(PROMPT)
        program.says(b"\x01", b">")
        assert "R\x01" == program.says(b"\x05A\x01", b"\x80\x00\x01").replace("\x80", "")
        window = 128
        for at in range(0, len(text), window):
            program.type(text[at : at + window])
            if at + window <= len(text):
                assert b"\x01" == program.until(b"\x01")
        assert "" == program.says(b"\x04", b"\x04")
        assert b"4950\r\n\x04\x04>" == program.until(b"\x04>")
        program.says(b"\x05A\x01", b"\x80\x00\x01")
        program.type(b"print('not'\x03")
        assert b"\x04\x04KeyboardInterrupt: \r\n\x04>" == program.until(b"\x04>")
        assert "OK1\r\n\x04\x04" == program.says("print(1)\x04", b">")


# The board behind it


def test_files_stay_over_resets_and_over_unplugging(engine, serve):
    port = serve(None)
    with Program(port) as program:
        program.until(PROMPT)
        program.says("f = open('kept', 'w'); f.write('word'); f.close()\r")
        assert "word" in program.says("open('kept').read()\r")
        assert "soft reboot" in program.says(b"\x04")
        assert "word" in program.says("open('kept').read()\r")
    port.replug()
    with Program(port) as program:
        program.type("open('kept').read()\r")
        program.until(b"\r\n'word'\r\n")


@needs_micropython
@pytest.mark.parametrize("path", ["/", "", "."])
def test_a_board_has_no_files_but_its_own(path, serve):
    with Program(serve("", {"tester": {"fitted": 3}})) as program:
        program.until(PROMPT)
        said = program.says(f"import os; sorted(os.listdir({path!r}))\r")
        assert said.endswith("\r\n['board.json', 'calibration.bin', 'check.bin', 'main.py']")


def test_a_second_program_on_a_tcp_port_is_turned_away(engine, serve):
    port = serve(FIRMWARE, at=Tcp())
    assert port.name.startswith("socket://127.0.0.1:")
    with Program(port) as first:
        first.hello()
        with Program(port) as second, pytest.raises(serial.SerialException):
            second.until(b"never")
        assert " firmware=" in first.hello()
    with Program(port) as third:
        assert " firmware=" in third.hello()


def test_another_cable_changes_what_a_scan_finds_without_a_restart(engine, at, serve):
    port = serve(FIRMWARE, {"link": [{"pins": ["P.0", "P.20"]}]}, at=at)
    first = port.board
    with Program(port) as program:
        before = _seen_by_the_first(program)
        port.plug(Bench.from_dict({"link": [{"pins": ["P.0", "P.9"]}]}), POINT_OF)
        after = _seen_by_the_first(program)
    assert {0, 20} == _points(before)
    assert {0, 9} == _points(after)
    assert port.board is first


def _seen_by_the_first(program: Program) -> str:
    zeros = "00" * 128
    requests = ("check", "map clear", f"map nets 00 {zeros}", f"map groups 00 {zeros}", "map done")
    for seq, words in enumerate((*requests, "scan settle=20"), 1):
        program.type(encode(seq, words))
        program.until(b"<%02X ok" % seq)
    program.type(encode(9, "rows seen 00"))
    program.until(b"<09 ok ")
    return program.until(b"\r\n")[:32].decode()


def _points(row: str) -> set[int]:
    bits = int.from_bytes(bytes.fromhex(row), "little")
    return {point for point in range(128) if bits >> point & 1}


def test_another_kind_of_tester_starts_the_board_anew_and_a_bench_that_is_wrong_changes_nothing(serve, at):
    port = serve(FIRMWARE, at=at)
    first = port.board
    with pytest.raises(BenchError):
        port.plug(Bench.from_dict({"link": [{"pins": ["P.0", "Q.1"]}]}), POINT_OF)
    with Program(port) as program:
        assert " points=128 " in program.hello()
    port.plug(Bench.from_dict({"tester": {"kind": "pocket"}}), POINT_OF)
    assert port.board is not first
    with Program(port) as program:
        assert " fixture=pocket-24 points=24 " in program.hello()


def test_a_board_file_of_one_s_own_survives_another_tester(serve, tmp_path):
    own = '{"fitted": 2, "name": "mine"}'
    (tmp_path / "board.json").write_text(own)
    port = serve(None, flash=tmp_path)
    port.plug(Bench.from_dict({"tester": {"fitted": 5}}), POINT_OF)
    assert own == (tmp_path / "board.json").read_text()


def test_another_tester_has_its_own_calibration_and_one_of_one_s_own_survives(serve, tmp_path):
    port = serve(FIRMWARE, flash=tmp_path)
    first = (tmp_path / "calibration.bin").read_bytes()
    (tmp_path / "check.bin").write_bytes(b"own")
    port.plug(Bench.from_dict({"tester": {"seed": 2}}), POINT_OF)
    assert first != (tmp_path / "calibration.bin").read_bytes()
    assert b"own" == (tmp_path / "check.bin").read_bytes()
    port.plug(Bench.from_dict({"tester": {"seed": 2, "lane": "uncalibrated"}}), POINT_OF)
    assert {"check.bin"} == {file.name for file in tmp_path.glob("*.bin")}
    port.plug(Bench.from_dict({"tester": {"seed": 1}}), POINT_OF)
    (tmp_path / "calibration.bin").unlink()  # by the firmware, say
    port.plug(Bench.from_dict({"tester": {"seed": 3}}), POINT_OF)
    assert (tmp_path / "calibration.bin").exists()


def test_what_a_board_broke_before_it_was_plugged_in_again_is_told_when_the_port_closes(engine):
    port = Port(Bench(), {}, None)
    port.board.board.broken.append("smoke")
    port.replug()
    assert [] == port.board.board.breaches()
    with pytest.raises(OwnBug, match="smoke"):
        port.close()
    port.close()


def test_what_nobody_reads_does_not_stop_the_board(engine, at, serve):
    script = "for n in range(4000):\n    print('x' * 50)\nopen('done', 'w').close()\n"
    port = serve(script, at=at)
    with Program(port):
        _wait((port.board.flash / "done").exists)
    with Program(port) as program:
        program.type("3\r")
        program.until(b"3\r\n3\r\n")


def test_a_board_that_never_stops_talking_can_be_interrupted_replugged_and_closed(engine, at, serve):
    port = serve("while True:\n    print('x' * 60)\n", at=at)
    for _ in range(2):
        with Program(port) as program:
            program.until(b"xxx\r\n")
            assert "\r\nKeyboardInterrupt" in program.says(b"\x03")
        began = time.monotonic()
        port.replug()
        assert time.monotonic() - began < 5
    began = time.monotonic()
    port.close()
    assert time.monotonic() - began < 5


def test_bytes_that_are_no_text_do_not_end_the_board(engine, serve):
    with Program(serve(None)) as program:
        program.until(PROMPT)
        program.says(b"\xff\xfe\r")
        assert "print('é')\r\né" == program.says("print('é')\r")
        program.says(b"\x05'\xff'\x04")
        program.says(b"\x01", b"exit\r\n>")
        program.says(b"'\xff'\x04", b"\x04>")
        assert "OK1\r\n\x04\x04" == program.says("print(1)\x04", b">")


def test_a_killed_board_makes_the_port_vanish(engine, at, serve):
    port = serve(FIRMWARE, at=at)
    with Program(port) as program:
        program.hello()
        port.board._process.kill()
        with pytest.raises((serial.SerialException, OSError)):
            program.until(b"never")
    _wait(lambda: not port.alive)
    if isinstance(at, Pty):
        assert not os.path.lexists(port.name)


def test_a_hard_reset_hangs_up_on_who_has_the_port_open(engine, at, serve):
    port = serve(FIRMWARE, at=at)
    with Program(port) as program:
        program.hello()
        port.board.reset()
        with pytest.raises((serial.SerialException, OSError)):
            program.until(b"never")
    _wait(lambda: port._reset is False)
    if isinstance(at, Pty):
        _wait(lambda: os.path.lexists(port.name))
    with Program(port) as program:
        assert " firmware=" in program.hello()


def test_closing_twice_ends_the_board_and_leaves_nothing(engine, at, serve):
    port = serve("while True:\n    pass\n", at=at)
    flash = port.board.flash
    port.close()
    port.close()
    assert not port.alive
    assert not flash.exists()
    assert not os.path.lexists(port.name)


def test_many_replugs_while_a_program_writes_end_with_a_board_that_serves(serve, at):
    port, stop = serve(FIRMWARE, at=at), threading.Event()

    def knock():
        while not stop.is_set():
            try:
                with Program(port) as program:
                    while not stop.is_set():
                        program.type(encode(1, "hello"))
                        program.until(b"<01 ")
            except (serial.SerialException, OSError):
                time.sleep(0.01)

    with ThreadPoolExecutor(1) as pool:
        knocking = pool.submit(knock)
        for _ in range(3):
            time.sleep(0.05)
            port.replug()
        stop.set()
        knocking.result()
    with Program(port) as program:
        assert " firmware=" in program.hello()
