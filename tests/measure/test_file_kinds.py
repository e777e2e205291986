"""The same photo in every kind of file that phones write gives the same reading."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.one_photo import measure_photo
from visioncheck.camera.rig_file import load_rig
from visioncheck.measuring import piece as measure
from visioncheck.measuring.detect import detect

PHOTO = Path(__file__).parents[2] / "fixtures" / "photos" / "light-a4" / "corner-2.jpg"
pytestmark = pytest.mark.photos


@pytest.fixture(scope="module")
def rig(rig_file):
    return load_rig(rig_file)


@pytest.fixture(scope="module")
def usual(rig):
    return measure_photo(PHOTO, rig).reading


@pytest.fixture(scope="module")
def heic(rig, tmp_path_factory):
    """The photo as a phone held upright writes it: the sensor's pixels, and a note that they are to be turned."""
    import pillow_heif

    pillow_heif.register_heif_opener()
    path = tmp_path_factory.mktemp("heic") / "photo.heic"
    with Image.open(PHOTO) as image:
        exif = image.getexif()
        exif[0x0112] = 6
        image.save(path, format="HEIF", quality=85, exif=exif.tobytes(), enc_params={"preset": "ultrafast"})
    return detect(path, rig)


@pytest.fixture(scope="module")
def png(rig, tmp_path_factory):
    path = tmp_path_factory.mktemp("png") / "photo.png"
    pixels = cv2.imread(str(PHOTO), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    cv2.imwrite(str(path), pixels.astype(np.uint16) * 257, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    return detect(path, rig)


@pytest.mark.parametrize("kind", ["heic", "png"])
def test_same_reading(kind, rig, usual, request):
    reading = measure_photo(request.getfixturevalue(kind), rig).reading
    assert (reading.piece, reading.tag_id, reading.fence_edge, reading.cut_edge, reading.flags) == (
        usual.piece, usual.tag_id, usual.fence_edge, usual.cut_edge, usual.flags,
    )  # fmt: skip
    assert reading.fence_error is not None
    assert usual.fence_error is not None
    assert reading.fence_error.value == pytest.approx(usual.fence_error.value, abs=0.004)


def test_the_side_is_told_of_the_picture_as_it_is_shown(rig, heic, png, monkeypatch):
    monkeypatch.setattr(measure, "tag_on", lambda *_: None)  # its arrow would contradict one of them
    # orientation 6 shows the stored left side on top
    top = measure_photo(heic, rig, fence_edge="top").reading.fence_edge
    assert top == measure_photo(png, rig, fence_edge="left").reading.fence_edge
    assert top != measure_photo(png, rig, fence_edge="top").reading.fence_edge
