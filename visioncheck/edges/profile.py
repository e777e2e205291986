"""Sub-pixel place of a blurred step in each of many profiles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_ROUNDS = 8
_WINDOW_PX = 4.5
_BLURS = (0.4, 0.5, 0.7, 0.9, 1.1, 1.4, 1.8, 2.4, 3.2)
_BIN_PX = 0.25
_WORST_CHI = 3.5
_LEAST_STEP = 0.3
_LEVEL_PULL = 0.05
_PLACE_PULL = 1e-3


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
    offsets : (n, m) ndarray
        Where the samples stand, px; each row about a pixel apart.
    noise : (n,) ndarray
        Scatter of a sample of each profile.

    Returns
    -------
    StepFits or None
        None where no profile holds a step.
    """
    near = np.abs(offsets) <= _WINDOW_PX
    blur, start = _common_blur(profiles[near], offsets[near])
    if blur is None:
        return None
    # rows of pixels stand at all phases: the window's columns are those that any row needs, weighed by row
    columns = near.any(axis=0)
    values, x, weight = profiles[:, columns], offsets[:, columns], near[:, columns].astype(float)
    n = len(values)
    place = np.full(n, start)
    low, high = np.zeros(n), np.ones(n)
    for _ in range(_ROUNDS):
        z = (x - place[:, None]) / blur
        phi = _normal_cdf(z)
        slope = -(high - low)[:, None] * np.exp(-z * z / 2) / (np.sqrt(2 * np.pi) * blur)
        rows = np.stack([1 - phi, phi, slope], axis=-1)
        residual = values - low[:, None] * (1 - phi) - high[:, None] * phi
        weighed = np.swapaxes(rows * weight[..., None], 1, 2)
        normal = weighed @ rows
        # a weak pull to the block's own levels and to the edge's line keeps a flat profile from running away
        normal[:, 0, 0] += _LEVEL_PULL
        normal[:, 1, 1] += _LEVEL_PULL
        normal[:, 2, 2] += _PLACE_PULL
        right = (weighed @ residual[..., None])[..., 0]
        right[:, 0] -= _LEVEL_PULL * low
        right[:, 1] -= _LEVEL_PULL * (high - 1)
        step = np.linalg.solve(normal, right[..., None])[..., 0]
        low, high = low + step[:, 0], high + step[:, 1]
        place = np.clip(place + np.clip(step[:, 2], -0.8, 0.8), -_WINDOW_PX, _WINDOW_PX)
    chi = np.sqrt(np.sum(weight * residual**2, axis=1) / weight.sum(axis=1)) / noise
    u = np.sqrt(np.linalg.inv(normal)[:, 2, 2]) * noise
    typical = float(np.median(chi))
    step_size = high - low
    good = (np.abs(place - start) < _WINDOW_PX - 1.0) & (step_size > 0.4) & (step_size < 2.0)
    good &= chi < max(_WORST_CHI * typical, 0.5)
    if not good.any():
        return None
    return StepFits(place, np.maximum(u, 1e-3), good, blur)


def _common_blur(values: Array, offsets: Array) -> tuple[float | None, float]:
    """Blur and place of the usual profile: the best of a coarse grid, then of a fine one around it."""
    usual, x = _usual_profile(values, offsets)
    blur, shift = _best_step(usual, x, np.array(_BLURS), np.arange(-2.5, 2.51, 0.25))
    if blur is None:
        return None, 0.0
    return _best_step(usual, x, blur * np.linspace(0.75, 1.3, 23), shift + np.linspace(-0.25, 0.25, 21))


def _usual_profile(values: Array, offsets: Array) -> tuple[Array, Array]:
    """Median of all samples in each quarter of a pixel."""
    edges = np.arange(-_WINDOW_PX, _WINDOW_PX + _BIN_PX / 2, _BIN_PX)
    order = np.argsort(offsets, kind="stable")
    parts = np.split(values[order], np.searchsorted(offsets[order], edges[1:-1]))
    middles = (edges[:-1] + edges[1:]) / 2
    filled = [k for k, part in enumerate(parts) if part.size]
    return np.array([np.median(parts[k]) for k in filled]), middles[filled]


def _best_step(usual: Array, x: Array, blurs: Array, shifts: Array) -> tuple[float | None, float]:
    """The best of all pairs of blur and place, the two levels by least squares in closed form."""
    phi = _normal_cdf((x - shifts[None, :, None]) / blurs[:, None, None])
    n, one, two = x.size, phi.sum(axis=-1), (phi * phi).sum(axis=-1)
    first, mixed = usual.sum(), phi @ usual
    spread = n * two - one * one
    step = (n * mixed - one * first) / np.maximum(spread, 1e-12)
    low = (first - step * one) / n
    cost = (usual @ usual) - low * first - step * mixed
    cost[(step <= _LEAST_STEP) | (spread <= 1e-12)] = np.inf
    best = np.unravel_index(np.argmin(cost), cost.shape)
    if not np.isfinite(cost[best]):
        return None, 0.0
    return float(blurs[best[0]]), float(shifts[best[1]])


def _normal_cdf(z: Array) -> Array:
    from scipy.special import ndtr

    return np.asarray(ndtr(z))
