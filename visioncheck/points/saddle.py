"""Sub-pixel fit of many saddle points at once.

Each point is fitted to a blurred crossing of two edges,

    (o + a E(u, σ_u) E(v, σ_v) + h E(u, w_u) E(v, w_v) + s (g(u) + g(v))) (1 + p·(x - c)),

u and v the distances from the two edges, which need not be square to each other, E(u, σ) = erf(u/√2σ) the edge under
a Gaussian point spread. The term in h is the halo of sharpening, which takes away a share of the picture blurred
wider (w² = σ² + 1.5²). The term in s is what ink spread and an unknown tone curve do: they widen the dark squares.
Both leave the crossing where it is, as does any curve of tone, because they keep the point symmetry about it.
The last factor is uneven light, and what local tone mapping makes of it.

The steps are those of D. W. Marquardt, *An algorithm for least-squares estimation of nonlinear parameters* (1963):
undamped ones swing to and fro where blur, halo and spread are hard to tell apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from visioncheck.photo.light import linear_light

Array = NDArray[np.float64]
Single = NDArray[np.float32]

_STEPS = 20
_SETTLED_PX = 0.01
_NEAR_PX = 4.0
_ROUGH_STEPS = 6
_NEAR_ENOUGH_PX = 0.2
_WILD_PX = 0.5
_FAINT = 0.2
"""Least contrast, relative to the usual one, of a window whose crossing is some pixels off its place."""
_AT_ONCE = 32
"""Windows that fit a processor core's own memory together: all at once takes a third more time."""
MOST_PX = 17
"""The largest offset of a window's pixel from its middle."""
X, Y, TURN_U, TURN_V, SIGMA_U, SIGMA_V, LEVEL, AMPLITUDE, SPREAD, SLOPE_X, SLOPE_Y, HALO = range(12)
_TERMS = 12
_SHARPEST_PX, _BLURREDEST_PX = 0.3, 6.0
_HALO_PX = np.float32(1.5)
"""How much wider than the picture's own blur the one is that sharpening takes away; phones use 1 to 2 px."""
_ERF_P = np.float32(0.3275911)
_ERF_A = [np.float32(a) for a in (1.061405429, -1.453152027, 1.421413741, -0.284496736, 0.254829592)]
_ALIKE = 3
"""Side, px, of the blocks in which residuals are alike: demosaicing and sharpening mix next neighbours."""
_DAMPING, _LESS, _MORE, _MOST_DAMPING = 1e-3, 0.2, 8.0, 1e4


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
    terms : (n, 12) ndarray
        x, y (px, image frame), turns of the two edges' normals (rad), blur of each (px), level, amplitude, spread,
        slope of the light (1/px), halo.
    u_px : (n,) ndarray
        Standard uncertainty of x and of y (root of the mean variance) by the residuals as if even and uncorrelated.
    unrest : (n,) ndarray
        How many times larger it is by the residuals as they are: greater at edges than beside them, and alike in
        neighbouring pixels. A single point's is rough; see `find`.
    residual_rms, residual_worst : (n,) ndarray
        Root mean square residual, and the largest mean over a 5 x 5 block, in levels.
    last_step_px : (n,) ndarray
        Length of the last step: whether the fit has settled.
    """

    terms: Array
    u_px: Array
    unrest: Array
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
    contrast = np.abs(contrasts(terms))
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
    model, slopes = _model(terms, windows.offset)
    residual = (values - model) * windows.weight
    slopes *= windows.weight[:, None]
    right = np.matmul(slopes, residual[:, :, None])[:, :, 0].astype(float)
    return _Equations(np.einsum("nk,nk->n", residual, residual).astype(float), _normal(slopes), right)


def _damped_step(at: _Equations, damping: Array) -> Array:
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", at.normal), 1e-12))
    balanced = at.normal / (scale[:, :, None] * scale[:, None, :])
    balanced += (damping + 1e-6)[:, None, None] * np.eye(_TERMS)
    step = np.asarray(np.linalg.solve(balanced, (at.right / scale)[:, :, None])[:, :, 0] / scale)
    # a first step from a poor start can be wild
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
    terms = np.zeros((len(values), _TERMS))
    terms[:, :2] = places - windows.corner
    terms[:, TURN_U] = np.arctan2(normals[:, 0, 1], normals[:, 0, 0])
    terms[:, TURN_V] = np.arctan2(normals[:, 1, 1], normals[:, 1, 0])
    terms[:, SIGMA_U : SIGMA_V + 1] = 1.2
    terms[:, LEVEL] = level
    terms[:, AMPLITUDE] = ((values - level[:, None]) * sign * weight).sum(axis=1) / count
    return terms


def _model(terms: Array, offset: Single) -> tuple[Single, Single]:
    """Model (n, k) and its derivatives (n, 12, k)."""
    t = terms.astype(np.float32)[:, :, None]
    dx, dy = offset[..., 0] - t[:, X], offset[..., 1] - t[:, Y]
    cos_u, sin_u, cos_v, sin_v = np.cos(t[:, TURN_U]), np.sin(t[:, TURN_U]), np.cos(t[:, TURN_V]), np.sin(t[:, TURN_V])
    u, along_u = cos_u * dx + sin_u * dy, cos_u * dy - sin_u * dx
    v, along_v = cos_v * dx + sin_v * dy, cos_v * dy - sin_v * dx
    sigma_u, sigma_v = t[:, SIGMA_U], t[:, SIGMA_V]
    wide_u, wide_v = np.hypot(sigma_u, _HALO_PX), np.hypot(sigma_v, _HALO_PX)
    step_u, bell_u = _edge(u, sigma_u)
    step_v, bell_v = _edge(v, sigma_v)
    halo_u, halo_bell_u = _edge(u, wide_u)
    halo_v, halo_bell_v = _edge(v, wide_v)
    light = 1 + t[:, SLOPE_X] * dx + t[:, SLOPE_Y] * dy
    crossing, halo, bells = step_u * step_v, halo_u * halo_v, bell_u + bell_v
    clean = t[:, LEVEL] + t[:, AMPLITUDE] * crossing + t[:, HALO] * halo + t[:, SPREAD] * bells
    # derivatives by u and v of the sharp part and of the halo
    sharp_u, sharp_v = t[:, AMPLITUDE] * bell_u * step_v, t[:, AMPLITUDE] * bell_v * step_u
    soft_u, soft_v = t[:, HALO] * halo_bell_u * halo_v, t[:, HALO] * halo_bell_v * halo_u
    spread_u, spread_v = t[:, SPREAD] * bell_u / sigma_u, t[:, SPREAD] * bell_v / sigma_v
    in_u, in_v = u / sigma_u, v / sigma_v
    by_u = (sharp_u + soft_u - spread_u * in_u) * light
    by_v = (sharp_v + soft_v - spread_v * in_v) * light
    slopes = np.empty((len(terms), _TERMS, offset.shape[1]), np.float32)
    slopes[:, X] = -cos_u * by_u - cos_v * by_v - clean * t[:, SLOPE_X]
    slopes[:, Y] = -sin_u * by_u - sin_v * by_v - clean * t[:, SLOPE_Y]
    slopes[:, TURN_U] = by_u * along_u
    slopes[:, TURN_V] = by_v * along_v
    slopes[:, SIGMA_U] = (spread_u * (in_u**2 - 1) - sharp_u * in_u - soft_u * u * sigma_u / wide_u**2) * light
    slopes[:, SIGMA_V] = (spread_v * (in_v**2 - 1) - sharp_v * in_v - soft_v * v * sigma_v / wide_v**2) * light
    slopes[:, LEVEL] = light
    slopes[:, AMPLITUDE] = crossing * light
    slopes[:, SPREAD] = bells * light
    slopes[:, SLOPE_X] = clean * dx
    slopes[:, SLOPE_Y] = clean * dy
    slopes[:, HALO] = halo * light
    return clean * light, slopes


def _edge(distance: Single, sigma: Single) -> tuple[Single, Single]:
    """Rise of an edge from -1 to 1 and its derivative.

    The error function by M. Abramowitz and I. A. Stegun, *Handbook of Mathematical Functions* (1964), 7.1.26, which is
    right to 1.5e-7, about single precision's last digit, and shares its exponential with the derivative.
    """
    scaled = distance * (np.float32(np.sqrt(0.5)) / sigma)
    bell = np.exp(-scaled * scaled)
    t = 1 / (1 + _ERF_P * np.abs(scaled))
    tail = t * bell
    sums = np.full_like(t, _ERF_A[0])
    for a in _ERF_A[1:]:
        sums *= t
        sums += a
    return np.copysign(1 - sums * tail, scaled), bell * (np.float32(np.sqrt(2 / np.pi)) / sigma)


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
    slopes *= windows.weight[:, None]
    count = windows.weight.sum(axis=1)
    rms = np.sqrt((residual**2).sum(axis=1) / np.maximum(count - _TERMS, 1))
    normal = _normal(slopes)
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-12))
    both = scale[:, :, None] * scale[:, None, :]
    of_places = np.linalg.inv(normal / both + 1e-6 * np.eye(_TERMS))[:, :2] / both[:, :2]
    u_px = rms * np.sqrt(np.einsum("nii->n", of_places[:, :, :2]) / 2)
    pull = np.matmul(of_places.astype(np.float32), slopes) * residual[:, None]
    uneven = np.sqrt(count / np.maximum(count - _TERMS, 1) * _variance_of_sum(windows, pull) / 2)
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
