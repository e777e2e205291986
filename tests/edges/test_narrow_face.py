"""The top arris beside a narrow side face: profiles of two steps, drawn by lot, with truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from visioncheck.edges.narrow_face import top_arris
from visioncheck.edges.profile import fit_steps

OFFSETS = np.arange(-18.0, 19.0)


def two_steps(breadth, share, blur, shade=0.0, seed=0):
    """Profiles of a top arris at a few tenths, and where it is; the light beyond grows by `shade` in each px."""
    random = np.random.default_rng(seed)
    at = random.uniform(-0.5, 0.5, 300)
    away = OFFSETS[None] - at[:, None]
    beyond = away - breadth
    seen = share * ndtr(away / blur) + (1 - share) * ndtr(beyond / blur) + shade * np.clip(beyond, 0, 6)
    return seen + random.normal(0, 0.02, seen.shape), at


def place_error(breadth, share, blur, shade=0.0, seed=0, hangs_on_bottom=True):
    """Error of the top arris, px, and its standard uncertainty; the one step is fitted as in a photo."""
    seen, at = two_steps(breadth, share, blur, shade, seed)
    breadth_off = breadth if hangs_on_bottom else 0.0
    offsets = np.tile(OFFSETS, (len(seen), 1)) - breadth_off
    fit = fit_steps(seen, offsets, np.full(len(seen), 0.02))
    assert fit is not None
    place = top_arris(seen, offsets - fit.at[:, None], breadth, fit.blur)
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


def test_one_that_may_be_either_is_uncertain():
    """Light that goes on growing, as at a shadow's border, looks like the second step of a bright side face."""
    error, u = place_error(2.5, 0.0, 1.1, shade=0.03)
    assert u > 0.3
    # the same wood is likelier: without these odds it is 1.9
    assert abs(error) < u
    assert abs(error) < 1.0


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
