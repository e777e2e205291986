"""Sub-pixel place of a blurred step in each of many profiles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_ROUNDS = 8
_WINDOW_PX = 4.5
_BLURS = (0.5, 0.7, 0.9, 1.1, 1.4, 1.8, 2.4, 3.2)
_WORST_CHI = 3.5
_LEAST_STEP = 0.3


@dataclass(frozen=True)
class StepFits:
    """Steps of (n) profiles.

    Attributes
    ----------
    at : (n,) ndarray
        Place, in the unit of the offsets.
    u : (n,) ndarray
        Standard uncertainty of it.
    good : (n,) bool ndarray
        Whether the profile is one clean step.
    blur : float
        Standard deviation of the step's blur, common to all.
    """

    at: Array
    u: Array
    good: NDArray[np.bool_]
    blur: float


def fit_steps(profiles: Array, offsets: Array, noise: Array) -> StepFits | None:
    """Least squares of low + (high - low)·Φ((x - x0)/s) in every profile at once, Gauss–Newton.

    After M. Hagara and P. Kulla, *Edge Detection with Sub-pixel Accuracy Based on Approximation of Edge with Erf
    Function* (2011); the blur s is one for the whole edge and found first from all profiles together.

    Parameters
    ----------
    profiles : (n, m) ndarray
        About 0 inside (negative offsets) and 1 outside.
    offsets : (m,) ndarray
        Where the samples stand, px.
    noise : (n,) ndarray
        Scatter of a sample of each profile.

    Returns
    -------
    StepFits or None
        None where no profile holds a step.
    """
    near = np.abs(offsets) <= _WINDOW_PX
    values, x = profiles[:, near], offsets[near]
    usual = np.median(values, axis=0)
    blur, start = _common_blur(usual, x)
    if blur is None:
        return None
    n = len(values)
    place = np.full(n, start)
    low, high = np.zeros(n), np.ones(n)
    for _ in range(_ROUNDS):
        z = (x[None, :] - place[:, None]) / blur
        phi = _normal_cdf(z)
        slope = -(high - low)[:, None] * np.exp(-z * z / 2) / (np.sqrt(2 * np.pi) * blur)
        rows = np.stack([1 - phi, phi, slope], axis=-1)
        residual = values - low[:, None] * (1 - phi) - high[:, None] * phi
        normal = np.einsum("nmi,nmj->nij", rows, rows)
        # a weak pull to the block's own levels and to the edge's line keeps a flat profile from running away
        normal[:, 0, 0] += 0.05
        normal[:, 1, 1] += 0.05
        normal[:, 2, 2] += 1e-3
        right = np.einsum("nmi,nm->ni", rows, residual)
        right[:, 0] -= 0.05 * low
        right[:, 1] -= 0.05 * (high - 1)
        step = np.linalg.solve(normal, right[..., None])[..., 0]
        low, high = low + step[:, 0], high + step[:, 1]
        place = place + np.clip(step[:, 2], -0.8, 0.8)
        place = np.clip(place, x[0], x[-1])
    pitch = float(x[1] - x[0])
    chi = np.sqrt(np.mean(residual**2, axis=1)) / noise
    inverse = np.linalg.inv(normal)
    # samples closer than a pixel are not independent
    u = np.sqrt(inverse[:, 2, 2] / min(pitch, 1.0)) * noise
    typical = float(np.median(chi))
    step_size = high - low
    good = (np.abs(place - start) < _WINDOW_PX - 1.0) & (step_size > 0.4) & (step_size < 2.0)
    good &= chi < max(_WORST_CHI * typical, 0.5)
    if not good.any():
        return None
    return StepFits(place, np.maximum(u, 1e-3), good, blur)


def _common_blur(usual: Array, x: Array) -> tuple[float | None, float]:
    """Blur and place of the usual profile: the best of a coarse grid, then of a fine one around it."""
    blur, shift = _best_step(usual, x, np.array(_BLURS), np.arange(-2.0, 2.01, 0.25))
    if blur is None:
        return None, 0.0
    return _best_step(usual, x, blur * np.linspace(0.75, 1.3, 23), shift + np.linspace(-0.25, 0.25, 21))


def _best_step(usual: Array, x: Array, blurs: Array, shifts: Array) -> tuple[float | None, float]:
    best, found, start = np.inf, None, 0.0
    for blur in blurs:
        for shift in shifts:
            phi = _normal_cdf((x - shift) / blur)
            design = np.column_stack([1 - phi, phi])
            levels, *_ = np.linalg.lstsq(design, usual, rcond=None)
            cost = float(np.sum((usual - design @ levels) ** 2))
            if cost < best and levels[1] - levels[0] > _LEAST_STEP:
                best, found, start = cost, float(blur), float(shift)
    return found, start


def _normal_cdf(z: Array) -> Array:
    from scipy.special import ndtr

    return np.asarray(ndtr(z))
