"""`pinwright records compare`: two tests of one cable, as they were recorded."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pinwright import __version__
from pinwright.cli import main as program
from pinwright.library import find_profile, library_folders
from pinwright.records.store import Store

from ..records.making import GOOD, TEXT, a_record, sealed
from ..records.test_lines import MADE, keep
from .test_hostile import BITING, assert_harmless, biting_record

LEAD = "lamp-changer-40"
ROSE = "A.7"  # the joint that is bad in the second test
SEEDS = (1, 1, 2, 3)  # of the boards that the tests are made on


@pytest.fixture(scope="session")
def real(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of one cable, tested once on each of SEEDS: at the second test a joint has risen from 0.1 Ω
    to 6 Ω, which is mended then."""
    home = tmp_path_factory.mktemp("compared")
    nets = find_profile(LEAD, library_folders()).profile.nets
    for test, seed in enumerate(SEEDS, 1):
        links = [
            f"[[link]]\npins = {json.dumps([*map(str, net.pins)])}\n"
            f"ohms = {6 if test == 2 and str(net.pins[0]) == ROSE else 0.1}\n"
            for net in nets
        ]
        bench = home / f"{test}.toml"
        bench.write_text("".join(links) + f"[tester]\nseed = {seed}\n")
        words = ["scan", LEAD, "--port", f"sim:{bench}", "--records", str(home / "r"), "--serial", "L-1"]
        assert (1 if test == 2 else 0) == program.main([*words, *(["--again"] if test > 1 else [])])
    return home / "r"


@pytest.fixture
def compare(pinwright: Any, real: Path) -> Callable[..., Any]:
    return lambda *words: pinwright("records", "compare", "L-1", "--records", real, *words)


def tokens(told: str) -> str:
    """Without what is another at every run."""
    return re.sub(r"\b\d{4}-\d\d-\d\d \d\d:\d\d\b", "<moment>", told)


def test_a_joint_that_rose(compare: Any, golden: Any) -> None:
    ran = compare("--test", "1", "--test", "2")
    assert 1 == ran.status
    golden("records-compare", type(ran)(ran.status, tokens(ran.out), ran.err))


def test_a_joint_that_rose_as_a_document(compare: Any) -> None:
    document = compare("--test", 1, "--test", 2, "--json").document
    assert ("pinwright/compare-1", "L-1", False) == tuple(
        document[key] for key in ("schema", "serial", "same")
    )
    assert (True, None) == (document["ohms_compared"], document["why_not"])
    one, other = document["one"], document["other"]
    assert [("L-1.test-1", "pass"), ("L-1.test-2", "fail")] == [
        (t["number"], t["verdict"]) for t in (one, other)
    ]
    assert one["tester"]["id"] == other["tester"]["id"]
    first, *rest = document["links"]
    assert (ROSE, "D2", "risen") == (first["from"], first["signal"], first["change"])
    assert first["rise"] == pytest.approx(first["other"]["ohms"] - first["one"]["ohms"], abs=0.02)
    assert first["rise"] == pytest.approx(5.9, abs=0.2)
    told = (first["one"]["uncertainty"] ** 2 + first["other"]["uncertainty"] ** 2) ** 0.5
    assert first["uncertainty"] == pytest.approx(told, abs=0.1)
    assert (39, {"same"}) == (len(rest), {link["change"] for link in rest})
    beyond = [abs(link["rise"]) - link["uncertainty"] for link in document["links"]]
    assert beyond == pytest.approx(sorted(beyond, reverse=True), abs=0.02)
    assert [
        {
            "signal": "D2",
            "pins": ["A.7", "B.37"],
            "one": {"state": "ok", "found": "B.37"},
            "other": {"state": "resistive", "found": "B.37"},
        }
    ] == document["nets"]
    assert ([], [], [], {}) == tuple(document[key] for key in ("leaks", "only_one", "only_other", "limits"))


def test_the_same_cable_on_other_boards_is_the_same(compare: Any) -> None:
    for test in (3, 4):
        ran = compare("--test", 1, "--test", test)
        assert (0, "") == (ran.status, ran.err)
        assert "SAME  nothing differs by more than readings can be wrong" == ran.out.splitlines()[-1]
        assert re.search(
            r"^40 links are the same within ± 5\.5 Ω; most apart is A\.\d+: [+−]0\.", ran.out, re.M
        )


@pytest.mark.parametrize(
    ("words", "tests"),
    [
        ((), (3, 4)),
        (("--test", 2), (2, 4)),
        (("--test", 4, "--test", 1), (4, 1)),
        (("--test", 3) * 2, (3, 3)),
    ],
)
def test_which_tests_are_compared(words: tuple[Any, ...], tests: tuple[int, int], compare: Any) -> None:
    document = compare(*words, "--json").document
    assert tests == (document["one"]["test"], document["other"]["test"])
    assert document["same"] == (2 not in tests)
    assert f"test {tests[0]} " in compare(*words).out


def test_links_that_are_the_same_are_listed_too(compare: Any) -> None:
    ran = compare("-v")
    rows = re.findall(r"^\S* +A\.\d+ +B\.\d+ .* ± 5\.5 Ω  same$", ran.out, re.M)
    assert 40 == len(rows)
    assert "-v lists them" not in ran.out


def test_turned_round_a_rise_is_a_fall(compare: Any) -> None:
    one, other = (compare("--test", a, "--test", b, "--json").document for a, b in ((1, 2), (2, 1)))
    assert ("risen", "fallen") == (one["links"][0]["change"], other["links"][0]["change"])
    assert [-link["rise"] for link in one["links"]] == [link["rise"] for link in other["links"]]


def test_a_withdrawn_test_is_marked(pinwright: Any, real: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(real, tmp_path / "r"))
    Store(folder).remark("withdrawal", "L-1", 2, "plug was loose", by=None, made=MADE, host=__version__)
    words = ("records", "compare", "L-1", "--test", 2, "--records", folder)
    ran = pinwright(*words)
    assert re.search(r"^result +FAIL \(simulated\), withdrawn +PASS \(simulated\)$", ran.out, re.M)
    assert re.search(r"^withdrawn +plug was loose +–$", ran.out, re.M)
    document = pinwright(*words, "--json").document
    assert ("plug was loose", None) == (document["one"]["withdrawn"], document["other"]["withdrawn"])


# Records made without a scan


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "records"


@pytest.fixture
def run(pinwright: Any, folder: Path) -> Callable[..., Any]:
    return lambda *words: pinwright("records", "compare", *words, "--records", folder)


def test_what_opened_and_what_leaks(run: Any, folder: Path, golden: Any) -> None:
    keep(folder, a_record(lane="calibrated", operator="O. Perator"))
    keep(folder, a_record((*GOOD[:-1], "A.1 A.2"), test=2, lane="calibrated", leaks={"A.4": 41_000.0}))
    golden("records-compare-opened", run("F-1"), records=str(folder))


def test_without_ohms_what_is_joined_is_compared(run: Any, folder: Path, golden: Any) -> None:
    keep(folder, a_record(lane="uncalibrated"))
    keep(folder, a_record(test=2))
    keep(folder, a_record(GOOD[1:], test=3))
    ran = run("F-1", "--test", "1", "--test", "2")
    assert 0 == ran.status
    assert (
        "ohms cannot be compared: one of the two testers measures none;\nwhat is joined was comp" in ran.out
    )
    assert "SAME  what is joined is the same in both" == ran.out.splitlines()[-1]
    document = run("F-1", "--test", "1", "--test", "2", "--json").document
    assert (False, [], True) == (document["ohms_compared"], document["links"], document["same"])
    golden("records-compare-coarse", run("F-1", "--test", "1"), records=str(folder))


def test_another_profile_is_told_and_what_both_have_is_compared(run: Any, folder: Path, golden: Any) -> None:
    other = TEXT.replace('"B"', '"C"').replace("[ends.A]", "max_ohms = 2.0\n[ends.A]", 1)
    other = other.replace('rule = "straight"', 'wires = [["A.1", "B.1"], ["A.2", "B.2"], ["A.3", "B.4"]]')
    keep(folder, a_record(lane="calibrated"))
    keep(folder, a_record(("A.1 B.1", "A.2 B.2", "A.3 B.4"), test=2, text=other, lane="calibrated"))
    golden("records-compare-profiles", run("F-1"), records=str(folder))
    document = run("F-1", "--json").document
    assert (["A.3 B.3", "A.4 B.4", "A.5 B.5"], ["A.3 B.4"]) == tuple(
        [" ".join(net["pins"]) for net in document[which]] for which in ("only_one", "only_other")
    )
    assert {""} == set(document["limits"])


def test_a_verdict_alone_that_differs_is_different(run: Any, folder: Path) -> None:
    keep(folder, a_record(lane="calibrated", max_ohms=100.0))
    keep(folder, a_record(lane="none", test=2))
    assert 0 == run("F-1").status
    keep(folder, a_record(lane="calibrated", test=3, joints={"A.4": 4.0}))
    ran = run("F-1", "--test", 1, "--test", 3)
    assert 1 == ran.status
    assert "DIFFERENT  1 net is joined or judged otherwise" == ran.out.splitlines()[-1]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("F-2",), r"serial `F-2` has no record in `\S+`.*"),
        (("F-1",), r"serial `F-1` has one test only, so there is nothing to compare it with"),
        (("F-1", "--test", "1"), r"serial `F-1` has one test only, so there is nothing to compare it with"),
        (("F-1", "--test", "1", "--test", "2"), r"serial `F-1` has no test 2; there are 1"),
        (("F-1", *("--test", "1") * 3), r"`--test` is given 3 times; two tests are compared"),
        (("../F-1",), r"serial '\.\./F-1': character 3 is U\+002F; .+"),
        (("F-1", "--test", "0"), r"argument --test: should be a whole number, 1 or more"),
    ],
)
def test_what_cannot_be_compared_is_an_error(
    words: tuple[str, ...], sentence: str, run: Any, folder: Path
) -> None:
    keep(folder, a_record())
    assert re.fullmatch(sentence, run(*words).error(2))
    assert 2 == run(*words, "--json").document["status"]


def test_the_latest_is_not_compared_with_itself(run: Any, folder: Path) -> None:
    for test in (1, 2):
        keep(folder, a_record(test=test))
    message = run("F-1", "--test", "2").error(2)
    assert "test 2 is the latest itself; a second `--test` says what to compare it with" == message
    assert 0 == run("f-1", "--test", "2", "--test", "2").status


def test_a_record_that_is_not_as_made_is_named_and_nothing_is_compared(run: Any, folder: Path) -> None:
    keep(folder, a_record())
    bad = folder / "F-1.test-2.certificate.json"
    bad.write_bytes(sealed(a_record(test=2)).replace(b"rack", b"rock"))
    ran = run("F-1")
    assert (1, "") == (ran.status, ran.err)
    assert ran.out.startswith(f"{bad}: NOT AS MADE: its contents have the SHA-256")
    assert 1 == len(ran.out.splitlines())
    document = run("F-1", "--json").document
    assert ("pinwright/verify-1", [False]) == (
        document["schema"],
        [one["as_made"] for one in document["files"]],
    )


@pytest.mark.parametrize("name", ["rich", "colour", "title", "C1", "turned round", "script", "sheet"])
def test_texts_that_bite_are_compared_harmlessly(name: str, run: Any, folder: Path) -> None:
    keep(folder, biting_record(BITING[name]))
    keep(folder, biting_record(BITING[name], test=2) | {"host": "0.0.1"})
    store = Store(folder)
    store.remark("withdrawal", "F-1", 1, "[bold red]x[/]", by=None, made=MADE, host=__version__)
    ran = run("F-1")
    assert (0, "") == (ran.status, ran.err)
    assert_harmless(ran.out)
    assert re.search(r"^withdrawn +\[bold red\]x\[/\] +–$", ran.out, re.M)
    assert run("F-1", "--json").document["same"]
