"""A folder of records as one ZIP: written whole, read back, and taken in again member by member.

Members are named as the files are, so whoever unpacks one has the folder. The last member, `manifest.json`,
is sealed as records are and gives the size and SHA-256 of each. A ZIP that is read may come from anybody:
members are read by their names and never unpacked to a path; what cannot be a member of ours is named.
"""

from __future__ import annotations

import hashlib
import struct
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from pinwright.records.document import NotGenuine, canonical, open_sealed, seal
from pinwright.records.entries import Told
from pinwright.records.record import MOST_BYTES, open_regular
from pinwright.records.rows import kind_of

MANIFEST = "manifest.json"
MANIFEST_SCHEMA = "pinwright/manifest-1"
_PART = 1 << 18
_MANIFEST_BYTES, _A_MEMBERS_BYTES = 1 << 16, 1 << 10  # of a manifest, and of what it says of one member
_A_FILE = 0o644 << 16  # what Unix is told of a member: without it, unpacked files may be read by nobody
_OLDEST = (1980, 1, 1, 0, 0, 0)  # a ZIP has no earlier time
# In this order members can be taken in.
_ORDER = ("batch", "record", "remark")
_ENCRYPTED = 1  # a bit of a member's flags. Source: PKWARE's APPNOTE.TXT, 4.4.4, from memory
# What zipfile raises where a ZIP is not as it should be.
_DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    EOFError,
    OSError,
    ValueError,
    NotImplementedError,
    RuntimeError,
)


class Spoiled(Exception):
    """What was written is not what is read back. message: what differs."""


def write_backup(file: IO[bytes], paths: Sequence[Path], made: str, host: str, told: Told) -> dict[str, Any]:
    """Copy these files into a new ZIP, read it back, and return its manifest.

    file: open for writing and reading. paths: regular files that no longer change. made: RFC 3339. host: this
    version. told: how many of twice as many are done. Raises OSError, also where a file is gone or is no
    regular one, and Spoiled.
    """
    of, members = 2 * len(paths), []
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as archive:
        for count, path in enumerate(paths):
            told(count, of)
            size, sha256 = _copy(path, archive)
            members.append({"name": path.name, "size": size, "sha256": sha256})
        manifest = seal(
            {
                "schema": MANIFEST_SCHEMA,
                "made": made,
                "host": host,
                "counts": _counts(path.name for path in paths),
                "members": members,
            }
        )
        data = canonical(manifest)
        archive.writestr(_info(MANIFEST, _OLDEST), data)
    file.flush()
    wanted = {str(one["name"]): str(one["sha256"]) for one in members}
    wanted[MANIFEST] = hashlib.sha256(data).hexdigest()
    _read_back(file, wanted, lambda done: told(len(paths) + done, of))
    return manifest


def _counts(names: Iterable[str]) -> dict[str, int]:
    """How many of each kind there are, of kinds that there are."""
    counted = Counter(map(kind_of, names))
    kinds = {"records": "record", "remarks": "remark", "batches": "batch", "documents": "drawn"}
    return {many: counted[kind] for many, kind in kinds.items() if counted[kind]}


def _info(name: str, moment: tuple[int, int, int, int, int, int]) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, moment)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = _A_FILE
    return info


def _copy(path: Path, archive: zipfile.ZipFile) -> tuple[int, str]:
    """Size and SHA-256 of a file that was added."""
    size, sha256 = 0, hashlib.sha256()
    with open_regular(path) as source, archive.open(_info(path.name, _OLDEST), "w") as into:
        while part := source.read(_PART):
            size += len(part)
            sha256.update(part)
            into.write(part)
    return size, sha256.hexdigest()


def _read_back(file: IO[bytes], wanted: Mapping[str, str], told: Callable[[int], None]) -> None:
    """Raises Spoiled unless the ZIP has these members, with these hashes."""
    try:
        with zipfile.ZipFile(file) as archive:
            names = archive.namelist()
            if names != list(wanted):
                raise Spoiled(f"{len(names)} of {len(wanted)} members are in it")
            for count, name in enumerate(names):
                told(count)
                sha256 = hashlib.sha256()
                with archive.open(name) as member:
                    while part := member.read(_PART):
                        sha256.update(part)
                if sha256.hexdigest() != wanted[name]:
                    raise Spoiled(f"member `{name}` is not what was written")
    except _DAMAGED as error:
        raise Spoiled(str(error)) from error


@dataclass(frozen=True, slots=True)
class Member:
    """A member of a backup. data: of a document that can be taken in; None where why says what is wrong."""

    name: str
    data: bytes | None
    why: str = ""


def is_zip(file: IO[bytes]) -> bool:
    """Whether a file begins as a ZIP does. It has to be one that can be gone back in."""
    start = file.read(4)
    file.seek(0)
    return start in (b"PK\x03\x04", b"PK\x05\x06")


class Backup:
    """A ZIP that is to be taken in. Raises NotGenuine where it cannot be read as one."""

    def __init__(self, file: IO[bytes]) -> None:
        try:
            self._archive = zipfile.ZipFile(file)
            self._infos = self._archive.infolist()
        except _DAMAGED as error:
            raise NotGenuine(f"it is no ZIP that can be read: {error}") from None

    def members(self) -> Iterator[Member]:
        """Its documents in an order in which they can be taken in; before them what is wrong with the rest.

        What was drawn from records is passed over: it follows from them.
        """
        kinds = {info.filename: kind_of(info.filename) for info in self._infos}
        twice = {name for name, count in Counter(info.filename for info in self._infos).items() if count > 1}
        yield from (Member(name, None, "several members of it have this name") for name in sorted(twice))
        for name, kind in kinds.items():
            if not kind and name != MANIFEST:
                yield Member(name, None, "nothing in a folder of records is named so; it was not unpacked")
        infos = {info.filename: info for info in self._infos if info.filename not in twice}
        told, wrong = self._manifest(infos)
        yield from (one for one in wrong if one.name not in twice)
        for wanted in _ORDER:
            for name in (name for name in infos if kinds[name] == wanted):
                yield self._member(infos[name], told)

    def count(self) -> int:
        """How many documents it has."""
        return sum(kind_of(info.filename) in _ORDER for info in self._infos)

    def _manifest(
        self, infos: Mapping[str, zipfile.ZipInfo]
    ) -> tuple[Mapping[str, str] | None, list[Member]]:
        """Name → SHA-256 of all that was copied, None where nothing says so; and what is wrong with it."""
        if MANIFEST not in infos:
            return None, [
                Member(MANIFEST, None, "it is not there, so nobody knows whether the backup is whole")
            ]
        try:
            data = self._read(infos[MANIFEST], _MANIFEST_BYTES + _A_MEMBERS_BYTES * len(infos))
            doc = open_sealed(data)
            if doc["schema"] != MANIFEST_SCHEMA:
                raise NotGenuine("it is no manifest of a backup, by its schema")
            told = {str(one["name"]): str(one["sha256"]) for one in doc["members"]}
        except NotGenuine as error:
            return None, [Member(MANIFEST, None, error.reason)]
        except (KeyError, TypeError):
            return None, [
                Member(MANIFEST, None, "it lacks what a manifest holds, or holds it in another form")
            ]
        gone = [
            Member(name, None, "the manifest has it, and it is gone") for name in told if name not in infos
        ]
        return told, gone

    def _member(self, info: zipfile.ZipInfo, told: Mapping[str, str] | None) -> Member:
        try:
            data = self._read(info, MOST_BYTES)
        except NotGenuine as error:
            return Member(info.filename, None, error.reason)
        if told is not None and told.get(info.filename) != hashlib.sha256(data).hexdigest():
            return Member(info.filename, None, "it is not what the manifest says that was copied")
        return Member(info.filename, data)

    def _read(self, info: zipfile.ZipInfo, most: int) -> bytes:
        """Raises NotGenuine where a member is larger, or damaged, or of a kind that no backup has."""
        if (
            info.compress_type not in (zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED)
            or info.flag_bits & _ENCRYPTED
        ):
            raise NotGenuine("it is packed as no backup is")
        if info.file_size > most:
            raise NotGenuine(f"it is larger than {most} bytes, which no document is")
        try:
            with self._archive.open(info) as member:
                data = member.read(most + 1)
        except _DAMAGED as error:
            raise NotGenuine(f"it is damaged: {error}") from None
        if len(data) != info.file_size:
            raise NotGenuine("it is damaged: it has another size than it should")
        return data
