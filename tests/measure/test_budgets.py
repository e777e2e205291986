"""Budgets of every reading of the fixture photos: they name the sources, and they add up."""

from __future__ import annotations

import itertools
import math

import pytest

from tests.conftest import PHOTOS
from tests.one_photo import measure_photo
from visioncheck.camera.rig_file import load_rig
from visioncheck.fence import of_piece
from visioncheck.measuring import piece as measure
from visioncheck.present.budget import better_lines
from visioncheck.quantity import Quantity
from visioncheck.results.budget import budgets_from_reading

pytestmark = pytest.mark.photos

VIEW = {"target points", "print survey", "paper flatness"}


@pytest.fixture(scope="module")
def rig(rig_file):
    return load_rig(rig_file)


def added(parts):
    return math.sqrt(sum(part**2 for part in parts.values()))


@pytest.mark.parametrize("with_rig", [True, False])
@pytest.mark.parametrize(("name", "piece"), [("corner-2", "corner"), ("panel-2", "panel")])
def test_angles(rig, name, piece, with_rig):
    reading = measure_photo(PHOTOS / f"{name}.jpg", rig if with_rig else None, piece=piece).reading
    assert VIEW | {"edge", "hollows", "piece placement"} <= set(reading.budget)
    assert added(reading.budget) == pytest.approx(reading.fence_error.u, rel=1e-3)
    for budget in budgets_from_reading(reading):
        assert better_lines(budget, surveyed=with_rig, turned=False)


def test_taper_and_width(rig):
    told = Quantity(12.3, 0.3, "mm")
    reading = measure_photo(PHOTOS / "strip-1.jpg", rig, told, cuts=5).reading
    assert added(reading.budget) == pytest.approx(reading.taper.u, rel=1e-3)
    # a length needs what no angle does
    assert not {"thickness", "scale"} & set(reading.budget)
    for width in reading.widths:
        assert {"thickness", "scale", "edge", "hollows"} <= set(width.budget)
        assert added(width.budget) == pytest.approx(width.width.u, rel=1e-3)
    # derived: a top face known to 0.3 mm, seen from the camera's height, is a width times 0.3 mm over it too large
    middle = reading.widths[1]
    height = middle.width.value * 0.3 / middle.budget["thickness"]
    assert 250 < height < 450


def test_a_panel_whose_first_cut_is_found_by_its_corners(rig, monkeypatch):
    monkeypatch.setattr(measure, "tag_on", lambda *_: None)
    reading = measure_photo(PHOTOS / "panel-2.jpg", rig, Quantity(6.0, 0.3, "mm"), "panel").reading
    assert reading.fence_edge is None
    assert added(reading.budget) == pytest.approx(reading.fence_error.u, rel=1e-3)


def test_what_the_fit_of_one_order_does_not_hold_is_the_orders(rig):
    reading = measure_photo(PHOTOS / "panel-2.jpg", rig, piece="panel").reading
    seen = measure.see_piece(PHOTOS / "panel-2.jpg", rig, None)
    doubtful = Quantity(reading.fence_error.value, 2 * reading.fence_error.u, "deg")
    # the corners in the order cut, from the edge cut first on towards the second
    step = (reading.cut_edge - reading.fence_edge) % 4
    edges = [(reading.fence_edge + step * k) % 4 for k in range(5)]
    corners = [max(pair) if set(pair) != {0, 3} else 0 for pair in itertools.pairwise(edges)]
    budget = of_piece._panel_budget(seen.shape, reading.panel, corners, doubtful)
    assert added(budget) == pytest.approx(doubtful.u, rel=1e-3)
    assert budget["order of cuts"] > reading.fence_error.u


def test_a_corner_without_a_fence_edge_has_the_budget_of_the_least_certain(rig, monkeypatch):
    monkeypatch.setattr(measure, "tag_on", lambda *_: None)
    reading = measure_photo(PHOTOS / "corner-2.jpg", rig, Quantity(18.0, 0.3, "mm"), "corner").reading
    assert reading.fence_error is None
    assert added(reading.budget) == pytest.approx(max(corner.angle.u for corner in reading.corners), rel=1e-3)


def test_a_wrong_scale_makes_every_length_wrong_in_proportion(rig):
    """The scale's part of a width is the width times the relative uncertainty of the ruled length, whole."""
    told = Quantity(12.3, 0.3, "mm")
    reading = measure_photo(PHOTOS / "strip-1.jpg", rig, told, cuts=5).reading
    for width in reading.widths:
        assert width.budget["scale"] == pytest.approx(width.width.value * rig.scale_u_rel, rel=0.02)
