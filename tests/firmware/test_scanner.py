"""The scanner's reasoning, over banks of our own making: what it saw is never lost, doubt stays doubt."""

from __future__ import annotations

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

POINTS = 48  # three chips: enough for every path, small enough to be quick
PORTS = POINTS // 8
SURELY_SEEN = 13  # pins; hardware/README.md: from 14 on the pull-ups of a net may hide it


class Bank:
    """Answers as told. sees(p, q): whether q reads low while p is; by_ports likewise; apart: a set."""

    points, ports, stride = POINTS, PORTS, 8

    def __init__(self, sees, by_ports, apart):
        self._sees, self._by_ports, self._apart = sees, by_ports, apart

    def transfers(self):
        return 0

    def rest(self):
        """Nothing to do."""

    def walk(self, first, rows, base, settle_us):
        missed = 0
        for point in range(first, first + 8):
            row = base + (point - first) * PORTS
            self.look(point, rows, row, settle_us, False)
            missed |= (rows[row + point // 8] >> point % 8 & 1 ^ 1) << point - first
        return missed

    def look(self, point, row, base, settle_us, stay):
        self._fill(row, base, lambda other: other == point or self._sees(point, other))

    def look_by_ports(self, point, row, settle_us):
        self._fill(row, 0, lambda other: other == point or self._by_ports(point, other))

    def ports_against_rest(self, row, settle_us):
        self._fill(row, 0, self._apart.__contains__)

    def _fill(self, row, base, low):
        for port in range(PORTS):
            row[base + port] = sum(1 << bit for bit in range(8) if low(8 * port + bit))


def _pairs(scanner, *matrices):
    pairs = set()
    for name in matrices:
        matrix = getattr(scanner, name)
        for p in range(POINTS):
            pairs |= {(p, q) for q in range(POINTS) if matrix[p * PORTS + q // 8] >> q % 8 & 1}
    return pairs


def _pieces(pairs):
    graph = nx.Graph()
    graph.add_nodes_from(range(POINTS))
    graph.add_edges_from(pairs)
    return {frozenset(piece) for piece in nx.connected_components(graph)}


def _scan(firmware, sees, by_ports, apart, in_large=bytes(POINTS)):
    scanner = firmware.scanner.Scanner(Bank(sees, by_ports, apart), lambda: None)
    scanner.scan(in_large, 20)
    return scanner


points = st.integers(0, POINTS - 1)
relation = st.sets(st.tuples(points, points), max_size=60)


@settings(max_examples=60)
@given(relation, relation, st.sets(points), st.sets(points))
def test_what_two_points_see_of_each_other_is_never_lost(firmware, seen, mutual, apart, large):
    """However little sense the rest makes: they end in one piece of what is joined or doubtful."""
    both = mutual | {(q, p) for p, q in mutual}
    sees = (seen | both).__contains__
    scanner = _scan(
        firmware,
        lambda p, q: sees((p, q)),
        lambda p, q: sees((p, q)),
        apart,
        bytes(p in large for p in range(POINTS)),
    )
    piece_of = {p: piece for piece in _pieces(_pairs(scanner, "joined", "doubtful")) for p in piece}
    assert [] == [pair for pair in both if pair[1] not in piece_of[pair[0]]]
    for name in ("joined", "doubtful"):
        found = _pairs(scanner, name)
        assert found == {(q, p) for p, q in found}


@settings(max_examples=60)
@given(
    st.randoms(use_true_random=False),
    st.lists(st.integers(2, 40), min_size=1, max_size=12),
    st.sets(points),
)
def test_nets_of_any_size_are_found_whole_whether_or_not_they_are_expected(firmware, chance, sizes, large):
    """A large net shows to a driver of some strength on chips that ask no more of it, as a circuit does."""
    left = list(range(POINTS))
    chance.shuffle(left)
    nets = []
    for size in sizes:
        nets.append(left[:size])
        left = left[size:]
    net_of = {p: net for net in nets for p in net}
    strength = [chance.randrange(6) for _ in range(POINTS)]
    asked = [chance.randrange(7) for _ in range(POINTS // 16)]

    def conducts(p, q):
        return q in net_of.get(p, ())

    def sees(p, q):
        return conducts(p, q) and (len(net_of[p]) <= SURELY_SEEN or strength[p] >= asked[q // 16])

    apart = {p for p, net in net_of.items() if any(q // 8 != p // 8 for q in net)}
    scanner = _scan(firmware, sees, conducts, apart, bytes(p in large for p in range(POINTS)))
    expected = {frozenset(net) for net in nets} | {frozenset([p]) for p in range(POINTS) if p not in net_of}
    assert expected - {frozenset()} == _pieces(_pairs(scanner, "joined"))
    assert set() == _pairs(scanner, "doubtful")
    assert not any(scanner.unexplained)


def test_a_large_net_of_unused_pins_that_no_look_shows_is_found_through_the_rest_pass(firmware):
    net = set(range(3, 48, 3))
    assert len(net) > SURELY_SEEN
    scanner = _scan(firmware, lambda p, q: False, lambda p, q: p in net and q in net, net)
    assert frozenset(net) in _pieces(_pairs(scanner, "joined"))


def test_a_pair_seen_from_one_side_only_is_doubtful_and_never_joined(firmware):
    scanner = _scan(firmware, lambda p, q: (p, q) == (4, 20), lambda p, q: False, set())
    assert set() == _pairs(scanner, "joined")
    assert {(4, 20), (20, 4)} == _pairs(scanner, "doubtful")
    assert 1 == scanner.doubts


def test_a_pair_seen_once_and_never_again_was_a_slip_of_the_bus(firmware):
    once = [(4, 20)]

    def sees(p, q):
        return bool(once) and (p, q) == once[0] and bool(once.pop())

    scanner = _scan(firmware, sees, lambda p, q: False, set())
    assert set() == _pairs(scanner, "joined", "doubtful")
    assert 1 == scanner.slips


def test_a_link_to_another_port_that_the_rest_pass_does_not_know_is_doubtful(firmware):
    scanner = _scan(firmware, lambda p, q: {p, q} == {4, 20}, lambda p, q: {p, q} == {4, 20}, set())
    assert set() == _pairs(scanner, "joined")
    assert {(4, 20), (20, 4)} == _pairs(scanner, "doubtful")


def test_a_point_that_conducts_to_nothing_that_can_be_found_is_unexplained(firmware):
    scanner = _scan(firmware, lambda p, q: False, lambda p, q: False, {9})
    assert bytes([0, 2, 0, 0, 0, 0]) == bytes(scanner.unexplained)


def test_a_point_that_does_not_read_low_itself_stops_the_scan(firmware):
    bank = Bank(lambda p, q: False, lambda p, q: False, set())
    bank.look = lambda point, row, base, settle_us, stay: bank._fill(row, base, lambda q: q == point != 17)
    with pytest.raises(firmware.scanner.PointFault, match=r"not-low.*17"):
        firmware.scanner.Scanner(bank, lambda: None).scan(bytes(POINTS), 20)


def test_more_unsteady_pairs_than_a_cable_can_have_stop_the_scan(firmware):
    with pytest.raises(firmware.scanner.PointFault, match="unsteady"):
        _scan(firmware, lambda p, q: p < q, lambda p, q: False, set())
