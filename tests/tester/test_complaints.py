"""What the board's error codes become; and that every code in the firmware's source is known."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from pinwright.errors import (
    LinkCorrupt,
    LinkLost,
    OutsideVoltage,
    PinwrightError,
    ProtocolMismatch,
    SelfCheckFailed,
)
from pinwright.tester.complaints import _TABLE, complaint

FIRMWARE = Path(__file__).parents[2] / "firmware"


def calls(name: str) -> Iterator[ast.Call]:
    """Every call of a function of that name in the firmware."""
    for node in nodes():
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == name:
            yield node


def nodes() -> Iterator[ast.AST]:
    for path in sorted(FIRMWARE.rglob("*.py")):
        yield from ast.walk(ast.parse(path.read_text("utf-8")))


def literals(values: list[ast.expr]) -> set[str]:
    return {
        value.value for value in values if isinstance(value, ast.Constant) and isinstance(value.value, str)
    }


def replies() -> dict[str, set[str]]:
    """Code → names of its values, from every text `error CODE name=%…` in the firmware."""
    texts = literals([node for node in nodes() if isinstance(node, ast.Constant)])
    words = [text.split() for text in texts if text.startswith("error ") and len(text.split()) > 1]
    return {code: {pair.split("=")[0] for pair in pairs} for _, code, *pairs in words if code != "%s"}


def codes_of_the_firmware() -> set[str]:
    faults = {
        value
        for node in nodes()
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "self.fault"
        for value in literals([node.value])
    } - {""}
    given = [call.args[0] for name in ("Refused", "PointFault") for call in calls(name)]
    checks = [call.args[2] for call in calls("_refuse")]
    return set(replies()) | faults | literals(given) | literals(checks)


def test_every_code_of_the_firmware_is_in_the_table_and_no_other() -> None:
    assert codes_of_the_firmware() == set(_TABLE)


def test_no_code_of_the_firmware_escapes_the_search() -> None:
    """Only these raise a code that is not written out where it is raised: both are searched above."""
    given = [call.args[0] for name in ("Refused", "PointFault") for call in calls(name)]
    indirect = {ast.unparse(value) for value in given if not literals([value])}
    assert {"self.board.fault", "code"} == indirect
    assert all(literals([call.args[2]]) for call in calls("_refuse"))


VALUES = {
    "chip": "3",
    "register": "12",
    "written": "00FF",
    "read": "0000",
    "why": "checksum",
    "millivolts": "2750",
}


@pytest.mark.parametrize("code", _TABLE)
def test_a_sentence_needs_no_more_than_the_firmware_gives(code: str) -> None:
    values = {name: VALUES[name] for name in replies().get(code, ()) if name != "points"}
    error = complaint(code, values, "A.3 (J1.3)", "scan settle=20")
    assert isinstance(error, PinwrightError)
    assert _TABLE[code][0] is type(error)
    assert error.hint
    assert "{" not in error.message
    assert "}" not in error.message


@pytest.mark.parametrize(
    ("code", "kind", "seen"),
    [
        (
            "chip",
            SelfCheckFailed,
            "expander 3 does not hold what is written to it (register 0x12: wrote 0x00FF, read 0x0000)",
        ),
        ("held-low", OutsideVoltage, "reads low though nothing pulls it low: A.3 (J1.3)"),
        ("fed", OutsideVoltage, "reads high though nothing drives it high: A.3 (J1.3)"),
        ("not-low", SelfCheckFailed, "does not read low while driven low: A.3 (J1.3)"),
        ("reference", SelfCheckFailed, "joined pair A.3 (J1.3) does not read as joined"),
        ("unsteady", SelfCheckFailed, "A.3 (J1.3) among them"),
        ("converter", SelfCheckFailed, "converter, which measures ohms, checksum"),
        ("supply", SelfCheckFailed, "the supply of the tester's expanders is at 2750 mV, below 3000 mV"),
        ("overload", SelfCheckFailed, "more current flows than any cable can draw"),
        ("overload", SelfCheckFailed, "while this point is driven: A.3 (J1.3)"),
        ("backwards", OutsideVoltage, "current flows backwards into the tester: A.3 (J1.3)"),
        ("keep", SelfCheckFailed, "the tester cannot store or read what it keeps of itself (checksum)"),
        ("lane", ProtocolMismatch, "no ohms lane, after it said it had one (`scan settle=20`)"),
        ("board-file", SelfCheckFailed, "board.json"),
        ("frame", LinkCorrupt, "could not read the request (checksum)"),
        ("memory", SelfCheckFailed, "out of memory"),
        ("bug", SelfCheckFailed, "the firmware failed"),
        ("verb", ProtocolMismatch, "`scan settle=20`"),
        ("argument", ProtocolMismatch, "`scan settle=20`"),
        ("state", LinkLost, "the board has forgotten what came before `scan settle=20`"),
        ("novel", SelfCheckFailed, "an error that this program does not know: novel"),
    ],
)
def test_a_code_becomes_a_sentence_of_its_own(code: str, kind: type[Exception], seen: str) -> None:
    error = complaint(code, VALUES, "A.3 (J1.3)", "scan settle=20")
    assert kind is type(error)
    assert seen in str(error)


def test_the_hint_about_the_board_s_file_says_how_to_write_one() -> None:
    error = complaint("board-file", {}, "", "check")
    assert isinstance(error, SelfCheckFailed)
    assert "`pinwright install --fitted 8 --name bench-1`" in error.hint


@pytest.mark.parametrize(("code", "values"), [("chip", {"chip": "3"}), ("chip", {}), ("frame", {})])
def test_a_complaint_that_lacks_its_values_is_a_corrupt_reply(code: str, values: dict[str, str]) -> None:
    error = complaint(code, values, "", "check")
    assert isinstance(error, LinkCorrupt)
    assert f"the board's error `{code}` lacks what it should say" in error.message


def test_braces_in_what_the_board_says_are_taken_as_they_are() -> None:
    assert "({why})" in str(complaint("frame", {"why": "{why}"}, "", "check"))


@pytest.mark.parametrize(
    ("code", "why", "seen"),
    [
        ("converter", "missing", "which measures ohms, does not answer"),
        ("converter", "idle", "which measures ohms, does not begin a conversion"),
        ("keep", "empty", "what it keeps of itself (the file is empty)"),
    ],
)
def test_a_reason_is_put_into_words(code: str, why: str, seen: str) -> None:
    assert seen in str(complaint(code, {"why": why}, "", "lane"))


def test_a_complaint_about_no_point_is_about_the_tester() -> None:
    assert "the tester itself" in str(complaint("unsteady", {"points": "00"}, "", "lane"))
