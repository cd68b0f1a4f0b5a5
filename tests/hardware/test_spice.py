"""The ngspice decks of hardware/spice: what is kept is what they say, and what hand and model say too."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import subprocess
import sys
import tomllib
from math import exp, log
from pathlib import Path
from types import ModuleType

import pytest

from pinwright.virtual import spread
from pinwright.virtual.circuit import HIGH, LOW, PULLUP, Circuit, Point, Wire

ROOT = Path(__file__).parents[2]
SPICE = ROOT / "hardware" / "spice"
DECKS = sorted(path.stem for path in SPICE.glob("*.cir"))


def loaded(path: Path) -> ModuleType:
    """A module that belongs to no package."""
    name = f"pinwright_hardware_{path.stem}"
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look for it there
    spec.loader.exec_module(module)
    return module


run = loaded(SPICE / "run.py")
RESULTS = {row["id"]: row for row in run.read_results()}
FIGURES = tomllib.loads((SPICE / "figures.toml").read_text("utf-8"))
PARTS = (SPICE / "parts.inc").read_text("utf-8")


@pytest.fixture
def ngspice() -> str:
    """The program's path; without it the test is skipped, but in CI it fails."""
    program = shutil.which("ngspice")
    if not program:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(run.NO_NGSPICE)
    return program


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    without = shutil.ignore_patterns("__pycache__")
    return Path(shutil.copytree(SPICE, tmp_path / "spice", ignore=without))


def change(path: Path, seen: str, becomes: str) -> None:
    text = path.read_text("utf-8")
    assert 1 == text.count(seen)
    path.write_text(text.replace(seen, becomes), "utf-8")


def call(folder: Path, *arguments: str, path: str | None = None) -> subprocess.CompletedProcess[str]:
    environment = os.environ | ({} if path is None else {"PATH": path})
    command = [sys.executable, str(folder / "run.py"), *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, env=environment)


def test_the_decks_say_what_is_kept(ngspice: str) -> None:
    done = call(SPICE, "--check")
    assert (0, "", "") == (done.returncode, done.stdout, done.stderr)


# By hand: V/R, voltage dividers, R·C·ln, I·R. Of the shunt's 22 Ω the walk's formulae know nothing.
WORST = 76e-6 * (1 - 0.2) + 1e-6  # A out of an input at 0.2 VIO: pull-up and leakage
TYPICAL = 40e-6 * (1 - 0.42)
WEAK = 14e-6 * (1 - 0.8) - 1e-6
LINK = 22 + 100 + 2 * 680 + 40
FILTER, SUPPLY = 2022 * 47e-9, 22 * 0.8e-6  # time constants, s: of the filter, of VIO
FALLING = 5000 + 680 + 40  # through 5 kΩ; beside it the pull-up, 3.3 V / 40 µA
BESIDE = FALLING * 82500 / (FALLING + 82500)
BY_HAND = {
    ("walk-free", "least"): (0.2 * 3.3 / WORST - 2 * 693.6 - 111) / 1e3,
    ("walk-free", "typical"): (0.42 * 3.3 / TYPICAL - 2 * 680 - 40) / 1e3,
    ("walk-free", "most"): (0.8 * 3.3 / WEAK - 2 * 666.4 - 40) / 1e3,
    ("walk-free-constant", "least"): (0.2 * 3.3 / 77e-6 - 2 * 693.6 - 111) / 1e3,
    ("walk-pair-constant", "least"): ((0.66 / 77e-6 - 693.6 - 804.6) / 2 - 804.6) / 1e3,
    ("walk-free-pocket", "least"): (0.8 / ((3.3 - 0.8) / 50e3) - 2 * 680 - 100) / 1e3,
    ("walk-free-pocket", "most"): (2.0 / ((3.3 - 2.0) / 80e3) - 2 * 680 - 100) / 1e3,
    # Reading v of 39 equal points: v = (i·680 + 39·i·720)/3.3 with i = 40 µA·(1 − v).
    ("net-40", "typical"): 1 - 1 / (1 + 40e-6 * (680 + 39 * 720) / 3.3),
    ("sneak-open", "least"): 1 - 1e-6 / 14e-6,
    ("rise-1n", "most"): 3.3 / 14e-6 * 1e-9 * log(1 / 0.2) * 1e6,
    ("rise-1n-leak", "most"): 3.3 / 14e-6 * 1e-9 * log((1 - 1 / 14) / (1 - 1 / 14 - 0.8)) * 1e6,
    ("float", "least"): 50e-12 * 0.66 / 1e-6 * 1e6,
    ("flash-1u", "least"): 1 - exp(-1e-6 / ((345 + 666.4 + 22) * 1e-9)),
    # The socket, 680 Ω from the input, falls from 3.3 V to what the pull-up leaves it.
    ("fall-5k", "typical"): BESIDE * 1e-9 * log((1 - FALLING / 88e3) / (0.42 - FALLING / 88e3)) * 1e6,
    ("link-current", "typical"): 3.3 / LINK * 1e3,
    ("link-ohm", "typical"): 3.3 * 22 / LINK**2 / 7.8125e-6,
    ("link-steps", "typical"): 3.3 * 22 / LINK / 7.8125e-6,
    ("link-steps-loaded", "typical"): 3.3 * 22 / LINK / 7.8125e-6 * 710 / 712,
    ("net-40-ohm", "typical"): 3.3 * 22 / (22 + 780 + 720 / 39) ** 2 / 7.8125e-6,
    ("net-128-vio", "typical"): 3.3 * (1 - 22 / (22 + 780 + 720 / 127)),
    ("leak-10k", "typical"): 3.3 * 22 / (10e3 + LINK) / 7.8125e-6,
    ("leak-100k", "typical"): 3.3 * 22 / (100e3 + LINK) / 7.8125e-6,
    ("leak-1m", "typical"): 3.3 * 22 / (1e6 + LINK) / 7.8125e-6,
    ("leak-pins-40", "most"): 40e-6 * 22 / 7.8125e-6,
    ("filter-settled", "typical"): (FILTER * log(1000 * FILTER / (FILTER - SUPPLY))) * 1e3,
    ("filter-lacking", "typical"): 100 * FILTER / (FILTER - SUPPLY) * exp(-0.8e-3 / FILTER),
    ("highs-40-vio", "typical"): 3.3 / (1 + 40 * 22 / 1500),
    ("highs-64-vio", "typical"): 3.3 / (1 + 64 * 22 / 1500),
    ("highs-64-current", "typical"): 3.3 / (22 + 1500 / 64) * 1e3,
    ("minus12-1.clamp", "typical"): (12 - 0.75) / 680 * 1e3,
    ("minus12-1.element", "typical"): (12 - 0.75) ** 2 / 680 * 1e3,
    ("minus12-16.vss", "typical"): 16 * (12 - 0.75) / 680 * 1e3,
    ("plus12-low-1.driver", "typical"): 12 / 720 * 1e3,
    ("plus12-1.clamp", "typical"): (12 - 0.73 - 3.3) / (680 + 22) * 1e3,
    ("470n-minus50-1.point", "typical"): (50 - 0.85) / 680 * 1e3,
    ("470n-minus50-1.energy", "typical"): 470e-9 * (50 - 0.75) ** 2 / 2 * 1e3,
    ("470n-minus50-1.over", "typical"): 680 * 470e-9 * log((50 - 0.75) / (0.02 * 680)) * 1e3,
    ("100u-12-1-1.point", "typical"): (12 - 2 * 0.7 - 3.3) / (2 * 680) * 1e3,
}


@pytest.mark.parametrize(("figure", "corner"), BY_HAND)
def test_what_is_kept_is_what_a_hand_finds(figure: str, corner: str) -> None:
    assert pytest.approx(BY_HAND[figure, corner], rel=0.02) == float(RESULTS[figure][corner])


def forward(model: str, amps: float) -> float:
    """Volts of a diode of parts.inc, by Shockley's formula and its resistance, at 27 °C."""
    (values,) = re.findall(rf"^\.model {model} D\((.*)\)$", PARTS, re.M)
    has = dict(re.findall(r"(\w+)=(\S+)", values))
    saturation = float(has["IS"].replace("n", "e-9"))
    return float(has["N"]) * 0.025865 * log(amps / saturation + 1) + amps * float(has["RS"])


def test_a_diode_s_model_has_the_volts_that_are_said_beside_it() -> None:
    """1N4001, from memory: 0.57 V at 1 mA, 0.96 V at 1 A. The clamps: 0.74 V at 12 mA, 0.76 V at 20 mA."""
    text = " ".join(line.lstrip("* ") for line in PARTS.splitlines())
    for model, said in (
        ("d1n4001", ((0.57, "1 mA", 1e-3), (0.96, "1 A", 1.0))),
        ("dclamp", ((0.74, "12 mA", 12e-3), (0.76, "20 mA", 20e-3))),
    ):
        for volts, at, amps in said:
            assert f"{volts} V at {at}" in text
            assert f"{volts:.2f}" == f"{forward(model, amps):.2f}"


def star(points: int, ohms: float = 1e-3) -> list[Wire]:
    return [Wire(0, other, ohms) for other in range(1, points)]


def solved(points: int, wires: list[Wire], drives: list[int]) -> Circuit:
    """The virtual tester's model of so many typical points."""
    circuit = Circuit([Point() for _ in range(points)], wires)
    for point, drive in enumerate(drives):
        circuit.set_drive(point, drive)
    circuit.settle()
    return circuit


@pytest.mark.parametrize("size", [2, 8, 40])
def test_the_virtual_tester_s_walk_of_a_net_reads_what_the_deck_says(ngspice: str, size: int) -> None:
    circuit = solved(size, star(size), [LOW] + [PULLUP] * (size - 1))
    reading = run.measure("walk-net", {"size": size})["reading"]
    assert pytest.approx(reading, abs=2e-4) == circuit.pin_v(size - 1) / circuit.vio_v


@pytest.mark.parametrize(("own", "far"), [(1, 1), (2, 2), (2, 7)])
def test_the_virtual_tester_changes_at_the_path_that_the_deck_finds(ngspice: str, own: int, far: int) -> None:
    path = run.measure("walk-path", {"own": own, "far": far})["path"]
    wires = [*star(own), Wire(0, own, path), *(Wire(own, own + k, 1e-3) for k in range(1, far))]
    circuit = solved(own + far, wires, [LOW] + [PULLUP] * (own + far - 1))
    assert pytest.approx(spread.SCHMITT_CENTRE, abs=1e-3) == circuit.pin_v(own) / circuit.vio_v


@pytest.mark.parametrize(("size", "highs"), [(2, 1), (40, 1), (128, 4)])
def test_the_virtual_tester_s_lane_has_the_deck_s_current_and_supply(
    ngspice: str, size: int, highs: int
) -> None:
    circuit = solved(size, star(size), [HIGH] * highs + [LOW] * (size - highs))
    deck = run.measure("lane-link", {"size": size, "highs": highs})
    assert pytest.approx(deck["current"] * 1e3, rel=1e-3) == circuit.supply_ma
    assert pytest.approx(deck["vio"], abs=1e-3) == circuit.vio_v


@pytest.mark.parametrize("ohms", [1e4, 1e5])
def test_the_virtual_tester_s_leak_is_the_deck_s(ngspice: str, ohms: float) -> None:
    circuit = solved(2, [Wire(0, 1, ohms)], [HIGH, LOW])
    steps = run.measure("lane-leak", {"size": 1, "ohms": ohms})["steps"]
    assert pytest.approx(steps, rel=2e-3) == circuit.supply_ma / 1e3 * 22 / 7.8125e-6


@pytest.mark.parametrize("pairs", [40, 64])
def test_the_virtual_tester_s_highs_against_lows_are_the_deck_s(ngspice: str, pairs: int) -> None:
    circuit = solved(2 * pairs, [Wire(k, k + pairs, 1e-3) for k in range(pairs)], [HIGH, LOW] * pairs)
    for point in range(2 * pairs):
        circuit.set_drive(point, HIGH if point < pairs else LOW)
    circuit.settle()
    assert pytest.approx(run.measure("fault-highs", {"pairs": pairs})["vio"], abs=2e-3) == circuit.vio_v


@pytest.mark.parametrize(
    ("file", "seen", "becomes", "deck", "figure"),
    [
        ("parts.inc", ".param series = 680 ", ".param series = 820 ", "walk-path", "walk-pair, typical"),
        ("parts.inc", ".param shunt = 22 ", ".param shunt = 2.2 ", "lane-link", "link-steps, typical"),
        ("parts.inc", ".param rfilter = 1k ", ".param rfilter = 1.2k ", "lane-settle", "filter-settled"),
        ("parts.inc", ".param rlow = 40 ", ".param rlow = 400 ", "fault-highs", "highs-40-vio, typical"),
        ("lane-link.cir", "{own + 1u}\nIleak", "{own + 47}\nIleak", "lane-link", "link-current, typical"),
        ("accident-volts.cir", "{series/points}", "{series}", "accident-volts", "plus12-8.clamp"),
        ("figures.toml", "ipull = 0, leak", "ipull = 1e-6, leak", "settle-rise", "float, values"),
    ],
)  # fmt: skip
def test_a_wrong_resistor_is_noticed(
    ngspice: str, copy: Path, file: str, seen: str, becomes: str, deck: str, figure: str
) -> None:
    change(copy / file, seen, becomes)
    done = call(copy, "--check", deck)
    assert 1 == done.returncode
    assert figure in done.stdout


@pytest.mark.parametrize(
    ("file", "seen", "becomes", "says"),
    [
        (
            "results.csv", '"40 pairs: VIO', '"41 pairs: VIO',
            "highs-40-vio, about: results.csv has `41 pairs: VIO, supply 3.3 V`",
        ),
        ("RESULTS.md", "40 pairs: VIO", "41 pairs: VIO", "RESULTS.md is not what results.csv says"),
        ("results.csv", ",2.080,", ",2.180,", "highs-40-vio, typical: results.csv has 2.180, the deck 2.080"),
        ("results.csv", ",2.1,,yes,", ",2.1,,no,", "results.csv contradicts itself"),
    ],
)  # fmt: skip
def test_a_changed_result_is_noticed(
    ngspice: str, copy: Path, file: str, seen: str, becomes: str, says: str
) -> None:
    change(copy / file, seen, becomes)
    done = call(copy, "--check", "fault-highs")
    assert 1 == done.returncode
    assert says in done.stdout


@pytest.mark.parametrize("deck", DECKS)
def test_a_deck_runs_by_itself_and_says_the_same(ngspice: str, deck: str) -> None:
    done = subprocess.run(
        [ngspice, "-n", "-b", f"{deck}.cir"], cwd=SPICE, capture_output=True, text=True, check=False
    )
    printed = {name: float(value) for name, value in re.findall(r"^(\w+) = (\S+)$", done.stdout, re.M)}
    assert printed
    assert printed == run.measure(deck, {})


def test_every_deck_is_asked_for_a_figure() -> None:
    asked = {figure["deck"] for section in FIGURES["section"] for figure in section["figure"]}
    assert set(DECKS) == asked | {accident["deck"] for accident in FIGURES["accident"]}


def test_every_corner_is_used() -> None:
    used = {"typical", "harsh"}
    for section in FIGURES["section"]:
        for figure in section["figure"]:
            corners = [figure[name] for name in run.CORNERS if name in figure]
            used |= {one if isinstance(one, str) else one.get("corner", "typical") for one in corners}
    assert set(FIGURES["corners"]) == used


def test_every_part_says_where_its_value_is_from() -> None:
    params = re.findall(r"^\.param (\w+) = .*\n(?:\*  .*\n)*", PARTS, re.M)
    sources = "ds|derived|assumed|memory|bought|at each of eight expanders"
    told = re.findall(rf"^\.param (\w+) = (?=.*(?:\n\*  .*)*\b(?:{sources})\b)", PARTS, re.M)
    assert params == told
    assert {"series", "shunt", "ipull", "vz"} <= set(told)


def value_of(name: str, text: str = PARTS) -> float:
    """A `.param`, in SI units."""
    (number, scale) = re.findall(rf"^\.param {name} = ([\d.e]+)(\w*)", text, re.M)[0]
    return float(number) * {"": 1, "k": 1e3, "u": 1e-6, "m": 1e-3, "n": 1e-9}[scale]


def test_the_decks_have_the_parts_that_the_virtual_tester_has() -> None:
    model = {
        "series": spread.SERIES_OHMS,
        "rlow": spread.OUT_LOW_OHMS,
        "rhigh": spread.OUT_HIGH_OHMS,
        "ipull": spread.PULLUP_AMPS,
        "shunt": spread.SHUNT_OHMS,
        "vth": spread.SCHMITT_CENTRE,
        "supply": spread.SUPPLY_V,
    }
    assert pytest.approx(model) == {name: value_of(name) for name in model}
    strong, weak = (FIGURES["corners"][name]["with"] for name in ("strong", "weak"))
    assert ("76u", spread.OUT_LOW_MAX, spread.SCHMITT_MIN) == (
        strong["ipull"], strong["rlow"], strong["vth"],
    )  # fmt: skip
    assert ("14u", spread.OUT_HIGH_MAX, spread.SCHMITT_MAX) == (
        weak["ipull"], weak["rhigh"], weak["vth"],
    )  # fmt: skip
    assert (76e-6, 14e-6) == (spread.PULLUP_MAX, spread.PULLUP_MIN)
    assert pytest.approx(680 * (1 + spread.SERIES_TOLERANCE)) == strong["series"]


def test_the_decks_have_the_parts_that_are_on_the_board() -> None:
    parts = loaded(ROOT / "hardware" / "circuit.py").circuit()
    values = {part.ref: part.value for part in parts}
    numbers = {ref: re.findall(r"[\d.]+", values[ref]) for ref in values}
    assert f"{value_of('series'):g}" in numbers["RN1"]
    assert f"{value_of('shunt'):g}" == numbers["R8"][0]
    assert [f"{value_of('rfilter') / 1e3:g}"] * 2 == [numbers["R9"][0], numbers["R10"][0]]
    assert f"{value_of('cfilter') * 1e9:g}" == numbers["C11"][0]
    on_vio = [part for part in parts if part.ref.startswith("C") and "VIO" in {pin.net for pin in part.pins}]
    assert {"100 nF"} == {part.value for part in on_vio}
    assert pytest.approx(100e-9 * len(on_vio)) == value_of("cvio")
    assert f"{value_of('vz'):g}" == numbers["D1"][0]
    assert "1N4001" == values["D2"]


def test_the_decks_wait_as_long_as_the_firmware() -> None:
    def constant(file: str, name: str) -> int:
        text = (ROOT / "firmware" / "tester" / file).read_text("utf-8")
        return int(re.findall(rf"^{name} = const\((-?[\d_]+)\)", text, re.M)[0])

    settle = value_of("settle", (SPICE / "lane-settle.cir").read_text("utf-8"))
    assert constant("ohms.py", "_SETTLE_US") == pytest.approx(settle * 1e6)
    assert f"<= {constant('ohms.py', '_MOST_SPREAD')}" == RESULTS["filter-apart"]["said_most"]
    assert f"<= {constant('ohms.py', '_BACKWARDS_STEPS')}" == RESULTS["outside-plus5"]["said_typical"]
    assert f"<= {constant('bank.py', 'RECOVER_US')}" == RESULTS["rise-1n-leak"]["said_most"]


@pytest.mark.parametrize(
    ("value", "said", "is_so"),
    [
        ("9.177", "9.2", True),
        ("9.249", "9.2", True),
        ("9.30", "9.2", False),
        ("1465", "1.47e3", True),
        ("1455", "1.47e3", False),
        ("208.0", "2e2", True),
        ("379.7", "379", True),
        ("466.6", "379", False),
        ("58.33", "47-58", True),
        ("46.51", "47-58", True),
        ("45.9", "47-58", False),
        ("4.99", "<= 5", True),
        ("5.01", "<= 5", False),
        ("3.203", ">= 3.1", True),
        ("-112.6", ">= -14", False),
        ("-13.9", ">= -14", True),
    ],
)
def test_a_result_agrees_if_it_rounds_to_what_is_said_or_keeps_to_the_bound(
    value: str, said: str, is_so: bool
) -> None:
    assert is_so == run.agrees(value, said)


@pytest.mark.parametrize(
    ("kept", "now", "is_near"),
    [
        ("2.080", "2.080", True),
        ("2.080", "2.090", True),
        ("2.080", "2.091", False),
        ("14", "15", False),
        ("0", "0.0001", True),
        ("0", "0.0003", False),
        ("", "", True),
        ("", "1.0", False),
        ("-112.6", "112.6", False),
    ],
)
def test_a_figure_is_near_within_half_a_percent(kept: str, now: str, is_near: bool) -> None:
    assert is_near == run.near(kept, now)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (58.33148, "kΩ", "58.33"),
        (0.99999999, "VIO", "1.000"),
        (1465.4, "kΩ", "1465"),
        (61234.0, "kΩ", "61230"),
        (0.009064, "steps", "0.009064"),
        (-112.64, "steps", "-112.6"),
        (82.0, "pins", "82"),
        (1.2e-9, "mA", "0"),
    ],
)
def test_figures_have_four_digits(value: float, unit: str, text: str) -> None:
    assert text == run.digits(value, unit)


def test_a_fault_of_a_deck_is_said_with_its_values(ngspice: str, copy: Path) -> None:
    with pytest.raises(SystemExit, match=r"^walk-path\.cir, \{'vth': 2\}: .*out of interval"):
        run.measure("walk-path", {"vth": 2})
    with pytest.raises(SystemExit, match=r"^walk-path\.cir: 0 lines `\.param colour = `"):
        run.measure("walk-path", {"colour": 2})
    change(copy / "fault-highs.cir", "print vio current", "print voltage")
    with pytest.raises(SystemExit, match=r"^fault-highs\.cir, \{'pairs': 40\}: "):
        run.measure("fault-highs", {"pairs": 40}, copy)
    change(copy / "accident-volts.cir", "point clamp driver", "point driver")
    done = call(copy, "--check", "accident-volts")
    assert (1, True) == (done.returncode, "it prints no `clamp`" in done.stderr)


def test_without_ngspice_it_says_how_to_get_it(tmp_path: Path) -> None:
    done = call(SPICE, "--check", path=str(tmp_path))
    assert (1, "", f"{run.NO_NGSPICE}\n") == (done.returncode, done.stdout, done.stderr)


def test_an_unknown_option_is_answered_with_how_to_use_it(tmp_path: Path) -> None:
    done = call(SPICE, "--chekc", path=str(tmp_path))
    assert 1 == done.returncode
    assert "hardware/spice/run.py --check" in done.stderr


def test_an_unknown_deck_is_named(ngspice: str) -> None:
    done = call(SPICE, "--check", "walk-pat")
    assert (1, "no figure is taken of walk-pat\n") == (done.returncode, done.stderr)


def test_what_is_kept_is_written_as_the_script_writes_it() -> None:
    """Two runs of a deck print the same figures to the last digit: see above."""
    rows = run.read_results()
    assert run.csv_text(rows).encode() == (SPICE / "results.csv").read_bytes()
    assert run.results_text(rows, FIGURES).encode() == (SPICE / "RESULTS.md").read_bytes()
