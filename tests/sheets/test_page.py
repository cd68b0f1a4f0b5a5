"""The HTML page: it carries all it needs, runs nothing, asks for nothing, and prints."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable, Iterator, Mapping
from html.parser import HTMLParser
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from pinwright.records.record import Record
from pinwright.sheets.documents import documents_of
from pinwright.sheets.sheet import sheet_of

LEAD = "lamp-changer-40"
HOSTILE = "<script>document.title='x'</script><img src=http://localhost/x onerror=x>\x1b[31m\u202e' \"&amp;"
LABEL = "</svg><script>x()</script> & ]]>"


@pytest.fixture(scope="session")
def records(
    record_of: Callable[..., Record], library: Callable[[str], str], profile_text: Callable[..., str]
) -> Mapping[str, Record]:
    ends = {"A": "idc-2x5", "B": "dsub-9-socket"}
    hostile = profile_text(
        ends,
        [f"A.{n} B.{n}" for n in range(1, 10)],
        title="</title><script>alert(1)</script><style>@import 'x'",
        labels={"A": LABEL, "B": "{{ 7 * 7 }}"},
        signals={"A.1": "</td><img src=x>", "A.2": "javascript:alert(1)"},
    )
    return {
        "certificate": record_of(library(LEAD), lane="calibrated"),
        "report": record_of(
            library(LEAD),
            cut=["A.6"],
            join=["A.12 A.13"],
            lane="calibrated",
            joints={"A.20": 12.0},
            leaks={"A.30": 4e4},
        ),
        "specimen": record_of(library(LEAD), simulated=True),
        "hostile": record_of(hostile, operator=HOSTILE, name=HOSTILE, cut=["A.1"]),
    }


@pytest.fixture(scope="session")
def pages(records: Mapping[str, Record]) -> Mapping[str, str]:
    return {name: documents_of(record)["html"].decode("utf-8") for name, record in records.items()}


class Reader(HTMLParser):
    """What a page is made of."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.data: dict[str, list[str]] = {}
        self.inside: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in ("meta", "br"):
            self.inside.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        self.inside.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.inside.pop() == tag

    def handle_data(self, data: str) -> None:
        self.data.setdefault(self.inside[-1] if self.inside else "", []).append(data)

    @property
    def words(self) -> str:
        """All that can be read on the page, one blank between two words."""
        shown = [text for tag, texts in self.data.items() if tag not in ("style", "script") for text in texts]
        return " ".join(" ".join(shown).split())


NAMES = ("certificate", "report", "specimen", "hostile")
# What HTML and SVG know to fetch something with, or to run something: HTML standard, "attributes" index.
FETCHING = {
    *("src", "srcset", "href", "xlink:href", "data", "poster", "action", "formaction", "background", "cite"),
    *("ping", "manifest", "codebase", "archive", "usemap", "imagesrcset", "itemid", "style", "filter"),
}
OWN_TAGS = {
    *("html", "head", "meta", "title", "style", "body", "div", "span", "header", "h1", "h2", "p", "b"),
    *("code", "strong", "dl", "dt", "dd", "ol", "li", "table", "thead", "tbody", "tr", "th", "td", "br"),
    *("footer", "svg", "path", "circle", "rect", "text", "script"),
}


@pytest.mark.parametrize("name", NAMES)
def test_a_page_points_nowhere_and_runs_nothing(pages: Mapping[str, str], name: str) -> None:
    read = Reader(pages[name])
    assert not read.inside  # every element is closed
    for tag, attributes in read.tags:
        assert tag in OWN_TAGS
        assert not FETCHING & set(attributes), (tag, attributes)
        assert not [key for key in attributes if key.startswith("on")]
        assert not [value for value in attributes.values() if "url(" in value]
    scripts = [attributes for tag, attributes in read.tags if tag == "script"]
    assert [{"type": "application/json", "id": "record"}] == scripts
    (style,) = read.data["style"]
    assert f".{name}" not in style  # the class of the whole page means nothing else
    assert not re.search(r"url\(|@import|@font-face|image\(|http", style)
    policies = [attributes for tag, attributes in read.tags if attributes.get("http-equiv")]
    assert [
        {
            "http-equiv": "Content-Security-Policy",
            "content": "default-src 'none'; style-src 'unsafe-inline'",
        }
    ] == policies


@pytest.mark.parametrize("name", NAMES)
def test_a_page_says_all_that_its_sheet_says(
    pages: Mapping[str, str], records: Mapping[str, Record], name: str
) -> None:
    made, words = sheet_of(records[name]), Reader(pages[name]).words
    about = [text for pair in made.about for text in pair]
    findings = [text for pair in made.findings for text in pair]
    sections = [text for _, texts in made.sections for text in texts]
    links = [f"{link.start} {link.to}" for link in made.links]
    signals = [link.signal for link in made.links]
    assert ("ohms" in Reader(pages[name]).data["th"]) is (name in ("certificate", "report"))
    for text in (made.title, made.number, made.verdict, made.summary, made.warning, made.sha256):
        assert text in words
    for text in (*about, *findings, *sections):
        assert " ".join(text.split()) in words
    of_cells = " ".join(Reader(pages[name]).data["td"])
    for text in (*links, *signals, *(link.ohms for link in made.links)):
        assert text in of_cells
    assert ("Certificate of test" in words) is (name == "certificate")


@pytest.mark.parametrize("name", NAMES)
def test_a_page_carries_its_record(
    pages: Mapping[str, str], records: Mapping[str, Record], name: str
) -> None:
    (inner,) = Reader(pages[name]).data["script"]
    assert json.loads(records[name].data) == json.loads(inner)


def test_hostile_words_stay_words(pages: Mapping[str, str]) -> None:
    read = Reader(pages["hostile"])
    assert "<script>document.title='x'</script>" in read.words
    assert "<U+001B>[31m<U+202E>" in read.words
    assert LABEL in read.data["text"]
    assert "{{ 7 * 7 }}" in read.words
    assert "</td><img src=x>" in read.data["td"]
    assert "\x1b" not in pages["hostile"]
    assert "\u202e" not in pages["hostile"].partition('<script type="application/json"')[0]


# In a browser

# No sandbox: Chromium refuses to have one as root. The rest keeps it from talking to anybody of itself.
CHROMIUM = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
)


@pytest.fixture(scope="session")
def browse(tool: Callable[..., bytes], tmp_path_factory: pytest.TempPathFactory) -> Callable[..., bytes]:
    """Run Chromium in a home of its own."""

    def browse(*words: object) -> bytes:
        home = tmp_path_factory.mktemp("chromium")
        return tool("chromium", *CHROMIUM, f"--user-data-dir={home}", *words, package="chromium")

    return browse


@pytest.fixture
def served(pages: Mapping[str, str]) -> Iterator[tuple[str, list[str]]]:
    """The address of the hostile page on this machine, and what was asked for, as it is asked for."""
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            body = pages["hostile"].encode("utf-8") if self.path == "/page.html" else b""
            self.send_response(200 if body else 404)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}/page.html", asked
    server.shutdown()
    server.server_close()


def test_a_browser_asks_for_nothing_but_the_page_and_changes_nothing_in_it(
    served: tuple[str, list[str]], pages: Mapping[str, str], browse: Callable[..., bytes]
) -> None:
    address, asked = served
    dom = browse("--dump-dom", address).decode("utf-8")
    assert ["/page.html"] == [path for path in asked if path != "/favicon.ico"]
    before, after = Reader(pages["hostile"]), Reader(dom)
    assert before.words == after.words
    # A browser closes what HTML lets be left open; of ours nothing is.
    assert [tag for tag, _ in before.tags] == [tag for tag, _ in after.tags]
    assert before.data["title"] == after.data["title"]


def test_a_page_prints_on_a4_with_number_verdict_and_all_pins(
    records: Mapping[str, Record],
    pages: Mapping[str, str],
    browse: Callable[..., bytes],
    tool: Callable[..., bytes],
    tmp_path: Path,
) -> None:
    page, pdf = tmp_path / "page.html", tmp_path / "page.pdf"
    page.write_text(pages["specimen"], encoding="utf-8")
    browse("--no-pdf-header-footer", f"--print-to-pdf={pdf}", page.as_uri())
    told = tool("pdfinfo", pdf, package="poppler-utils").decode("utf-8")
    assert re.search(r"Page size: +59[45](\.\d+)? x 84[12](\.\d+)? pts \(A4\)", told)
    assert int(re.findall(r"Pages: +(\d+)", told)[0]) <= 2
    text = " ".join(tool("pdftotext", "-raw", pdf, "-", package="poppler-utils").decode("utf-8").split())
    made = sheet_of(records["specimen"])
    for word in (made.number, made.verdict, made.summary, made.warning, made.sha256):
        assert word in text
    assert {str(pin) for net in records["specimen"].profile.nets for pin in net.pins} <= set(text.split())


def test_a_page_on_a_screen_is_not_blank_and_not_cut_off(
    pages: Mapping[str, str], browse: Callable[..., bytes], tmp_path: Path
) -> None:
    page, picture = tmp_path / "page.html", tmp_path / "page.png"
    page.write_text(pages["certificate"], encoding="utf-8")
    browse("--window-size=800,1400", f"--screenshot={picture}", page.as_uri())
    png = picture.read_bytes()
    # A white picture of this size is smaller than 10 kB, for deflate makes little of sameness.
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    assert (800, 1400) == (int.from_bytes(png[16:20], "big"), int.from_bytes(png[20:24], "big"))
    assert len(png) > 50_000
