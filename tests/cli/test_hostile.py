"""Text that bites, in every place that a person, a file or a device can fill.

Each is either refused plainly or shown harmlessly: on the terminal no control character and no mark that
turns text round, and markup as it was typed; in a page no element of its own; in a file name nothing that
leads out of the folder.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from pinwright.cli import scan
from pinwright.errors import NoTester, ProfileError
from pinwright.library import library_folders, profile_of
from pinwright.records.document import NotGenuine, canonical
from pinwright.sheets.page import page_of
from pinwright.sheets.sheet import sheet_of
from pinwright.sheets.text import shown
from pinwright.terminal import show_error
from pinwright.tester.frames import crc16

from ..records.making import FREE, OPEN_AND_JOINED, TEXT, a_record, changed, kept, read, sealed

BITING = {
    "rich": "[bold red]x[/]",
    "rich link": "[link=https://x.example]y[/link]",
    "rich emoji": ":smile: \\[b]",
    "colour": "\x1b[31mred",
    "title": "\x1b]0;title\x07",
    "link": "\x1b]8;;https://x.example\x1b\\y\x1b]8;;\x1b\\",
    "bell": "a\x07b",
    "C1": "\x9b31mred\x9d",
    "turned round": "a\u202eb",
    "isolate": "\u2066b",
    "no width": "a\u200bb\ufeff",
    "surrogate": "a\udcffb",
    "NUL": "a\0b",
    "lines": "a\nPASS  every net\r\nb\u2028c",
    "tab": "a\tb",
    "script": "<script>alert(1)</script>",
    "end of script": "</script><b>",
    "comment": "--><!-- x",
    "attribute": "\"><img src=x onerror='alert(1)'>",
    "entity": "&lt;b&gt; &#60;",
    "path": "../../x",
    "absolute": "/etc/x",
    "drive": "C:\\x",
    "typst": '#panic("x") $x$ *b* @ref <label> `c`',
    "jinja": "{{ 7 * 7 }}{% raw %}",
    "format": "{id}{n}{0.__class__}%s%n",
    "pdf": "%PDF-1.7 endstream endobj (x) Tj",
    "seal": "%pinwright-seal-1 drawn-by x sha256 ",
    "sheet": "=1+1",
    "option": "--help",
    "long word": "x" * 10_000,
    "long": "x " * 5_000,
}
biting = pytest.mark.parametrize("text", BITING.values(), ids=BITING)
NO_SURROGATE = {name: text for name, text in BITING.items() if name != "surrogate"}
in_a_file = pytest.mark.parametrize("text", NO_SURROGATE.values(), ids=NO_SURROGATE)
SIM = ("--port", "sim")
STRAIGHT = str(library_folders()[0] / "workshop" / "straight-34.toml")  # an id is looked for in all files
SGR = re.compile(r"\x1b\[[0-9;]*m")


def assert_harmless(text: str) -> None:
    odd = {f"U+{ord(char):04X}" for char in text if not char.isprintable() and char != "\n"}
    assert set() == odd, text


def assert_shown_or_refused(ran: Any) -> None:
    """It ended as it should, with nothing odd on the terminal."""
    assert ran.status in (0, 1, 2, 3), ran
    assert_harmless(ran.out + ran.err)
    assert "Traceback" not in ran.err


def assert_a_line(message: str) -> None:
    if not message.isprintable() or len(message) > 600:
        raise AssertionError(message)


@pytest.fixture
def nothing_else(tmp_path: Path) -> Iterator[None]:
    """Nothing is written but below `records`."""
    (tmp_path / "records").mkdir()
    files = {*tmp_path.parent.iterdir(), *tmp_path.iterdir()}
    yield
    assert files == {*tmp_path.parent.iterdir(), *tmp_path.iterdir()}


@pytest.fixture
def no_scan(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever is accepted ends where a tester is asked for."""

    def opened(port: object, *_: object) -> None:
        raise NoTester("a tester was asked for")

    monkeypatch.setattr(scan, "opened", opened)


# The command line

OPTIONS = {
    "--serial=": "serial ",
    "--operator=": "`--operator",
    "--at=": "`--at ",
    "--max-ohms=": "`--max-ohms ",
}
ACCEPTED = ("--operator=", "--at=")  # markup is a name like any other; what names no socket is found later


@pytest.mark.usefixtures("no_scan", "nothing_else")
@biting
def test_an_option_of_a_scan_bites_nobody(text: str, pinwright: Any, tmp_path: Path) -> None:
    words = ("scan", STRAIGHT, *SIM, "--records", tmp_path / "records")
    for option, begins in OPTIONS.items():
        ran = pinwright(*words, f"{option}{text}")
        assert_shown_or_refused(ran)
        message = ran.error(ran.status)
        assert (3, "a tester was asked for") == (ran.status, message) or message.startswith(begins)
        assert 2 == ran.status or option in ACCEPTED, option
    ran = pinwright(*words, f"--serial={text}", "--json")
    assert_harmless(ran.out)
    assert 2 == ran.document["status"]
    assert not any((tmp_path / "records").glob("*.json"))


@pytest.mark.usefixtures("nothing_else")
@pytest.mark.parametrize(
    "words",
    [
        ("scan", "{}", *SIM, "--no-certificate"),
        ("scan", "{}.toml", *SIM, "--no-certificate"),
        ("scan", STRAIGHT, "--port", "sim:{}", "--no-certificate"),
        ("scan", STRAIGHT, "--port", "{}", "--no-certificate"),
        ("profiles", "show", "{}"),
        ("records", "show", "{}"),
        ("records", "show", "x", "--test", "{}"),
        ("records", "list", "--records", "{}"),
        ("records", "verify", "--records", "{}"),
        ("records", "verify", "{}"),
        ("install", "--name", "{}"),
        ("{}",),
        ("scan", "--{}"),
    ],
    ids=lambda words: " ".join(words).replace(STRAIGHT, "PROFILE"),
)
def test_a_word_of_the_command_line_bites_nobody(
    words: tuple[str, ...], pinwright: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path / "records")
    monkeypatch.setattr("pinwright.cli.scan.library_folders", tuple)
    monkeypatch.setattr("pinwright.cli.profiles.library_folders", tuple)
    for text in BITING.values():
        if "\0" in text:
            continue  # no word of a command line has one
        ran = pinwright(*(word.replace("{}", text) for word in words))
        assert_shown_or_refused(ran)
        if "--help" != text:
            assert ran.status in (2, 3) or words[:2] == ("records", "list"), text


@pytest.mark.parametrize("text", ["[bold red]x[red]", "[link=x.example]y[link]", ":smile: \\[b]"])
def test_markup_is_shown_as_it_was_typed(text: str, pinwright: Any, tmp_path: Path) -> None:
    assert f"`{text}`" in pinwright("scan", text, *SIM).error(2)
    assert f"`{text}.json`" in pinwright("records", "verify", f"{text}.json").error(2)
    assert f"no records in `{text}`\n" == pinwright("records", "list", "--records", text).err
    (tmp_path / f"{text}.json").write_bytes(b"{}")
    assert pinwright("records", "verify", tmp_path / f"{text}.json").out.startswith(
        f"{tmp_path}/{text}.json: "
    )


# Profiles

FIELDS = {
    "title": ("cable", "title"),
    "revision": ("cable", "revision"),
    "wire": ("cable", "wire"),
    "id": ("cable", "id"),
    "serial": ("cable", "serial"),
    "label": ("ends.A", "label"),
    "connector": ("ends.A", "connector"),
    "signal": ("ends.A.signals", "1"),
}


def toml(text: str) -> str:
    """As a string of TOML 1.0.0: every character that it does not take as it is, escaped."""
    escaped = (f"\\u{ord(char):04X}" if ord(char) < 32 or char in '"\\\x7f' else char for char in text)
    return f'"{"".join(escaped)}"'


def a_profile(**fields: str) -> str:
    """A profile of two ends of five pins. fields: by their names in FIELDS."""
    tables: dict[str, dict[str, str]] = {
        "cable": {"id": "five", "length_mm": "0"},
        "ends.A": {"connector": "row-5"},
        "ends.A.signals": {"2": "X"},
        "ends.B": {"connector": "row-5"},
        "wiring": {"rule": "straight"},
    }
    for name, text in fields.items():
        table, key = FIELDS[name]
        tables[table][key] = text
    tables["cable"].pop("length_mm")
    return "".join(
        f"[{table}]\n" + "".join(f"{key} = {toml(text)}\n" for key, text in keys.items())
        for table, keys in tables.items()
    )


def accepted(fields: dict[str, str]) -> dict[str, str]:
    """Those fields that a profile may have; of the others the message is looked at."""
    taken = {}
    for name, text in fields.items():
        try:
            profile_of(a_profile(**{name: text}))
        except ProfileError as error:
            assert_a_line(error.message)
        else:
            taken[name] = text
    return taken


@in_a_file
def test_a_text_in_a_profile_is_refused_or_shown_harmlessly(
    text: str, pinwright: Any, tmp_path: Path
) -> None:
    fields = accepted(dict.fromkeys(FIELDS, text))
    assert not {"id", "connector"} & set(fields)
    assert text.isprintable() or not fields
    profile = tmp_path / "odd.toml"
    profile.write_text(a_profile(**fields), encoding="utf-8")
    ran = pinwright("profiles", "show", profile)
    assert 0 == ran.status
    assert_harmless(ran.out)
    assert text in ran.out or "title" not in fields
    made = read(a_record(OPEN_AND_JOINED, text=a_profile(**fields)))
    (tmp_path / "F-1.test-1.report.json").write_bytes(made.data)
    for words in (("list",), ("show", "F-1", "-v")):
        ran = pinwright("records", *words, "--records", tmp_path)
        assert (0, "") == (ran.status, ran.err)
        assert_harmless(ran.out)
    assert ELEMENTS == elements_in(page_of(sheet_of(made), made.data))


@in_a_file
def test_a_text_in_a_profile_that_is_refused_is_named_harmlessly(
    text: str, pinwright: Any, tmp_path: Path
) -> None:
    profile = tmp_path / "odd.toml"
    for name in FIELDS.keys() - accepted(dict.fromkeys(FIELDS, text)).keys():
        profile.write_text(a_profile(**{name: text}), encoding="utf-8")
        assert_harmless(pinwright("scan", profile, *SIM, "--no-certificate").error(2))
        assert_harmless(pinwright("profiles", "check", profile).out)


def test_a_scan_with_texts_that_bite_in_every_field_shows_and_keeps_them_harmlessly(
    pinwright: Any, tmp_path: Path
) -> None:
    fields = {
        "title": BITING["rich"],
        "revision": BITING["sheet"],
        "label": BITING["attribute"],
        "signal": BITING["script"],
    }
    assert fields == accepted(fields)
    profile = tmp_path / "[b]odd[b].toml"
    profile.write_text(a_profile(**fields), encoding="utf-8")
    place = tmp_path / "[i]r[i]"
    words = ("--records", place, "--operator", BITING["typst"], "-v")
    ran = pinwright("scan", profile, *SIM, *words)
    assert 0 == ran.status
    assert_harmless(ran.out + ran.err)
    for text in ("[bold red]x[/]", "revision =1+1", "<script>alert(1)</script>", str(place)):
        assert text in ran.out
    assert ["five-0001.test-1.certificate"] == sorted({path.stem for path in place.glob("[!.]*")})
    assert 0 == pinwright("records", "verify", place).status
    assert BITING["rich"] in pinwright("records", "show", "five-0001", "--records", place).out


# What strangers and boards say, in records

CHECKED = (
    "serial",
    "number",
    "kind",
    "schema",
    "scan.started",
    "scan.serial",
    "scan.verdict",
    "scan.profile.id",
    "scan.profile.title",
    "scan.tester.kind",
    ("scan", "nets", 0, 0),
    ("scan", "findings", 0, "kind"),
    ("scan", "findings", 0, "pins", 0),
    "profile_text",
)
FAIL = a_record(OPEN_AND_JOINED)


def biting_record(text: str, **more: Any) -> dict[str, Any]:
    """A record that a stranger wrote and sealed, with a text wherever any may be."""
    doc: dict[str, Any] = a_record(OPEN_AND_JOINED, **more)
    for path in FREE:
        doc = changed(doc, path, text)
    return changed(doc, "scan.sockets", {text: "J1", **doc["scan"]["sockets"]})


class _Elements(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: set[tuple[str, tuple[str, ...]]] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.add((tag, tuple(name for name, _ in attrs)))

    def handle_comment(self, data: str) -> None:
        self.found.add(("<!--", tuple(data.split()[:1])))


def elements_in(page: bytes) -> set[tuple[str, tuple[str, ...]]]:
    """Every kind of element in a page, with its attributes; and comments, by their first word."""
    parser = _Elements()
    parser.feed(page.decode("utf-8"))
    parser.close()
    return parser.found


ELEMENTS = elements_in(page_of(sheet_of(read(FAIL)), sealed(FAIL)))


@in_a_file
def test_a_text_in_a_stranger_s_record_is_shown_harmlessly(text: str, pinwright: Any, tmp_path: Path) -> None:
    doc = biting_record(text)
    made = read(doc)
    (tmp_path / "F-1.test-1.report.json").write_bytes(sealed(doc))
    for words in (("list",), ("show", "F-1", "-v"), ("verify",)):
        ran = pinwright("records", *words, "--records", tmp_path)
        assert (0, "") == (ran.status, ran.err)
        assert_harmless(ran.out)
        assert "PASS" not in ran.out.replace("U+000A>PASS", "")
        assert len(ran.out) < 12_000
    out = " ".join(pinwright("records", "show", "F-1", "--records", tmp_path).out.split())
    if len(text) < 60:
        assert " ".join(shown(text).split()) in out.replace("  ", " ")
    assert text == pinwright("records", "show", "F-1", "--json", "--records", tmp_path).document["host"]
    page = page_of(sheet_of(made), made.data)
    assert ELEMENTS == elements_in(page)
    assert_harmless(page.decode().partition('<script type="application/json"')[0].replace("\u200b", ""))


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext reads the PDF")
def test_texts_that_bite_are_shown_harmlessly_in_a_pdf(tmp_path: Path) -> None:
    texts = list(NO_SURROGATE.values())
    for turn in range(0, len(texts), 8):
        doc = FAIL
        for path, text in zip(FREE, [*texts, *texts][turn:], strict=False):
            doc = changed(doc, path, text)
        path = kept(tmp_path, changed(doc, "scan.operator", texts[turn])).with_suffix(".pdf")
        told = subprocess.run(["pdftotext", "-raw", str(path), "-"], capture_output=True, check=True).stdout
        text = told.decode("utf-8").replace("\f", "").replace("\u200b", "")
        assert_harmless(text)
        assert "Fault report" in text
        whole = "".join(text.split())
        assert "".join(shown(texts[turn]).split()) in whole


@in_a_file
def test_a_text_where_none_may_be_is_refused_harmlessly(text: str, pinwright: Any, tmp_path: Path) -> None:
    for path in CHECKED:
        doc = changed(FAIL, path, text)
        with pytest.raises(NotGenuine) as refused:
            read(doc)
        assert_harmless(refused.value.reason)
    (tmp_path / "F-1.test-1.report.json").write_bytes(sealed(doc))
    for words, status, lines in (("list",), 0, 2), (("verify",), 1, 1), (("show", "F-1"), 1, 1):
        ran = pinwright("records", *words, "--records", tmp_path)
        assert (status, "", lines) == (ran.status, ran.err, len(ran.out.splitlines()))
        assert_harmless(ran.out)


@in_a_file
def test_a_text_for_a_seal_is_shown_harmlessly(text: str, pinwright: Any, tmp_path: Path) -> None:
    path = tmp_path / "F-1.test-1.report.json"
    path.write_bytes(canonical(FAIL | {"sha256": text}))
    ran = pinwright("records", "verify", path)
    assert (1, "", 1) == (ran.status, ran.err, len(ran.out.splitlines()))
    assert_harmless(ran.out)
    assert len(ran.out) < 1000


# Names of files


@pytest.mark.skipif(os.name != "posix", reason="other systems have no such names")
def test_names_of_files_are_shown_harmlessly(pinwright: Any, tmp_path: Path) -> None:
    names = {"a" + text.replace("/", "|").replace("\0", "")[:100] for text in BITING.values()}
    for number, name in enumerate(sorted(names)):
        folder = tmp_path / f"{number}{name}"
        folder.mkdir()
        (folder / f"{name}.json").write_bytes(sealed(FAIL))
        (folder / f"{name}.html").write_bytes(b"x")
        (folder / f"{name}.toml").write_text(TEXT.replace("straight", "strait"), encoding="utf-8")
        (folder / "bench.toml").write_text("[[link]]\n", encoding="utf-8")
        ran = pinwright("records", "verify", folder)
        assert (1, 2) == (ran.status, len(ran.out.splitlines())), name  # a name takes no line of its own
        assert_harmless(ran.out + ran.err)
        for words in (
            ("records", "list", "--records", folder / "none"),
            ("profiles", "check", folder / f"{name}.toml"),
            ("scan", folder / f"{name}.toml", *SIM),
            ("scan", STRAIGHT, "--no-certificate", "--port", f"sim:{folder / 'bench.toml'}"),
            ("scan", STRAIGHT, *SIM, "--records", folder / f"{name}.json"),
        ):
            ran = pinwright(*words)
            assert ran.status == (0 if words[1] == "list" else 2), (words, ran)
            assert_harmless(ran.out + ran.err)


# What a board says


def framed(request: bytes, words: str) -> bytes:
    """A reply to a request, as the firmware frames it."""
    body = b"<" + request[1:3] + b" " + words.encode("ascii")
    return body + b" %04X\n" % crc16(body)


def word(text: str) -> str:
    """What of a text a board can say in one word of a frame: printable ASCII without blanks and `<`."""
    return "".join(char for char in text if "!" <= char <= "~" and char != "<")[:50]


@pytest.mark.usefixtures("once")
@pytest.mark.parametrize("name", ["rich", "rich link", "script", "path", "typst", "sheet", "format"])
def test_what_a_board_says_of_itself_is_shown_harmlessly(
    name: str, pinwright: Any, answering_port: Any, usb_ports: Any
) -> None:
    said = word(BITING[name])
    fields = " ".join(f"{key}={said}" for key in ("firmware", "id", "fixture", "platform", "bus", "name"))
    hello = f"ok protocol=3 points=128 fitted=8 lane=none {fields}"
    port = answering_port(lambda line: framed(line, hello) if line.startswith(b">") else b"")
    usb_ports(port)
    ran = pinwright("testers")
    assert_harmless(ran.out + ran.err)
    assert said in "".join(ran.out.split())
    assert said == pinwright("testers", "--json").document["ports"][0]["tester"]["name"]
    message = pinwright("scan", STRAIGHT, "--port", port, "--no-certificate").error(3)
    assert_harmless(message)
    assert f"the tester has the sockets of a `{said}`" in message


@pytest.mark.usefixtures("once")
def test_what_a_board_chatters_is_shown_harmlessly(pinwright: Any, answering_port: Any) -> None:
    lines = [text.encode("utf-8", "surrogateescape").replace(b"\n", b" ")[:200] for text in BITING.values()]
    for reply in (b"\n".join(lines) + b"\n", *(b"<" + line + b"\n" for line in lines[:8])):
        port = answering_port(lambda line, reply=reply: reply if line.startswith(b">") else b"")
        ran = pinwright("scan", STRAIGHT, "--port", port, "--no-certificate")
        assert_harmless(ran.error(3))
        assert_harmless(ran.err)
        assert "the board says: [bold red]x[/]\n" in ran.err or reply.startswith(b"<")


# A real terminal


def test_a_terminal_gets_no_command_but_our_colours(on_a_terminal: Any, tmp_path: Path) -> None:
    """Of everything above what could do most."""
    text = "".join(BITING[name] for name in ("rich", "colour", "link", "title", "C1", "turned round"))
    (tmp_path / "F-1.test-1.report.json").write_bytes(sealed(biting_record(text)))
    (tmp_path / f"{text.replace('/', '')}.json").write_bytes(sealed(FAIL).replace(b"five", b"four"))
    for words, status in ((("show", "F-1"), 0), (("verify",), 1)):
        ended, told = on_a_terminal("records", *words, "--records", tmp_path)
        assert status == ended
        assert_harmless(SGR.sub("", told))
        assert "[boldred]" in "".join(told.split())


def test_an_error_names_what_it_does_not_print(capsys: pytest.CaptureFixture[str]) -> None:
    show_error("a\x1b[31m\u202e[red]", "b\x07")
    assert "error: a<U+001B>[31m<U+202E>[red]\n\nhint: b<U+0007>\n" == capsys.readouterr().err
