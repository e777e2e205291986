"""The mathematics of a piece turned on a sheet out of shape, on outlines pressed through known affine errors.

The expectations follow from geometry alone (derived in `visioncheck.reading.quarter_turn`); no outside values exist.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from visioncheck.reading.quarter_turn import (
    kept_metric,
    map_between,
    mean_outline,
    shape_numbers,
    straighten,
    stretch,
    turn_deg,
)

# an offcut 110 x 94 mm, its corners 89.8 to 90.2 degrees
PIECE = np.array([[0.0, 0.0], [-0.4, 94.0], [109.7, 94.3], [110.0, 0.1]])
PRINT = np.eye(2) + np.array([[0.0065, -0.0008], [-0.0008, -0.0014]])  # a home print: +0.65 %, -0.14 %, sheared

small = st.floats(-0.008, 0.008)


def angles(outline):
    before, after = np.roll(outline, 1, axis=0) - outline, np.roll(outline, -1, axis=0) - outline
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return np.degrees(np.arctan2(np.abs(cross), np.sum(before * after, axis=1)))


def lay(degrees, at=(100.0, 150.0), size=1.0):
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return size * PIECE @ np.array([[c, -s], [s, c]]).T + at


def seen(degrees, sheet=PRINT, **where):
    """As the sheet shows a piece: in the coordinates of a print that is itself out of shape."""
    return lay(degrees, **where) @ np.linalg.inv(sheet).T


@given(small, small, small, st.floats(-180, 180), st.sampled_from([90, -90]))
@settings(max_examples=60, deadline=None)
def test_a_quarter_turn_cancels_an_affine_error_to_first_order(a, b, c, lie, turn):
    sheet = np.eye(2) + np.array([[a, b], [b, c]])
    one, other = angles(seen(lie, sheet)), angles(seen(lie + turn, sheet))
    mean_error = (one + other) / 2 - angles(PIECE)
    # what is left is of second order: the square of the error's size, in degrees
    assert np.abs(mean_error).max() <= 1.5 * np.degrees(np.linalg.norm(sheet - np.eye(2)) ** 2) + 1e-9


def test_each_photo_alone_is_out_and_a_half_turn_does_not_help():
    true = angles(PIECE)
    alone, half = angles(seen(-2.5)), angles(seen(177.5))
    assert np.abs(alone - true).max() > 0.05
    assert (alone + half) / 2 - true == pytest.approx(alone - true, abs=1e-9)


@given(small, small, small, st.floats(-180, 180), st.floats(60, 120), st.floats(0.97, 1.03))
@settings(max_examples=60, deadline=None)
def test_the_turn_tells_the_sheets_shape_exactly(a, b, c, lie, turn, size):
    sheet = np.eye(2) + np.array([[a, b], [b, c]])
    first, second = seen(lie, sheet), seen(lie + turn, sheet, at=(80.0, 120.0), size=size)
    between = map_between(first, second)
    assert turn_deg(between) == pytest.approx(turn, abs=1e-7)
    true = sheet.T @ sheet
    assert kept_metric(between) == pytest.approx(true / math.sqrt(np.linalg.det(true)), abs=1e-9)
    assert angles(mean_outline(first, second)) == pytest.approx(angles(PIECE), abs=1e-7)


def test_the_other_way_round():
    between = map_between(seen(10), seen(-80))
    assert turn_deg(between) == pytest.approx(-90, abs=1e-7)
    assert straighten(kept_metric(between)) @ straighten(kept_metric(between)) == pytest.approx(kept_metric(between))


def test_stretch_is_the_difference_of_the_scales():
    sheet = np.diag([1.005, 0.998])
    assert stretch(kept_metric(map_between(seen(0, sheet), seen(90, sheet)))) == pytest.approx(1.005 / 0.998 - 1)


@pytest.mark.parametrize("turn", [0.0, 180.0])
def test_no_turn_and_a_half_turn_tell_nothing_of_the_sheet(turn):
    between = map_between(seen(20), seen(20 + turn))
    assert abs(turn_deg(between)) == pytest.approx(turn, abs=1e-4)
    noise = np.array([[1e-4, 2e-4], [3e-4, -1e-4]])  # what reading noise leaves
    with pytest.raises(ValueError, match="no turn"):
        kept_metric(between + noise)


def test_shape_numbers_are_affine_and_tell_the_corners_apart():
    numbers = shape_numbers(PIECE)
    assert shape_numbers(seen(33)) == pytest.approx(numbers)
    assert shape_numbers(np.roll(PIECE, 2, axis=0)) != pytest.approx(numbers, abs=1e-4)
