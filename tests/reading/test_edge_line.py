"""The robust fit of an edge: right line, right uncertainty, unmoved by tear-out."""

from __future__ import annotations

import math

import numpy as np
import pytest

from visioncheck.fitting.line import bow, fit_line
from visioncheck.quantity import coverage_factor


def stations(rng, n=1500, length=100.0, sd=0.03, correlation=0.5):
    """A straight edge on the x axis with exponentially correlated roughness."""
    x = np.linspace(0, length, n)
    phi = math.exp(-length / n / correlation) if correlation else 0.0
    z = rng.normal(size=n)
    roughness = np.empty(n)
    roughness[0] = z[0]
    for i in range(1, n):
        roughness[i] = phi * roughness[i - 1] + math.sqrt(1 - phi**2) * z[i]
    return np.stack([x, sd * roughness], axis=1)


def turned(xy, angle):
    c, s = math.cos(angle), math.sin(angle)
    return xy @ np.array([[c, s], [-s, c]])


@pytest.mark.parametrize("angle", np.linspace(-3, 3, 9))
def test_exact_points_give_the_exact_line_at_any_angle(angle):
    xy = turned(np.stack([np.linspace(0, 50, 20), np.zeros(20)], axis=1), angle) + np.array([100, -30])
    line = fit_line(xy)
    assert line.angle_rad == pytest.approx(angle, abs=1e-12)
    assert (np.array([100, -30]) - line.point) @ line.normal == pytest.approx(0, abs=1e-10)
    assert line.length == pytest.approx(50)


def test_angle_uncertainty_of_independent_noise_follows_the_closed_form():
    # u(angle) = sd sqrt(12/(N (N^2 - 1)))/pitch; derived, and confirmed by simulation: 3.674e-5 for
    # 0.03, N = 200 over unit pitch. The robust fit pays up to 5 % in variance.
    rng = np.random.default_rng(3)
    x = np.arange(200.0)
    angles, us = [], []
    for _ in range(300):
        line = fit_line(np.stack([x, rng.normal(0, 0.03, 200)], axis=1))
        angles.append(line.angle_rad)
        us.append(math.sqrt(line.covariance[1, 1]))
    assert np.std(angles) == pytest.approx(3.674e-5, rel=0.12)
    assert np.median(us) == pytest.approx(3.674e-5, rel=0.12)


@pytest.mark.parametrize(("sd", "correlation"), [(0.02, 0.0), (0.03, 0.5), (0.03, 1.0), (0.03, 4.0)])
def test_intervals_hold_under_correlated_roughness(sd, correlation):
    rng = np.random.default_rng(17)
    hits_angle = hits_offset = 0
    runs = 200
    for _ in range(runs):
        line = fit_line(stations(rng, sd=sd, correlation=correlation))
        k = coverage_factor(line.dof)
        hits_angle += abs(line.angle_rad) <= k * math.sqrt(line.covariance[1, 1])
        hits_offset += abs(line.point[1]) <= k * math.sqrt(line.covariance[0, 0])
    assert 0.88 <= hits_angle / runs <= 0.995
    assert 0.88 <= hits_offset / runs <= 0.995


def test_correlation_length_is_found():
    rng = np.random.default_rng(5)
    found = [fit_line(stations(rng, correlation=0.5)).correlation_length for _ in range(60)]
    assert np.median(found) == pytest.approx(1.0, rel=0.15)  # both sides of an exponential: 2 x 0.5


def test_stated_correlation_is_a_floor():
    xy = stations(np.random.default_rng(1), correlation=0)
    few, many = fit_line(xy, correlation=5.0), fit_line(xy)
    assert few.correlation_length == pytest.approx(5.0, rel=0.01)
    assert math.sqrt(few.covariance[1, 1] / many.covariance[1, 1]) > 6


@pytest.mark.parametrize("start", [0.0, 0.3, 0.65])
def test_a_third_of_the_edge_torn_out_does_not_turn_it(start):
    rng = np.random.default_rng(8)
    xy = stations(rng, sd=0.01, correlation=0.3)
    torn = slice(int(start * 1500), int((start + 0.35) * 1500))
    xy[torn, 1] -= rng.uniform(0.15, 1.5, xy[torn].shape[0])
    line = fit_line(xy)
    assert abs(line.angle_rad) < 4 * math.sqrt(line.covariance[1, 1])
    assert abs(math.degrees(line.angle_rad)) < 0.005
    assert line.robust_weight[torn].mean() < 0.02
    assert line.robust_weight.mean() == pytest.approx(0.65 * 0.92, abs=0.05)


def test_gaps_and_weights():
    rng = np.random.default_rng(2)
    xy = stations(rng, n=3000, correlation=0.5)
    keep = xy[:, 0] % 9 > 3
    line = fit_line(xy[keep])
    assert line.correlation_length == pytest.approx(1.0, rel=0.5)
    noisy = stations(rng, correlation=0)
    noisy[::2, 1] *= 100
    weights = np.where(np.arange(1500) % 2, 1.0, 1e-4)
    assert fit_line(noisy, weights).covariance[1, 1] < 1.3 * fit_line(noisy[1::2]).covariance[1, 1]


def test_order_of_stations_does_not_matter_but_for_the_direction():
    xy = stations(np.random.default_rng(6))
    line, back = fit_line(xy), fit_line(xy[::-1])
    assert math.remainder(back.angle_rad - line.angle_rad, math.tau) == pytest.approx(math.pi, abs=1e-8) or (
        math.remainder(back.angle_rad - line.angle_rad, math.tau) == pytest.approx(-math.pi, abs=1e-8)
    )
    mirror = np.diag([-1.0, 1.0])  # the normal points the other way
    assert back.covariance == pytest.approx(mirror @ line.covariance @ mirror, rel=1e-5, abs=1e-12)


def test_bow_of_a_curved_edge_and_of_a_straight_one():
    rng = np.random.default_rng(4)
    curved = stations(rng, sd=0.01)
    curved[:, 1] += 0.2 * (1 - ((curved[:, 0] - 50) / 50) ** 2)
    reading = bow(fit_line(curved))
    assert abs(reading.value - 0.2) < reading.expanded()
    assert reading.expanded() < 0.02
    hits = sum(abs((q := bow(fit_line(stations(rng, sd=0.02)))).value) < q.expanded() for _ in range(100))
    assert 88 <= hits <= 100


@pytest.mark.parametrize("points", [np.zeros((20, 2)), np.ones((5, 2)), np.full((20, 2), np.nan)])
def test_no_line(points):
    with pytest.raises(ValueError):
        fit_line(points)
