"""`--help` of every command: an example stands in it, and the example runs as printed."""

from __future__ import annotations

import argparse
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

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
    assert {(), ("scan",), ("profiles", "show"), ("demo",)} <= set(ALL)


@pytest.mark.parametrize("words", ALL, ids=lambda words: " ".join(words) or "pinwright")
def test_the_example_of_every_help_runs_as_printed(
    words: tuple[str, ...],
    pinwright: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    (tmp_path / "my-lead.toml").write_text(PROFILE)
    monkeypatch.chdir(tmp_path)
    for name in ("HOME", "XDG_DATA_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path))
    ran = pinwright(*words, "--help")
    assert (0, "") == (ran.status, ran.err)
    usage = re.match(r"usage: (.+?) \[-h\]", ran.out)
    assert usage
    assert " ".join(["pinwright", *words]) == usage[1]
    examples = re.findall(r"^example: pinwright (.+)$", ran.out, re.MULTILINE)
    assert examples
    for example in examples:
        assert example.split()[: len(words)] == list(words)
        done = pinwright(*shlex.split(example))
        assert (0, "") == (done.status, done.err)
        assert done.out


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
