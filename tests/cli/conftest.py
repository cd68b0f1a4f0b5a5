"""What the tests of the command line share: running it, writing bench files, and boards made of a PTY."""

from __future__ import annotations

import json
import os
import select
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from pinwright import resources
from pinwright.cable.profile import Profile
from pinwright.cli import main as program
from pinwright.errors import LinkLost
from pinwright.library import find_profile, library_folders, read_fixture
from pinwright.tester.fixture import place
from pinwright.virtual.bench import good_bench
from pinwright.virtual.process import VirtualTester

HOST = Path(program.__file__).parents[2]


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


class Board:
    """A virtual tester at the far side of some bytes: pumps until it is told to stop.

    replies: how many lines are let through before the plug is pulled; None for all.
    """

    def __init__(self, profile: Profile, end: Any, *, replies: int | None = None) -> None:
        placement = place(profile.ends, read_fixture(), 128, {})
        self._tester = VirtualTester(good_bench(profile), placement.point_of, resources.folder("firmware"))
        self._end = end
        self._left = replies
        self._stop = threading.Event()
        self._threads = [threading.Thread(target=loop, daemon=True) for loop in (self._inward, self._outward)]
        for thread in self._threads:
            thread.start()

    def _inward(self) -> None:
        try:
            while not self._stop.is_set():
                if select.select([self._end], [], [], 0.02)[0]:
                    data = os.read(self._end.fileno(), 4096)
                    if not data:
                        return
                    self._tester.write(data)
        except (OSError, ValueError, LinkLost):
            pass  # the far side has gone

    def _outward(self) -> None:
        try:
            while not self._stop.is_set():
                data = self._tester.read(0.02)
                if self._left is not None:
                    *lines, _ = data.split(b"\n")
                    if data and (len(lines) > self._left or not self._left):
                        self._stop.set()
                        self._threads[0].join()
                        self._end.close()
                        return
                    self._left -= len(lines)
                if data:
                    os.write(self._end.fileno(), data)
        except (OSError, ValueError, LinkLost):
            pass

    def close(self) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(5)
        self._tester.close()
        self._end.close()


class Answering:
    """Something that is no tester at the far side of a PTY: what `answer` says to each line it is sent."""

    def __init__(self, end: Any, answer: Callable[[bytes], bytes]) -> None:
        self._end = end
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._loop, args=(answer,), daemon=True)
        self._thread.start()

    def _loop(self, answer: Callable[[bytes], bytes]) -> None:
        rest = b""
        try:
            while not self._stop.is_set():
                if select.select([self._end], [], [], 0.02)[0]:
                    *lines, rest = (rest + os.read(self._end.fileno(), 4096)).split(b"\n")
                    for line in lines:
                        os.write(self._end.fileno(), answer(line))
        except OSError:
            pass  # the far side has gone

    def close(self) -> None:
        self._stop.set()
        self._thread.join(5)
        self._end.close()


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


@pytest.fixture
def pty_pair(closing: Callable[[Any], Any]) -> Callable[[], tuple[Any, str]]:
    """A new pseudo-terminal: the board's side as a file, and the name of the port that it is."""
    if os.name != "posix":
        pytest.skip("pseudo-terminals are of POSIX")
    import tty

    class Handle:  # holds the far side open, so that nothing is lost while no program has it open
        def __init__(self, number: int) -> None:
            self.number = number

        def close(self) -> None:
            os.close(self.number)

    def pty_pair() -> tuple[Any, str]:
        ours, theirs = os.openpty()
        tty.setraw(theirs)
        closing(Handle(theirs))
        return os.fdopen(ours, "r+b", buffering=0), os.ttyname(theirs)

    return pty_pair


@pytest.fixture
def board_on_a_port(
    closing: Callable[[Any], Any],
    pty_pair: Callable[[], tuple[Any, str]],
    profile_of: Callable[[str], Profile],
) -> Callable[..., str]:
    """Start a virtual tester behind a pseudo-terminal; returns the port."""

    def board_on_a_port(profile: str, *, replies: int | None = None) -> str:
        end, port = pty_pair()
        closing(Board(profile_of(profile), end, replies=replies))
        return port

    return board_on_a_port


@pytest.fixture
def board_on_a_socket(
    closing: Callable[[Any], Any], profile_of: Callable[[str], Profile]
) -> Callable[..., str]:
    """Start a virtual tester behind a TCP port; returns the URL."""

    def board_on_a_socket(profile: str, *, replies: int | None = None) -> str:
        listener = closing(socket.create_server(("127.0.0.1", 0)))

        def serve() -> None:
            plug, _ = listener.accept()
            closing(Board(profile_of(profile), plug, replies=replies))

        threading.Thread(target=serve, daemon=True).start()
        return f"socket://127.0.0.1:{listener.getsockname()[1]}"

    return board_on_a_socket


@pytest.fixture
def answering_port(
    closing: Callable[[Any], Any], pty_pair: Callable[[], tuple[Any, str]]
) -> Callable[[Callable[[bytes], bytes]], str]:
    """A pseudo-terminal that answers each line it is sent; returns the port."""

    def answering_port(answer: Callable[[bytes], bytes]) -> str:
        end, port = pty_pair()
        closing(Answering(end, answer))
        return port

    return answering_port
