"""Boards killed, reset, paused or plugged in again at random moments of a scan or an installation.

`PINWRIGHT_CAMPAIGN=full` strikes two hundred of them. Otherwise it is fewer, at other moments every time, so
that all runs together come to strike everywhere; `PINWRIGHT_SEED` repeats the moments of one.

Whatever strikes: the status is right (0 or 1 for the cable as it is, or 3, and nothing else), it comes within
the stated time, there is no traceback, and the next try works. The program runs as a program of its own, on
a real port, against the firmware in real MicroPython.
"""

from __future__ import annotations

import os
import random
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from pinwright.cable.profile import Profile
from pinwright.discovery import AT_PROMPT, TESTER, UNFINISHED, look
from pinwright.errors import PortClosed
from pinwright.library import LoadedProfile, find_profile, library_folders, read_fixtures
from pinwright.link import Line, SerialLink, drive
from pinwright.tester.fixture import place
from pinwright.tester.session import Session
from pinwright.verdict.agreement import decide
from pinwright.virtual.bench import Bench, Link, TesterSpec, good_bench
from pinwright.virtual.port import Port, Source
from pinwright.virtual.process import find_micropython

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "firmware"
FULL = os.environ.get("PINWRIGHT_CAMPAIGN") == "full"
SCANS, INSTALLATIONS = (160, 40) if FULL else (24, 8)
SIDE_BY_SIDE = 6
EARLY = 0.1  # the share of moments before the program has reached the board
# README, "When the board stops answering": 10 s for a scan, 30 s for an installation. Here half a dozen
# boards share two processors, and Python has to start.
SCAN_S, INSTALL_S = 10 + 10, 30 + 10

pytestmark = [
    pytest.mark.skipif(os.name != "posix", reason="signals of POSIX"),
    pytest.mark.skipif(
        find_micropython() is None and not os.environ.get("CI"), reason="no `micropython` command here"
    ),
]


@dataclass(frozen=True)
class Moment:
    """What strikes, and how long after the program's first byte; of some moments, after its start."""

    number: int
    what: str
    after_s: float
    early: bool

    def __str__(self) -> str:
        since = "the start" if self.early else "the first byte"
        return f"moment {self.number}: {self.what} {self.after_s:.3f} s after {since}"


STRIKES: dict[str, Callable[[Port], object]] = {
    "kill": lambda port: port.board._process.kill(),
    "reset": lambda port: port.board.reset(),
    "pause": lambda port: port.board._process.send_signal(signal.SIGSTOP),
    "replug": lambda port: port.replug(),
}


def moments(count: int, longest_s: float) -> list[Moment]:
    """Of each kind the same number, one in each equal part of the time, the parts in random order.

    The first part's is never early: it comes before any scan or installation can be over, so each kind is
    felt for certain, however few there are and however quick the machine. The seed is in the environment
    variable PINWRIGHT_SEED, or a fresh one.
    """
    seed = int(os.environ.get("PINWRIGHT_SEED") or random.randrange(1 << 30))
    print(f"PINWRIGHT_SEED={seed}")
    chance = random.Random(seed)
    kinds, parts = list(STRIKES), count // len(STRIKES)
    order = {kind: chance.sample(range(parts), parts) for kind in kinds}
    struck = []
    for n in range(count):
        kind = kinds[n % len(kinds)]
        part = order[kind][n // len(kinds)]
        after_s = chance.uniform(part, part + 1) * longest_s / parts
        struck.append(Moment(n, kind, after_s, early=part > 0 and chance.random() < EARLY))
    return struck


@contextmanager
def struck(port: Port, moment: Moment) -> Iterator[None]:
    """The strike comes while the block runs, if it lasts; a paused board goes on after it."""
    strike = threading.Timer(moment.after_s, STRIKES[moment.what], [port])
    read = port._jack.read

    def listening(ready: list[Source]) -> bytes:
        data = read(ready)
        if data and not strike.ident:
            strike.start()
        return data

    if moment.early:
        strike.start()
    else:
        port._jack.read = listening  # type: ignore[method-assign]
    try:
        yield
    finally:
        port._jack.read = read  # type: ignore[method-assign]
        if strike.ident:
            strike.join()
        if moment.what == "pause":
            port.board._process.send_signal(signal.SIGCONT)


def program(*words: object) -> tuple[int, str, str, float]:
    """Run a command to its end: status, standard output, standard error, seconds."""
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "pinwright", *map(str, words)],
        env={**os.environ, "PYTHONPATH": str(ROOT / "host")},
        capture_output=True,
        text=True,
        timeout=90,
    )
    return done.returncode, done.stdout, done.stderr, time.monotonic() - began


@pytest.fixture(scope="module")
def loaded() -> LoadedProfile:
    return find_profile("lamp-changer-40", library_folders())


@pytest.fixture(scope="module")
def profile(loaded: LoadedProfile) -> Profile:
    return loaded.profile


def benches(profile: Profile) -> tuple[Bench, Bench]:
    """The good cable, and one with a bridge; in the small tester, which is quicker."""
    links, small = good_bench(profile).links, TesterSpec(fitted=5)
    first, second = profile.nets[0].pins[0], profile.nets[1].pins[0]
    return Bench(links, small), Bench((*links, Link((first, second))), small)


def again(port: Port, moment: Moment, bench: Bench, profile: Profile, flash: Path) -> Port:
    """The same board on the bench, after a person has plugged it in again where it was killed."""
    if moment.what != "kill":
        return port
    port.close()
    return on_a_port(bench, profile, None, flash)


def on_a_port(bench: Bench, profile: Profile, firmware: Path | None, flash: Path) -> Port:
    points = place(profile.ends, read_fixtures()["tester-128"], bench.tester.points).point_of
    return Port(bench, points, firmware, flash=flash)


def passes(port: Port, profile: Profile) -> bool:
    """One more scan, nothing struck. Raises if there is no verdict."""
    link = opened(port.name)
    try:
        scan = drive(Session(profile, read_fixtures(), "0").run(), Line(link, lambda text: None))
    finally:
        link.close()
    return decide(profile, scan).passed


def opened(port: str) -> SerialLink:
    """The port. Between fork and exec of another thread's program a lock just given up is still held."""
    end = time.monotonic() + 5
    while True:
        try:
            return SerialLink(port)
        except PortClosed:
            if time.monotonic() > end:
                raise
            time.sleep(0.02)


def wait_for(port: Port, moment: Moment) -> None:
    """Until a board that was reset is there again."""
    end = time.monotonic() + 20
    while look(port.name).kind != TESTER:
        assert time.monotonic() < end, f"{moment}: the board does not come back"


def each_is_felt(one: Callable[[Moment], str], struck: Sequence[Moment]) -> None:
    """Let it happen at every moment. one: says what struck and the status that came of it."""
    with ThreadPoolExecutor(SIDE_BY_SIDE) as pool:
        outcomes = list(pool.map(one, struck))
    print(sorted((outcome, outcomes.count(outcome)) for outcome in set(outcomes)))
    assert {f"{what} 3" for what in STRIKES} <= set(outcomes)


def test_a_scan_whose_board_is_struck_ends_in_time_and_never_with_a_wrong_verdict(
    loaded: LoadedProfile, profile: Profile, tmp_path: Path
) -> None:
    def one(moment: Moment) -> str:
        flash = tmp_path / str(moment.number)
        flash.mkdir()
        good = moment.number % 8 < 4
        bench = benches(profile)[0 if good else 1]
        port = on_a_port(bench, profile, FIRMWARE, flash)
        try:
            with struck(port, moment):
                status, _, talk, took_s = program(
                    "scan", loaded.path, "--port", port.name, "--no-certificate", "--json"
                )
            told = f"{moment}: status {status} after {took_s:.1f} s: {talk}"
            assert status in (0 if good else 1, 3), told
            assert "Traceback" not in talk, told
            assert took_s < SCAN_S, told
            port = again(port, moment, bench, profile, flash)
            wait_for(port, moment)
            assert good == passes(port, profile), told
        finally:
            port.close()
        return f"{moment.what} {status}"

    each_is_felt(one, moments(SCANS, 0.5))


def test_an_installation_whose_board_is_struck_leaves_it_safe_and_the_next_one_mends_it(
    profile: Profile, tmp_path: Path
) -> None:
    def one(moment: Moment) -> str:
        flash = tmp_path / str(moment.number)
        flash.mkdir()
        if moment.number % 8 < 4:  # older firmware is there, complete in itself
            (flash / "tester").mkdir()
            for file in FIRMWARE.rglob("*.py"):
                text = re.sub(r"(?m)^FIRMWARE = .*", 'FIRMWARE = "0.0.9"', file.read_text(encoding="utf-8"))
                (flash / file.relative_to(FIRMWARE)).write_text(text + "# older\n", encoding="utf-8")
        good = benches(profile)[0]
        port = on_a_port(good, profile, None, flash)
        try:
            with struck(port, moment):
                status, _, talk, took_s = program("install", "--port", port.name, "--fitted", 5)
            told = f"{moment}: status {status} after {took_s:.1f} s: {talk}"
            assert status in (0, 3), told
            assert "Traceback" not in talk, told
            assert took_s < INSTALL_S, told
            port = again(port, moment, good, profile, flash)
            time.sleep(0.5)
            seen = look(port.name)
            assert seen.kind in (TESTER, UNFINISHED, AT_PROMPT), f"{told}; then {seen}"
            status_2, _, talk, took_s = program("install", "--port", port.name, "--fitted", 5)
            assert (0, True) == (status_2, took_s < INSTALL_S), f"{told}; then {talk}"
            for file in FIRMWARE.rglob("*.py"):
                assert file.read_bytes() == (flash / file.relative_to(FIRMWARE)).read_bytes(), told
            assert passes(port, profile), told
        finally:
            port.close()
        return f"{moment.what} {status}"

    each_is_felt(one, moments(INSTALLATIONS, 1.5))
