"""Certified linear regressions of NIST's Statistical Reference Datasets, scored in matching digits."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest

from visioncheck.fitting.polynomial import fit_polynomial

HERE = Path(__file__).parent
NUMBER = r"(-?\d*\.?\d+(?:E[+-]?\d+)?)"


def matching_digits(found, certified):
    """Log relative error, as NIST scores; 15 at most."""
    return 15.0 if found == certified else min(15.0, -math.log10(abs(found - certified) / abs(certified)))


def read(name):
    text = (HERE / f"{name}.dat").read_text()
    parameters = [(float(e), float(s)) for e, s in re.findall(rf"^\s+B\d\s+{NUMBER}\s+{NUMBER}$", text, re.MULTILINE)]
    statistics = {
        key: float(re.search(rf"{label}\s+{NUMBER}", text)[1])
        for key, label in [
            ("residual_sd", "Standard Deviation"),
            ("rss", "Residual Sum of Squares"),
            ("r_squared", "R-Squared"),
            ("dof", "Degrees of Freedom"),
        ]
    }
    data = np.array([line.split() for line in text.partition("Data:")[2].splitlines()[1:] if line.strip()], float)
    return parameters, statistics, data[:, 1], data[:, 0]


@pytest.mark.parametrize(
    ("name", "points", "degree", "through_origin"),
    [("Norris", 36, 1, False), ("NoInt1", 11, 1, True), ("NoInt2", 3, 1, True), ("Pontius", 40, 2, False)],
)
def test_certified_values_to_nine_digits(name, points, degree, through_origin):
    parameters, statistics, x, y = read(name)
    assert x.size == points
    assert len(parameters) == degree + (not through_origin)
    fit = fit_polynomial(x, y, degree, through_origin=through_origin)
    for found, sd, (estimate, certified_sd) in zip(fit.coefficients, fit.sd, parameters, strict=True):
        assert matching_digits(found, estimate) >= 9
        assert matching_digits(sd, certified_sd) >= 9
    for key in ("residual_sd", "rss", "r_squared"):
        assert matching_digits(getattr(fit, key), statistics[key]) >= 9
    assert fit.dof == statistics["dof"]


def test_norris_covariance():
    # not certified by NIST; computed in exact rational arithmetic
    _, _, x, y = read("Norris")
    fit = fit_polynomial(x, y, 1)
    assert fit.covariance[0, 1] == pytest.approx(-7.74327536339e-05, rel=1e-9)
    assert fit.covariance[0, 1] / np.prod(fit.sd) == pytest.approx(-0.773828082088, rel=1e-9)


def test_weights_count_as_repeated_points():
    # derived: a whole-numbered weight is the same point read so many times
    _, _, x, y = read("Norris")
    times = np.arange(x.size) % 3 + 1
    weighted = fit_polynomial(x, y, 1, weights=times)
    repeated = fit_polynomial(np.repeat(x, times), np.repeat(y, times), 1)
    assert weighted.coefficients == pytest.approx(repeated.coefficients, rel=1e-10)
    assert weighted.inverse_normal == pytest.approx(repeated.inverse_normal, rel=1e-9)
    assert weighted.rss == pytest.approx(repeated.rss, rel=1e-9)
    assert weighted.r_squared == pytest.approx(repeated.r_squared, rel=1e-12)


@pytest.mark.parametrize(
    ("x", "y", "degree"), [([1, 2], [1, 2], 1), ([3, 3, 3], [1, 2, 3], 1), ([1, 2, 3], [0, 0, 0], 2)]
)
def test_too_little_for_a_fit(x, y, degree):
    with pytest.raises(ValueError):
        fit_polynomial(x, y, degree)
