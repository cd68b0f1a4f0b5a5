"""What a batch has come to: which cable of it is next, and what there is to say in the end. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

Found = tuple[str, tuple[str, ...]]  # a finding: its kind, and its pins


@dataclass(frozen=True, slots=True)
class Tested:
    """A test that is saved. item: which cable of the batch, from 1 on. passed: it proves the cable good."""

    item: int
    serial: str
    test: int
    passed: bool
    findings: tuple[Found, ...]
    seconds: int

    @property
    def number(self) -> str:
        """`HL40-0001.test-2`."""
        return f"{self.serial}.test-{self.test}"


@dataclass(slots=True)
class Tally:
    """The tests of a batch, in any order. count: how many cables it should have.

    aside: the numbers of tests whose cables are not waited for any more, though they failed and no other came
    after them. No record says that: a batch that is resumed waits for the last one once more.
    """

    count: int
    tests: list[Tested] = field(default_factory=list)
    aside: set[str] = field(default_factory=set)

    def cables(self) -> Mapping[tuple[int, str], Sequence[Tested]]:
        """The tests of each cable, the latest last, by item and serial: two serials are two cables, whatever
        their records say of the item."""
        cables: dict[tuple[int, str], list[Tested]] = {}
        # Of two records of one test the one that did not pass counts.
        for test in sorted(self.tests, key=lambda one: (one.item, one.serial, one.test, not one.passed)):
            cables.setdefault((test.item, test.serial), []).append(test)
        return cables

    def items(self, *, first: bool = False) -> Mapping[int, bool]:
        """Which items were tested, and whether they passed: no cable of an item failed its last test (first:
        its first)."""
        results: dict[int, bool] = {}
        for (item, _), tests in self.cables().items():
            results[item] = results.get(item, True) and tests[0 if first else -1].passed
        return results

    @property
    def last(self) -> Tested | None:
        """The last test of the last cable; of two cables that are one item, of one that is to be mended."""
        cables = self.cables()
        item = max((item for item, _ in cables), default=0)
        tests = [tests[-1] for (one, _), tests in cables.items() if one == item]
        waited = [one for one in tests if self._is_waited_for(one)]
        return max(waited or tests, key=lambda one: one.test, default=None)

    def _is_waited_for(self, last: Tested) -> bool:
        return not last.passed and last.number not in self.aside

    @property
    def to_mend(self) -> Tested | None:
        """The test of the cable that has to be mended and tested again, or set aside."""
        last = self.last
        return last if last and self._is_waited_for(last) else None

    def set_aside(self) -> None:
        """The cable that should be mended is not waited for."""
        if self.to_mend:
            self.aside.add(self.to_mend.number)

    @property
    def item(self) -> int:
        """The cable that is tested next: the one to be mended, or another."""
        mend, last = self.to_mend, self.last
        return mend.item if mend else (last.item if last else 0) + 1

    @property
    def complete(self) -> bool:
        """Whether there are as many cables as there should be, and none of them is waited for."""
        return self.item > self.count

    @property
    def passed(self) -> int:
        """How many items: their last tests."""
        return sum(self.items().values())

    @property
    def passed_first(self) -> int:
        """How many items, at their first tests."""
        return sum(self.items(first=True).values())

    @property
    def failed(self) -> list[str]:
        """The serials of those that did not pass, or not yet."""
        return [tests[-1].serial for tests in self.cables().values() if not tests[-1].passed]

    @property
    def faults(self) -> dict[str, int]:
        """How many of each kind were found, the most frequent first. What a later test of the same cable
        still finds is the same fault."""
        found = {(test.item, test.serial, *finding) for test in self.tests for finding in test.findings}
        counted = Counter(kind for _, _, kind, _ in found)
        return dict(sorted(counted.items(), key=lambda one: (-one[1], one[0])))

    @property
    def seconds(self) -> int | None:
        """The median of what a cable took, its mending and all its tests included."""
        took = [sum(test.seconds for test in tests) for tests in self.cables().values()]
        return round(median(took)) if took else None


def summary(tally: Tally) -> list[str]:
    """The same in words, a line each."""
    tested = len(tally.items())
    if not tested:
        return [f"none of {tally.count} was tested"]

    def share(count: int) -> str:
        return f"{count} ({100 * count / tested:.0f} %)"

    which = f"{tested} tested of {tally.count}" if tested < tally.count else f"{tested} tested"
    told = [f"{which}: {share(tally.passed)} passed, {share(tally.passed_first)} at the first test"]
    if tally.faults:
        told.append("faults found: " + ", ".join(f"{count} {kind}" for kind, count in tally.faults.items()))
    if tally.seconds is not None:
        told.append(f"a cable took {time_text(tally.seconds)}, mending included (median)")
    if tally.failed:
        told.append(f"not passed: {', '.join(tally.failed)}")
    return told


def summary_members(tally: Tally) -> dict[str, object]:
    """The same for a program. yield: of the cables that were tested, the share that passed."""
    tested = len(tally.items())
    return {
        "complete": tally.complete,
        "tested": tested,
        "passed": tally.passed,
        "passed_first": tally.passed_first,
        "yield": round(tally.passed / tested, 4) if tested else None,
        "faults": tally.faults,
        "seconds": tally.seconds,
        "failed": tally.failed,
        "cables": [
            {"item": item, "serial": tests[-1].serial, "tests": len(tests), "passed": tests[-1].passed}
            for (item, _), tests in tally.cables().items()
        ],
    }


def time_text(seconds: int) -> str:
    """`41 s`, `3 min 05 s`."""
    return f"{seconds} s" if seconds < 100 else f"{seconds // 60} min {seconds % 60:02} s"
