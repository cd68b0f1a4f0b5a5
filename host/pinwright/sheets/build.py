"""The build sheet of a cable: what a person needs at the bench to make it, whatever draws it.

Pure. Everything in it that a file chose is made harmless here, so that what draws it has texts only. The same
profile gives the same sheet: there is no date on it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from pinwright.cable.connectors import SHELL, Connector
from pinwright.cable.laying import Conductor, Laying, Ribbon, is_guessed, laying_of
from pinwright.cable.pins import Pin, in_order
from pinwright.cable.places import corner_of, family_of, held_from_behind, place_of
from pinwright.cable.profile import CONFIDENCE_TEXT, End, Joined, Net, Profile
from pinwright.cable.wiring import Pins
from pinwright.errors import UsageError
from pinwright.sheets.text import shown

Side = Literal["front", "behind"]
# What a person may call the two sides of a connector.
SIDES: Mapping[str, Side] = {
    **dict.fromkeys(("front", "face", "mating", "top"), "front"),
    **dict.fromkeys(("behind", "back", "ribbon"), "behind"),
}
# To spare at an end: to square it off; to strip, tin and do again. A judgement.
CRIMPED_MM, SOLDERED_MM = 20, 30
_MODULAR = ("8p8c", "6p6c")  # crimped on single wires
_NO_ROOM = "a crimped plug has no room for a link"

CAUTIONS = (
    "For unpowered cables of extra-low voltage only. Mains, safety earth and whatever can hurt someone when "
    "it fails belong to competent people; local codes and licensed practice come first.",
    "Eye protection, above all when you cut pins and conductors: hold the end that flies off.",
)
HOT_CAUTIONS = (
    "Soldering: extraction or an open window against the fumes, a stand for the iron, washed hands (lead).",
    "Heat melts the insulation of a ribbon: tin first, be quick at each joint, let it cool before the next.",
)


@dataclass(frozen=True, slots=True)
class Spot:
    """A pin that a conductor goes to. pin: `B.36`. name: `36`. place: "left row, fifth from the top"."""

    pin: str
    name: str
    place: str


@dataclass(frozen=True, slots=True)
class Row:
    """One conductor in soldering order. key: `A-9`, or `w-3` of a wire, unlike all others. number: as people
    count. signal: empty where it has no name. group: of the signal, from 1; 0 for none. spots: for each end
    of the sheet, in order, the pins there; asides: what is to be done there where it has none, such as "join
    to B.1". spare: it belongs on no pin. remark: what is to be done with it besides."""

    key: str
    number: int
    signal: str
    group: int
    spots: tuple[tuple[Spot, ...], ...]
    asides: tuple[str, ...]
    spare: bool
    remark: str

    @property
    def pins(self) -> tuple[str, ...]:
        return tuple(spot.pin for spots in self.spots for spot in spots)

    @property
    def told(self) -> str:
        """In one line: `conductor 9, GND: A.9 (odd row, fifth from the top) – B.36 (left row, …)`."""
        what = f"wire {self.number}" if self.key.startswith("w-") else f"conductor {self.number}"
        where = " – ".join(f"{spot.pin} ({spot.place})" for spots in self.spots for spot in spots)
        named = f"{what}, {self.signal}" if self.signal else what
        return "; ".join(filter(None, (f"{named}: {where}", *self.asides, self.remark)))


@dataclass(frozen=True, slots=True)
class Strand:
    """The rows of one ribbon, or the wires. heading: "Ribbon from A, 40 conductors"; what: "conductor"."""

    heading: str
    what: str
    rows: tuple[Row, ...]

    @property
    def ends(self) -> tuple[int, ...]:
        """The places, among the ends of the sheet, of those that it reaches."""
        places = range(len(self.rows[0].spots))
        return tuple(n for n in places if any(row.spots[n] or row.asides[n] for row in self.rows))


@dataclass(frozen=True, slots=True)
class BuildEnd:
    """One connector as it is held. what: in words. how: "crimped" or "soldered". pressed: on a ribbon, whose
    conductors it counts; where its pins are is then nobody's business. view: the side and what is up. start:
    where conductor 1 goes, and how it is fitted where that is a guess. unused: pins of no net. linked: pins
    that no conductor leads to, with their signals. behind: not from its connector's own `view`."""

    name: str
    connector: str
    label: str
    what: str
    how: str
    pressed: bool
    ways: int
    view: str
    behind: bool
    start: str
    unused: tuple[str, ...]
    linked: tuple[tuple[str, str], ...]

    @property
    def caption(self) -> str:
        """`End B: dip-40, IC socket`."""
        return f"End {self.name}: {self.connector}" + (f", {self.label}" if self.label else "")


@dataclass(frozen=True, slots=True)
class Link:
    """Conductors that carry one signal. kind: "to be made", "optional" or "never". group: of the signal, as a
    row's. pins: of the net that the links make one, none of an optional or never signal. text: which, and
    where there is a choice."""

    kind: str
    group: int
    signal: str
    pins: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True)
class BuildSheet:
    """scan: the words that prove the cable. wiring: the rule in words, empty where none is named.
    to_confirm: what somebody still has to find out. parts: name and what it is. legend: how to read the
    drawings. ends: in order of the profile. strands: what is soldered, in order. signals: group → name, from
    1. steps: what to do, in order."""

    title: str
    id: str
    revision: str
    sha256: str
    scan: str
    wiring: str
    to_confirm: tuple[str, ...]
    parts: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    legend: str
    ends: tuple[BuildEnd, ...]
    strands: tuple[Strand, ...]
    signals: tuple[str, ...]
    links: tuple[Link, ...]
    spare: tuple[str, ...]
    notes: tuple[str, ...]
    steps: tuple[str, ...]

    @property
    def name(self) -> str:
        return f"{self.id} revision {self.revision}" if self.revision else self.id

    @property
    def rows(self) -> tuple[Row, ...]:
        return tuple(row for strand in self.strands for row in strand.rows)

    def labels(self, number: int) -> dict[str, str]:
        """Pin of an end, by its place among the ends, → what is on it: `9 GND`, `A-9 GND` where there are
        several strands, `link GND`."""
        several = len(self.strands) > 1
        made = {
            spot.name: f"{row.key if several else row.number} {row.signal}".rstrip()
            for row in self.rows
            for spot in row.spots[number]
        }
        return made | {pin: f"link {signal}".rstrip() for pin, signal in self.ends[number].linked}

    @property
    def unused(self) -> tuple[tuple[str, str], ...]:
        """End and its pins of no net, of those that have any."""
        return tuple((end.name, ", ".join(end.unused)) for end in self.ends if end.unused)

    @property
    def behind(self) -> frozenset[str]:
        return frozenset(end.name for end in self.ends if end.behind)


def build_sheet(
    profile: Profile, sha256: str, views: Mapping[str, Side] | None = None, scan: str = ""
) -> BuildSheet:
    """sha256: of the profile's file. views: ends that are not to be seen from their usual side. scan: what
    `pinwright scan` is to be given, the id where nothing is said. Raises UsageError for an end that is not
    there."""
    return _Sheet(profile, views or {}).made(sha256, scan or profile.id)


def seen_from(plug: Connector, side: Side) -> Connector:
    return plug.from_behind() if side == "behind" else plug


class _Sheet:
    """One sheet while it is made. plugs: end → its connector as it is held."""

    def __init__(self, profile: Profile, views: Mapping[str, Side]) -> None:
        self.profile = profile
        self.laying: Laying = laying_of(profile)
        names = [end.name for end in profile.ends]
        for name in views:
            if name not in names:
                raise UsageError(
                    f"`--view {shown(name, 40)}=…`: there is no such end; the ends are {', '.join(names)}"
                )
        self.sides: dict[str, Side] = {
            end.name: views.get(end.name) or self._usual_side(end) for end in profile.ends
        }
        self.plugs = {end.name: seen_from(end.connector, self.sides[end.name]) for end in profile.ends}
        self.led = {pin for one in self.laying.conductors for pin in one.pins}
        self.soldered = [end.name for end in profile.ends if self._how(end) == "soldered"]
        signals = sorted({net.common or net.signal for net in profile.nets} - {""})
        self.groups = {signal: number for number, signal in enumerate(signals, 1)}
        # Conductor (by identity) and end where it has no pin of its own → what is to be done there.
        self.joins: dict[tuple[int, str], str] = {}

    def made(self, sha256: str, scan: str) -> BuildSheet:
        profile = self.profile
        links = tuple(self._links())
        return BuildSheet(
            title=shown(profile.title),
            id=shown(profile.id),
            revision=shown(profile.revision),
            sha256=sha256,
            scan=shown(f"pinwright scan {scan}"),
            wiring=shown(self._rule()),
            to_confirm=tuple(map(shown, profile.to_confirm)),
            parts=tuple((name, shown(text)) for name, text in self._parts()),
            cautions=(
                *CAUTIONS,
                *(HOT_CAUTIONS if self._is_hot(links) else ()),
                f"This sheet proves nothing: only `{shown(f'pinwright scan {scan}')}` does. No cable touches "
                "the equipment before it has passed.",
            ),
            legend=self._legend(),
            ends=tuple(map(self._end, profile.ends)),
            strands=tuple(self._strands()),
            signals=tuple(map(shown, self.groups)),
            links=links,
            spare=tuple(map(shown, self._spare())),
            notes=tuple(map(shown, self._notes())),
            steps=tuple(map(shown, self._steps(links, scan))),
        )

    def _rule(self) -> str:
        """`rule alternate, first high`: the profile's line without what stands beside the rule."""
        if not self.profile.rule:
            return ""
        line = self.profile.wiring_text.partition(" + ")[0]
        return f"rule {line.replace('ground_pins', 'ground pins').replace(' = ', ' ')}"

    def _is_hot(self, links: Iterable[Link]) -> bool:
        """Whether anything is soldered, be it a link along a ribbon alone."""
        return bool(self.soldered) or any(link.kind == "to be made" for link in links)

    # Ends

    def _legend(self) -> str:
        what = "conductor" if self.laying.ribbons else "wire"
        if len(self.laying.ribbons) > 1:
            what = "conductor, its ribbon before it,"
        plugs = self.plugs.values()
        bare = ["round plugs"] if any(plug.outline == "round" for plug in plugs) else []
        bare += ["inner rows"] if any(len(plug.rows) > 2 for plug in plugs if plug.outline != "round") else []
        besides = f" Of {' and '.join(bare)} the list has them." if bare else ""
        return (
            f"Inside a pin stands its number, outside the {what} and the signal; the square pin is pin 1, "
            f"a grey one stays free.{besides}"
        )

    def _is_pressed(self, end: str) -> bool:
        return end in self.laying.pressed

    def _usual_side(self, end: End) -> Side:
        """What is soldered is held with its far side up, all else as its connector is drawn."""
        behind = held_from_behind(end.connector, pressed=self._is_pressed(end.name))
        return "behind" if behind else "front"

    def _how(self, end: End) -> str:
        if self._is_pressed(end.name):
            return "crimped"
        return end.termination or ("crimped" if end.connector.name in _MODULAR else "soldered")

    def _guess(self, end: End) -> str:
        """How it was taken to be fitted, and what says otherwise; empty where that is no guess."""
        if not is_guessed(end):
            return ""
        how, other = ("crimped", "soldered") if self._is_pressed(end.name) else ("soldered", "crimped")
        if how == "crimped":
            why = "the conductors lie in its order"
        elif self.laying.ribbons:
            why = "the conductors do not lie in its order"
        else:
            why = "there is no ribbon"
        return (
            f'taken as {how}, because {why}; `termination = "{other}"` in [ends.{end.name}] of the profile '
            "says otherwise"
        )

    def _end(self, end: End) -> BuildEnd:
        unused = [pin.name for pin in self.profile.unused() if pin.end == end.name]
        return BuildEnd(
            name=end.name,
            connector=end.connector.name,
            label=shown(end.label),
            what=_what(end.connector),
            how=self._how(end),
            pressed=self._is_pressed(end.name),
            ways=sum(map(len, end.connector.rows)),
            view=self.plugs[end.name].view,
            behind=self.sides[end.name] == "behind",
            start=self._start(end),
            unused=tuple(unused),
            linked=tuple(
                (pin.name, shown(net.signal))
                for net in self.profile.nets
                for pin in net.pins
                if pin.end == end.name and pin not in self.led
            ),
        )

    def _start(self, end: End) -> str:
        """Where the first conductor of each ribbon goes; where pin 1 is, if there is none."""
        told = []
        for ribbon in self.laying.ribbons:
            ours = [one for one in self.laying.conductors if one.ribbon == ribbon.end]
            ours = [one for one in ours if end.name in one.at and (one.net or end.name in ribbon.pressed)]
            if not ours:
                continue
            first = ours[0]
            of = f" of ribbon {ribbon.end}" if len(self.laying.ribbons) > 1 else ""
            edge = ", the marked edge," if first.number == 1 else ""
            verb = "lies on" if end.name in ribbon.pressed and end.name not in first.meets else "goes to"
            told.append(
                f"Conductor {first.number}{of}{edge} {verb} {self._where(first.at[end.name][0])}"
                + (self._second(ours, end, of) if end.name not in ribbon.pressed else "")
            )
        if not told:
            told = [f"Counting starts at {self._where(end.pins()[0])}"]
        plug = self.plugs[end.name]
        turned = plug.outline == "notched" and plug != end.connector
        # Findings and other lists name the rows of such a plug as they are from its top.
        sides = " Left and right are as seen there; from the top they change places." if turned else ""
        guess = f" {_sentence(self._guess(end))}." if self._guess(end) else ""
        return f"{'. '.join(told)}. Seen: {plug.view}.{sides}{guess}"

    def _second(self, ours: Sequence[Conductor], end: End, of: str) -> str:
        """Which way it goes on from there."""
        if len(ours) < 2:
            return ""
        pin = ours[1].at[end.name][0]
        return f"; conductor {ours[1].number}{of} to pin {pin.name} ({self._place(pin)})"

    def _where(self, pin: Pin) -> str:
        """`pin 40: left row, first from the top, upper left corner`."""
        corner = corner_of(self.plugs[pin.end], pin.name)
        return ": ".join(
            [f"pin {pin.name}", ", ".join(filter(None, (self._place(pin), corner and f"at the {corner}")))]
        )

    def _place(self, pin: Pin) -> str:
        return place_of(self.plugs[pin.end], pin.name)

    # Parts

    def _parts(self) -> Iterator[tuple[str, str]]:
        for end in self.profile.ends:
            label = f", for {end.label}" if end.label else ""
            what, how, guess = _what(end.connector), self._how(end), self._guess(end)
            fitted = "" if guess or f" {how} " in what else f", {how}"
            taken = f"; {guess}" if guess else ""
            yield f"Connector {end.name}", f"{what} (`{end.connector.name}`){fitted}{label}{taken}"
        for ribbon in self.laying.ribbons:
            name = f"Ribbon {ribbon.end}" if len(self.laying.ribbons) > 1 else "Ribbon"
            yield name, f"{ribbon.ways}-way{self._doubled(ribbon)}, {self._material()}"
        wires = [one for one in self.laying.conductors if not one.ribbon]
        if wires:
            count = f"{len(wires)} {'wire' if len(wires) == 1 else 'wires'}"
            besides = " besides the ribbon" if self.laying.ribbons else ""
            yield "Wire", f"{count}{besides}, {self._material()}"

    def _doubled(self, ribbon: Ribbon) -> str:
        count = len(ribbon.conductors)
        return f" ({count} and a ground conductor beside each)" if ribbon.doubled else ""

    def _material(self) -> str:
        """Of what, how long, and what to add at each end."""
        profile = self.profile
        spare = {end.name: CRIMPED_MM if self._how(end) == "crimped" else SOLDERED_MM for end in profile.ends}
        kind = f"{profile.wire}, " if profile.wire else ""
        more = ", ".join(f"{mm} mm at {name}" for name, mm in spare.items())
        if profile.length_mm is None:
            return f"{kind}the profile gives no length: as long as you need, and to spare {more}"
        if len(profile.ends) == 2:
            cut = profile.length_mm + sum(spare.values())
            return f"{kind}{profile.length_mm:g} mm from plug to plug; cut {cut:g} mm, to spare {more}"
        return f"{kind}{profile.length_mm:g} mm from plug to plug, and to spare {more}"

    # Conductors

    def _strands(self) -> Iterator[Strand]:
        doubled = {ribbon.end for ribbon in self.laying.ribbons if ribbon.doubled}
        for ribbon, ones in groupby(self.laying.conductors, key=lambda one: one.ribbon):
            rows = tuple(map(self._row, ones))
            if ribbon:
                counted = ", counted without the grounds between them" if ribbon in doubled else ""
                yield Strand(f"Ribbon from {ribbon}, {len(rows)} conductors{counted}", "conductor", rows)
            else:
                besides = "Wires besides the ribbon" if self.laying.ribbons else "Wires, net by net"
                yield Strand(besides, "wire", rows)

    def _row(self, one: Conductor) -> Row:
        signal = (one.net.common or one.net.signal) if one.net else ""
        return Row(
            key=f"{one.ribbon or 'w'}-{one.number}",
            number=one.number,
            signal=shown(one.net.signal) if one.net else "",
            group=self.groups.get(signal, 0),
            spots=tuple(
                tuple(Spot(str(pin), pin.name, self._place(pin)) for pin in one.at.get(end.name, ()))
                for end in self.profile.ends
            ),
            asides=tuple(self.joins.get((id(one), end.name), "") for end in self.profile.ends),
            spare=one.net is None,
            remark=self._remark(one),
        )

    def _remark(self, one: Conductor) -> str:
        told = []
        for end in self._off(one):
            reason = f"must not reach {one.meets[end]}: " if end in one.meets else ""
            what = f"lead it past {end}" if self._goes_on(one) else f"cut it back before {end}"
            told.append(reason + what)
        told += ["cut back, insulate"] if self._is_idle(one) else []
        return "; ".join(told)

    def _off(self, one: Conductor) -> list[str]:
        """The ends that are pressed on its ribbon, and it must not be there."""
        return [end.name for end in self.profile.ends if one in self.laying.kept_off(end.name)]

    def _goes_on(self, one: Conductor) -> bool:
        """Whether it goes to another end than the one that counts it, be it to be joined there."""
        joined = any((id(one), end.name) in self.joins for end in self.profile.ends)
        return joined or bool(one.at.keys() - {one.ribbon})

    def _is_idle(self, one: Conductor) -> bool:
        """Whether it is left over where somebody solders."""
        if one.net is not None:
            return False
        return bool(self.laying.reach(one) & set(self.soldered)) or not self._off(one)

    def _numbers(self, ones: Iterable[Conductor]) -> str:
        """`conductors 1, 3 to 7 and 9`, of several ribbons with their names; none is left out."""
        ones = list(ones)
        several = len(self.laying.ribbons) > 1
        words = []
        for ribbon, group in groupby(ones, key=lambda one: one.ribbon):
            name = f"{ribbon}-" if several and ribbon else ""
            for first, last in _runs([one.number for one in group]):
                words.append(f"{name}{first} to {name}{last}" if first != last else f"{name}{first}")
        what = "wire" if all(not one.ribbon for one in ones) else "conductor"
        return f"{what}{'' if len(ones) == 1 else 's'} {_and(words)}"

    # Links

    def _links(self) -> Iterator[Link]:
        for net in self.profile.nets:
            if net.pins in self.laying.pieces:
                yield self._required(net, self.laying.pieces[net.pins])
        for signal, joined in self.profile.common.items():
            nets = [net for net in self.profile.nets if net.common == signal]
            if joined is Joined.REQUIRED or len(nets) < 2:
                continue
            carry = [one for one in self.laying.conductors if one.net in nets]
            if joined is Joined.OPTIONAL:
                where = f"at {' or '.join(self.soldered)}" if self.soldered else "along the ribbon"
                room = "" if self.soldered else f" {_sentence(_NO_ROOM)}."
                text = (
                    f"{self._numbers(carry)} carry it, each for itself. They may be linked with each other "
                    f"{where}, and need not be: a free choice.{room}"
                )
            else:
                text = f"{self._numbers(carry)} carry it, and each stays for itself: no link between them."
            kind = "optional" if joined is Joined.OPTIONAL else "never"
            yield Link(kind, self.groups[signal], shown(signal), (), _sentence(text))

    def _required(self, net: Net, pieces: tuple[Pins, ...]) -> Link:
        """Lone contacts are linked at their end; whole conductors where somebody solders."""
        alone = [piece[0] for piece in pieces if len(piece) == 1 and piece[0] not in self.led]
        whole = [piece for piece in pieces if piece[0] not in alone]
        told = [self._alone(net, end, pins) for end, pins in _by_end(alone)]
        if len(whole) > 1:
            told.append(self._whole([one for one in self.laying.conductors if one.net is net]))
        text = " ".join(map(_sentence, told))
        signal = net.signal or f"net of {net.pins[0]}"
        pins = tuple(map(str, net.pins))
        return Link("to be made", self.groups.get(net.signal, 0), shown(signal), pins, text)

    def _whole(self, ones: Sequence[Conductor]) -> str:
        """Where conductors of one net are joined. Where some have no pin of their own at an end that is
        soldered, it is there."""
        numbers = self._numbers(ones)
        places = [end for end in self.soldered if all(end in self.laying.reach(one) for one in ones)]
        if not self.soldered:
            return f"join {numbers} with each other along the ribbon{self._bar(ones)}: {_NO_ROOM}."
        if not places:
            return f"link {numbers} with each other, wherever two of them meet at a soldered end."
        for end in places:
            pins = [str(pin) for one in ones for pin in one.at.get(end, ())]
            hang = [one for one in ones if end not in one.at]
            if hang and pins:
                self.joins |= {(id(one), end): f"join to {pins[0]}" for one in hang}
                return f"at {end} join {numbers} and take them to {_and(pins)}."
            if hang:
                first = self._numbers(ones[:1])
                self.joins |= {(id(one), end): f"join to {first}" for one in hang[1:]}
                return f"at {end} join {numbers}; they have no pin there: insulate the joint."
        where = [f"at {end} ({_and([p.name for one in ones for p in one.at[end]])})" for end in places]
        if len(where) == 1:
            return f"link {numbers} with each other {where[0]}."
        return f"link {numbers} with each other: at which end is a free choice, {' or '.join(where)}."

    def _bar(self, ones: Iterable[Conductor]) -> str:
        """Plugs for a ribbon with a ground beside each conductor can be had with a bar between these."""
        doubled = {ribbon.end for ribbon in self.laying.ribbons if ribbon.doubled}
        return ", unless the plugs join them already" if any(one.ribbon in doubled for one in ones) else ""

    def _alone(self, net: Net, end: str, pins: Sequence[Pin]) -> str:
        led = [pin for pin in net.pins if pin.end == end and pin in self.led]
        if end in self.laying.pressed and led and all(pin.name == SHELL for pin in pins):
            ones = [one for one in self.laying.conductors if set(one.pins) & set(led)]
            return f"at {end} link the shell to {self._numbers(ones[:1])}, along the ribbon: {_NO_ROOM}."
        if led:
            told = f"at {end} link {_pins(pins)} to {'any of ' if len(led) > 1 else ''}{_pins(led)}"
        else:
            told = f"at {end} link {_pins(pins)} with each other"
        if end in self.soldered:
            return f"{told}."
        return f"{told}: no conductor leads there, and {_NO_ROOM}; take one that is soldered."

    # What is left over

    def _spare(self) -> Iterator[str]:
        yield from self.profile.spare
        for ribbon in self.laying.ribbons:
            ours = [one for one in self.laying.conductors if one.ribbon == ribbon.end]
            idle = [one for one in ours if self._is_idle(one)]
            verb, each = ("belongs", "it") if len(idle) == 1 else ("belong", "each")
            if idle:
                words = _sentence(self._numbers(idle))
                yield f"{words} {verb} on no pin: cut back and insulate {each}."
        for end in self.profile.ends:
            off = self.laying.kept_off(end.name)
            for past in (True, False):
                ones = [one for one in off if end.name in one.meets and self._goes_on(one) is past]
                if not ones:
                    continue
                them = "it" if len(ones) == 1 else "them"
                pair = f"{ones[0].pins[0]} to {ones[0].meets[end.name]}, which"
                pins = pair if len(ones) == 1 else "pins that"
                what = f"lead {them} past {end.name}" if past else _cut(end.name, them)
                yield f"{_sentence(self._numbers(ones))} would join {pins} stay apart: {what}."
            beside = [one for one in off if end.name not in one.meets and not self._goes_on(one)]
            if beside:
                has, them = ("has", "it") if len(beside) == 1 else ("have", "them")
                words = _sentence(self._numbers(beside))
                yield f"{words} {has} no contact at {end.name}: {_cut(end.name, them)}."

    def _notes(self) -> Iterator[str]:
        yield from self.profile.notes
        origin = self.profile.origin
        if origin:
            yield f"published wiring: {CONFIDENCE_TEXT[origin.confidence]}"
            yield from origin.notes

    # Steps

    def _steps(self, links: Sequence[Link], scan: str) -> Iterator[str]:
        laying, ends = self.laying, self.profile.ends
        yield (
            "Compare each plug with its drawing: the side that the caption names towards you, pin 1 where it "
            "is drawn."
        )
        for ribbon in laying.ribbons:
            which = f"ribbon {ribbon.end}" if len(laying.ribbons) > 1 else "the ribbon"
            yield (
                f"Cut {which} square at both ends. Its marked edge is conductor 1; where none is marked, "
                "choose one and mark it at both ends now."
            )
        counting = {ribbon.end for ribbon in laying.ribbons}
        for end in ends:
            if end.name in laying.pressed & counting:
                yield self._press(end)
        if len(laying.ribbons) > 1:
            yield "Lay the ribbons over each other and weave them conductor by conductor, as the list says."
        for end in ends:
            if end.name in laying.pressed - counting:
                yield from self._before(end.name)
                yield self._press(end)
        soldered = self.soldered
        if soldered:
            yield (
                f"For {_and(soldered)}: split the conductors as far as they have to spread, strip 3 mm, "
                "twist and tin."
            )
            joined = "; what is joined goes on its pin together" if self.joins else ""
            yield (
                f"Solder {_and(soldered)} in the order of the list, and tick each conductor when its joint "
                f"has cooled{joined}."
            )
        single = [end.name for end in ends if end.name not in (*laying.pressed, *soldered)]
        modular = [end.name for end in ends if end.name in single and end.connector.name in _MODULAR]
        if modular:
            yield "Lay the wires side by side in the order of the contacts, cut square, push home and crimp."
        if others := [name for name in single if name not in modular]:
            yield (
                f"For {_and(others)}: strip, crimp a contact on each wire, and push it home where the list "
                "says."
            )
        if any(link.kind == "to be made" for link in links):
            yield "Make the links that are to be made: the list of common signals has them."
        if any(map(self._is_idle, laying.conductors)):
            yield "Cut back and insulate what is spare."
        if len(soldered) < len(ends):
            yield (
                "Look at every crimped plug from the side: contacts flush and all at one height, no strand "
                "between them, no conductor beside its contact."
            )
        if self._is_hot(links):
            yield (
                "Look at every joint from the side: whiskers and drops of solder between neighbours, dull or "
                "loose joints."
            )
        yield f"Prove it with `pinwright scan {scan}` before it touches any equipment."

    def _press(self, end: End) -> str:
        return (
            f"Press {end.name} on, conductor 1 where the sheet says; look along its teeth before you press "
            "it home."
        )

    def _before(self, end: str) -> Iterator[str]:
        """What has to be off the ribbon, or in another order, before a plug is pressed on."""
        for run in self.laying.crossed:
            if run.end == end:
                yield (
                    f"Before end {end}: split conductors {run.first} to {run.last} off the ribbon and lay "
                    "them as the list says; all others run straight on."
                )
        off = self.laying.kept_off(end)
        past = [one for one in off if self._goes_on(one)]
        cut = [one for one in off if not self._goes_on(one)]
        if past:
            them = "it" if len(past) == 1 else "them"
            yield (
                f"Before you press {end} on: split {self._numbers(past)} off the ribbon and lead {them} past "
                f"{end}."
            )
        if cut:
            them = "it" if len(cut) == 1 else "them"
            yield (
                f"Before you press {end} on: split {self._numbers(cut)} off the ribbon, cut {them} back "
                f"{CRIMPED_MM} mm and insulate {them}: nothing of {them} may reach {end}."
            )


def _pins(pins: Sequence[Pin]) -> str:
    """`pin 3`, `pins 3, 4 and the shell`."""
    names = ["the shell" if pin.name == SHELL else pin.name for pin in pins]
    numbered = sum(pin.name != SHELL for pin in pins)
    return f"{'' if not numbered else 'pin ' if numbered == 1 else 'pins '}{_and(names)}"


def _cut(end: str, them: str) -> str:
    return f"cut {them} back before you press {end} on, and insulate {them}"


def _what(plug: Connector) -> str:
    """`a D-sub plug, 9 pins`."""
    family, ways = family_of(plug), sum(map(len, plug.rows))
    gender = next((word for word in ("plug", "socket") if f"-{word}" in plug.name), "")
    noun = family.noun.replace(" connector", f" {gender}") if gender and family.drawn else family.noun
    rows = f"2×{ways // 2}, " if family.counts == "columns" and len(plug.rows) == 2 else ""
    shell = " and the shell" if "SHELL" in plug.pins else ""
    return f"{noun}, {rows}{ways} {'way' if ways == 1 else 'ways'}{shell}"


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:]


def _by_end(pins: Iterable[Pin]) -> Iterator[tuple[str, list[Pin]]]:
    for end, group in groupby(sorted(set(pins), key=in_order), key=lambda pin: pin.end):
        yield end, list(group)


def _runs(numbers: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Numbers that follow each other as first and last, three or more of them; all others alone."""
    for _, group in groupby(enumerate(numbers), key=lambda pair: pair[1] - pair[0]):
        run = [number for _, number in group]
        yield from [(run[0], run[-1])] if len(run) > 2 else [(number, number) for number in run]


def _and(words: Sequence[str]) -> str:
    """`1`, `1 and 2`, `1, 2 and 3`."""
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last
