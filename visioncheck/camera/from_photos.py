"""Several photos of one phone and one target: whether they belong together, and the rig that they give."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Protocol

from visioncheck.camera.rig import Rig
from visioncheck.camera.same import difference
from visioncheck.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from visioncheck.camera.same import Aspect, CameraSettings
    from visioncheck.camera.survey import Survey
    from visioncheck.points.model import TargetPoints


class Phone(Protocol):
    """What a rig keeps of the phone, as a photo says it."""

    @property
    def make(self) -> str | None:
        """The maker's name."""

    @property
    def model(self) -> str | None:
        """The model."""

    @property
    def focal_mm(self) -> float | None:
        """Focal length of the lens, mm."""


def require_same_camera(path: Path | str, path_first: Path | str, here: CameraSettings, first: CameraSettings) -> None:
    """Refuse a photo that another phone, or the same at another zoom or size, took than the first one.

    Parameters
    ----------
    path, path_first : Path or str
        What messages call the two photos.
    here, first : CameraSettings
        What each says of its camera.

    Raises
    ------
    UserError
        They differ; says in what.
    """
    aspect = difference(here, first, silence_differs=True)
    if aspect == "size":
        raise UserError(
            f"{path}: is {here.size[0]} x {here.size[1]} pixels, {path_first} is {first.size[0]} x {first.size[1]};"
            " use photos of one phone, as the camera stored them"
        )
    if aspect is not None:
        mine, other = (_said(each, aspect) for each in (here, first))
        raise UserError(
            f"{path}: was taken with another {aspect} than {path_first} ({mine}, {other});"
            " survey one phone at one zoom at a time"
        )


def _said(camera: CameraSettings, aspect: Aspect) -> str:
    phone = " ".join(part for part in (camera.make, camera.model) if part)
    said = {"lens": camera.focal_mm, "zoom": camera.focal_35mm}.get(aspect, phone)
    return str(said or "unknown")


def require_same_target(path: Path | str, path_first: Path | str, here: TargetPoints, first: TargetPoints) -> None:
    """Refuse a photo of another paper or field than the first one's; raises UserError."""
    if (here.paper, here.field) != (first.paper, first.field):
        raise UserError(
            f"{path}: shows a {here.paper} sheet with a {here.field} field, {path_first} a"
            f" {first.paper} sheet with a {first.field} one; survey each target by itself"
        )


def rig_from_survey(found: Survey, points: Sequence[TargetPoints], camera: Phone, ruled_mm: float | None) -> Rig:
    """Put together the rig of a survey made just now with photos of this camera."""
    return Rig(
        lens=found.lens,
        paper=points[0].paper,
        field=points[0].field,
        sheet=found.sheet,
        index=found.index,
        points_mm=found.points_mm,
        covariance=found.covariance,
        scale_u_rel=found.scale_u_rel,
        ruled_mm=ruled_mm,
        residual_px=found.residual_px,
        photos=len(points) - len(found.left_out),
        make=camera.make,
        model=camera.model,
        focal_mm=camera.focal_mm,
        date=datetime.now().astimezone().isoformat(timespec="seconds"),
        steadiness=found.steadiness,
        noise_ratio=found.noise_ratio,
    )
