"""The calibration log: a folder of the user's with a database of entries and the photos beside it."""

from __future__ import annotations

import json
import sqlite3
import uuid
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, NamedTuple, Self

from visioncheck.errors import UserError
from visioncheck.log import schema
from visioncheck.log.entry import (
    CONTENT,
    KINDS,
    MORE_PHOTOS,
    Entry,
    EntryDraft,
    content_of,
    digest_of,
    fence_error_of,
    reading_text,
    sha256_text,
    utc_text,
)
from visioncheck.log.photos import FOLDER_NAME, PhotoFile, PhotoFolder, read_photo

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path
    from types import TracebackType

# how long one writer waits for the others
BUSY_S = 60.0
# what may lie in a log's folder before the log does: its photos, and what the page keeps and looks for there
_OWN_FOLDERS = {FOLDER_NAME, "page", "rigs", "sleds"}
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
_SELECT_LISTED = (
    "SELECT e.id, e.time, e.sled, e.fence_error_deg, e.fence_error_u_deg, e.fence_error_dof, "  # noqa: S608 - own names
    f"{_EXPANDED}, e.person, e.note, e.adjusted, e.corrects, c.id "
    "FROM entry e LEFT JOIN entry c ON c.corrects = e.id"
)
_INSERT = (
    f"INSERT INTO entry ({', '.join((*CONTENT, 'digest'))}) "  # noqa: S608 - own names
    f"VALUES ({', '.join('?' * (len(CONTENT) + 1))})"
)


class Listed(NamedTuple):
    """What a list shows of an entry; see `Entry`.

    Attributes
    ----------
    time : str
        ISO 8601, UTC.
    fence_error_expanded_deg : float or None
        Half width of the 95 % interval as the reading says it; None where it says none.
    """

    id: str
    time: str
    sled: str
    fence_error_deg: float | None
    fence_error_u_deg: float | None
    fence_error_dof: float | None
    fence_error_expanded_deg: float | None
    person: str
    note: str
    adjusted: str
    corrects: str | None
    corrected_by: str | None


class Log:
    """A calibration log, open for writing or for reading alone; use it in a ``with`` block.

    Entries are never edited: a correction is a new entry that names the old one.
    Any number of processes may read and write one log at the same time.

    Attributes
    ----------
    folder : Path
        The user's folder.
    photos : PhotoFolder
        Its photos.
    """

    def __init__(self, folder: Path, connection: sqlite3.Connection) -> None:
        self.folder = folder
        self.photos = PhotoFolder(folder)
        self.connection = connection

    @classmethod
    def open(cls, folder: Path, *, create: bool = False, readonly: bool = False) -> Log:
        """Open a log.

        Parameters
        ----------
        folder : Path
            The log's folder.
        create : bool
            Make a new log when there is none; the folder must be new or empty.
        readonly : bool
            Never write; works from a folder that cannot be written.

        Raises
        ------
        UserError
            No log there, not a log, made by a newer version, or the folder cannot be written.
        """
        database = folder / schema.FILE_NAME
        with _plain_errors(folder, "opened"):
            if not database.is_file():
                if not create:
                    raise UserError(f"{folder} is not a calibration log (no {schema.FILE_NAME} in it); check its name.")
                _make_room(folder)
            connect = schema.connect_to_read if readonly else schema.connect_to_write
            return cls(folder, connect(database, BUSY_S))

    def close(self) -> None:
        """Close the database; the last writer out folds the write-ahead file back in."""
        self.connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # ------------------------------------------------------------------ writing

    def attach(self, draft: EntryDraft, photo: Path | None = None) -> Entry:
        """Add one entry; when this returns, entry and photo have reached the disk.

        The photo is put in its place first and the row after it, so that whatever breaks off in between
        leaves at most a file that no row names, never a row without its photo.

        Parameters
        ----------
        draft : EntryDraft
            What the entry says.
        photo : Path or None
            The photo's file; None for typed readings and for corrections of an entry whose photo is kept.

        Raises
        ------
        UserError
            An unusable draft or photo, a full disk, a folder that cannot be written. The log is as before.
        """
        file = None if photo is None else read_photo(photo)
        entry = new_entry(draft, file, self._kept_suffix(draft.photo_sha256))
        with self.writing(f"nothing was added to the log {self.folder}") as placed:
            self._put(entry, draft, [] if file is None else [file], placed)
        return entry

    def attach_once(
        self, draft: EntryDraft, photo: PhotoFile, said: Mapping[str, Any], more: Sequence[PhotoFile] = ()
    ) -> Entry:
        """Add a photo's entry unless one stands that says the same; correct the one that says something else.

        Looked up and written under one lock, so that two processes never count one photo twice.

        Parameters
        ----------
        draft : EntryDraft
            What the measuring says.
        photo : PhotoFile
            The photo, read from the disk.
        said : Mapping
            What the user says beside it: any of `person`, `note`, `adjusted`, `time`. What is not said is taken
            from the entry that is corrected.
        more : sequence of PhotoFile
            Photos that were read together with it.

        Raises
        ------
        UserError
            As for `attach`; and a photo that counts in another entry already.
        """
        draft = replace(draft, reading={**draft.reading, **_more_photos(more)})
        with self.writing(f"nothing was added to the log {self.folder}") as placed:
            old = self.standing_entry(photo.sha256)
            self._require_counted_once(photo, more)
            if old is None:
                draft = replace(draft, **said)
            else:
                kept = {name: getattr(old, name) for name in ("person", "note", "adjusted", "time")}
                draft = replace(draft, **{**kept, **said}, corrects=old.id)
            entry = new_entry(draft, photo)
            if old is not None and _says_the_same(entry, old):
                return old
            self._put(entry, draft, [photo, *more], placed)
        return entry

    def _require_counted_once(self, photo: PhotoFile, more: Sequence[PhotoFile]) -> None:
        others = [found for each in more if (found := self.standing_entry(each.sha256)) and found.fence_error]
        counted = others[0].id if others else self.second_photos().get(photo.sha256)
        if counted:
            raise UserError(
                f"A photo counts once, and one of these counts in entry {short(counted)} of the log {self.folder}; "
                f"withdraw that first: log attach {self.folder} --corrects {short(counted)} --withdraw REASON."
            )

    def _put(self, entry: Entry, draft: EntryDraft, files: Sequence[PhotoFile], placed: list[PhotoFile]) -> None:
        self._require_correctable(entry.corrects)
        for text in (draft.rig_text, draft.sled_text):
            self.put_document(text)
        for file in files:
            if self.photos.put(file):
                placed.append(file)  # noqa: PERF401 - each at once, to be taken back if a later one fails
        self.put_entry(entry)

    def assign_tag(self, tag: int, sled: str) -> None:
        """Say that pieces with this tag come from this sled; replaces what was said before."""
        with self.writing(f"tag {tag} was not changed in the log {self.folder}"):
            self.put_tag(tag, sled)

    def remember_refusal(self, key: str, reading: Mapping[str, Any]) -> None:
        """Remember that a photo was refused, under a key made of all that led to it; nothing is entered."""
        text = reading_text(reading)
        with self.writing(f"nothing was added to the log {self.folder}"):
            self.connection.execute(
                "INSERT OR REPLACE INTO refusal VALUES (?, ?, ?)", (key, text, sha256_text(f"{key} {text}"))
            )

    @contextmanager
    def writing(self, nothing_done: str) -> Iterator[list[PhotoFile]]:
        """One transaction under the write lock, taken at once.

        The list that it gives takes the photos newly put in their places. When anything fails they are
        taken back while the lock is still held: no other process can have come to rely on them.
        """
        placed: list[PhotoFile] = []
        with _plain_errors(self.folder, "written", nothing_done):
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                yield placed
                self.connection.execute("COMMIT")
            except BaseException:
                for photo in placed:
                    self.photos.remove(photo)
                if self.connection.in_transaction:
                    self.connection.execute("ROLLBACK")
                raise

    def put_document(self, text: str | None) -> None:
        """Keep a rig's or sled's text under its hash; inside `writing`."""
        if text is not None:
            self.connection.execute("INSERT OR IGNORE INTO document VALUES (?, ?)", (sha256_text(text), text))

    def put_tag(self, tag: int, sled: str) -> None:
        """Write one line of the table of tags; inside `writing`."""
        digest = sha256_text(f"{tag} {sled}")
        self.connection.execute("INSERT OR REPLACE INTO tag VALUES (?, ?, ?)", (tag, sled, digest))

    def put_entry(self, entry: Entry) -> None:
        """Write one entry's row; inside `writing`."""
        self.connection.execute(_INSERT, (*content_of(entry).values(), entry.digest))

    def _require_correctable(self, id_: str | None) -> None:
        if id_ is None:
            return
        old = self.get(id_)
        if old.id != id_:
            raise UserError(f"A correction needs the whole id of the entry that it corrects, {old.id}.")
        if old.corrected_by is not None:
            raise UserError(
                f"Entry {short(old.id)} was corrected by {short(old.corrected_by)} already; correct that one."
            )

    def _kept_suffix(self, sha256: str | None) -> str | None:
        if sha256 is None:
            return None
        with _plain_errors(self.folder, "read"):
            found = self.connection.execute(
                "SELECT photo_suffix FROM entry WHERE photo_sha256 = ?", (sha256,)
            ).fetchone()
        if found is None:
            raise UserError(f"The log {self.folder} keeps no photo {sha256}; give the photo's file.")
        return str(found[0])

    # ------------------------------------------------------------------ reading

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
        """
        yield from map(entry_of_row, self._rows(SELECT, sled, since, limit))

    def listed(
        self, sled: str | None = None, since: datetime | None = None, limit: int | None = None
    ) -> Iterator[Listed]:
        """As `entries`, with no more of each than a list shows: several times as quick."""
        yield from map(Listed._make, self._rows(_SELECT_LISTED, sled, since, limit))

    def _rows(
        self, select: str, sled: str | None, since: datetime | None, limit: int | None
    ) -> Iterator[tuple[Any, ...]]:
        where, values = _conditions(sled, since)
        query = f"{select} {where} ORDER BY e.time, e.number"
        if limit is not None:
            newest = f"SELECT e.number FROM entry e {where} ORDER BY e.time DESC, e.number DESC LIMIT ?"  # noqa: S608
            query = f"{select} WHERE e.number IN ({newest}) ORDER BY e.time, e.number"
            values = [*values, limit]
        with _plain_errors(self.folder, "read"):
            yield from self.connection.execute(query, values)

    def get(self, id_: str) -> Entry:
        """Return the entry whose id begins with `id_` (at least four characters).

        Raises
        ------
        UserError
            No such entry, or more than one.
        """
        with _plain_errors(self.folder, "read"):
            if len(id_) < SHORTEST_ID or not id_.isalnum():
                raise UserError(f"{id_!r} is no entry id; give at least its first {SHORTEST_ID} letters and digits.")
            found = self.connection.execute(
                f"{SELECT} WHERE e.id >= ? AND e.id < ? LIMIT 2", (id_.lower(), f"{id_.lower()}g")
            ).fetchall()
        if not found:
            raise UserError(f"The log {self.folder} has no entry {id_}; see the ids with log list.")
        if len(found) > 1:
            raise UserError(f"More than one entry of the log {self.folder} begins with {id_}; give more of its id.")
        return entry_of_row(found[0])

    def standing_entry(self, photo_sha256: str) -> Entry | None:
        """Return the newest entry of this photo that no other corrects, if there is one."""
        query = f"{SELECT} WHERE e.photo_sha256 = ? AND c.id IS NULL ORDER BY e.number DESC LIMIT 1"
        with _plain_errors(self.folder, "read"):
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
        with _plain_errors(self.folder, "read"):
            return dict(self.connection.execute(query))

    def document(self, sha256: str | None) -> str | None:
        """Return the rig's or sled's text kept under this hash; None for None."""
        if sha256 is None:
            return None
        with _plain_errors(self.folder, "read"):
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
        with _plain_errors(self.folder, "read"):
            found = self.connection.execute("SELECT reading_json, digest FROM refusal WHERE key = ?", (key,)).fetchone()
        if found is None or sha256_text(f"{key} {found[0]}") != found[1]:
            return None
        reading: dict[str, Any] = json.loads(found[0])
        return reading

    def sleds(self) -> list[str]:
        """Names of all sleds with entries, in order of name."""
        with _plain_errors(self.folder, "read"):
            return [row[0] for row in self.connection.execute("SELECT DISTINCT sled FROM entry ORDER BY sled")]

    def sled_text(self, sled: str) -> str | None:
        """Return the text of the sled's file as it was kept last; None where only readings without one are kept."""
        query = (
            "SELECT d.text FROM entry e JOIN document d ON d.sha256 = e.sled_sha256 "
            "WHERE e.sled = ? ORDER BY e.time DESC, e.number DESC LIMIT 1"
        )
        with _plain_errors(self.folder, "read"):
            found = self.connection.execute(query, (sled,)).fetchone()
        return None if found is None else str(found[0])

    def require_sled(self, sled: str) -> None:
        """Refuse a sled without entries: raises UserError with the names that the log has."""
        names = self.sleds()
        if sled not in names:
            raise UserError(f"The log {self.folder} has no sled {sled!r}; it has: {', '.join(names) or 'none'}.")

    def tags(self) -> dict[int, str]:
        """Which tag belongs to which sled."""
        with _plain_errors(self.folder, "read"):
            return dict(self.connection.execute("SELECT tag, sled FROM tag ORDER BY tag"))

    def sled_of_tag(self, tag: int) -> str | None:
        """Name of the sled whose pieces carry this tag, if the log knows."""
        return self.tags().get(tag)


def short(id_: str) -> str:
    """Shorten an id to its first eight characters, as users see it."""
    return id_[:8]


def entry_of_row(row: tuple[Any, ...]) -> Entry:
    """Build the entry of one row of the database (columns as `CONTENT`, digest, corrected_by)."""
    content: dict[str, Any] = dict(zip(CONTENT, row, strict=False))
    return entry_of_content(content, digest=row[-2], corrected_by=row[-1])


def entry_of_content(content: Mapping[str, Any], *, digest: str, corrected_by: str | None = None) -> Entry:
    """Build the entry with this content (times as text)."""
    times = {name: datetime.fromisoformat(content[name]) for name in ("time", "written")}
    return Entry(**{**content, **times}, digest=digest, corrected_by=corrected_by)


def new_entry(draft: EntryDraft, file: PhotoFile | None = None, kept_suffix: str | None = None) -> Entry:
    """Build the entry that a draft asks for, with a new id and its digest.

    Parameters
    ----------
    draft : EntryDraft
        What the entry says.
    file : PhotoFile or None
        Its photo, read from the disk.
    kept_suffix : str or None
        File ending of the photo that the log keeps already (`EntryDraft.photo_sha256`).

    Raises
    ------
    UserError
        An unusable draft.
    """
    _require_whole(draft, file)
    now = datetime.now(UTC)
    value, u, dof = fence_error_of(draft.reading)
    entry = Entry(
        id=uuid.uuid4().hex,
        time=now if draft.time is None else draft.time.astimezone(UTC),
        written=now,
        sled=draft.sled,
        kind=draft.kind,
        photo_sha256=draft.photo_sha256 if file is None else file.sha256,
        photo_suffix=kept_suffix if file is None else file.suffix,
        file_name=draft.file_name,
        fence_error_deg=value,
        fence_error_u_deg=u,
        fence_error_dof=dof,
        rig_sha256=None if draft.rig_text is None else sha256_text(draft.rig_text),
        sled_sha256=None if draft.sled_text is None else sha256_text(draft.sled_text),
        person=draft.person,
        note=draft.note,
        adjusted=draft.adjusted,
        corrects=draft.corrects,
        reading_json=reading_text(draft.reading),
    )
    return replace(entry, digest=digest_of(content_of(entry)))


def _more_photos(more: Sequence[PhotoFile]) -> dict[str, Any]:
    return {MORE_PHOTOS: [{"sha256": each.sha256, "suffix": each.suffix} for each in more]} if more else {}


def _says_the_same(new: Entry, old: Entry) -> bool:
    """Whether two entries differ in nothing but their own id, hash and history, and the photo's file name."""
    own = {name: getattr(old, name) for name in ("id", "written", "corrects", "file_name", "digest")}
    return replace(new, **own) == old


def _require_whole(draft: EntryDraft, file: PhotoFile | None) -> None:
    if not draft.sled.strip():
        raise UserError("An entry of the log needs the sled's name; give the sled file.")
    if draft.kind not in KINDS:
        raise UserError(f'An entry is of kind "photo" or "typed", not {draft.kind!r}.')
    has_photo = file is not None or draft.photo_sha256 is not None
    if has_photo != (draft.kind == "photo"):
        raise UserError("A photo's reading is logged with its photo, and a typed reading without one.")


def _conditions(sled: str | None, since: datetime | None) -> tuple[str, list[Any]]:
    terms, values = [], list[Any]()
    if sled is not None:
        terms.append("e.sled = ?")
        values.append(sled)
    if since is not None:
        terms.append("e.time >= ?")
        values.append(utc_text(since))
    return (f"WHERE {' AND '.join(terms)}" if terms else ""), values


def _make_room(folder: Path) -> None:
    """Make the folder; refuse one with other things in it, such as the user's own photos."""
    folder.mkdir(parents=True, exist_ok=True)
    # a database that stands there by now is one that another process has just made
    own = (*_OWN_FOLDERS, *(schema.FILE_NAME + suffix for suffix in ("", "-wal", "-shm", "-journal")))
    strangers = [path.name for path in folder.iterdir() if path.name not in own]
    if strangers:
        raise UserError(
            f"{folder} holds other files ({strangers[0]}) and no calibration log; name a new or empty folder for it."
        )


@contextmanager
def _plain_errors(folder: Path, done: str, nothing_done: str = "nothing was changed") -> Iterator[None]:
    """Turn what the system or the database reports into one sentence for the user."""
    try:
        yield
    except OSError as error:
        raise UserError(
            f"The log {folder} cannot be {done} ({error.strerror or error}); {nothing_done}: free space or "
            "get the right to write there, then try again."
        ) from error
    except sqlite3.Error as error:
        raise UserError(
            f"The log {folder} cannot be {done} (database: {error}); {nothing_done}: {_advice(str(error))}."
        ) from error


def _advice(message: str) -> str:
    for sign, advice in (
        ("full", "the disk is full, free some space and try again"),
        ("readonly", "get the right to write in the folder and try again"),
        ("locked", "another program holds the log, wait for it and try again"),
        ("unable to open", "check that the folder may be written to"),
        ("disk I/O", "check the disk's free space and health, then try again"),
    ):
        if sign in message:
            return advice
    return "run log check on it"
