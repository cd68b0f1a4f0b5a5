"""The page of a build sheet: lights up what is pointed at, keeps its ticks, prints, asks for nothing."""

from __future__ import annotations

import base64
import hashlib
import os
import re
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from pinwright.cable.profile import Profile
from pinwright.library import find_profile, library_folders, library_profiles, profile_of
from pinwright.sheets import build_page as page_module
from pinwright.sheets.build import BuildSheet, build_sheet
from pinwright.sheets.build_page import build_page
from pinwright.sheets.build_picture import end_picture

from .browser import Browser
from .test_page import CHROMIUM, FETCHING, OWN_TAGS, Reader

GOLDEN = Path(__file__).parent / "golden" / "ends"
LEAD, DSUB, LINKED = "lamp-changer-40", "service-lead-9", "printer-db25-to-mr36-18wire"
WIDE = "printer-db25-to-mr36-25wire-a"
LABEL = "</svg><script>x()</script> & ]]>"
OTHER_TAGS = {"main", "section", "ul", "figure", "figcaption", "label", "input", "output", "button"}


def profile(id: str) -> Profile:
    return find_profile(id, library_folders()).profile


def sheet(made: Profile, **views: Any) -> BuildSheet:
    return build_sheet(made, hashlib.sha256(made.id.encode()).hexdigest(), views)


def page(made: Profile, **views: Any) -> str:
    return build_page(made, sheet(made, **views)).decode("utf-8")


@pytest.fixture(scope="session")
def hostile(profile_text: Callable[..., str]) -> Profile:
    """A profile whose every text would like to be more than a text."""
    return profile_of(
        profile_text(
            {"A": "idc-2x5", "B": "dsub-9-socket"},
            [f"A.{n} B.{n}" for n in range(1, 10)],
            title="</title><script>alert(1)</script><style>@import 'x'",
            labels={"A": LABEL, "B": "{{ 7 * 7 }}`<b>`"},
            signals={
                "A.1": "</td><img src=x>",
                "A.2": "' onclick='alert(1)",
                "A.3": '" autofocus onfocus="x()',
            },
        )
    )


# The page as it lies there


class Lying(Reader):
    """A page whose words are in the order in which they stand. `input` closes itself."""

    def __init__(self, text: str) -> None:
        self.flow = ""
        super().__init__(re.sub(r"(<input[^>]*)>", r"\1/>", text))

    def handle_data(self, data: str) -> None:
        super().handle_data(data)
        self.flow += data


@pytest.mark.parametrize("name", [LEAD, LINKED, "hostile"])
def test_a_page_points_nowhere_and_runs_its_own_script_alone(name: str, hostile: Profile) -> None:
    text = page(hostile if name == "hostile" else profile(name))
    read = Lying(text)
    assert not read.inside
    for tag, attributes in read.tags:
        assert tag in OWN_TAGS | OTHER_TAGS
        assert not FETCHING & set(attributes), (tag, attributes)
        assert not [key for key in attributes if key.startswith("on")]
        assert not [value for value in attributes.values() if "url(" in value]
    assert [{}] == [attributes for tag, attributes in read.tags if tag == "script"]
    script = "".join(read.data["script"])
    assert script == Path(page_module.__file__).with_name("build.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    (policy,) = [attributes["content"] for _, attributes in read.tags if attributes.get("http-equiv")]
    assert f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'" == policy
    assert not re.search(r"url\(|@import|@font-face|image\(|http", "".join(read.data["style"]))
    assert not re.search(r"innerHTML|outerHTML|document\.write|eval|fetch|XMLHttp|http|import", script)


@pytest.mark.parametrize("name", [LEAD, "woven-40", DSUB, LINKED, "ata80c-host-to-master-black"])
def test_a_page_says_all_that_its_sheet_says_without_its_script(name: str) -> None:
    made, words = sheet(profile(name)), Lying(page(profile(name))).flow
    links = [text for link in made.links for text in (link.kind, link.signal, link.text)]
    parts = [text for part in made.parts for text in part]
    ends = [text for end in made.ends for text in (end.caption, end.start)]
    texts = [made.title, made.name, made.sha256, *made.cautions, *made.steps, *made.spare, *made.notes]
    for text in (*texts, *links, *parts, *ends):
        assert text.replace("`", "") in words
    assert made.legend in words
    for row in made.rows:
        for end, spots in zip(made.ends, row.spots, strict=True):
            for spot in spots:
                assert end.pressed or f"{spot.name} {spot.place}" in words
    soldered = [
        spots for row in made.rows for end, spots in zip(made.ends, row.spots, strict=True) if not end.pressed
    ]
    assert sum(map(len, soldered)) == page(profile(name)).count('class="place"')


def test_what_is_not_confirmed_stands_before_the_parts_where_there_is_any() -> None:
    made = replace(profile(LEAD), to_confirm=("which row is `odd`", "<b>"))
    words = Lying(page(made)).flow
    assert 0 < words.index("Not yet confirmed:") < words.index("which row is odd") < words.index("Parts")
    assert "<b>" in words
    assert "Not yet confirmed" not in Lying(page(profile(LEAD))).flow


def test_what_is_joined_at_an_end_says_so_in_its_place_there() -> None:
    made = sheet(profile(LEAD))
    (strand,) = made.strands
    one, *others = strand.rows
    one = replace(one, spots=(one.spots[0], ()), asides=("", "join to B.9"))
    text = build_page(profile(LEAD), replace(made, strands=(replace(strand, rows=(one, *others)),)))
    assert b'<td><span class="remark">join to B.9</span></td>' in text


def test_hostile_words_stay_words(hostile: Profile) -> None:
    read = Lying(page(hostile))
    assert "</td><img src=x>" in read.data["span"]
    assert "' onclick='alert(1)" in read.data["span"]
    assert "{{ 7 * 7 }}" in read.words
    assert LABEL in read.words


@pytest.mark.parametrize("made", library_profiles(library_folders()), ids=lambda made: made.id)
def test_every_profile_of_the_library_has_a_page(made: Profile) -> None:
    first, again = (build_page(made, sheet(made)) for _ in range(2))
    assert first == again
    assert not Lying(first.decode("utf-8")).inside
    pins = {str(pin) for pin in made.pins()}
    drawn = re.findall(rb'data-pin="([^"]+)"', first)
    assert {pin.encode() for pin in pins} == set(drawn)
    assert all(drawn.count(pin.encode()) == 2 for pin in pins)  # upright, and in the whole cable
    lines = {frozenset(line.split()) for line in re.findall(r'data-pins="([^"]+)" ?/>', first.decode())}
    for row in sheet(made).rows:  # each conductor has a line of its own, whatever it is joined to
        assert len(row.pins) != 2 or frozenset(row.pins) in lines, row


# The drawings of the ends


@pytest.mark.parametrize(
    ("id", "end", "side"),
    [
        (LEAD, "A", "front"),
        (LEAD, "B", "behind"),
        (LEAD, "B", "front"),
        (DSUB, "A", "behind"),
        ("din5-generic-five-core", "B", "behind"),
        ("trs-insert-y", "A", "front"),
        ("woven-40", "B", "behind"),
    ],
)
def test_pictures_of_ends_that_somebody_has_looked_at(id: str, end: str, side: str) -> None:
    made = profile(id)
    (own,) = [one for one in made.ends if one.name == end]
    picture = end_picture(own, sheet(made, **{end: side}))
    file = GOLDEN / f"{id}-{end}-{side}.svg"
    if os.environ.get("PINWRIGHT_REGENERATE"):
        file.write_text(picture, encoding="utf-8")
    assert file.read_text(encoding="utf-8") == picture


def test_a_pin_lies_in_the_drawing_where_the_list_says() -> None:
    made = profile(LEAD)
    for side, left in (("front", "1"), ("behind", "40")):
        told = sheet(made, B=side)
        root = ElementTree.fromstring(end_picture(made.ends[1], told))
        places = {}
        for one in root.iter():
            if pin := one.get("data-pin"):
                half = float(one.get("width", "0")) / 2
                x, y = (
                    float(one.get(key) or one.get(other, "0")) for key, other in (("cx", "x"), ("cy", "y"))
                )
                places[pin.removeprefix("B.")] = (x + half, y + half)
        xs = [x for x, _ in places.values()]
        middle = (min(xs) + max(xs)) / 2
        assert left == min(places, key=lambda pin: (round(places[pin][1], 1), places[pin][0]))
        for row in told.rows:
            (spot,) = row.spots[1]
            assert ("left row" in spot.place) is (places[spot.name][0] < middle)


# In a browser


@pytest.fixture(scope="session")
def browser(
    tool: Callable[..., bytes], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Callable[[], Browser]]:
    """One Chromium for all these tests, a new tab's worth of it each time."""
    if os.name != "posix":
        pytest.skip("the browser is spoken to over pipes of POSIX")
    tool("chromium", "--version", package="chromium")
    found = str(shutil.which("chromium"))
    home = tmp_path_factory.mktemp("chromium")
    running = Browser([found, *CHROMIUM, f"--user-data-dir={home}"])
    yield lambda: running
    running.close()


@pytest.fixture(scope="session")
def files(tmp_path_factory: pytest.TempPathFactory, hostile: Profile) -> Mapping[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    made = {id: profile(id) for id in (LEAD, DSUB, LINKED, WIDE, "woven-40", "scsi50-ribbon-straight")}
    for id, one in {**made, "hostile": hostile}.items():
        (folder / f"{id}.html").write_text(page(one), encoding="utf-8")
    return {file.stem: file for file in folder.iterdir()}


@pytest.fixture
def opened(browser: Callable[[], Browser], files: Mapping[str, Path]) -> Iterator[Callable[[str], Browser]]:
    """A page as it was shipped, nothing ticked yet. Nothing in it may go wrong, or be asked of a network."""
    tab = browser()

    def opened(id: str) -> Browser:
        tab.open(files[id])
        tab.run("localStorage.clear()")
        tab.open(files[id])
        return tab

    yield opened
    assert not tab.errors
    assert {address.partition("#")[0] for address in tab.asked} <= {one.as_uri() for one in files.values()}


def lit(tab: Browser, what: str) -> list[str]:
    """What is lit of these: the keys of rows, pins, pins of lines and of labels, for each element."""
    names: list[str] = tab.run(
        f"[...document.querySelectorAll('{what}')].filter(one => one.matches('.lit')).map(one =>"
        " one.dataset.key || one.dataset.pin || one.dataset.of || one.dataset.pins)"
    )
    return names


def everything(tab: Browser) -> tuple[list[str], list[str], list[str], list[str]]:
    """Rows, pins, labels and lines that are lit."""
    rows, pins = lit(tab, "tr"), lit(tab, "svg [data-pin]")
    return (
        rows,
        sorted(pins),
        sorted(lit(tab, "svg [data-of]")),
        list(dict.fromkeys(lit(tab, "svg [data-pins]"))),
    )


NINE = (["A-9"], ["A.9", "A.9", "B.36", "B.36"], ["A.9", "B.36"], ["A.9 B.36"])
DARK: tuple[list[str], ...] = ([], [], [], [])


@pytest.mark.parametrize(
    "what",
    [
        "tr[data-key=A-9] .number",
        "tr[data-key=A-9] .place",
        'figure svg [data-pin="B.36"]',
        '.picture svg [data-pin="A.9"]',
        'figure svg [data-of="B.36"]',
    ],
)
def test_a_conductor_lights_up_everywhere_when_it_or_a_pin_of_it_is_clicked_tapped_or_pointed_at(
    opened: Callable[[str], Browser], what: str
) -> None:
    tab = opened(LEAD)
    assert everything(tab) == DARK
    tab.point(what)
    assert everything(tab) == NINE
    tab.point("h1")
    assert everything(tab) == DARK
    tab.click(what)
    tab.point("h1")
    assert everything(tab) == NINE
    told = tab.run("document.getElementById('told').textContent")
    assert (
        "conductor 9, GND: A.9 (odd row, fifth from the top) – B.36 (right row, fifth from the top)" == told
    )
    tab.click(what)
    tab.point("h1")
    assert everything(tab) == DARK
    tab.tap(what)
    assert everything(tab) == NINE
    tab.click("h1")
    assert everything(tab) == DARK


def test_a_signal_lights_up_all_of_its_conductors(opened: Callable[[str], Browser]) -> None:
    tab, made = opened(LEAD), sheet(profile(LEAD))
    grounds = [row for row in made.rows if row.signal == "GND"]
    expected = (
        [row.key for row in grounds],
        sorted(2 * [pin for row in grounds for pin in row.pins]),
        sorted(pin for row in grounds for pin in row.pins),
        [" ".join(row.pins) for row in grounds],
    )
    assert len(grounds) == 9
    for what in ("tr[data-key=A-9] .signal", "li .signal"):
        tab.click(what)
        rows, pins, labels, lines = everything(tab)
        assert expected == (rows, pins, labels, sorted(lines, key=expected[3].index))
        assert "GND: conductors 1, 3, 9, 14" in tab.run("document.getElementById('told').textContent")
        tab.press("Escape")
        assert everything(tab) == DARK


def test_a_pin_that_is_linked_lights_up_its_link(opened: Callable[[str], Browser]) -> None:
    tab = opened(LINKED)
    tab.click('figure svg [data-pin="A.20"]')
    assert ["link-1"] == lit(tab, "[data-key]")
    assert {"A.18", "A.25", "B.19", "B.33"} <= set(lit(tab, "svg [data-pin]"))


def test_the_keyboard_reaches_everything(opened: Callable[[str], Browser]) -> None:
    tab = opened(LEAD)
    tab.click("h1")

    def at() -> str:
        name: str = tab.run(
            "(one => one.dataset.pin || (one.closest('tr') || one).dataset.key || one.tagName)"
            "(document.activeElement)"
        )
        return name

    stops = []
    for _ in range(80):
        tab.press("Tab")
        stops.append(at())
    # A drawing is one stop, and so is the column of conductors.
    assert ["A.1", "B.1"] == [stop for stop in stops if "." in stop][:2]
    tab.press("Tab", "Tab")
    tab.run("document.querySelector('tr[data-key=A-1] .number').focus()")
    tab.press(*["ArrowDown"] * 8)
    assert "A-9" == at()
    assert everything(tab) == NINE
    tab.press("ArrowRight", "ArrowLeft", "Enter")
    pressed = "document.activeElement.getAttribute('aria-pressed')"
    assert ("A-9", "true") == (at(), tab.run(pressed))
    tab.press("ArrowDown")  # what is held goes along
    assert (["A-10"], "true") == (lit(tab, "tr"), tab.run(pressed))
    tab.press("Escape")
    assert everything(tab) == DARK
    assert "false" == tab.run(pressed)
    tab.press("End")
    assert "A-40" == at()
    tab.press("Home", " ")
    assert ("A-1", "true") == (at(), tab.run(pressed))
    tab.press("Escape")
    tab.run("document.querySelector('figure:last-of-type svg [data-pin=\"B.40\"]').focus()")
    tab.press(*["ArrowDown"] * 4)
    assert "B.36" == at()
    assert everything(tab) == NINE
    tab.press("ArrowLeft")
    assert "B.5" == at()
    label = "document.activeElement.getAttribute('aria-label')"
    assert tab.run(label).startswith("pin B.5: conductor 10, D4: A.10 (even row, fifth from the top)")
    tab.press("Tab", shift=True)
    tab.press("Tab")
    assert "B.5" == at()  # where it was left


def test_what_has_the_focus_and_what_is_lit_can_be_seen_without_colour(
    opened: Callable[[str], Browser],
) -> None:
    tab = opened(LEAD)

    def style(selector: str, name: str) -> str:
        value: str = tab.run(f"getComputedStyle(document.querySelector('{selector}')).{name}")
        return value

    pin, line = 'figure svg [data-pin="B.36"]', '.picture svg [data-pins="A.9 B.36"]'
    before = (
        float(style(pin, "strokeWidth").removesuffix("px")),
        float(style(line, "strokeWidth").removesuffix("px")),
    )
    tab.click("h1")
    tab.press("Tab")
    tab.run("document.querySelector('tr[data-key=A-9] .number').focus()")
    assert "solid 3px" in style("tr[data-key=A-9] .number", "outline")
    assert "underline" in style("tr[data-key=A-9] .number", "textDecoration")
    assert "none" != style("tr[data-key=A-9] td", "boxShadow")
    assert float(style(pin, "strokeWidth").removesuffix("px")) > 3 * before[0]
    assert float(style(line, "strokeWidth").removesuffix("px")) > 3 * before[1]
    assert "1" == style(line, "opacity")
    assert float(style('.picture svg [data-pins="A.2 B.1"]', "opacity")) < 0.5
    tab.run(f"document.querySelector('{pin}').focus()")
    tab.press("ArrowDown")
    assert float(style('figure svg [data-pin="B.35"]', "strokeWidth").removesuffix("px")) > 3 * before[0]


def test_ticks_are_kept_for_this_profile_and_no_other(
    opened: Callable[[str], Browser], files: Mapping[str, Path]
) -> None:
    tab, counted = opened(LEAD), "document.getElementById('counted').textContent"
    assert "0 of 40 done" == tab.run(counted)
    tab.click("[id=tick-A-9]")
    tab.click("[id=step-1]")
    assert everything(tab) == DARK  # a tick lights nothing
    assert "1 of 40 done" == tab.run(counted)
    ticked = "[...document.querySelectorAll('input:checked')].map(one => one.id)"
    tab.open(files[DSUB])
    assert [] == tab.run(ticked)
    tab.open(files[LEAD])
    assert ["step-1", "tick-A-9"] == tab.run(ticked)
    assert tab.run("document.querySelector('tr[data-key=A-9]').classList.contains('done')")
    tab.click("#clear")
    assert "0 of 40 done" == tab.run(counted)
    tab.open(files[LEAD])
    assert [] == tab.run(ticked)


@pytest.mark.parametrize("kept", ["{", "null", "[7, null]"])
def test_what_is_kept_under_its_name_and_makes_no_sense_does_no_harm(
    opened: Callable[[str], Browser], files: Mapping[str, Path], kept: str
) -> None:
    tab = opened(LEAD)
    tab.click("[id=tick-A-9]")
    tab.run(f"localStorage.setItem(Object.keys(localStorage)[0], {kept!r})")
    tab.open(files[LEAD])
    assert "0 of 40 done" == tab.run("document.getElementById('counted').textContent")
    tab.click("tr[data-key=A-9] .number")
    assert everything(tab) == NINE


def test_a_browser_that_keeps_nothing_shows_ticks_as_long_as_the_page(
    opened: Callable[[str], Browser], files: Mapping[str, Path]
) -> None:
    tab = opened(LEAD)
    source = "Object.defineProperty(window, 'localStorage', {get() { throw new Error('none'); }})"
    added = tab.ask("Page.addScriptToEvaluateOnNewDocument", source=source)["identifier"]
    tab.open(files[LEAD])
    tab.click("[id=tick-A-9]")
    assert "1 of 40 done" == tab.run("document.getElementById('counted').textContent")
    tab.ask("Page.removeScriptToEvaluateOnNewDocument", identifier=added)


def test_hostile_words_run_nothing_and_light_up_as_any_other(opened: Callable[[str], Browser]) -> None:
    tab = opened("hostile")
    tab.click("tr[data-key=A-2] .signal")
    assert ["A-2"] == lit(tab, "tr")
    assert "conductor 2, ' onclick='alert(1): " in tab.run("document.getElementById('told').textContent")
    assert 0 == tab.run("document.querySelectorAll('img, main script, [onclick], [autofocus]').length")


def test_the_drawings_of_a_page_have_one_scale(opened: Callable[[str], Browser]) -> None:
    for id, width in ((LEAD, 820), (LINKED, 820), ("woven-40", 1200), (LEAD, 360)):
        tab = opened(id)
        size = {"width": width, "height": 1180, "deviceScaleFactor": 1, "mobile": False}
        tab.ask("Emulation.setDeviceMetricsOverride", **size)
        scales = tab.run(
            "[...document.querySelectorAll('figure svg')].map(one => one.getBoundingClientRect().width"
            " / one.viewBox.baseVal.width)"
        )
        assert scales == pytest.approx([scales[0]] * len(scales), rel=0.01), (id, width)
    tab.ask("Emulation.setDeviceMetricsOverride", **{**size, "width": 768, "height": 1024})


def test_no_page_is_wider_than_a_tablet_or_a_telephone(opened: Callable[[str], Browser]) -> None:
    for width in (768, 360):
        for id in (LEAD, "woven-40", "hostile"):
            tab = opened(id)
            size = {"width": width, "height": 1024, "deviceScaleFactor": 1, "mobile": False}
            tab.ask("Emulation.setDeviceMetricsOverride", **size)
            assert tab.run("document.documentElement.scrollWidth") <= width, (id, width)
    tab.ask("Emulation.setDeviceMetricsOverride", **{**size, "width": 768})


def test_a_page_prints_on_one_or_two_pages(
    opened: Callable[[str], Browser], tool: Callable[..., bytes], tmp_path: Path
) -> None:
    for id in (LEAD, "woven-40", "scsi50-ribbon-straight", WIDE):
        tab = opened(id)
        made = tab.ask("Page.printToPDF", preferCSSPageSize=True, printBackground=True)["data"]
        (tmp_path / "x.pdf").write_bytes(base64.b64decode(made))
        told = tool("pdfinfo", tmp_path / "x.pdf", package="poppler-utils").decode()
        assert re.search(r"Pages: +[12]\n", told), (id, told)
        text = tool("pdftotext", "-layout", tmp_path / "x.pdf", "-", package="poppler-utils").decode()
        assert "Point at a conductor" not in text
        assert "In this order" in text
    wide = "1 nStrobe 1 long row, thirteenth from the left 1 row of pins 1 to 18, eighteenth from the left"
    assert wide in " ".join(text.split())  # nothing lies on anything else


def test_without_its_script_a_page_lies_there_as_paper_does(
    opened: Callable[[str], Browser], files: Mapping[str, Path]
) -> None:
    tab = opened(LEAD)
    tab.ask("Emulation.setScriptExecutionDisabled", value=True)
    tab.open(files[LEAD])
    tab.click("[id=tick-A-9]")
    tab.ask("Emulation.setScriptExecutionDisabled", value=False)
    assert ["tick-A-9"] == tab.run("[...document.querySelectorAll('input:checked')].map(one => one.id)")
    assert 0 == tab.run("document.querySelectorAll('[role=button]').length")
    assert tab.run("document.getElementById('clear').hidden")
