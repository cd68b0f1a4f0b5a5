"""`pinwright label`: labels of kept records, and of nothing else."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pinwright import __version__
from pinwright.records.document import seal
from pinwright.records.store import Store
from pinwright.sheets.label import Labelled, labelled_of, labels_pdf
from pinwright.sheets.stock import PAPERS, Stock, fitting_stock

from ..records.making import SWAPPED, a_record, after, changed, read, sealed

DOCS = {
    doc["number"]: doc
    for doc in (
        a_record(SWAPPED),
        a_record(test=2),
        a_record(serial="F-2"),
        a_record(serial="F-3"),
        a_record(SWAPPED, serial="F-3", test=2),
        a_record(serial="S-1", platform="linux"),
    )
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Records without their documents, which no label looks at: F-1 failed and was mended, F-2 is good, F-3
    failed after it had passed, S-1 is of a simulation."""
    place = tmp_path / "records"
    place.mkdir()
    for number, doc in DOCS.items():
        (place / f"{number}.{doc['kind']}.json").write_bytes(sealed(doc))
    return place


@pytest.fixture
def run(pinwright: Any, folder: Path, tmp_path: Path) -> Any:
    """Make labels; words: serials and options."""
    return lambda *words: pinwright("label", *words, "--records", folder, "--out", tmp_path / "x.pdf")


def withdraw(folder: Path, serial: str, test: int) -> None:
    Store(folder).remark(
        "withdrawal", serial, test, "the wrong cable", by=None, made="2026-03-02T08:00:00Z", host=__version__
    )


def label_of(number: str, *, withdrawn: bool = False) -> Labelled:
    return labelled_of(read(DOCS[number]), withdrawn)


# Which labels


def test_the_latest_test_of_each_serial_has_a_label_in_the_order_given(run: Any, tmp_path: Path) -> None:
    ran = run("f-2", "F-1", "S-1", "F-3", "F-2")
    told = f"{tmp_path / 'x.pdf'}: 5 labels on 1 sheet, with room for 39 more: `--skip 5`\n"
    assert (0, told, "") == (ran.status, ran.out, ran.err)
    numbers = ["F-2.test-1", "F-1.test-2", "S-1.test-1", "F-3.test-2", "F-2.test-1"]
    labels = [label_of(number) for number in numbers]
    assert ["tested", "tested", "specimen", "failed", "tested"] == [one.state for one in labels]
    assert labels_pdf(labels, fitting_stock()) == (tmp_path / "x.pdf").read_bytes()


def test_another_test_of_one_cable(run: Any, tmp_path: Path) -> None:
    assert 0 == run("F-1", "--test", "1").status
    assert labels_pdf([label_of("F-1.test-1")], fitting_stock()) == (tmp_path / "x.pdf").read_bytes()


def test_a_test_that_was_withdrawn_says_so_and_not_that_it_passed(
    run: Any, folder: Path, tmp_path: Path
) -> None:
    withdraw(folder, "F-2", 1)
    assert 0 == run("F-2").status
    one = label_of("F-2.test-1", withdrawn=True)
    assert "withdrawn" == one.state
    assert labels_pdf([one], fitting_stock()) == (tmp_path / "x.pdf").read_bytes()


def test_a_cable_that_failed_a_later_test_gets_no_label_of_an_earlier_one_that_it_passed(
    run: Any, folder: Path, tmp_path: Path
) -> None:
    told = run("F-3", "--test", "1").error(2)
    assert "test 2 of `F-3` failed: a label of the earlier test 1 would say nothing of that" == told
    for serial in ("F-1", "F-3"):
        withdraw(folder, serial, 2)
        told = run(serial, "--test", "1").error(2)
        assert f"test 2 of `{serial}` is withdrawn: a label of the earlier test 1 would say" in told
    assert not (tmp_path / "x.pdf").exists()


@pytest.mark.parametrize(
    "lost", ["F-1.test-3.report.pdf", "f-1.test-2.report.html", "F-1.test-3.note-1.json"]
)
def test_a_cable_of_which_a_record_is_lost_gets_no_label_of_an_earlier_test(
    lost: str, run: Any, folder: Path, tmp_path: Path
) -> None:
    (folder / lost).write_bytes(b"")
    ran = run("F-1")
    told = f"{folder / lost}: NOT AS MADE: the record that should be beside it is gone\n"
    assert (1, told) == (ran.status, ran.out)
    assert not (tmp_path / "x.pdf").exists()
    for path in folder.glob("F-1*.json"):
        if path.name != lost:
            path.unlink()
    ran = run("F-1")
    assert (1, told) == (ran.status, ran.out)


def test_a_lost_record_of_an_earlier_test_speaks_against_none(run: Any, folder: Path) -> None:
    (folder / "F-1.test-1.report.json").rename(folder / "F-1.test-1.report.pdf")
    assert 0 == run("F-1").status


@pytest.mark.parametrize("there", [True, False])
@pytest.mark.parametrize(
    "words", [("label", "F-9"), ("records", "show", "F-9"), ("records", "compare", "F-9", "--test", "1")]
)
def test_a_record_whose_earlier_test_is_another_or_gone_is_not_as_it_was_made(
    words: tuple[str, ...], there: bool, pinwright: Any, folder: Path, tmp_path: Path
) -> None:
    one, other = (a_record(serial="F-9", operator=name) for name in ("one", "other"))
    second = after(a_record(serial="F-9", test=2), other)
    (folder / "F-9.test-2.certificate.json").write_bytes(sealed(second))
    number = 1 if there else 3
    last = a_record(serial="F-9", test=number) if number > 1 else one
    (folder / f"F-9.test-{number}.certificate.json").write_bytes(sealed(last))
    if not there:
        words = (*words[:3], "--test", "2") if "label" not in words else (*words, "--test", "2")
    out = ("--out", tmp_path / "x.pdf") if "label" in words else ()
    ran = pinwright(*words, "--records", folder, *out)
    assert 1 == ran.status
    why = f"has not the SHA-256 {seal(other)['sha256']}" if there else "is gone"
    path = folder / "F-9.test-2.certificate.json"
    assert f"{path}: NOT AS MADE: the earlier test that it names, `F-9.test-1`, {why}\n" == ran.out
    (folder / f"F-9.test-{number}.certificate.json").unlink()
    (folder / "F-9.test-1.certificate.json").write_bytes(sealed(other))
    assert 0 == pinwright("records", "show", "F-9", "--records", folder).status


def test_labels_as_a_document(run: Any, folder: Path, tmp_path: Path) -> None:
    ran = run("F-1", "S-1", "F-3", "--json", "--copies", "2", "--skip", "40")
    labels = [("F-1", 2, "tested"), ("S-1", 1, "specimen"), ("F-3", 2, "failed")]
    assert (0, "") == (ran.status, ran.err)
    assert {
        "schema": "pinwright/label-1",
        "file": str(tmp_path / "x.pdf"),
        "labels": [
            {"serial": serial, "test": test, "number": f"{serial}.test-{test}", "state": state}
            for serial, test, state in labels
        ],
        "copies": 2,
        "sheets": 2,
        "next_skip": 2,
    } == ran.document
    (tmp_path / "x.pdf").unlink()
    told = run("F-1", "--json", "--roll").document
    assert (None, None) == (told["sheets"], told["next_skip"])
    (tmp_path / "x.pdf").unlink()
    (folder / "F-2.test-1.certificate.json").write_bytes(b"{}")
    ran = run("F-2", "--json")
    assert (1, "pinwright/verify-1") == (ran.status, ran.document["schema"])


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--size", "20x10"), "a label of 20 x 10 mm has no room for `HL40-1000000`"),
        (("--size", "20x15"), "its words would be smaller than 4 pt"),
        (("--roll", "--copies", "6000", "--count", "2"), "12000 labels are not between 1 and 10000"),
    ],
)
def test_a_batch_whose_labels_cannot_be_is_refused_before_anything_is_scanned(
    words: tuple[str, ...], told: str, pinwright: Any, tmp_path: Path
) -> None:
    place = ("--records", tmp_path / "r", "--labels", tmp_path / "x.pdf")
    assert told in pinwright("batch", "lamp-changer-40", "--port", "sim", *words, *place).error(2)
    assert not (tmp_path / "r").exists()


@pytest.mark.parametrize(
    "words",
    [("--size", "40x20"), ("--roll",), ("--skip", "1"), ("--copies", "2"), ("--outline",), ("--flag", "20")],
)
def test_a_batch_has_no_stock_without_labels(words: tuple[str, ...], pinwright: Any, tmp_path: Path) -> None:
    told = pinwright("batch", "lamp-changer-40", "--port", "sim", *words, "--records", tmp_path / "r").error(
        2
    )
    assert f"`{words[0]}` is about labels, and `--labels FILE` asks for them" == told
    assert not (tmp_path / "r").exists()


@pytest.mark.parametrize("which", ["F-1.test-2.certificate", "F-3.test-2.report"])
def test_a_record_that_is_not_as_it_was_made_gets_no_label_and_neither_do_the_others(
    which: str, run: Any, folder: Path, tmp_path: Path
) -> None:
    path = folder / f"{which}.json"
    path.write_bytes(path.read_bytes().replace(b"2026-03-01", b"2026-03-02"))
    ran = run("F-2", "F-1", "F-3")
    assert 1 == ran.status
    assert f"{path}: NOT AS MADE: " in ran.out
    assert not (tmp_path / "x.pdf").exists()


def test_a_later_test_that_is_not_as_it_was_made_speaks_against_an_earlier_one(
    run: Any, folder: Path, tmp_path: Path
) -> None:
    path = folder / "F-3.test-2.report.json"
    path.write_bytes(path.read_bytes()[:-1])
    ran = run("F-3", "--test", "1")
    assert 1 == ran.status
    assert "NOT AS MADE" in ran.out
    assert not (tmp_path / "x.pdf").exists()


def test_a_sealed_lie_gets_no_label(run: Any, folder: Path, tmp_path: Path) -> None:
    """A fail made a pass, and sealed again: its verdict does not follow from its nets."""
    lie = changed(DOCS["F-3.test-2"], "scan.verdict", "pass")
    (folder / "F-3.test-2.report.json").write_bytes(sealed(lie))
    ran = run("F-3")
    assert 1 == ran.status
    assert "does not follow" in ran.out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("F-9",), "serial `F-9` has no record in"),
        (("F-1", "F-9"), "serial `F-9` has no record in"),
        (("F-1", "--test", "3"), "serial `F-1` has no test 3; there are 1, 2"),
        (("F-1", "F-2", "--test", "1"), "`--test` is about one cable"),
        (("../x",), "character 3 is U+002F"),
        (("\x1b[31m",), "character 1 is U+001B"),
    ],
)
def test_what_has_no_label(words: tuple[str, ...], told: str, run: Any, tmp_path: Path) -> None:
    assert told in run(*words).error(2)
    assert not (tmp_path / "x.pdf").exists()


# On what


@pytest.mark.parametrize(
    ("words", "stock", "told"),
    [
        (("--size", "40x20"), fitting_stock(size=(40, 20)), "1 label on 1 sheet, with room for 69 more"),
        (
            ("--paper", "letter", "--grid", "3x8", "--margin", "5x10.5", "--gap", "2x0", "--skip", "23"),
            fitting_stock(paper=PAPERS["letter"], grid=(3, 8), margin=(5, 10.5), gap=(2, 0), skip=23),
            "1 label on 1 sheet\n",
        ),
        (
            ("--paper", "100X60", "--grid", "2x2", "--copies", "5"),
            fitting_stock(paper=(100, 60), grid=(2, 2), copies=5),
            "5 labels on 2 sheets, with room for 3 more: `--skip 1`",
        ),
        (("--roll", "--size", "62x29"), fitting_stock(roll=True, size=(62, 29)), "1 label for a roll"),
        (
            ("--flag", "18.5", "--size", "35x20", "--outline", "--paper", "A4"),
            fitting_stock(flag=18.5, size=(35, 20), outline=True),
            "1 label on 1 sheet, with room for 27 more: `--skip 1`",
        ),
    ],
)
def test_the_stock_is_what_the_options_say(
    words: tuple[str, ...], stock: Stock, told: str, run: Any, tmp_path: Path
) -> None:
    ran = run("F-2", *words)
    assert 0 == ran.status, ran
    assert told in ran.out
    assert labels_pdf([label_of("F-2.test-1")], stock) == (tmp_path / "x.pdf").read_bytes()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--size", "50"), "`--size 50` should be two numbers, such as `50x25`, each from 1 to 2000"),
        (("--size", "0x25"), "`--size 0x25` should be two numbers"),
        (("--paper", "a5000"), "`--paper a5000` should be two numbers, such as `210x297`"),
        (("--grid", "3.5x8"), "`--grid 3.5x8` counts columns and rows, in whole numbers"),
        (("--grid", "0x8"), "each from 1 to 2000"),
        (("--margin", "-1x5"), "expected one argument"),  # looks like an option to argparse
        (("--margin=-1x5",), "`--margin -1x5` should be two numbers, such as `8x13.5`, each from 0 to 2000"),
        (("--gap", "\x1b[31m"), "`--gap <U+001B>[31m` should be two numbers"),
        (("--flag", "0"), "`--flag 0` should be what goes round the cable, in mm"),
        (("--flag", "wide"), "`--flag wide` should be"),
        (("--skip", "-1"), "should be a whole number, 0 or more"),
        (("--skip", "x"), "should be a whole number, 0 or more"),
        (("--skip", "44"), "`--skip 44` leaves nothing of a sheet of 4 x 11 labels"),
        (("--copies", "0"), "should be a whole number, 1 or more"),
        (("--copies", "999999999"), "are not between 1 and 10000, what one file can have"),
        (("--roll", "--skip", "1"), "`--skip` is about sheets, and `--roll` asks for none"),
        (("--grid", "5x2"), "; 4 would fit"),
        (("--size", "20x10"), "a label of 20 x 10 mm has no room for `F-2`: its code needs 13.5 mm each way"),
        (("--size", "20x14"), "its words would be smaller than 4 pt; 24x14 or 20x20 would do"),
    ],
)
def test_a_stock_that_cannot_be_is_refused(
    words: tuple[str, ...], told: str, run: Any, tmp_path: Path
) -> None:
    assert told in run("F-2", *words).error(2)
    assert not (tmp_path / "x.pdf").exists()


def test_a_file_that_is_there_is_not_touched(run: Any, pinwright: Any, folder: Path, tmp_path: Path) -> None:
    (tmp_path / "x.pdf").write_text("mine")
    assert "exists already; it was not touched" in run("F-2").error(2)
    assert "mine" == (tmp_path / "x.pdf").read_text()
    words = ("label", "F-2", "--records", folder, "--out")
    assert "cannot be written" in pinwright(*words, tmp_path / "none" / "x.pdf").error(2)
    assert "needs a name" in pinwright(*words, "").error(2)
    assert "--out" in pinwright(*words[:-1]).error(2)


def test_nothing_is_written_where_only_something_is_read(run: Any, folder: Path) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    assert 0 == run("F-2").status
    assert before == {
        path.name: path.read_bytes() for path in folder.iterdir() if path.is_file() and path.name in before
    }
