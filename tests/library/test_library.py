"""The library as a notebook uses it: photos to correction in ten lines, and a door that lets nothing doubtful in."""

from __future__ import annotations

import doctest
import importlib
import json
import math
import re
import subprocess
import sys
from dataclasses import FrozenInstanceError, replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import visioncheck
from visioncheck.camera.rig_file import load_rig
from visioncheck.given import as_length
from visioncheck.present.topics import topic_text
from visioncheck.sled.file import load_sled

REPO = Path(__file__).parents[2]
PHOTOS = REPO / "fixtures" / "photos" / "light-a4"
SLED = REPO / "fixtures" / "sleds" / "alder-lane.toml"
CORNER = PHOTOS / "corner-2.jpg"
DOCUMENTED = (
    "visioncheck",
    "visioncheck.api.pieces",
    "visioncheck.api.log",
    "visioncheck.api.work",
    "visioncheck.units",
)


@pytest.mark.parametrize("name", DOCUMENTED)
def test_what_the_docstrings_show_is_true(name, monkeypatch):
    monkeypatch.chdir(REPO)
    ran = doctest.testmod(importlib.import_module(name))
    assert ran.attempted > 0
    assert ran.failed == 0


def test_what_the_handbook_shows_runs(tmp_path, monkeypatch, capsys):
    (example,) = re.findall(r"```python\n(.*?)```", topic_text("python"), flags=re.DOTALL)
    (tmp_path / "fixtures").symlink_to(REPO / "fixtures")
    monkeypatch.chdir(tmp_path)
    exec(compile(example, "python.md", "exec"), {})  # noqa: S102 - our own text
    assert " outside right back\nsingle move it\n" in capsys.readouterr().out
    assert (tmp_path / "read.png").stat().st_size > 10_000


@pytest.fixture(scope="module")
def found(rig_file):
    return visioncheck.measure(str(CORNER), rig=rig_file, sled=SLED)


def test_from_photos_to_the_correction_in_ten_lines(tmp_path):
    photos = sorted(PHOTOS.glob("survey-*.jpg"))
    rig = visioncheck.survey(photos, ruled="310.5mm")
    rig.save(tmp_path / "rig.json")
    sled = visioncheck.load_sled(SLED)
    result = visioncheck.measure(PHOTOS / "corner-2.jpg", rig=rig, sled=sled)
    result.draw(tmp_path / "read.png")
    with visioncheck.open_log(tmp_path / "log", create=True) as log:
        entry = log.add(result, note="first test cut")
        trend = log.trend("Alder Lane")
    move = result.correction
    # the photo's truth, fixtures/photos/light-a4/corner-2.truth.json: cut at 90.085°
    assert abs(result.value.value - 0.085) < result.value.expanded() < 0.03
    assert (move.advice, move.end, move.way) == ("move it", "right", "back")
    # D tan e at the adjuster, 610 mm from the pivot (fixtures/sleds/alder-lane.toml)
    assert move.move.value == pytest.approx(610 * math.tan(math.radians(result.value.value)))
    assert result.verdict is visioncheck.Verdict.OUTSIDE
    assert entry.fence_error_deg == pytest.approx(result.value.value)
    assert trend.state == "single"
    # the saved rig is the one in memory, to the hash that the log keeps
    again = visioncheck.measure(CORNER, rig=tmp_path / "rig.json", sled=SLED)
    assert again.to_dict() == result.to_dict()
    with Image.open(tmp_path / "read.png") as picture:
        assert len(np.unique(np.asarray(picture.convert("L")))) > 50


def test_a_result_is_frozen_plain_and_without_pixels(found):
    with pytest.raises(FrozenInstanceError):
        found.outcome = None
    assert found.outcome.measured.photo.bgr.size == 0
    assert json.loads(json.dumps(found.to_dict()))["fence_error_deg"]["value"] == found.value.value
    assert found.question is None
    assert "RIGHT end BACK" in str(found)


def test_all_ways_to_give_a_sled_and_a_rig_are_one(found, rig_file):
    one = found.to_dict()
    file, plain = visioncheck.load_rig(str(rig_file)), load_rig(rig_file)
    for rig, sled in ((file, visioncheck.load_sled(str(SLED))), (plain, load_sled(SLED)), (file.rig, str(SLED))):
        assert visioncheck.measure(CORNER, rig=rig, sled=sled).to_dict() == one


def test_a_pair_is_two_photos_and_not_three(rig_file):
    both = visioncheck.measure(
        (PHOTOS / "corner-31-turn0.jpg", PHOTOS / "corner-31-turn90.jpg"), rig=rig_file, sled=SLED
    )
    assert both.reading.turned.photo == "corner-31-turn90.jpg"
    with pytest.raises(visioncheck.InputError, match="3 are given"):
        visioncheck.measure((CORNER, CORNER, CORNER))


def test_an_open_question_has_no_value_and_no_correction(rig_file):
    asked = visioncheck.measure(PHOTOS / "panel-2.jpg", rig=rig_file, sled=SLED)
    assert asked.question
    assert (asked.value, asked.correction) == (None, None)
    told = visioncheck.measure(PHOTOS / "panel-2.jpg", rig=rig_file, sled=SLED, piece="panel")
    assert told.question is None
    assert told.value.unit == "deg"


# ---------------------------------------------------------------------- the door


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"piece": "banana"}, "piece 'banana' is not known; choose one of corner, panel, strip, slot, gap"),
        ({"fence_edge": "north"}, "fence_edge 'north'"),
        ({"turned_half": "both", "piece": "gap"}, "turned_half 'both'"),
        ({"cuts": 1}, "cuts 1"),
        ({"cuts": 5.0}, "cuts 5.0"),
        ({"cuts": True}, "cuts True"),
        ({"thickness": 18}, "does not say its unit"),
        ({"thickness": "18"}, "no unit"),
        ({"thickness": visioncheck.Quantity(18, 0.1, "deg")}, "no unit of length"),
        ({"thickness": visioncheck.Quantity(math.nan, 0.1, "mm")}, "no length above zero"),
        ({"thickness": visioncheck.Quantity(18, -0.1, "mm")}, "no length above zero"),
        ({"thickness": visioncheck.Quantity(9, 0.1, "in")}, "is no board's"),
        ({"sled": 3}, "sled is 3"),
        ({"rig": ["rig.json"]}, "rig is ['rig.json']"),
        ({"rig": "gone.json"}, "gone.json"),
        ({"sled": ""}, "sled is ''"),
    ],
)
def test_what_is_told_is_checked_before_the_photo_is_opened(given, says):
    with pytest.raises(visioncheck.UserError) as refused:
        visioncheck.measure("no-such-photo.jpg", **given)
    assert says in str(refused.value)
    assert "--" not in str(refused.value)  # a caller from Python has no options


@pytest.mark.parametrize("photo", [None, 3, "", b"photo.jpg", ["a.jpg"]])
def test_a_photo_is_a_path(photo):
    with pytest.raises(visioncheck.InputError, match="photo"):
        visioncheck.measure(photo)


def test_an_inch_is_an_inch():
    given = visioncheck.Quantity(0.75, 0.01, "in", dof=7)
    taken = as_length("thickness", given, "'18mm'")
    # 1 in = 25.4 mm (BS 350; ISO 31-1)
    assert (taken.value, taken.u, taken.unit, taken.dof) == (pytest.approx(19.05), pytest.approx(0.254), "mm", 7)


def test_a_thickness_in_inches_reaches_the_reading():
    strip = {"piece": "strip", "cuts": 5, "fence_edge": "left"}
    inches, mm = (
        visioncheck.measure(PHOTOS / "strip-1.jpg", thickness=thickness, **strip).reading.thickness
        for thickness in (visioncheck.Quantity(12.3 / 25.4, 0.1 / 25.4, "in"), visioncheck.Quantity(12.3, 0.1, "mm"))
    )
    assert (inches.value, inches.u) == (pytest.approx(mm.value), pytest.approx(mm.u))


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({}, "Give one reading"),
        ({"angle": "about right"}, "no angle"),
        ({"angle": None, "corners": [90, 90, 90]}, "four angles"),
        ({"corners": [90, 90, [90], 90]}, "is no angle"),
        ({"rear": 30.4, "front": "30mm", "length": "300mm"}, "rear 30.4 does not say its unit"),
        ({"rear": "30.4mm", "front": "30mm"}, "length"),
        ({"angle": 90.1, "side": "up"}, "side"),
        ({"angle": 90.1, "cuts": 1}, "cuts 1"),
    ],
)
def test_typed_readings_are_checked_too(given, says):
    with pytest.raises(visioncheck.UserError) as refused:
        visioncheck.compute(**given)
    assert says in str(refused.value)


def test_typed_readings_say_what_the_command_says():
    found = visioncheck.compute(cuts=5, rear="30.42mm", front="30.10mm", length="300mm", sled=SLED)
    assert found.value.value == pytest.approx(math.degrees(math.atan(0.32 / 300)) / 4, rel=1e-6)
    assert found.to_dict()["correction"]["advice"] == found.correction.advice
    unsigned = visioncheck.compute(taper="0.1deg", sled=SLED)
    assert (unsigned.value, unsigned.correction) == (None, None)
    assert unsigned.question.code == "wider end"
    assert "--" not in str(unsigned) + str(visioncheck.compute(angle=90.08))  # no options in Python
    assert unsigned.verdict is visioncheck.Verdict.CANNOT_TELL


def test_survey_wants_a_list_with_a_photo_in_it():
    for photos, says in ((str(CORNER), "several photos"), ([], "No photos"), (7, "several photos")):
        with pytest.raises(visioncheck.UserError, match=says):
            visioncheck.survey(photos)
    with pytest.raises(visioncheck.InputError, match="ruled"):
        visioncheck.survey([CORNER], ruled=visioncheck.Quantity(310.5, 0.1, "deg"))


# ---------------------------------------------------------------------- pictures, notebooks, the log


def test_pictures_are_png_and_never_written_over_the_photo(found, tmp_path):
    with pytest.raises(visioncheck.InputError, match="PNG"):
        found.draw(tmp_path / "read.jpg")
    with pytest.raises(visioncheck.InputError, match="photo itself"):
        found.draw(CORNER)
    typed = visioncheck.compute(angle=90.08, sled=SLED)
    assert typed.draw(str(tmp_path / "typed.png")) == tmp_path / "typed.png"
    with Image.open(tmp_path / "typed.png") as picture:
        assert picture.format == "PNG"


def test_a_photo_that_was_changed_since_is_not_drawn_on(tmp_path):
    photo = tmp_path / "corner.jpg"
    photo.write_bytes(CORNER.read_bytes())
    taken = visioncheck.measure(photo)
    photo.write_bytes((PHOTOS / "corner-1.jpg").read_bytes())
    with pytest.raises(visioncheck.UserError, match="changed after it was measured"):
        taken.draw(tmp_path / "read.png")


class _Tags(HTMLParser):
    """Which elements there are, and that each is closed."""

    def __init__(self):
        super().__init__()
        self.seen, self.open, self.text = set(), [], ""

    def handle_starttag(self, tag, _):
        self.seen.add(tag)
        if tag != "img":
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


def test_a_notebook_shows_text_as_text(found):
    name = '<script>alert("1")</script> & Söhne'
    asked = found.outcome.request
    file = replace(asked.sled_file, sled=replace(asked.sled, name=name))
    named = replace(found, outcome=replace(found.outcome, request=replace(asked, sled_file=file)))
    shown = named._repr_html_()
    tags = _Tags()
    tags.feed(shown)
    tags.close()
    assert tags.open == []
    assert "script" not in tags.seen
    assert {"table", "img"} <= tags.seen
    assert name in tags.text
    assert "&lt;script&gt;" in shown
    assert "Unplug the saw" in tags.text  # there is something to be done at the saw
    assert "Unplug" not in visioncheck.compute(angle=90.08)._repr_html_()


def test_the_log_keeps_what_has_a_sleds_file(found, tmp_path):
    with visioncheck.open_log(tmp_path / "log", create=True) as log:
        assert log.add(found).id == log.add(found).id  # a photo counts once
        typed = log.add(visioncheck.compute(angle=90.01, sled=SLED), person="Ash", note="protractor")
        assert (typed.kind, typed.person, typed.note) == ("typed", "Ash", "protractor")
        assert [each.kind for each in log.entries("Alder Lane")].count("photo") == 1
        assert log.sleds() == ["Alder Lane"]
        for without in (visioncheck.compute(angle=90.01), visioncheck.compute(angle=90.01, sled=load_sled(SLED))):
            with pytest.raises(visioncheck.InputError, match="sled"):
                log.add(without)
        with pytest.raises(visioncheck.InputError, match="Alder Lane"):
            log.trend("Nobody's")
        with pytest.raises(visioncheck.InputError, match="measure or compute"):
            log.add({"fence_error_deg": 1})
    with pytest.raises(visioncheck.UserError, match="not a calibration log"):
        visioncheck.open_log(tmp_path / "none")


# ---------------------------------------------------------------------- the package itself


def test_every_public_name_is_there_and_typed():
    assert set(visioncheck.__all__) <= set(dir(visioncheck))
    assert all(getattr(visioncheck, name) is not None for name in visioncheck.__all__)
    assert (Path(visioncheck.__file__).parent / "py.typed").exists()
    with pytest.raises(AttributeError, match="no attribute 'banana'"):
        _ = visioncheck.banana


def test_importing_loads_nothing_heavy_and_no_submodule_hides_a_function():
    code = (
        "import sys, visioncheck\n"
        "assert not {'numpy', 'cv2', 'scipy', 'pydantic'} & set(sys.modules), sorted(sys.modules)\n"
        "import visioncheck.measuring.photo, visioncheck.log.store\n"
        "assert callable(visioncheck.measure) and callable(visioncheck.survey) and callable(visioncheck.compute)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=REPO)


def test_a_refusal_explains_itself_below_the_traceback(rig_file):
    with pytest.raises(visioncheck.Refusal) as refused:
        visioncheck.measure(PHOTOS / "survey-1.jpg", rig=rig_file)
    assert "survey-1.jpg" in refused.value.__notes__[0]
    assert "--" not in refused.value.__notes__[0]


def test_what_to_measure_next_is_said_as_it_is_done_in_python():
    unsurveyed = visioncheck.measure(CORNER, sled=SLED)
    assert unsurveyed.correction.advice == "measure again"
    assert "measure better" in str(unsurveyed)
    assert "--" not in str(unsurveyed)
