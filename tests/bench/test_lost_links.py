"""The board goes away, or a reply does: an error that says so in bounded time, or a verdict that is right."""

from __future__ import annotations

import itertools
import random
import re
import signal
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from pinwright.virtual.bench import TesterSpec

SMALL = TesterSpec(fitted=5)
# Not repeatable: a second scan needs another check, and what is measured drives the cable.
ONCE = ("scan", "measure")


@pytest.fixture(scope="module")
def asked(workplace, good):
    """What an undisturbed scan asks, in order, without pages: of a calibrated tester, so all there is."""
    profile, words = workplace.straight(), {}
    with workplace.tester(profile, good(profile), SMALL) as tester:
        write = tester.write

        def noted(data):
            for line in filter(None, data.decode().split("\n")):  # by number: a slow board is asked again
                words[line[1:3]] = re.sub(r" (settle=.*|[0-9A-F]+)$", "", line[4:-5])
            write(data)

        tester.write = noted
        assert "pass" == workplace.ask(profile, tester).verdict
    return list(words.values())


def _nth(asked, verb):
    """Which reply answers the first request of a verb, from 1 on."""
    return next(nth for nth, words in enumerate(asked, 1) if words.startswith(verb))


@pytest.mark.usefixtures("small_deadlines")
def test_a_reply_that_is_cut_short_is_asked_for_again_or_ends_the_scan(workplace, good, asked):
    """Of requests that are alike, one after the other, the first and the last."""
    profile = workplace.straight()
    ends = [None, *asked, None]
    cut = [nth for nth in range(1, len(ends) - 1) if not ends[nth - 1] == ends[nth] == ends[nth + 1]]
    assert {"hello", "keep read calibration", "lane", "measure leaks", "release"} <= {*asked}

    def scan(nth):
        return nth, workplace.scan(profile, good(profile), TesterSpec(fitted=5, drop_reply=nth))

    with ThreadPoolExecutor(6) as pool:
        outcomes = dict(pool.map(scan, cut))
    expected = {nth: "LinkCorrupt" if asked[nth - 1].startswith(ONCE) else "pass" for nth in cut}
    assert expected == {nth: outcome.verdict for nth, outcome in outcomes.items()}
    assert 3 == list(expected.values()).count("LinkCorrupt")  # the scan, the links, the leaks
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


def test_a_board_that_dies_in_the_middle_of_a_scan_is_a_lost_link(workplace, good, asked):
    """Killed after any reply but the last, while it walks, and while it measures; the next scan works."""
    profile, seed = workplace.straight(), random.randrange(1 << 30)
    chance = random.Random(seed)
    moments = [(chance.randrange(1, len(asked)), 0.0) for _ in range(10)]
    moments += [(_nth(asked, "scan") - 1, chance.uniform(0.001, 0.03)) for _ in range(8)]
    moments += [(_nth(asked, "measure") - 1, chance.uniform(0.001, 0.03)) for _ in range(4)]
    for nth, delay_s in moments:
        outcome = _struck(workplace, profile, good(profile), nth, signal.SIGKILL, delay_s)
        told = f"seed {seed}, {delay_s:.3f} s after reply {nth}: {outcome}"
        assert ("LinkLost", 3) == (outcome.verdict, outcome.error.status), told
    assert "pass" == workplace.scan(profile, good(profile), SMALL).verdict


@pytest.mark.usefixtures("small_deadlines")
def test_a_board_that_stops_answering_is_a_lost_link_within_the_deadline(workplace, good, asked):
    profile = workplace.straight()

    def scan(nth):
        return _struck(workplace, profile, good(profile), nth, signal.SIGSTOP)

    began = time.monotonic()
    walk, links = _nth(asked, "scan"), _nth(asked, "measure links")
    with ThreadPoolExecutor(4) as pool:
        outcomes = list(pool.map(scan, (1, walk - 1, walk, links - 1, links, len(asked) - 1)))
    assert ["LinkLost"] * 6 == [outcome.verdict for outcome in outcomes]
    assert time.monotonic() - began < 15
