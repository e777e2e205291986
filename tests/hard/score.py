"""Score the program on the hard set: `python -m tests.hard.score RIG.json [NAME ...]`, the rig of the fixture photos.

With `lot FROM TO` the scenes drawn by lot with these seeds. A picture counts as measured where all four corners lie
within their stated 95 %; as wrong where one lies beyond twice; as asked where the edges are asked for by their letters,
as those of an outline are that holds something besides the work.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from tests.hard.pictures import drawn_by_lot, scenes
from tests.hard.scene import Scene
from tests.one_photo import measure_photo
from tests.shapes import interior_angles_deg
from visioncheck.camera.rig import Rig
from visioncheck.camera.rig_file import load_rig
from visioncheck.errors import Refusal
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading

_ORIENTATION = 0x0112


def save(scene: Scene, folder: Path) -> Path:
    """Write it as a phone would that was held another way, or a program that halves photos."""
    exif = Image.Exif()
    exif.load(scene.picture.exif)
    exif[_ORIENTATION] = scene.orientation
    bgr = scene.picture.bgr
    if scene.half_size:
        bgr = cv2.resize(bgr, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    path = folder / f"{scene.name}.jpg"
    Image.fromarray(np.ascontiguousarray(bgr[:, :, ::-1])).save(path, "JPEG", quality=93, exif=exif.tobytes())
    return path


def read(scene: Scene, rig: Rig, folder: Path) -> Reading:
    """Measure it as its user would; a photo of half the size has no rig."""
    thickness = Quantity(scene.thickness_mm, 0.2, "mm")
    rig = replace(rig, field="dark") if scene.dark_field else rig
    return measure_photo(save(scene, folder), None if scene.half_size else rig, thickness, piece="corner").reading


def errors_of(reading: Reading, scene: Scene) -> list[tuple[float, float]]:
    """Error and stated 95 % of each corner, deg."""
    true = interior_angles_deg(scene.corners_mm)
    found = []
    for corner in reading.corners:
        k = int(np.argmin(np.linalg.norm(scene.corners_mm - corner.at_mm, axis=1)))
        found.append((corner.angle.value - true[k], corner.angle.expanded()))
    return found


def verdict_of(share: float) -> str:
    """What to call a picture whose worst error is this share of its stated 95 %."""
    return "measured" if share <= 1 else "missed" if share <= 2 else "wrong"


def _chosen(names: tuple[str, ...]) -> Iterator[tuple[str, Callable[[], Scene]]]:
    """The set, some of it by name, or scenes by lot: `lot FROM TO`."""
    if names[:1] == ("lot",):
        for seed in range(int(names[1]), int(names[2])):
            yield f"lot-{seed}", partial(drawn_by_lot, seed)
        return
    for name, make in scenes().items():
        if not names or name in names:
            yield name, make


def main(rig_file: str, *names: str) -> None:
    rig, tally = load_rig(Path(rig_file)), Counter()
    with tempfile.TemporaryDirectory() as folder:
        for name, make in _chosen(names):
            try:
                reading = read(scene := make(), rig, Path(folder))
            except Refusal as refusal:
                tally["refused"] += 1
                print(f"{name:26} refused: {refusal.code} {refusal.case}")
                continue
            share = max(abs(error) / stated for error, stated in errors_of(reading, scene))
            asked = reading.question is not None and reading.question.code == "edges"
            verdict = "asked" if asked else verdict_of(share)
            tally[verdict] += 1
            print(f"{name:26} {verdict}: {share:.2f} of its ±; {', '.join(reading.flags)}", flush=True)
    print(dict(tally))


if __name__ == "__main__":
    main(*sys.argv[1:])
