"""Bench files: what a good one means, and what each wrong one is told."""

import math
from contextlib import suppress
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.errors import BenchError
from pinwright.virtual.bench import Bench, Link, good_bench, read_bench
from pinwright.virtual.bench import TesterSpec as Spec


def test_an_empty_bench_is_a_good_tester_with_nothing_plugged_in():
    assert Bench((), Spec(seed=1, fitted=8, lane="calibrated")) == Bench.from_dict({})


def test_a_link_has_the_defaults_of_the_contract():
    bench = Bench.from_dict({"link": [{"pins": ["A.1", "@J2.7"]}]})
    assert (Link((Pin("A", "1"), Pin("@J2", "7")), 0.1, 1.0, 10.0),) == bench.links


def test_no_ohms_at_all_is_a_milliohm():
    assert 1e-3 == Bench.from_dict({"link": [{"pins": ["A.1", "B.1"], "ohms": 0}]}).links[0].ohms


def test_a_good_bench_joins_the_nets_of_the_profile_and_nothing_else():
    profile = Profile.from_dict(
        {
            "cable": {"id": "short", "title": "Short", "revision": "A"},
            "ends": {"A": {"connector": "row-3"}, "B": {"connector": "row-3"}},
            "wiring": {"wires": [["A.1", "B.3"], ["A.2", "B.1", "B.2"]]},
        }
    )
    nets = (("A.1", "B.3"), ("A.2", "B.1", "B.2"))
    assert nets == tuple(tuple(map(str, link.pins)) for link in good_bench(profile).links)


EVERYTHING = """
[[link]]
pins = ["A.9", "B.36"]
ohms = 12
closed = 0.8
period_ms = 5
[tester]
seed = 7
fitted = 8
lane = "none"
stuck_low = [5]
stuck_high = [6]
bridged = [[7, 8]]
cut = [9]
dead_chips = [3]
moved_chips = {2 = 6}
no_pullup = [10]
converter = 0.9
flip_bits = 1e-4
outside = {"B.7" = 5.0}
drop_reply = 2
calibrated = "2026-01-31T09:00:00Z"
kelvin = -4
spread = 0
drift = 1.5
"""


def test_every_key_of_the_contract_is_read(tmp_path):
    file = tmp_path / "bench.toml"
    file.write_text(EVERYTHING)
    expected = Bench(
        (Link((Pin("A", "9"), Pin("B", "36")), 12.0, 0.8, 5.0),),
        Spec(
            7,
            8,
            "none",
            (5,),
            (6,),
            ((7, 8),),
            (9,),
            (3,),
            {2: 6},
            (10,),
            0.9,
            1e-4,
            {Pin("B", "7"): 5.0},
            2,
            calibrated=datetime(2026, 1, 31, 9, tzinfo=UTC),
            kelvin=-4.0,
            spread=0.0,
            drift=1.5,
        ),
    )
    assert expected == read_bench(file)


@pytest.mark.parametrize(
    ("tester", "about"),
    [
        ({}, {"fixture": "tester-128", "fitted": 8, "lane": True}),
        ({"lane": "uncalibrated", "fitted": 5}, {"fixture": "tester-128", "fitted": 5, "lane": True}),
        ({"lane": "none"}, {"fixture": "tester-128", "fitted": 8, "lane": False}),
        ({"kind": "pocket"}, {"fixture": "pocket-24"}),
    ],
    ids=str,
)
def test_the_board_s_own_file_says_what_is_fitted(tester, about):
    assert about | {"name": "virtual"} == Bench.from_dict({"tester": tester}).tester.board_file()


PINS = ["A.1", "B.1"]
WRONG = [
    ({"lnk": []}, "lnk", "unknown key; known are `link`, `tester`"),
    ({"link": {"pins": PINS}}, "link", "a link is a table under `[[link]]`, not a table"),
    ({"link": [5]}, "link[1]", "must be a table, not a whole number"),
    ({"link": [{}]}, "link[1]", "a link needs `pins`, a list of two or more"),
    ({"link": [{"pins": "A.1"}]}, "link[1].pins", "must be a list of two or more pins, not a text"),
    ({"link": [{"pins": ["A.1"]}]}, "link[1].pins", "must be two or more pins, not 1"),
    ({"link": [{"pins": ["A.1", "A.1"]}]}, "link[1].pins[2]", "`A.1` stands in this link twice"),
    ({"link": [{"pins": ["A.1", "B1"]}]}, "link[1].pins[2]", "is written END.PIN, such as `A.15`, not `B1`"),
    ({"link": [{"pins": ["A.1", 2]}]}, "link[1].pins[2]", "such as `A.15`, not a whole number"),
    ({"link": [{"pins": PINS, "ohm": 1}]}, "link[1].ohm", "unknown key; known are `pins`, `ohms`"),
    ({"link": [{"pins": PINS}, {"pins": PINS, "ohms": -1}]}, "link[2].ohms", "from 0 to 1e+09 ohms, not -1"),
    ({"link": [{"pins": PINS, "ohms": math.nan}]}, "link[1].ohms", "from 0 to 1e+09 ohms, not nan"),
    ({"link": [{"pins": PINS, "ohms": math.inf}]}, "link[1].ohms", "from 0 to 1e+09 ohms, not inf"),
    ({"link": [{"pins": PINS, "ohms": 10**400}]}, "link[1].ohms", "not a number of more than 400 digits"),
    ({"link": [{"pins": PINS, "ohms": True}]}, "link[1].ohms", "not true or false"),
    ({"link": [{"pins": PINS, "ohms": [1]}]}, "link[1].ohms", "not a list"),
    ({"link": [{"pins": PINS, "closed": 1.5}]}, "link[1].closed", "must be a number from 0 to 1, not 1.5"),
    ({"link": [{"pins": PINS, "period_ms": 0}]}, "link[1].period_ms", "must be a number from 0.001"),
    ({"tester": [1]}, "tester", "must be a table, not a list"),
    ({"tester": {"fited": 8}}, "tester.fited", "unknown key; known are `seed`, `fitted`"),
    ({"tester": {"fitted": 9}}, "tester.fitted", "must be a number of expanders from 1 to 8, not 9"),
    ({"tester": {"fitted": True}}, "tester.fitted", "from 1 to 8, not true or false"),
    ({"tester": {"seed": -1}}, "tester.seed", "must be a whole number from 0"),
    ({"tester": {"seed": 1.0}}, "tester.seed", "not a number"),
    ({"tester": {"lane": "on"}}, "tester.lane", "of `calibrated`, `uncalibrated`, `none`, not `on`"),
    ({"tester": {"lane": ["none"]}}, "tester.lane", "not a list"),
    ({"tester": {"stuck_low": 5}}, "tester.stuck_low", "must be a list of points, not a whole number"),
    ({"tester": {"stuck_low": [128]}}, "tester.stuck_low[1]", "must be a point from 0 to 127, not 128"),
    ({"tester": {"fitted": 5, "cut": [3, 80]}}, "tester.cut[2]", "must be a point from 0 to 79, not 80"),
    ({"tester": {"stuck_low": [4], "stuck_high": [4]}}, "tester.stuck_high", "point 4 is in `stuck_low` too"),
    ({"tester": {"bridged": [7, 8]}}, "tester.bridged[1]", "must be a list of two or more points"),
    ({"tester": {"bridged": [[7, 7]]}}, "tester.bridged[1]", "two or more different points, not [7, 7]"),
    ({"tester": {"dead_chips": [8]}}, "tester.dead_chips[1]", "must be a chip from 0 to 7, not 8"),
    ({"tester": {"moved_chips": [2]}}, "tester.moved_chips", "must be a table, not a list"),
    ({"tester": {"moved_chips": {"x": 2}}}, "tester.moved_chips.x", "must be a chip from 0 to 7, not `x`"),
    ({"tester": {"moved_chips": {"2": 8}}}, "tester.moved_chips.2", "must be an address from 0 to 7, not 8"),
    ({"tester": {"converter": "broken"}}, "tester.converter", "must be `missing`, `stuck` or a gain"),
    ({"tester": {"converter": False}}, "tester.converter", "not true or false"),
    *[
        ({"tester": {"kind": "pocket", key: 1}}, f"tester.{key}", "a pocket tester does not measure ohms")
        for key in ("lane", "converter", "calibrated", "kelvin", "spread", "drift")
    ],
    ({"tester": {"calibrated": 2026}}, "tester.calibrated", "in quotes, not a whole number"),
    ({"tester": {"calibrated": datetime(2026, 1, 31)}}, "tester.calibrated", "in quotes, not a datetime"),
    ({"tester": {"calibrated": "2026-01-31"}}, "tester.calibrated", "such as `2026-01-31T09:00:00Z`, not"),
    ({"tester": {"calibrated": "2026-1-31T9:00:00Z"}}, "tester.calibrated", "must be a date and time"),
    ({"tester": {"calibrated": "2026-02-30T09:00:00Z"}}, "tester.calibrated", "must be a date and time"),
    ({"tester": {"kelvin": 61}}, "tester.kelvin", "must be a number from -60 to 60 kelvins, not 61"),
    ({"tester": {"kelvin": "4"}}, "tester.kelvin", "not a text"),
    ({"tester": {"spread": -0.1}}, "tester.spread", "must be a number from 0 to 5, not -0.1"),
    ({"tester": {"drift": 5.5}}, "tester.drift", "must be a number from 0 to 5, not 5.5"),
    ({"tester": {"flip_bits": 2}}, "tester.flip_bits", "must be a number from 0 to 1, not 2"),
    ({"tester": {"outside": {"B7": 5}}}, "tester.outside.B7", "a pin is written END.PIN"),
    ({"tester": {"outside": {"B.7": "5"}}}, "tester.outside.B.7", "from -30 to 30 volts, not a text"),
    ({"tester": {"drop_reply": 0}}, "tester.drop_reply", "must be a whole number from 1"),
]


@pytest.mark.parametrize(("data", "key", "problem"), WRONG)
def test_a_wrong_bench_is_told_key_and_problem(data, key, problem):
    with pytest.raises(BenchError) as caught:
        Bench.from_dict(data)
    assert key == caught.value.key
    assert problem in caught.value.problem


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"[tester", "is not TOML"),
        (b"\xff\xfe", "is not UTF-8 text (byte 0)"),
        (b"[tester]\nseed = -1", "key `tester.seed`"),
        (b"a = " + b"[" * 5000, "is not TOML"),
    ],
)
def test_a_file_that_is_no_bench_is_named(tmp_path, content, problem):
    file = tmp_path / "wrong.toml"
    file.write_bytes(content)
    with pytest.raises(BenchError) as caught:
        read_bench(file)
    assert str(file) in caught.value.message
    assert problem in caught.value.message


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(BenchError, match=r"none\.toml`: cannot be read: No such file"):
        read_bench(tmp_path / "none.toml")


toml_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
)
keys = st.sampled_from([*Spec.__dataclass_fields__])


@given(st.dictionaries(keys, toml_values, max_size=3), st.lists(toml_values, max_size=2))
def test_any_document_is_a_bench_or_a_bench_error(tester, links):
    with suppress(BenchError):
        Bench.from_dict({"tester": tester, "link": links})
