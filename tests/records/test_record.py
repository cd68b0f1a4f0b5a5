"""A record reads back to what it was made of, and is refused where it contradicts itself."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinwright.cable.pins import Pin
from pinwright.library import profile_of
from pinwright.records import record
from pinwright.records.batches import batch_member
from pinwright.records.document import NotGenuine
from pinwright.records.record import bytes_of, read_record
from pinwright.sheets.page import page_of
from pinwright.sheets.sheet import Sheet, sheet_of
from pinwright.tester.calibration import Calibration

from .making import (
    DELETED,
    FREE,
    GOOD,
    LANES,
    OPEN_AND_JOINED,
    POINTS,
    SWAPPED,
    TEXT,
    a_record,
    changed,
    members,
    of_an_earlier_version,
    read,
    sealed,
)

PASS, FAIL = a_record(), a_record(OPEN_AND_JOINED, ["A.2 A.3"], operator="O. Perator")
MEASURED = {lane: a_record(lane=lane) for lane in LANES[1:]}
CALIBRATED = MEASURED["calibrated"]
BAD = a_record(lane="calibrated", joints={"A.2": 12.0}, leaks={"A.3": 41_000.0})
MADE_BEFORE = {"number": "F-1.test-2", "sha256": "5" * 64}
AGAIN = a_record(test=3, batch=batch_member("five-2", "5" * 64, 4, 5, 41)) | {"previous": MADE_BEFORE}
INCOMPLETE = "it lacks what a record of a test holds, or holds it in another form"


def test_a_record_reads_back_to_what_it_was_made_of() -> None:
    made = read(PASS)
    assert (PASS["number"], True, False) == (made.number, made.passed, made.simulated)
    assert (profile_of(TEXT), ()) == (made.profile, made.findings)
    assert PASS["scan"] == made.scan
    assert made.sha256 in made.data.decode()
    assert [tuple(Pin(end, str(k)) for end in "AB") for k in range(1, 6)] == list(made.facts.nets)


def test_a_failed_cable_reads_back_to_its_facts_and_findings() -> None:
    made = read(FAIL)
    assert (False, ["A.2 A.3"]) == (made.passed, [" ".join(map(str, pair)) for pair in made.facts.doubtful])
    assert FAIL["scan"]["findings"] == [
        {
            "kind": finding.kind,
            "text": finding.text,
            "pins": list(map(str, finding.pins)),
            "remedy": finding.remedy,
        }
        for finding in made.findings
    ]
    assert {"A.1", "@J2.9"} < {str(pin) for finding in made.findings for pin in finding.pins}


def test_the_test_before_and_the_batch_are_read_back_and_stand_on_the_sheet() -> None:
    made = read(AGAIN)
    assert (MADE_BEFORE, {"id": "five-2", "sha256": "5" * 64, "item": 4, "count": 5, "seconds": 41}) == (
        made.doc["previous"],
        made.doc["batch"],
    )
    about = dict(sheet_of(made).about)
    assert f"F-1.test-2, SHA-256 {'5' * 64}" == about["Earlier test"]
    assert "five-2, cable 4 of 5" == about["Batch"]
    assert not {"Earlier test", "Batch"} & dict(sheet_of(read(PASS)).about).keys()
    assert read(AGAIN | {"previous": MADE_BEFORE | {"number": "f-1.test-1"}}).number == "F-1.test-3"


@pytest.mark.parametrize(
    ("member", "value"),
    [
        ("previous.number", "F-1.test-3"),
        ("previous.number", "F-1.test-4"),
        ("previous.number", "F-1.test-0"),
        ("previous.number", "F-1.test-02"),
        ("previous.number", "F-1.test-" + "1" * 5000),
        ("previous.number", "F-2.test-2"),
        ("previous.number", "F-1"),
        ("previous.number", ""),
        ("previous.sha256", "5" * 63),
        ("previous.sha256", "G" * 64),
        ("previous", None),
        ("batch.id", "five"),
        ("batch.id", "five-0"),
        ("batch.id", "../five-1"),
        ("batch.item", 0),
        ("batch.item", 6),
        ("batch.item", 1.5),
        ("batch.count", 3),
        ("batch.count", 10_001),
        ("batch.seconds", -1),
        ("batch.seconds", None),
        ("batch", []),
    ],
)
def test_an_earlier_test_or_a_batch_that_cannot_be_is_refused(member: str, value: object) -> None:
    with pytest.raises(NotGenuine, match=INCOMPLETE):
        read(changed(AGAIN, member, value))


def test_whether_a_cable_was_tested_is_read_back() -> None:
    assert read(a_record(platform="linux")).simulated


def test_a_profile_whose_file_begins_with_a_byte_order_mark_has_the_hash_of_that_file() -> None:
    sha256 = hashlib.sha256(b"\xef\xbb\xbf" + TEXT.encode()).hexdigest()
    assert "five" == read(changed(PASS, "scan.profile.sha256", sha256)).profile.id


def test_a_fail_that_was_rewritten_as_a_pass_everywhere_but_in_what_the_board_saw_is_refused() -> None:
    forged = {**PASS, "evidence": FAIL["evidence"]}
    with pytest.raises(NotGenuine, match="its nets do not follow from its evidence"):
        read(forged)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("evidence.joined", "00"),
        ("evidence.joined", "zz"),
        ("evidence.points", {"1000000000000": "A.1"}),
        ("evidence.points", {"-1": "A.1"}),
        ("evidence.points", {"1": "A"}),
        ("evidence.points", {}),
        ("scan.tester.points", 10**9),
        ("scan.tester.points", -8),
    ],
)
def test_evidence_that_is_none_is_refused(path: str, value: object) -> None:
    with pytest.raises(NotGenuine, match=INCOMPLETE):
        read(changed(PASS, path, value))


@pytest.mark.parametrize(
    "doc",
    [
        changed(FAIL, "scan.findings", []),
        changed(FAIL, "scan.findings", FAIL["scan"]["findings"][:2]),
        changed(PASS, "scan.findings", FAIL["scan"]["findings"]),
    ],
)
def test_findings_that_leave_a_fault_out_or_speak_of_a_good_cable_are_refused(doc: Any) -> None:
    with pytest.raises(NotGenuine, match="its findings are not about its facts"):
        read(doc)


def test_what_versions_before_0_2_0_did_not_write_may_be_missing() -> None:
    doc: Any = of_an_earlier_version(PASS)
    for path in ("scan.adapters", "scan.tester.name", "scan.tester.fixture"):
        doc = changed(doc, path, DELETED)
    about = dict(sheet_of(read(doc)).about)
    assert ("A in J1, B in J2", "E6614, 24 points, firmware 0.3.0") == (about["Sockets"], about["Tester"])


# Resistances


def test_a_record_of_a_version_that_knew_no_ohms_is_read_and_says_so() -> None:
    for doc in map(of_an_earlier_version, (PASS, FAIL, changed(PASS, "limits.max_ohms", 7.5))):
        made = read(doc)
        assert (doc["scan"]["verdict"] == "pass", None, None) == (
            made.passed,
            made.meter,
            made.facts.resistances,
        )
        about = dict(sheet_of(made).about)
        assert "no ohms lane" == about["Calibration"]
        assert not {"Long check", "Uncertainty", "Expected"} & set(about)
        assert about["Limits"].startswith("not checked, for this tester does not measure ohms: ")


def test_links_and_leaks_are_read_back_as_they_were_measured() -> None:
    """The ohms that the readings were made of, within the converter's steps: 0.06 ohms, 0.2 % of a leak."""
    made = read(BAD)
    assert not made.passed
    assert [("A.1", 0.2), ("A.2", 12.0), ("A.3", 0.2), ("A.4", 0.2), ("A.5", 0.2)] == [
        (str(link.start), pytest.approx(link.ohms, abs=0.06)) for link in made.facts.links
    ]
    assert ["A.2"] == [str(link.start) for link in made.facts.links if not link.ok]
    (leak,) = made.facts.leaks
    assert (("A.3", "B.3"), False) == (tuple(map(str, leak.pins)), leak.ok)
    assert leak.ohms == pytest.approx(41_000, rel=0.002)
    assert {"resistive", "leakage"} == {finding.kind for finding in made.findings}


@pytest.mark.parametrize(("lane", "passed"), [("none", True), ("uncalibrated", True), ("calibrated", False)])
def test_a_joint_of_twelve_ohms_is_found_by_a_calibrated_tester_alone(lane: str, passed: bool) -> None:
    made = read(a_record(lane=lane, joints={"A.2": 12.0}))
    assert passed is made.passed
    assert (lane != "none") is (made.facts.resistances is not None)


def test_a_limit_given_by_hand_counts_for_every_link_and_is_read_back() -> None:
    own = TEXT + '[ends.A.signals]\n1 = "VLAMP"\n[limits.VLAMP]\nmax_ohms = 1.0\n'
    four = {"joints": {f"A.{k}": 12.0 for k in range(1, 6)}, "lane": "calibrated", "text": own}
    assert not read(a_record(**four)).passed
    made = read(a_record(**four, max_ohms=20.0))
    assert made.passed
    assert {20.0} == {link.limit for link in made.facts.links}


def reading(doc: Mapping[str, Any], table: str, point: int, by: int) -> dict[str, Any]:
    """The same record, one reading of a table changed."""
    text = doc["evidence"]["lane"][table]
    value = int(text[4 * point : 4 * point + 4], 16) + by
    return changed(doc, f"evidence.lane.{table}", f"{text[: 4 * point]}{value:04x}{text[4 * point + 4 :]}")


@pytest.mark.parametrize("lane", LANES[1:])
@pytest.mark.parametrize("by", [-1, 1, 40, 4000])
def test_a_reading_of_a_link_that_was_changed_is_found(lane: str, by: int) -> None:
    """Points 0 to 4 are those of end A, 12 to 16 those of end B."""
    for point in (0, 4, 12, 16):
        with pytest.raises(NotGenuine):
            read(reading(MEASURED[lane], "high", point, by))


def test_a_reading_of_a_leak_that_was_changed_is_found() -> None:
    """One that says less than a leak of 1 MΩ is in no list of leaks; beyond that is nothing to tell."""
    for doc, point, by in ((CALIBRATED, 0, 40), (CALIBRATED, 4, 4000), (BAD, 2, 1), (BAD, 2, -400)):
        with pytest.raises(NotGenuine, match=r"its (verdict|facts|readings)"):
            read(reading(doc, "leak", point, by))


@pytest.mark.parametrize("table", ["high", "leak"])
def test_a_reading_that_nobody_asked_for_and_one_that_is_missing_are_found(table: str) -> None:
    told = CALIBRATED["evidence"]["lane"][table]
    for point in range(POINTS):
        value = int(told[4 * point : 4 * point + 4], 16)
        with pytest.raises(
            NotGenuine, match="its readings of resistance are not those that its nets ask for"
        ):
            read(reading(CALIBRATED, table, point, -value or 20_000))


LANE_FALSE = "its readings of resistance cannot be trusted: "
OWN = "what its tester says of itself does not follow from its readings"


@pytest.mark.parametrize("doc", MEASURED.values(), ids=MEASURED)
@pytest.mark.parametrize(
    ("path", "change", "reason"),
    [
        (
            ("before", "zero"),
            200,
            LANE_FALSE + "the tester's converter reads 50 steps where no current flows",
        ),
        (("after", "zero"), -200, LANE_FALSE + "the tester's converter reads -50 steps"),
        (("before", "zero"), 40, ""),
        (("before", "supply"), 3000, LANE_FALSE + "the tester's converter reads its supply as"),
        (("after", "supply"), 40, ""),
        (("before", "sensor"), 40, OWN),
        (("after", "sensor"), -40, OWN),
        (("before", "references", 0), 400, LANE_FALSE + "the tester's references changed during the scan"),
        (("after", "references", 3), -40, ""),
        (("before", "references", 1), 40_000, LANE_FALSE + "the path through one of the tester's references"),
    ],
)
def test_the_testers_own_readings_cannot_be_changed(
    doc: Mapping[str, Any], path: tuple[Any, ...], change: int, reason: str
) -> None:
    where = ("evidence", "lane", *path)
    value: Any = doc
    for key in where:
        value = value[key]
    with pytest.raises(NotGenuine) as refused:
        read(changed(doc, where, value + change))
    assert refused.value.reason.startswith(reason)


@pytest.mark.parametrize("doc", MEASURED.values(), ids=MEASURED)
def test_any_member_of_the_lane_that_is_gone_or_something_else_is_found(doc: Mapping[str, Any]) -> None:
    where = [path for path in members(doc) if path[:2] == ("evidence", "lane")]
    assert 16 <= len(where)
    for path in where:
        for value in (DELETED, None, [], {}, True, "zz", "", 0, 65_535, 0.5):
            if path[-1] == "calibration" and value is None and doc is not CALIBRATED:
                continue  # it has none
            if path[-1] == "near" and value in (DELETED, ""):
                continue  # nothing was asked
            with pytest.raises(NotGenuine):
                read(changed(doc, path, value))


# A net of six pins, two of which are equally far from the rest: they are asked of each other.
ONE_NET = """\
[cable]
id = "one"
[ends.A]
connector = "row-5"
[ends.B]
connector = "row-5"
[wiring]
wires = [["A.1", "A.2", "A.3", "B.1", "B.2", "B.3"]]
"""
ASKED = a_record(
    ["A.1 A.2 A.3 B.1 B.2 B.3"], text=ONE_NET, lane="calibrated", joints={"A.3": 12.0, "B.3": 12.0}
)


def near(change: Callable[[str], str]) -> dict[str, Any]:
    return changed(ASKED, "evidence.lane.near", change(ASKED["evidence"]["lane"]["near"]))


def test_a_record_keeps_what_was_asked_and_asks_the_same_again() -> None:
    assert {"A.3", "B.3"} == {str(link.start) for link in read(ASKED).facts.links if not link.ok}
    told = ASKED["evidence"]["lane"]["near"]
    assert told
    assert 0 == len(told) % 12


def test_a_record_of_a_version_that_asked_nothing_is_read() -> None:
    """Nor does its verdict change: what fails hangs on nothing well."""
    for doc in (ASKED, CALIBRATED, BAD):
        old = changed(doc, "evidence.lane.near", DELETED)
        assert read(doc).facts == read(old).facts


@pytest.mark.parametrize(
    "change",
    [
        lambda told: told[:-12],
        lambda told: told + told[-12:],
        lambda told: told[4:8] + told[:4] + told[8:],
        lambda told: told[:-4] + "0000",
        lambda told: "0001" + told[4:],
        lambda told: "",
    ],
    ids=["one less", "one more", "turned", "not read", "of another point", "none"],
)
def test_answers_that_nobody_asked_for_and_those_that_are_missing_are_found(
    change: Callable[[str], str],
) -> None:
    with pytest.raises(NotGenuine, match="other resistances were measured than its readings ask for"):
        read(near(change))


@pytest.mark.parametrize(
    "change", [lambda told: told[:-2], lambda told: told[:-4], lambda told: told.upper()]
)
def test_answers_in_another_form_are_found(change: Callable[[str], str]) -> None:
    with pytest.raises(NotGenuine, match="it lacks what a record of a test holds"):
        read(near(change))


def calibration(doc: Mapping[str, Any], change: Callable[[Calibration], Calibration]) -> dict[str, Any]:
    """The same record with another calibration, its own checksum and all."""
    known = Calibration.from_bytes(doc["evidence"]["lane"]["calibration"].encode())
    return changed(doc, "evidence.lane.calibration", change(known).to_bytes().decode())


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda known: replace(known, made=known.made.replace(day=1)), OWN),
        (
            lambda known: replace(known, celsius=60.0),
            LANE_FALSE + "the tester is at 27 °C and was calibrated",
        ),
        (lambda known: replace(known, references=()), LANE_FALSE + "the calibration on the tester is one of"),
        (lambda known: replace(known, references=(1400.0, *known.references[1:])), LANE_FALSE),
        (lambda known: replace(known, high_ohms=(None, *known.high_ohms[1:])), LANE_FALSE),
        (lambda known: replace(known, high_ohms=(771.0, *known.high_ohms[1:])), "its "),
        (lambda known: replace(known, low_ohms=(*known.low_ohms[:12], 700.0, *known.low_ohms[13:])), "its "),
        (lambda known: replace(known, high_ohms=(), low_ohms=(), empty=()), INCOMPLETE),
        (
            lambda known: replace(
                known,
                high_ohms=(*known.high_ohms, 780.0),
                low_ohms=(*known.low_ohms, 720.0),
                empty=(*known.empty, 0),
            ),
            INCOMPLETE,
        ),
    ],
)
def test_a_calibration_that_does_not_fit_is_refused(
    change: Callable[[Calibration], Calibration], reason: str
) -> None:
    assert read(calibration(CALIBRATED, lambda known: known)).passed
    with pytest.raises(NotGenuine) as refused:
        read(calibration(CALIBRATED, change))
    assert refused.value.reason.startswith(reason)


def test_a_calibration_with_a_wrong_checksum_is_refused() -> None:
    text = CALIBRATED["evidence"]["lane"]["calibration"]
    for damaged in (text[:-1], text.replace("27.0", "26.0"), "", "\n"):
        with pytest.raises(NotGenuine, match=INCOMPLETE):
            read(changed(CALIBRATED, "evidence.lane.calibration", damaged))


def test_a_bad_joint_that_was_rewritten_as_a_pass_everywhere_but_in_its_readings_is_refused() -> None:
    forged = {**CALIBRATED, "evidence": BAD["evidence"]}
    with pytest.raises(NotGenuine, match="its verdict does not follow from its nets"):
        read(forged)


def test_a_bad_joint_cannot_be_made_good_by_taking_its_readings_or_its_calibration_out() -> None:
    doc = changed(BAD, "evidence.lane", DELETED)
    with pytest.raises(NotGenuine):
        read(doc)
    for path, value in (
        ("scan.links", []),
        ("scan.leaks", []),
        ("scan.findings", []),
        ("scan.verdict", "pass"),
        ("kind", "certificate"),
    ):
        doc = changed(doc, path, value)
    with pytest.raises(NotGenuine, match="whether its limits were checked does not fit its readings"):
        read(doc)
    with pytest.raises(NotGenuine, match="whether its tester measures ohms does not fit its readings"):
        read(changed(doc, "limits.checked", False))
    with pytest.raises(NotGenuine):
        read(changed(CALIBRATED, "evidence.lane.calibration", None))


@pytest.mark.parametrize(
    ("doc", "path", "value", "reason"),
    [
        (CALIBRATED, ("scan", "links", 0, "ohms"), 0.9, "its facts do not follow from its nets"),
        (CALIBRATED, ("scan", "links", 0, "uncertainty"), 1.0, "its facts do not follow from its nets"),
        (CALIBRATED, ("scan", "links", 0, "limit"), 9.0, "its facts do not follow from its nets"),
        (CALIBRATED, ("scan", "links"), [], "its facts do not follow from its nets"),
        (BAD, ("scan", "links", 1, "ok"), True, "its facts do not follow from its nets"),
        (BAD, ("scan", "leaks"), [], "its facts do not follow from its nets"),
        (BAD, ("scan", "leaks", 0, "ohms"), 141_000, "its facts do not follow from its nets"),
        (PASS, "scan.links", CALIBRATED["scan"]["links"], "its facts do not follow from its nets"),
        (CALIBRATED, "limits.max_ohms", 7.0, "its limits are not those that count"),
        (CALIBRATED, "limits.expected_ohms", 0.1, "its limits are not those that count"),
        (CALIBRATED, "limits.by_hand", DELETED, INCOMPLETE),
        (PASS, "limits.max_ohms", 7.0, "its limits are not those that count"),
        (PASS, "limits.by_hand", None, INCOMPLETE),
        (CALIBRATED, "limits.checked", False, "whether its limits were checked does not fit its readings"),
        (PASS, "limits.checked", True, "whether its limits were checked does not fit its readings"),
        (CALIBRATED, "scan.tester.lane", "uncalibrated", "whether its tester measures ohms does not fit"),
        (PASS, "scan.tester.lane", "calibrated", "whether its tester measures ohms does not fit"),
        (CALIBRATED, "scan.tester.calibrated", "2026-02-28T09:00:00Z", OWN),
        (CALIBRATED, "scan.tester.calibrated", DELETED, INCOMPLETE),
        (CALIBRATED, "scan.tester.celsius", 20.0, OWN),
        (CALIBRATED, "scan.tester.references_ohms", 10.5, OWN),
        (PASS, "scan.tester.celsius", 20.0, OWN),
        (CALIBRATED, "scan.tester.long_check.passed", False, INCOMPLETE),
        (CALIBRATED, "scan.tester.long_check.made", "yesterday", INCOMPLETE),
        (CALIBRATED, "scan.tester.long_check.sockets", "J1", INCOMPLETE),
        (CALIBRATED, "scan.tester.long_check.measured", 1, INCOMPLETE),
        (CALIBRATED, "scan.tester.long_check.sockets", DELETED, INCOMPLETE),
        (CALIBRATED, "scan.tester.long_check", [], INCOMPLETE),
        (BAD, "scan.findings", BAD["scan"]["findings"][:1], "its findings are not about its facts"),
    ],
)
def test_a_record_that_contradicts_its_readings_is_refused_however_well_it_is_sealed(
    doc: Mapping[str, Any], path: Any, value: object, reason: str
) -> None:
    with pytest.raises(NotGenuine) as refused:
        read(changed(doc, path, value))
    assert refused.value.reason.startswith(reason)


def test_every_byte_of_a_record_with_readings_that_is_flipped_is_found() -> None:
    data = sealed(BAD)
    for place in range(len(data)):
        flipped = bytearray(data)
        flipped[place] ^= 1 << place % 8
        with pytest.raises(NotGenuine):
            read_record(bytes(flipped), profile_of)


@pytest.mark.parametrize(
    ("doc", "path", "value", "reason"),
    [
        (PASS, "scan.verdict", "fail", "its verdict does not follow from its nets"),
        (FAIL, "scan.verdict", "pass", "its verdict does not follow from its nets"),
        (PASS, "kind", "report", "its kind does not follow from its nets"),
        (FAIL, "kind", "certificate", "its kind does not follow from its nets"),
        (PASS, "scan.nets", PASS["scan"]["nets"][1:], "its verdict does not follow from its nets"),
        (FAIL, "scan.missing", [], "its facts do not follow from its nets"),
        (FAIL, "scan.extra", [], "its facts do not follow from its nets"),
        (FAIL, "scan.doubtful", [], "its facts do not follow from its nets"),
        (FAIL, "scan.nets", FAIL["scan"]["nets"][::-1], "its facts do not follow from its nets"),
        (PASS, "number", "F-1.test-2", "its number is not that of its serial and test"),
        (PASS, "test", 2, "its number is not that of its serial and test"),
        (PASS, "serial", "F-2", "its number is not that of its serial and test"),
        (PASS, "scan.serial", "F-2", "the serial of its scan is another"),
        (PASS, "scan.serial", None, "the serial of its scan is another"),
        (PASS, "scan.profile.id", "six", "its profile is another than the one tested against"),
        (PASS, "scan.profile.title", "Six conductors", "its profile is another than the one tested against"),
        (PASS, "scan.profile.revision", "A", "its profile is another than the one tested against"),
        (PASS, "scan.profile.sha256", "0" * 64, "its profile has not the SHA-256 that it gives"),
        (PASS, "profile_text", TEXT + "# more\n", "its profile has not the SHA-256 that it gives"),
        (
            PASS,
            "profile_text",
            TEXT.replace("straight", "strait"),
            "the profile in it is refused: must be one of `straight`",
        ),
        (PASS, "profile_text", "[", "the profile in it is refused: is not TOML"),
        (PASS, "profile_text", "", "the profile in it is refused: "),
        (PASS, "schema", "pinwright/record-2", "it is no record that this version reads"),
        (PASS, "schema", None, "it is no record that this version reads"),
        (PASS, "scan.schema", "pinwright/scan-9", "it is no record that this version reads"),
        (PASS, "schema", DELETED, INCOMPLETE),
        (PASS, "scan", None, INCOMPLETE),
        (PASS, "scan", [], INCOMPLETE),
        (PASS, "scan.nets", [["A.1", "Q.1"]], INCOMPLETE),
        (PASS, "scan.nets", [["A.1", "A.6"]], INCOMPLETE),
        (PASS, "scan.nets", [["A.1", "@<b>.1"]], INCOMPLETE),
        (PASS, "scan.nets", [[]], INCOMPLETE),
        (PASS, "scan.nets", [["A.²", "B.1"]], INCOMPLETE),
        (PASS, "scan.doubtful", [["A.1"]], INCOMPLETE),
        (PASS, "scan.doubtful", [["A.1", "A.2", "A.3"]], INCOMPLETE),
        (PASS, "scan.operator", 7, INCOMPLETE),
        (PASS, "scan.operator", ["O. Perator"], INCOMPLETE),
        (PASS, "scan.sockets", ["J1", "J2"], INCOMPLETE),
        (PASS, "scan.sockets.A", None, INCOMPLETE),
        (PASS, "scan.adapters", "none", INCOMPLETE),
        (PASS, "scan.adapters.A", {}, INCOMPLETE),
        (PASS, "scan.tester", {}, INCOMPLETE),
        (PASS, "scan.tester.kind", "Virtual", INCOMPLETE),
        (PASS, "scan.tester.name", ["x"], INCOMPLETE),
        (PASS, "scan.tester.points", "24", INCOMPLETE),
        (PASS, "scan.tester.points", True, INCOMPLETE),
        (PASS, "scan.elapsed_ms", "840", INCOMPLETE),
        (PASS, "scan.elapsed_ms", -1, INCOMPLETE),
        (PASS, "scan.elapsed_ms", 1e300, INCOMPLETE),
        (PASS, "scan.started", "2026-03-01", INCOMPLETE),
        (PASS, "scan.started", "2026-02-30T09:30:00Z", INCOMPLETE),
        (PASS, "scan.started", "2026-3-1T9:30:0Z", INCOMPLETE),
        (PASS, "scan.started", "2026-03-01T09:30:00+01:00", INCOMPLETE),
        (PASS, "scan.started", "٢٠٢٦-03-01T09:30:00Z", INCOMPLETE),
        (PASS, "scan.started", "0000-00-00T00:00:00Z", INCOMPLETE),
        (FAIL, ("scan", "findings", 0, "pins"), ["Q.1"], INCOMPLETE),
        (FAIL, ("scan", "findings", 0, "pins"), "A.1", INCOMPLETE),
        (FAIL, ("scan", "findings", 0, "kind"), "\x1b[31mopen", INCOMPLETE),
        (FAIL, ("scan", "findings", 0, "text"), None, INCOMPLETE),
        (PASS, "test", 0, INCOMPLETE),
        (PASS, "test", "1", INCOMPLETE),
        (PASS, "test", 1.5, INCOMPLETE),
        (PASS, "serial", "../x", INCOMPLETE),
        (PASS, "serial", "x" * 65, INCOMPLETE),
        (PASS, "serial", "nul", INCOMPLETE),
        (PASS, "limits.max_ohms", None, INCOMPLETE),
        (PASS, "limits.checked", 0, INCOMPLETE),
        (PASS, "not_measured", "nothing", INCOMPLETE),
        (PASS, "not_measured", [1], INCOMPLETE),
        (PASS, "host", None, INCOMPLETE),
        (PASS, "decision", DELETED, INCOMPLETE),
    ],
)
def test_a_record_that_contradicts_itself_is_refused_however_well_it_is_sealed(
    doc: Mapping[str, Any], path: Any, value: object, reason: str
) -> None:
    with pytest.raises(NotGenuine) as refused:
        read(changed(doc, path, value))
    assert refused.value.reason.startswith(reason)


def test_a_profile_that_is_another_but_well_sealed_does_not_fit_the_facts() -> None:
    """Five conductors straight, under the profile of a crossed lead, hash and all."""
    crossed = TEXT.replace(
        'rule = "straight"', 'wires = [["A.1", "B.2"], ["A.2", "B.1"], ["A.3", "B.3"], ["A.4", "B.4"]]'
    )
    doc = changed(PASS, "profile_text", crossed)
    doc = changed(doc, "scan.profile.sha256", hashlib.sha256(crossed.encode()).hexdigest())
    with pytest.raises(NotGenuine, match="its verdict does not follow from its nets"):
        read(doc)


def test_bytes_that_are_no_record_at_all_are_refused() -> None:
    for data in (b"", b"{}", b"null", sealed({}), sealed({"schema": "pinwright/record-1"})):
        with pytest.raises(NotGenuine):
            read_record(data, profile_of)


# Whatever is accepted can be shown

json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text(st.characters(exclude_categories=["Cs"])), inner, max_size=3)
    ),
    max_leaves=6,
)


def shown(doc: Mapping[str, Any]) -> Sheet | None:
    """The sheet, if the record is accepted."""
    try:
        made = read(doc)
    except NotGenuine:
        return None
    return sheet_of(made)


@given(
    st.sampled_from([PASS, FAIL, BAD, AGAIN]).flatmap(
        lambda doc: st.tuples(st.just(doc), st.sampled_from([*members(doc)]))
    ),
    st.just(DELETED) | json_values,
)
def test_any_member_deleted_or_replaced_gives_a_record_that_can_be_shown_or_a_sentence(
    where: tuple[dict[str, Any], tuple[Any, ...]], value: object
) -> None:
    shown(changed(*where, value))


def test_every_member_deleted_or_of_another_type_gives_a_record_that_can_be_shown_or_a_sentence() -> None:
    others: tuple[object, ...] = (DELETED, None, ["\x1b[31m"])
    for doc in (FAIL, BAD, AGAIN):
        for path in members(doc):
            if path[0] != "evidence" and len(path) < 5:
                for value in others:
                    shown(changed(doc, path, value))


texts = st.text(st.characters(exclude_categories=["Cs"]) | st.sampled_from("\x1b\x07\u202e\u200b\n\0<&\"'"))


@settings(max_examples=25)
@given(texts, st.data())
def test_texts_of_every_kind_are_shown_and_made_harmless(text: str, data: st.DataObject) -> None:
    doc: Any = data.draw(st.sampled_from([FAIL, BAD]))
    for path in FREE:
        if data.draw(st.booleans()):
            doc = changed(doc, path, text)
    sheet = shown(doc)
    assert sheet is not None
    assert page_of(sheet, sealed(doc))
    told = [word for pair in (*sheet.about, *sheet.findings) for word in pair]
    told += [word for _, words in sheet.sections for word in words] + [sheet.number, sheet.summary]
    assert all(word.isprintable() for word in told)


PINS = [f"{end}.{k}" for end in "AB" for k in range(1, 6)] + [f"@J{n}.{k}" for n in (1, 2) for k in (6, 12)]


@settings(max_examples=25)
@given(
    st.lists(st.lists(st.sampled_from(PINS), min_size=2, max_size=5, unique=True), max_size=6),
    st.lists(st.lists(st.sampled_from(PINS), min_size=2, max_size=2, unique=True), max_size=4),
    st.sampled_from(LANES),
    st.dictionaries(st.sampled_from(PINS[:10]), st.sampled_from([0.0, 3.0, 12.0, 900.0])),
    st.dictionaries(st.sampled_from(PINS[:10]), st.sampled_from([20.0, 4_000.0, 80_000.0, 400_000.0])),
)
def test_whatever_was_found_reads_back_and_can_be_shown(
    groups: list[list[str]],
    doubtful: list[list[str]],
    lane: str,
    joints: dict[str, float],
    leaks: dict[str, float],
) -> None:
    found = [*map(" ".join, groups)], [*map(" ".join, doubtful)]
    doc = a_record(*found, lane=lane, joints=joints, leaks=leaks)
    sheet = shown(doc)
    assert sheet is not None
    assert {"pass": "PASS", "fail": "FAIL"}[doc["scan"]["verdict"]] == sheet.verdict


@settings(max_examples=25)
@given(
    st.lists(
        st.tuples(st.sampled_from(["open", "short", "of-a-later-version"]), st.lists(st.sampled_from(PINS)))
    )
)
def test_findings_that_say_more_than_the_facts_can_be_shown_but_none_of_a_good_cable(
    told: list[tuple[str, list[str]]],
) -> None:
    findings = [{"kind": kind, "text": "x", "pins": pins, "remedy": "y"} for kind, pins in told]
    bad = a_record(SWAPPED)
    assert shown(changed(bad, "scan.findings", [*findings, *bad["scan"]["findings"]])) is not None
    assert (shown(changed(PASS, "scan.findings", findings)) is None) is bool(findings)


# Files


def test_a_file_is_read_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"\0\r\n")
    assert b"\0\r\n" == bytes_of(tmp_path / "x")


def test_a_file_that_is_too_large_is_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(record, "MOST_BYTES", 10)
    (tmp_path / "x").write_bytes(bytes(10))
    assert bytes(10) == bytes_of(tmp_path / "x")
    (tmp_path / "x").write_bytes(bytes(11))
    with pytest.raises(OSError, match="it is larger than 10 bytes, which no record or page is"):
        bytes_of(tmp_path / "x")


def test_the_largest_profile_fits_into_a_record_of_the_largest_size() -> None:
    """A megabyte of it, each character of which JSON escapes and an HTML page writes in six bytes."""
    text = TEXT + "#" + "<" * (1_000_000 - len(TEXT) - 1)
    made = read(a_record(GOOD, text=text))
    assert len(page_of(sheet_of(made), made.data)) < record.MOST_BYTES
