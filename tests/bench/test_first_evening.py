"""An evening with a new board, nothing mocked: programs of their own on a port, as a person runs them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from pinwright.library import find_profile, library_folders

HOST = Path(__file__).parents[2] / "host"
CABLE = "lamp-changer-40"


@pytest.fixture
def pinwright(tmp_path: Path) -> Callable[..., Any]:
    """Run a command to its end; standard output and error with its status."""

    def pinwright(*words: object) -> Any:
        return subprocess.run(
            [sys.executable, "-m", "pinwright", *map(str, words)],
            env={**os.environ, "PYTHONPATH": str(HOST)},
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=120,
        )

    return pinwright


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Callable[..., str]]:
    """Start `pinwright virtual`; returns the port that it prints."""
    running = []

    def served(*words: object) -> str:
        with (tmp_path / "virtual.log").open("w") as log:
            program = subprocess.Popen(
                [sys.executable, "-m", "pinwright", "virtual", *map(str, words)],
                env={**os.environ, "PYTHONPATH": str(HOST)},
                cwd=tmp_path,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
            )
        running.append(program)
        assert program.stdout is not None
        return program.stdout.readline().strip()

    yield served
    for program in running:
        program.terminate()
        assert 0 == program.wait(20)
        assert program.stdout is not None
        program.stdout.close()


def write_bench(file: Path, links: Sequence[Sequence[object]]) -> None:
    """A bench file, whole at once."""
    fresh = file.with_suffix(".new")
    fresh.write_text(
        "".join(f"[[link]]\npins = {json.dumps([str(pin) for pin in pins])}\n" for pins in links),
        encoding="utf-8",
    )
    fresh.replace(file)


@pytest.mark.usefixtures("workplace")
def test_from_an_empty_board_to_a_cable_that_fails(pinwright: Any, served: Any, tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    nets = [list(net.pins) for net in find_profile(CABLE, library_folders()).profile.nets]
    write_bench(bench, nets)
    port = served("--bare", "--bench", bench)

    seen = json.loads(pinwright("testers", "--port", port, "--json").stdout)["ports"]
    assert [(port, "at a prompt")] == [(one["port"], one["state"]) for one in seen]
    scan = ("scan", CABLE, "--port", port, "--records", tmp_path / "records", "--json")
    refused = pinwright(*scan)
    assert (3, "pinwright/error-1") == (refused.returncode, json.loads(refused.stdout)["schema"])
    assert "the firmware does not run there" in json.loads(refused.stdout)["message"]

    installed = pinwright("install", "--port", port, "--name", "bench-9")
    assert 0 == installed.returncode, installed.stderr
    assert "before: no firmware\nafter:  firmware 0.4.1 (protocol 3)\n" in installed.stdout

    seen = json.loads(pinwright("testers", "--port", port, "--json").stdout)["ports"]
    tester = seen[0]["tester"]
    assert ("tester", "bench-9", 128, "virtual") == (
        seen[0]["state"],
        tester["name"],
        tester["points"],
        tester["kind"],
    )

    passed = pinwright(*scan)
    assert (0, "pass") == (passed.returncode, json.loads(passed.stdout)["verdict"]), passed
    assert tester["id"] == json.loads(passed.stdout)["tester"]["id"]

    write_bench(bench, [*nets, [nets[0][0], nets[1][0]]])
    end = time.monotonic() + 20
    while "plugged in now" not in (tmp_path / "virtual.log").read_text() and time.monotonic() < end:
        time.sleep(0.05)
    failed = pinwright(*scan)
    document = json.loads(failed.stdout)
    assert (1, "fail", ["short"]) == (
        failed.returncode,
        document["verdict"],
        [finding["kind"] for finding in document["findings"]],
    )
    assert "Traceback" not in installed.stderr + passed.stderr + failed.stderr
    kept = sorted(file.name.split(".")[2] for file in (tmp_path / "records").glob("*.json"))
    assert ["certificate", "report"] == kept
