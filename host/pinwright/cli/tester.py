"""`pinwright tester calibrate | check`: look after the tester itself."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime

from pinwright import __version__
from pinwright.cli.ports import Workshop, is_virtual, opened_empty
from pinwright.errors import (
    LinkCorrupt,
    OutsideVoltage,
    OwnBug,
    ProtocolMismatch,
    SelfCheckFailed,
    TesterError,
    UsageError,
)
from pinwright.link import Line, drive
from pinwright.terminal import say, show_table, show_text
from pinwright.tester.asking import Request, ask
from pinwright.tester.calibration import Calibration, LongCheck, rfc3339
from pinwright.tester.fixture import Fixture, Socket
from pinwright.tester.lane import calibration_of, keep
from pinwright.tester.session import PROTOCOL, Hello, Session, greet, other_protocol
from pinwright.verdict.upkeep import (
    Look,
    bar_in,
    calibration_from,
    changed_points,
    long_check,
    look,
    sockets_of,
    strange_points,
)

EPILOG = """\
It says where the bar should be, and waits for Enter each time; the virtual tester moves its own. What was
found is kept on the tester: after a check that failed no cable is tested with it until one has passed.

example: pinwright tester check --port sim
"""
_SCHEMA = "pinwright/tester-check-1"
_MOST_FAULTS = 5  # in one sentence
Move = Callable[[Socket | None], None]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Look after the tester: with nothing plugged in, and with a shorting bar (a plug all of whose pins\n"
        "are joined) in each socket."
    )
    parser.epilog = EPILOG
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    for name, about in (
        ("calibrate", "measure every point's own resistance, and keep it on the tester"),
        ("check", "the long check: what no scan of a cable can find"),
    ):
        action = actions.add_parser(
            name,
            help=about,
            description=f"{about[0].upper()}{about[1:]}.",
            epilog=f"example: pinwright tester {name} --port sim",
            formatter_class=argparse.RawDescriptionHelpFormatter,
            allow_abbrev=False,
        )
        action.add_argument("--port", metavar="PORT", help="where the tester is")
        action.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(arguments: argparse.Namespace) -> int:
    """0 once the tester is calibrated, or has passed its check; a tester at fault is raised."""
    workshop = Workshop.read()
    with opened_empty(arguments.port, workshop) as (link, plug):
        line = Line(link, lambda text: say(f"the board says: {text}"))
        hello = drive(greet(), line)
        if hello.protocol != PROTOCOL:
            raise other_protocol(hello, __version__)
        fixture = workshop.fixtures.get(hello.fixture)
        if fixture is None or hello.points > fixture.points:
            raise ProtocolMismatch(
                f"the tester has the sockets of a `{hello.fixture}`, which this program does not know",
                hint="update the program",
            )
        bench = _Bench(line, hello, fixture, workshop, plug)
        if arguments.action == "calibrate":
            bench.calibrate(arguments.json)
        else:
            bench.check(arguments.json)
    if is_virtual(arguments.port) and not arguments.json:
        show_text(
            "the virtual tester is gone now, and what it kept with it; `pinwright virtual --files FOLDER` "
            "serves\none that stays"
        )
    return 0


class _Bench:
    """A tester, and what moves the bar: a virtual tester does by itself, for others a person is asked."""

    def __init__(
        self, line: Line, hello: Hello, fixture: Fixture, workshop: Workshop, itself: Move | None
    ) -> None:
        self.line = line
        self.hello = hello
        self.fixture = fixture
        self.workshop = workshop
        self.move = itself or _ask_the_person
        self.someone_is_there = itself is None and _is_a_terminal()

    def calibrate(self, as_json: bool) -> None:
        """Raises TesterError; then the tester keeps what it had."""
        if self.hello.lane == "none":
            raise UsageError(
                "this tester has no ohms lane, so there is nothing to calibrate",
                hint="`pinwright tester check` makes its long check",
            )
        looks = []
        for socket in self._places():
            found = self._look_again(socket, None, always=True)
            if faults := _faults(found, None, self.fixture):
                raise SelfCheckFailed(
                    f"the tester cannot be calibrated: {_told(faults)}",
                    hint="mend that and try again; what was kept on the tester stays",
                )
            looks.append(found)
        made = datetime.now(UTC).replace(microsecond=0)
        calibration = calibration_from(looks, made, self.hello.points)
        session = self._session(None)
        drive(keep(session, "calibration", calibration.to_bytes()), self.line)
        passed = long_check(looks, calibration, made, self.fixture)
        drive(keep(session, "check", passed.to_bytes()), self.line)
        if as_json:
            self._show_json(passed, calibration, "calibrated")
            return
        rows = [
            (socket.name, *_ranges(socket, calibration))
            for socket in sockets_of(self.fixture, self.hello.points)
        ]
        show_table(("socket", "points", "driven high", "driven low"), rows)
        show_text(
            f"\ncalibrated {rfc3339(made)} at {calibration.celsius:.0f} °C; it is kept on the tester\n"
            "A contact of the bar that was bad just now is in the calibration: `pinwright tester check`, "
            "with the bar\nput in afresh, would show it."
        )

    def check(self, as_json: bool) -> None:
        """Raises TesterError; where it is the tester that failed, it remembers why."""
        calibration = None
        session = self._session(None)
        if self.hello.lane == "calibrated":
            calibration = drive(calibration_of(session, self.hello.points), self.line)
        looks: list[Look] = []
        for socket in self._places():
            try:
                found = self._look_again(socket, calibration, always=False)
            except (SelfCheckFailed, OutsideVoltage) as error:
                self._keep_failure(error)
                raise
            looks.append(found)
            if found.faults and socket is None:
                break  # what is wrong with nothing plugged in would be found again at every socket
        made = datetime.now(UTC).replace(microsecond=0)
        result = long_check(looks, calibration, made, self.fixture)
        if not result.passed:
            failed = SelfCheckFailed(
                f"the tester failed its long check: {result.text}",
                hint="mend that and check again; until a check has passed no cable can be tested with it",
            )
            self._keep_failure(failed, result)
            raise failed
        drive(keep(session, "check", result.to_bytes()), self.line)
        if as_json:
            self._show_json(result, calibration, self.hello.lane)
            return
        rows = [(_place(one.socket), "as it should be") for one in looks]
        show_table(("bar", "found"), rows)
        if calibration:
            how = f", every point\nthat the bar reaches as at the calibration of {rfc3339(calibration.made)}"
        elif result.measured:
            how = ", every point\nthat the bar reaches with a resistance that can be; it is not calibrated"
        else:
            how = ", by continuity\nonly: it has no ohms lane"
        show_text(f"\nthe tester passed its long check {rfc3339(made)}{how}")

    def _places(self) -> tuple[Socket | None, ...]:
        """Where the bar has to be, one after another; None: nowhere."""
        return (None, *sockets_of(self.fixture, self.hello.points))

    def _session(self, socket: Socket | None) -> Session:
        session = Session(bar_in(socket), self.workshop.fixtures, __version__)
        session.hello, session.fixture = self.hello, self.fixture
        return session

    def _look(self, socket: Socket | None, calibration: Calibration | None = None) -> Look:
        """One look with the bar there."""
        self.move(socket)
        session = self._session(socket)
        found = drive(look(session, socket, calibration), self.line)
        if session.hello != self.hello:
            raise LinkCorrupt(
                f"another board answers at `{self.line.link.name}` than before",
                hint="leave one tester plugged in, and begin again",
            )
        return found

    def _look_again(self, socket: Socket | None, calibration: Calibration | None, *, always: bool) -> Look:
        """A look; another where it finds a fault that may be the bar's, or of something left in a socket, and
        somebody can see to that. always: as often as it takes, and not only where the bar is not in."""
        while self.someone_is_there:
            try:
                found = self._look(socket, calibration)
                faults = _faults(found, calibration, self.fixture)
                if not faults:
                    return found
            except (SelfCheckFailed, OutsideVoltage) as error:
                faults = (error.message,)
            say(f"{_told(faults)}\nonce more, to be sure; Ctrl-C ends it:")
            if not (always or any("not pressed home" in fault for fault in faults)):
                break
        return self._look(socket, calibration)

    def _keep_failure(self, error: TesterError, failed: LongCheck | None = None) -> None:
        """Have the tester remember why it failed, if it still can; what it passed before is forgotten."""
        made = datetime.now(UTC).replace(microsecond=0)
        data = (failed or LongCheck(made, False, False, (), error.message[:300])).to_bytes()
        session = self._session(None)
        try:
            try:
                drive(keep(session, "check", data), self.line)
            except SelfCheckFailed:  # no room beside the old one
                drive(ask(session, Request("keep forget check", 5.0)), self.line)
                drive(keep(session, "check", data), self.line)
        except TesterError as worse:
            say(f"the tester will not remember that: {worse.message}")

    def _show_json(self, check: LongCheck, calibration: Calibration | None, lane: str) -> None:
        show_text(json.dumps(self._document(check, calibration, lane), indent=2))

    def _document(self, check: LongCheck, calibration: Calibration | None, lane: str) -> Mapping[str, object]:
        return {
            "schema": _SCHEMA,
            "passed": check.passed,
            "made": rfc3339(check.made),
            "measured": check.measured,
            "sockets": list(check.sockets),
            "calibrated": rfc3339(calibration.made) if calibration else None,
            "tester": {"id": self.hello.id, "name": self.hello.name or None, "lane": lane},
        }


def _ranges(socket: Socket, calibration: Calibration) -> Iterator[str]:
    yield str(len(socket.points))
    for ohms in (calibration.high_ohms, calibration.low_ohms):
        known = [value for point in socket.points if (value := ohms[point]) is not None]
        if not known:
            raise OwnBug(f"{socket.name} was not calibrated")
        yield f"{min(known):.0f} to {max(known):.0f} Ω"


def _faults(found: Look, calibration: Calibration | None, fixture: Fixture) -> tuple[str, ...]:
    """What is wrong with a look, its resistances among it."""
    if found.faults or not (found.socket and found.high):
        return found.faults
    return changed_points(found, calibration, fixture) if calibration else strange_points(found, fixture)


def _told(faults: Sequence[str]) -> str:
    more = f"; and {len(faults) - _MOST_FAULTS} more" if len(faults) > _MOST_FAULTS else ""
    return "; ".join(faults[:_MOST_FAULTS]) + more


def _place(socket: Socket | None) -> str:
    return f"in {socket.name}" if socket else "none, all sockets empty"


def _is_a_terminal() -> bool:
    try:
        return sys.stdin is not None and sys.stdin.isatty()
    except ValueError:  # closed
        return False


def _ask_the_person(socket: Socket | None) -> None:
    """Say where the bar should be, and wait for Enter. Raises UsageError where nobody can press it."""
    if socket is None:
        say("take everything out of the tester's sockets, then press Enter")
    else:
        say(
            f"plug the shorting bar into {socket.name}, press it home, leave all other sockets empty, then "
            "press Enter"
        )
    try:
        answer = sys.stdin.readline() if sys.stdin is not None else ""
    except (OSError, ValueError):  # closed
        answer = ""
    if not answer:
        raise UsageError(
            "somebody has to move the shorting bar and press Enter, and standard input has ended"
        )
