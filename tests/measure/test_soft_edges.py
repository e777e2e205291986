"""An edge far softer than the print, or softer and not straight, is a shadow's, a stain's or a rounding's."""

from __future__ import annotations

import numpy as np
import pytest

from visioncheck.edges.trace import Trace
from visioncheck.measuring.piece import _is_soft


def an_edge(blur_px, scatter_mm):
    along = np.linspace(0, 80, 400)
    across = scatter_mm * np.random.default_rng(1).normal(size=400)
    return Trace(
        points_mm=np.column_stack([along, across]),
        weights=np.ones(400),
        contrast=8.0,
        blur_px=blur_px,
        pixel_mm=0.1,
        outward=np.array([0.0, 1.0]),
        arris_clear=True,
        recess_gain=1.0,
    )


@pytest.mark.parametrize(
    ("blur_px", "scatter_mm", "soft"),
    [(1.5, 0.3, False), (2.2, 0.1, False), (2.2, 0.3, True), (3.0, 0.02, False), (4.0, 0.02, True)],
)
def test_what_is_soft(blur_px, scatter_mm, soft):
    assert _is_soft(an_edge(blur_px, scatter_mm), print_blur_px=1.0) is soft
