"""Which named rule a wiring obeys, quite or nearly: `wiring` turned round.

A rule lays a run of conductors on the contacts of a plug, in an order that does not depend on how many there
are. So run and order are asked of the rule itself, one at a time, and a join says by how much its conductor
and its contact are apart; what most joins say is the offset. Nothing here repeats what a rule does.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import End
from pinwright.cable.wiring import LAYS, RULES, Pins

FEWEST = 3  # joins: fewer obey some rule by chance
_MOST_BROKEN = 0.25  # of the joins; beyond that it is another wiring, not a slip
_ROW = RULES["alternate"].parameters["first"].choices
_SIMPLEST = ("straight", "alternate", "paired-ground", "interleave")


@dataclass(frozen=True, slots=True)
class Obeyed:
    """A named rule that a wiring obeys, quite or nearly.

    rule: key of wiring.RULES. order: names of the ends, ribbons first, the plug last. parameters: as [wiring]
    takes them. offset, backwards: conductor k meets contact k + offset; contacts counted from the last.
    along: both plugs are crimped on one ribbon, and conductors meet contacts as these lie, not by their
    numbers. A profile's rules know none of the three, so where there is one, wires are written and `text`
    says it. laid: the nets that the rule makes of these ends. broken: the given joins that it does not lay;
    one of many pins it lays if it is made of nets of its own. text: one line for people.
    """

    rule: str
    order: tuple[str, ...]
    parameters: Mapping[str, str | Pins]
    offset: int
    backwards: bool
    laid: tuple[Pins, ...]
    broken: tuple[Pins, ...]
    text: str
    along: bool = False

    @property
    def plain(self) -> bool:
        """Whether [wiring] can say it."""
        return self.offset == 0 and not self.backwards and not self.along


@dataclass(frozen=True, slots=True)
class _Way:
    """A rule with all its parameters, over certain ends. run: place of a conductor → its pin, the places
    that stay empty left out; contacts: what they meet, in order. ground: pins that are one net apart. along:
    as in Obeyed."""

    rule: str
    order: tuple[str, ...]
    parameters: Mapping[str, str | Pins]
    run: Mapping[int, Pin]
    contacts: Pins
    ground: Pins = ()
    along: bool = False


def obeyed(ends: Sequence[End], joins: Sequence[Pins]) -> Obeyed | None:
    """The rule that most of these joins obey, the simplest of equals; None where none holds for at least
    three quarters (and at least three) of them.

    Simplest: one that a profile can say before all others, then `straight`, `alternate`, `paired-ground`,
    `interleave`; then the ends in the order given.
    """
    best: tuple[tuple[int, ...], Obeyed] | None = None
    for number, way in enumerate(_ways(ends, joins)):
        for offset, backwards in _offsets(way, joins):
            found = _obeyed(way, offset, backwards, joins)
            place = (
                len(found.broken),
                not found.plain,
                _SIMPLEST.index(way.rule),
                backwards,
                abs(offset),
                number,
            )
            if best is None or place < best[0]:
                best = place, found
    if best is None:
        return None
    broken, held = len(best[1].broken), len(joins) - len(best[1].broken)
    return best[1] if held >= FEWEST and broken <= _MOST_BROKEN * len(joins) else None


def _ways(ends: Sequence[End], joins: Sequence[Pins]) -> Iterator[_Way]:
    """Every rule over all ends that the joins connect, with all its parameters."""
    together = {frozenset(pair) for net in joins for pair in permutations({pin.end for pin in net}, 2)}
    for ribbon, plug in permutations(ends, 2):
        if {ribbon.name, plug.name} not in together:
            continue
        order: tuple[str, ...] = (ribbon.name, plug.name)
        run = dict(enumerate(ribbon.pins()))
        grounds = _grounds(joins, order)
        for then, first, contacts in _contacts(plug):
            yield _Way(then, order, first, run, contacts)
            for ground in grounds:
                parameters = {"ground_pins": ground, "then": then, **first}
                yield _Way("paired-ground", order, parameters, run, contacts, ground)
        along = [tuple(Pin(end.name, pin) for pin in end.connector.conductors) for end in (ribbon, plug)]
        if all(along) and along != [ribbon.pins(), plug.pins()]:
            yield _Way("straight", order, {}, dict(enumerate(along[0])), along[1], along=True)
    for *ribbons, plug in permutations(ends, 3):
        if any({ribbon.name, plug.name} not in together for ribbon in ribbons):
            continue
        for numbering in RULES["interleave"].parameters["numbering"].choices:
            run = _woven(ribbons, numbering)
            for lay, first, contacts in _contacts(plug):
                parameters = {"numbering": numbering, "lay": lay, **first}
                order = (*(ribbon.name for ribbon in ribbons), plug.name)
                yield _Way("interleave", order, parameters, run, contacts)


def _grounds(joins: Sequence[Pins], order: tuple[str, ...]) -> list[Pins]:
    """What may be the one net of all grounds: the largest joins within these two ends."""
    many = [net for net in joins if len(net) > 2 and {pin.end for pin in net} <= {*order}]
    most = max(map(len, many), default=0)
    return [tuple(sorted(net, key=in_order)) for net in many if len(net) == most]


def _contacts(plug: End) -> Iterator[tuple[str, dict[str, str | Pins], Pins]]:
    """How conductors meet a plug: `straight` or `alternate`, its key `first`, the contacts in that order."""
    pins = plug.pins()
    for lay in LAYS:
        if lay == "straight":
            yield lay, {}, pins
        elif len(pins) % 2 == 0:
            for first in _ROW:
                laid = RULES[lay].lay([_places(len(pins))], pins, first=first)
                yield lay, {"first": first}, tuple(contact for _, contact in laid.nets)


def _woven(ribbons: Sequence[End], numbering: str) -> dict[int, Pin]:
    """Place along a plug → the conductor of one of two ribbons that comes there."""
    widest = max(len(ribbon.pins()) for ribbon in ribbons)
    laid = RULES["interleave"].lay(
        [ribbon.pins() for ribbon in ribbons], _places(2 * widest), numbering=numbering, lay="straight"
    )
    return {int(place.name): pin for pin, place in laid.nets}


def _places(count: int) -> Pins:
    """As many pins of no end, by which to ask a rule for its order; the first is 0."""
    return tuple(Pin("", str(place)) for place in range(count))


def _offsets(way: _Way, joins: Sequence[Pins]) -> list[tuple[int, bool]]:
    """The offset that most joins speak for, in either direction, and no offset: a profile can say that."""
    run = {pin: place for place, pin in way.run.items()}
    contact = {pin: place for place, pin in enumerate(way.contacts)}
    spoken: dict[bool, Counter[int]] = {False: Counter(), True: Counter()}
    for net in joins:
        for pin in net:
            for other in net:
                if pin in run and other in contact:
                    spoken[False][contact[other] - run[pin]] += 1
                    spoken[True][len(way.contacts) - 1 - contact[other] - run[pin]] += 1
    if way.ground:
        return [(0, False)]  # what runs beside what is not known of another order
    found = {(0, False): None, (0, True): None}
    for backwards, offsets in spoken.items():
        ranked = sorted(offsets, key=lambda offset: (-offsets[offset], abs(offset), offset))
        found.update(dict.fromkeys((offset, backwards) for offset in ranked[:2]))
    return list(found)


def _obeyed(way: _Way, offset: int, backwards: bool, joins: Sequence[Pins]) -> Obeyed:
    contacts = way.contacts[::-1] if backwards else way.contacts
    grounds = frozenset(way.ground)
    laid = [
        (pin, contacts[place + offset])
        for place, pin in way.run.items()
        if 0 <= place + offset < len(contacts) and grounds.isdisjoint((pin, contacts[place + offset]))
    ]
    nets = tuple(tuple(sorted(net, key=in_order)) for net in [*filter(None, [way.ground]), *laid])
    net_of = {pin: net for net in nets for pin in net}
    broken = tuple(join for join in joins if not _holds(join, net_of))
    text = _text(way, offset, backwards)
    return Obeyed(way.rule, way.order, way.parameters, offset, backwards, nets, broken, text, way.along)


def _holds(join: Pins, net_of: Mapping[Pin, Pins]) -> bool:
    """Whether the join is made of nets that were laid."""
    pins = frozenset(join)
    return all(pin in net_of and pins.issuperset(net_of[pin]) for pin in pins)


def _text(way: _Way, offset: int, backwards: bool) -> str:
    """As `profiles show` writes a wiring, and how it differs from what a profile can say."""
    words = [way.rule]
    for key, value in way.parameters.items():
        words.append(f"{key} = {value if isinstance(value, str) else ' '.join(map(str, value))}")
    *ribbons, plug = way.order
    if (ribbons, plug) not in ((["A"], "B"), (["A", "C"], "B")):
        words.append(f"from {' and '.join(ribbons)} to {plug}")
    if way.along:
        words.append("contact by contact along the ribbon")
    if backwards:
        words.append(f"the contacts of {plug} counted from the last")
    if offset:
        further = "further on" if offset > 0 else "further back"
        words.append(f"{abs(offset)} place{'s' if abs(offset) > 1 else ''} {further}")
    return ", ".join(words)
