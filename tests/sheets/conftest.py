"""What the tests of pictures and pages share: records made without a tester, and the tools that read them."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from itertools import combinations, permutations

import pytest

from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.profile import Profile
from pinwright.errors import PlacementError
from pinwright.library import find_profile, library_folders, profile_of, read_fixtures
from pinwright.records.document import canonical, seal
from pinwright.records.record import Record, read_record
from pinwright.records.scan_document import Subject, record_document, scan_document
from pinwright.tester.calibration import LongCheck
from pinwright.tester.fixture import Fixture, Placement, Socket, place
from pinwright.tester.measurement import Evidence
from pinwright.tester.session import BoardVerdict, Hello, Scan
from pinwright.verdict.findings import explain

from ..records.making import CALIBRATED, facts_of, read_by_lane

LONG_CHECK = LongCheck(CALIBRATED, passed=True, measured=True, sockets=("J1", "S1", "J2"), text="")
WORKSHOP = read_fixtures()["tester-128"]
Group = tuple[Pin, ...]


@pytest.fixture(scope="session")
def library() -> Callable[[str], str]:
    """The text of a profile of the library, by its id."""
    return lambda name: find_profile(name, library_folders()).text


def _pins(text: str) -> Group:
    return tuple(map(parse_pin, text.split()))


@pytest.fixture(scope="session")
def measured() -> Callable[..., list[Group]]:
    """What a cable would be found like: as its profile says, but for these faults, each a few pins."""

    def measured(
        profile: Profile, cut: Sequence[str] = (), swap: Sequence[str] = (), join: Sequence[str] = ()
    ) -> list[Group]:
        """cut: pins that come off their net. swap: pairs that change places. join: what is joined besides."""
        other = {one: another for text in swap for one, another in permutations(_pins(text), 2)}
        off = {pin for text in cut for pin in _pins(text)}
        groups = [tuple(other.get(pin, pin) for pin in net.pins if pin not in off) for net in profile.nets]
        return [group for group in (*groups, *map(_pins, join)) if len(group) > 1]

    return measured


def _fixture_for(profile: Profile) -> tuple[Fixture, Placement]:
    """The workshop's tester, or a larger one with a socket for each end."""
    try:
        return WORKSHOP, place(profile.ends, WORKSHOP, WORKSHOP.points)
    except PlacementError:
        sockets, first = [], 0
        for number, end in enumerate(profile.ends, 1):
            points = tuple(range(first, first + len(end.connector.pins)))
            sockets.append(Socket(f"J{number}", "box", points))
            first += len(points)
        total = -(-first // 8) * 8
        large = replace(WORKSHOP, id="large", points=total, sockets=tuple(sockets), references=())
        by_hand = {end.name: f"J{number}" for number, end in enumerate(profile.ends, 1)}
        return large, place(profile.ends, large, total, by_hand)


@pytest.fixture(scope="session")
def profile_text() -> Callable[..., str]:
    """The text of a profile's file."""

    def profile_text(
        ends: Mapping[str, str],
        wires: Iterable[str],
        *,
        title: str = "An example",
        labels: Mapping[str, str] | None = None,
        signals: Mapping[str, str] | None = None,
    ) -> str:
        """ends: end → connector. labels: end → label. signals: pin as `A.1` → signal."""
        quoted = partial(json.dumps, ensure_ascii=False)  # a text of JSON is one of TOML
        lines = ["[cable]", 'id = "example"', 'revision = "C"', f"title = {quoted(title)}"]
        for end, connector in ends.items():
            lines += [f"[ends.{end}]", f"connector = {quoted(connector)}"]
            label = (labels or {}).get(end, f"where {end} goes")
            lines += [f"label = {quoted(label)}", f"[ends.{end}.signals]"]
            for pin, signal in (signals or {}).items():
                if pin.startswith(f"{end}."):
                    lines.append(f"{quoted(pin.removeprefix(f'{end}.'))} = {quoted(signal)}")
        return "\n".join([*lines, "[wiring]", f"wires = {json.dumps([wire.split() for wire in wires])}", ""])

    return profile_text


@pytest.fixture(scope="session")
def record_of(measured: Callable[..., list[Group]]) -> Callable[..., Record]:
    """A sealed record of a test that never took place, read back as any other."""

    def record_of(
        text: str,
        *,
        doubtful: Sequence[str] = (),
        simulated: bool = False,
        serial: str = "HL40-0001",
        test: int = 2,
        operator: str | None = "R. Sands",
        name: str = "bench 2",
        lane: str = "none",
        long_check: LongCheck | None = LONG_CHECK,
        max_ohms: float | None = None,
        joints: Mapping[str, float] | None = None,
        leaks: Mapping[str, float] | None = None,
        **faults: Sequence[str],
    ) -> Record:
        """text: of the profile's file. doubtful: pairs that conducted now and then. max_ohms: a limit given
        by hand. joints, leaks: of read_by_lane. faults: as `measured`."""
        profile = profile_of(text)
        fixture, placement = _fixture_for(profile)
        width = fixture.points // 8

        def matrix(groups: Sequence[Group]) -> bytes:
            rows = [0] * fixture.points
            for group in groups:
                for one, other in combinations([placement.point_of[pin] for pin in group], 2):
                    rows[one] |= 1 << other
                    rows[other] |= 1 << one
            return b"".join(row.to_bytes(width, "little") for row in rows)

        joined, unsteady = matrix(measured(profile, **faults)), matrix(list(map(_pins, doubtful)))
        none = bytes(width)
        evidence = Evidence(fixture.points, joined, joined, unsteady, none, none, bytes(fixture.points))
        sha256 = hashlib.sha256(text.encode("utf-8")).hexdigest()
        moment = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)
        limit = profile.max_ohms if max_ohms is None else max_ohms
        by_hand = max_ohms is not None
        subject = Subject(profile, text, sha256, operator, moment, 840, simulated, limit, by_hand)
        readings = (
            read_by_lane(
                subject.judged,
                evidence,
                placement,
                calibrated=lane == "calibrated",
                joints=joints,
                leaks=leaks,
            )
            if lane != "none"
            else None
        )
        hello = Hello(3, "0.3.0", "E6614C311B", fixture.id, fixture.points, 2, lane, "rp2", name, "fast")
        board, counts = BoardVerdict(True, frozenset(), frozenset()), {"walk_us": 6700}
        scan = Scan(hello, fixture, placement, evidence, board, counts, readings, long_check)
        facts = facts_of(subject.judged, scan)
        document = scan_document(subject, scan, facts, explain(subject.judged, facts), serial)
        record = canonical(seal(record_document(subject, scan, facts, document, serial, test, "0.8.0")))
        return read_record(record, profile_of)

    return record_of


@pytest.fixture(scope="session")
def tool() -> Callable[..., bytes]:
    """Run a program that reads what we made. Without it a person's run skips and a run of CI fails."""

    def tool(name: str, *words: object, package: str) -> bytes:
        if not shutil.which(name):
            reason = f"no {name} here: install Debian's {package}"
            if os.environ.get("CI"):
                pytest.fail(reason)
            pytest.skip(reason)
        done = subprocess.run([name, *map(str, words)], capture_output=True, timeout=60)
        assert done.returncode == 0, (done.stdout + done.stderr).decode("utf-8", "replace")
        return done.stdout

    return tool
