"""Two profiles beside each other: what `profiles diff` and `derive --against` print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pinwright.cable.difference import Both, Difference, Moved
from pinwright.cable.profile import Net, Profile
from pinwright.cable.wiring import Pins
from pinwright.terminal import show_table, show_text

_NOTHING = "–"
_KEYS = {"length_mm": "length, mm", "serial": "serials"}


def names_of(one: Profile, other: Profile, files: Sequence[str]) -> tuple[str, str]:
    """How to tell them apart: by id, else by revision, else by the words that asked for them."""
    if one.id != other.id:
        return one.id, other.id
    if one.revision != other.revision:
        named = [f"{each.id} {each.revision or 'without revision'}" for each in (one, other)]
        return named[0], named[1]
    return (files[0], files[1]) if files[0] != files[1] else ("the one", "the other")


def show_difference(difference: Difference, names: tuple[str, str]) -> None:
    """Everything that differs, in tables, the wiring first."""
    show_text(_summary(difference, names))
    tables: list[tuple[str, list[tuple[str, ...]]]] = [
        ("connector of end", _rows(difference.ends)),
        ("pin", [_moved_row(moved) for moved in difference.moved]),
        ("common", _rows(difference.common)),
        ("limits of", [(key or "every signal", *both) for key, *both in _rows(difference.limits)]),
        ("cable", [(_KEYS.get(key, key), *both) for key, *both in _rows(difference.cable)]),
        ("label of end", _rows(difference.labels)),
        ("signal at", _rows({str(pin): both for pin, both in difference.signals.items()})),
    ]
    for heading, rows in tables:
        if rows:
            show_text("")
            show_table((heading, *names), rows)


def _summary(difference: Difference, names: tuple[str, str]) -> str:
    one, other = names
    if difference.same:
        return f"`{one}` and `{other}` are the same, in nets and in words"
    if difference.same_wiring:
        return f"`{one}` and `{other}` have the same nets and differ in words"
    here, there = len(difference.only_one), len(difference.only_other)
    if not here and not there:
        return f"`{one}` and `{other}` have the same nets; their ends or common signals differ"
    return f"only in `{one}`: {_nets(here)}; only in `{other}`: {_nets(there)}"


def _nets(count: int) -> str:
    return f"{count} net{'' if count == 1 else 's'}" if count else "none"


def _rows(both: Mapping[str, Both]) -> list[tuple[str, ...]]:
    return [(key, one or _NOTHING, other or _NOTHING) for key, (one, other) in both.items()]


def _moved_row(moved: Moved) -> tuple[str, ...]:
    one, other = moved.one, moved.other
    return str(moved.pin), _at(moved, one, moved.there[0]), _at(moved, other, moved.there[1])


def _at(moved: Moved, net: Net | None, there: bool) -> str:
    """What a profile says of the pin: "carries DATA3 to B.7", "unused", "no such pin"."""
    if net is None:
        return "unused" if there else "no such pin"
    others = " ".join(str(pin) for pin in net.pins if pin != moved.pin)
    return f"carries {net.signal} to {others}" if net.signal else f"to {others}"


def difference_document(difference: Difference) -> dict[str, object]:
    """The same for other programs."""
    return {
        "same": difference.same,
        "same_wiring": difference.same_wiring,
        "ends": _pairs(difference.ends),
        "only_one": [_net(net) for net in difference.only_one],
        "only_other": [_net(net) for net in difference.only_other],
        "moved": [
            {
                "pin": str(moved.pin),
                "one": moved.one and _net(moved.one),
                "other": moved.other and _net(moved.other),
            }
            for moved in difference.moved
        ],
        "common": _pairs(difference.common),
        "limits": _pairs(difference.limits),
        "cable": _pairs(difference.cable),
        "labels": _pairs(difference.labels),
        "signals": _pairs({str(pin): both for pin, both in difference.signals.items()}),
    }


def _net(net: Net) -> dict[str, object]:
    return {"signal": net.signal, "pins": _names(net.pins)}


def _names(pins: Pins) -> list[str]:
    return [str(pin) for pin in pins]


def _pairs(both: Mapping[str, Both]) -> dict[str, dict[str, str | None]]:
    return {key: {"one": one or None, "other": other or None} for key, (one, other) in both.items()}
