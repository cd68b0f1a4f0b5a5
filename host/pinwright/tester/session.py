"""One scan as a table of steps: hello → self-check → map → scan → evidence → judge → release.

Sans I/O: a session yields Requests and is sent the words of the replies. Who drives it owns the
port, the clock and the retries (`link.drive`). No step is left out, and the Scan exists only after
the last one; `verdict.agreement.decide` makes a verdict of it.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, field

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Joined, Profile
from pinwright.errors import LinkCorrupt, OwnBug, ProtocolMismatch
from pinwright.tester.complaints import complaint
from pinwright.tester.fixture import Fixture, Placement, place
from pinwright.tester.frames import crc16
from pinwright.tester.measurement import Evidence, bits

PROTOCOL = 1
MATRIX_PAGES = 16
SETTLE_US = 20


@dataclass(frozen=True, slots=True)
class Request:
    """words: without marker, number and checksum. repeatable: asking twice does no more than asking once."""

    words: str
    deadline_s: float
    repeatable: bool = True


Reply = tuple[str, ...]
Steps = Generator[Request, Reply, None]


@dataclass(frozen=True, slots=True)
class Hello:
    """Who the board says it is. lane: `none` where it does not measure ohms."""

    protocol: int
    firmware: str
    id: str
    points: int
    fitted: int
    lane: str
    name: str


@dataclass(frozen=True, slots=True)
class BoardVerdict:
    """What the board concludes by itself. missing: nets in pieces; extra: pieces wrongly joined."""

    passed: bool
    missing: frozenset[frozenset[frozenset[Pin]]]
    extra: frozenset[frozenset[Pin]]


@dataclass(frozen=True, slots=True)
class Scan:
    """A scan that ran to its end, its evidence sound; not yet a verdict."""

    hello: Hello
    placement: Placement
    evidence: Evidence
    board_verdict: BoardVerdict
    counts: Mapping[str, int]  # microseconds and counts as the board took them


@dataclass(slots=True)
class Session:
    """The state of one scan. step: the name of the step it is at."""

    profile: Profile
    fixture: Fixture
    host_version: str
    by_hand: Mapping[str, str] = field(default_factory=dict)
    step: str = "start"
    hello: Hello | None = None
    placement: Placement | None = None
    counts: dict[str, int] = field(default_factory=dict)
    evidence: Evidence | None = None
    board_verdict: BoardVerdict | None = None

    def run(self) -> Generator[Request, Reply, Scan]:
        """All steps in order. Raises TesterError, or PlacementError once the board is known."""
        for self.step, step in STEPS:
            yield from step(self)
        if not (self.hello and self.placement and self.evidence and self.board_verdict):
            raise OwnBug("a session ended before its last step")
        return Scan(self.hello, self.placement, self.evidence, self.board_verdict, dict(self.counts))

    def where(self, points: int) -> str:
        """Names for a set of points given as bits: cable pins where known, else socket pins."""
        names = []
        for point in bits(points):
            pin = self.placement.pin_of.get(point) if self.placement else None
            names.append(f"{pin} ({self.fixture.name_of(point)})" if pin else self.fixture.name_of(point))
        more = f" and {len(names) - 6} more" if len(names) > 6 else ""
        return ", ".join(names[:6]) + more


def _ask(
    session: Session, words: str, deadline_s: float, *, repeatable: bool = True
) -> Generator[Request, Reply, Reply]:
    """One request; the reply's words after `ok`. Raises what an `error` reply means."""
    reply = yield Request(words, deadline_s, repeatable)
    if reply[0] == "ok":
        return reply[1:]
    if reply[0] == "error" and len(reply) > 1:
        values = dict(_value(word) for word in reply[2:])
        points = int.from_bytes(_hex(values.get("points", "")), "little")
        if points >> session.fixture.points:
            raise LinkCorrupt(f"the board complains of a point that no tester has: {' '.join(reply)}")
        raise complaint(reply[1], values, session.where(points), words)
    raise LinkCorrupt(f"the board answers `{' '.join(reply)}` to `{words}`")


def _value(word: str) -> tuple[str, str]:
    key, equals, value = word.partition("=")
    if not (key and equals):
        raise LinkCorrupt(f"the board says `{word}` where `name=value` should be")
    return key, value


def _hex(text: str) -> bytes:
    try:
        return bytes.fromhex(text)
    except ValueError:
        raise LinkCorrupt(f"the board says `{text}` where hexadecimal digits should be") from None


def _number(values: Mapping[str, str], key: str) -> int:
    text = values.get(key, "")
    if not (text.isascii() and text.isdigit() and len(text) < 12):
        raise LinkCorrupt(f"the board says `{key}={text}` where a number should be")
    return int(text)


def greet() -> Generator[Request, Reply, Hello]:
    """Ask a board who it is. Raises LinkCorrupt where the answer is no tester's.

    Of a board that speaks another protocol only that, its firmware and its id are told.
    """
    reply = yield Request("hello", 1.0)
    values = dict(_value(word) for word in reply[1:]) if reply[0] == "ok" else {}
    if not values.get("id"):
        raise LinkCorrupt(f"the board answers `{' '.join(reply)}` to `hello`")
    protocol = _number(values, "protocol")
    if protocol != PROTOCOL:  # nothing more can be relied on
        return Hello(protocol, values.get("firmware", "unknown"), values["id"], 0, 0, "none", "-")
    hello = Hello(
        protocol,
        values.get("firmware", "unknown"),
        values["id"],
        _number(values, "points"),
        _number(values, "fitted"),
        values.get("lane", "none"),
        values.get("name", "-"),
    )
    if hello.points != 16 * hello.fitted or not 1 <= hello.fitted <= 8:
        raise LinkCorrupt(f"the board describes itself as no board can be: {' '.join(reply[1:])}")
    return hello


def _hello(session: Session) -> Steps:
    hello = yield from greet()
    if hello.protocol != PROTOCOL:
        raise ProtocolMismatch(
            f"the tester speaks protocol {hello.protocol}, this program speaks {PROTOCOL} "
            f"(firmware {hello.firmware}, host {session.host_version})",
            hint="put the firmware that came with this program on the board",
        )
    session.hello = hello
    session.placement = place(session.profile.ends, session.fixture, hello.points, session.by_hand)


def _self_check(session: Session) -> Steps:
    yield from _ask(session, "check", 2.0)


def _map(session: Session) -> Steps:
    nets, groups = board_map(session)
    yield from _ask(session, "map clear", 1.0)
    yield from _ask(session, f"map nets 00 {nets.hex().upper()}", 1.0)
    yield from _ask(session, f"map groups 00 {groups.hex().upper()}", 1.0)
    values = dict(_value(word) for word in (yield from _ask(session, "map done", 1.0)))
    if values.get("crc") != f"{crc16(nets + groups):04X}":
        raise LinkCorrupt("the board stored another map than was sent")


def board_map(session: Session) -> tuple[bytes, bytes]:
    """The profile in points: net number of each point, common group of each net."""
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
    return bytes(nets), bytes(groups)


def _scan(session: Session) -> Steps:
    words = yield from _ask(session, f"scan settle={SETTLE_US}", 20.0, repeatable=False)
    values = dict(_value(word) for word in words)
    session.counts = {key: _number(values, key) for key in values}


def _evidence(session: Session) -> Steps:
    if not (session.hello and session.placement):
        raise OwnBug("evidence was asked for before the board was known")
    matrices = {}
    for name in ("seen", "joined", "doubtful"):
        pages = []
        for page in range(MATRIX_PAGES):
            words = yield from _ask(session, f"rows {name} {page:02X}", 1.0)
            pages.append(_hex("".join(words)))
        matrices[name] = b"".join(pages)
    marks = {key: _hex(value) for key, value in map(_value, (yield from _ask(session, "marks", 1.0)))}
    points = session.hello.points
    sizes = dict.fromkeys(matrices, points * points // 8)
    sizes |= {"apart": points // 8, "unexplained": points // 8, "group": points}
    told = matrices | marks
    for name, size in sizes.items():
        if len(told.get(name, b"")) != size:
            raise LinkCorrupt(f"the board gives {len(told.get(name, b''))} bytes of `{name}`, not {size}")
    session.evidence = Evidence(points, **{name: told[name] for name in sizes})
    session.evidence.check(session.fixture, session.placement)


def _judge(session: Session) -> Steps:
    """The board's own verdict, in pins."""
    hello, placement = session.hello, session.placement
    if not (hello and placement):
        raise OwnBug("a verdict was asked for before the board was known")
    told = dict(_value(word) for word in (yield from _ask(session, "judge", 2.0)))
    pieces = _hex("".join((yield from _ask(session, "pieces joined", 1.0))))
    loose = _hex("".join((yield from _ask(session, "pieces loose", 1.0))))
    if (
        len(pieces) != hello.points
        or len(loose) != hello.points
        or told.get("verdict") not in ("pass", "fail")
    ):
        raise LinkCorrupt("the board's verdict is not complete")
    missing = []
    for number in bits(int.from_bytes(_hex(told.get("missing", "")), "little")):
        if not 1 <= number <= len(session.profile.nets):
            raise LinkCorrupt(f"the board misses net {number}; the profile has {len(session.profile.nets)}")
        split: dict[int, list[Pin]] = {}
        for pin in session.profile.nets[number - 1].pins:
            split.setdefault(pieces[placement.point_of[pin]], []).append(pin)
        missing.append(frozenset(map(frozenset, split.values())))
    extra = [
        frozenset(pin for point, pin in placement.pin_of.items() if loose[point] == label)
        for label in bits(int.from_bytes(_hex(told.get("extra", "")), "little"))
    ]
    session.board_verdict = BoardVerdict(told["verdict"] == "pass", frozenset(missing), frozenset(extra))


def _release(session: Session) -> Steps:
    yield from _ask(session, "release", 1.0)


STEPS: tuple[tuple[str, Callable[[Session], Steps]], ...] = (
    ("hello", _hello),
    ("self-check", _self_check),
    ("map", _map),
    ("scan", _scan),
    ("evidence", _evidence),
    ("judge", _judge),
    ("release", _release),
)
