"""How fast it is: `python tests/benchmarks/run.py` prints a table. Nothing is asserted here.

Times are the best of a few; the machine they were taken on belongs beside them.
"""

from __future__ import annotations

import json
import os
import platform
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

HOST = Path(__file__).parents[2] / "host"
sys.path.insert(0, str(HOST))

from pinwright.cable.geometry import ways  # noqa: E402
from pinwright.cable.pins import Pin  # noqa: E402
from pinwright.cable.profile import Profile  # noqa: E402
from pinwright.errors import LinkLost  # noqa: E402
from pinwright.library import find_profile, library_folders, library_profiles  # noqa: E402
from pinwright.link import Line  # noqa: E402
from pinwright.tester.asking import Request  # noqa: E402
from pinwright.tester.measurement import Measurement  # noqa: E402
from pinwright.verdict.facts import compare  # noqa: E402
from pinwright.verdict.stories import stories  # noqa: E402
from pinwright.virtual.bench import Bench  # noqa: E402
from pinwright.virtual.process import VirtualTester, find_micropython  # noqa: E402

SCAN = ("scan", "woven-40", "--port", "sim", "--no-certificate")
KEPT = ("scan", "woven-40", "--port", "sim", "--records")
Row = tuple[str, str, str]

FIRMWARE = HOST.parent / "firmware"
SPI_BYTE_US, I2C_BYTE_US = 1.0, 22.5  # at 8 MHz; 9 bits at 400 kHz
# Runs on the virtual board instead of main.py: the firmware's own verbs, every call to a bus and every wait
# counted and timed, phase by phase. A line for each phase: its name, chip selects, bytes on SPI, bytes on
# I2C, conversions, microseconds in all, microseconds in buses and waits.
PHASES = """
import time
from tester.board import Board
from tester.commands import Commands
NETS = bytes([NUMBERS])
spent = [0, 0, 0, 0, 0]
def timed(work):
    def call(*args):
        begun = time.time_ns()
        try:
            return work(*args)
        finally:
            spent[4] += time.time_ns() - begun
    return call
def counted(work, count):
    def call(*args):
        count(args)
        return work(*args)
    return call
class Bus:
    pass
def watch(thing, **counts):
    bus = Bus()
    for name in counts:
        setattr(bus, name, counted(timed(getattr(thing, name)), counts[name]))
    return bus
def add(index, number):
    spent[index] += number
board = Board()
bank, chips = board.bank, board.bank.chips
chips.spi = watch(chips.spi, write_readinto=lambda args: add(1, len(args[0])))
chips.cs = watch(chips.cs, value=lambda args: add(0, not args[0]))
bank.settle = timed(bank.settle)
if board.converter:
    board.converter.i2c = watch(
        board.converter.i2c,
        writeto_mem=lambda args: (add(2, 2 + len(args[2])), add(3, 1)),
        readfrom_mem_into=lambda args: add(2, 3 + len(args[2])),
    )
commands = Commands(board, lambda line: None)
def phase(name, work):
    def call(*args):
        before, begun = spent[:], time.time_ns()
        told = work(*args)
        took = time.time_ns() - begun
        parts = [after - was for after, was in zip(spent, before)]
        print("phase", name, *parts[:4], took // 1000, parts[4] // 1000)
        return told
    return call
def ask(name, *words):
    work = phase(name, commands.answer) if name else commands.answer
    told = work(list(words))
    if not told.startswith("ok"):
        print("refused", *words, told)
scanner = commands.scanner
scanner._walk = phase("walk", scanner._walk)
bank.ports_against_rest = phase("rest", bank.ports_against_rest)
scanner._wide = phase("wide", scanner._wide)
scanner._confirm = phase("confirm", scanner._confirm)
ask("check", "check")
ask("", "map", "clear")
ask("", "map", "nets", "00", NETS.hex().upper())
ask("", "map", "groups", "00", bytes(128).hex().upper())
ask("", "map", "done")
ask("", "scan", "settle=20")
if board.converter:
    ask("", "parts", "00", NETS.hex().upper())
    ask("lane", "lane")
    ask("links", "measure", "links", MASK)
    ask("leaks", "measure", "leaks")
print("done")
"""


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


def explaining(profile: Profile, aim_ms: int) -> Iterator[Row]:
    """The slowest of twenty cables of each kind."""
    library = library_profiles(library_folders())
    whole = [list(net.pins) for net in profile.nets]
    end = profile.ends[0]
    moves = ways(end.connector)[0].goes

    def turned(chance: random.Random) -> list[list[Pin]]:
        nets = [[Pin(a, moves[p]) if a == end.name else Pin(a, p) for a, p in net] for net in whole]
        one, other = chance.sample(range(len(nets)), 2)
        nets[one][-1], nets[other][-1] = nets[other][-1], nets[one][-1]
        return nets[1:]  # and one open

    def several(chance: random.Random) -> list[list[Pin]]:
        nets = [list(net) for net in whole]
        for _ in range(4):
            one, other = chance.sample(range(len(nets)), 2)
            nets[one][-1], nets[other][-1] = nets[other][-1], nets[one][-1]
        return nets[3:]

    def crossed(chance: random.Random) -> list[list[Pin]]:
        far = [net[-1] for net in whole]
        chance.shuffle(far)
        return [[net[0], pin] for net, pin in zip(whole, far, strict=True)]

    def at_random(chance: random.Random) -> list[list[Pin]]:
        pins = list(profile.pins())
        chance.shuffle(pins)
        nets = []
        while pins:
            size = chance.choice([1, 1, 2, 2, 2, 3, 5])
            nets.append(pins[:size])
            pins = pins[size:]
        return [net for net in nets if len(net) > 1]

    for name, made in (
        ("turned, crossed pair, open", turned),
        ("four crossed pairs, three opens", several),
        ("all conductors crossed at random", crossed),
        ("any pins joined at random", at_random),
    ):
        cables = [made(random.Random(seed)) for seed in range(20)]
        taken = max(best_of(3, lambda nets=nets: stories(profile, nets, library)) for nets in cables)  # type: ignore[misc]
        yield f"stories(), {len(profile.pins())} pins, {name}", f"{1000 * taken:.0f} ms", f"< {aim_ms} ms"


def phases() -> Iterator[tuple[str, ...]]:
    """A row for each phase of a scan of forty pairs on the virtual tester."""
    pairs = [(point, 40 + point) for point in range(40)]
    nets = bytearray(128)
    for number, pair in enumerate(pairs, 1):
        for point in pair:
            nets[point] = number
    script = PHASES.replace("NUMBERS", ", ".join(map(str, nets))).replace("MASK", repr("FF" * 10 + "00" * 6))
    links = [{"pins": [f"P.{one}", f"P.{two}"]} for one, two in pairs]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "firmware"
        shutil.copytree(FIRMWARE, folder, ignore=shutil.ignore_patterns("__pycache__"))
        (folder / "main.py").write_text(script, encoding="utf-8")
        point_of = {Pin("P", str(point)): point for point in range(128)}
        seen, end = b"", time.monotonic() + 60
        with VirtualTester(Bench.from_dict({"link": links}), point_of, folder) as tester:
            while b"done" not in seen and time.monotonic() < end:
                try:
                    seen += tester.read(1)
                except LinkLost:
                    break
    lines = seen.decode().splitlines()
    if "done" not in lines or any(line.startswith("refused") for line in lines):
        sys.exit("the phases did not run to their end:\n" + seen.decode())
    for line in lines:
        if line.startswith("phase "):
            name, *numbers = line.split()[1:]
            transfers, spi, i2c, conversions, took, elsewhere = map(int, numbers)
            wire_us = spi * SPI_BYTE_US + i2c * I2C_BYTE_US
            yield (
                name, f"{transfers}", f"{spi}", f"{i2c}", f"{conversions}", f"{wire_us / 1000:.1f} ms",
                f"{(took - elsewhere) / 1000:.1f} ms",
            )  # fmt: skip


def looking(looks: int) -> float:
    """Looks a second for a probe lead, over the line to the virtual tester."""
    point_of = {Pin("P", str(point)): point for point in range(128)}
    bench = Bench.from_dict({"link": [{"pins": ["P.120", "P.8"]}]})
    with VirtualTester(bench, point_of, FIRMWARE) as tester:
        line = Line(tester, lambda text: None)
        for words in ("hello", "check"):
            line.ask(Request(words, 5.0))
        request = Request("touch 78", 1.0)
        return looks / best_of(3, lambda: [line.ask(request) for _ in range(looks)])


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
    yield from explaining(find_profile("lamp-changer-40", library_folders()).profile, 50)
    yield from explaining(straight(128), 300)
    document = json.loads(pinwright(*SCAN, "--json"))
    counts, points = document["counts"], document["tester"]["points"]
    yield "SPI transfers a point of the walk", f"{counts['walk_transfers'] / points:.2f}", "≤ 10"
    yield "SPI transfers of a whole scan", f"{counts['transfers']}", ""
    yield "looks for a probe lead, virtual", f"{looking(50):.0f} a second", ""
    yield "the scan on the board, virtual", f"{sum(document['timings_us'].values()) / 1000:.0f} ms", ""


def main() -> None:
    print(f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} processors\n")
    print(f"{'what':<36}{'best':>12}  aim")
    for what, seen, aim in rows():
        print(f"{what:<36}{seen:>12}  {aim}")
    if find_micropython() is None:
        return
    print("\nPhases of one scan of forty pairs by the portable path. wire: SPI at 8 MHz, I2C at 400 kHz;")
    print("besides it 1.2 ms for each conversion. interpreter: MicroPython here, less buses and waits.\n")
    head = ("phase", "transfers", "SPI bytes", "I2C bytes", "conversions", "wire", "interpreter")
    for row in (head, *phases()):
        print("".join(f"{text:<9}" if at == 0 else f"{text:>13}" for at, text in enumerate(row)))


if __name__ == "__main__":
    main()
