"""See whether a slot, or the gap between two butted halves, runs into a piece, before its corners are read.

A sled's slot or gap stands square to the edge that it comes in by, runs straight, and has wood on both sides of it.
What lies on the wood or grows in it (a pencil line at a slant, a knot, a tag, grain, a shadow's soft border) does not.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.lens import BLUE, GREEN, RED
from visioncheck.camera.view import View
from visioncheck.photo.light import linear_light

Array = NDArray[np.float64]
Map = NDArray[np.float32]

_PX_PER_MM = 4
_FLOOR = 0.004
"""Added to light before the logarithm: below it the sensor's noise has no brightness to tell."""
_SMOOTHED_MM = 2.0
"""Along the line, against noise and grain."""
_THIN_MM = 5.0
_TILT_DEG = 3.0
_TILT_STEP_DEG = 0.25
_BORDER_MM = 3.0
"""So near to its own sides a piece has shadow, side face or tear-out."""
_NO_WOOD = 1.0
"""A wide slot's inside: darker than the wood by this, or of a tint that is the sheet's rather than the wood's."""
_WALL_MM = 1.5
"""Within this the wood at a wide slot's wall ends; a shadow fades over more."""
_BESIDE_MM = 4.0


@dataclass(frozen=True)
class Seam:
    """A straight line that runs into the piece from one of its edges, as a slot or gap does.

    Attributes
    ----------
    edge : int
        Number of the outline's side that it comes in by.
    length_mm : float
    crosses : bool
        Whether it reaches the side opposite.
    """

    edge: int
    length_mm: float
    crosses: bool


def find_seam(bgr: NDArray[np.uint8], view: View, corners_mm: Array, covered_mm: tuple[Array, ...] = ()) -> Seam | None:
    """Find the longest slot or gap that runs into a piece, square to its edge.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 ndarray
        The photo.
    corners_mm : (4, 2) ndarray
        Outline of the piece on the plane of the paper.
    covered_mm : tuple of (m, 2) ndarray
        Convex parts to leave out (tags).

    Returns
    -------
    Seam or None
        None where nothing of the sort is seen.
    """
    piece = _rectified(bgr, view, corners_mm, covered_mm)
    found = [seam for turned in (False, True) for seam in _seams(piece, turned=turned)]
    return max(found, key=lambda seam: seam.length_mm, default=None)


@dataclass(frozen=True)
class _Rectified:
    """The piece as a rectangle, side 0 of the outline on top: logarithm of its light, (h, w), tint, and what covers it.

    `alike` goes from 0 where the tint is the wood's to 2 where it is the sheet's.
    """

    light: Map
    alike: Map
    covered: NDArray[np.bool_]

    def turned(self) -> _Rectified:
        """With columns for rows."""
        light, alike = (np.ascontiguousarray(each.T, np.float32) for each in (self.light, self.alike))
        return _Rectified(light, alike, np.ascontiguousarray(self.covered.T, np.bool_))


def _rectified(bgr: NDArray[np.uint8], view: View, corners_mm: Array, covered_mm: tuple[Array, ...]) -> _Rectified:
    sides = np.linalg.norm(np.roll(corners_mm, -1, axis=0) - corners_mm, axis=1)
    width, height = (int((sides[k] + sides[k + 2]) / 2 * _PX_PER_MM) for k in range(2))
    box = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    to_table = np.asarray(cv2.getPerspectiveTransform(box, corners_mm.astype(np.float32)), np.float64)
    colour = cv2.blur(_within(bgr, view, to_table, width, height), (2, 2))
    log = np.log(linear_light(np.asarray(colour, np.uint8)) + _FLOOR).astype(np.float32)
    drawn = np.zeros((height, width), np.uint8)
    to_box = np.asarray(np.linalg.inv(to_table), np.float64)
    for part in covered_mm:
        cv2.fillConvexPoly(drawn, _moved(part, to_box).round().astype(np.int32), 1)
    covered = drawn.astype(bool)
    return _Rectified(log[..., GREEN], _like_sheet(log, _around(bgr, view, to_table, width, height), covered), covered)


def _within(bgr: NDArray[np.uint8], view: View, to_table: Array, width: int, height: int) -> NDArray[np.uint8]:
    """The photo within the rectangle."""
    # the map is smooth: worked out on a coarse grid, then interpolated
    step = 16
    columns, rows = np.arange(0, width + step, step), np.arange(0, height + step, step)
    at = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2).astype(np.float64)
    coarse = view.to_image(_moved(at, to_table)).reshape(len(rows), len(columns), 2).astype(np.float32)
    fine_x, fine_y = np.meshgrid(np.arange(width, dtype=np.float32) / step, np.arange(height, dtype=np.float32) / step)
    fine = cv2.remap(coarse, fine_x, fine_y, cv2.INTER_LINEAR)
    return _sampled(bgr, np.asarray(fine, np.float64))


def _around(bgr: NDArray[np.uint8], view: View, to_table: Array, width: int, height: int) -> NDArray[np.uint8]:
    """The sheet in places all round the rectangle, (n, 1, 3)."""
    off = _BORDER_MM * _PX_PER_MM
    xs, ys = np.arange(0, width, _PX_PER_MM), np.arange(0, height, _PX_PER_MM)
    beside = [np.column_stack([np.full(len(ys), x), ys]) for x in (-off, width + off)]
    above = [np.column_stack([xs, np.full(len(xs), y)]) for y in (-off, height + off)]
    at_px = view.to_image(_moved(np.concatenate([*beside, *above]).astype(np.float64), to_table))
    return _sampled(bgr, at_px[:, None])


def _sampled(bgr: NDArray[np.uint8], at_px: Array) -> NDArray[np.uint8]:
    seen = cv2.remap(bgr, at_px.astype(np.float32), None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    return np.asarray(seen, np.uint8)


def _moved(places: NDArray[np.float64] | NDArray[np.int_], transform: Array) -> Array:
    return np.asarray(cv2.perspectiveTransform(places[:, None].astype(np.float64), transform)[:, 0], np.float64)


def _like_sheet(log: Map, sheet: NDArray[np.uint8], covered: NDArray[np.bool_]) -> Map:
    """0 throughout where wood and sheet have one tint."""
    tint = log[..., BLUE] - log[..., RED]
    around = np.log(linear_light(sheet[:, 0]) + _FLOOR)
    wood = float(np.median(tint[~covered]))
    paper = float(np.median(around[:, BLUE] - around[:, RED]))
    if abs(paper - wood) < checks.SLOT_LEAST_TINT:
        return np.zeros_like(tint)
    return np.asarray(2 * (tint - wood) / (paper - wood), np.float32)


def _seams(piece: _Rectified, *, turned: bool) -> list[Seam]:
    """Slots and gaps that run down from the rectangle's top or up from its bottom."""
    box = piece.turned() if turned else piece
    height = len(box.light) / _PX_PER_MM
    smoothed = cv2.blur(box.light, (1, int(_SMOOTHED_MM * _PX_PER_MM)))
    across = 2 * int(_THIN_MM * _PX_PER_MM / 2) + 1
    darker = cv2.morphologyEx(smoothed, cv2.MORPH_BLACKHAT, np.ones((1, across), np.uint8))
    darker[box.covered] = 0
    # a line's slope is known to a step: a little broader, it stays in one column all the way
    darker = cv2.dilate(darker, np.ones((1, 3), np.uint8))[_PX_PER_MM // 2 :: _PX_PER_MM]
    wood = float(np.median(box.light[~box.covered]))
    unlike_wood = np.maximum((wood - box.light) / _NO_WOOD, box.alike)
    unlike_wood[box.covered] = 0
    unlike_wood = cv2.blur(unlike_wood, (1, _PX_PER_MM))[_PX_PER_MM // 2 :: _PX_PER_MM]
    runs = [
        _longest(darker > checks.SEAM_DARKER, checks.SEAM_LEAST_MM),
        _longest(darker > checks.SEAM_DARKER_ACROSS, checks.SEAM_ACROSS * height),
        _longest(unlike_wood > 1, checks.SEAM_LEAST_MM, unlike_wood),
    ]
    # the outline's sides in the order of the rectangle's: top, right, bottom, left
    names = (3, 1) if turned else (0, 2)
    return [
        Seam(names[end], length, crosses=length >= checks.SEAM_ACROSS * height)
        for run in runs
        if run is not None
        for length, end in [run]
    ]


def _longest(here: NDArray[np.bool_], least_mm: float, walls: Map | None = None) -> tuple[float, int] | None:
    """The longest run, mm, from the top (0) or the bottom (1) along one tilted column; rows are 1 mm high.

    Where `walls` says how far places are from being wood, a run counts only with a wall on either side.
    """
    here = here & _off_the_sides(here.shape)
    rows, columns = np.nonzero(here)
    best: tuple[float, int] | None = None
    for tilt in np.arange(-_TILT_DEG, _TILT_DEG + _TILT_STEP_DEG / 2, _TILT_STEP_DEG):
        shift = np.round(np.tan(np.radians(tilt)) * (np.arange(len(here)) - len(here) / 2) * _PX_PER_MM).astype(int)
        upright = np.clip(columns - shift[rows], 0, here.shape[1] - 1)
        enough = checks.SEAM_UNBROKEN * (max(least_mm, best[0] if best else 0.0) - _BORDER_MM)
        likely = np.flatnonzero(np.bincount(upright, minlength=here.shape[1]) > enough)
        # a slot that is as wide as this leaves columns to spare
        likely = likely if walls is None else likely[::_PX_PER_MM]
        if not len(likely):
            continue
        at = likely[None, :] + shift[:, None]
        lines = np.take_along_axis(here, np.clip(at, 0, here.shape[1] - 1), axis=1)
        lengths = np.stack([_runs(lines), _runs(lines[::-1])])
        for end, k in zip(*np.unravel_index(np.argsort(-lengths, axis=None), lengths.shape), strict=True):
            length = float(lengths[end, k])
            if length < least_mm or (best and length <= best[0]):
                break
            part = slice(0, int(length)) if end == 0 else slice(len(here) - int(length), None)
            if walls is None or _between_walls(walls[part], shift[part], int(likely[k])):
                best = length, int(end)
                break
    return best


def _off_the_sides(shape: tuple[int, ...]) -> NDArray[np.bool_]:
    off = np.zeros(shape, bool)
    border = int(_BORDER_MM * _PX_PER_MM)
    off[:, border:-border] = True
    return off


def _runs(lines: NDArray[np.bool_]) -> Array:
    """How far, mm, each column reaches from its start without breaks; the border does not count against it."""
    skipped = int(_BORDER_MM)
    inner = lines[skipped:]
    share = np.cumsum(inner, axis=0) / np.arange(1, len(inner) + 1)[:, None]
    on = (share >= checks.SEAM_UNBROKEN) & inner
    reached = np.where(on.any(axis=0), len(inner) - np.argmax(on[::-1], axis=0) + skipped, 0.0)
    # what is left beyond is border again
    return np.where(reached >= len(lines) - skipped, float(len(lines)), reached)


def _between_walls(unlike_wood: Map, shift: NDArray[np.int_], column: int) -> bool:
    """Whether what is no wood in this column has wood on both sides, and ends there sharply."""
    columns = np.arange(unlike_wood.shape[1])
    there = np.clip(columns[None, :] + shift[:, None], 0, unlike_wood.shape[1] - 1)
    # beside the piece there is no wood
    inner = np.where(_off_the_sides(unlike_wood.shape), unlike_wood, np.float32(2))
    profile = np.median(np.take_along_axis(inner, there, axis=1), axis=0)
    wall, beside = int(_WALL_MM * _PX_PER_MM), int(_BESIDE_MM * _PX_PER_MM)
    for outward in (profile[column::-1], profile[column:]):
        ends = np.flatnonzero(outward < 0.5)
        if not len(ends) or ends[0] + beside >= len(outward):
            return False
        inside = outward[max(ends[0] - wall, 0) : ends[0]]
        if inside.max(initial=0.0) < 1 or np.median(outward[ends[0] : ends[0] + beside]) >= 0.5:
            return False
    return True
