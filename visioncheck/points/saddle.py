"""Sub-pixel fit of many saddle points at once.

The model is that of `visioncheck.points.crossing`.
The steps are those of D. W. Marquardt, *An algorithm for least-squares estimation of nonlinear parameters* (1963):
undamped steps oscillate where blur, halo and spread are strongly correlated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.fitting.least_squares import solve_damped
from visioncheck.points.crossing import (
    AMPLITUDE,
    HALO,
    LEVEL,
    SIGMA_U,
    SIGMA_V,
    SLOPE_X,
    SLOPE_Y,
    SPREAD,
    TERMS,
    TURN_U,
    TURN_V,
    X,
    Y,
    crossing,
)
from visioncheck.points.windows import MOST_PX, Windows, sheet_offsets, windows_at

Array = NDArray[np.float64]
Single = NDArray[np.float32]

_STEPS = 20
_SETTLED_PX = 0.01
_ROUGH_STEPS = 6
_NEAR_ENOUGH_PX = 0.2
_AT_ONCE = 32
"""Windows that fit a processor core's own memory together: all at once takes a third more time."""
_SHARPEST_PX, _BLURREDEST_PX = 0.3, 6.0
_ALIKE = 3
"""Side, px, of the blocks in which residuals are alike: demosaicing and sharpening mix next neighbours."""
_DAMPING, _LESS, _MORE, _MOST_DAMPING = 1e-3, 0.2, 8.0, 1e4


@dataclass(frozen=True)
class Fits:
    """Fitted saddles.

    Attributes
    ----------
    terms : (n, 12) ndarray
        x, y (px, image frame), turns of the two edges' normals (rad), blur of each (px), level, amplitude, spread,
        slope of the light (1/px), halo.
    u_px : (n,) ndarray
        Standard uncertainty of x and of y (root of the mean variance) by the residuals as if even and uncorrelated.
    noise_factor : (n,) ndarray
        How many times larger it is by the residuals as they are: greater at edges than beside them, and alike in
        neighbouring pixels. A single point's is rough; see `find`.
    residual_rms, residual_worst : (n,) ndarray
        Root mean square residual, and the largest mean over a 5 x 5 block, in levels.
    last_step_px : (n,) ndarray
        Length of the last step: whether the fit has settled.
    """

    terms: Array
    u_px: Array
    noise_factor: Array
    residual_rms: Array
    residual_worst: Array
    last_step_px: Array


def fit_saddles(
    channel: NDArray[np.uint8], places: Array, jacobians: Array, half_mm: float, usual_contrast: float | None = None
) -> tuple[NDArray[np.int64], Fits]:
    """Fit the saddles of a channel near predicted `places` (n, 2), edge directions from `jacobians`.

    First a few steps on half the pixels, where the prediction stands; then with windows about the places found, so
    that what a window holds does not depend on the prediction.

    Parameters
    ----------
    half_mm : float
        Half the side of the windows.
    usual_contrast : float or None
        Amplitude over level of such crossings, where known; otherwise what the clearest quarter shows.

    Returns
    -------
    which : (m,) int ndarray
        The points that show a crossing at all, where they are expected to.
    fits : Fits
        Of these.
    """
    windows = windows_at(places, jacobians, half_mm).every(2)
    values = windows.cut(channel)
    terms = _start(values, windows, places, jacobians)
    contrast = np.abs(contrasts(terms))
    if usual_contrast is None:
        usual_contrast = float(np.quantile(contrast, 0.75)) if len(contrast) else 0.0
    worth = contrast >= checks.POINT_FAINT_SHARE * usual_contrast
    terms, last_step = _settle(values[worth], windows.rows(worth), terms[worth], _ROUGH_STEPS, _NEAR_ENOUGH_PX)
    # what still takes long steps then stands on no crossing
    near = (last_step < checks.POINT_WILD_PX) & _within(channel, terms[:, :2] + windows.corner[worth])
    which = np.flatnonzero(worth)[near]
    terms = terms[near]
    terms[:, :2] += windows.corner[which]
    windows = windows_at(terms[:, :2], jacobians[which], half_mm)
    terms[:, :2] -= windows.corner
    values = windows.cut(channel)
    terms, last_step = _settle(values, windows, terms, _STEPS, _SETTLED_PX)
    return which, _judge(values, windows, terms, last_step)


def contrasts(terms: Array) -> Array:
    """Half the difference of light and dark, far from the edges, over the light between them; signed."""
    return np.asarray((terms[:, AMPLITUDE] + terms[:, HALO]) / np.maximum(terms[:, LEVEL], 1))


def _within(channel: NDArray[np.uint8], places: Array) -> NDArray[np.bool_]:
    """Whether the largest window about a place lies in the picture."""
    height, width = channel.shape
    return np.asarray(np.all((places > MOST_PX + 1) & (places < np.array([width, height]) - MOST_PX - 2), axis=1))


def _settle(values: Single, windows: Windows, terms: Array, steps: int, settled_px: float) -> tuple[Array, Array]:
    """Step until the places settle, `steps` times at most: terms and lengths of the last step."""
    terms, last_step = terms.copy(), np.full(len(terms), np.inf)
    for few in np.array_split(np.arange(len(terms)), len(terms) // _AT_ONCE + 1):
        terms[few], last_step[few] = _settle_few(values[few], windows.rows(few), terms[few], steps, settled_px)
    return terms, last_step


def _settle_few(values: Single, windows: Windows, terms: Array, steps: int, settled_px: float) -> tuple[Array, Array]:
    found = _equations(values, windows, terms)
    damping, last_step = np.full(len(terms), _DAMPING), np.full(len(terms), np.inf)
    moving = np.arange(len(terms))
    for _ in range(steps):
        step = _damped_step(found.rows(moving), damping[moving])
        tried = terms[moving] + step
        tried[:, SIGMA_U : SIGMA_V + 1] = np.clip(tried[:, SIGMA_U : SIGMA_V + 1], _SHARPEST_PX, _BLURREDEST_PX)
        there = _equations(values[moving], windows.rows(moving), tried)
        better = there.cost <= found.cost[moving] * (1 + 1e-6)
        taken = moving[better]
        terms[taken] = tried[better]
        found.put(taken, there.rows(better))
        length = np.hypot(step[:, X], step[:, Y])
        last_step[taken] = length[better]
        damping[moving] *= np.where(better, _LESS, _MORE)
        moving = moving[~(better & (length < settled_px)) & (damping[moving] < _MOST_DAMPING)]
        if not len(moving):
            break
    return terms, last_step


@dataclass(frozen=True)
class _Equations:
    """Sum of squares (n,), normal matrix (n, 12, 12) and right-hand side (n, 12) at some terms."""

    cost: Array
    normal: Array
    right: Array

    def rows(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> _Equations:
        """Those of some points only."""
        return _Equations(self.cost[chosen], self.normal[chosen], self.right[chosen])

    def put(self, places: NDArray[np.intp], others: _Equations) -> None:
        """Take others' in some points' places."""
        for name, values in vars(self).items():
            values[places] = getattr(others, name)


def _equations(values: Single, windows: Windows, terms: Array) -> _Equations:
    model, slopes = crossing(terms, windows.offset)
    residual = (values - model) * windows.weight
    slopes *= windows.weight[:, None]
    right = np.matmul(slopes, residual[:, :, None])[:, :, 0].astype(float)
    return _Equations(np.einsum("nk,nk->n", residual, residual).astype(float), _normal(slopes), right)


def _damped_step(at: _Equations, damping: Array) -> Array:
    step = solve_damped(at.normal, at.right, (damping + 1e-6)[:, None, None])
    # a first step from a poor start can be far too long
    for most, which in ((2.5, [X, Y]), (0.15, [TURN_U, TURN_V]), (0.5, [SIGMA_U, SIGMA_V])):
        step[:, which] = np.clip(step[:, which], -most, most)
    return step


def shift_to_channel(values: Single, windows: Windows, green: Fits) -> tuple[Array, Array]:
    """Places (n, 2) of the same saddles in another channel and their residual rms, started from green's fit.

    Edge directions and blur stay green's; place, levels and light are free.
    """
    free = [X, Y, LEVEL, AMPLITUDE, SPREAD, SLOPE_X, SLOPE_Y, HALO]
    terms = green.terms.copy()
    terms[:, :2] -= windows.corner
    residual = np.zeros_like(values)
    for _ in range(3):
        model, slopes = crossing(terms, windows.offset)
        residual = (values - model) * windows.weight
        terms[:, free] += _solve(slopes[:, free], windows.weight, residual)
    rms = np.sqrt((residual**2).sum(axis=1) / np.maximum(windows.weight.sum(axis=1), 1))
    return terms[:, :2] + windows.corner, rms


def _start(values: Single, windows: Windows, places: Array, jacobians: Array) -> Array:
    weight = windows.weight
    normals = np.asarray(np.linalg.inv(jacobians), float)
    # row 0 of the inverse is the gradient of sheet x: the normal of the edge that runs along sheet y
    along, across = sheet_offsets(normals, windows.offset, windows.corner - places)
    sign = np.sign(along * across)
    count = np.maximum(weight.sum(axis=1), 1)
    level = (values * weight).sum(axis=1) / count
    terms = np.zeros((len(values), TERMS))
    terms[:, :2] = places - windows.corner
    terms[:, TURN_U] = np.arctan2(normals[:, 0, 1], normals[:, 0, 0])
    terms[:, TURN_V] = np.arctan2(normals[:, 1, 1], normals[:, 1, 0])
    terms[:, SIGMA_U : SIGMA_V + 1] = 1.2
    terms[:, LEVEL] = level
    terms[:, AMPLITUDE] = ((values - level[:, None]) * sign * weight).sum(axis=1) / count
    return terms


def _normal(slopes: Single) -> Array:
    return np.asarray(np.matmul(slopes, slopes.transpose(0, 2, 1)), float)


def _solve(slopes: Single, weight: Single, residual: Single) -> Array:
    """Least squares, (n, p); overwrites `slopes`: zero for pixels that take no part."""
    slopes *= weight[:, None]
    normal = _normal(slopes)
    right = np.matmul(slopes, residual[:, :, None])[:, :, 0].astype(float)
    return solve_damped(normal, right, 1e-6)


def _judge(values: Single, windows: Windows, terms: Array, last_step: Array) -> Fits:
    model, slopes = crossing(terms, windows.offset)
    residual = (values - model) * windows.weight
    slopes *= windows.weight[:, None]
    count = windows.weight.sum(axis=1)
    rms = np.sqrt((residual**2).sum(axis=1) / np.maximum(count - TERMS, 1))
    normal = _normal(slopes)
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-12))
    both = scale[:, :, None] * scale[:, None, :]
    of_places = np.linalg.inv(normal / both + 1e-6 * np.eye(TERMS))[:, :2] / both[:, :2]
    u_px = rms * np.sqrt(np.einsum("nii->n", of_places[:, :, :2]) / 2)
    pull = np.matmul(of_places.astype(np.float32), slopes) * residual[:, None]
    uneven = np.sqrt(count / np.maximum(count - TERMS, 1) * _variance_of_sum(windows, pull) / 2)
    placed = terms.copy()
    placed[:, :2] += windows.corner
    worst = _worst_block(windows.on_grid(residual), windows.on_grid(windows.weight))
    return Fits(placed, u_px, uneven / np.maximum(u_px, 1e-9), rms, worst, last_step)


def _variance_of_sum(windows: Windows, pull: Single) -> Array:
    """Variance (n,) of x and y together from what each pixel's residual pulls the place, (n, 2, k).

    The squares of sums over blocks weigh products of neighbours as W. K. Newey and K. D. West do in *A simple,
    positive semi-definite, heteroskedasticity and autocorrelation consistent covariance matrix* (1987).
    """
    total = np.zeros(len(pull))
    for axis in range(2):
        grid = np.pad(windows.on_grid(pull[:, axis]), ((0, 0), (_ALIKE, _ALIKE), (_ALIKE, _ALIKE)))
        total += np.einsum("nij->n", _blocks(grid, _ALIKE).astype(float) ** 2) / _ALIKE**2
    return total


def _worst_block(squares: Single, weight: Single) -> Array:
    """Largest absolute mean residual over a 5 x 5 block that lies mostly in the window, (n,)."""
    sums = _blocks(squares, 5)
    counts = _blocks(weight, 5)
    return np.asarray(np.where(counts >= 10, np.abs(sums) / np.maximum(counts, 1), 0).max(axis=(1, 2)), float)


def _blocks(squares: Single, side: int) -> Single:
    """Sums over blocks of `side` pixels a side, at every place."""
    total = np.cumsum(np.cumsum(np.pad(squares, ((0, 0), (1, 0), (1, 0))), axis=1), axis=2)
    return np.asarray(
        total[:, side:, side:] - total[:, :-side, side:] - total[:, side:, :-side] + total[:, :-side, :-side]
    )
