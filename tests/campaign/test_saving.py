"""Programs killed at random moments of saving, noting, withdrawing and indexing; and two that save at once.

`PINWRIGHT_CAMPAIGN=full` strikes five hundred moments and has two programs save a thousand records each.
Otherwise it is fewer, at other moments every time; `PINWRIGHT_SEED` repeats the moments of one.

Whenever a program dies: what it reported saved is there, sealed, and found by the index; what it was about to
save is there whole or not at all; and the next one goes on.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import subprocess
import sys
import textwrap
from collections.abc import Mapping
from pathlib import Path

import pytest

from pinwright.records.document import open_sealed
from pinwright.records.store import Store

FULL = os.environ.get("PINWRIGHT_CAMPAIGN") == "full"
MOMENTS, SERIALS = (500, 1000) if FULL else (40, 100)
HOST = Path(__file__).parents[2] / "host"
STRUCK_AT_LEAST = 50 if FULL else 1  # moments that leave something to be finished; it is about a quarter

pytestmark = pytest.mark.skipif(
    not hasattr(os, "fork"), reason="programs are killed this way where there is fork"
)

SAVING = """
    import hashlib, json, os, random, signal, sys, time
    from pathlib import Path
    from pinwright.records import index, queries  # warm: every moment is one of saving, none of importing
    from pinwright.records.store import Store

    def drawn(record):
        return {"pdf": hashlib.shake_256(b"pdf" + record).digest(60_000)}

    def make(serial, test):
        return {"serial": serial, "test": test, "filler": "x" * 5000}

    def save(store, serial=None, draw=drawn):
        again = serial is not None
        saved = store.save(make, kind="report", serial=serial, pattern="S{}".format, again=again, draw=draw)
        return f"{saved.serial}.test-{saved.test}.report"

    def remark(store, kind, serial, test):
        about = {"by": None, "made": "2026-03-02T10:00:00Z", "host": "0.5.0"}
        return store.remark(kind, serial, test, "said", **about).name.removesuffix(".json")
"""


def python(script: str, *words: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(SAVING) + textwrap.dedent(script), *map(str, words)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(HOST)},
    )


def drawn(record: bytes) -> Mapping[str, bytes]:
    return {"pdf": hashlib.shake_256(b"pdf" + record).digest(60_000)}


def whole_in(place: Path) -> set[str]:
    """The stems of all documents in the folder. Whatever a person sees there has to be whole."""
    stems = set()
    for path in sorted(place.glob("[!.]*")):
        if path.suffix == ".json":
            open_sealed(path.read_bytes())
            stems.add(path.stem)
        else:
            assert drawn(path.with_suffix(".json").read_bytes())["pdf"] == path.read_bytes(), path
    return stems


KILLED = """
    chance, told = random.Random(int(sys.argv[2])), []
    struck = {"unfinished": 0, "between names": 0, "out of step": 0}

    def doing(store, what, mine):
        if what == "save":
            return save(store)
        if what == "again":
            return save(store, serial="S1")
        if what == "reindex":
            return f"{store.reindex()} records"
        records = [name for name in mine if name.endswith(".report")]
        serial, test = chance.choice(records).removesuffix(".report").rsplit(".test-", 1)
        if what == "withdrawal":  # each of them once: another is refused
            serial, test = save(store).removesuffix(".report").rsplit(".test-", 1)
        return remark(store, what, serial, int(test))

    for moment in range(int(sys.argv[3])):
        if moment % 20 == 0:
            place = Path(sys.argv[1]) / str(moment // 20)
            store, mine = Store(place), []
            told.append(mine)
            begun = time.perf_counter()
            mine += [save(store) for _ in range(5)]
            a_save_s = (time.perf_counter() - begun) / 5
        what = chance.choice(("save", "save", "again", "note", "withdrawal", "reindex"))
        reading, writing = os.pipe()
        child = os.fork()
        if not child:
            chance.seed(moment)
            while True:
                os.write(writing, doing(store, what, mine).encode() + b"\\n")
        os.close(writing)
        first = os.read(reading, 4000) if chance.random() < 0.8 else b""
        time.sleep(chance.uniform(0, 1.5 * a_save_s))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with open(reading, "rb") as rest:
            reported = (first + rest.read()).decode().splitlines()
        mine += [name for name in reported if " records" not in name]
        names = {path.name for path in place.iterdir()}
        struck["unfinished"] += any(name.endswith(".unfinished") for name in names)
        struck["between names"] += any(
            name.endswith(".report.json") and name.replace(".json", ".pdf") not in names for name in names
        )
        struck["out of step"] += (place / ".index" / "records.sqlite-wal").exists()
        found = {f"{one.entry.serial}.test-{one.entry.test}.report" for one in store.found()}
        records = {name for name in mine if name.endswith(".report")}
        assert records <= found, (moment, what, records - found)
        mine.append(save(store))
        names = {path.name for path in place.iterdir() if path.name not in (".lock", ".index")}
        assert not [name for name in names if name.startswith(".")], names
        assert {name[:-5] for name in names if name.endswith(".pdf.json")} == set()
        missing = {name.replace(".json", ".pdf") for name in names if name.endswith(".report.json")} - names
        assert not missing, (moment, what, missing)
    print(json.dumps([told, struck]))
"""


def test_a_program_killed_at_any_moment_loses_nothing_that_it_reported(tmp_path: Path) -> None:
    """There is a new folder for every twenty moments, so that a save takes about as long every time."""
    seed = int(os.environ.get("PINWRIGHT_SEED") or random.randrange(1 << 30))
    print(f"PINWRIGHT_SEED={seed}")
    program = python(KILLED, tmp_path, seed, MOMENTS)
    out = program.communicate(timeout=600)[0]
    assert 0 == program.returncode
    told, struck = json.loads(out)
    print(f"of {MOMENTS} moments: {', '.join(f'{count} {what}' for what, count in struck.items())}")
    kept = 0
    for number, mine in enumerate(told):
        store = Store(tmp_path / str(number))
        there = whole_in(store.place)
        kept += len(there)
        assert set() == set(mine) - there
        # What a program was about to report when it died, and the records that it withdrew, are beyond it.
        assert len(there - set(mine)) <= 20 + sum(".withdrawal-" in name for name in there)
        found = {f"{one.entry.serial}.test-{one.entry.test}.report" for one in store.found()}
        remarks = {one.number for serial in store.cables("", 10**6) for one in store.remarks_of(serial)}
        assert there == found | remarks
        before = store.found()
        assert len(found) == store.reindex()
        assert before == store.found()
    print(f"{kept} documents are there and whole, {sum(map(len, told))} were reported")
    assert struck["unfinished"] >= STRUCK_AT_LEAST


TOGETHER = """
    store = Store(Path(sys.argv[1]))
    for _ in range(int(sys.argv[2])):
        print(save(store, draw=None))
"""


def test_two_programs_that_save_at_once_never_give_a_serial_twice(tmp_path: Path) -> None:
    programs = [python(TOGETHER, tmp_path, SERIALS) for _ in range(2)]
    told = [name for program in programs for name in program.communicate(timeout=300)[0].split()]
    assert [0, 0] == [program.returncode for program in programs]
    expected = [f"S{n}.test-1.report" for n in range(1, 2 * SERIALS + 1)]
    assert sorted(expected) == sorted(told) == sorted(whole_in(tmp_path))
    assert expected == [f"{one.serial}.test-1.report" for one in Store(tmp_path).entries()]
