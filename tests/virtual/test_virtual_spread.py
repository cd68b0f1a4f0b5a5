"""Boards differ, within the limits that the figures name, and a seed gives the same board always."""

import os
import subprocess
import sys

import pytest

from pinwright.virtual.spread import parts_of

SEEDS = range(1, 60)


def test_one_seed_is_one_board_and_another_seed_another():
    assert parts_of(7, 8) == parts_of(7, 8)
    assert parts_of(7, 8) != parts_of(8, 8)


def test_a_board_with_fewer_chips_has_the_same_first_ones():
    assert parts_of(7, 8).points[:80] == parts_of(7, 5).points


@pytest.mark.parametrize(
    ("name", "low", "high"),  # hardware/README.md: from DS20001952C or derived from it
    [
        ("out_low_ohms", 5.0, 111.0),
        ("out_high_ohms", 5.0, 345.0),
        ("pullup_amps", 14e-6, 76e-6),
        ("series_ohms", 666.4, 693.6),
    ],
)
def test_no_part_leaves_its_limits(name, low, high):
    values = [getattr(point, name) for seed in SEEDS for point in parts_of(seed, 8).points]
    assert low <= min(values) < max(values) <= high


def test_thresholds_lie_apart_and_within_a_fifth_and_four_fifths_of_vio():
    for seed in SEEDS:
        for falling, rising in parts_of(seed, 8).schmitt:
            assert 0.2 <= falling < rising <= 0.8


def test_the_typical_driver_and_pull_up_are_those_of_the_figures():
    points = [point for seed in SEEDS for point in parts_of(seed, 8).points]
    for name, typical in (("out_low_ohms", 40.0), ("out_high_ohms", 100.0), ("pullup_amps", 40e-6)):
        assert typical == pytest.approx(sum(getattr(p, name) for p in points) / len(points), rel=0.05)


def test_a_board_does_not_depend_on_pythons_hash_seed():
    code = "from pinwright.virtual.spread import parts_of; print(parts_of(3, 2))"
    printed = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": os.pathsep.join(sys.path)},
            capture_output=True, check=True,
        ).stdout
        for seed in ("0", "1")
    }  # fmt: skip
    assert len(printed) == 1
