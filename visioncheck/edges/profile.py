"""Sub-pixel place of a blurred step in each of many profiles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from visioncheck import checks
from visioncheck.edges.edge_spread import HALO_PX, EdgeSpread

Array = NDArray[np.float64]

_ROUNDS = 8
_SETTLED_PX = 1e-5
_WINDOW_PX = 4.5
_BLURS = (0.4, 0.5, 0.7, 0.9, 1.1, 1.4, 1.8, 2.4, 3.2)
_HALOES = (0.0, 0.1, 0.2, 0.3, 0.45, 0.65)
_BIN_PX = 0.25
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
    """Least squares of low + (high - low)·S(x - x0) in every profile at once, Gauss–Newton.

    After M. Hagara and P. Kulla, *Edge Detection with Sub-pixel Accuracy Based on Approximation of Edge with Erf
    Function* (2011), with a halo of sharpening beside the blur: S(x) = (1 + h)·Φ(x/s) - h·Φ(x/w). Both are one for
    the whole edge and found first from all profiles together.

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
    spread, start = _common_spread(profiles[near], offsets[near])
    if spread is None:
        return None
    # rows of pixels stand at all phases: the window's columns are those that any row needs, weighed by row
    columns = near.any(axis=0)
    values, x, weight = profiles[:, columns], offsets[:, columns], near[:, columns].astype(float)
    terms = np.tile([0.0, 1.0, start], (len(values), 1))
    misfit, variance = np.empty(len(values)), np.empty(len(values))
    moving = np.arange(len(values))
    for _ in range(_ROUNDS):
        step, misfit[moving], variance[moving] = _step(values[moving], x[moving], weight[moving], terms[moving], spread)
        terms[moving] += step
        terms[:, 2] = np.clip(terms[:, 2], -_WINDOW_PX, _WINDOW_PX)
        moving = moving[np.abs(step[:, 2]) > _SETTLED_PX]
        if not len(moving):
            break
    low, high, place = terms.T
    chi = np.sqrt(misfit / weight.sum(axis=1)) / noise
    u = np.sqrt(variance) * noise
    typical = float(np.median(chi))
    step_size = high - low
    good = (np.abs(place - start) < _WINDOW_PX - 1.0) & (step_size > 0.4) & (step_size < 2.0)
    good &= chi < max(checks.EDGE_WORST_CHI * typical, checks.EDGE_LEAST_CHI)
    if not good.any():
        return None
    return StepFits(place, np.maximum(u, 1e-3), good, spread.blur_px)


def _step(values: Array, x: Array, weight: Array, terms: Array, spread: EdgeSpread) -> tuple[Array, Array, Array]:
    """Step (n, 3) of the terms low, high and place, sum of squares, and the place's variance at a unit scatter."""
    low, high, place = terms.T
    off = x - place[:, None]
    beyond = spread.step(off)
    before = 1 - beyond
    slope = spread.slope(off) * (low - high)[:, None]
    residual = (values - low[:, None] * before - high[:, None] * beyond) * weight
    of_before, of_beyond, of_slope = before * weight, beyond * weight, slope * weight
    # a weak pull to the block's own levels and to the edge's line keeps a flat profile from running away
    normal = _Symmetric(
        _dot(of_before, before) + _LEVEL_PULL,
        _dot(of_before, beyond),
        _dot(of_before, slope),
        _dot(of_beyond, beyond) + _LEVEL_PULL,
        _dot(of_beyond, slope),
        _dot(of_slope, slope) + _PLACE_PULL,
    )
    step = np.stack(
        normal.solve(
            _dot(before, residual) - _LEVEL_PULL * low,
            _dot(beyond, residual) - _LEVEL_PULL * (high - 1),
            _dot(slope, residual),
        ),
        axis=1,
    )
    step[:, 2] = np.clip(step[:, 2], -0.8, 0.8)
    return step, _dot(residual, residual), normal.last_of_inverse()


@dataclass(frozen=True)
class _Symmetric:
    """Many symmetric 3 x 3 matrices by their upper triangles, row by row; solved in closed form, being thousands."""

    a: Array
    b: Array
    c: Array
    d: Array
    e: Array
    f: Array

    def solve(self, x: Array, y: Array, z: Array) -> tuple[Array, Array, Array]:
        """The solution for the right-hand side (x, y, z), by cofactors."""
        a, b, c, d, e, f = self.a, self.b, self.c, self.d, self.e, self.f
        aa, ab, ac = d * f - e * e, c * e - b * f, b * e - c * d
        bb, bc, cc = a * f - c * c, b * c - a * e, a * d - b * b
        size = a * aa + b * ab + c * ac
        return (
            (aa * x + ab * y + ac * z) / size,
            (ab * x + bb * y + bc * z) / size,
            (ac * x + bc * y + cc * z) / size,
        )

    def last_of_inverse(self) -> Array:
        """The last diagonal element of the inverse."""
        zero = np.zeros_like(self.a)
        return self.solve(zero, zero, zero + 1)[2]


def _dot(first: Array, second: Array) -> Array:
    """Row by row."""
    return np.asarray(np.einsum("nm,nm->n", first, second))


def _common_spread(values: Array, offsets: Array) -> tuple[EdgeSpread | None, float]:
    """EdgeSpread and place of the usual profile: the best of a coarse grid, then of a fine one around it."""
    usual, x = usual_profile(values, offsets, _WINDOW_PX)
    plain, shift = _best_step(usual, x, np.array(_BLURS), np.zeros(1), np.arange(-2.5, 2.51, 0.25))
    if plain is None:
        return None, 0.0
    near = shift + np.linspace(-0.25, 0.25, 11)
    rough, shift = _best_step(usual, x, plain.blur_px * np.linspace(0.8, 1.6, 9), np.array(_HALOES), near)
    if rough is None:
        return None, 0.0
    blurs, haloes = rough.blur_px * np.linspace(0.93, 1.07, 7), rough.halo * np.linspace(0.75, 1.25, 5)
    return _best_step(usual, x, blurs, haloes, shift + np.linspace(-0.06, 0.06, 13))


def usual_profile(values: Array, offsets: Array, reach_px: float) -> tuple[Array, Array]:
    """Median of all samples in each quarter of a pixel, and where they stand; all offsets within the reach."""
    edges = np.arange(-reach_px, reach_px + _BIN_PX / 2, _BIN_PX)
    # values in order within each bin: sorted by value first, then stably by bin
    bins = np.clip(np.searchsorted(edges, offsets, side="right") - 1, 0, len(edges) - 2).astype(np.int8)
    order = np.argsort(values)
    order = order[np.argsort(bins[order], kind="stable")]
    ordered, size = values[order], np.bincount(bins, minlength=len(edges) - 1)
    first = np.cumsum(size) - size
    filled = np.flatnonzero(size)
    low, high = (first + (size - 1) // 2)[filled], (first + size // 2)[filled]
    return (ordered[low] + ordered[high]) / 2, ((edges[:-1] + edges[1:]) / 2)[filled]


def _best_step(usual: Array, x: Array, blurs: Array, haloes: Array, shifts: Array) -> tuple[EdgeSpread | None, float]:
    """The best of all blurs, haloes and places, the two levels by least squares in closed form."""
    off = x - shifts[None, :, None]
    sharp, wide = (ndtr(off / sd[:, None, None]) for sd in (blurs, np.hypot(blurs, HALO_PX)))
    phi = sharp[:, None] + haloes[:, None, None] * (sharp - wide)[:, None]
    n, one, two = x.size, phi.sum(axis=-1), (phi * phi).sum(axis=-1)
    first, mixed = usual.sum(), phi @ usual
    spread = n * two - one * one
    step = (n * mixed - one * first) / np.maximum(spread, 1e-12)
    low = (first - step * one) / n
    cost = (usual @ usual) - low * first - step * mixed
    cost[(step <= checks.EDGE_LEAST_STEP) | (spread <= 1e-12)] = np.inf
    best = np.unravel_index(np.argmin(cost), cost.shape)
    if not np.isfinite(cost[best]):
        return None, 0.0
    return EdgeSpread(float(blurs[best[0]]), float(haloes[best[1]])), float(shifts[best[2]])
