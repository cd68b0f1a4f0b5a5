"""How well simulated testers measure: `python tests/campaign/measuring.py [BOARDS]` prints a table.

Every board is another one (seed printed), is calibrated with the shorting bar as its users do it, and is then
up to 5 K warmer or colder. The firmware runs on a desk (tests/desk.py). test_measuring.py holds a sample of
this against what the program says of itself.
"""

from __future__ import annotations

import os
import random
import sys
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

if __package__ in (None, ""):
    ROOT = Path(__file__).parents[2]
    sys.path[:0] = [str(ROOT), str(ROOT / "host")]
    __package__ = "tests.campaign"
    import tests.campaign  # noqa: F401

from pinwright.cable.pins import parse_pin
from pinwright.cable.profile import Profile
from pinwright.virtual.bench import Link, TesterSpec

from .bench_of_desks import DeskTester, Outcome, calibrated, profile_of, running, straight

KELVIN = 5.0
GOOD_OHMS = 0.1
JOINTS = {2.0: True, 10.0: False}  # ohms of one joint in a 40-way lead → whether it passes
LEAKS = {1e3: False, 10e3: False, 80e3: False, 130e3: True, 5e6: True}


@dataclass
class Tally:
    """links: read, and within the stated uncertainty. wrong: decisions that were not as they should be.
    refused: scans without a verdict."""

    links: Counter[str] = field(default_factory=Counter)
    worst: dict[str, float] = field(default_factory=dict)
    decisions: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    refused: Counter[str] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        self.links += other.links
        for kind, error in other.worst.items():
            self.worst[kind] = max(error, self.worst.get(kind, 0.0))
        self.decisions += other.decisions
        self.wrong += other.wrong
        self.refused += other.refused

    def share_within(self, kind: str) -> float:
        return self.links[f"{kind}, within"] / self.links[kind]


def links_on(seed: int, chance: random.Random) -> Tally:
    """Cables of pairs and of larger nets, every link with other ohms, on one board: calibrated, and not."""
    tally = Tally()
    kelvin = chance.uniform(-KELVIN, KELVIN)
    for lane in ("calibrated", "uncalibrated"):
        spec = TesterSpec(seed=seed, kelvin=kelvin, lane=lane)
        with calibrated(spec) if lane == "calibrated" else running(spec) as tester:
            profile, links, true_ohms = _random_links(chance)
            outcome = tester.scan(profile, links)
            if outcome.facts is None:
                tally.refused[outcome.refused] += 1
                continue
            for link in outcome.facts.links:
                error = abs(link.ohms - true_ohms[str(link.start)])
                tally.links[lane] += 1
                tally.links[f"{lane}, within"] += error <= link.uncertainty
                tally.worst[lane] = max(error, tally.worst.get(lane, 0.0))
    return tally


def _random_links(chance: random.Random) -> tuple[Profile, list[Link], Mapping[str, float]]:
    """Thirty pairs of 0 to 50 ohms, and two nets of several pins, each pin with 0 to 50 ohms to their middle.

    The ohms of a pin of such a net are its own to the middle, and from there those of the others, which are
    in parallel with their points' resistances; what the tester can know of that is the pin's own, so the
    others have next to none.
    """
    pairs = [(f"A.{n}", f"B.{n}") for n in range(1, 31)]
    stars = [[f"{end}.{n}" for n in numbers for end in "AB"] for numbers in (range(31, 34), range(34, 41))]
    true_ohms: dict[str, float] = {}
    links = []
    for one, other in pairs:
        ohms = true_ohms[one] = chance.choice((chance.uniform(0, 50), chance.uniform(0, 2)))
        links.append(Link((parse_pin(one), parse_pin(other)), max(ohms, 1e-3)))
    for star in stars:
        odd, *rest = star
        links.append(Link(tuple(map(parse_pin, rest)), 1e-3))
        ohms = chance.uniform(0, 50)
        links.append(Link((parse_pin(odd), parse_pin(rest[0])), max(ohms, 1e-3)))
        true_ohms |= dict.fromkeys(rest, 0.0) | {odd: ohms}
    return profile_of([*pairs, *stars]), links, true_ohms


def decisions_on(seed: int, chance: random.Random) -> Tally:
    """A good 40-way lead, leads with one bad joint, leads with one leak: on one calibrated board."""
    tally = Tally()
    with calibrated(TesterSpec(seed=seed, kelvin=chance.uniform(-KELVIN, KELVIN))) as tester:
        for name, passes, outcome in _decided(tester, chance, JOINTS, LEAKS):
            if outcome.facts is None:
                tally.refused[f"{name}: {outcome.refused}"] += 1
            elif outcome.passed is not passes:
                tally.wrong.append(f"{name} on board {seed}: {'passed' if outcome.passed else 'failed'}")
            tally.decisions[name] += 1
    return tally


def _decided(
    tester: DeskTester, chance: random.Random, joints: Mapping[float, bool], leaks: Mapping[float, bool]
) -> Iterator[tuple[str, bool, Outcome]]:
    profile = straight()
    good = [Link(net.pins, GOOD_OHMS) for net in profile.nets]
    yield "a good lead", True, tester.scan(profile, good)
    for ohms, passes in joints.items():
        place = chance.randrange(40)
        bad = [Link(net.pins, ohms if n == place else GOOD_OHMS) for n, net in enumerate(profile.nets)]
        yield f"one joint of {ohms:g} Ω", passes, tester.scan(profile, bad)
    for ohms, passes in leaks.items():
        one, other = chance.sample(profile.nets, 2)
        bad = [*good, Link((one.pins[0], other.pins[1]), ohms)]
        yield f"one leak of {ohms / 1e3:g} kΩ", passes, tester.scan(profile, bad)


def strange_boards(seed: int, chance: random.Random) -> Tally:
    """A joint of 20 ohms on boards with twice the spread, twice the drift, or both: it must never pass."""
    tally = Tally()
    spread, drift = chance.choice(((2.0, 1.0), (1.0, 2.0), (2.0, 2.0)))
    spec = TesterSpec(seed=seed, spread=spread, drift=drift, kelvin=chance.choice((-KELVIN, KELVIN)))
    with calibrated(spec) as tester:
        for name, passes, outcome in _decided(tester, chance, {20.0: False}, {}):
            if outcome.facts is None:
                tally.refused[name] += 1
            elif outcome.passed and not passes:
                tally.wrong.append(f"{name} passed on board {seed}, spread ×{spread:g}, drift ×{drift:g}")
            tally.decisions[name] += 1
            tally.decisions[f"{name}, passed"] += outcome.passed
    return tally


WHAT = {"links": links_on, "decisions": decisions_on, "strange": strange_boards}


def _one(job: tuple[str, int]) -> Tally:
    what, seed = job
    return WHAT[what](seed, random.Random(f"{what} {seed}"))


def campaign(what: str, seeds: Sequence[int], processes: int = 1) -> Tally:
    """All boards with these seeds."""
    total = Tally()
    jobs = [(what, seed) for seed in seeds]
    if processes == 1:
        for job in jobs:
            total.add(_one(job))
        return total
    with ProcessPoolExecutor(processes) as pool:
        for tally in pool.map(_one, jobs, chunksize=4):
            total.add(tally)
    return total


def main() -> None:
    boards = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    start = random.randrange(1 << 32)
    print(f"boards {start} to {start + boards - 1}\n")
    for what in WHAT:
        tally = campaign(what, range(start, start + boards), os.cpu_count() or 1)
        print(f"{what}:")
        for kind in tally.worst:
            print(
                f"  {tally.links[kind]} links of 0 to 50 Ω, {kind}: {100 * tally.share_within(kind):.2f} % "
                f"within the stated uncertainty, the worst {tally.worst[kind]:.1f} Ω off"
            )
        for name, count in tally.decisions.items():
            print(f"  {name}: {count}")
        for name, count in tally.refused.items():
            print(f"  refused: {name}: {count}")
        print(f"  wrong: {len(tally.wrong)}")
        for line in tally.wrong[:20]:
            print(f"    {line}")


if __name__ == "__main__":
    main()
