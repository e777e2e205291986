"""Find the workpiece: a rough quadrilateral of what lies on the sheet, told from its shadow by its tint."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.view import View
from visioncheck.errors import Refusal
from visioncheck.geometry import intersection
from visioncheck.outline.overview import PIXELS_PER_MM, Overview, look_from_above
from visioncheck.photo.load import Photo
from visioncheck.points.model import TargetPoints

Array = NDArray[np.float64]

_TINT_STEP = 0.07
"""Smallest difference of tint (natural log of a ratio) that counts as not being the sheet."""
_SMALLEST_MM2 = 400.0
_CLOSE_MM = 2.0
_OPEN_MM = 2.5
_SECOND_PIECE = 0.35
"""A second thing of this share of the first one's area, and square-cut too, is a second piece."""
_QUAD_EXCESS = 0.06


@dataclass(frozen=True)
class Outline:
    """A rough outline on the plane of the paper.

    Attributes
    ----------
    corners_mm : (4, 2) ndarray
        Table frame; side i runs from corner i to corner i + 1, anticlockwise as seen from above, so that a side's
        direction (x, y) has the outside at (-y, x).
    """

    corners_mm: Array

    @property
    def area_mm2(self) -> float:
        """Area."""
        return float(cv2.contourArea(self.corners_mm.astype(np.float32)))


def find_outlines(photo: Photo, points: TargetPoints, view: View) -> list[Outline]:
    """Every four-sided thing on the sheet, largest first, as seen on the plane of the paper.

    Raises
    ------
    Refusal
        Nothing lies on the sheet (``no-piece``).
    """
    overview = look_from_above(photo, points, view)
    found = [outline for mask in _blobs(overview) if (outline := _quadrilateral(mask, overview)) is not None]
    if not found:
        raise Refusal("no-piece", photo.path.name)
    return found


def _blobs(overview: Overview) -> list[NDArray[np.uint8]]:
    """Masks of connected things that are not sheet, largest first."""
    strength = cv2.blur(cv2.magnitude(*cv2.split(overview.tint)), (3, 3))
    strength[~overview.between] = 0
    rough = _clean(strength > _TINT_STEP)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(rough, connectivity=4)
    order = 1 + np.argsort(-stats[1:count, cv2.CC_STAT_AREA])
    masks = []
    for label in order:
        if stats[label, cv2.CC_STAT_AREA] < _SMALLEST_MM2 * PIXELS_PER_MM**2:
            break
        # a second pass half way up the piece's own tint, so that a faint halo does not widen it
        inside = (labels == label) & overview.on_sheet
        if not inside.any():
            continue
        level = float(np.quantile(strength[inside], 0.8))
        # beside the pages lies the bench, of any tint: only what is like the piece belongs to it
        typical = np.median(overview.tint[inside & (strength > 0.6 * level)], axis=0)
        unlike = cv2.magnitude(*cv2.split(overview.tint - typical))
        like = overview.on_sheet | (unlike < 0.4 * level)
        own = _clean((strength > max(_TINT_STEP, 0.45 * level)) & (labels == label) & like)
        masks.append(_largest(own))
    return masks


def _clean(mask: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Close what pencil lines cut, drop what is thin (the bench between two sheets), fill what a tag leaves."""
    close = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_odd(_CLOSE_MM), _odd(_CLOSE_MM)))
    narrow = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_odd(_OPEN_MM), _odd(_OPEN_MM)))
    closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, close)
    opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, narrow)
    contours, _ = cv2.findContours(opened, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(opened, contours, -1, 1, cv2.FILLED)
    return np.asarray(opened, np.uint8)


def _odd(length_mm: float) -> int:
    return 2 * int(length_mm * PIXELS_PER_MM / 2) + 1


def _largest(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    if count < 2:
        return mask
    return np.asarray(labels == 1 + np.argmax(stats[1:, cv2.CC_STAT_AREA]), np.uint8)


def _quadrilateral(mask: NDArray[np.uint8], overview: Overview) -> Outline | None:
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    contour = max(contours, key=cv2.contourArea)
    hull = cv2.convexHull(contour)
    if len(hull) < 4:
        return None
    quad = cv2.approxPolyN(hull, 4, ensure_convex=True).reshape(-1, 2).astype(float)
    if len(quad) != 4:
        return None
    quad = _snap(quad, contour.reshape(-1, 2).astype(float))
    area = cv2.contourArea(quad.astype(np.float32))
    hull_area = cv2.contourArea(hull)
    if abs(area - hull_area) > _QUAD_EXCESS * hull_area + 60:
        return None
    corners = overview.to_table(quad)
    x, y = corners.T
    if np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) > 0:
        corners = corners[::-1]
    return Outline(corners)


def _snap(quad: Array, contour: Array) -> Array:
    """Each side moved to the robust line through the contour beside it; corners where they meet."""
    lines = []
    for start, end in zip(quad, np.roll(quad, -1, axis=0), strict=True):
        along = (end - start) / np.linalg.norm(end - start)
        normal = np.array([-along[1], along[0]])
        at = (contour - start) @ along
        off = (contour - start) @ normal
        reach = np.linalg.norm(end - start)
        near = (at > 0.05 * reach) & (at < 0.95 * reach) & (np.abs(off) < 5 * PIXELS_PER_MM)
        if near.sum() < 10:
            lines.append((start, along))
            continue
        vx, vy, x0, y0 = cv2.fitLine(contour[near].astype(np.float32), cv2.DIST_WELSCH, 0, 0.01, 0.01).ravel()
        lines.append((np.array([x0, y0], float), np.array([vx, vy], float)))
    return np.array([intersection(*lines[i - 1], *lines[i]) for i in range(4)])


def is_second_piece(outlines: list[Outline]) -> bool:
    """Whether another thing beside the largest one could be meant."""
    return len(outlines) > 1 and outlines[1].area_mm2 > _SECOND_PIECE * outlines[0].area_mm2
