"""One scan as a table of steps: hello → self-check → conscience → map → scan → evidence → judge → ohms →
release.

Sans I/O: a session yields Requests and is sent the words of the replies. Who drives it owns the
port, the clock and the retries (`link.drive`). No step is left out, and the Scan exists only after
the last one; `verdict.agreement.decide` makes a verdict of it.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Joined, Profile
from pinwright.errors import LinkCorrupt, OwnBug, ProtocolMismatch
from pinwright.tester.adapter import Adapter
from pinwright.tester.asking import Reply, Request, Steps, ask, hex_of, number_of, value_of
from pinwright.tester.calibration import Calibration, LongCheck
from pinwright.tester.chain import questions
from pinwright.tester.complaints import complaint
from pinwright.tester.fixture import Fixture, Placement, place
from pinwright.tester.frames import crc16
from pinwright.tester.lane import (
    calibration_of,
    judge_long_check,
    long_check_of,
    mask_text,
    measured,
    own_readings,
    part,
    readings,
)
from pinwright.tester.marks import check_marks
from pinwright.tester.measurement import Evidence, bits
from pinwright.tester.ohmmeter import Lane, Ohmmeter, Readings
from pinwright.tester.parts import parts_of, round_of, rounds, to_be_high

PROTOCOL = 3
SETTLE_US = 20
# A board at work says `busy` every 0.2 s; a scan takes some tenths of a second, some seconds at worst.
SCAN_SILENCE_S, SCAN_S = 3.0, 30.0
LANES = ("none", "uncalibrated", "calibrated")


@dataclass(frozen=True, slots=True)
class Hello:
    """Who the board says it is.

    fixture: which sockets it has. fitted: its expanders. lane: `none` where it does not measure ohms,
    `calibrated` where it keeps a calibration. bus: `fast`, `portable`, or `fallback` where the fast one
    failed its test. platform: what its firmware runs on; `rp2` is a board, anything else a simulation. name:
    may be empty.
    """

    protocol: int
    firmware: str
    id: str
    fixture: str = ""
    points: int = 0
    fitted: int = 0
    lane: str = "none"
    platform: str = ""
    name: str = ""
    bus: str = ""

    @property
    def simulated(self) -> bool:
        """Whether there is no board: what does not say that it is one is none."""
        return self.platform != "rp2"


@dataclass(frozen=True, slots=True)
class BoardVerdict:
    """What the board concludes by itself. missing: nets in pieces; extra: pieces wrongly joined."""

    passed: bool
    missing: frozenset[frozenset[frozenset[Pin]]]
    extra: frozenset[frozenset[Pin]]


@dataclass(frozen=True, slots=True)
class Scan:
    """A scan that ran to its end, its evidence sound; not yet a verdict.

    readings: of resistance; None where the tester does not measure it. long_check: the last one, if any.
    """

    hello: Hello
    fixture: Fixture
    placement: Placement
    evidence: Evidence
    board_verdict: BoardVerdict
    counts: Mapping[str, int]  # microseconds and counts as the board took them
    readings: Readings | None = None
    long_check: LongCheck | None = None


@dataclass(slots=True)
class Session:
    """The state of one scan. fixtures, adapters: all that are known. step: the name of the step it is at.

    checked_between: from when on and up to when the last long check has to be; None: any or none will do.
    """

    profile: Profile
    fixtures: Mapping[str, Fixture]
    host_version: str
    by_hand: Mapping[str, str] = field(default_factory=dict)
    adapters: Sequence[Adapter] = ()
    checked_between: tuple[datetime, datetime] | None = None
    step: str = "start"
    hello: Hello | None = None
    fixture: Fixture | None = None
    placement: Placement | None = None
    counts: dict[str, int] = field(default_factory=dict)
    evidence: Evidence | None = None
    board_verdict: BoardVerdict | None = None
    calibration: Calibration | None = None
    long_check: LongCheck | None = None
    lane: Lane | None = None
    readings: Readings | None = None

    def known(self) -> Hello:
        """The board, which has said hello."""
        if self.hello is None:
            raise OwnBug("a board was asked before it was known")
        return self.hello

    def run(self, *, ohms: bool = True) -> Generator[Request, Reply, Scan]:
        """All steps in order. Raises TesterError, or PlacementError once the board is known, or once a scan
        saw that a wrong adapter is in.

        ohms: without, the tester's own conscience is not asked, nothing is measured with the lane, and the
        board keeps its scan for what else it may be asked.
        """
        for self.step, step in STEPS:
            if ohms or self.step not in ("conscience", "ohms", "release"):
                yield from step(self)
        if not (self.hello and self.fixture and self.placement and self.evidence and self.board_verdict):
            raise OwnBug("a session ended before its last step")
        return Scan(
            self.hello,
            self.fixture,
            self.placement,
            self.evidence,
            self.board_verdict,
            dict(self.counts),
            self.readings,
            self.long_check,
        )

    def where(self, points: int) -> str:
        """Names for a set of points given as bits: cable pins where known, else socket pins."""
        return named(points, self.fixture, self.placement)


def named(points: int, fixture: Fixture | None, placement: Placement | None) -> str:
    """Names for a set of points given as bits, as far as fixture and placement are known."""
    names = []
    for point in bits(points):
        pin = placement.pin_of.get(point) if placement else None
        socket_pin = fixture.name_of(point) if fixture else f"point {point}"
        names.append(f"{pin} ({socket_pin})" if pin and str(pin) != f"@{socket_pin}" else socket_pin)
    more = f" and {len(names) - 6} more" if len(names) > 6 else ""
    return ", ".join(names[:6]) + more


def greet(deadline_s: float = 1.0) -> Generator[Request, Reply, Hello]:
    """Ask a board who it is. Raises LinkCorrupt where the answer is no tester's.

    Of a board that speaks another protocol only that, its firmware and its id are told.
    """
    reply = yield Request("hello", deadline_s)
    if reply[0] == "error" and len(reply) > 1:
        raise complaint(reply[1], dict(value_of(word) for word in reply[2:]), "", "hello")
    values = dict(value_of(word) for word in reply[1:]) if reply[0] == "ok" else {}
    if not values.get("id"):
        raise LinkCorrupt(f"the board answers `{' '.join(reply)}` to `hello`")
    protocol = number_of(values, "protocol")
    if protocol != PROTOCOL:  # nothing more can be relied on
        return Hello(protocol, values.get("firmware", "unknown"), values["id"])
    try:
        name = values["name"]
        hello = Hello(
            protocol,
            values["firmware"],
            values["id"],
            values["fixture"],
            number_of(values, "points"),
            number_of(values, "fitted"),
            values["lane"],
            values["platform"],
            "" if name == "-" else name,
            values.get("bus", ""),
        )
    except KeyError as error:
        raise LinkCorrupt(f"the board says hello without its {error}: {' '.join(reply[1:])}") from None
    if (
        not 8 <= hello.points <= 128
        or hello.points % 8
        or hello.fitted not in (0, hello.points / 16)
        or hello.lane not in LANES
    ):
        raise LinkCorrupt(f"the board describes itself as no board can be: {' '.join(reply[1:])}")
    return hello


def other_protocol(hello: Hello, host_version: str) -> ProtocolMismatch:
    """The error for a board whose protocol is not ours."""
    older = hello.protocol < PROTOCOL
    return ProtocolMismatch(
        f"the tester speaks protocol {hello.protocol}, this program speaks {PROTOCOL} "
        f"(firmware {hello.firmware}, host {host_version})",
        hint="`pinwright install` puts the firmware of this program on it"
        if older
        else "its firmware is newer than this program: update the program",
    )


def meet(
    fixtures: Mapping[str, Fixture], host_version: str
) -> Generator[Request, Reply, tuple[Hello, Fixture]]:
    """Ask a board who it is, and know its sockets. Raises ProtocolMismatch where this program is no match."""
    hello = yield from greet()
    if hello.protocol != PROTOCOL:
        raise other_protocol(hello, host_version)
    fixture = fixtures.get(hello.fixture)
    if fixture is None or hello.points > fixture.points:
        raise ProtocolMismatch(
            f"the tester has the sockets of a `{hello.fixture}` with {hello.points} points, which this "
            f"program does not know (firmware {hello.firmware}, host {host_version})",
            hint="update the program",
        )
    return hello, fixture


def _hello(session: Session) -> Steps:
    hello, fixture = yield from meet(session.fixtures, session.host_version)
    session.hello, session.fixture = hello, fixture
    session.placement = place(session.profile.ends, fixture, hello.points, session.by_hand, session.adapters)


def _self_check(session: Session) -> Steps:
    yield from ask(session, Request("check", 2.0))


def _conscience(session: Session) -> Steps:
    """What the tester knows of itself: its last long check, its calibration, and that its lane is sound."""
    hello = session.known()
    session.long_check = yield from long_check_of(session)
    used = session.placement.sockets.values() if session.placement else ()
    judge_long_check(session.long_check, session.checked_between, [*used], hello.lane != "none")
    if hello.lane == "none":
        return
    if hello.lane == "calibrated":
        session.calibration = yield from calibration_of(session, hello.points)
    session.lane = yield from _own_readings(session)
    Ohmmeter(session.lane, session.lane, session.calibration)  # refuses now rather than after the scan


def _own_readings(session: Session) -> Generator[Request, Reply, Lane]:
    fixture, points = session.fixture, session.known().points
    pairs = [pair for pair in fixture.references if max(pair) < points] if fixture else []
    lane, took_us = yield from own_readings(session, 2 * len(pairs))
    session.counts["lane_us"] = session.counts.get("lane_us", 0) + took_us
    return lane


def _map(session: Session) -> Steps:
    nets, groups = board_map(session)
    yield from ask(session, Request("map clear", 1.0))
    yield from ask(session, Request(f"map nets 00 {nets.hex().upper()}", 1.0))
    yield from ask(session, Request(f"map groups 00 {groups.hex().upper()}", 1.0))
    values = dict(value_of(word) for word in (yield from ask(session, Request("map done", 1.0))))
    if values.get("crc") != f"{crc16(nets + groups):04X}":
        raise LinkCorrupt("the board stored another map than was sent")


def board_map(session: Session) -> tuple[bytes, bytes]:
    """The profile in points: net number of each point, common group of each net.

    What the adapters join themselves stands in it as nets too, after the cable's: the board judges both.
    Every net has two points or more, so its number is less than the number of points.
    """
    hello, placement = session.hello, session.placement
    if not (hello and placement):
        raise OwnBug("a map was asked for before the board was known")
    nets, groups = bytearray(hello.points), bytearray(hello.points)
    numbers = {name: number for number, name in enumerate(session.profile.common, start=1)}
    for number, net in enumerate(session.profile.nets, start=1):
        for pin in net.pins:
            nets[placement.point_of[pin]] = number
        if net.common:
            joined = session.profile.common[net.common]
            groups[number] = numbers[net.common] | (0 if joined is Joined.OPTIONAL else 0x80)
    for number, mark in enumerate(placement.marks, start=len(session.profile.nets) + 1):
        for point in mark:
            nets[point] = number
    return bytes(nets), bytes(groups)


def _scan(session: Session) -> Steps:
    request = Request(f"scan settle={SETTLE_US}", SCAN_SILENCE_S, repeatable=False, most_s=SCAN_S)
    words = yield from ask(session, request)
    values = dict(value_of(word) for word in words)
    session.counts |= {key: number_of(values, key) for key in values}


def _evidence(session: Session) -> Steps:
    if not (session.hello and session.fixture and session.placement):
        raise OwnBug("evidence was asked for before the board was known")
    matrices = {}
    for name in ("seen", "joined", "doubtful"):
        pages = []
        for page in range(session.hello.points // 8):
            words = yield from ask(session, Request(f"rows {name} {page:02X}", 1.0))
            pages.append(hex_of("".join(words)))
        matrices[name] = b"".join(pages)
    words = yield from ask(session, Request("marks", 1.0))
    marks = {key: hex_of(value) for key, value in map(value_of, words)}
    points = session.hello.points
    sizes = dict.fromkeys(matrices, points * points // 8)
    sizes |= {"apart": points // 8, "unexplained": points // 8, "group": points}
    told = matrices | marks
    for name, size in sizes.items():
        if len(told.get(name, b"")) != size:
            raise LinkCorrupt(f"the board gives {len(told.get(name, b''))} bytes of `{name}`, not {size}")
    session.evidence = Evidence(points, **{name: told[name] for name in sizes})
    session.evidence.check(session.fixture, session.placement)
    nets, _ = board_map(session)
    check_marks(session.evidence, session.fixture, session.placement, session.adapters, nets)


def _judge(session: Session) -> Steps:
    """The board's own verdict, in pins."""
    hello, placement = session.hello, session.placement
    if not (hello and placement):
        raise OwnBug("a verdict was asked for before the board was known")
    told = dict(value_of(word) for word in (yield from ask(session, Request("judge", 2.0))))
    pieces = hex_of("".join((yield from ask(session, Request("pieces joined", 1.0)))))
    loose = hex_of("".join((yield from ask(session, Request("pieces loose", 1.0)))))
    if (
        len(pieces) != hello.points
        or len(loose) != hello.points
        or told.get("verdict") not in ("pass", "fail")
    ):
        raise LinkCorrupt("the board's verdict is not complete")
    missing = []
    for number in bits(int.from_bytes(hex_of(told.get("missing", "")), "little")):
        if not 1 <= number <= len(session.profile.nets):
            raise LinkCorrupt(f"the board misses net {number}; the profile has {len(session.profile.nets)}")
        split: dict[int, list[Pin]] = {}
        for pin in session.profile.nets[number - 1].pins:
            split.setdefault(pieces[placement.point_of[pin]], []).append(pin)
        missing.append(frozenset(map(frozenset, split.values())))
    extra = [
        frozenset(pin for point, pin in placement.pin_of.items() if loose[point] == label)
        for label in bits(int.from_bytes(hex_of(told.get("extra", "")), "little"))
    ]
    session.board_verdict = BoardVerdict(told["verdict"] == "pass", frozenset(missing), frozenset(extra))


def _ohms(session: Session) -> Steps:
    """Links of every net and leaks of every part, where the tester has a lane."""
    placement, evidence, before = session.placement, session.evidence, session.lane
    if before is None:
        return
    if not (placement and evidence):
        raise OwnBug("ohms were asked for before the scan")
    points = session.known().points
    parts = parts_of(session.profile, evidence, placement)
    mask = mask_text(to_be_high(parts), points)
    session.counts["links_us"] = yield from measured(session, f"links {mask}")
    high = yield from readings(session, "high", points)
    yield from part(session, parts)
    session.counts["leaks_us"] = yield from measured(session, "leaks")
    leak = yield from readings(session, "leak", points)
    across = [0] * points
    for one in rounds(parts):
        yield from part(session, one.parts)
        session.counts["leaks_us"] += yield from measured(session, "leaks")
        driven = yield from readings(session, "leak", points, [start for start, _ in one.pairs])
        for start, end in one.pairs:
            across[end] = driven[start]
    read = Readings(before, before, parts, high, leak, tuple(across), session.calibration)
    near = yield from _near(session, evidence, read)
    after = yield from _own_readings(session)
    session.readings = replace(read, after=after, near=near)


def _near(
    session: Session, evidence: Evidence, read: Readings
) -> Generator[Request, Reply, tuple[tuple[int, int, int], ...]]:
    """What else has to be measured by what was read: where a net may be a chain."""
    near: list[tuple[int, int, int]] = []
    asking = questions(evidence, read)
    try:
        pair = next(asking)
        while True:
            one = round_of(read.parts, pair)
            first = one.pairs[0][0]
            yield from part(session, one.parts)
            session.counts["leaks_us"] += yield from measured(session, "leaks")
            told = (yield from readings(session, "leak", len(read.parts), [first]))[first]
            if not told:
                raise LinkCorrupt("the board says that it measured, and has no reading")
            near.append((*pair, told))
            pair = asking.send(told)
    except StopIteration:
        return tuple(near)


def show(passed: bool) -> Steps:
    """Have the board show the verdict on its lamps."""
    reply = yield Request(f"show {'pass' if passed else 'fail'}", 1.0)
    if reply != ("ok",):
        raise LinkCorrupt(f"the board answers `{' '.join(reply)}` to the verdict")


def _release(session: Session) -> Steps:
    yield from ask(session, Request("release", 1.0))


STEPS: tuple[tuple[str, Callable[[Session], Steps]], ...] = (
    ("hello", _hello),
    ("self-check", _self_check),
    ("conscience", _conscience),
    ("map", _map),
    ("scan", _scan),
    ("evidence", _evidence),
    ("judge", _judge),
    ("ohms", _ohms),
    ("release", _release),
)
