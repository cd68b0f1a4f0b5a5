"""compare() against networkx, which knows nothing of cables: nets are the connected components.

networkx stands in for the textbook: connected components of an undirected graph.
"""

from __future__ import annotations

from itertools import pairwise

import networkx  # type: ignore[import-untyped]
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.tester.measurement import Measurement
from pinwright.verdict.facts import compare

PINS = tuple(Pin(end, str(number)) for end in "AB" for number in range(1, 9))
PROFILE = Profile.from_dict(
    {
        "cable": {"id": "x"},
        "ends": {"A": {"connector": "row-8"}, "B": {"connector": "row-8"}},
        "wiring": {"rule": "straight"},
    }
)


def components(edges: list[tuple[Pin, Pin]]) -> set[frozenset[Pin]]:
    """Those of two or more pins."""
    graph = networkx.Graph()
    graph.add_nodes_from(PINS)
    graph.add_edges_from(edges)
    return {frozenset(piece) for piece in networkx.connected_components(graph) if len(piece) > 1}


@given(st.lists(st.lists(st.sampled_from(PINS), min_size=1, max_size=5), max_size=14))
def test_the_nets_found_are_the_connected_components(groups: list[list[Pin]]) -> None:
    edges = [edge for group in groups for edge in pairwise(group)]
    facts = compare(PROFILE, Measurement(frozenset(PINS), tuple(map(tuple, groups))))
    assert components(edges) == {frozenset(net) for net in facts.nets}
    assert sum(map(len, facts.nets)) == len({pin for net in facts.nets for pin in net})


@given(
    st.lists(st.tuples(st.sampled_from(PINS), st.sampled_from(PINS)), max_size=16),
    st.lists(st.tuples(st.sampled_from(PINS), st.sampled_from(PINS)), max_size=6),
)
def test_missing_rests_on_the_sure_links_and_extra_on_all(
    sure: list[tuple[Pin, Pin]], doubtful: list[tuple[Pin, Pin]]
) -> None:
    facts = compare(PROFILE, Measurement(frozenset(PINS), tuple(sure), tuple(doubtful)))
    strict, loose = components(sure), components([*sure, *doubtful])
    expected = {net.pins for net in PROFILE.nets if not any(piece.issuperset(net.pins) for piece in strict)}
    assert expected == {fact.net.pins for fact in facts.missing}
    nets = {frozenset(net.pins) for net in PROFILE.nets}
    assert loose - nets == {frozenset(fact.pins) for fact in facts.extra}


@pytest.mark.parametrize("length", [2, 3, 16])
def test_a_chain_is_one_net_however_it_is_told(length: int) -> None:
    chain = PINS[:length]
    for told in (list(pairwise(chain)), [(one, chain[0]) for one in chain[1:]], [chain], [chain[::-1]]):
        facts = compare(PROFILE, Measurement(frozenset(PINS), tuple(told)))
        assert (chain,) == facts.nets
