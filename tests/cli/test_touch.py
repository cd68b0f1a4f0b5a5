"""`pinwright touch`: over a real port, with the probe lead of a virtual tester moved by its bench file."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.cli.lettering import ROWS, large
from pinwright.cli.ports import Workshop, plug_in
from pinwright.cli.touch import plugged_ends, ways_of
from pinwright.verdict.touches import Way
from pinwright.virtual.bench import Bench
from pinwright.virtual.port import Port

from .test_virtual import served, write  # noqa: F401 - `served` is a fixture

posix = pytest.mark.skipif(os.name != "posix", reason="signals and pseudo-terminals of POSIX")
CABLE = "lamp-changer-40"
WOVEN = """
[cable]
id = "woven-6"
[ends]
A = {connector = "idc-2x3"}
B = {connector = "dip-6"}
C = {connector = "idc-2x3"}
[wiring]
rule = "interleave"
numbering = "shared"
lay = "alternate"
first = "high"
"""


class Touching:
    """A `pinwright touch --json` that runs on the port of a `pinwright virtual`."""

    def __init__(self, command: list[str], environment: dict[str, str], bench: Path) -> None:
        self.bench = bench
        self.program = subprocess.Popen(
            command,
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def move(self, *links: Sequence[str]) -> None:
        """What the probe touches from now on: links of the bench file."""
        write(self.bench, links)

    def next(self) -> Any:
        """What it says next."""
        assert self.program.stdout is not None
        return json.loads(self.program.stdout.readline())

    def end(self, *, key: str = "", number: int = 0) -> tuple[int, str, str]:
        """Its exit status, and what else it says, after a key or a signal."""
        if number:
            self.program.send_signal(number)
        out, err = self.program.communicate(key or None, timeout=20)
        return self.program.returncode, out, err


@pytest.fixture
def touching(
    served: Any,  # noqa: F811
    command: Any,
    surroundings: Any,
    tmp_path: Path,
) -> Iterator[Callable[..., Touching]]:
    running: list[Touching] = []

    def touching(*words: object, tester: str = "", links: Sequence[Sequence[str]] = ()) -> Touching:
        bench = write(tmp_path / "bench.toml", links, tester)
        there = served(CABLE, "--bench", bench)
        told = command("touch", *(words or (CABLE,)), "--port", there.port, "--json")
        running.append(Touching(told, surroundings(), bench))
        return running[-1]

    yield touching
    for one in running:
        one.program.kill()
        one.program.communicate()


@posix
def test_what_the_probe_touches_is_told_as_it_moves(touching: Any) -> None:
    one = touching(links=[["@PROBE.1", "A.9"]])
    said = one.next()
    assert {
        "schema": "pinwright/touch-1",
        "kind": "conductor",
        "pins": ["A.9"],
        "signal": "GND",
        "to": ["B.36"],
        "text": "conductor 9 → pin 36, right row, fifth from the top",
        "new": True,
        "touched": 1,
        "of": 40,
    } == said
    one.move()
    assert "released" == one.next()["kind"]
    one.move(["@PROBE.1", "A.5", "A.6"])
    said = one.next()
    assert ("two", ["A.5", "A.6"], "D0 + D1", 1) == (
        said["kind"],
        said["pins"],
        said["signal"],
        said["touched"],
    )
    one.move()
    assert "released" == one.next()["kind"]
    one.move(["@PROBE.1", "A.5", "A.6"])
    assert "joined" == one.next()["kind"]
    one.move(["@PROBE.1", "@J2.7"])
    assert "elsewhere" == one.next()["kind"]
    one.move(["@PROBE.1", "A.9"])
    said = one.next()
    assert ("conductor", False, 1) == (said["kind"], said["new"], said["touched"])
    status, out, err = one.end(key="q\n")
    assert (0, "") == (status, err)
    end = json.loads(out)
    left = [f"A.{n}" for n in range(1, 41) if n != 9]
    assert ("end", 1, 40, left, [["A.5", "A.6"]]) == tuple(
        end[key] for key in ("kind", "touched", "of", "left", "joined")
    )


def plug(port: Port, profile: Profile, bench: dict[str, object]) -> None:
    """Other things at the tester, while it works."""
    port.board.board.plug(*plug_in(Bench.from_dict(bench), profile.ends, Workshop.read(), {}))


@posix
def test_what_something_else_holds_low_is_told_and_ctrl_c_lets_go_of_everything(
    board: Any, profile_of: Any, command: Any, surroundings: Any
) -> None:
    port, profile = board(CABLE), profile_of(CABLE)
    plug(port, profile, {"link": [{"pins": ["@PROBE.1", "A.1"]}]})
    one = Touching(command("touch", CABLE, "--port", port.name, "--json"), surroundings(), Path())
    try:
        assert "conductor" == one.next()["kind"]
        plug(port, profile, {"tester": {"outside": {"A.4": 0.0}}})
        said = one.next()
        assert ("held", ["A.4"]) == (said["kind"], said["pins"])
        assert said["text"].startswith("A.4 reads low though the probe does not drive it")
        status, out, _ = one.end(number=signal.SIGINT)
    finally:
        one.program.kill()
        one.program.communicate()
    assert 130 == status
    assert "interrupted; every point was let go" == json.loads(out)["message"]
    assert [] == [chip for chip in port.board.board.chips if chip.outputs or chip.latch]
    assert [] == port.board.board.broken


@posix
def test_a_wire_in_a_free_position_serves_as_probe(touching: Any) -> None:
    one = touching(CABLE, "--probe", "J2.12", links=[["@J2.12", "A.2"]])
    assert ["A.2"] == one.next()["pins"]
    assert 0 == one.end(key="\n")[0]


@posix
def test_firmware_that_knows_no_probe_is_told_with_what_to_do(board: Any, flash: Any, pinwright: Any) -> None:
    old = flash({"tester/touching.py": ('"touch"', '"other"')})
    ran = pinwright("touch", CABLE, "--port", board(flash=old).name)
    assert "knows no probe lead; 0.4.0 is the first that does" in ran.err
    assert "`pinwright install` puts the firmware of this program on it" in ran.err
    assert 3 == ran.status


def test_the_virtual_hand_touches_every_conductor_and_it_ends(pinwright: Any, tmp_path: Path) -> None:
    file = tmp_path / "woven.toml"
    file.write_text(WOVEN)
    ran = pinwright("touch", file, "--port", "sim")
    assert (0, "") == (ran.status, ran.err)
    assert [
        "end A is in J1; end C is in J2; the probe lead is at PROBE.1",
        "places are as seen at B: top, the end of pin 1 up",
        "touch conductors 1, 3 and 5 of A and conductors 2, 4 and 6 of C; q or Enter ends it",
        "  1 of 6  conductor 1 of A → pin 6 of B, right row, first from the top",
        "  2 of 6  conductor 3 of A → pin 5 of B, right row, second from the top",
        "  3 of 6  conductor 5 of A → pin 4 of B, right row, third from the top",
        "  4 of 6  conductor 2 of C → pin 1 of B, left row, first from the top",
        "  5 of 6  conductor 4 of C → pin 2 of B, left row, second from the top",
        "  6 of 6  conductor 6 of C → pin 3 of B, left row, third from the top",
        "all 6 were touched",
    ] == ran.out.splitlines()


@pytest.mark.parametrize(
    ("said", "view", "place"),
    [
        ("", "mating face, long row up, as it was taken as crimped", "first from the left"),
        ('termination = "crimped"', "mating face, long row up", "first from the left"),
        ('termination = "soldered"', "solder side, long row up", "fifth from the left"),
    ],
)
def test_places_are_told_from_the_side_that_the_sheet_draws(
    said: str, view: str, place: str, pinwright: Any, tmp_path: Path
) -> None:
    file = tmp_path / "rows.toml"
    wires = [[f"A.{n}", f"B.{n // 2 + 1 if n % 2 else 5 + n // 2}"] for n in range(1, 10)]
    file.write_text(
        '[cable]\nid = "rows"\n[ends.A]\nconnector = "idc-2x5"\n[ends.B]\nconnector = "dsub-9-plug"\n'
        f"{said}\n[wiring]\nwires = {json.dumps(wires)}\n"
    )
    told = pinwright("touch", file, "--port", "sim").out
    assert f"places are as seen at B: {view}\n" in told
    assert f"conductor 1 → pin 1 of B, long row, {place}\n" in told.replace("→ pin 1,", "→ pin 1 of B,")
    sheet = " ".join(pinwright("sheet", file).out.split())
    assert f"pin 1: long row, {place}" in sheet


def test_other_ends_can_be_said_to_be_plugged_in(pinwright: Any) -> None:
    words = ("touch", "service-lead-9", "--port", "sim", "--json")
    for more in (("--end", "B"), ("--at", "B=J2")):
        said = [json.loads(line) for line in pinwright(*words, *more).out.splitlines()]
        touched = [one["pins"] for one in said if one["kind"] == "conductor"]
        assert [["B.2"], ["B.3"], ["B.4"], ["B.5"], ["B.6"], ["B.7"], ["B.8"]] == touched
        assert ("end", 7, [], []) == tuple(said[-1][key] for key in ("kind", "touched", "left", "joined"))


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "PROFILE is missing: what the cable should be"),
        (("nowhere",), "no profile has the id `nowhere`"),
        ((CABLE, "--end", "Q"), "the cable has no end `Q`; its ends are `A`, `B`"),
        ((CABLE, "--at", "A"), "`--at A` should be written END=SOCKET"),
        ((CABLE, "--at", "A=J9"), "`--at A=J9`: no socket `J9`"),
        ((CABLE, "--probe", "J1.2"), "`--probe J1.2`: pin `A.2` of the cable is there"),
        ((CABLE, "--probe", "J7"), "`--probe J7` should be written SOCKET.PIN"),
        (("scsi50-ribbon-straight",), "no socket for end `A`"),
    ],
)
def test_what_cannot_be_is_refused(words: tuple[str, ...], message: str, pinwright: Any) -> None:
    assert pinwright("touch", *words, "--port", "sim").error(2).startswith(message)


@pytest.mark.parametrize(
    ("tester", "hint"),
    [('kind = "pocket"', "`--probe J2.12`"), ("fitted = 5", "`--probe S1.40`")],
)
def test_a_tester_without_a_probe_lead_says_how_to_have_one(
    tester: str, hint: str, pinwright: Any, bench: Any
) -> None:
    ran = pinwright("touch", "service-lead-9", "--port", bench([], tester))
    assert 2 == ran.status
    assert "has no probe lead of its own" in ran.err
    assert hint in ran.err


def test_a_terminal_shows_one_panel_drawn_over_itself(on_a_terminal: Any) -> None:
    status, shown = on_a_terminal("touch", "xlr3-straight", "--port", "sim", NO_COLOR="1")
    assert 0 == status
    frames = shown.split("\x1b[J")
    assert all(frame.startswith("\x1b[17F╭") for frame in frames[1:-1])
    assert not re.search(r"\x1b\[[0-9;]*3[0-7]m", shown)
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", frames[1])
    assert ROWS == len([line for line in plain.splitlines() if "██" in line])
    assert "pin 1 → pin 1" in plain
    assert "1 of 3 touched; left: pins 2 and 3" in plain
    assert "✓ touched" in plain
    assert "touch a conductor with the probe lead" in frames[0]
    assert shown.endswith("\x1b[?25hall 3 were touched\n")


@posix
def test_one_key_ends_it_on_a_terminal_which_is_left_as_it_was(at_a_terminal: Any, bench: Any) -> None:
    terminal = at_a_terminal("touch", CABLE, "--port", bench([["@PROBE.1", "A.9"]]))
    terminal.until(lambda shown: b"of 40 touched; left" in shown.partition(b"conductor 9 ")[2])
    terminal.type(b"q")
    terminal.until(lambda shown: b"never touched" in shown)
    assert 0 == terminal.running.wait(10)
    assert terminal.before == terminal.look
    assert b"1 of 40 were touched\r\nnever touched: conductors 1 to 8 and 10 to 40" in terminal.shown


def test_an_ascii_terminal_gets_ascii(on_a_terminal: Any) -> None:
    _, shown = on_a_terminal("touch", "xlr3-straight", "--port", "sim", PYTHONIOENCODING="ascii")
    assert shown.isascii()
    assert "pin 1 -> pin 1" in shown
    assert "\\u" not in shown


def test_large_letters_fit_or_are_left_out() -> None:
    assert ["  ##    ", "####    ", "  ##    ", "  ##    ", "######  ##"] == [
        line.ljust(8) for line in large("1.", 40, True)
    ]
    assert ROWS == len(large("9 → 36", 80, False))
    assert large("9 → 36", 25, True)[0].startswith("### ")
    assert [] == large("9 → 36", 10, True)
    assert large("?", 9, True) == large("§", 9, True)


@pytest.mark.parametrize(
    ("cable", "ends"),
    [
        (CABLE, "A"),
        ("woven-40", "AC"),
        ("straight-34", "A"),
        ("service-lead-9", "A"),
        ("idc26-to-db25-row-matched", "A"),
    ],
)
def test_the_ends_that_are_crimped_on_a_ribbon_are_plugged_in_unless_it_is_said_otherwise(
    cable: str, ends: str, profile_of: Any
) -> None:
    profile = profile_of(cable)
    assert [*ends] == [end.name for end in plugged_ends(profile, [])]
    assert ["B"] == [end.name for end in plugged_ends(profile, ["B"])]


def test_every_way_leads_to_pins_of_its_own_net(profile_of: Any) -> None:
    for cable in (CABLE, "woven-40", "service-lead-9", "8p8c-crossover-four-pair"):
        profile = profile_of(cable)
        nets = {pin: set(net.pins) for net in profile.nets for pin in net.pins}
        ways = ways_of(profile, plugged_ends(profile, []))
        assert all(set(way.to) <= nets.get(pin, set()) for pin, way in ways.items())
        assert all(ways[pin].to for pin in nets if pin in ways)
    lamps = profile_of(CABLE)
    assert Way(9, (Pin("B", "36"),)) == ways_of(lamps, lamps.ends[:1])[Pin("A", "9")]
