"""Plane geometry that more than one stage needs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def cross(a: Array, b: Array) -> Array:
    """Vector product of vectors (..., 3); for the few of one photo a fraction of the time that `numpy.cross` takes."""
    product = np.empty(np.broadcast_shapes(a.shape, b.shape))
    for k in range(3):
        second, third = (k + 1) % 3, (k + 2) % 3
        product[..., k] = a[..., second] * b[..., third] - a[..., third] * b[..., second]
    return product


def intersection(point: Array, direction: Array, other_point: Array, other_direction: Array) -> Array:
    """Point (2,) where two lines, each a point and a direction, meet; ``numpy.linalg.LinAlgError`` if parallel."""
    run = np.linalg.solve(np.column_stack([direction, -other_direction]), other_point - point)[0]
    return np.asarray(point + run * direction)


def similarity(points: Array, goal: Array) -> tuple[Array, Array, float]:
    """Turn, shift and scale that bring points (n, 2 or 3) best to `goal` (S. Umeyama, 1991)."""
    centre, centre_goal = points.mean(axis=0), goal.mean(axis=0)
    u, s, vt = np.linalg.svd((goal - centre_goal).T @ (points - centre))
    sign = np.eye(len(vt))
    sign[-1, -1] = np.sign(np.linalg.det(u @ vt))
    turn = u @ sign @ vt
    scale = float(np.trace(np.diag(s) @ sign) / np.sum((points - centre) ** 2))
    return turn, centre_goal - scale * turn @ centre, scale


def motion(points: Array, goal: Array) -> tuple[Array, Array]:
    """Turn and shift, without a scale, that bring points (n, 2 or 3) best to `goal`."""
    turn, _, _ = similarity(points, goal)
    return turn, goal.mean(axis=0) - turn @ points.mean(axis=0)
