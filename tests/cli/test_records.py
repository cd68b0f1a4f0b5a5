"""`pinwright records`: what was tested, and whether the files that say so are as they were made."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pinwright import __version__, terminal
from pinwright.cli import proving, records_verify, workers
from pinwright.records import store
from pinwright.records.batches import batch_document, batch_member
from pinwright.records.carrier import seal_html, seal_pdf
from pinwright.records.document import open_sealed
from pinwright.records.store import Store
from pinwright.sheets.documents import DRAWN_BY

from ..records.making import (
    OPEN_AND_JOINED,
    SWAPPED,
    a_record,
    changed,
    kept,
    of_an_earlier_version,
    sealed,
)

OTHERS = "pinwright-0.0.1+jinja2-3.0.0+segno-1.0"  # another release
posix = pytest.mark.skipif(os.name != "posix", reason="pipes and devices of POSIX")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as scans leave it: three cables, one of them tested twice, one by an earlier version."""
    folder = tmp_path_factory.mktemp("made") / "records"
    bad = {"joints": {"A.4": 12.0}, "leaks": {"A.5": 41_000.0}}
    kept(folder, a_record(SWAPPED, operator="O. Perator", lane="calibrated", **bad))
    kept(folder, a_record(serial="F-1", test=2, lane="uncalibrated"))
    kept(folder, a_record(serial="F-10", platform="linux"))
    (folder / ".lock").write_bytes(b"")
    (folder / "OLD-2.test-1.report.json").write_bytes(sealed(before_0_3()))
    return folder


def before_0_3() -> dict[str, Any]:
    """A record as version 0.2.0 wrote it, which drew nothing."""
    doc = of_an_earlier_version(a_record(OPEN_AND_JOINED, serial="OLD-2")) | {"host": "0.2.0"}
    return doc | {"decision": "PASS: every net …", "not_measured": doc["not_measured"][:-1]}


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    """The same, for this test alone."""
    return Path(shutil.copytree(made, tmp_path / "records"))


@pytest.fixture
def run(pinwright: Any, folder: Path) -> Callable[..., Any]:
    """Run an action in the folder."""
    return lambda action, *words: pinwright("records", action, *words, "--records", folder)


@pytest.fixture
def golden_run(run: Any, golden: Any, folder: Path) -> Callable[..., None]:
    """Run an action and compare it with its golden file."""
    program = f"pinwright {__version__}"
    return lambda name, *words: golden(name, run(*words), records=str(folder), program=program)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


# list


def test_the_list(golden_run: Any) -> None:
    golden_run("records-list", "list")


def test_the_list_as_a_document(run: Any, folder: Path) -> None:
    document = run("list", "--json").document
    assert ("pinwright/records-1", str(folder)) == (document["schema"], document["place"])
    told = [(one["serial"], one["test"], one["result"]) for one in document["records"]]
    assert [
        ("F-1", 1, "fail"),
        ("F-1", 2, "pass"),
        ("F-10", 1, "pass (simulated)"),
        ("OLD-2", 1, "fail"),
    ] == told
    first = folder / "F-1.test-1.report"
    assert {
        "serial": "F-1",
        "test": 1,
        "result": "fail",
        "started": "2026-03-01T09:30:00Z",
        "profile": "five",
        "operator": "O. Perator",
        "record": f"{first}.json",
        "documents": {"pdf": f"{first}.pdf", "html": f"{first}.html"},
        "withdrawn": None,
        "notes": 0,
        "batch": None,
        "sha256": open_sealed(first.with_name(f"{first.name}.json").read_bytes())["sha256"],
        "sealed": True,
    } == document["records"][0]
    assert {} == document["records"][3]["documents"]


@pytest.mark.parametrize("there", [True, False])
def test_an_empty_folder_has_no_records_and_one_that_is_not_there_is_not_made(
    there: bool, pinwright: Any, tmp_path: Path
) -> None:
    place = tmp_path / "empty"
    if there:
        place.mkdir()
    ran = pinwright("records", "list", "--records", place)
    assert (0, "", f"no records in `{place}`\n") == (ran.status, ran.out, ran.err)
    assert [] == pinwright("records", "list", "--records", place, "--json").document["records"]
    assert there == place.exists()


def test_a_folder_that_may_not_be_read_is_named(
    run: Any, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def listdir(_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(store.os, "listdir", listdir)
    for words in (("list",), ("show", "F-1")):
        assert f"records folder `{folder}`: cannot read it: access is denied" == run(*words).error(2)
        assert 2 == run(*words, "--json").document["status"]


def test_a_file_as_the_folder_is_refused(pinwright: Any, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    message = pinwright("records", "list", "--records", tmp_path / "file").error(2)
    assert message.endswith("cannot read it: it is not a folder, or lies below something that is not")


SCAN = a_record()["scan"]


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\xff\xfe",
        b"{}",
        b"[]",
        b"7",
        b'{"scan":7}',
        b'{"scan":{"tester":{"kind":"virtual"}}}',
        b"[" * 100_000,
        json.dumps({"scan": SCAN | {"verdict": "PASS\x1b[31m"}}).encode(),
        json.dumps({"scan": SCAN | {"verdict": ["pass"]}}).encode(),
        json.dumps({"scan": SCAN | {"operator": ["x"] * 1000}}).encode(),
        json.dumps({"scan": SCAN | {"started": 7}}).encode(),
    ],
)
def test_a_file_that_is_no_record_is_listed_as_unreadable(data: bytes, run: Any, folder: Path) -> None:
    (folder / "F-1.test-3.report.json").write_bytes(data)
    lines = run("list").out.splitlines()
    assert ["F-1     3     unreadable"] == [line for line in lines if "unreadable" in line]
    assert ["unreadable"] == [
        one["result"] for one in run("list", "--json").document["records"] if one["test"] == 3
    ]
    assert "other tests of this cable: 1 (fail), 3 (unreadable)" in run("show", "F-1", "--test", "2").out


def test_only_records_are_listed(run: Any, folder: Path) -> None:
    for name in (
        "notes.txt",
        ".F-9.test-1.report.json",
        "F-9.test-1.json",
        "F-9.test-1.report.pdf",
        "x.json",
    ):
        (folder / name).write_bytes(b"{}")
    assert 4 == len(run("list", "--json").document["records"])


def test_a_long_list_looks_like_a_short_one(
    run: Any,
    folder: Path,
    on_a_terminal: Any,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    status, short = on_a_terminal("records", "list", "--records", folder)
    assert (0, run("list").out) == (status, re.sub(r"\x1b\[[0-9;]*m", "", short)), "there is room for all"
    monkeypatch.setattr(terminal, "_MOST_FOLDED", 2)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    terminal.show_rows(("a", "b"), [("1", "2"), ("3", "x" * 100), ("5", "6")])
    assert f"a  b\n1  2\n3  {'x' * 100}\n5  6\n" == capsys.readouterr().out


@pytest.fixture
def said(run: Any, folder: Path) -> Path:
    """The same folder, in which a test is withdrawn and noted, and another cable is of a batch."""
    store = Store(folder)
    store.remark(
        "withdrawal", "F-1", 2, "the label was on another cable", by="O. Perator", made=MADE, host="0.5.0"
    )
    for text in ("the sleeve of B was replaced", "it hums"):
        store.remark("note", "F-1", 2, text, by=None, made=MADE, host="0.5.0")
    kept(folder, a_record(serial="F-7", batch=batch_member("five-2", "5" * 64, 3, 5, 41)))
    return folder


MADE = "2026-03-04T08:00:00Z"


def test_the_list_with_what_was_said_since(golden_run: Any, said: Path) -> None:
    broken = said / "OLD-2.test-1.report.json"
    broken.write_bytes(broken.read_bytes().replace(b"rack", b"rock"))
    golden_run("records-list-said", "list")


def test_the_list_as_a_document_says_what_was_said_since(run: Any, said: Path) -> None:
    told = {(one["serial"], one["test"]): one for one in run("list", "--json").document["records"]}
    withdrawn = told["F-1", 2]
    assert ("pass", "the label was on another cable", 2) == (
        withdrawn["result"],
        withdrawn["withdrawn"],
        withdrawn["notes"],
    )
    assert {"id": "five-2", "item": 3} == told["F-7", 1]["batch"]


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("f-1",), ["F-1.1", "F-1.2", "F-10.1"]),
        (("--serial", "f-1"), ["F-1.1", "F-1.2"]),
        (("--serial", "F-1*", "--latest"), ["F-1.2", "F-10.1"]),
        (("--profile", "five", "--result", "pass"), ["F-7.1", "F-10.1"]),
        (("--result", "withdrawn"), ["F-1.2"]),
        (("--batch", "five-2"), ["F-7.1"]),
        (("perator", "--result", "fail"), ["F-1.1"]),
        (("sleeve", "REPLACED"), ["F-1.2"]),
        (("--since", "2026-03-01", "--until", "2026-03-01T09:30:00Z", "label"), ["F-1.2"]),
        (("--since", "2026-03-01T10:30:01+01:00"), []),
        (("--until", "2026-02"), []),
    ],
)
def test_what_fits_is_listed(words: tuple[str, ...], expected: list[str], run: Any, said: Path) -> None:
    ran = run("list", *words)
    lines = [line.split()[:2] for line in ran.out.splitlines()[1:]]
    assert expected == [".".join(words) for words in lines]
    told = run("list", *words, "--json").document["records"]
    assert expected == [f"{one['serial']}.{one['test']}" for one in told]
    assert (ran.status, ran.err) == (0, "" if expected else f"nothing fits in `{said}`\n")


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--since", "yesterday"), "`--since yesterday` should be a date, such as 2026"),
        (("--until", "2026-02-30"), "`--until 2026-02-30` should be a date"),
        (("--since", ""), "`--since ` should be a date"),
        (("--since", "\x1b[31m"), "`--since <U+001B>[31m` should be a date"),
        (("x" * 201,), "the word `xxxxxxxxxxxxxxxxxxxx…` has more than 200 characters"),
        (("--result", "good"), "argument --result: invalid choice: 'good'"),
    ],
)
def test_what_no_list_can_be_made_by_is_refused(words: tuple[str, ...], sentence: str, run: Any) -> None:
    assert run("list", *words).error(2).startswith(sentence)


@pytest.mark.parametrize("text", ["\x1b[31mred", "\u202ereversed", "a\nb", "x" * 5000])
def test_text_in_a_remark_commands_no_terminal(text: str, run: Any, said: Path) -> None:
    for path in said.glob("F-1.test-2.*-1.json"):
        doc = open_sealed(path.read_bytes()) | {"text": text, "by": text, "made": text}
        path.write_bytes(sealed(doc))
    for words in (("list",), ("show", "F-1"), ("verify",)):
        ran = run(*words)
        assert not re.search(r"[\x00-\x09\x0b-\x1f\u202e]", ran.out + ran.err)
        assert max(map(len, ran.out.splitlines())) < 5000


# show


def test_one_cable(golden_run: Any) -> None:
    golden_run("records-show", "show", "F-1", "-v")


def test_one_cable_that_failed(golden_run: Any) -> None:
    golden_run("records-show-report", "show", "F-1", "--test", "1")


def test_one_cable_of_a_simulation(golden_run: Any) -> None:
    golden_run("records-show-specimen", "show", "F-10")


def test_that_a_record_is_lost_is_said_where_its_documents_are(
    run: Any, pinwright: Any, folder: Path
) -> None:
    (folder / "F-1.test-2.certificate.json").unlink()
    (folder / "F-10.test-1.certificate.json").unlink()
    told = f"documents of a lost record are in `{folder}`, such as `F-{{}}.certificate.html`; "
    names_them = "`pinwright records verify` names them all\n"
    for words in (("list",), ("list", "--json"), ("show", "f-1"), ("list", "--serial", "F-1")):
        assert told.format("1.test-2") + names_them == run(*words).err
    assert (
        told.format("10.test-1") + names_them == run("list", "--serial", "F-10").err.partition("nothing")[0]
    )
    assert "" == run("show", "OLD-2").err
    scan = ("scan", "lamp-changer-40", "--port", "sim", "--records", folder, "--serial")
    assert "its record is lost" in pinwright(*scan, "F-10").error(2)


def test_serials_that_are_close_are_named_in_their_order(run: Any, folder: Path) -> None:
    for serial in ("HL-100", "HL-20"):
        (folder / f"{serial}.test-1.report.json").write_bytes(sealed(a_record(serial=serial)))
    assert run("show", "HL-10").error(2).endswith("; close to it: `F-10`, `HL-20`, `HL-100`")


def test_one_cable_in_another_case_is_the_same(run: Any) -> None:
    assert run("show", "F-1").out == run("show", "f-1").out


def test_one_cable_as_a_document_is_its_record(run: Any, folder: Path) -> None:
    record = (folder / "F-1.test-2.certificate.json").read_bytes()
    assert open_sealed(record) == run("show", "F-1", "--json").document


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("F-11",), r"serial `F-11` has no record in `\S+`; close to it: `F-1`, `F-10`"),
        (("QQQ",), r"serial `QQQ` has no record in `\S+`"),
        (("F-1", "--test", "3"), r"serial `F-1` has no test 3; there are 1, 2"),
        (("F-1", "--test", "999999999"), r"serial `F-1` has no test 999999999; there are 1, 2"),
        (("../F-1",), r"serial '\.\./F-1': character 3 is U\+002F; .+"),
        (("",), r"the serial is empty"),
    ],
)
def test_a_cable_or_test_that_is_not_there_is_named(words: tuple[str, ...], sentence: str, run: Any) -> None:
    assert re.fullmatch(sentence, run("show", *words).error(2))
    assert 2 == run("show", *words, "--json").document["status"]


def test_a_record_of_an_earlier_version_is_read_and_drawn(run: Any, folder: Path, tmp_path: Path) -> None:
    ran = run("show", "OLD-2", "--pdf", tmp_path / "x.pdf")
    assert (0, "") == (ran.status, ran.err)
    assert "Program      pinwright 0.2.0\n" in ran.out
    assert "Calibration  no ohms lane\n" in ran.out
    assert "Long check" not in ran.out
    assert 0 == run("verify", tmp_path / "x.pdf", folder / "OLD-2.test-1.report.json").status


def test_a_page_that_is_written_is_the_one_that_the_scan_wrote(pinwright: Any, tmp_path: Path) -> None:
    words = ("--records", tmp_path / "r", "--json")
    document = pinwright("scan", "service-lead-9", "--port", "sim", *words).document
    wanted = {kind: tmp_path / f"again.{kind}" for kind in ("pdf", "html")}
    options = [word for kind, path in wanted.items() for word in (f"--{kind}", path)]
    ran = pinwright("records", "show", document["serial"], "--records", tmp_path / "r", *options)
    assert (0, "") == (ran.status, ran.err)
    assert list(map(str, wanted.values())) == ran.out.splitlines()[-2:]
    for kind, path in wanted.items():
        assert Path(document["documents"][kind]).read_bytes() == path.read_bytes()


@pytest.mark.parametrize("kind", ["pdf", "html"])
def test_a_file_that_exists_is_not_replaced(kind: str, run: Any, folder: Path) -> None:
    before = contents(folder)
    path = folder / f"F-1.test-2.certificate.{kind}"
    assert f"`{path}` exists already; it was not touched" == run("show", "F-1", f"--{kind}", path).error(2)
    assert f"`{folder}` exists already; it was not touched" == run("show", "F-1", f"--{kind}", folder).error(
        2
    )
    assert before == contents(folder)


def test_a_file_that_cannot_be_written_is_named(run: Any, tmp_path: Path) -> None:
    path = tmp_path / "nowhere" / "x.pdf"
    assert f"`{path}` cannot be written: No such file or directory" == run(
        "show", "F-1", "--pdf", path
    ).error(2)


def test_a_page_for_which_the_disk_has_no_room_leaves_no_part_of_itself(
    run: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def write_bytes(path: Path, data: bytes) -> None:
        with path.open("wb") as file:
            file.write(data[:100])
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", write_bytes)
    path = tmp_path / "x.pdf"
    assert f"`{path}` cannot be written: No space left on device" == run("show", "F-1", "--pdf", path).error(
        2
    )
    assert not path.exists()


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (sealed(a_record(test=2)).replace(b"rack", b"rock"), "its contents have the SHA-256"),
        (sealed(a_record(test=1)), "it is the record of `F-1.test-1.certificate`, under another name"),
        (
            sealed(a_record(serial="F-2", test=2)),
            "it is the record of `F-2.test-2.certificate`, under another",
        ),
        (b"", "it is not JSON"),
    ],
)
def test_a_cable_whose_record_is_not_genuine_is_not_shown(
    data: bytes, reason: str, run: Any, folder: Path, tmp_path: Path
) -> None:
    path = folder / "F-1.test-2.certificate.json"
    path.write_bytes(data)
    ran = run("show", "F-1", "--pdf", tmp_path / "x.pdf")
    assert (1, "") == (ran.status, ran.err)
    assert ran.out.startswith(f"{path}: NOT AS MADE: {reason}")
    assert 1 == len(ran.out.splitlines())
    assert not (tmp_path / "x.pdf").exists()
    document = run("show", "F-1", "--json").document
    assert ("pinwright/verify-1", [False]) == (
        document["schema"],
        [one["as_made"] for one in document["files"]],
    )


def test_a_record_that_is_a_folder_is_not_read(run: Any, folder: Path) -> None:
    (folder / "F-5.test-1.report.json").mkdir()
    assert "cannot be read: it is no regular file" in run("show", "F-5").error(2)


def test_one_cable_that_was_withdrawn(golden_run: Any, said: Path) -> None:
    golden_run("records-show-withdrawn", "show", "F-1")


def test_that_a_cable_was_withdrawn_is_said_beside_its_document_too(run: Any, said: Path) -> None:
    ran = run("show", "F-1", "--json")
    assert "pass" == ran.document["scan"]["verdict"]
    note = "note: this test is withdrawn: the label was on another cable (2026-03-04, O. Perator)\n"
    assert note == ran.err
    assert "" == run("show", "F-1", "--test", "1", "--json").err


def test_another_test_of_a_cable_says_that_one_was_withdrawn(run: Any, said: Path) -> None:
    out = run("show", "F-1", "--test", "1").out
    assert "other tests of this cable: 2 (WITHDRAWN, was pass); `--test N` shows one" in out
    assert "WITHDRAWN" not in out.splitlines()[0]
    assert "the label was on another cable" not in out


def test_the_test_before_and_the_batch_stand_in_what_is_shown(run: Any, folder: Path) -> None:
    store = Store(folder)
    batch = batch_member("five-2", "5" * 64, 3, 5, 41)
    store.save(
        lambda serial, test: a_record(serial=serial, test=test, batch=batch),
        kind="certificate",
        serial="F-1",
        pattern=str,
        again=True,
    )
    sha256 = open_sealed((folder / "F-1.test-2.certificate.json").read_bytes())["sha256"]
    out = " ".join(run("show", "F-1").out.split())
    assert f"Earlier test F-1.test-2, SHA-256 {sha256} Batch five-2, cable 3 of 5" in out


# note, withdraw, reindex


@pytest.mark.parametrize(
    ("action", "kind", "done"), [("note", "note", "noted about"), ("withdraw", "withdrawal", "withdrawn:")]
)
def test_what_is_said_of_a_test_is_kept_beside_it(
    action: str, kind: str, done: str, run: Any, folder: Path
) -> None:
    before = contents(folder)
    ran = run(action, "f-1", "it hums", "--by", "O. Perator")
    path = folder / f"F-1.test-2.{kind}-1.json"
    assert (0, f"{done} F-1.test-2: {path}\n", "") == (ran.status, ran.out, ran.err)
    doc = open_sealed(path.read_bytes())
    assert (kind, "it hums", "O. Perator", "F-1.test-2") == (
        doc["kind"],
        doc["text"],
        doc["by"],
        doc["about"]["number"],
    )
    second = run(action, "F-1", "it hums", "--test", "1", "--json").document
    assert (f"F-1.test-1.{kind}-1", None) == (second["number"], second["by"])
    assert before == {name: data for name, data in contents(folder).items() if kind not in name}
    assert 0 == run("verify").status


def test_a_test_is_withdrawn_once(run: Any, said: Path) -> None:
    before = contents(said)
    assert (
        "test 2 of `F-1` is withdrawn already: 2026-03-04, the label was on another cable "
        "(`F-1.test-2.withdrawal-1.json`)" == run("withdraw", "F-1", "again").error(2)
    )
    assert 2 == run("withdraw", "F-1", "again", "--json").document["status"]
    assert before == contents(said)


@pytest.mark.parametrize("action", ["note", "withdraw"])
@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("F-11", "x"), r"serial `F-11` has no record in `\S+`; close to it: .*`F-1`.*"),
        (("F-1", "x", "--test", "3"), "serial `F-1` has no test 3; there are 1, 2"),
        (("../F-1", "x"), r"serial '\.\./F-1': character 3 is U\+002F; .+"),
        (("F-1", ""), "the (text|reason) has 0 characters; 1 to 2000 are possible, not all blanks"),
        (("F-1", "x" * 2001), "the (text|reason) has 2001 characters; .+"),
        (("F-1", "a\x1b[31m"), r"the (text|reason) contains U\+001B, which does not print"),
        (("F-1", "a\nb"), r"the (text|reason) contains U\+000A, which does not print"),
        (("F-1", "x", "--by", "\u202e"), r"`--by` contains U\+202E, which does not print"),
        (("F-1", "x", "--by", "b" * 81), "`--by` has 81 characters; .+"),
    ],
)
def test_what_cannot_be_said_is_refused(
    words: tuple[str, ...], sentence: str, action: str, run: Any, folder: Path
) -> None:
    before = contents(folder)
    assert re.fullmatch(sentence, run(action, *words).error(2))
    assert before == contents(folder)


@pytest.mark.parametrize("action", ["note", "withdraw"])
def test_of_a_record_that_was_changed_nothing_is_said(action: str, run: Any, folder: Path) -> None:
    path = folder / "F-1.test-2.certificate.json"
    path.write_bytes(path.read_bytes().replace(b"rack", b"rock"))
    assert f"record `{path}` is not as it was sealed; what is said of it would not last" == (
        run(action, "F-1", "x").error(2)
    )


def test_the_index_is_made_anew(run: Any, folder: Path) -> None:
    assert f"4 records in the index of `{folder}`\n" == run("reindex").out
    (folder / ".index" / "records.sqlite").write_bytes(b"no database")
    ran = run("list", "--latest")
    words = f"the index of `{folder}` is damaged; it is made anew from the records\n"
    assert (0, words, 4) == (ran.status, ran.err, len(ran.out.splitlines()))
    document = run("reindex", "--json").document
    assert ("pinwright/reindex-1", str(folder), 4) == tuple(document.values())


def test_a_folder_that_is_not_there_is_not_made_for_an_index(pinwright: Any, tmp_path: Path) -> None:
    ran = pinwright("records", "reindex", "--records", tmp_path / "nowhere")
    assert (0, f"0 records in the index of `{tmp_path / 'nowhere'}`\n") == (ran.status, ran.out)
    assert not (tmp_path / "nowhere").exists()


# verify


def test_every_file_of_the_folder_is_verified(golden_run: Any) -> None:
    golden_run("records-verify", "verify")


def test_every_file_of_the_folder_is_verified_as_a_document(run: Any, folder: Path) -> None:
    document = run("verify", "--json").document
    names = sorted(name for name in contents(folder) if not name.startswith("."))
    assert ("pinwright/verify-1", 10) == (document["schema"], len(names))
    assert [str(folder / name) for name in names] == [one["file"] for one in document["files"]]
    assert {(True, 0)} == {(one["as_made"], one["status"]) for one in document["files"]}
    assert "as made: F-1.test-1, FAIL, 2026-03-01T09:30:00Z" == document["files"][0]["seen"]


def unsealed(page: bytes) -> bytes:
    return re.sub(rb"(?:%|<!-- )pinwright-seal-1 .*\n", b"", page)


def again(page: bytes, drawn_by: str) -> bytes:
    """The page, sealed again as if something else had drawn it."""
    return (seal_pdf if page.startswith(b"%PDF") else seal_html)(unsealed(page), drawn_by)


def forged(page: bytes) -> bytes:
    """A page that says more than its record, sealed again by who knows how."""
    return again(page.replace(b"rack", b"rock", 1), DRAWN_BY["html"])


GENUINE = "as made: F-1.test-2, PASS, 2026-03-01T09:30:00Z"
REDRAWN = "NOT AS MADE: it is not what its record gives when it is drawn again"


@pytest.mark.parametrize(
    ("name", "change", "status", "seen"),
    [
        ("json", lambda data: data, 0, GENUINE),
        (
            "json",
            lambda data: data.replace(b"rack", b"rock"),
            1,
            "NOT AS MADE: its contents have the SHA-256",
        ),
        ("json", lambda data: data + b"\n", 1, "NOT AS MADE: it is not in canonical form"),
        ("json", lambda data: b"", 1, "NOT AS MADE: it is not JSON"),
        ("json", lambda data: sealed({}), 1, "NOT AS MADE: it lacks what a record of a test holds"),
        (
            "json",
            lambda data: sealed(changed(open_sealed(data), "scan.verdict", "fail")),
            1,
            "NOT AS MADE: its verdict",
        ),
        ("html", forged, 1, REDRAWN),
        (
            "html",
            lambda page: page.replace(b"rack", b"rock", 1),
            1,
            "NOT AS MADE: its bytes have the SHA-256",
        ),
        (
            "html",
            lambda page: again(page, OTHERS),
            0,
            f"{GENUINE} (not drawn again: {OTHERS} drew it, this is {DRAWN_BY['html']})",
        ),
        (
            "pdf",
            lambda page: again(page, OTHERS),
            0,
            f"{GENUINE} (not drawn again: {OTHERS} drew it, this is {DRAWN_BY['pdf']})",
        ),
        ("pdf", lambda page: again(page, DRAWN_BY["html"]), 0, f"{GENUINE} (not drawn again"),
        (
            "pdf",
            lambda page: again(page.replace(b"/OutputIntent", b"/outputIntent"), DRAWN_BY["pdf"]),
            1,
            REDRAWN,
        ),
        ("pdf", unsealed, 1, "NOT AS MADE: it has no seal of ours"),
        ("pdf", lambda page: page[:-1000], 1, "NOT AS MADE: it has no seal of ours"),
        ("pdf", lambda page: b"", 1, "NOT AS MADE: it has no seal of ours"),
        ("html", lambda page: b"<p>", 1, "NOT AS MADE: it has no seal of ours"),
    ],
)
def test_what_was_changed_is_found(
    name: str, change: Callable[[bytes], bytes], status: int, seen: str, run: Any, folder: Path
) -> None:
    path = folder / f"F-1.test-2.certificate.{name}"
    data = change(path.read_bytes())
    assert data != path.read_bytes() or not status
    path.write_bytes(data)
    ran = run("verify", path)
    assert (status, "") == (ran.status, ran.err)
    assert ran.out.startswith(f"{path}: {seen}")
    assert 1 == len(ran.out.splitlines())


def test_a_page_with_another_record_than_the_one_beside_it_is_not_genuine(
    run: Any, folder: Path, tmp_path: Path
) -> None:
    others = kept(tmp_path / "others", a_record(test=2, operator="Another"))
    for kind in ("pdf", "html"):
        path = folder / f"F-1.test-2.certificate.{kind}"
        shutil.copy(others.with_suffix(f".{kind}"), path)
        assert (
            f"{path}: NOT AS MADE: the record in it is another than `F-1.test-2.certificate.json` beside it\n"
            == (run("verify", path).out)
        )
        assert 0 == run("verify", others.with_suffix(f".{kind}")).status
    assert 1 == run("verify").status


@pytest.mark.parametrize("left", [b"", b"{"])
def test_a_damaged_record_does_not_spoil_the_page_beside_it(left: bytes, run: Any, folder: Path) -> None:
    record = folder / "F-1.test-2.certificate.json"
    record.write_bytes(left)
    assert 1 == run("verify", record).status
    for kind in ("pdf", "html"):
        ran = run("verify", record.with_suffix(f".{kind}"))
        assert (0, f" (the record in it is whole, `{record.name}` beside it is not)\n") == (
            ran.status,
            ran.out[ran.out.index(" (") :],
        )


def test_a_record_that_is_gone_is_missed_where_its_documents_are_still_there(run: Any, folder: Path) -> None:
    (folder / "F-1.test-2.certificate.json").unlink()
    ran = run("verify")
    assert 1 == ran.status
    missed = [line for line in ran.out.splitlines() if "the record that should be beside it is gone" in line]
    assert [f"{folder / 'F-1.test-2.certificate'}.{kind}" for kind in ("html", "pdf")] == [
        line.partition(": ")[0] for line in missed
    ]
    assert 0 == run("verify", folder / "F-1.test-2.certificate.pdf").status


def test_a_page_alone_is_verified_too_whatever_its_name(run: Any, folder: Path, tmp_path: Path) -> None:
    for kind in ("pdf", "html", "json"):
        path = tmp_path / f"a letter to you.{kind}.txt"
        shutil.copy(folder / f"F-1.test-2.certificate.{kind}", path)
        assert f"{path}: {GENUINE}\n" == run("verify", path).out


@pytest.mark.parametrize("kind", ["json", "pdf", "html"])
@pytest.mark.parametrize(
    "name",
    ["F-1.test-1.certificate", "F-1.test-2.report", "F-2.test-2.certificate", "F-1.test-02.certificate"],
)
def test_a_file_under_the_name_of_another_record_is_not_genuine(
    name: str, kind: str, run: Any, folder: Path, tmp_path: Path
) -> None:
    path = tmp_path / f"{name}.{kind}"
    shutil.copy(folder / f"F-1.test-2.certificate.{kind}", path)
    ran = run("verify", path)
    assert (
        f"{path}: NOT AS MADE: it is the record of `F-1.test-2.certificate`, under another name\n" == ran.out
    )


def test_a_name_in_another_case_is_the_same(run: Any, folder: Path, tmp_path: Path) -> None:
    """As some disks and programs change it."""
    path = tmp_path / "F-1.TEST-2.CERTIFICATE.JSON"
    shutil.copy(folder / "F-1.test-2.certificate.json", path)
    assert 0 == run("verify", path).status


def test_the_gravest_status_counts(run: Any, folder: Path, tmp_path: Path) -> None:
    good, bad, none = folder / "F-1.test-2.certificate.json", tmp_path / "bad.json", tmp_path / "none.json"
    bad.write_bytes(b"{}")
    for files, status in (((good, bad), 1), ((bad, good), 1), ((none, good), 2), ((none, bad, good), 2)):
        assert status == run("verify", *files).status
        assert status == run("verify", *files, "--json").status
    ran = run("verify", good, none, bad)
    assert [f"{good}: {GENUINE}", f"{bad}: NOT AS MADE: it has no seal (no text member `sha256`)"] == (
        ran.out.splitlines()
    )
    assert f"error: `{none}` cannot be read: No such file or directory\n" == ran.err
    assert [0, 2, 1] == [one["status"] for one in run("verify", good, none, bad, "--json").document["files"]]


def test_folders_are_verified_but_for_what_is_hidden_or_foreign(
    run: Any, folder: Path, tmp_path: Path
) -> None:
    for name in ("notes.txt", ".F-9.test-1.report.json", "picture.png", ".html", "json"):
        (folder / name).write_bytes(b"{}")
    assert 10 == len(run("verify", folder, "--json").document["files"])
    (folder / "foreign.JSON").write_bytes(b"{}")
    assert 1 == run("verify", folder).status
    (tmp_path / "empty").mkdir()
    ran = run("verify", tmp_path / "empty")
    assert (0, "", f"nothing to verify in `{tmp_path / 'empty'}`\n") == (ran.status, ran.out, ran.err)
    assert [] == run("verify", tmp_path / "empty", "--json").document["files"]


def test_a_folder_of_records_that_is_not_there_proves_nothing(pinwright: Any, tmp_path: Path) -> None:
    ran = pinwright("records", "verify", "--records", tmp_path / "nowhere")
    assert f"`{tmp_path / 'nowhere'}` cannot be read: No such file or directory" == ran.error(2)


def test_a_folder_that_may_not_be_read_proves_nothing(
    run: Any, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def iterdir(_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "iterdir", iterdir)
    assert f"folder `{folder}` cannot be read: Permission denied" == run("verify").error(2)


@posix
def test_what_never_ends_is_not_read(run: Any, folder: Path) -> None:
    """Nor waited for: a pipe without a writer, a device."""
    os.mkfifo(folder / "F-7.test-1.report.json")
    begun = time.monotonic()
    assert "cannot be read: it is no regular file" in run("show", "F-7").error(2)
    assert 5 == len(run("list", "--json").document["records"])
    assert 2 == run("verify").status
    assert "`/dev/zero` cannot be read: it is no regular file" == run("verify", "/dev/zero").error(2)
    assert time.monotonic() - begun < 20


@pytest.mark.parametrize("kind", ["json", "pdf", "html"])
def test_a_huge_file_is_refused_at_once(kind: str, run: Any, folder: Path) -> None:
    path = folder / f"F-7.test-1.report.{kind}"
    path.write_bytes(b"{%PDF-"[kind == "pdf" :])
    os.truncate(path, 200_000_000)  # a sparse file, where the disk has such
    begun = time.monotonic()
    ran = run("verify", path)
    assert (
        f"`{path}` cannot be read: it is larger than 16000000 bytes, which no record or page is"
        == ran.error(2)
    )
    assert 0 == run("list").status
    assert time.monotonic() - begun < 10


@posix
def test_names_that_no_file_can_have_are_refused(run: Any, tmp_path: Path) -> None:
    for name in ("x" * 300, "x" * 251 + ".pdf", "\udcff.json", "a" + "/b" * 3000):
        assert "cannot be read: " in run("verify", tmp_path / name).error(2)


@posix
def test_a_page_whose_name_is_as_long_as_can_be_is_verified(run: Any, folder: Path, tmp_path: Path) -> None:
    """Its record beside it would have a longer one."""
    path = tmp_path / f"{'x' * 251}.pdf"
    shutil.copy(folder / "F-1.test-2.certificate.pdf", path)
    assert 0 == run("verify", path).status


def test_two_folders_at_once_are_refused(run: Any) -> None:
    for words in (("list",), ("show", "F-1"), ("verify",)):
        sentence = "`--simulated` and `--records` name two folders; give one of them"
        assert sentence == run(*words, "--simulated").error(2)


@posix
@pytest.mark.parametrize("words", [("list",), ("show", "F-1"), ("verify", "F-1.test-2.certificate.json")])
def test_a_reader_that_goes_away_gets_no_complaint(
    words: tuple[str, ...], command: Any, surroundings: Any, folder: Path
) -> None:
    ours, theirs = os.pipe()
    os.close(ours)
    with os.fdopen(theirs, "wb") as pipe:
        done = subprocess.run(
            command("records", *words, "--records", folder),
            cwd=folder,
            env=surroundings(),
            stdout=pipe,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
        )
    assert (2, "") == (done.returncode, done.stderr)


def test_remarks_batches_and_earlier_tests_are_verified(golden_run: Any, said: Path) -> None:
    with_a_batch(said)
    retested(said)
    golden_run("records-verify-said", "verify", said)


def with_a_batch(folder: Path) -> Path:
    profile = {"id": "five", "title": "Five conductors", "revision": "B", "sha256": "0" * 64}
    return (
        Store(folder)
        .new_batch(
            "five",
            lambda id: batch_document(
                id, profile=profile, count=5, operator=None, started=MADE, simulated=True, host="0.5.0"
            ),
        )
        .path
    )


def retested(folder: Path) -> Path:
    return (
        Store(folder)
        .save(
            lambda serial, test: a_record(serial=serial, test=test),
            kind="certificate",
            serial="F-7",
            pattern=str,
            again=True,
        )
        .path
    )


@pytest.mark.parametrize(
    ("name", "change", "seen"),
    [
        ("F-1.test-2.note-1", lambda data: data.replace(b"sleeve", b"sloove"), "its contents have the SHA-"),
        ("F-1.test-2.note-1", lambda data: b"", "it is not JSON"),
        ("F-1.test-2.note-1", lambda data: sealed({"a": 1}), "it lacks what a remark holds"),
        ("F-1.test-2.note-2", None, "it is `F-1.test-2.note-1`, under another name"),
        ("F-1.test-1.note-1", None, "it is `F-1.test-2.note-1`, under another name"),
        ("five-2.batch", lambda data: data.replace(b'"count":5', b'"count":6'), "its contents have the SHA-"),
        ("five-2.batch", lambda data: sealed({"a": 1}), "it lacks what a batch holds"),
    ],
)
def test_a_remark_or_a_batch_that_was_changed_is_found(
    name: str, change: Callable[[bytes], bytes] | None, seen: str, run: Any, said: Path
) -> None:
    with_a_batch(said)
    path = with_a_batch(said) if "batch" in name else said / "F-1.test-2.note-1.json"
    data = path.read_bytes()
    path = said / f"{name}.json"
    path.write_bytes(change(data) if change else data)
    for ran in (run("verify", path), run("verify")):
        assert (1, "") == (ran.status, ran.err)
        wrong = [line for line in ran.out.splitlines() if "NOT AS MADE" in line]
        assert [True] == [line.startswith(f"{path}: NOT AS MADE: {seen}") for line in wrong]


def test_a_remark_and_a_batch_alone_are_verified_too_whatever_their_names(
    run: Any, said: Path, tmp_path: Path
) -> None:
    shutil.copy(said / "F-1.test-2.withdrawal-1.json", tmp_path / "a.json")
    shutil.copy(with_a_batch(said), tmp_path / "b.json")
    ran = run("verify", tmp_path / "a.json", tmp_path / "b.json")
    assert (0, [f"as made: F-1.test-2.withdrawal-1, withdrawal, {MADE}"]) == (
        ran.status,
        [ran.out.splitlines()[0].partition(": ")[2]],
    )
    assert f"as made: five-1, simulated batch of 5, {MADE}" == ran.out.splitlines()[1].partition(": ")[2]


@pytest.mark.parametrize("what", ["earlier", "remark"])
@pytest.mark.parametrize("how", ["gone", "another", "changed", "sealed again"])
def test_a_record_that_another_document_names_has_to_be_there(
    what: str, how: str, run: Any, said: Path
) -> None:
    path = retested(said)
    named, number, told = {
        "earlier": (said / "F-7.test-1.certificate.json", "F-7.test-1", "the earlier test that it names"),
        "remark": (said / "F-1.test-2.certificate.json", "F-1.test-2", "the test that it is about"),
    }[what]
    if what == "remark":
        path = said / "F-1.test-2.note-1.json"
    data = named.read_bytes()
    assert 0 == run("verify").status
    named.unlink()
    if how == "another":
        named.write_bytes(sealed(a_record(serial="F-9")))
    elif how == "changed":
        named.write_bytes(data.replace(b"rack", b"rock"))
    elif how == "sealed again":
        named.write_bytes(sealed(open_sealed(data) | {"operator": "Another"}))
    reason = "is gone" if how == "gone" else "has not the SHA-256"
    wrong = [line for line in run("verify").out.splitlines() if line.startswith(str(path))]
    assert 1 == len(wrong)
    assert f": NOT AS MADE: {told}, `{number}`, {reason}" in wrong[0]
    assert 0 == run("verify", path).status  # by itself it is as it was made


def test_a_record_that_is_named_may_be_spelt_otherwise(run: Any, said: Path) -> None:
    (said / "F-1.test-2.certificate.json").rename(said / "f-1.TEST-2.Certificate.JSON")
    ran = run("verify")
    assert not [line for line in ran.out.splitlines() if ".note-" in line and "NOT AS MADE" in line]


@pytest.fixture
def records(tmp_path: Path) -> Path:
    """Many records without documents, one of them changed."""
    folder = tmp_path / "many"
    folder.mkdir()
    for n in range(1, records_verify.MANY + 21):
        (folder / f"F-{n}.test-1.certificate.json").write_bytes(sealed(a_record(serial=f"F-{n}")))
    path = folder / "F-5.test-1.certificate.json"
    path.write_bytes(path.read_bytes().replace(b"rack", b"rock"))
    return folder


def test_many_files_are_verified_by_every_processor_and_told_in_their_order(
    pinwright: Any, records: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    started: list[object] = []
    real = workers.ProcessPoolExecutor.submit

    def submit(*args: Any, **options: Any) -> Any:
        started.append(args[1])
        return real(*args, **options)

    monkeypatch.setattr(workers.ProcessPoolExecutor, "submit", submit)
    ran = pinwright("records", "verify", records)
    assert (1, "") == (ran.status, ran.err)
    assert started
    names = [line.partition(": ")[0] for line in ran.out.splitlines()]
    assert [str(path) for path in sorted(records.glob("*.json"))] == names
    wrong = [line for line in ran.out.splitlines() if "NOT AS MADE" in line]
    assert [True] == [line.startswith(str(records / "F-5.test-1.certificate.json")) for line in wrong]
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    assert ran.out == pinwright("records", "verify", records).out


def test_where_no_other_program_can_be_started_one_verifies_alone(
    pinwright: Any, records: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSYS, "Function not implemented")

    monkeypatch.setattr(workers, "ProcessPoolExecutor", none)
    ran = pinwright("records", "verify", records)
    assert (1, records_verify.MANY + 20) == (ran.status, len(ran.out.splitlines()))


@posix
def test_a_verification_of_many_files_can_be_interrupted(
    command: Any, surroundings: Any, records: Path, tmp_path: Path
) -> None:
    """As a terminal does it: all of its programs get the signal."""
    for n in range(100, 1000):
        os.link(records / "F-7.test-1.certificate.json", records / f"F-{n}.test-1.certificate.json")
    running = subprocess.Popen(
        command("records", "verify", records),
        env=surroundings(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert running.stdout is not None
    assert running.stdout.readline()
    os.killpg(running.pid, signal.SIGINT)
    _, err = running.communicate(timeout=60)
    assert (130, "error: interrupted\n") == (running.returncode, err)


# What a scan leaves where something goes wrong at the end


@pytest.mark.parametrize("form", [(), ("--json",)])
@pytest.mark.parametrize(("good", "verdict"), [(True, "passed"), (False, "FAILED")])
def test_a_bug_in_the_drawing_costs_no_record(
    good: bool,
    verdict: str,
    form: tuple[str, ...],
    pinwright: Any,
    bench: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def documents_of(_: object) -> None:
        raise ZeroDivisionError("a slip of ours")

    monkeypatch.setattr("pinwright.sheets.documents.documents_of", documents_of)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    port = "sim" if good else bench([])
    ran = pinwright("scan", "straight-34", "--port", port, "--records", tmp_path / "r", *form)
    told = ran.document["message"] if form else ran.err.splitlines()[0].removeprefix("error: ")
    kind = "certificate" if good else "report"
    path = tmp_path / "r" / f"HL34-0001.test-1.{kind}.json"
    assert 70 == ran.status
    found = re.fullmatch(
        rf"the cable {verdict}, its record is `{re.escape(str(path))}`, but its PDF and page cannot be "
        r"drawn; this is a bug in pinwright, not in your cable; the details are in `(.+)`",
        told,
    )
    assert found, told
    assert "a slip of ours" in Path(found[1]).read_text()
    assert form or ("PASS" if good else "FAIL") in ran.out
    assert form or f"record: {path}" in ran.out
    assert kind == open_sealed(path.read_bytes())["kind"]
    assert {path.name, ".lock", ".index"} == {one.name for one in path.parent.iterdir()}


def test_a_library_for_drawing_that_is_missing_costs_no_record(
    pinwright: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pinwright.sheets.documents", None)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    ran = pinwright("scan", "straight-34", "--port", "sim", "--records", tmp_path / "r")
    assert (70, True) == (ran.status, "PASS" in ran.out)
    assert open_sealed((tmp_path / "r" / "HL34-0001.test-1.certificate.json").read_bytes())


@pytest.fixture
def small_disk(disk_of: Callable[[str], Path]) -> Path:
    return disk_of("1m")


def test_a_disk_that_gets_full_while_a_scan_is_kept_loses_nothing_and_the_verdict_is_told(
    pinwright: Any, bench: Any, small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No room for the index, for the record, for the PDF, for the page; there was some before the scan."""
    place, ballast = small_disk / "records", small_disk / "ballast"
    words = ("scan", "straight-34", "--records", place, "--port")
    assert 0 == pinwright(*words, "sim").status
    before, bad = contents(place), bench([["A.1", "B.1"]])
    size = {path.suffix: path.stat().st_size for path in place.iterdir()}
    really, index = proving.decide, 70_000  # the files of the index while it is written, about
    rooms = (8_000, index, index + size[".json"], index + size[".json"] + size[".pdf"])
    left = iter(rooms)

    def decide(*about: Any) -> Any:
        with ballast.open("wb", buffering=0) as file:
            file.write(bytes(os.statvfs(small_disk).f_bfree * 4096 - next(left)))
        return really(*about)

    monkeypatch.setattr(proving, "decide", decide)
    for _ in rooms:
        ran = pinwright(*words, bad)
        assert (2, True) == (ran.status, "FAIL" in ran.out)
        assert "the cable FAILED, but nothing was recorded" in ran.err
        assert "the disk is full" in ran.err
        assert before == contents(place)
        ballast.unlink()
    monkeypatch.undo()
    assert 1 == pinwright(*words, bad).status
    assert 6 == len([name for name in contents(place) if not name.startswith(".")])
    assert 0 == pinwright("records", "verify", place).status


def test_a_disk_that_becomes_read_only_while_a_scan_runs_loses_nothing_and_the_verdict_is_told(
    pinwright: Any, small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ("scan", "straight-34", "--records", small_disk, "--port", "sim")
    assert 0 == pinwright(*words).status
    before, really = contents(small_disk), proving.decide

    def decide(*about: Any) -> Any:
        subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
        return really(*about)

    monkeypatch.setattr(proving, "decide", decide)
    ran = pinwright(*words)
    assert (2, True) == (ran.status, "PASS" in ran.out)
    assert "the cable passed, but nothing was recorded" in ran.err
    assert "it is on a read-only disk" in ran.err
    assert "it is on a read-only disk" in pinwright(*words).error(2)  # now before it is scanned
    assert before == contents(small_disk)
    assert 0 == pinwright("records", "verify", small_disk).status
    assert 0 == pinwright("records", "show", "HL34-0001", "--records", small_disk).status
