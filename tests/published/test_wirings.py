"""Published wirings against the nets that profiles make of them.

Each table in wirings/ names its sources and how far they are to be trusted in its head; rows that
share a pin are one net. networkx, which knows nothing of cables, finds the nets a second time.
"""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from typing import Any

import networkx  # type: ignore[import-untyped]
import pytest

from pinwright.cable.profile import Profile

TABLES = sorted((Path(__file__).parent / "wirings").glob("*.tsv"))

# What the head of a table calls an end → our connector; the first that fits.
CONNECTORS = (
    (r"(\d+)-pin DIP", "dip-{}"),
    (r"D[ABE]-(\d+) female", "dsub-{}-socket"),
    (r"D[ABE]-(\d+)", "dsub-{}-plug"),
    (r"(\d+)-way micro-ribbon", "micro-ribbon-{}-plug"),
    (r"DIN-(6|5 180)", "din-{}-plug"),
    (r"XLR-3 female", "xlr-3-socket"),
    (r"XLR-3 male", "xlr-3-plug"),
    (r"(8P8C|6P6C)", "{}"),
    (r"(TRS) plug", "{}"),
    (r"(?:blue host|black end) plug", "idc-2x20"),  # the two ends of ATA's 80-conductor cable
)

Wiring = dict[str, Any]


def read(table: Path) -> tuple[dict[str, str], list[tuple[str, str]]]:
    """The ends of a table (name → connector), and its rows with a pin at both ends."""
    lines = table.read_text(encoding="utf-8").splitlines()
    heads = dict(line.removeprefix("# ").split(": ", 1) for line in lines if line.startswith("# "))
    cells = [line.split("\t") for line in lines if not line.startswith("#")][1:]
    rows = [(f"A.{a}", b if "." in b else f"B.{b}") for a, b, _ in cells if "-" not in (a, b)]
    if "two TS plugs" in heads["end_b"]:
        return {"A": connector(heads["end_a"]), "SEND": "ts", "RETURN": "ts"}, rows
    return {"A": connector(heads["end_a"]), "B": connector(heads["end_b"])}, rows


def connector(words: str) -> str:
    for pattern, name in CONNECTORS:
        if found := re.search(pattern, words):
            return name.format(*found.groups()).lower().replace(" ", "-")
    ways = re.search(r"(\d+)-way", words)
    assert ways, f"no connector for {words}"
    return f"idc-2x{int(ways[1]) // 2}"


def nets(ends: dict[str, str], wiring: Wiring, **more: Wiring) -> set[frozenset[str]]:
    """The nets of a profile with these ends and this wiring."""
    signals = more.pop("signals", {})
    tables = {end: {"connector": kind, "signals": signals.get(end, {})} for end, kind in ends.items()}
    made = Profile.from_dict({"cable": {"id": "published"}, "ends": tables, "wiring": wiring, **more})
    return {frozenset(map(str, net.pins)) for net in made.nets}


def components(rows: list[tuple[str, str]]) -> set[frozenset[str]]:
    return set(map(frozenset, networkx.connected_components(networkx.Graph(rows))))


def merged(rows: list[tuple[str, str]]) -> list[list[str]]:
    """Rows that share a pin put together, the plain way."""
    whole: list[set[str]] = []
    for row in rows:
        touching = [net for net in whole if not net.isdisjoint(row)]
        whole = [net for net in whole if net not in touching] + [set(row).union(*touching)]
    return [sorted(net) for net in whole]


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.stem)
def test_the_wires_of_a_published_table_give_its_nets(table: Path) -> None:
    ends, rows = read(table)
    assert components(rows) == nets(ends, {"wires": merged(rows)})


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.stem)
def test_a_name_for_each_net_of_a_published_table_gives_its_nets(table: Path) -> None:
    ends, rows = read(table)
    signals: Wiring = {end: {} for end in ends}
    common: Wiring = {}
    for number, net in enumerate(merged(rows)):
        for pin in net:
            end, _, name = pin.rpartition(".")
            signals[end][name] = f"N{number}"
        if max(Counter(pin.rpartition(".")[0] for pin in net).values()) > 1:
            common[f"N{number}"] = {"joined": "required"}
    assert components(rows) == nets(ends, {"by_signal": True}, signals=signals, common=common)


STRAIGHT: Wiring = {"rule": "straight"}
PIN_1_ON_WIRE_1: Wiring = {"rule": "alternate", "first": "low"}
PIN_1_ON_WIRE_2: Wiring = {"rule": "alternate", "first": "high"}


@pytest.mark.parametrize(
    ("name", "wiring"),
    [
        ("idc_dip14_plug_pin1_on_wire1", PIN_1_ON_WIRE_1),
        ("idc_dip16_plug_pin1_on_wire1", PIN_1_ON_WIRE_1),
        ("idc_dip28_plug_pin1_on_wire1", PIN_1_ON_WIRE_1),
        ("idc_dip40_plug_pin1_on_wire1", PIN_1_ON_WIRE_1),
        ("idc_dip14_plug_pin1_on_wire2", PIN_1_ON_WIRE_2),
        ("idc_dip16_plug_pin1_on_wire2", PIN_1_ON_WIRE_2),
        ("idc_dip24_plug_pin1_on_wire2", PIN_1_ON_WIRE_2),
        ("idc_dip40_plug_pin1_on_wire2", PIN_1_ON_WIRE_2),
        ("8p8c_t568a_straight", STRAIGHT),
        ("8p8c_t568b_straight", STRAIGHT),
        ("arm_jtag20_straight", STRAIGHT),
        ("cbm_serial_din6", STRAIGHT),
        ("dip16_to_dip16_same_plugs", STRAIGHT),
        ("floppy34_straight", STRAIGHT),
        ("scsi50_ribbon_straight", STRAIGHT),
        ("st506_20_data_straight", STRAIGHT),
        ("st506_34_control_straight", STRAIGHT),
        ("xlr3_straight", STRAIGHT),
    ],
)
def test_a_rule_gives_the_nets_of_the_published_table(name: str, wiring: Wiring) -> None:
    ends, rows = read(Path(__file__).parent / "wirings" / f"{name}.tsv")
    assert components(rows) == nets(ends, wiring)


def test_the_two_kinds_of_dip_plug_differ_in_every_net() -> None:
    ends, _ = read(Path(__file__).parent / "wirings" / "idc_dip40_plug_pin1_on_wire1.tsv")
    assert nets(ends, PIN_1_ON_WIRE_1).isdisjoint(nets(ends, PIN_1_ON_WIRE_2))


def test_enough_published_tables_are_compared() -> None:
    assert len(TABLES) >= 14
