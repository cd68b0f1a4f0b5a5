"""Adapter files: what they must say, and by which marks a scan tells the adapters apart."""

from __future__ import annotations

import copy
import re
import tomllib
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.connectors import connector
from pinwright.errors import AdapterError
from pinwright.tester.adapter import POSITIONS, Adapter, adapter_for, groups_text
from pinwright.tester.fixture import Fixture

HARDWARE = Path(__file__).parents[2] / "hardware"
SHIPPED = sorted((HARDWARE / "adapters").glob("*.toml"))


def load(path: Path) -> Adapter:
    return Adapter.from_dict(tomllib.loads(path.read_text(encoding="utf-8")))


def good() -> dict[str, Any]:
    return {
        "adapter": {
            "id": "de9",
            "title": "DE-9",
            "revision": "A",
            "takes": ["dsub-9-plug", "dsub-9-socket"],
            "fits": "box-2x20",
            "joined": [[40, 39], [12, 14, 13]],
        },
        "pins": {str(k): k for k in range(1, 10)},
    }


def changed(key: str, value: Any) -> dict[str, Any]:
    """The good file with one key changed; without it, where value is `...`."""
    data = copy.deepcopy(good())
    table: Any = data
    *path, last = key.split("/")
    for step in path:
        table = table[step]
    if value is ...:
        del table[last]
    else:
        table[last] = value
    return data


def test_a_file_is_read_whole() -> None:
    adapter = Adapter.from_dict(good())
    assert ("de9", "DE-9", "A", "box-2x20") == (adapter.id, adapter.title, adapter.revision, adapter.fits)
    assert ("dsub-9-plug", "dsub-9-socket") == adapter.takes
    assert ((12, 13, 14), (39, 40)) == adapter.joined
    assert {str(k): k for k in range(1, 10)} == dict(adapter.position_of)
    assert tuple(range(10, 41)) == adapter.spare


def test_title_and_revision_may_be_left_out() -> None:
    data = good()
    del data["adapter"]["title"], data["adapter"]["revision"]
    assert ("", "") == (Adapter.from_dict(data).title, Adapter.from_dict(data).revision)


@pytest.mark.parametrize(
    ("key", "value", "at", "seen"),
    [
        ("adapter", ..., "adapter", "is missing"),
        ("adapter", [], "adapter", "must be a table, not a list"),
        ("adapters", {}, "adapters", "unknown key; known here: `adapter`, `pins`"),
        ("adapter/colour", "red", "adapter.colour", "unknown key; known here: `id`, `title`"),
        ("adapter/id", ..., "adapter.id", "is missing"),
        ("adapter/id", 9, "adapter.id", "must be a string, not `9`"),
        ("adapter/id", "", "adapter.id", "must be letters, digits and single hyphens, not ``"),
        ("adapter/id", "de 9", "adapter.id", "must be letters, digits and single hyphens, not `de 9`"),
        ("adapter/id", "generic", "adapter.id", "`generic` has a meaning of its own"),
        ("adapter/id", "none", "adapter.id", "`none` has a meaning of its own"),
        ("adapter/id", "x" * 65, "adapter.id", "has 65 characters, at most 64 are possible"),
        ("adapter/title", " x", "adapter.title", "begins or ends with a blank"),
        ("adapter/title", "a\x1b[1m", "adapter.title", "character 2 is U+001B, which does not print"),
        ("adapter/revision", True, "adapter.revision", "must be a string, not `true`"),
        ("adapter/fits", ..., "adapter.fits", "is missing"),
        ("adapter/fits", "own", "adapter.fits", "must be one of `box-2x20`, `zif-40`, `pins-12`, not `own`"),
        ("adapter/takes", ..., "adapter.takes", "is missing"),
        ("adapter/takes", "dsub-9-plug", "adapter.takes", "must be a list of connectors, not `dsub-9-plug`"),
        ("adapter/takes", [], "adapter.takes", "must name 1 to 50 connectors, not 0"),
        ("adapter/takes", ["dsub-9"], "adapter.takes[1]", "dsub-9"),
        ("adapter/takes", [9], "adapter.takes[1]", "must be a string, not `9`"),
        ("adapter/takes", ["row-9", "row-9"], "adapter.takes[2]", "`row-9` is named twice"),
        (
            "adapter/takes",
            ["row-9", "row-8"],
            "adapter.takes[2]",
            "`row-8` has pins 1 to 8, but `row-9` has pins 1 to 9",
        ),
        ("adapter/joined", {}, "adapter.joined", "must be a list of groups of positions, not a table"),
        ("adapter/joined", [39, 40], "adapter.joined[1]", "must be a list of positions, not `39`"),
        ("adapter/joined", [[39]], "adapter.joined[1]", "must be two or more positions, not 1"),
        ("adapter/joined", [[39, 41]], "adapter.joined[1][2]", "must be a position of `box-2x20`, 1 to 40"),
        ("adapter/joined", [[39, 0]], "adapter.joined[1][2]", "1 to 40, not `0`"),
        ("adapter/joined", [[39, True]], "adapter.joined[1][2]", "1 to 40, not `true`"),
        ("adapter/joined", [[39, 40.0]], "adapter.joined[1][2]", "1 to 40, not `40.0`"),
        ("adapter/joined", [[39, float("nan")]], "adapter.joined[1][2]", "1 to 40, not `nan`"),
        ("adapter/joined", [[39, 10**99]], "adapter.joined[1][2]", "1 to 40, not a huge number"),
        ("adapter/joined", [[39, 39]], "adapter.joined[1][2]", "position 39 is named twice"),
        ("adapter/joined", [[39, 40], [38, 40]], "adapter.joined[2][2]", "position 40 is named twice"),
        ("adapter/joined", [[9, 40]], "adapter.joined[1][1]", "position 9 serves a pin of the connector"),
        ("adapter/joined", [], "adapter.joined", "such as [[39, 40]]: it leaves 31 of `box-2x20` free"),
        ("adapter/joined", ..., "adapter.joined", "must name positions that the adapter joins"),
        ("pins", ..., "pins", "is missing"),
        ("pins", [1, 2], "pins", "must be a table, not a list"),
        ("pins/9", ..., "pins", "pin `9` is missing; `dsub-9-plug` has pins 1 to 9"),
        ("pins/10", 10, "pins.10", "no such pin; `dsub-9-plug` has pins 1 to 9"),
        ("pins/9", "9", "pins.9", "must be a position of `box-2x20`, 1 to 40, not `9`"),
        ("pins/9", 41, "pins.9", "must be a position of `box-2x20`, 1 to 40, not `41`"),
        ("pins/9", 8, "pins.9", "pin `8` is at position 8 already"),
    ],
)
def test_a_wrong_key_is_named_with_what_should_be_there(key: str, value: Any, at: str, seen: str) -> None:
    with pytest.raises(AdapterError) as error:
        Adapter.from_dict(changed(key, value))
    assert at == error.value.key
    assert seen in error.value.problem


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)


@given(
    st.sampled_from(["adapter", "pins", "pins/3", "novel", *(f"adapter/{key}" for key in good()["adapter"])]),
    ANYTHING,
)
def test_whatever_stands_there_is_read_or_refused(key: str, value: Any) -> None:
    with suppress(AdapterError):
        Adapter.from_dict(changed(key, value))


def test_one_free_position_needs_no_mark() -> None:
    pins = {str(k): k for k in range(1, 12)}
    head = {"id": "x", "takes": ["row-11"], "fits": "pins-12"}
    assert () == Adapter.from_dict({"adapter": head, "pins": pins}).joined


def made(id: str, pins: int, *joined: list[int], fits: str = "box-2x20") -> Adapter:
    head = {"id": id, "takes": [f"row-{pins}"], "fits": fits, "joined": [*joined]}
    return Adapter.from_dict({"adapter": head, "pins": {str(k): k for k in range(1, pins + 1)}})


@pytest.mark.parametrize(
    ("one", "other", "mistaken"),
    [
        (made("x", 9, [39, 40]), made("y", 9, [39, 40]), True),
        (made("x", 9, [39, 40]), made("y", 9, [38, 39]), False),
        (made("x", 9, [38, 39, 40]), made("y", 9, [38, 39]), False),
        (made("x", 9, [39, 40]), made("y", 25, [39, 40]), True),
        # what y cannot see of x's mark, because its own pins are there
        (made("x", 9, [10, 11], [39, 40]), made("y", 25, [39, 40]), True),
        (made("x", 9, [25, 39, 40]), made("y", 25, [39, 40]), False),
        (made("x", 9, [25, 40], [38, 39]), made("y", 25, [38, 39]), False),
        # a cable in x may join 10 and 11
        (made("x", 25, [39, 40]), made("y", 9, [10, 11], [39, 40]), True),
        (made("x", 25, [38, 40]), made("y", 9, [10, 11], [39, 40]), False),
        (made("x", 9, [10, 11]), made("y", 25, [26, 27]), False),
        (made("x", 9, [39, 40]), made("y", 9, [39, 40], fits="zif-40"), False),
        (made("x", 9, [39, 40]), made("y", 39), False),
    ],
)
def test_one_adapter_is_mistaken_for_another_where_the_other_s_free_positions_look_the_same(
    one: Adapter, other: Adapter, mistaken: bool
) -> None:
    assert mistaken is one.mistaken_for(other)
    assert mistaken is other.mistaken_for(one)


def test_the_document_s_example_is_an_adapter_that_none_of_ours_can_be_mistaken_for() -> None:
    (text,) = re.findall(r"```toml\n(.*?)```", (HARDWARE / "ADAPTERS.md").read_text("utf-8"), re.DOTALL)
    data = tomllib.loads(text)
    example = Adapter.from_dict(data)
    assert set(good()["adapter"]) == set(data["adapter"])  # every key is taught
    for other in map(load, SHIPPED):
        assert not example.mistaken_for(other)
        assert not other.mistaken_for(example)


def test_adapters_are_shipped() -> None:
    expected = {"dsub-9-plug", "dsub-9-socket", "dsub-25-plug", "dsub-25-socket"}
    assert expected <= {path.stem for path in SHIPPED}


def test_no_two_shipped_adapters_have_one_name_or_take_the_same() -> None:
    """That none can be mistaken for another: tests/hardware/test_adapters.py."""
    shipped = [load(path) for path in SHIPPED]
    assert len(shipped) == len({adapter.id for adapter in shipped})
    taken = [(adapter.fits, name) for adapter in shipped for name in adapter.takes]
    assert len(taken) == len(set(taken))


def test_the_kinds_of_sockets_are_those_of_the_testers_with_as_many_positions() -> None:
    seen: dict[str, int] = {}
    for path in (HARDWARE / "fixtures").glob("*.toml"):
        for socket in Fixture.from_dict(tomllib.loads(path.read_text("utf-8"))).sockets:
            if socket.takes_cables:
                assert len(socket.points) == seen.setdefault(socket.kind, len(socket.points))
    assert seen == POSITIONS


def test_an_adapter_is_found_by_connector_and_kind_of_socket() -> None:
    box, zif = made("x", 9, [39, 40]), made("y", 9, [39, 40], fits="zif-40")
    assert box is adapter_for(connector("row-9"), "box-2x20", [zif, box])
    assert zif is adapter_for(connector("row-9"), "zif-40", [box, zif])
    assert adapter_for(connector("row-9"), "pins-12", [box, zif]) is None
    assert adapter_for(connector("row-8"), "box-2x20", [box, zif]) is None


@pytest.mark.parametrize(
    ("groups", "text"), [([], "nothing"), ([(39, 40)], "39–40"), ([(1, 2, 3), (39, 40)], "1–2–3 and 39–40")]
)
def test_groups_are_told_in_short(groups: list[tuple[int, ...]], text: str) -> None:
    assert text == groups_text(groups)
