"""board.json: what this very board is. A board that does not know what is fitted never scans."""

from __future__ import annotations

import pytest


def _said(board):
    words = board.say("hello").split()
    return dict(word.split("=", 1) for word in words[1:])


@pytest.mark.parametrize(
    ("text", "points", "name"),
    [
        ("", "128", "-"),  # no file
        ("{}", "128", "-"),
        ('{"fitted": 5}', "80", "-"),
        ('{"fitted": 1, "name": "bench-2"}', "16", "bench-2"),
        ('{"fitted": 8, "name": "' + "x" * 32 + '", "made": 2026}', "128", "x" * 32),
    ],
)
def test_the_board_is_what_its_file_says(text, points, name, engine, start):
    board = start(board_json=text)
    said = _said(board)
    assert (points, name) == (said["points"], said["name"])
    assert "ok" == board.say("check")


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
def test_a_file_that_makes_no_sense_stops_every_scan(text, engine, start):
    board = start(board_json=text)
    assert "-" == _said(board)["name"]
    assert "error board-file" == board.say("check")
    board.load(bytes(128))
    assert "error state" == board.say("scan settle=20")
    assert [] == board.unsafe()
    assert [] == board.board.broken
