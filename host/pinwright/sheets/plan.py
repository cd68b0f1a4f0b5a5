"""What a wiring picture shows between the connectors: which lines, in which state, with which number.

What was measured is a whole line; what should be and is not, a broken one. A net is drawn as one line from
top to bottom and a cross-link on each side where it has several pins. Where pins of several nets were found
together, the nearest pins are drawn as wrongly connected; or, where both nets have a line of their own, a
bridge between the two, for along a conductor nobody knows where it is. Whole lines and bridges connect what
was found connected in every look, and nothing else; what conducts now and then is a state of its own.

Where resistance was measured, a whole line with too much of it is a state of its own. What leaks is not
connected: from net to net a leak is a broken line of its own, and a stub where nobody knows where it goes.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from itertools import combinations, product
from math import dist
from typing import Any

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import Profile
from pinwright.sheets.layout import Layout
from pinwright.verdict.facts import Extra, Facts, Piece

GOOD, PALE, OPEN, UNSTEADY, WRONG, JOINED = "good", "pale", "open", "unsteady", "wrong", "joined"
LINKED = "linked"  # joined, and may be
RESISTIVE, LEAKING = "resistive", "leaking"
WHOLE = (GOOD, PALE, RESISTIVE)  # as it should be, but for its resistance


@dataclass(frozen=True, slots=True)
class Line:
    """A line from pin to pin. state: a word above; `pale` is good, among faults. number: its finding."""

    pins: tuple[Pin, ...]
    state: str
    number: int = 0


@dataclass(frozen=True, slots=True)
class Bridge:
    """Two lines from top to bottom that are joined somewhere, or leak to each other. state: `joined`,
    `unsteady`, `linked` or `leaking`."""

    one: Line
    other: Line
    state: str
    number: int


@dataclass(frozen=True, slots=True)
class Leak:
    """What leaks, and nobody knows where to. at: a line of it; a pin where it has none."""

    at: Line | Pin
    number: int


@dataclass(slots=True)
class Plan:
    """through: from top to bottom, the upper pin first. across: links on one side. strays: to a position of
    the tester that no end occupies, the cable's pin first. bridges: between lines of `through`. leaks: from
    one of them, or from a pin."""

    through: list[Line] = field(default_factory=list)
    across: list[Line] = field(default_factory=list)
    strays: list[Line] = field(default_factory=list)
    bridges: list[Bridge] = field(default_factory=list)
    leaks: list[Leak] = field(default_factory=list)

    @property
    def lines(self) -> list[Line]:
        return [*self.through, *self.across, *self.strays]

    @property
    def faults(self) -> list[Line]:
        return [line for line in self.lines if line.state not in (GOOD, PALE)]


def plan(profile: Profile, layout: Layout, facts: Facts | None, findings: Sequence[Collection[Pin]]) -> Plan:
    """The cable as measured, or as it should be where there are no facts."""
    nothing_wrong = Facts((), (), (), (), ())
    return _Planner(layout, facts or nothing_wrong, list(map(tuple, findings))).plan(profile)


class _Contact(IntEnum):
    """How two groups of pins conduct to each other themselves."""

    STEADY, AT_TIMES, NONE = range(3)


@dataclass(frozen=True, slots=True)
class _Link:
    """What joins two groups, or should. pins: of each group the one that is nearest to the other."""

    groups: tuple[Piece, Piece]
    pins: tuple[Pin, Pin]
    contact: _Contact


class _Planner:
    """line_of: piece of a net → its line from top to bottom, if it has one. resistive: pin → the number of
    the finding on the bad joint between it and the rest of its net."""

    def __init__(self, layout: Layout, facts: Facts, findings: Sequence[tuple[Pin, ...]]) -> None:
        self.layout = layout
        self.facts = facts
        self.findings = findings
        self.line_of: dict[Piece, Line] = {}
        self.resistive = {
            link.start: self._number((link.start, *link.to)) for link in facts.links if not link.ok
        }
        self.piece_of = {pin: piece for piece in facts.nets for pin in piece}
        self.doubtful = set(map(frozenset, facts.doubtful))
        self.made = Plan()

    def plan(self, profile: Profile) -> Plan:
        usual = GOOD if self.facts.passed else PALE
        broken = {fact.net.pins: fact.pieces for fact in self.facts.missing}
        for net in profile.nets:
            pieces = broken.get(net.pins, (net.pins,))
            for piece in pieces:
                self._piece(piece, usual)
            for link in self._links(pieces):
                state = UNSTEADY if link.contact is _Contact.AT_TIMES else OPEN
                self._line(link.pins, state, self._number(net.pins))
        for extra in self.facts.extra:
            groups = [piece for net in extra.nets for piece in broken.get(net.pins, (net.pins,))]
            groups = [*(piece for piece in groups if piece[0] in extra.pins), *zip(extra.unused)]
            self._joined(extra, groups)
        self._linked(profile)
        self._leaks()
        return self.made

    def _linked(self, profile: Profile) -> None:
        """Conductors of one signal that were found joined and may be; parts of such, on wrong contacts."""
        wrong = {pin for extra in self.facts.extra for pin in extra.pins}
        broken = {fact.net.pins: fact.pieces for fact in self.facts.missing}
        for piece in self.facts.nets if profile.common else ():
            if not wrong.isdisjoint(piece):
                continue
            whole = {net.pins for net in profile.nets if set(net.pins) <= set(piece)}
            parts = [part for pins in broken for part in broken[pins] if part[0] in piece]
            for link in self._links([*(net.pins for net in profile.nets if net.pins in whole), *parts]):
                one, other = map(self.line_of.get, link.groups)
                if one and other:
                    self.made.bridges.append(Bridge(one, other, LINKED, 0))
                elif whole.isdisjoint(link.groups):
                    self._line(link.pins, WRONG, self._number(link.pins))

    def _leaks(self) -> None:
        """Leaks that no wrong contact explains: between two nets where a finding says so."""
        told = {pin for extra in self.facts.extra for pin in extra.pins}
        leaks = [leak.pins for leak in self.facts.leaks if not leak.ok and told.isdisjoint(leak.pins)]
        lines = {pins: self._line_within(pins, self.made.through) for pins in leaks}
        left = list(leaks)
        for one, other in combinations(leaks, 2):
            a, b, both = lines[one], lines[other], {*one, *other}
            number = next((n for n, pins in enumerate(self.findings, 1) if both == set(pins)), 0)
            if a and b and number:
                self.made.bridges.append(Bridge(a, b, LEAKING, number))
                left = [pins for pins in left if pins not in (one, other)]
        for pins in left:
            at = lines[pins] or self._line_within(pins, self.made.across) or pins[0]
            self.made.leaks.append(Leak(at, self._number(pins)))

    def _line_within(self, pins: Sequence[Pin], lines: Iterable[Line]) -> Line | None:
        """The first whole line between these pins."""
        within = (line for line in lines if line.state in WHOLE and set(line.pins) <= set(pins))
        return next(within, None)

    def _joined(self, extra: Extra, groups: Sequence[Piece]) -> None:
        number = self._number(extra.pins)
        for link in self._links(groups):
            if any(set(link.pins) <= set(net.pins) for net in extra.nets):
                continue  # drawn with that net
            at_times = link.contact is _Contact.AT_TIMES
            one, other = map(self.line_of.get, link.groups)
            if one and other:
                self.made.bridges.append(Bridge(one, other, UNSTEADY if at_times else JOINED, number))
            else:
                self._line(link.pins, UNSTEADY if at_times else WRONG, number)

    def _number(self, pins: Iterable[Pin]) -> int:
        """The number of the finding that says most about these pins, or 0: rather one that names them in the
        same order, for of the bad joints of one net only the first pin says which is which."""
        named = tuple(pins)
        told = [
            (len(set(finding) & set(named)), finding == named, -number)
            for number, finding in enumerate(self.findings, 1)
        ]
        share, _, number = max(told, default=(0, False, 0))
        return -number if share else 0

    def _piece(self, pins: Piece, state: str) -> None:
        """A line through and a cross-link on each side; pins with a bad joint each by a cross-link of their
        own, as far as others are there to lead to."""
        bad = [pin for pin in pins if pin in self.resistive]
        through = self._through(pins, bad, state)
        if through:
            self.made.through.append(through)
            self.line_of[pins] = through
        for top in (True, False):
            side = [pin for pin in pins if self.layout.is_top(pin) is top]
            if len(side) == len(pins) == 2 and bad:
                self._line((side[0], side[1]), RESISTIVE, self.resistive[bad[0]])
                continue
            firm = [pin for pin in side if pin not in bad or (through and pin in through.pins)] or side[:1]
            if len(firm) > 1:
                self.made.across.append(Line(tuple(firm), state))
            for pin in side:
                if pin not in firm:
                    _, nearest = min(((pin, other) for other in firm), key=self._nearness)
                    self._line((pin, nearest), RESISTIVE, self.resistive[pin])

    def _through(self, pins: Piece, shunned: Collection[Pin], state: str) -> Line | None:
        """The steepest line from top to bottom within a piece, if it has pins on both sides.

        shunned: pins that are on it only if there is no other.
        """
        upper = [pin for pin in pins if self.layout.is_top(pin) is True]
        lower = [pin for pin in pins if self.layout.is_top(pin) is False]
        if not (upper and lower):
            return None
        line = min(
            product(upper, lower), key=lambda pair: (len(set(shunned) & set(pair)), self._nearness(pair))
        )
        numbers = [self.resistive[pin] for pin in line if pin in self.resistive]
        return Line(line, RESISTIVE, numbers[0]) if numbers else Line(line, state)

    def _line(self, pins: tuple[Pin, Pin], state: str, number: int) -> None:
        one, other = sorted(pins, key=lambda pin: (True, False, None).index(self.layout.is_top(pin)))
        line = Line((one, other), state, number)
        if self.layout.is_top(other) is None:
            self.made.strays.append(line)
        elif self.layout.is_top(one) is self.layout.is_top(other):
            self.made.across.append(line)
        else:
            self.made.through.append(line)

    def _links(self, groups: Sequence[Piece]) -> list[_Link]:
        """Links that make all groups one: those that conduct before others, then the nearest (Kruskal)."""
        links = sorted(
            (self._link(*pair) for pair in combinations(groups, 2)),
            key=lambda link: (link.contact, self._nearness(link.pins)),
        )
        together = {group: {group} for group in groups}
        needed = []
        for link in links:
            one, other = (together[group] for group in link.groups)
            if one is not other:
                needed.append(link)
                one |= other
                together |= dict.fromkeys(other, one)
        return needed

    def _link(self, one: Piece, other: Piece) -> _Link:
        pairs = list(product(one, other))
        if one[0] in self.piece_of.get(other[0], ()):
            contact = _Contact.STEADY
        else:
            contact = _Contact.AT_TIMES if self.doubtful & set(map(frozenset, pairs)) else _Contact.NONE
        return _Link((one, other), min(pairs, key=self._nearness), contact)

    def _nearness(self, pair: tuple[Pin, ...]) -> tuple[Any, ...]:
        """To sort pairs of pins by: on one side by distance, from side to side by how steep, others last."""
        tops = [self.layout.is_top(pin) for pin in pair]
        if None in tops:
            return True, True, 0.0, *map(in_order, pair)
        one, other = (self.layout.exit(pin) for pin in pair)
        same = tops[0] is tops[1]
        return False, not same, dist(one, other) if same else abs(one[0] - other[0]), *map(in_order, pair)
