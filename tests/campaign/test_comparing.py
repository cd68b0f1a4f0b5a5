"""The same cable on many boards, each at another temperature: two tests of it are the same, and a joint that
rises from 0.1 Ω to 8 Ω is found, and no other.

`PINWRIGHT_CAMPAIGN=full` takes 100 boards, each calibrated with the bar; otherwise a few that know their own
resistances, others every run.
"""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from itertools import pairwise

from pinwright.cable.pins import Pin
from pinwright.verdict.comparison import Tested, compared
from pinwright.verdict.findings import explain_plainly
from pinwright.virtual.bench import Link, TesterSpec

from .bench_of_desks import Outcome, calibrated, running, straight

SEED = int(os.environ.get("PINWRIGHT_SEED") or random.randrange(1 << 32))
FULL = os.environ.get("PINWRIGHT_CAMPAIGN") == "full"
BOARDS = 100 if FULL else 4
CABLE = straight()
GOOD_OHMS, BAD_OHMS = 0.1, 8.0


def links(bad: int = 0) -> Iterator[Link]:
    for number in range(1, 41):
        ohms = BAD_OHMS if number == bad else GOOD_OHMS
        yield Link((Pin("A", str(number)), Pin("B", str(number))), ohms)


def as_tested(outcome: Outcome) -> Tested:
    assert outcome.facts, outcome.refused
    return Tested(CABLE, outcome.facts, explain_plainly(outcome.facts), "calibrated")


def test_a_joint_that_rises_is_found_and_a_cable_that_stays_is_the_same() -> None:
    good = []
    most = 0.0
    for number in range(BOARDS):
        chance = random.Random(SEED + number)
        spec = TesterSpec(seed=chance.randrange(1 << 32), kelvin=chance.uniform(-5, 5))
        bad = chance.randint(1, 40)
        with (calibrated if FULL else running)(spec) as tester:
            one, again, risen = (as_tested(tester.scan(CABLE, links(joint))) for joint in (0, 0, bad))
        assert not compared(one, again).differs, f"PINWRIGHT_SEED={SEED + number}"
        found = compared(one, risen)
        changed = {str(both.either.start): both.change for both in found.links if both.differs}
        assert {f"A.{bad}": "risen"} == changed, f"PINWRIGHT_SEED={SEED + number}"
        good.append(one)
    for one, other in pairwise(good):  # on another board
        found = compared(one, other)
        most = max(most, *(abs(both.rise or 0.0) for both in found.links))
        assert not found.differs, f"PINWRIGHT_SEED={SEED}"
    print(f"{BOARDS} boards, {40 * (len(good) - 1)} pairs of links on two of them: most apart {most:.2f} Ω")
