"""From the pinouts of all ends to a cable: joined by name, held against the rule that most names obey.

Names decide what is joined. A rule that all of them obey decides the rest: which conductor a repeated name
(`GND` on nine pins) has at either end, and that a ribbon has a conductor between two pins that nobody uses. A
pin that is out of an otherwise regular order is usually a misread schematic, so it is told, and nothing is
written by that rule.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain, product, zip_longest
from math import prod

from pinwright.cable.obeying import FEWEST, Obeyed, obeyed
from pinwright.cable.pinout import Pinout
from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import End, Joined
from pinwright.cable.spelling import guess, is_nothing, key, loose, opposite, prefixes, without
from pinwright.cable.wiring import Pins, printable
from pinwright.errors import UsageError

# Names that are often one ground, and often are not: only the person can say.
_GROUNDS = frozenset(
    map(key, ("GND", "0V", "VSS", "GROUND", "DGND", "AGND", "SGND", "COM", "COMMON", "EARTH"))
)
_MOST_TRIED = 1024  # combinations of prefixes


@dataclass(frozen=True, slots=True)
class Break:
    """Where the names leave the rule. by_name: pins that one name joins, or a pin whose name has no partner.
    by_rule: the nets that the rule lays at these pins; none where it does not reach them."""

    by_name: Pins
    by_rule: tuple[Pins, ...]


@dataclass(frozen=True, slots=True)
class Exchange:
    """Two signals whose names change places against the rule. names: as the profile spells them. at: the pins
    of the one and the other end that may be misread, a pair each; one of the two pairs is."""

    names: tuple[str, str]
    at: tuple[Pins, Pins]


@dataclass(frozen=True, slots=True)
class Derived:
    """What follows from the pinouts.

    ends: with the signals of the profile, all spelt as the first end with that name spells it. nets: all of
    two or more pins. obeyed: the rule, if there is one. by_rule: whether it says the nets, so that it can be
    written. common: signals on several conductors, all to be confirmed.
    written: pin → its name in the file, "no connection" included. prefixes: end → what was taken off all its
    names. merged: spellings at one end that were taken for one signal. alone: named pins whose signal is at
    no other end; close: of these pins those at other ends that may be meant. repeated: signals on several
    pins of an end. grounds: names of grounds that were not said to be one.
    breaks, exchanged: where the names leave the rule. renamed: nets of the rule whose pins have two names
    without partner: one signal under two names, perhaps. idle: nets of the rule with a pin that has no name.
    unlisted: end → pins that its file leaves out. missing: pin that meets no other of its signal → the pin
    of `unlisted` that the rule lays it on. unjoined: pins whose signal is at another end too, and that meet
    none of its pins there. nameless: alone pins whose name is left out of the profile, because it is on
    several pins that nothing joins, or that the rule joins to another name on several pins. tied: signals
    that the person said are one net. partnered: end → how many of its names another end has as well, or are
    tied, and how many it has. bus: a ribbon with more than two plugs, each name on the same pin of all.
    """

    ends: tuple[End, ...]
    nets: tuple[Pins, ...]
    obeyed: Obeyed | None
    by_rule: bool
    common: Mapping[str, Joined]
    written: Mapping[Pin, str]
    prefixes: Mapping[str, str]
    merged: tuple[tuple[str, tuple[str, ...]], ...]
    alone: Pins
    close: Mapping[Pin, Pins]
    repeated: Mapping[str, Pins]
    grounds: tuple[str, ...]
    breaks: tuple[Break, ...]
    exchanged: tuple[Exchange, ...]
    renamed: tuple[Pins, ...]
    idle: tuple[Pins, ...]
    unlisted: Mapping[str, Pins]
    missing: Mapping[Pin, Pin]
    unjoined: Pins
    nameless: Pins
    tied: tuple[str, ...]
    partnered: Mapping[str, tuple[int, int]]
    bus: bool

    def name(self, pin: Pin) -> str:
        """The signal of a pin as the profile spells it; empty where it has none."""
        return next((end.signals.get(pin.name, "") for end in self.ends if end.name == pin.end), "")

    def called(self, pin: Pin) -> str:
        """The same; where the profile leaves the name out, as the file has it, but for the prefix."""
        return self.name(pin) or without(self.written.get(pin, ""), self.prefixes.get(pin.end, ""))

    def breaking(self) -> tuple[str, ...]:
        """The signals that break the rule: those of broken joins, and those that the rule has there."""
        pins = chain.from_iterable((*one.by_name, *chain.from_iterable(one.by_rule)) for one in self.breaks)
        return tuple(sorted({self.called(pin) for pin in pins if not is_nothing(self.called(pin))}))


def derive(pinouts: Mapping[str, Pinout], grounds: Sequence[str] = (), tied: Collection[str] = ()) -> Derived:
    """Join the pins of these ends by name, and find the rule in it.

    grounds: names of one signal. tied: signals that the cable itself makes one net, however many conductors
    they have. Raises UsageError where no pin has a name that is in `grounds` or `tied`.
    """
    ends = {name: pinouts[name] for name in sorted(pinouts)}
    written = {Pin(end, pin): name for end, pinout in ends.items() for pin, name in pinout.names.items()}
    taken_off = _prefixes(ends)
    bare = {pin: without(name, taken_off.get(pin.end, "")) for pin, name in written.items()}
    empty = {pin for pin in written if _is_empty(written[pin], ends[pin.end])}
    bare = {pin: name for pin, name in bare.items() if pin not in empty and not is_nothing(name)}
    one_ground, signals = tuple(map(key, grounds)), _signals(bare)
    for name, id in zip(grounds, one_ground, strict=True):
        if id not in signals.values():
            raise UsageError(f"`--ground`: no pin of any end carries `{printable(name)}`")
    signals = {pin: one_ground[0] if id in one_ground else id for pin, id in signals.items()}
    groups = _groups(signals)
    spelt = {id: bare[pins[0]] for id, pins in groups.items()}
    if grounds:
        spelt[one_ground[0]] = grounds[0]
    tied_ids = {_tied(name, groups, one_ground) for name in tied}
    bones = tuple(End(name, one.connector, one.label, {}) for name, one in ends.items())
    cloth = _Cloth(bones, signals, groups, frozenset(tied_ids), frozenset(written))
    woven = cloth.woven()
    repeated = {id for id, pins in groups.items() if max(Counter(pin.end for pin in pins).values()) > 1}
    alone = tuple(pin for pins in groups.values() if not _between(pins) for pin in pins)
    used = {pin for net in woven.nets for pin in net}
    # A profile's signal on several conductors may share none of them with another.
    second = {signals[net[1]] for net in {*woven.renamed} & {*woven.nets}} & repeated
    nameless = tuple(
        pin
        for pin in alone
        if signals[pin] in second or (signals[pin] in repeated and used.isdisjoint(groups[signals[pin]]))
    )
    named = {
        end.name: {
            pin.name: spelt[signals[pin]] for pin in end.pins() if pin in signals and pin not in nameless
        }
        for end in bones
    }
    return Derived(
        ends=tuple(End(end.name, end.connector, end.label, named[end.name]) for end in bones),
        nets=woven.nets,
        obeyed=woven.obeyed,
        by_rule=woven.by_rule,
        common={spelt[id]: joined for id, joined in sorted(woven.common.items()) if id not in second},
        written=written,
        prefixes=taken_off,
        merged=_merged(bare, signals),
        alone=tuple(sorted(alone, key=in_order)),
        close=_close(alone, bare),
        repeated={spelt[id]: groups[id] for id in groups if id in repeated},
        grounds=tuple(spelt[id] for id in groups if id in _GROUNDS),
        breaks=woven.breaks,
        exchanged=tuple(
            Exchange((spelt[one], spelt[other]), at) for (one, other), at in woven.exchanged.items()
        ),
        renamed=woven.renamed,
        idle=woven.idle,
        unlisted={
            end.name: missing
            for end in bones
            if (missing := tuple(pin for pin in end.pins() if pin not in written))
        },
        missing=woven.missing,
        unjoined=tuple(sorted(woven.apart.difference(alone), key=in_order)),
        nameless=nameless,
        tied=tuple(spelt[id] for id in groups if id in tied_ids),
        partnered={end.name: _partnered(end.name, groups, tied_ids) for end in bones},
        bus=woven.bus,
    )


def _between(pins: Iterable[Pin]) -> bool:
    return len({pin.end for pin in pins}) > 1


def _partnered(end: str, groups: Mapping[str, Pins], tied: Collection[str]) -> tuple[int, int]:
    """How many signals of an end have a partner, and how many there are."""
    own = [id for id, pins in groups.items() if any(pin.end == end for pin in pins)]
    return sum(id in tied or _between(groups[id]) for id in own), len(own)


def _groups(signals: Mapping[Pin, str]) -> dict[str, Pins]:
    """Signal → its pins, both in order of pins."""
    groups: dict[str, Pins] = {}
    for pin in sorted(signals, key=in_order):
        groups[signals[pin]] = (*groups.get(signals[pin], ()), pin)
    return groups


def _is_empty(name: str, pinout: Pinout) -> bool:
    """Whether a name says "no connection" behind what all names of its end begin with: `CPU_NC`."""
    return any(is_nothing(without(name, one)) for one in ("", *prefixes(pinout.names.values())))


def _tied(name: str, groups: Mapping[str, Pins], one_ground: Sequence[str]) -> str:
    """The key of a signal that the person says is one net in the cable."""
    id = one_ground[0] if key(name) in one_ground else key(name)
    if len(groups.get(id, ())) < 2:
        raise UsageError(f"`--tied`: no two pins carry `{printable(name)}`")
    return id


def _prefixes(ends: Mapping[str, Pinout]) -> dict[str, str]:
    """End → the prefix to take off all its names: such that most signals find a partner, the shortest of
    equals, so none where it does not help."""
    names = {end: [name for name in one.names.values() if not is_nothing(name)] for end, one in ends.items()}
    options = {end: ("", *prefixes(some)) for end, some in names.items()}
    if prod(map(len, options.values())) > _MOST_TRIED:
        options = {end: tuple(dict.fromkeys((some[0], some[-1]))) for end, some in options.items()}
    if prod(map(len, options.values())) > _MOST_TRIED:
        return {}
    keys = {
        (end, prefix): {key(without(name, prefix)) for name in names[end]}
        for end, some in options.items()
        for prefix in some
    }

    def partners(choice: Sequence[str]) -> tuple[int, int]:
        at = Counter(chain.from_iterable(keys[place] for place in zip(options, choice, strict=True)))
        return -sum(count > 1 for count in at.values()), sum(map(len, choice))

    best = min(product(*options.values()), key=partners)
    return {end: prefix for end, prefix in zip(options, best, strict=True) if prefix}


def _signals(bare: Mapping[Pin, str]) -> dict[Pin, str]:
    """Pin → the key of its signal. `nRD` is `/RD` where another end needs that and its own end allows it."""
    plain = {pin: key(name) for pin, name in bare.items()}
    at: dict[str, set[str]] = {}  # end → the keys there
    guessed: dict[str, set[str]] = {}
    for pin, name in bare.items():
        at.setdefault(pin.end, set()).add(plain[pin])
        if maybe := guess(name):
            guessed.setdefault(pin.end, set()).add(maybe)

    def signal(pin: Pin) -> str:
        maybe, own = guess(bare[pin]), at[pin.end]
        others = set().union(*(keys for end, keys in at.items() if end != pin.end))
        hoped = set().union(*(keys for end, keys in guessed.items() if end != pin.end))
        if maybe is None or maybe in own or opposite(bare[pin]) in own:
            return plain[pin]
        if any({plain[pin], maybe} <= keys for keys in at.values()):
            return plain[pin]  # somebody has both: they are two
        if maybe in others:
            return maybe
        return maybe if maybe in hoped and plain[pin] not in others else plain[pin]

    return {pin: signal(pin) for pin in bare}


def _merged(bare: Mapping[Pin, str], signals: Mapping[Pin, str]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    spellings: dict[tuple[str, str], dict[str, None]] = {}
    for pin, name in bare.items():
        spellings.setdefault((pin.end, signals[pin]), {})[name] = None
    return tuple((end, tuple(names)) for (end, _), names in spellings.items() if len(names) > 1)


def _close(alone: Collection[Pin], bare: Mapping[Pin, str]) -> dict[Pin, Pins]:
    """Of pins without partner those at other ends whose names differ by marks and signs alone."""
    found = {}
    for pin in alone:
        name = loose(bare[pin])
        others = tuple(
            other for other in alone if other.end != pin.end and name and loose(bare[other]) == name
        )
        if others:
            found[pin] = others
    return found


@dataclass(frozen=True, slots=True)
class _Woven:
    """Nets, and how they were found. common, exchanged: by the keys of signals. apart: named pins that meet
    no pin of their signal at another end, nor one of the other name of it, perhaps."""

    nets: tuple[Pins, ...]
    obeyed: Obeyed | None
    by_rule: bool
    common: Mapping[str, Joined]
    apart: frozenset[Pin]
    missing: Mapping[Pin, Pin] = field(default_factory=dict)
    breaks: tuple[Break, ...] = ()
    exchanged: Mapping[tuple[str, str], tuple[Pins, Pins]] = field(default_factory=dict)
    renamed: tuple[Pins, ...] = ()
    idle: tuple[Pins, ...] = ()
    bus: bool = False


@dataclass(frozen=True, slots=True)
class _Cloth:
    """The ends with a signal at each named pin. groups: signal → its pins. tied: signals that are one net in
    the cable. listed: pins that a file has, with a signal or without."""

    ends: tuple[End, ...]
    signals: Mapping[Pin, str]
    groups: Mapping[str, Pins]
    tied: frozenset[str]
    listed: frozenset[Pin]

    def woven(self) -> _Woven:
        unique = [pins for id, pins in self.groups.items() if self._unique(id)]
        rule = self._rule(unique)
        breaks = tuple(self._breaks(rule, unique)) if rule else ()
        exchanged = dict(self._exchanged(breaks))
        # Out of a ribbon a conductor cannot step; loose wires that do not all obey need not obey at all.
        laid: tuple[Pins, ...] = ()
        if rule and (self._ribbon() or not breaks):
            laid = self._conductors(rule, unique)
            laid += tuple(self._crossed(exchanged, {pin for net in (*unique, *laid) for pin in net}))
        bus = () if rule else self._bus(unique)
        laid = bus or laid
        nets = [*unique, *laid]
        common: dict[str, Joined] = {}
        for id, pins in self.groups.items():
            if self._unique(id) or (len(pins) < 2 and id not in self.tied):
                continue
            led = {pin for net in laid if _between(self._carrying(net, id)) for pin in net}
            # a soldered lead has no conductors but those that the names ask for: all of a signal, or one net
            by_conductor = bool(led) and (self._ribbon() or led.issuperset(pins))
            paired = rule is not None and rule.rule == "paired-ground" and pins in laid
            if id in self.tied or (_between(pins) and (paired or not by_conductor)):
                nets.append(pins)
                common[id] = Joined.REQUIRED
            elif _between(pins) or any(pin in net for net in laid for pin in pins):
                common[id] = Joined.OPTIONAL
        joined = _joined(nets)
        apart = self._apart(joined, rule)
        if rule is None:
            idle = tuple(net for net in laid if any(pin not in self.signals for pin in net))
            return _Woven(joined, None, False, common, apart, idle=idle, bus=bool(bus))
        return _Woven(
            nets=joined,
            obeyed=rule,
            by_rule=rule.plain and not breaks and {*rule.laid} <= {*unique, *laid, *nets},
            common=common,
            apart=apart,
            missing=dict(self._missing(rule, apart)),
            breaks=breaks,
            exchanged=exchanged,
            renamed=tuple(net for net in rule.laid if self._renamed(net, rule)),
            idle=tuple(net for net in laid if any(pin not in self.signals for pin in net)),
        )

    def _bus(self, unique: Sequence[Pins]) -> tuple[Pins, ...]:
        """The other conductors of a ribbon with three plugs or more, where every name that is on one pin of
        an end is on the same pin of all; else nothing."""
        place = {pin: number for end in self.ends for number, pin in enumerate(end.pins())}
        regular = all(len({place[pin] for pin in net}) == 1 for net in unique)
        if len(self.ends) < 3 or not self._ribbon() or len(unique) < FEWEST or not regular:
            return ()
        joined = {pin for net in unique for pin in net}
        across = zip_longest(*(end.pins() for end in self.ends))
        nets = (tuple(pin for pin in pins if pin in self.listed) for pins in across)
        return tuple(net for net in nets if _between(net) and joined.isdisjoint(net) and self._of_one(net))

    def _carrying(self, net: Pins, id: str) -> Pins:
        return tuple(pin for pin in net if self.signals.get(pin) == id)

    def _apart(self, nets: Iterable[Pins], rule: Obeyed | None) -> frozenset[Pin]:
        """The named pins that no net joins to another end: to their signal or to what is its other name."""
        met = {
            pin
            for net in nets
            for id in self._ids(net)
            if id in self.tied or _between(self._carrying(net, id)) or (rule and self._renamed(net, rule))
            for pin in net
            if self.signals.get(pin) == id
        }
        return frozenset({*self.signals} - met)

    def _missing(self, rule: Obeyed, apart: Collection[Pin]) -> Iterator[tuple[Pin, Pin]]:
        for net in rule.laid:
            for pin, other in (net, net[::-1]) if len(net) == 2 else ():
                if pin in apart and other not in self.listed:
                    yield pin, other

    @staticmethod
    def _crossed(
        exchanged: Mapping[tuple[str, str], tuple[Pins, Pins]], taken: Collection[Pin]
    ) -> Iterator[Pins]:
        """Of signals that change places the nets by name that are not there yet, as a ground is on many."""
        for (here, here_too), (there, there_too) in exchanged.values():
            for net in ((here, there), (here_too, there_too)):
                if not {*net} & {*taken}:
                    yield tuple(sorted(net, key=in_order))

    def _unique(self, id: str) -> bool:
        pins = self.groups[id]
        return id not in self.tied and 1 < len(pins) == len({pin.end for pin in pins})

    def _rule(self, unique: Sequence[Pins]) -> Obeyed | None:
        """The rule of the unique names; with paired grounds where that leaves less out of order. Grounds of
        one end alone are no reason for a rule, unless the person said that they are tied."""
        rules = [obeyed(self.ends, unique)]
        for id, pins in self.groups.items():
            if len(pins) > 2 and not self._unique(id) and (_between(pins) or id in self.tied):
                paired = obeyed(self.ends, [*unique, pins])
                rules.append(paired if paired and paired.rule == "paired-ground" else None)
        found = [rule for rule in rules if rule]
        return min(found, key=lambda rule: self._odd(rule, unique), default=None)

    def _odd(self, rule: Obeyed, unique: Sequence[Pins]) -> int:
        """How much is to be explained beside a rule: two names exchanged are one slip, and that a cable makes
        one net of its grounds is to be explained as well."""
        breaks = tuple(self._breaks(rule, unique))
        exchanged = [{*here, *there} for here, there in dict(self._exchanged(breaks)).values()]
        others = [one for one in breaks if not any({*one.by_name} <= pins for pins in exchanged)]
        return len(exchanged) + len(others) + (rule.rule == "paired-ground")

    def _conductors(self, rule: Obeyed, unique: Sequence[Pins]) -> tuple[Pins, ...]:
        """The nets of the rule that no name contradicts and that are there: between pins of one signal, and
        in a ribbon between any two pins that the files have."""
        joined = {pin for net in unique for pin in net}
        ribbon = self._ribbon()
        return tuple(
            net
            for net in rule.laid
            if joined.isdisjoint(net)
            and (self._of_one(net) or self._renamed(net, rule))
            and (ribbon or (len(self._ids(net)) == 1 and all(pin in self.signals for pin in net)))
            and self.listed.issuperset(net)
        )

    def _ribbon(self) -> bool:
        """Whether the cable can only be a flat ribbon, which has a conductor for every pin. D-subs and others
        that may be crimped are mostly soldered to loose wires."""
        plugs = [end.connector for end in self.ends]
        crimped = any(plug.conductors and plug.outline == "box" for plug in plugs)
        return crimped or all(plug.outline == "notched" for plug in plugs)

    def _ids(self, net: Iterable[Pin]) -> set[str]:
        return {self.signals[pin] for pin in net if pin in self.signals}

    def _of_one(self, net: Pins) -> bool:
        return len(self._ids(net)) < 2

    def _renamed(self, net: Pins, rule: Obeyed) -> bool:
        """Whether the pins have two names, each of one end alone, that meet on most pins of either."""
        ids = self._ids(net)
        if len(ids) != 2 or len(net) != 2 or any(_between(self.groups[id]) for id in ids):
            return False
        if all(len(self.groups[id]) == 1 for id in ids):
            return True
        together = sum(self._ids(other) == ids for other in rule.laid if len(other) == 2)
        return all(2 * together > len(self.groups[id]) for id in ids)

    def _breaks(self, rule: Obeyed, unique: Sequence[Pins]) -> Iterator[Break]:
        laid = {pin: net for net in rule.laid for pin in net}

        def at(pins: Iterable[Pin]) -> tuple[Pins, ...]:
            return tuple(dict.fromkeys(laid[pin] for pin in pins if pin in laid))

        told: set[Pin] = set()
        broken = {*rule.broken}
        for net in unique:
            if net in broken:
                told.update(net, *at(net))
                yield Break(net, at(net))
        for net in rule.laid:
            if not self._of_one(net) and not self._renamed(net, rule) and told.isdisjoint(net):
                yield Break(tuple(pin for pin in net if pin in self.signals), (net,))

    def _exchanged(self, breaks: Sequence[Break]) -> Iterator[tuple[tuple[str, str], tuple[Pins, Pins]]]:
        """The keys of two signals → the pins of either end: of the one signal, of the other."""
        seen: set[frozenset[str]] = set()
        for one in breaks:
            if len(one.by_name) != 2 or len(one.by_rule) != 2 or any(len(net) != 2 for net in one.by_rule):
                continue
            (here, there), id = one.by_name, self.signals[one.by_name[0]]
            partner = {pin: other for net in one.by_rule for pin, other in (net, net[::-1])}
            there_by_rule, here_by_rule = partner[here], partner[there]
            ids = {self.signals.get(there_by_rule), self.signals.get(here_by_rule)}
            other = self.signals.get(there_by_rule)
            if len(ids) == 1 and other is not None and other != id and frozenset((id, other)) not in seen:
                seen.add(frozenset((id, other)))
                yield (id, other), ((here, here_by_rule), (there, there_by_rule))
        # Of two signals that are both on several pins no name says which pins; the rule does, if there is but
        # one net of it either way.
        odd: dict[tuple[str, str], list[Pins]] = {}
        for one in breaks:
            if len(one.by_rule) == 1 and len(one.by_name) == 2:
                here, there = one.by_name
                odd.setdefault((self.signals[here], self.signals[there]), []).append(one.by_name)
        for (id, other), nets in odd.items():
            back = odd.get((other, id), [])
            if id != other and len(nets) == len(back) == 1 and frozenset((id, other)) not in seen:
                (here, there), (here_too, there_too) = nets[0], back[0]
                if (here.end, there.end) == (here_too.end, there_too.end):
                    seen.add(frozenset((id, other)))
                    yield (id, other), ((here, here_too), (there_too, there))


def _joined(nets: Iterable[Pins]) -> tuple[Pins, ...]:
    """Nets that share a pin made one; sorted."""
    net_of: dict[Pin, set[Pin]] = {}
    for net in nets:
        whole = set(net).union(*(net_of[pin] for pin in net if pin in net_of))
        net_of.update(dict.fromkeys(whole, whole))
    found = {tuple(sorted(whole, key=in_order)) for whole in net_of.values()}
    return tuple(sorted(found, key=lambda net: in_order(net[0])))
