"""The pocket tester: what its table, its drawing and its page say is one and the same wiring, and it works.

The breadboard is modelled here from what a breadboard is: holes a to e of a row are one node, f to j another.
"""

from __future__ import annotations

import csv
import re
import tomllib
from collections.abc import Callable
from itertools import combinations, pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest

from pinwright.cable.profile import Profile
from pinwright.cli import main as program
from pinwright.cli.ports import Workshop, plug_in
from pinwright.link import Line, drive
from pinwright.tester.session import Session
from pinwright.verdict.agreement import decide
from pinwright.virtual.bench import Bench

from ..desk import Desk

HARDWARE = Path(__file__).parents[2] / "hardware"
POCKET = tomllib.loads((HARDWARE / "pocket.toml").read_text("utf-8"))
PAGE = (HARDWARE / "POCKET.md").read_text("utf-8")
WORKSHOP = Workshop.read()


def pico() -> dict[int, str]:
    with (HARDWARE / "pico.csv").open(newline="", encoding="utf-8") as file:
        return {int(row["pin"]): row["name"] for row in csv.DictReader(file)}


def rows() -> list[list[str]]:
    """The wiring table: point, GPIO, pin, wire from, to, ohms, resistor from, to, socket, its pin, hole."""
    lines = (HARDWARE / "WIRING-POCKET.md").read_text("utf-8").splitlines()
    return [
        [cell.strip() for cell in line.strip("|").split("|")] for line in lines if re.match(r"\| \d", line)
    ]


def node(hole: str) -> tuple[str, int]:
    """What is one piece of metal inside a breadboard."""
    column, row = hole[0], int(hole[1:])
    assert "a" <= column <= "j"
    assert 1 <= row <= 63
    return ("left" if column <= "e" else "right"), row


def node_of_pin(pin: int) -> tuple[str, int]:
    """Where the Pico's pin stands: 1 to 20 down in c, 21 to 40 up in h, opposite each other."""
    return node(f"c{pin}") if pin <= 20 else node(f"h{41 - pin}")


def test_the_pico_s_pins_are_those_of_its_data_sheet() -> None:
    """From memory: grounds at the same places of both rows, GPIOs counted through, the supply at 36 to 40."""
    names = pico()
    assert list(range(1, 41)) == list(names)
    assert [3, 8, 13, 18, 23, 28, 38] == [pin for pin, name in names.items() if name == "GND"]
    assert [f"GP{k}" for k in range(23)] == [names[pin] for pin in range(1, 30) if names[pin] != "GND"]
    assert ["RUN", "GP26", "GP27", "AGND", "GP28", "ADC_VREF", "3V3", "3V3_EN"] == [
        names[pin] for pin in range(30, 38)
    ]
    assert ["VSYS", "VBUS"] == [names[pin] for pin in (39, 40)]


def test_the_table_leads_every_point_from_its_gpio_through_one_resistor_to_its_socket_pin() -> None:
    names = pico()
    points = [
        (socket, pin, gpio)
        for socket, told in POCKET["sockets"].items()
        for pin, gpio in enumerate(told["gpio"], start=1)
    ]
    assert len(points) == len(rows()) == 24
    for number, ((socket, pin, gpio), row) in enumerate(zip(points, rows(), strict=True)):
        point, name, at, start, end, ohms, one, other, its_socket, its_pin, hole = row
        assert (number, f"GP{gpio}", socket, pin) == (int(point), name, its_socket, int(its_pin))
        assert name == names[int(at)]
        assert f"{POCKET['board']['series_ohms']} Ω" == ohms
        assert node_of_pin(int(at)) == node(start)
        assert node(end) == node(one)
        assert node(other) == node(hole)
        assert node(one) != node(other)


def test_no_hole_is_used_twice_and_no_piece_of_metal_by_two_points() -> None:
    used = [hole for row in rows() for hole in (row[3], row[4], row[6], row[7], row[10])]
    used += [f"{'c' if pin <= 20 else 'h'}{pin if pin <= 20 else 41 - pin}" for pin in pico()]
    assert len(used) == len(set(used))
    metal = [{node(hole) for hole in (row[3], row[4], row[6], row[7], row[10])} for row in rows()]
    assert all(not one & other for one, other in combinations(metal, 2))
    free = {node_of_pin(pin) for pin in pico()} - {node_of_pin(int(row[2])) for row in rows()}
    assert all(not one & free for one in metal)


def test_the_rows_of_pins_are_twelve_holes_in_a_line() -> None:
    for socket in POCKET["sockets"]:
        holes = [row[10] for row in rows() if row[8] == socket]
        assert 12 == len(holes)
        assert 1 == len({hole[0] for hole in holes})
        assert all(1 == int(after[1:]) - int(before[1:]) for before, after in pairwise(holes))


def test_the_drawing_is_the_table() -> None:
    root = ElementTree.parse(HARDWARE / "pocket.svg").getroot()
    holes = where_the_holes_are(root)
    drawn: dict[int, list[tuple[str, str]]] = {}
    for line in root.iter():
        if line.get("data-from"):
            start, end = line.get("data-from", ""), line.get("data-to", "")
            numbers = [float(word) for word in re.findall(r"-?[\d.]+", line.get("d", ""))]
            ends = sorted([numbers[:2], numbers[-2:]])
            places = sorted([[*holes(start)], [*holes(end)]])
            assert places[0] + places[1] == pytest.approx(ends[0] + ends[1], abs=0.05)
            drawn.setdefault(int(line.get("data-point", "")), []).append((start, end))
    assert {int(row[0]): [(row[3], row[4]), (row[6], row[7])] for row in rows()} == drawn
    pins = {mark.get("data-socket-pin"): mark for mark in root.iter() if mark.get("data-socket-pin")}
    assert {f"{row[8]}.{row[9]}": row[10] for row in rows()} == {
        name: mark.get("data-hole") for name, mark in pins.items()
    }
    for mark in pins.values():
        x, y, size = (float(mark.get(key, "")) for key in ("x", "y", "width"))
        assert (x + size / 2, y + size / 2) == pytest.approx(holes(mark.get("data-hole", "")), abs=0.05)


def where_the_holes_are(root: ElementTree.Element) -> Callable[[str], tuple[float, float]]:
    """By the letters above the columns, and the Pico's pins, which are in rows 1 to 20."""
    columns = {
        (mark.text or ""): float(mark.get("x", ""))
        for mark in root.iter()
        if mark.tag.endswith("text") and re.fullmatch("[a-j]", mark.text or "")
    }
    assert "abcdefghij" == "".join(sorted(columns, key=lambda name: columns[name]))
    pins = {int(mark.get("data-pin", "")): mark for mark in root.iter() if mark.get("data-pin")}
    assert pico() == {pin: mark.get("data-name") for pin, mark in pins.items()}
    first, second = (float(pins[pin].get("cy", "")) for pin in (1, 2))

    def hole(name: str) -> tuple[float, float]:
        return columns[name[0]], first + (int(name[1:]) - 1) * (second - first)

    for pin, mark in pins.items():
        side, row = node_of_pin(pin)
        place = (float(mark.get("cx", "")), float(mark.get("cy", "")))
        assert place == pytest.approx(hole(f"{'c' if side == 'left' else 'h'}{row}"), abs=0.05)
    return hole


def test_the_page_has_as_many_parts_as_the_table_uses() -> None:
    listed = re.findall(r"^\| (\d+) \| ([^|]+) \|", PAGE, re.M)
    for part in ("resistor 680 Ω", "wires for breadboards"):
        assert [len(rows())] == [int(count) for count, listed_part in listed if listed_part.startswith(part)]
    strips = [one for one in listed if one[1].startswith("pin strip")]
    assert [("2", "pin strip 1×20, 2.54 mm"), ("2", "pin strip 1×12, 2.54 mm")] == strips
    for hole in ("j25 to j36", "a39 to a50"):
        first, last = hole.split(" to ")
        holes = [row[10] for row in rows()]
        assert holes.index(last) - holes.index(first) == 11
        assert hole in PAGE


def test_every_wire_of_the_parts_reaches_with_room_for_its_pins_and_bends() -> None:
    """A row to the next is 2.54 mm, and so is a column, but for e to f, 7.62 mm."""
    (least,) = map(int, re.findall(r"wires for breadboards, (\d+) to \d+ cm", PAGE))

    def place(hole: str) -> complex:
        return complex(2.54 * ("abcde  fghij".index(hole[0])), 2.54 * int(hole[1:]))

    longest = max(abs(place(row[3]) - place(row[4])) for row in rows())
    assert 101 < longest < 10 * least - 20


def test_the_meter_s_holes_are_in_the_rows_of_the_supply_and_of_ground_and_five_volts_between() -> None:
    names = pico()
    assert {"3V3": node("i5"), "GND": node("i3"), "VSYS": node("i2")} == {
        names[pin]: node_of_pin(pin) for pin in (36, 38, 39)
    }
    assert "i5 (pin 36, 3V3) and one into i3 (pin 38, GND)" in PAGE
    assert not {"i5", "i3", "h25"} & {
        hole for row in rows() for hole in (row[3], row[4], row[6], row[7], row[10])
    }
    assert node("h25") == node(next(row[10] for row in rows() if row[8:10] == ["J1", "1"]))


def first_lead() -> Profile:
    (text,) = re.findall(r"^ *```toml\n(.*?)^ *```", PAGE, re.DOTALL | re.MULTILINE)
    return Profile.from_dict(tomllib.loads(text))


@pytest.mark.parametrize(
    ("wires", "passes"),
    [
        (["1 1", "2 2", "3 3", "4 4"], True),
        (["1 2", "2 1", "3 3", "4 4"], False),
        (["1 1", "2 2", "3 3"], False),
        (["1 1", "2 2", "3 3", "4 4", "3 4"], False),
    ],
    ids=["good", "exchanged", "open", "joined"],
)
def test_the_page_s_first_lead_gets_the_verdict_that_it_says(wires: list[str], passes: bool) -> None:
    profile = first_lead()
    links = [{"pins": [f"A.{pair.split()[0]}", f"B.{pair.split()[1]}"]} for pair in wires]
    bench = Bench.from_dict({"tester": {"kind": "pocket"}, "link": links})
    with Desk(*plug_in(bench, profile.ends, WORKSHOP, {})) as desk:
        session = Session(profile, WORKSHOP.fixtures, "0", adapters=WORKSHOP.adapters)
        scan = drive(session.run(), Line(desk, lambda text: None))
    assert {"A": "J1", "B": "J2"} == scan.placement.sockets
    assert passes is decide(profile, scan).passed


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("cut = [3]", "J1.4 does not reach the shorting bar"),
        ("bridged = [[2, 3]]", "J1.3, J1.4 are joined inside the tester"),
        ("stuck_low = [5]", "reads low though nothing pulls it low: J1.6"),
    ],
)
def test_the_long_check_says_of_a_fault_what_the_page_says(
    fault: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "bench.toml").write_text(f'[tester]\nkind = "pocket"\n{fault}\n', encoding="utf-8")
    assert 3 == program.main(["tester", "check", "--port", f"sim:{tmp_path / 'bench.toml'}"])
    assert said in capsys.readouterr().err
    assert f"`{said}`" in PAGE


def test_the_page_names_every_row_that_is_ground_or_carries_five_volts() -> None:
    names = pico()
    grounds = ", ".join(str(pin) for pin, name in names.items() if name in ("GND", "AGND"))
    assert f"a GND pin ({grounds})" in " ".join(PAGE.split())
    assert {39: "VSYS", 40: "VBUS"} == {pin: names[pin] for pin in (39, 40)}
    assert [("right", 1), ("right", 2)] == [node_of_pin(pin) for pin in (40, 39)]
    assert "**Rows 1 and 2 on the right carry 5 V**" in PAGE
