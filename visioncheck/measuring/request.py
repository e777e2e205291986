"""What is to be measured: the photo or pair, what it was taken and cut with, and what is said of the piece."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from visioncheck.errors import UserError
from visioncheck.files import read_text
from visioncheck.measuring.options import PieceOptions

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from visioncheck.camera.rig import Rig
    from visioncheck.log.store import Log
    from visioncheck.sled.model import Sled


@dataclass(frozen=True)
class SledFile:
    """A sled, and its file's text as it is kept in the log."""

    sled: Sled
    text: str


@dataclass(frozen=True)
class RigFile:
    """A rig, and its file's text as it is kept in the log."""

    rig: Rig
    text: str


@dataclass(frozen=True)
class MeasureRequest:
    """One piece to be measured: every surface asks with it.

    Attributes
    ----------
    photo : Path
        The photo; of a pair the first, in whose terms the reading and the options are told.
    turned : Path or None
        A second photo of the piece, turned a quarter turn on the sheet.
    sled_file : SledFile or None
        The sled it belongs to: which side of the blade the piece came from, and where the fence stands.
    rig_file : RigFile or None
        The survey of this phone and sheet.
    options : PieceOptions
        What the photo does not show.
    """

    photo: Path
    turned: Path | None = None
    sled_file: SledFile | None = None
    rig_file: RigFile | None = None
    options: PieceOptions = field(default_factory=PieceOptions)

    @property
    def sled(self) -> Sled | None:
        """The sled without its file's text."""
        return None if self.sled_file is None else self.sled_file.sled

    @property
    def rig(self) -> Rig | None:
        """The rig without its file's text."""
        return None if self.rig_file is None else self.rig_file.rig


def read_sled(path: Path) -> SledFile:
    """Read a sled file and keep its text; raises UserError as `load_sled` does."""
    from visioncheck.sled.file import parse_sled, sled_text

    text = sled_text(path)
    return SledFile(parse_sled(text, str(path)), text)


def sled_in_log(log: Log, name: str) -> SledFile | None:
    """Take a sled's file as the log kept it last; None where it keeps none."""
    from visioncheck.sled.file import parse_sled

    text = log.sled_text(name)
    return None if text is None else SledFile(parse_sled(text, f"the file of {name} in the log"), text)


def read_rig(path: Path) -> RigFile:
    """Read a rig file and keep its text; raises UserError as `load_rig` does."""
    from visioncheck.camera.rig_file import load_rig

    return RigFile(load_rig(path), read_text(path, "rig file"))


def refuse_twice(photos: Iterable[Path]) -> None:
    """Refuse a photo that is given twice, under whatever name: one photo is one reading.

    Raises
    ------
    UserError
        Naming the photo.
    """
    from visioncheck.log.photos import read_photo

    seen: dict[str, Path] = {}
    for path in photos:
        try:
            digest = read_photo(path).sha256
        except UserError:
            continue  # who measures it says what is wrong with it
        if digest in seen:
            also = "" if seen[digest] == path else f", as {seen[digest]} too"
            raise UserError(f"is given twice{also}; a photo counts once").of(path)
        seen[digest] = path
