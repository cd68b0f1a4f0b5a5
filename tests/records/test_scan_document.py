"""The document of `scan --json`: the contract's fields with their types, nothing left to guess."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from itertools import combinations
from types import SimpleNamespace
from typing import Any

import pytest

from pinwright.cable.pins import parse_pin
from pinwright.cable.profile import Profile
from pinwright.records.document import seal
from pinwright.records.scan_document import (
    DECISION,
    METHOD,
    Subject,
    old_calibration,
    record_document,
    rfc3339,
    scan_document,
    shared_conductors,
)
from pinwright.tester.session import Hello
from pinwright.verdict.findings import explain

from .making import LANES, POINTS, facts_of, scanned

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


HELLO = Hello(3, "0.3.0", "E6614", "tester-128", POINTS, 2, "none", "rp2")
GOOD = ["A.1 B.1", "A.2 B.2", "A.3 B.3", "A.4 B.4"]


def document(
    groups: Sequence[str] = GOOD,
    doubtful: Sequence[str] = (),
    serial: str | None = None,
    *,
    lane: str = "none",
    **ohms: Any,
) -> dict[str, Any]:
    scan = scanned(PROFILE, groups, doubtful, replace(HELLO, lane=lane), **ohms)
    facts = facts_of(PROFILE, scan)
    made = scan_document(SUBJECT, scan, facts, explain(PROFILE, facts), serial)
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


@pytest.mark.parametrize("lane", LANES)
@pytest.mark.parametrize("groups", [GOOD, GOOD[1:], [*GOOD, "A.1 A.3"], []])
def test_the_fields_are_the_contract_s_with_its_types(groups: list[str], lane: str) -> None:
    made = document(groups, lane=lane, joints={"A.1": 12.0})
    assert lane == made["tester"]["lane"]
    types: dict[str, Any] = {
        "links": {
            "from": str,
            "to": list,
            "ohms": float,
            "uncertainty": float,
            "limit": float,
            "over_median": (float, type(None)),
            "ok": bool,
        },
        "leaks": {"pins": list, "ohms": int, "limit": float, "ok": bool},
    }
    for kind, members in types.items():
        assert lane != "none" or not made[kind]
        for one in made[kind]:
            assert all(isinstance(one[name], allowed) for name, allowed in members.items())
            assert set(members) == set(one)
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
            "firmware": "0.3.0",
            "id": "E6614",
            "name": None,
            "fixture": "tester-128",
            "points": 24,
            "lane": "none",
            "self_check": "pass",
            "calibrated": None,
            "celsius": None,
            "references_ohms": None,
            "long_check": None,
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


def test_links_and_leaks_that_were_measured_are_all_in_it() -> None:
    """A joint of 12 ohms, a leak of 41 kilohms between two nets, and one of 400 kilohms, which may be."""
    leaks = {"A.2": 41_000.0, "A.3": 41_000.0, "A.4": 400_000.0}
    made = document(lane="calibrated", joints={"A.1": 12.0}, leaks=leaks)
    assert "fail" == made["verdict"]
    assert [
        ("A.1", ["B.1"], False),
        ("A.2", ["B.2"], True),
        ("A.3", ["B.3"], True),
        ("A.4", ["B.4"], True),
    ] == [(link["from"], link["to"], link["ok"]) for link in made["links"]]
    assert [12.0, 0.2, 0.2, 0.2] == [pytest.approx(link["ohms"], abs=0.06) for link in made["links"]]
    assert [(["A.2", "B.2"], False), (["A.3", "B.3"], False), (["A.4", "B.4"], True)] == [
        (leak["pins"], leak["ok"]) for leak in made["leaks"]
    ]
    assert [41_000, 41_000, 400_000] == [pytest.approx(leak["ohms"], rel=0.02) for leak in made["leaks"]]
    assert {"leakage", "resistive"} == {finding["kind"] for finding in made["findings"]}


def test_what_the_tester_knows_of_itself_is_in_it() -> None:
    """Its processor is at 27 degrees when the sensor shows 0.706 V: RP2040 datasheet, section 4.9.5."""
    known = {key: document(lane=lane)["tester"] for key, lane in zip("ABC", LANES, strict=True)}
    check = {"made": "2026-01-31T09:00:00Z", "passed": True, "measured": True, "sockets": ["J1", "J2"]}
    assert [None, None, "2026-01-31T09:00:00Z"] == [tester["calibrated"] for tester in known.values()]
    assert [None, 27.0, 27.0] == [tester["celsius"] for tester in known.values()]
    assert [None, check, check] == [tester["long_check"] for tester in known.values()]
    assert known["A"]["references_ohms"] is None
    for key in "BC":
        assert known[key]["references_ohms"] == pytest.approx(10, abs=0.1)


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


def record(groups: Sequence[str] = GOOD, lane: str = "none") -> dict[str, Any]:
    scan = scanned(PROFILE, groups, hello=replace(HELLO, lane=lane))
    facts = facts_of(PROFILE, scan)
    return record_document(SUBJECT, scan, facts, document(groups, lane=lane), "X-0001", 2, "0.6.0")


@pytest.mark.parametrize(
    ("lane", "rule", "joints"),
    [
        ("none", None, "The resistance of joints was not measured: "),
        ("uncalibrated", "A link fails above 80 Ω ", "Joints were checked coarsely, "),
        ("calibrated", "A link fails if its ohms less the uncertainty ", "A joint was measured as it was "),
    ],
)
def test_a_record_says_by_which_rule_and_what_is_not_known_of_joints(
    lane: str, rule: str | None, joints: str
) -> None:
    made = record(lane=lane)
    assert (rule is not None) is made["limits"]["checked"] is ("lane" in made["evidence"])
    assert (DECISION == made["decision"]) is (rule is None)
    assert rule is None or made["decision"].startswith(f"{DECISION} {rule}")
    assert (METHOD == made["method"]) is (rule is None)
    assert [joints] == [text[: len(joints)] for text in made["not_measured"] if "oint" in text.split(":")[0]][
        :1
    ]
    last = "has had none." if lane == "none" else "passed its last on 2026-01-31T09:00:00Z."
    assert 1 == sum(text.endswith(f"this one {last}") for text in made["not_measured"])
    seal(made)


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
    no_length = {"max_ohms": 5.0, "by_hand": False, "checked": False, "expected_ohms": None}
    assert no_length == made["limits"]
    kept = {"seen", "joined", "doubtful", "apart", "unexplained", "group", "points", "marks"}
    assert kept == set(made["evidence"])
    assert [] == made["evidence"]["marks"]
    assert "report" == record(GOOD[1:])["kind"]
    assert not {"batch", "previous"} & made.keys()
    seal(made)  # nothing in it that could not be sealed


def test_what_the_adapters_join_stands_in_the_record() -> None:
    scan = scanned(PROFILE, GOOD, hello=HELLO)
    marked = replace(scan, placement=replace(scan.placement, marks=((8, 9), (20, 22, 23))))
    made = record_document(SUBJECT, marked, facts_of(PROFILE, scan), document(), "X-0001", 1, "0.6.0")
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


@pytest.mark.parametrize(("days", "told"), [(0, False), (365, False), (366, True), (3000, True)])
def test_a_calibration_of_more_than_a_year_ago_is_called_old(days: int, told: bool) -> None:
    made = datetime(2026, 3, 1, tzinfo=UTC)
    scan: Any = SimpleNamespace(readings=SimpleNamespace(calibration=SimpleNamespace(made=made)))
    subject: Any = SimpleNamespace(started=made + timedelta(days=days))
    assert told is ("2026-03-01" in old_calibration(subject, scan))


def test_no_calibration_is_not_an_old_one() -> None:
    subject: Any = SimpleNamespace(started=datetime(2026, 3, 1, tzinfo=UTC))
    for readings in (None, SimpleNamespace(calibration=None)):
        scan: Any = SimpleNamespace(readings=readings)
        assert "" == old_calibration(subject, scan)
