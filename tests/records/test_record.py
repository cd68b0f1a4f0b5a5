"""A record reads back to what it was made of, and is refused where it contradicts itself."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinwright.cable.pins import Pin
from pinwright.library import profile_of
from pinwright.records import record
from pinwright.records.document import NotGenuine
from pinwright.records.record import bytes_of, read_record
from pinwright.sheets.page import page_of
from pinwright.sheets.sheet import Sheet, sheet_of

from .making import (
    DELETED,
    FREE,
    GOOD,
    OPEN_AND_JOINED,
    SWAPPED,
    TEXT,
    a_record,
    changed,
    members,
    read,
    sealed,
)

PASS, FAIL = a_record(), a_record(OPEN_AND_JOINED, ["A.2 A.3"], operator="O. Perator")
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
    doc: Any = PASS
    for path in ("scan.adapters", "scan.tester.name", "scan.tester.fixture"):
        doc = changed(doc, path, DELETED)
    about = dict(sheet_of(read(doc)).about)
    assert ("A in J1, B in J2", "E6614, 24 points, firmware 0.2.0") == (about["Sockets"], about["Tester"])


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
    st.sampled_from([PASS, FAIL]).flatmap(
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
    for path in members(FAIL):
        if path[0] != "evidence" and len(path) < 5:
            for value in others:
                shown(changed(FAIL, path, value))


texts = st.text(st.characters(exclude_categories=["Cs"]) | st.sampled_from("\x1b\x07\u202e\u200b\n\0<&\"'"))


@settings(max_examples=25)
@given(texts, st.data())
def test_texts_of_every_kind_are_shown_and_made_harmless(text: str, data: st.DataObject) -> None:
    doc: Any = FAIL
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
)
def test_whatever_was_found_reads_back_and_can_be_shown(
    groups: list[list[str]], doubtful: list[list[str]]
) -> None:
    doc = a_record([*map(" ".join, groups)], [*map(" ".join, doubtful)])
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
