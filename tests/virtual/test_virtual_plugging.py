"""How a cable is really plugged into the virtual tester: right, in wrong sockets, through wrong adapters."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from pinwright.cable.connectors import connector
from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.profile import End
from pinwright.errors import BenchError
from pinwright.tester.adapter import Adapter
from pinwright.tester.fixture import Fixture, place
from pinwright.virtual.bench import Bench, plugged

ROOT = Path(__file__).parents[2]
HARDWARE = ROOT / "hardware"
FIXTURE = Fixture.from_dict(tomllib.loads((HARDWARE / "fixtures/tester-128.toml").read_text("utf-8")))
ADAPTERS = [
    Adapter.from_dict(tomllib.loads(path.read_text("utf-8")))
    for path in sorted((HARDWARE / "adapters").glob("*.toml"))
]
FULL, SMALL = 128, 80


def ends(*connectors: str) -> list[End]:
    return [End(name, connector(kind), "", {}) for name, kind in zip("ABC", connectors, strict=False)]


def plug(bench: dict[str, Any], *connectors: str, points: int = FULL) -> tuple[dict[str, int], list[str]]:
    """Points by pin, and links as text."""
    point_of, links = plugged(Bench.from_dict(bench), ends(*connectors), FIXTURE, points, {}, ADAPTERS)
    return {str(pin): point for pin, point in point_of.items()}, [
        "–".join(map(str, link.pins)) for link in links
    ]


SERVICE = ("dsub-9-socket", "dsub-9-socket")
WOVEN = ("idc-2x20", "dip-40", "idc-2x20")


@pytest.mark.parametrize("connectors", [WOVEN, SERVICE, ("dsub-25-plug", "trs"), ("dip-8", "row-40")])
def test_by_itself_every_end_is_where_a_scan_expects_it(connectors: tuple[str, ...]) -> None:
    placement = place(ends(*connectors), FIXTURE, FULL, {}, ADAPTERS)
    point_of, links = plugged(Bench(), ends(*connectors), FIXTURE, FULL, {}, ADAPTERS)
    assert placement.point_of.items() <= point_of.items()
    marks = sorted(tuple(point_of[pin] for pin in link.pins) for link in links)
    assert placement.marks == tuple(marks)
    references = {point for pair in FIXTURE.references for point in pair}
    assert set(range(FULL)) - references == set(point_of.values())


def test_an_adapter_that_is_needed_is_in_by_itself() -> None:
    _, links = plug({}, *SERVICE)
    assert ["@J1.11–@J1.12", "@J2.11–@J2.12"] == links


def test_an_end_may_be_in_another_socket() -> None:
    at, links = plug({"sockets": {"A": "J2"}}, "idc-2x20", "dip-40")
    assert (80, 119, 0, 40) == (at["A.1"], at["A.40"], at["@J1.1"], at["B.1"])
    assert [] == links


def test_two_ends_may_be_exchanged() -> None:
    at, _ = plug({"sockets": {"A": "J2", "C": "J1"}}, *WOVEN)
    assert (80, 40, 0) == (at["A.1"], at["B.1"], at["C.1"])


def test_the_adapter_goes_with_the_end() -> None:
    at, links = plug({"sockets": {"A": "J2"}}, "dsub-9-plug")
    assert (80, 0, 9) == (at["A.1"], at["@J1.1"], at["@J1.10"])
    assert ["@J2.10–@J2.11"] == links


@pytest.mark.parametrize(
    ("adapters", "links"),
    [
        ({"J1": "none"}, []),
        ({"J1": "dsub-9-socket"}, ["@J1.11–@J1.12"]),
        ({"J1": "dsub-25-plug"}, ["@J1.26–@J1.27"]),
        ({"J2": "dsub-25-plug"}, ["@J1.10–@J1.11", "@J2.26–@J2.27"]),
        ({"J1": "none", "J2": "dsub-9-plug"}, ["@J2.10–@J2.11"]),
        ({"J1": "none", "S1": "none"}, []),
    ],
)
def test_another_adapter_may_be_in(adapters: dict[str, str], links: list[str]) -> None:
    at, made = plug({"adapters": adapters}, "dsub-9-plug")
    assert links == made
    assert list(range(9)) == [at[f"A.{k}"] for k in range(1, 10)]


def test_where_an_adapter_s_mark_meets_pins_of_the_end_the_link_names_them() -> None:
    _, links = plug({"adapters": {"J1": "dsub-9-plug"}}, "dsub-25-plug")
    assert ["A.10–A.11"] == links


@pytest.mark.parametrize(
    ("bench", "key", "seen"),
    [
        ({"sockets": []}, "sockets", "must be a table, not a list"),
        ({"sockets": {"A": 1}}, "sockets.A", "must be a text, not a whole number"),
        ({"adapters": "none"}, "adapters", "must be a table, not a text"),
        ({"adapters": {"J1": True}}, "adapters.J1", "must be a text, not true or false"),
        ({"adapter": {}}, "adapter", "unknown key; known are `link`, `tester`, `sockets`, `adapters`"),
        ({"sockets": {"X": "J1"}}, "sockets.X", "the cable has no such end; it has `A`, `B`"),
        ({"sockets": {"A": "J9"}}, "sockets.A", "must be one of `J1`, `S1`, `J2`, not `J9`"),
        ({"sockets": {"A": "REF"}}, "sockets.A", "must be one of `J1`, `S1`, `J2`, not `REF`"),
        ({"sockets": {"A": "S1"}}, "sockets", "puts two ends into socket `S1`"),
        ({"adapters": {"J9": "none"}}, "adapters.J9", "the tester has no such socket; it has `J1`, `S1`"),
        ({"adapters": {"J1": "novel"}}, "adapters.J1", "must be one of `none`, … (71 in all), not `novel`"),
        ({"adapters": {"S1": "dsub-9-plug"}}, "adapters.S1", "`none`, `dsub-9-plug-zif`, "),
    ],
)
def test_what_cannot_be_plugged_in_is_refused(bench: dict[str, Any], key: str, seen: str) -> None:
    with pytest.raises(BenchError) as error:
        plug(bench, "idc-2x20", "dip-40")
    assert key == error.value.key
    assert seen in error.value.problem


def test_a_socket_that_is_not_fitted_takes_nothing() -> None:
    with pytest.raises(BenchError, match="must be one of `J1`, `S1`, not `J2`"):
        plug({"sockets": {"A": "J2"}}, "idc-2x20", points=SMALL)


def test_a_position_with_an_adapter_s_mark_can_be_named() -> None:
    at, _ = plug({}, "dsub-9-plug")
    assert {parse_pin("@J1.10"), Pin("@J1", "11")} == {parse_pin(pin) for pin in at if at[pin] in (9, 10)}


def test_the_document_s_example_of_a_bench_can_be_plugged_in() -> None:
    (text,) = re.findall(r"```toml\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL)
    bench = Bench.from_dict(tomllib.loads(text))
    assert ({"A": "J2"}, {"J1": "none"}) == (bench.sockets, bench.adapters)
    points = plugged(bench, ends("idc-2x20", "dip-40"), FIXTURE, FULL, {}, ADAPTERS)[0]
    assert 80 == points[Pin("A", "1")]
