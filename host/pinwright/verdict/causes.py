"""What can have happened to a cable, how likely each is, and what it does to the nets.

A cause is applied to nets; a story is a few causes applied to the profile's. COSTS says how dearly a story
pays for a cause: the cheapest story that gives the measured nets is told.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import reduce

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Joined, Profile

# Ten for what happens in every batch; four more for what is some ten times rarer or takes one more number to
# say. Judgement and common practice, no source. Why each: docs of `pinwright explain` in README.md.
COSTS: Mapping[str, int] = {
    "open": 10,
    "bridge": 10,  # between neighbours
    "bridge-far": 14,
    "link-missing": 10,
    "link-extra": 10,
    "swap": 12,  # of neighbours
    "swap-far": 14,
    "moved": 12,
    "absent": 12,
    "turned": 14,
    "rows": 14,
    "mirrored": 14,
    "exchanged": 14,
    "off": 16,
    "slipped": 16,
    "open-run": 16,
    "tied": 16,
    "wrong-cable": 18,
    "cycle": 20,  # of three
    "cycle-more": 6,  # for each further one
}


BY_RULE = "rule: "  # begins the detail of a `wrong-cable` that is none of the library


@dataclass(frozen=True, slots=True)
class Group:
    """Pins that belong or are together. optional: signals with conductors in it that may be linked. mixed:
    there are others in it as well, so that of a part of it nobody knows which it has."""

    pins: frozenset[Pin]
    optional: frozenset[str] = frozenset()
    mixed: bool = False

    def part(self, pins: Iterable[Pin]) -> Group:
        """Some of its pins, as they are by themselves."""
        return Group(frozenset(pins), frozenset() if self.mixed else self.optional)


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that happened.

    kind: a key of COSTS, without `-far` and `-more`. ends: at which end, as far as that can be known: none
    where it may be any. pins: those it speaks of, in the order in which it does. detail: how or where, in
    words of the connector: the order a run follows, how two pins lie.

    What it does, in this order: nets: the cable has these instead of the profile's. moves: contact on
    which a conductor belongs → the one it is on, or None where it hangs free. pieces: a group falls into
    these. joins: pairs of pins that conduct.

    also: other causes that do the same to this cable, so that no tester can tell them apart.
    """

    kind: str
    ends: tuple[str, ...]
    pins: tuple[Pin, ...]
    cost: int
    detail: str = ""
    nets: tuple[tuple[Pin, ...], ...] = ()
    moves: tuple[tuple[Pin, Pin | None], ...] = ()
    pieces: tuple[tuple[Pin, ...], ...] = ()
    joins: tuple[tuple[Pin, Pin], ...] = ()
    also: tuple[Cause, ...] = ()

    def alone(self) -> Cause:
        """This one, without those that look the same."""
        return replace(self, also=())


@dataclass(frozen=True, slots=True)
class Story:
    """Causes in the order in which they are applied, and what they cost together."""

    causes: tuple[Cause, ...]

    @property
    def cost(self) -> int:
        return sum(cause.cost for cause in self.causes)


def groups_of(profile: Profile) -> list[Group]:
    """The nets of a good cable."""
    may = {name for name, joined in profile.common.items() if joined is Joined.OPTIONAL}
    return [Group(frozenset(net.pins), frozenset((net.common,)) & may) for net in profile.nets]


def applied(cause: Cause, groups: Sequence[Group]) -> list[Group]:
    """What a cause makes of these groups. Raises ValueError where it cannot happen to them."""
    if cause.nets:
        groups = [Group(frozenset(net)) for net in cause.nets]
    if cause.moves:
        groups = _moved(dict(cause.moves), groups)
    if cause.pieces:
        groups = _fallen(cause.pieces, groups)
    for pair in cause.joins:
        groups = _joined(pair, groups)
    return list(groups)


def _moved(moves: Mapping[Pin, Pin | None], groups: Iterable[Group]) -> list[Group]:
    """Conductors on other contacts; those of several groups that meet on one contact are together."""
    touched = {pin for pair in moves.items() for pin in pair if pin is not None}
    aside: list[Group] = []
    met: dict[Pin, Group] = {}
    for group in groups:
        if group.pins.isdisjoint(touched):
            aside.append(group)
            continue
        goes = {moves.get(pin, pin) for pin in group.pins}
        made = Group(frozenset(pin for pin in goes if pin is not None), group.optional, group.mixed)
        if not met.keys().isdisjoint(made.pins):
            for pin in list(made.pins):
                if pin in met and met[pin] is not made:
                    made = _both(made, met[pin])
        met |= dict.fromkeys(made.pins, made)
    return [*aside, *{id(group): group for group in met.values()}.values()]


def _fallen(pieces: Sequence[tuple[Pin, ...]], groups: Iterable[Group]) -> list[Group]:
    whole = frozenset(pin for piece in pieces for pin in piece)
    made, found = [], False
    for group in groups:
        if group.pins == whole:
            made += [group.part(piece) for piece in pieces]
            found = True
        else:
            made.append(group)
    if not found:
        raise ValueError("no such group falls into pieces")
    return made


def _joined(pair: tuple[Pin, Pin], groups: Iterable[Group]) -> list[Group]:
    made: list[Group] = []
    touched: list[Group] = []
    for group in groups:
        (made if group.pins.isdisjoint(pair) else touched).append(group)
    both = reduce(_both, touched) if touched else Group(frozenset())
    return [*made, replace(both, pins=both.pins | frozenset(pair))]


def _both(one: Group, other: Group) -> Group:
    mixed = one.mixed or other.mixed or one.optional != other.optional
    return Group(one.pins | other.pins, one.optional | other.optional, mixed)


def linked(groups: Iterable[Group]) -> list[Group]:
    """Groups of which some may be linked, as they are when they are: those that share a signal are one."""
    made: list[Group] = []
    for group in groups:
        for other in [other for other in made if other.optional & group.optional]:
            made.remove(other)
            group = _both(group, other)
        made.append(group)
    return made


def gives(story: Story, profile: Profile, nets: Iterable[Iterable[Pin]]) -> bool:
    """Whether the story, told of the profile, ends with exactly these nets: the proof of a story.

    Conductors of a signal whose linking is optional may be joined or not.
    """
    groups = groups_of(profile)
    try:
        for cause in story.causes:
            groups = applied(cause, groups)
    except ValueError:
        return False
    measured = {pin: frozenset(net) for net in map(frozenset, nets) for pin in net}
    inside: dict[frozenset[Pin], list[Group]] = {}
    for group in groups:
        home = measured.get(next(iter(group.pins)), group.pins) if group.pins else group.pins
        inside.setdefault(home, []).append(group)
    pieces = {group.pins for together in inside.values() for group in linked(together)}
    return {piece for piece in pieces if len(piece) > 1} == set(measured.values())
