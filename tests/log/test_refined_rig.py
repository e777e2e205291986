"""A rig refined by the pairs and panels of a log: which of them count, what is written and said."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest

from tests.conftest import PHOTOS
from tests.log.conftest import make_draft, make_photo, make_reading
from visioncheck.camera.refine import Evidence, sheet_angle_u_deg
from visioncheck.camera.rig import save_rig
from visioncheck.camera.rig_file import load_rig
from visioncheck.camera.support import affine_slopes
from visioncheck.cli import main
from visioncheck.errors import Refusal, UserError
from visioncheck.log.photos import read_photo
from visioncheck.log.store import Log
from visioncheck.measuring import refine_rig
from visioncheck.measuring.refine_rig import refine_by_log
from visioncheck.measuring.request import RigFile, read_rig
from visioncheck.printed.layout import target_layout

pytestmark = pytest.mark.photos

SLED = PHOTOS.parents[1] / "sleds" / "alder-lane.toml"
U_DEG = 0.01


@pytest.fixture(scope="module")
def file(rig_file, tmp_path_factory):
    """A rig that knows its sheet's right angles to 0.01°."""
    rig = load_rig(rig_file)
    ways = np.zeros((2, *rig.points_mm.shape))
    centred = rig.points_mm[:, :2] - rig.points_mm[:, :2].mean(axis=0)
    ways[0, :, :2], ways[1, :, :2] = centred[:, ::-1] / 2, centred * [0.5, -0.5]
    ways = np.radians(U_DEG) * ways.reshape(2, -1)
    covariance = rig.covariance.copy()
    covariance[8:, 8:] += ways.T @ ways
    path = tmp_path_factory.mktemp("open") / "rig.json"
    save_rig(replace(rig, covariance=covariance), path)
    return read_rig(path)


def shear_of(rig, apart_deg, u_deg=0.004):
    """Evidence that the sheet shows square things `apart_deg` out of square, and those on their corner square."""
    slopes = np.degrees(affine_slopes(target_layout(rig.paper).saddles_mm[rig.index]))
    gain = np.concatenate([np.zeros((2, 8)), slopes], axis=1)
    return Evidence(np.array([apart_deg, 0.0]), gain, np.eye(2) * u_deg**2)


@pytest.fixture
def told(monkeypatch):
    """What each entry is made to show, by the name of its photo."""
    shown: dict[str, float | UserError] = {}

    def evidence(_log, entry, _kind, rig):
        here = shown.get(entry.file_name, 0.006)
        if isinstance(here, UserError):
            raise here
        return shear_of(rig, here)

    monkeypatch.setattr(refine_rig, "_evidence", evidence)
    return shown


def keep(log, tmp_path, name, rig_text, **reading):
    photo = read_photo(make_photo(tmp_path, name=name))
    found = make_reading() | {"photo": name} | reading
    return log.attach_once(make_draft(reading=found, rig_text=rig_text, file_name=name), photo, {}, [])


PAIR = {"turned": {"photo": "again.jpg", "turn_deg": 90.0, "surveyed": True}}
PANEL = {"piece": "panel", "fence_edge": 0}


@pytest.mark.usefixtures("told")
def test_pairs_and_panels_of_this_rig_count_and_nothing_else(log, tmp_path, file):
    pair = keep(log, tmp_path, "pair.jpg", file.text, **PAIR)
    panel = keep(log, tmp_path, "panel.jpg", file.text, **PANEL)
    keep(log, tmp_path, "corner.jpg", file.text)
    keep(log, tmp_path, "order-unknown.jpg", file.text, piece="panel")
    keep(log, tmp_path, "other-rig.jpg", '{"rig": 1}', **PAIR)
    keep(log, tmp_path, "no-rig.jpg", None, **PAIR)
    keep(log, tmp_path, "refused.jpg", file.text, **PAIR, status="refused", fence_error_deg=None)
    found = refine_by_log(log, file)
    assert [(entry.id, kind) for entry, kind in found.used] == [(pair.id, "pair"), (panel.id, "panel")]
    assert found.left_out == ()
    assert found.rig.learnt_from == (pair.photo_sha256, panel.photo_sha256)
    # two of 0.004° and a survey of 0.01°: precisions add
    assert found.u_before_deg == pytest.approx(U_DEG, rel=0.05)
    slope = affine_slopes(target_layout("a4").saddles_mm[file.rig.index])[0]
    u_deg = np.degrees(np.sqrt(slope @ found.rig.covariance[8:, 8:] @ slope))
    assert u_deg == pytest.approx((1 / U_DEG**2 + 2 / 0.004**2) ** -0.5, rel=0.05)
    assert found.moved_deg == pytest.approx(0.006 * (2 / 0.004**2) / (1 / U_DEG**2 + 2 / 0.004**2), rel=0.05)


@pytest.mark.usefixtures("told")
def test_a_refined_rig_learns_on_and_nothing_twice(log, tmp_path, file):
    keep(log, tmp_path, "first.jpg", file.text, **PAIR)
    once = refine_by_log(log, file).rig
    path = tmp_path / "rig-2.json"
    save_rig(once, path)
    second = read_rig(path)
    assert second.rig.learnt_from == once.learnt_from
    with pytest.raises(UserError, match="not learnt from"):
        refine_by_log(log, second)
    # read with the second version, and one more with the first
    new = keep(log, tmp_path, "second.jpg", second.text, **PAIR)
    old = keep(log, tmp_path, "third.jpg", file.text, **PAIR)
    found = refine_by_log(log, second)
    assert {entry.id for entry, _ in found.used} == {new.id, old.id}
    assert found.rig.learnt_from[:1] == once.learnt_from
    # and the first version may learn from all three anew
    assert len(refine_by_log(log, file).used) == 3
    assert sheet_angle_u_deg(found.rig) == pytest.approx(sheet_angle_u_deg(refine_by_log(log, file).rig), rel=1e-3)


@pytest.mark.usefixtures("told")
def test_a_corrected_reading_counts_once(log, tmp_path, file):
    old = keep(log, tmp_path, "pair.jpg", file.text, **PAIR)
    photo = read_photo(tmp_path / "pair.jpg")
    found = make_reading(0.02) | {"photo": "pair.jpg"} | PAIR
    log.attach_once(make_draft(reading=found, rig_text=file.text, file_name="pair.jpg"), photo, {}, [])
    assert log.get(old.id).corrected_by
    assert len(refine_by_log(log, file).used) == 1


def test_what_contradicts_or_cannot_be_read_is_left_out_and_said(log, tmp_path, file, told):
    keep(log, tmp_path, "good.jpg", file.text, **PAIR)
    keep(log, tmp_path, "odd.jpg", file.text, **PAIR)
    keep(log, tmp_path, "dark.jpg", file.text, **PAIR)
    told |= {"odd.jpg": 0.2, "dark.jpg": Refusal("low-contrast", "dark.jpg")}
    found = refine_by_log(log, file)
    assert [entry.file_name for entry, _ in found.used] == ["good.jpg"]
    assert [(each.entry.file_name, each.problem is None) for each in found.left_out] == [
        ("odd.jpg", True),
        ("dark.jpg", False),
    ]
    told["good.jpg"] = -0.2
    with pytest.raises(UserError, match="survey the sheet again"):
        refine_by_log(log, file)


def test_the_command_writes_a_new_file_and_leaves_the_old_one_and_the_log(log, tmp_path, file, told, capsys):
    entry = keep(log, tmp_path, "pair.jpg", file.text, **PAIR)
    keep(log, tmp_path, "odd.jpg", file.text, **PANEL)
    told["odd.jpg"] = 0.3
    rig, new = tmp_path / "rig.json", tmp_path / "new.json"
    rig.write_text(file.text)
    assert main(["refine", str(rig), str(log.folder), "-o", str(new)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "1 quarter-turn pair in" in said
    # the survey's own ± joins the ± 0.02°
    assert re.search(r"were known to ± 0\.02\d\d°, and are now to ± 0\.00\d\d°", said)
    assert "panel odd.jpg" in said
    assert "contradicts the rig" in said
    assert "those in the log stay as they were" in said
    assert rig.read_text() == file.text
    assert log.get(entry.id) == entry
    assert load_rig(new).learnt_from == (entry.photo_sha256,)
    for words in (
        ["refine", str(rig), str(log.folder), "-o", str(new)],
        ["refine", str(rig), str(log.folder), "-o", str(rig)],
    ):
        assert main(words) == 2
        assert "give it a new name" in capsys.readouterr().err
    assert rig.read_text() == file.text


def test_a_changed_list_of_photos_is_found_in_the_file(tmp_path, file):
    path = tmp_path / "rig.json"
    save_rig(replace(file.rig, learnt_from=("a" * 64,), survey_sha256="b" * 64), path)
    assert load_rig(path).survey_sha256 == "b" * 64
    content = json.loads(path.read_text())
    for wrong in (["c" * 64], "c", [1]):
        path.write_text(json.dumps(content | {"learnt_from": wrong}))
        with pytest.raises(UserError, match=r"learnt_from|digest"):
            load_rig(path)


def test_real_photos_from_the_measurement_to_the_refined_rig(tmp_path, rig_file, capsys):
    log, new = tmp_path / "log", tmp_path / "new.json"
    with_what = ["--rig", str(rig_file), "--sled", str(SLED), "--log", str(log)]
    pair = [str(PHOTOS / f"corner-31-turn{deg}.jpg") for deg in (0, 90)]
    assert main(["measure", *pair, "--turned", *with_what]) == 0
    assert "visioncheck refine" in capsys.readouterr().err
    assert main(["measure", str(PHOTOS / "panel-2.jpg"), "--piece", "panel", *with_what]) == 0
    assert main(["refine", str(rig_file), str(log), "-o", str(new)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "1 quarter-turn pair" in said
    assert "1 four-cut panel" in said
    before, after = load_rig(rig_file), load_rig(new)
    assert sheet_angle_u_deg(after) < sheet_angle_u_deg(before)
    assert len(after.learnt_from) == 2
    with Log.open(log, readonly=True) as kept:
        again = refine_by_log(kept, RigFile(before, rig_file.read_text()))
    assert again.rig.points_mm == pytest.approx(after.points_mm, abs=1e-6)
    # the truth: where each saddle point of the print is
    sheet = json.loads((PHOTOS / "survey-1.truth.json").read_text())["sheets"][0]
    truth = np.array(sheet["saddles_table_mm"])[before.index, :2]
    slopes = (
        affine_slopes(target_layout(before.paper).saddles_mm[before.index]).reshape(2, -1, 3)[:, :, :2].reshape(2, -1)
    )
    for rig in (before, after):
        off_deg = np.degrees(slopes @ (rig.points_mm[:, :2] - truth).ravel())
        assert np.abs(off_deg).max() < 3 * sheet_angle_u_deg(rig) + 0.002
