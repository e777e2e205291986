"""Lines, JSON and picture of a reading put together by hand."""

from __future__ import annotations

import ast
import json
import pickle
from dataclasses import replace
from pathlib import Path
from typing import get_args

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

import visioncheck
from tests.report.hand_made import ANGLES_DEG, SLED, corner_piece, photo, strip
from visioncheck.codes import Doubt
from visioncheck.correction.correct import correct
from visioncheck.errors import InputError, Refusal
from visioncheck.flags import FlagCode
from visioncheck.photo.orientation import upright
from visioncheck.present.flags import FLAGS, format_doubt, remedy
from visioncheck.present.naming import error_sentence
from visioncheck.present.picture import draw_reading
from visioncheck.present.questions import missing_reason
from visioncheck.present.reading import reading_lines
from visioncheck.present.refusals import _SENTENCES
from visioncheck.quantity import Quantity
from visioncheck.results.as_json import reading_json, refused_json
from visioncheck.results.from_json import doubts_from_json
from visioncheck.results.model import result_from_problem

BLUE, ORANGE, YELLOW = (0, 114, 178), (230, 159, 0), (240, 228, 66)
# the piece takes 200 of 380 px that are left after a margin of 0.45 × 200 px on every side, cut at the border
SCALE = 1600 / 380


def read_rgb(path: Path) -> np.ndarray:
    return cv2.imread(str(path))[:, :, ::-1]


def has(picture: np.ndarray, at: tuple[float, float], colour: tuple[int, int, int], reach: int = 2) -> bool:
    x, y = round(at[0]), round(at[1])
    patch = picture[y - reach : y + reach + 1, x - reach : x + reach + 1].astype(int)
    return bool((np.abs(patch - colour).max(axis=2) < 40).any())


def shown(x: float, y: float) -> tuple[float, float]:
    return (x - 10) * SCALE, y * SCALE


def test_every_flag_has_its_words() -> None:
    assert set(FLAGS) == set(get_args(FlagCode))
    assert all(flag.remedy.endswith(".") and "--" not in remedy(code, "page") for code, flag in FLAGS.items())


def test_a_doubt_says_what_was_seen_where_that_is_known() -> None:
    short = Doubt("short-edge", {"sides": "left top", "length_mm": 31.4})
    assert format_doubt(short).endswith("the piece's left and top edges (31 mm).")
    assert "left edge (" in format_doubt(Doubt("curved-edge", {"sides": "left", "bow_mm": 0.21}))
    assert format_doubt(Doubt("short-edge")) == FLAGS["short-edge"].sentence
    assert format_doubt(Doubt("few-points", {"count": 23})).startswith("Only 23 points")
    assert "of the picture" not in format_doubt(Doubt("seam", {"sides": "left"}))


def test_doubts_come_back_from_the_log_and_old_logs_have_their_codes() -> None:
    seen = (Doubt("tilt", {"tilt_deg": 41.5}), Doubt("no-rig"))
    found = json.loads(json.dumps(reading_json(replace(corner_piece(), doubts=seen))))
    assert found["flags"] == ["tilt", "no-rig"]
    assert doubts_from_json(found) == seen
    del found["doubts"]  # as before doubts had fields
    assert doubts_from_json(found) == (Doubt("tilt"), Doubt("no-rig"))
    assert doubts_from_json({"flags": ["a code of another version"]}) == ()


def test_every_refusal_has_its_sentence() -> None:
    raised = set()
    for source in Path(visioncheck.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(source.read_text("utf-8"))):
            is_raised = isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Refusal"
            if is_raised and isinstance(node.args[0], ast.Constant):
                code = node.args[0]
                case = node.args[2] if len(node.args) > 2 else ast.Constant("")
                # a case that is chosen where it is raised has its constants within the expression
                cases = [each.value for each in ast.walk(case) if isinstance(each, ast.Constant)]
                raised |= {(code.value, each) for each in cases if isinstance(each, str)}
    # the kind of slot is the case where none is seen
    assert raised | {("no-slot", "slot"), ("no-slot", "gap")} == set(_SENTENCES)


def test_a_refusal_is_said_without_its_photo_and_options_on_the_page() -> None:
    refusal = pickle.loads(pickle.dumps(Refusal("other-kind", "a.jpg", "halves", told="corner")))  # noqa: S301 - ours
    assert error_sentence(refusal).startswith("a.jpg: A straight line runs from edge to edge through")
    assert "(--piece gap)" in error_sentence(refusal)
    assert error_sentence(refusal, "page").startswith("A straight line")
    assert "(kind of piece: two halves butted)" in error_sentence(refusal, "page")


def test_json_of_a_corner() -> None:
    reading = corner_piece()
    correction = correct(reading.fence_error, SLED)
    found = json.loads(json.dumps(reading_json(reading, correction), allow_nan=False))
    assert {key: found[key] for key in ("schema", "photo", "status", "piece", "flags")} == {
        "schema": 2, "photo": "offcut.jpg", "status": "measured", "piece": "corner", "flags": ["tilt"],
    }  # fmt: skip
    assert [corner["angle_deg"]["value"] for corner in found["corners"]] == list(ANGLES_DEG)
    assert (found["corners"][1]["x_mm"], found["corners"][1]["y_mm"]) == (150.0, 110.0)
    # t for 95 % and 40 degrees of freedom: 2.021 (ISO 3534-1 style tables; from memory)
    assert found["corners"][0]["angle_deg"]["expanded"] == pytest.approx(2.021 * 0.002, rel=1e-3)
    assert found["fence_error_deg"]["value"] == 0.10
    assert found["correction"]["end"] == "right"
    assert found["correction"]["way"] == "back"
    assert found["correction"]["move_mm"]["value"] == pytest.approx(600 * np.tan(np.radians(0.1)))
    assert not {"taper_deg", "width_mm", "reason", "fence_error_size_deg"} & set(found)


def test_json_of_a_strip_asks_and_has_no_signed_error() -> None:
    found = reading_json(strip())
    assert found["question"] == {"code": "strip end", "choices": ["top", "bottom"], "fields": {}}
    assert found["fence_error_size_deg"]["value"] == 0.03
    assert found["taper_deg"]["dof"] is None
    assert [(width["at_mm"], width["value"]) for width in found["width_mm"]] == [(0.0, 25.4), (200.0, 25.8)]
    assert not {"fence_error_deg", "correction"} & set(found)


def test_json_of_a_refusal() -> None:
    refusal = Refusal("narrow-slot", "a.jpg", what="slot", width_px=3.2, nearest_mm=300.0)
    found = refused_json(result_from_problem("a.jpg", refusal))
    assert found == {
        "schema": 2, "kind": "refused", "photo": "a.jpg", "status": "refused", "flags": ["narrow-slot"],
        "refusal": {
            "code": "narrow-slot", "case": "", "fields": {"what": "slot", "width_px": 3.2, "nearest_mm": 300.0},
        },
    }  # fmt: skip
    assert missing_reason(found) == error_sentence(refusal)
    told = refused_json(result_from_problem("a.jpg", InputError("cuts", "<cuts> is 1")))
    assert (told["flags"], told["refusal"]["parameter"]) == ([], "cuts")
    assert (missing_reason(told), missing_reason(told, "page")) == ("--cuts is 1.", "Successive cuts is 1.")


def test_lines_say_the_angle_the_move_and_the_doubt() -> None:
    said = {line.label: line.text for line in reading_lines(corner_piece(), SLED)}
    assert said["Angle"] == "90.100 ± 0.004° between fence edge and cut"
    assert said["Thickness"] == "18.00 ± 0.59 mm"
    assert said["Move"].startswith("RIGHT end BACK")
    assert said["Doubt"] == f"{FLAGS['tilt'].sentence} {remedy('tilt')}"


def test_lines_ask_when_the_sign_is_not_known() -> None:
    said = {line.label: line.text for line in reading_lines(strip(), SLED)}
    assert said["Tell me"] == "Which end of the strip was at the fence? Say --fence-edge top or bottom."
    assert "either way" in said["Size"]
    assert not {"Fence", "Move", "Do"} & set(said)


def test_size_near_zero_has_no_lower_end() -> None:
    # JCGM 101, 9.4: first order would say 0.001 ± 0.004
    near = replace(strip(), fence_error_size=Quantity(0.001, 0.002, "deg"))
    said = {line.label: line.text for line in reading_lines(near, SLED)}
    assert said["Size"].startswith("0.001°, at most 0.004°")
    assert said["Verdict"].startswith("inside")
    found = reading_json(near)["fence_error_size_deg"]
    assert 0 <= found["low"] < 1e-4
    assert found["high"] == pytest.approx(0.0043, abs=2e-4)


def test_size_far_from_zero_has_both_ends_and_a_verdict_without_its_sign() -> None:
    said = {line.label: line.text for line in reading_lines(strip(), SLED)}
    assert said["Size"].startswith("0.030°, between 0.028° and 0.032°")
    assert said["Verdict"].startswith("outside the tolerance")


def test_picture_shows_edges_where_they_are(tmp_path: Path) -> None:
    reading = corner_piece()
    draw_reading(photo(), reading, correct(reading.fence_error, SLED), tmp_path / "out.png", SLED)
    picture = read_rgb(tmp_path / "out.png")
    assert picture.shape[1] == 1600
    assert has(picture, shown(270, 220), BLUE)
    assert has(picture, shown(300, 110), ORANGE)
    # where the edge was seen, the yellow line stands to its outside, and nowhere where it was not
    x, y = shown(150, 220)
    assert any(has(picture, (x, y + d), YELLOW, 0) for d in range(3, 20))
    x, y = shown(270, 220)
    assert not any(has(picture, (x, y + d), YELLOW, 0) for d in range(3, 20))
    # the work itself stays to be seen
    x, y = shown(200, 150)
    assert tuple(picture[round(y), round(x)]) == (128, 128, 128)


def test_arrow_points_back_at_the_right_end(tmp_path: Path) -> None:
    """Fence at the rear and below the piece: the operator stands below, so back is down and right is right."""
    reading = corner_piece()
    draw_reading(photo(), reading, None, tmp_path / "without.png", SLED)
    draw_reading(photo(), reading, correct(reading.fence_error, SLED), tmp_path / "with.png", SLED)
    without, arrow = read_rgb(tmp_path / "without.png"), read_rgb(tmp_path / "with.png")
    fence_y = shown(0, 220)[1] + 118
    # the bar ends 50 px before the work's corners, and the arrow stands 12 % of its half inwards
    middle, half = shown(200, 0)[0], shown(300, 0)[0] - shown(200, 0)[0] - 50
    x, mirrored_x = middle + 0.88 * half, middle - 0.88 * half
    assert has(arrow, (x, fence_y + 40), ORANGE, 4)
    assert not has(without, (x, fence_y + 40), ORANGE, 4)
    assert not has(arrow, (mirrored_x, fence_y + 40), ORANGE, 4)
    assert not has(arrow, (x, fence_y - 40), ORANGE, 4)


def test_picture_is_turned_upright(tmp_path: Path) -> None:
    """Orientation 6 turns a quarter clockwise: the stored bottom is shown at the left."""
    draw_reading(photo(6), corner_piece(), None, tmp_path / "out.png")
    picture = read_rgb(tmp_path / "out.png")
    assert picture.shape[0] == 1600
    # stored (270, 220) is shown at (299 − 220, 270)
    assert has(picture, ((299 - 220) * SCALE, (270 - 10) * SCALE), BLUE)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_upright_agrees_with_the_picture_library(orientation: int) -> None:
    """Outside check: Pillow's own reading of the EXIF orientation."""
    stored = np.zeros((5, 7), np.uint8)
    stored[1, 4] = 255
    image = Image.fromarray(stored)
    image.getexif()[0x0112] = orientation
    turned = np.asarray(ImageOps.exif_transpose(image))
    matrix, width, height = upright(7, 5, orientation)
    assert turned.shape == (height, width)
    x, y = matrix @ [4.0, 1.0, 1.0]
    assert turned[round(y), round(x)] == 255
