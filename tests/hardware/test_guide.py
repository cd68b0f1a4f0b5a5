"""The build guide leaves out no part, names only what is there, and states no figure without a source."""

from __future__ import annotations

import argparse
import ast
import contextlib
import dataclasses
import io
import json
import math
import re
import shlex
import tomllib
from collections import Counter
from collections.abc import Iterator
from functools import cache
from itertools import product
from pathlib import Path

import pytest

from pinwright.cable.profile import Profile
from pinwright.cli.main import COMMANDS, parser
from pinwright.cli.ports import Workshop, plug_in
from pinwright.link import Line, drive
from pinwright.tester import ohmmeter
from pinwright.tester.complaints import _TABLE as COMPLAINTS
from pinwright.tester.session import Scan, Session
from pinwright.verdict.agreement import decide
from pinwright.virtual import spread
from pinwright.virtual.bench import Bench

from ..desk import Desk
from .board_modules import HARDWARE, ROOT, boardfile, circuit, guide, netlist, router, sexpr, spice

PARTS = circuit.circuit()
BY_REF = {part.ref: part for part in PARTS}
STEPS = {step.name: step for step in guide.steps(PARTS)}
DOCUMENTS = {name: (HARDWARE / name).read_text("utf-8") for name in ("README.md", "FIRST-BOARD.md")}
README = DOCUMENTS["README.md"]
# Without what is made, and what is for a machine.
BY_HAND = {
    name: re.sub(r"<!-- made: .*?<!-- end: [^>]*>|```.*?```", "", text, flags=re.S)
    for name, text in DOCUMENTS.items()
}


def rows(text: str) -> Iterator[list[str]]:
    """The cells of every row of every table."""
    for line in text.splitlines():
        if line.startswith("| ") and not line.startswith("| ---"):
            yield [cell.strip() for cell in line.strip().strip("|").split("|")]


def expanded(refs: str) -> list[str]:
    """`R1–R3 R7` → four references."""
    found = []
    for word in refs.split():
        first, _, last = word.partition("–")
        kind = first.rstrip("0123456789")
        low = int(first[len(kind) :])
        found += [f"{kind}{k}" for k in range(low, int(last[len(kind) :] or low) + 1)]
    return found


# ---- parts and measurements


def test_every_part_goes_in_at_one_step() -> None:
    placed = Counter(ref for step in STEPS.values() for ref in step.refs)
    assert {part.ref: 1 for part in PARTS} == placed


def test_the_guide_s_tables_have_every_part_with_its_value_and_whether_a_small_board_has_it() -> None:
    told = {}
    for cells in rows(README):
        if len(cells) == 5 and cells[3].split(" ")[0] in ("yes", "no", "only"):
            refs = expanded(cells[0])
            few = {"yes": refs, "no": []}.get(cells[3])
            few = expanded(cells[3].removeprefix("only ")) if few is None else few
            told |= {ref: (cells[1], ref in few) for ref in refs}
    small = {part.ref for part in circuit.fitted(PARTS, "small")}
    assert {part.ref: (part.value, part.ref in small) for part in PARTS} == told


def resistor(ref: str, value: str, one: str, other: str) -> circuit.Part:
    pins = (circuit.Pin("1", "1", "passive", one), circuit.Pin("2", "2", "passive", other))
    return circuit.Part(ref, value, "", "", "", "", "both", pins, "lane")


BRIDGE = [  # five resistors that are neither in series nor in parallel
    resistor("R1", "1 Ω", "a", "b"),
    resistor("R2", "2 Ω", "a", "c"),
    resistor("R3", "3 Ω", "b", "d"),
    resistor("R4", "4 Ω", "c", "d"),
    resistor("R5", "5 Ω", "b", "c"),
]


@pytest.mark.parametrize(
    ("parts", "ends", "ohms"),
    [
        ([resistor("R1", "4.7 kΩ", "a", "b"), resistor("R2", "300 Ω", "b", "c")], ("a", "c"), 5000),
        ([resistor("R1", "10 Ω", "a", "b"), resistor("R2", "10 Ω", "a", "b")], ("a", "b"), 5),
        ([resistor("R1", "0 Ω", "a", "b"), resistor("R2", "10 Ω", "b", "c")], ("a", "c"), 10),
        ([resistor("R1", "0 Ω", "a", "b")], ("a", "b"), 0),
        ([resistor("R1", "10 Ω", "a", "b")], ("a", "c"), None),
        # The triangle b, c, d is a star of 3·5/12, 4·5/12 and 3·4/12.
        (BRIDGE, ("a", "d"), 1 / (1 / (1 + 15 / 12) + 1 / (2 + 20 / 12)) + 1),
        (PARTS, ("AIN0", "AIN1"), 2022),
        (PARTS, ("X123", "X124"), 1370),
    ],
)
def test_what_a_meter_reads_is_what_a_hand_finds(
    parts: list[circuit.Part], ends: tuple[str, str], ohms: float | None
) -> None:
    found = guide.Ohms(parts).between(*ends)
    assert (ohms is None) is (found is None)
    assert found is None or pytest.approx(ohms) == found


@pytest.mark.parametrize("ref", [*(f"R{k}" for k in range(1, 19)), *(f"RN{k}" for k in range(1, 17))])
def test_a_resistor_that_was_left_out_shows_in_a_measurement_after_its_step(ref: str) -> None:
    (step,) = (step for step in STEPS.values() if ref in step.refs)
    parts = [dataclasses.replace(part, population="none") if part.ref == ref else part for part in PARTS]
    good = guide.looks_table(step, PARTS)
    if (
        ref[:2] == "RN" and ref != "RN16"
    ):  # one of many that are measured alike: some other reading among them
        with pytest.raises(ValueError, match="not one reading"):
            guide.looks_table(step, parts)
        return
    told = [line for line, right in zip(guide.looks_table(step, parts), good, strict=True) if line != right]
    assert told
    assert all(re.search(rf"\| {ref}\b", line) for line in told)


def test_where_only_a_beep_is_asked_for_no_resistor_of_a_good_board_can_beep() -> None:
    """A beeper sounds below some 50 Ω."""
    net_of = {f"{part.ref}.{pin.number}": pin.net for part in PARTS for pin in part.pins}
    ohms = guide.Ohms(PARTS)
    pairs = [pair for step in STEPS.values() for look in step.looks if look.beeps for pair in look.pairs]
    assert len(pairs) > 16
    for one, other in pairs:
        found = ohms.between(net_of[one] or one, net_of[other] or other)
        assert found is None or found > 1000, (one, other)


def test_neighbours_at_every_expander_that_must_not_touch_are_measured() -> None:
    """Of pins 9 to 18, supplies, bus and addresses, and of what is beside them: no two nets but those of
    neighbouring address pins, which the table of the addresses has, and supplies against each other."""
    looked = {pair for look in STEPS["low"].looks for pair in look.pairs}
    for chip in guide.CHIPS:
        nets = {int(pin.number): pin.net for pin in BY_REF[chip].pins}
        for k in (*range(8, 15), 17):
            if nets[k] != nets[k + 1] and {nets[k], nets[k + 1]} != {"VIO", "GND"}:
                assert (f"{chip}.{k}", f"{chip}.{k + 1}") in looked


def test_the_five_volts_of_usb_are_measured_against_ground() -> None:
    names = {pin.number: pin.name for pin in BY_REF["A1"].pins}
    assert ("VSYS", "VBUS", "GND") == (names["39"], names["40"], names["38"])
    for name in ("low", "tall"):
        looked = {pair[0] for look in STEPS[name].looks for pair in look.pairs if pair[1] == guide.GND}
        assert {"A1.39", "A1.40"} <= looked


@pytest.mark.parametrize("ref", ["A1", "J3", "J4", "J5"])
def test_every_joint_of_a_part_for_modules_or_the_probe_is_measured_once_it_is_soldered(ref: str) -> None:
    """All but one of the two poles of J5, which are one net."""
    looks = [look for name in ("low", "tall") for look in STEPS[name].looks]
    looked = {place for look in looks for pair in look.pairs for place in pair}
    pins = {f"{ref}.{pin.number}" for pin in BY_REF[ref].pins if pin.net} - {"J5.2"}
    assert pins
    assert set() == pins - looked


MUST_READ = {  # whatever the circuit says: by the data sheets, and by what is printed on the modules
    "pin 9 of each of U1 to U8": "J7 VIO",
    "pin 10 of each of U1 to U8": "J7 GND",
    "`A1.36`": "J7 3V3",
    "pins 3, 8, 13, 18, 23, 28, 33 and 38 of A1": "J7 GND",
    "`J3.1`": "J7 3V3",
    "`J3.2`": "J7 GND",
    "`J3.5`": "J7 GND",
    "`J4.1`": "J7 GND",
    "`J4.2`": "J7 3V3",
}


@pytest.mark.parametrize("place", MUST_READ)
def test_a_supply_s_pin_reads_0_ohms_to_its_supply(place: str) -> None:
    told = [cells for cells in rows("\n".join(guide.looks_table(STEPS["low"], PARTS))) if cells[0] == place]
    assert [(MUST_READ[place], "0 Ω")] == [(to, reads) for _, to, reads, _ in told]


def test_the_first_power_goes_to_the_pins_of_j7_that_the_circuit_has_for_it() -> None:
    """Wherever README.md says + or −: by the capacitor and the zener across the supply, which a wrong way
    round would kill, and by the Pico's own pins."""
    fed = re.findall(r"([+−])(?: through \*\*39 Ω, 1 W or more\*\*,)? to\s+J7\s+(\w+)", README)
    ends = {pin.name: pin.net for pin in BY_REF["C9"].pins}
    assert [("+", ends["+"]), ("−", ends["−"])] * 2 == fed
    assert {"K": ends["+"], "A": ends["−"]} == {pin.name: pin.net for pin in BY_REF["D1"].pins}
    assert {ends["+"]} == {pin.net for pin in BY_REF["A1"].pins if pin.name == "3V3"}
    assert {ends["−"]} == {pin.net for pin in BY_REF["A1"].pins if pin.name == "GND"}
    assert {"J7.1": "GND", "J7.2": "3V3", "J7.3": "VIO"} == {
        f"J7.{pin.number}": pin.net for pin in BY_REF["J7"].pins
    }
    assert ("J7.1", "J7.2", "J7.3") == (guide.GND, guide.SUPPLY, guide.VIO)


def test_the_addresses_are_the_chips_numbers() -> None:
    for chip, *pins in (row.strip("| ").split(" | ") for row in guide.addresses(PARTS)[2:]):
        assert int(chip[1:]) - 1 == sum(2**k for k, net in enumerate(pins) if net == "VIO")


def test_the_wiring_table_is_the_netlist() -> None:
    wires = netlist.read_nets((HARDWARE / "tester-128.net").read_text("utf-8"))
    points = [cells for cells in rows((HARDWARE / "WIRING.md").read_text("utf-8")) if len(cells) == 7][1:]
    assert [str(point) for point in range(128)] == [cells[0] for cells in points]
    for point, called, sockets, network, ohms, chip, name in points:
        outer, inner = network.split(" – ")
        outside = {tuple(place.split(".")) for place in (*sockets.split(), outer)}
        assert outside == wires[f"P{point}"]
        assert {tuple(inner.split(".")), tuple(chip.split("."))} == wires[f"X{point}"]
        assert f"8 × {ohms}" == BY_REF[outer.split(".")[0]].value
        assert circuit.EXPANDER_PINS[chip.split(".")[1]][0] == name
        assert called.split(".")[0] in ("PROBE", "REF", "SPARE") or called == sockets


def test_the_pico_s_pins_in_the_wiring_table_are_the_netlist_s() -> None:
    wires = netlist.read_nets((HARDWARE / "tester-128.net").read_text("utf-8"))
    found = [cells for cells in rows((HARDWARE / "WIRING.md").read_text("utf-8")) if len(cells) == 3][1:]
    names = {"SPI_SCK": "SCK_A1", "SPI_MOSI": "MOSI_A1", "SPI_MISO": "MISO_A1", "SPI_CS": "CS_A1"}
    names |= {"EXPANDER_RESET": "RESET_A1", "I2C_SDA": "SDA", "I2C_SCL": "SCL"}
    assert len(names) < len(found)
    for name, _, pin in found:
        assert name == "SUPPLY_MODE" or ("A1", pin) in wires[names.get(name, name)]


# ---- words


LEFT, RIGHT, UP, DOWN = (-1, 0), (1, 0), (0, -1), (0, 1)
# Where the first pad is, seen from the last, as README.md says it. y is down.
FIRST_PAD = {
    "All three have their band at the left": (("D1", "D2", "D5"), LEFT),
    "| C9 | + (long leg) at the left": (("C9",), LEFT),
    "| D3, D4 | flat side and short leg at the left": (("D3", "D4"), LEFT),
    "| BZ1 | + at the left": (("BZ1",), LEFT),
    "| Q1 | flat side as printed; E in the square pad, above": (("Q1",), UP),
    "| J1, J2 | notch towards the lower edge, pin 1 at the triangle, lower left": (("J1", "J2"), LEFT),
    "pin 1 at the triangle, lower left": (("J1", "J2"), DOWN),
    "| S1 | pin 1 lower left": (("S1",), DOWN),
    "U1 to U8, notch up": (tuple(f"U{k}" for k in range(1, 9)), UP),
    "A1: the Pico, USB towards the left edge": (("A1",), LEFT),
}


@cache
def board() -> dict[str, boardfile.Placed]:
    file = boardfile.read_board(HARDWARE / "board" / "tester-128.kicad_pcb")
    return {part.ref: part for part in boardfile.placed(file)}


@pytest.mark.parametrize("sentence", FIRST_PAD)
def test_the_board_has_pin_1_where_the_guide_says(sentence: str) -> None:
    assert sentence in README
    refs, (x, y) = FIRST_PAD[sentence]
    placed = board()
    for ref in refs:
        at = {int(pad.number): pad.at for pad in placed[ref].pads if pad.number}
        others = [place for number, place in at.items() if number != 1]
        if x:
            assert all((place[0] - at[1][0]) * x <= 0.001 for place in others), ref
        else:
            assert all((place[1] - at[1][1]) * y <= 0.001 for place in others), ref


def test_the_lever_and_the_openings_are_where_the_guide_says() -> None:
    """A lever stands out beyond the pins at one end. From a terminal's pins it is 4.6 mm to the side with
    the openings, 5.2 to its back: its maker's drawing, from memory."""
    reach = {}
    for ref in ("S1", "J5"):
        part = board()[ref]
        ends = [at for shape in part.shapes if shape.layer == "F.Fab" for at in shape.points]
        (left, right), (top, bottom) = (
            [
                abs(end([at[axis] for at in ends]) - end([pad.at[axis] for pad in part.pads]))
                for end in (min, max)
            ]
            for axis in (0, 1)
        )
        reach[ref] = {"left": left, "right": right, "upper": top, "lower": bottom}
    (lever,) = re.findall(r"\| S1 \| pin 1 lower left, lever at the (\w+) \|", README)
    (openings,) = re.findall(r"\| J5 \| its openings towards the (\w+) edge \|", README)
    assert reach["S1"][lever] == max(reach["S1"].values()) > 20
    assert pytest.approx(4.6, abs=0.2) == reach["J5"][openings]
    assert pytest.approx(5.2, abs=0.2) == reach["J5"]["upper" if openings == "lower" else "lower"]


PLACE = r"\b(A1|(?:RN|BZ|SW|[RCDUJSQH])\d+)(?:\.(\d+))?\b"


@pytest.mark.parametrize("name", DOCUMENTS)
def test_what_a_document_names_is_on_the_board(name: str) -> None:
    text = BY_HAND[name]
    pins = {ref: {pin.number for pin in part.pins} for ref, part in BY_REF.items()}
    named = re.findall(PLACE, text)
    assert len(named) > 20
    assert [] == [(ref, pin) for ref, pin in named if ref not in pins or (pin and pin not in pins[ref])]


def test_every_pin_that_messages_may_name_is_where_the_guide_looks_for_it() -> None:
    """The references: `R14 (REF.1, REF.2), R15 (REF.3, REF.4), RN16, pins 2 to 5 of U8`."""
    wires = circuit.nets(PARTS)
    _, channels = circuit.read_source()
    points = {f"{row['socket']}.{row['pin']}": row["point"] for row in channels}
    for pair, ref in (("REF.1", "R14"), ("REF.2", "R14"), ("REF.3", "R15"), ("REF.4", "R15")):
        assert ref in {place[0] for place in wires[f"P{points[pair]}"]}
        assert wires[f"X{points[pair]}"][-1][0] == "RN16"
    assert {("U8", str(k)) for k in range(2, 6)} == {wires[f"X{points[f'REF.{k}']}"][0] for k in range(1, 5)}
    bus = {"SCK_A1", "MOSI_A1", "MISO_A1", "CS_A1", "RESET_A1"}
    assert bus <= {pin.net for pin in BY_REF["A1"].pins if 21 <= int(pin.number) <= 26}
    assert {"MISO", "MOSI", "SCK", "CS", "RESET"} <= {
        pin.net for pin in BY_REF["U1"].pins if 11 <= int(pin.number) <= 18
    }


NO_FAULT_OF_A_BOARD = {"memory", "bug", "verb", "argument", "lane"}


def test_every_error_of_the_board_is_explained() -> None:
    told = {cells[0].strip("`"): cells for cells in rows(README) if len(cells) == 3 and cells[0][:1] == "`"}
    assert set(COMPLAINTS) - NO_FAULT_OF_A_BOARD == set(COMPLAINTS) & set(told)
    for code in NO_FAULT_OF_A_BOARD:
        assert re.search(rf"`{code}`.*\n?.*are no fault of what you soldered", README)
    for code, (_, says, where) in told.items():
        if code in COMPLAINTS:
            sentence = " ".join(re.sub(r"\{\w+\}", "…", COMPLAINTS[code][1]).split())
            assert says in sentence, code
            assert where


@cache
def said_by_the_program() -> str:
    """Every text in the program, with … for what is put in."""
    found = []
    for file in (ROOT / "host" / "pinwright").rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.JoinedStr):
                found.append(
                    "".join(
                        str(part.value) if isinstance(part, ast.Constant) else "…" for part in node.values
                    )
                )
            elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                found.append(node.value)
    return "\n".join(found)


def test_what_the_guide_has_the_program_say_is_what_it_says() -> None:
    after = README[README.index("Of the lane, once the board itself") :]
    tables = after[: after.index("| it does |")]
    told = [cells[0] for cells in rows(tables) if cells[0] != "it says"]
    assert len(told) > 12
    for says in told:
        for piece in filter(None, (piece.strip(" ,;") for piece in says.split("…"))):
            assert piece in said_by_the_program(), piece
    for says in ("the tester passed its long check", "an ohms lane, not calibrated", "no ohms lane"):
        assert f"`{says}`" in README
        assert says in said_by_the_program()
    for key in ("references_ohms", "celsius", "links", "leaks", "counts", "elapsed_ms", "timings_us"):
        assert f"`{key}`" in DOCUMENTS["FIRST-BOARD.md"]
        assert key in said_by_the_program().splitlines()
    for state in ("resistive", "open"):
        assert f"`{state}`" in DOCUMENTS["FIRST-BOARD.md"]
        assert state in said_by_the_program().splitlines()
    for why in ("does not answer", "reads its supply in a different way every time"):
        assert f"*{why}*" in README
        assert why in said_by_the_program()


# ---- commands, links, files


def calls(text: str) -> Iterator[str]:
    """Every command in a text that stands in a line of its own."""
    yield from re.findall(r"^(?:    )?(pinwright .*|python3 .*)$", text, re.M)


@pytest.mark.parametrize("name", [*DOCUMENTS, "POCKET.md", "ADAPTERS.md"])
def test_a_command_line_is_one_that_the_program_takes(name: str) -> None:
    text = (HARDWARE / name).read_text("utf-8")
    for call in calls(text):
        program, *words = shlex.split(call)
        if program == "python3":
            assert (ROOT / words[0]).is_file(), call
            continue
        with contextlib.redirect_stderr(io.StringIO()) as said:
            try:
                parser(words[0]).parse_args(words)
            except SystemExit:
                pytest.fail(f"{call}: {said.getvalue()}")
    for call in re.findall(r"`pinwright ([^`]+)`", text):
        words = call.split()
        taken = commands(words[0])
        if not words[1:] or words[1][:1] == "-":
            assert words[0] in taken, call
        options = {option for action in taken.values() for option in action}
        assert [] == [word for word in words[1:] if word.startswith("--") and word not in options], call


def commands(name: str) -> dict[str, set[str]]:
    """A command and its actions → the options of each."""
    assert name in COMMANDS
    found = {}
    todo = [(name, inner(parser(name))[name])]
    while todo:
        called, one = todo.pop()
        found[called] = {option for action in one._actions for option in action.option_strings}
        todo += inner(one).items()
    return found


def inner(top: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    found = [action for action in top._actions if isinstance(action, argparse._SubParsersAction)]
    return dict(found[0].choices) if found else {}


def anchors(path: Path) -> set[str]:
    heads = re.findall(r"^#+ (.+)$", path.read_text("utf-8"), re.M)
    return {re.sub(r"[^\w -]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("path", sorted(HARDWARE.glob("*.md")), ids=lambda path: path.name)
def test_links_lead_somewhere(path: Path) -> None:
    for link in re.findall(r"\]\(([^)]+)\)", path.read_text("utf-8")):
        file, _, anchor = link.partition("#")
        target = path.parent / file if file else path
        assert target.exists(), link
        assert not anchor or anchor in anchors(target), link


@pytest.mark.parametrize("name", DOCUMENTS)
def test_places_in_the_documents_are_there(name: str) -> None:
    """`First power-up` of README.md, step 9 of POCKET.md."""
    for head in re.findall(r'README\.md(?:\]\(README\.md\))?, "([^"]+)"', DOCUMENTS[name]):
        assert re.search(rf"^#+ {head}$", README, re.M)
    for step in re.findall(r"\(POCKET\.md\), step (\d+)", DOCUMENTS[name]):
        pocket = (HARDWARE / "POCKET.md").read_text("utf-8")
        assert "first-lead.toml" in re.search(rf"^{step}\. .*?(?=^\d+\. |^## )", pocket, re.M | re.S)[0]


def test_the_list_of_what_is_here_has_every_file_of_the_folder() -> None:
    listed = README[README.index("## What is here") :]
    for file in HARDWARE.iterdir():
        if file.name[0] in "._" or file.name == "README.md":
            continue
        assert file.suffix == ".py" or re.search(rf"[`\[]{re.escape(file.name)}/?[`\]]", listed), file.name
    for name in re.findall(r"`([\w.-]+\.(?:toml|csv|py|md|svg|net|txt|json|kicad_pcb))`", listed):
        assert name in ("board.py",) or list(HARDWARE.rglob(name)), name


def test_the_board_file_in_the_guide_is_one_that_the_firmware_takes() -> None:
    (text,) = re.findall(r"```json\n(.*?)```", README, re.S)
    told = json.loads(text)
    assert (circuit.SMALL_CHIPS, "bench-1") == (told["fitted"], told["name"])


def test_the_form_s_profile_is_a_bar_in_j1() -> None:
    (text,) = re.findall(r"```toml\n(.*?)```", DOCUMENTS["FIRST-BOARD.md"], re.S)
    profile = Profile.from_dict(tomllib.loads(text))
    assert 40 == len(profile.nets[0].pins)
    assert 1 == len(profile.nets)


def test_what_is_measured_goes_into_something_that_is_there() -> None:
    goes = [cells[-1] for cells in rows(DOCUMENTS["FIRST-BOARD.md"]) if re.match(r"\d+\. ", cells[0])]
    found = 0
    for cell in goes:
        for names, file in re.findall(r"((?:`\w+`(?:, )?)+) in `([\w/.]+)`", cell):
            path = HARDWARE / file if (HARDWARE / file).exists() else ROOT / file
            text = path.read_text("utf-8")
            for name in re.findall(r"`(\w+)`", names):
                assert re.search(rf"^(\.param )?(\w+, )*{name}\b.*=|^    {name}: ", text, re.M), (name, file)
                found += 1
    assert found > 15


# ---- the first cable


@cache
def workshop() -> Workshop:
    return Workshop.read()


def scanned(profile: Profile, bench: dict[str, object]) -> Scan:
    """A scan by the firmware, over what is plugged in by the bench."""
    with Desk(*plug_in(Bench.from_dict(bench), profile.ends, workshop(), {})) as desk:
        session = Session(profile, workshop().fixtures, "0", adapters=workshop().adapters)
        return drive(session.run(), Line(desk, lambda text: None))


# What is joined, and through how many ohms.
LEADS = {
    "good": "A1–B1 A2–B2 A3–B3 A4–B4",
    "exchanged": "A1–B2 A2–B1 A3–B3 A4–B4",
    "pulled out": "A1–B1 A2–B2 A3–B3",
    "joined": "A1–B1 A2–B2 A3–B3 A4–B4 A3–A4",
    "100 Ω in one": "A1–B1 A2–B2 A3–B3 A4–B4–100",
}


@pytest.mark.parametrize(
    ("lead", "tester"),
    [
        *((lead, {}) for lead in LEADS),
        *((lead, {"fitted": 5, "lane": "none"}) for lead in LEADS if lead != "100 Ω in one"),
    ],
)
def test_the_first_lead_passes_and_each_way_to_spoil_it_fails(lead: str, tester: dict[str, object]) -> None:
    page = (HARDWARE / "POCKET.md").read_text("utf-8")
    (text,) = re.findall(r"^ *```toml\n(.*?)^ *```", page, re.S | re.M)
    profile = Profile.from_dict(tomllib.loads(text))
    links = [
        {"pins": [f"{pin[0]}.{pin[1]}" for pin in (one, other)], "ohms": float(*ohms or ["0.1"])}
        for one, other, *ohms in (wire.split("–") for wire in LEADS[lead].split())
    ]
    scan = scanned(profile, {"tester": tester, "link": links})
    assert {"A": "J1", "B": "S1" if tester else "J2"} == scan.placement.sockets
    assert (lead == "good") is decide(profile, scan).passed


def test_the_bar_scanned_as_a_cable_shows_the_leak_that_was_put_beside_it() -> None:
    (text,) = re.findall(r"```toml\n(.*?)```", DOCUMENTS["FIRST-BOARD.md"], re.S)
    profile = Profile.from_dict(tomllib.loads(text))
    bar = {"pins": [str(pin) for pin in profile.nets[0].pins]}
    scan = scanned(profile, {"link": [bar, {"pins": ["A.1", "@J2.1"], "ohms": 100_000}]})
    (leak,) = decide(profile, scan).leaks
    assert 87e3 < leak.ohms < 117e3


# ---- figures

RESULTS = {row["id"]: row for row in spice.read_results()}
PARAMS = dict(
    re.findall(r"^\.param (\w+) = (\S+)", (HARDWARE / "spice" / "parts.inc").read_text("utf-8"), re.M)
)
TOLD = tomllib.loads((Path(__file__).parent / "claims.toml").read_text("utf-8"))
CLAIMS: dict[str, list[str]] = TOLD["claims"]
GIVEN: dict[str, list[str]] = TOLD["given"]


def result(id: str, column: str = "typical") -> float:
    return float(RESULTS[id][column])


def parameter(id: str, name: str) -> float:
    """What an accident of results.csv sets, or its deck without it: `100u` → 100."""
    row = RESULTS[f"{id}.worst"]
    values = dict(word.split("=") for word in row["values"].split())
    deck = (HARDWARE / "spice" / f"{row['deck']}.cir").read_text("utf-8")
    found = values.get(name) or re.search(rf"^\.param {name} = (\S+)", deck, re.M)[1]
    return float(found.rstrip("num"))


def value(ref: str) -> float:
    """The number in a part's value: `22 Ω 1 %` → 22."""
    return float(re.search(r"[\d.]+(?= [kMµn]?[ΩFV])", BY_REF[ref].value)[0])


def spi_baud() -> int:
    text = (ROOT / "firmware" / "tester" / "board.py").read_text("utf-8")
    return int(re.search(r"^SPI_BAUD = const\(([\d_]+)\)", text, re.M)[1])


def zener_ma(volts: float, named: float, power: float) -> float:
    """The zener of parts.inc: 69 mA at the volts that it is named after, elsewhere by a power of them."""
    return 69 * (volts / named) ** power


def zener_behind(ohms: float, source: float, zener: tuple[float, float], more: float = 0.0) -> float:
    """What the zener, and so many mA beside it, leave of a source behind a resistor; by halving."""
    low, high = 0.0, source
    for _ in range(50):
        middle = (low + high) / 2
        enough = (source - middle) / ohms * 1e3 > zener_ma(middle, *zener) + more
        low, high = (middle, high) if enough else (low, middle)
    return low


def of_the_board() -> dict[str, float]:
    """mm of the board file, m of its clock, and how many points each tester has."""
    file = boardfile.read_board(HARDWARE / "board" / "tester-128.kicad_pcb")
    rules = json.loads((HARDWARE / "board" / "tester-128.kicad_pro").read_text("utf-8"))
    left, top, right, bottom = boardfile.outline(file)
    tracks = list(sexpr.all_of(file, "segment"))
    (clock,) = (net[1] for net in sexpr.all_of(file, "net") if net[2] == "SCK")
    ends = [
        [tuple(map(float, sexpr.one_of(track, end)[1:3])) for end in ("start", "end")]
        for track in tracks
        if sexpr.value(track, "net") == clock
    ]
    hole = board()["H1"].at
    points = sum(circuit.SOCKETS.values())
    pocket = tomllib.loads((HARDWARE / "pocket.toml").read_text("utf-8"))
    return {
        "width": right - left,
        "height": bottom - top,
        "standoff": min(hole[0] - left, hole[1] - top, right - hole[0], bottom - hole[1]),
        "track": min(float(sexpr.value(track, "width")) for track in tracks),
        "supply's track": router.FAT,
        "gap": rules["board"]["design_settings"]["rules"]["min_clearance"],
        "hole": min(float(sexpr.value(via, "drill")) for via in sexpr.all_of(file, "via")),
        "clock line": sum(math.dist(*pair) for pair in ends) / 1e3,
        "points": points,
        "pocket points": sum(len(socket["gpio"]) for socket in pocket["sockets"].values()),
        "points of a small one": points * circuit.SMALL_CHIPS / len(guide.CHIPS),
    }


def worked_out() -> dict[str, float]:
    """What `claims.toml` calls by a name: from the constants of the program, the decks' parts, or both."""
    meter = ohmmeter
    named, power = float(PARAMS["vz"]), float(PARAMS["zpower"])
    # Its tolerance, and as sharp as `zener-idle-sharp` of figures.toml has it.
    zeners = [(named * part, sharp) for part in (0.95, 1, 1.05) for sharp in (power, 2 * power)]
    at_1_ma = [volts * (1 / 69) ** (1 / sharp) for volts, sharp in zeners]
    pico, chips, lamp = float(PARAMS["load"].removesuffix("m")), 10.0, 3.0  # mA at 3.3 V, assumed
    # Behind 39 Ω of 5 %, at 5 V of 5 %: the source's volts, what is left at rest, and with the chips.
    parts = (0.95, 1, 1.05)
    behind = [
        (5 * source, zener_behind(*first), zener_behind(*first, chips))
        for source, ohms, zener in product(parts, parts, zeners)
        for first in [(39 * ohms, 5 * source, zener)]
    ]
    told = [(source - rest) / 39 * 1e3 for source, rest, _ in behind]  # of volts across it, divided by 39
    typical = zener_behind(39, 5, (named, power))
    from_usb = 3.3 / 5 / 0.85  # by an efficiency that is assumed
    loaded = 1 - result("link-steps-loaded") / result("link-steps")
    link = 22 + meter.DRIVER_HIGH_OHMS + 2 * meter.SERIES_OHMS + meter.DRIVER_LOW_OHMS
    half_a_period = 1e9 / 2 / spi_baud()  # ns
    clock, answer, miso = value("R1") * 0.150, 45, value("R3") * 0.010  # 150 pF, 45 ns, 10 pF: not measured
    leakage = result("leak-pins-40-120n", "most") / result("leak-100k")
    return {
        "calibrated": meter.CALIBRATED_OHMS,
        "uncalibrated": meter.UNCALIBRATED_OHMS,
        "calibrated, 10 Ω": meter.CALIBRATED_OHMS + 10 * meter.OF_THE_READING,
        "calibrated, 100 Ω": meter.CALIBRATED_OHMS + 100 * meter.OF_THE_READING,
        "zener at 1 mA, least": min(at_1_ma),
        "zener at 1 mA, most": max(at_1_ma),
        "5 V at 39 Ω": 5 / 39 * 1e3,
        "5 V at 39 Ω, W": 5**2 / 39,
        "through 39 Ω": (5 - typical) / 39 * 1e3,
        "through 39 Ω, least": min(told),
        "through 39 Ω, most": max(told),
        "zener behind 39 Ω": typical,
        "zener behind 39 Ω, least": min(rest for _, rest, _ in behind),
        "zener behind 39 Ω, most": max(rest for _, rest, _ in behind),
        "chips behind 39 Ω": max(rest - with_chips for _, rest, with_chips in behind),
        "chips": chips,
        "chips in 22 Ω": chips * 22 / 1e3,
        "pico": pico,
        "usb": (result("zener-idle") + pico + lamp) * from_usb,
        "usb, least": (result("zener-idle-sharp", "least") + pico) * from_usb,
        "usb, most": (result("zener-idle", "most") + pico + chips) * from_usb,
        "supply, least": meter.SUPPLY_V * (1 - meter.SUPPLY_TOLERANCE),
        "supply, most": meter.SUPPLY_V * (1 + meter.SUPPLY_TOLERANCE),
        "high": meter.SERIES_OHMS + meter.DRIVER_HIGH_OHMS,
        "low": meter.SERIES_OHMS + meter.DRIVER_LOW_OHMS,
        "high, least": meter.HIGH_OHMS[0],
        "high, most": meter.HIGH_OHMS[1],
        "low, least": meter.LOW_OHMS[0],
        "low, most": meter.LOW_OHMS[1],
        "driver high": meter.DRIVER_HIGH_OHMS,
        "driver low": meter.DRIVER_LOW_OHMS,
        "zero": meter.MOST_ZERO_STEPS,
        "zero, µA": meter.MOST_ZERO_STEPS * meter.STEP_V / meter.SHUNT_OHMS * 1e6,
        "path, least": meter._LEAST_PATH / 1e3,
        "path, most": (meter._MOST_PATH + 10) / 1e3,
        "link": link,
        "converter's input, %": 100 * loaded,
        "converter's input, Ω": link * loaded,
        "pull-up": spread.PULLUP_AMPS * 1e6,
        "pull-up, least": spread.PULLUP_MIN * 1e6,
        "pull-up, most": spread.PULLUP_MAX * 1e6,
        "clock": clock,
        "answer": answer,
        "miso": miso,
        "half a period": half_a_period,
        "what is left": half_a_period - clock - answer - miso,
        "100 kΩ and leakage, least": 100 / (1 + leakage),
        "100 kΩ and leakage, most": 100 / (1 - leakage),
    }


WORKED_OUT = worked_out() | of_the_board() | {"SPI, MHz": spi_baud() / 1e6}


def pattern(sentence: str) -> str:
    """A sentence as a pattern: a number for each {}, and wherever it has a blank a line may end."""
    pieces = [r"\s+".join(map(re.escape, re.split(r"\s+", piece))) for piece in sentence.split("{}")]
    return r"(\d+(?:\.\d+)?)".join(pieces)


def holds(said: str, source: str) -> bool:
    """Whether a number of a document is what its source in `claims.toml` gives."""
    if source in BY_REF:
        return value(source) == float(said)
    if source[0] == "=":
        return spice.agrees(f"{WORKED_OUT[source[1:]]:f}", said)
    if source[0] == "~":
        return abs(WORKED_OUT[source[1:]] / float(said) - 1) < 0.15
    if "@" in source:
        return parameter(*source.split("@")) == float(said)
    if ":" in source:
        ref, name = source.split(":")
        return [said] == [pin.number for pin in BY_REF[ref].pins if pin.name == name]
    bound, figure, _, factor = re.fullmatch(r"(?:(<=|>=) )?([^*]+)(\*(.+))?", source).groups()
    found = result(*figure.rsplit(".", 1)) * float(factor or 1)
    if bound:
        return float(said) <= found if bound == "<=" else float(said) >= found
    return spice.agrees(f"{found:f}", said)


@pytest.mark.parametrize("sentence", CLAIMS)
def test_a_figure_of_the_guide_is_what_the_circuit_gives(sentence: str) -> None:
    texts = (*DOCUMENTS.values(), (HARDWARE / "POCKET.md").read_text("utf-8"))
    (found,) = (match for text in texts for match in re.finditer(pattern(sentence), text))
    said = list(zip(found.groups(), CLAIMS[sentence], strict=True))
    assert [] == [one for one in said if not holds(*one)]


UNIT = r"(?:kΩ|MΩ|Ω|mA|µA|mV|µV|V|mW|W|ns|µs|ms|µF|nF|pF|mJ|K|°C|steps|MHz|mm|cm|m|points|pins)"
FIGURE = rf"(?<![\w.])\d+(?:\.\d+)?(?= (?:(?:to|×) \d+(?:\.\d+)? )?{UNIT}\b)|(?<=\bpin )\d+|(?<=\bpins )\d+"


@pytest.mark.parametrize("name", BY_HAND)
def test_no_figure_stands_in_a_document_without_a_source(name: str) -> None:
    text = BY_HAND[name]
    sourced = {
        place
        for sentence in (*CLAIMS, *(phrase for phrases in GIVEN.values() for phrase in phrases))
        for match in re.finditer(pattern(sentence), text)
        for place in range(*match.span())
    }
    figures = list(re.finditer(FIGURE, text))
    assert len(figures) > 20
    assert [] == [
        f"line {text[: one.start()].count(chr(10)) + 1}: {text[one.start() - 30 : one.end() + 10]!r}"
        for one in figures
        if one.start() not in sourced
    ]


def test_every_phrase_that_gives_figures_stands_in_a_document() -> None:
    phrases = [phrase for phrases in GIVEN.values() for phrase in phrases]
    assert [] == [one for one in phrases if not re.search(pattern(one), "\n".join(DOCUMENTS.values()))]


def test_what_is_called_within_every_limit_is() -> None:
    """And what is said to be so but for GP16 is so but for the volts there."""
    within = ["plus5-1", "plus5-8", "plus5-low-16", "plus12-1"]
    assert 4 == README.count("within every limit")
    assert max(float(RESULTS[f"{id}.worst"]["most"]) for id in within) <= 1
    within = ["plus5-40", "plus5-128", "plus5-off-40", "plus5-off-128", "100u-12-8", "100u-minus12-8"]
    beyond = [
        row["id"]
        for row in RESULTS.values()
        if row["id"].partition(".")[0] in within
        and row["limit"]
        and max(float(row["typical"]), float(row["most"])) > float(row["limit"])
    ]
    assert {f"{id}.lift" for id in within if "minus" not in id} == set(beyond)
    for id in ("plus12-12", "plus12-24", "plus12-16", "minus12-16", "100u-12-40", "470n-50-1", "plus24-1"):
        assert result(f"{id}.worst") > 1


def test_what_flows_into_the_pico_is_never_more_than_the_guide_says_it_takes_for_harmless() -> None:
    (said,) = re.findall(r"R3 leaves at most\s+([\d.]+) mA of it, in every accident here", README)
    found = [result(id, column) for id in RESULTS if id.endswith(".miso") for column in ("typical", "most")]
    assert spice.agrees(str(max(found)), said)
    assert float(said) < float(RESULTS["plus12-8.miso"]["limit"])
    assert PARAMS["rmiso"] == f"{value('R3'):g}"
