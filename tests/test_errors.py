"""The tree of errors is the one that its docstring draws, and every error has a status and a message."""

from __future__ import annotations

import inspect
import re

import pytest

from pinwright import errors
from pinwright.errors import AdapterError, BenchError, PinoutError, PinwrightError, ProfileError
from pinwright.verdict.facts import PinMismatch

OF_A_FILE = (ProfileError, BenchError, AdapterError, PinoutError)
STATUS = {"InputError": 2, "TesterError": 3, "OwnBug": 70}  # of the contract's table


def drawn() -> dict[str, tuple[str, int | None]]:
    """Class → its parent, and the status drawn beside it or beside the parent, as the docstring has it."""
    assert errors.__doc__
    tree: dict[str, tuple[str, int | None]] = {}
    above: dict[int, tuple[str, int | None]] = {-1: ("", None)}
    for line in errors.__doc__.splitlines():
        found = re.match(r"    ([│├└─ ]*)([A-Z]\w+)(?: +(\d+))?(?: |$)", line)
        if found:
            depth = len(found[1]) // 4
            parent, status = above[depth - 1]
            tree[found[2]] = (parent, int(found[3]) if found[3] else status)
            above[depth] = (found[2], tree[found[2]][1])
    return tree


def classes() -> list[type[PinwrightError]]:
    found = [found for _, found in inspect.getmembers(errors, inspect.isclass)]
    return [
        found for found in found if issubclass(found, PinwrightError) and not found.__name__.startswith("_")
    ]


def parent(error: type) -> str:
    """The nearest class above that has a public name; none for the root."""
    above = [base.__name__ for base in error.__mro__[1:] if not base.__name__.startswith("_")]
    return above[0] if above[0] != "Exception" else ""


def test_the_tree_in_the_docstring_is_the_tree_of_classes() -> None:
    real = {error.__name__: (parent(error), getattr(error, "status", None)) for error in classes()}
    assert real == drawn()
    assert 21 == len(real)


@pytest.mark.parametrize("error", classes(), ids=lambda error: error.__name__)
def test_every_error_has_the_status_of_its_branch(error: type[PinwrightError]) -> None:
    if error is PinwrightError:
        assert not hasattr(error, "status")  # never raised itself
        return
    branch = next(base.__name__ for base in error.__mro__ if base.__name__ in STATUS)
    assert STATUS[branch] == error.status
    assert inspect.getdoc(error)


def test_an_error_that_lives_elsewhere_is_below_one_of_the_tree() -> None:
    assert 70 == PinMismatch("x").status


@pytest.mark.parametrize("error", classes(), ids=lambda error: error.__name__)
@pytest.mark.parametrize("text", ["", " ", "\n\t"])
def test_no_error_has_an_empty_message(error: type[PinwrightError], text: str) -> None:
    arguments = ("cable.id", text) if issubclass(error, OF_A_FILE) else (text,)
    with pytest.raises(ValueError, match="an error needs a message"):
        error(*arguments)


@pytest.mark.parametrize("error", classes(), ids=lambda error: error.__name__)
def test_message_and_hint_stand_apart(error: type[PinwrightError]) -> None:
    arguments = ("", "what is wrong") if issubclass(error, OF_A_FILE) else ("what is wrong",)
    raised = error(*arguments, hint="what to do")
    assert raised.message == str(raised)
    assert raised.message.endswith("what is wrong")
    assert "what to do" == raised.hint
    assert "" == error(*arguments).hint


@pytest.mark.parametrize(
    ("error", "noun"),
    [
        (ProfileError, "profile"),
        (BenchError, "bench file"),
        (AdapterError, "adapter"),
        (PinoutError, "pinout"),
    ],
)
def test_an_error_of_a_file_names_file_and_key(
    error: type[ProfileError | BenchError | AdapterError | PinoutError], noun: str
) -> None:
    at_key = error("wiring.rule", "is missing", hint="give one")
    assert f"{noun}, key `wiring.rule`: is missing" == at_key.message
    in_file = at_key.in_file("x.toml")
    assert f"{noun} `x.toml`, key `wiring.rule`: is missing" == in_file.message
    assert (error, "wiring.rule", "is missing", "give one", "x.toml") == (
        type(in_file),
        in_file.key,
        in_file.problem,
        in_file.hint,
        in_file.file,
    )
    assert f"{noun} `x.toml`: is not TOML" == error("", "is not TOML").in_file("x.toml").message


def test_an_error_of_a_table_names_its_line() -> None:
    in_file = PinoutError("", "pin 3 is named twice", line=7).in_file("rack.csv")
    assert "pinout `rack.csv`, line 7: pin 3 is named twice" == in_file.message
