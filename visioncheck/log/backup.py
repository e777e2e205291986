"""A copy of a log that is whole at every moment, made while others write; and a log from its copy."""

from __future__ import annotations

import os
import shutil
import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING

from visioncheck.errors import UserError
from visioncheck.log import inventory, photos, records, schema
from visioncheck.log.chain_check import chain_problems
from visioncheck.log.check import check
from visioncheck.log.photos import PhotoFolder, photo_fault
from visioncheck.log.plain import plain_errors
from visioncheck.log.rows import short
from visioncheck.log.store import Log

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from visioncheck.log.chain import Link

_UNFINISHED = f".{schema.FILE_NAME}.part"
# what the page looks for in the log's folder, small files of the user's
_BESIDE = ("sleds", "rigs")
# no record is lost by these; a photo of a lost record comes with the record that is missing, or is of nobody
_OF_FILES = {"list", "missing photo", "damaged photo", "photo of a lost record"}


@dataclass(frozen=True, slots=True)
class Copied:
    """What a backup did.

    Attributes
    ----------
    head : Link or None
        Where the log's chain stood; None: an empty log, or one of before the chain.
    photos, new_photos : int
        Photos in the copy, and those of them that were not there before.
    damaged : tuple of str
        Rows of the log that are damaged, and so in the copy too, a sentence each.
    lacking : tuple of str
        Photos that the log lacks or holds damaged and the copy lacks too, a sentence each.
    only_here : tuple of str
        Photos that the log has lost since an earlier backup and the copy still holds, a sentence each.
    """

    head: Link | None
    photos: int
    new_photos: int
    damaged: tuple[str, ...] = ()
    lacking: tuple[str, ...] = ()
    only_here: tuple[str, ...] = ()

    @property
    def is_whole(self) -> bool:
        """Whether log and copy both hold all that there was."""
        return not (self.damaged or self.lacking or self.only_here)


def back_up(folder: Path, to: Path) -> Copied:
    """Copy a log, or bring an earlier copy of it up to date; broken off, the same call goes on.

    The database is copied as it stands at one moment, beside its place; then the photos that it names, which are never
    changed; the copy gets its new database when all of them are there.

    Parameters
    ----------
    folder : Path
        The log.
    to : Path
        A new or empty folder, or an earlier backup of this log.

    Raises
    ------
    UserError
        `to` is something else, or a backup that has records which the log lacks; or it cannot be written.
    """
    _require_apart(folder, to)
    with Log.open(folder, readonly=True) as log, plain_errors(to, "written", "the backup before is as it was"):
        _make_room(to)
        beside = to / _UNFINISHED
        try:
            _copy_database(log.connection, beside)
            with _opened(beside, to) as copy:
                found = inventory.take(copy)
                _require_newer(to, found)
                copied = _copy_photos(log.photos, copy.photos, found)
                copy.connection.execute("PRAGMA journal_mode = DELETE")
            _take_place(beside, to, found)
        finally:
            beside.unlink(missing_ok=True)
        _copy_beside(folder, to)
    return copied


def restore(backup: Path, folder: Path) -> Copied:
    """Make a log from its backup, after a look at it; a photo that the backup lacks costs no other.

    Parameters
    ----------
    backup : Path
        What `back_up` wrote, or any other whole log.
    folder : Path
        The new log's; it must be new or empty.

    Raises
    ------
    UserError
        The backup's records are not whole, or the folder is in use.
    """
    if (folder / schema.FILE_NAME).exists():
        raise UserError(
            f"{folder} holds a log; restore into a new folder, and bring over what the other has beside it with log "
            "export and log import."
        )
    with Log.open(backup, readonly=True) as log:
        wrong = [problem for problem in check(log) if not problem.is_harmless and problem.kind not in _OF_FILES]
    if wrong:
        raise UserError(f"The backup {backup} is not whole: {wrong[0].what} See log check {backup}.")
    return back_up(backup, folder)


def _require_apart(folder: Path, to: Path) -> None:
    here, there = folder.resolve(), to.resolve()
    if here == there or here in there.parents or there in here.parents:
        raise UserError(
            f"{to} and the log {folder} lie in one another; choose a folder elsewhere, best on another disk."
        )


def _make_room(to: Path) -> None:
    to.mkdir(parents=True, exist_ok=True)
    own = {schema.FILE_NAME, _UNFINISHED, records.FILE_NAME, photos.FOLDER_NAME, *_BESIDE}
    strangers = [path.name for path in to.iterdir() if path.name not in own and not path.name.startswith(_UNFINISHED)]
    if strangers:
        raise UserError(
            f"{to} holds other files ({strangers[0]}); choose a new folder, or an earlier backup of this log."
        )


def _copy_database(source: sqlite3.Connection, beside: Path) -> None:
    beside.unlink(missing_ok=True)
    target = sqlite3.connect(beside, isolation_level=None)
    try:
        source.backup(target)
    finally:
        target.close()


def _opened(beside: Path, to: Path) -> Log:
    connection = sqlite3.connect(beside, isolation_level=None)
    connection.text_factory = schema.lenient
    return Log(to, connection)


def _require_newer(to: Path, found: inventory.Inventory) -> None:
    """An earlier backup must be the log's own past: what it has and the log has not would be lost."""
    if not (to / schema.FILE_NAME).exists():
        return
    with Log.open(to, readonly=True) as before:
        last = schema.last_link(before.connection)
        ids = inventory.take(before).digests.keys()
    if found.problems or any(True for _ in chain_problems(found)):
        raise UserError(f"The log is damaged, so the earlier backup {to} was left as it is; run log check on the log.")
    known = {link.sha256 for link in found.links}
    if not ids <= found.digests.keys() or (last is not None and last.sha256 not in known):
        raise UserError(
            f"The backup {to} has records that this log lacks: it is of another log, or the log is an older one that "
            "was put back; run log check, and choose another folder for this backup."
        )


def _copy_photos(source: PhotoFolder, target: PhotoFolder, found: inventory.Inventory) -> Copied:
    new, lacking, only_here = 0, list[str](), list[str]()
    for (sha256, suffix), ids in found.photos.items():
        here, there = source.path(sha256, suffix), target.path(sha256, suffix)
        fault = photo_fault(here, sha256)
        is_there = not photo_fault(there, sha256)
        named = f"Photo {found.names.get(sha256) or here.name} (entry {', '.join(map(short, dict.fromkeys(ids)))})"
        if not fault:
            new += target.put(photos.read_photo(here)) if not is_there else 0
        elif is_there:
            only_here.append(f"{named} {fault} in the log: {here}. Its backup {there} is whole: copy it to that place.")
        else:
            lacking.append(f"{named} {fault}: {here}.")
    head = found.links[-1] if found.links else None
    wrong = tuple(problem.what for problem in found.problems)
    return Copied(head, len(found.photos) - len(lacking), new, wrong, tuple(lacking), tuple(only_here))


def _take_place(beside: Path, to: Path, found: inventory.Inventory) -> None:
    with beside.open("rb+") as file:
        os.fsync(file.fileno())
    beside.replace(to / schema.FILE_NAME)
    listed = records.read(to)
    noted = {each.sha256 for each in listed[0]} if listed else set[str]()
    records.append(to, [link for link in found.links if link.sha256 not in noted])


def _copy_beside(folder: Path, to: Path) -> None:
    for source in _files_beside(folder):
        place = to / source.relative_to(folder)
        if not place.exists() or place.read_bytes() != source.read_bytes():
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, place)


def _files_beside(folder: Path) -> Iterator[Path]:
    for name in _BESIDE:
        if (folder / name).is_dir():
            yield from sorted(path for path in (folder / name).rglob("*") if path.is_file())
