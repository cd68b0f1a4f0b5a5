"""What a report on cables of one kind says, whatever shows it: yield, where they fail, how joints spread.

Pure. Everything in it that a file chose is made harmless here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from pinwright.cable.connectors import Connector
from pinwright.cable.laying import laying_of
from pinwright.cable.pins import Pin
from pinwright.cable.places import held_from_behind, place_of
from pinwright.cable.profile import End, Net, Profile
from pinwright.records.statistics import Period, PinCount, Report, Share, Spread
from pinwright.sheets.build import seen_from
from pinwright.sheets.text import shown
from pinwright.verdict.words import KINDS

MOST_WORST = 10  # pins in the list of the worst
FEW = 20  # cables, below which a share is said to tell little: a judgement
LEGEND = (
    "A number says in how many cables a fault was found at that pin, each cable once. An open conductor "
    "counts at all of its pins, for continuity cannot tell which end is off."
)
SIMULATED = "Simulations: no cable was tested."
_MOST_NAME = 40  # characters of what may be any text


@dataclass(frozen=True, slots=True)
class ReportEnd:
    """One connector. plug: as it is held, and as the build sheet draws it. view: the side, and what is up.
    counts: pin → cables with a fault there, of those with any."""

    name: str
    caption: str
    view: str
    plug: Connector
    counts: dict[str, int]


@dataclass(frozen=True, slots=True)
class Worst:
    """A pin at which many cables had a fault. place: "odd row, seventh from the top". kinds: "open 3"."""

    pin: str
    cables: int
    place: str
    signal: str
    kinds: str


@dataclass(frozen=True, slots=True)
class SpreadRow:
    """One conductor. to: where it leads. spread: in ohms."""

    pin: str
    to: str
    signal: str
    spread: Spread


@dataclass(frozen=True, slots=True)
class ReportSheet:
    """warning: what it is not, or nothing. about: label and text. yields: sentences. total, months: of cables
    by their first test. kinds: kind, what it is, cables, tests. plugs: end, kind, cables. worst: pins, the
    worst first; more: how many others had a fault. elsewhere: pins that the connectors have not. spread_text:
    what the ohms are of, or why there are none."""

    warning: str
    title: str
    name: str
    about: tuple[tuple[str, str], ...]
    yields: tuple[str, ...]
    total: Period
    months: tuple[Period, ...]
    kinds: tuple[tuple[str, str, int, int], ...]
    plugs: tuple[tuple[str, str, int], ...]
    ends: tuple[ReportEnd, ...]
    worst: tuple[Worst, ...]
    more: int
    elsewhere: str
    spreads: tuple[SpreadRow, ...]
    spread_text: str

    @property
    def most(self) -> int:
        """Cables at the worst pin."""
        return max((count for end in self.ends for count in end.counts.values()), default=0)


def report_sheet(
    profile: Profile, report: Report, *, of_record: bool, asked: str = "", simulations: bool = False
) -> ReportSheet:
    """profile: the one whose connectors are drawn. of_record: it is the newest record's, for the library has
    none. asked: which cables were asked for, in words, where not all. simulations: they count too."""
    sheet = _Sheet(profile, report).made(of_record, asked)
    return replace(sheet, warning=SIMULATED) if simulations else sheet


class _Sheet:
    def __init__(self, profile: Profile, report: Report) -> None:
        self.profile, self.report = profile, report
        pressed = laying_of(profile).pressed
        self.plugs = {
            end.name: seen_from(
                end.connector,
                "behind" if held_from_behind(end.connector, pressed=end.name in pressed) else "front",
            )
            for end in profile.ends
        }
        self.nets = {str(pin): net for net in profile.nets for pin in net.pins}
        self.signals = {
            str(Pin(end.name, name)): signal for end in profile.ends for name, signal in end.signals.items()
        }

    def made(self, of_record: bool, asked: str) -> ReportSheet:
        profile, report = self.profile, self.report
        worst = sorted(report.pins, key=lambda one: -one.cables)  # of as many, in order of pins
        return ReportSheet(
            warning="",
            title=shown(profile.title),
            name=shown(f"{profile.id} revision {profile.revision}" if profile.revision else profile.id),
            about=tuple((label, shown(text)) for label, text in self._about(of_record, asked) if text),
            yields=tuple(_yields(report)),
            total=report.total,
            months=report.months,
            kinds=tuple(
                (shown(one.kind, _MOST_NAME), KINDS.get(one.kind, ""), one.cables, one.tests)
                for one in report.kinds
            ),
            plugs=tuple((one.end, shown(one.kind, _MOST_NAME), one.cables) for one in report.plugs),
            ends=tuple(map(self._end, profile.ends)),
            worst=tuple(map(self._worst, worst[:MOST_WORST])),
            more=len(worst[MOST_WORST:]),
            elsewhere=", ".join(
                f"{shown(one.pin, _MOST_NAME)} {_cables(one.cables)}" for one in report.elsewhere[:MOST_WORST]
            ),
            spreads=tuple(map(self._spread, report.spreads)),
            spread_text=_spread_text(report),
        )

    def _about(self, of_record: bool, asked: str) -> Iterator[tuple[str, str]]:
        report, revision = self.report, self.profile.revision
        yield "Cables", _counted(report) + (f": {asked}" if asked else "")
        which = f"revision {revision}" if revision else "which names no revision"
        whose = "the newest record has, for the library has none" if of_record else "the library has"
        others = [(name or "none", count) for name, count in report.revisions if name != revision]
        told = f"drawn as in the profile that {whose}, {which}"
        if others:
            tests = sum(count for _, count in others)
            named = ", ".join(f"{name}: {count}" for name, count in others)
            told += f"; {_tests(tests)} of other revisions count by the names of their pins ({named})"
        yield "Connectors", told
        yield "Left out", _left_out(report)

    def _end(self, end: End) -> ReportEnd:
        plug = self.plugs[end.name]
        label = f", {end.label}" if end.label else ""
        counts = {
            one.pin.rpartition(".")[2]: one.cables
            for one in self.report.pins
            if one.pin.rpartition(".")[0] == end.name
        }
        return ReportEnd(
            end.name, shown(f"End {end.name}: {end.connector.name}{label}"), plug.view, plug, counts
        )

    def _worst(self, one: PinCount) -> Worst:
        end, _, name = one.pin.rpartition(".")
        return Worst(
            pin=one.pin,
            cables=one.cables,
            place=place_of(self.plugs[end], name),
            signal=shown(self._signal(one.pin), _MOST_NAME),
            kinds=", ".join(f"{shown(kind, _MOST_NAME)} {count}" for kind, count in one.kinds),
        )

    def _spread(self, spread: Spread) -> SpreadRow:
        net = self.nets.get(spread.pin)
        others = [str(pin) for pin in net.pins if str(pin) != spread.pin] if net else []
        to = others[0] if len(others) == 1 else f"{len(others)} others" if others else ""
        pin = shown(spread.pin, _MOST_NAME)
        return SpreadRow(pin, to, shown(self._signal(spread.pin), _MOST_NAME), spread)

    def _signal(self, pin: str) -> str:
        net: Net | None = self.nets.get(pin)
        return self.signals.get(pin) or (net.signal if net else "")


def _counted(report: Report) -> str:
    if not report.cables:
        return "none"
    first, last = report.begun[:10], report.ended[:10]
    when = f"on {first}" if first == last else f"from {first} to {last}"
    return f"{_cables(report.cables)}, {_tests(report.tests)} {when} (UTC)"


def _cables(count: int) -> str:
    return f"{count} cable{'' if count == 1 else 's'}"


def _tests(count: int) -> str:
    return f"{count} test{'' if count == 1 else 's'}"


def _yields(report: Report) -> Iterator[str]:
    total = report.total
    if not total.made:
        return
    yield _share_text(Share(total.first, total.made), "passed the first test")
    unknown = f"; {total.unknown} of unknown state" if total.unknown else ""
    yield _share_text(Share(total.passed, total.made), "passed the latest test") + unknown
    if total.made < FEW:
        yield f"So few cables say little: {_cables(total.made)}."


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _share_text(share: Share, what: str) -> str:
    """`28 of 32 passed the first test: 88 %; 95 % sure it is between 72 % and 95 % in the long run`."""
    low, high = share.interval
    return (
        f"{share.count} of {share.of} {what}: {_percent(share.count / share.of)}; in the long run between "
        f"{_percent(low)} and {_percent(high)} (95 % sure, by Wilson's interval)"
    )


def _left_out(report: Report) -> str:
    left = report.left_out
    told: Sequence[tuple[int, str]] = (
        (left.simulated, "of a simulation"),
        (left.withdrawn, "withdrawn"),
        (left.not_as_made, "not as it was made" if left.not_as_made == 1 else "not as they were made"),
        (left.other_revision, "of other revisions"),
        (left.earlier_or_later, "of cables first tested at another time"),
    )
    return ", ".join(f"{_tests(count)} {why}" for count, why in told if count)


def _spread_text(report: Report) -> str:
    if not report.spreads:
        return "No cable has passed on a calibrated tester, so there is nothing to say of resistances."
    return (
        f"Of {_cables(report.measured)}, each by its latest test that passed on a calibrated tester, in "
        "ohms. A difference below the uncertainty may be the tester's own."
    )
