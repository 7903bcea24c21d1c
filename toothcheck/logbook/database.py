"""Where the entries are kept: one SQLite file, or a PostgreSQL database that a fleet shares.

Writers queue up (``BEGIN IMMEDIATE`` in SQLite, an advisory lock in PostgreSQL), and what a transaction wrote is on
disk when it ends.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import sqlalchemy as sa

from toothcheck.errors import LogbookError
from toothcheck.logbook.schema import VERSION, migrate, version_of

_LOCK = 0x700774  # any number, the same for every writer of this program
_WAIT_S = 60
_START = "Start one with: toothcheck logbook add-machine NAME"
_WRITABLE = "Make the file and its folder writable for you, or name another logbook with --logbook."
_REACHABLE = "Check the URL, and that the server runs and lets you in."
_WAYS = {
    "readonly": _WRITABLE,
    "unable to open": _WRITABLE,
    "full": "Nothing was recorded. Make room on the disk and try again.",
    "failed to resolve host": _REACHABLE,
    "connection ": _REACHABLE,
    "locked": "Nothing was recorded. Another program is writing to it: try again when that is done.",
}
"""What to do about what the database says, by a word of it."""


class Database:
    """A database that holds entries in the schema of this program: made, or brought up to date, as it is opened.

    Parameters
    ----------
    where
        Path of a SQLite file, or the URL of a PostgreSQL database (``postgresql://…``).
    now
        Gives the time of day, with its zone.
    create
        Start a logbook where there is none.

    Raises
    ------
    LogbookError
        When it is not there, not a logbook, written by a newer version, or cannot be reached.
    """

    path: Path | None
    """The file; None on a server."""
    name: str
    """Path or URL, without any password."""

    def __init__(self, where: str | Path, *, now: Callable[[], dt.datetime], create: bool) -> None:
        self._now = now
        if "://" in str(where):
            self.path = None
            self.engine = _server(str(where))
            typed = self.engine.url.set(drivername="postgresql")  # the driver is none of the user's words
            self.name = typed.render_as_string(hide_password=True)
        else:
            self.path = Path(where).expanduser()
            self.name = str(self.path)
            if not self.path.exists() and not create:
                raise LogbookError(f"There is no logbook at {self.name}.", hint=_START)
            self.engine = _file(self.path)
        self._prepare(create)

    def close(self) -> None:
        """Give it back."""
        self.engine.dispose()

    @contextlib.contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A transaction that others may write beside."""
        with self.in_words(), self.engine.begin() as connection:
            yield connection

    @contextlib.contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """A transaction that no other writer can overlap."""
        with (
            self.in_words(),
            self.engine.connect().execution_options(toothcheck_writes=True) as connection,
            connection.begin(),
        ):
            if connection.dialect.name != "sqlite":
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))
            yield connection

    @contextlib.contextmanager
    def in_words(self) -> Iterator[None]:
        """The database's errors in words, with what to do."""
        try:
            yield
        except (sa.exc.DBAPIError, sqlite3.Error) as error:
            cause = error.orig if isinstance(error, sa.exc.DBAPIError) else error
            said = (str(cause).strip().splitlines() or [type(cause).__name__])[0]
            if "not a database" in said or "malformed" in said:
                raise LogbookError(
                    f"{self.name} is not a readable logbook ({said}).",
                    hint="Name another file with --logbook, or a backup of this one.",
                ) from error
            hint = next((way for word, way in _WAYS.items() if word in said), "")
            raise LogbookError(f"The logbook {self.name} cannot be used: {said}.", hint=hint) from error

    def _prepare(self, create: bool) -> None:
        with self.reading() as connection:
            found = self._version(connection)
        if found == VERSION:
            return
        if found == 0 and not create:
            raise LogbookError(f"{self.name} holds no logbook yet.", hint=_START)
        with self.writing() as connection:
            found = self._version(connection)  # again, under the lock: another process may have been first
            if found == VERSION:
                return
            if found > 0:
                self._back_up(connection, found)
            migrate(connection, found)

    def _version(self, connection: sa.Connection) -> int:
        try:
            found = version_of(connection)
        except LookupError as error:
            raise LogbookError(f"{self.name} is not a logbook: {error}.", hint="Name another with --logbook.") from None
        if found > VERSION:
            raise LogbookError(
                f"{self.name} was written by a newer toothcheck (schema {found}; this one knows up to {VERSION}).",
                hint="Update toothcheck; nothing was changed.",
            )
        return found

    def _back_up(self, connection: sa.Connection, found: int) -> None:
        """Keep what there is before the first step: a copied file, or a copied table beside the old one."""
        if self.path is None:
            stamp = self._now().astimezone(dt.UTC).strftime("%Y%m%d%H%M%S")
            connection.exec_driver_sql(f"CREATE TABLE entries_schema_{found}_{stamp} AS SELECT * FROM entries")
            return
        target = self.path.with_name(f"{self.path.name}.schema-{found}.backup")
        count = 1
        while target.exists():
            count += 1
            target = self.path.with_name(f"{self.path.name}.schema-{found}.backup-{count}")
        handle, name = tempfile.mkstemp(dir=self.path.parent, prefix=target.name)
        os.close(handle)
        try:
            # the writer's lock is held, and a second connection may still read
            with (
                contextlib.closing(sqlite3.connect(self.path)) as source,
                contextlib.closing(sqlite3.connect(name)) as to,
            ):
                source.backup(to)
            Path(name).replace(target)
        finally:
            Path(name).unlink(missing_ok=True)


def _file(path: Path) -> sa.Engine:
    if path.is_dir():
        raise LogbookError(f"The logbook cannot be at {path}: it is a folder.", hint="Name a file with --logbook.")
    if not path.parent.is_dir():
        raise LogbookError(
            f"The logbook cannot be at {path}: there is no folder {path.parent}.",
            hint="Make it first, or name another file with --logbook.",
        )
    url = sa.URL.create("sqlite+pysqlite", database=str(path))  # not by text: a path may hold ? and %
    engine = sa.create_engine(url, connect_args={"timeout": _WAIT_S}, poolclass=sa.NullPool)

    @sa.event.listens_for(engine, "connect")
    def _connected(raw: sqlite3.Connection, _: object) -> None:
        raw.isolation_level = None  # the driver must not begin transactions of its own
        # safe against loss of power too: the journal's removal is on disk before an entry is acknowledged
        raw.execute("PRAGMA synchronous = EXTRA")

    @sa.event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        writes = connection.get_execution_options().get("toothcheck_writes")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _server(where: str) -> sa.Engine:
    try:
        url = sa.make_url(where)
    except (sa.exc.ArgumentError, ValueError):  # the latter at a port that is no number
        raise LogbookError(
            "The logbook's URL cannot be read.", hint="It looks like postgresql://user@host/db"
        ) from None
    if url.get_backend_name() != "postgresql":
        raise LogbookError(
            f"A logbook cannot be kept in {url.get_backend_name()}.",
            hint="Give a file's path or postgresql://user@host/db",
        )
    try:
        return sa.create_engine(url.set(drivername="postgresql+psycopg"), poolclass=sa.NullPool)
    except ImportError:
        raise LogbookError(
            "A logbook on PostgreSQL needs the driver psycopg.", hint="Install it with: pip install 'toothcheck[fleet]'"
        ) from None
