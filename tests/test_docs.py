"""Every command, option and profile key stands in the documents; the lists come from the code itself."""

from __future__ import annotations

import argparse
import ast
import re
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import pytest

from pinwright.cable.connectors import FAMILIES, Family
from pinwright.cable.wiring import RULES
from pinwright.cli.main import COMMANDS, parser
from pinwright.verdict.causes import COSTS
from pinwright.verdict.words import KINDS

ROOT = Path(__file__).parents[1]
DOCUMENTS = (ROOT / "README.md", ROOT / "profiles" / "README.md")
TEXT = "\n".join(file.read_text(encoding="utf-8") for file in DOCUMENTS)


def inner(top: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    found = [action for action in top._actions if isinstance(action, argparse._SubParsersAction)]
    return dict(found[0].choices) if found else {}


def calls() -> Iterator[str]:
    for name in COMMANDS:
        actions = inner(inner(parser(name))[name])
        yield from (f"pinwright {name} {action}" for action in actions)
        if not actions:
            yield f"pinwright {name}"


def options() -> Iterator[str]:
    for name in COMMANDS:
        for action in inner(parser(name))[name]._actions:
            yield from (option for option in action.option_strings if option not in ("-h", "--help"))


def keys() -> set[str]:
    """Every key of a profile's tables: what the code gives to `only`, and the parameters of rules."""
    files = sorted((ROOT / "host" / "pinwright" / "cable").glob("*.py"))
    nodes = [node for file in files for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))]
    return {
        str(word.value)
        for node in nodes
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "only"
        for word in node.args
        if isinstance(word, ast.Constant)
    } | set(chain.from_iterable(rule.parameters for rule in RULES.values()))


@pytest.mark.parametrize("call", list(calls()))
def test_every_command_is_named(call: str) -> None:
    assert re.search(rf"\b{re.escape(call)}\b", DOCUMENTS[0].read_text(encoding="utf-8"))


@pytest.mark.parametrize("option", sorted(set(options())))
def test_every_option_is_named(option: str) -> None:
    assert re.search(rf"`{option}\b", DOCUMENTS[0].read_text(encoding="utf-8"))


@pytest.mark.parametrize("key", sorted(keys()))
def test_every_key_of_a_profile_is_named(key: str) -> None:
    assert re.search(rf"\b{key}\b *=|\[(ends\.\w+\.)?{key}\b|`{key}`", TEXT)


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.example)
def test_every_family_of_connectors_is_described(family: Family) -> None:
    escaped = family.pattern.replace("|", "\\|")
    assert f"| `{escaped}` | {family.description} | {family.sizes} |" in TEXT


def test_every_cause_is_in_the_table_with_what_it_costs() -> None:
    house = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `([a-z-]+)`: [^|]+ \| (\d+) \| [^|]+ \|$", house, re.M)
    assert dict(COSTS) == {cause: int(cost) for cause, cost in rows}


def test_every_kind_of_finding_is_in_the_readme() -> None:
    text = DOCUMENTS[0].read_text(encoding="utf-8")
    assert [] == [kind for kind in KINDS if kind != "socket" and f"`{kind}`" not in text]


def test_there_are_keys_to_look_for() -> None:
    assert {"cable", "connector", "rule", "joined", "min_leak_ohms"} <= keys()


@pytest.mark.parametrize("word", ["0", "1", "2", "3", "70", "130"])
def test_every_exit_status_is_named(word: str) -> None:
    passage = DOCUMENTS[0].read_text(encoding="utf-8").partition("Exit status")[2][:400]
    assert re.search(rf"\b{word}\b", passage)


def test_the_readme_shows_what_the_demo_says() -> None:
    """The demo's own output is a golden file; the README's picture of it is a part of that."""
    (picture,) = re.findall(r"```text\n(.*?)```", DOCUMENTS[0].read_text(encoding="utf-8"), re.DOTALL)
    golden = (ROOT / "tests" / "cli" / "golden" / "demo.txt").read_text(encoding="utf-8")
    picture = re.sub(r"firmware [\d.]+", "firmware <version>", picture)
    assert re.sub(r"\b\d{4}-\d\d-\d\d\b", "<date>", picture) in golden
