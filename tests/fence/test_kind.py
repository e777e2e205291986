"""The patterns of corners by which kinds of piece are told, against polygons cut on the computer."""

from __future__ import annotations

import numpy as np
import pytest

from tests.fence.cutting import four_cuts, regular, successive
from tests.shapes import interior_angles_deg
from visioncheck.fence.kind import weigh_kinds
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading

NOISE = 0.004**2 * (2 * np.eye(4) - np.roll(np.eye(4), 1, axis=0) - np.roll(np.eye(4), -1, axis=0))
"""Four lines, each known to 0.004°."""
SQUARE, LONG = np.full(4, 100.0), np.array([240.0, 30.0, 240.0, 30.0])
E = 0.12
SLEDS = [(piece, fence) for piece in ("left", "right") for fence in ("rear", "front")]


def weigh(opens, lengths=SQUARE, first=None):
    return weigh_kinds(90 + np.array(opens), NOISE, lengths, first)


def as_cut(polygon):
    """Corners and edges' lengths of a cut polygon; corner i between edges i - 1 and i."""
    corners = np.array([point for point, _ in polygon], float)
    run = np.roll(corners, -1, axis=0) - corners
    return interior_angles_deg(corners), np.linalg.norm(run, axis=1)


@pytest.mark.parametrize("turn", range(4))
def test_a_panel_fits_four_cuts_and_hardly_an_offcut(turn):
    weights = weigh(np.roll([E, E, E, -3 * E], turn))
    assert weights.best == "panel"
    assert weights.panel_chance > 0.99
    assert set(weights.open) == {"panel", "corner"}
    assert not weights.fits("corner")
    assert weights.rivals("panel") == {}


@pytest.mark.parametrize("turn", range(4))
@pytest.mark.parametrize("opens", [(E, -E, 0, 0), (E, -E, 0.3, -0.3), (0.4, -0.1, 0.2, -0.5)])
def test_an_offcut_of_square_parallel_or_any_stock_is_no_panel(opens, turn):
    weights = weigh(np.roll(opens, turn))
    assert weights.open == ("corner",)
    assert not weights.fits("panel")


def test_near_square_all_fits_and_nothing_is_refused():
    weights = weigh([0.002, -0.001, 0.001, -0.002])
    assert set(weights.open) == {"panel", "corner"}
    assert weights.fits("panel")
    assert weights.fits("corner")
    assert weights.rivals("corner") == weights.rivals("panel") == {}


def test_between_the_two_the_named_kind_stands_with_a_doubt():
    small = 0.02
    weights = weigh([small, small, small, -3 * small])
    assert weights.fits("corner")
    assert 0.15 < weights.rivals("corner")["panel"] < 0.9


def test_the_edge_cut_first_is_part_of_the_misfit():
    # the closing corner is 3, so the first edge is 3 or, the other way round, 2
    opens = [E, E, E, -3 * E]
    assert weigh(opens, first=3).panel_chance > 0.99
    assert weigh(opens, first=2).panel_chance > 0.99
    assert weigh(opens, first=0).panel_chance < 0.01


@pytest.mark.parametrize("lengths", [LONG, LONG[[1, 0, 3, 2]]])
def test_a_narrow_piece_is_a_strip_or_an_offcut_but_no_panel(lengths):
    weights = weigh(np.zeros(4), lengths)
    assert set(weights.open) == {"strip", "corner"}
    assert not weights.fits("panel")
    assert not weigh(np.zeros(4)).fits("strip")


@pytest.mark.parametrize(("piece", "fence"), SLEDS)
def test_the_fifth_cuts_strip_is_known_by_its_ends(piece, fence):
    _, strip, _, _ = successive(5, E, piece, fence, regular(4))
    angles, lengths = as_cut(strip)
    weights = weigh(angles - 90, lengths)
    assert weights.best == "strip"
    assert not weights.fits("corner")


@pytest.mark.parametrize(("piece", "fence"), SLEDS)
def test_a_panel_cut_on_any_sled_is_known_by_its_corners(piece, fence):
    angles, lengths = as_cut(four_cuts(E, piece, fence))
    weights = weigh(angles - 90, lengths)
    assert weights.best == "panel"
    assert weights.panel_chance > 0.99


def test_a_rivals_error_goes_into_the_uncertainty():
    from visioncheck.fence.of_piece import with_rivals

    own = Reading("p", "corner", (), (), fence_error=Quantity(-0.06, 0.01, "deg"), budget={"edge": 0.01})
    other = Reading("p", "panel", (), (), fence_error=Quantity(0.02, 0.003, "deg"))
    told = with_rivals(own, [(other, 0.25)])
    assert told.fence_error.value == -0.06
    assert told.fence_error.u == pytest.approx(np.hypot(0.01, 0.5 * 0.08))
    assert told.budget["kind of piece"] == pytest.approx(0.04)
    assert told.flags == ("kind-doubtful",)
    assert with_rivals(own, []) is own
