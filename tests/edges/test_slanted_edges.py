"""Edges at every slant, on pictures made from pixel-integrated steps; the bound as in test_profile."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from tests.edges.coding import coded_between
from visioncheck.camera.lens import Lens
from visioncheck.camera.view import RigidView
from visioncheck.edges.trace import trace_edge
from visioncheck.outline.guide import Guide
from visioncheck.photo.light import linear_light

PIXEL_MM = 0.1
SIZE = 440
WOOD, PAPER = 150, 190
NOISE = 2.5
STARK = (40, 230)
"""A step so large that the rounding to whole levels moves it by less than 0.003 px."""


def straight_down():
    """A camera 300 mm above the table whose pixel (x, y) shows the table point (x, y) / 10 mm."""
    lens = Lens(SIZE, SIZE, np.array([3000.0, 220.0, 220.0, 0, 0, 0, 0, 0]))
    return RigidView(lens, np.zeros(3), np.array([-22.0, -22.0, 300.0]))


def picture_of_an_edge(slant_deg, blur, levels=(WOOD, PAPER), rng=None, middle=(220.3, 219.6)):
    """Wood below a line through `middle`, paper above it; light in proportion, each pixel the mean over its square."""
    out = np.array([np.sin(np.radians(slant_deg)), -np.cos(np.radians(slant_deg))])
    y, x = np.mgrid[0:SIZE, 0:SIZE]
    distance = (x - middle[0]) * out[0] + (y - middle[1]) * out[1]
    parts = (np.arange(5) - 2) / 5
    share = np.mean([ndtr((distance + a * out[0] + b * out[1]) / blur) for a in parts for b in parts], axis=0)
    dark, bright = linear_light(np.array(levels, np.uint8))
    coded = coded_between(dark + (bright - dark) * share)
    if rng is not None:
        coded = coded + rng.normal(0, NOISE, coded.shape)
    grey = np.rint(np.clip(coded, 0, 255)).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2), out


def traced(slant_deg, blur, levels=(WOOD, PAPER), rng=None):
    """Offsets of the stations from the true line, px, and their distances along it."""
    bgr, out = picture_of_an_edge(slant_deg, blur, levels, rng)
    along = np.array([out[1], -out[0]])  # so that the guide's normal points to the paper
    centre = np.array([220.3, 219.6]) * PIXEL_MM
    slip = out * 0.05  # the search starts half a pixel off
    trace = trace_edge(bgr, straight_down(), Guide(centre - along * 19 + slip, centre + along * 19 + slip), 0.0)
    assert trace is not None
    assert trace.outward @ out == pytest.approx(1.0)
    from_centre = trace.points_mm - centre
    return from_centre @ out / PIXEL_MM, from_centre @ along


@pytest.mark.parametrize("slant_deg", [0.0, 0.4, 17.0, 31.0, 45.0, 88.0, 200.0])
@pytest.mark.parametrize("blur", [0.6, 1.0, 1.5])
def test_no_bias_at_any_slant(slant_deg, blur):
    offsets, along = traced(slant_deg, blur, STARK)
    assert abs(np.mean(offsets)) < 0.01
    slope = np.polyfit(along, offsets * PIXEL_MM, 1)[0]
    assert abs(np.degrees(slope)) < 2e-4


@pytest.mark.parametrize("slant_deg", [0.4, 17.0, 45.0])
@pytest.mark.parametrize("blur", [0.6, 1.0, 1.5])
def test_scatter_is_near_the_cramer_rao_bound(slant_deg, blur):
    rng = np.random.default_rng(int(slant_deg * 10 + blur * 100))
    offsets, _ = traced(slant_deg, blur, rng=rng)
    spacing = max(abs(np.cos(np.radians(slant_deg))), abs(np.sin(np.radians(slant_deg))))  # of samples across, px
    s = np.hypot(blur, np.sqrt(1 / 12))
    # W = 9 px hold 9 / spacing samples; each row's place counts alone
    bound = NOISE / (PAPER - WOOD) * np.sqrt(spacing * 2 * np.sqrt(np.pi) * s / (1 - 2 * np.sqrt(np.pi) * s / 9))
    assert 0.9 < np.std(offsets) / bound < 1.3
