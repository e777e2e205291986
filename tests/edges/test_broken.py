"""Two things end to end are no edge; an edge that bows, wanders or is torn is one."""

from __future__ import annotations

import numpy as np
import pytest

from visioncheck.fitting.broken import find_break


def rough(x, sd_mm=0.015, seed=0):
    """A sawn edge: waves of some millimetres, and each station's own noise."""
    random = np.random.default_rng(seed)
    kernel = np.exp(-((np.arange(-90, 91) / 30.0) ** 2) / 2)
    waves = np.convolve(random.normal(0, 1, len(x) + 180), kernel, "valid")
    return sd_mm * waves / waves.std() + random.normal(0, 0.005, len(x))


def stations(shape, length_mm=80.0, turn=0.7, seed=0):
    """An edge of a shape, in a frame of its own."""
    x = np.linspace(0, length_mm, 700)
    c, s = np.cos(turn), np.sin(turn)
    return np.column_stack([x, shape(x) + rough(x, seed=seed)]) @ np.array([[c, s], [-s, c]]) + [30.0, 200.0]


@pytest.mark.parametrize("share", [0.3, 0.5, 0.7])
@pytest.mark.parametrize(("step", "turn_deg"), [(0.6, 0.1), (0.2, 0.0), (0.3, -0.4), (-0.3, -0.4)])
def test_a_stick_end_to_end_with_the_work_is_told(step, turn_deg, share):
    at = 80.0 * share
    points = stations(lambda x: np.where(x > at, step + np.tan(np.radians(turn_deg)) * (x - at), 0.0))
    found = find_break(points)
    assert found is not None
    along = (found.place - [30.0, 200.0]) @ [np.cos(0.7), np.sin(0.7)]
    assert along == pytest.approx(at, abs=2.0)
    # on the line before the break
    assert (found.place - [30.0, 200.0]) @ [-np.sin(0.7), np.cos(0.7)] == pytest.approx(0.0, abs=0.09)
    assert np.degrees(found.turn_rad) == pytest.approx(abs(turn_deg), abs=0.2)
    assert found.step == pytest.approx(abs(step), abs=0.06)


def test_a_kink_without_a_step_is_told_where_it_is_sharp():
    """Of some tenths of a degree it is much like a bow, and flagged as one."""
    found = find_break(stations(lambda x: np.tan(np.radians(2.0)) * np.maximum(x - 40, 0.0)))
    assert found is not None
    assert np.degrees(found.turn_rad) == pytest.approx(2.0, abs=0.2)


@pytest.mark.parametrize(
    "shape",
    [
        lambda x: 0.0 * x,
        lambda x: 1.5 * (2 * x / 80 - 1) ** 2,  # a bow a hundred times its roughness
        lambda x: 0.4 * (2 * x / 80 - 1) ** 3,
        lambda x: -0.3 * (np.abs(x - 40) < 8),  # a tear
        lambda x: -0.8 * (x < 6),  # a chipped end
        lambda x: -0.2 * ((x > 20) & (x < 70) & (x % 7 < 3)),  # bites
    ],
    ids=["straight", "bowed", "wandering", "torn", "chipped", "bitten"],
)
def test_one_edge_is_one(shape):
    assert all(find_break(stations(shape, seed=seed)) is None for seed in range(4))


def test_a_band_saws_waves_are_no_break():
    """From two waves along the edge on, as blades that wander leave."""
    for waves in (2.0, 3.0, 5.0):
        assert find_break(stations(lambda x, n=waves: 0.1 * np.sin(2 * np.pi * n * x / 80 + 0.4))) is None


def test_what_is_too_small_to_matter_is_none():
    x = np.linspace(0, 80, 700)
    assert find_break(np.column_stack([x, 0.03 * (x > 40)])) is None
    assert find_break(np.column_stack([x, 0.3 * (x > 40)])) is not None


def test_a_few_stations_tell_of_no_break():
    assert find_break(np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 1.0], [3.0, 1.0]] * 3)) is None
