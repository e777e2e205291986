"""Polynomials through points by least squares."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PolynomialFit:
    """Least squares of ``y = b0 + b1 x + …`` (or without b0).

    Parameters
    ----------
    coefficients : (p,) array
        In rising powers of x; through the origin the first stands for x itself.
    inverse_normal : (p, p) array
        Their covariance for a point of weight 1 and standard deviation 1.
    residual_sd : float
        Standard deviation of the residuals (of a point of weight 1), in y's unit.
    rss : float
        Weighted sum of squared residuals.
    r_squared : float
        Share of the variation explained; about the mean, or about zero through the origin.
    dof : int
        Points less parameters.
    first_power : int
        0, or 1 through the origin.
    """

    coefficients: Floats
    inverse_normal: Floats
    residual_sd: float
    rss: float
    r_squared: float
    dof: int
    first_power: int

    @property
    def covariance(self) -> Floats:
        """Of the coefficients, (p, p), scaled by the residuals."""
        return self.residual_sd**2 * self.inverse_normal

    @property
    def sd(self) -> Floats:
        """Standard uncertainties of the coefficients, (p,)."""
        return np.sqrt(np.diag(self.covariance))

    def at(self, x: float) -> tuple[float, float]:
        """Value of the fitted curve at `x` and its standard uncertainty, correlations kept."""
        basis = x ** np.arange(self.first_power, self.first_power + self.coefficients.size, dtype=float)
        return float(basis @ self.coefficients), math.sqrt(float(basis @ self.covariance @ basis))


def fit_polynomial(
    x: ArrayLike, y: ArrayLike, degree: int, *, weights: ArrayLike | None = None, through_origin: bool = False
) -> PolynomialFit:
    """Fit a polynomial by least squares.

    The abscissae are centred and scaled before the orthogonal factorisation and the coefficients
    carried back afterwards: raw powers of x lose most of their digits.

    Parameters
    ----------
    x, y : (n,) array_like
        The points.
    degree : int
        Highest power of x.
    weights : (n,) array_like, optional
        Inverse variances up to a common factor; without them all 1.
    through_origin : bool
        Leave the constant out (and x uncentred, as it must be then).

    Raises
    ------
    ValueError
        With fewer distinct abscissae than parameters or no degree of freedom left.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    first = 1 if through_origin else 0
    parameters = degree + 1 - first
    if x.size <= parameters or np.unique(x).size < parameters:
        raise ValueError(f"{x.size} points do not support {parameters} parameters")
    centre = 0.0 if through_origin else float(x.mean())
    scale = float(np.abs(x - centre).max())
    root_weight = np.ones_like(x) if weights is None else np.sqrt(np.asarray(weights, float))
    design = root_weight[:, None] * ((x - centre) / scale)[:, None] ** np.arange(first, degree + 1)
    seen = root_weight * y
    q, r = np.linalg.qr(design)
    inverse = np.linalg.inv(r)
    back = _carry_back(centre, scale, degree)[first:, first:]
    residuals = seen - q @ (q.T @ seen)
    rss, dof = float(residuals @ residuals), x.size - parameters
    level = 0.0 if through_origin else float(root_weight @ seen) / float(root_weight @ root_weight)
    total = float(((seen - level * root_weight) ** 2).sum())
    root = back @ inverse
    return PolynomialFit(
        coefficients=root @ (q.T @ seen),
        inverse_normal=root @ root.T,
        residual_sd=math.sqrt(rss / dof),
        rss=rss,
        r_squared=1 - rss / total if total > 0 else 1.0,
        dof=dof,
        first_power=first,
    )


def _carry_back(centre: float, scale: float, degree: int) -> Floats:
    """Matrix from coefficients of powers of ``(x − centre)/scale`` to coefficients of powers of x."""
    matrix = np.zeros((degree + 1, degree + 1))
    for power in range(degree + 1):
        for k in range(power + 1):
            matrix[k, power] = math.comb(power, k) * (-centre) ** (power - k) / scale**power
    return matrix
