"""`--help` of every command: an example stands in it, and the example runs as printed."""

from __future__ import annotations

import argparse
import os
import re
import shlex
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pinwright import resources
from pinwright.cli.main import COMMANDS, parser

PROFILE = (
    '[cable]\nid = "my-lead"\n[ends.A]\nconnector = "idc-2x5"\n[ends.B]\nconnector = "idc-2x5"\n'
    '[wiring]\nrule = "straight"\n'
)


def inner(top: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    """The commands below a parser, by name."""
    found = [action for action in top._actions if isinstance(action, argparse._SubParsersAction)]
    return dict(found[0].choices) if found else {}


def commands() -> Iterator[tuple[str, ...]]:
    """Every command as the words that call it, the program itself first."""
    yield ()
    for name in COMMANDS:
        yield (name,)
        for action in inner(inner(parser(name))[name]):
            yield (name, action)


ALL = list(commands())


def test_there_are_commands_to_test() -> None:
    assert {(), ("scan",), ("profiles", "show"), ("records", "verify"), ("install",), ("demo",)} <= set(ALL)


@pytest.mark.parametrize("words", ALL, ids=lambda words: " ".join(words) or "pinwright")
@pytest.mark.one_in(3)
def test_the_example_of_every_help_runs_as_printed(
    words: tuple[str, ...],
    pinwright: Any,
    command: Any,
    surroundings: Any,
    board: Any,
    usb_ports: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """On a machine whose `/dev/ttyACM0` is a board with nothing but MicroPython, after a first simulated scan
    where it is about records, in a folder with a scan that was saved, and pinouts."""
    (tmp_path / "my-lead.toml").write_text(PROFILE)
    monkeypatch.chdir(tmp_path)
    for name in ("HOME", "XDG_DATA_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path))
    port = board(bare=True).name if words in (("install",), ("testers",)) else "/dev/ttyACM0"
    usb_ports(port)
    if words[:1] in (("records",), ("label",)):
        assert 0 == pinwright("scan", "lamp-changer-40", "--port", "sim").status
    if words == ("records", "compare"):
        again = ("--serial", "HL40-0001", "--again")
        assert 0 == pinwright("scan", "lamp-changer-40", "--port", "sim", *again).status
    if words == ("records", "import"):
        (tmp_path / "records.jsonl").write_text(pinwright("records", "export", "--simulated").out)
    if words == ("explain",):
        saved = pinwright("scan", "lamp-changer-40", "--port", "sim", "--no-certificate", "--json")
        (tmp_path / "scan.json").write_text(saved.out)
    if words == ("derive",):
        for file in (resources.folder("profiles") / "pinouts").iterdir():
            shutil.copy(file, tmp_path)
    ran = pinwright(*words, "--help")
    assert (0, "") == (ran.status, ran.err)
    usage = re.match(r"usage: (.+?) \[-h\]", ran.out)
    assert usage
    assert " ".join(["pinwright", *words]) == usage[1]
    examples = re.findall(r"^example: pinwright (.+)$", ran.out, re.MULTILINE)
    assert examples
    for example in examples:
        assert example.split()[: len(words)] == list(words)
        told = shlex.split(example.replace("/dev/ttyACM0", port))
        if words == ("virtual",):  # runs until it is ended
            name, was_there = started_and_ended(command(*told), surroundings())
            assert was_there, name
            continue
        done = pinwright(*told)
        assert (1 if words == ("profiles", "diff") else 0) == done.status, done
        assert "" == done.err or words in (("install",), ("derive",), ("completion",), ("records", "import"))
        assert done.out or words == ("records", "import")


def started_and_ended(words: list[str], environment: dict[str, str]) -> tuple[str, bool]:
    """The first line of a program's output, and whether that was a port; it ends well when it is told to."""
    with subprocess.Popen(
        words, env=environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as running:
        assert running.stdout is not None
        line = running.stdout.readline().decode().strip()
        there = os.path.exists(line)
        running.terminate()
        assert 0 == running.wait(20)
    return line, there


@pytest.mark.parametrize("words", ALL, ids=lambda words: " ".join(words) or "pinwright")
def test_every_option_has_a_sentence_of_help(words: tuple[str, ...]) -> None:
    found = parser(words[0] if words else None)
    for word in words:
        found = inner(found)[word]
    dumb = [action.dest for action in found._actions if not action.help and not inner(found)]
    assert [] == dumb


def test_the_version_is_told(pinwright: Any) -> None:
    ran = pinwright("--version")
    assert 0 == ran.status
    assert re.fullmatch(r"pinwright \d+\.\d+\.\d+\n", ran.out)
