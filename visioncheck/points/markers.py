"""Coarse sightings of the printed markers, on a reduced picture."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.target.layout import IDS_PER_SHEET, SHEETS

Array = NDArray[np.float64]
_ENOUGH_MARKERS = 8


@dataclass(frozen=True)
class Sightings:
    """Markers in one picture: ids (n,), corners (n, 4, 2) in px of the full picture."""

    ids: NDArray[np.int64]
    corners_px: Array

    def of_sheets(self) -> int:
        """How many belong to sheets, not tags."""
        return int(np.count_nonzero(self.ids < IDS_PER_SHEET * SHEETS))


def find_markers(grey: NDArray[np.uint8]) -> Sightings:
    """Markers of the full-size `grey` picture, found on a reduced one.

    The reduction starts at a quarter and is lessened until enough markers of sheets are read.
    """
    best = Sightings(np.zeros(0, np.int64), np.zeros((0, 4, 2)))
    for reduction in (4, 2, 1):
        seen = detect(grey, reduction)
        if len(seen.ids) > len(best.ids):
            best = seen
        if best.of_sheets() >= _ENOUGH_MARKERS:
            break
    return best


def detect(grey: NDArray[np.uint8], reduction: int) -> Sightings:
    """Markers of `grey` seen at 1/`reduction` of its size."""
    height, width = grey.shape
    if min(height, width) < 100 * reduction:
        return Sightings(np.zeros(0, np.int64), np.zeros((0, 4, 2)))
    size = (width // reduction, height // reduction)
    # cut to a multiple: then each small pixel is the mean of whole ones and the shift is known exactly
    whole = grey[: size[1] * reduction, : size[0] * reduction]
    small = cv2.resize(whole, size, interpolation=cv2.INTER_AREA) if reduction > 1 else whole
    corners, ids, _ = _detector().detectMarkers(small)
    if ids is None:
        return Sightings(np.zeros(0, np.int64), np.zeros((0, 4, 2)))
    placed = np.array(corners, float).reshape(-1, 4, 2) * reduction + (reduction - 1) / 2
    return _without_twins(np.asarray(ids, np.int64).ravel(), placed)


def _without_twins(ids: NDArray[np.int64], corners: Array) -> Sightings:
    """Leave out every id that is read twice: one of the two is wrong and nobody knows which."""
    values, counts = np.unique(ids, return_counts=True)
    once = np.isin(ids, values[counts == 1])
    return Sightings(ids[once], corners[once])


@cache
def _detector() -> Any:
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = 7
    parameters.adaptiveThreshWinSizeMax = 23
    parameters.adaptiveThreshWinSizeStep = 16
    parameters.minMarkerPerimeterRate = 0.02
    parameters.maxMarkerPerimeterRate = 1.0
    parameters.perspectiveRemovePixelPerCell = 4
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.cornerRefinementWinSize = 2
    parameters.cornerRefinementMaxIterations = 10
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250), parameters)
