"""Files that a person asked for by name."""

from __future__ import annotations

from pathlib import Path

from pinwright.cable.wiring import printable
from pinwright.errors import UsageError


def check_new(path: Path) -> None:
    """Raises UsageError where something has that name already: to say so before there is work to lose."""
    try:
        there = path.is_symlink() or path.exists()
    except (OSError, ValueError):  # `write_new` says it
        return
    if there:
        raise _taken(path)


def write_new(path: Path, data: bytes) -> None:
    """A file that was not there before, with all of the data, or none. Raises UsageError."""
    try:
        path.touch(exist_ok=False)
        try:
            path.write_bytes(data)
        except OSError:
            path.unlink()
            raise
    except FileExistsError:
        raise _taken(path) from None
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        why = getattr(error, "strerror", None) or error
        raise UsageError(f"`{_name(path)}` cannot be written: {why}") from error


def _taken(path: Path) -> UsageError:
    return UsageError(f"`{_name(path)}` exists already; it was not touched")


def _name(path: Path) -> str:
    return printable(str(path), most=4096)
