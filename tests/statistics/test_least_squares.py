"""Gauss and Newton's, Huber's and Marquardt's steps against numpy's and scipy's own least squares."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit, least_squares

from visioncheck.fitting.least_squares import (
    HUBER,
    RAYLEIGH_MEDIAN,
    Prior,
    fit_many,
    huber_weights,
    inverse_scaled,
    median_scale,
    solve_damped,
    solve_scaled,
)

NOISE = 0.02


def decays(count=5):
    """Values (n, m) of a e^(-b x) + c with noise, and the model of all at once."""
    rng = np.random.default_rng(7)
    x = np.linspace(0, 3, 40)
    true = rng.uniform([0.8, 0.7, -0.2], [1.6, 1.6, 0.3], (count, 3))
    values = true[:, [0]] * np.exp(-true[:, [1]] * x) + true[:, [2]] + rng.normal(0, NOISE, (count, len(x)))

    def model(terms):
        fall = np.exp(-terms[:, [1]] * x)
        slopes = np.stack([fall, -terms[:, [0]] * x * fall, np.ones_like(fall)], axis=-1)
        return terms[:, [0]] * fall + terms[:, [2]], slopes

    return x, values, model


def test_many_fits_are_those_of_scipy_one_by_one():
    x, values, model = decays()
    start = np.tile([1.0, 1.0, 0.0], (len(values), 1))
    free = Prior(start, np.full(3, np.inf))
    found = fit_many(model, values, np.ones_like(values), start, free, NOISE, rounds=20)
    for terms, inverse, seen in zip(found.terms, found.inverse_normal, values, strict=True):
        wanted, covariance = curve_fit(
            lambda x, a, b, c: a * np.exp(-b * x) + c, x, seen, p0=(1.0, 1.0, 0.0), sigma=np.full(40, NOISE),
            absolute_sigma=True,
        )  # fmt: skip
        assert terms == pytest.approx(wanted, abs=1e-5)
        assert NOISE**2 * inverse == pytest.approx(covariance, rel=1e-2)


def test_a_prior_counts_as_one_more_reading_of_its_term():
    """Bayes' rule for normal errors is least squares with the prior among the readings."""
    x, values, model = decays(3)
    start = np.tile([1.0, 1.0, 0.0], (3, 1))
    prior = Prior(np.tile([0.0, 1.3, 0.0], (3, 1)), np.array([np.inf, 0.01, np.inf]))
    weight = np.ones_like(values)
    weight[:, ::4] = 0
    found = fit_many(model, values, weight, start, prior, NOISE, rounds=20)
    for terms, seen, use in zip(found.terms, values, weight, strict=True):

        def misses(t, seen=seen, use=use):
            curve = t[0] * np.exp(-t[1] * x) + t[2]
            return np.append((seen - curve) * use / NOISE, (t[1] - 1.3) / 0.01)

        assert terms == pytest.approx(least_squares(misses, [1.0, 1.0, 0.0]).x, abs=1e-5)
    assert np.all(found.residual[:, ::4] == 0)


def test_limited_terms_go_no_farther_in_a_step():
    _, values, model = decays(2)
    start = np.tile([1.0, 3.0, 0.0], (2, 1))
    free = Prior(start, np.full(3, np.inf))
    found = fit_many(model, values, np.ones_like(values), start, free, NOISE, rounds=1, limited=(1,), longest=0.1)
    assert np.abs(found.terms[:, 1] - 3.0) == pytest.approx(0.1)


def test_scaled_systems_are_solved_as_numpy_solves_them():
    rng = np.random.default_rng(3)
    root = rng.normal(size=(6, 9)) * np.geomspace(1e-3, 1e3, 6)[:, None]
    normal, right = root @ root.T, rng.normal(size=6)
    assert solve_scaled(normal, right) == pytest.approx(np.linalg.solve(normal, right), rel=1e-6)
    assert inverse_scaled(normal) == pytest.approx(np.linalg.inv(normal), rel=1e-6)
    # undamped it is Gauss and Newton's step; damped, the diagonal counts for more by the share
    assert solve_damped(normal[None], right[None], 0.0)[0] == pytest.approx(np.linalg.solve(normal, right), rel=1e-6)
    damped = normal + 0.5 * np.diag(np.diag(normal))
    assert solve_damped(normal[None], right[None], 0.5)[0] == pytest.approx(np.linalg.solve(damped, right), rel=1e-6)


def test_scale_and_weights_of_plane_residuals():
    # median of Rayleigh's distribution: sigma sqrt(2 ln 2)
    assert pytest.approx(np.sqrt(2 * np.log(2)), abs=1e-4) == RAYLEIGH_MEDIAN
    distances = np.linalg.norm(np.random.default_rng(5).normal(0, 0.3, (200_000, 2)), axis=1)
    assert median_scale(distances, 1e-6) == pytest.approx(0.3, rel=0.01)
    assert median_scale(np.zeros(3), 0.02) == 0.02
    # Huber's influence, weight times distance, grows up to the bound and no farther
    influence = huber_weights(np.array([1.0, HUBER * 2, 10.0, 1000.0]), 2.0) * np.array([1.0, HUBER * 2, 10.0, 1000.0])
    assert influence == pytest.approx([1.0, 2 * HUBER, 2 * HUBER, 2 * HUBER])
