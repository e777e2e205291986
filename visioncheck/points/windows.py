"""The pixels around each predicted saddle point that take part in its fit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from visioncheck.photo.light import linear_light

Array = NDArray[np.float64]
Single = NDArray[np.float32]
_NEAR_PX = 4.0
MOST_PX = 17
"""The largest offset of a window's pixel from its middle."""


@dataclass(frozen=True)
class Windows:
    """The pixels around each point that take part.

    Attributes
    ----------
    corner : (n, 2) int ndarray
        Pixel at each window's middle.
    offset : (n, k, 2) float32 ndarray
        Pixels relative to the middle.
    weight : (n, k) float32 ndarray
        1 where the pixel takes part, 0 where it only fills the row up.
    half : int
        Greatest offset.
    """

    corner: NDArray[np.int64]
    offset: Single
    weight: Single
    half: int

    def cut(self, channel: NDArray[np.uint8]) -> Single:
        """Cut the windows' pixels out of a channel, (n, k), in linear light 0 … 255: blur acts on light."""
        at = self.offset.astype(np.int64) + self.corner[:, None]
        return linear_light(channel[at[..., 1], at[..., 0]]) * np.float32(255)

    def rows(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> Windows:
        """Take the windows of some points only."""
        return Windows(self.corner[chosen], self.offset[chosen], self.weight[chosen], self.half)

    def every(self, step: int) -> Windows:
        """Take every `step`-th pixel only."""
        return Windows(self.corner, self.offset[:, ::step], self.weight[:, ::step], self.half)

    def on_grid(self, values: Single) -> Single:
        """Put values (n, k) on square grids (n, side, side), zero where no pixel takes part."""
        side = 2 * self.half + 1
        grid = np.zeros((len(values), side * side), np.float32)
        x, y = np.moveaxis(self.offset.astype(np.int64) + self.half, 2, 0)
        part = self.weight > 0
        grid[np.nonzero(part)[0], (x + side * y)[part]] = values[part]
        return grid.reshape(-1, side, side)


def windows_at(places: Array, jacobians: Array, half_mm: float) -> Windows:
    """Windows of ± `half_mm` along both edges about each predicted place, px.

    Far from both edges a pixel tells little about the place: there only every other one is taken.

    Parameters
    ----------
    jacobians : (n, 2, 2) ndarray
        px per mm; columns along the two edges.
    """
    reach = half_mm * np.abs(jacobians).sum(axis=2).max(initial=1.0)
    half = int(np.clip(np.ceil(reach), 3, MOST_PX))
    span = np.arange(-half, half + 1)
    grid = np.stack(np.meshgrid(span, span), axis=-1).reshape(-1, 2).astype(np.float32)
    corner = np.round(places).astype(np.int64)
    normals = np.asarray(np.linalg.inv(jacobians), float)
    # single precision is a third faster and places the window's bounds to a millionth of its size
    size = np.linalg.norm(normals, axis=2).astype(np.float32)
    along, across = np.abs(sheet_offsets(normals.astype(np.float32), grid[None], (corner - places).astype(np.float32)))
    used = (np.maximum(along, across) <= np.float32(half_mm)) & (
        (np.minimum(along / size[:, :1], across / size[:, 1:]) < _NEAR_PX) | (grid.sum(axis=1) % 2 == 0)
    )
    count = used.sum(axis=1)
    point, pixel = np.nonzero(used)
    at = np.arange(len(point)) - np.repeat(np.cumsum(count) - count, count)
    offset = np.zeros((len(places), int(count.max(initial=1)), 2), np.float32)
    weight = np.zeros(offset.shape[:2], np.float32)
    offset[point, at], weight[point, at] = grid[pixel], 1
    return Windows(corner, offset, weight, half)


def sheet_offsets(normals: NDArray[Any], offset: NDArray[Any], shift: NDArray[Any]) -> NDArray[Any]:
    """Sheet offsets x and y, (2, n, k), mm, of pixel offsets from the window's middle, which stands `shift` off."""
    x, y = offset[..., 0] + shift[:, :1], offset[..., 1] + shift[:, 1:]
    return np.stack([normals[:, row, :1] * x + normals[:, row, 1:] * y for row in range(2)])
