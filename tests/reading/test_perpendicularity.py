from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from visioncheck.quantity import Quantity
from visioncheck.reading.perpendicularity import zone_width


@given(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5))
@settings(max_examples=40, deadline=None)
def test_between_the_two_bounds(e, bow):
    # derived: between max(L |sin e|, s) and L |sin e| + s
    t = zone_width(Quantity(e, 1e-9, "deg"), Quantity(bow, 1e-9, "mm"), 150.0).mean
    tilt = 150 * abs(math.sin(math.radians(e)))
    assert max(tilt, abs(bow)) * 0.999 - 1e-6 <= t <= tilt + abs(bow) + 1e-6


@given(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5))
@settings(max_examples=40, deadline=None)
def test_width_is_that_of_the_curve_itself(e, bow):
    x = np.linspace(-0.5, 0.5, 20_001)
    edge = 150 * math.sin(math.radians(e)) * x + bow * (1 - 4 * x**2)
    found = zone_width(Quantity(e, 1e-12, "deg"), Quantity(bow, 1e-12, "mm"), 150.0).mean
    assert found == pytest.approx(np.ptp(edge), abs=1e-6)


def test_straight_edge():
    size = zone_width(Quantity(0.1, 0.002, "deg"), Quantity(0, 1e-9, "mm"), 200.0)
    assert size.mean == pytest.approx(200 * math.sin(math.radians(0.1)), rel=1e-3)
    assert size.u == pytest.approx(200 * math.radians(0.002), rel=0.03)


def test_never_negative_near_zero():
    size = zone_width(Quantity(0.0, 0.002, "deg"), Quantity(0.0, 0.003, "mm"), 200.0)
    assert 0 <= size.low < size.mean < size.high


def test_few_degrees_of_freedom_widen_it():
    few = zone_width(Quantity(0.1, 0.002, "deg", dof=3), Quantity(0, 1e-9, "mm"), 200.0)
    many = zone_width(Quantity(0.1, 0.002, "deg"), Quantity(0, 1e-9, "mm"), 200.0)
    assert few.high - few.low > 1.4 * (many.high - many.low)
