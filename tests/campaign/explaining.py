"""How well faults are explained: `python tests/campaign/explaining.py` writes RESULTS.md beside this file.

`--quick` takes a small part of everything, `--out` another file, `--seed` other cables. The cables come from
faulty_cables.py, which knows nothing of how they are explained. Most are judged and explained as they are
(the pure path); some hundreds are plugged into a virtual tester whose firmware runs under MicroPython.
test_explaining.py holds a sample of this.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from itertools import combinations, islice
from pathlib import Path
from statistics import median

if __package__ in (None, ""):
    ROOT = Path(__file__).parents[2]
    sys.path[:0] = [str(ROOT), str(ROOT / "host")]
    __package__ = "tests.campaign"
    import tests.campaign  # noqa: F401

from pinwright import resources
from pinwright.cable.profile import Joined, Profile
from pinwright.cli.ports import Workshop, plug_in
from pinwright.errors import PlacementError, TesterError
from pinwright.library import LoadedProfile, all_profiles
from pinwright.link import Line, SerialLink, drive
from pinwright.tester.measurement import Measurement
from pinwright.tester.session import Session
from pinwright.verdict.agreement import decide
from pinwright.verdict.causes import COSTS, Cause, Story
from pinwright.verdict.facts import Facts, compare
from pinwright.verdict.findings import explain
from pinwright.verdict.stories import stories
from pinwright.virtual.bench import Bench, Link, TesterSpec
from pinwright.virtual.port import Port

from . import faulty_cables as made
from .faulty_cables import Cable, Fault, Pins

RESULTS = Path(__file__).with_name("RESULTS.md")
SEED = 1
SCANS = 320
MOST_LINK_OHMS = 1.0  # along a whole piece, the worst way
LEAK_OHMS = (5e6, 20e6)
MOST_LISTED = 400  # lines of one list in RESULTS.md

SINGLES, GEOMETRIC, PAIRS, SEVERAL, COMMONS = (
    "one small fault",
    "one geometric cause",
    "two small faults",
    "three to eight small faults",
    "links of a common signal",
)
GEOMETRIC_AND = "one geometric cause and {} more"
HARMLESS = "nothing that matters"
CLASSES = (
    SINGLES,
    GEOMETRIC,
    PAIRS,
    SEVERAL,
    *(GEOMETRIC_AND.format(n) for n in (1, 2, 3)),
    COMMONS,
    HARMLESS,
)

TRUE, EQUAL, CHEAPER, MISSED = "true cause", "equal cost", "cheaper", "missed"
FOUND = (TRUE, EQUAL, CHEAPER)
GOOD, PASSED, UNDETECTED, AMBIGUOUS = "good", "good, passed", "undetected", "ambiguous"


@cache
def library() -> tuple[Profile, ...]:
    """Every profile of the library, in order of file."""
    read = all_profiles([resources.folder("profiles")])
    return tuple(loaded.profile for loaded in read if isinstance(loaded, LoadedProfile))


@cache
def _ids_in(folder: str) -> tuple[str, ...]:
    read = all_profiles([resources.folder("profiles") / folder])
    return tuple(loaded.profile.id for loaded in read if isinstance(loaded, LoadedProfile))


def profile(id: str) -> Profile:
    return next(one for one in library() if one.id == id)


# Cables.


@dataclass(frozen=True)
class Job:
    """Every `parts`-th cable of a kind of cables on one profile, from number `part` on.

    which: `single`, `pairs`, `several`, `geometric`, `commons` or `harmless`. share: one in so many is taken.
    """

    which: str
    id: str
    seed: int
    share: int = 1
    part: int = 0
    parts: int = 1

    def cables(self) -> Iterator[Cable]:
        """They are the same however many parts there are."""
        chance = random.Random(f"{self.which} {self.id} {self.seed}")
        first = chance.randrange(self.share)
        every = islice(self._faults(profile(self.id), chance), first, None, self.share)
        for base, faults in islice(every, self.part, None, self.parts):
            yield Cable.of(base, faults)

    def _faults(self, base: Profile, chance: random.Random) -> Iterator[tuple[Profile, Sequence[Fault]]]:
        others = _others(base)
        if self.which == "single":
            yield from ((base, [fault]) for fault in made.single_faults(base, chance, others))
        elif self.which == "pairs":
            yield from ((base, pair) for pair in made.pairs(base))
        elif self.which == "several":
            yield from ((base, faults) for faults in made.several(base, chance, 150))
        elif self.which == "geometric":
            several = made.geometric_and_more(base, chance, others, slips=10, rounds=4)
            yield from ((base, faults) for faults in several if len(faults) > 1)
        elif self.which == "harmless":
            known = harmless(base)
            yield base, []
            yield from ((base, [fault]) for fault in known)
            for _ in range(20 if len(known) > 2 else 0):
                yield base, chance.sample(known, 3)
        else:
            if (apart := made.linked(base, Joined.NEVER)) is not None:
                yield from ((apart, [fault]) for fault in made.links_extra(apart, chance, 40))
            if (whole := made.linked(base, Joined.REQUIRED)) is not None:
                yield from ((whole, [fault]) for fault in made.conductors_apart(base, chance, 40))


def _others(base: Profile) -> tuple[Profile, ...]:
    """What else it may be. A cable of the library with other words about its commons is none of these."""
    known = {one.id for one in library()}
    return tuple(one for one in library() if one.id != base.id) if base.id in known else ()


def jobs(seed: int, *, quick: bool) -> list[Job]:
    """All of the campaign on the pure path, in parts of some thousand cables at most."""
    shares = {"single": 15, "pairs": 200, "several": 10, "geometric": 12, "commons": 8, "harmless": 1}
    if not quick:
        shares = dict.fromkeys(shares, 1)
    every = [one.id for one in library()]
    workshop = _ids_in("workshop")
    found = []
    for which, share in shares.items():
        for id in workshop if which == "pairs" else every:
            parts = 1 if quick or which in ("commons", "harmless") else 16 if which == "pairs" else 2
            found += [Job(which, id, seed, share, part, parts) for part in range(parts)]
    return found


def class_of(cable: Cable) -> str:
    """Which of CLASSES a cable belongs to."""
    if cable.good:
        return HARMLESS
    first, *more = cable.faults
    if first.kind in ("link-missing", "link-extra"):
        return COMMONS
    if first.geometric:
        return GEOMETRIC_AND.format(len(more)) if more else GEOMETRIC
    return SINGLES if not more else PAIRS if len(more) == 1 else SEVERAL


# What is made of them.


def cost_of(cable: Cable) -> int:
    """What the table of costs asks for what was really done."""
    near = {pair for end in cable.profile.ends for pair in made.neighbours(cable.profile, end)}

    def cost(fault: Fault) -> int:
        far = fault.kind in ("bridge", "swap") and not near & {fault.pins, fault.pins[::-1]}
        more = COSTS["cycle-more"] * (len(fault.pins) - 3) if fault.kind == "cycle" else 0
        return COSTS[f"{fault.kind}-far" if far else fault.kind] + more

    return sum(map(cost, cable.faults))


def is_true(cable: Cable, story: Story) -> bool:
    """Whether a story that gives the nets of a cable tells what was done to it.

    For each geometric fault it has a cause of that kind and end, or one that is said to look the same. The
    rest is of the same kinds: since both give the same nets, it has the same effect, whatever pins are named
    for it (which end of a conductor is off, nobody can know).
    """
    left = list(story.causes)
    for fault in cable.faults:
        if fault.geometric:
            told = next((cause for cause in left if _same(fault, cause)), None)
            if told is None:
                return False
            left.remove(told)
    small = [fault.kind for fault in cable.faults if not fault.geometric]
    return Counter(small) == Counter(cause.kind for cause in left) or (
        len(small) == len(left) == 1 and small[0] in {cause.kind for cause in (left[0], *left[0].also)}
    )


def _same(fault: Fault, cause: Cause) -> bool:
    return any(
        one.kind in fault.names and (not one.ends or set(one.ends) == set(fault.ends))
        for one in (cause, *cause.also)
    )


def done_again(story: Story) -> list[Fault]:
    """A story's causes as faults of the model, which only asks what was moved, cut off and joined."""
    return [
        Fault(
            cause.kind,
            cause.ends,
            cause.pins,
            moves=cause.moves,
            cuts=cause.pieces,
            joins=cause.joins,
            wired=cause.nets,
        )
        for cause in story.causes
    ]


def is_possible(base: Profile, cause: Cause) -> bool:
    """Whether a plug that is turned, mirrored, exchanged or beside its place does what a cause says."""
    if cause.kind == "exchanged":
        known = list(made.exchanges(base))
    elif cause.kind in ("turned", "rows", "mirrored", "off"):
        known = [fault for end in base.ends for fault in made.plug_faults(end)]
    else:
        return True
    return any(
        cause.kind in fault.names
        and (not cause.ends or set(fault.ends) == set(cause.ends))
        and set(cause.moves) <= set(fault.moves)
        for fault in known
    )


def in_words(causes: Iterable[Cause]) -> str:
    """Causes in a line: kind, ends, first pins."""

    def told(cause: Cause) -> str:
        pins = " ".join(map(str, cause.pins[:6])) + (" …" if len(cause.pins) > 6 else "")
        whole = cause.kind in made.GEOMETRIC and cause.kind != "slipped"
        return f"{cause.kind} {'+'.join(cause.ends) if whole else pins}".strip()

    return "; ".join(map(told, causes)) or "nothing"


@dataclass
class Tally:
    """counts: (row of a table, column) → cables. ms: row → how long each story took. wrong: whatever must
    not be. other: class and outcome → cables of which another story is told, with both. slowest: some."""

    counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    ms: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    wrong: list[str] = field(default_factory=list)
    other: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    slowest: list[tuple[float, str]] = field(default_factory=list)

    def add(self, more: Tally) -> None:
        self.counts += more.counts
        for row, times in more.ms.items():
            self.ms[row] += times
        self.wrong += more.wrong
        for row, lines in more.other.items():
            self.other[row] += lines
        self.slowest = sorted(self.slowest + more.slowest, reverse=True)[:5]

    def count(self, rows: Iterable[str], *columns: str) -> int:
        return sum(self.counts[row, column] for row in rows for column in columns)

    def cables(self, rows: Iterable[str]) -> int:
        """All that were made, good ones included."""
        return self.count(rows, GOOD, UNDETECTED, TRUE, EQUAL, CHEAPER, MISSED)

    def share_found(self, rows: Sequence[str]) -> float:
        """Of the faulty ones: told by the true cause or by one that costs no more. 1 where there are none."""
        faulty = self.count(rows, UNDETECTED, TRUE, EQUAL, CHEAPER, MISSED)
        return self.count(rows, *FOUND) / faulty if faulty else 1.0


def judge(cable: Cable, tally: Tally) -> None:
    """Compare, explain, and note what came of it."""
    rows = [class_of(cable), *_kinds(cable)]
    base = cable.profile
    facts = compare(base, Measurement(frozenset(base.pins()), cable.nets))
    outcome = GOOD
    told: tuple[Story, ...] = ()
    if cable.good:
        if not facts.passed:
            tally.wrong.append(f"a good one fails: {cable}")
        else:
            tally.counts.update((row, PASSED) for row in rows)
    elif facts.passed:
        outcome = UNDETECTED
        tally.wrong.append(f"it passes: {cable}")
    else:
        began = time.perf_counter()
        told = stories(base, facts.nets, _others(base))
        ms = 1e3 * (time.perf_counter() - began)
        for row in rows:
            tally.ms[row].append(ms)
        tally.slowest = sorted([*tally.slowest, (ms, str(cable))], reverse=True)[:5]
        outcome = _outcome(cable, told, tally)
        if len(told) > 1:
            tally.counts.update((row, AMBIGUOUS) for row in rows)
    tally.counts.update((row, outcome) for row in rows)


ENDINGS = ("slipped, the last beside another", "slipped, the last on an unused one", "slipped, the last free")


def _kinds(cable: Cable) -> list[str]:
    """Rows of the tables of kinds that a cable belongs to."""
    if not cable.faults:
        return []
    fault, *more = cable.faults
    if more:
        return [f"{fault.kind} and more"] if fault.geometric else []
    if fault.kind != "slipped":
        return [fault.kind]
    _, last = fault.moves[-1]
    unused = last in cable.profile.unused()
    return [fault.kind, ENDINGS[2 if last is None else 1 if unused else 0]]


def _outcome(cable: Cable, told: Sequence[Story], tally: Tally) -> str:
    """How what is told compares with what was done. All that is told has to be proven by the model too."""
    for story in told:
        if not made.gives(cable.profile, done_again(story), cable.nets):
            tally.wrong.append(f"a story does not give the nets: {cable} – told: {in_words(story.causes)}")
        for cause in (one for first in story.causes for one in (first, *first.also)):
            if not is_possible(cable.profile, cause):
                tally.wrong.append(f"no plug does that: {cable} – told: {in_words([cause])}")
    if not told:
        tally.wrong.append(f"nothing is told: {cable}")
        return MISSED
    if any(is_true(cable, story) for story in told):
        return TRUE
    done, cost = cost_of(cable), min(story.cost for story in told)
    outcome = EQUAL if cost == done else CHEAPER if cost < done else MISSED
    words = " OR ".join(in_words(story.causes) for story in told)
    tally.other[f"{class_of(cable)}, {outcome}"].append(f"{cable} ({done}) – told: {words} ({cost})")
    return outcome


def run(job: Job) -> Tally:
    tally = Tally()
    for cable in job.cables():
        try:
            judge(cable, tally)
        except Exception as error:  # one that falls over must not hide the rest
            tally.wrong.append(f"{type(error).__name__}: {error}: {cable}")
    tally.other = defaultdict(list, {row: lines[:MOST_LISTED] for row, lines in tally.other.items()})
    return tally


# Through a tester.


def wired(cable: Cable, chance: random.Random) -> list[Link]:
    """Links for every piece of a cable: as a star, a tree or a chain, at most an ohm along it; and some leaks
    between what does not belong together, of 5 megohms and more."""
    links = []
    for piece in cable.nets:
        pins = list(piece)
        chance.shuffle(pins)
        shape = chance.choice(("star", "tree", "chain"))
        for n in range(1, len(pins)):
            to = {"star": 0, "tree": chance.randrange(n), "chain": n - 1}[shape]
            most = MOST_LINK_OHMS / (min(2, len(pins) - 1) if shape == "star" else len(pins) - 1)
            links.append(Link((pins[to], pins[n]), max(1e-3, chance.uniform(0.0, most))))
    piece_of = {pin: number for number, piece in enumerate(cable.nets) for pin in piece}
    pins = list(cable.profile.pins())
    for _ in range(chance.choice((0, 0, 1, 3))):
        one, other = chance.sample(pins, 2)
        if piece_of.get(one, one) != piece_of.get(other, other):
            links.append(Link((one, other), chance.uniform(*LEAK_OHMS)))
    return links


def harmless(base: Profile) -> list[Fault]:
    """What changes nothing electrically: two contacts of one net exchanged, conductors linked that may be."""
    found = []
    for net in base.nets:
        for one, other in combinations(net.pins, 2):
            found += [made.swap(one, other)] if one.end == other.end else []
    for net, other_net in combinations([net for net in base.nets if net.common], 2):
        found.append(made.bridge(net.pins[0], other_net.pins[0]))
    return [fault for fault in found if Cable.of(base, [fault]).good]


def cables_to_scan(seed: int, count: int) -> Iterator[Cable]:
    """A quarter of them good, or with faults that change nothing; of all profiles that find sockets."""
    chance = random.Random(f"scan {seed}")
    workshop = Workshop.read()
    fitting = [base for base in library() if _fits(base, workshop)]
    forgiving = {base.id: known for base in fitting if (known := harmless(base))}
    for n in range(count):
        base = chance.choice(fitting)
        faults: tuple[Fault, ...] = ()
        kind = ("good", "harmless", "one", "several", "several", "whole", "whole", "whole")[n % 8]
        if kind == "harmless":
            base = profile(chance.choice(list(forgiving)))
            faults = tuple(chance.sample(forgiving[base.id], min(len(forgiving[base.id]), 2)))
        mishaps = made.Mishaps(base, chance)
        if kind == "one":
            faults = (mishaps.one(),)
        elif kind == "several":
            faults = mishaps.some(chance.randint(2, 8))
        elif kind == "whole":
            whole = list(made.geometric_faults(base, chance, _others(base), 10))
            one = chance.choice(whole)
            faults = (one, *mishaps.some(chance.randint(0, 3), (one,)))
        yield Cable.of(base, faults)


def _fits(base: Profile, workshop: Workshop) -> bool:
    try:
        plug_in(Bench(), base.ends, workshop, {})
    except PlacementError:
        return False
    return True


SCANNED, SCANNED_GOOD, AS_IT_IS, SAME = "scanned", "good among them", "judged as they are", "same findings"


def scan(cables: Iterable[tuple[int, Cable]], seed: int, tally: Tally) -> None:
    """Cable after cable in one virtual tester on a port, under MicroPython where there is one."""
    workshop = Workshop.read()
    spec = TesterSpec(seed=seed)
    row = "scan"
    with Port(*plug_in(Bench(tester=spec), (), workshop, {}), resources.folder("firmware")) as port:
        link = SerialLink(port.name, "sim")
        try:
            line = Line(link, lambda text: None)
            for number, cable in cables:
                chance = random.Random(f"links {seed} {number}")
                bench = Bench(tuple(wired(cable, chance)), spec)
                port.plug(*plug_in(bench, cable.profile.ends, workshop, {}))
                session = Session(cable.profile, workshop.fixtures, "0", adapters=workshop.adapters)
                tally.counts[row, SCANNED] += 1
                tally.counts[row, SCANNED_GOOD] += cable.good
                try:
                    facts = decide(cable.profile, drive(session.run(), line))
                except (TesterError, PlacementError) as error:
                    tally.wrong.append(f"no verdict: {cable}: {type(error).__name__}: {error}")
                    continue
                _hold_against(cable, facts, tally)
        finally:
            link.close()
        tally.counts["engine", port.board.engine] += 1


def _hold_against(cable: Cable, facts: Facts, tally: Tally) -> None:
    """What a tester measured, against what was made, and what would be said of that."""
    row, base = "scan", cable.profile
    if facts.passed is not cable.good:
        passed = "passes" if facts.passed else "fails"
        tally.wrong.append(f"scanned, it {passed}: {cable}")
    else:
        tally.counts[row, AS_IT_IS] += 1
    pure = compare(base, Measurement(frozenset(base.pins()), cable.nets))
    scanned, known = _findings(base, facts), _findings(base, pure)
    if not pure.passed and not known:
        tally.wrong.append(f"it fails and nothing is said: {cable}")
    elif scanned != known or facts.nets != pure.nets:
        tally.wrong.append(f"scanned, other findings: {cable}: {scanned} and not {known}")
    else:
        tally.counts[row, SAME] += 1


def _findings(base: Profile, facts: Facts) -> list[tuple[str, Pins]]:
    """Kinds and pins; the words may speak of ohms, which only a tester knows."""
    return [(one.kind, one.pins) for one in explain(base, facts, library=_others(base))]


def run_scans(part: tuple[int, int, int, int]) -> Tally:
    """Of `count` cables by a seed every `parts`-th, from number `part` on."""
    seed, count, nth, parts = part
    tally = Tally()
    scan(list(enumerate(cables_to_scan(seed, count)))[nth::parts], seed + nth, tally)
    return tally


def campaign(seed: int, *, quick: bool) -> Tally:
    """All of it, on all cores."""
    total = Tally()
    cores = os.cpu_count() or 1
    with ProcessPoolExecutor(cores) as pool:
        count = SCANS // 10 if quick else SCANS
        scans = [(seed, count, nth, cores) for nth in range(cores)]
        scanned = pool.map(run_scans, scans)
        for tally in pool.map(run, jobs(seed, quick=quick)):
            total.add(tally)
        for tally in scanned:
            total.add(tally)
    return total


# In a table.


def _percent(part: int, of: int) -> str:
    """Never 100 where something is missing."""
    if not of:
        return "–"
    return f"{int(10_000 * part / of) / 100:.2f} %" if part < of else "100 %"


def _table(tally: Tally, rows: Sequence[str], head: str) -> Iterator[str]:
    yield (
        f"| {head} | cables | good, all pass | undetected | true cause | equal cost | cheaper | missed | "
        "ambiguous | median ms | 99 % ms | worst ms |"
    )
    yield "|---" + "|---:" * 11 + "|"
    for row in rows:
        if not tally.cables([row]):
            continue
        good, passed = tally.count([row], GOOD), tally.count([row], PASSED)
        cells = [tally.cables([row]), good if good == passed else f"**{passed} of {good}**"]
        cells += [
            tally.count([row], column) for column in (UNDETECTED, TRUE, EQUAL, CHEAPER, MISSED, AMBIGUOUS)
        ]
        times = sorted(tally.ms.get(row, ())) or [0.0]
        cells += [f"{ms:.1f}" for ms in (median(times), times[int(0.99 * (len(times) - 1))], times[-1])]
        yield f"| {row} | " + " | ".join(map(str, cells)) + " |"


def _claims(tally: Tally) -> Iterator[str]:
    small, more = (SINGLES, GEOMETRIC), tuple(GEOMETRIC_AND.format(n) for n in (1, 2, 3))
    faulty = tally.cables(CLASSES) - tally.count(CLASSES, GOOD)
    undetected = tally.count(CLASSES, UNDETECTED)
    yield f"- Cables on the pure path: {tally.cables(CLASSES)}, {faulty} of them faulty."
    yield f"- Detected: {_percent(faulty - undetected, faulty)}; undetected: {undetected}."
    good, passed = tally.count(CLASSES, GOOD), tally.count(CLASSES, PASSED)
    yield f"- Electrically as their profile, whatever was done to them: {good}; of these pass: {passed}."
    for name, rows in (("single causes", small), ("one geometric cause and one to three more", more)):
        asked = tally.count(rows, UNDETECTED, TRUE, EQUAL, CHEAPER, MISSED)
        found = tally.count(rows, *FOUND)
        strictly = tally.count(rows, TRUE, EQUAL)
        yield (
            f"- Found, {name}: {_percent(found, asked)} ({found} of {asked}). Without those for which a "
            f"cheaper story gives the same nets: {_percent(strictly, asked)}."
        )
    scanned, as_it_is = tally.count(["scan"], SCANNED), tally.count(["scan"], AS_IT_IS)
    engines = ", ".join(sorted(column for row, column in tally.counts if row == "engine"))
    yield (
        f"- Through a virtual tester ({engines}): {scanned} cables, {tally.count(['scan'], SCANNED_GOOD)} of "
        f"them good; judged as they are: {as_it_is}; nets and findings as on the pure path: "
        f"{tally.count(['scan'], SAME)}. Links of 0 to 1 Ω as stars, trees and chains, leaks of 5 to 20 MΩ."
    )
    yield f"- What must not be (listed below): {len(tally.wrong)}."


def _listed(lines: Sequence[str], most: int = MOST_LISTED) -> Iterator[str]:
    yield from (f"- {line}" for line in sorted(lines)[:most])
    if len(lines) > most:
        yield f"- … and {len(lines) - most} more"


def report(tally: Tally, command: str) -> str:
    """RESULTS.md."""
    lines = [
        "# How well faults are explained",
        "",
        f"Made by `{command}`. How the cables come about: faulty_cables.py.",
        "",
        *_claims(tally),
        "",
        "*True cause*: a story that is told has a cause of the same kind and end for every geometric fault, "
        "and as many others of the same kinds as were made. *Equal cost*: another story that costs as much. "
        "*Cheaper*: another story that costs less and gives the same nets, so that no tester can know the "
        "truth. *Missed*: what is told costs more than the truth. *Ambiguous*: more than one story is told. "
        "Every story that is told is done again in the model and gives the measured nets there.",
        "",
        "## By class",
        "",
        *_table(tally, CLASSES, "class"),
        "",
        "## Single causes by kind",
        "",
        *_table(tally, (*made.KINDS, *ENDINGS), "kind"),
        "",
        "## One geometric cause and one to three more, by kind",
        "",
        *_table(tally, [f"{kind} and more" for kind in made.GEOMETRIC], "kind"),
        "",
        "## Slowest",
        "",
        *(f"- {ms:.1f} ms: {cable}" for ms, cable in tally.slowest),
        "",
        "## What must not be",
        "",
        *(_listed(tally.wrong) if tally.wrong else ["Nothing of it was."]),
    ]
    for outcome, words in (
        (MISSED, "the truth costs less than what is told"),
        (CHEAPER, "what is told costs less than the truth"),
        (EQUAL, "both cost the same"),
    ):
        for row in CLASSES:
            if found := tally.other.get(f"{row}, {outcome}"):
                # All geometric ones that are not told as they are; of the rest some, to show what it is like.
                most = MOST_LISTED if outcome == MISSED or "geometric cause and" in row else 15
                lines += ["", f"## {row.capitalize()}: {words}", "", *_listed(found, most)]
    return "\n".join(lines) + "\n"


def main() -> None:
    asks = argparse.ArgumentParser(description="how well faults are explained, into RESULTS.md")
    asks.add_argument("--quick", action="store_true", help="a small part of everything")
    asks.add_argument("--out", type=Path, default=RESULTS, help="the file to write")
    asks.add_argument("--seed", type=int, default=SEED, help="other cables, other order")
    told = asks.parse_args()
    words = ["python tests/campaign/explaining.py"]
    words += ["--quick"] * told.quick + [f"--seed {told.seed}"] * (told.seed != SEED)
    tally = campaign(told.seed, quick=told.quick)
    told.out.write_text(report(tally, " ".join(words)), encoding="utf-8")
    print("\n".join(_claims(tally)))
    sys.exit(1 if tally.wrong else 0)


if __name__ == "__main__":
    main()
