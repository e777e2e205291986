"""The corner between two named edges of work of any shape, for every sled, against pieces sawn on the computer."""

from __future__ import annotations

import numpy as np
import pytest

from tests.fence.cutting import board, cut, edge, regular
from tests.fence.test_signs_by_photo import SAWS, SIGNED, THICK, VIEW, arrow, asked_of, lay, seen_in, shown, sled_of
from visioncheck.edges.trace import Trace
from visioncheck.errors import InputError, Refusal
from visioncheck.measuring.kind import tell_piece
from visioncheck.reading.chain import Chain
from visioncheck.reading.piece import read_piece
from visioncheck.reading.sides import edge_names


def ordered(polygon, laid):
    """Corners as outlines list them, and the names of the sides in that order."""
    corners, names = laid([p for p, _ in polygon]), [name for _, name in polygon]
    x, y = corners.T
    if np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) > 0:
        corners, names = corners[::-1], [*names[::-1][1:], names[-1]]
    return corners, names


def traced(corners, straight):
    """The straight edges of a piece as traced, the others not at all."""
    on_paper = VIEW.foot_mm + (corners - VIEW.foot_mm) / (1 - THICK.value / VIEW.height_mm)
    rng = np.random.default_rng(5)
    traces = []
    for k, (start, end) in enumerate(zip(on_paper, np.roll(on_paper, -1, axis=0), strict=True)):
        along = (end - start) / np.linalg.norm(end - start)
        out = np.array([-along[1], along[0]])
        at = np.linspace(0.02, 0.98, 60)[:, None]
        points = start + at * (end - start) + rng.normal(0, 2e-5, (60, 1)) * out
        if straight[k]:
            traces.append(Trace(points, np.ones(60), 9.0, 1.0, 0.1, out, arris_clear=True, recess_gain=0.0))
    chain, places = Chain.of(straight)
    return read_piece(VIEW, tuple(traces), THICK, chain=chain, rough_mm=on_paper[list(places)])


def letters_as_seen(middles_mm, orientation):
    """Letters of edges by their middles: clockwise in the picture as it is shown, from the one nearest to the top."""
    away = shown(middles_mm, orientation)
    away = away - away.mean(axis=0)
    turn = np.degrees(np.arctan2(away[:, 0], -away[:, 1]))  # from the top, clockwise
    top = int(np.argmin(np.abs(turn)))
    return {int(k): "abcdefgh"[n] for n, k in enumerate(np.argsort((turn - turn[top]) % 360))}


def told_edges(polygon, pair, sled, laid, *, crooked=(), orientation=1, tag=None, **options):
    """Reading of a polygon whose `pair` (edge at the fence, cut) is told by its letters, or by nothing."""
    corners, names = ordered(polygon, laid)
    straight = [name not in crooked for name in names]
    shape = traced(corners, straight)
    kept = [name for name in names if name not in crooked]
    letters = letters_as_seen(np.array([laid(edge(polygon, name)).mean(axis=0) for name in kept]), orientation)
    by_name = {name: letters[k] for k, name in enumerate(kept)}
    seen = seen_in(orientation, shape, tag, edge_names(shape.sides_px, orientation))
    edges = None if pair is None else ",".join(by_name[name] for name in pair)
    return tell_piece(seen, shape, asked_of(sled, edges=edges, **options)).reading, by_name


def right_triangle(e, piece, fence):
    """Half of a triangle, of the saw's making."""
    (half, _) = cut([(0.5 * p, n) for p, n in regular(3)], "old0", 87, e, piece=piece, fence=fence, fresh="fresh")
    return half


def of_five_sides(e, piece, fence):
    house = [((0, 0), "a"), ((200, 0), "b"), ((200, 70), "c"), ((110, 120), "d"), ((0, 60), "f")]
    house = [(np.array(p, float), name) for p, name in house]
    return cut(house, "a", 60, e, piece=piece, fence=fence, fresh="fresh")[0]


def offcut(e, piece, fence):
    return cut(board(260.0, 90.0, 0.8), "a", 120, e, piece=piece, fence=fence, fresh="fresh")[0]


def without_its_corner(e, piece, fence):
    """An offcut whose corner between fence edge and cut is sawn off."""
    whole = offcut(e, piece, fence)
    names = [name for _, name in whole]
    k = next(k for k in range(len(whole)) if {names[k - 1], names[k]} == {"a", "fresh"})
    at, before, after = (whole[i % len(whole)][0] for i in (k, k - 1, k + 1))
    first, second = (at + 25 * (p - at) / np.linalg.norm(p - at) for p in (before, after))
    return [*whole[:k], (first, "sawn off"), (second, names[k]), *whole[k + 1 :]]


MADE = {
    "triangle": (right_triangle, ()),
    "five sides": (of_five_sides, ()),
    "crooked far side": (offcut, ("b", "d")),
    "three of them crooked or not straight": (of_five_sides, ("c", "d")),
    "without its corner": (without_its_corner, ()),
}


@pytest.mark.parametrize(("fence", "piece"), SAWS)
@pytest.mark.parametrize("e", SIGNED)
@pytest.mark.parametrize("made", MADE)
@pytest.mark.parametrize(("turn", "down", "orientation"), [(5.0, False, 1), (-110.0, True, 6), (200.0, False, 8)])
def test_the_corner_between_two_named_edges(fence, piece, e, made, turn, down, orientation):
    make, crooked = MADE[made]
    polygon = make(e, piece, fence)
    laid = lay(polygon, turn, down=down)
    reading, _ = told_edges(
        polygon, ("a" if make is not right_triangle else "old0", "fresh"), sled_of(fence, piece), laid,
        crooked=crooked, orientation=orientation,
    )  # fmt: skip
    assert reading.fence_error.value == pytest.approx(e, abs=1e-3)
    assert reading.piece == "corner"


@pytest.mark.parametrize(("fence", "piece"), SAWS)
@pytest.mark.parametrize("made", ["triangle", "five sides", "crooked far side"])
def test_a_tag_names_the_edge_at_the_fence_and_the_blades_side_the_cut(fence, piece, made):
    make, crooked = MADE[made]
    polygon = make(0.13, piece, fence)
    at_fence = "old0" if make is right_triangle else "a"
    laid = lay(polygon, 12.0)
    middle = laid([np.mean([p for p, _ in polygon], axis=0)])[0]
    start, end = laid(edge(polygon, at_fence))
    square = np.array([[0, -1], [1, 0]]) @ (end - start)
    tag = arrow(middle, square * np.sign(square @ (start - middle))).tag
    reading, _ = told_edges(polygon, None, sled_of(fence, piece), laid, crooked=crooked, tag=tag)
    assert reading.fence_error.value == pytest.approx(0.13, abs=1e-3)


def test_without_either_the_pairs_that_make_a_corner_are_offered():
    polygon = offcut(0.1, "left", "rear")
    laid = lay(polygon, 8.0)
    reading, letters = told_edges(polygon, None, sled_of("rear", "left"), laid, crooked=("d",))
    assert reading.fence_error is None
    assert reading.question.code == "edges"
    met = {tuple(letters[name] for name in pair) for pair in (("a", "fresh"), ("fresh", "c"))}
    both = {",".join(pair) for pair in met} | {",".join(pair[::-1]) for pair in met}
    assert set(reading.question.choices) == both
    assert len(reading.corners) == 2


def test_where_no_straight_edge_lies_on_the_blades_side_the_cut_is_asked():
    polygon = offcut(0.1, "left", "rear")
    laid = lay(polygon, 0.0)
    reading, letters = told_edges(polygon, None, sled_of("rear", "left"), laid, crooked=("fresh",), fence_edge="bottom")
    assert reading.fence_error is None
    assert reading.question.choices == (f"{letters['a']},{letters['d']}",)


def test_edges_that_make_no_corner_or_contradict_are_refused():
    polygon = offcut(0.1, "left", "rear")
    laid, sled = lay(polygon, 0.0), sled_of("rear", "left")
    with pytest.raises(InputError, match="are parallel"):
        told_edges([(p, name) for p, name in board(120.0, 90.0)], ("a", "c"), sled, lay(board(120.0, 90.0), 0.0))
    with pytest.raises(InputError, match="leave one of them out"):
        told_edges(polygon, ("a", "fresh"), sled, laid, fence_edge="top")
    with pytest.raises(InputError, match="a panel has more"):
        told_edges(polygon, ("a", "fresh"), sled, laid, piece="panel")
    with pytest.raises(Refusal) as refusal:
        told_edges(polygon, None, sled, laid, crooked=("d",), piece="panel")
    assert (refusal.value.code, refusal.value.case) == ("other-kind", "edges")
