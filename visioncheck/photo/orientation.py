"""Between the pixels as stored and the picture as the phone shows it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def upright(width: int, height: int, orientation: int) -> tuple[NDArray[np.float64], int, int]:
    """Map stored pixels to the picture as it is shown (Exif 2.32, orientation 1 to 8).

    Parameters
    ----------
    width, height : int
        Of the stored picture, px.
    orientation : int
        The EXIF tag, 1 to 8.

    Returns
    -------
    matrix : (2, 3) ndarray
        Shown x, y from stored x, y, 1; its left part is orthogonal.
    width, height : int
        Of the shown picture, px.
    """
    swap = orientation >= 5
    matrix = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0]]) if swap else np.eye(2, 3)
    if swap:
        width, height = height, width
    for row, side, turned in ((0, width, {2, 3, 6, 7}), (1, height, {3, 4, 7, 8})):
        if orientation in turned:
            matrix[row] *= -1
            matrix[row, 2] += side - 1
    return matrix, width, height


def as_stored(shown: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Turn a picture (h, w, 3) that is shown upright back to the order in which the sensor gave it."""
    if orientation in {2, 3, 6, 7}:
        shown = shown[:, ::-1]
    if orientation in {3, 4, 7, 8}:
        shown = shown[::-1]
    if orientation >= 5:
        shown = shown.transpose(1, 0, 2)
    return np.ascontiguousarray(shown)
