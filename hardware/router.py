"""A grid router for two layers of a through-hole board: no library, the same tracks from the same input.

Nodes lie 0.635 mm apart on both layers, so one track passes between two pins 2.54 mm apart, in the middle.
Tracks are thin or fat; a via is as fat as a fat track. Every net is routed as if it were alone, but pays for
what others have taken; what is taken twice grows dearer with every round, until nothing is (negotiated
congestion: McMurchie and Ebeling, PathFinder, 1995). What two nets may not share is decided on the grid:

    from a thin node, a foreign thin one is 1 node away or more:   0.635 − 0.30       = 0.33 mm between them
    from a fat node, a foreign thin one is 1 diagonal or more:     0.898 − 0.50 − 0.15 = 0.24 mm
    from a fat node, a foreign fat one is 2 nodes away or more:    1.27 − 1.00         = 0.27 mm

and distances to pads, holes and the edge are computed where they are asked for. Two nets may meet in one pad
and nowhere else: so a measuring pin gets a track of its own, in which no other current flows.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from heapq import heappop, heappush
from itertools import pairwise

PITCH = 0.635  # mm, a quarter of 2.54
THIN = 0.3  # mm, width of a signal's track
FAT = 0.8  # mm, of a supply's
VIA = 1.0  # mm, its pad
VIA_HOLE = 0.5  # mm
CLEARANCE = 0.25  # mm, to pads and holes: more than the rule asks, for what lies between two nodes
EDGE = 0.5  # mm from copper to the board's edge

FRONT, BACK = 0, 1
_VIA_COST = 12.0
_AGAINST = 1.0  # what a step against the layer's direction costs on top: front runs across, back up and down
_TURN = 0.3
_MOST_ROUNDS = 60
_BETWEEN_VIAS = 2.0  # mm, from a stitching via to the net's next one


class NoRoute(Exception):
    """What could not be routed, in a sentence."""


@dataclass(frozen=True)
class Obstacle:
    """Copper or a hole on both layers: a box with round corners, in mm.

    net: "" is foreign to every net. also: nets that may come to it, too, each on a layer of its own.
    """

    x: float
    y: float
    width: float
    height: float
    radius: float
    net: str
    also: tuple[str, ...] = ()

    def distance(self, x: float, y: float) -> float:
        """From its edge to a place, in mm; 0 inside."""
        across = max(abs(x - self.x) - (self.width / 2 - self.radius), 0.0)
        along = max(abs(y - self.y) - (self.height / 2 - self.radius), 0.0)
        return max(math.hypot(across, along) - self.radius, 0.0)


@dataclass(frozen=True)
class Track:
    """A straight piece of copper, in mm."""

    net: str
    layer: int
    start: tuple[float, float]
    end: tuple[float, float]
    width: float


@dataclass(frozen=True)
class Via:
    net: str
    at: tuple[float, float]


@dataclass
class _Net:
    name: str
    fat: bool
    pads: list[tuple[float, float]]
    paths: list[list[int]] = field(default_factory=list)


class Router:
    """Routes nets on a board of width × height mm, the origin in its upper left corner."""

    def __init__(self, width: float, height: float, obstacles: Iterable[Obstacle]) -> None:
        self._across = round(width / PITCH) + 1
        self._down = round(height / PITCH) + 1
        self._layer = self._across * self._down
        self._nodes = 2 * self._layer
        self._names: dict[str, int] = {}
        # For every node of one layer: -1 free, a net that alone may use it, or -2 for none.
        self._thin = [-1] * self._layer
        self._fat = [-1] * self._layer
        self._via = [-1] * self._layer
        self._owners: dict[int, set[int]] = {}  # net → what stands for nodes that it may use, where not -1
        self._shut_edges(width, height)
        for obstacle in obstacles:
            self._shut(obstacle)
        self._hit_thin: list[dict[int, int]] = [{} for _ in range(self._nodes)]
        self._hit_fat: list[dict[int, int]] = [{} for _ in range(self._nodes)]
        self._history = [0.0] * self._nodes
        self._done: list[_Net] = []
        self._stitches: list[Via] = []

    def shut_for_vias(self, left: float, top: float, right: float, bottom: float) -> None:
        """No via from now on whose hole is in that box, in mm: words on the silk may stand there."""
        reach = VIA_HOLE / 2
        for node in range(self._layer):
            x, y = self._place(node)
            if left - reach < x < right + reach and top - reach < y < bottom + reach:
                self._via[node] = -2

    def route(self, nets: Sequence[tuple[str, bool, Sequence[tuple[float, float]]]]) -> int:
        """Connect the pads of every net (name, fat, their centres); how many rounds it took.

        Nets of earlier calls stay where they are. Raises NoRoute.
        """
        todo = [_Net(name, fat, sorted(pads)) for name, fat, pads in nets]
        todo.sort(key=lambda net: (_span(net.pads), net.name))
        fixed = {self._number(net.name) for net in self._done}
        pressure = 0.6
        waiting = list(todo)
        for rounds in range(1, _MOST_ROUNDS + 1):
            for net in waiting:
                self._lift(net)
                self._connect(net, pressure, fixed)
            waiting = self._in_conflict(todo)
            if not waiting:
                self._done += todo
                return rounds
            pressure *= 1.4
        raise NoRoute(f"still in each other's way: {', '.join(net.name for net in waiting)}")

    def free_for_via(self, x: float, y: float, net: str) -> bool:
        """Whether a via of this net may stand at the node nearest to a place, clear of its other vias."""
        node = self._node(x, y)
        return self._may_pierce(node, self._number(net)) and not any(
            max(abs(a - b) for a, b in zip(via.at, self._place(node), strict=True)) < _BETWEEN_VIAS
            for via in (*self.vias(), *self._stitches)
            if via.net == net
        )

    def stitch(self, x: float, y: float, net: str) -> Via:
        """A via there, which later nets have to go round."""
        node = self._node(x, y)
        number = self._number(net)
        for at in (node, node + self._layer):
            self._mark(at, number, True, 1)
        self._stitches.append(Via(net, self._place(node)))
        return self._stitches[-1]

    def flood(self, net: str) -> set[int]:
        """The nodes that a pour of this net reaches from what it has, where a fat track would have room."""
        number = self._number(net)
        across, layer = self._across, self._layer
        through: set[int] = set()
        front: list[int] = []
        for one in self._done:
            if one.name == net:
                through.update(self._node(x, y) for x, y in one.pads)
                front += [node for path in one.paths for node in path]
        through.update(self._node(*via.at) for via in self.vias() if via.net == net)
        front += [node + shift for node in sorted(through) for shift in (0, layer)]
        reached = set(front)
        while front:
            node = front.pop()
            for move in (1, -1, across, -across):
                other = node + move
                if (
                    other not in reached
                    and self._fat[other % layer] in (-1, number)
                    and not any(taker != number for taker in self._hit_fat[other])
                ):
                    reached.add(other)
                    front.append(other)
            if node % layer in through:
                other = (node + layer) % (2 * layer)
                if other not in reached:
                    reached.add(other)
                    front.append(other)
        return reached

    def pours_at(self, x: float, y: float, reached: set[int]) -> bool:
        """Whether the flood is at a place, on either layer."""
        node = self._node(x, y)
        return node in reached or node + self._layer in reached

    def tracks(self) -> list[Track]:
        """All tracks, sorted, straight runs in one piece; they end at the node nearest to a pad's middle."""
        found: set[Track] = set()
        for net in self._done:
            for path in net.paths:
                width = FAT if net.fat else THIN
                for a, b in self._runs(path):
                    found.add(Track(net.name, a // self._layer, self._place(a), self._place(b), width))
        return sorted(found, key=lambda t: (t.net, t.layer, t.start, t.end))

    def vias(self) -> list[Via]:
        found = set()
        for net in self._done:
            for path in net.paths:
                for a, b in pairwise(path):
                    if abs(a - b) == self._layer:
                        found.add(Via(net.name, self._place(min(a, b))))
        return sorted(found, key=lambda via: (via.net, via.at))

    # the board

    def _node(self, x: float, y: float) -> int:
        return round(y / PITCH) * self._across + round(x / PITCH)

    def _place(self, node: int) -> tuple[float, float]:
        row, column = divmod(node % self._layer, self._across)
        return round(column * PITCH, 4), round(row * PITCH, 4)

    def _number(self, name: str) -> int:
        return self._names.setdefault(name, len(self._names))

    def _shut_edges(self, width: float, height: float) -> None:
        for node in range(self._layer):
            x, y = self._place(node)
            inside = min(x, y, width - x, height - y)
            if inside < EDGE + THIN / 2:
                self._thin[node] = -2
            if inside < EDGE + VIA / 2:
                self._fat[node] = self._via[node] = -2

    def _shut(self, thing: Obstacle) -> None:
        number = self._owner(thing)
        reach = VIA / 2 + CLEARANCE
        left, right = (round((thing.x + s * (thing.width / 2 + reach)) / PITCH) for s in (-1, 1))
        top, bottom = (round((thing.y + s * (thing.height / 2 + reach)) / PITCH) for s in (-1, 1))
        for row in range(max(top, 0), min(bottom, self._down - 1) + 1):
            for column in range(max(left, 0), min(right, self._across - 1) + 1):
                node = row * self._across + column
                away = thing.distance(column * PITCH, row * PITCH)
                if away < THIN / 2 + CLEARANCE:
                    _claim(self._thin, node, number)
                if away < FAT / 2 + CLEARANCE:
                    _claim(self._fat, node, number)
                if away < VIA / 2 + CLEARANCE:
                    self._via[node] = -2

    def _owner(self, thing: Obstacle) -> int:
        """The number that stands for the nodes round a thing: its net's, or one that several nets know."""
        if not thing.net:
            return -2
        if not thing.also:
            return self._number(thing.net)
        nets = (thing.net, *thing.also)
        number = self._number(" and ".join(nets))
        for net in nets:
            self._owners.setdefault(self._number(net), set()).add(number)
        return number

    def _may_pierce(self, node: int, number: int) -> bool:
        """Whether a via may stand there with nothing of another net in its way."""
        flat = node % self._layer
        if self._via[flat] != -1:
            return False
        return not any(other != number for at in (flat, flat + self._layer) for other in self._hit_fat[at])

    # what is taken

    def _mark(self, node: int, number: int, fat: bool, by: int) -> None:
        """Take a node, or let go of it: what this shuts for other nets, thin and fat."""
        across = self._across
        beside = (node - 1, node + 1, node - across, node + across)
        if fat:
            corners = (node - across - 1, node - across + 1, node + across - 1, node + across + 1)
            for at in (node, *beside):
                _count(self._hit_thin[at], number, by)
            for at in (node, *beside, *corners):
                _count(self._hit_fat[at], number, by)
        else:
            _count(self._hit_thin[node], number, by)
            for at in (node, *beside):
                _count(self._hit_fat[at], number, by)

    def _of_path(self, path: list[int], fat: bool) -> dict[int, bool]:
        """Node → whether it is fat: the ends of a via are."""
        found = dict.fromkeys(path, fat)
        for a, b in pairwise(path):
            if abs(a - b) == self._layer:
                found[a] = found[b] = True
        return found

    def _lift(self, net: _Net) -> None:
        for path in net.paths:
            for node, fat in self._of_path(path, net.fat).items():
                self._mark(node, self._number(net.name), fat, -1)
        net.paths = []

    def _in_conflict(self, nets: list[_Net]) -> list[_Net]:
        """The nets that share what they may not; the places grow dearer."""
        found = []
        for net in nets:
            number = self._number(net.name)
            shared = set()
            for path in net.paths:
                for node, fat in self._of_path(path, net.fat).items():
                    hit = self._hit_fat[node] if fat else self._hit_thin[node]
                    if any(other != number for other in hit):
                        shared.add(node)
            for node in shared:
                self._history[node] += 1.0
            if shared:
                found.append(net)
        return found

    # finding a way

    def _connect(self, net: _Net, pressure: float, fixed: set[int]) -> None:
        """One pad after the other to what is there already, the nearest first."""
        number = self._number(net.name)
        pads = [self._node(x, y) for x, y in net.pads]
        tree = {pads[0], pads[0] + self._layer}
        left = dict.fromkeys(pads[1:])
        left.pop(pads[0], None)
        ends = [pads[0]]
        while left:
            goal = min(left, key=lambda pad: (min(self._far(pad, end) for end in ends), pad))
            path = self._search(tree, goal, number, net.fat, pressure, fixed)
            if not path:
                raise NoRoute(f"{net.name}: no way to {self._place(goal)}")
            for node, fat in self._of_path(path, net.fat).items():
                self._mark(node, number, fat, 1)
            net.paths.append(path)
            tree.update(path, (goal, goal + self._layer))
            del left[goal]
            ends.append(goal)

    def _far(self, a: int, b: int) -> int:
        down, over = divmod(a % self._layer, self._across)
        down_b, over_b = divmod(b % self._layer, self._across)
        return abs(down - down_b) + abs(over - over_b)

    def _search(
        self, tree: set[int], goal: int, number: int, fat: bool, pressure: float, fixed: set[int]
    ) -> list[int]:
        """The cheapest path from what is there to a pad, its nodes in order; [] if there is none."""
        layer, across = self._layer, self._across
        allowed = self._fat if fat else self._thin
        hits = self._hit_fat if fat else self._hit_thin
        history = self._history
        own = {-1, number} | self._owners.get(number, set())
        goal_row, goal_column = divmod(goal, across)
        best: dict[int, float] = {}
        came: dict[int, int] = {}
        heap: list[tuple[float, float, int, int]] = []
        for node in sorted(tree):
            row, column = divmod(node % layer, across)
            best[node] = 0.0
            heappush(heap, (abs(row - goal_row) + abs(column - goal_column), 0.0, node, 0))
        shut: set[int] = set()
        while heap:
            _, cost, node, step = heappop(heap)
            if node in shut:
                continue
            shut.add(node)
            if node % layer == goal:
                return self._back(came, node, tree)
            flat = node % layer
            back = node >= layer
            for move in (1, -1, across, -across, 0):
                if move:
                    other = node + move
                    flat_other = flat + move
                    price = 1.0 if (abs(move) == 1) != back else 1.0 + _AGAINST
                    if step not in (0, move):
                        price += _TURN
                    use = hits[other]
                else:
                    other = node - layer if back else node + layer
                    flat_other = flat
                    if self._via[flat] not in own:
                        continue
                    price = _VIA_COST
                    use = self._hit_fat[other] | self._hit_fat[node]
                if other in shut or allowed[flat_other] not in own:
                    continue
                if use:
                    foreign = [one for one in use if one != number]
                    if foreign:
                        if not fixed.isdisjoint(foreign):
                            continue
                        price += pressure * len(foreign) * (1.0 + history[other])
                price += history[other] * 0.2
                total = cost + price
                if total < best.get(other, math.inf):
                    best[other] = total
                    came[other] = node
                    row, column = divmod(flat_other, across)
                    guess = total + abs(row - goal_row) + abs(column - goal_column)
                    heappush(heap, (guess, total, other, move))
        return []

    @staticmethod
    def _back(came: dict[int, int], node: int, tree: set[int]) -> list[int]:
        path = [node]
        while node not in tree:
            node = came[node]
            path.append(node)
        return path[::-1]

    def _runs(self, path: list[int]) -> Iterable[tuple[int, int]]:
        """The straight pieces of a path, vias left out, each from its lesser end."""
        start = 0
        for k in range(1, len(path) + 1):
            turned = k == len(path) or (k > start + 1 and path[k] - path[k - 1] != path[k - 1] - path[k - 2])
            if k == start + 1 and k < len(path) and abs(path[k] - path[start]) == self._layer:
                start = k
                continue
            if turned:
                if k - 1 > start:
                    yield min(path[start], path[k - 1]), max(path[start], path[k - 1])
                start = k - 1
                if k < len(path) and abs(path[k] - path[k - 1]) == self._layer:
                    start = k


def _span(pads: Sequence[tuple[float, float]]) -> float:
    xs, ys = [x for x, _ in pads], [y for _, y in pads]
    return round(max(xs) - min(xs) + max(ys) - min(ys), 3)


def _claim(owners: list[int], node: int, number: int) -> None:
    if owners[node] == -1:
        owners[node] = number
    elif owners[node] != number:
        owners[node] = -2


def _count(counts: dict[int, int], number: int, by: int) -> None:
    total = counts.get(number, 0) + by
    if total:
        counts[number] = total
    else:
        del counts[number]
