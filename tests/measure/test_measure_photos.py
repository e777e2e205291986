"""The whole way on fixture photos, against their exact truth."""

from __future__ import annotations

import json

import numpy as np
import pytest

from tests.conftest import PHOTOS
from tests.one_photo import measure_photo
from visioncheck.camera.rig_file import load_rig
from visioncheck.cli import main
from visioncheck.errors import Refusal, UserError
from visioncheck.quantity import Quantity

pytestmark = pytest.mark.photos


def truth(name):
    return json.loads((PHOTOS / f"{name}.truth.json").read_text())


@pytest.fixture(scope="module")
def rig(rig_file):
    return load_rig(rig_file)


@pytest.mark.parametrize("name", ["corner-1", "corner-2"])
def test_corner_at_the_fence_and_its_fence_error(rig, name):
    reading = measure_photo(PHOTOS / f"{name}.jpg", rig).reading
    piece = truth(name)["truth"]["pieces"][0]
    as_cut = piece["as_cut_angles_deg"][0]
    assert reading.piece == "corner"
    assert reading.fence_error is not None
    # conventions: a piece kept on the left of the blade, e = A - 90 degrees
    assert reading.fence_error.value == pytest.approx(as_cut - 90, abs=0.012)
    assert abs(reading.fence_error.value - (as_cut - 90)) <= reading.fence_error.expanded()
    assert reading.fence_error.expanded() < 0.03


def test_the_tag_gives_the_thickness(rig):
    reading = measure_photo(PHOTOS / "corner-1.jpg", rig).reading
    assert reading.thickness is not None
    assert reading.thickness.value == pytest.approx(truth("corner-1")["truth"]["thickness_mm"], abs=0.5)


def test_strip_taper_and_widths(rig):
    told = truth("strip-1")["truth"]
    reading = measure_photo(PHOTOS / "strip-1.jpg", rig, Quantity(told["thickness_mm"], 0.3, "mm"), cuts=5).reading
    assert reading.piece == "strip"
    polygon = np.array(told["pieces"][0]["as_cut"])
    sides = np.roll(polygon, -1, axis=0) - polygon
    angles = np.degrees(np.arctan2(sides[:, 1], sides[:, 0]))
    as_cut = abs((angles[2] - angles[0] + 90) % 180 - 90)
    assert reading.taper is not None
    assert abs(reading.taper.value) == pytest.approx(as_cut, abs=0.006)
    assert reading.widths[1].width.value == pytest.approx(told["width_mid_mm"], abs=0.06)
    # which end was at the fence is not known: the size of the error alone, and a question
    assert reading.fence_error is None
    assert reading.fence_error_size is not None
    assert reading.question is not None


def test_panel_cut_all_round(rig):
    reading = measure_photo(PHOTOS / "panel-2.jpg", rig, piece="panel").reading
    assert reading.fence_error is not None
    assert reading.panel is not None
    assert reading.fence_error.value == pytest.approx(truth("panel-2")["truth"]["error_deg"], abs=0.008)


def test_without_a_rig_the_interval_is_wide_and_holds_the_truth():
    reading = measure_photo(PHOTOS / "corner-1.jpg", piece="corner").reading
    as_cut = truth("corner-1")["truth"]["pieces"][0]["as_cut_angles_deg"][0]
    assert reading.fence_error is not None
    assert abs(reading.fence_error.value - (as_cut - 90)) <= reading.fence_error.expanded()
    assert reading.fence_error.expanded() > 0.1
    assert "no-rig" in reading.flags


def test_without_a_rig_a_panel_is_asked_for_and_no_error_is_given():
    reading = measure_photo(PHOTOS / "panel-2.jpg").reading
    assert reading.fence_error is None
    assert reading.question is not None
    assert (reading.question.code, "panel" in reading.question.choices) == ("kind", True)


def test_a_bare_sheet_holds_no_piece(rig):
    with pytest.raises(Refusal) as refused:
        measure_photo(PHOTOS / "survey-1.jpg", rig)
    assert refused.value.code == "no-piece"


def test_a_photo_of_another_size_is_not_this_rigs(rig, tmp_path):
    import cv2

    small = tmp_path / "small.jpg"
    cv2.imwrite(str(small), cv2.imread(str(PHOTOS / "corner-1.jpg"))[:2900])
    with pytest.raises(UserError, match="2900"):
        measure_photo(small, rig)


def test_no_such_photo_is_one_sentence_and_code_2(capsys, rig_file):
    assert main(["measure", "nowhere.jpg", "--rig", str(rig_file)]) == 2
    said = capsys.readouterr().err
    assert "nowhere.jpg" in said
    assert "Traceback" not in said
