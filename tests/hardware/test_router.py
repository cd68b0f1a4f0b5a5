"""The grid router of the board's layout, on boards of a few pads."""

from __future__ import annotations

import itertools
import math

import pytest

from .board_modules import router

SIZE = (25.4, 20.32)
Nets = list[tuple[str, bool, list[tuple[float, float]]]]


def pad(net: str, column: int, row: int) -> router.Obstacle:
    return router.Obstacle(2.54 * column, 2.54 * row, 1.6, 1.6, 0.8, net)


def routed(pads: list[router.Obstacle], fat: tuple[str, ...] = ()) -> router.Router:
    nets: dict[str, list[tuple[float, float]]] = {}
    for one in pads:
        nets.setdefault(one.net, []).append((one.x, one.y))
    made = router.Router(*SIZE, pads)
    made.route([(net, net in fat, places) for net, places in nets.items()])
    return made


def apart(one: router.Track, two: router.Track) -> float:
    """Between the edges of two tracks along the axes, mm."""
    boxes = [[sorted(pair) for pair in zip(t.start, t.end, strict=True)] for t in (one, two)]
    gaps = [max(a[0] - b[1], b[0] - a[1], 0.0) for a, b in zip(*boxes, strict=True)]
    return math.hypot(*gaps) - (one.width + two.width) / 2


CROSSING = [pad("A", 1, 4), pad("A", 8, 4), pad("B", 4, 1), pad("B", 4, 7), pad("C", 2, 2), pad("C", 7, 6)]


def test_nets_that_cross_keep_their_distance() -> None:
    made = routed(CROSSING, fat=("B",))
    for one, two in itertools.combinations(made.tracks(), 2):
        if one.net != two.net and one.layer == two.layer:
            assert apart(one, two) >= 0.2
    for via in made.vias():
        for track in made.tracks():
            if track.net != via.net:
                spot = router.Track(via.net, track.layer, via.at, via.at, router.VIA)
                assert apart(spot, track) >= 0.2


def test_tracks_keep_their_distance_from_foreign_pads() -> None:
    pads = [*CROSSING, *(pad("D", 5, row) for row in (2, 3, 5, 6))]
    for track in routed(pads).tracks():
        for one in pads:
            if one.net != track.net:
                steps = [k / 20 for k in range(21)]
                places = [
                    tuple(a + (b - a) * k for a, b in zip(track.start, track.end, strict=True)) for k in steps
                ]
                assert min(one.distance(*place) for place in places) - track.width / 2 >= 0.2


def joined(made: router.Router, net: str, pads: list[tuple[float, float]]) -> bool:
    """Whether tracks and vias make one piece of a net's pads, followed end by end."""
    links: list[tuple[tuple[float, float, int], tuple[float, float, int]]] = []
    for track in made.tracks():
        if track.net == net:
            links.append(((*track.start, track.layer), (*track.end, track.layer)))
    through = [via.at for via in made.vias() if via.net == net] + pads
    groups = [{(*place, 0), (*place, 1)} for place in through]
    for a, b in links:
        level = a[0] == b[0]
        on_it = {
            (*place, a[2])
            for place in [*through, *(end[:2] for link in links for end in link)]
            if (
                place[0] == a[0] and min(a[1], b[1]) <= place[1] <= max(a[1], b[1])
                if level
                else place[1] == a[1] and min(a[0], b[0]) <= place[0] <= max(a[0], b[0])
            )
        }
        groups.append({a, b} | on_it)
    whole = groups.pop()
    while near := [group for group in groups if group & whole]:
        for group in near:
            whole |= group
            groups.remove(group)
    return all((*place, 0) in whole for place in pads)


@pytest.mark.parametrize("fat", [(), ("A", "B", "C")])
def test_every_net_becomes_one_piece(fat: tuple[str, ...]) -> None:
    pads = [*CROSSING, pad("A", 8, 1), pad("B", 1, 7)]
    made = routed(pads, fat)
    for net in "ABC":
        places = [(round(one.x, 4), round(one.y, 4)) for one in pads if one.net == net]
        assert joined(made, net, places)


def test_the_same_pads_give_the_same_tracks() -> None:
    one, two = routed(CROSSING), routed(list(reversed(CROSSING)))
    assert one.tracks() == two.tracks()
    assert one.vias() == two.vias()


def test_a_pad_behind_walls_has_no_route() -> None:
    wall = [router.Obstacle(12.7, 10.16, 1.0, 20.32, 0.0, "")]
    made = router.Router(*SIZE, [*wall, pad("A", 1, 4), pad("A", 8, 4)])
    with pytest.raises(router.NoRoute, match="A: no way to"):
        made.route([("A", False, [(2.54, 10.16), (20.32, 10.16)])])


def test_nets_that_have_no_room_beside_each_other_are_named() -> None:
    """Three nets through one gap with room for a track on either side of the board."""
    gap = [router.Obstacle(12.7, y, 1.0, 9.6, 0.0, "") for y in (4.8, 15.52)]
    pads = [pad("A", 1, 3), pad("A", 8, 3), pad("B", 1, 5), pad("B", 8, 5), pad("C", 1, 4), pad("C", 8, 4)]
    made = router.Router(*SIZE, [*gap, *pads])
    with pytest.raises(router.NoRoute, match="in each other's way"):
        made.route([(n, False, [(p.x, p.y) for p in pads if p.net == n]) for n in "ABC"])


def test_a_stitching_via_keeps_clear_of_everything() -> None:
    made = routed([*CROSSING, pad("GND", 2, 6), pad("GND", 9, 7)])
    reached = made.flood("GND")
    free = [
        (x * router.PITCH, y * router.PITCH)
        for y in range(1, 31)
        for x in range(1, 39)
        if made.pours_at(x * router.PITCH, y * router.PITCH, reached)
        and made.free_for_via(x * router.PITCH, y * router.PITCH, "GND")
    ]
    assert free
    for x, y in free:
        for one in CROSSING:
            assert one.distance(x, y) - router.VIA / 2 >= 0.2
        for track in made.tracks():
            if track.net != "GND":
                spot = router.Track("GND", track.layer, (x, y), (x, y), router.VIA)
                assert apart(spot, track) >= 0.2
    made.stitch(*free[0], "GND")
    assert not made.free_for_via(*free[0], "GND")


def test_a_tap_meets_its_net_in_one_pad_only() -> None:
    """A pad of net A that net T may come to; the other pad of T lies behind one more of A, and in A's way."""
    shared = router.Obstacle(7.62, 10.16, 1.6, 1.6, 0.8, "A", ("T",))
    pads = [shared, pad("A", 1, 2), pad("A", 5, 4), pad("A", 9, 4), pad("T", 7, 4)]
    places = {net: [(round(p.x, 4), round(p.y, 4)) for p in pads if net in (p.net, *p.also)] for net in "AT"}
    made = router.Router(*SIZE, pads)
    made.route([("A", True, places["A"]), ("T", False, places["T"])])
    assert all(joined(made, net, places[net]) for net in "AT")

    def outside(track: router.Track) -> list[tuple[float, float]]:
        steps = [k / 100 for k in range(101)]
        along = [tuple(a + (b - a) * k for a, b in zip(track.start, track.end, strict=True)) for k in steps]
        return [place for place in along if shared.distance(*place) > 0.0]

    taps = [track for track in made.tracks() if track.net == "T"]
    for one, other in itertools.product(taps, made.tracks()):
        if other.net == "A" and one.layer == other.layer:
            gaps = [math.dist(a, b) for a in outside(one) for b in outside(other)]
            assert not gaps or min(gaps) > (one.width + other.width) / 2
    for one, foreign in itertools.product(taps, pads[1:4]):
        assert min([foreign.distance(*place) for place in outside(one)], default=9.0) >= 0.2


def test_another_net_keeps_off_the_pad_that_two_may_share() -> None:
    shared = router.Obstacle(10.16, 10.16, 1.6, 1.6, 0.8, "A", ("T",))
    pads = [shared, pad("A", 4, 2), pad("T", 6, 4), pad("B", 1, 4), pad("B", 9, 4)]
    made = router.Router(*SIZE, pads)
    nets = {net: [(p.x, p.y) for p in pads if net in (p.net, *p.also)] for net in "ABT"}
    made.route([(net, False, places) for net, places in nets.items()])
    for track in made.tracks():
        if track.net == "B":
            steps = [k / 50 for k in range(51)]
            along = [
                tuple(a + (b - a) * k for a, b in zip(track.start, track.end, strict=True)) for k in steps
            ]
            assert min(shared.distance(*place) for place in along) - track.width / 2 >= 0.2


def test_no_via_is_where_words_may_stand() -> None:
    x, y = routed(CROSSING).vias()[0].at
    made = router.Router(*SIZE, CROSSING)
    made.shut_for_vias(x - 1.0, y - 1.0, x + 1.0, y + 1.0)
    made.route([(net, False, [(p.x, p.y) for p in CROSSING if p.net == net]) for net in "ABC"])
    assert made.vias()
    for via in made.vias():
        assert max(abs(via.at[0] - x), abs(via.at[1] - y)) >= 1.0 + router.VIA_HOLE / 2
