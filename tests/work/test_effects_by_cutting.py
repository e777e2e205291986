"""Every effect of a fence error proved: the parts are sawn as polygons on a turned fence and put together."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.fence.cutting import board, cut, edge, rotate, seat, turned_over
from visioncheck.work.effects import box, frame, joint, panel

ERRORS = (-1.3, -0.05, 0.2, 1.7)


def fault(work, code, e):
    return next(effect for effect in work.effects if effect.code == code).fault_mm(e)


def off_a_line(polygon, name):
    """How far the named edge stands off y = 0 at its two ends, its lower end on it."""
    y = np.array([p[1] for p in edge(polygon, name)])
    return float(np.ptp(y))


def on_its_end(polygon, edge_name, turn):
    """Turned so that the named long edge stands upright on the table."""
    a, b = edge(polygon, edge_name)
    return rotate(polygon, turn - math.degrees(math.atan2(*(b - a)[::-1])))


@pytest.mark.parametrize("fence", ["rear", "front"])
@pytest.mark.parametrize("piece", ["left", "right"])
@pytest.mark.parametrize("e", ERRORS)
def test_a_sawn_end_on_a_straight_edge(e, piece, fence):
    width = 120.0
    kept, _ = cut(board(width=width), "a", 300, e, piece=piece, fence=fence, fresh="end")
    upright = on_its_end(kept, "a", 90)
    assert off_a_line(upright, "end") == pytest.approx(fault(joint(width), "gap", e), rel=1e-9)


@pytest.mark.parametrize("e", ERRORS)
def test_two_sawn_ends_one_turned_over(e):
    width = 120.0
    halves = [
        cut(board(width=width), "a", 400, e, piece=piece, fence="rear", fresh="end")[0] for piece in ("left", "right")
    ]
    left = seat(halves[0], "a", 0.0, "rear")
    right = seat(turned_over(halves[1]), "c", 0.0, "rear")
    lean = [(b - a)[0] / (b - a)[1] for a, b in (edge(left, "end"), edge(right, "end"))]
    opening = abs(math.degrees(math.atan(lean[1]) - math.atan(lean[0])))
    assert width * math.tan(math.radians(opening)) == pytest.approx(fault(joint(width, 2), "gap", e), rel=1e-9)


@pytest.mark.parametrize("e", ERRORS)
def test_a_panel_sawn_at_both_ends(e):
    width, length = 300.0, 700.0
    one, _ = cut(board(width=width, length=1000), "a", 100, e, piece="left", fence="rear", fresh="first")
    # slid along the fence, the same edge against it
    both, _ = cut(one, "a", length / math.cos(math.radians(e)), e, piece="right", fence="rear", fresh="second")
    a, b = (math.dist(both[k][0], both[k + 2][0]) for k in (0, 1))
    sides = [math.dist(*edge(both, name)) for name in ("a", "first")]
    work = panel(width, sides[0])
    assert abs(a - b) == pytest.approx(fault(work, "diagonals", e), rel=1e-3)
    assert off_a_line(on_its_end(both, "a", 90), "first") == pytest.approx(fault(work, "gap", e), rel=1e-9)


@pytest.mark.parametrize("sides", [3, 4, 6, 8])
@pytest.mark.parametrize("e", [-0.4, 0.03, 0.3])
def test_a_mitred_frame(e, sides):
    """Sticks sawn on a fence that should stand at the mitre, put together one after the other."""
    width, nominal = 50.0, 90 - 180 / sides
    stick, _ = cut(
        board(width=width, length=900), "a", 100, e, piece="left", fence="rear", fresh="m1", nominal_deg=nominal
    )
    turned = turned_over(stick)
    stick, _ = cut(turned, "a", 100, e, piece="left", fence="rear", fresh="m2", nominal_deg=nominal)
    angles = [corner(stick, "a", name) for name in ("m1", "m2")]
    assert angles == pytest.approx([nominal + e] * 2, abs=1e-9)
    # pressed together at its mitre, the next stick turns by twice the mitre's angle from straight
    turn = sum(180 - 2 * angles[0] for _ in range(sides - 1))
    closing = 360 - turn - (180 - 2 * angles[0])  # what the last corner must take beyond its own two mitres
    mitre = width / math.cos(math.pi / sides)
    work = frame(width, sides)
    assert mitre * abs(math.tan(math.radians(closing))) == pytest.approx(fault(work, "last_gap", e), rel=1e-9)
    # clamped at once, each stick in its true place
    assert mitre * abs(math.tan(math.radians(closing / sides))) == pytest.approx(fault(work, "gap", e), rel=1e-9)
    assert math.dist(*edge(stick, "m1")) == pytest.approx(mitre, rel=0.02)


def corner(polygon, first, second):
    a, b = (np.subtract(*edge(polygon, name)) for name in (first, second))
    return math.degrees(math.acos(abs(a @ b) / np.linalg.norm(a) / np.linalg.norm(b)))


def side_board(depth, height, e):
    """A side sawn at both ends, the same edge at the fence; its outline in its own plane, that edge along y = 0."""
    one, _ = cut(board(width=height, length=900), "a", 100, e, piece="left", fence="rear", fresh="back")
    both, _ = cut(one, "a", depth / math.cos(math.radians(e)), e, piece="right", fence="rear", fresh="front")
    both = seat(both, "a", 0.0, "rear")
    return {name: edge(both, name) for name in ("a", "front", "back")}


@pytest.mark.parametrize("e", ERRORS)
def test_a_box_held_upright(e):
    side = side_board(300.0, 100.0, e)
    opening = [abs(np.ptp([p[0] for p in side[name]])) for name in ("front", "back")]
    assert opening == pytest.approx([fault(box(300.0, 100.0), "gap", e)] * 2, rel=1e-9)


@pytest.mark.parametrize("e", ERRORS)
def test_a_box_pulled_tight_in_space(e):
    """The two sides, both with the edge that lay at the fence down and the same face out, put tight to a flat front.

    They lean opposite ways: seen from outside, the left one has its front end on the right, the other on the left.
    """
    depth, height, width = 300.0, 100.0, 450.0
    sides = {}
    for name, x, mirrored in (("left", 0.0, True), ("right", width, False)):
        outline = side_board(depth, height, e)
        front = outline["back"] if mirrored else outline["front"]
        away = -1 if mirrored else 1
        # in the side's plane (y away from the front, z up): along the front end, and along the lower edge
        low, high = sorted(front, key=lambda p: p[1])
        up = np.array([away * (high - low)[0], (high - low)[1]])
        # turn the board until its front end stands plumb on the front
        turn = math.atan2(up[0], up[1])
        c, s = math.cos(turn), math.sin(turn)
        ends = sorted(outline["a"], key=lambda p: abs(p[0] - low[0]))
        run = math.dist(*ends)
        far = np.array([c * run, s * run])
        assert np.array([[c, -s], [s, c]]) @ up == pytest.approx([0, np.linalg.norm(up)], abs=1e-9)
        sides[name] = np.array([x, *far])
    corners = np.array([[0, 0, 0], [width, 0, 0], sides["right"], sides["left"]])
    normal = np.cross(corners[1] - corners[0], corners[2] - corners[0])
    stands_off = abs((corners[3] - corners[0]) @ normal) / np.linalg.norm(normal)
    run = math.dist(sides["left"], corners[0])
    assert stands_off == pytest.approx(fault(box(run, height), "wind", e), rel=1e-9)
    # the back ends are plumb too, so that a flat back closes on both
    assert sides["left"][1] == pytest.approx(sides["right"][1])


@pytest.mark.parametrize("work", [joint(300.0), joint(80.0, 2), panel(300.0, 600.0), box(400.0, 120.0), frame(40.0, 5)])
def test_the_tolerance_is_where_the_fault_is_as_large_as_accepted(work):
    for effect in work.effects:
        for mm in (0.05, 0.4):
            assert effect.fault_mm(-effect.allowed_deg(mm)) == pytest.approx(mm, rel=1e-9)


def test_no_error_makes_diagonals_differ_by_more_than_they_can():
    assert math.isinf(panel(10.0, 10.0).effects[1].allowed_deg(50.0))
