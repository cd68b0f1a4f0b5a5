"""What a report shows: words, connectors in characters and as SVG, and the page, also in a browser."""

from __future__ import annotations

import base64
import os
import re
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from itertools import pairwise
from math import isclose
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from pinwright.cable.connectors import FAMILIES, SHELL, Connector, connector
from pinwright.cable.profile import Profile
from pinwright.library import find_profile, library_folders, profile_of
from pinwright.records.entries import Measured
from pinwright.records.statistics import Report, statistics
from pinwright.sheets.build import build_sheet
from pinwright.sheets.report import LEGEND, ReportEnd, ReportSheet, report_sheet
from pinwright.sheets.report_page import UNKNOWN, report_page
from pinwright.sheets.report_picture import fault_picture
from pinwright.sheets.report_sketch import fault_sketch

from .browser import Browser
from .test_page import CHROMIUM, FETCHING, OWN_TAGS, Reader

GOLDEN = Path(__file__).parent / "golden"
LEAD, DSUB, ROUND = "lamp-changer-40", "idc26-to-db25-row-matched", "midi-din5"
SVG = "{http://www.w3.org/2000/svg}"
OTHER_TAGS = {"section", "figure", "figcaption"}


def profile(id: str) -> Profile:
    return find_profile(id, library_folders()).profile


def made_of(made: Profile) -> list[Measured]:
    """Thirty cables in two months, the same every time: every third fails first, at a pin that changes."""
    pins = [str(pin) for pin in made.pins()]
    whole = tuple(str(pin) for pin in made.ends[-1].pins())
    tests = []
    for number in range(30):
        serial, month = f"F-{number:02}", 1 + number // 20
        at = number * number % 7
        bad = () if number % 3 else (("open" if number % 2 else "short", (pins[at], pins[at + 1])),)
        bad = (("reversed", whole),) if number == 12 else bad
        links = tuple(
            (str(net.pins[0]), 0.2 + (number % 5 + place % 3) / 20 + (place == 2) / 2, 0.4, True)
            for place, net in enumerate(made.nets)
        )
        results = ["fail", "pass"] if bad and number % 4 else ["fail"] if bad else ["pass"]
        for test, result in enumerate(results, 1):
            tests.append(
                Measured(
                    serial, test, "fail" if result == "fail" else "pass",
                    f"2026-{month:02}-{1 + number % 20:02}T09:30:0{test}Z", True, False, "",
                    made.revision if number > 3 else "A", "f" * 64, "calibrated",
                    bad if result == "fail" else (), links if result == "pass" else (), "", 0, 0,
                )
            )  # fmt: skip
    return [
        *tests,
        replace(tests[-1], serial="S-1", simulated=True),
        replace(tests[0], serial="X", sealed=False),
    ]


def facts(made: Profile, tests: list[Measured] | None = None) -> Report:
    ends = {end.name: end.connector.pins for end in made.ends}
    return statistics(made_of(made) if tests is None else tests, ends)


def sheet(id: str) -> ReportSheet:
    return report_sheet(profile(id), facts(profile(id)), of_record=False)


@pytest.fixture(scope="session")
def hostile(profile_text: Callable[..., str]) -> ReportSheet:
    """A report whose every text would like to be more than a text."""
    label = "</svg><script>x()</script> & ]]>"
    made = profile_of(
        profile_text(
            {"A": "idc-2x5", "B": "dsub-9-socket"},
            [f"A.{n} B.{n}" for n in range(1, 10)],
            title="</title><script>alert(1)</script><style>@import 'x'",
            labels={"A": label, "B": "{{ 7 * 7 }}`<b>`"},
            signals={"A.1": "</td><img src=x>", "A.2": "' onclick='alert(1)"},
        )
    )
    bad = (
        ("</b><img src=x>", ("A.1", "A.2")),
        ("open\x1b[31m", ("A.1", '"><b>.1', "\u202eA.3")),
        ("reversed", tuple(f"B.{pin}" for pin in "123456789")),
    )
    tests = [
        replace(one, result="fail", findings=bad, revision="<i>\x07\u202e")
        if number < 3
        else replace(one, links=(*one.links, ("</td>", 0.5, 0.1, True)))
        for number, one in enumerate(made_of(made))
    ]
    return report_sheet(made, facts(made, tests), of_record=True, asked="</dd><b>\x9b")


# Words


def test_what_a_report_says() -> None:
    made = sheet(LEAD)
    assert (
        ("Cables", "30 cables, 37 tests from 2026-01-01 to 2026-02-10 (UTC)"),
        (
            "Connectors",
            "drawn as in the profile that the library has, revision B; 5 tests of other revisions count by "
            "the names of their pins (A: 5)",
        ),
        ("Left out", "1 test of a simulation, 1 test not as it was made"),
    ) == made.about
    assert (
        "20 of 30 passed the first test: 67 %; in the long run between 49 % and 81 % (95 % sure, by Wilson's "
        "interval)",
        "27 of 30 passed the latest test: 90 %; in the long run between 74 % and 97 % (95 % sure, by "
        "Wilson's interval)",
    ) == made.yields
    assert ("A.1", "B.40", "GND") == (made.spreads[0].pin, made.spreads[0].to, made.spreads[0].signal)
    first = made.worst[0]
    assert ("A.3", "odd row, second from the top", "GND") == (first.pin, first.place, first.signal)
    assert (6, "open 3, short 3") == (first.cables, first.kinds)


def test_few_cables_are_said_to_say_little() -> None:
    made = profile(LEAD)
    few = report_sheet(made, facts(made, made_of(made)[:4]), of_record=False)
    assert "So few cables say little: 4 cables." == few.yields[-1]
    assert not any("little" in text for text in sheet(LEAD).yields)


@pytest.mark.parametrize("id", [LEAD, DSUB, ROUND, "woven-40", "trs-insert-y"])
def test_connectors_and_places_are_those_of_the_build_sheet(id: str) -> None:
    """Who reads where a pin is holds the same plug the same way as when it was made."""
    built, made = build_sheet(profile(id), "f" * 64), sheet(id)
    assert [end.view for end in built.ends] == [end.view for end in made.ends]
    places = {spot.pin: spot.place for row in built.rows for spots in row.spots for spot in spots}
    told = {one.pin: one.place for one in made.worst if one.pin in places}
    assert len(told) > 2
    assert told == {pin: places[pin] for pin in told}


def test_a_report_without_tests_says_so() -> None:
    made = report_sheet(profile(LEAD), facts(profile(LEAD), []), of_record=False)
    assert ("Cables", "none") == made.about[0]
    assert ((), (), ()) == (made.yields, made.worst, made.spreads)


# In characters


def drawn(plug: Connector, counts: Mapping[str, int], width: int = 80, ascii: bool = False) -> list[str]:
    end = ReportEnd("A", "x", plug.view, plug, dict(counts))
    most = max(counts.values(), default=0)
    return ["".join(text for text, _ in line) for line in fault_sketch(end, most, width, ascii)]


@pytest.mark.parametrize("id", [LEAD, DSUB, ROUND, "trs-insert-y"])
@pytest.mark.parametrize("ascii", [False, True], ids=["", "ascii"])
def test_connectors_that_somebody_has_looked_at(id: str, ascii: bool) -> None:
    """`PINWRIGHT_REGENERATE=1` writes the files anew: look at them then."""
    made = sheet(id)
    lines = [line for end in made.ends for line in (end.caption, *drawn(end.plug, end.counts, ascii=ascii))]
    told = "\n".join(lines) + "\n"
    file = GOLDEN / f"faults-{id}{'-ascii' if ascii else ''}.txt"
    if os.environ.get("PINWRIGHT_REGENERATE"):
        file.write_text(told, encoding="utf-8")
    assert file.read_text(encoding="utf-8") == told


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.example)
def test_every_connector_has_a_sketch_with_all_of_its_pins_and_numbers(family: Any) -> None:
    for name in {family.example, max(family.names(), key=lambda one: len(connector(one).pins))}:
        for plug in (connector(name), connector(name).from_behind()):
            for count in (1, 12, 123):
                lines = drawn(plug, dict.fromkeys(plug.pins, count))
                assert lines
                assert max(map(len, lines)) <= 80
                told = re.findall(r"\w+", " ".join(line for line in lines if "turned" not in line))
                for pin in plug.pins:
                    assert pin in told
                assert told.count(str(count)) >= len(plug.pins)
                plain = drawn(plug, dict.fromkeys(plug.pins, count), ascii=True)
                assert all(line.isascii() for line in plain)
                assert [len(line) for line in lines] == [len(line) for line in plain]


def test_a_pin_without_a_fault_is_a_dot_and_bars_go_with_the_numbers() -> None:
    lines = drawn(connector("dip-8"), {"1": 4, "2": 2, "8": 1})
    assert [
        "                 ┌───◡───┐",
        "  ████████████ 4 │ ▸1  8 │ 1 ███",
        "        ██████ 2 │  2  7 │ ·",
        "               · │  3  6 │ ·",
        "               · │  4  5 │ ·",
        "                 └───────┘",
    ] == [line.rstrip() for line in lines]


def test_what_is_too_wide_is_turned_and_says_so() -> None:
    plug = connector("micro-ribbon-50-plug")
    assert "turned a quarter" in drawn(plug, dict.fromkeys(plug.pins, 123))[-1]
    assert "turned" not in drawn(plug, {"1": 3}, width=120)[-1]
    assert [] == drawn(plug, {}, width=20)


# As a picture


def circles(picture: str) -> list[tuple[float, str]]:
    """Radius of each circle with a number, and the number."""
    root = ElementTree.fromstring(picture)
    made = list(root)
    return [
        (float(one.get("r", "")), after.text or "")
        for one, after in pairwise(made)
        if one.tag == f"{SVG}circle" and after.tag == f"{SVG}text" and after.get("font-weight") == "bold"
    ]


def test_the_area_of_a_circle_goes_with_the_number_in_it() -> None:
    plug = connector("idc-2x10")
    counts = {pin: number for number, pin in enumerate(plug.pins) if number}
    found = circles(fault_picture(ReportEnd("A", "x", plug.view, plug, counts), 19))
    assert sorted(map(str, counts.values())) == sorted(number for _, number in found)
    (largest, most), *_ = sorted(found, reverse=True)
    for radius, number in found:
        assert isclose((radius / largest) ** 2, int(number) / int(most), abs_tol=0.01)


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.example)
def test_every_pin_has_its_name_and_its_circle_or_dot_and_no_circle_covers_another(family: Any) -> None:
    plug = connector(family.example)
    root = ElementTree.fromstring(
        fault_picture(ReportEnd("A", "x", plug.view, plug, dict.fromkeys(plug.pins, 7)), 7)
    )
    texts = [one.text for one in root.iter(f"{SVG}text")]
    for pin in plug.pins:
        assert pin in texts
    assert texts.count("7") >= len(plug.pins)
    round_ones = [one for one in root.iter(f"{SVG}circle") if one.get("fill") == "#e69f00"]
    assert len(plug.pins) == len(round_ones)
    places = [tuple(float(one.get(key, "")) for key in ("cx", "cy", "r")) for one in round_ones]
    for number, (x, y, radius) in enumerate(places):
        for other_x, other_y, other in places[number + 1 :]:
            assert (x - other_x) ** 2 + (y - other_y) ** 2 > (radius + other) ** 2


def test_a_picture_says_in_words_what_it_shows() -> None:
    plug = connector("dsub-9-plug-shell")
    title = ElementTree.fromstring(
        fault_picture(ReportEnd("A", "End A", plug.view, plug, {"5": 2, SHELL: 1}), 2)
    ).find(f"{SVG}title")
    assert title is not None
    assert "End A: cables with a fault at pin 5 2, pin SHELL 1" == title.text


# The page


class Lying(Reader):
    """A page whose words are in the order in which they stand."""

    def __init__(self, text: str) -> None:
        self.flow = ""
        super().__init__(text)

    def handle_data(self, data: str) -> None:
        super().handle_data(data)
        self.flow += data


@pytest.mark.parametrize("id", [LEAD, DSUB, "hostile"])
def test_a_page_points_nowhere_and_runs_nothing(id: str, hostile: ReportSheet) -> None:
    read = Lying(report_page(hostile if id == "hostile" else sheet(id)).decode("utf-8"))
    assert not read.inside
    for tag, attributes in read.tags:
        assert tag in OWN_TAGS | OTHER_TAGS, tag
        assert tag != "script"
        assert not FETCHING & set(attributes), (tag, attributes)
        assert not [key for key in attributes if key.startswith("on")]
        assert not [value for value in attributes.values() if "url(" in value]
    (policy,) = [attributes["content"] for _, attributes in read.tags if attributes.get("http-equiv")]
    assert "default-src 'none'; style-src 'unsafe-inline'" == policy
    assert not re.search(r"url\(|@import|@font-face|image\(|http", "".join(read.data["style"]))


def test_hostile_words_stay_words(hostile: ReportSheet) -> None:
    text = report_page(hostile).decode("utf-8")
    odd = {f"U+{ord(char):04X}" for char in text if not char.isprintable() and char != "\n"}
    assert set() == odd
    flow = Lying(text).flow
    for word in ("</title><script>alert(1)</script>", "</svg><script>x()</script>", "{{ 7 * 7 }}`<b>`"):
        assert word in flow
    for word in ("</td><img src=x>", "</b><img src=x>", "open<U+001B>[31m", "<i><U+0007><U+202E>"):
        assert word in flow


@pytest.mark.parametrize("id", [LEAD, DSUB, ROUND])
def test_a_page_says_all_that_its_sheet_says(id: str) -> None:
    made = sheet(id)
    flow = Lying(report_page(made).decode("utf-8")).flow
    texts = [made.title, made.name, LEGEND, made.spread_text, *made.yields]
    texts += [text for pair in made.about for text in pair]
    texts += [text for end in made.ends for text in (end.caption, end.view)]
    texts += [text for one in made.worst for text in (one.pin, one.place, one.signal, one.kinds)]
    texts += [f"end {end} {kind} {cables}" for end, kind, cables in made.plugs]
    texts += [text for row in made.spreads for text in (row.pin, row.to, row.signal)]
    texts += [f"{row.spread.median:.2f}" for row in made.spreads]
    for text in texts:
        assert text in flow, text


def test_a_page_that_somebody_has_looked_at() -> None:
    """`PINWRIGHT_REGENERATE=1` writes the file anew: look at it in a browser then."""
    told = report_page(sheet(ROUND)).decode("utf-8")
    file = GOLDEN / f"report-{ROUND}.html"
    if os.environ.get("PINWRIGHT_REGENERATE"):
        file.write_text(told, encoding="utf-8")
    assert file.read_text(encoding="utf-8") == told


@pytest.fixture(scope="module")
def tab(tool: Callable[..., bytes], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    tool("chromium", "--version", package="chromium")
    home = tmp_path_factory.mktemp("chromium")
    opened = Browser([str(shutil.which("chromium")), *CHROMIUM, f"--user-data-dir={home}"], 1024, 800)
    yield opened
    opened.close()


@pytest.mark.parametrize("id", [LEAD, "hostile"])
def test_a_browser_shows_the_page_as_wide_as_it_is_and_asks_for_nothing(
    id: str, tab: Browser, hostile: ReportSheet, tmp_path: Path
) -> None:
    (tmp_path / "x.html").write_bytes(report_page(hostile if id == "hostile" else sheet(id)))
    tab.open(tmp_path / "x.html")
    assert [] == tab.errors
    assert [(tmp_path / "x.html").as_uri()] == tab.asked
    assert tab.run("document.documentElement.scrollWidth") <= 1024
    wide = tab.run("Math.max(...[...document.querySelectorAll('table')].map(one => one.scrollWidth))")
    assert wide <= 1024


LONGEST_WORDS = """(() => {
  const wide = [];
  for (const cell of document.querySelectorAll("td:not(.picture)")) {
    const walker = document.createTreeWalker(cell, NodeFilter.SHOW_TEXT);
    for (let node; (node = walker.nextNode()); )
      for (const word of node.data.matchAll(/[^\\s-]+-?/g)) {
        const range = document.createRange();
        range.setStart(node, word.index);
        range.setEnd(node, word.index + word[0].length);
        if (range.getClientRects().length > 1) wide.push(word[0]);
      }
  }
  return wide;
})()"""


@pytest.mark.parametrize("width", [1000, 820])
def test_no_word_of_a_table_is_broken(width: int, tab: Browser, tmp_path: Path) -> None:
    (tmp_path / "x.html").write_bytes(report_page(sheet(LEAD)))
    tab.ask("Emulation.setDeviceMetricsOverride", width=width, height=800, deviceScaleFactor=1, mobile=False)
    tab.open(tmp_path / "x.html")
    try:
        assert [] == tab.run(LONGEST_WORDS)
        assert tab.run("document.documentElement.scrollWidth") <= width
        inside = "[...document.querySelectorAll('.table')].every(one => one.scrollWidth <= one.clientWidth)"
        assert tab.run(inside) or width < 1000
    finally:
        tab.ask(
            "Emulation.setDeviceMetricsOverride", width=1024, height=800, deviceScaleFactor=1, mobile=False
        )


def test_a_cable_that_nobody_knows_the_state_of_has_its_own_part_of_the_bar() -> None:
    made = profile(LEAD)
    tests = made_of(made)
    tests.append(replace(tests[0], serial="F-01", test=9, sealed=False))
    page = report_page(report_sheet(made, facts(made, tests), of_record=False)).decode("utf-8")
    bars = re.findall(r"<svg[^>]*><title>of .*?</svg>", page)
    unknown = [
        re.search(rf'<rect x="([\d.]+)"[^>]* width="([\d.]+)"[^>]* fill="{UNKNOWN}"', one) for one in bars
    ]
    assert [True, False, True] == [found is not None for found in unknown]  # January, February, all
    assert ", 1 unknown</title>" in bars[-1]
    total = unknown[-1]
    assert total is not None
    assert isclose(60 / 30, float(total[2]), abs_tol=0.01)
    assert isclose(60, float(total[1]) + float(total[2]), abs_tol=0.01)
    assert '<span class="key unknown"></span> unknown: ' in page
    assert '"key unknown"' not in report_page(sheet(LEAD)).decode("utf-8")


def test_a_page_prints_on_a_few_pages_with_nothing_cut_off(
    tab: Browser, tool: Callable[..., bytes], tmp_path: Path
) -> None:
    (tmp_path / "x.html").write_bytes(report_page(sheet(LEAD)))
    tab.open(tmp_path / "x.html")
    made = tab.ask("Page.printToPDF", preferCSSPageSize=True, printBackground=False)
    (tmp_path / "x.pdf").write_bytes(base64.b64decode(made["data"]))
    told = tool("pdfinfo", tmp_path / "x.pdf", package="poppler-utils").decode("utf-8")
    assert re.search(r"^Pages: +[1-3]$", told, re.M)
    boxes = tool("pdftotext", "-bbox", tmp_path / "x.pdf", "-", package="poppler-utils").decode("utf-8")
    right = max(float(x) for x in re.findall(r'xMax="([\d.]+)"', boxes))
    assert right < 595 - 13 * 72 / 25.4
    first = boxes.partition("</page>")[0]
    assert max(float(y) for y in re.findall(r'yMax="([\d.]+)"', first)) > 0.9 * 842, "the first page is full"
