"""Work that is not four-sided: masks of it, and some of the pictures; `python -m tests.hard.odd RIG.json` reads all."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.hard.odd import ODD, odd_scene
from tests.hard.score import errors_of, read
from visioncheck.camera.rig_file import load_rig
from visioncheck.outline.polygon import polygon_of


def mask_of(outline, shape=(420, 420)):
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(np.asarray(outline) * 16).astype(np.int32)], 1, shift=4)
    return mask


def nothing(mask):
    return np.zeros_like(mask)


def disc(radius, start_deg=0.0, end_deg=360.0):
    turn = np.radians(np.linspace(start_deg, end_deg, 200))
    return 210 + radius * np.column_stack([np.cos(turn), np.sin(turn)])


@pytest.mark.parametrize("name", ODD)
def test_the_straight_sides_of_a_mask(name):
    odd = ODD[name]()
    low = odd.outline.min(axis=0) - 10
    mask = mask_of(2 * (odd.outline - low))
    found = polygon_of(mask, nothing(mask))
    straight = len(odd.corners) - len(odd.bulge) - len(odd.broken)
    assert sum(found.straight) == straight
    places = low + found.corners / 2
    off = np.linalg.norm(odd.corners[:, None] - places[None], axis=2).min(axis=1)
    crooked = {*odd.bulge, *odd.broken, *odd.round_mm}
    sharp = [k for k in range(len(off)) if k not in crooked and (k - 1) % len(off) not in crooked]
    assert off[sharp].max() < 1.0


def test_a_round_thing_has_no_side_and_a_half_disc_no_corner():
    for outline in (disc(60), disc(150), disc(120, 0, 180)):
        mask = mask_of(outline)
        assert polygon_of(mask, nothing(mask)) is None


def test_what_runs_off_the_sheet_is_not_told():
    mask = mask_of([(100, 100), (300, 110), (200, 300)])
    assert polygon_of(mask, nothing(mask)).straight == (True, True, True)
    beyond = nothing(mask)
    beyond[290:] = 1
    assert polygon_of(mask, beyond) is None


def test_sides_interrupted_by_a_pencil_stay_one_side():
    mask = mask_of([(80, 80), (340, 80), (210, 330)])
    cv2.fillPoly(mask, [np.array([[200, 80], [215, 80], [260, 20], [245, 15]])], 1)
    found = polygon_of(mask, nothing(mask))
    assert found.straight == (True, True, True)
    corners = np.array([(80, 80), (340, 80), (210, 330)])
    assert np.linalg.norm(corners[:, None] - found.corners[None], axis=2).min(axis=1).max() < 3


@pytest.mark.photos
@pytest.mark.parametrize(("name", "corners"), [("triangle", 3), ("curved far side", 2), ("cut corner", 5)])
def test_a_photo_of_it_is_read(name, corners, rig_file, tmp_path):
    scene = odd_scene(name)
    reading = read(scene, load_rig(rig_file), tmp_path)
    assert len(reading.corners) == corners
    assert reading.question.code == "edges"
    for error, stated in errors_of(reading, scene):
        assert abs(error) <= stated


def test_a_border_that_goes_along_a_spur_and_back():
    mask = mask_of([(80, 80), (340, 90), (210, 330)])
    for step in range(41):  # a scratch one pixel wide that runs out over the side
        mask[50 + step, 202 - step] = 1
    found = polygon_of(mask, nothing(mask))
    assert sum(found.straight) >= 3
