"""A new entry begun from an old one: to correct it or to withdraw it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from visioncheck.log.entry import EntryDraft

if TYPE_CHECKING:
    from visioncheck.log.entry import Entry
    from visioncheck.log.store import Log


def draft_from_entry(log: Log, old: Entry) -> EntryDraft:
    """Draft a correction that says all that the old entry says."""
    return EntryDraft(
        sled=old.sled,
        reading=old.reading,
        kind=old.kind,
        time=old.time,
        photo_sha256=old.photo_sha256,
        file_name=old.file_name,
        rig_text=log.document(old.rig_sha256),
        sled_text=log.document(old.sled_sha256),
        person=old.person,
        note=old.note,
        adjusted=old.adjusted,
        corrects=old.id,
    )
