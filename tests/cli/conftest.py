"""What the tests of the command line share: running it, writing bench files, and boards on ports."""

from __future__ import annotations

import contextlib
import functools
import json
import os
import re
import select
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import gettempdir
from typing import Any

import pytest

from pinwright import discovery, library, link, resources
from pinwright.cable.profile import Profile
from pinwright.cli import main as program
from pinwright.cli.ports import Workshop, plug_in
from pinwright.library import find_profile, library_folders
from pinwright.virtual.bench import Bench, good_bench
from pinwright.virtual.port import Jack, Port, Pty, Tcp, jack

HOST = Path(program.__file__).parents[2]
GOLDEN = Path(__file__).parent / "golden"


@dataclass(frozen=True)
class Ran:
    """What a command left behind."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        """Standard output as the one JSON document that it has to be."""
        return json.loads(self.out)

    def error(self, status: int) -> str:
        """The message of a command that had to end with this status, on standard error alone."""
        assert status == self.status, self
        assert self.out == ""
        assert "Traceback" not in self.err
        last = self.err[self.err.index("error: ") :].removeprefix("error: ")
        return last.split("\n\nhint: ")[0].rstrip("\n")


def steady(told: str) -> str:
    """What a scan shows, without its dates. A virtual board measures the same every time."""
    return re.sub(r"\b\d{4}-\d\d-\d\d\b", "<date>", told)


_profile_of = functools.cache(library.profile_of)


@pytest.fixture(autouse=True)
def _a_profile_is_understood_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every command reads the whole library. What a text means depends on nothing but the text and cannot be
    changed by anybody, so it is worked out once; programs of their own do it as always."""
    monkeypatch.setattr(library, "profile_of", _profile_of)


@pytest.fixture
def pinwright(capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    """Run a command in this process."""

    def pinwright(*words: object) -> Ran:
        capsys.readouterr()
        status = program.main([str(word) for word in words])
        return Ran(status, *capsys.readouterr())

    return pinwright


@pytest.fixture(scope="session")
def command() -> Callable[..., list[str]]:
    """The words that run a command as a program of its own."""

    def command(*words: object) -> list[str]:
        return [sys.executable, "-m", "pinwright", *map(str, words)]

    return command


@pytest.fixture(scope="session")
def surroundings() -> Callable[..., dict[str, str]]:
    """The environment of a program of its own; more: what is added."""

    def surroundings(**more: object) -> dict[str, str]:
        return {**os.environ, "PYTHONPATH": str(HOST), **{name: str(value) for name, value in more.items()}}

    return surroundings


@pytest.fixture
def process(
    command: Callable[..., list[str]], surroundings: Callable[..., dict[str, str]], tmp_path: Path
) -> Callable[..., Ran]:
    """Run a command as a program of its own, to its end."""

    def process(*words: object, **more: object) -> Ran:
        done = subprocess.run(
            command(*words),
            env=surroundings(**more),
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=60,
        )
        return Ran(done.returncode, done.stdout, done.stderr)

    return process


@pytest.fixture
def on_a_terminal(command: Any, surroundings: Any) -> Callable[..., tuple[int, str]]:
    """Run a command on a pseudo-terminal, of 80 columns by default; returns status and all that it showed."""
    if os.name != "posix":
        pytest.skip("pseudo-terminals are of POSIX")
    import fcntl
    import struct
    import termios

    def on_a_terminal(*words: object, columns: int = 80, **more: object) -> tuple[int, str]:
        ours, theirs = os.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        environment = surroundings(TERM="xterm-256color", **more)
        running = subprocess.Popen(
            command(*words), env=environment, stdin=theirs, stdout=theirs, stderr=theirs
        )
        os.close(theirs)
        shown, end = b"", time.monotonic() + 60
        try:
            while time.monotonic() < end:
                if select.select([ours], [], [], 1)[0]:
                    part = os.read(ours, 4096)
                    if not part:
                        break
                    shown += part
        except OSError:
            pass  # EIO: the program has ended and closed its side
        finally:
            os.close(ours)
        return running.wait(10), shown.decode().replace("\r\n", "\n")

    return on_a_terminal


class Terminal:
    """A command at a terminal of its own: what it shows is waited for and answered. shown: all of it."""

    def __init__(self, words: Sequence[str], environment: Mapping[str, str]) -> None:
        import termios

        self._ours, self._theirs = os.openpty()
        self._look = lambda: termios.tcgetattr(self._theirs)
        self.before = self.look
        ends = {"stdin": self._theirs, "stdout": self._theirs, "stderr": self._theirs}
        self.running = subprocess.Popen(words, env=environment, **ends)
        self.shown = b""
        self._end = time.monotonic() + 30

    @property
    def look(self) -> object:
        """How the terminal is set: whether it echoes, and the like."""
        return self._look()

    def until(self, there: Callable[[bytes], object]) -> None:
        """Read on until that holds of what it has shown."""
        while not there(self.shown):
            assert time.monotonic() < self._end, self.shown
            if select.select([self._ours], [], [], 0.05)[0]:
                self.shown += os.read(self._ours, 4096)

    def type(self, keys: bytes) -> None:
        os.write(self._ours, keys)

    def close(self) -> None:
        self.running.kill()
        self.running.wait()
        os.close(self._ours)
        os.close(self._theirs)


@pytest.fixture
def at_a_terminal(command: Any, surroundings: Any) -> Iterator[Callable[..., Terminal]]:
    """Start a command at a terminal of its own."""
    with contextlib.ExitStack() as closing:

        def at_a_terminal(*words: object) -> Terminal:
            terminal = Terminal(command(*words), surroundings(TERM="xterm"))
            closing.callback(terminal.close)
            return terminal

        yield at_a_terminal


@pytest.fixture
def golden(tmp_path: Path) -> Callable[..., None]:
    """Compare a run with its golden file. folded: to 80 columns. measured: with ohms in it that were measured
    just now. tokens: what stands there for a word.

    `PINWRIGHT_REGENERATE=1` writes the files anew: read the difference then.
    """

    def golden(name: str, ran: Ran, *, folded: bool = True, measured: bool = False, **tokens: str) -> None:
        told = f"{ran.out}--- standard error\n{ran.err}--- exit status {ran.status}\n"
        for token, word in {"tmp": str(tmp_path), "profiles": str(library_folders()[0]), **tokens}.items():
            told = told.replace(word, f"<{token}>")
        told = re.sub(re.escape(gettempdir()) + r".pinwright-demo-\w+", "<demo>", told)
        told = re.sub(re.escape(gettempdir()) + r".pinwright-port-\w+.board", "<port>", told)
        told = re.sub(r"SHA-256 [0-9a-f]{64}", "SHA-256 <hash>", told)
        told = re.sub(r"firmware \d+\.\d+\.\d+", "firmware <version>", told)
        told = steady(told) if measured else told
        file = GOLDEN / f"{name}.txt"
        if os.environ.get("PINWRIGHT_REGENERATE"):
            file.write_text(told, encoding="utf-8")
        assert file.read_text(encoding="utf-8") == told
        for line in told.splitlines() if folded else ():
            assert len(line) <= 80 or "<" in line or line.startswith(("error: ", "hint: ")), line

    return golden


@pytest.fixture(scope="session")
def profile_of() -> Callable[[str], Profile]:
    """A profile of the library by its id."""
    return lambda name: find_profile(name, library_folders()).profile


@pytest.fixture
def bench(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., str]:
    """Write a bench file; returns what `--port` has to be for it."""
    folder = tmp_path_factory.mktemp("bench")

    def bench(links: Sequence[Sequence[object]], tester: str = "") -> str:
        file = folder / f"bench-{len(list(folder.iterdir()))}.toml"
        tables = "".join(f"[[link]]\npins = {json.dumps([str(pin) for pin in pins])}\n" for pins in links)
        file.write_text(f"{tables}{tester and '[tester]' + chr(10)}{tester}", encoding="utf-8")
        return f"sim:{file}"

    return bench


@pytest.fixture
def closing() -> Iterator[Callable[[Any], Any]]:
    """Close what is given, in reverse order, at the end."""
    opened: list[Any] = []

    def closing(thing: Any) -> Any:
        opened.append(thing)
        return thing

    yield closing
    for thing in reversed(opened):
        thing.close()


def pulled(at: Jack, lines: int) -> Jack:
    """The jack, pulled for good once so many lines of the board's have gone through it."""
    write, left = at.write, lines

    def counted(data: bytes) -> None:
        nonlocal left
        for line in data.splitlines(keepends=True):
            if not left:
                at.unplug()
                return
            left -= line.endswith(b"\n")
            write(line)

    at.write = counted  # type: ignore[method-assign]
    return at


@pytest.fixture
def board(closing: Callable[[Any], Any], profile_of: Callable[[str], Profile]) -> Callable[..., Port]:
    """Keep a virtual board on a port, a good cable in it, or nothing.

    files: what is on the board besides the firmware, or instead of a file of it. bare: no firmware. lines:
    after how many of its lines it is unplugged. tcp: on TCP, even where there are pseudo-terminals.
    """

    def board(
        profile: str = "",
        *,
        flash: Path | None = None,
        bare: bool = False,
        lines: int | None = None,
        tcp: bool = False,
    ) -> Port:
        found = profile_of(profile) if profile else None
        bench, ends = (good_bench(found), found.ends) if found else (Bench(), ())
        firmware = None if bare or flash else resources.folder("firmware")
        at: Jack = Tcp() if tcp else jack()
        at = at if lines is None else pulled(at, lines)
        port: Port = closing(Port(*plug_in(bench, ends, Workshop.read(), {}), firmware, flash=flash, at=at))
        return port

    return board


@pytest.fixture
def flash(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """A folder with the firmware and `board.json` as a board has them, but for some files that are replaced.

    changed: path → its content, or (old, new) words in it.
    """

    def flash(changed: dict[str, str | tuple[str, str]], about: dict[str, object] | None = None) -> Path:
        folder = tmp_path_factory.mktemp("flash")
        shutil.copytree(resources.folder("firmware"), folder, dirs_exist_ok=True)
        (folder / "board.json").write_text(json.dumps(about or {"fitted": 8, "name": "bench-1"}))
        for name, change in changed.items():
            file = folder / name
            if isinstance(change, str):
                file.write_text(change)
            else:
                assert change[0] in file.read_text()
                file.write_text(file.read_text().replace(*change))
        return folder

    return flash


REAL = {"tester/commands.py": ("sys.platform,", '"rp2",')}  # a virtual board that says it is a real one


@pytest.fixture
def real_board(board: Callable[..., Port], flash: Callable[..., Path]) -> Callable[..., Port]:
    """A board that says it is no simulation. about: what stands in its board.json."""
    return lambda profile="", **about: board(profile, flash=flash(REAL, about))


class Answering:
    """Something that is no tester at a port: what `answer` says to each line it is sent."""

    def __init__(self, answer: Callable[[bytes], bytes]) -> None:
        self._jack = Pty()
        self._jack.plug_in()
        self.name = self._jack.name
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._loop, args=(answer,), daemon=True)
        self._thread.start()

    def _loop(self, answer: Callable[[bytes], bytes]) -> None:
        rest = b""
        while not self._stop.is_set():
            ready = select.select(self._jack.sources(), [], [], 0.02)[0]
            *lines, rest = (rest + self._jack.read(ready)).split(b"\n")
            for line in lines:
                self._jack.write(answer(line))

    def close(self) -> None:
        self._stop.set()
        self._thread.join(5)
        self._jack.close()


@pytest.fixture
def answering_port(closing: Callable[[Any], Any]) -> Callable[[Callable[[bytes], bytes]], str]:
    """A port that answers each line it is sent; returns its name."""
    if os.name != "posix":
        pytest.skip("pseudo-terminals are of POSIX")

    def answering_port(answer: Callable[[bytes], bytes]) -> str:
        name: str = closing(Answering(answer)).name
        return name

    return answering_port


@pytest.fixture
def once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ask each thing once, so that silence takes a second only; what vanished is not waited for long."""
    monkeypatch.setattr(link, "TRIES", 1)
    monkeypatch.setattr(link, "AGAIN_S", 0.2)


@pytest.fixture
def usb_ports(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Say which USB serial ports this machine has. others: those that are of another maker."""

    def usb_ports(*ours: str, others: Sequence[str] = ()) -> None:
        found = [(port, 0x2E8A) for port in ours] + [(port, 0x0403) for port in others]
        monkeypatch.setattr(discovery, "usb_ports", lambda: sorted(found))

    return usb_ports
