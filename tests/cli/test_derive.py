"""`pinwright derive`: from pinouts to a profile, and what it says on the way."""

from __future__ import annotations

import re
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest

from pinwright import resources

PINOUTS = resources.folder("profiles") / "pinouts"


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the pinouts of the demo, to work in."""
    for file in PINOUTS.iterdir():
        shutil.copy(file, tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def exchanged(file: Path, one: str, other: str) -> None:
    """The same pinout with two of its names exchanged."""
    text = file.read_text("utf-8")
    assert (1, 1) == (text.count(f",{one}\n"), text.count(f",{other}\n"))
    text = text.replace(f",{one}\n", ",<one>\n").replace(f",{other}\n", f",{one}\n")
    file.write_text(text.replace(",<one>\n", f",{other}\n"), "utf-8")


def test_the_lamp_changer_s_lead(bench: Path, pinwright: Any, golden: Any) -> None:
    ran = pinwright(
        "derive", "A=rack.csv", "B=changer.tsv", "--id", "lamp-changer", "--title", "Lamp changer"
    )
    golden("derive", ran, folded=False)


def test_two_names_exchanged(bench: Path, pinwright: Any, golden: Any) -> None:
    exchanged(bench / "rack.csv", "D0", "D5")
    golden("derive-exchanged", pinwright("derive", "A=rack.csv", "B=changer.tsv"), folded=False)


def test_against_the_library(bench: Path, pinwright: Any, golden: Any) -> None:
    words = ("derive", "A=rack.csv", "B=changer.tsv", "--against", "lamp-changer-40")
    ran = pinwright(*words)
    assert 0 == ran.status
    assert "the same nets and differ in words" in ran.out
    exchanged(bench / "rack.csv", "D0", "D5")
    golden("derive-against", pinwright(*words), folded=False)


def test_what_was_derived_is_a_good_profile_with_the_nets_of_the_library_s(
    bench: Path, pinwright: Any
) -> None:
    ran = pinwright("derive", "A=rack.csv", "B=changer.tsv", "--id", "mine", "--out", "mine.toml")
    assert (0, "", "written to `mine.toml`") == (ran.status, ran.out, ran.err.splitlines()[-1])
    checked = pinwright("profiles", "check", "mine.toml")
    good = "mine.toml: good: `mine`, 40 nets over idc-2x20, dip-40; 1 point to be confirmed\n"
    assert (0, good) == (checked.status, checked.out)
    assert pinwright("profiles", "diff", "mine.toml", "lamp-changer-40").out.startswith(
        "`mine` and `lamp-changer-40` have the same nets and differ in words\n"
    )


def test_a_file_is_never_written_over(bench: Path, pinwright: Any) -> None:
    (bench / "mine.toml").write_text("mine")
    ran = pinwright("derive", "A=rack.csv", "B=changer.tsv", "--out", "mine.toml")
    assert "`mine.toml` exists already" == ran.error(2)
    assert "mine" == (bench / "mine.toml").read_text()
    ran = pinwright("derive", "A=rack.csv", "B=changer.tsv", "--out", "x/y.toml")
    assert "`x/y.toml` cannot be written" in ran.error(2)


@pytest.mark.parametrize("name", ["lead", "lead.csv", "lead.toml.txt"])
def test_a_profile_is_only_written_to_a_file_that_is_known_for_one(
    name: str, bench: Path, pinwright: Any
) -> None:
    ran = pinwright("derive", "A=rack.csv", "B=changer.tsv", "--out", name)
    assert f"`--out {name}`: the name of a profile's file ends in `.toml`" == ran.error(2)
    assert not (bench / name).exists()


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [
        ("rack.csv", "changer.tsv", "rack-to-changer"),
        ("My rack (rev 2).csv", "_x_.csv", "My-rack-rev-2-to-x"),
        ("Größe.csv", "日本.csv", "Groe-to-B"),
        ("x" * 40 + ".csv", "y" * 40 + ".csv", "x" * 40 + "-to-" + "y" * 13),
        ("x" * 56 + ".csv", "y.csv", "x" * 56),
    ],
)
def test_a_profile_is_called_after_the_files_of_its_ends(
    one: str, other: str, expected: str, bench: Path, pinwright: Any
) -> None:
    (bench / "rack.csv").rename(bench / one)
    (bench / "changer.tsv").rename(bench / other)
    ran = pinwright("derive", f"B={other}", f"A={one}")
    assert 0 == ran.status
    assert expected == tomllib.loads(ran.out)["cable"]["id"]


def test_small_letters_name_ends_as_well(bench: Path, pinwright: Any) -> None:
    expected = pinwright("derive", "A=rack.csv", "B=changer.tsv").out
    words = ("derive", "a=rack.csv", "b=changer.tsv", "--connector", "a=idc-2x20")
    assert expected == pinwright(*words).out


def test_of_a_broken_rule_the_profile_says_once_what_is_to_be_confirmed(bench: Path, pinwright: Any) -> None:
    exchanged(bench / "rack.csv", "D0", "D5")
    ran = pinwright("derive", "A=rack.csv", "B=changer.tsv")
    profile = tomllib.loads(ran.out)
    assert "D5 and D0 look exchanged: A.5/A.11 or B.35/B.38" == profile["cable"]["to_confirm"][0]
    assert [1, 1] == [ran.out.count("exchanged"), ran.err.count("exchanged")]
    assert "misread" not in ran.out
    assert "2 points are to be confirmed: see `to_confirm` in the profile" == ran.err.splitlines()[-1]


def test_the_files_of_two_cables_are_asked_about_first(bench: Path, pinwright: Any) -> None:
    (bench / "other.csv").write_text("# connector: row-5\n1,CLOCK\n2,GND\n3,TXD\n4,RXD\n5,RTS\n")
    ran = pinwright("derive", "A=rack.csv", "B=other.csv")
    few = "few names have a partner (2 of 30 at A and 2 of 5 at B): are these the two ends of one cable?"
    assert (0, few) == (ran.status, ran.err.splitlines()[0])
    assert few == tomllib.loads(ran.out)["cable"]["to_confirm"][0]


def test_where_nothing_is_joined_that_is_said_and_nothing_before(bench: Path, pinwright: Any) -> None:
    alone = pinwright("derive", "A=rack.csv")
    assert (
        "error: no signal is at two ends, so nothing is joined\n\n"
        "hint: give every end of the cable: `A=FILE B=FILE`\n"
    ) == alone.err
    for name, signal in (("a.csv", "0V"), ("b.csv", "GND")):
        (bench / name).write_text(f"# connector: row-1\n1,{signal}\n")
    apart = pinwright("derive", "A=a.csv", "B=b.csv")
    assert "no signal is at two ends, so nothing is joined" == apart.error(2)
    assert apart.err.endswith("if they are one ground, `--ground 0V,GND` says so\n")
    assert apart.err.startswith("error: ")
    (bench / "b.csv").write_text("# connector: row-1\n1,X\n")
    assert pinwright("derive", "A=a.csv", "B=b.csv").err.endswith("hint: are these the ends of one cable?\n")


def test_the_document(bench: Path, pinwright: Any) -> None:
    exchanged(bench / "rack.csv", "D0", "D5")
    words = ("derive", "A=rack.csv", "B=changer.tsv", "--against", "lamp-changer-40", "--json")
    ran = pinwright(*words)
    document = ran.document
    assert (1, "", "pinwright/derive-1") == (ran.status, ran.err, document["schema"])
    assert ("alternate, first = high", False) == (document["rule"]["text"], document["rule"]["written"])
    assert ["D0", "D5"] == document["breaking"]
    assert [["A.5", "B.35"], ["A.11", "B.38"]] == [one["by_name"] for one in document["breaks"]]
    assert {"A": [], "B": []} == {
        end: [one for one in document["alone"] if one["pin"][0] == end] for end in "AB"
    }
    assert ({"B": "CH."}, {"GND": "optional"}) == (document["prefixes"], document["common"])
    assert {"signal": "CLOCK", "pins": ["A.2", "B.1"]} in document["nets"]
    assert not document["against"]["same_wiring"]
    assert ["A.5", "A.11", "B.35", "B.38"] == [moved["pin"] for moved in document["against"]["moved"]]
    assert ([], {}) == (document["unjoined"], document["missing"])
    assert document["to_confirm"] == tomllib.loads(document["profile"])["cable"]["to_confirm"]
    (bench / "said.toml").write_text(document["profile"], "utf-8")
    assert 0 == pinwright("profiles", "check", "said.toml").status


def test_connectors_and_grounds_may_be_said_on_the_command_line(bench: Path, pinwright: Any) -> None:
    (bench / "a.csv").write_text("1,GND\n2,X\n3,0V\n")
    (bench / "b.toml").write_text('[signals]\n1 = "X"\n2 = "VSS"\n')
    words = ("derive", "A=a.csv", "B=b.toml", "--connector", "A=trs", "--connector", "B=ts")
    assert "`trs` has pins T, R, S" in pinwright(*words).error(2)
    words = ("derive", "A=a.csv", "B=b.toml", "--connector", "A=row-3", "--connector", "B=row-2")
    said = pinwright(*words, "--ground", "GND,0V", "--ground", "VSS", "--tied", "0V")
    assert 0 == said.status
    assert '["A.2", "B.1"]' in said.out
    assert '[common.GND]\njoined = "required"' in said.out
    assert "`GND` is on several pins, 2 of A and 1 of B: the cable makes all of them one net" in said.err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["A"], "`END=FILE`: `A` should be an end and what it has, such as `A=rack.csv`"),
        (["A="], "`END=FILE`: `A=` should be an end"),
        (["ab=rack.csv"], "`END=FILE`: `ab=rack.csv` should be an end"),
        (["a=rack.csv", "A=rack.csv"], "`END=FILE`: end `A` is there twice"),
        (["A=rack.csv", "A=rack.csv"], "`END=FILE`: end `A` is there twice"),
        (["A=rack.csv", "B=changer.tsv", "--connector", "C=trs"], "`--connector`: there is no end `C`"),
        (["A=rack.csv", "B=changer.tsv", "--connector", "trs"], "`--connector`: `trs` should be an end"),
        (["A=rack.csv", "--connector", "A=trs"], "`--connector` says `trs`, but the file says `idc-2x20`"),
        (["A=nothing.csv"], "pinout `nothing.csv`: no such file"),
        (["A=rack.csv", "B=bare.csv"], "pinout `bare.csv`: does not say which connector this is"),
        (["A=rack.csv"], "no signal is at two ends, so nothing is joined"),
        (["A=rack.csv", "B=changer.tsv", "--id", "a b"], "`--id`: must be letters, digits and hyphens"),
        (["A=rack.csv", "B=changer.tsv", "--title", "\x1b"], "`--title`: character 1 is U+001B"),
        (["A=rack.csv", "B=changer.tsv", "--revision", "x" * 201], "`--revision`: has 201 characters"),
        (
            ["A=rack.csv", "B=changer.tsv", "--ground", "EARTH"],
            "`--ground`: no pin of any end carries `EARTH`",
        ),
        (
            ["A=rack.csv", "B=changer.tsv", "--ground", "GND,EARTH"],
            "`--ground`: no pin of any end carries `EARTH`",
        ),
        (["A=rack.csv", "B=changer.tsv", "--ground", "GND,"], "`` is no name of a signal"),
        (["A=rack.csv", "B=changer.tsv", "--tied", "CLOCKS"], "`--tied`: no two pins carry `CLOCKS`"),
        (["A=rack.csv", "B=changer.tsv", "--against", "nobody"], "no profile has the id `nobody`"),
        ([f"E{k}=rack.csv" for k in range(9)], "9 ends are too many"),
    ],
)
def test_what_is_wrong_is_refused(words: list[str], message: str, bench: Path, pinwright: Any) -> None:
    (bench / "bare.csv").write_text("1,GND\n")
    ran = pinwright("derive", *words)
    assert message in ran.error(2)


def test_the_hint_names_the_end_whose_connector_is_not_said(bench: Path, pinwright: Any) -> None:
    (bench / "bare.csv").write_text("1,GND\n")
    assert "`--connector B=idc-2x20` says it, or" in pinwright("derive", "A=rack.csv", "B=bare.csv").err


def test_text_that_bites_is_shown_harmlessly(bench: Path, pinwright: Any) -> None:
    rows = '1,[bold red]x[/]\n2,"""a\\b"""\n3,\'\'\'\n4,# no remark\n5,{id}\n'
    for name in ("a.csv", "b.csv"):
        (bench / name).write_text(f"# connector: row-5\n# label: [link=x]\n{rows}")
    ran = pinwright("derive", "A=a.csv", "B=b.csv", "--title", 'say "hi" \\ # ]', "--out", "x.toml")
    assert 0 == ran.status
    assert "no rule" not in ran.err
    shown = pinwright("profiles", "show", "x.toml").out
    assert 'say "hi" \\ # ]' in shown
    for name in ("[bold red]x[/]", '"a\\b"', "'''", "# no remark", "{id}"):
        assert re.search(rf"^{re.escape(name)} +A\.\d +B\.\d$", shown, re.MULTILINE)
