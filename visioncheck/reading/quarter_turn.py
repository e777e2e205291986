"""One piece seen twice on a sheet that is out of shape, turned in between: what the turn itself tells of the sheet.

A sheet that is printed out of scale or out of square shows every shape through the same affine map I + E. To first
order it turns an edge of direction θ by ``P cos 2θ + Q sin 2θ`` (and all edges alike, which no angle shows). A quarter
turn of the piece takes 2θ to 2θ + 180° and so changes that part's sign: the mean of an angle read before and after is
free of it. This is reversal, as a square is tried by drawing along it from both sides (C. J. Evans, R. J. Hocken,
W. T. Estler, *Self-calibration: reversal, redundancy, error separation, and "absolute testing"*, CIRP Annals 45,
1996). A half turn takes 2θ to 2θ + 360°: nothing cancels.

Exactly, and for a turn that is not quite a quarter: the map M from the first outline to the second is
``(I + E) s R (I + E)⁻¹``. The one metric (up to its size) that M keeps but for the factor s² is the true metric of
the sheet, ``G = (I + E)⁻ᵀ (I + E)⁻¹``. For ``M = [[a, b], [c, d]]`` it is ``c x² + (d − a) x y − b y²``, the
form that vanishes on M's eigenvectors. Angles taken in it have no affine part left, of any order.

Outlines are (4, 2) arrays of corners in mm, in one sense round the piece, x right and y down.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def map_between(first: Array, second: Array) -> Array:
    """Linear part, (2, 2), of the affine map that takes `first` to `second` best (least squares)."""
    a, b = first - first.mean(axis=0), second - second.mean(axis=0)
    return np.asarray(np.linalg.lstsq(a, b, rcond=None)[0].T)


def turn_deg(between: Array) -> float:
    """By how much the piece was turned, −180° … 180°, clockwise as seen positive; free of the sheet's shape.

    The eigenvalues of ``(I + E) s R (I + E)⁻¹`` are those of s R: ``s e^{±iφ}``.
    """
    half_trace, size = np.trace(between) / 2, np.sqrt(max(float(np.linalg.det(between)), 0.0))
    cosine = half_trace / size if size > 0 else 1.0
    return float(np.copysign(np.degrees(np.arccos(np.clip(cosine, -1, 1))), between[1, 0] - between[0, 1]))


def kept_metric(between: Array) -> Array:
    """The sheet's true metric, (2, 2), symmetric and of determinant 1, as the turn shows it.

    Raises
    ------
    ValueError
        The map is no turn, or by so near 0° or 180° that it keeps every metric.
    """
    (a, b), (c, d) = between
    form = np.array([[c, (d - a) / 2], [(d - a) / 2, -b]]) * (1.0 if c > b else -1.0)
    size = float(np.linalg.det(form))
    if not (size > 0 and form[0, 0] > 0):
        raise ValueError("no turn between the two outlines")
    return np.asarray(form / np.sqrt(size))


def stretch(metric: Array) -> float:
    """By how much the metric's longest direction is longer than its shortest, relative."""
    low, high = np.linalg.eigvalsh(metric)
    return float(np.sqrt(high / low) - 1)


def straighten(metric: Array) -> Array:
    """The map, (2, 2), from the sheet as printed to true shape: the metric's symmetric square root."""
    sizes, ways = np.linalg.eigh(metric)
    return np.asarray(ways @ np.diag(np.sqrt(sizes)) @ ways.T)


def mean_outline(first: Array, second: Array) -> Array:
    """Mean of two outlines of one piece, the sheet's affine error taken out, laid onto each other where the first lies.

    Parameters
    ----------
    first, second : (4, 2) ndarray
        Corner i of both is the same corner.

    Raises
    ------
    ValueError
        As `kept_metric`.
    """
    centre = first.mean(axis=0)
    a, b = first - centre, second - second.mean(axis=0)
    root = straighten(kept_metric(map_between(a, b)))
    a, b = a @ root.T, b @ root.T
    # the similarity that lays b onto a, least squares, as complex numbers
    p, q = a[:, 0] + 1j * a[:, 1], b[:, 0] + 1j * b[:, 1]
    q = q * (np.vdot(q, p) / np.vdot(q, q))
    mean = (p + q) / 2
    return np.asarray(centre + np.column_stack([mean.real, mean.imag]))


def shape_numbers(outline: Array) -> Array:
    """Two numbers of a quadrilateral that no affine map changes, (2,): its third corner in the frame of the others."""
    a, b, c, d = outline
    return np.asarray(np.linalg.solve(np.column_stack([b - a, d - a]), c - a))


def proportions(outline: Array) -> Array:
    """Four numbers of a quadrilateral that neither place, turn nor size changes, (4,): what its shape is.

    Its third and fourth corners in a frame whose x axis runs from the first corner to the second and has that length.
    """
    a, b, c, d = outline[:, 0] + 1j * outline[:, 1]
    third, fourth = (c - a) / (b - a), (d - a) / (b - a)
    return np.array([third.real, third.imag, fourth.real, fourth.imag])
