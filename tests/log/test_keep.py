"""From a real photo to its entry in a real log."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from PIL import Image

from tests.conftest import PHOTOS
from visioncheck.cli import main
from visioncheck.commands.measure import _by_time
from visioncheck.log.check import check
from visioncheck.log.entry import sha256_text
from visioncheck.log.store import Log
from visioncheck.measuring.keep import attach_outcome
from visioncheck.measuring.measure import measure_piece
from visioncheck.measuring.options import PieceOptions
from visioncheck.measuring.request import MeasureRequest, read_rig, read_sled

SLED = Path(__file__).parents[2] / "fixtures" / "sleds" / "alder-lane.toml"
pytestmark = pytest.mark.photos


@pytest.fixture(scope="module")
def corner(rig_file):
    return measure_piece(MeasureRequest(PHOTOS / "corner-2.jpg", None, read_sled(SLED), read_rig(rig_file)))


@pytest.fixture(scope="module")
def bare(rig_file):
    return measure_piece(MeasureRequest(PHOTOS / "survey-2.jpg", None, read_sled(SLED), read_rig(rig_file)))


def entries(folder):
    with Log.open(folder, readonly=True) as log:
        assert list(check(log)) == []
        return list(log.entries())


def test_an_entry_keeps_all_that_the_reading_rests_on(log, corner, rig_file):
    entry = attach_outcome(log, corner, person="Ida", note="dry oak")
    assert entry.sled == "Alder Lane"
    assert log.document(entry.sled_sha256) == SLED.read_text()
    assert log.document(entry.rig_sha256) == rig_file.read_text()
    assert log.photo_path(entry).read_bytes() == (PHOTOS / "corner-2.jpg").read_bytes()
    reading = entry.reading
    assert reading["photo_sha256"] == entry.photo_sha256
    assert reading["rig_sha256"] == sha256_text(rig_file.read_text())
    assert (reading["sled"], reading["tag"], reading["flags"]) == ("Alder Lane", 244, [])
    assert reading["correction"]["end"] == "right"
    # the parts of the budget are independent (JCGM 100:2008, 5.1.2)
    parts = sum(u * u for u in reading["budget_deg"].values()) ** 0.5
    assert parts == pytest.approx(entry.fence_error.u, rel=0.02)
    assert list(check(log)) == []


def test_a_photo_counts_once(log, corner):
    first = attach_outcome(log, corner, person="Ida", adjusted="3/8 turn")
    assert attach_outcome(log, corner) == first
    assert len(list(log.entries())) == 1
    changed = attach_outcome(log, corner, note="dry oak")
    assert (changed.corrects, changed.person, changed.adjusted) == (first.id, "Ida", "3/8 turn")
    assert [entry.id for entry in log.entries() if entry.corrected_by is None] == [changed.id]


def test_a_refused_photo_is_not_kept(log, bare):
    assert bare.reading["status"] == "refused"
    assert bare.measured is None
    with pytest.raises(type(bare.problem), match="no-piece"):
        attach_outcome(log, bare)
    assert list(log.entries()) == []


def test_a_photo_changed_since_it_was_measured_is_not_kept(log, tmp_path, rig_file):
    photo = tmp_path / "corner.jpg"
    shutil.copyfile(PHOTOS / "corner-2.jpg", photo)
    asked = MeasureRequest(photo, None, read_sled(SLED), read_rig(rig_file), PieceOptions(piece="corner"))
    outcome = measure_piece(asked).without_pixels()
    assert outcome.reading["told"] == {"piece": "corner"}
    assert outcome.measured.photo.bgr.size == 0
    photo.write_bytes(photo.read_bytes() + b"\0")
    with pytest.raises(Exception, match="changed after it was measured"):
        attach_outcome(log, outcome)
    assert list(log.entries()) == []


def test_photos_are_kept_in_the_order_they_were_taken(tmp_path):
    for name, time in (("c", None), ("a", "2026:03:02 09:00:00"), ("b", "2026:03:01 09:00:00")):
        exif = Image.Exif()
        if time:
            exif.get_ifd(0x8769)[36867] = time
        Image.new("RGB", (8, 8)).save(tmp_path / f"{name}.jpg", exif=exif)
    assert [path.stem for path in _by_time([tmp_path / f"{name}.jpg" for name in "cab"])] == ["b", "a", "c"]


def test_measure_keeps_each_photo(tmp_path, capsys, rig_file):
    folder = tmp_path / "log"
    photos = [str(PHOTOS / f"{name}.jpg") for name in ("panel-2", "survey-1", "corner-2")]
    options = ["--rig", str(rig_file), "--sled", str(SLED), "--log", str(folder)]
    capsys.readouterr()
    assert main(["measure", *photos, *options, "--person", "Ida", "--adjusted", "3/8 turn", "--json"]) == 1
    said = capsys.readouterr()
    assert [reading["status"] for reading in json.loads(said.out)].count("measured") == 2
    assert said.err.count("is in the log") == 2
    kept = entries(folder)
    assert {entry.file_name for entry in kept} == {"panel-2.jpg", "corner-2.jpg"}
    assert [entry.adjusted for entry in kept] == ["3/8 turn", ""]
    assert all(entry.sled == "Alder Lane" and entry.person == "Ida" for entry in kept)


def test_a_correction_with_a_photo_is_measured(tmp_path, capsys, rig_file):
    """Never a typed value under a photo: another photo in place of an entry's is read, with its sled and rig."""
    folder = tmp_path / "log"
    wrong = tmp_path / "wrong.jpg"
    shutil.copyfile(PHOTOS / "corner-1.jpg", wrong)
    line = ["log", "attach", str(folder), str(wrong), "--rig", str(rig_file), "--sled", str(SLED)]
    assert main([*line, "--note", "dry oak"]) == 0
    (old,) = entries(folder)
    line = ["log", "attach", str(folder), str(PHOTOS / "corner-2.jpg"), "--corrects", old.id]
    assert main(line) == 0
    new = next(entry for entry in entries(folder) if entry.id != old.id)
    assert (new.corrects, new.file_name, new.note) == (old.id, "corner-2.jpg", "dry oak")
    assert new.fence_error_deg == pytest.approx(0.085, abs=0.02)  # the photo's truth file
    assert new.reading["rig_sha256"] == old.reading["rig_sha256"]
    assert f"stands in for {old.id[:8]}" in capsys.readouterr().out
    (tmp_path / "typed.json").write_text(json.dumps({"schema": 1, "status": "refused", "reason": "x"}))
    line = ["log", "attach", str(folder), "--corrects", new.id, "--reading", str(tmp_path / "typed.json")]
    assert main(line) == 2
    assert "is of the photo corner-2.jpg" in capsys.readouterr().err


def test_log_attach_measures_by_itself(tmp_path, capsys, rig_file):
    line = ["log", "attach", str(tmp_path / "log"), str(PHOTOS / "corner-2.jpg"), "--rig", str(rig_file)]
    capsys.readouterr()
    assert main([*line, "--sled", str(SLED)]) == 0
    (entry,) = entries(tmp_path / "log")
    assert entry.fence_error_deg == pytest.approx(0.085, abs=0.02)
    # the sled is known from now on, and the photo as well
    assert main([*line, "--sled", "Alder Lane"]) == 0
    assert entries(tmp_path / "log") == [entry]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--log", "log"], "--sled SLED.toml"),
        (["--person", "Ida"], "--log"),
        (["--log", ".", "--sled", str(SLED)], "no calibration log"),
    ],
)
def test_what_is_wrong_with_the_log_is_said_before_the_work(tmp_path, monkeypatch, capsys, options, said):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mine.txt").write_text("mine")
    assert main(["measure", "never-looked-at.jpg", *options]) == 2
    assert said in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
