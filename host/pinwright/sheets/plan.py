"""What a wiring picture shows between the connectors: which lines, in which state, with which number.

What was measured is a whole line; what should be and is not, a broken one. A net is drawn as one line from
top to bottom and a cross-link on each side where it has several pins. Where pins of several nets were found
together, the nearest pins are drawn as wrongly connected; or, where both nets have a line of their own, a
bridge between the two, for along a conductor nobody knows where it is. Whole lines and bridges connect what
was found connected in every look, and nothing else; what conducts now and then is a state of its own.
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


@dataclass(frozen=True, slots=True)
class Line:
    """A line from pin to pin. state: a word above; `pale` is good, among faults. number: its finding."""

    pins: tuple[Pin, ...]
    state: str
    number: int = 0


@dataclass(frozen=True, slots=True)
class Bridge:
    """Two lines from top to bottom that are joined somewhere. state: `joined`, `unsteady` or `linked`."""

    one: Line
    other: Line
    state: str
    number: int


@dataclass(slots=True)
class Plan:
    """through: from top to bottom, the upper pin first. across: links on one side. strays: to a position of
    the tester that no end occupies, the cable's pin first. bridges: between lines of `through`."""

    through: list[Line] = field(default_factory=list)
    across: list[Line] = field(default_factory=list)
    strays: list[Line] = field(default_factory=list)
    bridges: list[Bridge] = field(default_factory=list)

    @property
    def lines(self) -> list[Line]:
        return [*self.through, *self.across, *self.strays]

    @property
    def faults(self) -> list[Line]:
        return [line for line in self.lines if line.state not in (GOOD, PALE)]


def plan(profile: Profile, layout: Layout, facts: Facts | None, findings: Sequence[Collection[Pin]]) -> Plan:
    """The cable as measured, or as it should be where there are no facts."""
    nothing_wrong = Facts((), (), (), (), ())
    return _Planner(layout, facts or nothing_wrong, [frozenset(pins) for pins in findings]).plan(profile)


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
    def __init__(self, layout: Layout, facts: Facts, findings: Sequence[frozenset[Pin]]) -> None:
        self.layout = layout
        self.facts = facts
        self.findings = findings
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
        return self.made

    def _linked(self, profile: Profile) -> None:
        """Conductors of one signal that were found joined and may be."""
        wrong = {pin for extra in self.facts.extra for pin in extra.pins}
        for piece in self.facts.nets:
            groups = [net.pins for net in profile.nets if set(net.pins) <= set(piece)]
            for link in self._links(groups) if wrong.isdisjoint(piece) else ():
                one, other = (self._through(group, GOOD) for group in link.groups)
                if one and other:
                    self.made.bridges.append(Bridge(one, other, LINKED, 0))

    def _joined(self, extra: Extra, groups: Sequence[Piece]) -> None:
        number = self._number(extra.pins)
        for link in self._links(groups):
            if any(set(link.pins) <= set(net.pins) for net in extra.nets):
                continue  # drawn with that net
            at_times = link.contact is _Contact.AT_TIMES
            one, other = (self._through(group, GOOD) for group in link.groups)
            if one and other:
                self.made.bridges.append(Bridge(one, other, UNSTEADY if at_times else JOINED, number))
            else:
                self._line(link.pins, UNSTEADY if at_times else WRONG, number)

    def _number(self, pins: Iterable[Pin]) -> int:
        """The number of the finding that says most about these pins, or 0."""
        told = [(len(finding & set(pins)), -number) for number, finding in enumerate(self.findings, 1)]
        share, number = max(told, default=(0, 0))
        return -number if share else 0

    def _piece(self, pins: Sequence[Pin], state: str) -> None:
        if through := self._through(pins, state):
            self.made.through.append(through)
        for top in (True, False):
            side = tuple(pin for pin in pins if self.layout.is_top(pin) is top)
            if len(side) > 1:
                self.made.across.append(Line(side, state))

    def _through(self, pins: Sequence[Pin], state: str) -> Line | None:
        """The steepest line from top to bottom within a piece, if it has pins on both sides."""
        upper = [pin for pin in pins if self.layout.is_top(pin) is True]
        lower = [pin for pin in pins if self.layout.is_top(pin) is False]
        pairs = [(one, other) for one in upper for other in lower]
        return Line(min(pairs, key=self._nearness), state) if pairs else None

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
