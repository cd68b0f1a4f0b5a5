"""Random cables on random boards: the nets are the truth, and PASS means that it is what was asked for.

The truth comes from networkx, from the links that are plugged in.
"""

from __future__ import annotations

import random
from concurrent.futures import ThreadPoolExecutor

import networkx as nx
import pytest

from pinwright.cable.pins import Pin
from pinwright.virtual.bench import Link, TesterSpec

from ..random_cables import cable, faulty

ROUNDS, SCANS_A_ROUND = 3, 8
SIZES = (
    lambda chance: 2,
    lambda chance: chance.choice([1, 2, 2, 2, 3, 5, 9, 14, 20]),
    lambda chance: chance.randint(2, 80),
    lambda chance: chance.choice([1, 1, 1, 1, 2]),
)
COMMONS = [["A.31", "B.31"], ["A.32", "B.32"], ["A.33", "B.33"], ["A.34", "B.34"]]


def _pieces(links):
    graph = nx.Graph()
    graph.add_edges_from(links)
    return {frozenset(piece) for piece in nx.connected_components(graph)}


def _one(workplace, seed):
    """A scan's outcome beside the truth; AssertionError names the seed."""
    chance = random.Random(seed)
    small = chance.random() < 0.4
    ends = "AB" if small else "ABC"
    commons = chance.random() < 0.3
    used = {pin for pair in COMMONS for pin in pair} if commons else set()
    pins = [f"{end}.{n}" for end in ends for n in range(1, 41) if f"{end}.{n}" not in used]
    nets, links = cable(chance, pins, SIZES)
    more: dict[str, object] = {}
    if commons:
        nets, links = [*nets, *COMMONS], [*links, *map(list, COMMONS)]
        if chance.random() < 0.7:  # the cable may join these
            links.append(chance.sample([pair[0] for pair in COMMONS], 2))
        more = {
            "signals": {end: {str(n): "GND" for n in range(31, 35)} for end in "AB"},
            "common": {"GND": {"joined": "optional"}},
        }
    profile = workplace.profile(nets, ends, **more)
    links = faulty(chance, pins, links, most=6)
    # By continuity every contact below 1 ohm is as good as another; measured, a chain of many such is not.
    lane, most = chance.choice([("none", 0.99), ("calibrated", 0.2)])
    plugged = [
        Link(tuple(Pin(*name.split(".")) for name in link), chance.uniform(0.01, most)) for link in links
    ]
    spec = TesterSpec(seed=chance.randrange(10**6), fitted=5 if small else 8, lane=lane)
    outcome = workplace.scan(profile, plugged, spec)
    truth = _pieces(links)
    wanted = _matches(truth, set(map(frozenset, nets)), [frozenset(pair) for pair in COMMONS if commons])
    told = f"seed {seed}: {outcome}"
    assert outcome.facts is not None, told
    assert truth == {frozenset(map(str, net)) for net in outcome.facts.nets}, told
    assert () == outcome.facts.doubtful, told
    assert ("pass" if wanted else "fail") == outcome.verdict, told


def _matches(truth, nets, commons):
    """Whether pieces are the nets, but for conductors of the common signal, any of which may be joined."""
    for piece in truth:
        if piece in nets:
            continue
        inside = [pair for pair in commons if pair <= piece]
        if not inside or frozenset().union(*inside) != piece:
            return False
    whole = {frozenset(piece) for piece in truth}
    return all(any(net <= piece for piece in whole) for net in nets)


@pytest.mark.parametrize("nth", range(ROUNDS))
def test_the_nets_are_the_truth_and_pass_means_that_they_are_what_was_asked_for(nth, workplace):
    first = random.randrange(1 << 40)
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda seed: _one(workplace, seed), range(first, first + SCANS_A_ROUND)))


@pytest.mark.parametrize("fitted", [5, 8])
def test_a_good_cable_of_pairs_passes_on_every_board(fitted, workplace, good):
    profile = workplace.straight()
    assert {"pass"} == {
        workplace.scan(profile, good(profile), TesterSpec(seed=seed, fitted=fitted)).verdict
        for seed in range(3)
    }


@pytest.mark.parametrize("size", [8, 9, 14, 80])
def test_a_bridge_to_a_net_of_any_size_is_found_and_so_is_a_pin_that_left_it(size, workplace):
    """Above eight the wide walk begins; from fourteen on the plain walk is not sure any more."""
    pins = [Pin(end, str(n)) for end in "ABC" for n in range(1, 41)]
    net, free = pins[:size], pins[size:]
    profile = workplace.profile([net, free[:2]], "ABC")
    whole = [Link(tuple(net)), Link(tuple(free[:2]))]
    cables = [
        whole,
        [*whole, Link((net[-1], free[5]))],
        [*whole, Link((net[0], free[0]))],
        [Link(tuple(net[1:])), whole[1]],
    ]
    outcomes = workplace.scans(profile, cables)
    assert ["pass", "fail", "fail", "fail"] == [outcome.verdict for outcome in outcomes]
