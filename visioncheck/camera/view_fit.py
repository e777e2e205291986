"""A photo's view with how well the points bear it, and how the paper lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.view import View

Array = NDArray[np.float64]
ROUNDS = 15
FLATNESS_REACH_MM = 60.0
"""The sheet may lie differently than when it was surveyed: this much, over about this distance; an assumption.

What this photo's own residuals show beyond it is added.
"""


@dataclass(frozen=True)
class ViewFit:
    """A view and how well the points bear it.

    Attributes
    ----------
    rms_px : float
        Of the points' residuals, one coordinate.
    lens_moved_sigma : float
        How far the lens stands from the rig's, in prior standard deviations; 0 without a rig.
    lifted_mm : float
        How far the sheet is seen to lie off its surveyed shape, standard deviation; 0 without a rig.
    """

    view: View
    rms_px: float
    points_used: int
    tilt_deg: float
    lens_moved_sigma: float = 0.0
    lifted_mm: float = 0.0


def paper_correlation(points_mm: Array) -> Array:
    """Correlation (n, n) of how high the paper lies at points (n, 2): its waves reach `FLATNESS_REACH_MM`."""
    apart = np.linalg.norm(points_mm[:, None] - points_mm[None], axis=2)
    return np.asarray(np.exp(-((apart / FLATNESS_REACH_MM) ** 2) / 2))
