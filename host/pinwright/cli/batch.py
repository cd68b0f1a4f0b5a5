"""`pinwright batch`: prove several cables of one kind, one after another, without a key."""

from __future__ import annotations

import argparse
import functools
import shlex
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from pinwright import __version__
from pinwright.cable.tables import ticked
from pinwright.cable.wiring import printable
from pinwright.cli.announcing import standing
from pinwright.cli.batching import Running
from pinwright.cli.counted import Document, document_of, records_of, tally_of
from pinwright.cli.kept import a_number, a_path, store_at
from pinwright.cli.keys import ENTER, Keys
from pinwright.cli.label import (
    add_stock,
    check_stock,
    check_stock_alone,
    labelled,
    stock_of,
    told_of_sheets,
)
from pinwright.cli.ports import Workshop, is_virtual, opened_for_batch
from pinwright.cli.proving import Job, add_conditions, job_of, name_of_profile
from pinwright.cli.tally import Tally
from pinwright.cli.writing import check_new, write_new
from pinwright.errors import (
    ProfileError,
    RecordsError,
    SerialError,
    UsageError,
)
from pinwright.library import LoadedProfile, find_profile, library_folders
from pinwright.link import Line, drive
from pinwright.records.batches import MOST_CABLES, batch_document
from pinwright.records.document import NotGenuine
from pinwright.records.store import Batch, Query, Store, check_serial, default_place
from pinwright.sheets.stock import Stock
from pinwright.terminal import say, show_text
from pinwright.tester.calibration import rfc3339
from pinwright.tester.watching import Watching

_USUAL = {"skip": 0, "copies": 1}  # of labels, where nobody says so
EPILOG = """\
Plug a cable in: it is seen, scanned, shown large and recorded, with the next serial number; take it out, and
plug in the next. One that failed can be mended and plugged in again: it keeps its serial, and its tests are
numbered. `n` sets it aside instead, and goes on with another; Enter tests what is plugged in at once, for
where nothing conducts nothing can be seen; `q` stops. Where input is no terminal, a line does as a key.

An interrupted batch loses nothing: `--resume` goes on with it, whatever ended it. With `--port sim` a virtual
hand plugs good cables in; with `sim:FILE` the first is what FILE says, and a good one follows.

example: pinwright batch lamp-changer-40 --count 2 --port sim
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "Prove several cables of one kind, one after another: no key is needed."
    parser.epilog = EPILOG
    parser.add_argument(
        "profile",
        metavar="PROFILE",
        nargs="?",
        help="what the cables should be (with --resume: if more than one batch is not complete)",
    )
    parser.add_argument("--count", metavar="N", type=a_number, help="how many cables (default: 1)")
    parser.add_argument("--port", metavar="PORT", help="where the tester is")
    add_conditions(parser)
    parser.add_argument(
        "--resume", action="store_true", help="go on with the latest batch, which is not complete"
    )
    parser.add_argument(
        "--new", action="store_true", help="begin a batch, though the one before is not complete"
    )
    parser.add_argument("--json", action="store_true", help="a line of JSON for everything that happens")
    parser.add_argument("-v", "--verbose", action="store_true", help="show each cable as `scan -v` does")
    parser.add_argument(
        "--labels",
        metavar="FILE",
        type=a_path,
        help="labels for those that passed, once the batch is complete: a PDF, a FILE that does not exist",
    )
    add_stock(parser)


def run(arguments: argparse.Namespace) -> int:
    """0 where as many cables as there should be passed and are saved, 1 where some of them failed, 130 where
    it was stopped before; everything else is raised."""
    _check(arguments)
    stock = stock_of(arguments)
    if not arguments.labels:
        check_stock_alone(arguments)
    name = name_of_profile(arguments)
    stores = [store_at(place) for place in _places(arguments)]
    if name is not None:
        loaded = find_profile(name, library_folders())
    elif arguments.resume:
        stores, loaded = _unfinished(stores)
    else:
        raise UsageError(
            "PROFILE is missing: what the cables should be",
            hint="`pinwright batch --help` shows what goes; `--resume` alone goes on with a batch",
        )
    job = job_of(arguments, loaded)
    if arguments.labels:
        check_stock(job.profile, stock, arguments.count or 1, simulated=is_virtual(arguments.port))
    check_serial(job.profile.serial_for(1))
    stores[0].check_writable()
    if len(stores) == 1:  # else the tester says which
        _begun(stores[0], job, arguments)
    workshop = Workshop.read()
    with opened_for_batch(arguments.port, job.profile, workshop, job.by_hand) as (link, hand):
        line = Line(link, lambda text: say(f"the board says: {text}"))
        watching = Watching(job.session(workshop))
        drive(watching.begin(), line)
        hello = watching.session.known()
        if len(stores) > 1:
            stores = [stores[hello.simulated]]
            stores[0].check_writable()
        begun = _begun(stores[0], job, arguments)
        if arguments.labels:  # now that it is known what they are of, and how many
            count = begun[0].batch.count if begun else arguments.count or 1
            check_stock(job.profile, stock, count, simulated=hello.simulated)
        document, tally = begun or _new(stores[0], job, arguments, simulated=hello.simulated)
        batch = document.batch
        if batch.simulated != hello.simulated:
            what = ("a board", "a virtual tester")
            raise UsageError(
                f"batch `{batch.id}` began on {what[batch.simulated]}, and this is {what[hello.simulated]}",
                hint="go on with that one, or begin another: `--new`",
            )
        if job.operator is None and batch.operator:
            job = replace(job, operator=batch.operator)
        if (begun and tally.tests) or stores[0].found(Query(profile=job.profile.id)):
            watching.must_come_out()  # what is in may be one that has a record
        for note in job.notes(hello.lane):
            say(note)
        verbose = arguments.verbose and not arguments.json
        running = Running(stores[0], document, tally, job, workshop, line, watching, hand, verbose)
        done = False
        try:
            with running.told(as_json=arguments.json), Keys("qn" + ENTER) as running.keys:
                done = running.follow()
        except BaseException:
            with suppress(Exception):  # what ended it counts
                running.finish(as_json=arguments.json)
            raise
        with suppress(BrokenPipeError):  # nobody reads any more; the status and the records say it
            running.finish(as_json=arguments.json)
    if not done:
        if arguments.labels:
            say("no labels yet: they are made once the batch is complete")
        return 130
    if arguments.labels and not tally.passed:
        say("no label was made, and no file: none passed")
    elif arguments.labels:
        serials = [tests[-1].serial for tests in tally.cables().values() if tests[-1].passed]
        try:
            _print_labels(stores[0], serials, arguments.labels, stock, aloud=not arguments.json)
        except (UsageError, RecordsError, SerialError) as error:
            command = _label_command(arguments, serials, simulated=batch.simulated)
            message = f"the batch is complete, but no labels were made: {error.message}"
            raise type(error)(message, hint=f"`{command}` makes them") from error
    return _status(tally)


def _status(tally: Tally) -> int:
    """Of a batch that is complete. A cable passed where its last record, read again at the end, says so, is
    as it was made, has the seal of this batch, and is not withdrawn; an item where all its cables did."""
    return 0 if tally.complete and tally.passed == tally.count else 1


# Which batch


def _check(arguments: argparse.Namespace) -> None:
    """What is wrong with the options alone."""
    if arguments.resume and arguments.new:
        raise UsageError("`--resume` goes on with a batch and `--new` begins one; give one of them")
    if arguments.count is not None and arguments.count > MOST_CABLES:
        raise UsageError(f"`--count {arguments.count}`: a batch has {MOST_CABLES} cables at most")
    if arguments.labels:
        check_new(arguments.labels)
        if not arguments.labels.absolute().parent.is_dir():
            file, folder = (
                printable(str(path), most=4096) for path in (arguments.labels, arguments.labels.parent)
            )
            raise UsageError(f"`--labels {file}`: there is no folder `{folder}`")


def _places(arguments: argparse.Namespace) -> list[Path]:
    """Where its records may be; a board on a port may turn out to be a virtual one, which is the second."""
    if arguments.records:
        return [arguments.records]
    if is_virtual(arguments.port):
        return [default_place(simulated=True)]
    return [default_place(), default_place(simulated=True)]


def _unfinished(stores: Sequence[Store]) -> tuple[list[Store], LoadedProfile]:
    """The one place with a batch to go on with, and the profile of that batch. Raises UsageError where there
    is none, or more than one."""
    found: list[tuple[Store, Batch]] = []
    for store in stores:
        for profile in dict.fromkeys(batch.profile for batch in store.batches()):
            latest = _latest(store, profile)
            if latest and not tally_of(store, latest).complete:
                found.append((store, latest.batch))
    if len(found) == 1:
        store, batch = found[0]
        try:
            return [store], find_profile(batch.profile, library_folders())
        except (ProfileError, UsageError) as error:
            raise UsageError(
                f"batch `{batch.id}` is not complete, but the library has no profile `{batch.profile}`",
                hint="give the profile's file before `--resume`",
            ) from error
    if found:
        raise UsageError(
            f"{len(found)} batches are not complete: {ticked(batch.id for _, batch in found)}",
            hint="give the PROFILE of the one to go on with",
        )
    where = " or ".join(f"`{store.place}`" for store in stores)
    raise UsageError(f"no batch in {where} is to be gone on with", hint="PROFILE begins one")


def _latest(store: Store, profile: str) -> Document | None:
    """The latest batch of a profile that is as it was made. Others are told of, and are in no way of it."""
    for batch in reversed(store.batches(profile)):
        try:
            return document_of(batch)
        except NotGenuine as error:
            _say_once(f"batch `{batch.path}` is passed over, it is not as it was made: {error.reason}")
    return None


@functools.cache
def _say_once(text: str) -> None:
    """What comes up as often as it is looked which batch is meant."""
    say(printable(text, most=4096))


def _begun(store: Store, job: Job, arguments: argparse.Namespace) -> tuple[Document, Tally] | None:
    """The batch to go on with, and what it has come to; None where one is to begin. Raises UsageError."""
    document = _latest(store, job.profile.id)
    batch = document.batch if document else None
    tally = tally_of(store, document) if document else None
    if not arguments.resume:
        # One in which nothing was tested is none that anybody would miss.
        if batch and tally and tally.tests and not tally.complete and not arguments.new:
            same = job.loaded.sha256 == batch.sha256_of_profile
            raise UsageError(
                f"batch `{batch.id}` is not complete: {_how_far(tally)}",
                hint="`--resume` goes on with it, `--new` begins another"
                if same
                else "the profile has changed since, so it cannot be gone on with: `--new` begins another",
            )
        return None
    if not (document and batch and tally):
        raise UsageError(
            f"profile `{job.profile.id}` has no batch in `{store.place}` to go on with",
            hint="without `--resume` one begins",
        )
    if tally.complete:
        raise UsageError(
            f"batch `{batch.id}` is complete: {tally.passed} of {tally.count} passed",
            hint="without `--resume` another begins",
        )
    if job.loaded.sha256 != batch.sha256_of_profile:
        raise UsageError(
            f"the profile is another than when batch `{batch.id}` began: `{job.loaded.path}` has the SHA-256 "
            f"{job.loaded.sha256[:12]}…, and the batch began with {batch.sha256_of_profile[:12]}…",
            hint="go on with the profile as it was, or begin another batch: `--new`",
        )
    if arguments.count not in (None, batch.count):
        raise UsageError(
            f"`--count {arguments.count}`: batch `{batch.id}` began with {batch.count}",
            hint="leave it out, or begin another batch: `--new`",
        )
    _check_limits(store, document, job)
    return document, tally


def _how_far(tally: Tally) -> str:
    waiting = f"; `{tally.to_mend.serial}` is still to be mended" if tally.to_mend else ""
    return f"{standing(tally)}{waiting}"


def _check_limits(store: Store, document: Document, job: Job) -> None:
    """Raises UsageError where the tests so far had another `--max-ohms`: one batch, one measure."""
    records = records_of(store, document)
    if not records:
        return  # or none that is as it was made: `records verify` has more to say of it
    limits = records[-1].doc["limits"]
    before = limits["max_ohms"] if limits.get("by_hand") else None
    if before != job.ohms_by_hand:
        given = f"had `--max-ohms {before:g}`" if before is not None else "had no `--max-ohms`"
        raise UsageError(
            f"the cables of batch `{document.batch.id}` {given} till now",
            hint="go on with the same, or begin another batch: `--new`",
        )


def _new(store: Store, job: Job, arguments: argparse.Namespace, *, simulated: bool) -> tuple[Document, Tally]:
    """A batch that begins now."""
    profile, count = job.profile, arguments.count or 1
    named = {
        "id": profile.id,
        "title": profile.title,
        "revision": profile.revision,
        "sha256": job.loaded.sha256,
    }
    started = rfc3339(datetime.now(UTC))
    batch = store.new_batch(
        profile.id,
        lambda id: batch_document(
            id,
            profile=named,
            count=count,
            operator=job.operator,
            started=started,
            simulated=simulated,
            host=__version__,
        ),
    )
    try:
        return document_of(batch), Tally(count)
    except NotGenuine as error:
        raise RecordsError(f"batch `{batch.path}` is not as it was made: {error.reason}") from error


# Labels


def _print_labels(store: Store, serials: Sequence[str], file: Path, stock: Stock, *, aloud: bool) -> None:
    from pinwright.sheets.label import labels_pdf  # typst takes its time to load

    labels, wrong = labelled(store, serials)
    for path, _, why in wrong:
        raise RecordsError(f"`{path}` has no label: {why}")
    write_new(file, labels_pdf(labels, stock))
    if aloud:
        show_text(f"{file}: {told_of_sheets(len(labels), stock)}")


def _label_command(arguments: argparse.Namespace, serials: Sequence[str], *, simulated: bool) -> str:
    """What makes the same labels afterwards."""
    words = ["pinwright", "label", *serials, "--out", "FILE"]
    for name in ("size", "paper", "grid", "margin", "gap", "flag", "skip", "copies"):
        value = getattr(arguments, name)
        words += [f"--{name}", str(value)] if value != _USUAL.get(name) else []
    words += [f"--{name}" for name in ("roll", "outline") if getattr(arguments, name)]
    if arguments.records:
        words += ["--records", str(arguments.records)]
    elif simulated:
        words.append("--simulated")
    return shlex.join(words)
