"""A board at work says so, so that it can be told from one that hangs."""

from __future__ import annotations

import itertools
import time

import pytest

from pinwright.tester.frames import Decoder, Frame, encode

MOST_SILENCE_S = 1.5  # it says so every 0.2 s; the host waits for three; the rest is for a busy machine
SETTLE_US = 5000


def _links(kind):
    """Large nets, and contacts that come and go, each of which is looked at again and again."""
    points = 128 if kind == "tester" else 24
    whole = {"pins": [f"P.{p}" for p in range(0, points // 2)]}
    if kind == "tester":
        free = range(points // 2, 120, 2)
        return [whole] + [
            {"pins": [f"P.{p}", f"P.{p + 1}"], "closed": 0.5, "period_ms": 3 + p / 100} for p in free
        ]
    return [{"pins": [f"P.{p}", f"P.{p + 12}"], "closed": 0.5, "period_ms": 3 + p / 10} for p in range(12)]


@pytest.mark.parametrize("kind", ["tester", "pocket"])
def test_a_slow_scan_is_never_silent_for_long_and_each_word_has_the_number_of_its_request(
    kind, engine, start
):
    board = start({"link": _links(kind), "tester": {"kind": kind}})
    assert "ok" == board.say("check")
    board.load(bytes(128 if kind == "tester" else 24))
    decoder, frames, moments = Decoder(), [], [time.monotonic()]
    board.send(encode(0x5A, f"scan settle={SETTLE_US}"))
    while not frames or frames[-1].words == ("busy",):
        for event in decoder.feed(board.tester.read(2.0)):
            assert isinstance(event, Frame), event
            frames.append(event)
            moments.append(time.monotonic())
    assert {0x5A} == {frame.seq for frame in frames}
    assert len(frames) >= 2  # how long it takes depends on when contacts come and go
    assert max(later - sooner for sooner, later in itertools.pairwise(moments)) < MOST_SILENCE_S
    between = [later - sooner for sooner, later in itertools.pairwise(moments[1:-1])]
    assert all(seconds > 0.1 for seconds in between)
    assert [] == board.unsafe()


def test_a_quick_request_is_answered_without_it(engine, start):
    board = start({})
    for words in ("hello", "check", "echo x", "release"):
        board.send(encode(7, words))
        assert "busy" not in board.line()
