"""What a faulty tester does: `python tests/campaign/tester_faults.py` prints a table of every fault.

Each of 128 points stuck low, stuck high, cut, without its pull-up, and joined to its neighbour; each of
eight expanders dead, and at another's address; the converter missing, stuck, off by 10 %. With each, three
leads are scanned: a good one, one that is open at the point, one that is joined to a neighbour there. No bad
lead may pass; and a fault with which a scan comes to any verdict must be named by `tester check`, unless no
cable can reach it. The firmware runs on a desk (tests/desk.py). test_tester_faults.py holds a sample of this.
"""

from __future__ import annotations

import os
import sys
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

if __package__ in (None, ""):
    ROOT = Path(__file__).parents[2]
    sys.path[:0] = [str(ROOT), str(ROOT / "host")]
    __package__ = "tests.campaign"
    import tests.campaign  # noqa: F401

from pinwright.cli.ports import plug_in
from pinwright.virtual.bench import Bench, Link, TesterSpec

from .bench_of_desks import FIXTURE, WORKSHOP, DeskTester, running, straight

POINTS = 128
# The probe lead and the test pads: no socket has them, so no cable and no shorting bar reaches them.
OUT_OF_REACH = {120, 125, 126, 127}
KINDS = ("stuck low", "stuck high", "cut", "no pull-up", "joined to the next", "dead", "moved", "converter")


@dataclass(frozen=True)
class Fault:
    """kind: of KINDS. number: of the point or the expander, or 0. spec: the tester that has it."""

    kind: str
    number: int
    spec: TesterSpec

    @property
    def harmless(self) -> bool:
        """A cut that no cable can reach, or two points that the tester itself joins."""
        if self.kind == "cut":
            return self.number in OUT_OF_REACH
        return self.kind == "joined to the next" and (self.number, self.number + 1) in FIXTURE.references

    def __str__(self) -> str:
        what = self.spec.converter if self.kind == "converter" else self.number
        return f"{self.kind} {what}"


@dataclass(frozen=True)
class Told:
    """scans: what came of the good, the open and the joined lead. check: what `tester check` said."""

    fault: Fault
    scans: tuple[str, ...]
    check: str

    @property
    def refused(self) -> bool:
        """No scan came to a verdict."""
        return all(scan.startswith("refused") for scan in self.scans)

    @property
    def named(self) -> bool:
        return self.check != "passed"

    @property
    def sound(self) -> bool:
        """No bad lead passed, and whoever looks hears of the fault."""
        return "pass" not in self.scans[1:] and (self.refused or self.named or self.fault.harmless)


def faults(seed: int) -> Iterator[Fault]:
    """All of them, each on a board with that seed."""
    for point in range(POINTS):
        yield Fault("stuck low", point, TesterSpec(seed, stuck_low=(point,)))
        yield Fault("stuck high", point, TesterSpec(seed, stuck_high=(point,)))
        yield Fault("cut", point, TesterSpec(seed, cut=(point,)))
        yield Fault("no pull-up", point, TesterSpec(seed, no_pullup=(point,)))
        other = point + 1 if point < POINTS - 1 else 0
        yield Fault("joined to the next", point, TesterSpec(seed, bridged=((point, other),)))
    for chip in range(8):
        yield Fault("dead", chip, TesterSpec(seed, dead_chips=(chip,)))
        moved = MappingProxyType({chip: (chip + 1) % 8})
        yield Fault("moved", chip, TesterSpec(seed, moved_chips=moved))
    for converter in ("missing", "stuck", 0.9, 1.1):
        yield Fault("converter", 0, TesterSpec(seed, converter=converter))


def tell(fault: Fault) -> Told:
    """Three scans, and the long check."""
    with running(fault.spec) as tester:
        scans = tuple(_scans(tester, fault))
        check = tester.check()
        if isinstance(check, str):
            return Told(fault, scans, f"refused: {check}")
        return Told(fault, scans, "passed" if check.passed else f"named: {check.text}")


def _scans(tester: DeskTester, fault: Fault) -> Iterator[str]:
    profile = straight()
    good = [Link(net.pins) for net in profile.nets]
    places = plug_in(Bench(), profile.ends, WORKSHOP, {})[1]
    at = next((n for n, net in enumerate(profile.nets) if fault.number in map(places.get, net.pins)), 0)
    to = (at + 1) % len(good)
    joined = Link((profile.nets[at].pins[0], profile.nets[to].pins[0]))
    for links in (good, [link for n, link in enumerate(good) if n != at], [*good, joined]):
        outcome = tester.scan(profile, links)
        if outcome.facts is None:
            yield f"refused: {outcome.refused}"
        else:
            yield "pass" if outcome.passed else "fail"


def _nth(job: tuple[int, int]) -> tuple[int, tuple[str, ...], str]:
    """Of one fault, by its number, for faults do not travel from process to process."""
    seed, number = job
    told = tell(list(faults(seed))[number])
    return number, told.scans, told.check


def campaign(seed: int) -> list[Told]:
    """What came of every fault."""
    every = list(faults(seed))
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        done = pool.map(_nth, [(seed, number) for number in range(len(every))], chunksize=8)
        return [Told(every[number], scans, check) for number, scans, check in done]


def main() -> None:
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else int.from_bytes(os.urandom(4), "big")
    print(f"the board with seed {seed}\n")
    told = campaign(seed)
    heads = (
        "fault",
        "number",
        "no verdict",
        "good fails",
        "good passes",
        "bad passes",
        "named by check",
        "sound",
    )
    widths = [max(len(head), 18) if head == "fault" else len(head) for head in heads]
    print("  ".join(head.ljust(width) for head, width in zip(heads, widths, strict=True)))
    for kind in KINDS:
        of_kind = [one for one in told if one.fault.kind == kind]
        count = Counter[str]()
        for one in of_kind:
            count["no verdict"] += one.refused
            count["good fails"] += one.scans[0] == "fail"
            count["good passes"] += one.scans[0] == "pass"
            count["bad passes"] += "pass" in one.scans[1:]
            count["named by check"] += one.named
            count["sound"] += one.sound
        cells = [kind, str(len(of_kind)), *(str(count[head]) for head in heads[2:])]
        print("  ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True)))
    for one in told:
        if not one.sound or one.fault.harmless:
            print(f"\n{one.fault}: {', '.join(one.scans)}; check {one.check}")


if __name__ == "__main__":
    main()
