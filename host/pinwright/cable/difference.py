"""How two profiles differ, as facts: what each of them says where they do not say the same."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import End, Limit, Net, Profile
from pinwright.cable.wiring import Pins

Both = tuple[str, str]  # what the one profile says, and the other; empty where it says nothing


@dataclass(frozen=True, slots=True)
class Moved:
    """A pin that is joined to others than in the other profile. one, other: its net there; None where it is
    unused; the pin is at one of the profiles only where `there` says so."""

    pin: Pin
    one: Net | None
    other: Net | None
    there: tuple[bool, bool]


@dataclass(frozen=True, slots=True)
class Difference:
    """Where two profiles differ; empty where they do not.

    ends: end → its connectors. only_one, only_other: nets whose pins are no net of the other profile. moved:
    every pin of these. common: signal → joined, and its pins where these differ. limits, also of the
    whole cable (with an empty name): in words. cable: key of [cable] → values. labels: end → labels. signals:
    pin → what it carries. The notes and the origin of a profile are no part of the cable and are not
    compared.
    """

    ends: Mapping[str, Both]
    only_one: tuple[Net, ...]
    only_other: tuple[Net, ...]
    moved: tuple[Moved, ...]
    common: Mapping[str, Both]
    limits: Mapping[str, Both]
    cable: Mapping[str, Both]
    labels: Mapping[str, Both]
    signals: Mapping[Pin, Both]

    @property
    def same_wiring(self) -> bool:
        """Whether a cable that passes the one in its nets passes the other, limits aside."""
        return not (self.ends or self.only_one or self.only_other or self.common)

    @property
    def same(self) -> bool:
        return self.same_wiring and not (self.limits or self.cable or self.labels or self.signals)


def difference(one: Profile, other: Profile) -> Difference:
    """What is not the same in two profiles. Pure; equal inputs give equal facts, sorted."""
    nets, others = {net.pins: net for net in one.nets}, {net.pins: net for net in other.nets}
    only_one = tuple(net for pins, net in nets.items() if pins not in others)
    only_other = tuple(net for pins, net in others.items() if pins not in nets)
    return Difference(
        ends=_apart(_connectors(one), _connectors(other)),
        only_one=only_one,
        only_other=only_other,
        moved=_moved(one, other, only_one, only_other),
        common=_apart(*_commons(one, other)),
        limits=_apart(_limits(one), _limits(other)),
        cable=_apart(_cable(one), _cable(other)),
        labels=_apart(_labels(one), _labels(other)),
        signals={pin: both for pin, both in _signals(one, other).items() if both[0] != both[1]},
    )


def _apart(one: Mapping[str, str], other: Mapping[str, str]) -> dict[str, Both]:
    both = {key: (one.get(key, ""), other.get(key, "")) for key in sorted({*one, *other})}
    return {key: (here, there) for key, (here, there) in both.items() if here != there}


def _commons(one: Profile, other: Profile) -> tuple[dict[str, str], dict[str, str]]:
    """Of each profile: common signal → joined, with its pins where the two do not agree on them."""
    both = [{name: _carriers(profile, name) for name in profile.common} for profile in (one, other)]
    told: list[dict[str, str]] = []
    for profile, own in zip((one, other), both, strict=True):
        apart = {name for name in own if len({each.get(name, own[name]) for each in both}) > 1}
        told.append(
            {
                name: f"{joined}, at {' '.join(own[name])}" if name in apart else str(joined)
                for name, joined in profile.common.items()
            }
        )
    return told[0], told[1]


def _carriers(profile: Profile, name: str) -> tuple[str, ...]:
    """The pins of a common signal that is no one net."""
    pins = sorted((pin for net in profile.nets if net.common == name for pin in net.pins), key=in_order)
    return tuple(map(str, pins))


def _connectors(profile: Profile) -> dict[str, str]:
    return {end.name: end.connector.name for end in profile.ends}


def _labels(profile: Profile) -> dict[str, str]:
    return {end.name: end.label for end in profile.ends}


def _moved(
    one: Profile, other: Profile, only_one: tuple[Net, ...], only_other: tuple[Net, ...]
) -> tuple[Moved, ...]:
    here = {pin: net for net in only_one for pin in net.pins}
    there = {pin: net for net in only_other for pin in net.pins}
    pins, others = {*one.pins()}, {*other.pins()}
    return tuple(
        Moved(pin, here.get(pin), there.get(pin), (pin in pins, pin in others))
        for pin in sorted({*here, *there}, key=in_order)
    )


def _limits(profile: Profile) -> dict[str, str]:
    whole = Limit(profile.max_ohms, profile.min_leak_ohms)
    return {
        name: f"links at most {limit.max_ohms:g} Ω, leaks at least {limit.min_leak_ohms:g} Ω"
        for name, limit in {"": whole, **profile.limits}.items()
    }


def _cable(profile: Profile) -> dict[str, str]:
    return {
        "id": profile.id,
        "title": profile.title,
        "revision": profile.revision,
        "length_mm": "" if profile.length_mm is None else f"{profile.length_mm:g}",
        "wire": profile.wire or "",
        "serial": profile.serial,
    }


def _signals(one: Profile, other: Profile) -> dict[Pin, Both]:
    """What the pins of either carry."""
    here, there = _carried(one.ends), _carried(other.ends)
    pins: Pins = tuple(sorted({*here, *there}, key=in_order))
    return {pin: (here.get(pin, ""), there.get(pin, "")) for pin in pins}


def _carried(ends: tuple[End, ...]) -> dict[Pin, str]:
    return {Pin(end.name, pin): name for end in ends for pin, name in end.signals.items()}
