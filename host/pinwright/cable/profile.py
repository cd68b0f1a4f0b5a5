"""What a cable should be: ends, nets and limits, checked down to the last key.

`Profile.from_dict` takes the tables of a profile as TOML gives them and knows no file. It refuses
what it does not understand, always with the key at fault, so that a typing error cannot quietly
become a wiring. profiles/README.md teaches the format; wiring.py knows the rules.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from enum import StrEnum
from itertools import groupby

from pinwright.cable.connectors import Connector, UnknownConnector, connector
from pinwright.cable.pins import Pin, in_order, parse_pin
from pinwright.cable.tables import HUGE, Table, entries, seen, text, ticked
from pinwright.cable.wiring import RULES, Laid, Parameter, Pins, Rule, join, listed, printable
from pinwright.errors import ProfileError

DEFAULT_MAX_OHMS = 5.0
DEFAULT_MIN_LEAK_OHMS = 100_000.0
DEFAULT_SERIAL = "{id}-{n:04}"

MOST_PINS = 4096
MOST_TEXT = 200
MOST_NAME = 40
MOST_REMARK = 300
MOST_ID = 64
MOST_LENGTH_MM = 100_000
MOST_LINK_OHMS = 10_000
MOST_LEAK_OHMS = 10_000_000
LAST_SERIAL = 999_999
TERMINATIONS = ("crimped", "soldered")

NO_CONNECTION = frozenset({"", "-", "nc", "n/c", "n.c.", "reserved"})


class Joined(StrEnum):
    """May the cable itself link the conductors of a signal that has several?"""

    REQUIRED = "required"
    OPTIONAL = "optional"
    NEVER = "never"


class Confidence(StrEnum):
    """How well it is known that a cable is wired as its profile says, best first."""

    AGREED = "agreed"
    SINGLE = "single"
    DERIVED = "derived"
    MEMORY = "memory"


CONFIDENCE_TEXT = {
    Confidence.AGREED: "two or more independent sources agree",
    Confidence.SINGLE: "one source says so; no second one was found",
    Confidence.DERIVED: "follows from a rule that was seen; the table itself was not",
    Confidence.MEMORY: "from memory: check it against the standard before relying on it",
}


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a published wiring comes from. notes: what is worth knowing about it, traps included."""

    sources: tuple[str, ...]
    confidence: Confidence
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class End:
    """One connector of the cable. signals: pin name → signal as written, "no connection" left out.
    termination: `crimped` or `soldered`; empty where the profile does not say."""

    name: str
    connector: Connector
    label: str
    signals: Mapping[str, str]
    termination: str = ""

    def pins(self) -> Pins:
        """Its pins in the connector's order."""
        return tuple(Pin(self.name, name) for name in self.connector.pins)


@dataclass(frozen=True, slots=True)
class Net:
    """Two or more pins that belong together, in order.

    signal: what they carry, several names as `TXD/RXD`, or empty. common: the [common.X] signal
    (optional or never joined) whose conductor this is, or empty.
    """

    signal: str
    pins: Pins
    common: str = ""


@dataclass(frozen=True, slots=True)
class Limit:
    """max_ohms: the most a link may have; min_leak_ohms: the least a net must have to all others."""

    max_ohms: float
    min_leak_ohms: float


@dataclass(frozen=True, slots=True)
class Profile:
    """What a cable should be.

    ends: by name. nets: all of two or more pins, sorted by first pin. serial: pattern of serial
    numbers. wiring_text: one line for people. spare: sentences for the build sheet about conductors
    that have no pin. notes: remarks that are no errors. origin: of a published wiring; a workshop's own
    cable may have none. rule, order: key of wiring.RULES and the ends it runs over, the plug last; empty
    where no rule is named. meets: as it lays them, each conductor with the contact that it meets.
    to_confirm: what somebody still has to find out.
    """

    id: str
    title: str
    revision: str
    length_mm: float | None
    wire: str | None
    max_ohms: float
    min_leak_ohms: float
    serial: str
    ends: tuple[End, ...]
    nets: tuple[Net, ...]
    common: Mapping[str, Joined]
    limits: Mapping[str, Limit]
    wiring_text: str
    spare: tuple[str, ...]
    notes: tuple[str, ...]
    origin: Origin | None = None
    rule: str = ""
    order: tuple[str, ...] = ()
    to_confirm: tuple[str, ...] = ()
    meets: tuple[Pins, ...] = ()

    @staticmethod
    def from_dict(data: Mapping[str, object]) -> Profile:
        """The profile that the tables of a TOML document describe.

        Pure. Raises ProfileError with the key at fault, and nothing else, whatever data holds.
        """
        top = Table.of(data, ProfileError)
        top.only("cable", "origin", "ends", "wiring", "common", "limits")
        cable = top.table("cable")
        cable.only(
            *("id", "title", "revision", "length_mm", "wire", "max_ohms", "min_leak_ohms", "serial"),
            "to_confirm",
        )
        id = _id(cable)
        limit = _limit(cable, Limit(DEFAULT_MAX_OHMS, DEFAULT_MIN_LEAK_OHMS))
        ends = _ends(top.table("ends"))
        signals = {Pin(end.name, pin): name for end in ends.values() for pin, name in end.signals.items()}
        common = _common(top, signals.values())
        limits = _limits(top, signals.values(), limit)
        wiring = _wiring(top.table("wiring"), ends)
        apart = {name for name, joined in common.items() if joined is not Joined.REQUIRED}
        nets = tuple(
            _net(pins, signals, apart)
            for pins in join(
                wiring.rule,
                wiring.laid,
                wiring.wires,
                signals,
                by_signal=wiring.by_signal,
                required=common.keys() - apart,
                apart=apart,
            )
        )
        if not nets:
            raise ProfileError(
                "wiring",
                "nothing here joins two pins",
                hint="give a `rule`, `wires`, or `by_signal = true` with signal names at both ends",
            )
        used = frozenset(pin for net in nets for pin in net.pins)
        return Profile(
            id=id,
            title=cable.text("title", MOST_TEXT, default=id),
            revision=cable.text("revision", MOST_TEXT, default=""),
            length_mm=cable.number("length_mm", MOST_LENGTH_MM) if "length_mm" in cable.data else None,
            wire=cable.text("wire", MOST_TEXT) if "wire" in cable.data else None,
            max_ohms=limit.max_ohms,
            min_leak_ohms=limit.min_leak_ohms,
            serial=_serial(cable, id),
            ends=tuple(ends.values()),
            nets=nets,
            common=common,
            limits=limits,
            wiring_text=wiring.text,
            spare=(*_past_the_plug(wiring.laid, used), *wiring.laid.spare),
            notes=_notes(wiring.laid, signals, used),
            origin=_origin(top.table("origin")) if "origin" in top.data else None,
            rule=wiring.rule,
            order=wiring.order,
            to_confirm=_remarks(cable, "to_confirm"),
            meets=wiring.laid.meets,
        )

    def pins(self) -> Pins:
        """Every pin of every end, in order."""
        return tuple(pin for end in self.ends for pin in end.pins())

    def unused(self) -> Pins:
        """The pins of no net, which must be isolated."""
        used = frozenset(pin for net in self.nets for pin in net.pins)
        return tuple(pin for pin in self.pins() if pin not in used)

    def limit(self, net: Net) -> Limit:
        """The limits of a net: those of its signals, the strictest where several have their own."""
        signals = {end.name: end.signals for end in self.ends}
        names = {signals[pin.end].get(pin.name, "") for pin in net.pins}
        own = [limit for name, limit in self.limits.items() if name in names]
        return Limit(
            min((limit.max_ohms for limit in own), default=self.max_ohms),
            max((limit.min_leak_ohms for limit in own), default=self.min_leak_ohms),
        )

    def with_max_ohms(self, ohms: float) -> Profile:
        """The same cable, every link of which may have so much."""
        own = {name: replace(limit, max_ohms=ohms) for name, limit in self.limits.items()}
        return replace(self, max_ohms=ohms, limits=own)

    def serial_for(self, n: int) -> str:
        """The n-th serial number of this profile's pattern."""
        return self.serial.format(id=self.id, n=n)


@dataclass(frozen=True, slots=True)
class _Wiring:
    """The [wiring] table, read: the rule's name, its ends and what it lays, explicit nets, joins by name."""

    rule: str
    order: tuple[str, ...]
    laid: Laid
    wires: tuple[Pins, ...]
    by_signal: bool
    text: str


def _id(cable: Table) -> str:
    value = cable.text("id", MOST_ID)
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9-]*", value):
        raise ProfileError(
            "cable.id", f"must be letters, digits and hyphens, a hyphen not first, not {seen(value)}"
        )
    return value


def _serial(cable: Table, id: str) -> str:
    pattern = cable.text("serial", MOST_TEXT, default=DEFAULT_SERIAL)
    for field in re.findall(r"\{[^{}]*\}?|\}", pattern):
        if not re.fullmatch(r"\{id\}|\{n(:0[1-9])?\}", field):
            raise ProfileError(
                "cable.serial",
                f"`{printable(field)}` is no field of a serial; `{{id}}`, `{{n}}` and `{{n:04}}` are",
            )
    if "{n" not in pattern:
        raise ProfileError("cable.serial", f"{seen(pattern)} has no `{{n}}`: all serials would be the same")
    last = pattern.format(id=id, n=LAST_SERIAL)
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*", last):
        raise ProfileError(
            "cable.serial",
            f"a serial such as `{printable(last)}` may have letters, digits, `.`, `_` and `-`,"
            " and starts with a letter or digit",
        )
    if len(last) > MOST_ID:
        raise ProfileError(
            "cable.serial",
            f"serials would grow to {len(last)} characters, at most {MOST_ID} are possible",
            hint="shorten the id, or give a `serial` pattern without it",
        )
    return pattern


def _origin(table: Table) -> Origin:
    table.only("sources", "confidence", "notes")
    confidence = Confidence(table.word("confidence", Confidence))
    sources = _remarks(table, "sources")
    if not sources and confidence is not Confidence.MEMORY:
        raise ProfileError(
            table.key("sources"),
            f"must name at least one source where `confidence` is `{confidence}`",
            hint='what nobody has looked up has `confidence = "memory"`',
        )
    return Origin(sources, confidence, _remarks(table, "notes"))


def _remarks(table: Table, name: str) -> tuple[str, ...]:
    """A list of texts, none of them empty; none at all where the key is missing."""
    remarks = []
    for key, entry in table.entries(name, "strings", []):
        remarks.append(text(entry, MOST_REMARK, key, ProfileError))
        if not entry:
            raise ProfileError(key, "is empty")
    return tuple(remarks)


def _limit(table: Table, default: Limit) -> Limit:
    """max_ohms and min_leak_ohms of a table, each with its default."""
    limit = Limit(
        table.number("max_ohms", MOST_LINK_OHMS, default.max_ohms),
        table.number("min_leak_ohms", MOST_LEAK_OHMS, default.min_leak_ohms),
    )
    if limit.max_ohms >= limit.min_leak_ohms:
        raise ProfileError(
            table.key(),
            f"`max_ohms` ({limit.max_ohms:g}) must be below `min_leak_ohms` ({limit.min_leak_ohms:g}),"
            " or one path would be a good link and a leak",
        )
    return limit


def _ends(table: Table) -> dict[str, End]:
    """End name → end, in order of name."""
    ends = {}
    for name in sorted(table.data):
        if not re.fullmatch(r"[A-Z][A-Z0-9]{0,15}", name):
            raise ProfileError(
                table.key(name), "an end is named by up to 16 capital letters and digits, a letter first"
            )
        ends[name] = _end(name, table.table(name))
    count = sum(len(end.connector.pins) for end in ends.values())
    if not ends:
        raise ProfileError("ends", "a cable needs at least one end")
    if count > MOST_PINS:
        raise ProfileError("ends", f"the ends have {count} pins together, at most {MOST_PINS} are possible")
    return ends


def _end(name: str, table: Table) -> End:
    table.only("connector", "label", "signals", "termination")
    try:
        plug = connector(table.text("connector", MOST_NAME))
    except UnknownConnector as error:
        raise ProfileError(table.key("connector"), str(error)) from None
    label = table.text("label", MOST_TEXT, default="")
    names = table.table("signals", {})
    signals = {}
    for pin in names.data:
        if pin not in plug.pins:
            raise ProfileError(names.key(pin), _no_pin(Pin(name, pin), plug))
        signal = names.text(pin, MOST_NAME)
        if signal.lower() not in NO_CONNECTION:
            signals[pin] = signal
    termination = table.word("termination", TERMINATIONS) if "termination" in table.data else ""
    return End(name, plug, label, signals, termination)


def _common(top: Table, signals: Iterable[str]) -> dict[str, Joined]:
    common = {}
    for name, table in top.tables("common"):
        table.only("joined")
        _known_signal(table, name, signals)
        common[name] = Joined(table.word("joined", Joined))
    return common


def _limits(top: Table, signals: Iterable[str], default: Limit) -> dict[str, Limit]:
    limits = {}
    for name, table in top.tables("limits"):
        table.only("max_ohms", "min_leak_ohms")
        _known_signal(table, name, signals)
        if not table.data:
            raise ProfileError(table.key(), "sets no limit; give `max_ohms`, `min_leak_ohms` or both")
        limits[name] = _limit(table, default)
    return limits


def _known_signal(table: Table, name: str, signals: Iterable[str]) -> None:
    if name not in signals:
        close = get_close_matches(printable(name), sorted(set(signals)), n=1)
        raise ProfileError(
            table.key(),
            f"no pin carries a signal `{printable(name)}`",
            hint=f"did you mean `{close[0]}`?" if close else "name the pins in an [ends.….signals] table",
        )


def _wiring(table: Table, ends: Mapping[str, End]) -> _Wiring:
    parameters = dict.fromkeys(key for rule in RULES.values() for key in rule.parameters)
    table.only("rule", *parameters, "from", "to", "wires", "by_signal")
    by_signal = table.get("by_signal", False)
    if not isinstance(by_signal, bool):
        raise ProfileError("wiring.by_signal", f"must be `true` or `false`, not {seen(by_signal)}")
    wires = tuple(_wire(entry, key, ends) for key, entry in table.entries("wires", "lists of pins", []))
    name, order, laid, line = _ruled(table, ends) if "rule" in table.data else _unruled(table)
    parts = [
        line,
        f"{len(wires)} explicit net{'s' if len(wires) > 1 else ''}" if wires else "",
        "equal signal names" if by_signal else "",
    ]
    return _Wiring(name, order, laid, wires, by_signal, " + ".join(part for part in parts if part))


def _unruled(table: Table) -> tuple[str, tuple[str, ...], Laid, str]:
    for key in table.data:
        if key not in ("wires", "by_signal"):
            raise ProfileError(table.key(key), "belongs to a `rule`, and there is none here")
    return "", (), Laid(), ""


def _ruled(table: Table, ends: Mapping[str, End]) -> tuple[str, tuple[str, ...], Laid, str]:
    """The rule's name, its ends, what it lays, and the line for people: `alternate, first = high`."""
    name = table.word("rule", RULES)
    rule = RULES[name]
    values: dict[str, str | Pins] = {}
    for key, parameter in rule.parameters.items():
        if _meant(parameter, values):
            if parameter.choices:
                values[key] = table.word(key, parameter.choices)
            else:
                values[key] = _pin_table(table, key, ends)
    words = [name, *(f"{key} = {_plain(value)}" for key, value in values.items())]
    for key in table.data:
        if key not in ("rule", "from", "to", "wires", "by_signal", *values):
            raise ProfileError(table.key(key), f"rule `{', '.join(words)}` takes no `{key}`")
    ribbons, plug = _order(table, name, rule, ends)
    laid = rule.lay([ends[end].pins() for end in ribbons], ends[plug].pins(), **values)
    if "to" in table.data:
        words.append(f"from {' and '.join(ribbons)} to {plug}")
    return name, (*ribbons, plug), laid, ", ".join(words)


def _meant(parameter: Parameter, values: Mapping[str, str | Pins]) -> bool:
    """Has this parameter a meaning beside the values of those before it?"""
    return parameter.only_with is None or values[parameter.only_with[0]] == parameter.only_with[1]


def _plain(value: str | Pins) -> str:
    return value if isinstance(value, str) else " ".join(map(str, value))


def _order(table: Table, name: str, rule: Rule, ends: Mapping[str, End]) -> tuple[Sequence[str], str]:
    """The ends a rule runs from, and the one it runs to: A (and C) to B where nothing else is said."""
    if "from" not in table.data and "to" not in table.data:
        usual = "AC"[: rule.ribbons]
        if {*usual, "B"} != ends.keys():
            raise ProfileError(
                "wiring.rule",
                f"`{name}` runs from {ticked(usual)} to `B`, but the ends are {ticked(ends)};"
                " say which with `from` and `to`",
            )
        return usual, "B"
    start, plug = table.get("from"), table.get("to")
    ribbons = [
        _end_name(end, table.key("from"), ends) for end in (start if isinstance(start, list) else [start])
    ]
    named = {*ribbons, _end_name(plug, table.key("to"), ends)}
    if len(ribbons) != rule.ribbons or len(named) != rule.ribbons + 1:
        raise ProfileError(
            "wiring.from",
            f"`{name}` runs from {'one end' if rule.ribbons == 1 else 'two ends'} to another,"
            f" not from {ticked(ribbons)} to `{plug}`",
        )
    return ribbons, str(plug)


def _end_name(value: object, key: str, ends: Mapping[str, End]) -> str:
    if not isinstance(value, str) or value not in ends:
        raise ProfileError(key, f"must name an end ({ticked(ends)}), not {seen(value)}")
    return value


def _wire(entry: object, key: str, ends: Mapping[str, End]) -> Pins:
    pins: dict[Pin, None] = {}  # ordered, and quick to ask
    for _, name in entries(entry, "pins", key, ProfileError):
        pin = _pin(text(name, MOST_NAME, key, ProfileError), key, ends)
        if pin in pins:
            raise ProfileError(key, f"`{pin}` is named twice")
        pins[pin] = None
    if len(pins) < 2:
        raise ProfileError(key, f"a net needs two or more pins, not {len(pins)}")
    return tuple(pins)


def _pin(name: str, key: str, ends: Mapping[str, End]) -> Pin:
    try:
        pin = parse_pin(name)
    except ValueError as error:
        raise ProfileError(key, str(error)) from None
    if pin.end not in ends:
        raise ProfileError(key, f"no end `{pin.end}`; the ends are {ticked(ends)}")
    if pin.name not in ends[pin.end].connector.pins:
        raise ProfileError(key, _no_pin(pin, ends[pin.end].connector))
    return pin


def _pin_table(table: Table, name: str, ends: Mapping[str, End]) -> Pins:
    """END → list of pins, as in `ground_pins = {A = [2, 4], B = [20]}`; at least two pins in all."""
    inner = table.table(name)
    pins: dict[Pin, None] = {}  # ordered, and quick to ask
    for end, names in inner.data.items():
        key = inner.key(end)
        for _, number in entries(names, "pins", key, ProfileError):
            pin = _pin(f"{printable(end)}.{_pin_name(number, key)}", key, ends)
            if pin in pins:
                raise ProfileError(key, f"`{pin}` is named twice")
            pins[pin] = None
    if len(pins) < 2:
        raise ProfileError(table.key(name), f"must name two or more pins in all, not {len(pins)}")
    return tuple(sorted(pins, key=in_order))


def _pin_name(value: object, key: str) -> str:
    match value:
        case bool():
            pass
        case int() if abs(value) < HUGE:
            return str(value)
        case str():
            return text(value, MOST_NAME, key, ProfileError)
    raise ProfileError(key, f"must be a list of pins, not of {seen(value)}")


def _net(pins: Pins, signals: Mapping[Pin, str], apart: Iterable[str]) -> Net:
    names = list(dict.fromkeys(signals[pin] for pin in pins if pin in signals))
    return Net("/".join(names), pins, next((name for name in names if name in apart), ""))


def _past_the_plug(laid: Laid, used: frozenset[Pin]) -> Iterable[str]:
    """For the build sheet: conductors that end before the plug, one sentence for each ribbon."""
    idle = [pin for pin in laid.beyond if pin not in used]
    for _, pins in groupby(sorted(idle, key=in_order), key=lambda pin: pin.end):
        yield f"the plug has no contact for {listed(tuple(pins))}: cut these conductors back"


def _notes(laid: Laid, signals: Mapping[Pin, str], used: frozenset[Pin]) -> tuple[str, ...]:
    facing = [
        f"`{pin}` meets the ground pin `{ground}` and is none itself: it stays unused"
        for pin, ground in laid.facing
        if pin not in used
    ]
    alone = [
        f"`{pin}` carries `{signals[pin]}`, but nothing joins it to another pin: it stays unused"
        for pin in sorted(signals.keys() - used, key=in_order)
    ]
    return (*facing, *alone)


def _no_pin(pin: Pin, plug: Connector) -> str:
    return f"no pin `{pin.end}.{printable(pin.name)}`; {plug.range_text()}"
