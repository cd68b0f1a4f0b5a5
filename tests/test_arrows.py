"""Which way the arrows point: every import is read, and the line that breaks a rule is printed.

A new module has to be entered in ARROWS (or FIRMWARE) below, and in DEVELOPERS.md, before this passes.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator, Mapping
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

# Module below pinwright → the modules it may import, besides `errors`. `*` stands for any text.
# The first line whose name fits counts.
ARROWS = {
    "": "",
    "__main__": "cli.main",
    "errors": "",
    "cable": "",
    "cable.pins": "",
    "cable.connectors": "cable.pins",
    "cable.geometry": "cable.pins cable.connectors",
    "cable.wiring": "cable.pins cable.connectors",
    "cable.tables": "cable.wiring",
    "cable.wire": "",
    "cable.profile": "cable.pins cable.connectors cable.wiring cable.tables",
    "cable.spelling": "cable.profile",
    "cable.pinout": "cable.*",
    "cable.obeying": "cable.pins cable.profile cable.wiring",
    "cable.drafting": "cable.pins cable.profile cable.wiring cable.obeying",
    "cable.deriving": "cable.*",
    "cable.capturing": "cable.pins cable.profile cable.wiring cable.obeying cable.drafting",
    "cable.reporting": "cable.*",
    "cable.places": "cable.pins cable.connectors cable.geometry",
    "cable.laying": "cable.pins cable.connectors cable.geometry cable.profile cable.wiring",
    "cable.difference": "cable.pins cable.profile cable.wiring",
    "tester": "",
    "tester.adapter": "cable.*",
    "tester.fixture": "cable.* tester.adapter",
    "tester.measurement": "cable.* tester.fixture",
    "tester.marks": "tester.adapter tester.fixture tester.measurement",
    "tester.frames": "",
    "tester.complaints": "",
    "tester.asking": "tester.complaints tester.fixture",
    "tester.calibration": "",
    "tester.ohmmeter": "tester.calibration",
    "tester.lane": "tester.asking tester.calibration tester.frames tester.ohmmeter",
    "tester.parts": "cable.* tester.fixture tester.measurement",
    "tester.chain": "tester.measurement tester.ohmmeter tester.parts",
    "tester.session": "cable.* tester.*",
    "tester.touching": "cable.* tester.*",
    "tester.watching": "tester.*",
    "verdict": "",
    "verdict.resistances": "cable.* tester.*",
    "verdict.facts": "cable.* tester.* verdict.resistances",
    "verdict.sockets": "cable.* tester.* verdict.facts",
    "verdict.causes": "cable.*",
    "verdict.stories": "cable.* verdict.causes",
    "verdict.words": "cable.pins verdict.facts verdict.resistances",
    "verdict.telling": "cable.* verdict.causes verdict.facts verdict.resistances verdict.words",
    "verdict.findings": (
        "cable.* verdict.facts verdict.resistances verdict.sockets verdict.stories verdict.telling "
        "verdict.words"
    ),
    "verdict.fitness": "cable.* verdict.facts verdict.resistances verdict.words",
    "verdict.conductors": "cable.* verdict.facts verdict.words",
    "verdict.comparison": (
        "cable.* tester.ohmmeter verdict.conductors verdict.facts verdict.resistances verdict.words"
    ),
    "verdict.agreement": "cable.* tester.* verdict.facts verdict.resistances",
    "verdict.upkeep": "cable.* tester.* verdict.agreement",
    "verdict.touches": "cable.* tester.fixture tester.touching",
    "resources": "",
    "library": "resources cable.* tester.adapter tester.fixture",
    "pinouts": "cable.pinout cable.wiring library",
    "link": "tester.*",
    "terminal": "cable.* tester.* verdict.*",
    "discovery": "link tester.session",
    "install": "link tester.session",
    "virtual": "virtual.*",
    "virtual.*": "virtual.* resources cable.* tester.*",
    "records": "records.*",
    "records.*": "records.* cable.* tester.* verdict.*",
    "sheets": "sheets.*",
    "sheets.*": "sheets.* records.* cable.* tester.* verdict.*",
    "cli": "*",
    "cli.*": "*",
}
PURE = ("cable", "tester", "verdict")
# What a pure room may have of the standard library: nothing with a file, port, clock or printer behind it.
PURE_STDLIB = (
    "__future__ abc base64 binascii bisect collections dataclasses datetime decimal difflib enum fractions "
    "functools hashlib heapq itertools json math operator re statistics string struct textwrap types typing "
    "unicodedata"
)
PURE_NEVER = {"open", "print", "input", "exec", "eval", "compile", "breakpoint", "__import__"}
PURE_NEVER_ASKED = {"now", "utcnow", "today"}  # dates may be spoken of; what time it is, the edges know
# Library → the only modules that may import it. A library that is not here may not be imported at all.
LIBRARIES = {
    "serial": "link",
    "rich": "terminal",
    "mpremote": "install",
    "tomllib": "library virtual.bench",
    "rfc8785": "records.document",
    "pypdf": "records.carrier",
    "typst": "sheets.pdf sheets.build_pdf sheets.label",
    "jinja2": "sheets.templates",
    "segno": "sheets.sheet sheets.label",
    "filelock": "records.store",
    "sqlalchemy": "records.tables records.index records.sync records.queries records.migrations.*",
    "alembic": "records.index records.migrations.*",
    "argcomplete": "cli.main cli.completion",
    "platformdirs": "library records.store cli.*",
    "micropython_run": "virtual.*",
    "micropython_unix": "virtual.*",
}

# Module of the firmware → what it may import. `machine` is the hardware: only the board's own file has it.
FIRMWARE = {
    "main": "about board commands frames machine os select sys time",  # it is safe without the rest
    "about": "json",
    "board": "about bank converter expander fast frames panel pocket machine sys",
    "commands": (
        "scanner ohms measuring touching selfcheck judge keep frames words converter expander version sys"
    ),
    "measuring": "scanner frames words",
    "touching": "scanner bank frames words",
    "judge": "scanner bank",
    "keep": "frames os",
    "ohms": "scanner bank converter expander",
    "selfcheck": "scanner bank",
    "scanner": "bank",
    "bank": "expander",
    "pocket": "bank",
    "converter": "",
    "expander": "",
    "fast": "bank expander",
    "frames": "",
    "words": "frames",
    "panel": "",
    "version": "",
}
FIRMWARE_FOR_ALL = "micropython time"


def fits(name: str, patterns: str) -> bool:
    return any(fnmatchcase(name, pattern) for pattern in patterns.split())


def imports(tree: ast.AST, package: str, modules: set[str]) -> Iterator[tuple[int, str]]:
    """Line and full name of every module that is imported. package: what relative imports count from."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parents = package.split(".")
                base = ".".join([*parents[: len(parents) - node.level + 1], *filter(None, [base])])
            inner = [f"{base}.{alias.name}" for alias in node.names]
            yield from ((node.lineno, name) for name in sorted({n if n in modules else base for n in inner}))


def broken_arrows(sources: Mapping[str, str]) -> list[str]:
    """What is wrong in these files, a line each. sources: path below the root (with `/`) → text."""
    modules = {".".join(host_name(path)) for path in sources if path.startswith("host/")}
    faults = []
    for path, text in sorted(sources.items()):
        lines = text.splitlines()
        tree = ast.parse(text, path)
        check = _in_firmware if path.startswith("firmware/") else _in_host
        for line, why in check(path, tree, modules):
            shown = f":{line}: `{lines[line - 1].strip()}`" if line else ""
            faults.append(f"{path}{shown}: {why}")
    return faults


def host_name(path: str) -> list[str]:
    parts = path.removeprefix("host/").removesuffix(".py").split("/")
    return parts[:-1] if parts[-1] == "__init__" else parts


def _in_host(path: str, tree: ast.AST, modules: set[str]) -> Iterator[tuple[int, str]]:
    parts = host_name(path)
    name = ".".join(parts[1:])
    package = ".".join(parts if path.endswith("/__init__.py") else parts[:-1])
    allowed = next((to for pattern, to in ARROWS.items() if fnmatchcase(name, pattern)), None)
    if allowed is None:
        yield 0, "a new module; say in DEVELOPERS.md and in tests/test_arrows.py where it belongs"
        return
    pure = parts[1:2] != [] and parts[1] in PURE
    for line, target in imports(tree, package, modules):
        top, _, inner = target.partition(".")
        if top == "pinwright":
            if inner not in ("", "errors") and not fits(inner, allowed):
                yield line, f"`{name}` may import {allowed or 'nothing of ours but errors'}, not `{inner}`"
        elif top in LIBRARIES:
            if not fits(name, LIBRARIES[top]):
                yield line, f"only {LIBRARIES[top]} may import `{top}`"
        elif top not in sys.stdlib_module_names:
            yield line, f"`{top}` is a library that tests/test_arrows.py does not list"
        elif pure and not fits(top, PURE_STDLIB):
            yield line, f"`{parts[1]}` is pure: no files, ports, clocks or printers, so no `{top}`"
    if pure:
        for node in ast.walk(tree):
            if isinstance(node, ast.Name) and node.id in PURE_NEVER:
                yield node.lineno, f"`{parts[1]}` is pure: no `{node.id}`"
            if isinstance(node, ast.Attribute) and node.attr in PURE_NEVER_ASKED:
                yield node.lineno, f"`{parts[1]}` is pure: no `.{node.attr}`"


def _in_firmware(path: str, tree: ast.AST, modules: set[str]) -> Iterator[tuple[int, str]]:
    name = path.removesuffix(".py").split("/")[-1]
    if name == "__init__":
        return
    if name not in FIRMWARE:
        yield 0, "a new module; say in DEVELOPERS.md and in tests/test_arrows.py where it belongs"
        return
    for line, full in imports(tree, "tester", {f"tester.{module}" for module in FIRMWARE}):
        target = full.removeprefix("tester.")
        if not fits(target, f"{FIRMWARE[name]} {FIRMWARE_FOR_ALL}"):
            yield line, f"`{name}` may import {FIRMWARE[name] or 'nothing of ours'}, not `{target}`"


def sources_of_the_checkout() -> dict[str, str]:
    files = [*(ROOT / "host" / "pinwright").rglob("*.py"), *(ROOT / "firmware").rglob("*.py")]
    paths = {file.relative_to(ROOT).as_posix(): file for file in files}
    # The shims are no rooms of ours: they stand in for MicroPython's own modules.
    shims = "host/pinwright/virtual/shim*"
    return {
        path: file.read_text(encoding="utf-8") for path, file in paths.items() if not fnmatchcase(path, shims)
    }


def an_empty_house() -> dict[str, str]:
    """A file with nothing in it for every module that has a name above."""
    names = {*(name for name in ARROWS if "*" not in name), "cli.main"}
    rooms = {name.partition(".")[0] for name in ARROWS if "." in name} | {""}
    ends = {name: "/__init__.py" if name in rooms else ".py" for name in names}
    return {f"host/pinwright/{name.replace('.', '/')}".rstrip("/") + end: "" for name, end in ends.items()}


def test_no_import_goes_against_the_arrows() -> None:
    sources = sources_of_the_checkout()
    assert "host/pinwright/errors.py" in sources
    faults = broken_arrows(sources)
    assert not faults, "\n" + "\n".join(faults)


@pytest.mark.parametrize(
    ("path", "text", "seen"),
    [
        ("host/pinwright/cable/pins.py", "import os", "`cable` is pure: no files, ports, clocks"),
        ("host/pinwright/cable/pins.py", "from os.path import join", "so no `os`"),
        ("host/pinwright/cable/pins.py", "from pathlib import Path", "so no `pathlib`"),
        ("host/pinwright/tester/frames.py", "def f():\n    import time", "frames.py:2: `import time`"),
        ("host/pinwright/tester/session.py", "from datetime import datetime\ndatetime.now()", "no `.now`"),
        ("host/pinwright/tester/session.py", "import io, subprocess, socket", "so no `socket`"),
        ("host/pinwright/verdict/facts.py", "print('x')", "`verdict` is pure: no `print`"),
        ("host/pinwright/verdict/facts.py", "f = open", "`verdict` is pure: no `open`"),
        ("host/pinwright/tester/session.py", "import serial", "only link may import `serial`"),
        ("host/pinwright/virtual/board.py", "from serial.tools import x", "only link may import `serial`"),
        ("host/pinwright/cli/scan.py", "import rich.table", "only terminal may import `rich`"),
        ("host/pinwright/cli/install.py", "import mpremote", "only install may import `mpremote`"),
        ("host/pinwright/tester/fixture.py", "import tomllib", "may import `tomllib`"),
        ("host/pinwright/library.py", "import requests", "`requests` is a library that"),
        ("host/pinwright/cable/pins.py", "from pinwright.tester import frames", "not `tester.frames`"),
        ("host/pinwright/cable/pins.py", "from ..tester.frames import x", "not `tester.frames`"),
        ("host/pinwright/cable/pins.py", "from .. import tester", "not `tester`"),
        ("host/pinwright/cable/pins.py", "from . import profile", "not `cable.profile`"),
        ("host/pinwright/tester/session.py", "import pinwright.verdict.facts", "not `verdict.facts`"),
        ("host/pinwright/verdict/facts.py", "from pinwright.verdict.findings import x", "not `verdict.find"),
        ("host/pinwright/virtual/board.py", "from pinwright.verdict.facts import x", "not `verdict.facts`"),
        ("host/pinwright/library.py", "from pinwright.cli.main import run", "not `cli.main`"),
        ("host/pinwright/records/store.py", "from pinwright import cli", "not `cli`"),
        ("host/pinwright/errors.py", "from pinwright.cable.pins import Pin", "not `cable.pins`"),
        ("host/pinwright/novelty.py", "", "host/pinwright/novelty.py: a new module; say in DEVELOPERS.md"),
        ("firmware/tester/novelty.py", "", "firmware/tester/novelty.py: a new module; say in DEVELOPERS.md"),
        ("firmware/tester/expander.py", "from tester.bank import x", "not `bank`"),
        ("firmware/tester/scanner.py", "from tester import board", "not `board`"),
        ("firmware/tester/scanner.py", "from machine import Pin", "not `machine`"),
        ("firmware/tester/judge.py", "from .commands import x", "not `commands`"),
        ("firmware/tester/commands.py", "import main", "not `main`"),
    ],
)
def test_an_arrow_the_wrong_way_is_found_with_its_line(path: str, text: str, seen: str) -> None:
    house = an_empty_house()
    assert [] == broken_arrows(house)
    faults = broken_arrows({**house, path: text})
    assert any(fault.startswith(path) and seen in fault for fault in faults), faults


@pytest.mark.parametrize(
    ("path", "text"),
    [
        ("host/pinwright/cable/pins.py", "from pinwright.errors import ProfileError\nimport re"),
        ("host/pinwright/cable/pins.py", "print_order = 1\n'print(open)'  # import os"),
        ("host/pinwright/verdict/facts.py", "from pinwright.tester.measurement import Measurement"),
        ("host/pinwright/cli/scan.py", "import os\nfrom pinwright import library, link\nprint()"),
        ("host/pinwright/link.py", "import serial.tools.list_ports"),
        ("firmware/tester/scanner.py", "import time\nfrom micropython import const"),
    ],
)
def test_an_arrow_the_right_way_is_left_alone(path: str, text: str) -> None:
    assert [] == broken_arrows({path: text})
