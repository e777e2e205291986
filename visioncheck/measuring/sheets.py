"""From photos of the bare sheets to the rig: the one way of the command, the page, the demo and the library."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from visioncheck.camera.from_photos import require_same_camera, require_same_target, rig_from_survey
from visioncheck.camera.same import camera_settings
from visioncheck.camera.survey import Survey, survey
from visioncheck.errors import Refusal, UserError
from visioncheck.outline.bare import is_bare
from visioncheck.photo.load import load_photo
from visioncheck.points.find import find_points

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from visioncheck.camera.rig import Rig
    from visioncheck.camera.same import CameraSettings
    from visioncheck.photo.load import Photo
    from visioncheck.points.model import TargetPoints


@dataclass(frozen=True)
class SheetPhoto:
    """One photo of the bare sheets, without its pixels.

    Attributes
    ----------
    name : str
        What messages call it.
    sha256 : str
        Of its file.
    camera : CameraSettings
        What it says of the camera.
    points : TargetPoints
        The target's points in it.
    """

    name: str
    sha256: str
    camera: CameraSettings
    points: TargetPoints


@dataclass(frozen=True)
class SheetPhotos:
    """Photos that belong together and, of those that cannot be used, why."""

    photos: tuple[SheetPhoto, ...]
    unread: tuple[Refusal, ...] = ()


@dataclass(frozen=True)
class Surveyed:
    """A survey, the rig that it gives, and the photos that went into it; `survey.left_out` counts in `photos`."""

    survey: Survey
    rig: Rig
    photos: tuple[SheetPhoto, ...]
    unread: tuple[Refusal, ...] = ()

    @property
    def left_out(self) -> tuple[str, ...]:
        """Names of the photos that the survey did not use."""
        return tuple(self.photos[which].name for which in self.survey.left_out)


def look_at_sheet(photo: Photo, name: str, before: Sequence[SheetPhoto]) -> SheetPhoto:
    """Find the target in one photo, and require that it belongs with those before it.

    Parameters
    ----------
    photo : Photo
        The photo.
    name : str
        What messages call it.
    before : sequence of SheetPhoto
        The others.

    Raises
    ------
    UserError
        One of them already, or another phone, zoom, size, paper or field than the first one's.
    Refusal
        The target cannot be found in it, or something lies on it.
    """
    for each in before:
        if each.sha256 == photo.sha256:
            raise UserError(f"{name}: is the same photo as {each.name}; give each photo once")
    camera = camera_settings(photo)
    first = before[0] if before else None
    if first:
        require_same_camera(name, first.name, camera, first.camera)
    points = find_points(photo)
    if not is_bare(photo, points):
        raise Refusal("not-bare", name)
    if first:
        require_same_target(name, first.name, points, first.points)
    return SheetPhoto(name, photo.sha256, camera, points)


def read_sheets(paths: Iterable[Path]) -> SheetPhotos:
    """Find the target in every photo; one without it is named and left out.

    Raises
    ------
    UserError
        A photo cannot be read, two do not belong together, or none is given.
    Refusal
        None can be used; the first one's.
    """
    found: list[SheetPhoto] = []
    unread: list[Refusal] = []
    for path in paths:
        try:
            found.append(look_at_sheet(load_photo(path), str(path), found))
        except Refusal as refusal:
            unread.append(refusal)
    if not found:
        raise unread[0] if unread else UserError("No photos are given; name 6 to 12")
    return SheetPhotos(tuple(found), tuple(unread))


def survey_sheets(sheets: SheetPhotos, ruled_mm: float | None) -> Surveyed:
    """Survey the phone and the print.

    Parameters
    ----------
    sheets : SheetPhotos
        At least one photo.
    ruled_mm : float or None
        From the first to the last saddle point of sheet 0, as a rule reads it.

    Raises
    ------
    UserError
        The photos cannot support it, or the print is at the wrong scale; says what to do.
    """
    points, camera = [each.points for each in sheets.photos], sheets.photos[0].camera
    found = survey(points, *camera.size, ruled_mm)
    return Surveyed(found, rig_from_survey(found, points, camera, ruled_mm), sheets.photos, sheets.unread)
