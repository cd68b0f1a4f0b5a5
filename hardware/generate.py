"""Make what follows from board.toml and channels.csv: the host's fixture and the wiring table.

python3 hardware/generate.py          writes
python3 hardware/generate.py --check  exits 1 and names what is not up to date
"""

from __future__ import annotations

import csv
import sys
import tomllib
from pathlib import Path

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


def fixture(board: dict, rows: list[dict[str, str]]) -> str:
    """fixtures/*.toml: which point serves which pin of which socket."""
    lines = [
        "# Made by hardware/generate.py from board.toml and channels.csv; do not edit.",
        "",
        "[fixture]",
        f'id = "{board["board"]["id"]}"',
        f'title = "{board["board"]["title"]}"',
        f'revision = "{board["board"]["revision"]}"',
        f"points = {len(rows)}",
        "references = [" + ", ".join(str(ref["points"]) for ref in board["references"]) + "]",
    ]
    for name, socket in board["sockets"].items():
        points = [row["point"] for row in rows if row["socket"] == name]
        lines += ["", f"[sockets.{name}]", f'kind = "{socket["kind"]}"', "points = ["]
        lines += ["    " + ", ".join(points[i : i + 20]) + "," for i in range(0, len(points), 20)]
        lines += ["]"]
    return "\n".join(lines) + "\n"


def wiring(board: dict, rows: list[dict[str, str]]) -> str:
    """WIRING.md: the same for a person with a soldering iron."""
    lines = [
        f"# Wiring of the {board['board']['title']}, revision {board['board']['revision']}",
        "",
        "Made by `hardware/generate.py` from `board.toml` and `channels.csv`; do not edit.",
        "Every point goes from its expander pin through its series resistor to its socket pin.",
        "",
        "| Pico | GPIO |",
        "| --- | --- |",
        *(f"| {name} | GP{gpio} |" for name, gpio in board["pico"].items()),
        "",
        "| socket | what it is |",
        "| --- | --- |",
        *(f"| {name} | {socket['about']} |" for name, socket in board["sockets"].items()),
        "",
        "| point | expander (address) | its pin | series | socket | pin |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    lines += [
        "| {point} | {chip} | {chip_pin} | {series_ohms} Ω | {socket} | {pin} |".format(**row)
        for row in rows
    ]
    return "\n".join(lines) + "\n"


def main() -> int:
    board, rows = read_source()
    made = {
        HERE / "fixtures" / f"{board['board']['id']}.toml": fixture(board, rows),
        HERE / "WIRING.md": wiring(board, rows),
    }
    if "--check" in sys.argv[1:]:
        stale = [
            path.name for path, text in made.items() if not path.exists() or path.read_text("utf-8") != text
        ]
        for name in stale:
            print(f"{name} is not what hardware/generate.py makes: run it")
        return 1 if stale else 0
    for path, text in made.items():
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
