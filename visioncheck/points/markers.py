"""Coarse detection of the printed markers, on a reduced picture."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.photo.load import QUARTER, Photo, reduced
from visioncheck.printed.layout import IDS_PER_SHEET, SHEETS

Array = NDArray[np.float64]
_GREEN = 1
_ENOUGH_MARKERS = 8
_PLENTY_OF_MARKERS = 16


@dataclass(frozen=True)
class DetectedMarkers:
    """Markers in one picture: ids (n,), corners (n, 4, 2) in px of the full picture."""

    ids: NDArray[np.int64]
    corners_px: Array

    def of_sheets(self) -> int:
        """How many belong to sheets, not tags."""
        return int(np.count_nonzero(self.ids < IDS_PER_SHEET * SHEETS))


def find_markers(photo: Photo) -> DetectedMarkers:
    """Markers of a photo, found in its green channel on a reduced picture.

    The reduction starts at a quarter, first with one width of the threshold's window, which finds most of them in a
    third of the time, and is lessened until enough markers of sheets are read: a few on one side of a sheet say badly
    where its other side is.
    """
    quarter = np.ascontiguousarray(photo.quarter[:, :, _GREEN])
    seen = detect_markers(quarter, QUARTER, one_window=True)
    if seen.of_sheets() >= _PLENTY_OF_MARKERS:
        return seen
    best = detect_markers(quarter, QUARTER)
    half = reduced(photo.bgr[:, :, _GREEN], 2)
    for picture, reduction, one_window, enough in (
        (half, 2, True, _PLENTY_OF_MARKERS),
        (half, 2, False, _ENOUGH_MARKERS),
        (photo.bgr[:, :, _GREEN], 1, False, _ENOUGH_MARKERS),
    ):
        if best.of_sheets() >= enough:
            break
        seen = detect_markers(np.ascontiguousarray(picture), reduction, one_window=one_window)
        if seen.of_sheets() > best.of_sheets():
            best = seen
    return best


def detect_markers(small: NDArray[np.uint8], reduction: int, *, one_window: bool = False) -> DetectedMarkers:
    """Markers of a picture that was reduced by `reduction`, in px of the full one."""
    if min(small.shape) < 100:
        return DetectedMarkers(np.zeros(0, np.int64), np.zeros((0, 4, 2)))
    corners, ids, _ = _detector(one_window=one_window).detectMarkers(small)
    if ids is None:
        return DetectedMarkers(np.zeros(0, np.int64), np.zeros((0, 4, 2)))
    placed = np.array(corners, float).reshape(-1, 4, 2) * reduction + (reduction - 1) / 2
    return _without_twins(np.asarray(ids, np.int64).ravel(), placed)


def _without_twins(ids: NDArray[np.int64], corners: Array) -> DetectedMarkers:
    """Leave out every id that is read twice: one of the two is wrong, and which one is not known."""
    values, counts = np.unique(ids, return_counts=True)
    once = np.isin(ids, values[counts == 1])
    return DetectedMarkers(ids[once], corners[once])


@cache
def _detector(*, one_window: bool) -> Any:
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = (15, 15) if one_window else (7, 23)
    parameters.adaptiveThreshWinSizeStep = 16
    parameters.minMarkerPerimeterRate = 0.02
    parameters.maxMarkerPerimeterRate = 1.0
    parameters.perspectiveRemovePixelPerCell = 4
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.cornerRefinementWinSize = 2
    parameters.cornerRefinementMaxIterations = 10
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250), parameters)
