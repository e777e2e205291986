from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from tests.points.scene import page, shoot, through, tilted
from visioncheck.camera.lens import Lens
from visioncheck.camera.view import RigidView
from visioncheck.errors import Refusal
from visioncheck.photo.load import load_photo
from visioncheck.points.find import find_points
from visioncheck.printed.layout import target_layout

LAYOUT = target_layout("a4")
PHOTOS = Path(__file__).parents[2] / "fixtures" / "photos" / "light-a4"


@cache
def dots(field="light", sheet=0, paper="a4"):
    return page(target_layout(paper), sheet, field)


@cache
def plain(field="light", roll_deg=7.0, tilt_deg=20.0):
    homography, size = tilted(LAYOUT, roll_deg=roll_deg, tilt_deg=tilt_deg)
    return shoot(dots(field), homography, size), homography


def errors_of(points, homography, layout=LAYOUT):
    return points.xy_px - through(homography, layout.saddles_mm[points.index])


@pytest.mark.parametrize(
    ("field", "roll_deg", "tilt_deg"), [("light", 7, 20), ("dark", 7, 20), ("light", 123, 5), ("light", 45, 30)]
)
def test_places_are_unbiased_and_their_uncertainty_is_honest(field, roll_deg, tilt_deg):
    photo, homography = plain(field, roll_deg, tilt_deg)
    points = find_points(photo)
    error = errors_of(points, homography)
    assert points.paper == "a4"
    assert points.field == field
    assert len(points.index) > 110
    assert np.abs(error.mean(axis=0)).max() < 0.006
    assert np.hypot(*error.T).max() < 0.15
    scatter = np.sqrt((error**2).mean(axis=1)) / points.u_px
    assert 0.7 < np.sqrt(np.mean(scatter**2)) < 1.6


def test_the_three_channels_agree_where_they_show_the_same():
    points = find_points(plain()[0])
    assert np.allclose(points.blue_px, points.xy_px, atol=0.005)
    assert np.allclose(points.red_px, points.xy_px, atol=0.005)


def test_a_channel_that_is_moved_is_read_as_moved():
    photo, _ = plain()
    moved = photo.bgr.copy()
    moved[:, 1:, 2] = moved[:, :-1, 2].copy()
    points = find_points(replace(photo, bgr=moved))
    assert np.allclose(points.red_px - points.xy_px, [1, 0], atol=0.02)


@pytest.mark.parametrize("sheet", [0, 3])
def test_the_sheet_is_named_by_its_markers(sheet):
    homography, size = tilted(LAYOUT)
    assert set(find_points(shoot(dots(sheet=sheet), homography, size)).sheet) == {sheet}


@pytest.mark.parametrize("paper", ["letter", "a3", "tabloid"])
def test_the_paper_is_told_from_where_the_markers_stand(paper):
    layout = target_layout(paper)
    homography, size = tilted(layout, px_per_mm=6.0)
    points = find_points(shoot(dots(paper=paper), homography, size))
    assert points.paper == paper
    assert np.hypot(*errors_of(points, homography, layout).T).max() < 0.2


def test_covered_points_do_not_pass():
    """A board whose edge runs straight through a column of marks: half of each mark shows."""
    homography, size = tilted(LAYOUT, roll_deg=0.0, tilt_deg=0.0)
    truth = through(homography, LAYOUT.saddles_mm)
    mark = truth[len(LAYOUT.band_corners) + 3]
    rows, columns = np.mgrid[: size[1], : size[0]]
    for nudge in (-6, -3, 0, 3, 6):
        cover = (columns > mark[0] + nudge) & (np.abs(rows - size[1] / 2) < size[1] / 4)
        points = find_points(shoot(dots(), homography, size, cover=cover))
        at = np.round(truth[points.index]).astype(int)
        assert not cover[at[:, 1], at[:, 0]].any()
        assert np.hypot(*errors_of(points, homography).T).max() < 0.15


def test_a_hard_shadow_across_marks_moves_none_that_passes():
    homography, size = tilted(LAYOUT, roll_deg=0.0, tilt_deg=0.0)
    mark = through(homography, LAYOUT.saddles_mm)[len(LAYOUT.band_corners) + 3]
    rows, columns = np.mgrid[: size[1], : size[0]]
    for nudge in (-2, -1, 0, 1, 2):
        light = np.where(columns + 0.3 * (rows - mark[1]) > mark[0] + nudge, 0.45, 1.0)
        points = find_points(shoot(dots(), homography, size, light=light))
        assert len(points.index) > 90
        assert np.hypot(*errors_of(points, homography).T).max() < 0.2


def test_part_of_the_sheet_out_of_the_picture():
    photo, homography = plain()
    half = replace(photo, bgr=np.ascontiguousarray(photo.bgr[: photo.bgr.shape[0] // 2]))
    points = find_points(half)
    assert 40 < len(points.index) < 120
    assert np.hypot(*errors_of(points, homography).T).max() < 0.15


def test_a_mirrored_picture_is_said_to_be_mirrored():
    photo, _ = plain()
    with pytest.raises(Refusal) as refusal:
        find_points(replace(photo, bgr=np.ascontiguousarray(photo.bgr[:, ::-1])))
    assert refusal.value.code == "mirrored"


@pytest.mark.parametrize("levels", [0, 128, 255, "noise"])
def test_a_picture_without_target(levels):
    photo, _ = plain()
    random = np.random.default_rng(1)
    shape = (400, 600, 3)
    bgr = random.integers(0, 256, shape, np.uint8) if levels == "noise" else np.full(shape, levels, np.uint8)
    with pytest.raises(Refusal) as refusal:
        find_points(replace(photo, bgr=bgr))
    assert refusal.value.code == "no-target"


def test_too_few_points():
    photo, homography = plain()
    corner = through(homography, LAYOUT.saddles_mm[[0]])[0]
    keep = np.zeros(photo.bgr.shape[:2], bool)
    keep[: int(corner[1]) + 320, : int(corner[0]) + 420] = True
    with pytest.raises(Refusal, match="of the target") as refusal:
        find_points(replace(photo, bgr=np.where(keep[..., None], photo.bgr, 90).astype(np.uint8)))
    assert refusal.value.code == "few-points"


@pytest.mark.photos
@pytest.mark.parametrize(("name", "least"), [("survey-1", 150), ("corner-1", 95)])
def test_photos_with_exact_truth(name, least):
    truth = json.loads((PHOTOS / f"{name}.truth.json").read_text())
    camera = truth["camera"]
    terms = np.array([camera["f"], camera["cx"], camera["cy"], *camera["k1k2p1p2k3"]])
    view = RigidView(Lens(camera["width"], camera["height"], terms), np.zeros(3), np.array(camera["t"]))
    seen = np.array(truth["sheets"][0]["saddles_table_mm"]) @ np.array(camera["R"]).T + view.translation_mm
    expected = view.lens.pixels(seen[:, :2] / seen[:, 2:])
    points = find_points(load_photo(PHOTOS / f"{name}.jpg"))
    error = points.xy_px - expected[points.index]
    assert len(points.index) >= least
    assert np.sqrt((error**2).mean()) < 0.045
    assert np.hypot(*error.T).max() < 0.3
