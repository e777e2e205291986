"""The log's database: its tables and how an older one is brought forward."""

from __future__ import annotations

import sqlite3
import time
from typing import TYPE_CHECKING

from visioncheck.errors import UserError

if TYPE_CHECKING:
    from pathlib import Path

FILE_NAME = "log.sqlite"
# marks the file as ours in SQLite's header: "vclg"
APPLICATION_ID = 0x76636C67

_NEVER = "SELECT RAISE(ABORT, 'an entry of the log is never changed; attach a correcting entry')"

# One tuple of statements per version; version n is reached after MIGRATIONS[n - 1]. Only ever append.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE document (
            sha256 TEXT PRIMARY KEY NOT NULL,
            text TEXT NOT NULL
        ) STRICT""",
        """CREATE TABLE tag (
            tag INTEGER PRIMARY KEY NOT NULL,
            sled TEXT NOT NULL,
            digest TEXT NOT NULL
        ) STRICT""",
        # the reading stands last: a query that leaves it out never walks through its pages
        """CREATE TABLE entry (
            number INTEGER PRIMARY KEY AUTOINCREMENT,
            id TEXT UNIQUE NOT NULL CHECK (length(id) = 32),
            time TEXT NOT NULL,
            written TEXT NOT NULL,
            sled TEXT NOT NULL CHECK (sled <> ''),
            kind TEXT NOT NULL CHECK (kind IN ('photo', 'typed')),
            photo_sha256 TEXT CHECK (length(photo_sha256) = 64),
            photo_suffix TEXT,
            file_name TEXT NOT NULL,
            fence_error_deg REAL,
            fence_error_u_deg REAL CHECK (fence_error_u_deg > 0),
            fence_error_dof REAL CHECK (fence_error_dof > 0),
            rig_sha256 TEXT REFERENCES document (sha256) DEFERRABLE INITIALLY DEFERRED,
            sled_sha256 TEXT REFERENCES document (sha256) DEFERRABLE INITIALLY DEFERRED,
            person TEXT NOT NULL,
            note TEXT NOT NULL,
            adjusted TEXT NOT NULL,
            corrects TEXT UNIQUE REFERENCES entry (id) DEFERRABLE INITIALLY DEFERRED,
            digest TEXT NOT NULL,
            reading_json TEXT NOT NULL,
            CHECK ((kind = 'photo') = (photo_sha256 IS NOT NULL)),
            CHECK ((photo_sha256 IS NULL) = (photo_suffix IS NULL)),
            CHECK ((fence_error_deg IS NULL) = (fence_error_u_deg IS NULL))
        ) STRICT""",
        "CREATE INDEX entry_time ON entry (time, number)",
        "CREATE INDEX entry_sled_time ON entry (sled, time, number)",
        "CREATE INDEX entry_photo ON entry (photo_sha256)",
        f"CREATE TRIGGER entry_no_update BEFORE UPDATE ON entry BEGIN {_NEVER}; END",
        f"CREATE TRIGGER entry_no_delete BEFORE DELETE ON entry BEGIN {_NEVER}; END",
        f"CREATE TRIGGER document_no_update BEFORE UPDATE ON document BEGIN {_NEVER}; END",
        f"CREATE TRIGGER document_no_delete BEFORE DELETE ON document BEGIN {_NEVER}; END",
    ),
    (
        # what a batch need not try again; no part of the log's content, so not exported
        """CREATE TABLE refusal (
            key TEXT PRIMARY KEY NOT NULL,
            reading_json TEXT NOT NULL,
            digest TEXT NOT NULL
        ) STRICT""",
    ),
)


def connect_to_write(path: Path, busy_s: float) -> sqlite3.Connection:
    """Open (or make) the database for writing, at the newest version.

    Synchronous FULL: a commit that returned has reached the disk.

    Raises
    ------
    UserError
        Not a log, or one of a newer version.
    sqlite3.Error
        What the database could not do.
    """
    connection = sqlite3.connect(path, timeout=busy_s, isolation_level=None)
    try:
        version = _version(connection, path)
        _write_ahead(connection, busy_s)
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        if version < len(MIGRATIONS):
            _migrate(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def connect_to_read(path: Path, busy_s: float) -> sqlite3.Connection:
    """Open the database without ever changing an entry; also in a folder that cannot be written.

    Raises
    ------
    UserError, sqlite3.Error
        As for `connect_to_write`.
    """
    connection, version = _open_to_read(path, busy_s)
    if version < len(MIGRATIONS):
        connection.close()
        connect_to_write(path, busy_s).close()
        connection, _ = _open_to_read(path, busy_s)
    return connection


def _open_to_read(path: Path, busy_s: float) -> tuple[sqlite3.Connection, int]:
    uri = f"{path.absolute().as_uri()}?mode=ro"
    # A write-ahead database needs its index file, which a read-only folder cannot be given. With no
    # write-ahead file left behind, nothing can change under us and the main file is the whole log.
    closed = not path.with_name(path.name + "-wal").exists()
    for address in (uri, f"{uri}&immutable=1") if closed else (uri,):
        connection = sqlite3.connect(address, uri=True, timeout=busy_s, isolation_level=None)
        try:
            return connection, _version(connection, path)
        except sqlite3.OperationalError:
            connection.close()
            if address != uri or not closed:
                raise
        except BaseException:
            connection.close()
            raise
    raise AssertionError


def _write_ahead(connection: sqlite3.Connection, busy_s: float) -> None:
    # The change of mode is the one statement for which SQLite does not wait while another process opens
    # the same new file, so the waiting is done here.
    deadline = time.monotonic() + busy_s
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > deadline:
                raise
            time.sleep(0.01)
        else:
            return


def _version(connection: sqlite3.Connection, path: Path) -> int:
    """Read the log's schema version; 0 for a file that nothing was written to yet, as another process just made it."""
    try:
        mark, version, tables = connection.execute(
            "SELECT application_id, user_version, (SELECT count(*) FROM sqlite_schema) "
            "FROM pragma_application_id, pragma_user_version"
        ).fetchone()
    except sqlite3.DatabaseError as error:
        if "not a database" in str(error):
            raise UserError(f"{path} is not a calibration log's database; check the folder's name.") from error
        raise
    if mark != APPLICATION_ID and tables != 0:
        raise UserError(f"{path} is not a calibration log's database; check the folder's name.")
    if version > len(MIGRATIONS):
        raise UserError(
            f"{path} was written by a newer version of this program (log version {version}, this one knows "
            f"{len(MIGRATIONS)}); install the newer version to use it."
        )
    return int(version)


def _migrate(connection: sqlite3.Connection, path: Path) -> None:
    """All steps in one transaction: a log is at a version with all of it, or still at the one before."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = _version(connection, path)  # again: another process may have been first
        for statements in MIGRATIONS[version:]:
            for statement in statements:
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
