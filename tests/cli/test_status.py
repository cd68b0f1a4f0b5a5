"""Exit statuses: what is wrong with the input, with the place for records, with us, with who reads.

The table in DEVELOPERS.md; where several apply, the first of 70, 130, 3, 2, 1.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from pinwright.cli import proving, scan
from pinwright.errors import OwnBug
from pinwright.records import store
from pinwright.records.document import open_sealed

TEXT = '[cable]\nid = "two"\n[ends.A]\nconnector = "idc-2x5"\n[ends.B]\nconnector = "idc-2x5"\n'
GOOD = TEXT + '[wiring]\nrule = "straight"\n'
SIM = ("--port", "sim")

posix = pytest.mark.skipif(os.name != "posix", reason="signals and /proc of POSIX")


@pytest.fixture
def no_scan(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever asks for a tester gets a bug, and the status 70."""

    def opened(*_: object) -> None:
        raise AssertionError("a tester was asked for")

    monkeypatch.setattr(scan, "opened", opened)


@pytest.fixture
def refused(pinwright: Any) -> Callable[..., str]:
    """The message of a scan that is refused with 2: the same for people and as JSON."""

    def refused(*words: object) -> str:
        message: str = pinwright("scan", *words).error(2)
        ran = pinwright("scan", *words, "--json")
        assert (2, "") == (ran.status, ran.err)
        assert ["schema", "status", "message", "hint"] == list(ran.document)
        assert ("pinwright/error-1", 2) == (ran.document["schema"], ran.document["status"])
        assert message == ran.document["message"]
        return message

    return refused


@pytest.mark.usefixtures("no_scan")
@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[cable\n", "is not TOML: "),
        (TEXT, "key `wiring`: "),
        (GOOD.replace("straight", "strait"), "key `wiring.rule`: "),
        (GOOD.replace("idc-2x5", "idc-2x999"), "key `ends.A.connector`: "),
        (GOOD.replace('"straight"', '"straight"\nrulee = 1'), "key `wiring.rulee`: unknown key"),
        (TEXT + '[wiring]\nwires = [["A.1", "B.41"]]\n', "key `wiring.wires[1]`: no pin `B.41`"),
        ("cable = 3\n", "key `cable`: "),
        ("", "key `cable`: "),
    ],
)
def test_a_profile_that_is_wrong_is_named_with_its_key(
    text: str, sentence: str, refused: Any, tmp_path: Path
) -> None:
    file = tmp_path / "two.toml"
    file.write_text(text)
    message = refused(file, *SIM)
    assert message.startswith(f"profile `{file}`")
    assert sentence in message


@pytest.mark.usefixtures("no_scan")
@pytest.mark.parametrize(
    ("profile", "sentence"),
    [
        ("nowhere.toml", "profile `nowhere.toml`: no such file"),
        ("lamp-changer-4", "no profile has the id `lamp-changer-4` in "),
        ("", "no profile has the id `` in "),
    ],
)
def test_a_profile_that_is_not_there_is_named(profile: str, sentence: str, refused: Any) -> None:
    assert refused(profile, *SIM).startswith(sentence)


@pytest.mark.usefixtures("no_scan")
def test_an_id_that_is_almost_right_gets_the_right_one(refused: Any) -> None:
    assert refused("lamp-chnger-40", *SIM).endswith("close to it: `lamp-changer-40`")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[[link]\n", "is not TOML: "),
        ("[[link]]\n", "key `link[1]`: a link needs `pins`"),
        ("[[links]]\n", "key `links`: unknown key"),
        ('[[link]]\npins = ["A.1"]\n', "key `link[1].pins`: must be two or more pins, not 1"),
        ('[[link]]\npins = ["A.1", "B1"]\n', "key `link[1].pins[2]`: a pin is written END.PIN"),
        ('[[link]]\npins = ["A.1", "B.99"]\n', "`B.99`"),
        ('[[link]]\npins = ["A.1", "Q.1"]\n', "`Q.1`"),
        ('[[link]]\npins = ["A.1", "B.1"]\nohms = nan\n', "key `link[1].ohms`: "),
        ("[tester]\nstuck_low = [true]\n", "key `tester.stuck_low[1]`: "),
    ],
)
def test_a_bench_file_that_is_wrong_is_named_with_its_key(
    text: str, sentence: str, refused: Any, tmp_path: Path
) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(text)
    message = refused("straight-34", "--port", f"sim:{file}", "--no-certificate")
    assert message.startswith("bench file")
    assert sentence in message


def test_a_bench_file_that_is_not_there_is_named(refused: Any) -> None:
    message = refused("straight-34", "--port", "sim:nowhere.toml", "--no-certificate")
    assert message == "bench file `nowhere.toml`: cannot be read: No such file or directory"


@pytest.mark.usefixtures("no_scan")
@pytest.mark.parametrize("serial", ["", "a/b", "..", "-x", "nul", "a b", "é", "x" * 65, "a\x1b[31mb", "a."])
def test_a_serial_that_cannot_name_a_file_is_refused(serial: str, refused: Any, tmp_path: Path) -> None:
    message = refused("straight-34", *SIM, "--records", tmp_path / "r", f"--serial={serial}")
    assert "serial" in message
    assert message.isprintable()


def test_a_used_serial_is_refused_unless_it_is_tested_again(
    pinwright: Any, refused: Any, tmp_path: Path
) -> None:
    words = ("straight-34", *SIM, "--records", tmp_path, "--serial", "OLD-1")
    assert 0 == pinwright("scan", *words).status
    message = refused(*words)
    assert f"serial `OLD-1` has a record already in `{tmp_path}`" == message
    assert message.replace("OLD", "old") == refused(*words[:-1], "old-1")
    first = [f"OLD-1.test-1.certificate.{kind}" for kind in ("html", "json", "pdf")]
    assert first == visible(tmp_path)
    assert 0 == pinwright("scan", *words, "--again").status
    assert [*first, *(name.replace("test-1", "test-2") for name in first)] == visible(tmp_path)


def test_a_used_serial_is_refused_before_scanning(
    pinwright: Any, refused: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ("straight-34", *SIM, "--records", tmp_path, "--serial", "X1")
    assert 0 == pinwright("scan", *words).status
    monkeypatch.setattr(scan, "opened", None)
    assert "has a record already" in refused(*words)


@pytest.mark.usefixtures("no_scan")
def test_again_needs_a_serial(refused: Any, tmp_path: Path) -> None:
    assert "`--again` needs the serial" in refused("straight-34", *SIM, "--records", tmp_path, "--again")


def visible(place: Path) -> list[str]:
    return sorted(name for name in os.listdir(place) if not name.startswith("."))


@pytest.mark.usefixtures("no_scan")
def test_a_file_as_the_place_for_records_is_refused_before_scanning(refused: Any, tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("kept")
    for place in (file, file / "below"):
        message = refused("straight-34", *SIM, "--records", place)
        assert message.startswith(f"records folder `{place}`: cannot write to it: it is not a folder")
    assert "kept" == file.read_text()


@posix
@pytest.mark.usefixtures("no_scan")
def test_a_place_that_nobody_can_write_to_is_refused_before_scanning(refused: Any) -> None:
    message = refused("straight-34", *SIM, "--records", "/proc/pinwright")
    assert message == "records folder `/proc/pinwright`: cannot write to it: the folder is not there"


@posix
@pytest.mark.usefixtures("no_scan")
@pytest.mark.skipif(os.name == "posix" and os.geteuid() == 0, reason="root may write everywhere")
def test_a_place_that_this_user_cannot_write_to_is_refused_before_scanning(
    refused: Any, tmp_path: Path
) -> None:
    tmp_path.chmod(0o555)
    assert "access is denied" in refused("straight-34", *SIM, "--records", tmp_path)


@pytest.fixture
def full_disk(tmp_path: Path) -> Iterator[Path]:
    """A folder on a file system of its own without room left, but for the names of files."""
    place = tmp_path / "full"
    place.mkdir()
    mounted = os.name == "posix" and 0 == os.system(f"mount -t tmpfs -o size=16k tmpfs {place} 2>/dev/null")
    if not mounted:
        pytest.skip("this user cannot mount a file system")
    with contextlib.suppress(OSError), (place / "filler").open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))
    yield place
    assert 0 == os.system(f"umount {place}")


@pytest.mark.usefixtures("no_scan")
def test_a_disk_that_is_full_is_refused_before_scanning(refused: Any, full_disk: Path) -> None:
    message = refused("straight-34", *SIM, "--records", full_disk)
    assert message == f"records folder `{full_disk}`: cannot write to it: the disk is full"
    assert ["filler"] == visible(full_disk)


@pytest.fixture
def fills_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk with room for the first file alone: the one that finds the place writable."""
    really, calls = os.fsync, []

    def fsync(handle: int) -> None:
        calls.append(handle)
        if len(calls) > 1:
            raise OSError(errno.ENOSPC, "No space left on device")
        really(handle)

    monkeypatch.setattr(store.os, "fsync", fsync)


@pytest.mark.usefixtures("fills_up")
@pytest.mark.parametrize(("good", "verdict"), [(True, "passed"), (False, "FAILED")])
@pytest.mark.parametrize("form", [(), ("--json",)])
def test_a_disk_that_is_full_at_the_end_is_2_whatever_the_verdict(
    good: bool, verdict: str, form: tuple[str, ...], pinwright: Any, bench: Any, tmp_path: Path
) -> None:
    port = "sim" if good else bench([])
    ran = pinwright("scan", "straight-34", "--port", port, "--records", tmp_path / "r", *form)
    told = ran.document["message"] if form else ran.err.splitlines()[0].removeprefix("error: ")
    assert 2 == ran.status
    assert form or ("PASS" if good else "FAIL") in ran.out  # what was found is shown all the same
    assert told.startswith(f"the cable {verdict}, but nothing was recorded: records folder ")
    assert told.endswith("the disk is full")
    assert [] == visible(tmp_path / "r")


def test_a_program_that_exits_by_itself_is_a_bug_of_ours(
    pinwright: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def explain(*_: object, **__: object) -> None:
        raise SystemExit(0)

    monkeypatch.setattr(proving, "explain", explain)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    assert "this is a bug" in pinwright("scan", "straight-34", *SIM, "--no-certificate").error(70)


@pytest.mark.parametrize("form", [(), ("--json",)])
@pytest.mark.parametrize("fault", [RuntimeError("a slip of ours"), OwnBug("a broken promise")])
def test_a_bug_of_ours_is_70_with_the_details_in_a_file(
    fault: Exception,
    form: tuple[str, ...],
    pinwright: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def decide(*_: object) -> None:
        raise fault

    monkeypatch.setattr(proving, "decide", decide)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    ran = pinwright("scan", "straight-34", *SIM, "--records", tmp_path / "r", *form)
    told = ran.document["message"] if form else ran.error(70)
    assert 70 == ran.status
    found = re.search(r"this is a bug in pinwright, not in your cable; the details are in `(.+)`$", told)
    assert found, told
    assert str(fault) in Path(found[1]).read_text()
    assert [] == visible(tmp_path / "r")


@pytest.mark.parametrize("form", [(), ("--json",)])
def test_a_bug_in_the_explanation_costs_neither_the_verdict_nor_the_record(
    form: tuple[str, ...], pinwright: Any, bench: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is wrong is told plainly then."""

    def explain(*_: object, **__: object) -> None:
        raise RuntimeError("a slip of ours")

    monkeypatch.setattr(proving, "explain", explain)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    port = bench([[f"A.{n}", f"B.{n}"] for n in range(2, 35)])
    ran = pinwright("scan", "straight-34", "--port", port, "--records", tmp_path / "r", *form)
    told = ran.document["message"] if form else ran.err[ran.err.index("error: ") :].removeprefix("error: ")
    assert 70 == ran.status
    assert told.startswith("the cable FAILED, its record is `")
    assert "but what happened to it cannot be told" in told
    assert form or "not in one piece: A.1 and B.1" in ran.out
    (record,) = (tmp_path / "r").glob("*.report.json")
    assert ["open"] == [
        one["kind"] for one in json.loads(record.read_text(encoding="utf-8"))["scan"]["findings"]
    ]


def test_a_bug_of_ours_is_70_even_where_the_details_cannot_be_written(
    pinwright: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(proving, "decide", None)

    def no_room(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("tempfile.NamedTemporaryFile", no_room)
    told = pinwright("scan", "straight-34", *SIM, "--no-certificate").error(70)
    assert "the details could not be written anywhere; it was: TypeError: " in told


def test_an_interrupt_is_130(pinwright: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def opened(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(scan, "opened", opened)
    ran = pinwright("scan", "straight-34", *SIM, "--no-certificate")
    assert "interrupted; every point was let go" == ran.error(130)
    assert 130 == pinwright("scan", "straight-34", *SIM, "--no-certificate", "--json").document["status"]


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("scam",),
        ("scan",),
        ("scan", "straight-34", "--prot", "sim"),
        ("scan", "straight-34", "--port"),
        ("scan", "straight-34", "straight-34"),
        ("profiles",),
        ("profiles", "burn"),
        ("records",),
        ("records", "burn"),
        ("records", "show"),
        ("records", "show", "X1", "--test", "0"),
        ("records", "show", "X1", "--test", "9" * 5000),
        ("records", "show", "X1", "--pdf", ""),
        ("records", "verify", ""),
        ("records", "list", "--records", ""),
        ("demo", "loud"),
        ("--json",),
    ],
)
def test_a_command_line_that_means_nothing_is_2(words: tuple[str, ...], pinwright: Any) -> None:
    ran = pinwright(*words)
    if "--json" in words:
        assert (2, 2) == (ran.status, ran.document["status"])
    else:
        assert "--help` shows what goes" in ran.err
        ran.error(2)


@posix
@pytest.mark.parametrize("unbuffered", ["", "1"])
@pytest.mark.parametrize(
    ("words", "status"),
    [
        (("profiles", "show", "lamp-changer-40"), 2),
        (("scan", "straight-34", *SIM, "--no-certificate", "-v"), 0),  # the cable passed, read or not
        (("scan", "straight-34", *SIM, "--no-certificate", "--json"), 0),
        (("scan", "nowhere.toml", "--json"), 2),
    ],
)
def test_a_reader_that_goes_away_gets_no_complaint(
    words: tuple[str, ...], status: int, unbuffered: str, command: Any, surroundings: Any
) -> None:
    ours, theirs = os.pipe()
    os.close(ours)
    with os.fdopen(theirs, "wb") as pipe:
        done = subprocess.run(
            command(*words),
            env=surroundings(PYTHONUNBUFFERED=unbuffered),
            stdout=pipe,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
        )
    assert (status, "") == (done.returncode, done.stderr)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_output_that_cannot_be_written_is_2(unbuffered: str, command: Any, surroundings: Any) -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            command("profiles", "list"),
            env=surroundings(PYTHONUNBUFFERED=unbuffered),
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
        )
    sentence = "error: standard output cannot be written: No space left on device\n"
    assert (2, sentence) == (done.returncode, done.stderr)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_an_error_that_cannot_be_written_as_json_is_said_on_standard_error(
    unbuffered: str, command: Any, surroundings: Any
) -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            command("scan", "nowhere.toml", "--json"),
            env=surroundings(PYTHONUNBUFFERED=unbuffered),
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
        )
    assert 2 == done.returncode
    assert done.stderr.startswith("error: ")
    assert "no such file; and standard output cannot be written: No space left on device" in done.stderr
    assert "Traceback" not in done.stderr


@posix
@pytest.mark.parametrize(
    ("closed", "status"), [("2>&-", 2), ("2>/dev/full", 2), (">&-", 2), (">&- 2>&- <&-", 2)]
)
def test_streams_that_are_closed_change_no_status(
    closed: str, status: int, command: Any, surroundings: Any
) -> None:
    """A crash would end with 1, which reads as "cable failed"."""
    words = " ".join(f"'{word}'" for word in command("scan", "nowhere"))
    done = subprocess.run(
        ["sh", "-c", f"{words} {closed}"], env=surroundings(), capture_output=True, timeout=60
    )
    assert (status, b"") == (done.returncode, done.stdout)
    assert b"Traceback" not in done.stderr


def test_words_that_are_no_text_are_shown_escaped(command: Any, surroundings: Any) -> None:
    for form in ([], ["--json"]):
        done = subprocess.run(
            [word.encode() for word in command("scan")] + [b"\xff.toml", *(word.encode() for word in form)],
            env=surroundings(),
            capture_output=True,
            timeout=60,
        )
        assert 2 == done.returncode
        assert b"no such file" in (done.stdout if form else done.stderr)


@posix
def test_an_interrupted_scan_leaves_nothing_half_done(
    command: Any, surroundings: Any, tmp_path: Path
) -> None:
    """SIGINT at many moments of a scan, from the simulator's first sign of life on."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell may have it ignored
    statuses = []
    try:
        for number, wait_ms in enumerate((0, 20, 50, 110, 180, 300)):
            folder, place = tmp_path / f"tmp-{number}", tmp_path / f"records-{number}"
            folder.mkdir()
            running = subprocess.Popen(
                command("scan", "lamp-changer-40", *SIM, "--records", place),
                env=surroundings(TMPDIR=folder, PINWRIGHT_TEST=folder),
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
            end = time.monotonic() + 20
            while not any(folder.iterdir()) and running.poll() is None and time.monotonic() < end:
                time.sleep(0.002)
            time.sleep(wait_ms / 1000)
            running.send_signal(signal.SIGINT)
            _, err = running.communicate(timeout=20)
            statuses.append(running.returncode)
            assert "Traceback" not in err
            names = visible(place)
            records = [open_sealed((place / name).read_bytes()) for name in names if name.endswith(".json")]
            assert 3 * len(records) == len(names)
            if running.returncode == 130:
                assert "error: interrupted; every point was let go\n" == err
                assert len(records) <= 1
            else:  # it was done before the signal came
                assert (0, "", 1) == (running.returncode, err, len(records))
            # Between making a folder and knowing of it nothing can be done; an empty one may stay.
            assert [] == [path for path in folder.glob("pinwright-sim-*") if any(path.iterdir())]
            assert [] == still_running(folder)
    finally:
        signal.signal(signal.SIGINT, before)
    assert [130] * 3 == statuses[:3]


def still_running(mark: Path) -> list[str]:
    """Processes with this mark in their environment, after a moment to end in. /proc is Linux's."""
    end = time.monotonic() + 2
    while True:
        found = []
        for process in Path("/proc").glob("[0-9]*"):
            try:
                if f"PINWRIGHT_TEST={mark}\0".encode() in (process / "environ").read_bytes():
                    found.append((process / "cmdline").read_text())
            except OSError:
                pass  # another user's, or ended
        if not any(found) or time.monotonic() > end:
            return [line for line in found if line]
        time.sleep(0.01)


@posix
@pytest.mark.parametrize("moment", ["pinwright.cli.main", "pinwright.cli.scan"])
def test_an_interrupt_while_the_program_is_being_imported_is_130(moment: str, surroundings: Any) -> None:
    """What Python does before our first line is its own; there it may still end by the signal, or with 1."""
    script = f"""
import os, signal, sys
from pinwright.__main__ import run

class Strike:
    def find_spec(self, name, *_):
        if name == {moment!r}:
            os.kill(os.getpid(), signal.SIGINT)

sys.meta_path.insert(0, Strike())
sys.argv[1:] = ["scan", "lamp-changer-40", "--port", "sim", "--no-certificate"]
run()
"""
    done = subprocess.run(
        [sys.executable, "-c", script], env=surroundings(), capture_output=True, text=True, timeout=60
    )
    assert (130, "") == (done.returncode, done.stdout)
    assert "Traceback" not in done.stderr


@posix
@pytest.mark.parametrize("moment", ["signal", "sys"])
def test_ctrl_c_is_in_hand_before_anything_else_is_imported(moment: str, surroundings: Any) -> None:
    """Struck as the first module imports what it needs for that, and what comes next."""
    script = f"""
import builtins, os, signal, sys

really = builtins.__import__

def strike(name, where=None, *more):
    if where and where.get("__name__") == "pinwright.__main__" and name == {moment!r}:
        os.kill(os.getpid(), signal.SIGINT)
    return really(name, where, *more)

builtins.__import__ = strike
signal.signal(signal.SIGINT, signal.default_int_handler)  # whoever runs the tests may have it ignored
from pinwright.__main__ import run
sys.exit("not struck")
"""
    done = subprocess.run(
        [sys.executable, "-c", script], env=surroundings(), capture_output=True, text=True, timeout=60
    )
    assert (130, "", "") == (done.returncode, done.stdout, done.stderr)
