"""Bayes' rule on a rig's points, against textbook formulas."""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulation.bench import workshop
from tests.simulation.hand import MILD, STILL, Setting
from visioncheck.camera.refine import Evidence, contradicts, refine, sheet_angle_u_deg


@pytest.fixture(scope="module")
def rig():
    rig = workshop(5, Setting(STILL, MILD)).rig
    assert rig is not None
    return rig


def of_points(gain):
    """The lens has no part in it."""
    return np.concatenate([np.zeros((len(gain), 8)), gain], axis=1)


def one_coordinate(rig, place, apart, noise):
    gain = np.zeros((1, len(rig.covariance)))
    gain[0, 8 + place] = 1
    return Evidence(np.array([apart]), gain, np.array([[noise]]))


def test_one_number_is_weighed_as_in_a_textbook(rig):
    """Normal data with a normal prior: A. Gelman et al., *Bayesian Data Analysis*, 3rd ed., eq. 2.10."""
    place = 40
    tau2 = rig.covariance[8 + place, 8 + place]
    sigma2 = 0.5 * tau2
    seen = 1.3 * np.sqrt(tau2)
    # a point that is read `seen` too far out lies `seen` back
    after = refine(rig, [one_coordinate(rig, place, seen, sigma2)])
    step = (after.points_mm - rig.points_mm).ravel()[place]
    assert step == pytest.approx(-seen / sigma2 / (1 / tau2 + 1 / sigma2), rel=1e-9)
    assert after.covariance[8 + place, 8 + place] == pytest.approx(1 / (1 / tau2 + 1 / sigma2), rel=1e-9)


def test_several_at_once_add_their_precisions(rig):
    """Precisions add, and the mean is weighed by them: Gelman et al., eq. 3.13 (its several-variate case)."""
    rng = np.random.default_rng(1)
    size = 3 * len(rig.points_mm)
    evidence = [
        Evidence(rng.normal(0, 0.01, 4), of_points(rng.normal(0, 1, (4, size))), np.diag(rng.uniform(1, 2, 4)) * 1e-4)
        for _ in range(3)
    ]
    after = refine(rig, evidence)
    # on a space in which the prior is proper
    sizes, ways = np.linalg.eigh(rig.covariance)
    proper = ways[:, sizes > 1e-12 * sizes.max()]
    precision = np.linalg.inv(proper.T @ rig.covariance @ proper)
    right = np.zeros(proper.shape[1])
    for each in evidence:
        gain = each.gain @ proper
        precision = precision + gain.T @ np.linalg.inv(each.noise) @ gain
        right -= gain.T @ np.linalg.inv(each.noise) @ each.apart
    expected = proper @ np.linalg.solve(precision, right)
    step = np.concatenate([after.lens.terms - rig.lens.terms, (after.points_mm - rig.points_mm).ravel()])
    assert step == pytest.approx(expected, abs=1e-6 * np.abs(expected).max())
    spread = np.sqrt(np.diag(proper @ np.linalg.inv(precision) @ proper.T))
    assert np.sqrt(np.diag(after.covariance)) == pytest.approx(spread, rel=1e-3, abs=1e-9)


def test_nothing_seen_changes_nothing(rig):
    assert refine(rig, []) is rig


def test_what_cannot_be_scatter_contradicts(rig):
    place = 40
    u = np.sqrt(2 * rig.covariance[8 + place, 8 + place])
    noise = u**2 / 2
    assert not contradicts(one_coordinate(rig, place, 3.5 * u, noise), rig)
    # two-sided, one chance in ten thousand is 3.89 standard deviations (normal table)
    assert contradicts(one_coordinate(rig, place, 3.95 * u, noise), rig)


def test_the_sheets_angles_are_known_better_afterwards(rig):
    before = sheet_angle_u_deg(rig)
    points = rig.points_mm[:, :2] - rig.points_mm[:, :2].mean(axis=0)
    gain = np.zeros((2, len(points), 3))
    # the sheet's shear and stretch themselves, rad
    slope = np.linalg.pinv(points)
    gain[0, :, :2], gain[1, :, :2] = slope[::-1].T, slope.T * [1, -1]
    seen = Evidence(np.zeros(2), of_points(gain.reshape(2, -1)), np.eye(2) * 1e-14)
    assert sheet_angle_u_deg(refine(rig, [seen])) < 0.5 * before
