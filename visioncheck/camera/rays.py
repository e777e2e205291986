"""Derivatives of a pixel by the lens's terms, the pose, the motion and the point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.lens import Lens, distort, smooth_basis
from visioncheck.camera.view import moved_while_read

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Projection:
    """Pixels (n, 2) and their derivatives.

    Attributes
    ----------
    by_lens : (n, 2, 8) ndarray
        By the lens's terms, in the order of `LENS_TERMS`.
    by_pose : (n, 2, 6) ndarray
        By a small turn (rotation vector, applied on the camera's side) and by the translation, mm.
    by_motion : (n, 2, 6) ndarray
        By the motion while the rows are read, see `Exposures`.
    by_point : (n, 2, 3) ndarray
        By the point, mm.
    by_smooth : (n, m) ndarray
        By the coefficients of the smooth correction, the same for x and for y.
    """

    pixels: Array
    by_lens: Array
    by_pose: Array
    by_motion: Array
    by_point: Array
    by_smooth: Array


@dataclass(frozen=True)
class Exposures:
    """What belongs to single photos: pose, lens and motion; or the same for each of n points.

    Attributes
    ----------
    rotations : (m, 3, 3) ndarray
    translations_mm : (m, 3) ndarray
        Table to camera, when the middle row is read.
    own_lens : (m, 8) ndarray
        The lens's terms less those of the common lens, see `LENS_TERMS`.
    motions : (m, 6) ndarray
        Turn (rotation vector) and shift, mm, of what is seen from the first row's reading to the last one's:
        p' = p + s (turn × p + shift) in the camera's frame, with s = row/height - 1/2 of the stored picture.
    """

    rotations: Array
    translations_mm: Array
    own_lens: Array
    motions: Array

    def __len__(self) -> int:
        """Count the photos."""
        return len(self.rotations)

    def of(self, photo: NDArray[np.int64] | NDArray[np.bool_]) -> Exposures:
        """Those of the photos named."""
        return Exposures(self.rotations[photo], self.translations_mm[photo], self.own_lens[photo], self.motions[photo])

    @property
    def own(self) -> Array:
        """Lens and motion in one, (m, 14): see `visioncheck.camera.steadiness.OWN_TERMS`."""
        return np.concatenate([self.own_lens, self.motions], axis=1)


def still(rotations: Array, translations_mm: Array) -> Exposures:
    """Poses alone: the common lens, at rest."""
    m = len(rotations)
    return Exposures(rotations, translations_mm, np.zeros((m, 8)), np.zeros((m, 6)))


def project(lens: Lens, exposures: Exposures, points: Array, times: Array, smooth_terms: int = 0) -> Projection:
    """Project points (n, 3), each through its own photo's geometry, read at its own time (n,)."""
    turned = np.einsum("nij,nj->ni", exposures.rotations, points)
    standing = turned + exposures.translations_mm
    seen = moved_while_read(standing, exposures.motions, times)
    x, y, z = seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2], seen[:, 2]
    directions = np.column_stack([x, y])
    terms = lens.terms + exposures.own_lens
    f_px = terms[:, :1]
    warped, by_direction = _distort_with_slopes(x, y, terms[:, 3:].T)
    to_direction = np.zeros((len(x), 2, 3))
    to_direction[:, 0, 0] = to_direction[:, 1, 1] = 1 / z
    to_direction[:, 0, 2], to_direction[:, 1, 2] = -x / z, -y / z
    by_seen = f_px[:, :, None] * by_direction @ to_direction
    by_standing = by_seen + times[:, None, None] * (by_seen @ _cross(exposures.motions[:, :3]))
    by_pose = np.concatenate([by_standing @ -_cross(turned), by_standing], axis=2)
    by_motion = times[:, None, None] * np.concatenate([by_seen @ -_cross(standing), by_seen], axis=2)
    ideal = terms[:, 1:3] + f_px * warped
    by_lens = np.zeros((len(x), 2, 8))
    by_lens[:, :, 0] = warped
    by_lens[:, 0, 1] = by_lens[:, 1, 2] = 1
    r2 = x * x + y * y
    for term, radial in ((3, r2), (4, r2**2), (7, r2**3)):
        by_lens[:, :, term] = f_px * directions * radial[:, None]
    by_lens[:, :, 5] = f_px * np.column_stack([2 * x * y, r2 + 2 * y * y])
    by_lens[:, :, 6] = f_px * np.column_stack([r2 + 2 * x * x, 2 * x * y])
    basis = smooth_basis(ideal, lens.width, lens.height, smooth_terms) if smooth_terms else np.zeros((len(x), 0))
    pixels = ideal + (basis @ lens.smooth.T if lens.smooth.shape[1] == smooth_terms else lens.smooth_shift(ideal))
    return Projection(pixels, by_lens, by_pose, by_motion, by_standing @ exposures.rotations, basis)


def _distort_with_slopes(x: Array, y: Array, coefficients: Array) -> tuple[Array, Array]:
    k1, k2, p1, p2, k3 = coefficients
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = k1 + r2 * (2 * k2 + 3 * k3 * r2)
    slopes = np.empty((len(x), 2, 2))
    slopes[:, 0, 0] = radial + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x
    slopes[:, 0, 1] = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y
    slopes[:, 1, 0] = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y
    slopes[:, 1, 1] = radial + 2 * y * y * slope + 6 * p1 * y + 2 * p2 * x
    return distort(np.column_stack([x, y]), coefficients), slopes


def _cross(vectors: Array) -> Array:
    matrices = np.zeros((len(vectors), 3, 3))
    matrices[:, 0, 1], matrices[:, 0, 2] = -vectors[:, 2], vectors[:, 1]
    matrices[:, 1, 0], matrices[:, 1, 2] = vectors[:, 2], -vectors[:, 0]
    matrices[:, 2, 0], matrices[:, 2, 1] = -vectors[:, 1], vectors[:, 0]
    return matrices
