"""Which kind of piece a photo shows: asked where two fit, refused where the one that was named does not."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from tests.flags.painted import OAK, PHOTOS, lay, photo, rectangle, sawn
from tests.one_photo import measure_photo
from visioncheck.camera.rig_file import load_rig
from visioncheck.cli import main
from visioncheck.errors import Refusal
from visioncheck.outline.seam import find_seam
from visioncheck.present.naming import error_sentence
from visioncheck.present.questions import question_sentence
from visioncheck.quantity import Quantity
from visioncheck.results.as_json import reading_json

pytestmark = pytest.mark.photos

THIN = Quantity(2.0, 0.3, "mm")
LONG, SHORT = 120.0, 90.0
CORNERS = rectangle((LONG, SHORT))


@pytest.fixture(scope="module")
def rig(rig_file):
    return load_rig(rig_file)


def thickness_of(name: str) -> Quantity | None:
    told = json.loads((PHOTOS / f"{name}.truth.json").read_text())["truth"]
    return None if told.get("tag") else Quantity(told["thickness_mm"], 0.3, "mm")


@pytest.mark.parametrize(
    ("name", "kinds"),
    [
        ("panel-2", {"panel", "corner"}),
        ("strip-1", {"strip", "corner"}),
        ("gap-1", {"gap", "slot"}),
        ("kerf-2", {"slot", "gap", "corner"}),
    ],
)
@pytest.mark.parametrize("with_rig", [True, False])
def test_where_kinds_fit_alike_they_are_asked_for_and_nothing_is_said_of_the_fence(rig, name, kinds, with_rig):
    reading = measure_photo(PHOTOS / f"{name}.jpg", rig if with_rig else None, thickness_of(name), None, None, None)
    reading = reading.reading
    assert kinds <= set(reading.open_kinds)
    assert reading.question is not None
    for kind in kinds:
        assert ("--cuts" if kind == "strip" else f"--piece {kind}") in question_sentence(reading.question)
    assert reading.fence_error is None
    assert reading.fence_error_size is None
    found = reading_json(reading)
    assert found["open_kinds"] == list(reading.open_kinds)
    assert not {"correction", "fence_error_deg", "fence_error_size_deg"} & found.keys()


def test_corners_that_only_an_offcut_has_are_not_asked_about(rig):
    for name in ("corner-1", "corner-2"):
        reading = measure_photo(PHOTOS / f"{name}.jpg", rig).reading
        assert (reading.piece, reading.open_kinds) == ("corner", ())
        assert reading.fence_error is not None


@pytest.mark.parametrize(
    ("name", "told", "looks_like"),
    [
        ("corner-2", "panel", "--piece corner"),
        ("panel-2", "corner", "--piece panel"),
        ("panel-2", "strip", "--piece panel"),
        ("strip-1", "panel", "219 by 28 mm, too narrow"),
        ("gap-1", "panel", "--piece gap"),
        ("gap-1", "corner", "--piece gap"),
    ],
)
def test_a_kind_that_does_not_fit_is_refused_with_what_it_looks_like(rig, name, told, looks_like):
    with pytest.raises(Refusal) as refused:
        measure_photo(PHOTOS / f"{name}.jpg", rig, thickness_of(name), told, None, None)
    assert refused.value.code == "other-kind"
    assert looks_like in error_sentence(refused.value)


def test_cuts_name_a_strip(rig):
    reading = measure_photo(PHOTOS / "strip-1.jpg", rig, thickness_of("strip-1"), None, None, "left", 5).reading
    assert reading.piece == "strip"
    assert reading.fence_error is not None


def test_the_command_asks_and_moves_nothing(rig_file, capsys):
    sled = PHOTOS.parents[1] / "sleds" / "alder-lane.toml"
    capsys.readouterr()
    assert main(["measure", str(PHOTOS / "panel-2.jpg"), "--rig", str(rig_file), "--sled", str(sled)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "say --piece panel" in out
    assert not any(f"{label} " in out for label in ("Verdict", "Move", "Fence"))


def seam_in(picture):
    """What is seen in a painted piece, whose outline is told exactly."""
    return find_seam(picture.bgr, picture.view, picture.view.to_table(picture.view.to_image(CORNERS, 2.0)))


def line(width_mm, start, end, colour, thickness_mm=2.0):
    """A painted straight line between places told as shares of the sides, across the piece."""
    a, b, _, d = CORNERS
    ends = [a + x * (b - a) + y * (d - a) for x, y in (start, end)]
    run = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    half = width_mm / 2 * np.array([-run[1], run[0]])
    outline = np.array([ends[0] - half, ends[1] - half, ends[1] + half, ends[0] + half])
    return outline, thickness_mm, colour


BLACK, PAPER, PENCIL, GRAIN = (0.01, 0.01, 0.01), (0.64, 0.66, 0.68), (0.07, 0.075, 0.08), (0.07, 0.16, 0.26)
SEEN = {
    "kerf": line(2.4, (0.3, -0.02), (0.3, 0.7), BLACK),
    "kerf from the side": line(1.0, (1.02, 0.4), (0.4, 0.4), BLACK),
    "tight halves": line(0.25, (0.5, -0.02), (0.504, 1.02), BLACK),
    "slot over the sheet": line(12.0, (0.4, 1.02), (0.4, 0.4), PAPER),
    "wide slot in shade": line(38.0, (0.5, -0.02), (0.5, 0.6), tuple(0.12 * level for level in PAPER)),
}
NOT_SEEN = {
    "plain": None,
    "slanted pencil line from the edge": line(0.8, (0.2, -0.02), (0.7, 0.6), PENCIL),
    "pencil line within": line(0.8, (0.3, 0.2), (0.3, 0.8), PENCIL),
    "dark grain from edge to edge": line(2.0, (0.5, -0.02), (0.5, 1.02), GRAIN),
    "knot at the edge": line(9.0, (0.3, -0.02), (0.3, 0.1), BLACK),
    "tag's paper": line(28.0, (0.4, 0.3), (0.4, 0.6), PAPER),
    "shade along a side": line(6.0, (-0.02, 0.02), (1.02, 0.02), tuple(0.3 * level for level in OAK)),
}


@pytest.fixture(scope="module")
def piece():
    return lay(photo("survey-5"), sawn(CORNERS))


@pytest.mark.parametrize("name", SEEN)
def test_a_slot_or_gap_is_seen(piece, name):
    outline, thickness, colour = SEEN[name]
    seam = seam_in(lay(piece, outline, thickness, colour))
    assert seam is not None
    assert seam.crosses == (name == "tight halves")
    if not seam.crosses:
        length = np.linalg.norm(outline[1] - outline[0]) - 0.02 * (LONG if "side" in name else SHORT)
        assert seam.length_mm == pytest.approx(length, abs=4)


@pytest.mark.parametrize("name", NOT_SEEN)
def test_what_lies_on_the_wood_or_grows_in_it_is_no_slot(piece, name):
    painted = NOT_SEEN[name]
    assert seam_in(piece if painted is None else lay(piece, *painted)) is None


def test_a_shadow_with_a_soft_border_is_no_slot(piece):
    outline, _, _ = line(30.0, (0.5, -0.05), (0.5, 0.7), BLACK)
    shade = np.zeros(piece.bgr.shape[:2], np.float32)
    cv2.fillConvexPoly(shade, piece.view.to_image(outline, 2.0).round().astype(np.int32), 1.0)
    shade = 1 - 0.5 * cv2.GaussianBlur(shade, (0, 0), 40)
    darker = np.clip(piece.bgr * shade[..., None], 0, 255).astype(np.uint8)
    assert find_seam(darker, piece.view, piece.view.to_table(piece.view.to_image(CORNERS, 2.0))) is None
