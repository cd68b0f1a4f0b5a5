"""Sealed documents as lines: which they are, in which order they come, and what is no line."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any, ClassVar

import pytest

from pinwright import __version__
from pinwright.library import profile_of
from pinwright.records import lines
from pinwright.records.batches import batch_document
from pinwright.records.document import NotGenuine, open_sealed
from pinwright.records.lines import in_order, is_there, line_of, lines_in, proven
from pinwright.records.remarks import remark_document
from pinwright.records.rows import kind_of
from pinwright.records.store import Query, Store

from .making import SWAPPED, a_record, changed, sealed

MADE = "2026-03-02T10:00:00Z"
BATCH = batch_document(
    "five-1",
    profile=a_record()["scan"]["profile"],
    count=2,
    operator=None,
    started=MADE,
    simulated=False,
    host=__version__,
)


def keep(folder: Path, doc: Mapping[str, Any]) -> Path:
    """A record in a folder, without its documents."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{doc['number']}.{doc['kind']}.json"
    path.write_bytes(sealed(doc))
    return path


def of_batch(doc: dict[str, Any], item: int) -> dict[str, Any]:
    return doc | {"batch": {"id": "five-1", "sha256": "5" * 64, "item": item, "count": 2, "seconds": 7}}


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """Three cables: one of no batch, two of one; two tests of the last, one of them withdrawn, and a note."""
    store = Store(tmp_path / "records")
    store.check_writable()
    keep(store.place, a_record(serial="A-1"))
    store.new_batch("five", lambda id: BATCH)
    keep(store.place, of_batch(a_record(serial="B-1"), 1))
    keep(store.place, of_batch(a_record(SWAPPED, serial="B-2"), 2))
    keep(store.place, of_batch(a_record(serial="B-2", test=2), 2))
    for second, kind, text in (0, "note", "exchanged"), (1, "withdrawal", "mended"), (2, "note", "again"):
        made = MADE.replace(":00Z", f":0{second}Z")
        store.remark(kind, "B-2", 1, text, by=None, made=made, host=__version__)  # type: ignore[arg-type]
    return store


def names(store: Store, query: Query = Query()) -> list[str]:  # noqa: B008 -- it is frozen
    return [path.name for path in in_order(store.found(query), store.remarks_of, store.batches())]


def test_a_batch_comes_before_its_tests_and_a_remark_after_its_own(store: Store) -> None:
    assert [
        "A-1.test-1.certificate.json",
        "five-1.batch.json",
        "B-1.test-1.certificate.json",
        "B-2.test-1.report.json",
        "B-2.test-1.note-1.json",
        "B-2.test-1.withdrawal-1.json",
        "B-2.test-1.note-2.json",
        "B-2.test-2.certificate.json",
    ] == names(store)


def test_what_was_not_asked_for_does_not_come(store: Store) -> None:
    assert ["A-1.test-1.certificate.json"] == names(store, Query(serial="a-1"))
    assert ["five-1.batch.json", "B-1.test-1.certificate.json"] == names(store, Query(serial="B-1"))
    assert ["five-1.batch.json", "B-2.test-2.certificate.json"] == names(
        store, Query(serial="B-2", latest=True)
    )


def test_the_order_does_not_depend_on_when_it_was_asked(store: Store) -> None:
    assert names(store) == names(Store(store.place))


def test_every_document_is_proven_for_what_it_is(store: Store) -> None:
    for path in in_order(store.found(), store.remarks_of, store.batches()):
        told = proven(line_of(path), profile_of)
        kind = kind_of(path.name)
        assert kind in ("record", "remark", "batch")
        assert path.name == told.name
        assert (kind == "record") == (told.record is not None)
        assert (kind == "remark") == (told.about is not None) == (told.simulated is None)
        if told.about:
            assert is_there(store.place, told.about)
            assert not is_there(store.place, (told.about[0], "0" * 64))
            assert not is_there(store.place / "other", told.about)


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "it is not JSON"),
        (b"{}", "it has no seal"),
        (sealed({}), "by its schema"),
        (sealed({"schema": "pinwright/record-9"}), "by its schema"),
        (sealed({"schema": ["pinwright/record-1"]}), "by its schema"),
        (sealed({"schema": "pinwright/batch-1"}), "lacks what a batch holds"),
        (sealed({"schema": "pinwright/remark-1"}), "lacks what a remark holds"),
        (sealed(a_record()).replace(b"rack", b"rock"), "its contents have the SHA-256"),
        (sealed(changed(a_record(), "scan.verdict", "fail")), "its verdict"),
        (sealed(BATCH | {"count": 0}), "lacks what a batch holds"),
        (sealed(a_record()) + b" ", "not in canonical form"),
    ],
)
def test_what_is_no_document_of_ours_is_refused(data: bytes, reason: str) -> None:
    with pytest.raises(NotGenuine) as refused:
        proven(data, profile_of)
    assert reason in refused.value.reason


def test_a_remark_says_which_record_it_is_about() -> None:
    seal = str(open_sealed(sealed(a_record()))["sha256"])
    doc = remark_document(
        "note", "F-1", 1, 3, about_sha256=seal, text="x", by=None, made=MADE, host=__version__
    )
    told = proven(sealed(doc), profile_of)
    assert ("F-1.test-1.note-3.json", ("F-1.test-1", seal)) == (told.name, told.about)


# Files that cannot be lines


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (sealed(a_record()).replace(b"rack", b"rock"), "not as it was sealed"),
        (b"", "not as it was sealed"),
        (sealed({"a": 1}).replace(b'{"a"', b'{\n"a"'), "not as it was sealed"),
    ],
)
def test_a_file_that_is_not_as_it_was_sealed_is_no_line(data: bytes, reason: str, tmp_path: Path) -> None:
    path = tmp_path / "F-1.test-1.certificate.json"
    path.write_bytes(data)
    with pytest.raises(NotGenuine, match=reason):
        line_of(path)


def test_a_file_that_somebody_sealed_with_a_line_s_end_in_it_is_no_line(tmp_path: Path) -> None:
    """The seal is over bytes: one over others than the canonical form shows nothing wrong by itself."""
    bare = b'{\n"a":1}'
    seal = hashlib.sha256(bare).hexdigest()
    path = tmp_path / "F-1.test-1.certificate.json"
    path.write_bytes(bare[:-1] + f',"sha256":"{seal}"}}'.encode())
    with pytest.raises(NotGenuine, match="not in canonical form"):
        line_of(path)


def test_a_file_that_is_gone_is_told() -> None:
    with pytest.raises(FileNotFoundError):
        line_of(Path("nowhere.json"))


# Reading lines


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", []),
        (b"\n\n", []),
        (b"a", [(1, b"a")]),
        (b"a\nb\n", [(1, b"a"), (2, b"b")]),
        (b"a\r\n\r\nb\r\n", [(1, b"a"), (3, b"b")]),
        (b"\na", [(2, b"a")]),
        (b"12345678\nx", [(1, b"12345678"), (2, b"x")]),
        (b"12345678\r\nx", [(1, b"12345678"), (2, b"x")]),
        (b"123456789\nx", [(1, None), (2, b"x")]),
        (b"1" * 100 + b"\nx\n", [(1, None), (2, b"x")]),
        (b"x\n" + b"1" * 100, [(1, b"x"), (2, None)]),
    ],
)
def test_lines_are_numbered_and_none_is_longer_than_a_document(
    data: bytes, told: list[Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lines, "MOST_BYTES", 8)
    monkeypatch.setattr(lines, "_PART", 3)
    assert told == list(lines_in(io.BytesIO(data)))


def test_a_line_that_is_too_long_is_not_kept_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    class Long(io.BytesIO):
        """Counts what it was asked for at once."""

        asked: ClassVar[list[int]] = []

        def readline(self, size: int | None = -1, /) -> bytes:
            self.asked.append(size or -1)
            return super().readline(size)

    monkeypatch.setattr(lines, "MOST_BYTES", 100)
    monkeypatch.setattr(lines, "_PART", 10)
    assert [(1, None), (2, b"x")] == list(lines_in(Long(b"1" * 1000 + b"\nx")))
    assert {10, 102} == set(Long.asked)
