"""Worked examples of the GUM, its Monte Carlo supplement and the conformity guide."""

from __future__ import annotations

import math

import numpy as np
import pytest

from visioncheck.fence.decision import (
    Verdict,
    conformance_probability,
    decide,
    guard_factor,
)
from visioncheck.fitting.polynomial import fit_polynomial
from visioncheck.quantity import Quantity, coverage_factor
from visioncheck.uncertainty import (
    absolute_value,
    draw,
    propagate,
    shortest_interval,
    welch_satterthwaite,
)

# --- JCGM 100:2008, H.3, calibration of a thermometer: a line fit whose correlation matters -----------
H3_T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
H3_B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_h3_line_and_prediction():
    fit = fit_polynomial(np.array(H3_T) - 20, H3_B, 1)
    # printed: -0.1712, 0.0029, 0.00218, 0.00067, r = -0.930, s = 0.0035; the further digits computed exactly
    assert fit.coefficients == pytest.approx([-0.17120379013135, 0.00218269773988728], rel=1e-11)
    assert fit.sd == pytest.approx([0.002877597835160, 0.000667938772773], rel=1e-9)
    assert fit.covariance[0, 1] / np.prod(fit.sd) == pytest.approx(-0.930429603093446, rel=1e-10)
    assert fit.residual_sd == pytest.approx(0.003497563963505, rel=1e-9)
    assert fit.dof == 9
    b30, u30 = fit.at(10)
    assert (round(b30, 4), round(u30, 4)) == (-0.1494, 0.0041)
    without_correlation = math.hypot(fit.sd[0], 10 * fit.sd[1])
    assert round(without_correlation, 4) == 0.0073  # what a dropped covariance would give


def test_h3_prediction_through_the_propagation_tools():
    fit = fit_polynomial(np.array(H3_T) - 20, H3_B, 1)
    y, covariance = propagate(lambda c: c[0] + 10 * c[1], fit.coefficients, fit.covariance)
    assert y[0] == pytest.approx(-0.149376812732477, rel=1e-9)
    assert math.sqrt(covariance[0, 0]) == pytest.approx(0.004138595752855, rel=1e-7)


# --- JCGM 100:2008, H.1, end gauge: degrees of freedom ------------------------------------------------
def h1_length(x):
    ls, d_mean, d_random, d_systematic, alpha_s, theta_mean, theta_cycle, d_alpha, d_theta = x
    d = d_mean + d_random + d_systematic
    return ls + d - ls * (d_alpha * (theta_mean + theta_cycle) + alpha_s * d_theta)


# nm and °C
H1_X = [50_000_623.0, 215.0, 0.0, 0.0, 11.5e-6, -0.1, 0.0, 0.0, 0.0]
H1_U = [25.0, 5.8, 3.9, 6.7, 2e-6 / math.sqrt(3), 0.2, 0.5 / math.sqrt(2), 1e-6 / math.sqrt(3), 0.05 / math.sqrt(3)]
H1_DOF = [18, 24, 5, 8, math.inf, math.inf, math.inf, 50, 2]


def test_h1_end_gauge():
    y, covariance = propagate(h1_length, H1_X, np.diag(np.square(H1_U)))
    assert y[0] == pytest.approx(50_000_838, abs=0.5)
    u = math.sqrt(covariance[0, 0])
    assert u == pytest.approx(31.66, abs=0.05)
    parts = [
        math.sqrt(propagate(h1_length, H1_X, np.diag(np.square(np.where(np.arange(9) == k, H1_U, 0))))[1][0, 0])
        for k in range(9)
    ]
    assert parts[4] == pytest.approx(0, abs=1e-3)  # no first-order part of the expansion coefficient
    assert parts[5] == pytest.approx(0, abs=1e-3)  # nor of the mean temperature
    assert parts[7] == pytest.approx(2.9, abs=0.05)
    assert parts[8] == pytest.approx(16.6, abs=0.05)
    dof = welch_satterthwaite(parts, H1_DOF)
    assert dof == pytest.approx(16.7, abs=0.1)
    length = Quantity(y[0], u, "nm", dof)
    # truncated to 16 before the look-up: 2.92, not the 2.90 of 17
    assert coverage_factor(dof, 0.99) == pytest.approx(2.92078, abs=1e-5)
    assert length.expanded(0.99) == pytest.approx(93, abs=1)
    assert coverage_factor(dof, 0.95) == pytest.approx(2.11991, abs=1e-5)


@pytest.mark.parametrize(
    ("dof", "level", "t"), [(16, 0.95, 2.12), (16, 0.9545, 2.17), (16, 0.99, 2.92), (math.inf, 0.9545, 2.0)]
)
def test_table_g2(dof, level, t):
    assert coverage_factor(dof, level) == pytest.approx(t, abs=0.005)


# --- JCGM 100:2008, H.2, resistance and reactance: correlated inputs ----------------------------------
H2 = np.array(
    [
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ]
)


def h2_model(x):
    z = x[0] / x[1]
    return np.array([z * np.cos(x[2]), z * np.sin(x[2]), z])


def test_h2_correlated_inputs():
    x, covariance = H2.mean(axis=1), np.cov(H2) / 5
    y, cov_y = propagate(h2_model, x, covariance)
    u = np.sqrt(np.diag(cov_y))
    assert y == pytest.approx([127.732170, 219.846512, 254.259702], abs=1e-5)
    assert u == pytest.approx([0.0710714, 0.2955817, 0.2363361], abs=1e-6)
    r = cov_y / np.outer(u, u)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588430, -0.485259, 0.992512], abs=1e-5)
    dropped = np.sqrt(np.diag(propagate(h2_model, x, np.diag(np.diag(covariance)))[1]))
    assert dropped[0] == pytest.approx(0.195, abs=0.001)  # 2.7 times too large without the correlations
    assert dropped[1] == pytest.approx(0.20, abs=0.005)


# --- JCGM 101:2008, clause 9 (clause numbers from memory) ---------------------------------------------
def test_sum_of_four_normals():
    sample = draw(lambda x: x.sum(axis=0), np.zeros(4), np.eye(4), draws=400_000)
    assert sample.std() == pytest.approx(2.00, abs=0.01)
    # printed: [-3.92, 3.92]; the ends of a shortest interval wobble with the draws, its length hardly
    low, high = shortest_interval(sample)
    assert high - low == pytest.approx(2 * 3.92, abs=0.03)
    assert (low, high) == pytest.approx((-3.92, 3.92), abs=0.15)


@pytest.mark.parametrize(
    ("x1", "guf", "mean", "u", "interval"),
    # results in 1e-6. Printed: [0, 150], [0, 366], [1590, 3540]; the ends of a shortest interval wobble with the
    # draws, and the last one is exactly [1593.5, 3548.5] (noncentral chi-square), so that is the test
    [
        (0.000, (0, 0), 50, 50, (0, 150)),
        (0.010, (-96, 296), 150, 112, (0, 366)),
        (0.050, (1520, 3480), 2550, 502, (1593.5, 3548.5)),
    ],
)
def test_comparison_loss_where_first_order_fails(x1, guf, mean, u, interval):
    def loss(x):
        return x[0] ** 2 + x[1] ** 2

    covariance = 0.005**2 * np.eye(2)
    y, cov_y = propagate(loss, [x1, 0.0], covariance)
    half = 1.96 * math.sqrt(cov_y[0, 0])
    assert (1e6 * (y[0] - half), 1e6 * (y[0] + half)) == pytest.approx(guf, abs=1)
    sample = 1e6 * draw(loss, [x1, 0.0], covariance, draws=1_000_000)
    assert sample.mean() == pytest.approx(mean, rel=0.01)
    assert sample.std() == pytest.approx(u, rel=0.01)
    assert shortest_interval(sample) == pytest.approx(interval, abs=6)
    assert shortest_interval(sample)[1] == pytest.approx({0: 150, 0.01: 366, 0.05: 3540}[x1], rel=0.005)


def test_size_of_a_signed_error_near_zero():
    size = absolute_value(Quantity(0.0, 0.01, "deg"))
    assert size.low == pytest.approx(0, abs=1e-6)
    assert size.high == pytest.approx(0.0196, abs=2e-4)  # the half-normal's 95 % point is the normal's 97.5 %
    assert size.mean == pytest.approx(0.01 * math.sqrt(2 / math.pi), rel=0.01)
    far = absolute_value(Quantity(-0.1, 0.01, "deg"))
    assert (far.low, far.high) == pytest.approx((0.0804, 0.1196), abs=1e-3)
    few = absolute_value(Quantity(0.0, 0.01, "deg", dof=4))
    assert few.high == pytest.approx(0.02776, rel=0.03)  # Student's t, 4 degrees of freedom


def test_same_seed_same_draws():
    q = Quantity(0.01, 0.02, "deg")
    assert absolute_value(q, seed=3) == absolute_value(q, seed=3) != absolute_value(q, seed=4)


# --- JCGM 106:2012 (examples of 7.3.3 from memory, recomputed) ----------------------------------------
def test_conformance_probabilities():
    assert conformance_probability(Quantity(-5.47, 0.05, "V"), upper=-5.40) == pytest.approx(0.9192, abs=5e-5)
    assert conformance_probability(Quantity(509.7, 8.6, "kPa"), lower=490) == pytest.approx(0.9890, abs=5e-5)


def test_zones_sum_to_one():
    q = Quantity(0.012, 0.01, "deg", dof=7)
    below = conformance_probability(q, upper=-0.02)
    inside = conformance_probability(q, -0.02, 0.02)
    above = conformance_probability(q, lower=0.02)
    assert below + inside + above == pytest.approx(1, abs=1e-12)


def test_guard_factors():
    assert guard_factor(0.95) == pytest.approx(1.645, abs=5e-4)  # ISO 14253-1:2017, one-sided (from memory)
    assert guard_factor(0.99) == pytest.approx(2.33, abs=5e-3)
    assert guard_factor(0.99, dof=4) == pytest.approx(3.75, abs=5e-3)  # JCGM 106, few degrees of freedom
    # guard band U (k = 2): consumer's risk at most 2.3 %
    assert 1 - conformance_probability(Quantity(-2.0, 1.0, ""), upper=0.0) == pytest.approx(0.0228, abs=1e-4)


@pytest.mark.parametrize(
    ("value", "u", "verdict"),
    [
        (0.0, 0.002, Verdict.INSIDE),
        (0.0160, 0.002, Verdict.INSIDE),
        (0.0162, 0.002, Verdict.CANNOT_TELL),
        (-0.0162, 0.002, Verdict.CANNOT_TELL),
        (0.0238, 0.002, Verdict.CANNOT_TELL),
        (0.0240, 0.002, Verdict.OUTSIDE),
        (-0.0240, 0.002, Verdict.OUTSIDE),
        (0.0, 0.0115, Verdict.CANNOT_TELL),
        (0.1, 0.25, Verdict.CANNOT_TELL),  # inside by 3 % only, since the ± is so wide: it proves nothing
        (0.0, 0.0, Verdict.INSIDE),
        (0.03, 0.0, Verdict.OUTSIDE),
    ],
)
def test_three_way_verdict(value, u, verdict):
    decision = decide(Quantity(value, u, "deg"), 0.02)
    assert decision.verdict is verdict
    if u and verdict is Verdict.INSIDE:
        assert abs(value) + decision.guard_band <= 0.02
    if u and verdict is Verdict.OUTSIDE:
        assert abs(value) - decision.guard_band > 0.02


def test_few_degrees_of_freedom_make_the_verdict_cautious():
    assert decide(Quantity(0.0, 0.008, "deg"), 0.02).verdict is Verdict.INSIDE
    assert decide(Quantity(0.0, 0.008, "deg", dof=2), 0.02).verdict is Verdict.CANNOT_TELL
