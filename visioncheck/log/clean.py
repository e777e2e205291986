"""Clearing away what broken-off writes left, so that no photo is ever lost by it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from visioncheck.log import inventory, records, schema
from visioncheck.log.chain_check import chain_problems, list_problems
from visioncheck.log.photos import file_sha256, is_broken_off, is_picture

if TYPE_CHECKING:
    from pathlib import Path

    from visioncheck.log.inventory import Inventory
    from visioncheck.log.store import Log


@dataclass(frozen=True, slots=True)
class Cleared:
    """A file that was out of place.

    Attributes
    ----------
    path : Path
        Where it was.
    to : Path or None
        Where it is now: back in its place, or aside; where it was: written anew; None: it is gone.
    is_back : bool
        Whether it is in its place again.
    """

    path: Path
    to: Path | None = None
    is_back: bool = False


def clean(log: Log) -> list[Cleared]:
    """Put back photos that are found by their content, move others aside, remove unfinished copies.

    Works under the write lock, so nothing that another process is just writing is taken for a leftover. While a record
    is damaged or missing, photos that no entry names stay where they are: they may be that record's.
    """
    with log.writing(f"nothing was removed from {log.folder}"):
        found = inventory.take(log)
        lacking = {sha256: place for sha256, place in _places(log, found).items() if not _is_whole(place, sha256)}
        cleared = [_put_back(log, path, lacking) for path in _candidates(log, found)]
        done = [each for each in cleared if each is not None]
        is_whole = not lacking and _is_complete(log, found)
        for path in log.photos.strays(found.photos):
            if is_broken_off(path) and (is_whole or not is_picture(path)):
                path.unlink()
                done.append(Cleared(path))
            elif is_whole:
                done.append(Cleared(path, log.photos.move_aside(path)))
        done += _mend_list(log, found)
    return done


def _places(log: Log, found: Inventory) -> dict[str, Path]:
    return {sha256: log.photos.path(sha256, suffix) for sha256, suffix in found.photos}


def _candidates(log: Log, found: Inventory) -> list[Path]:
    needed = {log.photos.path(*each) for each in found.photos}
    return [path for path in log.photos.files_and_aside() if path not in needed]


def _put_back(log: Log, path: Path, lacking: dict[str, Path]) -> Cleared | None:
    if not lacking:
        return None
    try:
        place = lacking.pop(file_sha256(path), None)
    except OSError:
        return None
    if place is None:
        return None
    if place.exists():
        log.photos.move_aside(place)
    place.parent.mkdir(parents=True, exist_ok=True)
    path.replace(place)
    return Cleared(path, place, is_back=True)


def _is_whole(place: Path, sha256: str) -> bool:
    try:
        return file_sha256(place) == sha256
    except OSError:
        return False


def _is_complete(log: Log, found: Inventory) -> bool:
    missing = any(problem.kind == "missing record" for problem in list_problems(log.folder, found))
    return not missing and not found.problems and not list(chain_problems(found))


def _mend_list(log: Log, found: Inventory) -> list[Cleared]:
    """Write the list of records anew where it is missing or damaged, and names nothing that is not there."""
    wrong = list(list_problems(log.folder, found))
    if wrong and all(problem.kind == "list" for problem in wrong) and not list(chain_problems(found)):
        place = log.folder / records.FILE_NAME
        place.unlink(missing_ok=True)
        records.append(log.folder, list(schema.links(log.connection)))
        return [Cleared(place, place, is_back=True)]
    return []
