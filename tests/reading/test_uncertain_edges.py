"""What moves an edge without showing in its stations: softness, faintness, a narrow side face; and corners not seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.fence.test_signs_by_photo import THICK, VIEW, piece_of
from visioncheck.reading.piece import direction_slopes, read_piece

CORNERS = np.array([[60.0, 100.0], [160.0, 100.0], [160.0, 160.0], [60.0, 160.0]])
PIXEL_MM = 0.1


def parts_of(change, edge=1):
    """The piece with one of its traces changed: uncertainty of that edge's turn by source, px from end to end."""
    square = piece_of(CORNERS)
    traces = [replace(trace, pixel_mm=PIXEL_MM) for trace in square.traces]
    traces[edge] = replace(traces[edge], **change)
    shape = read_piece(VIEW, tuple(traces), THICK)
    slope = direction_slopes(shape.corners_mm)[edge]
    on_paper_mm = shape.lengths_mm[edge] / (1 - THICK.value / VIEW.height_mm)
    parts = {source: float(np.sqrt(slope @ matrix @ slope)) for source, matrix in shape.covariances.items()}
    return shape, {source: part * on_paper_mm / PIXEL_MM for source, part in parts.items()}


@pytest.mark.parametrize(("blur", "ends_px"), [(1.0, 0.0), (1.5, 0.0), (2.5, 0.12 * 2.0)])
def test_an_edge_softer_than_the_others_turns(blur, ends_px):
    """0.12 of what its blur has beyond 1.5 times the sharpest: 2.5² - 1.5² = 2²."""
    _, parts = parts_of({"blur_px": blur})
    assert parts["soft edge"] == pytest.approx(ends_px, rel=0.02)


@pytest.mark.parametrize(
    ("contrast", "blur", "ends_px"),
    [(2.6, 1.0, 1.5), (2.8, 1.0, 0.0), (3.7, 2.1, np.hypot(1.5, 0.12 * np.sqrt(2.1**2 - 1.5**2)))],
)
def test_a_faint_edge_may_be_a_shadows(contrast, blur, ends_px):
    _, parts = parts_of({"contrast": contrast, "blur_px": blur})
    assert parts["soft edge"] == pytest.approx(ends_px, rel=0.02)


def test_a_narrow_side_face_moves_the_edge_and_does_not_turn_it():
    shape, parts = parts_of({"arris_u_mm": 0.05})
    assert parts["arris"] == pytest.approx(0.0, abs=0.01)
    middle = np.zeros(8)
    middle[[2, 4]] = 0.5  # x of both ends of the edge that runs along y
    moved = float(np.sqrt(middle @ shape.covariances["arris"] @ middle))
    assert moved == pytest.approx(0.05 * (1 - THICK.value / VIEW.height_mm), rel=0.02)


def test_where_an_edge_is_not_seen_up_to_its_ends():
    square = piece_of(CORNERS)
    traces = list(square.traces)
    traces[0] = replace(traces[0], points_mm=traces[0].points_mm[:40], weights=traces[0].weights[:40])
    before, after = read_piece(VIEW, tuple(traces), THICK).seen_up_to_mm(0)
    length = float(np.linalg.norm(np.diff(square.traces[0].points_mm[[0, -1]], axis=0))) / 0.96
    step = 0.96 * length / 59
    # eight stations must be believed: the eighth from either end counts
    assert before == pytest.approx(0.02 * length + 7 * step, abs=0.3)
    assert after == pytest.approx(0.02 * length + 27 * step, abs=0.3)
