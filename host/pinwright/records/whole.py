"""A file that is there as a whole or not at all, whatever happens while it is written; and how a file gets a
name that nothing has yet."""

from __future__ import annotations

import contextlib
import errno
import os
import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

_TAG_BYTES = 8  # that tell one attempt from another
# What a disk without hard links, such as FAT, answers to one.
_NO_HARD_LINKS = (errno.EPERM, errno.EINVAL, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP)


@contextmanager
def whole_file(path: Path) -> Iterator[IO[bytes]]:
    """A new file to write, which can be read back too. It gets its name at the end of the block, flushed to
    the disk; where the block raises there is none.

    Until then it is a hidden file beside it, which a program that is killed leaves there; the next that
    succeeds under that name takes it away. Raises FileExistsError rather than replace a file, and OSError.
    """
    if os.path.lexists(path):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
    unfinished = path.with_name(f".{path.name}.{secrets.token_hex(_TAG_BYTES)}.unfinished")
    try:
        with open(unfinished, "x+b") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        if link(unfinished, path):
            unfinished.unlink()
        flush_names(path.parent)
    except BaseException:
        with contextlib.suppress(OSError):
            unfinished.unlink(missing_ok=True)
        raise
    # Now that the name is taken, nobody else who writes under it can succeed.
    ours = re.compile(rf"\.{re.escape(path.name)}\.[0-9a-f]{{{2 * _TAG_BYTES}}}\.unfinished")
    with contextlib.suppress(OSError):
        for left in path.parent.iterdir():
            if ours.fullmatch(left.name):
                left.unlink(missing_ok=True)


def link(unfinished: Path, path: Path) -> bool:
    """Put the file under its name too: True; on a disk without hard links under that name alone: False.
    Raises FileExistsError rather than replace one, and OSError."""
    try:
        os.link(unfinished, path)
    except OSError as error:
        if error.errno not in _NO_HARD_LINKS:
            raise
        # Who takes turns by a lock waits for it, so nothing comes between looking and renaming.
        if os.path.lexists(path):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path)) from None
        os.rename(unfinished, path)
        return False
    return True


def flush_names(folder: Path) -> None:
    """Flush the folder itself, so that a new name outlives a power cut. Windows has no such call."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno != errno.EINVAL:  # some network disks do not know it
            raise
    finally:
        os.close(handle)
