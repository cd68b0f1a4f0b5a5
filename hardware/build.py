"""What of the 128-point tester is more than text: board, Gerbers, pictures, sheets; and all checks.

    python3 hardware/build.py            makes them anew, in hardware/board/ and hardware/schematic/
    python3 hardware/build.py --check    makes them elsewhere, compares, runs every check; changes nothing

Text (netlist, parts list, wiring tables, fixtures) is `generate.py`'s. The layout needs a Python that has
KiCad's `pcbnew` (PINWRIGHT_KICAD_PYTHON names one that is not found by itself); the rest runs in this one and
needs what hardware/requirements.txt lists. Two builds with the same releases give the same bytes.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import boardfile  # noqa: E402
import electrical  # noqa: E402
from circuit import circuit, read_source  # noqa: E402

BOARD, SHEETS = HERE / "board", HERE / "schematic"
NAME = "tester-128"
# What is hashed into sources.json: a change to any of these asks for a new build.
SOURCES = (
    *("board.toml", f"{NAME}.net", "layout.py", "router.py", "boardfile.py", "sexpr.py", "assembly.py"),
    *("pictures.py",),
)
_PYTHONS = (
    sys.executable,
    "/usr/bin/python3",
    "/Applications/KiCad/KiCad.app/Contents/Frameworks/Python.framework/Versions/Current/bin/python3",
    r"C:\Program Files\KiCad\6.0\bin\python.exe",
)
_KICAD = "6."
_NO_KICAD = (
    "no Python here has KiCad 6's `pcbnew`: on Debian 12 `apt-get install --no-install-recommends kicad "
    "kicad-footprints`, elsewhere KiCad 6; or set PINWRIGHT_KICAD_PYTHON"
)


class Missing(Exception):
    """A tool is not here. Says which, and how to get it."""


def kicad_python() -> tuple[str, str]:
    """A Python that has the `pcbnew` that layout.py is written for, and its version. Raises Missing."""
    other = ""
    for python in filter(None, (os.environ.get("PINWRIGHT_KICAD_PYTHON"), *_PYTHONS)):
        if not shutil.which(python):
            continue
        script = "import pcbnew; print('pcbnew', pcbnew.Version())"
        done = subprocess.run([python, "-I", "-c", script], capture_output=True, text=True, check=False)
        found = re.search(r"^pcbnew (\S+)", done.stdout, re.M)
        if found and found[1].startswith(_KICAD):
            return python, found[1]
        other = other or (found[1] if found else "")
    raise Missing(f"{_NO_KICAD} (KiCad {other} is here)" if other else _NO_KICAD)


def laid_out(folder: Path) -> None:
    """The board file, its project, the Gerbers and KiCad's report, in a folder. Raises Missing."""
    python, _ = kicad_python()
    # Its own environment's packages are none of KiCad's business.
    done = subprocess.run([python, "-I", str(HERE / "layout.py"), "build", str(folder)], check=False)
    if done.returncode:
        raise SystemExit("layout.py failed")


def rule_report(board: Path) -> str:
    """KiCad's rule check of a board file, without date and path. Raises Missing."""
    python, _ = kicad_python()
    with tempfile.TemporaryDirectory() as name:
        report = Path(name, "rules.txt")
        command = [python, "-I", str(HERE / "layout.py"), "rules", str(board), str(report)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        return undated(report.read_text("utf-8"))


def undated(report: str) -> str:
    return re.sub(r"^\*\* (Drc report for|Created on) .*\n", "", report, flags=re.M)


def rule_findings(report: str) -> list[str]:
    """What KiCad's report complains of, a line each; [] only if all three of its counts are there and 0."""
    counts = re.findall(r"^\*\* Found (\d+) ", report, re.M)
    found = [" ".join(block.split()) for block in re.findall(r"^\[.*?(?=^\[|^\*\*|\Z)", report, re.M | re.S)]
    if counts != ["0"] * 3 and not found:
        found = ["the report has no counts of zero"]
    return found


def kct_findings(board: Path) -> list[str]:
    """What kicad-tools' rule check complains of, another opinion than KiCad's. Raises Missing."""
    kct = Path(sys.executable).with_name("kct")
    if not kct.exists():
        raise Missing("no `kct` beside this Python: `pip install -r hardware/requirements.txt`")
    with tempfile.TemporaryDirectory() as name:
        report = Path(name, "kct.json")
        command = [str(kct), "check", str(board), "--format", "json", "--output", str(report), "--drc-only"]
        subprocess.run(command, check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        if not report.exists():
            return ["kct gave no report"]
        return told_by_kct(json.loads(report.read_text("utf-8")))


# Warnings of kct's that are none: rule → why, and of which parts alone; () is of all.
_TURNED = "it takes turned words for unturned ones; KiCad's check, which does not, has none"
WAIVED = {
    "silk_over_copper": (_TURNED, ()),
    "silk_overlap": (_TURNED, ()),
    "pin1_marker_missing": ("the triangle is 5 mm from the pin, outside the box", ("J1", "J2")),
    "pin1_marker_obscured": ("the dot is for who solders it; the 1 outside the body is seen, too", ("S1",)),
}


def told_by_kct(told: dict) -> list[str]:
    """The findings of a report of kct's: all but its remarks and what WAIVED names.

    It must have looked at clearances, connections, edges, holes and sizes.
    """
    found = []
    for one in told["violations"]:
        if one["severity"] == "info":
            continue
        if one["severity"] == "warning" and one["rule_id"] in WAIVED:
            _, refs = WAIVED[one["rule_id"]]
            if not refs or (one["items"] and set(one["items"]) <= set(refs)):
                continue
        found.append(f"{one['rule_id']}: {one['message']}")
    for what in ("clearance", "connectivity", "edge", "dimensions", "netlist", "isolated_copper"):
        if told["coverage"][what]["state"] != "checked":
            found.append(f"kct did not check {what}")
    return found


def archive(folder: Path, target: Path) -> None:
    """The Gerber and drill files of a folder in one archive, in order and without dates. Not compressed: the
    same bytes everywhere, and what changes in it can be read."""
    with zipfile.ZipFile(target, "w") as files:
        for file in sorted(folder.iterdir()):
            entry = zipfile.ZipInfo(file.name, (1980, 1, 1, 0, 0, 0))
            entry.external_attr = 0o644 << 16
            files.writestr(entry, file.read_bytes())


def title() -> str:
    about = read_source()[0]["board"]
    return f"Pinwright {about['title']}, revision {about['revision']}"


def made_from_board(board: Path) -> dict[str, str]:
    """What is drawn from the board file alone: name → text."""
    import assembly

    return {"assembly.svg": assembly.drawing(boardfile.read_board(board), circuit(), title())}


def build(folder: Path) -> None:
    """All of hardware/board/ in another folder. Raises Missing."""
    import pictures

    laid_out(folder)
    (folder / f"{NAME}.kicad_prl").unlink(missing_ok=True)  # what somebody last looked at
    report = folder / "rules.txt"
    report.write_text(undated(report.read_text("utf-8")), "utf-8")
    archive(folder / "gerbers", folder / f"{NAME}-gerbers.zip")
    shutil.rmtree(folder / "gerbers")
    for name, text in made_from_board(folder / f"{NAME}.kicad_pcb").items():
        (folder / name).write_text(text, "utf-8")
    for side, text in pictures.pictures(folder / f"{NAME}-gerbers.zip").items():
        (folder / f"{side}.svg").write_text(text, "utf-8")
    (folder / "sources.json").write_text(json.dumps(sources(folder), indent=1) + "\n", "utf-8")


def sources(folder: Path) -> dict[str, dict[str, str]]:
    """What the board is made from and with, and what came of it: hashes, releases."""
    _, kicad = kicad_python()
    releases = {"kicad": kicad, "gerbonara": importlib.metadata.version("gerbonara")}
    return {
        "from": {name: text_hash(HERE / name) for name in SOURCES},
        "with": releases,
        "made": {
            file.name: file_hash(file) for file in sorted(folder.iterdir()) if file.name != "sources.json"
        },
    }


def text_hash(file: Path) -> str:
    """SHA-256 of a text, however its lines end here."""
    return hashlib.sha256(file.read_text("utf-8").encode()).hexdigest()


def file_hash(file: Path) -> str:
    """SHA-256 of a file; of an archive, of its files in order: how they are packed does not count."""
    if file.suffix != ".zip":
        return text_hash(file)
    whole = hashlib.sha256()
    with zipfile.ZipFile(file) as files:
        for name in sorted(files.namelist()):
            whole.update(name.encode() + b"\0" + hashlib.sha256(files.read(name)).digest())
    return whole.hexdigest()


def stale() -> list[str]:
    """Without making anything: what in hardware/board/ no longer fits its sources or its own list."""
    recorded = json.loads((BOARD / "sources.json").read_text("utf-8"))
    said = [
        f"board/: {name} has changed since it was made"
        for name in SOURCES
        if recorded["from"].get(name) != text_hash(HERE / name)
    ]
    there = {file.name for file in BOARD.iterdir()} - {"sources.json"}
    said += [f"board/{name}: not in sources.json" for name in sorted(there - recorded["made"].keys())]
    for name, digest in recorded["made"].items():
        if name not in there or file_hash(BOARD / name) != digest:
            said.append(f"board/{name}: missing, or not what was made")
    return said


def electrical_findings() -> list[str]:
    """Our own electrical rule check, and skidl's. Raises Missing."""
    found = electrical.faults(circuit())
    done = subprocess.run(
        [sys.executable, str(HERE / "skidl_check.py")], capture_output=True, text=True, check=False
    )
    if "No module named 'skidl'" in done.stderr:
        raise Missing("no skidl in this Python: `pip install -r hardware/requirements.txt`")
    return found + [f"skidl: {line}" for line in (done.stdout + done.stderr).splitlines()]


def check(folder: Path) -> Iterator[tuple[str, Iterable[str]]]:
    """What is checked, and what is wrong with it. folder: empty. Raises Missing."""
    board = BOARD / f"{NAME}.kicad_pcb"
    with ThreadPoolExecutor(1) as beside:  # a program of its own, as long at work as a build
        others = beside.submit(kct_findings, board)
        yield from _own_findings(board, folder)
        yield "design rules (kct's)", others.result()


def _own_findings(board: Path, folder: Path) -> Iterator[tuple[str, Iterable[str]]]:
    """All but what another program says of the board."""
    yield "electrical rules (ours, skidl's)", electrical_findings()
    yield "board against circuit", boardfile.disagreements(boardfile.read_board(board), circuit())
    yield "design rules (KiCad's)", rule_findings(rule_report(board))
    yield "sources and files", stale()
    build(folder)
    made = json.loads((folder / "sources.json").read_text("utf-8"))
    kept = json.loads((BOARD / "sources.json").read_text("utf-8"))
    differ = [
        f"board/{name} differs" for name in made["made"] if made["made"][name] != kept["made"].get(name)
    ]
    if differ and made["with"] != kept["with"]:
        differ.append(f"made here with {made['with']}, kept was made with {kept['with']}")
    yield "a build from nothing", differ
    import schematic

    yield (
        "sheets",
        [
            f"schematic/{name} is not what schematic.py draws"
            for name, text in schematic.sheets(circuit()).items()
            if not (SHEETS / name).exists() or (SHEETS / name).read_text("utf-8") != text
        ],
    )


def main(arguments: list[str]) -> int:
    if arguments not in ([], ["--check"]):
        print(__doc__, file=sys.stderr)
        return 2
    try:
        with tempfile.TemporaryDirectory() as name:
            if arguments:
                wrong = 0
                for what, findings in check(Path(name)):
                    findings = list(findings)
                    print(f"{what}: {len(findings) or 'nothing'} wrong")
                    for finding in findings:
                        print(f"  {finding}")
                    wrong += len(findings)
                return 1 if wrong else 0
            build(Path(name))
            shutil.rmtree(BOARD, ignore_errors=True)
            BOARD.mkdir()
            for file in Path(name).iterdir():
                shutil.copyfile(file, BOARD / file.name)
        import schematic

        SHEETS.mkdir(exist_ok=True)
        for file in SHEETS.glob("*.svg"):
            file.unlink()
        for sheet, text in schematic.sheets(circuit()).items():
            (SHEETS / sheet).write_text(text, "utf-8")
    except Missing as missing:
        print(f"build.py: {missing}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
