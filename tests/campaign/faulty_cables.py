"""Cables with faults, worked out from what a hand has done to them: the oracle of whoever explains faults.

A cable is copper and contacts. Each net of the profile is one piece of copper, and a strand of it sits in
each of its contacts. A fault moves strands to other contacts (or lets them hang), cuts some off their copper,
or joins contacts. Which nets come of it is found by walking along all that touches, whatever has been done;
nothing here knows how a fault is found again. Places of contacts are those of `pinwright.cable.connectors`.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import combinations, pairwise, product

from pinwright.cable.connectors import SHELL, Connector
from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import End, Joined, Net, Profile

Pins = tuple[Pin, ...]
Move = tuple[Pin, Pin | None]

GEOMETRIC = ("turned", "rows", "mirrored", "off", "exchanged", "slipped", "wrong-cable")
SINGLE = ("open", "open-run", "bridge", "tied", "swap", "cycle", "moved", "link-missing", "link-extra")
KINDS = (*SINGLE, *GEOMETRIC)
MOST = 300  # faults of a kind on one profile; of more than that a sample is taken
_NEAR_MM = 0.01
_GRID_MM = 2.54  # of DIP plugs, headers and what is pushed on them


@dataclass(frozen=True)
class Fault:
    """Something that was done to a cable.

    kind: one of KINDS. ends: those it was done at. pins: the contacts it was done to, as the tester names
    them; none where it was the whole plug. how: which of several ways, for people.
    moves: what sits in the first contact comes to sit in the second, all at once; None: it hangs free.
    joins: contacts that came together. cuts: what sits in these contacts comes off its copper, and stays
    together. wired: the nets of another cable, of which this is one.
    alike: kinds by which the very same may be called, for some connectors look the same from several sides.
    """

    kind: str
    ends: tuple[str, ...]
    pins: Pins = ()
    how: str = ""
    moves: tuple[Move, ...] = field(default=(), repr=False)
    joins: tuple[Pins, ...] = field(default=(), repr=False)
    cuts: tuple[Pins, ...] = field(default=(), repr=False)
    wired: tuple[Pins, ...] = field(default=(), repr=False)
    alike: frozenset[str] = field(default=frozenset(), repr=False)

    @property
    def geometric(self) -> bool:
        """It concerns a whole plug, or a run of its contacts."""
        return self.kind in GEOMETRIC

    @property
    def names(self) -> frozenset[str]:
        """Every kind by which it may be called."""
        return self.alike | {self.kind}

    def __str__(self) -> str:
        what = f"{self.kind} {'+'.join(self.ends)}" if not self.pins else self.kind
        pins = " ".join(map(str, self.pins[:6])) + (" …" if len(self.pins) > 6 else "")
        return " ".join(word for word in (what, pins, f"({self.how})" if self.how else "") if word)


@dataclass(frozen=True)
class Cable:
    """A cable that was made by this profile, after what was done to it. nets: pieces of two or more pins."""

    profile: Profile
    faults: tuple[Fault, ...]
    nets: tuple[Pins, ...]

    @staticmethod
    def of(profile: Profile, faults: Sequence[Fault]) -> Cable:
        """Each fault on top of those before it."""
        return Cable(profile, tuple(faults), nets_of(profile, faults))

    @property
    def good(self) -> bool:
        """Electrically as the profile wants it, so that it has to pass."""
        return is_good(self.profile, self.nets)

    def __str__(self) -> str:
        return f"{self.profile.id}: {'; '.join(map(str, self.faults)) or 'nothing'}"


class _Strands:
    """What sits where. A strand is the number of its copper and the contact that holds it, if one does."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self.joins: list[Pins] = []
        self.wire([net.pins for net in profile.nets])
        self.common = [net.common for net in profile.nets]  # by number of copper

    def wire(self, nets: Sequence[Pins]) -> None:
        self.strands: list[tuple[int, Pin | None]] = [
            (copper, pin) for copper, net in enumerate(nets) for pin in net
        ]
        self.common = [""] * len(nets)

    def do(self, fault: Fault) -> None:
        if fault.wired:
            self.wire(fault.wired)
        if fault.moves:
            to = dict(fault.moves)
            self.strands = [
                (copper, to.get(pin, pin) if pin is not None else None) for copper, pin in self.strands
            ]
        for cut in fault.cuts:
            off = set(cut)
            commons = {self.common[copper] for copper, pin in self.strands if pin in off}
            new = len(self.common)
            self.common.append(commons.pop() if len(commons) == 1 else "")
            self.strands = [(new, pin) if pin in off else (copper, pin) for copper, pin in self.strands]
        self.joins += fault.joins

    def pieces(self) -> Iterator[tuple[Pins, frozenset[str]]]:
        """All that touches, walked along; and the common signals of which it has conductors."""
        touches: dict[Pin | int, list[Pin | int]] = {}
        for copper, held in self.strands:
            if held is not None:
                touches.setdefault(copper, []).append(held)
                touches.setdefault(held, []).append(copper)
        for one, *others in self.joins:
            for other in others:
                touches.setdefault(one, []).append(other)
                touches.setdefault(other, []).append(one)
        seen: set[Pin | int] = set()
        for start in touches:
            if start in seen:
                continue
            seen.add(start)
            piece: list[Pin | int] = [start]
            for place in piece:
                for next_to in touches[place]:
                    if next_to not in seen:
                        seen.add(next_to)
                        piece.append(next_to)
            contacts = sorted((place for place in piece if isinstance(place, Pin)), key=in_order)
            commons = {self.common[place] for place in piece if isinstance(place, int)} - {""}
            yield tuple(contacts), frozenset(commons)


def _after(profile: Profile, faults: Iterable[Fault]) -> _Strands:
    strands = _Strands(profile)
    for fault in faults:
        strands.do(fault)
    return strands


def nets_of(profile: Profile, faults: Iterable[Fault]) -> tuple[Pins, ...]:
    """What a tester measures of such a cable: pieces of two or more pins, in order."""
    pieces = (pins for pins, _ in _after(profile, faults).pieces() if len(pins) > 1)
    return tuple(sorted(pieces, key=lambda piece: in_order(piece[0])))


def gives(profile: Profile, faults: Iterable[Fault], nets: Sequence[Pins]) -> bool:
    """Whether these faults explain these nets: the same come of them, when conductors of a signal whose
    linking is optional are linked here and there besides."""
    home = {pin: number for number, piece in enumerate(nets) for pin in piece}
    strands = _after(profile, faults)
    conductors: dict[tuple[str, int], list[Pin]] = {}
    for pins, commons in strands.pieces():
        for common in commons:
            if profile.common[common] is Joined.OPTIONAL and pins and pins[0] in home:
                conductors.setdefault((common, home[pins[0]]), []).append(pins[0])
    strands.joins += [tuple(pins) for pins in conductors.values()]
    found = {frozenset(pins) for pins, _ in strands.pieces() if len(pins) > 1}
    return found == {frozenset(pins) for pins in nets}


def is_good(profile: Profile, nets: Sequence[Pins]) -> bool:
    """Every net of the profile is whole, and nothing else is joined, but for conductors that may be."""
    piece_of = {pin: number for number, piece in enumerate(nets) for pin in piece}
    inside: dict[int, list[Net]] = {}
    for net in profile.nets:
        places = {piece_of.get(pin, -1) for pin in net.pins}
        if len(places) > 1 or -1 in places:
            return False
        inside.setdefault(places.pop(), []).append(net)
    for number, piece in enumerate(nets):
        found = inside.get(number, [])
        if sum(len(net.pins) for net in found) != len(piece):
            return False
        common = {net.common for net in found}
        if len(found) > 1 and (len(common) > 1 or profile.common.get(common.pop()) is not Joined.OPTIONAL):
            return False
    return True


# Places.


@cache
def symmetries(plug: Connector) -> Mapping[frozenset[str], Mapping[str, str]]:
    """Ways to turn or mirror the pattern of pins onto itself: pin → the one whose place it takes.

    The keys name them: `turned` by half a turn, `rows` exchanged (mirrored across the first row), `mirrored`
    along it; several names where they come to the same. A shell stays where it is.
    """
    places = {pin: place for pin, place in plug.positions.items() if pin != SHELL}
    (left, right), (top, bottom) = (
        (min(values), max(values)) for values in zip(*places.values(), strict=True)
    )
    upright = _upright(plug)
    found: dict[tuple[tuple[str, str], ...], set[str]] = {}
    for kind in ("turned", "rows", "mirrored"):
        flip_x = kind == "turned" or (kind == "rows") is upright
        flip_y = kind == "turned" or (kind == "mirrored") is upright
        to = {}
        for pin, (x, y) in places.items():
            there = (left + right - x if flip_x else x, top + bottom - y if flip_y else y)
            if (other := _at(places, there)) is not None:
                to[pin] = other
        if len(to) == len(places) and any(pin != other for pin, other in to.items()):
            found.setdefault(tuple(to.items()), set()).add(kind)
    return {frozenset(kinds): dict(moves) for moves, kinds in found.items()}


def _upright(plug: Connector) -> bool:
    """Whether the first row runs up and down."""
    (x, y), (x2, y2) = plug.positions[plug.rows[0][0]], plug.positions[plug.rows[0][-1]]
    if len(plug.rows[0]) == 1 and len(plug.rows) > 1:  # one column: across the rows is where the second is
        (y2, x2), (y, x) = plug.positions[plug.rows[1][0]], plug.positions[plug.rows[0][0]]
    return abs(y2 - y) >= abs(x2 - x)


def _at(places: Mapping[str, tuple[float, float]], there: tuple[float, float]) -> str | None:
    for pin, (x, y) in places.items():
        if abs(x - there[0]) < _NEAR_MM and abs(y - there[1]) < _NEAR_MM:
            return pin
    return None


@cache
def shifts(plug: Connector) -> Mapping[str, Mapping[str, str | None]]:
    """Ways to sit beside the right place on a header or socket that is open at its sides: pin → the position
    that it meets, or None beyond the last. A DIP plug has a column too few or too many, but no row."""
    if not plug.name.startswith(("idc-", "header-", "dip-")):
        return {}
    places = plug.positions
    ways = {"one column down": (0.0, _GRID_MM), "one column up": (0.0, -_GRID_MM)}
    if not plug.name.startswith("dip-"):
        ways |= {"one row right": (_GRID_MM, 0.0), "one row left": (-_GRID_MM, 0.0)}
    found = {}
    for how, (right, down) in ways.items():
        to = {pin: _at(places, (x + right, y + down)) for pin, (x, y) in places.items()}
        if any(to.values()):
            found[how] = to
    return found


def ribbon(profile: Profile, end: End) -> tuple[str, ...]:
    """The pins of an end in the order of the conductors of its ribbon; empty where there is no ribbon.

    At a plug whose name does not settle it, the order of the ribbon is that at the other, crimped end, as the
    nets carry it over; with none, conductors meet the two sides of a DIP plug in turn, that of pin 1 first.
    """
    if end.connector.conductors:
        return end.connector.conductors
    crimped = [other for other in profile.ends if other is not end and other.connector.conductors]
    if crimped and end.connector.name.startswith("dip-"):
        net_of = {pin: net for net in profile.nets for pin in net.pins}
        order: list[str] = []
        # Ribbons that are woven into one plug: conductor 1 of each, then conductor 2.
        longest = max(len(other.connector.conductors) for other in crimped)
        for place in range(longest):
            for other in crimped:
                if place < len(other.connector.conductors):
                    net = net_of.get(Pin(other.name, other.connector.conductors[place]))
                    order += [pin.name for pin in net.pins if pin.end == end.name] if net else []
        return tuple(dict.fromkeys(order))
    if end.connector.name.startswith("dip-"):
        left, right = end.connector.rows
        return tuple(pin for pair in zip(left, right, strict=True) for pin in pair)
    return ()


@cache
def opposite(plug: Connector) -> tuple[tuple[str, str], ...]:
    """Pairs of pins of different rows that are the nearest to one of them in the other row."""
    pairs = set()
    for row, other in product(plug.rows, repeat=2):
        if row is other:
            continue
        for pin in row:
            (x, y) = plug.positions[pin]
            far = {
                there: (plug.positions[there][0] - x) ** 2 + (plug.positions[there][1] - y) ** 2
                for there in other
            }
            least = min(far.values())
            pairs |= {_pair(pin, there, plug) for there, mm2 in far.items() if mm2 < least + _NEAR_MM}
    return tuple(sorted(pairs, key=lambda pair: (plug.pins.index(pair[0]), plug.pins.index(pair[1]))))


def _pair(one: str, other: str, plug: Connector) -> tuple[str, str]:
    return (one, other) if plug.pins.index(one) < plug.pins.index(other) else (other, one)


def neighbours(profile: Profile, end: End) -> tuple[tuple[Pin, Pin], ...]:
    """Pairs of contacts that solder, a whisker or a nicked ribbon may join: next in a row, opposite, or held
    by conductors that run side by side."""
    plug = end.connector
    pairs = [_pair(one, other, plug) for row in plug.rows for one, other in pairwise(row)]
    pairs += opposite(plug)
    pairs += [_pair(one, other, plug) for one, other in pairwise(ribbon(profile, end))]
    return tuple((Pin(end.name, one), Pin(end.name, other)) for one, other in dict.fromkeys(pairs))


def _orders(profile: Profile, end: End) -> Iterator[tuple[str, Pins]]:
    """Where the hand goes on from place to place: along the ribbon, and along each row."""
    orders = {"along the ribbon": ribbon(profile, end)}
    orders |= {f"along row {n}": row for n, row in enumerate(end.connector.rows, 1)}
    for how, order in orders.items():
        if len(order) > 2:
            yield how, tuple(Pin(end.name, pin) for pin in order)


# Faults, one kind after the other.


def open_at(*pins: Pin) -> Fault:
    """What sits there is off; of several contacts of one net at an end, the conductor that feeds them is."""
    return Fault("open", (pins[0].end,), pins, cuts=(pins,))


def bridge(one: Pin, other: Pin) -> Fault:
    ends = tuple(sorted({one.end, other.end}))
    return Fault("bridge", ends, (one, other), joins=((one, other),))


def swap(one: Pin, other: Pin) -> Fault:
    return Fault("swap", (one.end,), (one, other), moves=((one, other), (other, one)))


def cycle(*pins: Pin) -> Fault:
    """What sits in each contact sits in the next one, and the last in the first."""
    return Fault("cycle", (pins[0].end,), pins, moves=tuple(pairwise((*pins, pins[0]))))


def moved(pin: Pin, to: Pin) -> Fault:
    return Fault("moved", (pin.end,), (pin, to), moves=((pin, to),))


def tied(*pins: Pin) -> Fault:
    return Fault("tied", (pins[0].end,), pins, joins=(pins,))


def open_run(*pins: Pin) -> Fault:
    return Fault("open-run", (pins[0].end,), pins, cuts=tuple((pin,) for pin in pins))


def slipped(run: Sequence[Pin], to: Pin | None, how: str = "") -> Fault:
    """Each of a run sits one place further, the last at `to`, whatever sits there already, or hangs free."""
    pins = tuple(run)
    moves = tuple(zip(pins, (*pins[1:], to), strict=True))
    ending = "the last hangs free" if to is None else f"the last at {to}"
    return Fault("slipped", (pins[0].end,), pins, ", ".join(filter(None, (how, ending))), moves=moves)


def plug_faults(end: End) -> Iterator[Fault]:
    """What may be wrong with a plug as a whole: turned, mirrored, beside its place."""
    name = end.name
    for kinds, to in symmetries(end.connector).items():
        kind = next(kind for kind in ("turned", "rows", "mirrored") if kind in kinds)
        moves = tuple((Pin(name, pin), Pin(name, there)) for pin, there in to.items())
        yield Fault(kind, (name,), moves=moves, alike=kinds)
    for how, meets in shifts(end.connector).items():
        where = tuple(
            (Pin(name, pin), None if there is None else Pin(name, there)) for pin, there in meets.items()
        )
        yield Fault("off", (name,), how=how, moves=where)


def exchanged(one: End, other: End) -> Fault:
    """Two ends of one kind, each taken for the other."""
    moves = []
    for pin in one.connector.pins:
        here, there = Pin(one.name, pin), Pin(other.name, pin)
        moves += [(here, there), (there, here)]
    return Fault("exchanged", (one.name, other.name), moves=tuple(moves))


def _used(profile: Profile) -> dict[Pin, int]:
    return {pin: number for number, net in enumerate(profile.nets) for pin in net.pins}


def opens(profile: Profile) -> Iterator[Fault]:
    """Every contact without its conductor, and every end's contacts of a larger net together."""
    for net in profile.nets:
        for pin in net.pins:
            yield open_at(pin)
        for end in profile.ends:
            pins = tuple(pin for pin in net.pins if pin.end == end.name)
            if 1 < len(pins) < len(net.pins):
                yield open_at(*pins)


def neighbour_bridges(profile: Profile) -> Iterator[Fault]:
    for end in profile.ends:
        for one, other in neighbours(profile, end):
            yield bridge(one, other)


def other_bridges(profile: Profile, chance: random.Random, most: int) -> Iterator[Fault]:
    """Between contacts that are no neighbours, of any two ends."""
    near = {pair for end in profile.ends for pair in neighbours(profile, end)}
    pins = profile.pins()
    for _ in range(most):
        one, other = sorted(chance.sample(pins, 2), key=in_order)
        if (one, other) not in near:
            yield bridge(one, other)


def neighbour_swaps(profile: Profile) -> Iterator[Fault]:
    used = _used(profile)
    for end in profile.ends:
        for one, other in neighbours(profile, end):
            if one in used and other in used:
                yield swap(one, other)


def _used_at(profile: Profile) -> dict[str, list[Pin]]:
    used = _used(profile)
    return {end.name: [pin for pin in end.pins() if pin in used] for end in profile.ends}


def other_swaps(profile: Profile, chance: random.Random, most: int) -> Iterator[Fault]:
    at = [pins for pins in _used_at(profile).values() if len(pins) > 1]
    for _ in range(most if at else 0):
        yield swap(*chance.sample(chance.choice(at), 2))


def cycles(profile: Profile, chance: random.Random, most: int) -> Iterator[Fault]:
    at = [pins for pins in _used_at(profile).values() if len(pins) > 2]
    for _ in range(most if at else 0):
        pins = chance.choice(at)
        yield cycle(*chance.sample(pins, chance.randint(3, min(5, len(pins)))))


def moves(profile: Profile) -> Iterator[Fault]:
    used = _used(profile)
    for end in profile.ends:
        for pin, to in product(end.pins(), repeat=2):
            if pin in used and to not in used:
                yield moved(pin, to)


def ties(profile: Profile, chance: random.Random, most: int) -> Iterator[Fault]:
    """Three to six contacts, those of a row as often as any."""
    for _ in range(most):
        end = chance.choice(profile.ends)
        if len(end.connector.pins) < 3:
            continue
        orders = [order for _, order in _orders(profile, end)]
        size = chance.randint(3, min(6, len(end.connector.pins)))
        if orders and chance.random() < 0.5:
            order = chance.choice(orders)
            first = chance.randrange(max(1, len(order) - size + 1))
            yield tied(*order[first : first + size])
        else:
            yield tied(*sorted(chance.sample(end.pins(), size), key=in_order))


def open_runs(profile: Profile) -> Iterator[Fault]:
    """Three and more in a row, or in the order of the ribbon, but not the whole plug."""
    used = _used(profile)
    for end in profile.ends:
        conductors = sum(pin in used for pin in end.pins())
        for _, order in _orders(profile, end):
            pins = [pin for pin in order if pin in used]
            for first, last in combinations(range(len(pins) + 1), 2):
                if 3 <= last - first < conductors:
                    yield open_run(*pins[first:last])


def slips(profile: Profile) -> Iterator[Fault]:
    """Runs of two and more, either way, along the ribbon and along each row."""
    used = _used(profile)
    for end in profile.ends:
        for how, forth in _orders(profile, end):
            for order in (forth, forth[::-1]):
                for first, last in combinations(range(len(order) + 1), 2):
                    run = order[first:last]
                    if len(run) < 2 or run[0] not in used or run[-1] not in used:
                        continue
                    yield slipped(run, None, how)
                    if last < len(order):
                        yield slipped(run, order[last], how)


def links_missing(profile: Profile, chance: random.Random, most: int) -> Iterator[Fault]:
    """The conductors of a signal that is to be one net are whole, and in two or more groups.

    Which conductors there are is known where the ribbon tells it: contact k of one end and contact k of the
    other. Contacts that have none of their own are fed by one of the others.
    """
    for net in profile.nets:
        if net.common or not _required(profile, net):
            continue
        ends = [[pin for pin in net.pins if pin.end == end.name] for end in profile.ends]
        ends = [pins for pins in ends if pins]
        count = min(map(len, ends))
        if len(ends) < 2 or count < 2:
            continue
        conductors = [[pins[n] for pins in ends] for n in range(count)]
        for pins in ends:
            for pin in pins[count:]:
                conductors[-1].append(pin)
        for _ in range(most):
            groups = chance.randint(2, min(count, 6))
            place = [*range(groups), *(chance.randrange(groups) for _ in range(count - groups))]
            chance.shuffle(place)
            cuts = tuple(
                tuple(sorted((pin for n, at in enumerate(place) if at == group for pin in conductors[n]),
                             key=in_order))
                for group in range(groups)
            )  # fmt: skip
            yield Fault("link-missing", tuple(sorted({pin.end for pin in net.pins})), net.pins, cuts=cuts)


def _required(profile: Profile, net: Net) -> bool:
    signals = {end.name: end.signals for end in profile.ends}
    return any(profile.common.get(signals[pin.end].get(pin.name, "")) is Joined.REQUIRED for pin in net.pins)


def links_extra(profile: Profile, chance: random.Random, most: int) -> Iterator[Fault]:
    """Conductors of a signal that never are to meet do: all of them, or some."""
    for name, joined in profile.common.items():
        nets = [net for net in profile.nets if net.common == name]
        if joined is not Joined.NEVER or len(nets) < 2:
            continue
        for n in range(most):
            some = nets if n == 0 else chance.sample(nets, chance.randint(2, len(nets)))
            pins = [net.pins[0] for net in some]
            ends = tuple(sorted({pin.end for net in some for pin in net.pins}))
            yield Fault("link-extra", ends, tuple(sorted(pins, key=in_order)), joins=(tuple(pins),))


def wrong_cables(profile: Profile, library: Sequence[Profile]) -> Iterator[Fault]:
    """Every other cable of the library that has the same connectors at the same ends."""
    ends = [(end.name, end.connector.name) for end in profile.ends]
    for other in library:
        if other.id != profile.id and ends == [(end.name, end.connector.name) for end in other.ends]:
            yield Fault(
                "wrong-cable",
                tuple(name for name, _ in ends),
                how=other.id,
                wired=tuple(net.pins for net in other.nets),
            )


def exchanges(profile: Profile) -> Iterator[Fault]:
    for one, other in combinations(profile.ends, 2):
        if one.connector.name == other.connector.name:
            yield exchanged(one, other)


def _some(faults: Iterable[Fault], chance: random.Random, most: int) -> list[Fault]:
    """All of them, or a sample in their order."""
    every = list(dict.fromkeys(faults))
    if len(every) <= most:
        return every
    return [every[n] for n in sorted(chance.sample(range(len(every)), most))]


def single_faults(
    profile: Profile, chance: random.Random, library: Sequence[Profile] = (), most: int = MOST
) -> Iterator[Fault]:
    """Every single fault of each kind, or `most` of a kind where there are more.

    Opens, and bridges and swaps of neighbours, are always complete.
    """
    yield from opens(profile)
    yield from neighbour_bridges(profile)
    yield from neighbour_swaps(profile)
    yield from _some(other_bridges(profile, chance, most // 4), chance, most)
    yield from _some(other_swaps(profile, chance, most // 4), chance, most)
    yield from _some(cycles(profile, chance, most // 2), chance, most)
    yield from _some(moves(profile), chance, most)
    yield from _some(ties(profile, chance, most // 4), chance, most)
    yield from _some(open_runs(profile), chance, most)
    yield from _some(links_missing(profile, chance, most // 10), chance, most)
    yield from _some(links_extra(profile, chance, most // 10), chance, most)
    yield from geometric_faults(profile, chance, library, most)


def geometric_faults(
    profile: Profile, chance: random.Random, library: Sequence[Profile] = (), most: int = MOST
) -> Iterator[Fault]:
    """Every way in which a whole plug or cable may be wrong, and slipped runs, of which `most` at most."""
    for end in profile.ends:
        yield from plug_faults(end)
    yield from exchanges(profile)
    yield from wrong_cables(profile, library)
    yield from _some(slips(profile), chance, most)


def of_pairs(profile: Profile) -> list[Fault]:
    """Opens, neighbour bridges and neighbour swaps that change anything, one of those alike to any tester."""
    nets = tuple(net.pins for net in profile.nets)
    found: dict[tuple[Pins, ...], Fault] = {}
    for fault in (*opens(profile), *neighbour_bridges(profile), *neighbour_swaps(profile)):
        found.setdefault(nets_of(profile, [fault]), fault)
    found.pop(tuple(sorted(nets, key=lambda piece: in_order(piece[0]))), None)
    return list(found.values())


def pairs(profile: Profile) -> Iterator[tuple[Fault, Fault]]:
    """Every two of these faults, the second on top of the first: tens of thousands for a 40-way lead."""
    yield from combinations(of_pairs(profile), 2)


class Mishaps:
    """Small faults of a profile by chance: `one()` after the other."""

    def __init__(self, profile: Profile, chance: random.Random) -> None:
        self._chance = chance
        self._profile = profile
        at = _used_at(profile)
        self._two = [pins for pins in at.values() if len(pins) > 1]
        self._three = [pins for pins in at.values() if len(pins) > 2]
        self._opens = [open_at(pin) for pin in _used(profile)]
        self._bridges = list(neighbour_bridges(profile))
        self._swaps = list(neighbour_swaps(profile))
        self._moves = list(moves(profile))
        self._kinds: list[tuple[Callable[[], Fault], int]] = [
            (lambda: chance.choice(self._opens), 8),
            (lambda: chance.choice(self._bridges), 8 if self._bridges else 0),
            (lambda: chance.choice(self._swaps), 5 if self._swaps else 0),
            (lambda: swap(*chance.sample(chance.choice(self._two), 2)), 2 if self._two else 0),
            (lambda: bridge(*sorted(chance.sample(profile.pins(), 2), key=in_order)), 1),
            (lambda: cycle(*chance.sample(chance.choice(self._three), 3)), 1 if self._three else 0),
            (lambda: chance.choice(self._moves), 1 if self._moves else 0),
        ]

    def one(self) -> Fault:
        kinds = [kind for kind, _ in self._kinds]
        return self._chance.choices(kinds, [weight for _, weight in self._kinds])[0]()

    def some(self, count: int, under: tuple[Fault, ...] = ()) -> tuple[Fault, ...]:
        """So many on top of what was done before, no two at one contact, each of which changes something that
        matters; fewer where a small cable has no room for more."""
        done = list(under)
        for _ in range(50 * count):
            if len(done) == len(under) + count:
                break
            before = _after(self._profile, done)
            fault = _as_it_is({pin for _, pin in before.strands if pin is not None}, self.one())
            if fault is None or {pin for other in done[len(under) :] for pin in other.pins} & set(fault.pins):
                continue
            if not gives(self._profile, done, nets_of(self._profile, [*done, fault])):
                done.append(fault)
        return tuple(done[len(under) :])


def _as_it_is(held: set[Pin], fault: Fault) -> Fault | None:
    """The fault where these contacts hold a conductor: exchanged with none, one has just moved. None where it
    cannot be, for there is no conductor, or one in its way."""
    full = [pin for pin in fault.pins if pin in held]
    if fault.kind == "swap" and len(full) == 1:
        (empty,) = set(fault.pins) - held
        return moved(full[0], empty)
    needed = {"bridge": [], "tied": [], "moved": [fault.pins[0]]}.get(fault.kind, list(fault.pins))
    in_the_way = fault.kind == "moved" and fault.pins[1] in held
    return None if in_the_way or not set(needed) <= held else fault


def several(profile: Profile, chance: random.Random, count: int) -> Iterator[tuple[Fault, ...]]:
    """Three to eight small faults, as many as the cable has room for."""
    mishaps = Mishaps(profile, chance)
    for _ in range(count):
        yield mishaps.some(chance.randint(3, 8))


def geometric_and_more(
    profile: Profile,
    chance: random.Random,
    library: Sequence[Profile],
    *,
    slips: int,
    rounds: int,
) -> Iterator[tuple[Fault, ...]]:
    """Every geometric fault that changes something, and so many slips, with none to three small faults on
    top, `rounds` times each."""
    mishaps = Mishaps(profile, chance)
    for fault in geometric_faults(profile, chance, library, slips):
        if Cable.of(profile, [fault]).good:
            continue
        for more in range(4):
            for _ in range(rounds if more else 1):
                yield (fault, *mishaps.some(more, (fault,)))


def linked(profile: Profile, joined: Joined) -> Profile | None:
    """The same cable where the conductors of its commons must be one net, or must never meet; None where it
    has no common signal with conductors of their own."""
    names = {net.common for net in profile.nets if net.common}
    if not names:
        return None
    common = {name: joined if name in names else kept for name, kept in profile.common.items()}
    id = f"{profile.id}-{joined}"
    if joined is not Joined.REQUIRED:
        return replace(profile, id=id, common=common)
    nets = [net for net in profile.nets if not net.common]
    for name in names:
        pins = [pin for net in profile.nets if net.common == name for pin in net.pins]
        nets.append(Net(name, tuple(sorted(pins, key=in_order))))
    return replace(profile, id=id, common=common, nets=tuple(sorted(nets, key=lambda n: in_order(n.pins[0]))))


def conductors_apart(profile: Profile, chance: random.Random, most: int) -> Iterator[Fault]:
    """links_missing() for `linked(profile, Joined.REQUIRED)`, whose conductors `profile` knows: all of them
    apart, or in some groups."""
    for name in dict.fromkeys(net.common for net in profile.nets if net.common):
        nets = [net.pins for net in profile.nets if net.common == name]
        for n in range(most if len(nets) > 1 else 0):
            groups = len(nets) if n == 0 else chance.randint(2, len(nets))
            place = [*range(groups), *(chance.randrange(groups) for _ in range(len(nets) - groups))]
            chance.shuffle(place)
            cuts = tuple(
                tuple(sorted((pin for net, at in zip(nets, place, strict=True) if at == g for pin in net),
                             key=in_order))
                for g in range(groups)
            )  # fmt: skip
            pins = tuple(sorted((pin for net in nets for pin in net), key=in_order))
            yield Fault("link-missing", tuple(sorted({pin.end for pin in pins})), pins, cuts=cuts)
