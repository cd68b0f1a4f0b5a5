"""Copper by gauge and length, held against published tables.

Sources: ohms per 1000 ft as HyperPhysics prints them, ohms per km as wp.1728.org does, both checked against
the formula of ASTM B258 and IACS resistivity; temperature coefficient of NBS Handbook 100 (0.393 %/K, from
memory). `reference` values were collected with the project's other published facts.
"""

from __future__ import annotations

import pytest

from pinwright.cable.wire import diameter_mm, expected_ohms, gauge_of, ohms_per_km

# Gauge, diameter in mm, ohms per km, ohms per 1000 ft, solid copper at 20 °C.
TABLE = [
    (22, 0.6438, 52.96, 16.14),
    (23, 0.5733, 66.78, 20.36),
    (24, 0.5106, 84.21, 25.67),
    (25, 0.4547, 106.2, 32.37),
    (26, 0.4049, 133.9, 40.81),
    (27, 0.3606, 168.9, 51.47),
    (28, 0.3211, 212.9, 64.90),
    (29, 0.2859, 268.5, 81.83),
    (30, 0.2546, 338.6, 103.2),
]
FEET_PER_KM = 1 / 0.0003048


@pytest.mark.parametrize(("gauge", "diameter", "per_km", "per_1000_feet"), TABLE)
def test_solid_copper_is_as_the_tables_have_it(gauge, diameter, per_km, per_1000_feet):
    assert diameter_mm(gauge) == pytest.approx(diameter, abs=0.00006)
    assert ohms_per_km(gauge) == pytest.approx(per_km, rel=5e-4)
    assert ohms_per_km(gauge) / FEET_PER_KM * 1000 == pytest.approx(per_1000_feet, rel=5e-4)


def test_ten_gauges_are_ten_times_the_resistance():
    """Common practice, no source: three gauges double it, ten multiply it by ten, nearly."""
    assert ohms_per_km(34) / ohms_per_km(24) == pytest.approx(10, rel=0.02)
    assert ohms_per_km(27) / ohms_per_km(24) == pytest.approx(2, rel=0.01)


def test_a_metre_of_28_gauge_at_20_and_at_30_degrees():
    """0.213 and 0.221 ohms: computed beside the tables above."""
    assert expected_ohms(1000, "28 AWG ribbon") == pytest.approx(0.213, abs=5e-4)
    assert expected_ohms(1000, "28 AWG ribbon", 30) == pytest.approx(0.221, abs=5e-4)


@pytest.mark.parametrize(
    ("text", "gauge"),
    [
        ("28 AWG ribbon", 28),
        ("ribbon, AWG 28", 28),
        ("AWG28", 28),
        ("28AWG 7/36 stranded", 28),
        ("grey ribbon 26 awg", 26),
        ("7/36", None),
        ("ribbon", None),
        ("24 AWG and 28 AWG", None),
        ("128 AWG", None),
        ("99 AWG", None),
        ("", None),
    ],
)
def test_a_gauge_is_read_only_where_one_is_named(text, gauge):
    assert gauge_of(text) == gauge


@pytest.mark.parametrize(("length", "wire"), [(None, "28 AWG"), (600, None), (600, "ribbon")])
def test_nothing_is_expected_of_a_conductor_that_is_not_described(length, wire):
    assert expected_ohms(length, wire) is None
