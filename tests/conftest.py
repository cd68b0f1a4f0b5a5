"""What holds for every test: the same on every machine, and nothing of the person's own is touched."""

from __future__ import annotations

import datetime
import os
import shutil
import subprocess
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("everywhere", deadline=None, print_blob=True)
settings.register_profile("ci", settings.get_profile("everywhere"), derandomize=True)
settings.register_profile("quick", settings.get_profile("ci"), max_examples=5)  # for a run within a run
usual = "ci" if os.environ.get("CI") else "everywhere"
settings.load_profile(os.environ.get("PINWRIGHT_EXAMPLES") or usual)

WHOLE_TESTERS = (
    "bench",
    "campaign",
    "cli",
    "firmware",
    "published",
    "virtual",
)  # folders whose tests mostly run one


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "one_in(n): a quick run takes one in n of its cases, others every day")
    os.environ.setdefault("PINWRIGHT_DAY", str(datetime.date.today().toordinal()))  # one for all processes


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """CI has ten minutes: it takes half of what takes long, less of cases much alike; in n days all."""
    if os.environ.get("PINWRIGHT_EXAMPLES") != "quick":
        return
    day = int(os.environ["PINWRIGHT_DAY"])
    seen: Counter[str] = Counter()
    left_out = []
    for item in items:
        of, has_cases, _ = item.nodeid.partition("[")
        mark = item.get_closest_marker("one_in")
        in_turn = 2 if item.path.parent.name in WHOLE_TESTERS else 1
        one_in = mark.args[0] if mark and has_cases else in_turn
        nth = seen[of] if has_cases else zlib.crc32(of.encode())
        seen[of] += 1
        if (nth + day) % one_in:
            left_out.append(item)
    chosen = set(items).difference(left_out)
    items[:] = [item for item in items if item in chosen]
    config.hook.pytest_deselected(items=left_out)


@pytest.fixture(scope="session", autouse=True)
def _a_home_of_our_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The records and settings of whoever runs the tests stay as they are, and so does the output's look."""
    with pytest.MonkeyPatch.context() as patch:
        home = str(tmp_path_factory.mktemp("home"))
        for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME", "LOCALAPPDATA", "APPDATA"):
            patch.setenv(name, home)
        for name in ("NO_COLOR", "FORCE_COLOR", "COLUMNS", "LINES"):
            patch.delenv(name, raising=False)
        yield


@pytest.fixture
def disk_of(tmp_path: Path) -> Iterator[Callable[[str], Path]]:
    """Mounts a disk of that size ("512k"), for one test. Only an administrator of a Linux machine can."""
    place = tmp_path / "disk"

    def disk_of(size: str) -> Path:
        mount = shutil.which("mount")
        place.mkdir()
        command = [str(mount), "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)]
        if mount is None or subprocess.run(command, capture_output=True, check=False).returncode:
            pytest.skip("this person may not mount a disk")
        return place

    yield disk_of
    if place.is_mount():
        subprocess.run(["umount", str(place)], check=True)
