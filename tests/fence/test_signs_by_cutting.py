"""Every sign of the squareness arithmetic, proved by cutting polygons on the computer.

Seen from above: x to the operator's right, y forward, the blade cuts along x = 0, the fence is a line
turned counter-clockwise by e from where it should stand. A polygon is a list of (corner, name of
the edge that leaves it), counter-clockwise.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from visioncheck.fence.signs import ButtedHalves, FourCuts, LastStrip, OneCut, Saw, fence_error, strip_multiple
from visioncheck.fence.squareness import fit_panel, taper_from_widths
from visioncheck.quantity import Quantity

CASES = [(piece, fence) for piece in ("left", "right") for fence in ("rear", "front")]
errors = st.floats(-1.5, 1.5).filter(lambda e: abs(e) > 1e-4)


def direction(angle_deg):
    return np.array([math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))])


def rotate(polygon, angle_deg):
    c, s = direction(angle_deg)
    return [(np.array([[c, -s], [s, c]]) @ p, name) for p, name in polygon]


def shift(polygon, by):
    return [(p + by, name) for p, name in polygon]


def edge(polygon, name):
    """Ends of a named edge, in counter-clockwise order."""
    k = [label for _, label in polygon].index(name)
    return polygon[k][0], polygon[(k + 1) % len(polygon)][0]


def clip(polygon, keep, fresh):
    """The part on one side (+1: x > 0) of the blade; the cut edge is named `fresh`."""
    out = []
    for k, (p, name) in enumerate(polygon):
        q = polygon[(k + 1) % len(polygon)][0]
        p_in, q_in = keep * p[0] > 0, keep * q[0] > 0
        crossing = p + (q - p) * (p[0] / (p[0] - q[0])) if p_in != q_in else None
        if p_in:
            out.append((p, name))
            if not q_in:
                out.append((crossing, fresh))
        elif q_in:
            out.append((crossing, name))
    return out


def interior_angle(polygon, first, second):
    """Interior angle between two neighbouring edges, second following first counter-clockwise."""
    a, b = edge(polygon, first)
    _, c = edge(polygon, second)
    u, v = a - b, c - b
    return math.degrees(math.atan2(v[0] * u[1] - v[1] * u[0], u @ v))


def seat(polygon, name, fence_deg, fence):
    """Turn the polygon so that the named edge lies on the fence, the body in front of it (or behind)."""
    a, b = edge(polygon, name)
    # counter-clockwise, the body lies left of each edge: rear fence, the edge runs rightwards
    want = fence_deg if fence == "rear" else fence_deg + 180
    polygon = rotate(polygon, want - math.degrees(math.atan2(*(b - a)[::-1])))
    return shift(polygon, -edge(polygon, name)[0])


def cut(polygon, on_fence, strip_mm, e, *, piece, fence, fresh, nominal_deg=90.0):
    """One cut taking `strip_mm` off; returns (the piece kept, what falls off), both as they lie on the saw."""
    set_to = (nominal_deg - 90) * (1 if (piece == "left") == (fence == "rear") else -1)
    polygon = seat(polygon, on_fence, set_to + e, fence)
    side = -1 if piece == "left" else 1
    x = np.array([p[0] for p, _ in polygon])
    reach = x.max() - strip_mm if piece == "left" else x.min() + strip_mm
    polygon = shift(polygon, np.array([-reach, 0.0]))
    return clip(polygon, side, fresh), clip(polygon, -side, fresh)


def regular(sides, across=400.0):
    corners = [direction(360 * k / sides) * across / 2 for k in range(sides)]
    return [(p, f"old{k}") for k, p in enumerate(corners)]


def neighbour_names(polygon, name):
    names = [label for _, label in polygon]
    k = names.index(name)
    return names[k - 1], names[(k + 1) % len(names)]


def corner_at(polygon, fence_edge, cut_edge):
    """Interior angle between fence edge and cut edge, whichever comes first counter-clockwise."""
    before, after = neighbour_names(polygon, cut_edge)
    if fence_edge == before:
        return interior_angle(polygon, fence_edge, cut_edge)
    assert fence_edge == after
    return interior_angle(polygon, cut_edge, fence_edge)


@pytest.mark.parametrize(("piece", "fence"), CASES)
@pytest.mark.parametrize("nominal", [45.0, 67.5, 90.0, 120.0])
@given(e=errors)
@settings(max_examples=25, deadline=None)
def test_one_cut(piece, fence, nominal, e):
    board = [(np.array(p, float), n) for p, n in [((0, 0), "a"), ((900, 0), "b"), ((900, 80), "c"), ((0, 80), "d")]]
    kept, _ = cut(board, "a", 300, e, piece=piece, fence=fence, fresh="fresh", nominal_deg=nominal)
    angle = corner_at(kept, "a", "fresh")
    assert fence_error(OneCut(Quantity(angle, 0.0, "deg")), Saw(fence, piece, nominal)).value == pytest.approx(
        e, abs=1e-9
    )


def successive(n, e, piece, fence, sides):
    """Cut n times round a panel; returns (panel, last strip as it lies on the saw, name of the strip's outer edge)."""
    nominal = 180 - 360 / sides
    panel = regular(sides)
    if n <= sides:
        # fewer cuts than sides: the untouched sides must be true to the FIRST cut, so the first cut is made
        # with a true fence edge and the panel then squared to it
        first, last_fresh = 0.0, "old0"
    else:
        first, last_fresh = e, "old0"
    strip, outer = None, None
    for k in range(1, n + 1):
        on_fence = last_fresh
        before, after = neighbour_names(panel, on_fence)
        # the side at the blade: rightwards of the fence edge for a panel on the left of a rear fence, and mirrored
        outer = after if (piece == "left") == (fence == "rear") else before
        fresh = f"cut{k}"
        panel, strip = cut(
            panel, on_fence, 25, first if k == 1 else e, piece=piece, fence=fence, fresh=fresh, nominal_deg=nominal
        )
        last_fresh = fresh
    return panel, strip, outer, last_fresh


def widths(strip, outer, length=100.0):
    """Rear and front width of the strip, `length` apart, square to its fresh edge (which lies on x = 0)."""
    a, b = edge(strip, outer)
    middle = (a[1] + b[1]) / 2
    at = [middle - length / 2, middle + length / 2]
    return [abs(a[0] + (b[0] - a[0]) * (y - a[1]) / (b[1] - a[1])) for y in at]


@pytest.mark.parametrize(("piece", "fence"), CASES)
@pytest.mark.parametrize(
    ("n", "sides", "multiple"),
    [(2, 4, 1), (3, 4, 2), (4, 4, 3), (5, 4, 4), (6, 4, 4), (7, 4, 4), (9, 4, 4), (4, 3, 3), (7, 6, 6), (9, 8, 8)],
)
@given(e=errors)
@settings(max_examples=15, deadline=None)
def test_strip_of_the_last_cut(*, n, sides, multiple, piece, fence, e):
    e /= multiple  # keeps the taper itself small enough that the strip stays a strip
    _, strip, outer, _ = successive(n, e, piece, fence, sides)
    nominal = 180 - 360 / sides
    if sides != 4:
        # a strip off a triangle or hexagon still has two parallel long sides: last cut and the cut a round earlier
        assert outer == "cut1"
    taper = taper_from_widths(widths(strip, outer, 50.0), np.zeros((2, 2)), Quantity(50.0, 0.0, "mm"))
    assert strip_multiple(n, nominal) == multiple
    found = fence_error(LastStrip(taper, "rear", n), Saw(fence, piece, nominal))
    assert found.value == pytest.approx(e, abs=1e-8)
    # the end at the fence is the rear one of a rear fence and the front one of a front fence
    at_fence = taper if fence == "rear" else taper.scaled(-1, "deg")
    assert fence_error(LastStrip(at_fence, "fence", n), Saw(fence, piece, nominal)) == found
    assert fence_error(LastStrip(at_fence.scaled(-1, "deg"), "far", n), Saw(fence, piece, nominal)) == found


@pytest.mark.parametrize(("piece", "fence"), CASES)
@given(e=errors)
@settings(max_examples=25, deadline=None)
def test_four_cut_panel(piece, fence, e):
    e /= 3
    panel, _, _, _ = successive(5, 0.0, piece, fence, 4)  # a true start, so that four cuts remain to be made
    panel = [(p, f"old{k}") for k, (p, _) in enumerate(panel)]
    fresh = "old0"
    for k in range(1, 5):
        panel, _ = cut(panel, fresh, 10, e, piece=piece, fence=fence, fresh=f"cut{k}")
        fresh = f"cut{k}"
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
    _, strip, outer, _ = successive(5, 0.1, piece, fence, 4)
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
    corners = [((0, 0), "a"), ((900, 0), "b"), ((900, 80), "c"), ((0, 80), "d")]
    board = [(np.array(p, float), n) for p, n in corners]
    on_fence, far = "a", "c"
    halves = {}
    for piece in ("left", "right"):
        halves[piece], _ = cut(board, on_fence, 450, e, piece=piece, fence=fence, fresh="fresh")
    # turned over about the board's own length: y changes sign, so does the sense of going round
    flipped = [(p * np.array([1, -1]), n) for p, n in halves[turned]]
    names = [n for _, n in flipped]
    flipped = [(flipped[k][0], names[k - 1]) for k in range(len(flipped))][::-1]
    other = "left" if turned == "right" else "right"
    # both against a straight edge along y = 0, which supports them from below or (front fence) from above
    still = seat(halves[other], on_fence, 0.0, fence)
    over = seat(flipped, far, 0.0, fence)
    lean = {}
    for name, half in ((other, still), (turned, over)):
        a, b = edge(half, "fresh")
        lean[name] = (b - a)[0] / (b - a)[1]  # x per y of the fresh edge
    gap_per_y = lean["right"] - lean["left"]  # how the gap grows forwards
    away = 1 if fence == "rear" else -1
    open_end = "far" if gap_per_y * away > 0 else "straightedge"
    wedge = abs(math.degrees(math.atan(lean["right"]) - math.atan(lean["left"])))
    found = fence_error(ButtedHalves(Quantity(wedge, 0.0, "deg"), open_end, turned), Saw(fence))
    assert found.value == pytest.approx(e, abs=1e-9)
