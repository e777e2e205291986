"""What a log's database holds, row by row, as far as damage lets it be read."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from visioncheck.errors import UserError
from visioncheck.log import chain, schema
from visioncheck.log.problem import Problem
from visioncheck.log.queries import SELECT
from visioncheck.log.rows import DamagedEntryError, entry_of_row, printable, short
from visioncheck.log.sound import find_fault, find_objection, is_photo

if TYPE_CHECKING:
    from collections.abc import Iterator

    from visioncheck.log.entry import Entry
    from visioncheck.log.queries import Queries

# what a damaged file makes the database or the parsing of its values raise
DAMAGE = (sqlite3.Error, UserError, ValueError, TypeError, OverflowError, LookupError, AttributeError, RecursionError)


@dataclass
class Inventory:
    """All that could be read.

    Attributes
    ----------
    digests : dict of str to str
        Of the entries there are, by id.
    photos : dict of (str, str) to list of str
        Hash and file ending of the photos that entries need, and the entries' ids.
    names : dict of str to str
        By hash, what the file of a photo was called when it was given.
    links : list of Link
        The chain, in order, as it stands there.
    tags : dict of int to str
        Digest of each line of the table of tags.
    damaged : set of str
        Ids of the entries that are damaged themselves.
    problems : list of Problem
        What is wrong with the rows themselves.
    """

    digests: dict[str, str] = field(default_factory=dict)
    photos: dict[tuple[str, str], list[str]] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    links: list[chain.Link] = field(default_factory=list)
    tags: dict[int, str] = field(default_factory=dict)
    damaged: set[str] = field(default_factory=set)
    problems: list[Problem] = field(default_factory=list)
    is_chained: bool = False


def take(log: Queries) -> Inventory:
    """Read every row of entries, links and tags; raises nothing, whatever they hold."""
    found = Inventory()
    standing: dict[str, list[str]] = {}
    for number in _numbers(log, found):
        try:
            row = log.connection.execute(f"{SELECT} WHERE e.number = ?", (number,)).fetchone()
        except DAMAGE as error:
            found.problems.append(Problem("row", f"Entry number {number} cannot be read ({printable(str(error))})."))
            continue
        if row is not None:
            _note_row(found, number, row, standing)
    for sha256, ids in standing.items():
        if len(ids) > 1:
            named = ", ".join(map(short, ids))
            found.problems.append(
                Problem("row", f"Photo {sha256[:8]} counts in entries {named}; withdraw all but one.")
            )
    try:
        found.is_chained = schema.read_version(log.connection) >= schema.CHAINED
        for link in schema.links(log.connection):
            found.links.append(link)
        found.tags = dict(log.connection.execute("SELECT tag, digest FROM tag").fetchall())
    except DAMAGE as error:
        found.problems.append(Problem("database", f"The chain of records cannot be read ({printable(str(error))})."))
    return found


def _numbers(log: Queries, found: Inventory) -> Iterator[int]:
    numbers: list[int] = []
    try:
        numbers += [row[0] for row in log.connection.execute("SELECT number FROM entry ORDER BY number")]
    except DAMAGE as error:
        found.problems.append(Problem("database", f"The entries cannot be counted ({printable(str(error))})."))
    yield from numbers


def _note_row(found: Inventory, number: int, row: tuple[Any, ...], standing: dict[str, list[str]]) -> None:
    id_, sha256, suffix = str(row[0]), row[5], row[6]
    found.digests[id_] = str(row[-2])
    if is_photo(sha256, suffix):
        found.photos.setdefault((sha256, suffix), []).append(id_)
        if row[-1] is None:
            standing.setdefault(sha256, []).append(id_)
    try:
        entry = entry_of_row(row)
        if entry.photo_sha256:
            found.names.setdefault(entry.photo_sha256, entry.file_name)
        for each in entry.photos[1:]:
            if is_photo(*each):
                found.photos.setdefault(each, []).append(id_)
        fault = _fault(entry)
    except DamagedEntryError as error:
        fault = f"is damaged: {error.why}"
    except DAMAGE as error:
        fault = f"is damaged: {error}"
    if fault is not None:
        found.damaged.add(id_)
        what = f"Entry {short(id_)} (number {number}) {fault.rstrip('.')}."
        found.problems.append(Problem("row", printable(what)))


def _fault(entry: Entry) -> str | None:
    """Say what is wrong with an entry; one that was taken back may hold what is not accepted today."""
    fault = find_fault(entry)
    return None if entry.corrected_by is not None and fault == find_objection(entry) else fault
