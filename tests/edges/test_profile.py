"""The step fit against the Cramér–Rao bound of a blurred edge.

Bound: D. Gatherer, *The Cramer Rao Bound for Discrete-Time Edge Position Estimation* (Stanford CSL-TR-93-560, 1993,
abstract read); the closed form for a Gaussian-blurred step with unknown levels in a window of n samples is derived:
u(x0) >= (noise/step)·sqrt(2·sqrt(pi)·s) / sqrt(1 - 2·sqrt(pi)·s/n), pixel integration through s² + 1/12.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from visioncheck.edges.profile import fit_steps

OFFSETS = np.arange(-9.0, 10.0)
WINDOW = 9


def pixel_integrated(places, blur, rng=None, noise=0.0):
    """Step of each place seen by pixels, each the mean over its width."""

    def integral(z):
        return z * ndtr(z) + np.exp(-z * z / 2) / np.sqrt(2 * np.pi)

    upper = (OFFSETS[None] + 0.5 - places[:, None]) / blur
    lower = (OFFSETS[None] - 0.5 - places[:, None]) / blur
    values = blur * (integral(upper) - integral(lower))
    return values if rng is None else values + rng.normal(0, noise, values.shape)


def offsets(places):
    return np.tile(OFFSETS, (len(places), 1))


def bound(blur, noise):
    s = np.hypot(blur, np.sqrt(1 / 12))
    return noise * np.sqrt(2 * np.sqrt(np.pi) * s) / np.sqrt(1 - 2 * np.sqrt(np.pi) * s / WINDOW)


@pytest.mark.parametrize("blur", [0.6, 0.8, 1.0, 1.25, 1.5])
def test_bias_is_below_a_hundredth_of_a_pixel_at_every_phase(blur):
    places = np.linspace(-0.5, 0.5, 41)
    fits = fit_steps(pixel_integrated(places, blur), offsets(places), np.full(len(places), 0.01))
    assert fits is not None
    assert fits.good.all()
    assert np.abs(fits.at - places).max() < 0.01


@pytest.mark.parametrize("blur", [0.6, 0.8, 1.0, 1.25, 1.5])
def test_scatter_is_near_the_cramer_rao_bound(blur):
    rng = np.random.default_rng(int(blur * 100))
    noise = 2.5 / 160
    places = rng.uniform(-0.5, 0.5, 4000)
    fits = fit_steps(pixel_integrated(places, blur, rng, noise), offsets(places), np.full(len(places), noise))
    assert fits is not None
    scatter = np.std((fits.at - places)[fits.good])
    assert fits.good.mean() > 0.98
    assert 0.9 < scatter / bound(blur, noise) < 1.3


def test_stated_uncertainty_matches_the_scatter():
    rng = np.random.default_rng(3)
    places = rng.uniform(-0.5, 0.5, 3000)
    fits = fit_steps(pixel_integrated(places, 1.0, rng, 0.02), offsets(places), np.full(len(places), 0.02))
    assert fits is not None
    assert np.std((fits.at - places) / fits.u) == pytest.approx(1.0, abs=0.15)


def test_a_flat_profile_is_no_edge():
    flat = np.random.default_rng(1).normal(0, 0.02, (200, len(OFFSETS)))
    assert fit_steps(flat, np.tile(OFFSETS, (200, 1)), np.full(200, 0.02)) is None
