"""What a phone's processing does to light beyond the standard curve, learnt from the target's own edges."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.photo.light import linear_light
from visioncheck.points.model import TargetPoints
from visioncheck.target.layout import layout_of

Array = NDArray[np.float64]

_PITCH_PX = 0.25
_REACH_PX = 12.0
_PLATEAU_PX = (5.0, 9.0)
_BLUR_PX = 2.0
_FURTHEST_PX = 0.5
_STEEPEST_SCATTER = 0.02
_LEAST_STEP = 0.1
_LEAST_EDGES = 12
_LIMITS = (0.6, 1.6)
_UNKNOWN_U = 0.15
_LEVELS_U = 0.06
"""The exponent found between print black and paper white need not hold between wood and a slot: an allowance."""


@dataclass(frozen=True)
class Tone:
    """Light as a power of what the standard decoding gives: light = decoded ** exponent.

    Attributes
    ----------
    exponent : float
        1 where the standard curve is all there is.
    u : float
        Its standard uncertainty.
    """

    exponent: float = 1.0
    u: float = _UNKNOWN_U


def calibrate_tone(bgr: NDArray[np.uint8], points: TargetPoints) -> Tone:
    """Find the curve under which the target's edges stay where they are when the picture is blurred further.

    A point spread is symmetric, so in true light the place where an edge crosses half way between its two levels
    does not depend on blur or sharpening; under a wrong curve it does. The edges are those between the black and
    white squares of the band, the blur is a Gaussian of 2 px, and the curve's exponent is the one for which the
    median edge does not move.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 ndarray
        The photo.
    points : TargetPoints
        Its saddle points.

    Returns
    -------
    Tone
        With exponent 1 and a large uncertainty where too few edges are clean.
    """
    decoded = linear_light(_edge_profiles(bgr[..., 1], points)).mean(axis=1, dtype=float)
    clean = _clean(decoded)
    if clean.sum() < _LEAST_EDGES:
        return Tone()
    profiles = decoded[clean]
    exponent = _root(profiles)
    if exponent is None:
        return Tone()
    moved = _moved_px(profiles, exponent)
    slope = (np.median(_moved_px(profiles, exponent + 0.05)) - np.median(_moved_px(profiles, exponent - 0.05))) / 0.1
    scatter = 1.4826 * float(np.median(np.abs(moved - np.median(moved))))
    own = 1.2533 * scatter / np.sqrt(len(moved)) / abs(float(slope))
    return Tone(exponent, float(np.hypot(own, _LEVELS_U)))


def _offsets() -> Array:
    return np.arange(-_REACH_PX, _REACH_PX + _PITCH_PX / 2, _PITCH_PX)


def _edge_profiles(channel: NDArray[np.uint8], points: TargetPoints) -> NDArray[np.uint8]:
    """Stored levels (edges, stations, samples) across the edges between neighbouring band corners, black last."""
    starts, ends, dark_left = _edges(points)
    if not len(starts):
        return np.zeros((0, 1, len(_offsets())), np.uint8)
    run = ends - starts
    length = np.linalg.norm(run, axis=1, keepdims=True)
    along = run / length
    # towards the black side
    across = np.stack([-along[:, 1], along[:, 0]], axis=1) * np.where(dark_left, -1.0, 1.0)[:, None]
    shares = np.linspace(0.2, 0.8, 96)  # markers and the squares' corners keep out
    at = starts[:, None] + shares[None, :, None] * run[:, None]
    places = at[:, :, None] + _offsets()[None, None, :, None] * across[:, None, None]
    flat = places.reshape(len(starts), -1, 2).astype(np.float32)
    sampled = cv2.remap(channel, flat[..., 0], flat[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(sampled, np.uint8).reshape(len(starts), len(shares), -1)


def _edges(points: TargetPoints) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Both ends, px, of every edge between two seen neighbouring band corners, and whether black is on its left.

    Left as the page is drawn, x right and y down, walking from the first end to the second.
    """
    layout = layout_of(points.paper)
    number = {corner: k for k, corner in enumerate(layout.band_corners)}
    seen = {(s, k): at for s, k, at in zip(points.sheet.tolist(), points.index.tolist(), points.xy_px, strict=True)}
    found = []
    for sheet in np.unique(points.sheet).tolist():
        for (i, j), k in number.items():
            for di, dj in ((1, 0), (0, 1)):
                other = number.get((i + di, j + dj))
                if other is None or (sheet, k) not in seen or (sheet, other) not in seen:
                    continue
                # square (i, j) lies right of a walk along +x and left of one along +y (y down)
                found.append((seen[sheet, k], seen[sheet, other], ((i + j) % 2 == 0) == (dj == 1)))
    starts, ends, dark_left = zip(*found, strict=True) if found else ((), (), ())
    return np.array(starts).reshape(-1, 2), np.array(ends).reshape(-1, 2), np.array(dark_left, bool)


def _plateaus(profiles: Array) -> tuple[Array, Array]:
    x = _offsets()
    near, far = _PLATEAU_PX
    return profiles[:, (x > -far) & (x < -near)], profiles[:, (x > near) & (x < far)]


def _clean(decoded: Array) -> NDArray[np.bool_]:
    """Edges with an even level on both sides: nothing lies on them, no marker or shadow comes near."""
    white, black = _plateaus(decoded)
    step = white.mean(axis=1) - black.mean(axis=1)
    even = np.maximum(white.std(axis=1), black.std(axis=1)) < _STEEPEST_SCATTER * step
    return np.asarray((step > _LEAST_STEP) & even)


def _moved_px(decoded: Array, exponent: float) -> Array:
    """How far each edge's half-way crossing moves towards black when it is blurred further, px."""
    from scipy.ndimage import gaussian_filter1d

    light = np.maximum(decoded, 0) ** exponent
    white, black = (side.mean(axis=1, keepdims=True) for side in _plateaus(light))
    x = _offsets()
    share = (white - light) / (white - black)
    share = np.where(x < -_PLATEAU_PX[1], 0.0, np.where(x > _PLATEAU_PX[1], 1.0, share))
    blurred = gaussian_filter1d(share, _BLUR_PX / _PITCH_PX, axis=1, mode="nearest")
    moved = half_way(blurred, x) - half_way(share, x)
    return np.asarray(moved[np.abs(moved) < _FURTHEST_PX])


def half_way(shares: Array, offsets: Array) -> Array:
    """Where profiles (n, m) that go from 0 to 1 cross one half, nearest the middle of `offsets` (m,); NaN if never."""
    rises = (shares[:, :-1] < 0.5) & (shares[:, 1:] >= 0.5)
    step = np.where(rises, shares[:, 1:] - shares[:, :-1], 1.0)
    at = offsets[:-1] + (0.5 - shares[:, :-1]) / step * np.diff(offsets)
    away = np.where(rises, np.abs(at - offsets.mean()), np.inf)
    first = np.argmin(away, axis=1)
    found = np.take_along_axis(at, first[:, None], axis=1)[:, 0]
    return np.asarray(np.where(np.isfinite(away.min(axis=1)), found, np.nan))


def _root(profiles: Array) -> float | None:
    from scipy.optimize import brentq

    def moved(exponent: float) -> float:
        return float(np.median(_moved_px(profiles, exponent)))

    low, high = moved(_LIMITS[0]), moved(_LIMITS[1])
    if not np.isfinite(low * high) or low * high > 0:
        return None
    return float(brentq(moved, *_LIMITS, xtol=1e-3))
