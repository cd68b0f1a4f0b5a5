"""How fast a folder of very many records is: `python tests/benchmarks/records.py` prints a table.

Makes COUNT records (100,000 unless another number is given) in a temporary folder. They are of a small cable
that was made up, on a tester with a lane, good and bad ones, without PDFs and pages; they differ in serial,
time, result and operator, and each is sealed by itself. Nothing is asserted here; the machine that the times
were taken on belongs beside them.
"""

from __future__ import annotations

import os
import platform
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "host")]

from tests.records.making import SWAPPED, a_record, sealed  # noqa: E402

from pinwright.records.entries import Query  # noqa: E402
from pinwright.records.store import Store  # noqa: E402

COUNT = 100_000
FIRST = datetime(2021, 1, 1, tzinfo=UTC)
OPERATORS = [f"Operator {n}" for n in range(40)]
Row = tuple[str, str]


def records(count: int) -> Iterator[tuple[str, bytes]]:
    """Name and bytes of each: every 25th cable failed and was tested again."""
    good, bad = a_record(lane="calibrated"), a_record(SWAPPED, lane="calibrated", joints={"A.3": 9.0})
    n, made = 0, 0
    while made < count:
        n += 1
        for test, doc in [(1, bad), (2, good)] if n % 25 == 0 else [(1, good)]:
            serial = f"HL40-{n:04}"
            started = FIRST + timedelta(minutes=26 * made)
            scan = doc["scan"] | {
                "serial": serial,
                "operator": OPERATORS[made % len(OPERATORS)],
                "started": started.strftime("%Y-%m-%dT%H:%M:%SZ"),
            }
            number = f"{serial}.test-{test}"
            own = doc | {"serial": serial, "test": test, "number": number, "scan": scan}
            yield f"{number}.{doc['kind']}.json", sealed(own)
            made += 1
            if made == count:
                return


def milliseconds(work: Callable[[], Any], times: int = 5) -> str:
    """The best of a few."""
    best = min(_timed(work) for _ in range(times))
    return f"{best * 1000:,.1f} ms"


def seconds(work: Callable[[], Any]) -> str:
    return f"{_timed(work):,.1f} s"


def _timed(work: Callable[[], Any]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def command(*words: str) -> None:
    """A whole command, as a program of its own; what it shows goes nowhere."""
    subprocess.run(
        [sys.executable, "-m", "pinwright", *words],
        env={**os.environ, "PYTHONPATH": str(ROOT / "host")},
        stdout=subprocess.DEVNULL,
        check=True,
    )


def saved(store: Store) -> None:
    """The next serial, and a record under it."""
    doc = a_record()
    store.save(
        lambda serial, test: doc | {"serial": serial, "number": f"{serial}.test-{test}"},
        kind="certificate",
        serial=None,
        pattern="HL40-{:04}".format,
        again=False,
    )


def rows(place: Path, count: int) -> Iterator[Row]:
    store, some = Store(place), f"HL40-{count // 2:04}"
    yield "make the index anew (`records reindex`)", seconds(store.reindex)
    yield "size of the index", f"{(place / '.index' / 'records.sqlite').stat().st_size / 1e6:,.0f} MB"
    store.check_writable()  # notes the time of the folder
    yield f"list by serial ({some})", milliseconds(lambda: store.found(Query(serial=some)))
    yield (
        "list by the beginning of a serial (11 cables)",
        milliseconds(lambda: store.found(Query(serial=f"{some[:-1]}*"))),
    )
    yield "serials for completion", milliseconds(lambda: store.cables("hl40-01", 50))
    yield (
        f"list by serial, the whole command ({some})",
        milliseconds(lambda: command("records", "list", "--serial", some, "--records", str(place))),
    )
    searches = {
        "by date (a day)": Query(since="2023-05-05", until="2023-05-05"),
        "by batch": Query(batch="five-1"),
        "by text (an operator)": Query(words=("operator 17",)),
        "failed": Query(result="fail"),
        "latest": Query(latest=True),
        "by profile (all of them)": Query(profile="five"),
    }
    for what, query in searches.items():
        found = len(store.found(query))
        yield f"list {what}: {found:,} records", milliseconds(lambda query=query: store.found(query), 2)  # type: ignore[misc]
    yield "what a report needs, all of the profile", seconds(lambda: store.measured("five"))
    yield (
        "list, the whole command, everything",
        seconds(lambda: command("records", "list", "--records", str(place))),
    )
    yield "save under the next serial", milliseconds(lambda: saved(store))
    name, data = next(records(1))

    def foreign() -> None:
        (place / name.replace("HL40", "NEW")).write_bytes(data)
        store.found(Query(serial="NEW-0001"))
        (place / name.replace("HL40", "NEW")).unlink()

    yield "list by serial after one foreign file came", milliseconds(foreign, 3)

    def on_all() -> None:
        try:
            command("records", "verify", str(place))
        except subprocess.CalledProcessError as error:
            if error.returncode != 1:  # the saved ones hold another serial inside than on their name
                raise

    took = _timed(on_all)
    yield f"verify all, {os.cpu_count()} processors", f"{took:,.1f} s"
    yield "verify, for each record and processor", f"{took * (os.cpu_count() or 1) * 1000 / count:,.1f} ms"


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else COUNT
    place = Path(tempfile.mkdtemp(prefix="pinwright-records-"))
    try:
        begun = time.perf_counter()
        size = 0
        for name, data in records(count):
            (place / name).write_bytes(data)
            size += len(data)
        took = time.perf_counter() - begun
        print(f"{count:,} records, {size / count:,.0f} bytes each, written in {took:,.0f} s")
        print(
            f"{platform.machine()}, {os.cpu_count()} processors, Python {platform.python_version()}, "
            f"SQLite {sqlite3.sqlite_version}\n"
        )
        for what, value in rows(place, count):
            print(f"{what:<60} {value:>12}", flush=True)
    finally:
        shutil.rmtree(place)


if __name__ == "__main__":
    main()
