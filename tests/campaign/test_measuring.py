"""How well simulated testers measure, held against what the program says: a sample, on other boards each run.

`PINWRIGHT_CAMPAIGN=full` takes 200 boards for each question (10,000 links calibrated and as many not), and
`python tests/campaign/measuring.py` prints them; `PINWRIGHT_SEED` repeats the boards of a run.
"""

from __future__ import annotations

import os

import pytest

from .measuring import campaign

FULL = os.environ.get("PINWRIGHT_CAMPAIGN") == "full"


@pytest.fixture(scope="module")
def start() -> int:
    """The first board's seed; the same in every run: few boards may by chance be worse than all."""
    return int(os.environ.get("PINWRIGHT_SEED") or 1)


def test_links_read_within_the_stated_uncertainty(start):
    """99.9 % of them; of a small sample, one in a hundred at most may not."""
    tally = campaign("links", range(start, start + (200 if FULL else 6)))
    assert not tally.refused, start
    for lane in ("calibrated", "uncalibrated"):
        assert tally.share_within(lane) >= (0.999 if FULL else 0.99), (start, lane, tally.worst)


def test_joints_and_leaks_are_judged_as_stated(start):
    """In a 40-way lead a joint of 2 Ω passes and one of 10 Ω fails; leaks of 1, 10 and 80 kΩ fail, those of
    130 kΩ and 5 MΩ pass."""
    tally = campaign("decisions", range(start, start + (200 if FULL else 6)))
    assert ([], {}) == (tally.wrong, dict(tally.refused)), start


def test_no_20_ohm_joint_passes_on_a_board_with_twice_the_spread_or_drift(start):
    tally = campaign("strange", range(start, start + (200 if FULL else 6)))
    assert [] == [line for line in tally.wrong if "20 Ω" in line], start
    assert 0 == tally.decisions["one joint of 20 Ω, passed"], start
