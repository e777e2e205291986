"""Self-calibrating bundle adjustment of several photos of one flat target.

After B. Triggs, P. McLauchlan, R. Hartley, A. Fitzgibbon, *Bundle Adjustment: A Modern Synthesis* (2000):
Gauss–Newton on the normal equations with the points' 3 × 3 blocks eliminated first, Huber's weights. Each photo has its
pose, a lens of its own and a motion of its own; the widths of these, of the noise and of the smooth correction are
learnt from the photos with the rest (`visioncheck.camera.steadiness`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.normal_equations import BLOCK, Bundle, Observations, Step, System, project_bundle
from visioncheck.camera.rays import Exposures
from visioncheck.camera.steadiness import learnt, supposed
from visioncheck.camera.view import rotation_matrix
from visioncheck.fitting.least_squares import HUBER, huber_weights, median_scale

Array = NDArray[np.float64]

_ROUNDS = 25
_SMOOTH_PRIOR_SD_PX = 0.01
_SMOOTH_PRIOR_DOF = 2.0
"""A lens that follows the usual model, until the photos say otherwise; an assumption."""
_SETTLED = 0.04
"""Widths that change by less a round are found; their own uncertainty is a fifth at best."""


@dataclass(frozen=True)
class Adjusted:
    """The fitted bundle.

    Attributes
    ----------
    bundle : Bundle
    residuals_px : (n, 2) ndarray
    weights : (n,) ndarray
        Huber's, 0 … 1.
    scale : float
        Robust ratio of residuals to their stated uncertainty, what the fit has taken up allowed for.
    covariance : (8 + 3 points, 8 + 3 points) ndarray
        Of the lens's terms and the points, the gauge still in it.
    system : System
        The normal equations at the end.
    seen : Observations
    """

    bundle: Bundle
    residuals_px: Array
    weights: Array
    scale: float
    covariance: Array
    system: System
    seen: Observations


def adjust(start: Bundle, seen: Observations, learn: bool = True) -> Adjusted:
    """Fit the bundle to what was seen; `learn` the widths of the photos' own terms too.

    Raises
    ------
    ValueError
        The photos do not determine the camera (a singular system).
    """
    bundle = start
    own = bundle.steadiness is not None
    weights, scale, last = np.ones(len(seen.photo)), 1.0, np.inf
    for _ in range(_ROUNDS):
        system = System(bundle, start, seen, weights, scale)
        step = system.solve()
        bundle = _moved(bundle, step)
        if not 0 < bundle.lens.f_px < checks.SURVEY_LONGEST_LENS * bundle.lens.width:
            raise ValueError("the photos do not determine the camera")
        residuals = seen.xy_px - project_bundle(bundle, seen).pixels
        norm = np.linalg.norm(residuals, axis=1) / seen.u_px
        scale = _noise(norm, weights, system)
        weights = huber_weights(norm, scale)
        cost = float(np.sum(np.minimum(norm, HUBER * scale) ** 2))
        settled = abs(last - cost) < 1e-7 * cost + 1e-12
        last = cost
        if learn and own:
            before, bundle = bundle, _with_widths(bundle, system)
            settled = abs(_widths(bundle) / _widths(before) - 1).max() < _SETTLED and system.shift(step) < 2e-2
        if settled:
            break
    final = System(bundle, start, seen, weights, scale)
    return Adjusted(bundle, residuals, weights, scale, final.covariance(), final, seen)


def left_out(best: Adjusted) -> Array:
    """By how much the lens's terms and the points change when one photo is left out, (photos, 8 + 3 points)."""
    steps = [best.system.without(photo).solve() for photo in range(best.system.photos)]
    return np.stack([np.concatenate([step.lens, step.points.ravel()]) for step in steps])


def _noise(norm: Array, weights: Array, system: System) -> float:
    """Ratio of the residuals to what was stated: by the median first, by the squares where the fit leaves enough."""
    median = median_scale(norm, 1e-6)
    left = 2 * float(weights.sum()) - system.decided
    if left < 0.1 * len(norm):
        return median
    return max(float(np.sqrt(np.sum(np.minimum(norm, HUBER * median) * norm) / left)), 1e-6)


def _widths(bundle: Bundle) -> Array:
    assert bundle.steadiness is not None
    return np.append(bundle.steadiness.own_sd, bundle.smooth_sd_px)


def _with_widths(bundle: Bundle, system: System) -> Bundle:
    lens = bundle.lens
    assert bundle.steadiness is not None
    variances = np.diag(system.inverse())
    head = system.head
    px = max(lens.width, lens.height) / 4000
    own = variances[head:].reshape(-1, BLOCK)[:, 6:]
    steadiness = learnt(bundle.steadiness, supposed(lens.width, lens.height), bundle.exposures.own, own, px)
    smooth = variances[8:head]
    sd = bundle.smooth_sd_px
    if len(smooth):
        decided = float(np.sum(np.clip(1 - smooth / sd**2, 0, 1)))
        squares = float(np.sum(lens.smooth**2)) + _SMOOTH_PRIOR_DOF * _SMOOTH_PRIOR_SD_PX**2
        sd = float(np.clip(np.sqrt(squares / (decided + _SMOOTH_PRIOR_DOF)), sd / 4, sd * 4))
    return replace(bundle, steadiness=steadiness, smooth_sd_px=sd)


def _moved(bundle: Bundle, step: Step) -> Bundle:
    turns = np.stack([rotation_matrix(pose[:3]) for pose in step.poses])
    lens = replace(bundle.lens, terms=bundle.lens.terms + step.lens, smooth=bundle.lens.smooth + step.smooth)
    old = bundle.exposures
    exposures = Exposures(
        turns @ old.rotations,
        old.translations_mm + step.poses[:, 3:6],
        old.own_lens + step.poses[:, 6:14],
        old.motions + step.poses[:, 14:],
    )
    return replace(bundle, lens=lens, exposures=exposures, points_mm=bundle.points_mm + step.points)
