"""board.json: what this very board is. A board that does not know what is fitted never scans."""

from __future__ import annotations

import pytest

SUPPLY_MODE = 23


def _said(board):
    words = board.say("hello").split()
    return dict(word.split("=", 1) for word in words[1:])


@pytest.mark.parametrize(
    ("text", "kind", "points", "name"),
    [
        ("", "tester-128", "128", "-"),  # no file
        ("{}", "tester-128", "128", "-"),
        ('{"fitted": 5}', "tester-128", "80", "-"),
        ('{"fixture": "tester-128", "fitted": 1, "name": "bench-2"}', "tester-128", "16", "bench-2"),
        ('{"fitted": 8, "name": "' + "x" * 32 + '", "made": 2026}', "tester-128", "128", "x" * 32),
        ('{"fixture": "pocket-24"}', "pocket-24", "24", "-"),
        ('{"name": "pocket-2", "fixture": "pocket-24"}', "pocket-24", "24", "pocket-2"),
    ],
)
def test_the_board_is_what_its_file_says(text, kind, points, name, engine, start):
    board = start({"tester": {"kind": kind.split("-")[0]}}, board_json=text)
    said = _said(board)
    assert (kind, points, name) == (said["fixture"], said["points"], said["name"])
    assert "ok" == board.say("check")


@pytest.mark.parametrize(
    ("text", "lane"),
    [
        ("", True),  # no file
        ("{}", True),
        ('{"fitted": 7}', False),
        ('{"fitted": 5, "lane": true}', True),
        ('{"lane": false}', False),
        ('{"fixture": "pocket-24"}', False),
    ],
)
def test_an_ohms_lane_is_there_if_its_file_says_so_or_all_expanders_are_and_else_not_looked_for(
    text, lane, engine, start
):
    kind = "pocket" if "pocket" in text else "tester"
    board = start(
        {"tester": {"kind": kind, **({"converter": "missing"} if kind == "tester" else {})}}, board_json=text
    )
    assert ("none" != _said(board)["lane"]) == lane
    assert ("error converter why=missing" if lane else "ok") == board.say("check")
    asked = board.say("lane")
    assert ("error state" if lane else "error lane") == asked


@pytest.mark.parametrize(
    "text",
    [
        " ",
        "{",
        "5",
        "null",
        "[8]",
        '"8"',
        '{"fitted": 0}',
        '{"fitted": 9}',
        '{"fitted": -1}',
        '{"fitted": true}',
        '{"fitted": "8"}',
        '{"fitted": 8.0}',
        '{"fitted": null}',
        '{"fitted": 1e400}',
        '{"fixture": "tester-64"}',
        '{"fixture": "Pocket-24"}',
        '{"fixture": ["pocket-24"]}',
        '{"fixture": null}',
        '{"fixture": "pocket-24", "fitted": 2}',
        '{"fixture": "pocket-24", "lane": false}',
        '{"lane": 1}',
        '{"lane": "true"}',
        '{"lane": null}',
        '{"name": 7}',
        '{"name": null}',
        '{"name": "two words"}',
        '{"name": "line\\nfeed"}',
        '{"name": "colour\\u001b[31m"}',
        '{"name": "fitted=5"}',
        '{"name": "<01"}',
        '{"name": "' + "x" * 33 + '"}',
        '{"name": "\\u00e9t\\u00e9"}',
        '{"name": "' + "x" * 2000 + '"}',
        '{"name": "\u00e9"}',
        '{"name": "\udcff"}',  # not UTF-8
        "\udcff\udcfe",
        "{" * 900,
        "[" * 900,
    ],
)
def test_a_file_that_makes_no_sense_stops_every_scan_and_no_point_is_touched(text, engine, start):
    board = start(board_json=text)
    for request in ("hello", "check"):
        assert "error board-file" == board.say(request)
    for request in ("scan settle=20", "rows seen 00", "judge"):
        assert "error state" == board.say(request)
    assert "ok" == board.say("release")
    assert {SUPPLY_MODE} >= board.board.touched  # a pin of the Pico itself
    assert [] == board.unsafe()
    assert [] == board.board.broken
