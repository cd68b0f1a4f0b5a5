"""Finds and reads profiles. The only importer of tomllib for them; adds the file to every error."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from pinwright import resources
from pinwright.cable.profile import Profile
from pinwright.cable.wiring import printable
from pinwright.errors import OwnBug, ProfileError, UsageError
from pinwright.tester.fixture import Fixture

MOST_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class LoadedProfile:
    """A profile with the file it came from. sha256: of the file's bytes, in hex."""

    profile: Profile
    path: Path
    text: str
    sha256: str


def read_profile(path: Path | str) -> LoadedProfile:
    """Read one profile. Raises ProfileError that names the file."""
    path = Path(path)
    try:
        content = _content(path)
        text = _decoded(content)
        profile = Profile.from_dict(_tables(text))
    except ProfileError as error:
        raise error.in_file(printable(str(path), most=4096)) from error.__cause__
    return LoadedProfile(profile, path, text, hashlib.sha256(content).hexdigest())


def library_folders() -> tuple[Path, ...]:
    """The folders that `find_profile` looks in by id."""
    return (resources.folder("profiles"),)


def all_profiles(folders: Sequence[Path]) -> Iterator[LoadedProfile | ProfileError]:
    """Every profile of the folders and their subfolders, or what is wrong with it, in order of path.

    Leaves out `broken`, whose files are wrong on purpose.
    """
    for folder in folders:
        for path in sorted(folder.rglob("*.toml")):
            if "broken" not in path.relative_to(folder).parts:
                try:
                    yield read_profile(path)
                except ProfileError as error:
                    yield error


def find_profile(name_or_path: str, folders: Sequence[Path]) -> LoadedProfile:
    """The profile in a `.toml` file, or the one of the library with that id.

    Raises ProfileError if the file is at fault, UsageError if no profile or more than one has the id.
    """
    if name_or_path.endswith(".toml"):
        return read_profile(name_or_path)
    known: dict[str, list[LoadedProfile]] = {}
    for loaded in all_profiles(folders):
        if isinstance(loaded, LoadedProfile):
            known.setdefault(loaded.profile.id, []).append(loaded)
        elif Path(loaded.file).stem == name_or_path:
            raise loaded
    found = known.get(name_or_path, [])
    if len(found) == 1:
        return found[0]
    name = printable(name_or_path)
    if found:
        files = " and ".join(f"`{loaded.path}`" for loaded in found)
        raise UsageError(f"several profiles have the id `{name}`: {files}", hint="name the file instead")
    looked = " and ".join(f"`{folder}`" for folder in folders)
    close = ", ".join(f"`{id}`" for id in get_close_matches(name, sorted(known)))
    raise UsageError(
        f"no profile has the id `{name}` in {looked}" + (f"; close to it: {close}" if close else ""),
        hint="the name of a file must end in `.toml`",
    )


def read_fixture() -> Fixture:
    """The sockets of the 128-point tester, as they travel with the program. Raises OwnBug."""
    path = resources.folder("hardware") / "fixtures" / "tester-128.toml"
    try:
        return Fixture.from_dict(tomllib.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError) as error:
        raise OwnBug(f"the fixture `{path}` cannot be read: {error}") from error


def _content(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise ProfileError("", "no such file") from None
    except IsADirectoryError:
        raise ProfileError("", "is a folder, not a file") from None
    except OSError as error:
        raise ProfileError("", f"cannot be read: {error.strerror or error}") from error
    except ValueError as error:  # a path that no file can have, such as one with a NUL in it
        raise ProfileError("", f"cannot be read: {error}") from error
    if len(content) > MOST_BYTES:
        raise ProfileError("", f"is larger than {MOST_BYTES} bytes, which no profile is")
    return content


def _decoded(content: bytes) -> str:
    try:
        return content.decode("utf-8-sig")  # some editors begin a file with a byte order mark
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise ProfileError("", f"is not UTF-8 text, in line {line}") from None


def _tables(text: str) -> dict[str, object]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProfileError("", f"is not TOML: {printable(str(error), most=200)}") from None
    except (ValueError, RecursionError):  # a number of thousands of digits, brackets a thousand deep
        raise ProfileError("", "is not TOML that can be read: a number too long or tables too deep") from None
