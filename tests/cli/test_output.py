"""What a person sees, to the letter: golden files of 80 columns, without colour, the exit status in them."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from pinwright.cli import demo
from pinwright.library import library_folders

from .conftest import steady

BROKEN = library_folders()[0] / "broken"
BACKPLANE = """\
[cable]
id = "backplane"
title = "Ground bus, 20 pins at each end"
[ends.A]
connector = "idc-2x20"
[ends.B]
connector = "idc-2x20"
[wiring]
wires = [[GROUNDS], ["A.2", "B.2"]]
[ends.A.signals]
2 = "LATCH"
"""
GROUNDS = [f"{end}.{n}" for n in range(1, 40, 2) for end in "AB"]  # 40 pins, neighbours in the bench
SGR = re.compile(r"\x1b\[([0-9;]*)m")


@pytest.fixture
def bad_lead(profile_of: Any, tmp_path: Path) -> str:
    """The demo's bad lead, plugged in."""
    (tmp_path / "bad-lead.toml").write_text(demo._bad_lead(profile_of("lamp-changer-40")))
    return f"sim:{tmp_path / 'bad-lead.toml'}"


@pytest.fixture
def backplane(tmp_path: Path) -> Path:
    """A profile with a net of 40 pins."""
    file = tmp_path / "backplane.toml"
    file.write_text(BACKPLANE.replace("GROUNDS", ", ".join(f'"{pin}"' for pin in GROUNDS)))
    return file


def test_the_demo(pinwright: Any, golden: Any) -> None:
    golden("demo", pinwright("demo"), measured=True)


def test_a_good_scan(pinwright: Any, golden: Any, tmp_path: Path) -> None:
    words = ("lamp-changer-40", "--port", "sim", "--records", tmp_path / "r", "-v")
    golden("scan-good", pinwright("scan", *words), measured=True)


def test_a_bad_scan(pinwright: Any, golden: Any, tmp_path: Path, bad_lead: str) -> None:
    words = ("lamp-changer-40", "--port", bad_lead, "--records", tmp_path / "r")
    golden("scan-bad", pinwright("scan", *words), measured=True)


def test_a_plug_that_was_crimped_on_backwards(
    pinwright: Any, golden: Any, bench: Any, profile_of: Any
) -> None:
    links = [
        [f"A.{41 - int(a.name)}", b] for a, b in (net.pins for net in profile_of("lamp-changer-40").nets)
    ]
    ran = pinwright("scan", "lamp-changer-40", "--port", bench(links), "--no-certificate")
    golden("scan-turned", ran, measured=True)
    picture = ran.out[ran.out.index("A: idc-2x20") : ran.out.index("\n\n1. ")].splitlines()
    assert len(picture) <= 24
    assert max(map(len, picture)) <= 80


def test_a_dip_plug_one_place_off_in_its_socket(pinwright: Any, bench: Any, profile_of: Any) -> None:
    """Of 24 pins in a socket of 40: the last pair sits where the tester has positions of its own."""

    def at(number: int) -> str:
        """The position one further than the pin's own, by what it is called there."""
        place = number + 1 if number <= 12 else 40 - 24 + number - 1
        return f"B.{place}" if place <= 12 else f"B.{place - 16}" if place > 28 else f"@S1.{place}"

    nets = profile_of("idc-dip24-plug-pin1-on-wire2").nets
    links = [[a, at(int(b.name))] for a, b in (net.pins for net in nets)]
    words = ("idc-dip24-plug-pin1-on-wire2", "--port", bench(links), "--no-certificate", "--json")
    (found,) = pinwright("scan", *words).document["findings"]
    assert ("shifted", "end B is plugged in one column off, towards pin 12") == (found["kind"], found["text"])


def test_a_large_net_that_is_open_in_its_middle(
    pinwright: Any, golden: Any, backplane: Path, bench: Any
) -> None:
    port = bench([GROUNDS[:18], GROUNDS[18:], ["A.2", "B.2"]])
    golden("scan-large-net", pinwright("scan", backplane, "--port", port, "--no-certificate"), measured=True)


def test_a_large_net_that_is_whole(pinwright: Any, golden: Any, backplane: Path) -> None:
    words = (backplane, "--port", "sim", "--no-certificate", "-v")
    golden("scan-large-net-good", pinwright("scan", *words), measured=True)


def test_nothing_plugged_in(pinwright: Any, golden: Any, bench: Any) -> None:
    golden(
        "scan-nothing",
        pinwright("scan", "straight-34", "--port", bench([]), "--no-certificate"),
        measured=True,
    )


def test_a_wrong_id(pinwright: Any, golden: Any) -> None:
    golden("scan-wrong-id", pinwright("scan", "lamp-chnger-40", "--port", "sim"))


def test_the_list_of_profiles(
    pinwright: Any, golden: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The workshop's; the library as a whole may grow."""
    monkeypatch.setattr(
        "pinwright.cli.profiles.library_folders", lambda: (library_folders()[0] / "workshop",)
    )
    golden("profiles-list", pinwright("profiles", "list"))


@pytest.mark.parametrize("name", ["lamp-changer-40", "service-lead-9", "woven-40"])
def test_one_profile(name: str, pinwright: Any, golden: Any) -> None:
    golden(f"profiles-show-{name}", pinwright("profiles", "show", name))


def test_profiles_that_are_checked(pinwright: Any, golden: Any) -> None:
    good = library_folders()[0] / "workshop"
    broken = [BROKEN / f"{name}.toml" for name in ("rule-unknown", "wires-no-pin", "signal-on-two-pins")]
    golden("profiles-check", pinwright("profiles", "check", good, *broken))


def test_piped_output_is_the_same_every_time(process: Any, tmp_path: Path, bad_lead: str) -> None:
    words = ("scan", "lamp-changer-40", "--port", bad_lead, "--no-certificate", "-v")
    first, second = process(*words, COLUMNS=40), process(*words, FORCE_COLOR=1, TERM="xterm-256color")
    assert (first.status, first.err, steady(first.out)) == (second.status, second.err, steady(second.out))
    assert "\x1b" not in first.out


def colours(text: str) -> set[int]:
    """The numbers of the foreground and background colours that a text sets."""
    codes = {int(code) for found in SGR.findall(text) for code in found.split(";") if code}
    return {code for code in codes if 30 <= code <= 38 or 40 <= code <= 48 or 90 <= code <= 107}


def test_a_terminal_gets_colours_and_without_them_the_same_words(
    on_a_terminal: Any, pinwright: Any, bad_lead: str
) -> None:
    words = ("scan", "lamp-changer-40", "--port", bad_lead, "--no-certificate")
    status, shown = on_a_terminal(*words)
    assert 1 == status
    assert colours(shown)
    piped = pinwright(*words).out
    assert steady(piped) == steady(SGR.sub("", shown))
    for word in ("exchanged", "joined", "FAIL"):
        assert re.search(rf"\x1b\[[0-9;]+m{word}", shown), word
        assert word in piped
    assert all(len(line) <= 80 for line in piped.splitlines())


def test_a_terminal_without_colour_gets_none(on_a_terminal: Any, bad_lead: str) -> None:
    words = ("scan", "lamp-changer-40", "--port", bad_lead, "--no-certificate")
    status, shown = on_a_terminal(*words, NO_COLOR="1")
    assert (1, set()) == (status, colours(shown))
    assert "exchanged" in shown


def test_json_on_a_terminal_is_json(on_a_terminal: Any) -> None:
    status, shown = on_a_terminal("scan", "straight-34", "--port", "sim", "--no-certificate", "--json")
    assert 0 == status
    assert "\x1b" not in shown


def test_output_goes_through_a_pipe_that_knows_ascii_only(process: Any) -> None:
    ran = process("profiles", "show", "lamp-changer-40", PYTHONIOENCODING="ascii")
    assert (0, "") == (ran.status, ran.err)
    assert r"at most 5 \u03a9" in ran.out
