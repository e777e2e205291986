"""Two photos of one piece, turned a quarter turn in between, against their exact truth."""

from __future__ import annotations

import json
from dataclasses import replace

import cv2
import pytest

from tests.conftest import PHOTOS
from tests.one_photo import measure_photo, measure_turned
from visioncheck.camera.rig_file import load_rig
from visioncheck.cli import main
from visioncheck.errors import UserError
from visioncheck.measuring import pair as measure

pytestmark = pytest.mark.photos

PAIR = (PHOTOS / "corner-31-turn0.jpg", PHOTOS / "corner-31-turn90.jpg")
AS_CUT = json.loads((PHOTOS / "corner-31-turn0.truth.json").read_text())["truth"]["pieces"][0]["as_cut_angles_deg"]


def all_corners(reading):
    """Interior angles in the order of the truth: from the corner of fence edge and cut, the other way round."""
    numbers = [
        k for k, corner in enumerate(reading.corners) if set(corner.edges) == {reading.fence_edge, reading.cut_edge}
    ]
    return [reading.corners[(numbers[0] - k) % 4].angle for k in range(4)]


def test_without_a_rig_the_pair_is_true_where_each_photo_is_not():
    alone = [measure_photo(path, piece="corner").reading.fence_error.value for path in PAIR]
    assert max(abs(value - (AS_CUT[0] - 90)) for value in alone) > 0.05
    reading = measure_turned(PAIR).reading
    assert reading.piece == "corner"
    assert reading.fence_error.value == pytest.approx(AS_CUT[0] - 90, abs=0.02)
    assert reading.fence_error.expanded() < 0.04
    assert abs(reading.turned.turn_deg) == pytest.approx(87.7, abs=0.2)
    assert reading.turned.photo == PAIR[1].name
    assert "no-rig" not in reading.flags
    for angle, true in zip(all_corners(reading), AS_CUT, strict=True):
        assert angle.value == pytest.approx(true, abs=0.02)
        assert abs(angle.value - true) <= angle.expanded()


def test_the_order_of_the_photos_does_not_matter():
    one, other = measure_turned(PAIR).reading, measure_turned(PAIR[::-1]).reading
    assert one.fence_error.value == pytest.approx(other.fence_error.value, abs=1e-5)
    assert one.turned.turn_deg == pytest.approx(-other.turned.turn_deg)


def test_with_a_rig_the_pair_is_weighed_and_alike_photos_count_about_alike(rig_file):
    rig = load_rig(rig_file)
    alone = [measure_photo(path, rig).reading.fence_error for path in PAIR]
    pair = measure_turned(PAIR, rig).reading.fence_error
    assert pair.value == pytest.approx((alone[0].value + alone[1].value) / 2, abs=3e-3)
    assert abs(pair.value - (AS_CUT[0] - 90)) <= pair.expanded()
    assert pair.u <= max(each.u for each in alone)


def test_command_says_the_turn_and_the_budget_and_draws_both(capsys, tmp_path):
    picture = tmp_path / "pair.png"
    words = ["measure", *map(str, PAIR), "--turned", "--budget", "--picture", str(picture)]
    assert main(words) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Turned by 87.7° to corner-31-turn90.jpg" in said
    assert "Zone" in said
    assert "Better" in said
    assert cv2.imread(str(picture)) is not None
    assert cv2.imread(str(tmp_path / "pair-budget.png")) is not None
    assert main([*words[:4], "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["turned"]["photo"] == PAIR[1].name
    zone = found["perpendicularity_mm"]
    # the cut is 110 mm long and 0.2067 degrees out: 0.397 mm, and a little for its own form
    assert zone["low"] < 0.397 + 0.03
    assert zone["high"] > 0.397


def test_another_sheet_is_refused_without_a_survey(monkeypatch):
    see = measure.see_piece
    sheets = iter((0, 1))
    monkeypatch.setattr(measure, "see_piece", lambda *how: replace(see(*how), sheet=("a4", "light", next(sheets))))
    with pytest.raises(UserError, match="different sheets"):
        measure_turned(PAIR)


def test_a_piece_as_it_lay_is_not_turned(capsys, tmp_path):
    again = tmp_path / "again.jpg"
    again.write_bytes(PAIR[0].read_bytes() + b"\0")  # what follows a JPEG's end is no part of its picture
    assert main(["measure", str(PAIR[0]), str(again), "--turned"]) == 2
    said = capsys.readouterr().err
    assert "not turned" in said
    assert "quarter" in said
    assert said.count("\n") == 1
