"""Whether a sheet is bare, as a survey wants it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from visioncheck.camera.plane_fit import plane_view
from visioncheck.errors import Refusal
from visioncheck.outline.find import find_outlines

if TYPE_CHECKING:
    from visioncheck.outline.find import Outline
    from visioncheck.photo.load import Photo
    from visioncheck.points.model import TargetPoints

_RIM_MM = 4.0


def is_bare(photo: Photo, points: TargetPoints) -> bool:
    """Whether nothing like a workpiece lies on the sheet, which would lift the paper and hide points."""
    view = plane_view(points, *photo.size, photo.exif.focal_35mm, photo.path.name).view
    try:
        found = find_outlines(photo, points, view)
    except Refusal:
        return True
    seen_mm = view.to_table(points.xy_px)
    return all(_shines_through(outline, seen_mm) for outline in found)


def _shines_through(outline: Outline, seen_mm: np.typing.NDArray[np.float64]) -> bool:
    """Whether a printed point is seen within it: then it is a stain or light on a dark sheet, and no piece."""
    contour = outline.corners_mm.astype(np.float32)
    depths = [cv2.pointPolygonTest(contour, (float(x), float(y)), measureDist=True) for x, y in seen_mm]
    return any(depth > _RIM_MM for depth in depths)
