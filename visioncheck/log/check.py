"""A look at the whole log: every hash, every row, every file."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING

from visioncheck.errors import UserError
from visioncheck.log.entry import content_of, digest_of, fence_error_of, reading_text, sha256_text
from visioncheck.log.photos import is_broken_off
from visioncheck.log.store import MORE_OF_ENTRY, SELECT, Log, entry_of_row, short

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_PHOTOS = (
    "SELECT photo_sha256 AS sha256, photo_suffix AS suffix, id FROM entry WHERE photo_sha256 IS NOT NULL UNION ALL "  # noqa: S608
    f"SELECT json_extract(j.value, '$.sha256'), json_extract(j.value, '$.suffix'), e.id FROM {MORE_OF_ENTRY}"
)


@dataclass(frozen=True)
class Problem:
    """Something wrong with the log.

    Attributes
    ----------
    kind : str
        ``database``, ``row``, ``document``, ``tag``, ``refusal``, ``missing photo``, ``damaged photo``,
        ``broken-off write`` or ``photo without entry``; the last two lose nothing.
    what : str
        One sentence that names the row or file.
    path : Path or None
        The file concerned.
    """

    kind: str
    what: str
    path: Path | None = None

    @property
    def is_harmless(self) -> bool:
        """Whether it is what a broken-off write leaves: no entry is touched and the file can go."""
        return self.kind in {"broken-off write", "photo without entry"}


def check(log: Log) -> Iterator[Problem]:
    """Every problem found, row by row and file by file; goes on past damage."""
    # damaged text must be looked at too, so bytes that are no UTF-8 are let through
    log.connection.text_factory = lambda data: data.decode(errors="surrogateescape")
    try:
        yield from _database_problems(log)
        yield from _row_problems(log)
        yield from _document_problems(log)
        yield from _tag_problems(log)
        yield from _refusal_problems(log)
        yield from _photo_problems(log)
        yield from _leftover_problems(log)
    except sqlite3.Error as error:
        yield Problem("database", f"The database of {log.folder} is damaged beyond further reading ({error}).")
    finally:
        log.connection.text_factory = str


def clean(log: Log) -> list[Path]:
    """Remove what broken-off writes left behind; returns the files removed.

    Works under the write lock, so nothing that another process is just writing is taken for a leftover. While
    a row is damaged no photo is removed: it may be the one that the row can no longer name.
    """
    with log.writing(f"nothing was removed from {log.folder}"):
        whole = next(_row_problems(log), None) is None
        removed = [path for path in log.photos.leftovers(_known_files(log)) if whole or is_broken_off(path)]
        for path in removed:
            path.unlink()
    return removed


def _database_problems(log: Log) -> Iterator[Problem]:
    for (message,) in log.connection.execute("PRAGMA integrity_check"):
        if message != "ok":
            yield Problem("database", f"The database of {log.folder} is damaged: {message}.")
    for table, row, parent, _ in log.connection.execute("PRAGMA foreign_key_check"):
        yield Problem("row", f"Row {row} of table {table} names a row of table {parent} that is not there.")


def _row_problems(log: Log) -> Iterator[Problem]:
    numbers = [row[0] for row in log.connection.execute("SELECT number FROM entry ORDER BY number")]
    for number in numbers:
        try:
            row = log.connection.execute(f"{SELECT} WHERE e.number = ?", (number,)).fetchone()
        except sqlite3.Error as error:
            yield Problem("row", f"Entry number {number} cannot be read ({error}).")
            continue
        what = _row_fault(row)
        if what is not None:
            yield Problem("row", f"Entry {short(str(row[0]))} (number {number}) {what}.")


def _row_fault(row: tuple[object, ...]) -> str | None:
    try:
        entry = entry_of_row(row)
        if digest_of(content_of(entry)) != entry.digest:
            return "is damaged: its content no longer gives its hash"
        copied = (entry.fence_error_deg, entry.fence_error_u_deg, entry.fence_error_dof)
        if fence_error_of(entry.reading) != copied:
            return "has a fence error that is not its reading's"
        reading_text(entry.reading)
    except (UserError, ValueError, TypeError, AttributeError) as error:
        return f"is damaged: {error}"
    return None


def _document_problems(log: Log) -> Iterator[Problem]:
    for sha256, text in log.connection.execute("SELECT sha256, text FROM document"):
        if sha256_text(text) != sha256:
            yield Problem("document", f"The rig or sled text {sha256} is damaged: it no longer gives its hash.")


def _tag_problems(log: Log) -> Iterator[Problem]:
    for tag, sled, digest in log.connection.execute("SELECT tag, sled, digest FROM tag"):
        if sha256_text(f"{tag} {sled}") != digest:
            yield Problem("tag", f"The line of tag {tag} (sled {sled!r}) is damaged; assign the tag again.")


def _refusal_problems(log: Log) -> Iterator[Problem]:
    for key, text, digest in log.connection.execute("SELECT key, reading_json, digest FROM refusal"):
        if sha256_text(f"{key} {text}") != digest:
            yield Problem(
                "refusal", f"What is remembered of a refused photo ({key[:8]}) is damaged; batch will measure it again."
            )


def _photo_problems(log: Log) -> Iterator[Problem]:
    query = f"SELECT sha256, suffix, group_concat(substr(id, 1, 8), ', ') FROM ({_PHOTOS}) GROUP BY sha256, suffix"  # noqa: S608
    for sha256, suffix, ids in log.connection.execute(query):
        path = log.photos.path(sha256, suffix)
        try:
            if log.photos.is_damaged(sha256, suffix):
                yield Problem("damaged photo", f"Photo {path} (entry {ids}) is damaged: not its hash's bytes.", path)
        except OSError as error:
            yield Problem("missing photo", f"Photo {path} (entry {ids}) cannot be read: {error.strerror}.", path)


def _leftover_problems(log: Log) -> Iterator[Problem]:
    for path in _settled_leftovers(log):
        if is_broken_off(path):
            yield Problem("broken-off write", f"{path} is the unfinished copy of a photo.", path)
        else:
            yield Problem("photo without entry", f"{path} belongs to no entry.", path)


def _settled_leftovers(log: Log) -> list[Path]:
    """Files that no row names, seen under the write lock where this log may be written."""
    try:
        log.connection.execute("BEGIN IMMEDIATE")
    except sqlite3.OperationalError:  # opened to read alone
        return log.photos.leftovers(_known_files(log))
    try:
        return log.photos.leftovers(_known_files(log))
    finally:
        log.connection.execute("ROLLBACK")


def _known_files(log: Log) -> set[str]:
    return {row[0] for row in log.connection.execute(f"SELECT sha256 || suffix FROM ({_PHOTOS})")}  # noqa: S608
