"""Channels of other magnification are moved to where green sees the same point."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from tests.edges.test_slanted_edges import SIZE, straight_down
from visioncheck.edges.sampling import pixel_rows
from visioncheck.outline.guide import Guide

LATERAL = (2e-3, 0.0, -1.5e-3)


@pytest.mark.parametrize("upright", [False, True])
@pytest.mark.parametrize("place_px", [60.0, 380.0])
def test_channels_show_one_edge(upright, place_px):
    """An edge 160 px from the centre: blue 0.32 px further out, red 0.24 px further in, before they are moved."""
    view = straight_down()
    view = replace(view, lens=replace(view.lens, lateral=LATERAL))
    centre = view.lens.centre_px[0]
    along = np.arange(SIZE, dtype=float)
    channels = []
    for lateral in LATERAL:
        as_green = centre + (along - centre) / (1 + lateral)
        row = 60 + 120 * ndtr((as_green - place_px) / 1.5)
        channels.append(np.tile(row, (SIZE, 1)))
    picture = np.rint(np.stack(channels, axis=2)).astype(np.uint8)
    if not upright:
        picture = np.ascontiguousarray(picture.transpose(1, 0, 2))
    ends = np.array([[place_px, 120.0], [place_px, 320.0]]) / 10
    guide = Guide(*(ends if upright else ends[:, ::-1]))
    rows = pixel_rows(picture, view, guide, 0.5, 8.0)
    green = rows.coded[..., 1]
    before = np.abs(picture.astype(float) - picture[..., 1:2]).max()
    assert before > 8
    for channel in (0, 2):
        # rounding to whole levels, and the second order of the shift
        assert np.abs(rows.coded[..., channel] - green).max() < 2.5
