"""Cables in the tester come back as profiles: the two looks of `capture`, firmware and model on a desk.

What is plugged in is what a table or a dice says; the names and the rule that it came from are shown to
nobody.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

import pytest

from pinwright.cable.capturing import Answers, as_measured
from pinwright.cable.connectors import connector
from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import End, Profile
from pinwright.cli import capture
from pinwright.cli.ports import Workshop, plug_in
from pinwright.library import library_folders, library_profiles, profile_of
from pinwright.virtual.bench import Bench, Link, TesterSpec

from ..desk import Desk
from ..random_cables import cable

LIBRARY = library_profiles(library_folders())
TOO_LARGE = {"scsi50-ribbon-straight"}  # no socket of the tester has 50 pins
BY_HAND = {"dip16-to-dip16-same-plugs": {"B": "J1"}}  # there is one socket for DIP plugs
WORKSHOP = Workshop.read()
Nets = Sequence[tuple[Pin, ...]]


def captured(
    monkeypatch: pytest.MonkeyPatch,
    ends: Sequence[End],
    by_hand: Mapping[str, str],
    links: Nets,
    tester: TesterSpec,
) -> Profile:
    """The profile of a lead with these links, as a script gets it; its tester warns of nothing."""

    @contextmanager
    def opened(*_: Any) -> Iterator[Desk]:
        with Desk(*plug_in(Bench(tuple(map(Link, links)), tester), ends, WORKSHOP, by_hand)) as desk:
            yield desk

    monkeypatch.setattr(capture, "opened", opened)
    seen = capture._seen(ends, by_hand, "a desk")
    assert isinstance(seen, capture.Seen)
    assert () == seen.warnings
    return profile_of(capture._text(seen, as_measured(seen.sample, Answers())))


@pytest.mark.parametrize(
    "profile", [one for one in LIBRARY if one.id not in TOO_LARGE], ids=lambda profile: profile.id
)
def test_every_cable_of_the_library_comes_back(profile: Profile, monkeypatch: pytest.MonkeyPatch) -> None:
    ends = tuple(End(end.name, end.connector, "", {}) for end in profile.ends)
    nets = [net.pins for net in profile.nets]
    made = captured(monkeypatch, ends, BY_HAND.get(profile.id, {}), nets, TesterSpec())
    assert nets == [net.pins for net in made.nets]


SIZES = (lambda chance: 2, lambda chance: chance.choice([1, 2, 2, 3]), lambda chance: chance.randint(2, 30))


@pytest.mark.parametrize("seed", range(6))
def test_whatever_is_joined_comes_back(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nets of any size, linked in any order, on boards that are no two alike."""
    chance = random.Random(seed)
    plugs = chance.choice([("idc-2x20", "dip-40"), ("idc-2x20", "idc-2x20", "dip-40"), ("row-9", "row-12")])
    ends = tuple(End(name, connector(plug), "", {}) for name, plug in zip("ABC", plugs, strict=False))
    pin_of = {str(pin): pin for end in ends for pin in end.pins()}
    nets, links = cable(chance, list(pin_of), SIZES)
    whole = sorted(
        (tuple(sorted((pin_of[pin] for pin in net), key=in_order)) for net in nets),
        key=lambda net: in_order(net[0]),
    )
    wired = [tuple(pin_of[pin] for pin in link) for link in links]
    made = captured(monkeypatch, ends, {}, wired, TesterSpec(seed=seed))
    assert whole == [net.pins for net in made.nets]
