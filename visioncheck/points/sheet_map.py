"""A smooth map from a sheet's sheet frame to the picture: homography and a low polynomial for the lens."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_ROBUST_STEPS = 6
_FEWEST_TO_DRAW = 8
_DRAWS = 200
_ROOM = 0.01
"""How far a lens bends a sheet's points off a homography, relative to the sheet's size in the picture."""


@dataclass(frozen=True)
class SheetMap:
    """Sheet mm to px: pixels = homography(sheet) + polynomial(sheet scaled to about -1 … 1).

    A homography alone misses by tens of px: a lens bends straight lines.
    """

    homography: Array
    centre_mm: Array
    half_mm: float
    degree: int
    coefficients: Array

    def pixels(self, sheet_mm: Array) -> Array:
        """Pixels (n, 2) of sheet points (n, 2), mm."""
        flat = project(self.homography, sheet_mm)
        return np.asarray(flat + _basis(sheet_mm, self.centre_mm, self.half_mm, self.degree) @ self.coefficients)

    def jacobians(self, sheet_mm: Array, step_mm: float = 0.5) -> Array:
        """d(pixels)/d(sheet), (n, 2, 2): columns are the pixels one mm takes along sheet x and y."""
        columns = [
            (self.pixels(sheet_mm + offset) - self.pixels(sheet_mm - offset)) / (2 * step_mm)
            for offset in (np.array([step_mm, 0.0]), np.array([0.0, step_mm]))
        ]
        return np.stack(columns, axis=-1)


def fit_sheet_map(sheet_mm: Array, pixels: Array, degree: int, floor_px: float) -> tuple[SheetMap, Array]:
    """Robust fit (Cauchy weights, scale from the median) of a map; also the residuals (n, 2), px.

    Parameters
    ----------
    floor_px : float
        Least scale of the residuals: what the points cannot be better than.

    Raises
    ------
    ValueError
        The points fix no homography.
    """
    homography = _homography(sheet_mm, pixels)
    centre = sheet_mm.mean(axis=0)
    half = float(np.max(np.abs(sheet_mm - centre))) or 1.0
    basis = _basis(sheet_mm, centre, half, degree)
    wanted: Array = pixels - project(homography, sheet_mm)
    weights = np.ones(len(sheet_mm))
    coefficients = np.zeros((basis.shape[1], 2))
    residuals = wanted
    for _ in range(_ROBUST_STEPS):
        weighted = basis * weights[:, None]
        # a small ridge keeps coefficients at zero that the points do not determine
        normal = weighted.T @ basis + 1e-6 * weights.sum() * np.eye(basis.shape[1])
        coefficients = np.linalg.solve(normal, weighted.T @ wanted)
        residuals = wanted - basis @ coefficients
        distance = np.linalg.norm(residuals, axis=1)
        scale = max(1.5 * float(np.median(distance)), floor_px)
        weights = 1 / (1 + (distance / scale) ** 2)
    return SheetMap(homography, centre, half, degree, coefficients), residuals


def _homography(sheet_mm: Array, pixels: Array) -> Array:
    """By least squares, or where most points disagree with those, by the draws of four that most agree with.

    Draws often fail where all points are good: they stand in rows, and in fours close together as corners of squares.
    """
    room_px = max(_ROOM * float(np.ptp(pixels, axis=0).max()), 1.0)
    best, least = None, np.inf
    for method in (0, cv2.LMEDS, cv2.RANSAC) if len(sheet_mm) >= _FEWEST_TO_DRAW else (0,):
        fitted, _ = cv2.findHomography(sheet_mm, pixels, method, room_px, maxIters=_DRAWS)
        if fitted is None or not np.all(np.isfinite(fitted)):
            continue
        miss = float(np.median(np.linalg.norm(pixels - project(np.array(fitted, float), sheet_mm), axis=1)))
        if miss < least:
            best, least = np.array(fitted, float), miss
        if least < room_px:
            break
    if best is None:
        raise ValueError("the points fix no homography")
    return best


def project(homography: Array, points: Array) -> Array:
    """Points (n, 2) through a homography."""
    mapped = points @ homography[:, :2].T + homography[:, 2]
    return np.asarray(mapped[:, :2] / mapped[:, 2:])


def _basis(sheet_mm: Array, centre: Array, half: float, degree: int) -> Array:
    x, y = ((sheet_mm - centre) / half).T
    return np.stack([x**a * y**b for a in range(degree + 1) for b in range(degree + 1 - a)], axis=-1)
