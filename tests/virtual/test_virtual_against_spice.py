"""The solver against an outside opinion: random networks that Debian's `ngspice` solves too.

Every run has other networks; `PINWRIGHT_SEED=… python -m pytest tests/virtual/test_virtual_against_spice.py`
repeats those of one run. The model of a point is that of tests/published/networks.json.
"""

import os
import random
import re
import shutil
import subprocess
from itertools import pairwise

import pytest

from pinwright.virtual.circuit import HIGH, INPUT, LEAK_OHMS, LOW, PULLUP, Circuit, Point, Wire

NETWORKS = 200
SUPPLY_V, SHUNT_OHMS = 3.3, 22.0
PART, LEAST_V, LEAST_A = 0.01, 1e-3, 1e-6  # 1 %; near zero 1 mV and 1 uA


def ohms(chance, low=1e-3, high=1e7):
    """From a milliohm to ten megohms, every decade alike."""
    return low * (high / low) ** chance.random()


def point_of(chance):
    return Point(
        out_low_ohms=chance.uniform(5, 111),
        out_high_ohms=chance.uniform(5, 345),
        pullup_amps=chance.choice([0.0, chance.uniform(14e-6, 76e-6)]),
        series_ohms=chance.uniform(666, 694),
    )


def star(chance):
    """A net of many pins, wired from its middle or pin to pin."""
    count = chance.choice([8, 14, 40])
    if chance.random() < 0.5:
        return count, [Wire(0, tip, ohms(chance, high=100)) for tip in range(1, count)]
    return count, [Wire(a, b, ohms(chance, high=100)) for a, b in pairwise(range(count))]


def bridge(chance):
    """Four points around, and one across: no series and parallel resistors make it."""
    around = [Wire(a, b, ohms(chance)) for a, b in ((0, 1), (1, 2), (2, 3), (3, 0))]
    return 5, [*around, Wire(0, 2, ohms(chance)), Wire(chance.randrange(4), 4, ohms(chance))]


def pairs(chance):
    """A cable of two-pin links with leaks between them."""
    count = 2 * chance.randint(1, 20)
    links = [Wire(p, p + 1, ohms(chance, high=1e4)) for p in range(0, count, 2)]
    leaks = [Wire(*chance.sample(range(count), 2), ohms(chance, low=1e3)) for _ in range(count // 8)]
    return count, links + leaks


def anything(chance):
    count = chance.randint(2, 12)
    return count, [
        Wire(*chance.sample(range(count), 2), ohms(chance)) for _ in range(chance.randint(1, 2 * count))
    ]


def drives_of(chance, count):
    """As in a walk, in the measurements of links, leaks and a bar, all against all, or anything at all."""
    if chance.random() < 0.1:
        return [chance.choice([LOW, HIGH]) for _ in range(count)]
    one, others = chance.choice(
        [(LOW, PULLUP), (HIGH, LOW), (LOW, HIGH), (HIGH, PULLUP), (PULLUP, LOW), (INPUT, HIGH), (None, None)]
    )
    if one is None:
        return [chance.choice([INPUT, PULLUP, LOW, HIGH]) for _ in range(count)]
    drives = [others if chance.random() < 0.95 else INPUT for _ in range(count)]
    drives[chance.randrange(count)] = one
    return drives


def network(chance):
    """Points, wires and drives."""
    count, wires = chance.choice([star, bridge, pairs, anything])(chance)
    return [point_of(chance) for _ in range(count)], wires, drives_of(chance, count)


def lines_of(number, points, wires, drives):
    """The network for ngspice: supply n, node of VIO vn, chip pins and sockets pn_k and sn_k."""
    n, vio = number, f"v{number}"
    yield from (f"Vsupply{n} e{n} 0 {SUPPLY_V!r}", f"Rshunt{n} e{n} {vio} {SHUNT_OHMS!r}")
    for k, (point, drive) in enumerate(zip(points, drives, strict=True)):
        pin, socket = f"p{n}_{k}", f"s{n}_{k}"
        yield f"Rseries{n}_{k} {pin} {socket} {point.series_ohms!r}"
        yield f"Rleak{n}_{k} {pin} 0 {LEAK_OHMS!r}"
        if drive == LOW:
            yield f"Rlow{n}_{k} {pin} 0 {point.out_low_ohms!r}"
        elif drive == HIGH:
            yield f"Rhigh{n}_{k} {pin} {vio} {point.out_high_ohms!r}"
        elif drive == PULLUP:
            yield f"Bpull{n}_{k} {vio} {pin} I={point.pullup_amps!r}*(1-V({pin})/V({vio}))"
    for k, wire in enumerate(wires):
        yield f"Rwire{n}_{k} s{n}_{wire.a} s{n}_{wire.b} {wire.ohms!r}"


def solved_by_spice(networks, folder):
    """Every node's voltage and every source's current, by name, of all networks side by side."""
    file = folder / "networks.cir"
    body = [line for n, one in enumerate(networks) for line in lines_of(n, *one)]
    control = [".control", "set width=200", "set numdgt=10", "op", "print all", ".endc", ".end", ""]
    accurate = ".options reltol=1e-7 abstol=1e-13 vntol=1e-10 gmin=1e-15 itl1=500"
    file.write_text("\n".join(["* random networks", *body, accurate, *control]))
    done = subprocess.run(
        ["ngspice", "-b", file.name], cwd=folder, capture_output=True, text=True, timeout=60
    )
    return {name: float(value) for name, value in re.findall(r"^(\S+) = (\S+)$", done.stdout, re.M)}


def near(expected, actual, least):
    return abs(expected - actual) <= max(least, PART * abs(expected))


def test_random_networks_have_the_voltages_and_the_current_that_spice_finds(tmp_path):
    if not shutil.which("ngspice"):
        reason = "no ngspice here: install Debian's ngspice"
        (pytest.fail if os.environ.get("CI") else pytest.skip)(reason)
    seed = int(os.environ.get("PINWRIGHT_SEED") or random.randrange(2**32))
    print(f"PINWRIGHT_SEED={seed}")
    chance = random.Random(f"spice {seed}")
    networks = [network(chance) for _ in range(NETWORKS)]
    spice = solved_by_spice(networks, tmp_path)
    wrong = []
    for n, (points, wires, drives) in enumerate(networks):
        circuit = Circuit(points, wires, supply_v=SUPPLY_V, shunt_ohms=SHUNT_OHMS)
        for point, drive in enumerate(drives):
            circuit.set_drive(point, drive)
        circuit.settle()
        amps = -spice[f"vsupply{n}#branch"]
        pairs = [("supply", amps, circuit.supply_ma / 1e3, LEAST_A)]
        pairs.append(("vio", spice[f"v{n}"], circuit.vio_v, LEAST_V))
        for k in range(len(points)):
            pairs.append((f"pin {k}", spice[f"p{n}_{k}"], circuit.pin_v(k), LEAST_V))
            pairs.append((f"socket {k}", spice[f"s{n}_{k}"], circuit.socket_v(k), LEAST_V))
        assert amps <= circuit.most_amps * (1 + PART) + LEAST_A, f"network {n} of seed {seed}"
        wrong += [
            f"network {n} of seed {seed}, {what}: {expected} by ngspice, {actual} here"
            for what, expected, actual, least in pairs
            if not near(expected, actual, least)
        ]
    assert [] == wrong


def test_a_difference_would_be_noticed():
    assert near(1.0, 1.009, LEAST_V)
    assert near(0.0, 0.9e-3, LEAST_V)
    assert not near(1.0, 1.011, LEAST_V)
    assert not near(0.0, 1.1e-3, LEAST_V)
