"""`visioncheck measure` with the measuring itself replaced by readings put together by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import pytest

from tests.report.hand_made import corner_piece, photo
from visioncheck.cli import main
from visioncheck.errors import Refusal, UserError
from visioncheck.measuring.detect import Measured
from visioncheck.measuring.request import MeasureRequest

CAUTION = "Unplug the saw"


@pytest.fixture(autouse=True)
def _by_hand(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def measure_photo(request: MeasureRequest, *_: object) -> Measured:
        path = request.photo
        if path.name == "bare.jpg":
            raise Refusal("off-sheet", "bare.jpg")
        if path.name == "gone.jpg":
            raise UserError("gone.jpg: there is no such file; check the name")
        return Measured(photo(), replace(corner_piece(), photo=path.name))

    monkeypatch.setattr("visioncheck.measuring.photo.measure_photo", measure_photo)
    monkeypatch.chdir(tmp_path)
    assert main(["sled", "sled.toml", "--defaults", "--units", "mm", "--name", "Juniper sled"]) == 0


def test_one_photo_gives_one_object(capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert main(["measure", "a.jpg", "--sled", "sled.toml", "--json", "--budget"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["status"] == "measured"
    assert found["correction"]["advice"] == "move it"
    assert found["budget_deg"] == {"edge": 0.0012, "print survey": 0.0016}


def test_a_refused_photo_does_not_stop_the_others(capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert main(["measure", "bare.jpg", "gone.jpg", "a.jpg", "--json"]) == 1
    said = capsys.readouterr()
    found = json.loads(said.out)
    assert [each["status"] for each in found] == ["refused", "refused", "measured"]
    assert [each["flags"] for each in found] == [["off-sheet"], [], ["tilt"]]
    assert "bare.jpg: the piece reaches over" in said.err
    assert "no such file" in said.err


def test_a_single_refusal_is_one_sentence_and_code_2(capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert main(["measure", "bare.jpg"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("visioncheck: bare.jpg: the piece reaches over the sheet's edge; lay it within")
    assert main(["measure", "bare.jpg", "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["flags"] == ["off-sheet"]


def test_cautions_stand_once_and_only_with_a_correction(capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert main(["measure", "a.jpg", "b.jpg", "--sled", "sled.toml", "--budget"]) == 0
    said = capsys.readouterr().out
    assert said.count(CAUTION) == 1
    assert said.index(CAUTION) > said.rindex("together")
    assert main(["measure", "a.jpg"]) == 0
    assert CAUTION not in capsys.readouterr().out


def test_picture_is_written() -> None:
    assert main(["measure", "a.jpg", "--sled", "sled.toml", "--picture", "new/out.png"]) == 0
    assert cv2.imread("new/out.png") is not None
    assert sorted(each.name for each in Path("new").iterdir()) == ["out.png"]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["a.jpg", "--piece", "disc"], "--piece"),
        (["a.jpg", "--fence-edge", "north"], "--fence-edge"),
        (["a.jpg", "--thickness", "thick"], "--thickness"),
        (["a.jpg", "--thickness", "3m"], "--thickness"),
        (["a.jpg", "b.jpg", "--picture", "out.png"], "--picture"),
        (["a.jpg", "--picture", "out.jpg"], "PNG"),
        (["a.png", "--picture", "a.png"], "would be written over"),
        (["a.jpg", "--picture", "sled.toml/out.png"], "Cannot write"),
        (["a.jpg", "--sled", "nowhere.toml"], "nowhere.toml"),
        (["a.jpg", "--rig", "nowhere.json"], "nowhere.json"),
    ],
)
def test_bad_options_are_one_sentence(options: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert main(["measure", *options]) == 2
    error = capsys.readouterr().err
    assert error.startswith("visioncheck: ")
    assert said in error
    assert error.count("\n") == 1
