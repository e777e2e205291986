"""`visioncheck survey` from photos to rig file, and what it says to photos that do not belong together."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from visioncheck.camera.rig_file import load_rig
from visioncheck.cli import main
from visioncheck.geometry import similarity

PHOTOS = sorted((Path(__file__).parents[2] / "fixtures" / "photos" / "light-a4").glob("survey-*.jpg"))
RULED = "310.5mm"


def survey(capfd, *arguments):
    code = main(["survey", *map(str, arguments)])
    said = capfd.readouterr()
    return code, said.out, said.err


@pytest.fixture(scope="module")
def rig_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("rig")
    arguments = [
        *map(str, PHOTOS),
        "--ruled",
        RULED,
        "-o",
        str(folder / "rig.json"),
        "--picture",
        str(folder / "p.png"),
    ]
    assert main(["survey", *arguments]) == 0
    return folder


def test_the_rig_is_the_true_camera_and_print(rig_folder):
    # ray-traced photos with exact truth; see fixtures/README.md
    rig = load_rig(rig_folder / "rig.json")
    truth = json.loads(PHOTOS[0].with_name("survey-1.truth.json").read_text())
    assert abs(rig.lens.f_px - truth["camera"]["f"]) < 1
    true = np.array(truth["sheets"][0]["saddles_table_mm"])[rig.index]
    turn, shift, scale = similarity(rig.points_mm, true)
    error = scale * rig.points_mm @ turn.T + shift - true
    assert np.sqrt(np.mean(np.sum(error[:, :2] ** 2, axis=1))) < 0.006
    assert abs(scale - 1) < 2 * rig.scale_u_rel
    assert (rig.paper, rig.field, rig.photos) == ("a4", "light", len(PHOTOS))
    assert set(path.name for path in rig_folder.iterdir()) == {"rig.json", "p.png"}  # noqa: C401
    with Image.open(rig_folder / "p.png") as picture:
        assert min(picture.size) > 800
        assert len(np.unique(np.asarray(picture.convert("L")))) > 20


def test_it_says_what_the_print_is_like(capfd, tmp_path):
    code, out, _ = survey(capfd, *PHOTOS[:5], "--ruled", RULED, "-o", tmp_path / "rig.json")
    assert code == 0
    for words in ("% across", "% down", "off square", "focal length", "residual", "rig.json"):
        assert words.replace(" ", "") in "".join(out.split())  # a long path is broken into lines


def refused(capfd, tmp_path, *arguments):
    before = set(tmp_path.rglob("*"))
    code, _, err = survey(capfd, *arguments, "-o", tmp_path / "rig.json")
    assert code == 2
    assert err.count("visioncheck: ") == 1
    assert "Traceback" not in err
    assert set(tmp_path.rglob("*")) == before
    return err


def test_too_few_photos_and_the_same_one_twice(capfd, tmp_path):
    assert "at least" in refused(capfd, tmp_path, *PHOTOS[:2])
    shutil.copy(PHOTOS[0], tmp_path / "again.jpg")
    assert "same photo" in refused(capfd, tmp_path, *PHOTOS[:4], tmp_path / "again.jpg")


def test_a_length_that_cannot_be(capfd, tmp_path):
    assert "100 %" in refused(capfd, tmp_path, *PHOTOS[:5], "--ruled", "292mm")
    assert "310" in refused(capfd, tmp_path, *PHOTOS[:5], "--ruled", "310")
    assert "above zero" in refused(capfd, tmp_path, *PHOTOS[:5], "--ruled=-310mm")


def test_photos_of_two_sizes(capfd, tmp_path):
    with Image.open(PHOTOS[1]) as whole:
        whole.resize((whole.width // 2, whole.height // 2)).save(tmp_path / "small.jpg")
    said = refused(capfd, tmp_path, PHOTOS[0], tmp_path / "small.jpg", *PHOTOS[2:5])
    assert "small.jpg" in said
    assert "pixels" in said


def test_an_output_that_cannot_be_written(capfd, tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("not a folder")
    code, _, err = survey(capfd, *PHOTOS[:5], "-o", blocked / "rig.json")
    assert code == 2
    assert os.fspath(blocked) in err.replace("\n", "")
