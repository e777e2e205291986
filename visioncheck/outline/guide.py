"""A straight line that the outline gives, for the edges to be traced along."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Guide:
    """A directed line on the plane of the paper from `start_mm` to `end_mm`; offsets count to the OUTSIDE.

    The outside lies at the direction (x, y) turned to (-y, x). `covered_mm` are stretches, by their distances from the
    start, where something else lies and the edge is not seen.
    """

    start_mm: Array
    end_mm: Array
    covered_mm: tuple[tuple[float, float], ...] = ()

    @property
    def length_mm(self) -> float:
        """Length."""
        return float(np.linalg.norm(self.end_mm - self.start_mm))

    @property
    def along(self) -> Array:
        """Unit direction, (2,)."""
        return np.asarray((self.end_mm - self.start_mm) / self.length_mm)

    @property
    def normal(self) -> Array:
        """Unit vector to the outside, (2,)."""
        x, y = self.along
        return np.array([-y, x])

    def points(self, at_mm: Array, offset_mm: Array) -> Array:
        """Table points (..., 2) at distances along and offsets to the outside (broadcast together)."""
        at, offset = np.broadcast_arrays(at_mm, offset_mm)
        return np.asarray(self.start_mm + at[..., None] * self.along + offset[..., None] * self.normal)

    def is_open(self, at_mm: Array) -> NDArray[np.bool_]:
        """Whether nothing else lies at distances (n,) along."""
        covered = [(at_mm >= low) & (at_mm <= high) for low, high in self.covered_mm]
        return ~np.any(covered, axis=0) if covered else np.ones(at_mm.shape, bool)

    def laid_on(self, point: Array, direction: Array) -> Guide:
        """Turn it onto the line through `point` along unit `direction`, either way round; its ends drop squarely."""
        along = direction * np.sign(direction @ self.along)
        start, end = (point + (at - point) @ along * along for at in (self.start_mm, self.end_mm))
        return Guide(start, end, self.covered_mm)
