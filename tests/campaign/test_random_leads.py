"""Random leads, nets of all sizes, good ones and others, on desks with an ohms lane.

Whatever differs fails, whatever does not passes, and no scan ends without a verdict. Others every run;
`PINWRIGHT_CAMPAIGN=full` takes 300.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable

import networkx as nx

from pinwright.cable.pins import parse_pin
from pinwright.virtual.bench import Link, TesterSpec

from ..random_cables import cable, faulty
from .bench_of_desks import profile_of, running

SEED = int(os.environ.get("PINWRIGHT_SEED") or random.randrange(1 << 32))
LEADS = 300 if os.environ.get("PINWRIGHT_CAMPAIGN") == "full" else 40
PINS = [f"{end}.{n}" for end in "AB" for n in range(1, 41)]
SIZES: list[Callable[[random.Random], int]] = [
    lambda chance: 2,
    lambda chance: chance.choice([2, 3, 9, 17, 30]),
    lambda chance: chance.randint(2, 8),
]


def test_a_lead_passes_if_and_only_if_its_nets_are_those_of_its_profile():
    told = set()
    for n in range(LEADS):
        chance = random.Random(SEED + n)
        nets, links = cable(chance, PINS, SIZES)
        nets = [net for net in nets if len(net) > 1]
        if chance.random() < 0.6:
            links = faulty(chance, PINS, links, chance.randint(1, 6))
        graph = nx.Graph()
        for link in links:
            nx.add_path(graph, link)
        as_it_should_be = {
            frozenset(piece) for piece in nx.connected_components(graph) if len(piece) > 1
        } == {frozenset(net) for net in nets}
        spec = TesterSpec(
            seed=SEED + n,
            kelvin=chance.uniform(-5, 5),
            lane=chance.choice(["calibrated", "uncalibrated"]),
        )
        with running(spec) as tester:
            wires = [Link(tuple(map(parse_pin, link)), chance.choice([0.1, 0.3])) for link in links]
            outcome = tester.scan(profile_of(nets), wires)
        assert outcome.facts is not None, (SEED + n, outcome.refused)
        assert as_it_should_be is outcome.passed, (SEED + n, outcome.facts)
        told.add(outcome.passed)
    assert {True, False} == told
