"""How much of a photo is burnt out: white without a trace of what lies there."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.photo.load import QUARTER, Photo

_WHITE = 252
"""Of 255, in every channel; the sensor's noise reaches down to it where the light is beyond what it can hold."""


def burnt_share(photo: Photo, points_px: NDArray[np.float64]) -> float:
    """Share of the picture within the hull of `points_px` (n, 2) that is burnt out.

    Neither print nor wood is seen there, and an edge of it is no edge of either.
    """
    small = photo.quarter
    within = np.zeros(small.shape[:2], np.uint8)
    cv2.fillConvexPoly(within, cv2.convexHull(points_px.astype(np.float32) / QUARTER).astype(np.int32), 1)
    white = cv2.inRange(small, (_WHITE,) * 3, (255,) * 3)
    return float(np.mean(white[within > 0] > 0))
