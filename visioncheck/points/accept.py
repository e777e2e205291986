"""Which fits are undisturbed crossings of the print, standing where their neighbours say."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.points.crossing import LEVEL, SIGMA_U, SIGMA_V, TURN_U, TURN_V
from visioncheck.points.neighbours import SaddleFits, own_miss, usual_around
from visioncheck.points.saddle import contrasts
from visioncheck.printed.layout import TargetLayout

Flags = NDArray[np.bool_]
Array = NDArray[np.float64]


def _are_saddles(layout: TargetLayout, read: SaddleFits) -> Flags:
    """Which fits look like an undisturbed crossing: sign, contrast, blur, directions, residuals."""
    terms, fits = read.fits.terms, read.fits
    good: Flags = np.isfinite(terms).all(axis=1) & (terms[:, LEVEL] > 0)
    contrast = contrasts(terms)
    sign = _signs(layout, read, contrast)
    contrast = contrast * sign
    good &= (contrast > checks.POINT_LEAST_CONTRAST) & (fits.last_step_px < checks.POINT_SETTLED_PX)
    normals = np.linalg.inv(read.jacobians)
    for row, turn in ((0, TURN_U), (1, TURN_V)):
        expected = np.arctan2(normals[:, row, 1], normals[:, row, 0])
        good &= np.abs(terms[:, turn] - expected) < np.radians(checks.POINT_WORST_TURN_DEG)
    places = terms[:, :2]
    amplitude = np.maximum(np.abs(contrast) * terms[:, LEVEL], 1)
    good &= np.abs(contrast / usual_around(contrast, places, good) - 1) < checks.POINT_CONTRAST_STRAY
    misfit = np.column_stack([fits.residual_rms, fits.residual_worst]) / amplitude[:, None]
    good &= np.all(
        misfit < np.maximum(checks.POINT_MISFIT_TIMES * usual_around(misfit, places, good), checks.POINT_LEAST_MISFIT),
        axis=1,
    )
    blur = terms[:, [SIGMA_U, SIGMA_V]]
    usual = usual_around(blur, places, good)
    most = checks.POINT_MOST_BLUR_TIMES * usual + checks.POINT_MOST_BLUR_MORE_PX
    good &= np.all((blur < most) & (blur > checks.POINT_LEAST_BLUR_TIMES * usual), axis=1)
    return good


def _signs(layout: TargetLayout, read: SaddleFits, contrast: Array) -> Array:
    """Sign of each point's amplitude in the print: negative where the squares up-left and down-right are dark."""
    band = np.array([-1.0 if (i + j) % 2 == 0 else 1.0 for i, j in layout.band_corners])
    return np.concatenate([band, np.full(len(layout.field_corners), field_sign(layout, read, contrast))])[read.index]


def field_sign(layout: TargetLayout, read: SaddleFits, contrast: Array) -> float:
    """-1 on a light field, 1 on a dark one, as most of its clear marks say."""
    marks = contrast[read.index >= len(layout.band_corners)]
    return 1.0 if np.count_nonzero(marks > 0.2) > np.count_nonzero(marks < -0.2) else -1.0


def fit_together(layout: TargetLayout, read: SaddleFits) -> Flags:
    """Which good points stand where their neighbours say; none where there are too few to say."""
    good = _are_saddles(layout, read)
    if np.count_nonzero(good) < 8:
        return np.zeros_like(good)
    own = np.hypot(*own_miss(layout, read, good).T)
    most = max(checks.POINT_OUTLIER_TIMES * float(np.median(own[good])), checks.POINT_LEAST_OUTLIER_PX)
    return np.asarray(good & (own < most))
