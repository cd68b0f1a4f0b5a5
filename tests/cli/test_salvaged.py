"""A salvaged ribbon is scanned before it is cut: what it still serves for, in every way that it is told."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

GROUNDS = [f"A.{n}" for n in (1, 3, 9, 14, 19, 24, 28, 33, 40)]  # of the lamp changer's lead
BLIND = [[f"A.{n}", f"B.{n}"] for n in range(1, 41) if n != 20]
TIED = [*([f"A.{n}", f"B.{n}"] for n in range(1, 41)), GROUNDS]
KEEP = "--no-certificate"


def serves(document: Any) -> dict[str, list[str]]:
    return {lead["id"]: lead["ends"] for lead in document["serves"] if lead["serves"]}


def test_a_ribbon_with_a_blind_key_position(pinwright: Any, golden: Any, bench: Any) -> None:
    ran = pinwright("scan", "raw-ribbon-40", "--port", bench(BLIND), KEEP)
    golden("scan-salvaged-ribbon", ran, measured=True)


def test_grounds_tied_inside_a_plug(pinwright: Any, golden: Any, bench: Any) -> None:
    ran = pinwright("scan", "raw-ribbon-40", "--port", bench(TIED), KEEP)
    golden("scan-tied-ribbon", ran, measured=True)


def test_a_good_ribbon_says_what_it_serves_for(pinwright: Any, golden: Any) -> None:
    golden("scan-good-ribbon", pinwright("scan", "raw-ribbon-40", "--port", "sim", KEEP), measured=True)


def test_the_document_says_it_with_reasons(pinwright: Any, bench: Any) -> None:
    document = pinwright("scan", "raw-ribbon-40", "--port", bench(BLIND), KEEP, "--json").document
    assert {"ata40-straight": ["A", "B"], "woven-40": ["A"]} == serves(document)
    assert {
        "id": "lamp-changer-40",
        "title": "Sequencer rack to lamp changer, 40-way",
        "serves": False,
        "ends": [],
        "why_not": ["end A: conductor 20 open, perhaps by a key"],
    } in document["serves"]
    ribbon = document["ribbon"]
    assert (40, 39) == (ribbon["conductors"], ribbon["fit"])
    (flaw,) = ribbon["flaws"]
    assert ("key", [20], ["A.20", "B.20"]) == (flaw["state"], flaw["conductors"], flaw["pins"])


def test_the_verdict_is_that_of_the_profile_all_the_same(pinwright: Any, bench: Any) -> None:
    ran = pinwright("scan", "raw-ribbon-40", "--port", bench(BLIND), KEEP, "--json")
    assert (1, "fail", ["open"]) == (
        ran.status,
        ran.document["verdict"],
        [finding["kind"] for finding in ran.document["findings"]],
    )


@pytest.mark.parametrize("links", [[], [["A.1", "A.2"]]], ids=["nothing", "one end"])
def test_of_a_ribbon_that_is_not_in_nothing_is_said(links: Any, pinwright: Any, bench: Any) -> None:
    ran = pinwright("scan", "raw-ribbon-40", "--port", bench(links), KEEP, "--json")
    assert "absent" == ran.document["findings"][0]["kind"]
    assert {"ribbon", "serves"}.isdisjoint(ran.document)


def test_of_a_finished_lead_nothing_is_said(pinwright: Any) -> None:
    ran = pinwright("scan", "lamp-changer-40", "--port", "sim", KEEP, "--json")
    assert {"ribbon", "serves"}.isdisjoint(ran.document)


def test_a_saved_scan_and_a_record_say_the_same_again(pinwright: Any, bench: Any, tmp_path: Path) -> None:
    words = ("scan", "raw-ribbon-40", "--port", bench(TIED), "--records", tmp_path / "r")
    printed = pinwright(*words, "--json")
    shown = pinwright(*words).out
    passage = shown[shown.index("as raw material") : shown.index("\nFAIL")]
    saved = tmp_path / "scan.json"
    saved.write_text(printed.out)
    again = pinwright("explain", saved, "--json").document
    assert (printed.document["ribbon"], printed.document["serves"]) == (again["ribbon"], again["serves"])
    for told in (
        pinwright("explain", saved),
        pinwright("explain", printed.document["report"]),
        pinwright("records", "show", "RAW40-0001", "--records", tmp_path / "r"),
    ):
        assert passage in told.out
    kept = json.loads(Path(printed.document["report"]).read_text())
    assert {"ribbon", "serves"}.isdisjoint(kept["scan"])
