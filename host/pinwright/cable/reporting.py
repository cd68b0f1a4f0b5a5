"""What was derived, in words: for the person at the screen, and for whoever opens the profile later.

On the screen stands all of it, in the profile once and in short what is to be confirmed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import groupby

from pinwright.cable.deriving import Break, Derived, Exchange
from pinwright.cable.drafting import Draft
from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import MOST_REMARK, Joined
from pinwright.cable.spelling import without
from pinwright.cable.wiring import Pins, printable

_MISREAD = "a pin out of a regular order is usually a misread schematic"
_MOST = 12  # of one kind, listed one by one


def sentences(derived: Derived) -> list[str]:
    """All that a person has to know before the profile is trusted, a sentence each, the usual first: but
    before all whether these are the ends of one cable."""
    said = list(_few(derived))
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
    said += apart(derived)
    said += [_repeated(derived, name, pins) for name, pins in derived.repeated.items()]
    said += _rule(derived)
    for name, shown in _missing(derived, "`"):
        said.append(f"{_some(shown)}, which the file of {name} leaves out, so that is not joined")
    said += _unlisted(derived)
    if points := len(to_confirm(derived)):
        are = "is" if points == 1 else "are"
        said.append(f"{_count(points, 'point')} {are} to be confirmed: see `to_confirm` in the profile")
    return said


def apart(derived: Derived) -> list[str]:
    """What might be one signal and was not taken for one."""
    said = []
    for pin, close in derived.close.items():
        if pin < close[0]:
            said.append(f"close to each other: {_shown(derived, pin)} and {_listed(derived, close)}")
    if len(derived.grounds) > 1:
        said.append(
            f"{_names(derived.grounds)} were taken for different signals; if they are one ground,"
            f" `{_one_ground(derived)}` says so"
        )
    return said


def to_confirm(derived: Derived) -> tuple[str, ...]:
    """What somebody still has to find out, for the profile: short, the worst first."""
    points = [
        *_few(derived),
        *_misread(derived),
        *(_fitting(shown, f", which the file of {end} leaves out") for end, shown in _missing(derived)),
        *_no_partner(derived),
        *_perhaps_one(derived),
        *_may_link(derived),
    ]
    for end, left in _left_out(derived):
        question = "is it free?" if len(left) == 1 else "are they free?"
        points.append(_fitting(left, f": {question}", f"the file of {end} leaves out "))
    return tuple(_fitting([point]) for point in points)


def _misread(derived: Derived) -> Iterator[str]:
    for exchange in derived.exchanged[:_MOST]:
        names = " and ".join(map(printable, exchange.names))
        here, there = ("/".join(map(str, sorted(pins, key=in_order))) for pins in exchange.at)
        yield f"{names} look exchanged: {here} or {there}"
    others = _other_breaks(derived)
    yield from (_out_of_order(derived, one) for one in others[:_MOST])
    if more := len(others[_MOST:]) + len(derived.exchanged[_MOST:]):
        yield f"the rule does not hold in {_count(more, 'place')} more"


def _no_partner(derived: Derived) -> Iterator[str]:
    lost = (*_unpartnered(derived), *(pin for pin in derived.unjoined if pin not in derived.missing))
    for _, group in groupby(sorted(lost, key=in_order), key=lambda pin: pin.end):
        shown = [_plain(derived, pin) for pin in group if pin not in derived.close]
        if shown:
            yield _fitting(shown, f" {'has' if len(shown) == 1 else 'have'} no partner")


def _perhaps_one(derived: Derived) -> Iterator[str]:
    """Names that may be one signal."""
    for pin, close in derived.close.items():
        if pin < close[0]:
            shown = [_plain(derived, other) for other in (pin, *close)]
            yield _fitting(shown, " have no partner, but are close: one signal?")
    for (name, other), nets in _renamed(derived).items():
        if not {name, other} <= {*derived.grounds}:
            here, there = (_pins(net[side] for net in nets) for side in (0, 1))
            yield f"by the rule {printable(name)} ({here}) meets {printable(other)} ({there}): one signal?"
    if len(derived.grounds) > 1:
        names = [printable(name) for name in derived.grounds]
        yield _fitting(names, f": one ground? `{_one_ground(derived)}` derives them as one")


def _may_link(derived: Derived) -> Iterator[str]:
    for name, pins in derived.repeated.items():
        match derived.common.get(name):
            case Joined.REQUIRED if name not in derived.tied:
                yield f"{printable(name)} ({_per_end(pins)}): does the cable join all these pins?"
            case Joined.OPTIONAL:
                yield f"{printable(name)} ({_per_end(pins)}): may the cable link its conductors?"


def draft_of(derived: Derived, files: Mapping[str, str], *, id: str, title: str, revision: str) -> Draft:
    """The profile that was derived, with what is to be confirmed in it. files: end → its file's name."""
    points = to_confirm(derived)
    sources = ", ".join(f"{end} from {printable(file)}" for end, file in files.items())
    origin = f"Derived by name from the pinouts of its ends: {sources}."
    todo = " What somebody still has to find out stands in `to_confirm`; take out what is settled."
    remarks = [origin + (todo if points else "")]
    notes: dict[str, str] = {}
    for pin, others in derived.close.items():
        notes[str(pin)] = f"no partner; close to it: {_listed(derived, others)}"
    for pin in (*derived.alone, *derived.unjoined):
        nameless = f" (`{_written(derived, pin)}`)" if pin in derived.nameless else ""
        notes.setdefault(str(pin), f"no partner at another end{nameless}")
    for pin, written in derived.written.items():
        name = derived.name(pin)
        if name and name != without(written, derived.prefixes.get(pin.end, "")):
            notes.setdefault(str(pin), f"written `{printable(written)}` there")
    for net in derived.renamed:
        for pin, other in (net, net[::-1]):
            own = f"`{_written(derived, pin)}` there; " if pin in derived.nameless else ""
            notes[str(pin)] = f"{own}by the rule it meets {_shown(derived, other)}"
    if not derived.by_rule:
        notes["wiring"] = " ".join(map(_sentence, (_rule_in_short(derived), *_idle(derived))))
    else:
        remarks += map(_sentence, _idle(derived))
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
        to_confirm=points,
    )


def _few(derived: Derived) -> Iterator[str]:
    """Whether these are the ends of one cable at all."""
    counts = derived.partnered.items()
    few = [f"{found} of {names} at {end}" for end, (found, names) in counts if 2 * found < names]
    if few and len(derived.ends) > 1:
        these = "the two ends" if len(derived.ends) == 2 else "the ends"
        yield f"few names have a partner ({_some(few)}): are these {these} of one cable?"


def _rule_in_short(derived: Derived) -> str:
    """The rule, and why every net is a wire all the same."""
    rule = derived.obeyed
    if derived.bus:
        return "every name is on the same pin of all ends: one ribbon, pin by pin; every net is a wire"
    if rule is None:
        return "the names obey no rule that this program knows, so every net is a wire"
    if derived.breaks:
        why = "but for what is to be confirmed; until that is settled every net is a wire, as the names say"
        return f"the names obey the rule `{rule.text}`, {why}"
    if not rule.plain:
        return f"the names obey the rule `{rule.text}`; a profile has no such rule, so every net is a wire"
    return (
        f"the names obey the rule `{rule.text}`; it would join pins that are not in the files as well,"
        " so every net is a wire"
    )


def _rule(derived: Derived) -> list[str]:
    """The rule, and what is out of it."""
    rule = derived.obeyed
    if rule is None:
        return [_rule_in_short(derived)]
    said = [f"the names obey the rule `{rule.text}`"]
    if derived.breaks:
        breaking = derived.breaking()
        said[0] += f", but for {_count(len(breaking), 'signal')}: {_names(breaking)}; {_MISREAD}"
        for exchange in derived.exchanged[:_MOST]:
            said.append(_exchange(derived, exchange))
        others = _other_breaks(derived)
        said += [_break(derived, one) for one in others[:_MOST]]
        if len(others) > _MOST:
            said.append(f"and {len(others) - _MOST} more")
        said.append("until that is settled the profile has wires, as the names say")
    elif not derived.by_rule:
        said[0] = _rule_in_short(derived)
    for nets in list(_renamed(derived).values())[:_MOST]:
        one, other = (_listed(derived, tuple(net[side] for net in nets)) for side in (0, 1))
        said.append(f"the rule joins {one} to {other}: one signal under two names?")
    return [*said, *_idle(derived)]


def _idle(derived: Derived) -> Iterator[str]:
    if derived.idle:
        yield f"the ribbon has conductors that lead to no signal as well: {_nets(derived.idle)}"


def _renamed(derived: Derived) -> dict[tuple[str, str], list[Pins]]:
    """The two names that may be one signal → the nets of the rule where they meet."""
    found: dict[tuple[str, str], list[Pins]] = {}
    for net in derived.renamed:
        one, other = map(derived.called, net)
        found.setdefault((one, other), []).append(net)
    return found


def _sentence(line: str) -> str:
    return f"{line[:1].upper()}{line[1:]}" + ("" if line.endswith("?") else ".")


def _other_breaks(derived: Derived) -> list[Break]:
    """The breaks that no exchange of two names explains."""
    explained = [{pin for pins in exchange.at for pin in pins} for exchange in derived.exchanged]
    return [one for one in derived.breaks if not any({*one.by_name} <= pins for pins in explained)]


def _exchange(derived: Derived, exchange: Exchange) -> str:
    (here, here_too), (there, there_too) = exchange.at
    by_name = ", ".join(
        f"`{printable(name)}` joins {' and '.join(map(str, sorted(net, key=in_order)))}"
        for name, net in zip(exchange.names, ((here, there), (here_too, there_too)), strict=True)
    )
    by_rule = " and ".join(
        " meets ".join(_shown(derived, pin) for pin in sorted(net, key=in_order))
        for net in ((here, there_too), (here_too, there))
    )
    return (
        f"{by_name}; by the rule {by_rule}: that would fit if the names {_names(exchange.names)} were"
        f" exchanged at {_pins(exchange.at[0])}, or at {_pins(exchange.at[1])}"
    )


def _break(derived: Derived, one: Break) -> str:
    by_name = " and ".join(map(str, one.by_name))
    name = derived.called(one.by_name[0])
    by_rule = "; ".join(" meets ".join(_shown(derived, pin) for pin in net) for net in one.by_rule)
    told = f"by the rule {by_rule}" if by_rule else "the rule does not reach them"
    names = {derived.called(pin) for pin in one.by_name}
    return (
        f"`{printable(name)}` joins {by_name}; {told}" if len(one.by_name) > 1 and len(names) == 1 else told
    )


def _out_of_order(derived: Derived, one: Break) -> str:
    """A break in short."""
    names = {derived.called(pin) for pin in one.by_name}
    if len(one.by_name) > 1 and len(names) == 1:
        by_rule = f"by the rule {_nets(one.by_rule)}" if one.by_rule else "where no rule reaches"
        return f"{printable(names.pop())}, misread? By name {_nets([one.by_name])}, {by_rule}"
    met = "; ".join(" meets ".join(_plain(derived, pin) for pin in net) for net in one.by_rule)
    return f"by the rule {met}: is one of them misread?"


def _missing(derived: Derived, tick: str = "") -> Iterator[tuple[str, list[str]]]:
    """End whose file leaves out pins that the rule reaches → which name belongs on which of them."""
    by_end = sorted(derived.missing.items(), key=lambda one: in_order(one[1]))
    for end, group in groupby(by_end, key=lambda one: one[1].end):
        shown = [f"{tick}{_written(derived, pin)}{tick} ({pin}) on {other}" for pin, other in group]
        shown[0] = f"by the rule {shown[0].replace(' on ', ' belongs on ')}"
        yield end, shown


def _unpartnered(derived: Derived) -> Pins:
    """The pins without partner of which nothing else is said: the rule lays them on no pin that is left out,
    and on none of another name."""
    renamed = {pin for net in derived.renamed for pin in net}
    return tuple(pin for pin in derived.alone if pin not in renamed and pin not in derived.missing)


def _alone(derived: Derived) -> Iterator[str]:
    others = {end.name: [other.name for other in derived.ends if other is not end] for end in derived.ends}
    for end, group in groupby(_unpartnered(derived), key=lambda pin: pin.end):
        pins = tuple(group)
        where = f"end {others[end][0]}" if len(others[end]) == 1 else "any other end"
        yield f"end {end}: no partner at {where} for {_listed(derived, pins)}"


def _per_end(pins: Pins, between: str = ", ") -> str:
    return between.join(
        f"{len(tuple(group))} of {end}" for end, group in groupby(pins, key=lambda pin: pin.end)
    )


def _repeated(derived: Derived, name: str, pins: Pins) -> str:
    told = f"`{printable(name)}` is on several pins, {_per_end(pins, ' and ')}"
    match derived.common.get(name):
        case Joined.REQUIRED if name in derived.tied:
            return f"{told}: the cable makes all of them one net"
        case Joined.REQUIRED:
            return f"{told}: all of them are one net in this profile; confirm that the cable joins them"
        case Joined.OPTIONAL:
            laid = "; ".join(_conductors(derived, pins))
            return f"{told}: {laid}; confirm that the cable may link its conductors"
        case _ if not {pin for net in derived.renamed for pin in net}.isdisjoint(pins):
            return f"{told}: each meets another name by the rule"
        case _:
            return f"{told}: no partner, not joined"


def _conductors(derived: Derived, pins: Pins) -> Iterator[str]:
    """Which pins of a signal that is on several conductors are laid, and by what, and which are not."""
    rule = {*derived.obeyed.laid} if derived.obeyed else set()
    nets = [net for net in derived.nets if not {*net}.isdisjoint(pins)]
    laid = {pin for net in nets for pin in net} - {*derived.unjoined}
    by_name = [net for net in nets if net not in rule]
    left = tuple(pin for pin in pins if pin not in laid)
    if not by_name and not left:
        yield "each conductor is laid by the rule"
        return
    if by_rule := [net for net in nets if net in rule and laid.issuperset(net)]:
        yield f"the rule lays {_nets(by_rule)}"
    if by_name:
        yield f"names alone join {_nets(by_name)}"
    if left:
        yield f"{_listed(derived, left)} {'has' if len(left) == 1 else 'have'} no partner"


def _left_out(derived: Derived) -> Iterator[tuple[str, list[str]]]:
    """End → pins that its file leaves out, but for those that the rule needs."""
    for end, pins in derived.unlisted.items():
        left = [str(pin) for pin in pins if pin not in derived.missing.values()]
        if left:
            yield end, left


def _unlisted(derived: Derived) -> Iterator[str]:
    for end, pins in _left_out(derived):
        stay = "stays" if len(pins) == 1 else "stay"
        yield (
            f"end {end}: the file leaves out {_some(pins)}, which {stay} free; where the cable has a"
            " conductor all the same, list the pin as `NC`"
        )


def _between(net: Pins) -> bool:
    return len({pin.end for pin in net}) > 1


def _written(derived: Derived, pin: Pin) -> str:
    return printable(derived.written.get(pin, ""))


def _shown(derived: Derived, pin: Pin) -> str:
    written = _written(derived, pin)
    return f"{pin} `{written}`" if written else str(pin)


def _plain(derived: Derived, pin: Pin) -> str:
    written = _written(derived, pin)
    return f"{pin} {written}" if written else str(pin)


def _listed(derived: Derived, pins: Pins) -> str:
    return _some([_shown(derived, pin) for pin in pins])


def _pins(pins: Iterable[Pin]) -> str:
    return _some([str(pin) for pin in pins])


def _nets(nets: Iterable[Pins]) -> str:
    return _some(["–".join(map(str, net)) for net in nets])


def _names(names: Iterable[str]) -> str:
    return _some([f"`{printable(name)}`" for name in names])


def _one_ground(derived: Derived) -> str:
    """The option that makes one signal of the names of grounds."""
    names = ",".join(map(printable, derived.grounds))
    return f'--ground "{names}"' if " " in names else f"--ground {names}"


def _fitting(words: list[str], behind: str = "", before: str = "") -> str:
    """A list with what is said of it; of the list as much as one text of a profile has room for."""
    for most in range(_MOST, 0, -1):
        if len(text := f"{before}{_some(words, most)}{behind}") <= MOST_REMARK:
            return text
    return f"{text[: MOST_REMARK - 1].rstrip()}…"


def _some(words: list[str], most: int = _MOST) -> str:
    """ "a, b and c", or the first and how many more."""
    if len(words) > most > 1:
        return f"{', '.join(words[: most - 1])} and {len(words) - most + 1} more"
    return " and ".join((", ".join(words[:-1]), words[-1])) if len(words) > 1 else words[0]


def _count(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
