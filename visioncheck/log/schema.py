"""The log's database: its tables and how an older one is brought forward."""

from __future__ import annotations

import sqlite3
import time
from typing import TYPE_CHECKING

from visioncheck.errors import UserError
from visioncheck.log import chain
from visioncheck.log.entry import sha256_text
from visioncheck.log.plain import PHOTO_COUNTS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

FILE_NAME = "log.sqlite"
# marks the file as ours in SQLite's header: "vclg"
APPLICATION_ID = 0x76636C67

_NEVER = "SELECT RAISE(ABORT, 'an entry of the log is never changed; attach a correcting entry')"

_LINK_COLUMNS = "number, kind, name, digest, previous, sha256"
PUT_LINK = f"INSERT INTO link ({_LINK_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?)"  # noqa: S608 - own names
SELECT_LINKS = f"SELECT {_LINK_COLUMNS} FROM link"  # noqa: S608 - own names


def _take_in(connection: sqlite3.Connection) -> None:
    """Chain what a log of before there was a chain holds: once, as it stands, and marked so."""
    entries = connection.execute("SELECT id, digest FROM entry ORDER BY number").fetchall()
    tags = connection.execute("SELECT tag, digest FROM tag ORDER BY tag").fetchall()
    records = [*((chain.ENTRY, *entry) for entry in entries), *((chain.TAG, str(tag), digest) for tag, digest in tags)]
    if not records:
        return
    count = str(len(records))
    last: chain.Link | None = None
    for kind, name, digest in [(chain.TAKEN_IN, count, sha256_text(count)), *records]:
        last = chain.next_link(last, kind, name, digest)
        connection.execute(PUT_LINK, link_row(last))


def link_row(link: chain.Link) -> tuple[int, str, str, str, str, str]:
    """Give a link's columns."""
    return link.number, link.kind, link.name, link.digest, link.previous, link.sha256


# One tuple of steps per version; version n is reached after MIGRATIONS[n - 1]. Only ever append.
MIGRATIONS: tuple[tuple[str | Callable[[sqlite3.Connection], None], ...], ...] = (
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
    (
        # the chain: every entry and every line of the table of tags in the order written, see chain.py
        """CREATE TABLE link (
            number INTEGER PRIMARY KEY NOT NULL CHECK (number > 0),
            kind TEXT NOT NULL CHECK (kind IN ('entry', 'tag', 'taken in')),
            name TEXT NOT NULL,
            digest TEXT NOT NULL,
            previous TEXT NOT NULL,
            sha256 TEXT UNIQUE NOT NULL CHECK (length(sha256) = 64)
        ) STRICT""",
        _take_in,
        f"CREATE TRIGGER link_no_update BEFORE UPDATE ON link BEGIN {_NEVER}; END",
        f"CREATE TRIGGER link_no_delete BEFORE DELETE ON link BEGIN {_NEVER}; END",
        # No second entry of a photo beside one that stands; what corrects an entry of the same photo takes its place.
        # Two that an older log has may be corrected one by one. An export may bring a correction before its entry.
        f"""CREATE TRIGGER photo_counts_once BEFORE INSERT ON entry WHEN EXISTS (
            SELECT 1 FROM entry e WHERE e.photo_sha256 = NEW.photo_sha256
            AND NOT EXISTS (SELECT 1 FROM entry c WHERE c.corrects = e.id)
        ) AND NOT EXISTS (
            SELECT 1 FROM entry o WHERE o.id = NEW.corrects AND o.photo_sha256 = NEW.photo_sha256
        ) AND NOT EXISTS (
            SELECT 1 FROM entry c WHERE c.corrects = NEW.id
        ) BEGIN SELECT RAISE(ABORT, '{PHOTO_COUNTS}, and an entry of it stands already'); END""",  # noqa: S608
    ),
)
WITH_REFUSALS, CHAINED = 2, 3
"""From these versions on a log has the table of refusals, and the chain."""


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
    connection.text_factory = lenient
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
    """Open the database without changing anything; also in a folder that cannot be written.

    An older log stays as it is until something is written to it.

    Raises
    ------
    UserError, sqlite3.Error
        As for `connect_to_write`.
    """
    connection, version = _open_to_read(path, busy_s)
    if version == 0:  # another process is just making it
        connection.close()
        connect_to_write(path, busy_s).close()
        connection, _ = _open_to_read(path, busy_s)
    return connection


def read_version(connection: sqlite3.Connection) -> int:
    """Read the log's schema version."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def links(connection: sqlite3.Connection, after: int = 0) -> Iterator[chain.Link]:
    """Read the chain's links in order, from the one after number `after` on; none in a log of before the chain."""
    if read_version(connection) >= CHAINED:
        for row in connection.execute(f"{SELECT_LINKS} WHERE number > ? ORDER BY number", (after,)):
            yield chain.Link(*row)


def last_link(connection: sqlite3.Connection) -> chain.Link | None:
    """Read the chain's last link; None where there is none yet."""
    if read_version(connection) < CHAINED:
        return None
    row = connection.execute(f"{SELECT_LINKS} ORDER BY number DESC LIMIT 1").fetchone()
    return None if row is None else chain.Link(*row)


def lenient(data: bytes) -> str:
    """Decode a text so that a damaged one ends no query: what uses the row tells it by the letters that are none."""
    return data.decode(errors="surrogateescape")


def _open_to_read(path: Path, busy_s: float) -> tuple[sqlite3.Connection, int]:
    uri = f"{path.absolute().as_uri()}?mode=ro"
    # A write-ahead database needs its index file, which a read-only folder cannot be given. With no
    # write-ahead file left behind, nothing can change under us and the main file is the whole log.
    closed = not path.with_name(path.name + "-wal").exists()
    for address in (uri, f"{uri}&immutable=1") if closed else (uri,):
        connection = sqlite3.connect(address, uri=True, timeout=busy_s, isolation_level=None)
        connection.text_factory = lenient
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
        for steps in MIGRATIONS[version:]:
            for step in steps:
                if isinstance(step, str):
                    connection.execute(step)
                else:
                    step(connection)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
