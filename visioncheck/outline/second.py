"""Whether another thing beside the largest one could be meant, or lies there as a finger or a pencil does."""

from __future__ import annotations

import cv2
import numpy as np

from visioncheck import checks
from visioncheck.outline.find import Outline


def is_second_piece(outlines: list[Outline]) -> bool:
    """Whether another thing beside the largest one could be meant.

    A finger or a jaw has one end at the work; what lies along a side of it may be the other half of a cut.
    """
    work = outlines[0]
    return any(
        other.area_mm2 > checks.SECOND_PIECE * work.area_mm2
        and other.width_mm > checks.STICK_MM
        and not _is_held_to(work, other)
        for other in outlines[1:]
    )


def _is_held_to(work: Outline, other: Outline) -> bool:
    sides = np.linalg.norm(np.roll(other.corners_mm, -1, axis=0) - other.corners_mm, axis=1)
    if other.width_mm > min(checks.FINGER_MM, work.width_mm / 2, float(sides.max()) / checks.FINGER_LONG):
        return False
    border = work.corners_mm.astype(np.float32)
    at = [
        cv2.pointPolygonTest(border, (float(x), float(y)), measureDist=True) > -checks.TOUCHES_MM
        for x, y in other.corners_mm
    ]
    along = any(at[k] and at[(k + 1) % len(at)] for k in np.flatnonzero(sides > checks.FINGER_LONG * other.width_mm))
    return any(at) and not along
