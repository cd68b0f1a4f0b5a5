"""The board goes away, or a reply does: an error that says so in bounded time, or a verdict that is right."""

from __future__ import annotations

import itertools
import random
import signal
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from pinwright.virtual.bench import TesterSpec


def replies(ports):
    """hello, check, four of the map, scan, three matrices by ports, marks, judge, two of pieces, release."""
    return 1 + 1 + 4 + 1 + 3 * ports + 1 + 1 + 2 + 1


SMALL = TesterSpec(fitted=5)
REPLIES = replies(ports=10)
SCAN = 7  # not repeatable: a second one needs another check
# All before the matrices, where one matrix ends and the next begins, and all from the last matrix's end on.
CUT = [*range(1, SCAN + 2), SCAN + 10, SCAN + 11, SCAN + 20, SCAN + 21, *range(SCAN + 30, REPLIES + 1)]


@pytest.mark.usefixtures("small_deadlines")
def test_a_reply_that_is_cut_short_is_asked_for_again_or_ends_the_scan(workplace, good):
    profile = workplace.straight()

    def scan(nth):
        return nth, workplace.scan(profile, good(profile), TesterSpec(fitted=5, drop_reply=nth))

    with ThreadPoolExecutor(6) as pool:
        outcomes = dict(pool.map(scan, CUT))
    expected = {nth: "LinkCorrupt" if nth == SCAN else "pass" for nth in CUT}
    assert expected == {nth: outcome.verdict for nth, outcome in outcomes.items()}
    assert max(outcome.seconds for outcome in outcomes.values()) < 10


def _struck(workplace, profile, links, nth, number, delay_s=0.0):
    """A scan whose board gets a signal once its nth reply has begun to come, or a little later."""
    with workplace.tester(profile, links, SMALL) as tester:
        read, replies = tester.read, itertools.count(1)

        def counted(timeout_s):
            data = read(timeout_s)
            for _ in range(data.count(b"<") - data.count(b" busy ")):  # no frame has a `<` but at its start
                if next(replies) == nth:
                    strike.start() if delay_s else tester._process.send_signal(number)
            return data

        strike = threading.Timer(delay_s, tester._process.send_signal, [number])
        tester.read = counted
        try:
            return workplace.ask(profile, tester)
        finally:
            strike.cancel()


def test_a_board_that_dies_in_the_middle_of_a_scan_is_a_lost_link(workplace, good):
    """Killed after any reply but the last, and at moments of the walk itself; the next scan works."""
    profile, seed = workplace.straight(), random.randrange(1 << 30)
    chance = random.Random(seed)
    moments = [(chance.randrange(1, REPLIES), 0.0) for _ in range(10)]
    moments += [(SCAN - 1, chance.uniform(0.001, 0.03)) for _ in range(8)]
    for nth, delay_s in moments:
        outcome = _struck(workplace, profile, good(profile), nth, signal.SIGKILL, delay_s)
        told = f"seed {seed}, {delay_s:.3f} s after reply {nth}: {outcome}"
        assert ("LinkLost", 3) == (outcome.verdict, outcome.error.status), told
    assert "pass" == workplace.scan(profile, good(profile), SMALL).verdict


@pytest.mark.usefixtures("small_deadlines")
def test_a_board_that_stops_answering_is_a_lost_link_within_the_deadline(workplace, good):
    profile = workplace.straight()

    def scan(nth):
        return _struck(workplace, profile, good(profile), nth, signal.SIGSTOP)

    began = time.monotonic()
    with ThreadPoolExecutor(4) as pool:
        outcomes = list(pool.map(scan, (1, SCAN - 1, SCAN, REPLIES - 1)))
    assert ["LinkLost"] * 4 == [outcome.verdict for outcome in outcomes]
    assert time.monotonic() - began < 15
