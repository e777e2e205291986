"""What the print shows at a place of the page."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from visioncheck.target.layout import BAND, Layout

Array = NDArray[np.float64]

PAPER, INK, MARKER, FIELD, OFF_GRID = 0, 1, 2, 3, 4
"""Labels: a white band square, a black one, a marker's square (mixed), the plain field, outside the grid."""
MARK = 5
"""A field mark: ink on a light field, paper on a dark one."""


def print_label(layout: Layout, page_mm: Array) -> NDArray[np.int8]:
    """Label of what is printed at page places (..., 2), mm, page frame: an (...) array."""
    square = layout.paper.square_mm
    grid = (np.asarray(page_mm) - layout.origin_mm) / square
    i, j = np.floor(grid[..., 0]).astype(int), np.floor(grid[..., 1]).astype(int)
    labels = _square_labels(layout)
    known = (i >= 0) & (i < layout.columns) & (j >= 0) & (j < layout.rows)
    label = np.full(i.shape, OFF_GRID, np.int8)
    label[known] = labels[j[known], i[known]]
    label[(label == FIELD) & _in_field_mark(layout, grid)] = MARK
    return label


def _square_labels(layout: Layout) -> NDArray[np.int8]:
    labels = np.full((layout.rows, layout.columns), FIELD, np.int8)
    for j in range(layout.rows):
        for i in range(layout.columns):
            if layout.in_band(i, j):
                labels[j, i] = INK if (i + j) % 2 == 0 else PAPER
    for i, j in layout.marker_squares:
        labels[j, i] = MARKER
    return labels


def _in_field_mark(layout: Layout, grid: Array) -> NDArray[np.bool_]:
    nearest = np.round((grid - BAND) / 2) * 2 + BAND
    off = (grid - nearest) / (layout.mark_mm / layout.paper.square_mm)
    up_left = (off > -1).all(axis=-1) & (off < 0).all(axis=-1)
    down_right = (off > 0).all(axis=-1) & (off < 1).all(axis=-1)
    i, j = nearest[..., 0], nearest[..., 1]
    exists = (i >= 3) & (i < layout.columns - BAND) & (j >= 3) & (j < layout.rows - BAND)
    return np.asarray((up_left | down_right) & exists)
