"""`profiles list` as a search, and what is told of where a wiring comes from."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pinwright import resources

STANDARD = resources.folder("profiles") / "standard"


@pytest.fixture
def ids(pinwright: Any) -> Any:
    """Run `profiles list` with more words; the ids that it lists."""

    def ids(*words: str) -> list[str]:
        ran = pinwright("profiles", "list", "--json", *words)
        assert (0, "pinwright/profiles-1") == (ran.status, ran.document["schema"])
        return [found["id"] for found in ran.document["profiles"]]

    return ids


def test_a_search(pinwright: Any, golden: Any) -> None:
    golden("profiles-list-null-modem", pinwright("profiles", "list", "null", "modem"))


@pytest.mark.parametrize("name", ["printer-db25-to-mr36-25wire-a", "cbm-serial-din6"])
def test_a_published_profile(name: str, pinwright: Any, golden: Any) -> None:
    golden(f"profiles-show-{name}", pinwright("profiles", "show", name))


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (["din5-gen"], ["din5-generic-five-core"]),  # id
        (["MICROPHONE lead"], ["xlr3-straight"]),  # title
        (["mixing"], ["trs-insert-y"]),  # label
        (["swdio", "vtref", "rtck"], ["arm-jtag20-straight"]),  # signals
        (["laundrie"], ["din5-generic-five-core"]),  # source
        (["null", "full", "campbell"], ["rs232-de9-null-modem-full-handshake"]),
        (["null", "nothing"], []),
    ],
)
def test_every_word_has_to_be_somewhere_in_what_a_profile_says(
    words: list[str], found: list[str], ids: Any
) -> None:
    assert found == ids(*words)


def test_without_words_everything_is_listed(ids: Any) -> None:
    everything = ids()
    assert {path.stem for path in STANDARD.iterdir()} | {"lamp-changer-40"} <= {*everything}
    assert len(everything) == len({*everything})


@pytest.mark.parametrize(
    ("options", "found"),
    [
        (["--connector", "dsub-25-socket"], {"idc26-to-db25-number-matched", "idc26-to-db25-row-matched"}),
        (["--connector", "micro"], {"idc36-ribbon-to-micro-ribbon36", "printer-db25-to-mr36-18wire"}),
        (["--connector", "xlr-3-plug"], {"xlr3-straight"}),
        (["--ways", "50"], {"scsi50-ribbon-straight"}),
        (["--ways", "25", "printer"], {"printer-db25-to-mr36-25wire-a", "idc26-to-db25-row-matched"}),
        (["--connector", "dsub", "--ways", "25", "modem"], {"rs232-de9-to-db25-modem-tia574"}),
    ],
)
def test_an_end_has_the_connector_and_the_contacts(options: list[str], found: set[str], ids: Any) -> None:
    assert found <= {*ids(*options)}


def test_one_end_has_to_have_both_the_connector_and_the_contacts(ids: Any) -> None:
    assert "rs232-de9-to-db25-modem-tia574" in ids("--connector", "dsub-9")
    assert "rs232-de9-to-db25-modem-tia574" not in ids("--connector", "dsub-9", "--ways", "25")


def test_the_beginning_of_a_name_is_enough(ids: Any) -> None:
    crimped = ids("--connector", "idc")
    assert {"ata40-straight", "lamp-changer-40", "idc-dip14-plug-pin1-on-wire2"} <= {*crimped}
    assert "xlr3-straight" not in crimped


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        (["no-such"], "`no-such`"),
        (["null", "--connector", "dsub-25", "--ways", "9"], "`null`, an end with `dsub-25` and 9 contacts"),
        (["--ways", "999"], "an end with 999 contacts"),
    ],
)
def test_a_search_that_finds_nothing_says_what_was_searched(
    words: list[str], asked: str, pinwright: Any, ids: Any
) -> None:
    ran = pinwright("profiles", "list", *words)
    assert (0, "") == (ran.status, ran.out)
    assert f"none of the {len(ids())} profiles of the library is one with {asked}\n" == ran.err
    assert [] == ids(*words)


@pytest.mark.parametrize(
    ("name", "part"),
    [
        ("db25", "`--connector`: there is no connector `db25`; there are "),
        ("dsub-26", "`--connector`: `dsub-26`: a D-sub connector is written `dsub-N-plug` or "),
        ("IDC-2x20", "close to it: `idc-2x20`"),
    ],
)
def test_a_connector_that_does_not_exist_is_refused_with_those_that_do(
    name: str, part: str, pinwright: Any
) -> None:
    assert part in pinwright("profiles", "list", "--connector", name).error(2)


@pytest.mark.parametrize("ways", ["0", "-3", "1000", "9" * 5000, "x", "\u0664", "", "2.5"])
def test_ways_that_are_no_number_are_refused(ways: str, pinwright: Any) -> None:
    assert "argument --ways: " in pinwright("profiles", "list", "--ways", ways).error(2)


def test_the_document_tells_ends_and_where_the_wiring_comes_from(pinwright: Any) -> None:
    ran = pinwright("profiles", "list", "din5-generic", "--json")
    shell = {"connector": "din-5-180-plug-shell", "contacts": 5}
    expected = {
        "id": "din5-generic-five-core",
        "title": "DIN lead, five cores and screen",
        "revision": "1",
        "nets": 6,
        "ends": {"A": {**shell, "label": "one end"}, "B": {**shell, "label": "other end"}},
        "known": "single",
        "sources": [
            "CABLE.TXT 1991 (T. Laundrie): generic lead carries 1-1..5-5 with the screen on the shells"
        ],
    }
    assert {"schema": "pinwright/profiles-1", "profiles": [expected], "wrong": []} == ran.document


def test_of_a_workshop_s_own_cable_nothing_is_known(pinwright: Any) -> None:
    (lead,) = pinwright("profiles", "list", "lamp-changer-40", "--json").document["profiles"]
    assert (None, []) == (lead["known"], lead["sources"])


def test_a_profile_that_is_wrong_is_told_beside_the_list(
    pinwright: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pinwright.cli.profiles.library_folders", lambda: (tmp_path,))
    (tmp_path / "good.toml").write_text((STANDARD / "midi-din5.toml").read_text("utf-8"), "utf-8")
    (tmp_path / "wrong.toml").write_text("[cable]\n", "utf-8")
    for words in ((), ("--json",)):
        ran = pinwright("profiles", "list", *words)
        assert 2 == ran.status
        assert "midi-din5" in ran.out
        assert "wrong.toml`, key `cable.id`: is missing" in ran.err
    (wrong,) = ran.document["wrong"]
    assert wrong["message"] in ran.err


def test_two_profiles_beside_each_other(pinwright: Any, golden: Any) -> None:
    words = ("profiles", "diff", "service-lead-9", "rs232-de9-null-modem-7wire-no-dcd")
    golden("profiles-diff-words", pinwright(*words), folded=False)
    golden("profiles-diff-nets", pinwright("profiles", "diff", "floppy34-straight", "floppy34-ibm-twist"))


@pytest.mark.parametrize(
    ("old", "new", "status", "told"),
    [
        ("", "", 0, "`lamp-changer-40` and `mine.toml` are the same, in nets and in words"),
        (
            '"B"\nlength',
            '"C"\nlength',
            1,
            "`lamp-changer-40 B` and `lamp-changer-40 C` have the same nets and",
        ),
        ("length_mm = 600", "length_mm = 800", 1, "length, mm  600              800"),
        ("[limits.VLAMP]\nmax_ohms = 1.0", "", 1, "VLAMP      links at most 1 Ω"),
        ('joined = "optional"', 'joined = "never"', 1, "GND     optional         never"),
    ],
)
def test_what_differs_is_told(
    old: str,
    new: str,
    status: int,
    told: str,
    pinwright: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    text = (STANDARD.parent / "workshop" / "lamp-changer-40.toml").read_text("utf-8")
    assert old in text
    (tmp_path / "mine.toml").write_text(text.replace(old, new, 1) if old else text, "utf-8")
    ran = pinwright("profiles", "diff", "lamp-changer-40", "mine.toml")
    assert status == ran.status
    assert told in ran.out


def test_the_document_of_a_difference(pinwright: Any) -> None:
    words = ("profiles", "diff", "service-lead-9", "rs232-de9-null-modem-3wire", "--json")
    ran = pinwright(*words)
    document = ran.document
    assert (1, "pinwright/diff-1", "service-lead-9") == (ran.status, document["schema"], document["one"])
    assert ([], 4) == (document["only_other"], len(document["only_one"]))
    assert {
        "pin": "B.4",
        "one": {"signal": "DSR/DTR", "pins": ["A.6", "B.4"]},
        "other": None,
    } in document["moved"]
    assert {"one": "2000", "other": None} == document["cable"]["length_mm"]


def test_a_profile_that_is_not_there_cannot_be_compared(pinwright: Any) -> None:
    assert "no profile has the id `nobody`" in pinwright(
        "profiles", "diff", "service-lead-9", "nobody"
    ).error(2)
