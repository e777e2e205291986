"""A band of shade beside an edge, too narrow to part from it by light: what the edge's colour says."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from visioncheck import checks
from visioncheck.edges.colour import light_and_colour
from visioncheck.edges.narrow_face import ArrisPlace
from visioncheck.edges.profile import StepFits, fit_steps
from visioncheck.photo.light import coded_from_linear, linear_between

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_NEAR_PX, _FAR_PX = 3.5, 9.0
"""Where the levels on both sides are read, px from the edge."""
_EVERY = 3
"""Rows: a third of them tells a whole edge's place."""
_CERTAIN_PX = 0.6
"""Of a band. What a lens parts colours by is less."""
_U_PX, _U_SHARE = 0.15, 0.2
"""How well colour tells the place: on painted edges without shade ± 0.11 px; assumption for the rest."""
_COARSE_PX = 0.8
"""Standard deviation of the blur that keeping colour at half the resolution makes."""
_PITCH_PX = 0.25
_PHASES = np.linspace(-0.5, 0.5, 20)
_LEAST_NOISE = np.diag([1e-7, 1e-6, 1e-6])


_HERE = ArrisPlace(0.0, 0.0)


def shade_band(coded: Array, seen: Array, offset_px: Array, fit: StepFits, use: Flags, blur_px: float) -> ArrisPlace:
    """How far inside the fitted step the edge lies by its colour; nowhere else where colour cannot tell.

    The shadow of thin work is a band of a few pixels as dark as wood, and one step fitted to its light is the shadow's
    outer border. Shade takes light from paper, and no colour: along a direction that is blind to it the wood ends where
    it ends. Coded colours cross half way between their levels elsewhere than light does, by up to a pixel; by how much
    is reckoned with the very levels and blur, and taken off.

    Parameters
    ----------
    coded : (n, m, 3) ndarray
        BGR, 0 … 255.
    seen : (n, m, 3) ndarray
        The same from `light_and_colour`.
    offset_px : (n, m) ndarray
        Offsets of the samples to the outside.
    fit : StepFits
        Of the light.
    use : (n,) bool ndarray
        The stations that count.
    blur_px : float
        Of the print beside it.
    """
    rows = np.flatnonzero(use)[::_EVERY]
    # a band makes the step softer than the print beside it
    if len(rows) < checks.SHADE_LEAST_STATIONS or fit.blur < checks.SHADE_LEAST_BLUR * blur_px:
        return _HERE
    coded, seen, offset_px, at = coded[rows], seen[rows], offset_px[rows], fit.at[rows]
    away = offset_px - at[:, None]
    inside, outside = (away > -_FAR_PX) & (away < -_NEAR_PX), (away > _NEAR_PX) & (away < _FAR_PX)
    wood, beyond = (np.median(seen[where], axis=0) for where in (inside, outside))
    scatter = np.cov(seen[inside].T) + np.cov(seen[outside].T)
    direction = np.linalg.solve(scatter + np.outer(beyond, beyond) + _LEAST_NOISE, beyond - wood)
    step = float(direction @ (beyond - wood))
    if step <= 0:
        return _HERE
    direction /= step
    noise = float(np.sqrt(direction @ scatter @ direction / 2))
    if noise * checks.SHADE_LEAST_CONTRAST > 1:
        return _HERE
    levels = [np.median(coded[where], axis=0) for where in (inside, outside)]
    found = fit_steps((seen - wood) @ direction, offset_px, np.full(len(rows), noise))
    wanted = _crossing(levels[0], levels[1], wood, direction, blur_px)
    if found is None or wanted is None:
        return _HERE
    band = wanted - float(np.median((found.at - at)[found.good]))
    if not checks.SHADE_LEAST_PX < band < checks.SHADE_MOST_PX:
        return _HERE
    moved = band * min((band - checks.SHADE_LEAST_PX) / (_CERTAIN_PX - checks.SHADE_LEAST_PX), 1.0)
    own = np.hypot(_U_PX, _U_SHARE * band) * moved / band
    return ArrisPlace(-moved, float(np.hypot(own, (band - moved) / 2)))


def _crossing(
    inside: Array, outside: Array, wood: Array, direction: NDArray[np.floating], blur_px: float
) -> float | None:
    """Where the step along a direction of coded colour is seen, px, of an edge at 0 without any shade."""
    x = np.arange(-_FAR_PX - 1, _FAR_PX + 1 + _PITCH_PX / 2, _PITCH_PX)
    share = ndtr(x / blur_px)[:, None]
    light = linear_between(inside) * (1 - share) + linear_between(outside) * share
    seen = light_and_colour(coded_from_linear(light))
    seen[:, 1:] = gaussian_filter1d(seen[:, 1:], _COARSE_PX / _PITCH_PX, axis=0, mode="nearest")
    offsets = np.tile(np.arange(-_FAR_PX, _FAR_PX + 1), (len(_PHASES), 1))
    profiles = np.interp(offsets - _PHASES[:, None], x, (seen - wood) @ direction)
    fit = fit_steps(profiles, offsets, np.full(len(_PHASES), 0.02))
    return None if fit is None else float(np.mean(fit.at - _PHASES))
