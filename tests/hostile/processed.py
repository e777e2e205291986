"""Photos as software leaves them, against exact truth: `python -m tests.hostile.processed FOLDER [--only slots]`.

FOLDER is one of `tests.accuracy`: folders, one a rig, whose survey is made from the photos as they are. Every photo of
a piece is measured as it is, shrunk and grown again, sharpened, softened, moved, developed anew, or out of focus.
"""

from __future__ import annotations

import argparse
import io
import tempfile
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from tests.accuracy import FENCE, KINDS, Score, scores_of, survey_photos, truth_of, write_rig
from tests.one_photo import measure_photo
from tests.photo.develop import developed
from tests.photo.profiles import profile
from visioncheck.camera.rig_file import load_rig
from visioncheck.errors import UserError
from visioncheck.photo.light import linear_between
from visioncheck.quantity import Quantity

LINEAR = "linear levels, profile"
SHRUNK_PX = 1600
NOISE = 0.004
"""Linear light: what a sensor adds after the lens has blurred."""


def _coded(light):
    """8 bits of linear light 0 … 1 (IEC 61966-2-1, sRGB)."""
    light = np.clip(light, 0, 1)
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rint(255 * value).astype(np.uint8)


def _in_light(bgr, kernel):
    """Convolve the light, and add what a sensor adds afterwards."""
    light = cv2.filter2D(linear_between(np.arange(256.0))[bgr].astype(np.float32), -1, kernel)
    noise = np.random.default_rng(18).normal(0, 1, light.shape).astype(np.float32)
    return _coded(light + NOISE * np.sqrt(np.maximum(light, 0.02)) * noise)


def _disc(radius_px):
    """A lens out of focus: an even disc, its rim by area."""
    size = 2 * int(np.ceil(radius_px)) + 3
    fine = (np.arange(size * 8) + 0.5) / 8 - size / 2
    inside = (np.hypot(*np.meshgrid(fine, fine)) <= radius_px).reshape(size, 8, size, 8).mean(axis=(1, 3))
    return (inside / inside.sum()).astype(np.float32)


def _streak(length_px, angle_deg):
    """A hand that moved evenly: an even line."""
    size = 2 * int(np.ceil(length_px / 2)) + 5
    kernel = np.zeros((size, size), np.float32)
    along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    for t in np.linspace(-length_px / 2, length_px / 2, 200):
        x, y = size // 2 + t * along
        i, j = int(np.floor(x)), int(np.floor(y))
        for di in (0, 1):
            for dj in (0, 1):
                kernel[j + dj, i + di] += (1 - abs(x - i - di)) * (1 - abs(y - j - dj))
    return kernel / kernel.sum()


def _shrunk(bgr, long_px=SHRUNK_PX):
    """Made small for sending, and grown again."""
    height, width = bgr.shape[:2]
    share = long_px / max(height, width)
    small = cv2.resize(bgr, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    return cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC)


def _unsharp(bgr, amount, radius_px):
    return np.clip(bgr + amount * (bgr - cv2.GaussianBlur(bgr.astype(np.float32), (0, 0), radius_px)), 0, 255)


def _equalised(bgr):
    """Local contrast by histograms of tiles (K. Zuiderveld, Contrast limited adaptive histogram equalization, 1994)."""
    lab = cv2.cvtColor(bgr, cv2.COLOR_BGR2LAB)
    lab[..., 0] = cv2.createCLAHE(2.0, (8, 8)).apply(lab[..., 0])
    return cv2.cvtColor(lab, cv2.COLOR_LAB2BGR)


PROCESSED: dict[str, Callable] = {
    "as it is": lambda bgr: bgr,
    "shrunk to 1600": _shrunk,
    "shrunk to half": lambda bgr: _shrunk(bgr, max(bgr.shape) // 2),
    "local contrast": lambda bgr: _unsharp(bgr, 0.5, 30),
    "tiles equalised": _equalised,
    "sharpened": lambda bgr: _unsharp(bgr, 1.0, 1.2),
    "blurred 1 px": lambda bgr: cv2.GaussianBlur(bgr, (0, 0), 1.0),
    "blurred 0.6 px": lambda bgr: cv2.GaussianBlur(bgr, (0, 0), 0.6),
    "median of 3": lambda bgr: cv2.medianBlur(bgr, 3),
    "denoised": lambda bgr: cv2.bilateralFilter(bgr, 7, 25, 3),
    "moved 4 px": lambda bgr: _in_light(bgr, _streak(4, 40)),
    "moved 9 px": lambda bgr: _in_light(bgr, _streak(9, 20)),
    "moved 9 px across": lambda bgr: _in_light(bgr, _streak(9, 110)),
    "out of focus 1.2 px": lambda bgr: _in_light(bgr, _disc(1.2)),
    "out of focus 2 px": lambda bgr: _in_light(bgr, _disc(2.0)),
    "out of focus 3 px": lambda bgr: _in_light(bgr, _disc(3.0)),
    "developed": developed,
    "brightened": lambda bgr: 255 * (bgr / 255.0) ** 0.8,
    LINEAR: lambda bgr: 255 * linear_between(np.arange(256.0))[bgr],
}
"""What software and lens make of a picture of 8 bits."""


def jpeg_of(photo: Path, bgr, how: str = "") -> bytes:
    """The picture as a JPEG, with the EXIF of the photo it was made from, and a profile where its levels need one."""
    with Image.open(photo) as before:
        kept = {"exif": before.info["exif"]} if "exif" in before.info else {}
    if how == LINEAR:
        kept["icc_profile"] = profile(1.0)
    said = io.BytesIO()
    rgb = np.clip(np.rint(bgr), 0, 255).astype(np.uint8)[..., ::-1]
    Image.fromarray(rgb).save(said, "JPEG", quality=93, subsampling=0, **kept)
    return said.getvalue()


def score(photo: Path, rig, scratch: Path, how: str) -> list[Score]:
    """Measure a photo as `how` leaves it."""
    truth = truth_of(photo)["truth"]
    altered = scratch / photo.name
    altered.write_bytes(jpeg_of(photo, PROCESSED[how](cv2.imread(str(photo), cv2.IMREAD_IGNORE_ORIENTATION | 1)), how))
    thickness = None if truth.get("tag") else Quantity(truth["thickness_mm"], 0.5, "mm")
    try:
        reading = measure_photo(altered, rig, thickness, KINDS[truth["type"]]).reading
    except UserError as error:
        return [Score(truth["type"], refused=str(error))]
    return [Score(what, error, stated=stated) for what, error, stated, _ in scores_of(reading, truth, FENCE)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--rigs", type=Path, help="keep the rigs here")
    parser.add_argument("--kinds", nargs="+", default=sorted(KINDS), choices=sorted(KINDS))
    parser.add_argument("--only", nargs="+", default=[], metavar="NAME", help="these photos")
    parser.add_argument("--how", nargs="+", default=list(PROCESSED), choices=list(PROCESSED), metavar="HOW")
    told = parser.parse_args()
    table: dict[str, list[Score]] = defaultdict(list)
    with tempfile.TemporaryDirectory() as scratch:
        rigs = told.rigs or Path(scratch)
        for folder in sorted(path for path in told.folder.iterdir() if path.is_dir()):
            file = rigs / f"{folder.name}.json"
            if not file.exists():
                write_rig(survey_photos(folder, None, 1), file)
            rig = load_rig(file)
            for photo in sorted(folder.glob("*.jpg")):
                name = f"{folder.name}/{photo.stem}"
                if truth_of(photo)["truth"]["type"] not in told.kinds or (told.only and name not in told.only):
                    continue
                for how in told.how:
                    for one in score(photo, rig, Path(scratch), how):
                        table[how].append(one)
                        said = (
                            f"refused: {one.refused[:150]}" if one.refused else f"{one.error:+8.4f} ± {one.stated:.4f}"
                        )
                        held = "" if one.refused or one.held else f"MISSED {abs(one.error) / one.stated:.2f} x"
                        print(f"{name:30} {how:20} {one.what:12} {said} {held}", flush=True)
    print_table(table)


def words_of(one: Score) -> str:
    """Its error against what was stated."""
    if one.refused:
        return f"refused: {one.refused[:150]}"
    held = "" if one.held else f"MISSED, {abs(one.error) / one.stated:.2f} x"
    return f"{one.error:+8.4f} ± {one.stated:.4f} {held}"


def print_table(table: dict[str, list[Score]]) -> None:
    """Of every way of processing: how many intervals held the truth, and how many were refused."""
    print(f"\n| {'picture':20} | held | missed | beyond twice | refused |\n| --- | --- | --- | --- | --- |")
    rows = {**table, "all": [each for scores in table.values() for each in scores]}
    for how, scores in rows.items():
        told = [each for each in scores if not each.refused]
        held = sum(each.held for each in told)
        far = sum(abs(each.error) > 2 * each.stated for each in told)
        print(f"| {how:20} | {held} | {len(told) - held} | {far} | {len(scores) - len(told)} |")


if __name__ == "__main__":
    main()
