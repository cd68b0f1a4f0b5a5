"""The schematic's sheets: all parts are on them, and they can't say anything but what the circuit says."""

from __future__ import annotations

import dataclasses
import os
import re
from types import ModuleType
from xml.etree import ElementTree

import pytest

from .board_modules import HARDWARE, circuit

PARTS = circuit.circuit()
FOLDER = HARDWARE / "schematic"


@pytest.fixture(scope="module")
def schematic() -> ModuleType:
    """Without schemdraw a person's run skips and a run of CI fails."""
    try:
        import schematic
    except ModuleNotFoundError as missing:
        reason = f"{missing}: `pip install -r hardware/requirements.txt`"
        (pytest.fail if os.environ.get("CI") else pytest.skip)(reason)
    return schematic


def words(text: str) -> list[str]:
    """Everything written on a sheet."""
    found = ElementTree.fromstring(text).iter("{http://www.w3.org/2000/svg}text")
    return ["".join(one.itertext()).strip() for one in found]


def test_the_sheets_are_what_the_circuit_draws(schematic: ModuleType) -> None:
    drawn = schematic.sheets(PARTS)
    assert set(drawn) == {file.name for file in FOLDER.iterdir()}
    for name, text in drawn.items():
        assert text == (FOLDER / name).read_text("utf-8"), f"{name}: run hardware/build.py"


def test_every_part_is_on_some_sheet_with_its_value() -> None:
    said = " ".join(word for file in FOLDER.iterdir() for word in words(file.read_text("utf-8")))
    for part in PARTS:
        assert re.search(rf"\b{part.ref}\b", said), part.ref
        assert part.block == "board" or part.value in said


def test_the_table_of_the_networks_has_every_point() -> None:
    said = words((FOLDER / "3-networks.svg").read_text("utf-8"))
    said = said[said.index("point") :]
    wires = circuit.nets(PARTS)
    _, rows = circuit.read_source()
    for row in rows:
        at = said.index(row["point"])
        chip, network, socket = said[at + 1 : at + 4]
        assert f"U{int(row['chip']) + 1} {row['chip_pin']} (" == chip[: chip.index("(") + 1]
        assert {place for place in wires[f"P{row['point']}"] if place[0][:2] != "RN"} == {
            tuple(one.split(".")) for one in socket.split()
        }
        ref, inner, outer = re.fullmatch(r"(RN\d+)\s+(\d+) – (\d+)", network).groups()
        assert (ref, inner) in wires[f"X{row['point']}"]
        assert (ref, outer) in wires[f"P{row['point']}"]


def exchanged(ref: str) -> list[circuit.Part]:
    """The circuit with the nets of a part's first two connected pins of different nets exchanged."""
    parts = {part.ref: part for part in PARTS}
    joined = [pin for pin in parts[ref].pins if pin.net]
    one = joined[0]
    other = next(pin for pin in joined if pin.net != one.net)
    nets = {one.number: other.net, other.number: one.net}
    pins = tuple(dataclasses.replace(pin, net=nets.get(pin.number, pin.net)) for pin in parts[ref].pins)
    return list((parts | {ref: dataclasses.replace(parts[ref], pins=pins)}).values())


@pytest.mark.parametrize(
    ("ref", "sheet"),
    [
        *((ref, "controller") for ref in ("R1", "R5", "R6", "R7", "C9", "D1")),
        *((ref, "lane") for ref in ("R8", "D2", "R9", "R10", "C11", "R12")),
        *((ref, "panel") for ref in ("R16", "D3", "D5", "Q1", "BZ1", "SW1")),
    ],
)
def test_a_sheet_that_joins_what_the_circuit_does_not_is_refused(
    schematic: ModuleType, ref: str, sheet: str
) -> None:
    with pytest.raises(schematic.Disagreement, match=f"sheet {sheet}: "):
        getattr(schematic, sheet)(tuple(exchanged(ref)))


def test_a_part_that_no_sheet_draws_is_refused(schematic: ModuleType) -> None:
    more = dataclasses.replace(next(part for part in PARTS if part.ref == "R12"), ref="R99")
    with pytest.raises(schematic.Disagreement, match="R99 pin 1 is not drawn"):
        schematic.lane((*PARTS, more))


def test_numbers_in_words_stay_as_they_are(schematic: ModuleType) -> None:
    drawn = '<svg height="1.23456pt" width="2pt" viewBox="0 0 2.0 1.23456"><text x="0.10">J1.10</text></svg>'
    tidied = schematic.tidy(drawn)
    assert ">J1.10</text>" in tidied
    assert 'x="0.1"' in tidied
