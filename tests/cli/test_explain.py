"""`pinwright explain`: what a scan said of a cable is said again from its file, and no file bites."""

from __future__ import annotations

import errno
import io
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import Any

import pytest

from pinwright.cli import explain
from pinwright.library import LoadedProfile, library_folders, library_profiles, read_profile
from pinwright.link import drive
from pinwright.records.record import MOST_BYTES
from pinwright.sheets.documents import DRAWN_BY

from ..records.making import OPEN_AND_JOINED, SWAPPED, TEXT, a_record, changed, kept, members, sealed
from .test_hostile import BITING, assert_harmless, assert_shown_or_refused

posix = pytest.mark.skipif(os.name != "posix", reason="pipes and devices of POSIX")
GROUNDS = [f"{end}.{n}" for n in range(1, 20, 2) for end in "AB"]
BACKPLANE = f"""\
[cable]
id = "backplane"
title = "Ground bus, 10 pins at each end"
[ends.A]
connector = "idc-2x10"
[ends.B]
connector = "idc-2x10"
[wiring]
wires = [{json.dumps(GROUNDS)}, ["A.2", "B.2"]]
"""
Links = list[tuple[list[str], dict[str, Any]]]


def nets(profile: Any) -> Links:
    return [([str(pin) for pin in net.pins], {}) for net in profile.nets]


def good(links: Links) -> Links:
    return links


def swapped(links: Links) -> Links:
    (one, _), (other, _) = links[2], links[5]
    one[1], other[1] = other[1], one[1]
    return links


def open_and_bridged(links: Links) -> Links:
    del links[3]
    return [*links, ([links[5][0][0], links[6][0][0]], {"ohms": 1.6})]


def bad_joints(links: Links) -> Links:
    for number, ohms in ((1, 14.4), (4, 38.0)):
        links[number] = (links[number][0], {"ohms": ohms})
    return links


def leaking(links: Links) -> Links:
    return [*links, ([links[1][0][0], links[7][0][0]], {"ohms": 41_234.0})]


def nothing(links: Links) -> Links:
    return []


def ends_exchanged(links: Links) -> Links:
    """Of the woven lead: the plugs A and C, which are alike."""
    other = {"A": "C", "C": "A"}
    return [([f"{other.get(pin[0], pin[0])}{pin[1:]}" for pin in pins], more) for pins, more in links]


def exchanged_and_swapped(links: Links) -> Links:
    return ends_exchanged(swapped(links))


def a_long_net_in_two(links: Links) -> Links:
    pins = links[0][0]
    return [(pins[:8], {}), (pins[8:], {}), *links[1:]]


NO_LANE, NO_CALIBRATION = 'lane = "none"', 'lane = "uncalibrated"'
# Profile, what is done to a good cable, the tester, more words of the scan, kinds of findings at least.
BENCHES: tuple[tuple[str, Callable[[Links], Links], str, tuple[str, ...], str], ...] = (
    ("lamp-changer-40", good, "", (), ""),
    ("lamp-changer-40", good, "", ("--max-ohms", "2.25"), ""),
    ("lamp-changer-40", swapped, "", (), "swap"),
    ("lamp-changer-40", swapped, NO_LANE, ("--serial", "X-1", "--operator", "O. Perator"), "swap"),
    ("lamp-changer-40", bad_joints, "", (), "resistive"),
    ("lamp-changer-40", bad_joints, "", ("--max-ohms", "20"), "resistive"),
    ("lamp-changer-40", leaking, "", (), "leakage"),
    ("straight-34", open_and_bridged, NO_CALIBRATION, ("--at", "A=J2", "B=J1"), "open short"),
    ("straight-34", nothing, "", (), "absent"),
    ("service-lead-9", swapped, "", (), "swap"),
    ("woven-40", ends_exchanged, NO_LANE, (), "socket"),
    ("woven-40", exchanged_and_swapped, "", (), "socket swap"),
    ("raw-ribbon-40", leaking, NO_CALIBRATION, (), "leakage"),
    ("BACKPLANE", a_long_net_in_two, "", (), "open"),
    ("BACKPLANE", good, "", (), ""),
)

_MEASURED: dict[tuple[object, ...], list[Any]] = {}


@contextmanager
def measured_once(key: tuple[object, ...]) -> Iterator[None]:
    """Where the very same is scanned again, all is done anew but the measurement: a virtual tester measures
    the same every time, and takes its time. key: the cable, what was done to it, and the tester."""
    told: list[Any] = []
    remembered = iter(_MEASURED.get(key, ()))

    def asked(run: Any, line: Any) -> Any:
        told.append(next(remembered) if key in _MEASURED else drive(run, line))
        return told[-1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("pinwright.cli.proving.drive", asked)
        if key in _MEASURED:
            patch.setattr("pinwright.cli.scan.opened", lambda *_: nullcontext())
        yield
    _MEASURED[key] = told


@pytest.fixture
def scanned(pinwright: Any, profile_of: Any, tmp_path: Path) -> Callable[..., tuple[Any, Path, str]]:
    """Scan a cable to which something was done: the run, the file with its document, and its profile."""

    def scanned(
        name: str, done: Callable[[Links], Links], tester: str = "", *words: object, json: bool = True
    ) -> tuple[Any, Path, str]:
        if name == "BACKPLANE":
            name = str(tmp_path / "backplane.toml")
            Path(name).write_text(BACKPLANE)
        links = done(nets(read_profile(name).profile if name.endswith(".toml") else profile_of(name)))
        tables = "".join(
            f"[[link]]\npins = {pins}\n" + "".join(f"{key} = {value}\n" for key, value in more.items())
            for pins, more in links
        )
        bench, file = tmp_path / "bench.toml", tmp_path / "scan.json"
        bench.write_text(f"{tables}{tester and '[tester]'}\n{tester}\n")
        keep = () if "--records" in words else ("--no-certificate",)
        sockets = [word for word in words if "=" in str(word)]  # no other words matter to the tester
        with measured_once((name.rpartition("/")[2], tables, tester, *sockets)):
            ran = pinwright("scan", name, "--port", f"sim:{bench}", *keep, *words, *["--json"] * json)
        if json:
            file.write_text(ran.out)
        return ran, file, name

    return scanned


@pytest.fixture
def saved(scanned: Any) -> Path:
    """The file of a scan of a lead with crossed conductors."""
    file: Path = scanned("lamp-changer-40", swapped)[1]
    return file


@pytest.fixture
def said_on_standard_input(monkeypatch: pytest.MonkeyPatch) -> Callable[[bytes], None]:
    def said(data: bytes) -> None:
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data)))

    return said


def heart(out: str) -> str:
    """What is said of the cable, from its findings to its verdict."""
    return out.split("\n\n", 1)[1].split("\nPASS")[0].split("\n      fault report")[0].rstrip("\n")


def without_ohms(out: str) -> str:
    """Without figures, which a printed scan rounds, and without the folds of lines that depend on them."""
    return " ".join(re.sub(r"[0-9.]+ [kM]?Ω", "Ω", out).split())


@pytest.mark.parametrize(
    ("name", "done", "tester", "words", "kinds"),
    BENCHES,
    ids=[" ".join((one[0], one[1].__name__, one[2], *one[3])) for one in BENCHES],
)
def test_a_saved_scan_is_explained_as_it_was_at_the_scan(
    name: str,
    done: Callable[[Links], Links],
    tester: str,
    words: tuple[str, ...],
    kinds: str,
    scanned: Any,
    pinwright: Any,
) -> None:
    scan, file, profile = scanned(name, done, tester, *words)
    given = ("--profile", profile) if name == "BACKPLANE" else ()
    ran = pinwright("explain", file, "--json", *given)
    assert (scan.status, "") == (ran.status, ran.err)
    assert {*kinds.split()} <= {finding["kind"] for finding in ran.document["findings"]}
    members = ("verdict", "profile", "serial", "findings", "ribbon", "serves")  # the last two of raw material
    same = {key: scan.document[key] for key in members if key in scan.document}
    assert {"schema": "pinwright/explain-1", **same} == ran.document
    shown = pinwright("explain", file, "-v", *given)
    assert scan.status == shown.status
    scan = scanned(name, done, tester, *words, "-v", json=False)[0]
    assert without_ohms(heart(scan.out)) == without_ohms(heart(shown.out))


def test_the_library_is_read_only_where_something_does_not_conduct_as_it_should(
    scanned: Any, pinwright: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[object] = []
    monkeypatch.setattr(explain, "library_profiles", lambda folders: read.append(folders) or ())
    for done, count in ((good, 0), (bad_joints, 0), (swapped, 1)):
        pinwright("explain", scanned("lamp-changer-40", done)[1])
        assert count == len(read)


def test_a_scan_that_failed(saved: Path, pinwright: Any, golden: Any) -> None:
    when = json.loads(saved.read_text())["started"]
    golden("explain-bad", pinwright("explain", saved), started=when)


def test_a_scan_that_passed(scanned: Any, pinwright: Any, golden: Any) -> None:
    scan, file, _ = scanned("lamp-changer-40", good, "")
    golden("explain-good", pinwright("explain", file, "-v"), started=scan.document["started"])


def test_a_scan_that_passed_without_ohms_says_so(scanned: Any, pinwright: Any) -> None:
    ran = pinwright("explain", scanned("straight-34", good, NO_LANE)[1])
    assert 0 == ran.status
    for text in ("there is nothing to explain", "continuity only", "no cable was tested", "no ohms lane"):
        assert text in ran.out


def test_a_record_is_explained_as_the_scan_was_and_so_is_what_was_drawn_from_it(
    scanned: Any, pinwright: Any, tmp_path: Path
) -> None:
    for name, done in (("woven-40", exchanged_and_swapped), ("lamp-changer-40", bad_joints)):
        place = tmp_path / name
        scan, _, _ = scanned(name, done, "", "--records", place, json=False)
        files = sorted(place.glob("[!.]*"))
        assert [".html", ".json", ".pdf"] == [file.suffix for file in files]
        for file in files:
            ran = pinwright("explain", file)
            assert (1, "") == (ran.status, ran.err)
            assert f"record {file.name.split('.report')[0]}, of " in ran.out
            assert heart(scan.out) == heart(ran.out)
        record = next(place.glob("*.json"))
        anew = tmp_path / "anew.json"
        anew.write_text(
            pinwright("records", "show", record.name.split(".")[0], "--records", place, "--json").out
        )
        assert heart(scan.out) == heart(pinwright("explain", anew).out)


def test_a_good_record_has_nothing_to_be_explained(pinwright: Any, tmp_path: Path) -> None:
    path = kept(tmp_path, a_record(lane="calibrated"))
    for file in (path, path.with_suffix(".pdf"), path.with_suffix(".html")):
        ran = pinwright("explain", file)
        assert (0, "") == (ran.status, ran.err)
        assert "there is nothing to explain" in ran.out
        assert "whoever had this file" not in ran.out


def test_standard_input_is_read(
    saved: Path, pinwright: Any, said_on_standard_input: Any, tmp_path: Path
) -> None:
    said_on_standard_input(saved.read_bytes())
    ran = pinwright("explain", "-", "--json")
    assert pinwright("explain", saved, "--json") == ran
    said_on_standard_input(saved.read_text().encode("utf-16"))  # what some shells write with `>`
    assert ran == pinwright("explain", "-", "--json")
    said_on_standard_input(sealed(a_record(SWAPPED)))
    assert "1. A.1–B.1 and A.2–B.2 are exchanged" in pinwright("explain", "-").out


@posix
def test_a_scan_can_be_piped_into_it(command: Any, surroundings: Any, process: Any) -> None:
    scan = process("scan", "straight-34", "--port", "sim", "--no-certificate", "--json")
    piped = subprocess.run(
        command("explain", "-"),
        input=scan.out,
        env=surroundings(),
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert (0, "") == (piped.returncode, piped.stderr)
    assert "there is nothing to explain" in piped.stdout
    endless = subprocess.Popen(["yes", "{}"], stdout=subprocess.PIPE)
    try:
        refused = subprocess.run(
            command("explain", "-"),
            stdin=endless.stdout,
            env=surroundings(),
            capture_output=True,
            text=True,
            timeout=60,
        )
    finally:
        endless.kill()
        endless.wait(10)
        assert endless.stdout is not None
        endless.stdout.close()
    assert 2 == refused.returncode
    assert f"error: standard input is larger than {MOST_BYTES} bytes" in refused.stderr


# The profile


def test_the_profile_has_to_be_that_of_the_scan(scanned: Any, pinwright: Any, tmp_path: Path) -> None:
    _, file, profile = scanned("BACKPLANE", a_long_net_in_two)
    ran = pinwright("explain", file)
    assert ran.error(2).startswith("no profile has the id `backplane` in ")
    assert "hint: `--profile FILE` names the profile as it was at the scan" in ran.err
    assert 1 == pinwright("explain", file, "--profile", profile).status
    other = tmp_path / "other.toml"
    other.write_text(BACKPLANE + "\n")
    ran = pinwright("explain", file, "--profile", other)
    assert ran.error(2).startswith(
        f"the profile in `{other}` is another than the one that the cable was scanned"
    )
    assert "a kept record of the scan has it in it" in ran.err
    assert "another than the one" in pinwright("explain", file, "--profile", "straight-34").error(2)
    assert "no profile has the id `x`" in pinwright("explain", file, "--profile", "x").error(2)
    other.write_text("[cable]\n")
    assert f"profile `{other}`" in pinwright("explain", file, "--profile", other).error(2)
    assert "no such file" in pinwright("explain", file, "--profile", tmp_path / "gone.toml").error(2)


def test_a_profile_of_the_library_that_changed_since_is_refused(
    saved: Path, pinwright: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = (library_folders()[0] / "workshop" / "lamp-changer-40.toml").read_text()
    (tmp_path / "library").mkdir()
    (tmp_path / "library" / "lamp.toml").write_text(text.replace('revision = "B"', 'revision = "C"'))
    monkeypatch.setattr(explain, "library_folders", lambda: (tmp_path / "library",))
    assert "another than the one that the cable was scanned against" in pinwright("explain", saved).error(2)


def test_the_id_in_a_file_names_no_file(saved: Path, pinwright: Any, tmp_path: Path) -> None:
    doc = json.loads(saved.read_text())
    lead = library_folders()[0] / "workshop" / "lamp-changer-40.toml"
    for id in (str(lead), "../lamp-changer-40", "lamp-changer-40.toml", "", "x" * 65, "\x1b[2J"):
        saved.write_text(json.dumps(changed(doc, "profile.id", id)))
        assert "it lacks what a saved scan holds" in pinwright("explain", saved).error(2)


def test_a_record_brings_its_own_profile(pinwright: Any, tmp_path: Path) -> None:
    path = kept(tmp_path, a_record(SWAPPED))
    assert "goes without `--profile`" in pinwright("explain", path, "--profile", "straight-34").error(2)


def test_the_library_is_all_that_can_be_read(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(TEXT)
    (tmp_path / "b.toml").write_text("[cable]")
    (tmp_path / "c.toml").write_bytes(b"\xff")
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "d.toml").write_text(TEXT.replace('"five"', '"six"'))
    assert ["five"] == [profile.id for profile in library_profiles((tmp_path,))]
    shipped = library_profiles(library_folders())
    assert all(
        isinstance(read_profile(path), LoadedProfile) for path in library_folders()[0].glob("standard/*")
    )
    assert {"lamp-changer-40", "woven-40"} <= {profile.id for profile in shipped}


# Wrong sockets


def test_where_the_tester_is_not_known_the_sockets_found_then_are_told(scanned: Any, pinwright: Any) -> None:
    scan, file, _ = scanned("woven-40", exchanged_and_swapped)
    told = scan.document["findings"]
    assert ["socket", "swap"] == [finding["kind"] for finding in told]
    for path, value in (("tester.fixture", "another"), ("tester.fixture", None), ("adapters.A", "x")):
        file.write_text(json.dumps(changed(scan.document, path, value)))
        ran = pinwright("explain", file, "--json")
        assert (1, told) == (ran.status, ran.document["findings"])
    shown = pinwright("explain", file)
    assert "FAIL  2 faults; plug it in as said and scan again" in shown.out


def test_sockets_that_do_not_explain_a_scan_are_not_told(scanned: Any, pinwright: Any) -> None:
    scan, file, _ = scanned("woven-40", swapped)
    finding = {**scan.document["findings"][0], "kind": "socket", "text": "end A is in J2"}
    file.write_text(json.dumps(changed(scan.document, ("findings", 0), finding)))
    told = pinwright("explain", file, "--json").document["findings"]
    assert scan.document["findings"] == told


# What is wrong with a file


def test_a_file_that_is_none_is_named(pinwright: Any, tmp_path: Path, saved: Path) -> None:
    gone = tmp_path / "gone.json"
    assert f"`{gone}`: no such file" == pinwright("explain", gone).error(2)
    assert f"`{tmp_path}` cannot be read: " in pinwright("explain", tmp_path).error(2)
    assert "`./.` cannot be read: " in pinwright("explain", "./.").error(2)
    assert "cannot be read" in pinwright("explain", "a\0b").error(2)
    assert "cannot be read" in pinwright("explain", "").error(2)
    assert "FILE" in pinwright("explain").error(2)
    large = tmp_path / "large.json"
    with large.open("wb") as file:
        file.truncate(MOST_BYTES + 1)
    assert f"it is larger than {MOST_BYTES} bytes" in pinwright("explain", large).error(2)
    document = pinwright("explain", gone, "--json").document
    assert ("pinwright/error-1", 2, f"`{gone}`: no such file") == (
        document["schema"],
        document["status"],
        document["message"],
    )
    assert document["hint"].startswith("`pinwright scan PROFILE --json > scan.json` saves a scan")


@posix
def test_a_pipe_or_a_device_is_not_waited_for(pinwright: Any, tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    ran = pinwright("explain", pipe)
    assert f"`{pipe}` cannot be read: it is no regular file" == ran.error(2)
    assert "`-` reads standard input" in ran.err
    assert "`/dev/zero` cannot be read: it is no regular file" == pinwright("explain", "/dev/zero").error(2)


def test_standard_input_that_cannot_be_read_is_said(pinwright: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    class Broken(io.RawIOBase):
        def read(self, size: int = -1) -> bytes:
            raise OSError(errno.EIO, "Input/output error")

    class Stdin:
        buffer = Broken()

    monkeypatch.setattr(sys, "stdin", Stdin())
    assert "standard input cannot be read: Input/output error" == pinwright("explain", "-").error(2)
    monkeypatch.setattr(sys, "stdin", None)
    assert "standard input is closed" == pinwright("explain", "-").error(2)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "it is empty"),
        (b"\x00\x01\x02\xff" * 99, "it is not "),
        (b"PASS", "it is not JSON: Expecting value at character 0"),
        (b"[" * 100_000, "it holds a value that no saved scan can hold"),
        (b'{"schema": "pinwright/scan-1", "x": NaN}', "it holds NaN, which is not a JSON value"),
        (b'{"schema": "pinwright/scan-1"}', "it lacks what a saved scan holds"),
        (b'{"schema": "pinwright/record-1"}', "it has no seal"),
        (b'{"schema": "pinwright/profiles-1"}', "its schema is `pinwright/profiles-1`, where "),
        (b'{"schema": "pinwright/error-1"}', "it is the error of a command"),
        (b"%PDF-1.7", "it has no seal of ours where one should be"),
    ],
)
def test_what_is_no_saved_scan_is_refused(
    data: bytes, said: str, pinwright: Any, tmp_path: Path, said_on_standard_input: Any
) -> None:
    file = tmp_path / "x.json"
    file.write_bytes(data)
    ran = pinwright("explain", file)
    assert ran.error(2).startswith(f"`{file}` cannot be explained: {said}")
    assert "hint: " in ran.err
    assert 2 == pinwright("explain", file, "--json").document["status"]
    said_on_standard_input(data)
    assert pinwright("explain", "-").error(2).startswith(f"standard input cannot be explained: {said}")


def test_a_verdict_is_never_taken_on_trust(saved: Path, pinwright: Any) -> None:
    doc = json.loads(saved.read_text())
    assert "fail" == doc["verdict"]
    for changes in ({"verdict": "pass"}, {"verdict": "pass", "missing": [], "extra": [], "findings": []}):
        saved.write_text(json.dumps({**doc, **changes}))
        for words in ((), ("--json",)):
            ran = pinwright("explain", saved, *words)
            assert 2 == ran.status
            assert "it does not hold together: " in (ran.document["message"] if words else ran.error(2))


@pytest.mark.parametrize("of", ["a scan", "a record"])
def test_a_member_in_another_form_is_refused_or_does_not_matter(
    of: str, pinwright: Any, tmp_path: Path
) -> None:
    """Every member of a saved scan that is looked at, as whatever a program may take for nothing."""
    record = changed(a_record(SWAPPED, lane="calibrated"), "scan.adapters", {"A": None})
    file, profile = tmp_path / "scan.json", tmp_path / "five.toml"
    profile.write_text(TEXT)
    paths = [path for path in members(record["scan"]) if path[0] not in ("links", "counts", "timings_us")]
    paths = [path for path in paths if of == "a scan" or path[0] in ("tester", "sockets", "adapters")]
    refused = set()
    for path in paths:
        for value in ([], {}) if of == "a scan" else ([],):
            if of == "a scan":
                file.write_text(json.dumps(changed(record["scan"], path, value)))
                ran = pinwright("explain", file, "--profile", profile)
            else:
                file.write_bytes(sealed(changed(record, ("scan", *path), value)))
                ran = pinwright("explain", file)
            assert ran.status in (1, 2), (path, value)
            refused |= {path} if ran.status == 2 else set()
    assert {("adapters", "A"), ("tester", "name"), ("tester", "fixture"), ("sockets", "A")} <= refused


def test_a_record_that_was_damaged_is_refused(pinwright: Any, tmp_path: Path) -> None:
    path = kept(tmp_path, a_record(OPEN_AND_JOINED))
    for file in (path, path.with_suffix(".pdf"), path.with_suffix(".html")):
        data = file.read_bytes()
        at = data.index(b"F-1")
        file.write_bytes(data[:at] + b"F-2" + data[at + 3 :])
        assert "SHA-256" in pinwright("explain", file).error(2), DRAWN_BY


# Text that bites


@pytest.mark.parametrize("text", BITING.values(), ids=BITING)
@pytest.mark.one_in(4)
def test_a_text_in_a_saved_scan_bites_nobody(text: str, pinwright: Any, tmp_path: Path) -> None:
    """Of a tester that is not known, with plugs in wrong sockets, so that its own findings are shown."""
    doc = changed(a_record(SWAPPED)["scan"], ("findings", 0, "kind"), "socket")
    file, profile = tmp_path / "scan.json", tmp_path / "five.toml"
    profile.write_text(TEXT)
    places: tuple[Any, ...] = (
        "schema",
        "serial",
        "operator",
        "started",
        "verdict",
        "profile.id",
        "profile.title",
        "profile.sha256",
        "tester.id",
        "tester.name",
        "tester.firmware",
        "tester.fixture",
        "tester.lane",
        "tester.kind",
        "sockets.A",
        "adapters.A",
        ("nets", 0, 0),
        ("extra", 0, "signals"),
        ("findings", 0, "kind"),
        ("findings", 0, "text"),
        ("findings", 0, "remedy"),
        ("findings", 0, "pins", 0),
    )
    for place in places:
        file.write_text(json.dumps(changed(doc, place, text)))
        for words in ((), ("--json",)):
            ran = pinwright("explain", file, "--profile", profile, *words)
            assert_shown_or_refused(ran)
            assert ran.status in (1, 2)
            assert not any(line.startswith("PASS") for line in ran.out.splitlines()), place
    file.write_text(json.dumps({**doc, "sockets": {text: "J1"}}))
    assert_shown_or_refused(pinwright("explain", file, "--profile", profile))


@pytest.mark.parametrize("text", BITING.values(), ids=BITING)
def test_a_word_that_bites_names_no_file(
    text: str, pinwright: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for words in ((text,), ("x.json", "--profile", text)):
        ran = pinwright("explain", *words)
        assert_shown_or_refused(ran)
        assert 2 == ran.status or text == "--help"
        assert_harmless(ran.out)
