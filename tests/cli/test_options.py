"""The options of `pinwright scan`, one by one."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pinwright.records.document import open_sealed

SIM = ("--port", "sim")


@pytest.fixture
def scanned(pinwright: Any) -> Callable[..., Any]:
    """A good cable's document, nothing recorded."""

    def scanned(profile: str, *words: object) -> Any:
        ran = pinwright("scan", profile, *SIM, "--no-certificate", "--json", *words)
        assert 0 == ran.status, ran
        return ran.document

    return scanned


def recorded(place: Path) -> list[str]:
    """The records in a folder; each has its documents, and there is nothing else."""
    names = sorted(name for name in os.listdir(place) if not name.startswith("."))
    records = [name for name in names if name.endswith(".json")]
    stems = [name.removesuffix("json") for name in records]
    assert sorted(f"{stem}{kind}" for stem in stems for kind in ("html", "json", "pdf")) == names
    return records


@pytest.mark.parametrize(
    ("words", "sockets"),
    [
        (["--at", "A=J2"], {"A": "J2", "B": "J1"}),
        (["--at", "A=J2", "B=S1"], {"A": "J2", "B": "S1"}),
        (["--at", "A=J2", "--at", "B=J1"], {"A": "J2", "B": "J1"}),
    ],
)
def test_an_end_goes_where_it_is_put_by_hand(words: list[str], sockets: Any, scanned: Any) -> None:
    assert sockets == scanned("straight-34", *words)["sockets"]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--at", "A"], "`--at A` should be written END=SOCKET, such as `--at A=J1`"),
        (["--at", "=J1"], "`--at =J1` should be written"),
        (["--at", "A="], "`--at A=` should be written"),
        (["--at", "A=J1", "A=J2"], "`--at` names end `A` twice"),
        (["--at", "A=J1", "B=J1"], "`--at` puts two ends into socket `J1`"),
        (["--at", "Q=J1"], "the cable has no end `Q`; its ends are A, B"),
        (["--at", "A=J9"], "no socket `J9`; there are J1, S1, J2"),
        (["--at", "A=PROBE"], "no socket `PROBE`"),
    ],
)
def test_a_socket_that_cannot_be_is_refused(words: list[str], sentence: str, pinwright: Any) -> None:
    assert sentence in pinwright("scan", "straight-34", *SIM, "--no-certificate", *words).error(2)


@pytest.mark.parametrize("text", ["0", "-1", "nan", "inf", "1e9", "five", "", "5 ohms", "0x5"])
def test_a_limit_that_is_no_number_of_ohms_is_refused(text: str, pinwright: Any) -> None:
    message = pinwright("scan", "straight-34", *SIM, "--no-certificate", f"--max-ohms={text}").error(2)
    assert f"`--max-ohms {text}` should be a number of ohms above 0, at most 10000" == message


def test_a_limit_that_is_not_checked_is_written_down_and_said_to_be_so(
    pinwright: Any, bench: Any, profile_of: Any, tmp_path: Path
) -> None:
    port = bench([[*net.pins] for net in profile_of("straight-34").nets], 'lane = "none"')
    words = ("--port", port, "--records", tmp_path, "--max-ohms", "1.5")
    ran = pinwright("scan", "straight-34", *words)
    assert 0 == ran.status
    assert "note: this tester does not measure ohms" in ran.err
    record = open_sealed((tmp_path / recorded(tmp_path)[0]).read_bytes())
    assert {"max_ohms": 1.5, "by_hand": True, "checked": False}.items() <= record["limits"].items()


@pytest.mark.parametrize("name", ["[red]x[/]", "Ω", "名", "x" * 80, "O’B :smile: \\[b]"])
def test_an_operator_is_recorded_as_written(name: str, pinwright: Any, tmp_path: Path) -> None:
    ran = pinwright("scan", "service-lead-9", *SIM, "--records", tmp_path, "--json", "--operator", name)
    assert (0, name) == (ran.status, ran.document["operator"])
    assert name == open_sealed(Path(ran.document["certificate"]).read_bytes())["scan"]["operator"]


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("a\nb", "contains U+000A"),
        ("\x1b[31m", "contains U+001B"),
        ("a\u202eb", "contains U+202E"),
        ("a\u200bb", "contains U+200B"),
        ("\udcff", "contains U+DCFF"),
        ("x" * 81, "has 81 characters; 1 to 80 are possible, not all blanks"),
        ("", "has 0 characters; 1 to 80 are possible, not all blanks"),
        ("   ", "has 3 characters; 1 to 80 are possible, not all blanks"),
    ],
)
def test_an_operator_that_could_mislead_is_refused(name: str, sentence: str, pinwright: Any) -> None:
    message = pinwright("scan", "straight-34", *SIM, "--no-certificate", "--operator", name).error(2)
    assert f"`--operator` {sentence}" in message


def test_markup_in_a_title_is_shown_as_written(pinwright: Any, tmp_path: Path) -> None:
    file = tmp_path / "odd.toml"
    file.write_text(
        '[cable]\nid = "odd"\ntitle = "[red]x[/] :smile: [/b]"\n[ends.A]\nconnector = "idc-2x5"\n'
        '[ends.B]\nconnector = "idc-2x5"\n[wiring]\nrule = "straight"\n'
    )
    ran = pinwright("scan", file, *SIM, "--no-certificate")
    assert (0, "[red]x[/] :smile: [/b]") == (ran.status, ran.out.splitlines()[0])
    assert "[red]x[/] :smile: [/b]" == pinwright("profiles", "show", file).out.splitlines()[0]


def test_good_nets_are_listed_when_asked_for(pinwright: Any) -> None:
    short = pinwright("scan", "straight-34", *SIM, "--no-certificate").out
    assert "all 34 nets are as the profile says (-v lists them)" in short
    assert "A.17" not in short
    for option in ("-v", "--verbose"):
        lines = pinwright("scan", "straight-34", *SIM, "--no-certificate", option).out.splitlines()
        listed = [line.split() for line in lines if line.endswith(" ok")]
        measured = [line[3:-1] for line in listed]
        assert [[f"A.{n}", f"B.{n}", f"B.{n}", "ok"] for n in range(1, 35)] == [
            [*line[:3], line[-1]] for line in listed
        ]
        assert all(unit == "Ω" and float(ohms) < 1 for ohms, unit in measured)


def test_without_a_certificate_the_folder_is_not_touched(pinwright: Any, tmp_path: Path) -> None:
    place = tmp_path / "r"
    ran = pinwright(
        "scan", "straight-34", *SIM, "--records", place, "--no-certificate", "--serial", "X1", "--json"
    )
    assert (0, "X1", None) == (ran.status, ran.document["serial"], ran.document["certificate"])
    assert not place.exists()


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="XDG is of Linux")
def test_records_of_simulations_have_a_folder_of_their_own_in_the_user_s_data(
    process: Any, tmp_path: Path
) -> None:
    ran = process("scan", "straight-34", *SIM, "--json", XDG_DATA_HOME=tmp_path / "data")
    place = tmp_path / "data" / "pinwright" / "simulated"
    assert str(place / "HL34-0001.test-1.certificate.json") == ran.document["certificate"]
    ran = process("scan", "straight-34", *SIM, "--json", XDG_DATA_HOME="", HOME=tmp_path / "home")
    place = tmp_path / "home" / ".local" / "share" / "pinwright" / "simulated"
    assert str(place / "HL34-0001.test-1.certificate.json") == ran.document["certificate"]


def test_serials_are_counted_up(pinwright: Any, bench: Any, tmp_path: Path) -> None:
    words = ("scan", "lamp-changer-40", "--records", tmp_path, "--json", "--port")
    serials = [pinwright(*words, port).document["serial"] for port in ("sim", bench([]), "sim")]
    assert ["HL40-0001", "HL40-0002", "HL40-0003"] == serials
    assert [
        "HL40-0001.test-1.certificate.json",
        "HL40-0002.test-1.report.json",
        "HL40-0003.test-1.certificate.json",
    ] == recorded(tmp_path)


def test_a_re_test_keeps_the_serial_and_the_earlier_record(
    pinwright: Any, bench: Any, tmp_path: Path
) -> None:
    words = ("scan", "straight-34", "--records", tmp_path, "--serial", "OLD-7", "--json")
    assert 1 == pinwright(*words, "--port", bench([])).status
    ran = pinwright(*words, *SIM, "--again")
    assert (0, "OLD-7") == (ran.status, ran.document["serial"])
    assert ["OLD-7.test-1.report.json", "OLD-7.test-2.certificate.json"] == recorded(tmp_path)


def test_programs_that_run_at_once_take_different_serials(
    command: Any, surroundings: Any, tmp_path: Path
) -> None:
    running = [
        subprocess.Popen(
            command("scan", "lamp-changer-40", *SIM, "--records", tmp_path / "r"),
            env=surroundings(),
            stdout=subprocess.DEVNULL,
        )
        for _ in range(3)
    ]
    assert [0, 0, 0] == [program.wait(60) for program in running]
    names = [f"HL40-{n:04}.test-1.certificate.json" for n in (1, 2, 3)]
    assert names == recorded(tmp_path / "r")


def test_a_re_test_of_a_cable_that_has_no_record_is_refused(pinwright: Any, tmp_path: Path) -> None:
    """A slip in the serial would make a new cable of it."""
    message = pinwright(
        "scan", "straight-34", "--port", "sim", "--records", tmp_path, "--serial", "OTHER-1", "--again"
    ).error(2)
    assert message.startswith("serial `OTHER-1` has no record in ")


def test_another_cable_cannot_be_tested_again_under_that_serial(pinwright: Any, tmp_path: Path) -> None:
    words = ("--port", "sim", "--records", tmp_path, "--serial", "X-1")
    assert 0 == pinwright("scan", "service-lead-9", *words).status
    ran = pinwright("scan", "midi-din5", *words, "--again")
    assert 2 == ran.status
    assert "serial `X-1` is a cable of the profile `service-lead-9`, not of `midi-din5`" in ran.err
    assert 3 == len(list(tmp_path.glob("X-1.*")))


def test_the_profile_may_stand_behind_at(pinwright: Any) -> None:
    ran = pinwright("scan", "--port", "sim", "--no-certificate", "--json", "--at", "A=J2", "raw-ribbon-40")
    assert (0, "J2") == (ran.status, ran.document["sockets"]["A"])


def test_an_empty_word_is_no_place_for_records(pinwright: Any) -> None:
    assert "not an empty word" in pinwright("scan", "straight-34", "--port", "sim", "--records", "").error(2)


def test_a_pass_says_what_it_does_not_mean(pinwright: Any, bench: Any, profile_of: Any) -> None:
    ran = pinwright("scan", "lamp-changer-40", "--port", "sim", "--no-certificate")
    assert "the tester was a simulation: no cable was tested" in ran.out
    assert "may count as good" not in ran.out
    links = [[*net.pins] for net in profile_of("lamp-changer-40").nets]
    for lane, told in (
        (
            "none",
            "continuity only: a joint of up to some tens of kilohms counts as good, and a leak may go "
            "unnoticed",
        ),
        (
            "uncalibrated",
            "the tester is not calibrated: a joint of up to some 150 Ω may count as good links were held "
            "against 80 Ω, not against the profile's limits",
        ),
    ):
        port = bench(links, f'lane = "{lane}"')
        ran = pinwright("scan", "lamp-changer-40", "--port", port, "--no-certificate")
        assert (0, True) == (ran.status, told in " ".join(ran.out.split()))


def test_grounds_that_are_linked_at_both_ends_are_counted(pinwright: Any, tmp_path: Path) -> None:
    """One of them is cut: continuity cannot see it, and the result says that."""
    links = [["A.1", "A.3"], ["B.40", "B.39"], ["A.3", "B.39"]]  # A.1-B.40 is broken
    show = pinwright("profiles", "show", "lamp-changer-40").out
    nets = [line.split()[-2:] for line in show.splitlines() if " A." in f" {line}" and " B." in line]
    bench = tmp_path / "linked.toml"
    pairs = [*links, *(net for net in nets if net[0] not in ("A.1", "A.3"))]
    bench.write_text("\n".join(f"[[link]]\npins = {pair}" for pair in pairs).replace("'", '"'))
    ran = pinwright("scan", "lamp-changer-40", "--port", f"sim:{bench}", "--no-certificate")
    assert 0 == ran.status
    assert "2 conductors are joined at both ends and not proven one by one" in ran.out
