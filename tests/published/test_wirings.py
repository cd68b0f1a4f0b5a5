"""The standard profiles against the published tables that they were written from.

Each table in wirings/ names its sources and how far they are to be trusted in its head; rows that
share a pin are one net. networkx, which knows nothing of cables, finds the nets a second time.
"""

from __future__ import annotations

import re
from collections import Counter
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

import networkx  # type: ignore[import-untyped]
import pytest

from pinwright import resources
from pinwright.cable.profile import Confidence, Joined, Profile
from pinwright.errors import ProfileError
from pinwright.library import LoadedProfile, read_profile

TABLES = sorted((Path(__file__).parent / "wirings").glob("*.tsv"))
STANDARD = resources.folder("profiles") / "standard"

# What the head of a table calls an end → our connector, as a pattern where the head leaves something open;
# the first that fits.
CONNECTORS = (
    (r"(\d+)-pin DIP", "dip-{}"),
    (r"D[ABE]-(\d+) female", "dsub-{}-socket"),
    (r"D[ABE]-(\d+) male", "dsub-{}-plug"),
    (r"D[ABE]-(\d+)", "dsub-{}-(plug|socket)"),
    (r"(\d+)-way micro-ribbon", "micro-ribbon-{}-plug"),
    (r"DIN-(6|5 180)", "din-{}-plug"),
    (r"XLR-3 female", "xlr-3-socket"),
    (r"XLR-3 male", "xlr-3-plug"),
    (r"(8P8C|6P6C)", "{}"),
    (r"(TRS) plug", "{}"),
    (r"(?:blue host|black end) plug", "idc-2x20"),  # the two ends of ATA's 80-conductor cable
)

Wiring = dict[str, Any]


def head(table: Path, key: str) -> list[str]:
    """What the head of a table says under this key: `source`, `confidence`, `end_a`."""
    lines = table.read_text(encoding="utf-8").splitlines()
    return [line.removeprefix(f"# {key}: ") for line in lines if line.startswith(f"# {key}: ")]


def signals_of(table: Path) -> list[tuple[str, str, str]]:
    """The rows with a pin at both ends: pin, pin, what the conductor carries."""
    lines = table.read_text(encoding="utf-8").splitlines()
    cells = [line.split("\t") for line in lines if not line.startswith("#")][1:]
    return [(f"A.{a}", b if "." in b else f"B.{b}", signal) for a, b, signal in cells if "-" not in (a, b)]


def read(table: Path) -> list[tuple[str, str]]:
    return [(a, b) for a, b, _ in signals_of(table)]


@cache
def loaded(table: Path) -> LoadedProfile:
    return read_profile(STANDARD / f"{table.stem.replace('_', '-')}.toml")


def named(id: str) -> Profile:
    return read_profile(STANDARD / f"{id}.toml").profile


def pins_of(profile: Profile) -> set[frozenset[str]]:
    return {frozenset(map(str, net.pins)) for net in profile.nets}


def connector(words: str) -> str:
    for pattern, name in CONNECTORS:
        if found := re.search(pattern, words):
            return name.format(*found.groups()).lower().replace(" ", "-")
    ways = re.search(r"(\d+)-way", words)
    assert ways, f"no connector for {words}"
    return f"idc-2x{int(ways[1]) // 2}"


def components(rows: list[tuple[str, str]]) -> set[frozenset[str]]:
    return set(map(frozenset, networkx.connected_components(networkx.Graph(rows))))


def merged(rows: list[tuple[str, str]]) -> list[list[str]]:
    """Rows that share a pin put together, the plain way."""
    whole: list[set[str]] = []
    for row in rows:
        touching = [net for net in whole if not net.isdisjoint(row)]
        whole = [net for net in whole if net not in touching] + [set(row).union(*touching)]
    return [sorted(net) for net in whole]


every_table = pytest.mark.parametrize("table", TABLES, ids=lambda table: table.stem)


def test_every_table_has_its_profile_and_every_standard_profile_its_table() -> None:
    ids = [table.stem.replace("_", "-") for table in TABLES]
    assert sorted(ids) == sorted(path.stem for path in STANDARD.iterdir())
    assert ids == [loaded(table).profile.id for table in TABLES]
    assert len(TABLES) >= 40


@every_table
def test_a_standard_profile_has_the_nets_of_its_table(table: Path) -> None:
    assert components(read(table)) == pins_of(loaded(table).profile)


@every_table
def test_a_standard_profile_has_the_connectors_of_its_table(table: Path) -> None:
    (end_a,), (end_b,) = head(table, "end_a"), head(table, "end_b")
    expected = {"A": connector(end_a)}
    expected |= {"SEND": "ts", "RETURN": "ts"} if "two TS plugs" in end_b else {"B": connector(end_b)}
    ends = {end.name: end.connector.name for end in loaded(table).profile.ends}
    assert expected.keys() == ends.keys()
    assert [] == [name for end, name in ends.items() if not re.fullmatch(expected[end] + "(-shell)?", name)]
    shells = {pin.partition(".")[0] for row in read(table) for pin in row if pin.endswith("SHELL")}
    assert shells == {end for end, name in ends.items() if name.endswith("-shell")}


@every_table
def test_a_standard_profile_is_complete(table: Path) -> None:
    profile = loaded(table).profile
    assert all((profile.title, profile.revision, *(end.label for end in profile.ends)))
    assert () == profile.notes
    assert loaded(table).text.startswith("# ")


# A table of a DE-9 tells both ends' names in one (`RXD<-TXD`) or those of end A only (8P8C, four pairs).
@every_table
def test_the_signals_of_a_standard_profile_are_those_of_its_table(table: Path) -> None:
    told: dict[str, str] = {}
    for a, b, signal in signals_of(table):
        told[a] = f"{told.get(a, '')} {signal}"
        told[b] = f"{told.get(b, '')} {signal}"
    for end in loaded(table).profile.ends:
        for pin, signal in end.signals.items():
            if not (end.name == "B" and table.stem == "8p8c_crossover_four_pair"):
                assert signal.lower() in told[f"{end.name}.{pin}"].lower().replace("grounded", "gnd")


@every_table
def test_a_standard_profile_names_the_sources_of_its_table(table: Path) -> None:
    origin = loaded(table).profile.origin
    assert origin is not None
    assert head(table, "source") == list(origin.sources)


# How a head puts it. Best first, as the members of Confidence.
WORDS = {
    Confidence.AGREED: "two or more independent sources agree",
    Confidence.SINGLE: "SEEN in one stored page",
    Confidence.DERIVED: "DERIVED",
    Confidence.MEMORY: "MEMORY",
}
# Where a head says several things, or the wiring rests on less than its head: what was decided, and why.
DECIDED = {
    "cbm_serial_din6": Confidence.MEMORY,  # that it is straight
    "printer_db25_to_mr36_25wire_a": Confidence.SINGLE,  # the split of the grounds
    "scsi50_ribbon_straight": Confidence.AGREED,  # names alone are from memory
    # The rule was seen at 16 and 28 ways, or at 16 alone.
    "idc_dip14_plug_pin1_on_wire1": Confidence.DERIVED,
    "idc_dip28_plug_pin1_on_wire1": Confidence.DERIVED,
    "idc_dip40_plug_pin1_on_wire1": Confidence.DERIVED,
    "idc_dip14_plug_pin1_on_wire2": Confidence.DERIVED,
    "idc_dip24_plug_pin1_on_wire2": Confidence.DERIVED,
    "idc_dip40_plug_pin1_on_wire2": Confidence.DERIVED,
}


@every_table
def test_a_standard_profile_is_not_surer_than_its_table(table: Path) -> None:
    (words,) = head(table, "confidence")
    said = [confidence for confidence, text in WORDS.items() if text in words]
    origin = loaded(table).profile.origin
    assert origin is not None
    ranks = list(Confidence)
    assert ranks.index(origin.confidence) >= ranks.index(said[0])
    if table.stem not in DECIDED:
        assert [origin.confidence] == said
    else:
        assert DECIDED[table.stem] == origin.confidence


@every_table
def test_what_is_from_memory_says_so_to_whoever_reads_the_file(table: Path) -> None:
    (words,) = head(table, "confidence")
    comments = "\n".join(line for line in loaded(table).text.splitlines() if line.startswith("#"))
    origin = loaded(table).profile.origin
    assert origin is not None
    if origin.confidence is Confidence.MEMORY:
        assert "from memory" in comments.lower()
    if "memory" in words.lower():
        assert "memory" in (comments + " ".join(origin.notes)).lower()


# How the grounds are shared, read off the tables by hand: how many pins each conductor has.
GROUNDS = [
    ("printer-db25-to-mr36-18wire", Joined.REQUIRED, [21]),
    ("ata80c-host-to-master-black", Joined.REQUIRED, [15]),
    ("printer-db25-to-mr36-25wire-a", Joined.OPTIONAL, [2, 3, 3, 3, 3, 2, 3, 3]),
    ("ata40-straight", Joined.OPTIONAL, [2] * 7),
    ("arm-cortex10-straight", Joined.OPTIONAL, [2] * 2),
    ("arm-jtag20-straight", Joined.OPTIONAL, [2] * 9),
    ("floppy34-straight", Joined.OPTIONAL, [2] * 17),
    ("floppy34-ibm-twist", Joined.OPTIONAL, [2] * 17),
    ("idc26-to-db25-number-matched", Joined.OPTIONAL, [2] * 8),
    ("idc26-to-db25-row-matched", Joined.OPTIONAL, [2] * 8),
    ("scsi50-ribbon-straight", Joined.OPTIONAL, [2] * 28),
    ("st506-20-data-straight", Joined.OPTIONAL, [2] * 10),
    ("st506-34-control-straight", Joined.OPTIONAL, [2] * 17),
]


@pytest.mark.parametrize(("id", "joined", "sizes"), GROUNDS, ids=lambda value: str(value)[:40])
def test_grounds_are_shared_as_the_table_has_them(id: str, joined: Joined, sizes: list[int]) -> None:
    profile = named(id)
    grounds = [net for net in profile.nets if net.signal == "GND"]
    assert {"GND": joined} == profile.common
    assert sizes == [len(net.pins) for net in grounds]
    assert {"GND" if joined is Joined.OPTIONAL else ""} == {net.common for net in grounds}


def test_no_other_standard_profile_has_a_signal_on_several_conductors() -> None:
    shared = {profile.id for profile in (loaded(table).profile for table in TABLES) if profile.common}
    assert {id for id, *_ in GROUNDS} == shared


def test_a_bridge_within_a_plug_makes_one_net() -> None:
    nets = pins_of(named("rs232-de9-null-modem-full-handshake"))
    assert {frozenset({"A.1", "A.6", "B.4"}), frozenset({"A.4", "B.1", "B.6"})} < nets


def test_the_two_kinds_of_dip_plug_differ_in_every_net() -> None:
    one, other = named("idc-dip40-plug-pin1-on-wire1"), named("idc-dip40-plug-pin1-on-wire2")
    assert pins_of(one).isdisjoint(pins_of(other))


RULES: tuple[tuple[str, Wiring], ...] = (
    ("straight", {"rule": "straight"}),
    ("alternate, first = high", {"rule": "alternate", "first": "high"}),
    ("alternate, first = low", {"rule": "alternate", "first": "low"}),
)


@every_table
def test_a_standard_profile_uses_a_rule_where_its_table_obeys_one(table: Path) -> None:
    profile = loaded(table).profile
    ends = {end.name: end.connector.name for end in profile.ends}
    obeyed = []
    for text, rule in RULES:
        with suppress(ProfileError):  # of a plug with an odd number of pins, or three ends
            if components(read(table)) == nets(ends, rule):
                obeyed.append(text)
    used = profile.wiring_text.partition(" + ")[0]
    assert obeyed == ([used] if obeyed else [])
    assert obeyed or "explicit" in used


def nets(ends: dict[str, str], wiring: Wiring, **more: Wiring) -> set[frozenset[str]]:
    """The nets of a profile with these ends and this wiring."""
    signals = more.pop("signals", {})
    tables = {end: {"connector": kind, "signals": signals.get(end, {})} for end, kind in ends.items()}
    made = Profile.from_dict({"cable": {"id": "published"}, "ends": tables, "wiring": wiring, **more})
    return pins_of(made)


@every_table
def test_a_name_for_each_net_of_a_published_table_gives_its_nets(table: Path) -> None:
    rows = read(table)
    ends = {end.name: end.connector.name for end in loaded(table).profile.ends}
    signals: Wiring = {end: {} for end in ends}
    common: Wiring = {}
    for number, net in enumerate(merged(rows)):
        for pin in net:
            end, _, name = pin.rpartition(".")
            signals[end][name] = f"N{number}"
        if max(Counter(pin.rpartition(".")[0] for pin in net).values()) > 1:
            common[f"N{number}"] = {"joined": "required"}
    assert components(rows) == nets(ends, {"by_signal": True}, signals=signals, common=common)
