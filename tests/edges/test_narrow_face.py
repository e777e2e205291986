"""The top arris beside a narrow side face: profiles of two steps, drawn by lot, with truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from visioncheck.edges.narrow_face import top_arris
from visioncheck.edges.profile import fit_steps

OFFSETS = np.arange(-18.0, 19.0)


def two_steps(breadth, share, blur, shade=0.0, seed=0):
    """Profiles of a top arris at a few tenths, their offsets and where it is; light beyond grows by `shade` each px."""
    random = np.random.default_rng(seed)
    at = random.uniform(-0.5, 0.5, 300)
    # rows of pixels meet a slanted edge at every phase
    offsets = OFFSETS[None] + np.linspace(0, 12, 300)[:, None] % 1
    away = offsets - at[:, None]
    beyond = away - breadth
    seen = share * ndtr(away / blur) + (1 - share) * ndtr(beyond / blur) + shade * np.clip(beyond, 0, 6)
    return seen + random.normal(0, 0.02, seen.shape), offsets, at


def place_error(breadth, share, blur, shade=0.0, seed=0, hangs_on_bottom=True):
    """Error of the top arris, px, and its standard uncertainty; the one step is fitted as in a photo."""
    seen, offsets, at = two_steps(breadth, share, blur, shade, seed)
    breadth_off = breadth if hangs_on_bottom else 0.0
    offsets = offsets - breadth_off
    fit = fit_steps(seen, offsets, np.full(len(seen), 0.02))
    assert fit is not None
    place = top_arris(seen, 0.3 + 0.4 * seen, offsets, fit.at, breadth, fit.blur)
    return float(np.mean(fit.at + breadth_off + place.shift_px - at)), place.u_px


@pytest.mark.parametrize("breadth", [1.5, 2.5, 4.0])
def test_a_dark_narrow_face_is_parted_from_the_top_face(breadth):
    """Read as one step the edge lies at the bottom arris, or beyond."""
    error, u = place_error(breadth, -0.3, 1.0)
    assert abs(error) < 0.15
    assert u < 0.35


@pytest.mark.parametrize("breadth", [5.0, 8.5])
@pytest.mark.parametrize("share", [0.5, 0.8])
def test_the_top_arris_is_left_where_it_was_found(breadth, share):
    error, u = place_error(breadth, share, 1.0, hangs_on_bottom=False)
    assert abs(error) < 0.2
    assert u < 0.6


def test_shade_beyond_is_not_taken_for_a_second_step():
    """Light that goes on growing, as at a shadow's border, looks like the second step of a bright side face."""
    error, u = place_error(2.5, 0.0, 1.1, shade=0.03)
    assert abs(error) < min(u, 0.25)


def test_a_step_that_is_the_one_arris_here_and_the_other_there_is_straight_again():
    """A face like the top one in colour along half of the edge only, while it is darker than that all along."""
    random, breadth, n = np.random.default_rng(5), 4.3, 480
    offsets = OFFSETS[None] + np.linspace(0, 24, n)[:, None] % 1
    share = np.where(np.arange(n) < n // 2, 0.0, 0.45)[:, None]
    colour = share * ndtr(offsets) + (1 - share) * ndtr(offsets - breadth)
    light = 0.13 - 0.03 * ndtr(offsets) + 0.4 * ndtr(offsets - breadth)
    noisy = [each + random.normal(0, 0.02 * np.ptp(each), each.shape) for each in (colour, light)]
    fit = fit_steps(noisy[0], offsets - 3.0, np.full(n, 0.02))
    assert fit is not None
    one = fit.at + 3.0
    halves = one[: n // 2], one[n // 2 :]
    assert np.median(halves[0]) - np.median(halves[1]) > 0.8
    place = top_arris(*noisy, offsets, one, breadth, fit.blur)
    arris = one + place.shift_px
    assert np.abs([np.median(arris[: n // 2]), np.median(arris[n // 2 :])]).max() < 0.3
    assert place.u_px < 0.4


def test_the_uncertainty_holds_for_faces_drawn_by_lot():
    """95 % expected; a face's share is drawn as its odds are, mostly dark or like the top face."""
    random, held = np.random.default_rng(7), []
    for seed in range(80):
        share = float(np.clip(0.25 * random.standard_cauchy(), -0.5, 1.0))
        error, u = place_error(
            float(random.uniform(0.3, 5)), share, float(random.uniform(0.7, 1.4)), random.uniform(0, 0.02), seed
        )
        held.append(abs(error) < 2 * u)
    assert np.mean(held) >= 0.92
