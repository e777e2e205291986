"""Pictures made from the fixture photos: pieces painted on the bare sheet, and the sheet photographed anew.

Everything is done through the photo's true camera, in linear light, with edges of the photo's own sharpness, so that a
painted piece has an exact truth too.
"""

from __future__ import annotations

import io
import json
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from tests.shapes import laid, quadrilateral
from visioncheck.camera.lens import Lens
from visioncheck.camera.view import RigidView, rotation_matrix
from visioncheck.photo.light import linear_light
from visioncheck.printed.layout import TAG_MM, TAG_PAPER_MM

PHOTOS = Path(__file__).parents[2] / "fixtures" / "photos" / "light-a4"
OAK = (0.10, 0.22, 0.36)
"""Linear light, BGR, on this sheet's white of about 0.7."""
_FINE = 4
_BLUR_PX = 0.9
_NOISE = 0.012
_STEP_PX = 16
_MIDDLE_MM = np.array([105.0, 148.5])
_BENCH = (90, 100, 110)


@dataclass(frozen=True)
class Picture:
    """A photo's stored pixels and the camera that took it.

    `waves` (6, 6) is the height of the paper, mm, as a polynomial of the place; see `_height`.
    """

    bgr: np.ndarray
    view: RigidView
    exif: bytes
    waves: np.ndarray

    def save(self, path: Path) -> Path:
        """Write it as the phone would."""
        path.write_bytes(jpeg(self.bgr, self.exif))
        return path


def jpeg(bgr: np.ndarray, exif: bytes) -> bytes:
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(bgr[:, :, ::-1])).save(out, "JPEG", quality=95, exif=exif)
    return out.getvalue()


@cache
def photo(name: str) -> Picture:
    """A fixture photo with its true camera."""
    told = json.loads((PHOTOS / f"{name}.truth.json").read_text())
    camera, points = told["camera"], np.array(told["sheets"][0]["saddles_table_mm"])
    basis = np.polynomial.polynomial.polyvander2d(*((points[:, :2] - _MIDDLE_MM) / 150).T, [5, 5])
    waves = np.linalg.lstsq(basis, -points[:, 2], rcond=1e-6)[0].reshape(6, 6)
    lens = Lens(
        camera["width"], camera["height"], np.array([camera["f"], camera["cx"], camera["cy"], *camera["k1k2p1p2k3"]])
    )
    vector = cv2.Rodrigues(np.array(camera["R"]))[0][:, 0]
    with Image.open(PHOTOS / f"{name}.jpg") as image:
        exif = image.info["exif"]
    bgr = cv2.imread(str(PHOTOS / f"{name}.jpg"), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    return Picture(bgr, RigidView(lens, vector, np.array(camera["t"])), exif, waves)


def _height(waves, places_mm):
    near = np.clip((places_mm - _MIDDLE_MM) / 150, -1.1, 1.1)
    return np.polynomial.polynomial.polyval2d(*near.T, waves)


def rectangle(size_mm=(110.0, 80.0), centre_mm=(105.0, 148.5), turn_deg=12.0, angles_deg=(90.0, 90.0, 90.0)):
    """Corners (4, 2) mm of a four-sided piece, its angles told at the corners 0, 1 and 3."""
    return laid(quadrilateral(size_mm, angles_deg), centre_mm, turn_deg)


def sawn(corners, seed=0, bow_mm=(0.0, 0.0, 0.0, 0.0), torn=None):
    """Outline (n, 2) of the piece with its edges as sawn: rough, bowed to the outside, one of them torn.

    `torn` is (edge, share of it, depth in mm): bites of some millimetres, evenly spread.
    """
    random = np.random.default_rng(seed)
    outline = []
    for k, (start, end) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True)):
        length = np.linalg.norm(end - start)
        along = (end - start) / length
        at = np.arange(0.0, length, 0.05)
        rough = cv2.GaussianBlur(random.normal(0, 1, (1, len(at))), (0, 0), 14)[0]
        off = 0.015 * rough / rough.std()
        off += bow_mm[k] * (1 - (2 * at / length - 1) ** 2 - 2 / 3)
        if torn is not None and torn[0] == k:
            off -= torn[2] * ((at % 7.0) < 7.0 * torn[1])
        outline.append(start + at[:, None] * along + off[:, None] * np.array([-along[1], along[0]]))
    return np.concatenate(outline)


def lay(picture: Picture, outline_mm, thickness_mm=2.0, colour=OAK, seed=1) -> Picture:
    """Lay a flat piece of one colour on the sheet; its side faces do not show."""
    pixels = picture.view.to_image(outline_mm, thickness_mm)
    share, window = _coverage(picture.bgr.shape, pixels)
    return _covered(picture, share, window, np.array(colour), seed)


def _coverage(shape, pixels):
    """How much of each pixel lies inside a polygon, blurred as the photo is, and where in the picture."""
    low = np.maximum(np.floor(pixels.min(axis=0)).astype(int) - 8, 0)
    high = np.minimum(np.ceil(pixels.max(axis=0)).astype(int) + 9, [shape[1], shape[0]])
    width, height = high - low
    fine = np.zeros((height * _FINE, width * _FINE), np.uint8)
    places = (pixels - low + 0.5) * _FINE - 0.5
    cv2.fillPoly(fine, [np.round(places * 16).astype(np.int32)], 255, shift=4)
    share = cv2.resize(fine, (int(width), int(height)), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    return cv2.GaussianBlur(share, (0, 0), _BLUR_PX), (slice(low[1], high[1]), slice(low[0], high[0]))


def _covered(picture: Picture, share, window, light, seed) -> Picture:
    random = np.random.default_rng(seed)
    part = linear_light(picture.bgr[window])
    grain = 1 + _NOISE * random.normal(size=(*share.shape, 1)) + 0.02 * cv2.GaussianBlur(
        random.normal(0, 8, share.shape), (0, 0), 8)[..., None]  # fmt: skip
    mixed = part * (1 - share[..., None]) + light * grain * share[..., None]
    bgr = picture.bgr.copy()
    bgr[window] = coded(mixed)
    return replace(picture, bgr=bgr)


def coded(light):
    """8-bit sRGB (IEC 61966-2-1) of linear light."""
    light = np.clip(light, 0, 1)
    return np.round(255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)).astype(
        np.uint8
    )


def stick_tag(picture: Picture, number: int, corners_mm, edge: int, thickness_mm=2.0) -> Picture:
    """A paper tag in the piece's middle, its arrow to an edge, in its true size on the top face."""
    middle = corners_mm.mean(axis=0)
    out = (corners_mm[edge] + corners_mm[(edge + 1) % 4]) / 2 - middle
    up = out / np.linalg.norm(out)
    right = np.array([-up[1], up[0]])

    def square(side):
        return middle + np.array([up - right, up + right, right - up, -up - right]) * side / 2

    bits = cv2.aruco.generateImageMarker(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250), number, 7, borderBits=1
    )
    picture = lay(picture, square(TAG_PAPER_MM), thickness_mm, (0.7, 0.7, 0.7))
    a, b, _, d = square(TAG_MM)
    for row in range(7):
        for column in range(7):
            if not bits[row, column]:
                cell = [
                    a + (b - a) * (column + x) / 7 + (d - a) * (row + y) / 7
                    for x, y in ((0, 0), (1, 0), (1, 1), (0, 1))
                ]
                picture = lay(picture, np.array(cell), thickness_mm, (0.04, 0.04, 0.04))
    return picture


def tilted(view: RigidView, tilt_deg: float, lens: Lens | None = None, height_mm: float | None = None) -> RigidView:
    """Look at the sheet's middle at a tilt, from the distance of `view` or another."""
    away = np.linalg.norm(view.camera_mm - [105, 148.5, 0]) if height_mm is None else height_mm
    turn = view.matrix
    upright = rotation_matrix(np.array([0, 0, np.arctan2(turn[1, 0], turn[0, 0])]))
    rotation = rotation_matrix(np.radians([tilt_deg, 0, 0])) @ upright
    shift = np.array([0, 0, away]) - rotation @ np.array([105, 148.5, 0])
    return RigidView(lens or view.lens, cv2.Rodrigues(rotation)[0][:, 0], shift)


def again(picture: Picture, view: RigidView, lift=None) -> Picture:
    """Photograph the bare sheet of a picture through another camera.

    `lift` gives how much higher the paper lies now, mm, at places (n, 2).
    """
    height, width = picture.bgr.shape[:2]
    columns, rows = np.arange(0, width + _STEP_PX, _STEP_PX), np.arange(0, height + _STEP_PX, _STEP_PX)
    grid = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2).astype(float)
    flat = view.to_table(grid)
    place = flat
    for _ in range(3):
        high = _height(picture.waves, place) + (lift(place) if lift else 0)
        place = view.foot_mm + (flat - view.foot_mm) * (1 - high / view.height_mm)[:, None]
    was = picture.view.project(np.column_stack([place, -_height(picture.waves, place)]))
    source = was.reshape(len(rows), len(columns), 2).astype(np.float32)
    x, y = np.meshgrid(np.arange(width, dtype=np.float32) / _STEP_PX, np.arange(height, dtype=np.float32) / _STEP_PX)
    fine = cv2.remap(source, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    bgr = cv2.remap(picture.bgr, fine, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=_BENCH)
    return replace(picture, bgr=bgr, view=view)
