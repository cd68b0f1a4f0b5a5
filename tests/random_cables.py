"""Cables by chance: what they should be, how they are wired, and what went wrong with them."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

Links = list[list[str]]


def cable(
    chance: random.Random, pins: Sequence[str], sizes: Sequence[Callable[[random.Random], int]]
) -> tuple[Links, Links]:
    """Nets over these pins, their sizes by one of `sizes`, and their links: each net a random tree."""
    left, size = chance.sample(pins, len(pins)), chance.choice(sizes)
    nets: Links = []
    links: Links = []
    while left:
        take = size(chance)
        net, left = left[:take], left[take:]
        if len(net) > 1:
            nets.append(net)
            links += [[net[chance.randrange(j)], net[j]] for j in range(1, len(net))]
    return (nets, links) if nets else ([list(pins[:2])], [list(pins[:2])])  # a cable has one net at least


def faulty(chance: random.Random, pins: Sequence[str], links: Links, most: int) -> Links:
    """The links after up to `most` faults: some open, some too many, some with an end elsewhere."""
    links = [list(link) for link in links]
    for _ in range(chance.randint(0, most)):
        kind = chance.choice(["open", "bridge", "move"])
        if kind == "open" and links:
            links.pop(chance.randrange(len(links)))
        elif kind == "bridge":
            links.append(chance.sample(pins, 2))
        elif links:
            links[chance.randrange(len(links))][chance.randrange(2)] = chance.choice(pins)
    return [link for link in links if link[0] != link[1]]
