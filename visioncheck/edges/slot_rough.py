"""A slot's walls, roughly: from the line that was found to the far wall's place and the slot's width."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.view import View
from visioncheck.edges.light_rows import DARK_FLOOR, TRIM_MM
from visioncheck.edges.sampling import Picture, sample_beside
from visioncheck.fitting.line import fit_line
from visioncheck.outline.guide import Guide
from visioncheck.outline.slot import RoughSlot
from visioncheck.photo.light import linear_light

Array = NDArray[np.float64]

_FLOOR_MM = 6.0
_COARSE_MM = 0.08
_BEYOND_MM = 2.0
_BLOCK_MM = 1.5
_WOOD_STRAY = 0.35


def rough_walls(bgr: Picture, view: View, band: RoughSlot) -> tuple[Guide, float] | None:
    """The far wall as seen from the camera, the slot on the side of its negative offsets, and the slot's width, mm."""
    line, low, high = band.line, band.low_mm, band.high_mm
    found = _far_and_width(bgr, view, line, low, high)
    if found is None:
        return None
    far, width = found
    middle = (far.start_mm + far.end_mm - width * far.normal) / 2
    if (view.foot_mm - middle) @ far.normal <= 0:
        return found
    return _far_and_width(bgr, view, Guide(line.end_mm, line.start_mm), -high, -low)


def _far_and_width(bgr: Picture, view: View, line: Guide, low: float, high: float) -> tuple[Guide, float] | None:
    far = _far_wall(bgr, view, line, low, high)
    return None if far is None else (far, _rough_width(bgr, view, far, high - low))


def _blocks(bgr: Picture, view: View, line: Guide, offsets_mm: Array) -> tuple[Array, Array]:
    """Middles (b,) of short blocks along the line and the logarithm of their median light (b, m, 3)."""
    at = np.arange(TRIM_MM, line.length_mm - TRIM_MM, _BLOCK_MM / 6)
    strip = linear_light(sample_beside(bgr, view, line, at, offsets_mm))
    count = len(at) // 6
    medians = np.median(strip[: 6 * count].reshape(count, 6, len(offsets_mm), 3), axis=1)
    return at[: 6 * count].reshape(count, 6).mean(axis=1), np.log(medians.astype(float) + DARK_FLOOR)


def _far_wall(bgr: Picture, view: View, line: Guide, low: float, high: float) -> Guide | None:
    """The line moved onto the far wall: from the wood beyond it inwards, where the wood's colour ends."""
    if line.length_mm < 2 * TRIM_MM + 8 * _BLOCK_MM:
        return None
    offsets = np.arange((low + high) / 2, high + _BEYOND_MM, _COARSE_MM)
    middles, rows = _blocks(bgr, view, line, offsets)
    wood = np.median(rows[:, offsets > high + _BEYOND_MM / 2], axis=1, keepdims=True)
    unlike = np.linalg.norm(rows - wood, axis=2) > _WOOD_STRAY
    last = len(offsets) - 1 - np.argmax(unlike[:, ::-1], axis=1)
    ok = unlike.any(axis=1)
    if ok.sum() < 8:
        return None
    return moved_onto(line, line.points(middles[ok], offsets[last[ok]]))


def moved_onto(line: Guide, points: Array, weights: Array | None = None) -> Guide:
    """Lay a guide on the robust line through points (n, 2), mm."""
    fitted = fit_line(points, weights)
    return line.laid_on(fitted.point, fitted.direction)


def _rough_width(bgr: Picture, view: View, far: Guide, dark_mm: float) -> float:
    """Width, mm, from the far wall to where, beyond the dark band and any floor beside it, the wood's colour begins."""
    offsets = np.arange(-2.5 * dark_mm - _FLOOR_MM, 1.5, _COARSE_MM)
    at = np.arange(TRIM_MM, far.length_mm - TRIM_MM, 0.5)
    seen = linear_light(sample_beside(bgr, view, far, at, offsets))
    colour = np.log(np.median(seen, axis=0) + DARK_FLOOR)
    wood = np.median(colour[offsets > 0.4], axis=0)
    like = np.linalg.norm(colour - wood, axis=1) < _WOOD_STRAY
    inward = np.flatnonzero(offsets < -0.5 * dark_mm)[::-1]
    run = 0
    for k in inward:
        run = run + 1 if like[k] else 0
        if run == 3:
            return float(-offsets[k + 2]) - _COARSE_MM / 2
    return dark_mm
