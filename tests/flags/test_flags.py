"""Every flag is raised by a picture, said in text, JSON and picture alike, and the truth lies within what is stated."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

import visioncheck.present.picture
from tests.flags.painted import (
    OAK,
    PHOTOS,
    Picture,
    again,
    coded,
    lay,
    photo,
    rectangle,
    sawn,
    stick_tag,
    tilted,
)
from tests.one_photo import measure_photo
from tests.shapes import interior_angles_deg
from visioncheck.camera.rig_file import load_rig
from visioncheck.cli import main
from visioncheck.codes import Doubt, in_order
from visioncheck.photo.light import linear_light
from visioncheck.present.flags import FLAGS, format_doubt, remedy
from visioncheck.present.picture import draw_reading
from visioncheck.present.reading import reading_lines
from visioncheck.quantity import Quantity
from visioncheck.results.as_json import reading_json

pytestmark = pytest.mark.photos

CORNERS = rectangle()
THIN = Quantity(2.0, 0.3, "mm")
PALE = np.array([0.62, 0.66, 0.70])
"""Linear light, BGR, of the sheet's white."""


@dataclass(frozen=True)
class Doubtful:
    """A picture that raises a flag: its piece's true corners, and how it is measured."""

    picture: Picture
    corners_mm: np.ndarray
    told: dict[str, Any] = field(default_factory=lambda: {"thickness": THIN})
    with_rig: bool = True


def bare() -> Picture:
    return photo("survey-5")


def plain() -> Picture:
    return lay(bare(), sawn(CORNERS))


def blurred() -> Doubtful:
    return Doubtful(replace(plain(), bgr=cv2.GaussianBlur(plain().bgr, (0, 0), 4.0)), CORNERS)


def glare_at(picture: Picture, place_mm, radius_px: float, power: float) -> Picture:
    x, y = picture.view.to_image(np.array([place_mm], float))[0]
    rows, columns = np.mgrid[: picture.bgr.shape[0], : picture.bgr.shape[1]].astype(np.float32)
    shine = power * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * radius_px**2))
    return replace(picture, bgr=coded(linear_light(picture.bgr) + shine[..., None]))


def glare_beside_the_piece() -> Doubtful:
    return Doubtful(glare_at(plain(), (30.0, 60.0), 150, 1.5), CORNERS)


def faint_and_noisy() -> Doubtful:
    picture = lay(bare(), sawn(CORNERS), colour=tuple(0.7 * PALE + 0.3 * np.array(OAK)))
    light = linear_light(picture.bgr)
    noise = 0.2 * light * np.random.default_rng(0).standard_normal(light.shape, np.float32)
    return Doubtful(replace(picture, bgr=coded(light + noise)), CORNERS)


def short() -> Doubtful:
    corners = rectangle((60.0, 21.0))
    return Doubtful(lay(bare(), sawn(corners)), corners, {"thickness": THIN, "piece": "corner"})


def curved() -> Doubtful:
    return Doubtful(lay(bare(), sawn(CORNERS, bow_mm=(0.5, 0.0, 0.0, 0.0))), CORNERS)


def torn() -> Doubtful:
    return Doubtful(lay(bare(), sawn(CORNERS, torn=(0, 0.5, 0.6))), CORNERS)


def pencil_against_it() -> Doubtful:
    a, b = CORNERS[:2]
    along = (b - a) / np.linalg.norm(b - a)
    out = np.array([-along[1], along[0]])
    start, way = a + 0.3 * (b - a) + 0.2 * out, 0.8 * along + 0.6 * out
    pencil = np.array([start, start + 8 * along, start + 8 * along + 60 * way, start + 60 * way])
    return Doubtful(lay(plain(), pencil, colour=(0.02, 0.33, 0.60)), CORNERS)


def little_of_the_band() -> Doubtful:
    view = bare().view
    free = np.zeros(plain().bgr.shape[:2], np.uint8)
    corners = view.to_image(np.array([[20.0, 60.0], [190.0, 60.0], [190.0, 235.0], [20.0, 235.0]]))
    cv2.fillConvexPoly(free, corners.astype(np.int32), 1)
    return Doubtful(replace(plain(), bgr=np.where(free[..., None] > 0, plain().bgr, np.uint8(200))), CORNERS)


def steep() -> Doubtful:
    picture = again(bare(), tilted(bare().view, 40))
    corners = rectangle((90.0, 60.0))
    return Doubtful(lay(picture, sawn(corners)), corners)


def lifted() -> Doubtful:
    def wave(places_mm):
        return 0.2 * np.sin(places_mm[:, 0] / 60 + 1) * np.cos(places_mm[:, 1] / 70 + 2)

    return Doubtful(lay(again(bare(), tilted(bare().view, 12), wave), sawn(CORNERS)), CORNERS)


def zoomed() -> Doubtful:
    lens = bare().view.lens
    terms = lens.terms * np.array([1.08, 1, 1, 1, 1, 1, 1, 1])
    return Doubtful(lay(again(bare(), tilted(bare().view, 12, lens.with_terms(terms))), sawn(CORNERS)), CORNERS)


def thickness_not_told() -> Doubtful:
    return Doubtful(plain(), CORNERS, {})


def tag_of_another_thickness() -> Doubtful:
    return Doubtful(stick_tag(plain(), 222, CORNERS, 0), CORNERS, {"thickness": Quantity(12.0, 0.3, "mm")})


def hardly_a_panel() -> Doubtful:
    # off the nearest e, e, e, -3e by about twice what edges of this roughness are
    corners = rectangle(angles_deg=(90.0, 90.028, 90.0))
    told = {"thickness": THIN, "piece": "panel", "fence_edge": "top"}
    return Doubtful(lay(bare(), sawn(corners)), corners, told)


def panel_told_as_an_offcut() -> Doubtful:
    corners = rectangle((110.0, 95.0), angles_deg=(90.03, 90.03, 90.03))
    told = {"thickness": THIN, "piece": "corner", "fence_edge": "top"}
    return Doubtful(lay(bare(), sawn(corners)), corners, told)


def strip_of_the_third_cut() -> Doubtful:
    corners = rectangle((110.0, 40.0))
    return Doubtful(lay(bare(), sawn(corners)), corners, {"thickness": THIN, "cuts": 3, "fence_edge": "left"})


def no_panel() -> Picture:
    return lay(bare(), sawn(rectangle(angles_deg=(90.3, 89.8, 90.4))))


def slotted() -> Picture:
    """Two millimetres wide, 50 mm in from the middle of the long top edge."""
    a, b, _, d = CORNERS
    along, down = (b - a) / np.linalg.norm(b - a), (d - a) / np.linalg.norm(d - a)
    start = (a + b) / 2 - along
    slot = np.array([start - down, start + 2 * along - down, start + 2 * along + 50 * down, start + 50 * down])
    return lay(plain(), slot, colour=(0.01, 0.01, 0.01))


def slot_told_as_an_offcut() -> Doubtful:
    return Doubtful(slotted(), CORNERS, {"thickness": THIN, "piece": "corner", "fence_edge": "bottom"})


def unsurveyed() -> Doubtful:
    corners = rectangle(turn_deg=60.0)
    return Doubtful(lay(bare(), sawn(corners)), corners, with_rig=False)


def thick_without_a_side_face() -> Doubtful:
    picture = again(bare(), tilted(bare().view, 22))
    corners = rectangle((80.0, 60.0), turn_deg=0.0)
    return Doubtful(lay(picture, sawn(corners), 20.0), corners, {"thickness": Quantity(20.0, 0.3, "mm")})


DOUBTFUL: dict[str, Callable[[], Doubtful]] = {
    "blur": blurred,
    "glare": glare_beside_the_piece,
    "low-contrast": faint_and_noisy,
    "short-edge": short,
    "curved-edge": curved,
    "torn-edge": torn,
    "covered-edge": pencil_against_it,
    "few-points": little_of_the_band,
    "tilt": steep,
    "sheet-lifted": lifted,
    "lens-moved": zoomed,
    "thickness-doubtful": thickness_not_told,
    "tag-contradicts": tag_of_another_thickness,
    "outer-side": strip_of_the_third_cut,
    "closure": hardly_a_panel,
    "kind-doubtful": panel_told_as_an_offcut,
    "seam": slot_told_as_an_offcut,
    "no-rig": unsurveyed,
    "arris-doubtful": thick_without_a_side_face,
}


@pytest.fixture(scope="module")
def rig(rig_file):
    return load_rig(rig_file)


@pytest.fixture
def drawn(monkeypatch):
    """Every axes that a picture is drawn on."""
    made, make = [], visioncheck.present.picture.photo_axes
    monkeypatch.setattr(visioncheck.present.picture, "photo_axes", lambda *how: made.append(make(*how)) or made[-1])
    return made


@pytest.mark.parametrize("code", DOUBTFUL)
def test_a_doubt_is_said_everywhere_and_the_truth_is_within_the_interval(code, rig, tmp_path, drawn):
    case = DOUBTFUL[code]()
    path = case.picture.save(tmp_path / f"{code}.jpg")
    measured = measure_photo(path, rig if case.with_rig else None, **case.told)
    reading = measured.reading
    assert code in reading.flags
    assert code in reading_json(reading)["flags"]
    (doubt,) = (each for each in reading.doubts if each.code == code)
    assert f"{format_doubt(doubt)} {remedy(code)}" in {line.text for line in reading_lines(reading)}
    draw_reading(measured.photo, reading, None, tmp_path / "out.png")
    assert any(format_doubt(doubt) in text.get_text().replace("\n", " ") for text in drawn[0].texts)
    truth = interior_angles_deg(case.corners_mm)
    for corner in reading.corners:
        true = truth[np.argmin(np.linalg.norm(case.corners_mm - corner.at_mm, axis=1))]
        assert abs(corner.angle.value - true) <= corner.angle.expanded()


@pytest.mark.parametrize("name", ["corner-1", "corner-2", "panel-2", "strip-1"])
def test_ordinary_photos_raise_none(name, rig):
    told = json.loads((PHOTOS / f"{name}.truth.json").read_text())["truth"]
    thickness = None if told.get("tag") else Quantity(told["thickness_mm"], 0.3, "mm")
    assert measure_photo(PHOTOS / f"{name}.jpg", rig, thickness).reading.flags == ()


def no_sheet() -> Picture:
    return replace(plain(), bgr=np.full_like(plain().bgr, 120))


def mirrored() -> Picture:
    return replace(plain(), bgr=plain().bgr[:, ::-1])


def two_pieces() -> Picture:
    first = lay(bare(), sawn(rectangle((60.0, 50.0), (105.0, 100.0))))
    return lay(first, sawn(rectangle((60.0, 50.0), (105.0, 190.0))))


def cut_by_the_frame() -> Picture:
    view = tilted(bare().view, 0)
    aside = again(bare(), replace(view, translation_mm=view.translation_mm + np.array([165.0, 0.0, 0.0])))
    return lay(aside, sawn(rectangle((90.0, 70.0), (105.0, 200.0), 0.0)))


def round_piece() -> Picture:
    turn = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    return lay(bare(), np.array([105.0, 148.5]) + 45 * np.column_stack([np.cos(turn), np.sin(turn)]))


def over_the_sheets_edge() -> Picture:
    return lay(bare(), sawn(rectangle(centre_mm=(175.0, 148.5))))


def burnt_out() -> Picture:
    return glare_at(plain(), (105.0, 148.5), 700, 2.5)


def glare_on_an_edge() -> Picture:
    return glare_at(plain(), CORNERS[:2].mean(axis=0), 250, 3.0)


def of_another_phone() -> Picture:
    from PIL import Image

    exif = Image.Exif()
    exif.load(bare().exif)
    exif[0x0110] = "Otter 3"
    return replace(plain(), exif=exif.tobytes())


def melts_into_a_stain() -> Picture:
    """One side of the piece runs out over 12 mm, as a stain's or a rounding's does."""
    a, b, c, d = corners = rectangle(turn_deg=0.0)
    picture = lay(bare(), sawn(corners))
    for step in range(24):
        reach = (6 - 0.5 * step) * (b - a) / np.linalg.norm(b - a)
        colour = tuple(PALE + (np.array(OAK) - PALE) * step / 23)
        picture = lay(picture, np.array([a, b + reach, c + reach, d]), colour=colour)
    return picture


SLOT = ("--piece", "slot")
PANEL = ("--piece", "panel", "--fence-edge", "top")
REFUSED: dict[str, tuple[str, Callable[[], Picture], str, tuple[str, ...]]] = {
    "no sheet": ("no-target", no_sheet, "no printed target", ()),
    "mirrored": ("mirrored", mirrored, "mirrored", ()),
    "bare sheet": ("no-piece", bare, "no workpiece with straight edges", ()),
    "round": ("no-piece", round_piece, "no two straight edges of it are seen to meet", ()),
    "two pieces": ("two-pieces", two_pieces, "two pieces", ()),
    "cut off": ("cut-off", cut_by_the_frame, "cut off", ()),
    "off the sheet": ("off-sheet", over_the_sheets_edge, "over the sheet's edge", ()),
    "burnt out": ("glare", burnt_out, "burnt out white", ()),
    "edge in glare": ("glare", glare_on_an_edge, "lost in the glare", ()),
    "another phone": ("other-rig", of_another_phone, "Otter 3", ()),
    "no panel": ("other-kind", no_panel, "no four cuts with one fence error", PANEL),
    "no slot": ("no-slot", plain, "no", SLOT),
    "melting edge": ("low-contrast", melts_into_a_stain, "or check the thickness, 2.0 mm", ()),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_photo_that_cannot_be_measured_is_refused_for_the_true_reason(name, rig_file, tmp_path, capsys):
    code, make, said, also = REFUSED[name]
    path = make().save(tmp_path / "photo.jpg")
    capsys.readouterr()
    options = ["--rig", str(rig_file), "--thickness", "2mm", "--json", "--picture", str(tmp_path / "out.png"), *also]
    assert main(["measure", str(path), *options]) == 2
    told = capsys.readouterr()
    found = json.loads(told.out)
    assert (found["status"], found["flags"]) == ("refused", [code])
    assert said in found["reason"]
    assert told.err == f"visioncheck: {found['reason']}\n"
    drawn = cv2.imread(str(tmp_path / "out.png"))
    assert max(drawn.shape) == 1600


def test_every_flag_has_its_picture():
    here = set(DOUBTFUL) | {refusal[0] for refusal in REFUSED.values()}
    kerf = Path(__file__).parents[1] / "kerf"
    others = (kerf / "test_slot_photos.py", kerf / "test_wide_slots.py", kerf.parent / "outline" / "test_bare.py")
    told = "".join(path.read_text() for path in others)
    elsewhere = {code for code in FLAGS if f'refused.value.code == "{code}"' in told}
    assert here | elsewhere == set(FLAGS)


def test_flags_are_told_in_the_order_in_which_they_are_mended():
    """Stand straight, then sharp, then without glare, then clear the sheet; the survey is for another day."""
    raised = ("no-rig", "torn-edge", "covered-edge", "glare", "blur", "tilt", "few-points", "blur")
    assert tuple(each.code for each in in_order(map(Doubt, raised))) == (
        "few-points",
        "tilt",
        "blur",
        "glare",
        "covered-edge",
        "torn-edge",
        "no-rig",
    )
