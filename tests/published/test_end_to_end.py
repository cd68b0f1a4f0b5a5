"""Every standard profile on the virtual tester, from the command line to the exit status.

What is plugged in and what should come of it are made from the table in wirings/, whose head names its
sources, and not from the profile; the damage is done to what is plugged in alone. Which pins it hits is
chosen by the table's place in the list, so that all damage together is spread over the connectors.

To be cheap: only boards as large as the cable needs, and for the damaged cables one running board of each
size on a port, into which one cable after another is plugged.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from functools import cache
from itertools import permutations
from pathlib import Path
from typing import Any

import networkx  # type: ignore[import-untyped]
import pytest
import tomli_w

from pinwright import resources
from pinwright.cable.pins import Pin, in_order, parse_pin
from pinwright.cable.profile import Joined, Profile
from pinwright.cli.main import main
from pinwright.cli.ports import Workshop, plug_in
from pinwright.library import read_profile
from pinwright.virtual.bench import Bench, Link, TesterSpec
from pinwright.virtual.port import Port

STANDARD = resources.folder("profiles") / "standard"
TABLES = sorted((Path(__file__).parent / "wirings").glob("*.tsv"))
TOO_LARGE = {"scsi50_ribbon_straight"}  # no socket of the tester has 50 pins
SCANNED = [table.stem for table in TABLES if table.stem not in TOO_LARGE]
PLACE = {name: place for place, name in enumerate(SCANNED)}
BY_HAND = {"dip16_to_dip16_same_plugs": {"B": "J1"}}  # there is one socket for DIP plugs
NEEDS_J2 = {"ata40_straight", "ata80c_host_to_master_black", "trs_insert_y"}
# Its two mono plugs are alike: their tips exchanged are their plugs exchanged.
SWAP = {"trs_insert_y": "socket"}

Net = tuple[Pin, ...]


def id_of(name: str) -> str:
    return name.replace("_", "-")


@cache
def profile_of(name: str) -> Profile:
    return read_profile(STANDARD / f"{id_of(name)}.toml").profile


def nets_of(name: str) -> list[Net]:
    """The nets of a table: rows that share a pin are one."""
    file = Path(__file__).parent / "wirings" / f"{name}.tsv"
    lines = [line.split("\t") for line in file.read_text(encoding="utf-8").splitlines() if line[0] != "#"]
    rows = [(f"A.{a}", b if "." in b else f"B.{b}") for a, b, *_ in lines[1:] if "-" not in (a, b)]
    pieces = networkx.connected_components(networkx.Graph(rows))
    nets = [tuple(sorted(map(parse_pin, piece), key=in_order)) for piece in pieces]
    return sorted(nets, key=lambda net: in_order(net[0]))


def fitted(name: str) -> int:
    """Five expanders serve J1 and S1, eight all sockets."""
    return 8 if name in NEEDS_J2 else 5


def by_hand(name: str) -> list[str]:
    return [word for end, socket in BY_HAND.get(name, {}).items() for word in ("--at", f"{end}={socket}")]


def two_apart(name: str, nets: Sequence[Net]) -> tuple[int, int]:
    """The places of two of these nets that may not be joined: others for each table."""
    profile = profile_of(name)
    free = {net.pins: net.common for net in profile.nets if profile.common.get(net.common) is Joined.OPTIONAL}
    pairs = [
        (one, other)
        for one, other in permutations(range(len(nets)), 2)
        if nets[one] not in free or free.get(nets[one]) != free.get(nets[other])
    ]
    return pairs[PLACE[name] * 37 % len(pairs)]


def together(pieces: Any) -> set[frozenset[str]]:
    return {frozenset(map(str, piece)) for piece in pieces}


@pytest.fixture(scope="module")
def board() -> Iterator[Callable[[str, list[Net]], str]]:
    """Plugs a cable into a board that is kept running, and tells the board's port."""
    workshop = Workshop.read()
    running: dict[int, Port] = {}
    with ExitStack() as stack:

        def plugged(name: str, links: list[Net]) -> str:
            size = fitted(name)
            bench = Bench(tuple(map(Link, links)), TesterSpec(fitted=size))
            cable = plug_in(bench, profile_of(name).ends, workshop, BY_HAND.get(name, {}))
            if size not in running:
                running[size] = stack.enter_context(Port(*cable, resources.folder("firmware")))
            running[size].plug(*cable)
            return running[size].name

        yield plugged


@pytest.fixture
def scan(
    board: Callable[[str, list[Net]], str], capsys: pytest.CaptureFixture[str]
) -> Callable[[str, list[Net]], Any]:
    """Scan a table's cable while those links are plugged in. It has to fail; returns what is said of it."""

    def scan(name: str, links: list[Net]) -> Any:
        profile, port = STANDARD / f"{id_of(name)}.toml", board(name, links)
        status = main(["scan", str(profile), "--port", port, "--no-certificate", "--json", *by_hand(name)])
        document = json.loads(capsys.readouterr().out)
        assert (1, "fail") == (status, document["verdict"])
        return document

    return scan


@pytest.mark.parametrize("name", SCANNED)
@pytest.mark.one_in(2)
def test_a_cable_as_published_passes(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    nets = nets_of(name)
    bench = tmp_path / "bench.toml"
    links = [{"pins": [str(pin) for pin in net]} for net in nets]
    bench.write_text(tomli_w.dumps({"link": links, "tester": {"fitted": fitted(name)}}), encoding="utf-8")
    words = ["--port", f"sim:{bench}", "--no-certificate", "--json", *by_hand(name)]
    status = main(["scan", id_of(name), *words])
    document = json.loads(capsys.readouterr().out)
    assert (0, "pass", []) == (status, document["verdict"], document["findings"])
    assert together(nets) == together(document["nets"])


@pytest.mark.one_in(3)
@pytest.mark.parametrize("name", SCANNED)
def test_two_pins_exchanged_are_found(name: str, scan: Any) -> None:
    nets = nets_of(name)
    pairs = [net for net in nets if len(net) == 2]
    one, other = (pairs[place] for place in two_apart(name, pairs))
    rest = [net for net in nets if net not in (one, other)]
    document = scan(name, [*rest, (one[0], other[1]), (other[0], one[1])])
    (finding,) = document["findings"]
    assert SWAP.get(name, "swap") == finding["kind"]
    assert {str(pin) for pin in one + other} == {*finding["pins"]}
    assert 2 == len(document["missing"])


@pytest.mark.one_in(3)
@pytest.mark.parametrize("name", SCANNED)
def test_a_pin_that_is_open_is_found(name: str, scan: Any) -> None:
    nets = nets_of(name)
    hit = nets[PLACE[name] * 7 % len(nets)]
    pin = hit[PLACE[name] % len(hit)]
    left = tuple(other for other in hit if other != pin)
    document = scan(name, [*(net for net in nets if net != hit), *([left] if left[1:] else [])])
    (finding,) = document["findings"]
    assert ("open", {*map(str, hit)}) == (finding["kind"], {*finding["pins"]})
    (missing,) = document["missing"]
    assert together([left, [pin]]) == together(missing["pieces"])
    assert [] == document["extra"]


@pytest.mark.one_in(3)
@pytest.mark.parametrize("name", SCANNED)
def test_two_nets_bridged_are_found(name: str, scan: Any) -> None:
    nets = nets_of(name)
    one, other = (nets[place] for place in two_apart(name, nets))
    document = scan(name, [*nets, (one[-1], other[0])])
    (finding,) = document["findings"]
    assert ("short", {str(pin) for pin in one + other}) == (finding["kind"], {*finding["pins"]})
    (extra,) = document["extra"]
    assert {*finding["pins"]} == {*extra["pins"]}
    assert [] == document["missing"]


@pytest.mark.parametrize(
    ("name", "pins"),
    [
        ("arm_jtag20_straight", "A.4 A.20"),
        ("floppy34_ibm_twist", "A.11 B.11"),
        ("printer_db25_to_mr36_25wire_a", "A.18 A.19 A.25"),
    ],
)
def test_grounds_that_the_equipment_joins_may_be_joined_in_the_cable(
    name: str, pins: str, board: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    port = board(name, [*nets_of(name), tuple(map(parse_pin, pins.split()))])
    assert 0 == main(["scan", id_of(name), "--port", port, "--no-certificate", "--json"])
    assert "pass" == json.loads(capsys.readouterr().out)["verdict"]


@pytest.mark.parametrize("name", sorted(TOO_LARGE))
def test_a_cable_too_wide_for_every_socket_is_refused(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert 2 == main(["scan", id_of(name), "--port", "sim", "--no-certificate"])
    assert "no socket for end `A` (`idc-2x25`, 50 pins)" in capsys.readouterr().err
