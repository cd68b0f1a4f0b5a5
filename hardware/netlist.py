"""The circuit's netlist in KiCad's form, its parts list, and the netlist read back. Standard library only."""

from __future__ import annotations

import csv
import io
import re
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path

import sexpr
from circuit import POPULATIONS, Part, Pin, circuit, extras, nets, read_source
from sexpr import quoted

# What KiCad calls the kinds of pins.
_KICAD = {
    "input": "input",
    "output": "output",
    "three-state": "tri_state",
    "bidirectional": "bidirectional",
    "passive": "passive",
    "power in": "power_in",
    "power out": "power_out",
    "no connect": "no_connect",
}
BOM_HEAD = ("reference", "value", "package", "part number", "quantity", "small", "note")


def made(folder: Path) -> dict[Path, str]:
    """Path → text of the netlist and the parts list of the board whose source is in a folder."""
    parts = circuit(folder)
    board, _ = read_source(folder)
    return {
        folder / f"{board['board']['id']}.net": netlist(parts),
        folder / "bom.csv": parts_list(parts),
    }


def netlist(parts: Iterable[Part]) -> str:
    """The netlist that KiCad exports (version E) and its layout program reads.

    Unconnected pins are nets of one pin, named as KiCad names them.
    """
    parts = list(parts)
    lines = [
        '(export (version "E")',
        '  (design (source "board.toml, channels.csv") (tool "generate.py"))',
        "  (components",
    ]
    for part in parts:
        fields = {"Package": part.package, "Part number": part.number, "Population": part.population}
        lines += [
            f"    (comp (ref {quoted(part.ref)})",
            f"      (value {quoted(part.value)})",
            f"      (footprint {quoted(part.footprint)})",
            "      (fields",
            *(f"        (field (name {quoted(k)}) {quoted(v)})" for k, v in fields.items() if v),
        ]
        lines[-1] += "))"
    lines[-1] += ")"
    lines += ["  (nets"]
    pins = {(part.ref, pin.number): pin for part in parts for pin in part.pins}
    named = nets(parts)
    for place, pin in pins.items():
        if not pin.net:
            named[f"unconnected-({place[0]}-Pad{place[1]})"] = [place]
    for code, name in enumerate(sorted(named, key=_by_number), start=1):
        lines += [f"    (net (code {quoted(str(code))}) (name {quoted(name)})"]
        lines += [f"      {_node(place, pins[place])}" for place in sorted(named[name], key=_by_place)]
        lines[-1] += ")"
    lines[-1] += "))"
    return "\n".join(lines) + "\n"


def read_nets(text: str) -> dict[str, frozenset[tuple[str, str]]]:
    """Net → its (reference, pin number), of a netlist in KiCad's form. Raises ValueError."""
    found = {}
    for net in sexpr.all_of(sexpr.one_of(sexpr.read(text), "nets"), "net"):
        nodes = [(sexpr.value(node, "ref"), sexpr.value(node, "pin")) for node in sexpr.all_of(net, "node")]
        found[sexpr.value(net, "name")] = frozenset(nodes)
    return found


def parts_list(parts: Iterable[Part]) -> str:
    """bom.csv: one row for all parts that are bought alike, then what has no place on the board.

    quantity: what the full population takes; small: what the small one does. Optional parts count.
    """
    alike: dict[tuple[str, str, str, str], list[Part]] = defaultdict(list)
    for part in parts:
        if part.block != "board":
            alike[part.value, part.package, part.number, part.note].append(part)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(BOM_HEAD)
    for (value, package, number, note), group in alike.items():
        refs = ranges([part.ref for part in group])
        counts = (_count(group, name) for name in ("full", "small"))
        writer.writerow((refs, value, package, number, *counts, note))
    for extra in extras():
        writer.writerow(("", extra.value, extra.package, extra.number, extra.full, extra.small, extra.note))
    return text.getvalue()


def ranges(refs: Iterable[str]) -> str:
    """`U1–U5 U8`: references in order, runs of three or more as the first and the last."""
    found: list[list[tuple[str, int]]] = []
    for ref in sorted(refs, key=_by_number):
        kind, number = ref.rstrip("0123456789"), int(ref[len(ref.rstrip("0123456789")) :])
        if found and found[-1][-1] == (kind, number - 1):
            found[-1].append((kind, number))
        else:
            found.append([(kind, number)])
    words = []
    for run in found:
        names = [f"{kind}{number}" for kind, number in run]
        words += [f"{names[0]}–{names[-1]}"] if len(names) > 2 else names
    return " ".join(words)


def _count(parts: list[Part], population: str) -> int:
    return sum(part.population in POPULATIONS[population] for part in parts)


def _node(place: tuple[str, str], pin: Pin) -> str:
    ref, number = place
    name = "" if pin.name == number else f" (pinfunction {quoted(pin.name)})"
    return f"(node (ref {quoted(ref)}) (pin {quoted(number)}){name} (pintype {quoted(_KICAD[pin.kind])}))"


def _by_number(name: str) -> tuple[str, int, str]:
    head, digits = re.match(r"(\D*)(\d*)", name).groups()
    return head, int(digits or -1), name


def _by_place(place: tuple[str, str]) -> tuple[tuple[str, int, str], int]:
    return _by_number(place[0]), int(place[1])
