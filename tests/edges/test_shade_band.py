"""A band of shade between wood and paper, coded as a photo is: sRGB, and colour at half the resolution (JPEG)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from visioncheck.edges.colour import along_best_colour, light_and_colour
from visioncheck.edges.profile import fit_steps
from visioncheck.edges.shade_band import shade_band
from visioncheck.photo.light import coded_from_linear, linear_between

PAPER = np.array([0.70, 0.70, 0.68])
WOODS = {"birch": (0.25, 0.41, 0.55), "oak": (0.10, 0.22, 0.36), "walnut": (0.030, 0.055, 0.090)}
BLUR_PX = 1.0


def place_px(wood, band_px, left, soft_px=1.5, seed=0):
    """Errors of the edge's place by light alone and with the band looked for, px, and the uncertainty of the second."""
    random = np.random.default_rng(seed)
    at = random.uniform(-0.5, 0.5, 360)
    fine = np.arange(-12.0, 12.01, 0.1)
    inside = 1 - ndtr(fine / BLUR_PX)
    shade = 1 - (1 - left) * (1 - ndtr((fine - band_px) / soft_px))
    light = np.array(wood) * inside[:, None] + PAPER * (shade * (1 - inside))[:, None]
    offset = np.tile(np.arange(-10.0, 11.0), (len(at), 1))
    rows = np.stack([np.interp(offset - at[:, None], fine, light[:, k]) for k in range(3)], axis=-1)
    coded = coded_from_linear(rows) + random.normal(0, 1.0, rows.shape)
    coarse = coded.mean(axis=-1, keepdims=True)
    colour = coded - coarse
    colour[:, 1:-1] = (colour[:, :-2] + 2 * colour[:, 1:-1] + colour[:, 2:]) / 4
    coded = coarse + colour
    seen = light_and_colour(coded)
    profiles = along_best_colour(seen, offset, np.arange(len(at)) * 0.15, 0.15)
    fit = fit_steps(profiles.values, offset, profiles.noise)
    assert fit is not None
    use = fit.good & profiles.plain
    by_light = float(np.median((fit.at - at)[use]))
    found = shade_band(coded, seen, offset, fit, use, BLUR_PX)
    return by_light, by_light + found.shift_px, found.u_px


@pytest.mark.parametrize("wood", WOODS)
def test_without_shade_the_edge_stays(wood):
    by_light, place, u = place_px(WOODS[wood], 0.0, 1.0)
    assert (place, u) == (by_light, 0.0)


@pytest.mark.parametrize(("band_px", "left"), [(2.5, 0.35), (3.0, 0.45), (2.0, 0.4)])
def test_a_band_as_dark_as_the_wood_is_taken_off(band_px, left):
    """By light alone the edge is read a pixel and more too far out."""
    by_light, place, u = place_px(WOODS["oak"], band_px, left)
    assert by_light > 1.0
    assert abs(place) < 2 * u
    assert abs(place) < by_light / 2


def test_a_band_that_a_lens_may_have_made_is_half_believed():
    """Between 0.2 and 0.6 px: moved by a part of it, and the rest is in the uncertainty."""
    by_light, place, u = place_px(WOODS["oak"], 0.8, 0.7)
    moved = by_light - place
    band = (0.2 + np.sqrt(0.04 + 1.6 * moved)) / 2  # moved = band (band - 0.2) / 0.4
    assert 0.2 < band < 0.6
    assert (band - moved) / 2 <= u < band


def test_grey_work_has_no_colour_to_tell():
    by_light, place, u = place_px((0.2, 0.2, 0.195), 2.5, 0.4)
    assert (place, u) == (by_light, 0.0)


def test_coding_is_the_inverse_of_decoding():
    levels = np.linspace(0.0, 255.0, 101)
    assert coded_from_linear(linear_between(levels)) == pytest.approx(levels, abs=1e-9)
