"""Where the page's work finds things: its folders, and an entry's photo, rig and what was told, out of the log."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from visioncheck.errors import UserError
from visioncheck.page.jobs import photo_name

if TYPE_CHECKING:
    from visioncheck.measuring.options import PieceOptions


@dataclass(frozen=True)
class Places:
    """Folders: of the log, of the rigs, and of the page's own files."""

    log: Path
    rigs: Path
    page: Path

    def picture(self, entry_id: str, *, counts: bool, large: bool = False) -> Path:
        """Where the annotated picture of a log entry is kept once it is drawn: with its move while it counts."""
        return self.page / "pictures" / f"{entry_id}{'' if counts else '-before'}{'-large' if large else ''}.jpg"

    def close_up(self, entry_id: str, edge: int) -> Path:
        """Where the close-up of an edge of a log entry is kept once it is drawn."""
        return self.page / "pictures" / f"{entry_id}-edge{edge}.jpg"


@dataclass(frozen=True)
class Kept:
    """An entry's photo, of a pair the second one too, rig and what was told, copied out of the log."""

    photo: Path
    second: Path | None
    rig: Path | None
    told: PieceOptions


def copy_kept(places: Places, entry_id: str, folder: Path) -> Kept:
    """Copy an entry's photo and rig into a folder; raises UserError where it has no photo."""
    from visioncheck.log.store import Log
    from visioncheck.measuring.options import options_from_json

    with Log.open(places.log, readonly=True) as log:
        entry = log.get(entry_id)
        text, sources = log.document(entry.rig_sha256), log.photo_paths(entry)
    if not sources:
        raise UserError("That reading has no photo: take one.")
    photos = []
    for (sha256, _), source in zip(entry.photos, sources, strict=True):
        photos.append(folder / photo_name(sha256, source.suffix))
        shutil.copyfile(source, photos[-1])
    rig = None
    if text is not None:
        rig = folder / "rig.json"
        rig.write_bytes(text.encode())
    second = photos[1] if len(photos) > 1 else None
    return Kept(photos[0], second, rig, options_from_json(entry.reading))
