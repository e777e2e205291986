"""Whether two photos, or a photo and a rig, come from one camera at one zoom: the one place that tells."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from visioncheck.camera.rig import Rig
    from visioncheck.photo.load import Photo

Aspect = Literal["size", "phone", "lens", "zoom"]


@dataclass(frozen=True, slots=True)
class CameraSettings:
    """What a photo says of the camera that took it; None where it says nothing.

    Attributes
    ----------
    size : (2,) tuple of int
        Width and height of the stored picture, px.
    make, model : str or None
        The phone.
    focal_mm, focal_35mm : float or None
        Focal length of the lens, and as it would be on 35 mm film, which tells the zoom.
    """

    size: tuple[int, int]
    make: str | None = None
    model: str | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None


def camera_settings(photo: Photo) -> CameraSettings:
    """Take what a photo says of its camera."""
    exif = photo.exif
    return CameraSettings(photo.size, exif.make, exif.model, exif.focal_mm, exif.focal_35mm)


def difference(here: CameraSettings, there: CameraSettings, *, silence_differs: bool) -> Aspect | None:
    """Say in what two cameras differ first; None where nothing does.

    Parameters
    ----------
    here, there : CameraSettings
        The two.
    silence_differs : bool
        Whether what only one of them says is a difference: so it is between photos of one series, where a photo that
        lost what the others say was edited, and not between a photo and a rig of long ago.
    """
    if here.size != there.size:
        return "size"
    pairs: tuple[tuple[Aspect, object, object], ...] = (
        ("phone", here.make, there.make),
        ("phone", here.model, there.model),
        ("lens", here.focal_mm, there.focal_mm),
        ("zoom", here.focal_35mm, there.focal_35mm),
    )
    for aspect, mine, other in pairs:
        if mine != other and (silence_differs or None not in (mine, other)):
            return aspect
    return None


def rig_difference(photo: Photo, rig: Rig) -> Aspect | None:
    """Say in what a photo's camera is not the one that a rig was surveyed with; None where nothing is."""
    # the lens's focal length is left to the photo's own fit: not every phone writes it alike in every file format
    surveyed = CameraSettings((rig.lens.width, rig.lens.height), rig.make, rig.model)
    return difference(camera_settings(photo), surveyed, silence_differs=False)
