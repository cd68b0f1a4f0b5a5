"""Resistors between tester points, solved for the voltage of every node.

A point is a chip pin, a series resistor and a socket node. The chip pin is driven low or high through
the driver's output resistance, or is an input with or without a weak pull-up, which is
`I0 * (1 - V / VIO)` out of VIO. Every chip pin leaks to 0 V. Wires join socket nodes. VIO is the supply
behind the shunt, so whatever flows out of VIO lowers it.

Not modelled: capacitance (a voltage is there at once) and the clamp diodes of the chips.

Method. Wires split the points into nets that meet only at VIO. With VIO given, a net is a linear
network and is solved by eliminating one node after another: a star of conductances `g` whose centre has
the total `S` becomes a mesh with `gi * gj / S` between its tips (star-mesh transform). All terms are
positive, so nothing cancels, even with 1 mOhm beside 1 GOhm. A net is solved at both ends of a narrow
step of VIO and taken as straight in between: the error is below `step**2 / 8 * 0.3 / VIO`, 1 uV. Straight
lines add up, so VIO itself follows from one division. Solutions are kept by state of the net.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

INPUT, PULLUP, LOW, HIGH = range(4)

LEAK_OHMS = 1e9
HARD_OHMS = 1e-3  # a pin that is held, a node that is bridged
OUTSIDE_OHMS = 1.0
VIO_STEP_V = 1 / 128
_KEPT_SOLUTIONS = 4096  # per net; far more than the states of one scan


@dataclass(frozen=True, slots=True)
class Point:
    """The parts of one point. series_ohms: infinity = cut. held: LOW or HIGH = the chip pin is stuck."""

    out_low_ohms: float = 40.0
    out_high_ohms: float = 100.0
    pullup_amps: float = 40e-6
    series_ohms: float = 680.0
    held: int | None = None

    def terms(self, drive: int) -> tuple[float, float, float]:
        """Conductance to 0 V and to VIO in siemens, and pull-up current in amperes, at the chip pin."""
        to_ground = 1 / LEAK_OHMS + (1 / HARD_OHMS if self.held == LOW else 0.0)
        to_vio = 1 / HARD_OHMS if self.held == HIGH else 0.0
        if drive == LOW:
            to_ground += 1 / self.out_low_ohms
        elif drive == HIGH:
            to_vio += 1 / self.out_high_ohms
        return to_ground, to_vio, self.pullup_amps if drive == PULLUP else 0.0


class Wire(NamedTuple):
    """A resistor between the socket nodes of two points."""

    a: int
    b: int
    ohms: float


class _Solution(NamedTuple):
    """One net over a step of VIO: value at its lower end, and change up to its upper end."""

    pin: list[float]
    pin_change: list[float]
    socket: list[float]
    socket_change: list[float]
    amps: float
    amps_change: float


class _Net:
    """Points that wires join. Positions in `points` number its nodes."""

    def __init__(self, points: list[int], wires: dict[int, Wire], circuit: Circuit) -> None:
        self.points = points
        self.drives = bytearray([INPUT] * len(points))
        self.highs = self.lows = 0  # points that are driven so
        self.switched: list[int] = []  # wires of this net that open and close
        self.now: _Solution | None = None
        self._wires = wires
        self._terms = [[circuit.points[p].terms(drive) for drive in range(4)] for p in points]
        self._series = [1 / circuit.points[p].series_ohms for p in points]
        self._outside = [circuit.outside.get(p) for p in points]
        self._meshes: dict[tuple[int, ...], list[dict[int, float]]] = {}
        self._kept: dict[tuple[int, bytes, tuple[int, ...]], _Solution] = {}
        self._order = _least_neighbours_first(self._mesh(()))

    def _mesh(self, opened: tuple[int, ...]) -> list[dict[int, float]]:
        """Conductances from each node to its neighbours, without the opened wires."""
        if opened not in self._meshes:
            node = {point: index for index, point in enumerate(self.points)}
            mesh: list[dict[int, float]] = [{} for _ in self.points]
            for number, wire in self._wires.items():
                if number not in opened:
                    a, b = node[wire.a], node[wire.b]
                    mesh[a][b] = mesh[b][a] = mesh[a].get(b, 0.0) + 1 / wire.ohms
            self._meshes[opened] = mesh
        return self._meshes[opened]

    def through(self) -> float:
        """What its highs and lows conduct at most, in parts of what one point alone would."""
        highs, lows = self.highs, self.lows
        return highs * lows / (highs + lows) if highs and lows else 0.0

    def find(self, step: int, drives: bytes, opened: tuple[int, ...]) -> _Solution:
        """The solution over the step of VIO that begins at `step * VIO_STEP_V`."""
        key = step, drives, opened
        found = self._kept.get(key)
        if found is None:
            pin, socket, amps = self._solve(step * VIO_STEP_V, drives, opened)
            pin2, socket2, amps2 = self._solve((step + 1) * VIO_STEP_V, drives, opened)
            found = _Solution(
                pin, [b - a for a, b in zip(pin, pin2, strict=True)],
                socket, [b - a for a, b in zip(socket, socket2, strict=True)],
                amps, amps2 - amps,
            )  # fmt: skip
            if len(self._kept) >= _KEPT_SOLUTIONS:
                self._kept.clear()
            self._kept[key] = found
        return found

    def _solve(
        self, vio: float, drives: bytes, opened: tuple[int, ...]
    ) -> tuple[list[float], list[float], float]:
        """Voltages of chip pins and socket nodes, and the current out of VIO, with VIO given."""
        ground, inject, ends = [], [], []
        states = map(list.__getitem__, self._terms, drives)
        for (to_ground, to_vio, pullup), series, outside in zip(
            states, self._series, self._outside, strict=True
        ):
            up = to_vio + pullup / vio
            total = to_ground + up + series
            seen = series / total
            to_outside = 0.0 if outside is None else 1 / OUTSIDE_OHMS
            ground.append(seen * (to_ground + up) + to_outside)
            inject.append(seen * up * vio + to_outside * (outside or 0.0))
            ends.append((up, total))

        mesh = [dict(row) for row in self._mesh(opened)]
        totals = [0.0] * len(mesh)
        for k in self._order:
            row, own, fed = mesh[k], ground[k], inject[k]
            totals[k] = total = own + sum(row.values())
            for i, conductance in row.items():
                share = conductance / total
                ground[i] += share * own
                inject[i] += share * fed
                tips = mesh[i]
                del tips[k]
                for j, other in row.items():
                    if j != i:
                        tips[j] = tips.get(j, 0.0) + share * other
        socket = [0.0] * len(mesh)
        for k in reversed(self._order):
            if totals[k]:  # a node that nothing reaches stays at 0 V
                socket[k] = (inject[k] + sum(g * socket[j] for j, g in mesh[k].items())) / totals[k]

        pin = [
            (up * vio + series * volts) / total
            for (up, total), series, volts in zip(ends, self._series, socket, strict=True)
        ]
        return pin, socket, sum(up * (vio - volts) for (up, _), volts in zip(ends, pin, strict=True))


def _least_neighbours_first(mesh: Sequence[Iterable[int]]) -> list[int]:
    """An order of elimination that adds few conductances: none at all where the wires form a tree."""
    near = [set(row) for row in mesh]
    left, order = set(range(len(near))), []
    while left:
        k = min(left, key=lambda node: (len(near[node]), node))
        left.remove(k)
        order.append(k)
        for i in near[k]:
            near[i] |= near[k]
            near[i] -= {i, k}
    return order


class Circuit:
    """All points of a tester and what is plugged in.

    outside: volts brought from elsewhere to socket nodes. After `set_drive` and `set_closed`, `settle`
    finds the new voltages; until then the old ones are answered.
    """

    def __init__(
        self,
        points: Sequence[Point],
        wires: Sequence[Wire],
        outside: Mapping[int, float] | None = None,
        *,
        supply_v: float = 3.3,
        shunt_ohms: float = 22.0,
    ) -> None:
        self.points = tuple(points)
        self.outside = dict(outside or {})
        self._supply_v = supply_v
        self._shunt_ohms = shunt_ohms
        self._opened: set[int] = set()
        self._nets = self._find_nets(wires)
        self._place = {p: (net, node) for net in self._nets for node, p in enumerate(net.points)}
        self._net_of_wire = [self._place[wire.a][0] for wire in wires]
        self._dirty: dict[_Net, None] = {}  # in the order of change: sums must not depend on addresses
        self._amps = self._amps_change = 0.0
        self._pulled_amps = sum(point.pullup_amps for point in self.points)
        self._least_ohms = min(
            (point.series_ohms + min(point.out_low_ohms, point.out_high_ohms) for point in self.points),
            default=1.0,
        )
        self._through = 0.0  # most that the highs and lows of each net conduct, in parts of a point's
        self._step = int(supply_v / VIO_STEP_V)
        self._part = 0.0  # how far VIO is through its step, 0..1
        self._reload()
        self.settle()

    def _find_nets(self, wires: Sequence[Wire]) -> list[_Net]:
        member = {p: [p] for p in range(len(self.points))}
        for wire in wires:
            one, other = member[wire.a], member[wire.b]
            if one is not other:
                one += other
                member.update(dict.fromkeys(other, one))
        of_net: dict[int, dict[int, Wire]] = {}
        for number, wire in enumerate(wires):
            if wire.a != wire.b:
                of_net.setdefault(id(member[wire.a]), {})[number] = wire
        distinct = {id(points): points for points in member.values()}
        return [_Net(sorted(points), of_net.get(key, {}), self) for key, points in distinct.items()]

    @property
    def vio_v(self) -> float:
        return (self._step + self._part) * VIO_STEP_V

    @property
    def supply_ma(self) -> float:
        """The current through the shunt; negative if something outside feeds the tester."""
        return (self._amps + self._amps_change * self._part) * 1e3

    @property
    def most_amps(self) -> float:
        """A bound to the current through the shunt, at once: every pull-up into 0 V, and the highs of each
        net into its lows through nothing but drivers and series resistors. Not where pins are held or
        something outside takes current."""
        return self._pulled_amps + self._supply_v * self._through / self._least_ohms

    def pin_v(self, point: int) -> float:
        net, node = self._place[point]
        assert net.now is not None
        return net.now.pin[node] + net.now.pin_change[node] * self._part

    def socket_v(self, point: int) -> float:
        net, node = self._place[point]
        assert net.now is not None
        return net.now.socket[node] + net.now.socket_change[node] * self._part

    def set_drive(self, point: int, drive: int) -> None:
        """drive: INPUT, PULLUP, LOW or HIGH."""
        net, node = self._place[point]
        before = net.drives[node]
        if before != drive:
            net.drives[node] = drive
            self._dirty[net] = None
            self._through -= net.through()
            net.highs += (drive == HIGH) - (before == HIGH)
            net.lows += (drive == LOW) - (before == LOW)
            self._through += net.through()

    def set_closed(self, wire: int, closed: bool) -> None:
        """Let a wire, by its number in the list given, conduct or not."""
        if closed != (wire not in self._opened):
            self._opened ^= {wire}
            net = self._net_of_wire[wire]
            if wire not in net.switched:
                net.switched.append(wire)
            self._dirty[net] = None

    def settle(self) -> Iterable[int]:
        """Find the voltages that belong to the present drives. Returns the points that may have changed.

        Points of untouched nets are left out while VIO stays within its step (8 mV): seen as a part of
        VIO they move by less than 0.3 %.
        """
        for net in self._dirty:
            self._load(net)
        changed: Iterable[int] = [p for net in self._dirty for p in net.points]
        self._dirty.clear()
        for _ in range(64):  # nearly straight, so two or three rounds find the step
            room = self._supply_v - self._shunt_ohms * self._amps - self._step * VIO_STEP_V
            self._part = room / (VIO_STEP_V + self._shunt_ohms * self._amps_change)
            if -1e-9 <= self._part <= 1 + 1e-9:
                break
            step = max(1, self._step + int(self._part // 1))
            if step == self._step:  # VIO pulled below one step, where the pull-up formula has no meaning
                self._part = 0.0
                break
            self._step = step
            self._reload()
            changed = range(len(self.points))
        return changed

    def _load(self, net: _Net) -> None:
        old = net.now
        opened = tuple([w for w in net.switched if w in self._opened])
        net.now = new = net.find(self._step, bytes(net.drives), opened)
        self._amps += new.amps - (old.amps if old else 0.0)
        self._amps_change += new.amps_change - (old.amps_change if old else 0.0)

    def _reload(self) -> None:
        self._amps = self._amps_change = 0.0
        for net in self._nets:
            net.now = None
            self._load(net)
