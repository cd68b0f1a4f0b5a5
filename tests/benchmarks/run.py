"""How fast it is: `python tests/benchmarks/run.py` prints a table. Nothing is asserted here.

Times are the best of a few; the machine they were taken on belongs beside them.
"""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

HOST = Path(__file__).parents[2] / "host"
sys.path.insert(0, str(HOST))

from pinwright.cable.pins import Pin  # noqa: E402
from pinwright.cable.profile import Profile  # noqa: E402
from pinwright.tester.measurement import Measurement  # noqa: E402
from pinwright.verdict.facts import compare  # noqa: E402

SCAN = ("scan", "woven-40", "--port", "sim", "--no-certificate")
KEPT = ("scan", "woven-40", "--port", "sim", "--records")
Row = tuple[str, str, str]


def best_of(times: int, work: Callable[[], object]) -> float:
    """Seconds."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def pinwright(*words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "pinwright", *words],
        env={**os.environ, "PYTHONPATH": str(HOST)},
        check=True,
        capture_output=True,
        text=True,
    )
    return done.stdout


def straight(pins: int) -> Profile:
    """A straight cable of so many pins in all, in ends of 64 (two ends at least)."""
    each = min(pins // 2, 64)
    ends = {f"{side}{n}": {"connector": f"dip-{each}"} for side in "AB" for n in range(pins // 2 // each)}
    wires = [[f"A{n}.{pin}", f"B{n}.{pin}"] for n in range(pins // 2 // each) for pin in range(1, each + 1)]
    return Profile.from_dict({"cable": {"id": "x"}, "ends": ends, "wiring": {"wires": wires}})


def comparing(pins: int, aim_ms: int) -> Iterator[Row]:
    """A good cable, and the worst bad one: every conductor shifted by one."""
    profile = straight(pins)
    good = tuple(net.pins for net in profile.nets)
    plugs = [pair[1] for pair in good]
    shifted: tuple[tuple[Pin, ...], ...] = tuple(
        (pair[0], plug) for pair, plug in zip(good, plugs[1:] + plugs[:1], strict=True)
    )
    for name, joined in (("good", good), ("all shifted", shifted)):
        measured = Measurement(frozenset(profile.pins()), joined)
        taken = best_of(20, lambda measured=measured: compare(profile, measured))  # type: ignore[misc]
        yield f"compare(), {pins} pins, {name}", f"{1000 * taken:.2f} ms", f"< {aim_ms} ms"


def rows() -> Iterator[Row]:
    yield "pinwright --help", f"{best_of(5, lambda: pinwright('--help')):.3f} s", "< 0.3 s"
    yield "120-point scan, virtual", f"{best_of(3, lambda: pinwright(*SCAN)):.3f} s", "< 1.5 s"
    with tempfile.TemporaryDirectory() as place:
        taken = best_of(3, lambda: pinwright(*KEPT, place))
        yield "the same, record and documents kept", f"{taken:.3f} s", ""
        files = len(list(Path(place).glob("[!.]*")))
        taken = best_of(3, lambda: pinwright("records", "verify", place))
        yield f"records verify, {files} files", f"{taken:.3f} s", ""
    yield from comparing(128, 1)
    yield from comparing(4096, 30)
    document = json.loads(pinwright(*SCAN, "--json"))
    counts, points = document["counts"], document["tester"]["points"]
    yield "SPI transfers a point of the walk", f"{counts['walk_transfers'] / points:.2f}", "≤ 10"
    yield "SPI transfers of a whole scan", f"{counts['transfers']}", ""
    yield "the scan on the board, virtual", f"{sum(document['timings_us'].values()) / 1000:.0f} ms", ""


def main() -> None:
    print(f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} processors\n")
    print(f"{'what':<36}{'best':>12}  aim")
    for what, seen, aim in rows():
        print(f"{what:<36}{seen:>12}  {aim}")


if __name__ == "__main__":
    main()
