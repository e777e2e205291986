"""Several photos of one phone and one target: whether they belong together, and the rig that they give."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from visioncheck.camera.rig import Rig
from visioncheck.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from visioncheck.camera.survey import Survey
    from visioncheck.photo.load import Exif
    from visioncheck.points.model import TargetPoints


def require_same_camera(
    path: Path | str, path_first: Path | str, here: tuple[Exif, tuple[int, int]], first: tuple[Exif, tuple[int, int]]
) -> None:
    """Refuse a photo that another phone, or the same at another zoom or size, took than the first one.

    Parameters
    ----------
    path, path_first : Path or str
        What messages call the two photos.
    here, first : tuple
        Of each its EXIF and its (width, height) in px.

    Raises
    ------
    UserError
        They differ; says in what.
    """
    (exif, size), (exif_first, size_first) = here, first
    if size != size_first:
        raise UserError(
            f"{path}: is {size[0]} x {size[1]} pixels, {path_first} is {size_first[0]} x {size_first[1]}; use photos of"
            " one phone, as the camera stored them"
        )
    for what, mine, other in (
        ("phone", exif.model, exif_first.model),
        ("lens", exif.focal_mm, exif_first.focal_mm),
        ("zoom", exif.focal_35mm, exif_first.focal_35mm),
    ):
        if mine != other:
            raise UserError(
                f"{path}: was taken with another {what} than {path_first} ({mine or 'unknown'}, {other or 'unknown'});"
                " survey one phone at one zoom at a time"
            )


def require_same_target(path: Path | str, path_first: Path | str, here: TargetPoints, first: TargetPoints) -> None:
    """Refuse a photo of another paper or field than the first one's; raises UserError."""
    if (here.paper, here.field) != (first.paper, first.field):
        raise UserError(
            f"{path}: shows a {here.paper} sheet with a {here.field} field, {path_first} a"
            f" {first.paper} sheet with a {first.field} one; survey each target by itself"
        )


def rig_of(found: Survey, points: Sequence[TargetPoints], exif: Exif, ruled_mm: float | None) -> Rig:
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
        make=exif.make,
        model=exif.model,
        focal_mm=exif.focal_mm,
        date=datetime.now().astimezone().isoformat(timespec="seconds"),
        steadiness=found.steadiness,
        noise_ratio=found.noise_ratio,
    )
