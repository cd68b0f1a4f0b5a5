"""`pinwright records report`: yield, faults and resistances of the records in a folder."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any

import pytest

from pinwright import __version__
from pinwright.records.store import Store

from ..records.making import GOOD, SWAPPED, TEXT, a_record, changed, sealed

OPEN_2 = (GOOD[0], *GOOD[2:])
OF_A_LIBRARY = "lamp-changer-40"


def on(doc: dict[str, Any], day: str) -> dict[str, Any]:
    return changed(doc, "scan.started", f"{day}T09:30:00Z")


def good(serial: str, day: str, test: int = 1, **joints: float) -> dict[str, Any]:
    """On a calibrated tester. joints: pin, `A_2`, → ohms."""
    ohms = {pin.replace("_", "."): value for pin, value in joints.items()}
    return on(a_record(serial=serial, test=test, lane="calibrated", joints=ohms), day)


# F-1 and F-2 pass at once, F-3 after mending, F-4 not at all; F-5 is withdrawn after it had passed; F-6 is of
# another revision; S-1 of a simulation.
DOCS = (
    good("F-1", "2026-02-10", A_2=0.4),
    good("F-2", "2026-02-11", A_2=0.6),
    on(a_record(OPEN_2, serial="F-3"), "2026-02-28"),
    good("F-3", "2026-03-01", 2, A_2=1.2),
    on(a_record(SWAPPED, serial="F-4"), "2026-03-02"),
    on(a_record((*GOOD, "A.1 A.2"), serial="F-4", test=2), "2026-03-03"),
    good("F-5", "2026-03-04"),
    on(a_record(serial="F-6", text=TEXT.replace('"B"', '"A"')), "2026-03-05"),
    on(a_record(serial="S-1", platform="linux"), "2026-03-05"),
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "records"
    place.mkdir()
    for doc in DOCS:
        (place / f"{doc['number']}.{doc['kind']}.json").write_bytes(sealed(doc))
    made, host = "2026-03-06T08:00:00Z", __version__
    Store(place).remark("withdrawal", "F-5", 1, "the wrong cable", by=None, made=made, host=host)
    return place


@pytest.fixture
def run(pinwright: Any, folder: Path) -> Any:
    return lambda *words: pinwright("records", "report", *words, "--records", folder)


def test_the_report_of_a_folder(run: Any, golden: Any) -> None:
    """The library knows no such cable, so the newest record's own profile is drawn."""
    golden("records-report", run("five"))


def test_the_report_as_a_document_has_what_a_hand_counts(run: Any) -> None:
    told = run("five", "--json").document
    assert ("pinwright/report-1", "five", "record") == (
        told["schema"],
        told["profile"]["id"],
        told["profile"]["from"],
    )
    # F-5 has no test that counts.
    assert (5, 7, "2026-02-10T09:30:00Z", "2026-03-05T09:30:00Z") == (
        told["cables"],
        told["tests"],
        told["begun"],
        told["ended"],
    )
    assert (3, 5) == (told["first"]["count"], told["first"]["of"])
    assert (0.2307, 0.8824) == (told["first"]["low"], told["first"]["high"])
    assert (4, 1, 0) == (told["in_the_end"]["count"], told["failed"], told["unknown"])
    february, march = told["months"]
    assert {
        "month": "2026-02",
        "made": 3,
        "first": 2,
        "mended": 1,
        "passed": 3,
        "failed": 0,
        "unknown": 0,
    } == (february)
    assert ("2026-03", 2, 1, 1) == (march["month"], march["made"], march["first"], march["failed"])
    assert [("open", 1, 1), ("short", 1, 1), ("swap", 1, 1)] == [
        (one["kind"], one["cables"], one["tests"]) for one in told["kinds"]
    ]
    assert {"A.1": 1, "A.2": 2, "B.1": 1, "B.2": 2} == {one["pin"]: one["cables"] for one in told["pins"]}
    assert {"open": 1, "short": 1, "swap": 1} == told["pins"][1]["kinds"]
    assert ("A.2", "second from the top") == (told["worst"][0]["pin"], told["worst"][0]["place"])
    assert 3 == told["measured"]
    second = told["spreads"][1]
    assert ("A.2", 3) == (second["pin"], second["cables"])
    assert [0.4, 0.6, 1.2] == pytest.approx([second["lowest"], second["median"], second["highest"]], abs=0.05)
    assert [{"revision": "A", "tests": 1}, {"revision": "B", "tests": 6}] == told["revisions"]
    assert {
        "simulated": 1,
        "not_as_made": 0,
        "other_revision": 0,
        "withdrawn": 1,
        "earlier_or_later": 0,
    } == told["left_out"]


@pytest.mark.parametrize(
    ("words", "cables", "tests"),
    [
        ((), 5, 7),
        (("--since", "2026-03"), 2, 3),
        (("--until", "2026-02-28"), 3, 4),  # F-3 with its test in March
        (("--since", "2026-02-11", "--until", "2026-02-11"), 1, 1),
        (("--revision", "B"), 4, 6),
        (("--revision", "A"), 1, 1),
        (("--since", "2030"), 0, 0),
    ],
)
def test_what_is_asked_for(words: tuple[str, ...], cables: int, tests: int, run: Any) -> None:
    told = run("five", *words, "--json").document
    assert (cables, tests) == (told["cables"], told["tests"])
    shown = run("five", *words)
    assert 0 == shown.status
    if words and cables:
        assert words[-1] in shown.out


def test_a_record_that_was_changed_is_left_out(run: Any, folder: Path) -> None:
    path = folder / "F-3.test-2.certificate.json"
    path.write_bytes(path.read_bytes().replace(b"2026-03-01", b"2026-03-02"))
    told = run("five", "--json").document
    assert (1, 1, 3) == (told["left_out"]["not_as_made"], told["unknown"], told["in_the_end"]["count"])
    assert "unknown: the latest test was withdrawn, or is not as it was made" in " ".join(
        run("five").out.split()
    )


def test_a_latest_record_that_cannot_be_read_is_no_pass(run: Any, folder: Path) -> None:
    (folder / "F-1.test-2.report.json").write_text("{")
    told = run("five", "--json").document
    assert (1, 3) == (told["unknown"], told["in_the_end"]["count"])


def test_a_folder_without_tests_of_a_cable_of_the_library_says_so(run: Any) -> None:
    ran = run(OF_A_LIBRARY)
    assert (0, "") == (ran.status, ran.err)
    assert ran.out.startswith(f"no tests of `{OF_A_LIBRARY} revision B` to report in ")
    told = run(OF_A_LIBRARY, "--json").document
    assert (0, "library") == (told["cables"], told["profile"]["from"])
    assert (0.0, 1.0) == (told["first"]["low"], told["first"]["high"])


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("no-such-lead",), "no profile has the id `no-such-lead`"),
        (("none.toml",), "no such file"),
        (
            ("five", "--since", "soon"),
            "`--since soon` should be a date, such as 2026, 2026-03, 2026-03-01 or",
        ),
        (("five", "--until", "2026-13"), "`--until 2026-13` should be a date"),
        (
            ("five", "--since", "2026-11-26T23:00"),
            "`--since 2026-11-26T23:00` names a time of day without its zone: a moment is such as "
            "2026-03-01T09:30Z (UTC) or 2026-03-01T09:30+01:00",
        ),
        (
            ("five", "--since", "2026-03", "--until", "2026-02"),
            "`--since 2026-03` is after `--until 2026-02`",
        ),
        (("\x1b[31m",), "no profile has the id `<U+001B>[31m`"),
    ],
)
def test_what_cannot_be_reported(words: tuple[str, ...], told: str, run: Any) -> None:
    assert told in run(*words).error(2)


def test_a_page_is_written_and_named(run: Any, tmp_path: Path) -> None:
    file = tmp_path / "five.html"
    ran = run("five", "--html", file)
    assert (0, f"{file}\n", "") == (ran.status, ran.out, ran.err)
    page = file.read_text(encoding="utf-8")
    assert "Five conductors" in page
    assert "exists already; it was not touched" in run("five", "--html", file).error(2)
    assert page == file.read_text(encoding="utf-8")
    other = tmp_path / "again.html"
    assert [str(other)] == run("five", "--html", other, "--json").document["files"]
    assert page == other.read_text(encoding="utf-8")


def test_simulations_are_reported_as_such_where_they_are_asked_for(
    pinwright: Any, bench: Any, profile_of: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All the way: three scans on virtual testers, one of them of a cable with an open conductor, which is
    then mended."""
    for name in ("HOME", "XDG_DATA_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path))
    id = "xlr3-straight"
    nets = [net.pins for net in profile_of(id).nets]
    for pins, words, status in (
        (nets, (), 0),
        (nets[:-1], (), 1),
        (nets, ("--serial", f"{id}-0002", "--again"), 0),
    ):
        assert status == pinwright("scan", id, "--port", bench(pins), *words).status
    told = pinwright("records", "report", id, "--simulated", "--json").document
    assert (2, 3, 1, 2) == (
        told["cables"],
        told["tests"],
        told["first"]["count"],
        told["in_the_end"]["count"],
    )
    last = [str(pin) for pin in nets[-1]]
    assert dict.fromkeys(last, 1) == {one["pin"]: one["cables"] for one in told["pins"]}
    assert [len(nets), 2] == [len(told["spreads"]), told["measured"]]
    shown = pinwright("records", "report", id, "--simulated").out
    assert shown.startswith("Simulations: no cable was tested.\n")
    place = tmp_path / "pinwright" / "simulated"
    told = pinwright("records", "report", id, "--records", place, "--json").document
    assert (2, True) == (told["cables"], told["simulations"]), "it holds nothing else"
    assert shown == pinwright("records", "report", id, "--records", place).out
    other = on(a_record(serial="F-1"), "2026-02-10")
    (place / "F-1.test-1.certificate.json").write_bytes(sealed(other))
    assert 0 == pinwright("records", "report", id, "--records", place, "--json").document["cables"]
    assert "(left out: 3 tests of a simulation)" in pinwright("records", "report", id, "--records", place).out


def test_hostile_records_command_no_terminal(run: Any, folder: Path, tmp_path: Path) -> None:
    text = TEXT.replace("Five conductors", "[bold]x[/] </title><script>").replace('"rack"', '"<b>[red]"')
    newest = on(a_record(OPEN_2, serial="H-0", text=text), "2026-03-10")
    (folder / "H-0.test-1.report.json").write_bytes(sealed(newest))
    doc = a_record(OPEN_2, serial="H-1")
    finding = {"kind": "open-[b]", "pins": ["A.2", "A.\x1b[31m", "\u202e.1"], "text": "", "remedy": ""}
    doc = changed(on(doc, "2026-03-09"), "scan.findings", [finding])
    (folder / "H-1.test-1.report.json").write_bytes(sealed(doc))
    file = tmp_path / "x.html"
    ran = run("five", "--html", file)
    assert 0 == ran.status
    for told in (run("five").out, run("five", "--json").out, file.read_text(encoding="utf-8")):
        odd = {f"U+{ord(char):04X}" for char in told if not char.isprintable() and char != "\n"}
        assert set() == odd
    assert "<script>" not in file.read_text(encoding="utf-8")
    assert "[bold]x[/] </title><script>" in run("five").out


def test_a_terminal_that_knows_ascii_only_gets_a_report_too(process: Any, folder: Path) -> None:
    ran = process("records", "report", "five", "--records", folder, PYTHONIOENCODING="ascii")
    assert (0, "") == (ran.status, ran.err)
    assert "| >1 | 1 ######" in ran.out
    assert "2026-02       3  #############+++++++" in ran.out
    assert "|" in ran.out


@pytest.mark.parametrize("ascii", [False, True], ids=["", "ascii"])
def test_a_report_on_a_narrow_terminal_has_bars_and_numbers_on_one_line_and_breaks_no_word(
    ascii: bool, folder: Path, run: Any, on_a_terminal: Any
) -> None:
    path = folder / "F-3.test-2.certificate.json"
    path.write_bytes(path.read_bytes().replace(b"2026-03-01", b"2026-03-02"))  # its state is unknown
    encoding = {"PYTHONIOENCODING": "ascii"} if ascii else {}
    status, told = on_a_terminal("records", "report", "five", "--records", folder, columns=60, **encoding)
    lines = re.sub(r"\x1b\[[0-9;]*m", "", told).splitlines()
    assert 0 == status
    assert all(len(line) <= 60 for line in lines)
    bars = ("########", "?????", "......") if ascii else ("█████████", "?????", "░░░░░")
    assert any(f"2026-02       3  {bars[0]}" in line and line.endswith("1") for line in lines)
    assert bars[1] in told
    wide = set(re.findall(r"\w+", run("five").out))
    assert {word for line in lines for word in re.findall(r"\w+", line)} - wide <= {"un", "known"}


def test_a_report_on_a_terminal_with_colours(on_a_terminal: Any, folder: Path) -> None:
    if os.name != "posix":
        pytest.skip("pseudo-terminals are of POSIX")
    status, told = on_a_terminal("records", "report", "five", "--records", folder)
    assert 0 == status
    assert "second from the top" in told
    assert json.dumps("\x1b[")[1:-1] in json.dumps(told)
