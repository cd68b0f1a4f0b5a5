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


def test_a_warmer_board_is_the_same_board_with_other_resistances():
    cold, warm = parts_of(7, 8), parts_of(7, 8, kelvin=10.0)
    assert cold.points != warm.points
    assert [p.pullup_amps for p in cold.points] == [p.pullup_amps for p in warm.points]
    assert (cold.schmitt, cold.shunt_ohms, cold.reference_ohms, cold.converter_gains) == (
        warm.schmitt, warm.shunt_ohms, warm.reference_ohms, warm.converter_gains,
    )  # fmt: skip
    assert parts_of(7, 5, kelvin=10.0).points == warm.points[:80]
    assert cold == parts_of(7, 8, kelvin=10.0, drift=0.0)


def drifts(seed, name, kelvin=10.0, **more):
    """The change of each point's part, per kelvin."""
    cold, warm = parts_of(seed, 8), parts_of(seed, 8, kelvin=kelvin, **more)
    pairs = zip(cold.points, warm.points, strict=True)
    return [(getattr(b, name) / getattr(a, name) - 1) / kelvin for a, b in pairs]


def test_drivers_drift_by_chip_and_both_of_a_point_alike():
    for seed in SEEDS:
        low, high = drifts(seed, "out_low_ohms"), drifts(seed, "out_high_ohms")
        assert high == pytest.approx(low, rel=1e-6)
        of_chip = [low[16 * chip : 16 * chip + 16] for chip in range(8)]
        assert [same[0] for same in of_chip for _ in same] == pytest.approx(low, rel=1e-6)
        assert 0.0015 * 0.5 < min(low) < max(low) < 0.0045 * 1.5


def test_networks_drift_by_port_and_nearly_alike():
    means = []
    for seed in SEEDS:
        series = drifts(seed, "series_ohms")
        of_port = [series[8 * port : 8 * port + 8] for port in range(16)]
        assert [same[0] for same in of_port for _ in same] == pytest.approx(series, rel=1e-6)
        assert max(series) - min(series) <= 40.001e-6
        means.append(sum(series) / len(series))
    assert -220e-6 <= min(means) < -100e-6 < 100e-6 < max(means) <= 220e-6


def test_drift_goes_with_the_temperature_and_the_factor_and_stays_within_the_limits():
    for name in ("out_low_ohms", "series_ohms"):
        once = drifts(3, name)
        assert [3 * part for part in once] == pytest.approx(drifts(3, name, drift=3.0), rel=1e-6)
        assert once == pytest.approx(drifts(3, name, kelvin=-10.0), rel=1e-6)
    for kelvin in (-60.0, 60.0):
        points = parts_of(3, 8, kelvin=kelvin, drift=5.0).points
        assert all(5.0 <= p.out_low_ohms <= 111.0 and 5.0 <= p.out_high_ohms <= 345.0 for p in points)


def test_spread_is_how_far_drivers_are_from_the_typical_and_nothing_else():
    none, once, twice = (parts_of(7, 8, spread=spread) for spread in (0.0, 1.0, 2.0))
    assert {(40.0, 100.0, 40e-6)} == {(p.out_low_ohms, p.out_high_ohms, p.pullup_amps) for p in none.points}
    assert [p.series_ohms for p in none.points] == [p.series_ohms for p in once.points]
    assert none.shunt_ohms == once.shunt_ohms
    far = [sum(abs(p.out_high_ohms - 100.0) for p in parts.points) for parts in (once, twice)]
    assert 2.0 == pytest.approx(far[1] / far[0], rel=0.1)


def test_a_converter_is_within_what_its_data_sheet_allows():
    boards = [parts_of(seed, 8) for seed in SEEDS]
    offsets = [board.converter_offset_steps for board in boards]
    assert -3.0 <= min(offsets) < -1.0 < 1.0 < max(offsets) <= 3.0
    for board in boards:
        gains = board.converter_gains
        assert 8 == len(gains)
        assert all(abs(gain - 1) <= 0.00071 for gain in gains)
        assert 0 < max(gains) - min(gains) <= 0.00041
    assert len({board.converter_gains for board in boards}) == len(boards)


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
