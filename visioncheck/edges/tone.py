"""What a phone's processing does to light beyond the standard curve, learnt from the target's own edges."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.photo.light import linear_light
from visioncheck.points.model import TargetPoints
from visioncheck.printed.layout import target_layout

Array = NDArray[np.float64]

_PITCH_PX = 0.25
_REACH_PX = 12.0
_PLATEAU_PX = (5.0, 9.0)
_BLUR_PX = 2.0
_FURTHEST_PX = 0.5
_LEAST_SEEN = 0.8
_UNEVEN_PX = 0.003
"""What unevenly placed pixels and saddle points leave in the median edge: on painted edges 0.001 to 0.003."""
_SHORTEST_PX = 70.0
"""Of a square's side: markers begin at 0.15 of it, and the white level is taken out to 9 px."""
_TRIED = np.geomspace(0.3, 3.5, 13)
_UNKNOWN_U = 0.2
"""Coded sharpening alone lets the balance fall anywhere from 0.42 to 1 (a rectangle's u is 0.17); the rest is the
scatter of phones' own curves."""
_HALF_LEVEL_SD = 0.5
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
    balance : float or None
        The exponent under which the target's edges stay where they are when blurred further; None where none does.
    edges : int
        How many clean edges told.
    softened_px : float
        Standard uncertainty of an edge's place, px, because blur may have been made of coded values.
    """

    exponent: float = 1.0
    u: float = _UNKNOWN_U
    balance: float | None = None
    edges: int = 0
    softened_px: float = 0.0


def calibrate_tone(bgr: NDArray[np.uint8], points: TargetPoints) -> Tone:
    """Find the curve under which the target's edges stay where they are when the picture is blurred further.

    A point spread is symmetric, so in true light the place where an edge crosses half way between its two levels
    does not depend on blur; under a wrong curve it does. The edges are those between the black and white squares of
    the band, the blur is a Gaussian of 2 px, and the balance is the exponent for which the median edge does not move.

    What sharpening makes of it cannot be told from edges alone. Done in light it keeps the balance at the curve's own
    exponent. Done in coded values, as most phones do, it draws the balance from the curve's exponent towards that of
    the coding, 1/2.4 to 1/2.2, and a modest halo will do that. So the exponent may be anything between the balance
    and the standard curve's 1: the middle is taken, with the standard deviation of an even spread between the two
    (JCGM 100, 4.3.7).

    Parameters
    ----------
    bgr : (h, w, 3) uint8 ndarray
        The photo.
    points : TargetPoints
        Its saddle points.

    Returns
    -------
    Tone
        With exponent 1 and a large uncertainty where too few edges are clean or nothing keeps them in place.
    """
    decoded = _edge_profiles(bgr[..., 1], points)
    clean = _clean(decoded) if len(decoded) else np.zeros(0, bool)
    count = int(clean.sum())
    unknown = Tone(edges=count, softened_px=_softened_px(points.blur_px))
    if count < checks.TONE_LEAST_EDGES:
        return unknown
    profiles = decoded[clean]
    balance = _balance(profiles)
    if balance is None:
        return unknown
    moved = _moved_px(profiles, balance)
    slope = (np.median(_moved_px(profiles, balance * 1.05)) - np.median(_moved_px(profiles, balance / 1.05))) / (
        balance * (1.05 - 1 / 1.05)
    )
    scatter = 1.4826 * float(np.median(np.abs(moved - np.median(moved))))
    own = float(np.hypot(1.2533 * scatter / np.sqrt(len(moved)), _UNEVEN_PX)) / abs(float(slope))
    sharpening = abs(1 - balance) / np.sqrt(12)
    u = float(np.sqrt((own / 2) ** 2 + _LEVELS_U**2 + sharpening**2))
    return replace(unknown, exponent=(1 + balance) / 2, u=u, balance=balance) if u < _UNKNOWN_U else unknown


def _softened_px(blur_px: float) -> float:
    """What software that blurs or shrinks coded values may do to an edge's place: none is told by its own curve.

    The half-way level of the coded values between a dark slot and wood is one third of the light or less: half a
    standard deviation of the blur away. What blur there is beyond a sharp photo's may be a lens out of focus or such
    software: an even spread between none and half of it (JCGM 100, 4.3.7).
    """
    beyond = max(blur_px**2 - checks.PHOTO_SHARP_PX**2, 0.0)
    return _HALF_LEVEL_SD * float(np.sqrt(beyond / 12))


def _offsets() -> Array:
    return np.arange(-_REACH_PX, _REACH_PX + _PITCH_PX / 2, _PITCH_PX)


def _edge_profiles(channel: NDArray[np.uint8], points: TargetPoints) -> Array:
    """Decoded light (edges, samples) across the edges between neighbouring band corners, black last.

    Means of the photo's own pixels at their true distances: whatever is interpolated or averaged in other values than
    true light moves the edge, as a wrong curve does. Edges along the pixels' rows show too few
    distances and are left out.
    """
    starts, ends, dark_left = _edges(points)
    long = np.linalg.norm(ends - starts, axis=1) > _SHORTEST_PX
    starts, ends, dark_left = starts[long], ends[long], dark_left[long]
    if not len(starts):
        return np.zeros((0, len(_offsets())))
    run = ends - starts
    length = np.linalg.norm(run, axis=1, keepdims=True)
    along = run / length
    # towards the black side
    across = np.stack([-along[:, 1], along[:, 0]], axis=1) * np.where(dark_left, -1.0, 1.0)[:, None]
    shares = np.linspace(0.2, 0.8, 96)  # markers and the squares' corners keep out
    at = starts[:, None] + shares[None, :, None] * run[:, None]
    places = at[:, :, None] + _offsets()[None, None, ::2, None] * across[:, None, None]
    pixels = np.rint(places).astype(int).reshape(len(starts), -1, 2)
    away = np.einsum("nki,ni->nk", pixels - starts[:, None], across)
    place = (away + _REACH_PX) / _PITCH_PX
    samples = len(_offsets())
    inside = (place >= 0) & (place < samples - 1)
    edge = np.broadcast_to(np.arange(len(starts))[:, None], place.shape)[inside]
    x, y = (np.clip(pixels[..., k], 0, channel.shape[1 - k] - 1)[inside] for k in range(2))
    light, count = _shared_out(linear_light(channel[y, x]), edge, place[inside], (len(starts), samples))
    seen = count > 0
    enough = seen[:, np.abs(_offsets()) < _PLATEAU_PX[0]].mean(axis=1) > _LEAST_SEEN
    mean = light[enough] / np.maximum(count[enough], 1e-9)
    x = _offsets()
    return np.array([np.interp(x, x[has], row[has]) for row, has in zip(mean, seen[enough], strict=True)])


def _shared_out(
    values: NDArray[np.float32], row: NDArray[np.int64], place: Array, shape: tuple[int, int]
) -> tuple[Array, Array]:
    """Sums of values, each shared between the two samples on either side of its place, and the sums of the shares."""
    first = place.astype(int)
    total, count = np.zeros(shape[0] * shape[1]), np.zeros(shape[0] * shape[1])
    for beyond, share in ((0, 1 - (place - first)), (1, place - first)):
        key = row * shape[1] + first + beyond
        total += np.bincount(key, share * values, len(total))
        count += np.bincount(key, share, len(total))
    return total.reshape(shape), count.reshape(shape)


def _edges(points: TargetPoints) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Both ends, px, of every edge between two seen neighbouring band corners, and whether black is on its left.

    Left as the page is drawn, x right and y down, walking from the first end to the second.
    """
    layout = target_layout(points.paper)
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
    even = np.maximum(white.std(axis=1), black.std(axis=1)) < checks.TONE_UNEVEN * step
    return np.asarray((step > checks.TONE_LEAST_STEP) & even)


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
    near = np.abs(moved) < _FURTHEST_PX
    return np.asarray(moved[near]) if near.any() else np.full(1, np.nan)


def half_way(shares: Array, offsets: Array) -> Array:
    """Where profiles (n, m) that go from 0 to 1 cross one half, nearest the middle of `offsets` (m,); NaN if never."""
    rises = (shares[:, :-1] < 0.5) & (shares[:, 1:] >= 0.5)
    step = np.where(rises, shares[:, 1:] - shares[:, :-1], 1.0)
    at = offsets[:-1] + (0.5 - shares[:, :-1]) / step * np.diff(offsets)
    away = np.where(rises, np.abs(at - offsets.mean()), np.inf)
    first = np.argmin(away, axis=1)
    found = np.take_along_axis(at, first[:, None], axis=1)[:, 0]
    return np.asarray(np.where(np.isfinite(away.min(axis=1)), found, np.nan))


def _balance(profiles: Array) -> float | None:
    """The exponent nearest 1, by ratio, at which the median edge does not move; None where it always does."""
    from scipy.optimize import brentq

    def moved(exponent: float) -> float:
        return float(np.median(_moved_px(profiles, exponent)))

    found = np.array([moved(exponent) for exponent in _TRIED])
    turns = np.flatnonzero((found[:-1] < 0) & (found[1:] >= 0))
    if not len(turns):
        return None
    nearest = turns[np.argmin(np.abs(np.log(_TRIED[turns] * _TRIED[turns + 1])))]
    return float(brentq(moved, _TRIED[nearest], _TRIED[nearest + 1], xtol=1e-3))


def tone_shift(wood: float, slot: float) -> float:
    """How much the share of light half way through a step changes with the exponent of the tone curve, near 1.

    The derivative of (d^g - s^g) / (w^g - s^g) by g, at g = 1, where it is one half.
    """
    half = (wood + slot) / 2
    curve = [level * np.log(max(level, 1e-6)) for level in (half, wood, slot)]
    return abs(float((curve[0] - (curve[1] + curve[2]) / 2) / (wood - slot)))
