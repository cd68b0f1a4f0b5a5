"""Which conductor goes on which pin: the ribbons of a cable, and the wires of one that has none.

A profile says which pins belong together, not which conductor leads to which of several. So the order in
which a ribbon's conductors meet a plug is found again from the nets: every order that `geometry.orders`
knows, from its start or its end, each contact or every second one, is tried, and the one that most nets obey
is taken. Where a net has several contacts, its conductors are laid as that order says.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from pinwright.cable.connectors import SHELL
from pinwright.cable.geometry import orders
from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import End, Net, Profile
from pinwright.cable.wiring import RULES, Pins

_FLAT = "idc-"  # what goes on a ribbon and on nothing else begins so
_LAID_FROM = {"alternate": 1, "paired-ground": 1, "interleave": 2}  # rule → how many ribbons it begins with


@dataclass(frozen=True, slots=True)
class Ribbon:
    """A flat ribbon. end: whose contacts count its conductors. conductors: those contacts, 1 first. pressed:
    the ends that are pressed on it, in order. doubled: it has a ground conductor beside each of these."""

    end: str
    conductors: Pins
    pressed: tuple[str, ...]
    doubled: bool

    @property
    def ways(self) -> int:
        return len(self.conductors) * (2 if self.doubled else 1)


@dataclass(frozen=True, slots=True)
class Conductor:
    """One conductor or wire. ribbon: the end that counts it, empty for a wire. number: from 1. net: what it
    is part of, None for a spare one. at: end → the pins that it goes to. meets: end that is pressed on → the
    contact that it would meet if it ran straight on, and must not."""

    ribbon: str
    number: int
    net: Net | None
    at: Mapping[str, Pins]
    meets: Mapping[str, Pin] = field(default_factory=dict)

    @property
    def pins(self) -> Pins:
        return tuple(pin for pins in self.at.values() for pin in pins)


class Run(NamedTuple):
    """Conductors of a ribbon, first to last, that go to other contacts of a plug that is pressed on
    than those they lie at. end: the plug. ribbon: the end that counts them."""

    ribbon: str
    end: str
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Laying:
    """How a cable is laid. conductors: of each ribbon in order, then wires. crossed: see Run. pieces: of each
    net that its conductors alone do not make one, by its pins, what they make of it."""

    ribbons: tuple[Ribbon, ...]
    conductors: tuple[Conductor, ...]
    crossed: tuple[Run, ...]
    pieces: Mapping[Pins, tuple[Pins, ...]]

    @property
    def pressed(self) -> frozenset[str]:
        return frozenset(end for ribbon in self.ribbons for end in ribbon.pressed)

    def reach(self, conductor: Conductor) -> frozenset[str]:
        """The ends that it can be taken to: those of its ribbon, those of its own where it is a wire."""
        if not conductor.ribbon:
            return frozenset(conductor.at)
        return frozenset(end for one in self.conductors if one.ribbon == conductor.ribbon for end in one.at)

    def kept_off(self, end: str) -> tuple[Conductor, ...]:
        """The conductors that have no contact at an end which is pressed on their ribbon, and so must be off
        the ribbon before that. None at the end that counts them: there each lies on its contact."""
        return tuple(
            one
            for ribbon in self.ribbons
            if end in ribbon.pressed and end != ribbon.end
            for one in self.conductors
            if one.ribbon == ribbon.end and end not in one.at
        )


def laying_of(profile: Profile) -> Laying:
    """Pure. Every pin of every net is on a conductor, or is a piece by itself that has to be linked."""
    ribbons, conductors, crossed = [], [], []
    net_of = {pin: net for net in profile.nets for pin in net.pins}
    given: set[Pin] = set()  # pins that a conductor leads to already
    sources = list(_sources(profile))
    for source, pins in sources:
        # what is pressed on a ribbon of its own has no room for another's conductors
        others = [end for end in profile.ends if all(end is not one for one, _ in sources)]
        met = {end.name: _met(pins, end, net_of, woven=len(sources) > 1) for end in others}
        ways = {
            end.name: _given(pins, met[end.name] | _by_rule(profile, pins, end), net_of, end.name, given)
            for end in others
        }
        pressed = [end.name for end in profile.ends if _is_pressed(end, source, ways.get(end.name, {}))]
        ribbons.append(Ribbon(source.name, pins, tuple(pressed), _is_doubled(profile, len(pins))))
        for number, pin in enumerate(pins, 1):
            at = {source.name: (pin,)} | {name: (way[number],) for name, way in ways.items() if number in way}
            meets = {
                end: met[end][number]
                for end in pressed
                if end != source.name and number in met[end] and met[end][number] not in at.get(end, ())
            }
            in_order = {end.name: at[end.name] for end in profile.ends if end.name in at}
            conductors.append(Conductor(source.name, number, net_of.get(pin), in_order, meets))
            given.update(pin for pins in in_order.values() for pin in pins)
        for name in pressed:
            numbers = [one.number for one in conductors if one.ribbon == source.name and _crosses(one, name)]
            crossed += [Run(source.name, name, *span) for span in _spans(numbers)]
    wires = list(_wires(profile, given))
    everything = (*conductors, *wires)
    pieces = {net.pins: _pieces(net, everything) for net in profile.nets}
    return Laying(
        tuple(ribbons),
        everything,
        tuple(crossed),
        {pins: parts for pins, parts in pieces.items() if len(parts) > 1},
    )


def is_guessed(end: End) -> bool:
    """Whether a plug can be crimped on a ribbon or soldered, and the profile does not say: it is then taken
    for what the order of its conductors makes likely, and whoever builds it has to be told so."""
    plug = end.connector
    return bool(plug.conductors) and not plug.name.startswith(_FLAT) and not end.termination


def as_laid(profile: Profile) -> Profile:
    """The same cable with a net for each conductor, and one for what is linked at an end because no conductor
    leads there: to be drawn. Where conductors alone make every net, it is the profile as it is."""
    laying = laying_of(profile)
    if not laying.pieces:
        return profile
    led = {pin for one in laying.conductors for pin in one.pins}
    nets = [replace(one.net, pins=one.pins) for one in laying.conductors if one.net and len(one.pins) > 1]
    for net in profile.nets:
        for end in sorted(_ends(net.pins)):
            own = [pin for pin in net.pins if pin.end == end]
            alone = [pin for pin in own if pin not in led]
            linked = ([pin for pin in own if pin in led][:1] + alone) if alone else []
            nets += [replace(net, pins=tuple(sorted(linked, key=in_order)))] if len(linked) > 1 else []
    return replace(profile, nets=tuple(nets))


def _sources(profile: Profile) -> Iterator[tuple[End, Pins]]:
    """The end that counts each ribbon's conductors, and the contacts of it in their order.

    Where no rule says so: the widest of those that are pressed on the same ribbon, which is where half of
    what an end has in use comes from one of these.
    """
    if profile.rule in _LAID_FROM:
        by_name = {end.name: end for end in profile.ends}
        for name in profile.order[: _LAID_FROM[profile.rule]]:
            yield by_name[name], tuple(pin for pin in by_name[name].pins() if pin.name != SHELL)
        return
    says_so = "ribbon" in (profile.wire or "").lower()
    flat = [
        end
        for end in profile.ends
        if end.connector.name.startswith(_FLAT) or (says_so and end.connector.conductors)
    ]
    found: list[End] = []
    for end in sorted(flat, key=lambda end: -len(end.connector.conductors)):
        reached = [{pin.end for pin in net.pins} for net in profile.nets if end.name in _ends(net.pins)]
        if not any(2 * sum(one.name in ends for ends in reached) >= len(reached) for one in found):
            found.append(end)
            yield end, tuple(Pin(end.name, name) for name in end.connector.conductors)


def _is_doubled(profile: Profile, count: int) -> bool:
    """Whether there is a ground conductor beside each: the rule, or the wire as it is called, says so."""
    says_so = re.search(rf"\b{2 * count}[ -](conductor|way)", profile.wire or "")
    return bool(says_so) or profile.rule == "paired-ground"


def _ends(pins: Pins) -> set[str]:
    return {pin.end for pin in pins}


def _by_rule(profile: Profile, conductors: Pins, end: End) -> dict[int, Pin]:
    """Conductor → the contact that the profile's rule lays it on."""
    number_of = {pin: number for number, pin in enumerate(conductors, 1)}
    return {
        number_of[pin]: other
        for pair in profile.meets
        for pin, other in (pair, pair[::-1])
        if pin in number_of and other.end == end.name
    }


def _met(conductors: Pins, end: End, net_of: Mapping[Pin, Net], *, woven: bool) -> dict[int, Pin]:
    """Conductor → the contact of another end that it meets, in the order that most nets obey; empty where no
    three in four do. One that can only be crimped, or is so by its profile, is met in its own order, from
    its first contact where most nets obey no other.
    woven: with another ribbon, so that each may meet every second contact there too."""
    wanted = {
        number: {other.name for other in net_of[pin].pins if other.end == end.name}
        for number, pin in enumerate(conductors, 1)
        if pin in net_of
    }
    wanted = {number: names for number, names in wanted.items() if names}
    best: tuple[int, dict[int, Pin]] = (0, {})
    plug = end.connector
    crimped = plug.name.startswith(_FLAT) if not end.termination else end.termination == "crimped"
    own = plug.conductors if crimped else ()
    for order in (own, own[::-1]) if own else _every_order(end):
        at = {name: place for place, name in enumerate(order)}
        for stride in (1, 2) if woven or not own else (1,):
            votes = Counter(
                at[name] - stride * number for number, names in wanted.items() for name in names if name in at
            )
            if not votes:
                continue
            start, _ = min(votes.items(), key=lambda vote: (-vote[1], abs(vote[0] + stride)))
            laid = {
                number: Pin(end.name, order[start + stride * number])
                for number in range(1, len(conductors) + 1)
                if 0 <= start + stride * number < len(order)
            }
            kept = sum(number in laid and laid[number].name in names for number, names in wanted.items())
            best = max(best, (kept, laid), key=lambda one: one[0])
    kept, laid = best
    if 4 * kept >= 3 * len(wanted):
        return laid
    return {number: Pin(end.name, name) for number, name in enumerate(own[: len(conductors)], 1)}


def _every_order(end: End) -> Iterator[tuple[str, ...]]:
    known = [order.pins for order in orders(end.connector)]
    yield from known
    yield from (order[::-1] for order in known)
    pins = end.connector.pins
    if len(pins) % 2 == 0:  # `alternate` may be laid on any plug with two equal rows
        run = tuple(Pin("", str(place)) for place in range(len(pins)))
        for first in RULES["alternate"].parameters["first"].choices:
            yield tuple(
                contact.name for _, contact in RULES["alternate"].lay([run], end.pins(), first=first).nets
            )
    if len(end.connector.pins) == 1:
        yield end.connector.pins


def _given(
    conductors: Pins, would: Mapping[int, Pin], net_of: Mapping[Pin, Net], end: str, given: Iterable[Pin]
) -> dict[int, Pin]:
    """Conductor → the contact of an end that it goes to: the one it meets if that is of its net, else what is
    left of the net there, in order."""
    nets = {number: net_of[pin].pins for number, pin in enumerate(conductors, 1) if pin in net_of}
    way = {
        number: would[number] for number, pins in nets.items() if number in would and would[number] in pins
    }
    taken = {*way.values(), *given}
    for number, pins in nets.items():
        left = [pin for pin in pins if pin.end == end and pin not in taken]
        if number not in way and left:
            way[number] = left[0]
            taken.add(left[0])
    return dict(sorted(way.items()))


def _is_pressed(end: End, source: End, way: Mapping[int, Pin]) -> bool:
    """Whether a plug is crimped on the ribbon: one that can be nothing else, or whose conductors lie as its
    own order has them."""
    plug = end.connector
    if end.termination:
        return end.termination == "crimped" and (end is source or bool(way))
    if end is source:
        return bool(plug.conductors)
    if plug.name.startswith(_FLAT):
        return bool(way)
    crimped = [pin.name for pin in way.values()]
    return bool(crimped) and crimped == list(plug.conductors[: len(crimped)])


def _crosses(conductor: Conductor, end: str) -> bool:
    """Whether it goes to another contact of that end than the one it lies at."""
    return end in conductor.meets and bool(conductor.at.get(end))


def _spans(numbers: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Runs of them; one that is left out, as the middle of a twist is, does not break a run."""
    first = last = 0
    for number in numbers:
        if not first:
            first = last = number
        elif number - last > 2:
            yield first, last
            first = number
        last = number
    if first:
        yield first, last


def _wires(profile: Profile, given: Iterable[Pin]) -> Iterator[Conductor]:
    """A wire for each net that no ribbon has, from its first pin at each end to that of the next. A net that
    a ribbon has gets one to those ends only that the ribbon does not reach."""
    number, taken = 0, set(given)
    for net in profile.nets:
        firsts: dict[str, Pins] = {}
        for pin in net.pins:
            firsts.setdefault(pin.end, (pin,))
        led = {pin.end for pin in net.pins if pin in taken}
        if len(firsts) < 2 or led == firsts.keys():
            continue
        if led:  # from one that a ribbon leads to, to ends that it does not reach
            start = next(pin for pin in net.pins if pin in taken)
            firsts = {
                end: (start,) if end == start.end else pins
                for end, pins in firsts.items()
                if end == start.end or end not in led
            }
        number += 1
        yield Conductor("", number, net, firsts)


def _pieces(net: Net, conductors: Iterable[Conductor]) -> tuple[Pins, ...]:
    """What the conductors alone make of a net."""
    parts = {pin: {pin} for pin in net.pins}
    for conductor in conductors:
        if conductor.net is net:
            together = set().union(*(parts[pin] for pin in conductor.pins))
            parts |= dict.fromkeys(together, together)
    found = {id(part): part for part in parts.values()}
    return tuple(tuple(pin for pin in net.pins if pin in part) for part in found.values())
