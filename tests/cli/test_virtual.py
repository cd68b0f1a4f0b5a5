"""`pinwright virtual`: a virtual tester on a port, for any program, until it is told to end."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import serial

from pinwright.tester.frames import Decoder, Frame, encode
from pinwright.tester.session import PROTOCOL

posix = pytest.mark.skipif(os.name != "posix", reason="signals and pseudo-terminals of POSIX")
CABLE = "straight-34"
UNRECORDED = ("--no-certificate", "--json")


@dataclass(frozen=True)
class Served:
    """A `pinwright virtual` that runs. log: what it says on standard error. folder: its temporary files."""

    program: subprocess.Popen[str]
    port: str
    log: Path
    folder: Path

    def ended(self, number: int) -> int:
        """Its exit status after a signal; nothing of it is left."""
        self.program.send_signal(number)
        status = self.program.wait(20)
        assert not os.path.exists(self.port)
        assert [] == list(self.folder.iterdir())
        return status

    def until_it_says(self, text: str) -> str:
        """What it has said by then."""
        end = time.monotonic() + 10
        while text not in (said := self.log.read_text(encoding="utf-8")):
            assert time.monotonic() < end, said
            time.sleep(0.02)
        return said


@pytest.fixture
def served(command: Any, surroundings: Any, tmp_path: Path) -> Iterator[Callable[..., Served]]:
    """Start one, and read its port from the first line of standard output."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell may have it ignored
    running: list[subprocess.Popen[str]] = []

    def served(*words: object) -> Served:
        folder, log = tmp_path / f"tmp-{len(running)}", tmp_path / f"virtual-{len(running)}.log"
        folder.mkdir()
        with log.open("w") as told:
            program = subprocess.Popen(
                command("virtual", *words),
                env=surroundings(TMPDIR=folder),
                stdout=subprocess.PIPE,
                stderr=told,
                text=True,
            )
        running.append(program)
        assert program.stdout is not None
        return Served(program, program.stdout.readline().strip(), log, folder)

    yield served
    signal.signal(signal.SIGINT, before)
    for program in running:
        if program.poll() is None:
            program.terminate()
            program.wait(20)
        assert program.stdout is not None
        program.stdout.close()


def write(file: Path, links: Sequence[Sequence[object]], more: str = "") -> Path:
    """A bench file, whole at once."""
    fresh = file.with_suffix(".new")
    tables = "".join(f"[[link]]\npins = {json.dumps([str(pin) for pin in pins])}\n" for pins in links)
    fresh.write_text(tables + more, encoding="utf-8")
    return fresh.replace(file)


@pytest.fixture
def good(profile_of: Any) -> list[list[object]]:
    """The links of a good cable."""
    return [[*net.pins] for net in profile_of(CABLE).nets]


@posix
def test_the_first_line_is_a_port_that_any_program_opens(served: Any) -> None:
    there = served(CABLE)
    with serial.Serial(there.port, timeout=5) as port:
        port.write(b"\n" + encode(7, "hello"))
        (event,) = Decoder().feed(port.read_until(b"\n"))
    assert isinstance(event, Frame)
    assert (7, ("ok", f"protocol={PROTOCOL}")) == (event.seq, event.words[:2])
    assert "a virtual tester is there until Ctrl-C\n" == there.log.read_text()
    assert 0 == there.ended(signal.SIGTERM)
    assert "a virtual tester is there until Ctrl-C\n" == there.log.read_text()


@posix
def test_ctrl_c_ends_it_with_130(served: Any) -> None:
    there = served()
    there.until_it_says("until Ctrl-C")
    assert 130 == there.ended(signal.SIGINT)
    assert there.log.read_text().endswith("error: interrupted\n")


@posix
@pytest.mark.parametrize("moment_s", [0.0, 0.05, 0.2])
def test_its_end_leaves_no_process(moment_s: float, served: Any) -> None:
    there = served("--tcp")
    below = Path(f"/proc/{there.program.pid}/task/{there.program.pid}/children")
    if not below.exists():
        pytest.skip("no /proc here")
    time.sleep(moment_s)
    children = below.read_text().split()
    assert children
    assert 0 == there.ended(signal.SIGTERM)
    assert [] == [child for child in children if Path(f"/proc/{child}").exists()]


def test_it_serves_tcp_when_asked_to(served: Any, pinwright: Any) -> None:
    there = served(CABLE, "--tcp")
    assert there.port.startswith("socket://127.0.0.1:")
    assert 0 == pinwright("scan", CABLE, "--port", there.port, *UNRECORDED).status


@posix
def test_a_bench_file_that_changes_is_another_cable(
    served: Any, pinwright: Any, good: list[list[object]], tmp_path: Path
) -> None:
    file = write(tmp_path / "bench.toml", good)
    there = served(CABLE, "--bench", file)
    scan = ("scan", CABLE, "--port", there.port, *UNRECORDED)
    assert 0 == pinwright(*scan).status
    write(file, good[1:])
    there.until_it_says(f"`{file}` has changed: what it says is plugged in now\n")
    failed = pinwright(*scan)
    assert (1, ["open"]) == (failed.status, [one["kind"] for one in failed.document["findings"]])
    write(file, good, "[tester]\nstuck_low = [5]\n")  # another board, even
    end = time.monotonic() + 10
    while pinwright(*scan).status != 3:
        assert time.monotonic() < end


@posix
def test_a_bench_file_that_goes_wrong_leaves_what_is_plugged_in(
    served: Any, pinwright: Any, good: list[list[object]], tmp_path: Path
) -> None:
    file = write(tmp_path / "bench.toml", good)
    there = served(CABLE, "--bench", file)
    kept = f"what is plugged in stays as it was: bench file `{file}`"
    write(file, good, "[[link]]\n")
    there.until_it_says(f"{kept}, key `link[35]`: a link needs `pins`")
    write(file, [["A.1", "Q.1"]])
    said = there.until_it_says("`Q.1`")
    assert said.splitlines()[-1].startswith(kept)
    file.unlink()
    there.until_it_says(f"{kept}: cannot be read: No such file or directory\n")
    scan = ("scan", CABLE, "--port", there.port, *UNRECORDED)
    assert 0 == pinwright(*scan).status
    write(file, good[1:])
    there.until_it_says("what it says is plugged in now")
    assert 1 == pinwright(*scan).status
    assert "Traceback" not in there.log.read_text()


@posix
def test_without_a_profile_the_cable_is_the_one_that_the_bench_file_fits_best(
    served: Any, pinwright: Any, profile_of: Any, tmp_path: Path
) -> None:
    cable = "woven-40"  # no other has its nets
    nets = [[*net.pins] for net in profile_of(cable).nets]
    there = served("--bench", write(tmp_path / "bench.toml", nets))
    there.until_it_says(f"the bench file fits the cable `{cable}` best; PROFILE says it for sure\n")
    assert 0 == pinwright("scan", cable, "--port", there.port, *UNRECORDED).status


@posix
def test_with_neither_profile_nor_bench_nothing_is_plugged_in(served: Any, pinwright: Any) -> None:
    straight_in = "lamp-changer-40"  # no adapter, whose mark would be missed first
    ran = pinwright("scan", straight_in, "--port", served().port, *UNRECORDED)
    assert (1, []) == (ran.status, ran.document["nets"])


@posix
def test_the_files_of_the_board_are_kept_in_a_folder(served: Any, pinwright: Any, tmp_path: Path) -> None:
    folder = tmp_path / "board"
    folder.mkdir()
    there = served("--files", folder)
    assert (folder / "tester" / "version.py").is_file()
    assert 0 == pinwright("install", "--port", there.port, "--name", "kept").status
    assert 0 == there.ended(signal.SIGTERM)
    main = folder / "main.py"
    main.write_text(main.read_text() + "# ours\n")
    again = served("--files", folder)
    seen = pinwright("testers", "--port", again.port, "--json").document["ports"][0]
    assert ("tester", "kept") == (seen["state"], seen["tester"]["name"])
    assert main.read_text().endswith("# ours\n")  # what is on a board is not put there anew


@posix
def test_a_bare_board_has_a_prompt_and_no_firmware(served: Any, pinwright: Any, tmp_path: Path) -> None:
    folder = tmp_path / "board"
    folder.mkdir()
    there = served("--bare", "--files", folder)
    assert [] == list(folder.iterdir())
    seen = pinwright("testers", "--port", there.port, "--json").document["ports"][0]
    assert "at a prompt" == seen["state"]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("nowhere",), "no profile has the id `nowhere` in "),
        (("--files", "nowhere"), "`--files nowhere`: no such folder"),
        (("--bench", "nowhere.toml"), "bench file `nowhere.toml`: cannot be read: No such file or directory"),
        ((CABLE, "--bench", "wrong.toml"), "bench file `wrong.toml`, key `links`: unknown key; known are "),
        ((CABLE, "--bench", "strange.toml"), "bench file `strange.toml`, key `link[1].pins`: no pin `Q.1`"),
        (("--bench", "strange.toml"), "the bench file names pins of a cable: which cable is it?"),
    ],
)
def test_what_cannot_be_served_is_refused(
    words: tuple[str, ...],
    message: str,
    pinwright: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("wrong.toml").write_text("[[links]]\n")
    Path("strange.toml").write_text('[[link]]\npins = ["A.1", "Q.1"]\n')
    told = pinwright("virtual", *words).error(2)
    assert told.startswith(message), told
