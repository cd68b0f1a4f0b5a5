"""Finds and reads profiles, adapters and fixtures. The only importer of tomllib for them."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

import platformdirs

from pinwright import resources
from pinwright.cable.connectors import connector
from pinwright.cable.profile import Profile
from pinwright.cable.wiring import printable
from pinwright.errors import AdapterError, OwnBug, PinoutError, ProfileError, UsageError
from pinwright.tester.adapter import Adapter
from pinwright.tester.fixture import Fixture, plugs_straight_in

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
        content = content_of(path, ProfileError)
        text = _decoded(content, ProfileError)
        profile = profile_of(text)
    except ProfileError as error:
        raise error.in_file(printable(str(path), most=4096)) from error.__cause__
    return LoadedProfile(profile, path, text, hashlib.sha256(content).hexdigest())


def profile_of(text: str) -> Profile:
    """The profile in the text of a file, such as a record keeps. Raises ProfileError, which names no file."""
    return Profile.from_dict(tables_of(text, ProfileError))


def library_folders() -> tuple[Path, ...]:
    """The folders that `find_profile` looks in by id."""
    return (resources.folder("profiles"),)


def all_profiles(folders: Sequence[Path]) -> Iterator[LoadedProfile | ProfileError]:
    """Every profile of the folders and their subfolders, or what is wrong with it, in order of path.

    Leaves out `broken`, whose files are wrong on purpose.
    """
    return _read(_files(folders))


def library_profiles(folders: Sequence[Path]) -> tuple[Profile, ...]:
    """Every profile of the folders that can be read, in order of path: what a cable may be instead of what it
    should be. Takes a while; `profiles check` tells of those that cannot be read."""
    return tuple(found.profile for found in all_profiles(folders) if isinstance(found, LoadedProfile))


def _files(folders: Sequence[Path]) -> Iterator[Path]:
    for folder in folders:
        for path in sorted(folder.rglob("*.toml")):
            if "broken" not in path.relative_to(folder).parts:
                yield path


def _read(paths: Iterable[Path]) -> Iterator[LoadedProfile | ProfileError]:
    for path in paths:
        try:
            yield read_profile(path)
        except ProfileError as error:
            yield error


def _may_have(path: Path, id: str) -> bool:
    """Whether a profile can have that id, by a look that costs little: the file is named so, or has it."""
    try:
        return path.stem == id or id.encode() in path.read_bytes()
    except (OSError, ValueError):
        return True


def find_profile(name_or_path: str, folders: Sequence[Path]) -> LoadedProfile:
    """The profile in a `.toml` file, or the one of the library with that id.

    Raises ProfileError if the file is at fault, UsageError if no profile or more than one has the id.
    """
    if name_or_path.endswith(".toml"):
        return read_profile(name_or_path)
    everything = list(_files(folders))
    known: dict[str, list[LoadedProfile]] = {}
    # The whole library is read only where the id is not in it, to say what is close.
    for paths in ([path for path in everything if _may_have(path, name_or_path)], everything):
        known.clear()
        for loaded in _read(paths):
            if isinstance(loaded, LoadedProfile):
                known.setdefault(loaded.profile.id, []).append(loaded)
            elif Path(loaded.file).stem == name_or_path:
                raise loaded
        if name_or_path in known:
            break
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
        hint="`pinwright profiles list` lists them; the name of a file must end in `.toml`",
    )


def read_fixtures() -> dict[str, Fixture]:
    """The sockets of every tester, by the tester's id, as they travel with the program. Raises OwnBug."""
    fixtures = {}
    for path in sorted((resources.folder("hardware") / "fixtures").glob("*.toml")):
        try:
            fixture = Fixture.from_dict(tomllib.loads(path.read_text(encoding="utf-8")))
        except (OSError, ValueError) as error:
            raise OwnBug(f"the fixture `{path}` cannot be read: {error}") from error
        fixtures[fixture.id] = fixture
    return fixtures


def own_adapters() -> Path:
    """The folder of the person's own adapter files, beside the records."""
    return Path(platformdirs.user_data_dir("pinwright", appauthor=False)) / "adapters"


def read_adapters() -> tuple[Adapter, ...]:
    """The adapters that are known: the person's own, then those that travel with the program.

    An own one takes the place of what has its id, or takes the same connector for the same kind of socket.
    Raises AdapterError where a file is at fault, two own ones have one id or take the same, or one may be
    mistaken for another by its mark (both may then be for each other). Ours are compared with each other by a
    test only: to do that here would take longer than reading them.
    """
    own = _adapters(own_adapters())
    for path, one in own.items():
        for other_path, other in own.items():
            if path < other_path and _same_place(one, other):
                same = f"has the id `{one.id}`" if one.id == other.id else f"takes for `{one.fits}` the same"
                raise AdapterError("", f"{same} as `{path}`", file=str(other_path))
    shipped = {
        path: one
        for path, one in _adapters(resources.folder("hardware") / "adapters").items()
        if not any(_same_place(one, mine) for mine in own.values())
    }
    known = own | shipped
    for path, one in own.items():
        for other_path, other in known.items():
            if one is not other and one.mistaken_for(other):
                raise AdapterError(
                    "adapter.joined",
                    f"a scan could take it for `{other.id}` in `{other_path}`: where that one's spare "
                    "positions are, both join the same",
                    hint="give one of them another mark",
                    file=str(path),
                )
    return tuple(known.values())


def _same_place(one: Adapter, other: Adapter) -> bool:
    return one.id == other.id or (one.fits == other.fits and bool(set(one.takes) & set(other.takes)))


def _adapters(folder: Path) -> dict[Path, Adapter]:
    """Every adapter file of a folder, in order of path. A folder that is not there has none."""
    found = {}
    for path in sorted(folder.glob("*.toml")):
        try:
            text = _decoded(content_of(path, AdapterError), AdapterError)
            found[path] = adapter = Adapter.from_dict(tables_of(text, AdapterError))
            for name in adapter.takes:
                if plugs_straight_in(connector(name), adapter.fits):
                    raise AdapterError("adapter.takes", f"`{name}` plugs straight into `{adapter.fits}`")
        except AdapterError as error:
            hint = error.hint or "mend it, or take it out of the folder: every scan reads it"
            file = printable(str(path), most=4096)
            raise AdapterError(error.key, error.problem, hint=hint, file=file) from error.__cause__
    return found


Wrong = type[ProfileError] | type[AdapterError] | type[PinoutError]


def content_of(path: Path, wrong: Wrong) -> bytes:
    """The bytes of a file that a person names. Raises `wrong` where it cannot be read or is huge."""
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise wrong("", "no such file") from None
    except IsADirectoryError:
        raise wrong("", "is a folder, not a file") from None
    except OSError as error:
        raise wrong("", f"cannot be read: {error.strerror or error}") from error
    except ValueError as error:  # a path that no file can have, such as one with a NUL in it
        raise wrong("", f"cannot be read: {error}") from error
    if len(content) > MOST_BYTES:
        raise wrong("", f"is larger than {MOST_BYTES} bytes, which no {wrong.noun} is")
    return content


def _decoded(content: bytes, wrong: Wrong) -> str:
    try:
        return content.decode("utf-8-sig")  # some editors begin a file with a byte order mark
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise wrong("", f"is not UTF-8 text, in line {line}") from None


def tables_of(text: str, wrong: Wrong) -> dict[str, object]:
    """The tables of a TOML document. Raises `wrong` where it is none."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise wrong("", f"is not TOML: {printable(str(error), most=200)}") from None
    except (ValueError, RecursionError):  # a number of thousands of digits, brackets a thousand deep
        raise wrong("", "is not TOML that can be read: a number too long or tables too deep") from None
