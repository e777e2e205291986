"""Edges in pictures that are sharpened and toned: which way they run, where they are read, and their blur."""

from __future__ import annotations

import numpy as np
import pytest

from tests.edges.test_slanted_edges import PIXEL_MM, picture_of_an_edge, straight_down
from tests.photo.develop import developed
from visioncheck.edges.edge_spread import EdgeSpread
from visioncheck.edges.profile import fit_steps
from visioncheck.edges.trace import trace_edge
from visioncheck.outline.guide import Guide


def traced(bgr, out):
    """Mean offset from the true line, px, slope, deg, and the edge's blur, px."""
    along = np.array([out[1], -out[0]])
    centre = np.array([220.3, 219.6]) * PIXEL_MM
    slip = out * 0.05
    trace = trace_edge(bgr, straight_down(), Guide(centre - along * 19 + slip, centre + along * 19 + slip), 0.0)
    assert trace is not None
    from_centre = trace.points_mm - centre
    slope = np.polyfit(from_centre @ along, from_centre @ out, 1)[0]
    return float(np.mean(from_centre @ out)) / PIXEL_MM, float(np.degrees(np.arctan(slope))), trace.blur_px


@pytest.mark.parametrize("levels", [(150, 190), (120, 230), (150, 60)])
@pytest.mark.parametrize("slant_deg", [7.0, 31.0])
@pytest.mark.parametrize("sharpen", [0.6, 1.2])
def test_developing_turns_no_edge(levels, slant_deg, sharpen):
    """It moves the edge by up to 0.2 px to the darker side, all along alike: no part of a direction."""
    bgr, out = picture_of_an_edge(slant_deg, 0.7, levels)
    offset_px, slope_deg, _ = traced(developed(bgr, sharpen=sharpen), out)
    assert abs(slope_deg) < 0.003
    assert abs(offset_px) < 0.2


def test_the_blur_of_a_sharpened_edge_is_told_apart_from_its_halo():
    rng = np.random.default_rng(4)
    for truth in (EdgeSpread(0.6, 0.4), EdgeSpread(0.9, 0.25), EdgeSpread(1.4, 0.6), EdgeSpread(1.0, 0.0)):
        places = rng.uniform(-0.5, 0.5, 1500)
        offsets = np.tile(np.arange(-9.0, 10.0), (len(places), 1))
        seen = truth.step(offsets - places[:, None]) + rng.normal(0, 0.02, offsets.shape)
        fits = fit_steps(seen, offsets, np.full(len(places), 0.02))
        assert fits is not None
        assert fits.good.mean() > 0.98
        assert fits.blur == pytest.approx(truth.blur_px, rel=0.2)
        assert abs(float(np.mean(fits.at - places))) < 0.004
        assert 0.85 < float(np.std((fits.at - places) / fits.u)) < 1.15


def test_slope_is_the_steps_derivative():
    spread, x = EdgeSpread(0.8, 0.35), np.linspace(-6, 6, 41)
    assert np.allclose(spread.slope(x), (spread.step(x + 1e-5) - spread.step(x - 1e-5)) / 2e-5, atol=1e-8)
    assert spread.step(np.array([-50.0, 0.0, 50.0])) == pytest.approx([0, 0.5, 1])
