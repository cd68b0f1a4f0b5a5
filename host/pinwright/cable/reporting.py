"""What was derived, in words: for the person at the screen, and for whoever opens the profile later."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import groupby

from pinwright.cable.deriving import Break, Derived
from pinwright.cable.drafting import Draft
from pinwright.cable.pins import Pin
from pinwright.cable.profile import Joined
from pinwright.cable.spelling import without
from pinwright.cable.wiring import Pins, printable

_MISREAD = "a pin out of a regular order is usually a misread schematic"
_MOST = 12  # of one kind, listed one by one


def sentences(derived: Derived) -> list[str]:
    """All that a person has to know before the profile is trusted, a sentence each, the usual first."""
    said: list[str] = []
    for end in derived.ends:
        named = sum(pin.end == end.name for pin in derived.written)
        said.append(
            f"end {end.name}: `{end.connector.name}`, {named} of {len(end.connector.pins)} pins listed"
        )
    for name, prefix in derived.prefixes.items():
        said.append(f"every name of end {name} begins with `{printable(prefix)}`: that was taken off")
    for name, spellings in derived.merged:
        said.append(f"end {name}: {_names(spellings)} were taken for one signal")
    named = sum(_between(net) and any(map(derived.name, net)) for net in derived.nets)
    said.append(f"{_count(named, 'net')} between the ends {'carries' if named == 1 else 'carry'} a signal")
    said += _alone(derived)
    if len(derived.grounds) > 1:
        shown = ",".join(derived.grounds)
        said.append(
            f"{_names(derived.grounds)} were taken for different signals; if they are one ground,"
            f" `--ground {printable(shown)}` says so"
        )
    said += [_repeated(derived, name, pins) for name, pins in derived.repeated.items()]
    said += _rule(derived)
    said += _unlisted(derived)
    return said


def draft_of(derived: Derived, files: Mapping[str, str], *, id: str, title: str, revision: str) -> Draft:
    """The profile that was derived, with what is to be confirmed beside it. files: end → its file's name."""
    sources = ", ".join(f"{end} from {printable(file)}" for end, file in files.items())
    remarks = [
        f"Derived by name from the pinouts of its ends: {sources}. What is to be confirmed says so; once it"
        " is, take the remark out."
    ]
    notes: dict[str, str] = {}
    for pin, others in derived.close.items():
        notes[str(pin)] = f"no partner; close to it: {_listed(derived, others)}"
    for pin in derived.alone:
        nameless = f" (`{_written(derived, pin)}`)" if pin in derived.nameless else ""
        notes.setdefault(str(pin), f"no partner at another end{nameless}")
    for pin, written in derived.written.items():
        name = derived.name(pin)
        if name and name != without(written, derived.prefixes.get(pin.end, "")):
            notes.setdefault(str(pin), f"written `{printable(written)}` there")
    for net in derived.renamed:
        for pin, other in (net, net[::-1]):
            notes[str(pin)] = f"to be confirmed: by the rule it meets {_shown(derived, other)}"
    for one in derived.breaks:
        for pin in one.by_name:
            notes[str(pin)] = f"breaks the rule: {_break(derived, one)}"
    for name, joined in derived.common.items():
        if joined is Joined.OPTIONAL:
            notes[f"common.{name}"] = "to be confirmed: may the cable link its conductors?"
        elif name not in derived.tied:
            notes[f"common.{name}"] = "to be confirmed: nothing says which pins belong together"
    rule = _rule(derived)
    if derived.by_rule:
        remarks += map(_sentence, rule[1:])
    else:
        notes["wiring"] = " ".join(map(_sentence, rule))
    return Draft(
        id=id,
        title=title,
        revision=revision,
        ends=derived.ends,
        nets=derived.nets,
        obeyed=derived.obeyed if derived.by_rule else None,
        common=derived.common,
        remarks=tuple(remarks),
        notes=notes,
    )


def _rule(derived: Derived) -> list[str]:
    """The rule, and what is out of it."""
    rule = derived.obeyed
    if rule is None:
        return ["the names obey no rule that this program knows, so every net is a wire"]
    said = [f"the names obey the rule `{rule.text}`"]
    if derived.breaks:
        breaking = derived.breaking()
        said[0] += f", but for {_count(len(breaking), 'signal')}: {_names(breaking)}; {_MISREAD}"
        said += [_break(derived, one) for one in derived.breaks[:_MOST]]
        said += [
            f"all would fit if the names {_names(one.names)} were exchanged: at {_pins(one.at[0])},"
            f" or at {_pins(one.at[1])}"
            for one in derived.exchanged[:_MOST]
        ]
        said.append("until that is settled the profile has wires, as the names say")
    elif not rule.plain:
        said.append("a profile has no such rule, so every net is a wire")
    elif not derived.by_rule:
        said.append("it would join pins that are not in the files as well, so every net is a wire")
    said += [
        f"the rule joins {_shown(derived, one)} to {_shown(derived, other)}: one signal under two names?"
        for one, other in derived.renamed[:_MOST]
    ]
    if derived.idle:
        said.append(f"the ribbon has conductors that lead to no signal as well: {_nets(derived.idle)}")
    return said


def _sentence(line: str) -> str:
    return f"{line[:1].upper()}{line[1:]}" + ("" if line.endswith("?") else ".")


def _break(derived: Derived, one: Break) -> str:
    by_name = " and ".join(map(str, one.by_name))
    name = derived.name(one.by_name[0])
    by_rule = "; ".join(" meets ".join(_shown(derived, pin) for pin in net) for net in one.by_rule)
    told = f"by the rule {by_rule}" if by_rule else "the rule does not reach them"
    names = {derived.name(pin) for pin in one.by_name}
    return (
        f"`{printable(name)}` joins {by_name}; {told}" if len(one.by_name) > 1 and len(names) == 1 else told
    )


def _alone(derived: Derived) -> Iterator[str]:
    others = {end.name: [other.name for other in derived.ends if other is not end] for end in derived.ends}
    for end, group in groupby(derived.alone, key=lambda pin: pin.end):
        pins = tuple(group)
        where = f"end {others[end][0]}" if len(others[end]) == 1 else "any other end"
        yield f"end {end}: no partner at {where} for {_listed(derived, pins)}"
    for pin, close in derived.close.items():
        if pin < close[0]:
            yield f"close to each other: {_shown(derived, pin)} and {_listed(derived, close)}"


def _repeated(derived: Derived, name: str, pins: Pins) -> str:
    ends = groupby(pins, key=lambda pin: pin.end)
    told = f"`{printable(name)}` is on several pins, "
    told += " and ".join(f"{len(tuple(group))} of {end}" for end, group in ends)
    match derived.common.get(name):
        case Joined.REQUIRED if name in derived.tied:
            return f"{told}: the cable makes all of them one net"
        case Joined.REQUIRED:
            return f"{told}: all of them are one net in this profile; confirm that the cable joins them"
        case Joined.OPTIONAL:
            return f"{told}: each conductor is laid by the rule; confirm that the cable may link them"
        case _:
            return f"{told}: no partner, not joined"


def _unlisted(derived: Derived) -> Iterator[str]:
    for end, pins in derived.unlisted.items():
        yield (
            f"end {end}: the file leaves out {_pins(pins)}, which stay free; where the cable has a conductor"
            " all the same, list the pin as `NC`"
        )


def _between(net: Pins) -> bool:
    return len({pin.end for pin in net}) > 1


def _written(derived: Derived, pin: Pin) -> str:
    return printable(derived.written.get(pin, ""))


def _shown(derived: Derived, pin: Pin) -> str:
    written = _written(derived, pin)
    return f"{pin} `{written}`" if written else str(pin)


def _listed(derived: Derived, pins: Pins) -> str:
    return _some([_shown(derived, pin) for pin in pins])


def _pins(pins: Iterable[Pin]) -> str:
    return _some([str(pin) for pin in pins])


def _nets(nets: Iterable[Pins]) -> str:
    return _some(["–".join(map(str, net)) for net in nets])


def _names(names: Iterable[str]) -> str:
    return _some([f"`{printable(name)}`" for name in names])


def _some(words: list[str]) -> str:
    """ "a, b and c", or the first and how many more."""
    if len(words) > _MOST:
        return f"{', '.join(words[: _MOST - 1])} and {len(words) - _MOST + 1} more"
    return " and ".join((", ".join(words[:-1]), words[-1])) if len(words) > 1 else words[0]


def _count(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
