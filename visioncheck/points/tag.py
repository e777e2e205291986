"""Piece tags at full resolution: the border's four sides, each as a line, and where they meet."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.photo.light import linear_light
from visioncheck.points.model import DetectedTag
from visioncheck.printed.layout import TAG_IDS, TAG_MM

if TYPE_CHECKING:
    from visioncheck.points.markers import DetectedMarkers

Array = NDArray[np.float64]
_STATIONS = 60
_REACH_MM = 1.4
"""To each side of the border's edge: the border is 2.86 mm wide, the white around it 4 mm."""
_PROFILE = 41


def find_tags(bgr: NDArray[np.uint8], seen: DetectedMarkers) -> tuple[DetectedTag, ...]:
    """Refine the tags among the markers seen at full resolution; a tag whose border cannot be read is left out."""
    tags = []
    for number, coarse in zip(seen.ids, seen.corners_px, strict=True):
        if int(number) in TAG_IDS:
            corners = _refine(bgr, coarse)
            if corners is not None:
                tags.append(DetectedTag(int(number), corners))
    return tuple(tags)


def _refine(bgr: NDArray[np.uint8], corners: Array) -> Array | None:
    """Corners (4, 2) as meetings of the border's fitted sides, or None."""
    for _ in range(2):
        lines = []
        for side in range(4):
            line = _side_line(bgr, corners[side], corners[(side + 1) % 4])
            if line is None:
                return None
            lines.append(line)
        refined = np.array([np.cross(lines[side - 1], lines[side]) for side in range(4)])
        refined = refined[:, :2] / refined[:, 2:]
        if np.linalg.norm(refined - corners, axis=1).max() > 0.1 * np.linalg.norm(corners[1] - corners[0]):
            return None
        corners = refined
    return corners


def _side_line(bgr: NDArray[np.uint8], start: Array, end: Array) -> Array | None:
    """Fit the line (a, b, c) of one side of the border, (inside on its right), or None."""
    length = float(np.linalg.norm(end - start))
    along = (end - start) / length
    outward = np.array([along[1], -along[0]])
    reach = _REACH_MM * length / TAG_MM
    station = np.linspace(0.08, 0.92, _STATIONS) * length
    across = np.linspace(-reach, reach, _PROFILE)
    places = start + station[:, None, None] * along + across[:, None] * outward
    x, y = np.moveaxis(places.astype(np.float32), 2, 0)
    colours = cv2.remap(bgr, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    light = linear_light(np.asarray(colours[..., 1], np.uint8))
    # areas are kept by blur only in linear light, and they place the edge without a model of the blur
    dark, white = light[:, :6].mean(axis=1), light[:, -6:].mean(axis=1)
    contrast = white - dark
    if np.median(contrast) < 0.05:
        return None
    covered = ((light - dark[:, None]) / np.maximum(contrast, 1e-3)[:, None]).mean(axis=1)
    place = reach * (1 - 2 * covered)
    good = (contrast > 0.5 * np.median(contrast)) & (np.abs(place) < 0.9 * reach)
    slope, level = 0.0, 0.0
    for _ in range(4):
        if np.count_nonzero(good) < _STATIONS // 2:
            return None
        slope, level = np.polyfit(station[good], place[good], 1)
        miss = np.abs(place - (slope * station + level))
        good &= miss < max(3 * 1.4826 * float(np.median(miss[good])), 0.05)
    normal = outward - slope * along
    normal /= np.linalg.norm(normal)
    return np.array([*normal, -float(normal @ (start + level * outward))])
