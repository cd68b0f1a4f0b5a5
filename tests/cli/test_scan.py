"""The main job, end to end: command line, profile, firmware in a simulated board, verdict, record.

What must come out is worked out a second time here from the bench's links alone, by networkx, which
knows nothing of cables; the shape of the document is promised to other programs: DEVELOPERS.md.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import networkx  # type: ignore[import-untyped]
import pytest

from pinwright import __version__
from pinwright.cable.profile import Joined, Profile
from pinwright.records.carrier import open_carrier
from pinwright.records.document import open_sealed

WORKSHOP = ("lamp-changer-40", "raw-ribbon-40", "service-lead-9", "straight-34", "woven-40")
SOCKETS = {
    "lamp-changer-40": {"A": "J1", "B": "S1"},
    "raw-ribbon-40": {"A": "J1", "B": "J2"},
    "service-lead-9": {"A": "J1", "B": "J2"},
    "straight-34": {"A": "J1", "B": "J2"},
    "woven-40": {"A": "J1", "B": "S1", "C": "J2"},
}

# `pinwright/scan-1`: each member and what it may be; a list holds any number of its one member.
TEXT_OR_NULL = (str, type(None))
BOOL = (bool,)
SHAPE: dict[str, Any] = {
    "schema": str,
    "verdict": str,
    "profile": {"id": str, "title": str, "revision": str, "sha256": str},
    "serial": TEXT_OR_NULL,
    "operator": TEXT_OR_NULL,
    "started": str,
    "elapsed_ms": int,
    "nets": [[str]],
    "missing": [{"signal": str, "pieces": [[str]]}],
    "extra": [{"pins": [str], "signals": [str]}],
    "links": [
        {
            "from": str,
            "to": [str],
            "ohms": float,
            "uncertainty": float,
            "limit": float,
            "over_median": (float, type(None)),
            "ok": BOOL,
        }
    ],
    "leaks": [{"pins": [str], "ohms": int, "limit": float, "ok": BOOL}],
    "findings": [{"kind": str, "text": str, "pins": [str], "remedy": str}],
    "tester": {
        "kind": str,
        "firmware": str,
        "id": str,
        "points": int,
        "lane": str,
        "self_check": str,
        "name": TEXT_OR_NULL,
        "fixture": str,
        "calibrated": TEXT_OR_NULL,
        "celsius": (float, type(None)),
        "references_ohms": (float, type(None)),
        "long_check": {"made": str, "passed": BOOL, "measured": BOOL, "sockets": [str]},
    },
    "sockets": dict,
    "timings_us": dict,
    "certificate": TEXT_OR_NULL,
    "report": TEXT_OR_NULL,
    "documents": dict,
}
SERVES = [{"id": str, "title": str, "serves": BOOL, "ends": [str], "why_not": [str]}]
PLACES = ("certificate", "report", "documents")  # not of the scan but of where it is kept
FOLLOWS = ("ribbon", "serves")  # from the facts of raw material and from the library
BEYOND_THE_PROMISE = {"doubtful", "counts", "adapters", "ribbon"}

Links = list[list[str]]


def misshapen(value: Any, shape: Any, where: str = "") -> Iterator[str]:
    """Where a document is not as its shape says."""
    if isinstance(shape, dict):
        if not isinstance(value, dict) or shape.keys() - value.keys():
            yield f"{where}: {value}"
            return
        yield from (
            f"{where}.{key}" for key in value.keys() - shape.keys() - (set() if where else BEYOND_THE_PROMISE)
        )
        for key in shape:
            yield from misshapen(value[key], shape[key], f"{where}.{key}")
    elif isinstance(shape, list):
        if not isinstance(value, list) or (value and not shape):
            yield f"{where}: {value}"
            return
        for number, one in enumerate(value):
            yield from misshapen(one, shape[0], f"{where}[{number}]")
    elif not isinstance(value, shape) or (isinstance(value, bool) and shape is not BOOL):
        yield f"{where}: {value!r}"


def shape_of(name: str) -> dict[str, Any]:
    """Of raw material it is said as well for which leads it serves."""
    return SHAPE | {"serves": SERVES} if name in ("raw-ribbon-40", "straight-34") else SHAPE


def order(pin: str) -> tuple[str, int, str]:
    """`A.2` before `A.10`, all of A before B."""
    end, _, name = pin.partition(".")
    return end, int(name) if name.isdigit() else -1, name


def in_pieces(pins: Iterable[str], links: Links) -> list[list[str]]:
    """The pieces that links make of the pins, single pins included, sorted."""
    graph = networkx.Graph()
    graph.add_nodes_from(pins)
    for link in links:
        networkx.add_path(graph, link)
    return sorted((sorted(piece, key=order) for piece in networkx.connected_components(graph)), key=key_of)


def key_of(piece: Sequence[str]) -> tuple[str, int, str]:
    return order(piece[0])


def expected_facts(profile: Profile, links: Links) -> dict[str, Any]:
    """The facts promised for a bench with these links."""
    nets = {tuple(map(str, net.pins)): net for net in profile.nets}
    pieces = in_pieces((str(pin) for end in profile.ends for pin in end.pins()), links)
    missing = []
    for pins, net in nets.items():
        parts = [[pin for pin in piece if pin in pins] for piece in pieces]
        parts = sorted((part for part in parts if part), key=key_of)
        if len(parts) > 1:
            missing.append({"signal": net.signal, "pieces": parts})
    extra = []
    for piece in pieces:
        touched = [net for pins, net in nets.items() if set(pins) & set(piece)]
        unused = set(piece) - {str(pin) for net in touched for pin in net.pins}
        commons = {net.common for net in touched}
        optional = len(commons) == 1 and profile.common.get(commons.pop()) is Joined.OPTIONAL
        if (len(touched) > 1 and not optional) or (touched and unused) or len(unused) > 1:
            extra.append(piece)
    return {"nets": [piece for piece in pieces if len(piece) > 1], "missing": missing, "extra": extra}


def expected_links(profile: Profile) -> list[tuple[str, list[str]]]:
    """Which links are promised for a good cable: one for a net of two pins, else one for each pin of it."""
    nets = [sorted(map(str, net.pins), key=order) for net in profile.nets]
    return [
        (pin, [other for other in pins if other != pin])
        for pins in sorted(nets, key=key_of)
        for pin in (pins[:1] if len(pins) == 2 else pins)
    ]


def links_of(profile: Profile) -> Links:
    return [[str(pin) for pin in net.pins] for net in profile.nets]


def plain_pairs(profile: Profile) -> list[int]:
    """Which nets have two pins and are no conductor of a common signal."""
    return [n for n, net in enumerate(profile.nets) if len(net.pins) == 2 and not net.common]


def swapped(profile: Profile) -> Links:
    """Two conductors, far apart, exchanged at one end."""
    links, plain = links_of(profile), plain_pairs(profile)
    one, other = links[plain[0]], links[plain[-1]]
    one[1], other[1] = other[1], one[1]
    return links


def opened(profile: Profile) -> Links:
    """A conductor from the middle missing."""
    links, plain = links_of(profile), plain_pairs(profile)
    del links[plain[len(plain) // 2]]
    return links


def bridged(profile: Profile) -> Links:
    """Two neighbouring conductors joined."""
    links, plain = links_of(profile), plain_pairs(profile)
    return [*links, [links[plain[1]][0], links[plain[2]][0]]]


def documents_beside(record: Path) -> dict[str, str]:
    """What is drawn from a record, under its name; every one of them carries its very bytes."""
    documents = {kind: record.with_suffix(f".{kind}") for kind in ("pdf", "html")}
    for path in documents.values():
        assert record.read_bytes() == open_carrier(path.read_bytes())[0]
    return {kind: str(path) for kind, path in documents.items()}


@pytest.mark.parametrize("name", WORKSHOP)
def test_a_good_cable_of_the_workshop_passes_with_a_certificate(
    name: str, pinwright: Any, profile_of: Callable[[str], Profile], tmp_path: Path
) -> None:
    profile = profile_of(name)
    ran = pinwright("scan", name, "--port", "sim", "--records", tmp_path / "r", "--json")
    assert (0, "") == (ran.status, ran.err)
    document = ran.document
    assert [] == list(misshapen(document, shape_of(name)))
    serial = profile.serial_for(1)
    certificate = tmp_path / "r" / f"{serial}.test-1.certificate.json"
    assert {
        "schema": "pinwright/scan-1",
        "verdict": "pass",
        "serial": serial,
        "operator": None,
        "missing": [],
        "extra": [],
        "doubtful": [],
        "leaks": [],
        "findings": [],
        "sockets": SOCKETS[name],
        "certificate": str(certificate),
        "report": None,
        "documents": documents_beside(certificate),
    }.items() <= document.items()
    assert expected_facts(profile, links_of(profile))["nets"] == document["nets"]
    assert {"kind": "virtual", "points": 128, "lane": "calibrated", "self_check": "pass"}.items() <= document[
        "tester"
    ].items()
    assert expected_links(profile) == [(link["from"], link["to"]) for link in document["links"]]
    for link in document["links"]:  # the bench has 0.1 ohms between neighbours
        assert link["ok"]
        assert abs(link["ohms"]) < link["uncertainty"] == 3.9, link
    assert profile.id == document["profile"]["id"]
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", document["started"])
    assert re.fullmatch(r"[0-9a-f]{64}", document["profile"]["sha256"])
    assert all(isinstance(time, int) and time >= 0 for time in document["timings_us"].values())
    record = open_sealed(certificate.read_bytes())
    assert ("certificate", serial, 1) == (record["kind"], record["serial"], record["test"])
    assert {k: v for k, v in document.items() if k not in (*PLACES, *FOLLOWS)} == record["scan"]
    assert __version__ == record["host"]


@pytest.mark.parametrize("name", WORKSHOP)
@pytest.mark.parametrize(("damage", "kind"), [(swapped, "swap"), (opened, "open"), (bridged, "short")])
def test_a_bad_cable_of_the_workshop_fails_with_every_fact_and_a_report(
    name: str,
    damage: Callable[[Profile], Links],
    kind: str,
    pinwright: Any,
    profile_of: Callable[[str], Profile],
    bench: Any,
    tmp_path: Path,
) -> None:
    profile = profile_of(name)
    links = damage(profile)
    ran = pinwright("scan", name, "--port", bench(links), "--records", tmp_path / "r", "--json")
    assert (1, "") == (ran.status, ran.err)
    document = ran.document
    assert [] == list(misshapen(document, shape_of(name)))
    facts = expected_facts(profile, links)
    assert facts["missing"] or facts["extra"]
    assert facts["nets"] == document["nets"]
    assert facts["missing"] == document["missing"]
    assert facts["extra"] == [fact["pins"] for fact in document["extra"]]
    assert ("fail", [kind]) == (document["verdict"], [finding["kind"] for finding in document["findings"]])
    told = {pin for finding in document["findings"] for pin in finding["pins"]}
    assert {pin for fact in facts["missing"] for piece in fact["pieces"] for pin in piece} <= told
    assert {pin for piece in facts["extra"] for pin in piece} <= told
    assert all(finding["text"] and finding["remedy"] for finding in document["findings"])
    report = tmp_path / "r" / f"{profile.serial_for(1)}.test-1.report.json"
    assert (None, str(report)) == (document["certificate"], document["report"])
    assert "report" == open_sealed(report.read_bytes())["kind"]
    assert documents_beside(report) == document["documents"]


def test_the_signals_of_a_bridge_are_named(pinwright: Any, bench: Any, profile_of: Any) -> None:
    links = [*links_of(profile_of("lamp-changer-40")), ["A.5", "A.6"]]
    ran = pinwright("scan", "lamp-changer-40", "--port", bench(links), "--no-certificate", "--json")
    assert [{"pins": ["A.5", "A.6", "B.3", "B.38"], "signals": ["D0", "D1"]}] == ran.document["extra"]


def test_linked_grounds_that_may_be_linked_are_no_fault(pinwright: Any, bench: Any, profile_of: Any) -> None:
    links = [*links_of(profile_of("lamp-changer-40")), ["A.1", "A.3", "A.9"]]
    ran = pinwright("scan", "lamp-changer-40", "--port", bench(links), "--no-certificate", "--json")
    assert (0, []) == (ran.status, ran.document["extra"])
    assert ["A.1", "A.3", "A.9", "B.36", "B.39", "B.40"] == ran.document["nets"][0]


def test_a_pin_that_must_be_free_and_is_not_fails(pinwright: Any, bench: Any, profile_of: Any) -> None:
    links = [*links_of(profile_of("service-lead-9")), ["A.2", "A.1"]]
    ran = pinwright("scan", "service-lead-9", "--port", bench(links), "--no-certificate", "--json")
    assert (1, [["A.1", "A.2", "B.3"]]) == (ran.status, [fact["pins"] for fact in ran.document["extra"]])


def test_a_contact_that_comes_and_goes_fails_as_intermittent(
    pinwright: Any, bench: Any, profile_of: Any
) -> None:
    links = links_of(profile_of("straight-34"))[:-1]
    port = bench(links, 'lane = "none"\n')  # by continuity alone: what is measured comes and goes as well
    with Path(port.removeprefix("sim:")).open("a", encoding="utf-8") as file:
        file.write('[[link]]\npins = ["A.34", "B.34"]\nclosed = 0.5\nperiod_ms = 1\n')
    for _ in range(20):  # closed, or open, at every look of one scan: at most one scan in four
        ran = pinwright("scan", "straight-34", "--port", port, "--no-certificate", "--json")
        if ran.status == 1 and ran.document["doubtful"]:
            break
    assert (1, "fail") == (ran.status, ran.document["verdict"])
    assert ["intermittent"] == [finding["kind"] for finding in ran.document["findings"]]
    assert [["A.34", "B.34"]] == ran.document["doubtful"]


def test_nothing_plugged_in_fails_with_every_net_open(pinwright: Any, bench: Any, profile_of: Any) -> None:
    ran = pinwright("scan", "straight-34", "--port", bench([]), "--no-certificate", "--json")
    assert (1, 34, []) == (ran.status, len(ran.document["missing"]), ran.document["nets"])


def test_a_program_of_its_own_says_the_same(process: Any, tmp_path: Path) -> None:
    ran = process("scan", "lamp-changer-40", "--port", "sim", "--records", tmp_path / "r", "--json")
    assert (0, "", "pass") == (ran.status, ran.err, ran.document["verdict"])
    assert Path(ran.document["certificate"]).is_file()


def test_a_program_of_its_own_ends_with_1_for_a_bad_cable(process: Any, bench: Any) -> None:
    ran = process("scan", "straight-34", "--port", bench([["A.1", "B.2"]]), "--no-certificate")
    assert 1 == ran.status
    assert "FAIL" in ran.out


def test_a_profile_is_found_by_its_file_too(pinwright: Any, tmp_path: Path, profile_of: Any) -> None:
    file = tmp_path / "two.toml"
    file.write_text(
        '[cable]\nid = "two"\n[ends.A]\nconnector = "idc-2x5"\n[ends.B]\nconnector = "idc-2x5"\n'
        '[wiring]\nwires = [["A.1", "B.1"]]\n'
    )
    ran = pinwright("scan", file, "--port", "sim", "--records", tmp_path / "r", "--json")
    assert (0, "two-0001", [["A.1", "B.1"]]) == (ran.status, ran.document["serial"], ran.document["nets"])
