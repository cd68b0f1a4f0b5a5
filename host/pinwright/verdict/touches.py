"""What a touch of the probe lead says: which conductor, its signal, where it goes, what is left to touch.

One look cannot tell two conductors that are touched at once from two that are joined. So it is remembered
which ever came one without the other: those are not joined. What has come together in two contacts or more,
and never apart, is told as joined, as it seems.

Nothing here decides about a cable: that is a scan's business.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import End, Joined, Net, Profile
from pinwright.cable.wiring import Pins
from pinwright.errors import OwnBug
from pinwright.tester.fixture import Fixture, Placement
from pinwright.tester.touching import Event, Held, Released, Touched

Kind = Literal["conductor", "linked", "unused", "two", "joined", "elsewhere", "held", "released"]
# Told as joined once so many contacts had them together, and none apart.
_CONTACTS = 2
_MOST = 6  # names in one list
_FEW = 3  # names that can be read from afar, or places in words

Unit = Net | Pin  # a net, or an unused pin by itself


@dataclass(frozen=True, slots=True)
class Way:
    """A pin's conductor. number: on its ribbon, from 1; 0 where it is on none. to: the pins it leads to."""

    number: int = 0
    to: Pins = ()


@dataclass(frozen=True, slots=True)
class Said:
    """What an event means.

    kind: a `conductor`; several of one signal that may be and seem `linked`; an `unused` pin; `two` nets or
    more at once; nets that seem `joined`; something `elsewhere` on the tester; what something else has `held`
    low; the probe `released`. pins: the cable's that read low. to: where they go. large: the same in a few
    characters, to be read from afar. text: in a sentence. new: touched for the first time.
    """

    kind: Kind
    pins: Pins
    signal: str
    to: Pins
    large: str
    text: str
    new: bool = False


@dataclass(slots=True)
class Guide:
    """Knows what has been touched. plugged: the ends in the tester. ways: of their pins. place: where a pin
    of another end is, in words; may be empty.

    wanted: the pins to be touched, in the order of the ribbon. done: those that were.
    """

    profile: Profile
    plugged: Sequence[End]
    ways: Mapping[Pin, Way]
    place: Callable[[Pin], str]
    fixture: Fixture
    placement: Placement
    wanted: Pins = ()
    done: set[Pin] = field(default_factory=set)
    _net_of: dict[Pin, Net] = field(default_factory=dict)
    _contacts: list[list[frozenset[Unit]]] = field(default_factory=lambda: [[]])  # what came together

    def __post_init__(self) -> None:
        self._net_of = {pin: net for net in self.profile.nets for pin in net.pins}
        pins = [pin for end in self.plugged for pin in end.pins() if pin in self._net_of]
        ends = [end.name for end in self.plugged]
        self.wanted = tuple(
            sorted(pins, key=lambda pin: (ends.index(pin.end), self._number(pin), in_order(pin)))
        )

    @property
    def left(self) -> Pins:
        """What has not been touched, in order."""
        return tuple(pin for pin in self.wanted if pin not in self.done)

    @property
    def seem_joined(self) -> tuple[Pins, ...]:
        """What came together and never apart, though it is not one signal's that may be linked."""
        units = {unit for sets in self._contacts for came in sets for unit in came}
        groups = self._together(units)
        return tuple(
            self._pins_at_plugs(group)
            for group in groups
            if len(group) > 1 and self._count(group) >= _CONTACTS and not self._may_be_linked(group)
        )

    def hear(self, event: Event) -> Said:
        """What an event means; what was touched counts from now on."""
        match event:
            case Released():
                if self._contacts[-1]:
                    self._contacts.append([])
                return Said("released", (), "", (), "", "the probe touches nothing")
            case Held(points):
                return self._held(points)
            case Touched(points):
                return self._touched(points)
        raise OwnBug(f"an event that nobody knows: {event!r}")

    def names(self, pins: Sequence[Pin], most: int = _MOST) -> str:
        """`conductor 9`, `conductors 1 to 8 and 12`, `pins 2 and 3 of A`: one end after another. most: runs
        or names of each; how many more there are is told."""
        told = []
        for end in self.profile.ends:
            here = [pin for pin in pins if pin.end == end.name]
            if not here:
                continue
            numbers = [self._number(pin) for pin in here]
            noun = "conductor" if all(numbers) else "pin"
            words = _runs([str(number) for number in numbers] if all(numbers) else [pin.name for pin in here])
            plural = "s" if len(here) > 1 else ""
            more = f" and {len(words) - most} more" if len(words) > most else ""
            told.append(f"{noun}{plural} {_and(words[:most], more)}{self._of(end.name)}")
        told += [str(pin) for pin in pins if pin.end.startswith("@")]
        return _and(told)

    def _touched(self, points: Iterable[int]) -> Said:
        known = self.placement.pin_of
        at = [known.get(point) for point in points]
        strange = sorted(
            self.fixture.name_of(point)
            for point in points
            if known.get(point) is None or known[point].end.startswith("@")
        )
        pins = tuple(sorted((pin for pin in at if pin and not pin.end.startswith("@")), key=in_order))
        if strange:
            return self._elsewhere(strange, pins)
        units = frozenset(self._unit(pin) for pin in pins)
        if units not in self._contacts[-1]:
            self._contacts[-1].append(units)
        signals = (self._signal(unit) for unit in sorted(units, key=_first))
        signal = " + ".join(dict.fromkeys(filter(None, signals)))
        if len(units) > 1:
            return self._several(units, pins, signal)
        (unit,) = units
        if isinstance(unit, Pin):
            text = f"{self.names(pins)} is not in use: it goes nowhere"
            return Said("unused", pins, signal, (), f"{self._large(pins)} → –", text)
        return self._conductor("conductor", pins, signal, self._leads(pins, unit))

    def _conductor(self, kind: Kind, pins: Pins, signal: str, to: Pins) -> Said:
        new = not self.done.issuperset(pins)
        self.done.update(pins)
        if kind == "linked":
            text = f"{self.names(pins)} came together twice: linked, as they may be"
        elif to:
            here = [str(pin) for pin in to if pin in self.placement.point_of]
            lacks = f"; plugged in too, it did not come along: {_and(here)}" if here else ""
            text = f"{self.names(pins)} → {self._where(to)}{lacks}"
        else:
            text = f"{self.names(pins)}: all that belongs to it is plugged in, and joined"
        large = self._large(pins) + (f" → {self._large(to, to=True)}" if to else "")
        return Said(kind, pins, signal, to, large, text, new)

    def _several(self, units: frozenset[Unit], pins: Pins, signal: str) -> Said:
        groups = self._together(units)
        large = self._large([self._pins_of([unit], pins)[0] for unit in sorted(units, key=_first)])
        if len(groups) > 1:
            named = _and([self.names(self._pins_of(group, pins)) for group in groups])
            text = f"two or more at once: {named}; touch one by itself"
            return Said("two", pins, signal, (), large, text)
        may_be = self._may_be_linked(units)
        if self._count(units) < _CONTACTS:
            what = "linked in the lead" if may_be else "joined"
            text = (
                f"{self.names(pins)} at once: touched together, or {what}; lift the probe and touch one "
                "by itself"
            )
            return Said("two", pins, signal, (), large, text)
        if may_be:
            return self._conductor("linked", pins, signal, ())
        text = (
            f"{self.names(pins)} came together twice and never apart: joined, as it seems; look for a bridge "
            "where they are soldered or crimped"
        )
        return Said("joined", pins, signal, (), large, text)

    def _elsewhere(self, names: Sequence[str], pins: Pins) -> Said:
        beside = f" (and {self.names(pins)})" if pins else ""
        text = (
            f"the probe touches {_and(names[:_MOST])} of the tester{beside}, where no end is said to be: is "
            "a plug in another socket, or is another end plugged in? `--at` and `--end` say so"
        )
        return Said("elsewhere", pins, "", (), names[0], text)

    def _held(self, points: Iterable[int]) -> Said:
        known = self.placement.pin_of
        pins = tuple(sorted((known[point] for point in points if point in known), key=in_order))
        names = [self.fixture.name_of(point) for point in sorted(points)]
        ours = [f"{pin}" for pin in pins if not pin.end.startswith("@")] or names
        reads = "reads" if len(ours) == 1 else "read"
        text = (
            f"{_and(ours[:_MOST])} {reads} low though the probe does not drive it: something else holds it; "
            "unplug the lead from everything but the tester, and touch nothing but the lead"
        )
        return Said("held", tuple(pin for pin in pins if not pin.end.startswith("@")), "", (), names[0], text)

    def _leads(self, pins: Pins, net: Net) -> Pins:
        """Where these pins of a net lead: by their own conductors, else the rest of the net."""
        to = {other for pin in pins for other in self.ways.get(pin, Way()).to} or set(net.pins)
        return tuple(sorted(to - set(pins), key=in_order))

    def _where(self, pins: Pins) -> str:
        if len(pins) > _FEW:
            return self.names(pins)
        told = []
        for pin in pins:
            place = self.place(pin)
            told.append(f"pin {pin.name}{self._to(pin.end)}" + (f", {place}" if place else ""))
        return "; ".join(told)

    def _of(self, end: str) -> str:
        """Which end, where that is not clear by itself: of two ends one is plugged in."""
        return "" if len(self.profile.ends) == 2 and len(self.plugged) == 1 else f" of {end}"

    def _to(self, end: str) -> str:
        """The same for where a conductor goes: a link within a plug must not look like a way out of it."""
        return self._of(end) or (f" of {end}" if end in self.placement.sockets else "")

    def _large(self, pins: Sequence[Pin], *, to: bool = False) -> str:
        names = []
        for pin in pins[:_FEW]:
            which = self._to(pin.end) if to else self._of(pin.end)
            name = pin.name if to else str(self._number(pin) or pin.name)
            names.append(f"{pin.end}.{name}" if which else name)
        return "+".join(names) + ("…" if len(pins) > _FEW else "")

    def _number(self, pin: Pin) -> int:
        return self.ways[pin].number if pin in self.ways else 0

    def _signal(self, unit: Unit) -> str:
        if isinstance(unit, Net):
            return unit.signal
        return next((end.signals.get(unit.name, "") for end in self.profile.ends if end.name == unit.end), "")

    def _unit(self, pin: Pin) -> Unit:
        return self._net_of.get(pin, pin)

    def _pins_of(self, units: Iterable[Unit], pins: Pins) -> Pins:
        wanted = set(units)
        return tuple(pin for pin in pins if self._unit(pin) in wanted)

    def _pins_at_plugs(self, units: Iterable[Unit]) -> Pins:
        wanted = set(units)
        return tuple(pin for end in self.plugged for pin in end.pins() if self._unit(pin) in wanted)

    def _may_be_linked(self, units: Iterable[Unit]) -> bool:
        """Whether all are conductors of one signal that the cable may link."""
        signals = {unit.common if isinstance(unit, Net) else "" for unit in units}
        (signal, *others) = signals
        return not others and self.profile.common.get(signal) is Joined.OPTIONAL

    def _together(self, units: Iterable[Unit]) -> list[tuple[Unit, ...]]:
        """Those of them that never came one without the other, in order."""
        every = [came for sets in self._contacts for came in sets]
        groups: dict[tuple[bool, ...], list[Unit]] = {}
        for unit in sorted(units, key=_first):
            groups.setdefault(tuple(unit in came for came in every), []).append(unit)
        return [tuple(group) for group in groups.values()]

    def _count(self, units: Iterable[Unit]) -> int:
        """In how many contacts all of them came together."""
        wanted = set(units)
        return sum(any(wanted <= came for came in sets) for sets in self._contacts)


def _first(unit: Unit) -> tuple[bool, str, tuple[tuple[bool, int, str], ...]]:
    return in_order(unit.pins[0] if isinstance(unit, Net) else unit)


def _and(words: Sequence[str], more: str = "") -> str:
    """`a`, `a and b`, `a, b and c`; more: what stands at the end instead of the last `and`."""
    if more or len(words) < 2:
        return ", ".join(words) + more
    return ", ".join(words[:-1]) + f" and {words[-1]}"


def _runs(names: Sequence[str]) -> list[str]:
    """`3`, `5 to 9`, `T`: three numbers or more in a row as one."""
    runs: list[list[str]] = []
    for name in names:
        before = runs[-1][-1] if runs else ""
        if name.isdecimal() and before.isdecimal() and int(name) == int(before) + 1:
            runs[-1].append(name)
        else:
            runs.append([name])
    told: list[str] = []
    for run in runs:
        told += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else run
    return told
