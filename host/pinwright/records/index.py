"""The index of a folder of records: a database beside the files, made of them and brought in step with them
before it answers.

It may be deleted at any time. Whoever asks it something first looks whether this is still the folder that
was noted with it, with the same times of change, and whether the files in question still have size and time.
Where not, the names are listed, and what is new or changed is read. That takes the folder's lock; where the
lock or the disk cannot be had, the same is done in memory, so nothing that only reads ever fails or waits.

A time of change is noted only if any later change will give the folder another. The coarsest clock of a file
system goes in steps of two seconds (FAT; from memory), so it has to be older than that. Programs that copy a
folder with its index set that time to what it was elsewhere; which folder it is, and when the system itself
changed it last, they cannot set. Files whose contents were changed behind both size and time are not noticed:
`records verify` reads them all.
"""

from __future__ import annotations

import contextlib
import os
import re
import sqlite3
import weakref
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote

import sqlalchemy
from sqlalchemy import Column, Connection, Engine, MetaData, Select, String, Table, event, insert, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool, StaticPool

from pinwright.errors import RecordsError
from pinwright.records import tables
from pinwright.records.entries import Damaged, Unusable, Watched
from pinwright.records.rows import named
from pinwright.records.store import LOCK, reason
from pinwright.records.sync import add, listed, note, noted, seen, sync, timed, visible

T = TypeVar("T")
Question = Callable[[Connection], T]

FOLDER = ".index"
DATABASE = "records.sqlite"
_MIGRATIONS = Path(__file__).parent / "migrations"
_BUSY_S = 30.0
_COARSEST_NS = 2_000_000_000
# Where alembic keeps which revision a database has.
_VERSION = Table("alembic_version", MetaData(), Column("version_num", String(32), primary_key=True))

# What SQLite says of a file that is none of its databases any more, or not ours. Anything else is a disk that
# is full, read-only, busy or failing. Source: SQLite's documentation, "Result and Error Codes".
_DAMAGED = ("SQLITE_NOTADB", "SQLITE_CORRUPT", "SQLITE_CONSTRAINT", "SQLITE_MISMATCH")
_FULL = ("SQLITE_FULL", "SQLITE_IOERR_SHMSIZE")
# What it says, by its general error, of tables that are not ours; all else of that kind is a question that it
# cannot take. The last is the driver's, of a text that is none, and has no code (seen with both).
_NOT_OURS = re.compile(r"no such |.* has no column |.* already exists|Could not decode to UTF-8 ")


class _OutOfStep(Exception):
    """The database is not known to be in step with the folder."""


@contextlib.contextmanager
def _faults() -> Iterator[None]:
    """Tell what the database refuses as Damaged or Unusable. A question that no database can take is a fault
    of the program, and stays what it is."""
    try:
        yield
    except (DBAPIError, sqlite3.Error) as error:
        seen = error.orig if isinstance(error, DBAPIError) else error
        name = getattr(seen, "sqlite_errorname", "")
        if name.startswith(_FULL):
            raise Unusable("the disk is full") from error
        if any(name == one or name.startswith(f"{one}_") for one in _DAMAGED):
            raise Damaged from error
        if isinstance(seen, sqlite3.Error) and name in ("SQLITE_ERROR", ""):
            if _NOT_OURS.match(str(seen)):
                raise Damaged from error
            raise
        raise Unusable(f"{seen}") from error
    except UnicodeEncodeError:  # of what was asked
        raise
    except ValueError as error:  # a column that holds what was never written there
        raise Damaged from error


class Index:
    """place: the folder. lock: tries to take its lock without waiting, and says whether it has it; needs the
    folder to be there. say: hears a line of talk."""

    def __init__(
        self,
        place: Path,
        lock: Callable[[], AbstractContextManager[bool]],
        watched: Watched,
        say: Callable[[str], None],
    ) -> None:
        self.place = place
        self.path = place / FOLDER / DATABASE
        self._lock = lock
        self._watched = watched
        self._say = say
        self._engine = _engine(sqlalchemy.URL.create("sqlite", database=str(self.path)))
        self._memory: Engine | None = None

    # Reading

    def ask(self, question: Question[T], files: Select[Any] | None = None) -> T:
        """The answer to a question, from a database in step with the folder.

        files: selects name, size and mtime of the files that the question is about; None where their names
        say enough. Raises OSError where the folder cannot be read, RecordsError where a newer version made
        the database.
        """
        damaged = False
        try:
            return self._at_once(question, files)
        except _OutOfStep:
            pass
        except Damaged:
            damaged = True
        except Unusable:
            return self._in_memory(question)
        # A folder without records is none of ours, and stays as it is.
        if self.path.exists() or any(map(named, listed(self.place))):
            with self._lock() as held, contextlib.suppress(Unusable, Damaged):
                if held:
                    return self._brought_in_step(question, damaged)
        return self._in_memory(question)

    def _at_once(self, question: Question[T], files: Select[Any] | None) -> T:
        if not self.path.is_file():
            raise _OutOfStep
        with _faults(), self._engine.connect() as connection:
            if _revision(connection) != tables.HEAD:
                raise _OutOfStep
            return self._if_in_step(connection, question, files)

    def _if_in_step(self, connection: Connection, question: Question[T], files: Select[Any] | None) -> T:
        stamp = _stamp(self.place)
        if stamp is None or noted(connection)[0] != stamp:
            raise _OutOfStep
        for name, size, mtime in connection.execute(files) if files is not None else ():
            if seen(self.place, name) != (size, mtime):
                raise _OutOfStep
        return question(connection)

    def _brought_in_step(self, question: Question[T], damaged: bool) -> T:
        """Under the folder's lock."""
        if damaged:
            self._discard()
        try:
            return self._in_step(question)
        except Damaged:
            self._discard()
            return self._in_step(question)

    def _in_step(self, question: Question[T]) -> T:
        self._make_room()
        with _faults(), _writing(self._engine) as connection:
            _ready(connection, self.path)
            sync(connection, self.place, self._watched, lambda: _settled(self.place))
            return question(connection)

    def _in_memory(self, question: Question[T]) -> T:
        """Nothing is known of the folder's clock here, so the names are listed each time."""
        if self._memory is None:
            self._memory = _copied(self.path) or _empty()
            weakref.finalize(self, self._memory.dispose)
        try:
            return self._asked_in(self._memory, question)
        except Damaged:  # as it was on the disk
            self._memory.dispose()
            self._memory = _empty()
            weakref.finalize(self, self._memory.dispose)
            try:
                return self._asked_in(self._memory, question)
            except (Damaged, Unusable) as error:
                raise self.refused(error) from error

    def _asked_in(self, memory: Engine, question: Question[T]) -> T:
        with _faults(), _writing(memory) as connection:
            sync(connection, self.place, self._watched, lambda: None)
            return question(connection)

    # Changing: under the folder's lock

    def change(self) -> Change:
        """A transaction on the database, in step with the folder. Raises Damaged, Unusable where it cannot be
        written, and OSError where the folder cannot be read."""
        self._make_room()
        return Change(self._engine, self.path, self.place, self._watched)

    def mend(self) -> None:
        """Throw a damaged database away. Raises Unusable."""
        self._discard()

    def remake(self) -> None:
        """Throw the database away and make it anew. Raises as `change` does."""
        self._remove()
        with contextlib.closing(self.change()) as change:
            change.commit()

    def refused(self, error: Damaged | Unusable) -> RecordsError:
        """What is to be said where the database cannot be used, and one more attempt did not help."""
        why = self._probed() or (error.reason if isinstance(error, Unusable) else "it is damaged again")
        return RecordsError(
            f"records folder `{self.place}`: cannot write to its index `{self.path}`: {why}",
            hint="the index can be deleted at any time: it is made anew from the records",
        )

    def _probed(self) -> str:
        """What the system says to another file beside the database, which SQLite does not pass on; nothing
        where there is room for one."""
        probe = self.path.with_name("probe")
        try:
            probe.write_bytes(b"probe")
        except OSError as error:
            return reason(error)
        finally:
            with contextlib.suppress(OSError):
                probe.unlink(missing_ok=True)
        return ""

    def _make_room(self) -> None:
        try:
            self.path.parent.mkdir(exist_ok=True)
        except OSError as error:
            raise Unusable(reason(error)) from error

    def _discard(self) -> None:
        self._say(f"the index of `{self.place}` is damaged; it is made anew from the records")
        self._remove()

    def _remove(self) -> None:
        try:
            for suffix in ("", "-wal", "-shm", "-journal"):
                self.path.with_name(f"{DATABASE}{suffix}").unlink(missing_ok=True)
        except OSError as error:
            raise Unusable(reason(error)) from error


class Change:
    """Rows that are added beside the files of a save, and kept with `commit` once the files have their names.
    Whatever happens before, `close` leaves the database as it was. Raises Damaged and Unusable."""

    def __init__(
        self,
        engine: Engine,
        path: Path,
        place: Path,
        watched: Watched,
    ) -> None:
        self._place = place
        self._added: list[str] = []
        with _faults():
            self._connection = engine.connect()
            try:
                self._connection.execution_options(writing=True)
                _ready(self._connection, path)
                self._names = self._in_step(watched)
            except BaseException:
                self._connection.close()
                raise

    def _in_step(self, watched: Watched) -> set[str]:
        """What a person sees in the folder, with which the database is in step."""
        stamp, names = _stamp(self._place), visible(listed(self._place))
        known = noted(self._connection)
        if stamp is not None and (stamp, len(names)) == known and stamp == _stamp(self._place):
            return names
        return sync(self._connection, self._place, watched, lambda: None)

    def ask(self, question: Question[T]) -> T:
        with _faults():
            return question(self._connection)

    def add(self, contents: Mapping[str, bytes]) -> None:
        """Rows for files that will get these names, which nothing has yet."""
        with _faults():
            add(self._connection, contents)
        self._added += contents

    def missed(self, stem: str) -> None:
        """Files that were added under this name have not come: they are read again."""
        self._added = [name for name in self._added if not name.startswith(f"{stem}.")]
        self._names = set()

    def commit(self) -> None:
        """Keep the rows: the files have their names. What goes wrong here costs nothing: the files say it,
        and whoever asks next brings the database in step with them."""
        with contextlib.suppress(Damaged, Unusable, OSError), _faults():
            timed(self._connection, self._place, self._added)
            stamp = _made_old(self._place)
            names = self._names | set(self._added)
            foreign = visible(listed(self._place)) ^ names
            note(self._connection, None if foreign else stamp, len(names))
            self._connection.commit()

    def close(self) -> None:
        with contextlib.suppress(Damaged, Unusable), _faults():
            self._connection.close()


# The database


def _engine(url: sqlalchemy.URL) -> Engine:
    """No connection outlives its use, but for a database in memory, which does not outlive its connection."""
    pool: Mapping[str, Any] = {"poolclass": NullPool if url.database else StaticPool}
    engine = sqlalchemy.create_engine(url, connect_args={"timeout": _BUSY_S, "isolation_level": None}, **pool)
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _set_up)
        event.listen(engine, "begin", _begin)
    return engine


def _set_up(connection: Any, _: object) -> None:
    """WAL is not to be had on every disk; the database then goes on in the way that it can."""
    try:
        for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
            connection.execute(f"PRAGMA {pragma}").close()
    except sqlite3.Error:
        connection.close()
        raise


def _begin(connection: Connection) -> None:
    """The driver would begin by itself, but not for changes of the tables themselves."""
    writing = connection.get_execution_options().get("writing")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


@contextlib.contextmanager
def _writing(engine: Engine) -> Iterator[Connection]:
    """A connection that takes the database's lock with its first statement, and commits at the end."""
    with engine.connect() as connection:
        connection.execution_options(writing=True)
        yield connection
        connection.commit()


def _revision(connection: Connection) -> str | None:
    """Which revision of the tables the database has; None where it has none at all. Raises Damaged where some
    are missing."""
    there = set(sqlalchemy.inspect(connection).get_table_names())
    if not there:
        return None
    found = connection.scalar(select(_VERSION.c.version_num)) if _VERSION.name in there else None
    if found is None or (found == tables.HEAD and not there.issuperset(tables.metadata.tables)):
        raise Damaged
    return str(found)


def _ready(connection: Connection, path: Path) -> None:
    """Have this version's tables. Raises RecordsError where a newer version made them."""
    revision = _revision(connection)
    if revision == tables.HEAD:
        return
    if revision is None:
        _make(connection)
    else:
        _migrate(connection, revision, path)
    connection.commit()


def _make(connection: Connection) -> None:
    """This version's tables, in an empty database."""
    tables.metadata.create_all(connection)
    _VERSION.create(connection)
    connection.execute(insert(_VERSION).values(version_num=tables.HEAD))
    connection.execute(insert(tables.folder).values(id=1, stamp=None))


def _migrate(connection: Connection, revision: str, path: Path) -> None:
    """From an earlier version's tables to this one's. Raises RecordsError where there is no way."""
    from alembic import command  # takes a while: only who has an earlier database waits for it
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    if revision not in {one.revision for one in ScriptDirectory.from_config(config).walk_revisions()}:
        raise RecordsError(
            f"the index `{path}` was made by a newer version of pinwright, which knows more of records",
            hint="update pinwright, or make the index anew with this version: `pinwright records reindex`",
        )
    command.upgrade(config, "head")


def _empty() -> Engine:
    """A database in memory with nothing in it."""
    engine = _engine(sqlalchemy.URL.create("sqlite"))
    with _writing(engine) as connection:
        _make(connection)
    return engine


def _copied(path: Path) -> Engine | None:
    """A database in memory with what the one on the disk has; None where that cannot be read, or is not of
    this version."""
    engine = _engine(sqlalchemy.URL.create("sqlite"))
    with contextlib.suppress(Damaged, Unusable), _faults(), _writing(engine) as connection:
        own = connection.connection.driver_connection
        if isinstance(own, sqlite3.Connection) and path.is_file():
            _copy(path, own)
            if _revision(connection) == tables.HEAD:
                return engine
    engine.dispose()
    return None


def _copy(path: Path, own: sqlite3.Connection) -> None:
    """Copy it, if it can be opened: on a read-only disk that needs a promise that nobody changes it."""
    wal = path.with_name(f"{path.name}-wal")
    whole = not wal.exists() or not wal.stat().st_size
    for query in ("mode=ro", *(["mode=ro&immutable=1"] if whole else [])):
        with contextlib.suppress(sqlite3.OperationalError):
            with contextlib.closing(sqlite3.connect(f"file:{quote(str(path))}?{query}", uri=True)) as source:
                source.backup(own)
            return


# The folder


def _stamp(place: Path) -> str | None:
    """Which folder it is, and its times of change, in ns: the one that programs set when they copy, and the
    one that they cannot (on Windows when it was made). None where it is not there."""
    try:
        status = os.stat(place)
    except FileNotFoundError:
        return None
    return f"{status.st_dev} {status.st_ino} {status.st_mtime_ns} {status.st_ctime_ns}"


def _clock(place: Path) -> int:
    """What time it is on the folder's disk, in ns: one on a network has its own clock. Under the lock."""
    lock = place / LOCK
    os.utime(lock)
    return os.stat(lock).st_mtime_ns


def _settled(place: Path) -> str | None:
    """The folder's stamp, if every later change is sure to give it another; else None."""
    stamp = _stamp(place)
    try:
        changed = os.stat(place).st_mtime_ns
        # In this order: a change after the stamp is one of now.
        return stamp if stamp is not None and _clock(place) - changed > _COARSEST_NS else None
    except OSError:
        return None


def _made_old(place: Path) -> str | None:
    """The folder's stamp, if need be set back so far that every later change is sure to give it another; None
    where that cannot be done, such as in somebody else's folder."""
    try:
        if _settled(place) is None:
            now = os.stat(place)
            os.utime(place, ns=(now.st_atime_ns, now.st_mtime_ns - 2 * _COARSEST_NS))
        return _settled(place)
    except OSError:
        return None
