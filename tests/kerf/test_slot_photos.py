"""Slots and gaps read from photos with exact truth, from fixtures and painted; what cannot be read is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.fence.cutting import board, butted, wedge_of
from tests.kerf.paint_slot import Painting, painted, true_width
from tests.one_photo import measure_photo, measure_turned
from tests.slot_truth import slot_scores
from visioncheck.camera.rig_file import load_rig
from visioncheck.camera.rigid_fit import rigid_view
from visioncheck.cli import main
from visioncheck.edges.tone import calibrate_tone
from visioncheck.errors import Refusal, UserError
from visioncheck.measuring.slot import Scene, slot_reading, work_region
from visioncheck.outline.find import find_outlines
from visioncheck.photo.load import load_photo
from visioncheck.points.find import find_points
from visioncheck.present.questions import question_sentence
from visioncheck.present.reading import reading_lines
from visioncheck.quantity import Quantity
from visioncheck.sled.file import load_sled

PHOTOS = Path(__file__).parents[2] / "fixtures" / "photos" / "light-a4"
SLED = Path(__file__).parents[2] / "fixtures" / "sleds" / "alder-lane.toml"
pytestmark = pytest.mark.photos


def truth(name: str) -> dict:
    return json.loads((PHOTOS / f"{name}.truth.json").read_text())["truth"]


@pytest.fixture(scope="module")
def rig(rig_file):
    return load_rig(rig_file)


@pytest.fixture(scope="module")
def bare(rig):
    """The bare sheet nearly from above: its photo, points and view."""
    photo = load_photo(PHOTOS / "survey-5.jpg")
    points = find_points(photo)
    return Scene(photo, points, rigid_view(points, rig, "survey-5.jpg").view)


def read(scene: Scene, what: Painting, kind: str = "slot"):
    region = work_region(find_outlines(scene.photo, scene.points, scene.view), kind)
    return slot_reading(scene, region, Quantity(what.thickness, 0.29, "mm"), kind, known=True)


@pytest.mark.parametrize(("name", "kind"), [("kerf-2", "slot"), ("gap-1", "gap")])
def test_width_taper_and_wedge_against_exact_truth(rig, name, kind):
    # in kerf-2 the sheet shows through the slot beside its near wall
    told = truth(name)
    reading = measure_photo(PHOTOS / f"{name}.jpg", rig, Quantity(told["thickness_mm"], 0.5, "mm"), kind).reading
    assert reading.piece == kind
    limits = {"slot width": 0.04, "slot taper": 0.03, "gap width": 0.04, "wedge": 0.02}
    for what, error, stated, _ in slot_scores(reading, told):
        assert abs(error) <= min(limits[what], stated), what
        assert stated < 0.06
    assert reading.slot is not None
    assert reading.slot.floor_seen == (kind == "slot")
    assert {"scale", "thickness", "tone", "noise", "roughness"} <= set(reading.widths[2].budget)
    total = np.sqrt(sum(u**2 for u in reading.widths[2].budget.values()))
    assert total == pytest.approx(reading.widths[2].width.u, rel=1e-3)


FAR_ASIDE = Painting(centre=(105, 100), turn_deg=0, width_start=2.4, width_end=2.48, length=60)
"""The side face fills the slot."""


def test_what_one_side_face_may_be_is_refused(bare):
    with pytest.raises(Refusal, match="side face") as refused:
        read(painted(bare, FAR_ASIDE), FAR_ASIDE)
    assert refused.value.code == "slot-doubtful"
    told = refused.value.fields
    # where it says, the same slot is read
    nearer = replace(FAR_ASIDE, centre=(105, 100 + told["aside_mm"] - 0.9 * told["nearest_mm"]))
    width = read(painted(bare, nearer), nearer).widths[2].width
    assert abs(width.value - true_width(nearer, nearer.slot_length / 2)) <= width.expanded()


@pytest.mark.parametrize(
    "what",
    [
        Painting(centre=(105, 130), turn_deg=0, width_start=2.4, width_end=2.48, length=60),
        # nearly above it: much of the sheet shows, of about the wood's light
        Painting(centre=(120, 135), turn_deg=80, width_start=3.2, width_end=3.2, length=60),
    ],
)
def test_painted_slots(bare, what):
    reading = read(painted(bare, what), what)
    middle = np.mean([corner.at_mm for corner in reading.corners], axis=0)
    turn = np.radians(what.turn_deg)
    along = np.array([np.cos(turn), np.sin(turn)])
    at = float((middle - what.centre) @ along) + what.length / 2
    width = reading.widths[2].width
    assert abs(width.value - true_width(what, at)) <= min(0.04, width.expanded())
    assert reading.slot is not None
    assert reading.slot.floor_seen
    # at_mm counts from the open end
    start = (reading.corners[0].at_mm + reading.corners[3].at_mm) / 2
    assert (middle - start) @ along > 0
    widening = (what.width_end - what.width_start) * reading.slot.length_mm / what.slot_length
    assert abs(reading.slot.widening.value - widening) <= reading.slot.widening.expanded()


def test_a_gap_is_told_by_size_and_the_question_asked(rig):
    reading = measure_photo(PHOTOS / "gap-1.jpg", rig, Quantity(19.2, 0.29, "mm"), "gap").reading
    assert reading.taper is not None
    assert reading.fence_error is None
    assert reading.fence_error_size is not None
    assert reading.fence_error_size.value == pytest.approx(abs(reading.taper.value) / 2)
    asked = question_sentence(reading.question)
    assert "--turned-half left or right" in asked
    assert "--fence-edge bottom or top" in asked


def truly_open(truth):
    """The end of the picture, top or bottom, at which the gap between the halves' true outlines is the wider."""
    near, far = (np.array(piece["polygon"]) for piece in truth["truth"]["pieces"])
    ends = [(near[1], far[0]), (near[2], far[3])]
    widest = np.mean(max(ends, key=lambda pair: np.linalg.norm(pair[0] - pair[1])), axis=0)
    camera = truth["camera"]
    _, y, z = np.array(camera["R"]) @ [*widest, -truth["truth"]["thickness_mm"]] + camera["t"]
    return "top" if camera["f"] * y / z + camera["cy"] < camera["height"] / 2 else "bottom"


@pytest.mark.parametrize("fence", ["rear", "front"])
@pytest.mark.parametrize("turned", ["left", "right"])
@pytest.mark.parametrize("straightedge", ["top", "bottom"])
def test_a_gap_goes_on_to_the_fence_error(rig, fence, turned, straightedge):
    truth = json.loads((PHOTOS / "gap-1.truth.json").read_text())
    half = abs(truth["truth"]["wedge_deg"]) / 2
    # which of the two errors makes halves that gape at this end, sawn on the computer
    opens_there = truly_open(truth) == straightedge
    forwards = opens_there == (fence == "front")
    (e,) = (e for e in (half, -half) if (wedge_of(*butted(board(), e, turned, fence)) > 0) == forwards)
    sled = replace(load_sled(SLED), fence_side=fence)
    told = ("gap", sled, straightedge)
    reading = measure_photo(PHOTOS / "gap-1.jpg", rig, Quantity(19.2, 0.29, "mm"), *told, turned_half=turned).reading
    assert reading.ways[reading.open_end] == truly_open(truth)
    assert reading.fence_error.value == pytest.approx(e, abs=0.02)
    assert reading.fence_error.u == pytest.approx(reading.taper.u / 2)
    opened = next(line.text for line in reading_lines(reading, sled) if line.label == "Open")
    assert opened.startswith(f"at its {truly_open(truth)} end in the picture")
    assert ("at the straightedge" in opened) == opens_there


@pytest.mark.parametrize(
    ("piece", "said"),
    [(None, "goes with the gap"), ("corner", "has no bearing on piece='corner'"), ("slot", "has no bearing")],
)
def test_a_turned_half_goes_with_a_gap_alone(rig, piece, said):
    with pytest.raises(UserError, match=f"turned_half {said}"):
        measure_photo(PHOTOS / "gap-1.jpg", rig, piece=piece, turned_half="left")


def test_the_tone_curve_is_found_from_the_target(bare):
    before = calibrate_tone(bare.photo.bgr, bare.points)
    levels = np.arange(256) / 255
    # light to the power 1.15, coded again: true light is the decoded to the power of what it was, over 1.15
    curve = np.round(255 * levels**1.15).astype(np.uint8)
    after = calibrate_tone(curve[bare.photo.bgr], bare.points)
    assert before.balance is not None
    assert after.balance == pytest.approx(before.balance / 1.15, abs=0.05)
    assert 0.05 < after.u < 0.15


def test_json_says_what_the_slot_tells_of_the_blade(rig_file, capsys):
    command = ["measure", str(PHOTOS / "kerf-2.jpg"), "--rig", str(rig_file), "--thickness", "19.1mm"]
    assert main([*command, "--piece", "slot", "--sled", str(SLED), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    widths = found["width_mm"]
    assert [each["at_mm"] for each in widths] == sorted(each["at_mm"] for each in widths)
    middle = widths[len(widths) // 2]
    assert {"value", "u", "expanded", "at_mm", "budget_mm"} <= set(middle)
    assert found["taper_deg"]["value"] < 0  # narrower at its end
    assert {wall["side"] for wall in found["walls"]} == {"left", "right"}
    # the sled's blade is marked 2.8 mm
    assert found["nominal_mm"] == 2.8
    assert found["wider_mm"]["value"] == pytest.approx(middle["value"] - 2.8)
    assert found["wider_mm"]["value"] < 0  # than the blade is marked


def test_picture_and_report_name_both_walls(rig_file, tmp_path, capsys):
    picture = tmp_path / "slot.png"
    command = ["measure", str(PHOTOS / "kerf-2.jpg"), "--rig", str(rig_file), "--thickness", "19.1mm"]
    assert main([*command, "--piece", "slot", "--budget", "--picture", str(picture)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert picture.stat().st_size > 50_000
    for part in ("Left wall", "Right wall", "mm per 100 mm", "roughness", "tone", "in the middle"):
        assert part in said
    assert "--turned" not in said


def test_no_slot_is_one_sentence_and_code_2(rig_file, capsys):
    command = ["measure", str(PHOTOS / "corner-1.jpg"), "--rig", str(rig_file), "--piece", "slot"]
    assert main(command) == 2
    said = capsys.readouterr().err
    assert "no saw slot is seen" in said
    assert "Traceback" not in said


def test_a_slot_too_narrow_says_from_how_near_to_shoot(bare):
    what = Painting(centre=(105, 100), turn_deg=0, length=60, width_start=0.37, width_end=0.37)
    with pytest.raises(Refusal, match=r"width_px 3\.\d+, nearest_mm \d+") as refused:
        read(painted(bare, what), what)
    assert refused.value.code == "narrow-slot"


def test_a_camera_straight_above_a_gap_is_refused(bare):
    # the foot of the camera on the gap's line: side faces and floor are each a pixel or two broad
    what = Painting(turn_deg=30, length=60, slot_length=100, slot_offset=0, width_start=0.6, width_end=0.5)
    foot = tuple(bare.view.foot_mm + np.array([-0.5, 0.87]) * 3.0)
    scene = painted(bare, replace(what, centre=foot))
    with pytest.raises(Refusal) as refused:
        read(scene, what, "gap")
    assert refused.value.code == "arris-doubtful"


def test_a_slot_that_runs_off_the_picture_is_refused(bare):
    what = Painting(centre=(105, 150), turn_deg=20, length=60)
    scene = painted(bare, what)
    region = work_region(find_outlines(scene.photo, scene.points, scene.view), "slot")
    middle = scene.view.to_image(np.array([what.centre]))[0]
    column = int(middle[0])
    cut = replace(scene, photo=replace(scene.photo, bgr=np.ascontiguousarray(scene.photo.bgr[:, :column])))
    with pytest.raises(Refusal, match="slot") as refused:
        slot_reading(cut, region, Quantity(what.thickness, 0.29, "mm"), "slot", known=True)
    assert refused.value.code == "cut-off"


def test_two_photos_of_a_slot_are_not_averaged(rig):
    with pytest.raises(UserError, match="turned goes with angles"):
        measure_turned((PHOTOS / "kerf-1.jpg", PHOTOS / "kerf-2.jpg"), rig, None, "slot")
