"""The log's photos: files under their SHA-256, written whole or not at all, never altered."""

from __future__ import annotations

import errno
import hashlib
import io
import itertools
import os
import uuid
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from visioncheck.errors import UserError
from visioncheck.files import bounded_bytes, replace_whole

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

FOLDER_NAME = "photos"
ASIDE = "aside"
"""Folder in the log's for what cleaning a log moved out of the way."""
_LEFTOVER = ".part-"
MAX_BYTES = 300_000_000


@dataclass(frozen=True)
class PhotoFile:
    """The bytes of one photo, read once, so that what is hashed is what is written."""

    data: bytes
    sha256: str
    suffix: str


def read_photo(path: Path) -> PhotoFile:
    """Read a photo's bytes.

    Raises
    ------
    UserError
        No such file, not a picture (told by content, not by name), or larger than any photo.
    """
    try:
        data = bounded_bytes(path, MAX_BYTES)
    except OSError as error:
        if error.errno == errno.EFBIG:
            raise UserError(f"the file is larger than {MAX_BYTES // 1_000_000} MB; give the photo itself").of(
                path
            ) from None
        raise UserError(f"cannot be read ({error.strerror}); check the photo's name").of(path) from error
    suffix = _suffix(data)
    if suffix is None:
        raise UserError("is not a JPEG, PNG, TIFF or HEIC picture; give the photo that was measured").of(path)
    return PhotoFile(data, hashlib.sha256(data).hexdigest(), suffix)


def _suffix(data: bytes) -> str | None:
    """File ending by the format's first bytes."""
    if data.startswith(b"\xff\xd8\xff"):
        return ".jpg"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return ".png"
    if data[:4] in {b"II*\0", b"MM\0*"}:
        return ".tif"
    if data[4:8] == b"ftyp" and data[8:12] in {b"heic", b"heix", b"mif1", b"msf1", b"hevc"}:
        return ".heic"
    return None


def taken(photo: Path | bytes) -> datetime | None:
    """When the camera says the photo was taken (EXIF 2.3 tags 36867 and 36881); None where it does not.

    A photo whose bytes were read already is not opened again.

    Without a zone, as older phones write it, the time is taken as this computer's local time.
    """
    from PIL import Image, UnidentifiedImageError
    from pillow_heif import register_heif_opener

    register_heif_opener()
    try:
        with Image.open(io.BytesIO(photo) if isinstance(photo, bytes) else photo) as image:
            tags = image.getexif().get_ifd(0x8769)
        text = f"{str(tags[36867]).replace(':', '-', 2)}{tags.get(36881, '')}"
        return datetime.fromisoformat(text).astimezone()
    except (OSError, UnidentifiedImageError, Image.DecompressionBombError, KeyError, ValueError, OverflowError):
        return None


class PhotoFolder:
    """``photos/ab/abcdef….jpg`` under the log's folder.

    `put` and `strays` must run inside the database's write lock: then a file that no row names
    is a leftover for certain and not another process's work under way.
    """

    def __init__(self, log_folder: Path) -> None:
        self.folder = log_folder / FOLDER_NAME

    def path(self, sha256: str, suffix: str) -> Path:
        """Where the photo stands."""
        return self.folder / sha256[:2] / f"{sha256}{suffix}"

    def put(self, photo: PhotoFile) -> bool:
        """Write the photo beside its place, force it to disk, then rename; False: it stood there already."""
        place = self.path(photo.sha256, photo.suffix)
        if place.exists() and file_sha256(place) == photo.sha256:
            return False
        temporary = place.with_name(f"{_LEFTOVER}{uuid.uuid4().hex}")
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
            replace_whole(place, photo.data, beside=temporary, to_disk=True)
        except BaseException:
            self._remove_if_empty(place.parent)
            raise
        for folder in (place.parent, self.folder, self.folder.parent):
            _sync_folder(folder)
        return True

    def remove(self, photo: PhotoFile) -> None:
        """Take back a photo whose row could not be written."""
        place = self.path(photo.sha256, photo.suffix)
        place.unlink(missing_ok=True)
        self._remove_if_empty(place.parent)

    def files(self) -> Iterator[Path]:
        """Every file in the photos' folder, leftovers of broken-off writes included."""
        yield from _files(self.folder)

    def files_and_aside(self) -> Iterator[Path]:
        """As `files`, and those that were moved aside."""
        yield from _files(self.folder)
        yield from _files(self.folder.with_name(ASIDE))

    def strays(self, needed: Iterable[tuple[str, str]]) -> list[Path]:
        """Files that stand in the place of no photo that is needed (hash and file ending)."""
        places = {self.path(*each) for each in needed}
        return [path for path in self.files() if path not in places]

    def move_aside(self, path: Path) -> Path:
        """Move a file out of the photos' folder, into one beside it; never over another."""
        aside = self.folder.with_name(ASIDE)
        aside.mkdir(exist_ok=True)
        place = next(each for k in itertools.count() if not (each := aside / f"{'again-' * k}{path.name}").exists())
        path.replace(place)
        return place

    @staticmethod
    def _remove_if_empty(folder: Path) -> None:
        if folder.is_dir() and not any(folder.iterdir()):
            folder.rmdir()


def is_broken_off(path: Path) -> bool:
    """Whether the file is a photo's unfinished copy."""
    return path.name.startswith(_LEFTOVER)


def is_picture(path: Path) -> bool:
    """Whether a file begins as pictures do."""
    with path.open("rb") as file:
        return _suffix(file.read(16)) is not None


def _files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file()) if folder.is_dir() else []


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes; raises OSError."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def photo_fault(path: Path, sha256: str) -> str:
    """Say what is wrong with a photo's file: that it is missing, cannot be read or is damaged; empty: nothing."""
    try:
        return "" if file_sha256(path) == sha256 else "is damaged"
    except FileNotFoundError:
        return "is missing"
    except OSError as error:
        return f"cannot be read ({error.strerror})"


def _sync_folder(folder: Path) -> None:
    # the rename itself must reach the disk before the row that relies on it; only POSIX opens folders
    if os.name == "posix":
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
