"""The printed layout: where each square, marker and saddle point nominally stands.

Page frame, mm: origin at the page's top-left corner, x right, y down.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Field = Literal["light", "dark"]

EDGE_MM = 6.0
"""At least this much stays unprinted on each side: home printers need it."""
MARKER_FRACTION = 0.7
MARKS_FRACTION = 0.25
IDS_PER_SHEET = 30
SHEETS = 7
TAG_IDS = range(210, 250)
TAG_MM = 20.0
TAG_PAPER_MM = 28.0
BAND = 2
"""Rings of squares that make the coded band."""


@dataclass(frozen=True)
class Paper:
    """A paper size and the side of its squares, mm."""

    name: str
    width_mm: float
    height_mm: float
    square_mm: float


PAPERS = {
    "a4": Paper("a4", 210.0, 297.0, 10.0),  # ISO 216
    "letter": Paper("letter", 215.9, 279.4, 10.0),  # ANSI/ASME Y14.1 size A
    "a3": Paper("a3", 297.0, 420.0, 15.0),  # ISO 216
    "tabloid": Paper("tabloid", 279.4, 431.8, 15.0),  # ANSI/ASME Y14.1 size B
}


@dataclass(frozen=True)
class TargetLayout:
    """The layout of one paper.

    Attributes
    ----------
    columns, rows : int
        Number of squares.
    origin_mm : (2,) tuple of float
        Top-left corner of the grid of squares, sheet frame.
    """

    paper: Paper

    @cached_property
    def columns(self) -> int:
        """Squares across."""
        return int((self.paper.width_mm - 2 * EDGE_MM) // self.paper.square_mm)

    @cached_property
    def rows(self) -> int:
        """Squares down."""
        return int((self.paper.height_mm - 2 * EDGE_MM) // self.paper.square_mm)

    @cached_property
    def origin_mm(self) -> tuple[float, float]:
        """Top-left corner of the centred grid, mm, sheet frame."""
        square = self.paper.square_mm
        return (
            (self.paper.width_mm - self.columns * square) / 2,
            (self.paper.height_mm - self.rows * square) / 2,
        )

    def in_band(self, i: int, j: int) -> bool:
        """Whether square (i, j) belongs to the coded band."""
        inside_grid = 0 <= i < self.columns and 0 <= j < self.rows
        in_field = BAND <= i < self.columns - BAND and BAND <= j < self.rows - BAND
        return inside_grid and not in_field

    @cached_property
    def black_squares(self) -> tuple[tuple[int, int], ...]:
        """The band's filled squares (i, j), in reading order."""
        return tuple(square for square in self._band_squares() if sum(square) % 2 == 0)

    @cached_property
    def marker_squares(self) -> tuple[tuple[int, int], ...]:
        """The band's squares (i, j) that hold a marker, in the order of their ids."""
        white = [square for square in self._band_squares() if sum(square) % 2 == 1]
        return tuple(white[::3])

    @property
    def marker_mm(self) -> float:
        """A marker's side."""
        return MARKER_FRACTION * self.paper.square_mm

    @property
    def mark_mm(self) -> float:
        """The side of each of a field mark's two squares."""
        return MARKS_FRACTION * self.paper.square_mm

    @cached_property
    def marker_corners_mm(self) -> NDArray[np.float64]:
        """Corners of every marker, (markers, 4, 2), clockwise from its top left as OpenCV gives them."""
        margin = (self.paper.square_mm - self.marker_mm) / 2
        top_left = self._corner(np.array(self.marker_squares, float)) + margin
        corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * self.marker_mm
        return top_left[:, None, :] + corners[None]

    @cached_property
    def band_corners(self) -> tuple[tuple[int, int], ...]:
        """Grid corners (i, j) whose four squares are all in the band, row by row."""
        return tuple(
            (i, j)
            for j in range(1, self.rows)
            for i in range(1, self.columns)
            if all(self.in_band(i - a, j - b) for a in (0, 1) for b in (0, 1))
        )

    @cached_property
    def field_corners(self) -> tuple[tuple[int, int], ...]:
        """Grid corners (i, j) that carry a field mark, row by row."""
        return tuple(
            (i, j)
            for j in range(3, self.rows - BAND)
            for i in range(3, self.columns - BAND)
            if (i - BAND) % 2 == 0 and (j - BAND) % 2 == 0
        )

    @cached_property
    def saddles_mm(self) -> NDArray[np.float64]:
        """Every saddle point, (points, 2): band corners row by row, then field marks row by row."""
        return self._corner(np.array(self.band_corners + self.field_corners, float))

    @property
    def ruled_points(self) -> tuple[int, int]:
        """Indices in `saddles_mm` of the two ends of the ruled length."""
        return 0, len(self.band_corners) - 1

    @cached_property
    def ruled_mm(self) -> float:
        """Nominal ruled length: first to last band saddle point."""
        first, last = self.ruled_points
        return float(np.linalg.norm(self.saddles_mm[last] - self.saddles_mm[first]))

    def _band_squares(self) -> list[tuple[int, int]]:
        return [(i, j) for j in range(self.rows) for i in range(self.columns) if self.in_band(i, j)]

    def _corner(self, ij: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(self.origin_mm) + ij * self.paper.square_mm


@cache
def target_layout(paper: str) -> TargetLayout:
    """The layout of the paper named `paper`.

    Raises
    ------
    KeyError
        No such paper in `PAPERS`.
    """
    return TargetLayout(PAPERS[paper])
