"""What the search for the target hands on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class DetectedTag:
    """A piece tag as seen: corners (4, 2) px, clockwise from the marker's own top left."""

    id: int
    corners_px: Array


@dataclass(frozen=True)
class TargetPoints:
    """The named saddle points of one photo.

    Attributes
    ----------
    paper : str
        Name in `visioncheck.printed.layout.PAPERS`.
    field : str
        ``"light"`` or ``"dark"``.
    sheet, index : (n,) int ndarray
        Which sheet, and which of its `Layout.saddles_mm`.
    xy_px : (n, 2) ndarray
        Place in the green channel, px, image frame.
    u_px : (n,) ndarray
        Standard uncertainty of each coordinate, px.
    blue_px, red_px : (n, 2) ndarray
        Place in the blue and the red channel, px; NaN where it could not be read.
    blur_px : float
        Standard deviation of the picture's blur at the points, px (median).
    tags : tuple of DetectedTag
        The piece tags in the picture.
    """

    paper: str
    field: str
    sheet: NDArray[np.int64]
    index: NDArray[np.int64]
    xy_px: Array
    u_px: Array
    blue_px: Array
    red_px: Array
    blur_px: float
    tags: tuple[DetectedTag, ...] = ()
