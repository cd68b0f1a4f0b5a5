"""What a page says of a record, whatever draws it."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any

import pytest

from pinwright.records.scan_document import DECISION, METHOD
from pinwright.sheets.sheet import CAUTIONS, Sheet, sheet_of
from pinwright.sheets.text import breakable, harmless, shown
from pinwright.tester.calibration import LongCheck

LEAD = "lamp-changer-40"


@pytest.fixture(scope="session")
def sheet(record_of: Callable[..., Any], library: Callable[[str], str]) -> Callable[..., Sheet]:
    """The sheet of a lead of the workshop."""
    return lambda **options: sheet_of(record_of(library(LEAD), **options))


OPEN = {"cut": ["A.6"]}


@pytest.mark.parametrize(
    ("options", "kind", "title", "verdict", "warning"),
    [
        ({}, "certificate", "Certificate of test", "PASS", ""),
        (
            {"simulated": True},
            "specimen",
            "Specimen of a certificate",
            "PASS",
            "No cable was tested: the tester was a simulation.",
        ),
        (OPEN, "report", "Fault report", "FAIL", "This cable failed. This is no certificate."),
        (
            {**OPEN, "simulated": True},
            "report",
            "Fault report",
            "FAIL",
            "This cable failed, in a simulation. This is no certificate.",
        ),
    ],
)
def test_only_a_pass_on_a_real_tester_is_a_certificate(
    sheet: Callable[..., Sheet],
    options: dict[str, Any],
    kind: str,
    title: str,
    verdict: str,
    warning: str,
) -> None:
    made = sheet(**options)
    assert (kind, title, verdict, warning) == (made.kind, made.title, made.verdict, made.warning)


@pytest.mark.parametrize(
    "options",
    [
        {"cut": ["A.6"]},
        {"join": ["A.1 A.2"]},
        {"cut": ["A.6"], "doubtful": ["A.6 B.3"]},
        {"doubtful": ["A.2 A.4"]},
    ],
)
def test_whatever_is_wrong_or_in_doubt_makes_it_a_report(
    sheet: Callable[..., Sheet], options: dict[str, Any]
) -> None:
    made = sheet(**options)
    assert ("report", "FAIL") == (made.kind, made.verdict)
    assert "1 fault. Do not use this cable." == made.summary
    (finding,) = made.findings
    assert all(finding)


def test_every_net_stands_in_the_list_with_all_its_pins(
    sheet: Callable[..., Sheet], record_of: Callable[..., Any], library: Callable[[str], str]
) -> None:
    for options in ({}, OPEN, {"join": ["A.8 @J2.7"]}):
        record, made = record_of(library(LEAD), **options), sheet(**options)
        nets = record.profile.nets
        links = made.links[: len(nets)]  # pins that should be free come after them
        assert [" ".join(map(str, net.pins)) for net in nets] == [f"{link.start} {link.to}" for link in links]
        assert [net.signal or "–" for net in nets] == [link.signal for link in links]
        assert made.verdict == ("PASS" if {"ok"} == {link.state for link in made.links} else "FAIL")


def test_a_pin_that_should_be_free_and_is_not_stands_in_the_list(
    record_of: Callable[..., Any], profile_text: Callable[..., str]
) -> None:
    text = profile_text({"A": "row-4", "B": "row-4"}, ["A.1 B.1"])
    links = sheet_of(record_of(text, join=["A.1 A.3"])).links
    assert [("–", "B.1", "A.3 B.1", "joined"), ("(free)", "nothing", "A.1 B.1", "joined")] == [
        (link.signal, link.to, link.found, link.state) for link in links
    ]


def test_who_what_when_and_with_what_is_told(sheet: Callable[..., Sheet]) -> None:
    about = dict(sheet().about)
    assert "Sequencer rack to lamp changer, 40-way" == about["Cable"]
    assert "A: idc-2x20, J3, rack side; B: dip-40, IC socket on the lamp changer's board" == about["Ends"]
    assert "HL40-0001, test 2" == about["Serial"]
    assert re.fullmatch(r"lamp-changer-40, revision B, SHA-256 [0-9a-f]{64}", about["Profile"])
    assert "2026-03-01T09:30:00Z (UTC), in 0.8 s" == about["Tested"]
    assert "R. Sands" == about["Operator"]
    assert "bench 2 (E6614C311B), tester-128, 128 points, firmware 0.3.0" == about["Tester"]
    assert "passed, in this scan" == about["Self-check"]
    assert "passed on 2026-01-31, with J1, S1, J2" == about["Long check"]
    assert "no ohms lane" == about["Calibration"]
    assert "A in J1, B in S1" == about["Sockets"]
    unchecked = "not checked, for this tester does not measure ohms: "
    assert f"{unchecked}5 Ω for a link, VLAMP 1 Ω" == about["Limits"]
    assert "Uncertainty" not in about
    assert "0.128 Ω for 600 mm of 28 AWG ribbon at 20 °C; joints and contacts aside" == about["Expected"]
    assert "pinwright 0.8.0" == about["Program"]


def test_a_simulated_tester_and_a_nameless_operator_are_called_that(sheet: Callable[..., Sheet]) -> None:
    about = dict(sheet(simulated=True, operator=None).about)
    assert about["Tester"].startswith("virtual tester, ")
    assert "not named" == about["Operator"]


# What was measured in ohms


NOW = "the tester is at 27 °C, and its own 10 Ω reads 10.0 Ω"
EXPECTED = (
    "0.128 Ω for 600 mm of 28 AWG ribbon at 20 °C, 0.131 Ω at the tester's 27 °C; joints and contacts aside"
)


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        (
            {"lane": "calibrated"},
            {
                "Calibration": f"calibrated 2026-01-31 at 27 °C; {NOW}",
                "Limits": "5 Ω for a link, VLAMP 1 Ω; 100 kΩ at least to everything else",
                "Uncertainty": "of a link ± 3.9 Ω and 2 % of the reading, in 99.9 % of readings",
                "Expected": EXPECTED,
            },
        ),
        (
            {"lane": "uncalibrated"},
            {
                "Calibration": f"not calibrated: joints were checked coarsely; {NOW}",
                "Limits": "80 Ω for a link, coarsely; the cable's 5 Ω for a link, VLAMP 1 Ω could not be "
                "told; 100 kΩ at least to everything else",
                "Uncertainty": "of a link ± 64.0 Ω and 2 % of the reading, in 99.9 % of readings",
                "Expected": EXPECTED,
            },
        ),
        (
            {"lane": "calibrated", "max_ohms": 2.5, "long_check": None},
            {
                "Long check": "none",
                "Limits": "2.5 Ω for a link, given by hand; 100 kΩ at least to everything else",
            },
        ),
        (
            {"lane": "uncalibrated", "max_ohms": 200.0},
            {
                "Limits": "264 Ω for a link, coarsely; the cable's 200 Ω for a link, given by hand could not "
                "be told; 100 kΩ at least to everything else",
            },
        ),
        (
            {"long_check": LongCheck(datetime(2025, 12, 31, tzinfo=UTC), True, False, ("J1",), "")},
            {"Long check": "passed on 2025-12-31, with J1, continuity only"},
        ),
    ],
)
def test_what_the_tester_can_tell_and_what_it_was_told_to_is_said(
    sheet: Callable[..., Sheet], options: dict[str, Any], expected: dict[str, str]
) -> None:
    about = dict(sheet(**options).about)
    assert expected == {label: about[label] for label in expected}


def test_a_leak_limit_of_a_signal_is_told(
    record_of: Callable[..., Any], profile_text: Callable[..., str]
) -> None:
    text = profile_text({"A": "row-4", "B": "row-4"}, ["A.1 B.1"], signals={"A.1": "HOT"})
    made = record_of(text + "[limits.HOT]\nmin_leak_ohms = 1000000\n", lane="calibrated")
    assert dict(sheet_of(made).about)["Limits"] == (
        "5 Ω for a link; 100 kΩ at least to everything else, HOT 1.0 MΩ"
    )


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({}, "Resistance was not measured."),
        ({"lane": "calibrated"}, "Links 0.2 Ω to 0.2 Ω, ± 3.9 Ω; no leak below 1.0 MΩ."),
        (
            {"lane": "calibrated", "joints": {"A.2": 0.6}, "leaks": {"A.2": 4e5}},
            "Links 0.2 Ω to 0.6 Ω, ± 3.9 Ω; no leak below 398 kΩ.",  # of 400, in steps of 0.4 %
        ),
    ],
)
def test_the_verdict_says_what_was_measured(
    sheet: Callable[..., Sheet], options: dict[str, Any], told: str
) -> None:
    assert sheet(**options).summary == (
        f"All 40 nets conduct as the profile says, and nothing else was found joined. {told}"
    )


def test_every_link_that_was_measured_stands_in_the_list_with_its_ohms(sheet: Callable[..., Sheet]) -> None:
    assert {""} == {link.ohms for link in sheet().links}
    made = sheet(lane="calibrated", joints={"A.4": 12.0, "A.8": 2.0}, cut=["A.6"], leaks={"A.10": 41_000.0})
    ohms = {link.start: link.ohms for link in made.links}
    assert ("12.0 Ω", "2.0 Ω", "") == (ohms["A.4"], ohms["A.8"], ohms["A.6"])
    assert 39 == sum(bool(re.fullmatch(r"\d+\.\d Ω", text)) for text in ohms.values())
    states = {link.start: link.state for link in made.links if not link.good}
    assert {"A.4": "resistive", "A.6": "open", "A.10": "leaking"} == states
    assert "3 faults. Do not use this cable." == made.summary


@pytest.mark.parametrize("lane", ["uncalibrated", "calibrated"])
def test_the_rule_for_resistances_is_printed_whole(
    sheet: Callable[..., Sheet], record_of: Callable[..., Any], library: Callable[[str], str], lane: str
) -> None:
    kept, sections = record_of(library(LEAD), lane=lane).doc, dict(sheet(lane=lane).sections)
    assert (kept["decision"],) == sections["Decision rule"]
    assert (kept["method"],) == sections["Method"]
    assert kept["decision"].endswith("whose leak to everything else is below its limit.")
    told = sections["Not measured, not claimed"]
    assert 6 <= len(told)
    assert {text for text in kept["not_measured"] if not text.startswith("Conductors joined at")} < set(told)


def test_how_it_was_decided_and_what_was_not_measured_is_told_in_plain_words(
    sheet: Callable[..., Sheet], record_of: Callable[..., Any], library: Callable[[str], str]
) -> None:
    sections = dict(sheet().sections)
    not_measured = record_of(library(LEAD)).doc["not_measured"]
    assert ["Decision rule", "Method", "Not measured, not claimed", "Cautions"] == list(sections)
    (decision,) = sections["Decision rule"]
    assert DECISION == decision
    assert [len(decision) - 1] == [place.start() for place in re.finditer(r"\.(?=\s|$)", decision)]
    assert (METHOD,) == sections["Method"]
    assert CAUTIONS == sections["Cautions"]
    told = " ".join(sections["Not measured, not claimed"])
    assert {text for text in not_measured if text not in told} == {
        "Conductors joined at both ends are not proven one by one."  # told with their number instead
    }
    assert "No accreditation, and no conformity to any standard, is claimed." in told
    assert "resistance of joints was not measured" in told
    assert "only a long check of the tester finds them; this one passed its last on 2026-01-31" in told
    assert "each is proven by itself" in told
    assert "No cable was tested" not in told
    simulated = dict(sheet(simulated=True).sections)["Not measured, not claimed"]
    assert "No cable was tested: the tester and the cable were simulated." in simulated


def test_conductors_that_are_not_proven_singly_are_counted(
    record_of: Callable[..., Any], profile_text: Callable[..., str]
) -> None:
    text = profile_text({"A": "row-4", "B": "row-4"}, ["A.1 A.2 A.3 B.1 B.2 B.3", "A.4 B.4"])
    told = " ".join(dict(sheet_of(record_of(text)).sections)["Not measured, not claimed"])
    assert "3 conductors are joined to others at both ends and so are not individually proven" in told


@pytest.mark.parametrize(
    ("cut", "caption"),
    [
        (0, "Wiring"),
        (1, "Wiring as measured, with the numbers of the faults"),
        (10, "Wiring as measured, with the numbers of the faults"),
        (11, "Wiring as measured"),
    ],
)
def test_numbers_are_promised_where_they_are_in_the_picture(
    sheet: Callable[..., Sheet], cut: int, caption: str
) -> None:
    apart = [f"A.{6 * pair + n}" for pair in range(7) for n in (1, 2)]  # never three side by side
    made = sheet(cut=apart[:cut])
    assert cut == len(made.findings)
    assert caption == made.caption
    # A white disc with a rim is under each number, and nowhere else.
    assert made.picture.count('r="1.8"') == (cut if "numbers" in caption else 0)


def test_a_short_of_everything_does_not_list_everything_for_every_net(
    record_of: Callable[..., Any], profile_text: Callable[..., str]
) -> None:
    every = range(1, 65)
    text = profile_text({"A": "idc-2x32", "B": "idc-2x32"}, [f"A.{n} B.{n}" for n in every])
    for link in sheet_of(record_of(text, join=[" ".join(f"A.{n}" for n in every)])).links:
        assert link.found.startswith("A.")
        assert re.search(r"… \(\d+ characters\)$", link.found)
        assert len(link.found) < 230


def test_a_long_sheet_has_more_than_sixty_links(
    record_of: Callable[..., Any], profile_text: Callable[..., str]
) -> None:
    for count in (60, 61):
        ends = {"A": "idc-2x31", "B": "idc-2x31"}
        text = profile_text(ends, [f"A.{n} B.{n}" for n in range(1, count + 1)])
        assert sheet_of(record_of(text)).is_long is (count > 60)


# Unicode's own names say what each does; U+0378 is not assigned in any version so far.
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("plain", "plain"),
        ("Ω µ ° ± – — “q” …", "Ω µ ° ± – — “q” …"),
        ("Größe, Ångström, Жук, λ", "Größe, Ångström, Жук, λ"),
        ("e\u0301", "é"),  # composed
        ("a\x1b[31mred", "a<U+001B>[31mred"),
        ("a\nb\tc\x00", "a<U+000A>b<U+0009>c<U+0000>"),
        ("\u202egnp.exe", "<U+202E>gnp.exe"),
        ("\u2066a\u2069\u200f\u061c", "<U+2066>a<U+2069><U+200F><U+061C>"),
        ("zero\u200bwidth\ufeff", "zero<U+200B>width<U+FEFF>"),
        ("\u0378", "<U+0378>"),
        (" \u0301", " <U+0301>"),
        ("q\u0323\u0307", "q<U+0323><U+0307>"),
        ("\xa0\xad\u2028", "<U+00A0><U+00AD><U+2028>"),
        ("漢", "<U+6F22>"),
        ("\U0001f600", "<U+1F600>"),
    ],
)
def test_what_commands_or_does_not_print_is_shown_as_its_code_point(text: str, expected: str) -> None:
    assert expected == harmless(text) == shown(text)
    assert expected == harmless(harmless(text))


def test_what_is_endless_is_cut_and_counted() -> None:
    assert "x" * 400 == shown("x" * 400)
    assert "x" * 400 + "… (10240 characters)" == shown("x" * 10240)
    assert "12… (4 characters)" == shown(1234, 2)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("LAMP-SENSE", ["LAMP-SENSE"]),
        ("0123456789", ["0123456789"]),
        ("W" * 12, ["WWWWWW", "WWWWWW"]),
        ("a b c d e f g h", ["a b c d e f g h"]),
        ("x " + "n" * 25, ["x nnnnnnnnnnn", "nnnnnnnnnnn", "nnn"]),
    ],
)
def test_only_words_that_find_no_room_get_places_to_break(text: str, expected: Sequence[str]) -> None:
    assert expected == breakable(text, 6.5).split("\u200b")


HOSTILE = "<script>alert(1)</script>\x1b[31m\u202e" + "x" * 10240


def test_nothing_that_anybody_chose_reaches_a_sheet_as_it_was(
    record_of: Callable[..., Any], library: Callable[[str], str]
) -> None:
    made = sheet_of(record_of(library(LEAD), operator=HOSTILE, name=HOSTILE))
    about = dict(made.about)
    assert about["Operator"].startswith("<script>alert(1)</script><U+001B>[31m<U+202E>xxx")
    assert about["Tester"].endswith(", tester-128, 128 points, firmware 0.3.0")
    assert all(len(text) < 500 for text in about.values())
    for text in (*about.values(), made.picture, made.qr):
        assert not set("\x1b\u202e") & set(text)


def test_conductors_that_were_found_beside_each_other_are_named_as_not_proven_singly(
    sheet: Callable[..., Sheet],
) -> None:
    """Two grounds of the lead, which may be joined, with and without the conductor of one of them."""
    for options in ({"join": ["A.1 A.3"]}, {"join": ["A.1 A.3", "B.39 B.40"], "cut": ["A.1"]}):
        made = sheet(**options)
        assert "PASS" == made.verdict
        assert "2 conductors are not individually proven." in made.summary
        assert ["A.1", "A.3"] == [link.start for link in made.links if link.state == "ok, not singly"]
        told = dict(made.sections)["Not measured, not claimed"]
        assert "would not show (A.1 A.3 B.39 B.40)" in told[0]


def test_a_report_claims_nothing_of_single_conductors(sheet: Callable[..., Sheet]) -> None:
    told = " ".join(dict(sheet(**OPEN).sections)["Not measured, not claimed"])
    assert "proven" not in told.replace("not proven one by one", "")


def test_a_plug_that_is_not_in_is_not_a_bad_cable(sheet: Callable[..., Sheet]) -> None:
    made = sheet(cut=[f"A.{n}" for n in range(1, 41)])
    assert made.summary.endswith("Plug it in as said and scan again.")


def test_a_remedy_that_several_faults_share_stands_once(sheet: Callable[..., Sheet]) -> None:
    made = sheet(cut=["A.5", "A.9", "A.20"], join=["A.2 A.4"])
    assert [False, False, True, True] == [bool(remedy) for _, remedy in made.findings]
