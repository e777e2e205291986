"""What `painted_shop` says of its boards is what a perfect reading of their outlines has, by the program's own way."""

from __future__ import annotations

import numpy as np
import pytest

from tests.fence.painted_shop import board, cut_to_length, cut_twice, leaning_view, middle_length_mm
from tests.flags.painted import photo, sawn
from tests.shapes import interior_angles_deg, quadrilateral
from visioncheck.fence.signs import OneCut, blade_tilt, fence_error
from visioncheck.fence.straightness import fence_bow, separate
from visioncheck.quantity import Quantity
from visioncheck.saw import Saw


def corners_as_read(shape):
    """Interior angles of a board that lies turned, as quantities."""
    return [Quantity(angle, 0.001, "deg") for angle in interior_angles_deg(board(*shape, turn_deg=37.0).corners_mm)]


@pytest.mark.parametrize("how", ["end for end", "second edge"])
def test_of_two_cuts(how):
    shapes = cut_twice(0.12, -0.07, how, (110.0, 80.0), (90.4, 89.8))
    one, two = (fence_error(OneCut(corners_as_read(shape)[1]), Saw()) for shape in shapes)
    assert one.value == pytest.approx(0.05)
    if how == "end for end":
        parted = separate(one, two, how)
        assert (parted.error.value, parted.seat.value) == pytest.approx((0.12, -0.07))
        # the end that was cut first is the other end of the edge now
        assert corners_as_read(shapes[1])[0].value == pytest.approx(90.05)
    else:
        assert two.value == pytest.approx(0.12)


@pytest.mark.parametrize("cut_deg", [89.6, 90.0, 90.3])
def test_of_a_piece_cut_to_length(cut_deg):
    shape = cut_to_length(120.0, 30.0, cut_deg, 90.2)
    assert middle_length_mm(quadrilateral(*shape)) == pytest.approx(120.0, abs=1e-4)
    assert corners_as_read(shape)[1].value == pytest.approx(cut_deg)


def test_of_a_fitted_edge():
    """A sagitta over the whole edge, by a parabola through its sawn outline."""
    corners = board((130.0, 60.0), (90.0, 90.0, 90.0), (0.0, 0.0)).corners_mm
    edge = sawn(corners, 5, (0.2, 0.0, 0.0, 0.0))[: int(130 / 0.05)]
    curve = np.polyfit(edge[:, 0], edge[:, 1], 2)[0]
    found = fence_bow(Quantity(-curve * 65**2, 0.01, "mm"), None, 130.0)
    assert found.bow.value == pytest.approx(0.2, abs=0.02)  # it is rough


@pytest.mark.parametrize("lean", [(0.0, 0.0), (0.1, -0.25)])
def test_of_a_board_on_its_edge(lean):
    """The tilt is its corner's; its upper edge stands as high as said in the middle and leans as said."""
    standing = board((100.0, 40.0), (90.0, 90.3, 90.0), turn_deg=90.0, thickness_mm=60.0, lean_deg=lean)
    corner = Quantity(interior_angles_deg(standing.corners_mm)[1], 0.01, "deg")
    assert blade_tilt(OneCut(corner), "left").value == pytest.approx(0.3)
    bare = photo("survey-5").view
    seen = leaning_view(bare, standing).to_image(standing.corners_mm, 60.0)
    along, across = np.array([[0.0, 1.0], [-1.0, 0.0]])  # of edge 0, turned by 90 deg
    away = standing.corners_mm - standing.corners_mm.mean(axis=0)
    high = 60.0 + away @ along * np.tan(np.radians(lean[0])) + away @ across * np.tan(np.radians(lean[1]))
    assert seen == pytest.approx(bare.project(np.column_stack([standing.corners_mm, -high])), abs=0.01)
