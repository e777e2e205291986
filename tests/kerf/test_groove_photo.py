"""A plan of grooves held against a photo of the cut board; a measured slot as the kerf of a plan."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from visioncheck.cli import main

FIXTURES = Path(__file__).parents[2] / "fixtures"
PHOTO = FIXTURES / "photos" / "light-a4" / "kerf-2.jpg"
PLAN = FIXTURES / "plans" / "trial-board.toml"
TYPED = ["groove", "--at", "60mm", "--width", "8mm", "--board", "200mm", "--zero-kerf", "2.4mm"]
SAW = ["--fence", "right", "--flange", "left"]


def command(rig_file, *more: str) -> list[str]:
    return ["groove", str(PLAN), "--photo", str(PHOTO), "--rig", str(rig_file), "--thickness", "19.1mm", *more]


def true_places() -> tuple[float, float]:
    """Both walls' distances, at the middle of what is seen of them, from the board's first edge as cut, mm."""
    told = json.loads(PHOTO.with_suffix(".truth.json").read_text())["truth"]
    board, slot = np.array(told["pieces"][0]["as_cut"]), np.array(told["slot_as_cut"])
    along = (board[1] - board[0]) / np.linalg.norm(board[1] - board[0])
    normal = np.array([-along[1], along[0]])
    places = []
    for start, end in ((slot[0], slot[1]), (slot[3], slot[2])):
        # the design runs 20 mm beyond the board's edge
        run = (end - start) / np.linalg.norm(end - start)
        places.append(abs(float((start + (20 + told["over_mm"] / 2) * run - board[0]) @ normal)))
    return min(places), max(places)


@pytest.mark.photos
def test_walls_are_placed_from_the_datum_edge_as_in_truth(rig_file, capsys):
    assert main(command(rig_file, "--fence-edge", "bottom", "--json")) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["grooves"][0]["passes"]  # the plan's own report is in it
    checks = {each["what"]: each["measured_mm"] for each in found["verified"]["grooves"][0]["checks"]}
    near, far = true_places()
    for what, true in (("near wall", near), ("far wall", far), ("width", far - near)):
        assert abs(checks[what]["value"] - true) <= min(0.06, checks[what]["expanded"]), what
    assert checks["width"]["expanded"] < 0.08


@pytest.mark.photos
def test_the_report_follows_the_plans_own(rig_file, capsys):
    assert main(command(rig_file, "--fence-edge", "bottom")) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "set the scale to" in said
    assert "As cut: kerf-2.jpg" in said
    assert "planned 40.00 mm" in said
    assert said.count("inside: ") == 3


@pytest.mark.photos
def test_a_groove_that_is_not_there_is_not_made_up(rig_file, capsys):
    # from the opposite edge there is only grain where the plan has the slot
    assert main(command(rig_file, "--fence-edge", "top")) == 2
    said = capsys.readouterr().err
    assert "no groove is seen within 7 mm" in said
    assert "--fence-edge" in said


@pytest.mark.photos
def test_the_edge_at_the_fence_must_be_told(rig_file, capsys):
    assert main(command(rig_file)) == 2
    assert "--fence-edge top, bottom, left or right" in capsys.readouterr().err


def test_options_of_the_photo_want_a_photo(capsys):
    assert main(["groove", str(PLAN), "--thickness", "19mm"]) == 2
    assert "--photo" in capsys.readouterr().err


def slot_file(folder: Path, **more: object) -> Path:
    width = [{"at_mm": 10.0 * k, "value": 3.2 + k / 100, "u": 0.01, "dof": None} for k in range(5)]
    file = folder / "slot.json"
    file.write_text(json.dumps({"schema": 1, "piece": "slot", "width_mm": width} | more))
    return file


def test_the_kerf_may_come_from_a_measured_slot(tmp_path, capsys):
    assert main([*TYPED, *SAW, "--kerf", str(slot_file(tmp_path)), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["grooves"][0]["kerf_mm"]["value"] == 3.22  # the station in the middle of the list
    assert found["grooves"][0]["kerf_mm"]["u"] == 0.01


@pytest.mark.parametrize(
    ("more", "extra", "said"),
    [
        ({"piece": "strip"}, (), "of a 'strip', not of a saw slot"),
        ({}, ("--plus-minus", "0.02mm"), "--plus-minus does not go with"),
    ],
)
def test_what_is_no_slot_is_no_kerf(tmp_path, capsys, more, extra, said):
    file = slot_file(tmp_path, **more)
    assert main([*TYPED, *SAW, "--kerf", str(file), *extra]) == 2
    assert said in capsys.readouterr().err
