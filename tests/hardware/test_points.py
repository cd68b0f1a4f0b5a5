"""Point by point: netlist, fixture and firmware mean the same pin; any one change in any of them is named."""

from __future__ import annotations

import ast
import copy
import json
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

from pinwright import virtual

from .board_modules import HARDWARE, ROOT, electrical, netlist

WIRES = netlist.read_nets((HARDWARE / "tester-128.net").read_text("utf-8"))
FIXTURE = tomllib.loads((HARDWARE / "fixtures" / "tester-128.toml").read_text("utf-8"))
POINTS = range(FIXTURE["fixture"]["points"])
FIRMWARE = ROOT / "firmware"
STAND_INS = Path(virtual.__file__).parent / "shim_cpython"

# Has the firmware's own code look from every point, and notes what it sends.
_LOOKS = """
import json, sys
sys.path[:0] = sys.argv[1:]
from tester.bank import ExpanderBank
from tester.expander import Expanders

class Line:
    def value(self, level): pass

class Bus:
    sent = []
    def write_readinto(self, out, into): self.sent.append(list(out))

bank = ExpanderBank(Expanders(Bus(), Line(), Line(), 8), lambda us: None)
row = bytearray(16)
looks = []
for point in range(bank.points):
    Bus.sent.clear()
    bank.look(point, row, 0, 0, False)
    looks.append(list(Bus.sent))
print(json.dumps(looks))
"""


@pytest.fixture(scope="module")
def found_at() -> dict[int, tuple[int, str]]:
    """Point → address and name of the pin that the firmware pulls low for it.

    A transfer's bytes: opcode 0100 A2 A1 A0 R/W, then registers in order, from OLATA (0x14) over OLATB on to
    IODIRA and IODIRB, where 0 makes an output: DS20001952C, sections 3.2 and 3.5.
    """
    command = [sys.executable, "-c", _LOOKS, str(FIRMWARE), str(STAND_INS)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    found = {}
    for point, sent in enumerate(json.loads(done.stdout)):
        opcode, register, *latches, low, high = next(one for one in sent if len(one) == 6)
        assert (0x40, 0x14, [0, 0]) == (opcode & 0xF1, register, latches)
        outputs = [f"GPA{k}" for k in range(8) if not low >> k & 1]
        outputs += [f"GPB{k}" for k in range(8) if not high >> k & 1]
        (found[point],) = ((opcode >> 1 & 7, name) for name in outputs)
    return found


@pytest.fixture(scope="module")
def firmware() -> dict[str, Any]:
    """The constants of the firmware's board file."""
    found = {}
    for node in ast.parse((FIRMWARE / "tester" / "board.py").read_text("utf-8")).body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            value = node.value.args[0] if isinstance(node.value, ast.Call) else node.value
            found[node.targets[0].id] = ast.literal_eval(value)
    return found


def test_netlist_fixture_and_firmware_agree_on_every_point(
    found_at: dict[int, tuple[int, str]], firmware: dict[str, Any]
) -> None:
    assert [] == electrical.disagreements(WIRES, FIXTURE, firmware, found_at)
    assert 128 == len(POINTS) == len(found_at)


@pytest.mark.parametrize("side", ["X", "P"])
def test_a_cut_at_either_end_of_any_wire_of_a_point_is_named(
    side: str, found_at: dict[int, tuple[int, str]], firmware: dict[str, Any]
) -> None:
    for point in POINTS:
        net = f"{side}{point}"
        for place in WIRES[net]:
            wires = WIRES | {net: WIRES[net] - {place}, "cut": frozenset({place})}
            said = electrical.disagreements(wires, FIXTURE, firmware, found_at)
            assert any(line.startswith(f"point {point} (") for line in said), (net, place)


@pytest.mark.parametrize("side", ["X", "P"])
@pytest.mark.parametrize("step", [1, 8, 40])
def test_any_two_wires_exchanged_at_either_end_are_named(
    side: str, step: int, found_at: dict[int, tuple[int, str]], firmware: dict[str, Any]
) -> None:
    for point in POINTS:
        other = (point + step) % len(POINTS)
        one, two = f"{side}{point}", f"{side}{other}"
        mine = {place for place in WIRES[one] if place[0][:2] == "RN"}
        its = {place for place in WIRES[two] if place[0][:2] == "RN"}
        wires = WIRES | {one: WIRES[one] - mine | its, two: WIRES[two] - its | mine}
        said = electrical.disagreements(wires, FIXTURE, firmware, found_at)
        for named in (point, other):
            assert any(line.startswith(f"point {named} (") for line in said)


def test_any_two_wires_that_touch_are_named(
    found_at: dict[int, tuple[int, str]], firmware: dict[str, Any]
) -> None:
    for point in POINTS[:-1]:
        for side in "XP":
            one, two = f"{side}{point}", f"{side}{point + 1}"
            wires = {net: places for net, places in WIRES.items() if net != two}
            wires[one] = WIRES[one] | WIRES[two]
            said = electrical.disagreements(wires, FIXTURE, firmware, found_at)
            for named in (point, point + 1):
                assert any(line.startswith(f"point {named} (") for line in said)


def test_any_two_points_exchanged_in_the_fixture_are_named(
    found_at: dict[int, tuple[int, str]], firmware: dict[str, Any]
) -> None:
    for point in POINTS:
        other = (point + 1) % len(POINTS)
        exchanged = {point: other, other: point}
        fixture = copy.deepcopy(FIXTURE)
        for socket in fixture["sockets"].values():
            socket["points"] = [exchanged.get(one, one) for one in socket["points"]]
        said = electrical.disagreements(WIRES, fixture, firmware, found_at)
        for named in (point, other):
            assert any(line.startswith(f"point {named} (") for line in said)


def test_any_point_that_the_firmware_looks_for_elsewhere_is_named(
    found_at: dict[int, tuple[int, str]], firmware: dict[str, Any]
) -> None:
    for point in POINTS:
        other = (point + 1) % len(POINTS)
        moved = found_at | {point: found_at[other], other: found_at[point]}
        said = electrical.disagreements(WIRES, FIXTURE, firmware, moved)
        for named in (point, other):
            assert any(line.startswith(f"point {named} (") for line in said)
    missing = {point: found_at[point] for point in POINTS[:-1]}
    said = electrical.disagreements(WIRES, FIXTURE, firmware, missing)
    assert any(line.startswith("point 127 (") for line in said)


def test_any_changed_pin_number_of_the_firmware_is_named(
    found_at: dict[int, tuple[int, str]], firmware: dict[str, Any]
) -> None:
    pins = [name for name in electrical.ON_GPIO if isinstance(firmware[name], int)]
    assert {"SPI_SCK", "SPI_MOSI", "SPI_MISO", "SPI_CS", "EXPANDER_RESET", "I2C_SDA", "I2C_SCL"} < set(pins)
    for name in pins:
        for other in {0, *(firmware[name] for name in pins)} - {firmware[name]}:
            said = electrical.disagreements(WIRES, FIXTURE, firmware | {name: other}, found_at)
            assert any(line.startswith(f"{name}: GP{other} ") for line in said)


def test_any_cut_in_a_line_of_the_pico_is_named(
    found_at: dict[int, tuple[int, str]], firmware: dict[str, Any]
) -> None:
    lines = {"SCK", "MOSI", "MISO", "CS", "RESET"}
    names = {"LAMP_RED", "LAMP_GREEN", "RED_A", "GREEN_A", "SDA", "SCL", *lines, *(f"{n}_A1" for n in lines)}
    for net in sorted(names):
        for place in WIRES[net]:
            wires = WIRES | {net: WIRES[net] - {place}, "cut": frozenset({place})}
            said = electrical.disagreements(wires, FIXTURE, firmware, found_at)
            assert any(line.partition(":")[0] in electrical.ON_GPIO for line in said), (net, place)


def test_any_pin_of_the_netlist_that_is_cut_off_or_joined_to_a_supply_is_named(
    found_at: dict[int, tuple[int, str]], firmware: dict[str, Any]
) -> None:
    for net, place in sorted((net, place) for net, places in WIRES.items() for place in places):
        without = WIRES | {net: WIRES[net] - {place}}
        if without[net]:
            cut = without | {"cut": frozenset({place})}
            assert electrical.disagreements(cut, FIXTURE, firmware, found_at), place
        for supply in {"GND", "VIO", "3V3", "VSYS"} - {net}:
            joined = without | {supply: WIRES[supply] | {place}}
            assert electrical.disagreements(joined, FIXTURE, firmware, found_at), (place, supply)


def test_an_expander_with_another_address_is_noticed(
    found_at: dict[int, tuple[int, str]], firmware: dict[str, Any]
) -> None:
    for chip in range(8):
        for pin in (15, 16, 17):
            place = (f"U{chip + 1}", str(pin))
            here, there = ("VIO", "GND") if place in WIRES["VIO"] else ("GND", "VIO")
            wires = WIRES | {here: WIRES[here] - {place}, there: WIRES[there] | {place}}
            said = electrical.disagreements(wires, FIXTURE, firmware, found_at)
            assert any(line.startswith(f"point {16 * chip} (") for line in said)


@pytest.mark.parametrize("pairs", [[[121, 122]], [[121, 122], [123, 125]], [[123, 124], [121, 122]]])
def test_other_references_in_fixture_or_firmware_are_named(
    pairs: list[list[int]], found_at: dict[int, tuple[int, str]], firmware: dict[str, Any]
) -> None:
    fixture = FIXTURE | {"fixture": FIXTURE["fixture"] | {"references": pairs}}
    said = electrical.disagreements(WIRES, fixture, firmware, found_at)
    assert any(line.startswith("references: the fixture has") for line in said)
    other = firmware | {"REFERENCES": tuple(map(tuple, pairs))}
    said = electrical.disagreements(WIRES, FIXTURE, other, found_at)
    assert any(line.startswith("references: the fixture has") for line in said)
    both = electrical.disagreements(WIRES, fixture, other, found_at)
    assert any(line.startswith("references: ") for line in both)
