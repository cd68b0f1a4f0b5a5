"""A probe lead in somebody's hand: hello → self-check → looks, as many as it takes → release.

Sans I/O, as `session`: each step yields Requests and is sent the words of the replies. A look is what reads
low while the probe's own point is pulled low, and nothing else is; what a look says counts when the next one
says the same.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, field

from pinwright.cable.pins import parse_pin
from pinwright.cable.profile import End
from pinwright.errors import LinkCorrupt, OwnBug, PlacementError, ProtocolMismatch
from pinwright.tester.adapter import Adapter
from pinwright.tester.asking import Reply, Request, Steps, answered, ask, hex_of, number_of, value_of
from pinwright.tester.fixture import Fixture, Placement, place
from pinwright.tester.measurement import bits
from pinwright.tester.session import Hello, meet, named

PROBE = "PROBE"  # the socket that is a probe lead, where a tester has one
FIRST_FIRMWARE = "0.4.0"  # that knows `touch`
LOOK_S = 1.0


@dataclass(frozen=True, slots=True)
class Look:
    """Points. low: what reads low with the probe, the probe's own left out; held: what does without it."""

    low: frozenset[int] = frozenset()
    held: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Touched:
    """The probe touches something that is wired to these points, one or more."""

    points: frozenset[int]


@dataclass(frozen=True, slots=True)
class Released:
    """The probe touches nothing."""


@dataclass(frozen=True, slots=True)
class Held:
    """These points read low though nothing of the tester's pulls them: no touch can be told beside that."""

    points: frozenset[int]


Event = Touched | Released | Held


@dataclass(slots=True)
class Touching:
    """The state of one such session.

    plugged: the ends that are in the tester. probe_at: the socket position that the probe lead is at, as
    `J2.12`; empty: the tester's own probe lead. probe: its point, once the board is known.
    """

    plugged: Sequence[End]
    fixtures: Mapping[str, Fixture]
    host_version: str
    by_hand: Mapping[str, str] = field(default_factory=dict)
    adapters: Sequence[Adapter] = ()
    probe_at: str = ""
    hello: Hello | None = None
    fixture: Fixture | None = None
    placement: Placement | None = None
    probe: int = -1
    _last: Look | None = None  # that was looked
    _told: Look = Look()  # that was told

    def begin(self) -> Generator[Request, Reply, Placement]:
        """Up to a tester that has checked itself. Raises TesterError, PlacementError."""
        hello, fixture = yield from meet(self.fixtures, self.host_version)
        self.hello, self.fixture = hello, fixture
        self.placement = place(self.plugged, fixture, hello.points, self.by_hand, self.adapters)
        self.probe = probe_point(fixture, hello.points, self.placement, self.probe_at)
        yield from ask(self, Request("check", 2.0))
        return self.placement

    def look(self) -> Generator[Request, Reply, Look]:
        """One look. Raises TesterError; ProtocolMismatch where the firmware knows no such thing."""
        if not (self.hello and self.fixture):
            raise OwnBug("a look was asked for before the board was known")
        request = Request(f"touch {self.probe:02X}", LOOK_S)
        reply = yield request
        if reply[:2] == ("error", "verb"):
            raise ProtocolMismatch(
                f"the tester's firmware {self.hello.firmware} knows no probe lead; {FIRST_FIRMWARE} is the "
                "first that does",
                hint="`pinwright install` puts the firmware of this program on it",
            )
        values = dict(value_of(word) for word in answered(self, request, reply))
        number_of(values, "transfers")
        low, held = (_row(values, key, self.hello.points) for key in ("low", "held"))
        if self.probe not in low:
            raise LinkCorrupt("the board says that its probe does not read low while it is pulled low")
        return Look(low - {self.probe}, held)

    def event(self, look: Look) -> Event | None:
        """What has happened, once two looks running say so; None as long as that is nothing new."""
        same, self._last = look == self._last, look
        if not same or look == self._told:
            return None
        self._told = look
        if look.held:
            return Held(look.held)
        return Touched(look.low) if look.low else Released()

    def end(self) -> Steps:
        """Let go, and have it confirmed."""
        yield from ask(self, Request("release", 1.0))

    def where(self, points: int) -> str:
        """Names for a set of points given as bits: cable pins where known, else socket pins."""
        return named(points, self.fixture, self.placement)


def _row(values: Mapping[str, str], key: str, points: int) -> frozenset[int]:
    data = hex_of(values.get(key, ""))
    if len(data) != points // 8:
        raise LinkCorrupt(f"the board gives {len(data)} bytes of `{key}`, not {points // 8}")
    return frozenset(bits(int.from_bytes(data, "little")))


def probe_point(fixture: Fixture, fitted_points: int, placement: Placement, at: str) -> int:
    """The point of the probe lead. at: as in Touching. Raises PlacementError where there is none."""
    if not at:
        for socket in fixture.sockets:
            if socket.name == PROBE and max(socket.points) < fitted_points:
                return socket.points[0]
        raise PlacementError(
            f"this tester, a {fixture.title} with {fitted_points} points, has no probe lead of its own",
            hint="put a wire into a position where no plug is, and say which: `--probe "
            f"{_a_free_position(fixture, fitted_points, placement)}`",
        )
    try:
        pin = parse_pin(at)
    except ValueError:
        raise PlacementError(
            f"`--probe {at}` should be written SOCKET.PIN, such as `--probe J2.12`"
        ) from None
    for socket in fixture.sockets:
        if socket.name == pin.end and pin.name in map(str, range(1, len(socket.points) + 1)):
            point = socket.points[int(pin.name) - 1]
            break
    else:
        names = ", ".join(socket.name for socket in fixture.sockets)
        raise PlacementError(f"`--probe {at}`: no such position; the tester has the sockets {names}")
    if point >= fitted_points:
        raise PlacementError(f"`--probe {at}`: that position is not fitted on this tester")
    taken = placement.pin_of.get(point)
    if taken is None:
        raise PlacementError(f"`--probe {at}`: that position is joined to another on the tester itself")
    if not taken.end.startswith("@"):
        raise PlacementError(f"`--probe {at}`: pin `{taken}` of the cable is there")
    return point


def _a_free_position(fixture: Fixture, fitted_points: int, placement: Placement) -> str:
    """The last position of a socket for cables where no plug is."""
    for socket in reversed(fixture.sockets):
        for position, point in sorted(enumerate(socket.points, 1), reverse=True):
            pin = placement.pin_of.get(point)
            if socket.takes_cables and point < fitted_points and pin and pin.end.startswith("@"):
                return f"{socket.name}.{position}"
    return "SOCKET.PIN"
