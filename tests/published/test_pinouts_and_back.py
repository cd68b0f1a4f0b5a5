"""Every wiring of the library goes out to pinouts and comes back through `derive` as the same nets."""

from __future__ import annotations

import random
import tomllib

import pytest

from pinwright.cable.connectors import connector
from pinwright.cable.deriving import Derived, derive
from pinwright.cable.drafting import profile_text
from pinwright.cable.pinout import Pinout
from pinwright.cable.pins import Pin
from pinwright.cable.profile import End, Joined, Profile
from pinwright.cable.reporting import draft_of
from pinwright.cable.wiring import Pins
from pinwright.library import LoadedProfile, all_profiles, library_folders

LIBRARY = [found for found in all_profiles(library_folders()) if isinstance(found, LoadedProfile)]
BY_NAME = [found for found in LIBRARY if "by_signal = true" in found.text]
# Of fewer nets than this two are too many for the rule to be seen.
BY_RULE = [found for found in LIBRARY if "rule = " in found.text and len(found.profile.nets) > 8]
MARKS = ("/{}", "{}*", "~{}", "{}#", "!{}")


def derived(ends: tuple[End, ...], names: dict[Pin, str], tied: list[str]) -> Derived:
    pinouts = {
        end.name: Pinout(
            end.connector, end.label, {pin.name: names[pin] for pin in end.pins() if pin in names}
        )
        for end in ends
    }
    return derive(pinouts, tied=tied)


def come_back(found: Derived) -> tuple[Pins, ...]:
    draft = draft_of(found, {end.name: "x.csv" for end in found.ends}, id="x", title="X", revision="1")
    return tuple(net.pins for net in Profile.from_dict(tomllib.loads(profile_text(draft))).nets)


def tied_within(nets: list[Pins], names: dict[Pin, str]) -> list[str]:
    """The names of nets with two pins of an end: a pinout does not say that the cable joins these."""
    return [names[net[0]] for net in nets if len(net) > len({pin.end for pin in net})]


@pytest.mark.parametrize("loaded", LIBRARY, ids=lambda loaded: loaded.profile.id)
def test_a_wiring_with_a_name_for_each_net_comes_back(loaded: LoadedProfile) -> None:
    profile, chance = loaded.profile, random.Random(loaded.profile.id)
    nets = [net.pins for net in profile.nets]
    names = {}
    for number, net in enumerate(nets):
        low = chance.random() < 0.5
        for pin in net:
            name = chance.choice((f"Lamp {number}", f"LAMP-{number}", f"lamp_{number}"))
            names[pin] = chance.choice(MARKS).format(name) if low else name
        names |= {pin: f"J3.{names[pin]}" for pin in net if pin.end == "B"}
    found = derived(profile.ends, names, tied_within(nets, names))
    assert tuple(nets) == come_back(found)
    assert ((), ()) == (found.alone, found.breaks) or loaded.profile.id in NEARLY


# Of these most conductors obey a rule, and some do not.
NEARLY = ("floppy34-ibm-twist", "printer-db25-to-mr36-18wire", "printer-db25-to-mr36-25wire-a")


@pytest.mark.parametrize("loaded", BY_NAME, ids=lambda loaded: loaded.profile.id)
def test_a_wiring_with_its_own_names_comes_back_with_its_rule(loaded: LoadedProfile) -> None:
    """Also with pins that are listed and carry nothing, which a file of ours writes as it is."""
    profile = loaded.profile
    names = {
        Pin(end, pin): name
        for end, table in tomllib.loads(loaded.text)["ends"].items()
        for pin, name in table["signals"].items()
    }
    tied = [name for name, joined in profile.common.items() if joined is Joined.REQUIRED]
    found = derived(profile.ends, names, tied)
    assert tuple(net.pins for net in profile.nets) == come_back(found)
    assert found.obeyed is not None
    assert profile.wiring_text.removesuffix(" + equal signal names") == found.obeyed.text
    assert profile.common == found.common


@pytest.mark.parametrize("loaded", BY_RULE, ids=lambda loaded: loaded.profile.id)
def test_two_names_exchanged_at_one_end_are_named_and_no_other(loaded: LoadedProfile) -> None:
    chance = random.Random(loaded.profile.id)
    nets = [net.pins for net in loaded.profile.nets]
    names = {pin: f"LAMP {number}" for number, net in enumerate(nets) for pin in net}
    for _ in range(20):
        one, other = chance.sample(nets, 2)
        end = chance.choice(sorted({pin.end for pin in one} & {pin.end for pin in other}))
        here, there = (next(pin for pin in net if pin.end == end) for net in (one, other))
        slip = {**names, here: names[there], there: names[here]}
        found = derived(loaded.profile.ends, slip, [])
        assert {names[here], names[there]} == {*found.breaking()}
        assert found.obeyed is not None
        assert found.obeyed.text == loaded.profile.wiring_text.partition(" + ")[0]


@pytest.mark.parametrize("seed", range(60))
def test_a_wiring_by_chance_comes_back(seed: int) -> None:
    chance = random.Random(seed)
    families = chance.sample(["idc-2x8", "dip-16", "dsub-15-plug-shell", "row-9", "header-2x5", "trs"], 3)
    ends = tuple(End(name, connector(family), "", {}) for name, family in zip("ABC", families, strict=True))
    left = [pin for end in ends[: chance.choice((2, 3))] for pin in end.pins()]
    chance.shuffle(left)
    nets, names = [], {}
    while len(left) > 8:
        size = chance.choice((2, 2, 2, 3, 5))
        net, left = sorted(left[:size]), left[size:]
        if len({pin.end for pin in net}) > 1:
            names |= dict.fromkeys(net, f"SIGNAL {len(nets)}")
            nets.append(tuple(net))
    found = derived(ends, names, tied_within(nets, names))
    assert {frozenset(net) for net in nets} == {frozenset(net) for net in come_back(found)}


def test_there_are_wirings_to_test() -> None:
    assert len(LIBRARY) > 40
    assert len(BY_NAME) > 10
    assert len(BY_RULE) > 15
