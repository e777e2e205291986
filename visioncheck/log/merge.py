"""Taking an export into a log: all that is new in it, or none; where both say something else, none is overruled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from visioncheck.errors import InputError, UserError
from visioncheck.log import chain, schema
from visioncheck.log.entry import tag_digest
from visioncheck.log.photos import read_photo
from visioncheck.log.rows import is_alike, short
from visioncheck.log.sound import find_objection

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from visioncheck.log.entry import Entry
    from visioncheck.log.exchange import Exported
    from visioncheck.log.photos import PhotoFile
    from visioncheck.log.store import Log


@dataclass(frozen=True, slots=True)
class Merged:
    """What became of an import.

    Attributes
    ----------
    added : int
        Entries added.
    left_out : tuple of str
        What the log has already in another entry or says otherwise, a sentence each.
    is_proved : bool
        Whether the export's chain told that nothing was taken out of it.
    photos : int
        Photos of the entries added.
    """

    added: int
    left_out: tuple[str, ...]
    is_proved: bool
    photos: int = 0


def merge(log: Log, exported: Exported, photos: Path | None = None, *, keep_ours: bool = False) -> Merged:
    """Add what an export has and the log has not.

    Entries that the log has already are passed over, so that two logs can be merged; so are those of a photo that
    counts in the log with the same reading.

    Parameters
    ----------
    log : Log
        Where they go; a new log, or one that has some of them.
    exported : Exported
        What to take in.
    photos : Path or None
        The ``photos`` folder of the log that was exported; None: the photos stand in this log's already.
    keep_ours : bool
        Where both say something else of one tag or one photo, leave the export's out.

    Raises
    ------
    UserError
        Both say something else, an entry that is not accepted, or a photo that cannot be found. The log is as before.
    """
    with log.writing(f"nothing was imported into the log {log.folder}") as placed:
        for text in exported.texts:
            log.put_document(text)
        rivals = {} if not exported.entries else _rivals(log, exported)
        tags, disputed = _new_tags(log, exported)
        differences = [*disputed, *(why for why in rivals.values() if why)]
        if differences and not keep_ours:
            more = f" (and {len(differences) - 1} more)" if len(differences) > 1 else ""
            raise InputError(
                "keep_ours",
                f"{differences[0]}{more}; add <keep_ours> to keep what this log says, or correct one of the two first.",
            )
        fresh = [each for each in exported.entries.values() if each.id not in rivals and not _has(log, each)]
        _require_accepted(fresh, exported)
        _put_in_order(log, exported, fresh, tags, photos, placed)
    said = tuple(f"Left out: {difference}." for difference in differences)
    return Merged(
        len(fresh), said, bool(exported.links) or not exported.entries, sum(len(each.photos) for each in fresh)
    )


def _new_tags(log: Log, exported: Exported) -> tuple[set[int], list[str]]:
    """Tags that the export knows and this log does not, or knows later; and those of which neither is the later."""
    ours, here = log.tags(), list(log.links())
    take, disputed = set[int](), list[str]()
    for tag, sled in exported.tags.items():
        own = ours.get(tag, sled)
        if own == sled and tag in ours:
            continue
        if tag not in ours or _knows_last(tag, here, exported.links):
            take.add(tag)
        elif not _knows_last(tag, exported.links, here):
            disputed.append(f"tag {tag} is {own}'s in the log {log.folder} and {sled}'s in the export")
    return take, disputed


def _knows_last(tag: int, one: Iterable[chain.Link], other: Iterable[chain.Link]) -> bool:
    """Whether the last that one chain says of a tag stands in the other too, which so knows what came of it."""
    last = [link.sha256 for link in one if link.kind == chain.TAG and link.name == str(tag)][-1:]
    return bool(last) and last[0] in {link.sha256 for link in other}


def _rivals(log: Log, exported: Exported) -> dict[str, str]:
    """Find entries of the export that cannot stand beside this log's: id, and the difference; empty: they are alike."""
    standing = _standing(exported.entries)
    rivals, named = dict[str, str](), set[str]()
    for entry in exported.entries.values():
        ours = _find_rival(log, entry, exported)
        if ours is None:
            if entry.corrects in rivals:
                rivals[entry.id] = ""  # named with the one that it corrects
            continue
        theirs = standing.get(entry.photo_sha256 or "", entry)
        same = ours.sled == theirs.sled and is_alike(_numbers(ours), _numbers(theirs))
        rivals[entry.id] = "" if same or theirs.id in named else _difference(log, ours, theirs)
        named.add(theirs.id)
    return rivals


def _numbers(entry: Entry) -> dict[str, object]:
    return {key: value for key, value in entry.reading.items() if key != "photo"}


def _difference(log: Log, ours: Entry, theirs: Entry) -> str:
    what = f"photo {theirs.file_name}" if theirs.photo_sha256 else f"entry {short(theirs.corrects or theirs.id)}"
    return (
        f"the {what} counts in entry {short(ours.id)} of the log {log.folder} and in entry {short(theirs.id)} of the "
        "export, which say something else"
    )


def _standing(entries: dict[str, Entry]) -> dict[str, Entry]:
    corrected = {entry.corrects for entry in entries.values()}
    return {entry.photo_sha256: entry for entry in entries.values() if entry.photo_sha256 and entry.id not in corrected}


def _find_rival(log: Log, entry: Entry, exported: Exported) -> Entry | None:
    """Find the entry of this log that stands where this one would, and that the export does not know."""
    if _has(log, entry):
        return None
    found = [log.entry_of_photo(sha256) for sha256, _ in entry.photos]
    if entry.corrects is not None and log.has(entry.corrects):
        by = log.get(entry.corrects).corrected_by
        found.append(None if by is None else log.get(by))
    return next((each for each in found if each is not None and each.id not in exported.entries), None)


def _has(log: Log, entry: Entry) -> bool:
    found = log.connection.execute("SELECT digest FROM entry WHERE id = ?", (entry.id,)).fetchone()
    if found is not None and found[0] != entry.digest:
        raise UserError(f"The log {log.folder} has another entry {short(entry.id)}; run log check on both logs.")
    return found is not None


def _require_accepted(fresh: list[Entry], exported: Exported) -> None:
    """What stands must be what would be accepted; an entry that was taken back may be anything."""
    corrected = {entry.corrects for entry in exported.entries.values()}
    for entry in fresh:
        refusal = None if entry.id in corrected else find_objection(entry)
        if refusal is not None:
            said = f"Entry {short(entry.id)} of the export {refusal.rstrip('.')}"
            raise UserError(f"{said}; correct or withdraw it in its own log and export that again.")


def _put_in_order(
    log: Log, exported: Exported, fresh: list[Entry], tags: set[int], photos: Path | None, placed: list[PhotoFile]
) -> None:
    """Write entries and tags in the order of the export's chain, so that a copy's chain is the original's."""
    left = {entry.id: entry for entry in fresh}
    links = list(exported.links or _order_old(exported))
    newest = {link.name: link.number for link in links if link.kind == chain.TAG}
    for link in links:
        if link.kind == chain.ENTRY:
            entry = left.pop(link.name, None)
            if entry is not None:
                _put_photos(log, entry, photos, placed)
                log.put_entry(entry)
        elif link.kind == chain.TAG and int(link.name) in tags and link.number == newest[link.name]:
            log.put_tag(int(link.name), exported.tags[int(link.name)])
        elif _follows(log, link):  # a line of the table that was written anew later, or the mark of the first chaining
            log.put_link(link.kind, link.name, link.digest)


def _follows(log: Log, link: chain.Link) -> bool:
    last = schema.last_link(log.connection)
    return link.previous == ("" if last is None else last.sha256)


def _order_old(exported: Exported) -> Iterator[chain.Link]:
    """Give an export of before the chain an order: its entries, then its tags."""
    last: chain.Link | None = None
    records = [(chain.ENTRY, id_, entry.digest) for id_, entry in exported.entries.items()]
    records += [(chain.TAG, str(tag), tag_digest(tag, sled)) for tag, sled in exported.tags.items()]
    for kind, name, digest in records:
        last = chain.next_link(last, kind, name, digest)
        yield last


def _put_photos(log: Log, entry: Entry, photos: Path | None, placed: list[PhotoFile]) -> None:
    for sha256, suffix in entry.photos:
        kept = log.photos.path(sha256, suffix)
        source = kept if photos is None else photos / kept.parent.name / kept.name
        if not source.is_file():
            raise UserError(
                f"Photo {source} of entry {short(entry.id)} is not there; name the photos folder of the exported log."
            )
        photo = read_photo(source)
        if photo.sha256 != sha256:
            raise UserError(f"Photo {source} of entry {short(entry.id)} is damaged; find a good copy of it first.")
        if log.photos.put(photo):
            placed.append(photo)
