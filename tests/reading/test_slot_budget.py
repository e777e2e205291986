"""What a slot's budget says of noise and scale, against the scatter of simulated walls and a rule that is wrong."""

from __future__ import annotations

import numpy as np
import pytest

from visioncheck.camera.lens import Lens
from visioncheck.camera.view import RigidView
from visioncheck.edges.slot_walls import SlotTrace
from visioncheck.edges.tone import Tone
from visioncheck.edges.trace import Trace
from visioncheck.quantity import Quantity
from visioncheck.reading.slot import read_slot

HEIGHT_MM, THICKNESS_MM, WIDTH_MM, LENGTH_MM = 300.0, 15.0, 3.0, 80.0
SHRINK = 1 - THICKNESS_MM / HEIGHT_MM
NOISE_MM, STATIONS = 0.05, 400


def view(scale_u_rel: float = 0.0) -> RigidView:
    lens = Lens(4000, 3000, np.array([3000.0, 2000, 1500, 0, 0, 0, 0, 0]))
    return RigidView(lens, np.zeros(3), np.array([-100.0, -150.0, HEIGHT_MM]), scale_u_rel=scale_u_rel)


def walls(rng: np.random.Generator | None = None) -> SlotTrace:
    at = np.linspace(0, LENGTH_MM, STATIONS)
    traces = []
    for sign in (-1.0, 1.0):
        off = sign * WIDTH_MM / 2 / SHRINK + (0 * at if rng is None else rng.normal(0, NOISE_MM, STATIONS))
        traces.append(
            Trace(
                points_mm=np.column_stack([60 + at, 140 + off]),
                weights=np.ones(STATIONS),
                contrast=10.0,
                blur_px=0.8,
                pixel_mm=0.1,
                outward=np.array([0.0, sign]),
                arris_clear=True,
                recess_gain=0.0,
            )
        )
    return SlotTrace(*traces, np.full(STATIONS, WIDTH_MM * 10), NOISE_MM, 0.0, 0.0, floor_seen=False)


def slot(scale_u_rel: float = 0.0, rng: np.random.Generator | None = None):
    start = np.array([60.0, 140.0])
    return read_slot(view(scale_u_rel), walls(rng), Quantity(THICKNESS_MM, 0.1, "mm"), Tone(1.0, 0.0), start)


def test_noise_in_the_taper_is_what_simulated_walls_scatter_by():
    rng = np.random.default_rng(1)
    shape = slot(rng=rng)
    at = np.linspace(0, LENGTH_MM, STATIONS)
    openings = [
        np.degrees(np.subtract(*(np.polyfit(at, rng.normal(0, NOISE_MM, STATIONS), 1)[0] for _ in range(2))))
        for _ in range(3000)
    ]
    # numpy's least squares as the reference; half or double the variance is 40 % away
    assert shape.budget["noise"] == pytest.approx(np.std(openings), rel=0.06)


def test_noise_in_a_width_is_that_of_two_means():
    rng = np.random.default_rng(2)
    means = [np.subtract(*rng.normal(0, NOISE_MM, (2, STATIONS)).mean(axis=1)) for _ in range(3000)]
    width = slot(rng=rng).widths[2]
    assert width.budget["noise"] == pytest.approx(SHRINK * np.std(means), rel=0.05)


def test_a_wrong_rule_makes_every_width_wrong_in_proportion():
    # a rule that reads 0.4 % too long: a slot of 3 mm is 0.012 mm out
    told = slot(scale_u_rel=0.004)
    for width in told.widths:
        assert width.width.value == pytest.approx(WIDTH_MM, rel=1e-6)
        assert width.budget["scale"] == pytest.approx(0.004 * WIDTH_MM, rel=1e-3)
        assert width.width.u >= 0.004 * WIDTH_MM


def test_width_falls_as_the_top_face_comes_nearer():
    assert slot().slot.by_thickness == pytest.approx(-WIDTH_MM / (HEIGHT_MM - THICKNESS_MM), rel=1e-6)
