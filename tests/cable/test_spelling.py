"""Which spellings mean one signal, and which must be told apart."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.spelling import guess, is_nothing, key, loose, opposite, prefixes, without

BAR, MACRON = "\u0305", "\u0304"


@pytest.mark.parametrize(
    ("spellings", "expected"),
    [
        (["/RD", "RD*", "~RD", "RD#", "!RD", "¬RD", "\\RD", "RD\\", "RD/", "*RD", "#RD", "~{RD}"], "/rd"),
        ([f"R{BAR}D{BAR}", f"R{MACRON}D{MACRON}", "\u00afRD", "\u203eRD", "RD\u203e"], "/rd"),
        (["/ rd", "Rd #", " /RD ", "/RD*"], "/rd"),
        (["RD", "rd", " Rd"], "rd"),
        (["MOTOR-FWD", "Motor fwd", "motor_fwd", "MOTORFWD", "MOTOR\u00a0FWD", "MOTOR\u2013FWD"], "motorfwd"),
        (["DATA 7", "DATA_7", "data7", "Data-7"], "data7"),
        (["R/W*", "R//W", "R/~W", f"R/W{BAR}", "r/w#"], "r//w"),
        (["/R/W"], "/r/w"),
        (["R/W"], "r/w"),
        (["IN 1-2", "in_1 2"], "in1_2"),
        (["IN 12", "IN-12"], "in12"),
        (["D+"], "d+"),
        (["D-"], "d-"),
        (["-DB0"], "-db0"),
        (["+5V"], "+5v"),
        (["#5"], "#5"),
        (["*"], "*"),
    ],
)
def test_spellings_of_one_signal_have_one_key(spellings: list[str], expected: str) -> None:
    assert {expected} == {key(name) for name in spellings}


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("nRD", "/rd"),
        ("nCS 1", "/cs1"),
        ("RD_N", "/rd"),
        ("rd-n", "/rd"),
        ("NRD", None),
        ("nrd", None),
        ("n5", None),
        ("/RD", None),
        ("RD", None),
        ("ON", None),
    ],
)
def test_what_only_may_mean_active_low_is_a_guess(name: str, meant: str | None) -> None:
    assert meant == guess(name)
    assert key(name) != meant or name.startswith("/")


@pytest.mark.parametrize(
    ("one", "other"),
    [("AUX -12V", "AUX 12V"), ("V -5", "V 5"), ("REF \u22122.5V", "REF 2.5V"), ("-5V", "5V")],
)
def test_a_minus_before_a_number_is_no_separator(one: str, other: str) -> None:
    assert key(one) != key(other)
    assert key(one) == key(one.lower().replace(" ", "_").replace("\u2212", "-"))


def test_the_other_of_a_pair_is_known() -> None:
    assert key("RXD_P") == opposite("RXD_N")
    assert opposite("RXD") is None


@pytest.mark.parametrize(
    "name",
    [
        *("", "-", "nc", "NC", "N/C", "n.c.", " nc ", "\u2013", "reserved", "Not  connected", "unused"),
        *("(NC)", "N C", "N_C", "n-c", "NC*", "[n.c.]", "not used", "No conn.", "none", "n/a"),
    ],
)
def test_names_for_no_connection(name: str) -> None:
    assert is_nothing(name)


@pytest.mark.parametrize("name", ["GND", "0", "NCS", "NC1", "SPARE", "*", "()", "NONE1"])
def test_other_names_are_signals(name: str) -> None:
    assert not is_nothing(name)


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (["J3_D0", "J3_D1"], ("J3_",)),
        (["CPU-J3_D0", "cpu-J3_D1", "/CPU-J3_RD"], ("CPU-", "CPU-J3_")),
        (["J3 D0", "D1"], ()),
        (["D0", "D1", "DX"], ()),
        (["J3_D0", "J3_"], ()),
        (["J3_D0", "J3_D0"], ()),
        (["-DB0", "-DB1"], ()),
        ([], ()),
    ],
)
def test_prefixes_end_with_a_separator_and_leave_something(
    names: list[str], expected: tuple[str, ...]
) -> None:
    assert expected == prefixes(names)


def test_a_name_without_its_prefix_keeps_its_mark() -> None:
    assert ("/RD", "D0", "J3_D0") == (
        without("/J3_RD", "J3_"),
        without("J3_D0", "J3_"),
        without("J3_D0", ""),
    )


@given(st.text(max_size=12))
def test_blanks_around_a_name_and_its_capitals_do_not_count(name: str) -> None:
    assert key(name) == key(f" {name}\u00a0")
    assert loose(name) == loose(f" {name}\t")


@given(
    st.from_regex(r"[A-Z][A-Z0-9]{0,6}", fullmatch=True), st.sampled_from(["/{}", "{}*", "~{}", "{}#", "!{}"])
)
def test_a_mark_is_never_lost_nor_made_up(name: str, pattern: str) -> None:
    assert (name.lower(), f"/{name.lower()}") == (key(name), key(pattern.format(name)))
    assert key(name) != key(pattern.format(name))


@given(st.lists(st.from_regex(r"[A-Z]{1,3}[-_ ][A-Z0-9]{1,4}", fullmatch=True), min_size=2, max_size=6))
def test_without_a_prefix_no_two_names_become_one(names: list[str]) -> None:
    for prefix in prefixes(names):
        bare = {without(name, prefix) for name in names}
        assert len({*names}) == len(bare)
        assert all(bare)
