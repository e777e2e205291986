"""Propagation of uncertainty: linear with covariances, and by seeded Monte Carlo where linear fails.

JCGM 100:2008, *Guide to the expression of uncertainty in measurement*; JCGM 101:2008, *Propagation of
distributions using a Monte Carlo method*.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from visioncheck.quantity import Quantity

Floats = NDArray[np.float64]
Model = Callable[[Floats], ArrayLike]

_DRAWS = 200_000


def jacobian(model: Model, x: ArrayLike, scale: ArrayLike) -> Floats:
    """Central differences of a model of (n,) inputs and (m,) or scalar output.

    Parameters
    ----------
    model : callable
        From an (n,) array to an (m,) array or a number.
    x : (n,) array_like
        Where.
    scale : (n,) array_like
        Typical change of each input (its standard uncertainty); sets the step where the input is near zero.

    Returns
    -------
    (m, n) array
    """
    x, scale = np.asarray(x, float), np.asarray(scale, float)
    size = np.maximum(np.abs(x), scale)
    steps = np.cbrt(np.finfo(float).eps) * np.where(size > 0, size, 1.0)
    columns = []
    for k, step in enumerate(steps):
        aside = np.zeros_like(x)
        aside[k] = step
        rise = np.atleast_1d(np.asarray(model(x + aside), float)) - np.atleast_1d(np.asarray(model(x - aside), float))
        columns.append(rise / (2 * step))
    return np.stack(columns, axis=1)


def propagate(model: Model, x: ArrayLike, covariance: ArrayLike) -> tuple[Floats, Floats]:
    """First-order propagation with correlations (JCGM 100, 5.2).

    Parameters
    ----------
    model : callable
        From an (n,) array to an (m,) array or a number.
    x : (n,) array_like
        Input estimates.
    covariance : (n, n) array_like
        Their covariance.

    Returns
    -------
    y : (m,) array
    covariance : (m, m) array
    """
    x, covariance = np.asarray(x, float), np.asarray(covariance, float)
    slope = jacobian(model, x, np.sqrt(np.diag(covariance)))
    return np.atleast_1d(np.asarray(model(x), float)), slope @ covariance @ slope.T


def welch_satterthwaite(contributions: ArrayLike, dofs: ArrayLike) -> float:
    """Effective degrees of freedom of a sum of independent contributions (JCGM 100, G.4.1), not truncated.

    Parameters
    ----------
    contributions : (n,) array_like
        Standard uncertainties as they enter the result.
    dofs : (n,) array_like
        Degrees of freedom of each; may be infinite.
    """
    u, nu = np.asarray(contributions, float), np.asarray(dofs, float)
    spread = float((u**4 / nu).sum())
    return float((u**2).sum()) ** 2 / spread if spread > 0 else math.inf


def draw(
    model: Model, x: ArrayLike, covariance: ArrayLike, *, draws: int = _DRAWS, seed: int = 1, dof: float = math.inf
) -> Floats:
    """Draws of a scalar model's output (JCGM 101, 7).

    Parameters
    ----------
    model : callable
        From an (n, draws) array to a (draws,) array.
    x, covariance
        Estimates and covariance of the inputs, jointly normal (6.4.8); with a finite `dof` jointly t (6.4.9).
    draws : int
        How many.
    seed : int
        The same seed gives the same draws.
    dof : float
        Degrees of freedom of the covariance.
    """
    x = np.asarray(x, float)
    generator = np.random.default_rng(seed)
    sample = generator.multivariate_normal(np.zeros(x.size), np.asarray(covariance, float), draws, method="svd")
    if math.isfinite(dof):
        sample *= np.sqrt(dof / generator.chisquare(dof, draws))[:, None]
    return np.asarray(model(x[:, None] + sample.T), float)


def shortest_interval(sample: ArrayLike, level: float = 0.95) -> tuple[float, float]:
    """Shortest coverage interval (JCGM 101, 7.7.4): the right one near a bound such as zero."""
    ordered = np.sort(np.asarray(sample, float))
    inside = round(level * ordered.size)
    k = int(np.argmin(ordered[inside:] - ordered[: ordered.size - inside]))
    return float(ordered[k]), float(ordered[k + inside])


@dataclass(frozen=True, slots=True)
class Size:
    """The size of a signed quantity: mean and standard uncertainty of its distribution, and shortest interval."""

    mean: float
    u: float
    low: float
    high: float
    unit: str


def absolute_value(signed: Quantity, level: float = 0.95, seed: int = 1) -> Size:
    """Distribution of the absolute value of a signed quantity, by Monte Carlo.

    Near zero the absolute value has no slope, and first-order propagation gives intervals below zero or of
    no width (JCGM 101, 9.4).
    """
    sample = draw(lambda x: np.abs(x[0]), [signed.value], [[signed.u**2]], seed=seed, dof=signed.dof)
    low, high = shortest_interval(sample, level)
    return Size(float(sample.mean()), float(sample.std()), low, high, signed.unit)
