"""A photo and the target in it: what can be said before rig and sled are known."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from visioncheck.camera.rig import Rig
from visioncheck.camera.same import rig_difference
from visioncheck.errors import Refusal
from visioncheck.photo.load import Photo, load_photo
from visioncheck.points.find import find_points
from visioncheck.points.model import TargetPoints
from visioncheck.reading.model import Reading


@dataclass(frozen=True)
class Measured:
    """A photo and what it says."""

    photo: Photo
    reading: Reading


@dataclass(frozen=True)
class Detection:
    """A photo and the target's points and tags in it: all that can be said before rig and sled are known."""

    photo: Photo
    points: TargetPoints


def detect(path: Path, rig: Rig | None = None, data: bytes | None = None) -> Detection:
    """Find the target in a photo; a photo of another phone than the rig's is refused before the search.

    Parameters
    ----------
    path, data
        As for `load_photo`.
    rig : Rig or None
        The survey of the phone and sheet, where it is known by now.

    Raises
    ------
    UserError, Refusal
        As for `measure_photo`.
    """
    photo = load_photo(path, data)
    refuse_another_phone(photo, rig)
    return Detection(photo, find_points(photo, colours=False))


def refuse_another_phone(photo: Photo, rig: Rig | None) -> None:
    """Refuse a photo (``other-rig``) whose size or phone is not the rig's.

    Raises
    ------
    Refusal
    """
    aspect = None if rig is None else rig_difference(photo, rig)
    if rig is None or aspect is None:
        return
    if aspect == "size":
        width, height = photo.size
        raise Refusal(
            "other-rig",
            photo.path.name,
            "size",
            width_px=width,
            height_px=height,
            rig_width_px=rig.lens.width,
            rig_height_px=rig.lens.height,
        )
    raise Refusal("other-rig", photo.path.name, "phone", phone=photo.exif.model, rig_phone=rig.model)
