"""The scatter of a sled's cuts: what pieces teach of it, by its likelihood on a grid of scatters."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

USUAL_SCATTER_DEG = 0.003
"""What cuts of one sled scatter before any is seen: 0.015 mm of dust or spring over 300 mm; assumption."""
# scatters tried, in the usual one
_GRID = np.concatenate([[0.0], np.geomspace(0.05, 200.0, 48)])
# nothing is known to better than this, deg
LEAST_U_DEG = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Cuts:
    """The pieces of one state of the sled.

    Attributes
    ----------
    value : (n,) ndarray
        Fence error of each piece, deg.
    covariance : (n, n) ndarray
        Of these, without the scatter from cut to cut, deg².
    """

    value: Floats
    covariance: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Scatter:
    """What is known of the scatter from cut to cut.

    Attributes
    ----------
    usual_deg : float
        Median before any piece is seen (half-Cauchy; A. Gelman, *Prior distributions for variance parameters in
        hierarchical models*, 2006), deg.
    earlier : tuple of Cuts
        Earlier states of the sled.
    learnt : ndarray
        Log likelihood of each tried scatter by these.
    """

    usual_deg: float = USUAL_SCATTER_DEG
    earlier: tuple[Cuts, ...] = ()
    learnt: Floats = field(default_factory=lambda: np.zeros(len(_GRID)))

    def after(self, cuts: Cuts) -> Scatter:
        """Add what a state of the sled taught."""
        if len(cuts.value) < 2:
            return self
        return replace(self, earlier=(*self.earlier, cuts), learnt=self.learnt + _log_likelihood(cuts, self.grid_deg))

    @property
    def is_learnt(self) -> bool:
        """Whether an earlier state of the sled has taught anything."""
        return bool(self.earlier)

    @property
    def grid_deg(self) -> Floats:
        """The scatters that are tried, deg."""
        tried: Floats = self.usual_deg * _GRID
        return tried

    @property
    def log_before(self) -> Floats:
        """Logarithm of each tried scatter's weight after the earlier states, up to a constant."""
        edges = np.concatenate([[0.0], (_GRID[1:] + _GRID[:-1]) / 2, [np.inf]])
        found: Floats = np.log(np.diff(np.arctan(edges))) + self.learnt
        return found

    def weight(self, cuts: Cuts | None = None) -> Floats:
        """Probability of each tried scatter after the earlier states, and after `cuts`."""
        logs = self.log_before if cuts is None else self.log_before + _log_likelihood(cuts, self.grid_deg)
        weight: Floats = np.exp(logs - logs.max())
        weight /= weight.sum()
        return weight


def paule_mandel(states: Sequence[Cuts]) -> float:
    """Estimate the scatter from cut to cut: that at which the weighted squares are what they should be.

    R. C. Paule and J. Mandel, *Consensus values and weighting factors*, J. Res. NBS 87 (1982) 377: the scatter τ for
    which ``Σ (x − x̄)² / (u² + τ²)`` is the number of pieces less one, here summed over the states, each with its own
    mean, and with the whole covariance for what pieces have alike (what all have alike cancels). It needs no
    distribution of the scatter, and unlike that of DerSimonian and Laird (1986) it does not take weights for granted
    that leave the scatter out.

    Parameters
    ----------
    states : sequence of Cuts
        States of one sled.

    Returns
    -------
    float
        Standard deviation, in the unit of the values; 0 where the pieces scatter no more than they should, and
        where no state has two.
    """
    from scipy.optimize import brentq  # lazy: kept off the path of --help

    states = [each for each in states if len(each.value) > 1]
    free = sum(len(each.value) - 1 for each in states)

    def excess(tau: float) -> float:
        return math.fsum(float(weighted_squares(each, np.array([tau]))[0]) for each in states) - free

    if not states or excess(0.0) <= 0:
        return 0.0
    high = max(float(np.ptp(each.value)) for each in states) or LEAST_U_DEG
    while excess(high) > 0:
        high *= 2
    return float(brentq(excess, 0.0, high, xtol=1e-9 * high))


def with_scatter(cuts: Cuts, tau: Floats) -> Floats:
    """Covariance with each scatter, shape (t, n, n)."""
    whole: Floats = cuts.covariance + tau[:, None, None] ** 2 * np.eye(len(cuts.value))
    return whole


def weighted_squares(cuts: Cuts, tau: Floats) -> Floats:
    """Weighted squares about the mean of least squares, for each scatter, shape (t,)."""
    inverse = np.linalg.inv(with_scatter(cuts, tau))
    weight = inverse.sum(axis=2)
    mean = weight @ cuts.value / weight.sum(axis=1)
    rest = cuts.value - mean[:, None]
    misfit: Floats = np.einsum("tn,tnm,tm->t", rest, inverse, rest)
    return misfit


def _log_likelihood(cuts: Cuts, tau: Floats) -> Floats:
    """Restricted log likelihood of each scatter: the mean is averaged out (H. D. Patterson, R. Thompson, 1971)."""
    whole = with_scatter(cuts, tau)
    information = np.linalg.inv(whole).sum(axis=(1, 2))
    found: Floats = -(np.linalg.slogdet(whole)[1] + np.log(information) + weighted_squares(cuts, tau)) / 2
    return found
