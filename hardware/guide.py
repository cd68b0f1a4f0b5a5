"""The tables of the build guide, README.md: what goes in at each step, and what a meter reads afterwards.

Both are worked out from the circuit: `reads` solves the resistors that are in by then. A place is written
`U1.12`, pin 12 of U1, whether the part or its socket is in or only its holes are there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from circuit import POPULATIONS, Part, circuit, fitted
from netlist import ranges
from stripboard import filled

NOTHING = "nothing"
NO_BEEP = "no beep, either way round"
CHIPS = tuple(f"U{k}" for k in range(1, 9))


@dataclass(frozen=True, slots=True)
class Look:
    """One row of a table of measurements. pairs: places that all read the same.

    wrong: where to look if not. told: what the two cells say in place of the places, where there are many.
    beeps: where a diode is between them too, so that only this can be told of them.
    """

    pairs: tuple[tuple[str, str], ...]
    wrong: str
    told: tuple[str, ...] = ()
    beeps: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """A step of the assembly: its name in the comments of README.md, its parts in the order of the table, and
    what is measured after it."""

    name: str
    refs: tuple[str, ...]
    looks: tuple[Look, ...]


def _runs(*words: str) -> tuple[str, ...]:
    """`R1-7` → R1 to R7."""
    found: list[str] = []
    for word in words:
        first, _, last = word.partition("-")
        kind = first.rstrip("0123456789")
        low = int(first[len(kind) :])
        found += [f"{kind}{k}" for k in range(low, int(last or low) + 1)]
    return tuple(found)


def _each(chip_pin: int, to: str, wrong: str) -> Look:
    """The same pin of every chip."""
    told = (f"pin {chip_pin} of each of U1 to U8", _shown(to))
    return Look(tuple((f"{chip}.{chip_pin}", to) for chip in CHIPS), wrong, told)


def _one(place: str, to: str, wrong: str) -> Look:
    return Look(((place, to),), wrong)


GND, SUPPLY, VIO = "J7.1", "J7.2", "J7.3"
_SHORT = "a splash of solder, a part in the wrong holes"


def _no_short(beeps: str = "") -> tuple[Look, ...]:
    return tuple(Look(((GND, to),), _SHORT, beeps=beeps) for to in (SUPPLY, VIO))


def _bus(joints: bool = False) -> tuple[Look, ...]:
    """From the Pico to all chips. joints: whether sockets are in, whose joints may be wrong too."""
    lines = ((12, 24, "R1"), (13, 25, "R2"), (14, 21, "R3"), (11, 22, "R4"), (18, 26, "R5"))
    return tuple(
        _each(pin, f"A1.{pico}", f"the joints of pin {pin}, of A1.{pico}; {ref}" if joints else ref)
        for pin, pico, ref in lines
    )


def _apart(pins: Sequence[int], called: str, beeps: str = "") -> tuple[Look, ...]:
    """Each of these pins of every chip, and the next one."""
    pairs = tuple((f"{chip}.{k}", f"{chip}.{k + 1}") for chip in CHIPS for k in pins)
    return (Look(pairs, "solder between them", (f"{called} of each of U1 to U8", "each other"), beeps),)


def _five_volts(wrong: str) -> tuple[Look, ...]:
    """What comes from USB, and the pins of the Pico beside GND or a supply that are in no net."""
    return tuple(_one(f"A1.{k}", GND, wrong) for k in (39, 40, 37, 30))


def steps(parts: Sequence[Part]) -> tuple[Step, ...]:
    """All steps in order."""
    on = {pin.net: f"{part.ref}.{pin.number}" for part in parts for pin in part.pins if part.ref[:2] == "RN"}
    chip = {pin.net: f"{part.ref}.{pin.number}" for part in parts for pin in part.pins if part.ref in CHIPS}
    sockets = {
        f"{part.ref}.{pin.number}": pin.net
        for part in parts
        for pin in part.pins
        if part.ref in ("J1", "S1", "J2")
    }
    neighbours = tuple(
        (place, f"{place.partition('.')[0]}.{int(place.partition('.')[2]) + step}")
        for step in (1, 2)
        for place in sockets
        if f"{place.partition('.')[0]}.{int(place.partition('.')[2]) + step}" in sockets
    )
    every = ("each pin of J1, S1 and J2", "the pins beside it")
    return (
        Step(
            "resistors",
            _runs("R1-13", "R14", "R15", "R16-18"),
            (
                Look(((SUPPLY, VIO),), "R8", ("J7 3V3", "J7 VIO")),
                *_no_short(),
                *_bus(),
                _one("U1.18", SUPPLY, "R6"),
                _one("U1.11", SUPPLY, "R7"),
                _one("J3.7", SUPPLY, "R9"),
                _one("J3.8", VIO, "R10"),
                _one("J3.9", VIO, "R11"),
                _one("J3.4", SUPPLY, "R12"),
                _one("J3.3", SUPPLY, "R13"),
                _one(on["P121"], on["P122"], "R14"),
                _one(on["P123"], on["P124"], "R15"),
                _one("A1.16", "D3.2", "R16"),
                _one("A1.17", "D4.2", "R17"),
                _one("A1.20", "Q1.2", "R18"),
            ),
        ),
        Step("diodes", _runs("D1", "D2", "D5"), ()),
        Step(
            "networks",
            _runs("RN1-16"),
            (
                Look(
                    tuple((place, chip["X" + net[1:]]) for place, net in sockets.items()),
                    "the joint of that network's pin; another value: another network",
                    ("each pin of J1, S1 and J2", "its expander's pin, by [WIRING.md](WIRING.md)"),
                ),
                Look(neighbours, "a bussed network, or solder between pins", every),
                _one(chip["X121"], chip["X122"], "RN16, R14"),
                _one(chip["X123"], chip["X124"], "RN16, R15"),
            ),
        ),
        Step(
            "low",
            _runs("C1-8", "C10", "C11"),
            (
                *_no_short(NO_BEEP),
                _each(9, VIO, "the joint of pin 9"),
                _each(10, GND, "the joint of pin 10"),
                _one("A1.36", SUPPLY, "the joint of pin 36"),
                Look(
                    tuple((f"A1.{k}", GND) for k in (3, 8, 13, 18, 23, 28, 33, 38)),
                    "the joint of that pin",
                    ("pins 3, 8, 13, 18, 23, 28, 33 and 38 of A1", "J7 GND"),
                ),
                _one("J3.1", SUPPLY, "the joints of J3"),
                _one("J3.2", GND, "the joints of J3"),
                _one("J3.5", GND, "the joints of J3"),
                _one("J4.2", SUPPLY, "the joints of J4"),
                _one("J4.1", GND, "the joints of J4"),
                _one("A1.6", "J3.4", "the joints of pin 6, of J3"),
                _one("A1.7", "J3.3", "the joints of pin 7, of J3"),
                _one("A1.6", "J4.4", "the joints of J4"),
                _one("A1.7", "J4.3", "the joints of J4"),
                _one("J3.7", "J3.8", "the joints of J3; R9, R10"),
                _one("J3.9", VIO, "the joints of J3; R11"),
                _one("A1.16", "D3.2", "the joints of pin 16; R16"),
                _one("A1.17", "D4.2", "the joints of pin 17; R17"),
                _one("A1.20", "Q1.2", "the joints of pin 20; R18"),
                *_bus(joints=True),
                *_apart((8, 11, 12, 13, 14), "pins 8–9, 11–12, 12–13, 13–14 and 14–15"),
                *_apart((10, 17), "pins 10–11 and 17–18", NO_BEEP),
                *_five_volts("solder to a pin beside it; A1.38 is GND"),
            ),
        ),
        Step(
            "tall",
            (*_runs("J1", "J2", "S1"), *_runs("J5-7", "D3", "D4", "C9", "SW1", "Q1", "BZ1", "H1-4")),
            (
                *(
                    _one(place, chip["X" + sockets[place][1:]], "the joints of that pin, of its network")
                    for place in (
                        *("J1.1", "J1.2", "J1.39", "J1.40", "S1.1", "S1.20", "S1.21", "S1.40"),
                        *("J2.1", "J2.2", "J2.39", "J2.40"),
                    )
                ),
                _one("J5.1", chip["X120"], "the joints of J5"),
                Look(
                    (("A1.19", GND),),
                    "the joints of SW1, of pin 19",
                    beeps="a beep only while SW1 is pressed",
                ),
                Look(neighbours, "solder between pins", every),
                Look(
                    tuple((place, GND) for place in sockets),
                    "solder between a pin and the ground around it",
                    ("each pin of J1, S1 and J2", "J7 GND"),
                ),
                Look(
                    tuple((place, VIO) for place in sockets),
                    "solder between a pin and a supply's track",
                    ("each pin of J1, S1 and J2", "J7 VIO"),
                ),
                *(
                    Look(((f"A1.{k}", GND),), "solder to A1.38, GND, or at BZ1, D5, Q1", beeps=NO_BEEP)
                    for k in (39, 40)
                ),
                *_no_short(NO_BEEP),
            ),
        ),
        Step("last", _runs("U1-8", "J3", "A1", "J4"), ()),
    )


class Ohms:
    """What a meter finds between nets, with the resistors among these parts; all else counts as open."""

    def __init__(self, parts: Iterable[Part]) -> None:
        edges = [edge for part in parts for edge in resistors(part)]
        self._same: dict[str, str] = {}  # net → one that it is joined to by 0 Ω
        for ohms, left, right in edges:
            if ohms == 0 and self._root(left) != self._root(right):
                self._same[self._root(left)] = self._root(right)
        self._around: dict[str, dict[str, float]] = {}  # net → its neighbours, and siemens
        for ohms, left, right in edges:
            ends = self._root(left), self._root(right)
            if ohms and ends[0] != ends[1]:
                for here, there in (ends, ends[::-1]):
                    beside = self._around.setdefault(here, {})
                    beside[there] = beside.get(there, 0.0) + 1 / ohms

    def _root(self, net: str) -> str:
        while net in self._same:
            net = self._same[net]
        return net

    def between(self, one: str, other: str) -> float | None:
        """Ohms between two nets; None: nothing conducts."""
        start, end = self._root(one), self._root(other)
        if start == end:
            return 0.0
        seen, todo = {start}, [start]
        while todo:
            for net in self._around.get(todo.pop(), {}).keys() - seen:
                seen.add(net)
                todo.append(net)
        return self._solved(sorted(seen - {end}), start) if end in seen else None

    def _solved(self, unknown: Sequence[str], start: str) -> float:
        """Volts at `start` when 1 A goes in there and out at the one net that is not unknown, at 0 V."""
        rows = []
        for net in unknown:
            row = [-self._around[net].get(other, 0.0) for other in unknown]
            row[unknown.index(net)] = sum(self._around[net].values())
            rows.append([*row, 1.0 if net == start else 0.0])
        for k, row in enumerate(rows):  # the matrix is positive definite: no pivot is 0
            for lower in rows[k + 1 :]:
                times = lower[k] / row[k]
                lower[k:] = [a - times * b for a, b in zip(lower[k:], row[k:], strict=True)]
        volts: list[float] = []
        for k in reversed(range(len(rows))):
            known = sum(a * b for a, b in zip(rows[k][k + 1 : -1], volts, strict=True))
            volts.insert(0, (rows[k][-1] - known) / rows[k][k])
        return volts[unknown.index(start)]


def ohms_of(value: str) -> float:
    """`4.7 kΩ`, `10.0 Ω 0.1 %`, `8 × 680 Ω` → ohms."""
    words = value.split("× ")[-1].split()
    return float(words[0]) * {"Ω": 1, "kΩ": 1e3}[words[1]]


def resistors(part: Part) -> Iterator[tuple[float, str, str]]:
    """Ohms and the nets of its ends, of each resistor in a part."""
    if part.ref[0] != "R":
        return
    nets = {pin.number: pin.net for pin in part.pins}
    last = len(nets) + 1
    for k in range(1, last // 2 + 1):
        yield ohms_of(part.value), nets[str(k)], nets[str(last - k)]


def told(ohms: float | None) -> str:
    """`4.7 kΩ`, or that there is nothing."""
    if ohms is None:
        return NOTHING
    return f"{ohms / 1e3:.4g} kΩ" if ohms >= 999.9 else f"{ohms:.4g} Ω"


def parts_table(step: Step, parts: Sequence[Part]) -> list[str]:
    """What goes in: parts that are alike in one row, and what the small population has of them."""
    by_ref = {part.ref: part for part in parts}
    alike: dict[tuple[str, str, str], list[Part]] = {}
    for ref in step.refs:
        part = by_ref[ref]
        alike.setdefault((part.value, part.package, part.note), []).append(part)
    lines = ["| part | value | package | small | note |", "| --- | --- | --- | --- | --- |"]
    for (value, package, note), group in alike.items():
        lines.append(
            f"| {ranges(part.ref for part in group)} | {value} | {package} | {_small(group)} | {note} |"
        )
    return lines


def _small(group: Sequence[Part]) -> str:
    there = [part.ref for part in group if part.population in POPULATIONS["small"]]
    if len(there) == len(group):
        return "yes"
    return f"only {ranges(there)}" if there else "no"


def looks_table(step: Step, parts: Sequence[Part]) -> list[str]:
    """What a meter reads with all that is in by the end of a step; in brackets what a small board reads."""
    lines = ["| from | to | should read | if not |", "| --- | --- | --- | --- |"]
    places = [(f"{part.ref}.{pin.number}", pin.net) for part in parts for pin in part.pins]
    net_of = {place: net or place for place, net in places}  # a pin in no net is one by itself
    full, small = (Ohms(_in_by(step, parts, population)) for population in ("full", "small"))
    for look in step.looks:
        one, other = look.told or map(_shown, look.pairs[0])
        nets = [(net_of[here], net_of[there]) for here, there in look.pairs]
        of_both = [[told(ohms.between(*pair)) for pair in nets] for ohms in (full, small)]
        lines.append(f"| {one} | {other} | {look.beeps or _reading(look, *of_both)} | {look.wrong} |")
    return lines


def _shown(place: str) -> str:
    return {GND: "J7 GND", SUPPLY: "J7 3V3", VIO: "J7 VIO"}.get(place, f"`{place}`")


def _in_by(step: Step, parts: Sequence[Part], population: str) -> list[Part]:
    """The parts that a population has by the end of a step."""
    refs: set[str] = set()
    for one in steps(parts):
        refs.update(one.refs)
        if one == step:
            break
    return [part for part in fitted(parts, population) if part.ref in refs]


def _reading(look: Look, full: Sequence[str], small: Sequence[str]) -> str:
    """What all pairs of a look read on the full board, and what those read that differ on the small one."""
    value = full[0]
    differ = [(pair, other) for pair, other in zip(look.pairs, small, strict=True) if other != value]
    if len(set(full)) > 1 or len({other for _, other in differ}) > 1:
        raise ValueError(f"{look.told or look.pairs[0]}: not one reading, but {set(full)}, {set(small)}")
    if not differ:
        return value
    where = dict.fromkeys(pair[0].partition(".")[0] for pair, _ in differ)
    at = f" at {', '.join(where)}" if value in small else ""
    return f"{value} (small{at}: {differ[0][1]})"


def addresses(parts: Sequence[Part]) -> list[str]:
    """The address pins of every chip, and what each is joined to."""
    lines = ["| chip | pin 15 | pin 16 | pin 17 |", "| --- | --- | --- | --- |"]
    for part in parts:
        if part.ref in CHIPS:
            nets = {pin.number: pin.net for pin in part.pins}
            lines.append(f"| {part.ref} | {nets['15']} | {nets['16']} | {nets['17']} |")
    return lines


def made(folder: Path) -> dict[Path, str]:
    """README.md with its tables filled in, of the board whose source is in a folder."""
    parts = circuit(folder)
    text = (folder / "README.md").read_text("utf-8")
    for step in steps(parts):
        text = filled(text, f"{step.name}, parts", parts_table(step, parts))
        if step.looks:
            text = filled(text, f"{step.name}, meter", looks_table(step, parts))
    return {folder / "README.md": filled(text, "addresses", addresses(parts))}
