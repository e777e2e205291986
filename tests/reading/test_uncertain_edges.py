"""What moves an edge without showing in its stations: softness, faintness, a narrow side face; and corners not seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.fence.test_signs_by_photo import THICK, VIEW, piece_of
from visioncheck.reading.piece import direction_slopes, read_piece

CORNERS = np.array([[60.0, 100.0], [160.0, 100.0], [160.0, 160.0], [60.0, 160.0]])
PIXEL_MM = 0.1
SHRINK = 1 - THICK.value / VIEW.height_mm
"""A length on the top face against what it looks like on the paper."""


def parts_of(change, edge=1):
    """The piece with one of its traces changed: uncertainty of that edge's turn by source, px from end to end."""
    square = piece_of(CORNERS)
    traces = [replace(trace, pixel_mm=PIXEL_MM) for trace in square.traces]
    traces[edge] = replace(traces[edge], **change)
    shape = read_piece(VIEW, tuple(traces), THICK)
    slope = direction_slopes(shape.corners_mm)[edge]
    on_paper_mm = shape.lengths_mm[edge] / SHRINK
    parts = {source: float(np.sqrt(slope @ matrix @ slope)) for source, matrix in shape.covariances.items()}
    return shape, {source: part * on_paper_mm / PIXEL_MM for source, part in parts.items()}


def middle_mm(shape, source):
    """How far the middle of edge 1 may be out, which runs along y."""
    x_of_both_ends = np.zeros(8)
    x_of_both_ends[[2, 4]] = 0.5
    return float(np.sqrt(x_of_both_ends @ shape.covariances[source] @ x_of_both_ends))


@pytest.mark.parametrize(("blur", "ends_px"), [(1.0, 0.0), (1.5, 0.0), (2.5, 0.12 * 2.0)])
def test_an_edge_softer_than_the_others_turns(blur, ends_px):
    """0.12 of what its blur has beyond 1.5 times the sharpest: 2.5² - 1.5² = 2²."""
    shape, parts = parts_of({"blur_px": blur})
    assert parts["soft edge"] == pytest.approx(ends_px, rel=0.02)
    # both ends as one: half of it
    assert middle_mm(shape, "soft edge") == pytest.approx(ends_px / 2 * PIXEL_MM * SHRINK, rel=0.02)


@pytest.mark.parametrize(
    ("contrast", "blur", "ends_px"),
    [
        (2.6, 1.0, 1.5),
        (2.8, 1.0, 0.0),
        (3.7, 2.2, np.hypot(1.5, 0.12 * np.sqrt(2.2**2 - 1.5**2))),
        (3.7, 2.05, 0.12 * np.sqrt(2.05**2 - 1.5**2)),
    ],
)
def test_a_faint_edge_may_be_a_shadows(contrast, blur, ends_px):
    _, parts = parts_of({"contrast": contrast, "blur_px": blur})
    assert parts["soft edge"] == pytest.approx(ends_px, rel=0.02)


def test_a_narrow_side_face_moves_the_edge_and_does_not_turn_it():
    shape, parts = parts_of({"arris_u_mm": 0.05})
    assert parts["arris"] == pytest.approx(0.0, abs=0.01)
    assert middle_mm(shape, "arris") == pytest.approx(0.05 * SHRINK, rel=0.02)


def test_a_side_face_read_as_one_arris_here_and_the_other_there_turns_the_edge():
    shape, parts = parts_of({"arris_turn_u_mm": 0.05})
    assert parts["arris"] == pytest.approx(0.05 / PIXEL_MM, rel=0.02)
    assert middle_mm(shape, "arris") == pytest.approx(0.0, abs=1e-3)


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
