"""Find a saw slot, or the gap between two butted halves: the one long straight line across the work that is no wood."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.lens import BLUE, GREEN, RED
from visioncheck.camera.view import View
from visioncheck.outline.guide import Guide
from visioncheck.photo.light import linear_light

Array = NDArray[np.float64]

PITCH_MM = 0.2
_FLOOR = 0.004
"""Added to light before the logarithm: below it the sensor's noise has no brightness to tell."""
_WIDEST_MM = 24.0
_PENCIL_MM = 1.4
_MARGIN_MM = 6.0
_MOST = 3.0
_INNER_MM = 1.5
_STRAY_MM = 3.0
_RHO_MM = 0.6
_BESIDE_MM = 2.5


@dataclass(frozen=True)
class RoughSlot:
    """A band that is no wood, rough: its middle line on the plane of the paper, and its two sides beside that line.

    Attributes
    ----------
    line : Guide
        From one end of the band to the other.
    low_mm, high_mm : float
        Offsets of the band's sides from the line, along its normal.
    """

    line: Guide
    low_mm: float
    high_mm: float

    @property
    def width_mm(self) -> float:
        """Rough width, plane of the paper."""
        return self.high_mm - self.low_mm


@dataclass(frozen=True)
class Patch:
    """The work from above on the plane of the paper, `PITCH_MM` a pixel.

    Attributes
    ----------
    log_light : (h, w, 3) float32 ndarray
        Logarithm of linear light, BGR.
    inside : (h, w) uint8 ndarray
        1 well inside the work.
    beside : (h, w) bool ndarray
        Outside the work.
    covered : (h, w) bool ndarray
        Under a tag.
    corner_mm : (2,) ndarray
        Place of the pixel (0, 0).
    """

    log_light: NDArray[np.float32]
    inside: NDArray[np.uint8]
    beside: NDArray[np.bool_]
    covered: NDArray[np.bool_]
    corner_mm: Array


@dataclass(frozen=True)
class _Patch:
    """How far each place is from being wood like its surroundings (from 1 on it counts), and where the work is."""

    unlike_wood: Array
    inside: NDArray[np.uint8]
    corner_mm: Array


def find_slot(
    seen: Patch,
    darker: float = checks.SLOT_DARKER,
    along: Array | None = None,
) -> RoughSlot | None:
    """Find the longest straight line that is far darker than the wood on both sides of it, or shows the sheet.

    The direction is found by adding up unlikeness to wood along straight lines (J. Radon, 1917), so that a thin gap or
    one crossed by chips is found as well.

    Parameters
    ----------
    seen : Patch
        The work from above.
    darker : float
        How much darker than its surroundings it is at least, natural log.
    along : (2,) ndarray or None
        Its direction to a few degrees, where it is known.

    Returns
    -------
    RoughSlot or None
        None where no such line is seen.
    """
    patch = _Patch(_unlike_wood(seen, darker), seen.inside, seen.corner_mm)
    rows, columns = np.nonzero(patch.unlike_wood > 1)
    if len(rows) < checks.SLOT_LEAST_LENGTH_MM / PITCH_MM:
        return None
    points = np.column_stack([columns, rows]).astype(np.float64) * PITCH_MM
    found = _direction(points, np.minimum(patch.unlike_wood[rows, columns], _MOST), _angles(along))
    band = _measure(patch, points, *found)
    if band is None or band.line.length_mm < max(checks.SLOT_LEAST_LENGTH_MM, checks.SLOT_LEAST_RATIO * band.width_mm):
        return None
    return band


def look_at_work(bgr: NDArray[np.uint8], view: View, region_mm: Array, covered_mm: tuple[Array, ...] = ()) -> Patch:
    """Draw the work from above.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 ndarray
        The photo.
    region_mm : (n, 2) ndarray
        Convex outline of the work on the plane of the paper.
    covered_mm : tuple of (m, 2) ndarray
        Convex parts to leave out (tags).
    """
    low = region_mm.min(axis=0) - _MARGIN_MM
    width, height = np.ceil((region_mm.max(axis=0) + _MARGIN_MM - low) / PITCH_MM).astype(int) + 1
    # the map is smooth: worked out on a coarse grid, then interpolated
    step = 16
    columns, rows = np.arange(0, width + step, step), np.arange(0, height + step, step)
    grid = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
    coarse = view.to_image(low + grid * PITCH_MM).reshape(len(rows), len(columns), 2).astype(np.float32)
    fine_x, fine_y = np.meshgrid(np.arange(width, dtype=np.float32) / step, np.arange(height, dtype=np.float32) / step)
    fine = cv2.remap(coarse, fine_x, fine_y, cv2.INTER_LINEAR)
    smooth = cv2.blur(bgr, (2, 2))
    seen = cv2.remap(smooth, fine, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    log = np.log(linear_light(np.asarray(seen, np.uint8)) + _FLOOR)
    work = _drawn([region_mm], low, log.shape[:2])
    # a little in, so that the shadow beside the work is no part of it
    margin = 2 * round(_INNER_MM / PITCH_MM) + 1
    inside = cv2.erode(work, np.ones((margin, margin), np.uint8), borderValue=0)
    covered = _drawn(list(covered_mm), low, log.shape[:2]) > 0
    return Patch(np.asarray(log, np.float32), np.asarray(inside, np.uint8), work == 0, covered, low)


def _unlike_wood(seen: Patch, least: float) -> Array:
    log, inside = seen.log_light, seen.inside.astype(bool)
    darker = _narrow(-log[..., GREEN], inside) / least
    unlike_wood = np.maximum(darker, _like_sheet(log[..., BLUE] - log[..., RED], inside, seen.beside))
    unlike_wood[~inside | seen.covered] = 0
    return np.asarray(unlike_wood, np.float64)


def _like_sheet(tint: NDArray[np.float32], inside: NDArray[np.bool_], beside: NDArray[np.bool_]) -> NDArray[np.float32]:
    """From 0 where the tint is the wood's to 2 where it is the sheet's; 0 throughout where the two are alike."""
    if not inside.any() or not beside.any():
        return np.zeros_like(tint)
    # grain has tints of its own, and the slot takes up little of the work
    wood, sheet = float(np.quantile(tint[inside], 0.95)), float(np.median(tint[beside]))
    if sheet - wood < checks.SLOT_LEAST_TINT:
        return np.zeros_like(tint)
    like = 2 * (tint - wood) / (sheet - wood)
    # a pencil line is grey too, but thin
    size = round(_PENCIL_MM / PITCH_MM)
    return np.asarray(cv2.morphologyEx(like.astype(np.float32), cv2.MORPH_OPEN, np.ones((size, size), np.uint8)))


def _narrow(values: NDArray[np.float32], inside: NDArray[np.bool_]) -> NDArray[np.float32]:
    """How far narrow things stand out above what is wider than `_WIDEST_MM`."""
    size = 2 * round(_WIDEST_MM / 2 / PITCH_MM) + 1
    # beside the work stands wood, so that neither its corners nor a slot's open end look like anything else
    wood = np.quantile(values[inside], 0.25) if inside.any() else 0.0
    filled = np.where(inside, values, wood).astype(np.float32)
    return np.asarray(cv2.morphologyEx(filled, cv2.MORPH_TOPHAT, np.ones((size, size), np.uint8)))


def _drawn(polygons: list[Array], low: Array, shape: tuple[int, ...]) -> NDArray[np.uint8]:
    mask = np.zeros(shape, np.uint8)
    for polygon in polygons:
        hull = cv2.convexHull(((polygon - low) / PITCH_MM).astype(np.float32)).round().astype(np.int32)
        cv2.fillConvexPoly(mask, hull, 1)
    return mask


def _angles(along: Array | None) -> Array:
    """Directions to try, rad."""
    if along is None:
        return np.asarray(np.radians(np.arange(0.0, 180.0, 1.0)), np.float64)
    return np.asarray(np.arctan2(along[1], along[0]) + np.radians(np.arange(-3.0, 3.1, 0.5)), np.float64)


def _direction(points: Array, weights: Array, angles: Array) -> tuple[float, float]:
    """Angle, rad, and offset, mm, of the straight line with the most unlikeness to wood on it."""
    best, found = -1.0, (0.0, 0.0)
    for angle in angles:
        rho = points @ np.array([-np.sin(angle), np.cos(angle)])
        low = rho.min()
        sums = np.bincount(((rho - low) / _RHO_MM).astype(int), weights)
        top = int(np.argmax(sums))
        if sums[top] > best:
            best, found = float(sums[top]), (float(angle), float(low + (top + 0.5) * _RHO_MM))
    return found


def _measure(patch: _Patch, points: Array, angle: float, rho: float) -> RoughSlot | None:
    """Follow the line: its ends, its direction to a fraction of a degree, and the sides of the band."""
    for reach in (2.0, 1.0, 0.6):
        along = np.array([np.cos(angle), np.sin(angle)])
        normal = np.array([-along[1], along[0]])
        at, off = points @ along, points @ normal - rho
        near = np.abs(off) < reach
        if near.sum() < checks.SLOT_LEAST_LENGTH_MM / PITCH_MM:
            return None
        ends = _run(at[near])
        if ends[1] - ends[0] < checks.SLOT_LEAST_LENGTH_MM:
            return None
        on = near & (at >= ends[0]) & (at <= ends[1])
        slope, shift = np.polyfit(at[on], off[on], 1)
        middle = (ends[0] + ends[1]) / 2
        foot = middle * along + (rho + slope * middle + shift) * normal
        angle += float(np.arctan(slope))
        rho = float(foot @ np.array([-np.sin(angle), np.cos(angle)]))
    along = np.array([np.cos(angle), np.sin(angle)])
    normal = np.array([-along[1], along[0]])
    at = points @ along
    ends = _run(at[np.abs(points @ normal - rho) < 1.0])
    sides = _sides(patch, along, normal, rho, ends)
    if sides is None:
        return None
    start, end = (patch.corner_mm + place * along + rho * normal for place in ends)
    return RoughSlot(Guide(start, end), *sides)


def _run(at: Array) -> tuple[float, float]:
    """The longest stretch without a break of more than `_STRAY_MM`."""
    ordered = np.sort(at)
    breaks = np.flatnonzero(np.diff(ordered) > _STRAY_MM)
    firsts = ordered[np.concatenate([[0], breaks + 1])]
    lasts = ordered[np.concatenate([breaks, [len(ordered) - 1]])]
    longest = int(np.argmax(lasts - firsts))
    return float(firsts[longest]), float(lasts[longest])


def _sides(
    patch: _Patch, along: Array, normal: Array, rho: float, ends: tuple[float, float]
) -> tuple[float, float] | None:
    """Where the median unlikeness to wood across the band falls below 1 or half of its middle's."""
    length = ends[1] - ends[0]
    at = np.linspace(ends[0] + 0.1 * length, ends[1] - 0.1 * length, 200)
    offsets = np.arange(-_WIDEST_MM, _WIDEST_MM + 0.05, 0.1)
    places = at[:, None, None] * along + (rho + offsets[None, :, None]) * normal
    where = (places / PITCH_MM).astype(np.float32)
    seen = cv2.remap(patch.unlike_wood.astype(np.float32), where[..., 0], where[..., 1], cv2.INTER_LINEAR)
    profile = np.median(seen, axis=0)
    middle = len(offsets) // 2
    top = float(profile[middle - 5 : middle + 6].max())
    if top < 1:
        return None
    deep = profile > min(1.0, 0.5 * top)
    start = middle - 5 + int(np.argmax(profile[middle - 5 : middle + 6]))
    low, high = start, start
    while low > 0 and deep[low - 1]:
        low -= 1
    while high < len(offsets) - 1 and deep[high + 1]:
        high += 1
    # wood on both sides: a shadow along the work's own edge is no slot
    wood = cv2.remap(patch.inside, where[..., 0], where[..., 1], cv2.INTER_NEAREST).mean(axis=0)
    beside = round(_BESIDE_MM / 0.1)
    if (
        low < beside
        or high + beside >= len(offsets)
        or min(wood[low - beside], wood[high + beside]) < checks.SLOT_LEAST_WOOD
    ):
        return None
    return float(offsets[low]), float(offsets[high])
