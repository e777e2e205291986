"""Plane geometry that more than one stage needs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def intersection(point: Array, direction: Array, other_point: Array, other_direction: Array) -> Array:
    """Point (2,) where two lines, each a point and a direction, meet; ``numpy.linalg.LinAlgError`` if parallel."""
    run = np.linalg.solve(np.column_stack([direction, -other_direction]), other_point - point)[0]
    return np.asarray(point + run * direction)
