"""Sub-pixel fit of many saddle points at once.

Each point is fitted by Gauss-Newton to a blurred crossing of two edges,

    (o + a erf(u/√2σ_u) erf(v/√2σ_v) + s (g(u) + g(v))) (1 + p·(x - c)),

u and v the distances from the two edges, which need not be square to each other. The term in s is what
ink spread and the picture's gamma do: they widen the dark squares and leave the crossing where it is,
because they keep the point symmetry about it. The last factor is uneven light.
The model of an edge as the error function is that of a Gaussian point spread.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

Array = NDArray[np.float64]
Single = NDArray[np.float32]

_STEPS = 7
_LAG = 2
_SETTLED_PX, _SETTLED_PERCENT = 0.01, 75
X, Y, TURN_U, TURN_V, SIGMA_U, SIGMA_V, LEVEL, AMPLITUDE, SPREAD, SLOPE_X, SLOPE_Y = range(11)
_SHARPEST_PX, _BLURREDEST_PX = 0.35, 6.0


@dataclass(frozen=True)
class Windows:
    """The pixels around each point that take part.

    Attributes
    ----------
    corner : (n, 2) int ndarray
        Pixel at the window's middle.
    weight : (n, k) float32 ndarray
        1 where the pixel takes part, 0 where not.
    offset : (k, 2) float32 ndarray
        The window's pixels relative to its middle; k = side².
    """

    corner: NDArray[np.int64]
    weight: Single
    offset: Single

    @property
    def side(self) -> int:
        """Pixels on a window's side."""
        return int(np.sqrt(len(self.offset)) + 0.5)

    def cut(self, channel: NDArray[np.uint8]) -> Single:
        """Cut the windows' pixels out of a channel, (n, k)."""
        column = self.offset[:, 0].astype(np.int64) + self.corner[:, :1]
        row = self.offset[:, 1].astype(np.int64) + self.corner[:, 1:]
        return np.asarray(channel[row, column], np.float32)


@dataclass(frozen=True)
class Fits:
    """Fitted saddles.

    Attributes
    ----------
    terms : (n, 11) ndarray
        x, y (px, image frame), turns of the two edges' normals (rad), blur of each (px), level, amplitude, spread,
        slope of the light (1/px).
    u_px : (n,) ndarray
        Standard uncertainty of x and of y (root of the mean variance).
    residual_rms, residual_worst : (n,) ndarray
        Root mean square residual, and the largest mean over a 5 x 5 block, in levels.
    last_step_px : (n,) ndarray
        Length of the last step: whether the fit has settled.
    """

    terms: Array
    u_px: Array
    residual_rms: Array
    residual_worst: Array
    last_step_px: Array


def windows_at(places: Array, jacobians: Array, half_mm: float, most_px: int) -> Windows:
    """Windows of ± `half_mm` along both edges about each predicted place, px.

    Parameters
    ----------
    jacobians : (n, 2, 2) ndarray
        px per mm; columns along the two edges.
    most_px : int
        Half the side at most.
    """
    reach = half_mm * np.abs(jacobians).sum(axis=2).max(initial=1.0)
    half = int(np.clip(np.ceil(reach), 3, most_px))
    span = np.arange(-half, half + 1, dtype=np.float32)
    offset = np.stack(np.meshgrid(span, span), axis=-1).reshape(-1, 2)
    corner = np.round(places).astype(np.int64)
    inverse = np.linalg.inv(jacobians)
    shift = corner - places
    page = np.abs(np.einsum("nij,nkj->nki", inverse, offset[None] + shift[:, None]))
    inside = np.all(page <= half_mm, axis=2)
    return Windows(corner, inside.astype(np.float32), offset)


def fit_saddles(values: Single, windows: Windows, places: Array, jacobians: Array) -> Fits:
    """Fit every window of `values` (n, k), from predicted `places` (n, 2) and edge directions in `jacobians`."""
    terms = _start(values, windows, places, jacobians)
    step = np.zeros_like(terms)
    for _ in range(_STEPS):
        model, slopes = _model(terms, windows.offset)
        residual = (values - model) * windows.weight
        step = _solve(slopes, windows.weight, residual)
        # a first step from a poor start can be wild
        step[:, :2] = np.clip(step[:, :2], -2.5, 2.5)
        step[:, TURN_U : TURN_V + 1] = np.clip(step[:, TURN_U : TURN_V + 1], -0.15, 0.15)
        step[:, SIGMA_U : SIGMA_V + 1] = np.clip(step[:, SIGMA_U : SIGMA_V + 1], -0.5, 0.5)
        terms += step
        terms[:, SIGMA_U : SIGMA_V + 1] = np.clip(terms[:, SIGMA_U : SIGMA_V + 1], _SHARPEST_PX, _BLURREDEST_PX)
        # the few that have not settled by now are no saddles
        if np.percentile(np.hypot(step[:, X], step[:, Y]), _SETTLED_PERCENT) < _SETTLED_PX:
            break
    return _judge(values, windows, terms, np.hypot(step[:, X], step[:, Y]))


def shift_to_channel(values: Single, windows: Windows, green: Fits) -> tuple[Array, Array]:
    """Places (n, 2) of the same saddles in another channel and their residual rms, started from green's fit.

    Edge directions and blur stay green's; place, levels and light are free.
    """
    free = [X, Y, LEVEL, AMPLITUDE, SPREAD, SLOPE_X, SLOPE_Y]
    terms = green.terms.copy()
    terms[:, :2] -= windows.corner
    residual = np.zeros_like(values)
    for _ in range(3):
        model, slopes = _model(terms, windows.offset)
        residual = (values - model) * windows.weight
        terms[:, free] += _solve(slopes[:, free], windows.weight, residual)
    rms = np.sqrt((residual**2).sum(axis=1) / np.maximum(windows.weight.sum(axis=1), 1))
    return terms[:, :2] + windows.corner, rms


def _start(values: Single, windows: Windows, places: Array, jacobians: Array) -> Array:
    weight = windows.weight
    normals = np.linalg.inv(jacobians)
    # row 0 of the inverse is the gradient of page x: the normal of the edge that runs along page y
    page = np.einsum("nij,nkj->nki", normals, windows.offset[None] + (windows.corner - places)[:, None])
    sign = np.sign(page[..., 0] * page[..., 1])
    count = np.maximum(weight.sum(axis=1), 1)
    level = (values * weight).sum(axis=1) / count
    terms = np.zeros((len(values), 11))
    terms[:, :2] = places - windows.corner
    terms[:, TURN_U] = np.arctan2(normals[:, 0, 1], normals[:, 0, 0])
    terms[:, TURN_V] = np.arctan2(normals[:, 1, 1], normals[:, 1, 0])
    terms[:, SIGMA_U : SIGMA_V + 1] = 1.2
    terms[:, LEVEL] = level
    terms[:, AMPLITUDE] = ((values - level[:, None]) * sign * weight).sum(axis=1) / count
    return terms


def _model(terms: Array, offset: Single) -> tuple[Single, Single]:
    """Model (n, k) and its derivatives (n, 11, k)."""
    t = terms.astype(np.float32)[:, :, None]
    dx, dy = offset[:, 0] - t[:, X], offset[:, 1] - t[:, Y]
    cos_u, sin_u, cos_v, sin_v = np.cos(t[:, TURN_U]), np.sin(t[:, TURN_U]), np.cos(t[:, TURN_V]), np.sin(t[:, TURN_V])
    u, along_u = cos_u * dx + sin_u * dy, cos_u * dy - sin_u * dx
    v, along_v = cos_v * dx + sin_v * dy, cos_v * dy - sin_v * dx
    step_u, bell_u = _edge(u, t[:, SIGMA_U])
    step_v, bell_v = _edge(v, t[:, SIGMA_V])
    light = 1 + t[:, SLOPE_X] * dx + t[:, SLOPE_Y] * dy
    crossing = step_u * step_v
    bells = bell_u + bell_v
    clean = t[:, LEVEL] + t[:, AMPLITUDE] * crossing + t[:, SPREAD] * bells
    by_u = (t[:, AMPLITUDE] * bell_u * step_v - t[:, SPREAD] * bell_u * u / t[:, SIGMA_U] ** 2) * light
    by_v = (t[:, AMPLITUDE] * bell_v * step_u - t[:, SPREAD] * bell_v * v / t[:, SIGMA_V] ** 2) * light
    slopes = np.empty((len(terms), 11, len(offset)), np.float32)
    slopes[:, X] = -cos_u * by_u - cos_v * by_v - clean * t[:, SLOPE_X]
    slopes[:, Y] = -sin_u * by_u - sin_v * by_v - clean * t[:, SLOPE_Y]
    slopes[:, TURN_U] = by_u * along_u
    slopes[:, TURN_V] = by_v * along_v
    # σ's own derivative of the spread's bell is left out: it only slows the last digits of σ
    slopes[:, SIGMA_U] = -by_u * u / t[:, SIGMA_U]
    slopes[:, SIGMA_V] = -by_v * v / t[:, SIGMA_V]
    slopes[:, LEVEL] = light
    slopes[:, AMPLITUDE] = crossing * light
    slopes[:, SPREAD] = bells * light
    slopes[:, SLOPE_X] = clean * dx
    slopes[:, SLOPE_Y] = clean * dy
    return clean * light, slopes


def _edge(distance: Single, sigma: Single) -> tuple[Single, Single]:
    """Rise of an edge from -1 to 1 and its derivative."""
    scaled = distance / (np.float32(np.sqrt(2)) * sigma)
    return erf(scaled), np.float32(np.sqrt(2 / np.pi)) / sigma * np.exp(-(scaled**2))


def _normal(slopes: Single, weight: Single) -> Array:
    return np.asarray(np.matmul(slopes * weight[:, None], slopes.transpose(0, 2, 1)), float)


def _solve(slopes: Single, weight: Single, residual: Single) -> Array:
    normal = _normal(slopes, weight)
    right = np.matmul(slopes, residual[:, :, None])[:, :, 0].astype(float)
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-12))
    balanced = normal / (scale[:, :, None] * scale[:, None, :])
    balanced += 1e-6 * np.eye(normal.shape[1])
    return np.asarray(np.linalg.solve(balanced, (right / scale)[:, :, None])[:, :, 0] / scale)


def _judge(values: Single, windows: Windows, terms: Array, last_step: Array) -> Fits:
    model, slopes = _model(terms, windows.offset)
    residual = (values - model) * windows.weight
    count = windows.weight.sum(axis=1)
    rms = np.sqrt((residual**2).sum(axis=1) / np.maximum(count - terms.shape[1], 1))
    normal = _normal(slopes, windows.weight)
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-12))
    inverse = np.linalg.inv(normal / (scale[:, :, None] * scale[:, None, :]) + 1e-6 * np.eye(11))
    variance = np.einsum("nii->ni", inverse)[:, :2] / scale[:, :2] ** 2
    squares = residual.reshape(-1, windows.side, windows.side)
    inflation = _correlation(squares, rms, slopes, windows)
    placed = terms.copy()
    placed[:, :2] += windows.corner
    return Fits(
        placed,
        rms * np.sqrt(variance.mean(axis=1) * inflation),
        rms,
        _worst_block(squares, windows.weight.reshape(squares.shape)),
        last_step,
    )


def _correlation(squares: Single, rms: Single, slopes: Single, windows: Windows) -> float:
    """By how much the noise's correlation between pixels raises a place's variance, over all points.

    Σ_d C(d) ρ(d), C the noise's autocorrelation, ρ that of the place's derivative.
    """
    good = rms <= np.median(rms)
    noise = squares[good] / rms[good, None, None]
    lever = (slopes[good, X] * windows.weight[good]).reshape(noise.shape)
    power, own = float((noise**2).sum()), float((lever**2).sum())
    total, side = 0.0, windows.side
    for dy in range(-_LAG, _LAG + 1):
        for dx in range(-_LAG, _LAG + 1):
            here = np.s_[:, max(0, dy) : side + min(0, dy), max(0, dx) : side + min(0, dx)]
            there = np.s_[:, max(0, -dy) : side + min(0, -dy), max(0, -dx) : side + min(0, -dx)]
            likeness = float((noise[here] * noise[there]).sum()) / max(power, 1e-12)
            total += likeness * float((lever[here] * lever[there]).sum()) / max(own, 1e-12)
    return max(total, 1.0)


def _worst_block(squares: Single, weight: Single) -> Array:
    """Largest absolute mean residual over a 5 x 5 block that lies mostly in the window, (n,)."""
    sums = _blocks(squares)
    counts = _blocks(weight)
    return np.asarray(np.where(counts >= 12, np.abs(sums) / np.maximum(counts, 1), 0).max(axis=(1, 2)), float)


def _blocks(squares: Single) -> Single:
    total = np.cumsum(np.cumsum(np.pad(squares, ((0, 0), (1, 0), (1, 0))), axis=1), axis=2)
    return np.asarray(total[:, 5:, 5:] - total[:, :-5, 5:] - total[:, 5:, :-5] + total[:, :-5, :-5])
