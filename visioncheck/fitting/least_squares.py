"""Gauss and Newton's steps for weighted least squares: of one system, and of many small ones at once.

Pure mathematics, shared by whatever fits a model to pixels or to points. Sizes, weights and priors are in the units of
the caller's terms and values.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Model = Callable[[Array], tuple[Array, Array]]


@dataclass(frozen=True)
class Prior:
    """Where terms are held before the data speak.

    Attributes
    ----------
    centre : (n, p) ndarray
        Expected terms of each of the n systems.
    sd : (p,) ndarray
        Standard deviation of each term about it; infinite where nothing is known.
    """

    centre: Array
    sd: Array

    def precision(self, noise: float) -> Array:
        """Weight (p,) of the prior against values of standard deviation `noise`; 1e-9 keeps free terms regular."""
        return np.where(np.isfinite(self.sd), (noise / self.sd) ** 2, 1e-9)


@dataclass(frozen=True)
class ManyFits:
    """Fitted systems.

    Attributes
    ----------
    terms : (n, p) ndarray
    residual : (n, m) ndarray
        Weighted residuals.
    inverse_normal : (n, p, p) ndarray
        Covariance of the terms for values of standard deviation 1.
    """

    terms: Array
    residual: Array
    inverse_normal: Array


def fit_many(
    model: Model,
    values: Array,
    weight: Array,
    start: Array,
    prior: Prior,
    noise: float,
    *,
    rounds: int,
    limited: Sequence[int] = (),
    longest: float = np.inf,
) -> ManyFits:
    """Fit n small systems at once by a fixed number of Gauss–Newton steps.

    After C. F. Gauss, *Theoria motus* (1809); A. Björck, *Numerical Methods for Least Squares Problems* (1996), 9.2.

    Parameters
    ----------
    model : callable
        From terms (n, p) to model values (n, m) and their derivatives (n, m, p).
    values : (n, m) ndarray
    weight : (n, m) ndarray
        0 or 1: which values take part.
    start : (n, p) ndarray
        Terms to start from.
    prior : Prior
    noise : float
        Standard deviation of one value.
    rounds : int
        Number of steps.
    limited : sequence of int
        Terms that change by at most `longest` in one step.
    longest : float
        In the unit of the limited terms.

    Raises
    ------
    numpy.linalg.LinAlgError
        A singular system.
    """
    terms, held = start.copy(), prior.precision(noise)
    limited = list(limited)
    normal = np.zeros((0, 0, 0))
    for _ in range(rounds):
        seen, slopes = model(terms)
        residual = (values - seen) * weight
        across = slopes.transpose(0, 2, 1)
        normal = across @ (slopes * weight[..., None]) + np.diag(held)
        right = (across @ residual[..., None])[..., 0] + held * (prior.centre - terms)
        step = np.linalg.solve(normal, right[..., None])[..., 0]
        step[:, limited] = np.clip(step[:, limited], -longest, longest)
        terms = terms + step
    seen, _ = model(terms)
    return ManyFits(terms, (values - seen) * weight, np.asarray(np.linalg.inv(normal)))
