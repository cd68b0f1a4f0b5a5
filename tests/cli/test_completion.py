"""`pinwright completion`, and what a shell is told when somebody presses Tab."""

from __future__ import annotations

import io
import os
import re
import select
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn

import pytest

from pinwright import link
from pinwright.cli import main as program
from pinwright.cli.completion import PATIENCE_S, SHELLS, answer
from pinwright.cli.main import COMMANDS, parser
from pinwright.records.store import Store, default_place

from ..records.making import a_record
from ..records.test_lines import BATCH, keep

Asked = Callable[..., list[str]]


class Left(BaseException):
    """The program has left. status: with which."""

    def __init__(self, status: int) -> None:
        self.status = status


def leave(status: int) -> NoReturn:
    raise Left(status)


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Asked:
    """What a line can go on with; as a shell asks it, but in this process."""
    for name in ("HOME", "XDG_DATA_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    monkeypatch.setattr(link, "usb_ports", lambda: [("/dev/ttyACM0", 0x2E8A), ("/dev/ttyUSB1", 0x0403)])

    def asked(line: str, shell: str = "bash", point: int | None = None, status: int = 0) -> list[str]:
        environment = {
            "_ARGCOMPLETE": "1",
            "_ARGCOMPLETE_SHELL": shell,
            "_ARGCOMPLETE_SUPPRESS_SPACE": "1",
            "_ARGCOMPLETE_IFS": "\n",
            "_ARGCOMPLETE_COMP_WORDBREAKS": "",
            "COMP_LINE": line,
            "COMP_POINT": str(len(line) if point is None else point),
        }
        out = io.StringIO()
        with monkeypatch.context() as patch:
            for name, value in environment.items():
                patch.setenv(name, value)
            with pytest.raises(Left) as left:
                answer(parser, COMMANDS, leave=leave, stream=out)
        assert status == left.value.status
        return out.getvalue().split("\n") if out.getvalue() else []

    return asked


# What is offered


def test_commands_and_actions_are_completed(asked: Asked) -> None:
    assert list(COMMANDS) == asked("pinwright ")
    assert ["records"] == asked("pinwright rec")
    assert {"list", "show", "compare", "export", "import", "backup"} <= set(asked("pinwright records "))
    assert ["calibrate", "check"] == asked("pinwright tester c")
    assert ["show"] == asked("pinwright records --simulated sh")
    assert list(SHELLS) == asked("pinwright completion ")


def test_options_are_completed_where_a_hyphen_was_typed(asked: Asked) -> None:
    assert ["--port"] == asked("pinwright scan lamp-changer-40 --po")
    assert {"--port", "--serial", "--again", "-v"} <= set(asked("pinwright scan lamp-changer-40 -"))
    assert not [word for word in asked("pinwright scan ") if word.startswith("-")]
    assert ["--csv"] == asked("pinwright records export --c")
    assert ["a4", "letter"] == asked("pinwright label F-1 --paper ")
    assert ["letter"] == asked("pinwright batch lamp-changer-40 --paper l")
    assert ["pass", "fail", "withdrawn", "unreadable"] == asked("pinwright records list --result ")


@pytest.mark.parametrize(
    "line",
    [
        "pinwright scan lamp",
        "pinwright sheet lamp",
        "pinwright touch lamp",
        "pinwright batch lamp",
        "pinwright profiles show lamp",
        "pinwright profiles diff service-lead-9 lamp",
        "pinwright records list --profile lamp",
        "pinwright records report lamp",
    ],
)
def test_profiles_are_completed_wherever_one_can_be(line: str, asked: Asked) -> None:
    assert ["lamp-changer-40"] == asked(line)


def test_files_of_profiles_are_completed_too(
    asked: Asked, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("mine.toml", "notes.txt", ".hidden.toml", "two words.toml"):
        (tmp_path / name).write_text("")
    (tmp_path / "leads").mkdir()
    (tmp_path / "leads" / "one.toml").write_text("")
    monkeypatch.chdir(tmp_path)
    offered = asked("pinwright scan ")
    assert {"lamp-changer-40", "mine.toml", r"two\ words.toml"} <= set(offered)
    assert not {"notes.txt", ".hidden.toml", "leads/"} & set(offered)
    assert ["mine.toml"] == asked("pinwright scan min")
    assert "leads/" in asked("pinwright scan le")
    assert ["leads/one.toml"] == asked("pinwright scan leads/")
    assert [f"{tmp_path}/mine.toml"] == asked(f"pinwright scan {tmp_path}/m")
    assert [".hidden.toml"] == asked("pinwright scan .h")
    assert ["mine.toml", "notes.txt", r"two\ words.toml", "leads/"] == sorted(
        asked("pinwright records verify "), key=lambda word: word.endswith("/")
    )
    assert ["leads/"] == asked("pinwright records list --records ")


def test_serials_are_completed_from_the_folder_that_the_line_names(asked: Asked, tmp_path: Path) -> None:
    keep(tmp_path / "r", a_record(serial="HL-1"))
    keep(tmp_path / "r", a_record(serial="HL-2"))
    keep(tmp_path / "r", a_record(serial="X-1"))
    place = f"--records {tmp_path / 'r'}"
    assert ["HL-1", "HL-2", "X-1"] == asked(f"pinwright records show {place} ")
    assert ["HL-1", "HL-2"] == asked(f"pinwright records show {place} HL")
    assert ["X-1"] == asked(f"pinwright label {place} HL-1 X")
    assert ["HL-2"] == asked(f"pinwright records compare {place} HL-2")
    assert ["HL-1", "HL-2"] == asked(f"pinwright scan lamp-changer-40 {place} --again --serial HL-")
    assert [] == asked("pinwright records show HL")
    for simulated, line in (
        (False, "pinwright records show "),
        (True, "pinwright records show --simulated "),
        (True, "pinwright scan lamp-changer-40 --port sim --serial "),
    ):
        keep(default_place(simulated), a_record(serial=f"S-{simulated}"))
        assert [f"S-{simulated}"] == asked(line)


def test_batches_are_completed(asked: Asked, tmp_path: Path) -> None:
    Store(tmp_path).new_batch("five", lambda id: BATCH)
    assert ["five-1"] == asked(f"pinwright records list --records {tmp_path} --batch ")


def test_ports_are_completed_without_one_being_opened(asked: Asked, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link, "SerialLink", None)
    assert ["sim", "sim:", "/dev/ttyACM0", "/dev/ttyUSB1"] == asked("pinwright scan x --port ")
    assert ["/dev/ttyACM0"] == asked("pinwright tester check --port /dev/ttyA")
    assert ["--port=/dev/ttyACM0"] == asked("pinwright tester check --port=/dev/ttyA")


def test_what_the_virtual_tester_has_plugged_in_is_completed(
    asked: Asked, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "bench.toml").write_text("")
    monkeypatch.chdir(tmp_path)
    assert {"sim:bench.toml", "sim:lamp-changer-40"} <= set(asked("pinwright scan x --port sim:"))
    assert ["sim:lamp-changer-40"] == asked("pinwright scan x --port sim:lam")
    assert [f"sim:{tmp_path}/bench.toml"] == asked(f"pinwright scan x --port sim:{tmp_path}/b")


def test_sockets_are_completed_for_the_ends_of_the_profile(asked: Asked) -> None:
    assert ["A=J1", "A=J2", "A=S1"] == asked("pinwright scan straight-34 --at A=")
    assert {"A=J1", "B=S1", "C=J2"} <= set(asked("pinwright scan woven-40 --at "))
    assert [] == asked("pinwright scan no-such-profile --at A=")


def test_where_there_is_nothing_to_say_nothing_is_offered(asked: Asked) -> None:
    for line in (
        "pinwright scan x --operator ",
        "pinwright scan x --max-ohms ",
        "pinwright records list wor",
        "pinwright scan x y z ",
        'pinwright scan "lam',
    ):
        assert [] == [word for word in asked(line) if "lamp-changer-40" not in word], line


@pytest.mark.parametrize("shell", SHELLS)
def test_it_is_the_same_in_every_shell(shell: str, asked: Asked) -> None:
    plain = [re.split(r"(?<!\\):", word)[0] for word in asked("pinwright scan lamp", shell=shell)]
    assert ["lamp-changer-40"] == plain


def test_only_what_stands_before_the_cursor_counts(asked: Asked) -> None:
    assert ["scan"] == asked("pinwright sc lamp-changer-40", point=len("pinwright sc"))


# Never printing, raising or taking long


@pytest.fixture
def a_completer(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], Any]], None]:
    """Have the serials completed by this instead."""

    def a_completer(find: Callable[[], Any]) -> None:
        monkeypatch.setattr(Store, "cables", lambda *_: find())

    return a_completer


def test_a_completer_that_fails_offers_nothing(a_completer: Any, asked: Asked) -> None:
    def fail() -> None:
        raise RuntimeError("no")

    a_completer(fail)
    assert [] == asked("pinwright records show ")


def test_a_completer_that_prints_says_nothing(
    a_completer: Any, asked: Asked, capfd: pytest.CaptureFixture[str]
) -> None:
    def chatter() -> list[str]:
        print("out")
        print("err", file=sys.stderr)
        return ["X-1"]

    a_completer(chatter)
    assert ["X-1"] == asked("pinwright records show ")
    assert ("", "") == capfd.readouterr()


def test_a_completer_that_takes_long_is_not_waited_for(a_completer: Any, asked: Asked) -> None:
    ended = []
    a_completer(lambda: (select.select([], [], [], 3.0), ended.append(True)))
    begun = time.monotonic()
    assert [] == asked("pinwright records show ")
    assert PATIENCE_S <= time.monotonic() - begun < 2.0
    assert [] == ended


def test_a_folder_that_cannot_be_read_offers_nothing(asked: Asked, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    assert [] == asked(f"pinwright records show --records {tmp_path / 'file'} ")
    assert [] == asked(f"pinwright scan {tmp_path}/nowhere/")


def test_words_that_command_a_terminal_are_not_offered(
    asked: Asked, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "\x1b[31m.toml").write_text("")
    (tmp_path / "x.toml").write_text("")
    monkeypatch.chdir(tmp_path)
    offered = asked("pinwright scan ")
    assert "x.toml" in offered
    assert not [word for word in offered if not word.isprintable()]


@pytest.mark.parametrize("lacking", ["COMP_LINE", "COMP_POINT"])
def test_an_environment_that_lacks_something_ends_with_2(
    lacking: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in {"_ARGCOMPLETE": "1", "COMP_LINE": "pinwright ", "COMP_POINT": "10"}.items():
        if name != lacking:
            monkeypatch.setenv(name, value)
    with pytest.raises(Left) as left:
        answer(parser, COMMANDS, leave=leave, stream=io.StringIO())
    assert 2 == left.value.status


# As a program


def ask_the_program(words: list[str], environment: dict[str, str], line: str, **more: str) -> Any:
    """With descriptor 8 as a shell has it; returns status, and what came there, on output and on error."""
    ours, theirs = os.pipe()
    try:
        saved = os.dup(8)
    except OSError:  # it is free
        saved = None
    os.dup2(theirs, 8)
    os.close(theirs)
    try:
        done = subprocess.run(
            words,
            env={
                **environment,
                "_ARGCOMPLETE": "1",
                "_ARGCOMPLETE_SHELL": "bash",
                "COMP_LINE": line,
                "COMP_POINT": str(len(line)),
                **more,
            },
            pass_fds=[8],
            capture_output=True,
            stdin=subprocess.DEVNULL,
            check=False,
        )
    finally:
        os.close(8)
        if saved is not None:
            os.dup2(saved, 8)
            os.close(saved)
    with os.fdopen(ours) as told:
        return done.returncode, told.read().split("\013"), done.stdout + done.stderr


@pytest.mark.skipif(os.name != "posix", reason="descriptor 8 is what shells of POSIX read")
def test_a_shell_reads_descriptor_8(command: Any, surroundings: Any) -> None:
    asked = (command(), surroundings(), "pinwright sc")
    assert (0, ["scan "], b"") == ask_the_program(*asked)


def test_powershell_reads_a_file(command: Any, surroundings: Any, tmp_path: Path) -> None:
    more = {
        "_ARGCOMPLETE": "1",
        "_ARGCOMPLETE_IFS": "\n",
        "_ARGCOMPLETE_SHELL": "powershell",
        "_ARGCOMPLETE_STDOUT_FILENAME": str(tmp_path / "told"),
        "COMP_LINE": "pinwright re",
        "COMP_POINT": "12",
    }
    done = subprocess.run(command(), env=surroundings(**more), capture_output=True, check=False)
    assert (0, b"") == (done.returncode, done.stdout + done.stderr)
    assert "records " == (tmp_path / "told").read_text()


def test_a_command_with_words_is_never_taken_for_a_shell_s_question(process: Any) -> None:
    """A scan must not end with status 0 for having completed something."""
    told = {"_ARGCOMPLETE": "1", "COMP_LINE": "pinwright ", "COMP_POINT": "10"}
    ran = process("scan", "no-such-profile", "--port", "sim", **told)
    assert "no profile has the id `no-such-profile`" in ran.error(2)
    assert 2 == process().status


def test_argcomplete_is_imported_only_when_a_shell_asks(command: Any, surroundings: Any) -> None:
    code = "import sys; from pinwright.cli import main; main.main(['--help']); print(*sorted(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", code], env=surroundings(), capture_output=True, text=True, check=True
    )
    modules = done.stdout.splitlines()[-1].split()
    assert "pinwright.cli.main" in modules
    assert not {"argcomplete", "pinwright.cli.completion", "rich", "sqlalchemy"} & set(modules)


# The scripts


@pytest.mark.parametrize("shell", SHELLS)
def test_the_script_of_a_shell(shell: str, pinwright: Any) -> None:
    ran = pinwright("completion", shell)
    assert 0 == ran.status
    assert f"to have it in every new {shell}: {SHELLS[shell]}\n" == ran.err
    assert "_ARGCOMPLETE" in ran.out
    assert "pinwright" in ran.out
    assert 2 == pinwright("completion", "tcsh").status


BASH = shutil.which("bash")


@pytest.mark.skipif(BASH is None or os.name != "posix", reason="there is no bash here")
def test_a_real_bash_completes_what_is_typed(command: Any, surroundings: Any, tmp_path: Path) -> None:
    """On a pseudo-terminal, with Tab: a command, a profile, and a port with a colon in it."""
    home, bin = tmp_path / "home", tmp_path / "bin"
    for folder in (home, bin):
        folder.mkdir()
    script = bin / "pinwright"
    words = " ".join(command())
    script.write_text(f'#!/bin/sh\nif [ "$_ARGCOMPLETE" ]; then exec {words} "$@"; fi\necho "RAN $*"\n')
    script.chmod(0o755)
    loaded = subprocess.run(
        command("completion", "bash"), env=surroundings(), capture_output=True, text=True, check=True
    )
    (home / ".bashrc").write_text(loaded.stdout + "\nPS1='ready> '\nbind 'set bell-style none'\n")
    environment = surroundings(
        HOME=home, TERM="dumb", PATH=f"{bin}{os.pathsep}{os.environ['PATH']}", INPUTRC=os.devnull
    )
    ours, theirs = os.openpty()
    running = subprocess.Popen(
        [str(BASH), "--rcfile", str(home / ".bashrc"), "-i"],
        env=environment,
        cwd=tmp_path,
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
    )
    os.close(theirs)
    try:
        until(ours, "ready> ")
        for typed, runs in (
            ("pinwright sc\tlamp\t\n", "RAN scan lamp-changer-40"),
            ("pinwright scan x --po\tsim:lamp\t\n", "RAN scan x --port sim:lamp-changer-40"),
            ("pinwright tester ca\t\n", "RAN tester calibrate"),
        ):
            os.write(ours, typed.encode())
            assert runs in until(ours, f"{runs.split()[-1]}\r\nready> ")
    finally:
        running.kill()
        running.wait(10)
        os.close(ours)


def until(terminal: int, expected: str) -> str:
    """What a terminal shows, until that is its end. Half a minute is too long."""
    shown, end = "", time.monotonic() + 30
    while not shown.rstrip(" ").endswith(expected.rstrip(" ")):
        left = end - time.monotonic()
        assert left > 0, shown
        assert select.select([terminal], [], [], left)[0], shown
        shown += os.read(terminal, 4096).decode()
    return shown


def test_the_program_s_own_parser_is_what_is_asked() -> None:
    assert program.parser is parser
