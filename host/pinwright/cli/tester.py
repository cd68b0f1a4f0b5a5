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
    OtherTemperature,
    OutsideVoltage,
    OwnBug,
    ProtocolMismatch,
    SelfCheckFailed,
    TesterError,
    UsageError,
)
from pinwright.link import Line, drive
from pinwright.terminal import progress, say, show_table, show_text
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
_AGREEING_OHMS = 2.0  # by how much a point may differ between two times that the bar is put in
_SLIP_FAULTS = 3  # shorts at once with nothing plugged in: rather a cable than the tester
Move = Callable[[Socket | None], None]
Judge = Callable[[Look], tuple[str, ...]]  # what is wrong with a look's resistances


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
        if name == "calibrate":
            action.add_argument(
                "--replace",
                action="store_true",
                help="after a repair: do not hold it against the calibration that the tester keeps",
            )
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
            bench.calibrate(arguments.json, arguments.replace)
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
        self.itself = itself
        self.someone_is_there = itself is None and _is_a_terminal()
        self.bar_was_in: Socket | None = None

    def calibrate(self, as_json: bool, replace: bool) -> None:
        """Measure every socket two times, the bar put in afresh. replace: whatever the tester keeps already.

        Raises TesterError; then the tester keeps what it had.
        """
        if self.hello.lane == "none":
            raise UsageError(
                "this tester has no ohms lane, so there is nothing to calibrate",
                hint="`pinwright tester check` makes its long check",
            )
        session = self._session(None)
        old = None if replace else self._old_calibration(session)
        looks = [self._sound_look(socket) for socket in self._places()]
        again = self._second_round(looks)
        if old:
            self._hold_against(old, looks)
        made = datetime.now(UTC).replace(microsecond=0)
        calibration = calibration_from(looks, made, self.hello.points)
        passed = long_check([looks[0], *again], calibration, made, self.fixture)
        if not passed.passed:
            raise _not_calibrated(passed.text)
        drive(keep(session, "calibration", calibration.to_bytes()), self.line)
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
            f"\ncalibrated {rfc3339(made)} at {calibration.celsius:.0f} °C; it is kept on the tester, with "
            "the long check that it\npassed when the bar was put in for the second time"
        )

    def _sound_look(self, socket: Socket | None, calibration: Calibration | None = None) -> Look:
        """A look for a calibration. Raises SelfCheckFailed where it finds anything wrong."""
        found = self._look_again(socket, calibration, self._strange, always=True)
        if faults := _faults(found, self._strange):
            raise _not_calibrated(self._with_question(found, faults))
        return found

    def _second_round(self, looks: list[Look]) -> Sequence[Look]:
        """Every socket once more: one look does not tell a bad contact of the bar. Raises SelfCheckFailed.

        looks: of the first round. Somebody who is there puts the bar in until two times running agree; the
        later look at a socket takes the earlier's place, for it may have been the first time that was bad.
        """
        agreeing = []
        for number, socket in enumerate(self._places()):
            while socket:
                calibration = calibration_from(looks, datetime.now(UTC), self.hello.points)
                found = self._sound_look(socket, calibration)
                faults = changed_points(found, calibration, self.fixture, limit=_AGREEING_OHMS)
                if not faults:
                    agreeing.append(found)
                    break
                told = f"this differs between two times that the bar was put in: {_told(faults)}"
                if not self.someone_is_there:
                    raise _not_calibrated(told)
                _say_once_more(told)
                looks[number] = found
        return agreeing

    def _old_calibration(self, session: Session) -> Calibration | None:
        """What the tester keeps; None where that is nothing, or damaged, or another tester's."""
        if self.hello.lane != "calibrated":
            return None
        try:
            old = drive(calibration_of(session, self.hello.points), self.line)
        except SelfCheckFailed:
            return None
        except LinkCorrupt as error:
            raise LinkCorrupt(
                error.message, hint="`--replace` does not look at the calibration on the tester"
            ) from None
        references = sum(2 for pair in self.fixture.references if max(pair) < self.hello.points)
        return old if len(old.references) == references else None

    def _hold_against(self, old: Calibration, looks: Sequence[Look]) -> None:
        """Raises SelfCheckFailed where the looks are not those of the tester that was calibrated before."""
        taken = "`--replace` takes the new figures"
        try:
            changed = [
                fault for one in looks if one.socket for fault in changed_points(one, old, self.fixture)
            ]
        except SelfCheckFailed as error:
            raise SelfCheckFailed(
                f"{error.message}; so the new calibration cannot be held against that on the tester",
                hint=f"let it come to the temperature of then; if it has to be calibrated as it is, {taken}"
                if isinstance(error, OtherTemperature)
                else f"if the tester was repaired, or is much warmer or colder than then, {taken}",
            ) from None
        if changed:
            raise SelfCheckFailed(
                f"the tester is not as the calibration that it keeps says: {_told(changed)}",
                hint=f"clean the contacts of the bar and try again; if the tester was repaired, {taken}",
            )

    def check(self, as_json: bool) -> None:
        """Raises TesterError; where it is the tester that failed, it remembers why."""
        calibration = None
        session = self._session(None)
        if self.hello.lane == "calibrated":
            calibration = drive(calibration_of(session, self.hello.points), self.line)

        def changed(one: Look) -> tuple[str, ...]:
            return changed_points(one, calibration, self.fixture) if calibration else self._strange(one)

        looks: list[Look] = []
        for socket in self._places():
            try:
                found = self._look_again(socket, calibration, changed, always=False)
            except OtherTemperature:
                raise  # no fault of the tester
            except (SelfCheckFailed, OutsideVoltage) as error:
                self._keep_failure(error)
                raise
            if self._question(found) and not self.someone_is_there:
                raise SelfCheckFailed(
                    f"the tester was not checked: {self._with_question(found, found.faults)}",
                    hint="put that right and check again; the tester keeps what it had",
                )
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
            how = ", every point\nthat the bar reaches with a plausible resistance; it is not calibrated"
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
        self._move(socket)
        session = self._session(socket)
        with progress(f"measuring (bar: {_place(socket)})"):
            found = drive(look(session, socket, calibration), self.line)
        if session.hello != self.hello:
            raise LinkCorrupt(
                f"another board answers at `{self.line.link.name}` than before",
                hint="leave one tester plugged in, and begin again",
            )
        return found

    def _move(self, socket: Socket | None) -> None:
        """Have the bar moved; where it should be already it is put in afresh."""
        if self.itself:
            self.itself(socket)
        else:
            _ask_the_person(socket, afresh=socket is self.bar_was_in)
        self.bar_was_in = socket

    def _look_again(
        self, socket: Socket | None, calibration: Calibration | None, judge: Judge, *, always: bool
    ) -> Look:
        """A look; another where it finds a fault that may be the bar's, or of something left in a socket, and
        somebody can see to that. always: as often as it takes, and not only where the bar is not in."""
        while self.someone_is_there:
            try:
                found = self._look(socket, calibration)
                faults = _faults(found, judge)
                if not faults:
                    return found
                told = self._with_question(found, faults)
            except OtherTemperature:
                raise  # nothing that anybody could put right
            except (SelfCheckFailed, OutsideVoltage) as error:
                faults, told = (), error.message
            _say_once_more(told)
            if not (always or _bar_is_missing(faults)):
                break
        return self._look(socket, calibration)

    def _strange(self, found: Look) -> tuple[str, ...]:
        return strange_points(found, self.fixture)

    def _question(self, found: Look) -> str:
        """Where a fault is rather a slip of the person who moves the bar, what to ask; nothing elsewhere."""
        if self.itself:
            return ""
        if found.socket:
            return (
                "is it elsewhere, or is something still plugged in?" if _bar_is_missing(found.faults) else ""
            )
        joined = [fault for fault in found.faults if "are joined inside the tester" in fault]
        # A bar that is still in is one short, of more points than are named.
        many = len(joined) >= _SLIP_FAULTS or any("more are joined" in fault for fault in joined)
        return "is something still plugged in?" if many else ""

    def _with_question(self, found: Look, faults: Sequence[str]) -> str:
        return "; ".join(filter(None, (_told(faults), self._question(found))))

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


def _faults(found: Look, judge: Judge) -> tuple[str, ...]:
    """What is wrong with a look, its resistances among it."""
    if found.faults or not (found.socket and found.high):
        return found.faults
    return judge(found)


def _bar_is_missing(faults: Sequence[str]) -> bool:
    return any("not pressed home" in fault for fault in faults)


def _not_calibrated(why: str) -> SelfCheckFailed:
    return SelfCheckFailed(
        f"the tester cannot be calibrated: {why}",
        hint="mend that and try again; what was kept on the tester stays",
    )


def _say_once_more(told: str) -> None:
    say(f"{told}\nput it right; it is looked at once more (Ctrl-C ends it)")


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


def _ask_the_person(socket: Socket | None, *, afresh: bool) -> None:
    """Say where the bar should be, and wait for Enter. afresh: it may be there already, and has to come out
    in between. Raises UsageError where nobody can press it."""
    if socket is None:
        say("take everything out of the tester's sockets, then press Enter")
    else:
        how = (
            "take the shorting bar out and put it into {} again"
            if afresh
            else "plug the shorting bar into {}"
        )
        say(f"{how.format(socket.name)}, press it home, leave all other sockets empty, then press Enter")
    try:
        answer = sys.stdin.readline() if sys.stdin is not None else ""
    except (OSError, ValueError):  # closed
        answer = ""
    if not answer:
        raise UsageError(
            "somebody has to move the shorting bar and press Enter, and standard input has ended"
        )
