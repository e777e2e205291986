"""A sawn arris that lies back leaves a dark hollow: how far that moves the place where the edge is read.

Derived: of a roughness of standard deviation s the part that lies back has the mean s/sqrt(2 pi). Where the arris lies
back by w, wood ends at -w and the sheet begins at 0, with a hollow between. By light alone a step from wood W to sheet
P with a hollow D between is read at w (W - D)/(P - W), which is w (P - D)/(P - W) outside the arris.
"""

import numpy as np
import pytest
from scipy.special import ndtr

from tests.edges.coding import coded_between
from visioncheck.edges.colour import along_best_colour, light_and_colour
from visioncheck.edges.profile import fit_steps
from visioncheck.photo.light import linear_light

PIXEL_MM, BLUR_PX, ROUGH_MM = 0.1, 0.8, 0.02
OAK, BIRCH = (150, 118, 88), (196, 172, 138)
PAPER, SHADED, BLACK, HOLLOW = (205, 204, 203), (180, 180, 182), (52, 52, 52), (46, 44, 42)


def light_of(rgb):
    """Linear light, blue, green and red."""
    return linear_light(np.array(rgb[::-1], np.uint8)).astype(float)


def luma_of(rgb):
    return float(linear_light(np.array([round(np.dot([0.299, 0.587, 0.114], rgb))], np.uint8))[0])


def read_outside_mm(wood, sheet, *, rough_mm, seed):
    """Mean distance of what is read outside the arris."""
    rng = np.random.default_rng(seed)
    n = 1500
    arris = rng.normal(0, rough_mm / PIXEL_MM, n)
    offset = np.arange(-10, 11) + rng.uniform(-0.5, 0.5, (n, 1))

    def past(place):
        return ndtr((offset - place[:, None]) / BLUR_PX)[..., None]

    to_hollow, to_sheet = light_of(HOLLOW) - light_of(wood), light_of(sheet) - light_of(HOLLOW)
    light = light_of(wood) + to_hollow * past(arris) + to_sheet * past(np.maximum(arris, 0))
    coded = coded_between(light) + rng.normal(0, 1.0, light.shape)
    profiles = along_best_colour(light_and_colour(coded), offset, np.arange(n) * PIXEL_MM, PIXEL_MM)
    fit = fit_steps(profiles.values, offset, profiles.noise)
    return float(np.mean((fit.at - arris)[fit.good])) * PIXEL_MM


def pull_mm(wood, sheet):
    """What the hollows alone do: a rough arris against a smooth one, in the same noise."""
    return read_outside_mm(wood, sheet, rough_mm=ROUGH_MM, seed=1) - read_outside_mm(wood, sheet, rough_mm=0, seed=1)


def pull_by_light_mm(wood, sheet):
    return ROUGH_MM / np.sqrt(2 * np.pi) * (luma_of(sheet) - luma_of(HOLLOW)) / (luma_of(sheet) - luma_of(wood))


def test_where_the_step_of_light_is_faint_colour_takes_over():
    assert pull_by_light_mm(BIRCH, SHADED) > 0.1
    assert 0 < pull_mm(BIRCH, SHADED) < 0.01


def test_pale_wood_on_white_paper_is_pulled_half_as_far_as_by_light():
    assert 0 < pull_mm(BIRCH, PAPER) < 0.6 * pull_by_light_mm(BIRCH, PAPER)


def test_where_light_is_plain_it_stays_in_use():
    assert pull_mm(OAK, PAPER) == pytest.approx(pull_by_light_mm(OAK, PAPER), rel=0.2)


@pytest.mark.parametrize("wood", [OAK, BIRCH])
def test_a_hollow_on_a_dark_field_looks_like_the_field(wood):
    assert pull_mm(wood, BLACK) == pytest.approx(0, abs=0.002)


@pytest.mark.parametrize("sheet", [PAPER, BLACK])
def test_a_smooth_arris_is_read_within_a_tenth_of_a_pixel(sheet):
    assert read_outside_mm(OAK, sheet, rough_mm=0, seed=2) == pytest.approx(0, abs=0.1 * PIXEL_MM)
