"""The way from a fresh checkout to a running program, without the network."""

from __future__ import annotations

import ast
import os
import re
import runpy
import signal
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PIN = re.compile(r"(?P<name>[A-Za-z0-9._-]+)==(?P<version>[A-Za-z0-9.]+)(; (?P<marker>.+))?")


@pytest.fixture
def bootstrap(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """The functions of bootstrap.py for a checkout of its own, with `done`: what it has done.

    Environments are folders with a file in them, and no program is run.
    """
    names = runpy.run_path(str(ROOT / "bootstrap.py"))
    functions = names["main"].__globals__
    checkout = tmp_path / "checkout"
    checkout.mkdir()
    for name in ("pyproject.toml", "requirements.txt", "requirements-test.txt"):
        (checkout / name).write_bytes((ROOT / name).read_bytes())
    monkeypatch.setitem(functions, "ROOT", str(checkout))
    monkeypatch.delenv("PINWRIGHT_VENV", raising=False)
    done: list[str] = []

    def make(venv: str, **_: Any) -> None:
        done.append("make")
        (Path(venv) / "made").touch()

    def install(venv: str, what: list[str]) -> None:
        done.append(f"install {Path(what[-1]).name}")

    def run(venv: str, command: list[str], folder: str | None = None) -> int:
        done.append(" ".join(["run", Path(command[0]).stem, *command[1:]]))
        return 0

    monkeypatch.setattr("venv.create", make)
    real = dict(functions)
    monkeypatch.setitem(functions, "install", install)
    monkeypatch.setitem(functions, "run", run)
    return SimpleNamespace(
        real=real, set=functions.__setitem__, main=names["main"], checkout=checkout, done=done
    )


def refusal(call: Callable[[], object]) -> str:
    """The one sentence with which bootstrap gives up, and so exits with 1."""
    with pytest.raises(SystemExit) as stopped:
        call()
    assert isinstance(stopped.value.code, str)
    assert "\n" not in stopped.value.code
    return stopped.value.code


def test_a_demo_and_then_the_tests_install_each_thing_once(bootstrap: SimpleNamespace) -> None:
    assert 0 == bootstrap.main(["demo", "--fast"])
    assert [
        "make", "install requirements.txt", "install checkout", "run pinwright demo --fast",
    ] == bootstrap.done  # fmt: skip
    bootstrap.done.clear()
    workers = 2 * (os.cpu_count() or 1)
    checks = ["run python -m ruff check .", "run python -m mypy"]
    checks.append(f"run python -m pytest -n {workers} --dist worksteal -k x")
    assert 0 == bootstrap.main(["test", "-k", "x"])
    assert ["install requirements-test.txt", "install checkout", *checks] == bootstrap.done
    bootstrap.done.clear()
    bootstrap.main(["test", "-k", "x"])
    bootstrap.main(["demo"])
    assert [*checks, "run pinwright demo"] == bootstrap.done


@pytest.mark.parametrize("name", ["pyproject.toml", "requirements.txt", "requirements-test.txt"])
def test_changed_pins_make_the_environment_anew(bootstrap: SimpleNamespace, name: str) -> None:
    bootstrap.main(["demo"])
    (bootstrap.checkout / ".venv" / "left over").touch()
    with open(bootstrap.checkout / name, "a", encoding="utf-8") as file:
        file.write("# changed\n")
    bootstrap.done.clear()
    bootstrap.main(["demo"])
    assert "make" == bootstrap.done[0]
    assert not (bootstrap.checkout / ".venv" / "left over").exists()


@pytest.mark.parametrize("step", ["make", "install"])
def test_what_was_interrupted_is_mended_by_the_next_run(
    bootstrap: SimpleNamespace, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        if step == "make":
            patch.setattr("venv.create", interrupted)
        else:
            patch.setitem(bootstrap.main.__globals__, "install", interrupted)
        with pytest.raises(KeyboardInterrupt):
            bootstrap.main(["demo"])
    bootstrap.done.clear()
    bootstrap.main(["demo"])
    assert ["make", "install requirements.txt"] == bootstrap.done[:2]


def test_the_environment_can_lie_elsewhere(
    bootstrap: SimpleNamespace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PINWRIGHT_VENV", str(tmp_path / "far" / "away"))
    bootstrap.main(["demo"])
    assert (tmp_path / "far" / "away" / "made").exists()
    assert not (bootstrap.checkout / ".venv").exists()


def test_a_folder_that_is_not_ours_is_left_alone(bootstrap: SimpleNamespace) -> None:
    theirs = bootstrap.checkout / ".venv" / "precious"
    theirs.parent.mkdir()
    theirs.touch()
    assert "was not made by this program" in refusal(lambda: bootstrap.main(["demo"]))
    assert theirs.exists()
    assert [] == bootstrap.done


def test_a_file_in_the_way_is_named(bootstrap: SimpleNamespace) -> None:
    (bootstrap.checkout / ".venv").touch()
    assert str(bootstrap.checkout / ".venv") in refusal(lambda: bootstrap.main(["demo"]))


def test_a_python_that_is_too_old_is_told_what_is_needed(
    bootstrap: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "version_info", (3, 6, 9, "final", 0))
    assert "needs Python 3.11 or newer; this is Python 3.6" in refusal(lambda: bootstrap.main(["demo"]))
    assert PROJECT["project"]["requires-python"] == ">=3.11"


def test_a_python_that_is_too_old_can_read_the_file() -> None:
    text = (ROOT / "bootstrap.py").read_text(encoding="ascii")
    tree = ast.parse(text, feature_version=(3, 5))
    later = [
        node for node in ast.walk(tree) if isinstance(node, (ast.JoinedStr, ast.AnnAssign, ast.NamedExpr))
    ]
    assert [] == later


@pytest.mark.parametrize("module", ["ensurepip", "venv"])
def test_a_python_without_environments_is_told_the_remedy(
    bootstrap: SimpleNamespace, monkeypatch: pytest.MonkeyPatch, module: str
) -> None:
    monkeypatch.setitem(sys.modules, module, None)
    assert "apt install python3-venv" in refusal(lambda: bootstrap.main(["demo"]))


def test_when_pip_fails_the_sentence_names_its_log(
    bootstrap: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(command: list[str], stdout: Any, **_: Any) -> int:
        stdout.write(b"no network\n")
        return 1

    monkeypatch.setattr(subprocess, "call", fails)
    monkeypatch.setitem(bootstrap.main.__globals__, "install", bootstrap.real["install"])
    log = bootstrap.checkout / ".venv" / "install.log"
    assert str(log) in refusal(lambda: bootstrap.main(["demo"]))
    assert "no network\n" == log.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("script", "status"),
    [
        ("", 0),
        ("raise SystemExit(70)", 70),
        pytest.param(
            "import os; os.kill(os.getpid(), 9)",
            137,
            marks=pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="there is no such signal here"),
        ),
    ],
)
def test_the_exit_status_passes_through(bootstrap: SimpleNamespace, script: str, status: int) -> None:
    assert status == bootstrap.real["run"](sys.prefix, [sys.executable, "-c", script])


def test_every_check_runs_and_the_first_failure_is_the_exit_status(
    bootstrap: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    statuses = iter([0, 2, 1])
    monkeypatch.setitem(bootstrap.main.__globals__, "run", lambda *_: next(statuses))
    assert 2 == bootstrap.main(["test"])
    assert [] == list(statuses)


@pytest.mark.parametrize(("arguments", "status"), [([], 2), (["dance"], 2), (["--help"], 0)])
def test_without_a_job_the_help_is_shown(
    bootstrap: SimpleNamespace, capsys: pytest.CaptureFixture[str], arguments: list[str], status: int
) -> None:
    assert status == bootstrap.main(arguments)
    assert "python3 bootstrap.py demo" in capsys.readouterr().err


# The pins


def pins(name: str) -> dict[str, tuple[str, str]]:
    """Project, in the form that compares equal, → release and marker."""
    found = {}
    for line in (ROOT / name).read_text(encoding="utf-8").splitlines():
        if line and not line.startswith(("#", "-r ")):
            pin = PIN.fullmatch(line)
            assert pin, f"{name}: `{line}` is no exact pin"
            found[plain(pin["name"])] = (pin["version"], pin["marker"] or "")
    return found


def plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def test_everything_that_the_project_asks_for_is_pinned_under_the_same_conditions() -> None:
    run = pins("requirements.txt")
    for wanted in PROJECT["project"]["dependencies"]:
        name, _, marker = wanted.partition("; ")
        assert marker == run[plain(re.split("[><=]", name)[0])][1]
    assert PROJECT["build-system"]["requires"] == [f"hatchling=={run['hatchling'][0]}"]


def test_everything_that_the_tests_ask_for_is_pinned() -> None:
    wanted = {plain(name) for name in PROJECT["project"]["optional-dependencies"]["dev"]}
    assert set() == wanted - pins("requirements-test.txt").keys()
