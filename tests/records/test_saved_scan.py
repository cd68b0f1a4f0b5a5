"""A printed scan is read back as it was, and what contradicts itself in it is refused."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest

from pinwright.library import profile_of
from pinwright.records.document import NotGenuine
from pinwright.records.saved_scan import (
    SavedScan,
    as_told,
    document_in,
    from_print,
    from_record,
    named_profile,
)
from pinwright.records.scan_document import facts_members
from pinwright.verdict.findings import explain

from .making import DELETED, GOOD, LANES, OPEN_AND_JOINED, SWAPPED, TEXT, a_record, changed, members, sealed

LIMITS = '[ends.A.signals]\n2 = "LAMP"\n[ends.B.signals]\n2 = "LAMP"\n[limits.LAMP]\nmax_ohms = 9.0\n'
COMMON = (
    '[ends.A.signals]\n1 = "GND"\n2 = "GND"\n[ends.B.signals]\n1 = "GND"\n2 = "GND"\n'
    '[common.GND]\njoined = "required"\n'
)
FACTS = ("nets", "missing", "extra", "doubtful", "links", "leaks")
BAD = {"joints": {"A.4": 12.0}, "leaks": {"A.5": 41_000.0}}
CABLES: dict[str, dict[str, Any]] = {
    "good": {},
    "swapped": {"groups": SWAPPED},
    "open and joined": {"groups": OPEN_AND_JOINED},
    "nothing": {"groups": ()},
    "unsteady": {"groups": GOOD[1:], "doubtful": ("A.1 B.1", "A.2 B.3")},
    "bad joint and leak": BAD,
    "with a limit by hand": {"max_ohms": 20.0, **BAD},
    "with a low limit by hand": {"max_ohms": 0.04},
    "with a high limit by hand": {"max_ohms": 300.0, "joints": {"A.4": 299.0, "A.3": 350.0}},
    "with a limit of its own": {"text": TEXT + LIMITS, "joints": {"A.2": 8.0, "A.3": 12.0}},
    "with a common": {
        "text": TEXT + COMMON,
        "groups": ("A.1 A.2 B.1 B.2", *GOOD[2:]),
        "joints": {"B.2": 90.0},
    },
    "with a broken common": {"text": TEXT + COMMON},
}


def printed(lane: str = "calibrated", **of: Any) -> tuple[dict[str, Any], str]:
    """What `scan --json` prints of a cable, as other programs read it, and its profile's text."""
    record = a_record(lane=lane, **of)
    scan: dict[str, Any] = json.loads(json.dumps(record["scan"]))
    return scan, record["profile_text"]


def read(doc: Any, text: str = TEXT) -> SavedScan:
    return from_print(document_in(json.dumps(doc).encode()), profile_of(text))


def reason(doc: Any, text: str = TEXT) -> str:
    with pytest.raises(NotGenuine) as caught:
        read(doc, text)
    return caught.value.reason


@pytest.mark.parametrize("lane", LANES)
@pytest.mark.parametrize("of", CABLES.values(), ids=CABLES)
def test_a_printed_scan_has_the_facts_that_were_printed(of: dict[str, Any], lane: str) -> None:
    doc, text = printed(lane, **of)
    saved = read(doc, text)
    assert {name: doc[name] for name in FACTS} == json.loads(json.dumps(facts_members(saved.facts)))
    assert ("pass" if saved.facts.passed else "fail") == doc["verdict"]
    told = as_told(explain(saved.profile, saved.facts), saved)
    assert doc["findings"] == [
        {"kind": one.kind, "text": one.text, "pins": list(map(str, one.pins)), "remedy": one.remedy}
        for one in told
    ]


def test_the_cables_above_pass_and_fail() -> None:
    verdicts = {name: printed(**of)[0]["verdict"] for name, of in CABLES.items()}
    assert ["good", "with a low limit by hand"] == [name for name, one in verdicts.items() if one == "pass"]


def test_a_limit_by_hand_is_that_of_the_profile_read_back() -> None:
    for by_hand in (0.5, 20.0, 300.0):
        doc, text = printed(max_ohms=by_hand, joints={"A.4": 12.0})
        assert by_hand == read(doc, text).profile.max_ohms
    assert 9.0 == read(*printed(text=TEXT + LIMITS)).profile.limits["LAMP"].max_ohms


def test_a_record_is_read_as_it_was_and_written_anew() -> None:
    doc = a_record(SWAPPED, lane="calibrated", **BAD)
    for data in (sealed(doc), json.dumps(json.loads(sealed(doc)), indent=2).encode("utf-16")):
        saved = from_record(document_in(data), profile_of)
        assert ("F-1.test-1", "F-1", True) == (saved.record, saved.serial, bool(saved.evidence))
        assert doc["scan"]["nets"] == facts_members(saved.facts)["nets"]


def test_a_record_that_was_changed_is_refused() -> None:
    doc = document_in(sealed(a_record(SWAPPED)))
    for path, value in (("serial", "F-2"), ("scan.verdict", "pass"), ("test", 2**60)):
        with pytest.raises(NotGenuine):
            from_record(changed(doc, path, value), profile_of)


CONTRADICTIONS: tuple[tuple[str, Any, Any, str], ...] = (
    ("good", "verdict", "fail", "its verdict does not follow from its facts"),
    ("swapped", "verdict", "pass", "its verdict does not follow from its facts"),
    ("swapped", "missing", [], "its member `missing` does not follow from its nets"),
    ("swapped", "extra", [], "its member `extra` does not follow from its nets"),
    ("good", "nets", [["A.1", "B.1"]], "its member `missing` does not follow from its nets"),
    ("good", ("nets", 0), ["B.1", "A.1"], "its member `nets` does not follow from its nets"),
    ("good", ("nets", 0), ["A.1", "A.1", "B.1"], "its member `nets` does not follow from its nets"),
    ("good", ("nets", 1, 0), "A.1", "its member `nets` does not follow from its nets"),
    ("good", ("nets", 0), ["A.1"], "its member `nets` does not follow from its nets"),
    ("good", ("nets", 0), [], "it lacks what a saved scan holds, or holds it in another form"),
    ("unsteady", "doubtful", [], "its member `extra` does not follow from its nets"),
    ("unsteady", ("doubtful", 0), ["B.1", "A.1"], "its member `doubtful` does not follow from its nets"),
    ("good", "findings", [{"kind": "open", "text": "x", "pins": ["A.1"], "remedy": "y"}], "its findings"),
    ("swapped", "findings", [], "its findings are not about its facts"),
    ("good", "tester.lane", "none", "its tester does not measure ohms, and yet it has some"),
    ("good", "tester.points", 9, "it has more pins than its tester has points"),
    ("good", "links", [], "its links are not those of its nets"),
    ("good", ("links", 0), DELETED, "its links are not those of its nets"),
    ("good", ("links", 0, "to"), ["B.2"], "its links are not those of its nets"),
    ("good", ("links", 0, "limit"), 6.0, "the limits of its links are not those of its profile"),
    ("good", ("links", 0, "ohms"), 50.0, "whether the link at A.1 is good does not follow"),
    ("good", ("links", 0, "ok"), False, "whether the link at A.1 is good does not follow"),
    ("bad joint and leak", ("links", 3, "ok"), True, "whether the link at A.4 is good does not follow"),
    ("good", ("links", 0, "over_median"), 3.02, "whether the link at A.1 is good does not follow"),
    ("good", ("links", 0, "over_median"), None, "the link at A.1 is held against the median, or not"),
    ("bad joint and leak", ("leaks", 0, "ok"), True, "whether the leak at A.5 is good does not follow"),
    ("bad joint and leak", ("leaks", 0, "ohms"), 200_000, "whether the leak at A.5 is good does not"),
    ("bad joint and leak", ("leaks", 0, "ohms"), 2_000_000, "the limit of the leak at A.5 is not"),
    ("bad joint and leak", ("leaks", 0, "limit"), 10, "the limit of the leak at A.5 is not"),
    ("bad joint and leak", ("leaks", 0, "pins"), ["A.5", "B.4"], "a leak of it is not that of a net"),
    ("bad joint and leak", ("leaks", 0, "pins"), ["@J1.9"], "a leak of it is not that of a net"),
    ("bad joint and leak", ("leaks", 0, "pins"), ["A.5", "A.5"], "its leaks are not in order, or one"),
    ("bad joint and leak", "leaks", [], "its verdict does not follow from its facts"),
    ("good", ("nets", 0, 0), "A.99", "it names a pin that its profile does not have: `A.99`"),
    ("good", ("nets", 0, 0), "C.1", "it names a pin that its profile does not have: `C.1`"),
    (
        "good",
        ("nets", 0, 0),
        "@J1.\x1b[2J",
        "it names a pin that its profile does not have: `@J1.<U+001B>[2J`",
    ),
)


@pytest.mark.parametrize(("of", "path", "value", "said"), CONTRADICTIONS)
def test_a_scan_that_contradicts_itself_is_refused(of: str, path: Any, value: Any, said: str) -> None:
    doc, text = printed(**CABLES[of])
    if of == "bad joint and leak" and path == "leaks":
        doc = changed(doc, ("links", 3), {**doc["links"][3], "ohms": 0.2, "over_median": 0.0, "ok": True})
    told = reason(changed(doc, path, value), text)
    assert said in told
    assert told.startswith(("it does not hold together: ", "it names", "it lacks"))


def test_doubt_that_decides_alone_is_no_verdict() -> None:
    text = TEXT + COMMON
    doc, _ = printed("none", text=text, groups=("A.1 A.2 B.1 B.2", *GOOD[2:]))
    assert "it rests on contacts in doubt" in reason(changed(doc, "doubtful", [["A.1", "B.1"]]), text)


def test_a_figure_may_be_off_by_what_it_was_rounded_by() -> None:
    """A link of 8.951 Ω ± 3.951 Ω passes at 5 Ω; printed it is 8.95 Ω ± 4.0 Ω."""
    doc, text = printed(joints={"A.4": 8.0})
    for number, ok in enumerate((True, False)):
        link = {
            **doc["links"][0],
            "ohms": 9.05 - number / 10,
            "uncertainty": 4.0,
            "over_median": 0.0,
            "ok": ok,
        }
        told = changed(changed(doc, ("links", 0), link), "verdict", "fail")
        finding = {"kind": "resistive", "text": "x", "pins": ["A.1", "A.4"], "remedy": "y"}
        assert ok == read(changed(told, "findings", [finding]), text).facts.links[0].ok


ODD: tuple[Any, ...] = (
    None,
    True,
    False,
    0,
    -1,
    1.5,
    1e300,
    "",
    "A.1",
    "pass",
    "x" * 99,
    [],
    {},
    [[]],
    [None],
)


@pytest.mark.parametrize("of", ["swapped", "unsteady", "bad joint and leak", "with a common"])
def test_no_single_change_makes_a_pass_of_a_fail_or_breaks_the_reader(of: str) -> None:
    doc, text = printed(**CABLES[of])
    profile, read_at_all = profile_of(text), 0
    for path in members(doc):
        for value in (*ODD, DELETED):
            try:
                saved = from_print(changed(doc, path, copy.deepcopy(value)), profile)
            except NotGenuine:
                continue
            read_at_all += 1
            assert not saved.facts.passed, (path, value)
    assert read_at_all > 100  # what is neither shown nor decides may be anything


@pytest.mark.parametrize("path", ["tester.name", "tester.fixture", "adapters.A", "sockets.A"])
def test_what_is_shown_as_a_name_is_one_or_is_not_there(path: str) -> None:
    doc, text = printed(groups=SWAPPED)
    for value in (False, 0, [], {}, [[]], {"A": None}, 1.5):
        assert "it lacks what a saved scan holds" in reason(changed(doc, path, value), text)
    assert read(changed(doc, path, "x"), text).findings
    if not path.startswith("sockets"):
        assert read(changed(doc, path, None), text).findings


def test_no_ohms_are_an_empty_list() -> None:
    doc, text = printed("none")
    for member in ("links", "leaks"):
        for value in (None, False, 0, "", {}):
            assert "it lacks what a saved scan holds" in reason(changed(doc, member, value), text)


def test_members_that_other_programs_leave_out_are_not_needed() -> None:
    doc, text = printed()
    for name in ("doubtful", "adapters", "counts", "timings_us", "elapsed_ms", "operator"):
        doc = changed(doc, name, DELETED)
    assert read(doc, text).facts.passed


NO_DOCUMENTS = {
    b"": "it is empty",
    b" \n": "it is empty",
    b"{": "it is not JSON: ",
    b"\xff\xfe{\x00": "it is not JSON: ",
    b"\x80\x81\x82\x83\x84": "it is not text",
    b"null": "it has no schema, where `pinwright/scan-1` or `pinwright/record-1` should be",
    b"[1]": "it has no schema",
    b'{"schema": ["pinwright/scan-1"]}': "it has no schema",
    b'{"schema": "pinwright/scan-2"}': "its schema is `pinwright/scan-2`, where ",
    b'{"schema": "\\u001b[2J"}': "its schema is `<U+001B>[2J`, where ",
    b'{"schema": "pinwright/error-1"}': "it is the error of a command: there is no verdict in it",
    b'{"schema": "pinwright/scan-1", "schema": "pinwright/scan-1"}': "an object in it names one member twice",
    b'{"schema": "pinwright/scan-1", "x": NaN}': "it holds NaN, which is not a JSON value",
    b'{"schema": "pinwright/scan-1", "x": -Infinity}': "it holds -Infinity, which is not a JSON value",
    b"[" * 200_000: "it holds a value that no saved scan can hold",
    b'{"x": ' * 200_000: "it holds a value that no saved scan can hold",
    b"1" * 10_000: "it holds a value that no saved scan can hold",
    b"%PDF-1.7\nx": "it has no seal of ours where one should be",
    b"<html></html>": "it has no seal of ours where one should be",
    b"GIF89a\x01\x00": "it is not ",
}


@pytest.mark.parametrize("data", NO_DOCUMENTS, ids=[str(data[:30]) for data in NO_DOCUMENTS])
def test_what_is_no_saved_scan_is_refused(data: bytes) -> None:
    with pytest.raises(NotGenuine) as caught:
        document_in(data)
    assert caught.value.reason.startswith(NO_DOCUMENTS[data])


def test_a_schema_alone_is_no_scan() -> None:
    named = [{"id": id, "sha256": "0" * 64} for id in (1, "../x")]
    profiles: list[Any] = [None, [], "x", {"id": "x"}, *named]
    for profile in profiles:
        with pytest.raises(NotGenuine):
            named_profile({"profile": profile})
    assert "it lacks what a saved scan holds" in reason({"schema": "pinwright/scan-1"})
