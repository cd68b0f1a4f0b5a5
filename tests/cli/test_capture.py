"""`pinwright capture`: a profile from a known-good lead, or a sentence that says why there is none.

The lead is in the virtual tester; what has to come out is what is plugged in, and scanned with what came out
it passes.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from pinwright.cable.pins import parse_pin
from pinwright.cable.profile import Joined, Profile
from pinwright.cli import capture
from pinwright.cli.ports import Workshop, plug_in
from pinwright.errors import Disagreement, LinkLost
from pinwright.library import profile_of as read
from pinwright.verdict.facts import Facts
from pinwright.verdict.resistances import Link as Measured
from pinwright.verdict.resistances import Resistances
from pinwright.virtual.bench import Bench, Link

from .conftest import Ran, steady
from .test_hostile import BITING, assert_harmless

LAMP = ("--end", "A=idc-2x20", "B=dip-40")
GROUNDS = (1, 3, 9, 14, 19, 24, 28, 33, 40)
SMALL = ("--end", "A=row-4", "B=row-4")  # J1 and J2
PAIRS = [["A.1", "B.2"], ["A.2", "B.1"], ["A.3", "A.4", "B.3", "B.4"]]


def ends_of(profile: Profile) -> list[str]:
    return ["--end", *(f"{end.name}={end.connector.name}" for end in profile.ends)]


def nets_of(profile: Profile) -> list[list[str]]:
    return [[str(pin) for pin in net.pins] for net in profile.nets]


@pytest.fixture
def lamp(profile_of: Callable[[str], Profile]) -> list[list[str]]:
    """The lamp changer's lead with its grounds linked at the rack."""
    return [*nets_of(profile_of("lamp-changer-40")), [f"A.{n}" for n in GROUNDS]]


# Two ribbons in one plug; grounds linked; two plugs of one kind, one by hand. All others: tests/bench.
@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("woven-40", ()),
        ("printer-db25-to-mr36-25wire-a", ()),
        ("dip16-to-dip16-same-plugs", ("--at", "B=J1")),
    ],
)
def test_a_cable_comes_back_and_passes_by_its_own_profile(
    name: str, words: Sequence[str], pinwright: Any, profile_of: Callable[[str], Profile], tmp_path: Path
) -> None:
    profile, file = profile_of(name), tmp_path / "captured.toml"
    ran = pinwright(
        "capture", *ends_of(profile), *words, "--port", f"sim:{name}", "--yes", "--out", file, "--id", "it"
    )
    assert (0, "") == (ran.status, ran.err)
    assert nets_of(profile) == nets_of(read(file.read_text(encoding="utf-8")))
    assert 0 == pinwright("profiles", "check", file).status
    scan = pinwright("scan", file, *words, "--port", f"sim:{name}", "--no-certificate", "--json")
    assert ("pass", []) == (scan.document["verdict"], scan.document["findings"])


def test_a_net_of_all_pins_comes_back_whole(pinwright: Any, bench: Any) -> None:
    everything = [f"{end}.{n}" for n in range(1, 41) for end in "AB"]
    ran = pinwright("capture", "--end", "A=idc-2x20", "B=idc-2x20", "--port", bench([everything]), "--yes")
    assert (0, "") == (ran.status, ran.err)
    (net,) = read(ran.out).nets
    assert {*everything} == {*map(str, net.pins)}


def test_what_a_capture_writes(pinwright: Any, golden: Any, bench: Any, lamp: Any) -> None:
    ran = pinwright("capture", *LAMP, "--port", bench(lamp), "--yes", "--signal", "B.38=D0")
    golden("capture", Ran(ran.status, ran.out, ran.err), folded=False, measured=True)


def test_what_it_says_where_it_writes_a_file(
    pinwright: Any, golden: Any, bench: Any, lamp: Any, tmp_path: Path
) -> None:
    ran = pinwright("capture", *LAMP, "--port", bench(lamp), "--yes", "--out", tmp_path / "lamp.toml")
    golden("capture-out", ran, folded=False)
    assert {"GND1": Joined.REQUIRED} == read((tmp_path / "lamp.toml").read_text(encoding="utf-8")).common


def test_options_say_what_nobody_is_asked_for(pinwright: Any) -> None:
    words = ("--id", "hl", "--title", "Harbour light", "--revision", "C", "--label", "A=rack", "B=the lamp")
    named = ("--signal", "A.1=GND", "A.3=GND", "B.38=D0")
    ran = pinwright("capture", *LAMP, "--port", "sim:lamp-changer-40", "--yes", *words, *named)
    profile = read(ran.out)
    assert ("hl", "Harbour light", "C") == (profile.id, profile.title, profile.revision)
    assert ["rack", "the lamp"] == [end.label for end in profile.ends]
    assert {"GND": Joined.NEVER} == profile.common  # as measured
    assert ["GND", "GND", "D0"] == [net.signal for net in profile.nets if net.signal]


def test_a_title_may_hold_what_toml_has_for_itself(pinwright: Any) -> None:
    title = 'a "quoted" \\ lead # 1'
    ran = pinwright("capture", *LAMP, "--port", "sim:lamp-changer-40", "--yes", "--title", title)
    assert title == read(ran.out).title


def test_a_pipe_gets_the_file_in_utf_8_whatever_its_encoding(
    command: Any, surroundings: Any, tmp_path: Path
) -> None:
    words = ("capture", *LAMP, "--port", "sim:lamp-changer-40", "--yes", "--title", "Süd – 灯")
    done = subprocess.run(
        command(*words), env=surroundings(PYTHONIOENCODING="ascii"), capture_output=True, timeout=60
    )
    assert (0, b"") == (done.returncode, done.stderr)
    assert "Süd – 灯" == read(done.stdout.decode("utf-8")).title


# Refusals: what no profile is made of


@pytest.mark.parametrize(
    ("links", "tester", "status", "message"),
    [
        ([], "", 1, "nothing conducts: is the lead plugged in?"),
        ([["A.3", "A.4"]], "", 1, "nothing conducts at end B: is it plugged in?"),
        ([["A.1", "B.1"], ["A.2", "@S1.7"]], "", 2, "something conducts where no end was named: @S1.7"),
        ([["A.1", "B.1"], ["@S1.7", "@S1.8", "@S1.9"]], "", 2, "end was named: @S1.7, @S1.8"),
        (PAIRS, 'outside = {"B.2" = 5.0}', 3, "B.2"),
        (PAIRS, "dead_chips = [1]", 3, "expander"),
        (PAIRS, "stuck_low = [0]", 3, ""),
        (PAIRS, 'converter = "missing"', 3, ""),
    ],
    ids=["nothing", "one end", "joined to elsewhere", "elsewhere", "outside", "chip", "stuck", "converter"],
)
def test_no_profile_is_made(
    links: Any, tester: str, status: int, message: str, pinwright: Any, bench: Any, tmp_path: Path
) -> None:
    file = tmp_path / "captured.toml"
    ran = pinwright("capture", *SMALL, "--port", bench(links, tester), "--yes", "--out", file)
    assert message in ran.error(status)
    assert not [*tmp_path.iterdir()]


def test_a_contact_that_comes_and_goes_makes_no_profile_of_a_doubtful_look(
    pinwright: Any, bench: Any, lamp: Any
) -> None:
    port = bench(lamp[:-1], 'lane = "none"\n')
    with Path(port.removeprefix("sim:")).open("a", encoding="utf-8") as file:
        file.write('[[link]]\npins = ["A.37", "B.21"]\nclosed = 0.5\nperiod_ms = 1\n')
    said = ""
    for _ in range(20):  # closed, or open, at every look of both scans: at most once in sixteen
        ran = pinwright("capture", *LAMP, "--port", port, "--yes")
        if ran.status:
            said = ran.error(3)
            break
    # of the two nets that it joins, whichever pins were looked at while it did
    assert "in some looks and not in others" in said or "two looks" in said


@pytest.mark.parametrize(
    ("then", "message"),
    [
        ([["A.1", "B.2"], ["A.2", "B.1"]], "A.3–A.4–B.3–B.4 in one of them only"),
        ([*PAIRS, ["A.1", "A.2"]], "A.1–A.2–B.1–B.2, A.1–B.2, A.2–B.1 in one of them only"),
        ([], "A.1–B.2, A.2–B.1, A.3–A.4–B.3–B.4 in one of them only"),
    ],
    ids=["a net less", "a bridge more", "pulled out"],
)
def test_two_looks_that_differ_make_no_profile(
    then: list[list[str]], message: str, pinwright: Any, board: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lead is changed between the two looks."""
    port = board()
    ends = capture._ends(SMALL[1:])

    def plug(nets: list[list[str]]) -> None:
        links = tuple(Link(tuple(map(parse_pin, net))) for net in nets)
        port.plug(*plug_in(Bench(links), ends, Workshop.read(), {}))

    plug(PAIRS)
    decide = capture.decide

    def judged(profile: Any, scan: Any, **named: Any) -> Any:
        facts = decide(profile, scan, **named)
        plug(then)
        return facts

    monkeypatch.setattr(capture, "decide", judged)
    ran = pinwright("capture", *SMALL, "--port", port.name, "--yes")
    assert f"two looks at the lead do not agree: {message}" == ran.error(3)


def test_a_contact_that_was_gone_when_it_was_measured_makes_no_profile() -> None:
    def link(pin: str, ohms: float) -> Measured:
        return Measured("", parse_pin(pin), (parse_pin("B.1"),), ohms, 3.9, 5.0, None, False)

    facts = Facts((), (), (), (), (), Resistances((link("A.1", 14.0), link("A.2", 1e7)), ()))
    with pytest.raises(Disagreement, match=r"and not when they were measured: A\.2$"):
        capture._check_steady(facts)


def test_a_lead_in_another_socket_is_not_taken_for_what_is_there(pinwright: Any, tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    file.write_text('[[link]]\npins = ["A.1", "B.1"]\n[sockets]\nB = "S1"\n')
    ran = pinwright("capture", *SMALL, "--port", f"sim:{file}", "--yes")
    assert "something conducts where no end was named: @S1.1" == ran.error(2)


def test_a_wrong_adapter_makes_no_profile(pinwright: Any, tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    file.write_text('[[link]]\npins = ["A.1", "B.1"]\n[adapters]\nJ1 = "none"\n')
    words = ("--end", "A=dsub-9-plug", "B=dsub-9-socket")
    assert "adapter" in pinwright("capture", *words, "--port", f"sim:{file}", "--yes").error(2)


# Warnings: what a known-good lead would not have


def test_a_dry_joint_and_a_leak_are_named_and_stand_in_the_file(pinwright: Any, bench: Any) -> None:
    port = bench([[f"A.{n}", f"B.{n}"] for n in range(2, 9)])
    with Path(port.removeprefix("sim:")).open("a", encoding="utf-8") as file:
        file.write('[[link]]\npins = ["A.1", "B.1"]\nohms = 14.0\n')
        file.write('[[link]]\npins = ["A.2", "A.3"]\nohms = 60000.0\n')
    ran = pinwright("capture", "--end", "A=row-8", "B=row-8", "--port", port, "--yes")
    assert 0 == ran.status
    joint, *leaks = ran.err.splitlines()
    assert re.fullmatch(
        r"warning: a bad joint: A\.1 to B\.1 measures 1\d\.\d Ω; 5\.0 Ω may be\. This is no known-good lead",
        joint,
    )
    assert 2 == len(leaks)
    assert all("leaks: " in leak and "no known-good lead" in leak for leak in leaks)
    text = ran.out.replace("\n# ", " ")
    assert all(line.removeprefix("warning: ") in text for line in ran.err.splitlines())
    assert "straight" in read(ran.out).wiring_text


@pytest.mark.parametrize(
    ("lane", "said"), [("none", "measures no ohms"), ("uncalibrated", "is not calibrated")]
)
def test_what_the_tester_did_not_measure_is_said(lane: str, said: str, pinwright: Any, bench: Any) -> None:
    ran = pinwright("capture", *SMALL, "--port", bench(PAIRS, f'lane = "{lane}"'), "--yes")
    assert 0 == ran.status
    assert said in ran.err
    assert said in ran.out.replace("\n# ", " ")


# What a person is asked


class Person(StringIO):
    """Standard input of somebody at a terminal. Where an answer is an exception, that happens instead."""

    def __init__(self, *answers: str | type[BaseException]) -> None:
        super().__init__()
        self.answers = list(answers)

    def isatty(self) -> bool:
        return True

    def readline(self, *_: Any) -> str:
        answer = self.answers.pop(0) if self.answers else ""
        if not isinstance(answer, str):
            raise answer
        return answer


_looked: list[capture.Seen | capture.NoSample] = []


@pytest.fixture
def answering(
    pinwright: Any, bench: Any, lamp: Any, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., tuple[Ran, list[Any]]]:
    """Capture the lamp changer's lead, its grounds linked, with these answers; and what was not asked for.
    The lead is looked at for the first of these tests, and stays what it was."""
    look = capture._seen

    def seen(*words: Any) -> capture.Seen | capture.NoSample:
        if not _looked:
            _looked.append(look(*words))
        return _looked[0]

    monkeypatch.setattr(capture, "_seen", seen)

    def answering(*answers: Any, words: Sequence[object] = ()) -> tuple[Ran, list[Any]]:
        person = Person(*answers)
        monkeypatch.setattr(sys, "stdin", person)
        return pinwright("capture", *LAMP, "--port", bench(lamp), *words), person.answers

    return answering


def test_enter_takes_what_stands_in_brackets(answering: Any, golden: Any) -> None:
    ran, left = answering(*["\n"] * 8)
    assert [] == left
    golden("capture-asked", Ran(ran.status, "", ran.err), folded=False)
    profile = read(ran.out)
    assert ("captured-lead", {"GND1": Joined.REQUIRED}) == (profile.id, profile.common)


def test_a_person_names_everything(answering: Any) -> None:
    ran, left = answering(
        *("hl-40\n", "Harbour light\n", "B\n", "rack\n", "lamp\n", "GND\n", "optional\n", "y\n", "CLOCK\n"),
        *["\n"] * 30,
    )
    assert (0, []) == (ran.status, left)
    profile = read(ran.out)
    assert ("hl-40", "Harbour light", "B") == (profile.id, profile.title, profile.revision)
    assert ["rack", "lamp"] == [end.label for end in profile.ends]
    assert {"GND": Joined.OPTIONAL} == profile.common
    assert ["GND"] * 9 + ["CLOCK"] == sorted((net.signal for net in profile.nets if net.signal), reverse=True)
    assert 40 == len(profile.nets)


def test_what_no_profile_can_have_is_asked_for_again(answering: Any) -> None:
    ran, left = answering(
        *("h l\n", "hl\n", "\n", "\n", "\n", "\n", "GND\n", "never\n", "required\n", "y\n", "NC\n", "D0\n"),
        *["\n"] * 30,
    )
    assert (0, []) == (ran.status, left)
    assert "must be letters, digits and hyphens" in ran.err
    assert "`required` or `optional`: a profile that says otherwise fails the sample" in ran.err
    assert "`NC` stands for no connection, and this conducts" in ran.err
    profile = read(ran.out)
    assert ("hl", "D0") == (profile.id, profile.nets[1].signal)


def test_a_link_that_is_no_signal_becomes_a_wire(answering: Any) -> None:
    ran, _ = answering(*["\n"] * 5, "-\n", "\n")
    profile = read(ran.out)
    assert ({}, 18) == (profile.common, max(len(net.pins) for net in profile.nets))


def test_a_name_on_several_nets_is_asked_about(answering: Any) -> None:
    ran, left = answering(*["\n"] * 5, "-\n", "y\n", "V\n", "V\n", *["\n"] * 29, "optional\n")
    assert (0, [], {"V": Joined.OPTIONAL}) == (ran.status, left, read(ran.out).common)


def test_what_an_option_says_is_not_asked(answering: Any) -> None:
    words = ("--id", "x", "--title", "X", "--revision", "1", "--label", "A=a", "B=b", "--signal", "A.1=GND")
    ran, left = answering("\n", "\n", "\n", words=words)
    assert (0, []) == (ran.status, left)
    assert {"GND": Joined.REQUIRED} == read(ran.out).common


@pytest.mark.parametrize(
    ("answer", "status", "said"),
    [
        (KeyboardInterrupt, 130, "interrupted; every point was let go"),
        ("", 2, "standard input has ended before all was answered"),
    ],
)
def test_whoever_stops_answering_gets_no_file(
    answer: Any, status: int, said: str, answering: Any, tmp_path: Path
) -> None:
    ran, _ = answering("x\n", answer, words=("--out", tmp_path / "x.toml"))
    assert said == ran.error(status)
    assert not [*tmp_path.iterdir()]


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are of POSIX")
@pytest.mark.parametrize("ends", [False, True])
def test_a_person_at_a_real_terminal_answers_or_presses_ctrl_c(
    ends: bool, command: Any, surroundings: Any, bench: Any, tmp_path: Path
) -> None:
    ours, theirs = os.openpty()
    words = command("capture", *SMALL, "--port", bench(PAIRS), "--out", tmp_path / "captured.toml")
    running = subprocess.Popen(
        words, env=surroundings(), stdin=theirs, stdout=subprocess.PIPE, stderr=theirs, start_new_session=True
    )
    os.close(theirs)
    try:
        for asked, answer in (
            (b"id [captured-lead]: ", b"mine\n"),
            (b"4]: ", b"\n"),
            (b"revision [1]: ", b""),
        ):
            shown = b""
            while not shown.endswith(asked):
                shown += os.read(ours, 4096)
            os.write(ours, answer)
        if ends:
            running.send_signal(signal.SIGINT)
        else:
            os.write(ours, b"\n" * 6)
        out = running.communicate(timeout=30)[0].decode()
    finally:
        os.close(ours)
    if ends:
        assert (130, "") == (running.returncode, out)
        assert not [*tmp_path.iterdir()]
    else:
        assert 0 == running.returncode
        assert "mine" == read((tmp_path / "captured.toml").read_text(encoding="utf-8")).id


def test_without_a_terminal_nobody_is_asked(pinwright: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", StringIO("\n" * 20))
    ran = pinwright("capture", *LAMP, "--port", "sim:lamp-changer-40")
    assert "`capture` asks for id, title and names, and standard input is no terminal" == ran.error(2)
    assert "hint: `--yes` takes the options, and defaults for the rest" in ran.err


# The file


def test_a_file_that_is_there_is_not_touched_without_force(
    pinwright: Any, bench: Any, tmp_path: Path
) -> None:
    file, port = tmp_path / "mine.toml", bench(PAIRS)
    file.write_text("mine")
    words = ("capture", *SMALL, "--port", port, "--yes", "--out", file)
    ran = pinwright(*words)
    assert f"`{file}` exists already; it was not touched" == ran.error(2)
    assert "mine" == file.read_text()
    assert 0 == pinwright(*words, "--force").status
    assert "captured-lead" == read(file.read_text(encoding="utf-8")).id
    assert [file] == [*tmp_path.iterdir()]


def test_a_file_that_came_meanwhile_is_not_touched(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text("mine")
    with pytest.raises(capture.UsageError, match="exists already"):
        capture._write(file, "x", force=False)
    assert ("mine", [file]) == (file.read_text(), [*tmp_path.iterdir()])


@pytest.mark.parametrize("force", [False, True])
def test_a_full_disk_leaves_nothing_half_written(force: bool, disk_of: Any) -> None:
    disk = disk_of("64k")
    file = disk / "mine.toml"
    if force:
        file.write_text("mine")
    with pytest.raises(capture.UsageError, match="cannot be written: No space left"):
        capture._write(file, "x" * 1_000_000, force=force)
    assert ["mine"] * force == [path.read_text() for path in disk.iterdir()]


def test_a_link_that_is_lost_leaves_no_file(
    pinwright: Any, bench: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def lost(*_: Any, **__: Any) -> Any:
        raise LinkLost("the board is gone")

    monkeypatch.setattr(capture, "decide", lost)
    words = ("--yes", "--out", tmp_path / "x.toml")
    assert "the board is gone" == pinwright("capture", *SMALL, "--port", bench(PAIRS), *words).error(3)
    assert not [*tmp_path.iterdir()]


# What is typed


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "no end is named: a tester cannot know which connectors are on the lead"),
        (("--end", "A"), "`--end A` should be written END=CONNECTOR, such as `--end A=idc-2x20`"),
        (("--end", "a=dip-40"), "an end is named by up to 16 capital letters and digits, a letter first"),
        (("--end", "A=dip-40", "A=dip-14"), "`--end` names `A` twice"),
        (("--end", "A=dip-41"), "a DIP plug is written `dip-N`"),
        ((*LAMP, "--at", "A"), "`--at A` should be written END=SOCKET, such as `--at A=J1`"),
        ((*LAMP, "--label", "C=x"), "`--label C=…`: the ends are `A`, `B`"),
        ((*LAMP, "--signal", "A.41=D0"), "`--signal A.41=…`: no end has such a pin"),
        ((*LAMP, "--signal", "A1=D0"), "a pin is written END.PIN, such as `A.15`, not `A1`"),
        ((*LAMP, "--signal", "A.1=NC"), "`--signal A.1=NC` is no name of a signal"),
        ((*LAMP, "--signal", "A.1=" + "X" * 41), "a name has at most 40 characters"),
        ((*LAMP, "--id", "a b"), "must be letters, digits and hyphens"),
        ((*LAMP, "--title", "a\nb"), "character 2 is U+000A, which does not print"),
        ((*LAMP, "--label", "A= x"), "begins or ends with a blank"),
        ((*LAMP, "--out", "x.txt"), "`--out x.txt`: the name of a profile's file ends in `.toml`"),
        ((*LAMP, "--out", "/nonexistent/x.toml"), "there is no folder `/nonexistent`"),
        ((*LAMP, "--force"), "`--force` goes with `--out FILE`"),
        ((*LAMP, "--port", "sim"), "`--port sim` has a good cable in it, and there is no profile here that"),
        ((*LAMP, "--port", "sim:lamp-changer-41"), "no profile has the id `lamp-changer-41`"),
        ((*LAMP, "--port", "sim:woven-40"), "no pin `C.2`"),
        ((*LAMP, "--port", "sim:raw-ribbon-40"), "has `idc-2x20` at end B, where `dip-40` is to be"),
        (
            (*LAMP, "--port", "sim:lamp-changer-40", "--signal", "A.1=X", "B.40=Y"),
            "what `--signal` calls `X`",
        ),
        (("--end", "A=idc-2x25", "--port", "sim:scsi50-ribbon-straight"), "no socket for end `A`"),
    ],
)
def test_what_does_not_go_is_said(words: Sequence[str], message: str, pinwright: Any) -> None:
    assert message in pinwright("capture", *words, "--yes").error(2)


@pytest.mark.parametrize(
    "option",
    ["--end", "--end=A", "--at", "--label=A", "--signal=A.1", "--id", "--title", "--revision", "--out"],
)
def test_no_word_bites_anybody(
    option: str, pinwright: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever stands for a value; nothing is looked at."""
    monkeypatch.setattr(capture, "_seen", lambda *_: capture.NoSample("nothing conducts", ""))
    monkeypatch.chdir(tmp_path)
    for text in BITING.values():
        ran = pinwright("capture", *LAMP, "--yes", f"{option}={text}")
        assert_harmless(ran.out + ran.err)
        assert ran.status in (1, 2), text
    assert not [*tmp_path.iterdir()]


def test_a_signal_where_nothing_conducts_is_refused(pinwright: Any, bench: Any) -> None:
    ran = pinwright("capture", *SMALL, "--port", bench(PAIRS[:2]), "--yes", "--signal", "A.4=X")
    assert "`--signal A.4=X`: nothing conducts at A.4" == ran.error(2)


def test_a_scan_may_have_a_good_cable_of_another_profile_in_it(pinwright: Any) -> None:
    ran = pinwright(
        "scan", "idc-dip40-plug-pin1-on-wire2", "--port", "sim:lamp-changer-40", "--no-certificate"
    )
    assert 0 == ran.status
    assert "PASS" in steady(ran.out)
