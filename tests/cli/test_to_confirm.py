"""Open questions of a profile are told wherever it is used, until somebody deletes them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

PROFILE = """\
[cable]
id = "half-known"
to_confirm = ["A.2 and A.3 look exchanged", "whether a lead must link GND"]

[ends.A]
connector = "row-4"
[ends.B]
connector = "row-4"
termination = "soldered"

[wiring]
rule = "straight"
"""


@pytest.fixture
def half_known(tmp_path: Path) -> Path:
    file = tmp_path / "half-known.toml"
    file.write_text(PROFILE, encoding="utf-8")
    return file


def test_check_and_show_tell_them(pinwright: Any, half_known: Path) -> None:
    assert f"{half_known}: good: `half-known`, 4 nets over row-4, row-4; 2 points to be confirmed\n" == (
        pinwright("profiles", "check", half_known).out
    )
    shown = pinwright("profiles", "show", half_known).out.splitlines()
    assert [
        "to be confirmed: A.2 and A.3 look exchanged",
        "to be confirmed: whether a lead must link GND",
    ] == [line for line in shown if line.startswith("to be")]


def test_a_scan_and_its_papers_tell_them(pinwright: Any, half_known: Path, tmp_path: Path) -> None:
    ran = pinwright("scan", half_known, "--port", "sim", "--records", tmp_path / "records", "--json")
    assert 0 == ran.status
    assert (
        "note: 2 points of this profile still to be confirmed; `pinwright profiles show` lists them\n"
        in ran.err
    )
    page = Path(json.loads(ran.out)["documents"]["html"]).read_text(encoding="utf-8")
    told = "(1) A.2 and A.3 look exchanged (2) whether a lead must link GND"
    assert told in " ".join(page.split())


def test_a_good_cable_of_a_profile_of_ones_own_is_in_the_virtual_tester(
    pinwright: Any, half_known: Path
) -> None:
    """A file that is no profile is a bench file."""
    words = ("capture", "--end", "A=row-4", "B=row-4", "--yes", "--port")
    ran = pinwright(*words, f"sim:{half_known}")
    assert 0 == ran.status, ran.err
    assert 'rule = "straight"' in ran.out
    half_known.write_text("[[link]]\npins = ['A.1', 'B.4']\n", encoding="utf-8")
    assert '["A.1", "B.4"]' in pinwright(*words, f"sim:{half_known}").out


def test_a_termination_that_is_none_is_refused(pinwright: Any, half_known: Path) -> None:
    half_known.write_text(PROFILE.replace('"soldered"', '"glued"'), encoding="utf-8")
    told = pinwright("profiles", "check", half_known).error(2)
    assert "key `ends.B.termination`: must be one of `crimped`, `soldered`, not" in told


@pytest.mark.parametrize(("said", "told"), [('[""]', "is empty"), ('"x"', "must be a list of strings")])
def test_points_to_confirm_are_sentences(said: str, told: str, pinwright: Any, half_known: Path) -> None:
    text = PROFILE.replace('["A.2 and A.3 look exchanged", "whether a lead must link GND"]', said)
    half_known.write_text(text, encoding="utf-8")
    assert told in pinwright("profiles", "check", half_known).error(2)


def test_the_report_of_a_ribbon_says_where_it_is_told_what_it_serves_for(
    pinwright: Any, tmp_path: Path
) -> None:
    bench = tmp_path / "bench.toml"
    links = [f"[[link]]\npins = ['A.{n}', 'B.{n}']\n" for n in range(1, 41) if n != 20]
    bench.write_text("".join(links), encoding="utf-8")
    ran = pinwright("scan", "raw-ribbon-40", "--port", f"sim:{bench}", "--records", tmp_path / "r", "--json")
    page = " ".join(Path(json.loads(ran.out)["documents"]["html"]).read_text(encoding="utf-8").split())
    assert "Do not use this cable." not in page
    assert "for which leads it still serves, `pinwright records show` says" in page
