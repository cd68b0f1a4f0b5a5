"""Pinouts as people write them: what is understood, and what is refused with its line or key."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pinwright.cable.pinout import Pinout
from pinwright.errors import PinoutError
from pinwright.pinouts import read_pinout

NAMES = {"1": "GND", "2": "/RD", "5": "D 0"}


def written(folder: Path, content: str | bytes, name: str = "rack.csv") -> Path:
    file = folder / name
    file.write_bytes(content.encode() if isinstance(content, str) else content)
    return file


def complaint(folder: Path, content: str | bytes, name: str = "rack.csv", family: str = "dip-8") -> str:
    with pytest.raises(PinoutError) as caught:
        read_pinout(written(folder, content, name), family)
    return caught.value.message.replace(str(folder / name), name)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.csv", "1,GND\n2,/RD\n5,D 0\n"),
        ("a.csv", "pin,signal\r\n1,GND\r\n\r\n 2 , /RD \r\n5,D 0"),
        ("a.csv", "Pin;Signal;Colour\n1;GND;black, or blue\n2;/RD;red\n5;D 0;\n"),
        ("a.csv", "sep=;\n1;GND\n2;/RD\n5;D 0\n"),
        ("a.csv", '"1","GND"\n"2","/RD"\n"5","D 0"\n'),
        ("a.csv", "\ufeffsignal,pin no.\nGND,01\n/RD,02\nD 0,05\n"),
        ("a.csv", "# a remark, with commas\n1,GND\n# another\n2,/RD\n5,D 0\n,,\n"),
        ("a.csv", "#\n## a remark\n1,GND\n2,/RD\n5,D 0\n"),
        ("a.csv", "1,GND\r2,/RD\r5,D 0\r"),
        ("a.csv", "1,\u00a0GND\n2,/RD\n5,D\u00a00\n"),
        ("a.tsv", "1\tGND\n2\t/RD\n5\tD 0\n"),
        ("a.txt", "1\tGND\t\n2\t/RD\n5\tD 0\n"),
        ("a.csv", "pin,connector,net\n1,dip-8,GND\n2,,/RD\n5,dip-8,D 0\n"),
        ("a.toml", '[signals]\n1 = "GND"\n2 = "/RD"\n05 = "D 0"\n'),
        ("a.TOML", 'connector = "dip-8"\nlabel = ""\n[signals]\n5 = "D 0"\n1 = "GND"\n2 = "/RD"\n'),
    ],
)
def test_a_pinout_is_read_however_it_is_written(name: str, content: str, tmp_path: Path) -> None:
    pinout = read_pinout(written(tmp_path, content, name), "dip-8")
    assert ("dip-8", "", NAMES) == (pinout.connector.name, pinout.label, pinout.names)
    assert list(NAMES) == list(pinout.names)


def test_a_signal_marked_with_a_number_sign_is_no_remark(tmp_path: Path) -> None:
    content = "signal,pin\n#RD,1\n# connector: dip-8\n#WR,2\n#label: rack\nA0,3\n"
    pinout = read_pinout(written(tmp_path, content, "a.csv"))
    assert ("rack", {"1": "#RD", "2": "#WR", "3": "A0"}) == (pinout.label, pinout.names)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_the_encodings_of_spreadsheets_are_read(encoding: str, tmp_path: Path) -> None:
    content = "# connector: dip-8\n# label: Größe\n1\tR\u0305D\u0305\n".encode(encoding)
    pinout = read_pinout(written(tmp_path, content, "a.tsv"))
    assert ("Größe", {"1": "R\u0305D\u0305"}) == (pinout.label, pinout.names)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.csv", "# Connector: dsub-9-plug-shell\n# label: J3, rack\n1,GND\nshell,EARTH\n"),
        ("a.csv", '"# connector: dsub-9-plug-shell",\n"# label: J3, rack",\n1,GND\nSHELL,EARTH\n'),
        (
            "a.toml",
            'connector = "dsub-9-plug-shell"\nlabel = "J3, rack"\n[signals]\n1 = "GND"\nShell = "EARTH"\n',
        ),
    ],
)
def test_a_file_says_its_connector_and_label(name: str, content: str, tmp_path: Path) -> None:
    pinout = read_pinout(written(tmp_path, content, name))
    expected = ("dsub-9-plug-shell", "J3, rack", {"1": "GND", "SHELL": "EARTH"})
    assert expected == (pinout.connector.name, pinout.label, pinout.names)


def test_names_for_no_connection_are_kept(tmp_path: Path) -> None:
    pinout = read_pinout(written(tmp_path, "pin,signal\n1,NC\n2,\n3\n4,GND\n"), "dip-8")
    assert {"1": "NC", "2": "", "3": "", "4": "GND"} == pinout.names


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ("", "pinout `rack.csv`: names no pin"),
        ("\n \n,,\n", "pinout `rack.csv`: names no pin"),
        ("pin,signal\n", "pinout `rack.csv`: names no pin"),
        ("1,GND\n9,X\n", "pinout `rack.csv`, line 2: no pin `9`; `dip-8` has pins 1 to 8"),
        ("1,GND\n0,X\n", "pinout `rack.csv`, line 2: no pin `0`; `dip-8` has pins 1 to 8"),
        ("1,GND\n\n1.0,X\n", "pinout `rack.csv`, line 3: no pin `1.0`; `dip-8` has pins 1 to 8"),
        ("1,GND\n²,X\n", "pinout `rack.csv`, line 2: no pin `²`; `dip-8` has pins 1 to 8"),
        ("1,GND\n,X\n", "pinout `rack.csv`, line 2: names no pin"),
        ("1,GND\n2,X\n01,Y\n", "line 3: pin `1` is here again; it is in line 1 already"),
        ("Stift,Name\n1,GND\n", "line 1: no pin `Stift`"),
        ("1,GND,black\n", "line 1: has 3 cells, and nothing says which is the signal"),
        ("pin,name,signal\n1,GND,black\n", "line 1: the columns `name` and `signal` could both be meant"),
        ("1,G\x07ND\n", "line 1: pin `1`: the signal: character 2 is U+0007, which does not print"),
        ("1,G\u202eND\n", "line 1: pin `1`: the signal: character 2 is U+202E"),
        ("1,G\x00ND\n", "line 1: "),
        ("1,G\x0cND\n", "line 1: pin `1`: the signal: character 2 is U+000C"),
        ("1," + "X" * 41 + "\n", "line 1: pin `1`: the signal: has 41 characters, at most 40 are possible"),
        ('1,GND\n2,"X\n3,Y\n', "line 2: is no row of a table"),
        ('1,"GND" x\n', "line 1: is no row of a table"),
        ("1," + "X" * 200_000 + "\n", "line 1: "),
        (
            "# connector: dip-8\n# connector: dip-9\n1,GND\n",
            "line 2: a second connector; `dip-8` came before",
        ),
        ("# label: \x1b[31m\n1,GND\n", "key `label`: character 1 is U+001B"),
        (b"1,GND\n2,Gr\xf6\xdfe\n", "pinout `rack.csv`, line 2: is not UTF-8 text"),
        (b"\xff\xfe1\x00,", "is not UTF-16 text"),
        (b"PK\x03\x04\x14\x00\x06\x00", "pinout `rack.csv`: is a spreadsheet file; export it as CSV"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1\x00", "is a spreadsheet file; export it as CSV"),
        (b"1,X\n" * 250_001, "pinout `rack.csv`: is larger than 1000000 bytes, which no pinout is"),
    ],
)
def test_a_table_that_is_wrong_is_refused_with_its_line(
    content: str | bytes, expected: str, tmp_path: Path
) -> None:
    assert expected in complaint(tmp_path, content)


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ("", "key `signals`: is missing"),
        ("[signals]\n", "key `signals`: names no pin"),
        ("[signals]\n9 = 'X'\n", "key `signals.9`: no pin `9`; `dip-8` has pins 1 to 8"),
        ("[signals]\n1 = 5\n", "key `signals.1`: must be a string, not `5`"),
        ("[signals]\n1 = 'X'\n01 = 'Y'\n", "key `signals.01`: pin `1` is named twice"),
        ("[signals]\n1 = '\u202e'\n", "key `signals.1`: the signal: character 1 is U+202E"),
        ("pins = 3\n[signals]\n1 = 'X'\n", "key `pins`: unknown key"),
        ("connector = 3\n[signals]\n1 = 'X'\n", "key `connector`: must be a string"),
        (
            "connector = 'dip-9'\n[signals]\n1 = 'X'\n",
            "key `connector`: `dip-9`: a DIP plug is written `dip-N`",
        ),
        ("signals = 3\n", "key `signals`: must be a table"),
        ("x = ", "is not TOML"),
        ("x = " + "[" * 5000, "is not TOML"),
    ],
)
def test_toml_that_is_wrong_is_refused_with_its_key(content: str, expected: str, tmp_path: Path) -> None:
    assert expected in complaint(tmp_path, content, "a.toml")


@pytest.mark.parametrize(
    ("content", "family", "expected"),
    [
        ("1,GND\n", "", "pinout `rack.csv`: does not say which connector this is"),
        ("1,GND\n", "dip-7", "`dip-7`: a DIP plug is written `dip-N`"),
        (
            "# connector: dip-16\n1,GND\n",
            "dip-8",
            "`--connector` says `dip-8`, but the file says `dip-16` before",
        ),
        (
            "pin,net,connector\n1,X,dip-8\n2,Y,dip-16\n",
            "",
            "line 3: this is `dip-16`, but the file says `dip-8`",
        ),
    ],
)
def test_a_connector_has_to_be_known_and_one(
    content: str, family: str, expected: str, tmp_path: Path
) -> None:
    assert expected in complaint(tmp_path, content, family=family)


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    for path, told in (
        (tmp_path / "x.csv", "no such file"),
        (tmp_path, "is a folder"),
        ("a\0b", "cannot be read"),
    ):
        with pytest.raises(PinoutError, match=told):
            read_pinout(path, "dip-8")


ROWS = st.lists(st.lists(st.text(st.characters(codec="utf-8"), max_size=6), max_size=4), max_size=8)


@given(ROWS.map(lambda rows: "\n".join(",".join(cells) for cells in rows).encode()) | st.binary(max_size=60))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_is_in_a_file_is_a_pinout_or_an_error_that_names_it(tmp_path: Path, content: bytes) -> None:
    for name in ("x.csv", "x.toml"):
        file = written(tmp_path, content, name)
        pinout: Pinout | None = None
        told = ""
        try:
            pinout = read_pinout(file, "dip-8")
        except PinoutError as error:
            told = error.message
        assert (pinout is None) == (str(file) in told)
        assert told.isprintable()
        names = pinout.names if pinout else {}
        assert {*names} <= {*map(str, range(1, 9))}
        assert all(signal.isprintable() for signal in names.values())
