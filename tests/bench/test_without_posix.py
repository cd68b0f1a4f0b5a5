"""Nothing in the program needs POSIX: a whole scan with the CPython engine, over TCP, as on Windows.

In a process where `pty`, `tty`, `termios`, `fcntl` and `grp` cannot be imported. Only pyserial, filelock and
mpremote may have them: they bring their own ways for Windows.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

HOST = Path(__file__).parents[2] / "host"

# Put before every Python process that is started, the engine's too.
SITE = """
import builtins, sys
_FORBIDDEN = {"pty", "tty", "termios", "fcntl", "grp", "pwd", "resource"}
_MAY = ("serial", "filelock", "mpremote")
_import = builtins.__import__

def __import__(name, globals=None, locals=None, fromlist=(), level=0):
    if name in _FORBIDDEN and not (globals or {}).get("__name__", "").startswith(_MAY):
        raise ImportError(f"{name} is not to be had here")
    return _import(name, globals, locals, fromlist, level)

builtins.__import__ = __import__
import os
del os.openpty
import shutil
_which = shutil.which
shutil.which = lambda name, *more, **named: None if name == "micropython" else _which(name, *more, **named)
"""


@pytest.fixture
def surroundings(tmp_path: Path) -> dict[str, str]:
    (tmp_path / "sitecustomize.py").write_text(SITE, encoding="utf-8")
    inherited = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    return {**inherited, "PYTHONPATH": os.pathsep.join([str(tmp_path), str(HOST)])}


def program(surroundings: dict[str, str], *words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *map(str, words)], env=surroundings, capture_output=True, text=True, timeout=120
    )


def test_the_ban_works(surroundings: dict[str, str]) -> None:
    for name in ("pty", "termios", "fcntl"):
        assert "is not to be had here" in program(surroundings, "-c", f"import {name}").stderr


def test_a_good_cable_passes_and_a_bad_one_fails_over_tcp_under_cpython(
    surroundings: dict[str, str], tmp_path: Path
) -> None:
    scan = ("-m", "pinwright", "scan", "service-lead-9", "--records", tmp_path / "records", "--json")
    passed = program(surroundings, *scan, "--port", "sim")
    assert (0, "pass") == (passed.returncode, json.loads(passed.stdout)["verdict"]), passed
    assert "the firmware ran under CPython" in passed.stderr
    empty = tmp_path / "empty.toml"
    empty.write_text("", encoding="utf-8")
    failed = program(surroundings, *scan, "--port", f"sim:{empty}")
    assert (1, "fail") == (failed.returncode, json.loads(failed.stdout)["verdict"]), failed


def test_the_board_of_the_command_is_on_a_tcp_port_and_can_be_installed_on(
    surroundings: dict[str, str], tmp_path: Path
) -> None:
    served = subprocess.Popen(
        [sys.executable, "-m", "pinwright", "virtual", "lamp-changer-40", "--bare"],
        env=surroundings,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert served.stdout is not None
        port = served.stdout.readline().strip()
        assert port.startswith("socket://127.0.0.1:")
        installed = program(surroundings, "-m", "pinwright", "install", "--port", port)
        assert 0 == installed.returncode, installed.stderr
        scan = ("scan", "lamp-changer-40", "--port", port, "--no-certificate", "--json")
        passed = program(surroundings, "-m", "pinwright", *scan)
        assert (0, "virtual") == (passed.returncode, json.loads(passed.stdout)["tester"]["kind"]), passed
    finally:
        served.terminate()
        served.communicate(timeout=20)


# What reads and writes files. The pure rooms beneath it have nothing that could need POSIX: see
# PURE_STDLIB in tests/test_arrows.py; here they are imported and used.
FILES = [
    f"tests/{name}.py"
    for name in ("records/test_store", "records/test_index", "records/test_backup", "test_library")
]
# These do many times what others of the same files do once, and take as long as all of them together.
LONG = (
    "killed",
    "next_of_many_serials",
    "two_programs",
    "every_backup",
    "whatever_happened",
    "next_serial_is",
)


@pytest.mark.parametrize("file", FILES)
def test_what_reads_and_writes_files_works_without_posix(file: str, surroundings: dict[str, str]) -> None:
    words = ("-m", "pytest", "-q", "-x", "-p", "no:xdist", "-p", "no:cacheprovider")
    words += ("-k", " and ".join(f"not {name}" for name in LONG))
    ran = program({**surroundings, "PINWRIGHT_EXAMPLES": "quick"}, *words, HOST.parent / file)
    assert 0 == ran.returncode, ran.stdout[-3000:] + ran.stderr[-1000:]
