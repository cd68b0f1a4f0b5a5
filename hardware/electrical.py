"""Electrical rule checks of the circuit, and of what netlist, fixture and firmware say of it.

Standard library only; skidl_check.py asks skidl about the same circuit.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from string import ascii_letters
from typing import Any

from circuit import KINDS, Part

_DRIVES = ("output", "power out")
# Nets that a passive part feeds, where a rule asks for something that drives: net → why that is right.
FED_BY_PASSIVES = {"VIO": "through the shunt R8, from 3V3"}


def faults(parts: Iterable[Part]) -> list[str]:
    """What is electrically wrong, a sentence each; [] if nothing is.

    Every pin is in a net or marked; no net has one pin only, two things that drive it, or inputs and supplies
    that nothing feeds; a part's pins and the references are unique; expander pins are what their name says.
    """
    parts = list(parts)
    found = [f"{ref}: there are {n} of it" for ref, n in Counter(p.ref for p in parts).items() if n > 1]
    kinds: dict[str, list[tuple[str, str]]] = {}
    for part in parts:
        numbers = Counter(pin.number for pin in part.pins)
        found += [f"{part.ref}: {n} pins are number {number}" for number, n in numbers.items() if n > 1]
        for pin in part.pins:
            where = f"{part.ref} pin {pin.number} ({pin.name})"
            if pin.kind not in KINDS:
                found.append(f"{where}: no kind of pin is `{pin.kind}`")
            if (pin.kind == "no connect") != (pin.net == ""):
                found.append(f"{where}: neither in a net nor marked as unconnected, or both")
            if pin.net:
                kinds.setdefault(pin.net, []).append((where, pin.kind))
    for net, pins in sorted(kinds.items()):
        drivers = [where for where, kind in pins if kind in _DRIVES]
        shared = [where for where, kind in pins if kind == "three-state"]
        if len(pins) == 1:
            found.append(f"net {net}: only {pins[0][0]} is in it")
        if len(drivers) > 1 or (drivers and shared):
            found.append(f"net {net}: driven by {' and '.join([*drivers, *shared])}")
        has = {kind for _, kind in pins}
        fed = drivers or net in FED_BY_PASSIVES
        if "power in" in has and not fed:
            found.append(f"net {net}: nothing feeds {next(w for w, k in pins if k == 'power in')}")
        if "input" in has and not has & {*_DRIVES, "three-state", "bidirectional", "passive"}:
            found.append(f"net {net}: nothing drives {next(w for w, k in pins if k == 'input')}")
    return found


def disagreements(
    wires: Mapping[str, frozenset[tuple[str, str]]],
    fixture: Mapping[str, Any],
    firmware: Mapping[str, Any],
    found_at: Mapping[int, tuple[int, str]],
) -> list[str]:
    """Where netlist, fixture and firmware disagree on the full board, a sentence each; [] if nowhere.

    wires: net → (reference, pin), read from the netlist; fixture: the host's fixture as its TOML file has it;
    firmware: the constants of firmware/tester/board.py; found_at: point → (address of its expander, name
    of its pin), as the firmware's own code moves them. Follows the copper, not the nets' names: from
    the pin that the firmware uses, over one element of a network, to the socket pin that the fixture names.
    """
    net_of = {place: net for net, places in wires.items() for place in places}
    chips = {_address(ref, net_of): ref for ref, pin in net_of if ref[0] == "U" and pin == "9"}
    points: dict[str, int] = {}
    said = []
    for name, socket in fixture["sockets"].items():
        for k, point in enumerate(socket["points"], start=1):
            points[f"{name}.{k}"] = point
    for where, point in sorted(points.items(), key=lambda item: item[1]):
        said += _follow(point, where, wires, net_of, chips, found_at)
    said += _pico(firmware, wires, net_of)
    said += _rest(wires, net_of)
    said += _pairs(fixture, firmware, points, net_of)
    expected = {*points.values()}
    if expected != {*found_at} or sorted(expected) != list(range(len(expected))):
        said.append("fixture and firmware have different points")
    return said


def _follow(point, where, wires, net_of, chips, found_at) -> list[str]:
    """One point, from its expander to its socket."""
    about = f"point {point} ({where})"
    address, name = found_at.get(point, (-1, ""))
    if address not in chips:
        return [f"{about}: no expander has address {address}"]
    chip_pin = (chips[address], _NUMBER_OF[name])
    inner = net_of.get(chip_pin, "")
    elements = [place for place in wires.get(inner, ()) if place != chip_pin]
    if len(elements) != 1 or elements[0][0][:2] != "RN":
        return [f"{about}: {chip_pin[0]} {name} goes to {_list(elements)}, not to one element of a network"]
    network, pin = elements[0]
    other = (network, str(17 - int(pin)))
    outer = net_of.get(other, "")
    ends = {place for place in wires.get(outer, ()) if place != other}
    if ends != _socket_pins(where):
        return [
            f"{about}: {chip_pin[0]} {name} through {network} {pin}–{other[1]} comes to {_list(ends)}, "
            f"not to {_list(_socket_pins(where))}"
        ]
    return []


def _socket_pins(where: str) -> set[tuple[str, str]]:
    """The pins on the board that a socket position of the fixture is."""
    socket, pin = where.split(".")
    if socket == "PROBE":  # both poles of its terminal
        return {("J5", "1"), ("J5", "2")}
    if socket == "SPARE":
        return {("J6", pin)}
    if socket == "REF":
        return {(("R14", "R14", "R15", "R15")[int(pin) - 1], "1212"[int(pin) - 1])}
    return {(socket, pin)}


def _pico(firmware, wires, net_of) -> list[str]:
    """Every GPIO that the firmware uses, to what it is for."""
    said = []
    for name, (hop, ends) in ON_GPIO.items():
        pin = ("A1", _PICO_PIN[f"GP{firmware[name]}"])
        places = wires.get(net_of.get(pin, ""), frozenset()) - {pin}
        if hop:
            if places != {(hop, "1")}:
                said.append(f"{name}: GP{firmware[name]} goes to {_list(places)}, not to {hop}")
                continue
            places = wires.get(net_of.get((hop, "2"), ""), frozenset()) - {(hop, "2")}
        if places != frozenset(ends):
            said.append(f"{name}: GP{firmware[name]} comes to {_list(places)}, not to {_list(ends)}")
    return said


def _rest(wires, net_of) -> list[str]:
    """What is no point and on no GPIO of the firmware: supplies, lane, what protects, what is optional."""
    said = []
    for name, ends in _REST.items():
        there = wires.get(net_of.get(ends[0], ""), frozenset())
        missing, more = {*ends} - there, there - {*ends}
        said += [f"{name}: {_list(missing)} is not in it"] * bool(missing)
        said += [f"{name}: {_list(more)} is in it"] * bool(more)
    return said


def _pairs(fixture, firmware, points, net_of) -> list[str]:
    """The pairs that the board itself joins: the same for all, and each across its resistor."""
    at = {point: where for where, point in points.items()}
    pairs = [tuple(pair) for pair in fixture["fixture"]["references"]]
    said = []
    if pairs != [tuple(pair) for pair in firmware["REFERENCES"]]:
        said.append(f"references: the fixture has {pairs}, the firmware {firmware['REFERENCES']}")
    if len(pairs) != 2:
        said.append(f"references: the board joins two pairs, not {len(pairs)}")
    for pair, ref in zip(pairs, ("R14", "R15"), strict=False):
        ends = {place for point in pair for place in _socket_pins(at.get(point, "none.0"))}
        if ends != {(ref, "1"), (ref, "2")}:
            said.append(f"references: {pair} is not across {ref}")
    return said


def _address(ref: str, net_of: Mapping[tuple[str, str], str]) -> int:
    """What the strapping of A0 to A2 (pins 15 to 17) makes of an expander; -1 if they are not strapped."""
    levels = [{"GND": 0, "VIO": 1}.get(net_of.get((ref, str(15 + k)), ""), 8) for k in range(3)]
    return -1 if 8 in levels else sum(level << k for k, level in enumerate(levels))


def _list(places: Iterable[tuple[str, str]]) -> str:
    return " and ".join(f"{ref}.{pin}" for ref, pin in sorted(places)) or "nothing"


# DS20001952C, table 1-1, told a second time: this is what circuit.py is checked against.
_NUMBER_OF = {f"GPA{k}": str(21 + k) for k in range(8)} | {f"GPB{k}": str(1 + k) for k in range(8)}
# The Pico's data sheet, pinout: GPIO → pin, likewise.
_PICO_PIN = {
    **{"GP0": "1", "GP1": "2", "GP2": "4", "GP3": "5", "GP4": "6", "GP5": "7", "GP6": "9", "GP7": "10"},
    **{"GP8": "11", "GP9": "12", "GP10": "14", "GP11": "15", "GP12": "16", "GP13": "17", "GP14": "19"},
    **{"GP15": "20", "GP16": "21", "GP17": "22", "GP18": "24", "GP19": "25", "GP20": "26", "GP21": "27"},
    **{"GP22": "29", "GP26": "31", "GP27": "32", "GP28": "34"},
}
_EIGHT = [f"U{k}" for k in range(1, 9)]
# The firmware's name → the series resistor, and what is behind it or on the pin itself.
ON_GPIO = {
    "SPI_SCK": ("R1", [(chip, "12") for chip in _EIGHT]),
    "SPI_MOSI": ("R2", [(chip, "13") for chip in _EIGHT]),
    "SPI_MISO": ("R3", [(chip, "14") for chip in _EIGHT]),
    "SPI_CS": ("R4", [("R7", "2"), *((chip, "11") for chip in _EIGHT)]),
    "EXPANDER_RESET": ("R5", [("R6", "2"), *((chip, "18") for chip in _EIGHT)]),
    "I2C_SDA": ("", [("J3", "4"), ("J4", "4"), ("R12", "2")]),
    "I2C_SCL": ("", [("J3", "3"), ("J4", "3"), ("R13", "2")]),
    "LAMP_RED": ("R16", [("D3", "2")]),
    "LAMP_GREEN": ("R17", [("D4", "2")]),
}


def _places(text: str) -> list[tuple[str, str]]:
    """`R8.2 C1-8.1`: a reference, the last number of several of them, a pin."""
    found = []
    for word in text.split():
        ref, _, pin = word.partition(".")
        first, _, last = ref.partition("-")
        kind, low = first.rstrip("0123456789"), first.lstrip(ascii_letters)
        found += [(f"{kind}{k}", pin) for k in range(int(low), int(last or low) + 1)]
    return found


def _strapped(level: int) -> list[tuple[str, str]]:
    """The address pins of all expanders that are to be high (1) or low (0): U1 has address 0."""
    return [(f"U{k + 1}", str(15 + bit)) for k in range(8) for bit in range(3) if k >> bit & 1 == level]


# What belongs together besides, likewise a second time: the expanders' supply pins (9, 10) from DS20001952C,
# those of the Pico, transistor and diodes from their data sheets, the modules' from what is printed on them.
_REST = {
    "GND": [
        *_places("A1.3 A1.8 A1.13 A1.18 A1.23 A1.28 A1.33 A1.38 U1-8.10 C1-10.2 D1.2 D3-4.1 Q1.1"),
        *_places("J3.2 J3.5 J4.1 J7.1 SW1.2"),
        *_strapped(0),
    ],
    "3V3": _places("A1.36 R6.1 R7.1 R8.1 R9.1 R12.1 R13.1 C9.1 C10.1 D1.1 D2.1 J3.1 J4.2 J7.2"),
    "VIO": [*_places("R8.2 D2.2 U1-8.9 C1-8.1 R10.1 R11.1 J7.3"), *_strapped(1)],
    "the lane's input for 3V3": _places("R9.2 C11.1 J3.7"),
    "the lane's input for VIO": _places("R10.2 C11.2 J3.8"),
    "the converter's look at VIO": _places("R11.2 J3.9"),
    "the button": _places("A1.19 SW1.1"),
    "the buzzer's line": _places("A1.20 R18.1"),
    "the buzzer's base": _places("R18.2 Q1.2"),
    "the buzzer's collector": _places("Q1.3 BZ1.2 D5.2"),
    "the buzzer's supply": _places("A1.39 BZ1.1 D5.1"),
}
