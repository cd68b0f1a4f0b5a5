"""The desk of campaigns is the tester: the same evidence and readings as real MicroPython gives, and fast."""

from __future__ import annotations

import os
import random
import time

import pytest

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.errors import LinkLost, OwnBug, SelfCheckFailed
from pinwright.library import read_fixtures
from pinwright.link import Line, drive
from pinwright.tester.fixture import place
from pinwright.tester.frames import encode
from pinwright.tester.session import Session
from pinwright.verdict.agreement import decide
from pinwright.virtual.bench import Bench
from pinwright.virtual.process import VirtualTester, find_micropython

from ..desk import FIRMWARE, Desk
from ..random_cables import cable, faulty

FIXTURES = read_fixtures()
PINS = [f"{end}.{n}" for end in "AB" for n in range(1, 41)]
POINT_OF = {Pin("P", str(point)): point for point in range(128)}


def profile_of(nets):
    return Profile.from_dict(
        {
            "cable": {"id": "x", "title": "a cable", "revision": "A"},
            "ends": {"A": {"connector": "idc-2x20"}, "B": {"connector": "dip-40"}},
            "wiring": {"wires": nets},
        }
    )


STRAIGHT = [[f"A.{n}", f"B.{n}"] for n in range(1, 41)]


def bench_of(links, ohms=0.1, **tester):
    tester = {"calibrated": "2026-01-31T09:00:00Z", **tester}
    return Bench.from_dict({"link": [{"pins": link, "ohms": ohms} for link in links], "tester": tester})


def scan(profile, tester, fitted=8):
    """One scan of a tester whose converter has no noise."""
    if tester.board.converter:
        tester.board.converter.noise_steps = 0.0
    return drive(Session(profile, FIXTURES, "0").run(), Line(tester, lambda line: None))


def on_the_desk(profile, bench):
    points = place(profile.ends, FIXTURES["tester-128"], 16 * bench.tester.fitted).point_of
    with Desk(bench, points) as desk:
        return scan(profile, desk)


def in_micropython(profile, bench):
    points = place(profile.ends, FIXTURES["tester-128"], 16 * bench.tester.fitted).point_of
    with VirtualTester(bench, points, FIRMWARE) as tester:
        assert tester.engine.startswith("MicroPython") or not os.environ.get("CI")
        return scan(profile, tester)


@pytest.mark.skipif(find_micropython() is None and not os.environ.get("CI"), reason="no `micropython` here")
@pytest.mark.parametrize("tester", [{}, {"kelvin": 4, "fitted": 5}, {"lane": "none"}], ids=str)
def test_a_desk_and_real_micropython_see_and_read_the_same(tester):
    for seed in range(3):
        chance = random.Random(f"desk {seed}")
        sizes = [lambda chance: 2, lambda chance: chance.randint(1, 5), lambda chance: 20]
        nets, links = cable(chance, PINS, sizes)
        bench = bench_of(faulty(chance, PINS, links, seed), chance.choice([0.1, 3.0]), seed=seed, **tester)
        desk, real = (run(profile_of(nets), bench) for run in (on_the_desk, in_micropython))
        assert desk.evidence == real.evidence
        assert desk.readings == real.readings
        assert (desk.readings is None) == (tester == {"lane": "none"})
        assert desk.board_verdict == real.board_verdict
        assert desk.long_check == real.long_check


def test_a_desk_is_fast():
    # Generous, for slow machines; measured 0.1 s to switch on, scan, measure and judge a 40-way lead.
    profile = profile_of(STRAIGHT)
    on_the_desk(profile, bench_of(STRAIGHT))
    began = time.perf_counter()
    passed = [decide(profile, on_the_desk(profile, bench_of(STRAIGHT, seed=n))).passed for n in range(5)]
    assert [True] * 5 == passed
    assert time.perf_counter() - began < 5.0


def test_many_desks_live_at_once_each_with_its_own_modules_and_files():
    profile = profile_of(STRAIGHT)
    points = place(profile.ends, FIXTURES["tester-128"], 128).point_of
    desks = [Desk(bench_of(STRAIGHT[n:], seed=n), points) for n in range(4)]
    missing = [decide(profile, scan(profile, desk)).missing for desk in desks]
    assert [0, 1, 2, 3] == [len(nets) for nets in missing]
    assert 4 == len({desk.flash for desk in desks})
    for desk in desks:
        desk.close()
        assert not desk.flash.exists()


def test_another_cable_can_be_plugged_in():
    profile = profile_of(STRAIGHT)
    points = place(profile.ends, FIXTURES["tester-128"], 128).point_of
    with Desk(bench_of(STRAIGHT), points) as desk:
        assert decide(profile, scan(profile, desk)).passed
        desk.plug(bench_of(STRAIGHT[1:]), points)
        assert not decide(profile, scan(profile, desk)).passed


def test_files_of_the_board_stay_in_a_folder_of_one_s_own(tmp_path):
    with Desk(bench_of([]), POINT_OF, flash=tmp_path) as desk:
        desk.write(encode(1, "keep forget calibration"))
        assert b"<01 ok " == desk.read(0)[:7]
    assert ["board.json", "check.bin"] == sorted(file.name for file in tmp_path.iterdir())


def test_time_goes_by_the_buses_and_by_sleeping_alone():
    points, seen = place(profile_of(STRAIGHT).ends, FIXTURES["tester-128"], 128).point_of, []
    for _ in range(2):
        with Desk(bench_of(STRAIGHT), points) as desk:
            desk.write(encode(1, "check"))
            seen.append((desk.now_us, desk.board.bus_us, desk.read(0)))
    assert seen[0] == seen[1]
    assert seen[0][0] > seen[0][1] > 1000


def test_ctrl_c_ends_the_firmware_and_lets_go_of_all_points():
    with Desk(bench_of([]), POINT_OF) as desk:
        desk.write(encode(1, "echo there"))
        assert b"<01 ok there " == desk.read(0)[:13]
        desk.interrupt()
        with pytest.raises(LinkLost, match="the firmware has ended"):
            desk.read(0)
        assert [0] * 8 == [chip.outputs for chip in desk.board.chips]


@pytest.mark.parametrize(
    ("main", "told"),
    [("print('hello')\n1 / 0\n", b"ZeroDivisionError"), ("import nothing_of_ours\n", b"ImportError")],
)
def test_a_firmware_that_breaks_says_how(main, told, tmp_path):
    (tmp_path / "main.py").write_text(main)
    with Desk(bench_of([]), POINT_OF, tmp_path) as desk:
        assert told in desk.read(0)
        with pytest.raises(LinkLost):
            desk.write(b"x")


def test_a_broken_rule_is_told_as_by_the_virtual_tester():
    desk = Desk(bench_of([]), POINT_OF)
    desk.board.broken.append("smoke")
    with pytest.raises(OwnBug, match="smoke"):
        desk.close()
    desk.close()


def test_a_fault_of_the_bench_is_an_error_as_by_the_virtual_tester():
    with pytest.raises(SelfCheckFailed):
        on_the_desk(profile_of(STRAIGHT), bench_of(STRAIGHT, converter="missing"))


def test_the_firmware_s_own_folder_is_not_written_to():
    before = {file: file.stat().st_mtime_ns for file in FIRMWARE.rglob("*")}
    on_the_desk(profile_of(STRAIGHT), bench_of(STRAIGHT))
    assert before == {file: file.stat().st_mtime_ns for file in FIRMWARE.rglob("*")}
