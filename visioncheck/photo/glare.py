"""How much of a photo is burnt out: white without a trace of what lies there."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

_WHITE = 252
"""Of 255, in every channel; the sensor's noise reaches down to it where the light is beyond what it can hold."""
_REDUCTION = 4


def burnt_share(bgr: NDArray[np.uint8], points_px: NDArray[np.float64]) -> float:
    """Share of the picture within the hull of `points_px` (n, 2) that is burnt out.

    Neither print nor wood is seen there, and an edge of it is no edge of either.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 ndarray
        The photo as stored.
    """
    small = cv2.resize(bgr, None, fx=1 / _REDUCTION, fy=1 / _REDUCTION, interpolation=cv2.INTER_AREA)
    within = np.zeros(small.shape[:2], np.uint8)
    cv2.fillConvexPoly(within, cv2.convexHull(points_px.astype(np.float32) / _REDUCTION).astype(np.int32), 1)
    return float(np.mean(small.min(axis=2)[within > 0] >= _WHITE))
