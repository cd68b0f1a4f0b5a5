"""Seeing by itself that a cable was plugged in, and that it was taken out again.

Sans I/O, as `session`: looks, as many as it takes, between scans. A look is a self-check and a scan of which
nothing but what conducts is asked, with verbs that every tester has: some ten of them a second on the virtual
tester. No verdict rests on a look. What nothing conducts in cannot be seen.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import dataclass

from pinwright.errors import LinkCorrupt, OutsideVoltage, OwnBug, SelfCheckFailed, TesterError
from pinwright.tester.asking import Reply, Request, Steps, ask, hex_of, value_of
from pinwright.tester.fixture import Fixture, Placement, Socket
from pinwright.tester.measurement import components
from pinwright.tester.session import SCAN_S, SCAN_SILENCE_S, SETTLE_US, STEPS, Session, show

# Assumed of hands: how long they need for a plug.
STEADY_S = 0.7
LOOKS_STEADY = 3
ONE_END_S = 3.0  # then the other end is not still on its way
# A judgement: nobody changes two cables within that, and a plug that loses contact has it again before.
OUT_S = 1.0
LOOKS_OUT = 3
BEAR_S = 10.0
_BORNE = (OutsideVoltage, SelfCheckFailed)
_BEFORE_ANY_LOOK = ("hello", "self-check", "conscience", "map")


@dataclass(frozen=True, slots=True)
class Look:
    """What conducts: pieces of two points or more, contacts in doubt counted in; of the cable alone."""

    pieces: frozenset[frozenset[int]] = frozenset()


@dataclass(frozen=True, slots=True)
class Nothing:
    """Nothing conducts, so no cable is seen."""


@dataclass(frozen=True, slots=True)
class OneEnd:
    """Something conducts, but within one end. where: `end A`, or the socket where no end belongs."""

    where: str


@dataclass(frozen=True, slots=True)
class Unsteady:
    """Two ends conduct to each other, and not yet the same for long enough."""


@dataclass(frozen=True, slots=True)
class Cable:
    """A cable is there, and steady; or a part of one, that has been for so long that no more is to come."""


State = Nothing | OneEnd | Unsteady | Cable


@dataclass(slots=True)
class Watching:
    """What was seen so far. session: of the cables that are waited for; it is never run to a scan's end.

    out: whether what was last plugged in was seen to be taken out.
    """

    session: Session
    out: bool = True
    _last: Look | None = None
    _since_s: float = 0.0  # when that was first seen
    _looks: int = 0  # running that saw it
    _trouble_s: float | None = None  # when looks began to fail

    def begin(self) -> Steps:
        """Up to a tester that can be trusted and knows what the cables should be. Raises as Session.run."""
        for name, step in STEPS:
            if name in _BEFORE_ANY_LOOK:
                self.session.step = name
                yield from step(self.session)

    def look(self) -> Generator[Request, Reply, Look]:
        """One look. Raises TesterError."""
        session, points = self.session, self.session.known().points
        yield from ask(session, Request("check", 2.0))
        request = Request(f"scan settle={SETTLE_US}", SCAN_SILENCE_S, repeatable=False, most_s=SCAN_S)
        yield from ask(session, request)
        rows = [0] * points
        for name in ("joined", "doubtful"):
            for page in range(points // 8):
                words = yield from ask(session, Request(f"rows {name} {page:02X}", 1.0))
                data = hex_of("".join(words))
                if len(data) != points:  # eight rows of so many bits
                    raise LinkCorrupt(f"the board gives {len(data)} bytes of `{name}`, not {points}")
                for number in range(8):
                    row = data[number * points // 8 : (number + 1) * points // 8]
                    rows[8 * page + number] |= int.from_bytes(row, "little")
        return Look(frozenset(self._of_the_cable(rows)))

    def _of_the_cable(self, rows: list[int]) -> Iterator[frozenset[int]]:
        """Pieces that are none of the tester's own, and no adapter's mark."""
        fixture, placement = self._known()
        marks = set(map(frozenset, placement.marks))
        for socket in _cable_sockets(fixture):
            for adapter in self.session.adapters:
                if adapter.fits == socket.kind:  # one that is not due is no cable either
                    marks |= {
                        frozenset(group)
                        for group in map(socket.at, adapter.joined)
                        if not any(self._is_an_end_s(point) for point in group)
                    }
        for piece in map(frozenset, components(rows)):
            if len(piece) > 1 and piece not in marks and self._sockets_of(piece):
                yield piece

    def _known(self) -> tuple[Fixture, Placement]:
        if not (self.session.fixture and self.session.placement):
            raise OwnBug("a look was asked for before the board was known")
        return self.session.fixture, self.session.placement

    def _is_an_end_s(self, point: int) -> bool:
        pin = self._known()[1].pin_of.get(point)
        return pin is not None and not pin.end.startswith("@")

    def _sockets_of(self, piece: frozenset[int]) -> set[str]:
        """The sockets for cables that it is in."""
        return {socket.name for socket in _cable_sockets(self._known()[0]) if piece & set(socket.points)}

    def must_come_out(self) -> None:
        """What is in was tested, or is not known: it counts for nothing till it was seen to be out."""
        self.out, self._last = False, None

    def hear(self, look: Look, at_s: float) -> State:
        """What is there, a look later. at_s: of a clock that never goes back."""
        self._trouble_s = None
        if look != self._last:
            self._last, self._since_s, self._looks = look, at_s, 0
        self._looks += 1
        lasted_s = at_s - self._since_s
        if not look.pieces:
            self.out = self.out or (lasted_s >= OUT_S and self._looks >= LOOKS_OUT)
            return Nothing()
        sockets = [self._sockets_of(piece) for piece in look.pieces]
        if max(map(len, sockets)) > 1:
            steady = lasted_s >= STEADY_S and self._looks >= LOOKS_STEADY
            return Cable() if steady else Unsteady()
        where = self._names(set.union(*sockets))
        return Cable() if lasted_s >= ONE_END_S else OneEnd(where)

    def _names(self, sockets: set[str]) -> str:
        placement = self._known()[1]
        ends = {socket: end for end, socket in placement.sockets.items()}
        return " and ".join(f"end {ends[one]}" if one in ends else one for one in sorted(sockets))

    def bear(self, error: TesterError, at_s: float) -> None:
        """A look that failed: that may be a plug half in, or a hand on its pins, but not for long. Raises the
        error then, and at once where no hand does such a thing."""
        if not isinstance(error, _BORNE):
            raise error
        self._last = None  # whatever was steady was disturbed
        if self._trouble_s is None:
            self._trouble_s = at_s
        if at_s - self._trouble_s >= BEAR_S:
            raise error

    def show(self, passed: bool) -> Steps:
        """Light the lamp of the last verdict again, which a look puts out; only while its cable is in. The
        green one, as ever, only where the board's own judgement is a pass too: that of this look."""
        if passed:
            told = dict(value_of(word) for word in (yield from ask(self.session, Request("judge", 2.0))))
            if told.get("verdict") != "pass":
                return
        yield from show(passed)


def _cable_sockets(fixture: Fixture) -> Iterator[Socket]:
    return (socket for socket in fixture.sockets if socket.takes_cables)
