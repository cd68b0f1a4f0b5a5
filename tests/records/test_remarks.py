"""A note or a withdrawal is a document of its own, about a test that is there and as it was sealed."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from pinwright.errors import RecordsError, SerialError, UsageError
from pinwright.records.document import NotGenuine, open_sealed
from pinwright.records.entries import Query
from pinwright.records.remarks import MOST_TEXT, read_remark, remark_document
from pinwright.records.store import Store

from .making import DELETED, a_record, changed, members, sealed

MADE = "2026-03-02T10:00:00Z"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """One cable, tested twice."""
    store = Store(tmp_path / "records")
    for test in (1, 2):
        store.save(
            lambda serial, test: a_record(serial=serial, test=test),
            kind="certificate",
            serial="F-1",
            pattern=str,
            again=test > 1,
        )
    return store


def remark(store: Store, kind: Any = "note", text: str = "the sleeve", **about: Any) -> Path:
    wanted = {"serial": "F-1", "test": None, "by": None, "made": MADE, "host": "0.5.0", **about}
    return store.remark(kind, wanted.pop("serial"), wanted.pop("test"), text, **wanted)


def files(store: Store) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in store.place.glob("[!.]*")}


def test_a_remark_is_a_sealed_document_beside_the_record_that_it_names(store: Store) -> None:
    before = files(store)
    path = remark(store, by="O. Perator", text="the sleeve of B was replaced")
    about = open_sealed(before["F-1.test-2.certificate.json"])["sha256"]
    assert store.place / "F-1.test-2.note-1.json" == path
    doc = read_remark(path.read_bytes())
    assert {
        "schema": "pinwright/remark-1",
        "kind": "note",
        "number": "F-1.test-2.note-1",
        "serial": "F-1",
        "test": 2,
        "about": {"number": "F-1.test-2", "sha256": about},
        "text": "the sleeve of B was replaced",
        "by": "O. Perator",
        "made": MADE,
        "host": "0.5.0",
        "sha256": doc["sha256"],
    } == doc
    assert before == {name: data for name, data in files(store).items() if name != path.name}


def test_remarks_are_counted_by_test_and_kind_and_gaps_stay(store: Store) -> None:
    told = [remark(store).name, remark(store, test=1).name, remark(store, "withdrawal").name]
    second = remark(store, serial="f-1")
    told.append(second.name)
    assert [
        "F-1.test-2.note-1.json",
        "F-1.test-1.note-1.json",
        "F-1.test-2.withdrawal-1.json",
        "F-1.test-2.note-2.json",
    ] == told
    (store.place / "F-1.test-2.note-1.json").unlink()
    assert "F-1.test-2.note-3.json" == remark(store).name
    second.rename(second.with_name("F-1.TEST-2.NOTE-8.JSON"))
    assert "F-1.test-2.note-9.json" == remark(store).name


def test_a_test_is_withdrawn_once(store: Store) -> None:
    remark(store, "withdrawal", "the label was on another cable")
    before = files(store)
    with pytest.raises(RecordsError) as refused:
        remark(store, "withdrawal", "again")
    assert (
        "test 2 of `F-1` is withdrawn already: 2026-03-02, the label was on another cable "
        "(`F-1.test-2.withdrawal-1.json`)" == refused.value.message
    )
    assert before == files(store)
    assert remark(store, "withdrawal", "that one too", test=1).exists()
    assert ["that one too", "the label was on another cable"] == [one.withdrawn for one in store.found()]


def test_a_withdrawal_of_which_only_the_name_is_left_is_one(store: Store) -> None:
    (store.place / "F-1.test-2.withdrawal-1.json").write_bytes(b"")
    with pytest.raises(RecordsError, match="is withdrawn already"):
        remark(store, "withdrawal")


@pytest.mark.parametrize(
    ("about", "sentence"),
    [
        ({"serial": "F-2"}, "serial `F-2` has no record"),
        ({"test": 3}, "serial `F-1` has no test 3"),
        ({"serial": "../x"}, r"character 3 is U\+002F"),
        ({"serial": ""}, "the serial is empty"),
    ],
)
def test_what_is_not_there_cannot_be_remarked_on(store: Store, about: dict[str, Any], sentence: str) -> None:
    before = files(store)
    with pytest.raises(SerialError, match=sentence):
        remark(store, **about)
    assert before == files(store)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        sealed(a_record(test=2)).replace(b"rack", b"rock"),
        sealed(a_record(test=1)),
        sealed(a_record(serial="F-2", test=2)),
    ],
)
def test_a_record_that_is_not_as_it_was_sealed_is_not_remarked_on(store: Store, data: bytes) -> None:
    path = store.place / "F-1.test-2.certificate.json"
    path.write_bytes(data)
    with pytest.raises(RecordsError) as refused:
        remark(store)
    assert f"record `{path}` is not as it was sealed; what is said of it would not last" == (
        refused.value.message
    )
    assert remark(store, test=1).exists()


@pytest.mark.parametrize(
    "text", ["", "   ", "a\nb", "a\x1b[31m", "\u202ex", "\ud800", "\0", "x" * (MOST_TEXT + 1)]
)
@pytest.mark.parametrize("where", ["text", "by"])
def test_text_that_no_screen_should_show_is_refused(store: Store, text: str, where: str) -> None:
    before = files(store)
    with pytest.raises(UsageError):
        remark(store, **{where: text})
    assert before == files(store)


def test_the_longest_text_is_kept(store: Store) -> None:
    text = "Ω" * MOST_TEXT
    assert text == read_remark(remark(store, text=text, by="b" * 80).read_bytes())["text"]
    assert [text] == [one.text for one in store.remarks_of("F-1")]


def test_what_a_save_left_that_was_killed_is_removed(store: Store) -> None:
    left = store.place / f".F-1.test-1.note-1.json.{'0' * 16}.unfinished"
    left.write_bytes(b"{")
    store.check_writable()
    assert not left.exists()


DOC = remark_document("note", "F-1", 2, 3, about_sha256="0" * 64, text="x", by=None, made=MADE, host="0.5.0")


def test_a_remark_reads_back() -> None:
    assert DOC.items() <= read_remark(sealed(DOC)).items()


@pytest.mark.parametrize("path", list(members(DOC)), ids=lambda path: ".".join(map(str, path)))
@pytest.mark.parametrize("value", [DELETED, None, 7, "x", [], {}, -1, "F-1.test-2.note-x", "2026-03-02"])
def test_what_is_no_remark_is_refused(path: tuple[Any, ...], value: Any) -> None:
    told = changed(DOC, path, value)
    if told == DOC or (path in (("text",), ("by",), ("host",)) and (isinstance(value, str))):
        return  # any text may stand there
    with pytest.raises(NotGenuine, match=r"it lacks what a remark holds|it is no remark"):
        read_remark(sealed(told))


@pytest.mark.parametrize(
    "changes",
    [
        {"serial": "F-2"},
        {"test": 1},
        {"kind": "withdrawal"},
        {"number": "F-1.test-2.note-0"},
        {"number": "F-1.test-2.note-03"},
        {"number": "F-1.test-2.note-" + "9" * 5000},
        {"about": {"number": "F-1.test-1", "sha256": "0" * 64}},
        {"about": {"number": "F-1.test-2", "sha256": "G" * 64}},
        {"text": "a\x1b"},
        {"text": "x" * 2001},
        {"by": ""},
        {"made": "2026-02-30T10:00:00Z"},
    ],
)
def test_a_remark_that_contradicts_itself_is_refused(changes: Mapping[str, Any]) -> None:
    with pytest.raises(NotGenuine, match="it lacks what a remark holds"):
        read_remark(sealed(DOC | changes))


def test_a_remark_that_was_changed_is_refused(store: Store) -> None:
    data = remark(store).read_bytes()
    with pytest.raises(NotGenuine, match="its contents have the SHA-256"):
        read_remark(data.replace(b"sleeve", b"sloove"))


def test_what_is_said_stays_with_its_test(store: Store) -> None:
    remark(store, text="one", test=1)
    remark(store, text="two", made="2026-03-03T10:00:00Z")
    remark(store, text="before two")
    remark(store, "withdrawal", "three")
    told = [(one.test, one.kind, one.text, one.number) for one in store.remarks_of("f-1")]
    assert [
        (1, "note", "one", "F-1.test-1.note-1"),
        (2, "note", "before two", "F-1.test-2.note-2"),
        (2, "withdrawal", "three", "F-1.test-2.withdrawal-1"),
        (2, "note", "two", "F-1.test-2.note-1"),
    ] == told
    assert [(1, ""), (2, "three")] == [(one.notes, one.withdrawn) for one in store.found()]
    assert [2] == [one.entry.test for one in store.found(Query(words=("two",)))]


def test_a_folder_that_is_not_there_is_not_made_for_a_remark(tmp_path: Path) -> None:
    with pytest.raises(SerialError, match="has no record"):
        remark(Store(tmp_path / "nowhere"))
    assert [] == os.listdir(tmp_path)
