from __future__ import annotations

import contextlib
import io

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageOps

from tests.photo.profiles import profile
from visioncheck.errors import UserError
from visioncheck.photo.load import load_photo
from visioncheck.photo.orientation import as_stored


def picture(width=400, height=300):
    ramp = np.linspace(0, 255, width, dtype=np.uint8)
    image = np.zeros((height, width, 3), np.uint8)
    image[..., 0], image[..., 1], image[..., 2] = ramp, 120, np.linspace(0, 255, height, dtype=np.uint8)[:, None]
    return image


def jpeg_bytes(orientation=1):
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Example", "Phone Z", orientation
    exif.get_ifd(0x8769).update({0x920A: 5.7, 0xA405: 26, 0x9003: "2026:05:02 10:01:00"})
    out = io.BytesIO()
    Image.fromarray(picture()).save(out, "JPEG", exif=exif, quality=95)
    return out.getvalue()


JPEG = jpeg_bytes()


def test_jpeg_pixels_stay_as_stored_and_exif_is_told(tmp_path):
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(orientation=6))
    photo = load_photo(path)
    assert photo.bgr.shape == (300, 400, 3)
    assert np.abs(photo.bgr[..., ::-1].astype(int) - picture()).max() < 12
    exif = photo.exif
    assert (exif.make, exif.model, exif.focal_mm, exif.focal_35mm) == ("Example", "Phone Z", 5.7, 26)
    assert (exif.taken, exif.orientation) == ("2026:05:02 10:01:00", 6)
    assert len(photo.sha256) == 64


def test_png_of_8_and_16_bits(tmp_path):
    image = picture()
    for depth, values in ((8, image), (16, image.astype(np.uint16) * 257)):
        path = tmp_path / f"{depth}.png"
        cv2.imwrite(str(path), values)
        assert np.array_equal(load_photo(path).bgr, image)


def test_heic(tmp_path):
    import pillow_heif

    path = tmp_path / "a.heic"
    pillow_heif.from_pillow(Image.fromarray(picture())).save(path, quality=95)
    photo = load_photo(path)
    assert np.abs(photo.bgr[..., ::-1].astype(int) - picture()).mean() < 6


@pytest.mark.parametrize("orientation", range(1, 9))
def test_heic_comes_as_the_sensor_saw_it_however_the_phone_was_held(tmp_path, orientation):
    import pillow_heif

    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / "a.heic"
    # the writer stores the pixels as given and how to turn them, as phones do
    pillow_heif.register_heif_opener()
    Image.fromarray(picture()).save(path, format="HEIF", quality=95, exif=exif.tobytes())
    assert (b"irot" in path.read_bytes() or b"imir" in path.read_bytes()) == (orientation != 1)
    photo = load_photo(path)
    assert photo.exif.orientation == orientation
    assert np.abs(photo.bgr[..., ::-1].astype(int) - picture()).mean() < 6


@pytest.mark.parametrize("orientation", range(1, 9))
def test_as_stored_undoes_what_the_picture_library_shows(orientation):
    """Outside check: Pillow's own reading of the EXIF orientation."""
    stored = np.random.default_rng(1).integers(0, 256, (5, 7, 3), np.uint8)
    image = Image.fromarray(stored)
    image.getexif()[0x0112] = orientation
    shown = np.asarray(ImageOps.exif_transpose(image))
    assert np.array_equal(as_stored(shown, orientation), stored)


def test_what_follows_a_jpegs_end_does_not_matter(tmp_path):
    path = tmp_path / "a.jpg"
    path.write_bytes(JPEG + b"\x00motion\xff\xd8clip" * 50)
    assert load_photo(path).bgr.shape == (300, 400, 3)


def png(width, height):
    out = io.BytesIO()
    Image.new("1", (width, height)).save(out, "PNG")
    return out.getvalue()


def spliced():
    """A few coded bytes doubled: the decoder loses its place and shows the rest of the picture shifted."""
    start = JPEG.index(b"\xff\xda") + 40
    return JPEG[: start + 40] + JPEG[start:]


BAD = {
    "empty": (b"", "is empty"),
    "text": (b"not a picture at all", "not a picture"),
    "truncated": (JPEG[: len(JPEG) // 2], "cut short"),
    "spliced": (spliced(), "damaged"),
    "no end": (JPEG[:-2], "cut short"),
    "one pixel": (png(1, 1), "only 1 x 1 pixels"),
    "narrow": (png(4000, 199), "only 4000 x 199"),
    "200 megapixels": (png(20000, 10000), "more than 100 megapixels"),
    "bomb": (png(60000, 40000), "more than 100 megapixels"),
    "cut png": (png(3000, 3000)[:200], "damaged|not a picture"),
}


@pytest.mark.parametrize("kind", BAD)
def test_each_bad_file_has_its_sentence(tmp_path, kind):
    data, sentence = BAD[kind]
    path = tmp_path / "bad.jpg"
    path.write_bytes(data)
    with pytest.raises(UserError, match=sentence) as error:
        load_photo(path)
    assert str(path) in str(error.value)
    assert "\n" not in str(error.value)


def test_no_file_and_a_folder(tmp_path):
    with pytest.raises(UserError, match="no such file"):
        load_photo(tmp_path / "none.jpg")
    with pytest.raises(UserError, match="is a folder"):
        load_photo(tmp_path)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    damage=st.lists(st.tuples(st.integers(0, len(JPEG) - 1), st.integers(0, 255)), min_size=1, max_size=12),
    head=st.booleans(),
    cut=st.none() | st.integers(0, len(JPEG)),
)
def test_damaged_bytes_give_a_photo_or_a_sentence(tmp_path, damage, head, cut):
    data = bytearray(JPEG)
    for at, value in damage:
        data[at % 400 if head else at] = value  # the first 400 bytes hold the EXIF block
    path = tmp_path / "damaged.jpg"
    path.write_bytes(bytes(data[:cut]))
    with contextlib.suppress(UserError):
        assert load_photo(path).bgr.dtype == np.uint8


def with_profile(tmp_path, pixels, icc_profile):
    path = tmp_path / "a.png"
    Image.fromarray(pixels).save(path, icc_profile=icc_profile)
    return load_photo(path).bgr


@pytest.mark.parametrize("gamma", [1.0, 1.8, 2.6])
@pytest.mark.parametrize("grey", [False, True])
def test_a_profile_is_applied(tmp_path, gamma, grey):
    levels = np.tile(np.arange(256, dtype=np.uint8), (200, 1))
    pixels = levels if grey else np.repeat(levels[..., None], 3, axis=2)
    read = with_profile(tmp_path, pixels, profile(gamma, grey=grey))
    # IEC 61966-2-1 (sRGB): level of the light that the profile names
    light = (np.arange(256) / 255) ** (round(256 * gamma) / 256)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    assert np.abs(read[0].astype(float) - 255 * coded[:, None]).max() <= 1.5


def test_a_profile_with_the_usual_curve_changes_nothing(tmp_path):
    usual = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert np.array_equal(with_profile(tmp_path, picture()[..., ::-1], usual), picture())


@pytest.mark.parametrize("damaged", [b"x", b"x" * 5000, profile(1.0)[:200], profile(1.0).replace(b"curv", b"junk")])
def test_a_damaged_profile_counts_as_none(tmp_path, damaged):
    assert np.array_equal(with_profile(tmp_path, picture()[..., ::-1], damaged), picture())
