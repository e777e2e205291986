"""Every kind of piece through the way of a photo, for every sled, against pieces sawn on the computer.

The pieces are put under an invented lens as edge stations; the program's own fits, readings, choice of edges and signs
take it from there, as they do for traced edges. What the user says is told by where things lie in the picture.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tests.camera.scene import HEIGHT, WIDTH, pose
from tests.fence.cutting import board, butted, cut, edge, four_cuts, regular, successive
from tests.report.hand_made import SLED
from visioncheck.edges.trace import Trace
from visioncheck.errors import UserError
from visioncheck.fence.typed import compute_typed
from visioncheck.measuring.gap import tell_gap
from visioncheck.measuring.kind import tell_piece
from visioncheck.measuring.options import PieceOptions
from visioncheck.measuring.piece import SeenPiece
from visioncheck.measuring.request import MeasureRequest, SledFile
from visioncheck.measuring.tags import Arrow
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading
from visioncheck.reading.piece import read_corners, read_edges, read_piece, read_taper

SAWS = [(fence, piece) for fence in ("rear", "front") for piece in ("left", "right")]
SIGNED = (0.13, -0.07)
TURNS = (5.0, -110.0)
THICK = Quantity(18.0, 0.3, "mm")
VIEW = pose(8.0, 5.0, 30.0, (105.0, 148.5), 900.0)
SIZE = np.array([WIDTH, HEIGHT])


def sled_of(fence, piece):
    return replace(SLED, fence_side=fence, piece_side=piece)


class Laid:
    """Points of the saw's frame laid on the sheet: turned, and face down where `down`."""

    def __init__(self, middle, turn_deg, *, down=False):
        self._middle, turn = np.asarray(middle), math.radians(turn_deg)
        self._turn = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
        self._flip = np.array([-1.0 if down else 1.0, -1.0])  # y forward becomes y down

    def __call__(self, points):
        return ((np.asarray(points) - self._middle) * self._flip) @ self._turn.T + [105.0, 148.5]


def outline(corners):
    """Listed as outlines are: the outside at (-y, x) of each side; and how the given order was changed."""
    x, y = np.asarray(corners).T
    backwards = np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) > 0
    order = [0, 3, 2, 1] if backwards else [0, 1, 2, 3]
    return np.asarray(corners)[order], order


def piece_of(corners):
    """A piece on the top face, as traced edges give it; `corners` on the plane of the top face."""
    rng = np.random.default_rng(5)
    on_paper = VIEW.foot_mm + (corners - VIEW.foot_mm) / (1 - THICK.value / VIEW.height_mm)
    traces = []
    for start, end in zip(on_paper, np.roll(on_paper, -1, axis=0), strict=True):
        along = (end - start) / np.linalg.norm(end - start)
        out = np.array([-along[1], along[0]])
        points = start + np.linspace(0.02, 0.98, 60)[:, None] * (end - start) + rng.normal(0, 2e-5, (60, 1)) * out
        traces.append(Trace(points, np.ones(60), 9.0, 1.0, 0.1, out, arris_clear=True, recess_gain=0.0))
    return read_piece(VIEW, tuple(traces), THICK)


def shown(points_mm, orientation=1):
    """Places in the picture as it is shown (EXIF 2.3, table 4.6.4 A: 1, 3, 6 and 8)."""
    x, y = VIEW.to_image(np.asarray(points_mm), THICK.value).T
    turned = {1: (x, y), 3: (-x, -y), 6: (-y, x), 8: (y, -x)}[orientation]
    return np.stack(turned, axis=1)


def side_of(points_mm, middle_mm, orientation=1):
    """The side of the picture as it is shown that points lie on, from a middle."""
    x, y = shown([np.mean(points_mm, axis=0)], orientation)[0] - shown([middle_mm], orientation)[0]
    if abs(x) > abs(y):
        return "left" if x < 0 else "right"
    return "top" if y < 0 else "bottom"


def seen_in(orientation, shape, tag=None, names=()):
    photo = SimpleNamespace(path=SimpleNamespace(name="a.jpg"), exif=SimpleNamespace(orientation=orientation))
    return SeenPiece(photo, ("a4", "light", 0), shape, tag, THICK, (), names=names)


def asked_of(sled, **options):
    return MeasureRequest(Path("a.jpg"), sled_file=SledFile(sled, ""), options=PieceOptions(**options))


def told(polygon, at_fence, kind, sled, laid, *, orientation=1, cuts=None, tag=None):
    """Reading of a four-sided polygon, the user having said where the edge at the fence lies in the picture."""
    corners, _ = outline(laid([p for p, _ in polygon]))
    said = None if at_fence is None else side_of(laid(edge(polygon, at_fence)), corners.mean(axis=0), orientation)
    shape = piece_of(corners)
    request = asked_of(sled, piece=kind, fence_edge=said, cuts=cuts)
    return tell_piece(seen_in(orientation, shape, tag), shape, request).reading


def lay(polygon, turn_deg, *, down=False):
    return Laid(np.mean([p for p, _ in polygon], axis=0), turn_deg, down=down)


@pytest.mark.parametrize(("fence", "piece"), SAWS)
@pytest.mark.parametrize("e", SIGNED)
@pytest.mark.parametrize(("turn", "orientation"), [(5.0, 1), (5.0, 6), (-110.0, 3), (-110.0, 8)])
def test_corner(fence, piece, e, turn, orientation):
    offcut, _ = cut(board(260.0, 90.0, 0.8), "a", 120, e, piece=piece, fence=fence, fresh="fresh")
    reading = told(offcut, "a", "corner", sled_of(fence, piece), lay(offcut, turn), orientation=orientation)
    assert reading.fence_error.value == pytest.approx(e, abs=1e-3)
    assert not reading.assumed


@pytest.mark.parametrize(("fence", "piece"), SAWS)
@pytest.mark.parametrize("e", SIGNED)
@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("down", [False, True])
@pytest.mark.parametrize("first", ["cut1", None])
def test_panel(fence, piece, e, turn, down, first):
    panel = [(0.35 * p, name) for p, name in four_cuts(e, piece, fence)]
    reading = told(panel, first, "panel", sled_of(fence, piece), lay(panel, turn, down=down))
    assert reading.fence_error.value == pytest.approx(e, abs=1e-3)


@pytest.mark.parametrize(("fence", "piece"), SAWS)
@pytest.mark.parametrize("e", SIGNED)
@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("down", [False, True])
@pytest.mark.parametrize("cuts", [3, 4, 5])
def test_strip(fence, piece, e, turn, down, cuts):
    _, strip, outer, _ = successive(cuts, e, piece, fence, regular(4))
    strip = [(0.6 * p, name) for p, name in strip]
    at_fence = f"cut{cuts - 1}"
    sled = sled_of(fence, piece)
    reading = told(strip, at_fence, "strip", sled, lay(strip, turn, down=down), cuts=cuts)
    # before the fourth cut the board's own side comes in: 3 e of a square one, and 2 e is possible as well
    told_of_e = 3 * (1 / 3 + 1 / 2) / 2 if cuts == 3 else 1.0
    assert reading.fence_error.value == pytest.approx(told_of_e * e, abs=1.5e-3)
    assert ("outer-side" in [doubt.code for doubt in reading.doubts]) == (cuts == 3)
    whole = math.sqrt(sum(part**2 for part in reading.budget.values()))
    assert whole == pytest.approx(reading.fence_error.u if cuts == 3 else reading.taper.u, rel=1e-6)
    # the same as typed: widths near both ends, from callipers
    a, b = sorted(edge(strip, outer), key=lambda p: p[1])
    given = {"rear": abs(a[0]), "front": abs(b[0]), "length": b[1] - a[1]}
    given = {key: f"{mm:.4f}mm" for key, mm in given.items()} | {"cuts": str(cuts)}
    assert compute_typed(given, sled).error.value == pytest.approx(reading.fence_error.value, abs=1e-3)


def gap_between(left, right, laid):
    """Reading of the gap: right wall, end, left wall, start; and where the straightedge lay in the picture."""
    a, b = (np.array(sorted(edge(half, "fresh"), key=lambda p: p[1])) for half in (left, right))
    corners, _ = outline(laid([b[0], b[1], a[1], a[0]]))
    if np.linalg.norm(corners[1] - corners[0]) < 20:  # an outline of a gap begins with a wall
        corners = np.roll(corners, -1, axis=0)
    shape = piece_of(corners)
    return Reading("gap.jpg", "gap", read_edges(shape), read_corners(shape), taper=read_taper(shape))


def middle_of(half):
    return np.mean([p for p, _ in half], axis=0)


@pytest.mark.parametrize("fence", ["rear", "front"])
@pytest.mark.parametrize("turned", ["left", "right"])
@pytest.mark.parametrize("e", SIGNED)
@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("orientation", [1, 6])
def test_gap(fence, turned, e, turn, orientation):
    left, right = butted(board(200.0, 80.0), e, turned, fence, clearance=1.5)
    laid = Laid((middle_of(left) + middle_of(right)) / 2, turn)
    reading = gap_between(left, right, laid)
    still = left if turned == "right" else right
    at_straightedge, middle = laid(edge(still, "a")), laid([middle_of(left), middle_of(right)]).mean(axis=0)
    along = np.array([0.0, -1.0 if fence == "rear" else 1.0])
    side = side_of(laid([(middle_of(left) + middle_of(right)) / 2 + 40 * along]), middle, orientation)
    sled = sled_of(fence, "left")
    found = tell_gap(reading, None, sled, side, turned, orientation)
    assert found.fence_error.value == pytest.approx(e, abs=1e-3)
    assert found.fence_error.u == pytest.approx(reading.taper.u / 2)
    # the wall called the left half's is the left half's
    near = [np.linalg.norm(found.edges[found.left_half].start_mm - p) for p in laid(edge(left, "fresh"))]
    other = [np.linalg.norm(found.edges[found.left_half].start_mm - p) for p in laid(edge(right, "fresh"))]
    assert min(near) < min(other)
    # the widest place of the gap lies at its open end
    ends = {k: np.linalg.norm(found.edges[k].end_mm - found.edges[k].start_mm) for k in (1, 3)}
    assert found.open_end == max(ends, key=ends.get)
    # without what was told: the size, and the question
    asked = tell_gap(reading, None, sled, None, None, orientation)
    assert asked.fence_error is None
    assert asked.fence_error_size.value == pytest.approx(abs(e), abs=1e-3)
    assert asked.question.code == "half and straightedge"
    assert asked.question.choices == (asked.ways[1], asked.ways[3])
    assert side in {asked.ways[1], asked.ways[3]}
    # a tag on the half that was not turned tells both
    tag = arrow(laid([middle_of(still)])[0], at_straightedge.mean(axis=0) - laid([middle_of(still)])[0])
    assert tell_gap(reading, tag, sled, None, None, orientation).fence_error == found.fence_error
    wrong_half = arrow(laid([middle_of(right if still is left else left)])[0], tag.up)
    with pytest.raises(UserError, match=f"the {turned} half is said .* but the tag lies on it"):
        tell_gap(reading, wrong_half, sled, None, turned, orientation)
    wrong_way = arrow(laid([middle_of(still)])[0], -tag.up)
    with pytest.raises(UserError, match=rf"the {side} edge .* at the fence .*, but the tag's arrow"):
        tell_gap(reading, wrong_way, sled, side, turned, orientation)


class arrow(Arrow):  # noqa: N801 - stands for a function
    """A tag at a place on the top face with its arrow along `up`."""

    def __init__(self, at_mm, up):
        up = np.asarray(up) / np.linalg.norm(up)
        across = np.array([-up[1], up[0]])
        corners = at_mm + 10 * np.array([up - across, up + across, -up + across, -up - across])
        object.__setattr__(self, "up", up)
        super().__init__(SimpleNamespace(corners_px=VIEW.to_image(corners, THICK.value), id=222), VIEW, THICK.value)


@pytest.mark.parametrize("kind", ["corner", "strip"])
def test_what_is_said_against_the_tags_arrow_is_refused_and_both_are_named(kind):
    if kind == "corner":
        piece, _ = cut(board(260.0, 90.0), "a", 120, 0.1, piece="left", fence="rear", fresh="fresh")
        at_fence, other = "a", "c"
    else:
        _, piece, _, _ = successive(5, 0.1, "left", "rear", regular(4))
        at_fence, other = "cut4", "cut2"
    piece = [(0.6 * p, name) for p, name in piece]
    laid, middle = lay(piece, 12.0), middle_of(piece)
    there = laid(edge(piece, at_fence)).mean(axis=0) - laid([middle])[0]
    tag = arrow(laid([middle])[0], there).tag
    sled = sled_of("rear", "left")
    agreed = told(piece, at_fence, kind, sled, laid, cuts=5, tag=tag)
    assert agreed.fence_error == told(piece, None, kind, sled, laid, cuts=5, tag=tag).fence_error
    with pytest.raises(UserError, match=r"the top edge .* tag's arrow points to the bottom one"):
        told(piece, other, kind, sled, laid, cuts=5, tag=tag)


def test_a_tag_across_a_strip_tells_no_end_and_contradicts_none():
    _, strip, _, _ = successive(5, 0.1, "left", "rear", regular(4))
    strip = [(0.6 * p, name) for p, name in strip]
    laid, sled = lay(strip, 0.0), sled_of("rear", "left")
    across = arrow(laid([middle_of(strip)])[0], laid(edge(strip, "cut1")).mean(axis=0) - laid([middle_of(strip)])[0])
    assert told(strip, None, "strip", sled, laid, cuts=5, tag=across.tag).question
    found = told(strip, "cut4", "strip", sled, laid, cuts=5, tag=across.tag)
    assert found.fence_error.value == pytest.approx(0.1, abs=1e-3)


def test_a_long_piece_askew_is_named_by_how_its_edges_face_not_by_how_far_out_they_lie():
    _, strip, _, _ = successive(5, 0.1, "left", "rear", regular(4))
    strip = [(0.6 * p, name) for p, name in strip]
    laid, sled = lay(strip, 20.0), sled_of("rear", "left")
    corners, _ = outline(laid([p for p, _ in strip]))
    shape = piece_of(corners)
    for side in ("left", "right"):
        request = asked_of(sled, piece="strip", fence_edge=side, cuts=5)
        reading = tell_piece(seen_in(1, shape), shape, request).reading
        assert reading.fence_error is None
        assert sorted(reading.question.choices) == ["bottom", "top"]


@pytest.mark.parametrize("kind", ["corner", "gap"])
def test_without_a_sled_what_was_assumed_is_kept_with_the_answer(kind):
    if kind == "gap":
        left, right = butted(board(200.0, 80.0), 0.1, "right", "rear", clearance=1.5)
        laid = Laid((middle_of(left) + middle_of(right)) / 2, 0.0)
        reading = tell_gap(gap_between(left, right, laid), None, None, "top", "right", 1)
        assert reading.assumed == {"fence": "rear"}
    else:
        offcut, _ = cut(board(260.0, 90.0), "a", 120, 0.1, piece="left", fence="rear", fresh="fresh")
        reading = told(offcut, "a", "corner", None, lay(offcut, 0.0))
        assert reading.assumed == {"fence": "rear", "piece_side": "left"}
        assert told(offcut, None, "corner", None, lay(offcut, 0.0)).assumed == {}
