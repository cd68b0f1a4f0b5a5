"""A profile written down for the first time: TOML with comments, for a person to go on with.

Everything is tried before it is written: `Profile.from_dict` has to read the same nets from the tables.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from textwrap import wrap

from pinwright.cable.obeying import Obeyed
from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import End, Joined, Profile
from pinwright.cable.wiring import Pins, code_point
from pinwright.errors import ProfileError

_WIDTH = 100  # of a comment
_ASIDE = 32  # column of a comment beside a key

_JOINED_TEXT = {
    Joined.REQUIRED: "all its pins are one net",
    Joined.OPTIONAL: "each conductor is a net of its own; whether the cable links them does not matter",
    Joined.NEVER: "each conductor is a net of its own; a link between them is a short",
}


@dataclass(frozen=True, slots=True)
class Draft:
    """A profile to be written.

    nets: all. obeyed: if its rule is to be written, where a rule, wires beside it and required signals say
    exactly these nets; else wires are. common: signal → joined. remarks: sentences for the head. notes: what
    stands beside a pin (`A.15`) or a key (`cable.wire`, `ends.A`, `wiring`, `common.GND`) as a comment.
    serial, length_mm, wire, to_confirm: left out where empty or None.
    """

    id: str
    title: str
    revision: str
    ends: tuple[End, ...]
    nets: tuple[Pins, ...]
    obeyed: Obeyed | None
    common: Mapping[str, Joined]
    remarks: tuple[str, ...]
    notes: Mapping[str, str]
    serial: str = ""
    length_mm: float | None = None
    wire: str | None = None
    to_confirm: tuple[str, ...] = ()


def profile_text(draft: Draft) -> str:
    """The TOML file, commented. `Profile.from_dict` of it has exactly the draft's nets.

    Raises ProfileError where no profile can be like that: a title that does not print, a required signal
    on pins of two nets.
    """
    nets = _sorted(draft.nets)
    for wiring in _wirings(draft, nets):
        try:
            read = Profile.from_dict(_tables(draft, wiring))
        except ProfileError as error:
            wrong = error
            continue
        if nets == tuple(net.pins for net in read.nets):
            return _text(draft, wiring)
        wrong = ProfileError("wiring", "the signals that are one net join more than the nets say")
    raise wrong


def _sorted(nets: Iterable[Pins]) -> tuple[Pins, ...]:
    return tuple(sorted((tuple(sorted(net, key=in_order)) for net in nets), key=lambda net: in_order(net[0])))


def _wirings(draft: Draft, nets: tuple[Pins, ...]) -> Iterator[dict[str, object]]:
    """The [wiring] tables that may say these nets, best first: a rule that the names check, a rule, wires."""
    if draft.obeyed and draft.obeyed.plain:
        placed = {pin for net in draft.obeyed.laid for pin in net}
        rule = _rule(draft.obeyed, tuple(end.name for end in draft.ends))
        beside = [list(map(str, net)) for net in nets if placed.isdisjoint(net)]
        wires: dict[str, object] = {"wires": beside} if beside else {}
        if any(end.signals for end in draft.ends):
            yield rule | wires | {"by_signal": True}
        yield rule | wires
    required = [name for name, joined in draft.common.items() if joined is Joined.REQUIRED]
    carriers = {
        tuple(pin for end in draft.ends for pin in end.pins() if end.signals.get(pin.name) == name)
        for name in required
    }
    said = _sorted(filter(None, carriers))
    if apart := [list(map(str, net)) for net in nets if net not in said]:
        yield {"wires": apart}
    elif nets:
        yield {"by_signal": True}
    yield {"wires": [list(map(str, net)) for net in nets]}


def _rule(obeyed: Obeyed, ends: tuple[str, ...]) -> dict[str, object]:
    table: dict[str, object] = {"rule": obeyed.rule}
    for key, value in obeyed.parameters.items():
        table[key] = value if isinstance(value, str) else _by_end(value)
    *ribbons, plug = obeyed.order
    if {*ends} != {*obeyed.order} or plug != "B" or ribbons != ["A", "C"][: len(ribbons)]:
        table["from"] = ribbons if len(ribbons) > 1 else ribbons[0]
        table["to"] = plug
    return table


def _by_end(pins: Pins) -> dict[str, list[str]]:
    table: dict[str, list[str]] = {}
    for pin in pins:
        table.setdefault(pin.end, []).append(pin.name)
    return table


def _tables(draft: Draft, wiring: Mapping[str, object]) -> dict[str, object]:
    """The tables of the file, as TOML would give them."""
    ends = {}
    for end in draft.ends:
        ends[end.name] = {"connector": end.connector.name, "label": end.label, "signals": {**end.signals}}
        if end.termination:
            ends[end.name]["termination"] = end.termination
    common = {name: {"joined": str(joined)} for name, joined in draft.common.items()}
    return {"cable": _cable(draft), "ends": ends, "wiring": {**wiring}, "common": common}


def _cable(draft: Draft) -> dict[str, object]:
    table: dict[str, object] = {"id": draft.id, "title": draft.title, "revision": draft.revision}
    if draft.length_mm is not None:
        whole = float(draft.length_mm).is_integer()
        table["length_mm"] = int(draft.length_mm) if whole else draft.length_mm
    if draft.wire is not None:
        table["wire"] = draft.wire
    if draft.serial:
        table["serial"] = draft.serial
    if draft.to_confirm:
        table["to_confirm"] = list(draft.to_confirm)
    return table


def _text(draft: Draft, wiring: Mapping[str, object]) -> str:
    written = _Written(draft.notes)
    for remark in draft.remarks:
        written.comment(remark)
    written.table("cable")
    for key, value in _cable(draft).items():
        if key == "to_confirm":
            written.list(key, draft.to_confirm)
        else:
            written.key(key, value, f"cable.{key}")
    for key in ("length_mm", "wire"):  # what could be said as well
        if key not in _cable(draft) and f"cable.{key}" in draft.notes:
            written.comment(f"{key}: {draft.notes[f'cable.{key}']}")
    written.table("wiring")
    if "wiring" in draft.notes:
        written.comment(draft.notes["wiring"])
    named = {pin for end in draft.ends for pin in end.pins() if pin.name in end.signals}
    for key, value in wiring.items():
        if key == "wires":
            written.wires(value, named)
        elif key == "by_signal":
            written.key(key, value, "", "rule and names check each other")
        else:
            written.key(key, value, f"wiring.{key}")
    for name, joined in draft.common.items():
        written.table("common", name)
        written.key("joined", str(joined), f"common.{name}", _JOINED_TEXT[joined])
    for end in draft.ends:
        written.table("ends", end.name)
        written.key("connector", end.connector.name, f"ends.{end.name}")
        if end.label:
            written.key("label", end.label, "")
        if end.termination:
            written.key("termination", end.termination, "")
        unwritten = [pin for pin in end.pins() if pin not in named and str(pin) in draft.notes]
        if end.signals:
            written.table("ends", end.name, "signals")
        for pin in end.pins():
            if pin in named:
                written.key(pin.name, end.signals[pin.name], str(pin))
            elif pin in unwritten and pin not in written.told:
                written.comment(f"{pin}: {draft.notes[str(pin)]}")
    return "\n".join(written.lines).strip("\n") + "\n"


class _Written:
    """Lines of the file. told: pins whose note stands beside a wire."""

    def __init__(self, notes: Mapping[str, str]) -> None:
        self.notes = notes
        self.lines: list[str] = []
        self.told: set[Pin] = set()

    def comment(self, text: str) -> None:
        self.lines += [f"# {line}" for line in wrap(_one_line(text), _WIDTH - 2, break_on_hyphens=False)]

    def table(self, *names: str) -> None:
        self.lines += ["", f"[{'.'.join(map(_key, names))}]"]

    def key(self, key: str, value: object, noted: str, usual: str = "") -> None:
        line = f"{_key(key)} = {_value(value)}"
        self.lines.append(_aside(line, self.notes.get(noted, usual)))

    def list(self, key: str, values: Iterable[str]) -> None:
        """One value a line."""
        self.lines += [f"{_key(key)} = [", *(f"    {_string(value)}," for value in values), "]"]

    def wires(self, value: object, named: set[Pin]) -> None:
        """One net a line, beside it the notes of pins that have no line of their own."""
        assert isinstance(value, list)
        self.lines.append("wires = [")
        for net in value:
            pins = [Pin(*name.rsplit(".", 1)) for name in net]
            noted = [pin for pin in pins if pin not in named and str(pin) in self.notes]
            self.told.update(noted)
            note = "; ".join(f"{pin}: {self.notes[str(pin)]}" for pin in noted)
            self.lines.append(_aside(f"    {_value(net)},", note))
        self.lines.append("]")


def _aside(line: str, note: str) -> str:
    return f"{line:<{_ASIDE}} # {_one_line(note)}" if note else line


def _one_line(text: str) -> str:
    """A comment ends with its line, and what does not print may not stand in one."""
    blank = " ".join(text.split())
    return "".join(char if char.isprintable() else f"<{code_point(char)}>" for char in blank)


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _string(name)


def _value(value: object) -> str:
    match value:
        case bool():
            return str(value).lower()
        case int() | float():
            return repr(value)
        case str():
            return _string(value)
        case Mapping():
            inner = [f"{_key(str(key))} = {_value(entry)}" for key, entry in value.items()]
            return "{" + ", ".join(inner) + "}"
        case Sequence():
            return "[" + ", ".join(map(_value, value)) + "]"
    raise TypeError(f"no value of a profile: {value!r}")


def _string(text: str) -> str:
    """A basic string of TOML 1.0."""
    signs = []
    for char in text:
        if char in '"\\':
            signs.append(f"\\{char}")
        elif char.isprintable():
            signs.append(char)
        else:
            signs.append(f"\\U{ord(char):08X}")
    return '"' + "".join(signs) + '"'
