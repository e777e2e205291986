"""The blade's tilt, other angles, two cuts of one board and a fence's bow, on painted photos with exact truth."""

from __future__ import annotations

import json

import numpy as np
import pytest

from tests.fence.painted_pieces import FIXTURES, MITRE_DEG, TILT_DEG, write
from tests.flags.painted import lay, photo, rectangle, sawn
from visioncheck.cli import main
from visioncheck.log.store import Log

SLED = "fixtures/sleds/alder-lane.toml"


def read(capsys, *args):
    assert main(["measure", *map(str, args), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def holds(found, truth):
    return abs(found["value"] - truth) <= found["expanded"]


def board(tmp_path, name, corner_deg, bow_mm=(0.0, 0.0, 0.0, 0.0), turn_deg=2.0, seed=3):
    corners = rectangle((120.0, 80.0), (95.0, 158.0), turn_deg, (90.0, corner_deg, 90.0))
    picture = lay(photo("survey-5"), sawn(corners, seed, bow_mm), 2.0)
    return write(picture, tmp_path / f"{name}.jpg")


def test_the_blades_tilt(rig_file, tmp_path, capsys):
    photo_file = FIXTURES / "bevel-1.jpg"
    told = ("--piece", "bevel", "--thickness", "60mm", "--fence-edge", "bottom", "--cut-edge", "right")
    log = tmp_path / "log"
    found = read(capsys, photo_file, "--rig", rig_file, "--sled", SLED, *told, "--log", log)
    assert holds(found["blade_tilt_deg"], TILT_DEG)
    assert found["blade_tilt_deg"]["expanded"] < 0.2
    assert (found["tilt"]["leans"], found["tilt"]["advice"]) == ("right", "turn it back")
    assert "fence_error_deg" not in found
    assert "correction" not in found
    with Log.open(log, readonly=True) as kept:
        (entry,) = kept.entries()
    assert entry.fence_error is None  # so it has no part in the fence's trend


def test_a_mitred_offcut(rig_file, capsys):
    told = ("--nominal", "45", "--thickness", "18mm", "--fence-edge", "bottom")
    found = read(capsys, FIXTURES / "mitre-1.jpg", "--rig", rig_file, *told)
    assert holds(found["fence_error_deg"], MITRE_DEG - 45)
    asked = read(capsys, FIXTURES / "mitre-1.jpg", "--rig", rig_file, *told[2:])
    assert asked["question"]["code"] == "nominal"
    assert "fence_error_deg" not in asked


def test_two_cuts_of_one_board(rig_file, tmp_path, capsys):
    first, second = (board(tmp_path, name, corner) for name, corner in (("one", 90.25), ("two", 90.05)))
    told = ("--thickness", "2mm", "--fence-edge", "bottom", "--rig", rig_file, "--sled", SLED)
    found = read(capsys, first, second, "--recut", "end for end", *told)
    assert holds(found["fence_error_deg"], 0.15)
    assert holds(found["two_cuts"]["seat_deg"], 0.10)
    assert main(["measure", str(first), str(second), "--recut", "end for end", *map(str, told)]) == 0
    assert "lie turned by 0.1" in " ".join(capsys.readouterr().out.split())


def test_a_fences_bow_by_reversal(rig_file, tmp_path, capsys):
    # its lower edge bulges; turned by half a turn it is the upper one
    one = board(tmp_path, "one", 90.0, _bow(0.2, below=True))
    two = board(tmp_path, "two", 90.0, _bow(0.2, below=False), seed=4)
    told = ("--piece", "straight", "--thickness", "2mm", "--fence-edge", "bottom", "--rig", rig_file)
    found = read(capsys, one, two, "--turned", *told)
    assert holds(found["fence_bow_mm"], 0.2)
    assert abs(found["sheet_bow_mm"]["value"]) < 0.03
    assert "fence_error_deg" not in found


def _bow(mm, *, below):
    corners = rectangle((120.0, 80.0), (95.0, 158.0), 2.0)
    middles = (corners + np.roll(corners, -1, axis=0)) / 2
    low = int(np.argmax(middles[:, 1]) if below else np.argmin(middles[:, 1]))
    return tuple(mm if k == low else 0.0 for k in range(4))


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("--piece", "bevel", "--fence-edge", "bottom", "--cut-edge", "top"), "meet at a corner"),
        (("--cut-edge", "top"), "goes with a board on its edge"),
        (("--recut", "end for end"), "two photos"),
        (("--nominal", "5"), "no angle from 10 to 170"),
    ],
)
def test_what_cannot_be(args, said, capsys):
    assert main(["measure", str(FIXTURES / "bevel-1.jpg"), "--thickness", "60mm", *args]) == 2
    assert said in " ".join(capsys.readouterr().err.split())
