"""The right adapters are in, or there is no verdict: every wrong one is refused, and said."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.connectors import connector
from pinwright.cable.profile import End
from pinwright.errors import PlacementError
from pinwright.tester.adapter import Adapter
from pinwright.tester.fixture import Fixture, Placement, place
from pinwright.tester.marks import check_marks
from pinwright.tester.measurement import Evidence

HARDWARE = Path(__file__).parents[2] / "hardware"
FIXTURE = Fixture.from_dict(tomllib.loads((HARDWARE / "fixtures/tester-128.toml").read_text("utf-8")))
ADAPTERS = [
    Adapter.from_dict(tomllib.loads(path.read_text("utf-8")))
    for path in sorted((HARDWARE / "adapters").glob("*.toml"))
]
BY_ID = {adapter.id: adapter for adapter in ADAPTERS}
POINTS = 128
NO_NETS = bytes(POINTS)


def placed(*connectors: str, points: int = POINTS, **by_hand: str) -> Placement:
    ends = [End(name, connector(kind), "", {}) for name, kind in zip("ABC", connectors, strict=False)]
    return place(ends, FIXTURE, points, by_hand, ADAPTERS)


def at(socket: str, *positions: int) -> tuple[int, ...]:
    return FIXTURE.socket(socket).at(positions)


def mark(adapter: str, socket: str) -> list[tuple[int, ...]]:
    return [at(socket, *group) for group in BY_ID[adapter].joined]


def evidence(
    joined: Sequence[tuple[int, ...]], doubtful: Sequence[tuple[int, ...]] = (), points: int = POINTS
) -> Evidence:
    def matrix(groups: Sequence[tuple[int, ...]]) -> bytes:
        rows = [0] * points
        for group in groups:
            for one, other in combinations(group, 2):
                rows[one] |= 1 << other
                rows[other] |= 1 << one
        return b"".join(row.to_bytes(points // 8, "little") for row in rows)

    few, each = bytes(points // 8), bytes(points)
    return Evidence(points, matrix(joined), matrix(joined), matrix(doubtful), few, few, each)


def refusal(seen: Evidence, placement: Placement) -> PlacementError:
    with pytest.raises(PlacementError) as error:
        check_marks(seen, FIXTURE, placement, ADAPTERS, NO_NETS)
    return error.value


TWO = placed("dsub-9-plug", "dsub-25-socket")
RIGHT = [*mark("dsub-9-plug", "J1"), *mark("dsub-25-socket", "J2")]
WIRES = [(at("J1", 1)[0], at("J2", 2)[0]), at("J1", 8, 9)]


@pytest.mark.parametrize("wires", [[], WIRES, [at("J1", *range(1, 10)) + at("J2", *range(1, 26))]])
def test_the_right_adapters_are_let_pass_whatever_the_cable(wires: list[tuple[int, ...]]) -> None:
    check_marks(evidence([*RIGHT, *wires]), FIXTURE, TWO, ADAPTERS, NO_NETS)


def test_sockets_without_adapters_and_sockets_that_are_not_fitted_are_let_pass() -> None:
    check_marks(evidence([]), FIXTURE, placed("idc-2x20", "dip-40"), ADAPTERS, NO_NETS)
    small = placed("dsub-9-plug", "row-3", points=80)
    check_marks(evidence(mark("dsub-9-plug", "J1"), points=80), FIXTURE, small, ADAPTERS, NO_NETS)


@pytest.mark.parametrize(
    ("joined", "doubtful", "seen"),
    [
        (RIGHT[1:], [], "the scan found nothing"),
        ([*RIGHT[1:], at("J1", 10, 12)], [], "the scan found J1.10–J1.12"),
        ([*RIGHT[1:], at("J1", 10, 11, 12)], [], "the scan found J1.10–J1.11–J1.12"),
        ([*RIGHT, at("J1", 20, 21)], [], "the scan found J1.10–J1.11 and J1.20–J1.21"),
        ([*RIGHT, at("J1", 1, 40)], [], "the scan found J1.1–J1.40 and J1.10–J1.11"),
        ([*RIGHT, (at("J1", 40)[0], at("J2", 1)[0])], [], "J1.40–J2.1"),
        (RIGHT[1:], [at("J1", 10, 11)], "the scan found J1.10–J1.11"),
        (RIGHT, [at("J1", 10, 11)], "the scan found J1.10–J1.11"),
        ([*RIGHT, at("J1", *range(20, 41))], [], "–J1.24–J1.25… joined"),
        ([*RIGHT, *(at("J1", k, k + 1) for k in range(20, 40, 2))], [], "–J1.29 and more joined"),
        (RIGHT, [at("J1", 30, 31)], "J1.30–J1.31"),
        (RIGHT, [at("J1", 3, 31)], "J1.3–J1.31"),
        (
            [*mark("dsub-9-socket", "J1"), *RIGHT[1:]],
            [],
            "the scan found J1.11–J1.12 joined, the mark of adapter `dsub-9-socket`",
        ),
        ([*mark("dsub-25-plug", "J1"), *RIGHT[1:]], [], "the mark of adapter `dsub-25-plug`"),
        (
            [*mark("dsub-25-socket", "J1"), *mark("dsub-9-plug", "J2")],
            [],
            "the mark of adapter `dsub-25-socket`; `dsub-9-plug` is in J2",
        ),
    ],
)
def test_what_is_not_the_mark_is_refused_and_said(
    joined: list[tuple[int, ...]], doubtful: list[tuple[int, ...]], seen: str
) -> None:
    error = refusal(evidence(joined, doubtful), TWO)
    assert "end `A` goes through adapter `dsub-9-plug` in J1, which joins 10–11 there" in error.message
    assert seen in error.message
    assert error.hint.startswith("plug adapter `dsub-9-plug` into J1 and scan again")
    assert 2 == error.status


def test_an_adapter_in_a_socket_that_no_end_uses_is_said_with_the_one_that_lacks_it() -> None:
    error = refusal(evidence(mark("dsub-9-plug", "J2")), placed("dsub-9-plug"))
    assert error.message.endswith("the scan found nothing joined; `dsub-9-plug` is in J2")


def test_two_alike_are_not_said_to_be_in_each_other_s_place() -> None:
    error = refusal(evidence(mark("dsub-9-plug", "J2")), placed("dsub-9-plug", "dsub-9-plug"))
    assert error.message.endswith("the scan found nothing joined")


def test_a_known_adapter_where_the_generic_one_should_be_is_refused() -> None:
    error = refusal(evidence([*mark("dsub-9-plug", "J1"), at("J1", 1, 3)]), placed("row-5"))
    expected = (
        "J1 takes end `A` through the generic adapter, but positions 10–11 are joined there, the mark of "
        "adapter `dsub-9-plug`"
    )
    assert expected == error.message
    assert "take adapter `dsub-9-plug` out of J1 and scan again" == error.hint


def test_an_adapter_that_was_left_in_a_socket_is_refused() -> None:
    error = refusal(evidence(mark("dsub-25-plug", "J2")), placed("idc-2x20"))
    assert error.message.startswith("J2 takes no end of this cable, but positions 26–27 are joined there")


def test_a_pin_of_the_cable_in_a_generic_adapter_may_be_joined_like_a_mark() -> None:
    """More than the mark is joined where the known adapter leaves positions free, so it is not that one."""
    check_marks(evidence([at("J1", 10, 11), at("J1", 12, 13)]), FIXTURE, placed("row-20"), ADAPTERS, NO_NETS)


@pytest.mark.parametrize(("pins", "refused"), [((10, 11), False), ((10, 12), True), ((), True)])
def test_what_the_cable_itself_should_join_is_no_mark(pins: tuple[int, ...], refused: bool) -> None:
    nets = bytearray(POINTS)
    for point in at("J1", *pins):
        nets[point] = 1
    seen, placement = evidence(mark("dsub-9-plug", "J1")), placed("row-20")
    if not refused:
        check_marks(seen, FIXTURE, placement, ADAPTERS, bytes(nets))
        return
    with pytest.raises(PlacementError):
        check_marks(seen, FIXTURE, placement, ADAPTERS, bytes(nets))


NAMES = sorted(adapter.id for adapter in ADAPTERS if adapter.fits == "box-2x20")


@given(st.tuples(st.sampled_from(NAMES), st.sampled_from(NAMES)), st.data())
def test_a_wrong_adapter_never_gets_through_whatever_cable_is_in_it(
    names: tuple[str, str], data: st.DataObject
) -> None:
    due, real = names

    def through(name: str) -> Placement:
        return placed(*BY_ID[name].takes, A="J1")

    pins = sorted(at("J1", *BY_ID[real].position_of.values()))
    wires = data.draw(st.lists(st.lists(st.sampled_from(pins), min_size=2, unique=True), max_size=6))
    seen = evidence([*mark(real, "J1"), *map(tuple, wires)])
    if due == real:
        check_marks(seen, FIXTURE, through(due), ADAPTERS, NO_NETS)
    else:
        refusal(seen, through(due))
