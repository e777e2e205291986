"""What is usual around a point, and how far it departs from it: light, blur and place change slowly on a sheet."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from visioncheck.points.saddle import Fits
from visioncheck.points.sheet_map import fit_sheet_map
from visioncheck.printed.layout import TargetLayout

Array = NDArray[np.float64]

Flags = NDArray[np.bool_]
_NEIGHBOURS = 11
_USUAL_SCATTER = 1.5
_USUAL_WEIGHT = 20
"""What the scatter of points commonly is in units of their own u, and how many readings that knowledge is worth:
on photos with truth 1.3 to 2.0, a spread of a sixth."""
_MEDIAN_EFFICIENCY = 0.37
"""Of the median absolute deviation against squares, for normal scatter (P. J. Rousseeuw and C. Croux, *Alternatives
to the median absolute deviation*, 1993)."""


@dataclass(frozen=True)
class SaddleFits:
    """One sheet's accepted points: indices, fits, windows' inputs."""

    number: int
    index: NDArray[np.int64]
    places: Array
    jacobians: Array
    fits: Fits


def usual_around(values: Array, places: Array, good: Flags) -> Array:
    """Take what is usual around each point, the median over the nearest good ones; light and blur change slowly.

    Of values (n,), or of several at once, (n, k).
    """
    if np.count_nonzero(good) < 3:
        return values
    apart = ((places[:, None] - places[None, good]) ** 2).sum(axis=2)
    nearest = np.argpartition(apart, min(_NEIGHBOURS, apart.shape[1] - 1), axis=1)[:, :_NEIGHBOURS]
    return np.asarray(np.median(values[good][nearest], axis=1))


def own_miss(layout: TargetLayout, read: SaddleFits, good: Flags) -> Array:
    """Deviation (n, 2), px, from a robust smooth map through the good points, less what neighbours share.

    What neighbours share (waves of the paper, a real lens) is no fault of the point.
    """
    page, places = layout.saddles_mm[read.index], read.fits.terms[:, :2]
    sheet_map, _ = fit_sheet_map(page[good], places[good], map_degree(int(np.count_nonzero(good))), 0.05)
    miss = places - sheet_map.pixels(page)
    return miss - usual_around(miss, places, good)


def map_degree(points: int) -> int:
    """Degree of the smooth map that so many points support."""
    return 5 if points >= 70 else 4 if points >= 50 else 2


def with_true_scatter(layout: TargetLayout, read: SaddleFits) -> SaddleFits:
    """Make the uncertainties cover the points' scatter about their neighbours.

    Each point's own residuals, uneven and alike as they are, say most of it. The rest is found by the ratio of
    R. T. Birge, The calculation of errors by the method of least squares (Physical Review, 1932), with a median in
    place of the squares, and averaged with what it commonly is, so that few points say little.
    """
    u_px = read.fits.u_px * usual_around(read.fits.noise_factor, read.fits.terms[:, :2], np.ones(len(read.index), bool))
    squares, readings = _scatter_squares(layout, read, u_px)
    ratio = np.sqrt((_USUAL_WEIGHT * _USUAL_SCATTER**2 + squares) / (_USUAL_WEIGHT + readings))
    return replace(read, fits=replace(read.fits, u_px=u_px * ratio))


def _scatter_squares(layout: TargetLayout, read: SaddleFits, u_px: Array) -> tuple[float, float]:
    """Sum of the points' squared deviations in units of u, and the number of readings that it is worth."""
    count = len(read.index)
    degree = map_degree(count)
    readings = 2 * (count - (degree + 1) * (degree + 2) / 2)
    if readings <= 0:
        return 0.0, 0.0
    own = np.abs(own_miss(layout, read, np.ones(count, bool)) / u_px[:, None])
    # the median of the neighbours, itself among them, has about 1.5 / n of one point's variance
    freedom = readings / (2 * count) * (1 - 0.5 / _NEIGHBOURS)
    worth = _MEDIAN_EFFICIENCY * readings
    return worth * (1.4826 * float(np.median(own))) ** 2 / freedom, worth
