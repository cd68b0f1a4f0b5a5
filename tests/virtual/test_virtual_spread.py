"""Boards differ, within the limits that the figures name, and a seed gives the same board always."""

import os
import subprocess
import sys

import pytest

from pinwright.virtual.spread import SUPPLY_V, parts_of, pocket_parts

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


def test_one_seed_is_one_pocket_tester_and_another_seed_another():
    assert pocket_parts(7) == pocket_parts(7)
    assert pocket_parts(7) != pocket_parts(8)
    assert 24 == len(pocket_parts(7).points)


@pytest.mark.parametrize(
    ("value", "low", "high"),
    [
        # RP2040 datasheet, pin specifications (from memory): pull-ups of 50 to 80 kΩ.
        (lambda point: SUPPLY_V / point.pullup_amps, 50e3, 80e3),
        # As the expanders' drivers, whose limits are wider than those of 4 mA outputs at 50 Ω or so.
        (lambda point: point.out_low_ohms, 5.0, 111.0),
        (lambda point: point.out_high_ohms, 5.0, 111.0),
        (lambda point: point.series_ohms, 666.4, 693.6),  # hardware/pocket.toml: 680 Ω, of 2 %
    ],
    ids=["pull-up", "driver low", "driver high", "series"],
)
def test_no_part_of_a_pocket_tester_leaves_its_limits(value, low, high):
    values = [value(point) for seed in SEEDS for point in pocket_parts(seed).points]
    assert low - 1e-6 <= min(values) < max(values) <= high + 1e-6


def test_one_chip_has_one_pair_of_thresholds_within_its_limits():
    """RP2040 datasheet, from memory: low below 0.8 V, high above 2.0 V, at least 0.2 V between."""
    for seed in range(2000):
        parts = pocket_parts(seed)
        (falling, rising), *others = parts.schmitt
        assert {(falling, rising)} == set(others)
        assert 0.8 <= falling * SUPPLY_V < rising * SUPPLY_V <= 2.0
        assert 0.2 <= (rising - falling) * SUPPLY_V


def test_a_board_does_not_depend_on_pythons_hash_seed():
    code = (
        "from pinwright.virtual.spread import parts_of, pocket_parts; print(parts_of(3, 2), pocket_parts(3))"
    )
    printed = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": os.pathsep.join(sys.path)},
            capture_output=True, check=True,
        ).stdout
        for seed in ("0", "1")
    }  # fmt: skip
    assert len(printed) == 1
