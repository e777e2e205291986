"""Where along an edge, in the picture as it is shown, something lies against the piece or over it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from visioncheck.photo.orientation import upright
from visioncheck.reading.model import EdgeCover

if TYPE_CHECKING:
    from visioncheck.camera.view import View
    from visioncheck.outline.covers import Cover

Array = NDArray[np.float64]

_MIDDLE = 0.25
"""A stretch is in an edge's middle while its own middle lies within this share of the edge from that."""


def edge_covers(
    covers: Sequence[Sequence[Cover]], sides_mm: Array, view: View, orientation: int
) -> tuple[EdgeCover, ...]:
    """Place what lies at a piece's sides in the picture.

    Parameters
    ----------
    covers : (n,) sequence
        Of each edge, from `visioncheck.outline.covers.find_covers`.
    sides_mm : (n, 2, 2) ndarray
        Beginning and end of each edge by the outline, on the plane of the paper.
    orientation : int
        The picture's EXIF orientation.
    """
    turn = upright(1, 1, orientation)[0][:, :2]
    found = []
    for edge, (start, end) in enumerate(sides_mm):
        length = float(np.linalg.norm(end - start))
        way = turn @ (view.to_image(end[None])[0] - view.to_image(start[None])[0])
        for cover in covers[edge]:
            shares = np.clip(np.array([cover.start_mm, cover.end_mm]) / length, 0, 1)
            ends = view.to_image(start + shares[:, None] * (end - start))
            off = float(shares.mean()) - 0.5
            near = "middle" if abs(off) < _MIDDLE else _end_towards(way * np.sign(off))
            found.append(EdgeCover(edge, cover.lies, ends[0], ends[1], near))
    return tuple(found)


def _end_towards(way: Array) -> str:
    """The end of an edge that lies in a direction (2,) of the picture as it is shown."""
    if abs(way[0]) >= abs(way[1]):
        return "right end" if way[0] > 0 else "left end"
    return "lower end" if way[1] > 0 else "upper end"
