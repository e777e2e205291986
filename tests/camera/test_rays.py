"""The derivatives of a projection against differences."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.camera.scene import HEIGHT, LENS
from visioncheck.camera.rays import Exposures, project
from visioncheck.camera.view import rotation_matrix

RNG = np.random.default_rng(5)
N = 7
POINTS = RNG.uniform(-90, 90, (N, 3)) * [1, 1, 0.01]
TIMES = RNG.uniform(-0.5, 0.5, N)
AT = Exposures(
    np.broadcast_to(rotation_matrix(np.array([0.3, -0.2, 1.0])), (N, 3, 3)),
    np.broadcast_to(np.array([5.0, -8.0, 420.0]), (N, 3)),
    np.broadcast_to(np.array([5.0, 8.0, -6.0, 1e-3, 1e-3, 1e-4, -1e-4, 1e-3]), (N, 8)),
    np.broadcast_to(np.array([2e-3, -1e-3, 5e-3, 0.5, -0.4, 0.3]), (N, 6)),
)


def slope(at, size):
    """Central difference of `at`, a function of a step."""
    return (at(size) - at(-size)) / (2 * size)


def test_every_derivative_is_that_of_the_pixels():
    assert LENS.height == HEIGHT
    found = project(LENS, AT, POINTS, TIMES)
    for k in range(3):
        axis = np.eye(3)[k]

        def turned(step, axis=axis):
            return project(
                LENS, replace(AT, rotations=rotation_matrix(step * axis) @ AT.rotations), POINTS, TIMES
            ).pixels

        def shifted(step, axis=axis):
            moved = replace(AT, translations_mm=AT.translations_mm + step * axis)
            return project(LENS, moved, POINTS, TIMES).pixels

        def pushed(step, axis=axis):
            return project(LENS, AT, POINTS + step * axis, TIMES).pixels

        assert np.allclose(found.by_pose[:, :, k], slope(turned, 1e-6), rtol=1e-5, atol=1e-3)
        assert np.allclose(found.by_pose[:, :, 3 + k], slope(shifted, 1e-4), rtol=1e-5, atol=1e-5)
        assert np.allclose(found.by_point[:, :, k], slope(pushed, 1e-4), rtol=1e-5, atol=1e-5)
    for k in range(6):

        def moving(step, k=k):
            return project(LENS, replace(AT, motions=AT.motions + step * np.eye(6)[k]), POINTS, TIMES).pixels

        assert np.allclose(found.by_motion[:, :, k], slope(moving, 1e-6), rtol=1e-5, atol=1e-3)
    for k in range(8):

        def other(step, k=k):
            return project(LENS, replace(AT, own_lens=AT.own_lens + step * np.eye(8)[k]), POINTS, TIMES).pixels

        assert np.allclose(found.by_lens[:, :, k], slope(other, 1e-5), rtol=1e-4, atol=1e-3)
