"""Putting the firmware on a board: real mpremote, real MicroPython on a port; faults alone are played."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import serial

from pinwright import install as installing
from pinwright import resources
from pinwright.discovery import look
from pinwright.errors import LinkLost, NoTester, PinwrightError, PortClosed, TesterError, UsageError
from pinwright.install import Installed, install
from pinwright.link import SerialLink
from pinwright.tester.session import PROTOCOL
from pinwright.virtual.bench import Bench
from pinwright.virtual.port import Port, Tcp, jack

FIRMWARE = resources.folder("firmware")
OURS = {file.relative_to(FIRMWARE).as_posix(): file.read_bytes() for file in FIRMWARE.rglob("*.py")}
VERSION = "tester/version.py"
(NUMBER,) = re.findall(r'^FIRMWARE = "(.+)"$', OURS[VERSION].decode(), re.MULTILINE)
NOW = f"firmware {NUMBER} (protocol {PROTOCOL})"
BLINK = "import time\nwhile True:\n    print('blink')\n    time.sleep(0.02)\n"

STARTS_S = 0.2  # what a board was left to takes a moment to start; what is sent meanwhile may be lost

Flash = dict[str, bytes]


class Plugged:
    """A board that is plugged in. files: what is on its flash."""

    def __init__(self, port: Port, flash: Path) -> None:
        self.port, self.flash, self.told = port, flash, list[str]()

    @property
    def files(self) -> Flash:
        return {
            file.relative_to(self.flash).as_posix(): file.read_bytes()
            for file in self.flash.rglob("*")
            if file.is_file()
        }

    @property
    def about(self) -> Any:
        return json.loads(self.files["board.json"])

    def install(self, *, replace: bool = False, **about: object) -> Installed:
        self.told.clear()
        return install(self.port.name, FIRMWARE, about=about, replace=replace, tell=self.told.append)

    def refuses(self, kind: type[PinwrightError], *, replace: bool = False) -> str:
        with pytest.raises(kind) as error:
            self.install(replace=replace)
        time.sleep(STARTS_S)
        assert kind is type(error.value)
        assert f"`{self.port.name}`" in error.value.message
        return error.value.message


@pytest.fixture
def board(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Plugged]]:
    """Plug in a board. files: what is on it besides the firmware, or instead; a None takes a file away."""
    running: list[Port] = []

    def board(
        files: dict[str, str | None] | None = None, *, bare: bool = False, tcp: bool = False
    ) -> Plugged:
        flash = tmp_path_factory.mktemp("flash")
        if not bare:
            shutil.copytree(FIRMWARE, flash, dirs_exist_ok=True, ignore=shutil.ignore_patterns("__pycache__"))
            (flash / "board.json").write_text('{"fitted": 5, "name": "bench-1", "note": "by the window"}')
        for name, content in (files or {}).items():
            file = flash / name
            file.parent.mkdir(exist_ok=True, parents=True)
            file.unlink(missing_ok=True) if content is None else file.write_text(content)
        running.append(Port(Bench(), {}, None, flash=flash, at=Tcp() if tcp else jack()))
        return Plugged(running[-1], flash)

    yield board
    for port in running:
        port.close()


def version(firmware: str, protocol: int) -> dict[str, str | None]:
    """The file that says which firmware it is."""
    return {VERSION: f'"""What it is."""\n\nFIRMWARE = "{firmware}"\nPROTOCOL = {protocol}\n'}


def test_a_board_with_micropython_alone_becomes_a_tester(board: Callable[..., Plugged]) -> None:
    there = board(bare=True)
    done = there.install(name="bench-7", fixture="tester-128", fitted=5)
    assert OURS | {"board.json": there.files["board.json"]} == there.files
    assert {"name": "bench-7", "fixture": "tester-128", "fitted": 5} == there.about
    assert ("no firmware", sorted(OURS), ()) == (done.before, sorted(done.written), done.removed)
    assert ("bench-7", 80, NUMBER, PROTOCOL) == (
        done.after.name,
        done.after.points,
        done.after.firmware,
        done.after.protocol,
    )
    assert done.after == look(there.port.name).hello
    assert "main.py" == done.written[0]  # the first: it is the one that starts safe
    # What the board is comes first: firmware that did not know would drive a pocket tester's points.
    assert ["writing board.json", "writing main.py"] == there.told[:2]
    assert "restarting the board" == there.told[-1]


def test_a_second_installation_writes_nothing(board: Callable[..., Plugged]) -> None:
    there = board()
    before = there.files
    done = there.install()
    assert (NOW, (), ()) == (done.before, done.written, done.removed)
    assert ["every file is as it should be", "restarting the board"] == there.told
    assert before == there.files
    assert ("bench-1", 80) == (done.after.name, done.after.points)


@pytest.mark.parametrize("tcp", [False, True])
def test_a_damaged_file_is_mended_alone(tcp: bool, board: Callable[..., Plugged]) -> None:
    damaged = {"tester/bank.py": OURS["tester/bank.py"].decode()[:-1], "tester/judge.py": None}
    there = board(damaged, tcp=tcp)
    done = there.install()
    assert ("tester/bank.py", "tester/judge.py") == done.written
    assert OURS.items() <= there.files.items()


def test_what_is_stale_is_removed_and_what_is_the_person_s_own_stays(board: Callable[..., Plugged]) -> None:
    own: dict[str, str | None] = {
        "boot.py": "x = 1\n",
        "notes.txt": "mine",
        "lib/mine.py": "y = 1\n",
        "tester.txt": "mine",
        "data/tester/old.py": "mine",
    }
    stale: dict[str, str | None] = {
        "tester/old.py": "old",
        "tester/deep/inner/old.py": "old",
        "tester/bank.py.tmp": "half",
        "main.py.tmp": "half",
        'tester/it\'s \\ "odd"': "odd",
    }
    there = board(own | stale)
    (there.flash / "tester" / "empty").mkdir()
    done = there.install()
    removed = {"tester/empty", "tester/deep", *(name for name in stale if "deep" not in name)}
    assert ((), removed) == (done.written, set(done.removed))
    assert {"board.json", *OURS, *own} == set(there.files)
    assert not (there.flash / "tester" / "deep").exists()
    assert all((content or "").encode() == there.files[name] for name, content in own.items())


@pytest.mark.parametrize(
    ("before", "about", "after"),
    [
        ({"fitted": 5, "name": "a", "note": 1}, {"name": "b"}, {"fitted": 5, "name": "b", "note": 1}),
        (
            {"fitted": 5, "name": "a", "note": 1},
            {"fixture": "pocket-24"},
            {"fixture": "pocket-24", "name": "a", "note": 1},
        ),
        (
            {"fixture": "pocket-24", "name": "a"},
            {"fixture": "tester-128", "fitted": 8},
            {"fixture": "tester-128", "fitted": 8, "name": "a"},
        ),
        (
            {"fitted": 5, "name": "a", "lane": True},
            {"fixture": "pocket-24"},
            {"fixture": "pocket-24", "name": "a"},
        ),
        ({"fitted": 5, "name": "a"}, {"lane": True}, {"fitted": 5, "name": "a", "lane": True}),
        ({"lane": True, "name": "a"}, {"lane": False}, {"lane": False, "name": "a"}),
        ("{ damaged", {"name": "b"}, {"name": "b"}),
        ([1], {"name": "b"}, {"name": "b"}),
    ],
)
def test_what_the_board_says_of_itself_changes_only_where_it_is_told_to(
    before: Any, about: dict[str, object], after: Any, board: Callable[..., Plugged]
) -> None:
    there = board({"board.json": before if isinstance(before, str) else json.dumps(before)})
    done = there.install(**about)
    assert after == there.about
    assert after["name"] == done.after.name
    assert after.get("fixture", "tester-128") == done.after.fixture
    measures = after.get("lane", done.after.fitted == 8)
    assert ("uncalibrated" if measures else "none") == done.after.lane
    assert {"board.json"} == set(there.files) - set(OURS)


@pytest.mark.parametrize("lane", [True, False])
def test_a_pocket_tester_gets_no_lane(lane: bool, board: Callable[..., Plugged]) -> None:
    pocket = '{"fixture": "pocket-24", "name": "a"}'
    there = board({"board.json": pocket, **version("0.1.0", 1)})
    before = there.files
    with pytest.raises(UsageError, match="is a pocket tester, which measures no ohms; nothing was changed"):
        there.install(lane=lane)
    time.sleep(STARTS_S)
    assert before == there.files


def test_what_the_tester_keeps_for_us_stays(board: Callable[..., Plugged]) -> None:
    ours: dict[str, str | None] = {"calibration.bin": "of march", "check.bin": "passed"}
    there = board({**ours, **version("0.1.0", 1)})
    done = there.install(lane=True)
    assert "calibrated" == done.after.lane
    assert all((content or "").encode() == there.files[name] for name, content in ours.items())


def test_a_damaged_board_file_is_left_and_said(board: Callable[..., Plugged]) -> None:
    there = board({"board.json": "{ damaged", **version("0.1.0", 1)})
    with pytest.raises(TesterError, match=r"board\.json on the tester is damaged"):
        there.install()
    assert OURS | {"board.json": b"{ damaged"} == there.files
    assert "faulty tester" == look(there.port.name).kind


def test_older_firmware_is_replaced_and_named(board: Callable[..., Plugged]) -> None:
    there = board({**version("0.1.0", 1), "main.py": "print('old')\n"})
    done = there.install()
    assert ("firmware 0.1.0 (protocol 1)", ("main.py", VERSION)) == (done.before, done.written)
    assert NUMBER == done.after.firmware
    assert {"board.json", *OURS} == set(there.files)  # our own old main.py is not kept


@pytest.mark.parametrize(("firmware", "protocol"), [("99.0.0", PROTOCOL), ("0.10.0", PROTOCOL + 1)])
def test_newer_firmware_is_left_unless_it_is_to_be_replaced(
    firmware: str, protocol: int, board: Callable[..., Plugged]
) -> None:
    there = board(version(firmware, protocol))
    before = there.files
    message = there.refuses(NoTester)
    assert f"has firmware {firmware} (protocol {protocol}), which is newer than ours, {NUMBER}" in message
    assert before == there.files
    assert look(there.port.name).hello is not None  # it runs again
    done = there.install(replace=True)
    assert (f"firmware {firmware} (protocol {protocol})", (VERSION,)) == (done.before, done.written)


def blinks(port: str) -> bool:
    """Whether another program's main.py runs there."""
    with serial.serial_for_url(port, timeout=3) as board:
        return board.read_until(b"blink\r\n").endswith(b"blink\r\n")


def test_another_program_is_left_running_unless_it_is_to_be_replaced(board: Callable[..., Plugged]) -> None:
    there = board({"main.py": BLINK}, bare=True)
    message = there.refuses(NoTester)
    assert "runs another program (its main.py is not ours); nothing was changed" in message
    assert {"main.py": BLINK.encode()} == there.files
    assert blinks(there.port.name)
    done = there.install(replace=True)
    assert "another program" == done.before
    assert OURS | {"main.before": BLINK.encode()} == there.files
    assert NUMBER == done.after.firmware


@pytest.mark.parametrize(
    ("what", "sentence"),
    [
        ({"implementation": "circuitpython", "platform": "RP2040"}, "runs circuitpython, not MicroPython"),
        (
            {"implementation": "micropython", "platform": "esp32"},
            "is of another kind (`esp32`): the firmware is for an RP2040",
        ),
    ],
)
def test_a_board_of_another_kind_is_left_alone(
    what: dict[str, Any], sentence: str, board: Callable[..., Plugged], monkeypatch: pytest.MonkeyPatch
) -> None:
    there = board({"main.py": BLINK}, bare=True)
    really = installing._inventory
    monkeypatch.setattr(installing, "_inventory", lambda board: replace(really(board), **what))
    for anyway in (False, True):
        assert sentence in (message := there.refuses(NoTester, replace=anyway))
        assert message.endswith("; nothing was changed")
    assert {"main.py": BLINK.encode()} == there.files
    assert blinks(there.port.name)


OLD: dict[str, str | None] = {
    **version("0.1.0", 1),
    "main.py": OURS["main.py"].decode() + "# old\n",
    "tester/bank.py": OURS["tester/bank.py"].decode() + "# old\n",
    "tester/gone.py": "# old\n",
}
STEPS = [
    "writing main.py",
    "removing tester/gone.py",
    "writing tester/bank.py",
    f"writing {VERSION}",
]


@pytest.mark.parametrize(
    ("step", "stop"),
    [*((step, KeyboardInterrupt()) for step in STEPS), (STEPS[2], OSError(5, "Input/output error"))],
)
def test_an_installation_that_is_interrupted_leaves_a_board_that_starts_safe(
    step: str, stop: BaseException, board: Callable[..., Plugged]
) -> None:
    there = board(OLD)

    def tell(line: str) -> None:
        there.told.append(line)
        if line == step:
            raise stop

    with pytest.raises((KeyboardInterrupt, LinkLost)):
        install(there.port.name, FIRMWARE, about={"name": "new"}, replace=False, tell=tell)
    time.sleep(STARTS_S)
    for _ in range(2):
        seen = look(there.port.name)
        assert ("unfinished", True) == (seen.kind, "the installation of the firmware is not f" in seen.said)
        there.port.replug()
    done = there.install(name="new")
    assert "an unfinished installation" == done.before
    assert OURS == {name: content for name, content in there.files.items() if name != "board.json"}
    assert ("new", 80, NUMBER) == (done.after.name, done.after.points, done.after.firmware)
    written = set(done.written)
    assert set(STEPS[STEPS.index(step) :]) - {STEPS[1]} == {f"writing {name}" for name in written}


def test_the_steps_are_all_there_are(board: Callable[..., Plugged]) -> None:
    there = board(OLD)
    there.install()
    assert [*STEPS, "restarting the board"] == there.told


def test_another_program_is_not_lost_by_an_interruption(board: Callable[..., Plugged]) -> None:
    there = board({"main.py": BLINK}, bare=True)

    def tell(line: str) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        install(there.port.name, FIRMWARE, about={}, replace=True, tell=tell)
    time.sleep(STARTS_S)
    assert BLINK.encode() == there.files["main.before"]
    there.install()
    assert OURS | {"main.before": BLINK.encode()} == there.files


def test_a_board_that_is_unplugged_meanwhile_is_lost_and_mended_by_the_next(
    board: Callable[..., Plugged],
) -> None:
    there = board(OLD)

    def tell(line: str) -> None:
        if line == STEPS[2]:
            there.port.replug()

    with pytest.raises(LinkLost) as error:
        install(there.port.name, FIRMWARE, about={}, replace=False, tell=tell)
    assert "vanished during the installation: " in error.value.message
    assert "run the command again" in error.value.hint
    assert "unfinished" == look(there.port.name).kind
    assert NUMBER == there.install().after.firmware


def test_a_flash_that_does_not_keep_what_is_written_is_said(
    board: Callable[..., Plugged], monkeypatch: pytest.MonkeyPatch
) -> None:
    there = board(OLD)
    really = installing._write

    def forgetful(at: Any, path: str, data: bytes, tell: Callable[[str], None]) -> None:
        really(at, path, data[:-1] + b"!" if path == "tester/bank.py" else data, tell)

    with monkeypatch.context() as patch:
        patch.setattr(installing, "_write", forgetful)
        assert there.refuses(TesterError).endswith("does not keep what is written to it: tester/bank.py")
    assert "unfinished" == look(there.port.name).kind
    time.sleep(STARTS_S)
    assert ("tester/bank.py",) == there.install().written


# On the board: after so many files are opened for writing, its flash is full. 28: ENOSPC.
FULL = """\
import builtins
really, left = builtins.open, [3]
def full(name, mode="r", *more):
    if "w" in mode:
        left[0] -= 1
        if left[0] < 0:
            raise OSError(28)
    return really(name, mode, *more)
builtins.open = full
"""


def test_a_full_flash_is_said_and_the_board_starts_safe(board: Callable[..., Plugged]) -> None:
    there = board({**OLD, "boot.py": FULL})
    assert "other protocol" == look(there.port.name).kind  # boot.py has run
    assert there.refuses(TesterError) == f"the flash of the board at `{there.port.name}` is full"
    assert "unfinished" == look(there.port.name).kind
    (there.flash / "boot.py").unlink()
    there.port.replug()
    assert NUMBER == there.install().after.firmware


def test_what_the_board_cannot_do_is_told_in_its_words(board: Callable[..., Plugged]) -> None:
    there = board({"tester/bank.py": None, "tester/bank.py/in-the-way": "x"})
    message = there.refuses(TesterError)
    assert "cannot do what the installation asks of it: OSError: " in message


def test_a_port_where_nobody_answers_has_no_micropython(monkeypatch: pytest.MonkeyPatch) -> None:
    assert installing._PROMPT_S * installing._TRIES < 10
    monkeypatch.setattr(installing, "_PROMPT_S", 0.2)
    silent = jack()
    silent.plug_in()
    try:
        with pytest.raises(NoTester) as error:
            install(silent.name, FIRMWARE, about={}, replace=False, tell=lambda line: None)
    finally:
        silent.close()
    assert (
        f"`{silent.name}` does not come to a MicroPython prompt: no MicroPython there, or it hangs"
        == error.value.message
    )
    assert "hold BOOTSEL" in error.value.hint


def test_a_port_that_another_has_open_is_said_to_be_busy(board: Callable[..., Plugged]) -> None:
    there = board()
    other = SerialLink(there.port.name)
    with pytest.raises(PortClosed) as error:
        there.install()
    other.close()
    assert "busy" == error.value.why


def test_firmware_that_does_not_answer_after_all_is_an_error(
    board: Callable[..., Plugged], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was put on as it is, but it is not right."""
    monkeypatch.setattr(installing, "_RESTART_S", 0.5)
    broken = tmp_path / "firmware"
    shutil.copytree(FIRMWARE, broken)
    (broken / "tester" / "judge.py").write_text("import nothing\n")
    there = board(bare=True)
    with pytest.raises(LinkLost) as error:
        install(there.port.name, broken, about={}, replace=False, tell=lambda line: None)
    assert "holds a tester whose firmware does not serve; " in error.value.message


def test_every_file_is_compared_by_its_hash(board: Callable[..., Plugged]) -> None:
    there = board()
    with installing._at_raw_prompt(there.port.name) as raw:
        found = installing._inventory(raw).files
    assert {name: hashlib.sha256(data).hexdigest() for name, data in OURS.items()} == {
        name: told for name, told in found.items() if told
    }
    assert "tester" == look(there.port.name).kind  # it is started again


# A program that does not end at the first Ctrl-C.
DEAF = f"import time\ntry:\n    time.sleep(60)\nexcept KeyboardInterrupt:\n    pass\n{BLINK}"


def test_a_board_that_misses_the_first_ctrl_c_gets_another(
    board: Callable[..., Plugged], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both requests for the prompt are answered then; what follows is not mistaken for either."""
    monkeypatch.setattr(installing, "_PROMPT_S", 0.5)
    there = board({"main.py": DEAF}, bare=True)
    time.sleep(STARTS_S)
    assert "runs another program" in there.refuses(NoTester)
    monkeypatch.setattr(installing, "_TRIES", 1)
    assert "does not come to a MicroPython prompt" in there.refuses(NoTester)
