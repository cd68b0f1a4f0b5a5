"""A profile from what was found joined in a known-good lead: nets → `Draft`, and what no tester can know."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pinwright.cable.drafting import Draft
from pinwright.cable.obeying import Obeyed, obeyed
from pinwright.cable.pins import Pin
from pinwright.cable.profile import (
    DEFAULT_MAX_OHMS,
    DEFAULT_MIN_LEAK_OHMS,
    MOST_REMARK,
    End,
    Joined,
    Profile,
)
from pinwright.cable.wiring import Pins

DEFAULT_ID = "captured-lead"
DEFAULT_REVISION = "1"
_SHOWN = 6  # pins of one end in a sentence


@dataclass(frozen=True, slots=True)
class Common:
    """A net that joins several pins of one end: a signal on several conductors, it seems.

    name: a guess. conductors: the nets that it is made of where a rule says what leads where; else none.
    """

    net: Pins
    name: str
    conductors: tuple[Pins, ...] = ()


@dataclass(frozen=True, slots=True)
class Sample:
    """A lead as it was measured. nets: of two or more pins. obeyed: the rule of all or most."""

    ends: tuple[End, ...]
    nets: tuple[Pins, ...]
    obeyed: Obeyed | None
    commons: tuple[Common, ...]

    @property
    def title(self) -> str:
        return f"Captured lead, {' to '.join(end.connector.name for end in self.ends)}"


@dataclass(frozen=True, slots=True)
class Answers:
    """What a person says of a sample. labels: of an end. signals: of a net. joined: of a net that is a common
    signal, linked in the sample; one that is missing is plain wires. apart: of a signal that several nets
    have."""

    id: str = DEFAULT_ID
    title: str = ""
    revision: str = DEFAULT_REVISION
    labels: Mapping[str, str] = field(default_factory=dict)
    signals: Mapping[Pins, str] = field(default_factory=dict)
    joined: Mapping[Pins, Joined] = field(default_factory=dict)
    apart: Mapping[str, Joined] = field(default_factory=dict)

    def on_several_nets(self) -> dict[str, Joined]:
        """The signals that more than one net has, in order, and whether a lead may link them. Where nothing
        is said it must not, as the sample does not, unless some of its conductors may be linked."""
        count = Counter(self.signals.values())
        may = {self.signals[net] for net, joined in self.joined.items() if joined is Joined.OPTIONAL}
        usual = {name: Joined.OPTIONAL if name in may else Joined.NEVER for name in count}
        return {name: self.apart.get(name, usual[name]) for name in sorted(count) if count[name] > 1}


def expecting_nothing(ends: Sequence[End]) -> Profile:
    """A cable with these ends of which nothing is expected: every net that is found is one too many."""
    return Profile(
        id="unknown-lead",
        title="A lead that nothing is known of",
        revision="",
        length_mm=None,
        wire=None,
        max_ohms=DEFAULT_MAX_OHMS,
        min_leak_ohms=DEFAULT_MIN_LEAK_OHMS,
        serial="",
        ends=tuple(ends),
        nets=(),
        common={},
        limits={},
        wiring_text="",
        spare=(),
        notes=(),
    )


def sample(ends: Sequence[End], nets: Sequence[Pins]) -> Sample:
    """What the nets are, as far as they tell. nets: the measured ones, all their pins of these ends."""
    found = obeyed(ends, nets)
    laid = found.laid if found and found.plain and not found.broken else ()
    linked = [net for net in nets if max(Counter(pin.end for pin in net).values()) > 1]
    commons = []
    for number, net in enumerate(linked, start=1):
        of_it = tuple(one for one in laid if set(one) <= set(net))
        whole = len(of_it) > 1 and {pin for one in of_it for pin in one} == set(net)
        commons.append(Common(net, f"GND{number}", of_it if whole else ()))
    return Sample(tuple(ends), tuple(nets), found, tuple(commons))


def as_measured(of: Sample, answers: Answers) -> Answers:
    """The answers, and defaults where there are none: what is linked has to be, by the names guessed."""
    signals = {**answers.signals}
    for common in of.commons:
        signals.setdefault(common.net, free_name(common, signals))
    joined = {**{common.net: Joined.REQUIRED for common in of.commons}, **answers.joined}
    return replace(answers, title=answers.title or of.title, signals=signals, joined=joined)


def free_name(common: Common, signals: Mapping[Pins, str]) -> str:
    """The guess at its name, or another where a net has that already. signals: of a net."""
    taken = {name for net, name in signals.items() if net != common.net}
    others = (f"GND{number}" for number in range(1, len(taken) + 2))
    return next(name for name in (common.name, *others) if name not in taken)


def draft(of: Sample, answers: Answers, remarks: Sequence[str] = ()) -> Draft:
    """The profile of the sample in a person's words. remarks: where it comes from, for the head."""
    signal_of = {pin: name for net, name in answers.signals.items() for pin in net}
    ends = tuple(
        End(
            end.name,
            end.connector,
            answers.labels.get(end.name, end.label),
            {pin.name: signal_of[pin] for pin in end.pins() if pin in signal_of},
        )
        for end in of.ends
    )
    made_of = {common.net: common.conductors for common in of.commons}
    nets = [
        one
        for net in of.nets
        for one in (made_of[net] if answers.joined.get(net) is Joined.OPTIONAL else (net,))
    ]
    notes = {
        "cable.length_mm": "of the sample, if you know it; with `wire` it gives the ohms to expect",
        "cable.wire": 'such as "28 AWG ribbon"',
    }
    guesses = {common.net: common.name for common in of.commons}
    for net, joined in answers.joined.items():
        name = answers.signals[net]
        guess = f"; {name} is a guess at its name" if guesses.get(net) == name else ""
        notes[f"common.{name}"] = (
            f"confirm this: so measured{guess}" if joined is Joined.REQUIRED else "the sample links them"
        )
    apart = answers.on_several_nets()
    for name in apart:
        notes[f"common.{name}"] = "confirm this: the sample has its conductors apart"
    told = rule_text(of)
    if told and not _as_laid(of):
        notes["wiring"] = told
    rule = of.obeyed
    open_points = []
    if rule and rule.broken:
        where = f"{_nets(rule.broken)} out of the order of `{rule.rule}`"
        open_points.append(f"{where}: is the sample right there?")
    for net, joined in answers.joined.items():
        name = answers.signals[net]
        named = ", and its name, which is a guess" if guesses.get(net) == name else ""
        if joined is Joined.REQUIRED:
            open_points.append(f"{name} ({_nets([net])}): whether a lead must link these pins{named}")
    open_points += [f"{name}: whether a lead may link its conductors; the sample does not" for name in apart]
    return Draft(
        id=answers.id,
        title=answers.title or of.title,
        revision=answers.revision,
        ends=ends,
        nets=tuple(nets),
        obeyed=rule if rule and not rule.broken else None,
        common={answers.signals[net]: joined for net, joined in answers.joined.items()} | apart,
        remarks=(*remarks, "No tester can know, and somebody has to say:", *unknown(of, answers)),
        notes=notes,
        to_confirm=tuple(point[:MOST_REMARK] for point in open_points),
    )


def rule_text(of: Sample) -> str:
    """The rule that all or most nets obey, and where they do not; nothing where there is none."""
    rule = of.obeyed
    if rule is None:
        return ""
    if rule.broken:
        return f"nearly `{rule.text}`, but for {_nets(rule.broken)}: is the sample right there?"
    absent = _absent(of)
    return f"`{rule.text}`" + (f", but that it has no {_nets(absent)}" if absent else "")


def _as_laid(of: Sample) -> bool:
    """Whether the rule alone says the nets, but for links within an end."""
    rule = of.obeyed
    return bool(rule and rule.plain and not rule.broken and not _absent(of))


def _absent(of: Sample) -> list[Pins]:
    """What the rule lays and the sample has not."""
    net_of = {pin: net for net in of.nets for pin in net}
    laid = of.obeyed.laid if of.obeyed else ()
    return [one for one in laid if not set(one) <= set(net_of.get(one[0], ()))]


def _nets(nets: Sequence[Pins]) -> str:
    """`A.1–B.40, A.2–B.1–B.2… and 3 more`"""
    shown = ["–".join(map(str, net[:4])) + ("…" if len(net) > 4 else "") for net in nets[:_SHOWN]]
    return ", ".join(shown) + (f" and {len(nets) - _SHOWN} more" if len(nets) > _SHOWN else "")


def unknown(of: Sample, answers: Answers) -> Iterator[str]:
    """What conduction does not tell of this sample, a sentence each."""
    plain = [net for net in of.nets if net not in answers.signals]
    if plain:
        yield "- which signals these are: names go into [ends.….signals]"
    for common in of.commons:
        ends = _by_end(common.net)
        who = answers.signals.get(common.net) or "–".join(map(str, common.net[:2])) + "…"
        several = len([pins for pins in ends.values() if len(pins) > 1]) > 1
        told = ["whether a lead must link them, may, or must not"]
        if several:
            told.append("at which end this one does")
            told += [] if common.conductors else ["which of its conductors leads where"]
            told.append("whether each of its conductors is whole")
        shown = " with ".join(map(_listed, ends.values()))
        yield f"- of {who} ({shown}): {'; '.join(told)}"
    for name in answers.on_several_nets():
        count = sum(one == name for one in answers.signals.values())
        yield f"- of {name}, which is on {count} nets: whether a lead may link them; this one does not"
    yield "- how long the lead is, and of which wire"
    yield "- what is in it and does not conduct: a capacitor, a screen that is on no pin"
    yield "- what is in it besides wire: a coil, a fuse, a small resistor, a diode that blocks a few volts"
    yield "- whether a plug sat turned round, or one place off: pins are numbered by where it sat"


def _by_end(net: Pins) -> dict[str, list[Pin]]:
    ends: dict[str, list[Pin]] = {}
    for pin in net:
        ends.setdefault(pin.end, []).append(pin)
    return ends


def _listed(pins: Sequence[Pin]) -> str:
    more = f" and {len(pins) - _SHOWN} more" if len(pins) > _SHOWN else ""
    return ", ".join(map(str, pins[:_SHOWN])) + more
