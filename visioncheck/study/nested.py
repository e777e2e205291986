"""What spreads readings: camera, laying, cut and sled as nested variance components, by analysis of variance.

Every sled makes cuts, every cut is laid on the sheet several times, every laying is photographed several times. A mean
square at each level estimates its own component and all those below it. With unequal numbers the coefficients are those
of S. R. Searle, *Linear Models* (1971), chapter 11: with n(g) readings in a group g of level j, and m(a) in the group a
of level k or of the one above that holds it,

    E[MS_k] = sum over j >= k of c_kj · variance_j,
    c_kj = (sum over g of n(g)² / n(a_k(g)) − sum over g of n(g)² / n(a_k−1(g))) / degrees of freedom of k.

The equations are triangular, and are solved from the camera up. Intervals are generalised ones (S. Weerahandi,
*Generalized confidence intervals*, 1993): every mean square is divided by drawn chi-squared values over their degrees
of freedom, the equations are solved for each draw, and 95 % of the components lie between the limits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from visioncheck.quantity import coverage_factor

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

SOURCES = ("sled", "cut", "laying", "camera")
"""From the top: each level lies within the one before; the camera's is what is left between photos of one laying."""
_DRAWS = 20_000
_LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class Component:
    """What one level adds to the spread.

    Parameters
    ----------
    sources : tuple of str
        Which of `SOURCES`; several where the readings cannot tell them apart.
    groups : int
        How many of them there were.
    dof : int
        Degrees of freedom of its mean square.
    mean_square, variance : float
        As they come out; the variance may be below zero where nothing shows above the levels below.
    low, high : float
        95 % interval of the standard deviation.
    """

    sources: tuple[str, ...]
    groups: int
    dof: int
    mean_square: float
    variance: float
    low: float
    high: float

    @property
    def sd(self) -> float:
        """The standard deviation; 0 where nothing shows."""
        return math.sqrt(max(self.variance, 0.0))


@dataclass(frozen=True, slots=True)
class NestedStudy:
    """The components from the top down, and how many readings there were."""

    readings: int
    components: tuple[Component, ...]

    def sd_of(self, *sources: str) -> float:
        """Standard deviation of these sources together; a component that holds one of them counts whole."""
        parts = (each.sd**2 for each in self.components if set(each.sources) & set(sources))
        return math.sqrt(sum(parts))


def nested_study(labels: Sequence[tuple[str, str, str]], values: Sequence[float]) -> NestedStudy:
    """Split the spread of readings into its components.

    Parameters
    ----------
    labels : sequence of (sled, cut, laying)
        Of each reading; the names below one name are its own (the first laying of each cut may be called 1).
    values : sequence of float
        The readings, in any unit.

    Raises
    ------
    ValueError
        Fewer than three readings, or none that repeats another in anything.
    """
    y = np.asarray(values, float)
    if y.size < 3 or not np.isfinite(y).all():
        raise ValueError("needs at least 3 readings")
    levels, partitions = _partitions(labels)
    if len(levels) < 2:
        raise ValueError("nothing in it was repeated")
    squares = [_sum_of_squares(y, upper, lower) for upper, lower in pairwise(partitions)]
    dofs = [int(lower.max() - upper.max()) for upper, lower in pairwise(partitions)]
    mean_squares = np.array(squares) / dofs
    coefficients = _coefficients(partitions, dofs)
    variances = _solve(coefficients, mean_squares[:, None])[:, 0]
    generator = np.random.default_rng(1)
    chi = np.stack([generator.chisquare(dof, _DRAWS) / dof for dof in dofs])
    draws = np.sqrt(np.maximum(_solve(coefficients, mean_squares[:, None] / chi), 0.0))
    low, high = np.quantile(draws, [(1 - _LEVEL) / 2, (1 + _LEVEL) / 2], axis=1)
    return NestedStudy(
        int(y.size),
        tuple(
            Component(
                sources=levels[k],
                groups=int(partitions[k + 1].max()) + 1,
                dof=dofs[k],
                mean_square=float(mean_squares[k]),
                variance=float(variances[k]),
                low=float(low[k]),
                high=float(high[k]),
            )
            for k in range(len(levels))
        ),
    )


def _partitions(labels: Sequence[tuple[str, str, str]]) -> tuple[list[tuple[str, ...]], list[NDArray[np.intp]]]:
    """Number the groups at every level below "all"; levels that fall together are one.

    Where every laying has one photo the two cannot be told apart, and likewise a cut with one laying.
    """
    singles = np.arange(len(labels))
    numbered = [_number([label[: k + 1] for label in labels]) for k in range(3)] + [singles]
    levels: list[tuple[str, ...]] = []
    partitions = [np.zeros(len(labels), dtype=np.intp)]
    for source, groups in zip(SOURCES, numbered, strict=True):
        if groups.max() == partitions[-1].max():  # no finer than the level above
            if levels:
                levels[-1] = (*levels[-1], source)
            continue
        levels.append((source,))
        partitions.append(groups)
    return levels, partitions


def _number(names: Sequence[tuple[str, ...]]) -> NDArray[np.intp]:
    known: dict[tuple[str, ...], int] = {}
    return np.array([known.setdefault(name, len(known)) for name in names], dtype=np.intp)


def _sum_of_squares(y: Floats, upper: NDArray[np.intp], lower: NDArray[np.intp]) -> float:
    means = [np.bincount(groups, y)[groups] / np.bincount(groups)[groups] for groups in (upper, lower)]
    return float(((means[1] - means[0]) ** 2).sum())


def _coefficients(partitions: Sequence[NDArray[np.intp]], dofs: Sequence[int]) -> Floats:
    """How much of each level's variance stands in each mean square; upper triangular."""
    count = len(dofs)
    found = np.zeros((count, count))
    for k in range(count):
        for j in range(k, count):
            within = [_held(partitions[j + 1], partitions[above]) for above in (k + 1, k)]
            found[k, j] = (within[0] - within[1]) / dofs[k]
    return found


def _held(groups: NDArray[np.intp], above: NDArray[np.intp]) -> float:
    """Sum over the groups of their readings squared over the readings of the group above that holds each."""
    sizes, first = np.bincount(groups), np.unique(groups, return_index=True)[1]
    return float((sizes**2 / np.bincount(above)[above[first]]).sum())


def _solve(coefficients: Floats, mean_squares: Floats) -> Floats:
    from scipy.linalg import solve_triangular  # lazy: kept off the path of --help

    return np.asarray(solve_triangular(coefficients, mean_squares, lower=False), dtype=np.float64)


def share_of_tolerance(sd: float, tolerance: float) -> float:
    """How much of a tolerance the ± (95 %) of a reading with this standard deviation takes."""
    return coverage_factor(math.inf) * sd / tolerance


def cuts_to_average(study: NestedStudy, tolerance: float, share: float) -> int | None:
    """How many fresh cuts, one photo of each, bring the ± of their mean down to a share of the tolerance.

    None where more than 99 would be needed, or the study had too few cuts to say.
    """
    if not any("cut" in each.sources for each in study.components):
        return None
    one = share_of_tolerance(study.sd_of("cut", "laying", "camera"), tolerance)
    n = max(1, math.ceil((one / share) ** 2 - 1e-9))
    return n if n <= 99 else None
