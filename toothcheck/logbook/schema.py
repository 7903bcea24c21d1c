"""The table, its guards, and how an older logbook becomes a newer one.

A short ladder of steps instead of a migration framework: there is one table, every step is a few statements that run
in the transaction that also moves the version, and what a framework does not give (a backup first, a newer file
refused in words) would be written here all the same.
"""

from __future__ import annotations

from collections.abc import Callable

import sqlalchemy as sa

from toothcheck.logbook.entries import FLOATS, INTS, NAMES

VERSION = 2
"""The schema version this code writes."""

_METADATA = sa.MetaData()


def _column(name: str) -> sa.Column[object]:
    if name == "number":
        return sa.Column("number", sa.Integer, primary_key=True, autoincrement=False)
    if name in FLOATS:
        return sa.Column(name, sa.Double)  # 8 bytes on both: the round trip is exact
    if name in INTS:
        return sa.Column(name, sa.Integer)
    needed = name in ("uid", "recorded_at", "kind", "on_date")
    return sa.Column(name, sa.Text, nullable=not needed, unique=True if name == "uid" else None)


ENTRIES = sa.Table("entries", _METADATA, *(_column(name) for name in NAMES))
VERSIONS = sa.Table(
    "schema_version", _METADATA, sa.Column("version", sa.Integer, primary_key=True, autoincrement=False)
)


def _to_1(connection: sa.Connection) -> None:
    """The first table, in words that later changes of `ENTRIES` cannot reach; understood by both databases."""
    connection.exec_driver_sql("CREATE TABLE schema_version (version INTEGER NOT NULL PRIMARY KEY)")
    connection.exec_driver_sql(
        """CREATE TABLE entries (
            number INTEGER NOT NULL PRIMARY KEY, uid TEXT NOT NULL UNIQUE, recorded_at TEXT NOT NULL,
            kind TEXT NOT NULL, on_date TEXT NOT NULL, machine TEXT, part TEXT,
            distance_km DOUBLE PRECISION, new_odometer_km DOUBLE PRECISION, operator TEXT, reason TEXT,
            corrects TEXT, text TEXT, position TEXT, chain TEXT, teeth INTEGER, links INTEGER,
            ridden_km DOUBLE PRECISION, pitches INTEGER, length_mm DOUBLE PRECISION,
            length_std_mm DOUBLE PRECISION, asymmetry_percent DOUBLE PRECISION,
            asymmetry_std_percent DOUBLE PRECISION, overhang_mm DOUBLE PRECISION,
            overhang_std_mm DOUBLE PRECISION, grade TEXT, confidence DOUBLE PRECISION, photo_sha256 TEXT,
            kept_photo TEXT, tool_version TEXT, document TEXT)"""
    )


def _to_2(connection: sa.Connection) -> None:
    """Guard the rule that nothing is overwritten in the database itself, and index what is looked up."""
    connection.exec_driver_sql("CREATE INDEX entries_by_machine ON entries (machine, part)")
    if connection.dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            connection.exec_driver_sql(
                f"CREATE TRIGGER entries_no_{verb.lower()} BEFORE {verb} ON entries "
                "BEGIN SELECT RAISE(ABORT, 'entries are only ever added'); END"
            )
        return
    connection.exec_driver_sql(
        "CREATE FUNCTION entries_refuse() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION 'entries are only ever added'; END $$"
    )
    connection.exec_driver_sql(
        "CREATE TRIGGER entries_only_added BEFORE UPDATE OR DELETE OR TRUNCATE ON entries "
        "FOR EACH STATEMENT EXECUTE FUNCTION entries_refuse()"
    )


STEPS: dict[int, Callable[[sa.Connection], None]] = {1: _to_1, 2: _to_2}
"""What leads to each version from the one before."""


def version_of(connection: sa.Connection) -> int:
    """The version found: 0 for an empty database.

    Raises
    ------
    LookupError
        When there are tables, but not a logbook's.
    """
    names = set(sa.inspect(connection).get_table_names())
    if not names & {"entries", "schema_version"}:
        # a PostgreSQL schema may hold other people's tables; a file is ours or nobody's
        if names and connection.dialect.name == "sqlite":
            raise LookupError("it holds other tables")
        return 0
    if "schema_version" not in names or "entries" not in names:
        raise LookupError("it holds other tables")
    found = connection.execute(sa.select(sa.func.max(VERSIONS.c.version))).scalar()
    return int(found or 0)


def migrate(connection: sa.Connection, found: int) -> None:
    """Take every step from ``found`` to `VERSION` inside the caller's transaction."""
    for version in range(found + 1, VERSION + 1):
        STEPS[version](connection)
        connection.execute(sa.insert(VERSIONS).values(version=version))
