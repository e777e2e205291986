"""The lens: from a direction to a pixel and back.

The model is that of D. C. Brown, *Close-Range Camera Calibration* (Photogrammetric Engineering, 1971),
with the coefficient order of OpenCV (k1, k2, p1, p2, k3), a smooth correction for what a real lens does
beyond it, and lateral colour as a difference of magnification between the channels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BLUE, GREEN, RED = 0, 1, 2
"""Channel numbers, in OpenCV's order."""

LENS_TERMS = ("f", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
"""Order of a lens's numbers wherever they stand in one vector."""

_UNDISTORT_STEPS = 12


@dataclass(frozen=True)
class Lens:
    """One phone's lens at one zoom.

    Attributes
    ----------
    width, height : int
        Picture size, px, of the stored pixels.
    terms : (8,) ndarray
        f (px, square pixels), cx, cy (px), k1, k2, p1, p2, k3; see `LENS_TERMS`.
    smooth : (2, m) ndarray
        Coefficients, px, of the smooth correction of x and of y over `smooth_basis`; m = 0 for none.
    lateral : (3,) tuple of float
        Relative magnification of blue, green and red less that of green (green is 0).
    """

    width: int
    height: int
    terms: Array
    smooth: Array = field(default_factory=lambda: np.zeros((2, 0)))
    lateral: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def f_px(self) -> float:
        """Focal length, px."""
        return float(self.terms[0])

    @property
    def centre_px(self) -> Array:
        """Principal point (cx, cy), px."""
        return self.terms[1:3]

    def with_terms(self, terms: Array) -> Lens:
        """The same lens with other `terms`."""
        return replace(self, terms=np.asarray(terms, float))

    def pixels(self, directions: Array, channel: int = GREEN) -> Array:
        """Pixels (n, 2) of the directions x/z, y/z (n, 2) in the camera frame."""
        ideal = self.centre_px + self.f_px * distort(directions, self.terms[3:])
        green = ideal + self.smooth_shift(ideal)
        return self.centre_px + (green - self.centre_px) * (1 + self.lateral[channel])

    def directions(self, pixels: Array, channel: int = GREEN) -> Array:
        """Directions x/z, y/z (n, 2) in the camera frame of the pixels (n, 2)."""
        green = self.centre_px + (pixels - self.centre_px) / (1 + self.lateral[channel])
        ideal = green - self.smooth_shift(green)
        if self.smooth.shape[1]:
            ideal = green - self.smooth_shift(ideal)
        return undistort((ideal - self.centre_px) / self.f_px, self.terms[3:])

    def row_times(self, pixels: Array) -> Array:
        """When the rows of pixels (n, 2) are read: -1/2 for the first, 1/2 for the last; rows as stored."""
        return np.asarray(pixels[..., 1] / self.height - 0.5)

    def smooth_shift(self, pixels: Array) -> Array:
        """By how much the smooth correction moves pixels (n, 2), px."""
        if not self.smooth.shape[1]:
            return np.zeros_like(pixels)
        basis = smooth_basis(pixels, self.width, self.height, self.smooth.shape[1])
        return np.asarray(basis @ self.smooth.T)


def distort(directions: Array, coefficients: Array) -> Array:
    """Brown's distortion of directions (n, 2); coefficients k1, k2, p1, p2, k3."""
    k1, k2, p1, p2, k3 = coefficients
    x, y = directions[..., 0], directions[..., 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    distorted = np.empty_like(directions, float)
    distorted[..., 0] = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    distorted[..., 1] = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    return distorted


def undistort(distorted: Array, coefficients: Array) -> Array:
    """The directions (n, 2) that `distort` sends to `distorted`, by fixed-point iteration."""
    if not np.any(coefficients):
        return np.array(distorted, float)
    directions = np.array(distorted, float)
    for _ in range(_UNDISTORT_STEPS):
        directions += distorted - distort(directions, coefficients)
    return directions


def smooth_degree(terms: int) -> int:
    """Degree of the polynomial whose full two-dimensional basis has `terms` members."""
    degree = round((math.sqrt(8 * terms + 1) - 3) / 2)
    if (degree + 1) * (degree + 2) // 2 != terms:
        raise ValueError(f"{terms} is not the size of a full polynomial basis")
    return degree


def smooth_basis(pixels: Array, width: int, height: int, terms: int) -> Array:
    """Chebyshev products T_a(x)·T_b(y), a + b <= degree, at pixels (n, 2) scaled to -1 … 1: (n, terms)."""
    degree = smooth_degree(terms)
    scaled = (pixels - [(width - 1) / 2, (height - 1) / 2]) / (max(width, height) / 2)
    each = np.polynomial.chebyshev.chebvander(scaled, degree)
    powers = np.array([(a, b) for a in range(degree + 1) for b in range(degree + 1 - a)])
    return np.asarray(each[..., 0, powers[:, 0]] * each[..., 1, powers[:, 1]])
