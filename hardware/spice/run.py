"""Run the ngspice decks of this folder in all their corners, and write what comes out.

python3 hardware/spice/run.py                 writes RESULTS.md and results.csv
python3 hardware/spice/run.py --check         exits 1 and names what is not as those say
python3 hardware/spice/run.py lane-link       prints what this deck gives, and writes nothing
python3 hardware/spice/run.py --check lane-link

Needs ngspice (Debian, Ubuntu: `apt install ngspice`; Fedora: `dnf install ngspice`; macOS: `brew install
ngspice`) and Python's standard library. A deck is a file `*.cir`, and runs by itself too, with typical parts:

cd hardware/spice && ngspice -b lane-link.cir

figures.toml says which figures are taken of which deck, in which corners, and what the documents say of them.
`measure` puts a corner's values into the deck's `.param` lines and runs it.
"""

from __future__ import annotations

import csv
import io
import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal
from math import floor, log10
from pathlib import Path

HERE = Path(__file__).resolve().parent
CORNERS = ("least", "typical", "most")
HEAD = (
    *("id", "section", "about", "deck", "values", "unit", *CORNERS, "limit"),
    *(f"said_{corner}" for corner in CORNERS),
    *("agrees", "where"),
)
UNITS = {
    "kΩ": 1e3, "Ω": 1, "ms": 1e-3, "µs": 1e-6, "mA": 1e-3, "pA": 1e-12, "V": 1, "VIO": 1, "steps": 1,
    "pins": 1, "%": 1e-2, "W": 1, "mW": 1e-3, "mJ": 1e-3, "of its limit": 1,
}  # fmt: skip
# How far --check lets a figure be from the committed one: 0.5 %, for ngspice's versions choose their steps in
# time differently; from 0, this.
PART = Decimal("0.005")
NOTHING = Decimal("0.0002")
DIGITS = 4
TIMEOUT_S = 60
NO_NGSPICE = (
    "no `ngspice` here. Debian, Ubuntu: apt install ngspice; Fedora: dnf install ngspice; "
    "macOS: brew install ngspice"
)

Row = dict[str, str]
Values = Mapping[str, str | float]


def deck_text(deck: str, values: Values, folder: Path = HERE) -> str:
    """The deck with its parts put in, and these values in its `.param` lines. Raises SystemExit where it has
    no such parameter."""
    path = folder / f"{deck}.cir"
    if not path.exists():
        raise SystemExit(f"no deck `{path.name}` in {folder.name}/")
    text = re.sub(
        r"^\.include (\S+)$",
        lambda found: (folder / found[1]).read_text("utf-8").rstrip("\n"),
        path.read_text("utf-8"),
        flags=re.M,
    )
    for name, value in values.items():
        text, times = re.subn(rf"^(\.param {name} = )\S+", rf"\g<1>{value}", text, flags=re.M)
        if times != 1:
            raise SystemExit(f"{path.name}: {times} lines `.param {name} = `, where there should be one")
    return text


def measure(deck: str, values: Values, folder: Path = HERE) -> dict[str, float]:
    """All that a deck prints, in SI units. Raises SystemExit where ngspice is missing or finds a fault."""
    program = shutil.which("ngspice")
    if program is None:
        raise SystemExit(NO_NGSPICE)
    with tempfile.TemporaryDirectory() as place:
        file = Path(place) / f"{deck}.cir"
        file.write_text(deck_text(deck, values, folder), "utf-8")
        done = subprocess.run(
            [program, "-n", "-b", file.name],  # -n: without a person's own settings
            cwd=place,
            env={**os.environ, "LC_ALL": "C"},
            capture_output=True,
            text=True,
            timeout=TIMEOUT_S,
            check=False,
        )
    printed = re.findall(r"^(\w+) = (\S+)$", done.stdout, re.M)
    if not printed or re.search(r"^Error(?!: measure)|singular|no convergence", done.stderr, re.M):
        raise SystemExit(f"{deck}.cir, {dict(values)}: {done.stderr.strip() or 'it printed nothing'}")
    return {name: float(value) for name, value in printed}


class Runs:
    """Every deck is run once for each set of values. folder: of decks and figures.toml."""

    def __init__(self, folder: Path = HERE) -> None:
        self.folder = folder
        with (folder / "figures.toml").open("rb") as file:
            self.figures = tomllib.load(file)
        self._done: dict[tuple[str, tuple[tuple[str, str], ...]], dict[str, float]] = {}

    def values(self, figure: Mapping, corner: str | Mapping) -> dict[str, str]:
        """A corner's values, over them the figure's own, over them what the corner has besides its name."""
        own = {} if isinstance(corner, str) else dict(corner)
        name = corner if isinstance(corner, str) else own.pop("corner", "typical")
        of_corner = self.figures["corners"][name].get("with", {})
        return {key: str(value) for key, value in (of_corner | figure.get("with", {}) | own).items()}

    def run(self, wanted: list[tuple[str, dict[str, str]]]) -> None:
        """Run these, as many at a time as there are processors."""
        new = {(deck, tuple(sorted(values.items()))) for deck, values in wanted} - set(self._done)
        order = sorted(new)
        with ThreadPoolExecutor(os.cpu_count()) as pool:
            results = pool.map(lambda key: measure(key[0], dict(key[1]), self.folder), order)
            self._done.update(zip(order, results, strict=True))

    def result(self, deck: str, values: dict[str, str], take: str) -> float:
        self.run([(deck, values)])
        found = self._done[deck, tuple(sorted(values.items()))]
        if take not in found:
            raise SystemExit(f"{deck}.cir, {values}: it prints no `{take}`")
        return found[take]


def digits(value: float, unit: str) -> str:
    """Rounded to four digits, without an exponent; less than a ten-thousandth is nothing."""
    if abs(value) < 1e-4:
        return "0"
    if unit == "pins":
        return f"{value:.0f}"
    rounded = float(f"{value:.{DIGITS - 1}e}")
    return f"{rounded:.{max(0, DIGITS - 1 - floor(log10(abs(rounded))))}f}"


def agrees(value: str, said: str) -> bool:
    """Whether a result is what was said: `9.2` or `1.47e3`, to which it rounds, `47-58`, `<= 5`, `>= -14`.

    Half a percent more or less than that is no difference either, as in --check.
    """
    result = Decimal(value)
    bound = re.fullmatch(r"(<=|>=) (\S+)", said)
    if bound:
        limit = Decimal(bound[2])
        return result <= limit if bound[1] == "<=" else result >= limit
    least, _, most = said.partition("-")
    ends = [Decimal(least), Decimal(most or least)]
    room = [max(Decimal((0, (5,), end.as_tuple().exponent - 1)), abs(end) * PART) for end in ends]
    return ends[0] - room[0] <= result <= ends[1] + room[1]


def _row(**cells: str) -> Row:
    said = [(cells.get(corner, ""), cells.get(f"said_{corner}", "")) for corner in CORNERS]
    held = [agrees(value, text) for value, text in said if text]
    return {name: cells.get(name, "") for name in HEAD} | {
        "agrees": "" if not held else "yes" if all(held) else "no"
    }


def _told(values: Mapping[str, str | float]) -> str:
    return " ".join(f"{name}={value}" for name, value in values.items())


def _figure_rows(runs: Runs) -> Iterator[Row]:
    for section in runs.figures["section"]:
        for figure in section["figure"]:
            cells = {}
            for corner in CORNERS:
                if corner in figure:
                    value = runs.result(figure["deck"], runs.values(figure, figure[corner]), figure["take"])
                    cells[corner] = digits(value / UNITS[figure["unit"]], figure["unit"])
            said = {f"said_{corner}": text for corner, text in figure.get("said", {}).items()}
            named = {name: figure.get(name, "") for name in ("id", "about", "deck", "unit", "where")}
            values = _told(figure.get("with", {}))
            yield _row(section=section["title"], values=values, **named, **cells, **said)


def _accident_rows(runs: Runs) -> Iterator[Row]:
    for accident in runs.figures["accident"]:
        deck = accident["deck"]
        shares: list[list[float]] = []
        common = {"section": "Accidents", "deck": deck, "values": _told(accident.get("with", {}))}
        for name, quantity in runs.figures["quantities"][deck].items():
            typical, harsh = (
                runs.result(deck, runs.values(accident, corner), name) / UNITS[quantity["unit"]]
                for corner in ("typical", "harsh")
            )
            limit = quantity.get("limit")
            if limit:
                shares.append([typical / limit, harsh / limit])
            said = accident.get("said", {}).get(name, "")
            yield _row(
                id=f"{accident['id']}.{name}",
                about=f"{accident['about']}: {quantity['about']}",
                unit=quantity["unit"],
                typical=digits(typical, quantity["unit"]),
                most=digits(harsh, quantity["unit"]),
                limit=str(limit or ""),
                said_typical=said,
                where=accident.get("where", "") if said else "",
                **common,
            )
        typical, harsh = (max(column) for column in zip(*shares, strict=True))
        good = accident.get("good", "")
        yield _row(
            id=f"{accident['id']}.worst",
            about=f"{accident['about']}: the most of its limit that any of these has",
            unit="of its limit",
            typical=digits(typical, ""),
            most=digits(harsh, ""),
            said_typical="<= 1" if good else "",
            where=good,
            **common,
        )


def _wanted(figures: Mapping, runs: Runs) -> Iterator[tuple[str, dict[str, str]]]:
    for section in figures["section"]:
        for figure in section["figure"]:
            for corner in CORNERS:
                if corner in figure:
                    yield figure["deck"], runs.values(figure, figure[corner])
    for accident in figures["accident"]:
        for corner in ("typical", "harsh"):
            yield accident["deck"], runs.values(accident, corner)


def all_rows(folder: Path = HERE, only: tuple[str, ...] = ()) -> list[Row]:
    """Every figure of results.csv, worked out now. only: decks; () for all."""
    runs = Runs(folder)
    figures = runs.figures
    if only:
        for section in figures["section"]:
            section["figure"] = [figure for figure in section["figure"] if figure["deck"] in only]
        figures["accident"] = [accident for accident in figures["accident"] if accident["deck"] in only]
    runs.run(list(_wanted(figures, runs)))
    rows = [*_figure_rows(runs), *_accident_rows(runs)]
    if not rows:
        raise SystemExit(f"no figure is taken of {', '.join(only)}")
    names = [row["id"] for row in rows]
    twice = {name for name in names if names.count(name) > 1}
    if twice:
        raise SystemExit(f"figures.toml: {', '.join(sorted(twice))} is there twice")
    return rows


def csv_text(rows: list[Row]) -> str:
    file = io.StringIO()
    writer = csv.DictWriter(file, HEAD, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return file.getvalue()


def read_results(folder: Path = HERE) -> list[Row]:
    """results.csv as it is kept."""
    with (folder / "results.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def _plain(said: str) -> str:
    """`≤ 5`, `47–58`, `1470`, for a person."""
    bound, _, rest = said.rpartition(" ")
    signs = {"<=": "≤ ", ">=": "≥ ", "": ""}
    ends = [f"{Decimal(end):f}" for end in (rest.split("-") if rest[:1] != "-" else [rest]) if end]
    return signs[bound] + "–".join(ends).replace("-", "−")


def _table(head: list[str], lines: list[list[str]]) -> list[str]:
    rows = [head, ["---"] * len(head), *lines]
    return ["| " + " | ".join(cells) + " |" for cells in rows]


def _said(row: Row) -> str:
    told = [(corner, row[f"said_{corner}"]) for corner in CORNERS if row[f"said_{corner}"]]
    return "; ".join(f"{corner} {_plain(text)}" for corner, text in told)


def _of_section(section: Mapping, rows: list[Row], figures: Mapping) -> Iterator[str]:
    yield from ("", f"## {section['title']}", "", section["text"].strip(), "")
    named = {figure["id"]: figure for figure in section["figure"]}
    lines = []
    for row in rows:
        if row["id"] in named:
            figure = named[row["id"]]
            corners = [_corner(figure[corner]) for corner in CORNERS if corner in figure]
            lines.append(
                [
                    row["about"],
                    f"`{row['deck']}` {row['values']}".strip(),
                    ", ".join(dict.fromkeys(corners)),
                    *(row[corner].replace("-", "−") for corner in CORNERS),
                    row["unit"],
                    _said(row) + (f" ({row['where']})" if row["where"] else ""),
                    _shown(row["agrees"]),
                ]
            )
    head = ["figure", "deck", "corners", *CORNERS, "unit", "the documents, or what has to be", "agree"]
    yield from _table(head, lines)


def _corner(corner: str | Mapping) -> str:
    if isinstance(corner, str):
        return corner
    own = dict(corner)
    return f"{own.pop('corner', 'typical')} with {_told(own)}"


def _shown(word: str) -> str:
    return "**no**" if word == "no" else word


def _accidents(deck: str, figures: Mapping, by_id: Mapping[str, Row]) -> Iterator[str]:
    """One table: an accident a line, a quantity a column, typical to harsh; bold beyond its limit."""
    quantities = figures["quantities"][deck]
    head = ["accident"] + [f"{q['about']}, {q['unit']}" for q in quantities.values()]
    head += ["goes first", "the documents", "agree"]
    limits = ["limit"] + [str(q.get("limit", "")) for q in quantities.values()] + ["", "", ""]
    lines = [limits]
    for accident in figures["accident"]:
        if accident["deck"] != deck:
            continue
        rows = {name: by_id[f"{accident['id']}.{name}"] for name in quantities}
        share = {name: float(row["most"]) / float(row["limit"]) for name, row in rows.items() if row["limit"]}
        first = max(share, key=lambda name: share[name])
        goes = f"{quantities[first]['about']}, {share[first]:.2f} times its limit"
        if share[first] <= 1:
            goes = "nothing"
        worst = by_id[f"{accident['id']}.worst"]
        said = [
            f"{quantities[name]['about']} {_said(row)} ({row['where']})"
            for name, row in rows.items()
            if _said(row)
        ]
        held = [row["agrees"] for row in (*rows.values(), worst) if row["agrees"]]
        lines.append(
            [
                accident["about"],
                *(_from_to(row, beyond=share.get(name, 0) > 1) for name, row in rows.items()),
                goes,
                "; ".join(filter(None, [*said, worst["where"]])),
                _shown("no" if "no" in held else "yes" if held else ""),
            ]
        )
    yield ""
    yield from _table(head, lines)


def _short(value: float) -> str:
    return "0" if abs(value) < 0.0005 else f"{value:.3g}"


def _from_to(row: Row, beyond: bool) -> str:
    ends = dict.fromkeys(_short(float(row[corner])) for corner in ("typical", "most"))
    text = " – ".join(ends).replace("-", "−")
    return f"**{text}**" if beyond else text


def results_text(rows: list[Row], figures: Mapping) -> str:
    """RESULTS.md: nothing but what figures.toml and results.csv say."""
    by_id = {row["id"]: row for row in rows}
    lines = [
        "# What the decks say",
        "",
        "Made by `python3 hardware/spice/run.py` from the decks beside it and `figures.toml`; do not edit.",
        "`results.csv` is the same for programs. Nothing here was measured on a board: the decks' values are",
        "the data sheet's (*ds*: Microchip DS20001952C), derived from it, of other data sheets from memory,",
        "or assumed, as `parts.inc` says beside each. *README* is hardware/README.md, *design* the page that",
        "the tester began with. *Agree*: a result rounds to what these say, is within half a percent of it,",
        "or keeps to the bound. A *step* is one of the ohms lane's converter, 7.8125 µV.",
        "",
        *_table(
            ["corner", "what it is"],
            [[name, corner["about"]] for name, corner in figures["corners"].items()],
        ),
    ]
    for section in figures["section"]:
        lines += _of_section(section, rows, figures)
    lines += ["", "## Accidents", ""]
    lines += ["Typical, and to the corner *harsh*; bold where that is beyond the limit. The limits:", ""]
    told = {q["about"]: q for deck in figures["quantities"].values() for q in deck.values() if "limit" in q}
    lines += _table(
        ["what", "limit", "from"],
        [[name, f"{q['limit']} {q['unit']}", q["source"]] for name, q in told.items()],
    )
    for deck, about in (
        ("accident-volts", "Plugged into a voltage that stays, its other pole at the tester's 0 V:"),
        ("accident-capacitor", "A charged capacitor, its other pole at the tester's 0 V:"),
    ):
        lines += ["", f"{about} `{deck}`.", *_accidents(deck, figures, by_id)]
    lines += ["", "## Where the documents differ", ""]
    lines += [f"- {_difference(row)}" for row in rows if row["agrees"] == "no"] or ["Nowhere."]
    return "\n".join(lines) + "\n"


def _difference(row: Row) -> str:
    wrong = [
        f"{corner} {row[corner].replace('-', '−')} instead of {_plain(row[f'said_{corner}'])}"
        for corner in CORNERS
        if row[f"said_{corner}"] and not agrees(row[corner], row[f"said_{corner}"])
    ]
    return f"`{row['id']}`, {row['about']}: {', '.join(wrong)} {row['unit']} ({row['where']})"


def near(kept: str, now: str) -> bool:
    """Whether two figures of results.csv are the same but for ngspice's version."""
    if kept == now or not kept or not now:
        return kept == now
    one, other = Decimal(kept), Decimal(now)
    return abs(one - other) <= (abs(one) * PART or NOTHING)


def differences(kept: list[Row], now: list[Row]) -> Iterator[str]:
    """One sentence for each cell of `now` that results.csv does not have so."""
    of_kept = {row["id"]: row for row in kept}
    for row in now:
        if row["id"] not in of_kept:
            yield f"{row['id']} is not in results.csv"
            continue
        for name in HEAD:
            old, new = of_kept[row["id"]][name], row[name]
            if name in CORNERS and not near(old, new):
                yield f"{row['id']}, {name}: results.csv has {old or 'none'}, the deck {new or 'none'}"
            elif name not in (*CORNERS, "agrees") and old != new:
                yield f"{row['id']}, {name}: results.csv has `{old}`, figures.toml `{new}`"


def check(rows: list[Row], all_of_them: bool, folder: Path = HERE) -> list[str]:
    """What is wrong with results.csv and RESULTS.md, as rows worked out now say it; a sentence each."""
    kept = read_results(folder)
    wrong = list(differences(kept, rows))
    if all_of_them:
        gone = {row["id"] for row in kept} - {row["id"] for row in rows}
        wrong += [f"results.csv has {name}, which figures.toml has not" for name in sorted(gone)]
    if csv_text([_row(**row) for row in kept]) != (folder / "results.csv").read_text("utf-8"):
        wrong.append("results.csv contradicts itself: `agrees` does not follow from the other columns")
    # What no figure stands behind any more cannot be told as a table.
    if not wrong and results_text(kept, Runs(folder).figures) != (folder / "RESULTS.md").read_text("utf-8"):
        wrong.append("RESULTS.md is not what results.csv says: run hardware/spice/run.py")
    return wrong


def main(arguments: list[str], folder: Path = HERE) -> int:
    only = tuple(Path(word).stem for word in arguments if word != "--check")
    if any(word.startswith("-") for word in only):
        raise SystemExit(__doc__)
    rows = all_rows(folder, only)
    if "--check" in arguments:
        wrong = check(rows, not only, folder)
        for sentence in wrong:
            print(sentence)
        return 1 if wrong else 0
    if only:
        print(csv_text(rows), end="")
        return 0
    (folder / "results.csv").write_text(csv_text(rows), encoding="utf-8")
    (folder / "RESULTS.md").write_text(results_text(rows, Runs(folder).figures), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
