"""How one photo sees the table: from pixels to a plane of the table frame and back.

Table frame, mm: x right, y down as seen from above, z INTO the table; paper is z = 0, a top face
of thickness t is the plane z = -t.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.lens import GREEN, Lens

Array = NDArray[np.float64]


class View(Protocol):
    """What the later stages need of a photo's geometry.

    `theta` holds every number that was fitted; `covariances` holds its covariance split by source
    (``"target points"``, ``"lens"``, ``"print survey"``, ``"paper flatness"``), to be added up.
    A reading's uncertainty is its numeric derivative over `theta` through `with_theta`.
    """

    @property
    def theta(self) -> Array:
        """Fitted numbers, (p,)."""
        ...

    @property
    def covariances(self) -> Mapping[str, Array]:
        """Covariance of `theta` by source, each (p, p)."""
        ...

    @property
    def print_gain(self) -> Array:
        """How `theta` follows from the print's own numbers, (p, q): what all photos of one sheet share."""
        ...

    @property
    def scale_u_rel(self) -> float:
        """Relative standard uncertainty of every length (no part in angles)."""
        ...

    @property
    def foot_mm(self) -> Array:
        """The point of the table straight below the camera, (2,), mm."""
        ...

    @property
    def height_mm(self) -> float:
        """Height of the camera above the paper, mm."""
        ...

    def with_theta(self, theta: Array) -> Self:
        """The same view with other numbers."""
        ...

    def to_table(self, pixels: Array, thickness_mm: float = 0.0, channel: int = GREEN) -> Array:
        """Points (n, 2), mm, on the plane z = -thickness_mm that the pixels (n, 2) show."""
        ...

    def to_image(self, points_mm: Array, thickness_mm: float = 0.0, channel: int = GREEN) -> Array:
        """Pixels (n, 2) of points (n, 2), mm, on the plane z = -thickness_mm."""
        ...


@dataclass(frozen=True)
class RigidView:
    """A surveyed lens in a rigid pose: `theta` is rotation vector (3), translation (3, mm), lens terms (8).

    The pose takes table to camera: p_camera = R p_table + t. The print's numbers are the rig's points, x, y, z.
    """

    lens: Lens
    rotation: Array
    translation_mm: Array
    covariances: Mapping[str, Array] = field(default_factory=dict)
    scale_u_rel: float = 0.0
    print_gain: Array = field(default_factory=lambda: np.zeros((14, 0)))

    @property
    def theta(self) -> Array:
        """Rotation vector, translation, lens terms: (14,)."""
        return np.concatenate([self.rotation, self.translation_mm, self.lens.terms])

    def with_theta(self, theta: Array) -> RigidView:
        """The same view with other numbers."""
        return replace(self, rotation=theta[:3], translation_mm=theta[3:6], lens=self.lens.with_terms(theta[6:]))

    @property
    def matrix(self) -> Array:
        """R, (3, 3), table to camera."""
        return rotation_matrix(self.rotation)

    @property
    def camera_mm(self) -> Array:
        """The camera's centre in the table frame, (3,), mm."""
        return np.asarray(-self.matrix.T @ self.translation_mm)

    @property
    def foot_mm(self) -> Array:
        """The point of the table straight below the camera, (2,), mm."""
        return self.camera_mm[:2]

    @property
    def height_mm(self) -> float:
        """Height of the camera above the paper, mm."""
        return -float(self.camera_mm[2])

    def to_table(self, pixels: Array, thickness_mm: float = 0.0, channel: int = GREEN) -> Array:
        """Points (n, 2), mm, on the plane z = -thickness_mm that the pixels (n, 2) show."""
        directions = self.lens.directions(np.asarray(pixels, float), channel)
        rays = np.concatenate([directions, np.ones_like(directions[..., :1])], axis=-1) @ self.matrix
        camera = self.camera_mm
        reach = (-thickness_mm - camera[2]) / rays[..., 2:]
        return np.asarray(camera[:2] + rays[..., :2] * reach)

    def to_image(self, points_mm: Array, thickness_mm: float = 0.0, channel: int = GREEN) -> Array:
        """Pixels (n, 2) of points (n, 2), mm, on the plane z = -thickness_mm."""
        points = np.asarray(points_mm, float)
        spatial = np.concatenate([points, np.full_like(points[..., :1], -thickness_mm)], axis=-1)
        return self.project(spatial, channel)

    def project(self, points_mm: Array, channel: int = GREEN) -> Array:
        """Pixels (n, 2) of points (n, 3), mm, of the table frame."""
        seen = points_mm @ self.matrix.T + self.translation_mm
        return self.lens.pixels(seen[..., :2] / seen[..., 2:], channel)


@dataclass(frozen=True)
class PlaneView:
    """A plane-to-plane map with all its freedom, where no survey says what the print is like.

    `theta` is the homography's eight numbers (row by row, the ninth is 1) from table mm to the
    undistorted pixel offsets from the lens's centre in units of the focal length, then the lens terms.
    The lens's focal length serves for the camera's foot and height alone. The print's numbers are the errors that
    a home print may have, in their standard deviations; its scale is among them.
    """

    lens: Lens
    homography: Array
    foot_mm: Array
    height_mm: float
    covariances: Mapping[str, Array] = field(default_factory=dict)
    scale_u_rel: float = 0.0
    print_gain: Array = field(default_factory=lambda: np.zeros((16, 0)))

    @property
    def theta(self) -> Array:
        """Homography (8), lens terms (8): (16,)."""
        return np.concatenate([self.homography.ravel()[:8], self.lens.terms])

    def with_theta(self, theta: Array) -> PlaneView:
        """The same view with other numbers; the camera's foot stays."""
        homography = np.append(theta[:8], 1.0).reshape(3, 3)
        return replace(self, homography=homography, lens=self.lens.with_terms(theta[8:]))

    def to_table(self, pixels: Array, thickness_mm: float = 0.0, channel: int = GREEN) -> Array:
        """Points (n, 2), mm, on the plane z = -thickness_mm that the pixels (n, 2) show."""
        directions = self.lens.directions(np.asarray(pixels, float), channel)
        back = np.asarray(np.linalg.inv(self.homography), np.float64)
        on_paper = _map_plane(back, directions)
        return np.asarray(self.foot_mm + (on_paper - self.foot_mm) * (1 - thickness_mm / self.height_mm))

    def to_image(self, points_mm: Array, thickness_mm: float = 0.0, channel: int = GREEN) -> Array:
        """Pixels (n, 2) of points (n, 2), mm, on the plane z = -thickness_mm."""
        points = np.asarray(points_mm, float)
        on_paper = np.asarray(self.foot_mm + (points - self.foot_mm) / (1 - thickness_mm / self.height_mm))
        return self.lens.pixels(_map_plane(self.homography, on_paper), channel)


def rotation_matrix(vector: Array) -> Array:
    """Rotation matrix of a rotation vector (O. Rodrigues, 1840), (3, 3)."""
    angle = float(np.linalg.norm(vector))
    x, y, z = vector
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    if angle < 1e-8:
        return np.asarray(np.eye(3) + cross + cross @ cross / 2)
    return np.asarray(np.eye(3) + np.sin(angle) / angle * cross + (1 - np.cos(angle)) / angle**2 * (cross @ cross))


def _map_plane(homography: Array, points: Array) -> Array:
    mapped = points @ homography[:, :2].T + homography[:, 2]
    return np.asarray(mapped[..., :2] / mapped[..., 2:])
