"""A phone whose blue and red pictures are larger and smaller than its green one: fixture photos, warped.

400 ppm is the most that was measured on public photos of phones; it moves blue by 1 px in a corner of the picture.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from tests.one_photo import measure_photo
from tests.photo.develop import with_lateral_colour
from visioncheck.camera.from_photos import rig_from_survey
from visioncheck.camera.survey import survey
from visioncheck.measuring.detect import Detection
from visioncheck.photo.load import load_photo
from visioncheck.points.find import find_points

PHOTOS = Path(__file__).parents[2] / "fixtures" / "photos" / "light-a4"
BLUE, RED = -4e-4, 3.2e-4

pytestmark = pytest.mark.photos


def truth_of(name):
    return json.loads((PHOTOS / f"{name}.truth.json").read_text())


def coloured(name):
    photo = load_photo(PHOTOS / f"{name}.jpg")
    camera = truth_of(name)["camera"]
    return replace(photo, bgr=with_lateral_colour(photo.bgr, (camera["cx"], camera["cy"]), BLUE, RED))


@cache
def surveyed():
    photos = [coloured(f"survey-{k}") for k in (1, 2, 4, 5, 6, 8)]
    points = [find_points(photo) for photo in photos]
    height, width = photos[0].bgr.shape[:2]
    found = survey(points, width, height, None)
    return rig_from_survey(found, points, photos[0].exif, None)


def angle_deg(name, rig):
    photo = coloured(name)
    reading = measure_photo(Detection(photo, find_points(photo, colours=False)), rig).reading
    fence, cut = reading.fence_edge, reading.cut_edge
    return reading.corners[fence if (fence - 1) % 4 == cut else cut].angle


def test_the_survey_finds_it():
    blue, green, red = surveyed().lens.lateral
    assert (blue, green, red) == pytest.approx((BLUE, 0.0, RED), abs=2e-5)


@pytest.mark.parametrize("name", ["corner-1", "corner-2"])
def test_edges_are_read_through_it(name):
    angle = angle_deg(name, surveyed())
    assert abs(angle.value - truth_of(name)["truth"]["angle_deg"]) < 2.5 * angle.u < 0.05


def test_a_tag_stays_where_it_is():
    plain = find_points(load_photo(PHOTOS / "corner-1.jpg"), colours=False).tags
    seen = find_points(coloured("corner-1"), colours=False).tags
    assert [tag.id for tag in seen] == [tag.id for tag in plain] != []
    for here, there in zip(seen, plain, strict=True):
        assert np.abs(here.corners_px - there.corners_px).max() < 0.02
