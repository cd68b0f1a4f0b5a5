"""One source for each fact of the board: channels.csv and board.toml; everything else agrees with them.

Where the points are and what joins the references: hardware/README.md, "The circuit".
"""

from __future__ import annotations

import ast
import csv
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

from pinwright.tester.fixture import Fixture

ROOT = Path(__file__).parents[1]
HARDWARE = ROOT / "hardware"


@pytest.fixture(scope="module")
def channels() -> list[dict[str, str]]:
    return read_channels(HARDWARE / "channels.csv")


@pytest.fixture(scope="module")
def board() -> dict[str, Any]:
    return tomllib.loads((HARDWARE / "board.toml").read_text("utf-8"))


@pytest.fixture(scope="module")
def fixture() -> Fixture:
    return Fixture.from_dict(tomllib.loads((HARDWARE / "fixtures" / "tester-128.toml").read_text("utf-8")))


@pytest.fixture(scope="module")
def pocket() -> dict[str, Any]:
    return tomllib.loads((HARDWARE / "pocket.toml").read_text("utf-8"))


@pytest.fixture(scope="module")
def pocket_fixture() -> Fixture:
    return Fixture.from_dict(tomllib.loads((HARDWARE / "fixtures" / "pocket-24.toml").read_text("utf-8")))


@pytest.fixture(scope="module")
def firmware() -> dict[str, Any]:
    """The constants of the firmware's board file, and of what reads board.json; parsed, not run."""
    tester = ROOT / "firmware" / "tester"
    return constants(tester / "board.py") | constants(tester / "about.py")


def read_channels(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def misplaced(channels: list[dict[str, str]]) -> list[int]:
    """The points whose row is not what their number says."""
    rules = [
        {
            "point": f"{p}",
            "chip": f"{p // 16}",
            "bit": f"{p % 16}",
            "chip_pin": f"{'GPA' if p % 16 < 8 else 'GPB'}{p % 8}",
        }
        for p in range(len(channels))
    ]
    pairs = enumerate(zip(rules, channels, strict=True))
    return [p for p, (rule, row) in pairs if not rule.items() <= row.items()]


def constants(path: Path, private: bool = False) -> dict[str, Any]:
    """Module-level `NAME = const(…)` and `NAME = literal`; with `private`, those with an underscore too."""
    found = {}
    for node in ast.parse(path.read_text("utf-8")).body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            value = node.value
            if isinstance(value, ast.Call) and ast.unparse(value.func) == "const":
                value = value.args[0]
            found[node.targets[0].id] = ast.literal_eval(value)
    return {name: value for name, value in found.items() if private or not name.startswith("_")}


def check(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(folder / "generate.py"), "--check"],
        env={**os.environ, "PYTHONPATH": str(ROOT / "host")},  # a copy of the folder has no host beside it
        capture_output=True,
        text=True,
        check=False,
    )


def test_what_is_made_from_the_board_is_up_to_date() -> None:
    done = check(HARDWARE)
    assert (0, "", "") == (done.returncode, done.stdout, done.stderr)


def test_point_p_is_chip_p_over_16_and_its_bit_is_what_remains(channels: list[dict[str, str]]) -> None:
    assert 128 == len(channels)
    assert [] == misplaced(channels)


@pytest.mark.parametrize(("socket", "first", "pins"), [("J1", 0, 40), ("S1", 40, 40), ("J2", 80, 40)])
def test_the_sockets_for_cables_are_in_order_of_their_points(
    channels: list[dict[str, str]], socket: str, first: int, pins: int
) -> None:
    expected = [(f"{first + k}", f"{k + 1}") for k in range(pins)]
    assert expected == [(row["point"], row["pin"]) for row in channels if row["socket"] == socket]


def test_the_fixture_serves_what_the_channels_say(channels: list[dict[str, str]], fixture: Fixture) -> None:
    assert len(channels) == fixture.points
    assert [f"{row['socket']}.{row['pin']}" for row in channels] == [
        fixture.name_of(point) for point in range(fixture.points)
    ]
    assert fixture.points == sum(len(socket.points) for socket in fixture.sockets)


def test_the_fixture_says_of_the_board_what_the_board_says(board: dict[str, Any], fixture: Fixture) -> None:
    assert board["board"] == {"id": fixture.id, "title": fixture.title, "revision": fixture.revision}
    assert {name: socket["kind"] for name, socket in board["sockets"].items()} == {
        socket.name: socket.kind for socket in fixture.sockets
    }
    assert [tuple(pair["points"]) for pair in board["references"]] == list(fixture.references)
    assert {"J1", "S1", "J2"} == {socket.name for socket in fixture.sockets if socket.takes_cables}


def test_the_firmware_has_the_board_s_pin_numbers(board: dict[str, Any], firmware: dict[str, Any]) -> None:
    pins = {name: firmware.get(name) for name in board["pico"]}
    assert board["pico"] == pins
    assert len(pins) == len(set(pins.values()))


def test_the_firmware_has_no_pin_number_that_the_board_lacks(
    board: dict[str, Any], firmware: dict[str, Any]
) -> None:
    others = {"SPI_BAUD", "I2C_BAUD", "MOST_CHIPS", "REFERENCES", "POCKET_PINS", "TESTER_128", "POCKET_24"}
    assert set(board["pico"]) | others == {name for name in firmware if not name.startswith("_")}


def test_the_firmware_has_the_board_s_references_and_chips(
    board: dict[str, Any], channels: list[dict[str, str]], firmware: dict[str, Any]
) -> None:
    assert [tuple(pair["points"]) for pair in board["references"]] == list(firmware["REFERENCES"])
    assert len({row["chip"] for row in channels}) == firmware["MOST_CHIPS"]
    assert firmware["SPI_BAUD"] <= 10_000_000  # the most the MCP23S17 allows: DS20001952C
    assert firmware["I2C_BAUD"] <= 400_000  # the most the ADS1115 allows in fast mode: SBAS444, from memory


def test_the_firmware_s_pocket_pins_are_the_pocket_tester_s_points(
    pocket: dict[str, Any], pocket_fixture: Fixture, firmware: dict[str, Any]
) -> None:
    pins = [gpio for socket in pocket["sockets"].values() for gpio in socket["gpio"]]
    assert pins == list(firmware["POCKET_PINS"])
    assert len(pins) == len(set(pins)) == pocket_fixture.points
    assert set(pins) <= {*range(23), 26, 27, 28}  # what a Pico's edge has: its data sheet's pinout


def test_the_pocket_fixture_serves_what_the_pocket_tester_says(
    pocket: dict[str, Any], pocket_fixture: Fixture
) -> None:
    assert (
        pocket["board"].items()
        >= {
            "id": pocket_fixture.id,
            "title": pocket_fixture.title,
            "revision": pocket_fixture.revision,
        }.items()
    )
    points = iter(range(pocket_fixture.points))
    expected = [
        (name, socket["kind"], tuple(next(points) for _ in socket["gpio"]))
        for name, socket in pocket["sockets"].items()
    ]
    assert expected == [(socket.name, socket.kind, socket.points) for socket in pocket_fixture.sockets]


def test_the_firmware_names_its_boards_as_the_fixtures_do(
    fixture: Fixture, pocket_fixture: Fixture, firmware: dict[str, Any]
) -> None:
    assert (fixture.id, pocket_fixture.id) == (firmware["TESTER_128"], firmware["POCKET_24"])


def test_the_firmware_s_first_file_stands_by_itself_and_agrees(
    board: dict[str, Any], pocket: dict[str, Any]
) -> None:
    alone = constants(ROOT / "firmware" / "main.py", private=True)
    assert board["pico"]["EXPANDER_RESET"] == alone["_EXPANDER_RESET"]
    assert pocket["board"]["id"] == alone["_POCKET"]


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    without = shutil.ignore_patterns("__pycache__", "board", "schematic", "spice")  # nothing that it reads
    return Path(shutil.copytree(HARDWARE, tmp_path / "hardware", ignore=without))


HEAD = tuple(read_channels(HARDWARE / "channels.csv")[0])


@pytest.mark.parametrize("column", HEAD)
@pytest.mark.parametrize("point", [77, 127])
def test_one_changed_cell_of_the_channels_is_noticed(copy: Path, column: str, point: int) -> None:
    rows = read_channels(copy / "channels.csv")
    rows[point][column] = "J2" if rows[point][column] == "S1" else rows[point][column] + "1"
    with (copy / "channels.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, HEAD)
        writer.writeheader()
        writer.writerows(rows)
    done = check(copy)
    if column == "bit":  # says the same as chip_pin; nothing is made from it
        assert [point] == misplaced(rows)
    else:
        assert 1 == done.returncode
        assert any(
            name in done.stdout + done.stderr for name in ("WIRING.md", "tester-128.toml", "channels.csv")
        )


@pytest.mark.parametrize(
    ("seen", "becomes", "stale"),
    [
        ("SPI_SCK = 18", "SPI_SCK = 10", "WIRING.md"),
        ("points = [121, 122]", "points = [120, 122]", "tester-128.toml"),
        ('revision = "A"', 'revision = "B"', "tester-128.toml"),
        ('kind = "zif-40"', 'kind = "box-2x20"', "tester-128.toml"),
    ],
)
def test_a_changed_fact_of_the_board_is_noticed(copy: Path, seen: str, becomes: str, stale: str) -> None:
    text = (copy / "board.toml").read_text("utf-8")
    assert seen in text
    (copy / "board.toml").write_text(text.replace(seen, becomes, 1), "utf-8")
    done = check(copy)
    assert 1 == done.returncode
    assert stale in done.stdout


def test_a_changed_pin_of_the_pocket_tester_is_noticed(copy: Path) -> None:
    text = (copy / "pocket.toml").read_text("utf-8")
    assert "22, 26]" in text
    (copy / "pocket.toml").write_text(text.replace("22, 26]", "22, 27]"), "utf-8")
    done = check(copy)
    assert 1 == done.returncode
    stale = re.findall(r"^(.*) is not what hardware/generate.py makes", done.stdout, re.MULTILINE)
    assert ["WIRING-POCKET.md", "pocket.svg"] == stale


def test_a_missing_result_is_noticed(copy: Path) -> None:
    (copy / "WIRING.md").unlink()
    done = check(copy)
    assert (1, "WIRING.md is not what hardware/generate.py makes: run it\n") == (done.returncode, done.stdout)
