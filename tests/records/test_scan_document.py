"""The document of `scan --json`: the contract's fields with their types, nothing left to guess."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from itertools import combinations
from typing import Any

import pytest

from pinwright.cable.pins import parse_pin
from pinwright.cable.profile import Profile
from pinwright.records.document import seal
from pinwright.records.scan_document import (
    Subject,
    record_document,
    rfc3339,
    scan_document,
    shared_conductors,
)
from pinwright.tester.session import Hello
from pinwright.verdict.facts import compare
from pinwright.verdict.findings import explain

from .making import POINTS, scanned

TEXT = "# the file as it was read\n"


def cable(wires: Sequence[str], **tables: object) -> Profile:
    signals = {"1": "GND", "2": "GND", "3": "CLOCK"}
    return Profile.from_dict(
        {
            "cable": {"id": "x-1", "title": "An example", "revision": "B"},
            "ends": {end: {"connector": "row-8", "signals": signals} for end in "AB"},
            "wiring": {"wires": [wire.split() for wire in wires]},
            "common": {"GND": {"joined": "optional"}},
            **tables,
        }
    )


PROFILE = cable(["A.1 B.1", "A.2 B.2", "A.3 B.3", "A.4 B.4"])
SUBJECT = Subject(
    profile=PROFILE,
    profile_text=TEXT,
    profile_sha256="ab" * 32,
    operator=None,
    started=datetime(2026, 3, 1, 10, 30, 0, 999_999, timezone(timedelta(hours=1))),
    elapsed_ms=840,
    virtual=True,
    max_ohms=5.0,
)


HELLO = Hello(2, "0.2.0", "E6614", "tester-128", POINTS, 2, "none", "rp2")
GOOD = ["A.1 B.1", "A.2 B.2", "A.3 B.3", "A.4 B.4"]


def document(
    groups: Sequence[str] = GOOD, doubtful: Sequence[str] = (), serial: str | None = None
) -> dict[str, Any]:
    scan = scanned(PROFILE, groups, doubtful, HELLO)
    facts = compare(PROFILE, scan.evidence.measurement(scan.placement))
    made = scan_document(SUBJECT, scan, facts, explain(facts), serial)
    read_back: dict[str, Any] = json.loads(json.dumps(made, allow_nan=False))
    assert made == read_back
    return read_back


# The contract's `scan --json`; beyond it stand `doubtful` and `counts`, which extend it.
FIELDS: dict[str, type | tuple[type, ...]] = {
    "schema": str,
    "verdict": str,
    "profile": dict,
    "serial": (str, type(None)),
    "operator": (str, type(None)),
    "started": str,
    "elapsed_ms": int,
    "nets": list,
    "missing": list,
    "extra": list,
    "links": list,
    "leaks": list,
    "findings": list,
    "tester": dict,
    "sockets": dict,
    "timings_us": dict,
    "certificate": (str, type(None)),
    "report": (str, type(None)),
    "documents": dict,
}
PLACES = {"certificate", "report", "documents"}  # not of the scan but of where it is kept
MORE = {"doubtful": list, "counts": dict, "adapters": dict}


@pytest.mark.parametrize("groups", [GOOD, GOOD[1:], [*GOOD, "A.1 A.3"], []])
def test_the_fields_are_the_contract_s_with_its_types(groups: list[str]) -> None:
    made = document(groups)
    assert set(FIELDS | MORE) == set(made)
    for name, kind in (FIELDS | MORE).items():
        assert isinstance(made[name], kind), name
        assert not isinstance(made[name], bool), name


def test_a_good_cable_s_document_is_this() -> None:
    assert document(serial="X-0001") == {
        "schema": "pinwright/scan-1",
        "verdict": "pass",
        "profile": {"id": "x-1", "title": "An example", "revision": "B", "sha256": "ab" * 32},
        "serial": "X-0001",
        "operator": None,
        "started": "2026-03-01T09:30:00Z",
        "elapsed_ms": 840,
        "nets": [["A.1", "B.1"], ["A.2", "B.2"], ["A.3", "B.3"], ["A.4", "B.4"]],
        "missing": [],
        "extra": [],
        "doubtful": [],
        "links": [],
        "leaks": [],
        "findings": [],
        "tester": {
            "kind": "virtual",
            "firmware": "0.2.0",
            "id": "E6614",
            "name": None,
            "fixture": "tester-128",
            "points": 24,
            "lane": "none",
            "self_check": "pass",
        },
        "sockets": {"A": "J1", "B": "J2"},
        "adapters": {"A": "generic", "B": "generic"},
        "timings_us": {"walk": 6700, "confirm": 12},
        "counts": {"transfers": 1200, "slips": 0},
        "certificate": None,
        "report": None,
        "documents": {},
    }


def test_a_bad_cable_s_facts_are_all_in_it() -> None:
    made = document(["A.1 B.1", "A.3 B.3 A.1 A.5", "A.4 B.4"], ["A.4 A.6"])
    assert "fail" == made["verdict"]
    assert [{"signal": "GND", "pieces": [["A.2"], ["B.2"]]}] == made["missing"]
    assert [
        {"pins": ["A.1", "A.3", "A.5", "B.1", "B.3"], "signals": ["GND", "CLOCK"]},
        {"pins": ["A.4", "A.6", "B.4"], "signals": []},
    ] == made["extra"]
    assert [["A.4", "A.6"]] == made["doubtful"]
    assert [["A.1", "A.3", "A.5", "B.1", "B.3"], ["A.4", "B.4"]] == made["nets"]
    assert ["open", "short", "intermittent"] == [finding["kind"] for finding in made["findings"]]
    assert all({"kind", "text", "pins", "remedy"} == set(finding) for finding in made["findings"])


@pytest.mark.parametrize(
    ("moment", "expected"),
    [
        (datetime(2026, 3, 1, 9, 30, tzinfo=UTC), "2026-03-01T09:30:00Z"),
        (datetime(2026, 3, 1, 9, 30, 59, 999_999, UTC), "2026-03-01T09:30:59Z"),
        (datetime(2026, 1, 1, 0, 30, tzinfo=timezone(timedelta(hours=1))), "2025-12-31T23:30:00Z"),
        # RFC 3339, section 5.8: these two are one moment
        (datetime(1996, 12, 19, 16, 39, 57, tzinfo=timezone(-timedelta(hours=8))), "1996-12-20T00:39:57Z"),
        (datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC), "1996-12-20T00:39:57Z"),
    ],
)
def test_moments_are_written_in_utc(moment: datetime, expected: str) -> None:
    assert expected == rfc3339(moment)


@pytest.mark.parametrize(
    ("pieces", "expected"),
    [
        ([], 0),
        (["A.1 B.1", "A.2 B.2"], 0),
        (["A.1 A.2"], 0),  # a jumper at one end
        (["A.4 B.1 B.6"], 0),  # one conductor and a jumper: a broken one isolates a pin
        (["T.1 S.1 R.1"], 0),  # a conductor to each of two ends
        (["A.1 A.2 B.1 B.2"], 2),
        (["A.1 A.2 A.3 B.1 B.2"], 2),
        (["A.1 A.2 B.1 B.2", "A.3 A.4 A.5 B.3 B.4 B.5", "A.6 B.6"], 5),
        (
            [" ".join(f"{end}.{n}" for end in "AB" for n in range(1, 10))],
            9,
        ),  # nine grounds, joined at both ends
        (["A.1 A.2 B.1 B.2 B.3 B.4 C.1 C.2"], 4),  # two from each ribbon to one plug
        (["A.1 B.1 B.2 C.1"], 0),
    ],
)
def test_conductors_beside_others_of_their_piece_are_counted_by_hand(
    pieces: list[str], expected: int
) -> None:
    assert expected == shared_conductors([[parse_pin(pin) for pin in piece.split()] for piece in pieces])


@pytest.mark.parametrize(
    ("groups", "expected"),
    [(GOOD, 0), ([*GOOD, "A.1 A.2"], 2), ([*GOOD, "A.1 A.2", "B.1 B.2"], 2), ([*GOOD, "A.1 A.3"], 2)],
)
def test_a_record_counts_conductors_as_they_were_found_joined(groups: list[str], expected: int) -> None:
    """Grounds that may be joined are not proven one by one if they are; the profile alone can't say."""
    assert expected == record(groups)["conductors_not_proven_singly"]


def record(groups: Sequence[str] = GOOD) -> dict[str, Any]:
    scan = scanned(PROFILE, groups, hello=HELLO)
    return record_document(SUBJECT, scan, document(groups), "X-0001", 2, "0.6.0")


def test_a_record_holds_the_scan_and_all_that_it_rests_on() -> None:
    made = record()
    assert ("pinwright/record-1", "certificate", "X-0001.test-2", 2) == (
        made["schema"],
        made["kind"],
        made["number"],
        made["test"],
    )
    assert PLACES == set(FIELDS | MORE) - set(made["scan"])
    assert "X-0001" == made["serial"] == made["scan"]["serial"]
    assert TEXT == made["profile_text"]
    assert "0.6.0" == made["host"]
    assert {"max_ohms": 5.0, "checked": False} == made["limits"]
    kept = {"seen", "joined", "doubtful", "apart", "unexplained", "group", "points", "marks"}
    assert kept == set(made["evidence"])
    assert [] == made["evidence"]["marks"]
    assert "report" == record(GOOD[1:])["kind"]
    seal(made)  # nothing in it that could not be sealed


def test_what_the_adapters_join_stands_in_the_record() -> None:
    scan = scanned(PROFILE, GOOD, hello=HELLO)
    marked = replace(scan, placement=replace(scan.placement, marks=((8, 9), (20, 22, 23))))
    made = record_document(SUBJECT, marked, document(), "X-0001", 1, "0.6.0")
    evidence: Any = made["evidence"]
    assert [["J1.9", "J1.10"], ["J2.9", "J2.11", "J2.12"]] == evidence["marks"]


def test_the_verdict_can_be_worked_out_again_from_the_record_alone() -> None:
    made = record([*GOOD[1:], "A.1 A.3"])
    kept = made["evidence"]
    pin_of = {int(point): parse_pin(text) for point, text in kept["points"].items()}
    joined = bytes.fromhex(kept["joined"])
    pairs = {
        frozenset({pin_of[one], pin_of[other]})
        for one, other in combinations(range(POINTS), 2)
        if joined[one * 3 + other // 8] >> other % 8 & 1
    }
    wires = ["A.1 A.3", "A.2 B.2", "A.3 B.3", "A.4 B.4"]
    assert {frozenset(map(parse_pin, wire.split())) for wire in wires} == pairs
