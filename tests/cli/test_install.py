"""The wheel carries all that a scan needs: profiles, firmware, fixture."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from importlib.util import find_spec
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ADAPTERS = sorted((ROOT / "hardware" / "adapters").glob("*.toml"))


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The project's wheel, newly built."""
    if find_spec("hatchling") is None or find_spec("pip") is None:
        pytest.skip("hatchling and pip build the wheel, and are not both here")
    folder = tmp_path_factory.mktemp("wheel")
    words = ["wheel", "--quiet", "--no-deps", "--no-build-isolation", "--disable-pip-version-check"]
    done = subprocess.run(
        [sys.executable, "-m", "pip", *words, "--wheel-dir", str(folder), str(ROOT)],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert 0 == done.returncode, done.stderr
    (built,) = folder.glob("pinwright-*.whl")
    return built


def test_the_wheel_holds_the_program_and_nothing_else(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    templates = [f"pinwright/sheets/{one}" for one in ("sheet.html", "sheet.typ")]
    templates += [f"pinwright/sheets/{one}" for one in ("build.html", "build.js", "build.typ")]
    templates += [f"pinwright/sheets/{one}" for one in ("label.typ", "report.html")]
    for name in (
        "pinwright/cli/main.py",
        "pinwright/virtual/shim/machine.py",
        "pinwright/data/firmware/main.py",
        "pinwright/data/firmware/tester/scanner.py",
        "pinwright/data/profiles/workshop/lamp-changer-40.toml",
        "pinwright/data/hardware/adapters/dsub-9-plug.toml",
        "pinwright/data/hardware/fixtures/tester-128.toml",
        "pinwright/data/profiles/standard/midi-din5.toml",
        *templates,
    ):
        assert name in names
    strange = [
        name
        for name in names
        if (not name.endswith((".py", ".toml", *templates)) and ".dist-info/" not in name)
        or "broken" in name
        or "cache" in name
    ]
    assert [] == strange
    adapters = {f"pinwright/data/hardware/adapters/{one.name}" for one in ADAPTERS}
    assert adapters <= set(names)


def test_an_installed_program_scans(wheel: Path, tmp_path: Path) -> None:
    site = tmp_path / "site"
    zipfile.ZipFile(wheel).extractall(site)
    script = f"import sys; sys.path.insert(0, {str(site)!r}); from pinwright.__main__ import run; run()"
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    words = ["scan", "lamp-changer-40", "--port", "sim", "--records", str(tmp_path / "r")]
    done = subprocess.run(
        [sys.executable, "-P", "-c", script, *words],
        env=environment,
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert (0, "") == (done.returncode, done.stderr)
    assert "\nPASS " in done.stdout
    for extension in ("json", "pdf", "html"):
        assert (tmp_path / "r" / f"HL40-0001.test-1.certificate.{extension}").is_file()
