"""Every sign of the squareness arithmetic, proved by cutting polygons on the computer.

How they are cut is told in `tests/fence/cutting.py`.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fence.cutting import (
    board,
    butted,
    corner_at,
    cut,
    edge,
    four_cuts,
    neighbour_names,
    regular,
    seat,
    successive,
    turned_over,
    wedge_of,
    widths,
)
from visioncheck.fence.signs import ButtedHalves, FourCuts, LastStrip, OneCut, fence_error, strip_multiples
from visioncheck.fence.squareness import fit_panel, taper_from_widths
from visioncheck.quantity import Quantity
from visioncheck.saw import Saw

SIDES = ("left", "right")
CASES = [(piece, fence) for piece in SIDES for fence in ("rear", "front")]
errors = st.floats(-1.5, 1.5).filter(lambda e: abs(e) > 1e-4)


@pytest.mark.parametrize(("piece", "fence"), CASES)
@pytest.mark.parametrize("nominal", [45.0, 67.5, 90.0, 120.0])
@given(e=errors)
@settings(max_examples=25, deadline=None)
def test_one_cut(piece, fence, nominal, e):
    kept, _ = cut(board(), "a", 300, e, piece=piece, fence=fence, fresh="fresh", nominal_deg=nominal)
    angle = corner_at(kept, "a", "fresh")
    assert fence_error(OneCut(Quantity(angle, 0.0, "deg")), Saw(fence, piece, nominal)).value == pytest.approx(
        e, abs=1e-9
    )


def taper_of_last(n, e, piece, fence, panel, first=None):
    """Of the strip of the n-th cut: by how much its rear end is the wider, and which edge its outer side was."""
    _, strip, outer, _ = successive(n, e, piece, fence, panel, first=first)
    return taper_from_widths(widths(strip, outer, 50.0), np.zeros((2, 2)), Quantity(50.0, 0.0, "mm")), outer


@pytest.mark.parametrize(("piece", "fence"), CASES)
@pytest.mark.parametrize(
    ("n", "sides", "outer"),
    [
        (4, 4, "old0"), (5, 4, "cut1"), (6, 4, "cut2"), (7, 4, "cut3"), (9, 4, "cut5"),
        (3, 3, "old0"), (4, 3, "cut1"), (7, 6, "cut1"), (9, 8, "cut1"),
    ],
)  # fmt: skip
@given(e=errors, seed=st.integers(0, 2**32 - 1))
@settings(max_examples=15, deadline=None)
def test_strip_of_a_cut_once_round_hangs_on_no_side_of_the_board(*, n, sides, outer, piece, fence, e, seed):
    e /= sides  # keeps the taper itself small enough that the strip stays a strip
    askew = np.random.default_rng(seed).uniform(-2, 2, (sides, 2))
    taper, lay_outside = taper_of_last(n, e, piece, fence, regular(sides, askew_mm=askew))
    nominal = 180 - 360 / sides
    assert lay_outside == outer
    assert strip_multiples(n, nominal) == (sides,)
    found = fence_error(LastStrip(taper, "rear", n), Saw(fence, piece, nominal))
    assert found.value == pytest.approx(e, abs=1e-8)
    assert found.u == 0
    # the end at the fence is the rear one of a rear fence and the front one of a front fence
    at_fence = taper if fence == "rear" else taper.scaled(-1, "deg")
    assert fence_error(LastStrip(at_fence, "fence", n), Saw(fence, piece, nominal)) == found
    assert fence_error(LastStrip(at_fence.scaled(-1, "deg"), "far", n), Saw(fence, piece, nominal)) == found


@pytest.mark.parametrize(("piece", "fence"), CASES)
@pytest.mark.parametrize(("n", "sides"), [(2, 4), (3, 4), (2, 3), (3, 6)])
@given(e=errors)
@settings(max_examples=15, deadline=None)
def test_an_earlier_strip_hangs_on_the_boards_own_side(*, n, sides, piece, fence, e):
    e /= n
    nominal, panel = 180 - 360 / sides, regular(sides)
    square, _ = taper_of_last(n, e, piece, fence, panel)
    true_to_first_cut, _ = taper_of_last(n, e, piece, fence, panel, first=0.0)
    sign = Saw(fence, piece).sense * (1 if fence == "rear" else -1)
    assert sign * square.value == pytest.approx(n * e, abs=1e-7)
    assert sign * true_to_first_cut.value == pytest.approx((n - 1) * e, abs=1e-7)
    assert strip_multiples(n, nominal) == (n, n - 1)
    for taper in (square, true_to_first_cut):
        found = fence_error(LastStrip(taper, "rear", n), Saw(fence, piece, nominal))
        assert abs(found.value - e) < found.expanded()
        assert found.value * e > 0


def test_boards_as_square_as_their_standard_allows_are_within_the_uncertainty_of_an_early_strip():
    # EN 312 and EN 622-1 (from memory): wood-based panels are square within 2 mm/m
    out = math.degrees(math.atan(0.002))
    held = []
    for multiple in (3, 2):
        for board_out in np.linspace(-out, out, 201):
            taper = Quantity(multiple * 0.05 + board_out, 0.0, "deg")
            found = fence_error(LastStrip(taper, "rear", 3), Saw())
            held.append(abs(found.value - 0.05) < found.expanded())
    assert np.mean(held) >= 0.95
    assert fence_error(LastStrip(Quantity(0.0, 0.0, "deg"), "rear", 3), Saw()).u == pytest.approx(
        out / math.sqrt(3) * (1 / 3 + 1 / 2) / 2, rel=0.01
    )


@pytest.mark.parametrize(("piece", "fence"), CASES)
@given(e=errors)
@settings(max_examples=25, deadline=None)
def test_four_cut_panel(piece, fence, e):
    e /= 3
    panel = four_cuts(e, piece, fence)
    pairs = [("cut1", "cut2"), ("cut2", "cut3"), ("cut3", "cut4"), ("cut4", "cut1")]
    angles = [corner_at(panel, a, b) for a, b in pairs]
    for shear in (False, True):
        fit = fit_panel(angles, np.eye(4) * 1e-6, shear=shear)
        found = fence_error(FourCuts(fit.opening), Saw(fence, piece))
        assert found.value == pytest.approx(e, abs=1e-9)
        assert fit.closure.value == pytest.approx(0, abs=1e-9)
        assert fit.chi2 < 1e-6


@pytest.mark.parametrize(("piece", "fence"), CASES)
def test_rear_and_front_are_swapped_by_the_wrong_sign(piece, fence):
    """The proof above can fail: the strip measured the wrong way round gives −e."""
    _, strip, outer, _ = successive(5, 0.1, piece, fence, regular(4))
    taper = taper_from_widths(widths(strip, outer)[::-1], np.zeros((2, 2)), Quantity(100.0, 0.0, "mm"))
    assert fence_error(LastStrip(taper, "rear", 5), Saw(fence, piece)).value == pytest.approx(-0.1, abs=1e-8)


def test_turning_the_other_way_loses_the_rule():
    """A quarter turn that does not bring the fresh edge to the fence: the strip then depends on the old edges."""
    found = []
    for skew in (0.0, 0.5):
        c = math.tan(math.radians(skew)) * 400
        corners = [((0, 0), "old0"), ((400, 0), "old1"), ((400 - c, 400), "old2"), ((-c, 400), "old3")]
        panel = [(np.array(p, float), n) for p, n in corners]
        names = ["old0", "old3", "old2", "old1", "cut"]
        for on_fence in names[:2]:
            _, outer = neighbour_names(panel, on_fence)
            panel, strip = cut(panel, on_fence, 25, 0.1, piece="left", fence="rear", fresh="cut")
        rear, front = widths(strip, outer)
        found.append(math.degrees(math.atan((rear - front) / 100)))
    assert abs(found[0] - found[1]) > 0.1


@pytest.mark.parametrize("fence", ["rear", "front"])
@pytest.mark.parametrize("turned", ["left", "right"])
@given(e=errors)
@settings(max_examples=25, deadline=None)
def test_halves_turned_over(fence, turned, e):
    wedge = wedge_of(*butted(board(), e, turned, fence))
    away = 1 if fence == "rear" else -1
    open_end = "far" if wedge * away > 0 else "straightedge"
    found = fence_error(ButtedHalves(Quantity(abs(wedge), 0.0, "deg"), open_end, turned), Saw(fence))
    assert found.value == pytest.approx(e, abs=1e-9)
    # signed, towards either end
    at_far = Quantity(away * wedge, 0.0, "deg")
    assert fence_error(ButtedHalves(at_far, "far", turned), Saw(fence)).value == pytest.approx(e, abs=1e-9)


@pytest.mark.parametrize("fence", ["rear", "front"])
@pytest.mark.parametrize("turned", ["left", "right"])
@given(e=errors, taper=st.floats(-1.0, 1.0))
@settings(max_examples=25, deadline=None)
def test_half_of_what_a_boards_edges_run_apart_comes_in(fence, turned, e, taper):
    """The half that was turned lies with its other edge on the straightedge, at which the board is as much askew."""
    wedge = wedge_of(*butted(board(taper_deg=taper), e, turned, fence))
    at_far = Quantity(wedge if fence == "rear" else -wedge, 0.0, "deg")
    found = fence_error(ButtedHalves(at_far, "far", turned), Saw(fence))
    # the opposite edge turned counter-clockwise from the fence edge: e reads too large, whichever half was turned
    assert found.value == pytest.approx(e + taper_between_edges(taper) / 2, abs=1e-9)


def taper_between_edges(taper_deg):
    """Of the board as it is drawn, from its corners."""
    start, end = edge(board(taper_deg=taper_deg), "c")
    return math.degrees(math.atan2(*(start - end)[::-1]))


def test_butted_halves_never_have_the_same_edge_on_the_straightedge():
    """Fresh edges that face each other, one half face down: one half lies on edge a, the other on edge c."""
    halves = {piece: cut(board(), "a", 450, 0.0, piece=piece, fence="rear", fresh="fresh")[0] for piece in SIDES}
    faces_right = {}
    for piece, half in halves.items():
        for down in (False, True):
            for on_straightedge in ("a", "c"):
                laid = seat(turned_over(half) if down else half, on_straightedge, 0.0, "rear")
                middle = np.mean([p for p, _ in laid], axis=0)
                faces_right[piece, down, on_straightedge] = edge(laid, "fresh")[0][0] > middle[0]
    butting = [
        (on, other_on)
        for (piece, down, on), right in faces_right.items()
        for (other, other_down, other_on), other_right in faces_right.items()
        if piece != other and down != other_down and right != other_right
    ]
    assert len(butting) == 8
    assert all(on != other_on for on, other_on in butting)


@pytest.mark.parametrize("fence", ["rear", "front"])
@given(e=errors, taper=st.floats(-1.0, 1.0))
@settings(max_examples=25, deadline=None)
def test_halves_laid_on_each_other_with_the_same_edge_need_no_parallel_board(fence, e, taper):
    """One half turned over end for end and laid on the other, both fence edges to the straightedge: 2 e again."""
    whole = board(taper_deg=taper)
    left, right = (cut(whole, "a", 450, e, piece=piece, fence=fence, fresh="fresh")[0] for piece in SIDES)
    below, above = seat(left, "a", 0.0, fence), seat(turned_over(right), "a", 0.0, fence)
    out = [corner_at(half, "a", "fresh") for half in (below, above)]
    sign = 1 if fence == "rear" else -1
    assert sign * (out[0] - out[1]) / 2 == pytest.approx(e, abs=1e-9)
    # both fresh edges point to the same side, so the two can be held against each other
    facing = [edge(half, "fresh")[0][0] > np.mean([p for p, _ in half], axis=0)[0] for half in (below, above)]
    assert facing[0] == facing[1]
