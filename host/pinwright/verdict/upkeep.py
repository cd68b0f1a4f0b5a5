"""Calibration and long check: what is looked at, what is worked out, and what is found wrong.

Both look at the tester with nothing plugged in, and at each socket with a shorting bar in it: a plug all of
whose pins are joined. Each look is a scan like any other, of a cable that is the bar; the person moves the
bar from socket to socket between the looks.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import fmean, median

from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import Net, Profile
from pinwright.errors import OwnBug, SelfCheckFailed
from pinwright.tester.asking import Reply, Request
from pinwright.tester.calibration import Calibration, LongCheck
from pinwright.tester.fixture import Fixture, Socket
from pinwright.tester.lane import mask_text, measured, own_readings, part, readings
from pinwright.tester.ohmmeter import (
    DRIVER_HIGH_OHMS,
    DRIVER_LOW_OHMS,
    HIGH_OHMS,
    LOW_OHMS,
    MOST_EMPTY_STEPS,
    SERIES_OHMS,
    Lane,
    Ohmmeter,
)
from pinwright.tester.session import Scan, Session
from pinwright.verdict.agreement import decide

OFF_ITS_CHIP_OHMS = 30.0  # points of one chip differ by their resistors' 2 % and some ohms of drivers
_LEAST_OF_A_CHIP = 4  # points, to say what is usual
POINTS_PER_CHIP = 16
_SETTLED_OHMS = 1e-4
_ROUNDS = 100


@dataclass(frozen=True, slots=True)
class Look:
    """One look at the tester. socket: which has the bar; None: nothing is plugged in.

    faults: what is not as it should be, in sentences. high, low, leak: readings per point, 0 = none. lane:
    the tester's own readings at that time; None where it has no lane.
    """

    socket: Socket | None
    faults: tuple[str, ...]
    lane: Lane | None = None
    high: tuple[int, ...] = ()
    low: tuple[int, ...] = ()
    leak: tuple[int, ...] = ()


def sockets_of(fixture: Fixture, points: int) -> tuple[Socket, ...]:
    """Those that the bar has to visit."""
    return tuple(socket for socket in fixture.sockets if socket.takes_cables and max(socket.points) < points)


def bar_in(socket: Socket | None) -> Profile:
    """The bar as a cable: one net of all positions of the socket; no net at all where it is in none."""
    pins = tuple(Pin(f"@{socket.name}", str(n)) for n in range(1, len(socket.points) + 1)) if socket else ()
    nets = (Net("shorting bar", pins),) if pins else ()
    return Profile(
        id="shorting-bar",
        title="Shorting bar",
        revision="",
        length_mm=None,
        wire=None,
        max_ohms=5.0,
        min_leak_ohms=100_000.0,
        serial="",
        ends=(),
        nets=nets,
        common={},
        limits={},
        wiring_text="",
        spare=(),
        notes=(),
    )


def look(
    session: Session, socket: Socket | None, calibration: Calibration | None = None
) -> Generator[Request, Reply, Look]:
    """Look at the tester with the bar in that socket, or in none. session: new, of `bar_in(socket)`.

    Raises TesterError where the board's own short check already refuses, or where the lane cannot be trusted:
    by the calibration, if there is one.
    """
    scan = yield from session.run(ohms=False)
    faults = _continuity(scan, session.profile, socket)
    if scan.hello.lane == "none":
        return Look(socket, faults)
    points = scan.hello.points
    pairs = [pair for pair in scan.fixture.references if max(pair) < points]
    lane, _ = yield from own_readings(session, 2 * len(pairs))
    Ohmmeter(lane, lane, calibration)
    if faults:
        return Look(socket, faults, lane)
    if socket is None:
        own = {point for pair in pairs for point in pair}
        parts = bytes(0 if point in own else point + 1 for point in range(points))
        yield from part(session, parts)
        yield from measured(session, "leaks")
        leak = yield from readings(session, "leak", points)
        return Look(socket, _leaks(lane, leak, scan.fixture), lane, leak=leak)
    mask = sum(1 << point for point in socket.points)
    yield from measured(session, f"bar {mask_text(mask, points)}")
    high = yield from readings(session, "high", points)
    low = yield from readings(session, "low", points)
    if not all(high[point] and low[point] for point in socket.points):
        raise SelfCheckFailed(f"the tester measured {socket.name} only in part")
    return Look(socket, (), lane, high, low)


def _continuity(scan: Scan, bar: Profile, socket: Socket | None) -> tuple[str, ...]:
    """What the scan of the bar shows to be wrong."""
    facts = decide(bar, scan, ohms=False)
    told = []
    for missing in facts.missing:
        largest = max(missing.pieces, key=len)
        apart = [pin for piece in missing.pieces if piece is not largest for pin in piece]
        assert socket is not None
        if len(apart) > len(socket.points) // 4:
            told.append(f"the shorting bar is not in {socket.name}, or not pressed home")
        else:
            told.append(
                f"{_names(apart)} {'does' if len(apart) == 1 else 'do'} not reach the shorting bar: its "
                "contact there, the resistor, the joint or the expander's pin is open"
            )
    for extra in facts.extra:
        to_the_bar = extra.nets and extra.unused
        told.append(
            f"{_names(extra.unused)} {'is' if len(extra.unused) == 1 else 'are'} joined to {socket.name} "
            "inside the tester"
            if socket and to_the_bar
            else f"{_names(extra.pins)} are joined inside the tester, or by something in it"
        )
    return tuple(told)


def _names(pins: Sequence[Pin]) -> str:
    """`J1.7, J1.9 and 3 more`: positions of the tester."""
    names = [str(pin).removeprefix("@") for pin in sorted(pins, key=in_order)]
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def _leaks(lane: Lane, leak: Sequence[int], fixture: Fixture) -> tuple[str, ...]:
    """Points that leak by themselves, which no baseline should hide."""
    return tuple(
        f"{fixture.name_of(point)} leaks {lane.path_ohms(reading) / 1e3:.0f} kΩ with nothing plugged in: "
        "is anything in a socket? If not, clean the board"
        for point, reading in enumerate(leak)
        if reading and reading - lane.zero > MOST_EMPTY_STEPS
    )


def calibration_from(looks: Sequence[Look], made: datetime, points: int) -> Calibration:
    """The calibration that faultless looks at the empty tester and at every socket give."""
    high: list[float | None] = [None] * points
    low: list[float | None] = [None] * points
    empty, references, celsius = [0] * points, [], []
    for one in looks:
        if one.faults or one.lane is None:
            raise OwnBug("a calibration was to be made of looks that found faults")
        celsius.append(one.lane.celsius)
        references.append([one.lane.path_ohms(reading) for reading in one.lane.references])
        if one.socket is None:
            empty = [reading - one.lane.zero if reading else 0 for reading in one.leak]
        else:
            for point, ohms in points_ohms(one).items():
                high[point], low[point] = ohms
    return Calibration(
        made,
        tuple(high),
        tuple(low),
        tuple(empty),
        tuple(map(fmean, zip(*references, strict=True))),
        fmean(celsius),
    )


def points_ohms(bar: Look) -> Mapping[int, tuple[float, float]]:
    """Every point with the bar → what it has up to the bar, driven high and driven low.

    A reading is of one point in series with all others of the socket in parallel, which the other polarity
    measures in turn: `high[p] + 1 / Σ 1 / low[q]` and `low[p] + 1 / Σ 1 / high[q]`, q all others. Solved by
    putting each into the other until nothing changes.
    """
    if bar.socket is None or bar.lane is None:
        raise OwnBug("no bar, no resistances")
    points = bar.socket.points
    all_high = {point: bar.lane.path_ohms(bar.high[point]) for point in points}
    all_low = {point: bar.lane.path_ohms(bar.low[point]) for point in points}
    high = dict.fromkeys(points, SERIES_OHMS + DRIVER_HIGH_OHMS)
    low = dict.fromkeys(points, SERIES_OHMS + DRIVER_LOW_OHMS)
    for _ in range(_ROUNDS):
        into, out = sum(1 / ohms for ohms in low.values()), sum(1 / ohms for ohms in high.values())
        new_high = {p: max(1.0, ohms - 1 / (into - 1 / low[p])) for p, ohms in all_high.items()}
        new_low = {p: max(1.0, ohms - 1 / (out - 1 / high[p])) for p, ohms in all_low.items()}
        change = max(abs(new_high[p] - high[p]) + abs(new_low[p] - low[p]) for p in points)
        high, low = new_high, new_low
        if change < _SETTLED_OHMS:
            return {point: (high[point], low[point]) for point in points}
    raise SelfCheckFailed(f"the readings of the shorting bar in {bar.socket.name} make no sense together")


def strange_points(bar: Look, fixture: Fixture) -> tuple[str, ...]:
    """Points whose resistance no sound tester has: for a first calibration, which has nothing to go by."""
    told = []
    known = points_ohms(bar)
    for point, (high, low) in known.items():
        who = f"{fixture.name_of(point)} has {high:.0f} Ω driven high and {low:.0f} Ω driven low"
        bounds = (*HIGH_OHMS, *LOW_OHMS)
        if not (bounds[0] <= high <= bounds[1] and bounds[2] <= low <= bounds[3]):
            told.append(
                f"{who}; {bounds[0]:.0f} to {bounds[1]:.0f} Ω and {bounds[2]:.0f} to {bounds[3]:.0f} Ω can be"
            )
            continue
        chip = [ohms for other, ohms in known.items() if other // POINTS_PER_CHIP == point // POINTS_PER_CHIP]
        usual = [median(each) for each in zip(*chip, strict=True)]
        if (
            len(chip) >= _LEAST_OF_A_CHIP
            and max(abs(high - usual[0]), abs(low - usual[1])) > OFF_ITS_CHIP_OHMS
        ):
            told.append(
                f"{who}, unlike its neighbours' {usual[0]:.0f} and {usual[1]:.0f} Ω: a contact of the bar, a "
                "joint or a resistor"
            )
    return tuple(told)


def changed_points(
    bar: Look, calibration: Calibration, fixture: Fixture, limit: float | None = None
) -> tuple[str, ...]:
    """Points that have not the resistance of the calibration any more, drift aside.

    limit: by how many ohms they may differ; without, by what the tester's measurements may be wrong. Raises
    SelfCheckFailed where the calibration cannot be held against these readings at all.
    """
    if bar.lane is None:
        raise OwnBug("nothing was measured")
    meter = Ohmmeter(bar.lane, bar.lane, calibration)
    most = meter.uncertainty(0) if limit is None else limit
    shared = meter.drift_ohms / (DRIVER_HIGH_OHMS + DRIVER_LOW_OHMS)
    told = []
    for point, (high, low) in points_ohms(bar).items():
        for ohms, then, driver in (
            (high, calibration.high_ohms[point], DRIVER_HIGH_OHMS),
            (low, calibration.low_ohms[point], DRIVER_LOW_OHMS),
        ):
            if then is None:
                told.append(f"{fixture.name_of(point)} is not in the calibration")
                break
            if abs(ohms - then - shared * driver) > most:
                told.append(
                    f"{fixture.name_of(point)} has {ohms:.1f} Ω up to the shorting bar, and had {then:.1f} Ω "
                    "before: a contact of the bar, a joint or a resistor"
                )
                break  # once for a point
    return tuple(told)


def long_check(
    looks: Sequence[Look], calibration: Calibration | None, made: datetime, fixture: Fixture
) -> LongCheck:
    """What all looks together say."""
    found: list[str] = []
    for one in looks:
        found += one.faults
        if one.socket and one.high:
            found += (
                changed_points(one, calibration, fixture) if calibration else strange_points(one, fixture)
            )
    faults = list(dict.fromkeys(found))  # a short inside the tester shows in every look
    return LongCheck(
        made,
        not faults,
        any(one.lane is not None for one in looks),
        tuple(one.socket.name for one in looks if one.socket),
        "; ".join(faults[:5]) + (f"; and {len(faults) - 5} more" if len(faults) > 5 else ""),
    )
