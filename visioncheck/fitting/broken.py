"""Whether what was taken for one edge is two, one after the other: two straight lines against one smooth curve."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.fitting.line import repeated_median_line
from visioncheck.fitting.polynomial import Floats, fit_polynomial

_BLOCKS = 40
_LEAST_IN_BLOCK = 6
_DEGREE = 3
"""A smooth curve with as many numbers as two straight lines: what a bow, or a cut that wanders, leaves is no break."""
_ROUNDS = 8
_SMALLEST = 0.1
"""Of the median distance: below it stations count alike, so that none that is met exactly outweighs all others."""


@dataclass(frozen=True, slots=True)
class Break:
    """Where one straight line ends and another begins.

    Attributes
    ----------
    place : (2,) ndarray
        On the line before it, in the frame and unit of the points.
    step : float
        How far the lines lie apart there, in the unit of the points; no sign.
    turn_rad : float
        The angle between them; no sign.
    """

    place: Floats
    step: float
    turn_rad: float


def find_break(points: Floats) -> Break | None:
    """Find where an edge breaks, if it does.

    Two straight lines are laid through block medians of the stations with the break at every place, and one cubic, each
    by least absolute distances (P. Bloomfield and W. L. Steiger, *Least Absolute Deviations*, 1983; by reweighted least
    squares). Both have four numbers, so that by the Laplace likelihood the ratio of their misfits alone tells; the
    limit is so far below 1 that the choice among some thirty places pays for itself with no more than eight independent
    patches of rough wood along the edge.

    Parameters
    ----------
    points : (n, 2) ndarray
        Stations, mm, in any order along the edge.

    Returns
    -------
    Break or None
        None where one curve does nearly as well, or what it misses is too small to matter.

    Examples
    --------
    >>> import numpy as np
    >>> x = np.linspace(0, 90, 600)
    >>> wood = 0.01 * np.sin(1.3 * x)
    >>> find_break(np.column_stack([x, wood])) is None
    True
    >>> found = find_break(np.column_stack([x, wood + 0.5 * (x > 40)]))
    >>> round(found.step, 1), bool(abs(found.place[0] - 40) < 2)
    (0.5, True)
    """
    angle, middle = repeated_median_line(points)
    direction = np.array([math.cos(angle), math.sin(angle)])
    normal = np.array([-direction[1], direction[0]])
    along, across = _blocks((points - middle) @ direction, (points - middle) @ normal)
    places = _places(along)
    if not len(places):
        return None
    smooth = _smooth_misfit(along, across)
    if smooth < checks.EDGE_BREAK_MM:
        return None
    after = np.arange(len(along)) >= places[:, None]
    (first, misses_before), (second, misses_after) = (_lines(along, across, part) for part in (~after, after))
    misfits = (misses_before + misses_after) / len(along)
    best = int(np.argmin(misfits))
    if misfits[best] > checks.EDGE_BREAK_SHARE * smooth:
        return None
    at = float(along[places[best] - 1 : places[best] + 1].mean())
    before, behind = (float(line[best, 0] + line[best, 1] * at) for line in (first, second))
    turn = abs(math.atan(second[best, 1]) - math.atan(first[best, 1]))
    return Break(middle + at * direction + before * normal, abs(behind - before), turn)


def _blocks(along: Floats, across: Floats) -> tuple[Floats, Floats]:
    order = np.argsort(along, kind="stable")
    parts = np.array_split(order, max(min(_BLOCKS, len(order) // _LEAST_IN_BLOCK), 1))
    medians = [[np.median(each[part]) for part in parts] for each in (along, across)]
    return np.array(medians[0]), np.array(medians[1])


def _places(along: Floats) -> NDArray[np.intp]:
    """Numbers of the blocks at which a second line may begin: both parts long enough to be more than a tear."""
    least = checks.EDGE_BREAK_PART * np.ptp(along)
    number = np.arange(1, len(along))
    long_enough = (along[number - 1] - along[0] >= least) & (along[-1] - along[number] >= least)
    return np.asarray(number[long_enough])


def _smooth_misfit(along: Floats, across: Floats) -> float:
    """Mean distance of the blocks from a cubic."""
    weights = np.ones_like(along)
    for _ in range(_ROUNDS):
        curve = fit_polynomial(along, across, _DEGREE, weights=weights).coefficients
        missed = np.abs(across - np.polynomial.polynomial.polyval(along, curve))
        weights = 1 / np.maximum(missed, max(_SMALLEST * float(np.median(missed)), 1e-9))
    return float(missed.mean())


def _lines(along: Floats, across: Floats, part: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Offset and slope (k, 2) of a line through each of k parts of the blocks, and how far it misses them, in all."""
    weights = part.astype(float)
    for _ in range(_ROUNDS):
        total = weights.sum(axis=1)
        x, y = (weights @ each / total for each in (along, across))
        run = along - x[:, None]
        slope = np.sum(weights * run * across, axis=1) / np.sum(weights * run**2, axis=1)
        missed = np.abs(across - y[:, None] - slope[:, None] * run)
        usual = np.array([np.median(each[own]) for each, own in zip(missed, part, strict=True)])
        weights = part / np.maximum(missed, np.maximum(_SMALLEST * usual, 1e-9)[:, None])
    return np.column_stack([y - slope * x, slope]), np.sum(missed * part, axis=1)
