"""Lengths, travel and grooves from Python: the same answers as the commands, and slips named in Python's words."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import pytest

import visioncheck
from tests.conftest import PHOTOS
from visioncheck.cli import main

SLED = PHOTOS.parents[1] / "sleds" / "alder-lane.toml"
PLAN = PHOTOS.parents[1] / "plans"
SLOT = str(PHOTOS / "kerf-2.jpg")


def of_command(capsys, *argv):
    assert main([*argv, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_lengths_are_those_of_the_command(capsys, tmp_path):
    read, second = ["300.02mm", "300.05mm", "300.03mm"], "450.10mm,450.12mm"
    found = visioncheck.lengths(
        read=read, second_read=second, angles=[90.02, 90.01, 90.03], second_angles="90.1,90.1", set="300mm",
        second_set="450mm", sled=SLED,
    )  # fmt: skip
    typed = ("--read", ",".join(read), "--second-read", second, "--angles", "90.02,90.01,90.03", "--second-angles",
             "90.1,90.1", "--set", "300mm", "--second-set", "450mm")  # fmt: skip
    assert found.to_dict() == of_command(capsys, "lengths", *typed)
    # (450.11 - 300.0333) - 150, by hand
    assert found.compared.zero.value == pytest.approx(0.0767, abs=1e-4)
    assert "second" in str(found)
    assert cv2.imread(str(found.draw(tmp_path / "a.png"))).shape[1] > 500
    assert "<table" in found._repr_html_()
    with visioncheck.open_log(tmp_path / "log", create=True) as log:
        entry = log.add(found, note="repeat cuts", person="Rowan")
    assert (entry.note, entry.person, entry.reading["piece"]) == ("repeat cuts", "Rowan", "lengths")


@pytest.mark.photos
def test_lengths_in_photos_are_those_of_the_command(capsys, rig_file, tmp_path):
    first, again = PHOTOS / "strip-1.jpg", tmp_path / "again.jpg"
    cv2.imwrite(str(again), cv2.imread(str(first), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION),
                [cv2.IMWRITE_JPEG_QUALITY, 90])  # fmt: skip
    found = visioncheck.lengths([first, again], thickness="12.3mm")
    assert found.to_dict() == of_command(capsys, "lengths", str(first), str(again), "--thickness", "12.3mm")
    truth = json.loads(first.with_suffix(".truth.json").read_text())["truth"]
    assert abs(found.stops[0].mean.value - truth["length_mm"]) < found.stops[0].mean.expanded()
    with pytest.raises(visioncheck.UserError, match=r"strip-1.jpg: is given twice; a photo counts once"):
        visioncheck.lengths([first, again, first], thickness="12.3mm", rig=rig_file)


@pytest.mark.photos
def test_travel_is_that_of_the_command(capsys, rig_file, tmp_path):
    found = visioncheck.travel(SLOT, rig=rig_file, sled=SLED, thickness="19.1mm")
    argv = ("travel", SLOT, "--rig", str(rig_file), "--sled", str(SLED), "--thickness", "19.1mm")
    assert found.to_dict() == of_command(capsys, *argv)
    assert found.title == "Alder Lane: blade and travel"
    found.draw(tmp_path / "a.png")
    with visioncheck.open_log(tmp_path / "log", create=True) as log:
        entry = log.add(found, note="after the new bars")
        assert [each.id for each in log.entries()] == [entry.id]
    assert entry.reading["travel"] == found.to_dict()["travel"]
    with pytest.raises(visioncheck.UserError, match="is given twice"):
        visioncheck.travel(SLOT, pulled_back=SLOT, thickness="19.1mm")
    with pytest.raises(visioncheck.Refusal) as refused:
        visioncheck.travel(PHOTOS / "survey-1.jpg", rig=rig_file, thickness="19.1mm")
    assert refused.value.__notes__


@pytest.mark.parametrize("plan", sorted(path.name for path in PLAN.glob("*.toml")))
def test_grooves_are_those_of_the_command(plan, capsys, tmp_path):
    found = visioncheck.grooves(PLAN / plan)
    assert found.to_dict() == of_command(capsys, "groove", str(PLAN / plan))
    assert not found.checked_lines()
    assert found.draw(tmp_path / "a.png").stat().st_size > 1000


@pytest.mark.photos
def test_a_parts_width_goes_into_the_plan(rig_file):
    strip = PHOTOS / "strip-1.jpg"
    width = visioncheck.part_width(strip, rig=rig_file, thickness="12.3mm")
    truth = json.loads(strip.with_suffix(".truth.json").read_text())
    assert abs(width.value - truth["truth"]["width_mid_mm"]) < width.expanded()
    saw = {"zero_kerf": "3.2mm", "fence": "right", "flange": "left"}
    groove = {"name": "bottom", "at": "20mm", "mating": "30mm", "fit": "slide"}
    plan = {"name": "Drawer", "units": "mm", "board": {"width": "200mm"}, "saw": saw, "groove": [groove]}
    wide = visioncheck.grooves(plan, part=width).layout.cuts[0].groove.mating
    assert visioncheck.grooves(plan, part=width).plan.grooves[0].is_mating_seen
    assert not visioncheck.grooves(plan).plan.grooves[0].is_mating_seen
    assert wide == width


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (visioncheck.lengths, "either photos of the pieces or their lengths with read"),
        (lambda: visioncheck.lengths("one.jpg"), "photos takes photos of the pieces; give a list"),
        (lambda: visioncheck.lengths(read="1in,1.001in", thickness="1in"), "thickness has no effect with read"),
        (lambda: visioncheck.lengths(["a.jpg"], u="0.1mm"), "u has no effect without read"),
        (lambda: visioncheck.grooves({}, thickness="18mm"), "the plan"),
        (lambda: visioncheck.grooves(Path("none.toml")), "none.toml"),
        (lambda: visioncheck.travel(3), "lifted is 3"),
    ],
)
def test_each_slip_is_named_in_pythons_words(call, says):
    with pytest.raises(visioncheck.UserError, match=says):
        call()
