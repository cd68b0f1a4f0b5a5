"""Published wirings on the virtual tester, from the command line to the exit status.

The profile and what is plugged in are both made from the table in wirings/, whose head names its
sources; the damage is done to what is plugged in alone. Which pins it hits is chosen by the table's
place in the list, so that all damage together is spread over the connectors.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import networkx  # type: ignore[import-untyped]
import pytest
import tomli_w

from pinwright.cli.main import main

# Table → its ends as connectors. Wide and narrow, straight and woven, with and without nets of many pins.
ENDS = {
    "8p8c_crossover_four_pair": ("8p8c", "8p8c"),
    "arm_jtag20_straight": ("idc-2x10", "idc-2x10"),
    "ata40_straight": ("idc-2x20", "idc-2x20"),
    "dip16_to_dip16_same_plugs": ("dip-16", "dip-16"),
    "floppy34_ibm_twist": ("idc-2x17", "idc-2x17"),
    "idc10_to_de9_row_matched": ("idc-2x5", "dsub-9-plug"),
    "idc26_to_db25_number_matched": ("idc-2x13", "dsub-25-plug"),
    "idc36_ribbon_to_micro_ribbon36": ("idc-2x18", "micro-ribbon-36-plug"),
    "idc_dip14_plug_pin1_on_wire2": ("idc-2x7", "dip-14"),
    "idc_dip40_plug_pin1_on_wire1": ("idc-2x20", "dip-40"),
    "idc_dip40_plug_pin1_on_wire2": ("idc-2x20", "dip-40"),
    "midi_din5": ("din-5-180-plug", "din-5-180-plug"),
    "printer_db25_to_mr36_18wire": ("dsub-25-plug", "micro-ribbon-36-plug"),
    "rs232_de9_null_modem_full_handshake": ("dsub-9-socket", "dsub-9-socket"),
    "st506_34_control_straight": ("idc-2x17", "idc-2x17"),
    "xlr3_straight": ("xlr-3-socket", "xlr-3-plug"),
}
PLACE = {name: place for place, name in enumerate(ENDS)}
BY_HAND = {"dip16_to_dip16_same_plugs": ["--at", "B=J1"]}  # there is one socket for DIP plugs

Nets = list[list[str]]


def nets_of(name: str) -> Nets:
    """The nets of a table: rows that share a pin are one."""
    file = Path(__file__).parent / "wirings" / f"{name}.tsv"
    lines = [line.split("\t") for line in file.read_text(encoding="utf-8").splitlines() if line[0] != "#"]
    rows = [(f"A.{a}", f"B.{b}") for a, b, *_ in lines[1:] if "-" not in (a, b)]
    pieces = networkx.connected_components(networkx.Graph(rows))
    return sorted((sorted(piece, key=order) for piece in pieces), key=lambda piece: order(piece[0]))


def order(pin: str) -> tuple[str, int]:
    end, _, number = pin.partition(".")
    return end, int(re.sub(r"\D", "", number))


@pytest.fixture
def scan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, Any]]:
    """Scan a cable that should have these nets while those links are plugged in; status and document."""

    def scan(name: str, nets: Nets, links: Nets) -> tuple[int, Any]:
        one, other = ENDS[name]
        profile, bench = tmp_path / "published.toml", tmp_path / "bench.toml"
        ends = {"A": {"connector": one}, "B": {"connector": other}}
        cable = {"cable": {"id": "published"}, "ends": ends, "wiring": {"wires": nets}}
        profile.write_text(tomli_w.dumps(cable), encoding="utf-8")
        bench.write_text(tomli_w.dumps({"link": [{"pins": pins} for pins in links]}), encoding="utf-8")
        words = ["--port", f"sim:{bench}", "--no-certificate", "--json", *BY_HAND.get(name, [])]
        status = main(["scan", str(profile), *words])
        return status, json.loads(capsys.readouterr().out)

    return scan


def pick(name: str, nets: Nets) -> int:
    """Which net is hit: another share of the way through the nets for each table."""
    return PLACE[name] * 7 % len(nets)


@pytest.mark.parametrize("name", ENDS)
def test_a_cable_as_published_passes(name: str, scan: Any) -> None:
    nets = nets_of(name)
    status, document = scan(name, nets, nets)
    assert (0, "pass", nets) == (status, document["verdict"], document["nets"])


@pytest.mark.parametrize("name", ENDS)
def test_two_pins_exchanged_fail(name: str, scan: Any) -> None:
    nets, links = nets_of(name), nets_of(name)
    one = pick(name, nets)
    other = (one + 1 + PLACE[name] % (len(nets) - 1)) % len(nets)
    links[one][-1], links[other][-1] = links[other][-1], links[one][-1]
    status, document = scan(name, nets, links)
    assert (1, "fail", 2) == (status, document["verdict"], len(document["missing"]))


@pytest.mark.parametrize("name", ENDS)
def test_a_pin_that_is_open_fails(name: str, scan: Any) -> None:
    nets, links = nets_of(name), nets_of(name)
    hit = pick(name, nets)
    pin = links[hit].pop(PLACE[name] % len(links[hit]))
    rest = list(links[hit])
    if len(rest) == 1:
        del links[hit]
    status, document = scan(name, nets, links)
    pieces = sorted([rest, [pin]], key=lambda piece: order(piece[0]))
    assert (1, [{"signal": "", "pieces": pieces}], []) == (status, document["missing"], document["extra"])


@pytest.mark.parametrize("name", ENDS)
def test_two_nets_bridged_fail(name: str, scan: Any) -> None:
    nets = nets_of(name)
    one = pick(name, nets)
    other = (one + 1) % len(nets)
    status, document = scan(name, nets, [*nets, [nets[one][0], nets[other][0]]])
    whole = sorted(nets[one] + nets[other], key=order)
    assert (1, [], [{"pins": whole, "signals": []}]) == (status, document["missing"], document["extra"])
