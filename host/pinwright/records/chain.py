"""Records that others name: a test the one before it, a remark the one that it is about. They prove each
other only where they lie beside each other, in one folder."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from pinwright.records.document import SEAL, NotGenuine, is_sealed
from pinwright.records.record import bytes_of
from pinwright.records.rows import NamedRemark, named
from pinwright.records.store import PREVIOUS


def check_earlier(folder: Path, doc: Mapping[str, Any]) -> None:
    """Raises NotGenuine unless the earlier test that a record names, if it does, is in the folder and has the
    seal that it should have; and OSError where it cannot be read."""
    if earlier := doc.get(PREVIOUS):
        check_beside(folder, earlier, "the earlier test that it names")


def check_beside(folder: Path, told: Mapping[str, str], what: str) -> None:
    """Raises NotGenuine unless the record with this number and seal is in the folder."""
    there = [
        folder / name
        for kind in ("certificate", "report")
        for name in _spelt(folder, f"{told['number']}.{kind}.json")
    ]
    if not there:
        raise NotGenuine(f"{what}, `{told['number']}`, is gone")
    if not any(_has_seal(bytes_of(path), told[SEAL]) for path in there):
        raise NotGenuine(f"{what}, `{told['number']}`, has not the SHA-256 {told[SEAL]}")


def is_withdrawn(folder: Path, number: str) -> bool:
    """Whether a withdrawal of the test of this number lies in a folder, whatever it says. Raises OSError."""
    return number.casefold() in _withdrawn_in(folder, os.stat(folder).st_mtime_ns)


@lru_cache(maxsize=1)
def _withdrawn_in(folder: Path, stamp: int) -> Collection[str]:
    """Numbers, in lower case, of the tests that are withdrawn there. stamp: as of _names_in."""
    found = map(named, (name for name in os.listdir(folder) if ".withdrawal-" in name.casefold()))
    return {
        f"{one.serial}.test-{one.test}".casefold()
        for one in found
        if isinstance(one, NamedRemark) and one.kind == "withdrawal"
    }


def _has_seal(data: bytes, sha256: str) -> bool:
    return f'"{SEAL}":"{sha256}"'.encode() in data and is_sealed(data)


def _spelt(folder: Path, name: str) -> list[str]:
    """The names in the folder that are this one, in whatever case."""
    if os.path.exists(folder / name):
        return [name]
    return _names_in(folder, os.stat(folder).st_mtime_ns).get(name.casefold(), [])


@lru_cache(maxsize=1)
def _names_in(folder: Path, stamp: int) -> Mapping[str, list[str]]:
    """Name in lower case → as it is spelt. stamp: the folder's time of change, while it stays the same."""
    names: dict[str, list[str]] = {}
    for name in os.listdir(folder):
        names.setdefault(name.casefold(), []).append(name)
    return names
