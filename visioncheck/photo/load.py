"""A photo: its pixels as they are stored, and what the camera wrote beside them."""

from __future__ import annotations

import hashlib
import io
import re
import warnings
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from visioncheck import checks
from visioncheck.errors import UserError
from visioncheck.photo.orientation import as_stored
from visioncheck.photo.profile import to_srgb

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray
    from PIL.Image import Image

QUARTER = 4

# Exif 2.32 (JEITA CP-3451), tables 4 and 8
_MAKE, _MODEL, _ORIENTATION, _DATE, _EXIF_IFD = 0x010F, 0x0110, 0x0112, 0x0132, 0x8769
_TAKEN, _FOCAL, _FOCAL_35 = 0x9003, 0x920A, 0xA405

_TOO_MANY = f"the picture has more than {checks.PHOTO_MOST_PIXELS // 10**6} megapixels; save it smaller and try again"
_DAMAGED = "the picture is damaged; copy it from the phone again"
_JPEGS = ("JPEG", "MPO")
"""The second: several JPEGs in one file, as phones write it; the first one counts."""
_CORRUPT = ("Corrupt JPEG data", "Premature end")
_NEXT_MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")
"""In coded data 0xFF is followed by 0 or a restart number; anything else is the next marker."""

DRAWN = {"Software": "visioncheck"}
"""What a picture that we drew says of itself (PNG, ISO/IEC 15948, 11.3.4.2), so that nobody measures it as a photo."""

PHOTO_SUFFIXES = {".jpg", ".jpeg", ".png", ".heic", ".heif", ".tif", ".tiff"}


@dataclass(frozen=True)
class Exif:
    """What the phone wrote; None where it wrote nothing."""

    make: str | None = None
    model: str | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    taken: str | None = None
    orientation: int = 1


@dataclass(frozen=True)
class Photo:
    """One decoded photo.

    Attributes
    ----------
    path : Path
        Where it came from; for messages alone.
    bgr : (height, width, 3) uint8 ndarray
        Stored pixels BEFORE any EXIF rotation, in OpenCV's channel order, gamma-coded.
    sha256 : str
        Of the file's bytes.
    """

    path: Path
    bgr: NDArray[np.uint8]
    exif: Exif
    sha256: str

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the stored picture, px."""
        height, width = self.bgr.shape[:2]
        return int(width), int(height)

    @cached_property
    def quarter(self) -> NDArray[np.uint8]:
        """The picture at a quarter of its size, each pixel the mean of 4 x 4 whole ones, to a level; made once for all.

        Its pixel (x, y) has its centre at (4 x + 1.5, 4 y + 1.5) of the picture.
        """
        return reduced(reduced(self.bgr, 2), QUARTER // 2)  # twice a half is twice as fast as once a quarter


def reduced(picture: NDArray[np.uint8], times: int) -> NDArray[np.uint8]:
    """Shrink a picture by a whole number: each small pixel is the mean of whole ones, what is left over is cut off."""
    import cv2

    height, width = (side // times for side in picture.shape[:2])
    whole = picture[: height * times, : width * times]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


def load_photo(path: Path, data: bytes | None = None) -> Photo:
    """Read a photo: JPEG, PNG (16 bit scaled to 8), HEIC, and whatever else the decoder knows.

    Parameters
    ----------
    path : Path
        Where it is.
    data : bytes or None
        The file's bytes, where they were read already: it is not opened again.

    Raises
    ------
    UserError
        No such file, a folder, empty, too large, too small, not a picture, or damaged.
    """
    data = _read_bytes(path) if data is None else data
    exif, size, kind, profile = _header(path, data)
    if is_drawn(data):
        raise UserError("this is a picture that visioncheck drew; give the photo itself").of(path)
    _check_size(path, *size)
    if kind in _JPEGS and not jpeg_is_whole(data):
        raise UserError("the JPEG is cut short or damaged; copy it from the phone again").of(path)
    if kind == "HEIF":
        bgr = _decode_heif(path, data, exif.orientation)
    else:
        bgr = _decode_jpeg(path, data) if kind in _JPEGS else _decode(path, data)
    _check_size(path, bgr.shape[1], bgr.shape[0])
    if profile:
        bgr = to_srgb(bgr, profile)
    return Photo(path, bgr, exif, hashlib.sha256(data).hexdigest())


def is_drawn(data: bytes) -> bool:
    """Whether a file's first bytes are those of a picture of ours, see `DRAWN`."""
    return data.startswith(b"\x89PNG") and b"\0".join(word.encode() for word in next(iter(DRAWN.items()))) in data[:200]


def _read_bytes(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise UserError("this is a folder; name the photo itself").of(path)
        if not path.exists():
            raise UserError("there is no such file; check the name").of(path)
        if not path.is_file():
            raise UserError("this is not a file; name a photo").of(path)
        size = path.stat().st_size
        if size == 0:
            raise UserError("the file is empty; copy it from the phone again").of(path)
        if size > checks.PHOTO_MOST_BYTES:
            raise UserError(
                f"the file is larger than {checks.PHOTO_MOST_BYTES // 2**20} MiB; save the photo as JPEG"
            ).of(path)
        return path.read_bytes()
    except (OSError, ValueError) as problem:
        why = problem.strerror if isinstance(problem, OSError) and problem.strerror else str(problem)
        raise UserError(f"cannot be read ({why}); check the name and its permissions").of(path) from problem


def _header(path: Path, data: bytes) -> tuple[Exif, tuple[int, int], str, bytes]:
    """EXIF, (width, height), the kind of picture and its colour profile, from the header: nothing is decoded."""
    from PIL import Image

    if data[4:8] == b"ftyp":
        import pillow_heif

        pillow_heif.register_heif_opener()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # our own bound on the pixels says it in a sentence
            # a damaged file can raise almost anything in a decoder
            with Image.open(io.BytesIO(data)) as image:
                return _exif(image), image.size, image.format or "", image.info.get("icc_profile") or b""
    except Image.DecompressionBombError as problem:
        raise UserError(_TOO_MANY).of(path) from problem
    except Exception as problem:
        raise UserError("this is not a picture that can be read; give a JPEG, PNG or HEIC photo").of(path) from problem


def _exif(image: Image) -> Exif:
    """Read what the phone wrote; damaged entries count as not written."""
    try:
        tags = image.getexif()
        lens = tags.get_ifd(_EXIF_IFD)
    except Exception:  # noqa: BLE001 - a damaged block must not cost the photo
        return Exif()
    # the HEIC reader sets the tag to 1 and keeps what it was
    orientation = image.info.get("original_orientation") or tags.get(_ORIENTATION)
    return Exif(
        make=_text(tags.get(_MAKE)),
        model=_text(tags.get(_MODEL)),
        focal_mm=_positive(lens.get(_FOCAL)),
        focal_35mm=_positive(lens.get(_FOCAL_35)),
        taken=_text(lens.get(_TAKEN)) or _text(tags.get(_DATE)),
        orientation=orientation if isinstance(orientation, int) and 1 <= orientation <= 8 else 1,
    )


def _text(value: object) -> str | None:
    if not isinstance(value, str):
        return None
    return "".join(sign for sign in value if sign.isprintable()).strip() or None


def _positive(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ArithmeticError):
        return None
    return number if 0 < number < 1e5 else None


def _check_size(path: Path, width: int, height: int) -> None:
    if width * height > checks.PHOTO_MOST_PIXELS:
        raise UserError(_TOO_MANY).of(path)
    if min(width, height) < checks.PHOTO_LEAST_SIDE_PX:
        raise UserError(f"the picture is only {width} x {height} pixels; give the photo in the phone's full size").of(
            path
        )


def _decode_jpeg(path: Path, data: bytes) -> NDArray[np.uint8]:
    """Decode a JPEG, and tell when its coded data do not add up: the rest of the picture is shifted then."""
    import simplejpeg

    try:
        return np.asarray(simplejpeg.decode_jpeg(data, colorspace="BGR", strict=True), np.uint8)
    except (ValueError, MemoryError) as problem:
        if str(problem).startswith(_CORRUPT):
            raise UserError(_DAMAGED).of(path) from problem
    return _decode(path, data)  # odd but whole, as some phones write it, or of a kind that only the other decoder reads


def _decode(path: Path, data: bytes) -> NDArray[np.uint8]:
    import cv2

    colour_unrotated = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        # without IMREAD_ANYDEPTH 16 bits are scaled to 8
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), colour_unrotated)
    except (cv2.error, MemoryError) as problem:
        raise UserError(_DAMAGED).of(path) from problem
    if picture is None:
        raise UserError(_DAMAGED).of(path)
    return np.asarray(picture, np.uint8)


def _decode_heif(path: Path, data: bytes, orientation: int) -> NDArray[np.uint8]:
    import pillow_heif

    try:
        picture = np.asarray(pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True))
    except Exception as problem:
        raise UserError(_DAMAGED).of(path) from problem
    if picture.ndim == 2:
        picture = np.repeat(picture[:, :, None], 3, axis=2)
    # the decoder turns the pixels upright; the lens belongs to the sensor, however the phone was held
    return as_stored(picture[:, :, 2::-1], orientation)


def jpeg_is_whole(data: bytes) -> bool:
    """Whether a JPEG's segments lead to its end marker (ITU-T T.81 | ISO/IEC 10918-1, annex B).

    The decoder fills what is missing with grey and says nothing. What follows the end marker
    (phones append previews and motion clips) does not matter.
    """
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            return False
        marker = data[at + 1]
        if marker == 0xD9:
            return True
        if marker == 0xFF or 0xD0 <= marker <= 0xD8 or marker == 0x01:
            at += 1 if marker == 0xFF else 2
            continue
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        if marker == 0xDA:
            following = _NEXT_MARKER.search(data, at)
            if following is None:
                return False
            at = following.start()
    return data[at : at + 2] == b"\xff\xd9"
