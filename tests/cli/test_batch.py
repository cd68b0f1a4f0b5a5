"""`pinwright batch`: cables that are plugged into a board on a port, one after another.

A person stands in for the one at the bench: it waits for an event of some kind, does something, and waits for
the next. Board, firmware and port are as everywhere; only hands are quicker than those of people.
"""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import hashlib
import json
import os
import re
import shlex
import signal
import sqlite3
import subprocess
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from pinwright import resources
from pinwright.cable.profile import Profile
from pinwright.cli import announcing, batch, batching, proving
from pinwright.cli.announcing import Event, panel_lines
from pinwright.cli.keys import ENTER
from pinwright.cli.lettering import large
from pinwright.cli.ports import Workshop, plug_in
from pinwright.cli.tally import Tally, Tested
from pinwright.errors import Disagreement
from pinwright.library import find_profile, library_folders
from pinwright.link import Line, SerialLink
from pinwright.records import store as records
from pinwright.records.batches import batch_document, batch_member
from pinwright.records.document import canonical, open_sealed, seal
from pinwright.records.store import Store
from pinwright.tester import watching
from pinwright.tester.watching import OUT_S
from pinwright.virtual.bench import Bench, TesterSpec, good_bench
from pinwright.virtual.port import Port

posix = pytest.mark.skipif(os.name != "posix", reason="signals and pseudo-terminals of POSIX")
CABLE = "lamp-changer-40"
MOST_LOOKS = 300  # of a batch here: then it would wait for ever
Links = Sequence[Sequence[str]]
Step = tuple[str, Callable[[], object]]


class Tester:
    """A board with five expanders on a port, which measures no ohms, and what is plugged into it."""

    def __init__(self, profile: Profile) -> None:
        self._ends = profile.ends
        self.good: Links = [[str(pin) for pin in link.pins] for link in good_bench(profile).links]
        self.port = Port(*self._plugged([], {}), resources.folder("firmware"))

    def _plugged(self, links: Links, outside: Mapping[str, float]) -> Any:
        tester = {"fitted": 5, "lane": "none", "outside": dict(outside)}
        bench = Bench.from_dict({"link": [{"pins": [*pins]} for pins in links], "tester": tester})
        return plug_in(bench, self._ends, Workshop.read(), {})

    def plug(self, links: Links | None = None, outside: Mapping[str, float] | None = None) -> None:
        """Put a cable in, a good one or one with these links."""
        self.port.board.board.plug(*self._plugged(self.good if links is None else links, outside or {}))

    def bad(self) -> None:
        """Put one in whose first conductor is open."""
        self.plug(self.good[1:])

    def out(self) -> None:
        self.plug([])


class Person:
    """Does one step after another: waits for an event of that kind, or for `look`, a look more, and acts."""

    def __init__(self, steps: Sequence[Step]) -> None:
        self.steps = list(steps)
        self.events: list[Any] = []
        self.keys: list[str] = []
        self.looks = 0

    def hear(self, text: str) -> None:
        self.events.append(json.loads(text))
        self._act(self.events[-1]["kind"])

    def _act(self, kind: str) -> None:
        if self.steps and self.steps[0][0] == kind:
            self.steps.pop(0)[1]()

    def press(self, key: str) -> Callable[[], None]:
        return lambda: self.keys.append(key)

    # What the batch has for keys

    def __enter__(self) -> Person:
        return self

    def __exit__(self, *_: object) -> None: ...

    def pressed(self, wait_s: float) -> str:
        self.looks += 1
        assert self.looks < MOST_LOOKS, (self.steps, self.events)
        self._act("look")
        return self.keys.pop(0) if self.keys else ""

    def forget(self, but: str) -> None:
        self.keys = [key for key in self.keys if key in but]


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hands need no time, and no documents are drawn."""
    monkeypatch.setattr(watching, "STEADY_S", 0.0)
    monkeypatch.setattr(watching, "ONE_END_S", 0.5)
    monkeypatch.setattr(watching, "OUT_S", 0.0)
    monkeypatch.setattr(batching, "LOOK_EVERY_S", 0.0)
    monkeypatch.setattr(proving.Proof, "_draw", lambda self, record: {})


@pytest.fixture(scope="module")
def one_tester(profile_of: Any) -> Iterator[Tester]:
    made = Tester(profile_of(CABLE))
    yield made
    made.port.close()


@pytest.fixture
def tester(one_tester: Tester) -> Tester:
    """Nothing is plugged in."""
    one_tester.out()
    return one_tester


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "records"


@pytest.fixture
def follow(
    pinwright: Any, tester: Tester, place: Path, monkeypatch: pytest.MonkeyPatch, quick: None
) -> Callable[..., Any]:
    """Run a batch while a person does these steps; how it ended, and its events."""

    def follow(steps: Sequence[Step], *words: object, person: Person | None = None) -> tuple[Any, list[Any]]:
        one = person or Person([])
        one.steps += steps
        with monkeypatch.context() as patch:
            patch.setattr(announcing, "show_text", one.hear)
            patch.setattr(batch, "Keys", lambda known: one)
            named = () if "--resume" in words else (CABLE,)
            ran = pinwright("batch", *named, *words, "--port", tester.port.name, "--records", place, "--json")
        assert [] == one.steps, (ran, one.events)
        return ran, one.events

    return follow


def one_after_another(tester: Tester, *cables: Callable[[], object]) -> list[Step]:
    """Each is put in when one is waited for, and taken out when it is recorded; the last stays."""
    steps: list[Step] = []
    for cable in cables:
        steps += [("waiting", cable), ("saved", tester.out)]
    return steps[:-1]


def told(events: Sequence[Any], kind: str, *keys: str) -> list[Any]:
    """Of every event of a kind, these members."""
    found = [tuple(event[key] for key in keys) for event in events if event["kind"] == kind]
    return [one[0] for one in found] if len(keys) == 1 else found


def saved(events: Sequence[Any]) -> list[Any]:
    return told(events, "saved", "item", "serial", "test", "verdict")


# Cables


def test_three_good_cables_are_seen_without_a_key_and_each_is_a_record(
    follow: Any, tester: Tester, place: Path, pinwright: Any
) -> None:
    ran, events = follow(one_after_another(tester, *[tester.plug] * 3), "--count", 3, "--operator", "me")
    assert (0, "", "") == (ran.status, ran.out, ran.err)
    assert [(n, f"HL40-000{n}", 1, "pass") for n in (1, 2, 3)] == saved(events)
    each = ["waiting", "seen", "seen", "verdict", "saved", "removed"]
    assert [*each, *each, *each[:-1], "end"] == [event["kind"] for event in events]
    assert {"pinwright/batch-event-1"} == {event["schema"] for event in events}
    for n, event in enumerate((one for one in events if one["kind"] == "saved"), start=1):
        record = open_sealed(Path(event["certificate"]).read_bytes())
        assert ("lamp-changer-40-1", n, 3) == tuple(record["batch"][key] for key in ("id", "item", "count"))
        assert "me" == record["scan"]["operator"]
    end = events[-1]
    assert (True, 3, 3, 3, 1.0, {}, []) == tuple(
        end[key] for key in ("complete", "tested", "passed", "passed_first", "yield", "faults", "failed")
    )
    assert 0 == pinwright("records", "verify", place).status


def test_one_that_failed_is_mended_and_passes_as_its_second_test(
    follow: Any, tester: Tester, pinwright: Any, place: Path
) -> None:
    ran, events = follow(one_after_another(tester, tester.plug, tester.bad, tester.plug), "--count", 2)
    assert 0 == ran.status
    assert [
        (1, "HL40-0001", 1, "pass"),
        (2, "HL40-0002", 1, "fail"),
        (2, "HL40-0002", 2, "pass"),
    ] == saved(events)
    assert [None, None, "HL40-0002"] == told(events, "verdict", "serial")
    (finding,) = told(events, "verdict", "findings")[1]
    assert "open" == finding["kind"]
    told_then = [event["text"] for event in events if event["kind"] == "saved"][1]
    mend = "mended? plug it in again: it stays HL40-0002 (test 2). Another cable: press n first"
    assert mend == told_then
    end = events[-1]
    assert (2, 2, 1, 1.0, {"open": 1}, []) == tuple(
        end[key] for key in ("tested", "passed", "passed_first", "yield", "faults", "failed")
    )


def test_once_a_failed_one_is_out_it_is_said_that_only_that_one_goes_in(follow: Any, tester: Tester) -> None:
    only = "Only HL40-0001, mended, goes in now. Another cable: press n first."
    person = Person([])
    steps: list[Step] = [("waiting", tester.bad), ("saved", tester.out), ("waiting", person.press("q"))]
    _, events = follow(steps, "--count", 2, person=person)
    assert (only, "HL40-0001") == told(events, "waiting", "text", "serial")[-1]
    assert 2 == events[-2]["test"]
    person = Person([])
    _, events = follow([("waiting", person.press("q"))], "--resume", person=person)
    assert (only, "HL40-0001") == told(events, "waiting", "text", "serial")[0]


def test_one_that_is_set_aside_stays_failed_and_the_next_has_a_serial_of_its_own(
    follow: Any, tester: Tester
) -> None:
    person = Person([])
    steps: list[Step] = [
        ("waiting", tester.bad),
        ("saved", person.press("n")),
        ("set-aside", tester.out),
        ("waiting", tester.plug),
    ]
    ran, events = follow(steps, "--count", 2, person=person)
    assert 1 == ran.status
    assert [(1, "HL40-0001", 1, "fail"), (2, "HL40-0002", 1, "pass")] == saved(events)
    assert [("HL40-0001 is set aside: take it out", 1)] == told(events, "set-aside", "text", "item")
    assert (["HL40-0001"], True, 0.5) == tuple(events[-1][key] for key in ("failed", "complete", "yield"))


def test_the_last_one_set_aside_ends_the_batch(follow: Any, tester: Tester) -> None:
    person = Person([])
    ran, events = follow([("waiting", tester.bad), ("saved", person.press("n"))], person=person)
    assert (1, ["HL40-0001"]) == (ran.status, events[-1]["failed"])


def test_a_cable_that_stays_in_is_not_counted_twice(follow: Any, tester: Tester) -> None:
    person = Person([])
    stays: list[Step] = [("look", lambda: None)] * 12
    moves: list[Step] = [("look", tester.bad), ("look", tester.plug)] * 3  # it is pulled at, and never out
    lost: list[Step] = [("look", tester.out), ("look", lambda: None), ("look", tester.plug)] * 3  # contact
    enter: list[Step] = [("look", person.press(ENTER)), ("take-out", tester.out), ("waiting", tester.plug)]
    steps = [("waiting", tester.plug), ("saved", lambda: None), *stays, *moves, *lost, *enter]
    ran, events = follow(steps, "--count", 2, person=person)
    assert 0 == ran.status
    assert [(1, "HL40-0001", 1, "pass"), (2, "HL40-0002", 1, "pass")] == saved(events)
    assert ["this one is tested: take it out first"] == told(events, "take-out", "text")


def test_a_plug_that_wobbles_is_not_tested_by_itself_and_it_is_said_what_to_do(
    follow: Any, tester: Tester, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(batching, "LONG_S", 0.3)
    person = Person([])
    wobbles: list[Step] = [("look", tester.bad), ("look", tester.plug)] * 4
    steps = [("waiting", tester.plug), *wobbles, ("look", person.press("q"))]
    ran, events = follow(steps, person=person)
    assert (130, []) == (ran.status, saved(events))
    text = "it conducts, but not steadily: press it home and keep it still, or press Enter to test it"
    assert text == told(events, "seen", "text")[-1]


@pytest.mark.parametrize("gone_s", [0.2, 0.4, 0.6, 0.8])
def test_a_plug_that_loses_contact_for_less_than_a_second_is_still_the_same_cable(
    gone_s: float, follow: Any, tester: Tester, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a clock that goes on by as much as a look takes at the bench."""
    monkeypatch.setattr(watching, "OUT_S", OUT_S)
    now_s = [100.0]
    hear = watching.Watching.hear

    def later(self: Any, look: Any, at_s: float) -> Any:
        now_s[0] += 0.1
        return hear(self, look, now_s[0])

    monkeypatch.setattr(watching.Watching, "hear", later)
    person = Person([])
    nothing: list[Step] = [("look", lambda: None)]
    gone = [("look", tester.out), *nothing * (round(10 * gone_s) - 1), ("look", tester.plug), *nothing * 12]
    steps = [("waiting", tester.plug), ("saved", lambda: None), *gone * 2, ("look", person.press("q"))]
    ran, events = follow(steps, "--count", 2, person=person)
    assert (130, [(1, "HL40-0001", 1, "pass")]) == (ran.status, saved(events))
    assert [] == told(events, "removed", "text")


def test_an_end_that_comes_later_is_waited_for(follow: Any, tester: Tester) -> None:
    tied = [["A.1", "A.2"]]
    steps: list[Step] = [
        ("waiting", lambda: tester.plug(tied)),
        ("seen", lambda: None),
        ("look", tester.plug),
    ]
    ran, events = follow(steps)
    assert 0 == ran.status
    assert "something conducts at end A only: is the other end in?" == told(events, "seen", "text")[0]
    assert [(1, "HL40-0001", 1, "pass")] == saved(events)


def test_one_end_alone_is_tested_after_a_while(follow: Any, tester: Tester) -> None:
    person = Person([])
    steps: list[Step] = [("waiting", lambda: tester.plug([["A.1", "A.2"]])), ("saved", person.press("q"))]
    ran, events = follow(steps, person=person)
    assert (130, [(1, "HL40-0001", 1, "fail")]) == (ran.status, saved(events))


def test_enter_tests_what_cannot_be_seen(follow: Any, tester: Tester) -> None:
    person = Person([])
    steps: list[Step] = [
        ("waiting", person.press(ENTER)),
        ("saved", lambda: None),
        ("removed", lambda: None),
        ("waiting", tester.plug),
    ]
    ran, events = follow(steps, person=person)
    assert 0 == ran.status
    assert [(1, "HL40-0001", 1, "fail"), (1, "HL40-0001", 2, "pass")] == saved(events)


def test_enter_tests_a_failed_one_again_where_it_is(follow: Any, tester: Tester) -> None:
    person = Person([])

    def mended() -> None:
        tester.plug()
        person.keys.append(ENTER)

    ran, events = follow([("waiting", tester.bad), ("saved", lambda: None), ("look", mended)], person=person)
    assert 0 == ran.status
    assert [(1, "HL40-0001", 1, "fail"), (1, "HL40-0001", 2, "pass")] == saved(events)
    assert [] == told(events, "removed", "text")


def test_one_that_is_in_when_a_batch_begins_may_be_one_that_has_a_record(follow: Any, tester: Tester) -> None:
    tester.plug()
    _, events = follow([])
    assert [(1, "HL40-0001", 1, "pass")] == saved(events), "no cable of this profile had a record yet"
    ran, events = follow([("take-out", tester.out), ("waiting", tester.plug)])
    assert (0, [(1, "HL40-0002", 1, "pass")]) == (ran.status, saved(events))
    assert told(events, "take-out", "text") == [
        "something is in the tester already: take it out, or press Enter to test it as it is"
    ]
    person = Person([])
    ran, events = follow([("take-out", person.press(ENTER))], person=person)
    assert (0, [(1, "HL40-0003", 1, "pass")]) == (ran.status, saved(events))


def test_one_without_a_verdict_that_is_set_aside_is_not_tested_as_the_next(
    follow: Any, tester: Tester, monkeypatch: pytest.MonkeyPatch
) -> None:
    really, tests = proving.decide, []

    def decide(*about: Any) -> Any:
        tests.append(about)
        if len(tests) == 2:
            raise Disagreement("A.1 conducted in one pass of the scan and not in another")
        return really(*about)

    monkeypatch.setattr(proving, "decide", decide)
    person = Person([])
    mended: list[Step] = [("waiting", tester.bad), ("saved", tester.out), ("waiting", tester.plug)]
    aside: list[Step] = [("no-verdict", person.press("n")), ("set-aside", person.press(ENTER))]
    then: list[Step] = [("take-out", tester.out), ("waiting", tester.plug)]
    ran, events = follow([*mended, *aside, *then], "--count", 2, person=person)
    assert (1, 3) == (ran.status, len(tests))
    assert [(1, "HL40-0001", 1, "fail"), (2, "HL40-0002", 1, "pass")] == saved(events)
    assert ["this one is tested: take it out first"] == told(events, "take-out", "text")


# What goes wrong at the tester


def test_a_hand_on_the_pins_is_told_and_borne(follow: Any, tester: Tester) -> None:
    steps: list[Step] = [
        ("waiting", lambda: tester.plug([], {"A.4": 0.0})),
        ("trouble", tester.out),
        ("waiting", tester.plug),
    ]
    ran, events = follow(steps)
    assert 0 == ran.status
    (text,) = told(events, "trouble", "text")
    assert text.startswith("reads low though nothing pulls it low: A.4 (J1.4)")


def test_what_holds_a_pin_for_long_ends_the_batch_and_it_can_be_gone_on_with(
    follow: Any, tester: Tester, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watching, "BEAR_S", 0.3)
    steps = [*one_after_another(tester, tester.plug), ("saved", lambda: tester.plug([], {"A.4": 0.0}))]
    ran, events = follow(steps, "--count", 2)
    assert 3 == ran.status
    assert "reads low though nothing pulls it low" in ran.document["message"]
    assert (False, 1) == (events[-1]["complete"], events[-1]["passed"])
    tester.out()
    ran, events = follow([("waiting", tester.plug)], "--resume")
    assert (0, [(2, "HL40-0002", 1, "pass")]) == (ran.status, saved(events))
    assert (2, True) == (events[-1]["passed"], events[-1]["complete"])


def test_a_scan_without_a_verdict_is_told_and_it_takes_a_person_to_try_again(
    follow: Any, tester: Tester, monkeypatch: pytest.MonkeyPatch, place: Path
) -> None:
    really, left = proving.decide, [1]

    def decide(*about: Any) -> Any:
        if left:
            left.pop()
            raise Disagreement("A.1 conducted in one pass of the scan and not in another")
        return really(*about)

    monkeypatch.setattr(proving, "decide", decide)
    stays: list[Step] = [("look", lambda: None)] * 5
    steps = [("waiting", tester.plug), ("no-verdict", lambda: None), *stays, ("look", tester.out)]
    ran, events = follow([*steps, ("waiting", tester.plug)])
    assert (0, [(1, "HL40-0001", 1, "pass")]) == (ran.status, saved(events))
    (text,) = told(events, "no-verdict", "text")
    assert text.startswith(
        "no verdict: A.1 conducted in one pass of the scan and not in another; take it out"
    )
    assert 1 == len(told(events, "verdict", "text"))

    left += [1, 2, 3]
    person = Person([])
    again: list[Step] = [("no-verdict", person.press(ENTER))] * 2
    ran, events = follow([("take-out", tester.out), ("waiting", tester.plug), *again], person=person)
    assert (3, []) == (ran.status, saved(events))
    assert [] == [*place.glob("HL40-0002*")]


def test_a_board_that_is_unplugged_ends_it_with_3_and_it_can_be_gone_on_with(
    follow: Any, tester: Tester, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pinwright.link.AGAIN_S", 0.2)
    steps: list[Step] = [
        *one_after_another(tester, tester.plug, tester.bad),
        ("saved", tester.port.unplug),
    ]
    ran, events = follow(steps, "--count", 3)
    assert 3 == ran.status
    assert "vanished" in ran.document["message"]
    assert ("end", False, 2, ["HL40-0002"]) == tuple(
        events[-1][key] for key in ("kind", "complete", "tested", "failed")
    )
    tester.port.replug()
    tester.out()
    steps = one_after_another(tester, tester.plug, tester.plug)
    ran, events = follow(steps, "--resume")
    assert (0, [(2, "HL40-0002", 2, "pass"), (3, "HL40-0003", 1, "pass")]) == (ran.status, saved(events))
    assert {"open": 1} == events[-1]["faults"]


# What goes wrong at the records


def test_a_disk_that_is_full_ends_it_with_2_after_the_verdict_and_it_can_be_gone_on_with(
    follow: Any, tester: Tester, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    really = records.os.link

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    def fills_up() -> None:
        monkeypatch.setattr(records.os, "link", full)

    steps = [*one_after_another(tester, tester.plug, tester.plug), ("verdict", fills_up)]
    ran, events = follow(steps, "--count", 2)
    assert 2 == ran.status
    assert ran.document["message"].startswith("the cable passed, but nothing was recorded: records folder ")
    assert [(1, "HL40-0001", 1, "pass")] == saved(events)
    assert ["pass", "pass"] == told(events, "verdict", "verdict")
    monkeypatch.setattr(records.os, "link", really)
    assert [] == [*place.glob("HL40-0002*")]
    ran, events = follow([("take-out", tester.out), ("waiting", tester.plug)], "--resume")
    assert (0, [(2, "HL40-0002", 1, "pass")]) == (ran.status, saved(events))


def test_another_program_that_goes_on_with_the_same_batch_is_found_out(
    follow: Any, tester: Tester, pinwright: Any, place: Path
) -> None:
    def other() -> None:
        for path in place.glob("HL40-0001*"):
            path.unlink()

    steps = [*one_after_another(tester, tester.plug, tester.plug), ("seen", other)]
    ran, _ = follow(steps, "--count", 2)
    assert 2 == ran.status
    assert "another program goes on with batch `lamp-changer-40-1`" in ran.document["message"]


def record_of(store: Store, batch: Mapping[str, object], *, good: bool = True) -> Path:
    """A scan of a virtual cable, kept beside what is there as another program does it."""
    loaded = find_profile(CABLE, library_folders())
    links = good_bench(loaded.profile).links[0 if good else 1 :]
    bench = Bench(links, TesterSpec(fitted=5, lane="none"))
    plugged = plug_in(bench, loaded.profile.ends, Workshop.read(), {})
    with Port(*plugged, resources.folder("firmware")) as port:
        link = SerialLink(port.name)
        try:
            test = proving.Test(proving.Job(loaded, {}), Workshop.read())
            scan, facts = test.measured(Line(link, lambda line: None))
        finally:
            link.close()
    return test.proof(scan, facts, None).save(store, None, again=False, batch=batch).path


def seal_of(place: Path, id: str = "lamp-changer-40-1") -> str:
    return str(open_sealed((place / f"{id}.batch.json").read_bytes())["sha256"])


def test_records_of_another_workshop_s_batch_of_the_same_id_are_none_of_this_one(
    follow: Any, tester: Tester, place: Path
) -> None:
    person = Person([])
    steps: list[Step] = [("waiting", tester.bad), ("saved", person.press("q"))]
    follow(steps, "--count", 2, person=person)
    tester.out()
    theirs = [batch_member("lamp-changer-40-1", "7" * 64, item, 2, 5) for item in (1, 2)]
    first = record_of(Store(place), theirs[0])
    person = Person([])
    ran, events = follow([("waiting", person.press("q"))], "--resume", person=person)
    assert (130, 1, 0, ["HL40-0001"]) == (
        ran.status,
        *(events[-1][key] for key in ("tested", "passed", "failed")),
    )
    assert "HL40-0002" in first.name

    def imported() -> None:
        record_of(Store(place), theirs[1])

    steps = [("waiting", tester.plug), ("saved", tester.out), ("removed", imported), ("waiting", tester.plug)]
    ran, events = follow(steps, "--resume")
    assert (0, [(1, "HL40-0001", 2, "pass"), (2, "HL40-0004", 1, "pass")]) == (ran.status, saved(events))


def test_two_that_go_on_with_one_batch_never_save_one_item_twice(
    follow: Any, tester: Tester, place: Path
) -> None:
    def other() -> None:
        """Between the verdict and the record."""
        member = batch_member("lamp-changer-40-1", seal_of(place), 1, 2, 5)
        record_of(Store(place), member, good=False)

    ran, events = follow([("waiting", tester.plug), ("verdict", other)], "--count", 2)
    assert (2, []) == (ran.status, saved(events))
    assert ran.document["message"].startswith(
        "the cable passed, but nothing was recorded: another program goes on with batch `lamp-changer-40-1` "
        "at the same time, or has moved its records: `HL40-0001.test-1`"
    )
    assert ["HL40-0001.test-1.report.json"] == [path.name for path in place.glob("HL40*.json")]
    tester.out()
    ran, events = follow(one_after_another(tester, tester.plug, tester.plug), "--resume")
    assert (0, [(1, "HL40-0001", 2, "pass"), (2, "HL40-0002", 1, "pass")]) == (ran.status, saved(events))


def test_two_cables_that_are_one_item_both_have_to_pass(follow: Any, tester: Tester, place: Path) -> None:
    person = Person([])
    follow([("waiting", person.press("q"))], "--count", 2, person=person)
    member = batch_member("lamp-changer-40-1", seal_of(place), 1, 2, 5)
    for good in (False, True):
        record_of(Store(place), member, good=good)
    person = Person([])
    steps: list[Step] = [("waiting", person.press("n")), ("waiting", tester.plug)]
    ran, events = follow(steps, "--resume", person=person)
    assert (1, [(2, "HL40-0003", 1, "pass")]) == (ran.status, saved(events))
    assert (2, 1, ["HL40-0001"]) == tuple(events[-1][key] for key in ("tested", "passed", "failed"))


@pytest.mark.parametrize("what", ["index", "record"])
def test_a_failed_one_passes_by_no_index_and_by_no_record_that_is_not_as_made(
    what: str, follow: Any, tester: Tester, place: Path
) -> None:
    person = Person([])
    follow([("waiting", tester.bad), ("saved", person.press("q"))], "--count", 2, person=person)
    tester.out()
    report, certificate = (place / f"HL40-0001.test-1.{kind}.json" for kind in ("report", "certificate"))
    if what == "index":
        with contextlib.closing(sqlite3.connect(place / ".index" / "records.sqlite")) as database, database:
            changed = database.execute("update tests set result='pass', kind='certificate', findings='[]'")
            assert 1 == changed.rowcount
    else:
        said = json.loads(report.read_bytes())
        said["scan"]["verdict"], said["kind"] = "pass", "certificate"
        report.unlink()
        certificate.write_bytes(canonical(seal(said)))
    person = Person([])
    steps: list[Step] = [("waiting", person.press("n")), ("waiting", tester.plug)]
    ran, events = follow(steps, "--resume", person=person)
    assert (1, [(2, "HL40-0002", 1, "pass")]) == (ran.status, saved(events))
    assert (1, ["HL40-0001"]) == tuple(events[-1][key] for key in ("passed", "failed"))


def test_a_failed_one_passes_by_no_other_name_of_its_record(follow: Any, tester: Tester, place: Path) -> None:
    steps: list[Step] = [("waiting", tester.bad), ("saved", (person := Person([])).press("q"))]
    follow(steps, "--count", 2, person=person)
    (place / "HL40-0001.test-1.report.json").rename(place / "HL40-0001.test-1.certificate.json")
    tester.out()
    ran, events = follow([("waiting", (person := Person([])).press("q"))], "--resume", person=person)
    assert (130, 0) == (ran.status, events[-1]["passed"])


def test_a_record_that_is_damaged_while_the_batch_runs_did_not_pass_in_the_end(
    follow: Any, tester: Tester, place: Path
) -> None:
    def damaged() -> None:
        path = place / "HL40-0001.test-1.certificate.json"
        path.write_bytes(path.read_bytes().replace(b'"elapsed_ms":', b'"elapsed_ms":1'))

    steps = [*one_after_another(tester, tester.plug, tester.plug), ("saved", damaged)]
    ran, events = follow(steps, "--count", 2)
    assert (1, 1, ["HL40-0001"]) == (ran.status, *(events[-1][key] for key in ("passed", "failed")))


def test_faults_and_times_are_told_whatever_the_clock_says(
    follow: Any, tester: Tester, place: Path, profile_of: Any
) -> None:
    begun(place, profile_of, started="2100-01-01T10:00:00Z", count=1)  # and was put right then
    steps: list[Step] = [("waiting", tester.bad), ("saved", tester.out), ("waiting", tester.plug)]
    _, events = follow(steps, "--resume")
    assert ({"open": 1}, True) == (events[-1]["faults"], events[-1]["seconds"] is not None)
    assert "faults found: 1 open" in events[-1]["text"]


def test_ctrl_c_ends_it_with_130_and_what_it_came_to_is_told(follow: Any, tester: Tester) -> None:
    def ctrl_c() -> None:
        raise KeyboardInterrupt

    steps = [*one_after_another(tester, tester.plug, tester.plug), ("verdict", ctrl_c)]
    ran, events = follow(steps, "--count", 2)
    assert (130, "interrupted; every point was let go") == (ran.status, ran.document["message"])
    assert ("end", 1, False) == tuple(events[-1][key] for key in ("kind", "passed", "complete"))
    assert events[-1]["text"].endswith(
        "\nbatch lamp-changer-40-1 is not complete; `--resume` goes on with it"
    )
    ran, events = follow([("take-out", tester.out), ("waiting", tester.plug)], "--resume", "--count", 2)
    assert (0, [(2, "HL40-0002", 1, "pass")]) == (ran.status, saved(events))


def test_a_record_that_nobody_was_told_of_counts(follow: Any, tester: Tester) -> None:
    """Interrupted between the record and the word of it."""

    def ctrl_c() -> None:
        raise KeyboardInterrupt

    ran, events = follow([("waiting", tester.plug), ("saved", ctrl_c)], "--count", 2)
    assert (130, 1) == (ran.status, events[-1]["passed"])
    tester.out()
    ran, events = follow([("waiting", tester.plug)], "--resume")
    assert (0, [(2, "HL40-0002", 1, "pass")]) == (ran.status, saved(events))


# Which batch


def begun(place: Path, profile_of: Any, **about: object) -> Store:
    """A folder with a batch of three that has begun."""
    store = Store(place)
    profile = profile_of(CABLE)
    named = {"id": profile.id, "title": profile.title, "revision": profile.revision}
    file = resources.folder("profiles") / "workshop" / f"{CABLE}.toml"
    sha256 = hashlib.sha256(file.read_bytes()).hexdigest()
    given: dict[str, Any] = {
        "profile": {**named, "sha256": sha256},
        "count": 3,
        "operator": None,
        "started": "2026-03-01T10:00:00Z",
        "simulated": True,
        "host": "0.8.0",
        **about,
    }
    store.new_batch(CABLE, lambda id: batch_document(id, **given))
    return store


@pytest.fixture
def no_tester(monkeypatch: pytest.MonkeyPatch) -> None:
    def opened(*_: object) -> None:
        raise AssertionError("a tester was asked for")

    monkeypatch.setattr(batch, "opened_for_batch", opened)


@pytest.mark.usefixtures("no_tester")
@pytest.mark.parametrize(
    ("words", "message", "hint"),
    [
        ((CABLE, "--resume", "--count", 4), "`--count 4`: batch `lamp-changer-40-1` began with 3", "`--new`"),
        (
            (CABLE, "--resume", "--new"),
            "`--resume` goes on with a batch and `--new` begins one; give one",
            "",
        ),
        (
            ("straight-34", "--resume"),
            "profile `straight-34` has no batch in ",
            "without `--resume` one begins",
        ),
    ],
)
def test_which_batch_is_meant_has_to_be_said(
    words: Sequence[object], message: str, hint: str, pinwright: Any, place: Path, profile_of: Any
) -> None:
    begun(place, profile_of)
    ran = pinwright("batch", *words, "--port", "sim", "--records", place)
    assert message in ran.error(2)
    assert hint in ran.err
    assert 1 == len([*place.glob("*.batch.json")])


@pytest.mark.parametrize(
    "changes",
    [{"started": "yesterday"}, {"count": 0}, {"count": "3"}, {"count": 10**6}, {"operator": "\x1b"}],
)
def test_a_batch_that_is_not_as_made_is_told_and_in_no_way_of_others(
    changes: Mapping[str, object], follow: Any, tester: Tester, place: Path
) -> None:
    person = Person([])
    follow([("waiting", tester.plug), ("saved", person.press("q"))], "--count", 2, person=person)
    tester.out()
    said = open_sealed((place / f"{CABLE}-1.batch.json").read_bytes()) | {"id": f"{CABLE}-2"}
    (place / f"{CABLE}-2.batch.json").write_bytes(canonical(seal({**said, **changes})))
    ran, events = follow([("waiting", tester.plug)], "--resume")
    assert (0, [(2, "HL40-0002", 1, "pass")]) == (ran.status, saved(events))
    assert f"{CABLE}-2.batch.json` is passed over, it is not as it was made" in ran.err
    assert 1 == ran.err.count("is passed over")
    ran, events = follow([("take-out", tester.out), ("waiting", tester.plug)])
    assert (0, f"{CABLE}-3") == (ran.status, events[-1]["batch"])


@pytest.mark.parametrize("limits", [[1], {"by_hand": True, "max_ohms": "x"}, None])
def test_odd_limits_of_a_record_are_those_of_one_that_is_not_as_made(
    limits: object, follow: Any, tester: Tester, place: Path
) -> None:
    person = Person([])
    follow([("waiting", tester.plug), ("saved", person.press("q"))], "--count", 2, person=person)
    path = place / "HL40-0001.test-1.certificate.json"
    path.write_bytes(canonical(seal(open_sealed(path.read_bytes()) | {"limits": limits})))
    tester.out()
    person = Person([])
    ran, events = follow([("waiting", person.press("q"))], "--resume", person=person)
    assert (130, ["HL40-0001"]) == (ran.status, events[-1]["failed"])


def test_one_in_which_nothing_was_tested_is_in_nobody_s_way(follow: Any, tester: Tester) -> None:
    person = Person([])
    follow([("waiting", person.press("q"))], "--count", 2, person=person)
    ran, events = follow([("waiting", tester.plug)])
    assert (0, "lamp-changer-40-2") == (ran.status, events[-1]["batch"])


def test_one_in_which_something_was_tested_is_gone_on_with_or_left(
    follow: Any, tester: Tester, pinwright: Any, place: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    person = Person([])
    follow([("waiting", tester.bad), ("saved", person.press("q"))], "--count", 2, person=person)
    message = "batch `lamp-changer-40-1` is not complete: 0 of 2 passed, 1 failed; `HL40-0001` is still to be"
    ran = pinwright("batch", CABLE, "--port", "sim", "--records", place)
    assert message in ran.error(2)
    assert "hint: `--resume` goes on with it, `--new` begins another" in ran.err
    file = tmp_path / f"{CABLE}.toml"
    kept = resources.folder("profiles") / "workshop" / file.name
    file.write_text(kept.read_text(encoding="utf-8") + "\n# mended\n", encoding="utf-8")
    ran = pinwright("batch", file, "--port", "sim", "--records", place)
    assert message in ran.error(2)
    assert "hint: the profile has changed since, so it cannot be gone on with: `--new` begins" in ran.err
    assert "--resume" not in ran.err


@pytest.mark.usefixtures("no_tester")
def test_a_profile_that_changed_since_is_refused(pinwright: Any, place: Path, profile_of: Any) -> None:
    profile = profile_of(CABLE)
    other = {"id": CABLE, "title": profile.title, "revision": profile.revision, "sha256": "0" * 64}
    begun(place, profile_of, profile=other)
    ran = pinwright("batch", CABLE, "--resume", "--port", "sim", "--records", place)
    assert "the profile is another than when batch `lamp-changer-40-1` began" in ran.error(2)


@pytest.mark.usefixtures("no_tester")
def test_resume_alone_means_the_one_that_is_not_complete(
    pinwright: Any, place: Path, profile_of: Any
) -> None:
    words = ("batch", "--resume", "--port", "sim", "--records", place)
    assert "no batch in `" in pinwright(*words).error(2)
    begun(place, profile_of)
    assert 70 == pinwright(*words).status, "it asks for a tester"
    other = {"id": "straight-34", "title": "", "revision": "", "sha256": "0" * 64}
    Store(place).new_batch(
        "straight-34",
        lambda id: batch_document(
            id,
            profile=other,
            count=1,
            operator=None,
            started="2026-03-01T10:00:00Z",
            simulated=True,
            host="0",
        ),
    )
    ran = pinwright(*words)
    assert "2 batches are not complete: `lamp-changer-40-1`, `straight-34-1`" in ran.error(2)
    assert "hint: give the PROFILE of the one to go on with" in ran.err


def test_one_that_began_on_a_board_is_not_gone_on_with_on_a_virtual_one(
    follow: Any, place: Path, profile_of: Any
) -> None:
    begun(place, profile_of, simulated=False)
    ran, events = follow([], "--resume")
    assert (2, []) == (ran.status, events)
    assert "began on a board, and this is a virtual tester" in ran.document["message"]


def test_a_complete_one_is_not_gone_on_with_and_the_next_has_another_number(
    follow: Any, tester: Tester, place: Path
) -> None:
    follow([("waiting", tester.plug)])
    ran, _ = follow([], "--resume")
    assert "no batch in `" in ran.document["message"]
    ran, events = follow([("take-out", tester.out), ("waiting", tester.plug)])
    assert (0, "lamp-changer-40-2") == (ran.status, events[-1]["batch"])


def test_new_leaves_an_unfinished_one_as_it_is(follow: Any, tester: Tester, place: Path) -> None:
    person = Person([])
    follow([("waiting", tester.bad), ("saved", person.press("q"))], person=person)
    tester.out()
    before = sorted(path.name for path in place.glob("*.json"))
    ran, events = follow([("waiting", tester.plug)], "--new")
    assert (0, [(1, "HL40-0002", 1, "pass")]) == (ran.status, saved(events))
    after = sorted([*before, "HL40-0002.test-1.certificate.json", "lamp-changer-40-2.batch.json"])
    assert after == sorted(path.name for path in place.glob("*.json"))


def test_limits_are_the_same_for_all_cables_of_a_batch_and_so_is_who_tests_unless_it_is_said(
    follow: Any, tester: Tester
) -> None:
    person = Person([])
    words = ("--count", 2, "--max-ohms", 2.5, "--operator", "early shift")
    follow([("waiting", tester.plug), ("saved", person.press("q"))], *words, person=person)
    tester.out()
    ran, _ = follow([], "--resume")
    assert ran.document["message"] == "the cables of batch `lamp-changer-40-1` had `--max-ohms 2.5` till now"
    ran, events = follow([("waiting", tester.plug)], "--resume", "--max-ohms", 2.5)
    assert (0, [(2, "HL40-0002", 1, "pass")]) == (ran.status, saved(events))
    (path,) = told(events, "saved", "certificate")
    assert "early shift" == open_sealed(Path(path).read_bytes())["scan"]["operator"]


@pytest.mark.parametrize(
    ("words", "status", "message"),
    [
        ((), 2, "PROFILE is missing: what the cables should be"),
        (("nowhere",), 2, "no profile has the id `nowhere`"),
        ((CABLE, "--count", 10_001), 2, "`--count 10001`: a batch has 10000 cables at most"),
        ((CABLE, "--count", 0), 2, "should be a whole number, 1 or more"),
        ((CABLE, "--operator", ""), 2, "`--operator` has 0 characters; 1 to 80 are possible, not all blanks"),
        ((CABLE, "--max-ohms", "x"), 2, "`--max-ohms x` should be a number of ohms"),
        ((CABLE, "--labels", "nowhere/x.pdf"), 2, "there is no folder `nowhere`"),
        ((CABLE, "--labels", "there.pdf"), 2, "`there.pdf` exists already"),
        ((CABLE, "--size", "9"), 2, "`--size 9` should be two numbers"),
        ((CABLE, "--port", "/nonexistent"), 3, "`/nonexistent` does not open"),
        ((CABLE, "--port", "sim:nowhere.toml"), 2, "bench file `nowhere.toml`: cannot be read"),
        ((CABLE, "--at", "A=S1"), 2, "no socket for end `B`"),
        ((CABLE, "--max-check-age", "1"), 3, "long check"),
    ],
)
def test_what_cannot_be_is_refused_before_there_is_a_batch(
    words: Sequence[object],
    status: int,
    message: str,
    pinwright: Any,
    bench: Any,
    place: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("there.pdf").touch()
    port = () if "--port" in words else ("--port", bench([], 'fitted = 5\nlane = "none"\n'))
    assert message in pinwright("batch", *words, *port, "--records", place).error(status)
    assert [] == [*place.glob("*.batch.json")]


def test_a_place_that_cannot_be_is_refused_before_there_is_a_tester(
    pinwright: Any, tmp_path: Path, no_tester: None
) -> None:
    (tmp_path / "file").touch()
    ran = pinwright("batch", CABLE, "--port", "sim", "--records", tmp_path / "file" / "r")
    assert "cannot write to it" in ran.error(2)


# What is shown


def test_without_a_terminal_every_step_is_a_line(
    pinwright: Any, quick: None, bench: Any, place: Path, golden: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The virtual hand plugs in what the bench file says, and then, as it were, the same cable mended."""
    monkeypatch.undo()
    monkeypatch.setattr(watching, "STEADY_S", 0.0)
    port = bench([["A.1", "A.2", "B.40"]], 'fitted = 5\nlane = "none"\n')
    ran = pinwright("batch", CABLE, "--count", 2, "--port", port, "--records", place)
    assert 0 == ran.status
    ran = dataclasses.replace(ran, out=re.sub(r"took \d+ s", "took <time> s", ran.out))
    golden("batch", ran, folded=False)


def test_a_virtual_cable_that_nobody_can_see_is_tested_too_and_those_that_passed_get_labels(
    pinwright: Any, bench: Any, place: Path, quick: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[Any] = []

    def labels_pdf(labels: Any, stock: Any) -> bytes:
        seen.extend((one.serial, one.test) for one in labels)
        return b"x"

    monkeypatch.setattr("pinwright.sheets.label.labels_pdf", labels_pdf)
    port = bench([], 'fitted = 5\nlane = "none"\n')
    file = place.with_name("labels.pdf")
    monkeypatch.setattr(batching, "PATIENCE_S", 0.2)
    words = ("--count", 2, "--labels", file, "--size", "40x20", "--roll")
    ran = pinwright("batch", CABLE, *words, "--port", port, "--records", place)
    assert (0, b"x") == (ran.status, file.read_bytes())
    assert [("HL40-0001", 2), ("HL40-0002", 1)] == seen
    assert ran.out.endswith(f"{file}: 2 labels for a roll\n")
    assert "cable 1 of 2: FAILED" in ran.out
    assert "cable 1 of 2, HL40-0001 test 2: PASS" in ran.out


def test_where_none_passed_it_is_said_that_there_are_no_labels(
    pinwright: Any, tester: Tester, follow: Any, place: Path
) -> None:
    person, file = Person([]), place.with_name("labels.pdf")
    steps: list[Step] = [("waiting", tester.bad), ("saved", person.press("n"))]
    ran, _ = follow(steps, "--labels", file, person=person)
    assert (1, "no label was made, and no file: none passed\n") == (ran.status, ran.err)
    assert not file.exists()


def test_where_labels_cannot_be_written_at_the_end_it_is_said_how_they_are_made(
    follow: Any, tester: Tester, place: Path, pinwright: Any, tmp_path: Path
) -> None:
    file = tmp_path / "labels.pdf"
    steps: list[Step] = [("waiting", tester.plug), ("saved", file.touch)]
    ran, events = follow(steps, "--labels", file, "--size", "40x20", "--skip", 2)
    assert (2, True) == (ran.status, events[-1]["complete"])
    message = f"the batch is complete, but no labels were made: `{file}` exists already; it was not touched"
    assert message == ran.document["message"]
    command = re.search(r"`pinwright (label .*)`", ran.document["hint"])[1]
    there = tmp_path / "others.pdf"
    words = [str(there) if word == "FILE" else word for word in shlex.split(command)]
    assert ["label", "HL40-0001", "--out", str(there), "--size", "40x20", "--skip", "2"] == words[:8]
    assert 0 == pinwright(*words).status
    assert there.read_bytes().startswith(b"%PDF-")


def test_good_conductors_are_listed_when_it_is_asked_for(
    pinwright: Any, bench: Any, place: Path, quick: None, profile_of: Any
) -> None:
    good = [net.pins for net in profile_of(CABLE).nets]
    port = bench(good, 'fitted = 5\nlane = "none"\n')
    ran = pinwright("batch", CABLE, "-v", "--port", port, "--records", place)
    assert 0 == ran.status
    assert re.search(r"MOTOR-FWD +A\.20 +B\.10 +B\.10 +ok", ran.out)
    assert 1 == ran.out.count("continuity only")


HEADLINES = {
    "waiting": Event(
        "waiting", "cable 3 of 5: plug it in", 3, headline="CABLE 3", body=("HL40-0002 passed",)
    ),
    "passed": Event("saved", "take it out", 3, "HL40-0003", headline="HL40-0003 PASS", style="ok"),
    "failed": Event(
        "saved",
        "mended? plug it in again: it stays HL40-0003 (test 2). Another cable: press n first",
        3,
        "HL40-0003",
        headline="HL40-0003 FAILED",
        style="open",
        findings=(
            (
                "D1 and D3 are exchanged: A.6 belongs with B.3 and A.8 with B.4, but they are crossed",
                "Exchange the two conductors at one end.",
            ),
            ("MOTOR-FWD, A.20 to B.10 measures 14.2 Ω ± 4.2 Ω", "Resolder it."),
        ),
        where="HL40-0003.test-1.report.pdf",
    ),
}
ONLY = "Only HL40-0003, mended, goes in now. Another cable: press n first."
HEADLINES["out"] = dataclasses.replace(HEADLINES["failed"], kind="waiting", text=ONLY, lead=ONLY)


@pytest.mark.parametrize("which", HEADLINES)
@pytest.mark.parametrize(
    ("width", "height", "ascii"), [(73, 15, False), (73, 15, True), (44, 12, False), (73, 30, False)]
)
def test_the_panel_says_large_what_there_is_to_know(which: str, width: int, height: int, ascii: bool) -> None:
    event = HEADLINES[which]
    lines = panel_lines(event, event.text, "2 of 5 passed", width, height, ascii)
    shown = [line for line, _ in lines]
    assert all(len(line) <= width for line in shown)
    assert len(shown) <= height
    assert shown[-1] == "2 of 5 passed"
    assert not ascii or "".join(shown).isascii()
    file = Path(__file__).parent / "golden" / f"batch-panel-{which}-{width}x{height}{'-ascii' * ascii}.txt"
    if os.environ.get("PINWRIGHT_REGENERATE"):
        file.write_text("\n".join(shown) + "\n", encoding="utf-8")
    assert file.read_text(encoding="utf-8") == "\n".join(shown) + "\n"


def test_a_serial_too_long_to_be_large_leaves_the_verdict_large() -> None:
    event = Event("saved", "take it out", 1, headline="AN-UNUSUALLY-LONG-SERIAL-0001 PASS", style="ok")
    shown = [line for line, _ in panel_lines(event, event.text, "", 73, 15, False)]
    assert large("PASS", 73, False) == shown[1:6]
    assert "AN-UNUSUALLY-LONG-SERIAL-0001 PASS" == shown[6]


def test_what_must_not_be_missed_stands_first_in_the_colour_of_a_fault_and_once() -> None:
    lines = panel_lines(HEADLINES["out"], ONLY, "2 of 5 passed, 1 failed", 73, 21, False)
    assert (ONLY, "open") == lines[7]
    assert 1 == sum(line == ONLY for line, _ in lines)


@pytest.mark.parametrize("height", range(14, 60))
def test_as_many_findings_as_there_is_room_for_stand_with_their_remedies(height: int) -> None:
    opens = tuple((f"open between A.{n} and B.{n}", f"Resolder joint {n}.") for n in range(1, 21))
    event = Event("saved", "x", 1, headline="S-1 FAILED", findings=opens, where="S-1.test-1.report.pdf")
    shown = "\n".join(line for line, _ in panel_lines(event, "x", "0 of 1 passed", 73, height, False))
    told = shown.count("open between")
    assert told == shown.count("Resolder joint") == (20 if height >= 51 else (height - 12) // 2)
    left = 20 - told
    more = f"… and {left} more finding{'s' * (left > 1)}, all in S-1.test-1.report.pdf" if left else ""
    assert more in shown
    assert bool(left) == ("more finding" in shown)


def test_a_remedy_that_findings_share_stands_once_after_the_last_that_is_shown() -> None:
    opens = (("open at A.1", "Resolder it."), ("open at A.2", "Resolder it."), ("short", "Cut it."))
    assert (
        "1. open at A.1",
        "2. open at A.2",
        "   Resolder it.",
        "3. short",
        "   Cut it.",
    ) == announcing.findings_lines(opens)
    assert ("1. open at A.1", "   Resolder it.") == announcing.findings_lines(opens[:1])


def test_the_count_is_right_while_a_verdict_is_shown_and_at_the_end_no_key_is_asked_for() -> None:
    tally = Tally(2)
    assert "0 of 2 passed" == announcing.standing(tally)
    assert "0 of 2 passed, 1 failed" == announcing.standing(tally, (1, False))
    tally.tests.append(Tested(1, "S-1", 1, False, (), 1))
    assert "0 of 2 passed, 1 failed" == announcing.standing(tally)
    assert "1 of 2 passed" == announcing.standing(tally, (1, True))
    assert "n another cable, Enter tests it now, q stops" == announcing.keys_text(tally)
    tally.tests += [Tested(1, "S-1", 2, True, (), 1), Tested(2, "S-2", 1, True, (), 1)]
    assert ("2 of 2 passed", "") == (announcing.standing(tally), announcing.keys_text(tally))


@pytest.mark.parametrize(("width", "height"), [(20, 3), (8, 40), (1, 1), (73, 0)])
def test_a_terminal_may_be_of_any_size(width: int, height: int) -> None:
    for event in HEADLINES.values():
        assert len(panel_lines(event, event.text, "2 of 5 tested", width, height, False)) <= height


# As a program of its own


@posix
def test_a_terminal_shows_one_panel_and_a_key_sets_a_failed_one_aside(
    at_a_terminal: Any, bench: Any, place: Path
) -> None:
    there = bench([["A.1", "B.1"]], 'fitted = 5\nlane = "none"\n')
    terminal = at_a_terminal("batch", CABLE, "--port", there, "--records", place)
    terminal.until(lambda shown: b"mended? plug it in again" in shown)
    terminal.type(b"xn")
    terminal.until(lambda shown: b"not passed: HL40-0001" in shown)
    assert 1 == terminal.running.wait(10)
    assert terminal.before == terminal.look
    shown = terminal.shown
    assert b"\xe2\x96\x88" in shown, "large letters"
    assert b"n another cable, Enter tests it now, q stops" in shown
    assert b"0 of 1 passed, 1 failed" in shown
    last = shown.decode().rpartition("\x1b[?25h")[0].rpartition("\x1b[J")[0].rpartition("\x1b[J")[2]
    assert "q stops" not in last, "nothing is waited for any more"


@posix
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP] if os.name == "posix" else [])
def test_a_program_that_is_told_to_end_leaves_the_terminal_as_it_was(
    number: int, at_a_terminal: Any, tester: Tester, place: Path
) -> None:
    terminal = at_a_terminal("batch", CABLE, "--port", tester.port.name, "--records", place)
    terminal.until(lambda shown: b"cable 1 of 1: plug it in" in shown)
    terminal.until(lambda shown: terminal.before != terminal.look)
    terminal.running.send_signal(number)
    terminal.until(lambda shown: b"is not complete; `--resume` goes on with it" in shown)
    assert 130 == terminal.running.wait(20)
    assert terminal.before == terminal.look
    assert [] == [chip for chip in tester.port.board.board.chips if chip.outputs or chip.latch]


@posix
def test_ctrl_c_stops_a_program_and_what_it_came_to_is_told(
    command: Any, surroundings: Any, tester: Tester, place: Path
) -> None:
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell may have it ignored
    words = ("batch", CABLE, "--count", 2, "--port", tester.port.name, "--records", place, "--json")
    tester.plug()
    try:
        running = subprocess.Popen(
            command(*words),
            env=surroundings(),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert running.stdout is not None
        events = []
        while not events or events[-1]["kind"] != "saved":
            events.append(json.loads(running.stdout.readline()))
        running.send_signal(signal.SIGINT)
        out, err = running.communicate(timeout=20)
    finally:
        signal.signal(signal.SIGINT, before)
        running.kill()
        running.communicate()
    assert (130, "") == (running.returncode, err)
    assert [(1, "HL40-0001", 1, "pass")] == saved(events)
    (end,) = (json.loads(line) for line in out.splitlines() if '"kind": "end"' in line)
    assert ("end", 1, False) == tuple(end[key] for key in ("kind", "passed", "complete"))
    assert "interrupted; every point was let go" in out
    assert [] == [chip for chip in tester.port.board.board.chips if chip.outputs or chip.latch]
