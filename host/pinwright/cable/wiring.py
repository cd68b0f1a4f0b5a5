"""From a few words to nets: named rules, explicit wires, and joins by signal name.

A rule knows how one kind of ribbon lead is made: in which order its conductors lie, and in which
order they meet the contacts of the plug. The rules and their first nets are common practice of the
trade, no source; both orders of `alternate` are seen in published tables of DIP plugs on ribbon.

    straight        conductor k meets pin k
    alternate       the two pins of a DIP pair sit at the same place along the ribbon, so they take
                    neighbouring conductors: N, 1, N-1, 2 … (high first) or 1, N, 2, N-1 … (low first)
    interleave      two ribbons share one plug, their conductors woven together
    paired-ground   a ribbon with a ground conductor beside every signal conductor

`join` puts the sources together and refuses whatever they disagree about.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, zip_longest
from typing import NamedTuple

from pinwright.cable.pins import Pin, in_order
from pinwright.errors import ProfileError

Pins = tuple[Pin, ...]

LAYS = ("straight", "alternate")


@dataclass(frozen=True, slots=True)
class Laid:
    """What a rule makes of its ends.

    nets: the pins that belong together. meets: each conductor with the contact that it meets. beyond: pins of
    a ribbon whose conductors run past the plug's last contact. facing: (idle, ground), a pin that meets a
    ground pin and is none itself. spare: sentences for the build sheet about conductors that have no pin
    anywhere.
    """

    nets: tuple[Pins, ...] = ()
    beyond: Pins = ()
    facing: tuple[tuple[Pin, Pin], ...] = ()
    spare: tuple[str, ...] = ()
    meets: tuple[Pins, ...] = ()


@dataclass(frozen=True, slots=True)
class Parameter:
    """A key that a rule needs. choices: the words allowed; none means a table END → list of pins.

    only_with: (other parameter, its value) without which this one has no meaning.
    """

    choices: tuple[str, ...] = ()
    only_with: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """A named rule. lay(ribbons, plug, **parameters) → Laid; ribbons: how many ends feed the plug."""

    lay: Callable[..., Laid]
    ribbons: int
    parameters: Mapping[str, Parameter]


def straight(ribbons: Sequence[Pins], plug: Pins) -> Laid:
    """The k-th pin of one end with the k-th of the other, up to the shorter one."""
    return _lay(ribbons[0], plug)


def alternate(ribbons: Sequence[Pins], plug: Pins, *, first: str) -> Laid:
    """Conductors alternate between the two rows of a DIP plug. first: the row that starts."""
    return _lay(ribbons[0], _contacts(plug, "alternate", first))


def interleave(ribbons: Sequence[Pins], plug: Pins, *, numbering: str, lay: str, first: str = "") -> Laid:
    """Two ribbons woven into one plug.

    numbering: `own` = each ribbon counts for itself (A.1, C.1, A.2, C.2 …); `shared` = they count
    together, so every conductor keeps its number (A.1, C.2, A.3, C.4 …). A place that one ribbon is
    too narrow to fill stays empty.
    """
    pairs = zip_longest(*ribbons)
    if numbering == "own":
        return _lay(chain.from_iterable(pairs), _contacts(plug, lay, first))
    return _lay((pair[place % 2] for place, pair in enumerate(pairs)), _contacts(plug, lay, first))


def paired_ground(
    ribbons: Sequence[Pins], plug: Pins, *, ground_pins: Pins, then: str, first: str = ""
) -> Laid:
    """Signals as `then` lays them over the full numbering; every ground pin named is one net."""
    laid = _lay(ribbons[0], _contacts(plug, then, first))
    grounds = frozenset(ground_pins)
    facing = []
    for pin, contact in laid.nets:
        if (pin in grounds) != (contact in grounds):
            facing.append((contact, pin) if pin in grounds else (pin, contact))
    return Laid(
        nets=(ground_pins, *(net for net in laid.nets if grounds.isdisjoint(net))),
        beyond=tuple(pin for pin in laid.beyond if pin not in grounds),
        facing=tuple(facing),
        meets=laid.meets,
        spare=(
            f"a ground conductor runs beside each of the {len(ribbons[0])} conductors of"
            f" `{ribbons[0][0].end}`; none has a pin of its own, all belong to the net of"
            f" {listed(ground_pins)}",
        ),
    )


def _contacts(plug: Pins, lay: str, first: str) -> Pins:
    """The plug's pins in the order in which conductors 1, 2, 3 … meet them."""
    if lay == "straight":
        return plug
    if len(plug) % 2:
        raise ProfileError(
            "wiring.rule",
            f"`alternate` needs two equal rows at `{plug[0].end}`, which has {len(plug)} pins",
        )
    half = len(plug) // 2
    low, high = plug[:half], plug[: half - 1 : -1]
    rows = (high, low) if first == "high" else (low, high)
    return tuple(chain.from_iterable(zip(*rows, strict=True)))


def _lay(conductors: Iterable[Pin | None], contacts: Pins) -> Laid:
    """Conductor k meets contact k. None is a place without a conductor."""
    run = tuple(conductors)
    pairs = tuple((pin, contact) for pin, contact in zip(run, contacts, strict=False) if pin is not None)
    return Laid(
        nets=pairs,
        meets=pairs,
        beyond=tuple(pin for pin in run[len(contacts) :] if pin is not None),
    )


_ROW = ("high", "low")

RULES: Mapping[str, Rule] = {
    "straight": Rule(straight, 1, {}),
    "alternate": Rule(alternate, 1, {"first": Parameter(_ROW)}),
    "interleave": Rule(
        interleave,
        2,
        {
            "numbering": Parameter(("own", "shared")),
            "lay": Parameter(LAYS),
            "first": Parameter(_ROW, only_with=("lay", "alternate")),
        },
    ),
    "paired-ground": Rule(
        paired_ground,
        1,
        {
            "ground_pins": Parameter(),
            "then": Parameter(LAYS),
            "first": Parameter(_ROW, only_with=("then", "alternate")),
        },
    ),
}


class _Place(NamedTuple):
    """The net a pin is in, and who put it there, in words for a message."""

    net: Pins
    source: str


def join(
    rule: str,
    laid: Laid,
    wires: Sequence[Pins],
    signals: Mapping[Pin, str],
    *,
    by_signal: bool,
    required: Collection[str],
    apart: Collection[str],
) -> tuple[Pins, ...]:
    """Put rule, wires and signal names together into nets of two or more pins, sorted.

    rule, laid: the rule's name and what it gave (empty for none). wires: explicit nets, each in
    order of the file. signals: what the pins carry, "no connection" left out. required: signals
    whose every pin is one net. apart: signals of which each conductor is a net of its own.
    Raises ProfileError where two sources disagree, or nothing says how the pins of a signal belong.
    """
    carriers: dict[str, Pins] = {}
    for pin in sorted(signals, key=in_order):
        carriers[signals[pin]] = (*carriers.get(signals[pin], ()), pin)
    placed: dict[Pin, _Place] = {}

    def place(net: Pins, source: str) -> None:
        placed.update(dict.fromkeys(net, _Place(net, source)))

    def merge_required() -> None:
        for signal in sorted(set(required) & carriers.keys()):
            net = _merged(signal, carriers[signal], signals, placed)
            if len(net) > 1:
                place(net, f"signal `{signal}`")

    for net in laid.nets:
        place(net, f"rule `{rule}`")
    if by_signal:
        merge_required()
        for signal, pins in carriers.items():
            pairable = len({pin.end for pin in pins}) == len(pins) > 1
            if pairable and signal not in apart and signal not in required:
                _agree(signal, pins, placed)
                place(pins, f"signal `{signal}`")
    for number, net in enumerate(wires, 1):
        for pin in net:
            if pin in placed:
                raise ProfileError(
                    f"wiring.wires[{number}]",
                    f"`{pin}` is already in the net {listed(placed[pin].net)} of {placed[pin].source}",
                )
        place(net, f"`wiring.wires[{number}]`")
    if not by_signal:
        merge_required()
    for signal, pins in carriers.items():
        if signal in apart:
            _conductors(signal, pins, signals, placed, by_signal=by_signal)
        elif signal not in required:
            _belong(signal, pins, placed, by_signal=by_signal)
    nets = [tuple(sorted(spot.net, key=in_order)) for _, spot in _nets_of(placed, placed)]
    return tuple(sorted(nets, key=lambda net: in_order(net[0])))


def _nets_of(pins: Iterable[Pin], placed: Mapping[Pin, _Place]) -> Iterable[tuple[Pin, _Place]]:
    """The nets that the pins are in, each once, with the first of the pins in it."""
    found: dict[Pin, tuple[Pin, _Place]] = {}
    for pin in pins:
        if pin in placed:
            found.setdefault(placed[pin].net[0], (pin, placed[pin]))
    return found.values()


def _merged(signal: str, pins: Pins, signals: Mapping[Pin, str], placed: Mapping[Pin, _Place]) -> Pins:
    """The pins of a required signal with all that they are joined to, which may carry no other name."""
    net = dict.fromkeys(pins)
    for pin, spot in _nets_of(pins, placed):
        for other in spot.net:
            if signals.get(other, signal) != signal:
                raise ProfileError(
                    path("common", signal, "joined"),
                    f"`{signal}` is to be one net, but {spot.source} joins its `{pin}` to `{other}`,"
                    f" which carries `{signals[other]}`",
                )
            net[other] = None
    return tuple(net)


def _agree(signal: str, pins: Pins, placed: Mapping[Pin, _Place]) -> None:
    """A rule that touches any pin of a signal must have joined exactly its pins."""
    for _, spot in _nets_of(pins, placed):
        if set(spot.net) != set(pins):
            raise ProfileError(
                "wiring.by_signal",
                f"{spot.source} joins {listed(spot.net)}, but signal `{signal}` joins {listed(pins)}",
            )


def _conductors(
    signal: str, pins: Pins, signals: Mapping[Pin, str], placed: Mapping[Pin, _Place], *, by_signal: bool
) -> None:
    """Each conductor of an optional or never signal is laid by a rule or wires and carries no other name."""
    loose = [pin for pin in pins if pin not in placed]
    if loose and by_signal:
        raise ProfileError(
            path("common", signal, "joined"),
            f"the name `{signal}` alone cannot say which conductor `{loose[0]}` belongs to;"
            " it needs a rule or wires",
        )
    for pin, spot in _nets_of(pins, placed):
        for other in spot.net:
            if signals.get(other, signal) != signal:
                raise ProfileError(
                    path("common", signal),
                    f"{spot.source} joins `{pin}`, a conductor of `{signal}`, to `{other}`,"
                    f" which carries `{signals[other]}`",
                )


def _belong(signal: str, pins: Pins, placed: Mapping[Pin, _Place], *, by_signal: bool) -> None:
    """A signal on several pins of an end needs something that says whether they are joined."""
    groups = [[pin for pin in pins if pin.end == end] for end in sorted({pin.end for pin in pins})]
    if by_signal:
        groups.append(list(pins))
    for group in groups:
        joined = group[0] in placed and set(group) <= set(placed[group[0]].net)
        if len(group) > 1 and not joined:
            raise ProfileError(
                path("ends", group[0].end, "signals"),
                f"signal `{signal}` is on {listed(group)} and the wiring does not join them all;"
                f' add wires that do, or the table `[{path("common", signal)}]` with `joined = "required"`'
                ' (the cable joins them), `"optional"` (it may) or `"never"` (it must not)',
            )


def listed(pins: Collection[Pin], most: int = 6) -> str:
    """`A.1`, `A.2`, `A.3` and 4 more."""
    shown = [f"`{pin}`" for pin in pins][:most]
    return ", ".join(shown) + (f" and {len(pins) - most} more" if len(pins) > most else "")


def path(*parts: str) -> str:
    """The dotted path of a key, as TOML would write it: ends.A.signals.41, common."LAMP 1".joined.

    Characters that do not print appear as U+XXXX, so that a message cannot be turned round by them.
    """
    return ".".join(
        part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else f'"{printable(part)}"' for part in parts
    )


def printable(text: str, most: int = 60) -> str:
    """The text fit for a message: cut to `most` characters, those that do not print as U+XXXX."""
    cut = text if len(text) <= most else text[:most] + "…"
    return "".join(char if char.isprintable() else f"<{code_point(char)}>" for char in cut)


def code_point(char: str) -> str:
    """The name of a character that cannot be shown: U+202E."""
    return f"U+{ord(char):04X}"
