"""Reference edges that are not straight, and fences that are not: boards sawn and laid together on the computer.

A board's edge is a curve; the board seats on a straight fence with the two places of it that touch. What a photo reads
of the edge is the straight line through all of it.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from visioncheck.errors import InputError
from visioncheck.fence.signs import OneCut, fence_error
from visioncheck.fence.straightness import fence_bow, fence_bow_from_gap, rock_deg, separate
from visioncheck.fence.typed import compute_typed
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading, StraightReading, TwoCuts
from visioncheck.results.as_json import reading_json, typed_json
from visioncheck.results.from_json import reading_from_json
from visioncheck.results.schema import validate
from visioncheck.saw import Saw

LENGTH = 400.0
X = np.linspace(-LENGTH / 2, LENGTH / 2, 2001)
errors = st.floats(-0.4, 0.4)
bumps = st.floats(-0.4, 0.4)


def wavy(bump_mm, at=-0.25):
    """An edge that is hollow, so that it stands on its ends, and lifted at one of them by a bump."""
    return 0.6 * (1 - (2 * X / LENGTH) ** 2) - bump_mm * np.exp(-(((X - at * 2 * LENGTH) / 15) ** 2))


def seat_on_fence(edge):
    """Slope, deg, of the straight line that the edge touches below the board's middle (its lower convex hull there)."""
    low = _touching(edge)
    return math.degrees(math.atan(low))


def _touching(edge):
    hull = [0]
    for k in range(1, len(X)):
        while len(hull) > 1 and _cross(edge, hull[-2], hull[-1], k) <= 0:
            hull.pop()
        hull.append(k)
    j = max(n for n in hull if X[n] <= 0)
    k = min(n for n in hull if X[n] > 0)
    return (edge[k] - edge[j]) / (X[k] - X[j])


def _cross(edge, a, b, c):
    return (X[b] - X[a]) * (edge[c] - edge[a]) - (edge[b] - edge[a]) * (X[c] - X[a])


def read_line(edge):
    """Slope, deg, of the straight line through the whole edge."""
    return math.degrees(math.atan(np.polyfit(X, edge, 1)[0]))


def corner_cut(edge, e, piece, fence):
    """Corner between the edge as it is read and a cut, of a board seated on a fence that is out by e.

    Seen from above, x to the right along the board, y into the board from a rear fence; a front fence mirrors y.
    """
    mirror = 1.0 if fence == "rear" else -1.0
    # the board turns until the touching line lies along the fence
    turned = e - mirror * seat_on_fence(edge)
    line = turned + mirror * read_line(edge)
    opening = line if (piece == "left") == (fence == "rear") else -line
    return 90.0 + opening


@pytest.mark.parametrize("piece", ["left", "right"])
@pytest.mark.parametrize("fence", ["rear", "front"])
@given(e=errors, bump=bumps)
@settings(max_examples=20, deadline=None)
def test_turned_over_end_for_end(piece, fence, e, bump):
    edge = wavy(bump)
    saw = Saw(fence, piece)
    # turned over end for end: the same edge, run through the other way
    found = [
        fence_error(OneCut(Quantity(corner_cut(each, e, piece, fence), 0.0, "deg")), saw) for each in (edge, edge[::-1])
    ]
    parted = separate(*found, "end for end")
    assert parted.error.value == pytest.approx(e, abs=1e-9)
    seat = read_line(edge) - seat_on_fence(edge)
    assert parted.seat.value == pytest.approx(seat if fence == "rear" else -seat, abs=1e-9)


def test_one_cut_cannot_tell():
    edge = wavy(0.4)
    alone = corner_cut(edge, 0.0, "left", "rear") - 90
    assert abs(alone) > 0.01


@given(e=errors, bump=bumps)
@settings(max_examples=20, deadline=None)
def test_a_second_edge_shows_that_there_is_something(e, bump):
    """The true error lies between what a straight and a wavy edge say, or within what the two differ by."""
    first, second = (Quantity(corner_cut(edge, e, "left", "rear") - 90, 0.0, "deg") for edge in (wavy(bump), wavy(0.0)))
    parted = separate(first, second, "second edge")
    assert abs(parted.error.value - e) <= parted.error.u + 1e-12
    assert parted.seat.value == pytest.approx((first.value - second.value) / 2)


def test_what_both_photos_share_does_not_average_out():
    one = Quantity(0.1, math.hypot(0.003, 0.004), "deg")
    own = separate(one, one, "end for end")
    shared = separate(one, one, "end for end", ({"edge": 0.003, "print survey": 0.004},) * 2)
    assert own.error.u == pytest.approx(0.005 / math.sqrt(2))
    assert shared.error.u == pytest.approx(math.hypot(0.003 / math.sqrt(2), 0.004))


@pytest.mark.parametrize("how", ["end for end", "second edge"])
def test_stated_intervals_hold(how):
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(2000):
        e, seat = rng.normal(0, 0.1, 2)
        shared, own = 0.01, 0.02
        common = rng.normal(0, shared)
        other = -seat if how == "end for end" else 0.0
        first, second = (
            Quantity(e + each + common + rng.normal(0, own), math.hypot(shared, own), "deg") for each in (seat, other)
        )
        budgets = ({"edge": own, "print survey": shared},) * 2
        found = separate(first, second, how, budgets).error
        held += abs(found.value - e) <= found.expanded()
    # of two edges one is straight here, and what they differ by is a bound, not a standard deviation
    assert 0.92 <= held / 2000 <= (0.99 if how == "end for end" else 1.0)


@given(hollow=st.floats(-0.5, 0.5), sheet=st.floats(-0.3, 0.3))
@settings(max_examples=20, deadline=None)
def test_straight_edge_reversal(hollow, sheet):
    """Part = (m1 + m2)/2 and guide = (m1 - m2)/2 (straight-edge reversal, textbooks of metrology; from memory)."""
    shape = 1 - (2 * X / LENGTH) ** 2
    fence = -hollow * shape  # away from the work in its middle where it is hollow
    edge = fence.copy()  # planed to fit it
    guide = sheet * shape
    # outwards is -y; after half a turn the edge faces +y and lies on the same guide
    bows = [_sagitta(-(edge + guide)), _sagitta(-(edge[::-1]) + guide)]
    found = fence_bow(*(Quantity(bow, 0.01, "mm") for bow in bows), LENGTH)
    assert found.bow.value == pytest.approx(hollow, abs=1e-9)
    assert found.sheet.value == pytest.approx(-sheet, abs=1e-9)
    assert found.bow.u == pytest.approx(0.01)  # the same wood in both photos: JCGM 100, 5.2.2, correlation 1
    # two boards that fit it, edge to edge: apart by twice the bow
    gap = -2 * edge
    apart = gap - gap.min()
    opens = "middle" if apart[1000] > apart[0] else "ends"
    both = fence_bow_from_gap(Quantity(float(apart.max()), 0.02, "mm"), opens, LENGTH)
    assert abs(both.bow.value) == pytest.approx(abs(hollow), abs=1e-9)


def test_a_reversal_is_no_surer_than_the_poorer_of_its_readings():
    """JCGM 100:2008, 5.2.2, note 1: what is wholly correlated adds up linearly."""
    bow = fence_bow(Quantity(0.1, 0.02, "mm", 4), Quantity(0.1, 0.01, "mm", 9), LENGTH).bow
    assert bow.u == pytest.approx(0.015)
    assert bow.dof == 4


def _sagitta(outwards):
    return float(outwards[1000] - (outwards[0] + outwards[-1]) / 2)


def test_two_fitted_boards_gape_in_the_middle_where_the_fence_bulges():
    shape = 1 - (2 * X / LENGTH) ** 2
    bulge = 0.2 * shape  # the fence's middle towards the work (y into the work)
    board = bulge  # its edge follows: hollow
    other = -board  # the second one, turned over against it
    apart = board - other
    assert apart[1000] > apart[0]
    assert fence_bow_from_gap(Quantity(0.4, 0.02, "mm"), "middle", LENGTH).bow.value == pytest.approx(-0.2)
    typed = compute_typed({"edge_gap": "0.4mm", "length": "400mm", "opens": "middle"})
    assert (typed.kind, typed.fence_bow.bow.value) == ("straight", pytest.approx(-0.2))
    validate(typed_json(typed, None))


def test_a_bulging_edge_rolls():
    """By the slope of a parabola at its ends, 4 s / L: 0.1 mm in 400 mm is 0.057°."""
    assert rock_deg(Quantity(0.1, 0.0, "mm"), 400.0) == pytest.approx(math.degrees(0.001), rel=1e-6)
    assert rock_deg(Quantity(-0.1, 0.0, "mm"), 400.0) == 0.0


def test_typed_and_kept():
    found = compute_typed({"angle": "90.15", "again": "90.05", "recut": "end for end", "u": "0.01"})
    assert found.error.value == pytest.approx(0.10)
    assert found.two_cuts[2].seat.value == pytest.approx(0.05)
    kept = typed_json(found, None)
    validate(kept)
    assert kept["two_cuts"]["how"] == "end for end"
    for given_, said in (
        ({"angle": "90.1", "again": "90.2"}, "also needs recut"),
        ({"angle": "90.1", "recut": "end for end"}, "goes with again"),
        ({"angle": "90.1", "again": "90.2", "recut": "twice"}, "must be end for end or second edge"),
        ({"angle": "90.1", "again": "45", "recut": "second edge"}, "not within 5°"),
    ):
        with pytest.raises(InputError, match=said):
            compute_typed(given_)
    q = Quantity(0.1, 0.01, "deg")
    reading = Reading("a.jpg", "corner", (), (), fence_error=q, two_cuts=TwoCuts("b.jpg", "second edge", q, q, q))
    validate(reading_json(reading))
    bow = Reading("a.jpg", "straight", (), (), straight=StraightReading(Quantity(0.1, 0.01, "mm"), 300.0))
    validate(reading_json(bow))
    assert "fence_error_deg" not in reading_json(bow)
    assert reading_from_json(reading_json(bow)) is None  # nothing of it stands in the picture
