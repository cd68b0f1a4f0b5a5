"""Make what follows from board.toml, channels.csv, pocket.toml, pico.csv and adapters.toml: the host's
fixtures and adapters, netlist, parts list, wiring tables, tables of the documents, drawings of adapters.

python3 hardware/generate.py          writes
python3 hardware/generate.py --check  exits 1 and names what is not up to date
"""

from __future__ import annotations

import csv
import sys
import tomllib
from pathlib import Path

import breadboard
import guide
import netlist
import stripboard
from circuit import Part, circuit, nets, read_pico

HERE = Path(__file__).resolve().parent


def read_source() -> tuple[dict, list[dict[str, str]]]:
    """The board and its channels, one row a point, checked for order."""
    with (HERE / "board.toml").open("rb") as file:
        board = tomllib.load(file)
    with (HERE / "channels.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    if [int(row["point"]) for row in rows] != list(range(len(rows))):
        raise SystemExit("channels.csv: points must be 0, 1, 2, … in order")
    return board, rows


def fixture(board: dict, points: dict[str, list[str]], source: str) -> str:
    """fixtures/*.toml: which point serves which pin of which socket. points: of each socket, in order."""
    references = ", ".join(str(ref["points"]) for ref in board.get("references", []))
    lines = [
        f"# Made by hardware/generate.py from {source}; do not edit.",
        "",
        "[fixture]",
        f'id = "{board["board"]["id"]}"',
        f'title = "{board["board"]["title"]}"',
        f'revision = "{board["board"]["revision"]}"',
        f"points = {sum(map(len, points.values()))}",
        f"references = [{references}]",
    ]
    for name, socket in board["sockets"].items():
        lines += ["", f"[sockets.{name}]", f'kind = "{socket["kind"]}"', "points = ["]
        lines += ["    " + ", ".join(points[name][i : i + 20]) + "," for i in range(0, len(points[name]), 20)]
        lines += ["]"]
    return "\n".join(lines) + "\n"


def pocket_points(pocket: dict) -> dict[str, list[str]]:
    """Points of the pocket tester by socket, counted through."""
    numbers = iter(range(24))
    return {name: [str(next(numbers)) for _ in socket["gpio"]] for name, socket in pocket["sockets"].items()}


def wiring(board: dict, rows: list[dict[str, str]], parts: tuple[Part, ...]) -> str:
    """WIRING.md: where each point goes, pin by pin, for a person with a soldering iron and a meter."""
    pin_of = {name: str(pin) for pin, name in read_pico(HERE).items()}
    gpio = board["pico"] | board["optional"]
    own = {"SUPPLY_MODE": "none: on the Pico itself"}
    lines = [
        f"# Wiring of the {board['board']['title']}, revision {board['board']['revision']}",
        "",
        "Made by `hardware/generate.py` from `board.toml` and `channels.csv`; do not edit.",
        "Every point goes from its expander's pin through a resistor of a network to its socket's pin.",
        "`U1.21` is pin 21 of U1. The program counts expanders from 0, like their addresses: its 0 is U1.",
        "J5 is the probe, R14 and R15 join the references, J6 has the spare points.",
        "",
        "| Pico | GPIO | its pin |",
        "| --- | --- | --- |",
        *(f"| {name} | GP{k} | {own.get(name) or pin_of[f'GP{k}']} |" for name, k in gpio.items()),
        "",
        "| socket | what it is |",
        "| --- | --- |",
        *(f"| {name} | {socket['about']} |" for name, socket in board["sockets"].items()),
        "",
        "| point | the program calls it | socket | network, both pins | series | expander | its pin's name |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    names = {(part.ref, pin.number): pin.name for part in parts for pin in part.pins}
    places = nets(parts)
    for row in rows:
        outside, inside = places[f"P{row['point']}"], places[f"X{row['point']}"]
        sockets = " ".join(".".join(place) for place in outside if place[0][:2] != "RN")
        network = " – ".join(".".join(place) for place in (*outside, *inside) if place[0][:2] == "RN")
        (chip,) = (place for place in inside if place[0][0] == "U")
        called, ohms = f"{row['socket']}.{row['pin']}", f"{row['series_ohms']} Ω"
        cells = (row["point"], called, sockets, network, ohms, ".".join(chip), names[chip])
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def main() -> int:
    board, rows = read_source()
    pocket = breadboard.read_pocket(HERE)
    points = {name: [row["point"] for row in rows if row["socket"] == name] for name in board["sockets"]}
    made = {
        HERE / "fixtures" / f"{board['board']['id']}.toml": fixture(
            board, points, "board.toml and channels.csv"
        ),
        HERE / "WIRING.md": wiring(board, rows, circuit(HERE)),
        HERE / "fixtures" / f"{pocket['board']['id']}.toml": fixture(
            pocket, pocket_points(pocket), "pocket.toml"
        ),
        **netlist.made(HERE),
        **guide.made(HERE),
        **breadboard.made(HERE),
        **stripboard.made(HERE),
    }
    adapters = HERE / "adapters"
    left_over = sorted({*adapters.glob("*.toml"), *adapters.glob("sheets/*")} - made.keys())
    if "--check" in sys.argv[1:]:
        stale = [
            path.name for path, text in made.items() if not path.exists() or path.read_text("utf-8") != text
        ]
        for name in stale:
            print(f"{name} is not what hardware/generate.py makes: run it")
        for path in left_over:
            print(f"{path.name} is nothing that hardware/generate.py makes: run it")
        return 1 if stale or left_over else 0
    for path, text in made.items():
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    for path in left_over:
        path.unlink()
    return 0


if __name__ == "__main__":
    sys.exit(main())
