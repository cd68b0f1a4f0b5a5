"""What the campaigns on desks share: a tester, calibrated as its users do it, and cable after cable in it."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from pinwright.cable.profile import Profile
from pinwright.cli.ports import Workshop, plug_in
from pinwright.errors import PlacementError, TesterError
from pinwright.link import Line, drive
from pinwright.tester.calibration import Calibration, LongCheck
from pinwright.tester.fixture import Socket
from pinwright.tester.lane import calibration_of, keep
from pinwright.tester.session import Scan, Session
from pinwright.verdict.agreement import decide
from pinwright.verdict.facts import Facts
from pinwright.verdict.upkeep import Look, bar_in, calibration_from, long_check, look, sockets_of
from pinwright.virtual.bench import Bench, Link, TesterSpec, bar_bench

from ..desk import Desk

WORKSHOP = Workshop.read()
FIXTURE = WORKSHOP.fixtures["tester-128"]
CONNECTORS = {"A": "idc-2x20", "B": "dip-40"}


def profile_of(nets: Iterable[Iterable[str]]) -> Profile:
    """A lead from J1 to S1 with these nets."""
    return Profile.from_dict(
        {
            "cable": {"id": "x"},
            "ends": {end: {"connector": name} for end, name in CONNECTORS.items()},
            "wiring": {"wires": [list(net) for net in nets]},
        }
    )


def straight() -> Profile:
    """Forty pairs."""
    return profile_of([[f"A.{n}", f"B.{n}"] for n in range(1, 41)])


@dataclass(frozen=True)
class Outcome:
    """facts, scan: of a scan that came to a verdict. refused: what was said where it did not."""

    facts: Facts | None
    refused: str = ""
    scan: Scan | None = None

    @property
    def passed(self) -> bool:
        return self.facts is not None and self.facts.passed

    @property
    def failed(self) -> bool:
        return self.facts is not None and not self.facts.passed


class DeskTester:
    """One board that stays on: cables and the bar come and go. spec: which board, and its faults."""

    def __init__(self, desk: Desk, spec: TesterSpec) -> None:
        self.desk = desk
        self.spec = spec
        self.line = Line(desk, lambda text: None)

    def scan(self, profile: Profile, links: Iterable[Link]) -> Outcome:
        """Plug a cable in and scan it."""
        bench = Bench(tuple(links), self.spec)
        self.desk.plug(*plug_in(bench, profile.ends, WORKSHOP, {}))
        session = Session(profile, WORKSHOP.fixtures, "0", adapters=WORKSHOP.adapters)
        try:
            scan = drive(session.run(), self.line)
            return Outcome(decide(profile, scan), scan=scan)
        except (TesterError, PlacementError) as error:  # the second: it looks like an adapter's mark
            return Outcome(None, f"{type(error).__name__}: {error.message}")

    def looks(self, calibration: Calibration | None = None) -> list[Look]:
        """What `pinwright tester` looks at, one after another. Raises TesterError."""
        places = (None, *sockets_of(FIXTURE, self.spec.points))
        return [self._look(socket, calibration) for socket in places]

    def _look(self, socket: Socket | None, calibration: Calibration | None) -> Look:
        bench = bar_bench(Bench(tester=self.spec), socket)
        self.desk.plug(*plug_in(bench, (), WORKSHOP, {}))
        session = Session(bar_in(socket), WORKSHOP.fixtures, "0")
        return drive(look(session, socket, calibration), self.line)

    def calibrate(self) -> Calibration:
        """As `pinwright tester calibrate` does, the board keeping the result. Raises TesterError."""
        made = datetime.now(UTC).replace(microsecond=0)
        calibration = calibration_from(self.looks(), made, self.spec.points)
        session = Session(bar_in(None), WORKSHOP.fixtures, "0")
        session.fixture = FIXTURE
        drive(keep(session, "calibration", calibration.to_bytes()), self.line)
        return calibration

    def check(self) -> LongCheck | str:
        """As `pinwright tester check` does; what was said where the tester refused that too."""
        session = Session(bar_in(None), WORKSHOP.fixtures, "0")
        session.fixture = FIXTURE
        try:
            kept = self.spec.lane == "calibrated"
            calibration = drive(calibration_of(session, self.spec.points), self.line) if kept else None
            return long_check(self.looks(calibration), calibration, datetime.now(UTC), FIXTURE)
        except TesterError as error:
            return f"{type(error).__name__}: {error.message}"


@contextmanager
def running(spec: TesterSpec, flash: Path | None = None) -> Iterator[DeskTester]:
    """A board that is switched on, with nothing plugged in."""
    with Desk(*plug_in(Bench(tester=spec), (), WORKSHOP, {}), flash=flash) as desk:
        yield DeskTester(desk, spec)


@contextmanager
def calibrated(spec: TesterSpec) -> Iterator[DeskTester]:
    """A board that was calibrated with the bar, at its calibration's temperature, and is warmer or colder
    now by spec.kelvin."""
    with tempfile.TemporaryDirectory() as folder:
        cold = replace(spec, kelvin=0.0, lane="uncalibrated")
        with running(cold, Path(folder)) as tester:
            tester.calibrate()
        with running(replace(spec, lane="calibrated"), Path(folder)) as tester:
            yield tester
