"""The solver against networks that ngspice solved, and against arithmetic done by hand."""

import json
import math
import time
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinwright.virtual.circuit import HIGH, INPUT, LOW, PULLUP, Circuit, Point, Wire, _Net

# Source: ngspice operating points, tests/published/networks.json ("about" states the model).
PUBLISHED = json.loads((Path(__file__).parents[1] / "published" / "networks.json").read_text("utf-8"))
DRIVES = {"input": INPUT, "pullup": PULLUP, "low": LOW, "high": HIGH}


def published(network):
    points = [
        Point(
            out_low_ohms=point["out_ohms"] or 1.0,
            out_high_ohms=point["out_ohms"] or 1.0,
            pullup_amps=(point["pullup_ua"] or 0.0) * 1e-6,
            series_ohms=point["series_ohms"],
        )
        for point in network["points"]
    ]
    wires = [Wire(*link["between"], link["ohms"]) for link in network["links"]]
    circuit = Circuit(points, wires, supply_v=PUBLISHED["supply_v"], shunt_ohms=PUBLISHED["shunt_ohms"])
    for point in network["points"]:
        circuit.set_drive(point["point"], DRIVES[point["state"]])
    circuit.settle()
    return circuit


@pytest.mark.parametrize("network", PUBLISHED["networks"], ids=lambda n: f"{len(n['points'])}-points")
def test_every_published_network_has_the_voltages_that_spice_found(network):
    circuit, expected = published(network), network["solution"]
    points = range(len(network["points"]))
    assert expected["vio_v"] == pytest.approx(circuit.vio_v, abs=2e-6)
    assert expected["supply_ma"] == pytest.approx(circuit.supply_ma, abs=2e-6)
    assert expected["pin_v"] == pytest.approx([circuit.pin_v(p) for p in points], abs=2e-6)
    assert expected["socket_v"] == pytest.approx([circuit.socket_v(p) for p in points], abs=2e-6)


def plain(count, wires=(), outside=None, **changes):
    return Circuit([Point(**changes)] * count, [Wire(*wire) for wire in wires], outside)


def drive(circuit, drives):
    for point, state in drives.items():
        circuit.set_drive(point, state)
    circuit.settle()
    return circuit


def test_a_high_point_against_a_low_one_carries_what_ohms_law_says():
    circuit = drive(plain(2, [(0, 1, 10.0)]), {0: HIGH, 1: LOW})
    assert 3300 / (22 + 100 + 680 + 10 + 680 + 40) == pytest.approx(circuit.supply_ma, abs=1e-5)


@pytest.mark.parametrize("pairs", [1, 4, 40, 64])
def test_many_highs_against_lows_pull_vio_down(pairs):
    # hardware/README.md: 40 shorted pairs pull VIO to 2.1 V, 64 pairs to 1.7 V.
    wires = [(2 * k, 2 * k + 1, 0.1) for k in range(pairs)]
    circuit = drive(plain(2 * pairs, wires), {p: LOW if p % 2 else HIGH for p in range(2 * pairs)})
    path = (100 + 680 + 0.1 + 680 + 40) / pairs
    assert 3.3 * path / (path + 22) == pytest.approx(circuit.vio_v, rel=1e-6)


def test_a_weak_pull_up_into_a_low_is_a_resistor_of_vio_over_its_current():
    circuit = drive(plain(2, [(0, 1, 1000.0)]), {0: PULLUP, 1: LOW})
    pullup_ohms = circuit.vio_v / 40e-6
    below = 680 + 1000 + 680 + 40
    assert circuit.vio_v * below / (below + pullup_ohms) == pytest.approx(circuit.pin_v(0), rel=1e-4)


def test_a_free_input_rests_at_0_v_and_a_pulled_up_one_at_vio():
    circuit = drive(plain(2), {0: INPUT, 1: PULLUP})
    assert circuit.pin_v(0) == 0.0
    assert circuit.vio_v == pytest.approx(circuit.pin_v(1), abs=1e-3)


def test_a_cut_point_reaches_nothing_beyond_its_chip_pin():
    points = [Point(), Point(series_ohms=math.inf)]
    circuit = drive(Circuit(points, [Wire(0, 1, 0.1)]), {0: PULLUP, 1: LOW})
    assert circuit.pin_v(0) > 3.2
    assert circuit.pin_v(1) < 0.001


@pytest.mark.parametrize(("held", "drives"), [(LOW, HIGH), (LOW, PULLUP), (HIGH, LOW), (HIGH, INPUT)])
def test_a_held_pin_stays_where_it_is_held_whatever_drives_it(held, drives):
    circuit = drive(Circuit([Point(held=held)], []), {0: drives})
    assert (0.0 if held == LOW else circuit.vio_v) == pytest.approx(circuit.pin_v(0), abs=1e-3)


def test_a_voltage_from_outside_appears_at_the_socket_and_behind_the_series_resistor():
    circuit = drive(plain(2, [(0, 1, 0.1)], {0: 5.0}), {0: INPUT, 1: LOW})
    current = 5.0 / (1.0 + 0.1 + 680 + 40)
    assert 5.0 - current == pytest.approx(circuit.socket_v(0), rel=1e-5)
    assert current * 40 == pytest.approx(circuit.pin_v(1), rel=1e-5)


def test_a_supply_fed_from_outside_runs_backwards_through_the_shunt():
    circuit = drive(plain(1, outside={0: 5.0}), {0: HIGH})
    assert circuit.supply_ma < -1.0
    assert circuit.vio_v > 3.3


def test_an_opened_wire_does_not_conduct_until_it_is_closed_again():
    circuit = drive(plain(3, [(0, 1, 0.1), (1, 2, 0.1)]), {0: PULLUP, 1: PULLUP, 2: LOW})
    seen = []
    for closed in (True, False, True):
        circuit.set_closed(1, closed)
        circuit.settle()
        seen.append(circuit.pin_v(0) < 1.0)
    assert [True, False, True] == seen


def test_two_wires_between_the_same_points_share_the_current():
    one = drive(plain(2, [(0, 1, 50.0)]), {0: HIGH, 1: LOW})
    two = drive(plain(2, [(0, 1, 100.0), (1, 0, 100.0)]), {0: HIGH, 1: LOW})
    assert one.supply_ma == pytest.approx(two.supply_ma, rel=1e-9)


networks = st.integers(2, 10).flatmap(
    lambda count: st.tuples(
        st.lists(st.integers(0, 3), min_size=count, max_size=count),
        st.lists(
            st.tuples(st.integers(0, count - 1), st.integers(0, count - 1), st.floats(1e-3, 1e6)), max_size=14
        ),
    )
)


@given(networks)
@settings(max_examples=60, deadline=None)
def test_current_out_of_vio_returns_to_0_v_and_no_voltage_leaves_the_rails(network):
    states, wires = network
    circuit = drive(plain(len(states), wires), dict(enumerate(states)))
    volts = [circuit.pin_v(p) for p in range(len(states))]
    assert all(-1e-6 <= v <= circuit.vio_v + 1e-6 for v in volts)
    to_ground = [1e-9 + (1 / 40 if state == LOW else 0) for state in states]
    returned = sum(v * siemens for v, siemens in zip(volts, to_ground, strict=True))
    assert circuit.supply_ma == pytest.approx(returned * 1e3, rel=1e-4, abs=1e-4)


@given(networks)
@settings(max_examples=60, deadline=None)
def test_the_quick_bound_to_the_current_holds_in_any_state(network):
    states, wires = network
    circuit = drive(plain(len(states), wires), dict(enumerate(states)))
    assert circuit.supply_ma / 1e3 <= circuit.most_amps + 1e-6  # leaks are not in the bound


def test_the_quick_bound_is_close_where_it_matters_and_follows_every_change():
    wires = [(2 * k, 2 * k + 1, 0.1) for k in range(40)]
    circuit = drive(plain(80, wires), {p: LOW if p % 2 else HIGH for p in range(80)})
    alone = 3.3 / (680 + 40) / 2 * 40  # without the shunt, and with the better driver at both ends
    assert alone + 80 * 40e-6 == pytest.approx(circuit.most_amps, rel=1e-9)
    drive(circuit, dict.fromkeys(range(80), INPUT))
    assert 80 * 40e-6 == pytest.approx(circuit.most_amps, rel=1e-9)


@given(networks)
@settings(max_examples=30, deadline=None)
def test_the_way_to_a_state_does_not_change_its_voltages(network):
    states, wires = network
    direct = drive(plain(len(states), wires), dict(enumerate(states)))
    roundabout = plain(len(states), wires)
    for state in (HIGH, LOW, PULLUP):
        for point in range(len(states)):
            drive(roundabout, {point: state})
    drive(roundabout, dict(enumerate(states)))
    for point in range(len(states)):
        assert direct.pin_v(point) == pytest.approx(roundabout.pin_v(point), abs=1e-6)


NETS = {
    "nothing": [],
    "forty pairs": [(k, k + 40, 0.1) for k in range(40)],
    "one net of all": [(a, b, 0.1) for a, b in pairwise(range(128))],
    "a ring with leaks": [(k, (k + 1) % 128, 0.1) for k in range(128)]
    + [(k, k + 40, 1e5) for k in range(80)],
}


def test_the_states_of_a_shorting_bar_are_solved_fast_and_none_of_them_twice(monkeypatch):
    solved, solve = [], _Net._solve
    monkeypatch.setattr(_Net, "_solve", lambda net, *how: solved.append(1) or solve(net, *how))
    # Generous, for slow machines; measured 0.05 s the first time and 0.01 s from then on.
    circuit = plain(128, [(a, b, 0.01) for a, b in pairwise(range(40))])
    took, counts = [], []
    for _ in range(3):
        began = time.perf_counter()
        for point in range(40):
            for one, others, rest in ((HIGH, LOW, LOW), (LOW, HIGH, INPUT)):
                for other in range(40, 128):
                    circuit.set_drive(other, rest)
                drive(circuit, dict.fromkeys(range(40), others) | {point: one})
                drive(circuit, dict.fromkeys(range(40), INPUT))
        took.append(time.perf_counter() - began)
        counts.append(len(solved))
    assert max(took) < 2.0
    assert counts == [counts[0]] * 3


@pytest.mark.parametrize("wires", NETS.values(), ids=NETS)
def test_the_states_of_a_whole_scan_are_solved_fast(wires):
    # Generous, for slow machines; measured 0.02 s for pairs and 0.15 to 0.3 s for one net of 128.
    circuit = drive(plain(128, wires), dict.fromkeys(range(128), PULLUP))
    began = time.perf_counter()
    for point in range(128):
        circuit.set_drive(point, LOW)
        circuit.settle()
        circuit.set_drive(point, PULLUP)
    assert time.perf_counter() - began < 2.0
