"""A batch killed at random moments, and gone on with until it is complete; then the next. POSIX only.

    python tests/campaign/killing_batches.py PLACE KILLS SEED

A cable that is good and one that is bad are measured once, on the virtual tester; then programs are forked
that run batches with what was measured, and no hand moves in between: all of a program's time goes into what
is recorded, and a kill costs tenths of a second. No documents are drawn; nothing else is left out.

It ends with a line of JSON that says what was counted, or with a complaint.
"""

from __future__ import annotations

import functools
import hashlib
import json
import os
import random
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NoReturn

import pinwright.records.index  # noqa: F401 -- so that no program needs its time for that
from pinwright import library
from pinwright.cli import batch, batching, proving
from pinwright.cli.main import main
from pinwright.cli.ports import Workshop, plug_in
from pinwright.library import find_profile, library_folders
from pinwright.link import Line, SerialLink
from pinwright.records.document import open_sealed
from pinwright.resources import folder
from pinwright.tester.session import Scan
from pinwright.tester.watching import Cable, Nothing, State
from pinwright.verdict.facts import Facts
from pinwright.virtual.bench import Bench, TesterSpec, good_bench
from pinwright.virtual.port import Port

CABLE = "lamp-changer-40"
COUNT = 6  # cables of a batch
BAD = 0.3  # the share of tests that fail
LONGEST_S = 0.5  # a program is killed by then

Measured = tuple[Scan, Facts]


def measured() -> tuple[Measured, Measured]:
    """A good cable, and a bad one."""
    loaded = find_profile(CABLE, library_folders())
    profile, workshop = loaded.profile, Workshop.read()
    job = proving.Job(loaded, {})
    good = Bench(good_bench(profile).links, TesterSpec(fitted=5, lane="none"))
    bad = Bench(good.links[1:], good.tester)

    def scan(bench: Bench) -> Measured:
        with Port(*plug_in(bench, profile.ends, workshop, {}), folder("firmware")) as port:
            link = SerialLink(port.name)
            try:
                return proving.Test(job, workshop).measured(Line(link, lambda line: None))
            finally:
                link.close()

    return scan(good), scan(bad)


class Plugging:
    """In place of what watches a tester: a cable is there at once, and out as soon as it was tested."""

    def __init__(self, hello: Any) -> None:
        self.session = SimpleNamespace(known=lambda: hello, placement=None)
        self.out = True

    def begin(self) -> None: ...

    def look(self) -> None: ...

    def show(self, passed: bool) -> None: ...

    def must_come_out(self) -> None:
        self.out = False

    def hear(self, look: object, at_s: float) -> State:
        before, self.out = self.out, True
        return Cable() if before else Nothing()


@contextmanager
def no_board(*_: object) -> Iterator[tuple[object, None]]:
    yield SimpleNamespace(name="none"), None


def program(words: Sequence[str], good: Measured, bad: Measured, seed: int, out: int) -> NoReturn:
    """A program of its own, from here on; what it says goes to `out`."""
    chance = random.Random(seed)

    def measured(test: proving.Test, line: Line) -> Measured:
        return bad if chance.random() < BAD else good

    batch.opened_for_batch = no_board  # type: ignore[assignment]
    batch.Watching = lambda session: Plugging(good[0].hello)  # type: ignore[assignment, misc]
    batch.drive = batching.drive = lambda run, line: None  # type: ignore[assignment]
    batching.LOOK_EVERY_S = 0.0
    proving.Test.measured = measured  # type: ignore[method-assign]
    proving.Proof._draw = lambda proof, record: {}  # type: ignore[method-assign]
    os.dup2(out, 1)
    sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115 -- it ends with the program
    sys.stdin = None  # type: ignore[assignment]
    os._exit(main(list(words)))


class Campaign:
    """What was told and what is there, over all programs."""

    def __init__(self, place: Path, seed: int) -> None:
        self.place = place
        self.chance = random.Random(seed)
        self.good, self.bad = measured()
        self.told: dict[str, str] = {}  # number of a record that was reported saved → the hash of its file
        self.read: dict[str, Any] = {}  # what a record says, by the name of its file
        self.kills = self.ended = 0

    def run(self, kills: int) -> dict[str, int]:
        """Until so many programs were killed; the last batch is run to its end."""
        words = ["batch", CABLE, "--records", str(self.place), "--port", "sim", "--json"]
        while self.kills < kills:
            status = None
            while status is None:
                resume = ["--resume"] if self.unfinished() else ["--count", str(COUNT)]
                after_s = self.chance.uniform(0, LONGEST_S) if self.kills < kills else None
                status = self.one([*words, *resume], after_s)
            assert status == 0, f"a batch that was never stopped otherwise ends with {status}"
        batches = self.check_all()
        return {
            "kills": self.kills,
            "programs that ended before": self.ended,
            "batches": batches,
            "reported": len(self.told),
        }

    def one(self, words: Sequence[str], after_s: float | None) -> int | None:
        """A program from its start to its end (its status), or until it is killed (None)."""
        ours, theirs = os.pipe()
        seed = self.chance.randrange(1 << 30)
        child = os.fork()
        if child == 0:
            os.close(ours)
            program(words, self.good, self.bad, seed, theirs)
        os.close(theirs)
        if after_s is not None:
            time.sleep(after_s)
            os.kill(child, signal.SIGKILL)
        with os.fdopen(ours, encoding="utf-8") as said:
            lines = said.read().splitlines(keepends=True)
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        for line in lines:
            if line.endswith("\n"):  # the last one may be cut
                event = json.loads(line)
                assert event["schema"] == "pinwright/batch-event-1", line
                if event["kind"] == "saved":
                    self.hear(event)
        if status == -signal.SIGKILL:
            self.kills += 1
            return None
        self.ended += after_s is not None
        return status

    def hear(self, event: Any) -> None:
        """It is there, and says what was told of it."""
        path = Path(event["certificate"] or event["report"])
        data = path.read_bytes()
        record = open_sealed(data)
        number = f"{event['serial']}.test-{event['test']}"
        expected = (number, event["verdict"], event["batch"], event["item"])
        member = record["batch"]
        assert expected == (record["number"], record["scan"]["verdict"], member["id"], member["item"])
        assert number not in self.told, f"{number} was reported twice"
        self.told[number] = hashlib.sha256(data).hexdigest()

    def records(self, *, anew: bool = False) -> dict[str, Any]:
        """Every record of the folder by its number. anew: those that were read before are read again."""
        for path in sorted(self.place.glob("*.test-*.json")):
            if path.name in self.read and not anew:
                continue
            data = path.read_bytes()
            record = open_sealed(data)
            assert path.name == f"{record['number']}.{record['kind']}.json"
            assert self.told.get(record["number"]) in (None, hashlib.sha256(data).hexdigest())
            assert self.read.get(path.name) in (None, record), f"{path.name} has changed"
            self.read[path.name] = record
        return {record["number"]: record for record in self.read.values()}

    def unfinished(self) -> bool:
        """Whether the latest batch of the folder has cables left, as its files say."""
        ids = [path.name.removesuffix(".batch.json") for path in self.place.glob("*.batch.json")]
        latest = max((int(id.rpartition("-")[2]) for id in ids), default=0)
        if not latest:
            return False
        passed = [
            record["batch"]["item"]
            for record in self.records().values()
            if record["batch"]["id"] == f"{CABLE}-{latest}" and record["scan"]["verdict"] == "pass"
        ]
        return len(passed) < COUNT

    def check_all(self) -> int:
        """Nothing that was told is missing, nothing is there twice, and every batch is complete; how many."""
        records = self.records(anew=True)
        assert len(records) == len([*self.place.glob("*.test-*.json")])
        assert self.told.keys() <= records.keys(), self.told.keys() - records.keys()
        seals = {
            path.name.removesuffix(".batch.json"): open_sealed(path.read_bytes())["sha256"]
            for path in self.place.glob("*.batch.json")
        }
        of: dict[tuple[str, int], dict[int, Any]] = {}
        for record in records.values():
            member = record["batch"]
            assert seals[member["id"]] == member["sha256"]
            of.setdefault((member["id"], member["item"]), {})[record["test"]] = record
        batches = [path.name.removesuffix(".batch.json") for path in self.place.glob("*.batch.json")]
        assert {f"{CABLE}-{n}" for n in range(1, len(batches) + 1)} == set(batches)
        assert {(id, item) for id in batches for item in range(1, COUNT + 1)} == set(of)
        serials = []
        for cable, tests in of.items():
            assert [*range(1, len(tests) + 1)] == sorted(tests), cable
            verdicts = [tests[number]["scan"]["verdict"] for number in sorted(tests)]
            assert ["fail"] * (len(tests) - 1) + ["pass"] == verdicts, cable
            (serial,) = {record["serial"] for record in tests.values()}
            serials.append(serial)
        assert len(serials) == len(set(serials))
        assert sorted(serials) == [f"HL40-{n:04}" for n in range(1, len(serials) + 1)]
        assert [] == [path.name for path in self.place.iterdir() if path.name.endswith(".unfinished")]
        return len(batches)


if __name__ == "__main__":
    library.profile_of = functools.cache(library.profile_of)  # what a text means does not change
    campaign = Campaign(Path(sys.argv[1]), int(sys.argv[3]))
    print(json.dumps(campaign.run(int(sys.argv[2]))))
