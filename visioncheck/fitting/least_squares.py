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

HUBER = 2.5
"""Residuals beyond this many times their scale count less (P. J. Huber, *Robust Statistics*, 1981); the factor is
an assumption."""
RAYLEIGH_MEDIAN = 1.1774
"""Median of the distance of two normal coordinates of standard deviation 1, sqrt(2 ln 2)."""


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


def median_scale(distances: Array, least: float) -> float:
    """Scale of plane residuals by the median of their distances (n,), at least `least`."""
    return max(float(np.median(distances)) / RAYLEIGH_MEDIAN, least)


def huber_weights(distances: Array, scale: float) -> Array:
    """Huber's weights (n,), 1 up to `HUBER` scales and falling as 1/distance beyond."""
    return np.asarray(np.minimum(1, HUBER * scale / np.maximum(distances, 1e-12)))


def solve_scaled(normal: Array, right: Array) -> Array:
    """Solve a symmetric positive system (p, p) whose rows differ by orders of magnitude, scaled to a unit diagonal.

    Raises
    ------
    numpy.linalg.LinAlgError
        A singular system.
    """
    scale = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-12))
    return np.asarray(scale * np.linalg.solve(normal * scale[:, None] * scale, right * scale))


def inverse_scaled(normal: Array) -> Array:
    """Invert as `solve_scaled` solves."""
    scale = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-12))
    return np.asarray(np.linalg.inv(normal * scale[:, None] * scale) * scale[:, None] * scale)


def solve_damped(normal: Array, right: Array, damping: Array | float) -> Array:
    """Marquardt's damped step of n systems at once, (n, p): each scaled to a unit diagonal, `damping` added to it.

    D. W. Marquardt, *An algorithm for least-squares estimation of nonlinear parameters* (1963).

    Parameters
    ----------
    normal : (n, p, p) ndarray
    right : (n, p) ndarray
    damping : (n, 1, 1) ndarray or float
    """
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-12))
    balanced = normal / (scale[:, :, None] * scale[:, None, :])
    balanced += damping * np.eye(normal.shape[1])
    return np.asarray(np.linalg.solve(balanced, (right / scale)[:, :, None])[:, :, 0] / scale)
