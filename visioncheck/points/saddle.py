"""Sub-pixel fit of many saddle points at once.

Each point is fitted by Gauss-Newton to a blurred crossing of two edges,

    (o + a erf(u/√2σ_u) erf(v/√2σ_v) + s (g(u) + g(v))) (1 + p·(x - c)),

u and v the distances from the two edges, which need not be square to each other. The term in s is what
ink spread and an unknown tone curve do: they widen the dark squares and leave the crossing where it is,
because they keep the point symmetry about it. The last factor is uneven light.
The model of an edge as the error function is that of a Gaussian point spread.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from visioncheck.photo.light import linear_light

Array = NDArray[np.float64]
Single = NDArray[np.float32]

_STEPS = 10
_SETTLED_PX = 0.004
_NEAR_PX = 4.0
_ROUGH_STEPS = 4
_NEAR_ENOUGH_PX = 0.05
_WILD_PX = 0.5
_FAINT = 0.2
"""Least contrast, relative to the usual one, of a window whose crossing is some pixels off its place."""
_AT_ONCE = 32
"""Windows that fit a processor core's own memory together: all at once takes a third more time."""
MOST_PX = 17
"""The largest offset of a window's pixel from its middle."""
X, Y, TURN_U, TURN_V, SIGMA_U, SIGMA_V, LEVEL, AMPLITUDE, SPREAD, SLOPE_X, SLOPE_Y = range(11)
_SHARPEST_PX, _BLURREDEST_PX = 0.35, 6.0


@dataclass(frozen=True)
class Windows:
    """The pixels around each point that take part.

    Attributes
    ----------
    corner : (n, 2) int ndarray
        Pixel at each window's middle.
    offset : (n, k, 2) float32 ndarray
        Pixels relative to the middle.
    weight : (n, k) float32 ndarray
        1 where the pixel takes part, 0 where it only fills the row up.
    half : int
        Greatest offset.
    """

    corner: NDArray[np.int64]
    offset: Single
    weight: Single
    half: int

    def cut(self, channel: NDArray[np.uint8]) -> Single:
        """Cut the windows' pixels out of a channel, (n, k), in linear light 0 … 255: blur acts on light."""
        at = self.offset.astype(np.int64) + self.corner[:, None]
        return linear_light(channel[at[..., 1], at[..., 0]]) * np.float32(255)

    def rows(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> Windows:
        """Take the windows of some points only."""
        return Windows(self.corner[chosen], self.offset[chosen], self.weight[chosen], self.half)

    def every(self, step: int) -> Windows:
        """Take every `step`-th pixel only."""
        return Windows(self.corner, self.offset[:, ::step], self.weight[:, ::step], self.half)

    def on_grid(self, values: Single) -> Single:
        """Put values (n, k) on square grids (n, side, side), nought where no pixel takes part."""
        side = 2 * self.half + 1
        grid = np.zeros((len(values), side * side), np.float32)
        x, y = np.moveaxis(self.offset.astype(np.int64) + self.half, 2, 0)
        part = self.weight > 0
        grid[np.nonzero(part)[0], (x + side * y)[part]] = values[part]
        return grid.reshape(-1, side, side)


@dataclass(frozen=True)
class Fits:
    """Fitted saddles.

    Attributes
    ----------
    terms : (n, 11) ndarray
        x, y (px, image frame), turns of the two edges' normals (rad), blur of each (px), level, amplitude, spread,
        slope of the light (1/px).
    u_px : (n,) ndarray
        Standard uncertainty of x and of y (root of the mean variance) by the residuals as if even and
        uncorrelated, which noise at edges is not: `find` scales it by the points' true scatter.
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


def windows_at(places: Array, jacobians: Array, half_mm: float) -> Windows:
    """Windows of ± `half_mm` along both edges about each predicted place, px.

    Far from both edges a pixel tells little about the place: there only every other one is taken.

    Parameters
    ----------
    jacobians : (n, 2, 2) ndarray
        px per mm; columns along the two edges.
    """
    reach = half_mm * np.abs(jacobians).sum(axis=2).max(initial=1.0)
    half = int(np.clip(np.ceil(reach), 3, MOST_PX))
    span = np.arange(-half, half + 1)
    grid = np.stack(np.meshgrid(span, span), axis=-1).reshape(-1, 2).astype(np.float32)
    corner = np.round(places).astype(np.int64)
    normals = np.asarray(np.linalg.inv(jacobians), float)
    # single precision is a third faster and places the window's bounds to a millionth of its size
    size = np.linalg.norm(normals, axis=2).astype(np.float32)
    along, across = np.abs(_page(normals.astype(np.float32), grid[None], (corner - places).astype(np.float32)))
    used = (np.maximum(along, across) <= np.float32(half_mm)) & (
        (np.minimum(along / size[:, :1], across / size[:, 1:]) < _NEAR_PX) | (grid.sum(axis=1) % 2 == 0)
    )
    count = used.sum(axis=1)
    point, pixel = np.nonzero(used)
    at = np.arange(len(point)) - np.repeat(np.cumsum(count) - count, count)
    offset = np.zeros((len(places), int(count.max(initial=1)), 2), np.float32)
    weight = np.zeros(offset.shape[:2], np.float32)
    offset[point, at], weight[point, at] = grid[pixel], 1
    return Windows(corner, offset, weight, half)


def _page(normals: NDArray[Any], offset: NDArray[Any], shift: NDArray[Any]) -> NDArray[Any]:
    """Page offsets x and y, (2, n, k), mm, of pixel offsets from the window's middle, which stands `shift` off."""
    x, y = offset[..., 0] + shift[:, :1], offset[..., 1] + shift[:, 1:]
    return np.stack([normals[:, row, :1] * x + normals[:, row, 1:] * y for row in range(2)])


def fit_saddles(
    channel: NDArray[np.uint8], places: Array, jacobians: Array, half_mm: float, usual_contrast: float | None = None
) -> tuple[NDArray[np.int64], Fits]:
    """Fit the saddles of a channel near predicted `places` (n, 2), edge directions from `jacobians`.

    First a few steps on half the pixels, where the prediction stands; then with windows about the places found, so
    that what a window holds does not hang on the prediction.

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
    contrast = np.abs(terms[:, AMPLITUDE]) / np.maximum(terms[:, LEVEL], 1)
    if usual_contrast is None:
        usual_contrast = float(np.quantile(contrast, 0.75)) if len(contrast) else 0.0
    worth = contrast >= _FAINT * usual_contrast
    terms, last_step = _settle(values[worth], windows.rows(worth), terms[worth], _ROUGH_STEPS, _NEAR_ENOUGH_PX)
    # what is still wild then stands on no crossing
    near = (last_step < _WILD_PX) & _within(channel, terms[:, :2] + windows.corner[worth])
    which = np.flatnonzero(worth)[near]
    terms = terms[near]
    terms[:, :2] += windows.corner[which]
    windows = windows_at(terms[:, :2], jacobians[which], half_mm)
    terms[:, :2] -= windows.corner
    values = windows.cut(channel)
    terms, last_step = _settle(values, windows, terms, _STEPS, _SETTLED_PX)
    return which, _judge(values, windows, terms, last_step)


def _within(channel: NDArray[np.uint8], places: Array) -> NDArray[np.bool_]:
    """Whether the largest window about a place lies in the picture."""
    height, width = channel.shape
    return np.asarray(np.all((places > MOST_PX + 1) & (places < np.array([width, height]) - MOST_PX - 2), axis=1))


def _settle(values: Single, windows: Windows, terms: Array, steps: int, settled_px: float) -> tuple[Array, Array]:
    """Step until the places settle, `steps` times at most: terms and lengths of the last step."""
    terms, last_step = terms.copy(), np.full(len(terms), np.inf)
    for few in np.array_split(np.arange(len(terms)), len(terms) // _AT_ONCE + 1):
        moving = few
        for _ in range(steps):
            step = _step(values[moving], windows.rows(moving), terms[moving])
            terms[moving] += step
            terms[few, SIGMA_U : SIGMA_V + 1] = np.clip(terms[few, SIGMA_U : SIGMA_V + 1], _SHARPEST_PX, _BLURREDEST_PX)
            last_step[moving] = np.hypot(step[:, X], step[:, Y])
            moving = moving[last_step[moving] > settled_px]
            if not len(moving):
                break
    return terms, last_step


def _step(values: Single, windows: Windows, terms: Array) -> Array:
    model, slopes = _model(terms, windows.offset)
    step = _solve(slopes, windows.weight, values - model)
    # a first step from a poor start can be wild
    for most, which in ((2.5, [X, Y]), (0.15, [TURN_U, TURN_V]), (0.5, [SIGMA_U, SIGMA_V])):
        step[:, which] = np.clip(step[:, which], -most, most)
    return step


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
    normals = np.asarray(np.linalg.inv(jacobians), float)
    # row 0 of the inverse is the gradient of page x: the normal of the edge that runs along page y
    along, across = _page(normals, windows.offset, windows.corner - places)
    sign = np.sign(along * across)
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
    dx, dy = offset[..., 0] - t[:, X], offset[..., 1] - t[:, Y]
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
    slopes = np.empty((len(terms), 11, offset.shape[1]), np.float32)
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


def _normal(slopes: Single) -> Array:
    return np.asarray(np.matmul(slopes, slopes.transpose(0, 2, 1)), float)


def _solve(slopes: Single, weight: Single, residual: Single) -> Array:
    """Least squares; `slopes` are spoilt: what takes no part is set to nought."""
    slopes *= weight[:, None]
    normal = _normal(slopes)
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
    normal = _normal(slopes * windows.weight[:, None])
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-12))
    inverse = np.linalg.inv(normal / (scale[:, :, None] * scale[:, None, :]) + 1e-6 * np.eye(11))
    variance = np.einsum("nii->ni", inverse)[:, :2] / scale[:, :2] ** 2
    squares = windows.on_grid(residual)
    placed = terms.copy()
    placed[:, :2] += windows.corner
    return Fits(
        placed,
        rms * np.sqrt(variance.mean(axis=1)),
        rms,
        _worst_block(squares, windows.on_grid(windows.weight)),
        last_step,
    )


def _worst_block(squares: Single, weight: Single) -> Array:
    """Largest absolute mean residual over a 5 x 5 block that lies mostly in the window, (n,)."""
    sums = _blocks(squares)
    counts = _blocks(weight)
    return np.asarray(np.where(counts >= 10, np.abs(sums) / np.maximum(counts, 1), 0).max(axis=(1, 2)), float)


def _blocks(squares: Single) -> Single:
    total = np.cumsum(np.cumsum(np.pad(squares, ((0, 0), (1, 0), (1, 0))), axis=1), axis=2)
    return np.asarray(total[:, 5:, 5:] - total[:, :-5, 5:] - total[:, 5:, :-5] + total[:, :-5, :-5])
