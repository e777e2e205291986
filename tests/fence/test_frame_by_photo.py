"""The last joint of a mitred frame by photo: its wedge against painted truth, its signs against typed readings."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from tests.conftest import PHOTOS
from tests.fence.painted_frames import LastJoint, pieces, shown
from tests.fence.painted_pieces import FIXTURES, FRAME
from tests.fence.test_mitres import sled_set
from tests.flags.painted import stick_tag
from visioncheck.cli import main
from visioncheck.errors import InputError, Refusal
from visioncheck.fence.of_frame import Frame, tight_joints_u_deg, with_frame_error
from visioncheck.fence.of_halves import ENDS
from visioncheck.fence.typed import compute_typed
from visioncheck.measuring.measure import measure_piece
from visioncheck.measuring.options import PieceOptions, read_piece_options, require_kind
from visioncheck.measuring.request import MeasureRequest, read_rig
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading
from visioncheck.results.basis import basis_of_json
from visioncheck.results.from_json import reading_from_json
from visioncheck.saw import Saw

RING = LastJoint(arm=None, side=140.0, width=35.0, outer=(50.0, 90.0), turn_deg=40.0)
PHOTO = FIXTURES / "frame-1.jpg"


def a_gap(wedge_deg: float) -> Reading:
    return Reading("a.jpg", "gap", (), (), taper=Quantity(wedge_deg, 0.01, "deg"), budget={"roughness": 0.01})


@pytest.mark.parametrize("fence", ["rear", "front"])
@pytest.mark.parametrize("piece", ["left", "right"])
@pytest.mark.parametrize("at_fence", ["outer", "inner"])
@pytest.mark.parametrize("outer_end", ENDS)
@pytest.mark.parametrize("wedge", [0.6, -0.6])
def test_its_sign_is_that_of_the_same_gap_typed(fence, piece, at_fence, outer_end, wedge):
    """Typed readings of frames are proved by cutting and laying polygons, in `test_mitres`."""
    frame = Frame(8, 16, at_fence)
    found = with_frame_error(a_gap(wedge), frame, 60.0, outer_end, Saw(fence, piece), None)
    # a positive taper is wider at the last end, the first of `ENDS`
    opens = "outside" if (wedge > 0) == (outer_end == ENDS[0]) else "inside"
    typed = {"wedge": "0.6deg", "frame": "8", "opens": opens, "at_fence": at_fence}
    assert found.fence_error.value == pytest.approx(compute_typed(typed, None, piece, fence).error.value)
    assert found.last_joint.opens == opens
    assert found.nominal_deg == {"outer": 67.5, "inner": 112.5}[at_fence]


def test_tight_joints_are_in_its_uncertainty():
    """Three joints, each 0.01 mm in 60 mm: sqrt(3) atan(0.01 / 60), beside the wedge's own; all of it by 8 cuts."""
    tight = math.degrees(math.sqrt(3) * 0.01 / 60)
    assert tight_joints_u_deg(4, 60.0) == pytest.approx(tight)
    found = with_frame_error(a_gap(0.6), Frame(4, 8, "outer"), 60.0, 1, Saw(), None)
    assert found.fence_error.u == pytest.approx(math.hypot(0.01, tight) / 8)
    assert math.hypot(*found.budget.values()) == pytest.approx(found.fence_error.u)
    assert found.taper.u == 0.01


def test_a_sled_of_another_setting_is_refused():
    saw = sled_set(30.0, "rear", "left").saw
    with pytest.raises(InputError, match="frame"):
        with_frame_error(a_gap(0.6), Frame(4, 8, "outer"), 60.0, 1, saw, saw)


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"piece": "corner", "frame": 4}, "frame"),
        ({"frame": 4, "turned_half": "left"}, "turned_half"),
        ({"frame": 4, "fence_edge": "top"}, "fence_edge"),
        ({"piece": "gap", "at_fence": "outer"}, "at_fence"),
        ({"piece": "gap", "frame_cuts": 8}, "frame_cuts"),
        ({"at_fence": "outer"}, "at_fence"),
        ({"frame": 2}, "frame"),
        ({"frame": "4.5"}, "frame"),
        ({"frame": 4, "at_fence": "left"}, "at_fence"),
    ],
)
def test_what_has_no_bearing_on_it_is_refused(told, said):
    with pytest.raises(InputError) as refused:
        require_kind(read_piece_options(**told))
    assert refused.value.parameter == said


def test_told_anew_a_frame_is_no_halves_any_more():
    frame = read_piece_options(frame="8", at_fence="outer")
    assert frame.piece == "gap"
    assert PieceOptions(at_fence="inner").over(frame) == replace(frame, at_fence="inner")
    halves = read_piece_options(piece="gap", turned_half="left", fence_edge="top", cut="same")
    assert frame.over(halves) == replace(frame, cut="same")


def measured(photo, rig_file, **told):
    thick = told.pop("thickness", "18mm")
    options = read_piece_options(thickness=thick, **told)
    return measure_piece(MeasureRequest(photo, None, None, read_rig(rig_file), options))


@pytest.mark.photos
@pytest.mark.parametrize(
    "what",
    [
        FRAME,
        LastJoint(sides=8, opens="inside", wedge_deg=1.0, outer=(70.0, 140.0), turn_deg=0.0, arm=75.0),
        RING,
    ],
)
def test_its_wedge_is_the_painted_one(what, tmp_path, rig_file):
    photo = shown(what).save(tmp_path / "a.jpg")
    outcome = measured(photo, rig_file, frame=what.sides, at_fence="outer")
    reading = outcome.measured.reading
    assert reading.last_joint.opens == what.opens
    assert abs(reading.taper.value) == pytest.approx(what.wedge_deg, abs=reading.taper.expanded())
    assert reading.taper.expanded() < 0.3
    # the outer corners are too large where the joint opens outside: rear fence, left of the blade, e > 0
    sense = 1 if what.opens == "outside" else -1
    assert reading.fence_error.value == pytest.approx(sense * abs(reading.taper.value) / (2 * what.sides))
    again = reading_from_json(json.loads(json.dumps(outcome.reading)))
    assert (again.last_joint, again.open_end) == (reading.last_joint, reading.open_end)
    # the open end lies where the truth has it: away from the frame's middle, or towards it
    ends = [(reading.edges[k].start_mm + reading.edges[k].end_mm) / 2 for k in ENDS]
    far = int(np.argmax([np.linalg.norm(end - what.outer) for end in ends]))
    assert reading.open_end == ENDS[far if what.opens == "inside" else 1 - far]


@pytest.mark.photos
def test_a_tag_on_a_piece_tells_the_thickness(tmp_path, rig_file):
    picture = stick_tag(shown(FRAME), 222, pieces(FRAME)[0], 0, 18.0)
    outcome = measured(picture.save(tmp_path / "a.jpg"), rig_file, frame=4, at_fence="outer", thickness=None)
    reading = outcome.measured.reading
    assert abs(reading.taper.value) == pytest.approx(FRAME.wedge_deg, abs=reading.taper.expanded())
    assert reading.tag_id == 222
    assert reading.thickness.value == pytest.approx(18.0, abs=reading.thickness.expanded())


@pytest.mark.photos
def test_two_joints_that_gape_alike_are_refused(tmp_path, rig_file, monkeypatch):
    monkeypatch.setattr("tests.fence.painted_frames._TIGHT_MM", 1.6)
    photo = shown(replace(RING, apart=0.0, wedge_deg=0.2)).save(tmp_path / "a.jpg")
    problem = measured(photo, rig_file, frame=4).problem
    assert isinstance(problem, Refusal)
    assert (problem.code, problem.case) == ("slot-doubtful", "joints")
    assert len(problem.marks.found) == 2


@pytest.mark.photos
@pytest.mark.parametrize(("photo", "sides"), [(PHOTOS / "gap-1.jpg", 4), (PHOTOS / "gap-1.jpg", 12), (PHOTO, 8)])
def test_other_work_is_no_frame(photo, sides, rig_file):
    problem = measured(photo, rig_file, frame=sides).problem
    assert isinstance(problem, Refusal)
    assert (problem.code, problem.case) == ("other-kind", "frame")


@pytest.mark.photos
def test_it_is_asked_for_what_the_photo_does_not_show(rig_file, capsys):
    command = ["measure", str(PHOTO), "--rig", str(rig_file), "--thickness", "18mm", "--frame", "4"]
    assert main(command) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Which edge of the pieces, as they lie in the frame, was on the fence: --at-fence outer or inner." in out
    assert "each of the 4 joints gapes by" in out
    assert main([*command, "--at-fence", "inner", "--frame-cuts", "4", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["frame"]["cuts"] == 4
    assert found["frame"]["each_joint_deg"]["value"] == pytest.approx(abs(found["taper_deg"]["value"]) / 2)
    assert basis_of_json(found).kind == "frame"
    assert found["fence_error_deg"]["value"] == pytest.approx(-abs(found["taper_deg"]["value"]) / 4)
