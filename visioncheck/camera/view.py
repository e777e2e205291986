"""How one photo sees the table: from pixels to a plane of the table frame and back.

Table frame, mm: x right, y down as seen from above, z INTO the table; paper is z = 0, a top face
of thickness t is the plane z = -t.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.lens import GREEN, Lens
from visioncheck.geometry import cross

Array = NDArray[np.float64]


class View(Protocol):
    """What the later stages need of a photo's geometry.

    `theta` holds every number that was fitted; `covariances` holds its covariance split by source
    (``"target points"``, ``"lens"``, ``"hand"``, ``"print survey"``, ``"paper flatness"``), to be added up.
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
        """How `theta` follows from the survey's numbers, (p, q): what all photos of one sheet share."""
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
    """A surveyed lens in a pose that may move on while the rows are read.

    `theta` is rotation vector (3), translation (3, mm), lens terms (8), motion (6: turn, rad, and shift, mm, from the
    first row's reading to the last one's, see `visioncheck.camera.rays.Exposures`). The pose takes table to camera when
    the middle row is read: p_camera = R p_table + t. The survey's numbers are the rig's, as in `Rig.covariance`.
    """

    lens: Lens
    rotation: Array
    translation_mm: Array
    covariances: Mapping[str, Array] = field(default_factory=dict)
    scale_u_rel: float = 0.0
    print_gain: Array = field(default_factory=lambda: np.zeros((20, 0)))
    motion: Array = field(default_factory=lambda: np.zeros(6))

    @property
    def theta(self) -> Array:
        """Rotation vector, translation, lens terms, motion: (20,)."""
        return np.concatenate([self.rotation, self.translation_mm, self.lens.terms, self.motion])

    def with_theta(self, theta: Array) -> RigidView:
        """The same view with other numbers."""
        lens = self.lens.with_terms(theta[6:14])
        return replace(self, rotation=theta[:3], translation_mm=theta[3:6], lens=lens, motion=theta[14:])

    @property
    def matrix(self) -> Array:
        """R, (3, 3), table to camera."""
        return rotation_matrix(self.rotation)

    @property
    def camera_mm(self) -> Array:
        """The camera's centre in the table frame, (3,), mm, when the middle row is read."""
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
        pixels = np.asarray(pixels, float)
        directions = self.lens.directions(pixels, channel)
        rays = np.concatenate([directions, np.ones_like(directions[..., :1])], axis=-1)
        times = self.lens.row_times(pixels)[..., None]
        rays = turned_back(rays, times * self.motion[:3]) @ self.matrix
        camera = (turned_back(-times * self.motion[3:], times * self.motion[:3]) - self.translation_mm) @ self.matrix
        reach = (-thickness_mm - camera[..., 2:]) / rays[..., 2:]
        return np.asarray(camera[..., :2] + rays[..., :2] * reach)

    def to_image(self, points_mm: Array, thickness_mm: float = 0.0, channel: int = GREEN) -> Array:
        """Pixels (n, 2) of points (n, 2), mm, on the plane z = -thickness_mm."""
        points = np.asarray(points_mm, float)
        spatial = np.concatenate([points, np.full_like(points[..., :1], -thickness_mm)], axis=-1)
        return self.project(spatial, channel)

    def project(self, points_mm: Array, channel: int = GREEN) -> Array:
        """Pixels (n, 2) of points (n, 3), mm, of the table frame."""
        standing = points_mm @ self.matrix.T + self.translation_mm
        return _read_in_rows(
            self.lens, channel, bool(np.any(self.motion)), lambda times: moved_while_read(standing, self.motion, times)
        )


def moved_while_read(standing: Array, motion: Array, times: Array) -> Array:
    """Points (n, 3) of the camera's frame, mm, where the motion (6,) or (n, 6) has brought them at the times (n,)."""
    return np.asarray(standing + times[..., None] * (cross(motion[..., :3], standing) + motion[..., 3:]))


def turned_back(seen: Array, turns: Array) -> Array:
    """Return the vectors p (n, 3) for which p + turn × p is `seen`; turns (n, 3)."""
    crossed = cross(turns, seen)
    return np.asarray(seen - (crossed - cross(turns, crossed)) / (1 + np.sum(turns**2, axis=-1, keepdims=True)))


def _read_in_rows(lens: Lens, channel: int, moves: bool, seen_at: Callable[[Array], Array]) -> Array:
    """Pixels of what `seen_at` tells for the times at which their rows are read.

    A point's row tells when it was read, and when it was read tells the row: each round brings the row nearer by the
    motion's share of the picture, a thousandth.
    """
    seen = seen_at(np.zeros(()))
    pixels = lens.pixels(seen[..., :2] / seen[..., 2:], channel)
    for _ in range(2 if moves else 0):
        seen = seen_at(lens.row_times(pixels))
        pixels = lens.pixels(seen[..., :2] / seen[..., 2:], channel)
    return pixels


@dataclass(frozen=True)
class PlaneView:
    """A plane-to-plane map with all its freedom, where no survey says what the print is like.

    `theta` is the homography's eight numbers (row by row, the ninth is 1) from table mm to the
    undistorted pixel offsets from the lens's centre in units of the focal length, the lens terms, and the turn (3, rad)
    from the first row's reading to the last one's; a shift in that time looks like a turn, and like a homography.
    The lens's focal length serves for the camera's foot and height alone. The print's numbers are the errors that
    a home print may have, in their standard deviations; its scale is among them.
    """

    lens: Lens
    homography: Array
    foot_mm: Array
    height_mm: float
    covariances: Mapping[str, Array] = field(default_factory=dict)
    scale_u_rel: float = 0.0
    print_gain: Array = field(default_factory=lambda: np.zeros((19, 0)))
    turn: Array = field(default_factory=lambda: np.zeros(3))

    @property
    def theta(self) -> Array:
        """Homography (8), lens terms (8), turn (3): (19,)."""
        return np.concatenate([self.homography.ravel()[:8], self.lens.terms, self.turn])

    def with_theta(self, theta: Array) -> PlaneView:
        """The same view with other numbers; the camera's foot stays."""
        homography = np.append(theta[:8], 1.0).reshape(3, 3)
        return replace(self, homography=homography, lens=self.lens.with_terms(theta[8:16]), turn=theta[16:])

    def to_table(self, pixels: Array, thickness_mm: float = 0.0, channel: int = GREEN) -> Array:
        """Points (n, 2), mm, on the plane z = -thickness_mm that the pixels (n, 2) show."""
        pixels = np.asarray(pixels, float)
        directions = self.lens.directions(pixels, channel)
        rays = np.concatenate([directions, np.ones_like(directions[..., :1])], axis=-1)
        rays = turned_back(rays, self.lens.row_times(pixels)[..., None] * self.turn)
        back = np.asarray(np.linalg.inv(self.homography), np.float64)
        on_paper = _map_plane(back, rays[..., :2] / rays[..., 2:])
        return np.asarray(self.foot_mm + (on_paper - self.foot_mm) * (1 - thickness_mm / self.height_mm))

    def to_image(self, points_mm: Array, thickness_mm: float = 0.0, channel: int = GREEN) -> Array:
        """Pixels (n, 2) of points (n, 2), mm, on the plane z = -thickness_mm."""
        points = np.asarray(points_mm, float)
        on_paper = np.asarray(self.foot_mm + (points - self.foot_mm) / (1 - thickness_mm / self.height_mm))
        directions = _map_plane(self.homography, on_paper)
        rays = np.concatenate([directions, np.ones_like(directions[..., :1])], axis=-1)
        motion = np.append(self.turn, np.zeros(3))
        return _read_in_rows(
            self.lens, channel, bool(np.any(self.turn)), lambda times: moved_while_read(rays, motion, times)
        )


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
