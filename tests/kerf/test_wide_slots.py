"""Slots and grooves of all widths, painted with shaded side faces, floors and the sheet's print, read or refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.kerf.paint_slot import Painting, painted, true_width
from tests.one_photo import measure_photo
from visioncheck.camera.rig_file import load_rig
from visioncheck.camera.rigid_fit import rigid_view
from visioncheck.edges.side_face import SideFace, depth_seen, shows_sheet, with_sides
from visioncheck.errors import Refusal
from visioncheck.measuring.slot import Scene, Sought, slot_reading, work_region
from visioncheck.outline.find import find_outlines
from visioncheck.photo.light import linear_light
from visioncheck.photo.load import load_photo
from visioncheck.points.find import find_points
from visioncheck.quantity import Quantity

PHOTOS = Path(__file__).parents[2] / "fixtures" / "photos" / "light-a4"
WOODS = {
    "oak": (0.16, 0.29, 0.42),
    "pine": (0.26, 0.42, 0.55),
    "birch": (0.36, 0.55, 0.70),
    "walnut": (0.045, 0.075, 0.12),
    "ash": (0.42, 0.58, 0.68),
}
"""Linear light of top faces, BGR, on a sheet of 0.7."""
_FIELD_MM = (32.0, 38.0, 178.0, 259.0)
"""Within the band of the A4 sheet."""


@pytest.fixture(scope="module")
def rig(rig_file):
    return load_rig(rig_file)


@pytest.fixture(scope="module")
def sheets(rig):
    return bare_sheets(rig)


def bare_sheets(rig) -> dict[str, Scene]:
    """The bare sheet nearly from above, as it is and with its field printed black."""
    photo = load_photo(PHOTOS / "survey-5.jpg")
    points = find_points(photo)
    view = rigid_view(points, rig, "survey-5.jpg").view
    light = Scene(photo, points, view)
    return {"light": light, "dark": replace(light, photo=replace(photo, bgr=blackened(photo.bgr, view)))}


def blackened(bgr, view):
    """The field's light turned over: black ground, white marks."""
    low_x, low_y, high_x, high_y = _FIELD_MM
    corners = view.to_image(np.array([[low_x, low_y], [high_x, low_y], [high_x, high_y], [low_x, high_y]]))
    field = np.zeros(bgr.shape[:2], np.uint8)
    cv2.fillConvexPoly(field, corners.round().astype(np.int32), 1)
    light = linear_light(bgr)
    ink = np.clip(1 - light[..., [1]] / 0.7, 0.03, 1)
    value = np.where(field[..., None] > 0, ink * np.array([0.7, 0.7, 0.7]), light)
    coded = np.where(value <= 0.0031308, 12.92 * value, 1.055 * value ** (1 / 2.4) - 0.055)
    return np.clip(np.round(255 * coded), 0, 255).astype(np.uint8)


def read(scene: Scene, thickness_mm: float, u_mm: float = 0.1, number: int | None = None):
    region = work_region(find_outlines(scene.photo, scene.points, scene.view), "slot")
    return slot_reading(scene, region, Quantity(thickness_mm, u_mm, "mm"), "slot", Sought(number=number), known=True)


def slot(scene: Scene, width: float, seed: int, beside_mm: float, depth: float | None = None) -> Painting:
    """A board with a slot whose middle lies `beside_mm` from the point below the camera, all else by chance."""
    rng = np.random.default_rng(seed)
    turn = rng.uniform(0, 180)
    normal = np.array([-np.sin(np.radians(turn)), np.cos(np.radians(turn))])
    # as near the sheet's middle as that allows
    middle = np.array([105.0, 148.5]) + rng.uniform(-8, 8, 2)
    centre = middle + (beside_mm - (middle - scene.view.foot_mm) @ normal) * normal
    return Painting(
        centre=(float(centre[0]), float(centre[1])),
        turn_deg=float(turn),
        length=66.0,
        breadth=40.0 + width,
        thickness=float(rng.uniform(10, 20)),
        depth=depth,
        slot_length=54.0,
        slot_offset=0.0,
        width_start=width,
        width_end=width + float(rng.uniform(-0.05, 0.05)),
        wood=WOODS[str(rng.choice(list(WOODS)))],
        lamp=(float(rng.uniform(-0.6, 0.6)), float(rng.uniform(-0.6, 0.6))),
        sky=float(rng.uniform(0.3, 0.7)),
        blur_px=float(rng.uniform(0.55, 1.0)),
        sharpening=float(rng.uniform(0, 0.6)),
        seed=seed,
    )


def error_and_stated(scene: Scene, what: Painting) -> tuple[float, float]:
    reading = read(scene, what.thickness)
    middle = np.mean([corner.at_mm for corner in reading.corners], axis=0)
    turn = np.radians(what.turn_deg)
    at = float((middle - what.centre) @ np.array([np.cos(turn), np.sin(turn)])) + what.length / 2
    width = reading.widths[2].width
    return width.value - true_width(what, at), width.expanded()


@pytest.mark.photos
@pytest.mark.parametrize(
    ("width", "sheet", "beside_mm", "seed"),
    [
        (1.6, "light", 20.0, 1),
        (6.35, "dark", -35.0, 5),
        (19.05, "light", 38.0, 8),
        (38.0, "dark", 40.0, 11),
    ],
)
def test_a_slot_of_any_width_is_read_from_either_side(sheets, width, sheet, beside_mm, seed):
    what = slot(sheets[sheet], width, seed, beside_mm)
    error, stated = error_and_stated(painted(sheets[sheet], what), what)
    assert abs(error) <= min(stated, 0.05)
    assert stated < 0.08


@pytest.mark.photos
def test_a_camera_above_the_slot_sees_both_side_faces(sheets):
    what = slot(sheets["light"], 38.0, 12, 0.0)
    error, stated = error_and_stated(painted(sheets["light"], what), what)
    assert abs(error) <= min(stated, 0.06)


@pytest.mark.photos
def test_a_floor_of_wood_in_shade_is_no_top_face(sheets):
    what = replace(slot(sheets["light"], 12.7, 13, 34.0, depth=9.0), lamp=(0.5, 0.0), sky=0.45)
    what = replace(what, lamp=None, shade=0.45)
    error, stated = error_and_stated(painted(sheets["light"], what), what)
    assert abs(error) <= min(stated, 0.06)


@pytest.mark.photos
def test_a_shadow_on_a_lit_floor_is_not_taken_for_a_slot(sheets):
    # a groove 9 mm deep, its floor nearly as light as the top face: the shadow of one wall is 5 mm broad
    what = slot(sheets["light"], 38.0, 14, 12.0, depth=9.0)
    what = replace(what, wood=WOODS["pine"], lamp=(0.0, 0.6), sky=0.46)
    with pytest.raises(Refusal, match="two readings") as refused:
        read(painted(sheets["light"], what), what.thickness)
    assert refused.value.code == "slot-doubtful"


@pytest.mark.photos
@pytest.mark.parametrize(("first_mm", "apart_mm", "wider_mm"), [(-4.0, 8.0, 0.3), (-12.0, 24.0, 0.6)])
def test_of_two_slots_none_is_read(sheets, first_mm, apart_mm, wider_mm):
    what = Painting(breadth=60, slot_offset=first_mm, more_slots=((apart_mm, wider_mm),))
    with pytest.raises(Refusal) as refused:
        read(painted(sheets["light"], what), what.thickness)
    assert (refused.value.code, refused.value.case) == ("slot-doubtful", "several")
    assert refused.value.fields["count"] == 2
    assert len(refused.value.marks.found) == 2


@pytest.mark.photos
@pytest.mark.parametrize(
    ("turn_deg", "first_mm", "apart_mm", "wider_mm"), [(8.0, -9.0, 18.0, 0.4), (98.0, -12.0, 24.0, 9.0)]
)
def test_the_slot_that_was_named_is_read_of_two(sheets, first_mm, apart_mm, wider_mm, turn_deg):
    centre = (105.0, 127.0) if turn_deg < 45 else (105.0, 180.0)
    what = Painting(centre, turn_deg, breadth=70, slot_offset=first_mm, more_slots=((apart_mm, wider_mm),))
    scene = painted(sheets["light"], what)
    # slots along x lie one below the other; turned by a quarter, from the right to the left
    middles = {1: what.width_start, 2: what.width_start + wider_mm}
    in_order = (1, 2) if turn_deg < 45 else (2, 1)
    for number, which in enumerate(in_order, start=1):
        width = read(scene, what.thickness, number=number).widths[2].width
        assert abs(width.value - middles[which]) <= min(width.expanded(), 0.07)
    with pytest.raises(Refusal) as refused:
        read(scene, what.thickness, number=3)
    assert (refused.value.code, refused.value.case) == ("slot-doubtful", "number")
    assert refused.value.marks.names == ("1", "2")


@pytest.mark.photos
def test_of_one_slot_the_first_is_it_and_there_is_no_second(sheets):
    scene, what = painted(sheets["light"], slot(sheets["light"], 3.2, 3, -35.0)), slot(sheets["light"], 3.2, 3, -35.0)
    assert read(scene, what.thickness, number=1).widths == read(scene, what.thickness).widths
    with pytest.raises(Refusal) as refused:
        read(scene, what.thickness, number=2)
    assert refused.value.fields["count"] == 1


@pytest.mark.photos
@pytest.mark.parametrize("lamp", [None, (0.0, 0.6)])
def test_a_lit_floor_is_not_taken_for_the_top_face(sheets, lamp):
    # a groove 12.7 mm wide and 9 mm deep: what is darker, its side face or the shadow on its floor, is narrower
    what = Painting(depth=9, width_start=12.7, width_end=12.7, shade=0.8, lamp=lamp)
    with pytest.raises(Refusal) as refused:
        read(painted(sheets["light"], what), what.thickness)
    assert (refused.value.code, refused.value.case) == ("slot-doubtful", "two readings")


@pytest.mark.photos
@pytest.mark.parametrize(("width", "depth", "shade", "sheet"), [(6.35, 6.0, 0.93, "light"), (12.7, 9.0, 1.0, "dark")])
def test_the_side_face_of_a_groove_with_an_evenly_lit_floor_is_no_slot(sheets, width, depth, shade, sheet):
    what = replace(slot(sheets[sheet], width, 21, 35.0, depth=depth), lamp=None, shade=shade)
    with pytest.raises(Refusal) as refused:
        read(painted(sheets[sheet], what), what.thickness)
    assert refused.value.code == "slot-doubtful"


@pytest.mark.photos
def test_walls_blurred_by_software_are_refused(sheets):
    scene = painted(sheets["light"], slot(sheets["light"], 3.2, 16, 35.0))
    soft = replace(scene, photo=replace(scene.photo, bgr=cv2.GaussianBlur(scene.photo.bgr, (0, 0), 2.0)))
    with pytest.raises(Refusal) as refused:
        read(soft, slot(sheets["light"], 3.2, 16, 35.0).thickness)
    assert refused.value.code == "blur"


@pytest.mark.photos
def test_a_wrong_thickness_contradicts_the_side_face(sheets):
    what = replace(slot(sheets["light"], 19.05, 15, 38.0), thickness=14.0)
    scene = painted(sheets["light"], what)
    reading = read(scene, 14.0)
    assert reading.slot is not None
    assert reading.slot.depth is not None
    assert reading.slot.depth.value == pytest.approx(14.0, abs=2 * reading.slot.depth.u)
    for share in (0.7, 1.35):
        with pytest.raises(Refusal, match=r"depth_mm 1[34]\.\d+") as refused:
            read(scene, 14.0 * share)
        assert refused.value.code == "thickness-contradicted"


@pytest.mark.photos
@pytest.mark.parametrize("thickness_mm", [12.2, 26.0])
def test_a_photo_of_a_narrow_slot_tests_the_thickness_too(rig, thickness_mm):
    # the board is 19.14 mm thick, and 0.6 mm of sheet shows beside the side face
    with pytest.raises(Refusal) as refused:
        measure_photo(PHOTOS / "kerf-2.jpg", rig, Quantity(thickness_mm, 0.1, "mm"), "slot")
    assert refused.value.code == "thickness-contradicted"


@pytest.mark.photos
def test_what_is_left_of_the_thickness_is_in_the_width(rig):
    # as in truth, 19.14 mm; known well, hardly, and not at all
    told = [Quantity(19.1, 0.05, "mm"), Quantity(19.1, 0.4, "mm"), None]
    readings = [measure_photo(PHOTOS / "kerf-2.jpg", rig, each, "slot").reading for each in told]
    widths = [reading.widths[2] for reading in readings]
    slots = [reading.slot for reading in readings]
    parts = [width.budget.get("thickness", 0.0) for width in widths]
    for slot_read, part, u in zip(slots, parts, (0.05, 0.4, 10.0), strict=True):
        assert slot_read is not None
        assert slot_read.depth is not None
        # told and seen weighed by inverse variances (C. F. Gauss, Theoria Combinationis, 1823)
        weighed = (u**-2 + slot_read.depth.u**-2) ** -0.5
        assert part == pytest.approx(abs(slot_read.by_thickness) * weighed, rel=0.05, abs=3e-4)
    assert parts[0] < parts[1] < parts[2] < 0.012
    assert abs(widths[2].width.value - widths[0].width.value) < widths[2].width.expanded()


def test_a_thickness_told_is_weighed_with_what_is_seen():
    side = SideFace(breadth_mm=3.0, away_mm=50.0, floor_tint=0.4, floor_light=0.3)
    seen = depth_seen(side, 300.0)
    halves = with_sides(Quantity(19.0, seen.u, "mm"), (side,), 300.0)
    assert halves.value == pytest.approx(18.5)
    assert halves.u == pytest.approx(seen.u / np.sqrt(2))
    # above a floor of wood it only says how deep the groove is
    assert with_sides(Quantity(19.0, 1.0, "mm"), (replace(side, floor_tint=0.0),), 300.0).value == 19.0


def test_depth_by_similar_triangles():
    # camera 300 mm up; a wall 18 mm high, 47 mm aside: arris seen at 50 mm, foot at 47 mm
    side = SideFace(breadth_mm=50 - 47, away_mm=50.0, floor_tint=0.4, floor_light=0.3)
    assert side.away_mm * (1 - 18 / 300) == pytest.approx(47.0)
    assert depth_seen(side, 300.0).value == pytest.approx(18.0)
    assert shows_sheet(side)
    assert not shows_sheet(replace(side, floor_tint=0.02))
    assert not shows_sheet(replace(side, floor_light=0.005))
