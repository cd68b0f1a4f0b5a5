"""What a board keeps of itself comes back as it was, or not at all."""

from __future__ import annotations

import random
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.tester.calibration import Calibration, Damaged, LongCheck

MADE = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)
OHMS = st.none() | st.integers(1, 0xFFFF).map(lambda steps: steps / 32)
TABLES = st.integers(0, 128).flatmap(
    lambda points: st.tuples(
        st.lists(OHMS, min_size=points, max_size=points),
        st.lists(OHMS, min_size=points, max_size=points),
        st.lists(st.integers(-0x8000, 0x7FFF), min_size=points, max_size=points),
    )
)


def calibration(points=128):
    return Calibration(
        MADE, (780.5,) * points, (720.25,) * points, (0,) * points, (1500.0, 1501.0, 1510.0, 1512.0), 26.5
    )


@given(TABLES, st.lists(st.integers(1, 0xFFFF), max_size=4), st.integers(-400, 1250))
def test_a_calibration_comes_back(tables, references, tenths):
    high, low, empty = map(tuple, tables)
    told = Calibration(MADE, high, low, empty, tuple(steps / 32 for steps in references), tenths / 10)
    assert told == Calibration.from_bytes(told.to_bytes())


@given(st.booleans(), st.booleans(), st.lists(st.text(max_size=5), max_size=3), st.text(max_size=100))
def test_a_check_comes_back(passed, measured, sockets, text):
    told = LongCheck(MADE, passed, measured, tuple(sockets), text)
    assert told == LongCheck.from_bytes(told.to_bytes())


def test_it_fits_what_a_board_keeps():
    """2048 bytes; and texts that are no longer than what a check writes."""
    assert len(calibration().to_bytes()) < 2048
    assert len(LongCheck(MADE, False, True, ("J1", "S1", "J2"), "Ω" * 300).to_bytes()) < 2048


@pytest.mark.parametrize(
    "kept", [calibration(), LongCheck(MADE, True, True, ("J1",), "")], ids=["cal", "check"]
)
def test_no_changed_byte_and_no_lost_end_is_taken_for_whole(kept):
    data = kept.to_bytes()
    chance = random.Random(5)
    read = type(kept).from_bytes
    for position in range(len(data)):
        spoilt = bytearray(data)
        spoilt[position] ^= 1 << chance.randrange(8)
        with pytest.raises(Damaged):
            read(bytes(spoilt))
        with pytest.raises(Damaged):
            read(data[:position])


@pytest.mark.parametrize("data", [b"", b"\n", b"{}\n44136fa355b3678a", b"\xff" * 100])
def test_what_is_neither_is_refused(data):
    for read in (Calibration.from_bytes, LongCheck.from_bytes):
        with pytest.raises(Damaged):
            read(data)


def test_one_is_not_taken_for_the_other():
    with pytest.raises(Damaged):
        Calibration.from_bytes(LongCheck(MADE, True, True, (), "").to_bytes())
    with pytest.raises(Damaged):
        LongCheck.from_bytes(calibration().to_bytes())


@pytest.mark.parametrize("celsius", [float("nan"), float("inf"), -41.0, 126.0])
def test_a_temperature_that_cannot_be_is_refused(celsius):
    """Not a number would be neither above nor below any limit."""
    impossible = Calibration(MADE, (), (), (), (), celsius)
    with pytest.raises(Damaged, match="temperature"):
        Calibration.from_bytes(impossible.to_bytes())


@pytest.mark.parametrize("ohms", [0.0, -1.0, 2048.0])
def test_what_does_not_fit_is_not_kept(ohms):
    with pytest.raises(ValueError, match="cannot be kept"):
        Calibration(MADE, (ohms,), (700.0,), (0,), (), 20.0).to_bytes()
