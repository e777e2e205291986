"""A study from a folder of photos: how they are laid out, what is left out, and the whole way on a few."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.conftest import PHOTOS
from visioncheck.cli import main
from visioncheck.errors import UserError
from visioncheck.study.photos import StudyPhoto, StudyReading, find_study_photos, lay_out


def fill(folder, *names):
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(name.encode())


def read(piece, person, *errors, tag=None):
    name = f"{person or 'me'}/{piece}"
    return [
        StudyReading(StudyPhoto(Path(f"{name}/{k}.jpg"), piece, person), error, tag) for k, error in enumerate(errors)
    ]


@pytest.mark.parametrize(
    ("names", "first"),
    [
        (["ann/p1/a.jpg", "ann/p1/b.JPG", "tom/p1/a.jpg"], ("p1", "ann")),
        (["p1/a.jpg", "p2/a.heic", "p2/notes.txt"], ("p1", "")),
        (["a.jpg", "b.png", ".hidden.jpg"], ("", "")),
    ],
)
def test_layouts(tmp_path, names, first):
    fill(tmp_path, *names)
    found = find_study_photos(tmp_path)
    assert (found[0].piece, found[0].person) == first
    assert len(found) == sum(not name.startswith(".") and not name.endswith(".txt") for name in names)


@pytest.mark.parametrize(
    ("names", "said"),
    [
        (["p1/a.jpg", "b.jpg"], "depths"),
        (["x/ann/p1/a.jpg"], "depths"),
        (["notes.txt"], "no photos"),
        ([], "no photos"),
    ],
)
def test_bad_layouts(tmp_path, names, said):
    fill(tmp_path, *names)
    with pytest.raises(UserError, match=said):
        find_study_photos(tmp_path)


def test_a_copy_is_no_repeat(tmp_path):
    fill(tmp_path, "p1/a.jpg", "p1/b.jpg")
    (tmp_path / "p1/b.jpg").write_bytes((tmp_path / "p1/a.jpg").read_bytes())
    with pytest.raises(UserError, match="copy of"):
        find_study_photos(tmp_path)


def test_the_cell_with_the_fewest_sets_the_count_and_the_rest_is_named():
    readings = [*read("p1", "ann", 0.1, 0.2, 0.3), *read("p2", "ann", 0.4, None, 0.5)]
    readings[4] = replace(readings[4], problem="1.jpg: blurred.")
    laid = lay_out(readings)
    assert laid.readings == (("p1", "ann", 0.1), ("p1", "ann", 0.2), ("p2", "ann", 0.4), ("p2", "ann", 0.5))
    assert [each.photo.path.name for each in laid.left_out] == ["2.jpg"]
    assert [each.problem for each in laid.refused] == ["1.jpg: blurred."]


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        (read("p1", "", 0.1, 0.2), "at least 2 pieces"),
        ([*read("p1", "", 0.1, 0.2), *read("p2", "", 0.3)], "piece p2 has 1 usable photos"),
        ([*read("p1", "ann", 0.1, 0.2), *read("p2", "tom", 0.1, 0.2)], "has 0 usable photos by"),
        ([*read("p1", "ann", 0.1, 0.2), *read("p2", "ann", None, None)], "piece p2 has 0 usable photos by ann"),
    ],
)
def test_unbalanced_beyond_repair_is_said(readings, said):
    with pytest.raises(UserError, match=said):
        lay_out(readings)


def test_a_photo_of_another_piece_is_told_by_its_tag():
    strangers = [*read("p1", "", 0.1, 0.2, 0.3, tag=222), *read("p2", "", 0.4, 0.5, tag=223)]
    strangers[1] = replace(strangers[1], tag_id=223)
    laid = lay_out(strangers)
    assert "shows tag 223, the other photos of piece p1 tag 222" in laid.refused[0].problem
    assert len(laid.readings) == 4


def test_one_of_both(capsys):
    assert main(["study"]) == 2
    assert "either a folder of photos or a table" in capsys.readouterr().err
    assert main(["study", "nowhere"]) == 2
    assert "nowhere is no folder" in capsys.readouterr().err


@pytest.mark.photos
def test_the_whole_way(tmp_path, capsys, rig_file):
    # two pieces, each photographed twice: the second photo with a sensor noise of its own
    noise = np.random.default_rng(7)
    for piece in ("corner-1", "corner-2"):
        (tmp_path / "p" / piece).mkdir(parents=True)
        picture = cv2.imread(str(PHOTOS / f"{piece}.jpg"), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
        for k in range(2):
            noisy = np.clip(picture + noise.normal(0, 4, picture.shape).astype(np.float32), 0, 255).astype(np.uint8)
            cv2.imwrite(str(tmp_path / "p" / piece / f"{k}.jpg"), noisy, [cv2.IMWRITE_JPEG_QUALITY, 92])
    bare = tmp_path / "p" / "corner-2" / "bare.jpg"
    bare.write_bytes((PHOTOS / "survey-1.jpg").read_bytes())
    assert main(["study", str(tmp_path / "p"), "--rig", str(rig_file), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["pieces"], found["persons"], found["trials"]) == (2, 1, 2)
    # noise alone moves an angle by thousandths; the pieces differ by 0.07 degrees
    assert 0 < found["repeat_deg"] < 0.006
    assert 0.03 < found["piece_deg"] < 0.08
    assert [Path(each["photo"]).name for each in found["refused"]] == ["bare.jpg"]
