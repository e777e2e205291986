"""A look at the whole log: every hash, every row, every file, and whether anything is missing."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING

from visioncheck.errors import UserError
from visioncheck.log import inventory, records, schema
from visioncheck.log.chain_check import chain_problems, list_problems
from visioncheck.log.entry import sha256_text
from visioncheck.log.inventory import DAMAGE, Inventory
from visioncheck.log.photos import FOLDER_NAME, file_sha256, is_broken_off
from visioncheck.log.problem import BROKEN_OFF, STRAY, Problem
from visioncheck.log.queries import Queries
from visioncheck.log.rows import printable, short
from visioncheck.log.store import Log

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


def check(log: Log) -> Iterator[Problem]:
    """Every problem found, row by row and file by file; goes on past damage.

    Nothing is changed. Raises nothing, whatever is damaged.
    """
    found = inventory.take(log)
    yield from _once(_problems(log, found))


def check_folder(folder: Path) -> Iterator[Problem]:
    """As `check`, of a log that may not even open.

    Raises
    ------
    UserError
        The folder is no log's.
    """
    try:
        log = Log.open(folder, readonly=True)
    except UserError as problem:
        if not (folder / FOLDER_NAME).is_dir() and not (folder / records.FILE_NAME).is_file():
            raise
        why = printable(str(problem.__cause__ or problem))
        said = f"The database of {folder} cannot be opened ({why}); its photos are looked at alone"
        yield Problem("database", f"{said}. Bring the log back from its newest backup: log restore.")
        log = Log(folder, sqlite3.connect(":memory:"))
    with log:
        yield from check(log)


def _problems(log: Queries, found: Inventory) -> Iterator[Problem]:
    yield from _guarded(_database_problems, log)
    yield from found.problems
    missing = [*chain_problems(found), *list_problems(log.folder, found)]
    yield from missing
    for section in (_document_problems, _tag_problems, _refusal_problems):
        yield from _guarded(section, log)
    is_lost = bool(found.problems) or any(problem.kind in {"missing record", "chain"} for problem in missing)
    yield from _photo_problems(log, found, is_lost=is_lost)


def _once(problems: Iterator[Problem]) -> Iterator[Problem]:
    seen = set[str]()
    for problem in problems:
        if problem.what not in seen:
            seen.add(problem.what)
            yield problem


def _guarded(section: Callable[[Queries], Iterator[Problem]], log: Queries) -> Iterator[Problem]:
    try:
        yield from section(log)
    except DAMAGE as error:
        said = f"The database of {log.folder} is damaged beyond further reading ({printable(str(error))})."
        yield Problem("database", said)


def _database_problems(log: Queries) -> Iterator[Problem]:
    for (message,) in log.connection.execute("PRAGMA integrity_check"):
        if message != "ok":
            yield Problem("database", f"The database of {log.folder} is damaged: {printable(str(message))}.")
    for table, row, parent, _ in log.connection.execute("PRAGMA foreign_key_check"):
        yield Problem("row", f"Row {row} of table {table} names a row of table {parent} that is not there.")


def _document_problems(log: Queries) -> Iterator[Problem]:
    for sha256, text in log.connection.execute("SELECT sha256, text FROM document"):
        if _sha256_of_text(text) != sha256:
            what = f"The rig or sled text {printable(str(sha256))} is damaged: it no longer gives its hash."
            yield Problem("document", what)


def _sha256_of_text(text: object) -> str:
    """SHA-256 of a text that may hold bytes that are no UTF-8; empty for what is no text."""
    try:
        return sha256_text(str(text))
    except UnicodeEncodeError:
        return ""


def _tag_problems(log: Queries) -> Iterator[Problem]:
    for tag, sled, digest in log.connection.execute("SELECT tag, sled, digest FROM tag"):
        if _sha256_of_text(f"{tag} {sled}") != digest:
            said = f"The line of tag {tag} (sled {printable(repr(sled))}) is damaged; assign the tag again."
            yield Problem("tag", said)


def _refusal_problems(log: Queries) -> Iterator[Problem]:
    if schema.read_version(log.connection) < schema.WITH_REFUSALS:
        return
    for key, text, digest in log.connection.execute("SELECT key, reading_json, digest FROM refusal"):
        if _sha256_of_text(f"{key} {text}") != digest:
            said = f"What is remembered of a refused photo ({printable(str(key)[:8])}) is damaged"
            yield Problem("refusal", f"{said}; batch will measure it again.")


def _photo_problems(log: Queries, found: Inventory, *, is_lost: bool) -> Iterator[Problem]:
    """Hold every photo's file against its hash, and find those of no entry."""
    by_content: dict[str, list[Path]] = {}
    unreadable: dict[Path, str] = {}
    for path in log.photos.files_and_aside():
        try:
            by_content.setdefault(file_sha256(path), []).append(path)
        except OSError as error:
            unreadable[path] = error.strerror or str(error)
    for (sha256, suffix), ids in found.photos.items():
        place = log.photos.path(sha256, suffix)
        copies = by_content.get(sha256, [])
        if place in copies:
            continue
        is_lost = True
        named = ", ".join(map(short, dict.fromkeys(ids)))
        yield _photo_problem(place, named, unreadable.get(place, ""), copies)
    yield from _stray_problems(log, found, is_lost=is_lost)


def _photo_problem(place: Path, named: str, unreadable: str, copies: list[Path]) -> Problem:
    copy = f" {copies[0]} has its bytes: cleaning the log (log check) puts it back." if copies else ""
    if unreadable or not place.exists():
        why = unreadable or "no such file"
        return Problem("missing photo", f"Photo {place} (entry {named}) cannot be read: {why}.{copy}", place)
    return Problem("damaged photo", f"Photo {place} (entry {named}) is damaged: not its hash's bytes.{copy}", place)


def _stray_problems(log: Queries, found: Inventory, *, is_lost: bool) -> Iterator[Problem]:
    for path in _settled_strays(log, found):
        if is_broken_off(path):
            yield Problem(BROKEN_OFF, f"{path} is the unfinished copy of a photo.", path)
        elif is_lost:
            what = f"{path} belongs to no entry that can be read; it may be of one that is damaged or missing: keep it."
            yield Problem("photo of a lost record", what, path)
        else:
            why = "a write was broken off, or the database is older than the photo"
            yield Problem(STRAY, f"{path} belongs to no entry: {why}.", path)


def _settled_strays(log: Queries, found: Inventory) -> list[Path]:
    """Files that no row names, seen under the write lock where this log may be written."""
    try:
        log.connection.execute("BEGIN IMMEDIATE")
    except sqlite3.Error:  # opened to read alone, or damaged
        return log.photos.strays(found.photos)
    try:
        return log.photos.strays(inventory.take(log).photos)
    finally:
        log.connection.execute("ROLLBACK")
