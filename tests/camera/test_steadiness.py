"""What a survey learns of the hand, and a covariance that leaving photos out confirms."""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulation.bench import workshop
from tests.simulation.hand import HANDS, MILD, Setting
from visioncheck.camera.jackknife import excess, smooth_shapes
from visioncheck.camera.steadiness import Steadiness, learnt
from visioncheck.printed.layout import target_layout


def test_the_widths_of_plain_numbers_are_their_standard_deviation():
    # nothing but the terms themselves, seen without error: the fixed point is the root of the mean square
    rng = np.random.default_rng(0)
    truth = Steadiness(3.0, 8.0, 0.5, 4e-4, 1.3e-4, 0.16)
    own = rng.normal(0, 1, (2000, 14)) * truth.own_sd
    nothing = Steadiness(*[1e-12] * 6)
    found = learnt(truth, nothing, own, np.zeros_like(own), 1.0)
    assert np.allclose(found.own_sd, truth.own_sd, rtol=0.05)


def test_terms_seen_with_errors_give_their_own_width_alone():
    # balanced data: REML's estimate is the observed variance less that of the errors (S. R. Searle, G. Casella,
    # C. E. McCulloch, Variance Components, 1992, ch. 4)
    rng = np.random.default_rng(1)
    sd, error = 0.16, 0.12
    seen = rng.normal(0, np.hypot(sd, error), (3000, 14))
    at = Steadiness(*[0.3] * 6)
    for _ in range(300):
        variance = at.shift_mm**2
        share = variance / (variance + error**2)
        at = learnt(at, Steadiness(*[1e-9] * 6), share * seen, np.full_like(seen, share * error**2), 1.0)
        at = Steadiness(*[at.shift_mm] * 6)
    assert at.shift_mm == pytest.approx(np.sqrt(np.mean(seen[:, 11:] ** 2) - error**2), rel=0.02)


@pytest.mark.parametrize("hand", HANDS, ids=lambda hand: hand.name)
def test_a_survey_tells_how_steady_its_photos_were(hand):
    shop = workshop(108, Setting(hand, MILD))
    assert shop.rig is not None, shop.refused
    at = shop.rig.steadiness
    assert at.shift_mm == pytest.approx(hand.shift_mm, rel=0.5, abs=0.03)
    assert at.turn_rad == pytest.approx(hand.turn_rad, rel=0.7, abs=5e-5)
    assert at.centre_px == pytest.approx(hand.axis_px, rel=0.7, abs=0.5)


def test_the_jackknife_of_a_mean_is_its_textbook_variance():
    # B. Efron, C. Stein (1981): for the mean the jackknife gives s² / n exactly
    values = np.random.default_rng(2).normal(0, 3.0, 9)
    n = len(values)
    left_out = np.array([[np.delete(values, k).mean() - values.mean()] for k in range(n)])
    stated = 0.25 * values.var(ddof=1) / n
    assert excess(left_out, np.array([[stated]]), np.eye(1)) == pytest.approx(4.0)
    assert excess(left_out, np.array([[stated * 16]]), np.eye(1)) == 1.0


def test_the_shapes_are_nobodys_motion_and_each_its_own():
    nominal = target_layout("a4").saddles_mm
    rows = smooth_shapes(nominal)
    assert len(rows) == 16  # scales apart and shear, and 14 of the second and third order
    assert np.allclose(rows @ rows.T, np.eye(len(rows)), atol=1e-9)
    n = len(nominal)
    for motion in (np.tile([1, 0, 0], (n, 1)), np.column_stack([-nominal[:, 1], nominal[:, 0], np.zeros(n)])):
        assert np.abs(rows @ motion.ravel()).max() < 1e-6
    shear = np.column_stack([nominal[:, 1], np.zeros(n), np.zeros(n)])
    assert np.abs(rows @ shear.ravel()).max() > 100
