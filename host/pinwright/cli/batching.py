"""A batch while it runs: cable after cable is waited for, proven and kept."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from typing import Any

from pinwright.cable.tables import ticked
from pinwright.cli.announcing import Event, Teller, telling
from pinwright.cli.counted import Document, other_tests, tally_of
from pinwright.cli.keys import ENTER, Keys
from pinwright.cli.ports import Hand, Workshop
from pinwright.cli.proving import Job, Proof, Test
from pinwright.cli.tally import Tally, Tested, summary, summary_members
from pinwright.errors import (
    Disagreement,
    OtherTemperature,
    OutsideVoltage,
    RecordsError,
    SelfCheckFailed,
    SerialError,
    TesterError,
    UsageError,
)
from pinwright.link import Line, drive
from pinwright.records.batches import batch_member
from pinwright.records.store import Batch, Listed, Query, Saved, Store
from pinwright.terminal import can_redraw, show_text
from pinwright.tester.watching import Cable, Nothing, OneEnd, State, Unsteady, Watching
from pinwright.verdict.words import Finding

LOOK_EVERY_S = 0.15
LONG_S = 3.0  # in which a cable should be steady
HAND_S = 1.5  # how long the virtual hand stays where somebody looks on
PATIENCE_S = 4.0  # when the virtual hand presses Enter, because its cable is not seen
MOST_WITHOUT_VERDICT = 3  # scans running
_BORNE = (OutsideVoltage, SelfCheckFailed, Disagreement)  # may be a cable's doing


@dataclass(slots=True)
class Running:
    """A batch while it runs.

    since_s: the last verdict, or the start. lamp: the verdict that it shows, while its cable is in. inside:
    a cable is known to be in that has to come out before another counts. unjudged: it had no verdict.
    tested: which cable that is. tests: that were begun. verdicts: of this run. without_verdict: scans running
    that came to none.
    verbose: on standard output each cable is shown as a scan shows it.
    """

    store: Store
    document: Document
    tally: Tally
    job: Job
    workshop: Workshop
    line: Line
    watching: Watching
    hand: Hand | None
    verbose: bool
    keys: Keys = field(default_factory=lambda: Keys(""))
    since_s: float = field(default_factory=time.monotonic)
    lamp: bool | None = None
    inside: bool = False
    unjudged: bool = False
    tested: int = 0
    tests: int = 0
    verdicts: int = 0
    without_verdict: int = 0
    _free_s: float = field(default_factory=time.monotonic)  # when nothing conducted
    _teller: Teller | None = None
    _told: Event | None = None
    _failed: Event | None = None  # of the record of what is to be mended
    _deaf: Exception | None = None  # why nobody hears it any more
    _foreign: set[str] = field(default_factory=set)  # records of another batch of that id

    @property
    def batch(self) -> Batch:
        return self.document.batch

    @contextmanager
    def told(self, *, as_json: bool) -> Iterator[None]:
        """While the block runs, what happens is told."""
        title, hear = f"batch {self.batch.id}", self.line.hear
        if not as_json:
            show_text(_beginning(self.batch, self.watching))
        with telling(
            self.batch.id, title, self.tally, as_json=as_json, panel=not self.verbose
        ) as self._teller:
            self.line.hear = self._teller.hear
            try:
                yield
            finally:
                self.line.hear = hear

    def _tell(self, event: Event, *, once: bool = False) -> None:
        """once: not if it was told last. Nobody has to hear it: a cable that was judged is recorded first."""
        if once and self._told and (event.kind, event.text) == (self._told.kind, self._told.text):
            return
        self._told = event
        try:
            if self._teller and not self._deaf:
                self._teller.tell(event)
        except (BrokenPipeError, UsageError) as error:
            self._deaf = error

    def follow(self) -> bool:
        """Until there are enough; False where it was stopped by a key. Raises whatever ends it before."""
        if self.watching.out:
            self._tell(self._waiting())
        hand = _VirtualHand(self, self.hand) if self.hand else None
        while not self.tally.complete:
            began = time.monotonic()
            state = self._look()
            if state is not None:
                self._hear(state)
            if hand and state is not None:
                hand.move(state, time.monotonic())
            if self._deaf:
                raise self._deaf
            if self.tally.complete:
                break
            key = self.keys.pressed(max(0.0, LOOK_EVERY_S - (time.monotonic() - began)))
            if key == "q":
                return False
            if key == "n":
                self._set_aside()
            elif key == ENTER:
                self.press_enter()
        return True

    def _look(self) -> State | None:
        """What is there; None where a look failed that may."""
        try:
            state = self.watching.hear(drive(self.watching.look(), self.line), time.monotonic())
            if self.lamp is not None and not isinstance(state, Nothing):
                drive(self.watching.show(self.lamp), self.line)
            return state
        except TesterError as error:
            self.watching.bear(error, time.monotonic())
            self._tell(self._trouble(error), once=True)
            return None

    def _hear(self, state: State) -> None:
        if not self.watching.out:
            if not self.inside and not isinstance(state, Nothing):
                self.inside = True
                self._tell(self._unknown())
            return
        if self.inside:
            self.inside = self.unjudged = False
            self.lamp = None
            self._tell(Event("removed", "it is out", self.tested or self.tally.item, log=""))
            self._tell(self._waiting())
        elif self._told is None:
            self._tell(self._waiting())
        if isinstance(state, Nothing):
            self._free_s = time.monotonic()
        match state:
            case Nothing():
                self._tell(self._waiting(again=True), once=True)
            case OneEnd(where):
                text = f"something conducts at {where} only: is the other end in?"
                self._tell(self._event("seen", text, more={"state": "one end"}), once=True)
            case Unsteady():
                self._tell(self._unsteady(), once=True)
            case Cable():
                self._test()

    def press_enter(self) -> None:
        """Test what is plugged in, or nothing that can be seen; but no cable twice as two."""
        if self.watching.out or self.unjudged or self.tally.to_mend or not self.tally.tests:
            self._test()
        else:
            self._tell(self._event("take-out", "this one is tested: take it out first"))

    def _set_aside(self) -> None:
        failed = self.tally.to_mend
        if not failed:
            return
        self.tally.set_aside()
        self.unjudged = False  # what is in may be the one set aside, and must not be tested as the next
        goes_on = not self.tally.complete
        text = f"{failed.serial} is set aside" + (
            ": take it out" if goes_on and not self.watching.out else ""
        )
        headline = f"CABLE {self.tally.item}" if goes_on else ""
        self._tell(Event("set-aside", text, failed.item, failed.serial, headline=headline))
        if goes_on and self.watching.out:
            self._tell(self._waiting())

    def _test(self) -> None:
        """Prove what is plugged in, and keep it."""
        mend, item = self.tally.to_mend, self.tally.item
        serial = mend.serial if mend else None
        headline = f"{mend.serial} TEST {mend.test + 1}" if mend else f"CABLE {item}"
        self._tell(
            self._event(
                "seen", "testing it", serial=serial, log="", headline=headline, more={"state": "steady"}
            )
        )
        self.watching.must_come_out()
        self.inside, self.tested, self.lamp = True, item, None
        self.tests += 1
        test = Test(self.job, self.workshop)
        try:
            scan, facts = test.measured(self.line)
        except _BORNE as error:
            self.without_verdict += 1
            if isinstance(error, OtherTemperature) or self.without_verdict >= MOST_WITHOUT_VERDICT:
                raise
            self.unjudged = True
            self._tell(self._no_verdict(error))
            return
        self.without_verdict = 0
        self.verdicts += 1
        proof = test.proof(scan, facts, serial)
        now_s = time.monotonic()
        seconds, self.since_s = round(now_s - self.since_s), now_s
        self.lamp, self.unjudged = facts.passed, False
        self._tell(self._verdict(proof, mend))
        batch = self.batch
        member = batch_member(batch.id, self.document.sha256, item, batch.count, seconds)
        saved = self._save(proof, serial, member)
        if self.verbose and not self._deaf:
            proof.show(saved, None, verbose=True)
        passed = proof.status(saved) == 0
        found = tuple((one.kind, tuple(map(str, one.pins))) for one in proof.findings)
        self.tally.tests.append(Tested(item, saved.serial, saved.test, passed, found, seconds))
        self.keys.forget(but="q")
        event = self._saved(proof, saved, item)
        self._failed = None if passed else event
        self._tell(event)

    def _save(self, proof: Proof, serial: str | None, member: dict[str, Any]) -> Saved:
        try:
            expect = self.batch.id, self._check_alone
            return proof.save(self.store, serial, again=serial is not None, batch=member, expect=expect)
        except (RecordsError, SerialError) as error:
            message = f"the cable {proof.verdict}, but nothing was recorded: {error.message}"
            raise type(error)(message, hint=error.hint) from error

    def _check_alone(self, there: Sequence[Listed]) -> None:
        """Raises RecordsError where the tests of the batch that are there are not those that this run knows:
        another cable may then be the one that this run takes its own for."""
        others = other_tests(there, self.document, self.tally.tests, self._foreign)
        if others:
            raise RecordsError(
                f"another program goes on with batch `{self.batch.id}` at the same time, or has moved its "
                f"records: {ticked(others)}",
                hint="`--resume` goes on once no other program does",
            )

    def finish(self, *, as_json: bool) -> None:
        """Say what it has come to, as the records say. Raises RecordsError where they cannot be read."""
        try:
            self.tally.tests = tally_of(self.store, self.document).tests
        finally:
            self._say_end(as_json=as_json)

    def _say_end(self, *, as_json: bool) -> None:
        lines = summary(self.tally)
        if not self.tally.complete:
            lines.append(f"batch {self.batch.id} is not complete; `--resume` goes on with it")
        if as_json:
            self._tell(self._event("end", "\n".join(lines), more=summary_members(self.tally)))
        else:
            show_text("\n".join(lines))

    # What there is to tell

    def _event(self, kind: str, text: str, **members: Any) -> Event:
        return Event(kind, text, min(self.tally.item, self.tally.count), **members)

    def _waiting(self, *, again: bool = False) -> Event:
        """again: a log says it already."""
        mend, last, log = self.tally.to_mend, self.tally.last, "" if again else None
        if mend:
            self._failed = self._failed or self._recorded(mend)
            text = f"Only {mend.serial}, mended, goes in now. Another cable: press n first."
            headline, more = f"{mend.serial} FAILED", {"test": mend.test + 1}
            return replace(
                self._failed, kind="waiting", text=text, log=log, headline=headline, lead=text, more=more
            )
        item = self.tally.item
        return self._event(
            "waiting",
            f"cable {item} of {self.tally.count}: plug it in",
            log=log,
            headline=f"CABLE {item}",
            body=(f"{last.serial} {'passed' if last.passed else 'is set aside'}",) if last else (),
        )

    def _recorded(self, failed: Tested) -> Event:
        """What its record says is wrong with a cable that failed in another run."""
        from pinwright.library import profile_of
        from pinwright.records.document import NotGenuine
        from pinwright.records.record import bytes_of, read_record

        event = Event("saved", "", failed.item, failed.serial, style="open")
        for one in self.store.found(Query(serial=failed.serial)):
            if one.entry.test == failed.test:
                with suppress(NotGenuine, OSError):
                    findings = read_record(bytes_of(one.entry.path), profile_of).findings
                    where = str(one.entry.documents.get("pdf", one.entry.path))
                    return replace(event, findings=_remedied(findings), where=where)
        return replace(event, body=tuple(f"{kind}: {', '.join(pins)}" for kind, pins in failed.findings))

    def _unknown(self) -> Event:
        """Something is in, and it may be one that is tested already."""
        text = "something is in the tester already: take it out"
        if self.tally.to_mend or not self.tally.tests:
            text += ", or press Enter to test it as it is"
        return self._event("take-out", text, headline="TAKE IT OUT", style="exchanged")

    def _unsteady(self) -> Event:
        text = "it conducts: keep it still"
        if time.monotonic() - self._free_s > LONG_S:
            text = "it conducts, but not steadily: press it home and keep it still, or press Enter to test it"
        return self._event("seen", text, log="", more={"state": "unsteady"})

    def _trouble(self, error: TesterError) -> Event:
        text = "\n".join(filter(None, [error.message, error.hint]))
        return self._event("trouble", text, more={"message": error.message, "hint": error.hint})

    def _no_verdict(self, error: TesterError) -> Event:
        then = "take it out and plug it in again, or press Enter to test it once more"
        return self._event(
            "no-verdict",
            f"no verdict: {error.message}; {then}",
            headline="NO VERDICT",
            style="exchanged",
            more={"message": error.message, "hint": error.hint},
        )

    def _verdict(self, proof: Proof, before: Tested | None) -> Event:
        passed, serial = proof.facts.passed, before.serial if before else None
        word = "PASS" if passed else "FAILED"
        faults = "1 fault" if len(proof.findings) == 1 else f"{len(proof.findings)} faults"
        which = f", {serial} test {before.test + 1}" if before else ""
        text = f"cable {self.tally.item} of {self.tally.count}{which}: {word}"
        return self._event(
            "verdict",
            text if passed else f"{text}, {faults}",
            serial=serial,
            headline=f"{serial} {word}" if serial else word,
            passed=passed,
            more={
                "verdict": proof.document["verdict"],
                "test": before.test + 1 if before else 1,
                "findings": proof.document["findings"],
            },
            **({} if self.verbose else _below(proof)),
        )

    def _saved(self, proof: Proof, saved: Saved, item: int) -> Event:
        mend = self.tally.to_mend
        then = _mend_text(mend) if mend else "" if self.tally.complete else "take it out"
        kept = "" if self.verbose else f"{saved.serial}.test-{saved.test}, {proof.kept(saved)}"
        document = proof.document
        return Event(
            "saved",
            then or "that was the last one",
            item,
            saved.serial,
            log="\n".join(filter(None, [kept, then if mend else ""])),
            headline=f"{saved.serial} {'PASS' if proof.facts.passed else 'FAILED'}",
            where=str(saved.documents.get("pdf", saved.path)),
            more={"test": saved.test}
            | {key: document[key] for key in ("verdict", "certificate", "report", "documents", "findings")},
            **_below(proof),
        )


class _VirtualHand:
    """Plugs cables into a virtual tester and takes them out, slowly where somebody looks on."""

    def __init__(self, running: Running, hand: Hand) -> None:
        self._running, self._hand = running, hand
        self._pause_s = HAND_S if can_redraw() else 0.0
        self._since_s: float | None = None  # its cable is in
        self._before = 0  # how many tests were begun then
        self._due_s = 0.0  # when it moves again
        self._is_tested = False

    def move(self, state: State, now_s: float) -> None:
        """What it does next, if it is time."""
        running = self._running
        if self._since_s is not None and running.tests > self._before and not self._is_tested:
            self._is_tested, self._due_s = True, now_s + self._pause_s
        if now_s < self._due_s:
            return
        if self._is_tested:
            self._hand.take_out()
            self._since_s, self._is_tested, self._due_s = None, False, now_s + self._pause_s
        elif self._since_s is not None and now_s - self._since_s > PATIENCE_S:
            running.press_enter()
        elif self._since_s is None and running.watching.out and isinstance(state, Nothing):
            self._hand.plug_in(good=running.verdicts > 0)
            self._since_s, self._before = now_s, running.tests


def _beginning(batch: Batch, watching: Watching) -> str:
    placement = watching.session.placement
    sockets = placement.sockets.items() if placement else ()
    cables = "1 cable" if batch.count == 1 else f"{batch.count} cables"
    return f"batch {batch.id}: {cables}; " + "; ".join(
        f"end {end} goes into {socket}" for end, socket in sockets
    )


def _mend_text(failed: Tested) -> str:
    return (
        f"mended? plug it in again: it stays {failed.serial} (test {failed.test + 1}). "
        "Another cable: press n first"
    )


def _below(proof: Proof) -> dict[str, Any]:
    """What is wrong and what to do about it; of a pass, what to know before believing it."""
    if proof.facts.passed:
        return {"style": "ok", "body": tuple(proof.caveats())}
    return {"style": "open", "findings": _remedied(proof.findings)}


def _remedied(findings: Sequence[Finding]) -> tuple[tuple[str, str], ...]:
    return tuple((one.text, one.remedy) for one in findings)
