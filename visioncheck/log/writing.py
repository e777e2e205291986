"""Adding to the log: each entry with its photo, its texts and its place in the chain, or nothing at all."""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from visioncheck.errors import InputError, UserError
from visioncheck.log import chain, records, schema
from visioncheck.log.entry import ADJUSTMENT, CONTENT, MORE_PHOTOS, entry_content, sha256_text, tag_digest
from visioncheck.log.photos import read_photo
from visioncheck.log.plain import plain_errors
from visioncheck.log.queries import Queries
from visioncheck.log.rows import new_entry, says_the_same, short
from visioncheck.log.sound import reading_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from visioncheck.log.entry import Entry, EntryDraft
    from visioncheck.log.photos import PhotoFile

_INSERT = (
    f"INSERT INTO entry ({', '.join((*CONTENT, 'digest'))}) "  # noqa: S608 - own names
    f"VALUES ({', '.join('?' * (len(CONTENT) + 1))})"
)


class Writing(Queries):
    """What may be added to a log; see `visioncheck.log.store.Log`."""

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
        if draft.corrects is None:
            draft = replace(draft, reading=_with_adjustment(self, draft))
        entry = new_entry(draft, file, self._kept_suffix(draft.photo_sha256))
        with self.writing(f"nothing was added to the log {self.folder}") as placed:
            self._require_free(entry)
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
            What the measuring says; with `corrects` it stands in for that entry, which may be of another photo.
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
            old = self.standing_entry(photo.sha256) if draft.corrects is None else self.get(draft.corrects)
            self._require_counted_once(photo, more)
            if old is None:
                draft = replace(draft, **said)
                draft = replace(draft, reading=_with_adjustment(self, draft))
            else:
                same = ("time",) if old.photo_sha256 == photo.sha256 else ()
                kept = {name: getattr(old, name) for name in ("person", "note", "adjusted", *same)}
                draft = replace(draft, **{**kept, **said}, corrects=old.id)
                draft = replace(draft, reading=_with_adjustment(self, draft, old))
            entry = new_entry(draft, photo)
            self._require_free(entry)
            if old is not None and says_the_same(entry, old):
                for file in (photo, *more):
                    self.photos.put(file)  # mends a copy that was lost or damaged
                return old
            self._put(entry, draft, [photo, *more], placed)
        return entry

    def _require_free(self, entry: Entry) -> None:
        """Require that no other entry of this photo stands, which the database would say in its own words."""
        old = None if entry.photo_sha256 is None else self.entry_of_photo(entry.photo_sha256)
        if old is None or (entry.corrects and self.get(entry.corrects).photo_sha256 == entry.photo_sha256):
            return
        raise InputError(
            "corrects",
            f"This photo is in the log {self.folder} already, in entry {short(old.id)}, and a photo counts once; to "
            f"correct that one: log attach with <corrects={short(old.id)}>.",
        )

    def _require_counted_once(self, photo: PhotoFile, more: Sequence[PhotoFile]) -> None:
        others = [found for each in more if (found := self.standing_entry(each.sha256)) and found.fence_error]
        counted = others[0].id if others else self.second_photos().get(photo.sha256)
        if counted:
            raise InputError(
                "corrects",
                f"A photo counts once, and one of these counts in entry {short(counted)} of the log {self.folder}; "
                f"withdraw that first: log attach with <corrects={short(counted)}> and <withdraw>.",
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
        taken back while the lock is still held: no other process can have come to rely on them. Once the rows are
        written nothing is taken back, whatever comes after.
        """
        placed: list[PhotoFile] = []
        with plain_errors(self.folder, "written", nothing_done):
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                last = schema.last_link(self.connection)
                yield placed
                self.connection.execute("COMMIT")
            except BaseException as error:
                # Ctrl-C may come just after the commit; a full disk rolls the transaction back by itself
                if self.connection.in_transaction or isinstance(error, sqlite3.Error):
                    for photo in placed:
                        self.photos.remove(photo)
                if self.connection.in_transaction:
                    self.connection.execute("ROLLBACK")
                raise
            records.append(self.folder, list(schema.links(self.connection, last.number if last else 0)))

    def put_document(self, text: str | None) -> None:
        """Keep a rig's or sled's text under its hash; inside `writing`."""
        if text is not None:
            self.connection.execute("INSERT OR IGNORE INTO document VALUES (?, ?)", (sha256_text(text), text))

    def put_tag(self, tag: int, sled: str) -> None:
        """Write one line of the table of tags; inside `writing`."""
        digest = tag_digest(tag, sled)
        self.connection.execute("INSERT OR REPLACE INTO tag VALUES (?, ?, ?)", (tag, sled, digest))
        self.put_link(chain.TAG, str(tag), digest)

    def put_entry(self, entry: Entry) -> None:
        """Write one entry's row; inside `writing`."""
        self.connection.execute(_INSERT, (*entry_content(entry).values(), entry.digest))
        self.put_link(chain.ENTRY, entry.id, entry.digest)

    def put_link(self, kind: str, name: str, digest: str) -> None:
        """Chain a record to the one written before it; inside `writing`."""
        link = chain.next_link(schema.last_link(self.connection), kind, name, digest)
        self.connection.execute(schema.PUT_LINK, schema.link_row(link))

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
        with plain_errors(self.folder, "read"):
            found = self.connection.execute(
                "SELECT photo_suffix FROM entry WHERE photo_sha256 = ?", (sha256,)
            ).fetchone()
        if found is None:
            raise UserError(f"The log {self.folder} keeps no photo {sha256}; give the photo's file.")
        return str(found[0])


def _more_photos(more: Sequence[PhotoFile]) -> dict[str, Any]:
    return {MORE_PHOTOS: [{"sha256": each.sha256, "suffix": each.suffix} for each in more]} if more else {}


def _with_adjustment(log: Queries, draft: EntryDraft, old: Entry | None = None) -> Mapping[str, Any]:
    """Add the adjustment as structure; what an entry that is corrected says of the same one stands."""
    if not draft.adjusted or ADJUSTMENT in draft.reading:
        return draft.reading
    if old is not None and old.adjusted == draft.adjusted:
        same = old.reading.get(ADJUSTMENT)
        return draft.reading if same is None else {**draft.reading, ADJUSTMENT: same}
    from visioncheck.log.adjustment import with_adjustment  # lazy: loads the numerics

    return with_adjustment(log, draft)
