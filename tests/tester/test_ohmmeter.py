"""From readings to ohms, against worked examples, and every reason to distrust the lane, at its edge.

The examples are computed by hand from Ohm's law with the circuit's values: 3.3 V, 22 Ω shunt, resistors of
680 Ω.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from pinwright.errors import SelfCheckFailed
from pinwright.tester.calibration import Calibration
from pinwright.tester.ohmmeter import (
    CALIBRATED_OHMS,
    MOST_OHMS,
    UNCALIBRATED_OHMS,
    WITHOUT_REFERENCES_OHMS,
    Lane,
    Ohmmeter,
)

SUPPLY = round(3.3 / 125e-6)


def reading(path_ohms, zero=4096, volts=3.3):
    """What a path of so many ohms reads: four conversions of 22 Ω · 3.3 V / (path + 22 Ω), in 7.8125 µV."""
    return round(zero + 4 * 22 * volts / (path_ohms + 22) / 7.8125e-6)


def sensor(celsius):
    return round((0.706 - (celsius - 27) * 0.001721) / 3.3 * 65536)


def lane(references=(1500, 1500, 1510, 1510), zero=4096, supply=SUPPLY, celsius=27.0):
    return Lane(
        zero, supply, sensor(celsius), tuple(reading(ohms, zero, supply * 125e-6) for ohms in references)
    )


def calibration(**changed):
    usual = Calibration(
        datetime(2026, 3, 1, tzinfo=UTC),
        (785.0,) * 128,
        (722.0,) * 128,
        (0,) * 128,
        (1500.0, 1500.0, 1510.0, 1510.0),
        27.0,
    )
    return replace(usual, **changed)


def meter(of=None, **changed):
    of = of or lane()
    return Ohmmeter(of, of, calibration(**changed))


def test_a_two_pin_link_has_4_steps_an_ohm():
    """2.17 mA through 100 + 680 + 680 + 40 Ω and the shunt; 4.0 steps of one conversion per ohm."""
    assert 22 * 3.3 / 1522 / 7.8125e-6 == pytest.approx(6105, abs=1)
    assert (reading(1500) - reading(1501)) / 4 == pytest.approx(4.0, abs=0.2)


def test_a_link_is_what_its_path_has_more_than_the_tester():
    assert meter().link(reading(785 + 722 + 10), 0, {40: 0.0}) == pytest.approx(10, abs=0.1)
    assert meter().link(reading(785 + 722), 0, {40: 0.0}) == pytest.approx(0, abs=0.1)


def test_in_a_large_net_the_others_are_in_parallel():
    """39 points of 722 Ω: 18.5 Ω."""
    others = dict.fromkeys(range(1, 40), 0.0)
    assert meter().link(reading(785 + 722 / 39 + 10), 0, others) == pytest.approx(10, abs=0.05)


def test_an_uncalibrated_tester_takes_off_what_is_typical():
    known = Ohmmeter(lane(), lane(), None)
    assert known.link(reading(780 + 720 + 100), 0, {40: 0.0}) == pytest.approx(100, abs=0.1)
    assert known.uncertainty(0) == UNCALIBRATED_OHMS


def test_what_reads_less_than_the_tester_itself_is_below_zero():
    """So that what all links of a cable have in common does not hide what one of them has more."""
    assert meter().link(reading(1490), 0, {40: 0.0}) == pytest.approx(-17, abs=0.2)


@pytest.mark.parametrize("aside", [50 + 722, 10e3, 100e3])
def test_what_flows_another_way_is_not_taken_for_a_better_link(aside):
    """10 Ω and 722 Ω, beside another way to 0 V."""
    onward = 1 / (1 / (722 + 10) + 1 / aside)
    assert meter().link(reading(785 + onward), 0, {40: 0.0}, aside) == pytest.approx(10, abs=0.4)


def test_a_point_with_less_than_typical_of_its_own_is_no_open_link_beside_a_leak():
    """Of a large net on an uncalibrated tester, the path may have less than what is taken off it."""
    others = dict.fromkeys(range(1, 40), 0.0)
    known = Ohmmeter(lane(), lane(), None)
    assert known.link(reading(770), 0, others, 4e6) == pytest.approx(770 - 780 - 720 / 39, abs=0.1)


def test_a_link_that_takes_no_current_beside_a_leak_is_open():
    assert meter().link(reading(785 + 5000), 0, {40: 0.0}, 5000 - 1) > 1e6


def test_of_a_larger_net_every_leg_is_found_however_bad_the_others_are():
    """Four legs of 3, 0, 60 and 5 Ω: each from its own high reading and from the first point across."""
    ohms = {0: 3.0, 1: 0.0, 2: 60.0, 3: 5.0}
    rest = 1 / sum(1 / (722 + ohms[other]) for other in (1, 2, 3))
    across = {other: reading(785 + ohms[0] + ohms[other] + 722) for other in (1, 2, 3)}
    told = meter().legs(reading(785 + ohms[0] + rest), 0, across, MOST_OHMS)
    assert told == pytest.approx(ohms, abs=0.4)


def test_a_joint_between_two_halves_of_a_net_counts_with_the_far_half():
    """Eight points here and eight there, 20 Ω between: of any point against all others it shows little."""
    near, far = 722 / 7, 20 + 722 / 8
    across = dict.fromkeys(range(1, 8), reading(785 + 722)) | dict.fromkeys(range(8, 16), reading(785 + 742))
    told = meter().legs(reading(785 + 1 / (1 / near + 1 / far)), 0, across, MOST_OHMS)
    assert min(told[point] for point in range(8, 16)) > 15
    assert max(told[point] for point in range(8)) < 5


@pytest.mark.parametrize("ohms", [0.3, 4100.0, 41e3, 100e3, 1e6])
def test_a_leak_is_what_its_path_has_more_than_the_two_points(ohms):
    told = meter().leak(reading(785 + ohms + 722), 0, [41])
    assert told == pytest.approx(ohms, rel=0.1, abs=0.2)


def test_nothing_conducts_more_than_ten_megohms():
    assert meter().leak(4096, 0, []) == MOST_OHMS
    assert meter().leak(4090, 0, []) == MOST_OHMS


def test_what_the_empty_tester_leaks_is_no_leak_of_the_cable():
    told = meter(empty=(37,) * 128).leak(reading(785 + 100e3 + 722) + 37, 0, [41])
    assert told == pytest.approx(100e3, rel=0.02)


def test_the_references_take_away_what_all_points_drifted():
    """All paths of 140 Ω of drivers are 3 Ω more: a link of typical drivers reads as before."""
    warm = lane((1503, 1503, 1513, 1513))
    typical = {"high_ohms": (780.0,) * 128, "low_ohms": (720.0,) * 128}
    assert meter(warm, **typical).link(reading(780 + 720 + 3 + 5), 0, {40: 0.0}) == pytest.approx(5, abs=0.1)


def test_the_ten_ohm_reference_reads_ten_ohms_over_the_other():
    assert meter().references_ohms == pytest.approx(10, abs=0.1)
    assert meter(lane((1500, 1500, 1512, 1512))).references_ohms == pytest.approx(12, abs=0.1)
    assert Ohmmeter(lane(), lane(), None).references_ohms == pytest.approx(10, abs=0.1)


def test_the_uncertainty_grows_with_the_temperatures_difference_and_with_the_reading():
    assert meter().uncertainty(0) == CALIBRATED_OHMS
    assert meter(lane(celsius=36.9)).uncertainty(0) == CALIBRATED_OHMS
    assert meter(lane(celsius=45)).uncertainty(0) == pytest.approx(1.8 * CALIBRATED_OHMS, rel=0.02)
    cold = meter(lane((), celsius=17), references=())
    assert cold.uncertainty(0) == pytest.approx(2 * WITHOUT_REFERENCES_OHMS, rel=0.02)
    assert meter().uncertainty(50) == CALIBRATED_OHMS + 1.0


def test_without_references_it_is_larger():
    assert meter(lane(()), references=()).uncertainty(0) == WITHOUT_REFERENCES_OHMS


DISTRUST = {
    "current where none flows": (lane(zero=4096 + 121), {}, "reads 30 steps where no current flows"),
    "and the other way": (lane(zero=4096 - 121), {}, "reads -30 steps"),
    "a supply too low": (lane(supply=round(3.3 * 0.949 / 125e-6)), {}, "supply as 3.13 V"),
    "a supply too high": (lane(supply=round(3.3 * 1.051 / 125e-6)), {}, "supply as 3.47 V"),
    "a reference that is open": (lane((1500, 1500, 1510, 1e9)), {}, "reads 10000000 Ω"),
    "a reference that is shorted": (lane((700, 1500, 1510, 1510)), {}, "reads 700 Ω"),
    "a 10 Ω reference that has lost 4 Ω": (lane((1500, 1500, 1506, 1506)), {}, "10 Ω reads 6.0 Ω"),
    "references that drifted too far": (lane((1521, 1521, 1531, 1531)), {}, "have drifted by 21"),
    "another temperature": (lane(celsius=48), {}, "is at 48 °C and was calibrated at 27 °C"),
    "another tester's calibration": (lane(()), {}, "one of another tester"),
    "a point of more ohms than can be": (lane(), {"high_ohms": (1061.0,) * 128}, "of what no tester has"),
    "a point of fewer": (lane(), {"low_ohms": (669.0,) * 128}, "of what no tester has"),
    "an empty tester that leaks": (lane(), {"empty": (41,) * 128}, "of what no tester has"),
}


@pytest.mark.parametrize(("of", "changed", "told"), DISTRUST.values(), ids=DISTRUST)
def test_a_lane_that_is_not_sound_measures_nothing(of, changed, told):
    with pytest.raises(SelfCheckFailed, match=told):
        meter(of, **changed)


SOUND = {
    "a little current where none flows": lane(zero=4096 + 79),
    "a supply just high enough": lane(supply=round(3.3 * 0.951 / 125e-6)),
    "a 10 Ω reference that has lost 3.8 Ω": lane((1500, 1500, 1506.2, 1506.2)),
    "19 Ω of drift": lane((1519, 1519, 1529, 1529)),
    "19 K": lane(celsius=46),
}


@pytest.mark.parametrize("of", SOUND.values(), ids=SOUND)
def test_just_inside_its_limits_it_does(of):
    assert meter(of).uncertainty(0) >= CALIBRATED_OHMS


def test_references_that_change_during_a_scan_stop_it():
    with pytest.raises(SelfCheckFailed, match="changed during the scan, by 4"):
        Ohmmeter(lane(), lane((1504.2, 1500, 1510, 1510)), calibration())
    Ohmmeter(lane(), lane((1503.5, 1500, 1510, 1510)), calibration())


def test_references_that_are_read_once_only_stop_it():
    with pytest.raises(SelfCheckFailed, match="read once"):
        Ohmmeter(lane(), lane(()), None)


def test_a_point_that_no_bar_has_reached_is_measured_by_no_calibrated_tester():
    holes = calibration(high_ohms=(None,) * 128)
    with pytest.raises(SelfCheckFailed, match="lacks points"):
        Ohmmeter(lane(), lane(), holes).link(reading(1500), 0, {40: 0.0})
    holes = calibration(low_ohms=(None,) * 128)
    with pytest.raises(SelfCheckFailed, match="lacks points"):
        Ohmmeter(lane(), lane(), holes).link(reading(1500), 0, {40: 0.0})


def test_but_a_wrong_contact_may_lead_to_one():
    holes = calibration(low_ohms=(722.0,) * 120 + (None,) * 8)
    told = Ohmmeter(lane(), lane(), holes).leak(reading(785 + 0.3 + 720), 0, [127])
    assert told == pytest.approx(0.3, abs=0.1)
