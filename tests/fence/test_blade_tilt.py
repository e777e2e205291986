"""The blade's tilt: boards sawn in space by a tilted blade, stood on their edge, and seen from above.

The saw's frame: x to the operator's right, y forward, z up; the table is z = 0. A board is its eight corners; a cut
keeps what lies on one side of the blade's plane. The board is then stood on one of its long edges, and the outline seen
from above is that of its upper edge, with nothing told of how it lay.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fence.test_signs_by_photo import asked_of, piece_of, seen_in, side_of, sled_of
from visioncheck.errors import InputError, UserError
from visioncheck.fence.signs import ButtedHalves, OneCut, blade_tilt
from visioncheck.fence.tilt import advise, offset_at
from visioncheck.fence.typed import compute_typed
from visioncheck.measuring.bevel import tell_bevel
from visioncheck.quantity import Quantity
from visioncheck.results.as_json import reading_json, typed_json
from visioncheck.results.from_json import reading_from_json
from visioncheck.results.schema import validate
from visioncheck.sled.file import parse_sled
from visioncheck.sled.write import default_answers, sled_text

tilts = st.floats(-3.0, 3.0).filter(lambda tilt: abs(tilt) > 1e-3)
fences = st.floats(-0.3, 0.3)
LENGTH, WIDTH, THICK = 200.0, 60.0, 40.0


def sawn_board(tilt_deg, fence_deg, piece, skew_deg=0.0):
    """Section of a board by a tilted blade: the cut's place on each of the four long arrises, and the far end's.

    Corners by name: (far or cut, fence side or front side, bottom or top). The board lies on the fence, turned with it;
    its faces are square to each other but for the top, which is skew along the board.
    """
    turn, lean = math.radians(fence_deg), math.radians(tilt_deg)
    along = np.array([math.cos(turn), math.sin(turn), 0.0])
    across = np.array([-math.sin(turn), math.cos(turn), 0.0])
    away = -1.0 if piece == "left" else 1.0
    normal = np.array([math.cos(lean), 0.0, -math.sin(lean)])  # blade: x = z tan(tilt), top to the right
    corners = {}
    for side, y in (("fence", 0.0), ("front", WIDTH)):
        for level, z in (("bottom", 0.0), ("top", THICK)):
            arris = along + np.array([0.0, 0.0, math.tan(math.radians(skew_deg))]) * (level == "top")
            start = across * y + np.array([0.0, 0.0, z])
            reach = -(normal @ start) / (normal @ arris)
            corners["cut", side, level] = start + reach * arris
            corners["far", side, level] = start + away * LENGTH * arris
    return corners


def seen_standing(corners, on_edge):
    """Outline (4, 2), x right and y down, of the upper edge of the board stood on the other; and its corners' names."""
    up = "front" if on_edge == "fence" else "fence"
    names = [("far", up, "bottom"), ("cut", up, "bottom"), ("cut", up, "top"), ("far", up, "top")]
    upper = np.array([corners[name] for name in names])
    rise = np.mean([corners[name] for name in corners if name[1] == up], axis=0) - np.mean(
        [corners[name] for name in corners if name[1] == on_edge], axis=0
    )
    rise /= np.linalg.norm(rise)
    right = upper[1] - upper[0]
    right = (right - (right @ rise) * rise) / np.linalg.norm(right - (right @ rise) * rise)
    down = np.cross(-rise, right)  # the camera looks along -rise: right, down and away from it are right-handed
    return np.column_stack([upper @ right, upper @ down]), names


def angle_at_table(outline, names):
    at = [name[0] + name[2] for name in names]
    here, far, top = (outline[at.index(key)] for key in ("cutbottom", "farbottom", "cuttop"))
    u, v = far - here, top - here
    return math.degrees(math.acos(float(u @ v) / float(np.linalg.norm(u) * np.linalg.norm(v))))


@pytest.mark.parametrize("piece", ["left", "right"])
@pytest.mark.parametrize("on_edge", ["fence", "front"])
@given(tilt=tilts, fence=fences)
@settings(max_examples=25, deadline=None)
def test_one_piece_on_its_edge(piece, on_edge, tilt, fence):
    """Whichever edge it stands on; a fence that is out by 0.3° changes nothing that matters."""
    outline, names = seen_standing(sawn_board(tilt, fence, piece), on_edge)
    angle = Quantity(angle_at_table(outline, names), 0.0, "deg")
    assert blade_tilt(OneCut(angle), piece).value == pytest.approx(tilt, abs=1e-4)
    assert compute_typed({"bevel": f"{angle.value:.9f}"}, None, piece).error.value == pytest.approx(tilt, abs=1e-4)


def test_it_can_fail():
    outline, names = seen_standing(sawn_board(1.0, 0.0, "left"), "fence")
    angle = Quantity(angle_at_table(outline, names), 0.0, "deg")
    assert angle.value > 90  # a top that leans right leaves the left piece longer above
    assert blade_tilt(OneCut(angle), "right").value == pytest.approx(-1.0, abs=1e-6)


@pytest.mark.parametrize("turned", ["left", "right"])
@pytest.mark.parametrize("on_edge", ["fence", "front"])
@given(tilt=tilts)
@settings(max_examples=25, deadline=None)
def test_halves_with_one_turned_over(turned, on_edge, tilt):
    """Both stood on edge, faces to one straightedge, fresh faces butted: twice the tilt between them."""
    lean = {}
    for piece in ("left", "right"):
        outline, names = seen_standing(sawn_board(tilt, 0.0, piece), on_edge)
        at = {name[0] + name[2]: place for name, place in zip(names, outline, strict=True)}
        face = "bottom" if piece != turned else "top"  # the face that lies at the straightedge
        other = "top" if face == "bottom" else "bottom"
        u, v = at[f"far{face}"] - at[f"cut{face}"], at[f"cut{other}"] - at[f"cut{face}"]
        lean[piece] = math.degrees(math.acos(float(u @ v) / float(np.linalg.norm(u) * np.linalg.norm(v)))) - 90.0
    # from the straightedge both fresh faces run towards each other by what their corners exceed 90°
    wedge = sum(lean.values())
    opens = "straightedge" if wedge > 0 else "far"
    halves = ButtedHalves(Quantity(abs(wedge), 0.0, "deg"), opens, turned)
    assert abs(wedge) == pytest.approx(2 * abs(tilt), abs=1e-9)
    assert blade_tilt(halves).value == pytest.approx(tilt, abs=1e-9)
    typed = compute_typed({"bevel_wedge": f"{abs(wedge):.9f}deg", "turned": turned, "opens": opens})
    assert typed.error.value == pytest.approx(tilt, abs=1e-8)


@pytest.mark.parametrize("piece", ["left", "right"])
@pytest.mark.parametrize("on_edge", ["fence", "front"])
@pytest.mark.parametrize("tilt", [0.4, -0.25])
@pytest.mark.parametrize("orientation", [1, 6])
def test_through_the_way_of_a_photo(piece, on_edge, tilt, orientation):
    corners, names = seen_standing(sawn_board(tilt, 0.1, piece), on_edge)
    middle = corners.mean(axis=0)
    laid = 0.6 * (corners - middle) + [105.0, 148.5]
    x, y = laid.T
    order = [0, 3, 2, 1] if np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) > 0 else [0, 1, 2, 3]
    shape = piece_of(laid[order])
    at = {name[0] + name[2]: place for name, place in zip(names, laid, strict=True)}
    table = side_of([at["farbottom"], at["cutbottom"]], laid.mean(axis=0), orientation)
    cut = side_of([at["cuttop"], at["cutbottom"]], laid.mean(axis=0), orientation)
    sled = sled_of("rear", piece)
    told = {"piece": "bevel", "fence_edge": table, "cut_edge": cut}
    reading = tell_bevel(seen_in(orientation, shape), shape, asked_of(sled, **told)).reading
    assert reading.tilt.value == pytest.approx(tilt, abs=1e-3)
    assert (reading.fence_error, reading.fence_error_size) == (None, None)
    found = reading_json(reading, None, sled)
    validate(found)
    assert "fence_error_deg" not in found
    assert found["tilt"]["leans"] == ("right" if tilt > 0 else "left")
    assert reading_from_json(found).tilt == reading.tilt
    asked = tell_bevel(seen_in(orientation, shape), shape, asked_of(sled, piece="bevel", fence_edge=table)).reading
    assert (asked.tilt, asked.question.code) == (None, "bevel edges")
    opposite = {"top": "bottom", "bottom": "top", "left": "right", "right": "left"}[table]
    with pytest.raises(InputError, match="meet at a corner"):
        tell_bevel(
            seen_in(1 if orientation == 1 else orientation, shape),
            shape,
            asked_of(sled, **told | {"cut_edge": opposite}),
        )


def test_what_a_tilt_asks_for():
    assert advise(Quantity(0.31, 0.02, "deg"), 0.1).advice == "turn it back"
    assert advise(Quantity(-0.31, 0.02, "deg"), 0.1).lean == "left"
    assert advise(Quantity(0.03, 0.02, "deg"), 0.1).advice == "leave it"
    unsure = advise(Quantity(0.12, 0.1, "deg"), 0.1)
    assert (unsure.advice, unsure.lean) == ("measure again", None)
    # 1 mm in 57.3 mm is one degree (a radian has 57.2958°)
    assert offset_at(Quantity(1.0, 0.1, "deg"), 57.2958).value == pytest.approx(1.0, abs=2e-4)
    assert offset_at(Quantity(1.0, 0.1, "deg"), 57.2958).u == pytest.approx(0.1, rel=1e-3)


def test_its_tolerance_is_the_sleds():
    text = sled_text(default_answers("mm"))
    assert parse_sled(text, "s.toml").tilt_tolerance_deg == 0.1
    own = parse_sled(text.replace("[blade]", '[blade]\ntilt_tolerance = "0.25deg"'), "s.toml")
    found = typed_json(compute_typed({"bevel": "90.2"}, own), own)
    validate(found)
    assert (found["tilt"]["tolerance_deg"], found["tilt"]["advice"]) == (pytest.approx(0.25), "turn it back")
    assert "correction" not in found


@pytest.mark.parametrize("nominal", [90.0, 60.0, 45.0])
@pytest.mark.parametrize("tilt", [0.4, -0.4])
def test_typed_from_either_half_of_a_cut_that_is_tilted_on_purpose(nominal, tilt):
    """The two halves' corners make 180° (angles on a line); a lean to the right opens the left one's."""
    for side, corner in (("left", nominal + tilt), ("right", 180 - nominal - tilt)):
        own = nominal if side == "left" else 180 - nominal
        told = compute_typed({"bevel": f"{corner}", "height": "40mm"}, side=side, nominal=own)
        assert told.error.value == pytest.approx(tilt)


def test_what_cannot_be():
    with pytest.raises(InputError, match="within 5° of the 90° that the blade should have made"):
        compute_typed({"bevel": "45"})
    with pytest.raises(InputError, match="turned does not belong to bevel"):
        compute_typed({"bevel": "90", "turned": "left"})
    with pytest.raises(UserError, match="lean the blade by"):
        compute_typed({"bevel_wedge": "11deg", "turned": "left", "opens": "far"})
