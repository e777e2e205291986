"""How far the stations of a rough edge repeat one another: the correlation of what a fit leaves over."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from visioncheck.fitting.polynomial import Floats

DEGREES = 40
FIRST_FREE = 3
_MODEL_STATIONS = 400
_CORRELATIONS = np.geomspace(0.002, 0.15, 12)
"""Of roughness, as parts of the edge's length. Beyond that it is form rather than roughness."""
_ROUGH_SHARES = (0.3, 0.6, 0.8, 0.9, 0.96, 1.0)
"""Of the power of the slow terms; the rest is white."""


@dataclass(frozen=True, slots=True)
class PatchSize:
    """How much the stations repeat themselves: of `mean` stations only one counts.

    What is known of it is Student's t with its `scale` and `dof`.
    """

    mean: float
    scale: float
    dof: float


def stations_in_one_patch(
    along: Floats, influence: Floats, wanted: tuple[int, ...], at_least: float
) -> tuple[PatchSize, ...]:
    """How often stations repeat themselves, for the fitted polynomial's terms of the `wanted` degrees.

    The influences are projected on Legendre polynomials over the stations that there are. The squares of the terms
    from the third degree up are each a sample of the noise at one wavelength; the noise at a fitted term's own
    wavelength, which the fit has taken away, follows from a model of it: white noise and exponentially
    correlated roughness, their shares and the correlation length not known, every one of a grid of them
    weighed by its likelihood (P. Whittle, *Hypothesis Testing in Time Series Analysis*, 1951; the scale after
    A. Zellner, *An Introduction to Bayesian Inference in Econometrics*, 1971). The second degree is left out: a
    bow does not turn the line, and is a reading of its own.
    """
    spread = float(np.mean(influence**2))
    degree = min(DEGREES, along.size // 3)
    if degree - FIRST_FREE < 6 or spread <= 0:
        return tuple(PatchSize(at_least, at_least, max(along.size / at_least - 2, 2.0)) for _ in wanted)
    x = 2 * (along - along.min()) / np.ptp(along) - 1
    # the factor's last column is the influence in the orthogonal polynomials, which need not be formed themselves
    columns = np.column_stack([np.polynomial.legendre.legvander(x, degree), influence])
    terms = np.asarray(np.linalg.qr(columns, mode="r"))[: degree + 1, -1]
    used = slice(FIRST_FREE, degree + 1)
    count = degree + 1 - FIRST_FREE
    found = []
    for power in wanted:
        model = _noise_models(power)[:, used]
        variance = np.mean(terms[used] ** 2 / model, axis=1)
        likelihood = -count / 2 * np.log(variance) - np.log(model).sum(axis=1) / 2
        weight = np.exp(likelihood - likelihood.max())
        weight[0] *= len(weight) - 1  # white noise alone is held as likely beforehand as all the others together
        weight /= weight.sum()
        # each model's variance is scaled inverse chi-square; mean and second moment of the mixture give Student's t
        each = variance * count / (count - 2)
        mean, square = float(weight @ each), float(weight @ each**2) * (count - 2) / (count - 4)
        dof = 4 + 2 * mean**2 / (square - mean**2)
        scale = mean * (dof - 2) / dof
        found.append(PatchSize(max(mean / spread, at_least), max(scale / spread, at_least), dof))
    return tuple(found)


@cache
def _noise_models(power: int) -> Floats:
    """Expected squares of the terms, (models, degrees), relative to that of the degree `power`; white noise first."""
    models = [np.ones(DEGREES + 1)]
    for rough in _roughness():
        models += [(1 - share) + share * rough / rough[power] for share in _ROUGH_SHARES]
    return np.array(models)


@cache
def _roughness() -> Floats:
    """Expected squares of the terms for exponentially correlated roughness, (correlation lengths, degrees)."""
    x = (np.arange(_MODEL_STATIONS) + 0.5) / _MODEL_STATIONS
    basis = np.linalg.qr(np.polynomial.legendre.legvander(2 * x - 1, DEGREES))[0]
    apart = np.abs(x[:, None] - x)
    return np.array([np.sum(basis * (np.exp(-apart / length) @ basis), axis=0) for length in _CORRELATIONS])
