"""The board goes away, or a reply does: an error that says so in bounded time, or a verdict that is right."""

from __future__ import annotations

import random
import signal
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from pinwright.virtual.bench import TesterSpec

# hello, check, four of the map, scan, three matrices of sixteen parts, marks, judge, two of pieces, release
REPLIES = 1 + 1 + 4 + 1 + 3 * 16 + 1 + 1 + 2 + 1
CUT = [*range(1, 13), 23, 24, 40, REPLIES - 4, REPLIES - 3, REPLIES - 2, REPLIES - 1, REPLIES]
DELAYS_S = (0.0, 0.06, 0.12, 0.18)
SCAN = 7  # not repeatable: a second one needs another check


@pytest.mark.usefixtures("small_deadlines")
def test_a_reply_that_is_cut_short_is_asked_for_again_or_ends_the_scan(workplace, good):
    profile = workplace.straight()

    def scan(nth):
        return nth, workplace.scan(profile, good(profile), TesterSpec(drop_reply=nth))

    with ThreadPoolExecutor(6) as pool:
        outcomes = dict(pool.map(scan, CUT))
    expected = {nth: "LinkCorrupt" if nth == SCAN else "pass" for nth in CUT}
    assert expected == {nth: outcome.verdict for nth, outcome in outcomes.items()}
    assert max(outcome.seconds for outcome in outcomes.values()) < 10


def _with_moment(workplace, profile, links, delay_s, number):
    """A scan during which the board's process gets a signal."""
    with workplace.tester(profile, links, TesterSpec(fitted=5)) as tester:
        strike = threading.Timer(delay_s, tester._process.send_signal, [number])
        strike.start()
        try:
            return workplace.ask(profile, tester)
        finally:
            strike.cancel()


def test_a_board_that_dies_in_the_middle_of_a_scan_is_a_lost_link(workplace, good):
    """Killed at thirty random moments; a scan that was over before that is a good cable's."""
    profile, seed = workplace.straight(), random.randrange(1 << 30)
    chance = random.Random(seed)
    took = workplace.scan(profile, good(profile), TesterSpec(fitted=5)).seconds
    lost = 0
    for nth in range(30):
        delay_s = chance.uniform(0, took)
        outcome = _with_moment(workplace, profile, good(profile), delay_s, signal.SIGKILL)
        told = f"seed {seed}, moment {nth} at {delay_s:.3f} s: {outcome}"
        lost += outcome.verdict == "LinkLost"
        over_before = outcome.verdict == "pass" and outcome.seconds < delay_s
        assert outcome.verdict == "LinkLost" or over_before, told
        assert outcome.error is None or outcome.error.status == 3, told
    assert lost >= 15, f"seed {seed}"
    assert "pass" == workplace.scan(profile, good(profile)).verdict


@pytest.mark.usefixtures("small_deadlines")
def test_a_board_that_stops_answering_is_a_lost_link_within_the_deadline(workplace, good):
    profile = workplace.straight()

    def scan(delay_s):
        return _with_moment(workplace, profile, good(profile), delay_s, signal.SIGSTOP)

    began = time.monotonic()
    with ThreadPoolExecutor(4) as pool:
        outcomes = list(pool.map(scan, DELAYS_S))
    for delay_s, outcome in zip(DELAYS_S, outcomes, strict=True):
        over_before = outcome.verdict == "pass" and outcome.seconds < delay_s
        assert outcome.verdict == "LinkLost" or over_before, outcome
    assert "LinkLost" == outcomes[0].verdict
    assert time.monotonic() - began < 15
