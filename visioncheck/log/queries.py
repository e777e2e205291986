"""Questions to the log: entries, photos, texts, sleds and tags."""

from __future__ import annotations

import json
import math
from datetime import datetime
from typing import TYPE_CHECKING, Any, NamedTuple

from visioncheck.errors import UserError
from visioncheck.log import schema
from visioncheck.log.entry import CONTENT, MORE_PHOTOS, content_digest, entry_content, sha256_text, utc_text
from visioncheck.log.photos import PhotoFolder
from visioncheck.log.plain import plain_errors
from visioncheck.log.rows import entry_of_row, printable, short
from visioncheck.log.sound import InFuture, find_fault, require_time

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator
    from pathlib import Path

    from visioncheck.log.chain import Link
    from visioncheck.log.entry import Entry

SHORTEST_ID = 4
_COLUMNS = ", ".join(f"e.{name}" for name in (*CONTENT, "digest"))
SELECT = f"SELECT {_COLUMNS}, c.id FROM entry e LEFT JOIN entry c ON c.corrects = e.id"  # noqa: S608 - own names
# the photos read together with an entry's own, row by row; a damaged reading names none
MORE_OF_ENTRY = (
    "entry e JOIN json_each(CASE WHEN json_valid(e.reading_json) THEN e.reading_json ELSE '{}' END, "
    f"'$.{MORE_PHOTOS}') j"
)
# a damaged reading must not hide the entry: log check names it
_EXPANDED = "CASE WHEN json_valid(e.reading_json) THEN json_extract(e.reading_json, '$.fence_error_deg.expanded') END"
_TYPED = "CASE WHEN json_valid(e.reading_json) THEN json_extract(e.reading_json, '$.inputs.typed') END"
# what is measured for another thing's sake than the fence's angle; looked for only where there is no fence error
OTHERS = ("blade_tilt_deg", "fence_bow_mm", "travel.heel_deg")
_OTHER = (
    "CASE WHEN e.fence_error_deg IS NULL AND json_valid(e.reading_json) THEN json_array("
    + ", ".join(f"json_extract(e.reading_json, '$.{path}')" for path in OTHERS)
    + ") END"
)
_SELECT_LISTED = (
    "SELECT e.id, e.time, e.sled, e.fence_error_deg, e.fence_error_u_deg, e.fence_error_dof, "  # noqa: S608 - own names
    f"{_EXPANDED}, {_TYPED}, {_OTHER}, e.person, e.note, e.adjusted, e.corrects, c.id "
    "FROM entry e LEFT JOIN entry c ON c.corrects = e.id"
)


class Listed(NamedTuple):
    """What a list shows of an entry; see `Entry`.

    Attributes
    ----------
    time : str
        ISO 8601, UTC.
    fence_error_expanded_deg : float or None
        Half width of the 95 % interval as the reading says it; None where it says none.
    typed : str or None
        What was typed, as a JSON object; None of a photo.
    others : str or None
        What of `OTHERS` was measured, as a JSON array in their order; None where there is a fence error.
    """

    id: str
    time: str
    sled: str
    fence_error_deg: float | None
    fence_error_u_deg: float | None
    fence_error_dof: float | None
    fence_error_expanded_deg: float | None
    typed: str | None
    others: str | None
    person: str
    note: str
    adjusted: str
    corrects: str | None
    corrected_by: str | None


class Queries:
    """What may be asked of a log; see `visioncheck.log.store.Log`.

    Attributes
    ----------
    folder : Path
        The user's folder.
    photos : PhotoFolder
        Its photos.
    passed_over : dict of str to str
        Entries that stand and cannot be gone by, which the questions so far passed over: id, and the sentence why.
    """

    def __init__(self, folder: Path, connection: sqlite3.Connection) -> None:
        self.folder = folder
        self.photos = PhotoFolder(folder)
        self.connection = connection
        self.passed_over: dict[str, str] = {}

    def entries(
        self, sled: str | None = None, since: datetime | None = None, limit: int | None = None
    ) -> Iterator[Entry]:
        """Entries in order of time, one by one from the database: memory does not grow with the log.

        Parameters
        ----------
        sled : str or None
            Of this sled alone.
        since : datetime or None
            From this time on.
        limit : int or None
            The newest `limit` of these; still oldest first.

        One that cannot be gone by (damaged, or what is not accepted today) is passed over, and named in
        `passed_over` unless another entry stands in for it.
        """
        for row in self._rows(SELECT, sled, since, limit):
            try:
                entry = entry_of_row(row)
            except UserError as problem:
                self._pass_over(str(row[0]), row[-1], str(problem))
                continue
            fault = find_fault(entry)
            if fault is None:
                yield entry
            else:
                self._pass_over(entry.id, entry.corrected_by, f"Entry {short(entry.id)} {fault}")

    def _pass_over(self, id_: str, corrected_by: str | None, why: str) -> None:
        if corrected_by is None:
            self.passed_over[id_] = why.rstrip(".")

    def listed(
        self, sled: str | None = None, since: datetime | None = None, limit: int | None = None
    ) -> Iterator[Listed]:
        """As `entries`, with no more of each than a list shows: several times as quick, and without looking at hashes.

        One whose time is still to come is listed, and named in `passed_over`.
        """
        for row in self._rows(_SELECT_LISTED, sled, since, limit):
            entry = Listed._make(row)
            try:
                _require_listable(entry)
                require_time(datetime.fromisoformat(entry.time), f"Entry {short(entry.id)}")
            except InFuture as problem:
                self._pass_over(entry.id, entry.corrected_by, str(problem))
            except (UserError, ValueError, TypeError, OverflowError) as problem:
                why = f"Entry {printable(short(str(entry.id)))} is damaged: {printable(str(problem))}"
                self._pass_over(str(entry.id), entry.corrected_by, why)
                continue
            yield entry

    def _rows(
        self, select: str, sled: str | None, since: datetime | None, limit: int | None
    ) -> Iterator[tuple[Any, ...]]:
        where, values = _conditions(sled, since)
        query = f"{select} {where} ORDER BY e.time, e.number"
        if limit is not None:
            newest = f"SELECT e.number FROM entry e {where} ORDER BY e.time DESC, e.number DESC LIMIT ?"  # noqa: S608
            query = f"{select} WHERE e.number IN ({newest}) ORDER BY e.time, e.number"
            values = [*values, limit]
        with plain_errors(self.folder, "read"):
            yield from self.connection.execute(query, values)

    def rows(self) -> Iterator[tuple[Any, ...]]:
        """Rows of all entries in order of time, whatever they hold, for `entry_of_row`."""
        return self._rows(SELECT, None, None, None)

    def has(self, id_: str) -> bool:
        """Whether there is an entry of this whole id."""
        with plain_errors(self.folder, "read"):
            return self.connection.execute("SELECT 1 FROM entry WHERE id = ?", (id_,)).fetchone() is not None

    def get(self, id_: str) -> Entry:
        """Return the entry whose id begins with `id_` (at least four characters).

        Raises
        ------
        UserError
            No such entry, or more than one.
        """
        with plain_errors(self.folder, "read"):
            if len(id_) < SHORTEST_ID or not id_.isalnum():
                raise UserError(f"{id_!r} is no entry id; give at least its first {SHORTEST_ID} letters and digits.")
            found = self.connection.execute(
                f"{SELECT} WHERE e.id >= ? AND e.id < ? LIMIT 2", (id_.lower(), f"{id_.lower()}g")
            ).fetchall()
        if not found:
            raise UserError(f"The log {self.folder} has no entry {id_}; see the ids with log list.")
        if len(found) > 1:
            raise UserError(f"More than one entry of the log {self.folder} begins with {id_}; give more of its id.")
        entry = entry_of_row(found[0])
        if content_digest(entry_content(entry)) != entry.digest:
            raise UserError(f"Entry {short(entry.id)} of the log {self.folder} is damaged; run log check.")
        return entry

    def standing_entry(self, photo_sha256: str) -> Entry | None:
        """Return the newest entry of this photo that no other corrects, if there is one."""
        query = f"{SELECT} WHERE e.photo_sha256 = ? AND c.id IS NULL ORDER BY e.number DESC LIMIT 1"
        with plain_errors(self.folder, "read"):
            found = self.connection.execute(query, (photo_sha256,)).fetchone()
        return None if found is None else entry_of_row(found)

    def entry_of_photo(self, photo_sha256: str) -> Entry | None:
        """Return the entry that a photo counts in, as its own photo or read together with another."""
        standing = self.standing_entry(photo_sha256)
        if standing is None and photo_sha256 in self.second_photos():
            return self.get(self.second_photos()[photo_sha256])
        return standing

    def second_photos(self) -> dict[str, str]:
        """Return the hashes of photos that were read together with another, and the id of the entry that stands."""
        query = (
            f"SELECT json_extract(j.value, '$.sha256'), e.id FROM {MORE_OF_ENTRY} "  # noqa: S608 - own names
            "LEFT JOIN entry c ON c.corrects = e.id WHERE c.id IS NULL"
        )
        with plain_errors(self.folder, "read"):
            return dict(self.connection.execute(query))

    def document(self, sha256: str | None) -> str | None:
        """Return the rig's or sled's text kept under this hash; None for None."""
        if sha256 is None:
            return None
        with plain_errors(self.folder, "read"):
            found = self.connection.execute("SELECT text FROM document WHERE sha256 = ?", (sha256,)).fetchone()
        if found is None:
            raise UserError(f"The log {self.folder} lacks the text {sha256}; run log check.")
        return str(found[0])

    def photo_path(self, entry: Entry) -> Path | None:
        """Where the entry's photo stands; None for a typed reading."""
        if entry.photo_sha256 is None or entry.photo_suffix is None:
            return None
        return self.photos.path(entry.photo_sha256, entry.photo_suffix)

    def photo_paths(self, entry: Entry) -> list[Path]:
        """Where all photos behind the entry's reading stand, its own first."""
        return [self.photos.path(sha256, suffix) for sha256, suffix in entry.photos]

    def refusal(self, key: str) -> dict[str, Any] | None:
        """Return the refused reading remembered under this key, if there is one and it is whole."""
        with plain_errors(self.folder, "read"):
            found = self.connection.execute("SELECT reading_json, digest FROM refusal WHERE key = ?", (key,)).fetchone()
        if found is None or sha256_text(f"{key} {found[0]}") != found[1]:
            return None
        reading: dict[str, Any] = json.loads(found[0])
        return reading

    def sleds(self) -> list[str]:
        """Names of all sleds with entries that stand, in order of name."""
        query = (
            "SELECT DISTINCT e.sled FROM entry e LEFT JOIN entry c ON c.corrects = e.id WHERE c.id IS NULL "
            "ORDER BY e.sled"
        )
        with plain_errors(self.folder, "read"):
            return [row[0] for row in self.connection.execute(query) if _is_text(row[0])]

    def sled_text(self, sled: str) -> str | None:
        """Return the text of the sled's file as it was kept last; None where only readings without one are kept."""
        query = (
            "SELECT d.text FROM entry e JOIN document d ON d.sha256 = e.sled_sha256 "
            "WHERE e.sled = ? ORDER BY e.time DESC, e.number DESC LIMIT 1"
        )
        with plain_errors(self.folder, "read"):
            found = self.connection.execute(query, (sled,)).fetchone()
        return None if found is None else str(found[0])

    def require_sled(self, sled: str) -> None:
        """Refuse a sled without entries: raises UserError with the names that the log has."""
        names = self.sleds()
        if sled not in names:
            raise UserError(f"The log {self.folder} has no sled {sled!r}; it has: {', '.join(names) or 'none'}.")

    def links(self, after: int = 0) -> Iterator[Link]:
        """Links of the chain in order, from the one after number `after` on; none in a log of before the chain."""
        with plain_errors(self.folder, "read"):
            yield from schema.links(self.connection, after)

    def tags(self) -> dict[int, str]:
        """Which tag belongs to which sled."""
        with plain_errors(self.folder, "read"):
            return dict(self.connection.execute("SELECT tag, sled FROM tag ORDER BY tag"))

    def sled_of_tag(self, tag: int) -> str | None:
        """Name of the sled whose pieces carry this tag, if the log knows."""
        return self.tags().get(tag)


def _is_text(value: object) -> bool:
    return isinstance(value, str) and printable(value) == value


def _require_listable(entry: Listed) -> None:
    """Raise ValueError or TypeError for a row whose values a damaged file has changed."""
    for text in (entry.id, entry.time, entry.sled, entry.person, entry.note, entry.adjusted):
        text.encode()
    numbers = (entry.fence_error_deg, entry.fence_error_u_deg, entry.fence_error_dof, entry.fence_error_expanded_deg)
    if not all(value is None or (isinstance(value, int | float) and abs(value) < math.inf) for value in numbers):
        raise ValueError("a value is no number")


def _conditions(sled: str | None, since: datetime | None) -> tuple[str, list[Any]]:
    terms, values = [], list[Any]()
    if sled is not None:
        terms.append("e.sled = ?")
        values.append(sled)
    if since is not None:
        terms.append("e.time >= ?")
        values.append(utc_text(since))
    return (f"WHERE {' AND '.join(terms)}" if terms else ""), values
