"""A batch is a sealed document, numbered by its profile; its records say that they belong to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from pinwright.errors import RecordsError
from pinwright.records.batches import batch_document, batch_member, check_member, read_batch
from pinwright.records.document import NotGenuine
from pinwright.records.entries import Batch, Listed
from pinwright.records.store import Store

from .making import DELETED, a_record, changed, members, sealed

PROFILE = {"id": "five", "title": "Five conductors", "revision": "B", "sha256": "0" * 64}
MADE = "2026-03-02T10:00:00Z"


def document(id: str, **changes: Any) -> dict[str, Any]:
    wanted = {"profile": PROFILE, "count": 5, "operator": None, "started": MADE, "simulated": True}
    return batch_document(id, **{**wanted, "host": "0.5.0", **changes})


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "records")


def test_a_batch_exists_from_its_beginning_on(store: Store) -> None:
    batch = store.new_batch("five", lambda id: document(id, operator="O. Perator"))
    path = store.place / "five-1.batch.json"
    assert Batch(path, "five-1", "five", "0" * 64, 5, "O. Perator", MADE, True) == batch
    assert document("five-1", operator="O. Perator").items() <= read_batch(path.read_bytes()).items()
    assert [batch] == store.batches() == Store(store.place).batches("five")
    assert [] == store.batches("six")


def test_batches_are_counted_by_profile_and_gaps_stay(store: Store) -> None:
    def new(profile: str) -> str:
        return store.new_batch(profile, lambda id: document(id, profile=PROFILE | {"id": profile})).id

    assert ["five-1", "five-2", "five-1-1", "five-1-2"] == [
        new(profile) for profile in ("five", "five", "five-1", "five-1")
    ]
    (store.place / "five-1.batch.json").unlink()
    (store.place / "FIVE-9.batch.json").write_bytes(b"")
    assert "five-10" == new("five")
    assert ["five-2", "five-10"] == [batch.id for batch in store.batches("five")]
    assert ["five-2", "five-10", "five-1-1", "five-1-2"] == [batch.id for batch in store.batches()]


def test_a_batch_that_was_changed_is_told_apart(store: Store) -> None:
    path = store.new_batch("five", document).path
    path.write_bytes(path.read_bytes().replace(b'"count":5', b'"count":6'))
    assert [(6, False)] == [(batch.count, batch.sealed) for batch in store.batches()]
    with pytest.raises(NotGenuine, match="its contents have the SHA-256"):
        read_batch(path.read_bytes())


DOC = document("five-1")


@pytest.mark.parametrize("path", list(members(DOC)), ids=lambda path: ".".join(map(str, path)))
@pytest.mark.parametrize("value", [DELETED, None, 7.5, "x\n", [], {}, -1, True])
def test_what_is_no_batch_is_refused(path: tuple[Any, ...], value: Any) -> None:
    told = changed(DOC, path, value)
    free = (("profile", "title"), ("profile", "revision"), ("host",))
    if told == DOC or (path in free and isinstance(value, str)):
        return  # any text may stand there
    with pytest.raises(NotGenuine, match=r"it lacks what a batch holds|it is no batch"):
        read_batch(sealed(told))


@pytest.mark.parametrize(
    "changes",
    [
        {"id": "six-1"},
        {"id": "five"},
        {"id": "five-0"},
        {"id": "five-01"},
        {"id": "../five-1"},
        {"count": 0},
        {"count": 10_001},
        {"operator": ""},
        {"operator": "a\x1b"},
        {"started": "2026-02-30T10:00:00Z"},
        {"profile": PROFILE | {"sha256": "x"}},
    ],
)
def test_values_that_no_batch_has_are_refused(changes: Mapping[str, Any]) -> None:
    with pytest.raises(NotGenuine, match="it lacks what a batch holds"):
        read_batch(sealed(DOC | changes))
    if "id" not in changes:
        with pytest.raises(ValueError):  # noqa: PT011
            document("five-1", **changes)


def test_a_record_says_which_cable_of_a_batch_it_is_of() -> None:
    member = {"id": "five-1", "sha256": "5" * 64, "item": 2, "count": 5, "seconds": 41}
    assert member == batch_member("five-1", "5" * 64, 2, 5, 40.6)


@pytest.mark.parametrize(
    "changes",
    [
        {"id": "five"},
        {"id": ""},
        {"item": 0},
        {"item": 6},
        {"count": 1},
        {"count": 10_001},
        {"seconds": -1},
        {"seconds": 2**31},
        {"sha256": "5" * 63},
        {"sha256": "five"},
    ],
)
def test_a_member_that_says_no_cable_of_a_batch_is_refused(changes: Mapping[str, Any]) -> None:
    with pytest.raises(ValueError):  # noqa: PT011
        check_member({"id": "five-1", "sha256": "5" * 64, "item": 2, "count": 5, "seconds": 41, **changes})


def test_whoever_expects_tests_of_a_batch_is_shown_them_under_the_lock_and_may_refuse(store: Store) -> None:
    seen: list[list[str]] = []

    def check(there: Sequence[Listed]) -> None:
        seen.append([one.entry.path.name for one in there])
        if len(there) > 1:
            raise RecordsError("there are others")

    def save(by: Store, item: int, batch: str = "five-1", expect: bool = True) -> None:
        by.save(
            lambda serial, test: a_record(
                serial=serial, test=test, batch=batch_member(batch, "5" * 64, item, 5, 1)
            ),
            kind="certificate",
            serial=None,
            pattern=lambda n: f"F-{n}",
            again=False,
            expect=("five-1", check) if expect else None,
        )

    save(store, 1)
    save(Store(store.place), 2, "five-2", expect=False)
    save(Store(store.place), 2, expect=False)  # another program's, of which this one has heard nothing
    with pytest.raises(RecordsError, match="there are others"):
        save(store, 2)
    names = [f"F-{n}.test-1.certificate.json" for n in (1, 2, 3)]
    assert [[], [names[0], names[2]]] == seen
    assert names == sorted(path.name for path in store.place.glob("*.json"))


def test_an_error_while_the_document_is_made_leaves_nothing(store: Store) -> None:
    def broken(id: str) -> Mapping[str, Any]:
        raise KeyError(id)

    with pytest.raises(KeyError, match="five-1"):
        store.new_batch("five", broken)
    assert [] == [path.name for path in store.place.glob("[!.]*")]
    assert "five-1" == store.new_batch("five", document).id
